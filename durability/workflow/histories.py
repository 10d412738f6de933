"""From the record to what the models take: the one maker of every kind of history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from durability.record import clock
from durability.record.errors import RecordRefused
from durability.record.orientation import is_orientation, normalise_orientation
from durability.record.records import (
    DeviceHistory,
    DropHistory,
    ShockHistory,
    ShockLook,
    made_numbers,
)
from durability.record.vocabulary import BARE, MOST_CROSS_AXIS_PCT
from durability.store import bench, database
from durability.workflow.results import NamedDrop, Scope, Under
from durability.workflow.series import series_conditions
from durability.workflow.session import Session
from durability.workflow.specimens import IN_USE


@dataclass(frozen=True, slots=True)
class Reread:
    """The record with some readings put back or left out, to see whether that changes an answer."""

    histories: tuple[DropHistory, ...]
    """The same object where a series has no such drop."""
    drops: tuple[NamedDrop, ...] = ()
    """By series and drop number."""


@dataclass(frozen=True, slots=True)
class Histories:
    """The drops of a record, a history a series, in order of series code."""

    valid: tuple[DropHistory, ...]
    """What every estimate rests on."""
    voided: Reread
    """With voided readings put back."""
    in_doubt: Reread
    """Without readings that the sensor, its calibration or the cross axes put in doubt."""
    reference: frozenset[str] = frozenset()
    """Series of reference drops."""
    bounded: Mapping[str, frozenset[int]] = field(default_factory=dict)
    """By series, drop numbers of peaks that are only known from below: clipped."""


def histories_in(connection: Any, series: Sequence[str] | None = None) -> Histories:
    """Every series of an open store, reference series among them.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series : sequence of str, optional
        Read only these.

    Returns
    -------
    Histories

    Raises
    ------
    RecordRefused
        A series is not in the store.
    """
    if series is None:
        return _every_history(connection, None)
    with bench.only_drops_of(connection, series):
        return _every_history(connection, series)


def _every_history(connection: Any, series: Sequence[str] | None) -> Histories:
    rows = series_conditions(connection, series)
    codes = None if series is None else [row["series"] for row in rows]
    readings = bench.fetch_arrays(connection, "readings", series=codes)
    readings |= {name: readings[name].astype(kind) for name, kind in _OF_A_READING.items()}
    if bench.run(connection, "has_case_of_several_series"):  # the order of all takes a while
        readings |= bench.fetch_arrays(connection, "case_ages", series=codes)
    is_valid, is_read = readings["is_valid"].astype(bool), np.isfinite(readings["peak_g"])
    damage = _NO_DAMAGE
    if bench.run(connection, "has_case_damage"):  # this too
        damage = bench.fetch_arrays(connection, "case_damage", series=codes)
        damage |= {name: damage[name].astype(np.int64) for name in ("drop_number", "severity")}
    voided = bench.fetch(connection, "voided_drops", series=codes)
    never: dict[str, list[int]] = {}
    for drop in bench.fetch(connection, "never_numbers", series=codes):
        never.setdefault(drop["series"], []).append(drop["drop_number"])
    bounded: dict[str, set[int]] = {}
    for drop in bench.fetch(connection, "bounded_peaks", series=codes):
        bounded.setdefault(drop["series"], set()).add(drop["drop_number"])
    spans, looks = spans_of(readings["series"]), spans_of(damage["series"])
    nothing = slice(0, 0)
    valid, with_voided, without_doubt = [], [], []
    doubts, in_doubt = _doubts(connection, has_sensor=any(row["sensor"] for row in rows)), []
    for row in rows:
        at, look = spans.get(row["series"], nothing), looks.get(row["series"], nothing)
        left_out = never.get(row["series"], ())
        judged = is_read[at]
        if row["settling_drops"]:  # a drop that settles the case by declaration isn't judged
            made = made_numbers(readings["drop_number"][at], left_out)
            judged = judged & (made > row["settling_drops"])
        kept = slice(None) if judged.all() else judged
        whole = _drop_history(row, readings, at, kept, damage, look, left_out)
        counts = is_valid[at][kept]
        with_voided.append(whole)
        valid.append(whole if counts.all() else _only(whole, counts))
        doubted = _doubted(valid[-1], doubts.get(row["series"], {}))
        in_doubt += doubted
        without_doubt.append(valid[-1])
        if doubted:
            numbers = [drop.drop_number for drop in doubted]
            without_doubt[-1] = _only(valid[-1], ~np.isin(valid[-1].drop_number, numbers))
    return Histories(
        valid=tuple(valid),
        voided=Reread(tuple(with_voided), tuple(NamedDrop(**row) for row in voided)),
        in_doubt=Reread(tuple(without_doubt), tuple(in_doubt)),
        reference=frozenset(row["series"] for row in rows if row["purpose"] == "reference"),
        bounded={series: frozenset(drops) for series, drops in bounded.items()},
    )


_NO_DAMAGE = {name: np.empty(0, dtype=np.int64) for name in ("series", "drop_number", "severity")}


def _doubts(connection: Any, *, has_sensor: bool) -> dict[str, dict[int, str]]:
    """By series and drop number, what speaks against the instrument behind a reading.

    Of sensors only where a series has one: to see what speaks against any takes a while.
    """
    rows = bench.fetch(connection, "drops_across", most_pct=MOST_CROSS_AXIS_PCT)
    rows += bench.fetch(connection, "drops_before_remount")
    if has_sensor and (doubted := bench.fetch(connection, "doubted_sensors", today=clock.today())):
        sensors = [row["sensor"] for row in doubted]
        rows += bench.fetch(connection, "drops_of_sensors_in_doubt", sensor=sensors)
    found: dict[str, dict[int, str]] = {}
    for row in rows:
        own = found.setdefault(row["series"], {})
        before = own.get(row["drop_number"])
        own[row["drop_number"]] = row["doubt"] if before is None else f"{before}; {row['doubt']}"
    return found


def _doubted(history: DropHistory, doubts: Mapping[int, str]) -> list[NamedDrop]:
    if not doubts:
        return []
    return [
        NamedDrop(history.series, number, peak_g, doubts[number])
        for number, peak_g in zip(
            history.drop_number.tolist(), history.peak_g.tolist(), strict=True
        )
        if number in doubts
    ]


def _drop_history(
    row: Mapping[str, Any],
    readings: Mapping[str, np.ndarray],
    at: slice,
    judged: np.ndarray | slice,
    damage: Mapping[str, np.ndarray],
    look: slice,
    never: Sequence[int],
) -> DropHistory:
    """Of every reading that is judged."""
    column = {name: values[at] for name, values in readings.items()}
    last = int(column["drop_number"].max(initial=0))
    never = tuple(number for number in never if number < last)
    return DropHistory(
        series=row["series"],
        **{name: column[name][judged] for name in _OF_A_READING},
        drops=at.stop - at.start,
        last_drop_number=last,
        case=row["case"],
        case_model=row["case_model"],
        case_status=row["case_status"],
        device=row["device"],
        device_kind=row["device_kind"],
        drop_height_mm=row["drop_height_mm"],
        surface=row["surface"],
        orientation=orientation_name(row["orientation"]),
        sensor=row["sensor"],
        settling_drops=row["settling_drops"] or 0,
        never_numbers=never,
        age_by_drop=None
        if row["case"] is None or "case_age" not in column
        else _ages(last, column, never),
        damage_drop_number=damage["drop_number"][look],
        damage_severity=damage["severity"][look],
    )


def _ages(last: int, column: Mapping[str, np.ndarray], never: Sequence[int]) -> np.ndarray:
    """Age at each number up to the last; drops left out were made right before the next."""
    if column["case_age"].size == last and not never:
        return np.asarray(column["case_age"], dtype=np.int64)
    every = np.arange(1, last + 1)
    made = made_numbers(every, never)
    after = np.searchsorted(column["drop_number"], every)
    ages = column["case_age"][after] - (made[column["drop_number"][after] - 1] - made)
    return np.asarray(ages, dtype=np.int64)


def _only(history: DropHistory, kept: np.ndarray) -> DropHistory:
    """A history with some of its readings."""
    return replace(history, **{name: getattr(history, name)[kept] for name in _OF_A_READING})


_OF_A_READING: dict[str, type[np.generic]] = {
    "drop_number": np.int64,
    "peak_g": np.float64,
    "temperature_c": np.float64,
    "dropped_at_s": np.float64,
}
"""Columns over the drops that have a reading."""


@lru_cache(maxsize=1024)
def orientation_name(text: str | None) -> str | None:
    """One name for one orientation of a box, however its faces were ordered; else as it stands."""
    return normalise_orientation(text) if text and is_orientation(text) else text


def condition_values(history: DropHistory) -> dict[str, float | str | None]:
    """Height, surface, orientation and kind of device of a series, by column name."""
    return {
        "drop_height_mm": history.drop_height_mm,
        "surface": history.surface,
        "orientation": history.orientation,
        "device_kind": history.device_kind,
    }


def spans_of(keys: np.ndarray) -> dict[str, slice]:
    """Where each run of equal keys stands in a sorted column."""
    if len(keys) == 0:
        return {}
    starts = [0, *(np.flatnonzero(keys[1:] != keys[:-1]) + 1).tolist(), len(keys)]
    return {str(keys[start]): slice(start, end) for start, end in pairwise(starts)}


# --------------------------------------------------------------------------------- what is asked


def find_scope(
    connection: Any,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    specimen: str | None = None,
    plan: str | None = None,
    under: Under | None = None,
) -> Scope:
    """What a call is about: it chooses what is answered for, never what informs the answer.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series, case_models, specimen, plan : optional
        Only these series, case models, what happened to one specimen, or the devices that follow
        one follow-up plan. Without ``series`` reference drops are left out.
    under : Under, optional
        Of these only the series with such a height, surface, orientation or kind of device.

    Returns
    -------
    Scope

    Raises
    ------
    RecordRefused
        A series, case model, specimen or plan is not in the store, or no series is under such a
        condition.
    """
    under = under or Under()
    found = series_conditions(connection, series, case_models, purpose=None if series else "test")
    rows = _under(under, found)
    devices = [row["device"] for row in bench.fetch(connection, "devices")]
    if specimen is not None:
        kind = bench.find(connection, "specimen", specimen)["kind"]
        rows = [row for row in rows if row["case" if kind == "case" else "device"] == specimen]
        own = [specimen] if kind == "device" else _dropped(rows, devices)
        return Scope("specimen", (specimen,), _codes(rows), tuple(own), under)
    if plan is not None:
        known = {row["name"] for row in bench.fetch(connection, "plans_as_made")}
        if plan not in known:
            raise RecordRefused(
                f"plan {plan!r}: not in the store (known: {', '.join(sorted(known)) or 'none'})"
            )
        plans = bench.fetch(connection, "device_plans")
        followers = {row["device"] for row in plans if row["plan"] == plan}
        rows = [row for row in rows if row["device"] in followers]
        return Scope("follow-up plan", (plan,), _codes(rows), tuple(sorted(followers)), under)
    if series:
        return Scope("series", tuple(series), _codes(rows), tuple(_dropped(rows, devices)), under)
    if case_models:
        names = tuple(case_models)
        return Scope("case model", names, _codes(rows), tuple(_dropped(rows, devices)), under)
    own_devices = devices if under == Under() else _dropped(rows, devices)
    return Scope("whole record", (), _codes(rows), tuple(own_devices), under)


def scope_of(
    session: Session,
    connection: Any,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    specimen: str | None = None,
    plan: str | None = None,
    under: Under | None = None,
) -> Scope:
    """As ``find_scope``; asked as of an instant, what came into the record later is no part of it.

    Names are held against the whole record: a misspelt one is refused as ever.

    Raises
    ------
    RecordRefused
        As ``find_scope`` does.
    """
    asked: dict[str, Any] = {"specimen": specimen, "plan": plan, "under": under}
    if session.past is None:
        return find_scope(connection, series, case_models, **asked)
    with database.reading(session.store) as whole:
        now = find_scope(whole, series, case_models, **asked)
    rows = series_conditions(connection)
    known = {row["series"] for row in rows}, {row["case_model"] for row in rows}
    names = [
        [name for name in some or () if name in there]
        for some, there in zip((series, case_models), known, strict=True)
    ]
    nothing = replace(now, series=(), devices=())
    if (series and not names[0]) or (case_models and not names[1]):
        return nothing
    try:
        return replace(find_scope(connection, *names, **asked), names=now.names)
    except RecordRefused:
        return nothing


def sides_since(session: Session, connection: Any) -> frozenset[str]:
    """Case models, and bare, whose first series came after the instant that is asked about."""
    if session.past is None:
        return frozenset()
    with database.reading(session.store) as whole:
        now, then = (
            {
                BARE if row["case"] is None else row["case_model"]
                for row in series_conditions(each, purpose="test")
            }
            for each in (whole, connection)
        )
    return frozenset(now - then - {None})


def read_scope(session: Session, under: Under) -> Scope:
    """What of the whole record is under these conditions.

    Raises
    ------
    RecordRefused
        No series is under such a condition.
    """
    with database.reading(session.record) as connection:
        return scope_of(session, connection, under=under)


def _under(under: Under, rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The series under conditions asked for; a value that none of them has is refused."""
    if not under.named:
        return [*rows]
    named = _named(rows)
    for name, wanted in under.named.items():
        known = {row[name] for row in named}
        for value in wanted:
            if value not in known:
                option = name.replace("_", "-")
                there = ", ".join(
                    f"{each:g}" if isinstance(each, float) else each
                    for each in sorted(each for each in known if each is not None)
                )
                raise RecordRefused(
                    f"--{option} {value or ''!r}: no such series (known: {there or 'none'})"
                )
    return [row for row, values in zip(rows, named, strict=True) if under.admits(values)]


