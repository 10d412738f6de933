"""Sensors and their calibrations, as their certificates say, and what they mean for drops."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from durability.intake.hand_entry import typed_date, typed_value, typed_values
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.vocabulary import (
    AMPLITUDE_TOLERANCE_PCT,
    DRIFT_TOLERANCE_PCT,
    INTERVAL_CHANGE,
)
from durability.store import bench, database
from durability.workflow.session import Session, entry

Calibrations = Sequence[Mapping[str, Any]]
"""Those of one sensor that hold, the earliest first; its day may be None."""


def add_sensor(session: Session, code: str, values: Mapping[str, str | None]) -> None:
    """Add a shock accelerometer with what its certificate says.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Its code.
    values : mapping
        sensitivity_mv_per_g, full_scale_g, natural_frequency_hz, calibrated_on,
        calibration_due, note as typed.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The code is taken.
    """
    row = {
        "code": typed_value("sensor", code),
        **typed_values(
            values,
            (
                "sensitivity_mv_per_g",
                "full_scale_g",
                "natural_frequency_hz",
                "calibrated_on",
                "calibration_due",
                "note",
            ),
        ),
    }
    with entry(session, "sensor add", values) as (connection, entry_id):
        bench.refuse_taken(connection, "sensor", code)
        bench.run(connection, "add_sensor", **row, entry_id=entry_id)


def list_sensors(session: Session) -> list[dict[str, Any]]:
    """Sensors with what their certificates say."""
    with database.reading(session.record) as connection:
        return bench.fetch(connection, "list_sensors")


def add_calibration(
    session: Session, sensor: str, values: Mapping[str, str | None]
) -> dict[str, Any]:
    """Record a calibration of a sensor; readings stay as they are.

    Parameters
    ----------
    session : Session
        Store and person.
    sensor : str
        Its code.
    values : mapping
        calibrated_on, calibration_due, as_found_mv_per_g, as_left_mv_per_g, drift_tolerance_pct,
        certificate, laboratory, interval_reason, note, uncertainty_pct as typed; None where not
        given. ``at``: sensitivities at peaks of shock, each "G=MV_PER_G".

    Returns
    -------
    dict
        The calibration as it stands in the history, its drift included, and ``in_doubt``: the
        series with drops that it puts in doubt.

    Raises
    ------
    UnusableCall
        A value is out of its range, no sensitivity is given, or the interval changed without a
        reason.
    RecordRefused
        The sensor is unknown, or was calibrated on that day already.
    """
    row = typed_values(
        values,
        (
            "calibrated_on",
            "calibration_due",
            "as_found_mv_per_g",
            "as_left_mv_per_g",
            "drift_tolerance_pct",
            "certificate",
            "laboratory",
            "interval_reason",
            "note",
            "uncertainty_pct",
        ),
    )
    if row["as_left_mv_per_g"] is None:
        row["as_left_mv_per_g"] = row["as_found_mv_per_g"]
    if row["as_left_mv_per_g"] is None:
        raise UnusableCall(
            "--as-found-mv-per-g, --as-left-mv-per-g: both missing; give what the certificate says"
        )
    row["drift_tolerance_pct"] = row["drift_tolerance_pct"] or DRIFT_TOLERANCE_PCT
    on, due = (date.fromisoformat(str(row[name])) for name in ("calibrated_on", "calibration_due"))
    if due <= on:
        raise UnusableCall(f"--calibration-due {due}: not after the calibration of {on}")
    by_amplitude = dict(_at_amplitude(text) for text in values.get("at") or ())
    typed = {name: value for name, value in values.items() if name != "at"}
    with entry(session, "sensor calibrate", typed) as (connection, entry_id):
        sensor_id = bench.find(connection, "sensor", sensor)["sensor_id"]
        held = bench.fetch(connection, "calibrations_of_sensor", sensor=sensor)
        if any(each["calibrated_on"] == on and each["calibration_id"] for each in held):
            raise RecordRefused(
                f"sensor {sensor!r}: its calibration of {on} is on record; if that was entered in"
                f" error: durability sensor void {sensor} {on} --reason WHY"
            )
        _refuse_unreasoned_interval(held, on, (due - on).days, row["interval_reason"])
        key = bench.run(
            connection, "add_calibration", **row, sensor_id=sensor_id, entry_id=entry_id
        )
        for peak_g, mv_per_g in by_amplitude.items():
            bench.run(
                connection,
                "add_shock_sensitivity",
                calibration_id=key,
                peak_g=peak_g,
                mv_per_g=mv_per_g,
            )
        after = bench.fetch(connection, "calibrations_of_sensor", sensor=sensor)
        doubts = bench.fetch(connection, "drops_off_calibration", sensor=sensor)
    return {
        "sensor": sensor,
        **next(each for each in after if each["calibrated_on"] == on),
        "in_doubt": [
            each
            for each in doubts
            if (each["drift_pct"] is not None and each["next_calibrated_on"] == on)
            or (each["scaled_off_pct"] is not None and each["calibrated_on"] == on)
        ],
    }


def _at_amplitude(text: str) -> tuple[float, float]:
    peak, equals, sensitivity = text.partition("=")
    if not equals:
        raise UnusableCall(f"--at {text!r}: no '='; write PEAK=SENSITIVITY, like 500=0.503")
    return (
        float(typed_value("peak_g", peak, option="--at")),
        float(typed_value("as_left_mv_per_g", sensitivity, option="--at")),
    )


def mount_sensor(
    session: Session,
    series: str,
    mounting: str,
    from_drop: int | None,
    note: str | None,
    uncertainty_pct: str | None = None,
) -> dict[str, Any]:
    """Record how the sensor of a series was mounted, from its next drop or from the one named.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    mounting : str
        A word of ``MOUNTINGS``, or ``NOT_REMOUNTED`` to take back one entered in error.
    from_drop : int, optional
        First drop made with it.
    note : str, optional
        What else is known: torque, adhesive, place.
    uncertainty_pct : str, optional
        That it brings to a reading, expanded by a factor of 2, as typed.

    Returns
    -------
    dict
        series, mounting, from_drop, uncertainty_pct as stored.

    Raises
    ------
    UnusableCall
        The drop is not one of the series, nor its next.
    RecordRefused
        The series is unknown.
    """
    uncertainty = typed_values({"uncertainty_pct": uncertainty_pct}, ("uncertainty_pct",))
    with entry(session, "sensor mount") as (connection, entry_id):
        series_id = bench.find(connection, "series", series)["series_id"]
        coming = bench.run(connection, "last_drop_number", series_id=series_id) + 1
        first = coming if from_drop is None else from_drop
        if not 1 <= first <= coming:
            raise UnusableCall(f"--from-drop {first}: give a drop of {series} from 1 to {coming}")
        bench.run(
            connection,
            "add_mounting",
            series_id=series_id,
            from_drop_number=first,
            mounting=mounting,
            note=note,
            **uncertainty,
            entry_id=entry_id,
        )
    return {"series": series, "mounting": mounting, "from_drop": first, **uncertainty}


def _refuse_unreasoned_interval(
    held: Calibrations, on: date, days: int, reason: str | float | None
) -> None:
    before = [
        each["interval_days"]
        for each in held
        if each["interval_days"] and each["calibrated_on"] < on
    ]
    if reason or not before or abs(days / before[-1] - 1.0) <= INTERVAL_CHANGE:
        return
    raise UnusableCall(
        f"--interval-reason: missing; the interval changes from {before[-1]} to {days} days, so say"
        " why"
    )


def void_calibration(session: Session, sensor: str, calibrated_on: str, reason: str) -> None:
    """Void a calibration that was entered in error: kept, holds no longer.

    Parameters
    ----------
    session : Session
        Store and person.
    sensor : str
        Its code.
    calibrated_on : str
        Day of the calibration, as typed.
    reason : str
        What was wrong.

    Raises
    ------
    RecordRefused
        The sensor is unknown, or no calibration of that day holds.
    """
    on = typed_date(calibrated_on, option="DATE")
    with entry(session, "sensor void") as (connection, entry_id):
        bench.find(connection, "sensor", sensor)
        held = bench.fetch(connection, "calibrations_of_sensor", sensor=sensor)
        found = next((each for each in held if each["calibrated_on"] == on), None)
        if found is None:
            days = ", ".join(str(each["calibrated_on"]) for each in held if each["calibrated_on"])
            raise RecordRefused(
                f"sensor {sensor!r}: no calibration of {on} holds; it has {days or 'none'}"
            )
        if found["calibration_id"] is None:
            raise RecordRefused(
                f"sensor {sensor!r}: what it was added with stays; sensor calibrate with the same"
                " day takes its place"
            )
        bench.run(
            connection,
            "add_calibration_void",
            calibration_id=found["calibration_id"],
            reason=reason,
            entry_id=entry_id,
        )


def show_sensor(session: Session, sensor: str) -> dict[str, Any]:
    """One sensor with its calibrations and the drops that they put in doubt.

    Parameters
    ----------
    session : Session
        Store and person.
    sensor : str
        Its code.

    Returns
    -------
    dict
        Its row; ``calibrations``, the earliest first; ``in_doubt``: series with drops that a
        calibration puts in doubt; ``voided``: calibrations entered in error.

    Raises
    ------
    RecordRefused
        The sensor is unknown.
    """
    with database.reading(session.record) as connection:
        found = bench.find(connection, "sensor", sensor)
        del found["sensor_id"]
        return {
            **found,
            "calibrations": bench.fetch(connection, "calibrations_of_sensor", sensor=sensor),
            "in_doubt": bench.fetch(connection, "drops_off_calibration", sensor=sensor),
            "voided": bench.fetch(connection, "voided_calibrations", sensor=sensor),
        }


# ------------------------------------------------------------------------- as drops ask for them


def calibration_on(calibrations: Calibrations, day: date) -> Mapping[str, Any] | None:
    """The calibration that held on a day; before the first on record, the first.

    Parameters
    ----------
    calibrations : Calibrations
        Of the sensor.
    day : date
        Of the drop.

    Returns
    -------
    mapping or None
        None when the sensor has none.
    """
    held = None
    for each in calibrations:
        if held is None or each["calibrated_on"] <= day:
            held = each
    return held


def calibration_notes(
    sensor: str, calibrations: Calibrations, day: date, *, is_dated: bool
) -> tuple[str, ...]:
    """What the calibrations of a sensor say against a drop, without voiding it.

    Parameters
    ----------
    sensor : str
        Its code.
    calibrations : Calibrations
        Of the sensor.
    day : date
        Of the drop.
    is_dated : bool
        Whether the drop has a date; else ``day`` is that of its entry.
    """
    held = calibration_on(calibrations, day)
    if held is None:
        return ()
    said = []
    due, on = held["calibration_due"], held["calibrated_on"]
    if due is not None and day > due:
        when = f"and the drop was made on {day}" if is_dated else "and the drop has no date"
        said.append(f"calibration of sensor {sensor} overdue: it was due on {due}, {when}")
    if on is not None and day < on:
        said.append(
            f"no calibration of sensor {sensor} on record for {day}: the one of {on} was taken"
        )
    drift_pct = held["next_drift_pct"]
    if drift_pct is not None and abs(drift_pct) > held["next_tolerance_pct"]:
        said.append(
            f"sensor {sensor} found drifted: by {drift_pct:+.3g} % on {held['next_calibrated_on']},"
            f" so the reading may be too {'high' if drift_pct > 0 else 'low'} by up to that"
        )
    return tuple(said)


def amplitude_notes(
    sensor: str, calibrations: Calibrations, day: date, peak_g: float | None
) -> tuple[str, ...]:
    """What sensitivities by amplitude (ISO 16063-22) say against a peak, without voiding it.

    Parameters
    ----------
    sensor : str
        Its code.
    calibrations : Calibrations
        Of the sensor.
    day : date
        Of the drop.
    peak_g : float or None
        Of the drop.
    """
    import numpy as np

    held = calibration_on(calibrations, day)
    known = held["by_amplitude"] if held else None
    if not known or peak_g is None:
        return ()
    peaks = [each["peak_g"] for each in known]
    if not peaks[0] <= peak_g <= peaks[-1]:
        return (
            f"peak outside the shocks at which sensor {sensor} was calibrated, {peaks[0]:g} to"
            f" {peaks[-1]:g} g",
        )
    off_pct = float(np.interp(peak_g, peaks, [each["off_pct"] for each in known]))
    if abs(off_pct) <= AMPLITUDE_TOLERANCE_PCT:
        return ()
    return (
        f"sensor {sensor} at this amplitude: sensitivity {off_pct:+.2g} % off the"
        f" one that scales it, so the peak reads too {'high' if off_pct > 0 else 'low'} by that",
    )
