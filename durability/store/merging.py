"""Records of several sites in one store: what is added, what is at odds, where codes are shared.

A store is joined entry by entry: an entry that is in both must have the same fingerprint, one that
is only in the other comes with all its rows. Rows keep their keys and what was recorded; the few
values that can't stay as they were are placed anew from the record of sites, of second codes and of
split series, so that it does not matter in which order stores are joined.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import duckdb
from duckdb import DuckDBPyConnection, DuckDBPyRelation

from durability.record.basis import counted
from durability.record.errors import RecordRefused, StoreUnusable
from durability.record.receipts import Merged
from durability.store import bench, database, sql_files
from durability.store.file import locked, log, why
from durability.store.sql_files import place, quoted, statement

DERIVED = ("as_recorded",)
"""Tables that are made again from others."""

_CODES = {"specimen": "code", "series": "code", "sensor": "code", "follow_up_plan": "name"}
"""Columns that are unique in a store, and at several sites need not be."""

_OF_ENTRY = {
    "pulse_flag": ("pulse_measures", "pulse_measures_id"),
    "cross_record": ("waveform", "waveform_id"),
    "shock_sensitivity": ("calibration", "calibration_id"),
}
"""Tables whose rows belong to the entry of a row that they refer to."""

_ACTS = {
    "calibration_void": "calibration_id",
    "disposal_return": "disposal_id",
    "inspection_finish": "inspection_id",
    "quarantine_clearance": "quarantine_id",
}
"""Tables of what is done to a thing once, each with the key of the thing, which is its own."""

_OTHER = '"other/"'
"""What the other store is attached as: no store can be called so, as a file name holds no slash."""


class _Undone(Exception):
    """Ends a transaction of which nothing shall stay."""


@contextmanager
def copied(other: Path, beside: Path) -> Iterator[Path]:
    """A copy of another store, brought up to date; the other one is not touched.

    Parameters
    ----------
    other : Path
        The store.
    beside : Path
        The copy is made in the folder of this file.

    Yields
    ------
    Path
        The copy, removed at the end.

    Raises
    ------
    StoreUnusable
        It is missing, foreign, too new or damaged.
    """
    with tempfile.TemporaryDirectory(dir=beside.absolute().parent, prefix=".merging.") as folder:
        copy = Path(folder) / "other.duckdb"
        try:
            with locked(other, exclusive=False):
                shutil.copyfile(other, copy)
                if log(other).exists():
                    shutil.copyfile(log(other), log(copy))
            database.update_copy(copy)
        except OSError as error:
            place = beside.absolute().parent
            raise StoreUnusable(f"{other}: can't be copied to {place} ({why(error)})") from None
        except StoreUnusable as fault:
            words = str(fault).replace(str(copy), str(other)).replace(copy.name, other.name)
            raise StoreUnusable(words.partition("; name ")[0].partition("; make ")[0]) from None
        yield copy


def name_site(connection: DuckDBPyConnection, site: str, entry_id: UUID) -> None:
    """Say what the store's own site is called, and show shared codes with that name.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    site : str
        The name.
    entry_id : UUID
        The entry.

    Raises
    ------
    RecordRefused
        Another site of the record is called so.
    """
    for each in bench.fetch(connection, "sites"):
        if each["site"] == site and not each["is_own"]:
            raise RecordRefused(f"--site {site!r}: another site of this record has that name")
    own_site = bench.run(connection, "own_site")
    bench.run(connection, "add_site_name", site_id=own_site, site=site, entry_id=entry_id)
    place(connection)


def merge(
    store: Path,
    other: Path,
    *,
    person: str,
    name: str,
    sha256: str | None,
    split: Sequence[str] = (),
    dry_run: bool = False,
) -> Merged:
    """Add what another store has to this one: all of it, or nothing.

    Parameters
    ----------
    store : Path
        The store.
    other : Path
        The other one, as ``copied`` gives it.
    person, name, sha256 : str
        Who merges it, and what file it is.
    split : sequence of str
        Series that both sites continued: the drops of the other one get a series of their own.
    dry_run : bool
        Nothing is stored.

    Returns
    -------
    Merged

    Raises
    ------
    RecordRefused
        The other one is not as it was sealed, or sites have one name; a series to split is not
        continued at both.
    StoreUnusable
        This store can't be written.
    """
    told = Merged()
    with suppress(_Undone), database.writing(store) as connection:
        connection.execute(f"ATTACH $path AS {_OTHER} (READ_ONLY)", {"path": str(other)})
        is_changed = _join(connection, told, person, name, sha256, split)
        if dry_run or not is_changed:
            raise _Undone
    return told


def _join(
    connection: DuckDBPyConnection,
    told: Merged,
    person: str,
    name: str,
    sha256: str | None,
    split: Sequence[str],
) -> bool:
    """Whether there is anything to store."""
    altered = _compare(connection, told, name)
    broken = {
        (each["site"], each["seal_number"])
        for each in bench.fetch(connection, "seals")
        if not each["is_whole"]
    }
    if told.conflicts:
        return False
    new = _count(connection, told)
    if not new:
        _refuse_unsplit(split, {})
        told.added = {}
        return False
    if "functional_check" in told.added:
        _refuse_answered_twice(connection, told)
    if told.conflicts:
        return False
    entry_id = bench.add_entry(
        connection, entered_by=person, command="merge", file_name=name, file_sha256=sha256
    )
    try:
        _insert(connection, entry_id, told, split)
    except duckdb.ConstraintException as error:
        told.conflicts.append(_conflict("", name, _key_words(error)))
    if told.conflicts:
        return False
    sql_files.refuse_orphans(connection)
    connection.execute(statement("fingerprint_entries"))
    for each in bench.fetch(connection, "altered_entries"):
        if each["sealed_entry_id"] not in altered:
            raise RecordRefused(
                f"{name}: the entry {each['command']!r} of {each['entered_at_utc']:%Y-%m-%d %H:%M}"
                " UTC would no longer be as it was sealed; nothing is stored"
            )
    for each in bench.fetch(connection, "seals"):
        if not each["is_whole"] and (each["site"], each["seal_number"]) not in broken:
            raise RecordRefused(
                f"{name}: its seal {each['seal_number']} follows one that is not here; merge an"
                " earlier export of it first, or all of it"
            )
    told.amended_at_both = bench.fetch(connection, "merged_amendments_apart")
    told.dropped_after_failure = {
        row["case"]: row["drops"] for row in bench.fetch(connection, "merged_after_failure")
    }
    return True


def _compare(connection: DuckDBPyConnection, told: Merged, name: str) -> set[UUID]:
    """Stage the entries of the other store; keys of entries here that are not as sealed."""
    here = bench.run(connection, "this_database")
    connection.execute(statement("stage_main_entries"))
    own_site = bench.run(connection, "own_site")
    connection.execute(f"USE {_OTHER}")
    connection.execute(statement("fingerprint_entries"))
    other_site = bench.run(connection, "own_site")
    not_as_sealed = bench.fetch(connection, "altered_entries")
    connection.execute(f"USE {quoted(here)}")
    if not_as_sealed:
        raise RecordRefused(
            f"{name}: {counted(len(not_as_sealed), 'entry', 'entries')} of it not as sealed; see"
            f" there: durability verify"
        )
    sites = {"own_site": own_site, "other_site": other_site}
    connection.execute(statement("stage_other_entries"), sites)
    connection.execute(statement("fingerprint_entries"))
    for row in bench.fetch(connection, "entries_apart"):
        of_file = f" of {row['file_name']}" if row["file_name"] else ""
        told.conflicts.append(
            _conflict(
                "entry",
                f"{row['command']}{of_file}, {row['entered_at_utc']:%Y-%m-%d %H:%M:%S} UTC, by"
                f" {row['entered_by']}",
                "its rows are others there than here",
            )
        )
    return {each["sealed_entry_id"] for each in bench.fetch(connection, "altered_entries")}


def _refuse_answered_twice(connection: DuckDBPyConnection, told: Merged) -> None:
    """Refuse second answers to a function of one inspection, which was continued at both."""
    new = _new_rows(connection, "functional_check").set_alias("o")
    here = connection.table("functional_check").set_alias("c")
    same = 'o.inspection_id = c.inspection_id AND o."function" = c."function"'
    twice = new.join(here, same).project("c.functional_check_id").fetchall()
    if not twice:
        return
    named = connection.view("all_checks").filter(
        duckdb.ColumnExpression("functional_check_id").isin(
            *(duckdb.ConstantExpression(key) for (key,) in twice)
        )
    )
    columns = 'device, inspected_at, "function"'
    for device, at, function in named.project(columns).order(columns).fetchall():
        told.conflicts.append(
            _conflict(
                "functional_check",
                f"{function} of {device}, inspected {at:%Y-%m-%d %H:%M}",
                "answered at both, where each continued one interrupted inspection; one answer can"
                " be kept: begin with a backup of one of them, and enter what it lacks",
            )
        )


def _conflict(table: str, record: str, words: str) -> dict[str, Any]:
    return {"table": table, "record": record, "why": words}


def _key_words(error: Exception) -> str:
    """The key that two rows have, in the engine's words."""
    return f"two rows with one key ({str(error).splitlines()[0].partition(': ')[2]})"


