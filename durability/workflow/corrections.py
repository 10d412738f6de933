"""Corrections: drops voided, restored, taken out as never made, amended and checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from durability.intake.hand_entry import assignments, typed_time, typed_value
from durability.record.basis import counted, far_off
from durability.record.clock import ClockFindings
from durability.record.errors import RecordRefused, UnusableCall, refuse_blank
from durability.record.receipts import CorrectedPeak, Quarantine
from durability.store import bench
from durability.workflow import quarantine
from durability.workflow.keep import clock_of_drop, find_drop, peaks_before
from durability.workflow.series import refuse_impossible
from durability.workflow.session import Session, entry


def void_drop(session: Session, series: str, drop_number: int, reason: str) -> None:
    """Void a drop: kept, shown, left out of every estimate, with its reason."""
    with entry(session, "drop void") as (connection, entry_id):
        _set_status(connection, series, drop_number, "void", reason, entry_id)


def never_drops(
    session: Session, series: str, numbers: Sequence[int], reason: str
) -> list[dict[str, Any]]:
    """Take out entries of drops that were never made, like one made twice.

    They count in nothing, stay on record with the reason, and their numbers are not used again.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    numbers : sequence of int
        Which drops.
    reason : str
        Why there were none.

    Returns
    -------
    list of dict
        Damage notes made of them, which stay with their specimens.

    Raises
    ------
    RecordRefused
        No such drop, or one is taken out already: none is then taken out.
    """
    refuse_blank(reason)
    with entry(session, "drop never") as (connection, entry_id):
        notes = []
        for drop_number in numbers:
            drop = _made_drop(connection, series, drop_number)
            bench.run(
                connection, "add_never", drop_id=drop["drop_id"], is_never=True, reason=reason,
                entry_id=entry_id,
            )  # fmt: skip
            notes += bench.fetch(
                connection, "damage_of_drop", series=series, drop_number=drop_number
            )
        return notes


def restore_drops(session: Session, series: str, numbers: Sequence[int], reason: str) -> str:
    """Make voided drops count again, or take back that they were never made, with the reason why.

    Returns
    -------
    str
        Status of the last one now: one that was void before it was taken out is void again.
    """
    refuse_blank(reason)
    with entry(session, "drop restore") as (connection, entry_id):
        for drop_number in numbers:
            drop = find_drop(connection, series, drop_number)
            if drop["status"] != "never":
                _set_status(connection, series, drop_number, "valid", reason, entry_id)
                continue
            bench.run(
                connection, "add_never", drop_id=drop["drop_id"], is_never=False, reason=reason,
                entry_id=entry_id,
            )  # fmt: skip
        return str(find_drop(connection, series, numbers[-1])["status"])


def _made_drop(connection: Any, series: str, drop_number: int) -> dict[str, Any]:
    """A drop as it stands; one taken out as never made is refused."""
    drop = find_drop(connection, series, drop_number)
    if drop["status"] == "never":
        raise RecordRefused(
            f"drop {drop_number} of series {series!r}: taken out as never made"
            f" ({drop['void_reason']}); to take that back use: drop restore"
        )
    return drop


def _set_status(
    connection: Any, series: str, drop_number: int, status: str, reason: str, entry_id: Any
) -> None:
    drop = _made_drop(connection, series, drop_number)
    if drop["status"] == status:
        raise RecordRefused(f"drop {drop_number} of series {series!r}: {status} already")
    if status == "valid" and drop["peak_g"] is None:
        raise RecordRefused(
            f"drop {drop_number} of series {series!r}: has no peak_g; amend it first with:"
            f" drop amend {series} {drop_number} --set peak_g=VALUE"
        )
    if status == "valid":
        _refuse_beyond(connection, series, drop["peak_g"])
    changes = [
        ("status", drop["status"], status),
        ("void_reason", drop["void_reason"], reason if status == "void" else None),
    ]
    bench.amend(connection, "drops", drop["drop_id"], changes, reason=reason, entry_id=entry_id)


def _refuse_beyond(connection: Any, series: str, peak_g: Any) -> None:
    """Refuse a reading that the sensor of its series can't give."""
    found = bench.find(connection, "series", series)
    if peak_g is not None and found["full_scale_g"] and peak_g > found["full_scale_g"]:
        raise RecordRefused(
            f"peak_g {peak_g:g}: above the full scale of sensor {found['sensor']}"
            f" ({found['full_scale_g']:g} g), so no reading of it; give the right one, or void the"
            " drop"
        )


