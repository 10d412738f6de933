"""Open a store, bring its schema up to date, hold the file only for one transaction.

Any error inside a transaction rolls it back and is raised: after an error COMMIT "succeeds" with
nothing stored.

A store of an earlier schema step is built anew in a file beside it, which takes its place when it
is whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from threading import get_ident

import duckdb
from duckdb import DuckDBPyConnection, DuckDBPyRelation

from durability import PROGRAM_VERSION
from durability.record.errors import StoreUnusable, complain
from durability.store.file import (
    SETTINGS,
    UnfinishedWriting,
    back_up,
    connect,
    locked,
    log,
    take_place,
    why,
)
from durability.store.sql_files import (
    apply_steps,
    known_steps,
    latest_step,
    place,
    quoted,
    references,
    statement,
    tables,
)


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
def making(path: Path, *, up_to_step: int) -> Iterator[DuckDBPyConnection]:
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
def _building(path: Path, *, up_to_step: int) -> Iterator[DuckDBPyConnection]:
    """A connection to a file beside the store, which takes its place at the end, up to date."""
    new = path.with_name(path.name + ".new")
    leftovers = (new, log(new))
    for each in leftovers:
        each.unlink(missing_ok=True)  # of a command that was killed
    try:
        connection = connect(new, read_only=False)
        try:
            apply_steps(connection, after=0, up_to=up_to_step)
            yield connection
            apply_steps(connection, after=up_to_step)
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


def _open_current(path: Path) -> DuckDBPyConnection:
    """A connection to a store that is there, brought up to date; the lock is held."""
    connection = connect(path, read_only=False)
    try:
        steps = check_steps(connection, path)
        if steps == known_steps():
            return connection
        connection.execute("CHECKPOINT")
    except BaseException:
        connection.close()
        raise
    connection.close()
    _rebuild(path.resolve(), max(steps, default=0))
    return connect(path, read_only=False)


def _rebuild(path: Path, step: int) -> None:
    """Put the rows of a store of an earlier step into a new file, and that into its place.

    Killed at any moment, it leaves the old store or the new one.
    """
    try:
        backup = back_up(path, f"step-{step}")
        own = _move_rows(path, step)
    except (OSError, duckdb.Error) as error:
        raise StoreUnusable(
            f"{path}: can't be brought up to date ({why(error)}); it is as it was"
        ) from None
    complain(
        f"durability: {path.name}: brought up to schema step {latest_step()}; as it was before, it"
        f" is kept in {backup.name}"
        + (f", and only there what durability did not make: {', '.join(own)}" if own else "")
    )


def _move_rows(path: Path, step: int) -> list[str]:
    """Names of what no schema step made, which is left behind."""
    with _building(path, up_to_step=step) as connection:
        _attach_old(connection, path)
        _copy_rows(connection)
        own = [name for (name,) in connection.execute(statement("others")).fetchall()]
        connection.execute("DETACH old")
    return own


def update_copy(path: Path) -> None:
    """Bring a copy of a store up to date, which is for this command alone.

    Parameters
    ----------
    path : Path
        The copy; its log of unfinished writings, if any, is brought in.

    Raises
    ------
    StoreUnusable
        It is foreign, too new or damaged.
    """
    with connect(path, read_only=False) as connection:
        steps = check_steps(connection, path)
        connection.execute("CHECKPOINT")
    if steps == known_steps():
        return
    try:
        _move_rows(path, max(steps, default=0))
    except (OSError, duckdb.Error) as error:
        raise StoreUnusable(f"{path}: can't be brought up to date ({why(error)})") from None


@contextmanager
def empty() -> Iterator[DuckDBPyConnection]:
    """A connection to a store in memory that holds nothing, of the latest schema step.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.
    """
    with duckdb.connect(":memory:", config=SETTINGS) as connection:
        apply_steps(connection)
        yield connection


@dataclass(frozen=True, slots=True)
class Past:
    """A record as it was known at an instant: a store in memory, in which nothing is written."""

    instant: datetime
    """With its offset."""
    entered_since: int
    """Entries of the store that were made later."""
    connection: DuckDBPyConnection


def past(path: Path, instant: datetime) -> Past:
    """What a store held at an instant: the rows of entries made by then.

    Corrections, voids and notes are rows of entries too, so that every view and statement gives
    what it gave at that instant.

    Parameters
    ----------
    path : Path
        An existing store.
    instant : datetime
        With its offset.

    Returns
    -------
    Past

    Raises
    ------
    StoreUnusable
        The store is missing, held, foreign or too new.
    """
    until = {"instant": instant.astimezone(UTC).replace(tzinfo=None)}
    with reading(path) as whole:
        row = whole.execute(statement("entered_since"), until).fetchone()
    connection = duckdb.connect(config=SETTINGS)
    apply_steps(connection)
    with locked(path, exclusive=False):
        _attach_old(connection, path)
        _copy_rows(connection, until["instant"])
        connection.execute("DETACH old")
    if any(connection.table(name).shape[0] for name in ("same_specimen", "as_recorded")):
        place(connection, only_things=True)
    connection.execute("SET enable_external_access = false")
    return Past(instant, row[0] if row else 0, connection)


@contextmanager
def reading(record: Path | Past, *, with_files: bool = False) -> Iterator[DuckDBPyConnection]:
    """A read-only connection; several processes may read at once.

    Parameters
    ----------
    record : Path or Past
        An existing store, or what it held at an instant.
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
    held = _held.get((get_ident(), record))
    if held is not None and not with_files:
        yield held
        return
    if isinstance(record, Past):
        with record.connection.cursor() as cursor:
            cursor.execute("BEGIN TRANSACTION READ ONLY")
            yield cursor
        return
    _must_exist(record)
    with locked(record, exclusive=False):
        connection = _open_to_read(record, with_files=with_files)
        if connection is not None:
            try:
                yield connection
            finally:
                connection.close()
            return
    create_store(record)
    with reading(record, with_files=with_files) as connection:
        yield connection


