"""The record held against its seals and other records, the program against published values."""

from __future__ import annotations

import math
import platform
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, fields, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import PROGRAM_VERSION
from durability.record import clock
from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.record.receipts import Merged, Recovered
from durability.record.whole_file import sha256
from durability.selfcheck.results import SelfCheck
from durability.store import bench, database, merging, recovery, sql_files
from durability.store.recovery import Backup
from durability.workflow import photos
from durability.workflow.results import AlteredEntry, Integrity, Rebuilt, Seal
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.record.records import PulseMeasures

SAME_WITHIN = 1e-6
"""Relative difference of two measures of one record that is arithmetic only.

Between releases of the numerical libraries a sum may be taken in another order; that moves a
measure by some 1e-12 of itself.
"""

_DIGITS = frozenset("0123456789abcdef")


def seal(session: Session) -> Integrity:
    """Fingerprint every entry that no seal holds yet.

    Parameters
    ----------
    session : Session
        Store and person.

    Returns
    -------
    Integrity
        The record after it; without anything new there is no new seal.
    """
    with database.writing(session.store) as connection:
        connection.execute(sql_files.statement("fingerprint_entries"))
        if bench.fetch(connection, "entries_to_seal")[0]["entries"]:
            number = bench.run(connection, "next_seal_number")
            entry_id = bench.add_entry(connection, entered_by=session.person, command="seal")
            of_seal = {"seal_number": number, "seal_entry_id": entry_id}
            bench.run(connection, "add_sealed_entries", **of_seal)
            covered = bench.fetch(connection, "digest_of_sealed", **of_seal)[0]
            bench.run(connection, "add_seal", seal_number=number, entry_id=entry_id, **covered)
        return _integrity(connection)


def back_up(session: Session, folder: Path, keep: int | None) -> Backup:
    """Copy the store into a folder, as ``recovery.back_up`` does.

    Raises
    ------
    UnusableCall
        The folder can't be written.
    """
    if keep is not None and keep < 1:
        raise UnusableCall(f"--keep {keep}: not a number of backups, 1 or more")
    store = session.store
    try:
        made = recovery.back_up(store, folder, keep)
        there = photos.folder_of(store)
        count, missing = photos.carry_all(store, there, folder.absolute() / there.name)
        return replace(made, photos=count, missing_photos=missing)
    except OSError as error:
        raise UnusableCall(f"{folder}: can't be written ({error.strerror or error})") from None


def restore(session: Session, file: Path) -> Backup:
    """Put a backup in the place of the session's store, where there is none.

    Raises
    ------
    UnusableCall
        The store can't be written.
    """
    store = session.store
    try:
        made = recovery.restore(file, store)
        # Beside backups as beside the store that they are of.
        there = photos.folder_of(file.with_name(file.stem.rpartition(".")[0] or file.stem))
        count, missing = photos.carry_all(store, there, photos.folder_of(store))
        return replace(made, photos=count, missing_photos=missing)
    except OSError as error:
        raise UnusableCall(f"{session.store}: can't be made ({error.strerror or error})") from None


def recover(file: Path, new: Path) -> Recovered:
    """Save what can be read of a damaged store, as ``recovery.recover`` does.

    Raises
    ------
    UnusableCall
        The new store can't be written.
    """
    try:
        found = recovery.recover(file, new)
        if new.exists():
            there = photos.folder_of(file)
            _, missing = photos.carry_all(new, there, photos.folder_of(new))
            found.missing += [missing] if missing else []
    except OSError as error:
        raise UnusableCall(f"-o {new}: can't be made ({error.strerror or error})") from None
    return found


def merge_record(
    session: Session, other: Path, *, split: Sequence[str] = (), dry_run: bool = False
) -> Merged:
    """Add the record of another site, all of it or nothing.

    Parameters
    ----------
    session : Session
        Store and person.
    other : Path
        Another store, or an export of one.
    split : sequence of str
        Series that both continued: the drops of the other one get a series of their own.
    dry_run : bool
        Say what would be added, and store nothing.

    Returns
    -------
    Merged

    Raises
    ------
    UnusableCall
        There is no such file, it is this store, or the folder is no export.
    StoreUnusable
        A store is foreign, too new, damaged or held.
    RecordRefused
        The other one is not as it was sealed or exported, or sites have one name.
    """
    store = session.store
    with database.reading(store):
        pass  # it is one, and of today's schema step
    if not other.exists():
        raise UnusableCall(f"{other}: no such store or folder")
    if other.resolve() == store.resolve():
        raise UnusableCall(f"{other}: is this store itself; name the other one")
    with _other_store(session, other) as (copy, digest):
        found = merging.merge(
            store,
            copy,
            person=session.person,
            name=other.name,
            sha256=digest,
            split=split,
            dry_run=dry_run,
        )
    if not (dry_run or found.conflicts):
        there = other / photos.EXPORTED if other.is_dir() else photos.folder_of(other)
        try:
            _, found.missing_photos = photos.carry_all(store, there, photos.folder_of(store))
        except OSError as error:
            raise UnusableCall(
                f"{photos.folder_of(store)}: the record is merged, but photos can't be written"
                f" there ({error.strerror or error}); merge again"
            ) from None
    return found


