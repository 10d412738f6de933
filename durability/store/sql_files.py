"""The ``.sql`` files: statements by name, the steps of the schema, what rows refer to and hold.

A schema step says by REFERENCES what its rows refer to. The store is laid down without: each
opening for writing leaves hidden copies of DuckDB's foreign keys in the file, which make every
later opening slower. ``orphans`` holds rows against the same references instead.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import duckdb
from duckdb import DuckDBPyConnection

from durability import PROGRAM_VERSION
from durability.record import clock
from durability.record.basis import counted
from durability.record.errors import RecordRefused

_HERE = Path(__file__).parent
_TABLE = re.compile(r"^CREATE TABLE (\w+)")
_REFERENCE = re.compile(r" REFERENCES (\w+) \((\w+)\)")


def statement(name: str) -> str:
    """Text of a statement of ``sql/``.

    Parameters
    ----------
    name : str
        The name in its line ``-- name: ...``.

    Returns
    -------
    str
        One statement with ``$name`` parameters and its comments.

    Raises
    ------
    KeyError
        No statement has that name.
    """
    return statements(_HERE / "sql")[name]


@cache
def statements(folder: Path) -> dict[str, str]:
    """Every statement of a folder's files by name; what stands before a file's first is its head.

    Parameters
    ----------
    folder : Path
        Holds ``.sql`` files.

    Returns
    -------
    dict of str to str
        Name → statement.

    Raises
    ------
    ValueError
        Two statements have one name.
    """
    found: dict[str, str] = {}
    for file in sorted(folder.glob("*.sql")):
        for part in file.read_text(encoding="utf-8").split("\n-- name: ")[1:]:
            name, _, text = part.partition("\n")
            if name in found:
                raise ValueError(f"{file.name}: a second statement has the name {name}")
            found[name] = text.strip().removesuffix(";")
    return found


def quoted(name: str) -> str:
    """A name as it may stand in a statement, whatever characters it holds."""
    return '"' + name.replace('"', '""') + '"'


@cache
def schema_steps() -> tuple[tuple[int, Path], ...]:
    """Number and file of each step of the schema, in order."""
    files = sorted((_HERE / "schema").glob("[0-9]*.sql"))
    return tuple((int(file.name.partition("_")[0]), file) for file in files)


def known_steps() -> tuple[int, ...]:
    """Numbers of the schema steps that this program knows."""
    return tuple(step for step, _ in schema_steps())


def latest_step() -> int:
    """Last schema step that this program knows."""
    return schema_steps()[-1][0]


def apply_steps(
    connection: DuckDBPyConnection, *, after: int = 0, up_to: int | None = None
) -> None:
    """Lay down the schema, each step in a transaction of its own.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store of step ``after``.
    after, up_to : int
        Apply the steps after the one, up to the other; by default all.
    """
    for step, file in schema_steps():
        if step <= after or (up_to is not None and step > up_to):
            continue
        connection.execute("BEGIN TRANSACTION")
        try:
            connection.execute(_REFERENCE.sub("", file.read_text(encoding="utf-8")))
            connection.execute(
                statement("add_schema_step"),
                {
                    "step": step,
                    "applied_at_utc": clock.now_utc(),
                    "program_version": PROGRAM_VERSION,
                    "engine_version": duckdb.__version__,
                },
            )
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


@dataclass(frozen=True, slots=True)
class Reference:
    """A column whose values stand in a column of another table."""

    table: str
    column: str
    to_table: str
    to_column: str


def references() -> tuple[Reference, ...]:
    """What refers to what, as the schema steps say.

    Returns
    -------
    tuple of Reference
        In the order of the steps.
    """
    return _references(schema_steps())


@cache
def _references(steps: tuple[tuple[int, Path], ...]) -> tuple[Reference, ...]:
    found = []
    for _, file in steps:
        table = ""
        for line in file.read_text(encoding="utf-8").splitlines():
            if begun := _TABLE.match(line):
                table = begun[1]
            elif named := _REFERENCE.search(line):
                found.append(Reference(table, line.split()[0], *named.groups()))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Orphans:
    """Rows that refer to one that is not there."""

    reference: Reference
    rows: int

    @property
    def words(self) -> str:
        """What is wrong, in one clause."""
        named = self.reference
        return (
            f"{counted(self.rows, 'row')} of {named.table}: {named.column} is in no row of"
            f" {named.to_table}"
        )


def orphans(connection: DuckDBPyConnection) -> tuple[Orphans, ...]:
    """Rows that refer to one that is not there, by reference.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store.

    Returns
    -------
    tuple of Orphans
        Empty where every reference holds.
    """
    found = []
    laid_down = tables(connection)
    named = [each for each in references() if each.table in laid_down]  # others: of a later step
    asked = {"named": [asdict(each) for each in named]}
    counting = connection.execute(statement("orphans"), asked).fetchall()[0][0]
    for place, rows in sorted(connection.execute(counting).fetchall()):
        each = named[place]
        if "as_recorded" in laid_down:
            where = {"table": each.table, "column": each.column}
            later = connection.execute(statement("later_acts"), where).fetchone()
            rows -= later[0] if later else 0
        if rows:
            found.append(Orphans(each, rows))
    return tuple(found)


def refuse_orphans(connection: DuckDBPyConnection) -> None:
    """To be called at the end of an import, before it is committed.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.

    Raises
    ------
    RecordRefused
        A row refers to one that is not there, and did not before.
    """
    if found := orphans(connection):
        before = orphans(connection.cursor())  # sees what is committed
        if made := [each for each in found if each not in before]:
            raise RecordRefused(f"{made[0].words}; nothing is stored")


def tables(connection: DuckDBPyConnection) -> list[str]:
    """Names of the tables of the record, each after those that it refers to.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store.

    Returns
    -------
    list of str
        Without that of the schema's steps, which are applied again wherever the rows go.
    """
    rows = connection.execute(statement("tables")).fetchall()
    needed: dict[str, list[str]] = {name: [] for (name,) in rows if name != "schema_step"}
    for each in references():
        # A step that lays a table down anew makes it later than those that refer to it.
        if each.table in needed and each.to_table in needed:
            needed[each.table].append(each.to_table)
    return list(TopologicalSorter(needed).static_order())


PLACED = (
    "specimen",
    "series",
    "sensor",
    "follow_up_plan",
    "recorder_version",
    "plan_check_list",
    "amendment",
    "damage_note",
    "inspection",
    "quarantine",
    "follow_up_assignment",
    "retest",
    "disposal",
    "drops",
    "sensor_mounting",
    "calibration_void",
    "disposal_return",
    "inspection_finish",
    "quarantine_clearance",
)
"""Tables with values that depend on all sites, each with a statement ``place_<table>``."""


def place(connection: DuckDBPyConnection, *, only_things: bool = False) -> None:
    """Give rows the values that they have among all sites, and note those recorded.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    only_things : bool
        Only which specimen each row belongs to, where a thing has two codes.
    """
    connection.execute(statement("stage_places")).fetchall()
    if only_things:
        connection.execute(statement("keep_things_placed")).fetchall()
    for name in ("note_recorded", "stage_placed_rows", *(f"place_{table}" for table in PLACED)):
        connection.execute(statement(name)).fetchall()
