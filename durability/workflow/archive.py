"""Files of a lab into the store; the whole record out as open files, and back in."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from durability import PROGRAM_VERSION
from durability.intake.checks import as_read, check_sheet, split_conditions
from durability.intake.columns import COLUMNS, FILE_KINDS, MOST_NUMBER
from durability.intake.hand_entry import typed_start
from durability.intake.tables import Sheet, SheetOptions, Table, open_table
from durability.pulse.waveform_codec import decode, encode
from durability.record import clock
from durability.record.errors import ImportRefused, RecordRefused, StoreUnusable, UnusableCall
from durability.record.orientation import impossible_designation
from durability.record.receipts import ImportCount, Rejection
from durability.record.units import STANDARD_GRAVITY_M_S2
from durability.record.vocabulary import DAMAGE_SEVERITIES, PURPOSES
from durability.record.whole_file import read_whole, sha256, write_rejects
from durability.store import archive, bench, database, sql_files
from durability.store import archive as dictionary
from durability.store.archive import WrittenFile
from durability.workflow import photos
from durability.workflow.check_lists import keep_list, versions
from durability.workflow.keep import keep_rows
from durability.workflow.results import Export
from durability.workflow.session import Session


def import_files(
    session: Session,
    kind: str,
    files: Sequence[Path],
    *,
    options: SheetOptions | None = None,
    keep_good: bool = False,
    allow_gaps: bool = False,
    split_by_condition: bool = False,
    despite_quarantine: str | None = None,
) -> ImportCount:
    """Take CSV files in one transaction: all rows, or with ``keep_good`` the good ones.

    Parameters
    ----------
    session : Session
        Store and person.
    kind : str
        drops, damage, inspections or specimens.
    files : sequence of Path
        The files.
    options : SheetOptions, optional
        Renamed columns and the like.
    keep_good : bool
        Store the good rows; the others land in a rejects file beside the first file.
    allow_gaps : bool
        Take drop numbers with holes.
    split_by_condition : bool
        Make each change of condition within a series a series of its own.
    despite_quarantine : str, optional
        How devices came to be dropped while they were in quarantine; the drop counts for them.

    Returns
    -------
    ImportCount
        What became of the rows.

    Raises
    ------
    ImportRefused
        A row was refused and ``keep_good`` was not asked for; nothing is stored.
    UnusableCall
        A file can't be used at all; nothing is stored.
    """
    tables = [open_table(file, kind, options) for file in dict.fromkeys(files)]
    with database.writing(session.store) as connection:
        by_line: dict[str, list[tuple[int, str]]] = {}
        if kind == "drops" and not split_by_condition:
            by_line = _cut(connection, tables)
        sheets = [table.sheet(by_line.get(table.file_name)) for table in tables]
        checked = [check_sheet(sheet, kind) for sheet in sheets]
        plain = 0
        for order, (table, sheet) in enumerate(zip(tables, sheets, strict=True)):
            of_file = 0
            if table.file_name in by_line:
                of_file = bench.run(connection, "count_plain_drops", file_name=table.file_name)
            if sheet.frame.empty and not sheet.refused and not of_file:
                table.refuse_empty()
            plain += of_file
            rows = checked[order][0]
            rows["staged_order"] = (order << 32) + rows["source_row"].astype("int64")
        rows = pd.concat([good for good, _ in checked], ignore_index=True)
        rejections = [rejection for _, refused in checked for rejection in refused]
        read = plain + sum(len(sheet.frame) + len(sheet.refused) for sheet in sheets)
        numbers = None
        if kind == "drops":
            if split_by_condition:
                rows = split_conditions(rows)
            if not (allow_gaps or split_by_condition):
                numbers = _numbers_on(sheets)
        entries = [
            (
                sheet.file_name,
                bench.add_entry(
                    connection,
                    entered_by=session.person,
                    command=f"import {kind}{as_read(sheet, kind)}",
                    file_name=Path(sheet.file_name).name,
                    file_sha256=sheet.file_sha256,
                ),
            )
            for sheet in sheets
        ]
        if kind == "inspections":
            rows = _with_lists(connection, rows, entries)
        kept = keep_rows(
            connection,
            kind,
            rows,
            entries,
            with_cut=bool(by_line),
            drop_numbers_on_sheet=numbers,
            despite_quarantine=despite_quarantine,
        )
        duplicates = kept.left_out - len(kept.rejections)
        rejections = sorted(
            [*rejections, *kept.rejections], key=lambda each: (each.file, each.row or 0)
        )
        if rejections and not keep_good:
            raise ImportRefused(rejections, read, duplicates)
        sql_files.refuse_orphans(connection)
        # Written before the commit: when it can't be, nothing is stored and nothing is lost.
        rejects_file = None
        if rejections:
            sheets += [
                table.sheet(_as_read(connection, table.file_name, kept.rejections))
                for table in tables
                if table.file_name in by_line
            ]
            rejects_file = _write_rejects(files[0], sheets, rejections)
    return ImportCount(
        read=read,
        added=plain + len(rows) - kept.left_out,
        duplicates=duplicates,
        rejected=len(rejections),
        rejects_file=rejects_file,
        rejections=tuple(rejections),
        skipped_rows=sum(len(sheet.skipped_rows) for sheet in sheets),
        quarantined=kept.quarantined,
        undated_in_quarantine=kept.undated_in_quarantine,
        dropped_after_failure=kept.dropped_after_failure,
        clock=kept.clock,
    )


_SURELY_PAST = timedelta(days=2)
"""Before now by this, a time is past whatever its offset and the bench's."""


