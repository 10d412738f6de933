"""From a recorder's file to a drop: read, measured, doubted, kept."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from durability.intake.hand_entry import typed_time
from durability.intake.waveforms.folder import endings, record_files, sha256_of
from durability.pulse.waveform_codec import encode
from durability.record import clock
from durability.record.errors import (
    DropTaken,
    DurabilityError,
    ImportRefused,
    LibraryMissing,
    NothingReadable,
    RecordBreaksOff,
    RecordRefused,
    WaveformUnreadable,
    one_line,
)
from durability.record.receipts import ImportCount, Rejection, StoredDrop
from durability.record.whole_file import name_of, write_rejects
from durability.store import bench, database, sql_files
from durability.store import waveforms as store
from durability.workflow.keep import next_drops
from durability.workflow.measuring import (
    NO_RIG,
    RecordOptions,
    borne,
    find_rig,
    measuring_inputs,
    not_judged,
    read_and_measure,
    remarks_of,
)
from durability.workflow.quarantine import made_after_failure
from durability.workflow.results import FileTwice, MeasuredFile, WaveformImport
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.record.records import Waveform


def encoded(waveform: Waveform) -> list[bytes]:
    """Samples of a record, then those of each cross axis, as the store keeps them."""
    axes = [waveform.acceleration_g, *(each.acceleration_g for each in waveform.cross)]
    return [encode(samples) for samples in axes]


Taken = dict[str, list[Mapping[str, Any]]]
"""Records that are drops already, by the SHA-256 of their file."""


def fetch_taken(connection: Any) -> Taken:
    """Every record of the store that came from a file, by the file's digest.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    """
    taken: Taken = defaultdict(list)
    for row in bench.fetch(connection, "known_waveforms"):
        taken[row["file_sha256"]].append(row)
    return taken


def refuse_taken(taken: Taken, path: Path, sha256: str | None, channel: str | None) -> None:
    """Refuse a record that is a drop already, as far as digest and channel show.

    Parameters
    ----------
    taken : Taken
        From ``fetch_taken``.
    path : Path
        The file offered.
    sha256, channel : str or None
        Its digest, and its channel where that is known.

    Raises
    ------
    DropTaken
        With the drop that it is.
    """
    for row in taken.get(sha256 or "", ()):
        if channel in (None, row["channel"]):
            raise DropTaken(name_of(path), row["series"], row["drop_number"])


def _refuse_old(taken: Taken, path: Path, measured: MeasuredFile, series: str) -> None:
    """Refuse a record that is a drop already, or another channel of a drop of this series."""
    refuse_taken(taken, path, measured.file_sha256, measured.channel)
    for row in taken.get(measured.file_sha256 or "", ()):
        if row["series"] == series:
            raise RecordRefused(
                f"{path.name}: drop {row['drop_number']} of series {series!r} is channel"
                f" {row['channel']!r} of this file; one drop has one record in a series"
            )


def refuse_changed(connection: Any, rig: Mapping[str, Any]) -> None:
    """Refuse to store what was measured for conditions that hold no longer."""
    if find_rig(connection, rig["series"]) != rig:
        raise RecordRefused(
            f"series {rig['series']!r}: its conditions or its sensor were changed meanwhile;"
            " nothing stored, try again"
        )


def _store_drops(
    connection: Any,
    session: Session,
    command: str,
    rig: Mapping[str, Any],
    drops: Sequence[MeasuredFile],
    options: RecordOptions,
    samples: Iterable[Sequence[bytes]],
    *,
    operator: str | None,
    note: str | None = None,
    despite_quarantine: str | None = None,
    despite_failed: str | None = None,
    made_already: bool = False,
) -> list[tuple[StoredDrop, MeasuredFile]]:
    """Keep drops, each with its waveform, its cross axes and its measures."""
    keys = bench.add_file_entries(
        connection,
        entered_by=session.person,
        command=command,
        files=[(drop.file, drop.file_sha256) for drop in drops],
    )
    # Files of two folders may have one name.
    entries = [(str(order), key) for order, key in enumerate(keys)]
    rows = [
        {**_row(drop), "file_name": name, "operator": operator, "note": note}
        for drop, (name, _) in zip(drops, entries, strict=True)
    ]
    kept = next_drops(
        connection,
        rig["series"],
        rows,
        entries,
        despite_quarantine=despite_quarantine,
        despite_failed=despite_failed,
        made_already=made_already,
    )
    inputs = measuring_inputs(rig, options.full_scale_g)
    together = zip([each.id for each in kept], drops, samples, keys, strict=True)
    waveform_ids = [
        waveform_id
        for records in _by_size(together)
        for waveform_id in keep_records(connection, records, options)
    ]
    measured = [
        (waveform_id, drop.measures, key)
        for waveform_id, drop, key in zip(waveform_ids, drops, keys, strict=True)
    ]
    for first in range(0, len(measured), _MEASURED_AT_ONCE):
        some = measured[first : first + _MEASURED_AT_ONCE]
        store.add_measures(connection, some, inputs)
    return [
        (as_kept, replace(drop, stored=as_kept)) for as_kept, drop in zip(kept, drops, strict=True)
    ]