def _new_rows(connection: DuckDBPyConnection, table: str) -> DuckDBPyRelation:
    """Rows of entries that are only in the other store."""
    rows = connection.table(f"{_OTHER}.{quoted(table)}")
    return of_entries(rows, table, "FROM other_entry AS n WHERE NOT n.is_present", f"{_OTHER}.")


def of_entries(
    rows: DuckDBPyRelation, table: str, entries: str, database_name: str = ""
) -> DuckDBPyRelation:
    """Of rows of a table those that came with some entries.

    Parameters
    ----------
    rows : DuckDBPyRelation
        Rows of ``table``.
    table : str
        A table of the record.
    entries : str
        "FROM … AS n WHERE …", in which ``n.entry_id`` is the key of an entry.
    database_name : str
        Where the table is, with a full stop; blank for the store itself.

    Returns
    -------
    DuckDBPyRelation
    """
    rows = rows.set_alias("o")
    if table == "sealed_entry":
        return rows.filter(f"EXISTS ({entries} AND n.entry_id = o.seal_entry_id)")
    if table in _OF_ENTRY:
        parent, key = _OF_ENTRY[table]
        return rows.filter(
            f"EXISTS (FROM {database_name}{parent} AS p WHERE p.{key} = o.{key}"
            f" AND EXISTS ({entries} AND n.entry_id = p.entry_id))"
        )
    return rows.filter(f"EXISTS ({entries} AND n.entry_id = o.entry_id)")


