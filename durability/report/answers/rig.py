"""The rig's own health: reference drops, gauge study, calibrations of its sensors."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.record.basis import counted
from durability.record.vocabulary import NOT_REMOUNTED
from durability.report import bench, labels
from durability.report.blocks import Block, Column, Columns, Items, Preformatted, Words

if TYPE_CHECKING:
    from durability.record.records import FloatArray
    from durability.rig.results import GaugeStudy, RigWatch, VarianceComponent

CHART_WIDTH = 60
CHART_ROWS = 5

NO_REFERENCE = (
    "No series of reference drops: whether the rig itself drifted is not known. Drop the same dummy"
    " on the same unchanging pad now and then, in a series opened with: durability series open NAME"
    " --device D --purpose reference"
)


def json(watched: Sequence[RigWatch]) -> dict[str, Any]:
    """Object of ``rig --json``; places on a time axis as ISO times of the bench clock."""
    return {"reference_series": [_plain(each) for each in watched]}


def _plain(watched: RigWatch) -> dict[str, Any]:
    plain = asdict(watched)
    health = plain["health"]
    for name in ("signal_when", "since", "since_lower", "since_upper"):
        health[name] = _place(watched, health[name])
    for name in ("chart_when", "odd_drops"):
        health[name] = [_place(watched, float(each)) for each in health[name]]
    plain["last_when"] = _place(watched, watched.last_when)
    plain["charted_when"] = [_place(watched, float(each)) for each in watched.charted_when]
    return plain


def _place(watched: RigWatch, value: float | None) -> str | float | None:
    if value is None or watched.axis != "time":
        return value
    return bench.moment(value)


def sentence(watched: RigWatch) -> str:
    """Verdict on the rig by one reference series."""
    health = watched.health
    if health.verdict == "too few":
        return f"{watched.series}: too few to say: {health.basis}"
    rests = counted(watched.drops, "reference drop")
    if watched.sessions is not None:
        rests += f" in {counted(watched.sessions, 'session')}"
    last = bench.when(watched, watched.last_when)
    if health.verdict == "in control":
        return f"{watched.series}: in control: {rests}, the last {last}"
    return (
        f"{watched.series}: DRIFTED since {bench.when(watched, health.since)}"
        f" ({labels.share(health.level)}: {bench.when(watched, health.since_lower)} to"
        f" {bench.when(watched, health.since_upper)}): the rig now reads"
        f" {bench.drift(watched)}; first signalled {bench.when(watched, health.signal_when)} by"
        f" {' and '.join(health.signal_by)};"
        f" {rests}, the last {last}"
    )


def in_short(watched: RigWatch) -> str:
    """The same in a line: a drift by its size, and what says more of it."""
    if watched.health.verdict != "drifted":
        return f"{sentence(watched)}."
    since = bench.when(watched, watched.health.since)
    return f"{watched.series}: DRIFTED since {since} by {bench.drift(watched)}: durability rig."


def blocks(watched: Sequence[RigWatch]) -> Iterator[Block]:
    """Each reference series with its charts in letters."""
    if not watched:
        yield Words(NO_REFERENCE)
    for each in watched:
        yield from of_series(each, _charts(each))


def of_series(watched: RigWatch, charts: Iterable[Block]) -> Iterator[Block]:
    """Verdict, charts, what was recorded meanwhile and what it rests on.

    Parameters
    ----------
    watched : RigWatch
        One reference series.
    charts : iterable of Block
        Its control charts, as a terminal or a page can show them.
    """
    health = watched.health
    yield Words(sentence(watched))
    yield from charts
    if health.odd_drops:
        odd = labels.listed(bench.when(watched, each) for each in health.odd_drops)
        yield Words(f"Odd readings, held back in the charts: {odd}.")
    recorded = meanwhile(watched)
    if recorded:
        yield Items(recorded)
    for note in health.notes:
        yield Words(f"Note: {note}.", is_note=True)
    yield Words(f"Rests on: {health.basis}.", is_note=True)


def _charts(watched: RigWatch) -> Iterator[Block]:
    """Individuals, moving range, EWMA and CUSUM in letters; nothing while the drops are too few."""
    health = watched.health
    if health.individuals_g is None or health.ewma is None or health.cusum is None:
        return
    charted = "the mean of a session" if watched.averaged else "one drop"
    yield Words(
        f"charted: {charted}; target {labels.number(health.target_g, 4)} g, scatter"
        f" {labels.number(health.scatter_pct, 2)} %"
        + ("" if health.target_drops is None else f", both from the first {health.target_drops}")
    )
    chart = health.individuals_g
    yield Words(
        f"individuals, g: centre {labels.number(chart.centre, 4)}, limits"
        f" {labels.number(chart.lower, 4)} to {labels.number(chart.upper, 4)} (3 sigma by mean"
        " moving range / 1.128)"
    )
    yield Preformatted(plot(chart.reading, chart.lower, chart.upper, chart.centre))
    above = int(np.sum(chart.moving_range > chart.moving_range_upper))
    yield Words(
        f"moving range: mean {labels.number(chart.mean_moving_range)} g, upper limit"
        f" {labels.number(chart.moving_range_upper)} g (3.267 times it), {above} above;"
        " NIST/SEMATECH e-Handbook 6.3.2.2"
    )
    ewma = health.ewma
    yield Words(
        f"EWMA of scores, weight {ewma.weight:g}, limits {ewma.width:g} sigma, exact at each"
        f" point: {_signal(watched, ewma.signal)}; 6.3.2.4, Lucas and Saccucci 1990"
    )
    yield Preformatted(plot(ewma.average, ewma.lower, ewma.upper, 0.0))
    cusum = health.cusum
    yield Words(
        f"CUSUM of scores, two-sided, k {cusum.slack:g}, h {cusum.decision_interval:g}:"
        f" {_signal(watched, cusum.signal)}; 6.3.2.3"
    )
    larger = np.where(cusum.upper_sum >= cusum.lower_sum, cusum.upper_sum, -cusum.lower_sum)
    yield Preformatted(plot(larger, -cusum.decision_interval, cusum.decision_interval, 0.0))
    lengths = labels.listed(
        f"{labels.number(length)} at {shift:g} sigma" for shift, length in health.run_length.items()
    )
    yield Words(f"average drops to a signal of the CUSUM, target and scatter known: {lengths}")


def _signal(watched: RigWatch, signal: int | None) -> str:
    if signal is None:
        return "no signal"
    return f"signals {bench.when(watched, float(watched.health.chart_when[signal]))}"


def meanwhile(watched: RigWatch) -> list[str]:
    """What was recorded since the rig began to drift, in sentences."""
    if watched.health.since is None:
        return []
    if watched.axis != "time":
        return ["reference drops have no times, so what was recorded meanwhile is not known"]
    if not watched.meanwhile:
        return ["recorded since then: no test series"]
    lines = []
    across = [each.series for each in watched.meanwhile if each.begun_before]
    whole = [each.series for each in watched.meanwhile if not each.begun_before]
    if across:
        lines.append(f"recorded across the beginning of the drift: {labels.listed(across)}")
    if whole:
        lines.append(f"recorded wholly on the drifted rig: {labels.listed(whole)}")
    lines.append("their answers with the drift divided out: --rig-corrected (trend, forecast)")
    return lines


def plot(values: FloatArray, lower: Any, upper: Any, centre: float) -> str:
    """A control chart as a few rows of text.

    Parameters
    ----------
    values : ndarray of shape (n,)
        In order.
    lower, upper : float or ndarray of shape (n,)
        Limits.
    centre : float
        Centre line.

    Returns
    -------
    str
        "o" inside, "#" outside the limits, "=" the limits, "-" the centre.
    """
    values = np.asarray(values, dtype=float)[-CHART_WIDTH:]
    low_limit = np.broadcast_to(np.asarray(lower, dtype=float), (max(np.size(lower), len(values)),))
    high_limit = np.broadcast_to(
        np.asarray(upper, dtype=float), (max(np.size(upper), len(values)),)
    )
    low_limit, high_limit = low_limit[-len(values) :], high_limit[-len(values) :]
    low = min(float(values.min()), float(low_limit.min()))
    high = max(float(values.max()), float(high_limit.max()))
    span = (high - low) or 1.0

    def row(value: float) -> int:
        return round((high - value) / span * (CHART_ROWS - 1))

    step = max(1, min(3, CHART_WIDTH // len(values)))
    field = [[" "] * (len(values) * step) for _ in range(CHART_ROWS)]
    for at in range(len(values)):
        for column in range(at * step, (at + 1) * step):
            field[row(centre)][column] = "-"
            field[row(float(low_limit[at]))][column] = "="
            field[row(float(high_limit[at]))][column] = "="
    for at, value in enumerate(values):
        inside = low_limit[at] <= value <= high_limit[at]
        field[row(float(value))][at * step] = "o" if inside else "#"
    return "\n".join(
        f"{labels.number(high - span * at / (CHART_ROWS - 1)) if span else '':>9} |"
        f"{''.join(cells).rstrip()}"
        for at, cells in enumerate(field)
    )


def gauge_json(study: GaugeStudy, part_words: str) -> dict[str, Any]:
    """Object of ``rig --gauge --json``."""
    return {**asdict(study), "part": part_words}


def _percent_sd(log_sd: float | None) -> str:
    return labels.ABSENT if log_sd is None else labels.number(100.0 * log_sd, 2)


COMPONENTS: Columns[VarianceComponent] = Columns(
    "",
    Column("component", "name"),
    Column("levels", "levels", right=True),
    Column("sd, %", lambda each: _percent_sd(each.sd), right=True),
    Column("interval", lambda each: _interval(each.lower, each.upper)),
    Column("% of variance", lambda each: labels.number(each.pct_contribution), right=True),
    Column("% of study", lambda each: labels.number(each.pct_study_variation), right=True),
)


def _interval(lower: float, upper: float | None) -> str:
    return f"{_percent_sd(lower)} to {'..' if upper is None else _percent_sd(upper)}"


def gauge(study: GaugeStudy, part_words: str) -> Iterator[Block]:
    """Repeatability and reproducibility with their share of study variation."""
    level = labels.share(study.level)
    scatter = (
        f"Gauge scatter {_percent_sd(study.gauge_sd)} % of peak g"
        f" ({level}: {_percent_sd(study.gauge_lower)} to"
        f" {'no upper limit' if study.gauge_upper is None else _percent_sd(study.gauge_upper)})"
    )
    if study.gauge_pct_study_variation is not None:
        scatter += (
            f", {labels.number(study.gauge_pct_study_variation)} % of study variation:"
            f" {study.verdict}"
        )
    yield Words(f"{scatter}.")
    yield replace(COMPONENTS.table(study.components), caption=f"Components, {level} intervals")
    yield Words(
        f"repeatability {_percent_sd(study.repeatability_sd)} %, reproducibility"
        f" {_percent_sd(study.reproducibility_sd)} %; {part_words}"
    )
    if any(each.name == "site" for each in study.components):
        yield Words(
            "Between labs (ISO 5725-2): repeatability s_r"
            f" {_percent_sd(study.repeatability_sd)} %, reproducibility s_R"
            f" {_percent_sd(study.gauge_sd)} % of peak g, all factors counted"
        )
    if study.distinct_categories is not None:
        yield Words(
            f"distinct categories: {labels.number(study.distinct_categories, 2)} (1.41 x part /"
            " gauge); below 10 % of study variation good, up to 30 % conditional (AIAG MSA)"
        )
    for note in study.notes:
        yield Words(f"note: {note}")
    yield Words(f"rests on: {study.basis}; restricted maximum likelihood, limits by profile")


CALIBRATION_CHART_WIDTH = 57
"""Odd, so that no drift has a column; beside its days within 80 columns."""


def acknowledged(stored: Mapping[str, Any]) -> str:
    """What is said of a calibration that was stored."""
    words = (
        f"calibration of {stored['sensor']} on {labels.moment(stored['calibrated_on'])} stored:"
        f" {stored['as_left_mv_per_g']:g} mV/g from then on, due on"
        f" {labels.moment(stored['calibration_due'])}"
    )
    return f"{words}\n{_drift_words(stored)}"


def _drift_words(row: Mapping[str, Any]) -> str:
    if row["as_found_mv_per_g"] is None:
        return "as found: not recorded, so what it did to the drops before is not known"
    found = f"as found {row['as_found_mv_per_g']:g} mV/g"
    if row["drift_pct"] is None:
        return f"{found}: the first sensitivity on record"
    kept = abs(row["drift_pct"]) <= row["drift_tolerance_pct"]
    return (
        f"{found}: {labels.percent(row['drift_pct'])} % since"
        f" {_since(row['calibrated_before_on'])}, {'within' if kept else 'BEYOND'} the"
        f" tolerance of {row['drift_tolerance_pct']:g} %"
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
    Column("interval, days", lambda each: _calibration_interval(each), right=True),
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


BY_AMPLITUDE = Columns[Mapping[str, Any]](
    "",
    Column("peak, g", "peak_g", right=True),
    Column("mV/g", lambda each: _mv(each["mv_per_g"]), right=True),
    Column("off, %", lambda each: labels.percent(each["off_pct"]), right=True),
)


def _by_amplitude(calibration: Mapping[str, Any]) -> Iterator[Block]:
    if calibration["by_amplitude"]:
        day = labels.moment(calibration["calibrated_on"])
        yield Words(f"Sensitivity by shock amplitude (ISO 16063-22), calibration of {day}:")
        yield BY_AMPLITUDE.table(calibration["by_amplitude"])


def mounted(stored: Mapping[str, Any]) -> str:
    """What is said of a mounting that was stored."""
    words = f"sensor of {stored['series']}: {stored['mounting']} from drop {stored['from_drop']}"
    if stored["mounting"] == NOT_REMOUNTED or stored["from_drop"] == 1:
        return words
    return (
        f"{words}; trend says what changes without the drops before (mounted so from the start?"
        f" --from-drop 1, and --as unchanged --from-drop {stored['from_drop']})"
    )


def calibration_blocks(found: Mapping[str, Any]) -> Iterator[Block]:
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
        for each in calibrations:
            if each["uncertainty_pct"] is not None:
                yield Words(
                    f"{labels.moment(each['calibrated_on'])}: expanded uncertainty of a reading"
                    f" {labels.number(each['uncertainty_pct'])} % (k = 2)"
                )
        for each in calibrations:
            yield from _by_amplitude(each)
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


def _calibration_interval(each: Mapping[str, Any]) -> str:
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
    reach, middle = 1.15 * float(widest), CALIBRATION_CHART_WIDTH // 2

    def place(drift_pct: float) -> int:
        return middle + round(drift_pct / reach * middle)

    left, right = f"-{labels.number(reach, 2)} %", f"+{labels.number(reach, 2)} %"
    scale = f"{left:<{middle}}0{right:>{middle}}"
    lines = ["Drift since the calibration before; : the tolerance", f"{'':12}{scale}"]
    for each in known:
        row = [" "] * CALIBRATION_CHART_WIDTH
        tolerance = each["drift_tolerance_pct"]
        for edge in (-tolerance, tolerance):
            row[place(edge)] = ":"
        row[middle] = "|"
        row[place(each["drift_pct"])] = "X" if abs(each["drift_pct"]) > tolerance else "o"
        lines.append(f"{labels.moment(each['calibrated_on'])}  {''.join(row).rstrip()}")
    return lines
