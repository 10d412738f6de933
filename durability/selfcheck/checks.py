"""Each table of ``published_values.toml`` run through the functions that the commands use."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.record.records import DeviceHistory
from durability.selfcheck.results import PublishedValue

if TYPE_CHECKING:
    from durability.record.records import FloatArray

Table = Mapping[str, Any]
Found = tuple[str, str, float, float, float]
"""Quantity, unit, expected, found, tolerance."""

_PER_BASE = 250
"""Samples over the base of a pulse, the first and last half a step from its ends: so the integral
of a saw-tooth is not a step too long."""

SHAPES: dict[str, Callable[[Any], Any]] = {
    "half-sine": lambda x: np.sin(np.pi * x),
    "haversine": lambda x: np.sin(np.pi * x) ** 2,
    "saw-tooth": lambda x: x,
    "trapezoid": lambda x: np.minimum(1.0, 10.0 * np.minimum(x, 1.0 - x)),
}
"""Pulses of height 1 over the base from 0 to 1; the trapezoid rises and falls in a tenth."""


@cache
def check_published_values() -> tuple[PublishedValue, ...]:
    """Every shipped published value held against what this program gives; worked out once a run.

    Returns
    -------
    tuple of PublishedValue
        In the order of ``published_values.toml``.
    """
    tables = tomllib.loads(
        Path(__file__).with_name("published_values.toml").read_text(encoding="utf-8")
    )
    return tuple(
        PublishedValue(table["part"], *found, source=table["source"])
        for name, table in tables.items()
        for found in _CHECKS[name](table)
    )


def _pulse(shape: str, peak_g: float, base_ms: float) -> tuple[FloatArray, float]:
    """A pulse with quiet before and after it, and its sample rate."""
    place = (np.arange(-2 * _PER_BASE, 3 * _PER_BASE) + 0.5) / _PER_BASE
    inside = (place > 0) & (place < 1)
    record_g = np.zeros(len(place))
    record_g[inside] = peak_g * SHAPES[shape](place[inside])
    return record_g, _PER_BASE * 1000.0 / base_ms


def _pulse_shapes(table: Table) -> Iterator[Found]:
    from durability.pulse.measure import measure_pulse

    for shape, over_base in table["rows"]:
        expected = over_base * table["base_ms"]
        measured = measure_pulse(*_pulse(shape, table["peak_g"], table["base_ms"]))
        yield (
            f"pulse duration of a {shape}, base {table['base_ms']:g} ms",
            "ms",
            expected,
            _number(measured.pulse_duration_ms),
            table["within"] * expected,
        )


def _severities(table: Table) -> Iterator[Found]:
    from durability.pulse.measure import measure_pulse

    for peak_g, base_ms, *changes in table["rows"]:
        for shape, expected in zip(("half-sine", "saw-tooth", "trapezoid"), changes, strict=True):
            measured = measure_pulse(*_pulse(shape, peak_g, base_ms))
            yield (
                f"velocity change of a {shape}, {peak_g:g} g, {base_ms:g} ms",
                "m/s",
                expected,
                _number(measured.velocity_change_m_s),
                table["within"] * expected,
            )


def _channel_class(table: Table) -> Iterator[Found]:
    """The published recursion, forward and back over an impulse, against the program's filter."""
    from durability.pulse.low_pass import CLASS_TO_CUTOFF, low_pass

    for sample_rate_hz, channel_class, a0, b1, b2 in table["rows"]:
        impulse = np.zeros(2001)
        impulse[1000] = 1.0
        passes = impulse
        for _ in range(2):
            passes = _recursion(passes, a0, b1, b2)[::-1]
        cutoff_hz = CLASS_TO_CUTOFF["SAE J211-1"] * channel_class
        ours = low_pass(impulse, float(sample_rate_hz), cutoff_hz)
        yield (
            f"impulse through class {channel_class} at {sample_rate_hz} Hz, at its centre",
            "1",
            float(passes[1000]),
            float(ours[1000]),
            table["within"] * float(passes[1000]),
        )


