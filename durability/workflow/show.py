"""How things stand, one drop in detail, and all that happened to one specimen."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.pulse.low_pass import low_pass
from durability.pulse.results import PulseTrace, ShockSpectrum
from durability.pulse.waveform_codec import decode
from durability.record.errors import RecordRefused
from durability.store import bench, database
from durability.store import waveforms as store
from durability.workflow import quarantine, rig
from durability.workflow.devices import device_doses
from durability.workflow.follow_up import confirm_rules, due, followed_devices, intermittent_checks
from durability.workflow.histories import read_device_histories, series_under
from durability.workflow.keep import find_drop
from durability.workflow.results import Limit, OpenSeries, Status, Under
from durability.workflow.series import list_series
from durability.workflow.session import Session
from durability.workflow.study import open_study

if TYPE_CHECKING:
    from durability.record.records import FloatArray, PulseMeasures
    from durability.store.waveforms import KeptMeasures


def show_drop(session: Session, series: str, drop_number: int) -> dict[str, Any]:
    """Everything that went into one drop, and all that was measured from it.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    drop_number : int
        Which drop.

    Returns
    -------
    dict
        ``drop``: conditions, specimens, sensor, source; ``waveform``: how it was read, or None;
        ``measures``: a list of KeptMeasures, the latest first; ``uncertainty`` of each reading on
        record, None where it was not evaluated; ``damage`` and ``amendments``.

    Raises
    ------
    RecordRefused
        No such drop.
    """
    with database.reading(session.record) as connection:
        drop_id = find_drop(connection, series, drop_number)["drop_id"]
        waveform: dict[str, Any] | None = None
        measures: list[KeptMeasures] = []
        if bench.fetch(connection, "find_waveform", drop_id=drop_id):
            waveform = store.find_waveform(connection, series, drop_number, drop_id)
            del waveform["samples"]
            for told in ("inferred", "given"):
                waveform[told] = json.loads(waveform[told])
            measures = store.measures_of(connection, waveform["waveform_id"])
        drop = bench.fetch(connection, "drop_sheet", drop_id=drop_id)[0]
        return {
            "drop": drop,
            "waveform": waveform,
            "measures": measures,
            "uncertainty": _uncertainty(drop, measures[0].measures if measures else None),
            "damage": bench.fetch(
                connection, "damage_of_drop", series=series, drop_number=drop_number
            ),
            "amendments": bench.fetch(connection, "amendments_of_drop", drop_id=drop_id),
        }


def _uncertainty(
    drop: Mapping[str, Any], measures: PulseMeasures | None
) -> dict[str, float | None]:
    """Standard uncertainty of each reading on record; one set manually or typed has none."""
    evaluated = {
        "peak_g": "peak_uncertainty_g",
        "pulse_duration_ms": "pulse_duration_uncertainty_ms",
        "velocity_change_m_s": "velocity_change_uncertainty_m_s",
    }
    return {
        name: None
        if measures is None or getattr(measures, name) != drop[name]
        else getattr(measures, uncertainty)
        for name, uncertainty in evaluated.items()
        if drop[name] is not None
    }


def show_pulses(session: Session, series: str, drop_numbers: Sequence[int]) -> list[PulseTrace]:
    """Traces of drops, raw and filtered, from the baseline.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    drop_numbers : sequence of int
        Which drops.

    Returns
    -------
    list of PulseTrace
        In the order asked for.

    Raises
    ------
    RecordRefused
        No such drop, or it has no waveform.
    """
    with database.reading(session.record) as connection:
        return [_trace(connection, series, number) for number in dict.fromkeys(drop_numbers)]


def _trace(connection: Any, series: str, drop_number: int) -> PulseTrace:
    drop = find_drop(connection, series, drop_number)
    waveform = store.find_waveform(connection, series, drop_number, drop["drop_id"])
    measures = store.measures_of(connection, waveform["waveform_id"])[0].measures
    baseline_g = measures.baseline_before_g
    if baseline_g is None:
        baseline_g = measures.baseline_after_g or 0.0
    raw_g: FloatArray = (measures.polarity or 1) * (decode(waveform["samples"]) - baseline_g)
    rate_hz = measures.sample_rate_hz
    cutoff_hz = measures.low_pass.cutoff_hz if measures.low_pass else None
    return PulseTrace(
        series=series,
        drop_number=drop_number,
        time_ms=1000.0 * (np.arange(raw_g.size) / rate_hz - (measures.impact_start_s or 0.0)),
        raw_g=raw_g,
        filtered_g=raw_g if cutoff_hz is None else low_pass(raw_g, rate_hz, cutoff_hz),
        measures=measures,
        status=drop["status"],
        void_reason=drop["void_reason"],
        channel=waveform["channel"],
        file_name=waveform["file_name"],
        peak_g=drop["peak_g"],
    )


def show_spectrum(
    session: Session, series: str, drop_number: int, *, q: float = 10.0
) -> tuple[PulseTrace, ShockSpectrum]:
    """Shock response spectrum of a drop's unfiltered record, from the baseline.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    drop_number : int
        Which drop.
    q : float
        Amplification at resonance.

    Returns
    -------
    trace : PulseTrace
        The record.
    spectrum : ShockSpectrum
        Its spectrum.

    Raises
    ------
    RecordRefused
        No such drop, it has no waveform, or no impact in it.
    """
    from durability.pulse.spectrum import shock_response_spectrum

    (trace,) = show_pulses(session, series, [drop_number])
    if trace.measures.peak_g is None:
        raise RecordRefused(f"drop {drop_number} of series {series!r}: no impact in its record")
    return trace, shock_response_spectrum(trace.raw_g, trace.measures.sample_rate_hz, q=q)


def specimen_history(session: Session, code: str, under: Under | None = None) -> dict[str, Any]:
    """Everything that happened to one specimen, in time order; of a device its exposure too.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Its code.
    under : Under, optional
        Of the events that belong to a series only those of series under these conditions; doses
        and what else it has added up count them all.

    Returns
    -------
    dict
        specimen, kind, status, events; of a device ``exposure`` (doses under the literature's
        exponents, days from the last drop to the last inspection, intermittent functions) and
        ``quarantine``.

    Raises
    ------
    RecordRefused
        No such specimen, or no series is under such a condition.
    """
    found = _whole_history(session, code)
    if under is None or under == Under():
        return found
    series = {None, *(row["series"] for row in series_under(session, under))}
    return {**found, "events": [each for each in found["events"] if each["series"] in series]}


def _whole_history(session: Session, code: str) -> dict[str, Any]:
    with database.reading(session.record) as connection:
        if session.past is not None and not bench.fetch(connection, "find_specimen", code=code):
            return _not_yet(session, code)
        found = bench.find(connection, "specimen", code)
        events = bench.fetch(connection, "specimen_history", code=code)
        kept = quarantine.quarantines(connection, code)
        intermittent = intermittent_checks(connection, confirm_rules(connection), code)
        followed = [each for each, _ in followed_devices(connection) if each.device == code]
    told = {
        "specimen": code,
        "kind": found["kind"],
        "status": found["status"],
        "quarantine": kept[0] if kept else None,
        "exposure": None,
        "events": events,
    }
    if found["kind"] != "device":
        return told
    from durability.devices.study import LITERATURE_EXPONENT

    drops = [event for event in events if event["event"] == "drop"]
    looks = [event for event in events if event["event"] == "inspection"]
    recovery_h = {look.when.wall: followed[0].recovery_h(look.when) for look in followed[0].looks}
    for event in looks:
        event["hours_since_drop"] = recovery_h.get(event["happened_at"])
    dose = 0.0
    for event in drops:
        dose += ((event["peak_g"] or 0.0) / 1000.0) ** LITERATURE_EXPONENT
        event |= {"shock_dose_so_far": dose, "dose_exponent": LITERATURE_EXPONENT}
    doses = device_doses(read_device_histories(session), until_failed=False)[code]
    told["exposure"] = {
        "drops": len(drops),
        "drops_without_reading": sum(event["peak_g"] is None for event in drops),
        "doses": doses,
        "days_to_last_look": looks[-1]["days_since_drop"] if looks else None,
        "hours_to_last_look": looks[-1]["hours_since_drop"] if looks else None,
        "looked_at_before_first_drop": not followed[0].lacks_baseline,
        "intermittent": intermittent,
    }
    return told


def _not_yet(session: Session, code: str) -> dict[str, Any]:
    """A specimen that came into the record after the instant that is asked about."""
    with database.reading(session.store) as whole:
        found = bench.find(whole, "specimen", code)
    return {
        "specimen": code,
        "kind": found["kind"],
        "status": None,
        "quarantine": None,
        "exposure": None,
        "events": [],
    }


LAST_ENTRIES = 5


def status(session: Session, limit: Limit, rate: float | None = None) -> Status:
    """How the record stands today.

    Parameters
    ----------
    session : Session
        Store and person.
    limit : Limit
        When a case has failed.
    rate : float, optional
        False discovery rate at which alarms are named.

    Returns
    -------
    Status
    """
    rows = {row["series"]: row for row in list_series(session) if row["status"] == "open"}
    tested = [code for code, row in rows.items() if row["purpose"] == "test" and row["drops"]]
    found: list[OpenSeries] = []
    alarms: list[str] = []
    if tested:
        study = open_study(session, tested, limit=limit)
        lives = {each.series: each for each in study.forecasts if not each.is_bare}
        found = [
            OpenSeries(rows[each.series], each, lives.get(each.series), limit.horizon)
            for each in study.trends
        ]
        alarms = [] if rate is None else study.alarms_that_hold(rate)
    owed = due(session, None, 0)
    sensors = {row["sensor"] for row in rows.values()}
    with database.reading(session.record) as connection:
        known = bench.fetch(connection, "list_sensors")
        entries = bench.fetch(connection, "last_entries", number=LAST_ENTRIES)
    return Status(
        open_series=tuple(found),
        due=owed,
        rig=tuple(rig.watch(session)),
        overdue_sensors=tuple(
            row for row in known if row["sensor"] in sensors and _is_overdue(row, owed.on)
        ),
        last_entries=tuple(entries),
        rate=rate,
        alarms=tuple(alarms),
    )


def _is_overdue(sensor: Mapping[str, Any], on: date) -> bool:
    by: date | None = sensor["calibration_due"]
    return by is None or by < on