def _named(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows of series, each orientation of a box under one name."""
    return [{**row, "orientation": orientation_name(row["orientation"])} for row in rows]


def series_under(session: Session, under: Under) -> list[dict[str, Any]]:
    """Every series of the record under these conditions, reference series too.

    Raises
    ------
    RecordRefused
        No series is under such a condition, whenever it came into the record.
    """
    with database.reading(session.store) as whole:
        _under(under, series_conditions(whole))
    with database.reading(session.record) as connection:
        rows = series_conditions(connection)
    return [row for row, values in zip(rows, _named(rows), strict=True) if under.admits(values)]


def _codes(rows: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    return tuple(row["series"] for row in rows)


def _dropped(rows: Sequence[Mapping[str, Any]], devices: Sequence[str]) -> list[str]:
    dropped = {row["device"] for row in rows}
    return [device for device in devices if device in dropped]


# --------------------------------------------------------------------------------- devices


def read_device_histories(session: Session) -> list[DeviceHistory]:
    """The drops of each device and how it fared, in order of device code.

    Dummies are none: they have no functions to lose.
    """
    with database.reading(session.record) as connection:
        return device_histories_in(connection)


def device_histories_in(connection: Any) -> list[DeviceHistory]:
    """As ``read_device_histories``, from an open store."""
    devices = bench.fetch(connection, "devices")
    drops = bench.fetch_arrays(connection, "device_drops")
    checks = bench.fetch_arrays(connection, "device_checks")
    dropped, checked = spans_of(drops["device"]), spans_of(checks["device"])
    histories = []
    for row in devices:
        drop = dropped.get(row["device"], slice(0, 0))
        check = checked.get(row["device"], slice(0, 0))
        drop_day, drop_utc = _days_of(drops["dropped_at"][drop], drops["dropped_at_utc"][drop])
        check_day, check_utc = _days_of(
            checks["inspected_at"][check], checks["inspected_at_utc"][check]
        )
        histories.append(
            DeviceHistory(
                device=row["device"],
                device_model=row["device_model"],
                drop_day=drop_day,
                drop_utc=drop_utc,
                peak_g=drops["peak_g"][drop].astype(float),
                drop_height_mm=drops["drop_height_mm"][drop].astype(float),
                velocity_change_m_s=drops["velocity_change_m_s"][drop].astype(float),
                drop_case_model=tuple(drops["case_model"][drop]),
                check_day=check_day,
                check_utc=check_utc,
                check_function=tuple(checks["function"][check]),
                check_outcome=tuple(checks["outcome"][check]),
                can_be_inspected=row["status"] == IN_USE and row["quarantined_since"] is None,
            )
        )
    return histories


def _days_of(walls: np.ndarray, instants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Day on the wall and instant, in days since 1970-01-01, of times as written and in UTC.

    Days are NaN where there is no time, instants where its time of day is not known.
    """
    start, day_long = datetime(1970, 1, 1), timedelta(days=1)  # noqa: DTZ001 - wall and UTC alike
    days, utc_days = np.full((2, len(walls)), np.nan)
    for place, (wall, instant) in enumerate(zip(walls, instants, strict=True)):
        if wall is not None:
            moment = clock.Moment(wall, instant)
            days[place] = (moment.wall - start) // day_long
            if moment.has_time:
                utc_days[place] = (moment.utc - start) / day_long
    return days, utc_days


def read_shock_histories(
    session: Session, devices: Sequence[str] | None = None
) -> list[ShockHistory]:
    """The shocks of each device in order, with the inspections between them.

    Parameters
    ----------
    session : Session
        Store and person.
    devices : sequence of str, optional
        Keep only these.

    Returns
    -------
    list of ShockHistory
        In order of device code.
    """
    with database.reading(session.record) as connection:
        shocks = bench.fetch_arrays(connection, "device_drops")
        looks: dict[str, list[ShockLook]] = {}
        for row in bench.fetch(connection, "looks_between_shocks"):
            tested, failed = (frozenset(row[name] or ()) for name in ("tested", "failed"))
            look = ShockLook(row["drops_before"], tested, failed)
            looks.setdefault(row["device"], []).append(look)
        broken: dict[str, list[int]] = {}
        for row in bench.fetch(connection, "broken_devices"):
            broken.setdefault(row["device"], []).append(row["shock"])
    return [
        ShockHistory(
            device=device,
            device_model=shocks["device_model"][own][0],
            peak_g=shocks["peak_g"][own].astype(float),
            velocity_change_m_s=shocks["velocity_change_m_s"][own].astype(float),
            looks=tuple(looks.get(device, ())),
            broken_after=tuple(broken.get(device, ())),
        )
        for device, own in spans_of(shocks["device"]).items()
        if devices is None or device in devices
    ]
