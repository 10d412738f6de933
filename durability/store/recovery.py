"""Copies of the store that can be trusted, and what can still be read of a damaged one."""

from __future__ import annotations

import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb
from duckdb import DuckDBPyConnection, DuckDBPyRelation

from durability.record import clock
from durability.record.basis import counted
from durability.record.errors import StoreUnusable
from durability.record.receipts import Recovered
from durability.record.whole_file import sha256, written_beside
from durability.store import database, sql_files
from durability.store.file import connect, locked, log, why
from durability.store.sql_files import quoted

_STAMP = "????-??-??T??????Z"
"""Moment of a backup in its name, UTC."""
_LEAST_ROWS = 2048
"""Rows that the engine reads in one go; a smaller piece can't be saved apart."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A copy of the store; names are those of the JSON."""

    file: str
    sha256: str
    verified: bool
    kept: int
    """Backups of this store that the folder holds now."""
    photos: int = 0
    missing_photos: str | None = None
    """Which photos are not beside the store, or the backup."""


def back_up(path: Path, folder: Path, keep: int | None) -> Backup:
    """Copy the store into a folder while others read it, and read every row of the copy.

    Parameters
    ----------
    path : Path
        The store.
    folder : Path
        Where the copy goes; made where it is missing.
    keep : int, optional
        Remove older backups of this store there beyond so many.

    Returns
    -------
    Backup

    Raises
    ------
    StoreUnusable
        The store or its copy can't be read.
    OSError
        The folder can't be written.
    """
    with database.reading(path):
        pass  # one of an earlier step is brought up to date
    if log(path).exists():
        database.create_store(path)  # brings in what a writing that was cut off had committed
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"{path.stem}.{clock.now_utc():%Y-%m-%dT%H%M%SZ}{path.suffix}"
    with (
        locked(path, exclusive=False),
        written_beside(_digest_file(target)) as noted,
        written_beside(target) as partial,
    ):
        if log(path).exists():
            raise StoreUnusable(f"{path}: a writing was cut off this moment; try again")
        shutil.copyfile(path, partial)
        digest = sha256(partial)
        if digest != sha256(path):
            raise StoreUnusable(f"{partial}: does not read back as it was written")
        _read_all(partial, path)
        noted.write_text(f"{digest}  {target.name}\n", encoding="utf-8")
    others = set(folder.glob(f"{path.stem}.{_STAMP}{path.suffix}")) - {target}
    # This one is the latest, whatever the clock says.
    kept = [target, *sorted(others, reverse=True)]
    for old in kept[keep:] if keep else []:
        old.unlink()
        _digest_file(old).unlink(missing_ok=True)
    return Backup(str(target), digest, True, min(len(kept), keep or len(kept)))


def restore(file: Path, store: Path) -> Backup:
    """Put a backup where there is no store, after reading every row of it.

    Parameters
    ----------
    file : Path
        The backup; the digest beside it is held against it.
    store : Path
        The store to make.

    Returns
    -------
    Backup
        Of the store.

    Raises
    ------
    StoreUnusable
        There is a store already, or the backup is damaged or is none.
    OSError
        The store can't be written.
    """
    if not file.is_file():
        raise StoreUnusable(f"{file}: no such file")
    with locked(store, exclusive=True):
        if store.exists():
            raise StoreUnusable(
                f"{store}: already exists, and a backup goes into a new store only; name another"
                " by --store"
            )
        digest = sha256(file)
        noted = _digest_file(file)
        if noted.is_file() and noted.read_text(encoding="utf-8").split()[:1] != [digest]:
            raise StoreUnusable(f"{file}: not as it was backed up (its SHA-256 is another)")
        with written_beside(store) as partial:
            shutil.copyfile(file, partial)
            _read_all(partial, file)
    with database.reading(store):
        pass  # one of an earlier step is brought up to date
    return Backup(str(store), digest, noted.is_file(), 1)


def _digest_file(backup: Path) -> Path:
    return backup.with_name(backup.name + ".sha256")


