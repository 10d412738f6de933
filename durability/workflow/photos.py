"""Photos of damage and of inspections, kept beside the store in files named by their digests."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from durability.intake.hand_entry import PHOTO_ENDINGS, Photo, read_photos, typed_time
from durability.record.basis import counted
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.whole_file import sha256, written_beside
from durability.store import bench, database
from durability.workflow.session import Session, entry

EXPORTED = "photos"
"""Folder of an export that holds them."""


def folder_of(store: Path) -> Path:
    """The folder beside a store that holds its photos: ``NAME.photos``."""
    return store.absolute().with_name(f"{store.stem}.photos")


def keep(
    store: Path,
    connection: Any,
    photos: Iterable[Photo],
    statement: str,
    of: Mapping[str, Any],
    entry_id: Any,
) -> None:
    """Keep photos and note what they belong to, within an entry; files come before rows.

    Parameters
    ----------
    store : Path
        The store.
    connection : DuckDBPyConnection
        Inside a transaction.
    photos : iterable of Photo
        As ``read_photos`` gives them.
    statement : {"add_damage_photo", "add_inspection_photo"}
        Which notes it.
    of : mapping
        What they belong to: parameters of that statement.
    entry_id : UUID
        The entry.

    Raises
    ------
    UnusableCall
        A file can't be kept.
    """
    for photo in photos:
        file = folder_of(store) / (photo.file_sha256 + PHOTO_ENDINGS.get(photo.media_type, ""))
        try:
            _copy(photo.path, file, photo.file_sha256)
        except OSError as fault:
            raise UnusableCall(
                f"--photo {photo.path}: can't be kept in {folder_of(store).name}"
                f" ({fault.strerror or fault})"
            ) from None
        digest = photo.file_sha256
        kept = {"media_type": photo.media_type, "bytes": photo.bytes}
        bench.run(connection, "add_photo", file_sha256=digest, **kept, entry_id=entry_id)
        named = {"file_name": photo.file_name, "file_sha256": digest}
        bench.run(connection, statement, **of, **named, entry_id=entry_id)


def _copy(source: Path, target: Path, digest: str) -> None:
    """Make a copy that has this digest; one that is there is left."""
    if target.is_file() and sha256(target) == digest:
        return
    target.parent.mkdir(exist_ok=True)
    with written_beside(target) as partial:
        shutil.copyfile(source, partial)
        if sha256(partial) != digest:
            raise OSError("does not read back as it was")


def add_to_inspection(
    session: Session,
    device: str,
    files: Sequence[str],
    *,
    inspected_at: str | None = None,
    inspector: str | None = None,
    function: str | None = None,
) -> dict[str, Any]:
    """Keep photos of an inspection, by default the latest of the device.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    files : sequence of str
        The photos.
    inspected_at : str, optional
        Time of the inspection; its day is enough when there was one that day.
    inspector : str, optional
        Who inspected, where several did at one time.
    function : str, optional
        The function that they show; else the device.

    Returns
    -------
    dict
        device, inspected_at, function, and photos with file_name, file_sha256, media_type, bytes.

    Raises
    ------
    UnusableCall
        A file can't be read or kept, or ``inspected_at`` is no time.
    RecordRefused
        There is no such inspection, several, or it did not cover the function.
    """
    photos = read_photos(files)
    when: dict[str, Any] = {"inspected_at": None, "day_only": False, "inspector": inspector}
    if inspected_at is not None:
        right = "an ISO time"
        when["inspected_at"], _ = typed_time(inspected_at, name="--inspected-at", right=right)
        when["day_only"] = len(inspected_at.strip()) == len("2026-03-14")
    with entry(session, "inspect photo") as (connection, entry_id):
        device_id = bench.find(connection, "specimen", device)["specimen_id"]
        found = bench.fetch(connection, "inspections_of_device", device_id=device_id, **when)
        on = "" if inspected_at is None else f" on {inspected_at}"
        if not found:
            raise RecordRefused(
                f"device {device!r}: no inspection{on}; see: durability inspect list"
            )
        if len(found) > 1 and inspected_at is not None:
            raise RecordRefused(f"device {device!r}{on}: inspected {which_of(found)}")
        inspection = found[0]
        if function is not None and function not in inspection["functions"]:
            covered = ", ".join(inspection["functions"])
            raise RecordRefused(f"--function {function!r}: that inspection covered {covered}")
        of = {"inspection_id": inspection["inspection_id"], "function": function}
        keep(session.store, connection, photos, "add_inspection_photo", of, entry_id)
    return {
        "device": device,
        "inspected_at": inspection["inspected_at"],
        "function": function,
        "photos": [photo.told for photo in photos],
    }


def which_of(rows: Sequence[Mapping[str, Any]]) -> str:
    """What names one of several inspections: its time, or at one time its inspector."""
    if len({row["inspected_at"] for row in rows}) > 1:
        return "twice that day; give the time too"
    by = " and ".join(str(row["inspector"] or "nobody named") for row in rows)
    return f"at that time by {by}; give --inspector too"


def list_photos(session: Session, specimen: str) -> list[dict[str, Any]]:
    """Photos of a specimen, each with what it shows, in order of entry."""
    with database.reading(session.record) as connection:
        return bench.fetch(connection, "photos", specimen=specimen)


def photo_file(session: Session, digest: str) -> tuple[Path, str]:
    """The file of a photo that is kept, and its media type.

    Parameters
    ----------
    session : Session
        Store and person.
    digest : str
        Its SHA-256.

    Raises
    ------
    RecordRefused
        No such photo is kept, or its file is missing or another one now.
    """
    with database.reading(session.record) as connection:
        kept = {row["file_sha256"]: row for row in bench.fetch(connection, "kept_photos")}
    if digest not in kept:
        raise RecordRefused(f"photo {digest[:12]}: not kept in this record")
    file = find_file(folder_of(session.store), digest)
    why = _why_not(file, digest)
    if file is None or why:
        raise RecordRefused(f"photo {digest[:12]}: {why}")
    return file, kept[digest]["media_type"]


def find_file(folder: Path, digest: str) -> Path | None:
    """The file of a photo in a folder, whatever its ending; None where it is not there."""
    return next(folder.glob(f"{digest}*"), None)


def _why_not(file: Path | None, digest: str) -> str | None:
    """Why a file is not the photo of that digest; None where it is."""
    if file is None:
        return "its file is missing"
    try:
        return None if sha256(file) == digest else "its file is another one now"
    except OSError as fault:
        return f"its file can't be read ({fault.strerror})"


def checked(connection: Any, store: Path) -> tuple[int, tuple[str, ...]]:
    """How many photos are kept, and which of them are not as they were added.

    Parameters
    ----------
    connection : DuckDBPyConnection
        To the record.
    store : Path
        Beside which they are.
    """
    kept = bench.fetch(connection, "kept_photos")
    found = ((row, find_file(folder_of(store), row["file_sha256"])) for row in kept)
    wrong = ((row, _why_not(file, row["file_sha256"])) for row, file in found)
    return len(kept), tuple(
        f"photo {row['file_name']} (SHA-256 {row['file_sha256'][:12]}...): {why}"
        for row, why in wrong
        if why
    )


def carry(digests: Iterable[str], source: Path, target: Path) -> tuple[str, ...]:
    """Copy photos from one folder into another; the digests of those that are in neither.

    Parameters
    ----------
    digests : iterable of str
        Which.
    source, target : Path
        Folders; the second is made where it is needed.

    Raises
    ------
    OSError
        A file can't be written.
    """
    missing = []
    for digest in digests:
        if not _why_not(find_file(target, digest), digest):
            continue
        file = find_file(source, digest)
        if file is None or _why_not(file, digest):
            missing.append(digest)
        else:
            _copy(file, target / file.name, digest)
    return tuple(missing)


def carry_all(store: Path, source: Path, target: Path) -> tuple[int, str | None]:
    """As ``carry``, all photos of a store: how many are there now, and which are missing."""
    with database.reading(store) as connection:
        digests = [row["file_sha256"] for row in bench.fetch(connection, "kept_photos")]
    missing = carry(digests, source, target)
    return len(digests) - len(missing), _missing_words(missing, source)


def export(
    store: Path, folder: Path, digests: Sequence[str]
) -> tuple[list[dict[str, str]], str | None]:
    """Put photos into the folder of an export; name and digest of each, and which are missing.

    Parameters
    ----------
    store : Path
        Beside which they are.
    folder : Path
        Of the export.
    digests : sequence of str
        Which.

    Raises
    ------
    OSError
        A file can't be written.
    """
    there, here = folder_of(store), folder / EXPORTED
    missing = carry(digests, there, here)
    found = ((digest, find_file(here, digest)) for digest in digests)
    named = [
        {"file": f"{EXPORTED}/{file.name}", "sha256": digest} for digest, file in found if file
    ]
    return named, _missing_words(missing, there)


def _missing_words(missing: Sequence[str], source: Path) -> str | None:
    """One line on photos that were not found; None where all were."""
    if not missing:
        return None
    named = ", ".join(f"{digest[:12]}..." for digest in missing[:3])
    more = "" if len(missing) <= 3 else " and others"
    return f"{counted(len(missing), 'photo')} not in {source}, or changed there: {named}{more}"
