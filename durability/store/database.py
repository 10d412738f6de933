"""Open a store, bring its schema up to date, hold the file only for one transaction.

Two rules keep acknowledged rows safe and are kept nowhere else:

* A lock file of our own is held from before connecting until after closing. DuckDB 2.0 reads the
  file's header before it takes its own lock, so processes that open and close one file in turn
  can lose rows that were acknowledged.
* Any error inside a transaction rolls it back and is raised: after an error COMMIT "succeeds"
  with nothing stored.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
from filelock import ReadWriteLock, Timeout

from durability import PROGRAM_VERSION
from durability.record import clock
from durability.record.errors import StoreUnusable

LOCK_WAIT_S = 10.0
"""How long a command waits for another one to finish with the file before it says so."""

_SETTINGS: dict[str, Any] = {
    # Offline, a try to fetch an extension hangs for seconds; all that is needed is built in.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
_HERE = Path(__file__).parent


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
    is_new = not path.exists()
    with _locked(path, exclusive=True):
        connection = _connect(path, read_only=False)
        try:
            _upgrade(connection, path, is_new=is_new)
        finally:
            connection.close()
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
    with _locked(path, exclusive=True):
        connection = _connect(path, read_only=False)
        try:
            _upgrade(connection, path, is_new=True, up_to_step=up_to_step)
            yield connection
            _upgrade(connection, path, is_new=False)
        finally:
            connection.close()


@contextmanager
def empty() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a store in memory that holds nothing, of the latest schema step.

    Yields
    ------
    DuckDBPyConnection
        Open until the block ends.
    """
    with duckdb.connect(":memory:", config=_SETTINGS) as connection:
        _upgrade(connection, Path(), is_new=True)
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
    with _locked(path, exclusive=False):
        connection = _connect(path, read_only=True, with_files=with_files)
        try:
            if _check_step(connection, path) == latest_step():
                yield connection
                return
        finally:
            connection.close()
    create_store(path)  # an older store is brought up to date before it is read
    with reading(path, with_files=with_files) as connection:
        yield connection


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
    with _locked(path, exclusive=True):
        connection = _connect(path, read_only=False)
        try:
            _upgrade(connection, path, is_new=False)
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
    connection = duckdb.connect(config={**_SETTINGS, "enable_external_access": False})
    _upgrade(connection, Path("memory"), is_new=True)
    return connection


def _must_exist(path: Path) -> None:
    if not path.is_file():
        raise StoreUnusable(
            f"{path}: no store there; make one with: durability init --store {path}, or name"
            " yours by --store or DURABILITY_STORE"
        )


@contextmanager
def _locked(path: Path, *, exclusive: bool) -> Iterator[None]:
    """Hold the store's lock file, shared or exclusive, waiting a little for others."""
    lock_file = path.with_name(path.name + ".lock")
    if not exclusive and not os.access(path.parent, os.W_OK) and not lock_file.exists():
        # A folder that can't be written has no writer to fear (a snapshot on a read-only disk).
        yield
        return
    lock = ReadWriteLock(lock_file, timeout=LOCK_WAIT_S)
    try:
        held = lock.acquire_write() if exclusive else lock.acquire_read()
    except Timeout:
        raise StoreUnusable(
            f"{path}: another durability command has held the store for {LOCK_WAIT_S:.0f} s;"
            " wait for it to finish, then try again"
        ) from None
    except OSError as error:
        raise StoreUnusable(f"{path}: can't lock the store ({error})") from None
    with held:
        yield


def _connect(path: Path, *, read_only: bool, with_files: bool = False) -> duckdb.DuckDBPyConnection:
    give_up_at = time.monotonic() + LOCK_WAIT_S / 2
    while True:
        try:
            settings = {**_SETTINGS, "enable_external_access": with_files or not read_only}
            return duckdb.connect(str(path), read_only=read_only, config=settings)
        except duckdb.Error as error:
            message = str(error)
            if "onflicting lock" in message:
                # Another program (a DuckDB shell, a notebook) has it open beside our lock.
                if time.monotonic() < give_up_at:
                    time.sleep(0.1)
                    continue
                holder = message.partition("PID ")[2].split(")")[0].split(" ")[0]
                raise StoreUnusable(
                    f"{path}: the file is open in another program"
                    + (f" (process {holder})" if holder else "")
                    + "; close it there, then try again"
                ) from None
            if "not a valid DuckDB database" in message or "not a valid" in message:
                raise StoreUnusable(
                    f"{path}: not a DuckDB file, so not a store; name the right file by --store"
                ) from None
            if "newer version" in message or "version number" in message:
                raise StoreUnusable(
                    f"{path}: written by another version of DuckDB than {duckdb.__version__};"
                    " install the durability release that wrote it, or a newer one"
                ) from None
            raise StoreUnusable(f"{path}: can't be opened ({message.splitlines()[0]})") from None


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


def _upgrade(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    *,
    is_new: bool,
    up_to_step: int | None = None,
) -> None:
    """Apply the schema steps that the store has not seen, each in a transaction of its own."""
    step_reached = 0 if is_new else _check_step(connection, path)
    for step, file in _schema_steps():
        if step <= step_reached or (up_to_step is not None and step > up_to_step):
            continue
        connection.execute("BEGIN TRANSACTION")
        try:
            connection.execute(file.read_text(encoding="utf-8"))
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
