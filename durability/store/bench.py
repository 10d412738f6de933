"""Keep and fetch what was seen: specimens, series, drops, damage, inspections, amendments.

Each function takes an open connection and runs statements of ``sql/``; transactions belong to
:mod:`durability.store.database`. Nothing recorded is changed: a correction is a further row.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability import PROGRAM_VERSION
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall, refuse_blank
from durability.store.sql_files import statement

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import pandas as pd

    Connection = duckdb.DuckDBPyConnection

AMENDABLE: dict[str, tuple[str, ...]] = {
    "drops": (
        "peak_g",
        "pulse_duration_ms",
        "velocity_change_m_s",
        "achieved_height_mm",
        "dropped_at",
        "temperature_c",
        "damage_severity",
    ),
    "series": (
        "drop_height_mm",
        "surface",
        "orientation",
        "sensor",
        "method",
        "fixture",
        "conditioning",
        "settling_drops",
        "note",
    ),
    "specimen": ("kind", "model", "lot", "mass_g", "received_on", "note"),
}
"""Columns that can be amended; identity (codes, who was dropped in what) can't."""

_FIND = {
    "series": "find_series",
    "specimen": "find_specimen",
    "sensor": "find_sensor",
    "recorder": "find_recorder",
}


def fetch(connection: Connection, name: str, /, **parameters: Any) -> list[dict[str, Any]]:
    """Rows of a statement as dictionaries, in column order.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    name : str
        A statement of ``sql/``.
    **parameters
        Its ``$name`` parameters.

    Returns
    -------
    list of dict
        One a row.
    """
    result = connection.execute(statement(name), parameters)
    columns = [column[0] for column in result.description or ()]
    return [dict(zip(columns, row, strict=True)) for row in result.fetchall()]


def fetch_arrays(connection: Connection, name: str, **parameters: Any) -> dict[str, np.ndarray]:
    """Columns of a statement as arrays; absent numbers are NaN, absent texts None.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    name : str
        A statement of ``sql/``.
    **parameters
        Its ``$name`` parameters.

    Returns
    -------
    dict of ndarray
        Column name → values of shape (n_rows,).
    """
    import numpy as np

    columns = connection.execute(statement(name), parameters).fetchnumpy()
    arrays: dict[str, np.ndarray] = {}
    for column, values in columns.items():
        masked: Any = np.ma.asarray(values)
        if masked.dtype.kind not in "fiu":
            values = masked.data.astype(object)
            values[np.ma.getmaskarray(masked)] = None  # filled(None) would put the filler "?"
            arrays[column] = values
        elif np.ma.is_masked(masked):
            arrays[column] = masked.astype(float).filled(np.nan)
        else:
            arrays[column] = masked.data
    return arrays


def run(connection: Connection, name: str, /, **parameters: Any) -> Any:
    """First value that a statement gives back.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    name : str
        A statement of ``sql/``.
    **parameters
        Its ``$name`` parameters.

    Returns
    -------
    object
        The first column of its first row; None when there is none.
    """
    # All of them: a result of which rows are left stops the next work on the connection.
    rows = connection.execute(statement(name), parameters).fetchall()
    return rows[0][0] if rows else None


@contextmanager
def only_drops_of(connection: Connection, series: Sequence[str]) -> Iterator[None]:
    """Views and statements find only the drops of these series, and of others of their cases.

    So an answer costs by the drops that it is about. Ages, and offsets, stay those of the whole
    record; places among all drops of a device don't.
    """
    connection.execute(statement("keep_offsets"))
    connection.execute(statement("keep_drops_of"), {"series": list(series)})
    yield
    connection.execute("DROP TABLE temp.drops")


def add_entry(
    connection: Connection,
    *,
    entered_by: str,
    command: str,
    file_name: str | None = None,
    file_sha256: str | None = None,
) -> Any:
    """Key of a new act of writing: who, when, with what.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    entered_by, command : str
        The person, and what was typed in short ("drop add").
    file_name, file_sha256 : str, optional
        For what came from a file.

    Returns
    -------
    UUID
        The entry that the rows of this act name.
    """
    return run(
        connection,
        "add_entry",
        entered_at_utc=clock.now_utc(),
        entered_by=entered_by,
        command=command,
        file_name=file_name,
        file_sha256=file_sha256,
        program_version=PROGRAM_VERSION,
    )