def _recursion(x: FloatArray, a0: float, b1: float, b2: float) -> FloatArray:
    y = np.zeros(len(x))
    for n in range(2, len(x)):
        y[n] = a0 * (x[n] + 2.0 * x[n - 1] + x[n - 2]) + b1 * y[n - 1] + b2 * y[n - 2]
    return y


def _spectrum(table: Table) -> Iterator[Found]:
    from durability.pulse.spectrum import shock_response_spectrum

    rate, base_s = table["sample_rate_hz"], table["base_ms"] / 1000.0
    time_s = np.arange(round(base_s * rate) + 1) / rate
    frequency, expected = np.array(table["rows"], dtype=float).T
    spectrum = shock_response_spectrum(
        table["peak_g"] * np.sin(np.pi * time_s / base_s), rate, frequency
    )
    for f, g, found in zip(frequency, expected, spectrum.absolute_acceleration_g, strict=True):
        yield f"maximax response at {f:g} Hz", "g", float(g), float(found), table["within"]


def _mann_kendall(table: Table) -> Iterator[Found]:
    from durability.wear.kendall import mann_kendall

    for drops, s, probability in table["rows"]:
        found = mann_kendall([_order_with(drops, s)])
        same_s = int(found.s[0]) == s
        yield (
            f"P(S >= {s}) of {drops} drops",
            "1",
            probability,
            float(found.p_rise[0]) if same_s else float("nan"),
            table["within"],
        )


