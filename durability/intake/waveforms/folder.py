"""Which files of a folder are records, and in what order they were taken."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from durability.intake.waveforms.formats import MAX_FILE_BYTES
from durability.intake.waveforms.reading import begins_as_record
from durability.record.errors import UnusableCall

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
    ".wav",
    ".mat",
    ".uff",
    ".unv",
    ".tdms",
    ".h5",
    ".hdf5",
    ".mf4",
)
"""Endings of exported records, each also with .gz behind it. In a folder, a file of another ending
is a record if it holds rows of numbers; a file named outright is read whatever it is."""

_CHUNK_BYTES = 1 << 20
_HEAD_BYTES = 1 << 16


def record_files(paths: Iterable[Path]) -> tuple[list[Path], list[Path]]:
    """Files in the order given, each folder replaced by its records in natural order of names.

    Parameters
    ----------
    paths : iterable of Path
        Files and folders; folders within folders are not entered.

    Returns
    -------
    records : list of Path
        Each file once.
    left_alone : list of Path
        Files of the folders that are no records; hidden files and lists of refused files are not
        spoken of.

    Raises
    ------
    UnusableCall
        A path leads nowhere, or a folder holds no record.
    """
    found: list[Path] = []
    left_alone: list[Path] = []
    for path in paths:
        if path.is_dir():
            files = records_in(path)
            others = [each for each in _visible_files(path) if each not in set(files)]
            if not files:
                seen = f" (but {endings(others)})" if others else ""
                raise UnusableCall(
                    f"{path}: no record in this folder{seen}; files ending in"
                    f" {', '.join(RECORD_ENDINGS)} are taken, also with .gz, and others that hold"
                    " rows of numbers"
                )
            found += files
            left_alone += others
        elif not path.is_file():
            what = "a pipe or a device" if path.exists() else "no such file or folder"
            raise UnusableCall(f"{path}: {what}")
        else:
            found.append(path)
    return list(dict.fromkeys(found)), left_alone


def endings(paths: Iterable[Path]) -> str:
    """How many files of which endings, in words: "2 .md, 1 without ending".

    Parameters
    ----------
    paths : iterable of Path
        The files.
    """
    counts = Counter(path.suffix.lower() or "without ending" for path in paths)
    return ", ".join(f"{count} {ending}" for ending, count in sorted(counts.items()))


def records_in(folder: Path) -> list[Path]:
    """The records of a folder in natural order of their names.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    list of Path
        Hidden files, those on their way (.part, .tmp) and lists of refused files are left out.
    """
    return sorted(
        (path for path in _visible_files(folder) if _is_record(path)),
        key=lambda path: natural_order(path.name),
    )


def _visible_files(folder: Path) -> list[Path]:
    return [
        path
        for path in folder.iterdir()
        if not path.name.startswith((".", "~"))
        and not re.search(
            r"\.(rejects(-\d+)?\.csv|part|partial|tmp|crdownload)$", path.name.lower()
        )
        and path.is_file()
    ]


def _is_record(path: Path) -> bool:
    if path.name.lower().removesuffix(".gz").endswith(RECORD_ENDINGS):
        return True
    try:
        found = path.stat()
    except OSError:
        return False
    return _holds_numbers(path, found.st_size, found.st_mtime_ns)


@lru_cache(maxsize=1024)
def _holds_numbers(path: Path, size: int, changed_ns: int) -> bool:
    """Whether a file begins as a record; looked at once as long as it does not change."""
    try:
        with path.open("rb") as file:
            return begins_as_record(file.read(_HEAD_BYTES))
    except OSError:
        return False


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