def add_file_entries(
    connection: Connection,
    *,
    entered_by: str,
    command: str,
    files: Sequence[tuple[str, str | None]],
) -> list[Any]:
    """Keys of new entries, one for each of several files.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    entered_by, command : str
        As in ``add_entry``.
    files : sequence of (name, SHA-256)
        The files.

    Returns
    -------
    list of UUID
        In the order of the files.
    """
    keys = new_keys(connection, len(files))
    common = {
        "entered_at_utc": clock.now_utc(),
        "entered_by": entered_by,
        "command": command,
        "program_version": PROGRAM_VERSION,
    }
    rows = [
        {"entry_id": key, **common, "file_name": name, "file_sha256": sha256}
        for key, (name, sha256) in zip(keys, files, strict=True)
    ]
    connection.execute(statement("add_entries"), {"rows": rows})
    return keys


def new_keys(connection: Connection, count: int) -> list[Any]:
    """Keys for rows that are to be added together."""
    return [row["key"] for row in fetch(connection, "new_keys", count=count)]


def find(connection: Connection, what: str, code: str) -> dict[str, Any]:
    """The series, specimen, sensor or recorder of that code.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    what : {"series", "specimen", "sensor", "recorder"}
        Kind of thing.
    code : str
        Its code.

    Returns
    -------
    dict
        Its row.

    Raises
    ------
    RecordRefused
        No such code; the message names the nearest ones.
    """
    rows = fetch(connection, _FIND[what], code=code)
    if rows:
        return rows[0]
    for meant in fetch(connection, "codes_meant", typed=[code]):
        if meant["what"] == what:
            raise RecordRefused(f"{what} {code!r}: one thing with {meant['meant']}; name that")
    near = nearest(connection, "near_codes", what=what, name=code)
    hint = near or f"; the store has no {what} yet"
    raise RecordRefused(f"{what} {code!r}: not in the store{hint}")


def nearest(connection: Connection, statement_name: str, **parameters: Any) -> str:
    """The end of a refusal that names what is spelt most like a name; empty when nothing is."""
    near = fetch(connection, statement_name, **parameters)
    return f"; nearest: {', '.join(row['name'] for row in near)}" if near else ""


def refuse_taken(connection: Connection, what: str, code: str) -> None:
    """Refuse a code that is in the store already, or can't be a new one.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    what : {"series", "specimen", "sensor"}
        Kind of thing.
    code : str
        The code wanted.

    Raises
    ------
    RecordRefused
        The code is taken, here or by several sites.
    UnusableCall
        It holds a colon.
    """
    if fetch(connection, _FIND[what], code=code):
        raise RecordRefused(f"{what} {code!r}: already in the store; choose another code")
    refuse_as_new(connection, what, code)


def refuse_as_new(connection: Connection, what: str, code: str) -> None:
    """Refuse a code that is not in the store and can't be a new one.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    what : {"series", "specimen", "sensor", "plan", "recorder"}
        Kind of thing.
    code : str
        The code wanted.

    Raises
    ------
    RecordRefused
        Several sites use it, or it is the second code of a thing.
    UnusableCall
        It holds a colon.
    """
    if ":" in code:
        raise UnusableCall(
            f"{what} {code!r}: a colon divides site and code, and this one is not in the store;"
            " choose one without"
        )
    named = [row["code"] for row in fetch(connection, "codes_of_sites", what=what, code=code)]
    meant = fetch(connection, "codes_meant", typed=[code])
    named += [row["meant"] for row in meant if row["what"] == what]
    if named:
        words = " or ".join(dict.fromkeys(named))
        raise RecordRefused(f"{what} {code!r}: can mean {words}; name that")