Record = tuple[Any, MeasuredFile, Sequence[bytes], Any]
"""Key of a drop, what was read of its file, samples from ``encoded``, key of the entry."""

_MEASURED_AT_ONCE = 256
_BYTES_AT_ONCE = 1 << 18
"""Measures, and bytes of samples, that go into the store with one statement: memory holds them."""


def _by_size(records: Iterable[Record]) -> Iterator[list[Record]]:
    """Records in groups of about so many bytes."""
    group: list[Record] = []
    size = 0
    for record in records:
        group.append(record)
        size += sum(map(len, record[2]))
        if size >= _BYTES_AT_ONCE:
            yield group
            group, size = [], 0
    if group:
        yield group


def keep_records(
    connection: Any,
    records: Sequence[Record],
    options: RecordOptions,
) -> list[Any]:
    """Keep waveforms and their cross axes, and give their keys.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    records : sequence of Record
        Of each drop.
    options : RecordOptions
        What was stated of the files.
    """
    given = options.given()
    waveform_ids = store.add_waveforms(
        connection,
        [
            {
                "drop_id": drop_id,
                "channel": drop.channel,
                "sample_rate_hz": drop.measures.sample_rate_hz,
                "start_s": drop.start_s,
                "sample_count": drop.measures.samples,
                "samples": axes[0],
                "inferred": drop.inferred,
                "given": given,
                "mv_per_g": drop.mv_per_g,
                "full_scale_g": options.full_scale_g,
                "entry_id": entry_id,
            }
            for drop_id, drop, axes, entry_id in records
        ],
    )
    cross = [
        {
            "waveform_id": waveform_id,
            "cross_order": order,
            "channel": channel,
            "samples": axis,
            "mv_per_g": mv_per_g,
        }
        for waveform_id, (_, drop, axes, _) in zip(waveform_ids, records, strict=True)
        for order, (axis, (channel, mv_per_g)) in enumerate(
            zip(axes[1:], drop.cross, strict=True), start=1
        )
    ]
    store.add_cross_records(connection, cross)
    return waveform_ids


def _row(drop: MeasuredFile) -> dict[str, Any]:
    """A measured file as columns of a drop; without a date it counts as made now."""
    moment, offset = (
        typed_time(drop.dropped_at, name="dropped_at", right="an ISO 8601 time")
        if drop.dropped_at
        else (None, "")
    )
    now = clock.wall_clock().replace(microsecond=0)
    return {
        "peak_g": borne(drop.measures.peak_g),
        "pulse_duration_ms": borne(drop.measures.pulse_duration_ms),
        "velocity_change_m_s": borne(drop.measures.velocity_change_m_s),
        "dropped_at": moment,
        "dropped_at_utc_offset": offset or None,
        "taken_at": now if moment is None else None,
        "status": drop.status,
        "void_reason": drop.measures.void_reason,
    }


