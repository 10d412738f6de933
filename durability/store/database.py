"""Open a store, bring its schema up to date, hold the file only for one transaction.

Any error inside a transaction rolls it back and is raised: after an error COMMIT "succeeds" with
nothing stored.

A schema step says by REFERENCES what its rows refer to. The store is laid down without: each
opening for writing leaves hidden copies of DuckDB's foreign keys in the file, which make every
later opening slower. ``orphans`` holds rows against the same references instead. A store of an
earlier step is built anew in a file beside it, which takes its place when it is whole.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

import duckdb

from durability import PROGRAM_VERSION
from durability.record import clock
from durability.record.basis import counted
from durability.record.errors import RecordRefused, StoreUnusable
from durability.store.file import (
    SETTINGS,
    UnfinishedWriting,
    back_up,
    connect,
    locked,
    log,
    take_place,
)

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


def create_store(path: Path) -> bool:
    """Make a store, or bring one that is there up to date.

    Parameters
    ----------
    path : Path
        The file to make; its folder must exist.

    Returns
    -------
    bool
        True when a new file was made.

    Raises
    ------
    StoreUnusable
        The folder is missing or can't be written, or the file is no store.
    """
    if not path.parent.is_dir():
        raise StoreUnusable(f"{path}: the folder {path.parent} does not exist; make it first")
    with locked(path, exclusive=True):
        is_new = not path.exists()
        if is_new:
            with _building(path, up_to_step=latest_step()):
                pass
        else:
            _open_current(path).close()
    return is_new


@contextmanager
def making(path: Path, *, up_to_step: int) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a new store of an earlier schema step; brought up to date at the end.

    Parameters
    ----------
    path : Path
        The file to make; its folder must exist.
    up_to_step : int
        Last schema step applied before the block.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.

    Raises
    ------
    StoreUnusable
        The folder can't be written.
    """
    with locked(path, exclusive=True), _building(path, up_to_step=up_to_step) as connection:
        yield connection


@contextmanager
def _building(path: Path, *, up_to_step: int) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a file beside the store, which takes its place at the end, up to date."""
    new = path.with_name(path.name + ".new")
    leftovers = (new, log(new))
    for each in leftovers:
        each.unlink(missing_ok=True)  # of a command that was killed
    try:
        connection = connect(new, read_only=False)
        try:
            _apply_steps(connection, after=0, up_to=up_to_step)
            yield connection
            _apply_steps(connection, after=up_to_step)
            connection.execute("CHECKPOINT")
        finally:
            connection.close()
        try:
            take_place(new, path)
        except OSError as error:
            raise StoreUnusable(f"{path}: can't be made ({error})") from None
    finally:
        for each in leftovers:
            each.unlink(missing_ok=True)


def _open_current(path: Path) -> duckdb.DuckDBPyConnection:
    """A connection to a store that is there, brought up to date; the lock is held."""
    connection = connect(path, read_only=False)
    try:
        step = _check_step(connection, path)
        if step == latest_step():
            return connection
        connection.execute("CHECKPOINT")
    except BaseException:
        connection.close()
        raise
    connection.close()
    _rebuild(path.resolve(), step)
    return connect(path, read_only=False)


def _rebuild(path: Path, step: int) -> None:
    """Put the rows of a store of an earlier step into a new file, and that into its place.

    Killed at any moment, it leaves the old store or the new one.
    """
    try:
        backup = back_up(path, f"step-{step}")
        with _building(path, up_to_step=step) as connection:
            connection.execute("ATTACH $path AS old (READ_ONLY)", {"path": str(path)})
            _copy_rows(connection)
            own = [name for (name,) in connection.execute(statement("others")).fetchall()]
            connection.execute("DETACH old")
    except (OSError, duckdb.Error) as error:
        raise StoreUnusable(
            f"{path}: can't be brought up to date ({str(error).splitlines()[0]}); it is as it was"
        ) from None
    print(
        f"durability: {path.name}: brought up to schema step {latest_step()}; as it was before, it"
        f" is kept in {backup.name}"
        + (f", and only there what durability did not make: {', '.join(own)}" if own else ""),
        file=sys.stderr,
    )


@contextmanager
def empty() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a store in memory that holds nothing, of the latest schema step.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.
    """
    with duckdb.connect(":memory:", config=SETTINGS) as connection:
        _apply_steps(connection)
        yield connection