def _order_with(drops: int, s: int) -> list[float]:
    """Readings 1 to n in an order whose S is ``s``: the last ones moved to the front."""
    falls = (drops * (drops - 1) // 2 - s) // 2
    order = list(range(1, drops + 1))
    for place in range(drops - 1, 0, -1):
        steps = min(falls, place)
        order.insert(place - steps, order.pop(place))
        falls -= steps
    return [float(value) for value in order]


def _theil_sen(table: Table) -> Iterator[Found]:
    from durability.wear.kendall import mann_kendall, theil_sen

    readings, within = [table["readings"]], table["within"]
    number = np.arange(1, len(table["readings"]) + 1)
    yield "S of the ratios", "1", table["S"], float(mann_kendall(readings).s[0]), 0.0
    slope = theil_sen(number, readings)
    yield "slope of the ratios", "per year", table["slope"], float(slope.slope[0]), within
    for content, lower, upper in table["intervals"]:
        found = theil_sen(number, readings, content)
        least = f"limit at {100 * content:.0f} % or more"
        yield f"lower {least}", "per year", lower, float(found.lower[0]), within
        yield f"upper {least}", "per year", upper, float(found.upper[0]), within


def _weibull(table: Table) -> Iterator[Found]:
    from durability.life.parametric import WeibullLife

    lives = [(hours, hours) for hours in table["failed_h"]]
    lives += [(table["censored_h"], np.inf)] * table["censored"]
    life = WeibullLife().fit(np.array(lives, dtype=float))
    yield "Weibull scale", "h", table["scale_h"], life.scale_, table["scale_within"]
    yield "Weibull shape", "1", table["shape"], life.shape_, table["shape_within"]
    yield (
        "log-likelihood",
        "1",
        table["log_likelihood"],
        life.log_likelihood_,
        table["log_likelihood_within"],
    )


def _turnbull(table: Table) -> Iterator[Found]:
    from durability.life.turnbull import TurnbullLife

    lives = [(after, by or np.inf) for after, by in table["lives"]]
    curve = TurnbullLife().fit(np.array(lives, dtype=float))
    found = {
        (int(after), int(by)): float(mass)
        for (after, by), mass in zip(curve.intervals_, curve.mass_, strict=True)
    }
    for after, by, mass in table["masses"]:
        yield (
            f"share failing in month ({after}, {by}]",
            "1",
            mass,
            found.get((after, by), float("nan")),
            table["within"],
        )


def _success_run(table: Table) -> Iterator[Found]:
    from durability.plan.reliability import success_run_cases

    for confidence, reliability, cases in table["rows"]:
        found = success_run_cases(reliability, confidence)
        words = f"cases without a failure for {reliability:g} at confidence {confidence:g}"
        yield words, "cases", cases, float(found), 0.0


def _ewma(table: Table) -> Iterator[Found]:
    from durability.rig.charts import ewma_chart

    chart = ewma_chart(
        np.array(table["readings"]),
        table["target"],
        table["scatter"],
        weight=table["weight"],
        width=table["width"],
    )
    # The handbook gives the limits that the chart tends to; 20 points come within 1e-6 of them.
    yield "EWMA upper limit", "1", table["upper"], float(chart.upper[-1]), table["within"]
    yield "EWMA lower limit", "1", table["lower"], float(chart.lower[-1]), table["within"]
    yield "EWMA at sample 20", "1", table["last"], float(chart.average[-1]), table["last_within"]


def _cusum(table: Table) -> Iterator[Found]:
    from durability.rig.charts import cusum_chart

    chart = cusum_chart(
        np.array(table["readings"]), table["target"], table["slack"], table["decision_interval"]
    )
    signal = float("nan") if chart.signal is None else chart.signal + 1.0
    yield "CUSUM first signal at sample", "1", table["first_signal"], signal, 0.0
    last = float(chart.upper_sum[-1])
    yield "CUSUM upper sum at sample 20", "1", table["last_upper_sum"], last, table["within"]


def _cusum_run_length(table: Table) -> Iterator[Found]:
    from durability.rig.charts import cusum_run_length

    for interval, *lengths in table["rows"]:
        for shift, expected in zip(table["shifts"], lengths, strict=True):
            yield (
                f"CUSUM run length, k {table['slack']:g}, h {interval:g}, shift {shift:g} sigma",
                "drops",
                expected,
                cusum_run_length(table["slack"], interval, shift),
                table["within"],
            )


def _exact_tests(table: Table) -> Iterator[Found]:
    from durability.devices.evidence import dropped_against_controls
    from durability.devices.study import assemble

    for dropped_failed, dropped, controls_failed, controls, fisher, boschloo in table["rows"]:
        histories = [
            *(_followed(f"D{at}", [900.0], at < dropped_failed) for at in range(dropped)),
            *(_followed(f"C{at}", [], at < controls_failed) for at in range(controls)),
        ]
        found = dropped_against_controls(assemble(histories), 0.95, 0)
        words = f"{dropped_failed} of {dropped} dropped, {controls_failed} of {controls} controls"
        p_fisher = None if found is None else found.fisher_p_value
        yield f"Fisher p, {words}", "1", fisher, _number(p_fisher), table["within"]
        if boschloo:
            p_boschloo = None if found is None else found.boschloo_p_value
            yield f"Boschloo p, {words}", "1", boschloo, _number(p_boschloo), table["within"]


def _followed(code: str, peaks_g: list[float], failed: bool) -> DeviceHistory:  # noqa: FBT001
    """A device that worked on day 1 and was looked at again on day 31."""
    return DeviceHistory(
        device=code,
        drop_day=np.ones(len(peaks_g)),
        peak_g=np.array(peaks_g),
        drop_height_mm=np.full(len(peaks_g), np.nan),
        check_day=np.array([1.0, 31.0, 120.0]),
        check_function=("power-on",) * 3,
        check_outcome=("pass", "fail", "fail") if failed else ("pass", "pass", "pass"),
        drop_case_model=(None,) * len(peaks_g),
    )


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


_CHECKS: dict[str, Callable[[Table], Iterator[Found]]] = {
    "pulse_shapes": _pulse_shapes,
    "severities": _severities,
    "channel_class": _channel_class,
    "spectrum": _spectrum,
    "mann_kendall": _mann_kendall,
    "theil_sen": _theil_sen,
    "weibull": _weibull,
    "turnbull": _turnbull,
    "success_run": _success_run,
    "ewma": _ewma,
    "cusum": _cusum,
    "cusum_run_length": _cusum_run_length,
    "exact_tests": _exact_tests,
}
