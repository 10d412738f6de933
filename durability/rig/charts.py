"""Reference readings made fit for use, control charts of them, and average run lengths."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import pi
from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall
from durability.rig.results import CusumChart, EwmaChart, IndividualsChart

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray

RANGE_MEDIAN = 0.953873
"""Median range of two normal readings, √2 times the upper quartile of the normal distribution."""

ODD = 3.5
"""A reading this many standard deviations off the median of its neighbours is held back to
`HELD_AT`: one bad trigger is no drift."""

HELD_AT = 2.0


def checked_readings(when: FloatArray, peak_g: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Times and log peaks, or the reason why they can't be used."""
    when = np.asarray(when, dtype=float)
    if when.shape != peak_g.shape or when.ndim != 1:
        raise UnusableCall("reference drops: one time or number is needed for each peak g")
    if not np.isfinite(when).all() or (np.diff(when) < 0).any():
        raise UnusableCall("reference drops: times or numbers must ascend")
    if not (np.isfinite(peak_g) & (peak_g > 0)).all():
        raise UnusableCall("reference drops: every peak g must be above 0")
    return when, np.log(peak_g)


def odd_readings_held_back(log_peak: FloatArray) -> tuple[FloatArray, IntArray]:
    """Readings with lone odd ones drawn in towards their five neighbours, and which these are.

    The median of five keeps steps and ramps; the scale is the median moving range.
    """
    if len(log_peak) < 5:
        return log_peak, np.array([], dtype=np.int64)
    scale = float(np.median(np.abs(np.diff(log_peak)))) / RANGE_MEDIAN
    windows = np.lib.stride_tricks.sliding_window_view(log_peak, 5)
    local = np.pad(np.median(windows, axis=1), 2, mode="edge")
    off = log_peak - local
    odd = np.abs(off) > ODD * scale if scale > 0 else np.zeros(len(log_peak), dtype=bool)
    held = np.where(odd, local + np.sign(off) * HELD_AT * scale, log_peak)
    return held, np.flatnonzero(odd)


FEWEST_SESSIONS = 5
"""Sessions by which it is judged whether sessions differ: at least so many, and half of all, since
a drift in the later ones would be taken for such a difference."""

ALIKE = 0.4
"""Size of the F test. Lenient, since an overlooked difference between sessions brings false alarms
and a supposed one only a slower chart: with it steady rigs whose sessions scatter by none, half,
all or twice the drop-to-drop scatter signal within 12 or 25 sessions of 4 drops as seldom as with
independent drops (2 to 6 in 100, 200 simulated rigs each; with 5 % in its place up to 12)."""


def session_values(
    when: FloatArray, peak_g: FloatArray, session: Sequence[str]
) -> tuple[FloatArray, FloatArray, bool]:
    """Readings to chart: each drop, or the geometric mean of each session.

    Parameters
    ----------
    when, peak_g : ndarray of shape (n,)
        Time or number, ascending, and peak g of each reference drop.
    session : sequence of str
        Session of each drop; drops of one session stand together.

    Returns
    -------
    when, peak_g : ndarray
        Of shape (n,) or (n_sessions,), with the mean time of each session.
    averaged : bool
        True when a value stands for a session. Drops are charted one by one where each session
        has one, where there is but one session, or where the first sessions differ no more than
        their drops let expect (one-way analysis of variance, F test of size `ALIKE`).
    """
    _, first, group = np.unique(np.asarray(session), return_index=True, return_inverse=True)
    group = np.argsort(np.argsort(first))[group]
    count = np.bincount(group).astype(float)
    if len(count) == len(group) or not _sessions_differ(np.log(peak_g), group, count):
        return when, peak_g, False
    mean = np.bincount(group, np.log(peak_g)) / count
    return np.bincount(group, when) / count, np.exp(mean), True


