"""A picture of damage: known again by its digest, and left where it lies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from durability.record.errors import UnusableCall


@dataclass(frozen=True, slots=True)
class Photo:
    """File name and SHA-256 of a picture."""

    file_name: str
    file_sha256: str


def read_photos(paths: Iterable[str]) -> list[Photo]:
    """Name and digest of each picture, the same picture once.

    Parameters
    ----------
    paths : iterable of str
        Files of any kind of picture; none is looked into.

    Returns
    -------
    list of Photo
        In the order given.

    Raises
    ------
    UnusableCall
        A file is not there, can't be read, or is empty.
    """
    photos = [_read_photo(Path(path)) for path in paths]
    return list({photo.file_sha256: photo for photo in reversed(photos)}.values())[::-1]


def _read_photo(path: Path) -> Photo:
    import hashlib

    try:
        with path.open("rb") as picture:
            digest = hashlib.file_digest(picture, "sha256").hexdigest()
            is_empty = not picture.tell()
    except OSError as fault:
        raise UnusableCall(
            f"--photo {path}: {fault.strerror or fault}; give the file of a picture"
        ) from None
    if is_empty:
        raise UnusableCall(f"--photo {path}: the file is empty; give the file of a picture")
    return Photo(path.name, digest)