def review_drops(session: Session, series: str, drop_number: int | None) -> list[int]:
    """Note that a second person has checked drops against their source, as they stand.

    Parameters
    ----------
    session : Session
        Store, and the person who checked.
    series : str
        Code of the series.
    drop_number : int, optional
        Only this drop.

    Returns
    -------
    list of int
        Numbers of the drops checked.

    Raises
    ------
    RecordRefused
        No such drop, or this person entered or corrected some of it.
    """
    with entry(session, "review") as (connection, entry_id):
        if drop_number is not None:
            find_drop(connection, series, drop_number)
        bench.find(connection, "series", series)
        rows = bench.fetch(
            connection, "drops_to_review", series=series, drop_number=drop_number,
            person=session.person,
        )  # fmt: skip
        if not rows:
            raise RecordRefused(f"series {series!r}: has no drop to check")
        own = [row["drop_number"] for row in rows if row["is_own"]]
        if own:
            raise RecordRefused(
                f"{'drop' if len(own) == 1 else 'drops'} {', '.join(map(str, own[:5]))}"
                f"{' …' if len(own) > 5 else ''} of series {series!r}: entered or corrected by"
                f" {session.person}; checked by another person, named by --by NAME"
            )
        for row in rows:
            bench.run(connection, "add_review", drop_id=row["drop_id"], entry_id=entry_id)
    return [row["drop_number"] for row in rows]


def correct_peak(session: Session, series: str, drop_number: int, peak_g: str) -> CorrectedPeak:
    """Correct a peak that was typed wrong.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    drop_number : int
        Which drop.
    peak_g : str
        The right peak as typed.

    Returns
    -------
    CorrectedPeak
        What was there and what is there now.

    Raises
    ------
    UnusableCall
        The text is no peak.
    RecordRefused
        No such drop.
    """
    right = float(typed_value("peak_g", peak_g, option="--peak-g"))
    with entry(session, "drop amend", {"peak_g": peak_g}) as (connection, entry_id):
        drop = _made_drop(connection, series, drop_number)
        if drop["status"] == "valid":
            _refuse_beyond(connection, series, right)
        changes = [("peak_g", drop["peak_g"], right)]
        why = "typed wrong"
        bench.amend(connection, "drops", drop["drop_id"], changes, reason=why, entry_id=entry_id)
        if drop["status"] == "void":
            return CorrectedPeak(drop["peak_g"], right, drop["void_reason"])
        off = far_off(right, peaks_before(connection, series, drop_number))
    return CorrectedPeak(drop["peak_g"], right, far_off=off)


@dataclass(frozen=True, slots=True)
class Amended:
    """What amended values call for."""

    quarantine: Quarantine | None = None
    """When the new note on a device names signs of a failing battery."""
    clock: ClockFindings = field(default_factory=ClockFindings)
    """When the new time of a drop is before that of the drop before it."""