def add_waveform_drop(
    session: Session,
    series: str,
    path: Path,
    options: RecordOptions | None = None,
    *,
    command: str = "record",
    note: str | None = None,
    may_grow: bool = False,
    despite_failed: str | None = None,
) -> tuple[StoredDrop, MeasuredFile]:
    """Measure one file and store it as the next drop of an open series.

    Parameters
    ----------
    session : Session
        Store and person, who is taken for the one who drops.
    series : str
        Code of an open series.
    path : Path
        The recorder's file.
    options : RecordOptions, optional
        What the file does not state. At the bench a file's time of change is the time of its drop,
        so set ``date_by_file_time``.
    command : str
        What the entry says was typed; "watch" takes drops made already.
    note : str, optional
        Of the drop.
    may_grow : bool
        Whether the file may still be written: a record that ends in its pulse is then left.
    despite_failed : str, optional
        Why a case that has failed, or is not in use, is dropped all the same.

    Returns
    -------
    stored : StoredDrop
        Given back only after the transaction is on disk.
    measured : MeasuredFile
        The file.

    Raises
    ------
    WaveformUnreadable
        The file holds no record that can be measured.
    RecordBreaksOff
        Its record ends in its pulse, and it may still be written.
    DropTaken
        Its record is a drop already.
    SeriesClosed, RecordRefused
        The series is closed or unknown, or the file's other channel is a drop of it.
    """
    options = options or RecordOptions(date_by_file_time=True)
    with database.reading(session.record) as connection:
        rig = find_rig(connection, series)
        taken = fetch_taken(connection)
    refuse_taken(taken, path, sha256_of(path), options.channel)
    waveform, measured = read_and_measure(path, rig, options)
    if may_grow and measured.measures.ends_in_pulse:
        raise RecordBreaksOff(f"{path.name}: the record ends in its pulse, and may still grow")
    samples = encoded(waveform)
    with database.writing(session.store) as connection:
        refuse_changed(connection, rig)
        _refuse_old(fetch_taken(connection), path, measured, series)
        return _store_drops(
            connection,
            session,
            command,
            rig,
            [measured],
            options,
            [samples],
            operator=session.person,
            note=note,
            despite_failed=despite_failed,
            made_already=command == "watch",
        )[0]


def explain_waveforms(
    session: Session, series: str | None, paths: Sequence[Path], options: RecordOptions
) -> WaveformImport:
    """What files hold when read as stated, with nothing stored.

    Parameters
    ----------
    session : Session
        Store; not opened when no series is named.
    series : str, optional
        The series whose sensor and conditions hold.
    paths : sequence of Path
        Files and folders.
    options : RecordOptions
        What the user states.
    """
    rig = NO_RIG
    if series is not None:
        with database.reading(session.record) as connection:
            rig = find_rig(connection, series)
    drops, rejections = [], []
    files, left_alone = record_files(paths)
    for path in files:
        try:
            drops.append(read_and_measure(path, rig, options)[1])
        except LibraryMissing:
            raise
        except WaveformUnreadable as fault:
            rejections.append(_rejection(path, fault))
    count = ImportCount(
        read=len(drops) + len(rejections),
        added=0,
        duplicates=0,
        rejected=len(rejections),
        rejects_file=None,
        rejections=tuple(rejections),
    )
    remarks = _remarks(drops, left_alone)
    return WaveformImport(count, tuple(drops), (), not_judged(rig, options), remarks)


