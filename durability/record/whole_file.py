"""Files that are there as a whole or not at all."""

from __future__ import annotations

import csv
import errno
import hashlib
import os
import shutil
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from durability.record.errors import UnusableCall

_CHUNK_BYTES = 1 << 20


MOST_BYTES = 500_000_000
"""Of one file read into memory: some five million rows of drops, or 20 million samples."""


def read_whole(file: Path, *, option: str = "") -> bytes:
    """The content of a file that ends.

    Parameters
    ----------
    file : Path
        As given.
    option : str
        By which it was given.

    Raises
    ------
    UnusableCall
        It is a pipe or a device, which need not end, or too large.
    OSError
        It can't be read.
    """
    named = f"{option} {file}".lstrip()
    if file.exists() and not (file.is_file() or file.is_dir()):
        raise UnusableCall(f"{named}: a pipe or a device, which need not end; save it as a file")
    if (size := file.stat().st_size) > MOST_BYTES:
        raise UnusableCall(
            f"{named}: {size / 1e6:,.0f} MB, more than the {MOST_BYTES / 1e6:.0f} MB read at once;"
            " split it"
        )
    return file.read_bytes()


def name_of(file: Path) -> str:
    """A file's name as text: bytes that are not UTF-8 by their number."""
    return file.name.encode(errors="backslashreplace").decode()


@contextmanager
def written_beside(target: Path, *, is_new: bool = False) -> Iterator[Path]:
    """A file beside the target, which takes its place when it is whole and on the disk.

    Parameters
    ----------
    target : Path
        What is to be written; a device or a pipe is written itself.
    is_new : bool
        It must not exist: what was there before is never replaced.

    Yields
    ------
    Path
        To be written and closed within the block; gone after a fault, when the target is as it was.

    Raises
    ------
    OSError
        It can't be written, or already exists.
    """
    target = target.resolve()
    _refuse_existing(target, is_new)
    if target.exists() and not target.is_file():
        yield target
        return
    partial = target.with_name(f".{target.name}.writing")
    try:
        yield partial
        if target.exists():
            shutil.copymode(target, partial)
        onto_the_disk(partial)
        _refuse_existing(target, is_new)
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)
    onto_the_disk(target.parent)


def _refuse_existing(target: Path, is_new: bool) -> None:  # noqa: FBT001
    if is_new and target.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))


def onto_the_disk(path: Path) -> None:
    """Wait until the disk holds a file, or a folder's list of files."""
    if path.is_dir() and os.name != "posix":
        return  # only there can a folder be opened
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sha256(file: Path, first_bytes: int | None = None) -> str:
    """Digest of a file, in hexadecimal.

    Parameters
    ----------
    file : Path
        Read piece by piece.
    first_bytes : int, optional
        Of so many bytes from its beginning only.

    Raises
    ------
    OSError
        It can't be read.
    """
    with file.open("rb") as opened:
        if first_bytes is None:
            return hashlib.file_digest(opened, "sha256").hexdigest()
        digest = hashlib.sha256()
        while chunk := opened.read(min(first_bytes, _CHUNK_BYTES)):
            digest.update(chunk)
            first_bytes -= len(chunk)
        return digest.hexdigest()


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Comma-separated values with a header row; every cell reads back as it is given.

    Parameters
    ----------
    columns : sequence of str
        The header.
    rows : iterable of sequences
        None is a blank.
    """
    lines: list[str] = []
    # Only what could end a line is quoted by the csv module: with "\r\n" that is a lone "\r" too.
    writer = csv.writer(SimpleNamespace(write=lines.append), lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return "".join(line.removesuffix("\r\n") + "\n" for line in lines)


def write_rejects(
    folder: Path, stem: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> str:
    """Write what of an import was refused, and why; never over another file.

    Parameters
    ----------
    folder : Path
        Of the first file of the import.
    stem : str
        Its name without ending.
    columns : sequence of str
        The header.
    rows : iterable of sequences
        What was refused.

    Returns
    -------
    str
        The file.

    Raises
    ------
    UnusableCall
        It can't be written.
    """
    target = folder / f"{stem}.rejects.csv"
    count = 1
    while target.exists():
        count += 1
        target = folder / f"{stem}.rejects-{count}.csv"
    try:
        with written_beside(target, is_new=True) as partial:
            partial.write_bytes(csv_text(columns, rows).encode(errors="backslashreplace"))
    except OSError as error:
        raise UnusableCall(
            f"{target}: the rejects can't be written there ({error.strerror}); nothing stored"
        ) from None
    return str(target)