_held: dict[tuple[int, Path | Past], DuckDBPyConnection] = {}
"""Connections of threads that ask much, by the record."""


@contextmanager
def reading_much(record: Path | Past) -> Iterator[DuckDBPyConnection]:
    """As ``reading``, for many questions: what others rest on is worked out once.

    Whatever this thread reads of the record within is read by the one connection.

    Parameters
    ----------
    record : Path or Past
        An existing store, or what it held at an instant.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.

    Raises
    ------
    StoreUnusable
        The store is missing, held, foreign or too new.
    """
    with reading(record) as connection:
        for name in (
            "keep_amendments",
            "keep_specimens",
            "keep_series",
            "keep_offsets",
            "keep_order",
        ):
            connection.execute(statement(name))
        key = get_ident(), record
        _held[key] = connection
        try:
            yield connection
        finally:
            del _held[key]


def _open_to_read(path: Path, *, with_files: bool) -> DuckDBPyConnection | None:
    """None where it must be written to first: of an earlier step, or its last writing cut off."""
    try:
        connection = connect(path, read_only=True, with_files=with_files)
    except UnfinishedWriting:
        return None
    try:
        is_current = check_steps(connection, path) == known_steps()
    except BaseException:
        connection.close()
        raise
    if is_current:
        return connection
    connection.close()
    return None


@contextmanager
def writing(path: Path) -> Iterator[DuckDBPyConnection]:
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
                with suppress(duckdb.Error):  # a fault of the disk has ended it already
                    connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
        except (
            duckdb.IOException,
            duckdb.TransactionException,
            duckdb.OutOfMemoryException,
        ) as error:
            raise StoreUnusable(f"{path}: nothing is stored ({why(error)})") from None
        finally:
            connection.close()


@contextmanager
def in_memory() -> Iterator[DuckDBPyConnection]:
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
def _empty_store() -> DuckDBPyConnection:
    connection = duckdb.connect(config={**SETTINGS, "enable_external_access": False})
    apply_steps(connection)
    return connection


def _must_exist(path: Path) -> None:
    try:
        is_there = path.is_file()
    except OSError as error:
        raise StoreUnusable(f"{path}: can't be read ({error.strerror})") from None
    if path.is_dir():
        raise StoreUnusable(f"{path}: is a folder; name the file of a store by --store")
    if not is_there:
        raise StoreUnusable(
            f"{path}: no store there; make one with: durability init --store {path}, or name"
            " yours by --store or DURABILITY_STORE"
        )