def amend(
    connection: Connection,
    table: str,
    record_id: Any,
    changes: Iterable[tuple[str, Any, Any]],
    *,
    reason: str,
    entry_id: Any,
) -> None:
    """Add amendments; the first values stay where they are.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    table : str
        Table of the record.
    record_id : UUID
        Its key.
    changes : iterable of (column, old value, new value)
        None stands for blank.
    reason : str
        Why.
    entry_id : UUID
        The act of writing.
    """
    refuse_blank(reason)
    for column, old, new in changes:
        run(
            connection,
            "add_amendment",
            record_table=table,
            record_id=record_id,
            column_name=column,
            old_value=None if old is None else str(old),
            new_value=None if new is None else str(new),
            reason=reason,
            entry_id=entry_id,
        )
    later = fetch(connection, "later_amendment", record_id=record_id, entry_id=entry_id)
    if later:
        raise RecordRefused(
            f"amended by {later[0]['entered_by']} at {later[0]['entered_at_utc']:%Y-%m-%d %H:%M:%S}"
            " UTC, which is later than it is by this computer's clock; set the clock, then amend"
        )


@dataclass(frozen=True, slots=True)
class Keeping:
    """How rows of one kind are kept: statements that stage, check and insert them."""

    stage: str
    checks: tuple[str, ...]
    inserts: tuple[str, ...]
    codes: str | None = None
    """What gives codes of a sheet as they are called here."""
    named: str | None = None
    """What lists the codes that rows name, for ``check_codes``."""
    idle: str | None = None
    """What names those of them that need not be run for these rows."""


_NEXT_DROPS = Keeping(
    "drops",
    ("check_drops_closed", "check_drops_quarantined", "check_drops_full_scale"),
    ("insert_staged_drops", "insert_staged_never", "insert_staged_drop_damage"),
    idle="idle_for_drops",
)
KEEPINGS = {
    # Typed or recorded: drops that take the next numbers of a series, and say nothing of it.
    "next drops": _NEXT_DROPS,
    "drops": Keeping(
        "drops",
        (
            "check_codes",
            "check_drops_stored",
            "check_drops_repeated",
            "check_drops_specimens",
            "check_drops_conditions",
            *_NEXT_DROPS.checks,
        ),
        (
            "amend_staged_specimens",
            "insert_staged_specimens",
            "insert_staged_sensors",
            "amend_staged_series",
            "insert_staged_series",
            *_NEXT_DROPS.inserts,
        ),
        "understand_drops",
        "named_by_drops",
        _NEXT_DROPS.idle,
    ),
    # Typed: the same words twice are two looks.
    "next damage": Keeping("damage", ("check_damage_known",), ("insert_staged_damage",)),
    "damage": Keeping(
        "damage",
        ("check_damage_lone_number", "check_damage_known", "check_damage_stored"),
        ("insert_staged_damage",),
        "understand_damage",
    ),
    "inspections": Keeping(
        "inspections",
        (
            "check_codes",
            "check_inspections_device",
            "check_inspections_form",
            "check_inspections_stored",
            "check_inspections_repeated",
        ),
        (
            "insert_staged_inspected_devices",
            "insert_staged_inspections",
            "insert_staged_checks",
            "insert_staged_inspection_forms",
        ),
        "understand_inspections",
        "named_by_inspections",
    ),
    "specimens": Keeping(
        "specimens",
        ("check_codes", "check_specimens_repeated", "check_specimens_stored"),
        ("amend_staged_specimen_rows", "insert_staged_specimen_rows"),
        "understand_specimens",
        "named_by_specimens",
    ),
}


_BLOCK_CHARACTERS = 1 << 22
"""Of a text that is cut at once."""


def begin_cut(connection: Connection) -> None:
    """Make ready for ``cut_drops``."""
    for name in ("begin_cut_drops", "cell", "plain_positive"):
        connection.execute(statement(name))


def cut_drops(
    connection: Connection, text: str, places: Mapping[str, int], *, first_row: int, **told: Any
) -> None:
    """Cut the lines of a table of drops into cells, and note which are plainly good.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction, after ``begin_cut``.
    text : str
        Each line is a row.
    places : mapping of str to int
        Column → its place in a row, from 0; -1 where the table lacks it.
    first_row : int
        Number of the first line.
    **told
        ``file_name``, ``file_at`` (its place among the files), ``delimiter``, ``width`` of the
        header, ``purposes``, and ``recent``, before which a time is past wherever it was noted.
    """
    told |= {column: at + 1 for column, at in places.items()}
    begin, before = 0, first_row - 1
    while begin <= len(text):
        end = text.find("\n", begin + _BLOCK_CHARACTERS)
        block = text[begin:] if end < 0 else text[begin:end]
        connection.execute(statement("cut_drops"), {"text": block, "before": before, **told})
        before += block.count("\n") + 1
        begin += len(block) + 1