def stage_since(connection: DuckDBPyConnection, since: datetime) -> None:
    """Stage in ``since_entry`` what was entered since, with all that it refers to.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store.
    since : datetime
        With its offset.
    """
    connection.execute(statement("stage_entry_references"))
    for each in sql_files.references():
        both = (connection.table(name).columns for name in (each.table, each.to_table))
        if each.to_table != "entry" and all("entry_id" in columns for columns in both):
            connection.execute(statement("add_entry_references"), asdict(each)).fetchall()
    utc = since.astimezone(UTC).replace(tzinfo=None)
    connection.execute(statement("stage_since"), {"since": utc})


def join_specimens(
    connection: DuckDBPyConnection,
    specimen_id: UUID,
    same_as_id: UUID,
    reason: str,
    entry_id: UUID,
    *,
    no_longer: bool = False,
) -> None:
    """Record all of a specimen under another one, which is the same thing; or no longer.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    specimen_id, same_as_id : UUID
        The one, and the one under which all is recorded.
    reason : str
        Why.
    entry_id : UUID
        The entry.
    no_longer : bool
        They are two after all: what was recorded of the one is so again.
    """
    row = {"specimen_id": specimen_id, "same_as_id": same_as_id, "reason": reason}
    said = True if no_longer else None
    bench.run(connection, "add_same_specimen", **row, no_longer=said, entry_id=entry_id)
    place(connection)
    bench.run(connection, "drop_recorded")


def _count(connection: DuckDBPyConnection, told: Merged) -> int:
    """Count rows that are there and here; how many entries are to be added."""
    for table in sql_files.tables(connection):
        there = connection.table(f"{_OTHER}.{quoted(table)}").shape[0]
        if not there or table in DERIVED:
            continue
        new = _new_rows(connection, table).shape[0]
        for counts, rows in ((told.added, new), (told.present, there - new)):
            if rows:
                counts[table] = rows
    return int(bench.run(connection, "new_entries"))


def _insert(
    connection: DuckDBPyConnection, entry_id: UUID, told: Merged, split: Sequence[str]
) -> None:
    for table in sql_files.tables(connection):
        if table in told.added and table != "drops":
            _insert_rows(connection, table)
    _name_sites(connection, entry_id)
    connection.execute(statement("add_other_recorded"))
    connection.execute(statement("add_other_codes"))
    connection.execute(statement("add_other_acts"))
    for row in bench.fetch(connection, "codes_apart"):
        told.conflicts.append(
            _conflict(
                row["what"],
                f"{row['site']}:{row['own_code']}",
                "made twice, in copies of that site's store",
            )
        )
    if told.conflicts:
        return
    place(connection)  # drops here of series that were split there make room
    connection.execute(statement("stage_other_drops"))
    _split(connection, entry_id, told, split)
    if told.conflicts:
        return
    if "drops" in told.added:
        _insert_rows(connection, "drops")
    place(connection)
    bench.run(connection, "drop_recorded")


