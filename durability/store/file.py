"""The store's file: who holds it, how it opens, how it is copied, what takes its place.

A lock file of our own is held from before connecting until after closing. DuckDB 2.0 reads the
file's header before it takes its own lock, so processes that open and close one file in turn can
lose rows that were acknowledged.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from threading import get_ident
from typing import Any

import duckdb

from durability.record import clock
from durability.record.errors import StoreUnusable, complain
from durability.record.whole_file import onto_the_disk, sha256, written_beside

LOCK_WAIT_S = 10.0
"""How long a command waits for another one to finish with the file before it says so."""

_SMALL_BYTES = 16 * 2**20
"""A store so small that questions gain nothing by further threads, which cost time."""
SETTINGS: dict[str, Any] = {
    # Offline, a try to fetch an extension hangs for seconds; all that is needed is built in.
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


_OF_THE_SYSTEM = re.compile(r'file \\?"[^"]*": (?P<words>[A-Z][a-z ]+)')


def why(error: Exception) -> str:
    """What went wrong with a file, in the system's few words where the engine quotes them."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    quoted = _OF_THE_SYSTEM.search(str(error))
    return quoted["words"] if quoted else str(error).splitlines()[0]


class UnfinishedWriting(StoreUnusable):
    """The last writing was cut off, and what it left must be brought in before anyone reads."""


@contextmanager
def locked(path: Path, *, exclusive: bool) -> Iterator[None]:
    """Hold the store's lock file, shared or exclusive, waiting a little for others.

    It is an empty SQLite database, of which a transaction holds the lock: that keeps processes and
    threads apart on every system, and lets no stream of readers shut out a writer. Within a hold
    the same thread may take it again in the same way.

    Parameters
    ----------
    path : Path
        The store.
    exclusive : bool
        To write, or to put another file in its place.

    Yields
    ------
    None
        Held until the block ends.

    Raises
    ------
    StoreUnusable
        Another command holds it, or it can't be locked.
    """
    lock_file = path.with_name(path.name + ".lock")
    hold = get_ident(), lock_file, exclusive
    if hold in _holds:
        yield
        return
    try:
        _make_lock(path, lock_file)
        lock = _take_lock(lock_file, exclusive=exclusive)
    except TimeoutError:
        raise StoreUnusable(
            f"{path}: another durability command has held the store for {LOCK_WAIT_S:.0f} s;"
            " wait for it to finish, then try again"
        ) from None
    except (OSError, sqlite3.Error) as error:
        if exclusive or not _is_forbidden(error) or not path.is_file():
            raise StoreUnusable(f"{path}: {_why_no_lock(lock_file, error)}") from None
        # A disk or folder that can't be written: what is there can still be read.
        _say_once(f"durability: {path}: read without a lock ({_why_no_lock(lock_file, error)})")
        yield
        return
    _holds.add(hold)
    try:
        yield
    finally:
        _holds.remove(hold)
        lock.close()


_holds: set[tuple[int, Path, bool]] = set()
"""Thread, lock file and whether it is exclusive, of each hold."""

_LOCK_TRY_S = 0.5
"""How long one try waits, during which an interrupt is not heard; while a writer's try waits for
readers, no further one comes in."""


def _take_lock(lock_file: Path, *, exclusive: bool) -> sqlite3.Connection:
    """A connection that holds the lock until it is closed."""
    if not os.access(lock_file, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(lock_file))
    give_up_at = time.monotonic() + LOCK_WAIT_S
    lock = sqlite3.connect(lock_file, timeout=min(_LOCK_TRY_S, LOCK_WAIT_S), isolation_level=None)
    try:
        while True:
            try:
                lock.execute("PRAGMA journal_mode = MEMORY")  # no file of its own
                lock.execute("BEGIN EXCLUSIVE" if exclusive else "BEGIN")
                lock.execute("PRAGMA user_version")  # BEGIN alone locks nothing to be read
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                    raise
                if time.monotonic() >= give_up_at:
                    raise TimeoutError from None
                lock.rollback()
            else:
                return lock
    except BaseException:
        lock.close()
        raise


def stamp(path: Path, *, afresh: bool = False) -> tuple[int, ...]:
    """Size and time of change, in ns, of the store's file and of what is not yet in it.

    Parameters
    ----------
    path : Path
        The store.
    afresh : bool
        Open the files for it, since a network folder may else answer from what it remembers. Only
        where this process has no connection to them: closing a file gives up its locks.

    Returns
    -------
    tuple of int
        Nothing of a file that is not there.
    """
    found: list[int] = []
    for file in (path, path.with_name(path.name + ".wal")):
        with suppress(OSError):
            if afresh:
                with file.open("rb") as opened:
                    status = os.fstat(opened.fileno())
            else:
                status = file.stat()
            found += [status.st_mtime_ns, status.st_size]
    return tuple(found)


