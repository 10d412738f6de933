"""The one way in which drops and damage notes are kept, and all rows of sheets.

Whether typed, recorded or from a file: rows are staged, checked against the store and each other,
inserted, and searched for signs of a failing battery, all in the transaction of one entry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from durability.intake.columns import (
    FILE_KINDS,
    MODE_OF_NOTHING,
    NO_CASE_TO_DAMAGE,
    OTHER_UNSAID,
    SEVERITY_UNSAID,
)
from durability.intake.hand_entry import (
    TypedDrop,
    read_photos,
    typed_time,
    typed_value,
    typed_values,
)
from durability.record import clock
from durability.record.basis import far_off
from durability.record.errors import RecordRefused, SeriesClosed, UnusableCall, refuse_blank
from durability.record.receipts import Quarantine, Rejection, StoredDrop
from durability.record.vocabulary import OTHER_MODE
from durability.store import bench
from durability.workflow import quarantine
from durability.workflow.quarantine import made_after_failure, refuse_unfit, why_unfit
from durability.workflow.session import Session, entry

if TYPE_CHECKING:
    import pandas as pd

CLOSED = "closed; open another series for further drops"

_NOT_FROM_A_SHEET = ("file_name", "source_row", "dropped_at_utc_offset", "taken_at")
_BLANK: dict[str, dict[str, Any]] = {
    kind: dict.fromkeys((*FILE_KINDS[kind].columns, *_NOT_FROM_A_SHEET))
    for kind in ("drops", "damage")
}
"""A row of which nothing is known."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of rows."""

    left_out: int
    """Refused or there already."""
    rejections: tuple[Rejection, ...]
    quarantined: tuple[Quarantine, ...]
    """Devices of which the rows name a sign, or that were dropped in quarantine all the same."""
    undated_in_quarantine: Mapping[str, int]
    """Device that was in quarantine already → drops of sheets taken without a date."""
    keys: dict[str, list[tuple[Any, ...]]]
    """What each inserting statement gave back, of rows that are no frame."""
    dropped_after_failure: Mapping[str, int]
    """Case → drops of sheets that it made after it had failed."""
    clock: clock.ClockFindings


def keep_rows(
    connection: Any,
    kind: str,
    rows: pd.DataFrame | list[dict[str, Any]],
    entries: Sequence[tuple[str, Any]],
    *,
    with_cut: bool = False,
    drop_numbers_on_sheet: pd.DataFrame | None = None,
    despite_quarantine: str | None = None,
    keeping: bench.Keeping | None = None,
) -> Kept:
    """Keep the rows that agree with the store and with each other.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction; the caller rolls back when a rejection is one too many.
    kind : str
        A key of ``bench.KEEPINGS``.
    rows : DataFrame or list of dict
        Typed rows with ``file_name`` and ``source_row``.
    entries : sequence of (file name, entry key)
        The entry of each file.
    with_cut : bool
        The lines that ``bench.cut_drops`` found plainly good are rows too.
    drop_numbers_on_sheet : DataFrame, optional
        ``series`` and ``drop_number`` of every other row of the sheets, refused ones too; when
        given, holes in the numbering are refused.
    despite_quarantine : str, optional
        How devices came to be dropped while they were in quarantine; the drop counts for them.
    keeping : Keeping, optional
        Where it is not that of the kind.

    Returns
    -------
    Kept
        What was refused, and the devices to keep apart.

    Raises
    ------
    UnusableCall
        ``despite_quarantine`` is blank.
    """
    if despite_quarantine is not None and not despite_quarantine.strip():
        raise UnusableCall("--despite-quarantine: blank; say how it came to be dropped")
    keeping = keeping or bench.KEEPINGS[kind]
    rows_kept = bench.keep_rows(
        connection,
        keeping,
        rows,
        entries,
        with_cut=with_cut,
        drop_numbers_on_sheet=drop_numbers_on_sheet,
        despite_quarantine=despite_quarantine,
    )
    # Asked before these rows put any device in quarantine themselves.
    undated = bench.fetch(connection, "staged_undated_in_quarantine") if kind == "drops" else []
    told = (
        {}
        if f"staged_notes_{keeping.stage}" in rows_kept.idle
        else quarantine.suspect_kept(connection, keeping.stage)
    )
    for device in sorted({row["value"] for row in rows_kept.despite}):
        told |= {device: quarantine.quarantines(connection, device)[0]}
    return Kept(
        left_out=len(rows_kept.found),
        rejections=tuple(
            Rejection(
                row["file_name"], row["source_row"], row["column"], row["value"], _reason(row)
            )
            for row in rows_kept.found
            if not row["is_duplicate"]
        ),
        quarantined=tuple(sorted(told.values(), key=lambda each: (each.since, each.device))),
        undated_in_quarantine={row["device"]: row["drops"] for row in undated},
        keys=rows_kept.keys,
        dropped_after_failure=made_after_failure(connection) if kind == "drops" else {},
        clock=_clock_findings(connection) if kind == "drops" else _CLOCK_IN_ORDER,
    )