def check_steps(connection: DuckDBPyConnection, path: Path) -> tuple[int, ...]:
    """The schema steps that were applied to a store; none of them newer than this program."""
    try:
        rows = connection.execute(statement("schema_steps")).fetchall()
    except duckdb.CatalogException:
        raise StoreUnusable(
            f"{path}: a DuckDB file, but not a durability store; make a store in a new file with:"
            " durability init"
        ) from None
    step, program_version = rows[-1] if rows else (0, "")
    if step > latest_step():
        raise StoreUnusable(
            f"{path}: written by durability {program_version} (schema step {step}); this is"
            f" {PROGRAM_VERSION} and knows steps up to {latest_step()}: install the newer one"
        )
    return tuple(int(step) for step, _ in rows)


def altered_definitions(connection: DuckDBPyConnection) -> list[str]:
    """Tables, views and macros of a store that are not as this program lays them down.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To a store of the latest schema step.

    Returns
    -------
    list of str
        "view valid_drops: changed"; what others put there beside them is left alone.
    """
    there, right = (
        {
            (kind, name): _UNORDERED.sub(_in_order, definition)
            for kind, name, definition in each.execute(statement("definitions")).fetchall()
        }
        for each in (connection, _empty_store())
    )
    return [
        f"{kind} {name}: {'changed' if (kind, name) in there else 'missing'}"
        for (kind, name), definition in right.items()
        if there.get((kind, name)) != definition
    ]


_UNORDERED = re.compile(r"(?<=EXCLUDE \()[^)]*")
"""Names that the engine writes in another order whenever it writes them."""


def _in_order(names: re.Match[str]) -> str:
    return ", ".join(sorted(names[0].split(", ")))


def advance_sequences(connection: DuckDBPyConnection) -> None:
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


def _attach_old(connection: DuckDBPyConnection, path: Path) -> None:
    connection.execute("ATTACH $path AS old (READ_ONLY)", {"path": str(path)})


def _copy_rows(connection: DuckDBPyConnection, until_utc: datetime | None = None) -> None:
    """Copy the rows of the store attached as ``old``: all, held against it, or those known then."""
    connection.execute("BEGIN TRANSACTION")
    laid_down = {name for (name,) in connection.execute(statement("tables_of_old")).fetchall()}
    for name in tables(connection):
        if name not in laid_down:
            continue  # of a step that was missing
        old = connection.table(f"old.{quoted(name)}")
        # A column that the old table lacks came with a step that was missing.
        there = [column for column in connection.table(name).columns if column in old.columns]
        columns = ", ".join(
            quoted(column) if column in there else f"NULL AS {quoted(column)}"
            for column in connection.table(name).columns
        )
        if until_utc is not None:
            _known_by(old, name, until_utc).project(columns).insert_into(name)
            continue
        old.project(columns).insert_into(name)
        content = f"count(*), bit_xor(hash({', '.join(map(quoted, there))}))"
        new = connection.table(name)
        if old.aggregate(content).fetchall() != new.aggregate(content).fetchall():
            raise OSError(f"rows of {name} do not come out as they went in")
    connection.execute(statement("keep_schema_steps"))
    advance_sequences(connection)
    connection.execute("COMMIT")


def _known_by(rows: DuckDBPyRelation, table: str, until_utc: datetime) -> DuckDBPyRelation:
    """Entries made by an instant, and rows of which every row that they refer to is there."""
    if table == "entry":
        return rows.filter(f"entered_at_utc <= TIMESTAMP '{until_utc}'")
    return referring(rows, table)


def referring(rows: DuckDBPyRelation, table: str) -> DuckDBPyRelation:
    """Of rows to go into a table, those of which every row that they refer to is there."""
    for each in references():
        if each.table == table:
            there = f"FROM {each.to_table} AS n WHERE n.{each.to_column} = o.{each.column}"
            rows = rows.set_alias("o").filter(f"o.{each.column} IS NULL OR EXISTS ({there})")
    return rows