def _make_lock(path: Path, lock_file: Path) -> None:
    """Make the lock file as the store is: for the same group, readable and writable by the same."""
    try:
        os.close(os.open(lock_file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileExistsError:
        return
    if path.exists():
        shutil.copymode(path, lock_file)
        with suppress(OSError, AttributeError):  # not of that group, or a system without groups
            os.chown(lock_file, -1, path.stat().st_gid)


@cache
def _say_once(words: str) -> None:
    """Say it on standard error; a command that opens the store often says it once."""
    complain(words)


def _is_forbidden(error: Exception) -> bool:
    return isinstance(error, PermissionError) or getattr(error, "errno", None) == errno.EROFS


def _why_no_lock(lock_file: Path, error: Exception) -> str:
    if lock_file.is_dir():
        return f"{lock_file.name} can't be written: Is a directory; remove that folder"
    if isinstance(error, OSError) and error.strerror:
        return f"{lock_file.name} can't be written: {error.strerror}"
    return (
        f"{lock_file.name} is not a lock file ({why(error)}); remove it while no other"
        " durability command runs"
    )


def connect(path: Path, *, read_only: bool, with_files: bool = False) -> duckdb.DuckDBPyConnection:
    """Open the file, which is locked by then.

    Parameters
    ----------
    path : Path
        The store.
    read_only : bool
        Nothing is written to it.
    with_files : bool
        A read-only connection may write other files.

    Returns
    -------
    DuckDBPyConnection
        For the caller to close.

    Raises
    ------
    UnfinishedWriting
        To be read only, and its last writing was cut off.
    StoreUnusable
        It is open elsewhere, no DuckDB file, of another version, or damaged.
    """
    give_up_at = time.monotonic() + LOCK_WAIT_S / 2
    was_finished = False
    while True:
        try:
            settings = {**SETTINGS, "enable_external_access": with_files or not read_only}
            connection = duckdb.connect(str(path), read_only=read_only, config=settings)
            if read_only and path.stat().st_size < _SMALL_BYTES:
                connection.execute("SET threads = 1")
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
            if "replaying WAL" in message and read_only:
                raise UnfinishedWriting(f"{path}: its last writing was cut off") from None
            if "replaying WAL" in message and not was_finished:
                _finish_writing(path)
                was_finished = True
                continue
            if "not a valid DuckDB database" in message or "not a valid" in message:
                raise StoreUnusable(
                    f"{path}: not a DuckDB file, so not a store; name the right file by --store"
                ) from None
            if "newer version" in message or "version number" in message:
                raise StoreUnusable(
                    f"{path}: written by another version of DuckDB than {duckdb.__version__};"
                    " install the durability release that wrote it, or a newer one"
                ) from None
            is_damaged = "Corrupt" in message or "not read enough bytes" in message
            see = "; see: durability recover" if is_damaged else ""
            raise StoreUnusable(f"{path}: can't be opened ({why(error)}){see}") from None
        else:
            return connection


def _finish_writing(path: Path) -> None:
    """Bring in what a writing that was cut off had committed, where opening the file can't.

    Opening replays it before the functions of a CHECK that it alters are loaded; attaching does
    so after.
    """
    try:
        with duckdb.connect(config=SETTINGS) as connection:
            connection.execute("ATTACH $path AS unfinished", {"path": str(path)})
            connection.execute("CHECKPOINT unfinished")
    except duckdb.Error as error:
        raise StoreUnusable(
            f"{path}: its last writing, in {path.name}.wal, is damaged"
            f" ({why(error)}); keep both files, and see: durability recover"
        ) from None


def back_up(path: Path, words: str) -> Path:
    """Copy the file beside itself, held against the original byte by byte; never over another.

    Parameters
    ----------
    path : Path
        The store, locked and closed, with nothing left to bring in.
    words : str
        Stand in the name, before the day.

    Returns
    -------
    Path
        The copy; one of the same content that already exists is taken for it.

    Raises
    ------
    OSError
        It can't be written, or does not read back as it was written.
    """
    digest = sha256(path)
    name, count = f"{path.stem}.{words}.{clock.today()}", 1
    while (copy := path.with_name(f"{name}{path.suffix}")).exists():
        if sha256(copy) == digest:
            return copy
        count += 1
        name = f"{path.stem}.{words}.{clock.today()}-{count}"
    with written_beside(copy, is_new=True) as partial:
        shutil.copyfile(path, partial)
        shutil.copymode(path, partial)
        if sha256(partial) != digest:
            raise OSError(f"{partial.name} does not read back as it was written")
    return copy


def take_place(new: Path, path: Path) -> None:
    """Put a new file in the place of the store, in one step that is whole or not at all.

    Parameters
    ----------
    new : Path
        A closed DuckDB file in the same folder.
    path : Path
        The store, locked and closed; it may be missing.

    Raises
    ------
    OSError
        Either has writings left to bring in, or the folder can't be written.
    """
    for each in (new, path):
        if log(each).exists():
            raise OSError(f"{log(each).name} is left")
    if path.exists():
        shutil.copymode(path, new)
    onto_the_disk(new)
    new.replace(path)
    onto_the_disk(path.parent)


def log(path: Path) -> Path:
    """Where DuckDB keeps writings that are not yet in the file itself."""
    return path.with_name(path.name + ".wal")