_CLOCK_IN_ORDER = clock.ClockFindings()


def _clock_findings(connection: Any) -> clock.ClockFindings:
    """What the times of the drops just kept call for."""
    (staged,) = bench.fetch(connection, "staged_series")
    if staged["series_ids"] is None:
        return _CLOCK_IN_ORDER
    ids = {"series_ids": staged["series_ids"]}
    back = bench.fetch(connection, "staged_clock_back", **ids)
    taken = bench.fetch(connection, "staged_offsets_taken", **ids) if staged["unsaid"] else []
    return clock.ClockFindings(
        tuple(clock.ClockBack(**row) for row in back),
        {row["utc_offset"]: row["drops"] for row in taken},
    )


def clock_of_drop(connection: Any, series: str, drop_number: int) -> clock.ClockFindings:
    """What the time of a stored drop calls for, beside those of the drops before and after it.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    series : str
        Code of its series.
    drop_number : int
        Which drop.
    """
    bench.run(connection, "stage_drop", series=series, drop_number=drop_number)
    return _clock_findings(connection)


def _reason(row: Mapping[str, Any]) -> str:
    """Why a row is refused; two reasons are given elsewhere too, so their words stand here."""
    if row["check"] == "check_drops_closed":
        return CLOSED
    if row["check"] == "check_drops_quarantined":
        return quarantine.reason(row)
    return str(row["reason"])


def refuse_closed(series: str, status: str) -> None:
    """Refuse a series that takes no further drops."""
    if status == "closed":
        raise SeriesClosed(f"series {series!r}: {CLOSED}")