@dataclass(frozen=True, slots=True)
class KeptRows:
    """What became of rows."""

    found: list[dict[str, Any]]
    """Those left out: ``check`` that found them, place, column, value, ``reason``."""
    despite: list[dict[str, Any]]
    """As found by the check for quarantine, yet kept."""
    keys: dict[str, list[tuple[Any, ...]]]
    """What each insert gave back, of rows that are no frame."""
    idle: Collection[str]
    """Statements that would find nothing in these rows."""


def keep_rows(
    connection: Connection,
    keeping: Keeping,
    rows: pd.DataFrame | list[dict[str, Any]],
    entries: Sequence[tuple[str, Any]],
    *,
    with_cut: bool = False,
    drop_numbers_on_sheet: pd.DataFrame | None = None,
    despite_quarantine: str | None = None,
) -> KeptRows:
    """Store the rows that agree with the store and with each other, set by set.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction; the caller rolls back when a row left out is one too many.
    keeping : Keeping
        How they are kept.
    rows : DataFrame or list of dict
        Typed rows with ``file_name`` and ``source_row``; in a list each with every column that is
        staged. A frame may give their ``staged_order``.
    entries : sequence of (file name, entry key)
        The act of writing of each file.
    with_cut : bool
        The lines that ``cut_drops`` found plainly good are rows too.
    drop_numbers_on_sheet : DataFrame, optional
        ``series`` and ``drop_number`` of every other row of the sheets, refused ones too; when
        given, holes in the numbering are refused.
    despite_quarantine : str, optional
        Why drops of devices in quarantine are taken; without it they are refused.

    Returns
    -------
    KeptRows
        What was left out and why, and the keys of what was kept.
    """
    if isinstance(rows, list):
        numbered = [{"staged_order": order, **row} for order, row in enumerate(rows)]
        connection.execute(statement("stage_rows"), {"rows": numbered})
    else:
        import numpy as np

        frame = rows.assign(taken_at=np.datetime64("NaT", "us"))
        if "staged_order" not in frame:
            frame["staged_order"] = range(len(rows))
        connection.register("staged_frame", frame)
    connection.execute(statement(f"stage_{keeping.stage}"))
    if not isinstance(rows, list):
        connection.unregister("staged_frame")
    if with_cut:
        connection.execute(statement("stage_plain_drops"))
    if keeping.codes is not None and run(connection, "has_typed_codes"):
        connection.execute(statement(keeping.codes))
    if keeping.named is not None:
        connection.execute(statement(keeping.named))
    connection.execute(statement("stage_entries"))
    connection.executemany(statement("add_staged_entry"), [list(entry) for entry in entries])

    found: dict[int, dict[str, Any]] = {}
    despite: dict[int, dict[str, Any]] = {}
    idle = frozenset(r["name"] for r in fetch(connection, keeping.idle)) if keeping.idle else set()
    checks = keeping.checks
    if drop_numbers_on_sheet is not None:
        connection.register("staged_frame", drop_numbers_on_sheet)
        connection.execute(statement("stage_numbers"))
        connection.unregister("staged_frame")
        if with_cut:
            connection.execute(statement("stage_plain_numbers"))
        checks = (*checks, "check_drops_gaps")
    for check in checks:
        if check in idle:
            continue
        is_allowed = check == "check_drops_quarantined" and despite_quarantine is not None
        for row in fetch(connection, check):
            (despite if is_allowed else found).setdefault(
                row["staged_order"], {"check": check, **row}
            )
    if found:
        connection.execute(statement("drop_staged"), {"left_out": list(found)})
    keys = {}
    for insert in keeping.inserts:
        if insert in idle:
            continue
        result = connection.execute(statement(insert))
        keys[insert] = result.fetchall() if isinstance(rows, list) else []
    taken = [row for order, row in despite.items() if order not in found]
    if taken:
        run(
            connection,
            "insert_staged_drops_in_quarantine",
            reason=despite_quarantine,
            staged_orders=[row["staged_order"] for row in taken],
        )
    return KeptRows(list(found.values()), taken, keys, idle)
