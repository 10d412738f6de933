"""Recorders, each described once, and a folder that one writes to.

A description holds what a recorder's files leave open, in versions named by digest; each finished
file in a watched folder becomes the next drop.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.intake.hand_entry import typed_value
from durability.intake.waveforms import CrossChannel
from durability.intake.waveforms.folder import folder_files, sha256_of
from durability.intake.waveforms.reading import format_of
from durability.pulse.results import RemeasuredDrop
from durability.pulse.waveform_codec import decode
from durability.record.errors import (
    DropTaken,
    DurabilityError,
    RecordBreaksOff,
    RecordRefused,
    SeriesClosed,
    UnusableCall,
    WaveformUnreadable,
)
from durability.record.whole_file import name_of
from durability.store import bench, database
from durability.store import waveforms as store
from durability.workflow.measuring import (
    FilterChoice,
    RecordOptions,
    changed_by,
    find_rig,
    measuring_inputs,
    not_judged,
    read_and_measure,
    store_again,
)
from durability.workflow.results import FileTwice, MeasuredFile
from durability.workflow.session import Session, entry
from durability.workflow.waveforms import (
    add_waveform_drop,
    encoded,
    fetch_taken,
    keep_records,
    reason_of,
    refuse_changed,
)

if TYPE_CHECKING:
    from durability.record.records import FloatArray

VERSION_DIGITS = 12
"""Digits of a version's digest by which drops name it."""

_FILTER = tuple(each.name for each in fields(FilterChoice))


def add_recorder(
    session: Session, name: str, options: RecordOptions, note: str | None = None
) -> dict[str, Any]:
    """Keep what a recorder's files leave open; for a known recorder, as its next version.

    Parameters
    ----------
    session : Session
        Store and person.
    name : str
        The recorder's.
    options : RecordOptions
        What is stated about its files.
    note : str, optional
        Anything else worth keeping.

    Returns
    -------
    dict
        The version: recorder, version, options.

    Raises
    ------
    UnusableCall
        Nothing is stated, or the name is blank.
    RecordRefused
        The latest version says the same.
    """
    name = str(typed_value("recorder", name))
    kept = replace(
        options,
        mv_per_g=options.mv_per_g or options.recorder_mv_per_g,
        recorder=None,
        recorder_mv_per_g=None,
        date_by_file_time=False,
    ).given()
    if not kept:
        raise UnusableCall(
            f"recorder {name!r}: no option given, so nothing to keep; state what its files leave"
            " open, like --units V --mv-per-g 0.5"
        )
    text = json.dumps(kept, sort_keys=True, ensure_ascii=False)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    with entry(session, "recorder add") as (connection, entry_id):
        latest = bench.fetch(connection, "find_recorder", code=name)
        if latest and latest[0]["recorder_sha256"] == sha256:
            raise RecordRefused(
                f"recorder {name!r}: version {sha256[:VERSION_DIGITS]} says the same already"
            )
        if not latest:
            bench.refuse_as_new(connection, "recorder", name)
        bench.run(
            connection,
            "add_recorder",
            recorder=name,
            recorder_sha256=sha256,
            recorder_options=text,
            note=note,
            entry_id=entry_id,
        )
    return {"recorder": name, "version": sha256[:VERSION_DIGITS], "options": json.loads(text)}


def list_recorders(session: Session) -> list[dict[str, Any]]:
    """The latest version of each recorder."""
    with database.reading(session.record) as connection:
        return [_told(row) for row in bench.fetch(connection, "list_recorders")]


def show_recorder(session: Session, name: str) -> dict[str, Any]:
    """A recorder with all its versions, the latest first.

    Raises
    ------
    RecordRefused
        The recorder is unknown.
    """
    with database.reading(session.record) as connection:
        latest = bench.find(connection, "recorder", name)
        versions = bench.fetch(connection, "versions_of_recorder", recorder=name)
    return {**_told(latest), "versions": [_told(row) for row in versions]}