def add_drop(
    session: Session,
    series: str,
    typed: TypedDrop,
    *,
    command: str = "drop add",
    despite_quarantine: str | None = None,
    despite_failed: str | None = None,
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
        What the entry was, in short.
    despite_quarantine : str, optional
        How the device came to be dropped while it was in quarantine; the drop counts for it.
    despite_failed : str, optional
        Why a case that has failed, or is not in use, is dropped all the same.

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
        a case; CaseUnfit where its case is not fit to be dropped.
    """
    values = typed.values  # noqa: PD011 - no frame
    row: dict[str, Any] = typed_values(
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
    if typed.void_reason is not None:
        refuse_blank(typed.void_reason, "--void-reason")
    row |= made_now(session, values.get("dropped_at"))
    row |= {
        "status": "valid" if typed.void_reason is None else "void",
        "void_reason": typed.void_reason,
    }
    row |= typed_values(
        values, ("damage_severity", "damage_mode", "damage_location", "damage_note")
    )
    if row["damage_severity"] is None and any(
        row[name] for name in ("damage_mode", "damage_location", "damage_note")
    ):
        raise UnusableCall(f"--damage-severity: {SEVERITY_UNSAID}")
    # A line of a bench session has one place for words: the note of the drop.
    said = row["damage_note"] or row["note"]
    _refuse_mode(row["damage_mode"], row["damage_severity"], said, options="--damage-")
    with entry(session, command, {**values, "peak_g": typed.peak_g}) as (connection, entry_id):
        return next_drops(
            connection,
            series,
            [row],
            [("", entry_id)],
            despite_quarantine=despite_quarantine,
            despite_failed=despite_failed,
        )[0]


FALLS = "counted only, no reading"
"""Why a fall that was only counted is void."""


def made_now(session: Session, dropped_at: str | None) -> dict[str, Any]:
    """When and by whom a drop was made that no file tells of: as typed, else now."""
    moment, offset = _moment(dropped_at)
    return {
        "file_name": "",
        "dropped_at": moment,
        "dropped_at_utc_offset": offset,
        "taken_at": None if dropped_at else moment,
        "operator": session.person,
    }


def next_drops(
    connection: Any,
    series: str,
    rows: Sequence[Mapping[str, Any]],
    entries: Sequence[tuple[str, Any]],
    *,
    despite_quarantine: str | None = None,
    despite_failed: str | None = None,
    made_already: bool = False,
) -> list[StoredDrop]:
    """Keep drops, typed or recorded, as the next of a series.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    series : str
        Code of an open series.
    rows : sequence of mapping
        Column → value, each with ``file_name``, a key of ``entries``; what is left out is blank.
    entries : sequence of (file name, entry key)
        The entry of each.
    despite_quarantine : str, optional
        How the device came to be dropped while it was in quarantine; the drop counts for it.
    despite_failed : str, optional
        Why a case that has failed, or is not in use, is dropped all the same.
    made_already : bool
        The drops were made whatever became of the case: they are taken.

    Returns
    -------
    list of StoredDrop
        One a row.

    Raises
    ------
    SeriesClosed, RecordRefused
        The series is closed or unknown, its device in quarantine, or a bare drop brings damage of
        a case; CaseUnfit where its case is not fit to be dropped.
    """
    there = bench.fetch(connection, "series_to_add_to", code=series)
    found = there[0] if there else bench.find(connection, "series", series)
    (so_far,) = bench.fetch(
        connection, "entered_so_far", series_id=found["series_id"], most=_LEVEL_READINGS
    )
    last = so_far["last_drop_number"]
    numbered = [
        {**_BLANK["drops"], **row, "series": series, "drop_number": number}
        for number, row in enumerate(rows, start=last + 1)
    ]
    for row in numbered:
        if found["case_id"] is None and (row["damage_severity"] or 0) > 0:
            raise RecordRefused(f"series {series!r}: {NO_CASE_TO_DAMAGE}")
    failed_case = None
    if not made_already:
        entry_ids = [entry_id for _, entry_id in entries]
        items = found["case_id"], found["device_id"]
        failed_case = refuse_unfit(connection, *items, despite_failed, entry_ids)
    kept = keep_rows(
        connection, "next drops", numbered, entries, despite_quarantine=despite_quarantine
    )
    _refuse(kept.rejections)
    if made_already and why_unfit(connection, found["case_id"], None) is not None:
        failed_case = next(iter(made_after_failure(connection)), None)
    unseen = without_baseline(connection, found["device_id"], found["case_id"]) if not last else []
    found_of_clock = (
        _CLOCK_IN_ORDER if _is_in_order(so_far, numbered) else _clock_findings(connection)
    )
    far_off = [None] * len(numbered) if made_already else _far_off(connection, so_far, numbered)
    ids = dict(kept.keys["insert_staged_drops"])
    return [
        StoredDrop(
            series,
            row["drop_number"],
            str(ids[row["drop_number"]]),
            tuple(unseen) if row["drop_number"] == 1 else (),
            next(iter(kept.quarantined), None),
            failed_case,
            off,
            clock.ClockFindings(
                tuple(b for b in found_of_clock.backwards if b.drop_number == row["drop_number"]),
                found_of_clock.offsets_taken if row is numbered[0] else {},
            ),
        )
        for row, off in zip(numbered, far_off, strict=True)
    ]


def _is_in_order(so_far: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]) -> bool:
    """Whether times plainly call for nothing: of one offset, as entered, none before another."""
    times = [row["dropped_at"] for row in rows]
    offsets = {row["dropped_at_utc_offset"] for row in rows}
    offsets |= {so_far["first_utc_offset"], so_far["last_utc_offset"]} - {None}
    if so_far["is_corrected"] or None in times or None in offsets or len(offsets) > 1:
        return False
    latest = [] if so_far["latest_at"] is None else [so_far["latest_at"]]
    return [*latest, *times] == sorted([*latest, *times])


_LEVEL_READINGS = 4
"""Readings before one that it is compared with."""


def _far_off(
    connection: Any, so_far: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
) -> list[tuple[float, float] | None]:
    """Each valid reading with the level of those before it, in g, where it is far off them."""
    before = [] if so_far["is_corrected"] else list(so_far["last_peaks_g"] or ())
    found: list[tuple[float, float] | None] = []
    for row in rows:
        found.append(None)
        if row["peak_g"] is None or row["status"] != "valid":
            continue
        if so_far["is_corrected"]:
            before = peaks_before(connection, row["series"], row["drop_number"])
        found[-1] = far_off(row["peak_g"], before)
        before = [row["peak_g"], *before][:_LEVEL_READINGS]
    return found


def peaks_before(connection: Any, series: str, drop_number: int) -> list[float]:
    """The latest valid readings of a series before a drop, in g."""
    place = {"series": series, "drop_number": drop_number}
    last = bench.fetch(connection, "last_peaks_before", **place, most=_LEVEL_READINGS)
    return [each["peak_g"] for each in last]


def _refuse(rejections: Sequence[Rejection]) -> None:
    """Raise what would be reported of a file's first refused row."""
    for each in rejections:
        refused = SeriesClosed if each.reason == CLOSED else RecordRefused
        raise refused(f"{each.column} {each.value!r}: {each.reason}")


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
        Who inspected; else who enters it.
    photos : sequence of str
        Pictures of it, kept beside the store.

    Returns
    -------
    dict
        specimen, series, drop_number, severity, mode, inspector and photos as stored, and
        ``quarantine`` of the device when the words name signs of a failing battery.

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
        number = drop_number
        if series is not None:
            series_id = bench.find(connection, "series", series)["series_id"]
            if number is None:
                number = bench.run(connection, "last_made_number", series_id=series_id)
        else:
            latest = bench.fetch(connection, "latest_series_of", specimen_id=found["specimen_id"])
            if latest:
                _, series, number = latest[0].values()
        row = {
            **_BLANK["damage"],
            "file_name": "",
            "specimen": specimen,
            "series": series,
            "drop_number": number,
            "severity": level,
            "mode": mode,
            "location": location,
            "note": note,
            "inspector": inspector,
            "taken_at": clock.wall_clock().replace(microsecond=0),
        }
        kept = keep_rows(connection, "next damage", [row], [("", entry_id)])
        _refuse(kept.rejections)
        ((note_id,),) = kept.keys["insert_staged_damage"]
        if pictures:
            from durability.workflow import photos as kept_photos

            of = {"damage_note_id": note_id}
            kept_photos.keep(session.store, connection, pictures, "add_damage_photo", of, entry_id)
    return {
        "specimen": specimen,
        "series": series,
        "drop_number": number,
        "severity": level,
        "mode": mode,
        "inspector": inspector or session.person,
        "photos": [picture.told for picture in pictures],
        "quarantine": next(iter(kept.quarantined), None),
    }


def _refuse_mode(mode: Any, severity: Any, said: Any, *, options: str) -> None:
    """Refuse a mode of nothing seen, and "other" without a word on what."""
    if mode is not None and severity == 0:
        raise UnusableCall(f"{options}mode: {MODE_OF_NOTHING}")
    if mode == OTHER_MODE and not said:
        raise UnusableCall(f"{options}note: {OTHER_UNSAID}")


def doubted_place(location: str | None) -> str | None:
    """Why a place written like an edge or a corner is none; such a place is kept all the same.

    Parts are numbered in many ways: what an orientation must be, a place need not be.
    """
    from durability.record.orientation import impossible_designation

    fault = impossible_designation(location)
    return fault and f"place {location!r}: {fault}; kept as written"


def tells_cracked_glass(*notes: str | None) -> bool:
    """Whether notes on one thing name cracked glass or fragments."""
    from durability.record.hazards import cracked_glass

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
    """Codes of those that no one has inspected, before their first drop or since."""
    return [
        row["code"]
        for row in bench.fetch(connection, "looks_at", specimen_ids=[*filter(None, specimen_ids)])
        if row["looks"] == 0
    ]
