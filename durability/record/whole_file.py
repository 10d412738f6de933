"""Files that are there as a whole or not at all."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """A file beside the target, which takes its place when it is whole and on the disk.

    Parameters
    ----------
    target : Path
        What is to be written; a device or a pipe is written itself.

    Yields
    ------
    Path
        To be written and closed within the block; gone after a fault, when the target is as it was.

    Raises
    ------
    OSError
        It can't be written.
    """
    target = target.resolve()
    if target.exists() and not target.is_file():
        yield target
        return
    partial = target.with_name(f".{target.name}.writing")
    try:
        yield partial
        if target.exists():
            shutil.copymode(target, partial)
        onto_the_disk(partial)
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)
    onto_the_disk(target.parent)


def onto_the_disk(path: Path) -> None:
    """Wait until the disk holds a file, or a folder's list of files."""
    if path.is_dir() and os.name != "posix":
        return  # only there can a folder be opened
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sha256(file: Path) -> str:
    """Digest of a file, in hexadecimal."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()