def _read_all(copy: Path, of: Path) -> None:
    """Read every row of every table of a copy once; a fault names the file that it is of."""
    try:
        with connect(copy, read_only=True) as connection:
            database.check_steps(connection, of)
            for name in sql_files.tables(connection):
                connection.table(name).aggregate("bit_xor(hash(COLUMNS(*)))").fetchall()
    except (duckdb.Error, StoreUnusable) as error:
        fault = str(error)
        if isinstance(error, duckdb.Error):
            fault = f"{of}: can't be read in full ({why(error)}); see: durability recover"
        raise StoreUnusable(fault.replace(str(copy), str(of))) from None


# --------------------------------------------------------------------------------- what is damaged


def recover(file: Path, new: Path) -> Recovered:
    """Save what can be read of a damaged store into a new one; the damaged file is not touched.

    Parameters
    ----------
    file : Path
        The damaged store; what lies in its log of unfinished writings is taken too.
    new : Path
        The store to make.

    Returns
    -------
    Recovered
        Nothing where the file can't be opened at all; then nothing is made.

    Raises
    ------
    StoreUnusable
        There is a store already, or no file.
    OSError
        The new store can't be written.
    """
    if not file.is_file():
        raise StoreUnusable(f"{file}: no such file")
    if new.exists():
        raise StoreUnusable(f"{new}: already exists; name another by -o")
    found = Recovered()
    with tempfile.TemporaryDirectory(dir=new.absolute().parent, prefix=".recovering.") as folder:
        copy = Path(folder) / "damaged.duckdb"
        old = _opened(file, copy, found)
        if old is None:
            found.missing.append("everything: the file can't be opened")
            return found
        old.close()
        step = _step_of(copy, file)
        with database.making(new, up_to_step=step) as connection:
            connection.execute("ATTACH $path AS old (READ_ONLY)", {"path": str(copy)})
            for name in sql_files.tables(connection):
                found.recovered[name] = _save_rows(connection, name, found.missing)
                if name in _STAND_INS:
                    _stand_in(connection, name, found)
            database.advance_sequences(connection)
            connection.execute("DETACH old")
            found.read_up_to = _last_entry(connection)
    return found


def _opened(file: Path, copy: Path, found: Recovered) -> DuckDBPyConnection | None:
    """A copy that opens: with its log, with as much of the log as is whole, or without it."""
    whole = log(file).read_bytes() if log(file).is_file() else b""
    if (entries := _entries(_try(file, copy, whole))) is not None:
        # The last byte of a log that was read to its end is part of what it brings in.
        if whole and _entries(_try(file, copy, whole[:-1])) == entries:
            found.missing.append(
                f"the last writings: the end of {log(file).name} can't be read; which drops or"
                " notes it held is not known"
            )
        return _try(file, copy, whole)
    if not whole:
        return None
    # The longest beginning of the log that can be brought in.
    sound, broken = 0, len(whole)
    if _entries(_try(file, copy, b"")) is not None:
        while broken - sound > 1:
            middle = (sound + broken) // 2
            if _entries(_try(file, copy, whole[:middle])) is None:
                broken = middle
            else:
                sound = middle
        found.missing.append(
            f"the last writings: {log(file).name} is damaged after {sound} of {len(whole)} bytes;"
            " which drops or notes they held is not known"
        )
    return _try(file, copy, whole[:sound])


def _entries(connection: DuckDBPyConnection | None) -> int | None:
    """How many entries a copy holds, which is closed again; None where it does not open."""
    if connection is None:
        return None
    try:
        return int(connection.table("entry").shape[0])
    except duckdb.Error:
        return 0
    finally:
        connection.close()


def _try(file: Path, copy: Path, written: bytes) -> DuckDBPyConnection | None:
    shutil.copyfile(file, copy)
    log(copy).unlink(missing_ok=True)
    if written:
        log(copy).write_bytes(written)
    with suppress(StoreUnusable, duckdb.Error, OSError):
        connection = connect(copy, read_only=False)
        try:
            connection.execute(sql_files.statement("tables")).fetchall()
        except duckdb.Error:
            connection.close()
            raise
        return connection
    return None