def _sessions_differ(log_peak: FloatArray, group: np.ndarray, count: FloatArray) -> bool:
    from scipy.special import fdtrc

    sessions = min(len(count), max(FEWEST_SESSIONS, (len(count) + 1) // 2))
    judged = group < sessions
    readings, group, count = log_peak[judged], group[judged], count[:sessions]
    if sessions < 2 or len(readings) == sessions:
        return sessions > 1
    mean = np.bincount(group, readings) / count
    within = float(np.sum((readings - mean[group]) ** 2)) / (len(readings) - sessions)
    between = float(count @ (mean - readings.mean()) ** 2) / (sessions - 1)
    if within <= 0:
        return between > 0
    tail = float(fdtrc(sessions - 1, len(readings) - sessions, between / within))
    return tail <= ALIKE


RANGE_MEAN = 2.0 / pi**0.5
"""d2: mean range of two normal readings, in standard deviations (1.128)."""

RANGE_SD = (2.0 - 4.0 / pi) ** 0.5
"""d3: standard deviation of that range (0.853)."""

RANGE_LIMIT = 1.0 + 3.0 * RANGE_SD / RANGE_MEAN
"""D4: upper three-sigma limit of a range of two, in mean ranges (3.267)."""

CUSUM_SLACK = 0.5
"""In standard deviations: half the shift of one that is to be found quickly."""

CUSUM_LIMIT = 6.0
"""In standard deviations. Above the customary 4 or 5, so that with the moving average beside it
one steady rig in twenty signals within 50 drops, and not one in eight."""

EWMA_WEIGHT = 0.2
EWMA_WIDTH = 3.2
"""Chosen with `CUSUM_LIMIT`: average run lengths of 1,277 and 1,044 drops on a steady rig."""


def individuals_chart(reading: FloatArray, steady: int | None = None) -> IndividualsChart:
    """Individuals and moving-range chart with three-sigma limits.

    Parameters
    ----------
    reading : ndarray of shape (n,)
        In drop order; at least two.
    steady : int, optional
        Limits from the first so many readings (at least two); by default from all.

    Returns
    -------
    IndividualsChart
        Limits centre ± 3/d2 (2.66) mean moving ranges, and D4 (3.267) times it for the ranges.
        Source: NIST/SEMATECH e-Handbook 6.3.2.2.

    Raises
    ------
    UnusableCall
        Fewer than two readings.
    """
    reading = np.asarray(reading, dtype=float)
    if len(reading) < 2:
        raise UnusableCall("a chart of individuals needs at least 2 readings")
    ranges = np.abs(np.diff(reading))
    learnt = len(reading) if steady is None else steady
    mean_range = float(ranges[: learnt - 1].mean())
    centre = float(reading[:learnt].mean())
    scatter = mean_range / RANGE_MEAN
    return IndividualsChart(
        reading=reading,
        centre=centre,
        lower=centre - 3.0 * scatter,
        upper=centre + 3.0 * scatter,
        moving_range=ranges,
        mean_moving_range=mean_range,
        moving_range_upper=RANGE_LIMIT * mean_range,
        scatter=scatter,
    )


def ewma_chart(
    reading: FloatArray,
    target: float,
    scatter: float,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> EwmaChart:
    """Moving average with exponential weights, started at the target.

    Parameters
    ----------
    reading : ndarray of shape (n,)
        In drop order.
    target, scatter : float
        Mean and standard deviation of a steady rig, in the reading's unit.
    weight : float
        Of the newest reading, in (0, 1].
    width : float
        Half width of the limits in standard deviations of the average.

    Returns
    -------
    EwmaChart
        Limits of point t: target ± width · scatter · √(weight/(2 - weight) · (1 -
        (1 - weight)^(2t))), exact from the first point on (NIST/SEMATECH e-Handbook 6.3.2.4 gives
        their limit for large t; Lucas and Saccucci, Technometrics 32, 1990).
    """
    reading = np.asarray(reading, dtype=float)
    average = np.empty_like(reading)
    latest = target
    for place, value in enumerate(reading):
        latest = weight * value + (1.0 - weight) * latest
        average[place] = latest
    point = np.arange(1, len(reading) + 1)
    sd = scatter * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * point)))
    return EwmaChart(
        average=average,
        lower=target - width * sd,
        upper=target + width * sd,
        weight=weight,
        width=width,
        signal=_first(np.abs(average - target) > width * sd),
    )


def cusum_chart(
    reading: FloatArray, target: float, slack: float, decision_interval: float
) -> CusumChart:
    """Two-sided tabular cumulative sum.

    Parameters
    ----------
    reading : ndarray of shape (n,)
        In drop order.
    target, slack, decision_interval : float
        In the reading's unit: steady mean, k and h.

    Returns
    -------
    CusumChart
        S⁺ = max(0, S⁺ + x - target - k), S⁻ = max(0, S⁻ + target - k - x); signal beyond h.
        Source: NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    reading = np.asarray(reading, dtype=float)
    sums = np.zeros((2, len(reading)))
    start = np.zeros((2, len(reading)), dtype=np.int64)
    for side, sign in enumerate((1.0, -1.0)):
        total, began = 0.0, 0
        for place, value in enumerate(reading):
            if total == 0.0:
                began = place
            total = max(0.0, total + sign * (value - target) - slack)
            sums[side, place], start[side, place] = total, began
    signal = _first(sums.max(axis=0) > decision_interval)
    return CusumChart(
        upper_sum=sums[0],
        lower_sum=sums[1],
        slack=slack,
        decision_interval=decision_interval,
        signal=signal,
        run_start=None if signal is None else int(start[sums[:, signal].argmax(), signal]),
    )


@lru_cache(maxsize=64)
def cusum_run_length(
    slack: float, decision_interval: float, shift: float = 0.0, *, two_sided: bool = True
) -> float:
    """Average number of drops to a signal of the cumulative sum.

    Parameters
    ----------
    slack, decision_interval, shift : float
        k, h and the shift of the mean, in standard deviations; target and scatter are known.
    two_sided : bool
        Both sums together, 1/ARL = 1/ARL⁺ + 1/ARL⁻; else the upper sum alone.

    Returns
    -------
    float
        From the integral equation by Gauss-Legendre quadrature (Goel and Wu, Technometrics 13,
        1971), with the zero sum as a point of its own.
    """
    from scipy.special import ndtr

    node, weight = np.polynomial.legendre.leggauss(80)
    sums = np.concatenate([[0.0], decision_interval * (node + 1.0) / 2.0])
    lengths = []
    for side in (shift, -shift):
        step = np.empty((len(sums), len(sums)))
        step[:, 0] = ndtr(slack - side - sums)
        density = _normal_density(sums[1:] - sums[:, None] + slack - side)
        step[:, 1:] = density * weight * decision_interval / 2.0
        lengths.append(float(np.linalg.solve(np.eye(len(sums)) - step, np.ones(len(sums)))[0]))
    return 1.0 / sum(1.0 / each for each in lengths) if two_sided else lengths[0]


def _normal_density(z: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * z**2) / (2.0 * pi) ** 0.5)


def _first(beyond: NDArray[np.bool_]) -> int | None:
    return int(beyond.argmax()) if beyond.any() else None
