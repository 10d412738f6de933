"""Sensors and their calibrations: what held when, how far each drifted, which drops it doubts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.blocks import Block, Column, Columns, Preformatted, Words

CHART_WIDTH = 57
"""Odd, so that no drift has a column; beside its days within 80 columns."""


def acknowledged(stored: Mapping[str, Any]) -> str:
    """What is said of a calibration that was stored."""
    words = (
        f"calibration of {stored['sensor']} on {labels.moment(stored['calibrated_on'])} stored:"
        f" {stored['as_left_mv_per_g']:g} mV/g from then on, due on"
        f" {labels.moment(stored['calibration_due'])}"
    )
    return f"{words}\n{_drift_words(stored)}"


def _drift_words(told: Mapping[str, Any]) -> str:
    if told["as_found_mv_per_g"] is None:
        return "as found: not recorded, so what it did to the drops before is not known"
    found = f"as found {told['as_found_mv_per_g']:g} mV/g"
    if told["drift_pct"] is None:
        return f"{found}: the first sensitivity on record"
    kept = abs(told["drift_pct"]) <= told["drift_tolerance_pct"]
    return (
        f"{found}: {labels.percent(told['drift_pct'])} % since"
        f" {_since(told['calibrated_before_on'])}, {'within' if kept else 'BEYOND'} the"
        f" tolerance of {told['drift_tolerance_pct']:g} %"
    )


def doubt_lines(in_doubt: Sequence[Mapping[str, Any]]) -> list[str]:
    """Which drops the calibrations put in doubt, and by how many percent.

    Parameters
    ----------
    in_doubt : sequence of mapping
        One a series, in order of the calibrations.
    """

    def cause(row: Mapping[str, Any]) -> tuple[str, ...]:
        said = []
        if row["drift_pct"] is not None:
            since = "" if row["is_first"] else f" since {labels.moment(row['calibrated_on'])}"
            said.append(
                f"found drifted on {labels.moment(row['next_calibrated_on'])} (tolerance"
                f" {row['drift_tolerance_pct']:g} %): drops before that{since} may read up to"
                f" {_too(row['drift_pct'])}"
            )
        if row["scaled_off_pct"] is not None:
            said.append(
                f"scaled by {row['applied_mv_per_g']:g} mV/g where {row['as_left_mv_per_g']:g} mV/g"
                f" held (calibrated on {labels.moment(row['calibrated_on'])}), so they read"
                f" {_too(row['scaled_off_pct'])}"
            )
        return tuple(said)

    lines = []
    for said, rows in groupby(in_doubt, key=cause):
        where = labels.some(f"{row['series']} {_numbers(row)}" for row in rows)
        lines += [f"{words}: {where}. Nothing is rescaled." for words in said]
    return lines


def _numbers(row: Mapping[str, Any]) -> str:
    first, last, drops = row["first_drop"], row["last_drop"], row["drops"]
    if drops == 1:
        return f"drop {first}"
    span = f"drops {first} to {last}"
    return span if drops == last - first + 1 else f"{span}, {drops} of them"


def _since(day: Any) -> str:
    return "it was added" if day is None else labels.moment(day)


def _too(off_pct: float) -> str:
    return f"{abs(off_pct):.2g} % too {'high' if off_pct > 0 else 'low'}"


SENSORS = Columns[Mapping[str, Any]](
    "Sensors, with their latest calibration",
    Column("sensor", "sensor"),
    Column("mV/g", "sensitivity_mv_per_g", right=True),
    Column("full scale, g", "full_scale_g", right=True),
    Column("natural frequency, Hz", "natural_frequency_hz", right=True, wide=True),
    Column("calibrated", "calibrated_on"),
    Column("due", "calibration_due"),
    Column(
        "drift found, %",
        lambda row: labels.percent(row.get("drift_pct")),
        right=True,
        wide=True,
    ),
    Column("series", "series", right=True),
    Column("drops", "drops", right=True, wide=True),
    Column("drops after it was due", "drops_after_due", right=True, wide=True),
    Column("drops before a drift beyond tolerance", "drops_drifted", right=True, wide=True),
    act=lambda row: bool(row.get("drops_open") or row.get("drops_drifted")),
    is_sparse=True,
)

CALIBRATIONS = Columns[Mapping[str, Any]](
    "",
    Column("calibrated", "calibrated_on"),
    Column("due", "calibration_due"),
    Column("days", lambda each: _interval(each), right=True),
    Column("found, mV/g", lambda each: _mv(each["as_found_mv_per_g"]), right=True),
    Column("left, mV/g", lambda each: _mv(each["as_left_mv_per_g"]), right=True),
    Column("drift, %", lambda each: labels.percent(each["drift_pct"]), right=True),
)


def sensors(used: Sequence[Mapping[str, Any]]) -> Iterator[Block]:
    """Sensors with which drops were made."""
    if used:
        yield SENSORS.table(used, "durability query drops_of_doubted_sensors")
    else:
        yield Words("No sensor is recorded with these drops.")


def blocks(found: Mapping[str, Any]) -> Iterator[Block]:
    """A sensor with its calibrations, their drift as a chart, and the drops in doubt."""
    calibrations = found["calibrations"]
    facts = [f"sensor {found['sensor']}"]
    if found["full_scale_g"]:
        facts.append(f"full scale {found['full_scale_g']:g} g")
    if found["natural_frequency_hz"]:
        facts.append(f"natural frequency {found['natural_frequency_hz']:g} Hz")
    facts.append(counted(len(calibrations), "calibration"))
    if found["note"]:
        facts.append(found["note"])
    yield Words(labels.listed(facts))
    if calibrations:
        yield CALIBRATIONS.table(calibrations)
    yield from map(Words, _remarks(calibrations))
    chart = drift_chart(calibrations)
    if chart:
        yield Preformatted("\n".join(chart))
    for line in doubt_lines(found["in_doubt"]):
        yield Words(f"! {line}")
    if found["in_doubt"]:
        yield Words(
            f"Each drop: durability query drops_of_doubted_sensors --set sensor={found['sensor']}"
        )
    for each in found["voided"]:
        yield Words(
            f"void: calibration of {labels.moment(each['calibrated_on'])}, left"
            f" {_mv(each['as_left_mv_per_g'])} mV/g: {each['reason']} ({each['voided_by']})"
        )


def _mv(value: float | None) -> str:
    return labels.ABSENT if value is None else f"{value:.5g}"


def _interval(each: Mapping[str, Any]) -> str:
    before, days = each["interval_days_before"], each["interval_days"]
    if days is None:
        return labels.ABSENT
    changed = before is not None and before != days and each["interval_reason"]
    return f"{before}→{days}" if changed else str(days)


def _remarks(calibrations: Sequence[Mapping[str, Any]]) -> list[str]:
    """What a certificate says beside its numbers, and why an interval changed."""
    lines = []
    for each in calibrations:
        parts = (
            each["certificate"] and f"certificate {each['certificate']}",
            each["laboratory"] and f"by {each['laboratory']}",
            each["interval_reason"] and f"interval: {each['interval_reason']}",
            each["note"],
        )
        if any(parts):
            said = "; ".join(part for part in parts if part)
            lines.append(f"{labels.moment(each['calibrated_on'])}: {said}")
    return lines


def drift_chart(calibrations: Sequence[Mapping[str, Any]]) -> list[str]:
    """Drift from calibration to calibration as text: one line each, percent to the right.

    Parameters
    ----------
    calibrations : sequence of mapping
        The earliest first.

    Returns
    -------
    list of str
        "o" the drift, "X" one beyond its tolerance, ":" the tolerance, "|" none at all; nothing
        without a drift.
    """
    known = [each for each in calibrations if each["drift_pct"] is not None]
    if not known:
        return []
    widest = max(max(abs(each["drift_pct"]), each["drift_tolerance_pct"]) for each in known)
    reach, middle = 1.15 * float(widest), CHART_WIDTH // 2

    def place(drift_pct: float) -> int:
        return middle + round(drift_pct / reach * middle)

    left, right = f"-{labels.number(reach, 2)} %", f"+{labels.number(reach, 2)} %"
    scale = f"{left:<{middle}}0{right:>{middle}}"
    lines = ["Drift since the calibration before; : the tolerance", f"{'':12}{scale}"]
    for each in known:
        row = [" "] * CHART_WIDTH
        tolerance = each["drift_tolerance_pct"]
        for edge in (-tolerance, tolerance):
            row[place(edge)] = ":"
        row[middle] = "|"
        row[place(each["drift_pct"])] = "X" if abs(each["drift_pct"]) > tolerance else "o"
        lines.append(f"{labels.moment(each['calibrated_on'])}  {''.join(row).rstrip()}")
    return lines