def amend_record(
    session: Session, table: str, code: str, changes: Sequence[str], reason: str, number: int = 0
) -> Amended:
    """Correct columns of a drop, series or specimen; the first values stay in the record.

    Parameters
    ----------
    session : Session
        Store and person.
    table : {"drops", "series", "specimen"}
        What is amended.
    code : str
        Code of the series or specimen.
    changes : sequence of str
        "COLUMN=VALUE" each; a blank value stands for not recorded.
    reason : str
        Why.
    number : int, optional
        Drop number, for a drop.

    Returns
    -------
    Amended
        What the new values call for.

    Raises
    ------
    UnusableCall
        A change is no COLUMN=VALUE of an amendable column.
    RecordRefused
        No such record, or the change would leave a valid drop without a peak.
    """
    wanted = assignments(changes, bench.AMENDABLE[table], "--set")
    new = {column: _amended(column, text) for column, text in wanted.items()}
    if new.get("dropped_at"):
        new |= _amended_offset(wanted["dropped_at"])
    refuse_impossible(new.get("orientation"), "--set orientation")
    with entry(session, f"{table} amend", wanted) as (connection, entry_id):
        if table == "drops":
            record = _made_drop(connection, code, number)
            if "damage_severity" in new:
                severity = new.pop("damage_severity")
                _amend_severity(connection, code, number, severity, reason, entry_id)
            if "peak_g" in new and new["peak_g"] is None and record["status"] == "valid":
                raise RecordRefused(
                    f"drop {number} of series {code!r}: a valid drop needs its peak_g; void it"
                    " instead"
                )
            if record["status"] == "valid":
                _refuse_beyond(connection, code, new.get("peak_g"))
        else:
            record = bench.find(connection, table, code)
        if "settling_drops" in new:
            _refuse_afterwards(connection, record)
        if new.get("sensor"):
            bench.find(connection, "sensor", str(new["sensor"]))
        if (record.get("kind") == "case" and "kind" in new) or new.get("kind") == "case":
            raise RecordRefused(
                f"specimen {code!r}: a case can't become a device, nor a device one"
            )
        key = record["drop_id" if table == "drops" else f"{table}_id"]
        bench.amend(
            connection,
            table,
            key,
            [(column, record.get(column), value) for column, value in new.items()],
            reason=reason,
            entry_id=entry_id,
        )
        if table == "drops" and new.get("dropped_at"):
            return Amended(clock=clock_of_drop(connection, code, number))
        if table != "specimen" or not new.get("note"):
            return Amended()
        note = str(new["note"])
        return Amended(quarantine.suspect_note(connection, code, note, entry_id=entry_id))


def _refuse_afterwards(connection: Any, series: Mapping[str, Any]) -> None:
    """Settling drops are declared before the readings are known, never chosen by them."""
    last = bench.run(connection, "last_drop_number", series_id=series["series_id"])
    if last:
        raise RecordRefused(
            f"--set settling_drops: series {series['series']!r} has {counted(last, 'drop')}"
            " already; they are declared before the first drop"
        )


def _amend_severity(
    connection: Any, code: str, number: int, severity: Any, reason: str, entry_id: Any
) -> None:
    """Amend the worst note on the case after a drop."""
    notes = bench.fetch(connection, "case_notes_of_drop", series=code, drop_number=number)
    if not notes:
        raise RecordRefused(
            f"drop {number} of series {code!r}: no damage is noted on the case after it; note it"
            " with: durability damage add"
        )
    if severity is None:
        raise UnusableCall("--set damage_severity: blank; 0 says that nothing was damaged")
    changes = [("severity", notes[0]["severity"], severity)]
    note = notes[0]["damage_note_id"]
    bench.amend(connection, "damage_note", note, changes, reason=reason, entry_id=entry_id)


def _amended(column: str, text: str) -> str | float | int | None:
    if not text:
        return None
    if column == "dropped_at":
        return _typed_drop_time(text)[0].isoformat(" ")
    free_text = ("method", "fixture", "conditioning")
    return text if column in free_text else typed_value(column, text)


def _amended_offset(text: str) -> dict[str, str]:
    """The offset of a corrected time; without one the offset that was recorded stays."""
    _, offset = _typed_drop_time(text)
    return {"dropped_at_utc_offset": offset} if offset else {}


def _typed_drop_time(text: str) -> tuple[datetime, str]:
    return typed_time(text, name="dropped_at", right="an ISO 8601 time")
