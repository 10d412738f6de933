"""How drops and damage notes are kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from durability import clock
from durability.errors import RecordRefused, UnusableCall
from durability.intake.columns import MODE_OF_NOTHING, OTHER_UNSAID
from durability.intake.hand_entry import TypedDrop, typed_time, typed_value, typed_values
from durability.intake.photo import read_photos
from durability.orientation import impossible_designation
from durability.records import Quarantine
from durability.store import bench
from durability.vocabulary import OTHER_MODE
from durability.workflow import quarantine
from durability.workflow.session import Session, entry


@dataclass(frozen=True, slots=True)
class StoredDrop:
    """What is said back once a drop is durably stored."""

    series: str
    drop_number: int
    id: str
    unseen: tuple[str, ...] = ()
    """Device and case that no one had looked at before this, their series' first drop."""
    quarantine: Quarantine | None = None
    """Of the device, when a note on this drop tells of a failing battery."""


def add_drop(
    session: Session,
    series: str,
    typed: TypedDrop,
    *,
    command: str = "drop add",
    despite_quarantine: str | None = None,
) -> StoredDrop:
    """Store the next drop of an open series, and what was seen on its case.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    typed : TypedDrop
        ``values`` may hold pulse_duration_ms, velocity_change_m_s, achieved_height_mm,
        temperature_c, dropped_at, note, damage_severity, damage_mode, damage_location,
        damage_note.
    command : str, optional
        What the act of writing was, in short.
    despite_quarantine : str, optional
        How the device came to be dropped while it was in quarantine; it lived through it.

    Returns
    -------
    StoredDrop
        Given back only after the transaction is on disk.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The series is unknown or closed, its device in quarantine, or a bare drop brings damage of
        a case.
    """
    values = typed.values
    row = typed_values(
        values,
        (
            "pulse_duration_ms",
            "velocity_change_m_s",
            "achieved_height_mm",
            "temperature_c",
            "note",
        ),
    )
    row["peak_g"] = (
        None if typed.peak_g is None else typed_value("peak_g", typed.peak_g, option="--peak-g")
    )
    if typed.peak_g is None and typed.void_reason is None:
        raise UnusableCall("--peak-g: missing; give it, or --void-reason for a drop without one")
    dropped_at, offset = _moment(values.get("dropped_at"))
    row |= {"dropped_at": dropped_at.isoformat(), "dropped_at_utc_offset": offset}
    damage = typed_values(
        values, ("damage_severity", "damage_mode", "damage_location", "damage_note")
    )
    if damage["damage_severity"] is None and any(damage.values()):
        raise UnusableCall("--damage-severity: missing beside damage words; give 0 to 4")
    # A line of a bench session has one place for words: the note of the drop.
    said = damage["damage_note"] or values.get("note")
    _refuse_mode(damage["damage_mode"], damage["damage_severity"], said, options="--damage-")
    with entry(session, command) as (connection, entry_id):
        rows = bench.fetch(connection, "series_to_add_to", code=series)
        found = rows[0] if rows else bench.find(connection, "series", series)
        if found["status"] == "closed":
            raise RecordRefused(f"series {series!r}: closed; open another series for further drops")
        in_quarantine = False
        if found["is_quarantined"]:
            at = dropped_at if values.get("dropped_at") else None
            in_quarantine = quarantine.refuse_in_quarantine(
                connection, found["device"], at, despite=despite_quarantine
            )
        number = 1 + found["last_drop_number"]
        drop_id = bench.run(
            connection,
            "add_drop",
            series_id=found["series_id"],
            drop_number=number,
            operator=session.person,
            status="valid" if typed.void_reason is None else "void",
            void_reason=typed.void_reason,
            **row,
            entry_id=entry_id,
        )
        if in_quarantine:
            bench.run(
                connection,
                "add_drop_in_quarantine",
                drop_id=drop_id,
                reason=despite_quarantine,
                entry_id=entry_id,
            )
        if damage["damage_severity"] is not None:
            _note_case_damage(connection, found, number, damage, entry_id)
        ids = (found["device_id"], found["case_id"])
        unseen = without_baseline(connection, *ids) if number == 1 else []
        kept = _suspect_dropped(connection, found["device"], typed, dropped_at, entry_id)
        if in_quarantine:
            kept = quarantine.quarantines(connection, found["device"])[0]
    return StoredDrop(series, number, str(drop_id), tuple(unseen), kept)