def _step_of(copy: Path, file: Path) -> int:
    """Schema step of a file by its copy; where that can't be read, the latest there is."""
    with connect(copy, read_only=True) as connection, suppress(duckdb.Error):
        (step,) = connection.table("schema_step").max("step").fetchall()[0]
        if step is not None:
            database.check_steps(connection, file)
            return int(step)
    return sql_files.latest_step()


def _save_rows(connection: DuckDBPyConnection, name: str, missing: list[str]) -> int:
    """Copy the rows of a table that can be read, piece by piece where some can't."""
    old = f"old.{quoted(name)}"
    try:
        there = connection.table(old).columns
        first, last = connection.table(old).aggregate("min(rowid), max(rowid)").fetchall()[0]
    except duckdb.Error:
        missing.append(f"{name}: the whole table")
        return 0
    before = connection.table(name).shape[0]
    unreadable, pieces = 0, [] if first is None else [(first, last)]
    while pieces:
        start, end = pieces.pop()
        rows = connection.table(old).filter(f"rowid BETWEEN {start} AND {end}")
        try:
            _save(connection, name, rows, there)
        except duckdb.Error:
            if end - start >= _LEAST_ROWS:
                middle = start + (end - start + 1) // 2
                pieces += [(middle, end), (start, middle - 1)]
                continue
            readable = [column for column in there if _can_be_read(rows, column)]
            try:
                _save(connection, name, rows, readable)
                missing += [
                    f"{name}: {column} of {counted(end - start + 1, 'row')}"
                    for column in there
                    if column not in readable
                ]
            except duckdb.Error:  # one that must be there
                unreadable += end - start + 1
    saved = connection.table(name).shape[0] - before
    if unreadable:
        missing.append(f"{name}: {counted(unreadable, 'row')}")
    if last is not None and (alone := connection.table(old).shape[0] - unreadable - saved):
        missing.append(f"{name}: {counted(alone, 'row')}, which refer to others that are lost")
    return int(saved)


def _save(
    connection: DuckDBPyConnection, name: str, rows: DuckDBPyRelation, columns: list[str]
) -> None:
    """Insert rows of which every row that they refer to is there; a column left out is blank."""
    named = (
        quoted(column) if column in columns else f"NULL AS {quoted(column)}"
        for column in connection.table(name).columns
    )
    database.referring(rows.project(", ".join(named)), name).insert_into(name)


def _can_be_read(rows: DuckDBPyRelation, column: str) -> bool:
    try:
        rows.aggregate(f"bit_xor(hash({quoted(column)}))").fetchall()
    except duckdb.Error:
        return False
    return True


_STAND_INS = {
    "entry": (
        "stand_in_entry",
        "entry",
        "entries",
        "by whom and with what they were entered; when is in their keys",
    ),
    "specimen": ("stand_in_specimen", "specimen", "specimens", "code and model"),
    "series": ("stand_in_series", "series", "series", "code and conditions"),
}
"""Rows without which what refers to them would be lost too: what of them is not known."""


def _stand_in(connection: DuckDBPyConnection, name: str, found: Recovered) -> None:
    """Put a row in the place of each one that can't be read and others refer to."""
    stand_in, one, several, unknown = _STAND_INS[name]
    before = connection.table(name).shape[0]
    for each in sql_files.references():
        if each.to_table == name:
            told = {"table": f"old.{each.table}", "column": each.column}
            with suppress(duckdb.Error):
                connection.execute(sql_files.statement(stand_in), told)
    made = connection.table(name).shape[0] - before
    if made:
        found.missing.append(f"{name}: of {counted(made, one, several)}, {unknown}")
        found.recovered[name] += made


def _last_entry(connection: DuckDBPyConnection) -> str | None:
    row = connection.execute(sql_files.statement("last_entries"), {"number": 1}).fetchone()
    return None if row is None else f"{row[0]:%Y-%m-%d %H:%M:%S} UTC, {row[2]}, by {row[1]}"