@contextmanager
def reading(path: Path, *, with_files: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection; several processes may read at once.

    Parameters
    ----------
    path : Path
        An existing store.
    with_files : bool
        It may write other files: never for a statement that a user typed.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.

    Raises
    ------
    StoreUnusable
        The store is missing, held, foreign or too new.
    """
    _must_exist(path)
    with locked(path, exclusive=False):
        connection = _open_to_read(path, with_files=with_files)
        if connection is not None:
            try:
                yield connection
            finally:
                connection.close()
            return
    create_store(path)
    with reading(path, with_files=with_files) as connection:
        yield connection


def _open_to_read(path: Path, *, with_files: bool) -> duckdb.DuckDBPyConnection | None:
    """None where it must be written to first: of an earlier step, or its last writing cut off."""
    try:
        connection = connect(path, read_only=True, with_files=with_files)
    except UnfinishedWriting:
        return None
    try:
        is_current = _check_step(connection, path) == latest_step()
    except BaseException:
        connection.close()
        raise
    if is_current:
        return connection
    connection.close()
    return None


@contextmanager
def writing(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection inside one transaction: committed at the end, rolled back on any exception.

    Parameters
    ----------
    path : Path
        An existing store.

    Yields
    ------
    DuckDBPyConnection
        Open, inside a transaction, until the block ends.

    Raises
    ------
    StoreUnusable
        The store is missing, held, foreign or too new.
    """
    _must_exist(path)
    with locked(path, exclusive=True):
        connection = _open_current(path)
        try:
            connection.execute("BEGIN TRANSACTION")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
        finally:
            connection.close()


@contextmanager
def in_memory() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to an empty store that is nowhere on a disk, forgotten at the end.

    Yields
    ------
    DuckDBPyConnection
        Inside a transaction of its own, which is rolled back.
    """
    connection = _empty_store().cursor()
    connection.execute("BEGIN TRANSACTION")
    try:
        yield connection
    finally:
        connection.execute("ROLLBACK")
        connection.close()


@cache
def _empty_store() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(config={**SETTINGS, "enable_external_access": False})
    _apply_steps(connection)
    return connection


def _must_exist(path: Path) -> None:
    if not path.is_file():
        raise StoreUnusable(
            f"{path}: no store there; make one with: durability init --store {path}, or name"
            " yours by --store or DURABILITY_STORE"
        )


@cache
def _schema_steps() -> tuple[tuple[int, Path], ...]:
    """Number and file of each schema step, in order."""
    files = sorted((_HERE / "schema").glob("[0-9]*.sql"))
    return tuple((int(file.name.partition("_")[0]), file) for file in files)


def latest_step() -> int:
    """Last schema step that this program knows."""
    return _schema_steps()[-1][0]


def _check_step(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    try:
        row = connection.execute(statement("schema_step")).fetchone()
    except duckdb.CatalogException:
        raise StoreUnusable(
            f"{path}: a DuckDB file, but not a durability store; make a store in a new file with:"
            " durability init"
        ) from None
    step, program_version = row if row and row[0] is not None else (0, "")
    if step > latest_step():
        raise StoreUnusable(
            f"{path}: written by durability {program_version} (schema step {step}); this is"
            f" {PROGRAM_VERSION} and knows steps up to {latest_step()}: install the newer one"
        )
    return int(step)


def _apply_steps(
    connection: duckdb.DuckDBPyConnection, *, after: int = 0, up_to: int | None = None
) -> None:
    """Apply schema steps, each in a transaction of its own."""
    for step, file in _schema_steps():
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
    found = []
    for _, file in _schema_steps():
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


def orphans(connection: duckdb.DuckDBPyConnection) -> tuple[Orphans, ...]:
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
    for each in references():
        if each.table not in laid_down:
            continue  # of a later step
        row = connection.execute(statement("orphans"), asdict(each)).fetchone()
        if row and row[0]:
            found.append(Orphans(each, row[0]))
    return tuple(found)


def refuse_orphans(connection: duckdb.DuckDBPyConnection) -> None:
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


def tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
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
    return [name for (name,) in rows if name != "schema_step"]


def advance_sequences(connection: duckdb.DuckDBPyConnection) -> None:
    """Set every sequence forward, so that further numbers follow those of the rows.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store that was filled from elsewhere.
    """
    for table, column, default in connection.execute(statement("sequences")).fetchall():
        sequence = default.partition("'")[2].partition("'")[0]
        last = connection.table(table).max(quoted(column)).fetchall()[0][0]
        if last:
            told = {"sequence": sequence, "last": last}
            connection.execute(statement("advance_sequence"), told).fetchall()


def _copy_rows(connection: duckdb.DuckDBPyConnection) -> None:
    """Copy every row of the store attached as ``old``, and hold each table against it."""
    connection.execute("BEGIN TRANSACTION")
    for name in tables(connection):
        columns = ", ".join(map(quoted, connection.table(name).columns))
        old = connection.table(f"old.{quoted(name)}")
        old.project(columns).insert_into(name)
        content = f"count(*), bit_xor(hash({columns}))"
        if (
            old.aggregate(content).fetchall()
            != connection.table(name).aggregate(content).fetchall()
        ):
            raise OSError(f"rows of {name} do not come out as they went in")
    connection.execute(statement("keep_schema_steps"))
    advance_sequences(connection)
    connection.execute("COMMIT")