def _suspect_dropped(
    connection: Any, device: str | None, typed: TypedDrop, dropped_at: datetime, entry_id: Any
) -> Quarantine | None:
    """Quarantine of the device by what was said of a drop of it, or of the case around it."""
    of_case = _told(
        *(typed.values.get(f"damage_{column}") for column in ("location", "mode", "note"))
    )
    found = [
        quarantine.suspect_note(
            connection, device, note, of_case=is_case, entry_id=entry_id, at=dropped_at
        )
        for note, is_case in (
            (typed.values.get("note"), False),
            (typed.void_reason, False),
            (of_case, True),
        )
    ]
    return next((each for each in found if each), None)


def _note_case_damage(
    connection: Any,
    series: Mapping[str, Any],
    number: int,
    damage: Mapping[str, Any],
    entry_id: Any,
) -> None:
    if series["case"] is None:
        if damage["damage_severity"] == 0:
            return
        raise RecordRefused(
            f"series {series['series']!r} is bare: there is no case to be damaged; note damage of"
            " the device with: damage add"
        )
    specimen = bench.find(connection, "specimen", series["case"])
    bench.run(
        connection,
        "add_damage",
        specimen_id=specimen["specimen_id"],
        series_id=series["series_id"],
        drop_number=number,
        severity=damage["damage_severity"],
        mode=damage["damage_mode"],
        location=damage["damage_location"],
        note=damage["damage_note"],
        inspector=None,
        entry_id=entry_id,
    )


def _moment(text: str | None) -> tuple[datetime, str | None]:
    """Wall-clock time of the drop and its offset; now, by the bench's own clock, when not typed."""
    if text is None:
        now = clock.now()
        return now.replace(tzinfo=None, microsecond=0), now.isoformat()[-6:]
    typed_value("dropped_at", text, option="--dropped-at")
    moment, offset = typed_time(text, name="--dropped-at", right="an ISO 8601 time")
    return moment, offset or None