def _cut(connection: Any, tables: Sequence[Table]) -> dict[str, list[tuple[int, str]]]:
    """By file whose lines are rows: those that are not plainly good, for the rules in words."""
    by_line: dict[str, list[tuple[int, str]]] = {}
    bench.begin_cut(connection)
    for order, table in enumerate(tables):
        if table.text is None or table.unit_names or table.skip_at is not None:
            continue
        bench.cut_drops(
            connection,
            table.text,
            {column: table.places.get(column, -1) for column in FILE_KINDS["drops"].columns},
            first_row=table.header_at + 2,
            file_name=table.file_name,
            file_at=order,
            delimiter=table.delimiter,
            width=len(table.header),
            purposes=list(PURPOSES),
            recent=clock.wall_clock() - _SURELY_PAST,
        )
        by_line[table.file_name] = []
    written = [row["orientation"] for row in bench.fetch(connection, "orientations_of_lines")]
    if impossible := [text for text in written if impossible_designation(text)]:
        bench.run(connection, "doubt_orientations", orientations=impossible)
    for file_name in by_line:
        rows = bench.fetch(connection, "lines_to_judge", file_name=file_name)
        by_line[file_name] = [(row["source_row"], row["line"]) for row in rows]
    return by_line


def _as_read(
    connection: Any, file_name: str, rejections: Sequence[Rejection]
) -> list[tuple[int, str]]:
    """The refused lines of a file."""
    rows = [rejection.row for rejection in rejections if rejection.file == file_name]
    lines = bench.fetch(connection, "lines_as_read", file_name=file_name, source_rows=rows)
    return [(row["source_row"], row["line"]) for row in lines]


def _with_lists(
    connection: Any, rows: pd.DataFrame, entries: Sequence[tuple[str, Any]]
) -> pd.DataFrame:
    """Rows of inspections with the whole digest of the check list that each names."""
    found = versions(connection, rows["check_list"].dropna().unique().tolist())
    kept = {
        digest: keep_list(connection, check_list, entries[0][1])
        for digest, check_list in found.items()
    }
    return rows.assign(check_list_sha256=rows["check_list"].map(kept).astype(object))


def _numbers_on(sheets: Sequence[Sheet]) -> Any:
    """Series and drop number of every row of the sheets, refused ones too."""
    pairs = pd.concat([sheet.frame[["series", "drop_number"]] for sheet in sheets])
    numbers = pd.to_numeric(pairs["drop_number"], errors="coerce")
    is_number = (numbers >= 1) & (numbers <= MOST_NUMBER) & (numbers % 1 == 0)
    return pairs.assign(drop_number=numbers)[is_number].astype({"drop_number": int})


