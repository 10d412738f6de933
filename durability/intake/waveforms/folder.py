"""Which files of a folder are records, and in what order they were taken."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from durability.errors import UnusableCall
from durability.intake.waveforms.reading import MAX_FILE_BYTES

RECORD_ENDINGS = (
    ".csv",
    ".txt",
    ".tsv",
    ".tab",
    ".dat",
    ".asc",
    ".prn",
    ".npy",
    ".npz",
    ".parquet",
)
"""Endings of exported records, each also with .gz behind it. A file named outright is read
whatever its ending; only from a folder others are left aside."""

_CHUNK_BYTES = 1 << 20


def record_files(paths: Iterable[Path]) -> list[Path]:
    """Files in the order given, each folder replaced by its records in natural order of names.

    Parameters
    ----------
    paths : iterable of Path
        Files and folders; folders within folders are not entered.

    Returns
    -------
    list of Path
        Each file once.

    Raises
    ------
    UnusableCall
        A path leads nowhere, or a folder holds no record.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            files = records_in(path)
            if not files:
                raise UnusableCall(
                    f"{path}: no record in this folder; files ending in"
                    f" {', '.join(RECORD_ENDINGS)} are taken, also with .gz"
                )
            found += files
        elif not path.is_file():
            raise UnusableCall(f"{path}: no such file or folder")
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def records_in(folder: Path) -> list[Path]:
    """The records of a folder in natural order of their names.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    list of Path
        Hidden files and lists of refused files are left out.
    """
    return sorted(
        (path for path in folder.iterdir() if _is_record(path) and path.is_file()),
        key=lambda path: natural_order(path.name),
    )


def _is_record(path: Path) -> bool:
    name = path.name.lower()
    if name.startswith((".", "~")) or re.search(r"\.rejects(-\d+)?\.csv$", name):
        return False
    return name.removesuffix(".gz").endswith(RECORD_ENDINGS)


def natural_order(name: str) -> list[tuple[int, int, str]]:
    """Sort key by which drop2 comes before drop10.

    Parameters
    ----------
    name : str
        A file name.

    Examples
    --------
    >>> sorted(["drop10.csv", "drop2.csv"], key=natural_order)
    ['drop2.csv', 'drop10.csv']
    """
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part]


def sha256_of(path: Path, first_bytes: int | None = None) -> str | None:
    """Digest of a file's bytes, read piece by piece.

    Parameters
    ----------
    path : Path
        The file.
    first_bytes : int, optional
        Of so many bytes from its beginning only.

    Returns
    -------
    str or None
        None when the file can't be read, or is larger than any record.
    """
    digest = hashlib.sha256()
    try:
        left = min(path.stat().st_size, first_bytes or MAX_FILE_BYTES + 1)
        if left > MAX_FILE_BYTES:
            return None
        with path.open("rb") as file:
            while left > 0 and (chunk := file.read(min(left, _CHUNK_BYTES))):
                digest.update(chunk)
                left -= len(chunk)
    except OSError:
        return None
    return digest.hexdigest()