def add_damage(
    session: Session,
    specimen: str,
    severity: str,
    *,
    series: str | None,
    drop_number: int | None,
    mode: str | None = None,
    location: str | None,
    note: str | None,
    inspector: str | None = None,
    photos: Sequence[str] = (),
) -> dict[str, Any]:
    """Note what was seen on a specimen, by default after its latest drop.

    Parameters
    ----------
    session : Session
        Store and person.
    specimen, severity : str
        Its code, and 0 to 4 as typed.
    series : str, optional
        Code of a series that it was dropped in.
    drop_number : int, optional
        The drop of that series after which it was seen; else its last.
    mode : str, optional
        What kind of damage, a word of ``DAMAGE_MODES``.
    location, note : str, optional
        Where, and what was seen, in free words.
    inspector : str, optional
        Who looked; else who enters it.
    photos : sequence of str
        Pictures of it: file name and SHA-256 are kept, the pictures stay where they are.

    Returns
    -------
    dict
        specimen, series, drop_number, severity, mode, inspector and photos as stored, and
        ``quarantine`` of the device when the words tell of a failing battery.

    Raises
    ------
    UnusableCall
        A value is none of its kind, or a picture can't be read.
    RecordRefused
        No such specimen, series or drop, or the specimen was not dropped there.
    """
    level = typed_value("severity", severity, option="--severity")
    mode = None if mode is None else str(typed_value("mode", mode, option="--mode"))
    _refuse_mode(mode, level, note, options="--")
    pictures = read_photos(photos)
    if drop_number is not None and series is None:
        raise UnusableCall("--series: missing beside --drop; name the series of that drop")
    with entry(session, "damage add") as (connection, entry_id):
        found = bench.find(connection, "specimen", specimen)
        series_id, number = None, drop_number
        if series is not None:
            row = bench.find(connection, "series", series)
            if specimen not in (row["case"], row["device"]):
                raise RecordRefused(
                    f"specimen {specimen!r}: not dropped in series {series!r} (its device is"
                    f" {row['device']}, its case {row['case'] or 'none: bare'})"
                )
            series_id = row["series_id"]
            last = bench.run(connection, "last_drop_number", series_id=series_id)
            number = last if number is None else number
            find_drop(connection, series, number)
        else:
            latest = bench.fetch(connection, "latest_series_of", specimen_id=found["specimen_id"])
            if latest:
                series_id, series, number = latest[0].values()
        note_id = bench.run(
            connection,
            "add_damage",
            specimen_id=found["specimen_id"],
            series_id=series_id,
            drop_number=number,
            severity=level,
            mode=mode,
            location=location,
            note=note,
            inspector=inspector,
            entry_id=entry_id,
        )
        for picture in pictures:
            bench.run(
                connection,
                "add_damage_photo",
                damage_note_id=note_id,
                **asdict(picture),
                entry_id=entry_id,
            )
        device: str | None = specimen
        if found["kind"] == "case":
            device = bench.find(connection, "series", series)["device"] if series else None
        kept = quarantine.suspect_note(
            connection,
            device,
            _told(location, mode, note),
            of_case=found["kind"] == "case",
            entry_id=entry_id,
        )
    return {
        "specimen": specimen,
        "series": series,
        "drop_number": number,
        "severity": level,
        "mode": mode,
        "inspector": inspector or session.person,
        "photos": [asdict(picture) for picture in pictures],
        "quarantine": kept,
    }


def _refuse_mode(mode: Any, severity: Any, said: Any, *, options: str) -> None:
    """Refuse a mode of nothing seen, and "other" without a word on what."""
    if mode is not None and severity == 0:
        raise UnusableCall(f"{options}mode: {MODE_OF_NOTHING}")
    if mode == OTHER_MODE and not said:
        raise UnusableCall(f"{options}note: {OTHER_UNSAID}")


def _told(location: str | None, mode: str | None, note: str | None) -> str:
    """A damage note as one reads it out: "back cover swelling: lifts by 1 mm"."""
    seen = " ".join(words for words in (location, mode) if words)
    return ": ".join(words for words in (seen, note) if words)


def doubted_place(location: str | None) -> str | None:
    """Why a place written like an edge or a corner is none; such a place is kept all the same.

    Parts are numbered in many ways: what an orientation must be, a place need not be.
    """
    fault = impossible_designation(location)
    return fault and f"place {location!r}: {fault}; kept as written"


def tells_cracked_glass(*notes: str | None) -> bool:
    """Whether notes on one thing tell of cracked glass or fragments."""
    from durability.hazards import cracked_glass

    return cracked_glass(*notes)


def find_drop(connection: Any, series: str, drop_number: int) -> dict[str, Any]:
    """A drop as it stands today.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series : str
        Code of the series.
    drop_number : int
        Which drop.

    Raises
    ------
    RecordRefused
        No such drop; the message names the last one.
    """
    rows = bench.fetch(connection, "find_drop", series=series, drop_number=drop_number)
    if rows:
        return rows[0]
    found = bench.find(connection, "series", series)
    last = bench.run(connection, "last_drop_number", series_id=found["series_id"])
    raise RecordRefused(
        f"drop {drop_number} of series {series!r}: not in the store; its last drop is {last}"
    )


def without_baseline(connection: Any, *specimen_ids: Any) -> list[str]:
    """Codes of those that no one has looked at, before their first drop or since."""
    return [
        row["code"]
        for row in bench.fetch(connection, "looks_at", specimen_ids=[*filter(None, specimen_ids)])
        if row["looks"] == 0
    ]