def _write_rejects(first: Path, sheets: Sequence[Sheet], rejections: Sequence[Rejection]) -> str:
    """Write the refused rows, as read, with file, row and reason; never over another file."""
    refused = {rejection.row for rejection in rejections}
    by_row = {
        (sheet.file_name, int(row["source_row"])): row
        for sheet in sheets
        for row in sheet.frame[sheet.frame["source_row"].isin(refused)]
        .rename(columns=sheet.names)
        .to_dict("records")
    }
    lines = []
    for rejection in rejections:
        row: dict[Any, Any] = dict(by_row.get((rejection.file, rejection.row or 0), {}))
        row.pop("source_row", None)
        reason = (
            rejection.reason
            if rejection.column is None
            else (f"{rejection.column}: {rejection.reason}")
        )
        row.update(
            {
                "source_file": rejection.file,
                "source_row": rejection.row,
                "reason": reason,
                # A row that could not be cut into columns has nowhere else to stand.
                "row_as_read": None if row else rejection.value,
            }
        )
        lines.append(row)
    columns = list(dict.fromkeys(name for line in lines for name in line))
    rows = ([line.get(name) for name in columns] for line in lines)
    return write_rejects(first.parent, first.stem, columns, rows)


ABOUT_FILE = "record.json"
README_FILE = "README.txt"

NOT_STATED = "not stated"

_README = """\
A durability record, exported {exported_at} by {exported_by} from {store}.
Licence: {licence}.

{about}      what each file and column holds (JSON Schema), units, words, SHA-256 of each file
{today}tables/          every table as it was first written, with the amendments and the entries
                 (entry: who, when, with what, from which file) that keys in the rows refer to
tables/{samples}
                 waveforms in g, one row each: waveform_id, acceleration_g
photos/          photos of damage and of inspections, where there are any, by SHA-256

CSV is UTF-8 with commas and a header; an empty cell is "not recorded", lists are JSON, times are
ISO 8601 as the bench clock showed them, with the offset from UTC where known; columns that end in
_utc are UTC. 1 g is {gravity} m/s2. Any spreadsheet, statistics program or database opens these
files; none of them needs durability.

{back}"""

_TODAY = """\
today/           the state of today, amendments applied: one CSV each of specimens, series, drops,
                 damage notes and functional checks; drops of status void count in no estimate
"""

_BACK = """\
Back into a store, exactly as it was:  durability import record FOLDER --store NEW.duckdb
Into a store that holds other records:  durability merge FOLDER
Into one of a lab that keeps other codes, without states of use, plans, certificates and waveforms:
    durability import specimens|drops|damage|inspections today/FILE.csv --ignore-other-columns
"""

_BACK_SINCE = """\
Only what was entered since {since}, with the entries that it refers to.
Into a store, whether it holds the rest or not:  durability merge FOLDER
"""

_PARQUET_README = """\
A durability record, exported {exported_at} by {exported_by} from {store}, as Parquet.
Licence: {licence}.

{about}                       what each table and column holds (JSON Schema), units, words,
                                  SHA-256 of each file
views/NAME/site=SITE/year=YEAR/   the present state, amendments applied: valid_drops and others
tables/NAME/site=SITE/year=YEAR/  every table as it was first written, with the amendments and the
                                  entries that keys in the rows refer to
tables/waveform_samples/          waveforms in g, one row each: waveform_id, acceleration_g

Keys are text; times are as the bench clock showed them, without a zone; columns that end in _utc
are UTC. 1 g is {gravity} m/s2. Site and year of a row are in the names of its folders: the year of
its drop, else of its inspection, else of its entry. Read a table by the folder of its name:
    DuckDB   FROM read_parquet('views/valid_drops/**/*.parquet', hive_partitioning = true)
    Spark    spark.read.parquet("views/valid_drops")
    pandas   pandas.read_parquet("views/valid_drops")
A store is made of an export without --format only.
"""

PARQUET = "parquet"