def import_waveforms(
    session: Session,
    series: str,
    paths: Sequence[Path],
    options: RecordOptions | None = None,
    *,
    keep_good: bool = False,
    despite_quarantine: str | None = None,
    on_file: Callable[[int, int], None] = lambda number, files: None,
) -> WaveformImport:
    """Take recorders' files as the next drops of a series, in one transaction.

    Files are read and measured before the store is held, one after the other; only their encoded
    samples are kept, in a temporary file, so that memory does not grow with their number.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    paths : sequence of Path
        Files in the order of their drops; a folder stands for its records in natural order of
        their names.
    options : RecordOptions, optional
        What the files do not state.
    keep_good : bool
        Store the readable ones; the others land in a rejects file beside the first.
    despite_quarantine : str, optional
        How the device came to be dropped while it was in quarantine; the drop counts for it.
    on_file : callable
        Called with the number of each file, from 1, and how many there are.

    Returns
    -------
    WaveformImport
        What became of the files.

    Raises
    ------
    ImportRefused
        A file was refused and ``keep_good`` was not asked for; nothing is stored.
        NothingReadable when that goes for all of them.
    UnusableCall
        A path leads nowhere, or an option can't be.
    RecordRefused
        The series is unknown or closed.
    """
    options = options or RecordOptions()
    files, left_alone = record_files(paths)
    with database.reading(session.record) as connection:
        rig = find_rig(connection, series)
        taken = fetch_taken(connection)
    measured: list[tuple[Path, MeasuredFile, list[int]]] = []
    duplicates: list[FileTwice] = []
    rejections: list[Rejection] = []
    _keep_memory()
    with tempfile.TemporaryFile() as spool:
        for number, path in enumerate(files, start=1):
            on_file(number, len(files))
            try:
                if taken:
                    refuse_taken(taken, path, sha256_of(path), options.channel)
                waveform, drop = read_and_measure(path, rig, options)
                measured.append((path, drop, [*map(spool.write, encoded(waveform))]))
            except DropTaken as old:
                duplicates.append(FileTwice(old.file, old.series, old.drop_number))
            except LibraryMissing:
                raise
            except WaveformUnreadable as fault:
                rejections.append(_rejection(path, fault))
        if rejections and not keep_good:
            refused = ImportRefused if measured or duplicates else NothingReadable
            raise refused(rejections, len(files), len(duplicates))
        with database.writing(session.store) as connection:
            refuse_changed(connection, rig)
            taken = fetch_taken(connection)
            last = bench.run(connection, "last_drop_number", series_id=rig["series_id"])
            fresh: list[MeasuredFile] = []
            kept_lengths: list[tuple[int, list[int]]] = []
            start = 0
            for path, drop, lengths in measured:
                place, start = start, start + sum(lengths)
                try:
                    _refuse_old(taken, path, drop, series)
                except DropTaken as old:
                    duplicates.append(FileTwice(old.file, old.series, old.drop_number))
                    continue
                except RecordRefused as fault:
                    rejections.append(_rejection(path, fault))
                    continue
                fresh.append(drop)
                kept_lengths.append((place, lengths))
                taken[drop.file_sha256 or ""].append(
                    {"channel": drop.channel, "series": series, "drop_number": last + len(fresh)}
                )
            stored = (
                _store_drops(
                    connection,
                    session,
                    "import waveforms",
                    rig,
                    fresh,
                    options,
                    (_read_back(spool, place, lengths) for place, lengths in kept_lengths),
                    operator=None,
                    despite_quarantine=despite_quarantine,
                    made_already=True,
                )
                if fresh
                else []
            )
            after_failure = made_after_failure(connection) if stored else {}
            if rejections and not keep_good:
                raise ImportRefused(rejections, len(files), len(duplicates))
            sql_files.refuse_orphans(connection)
            # Written before the commit: when it can't be, nothing is stored and nothing is lost.
            rejects_file = _write_rejects(paths[0], rejections) if rejections else None
    count = ImportCount(
        read=len(files),
        added=len(stored),
        duplicates=len(duplicates),
        rejected=len(rejections),
        rejects_file=rejects_file,
        rejections=tuple(rejections),
        # All are of one device.
        quarantined=tuple(kept.quarantine for kept, _ in stored[:1] if kept.quarantine),
        dropped_after_failure=after_failure,
        clock=clock.ClockFindings(
            tuple(back for kept, _ in stored for back in kept.clock.backwards),
            {} if not stored else stored[0][0].clock.offsets_taken,
        ),
    )
    drops = [drop for _, drop in stored]
    return WaveformImport(
        count,
        tuple(drops),
        tuple(duplicates),
        not_judged(rig, options),
        _remarks(drops, left_alone),
    )


def _keep_memory() -> None:
    """Free a large piece of memory once, so that glibc keeps what a file needs for the next.

    It would give it back to the system after each file: a tenth of the time went into that.
    """
    np.empty(1 << 21)


def _read_back(spool: IO[bytes], place: int, lengths: Sequence[int]) -> list[bytes]:
    """Encoded samples of one file."""
    spool.seek(place)
    return [*map(spool.read, lengths)]


def _remarks(drops: Sequence[MeasuredFile], left_alone: Sequence[Path]) -> tuple[str, ...]:
    """What was assumed of the files, and which were left alone."""
    remarks = []
    said: dict[str, list[str]] = defaultdict(list)
    for drop in drops:
        for words in remarks_of(drop.inferred):
            said[words].append(drop.file)
    for words, names in said.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        remarks.append(f"{words}, in {names[0]}{more}")
    if left_alone:
        remarks.append(
            f"left alone, since they hold no rows of numbers: {endings(left_alone)}; name a file"
            " outright to have it read"
        )
    return tuple(remarks)


def _rejection(path: Path, fault: DurabilityError) -> Rejection:
    """A refused file; its name stands once in the line."""
    return Rejection(str(path), None, None, None, reason_of(path, fault))


def reason_of(path: Path, fault: DurabilityError) -> str:
    """What is wrong with a file, without its name, which a fault says first.

    Parameters
    ----------
    path : Path
        The file.
    fault : DurabilityError
        Of reading it.
    """
    reason = str(fault)
    for name in (str(path), path.name, path.name):  # a part of the reader may have said it too
        reason = reason.removeprefix(one_line(name)).lstrip(":, ")
    return reason


def _write_rejects(first: Path, rejections: Sequence[Rejection]) -> str:
    """Write which files were refused and why, beside the first; never over another file."""
    folder, stem = (first, first.resolve().name) if first.is_dir() else (first.parent, first.stem)
    rows = ((each.file, each.reason) for each in rejections)
    return write_rejects(folder, stem, ("file", "reason"), rows)