def read_as(session: Session, name: str | None, options: RecordOptions) -> RecordOptions:
    """Options with what the description of a recorder says where they are silent.

    Parameters
    ----------
    session : Session
        Store.
    name : str or None
        The recorder's; None: the options as they are.
    options : RecordOptions
        What is stated beside it, which goes first.

    Raises
    ------
    RecordRefused
        The recorder is unknown.
    """
    if name is None:
        return options
    with database.reading(session.record) as connection:
        found = _told(bench.find(connection, "recorder", name))
    held = _options_of(found["options"])
    # A name of one: whichever is stated replaces the whole choice of a filter.
    stated = {
        each.name: getattr(options, each.name)
        for each in fields(RecordOptions)
        if each.name != "filter" and getattr(options, each.name) not in (None, False, ())
    }
    chosen = options.filter if options.filter != FilterChoice() else held.filter
    described = {
        "mv_per_g": None,
        "recorder": f"{found['recorder']} {found['version']}",
        "recorder_mv_per_g": None if "mv_per_g" in stated else held.mv_per_g,
    }
    return replace(held, **{**described, **stated, "filter": chosen})


def _options_of(kept: Mapping[str, Any]) -> RecordOptions:
    plain = {key: value for key, value in kept.items() if key not in (*_FILTER, "cross_channels")}
    cross = tuple(CrossChannel(*each) for each in kept.get("cross_channels", ()))
    choice = FilterChoice(**{key: kept[key] for key in _FILTER if key in kept})
    return RecordOptions(**plain, cross_channels=cross, filter=choice)


def _told(row: Mapping[str, Any]) -> dict[str, Any]:
    """A version as it is shown."""
    return {
        "recorder": row["recorder"],
        "version": row["recorder_sha256"][:VERSION_DIGITS],
        "options": json.loads(row["recorder_options"]),
        "drops": row["drops"],
        "note": row["note"],
        "entered_by": row["entered_by"],
        "entered_at_utc": row["entered_at_utc"],
    }


QUIET_S = 1.0
"""A file that has not changed for so long has finished growing …"""

QUIET_IN_DOUBT_S = 2.5
"""… or for so long, when it can't be read or its text breaks off within a line."""

QUIET_IN_PULSE_S = 10.0
"""… or for so long, when the record ends within its pulse."""


@dataclass(frozen=True, slots=True)
class FileSetAside:
    """A file that can't be read, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class FileLeftAlone:
    """A file that is not a record, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class FileGrew:
    """A file that went on growing after it was taken: its longer record replaced the measures."""

    file: MeasuredFile
    drop: RemeasuredDrop


WatchEvent = MeasuredFile | FileSetAside | FileLeftAlone | FileTwice | FileGrew


@dataclass(slots=True)
class _Seen:
    """What is known of one file of the folder."""

    stamp: tuple[int, int]
    """Size and time of change."""
    since: float
    """When this stamp was first seen, on the watch's clock."""
    done: bool = False