def export_record(
    session: Session,
    folder: Path,
    licence: str | None = None,
    since: str | None = None,
    *,
    as_parquet: bool = False,
) -> Export:
    """Write the whole record as open files, or what was entered since a day, to be merged.

    Parameters
    ----------
    session : Session
        Store and person.
    folder : Path
        Where it goes: a new folder, or an empty one.
    licence : str, optional
        Under which others may use it.
    since : str, optional
        Only what was entered from the beginning of this date on, in local time, or from this
        instant, with the entries that it refers to.
    as_parquet : bool
        Tables and views as Parquet by site and year, for engines of several machines.

    Returns
    -------
    Export

    Raises
    ------
    UnusableCall
        The folder holds something already, or can't be written; ``since`` is no date.
    """
    start = None if since is None else typed_start(since, option="--since")
    if not folder.absolute().parent.is_dir():
        raise UnusableCall(f"{folder}: the folder {folder.absolute().parent} does not exist")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UnusableCall(f"{folder}: is there and not empty; name a new folder")
    building = folder.absolute().with_name(f".{folder.absolute().name}.building")
    try:
        shutil.rmtree(building, ignore_errors=True)
        building.mkdir()
        write = archive.write_partitions if as_parquet else archive.write_files
        files, state = write(session.store, building, decode, start)
        about = _about(session, building, files, state, licence or NOT_STATED)
        about["photos"], missing = photos.export(session.store, building, state["photos"])
        about |= {"format": PARQUET} if as_parquet else {}
        about |= {} if since is None else {"since": since}
        text = json.dumps(about, ensure_ascii=False, indent=1)
        (building / ABOUT_FILE).write_text(text + "\n", encoding="utf-8")
        words = _PARQUET_README if as_parquet else _README
        (building / README_FILE).write_text(_readme(words, about), encoding="utf-8")
        if folder.exists():
            folder.rmdir()
        building.rename(folder)
    except OSError as error:
        raise UnusableCall(f"{folder}: can't be written ({error.strerror})") from None
    finally:
        shutil.rmtree(building, ignore_errors=True)
    rows = {each.name: each.rows for each in files}
    drops = rows[f"tables/drops{'' if as_parquet else '.csv'}"]
    count = sum(len(each.get("parts", "1")) for each in about["files"]) + len(about["photos"])
    return Export(str(folder), count + 2, drops, about["licence"], missing)


def import_record(session: Session, folder: Path) -> Export:
    """Make a store from an export: every row with its key, its source and its time.

    Parameters
    ----------
    session : Session
        The store to make, and the person.
    folder : Path
        What ``export_record`` wrote.

    Returns
    -------
    Export

    Raises
    ------
    StoreUnusable
        There is a store already, or it can't be made.
    UnusableCall
        The folder is no export, or a newer program's.
    RecordRefused
        A file is missing or is not as it was exported.
    """
    store = session.store
    if store.exists():
        raise StoreUnusable(
            f"{store}: already exists, and a record comes back into a new store only; name"
            " another by --store"
        )
    if not store.absolute().parent.is_dir():
        raise StoreUnusable(f"{store}: the folder {store.parent} does not exist; make it first")
    about = _read_about(folder)
    if about.get("since"):
        raise UnusableCall(
            f"{folder}: only what was entered since {about['since']}; it goes into a store that"
            " holds the rest: durability merge"
        )
    building = store.with_name(f".{store.name}.building")
    try:
        _read_into(building, folder, about)
        with database.writing(building) as connection:
            bench.add_entry(
                connection,
                entered_by=session.person,
                command="import record",
                file_name=ABOUT_FILE,
                file_sha256=sha256(folder / ABOUT_FILE),
            )
        photos.carry_all(building, folder / photos.EXPORTED, photos.folder_of(store))
        building.rename(store)
    except OSError as error:
        raise StoreUnusable(f"{store}: can't be made ({error.strerror})") from None
    finally:
        for left in (building, building.with_name(building.name + ".lock")):
            left.unlink(missing_ok=True)
    files = about["files"]
    drops = next(each["rows"] for each in files if each["file"] == "tables/drops.csv")
    return Export(str(folder), len(files) + 2, drops, about["licence"])


def _read_into(store: Path, folder: Path, about: Mapping[str, Any]) -> None:
    """Make a store from an export of which every file is as it was written."""
    for each in (*about["files"], *about.get("photos", ())):
        file = folder / each["file"]
        if not file.resolve().is_relative_to(folder.resolve()):
            raise UnusableCall(f"{folder / ABOUT_FILE}: names {each['file']!r}, outside its folder")
        if not file.is_file():
            raise RecordRefused(f"{file}: missing from the export")
        if sha256(file) != each["sha256"]:
            raise RecordRefused(f"{file}: not as it was exported (its SHA-256 is another)")
    tables = (each for each in about["files"] if each["file"].startswith("tables/"))
    rows = {Path(each["file"]).stem: each["rows"] for each in tables}
    archive.read_tables(store, folder, schema_step=about["schema_step"], rows=rows, encoded=encode)


def read_export(folder: Path, store: Path) -> str:
    """Make a store of an export, of the whole record or of changes, to be merged.

    Parameters
    ----------
    folder : Path
        What ``export_record`` wrote.
    store : Path
        The file to make.

    Returns
    -------
    str
        SHA-256 of the file that says what the export holds.

    Raises
    ------
    UnusableCall
        The folder is no export, or a newer program's.
    RecordRefused
        A file is missing or is not as it was exported.
    """
    _read_into(store, folder, _read_about(folder))
    return sha256(folder / ABOUT_FILE)


