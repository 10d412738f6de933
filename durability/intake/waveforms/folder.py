"""Which files of a folder are records, and in what order they were taken."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from durability.intake.waveforms.formats import MAX_FILE_BYTES
from durability.intake.waveforms.reading import begins_as_record
from durability.record.errors import UnusableCall
from durability.record.whole_file import sha256

RECORD_ENDINGS = (
    ".csv",
    ".txt",
    ".tsv",
    ".tab",
    ".dat",
    ".asc",
    ".prn",
    ".jsonl",
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

_HEAD_BYTES = 1 << 16
_ON_THEIR_WAY = re.compile(r"\.(rejects(-\d+)?\.csv|part|partial|tmp|crdownload)$")


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
            files, others = folder_files(path)
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


def folder_files(folder: Path) -> tuple[list[Path], list[Path]]:
    """What a folder holds, in natural order of names.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    records : list of Path
        Also what is only named like one, a pipe or a link that leads nowhere: reading refuses it.
    others : list of Path
        Files that are no records. Hidden files, those on their way (.part, .tmp), lists of refused
        files and folders are in neither.
    """
    records: list[Path] = []
    others: list[Path] = []
    for path in sorted(folder.iterdir(), key=lambda path: natural_order(path.name)):
        if path.name.startswith((".", "~")) or _ON_THEIR_WAY.search(path.name.lower()):
            continue
        if path.name.lower().removesuffix(".gz").endswith(RECORD_ENDINGS):
            records.append(path)
        elif not path.is_dir():
            (records if _holds_numbers(path, _stamp_of(path)) else others).append(path)
    return records, others


def _stamp_of(path: Path) -> tuple[int, int] | None:
    """Size and time of change; None of what is no file."""
    if not path.is_file():
        return None
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


@lru_cache(maxsize=1024)
def _holds_numbers(path: Path, stamp: tuple[int, int] | None) -> bool:
    """Whether a file begins as a record; looked at once as long as it does not change."""
    if stamp is None:
        return False
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
    """Digest of a record's file, as far as it can be one.

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
    try:
        if not path.is_file() or path.stat().st_size > MAX_FILE_BYTES:
            return None
        return sha256(path, first_bytes)
    except OSError:
        return None