def _insert_rows(connection: DuckDBPyConnection, table: str) -> None:
    rows = _new_rows(connection, table).set_alias("o")
    columns = {column: quoted(column) for column in connection.table(table).columns}
    if table == "entry":
        site = "n.site_id FROM other_entry AS n WHERE n.entry_id = o.entry_id"
        columns["site_id"] = f"(SELECT {site})"
    elif table in _CODES:
        columns[_CODES[table]] = f"{table}_id::VARCHAR"
    elif table in _ACTS:
        key = _ACTS[table]
        later = f"r.record_id FROM {_OTHER}.as_recorded AS r WHERE r.record_id = o.{key}"
        later += f" AND (r.recorded->>'{key}') IS NOT NULL"
        own = f"md5(o.entry_id::VARCHAR || o.{key}::VARCHAR)::UUID"
        columns[key] = f"coalesce((SELECT {later}), {own})"
    elif table == "drops":
        for column in ("series_id", "drop_number"):
            moved = f"p.{column} FROM split_record AS p WHERE p.record_id = o.drop_id"
            columns[column] = f"coalesce((SELECT {moved}), o.{column})"
    rows.project(", ".join(f"{words} AS {quoted(c)}" for c, words in columns.items())).insert_into(
        table
    )


def _name_sites(connection: DuckDBPyConnection, entry_id: UUID) -> None:
    """Give sites without a name one from their key; refuse one name of two sites."""
    own_site = bench.run(connection, "own_site")
    named = {each["site_id"]: each["site"] for each in bench.fetch(connection, "sites")}
    found = bench.fetch(connection, "other_sites", own_site=own_site)
    for site_id in dict.fromkeys([own_site, *(each["site_id"] for each in found)]):
        if site_id not in named:
            named[site_id] = str(site_id)[-4:]
            bench.run(
                connection,
                "add_site_name",
                site_id=site_id,
                site=named[site_id],
                entry_id=entry_id,
            )
    names = list(named.values())
    for each in names:
        if names.count(each) > 1:
            raise RecordRefused(
                f"two sites are called {each!r}; name one otherwise, in its own store:"
                " durability init --site NAME"
            )


def _split(
    connection: DuckDBPyConnection, entry_id: UUID, told: Merged, split: Sequence[str]
) -> None:
    """Give drops of the other site in series that both continued a series of their own."""
    continued = {row["series"]: row for row in bench.fetch(connection, "series_continued")}
    _refuse_unsplit(split, continued)
    for code, row in continued.items():
        if code not in split:
            drops = (
                f"drop {row['first_drop']}"
                if row["first_drop"] == row["last_drop"]
                else f"drops {row['first_drop']} to {row['last_drop']}"
            )
            told.conflicts.append(
                _conflict(
                    "drops",
                    f"series {code}",
                    f"{drops} made here and at {row['site']}; give those of {row['site']} a series"
                    f" of their own by --split {code}",
                )
            )
            continue
        told.split[code] = _new_code(connection, f"{code}-{row['site']}")
        series_id = bench.run(
            connection,
            "add_split_series",
            code=told.split[code],
            note=f"drops of {code} made at {row['site']}, from number {row['first_drop']} on",
            series_id=row["series_id"],
            entry_id=entry_id,
        )
        bench.run(
            connection,
            "split_other_drops",
            split_series_id=series_id,
            series_id=row["series_id"],
        )
    if not told.conflicts:
        bench.run(connection, "add_split_drops", entry_id=entry_id)
        bench.run(connection, "note_split_drops")
        bench.run(connection, "add_split_notes", entry_id=entry_id)


def _refuse_unsplit(split: Sequence[str], continued: Mapping[str, Any]) -> None:
    for code in split:
        if code not in continued:
            known = f"; those are: {', '.join(continued)}" if continued else ""
            raise RecordRefused(
                f"--split {code}: not a series that was continued at both sites{known}"
            )


def _new_code(connection: DuckDBPyConnection, wanted: str) -> str:
    code, number = wanted, 1
    while bench.fetch(connection, "find_series", code=code):
        number += 1
        code = f"{wanted}-{number}"
    return code