def _about(
    session: Session,
    folder: Path,
    files: Sequence[WrittenFile],
    state: Mapping[str, Any],
    licence: str,
) -> dict[str, Any]:
    last = state["last_entered_at_utc"]
    return {
        "what": "durability record",
        "exported_at": clock.now().isoformat(timespec="seconds"),
        "exported_by": session.person,
        "store": session.store.name,
        "program_version": PROGRAM_VERSION,
        "schema_step": state["schema_step"],
        "last_entered_at_utc": last.isoformat() if isinstance(last, datetime) else None,
        "licence": licence,
        "standard_gravity_m_s2": STANDARD_GRAVITY_M_S2,
        "damage_severities": {str(level): word for level, word in DAMAGE_SEVERITIES.items()},
        "files": [
            {
                "file": each.name,
                **_digests(folder, each.name),
                "rows": each.rows,
                "row": {
                    "$schema": "https://json-schema.org/draft/2020-12/schema",
                    "type": "object",
                    "properties": {
                        name: _column(Path(each.name).stem, name, type_)
                        for name, type_ in each.columns
                    },
                },
            }
            for each in files
        ],
    }


def _digests(folder: Path, name: str) -> dict[str, Any]:
    """Of a file its digest; of a folder the files in it, each with its own."""
    if (folder / name).is_file():
        return {"sha256": sha256(folder / name)}
    parts = sorted((folder / name).rglob("*.parquet"))
    return {
        "parts": [
            {"file": part.relative_to(folder).as_posix(), "sha256": sha256(part)} for part in parts
        ]
    }


_JSON_TYPES = {
    "BIGINT": "integer",
    "INTEGER": "integer",
    "SMALLINT": "integer",
    "TINYINT": "integer",
    "DOUBLE": "number",
    "BOOLEAN": "boolean",
}
_FORMATS = {"UUID": "uuid", "DATE": "date", "TIMESTAMP": "date-time"}


def _column(table: str, name: str, type_: str) -> dict[str, Any]:
    """JSON Schema of one column, with its unit and what it means."""
    item = type_.removesuffix("[]")
    told: dict[str, Any] = {"type": [_JSON_TYPES.get(item, "string"), "null"]}
    if item in _FORMATS:
        told["format"] = _FORMATS[item]
    if type_.endswith("[]"):
        told = {"type": ["array", "null"], "items": told}
    known = COLUMNS.get(name)
    if known is not None and known.choices:
        told["enum"] = [*known.choices, None]
    unit, meaning = dictionary.unit(name), dictionary.meaning(table, name)
    if unit is not None:
        told["unit"] = unit
    if meaning is not None:
        told["description"] = meaning
    return told


def _readme(words: str, about: Mapping[str, Any]) -> str:
    since = about.get("since")
    return words.format(
        today="" if since else _TODAY,
        back=_BACK_SINCE.format(since=since) if since else _BACK,
        about=ABOUT_FILE,
        samples=archive.SAMPLES_FILE,
        gravity=about["standard_gravity_m_s2"],
        **{name: about[name] for name in ("exported_at", "exported_by", "store", "licence")},
    )


def _read_about(folder: Path) -> dict[str, Any]:
    try:
        about = json.loads(read_whole(folder / ABOUT_FILE))
        if about.get("format") == PARQUET:
            raise UnusableCall(
                f"{folder}: an export as Parquet makes no store; export without --format"
            )
        named = {str(each["file"]) for each in about["files"] if each.keys() >= {"sha256", "rows"}}
        step, licence = int(about["schema_step"]), str(about["licence"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise UnusableCall(
            f"{folder}: no export of a record: {ABOUT_FILE} is missing or can't be read"
        ) from None
    if "tables/entry.csv" not in named or len(named) < len(about["files"]):
        raise UnusableCall(f"{folder / ABOUT_FILE}: names no tables/entry.csv; not a whole export")
    if step > sql_files.latest_step():
        raise UnusableCall(
            f"{folder}: exported by durability {about.get('program_version')} (schema step {step});"
            f" this is {PROGRAM_VERSION} and knows steps up to {sql_files.latest_step()}: install"
            " the newer one"
        )
    return {**about, "schema_step": step, "licence": licence}