@contextmanager
def _other_store(session: Session, other: Path) -> Iterator[tuple[Path, str]]:
    """A store for this command alone with the record of another, and the digest of the file."""
    if not other.is_dir():
        with merging.copied(other, session.store) as copy:
            yield copy, sha256(other)
        return
    from durability.workflow import archive  # brings pandas

    with tempfile.TemporaryDirectory(
        dir=session.store.absolute().parent, prefix=".merging."
    ) as folder:
        copy = Path(folder) / "other.duckdb"
        yield copy, archive.read_export(other, copy)


def verify(
    session: Session,
    digest: str | None = None,
    told: Callable[[str], None] = lambda _: None,
) -> Integrity:
    """Hold the record against its seals, rows against each other, waveforms against measures.

    What answers rest on beside rows (views, macros, checks) is held against this program.

    Parameters
    ----------
    session : Session
        Store and person.
    digest : str, optional
        A seal's digest as it was noted outside the store.
    told : callable
        Called with the words of each later step as it begins.

    Returns
    -------
    Integrity
        What was changed, what is gone, what no seal holds.

    Raises
    ------
    UnusableCall
        ``digest`` is not one.
    """
    if digest is not None:
        digest = digest.strip().lower()
        if len(digest) != 64 or not _DIGITS.issuperset(digest):
            raise UnusableCall(
                f"--digest {digest}: not a seal's digest; give its 64 hexadecimal digits as seal"
                " printed them"
            )
    with database.reading(session.record) as connection:
        connection.execute(sql_files.statement("fingerprint_entries"))
        found = photos.checked(connection, session.store)
        return _integrity(connection, tuple(_rebuilt(connection, told)), digest, found)


def _integrity(
    connection: Any,
    rebuilt: tuple[Rebuilt, ...] = (),
    digest: str | None = None,
    kept_photos: tuple[int, tuple[str, ...]] = (0, ()),
) -> Integrity:
    left = bench.fetch(connection, "entries_to_seal")[0]
    return Integrity(
        seals=_seals(connection),
        altered=tuple(
            AlteredEntry(**{each.name: row[each.name] for each in fields(AlteredEntry)})
            for row in bench.fetch(connection, "altered_entries")
        ),
        sealed_entries=left["sealed"],
        unsealed_entries=left["entries"],
        unsealed_rows=left["recorded_rows"],
        orphans=sql_files.orphans(connection),
        rebuilt=rebuilt,
        digest=digest,
        altered_definitions=tuple(database.altered_definitions(connection)),
        photos=kept_photos[0],
        altered_photos=kept_photos[1],
    )


def _seals(connection: Any) -> tuple[Seal, ...]:
    return tuple(Seal(**row) for row in bench.fetch(connection, "seals"))


def _rebuilt(connection: Any, told: Callable[[str], None]) -> Iterator[Rebuilt]:
    """Each kept record measured again through its own filter, with what was known then."""
    drops = bench.fetch(connection, "measured_drops", series=None)
    if not drops:
        return
    from durability.pulse.measure import METHOD, measure_pulse
    from durability.store import waveforms as store
    from durability.workflow.measuring import READINGS, borne, kept_record

    told(f"measuring {counted(len(drops), 'kept waveform')} again")
    for drop in drops:
        series, drop_number = drop["series"], drop["drop_number"]
        kept = store.measures_of(connection, drop["waveform_id"])[0]
        as_measured = all(
            drop[name] == borne(getattr(kept.measures, name)) or name in drop["amended_columns"]
            for name in READINGS
        )
        if as_measured and kept.measures.method != METHOD:
            yield Rebuilt(series, drop_number, "older method")
            continue
        again = measure_pulse(
            **kept_record(connection, drop), **_filter_of(kept.measures), **asdict(kept.inputs)
        )
        is_same = as_measured and _is_same(kept.measures, again)
        yield Rebuilt(series, drop_number, "same" if is_same else "different")


def _filter_of(measures: PulseMeasures) -> dict[str, Any]:
    low_pass = measures.low_pass
    if low_pass is None or low_pass.derived or low_pass.cutoff_hz is None:
        return {}
    if low_pass.channel_class is None:
        return {"low_pass_hz": low_pass.cutoff_hz}
    standard = low_pass.method.partition(" CFC ")[0]
    return {"channel_class": low_pass.channel_class, "channel_class_standard": standard}


def _is_same(before: PulseMeasures, after: PulseMeasures) -> bool:
    if [flag.name for flag in before.flags] != [flag.name for flag in after.flags]:
        return False
    return all(
        _is_close(getattr(before, name), getattr(after, name))
        for name in ("peak_g", "raw_peak_g", "pulse_duration_ms", "velocity_change_m_s")
    )


def _is_close(before: float | None, after: float | None) -> bool:
    if before is None or after is None:
        return before is after
    return math.isclose(before, after, rel_tol=SAME_WITHIN)


_LIBRARIES = ("duckdb", "numpy", "scipy", "scikit-learn", "pandas", "matplotlib")


def run_selfcheck() -> SelfCheck:
    """Every shipped published value through this very program.

    Returns
    -------
    SelfCheck
        With the moment of the run and the versions of the program and of what it stands on.
    """
    from durability.selfcheck.checks import check_published_values

    return SelfCheck(clock.now().replace(microsecond=0), versions(), check_published_values())


def versions() -> dict[str, str]:
    """Version of the program, of Python, of the libraries that compute, and the machine's kind."""
    return {
        "durability": PROGRAM_VERSION,
        "Python": platform.python_version(),
        **{library: version(library) for library in _LIBRARIES},
        "machine": f"{platform.system()} {platform.machine()}",
    }