class FolderWatch:
    """Takes the files of a folder as the drops of a series, each once.

    Files that lie there at the start and are in no series yet are taken first, in natural order of
    their names. A file is known by its SHA-256 in the store, so nothing is taken twice, also after
    a restart or under another name. The store is held only while a drop is written.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    folder : Path
        Where the recorder writes.
    options : RecordOptions
        What the files do not state.
    clock : callable
        Seconds that never run backwards.

    Attributes
    ----------
    taken, set_aside, left_alone : int
        Files so far.
    already_there : int
        Files that were drops when the watch began.
    not_judged : tuple of str
        What can't be judged of any record, in words.
    """

    def __init__(
        self,
        session: Session,
        series: str,
        folder: Path,
        options: RecordOptions,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not folder.is_dir():
            raise UnusableCall(
                f"{folder}: no such folder; name the one that the recorder writes to"
            )
        self._session = session
        self._series = series
        self._folder = folder
        self._options = options
        self._clock = clock
        self._seen: dict[Path, _Seen] = {}
        self._took: dict[Path, str | None] = {}
        self._left: set[Path] = set()
        self.taken = 0
        self.set_aside = 0
        self.left_alone = 0
        self.already_there = 0
        with database.reading(session.record) as connection:
            rig = find_rig(connection, series)
            known = fetch_taken(connection)
        self.not_judged = not_judged(rig, options)
        for path in folder_files(folder)[0]:
            if (digest := sha256_of(path)) in known:
                self._seen[path] = _Seen(_stamp(path), clock(), done=True)
                self._took[path] = digest
                self.already_there += 1

    def poll(self) -> Iterator[WatchEvent]:
        """Read the folder once; take every file that has finished growing.

        Yields
        ------
        MeasuredFile, FileSetAside, FileLeftAlone, FileTwice or FileGrew
            What became of a file, after it is stored.

        Raises
        ------
        StoreUnusable
            The store is held by another program; the file stays to be taken at the next reading.
        SeriesClosed
            The series takes no further drops.
        OSError
            The folder can't be read.
        """
        records, others = folder_files(self._folder)
        is_other = set(others)
        for path in (*records, *others):
            try:
                stamp = _stamp(path)
            except OSError:  # gone since the folder was listed
                continue
            seen = self._seen.get(path)
            if seen is None or seen.stamp != stamp:
                self._seen[path] = _Seen(stamp, self._clock())
                continue
            quiet_s = self._clock() - seen.since
            if seen.done or quiet_s < QUIET_S:
                continue
            if path in is_other:
                event: WatchEvent | None = self._leave(path, seen, quiet_s)
            else:
                event = self._take(path, seen, quiet_s)
            if event is not None:
                yield event

    def _leave(self, path: Path, seen: _Seen, quiet_s: float) -> FileLeftAlone | None:
        """Of a file that is no record; once, however often it changes."""
        if quiet_s < QUIET_IN_DOUBT_S or path in self._left:
            return None
        self._left.add(path)
        self.left_alone += 1
        seen.done = True
        is_file = path.is_file()
        reason = "holds no rows of numbers" if is_file else "a pipe or a device, not a file"
        return FileLeftAlone(name_of(path), reason)

    def _take(self, path: Path, seen: _Seen, quiet_s: float) -> WatchEvent | None:
        """What becomes of a quiet file; None while it may still be growing."""
        in_doubt = quiet_s < QUIET_IN_DOUBT_S
        if in_doubt and _breaks_off(path):
            return None
        if path in self._took and self._took[path] == sha256_of(path):
            seen.done = True  # touched only
            return None
        may_grow = quiet_s < QUIET_IN_PULSE_S
        try:
            longer = _take_longer(
                self._session, self._series, path, self._options, may_grow=may_grow
            )
            if longer is not None:
                seen.done = True
                self._took[path] = longer[0].file_sha256
                return FileGrew(*longer)
            _, drop = add_waveform_drop(
                self._session,
                self._series,
                path,
                self._options,
                command="watch",
                may_grow=may_grow,
            )
        except SeriesClosed:
            raise
        except RecordBreaksOff:
            return None
        except DropTaken as old:
            seen.done = True
            return FileTwice(old.file, old.series, old.drop_number)
        except (WaveformUnreadable, RecordRefused) as fault:
            if in_doubt or not os.path.lexists(path):  # gone since
                return None
            seen.done = True
            return self._put_aside(path, fault)
        seen.done = True
        self._took[path] = drop.file_sha256
        self.taken += 1
        return drop

    def _put_aside(self, path: Path, fault: DurabilityError) -> FileSetAside:
        """Record that a file could not be read; once for the same bytes and reason."""
        reason = reason_of(path, fault)
        digest = sha256_of(path)
        source = {"file_name": name_of(path), "file_sha256": digest}
        with database.writing(self._session.store) as connection:
            rig = find_rig(connection, self._series)
            told = {"series_id": rig["series_id"], "reason": reason}
            if not bench.run(connection, "find_file_set_aside", **told, **source):
                entry_id = bench.add_entry(
                    connection, entered_by=self._session.person, command="watch", **source
                )
                bench.run(connection, "add_file_set_aside", **told, entry_id=entry_id)
        self.set_aside += 1
        return FileSetAside(name_of(path), reason)


def _take_longer(
    session: Session, series: str, path: Path, options: RecordOptions, *, may_grow: bool
) -> tuple[MeasuredFile, RemeasuredDrop] | None:
    """Take the longer record of a file that grew after its drop was stored.

    Its measures replace those of the first as a remeasure does: former measures and the first
    record stay, and so does what a person has set.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    path : Path
        The recorder's file.
    options : RecordOptions
        What the file does not state.
    may_grow : bool
        Whether it may still be written: a record that ends in its pulse is then left.

    Returns
    -------
    tuple or None
        The file, and what became of its drop; None where it holds no record of the series that
        goes on as the one stored from a file of this name.

    Raises
    ------
    WaveformUnreadable
        The file holds no record that can be measured.
    RecordBreaksOff
        Its record ends in its pulse, and it may still be written.
    """
    source = {"series": series, "file_name": name_of(path)}
    with database.reading(session.record) as connection:
        shorter = [
            (drop, store.find_waveform(connection, series, drop["drop_number"], drop["drop_id"]))
            for drop in bench.fetch(connection, "drops_of_file", **source)
        ]
        if not shorter or sha256_of(path) in fetch_taken(connection):
            return None
        rig = find_rig(connection, series)
    waveform, measured = read_and_measure(path, rig, options)
    number = next(
        (
            drop["drop_number"]
            for drop, kept in shorter
            if _goes_on(decode(kept["samples"]), waveform.acceleration_g)
        ),
        None,
    )
    if number is None:
        return None
    if may_grow and measured.measures.ends_in_pulse:
        raise RecordBreaksOff(f"{path.name}: the record ends in its pulse, and may still grow")
    with database.writing(session.store) as connection:
        refuse_changed(connection, rig)
        drop = next(
            each
            for each in bench.fetch(connection, "measured_drops", series=[series])
            if each["drop_number"] == number
        )
        entry_id = bench.add_entry(
            connection,
            entered_by=session.person,
            command="watch",
            file_name=measured.file,
            file_sha256=measured.file_sha256,
        )
        before = store.measures_of(connection, drop["waveform_id"])[0].measures
        changed = changed_by(drop, before, measured.measures)
        (waveform_id,) = keep_records(
            connection, [(drop["drop_id"], measured, encoded(waveform), entry_id)], options
        )
        inputs = measuring_inputs(rig, options.full_scale_g)
        store_again(
            connection,
            {**drop, "waveform_id": waveform_id},
            changed,
            inputs,
            entry_id,
            "longer record of its file",
        )
    return measured, changed


def _goes_on(first: FloatArray, longer: FloatArray) -> bool:
    """Whether a record is another one that went on; the last sample may have been half written."""
    sure = len(first) - 1
    return len(longer) > len(first) and bool((longer[:sure] == first[:sure]).all())


def _stamp(path: Path) -> tuple[int, int]:
    """Size and time of change; of a link that leads nowhere its own."""
    found = path.stat() if path.exists() else path.lstat()
    return found.st_size, found.st_mtime_ns


def _breaks_off(path: Path) -> bool:
    """Whether a file of text ends within a line, as one does that is still being written."""
    if path.suffix.lower() in (".parquet", ".gz") or not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            if format_of(file.read(1 << 16)) is not None:
                return False
            file.seek(0, 2)
            file.seek(max(file.tell() - 2, 0))
            return b"\n" not in file.read().replace(b"\r", b"\n")
    except OSError:
        return False  # reading it says why
