"""How much the readings of a series speak for a rise, as a robust Bayes factor.

The rise is sought in many shapes at once: a climb, a late onset, an acceleration, a step that
stays, a settling that goes over into a climb; and, apart from those, a settling that levels off.
For each shape the Bayes factor against "no change" has a closed form (Zellner's g-prior on the
size of the rise, flat priors on level and log scatter); they are averaged with fixed weights.
Robustness comes from weights 1 / (ν + standardised residual²), those of Student's t (Lange, Little
& Taylor 1989, J. Am. Stat. Assoc. 84), around a first robust fit: a wild reading stays in, and
counts for little.

The Bayes factor is used as a test statistic only. Its distribution over steady series hardly
depends on the law of the scatter (that is why it was chosen); ``null_table`` holds the quantiles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.cells import by_series
from durability.wear.draws import evenly, evenly_normal
from durability.wear.population import SCATTER, SCATTER_WEIGHT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray

    Float32Array = NDArray[np.float32]
    BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class RiseShapes:
    """The shapes of a rise over the drops of a series of given length.

    ``curve`` has shape (n_shapes, n_drops), each row with mean 0 and length 1. ``rising_weight``
    and ``settling_weight`` have shape (n_shapes,) and each sum to 1.
    """

    curve: FloatArray
    rising_weight: FloatArray
    settling_weight: FloatArray


def spaced_counts(largest: int) -> list[int]:
    """Numbers from 2 to ``largest``, each about one and a half times the one before."""
    counts, count = [], 2
    while count <= largest:
        counts.append(count)
        count = max(count + 1, round(1.5 * count))
    return counts


def spacing(positions: list[int]) -> FloatArray:
    """How many drops each position stands for; shape of ``positions``."""
    if len(positions) == 1:
        return np.ones(1)
    share: FloatArray = np.gradient(np.asarray(positions, dtype=float))
    return share


@lru_cache(maxsize=512)
def rise_shapes(n_drops: int) -> RiseShapes:
    """Shapes of a rise that are sought in a series.

    A step after the first or second drop is settling; a step later on that stays is a rise. Steps
    and onsets stand at spaced positions, dense near both ends, each weighted by the drops it stands
    for; none rests on the last reading alone, which could be a wild one. Their place being unknown,
    steps and onsets have the larger share of the weight.

    Parameters
    ----------
    n_drops : int
        Number of valid drops, at least 4.

    Returns
    -------
    RiseShapes
    """
    before = np.arange(n_drops, dtype=float)
    part = before / (n_drops - 1)
    ends = spaced_counts(n_drops // 2)
    steps = sorted({n_drops - k for k in ends} | {k for k in ends if k >= 3}) or [n_drops // 2]
    onsets = sorted(n_drops - 1 - k for k in spaced_counts(n_drops - 2))
    step_rows = [np.where(before >= k, 1.0, 0.0) for k in steps]
    onset_rows = [np.maximum(0.0, before - k) for k in onsets]
    settling_then_climb = [1 - np.exp(-before / 1.2) + ratio * part for ratio in (0.5, 1.5)]
    groups: list[tuple[float, list[FloatArray], FloatArray]] = [
        (0.15, [part], np.ones(1)),
        (0.12, [part**2, part**4], np.ones(2)),
        (0.03, [1 - np.exp(-4 * part)], np.ones(1)),
        (0.10, settling_then_climb, np.ones(2)),
        (0.35, step_rows, spacing(steps)),
        (0.25, onset_rows, spacing(onsets)),
    ]
    settling = [1 - np.exp(-before / drops) for drops in (0.7, 1.2, 2.0)]
    curve = np.vstack([row for _, rows, _ in groups for row in rows] + settling)
    curve -= curve.mean(axis=1, keepdims=True)
    curve /= np.linalg.norm(curve, axis=1, keepdims=True)
    rising = np.concatenate([weight * share / share.sum() for weight, _, share in groups])
    return RiseShapes(
        curve=curve,
        rising_weight=np.concatenate([rising, np.zeros(len(settling))]),
        settling_weight=np.concatenate(
            [np.zeros(len(rising)), np.full(len(settling), 1 / len(settling))]
        ),
    )


STUDENT_DEGREES = 5.0
"""ν of the weights: between the 3 of heavy-tailed scatter and the many of normal scatter."""

G = 10.0
"""Variance of a rise beforehand, in units of what the readings could tell (Zellner 1986). Values
from 5 to 20 give the same power to within 0.3 %."""

SCALE_PRIOR_DROPS = 10.0
"""How many drops the mean absolute residual counts for in the scatter, beside the median one, which
is useless with few drops and zero with many ties."""

BLOCK_BYTES = 300_000
"""Readings, weights and shapes of one block stay in the processor's cache."""

TAIL_CAP = 4.0
SKEW_SHARE = 0.05
"""Of ``scatter_correction``; on steady series the told share then lies between 4.3 and 5 % for all
laws tried, in place of 3.6 to 6 %."""

TAILS_SEEN_FROM = 8
"""Drops below which residuals show nothing of the scatter's law and there is no correction."""

LARGEST_CORRELATION_SQUARE = np.float32(0.9999)
"""Keeps the Bayes factor finite where the readings follow a shape exactly."""

SMALLEST_SHARE = np.float32(1e-30)
"""Stands for a share of evidence too small for a number of four bytes."""

MEDIAN_TO_SD = 1.4826
MEAN_TO_SD = 1.2533
"""Standard deviation over median and over mean absolute deviation, normal scatter."""


def middle(ordered: Float32Array) -> Float32Array:
    """Median of each row of ascending values; shape (n_rows, 1)."""
    n = ordered.shape[1]
    both: Float32Array = ordered[:, (n - 1) // 2, None] + ordered[:, n // 2, None]
    return both * np.float32(0.5)


# The matrix products of some processors' float libraries raise "invalid" for lanes beyond the data,
# now and then, though every result is right: hence errstate here and below. Real faults show as
# NaN, which the tests look for.
@np.errstate(invalid="ignore")
def row_sum(values: Float32Array) -> Float32Array:
    """Sum of each row; shape (n_rows, 1). As a product: several times faster over short rows."""
    total: Float32Array = by_series(values, np.ones((values.shape[1], 2), dtype=np.float32))
    return total[:, :1]


def scatter_squared(residual: Float32Array) -> Float32Array:
    """Robust variance of each row of residuals; shape (n_rows, 1)."""
    n = residual.shape[1]
    size = np.abs(residual)
    by_median = np.square(np.float32(MEDIAN_TO_SD) * middle(np.sort(size, axis=1)))
    by_mean = np.square(row_sum(size) * np.float32(MEAN_TO_SD / n))
    share = np.float32(n / (n + SCALE_PRIOR_DROPS))
    variance: Float32Array = by_mean + share * (by_median - by_mean)
    return variance


def drop_weight(residual: Float32Array) -> Float32Array:
    """Weight of each reading by its residual, 1 / (ν + standardised residual²); same shape."""
    variance = scatter_squared(residual)
    standard_square = np.square(residual) / np.where(variance > 0, variance, np.float32(1))
    weight: Float32Array = np.reciprocal(np.float32(STUDENT_DEGREES) + standard_square)
    return weight


def rounding_variance(ordered: Float32Array) -> Float32Array:
    """Variance that rounded readings have at least, by the smallest step between them.

    Without it, readings that all lie on two or three values can follow a step exactly, and seem
    sure of it. Unrounded readings have a smallest step of next to nothing.

    Parameters
    ----------
    ordered : ndarray of shape (n_series, n_drops)
        Readings, ascending in each row.

    Returns
    -------
    ndarray of shape (n_series, 1)
        Step² / 12; 0 where all readings are equal.
    """
    step = np.diff(ordered, axis=1)
    step[step <= 0] = np.inf
    smallest = step.min(axis=1, keepdims=True)
    smallest[np.isinf(smallest)] = 0
    variance: Float32Array = np.square(smallest) / np.float32(12)
    return variance


@np.errstate(invalid="ignore")
def weigh_shapes(
    reading: Float32Array, weight: Float32Array, rounding: Float32Array, shapes: RiseShapes
) -> tuple[Float32Array, Float32Array]:
    """Closed-form Bayes factor of each shape, against no change, for weighted readings.

    With r the weighted correlation of readings and shape (taken as 0 where negative: only rises
    count) the Bayes factor is (1+g)^(-1/2) · (1 − g r² / (1+g))^(−(n−1)/2) (Liang et al. 2008, J.
    Am. Stat. Assoc. 103, equation 6, for one regressor and equal weights).

    Parameters
    ----------
    reading, weight : ndarray of shape (n_series, n_drops)
    rounding : ndarray of shape (n_series, 1)
        Variance that readings have from being rounded.
    shapes : RiseShapes

    Returns
    -------
    log_bayes_factor : ndarray of shape (n_series, n_shapes)
    fitted : ndarray of shape (n_series, n_drops)
        Average over all shapes and no change, by their evidence.
    """
    n = reading.shape[1]
    curve = shapes.curve.astype(np.float32)
    shrink = np.float32(G / (1 + G))
    weight_sum = row_sum(weight)
    mean = row_sum(weight * reading) / weight_sum
    centred = reading - mean
    weighted = weight * centred
    shape_mean = by_series(weight, curve.T) / weight_sum
    shape_square = by_series(weight, (curve * curve).T)
    shape_square -= shape_mean * shape_mean * weight_sum
    np.maximum(shape_square, np.float32(1e-6) * weight_sum, out=shape_square)
    product = by_series(weighted, curve.T)
    np.maximum(product, 0, out=product)
    slope = product / shape_square
    total_square = row_sum(weighted * centred)
    total_square += rounding * weight_sum + np.float32(1e-12)
    correlation_square = np.minimum(slope * product / total_square, LARGEST_CORRELATION_SQUARE)
    log_bayes_factor = np.log1p(-shrink * correlation_square) * np.float32(-0.5 * (n - 1))
    log_bayes_factor -= np.float32(0.5 * np.log(1 + G))
    top = np.maximum(log_bayes_factor.max(axis=1, keepdims=True), 0)
    share = np.exp(log_bayes_factor - top)
    share *= (shapes.rising_weight + shapes.settling_weight).astype(np.float32)
    share *= shrink / (np.exp(-top) + row_sum(share))
    slope *= share
    fitted = by_series(slope, curve) + (mean - row_sum(slope * shape_mean))
    return log_bayes_factor, fitted


@np.errstate(invalid="ignore")
def averaged(log_bayes_factor: Float32Array, weight: Float32Array) -> Float32Array:
    """Logarithm of the weighted mean Bayes factors.

    Parameters
    ----------
    log_bayes_factor : ndarray of shape (n_series, n_shapes)
    weight : ndarray of shape (n_shapes, n_averages)

    Returns
    -------
    ndarray of shape (n_series, n_averages)
    """
    top = log_bayes_factor.max(axis=1, keepdims=True)
    mean = by_series(np.exp(log_bayes_factor - top), weight)
    log_mean: Float32Array = top + np.log(np.maximum(mean, SMALLEST_SHARE))
    return log_mean


def scatter_correction(residual: Float32Array, rounding: Float32Array) -> Float32Array:
    """What makes the evidence of different laws of scatter alike; shape (n_series,).

    Over steady series evidence runs lower with heavy tails and higher with scatter skewed upwards.
    Half the log mean squared standardised residual (capped at ``TAIL_CAP`` squared), less
    ``SKEW_SHARE`` of the mean cube (capped at 3), brings normal, uniform, skewed and heavy-tailed
    scatter and wild readings within 0.1 of each other at the upper 5 % point; found by simulation.
    """
    if residual.shape[1] < TAILS_SEEN_FROM:
        return np.zeros(len(residual), dtype=np.float32)
    variance = scatter_squared(residual) + rounding
    standard = residual / np.sqrt(np.where(variance > 0, variance, np.float32(1)))
    spread = np.minimum(np.square(standard), np.float32(TAIL_CAP**2)).mean(axis=1)
    skew = np.clip(standard, -3, 3) ** 3
    half_log = np.float32(0.5) * np.log(np.maximum(spread, np.float32(0.05)))
    correction: Float32Array = half_log - np.float32(SKEW_SHARE) * skew.mean(axis=1)
    return correction


@dataclass(frozen=True, slots=True)
class RiseEvidence:
    """Log Bayes factors against no change; arrays of shape (n_series,).

    ``rising`` is for a rise that goes on or stays, ``settling`` for one of the first drops that
    levels off. A series without any rise lies at -1.2, ½ ln(1 + g). ``correction`` belongs on
    ``rising`` where it is held against the table of steady series.
    """

    rising: FloatArray
    settling: FloatArray
    correction: FloatArray


@np.errstate(invalid="ignore")
def rise_evidence(log_peak: FloatArray, *, second_look_from: float = -np.inf) -> RiseEvidence:
    """How much the readings speak for a rise, and for a settling.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Natural logarithm of peak g over the valid drops, at least 4; any scale and unit serve.
    second_look_from : float, optional
        The robust fit is refined, and the correction found, only where the first look at the rise
        reaches this: a running alarm need not refine what is far from one.

    Returns
    -------
    RiseEvidence
    """
    n_series, n = log_peak.shape
    shapes = rise_shapes(n)
    both = np.stack([shapes.rising_weight, shapes.settling_weight], axis=1).astype(np.float32)
    evidence, correction = np.empty((n_series, 2)), np.zeros(n_series)
    rows = max(1, BLOCK_BYTES // (4 * (n + len(shapes.curve))))
    for start in range(0, n_series, rows):
        block = log_peak[start : start + rows]
        centred = block - block[:, :1]
        size = np.abs(centred).mean(axis=1, keepdims=True)
        reading = (centred / np.where(size > 0, size, 1)).astype(np.float32)
        ordered = np.sort(reading, axis=1)
        rounding = rounding_variance(ordered)
        reading -= middle(ordered)
        log_factor, fitted = weigh_shapes(reading, drop_weight(reading), rounding, shapes)
        found = averaged(log_factor, both)
        again = np.flatnonzero(found[:, 0] >= second_look_from)
        if len(again):
            reading, rounding = reading[again], rounding[again]
            residual = reading - fitted[again]
            residual -= middle(np.sort(residual, axis=1))
            log_factor, _ = weigh_shapes(reading, drop_weight(residual), rounding, shapes)
            found[again] = averaged(log_factor, both)
            correction[start + again] = scatter_correction(residual, rounding)
        evidence[start : start + rows] = found
    return RiseEvidence(evidence[:, 0], evidence[:, 1], correction)


RESIDUAL_CAP = 2.5
"""Standard deviations beyond which a residual tells no more of its neighbours."""

PATHS_OF_A_SHAPE = 64

SETTLING_RISE, SETTLING_RISE_LOG_SD = 0.13, 0.5
SETTLING_DROPS = (0.5, 4.0)
"""Settling beforehand: median rise with its log standard deviation, and the range of the time
constant, even in its logarithm."""

WEAR_PER_DROP, WEAR_LOG_SD = 0.011, 0.9
JUMPS = (0.04, 0.40)
WEARS_WITHIN = 25
"""Wear beforehand: median rate with its log standard deviation, the range of jumps, and the drops
beyond which what has lasted so long is taken to wear as much more slowly."""

STILL_GOES_ON = float(np.log(0.5))
"""Log odds above which a rise is called rising: to hear "settled" lulls, so doubt is for wear."""


@lru_cache(maxsize=32)
def rise_paths(n_drops: int) -> Float32Array:
    """Paths of log peak g that settle, and that wear, drawn once for all.

    The wear is a line, a line from some drop on, a power of the drops, a settling followed by a
    line, or a jump; each is as likely as the others. The points are those of ``draws.evenly``, so
    no random number enters.

    Parameters
    ----------
    n_drops : int

    Returns
    -------
    ndarray of shape (6, PATHS_OF_A_SHAPE, n_drops)
        Log units above the first drop; the first of the six settles.
    """
    size, when, again = (evenly(use)[:PATHS_OF_A_SHAPE, None] for use in range(3))
    deviate, other = (evenly_normal(use)[:PATHS_OF_A_SHAPE, None] for use in (0, 2))
    before = np.arange(n_drops, dtype=float)
    last = n_drops - 1.0

    def settled(deviate: FloatArray, time: FloatArray) -> FloatArray:
        shortest, longest = SETTLING_DROPS
        rise = SETTLING_RISE * np.exp(SETTLING_RISE_LOG_SD * deviate)
        constant = shortest * (longest / shortest) ** time
        return np.asarray(np.log1p(rise) * -np.expm1(-before / constant))

    slower = min(1.0, WEARS_WITHIN / n_drops)
    rate = np.log1p(slower * WEAR_PER_DROP * np.exp(WEAR_LOG_SD * deviate))
    smallest, largest = JUMPS
    jump = np.log1p(smallest * (largest / smallest) ** size)
    paths = [
        settled(deviate, when),
        rate * before,
        rate * np.maximum(0.0, before - when * last),
        rate * last * (before / last) ** (1.3 * (4.0 / 1.3) ** when),
        settled(other, again) + rate * before,
        jump * (before >= 1.0 + np.floor(when * last)),
    ]
    return np.stack(paths).astype(np.float32)


@np.errstate(invalid="ignore")
def standard_residuals(log_peak: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals about the average of all shapes, and the evidence of the likeliest.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)

    Returns
    -------
    residual : ndarray of shape (n_series, n_drops)
        In standard deviations, cut off at ``RESIDUAL_CAP``, mean 0; 0 where nothing scatters.
    evidence : ndarray of shape (n_series,)
        Largest log Bayes factor against no change.
    """
    n = log_peak.shape[1]
    shapes = rise_shapes(n)
    centred = log_peak - np.median(log_peak, axis=1, keepdims=True)
    reading = centred.astype(np.float32)
    rounding = rounding_variance(np.sort(reading, axis=1))
    _, fitted = weigh_shapes(reading, drop_weight(reading), rounding, shapes)
    log_factor, fitted = weigh_shapes(reading, drop_weight(reading - fitted), rounding, shapes)
    residual = reading - fitted
    residual -= middle(np.sort(residual, axis=1))
    scatter = np.sqrt(scatter_squared(residual))
    standard = residual / np.where(scatter > 0, scatter, np.float32(1))
    capped = np.clip(standard, -RESIDUAL_CAP, RESIDUAL_CAP).astype(np.float64)
    capped -= capped.mean(axis=1, keepdims=True)
    return capped, log_factor.max(axis=1).astype(np.float64)


@np.errstate(invalid="ignore")
def log_odds_goes_on(log_peak: FloatArray, information: FloatArray) -> FloatArray:
    """How many times likelier the readings are if a rise goes on or stays than if it levels off.

    The likelihood of each path is that of normal scatter with the robust weights of the readings,
    level and scatter averaged out; the scatter beforehand is that of every fit.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Natural logarithm of peak g over the valid drops: unlike the evidence for a rise, this
        knows how large settling and wear commonly are.
    information : ndarray of shape (n_series,)
        Share of independent readings that these are worth.

    Returns
    -------
    ndarray of shape (n_series,)
        Natural logarithm of the odds; near 0 where the readings can't tell.
    """
    n_series, n = log_peak.shape
    shapes = rise_shapes(n)
    paths = rise_paths(n).reshape(-1, n)
    squares = paths * paths
    odds = np.empty(n_series)
    power = (-0.5 * (information * (n - 1) + SCATTER_WEIGHT)).astype(np.float32)[:, None]
    rows = max(1, BLOCK_BYTES // (4 * len(paths)))
    for start in range(0, n_series, rows):
        block = log_peak[start : start + rows]
        reading = (block - np.median(block, axis=1, keepdims=True)).astype(np.float32)
        rounding = rounding_variance(np.sort(reading, axis=1))
        _, fitted = weigh_shapes(reading, drop_weight(reading), rounding, shapes)
        residual = reading - fitted
        residual -= middle(np.sort(residual, axis=1))
        weight = drop_weight(residual)
        weight *= np.float32(n) / row_sum(weight)
        weighted = weight * reading
        weighted -= weight * (row_sum(weighted) / np.float32(n))
        path_sum = by_series(weight, paths.T)
        misfit = by_series(weight, squares.T) - path_sum * path_sum / np.float32(n)
        misfit -= np.float32(2) * by_series(weighted, paths.T)
        misfit += row_sum(weighted * reading) + np.float32(n) * rounding
        np.maximum(misfit, 0, out=misfit)
        misfit += np.float32(SCATTER_WEIGHT * SCATTER**2)
        log_likelihood = np.log(misfit) * power[start : start + rows]
        log_likelihood -= log_likelihood.max(axis=1, keepdims=True)
        likelihood = np.exp(log_likelihood).reshape(len(block), 6, -1).mean(axis=2)
        likelihood += SMALLEST_SHARE
        odds[start : start + rows] = np.log(likelihood[:, 1:].mean(axis=1) / likelihood[:, 0])
    return odds


NO_RISE = -0.5 * float(np.log(1 + G))
"""Log Bayes factor of readings that do not rise at all."""


def deflated(evidence: FloatArray, information: FloatArray) -> FloatArray:
    """Log Bayes factors of readings that are worth but a share of independent ones.

    A log Bayes factor grows with the number of readings, from that of no rise.
    """
    return np.asarray(NO_RISE + information * (evidence - NO_RISE), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class JudgedEvidence:
    """What a verdict rests on; arrays of shape (n_series,).

    ``rising`` is corrected for the law of the scatter, and minus infinity where the readings are
    likelier to have levelled off; ``settling`` is minus infinity everywhere else.
    """

    rising: FloatArray
    settling: FloatArray
    log_odds: FloatArray


def judged_evidence(log_peak: FloatArray, information: FloatArray | float = 1.0) -> JudgedEvidence:
    """Evidence for a rise that goes on or stays, and for one that levelled off.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
    information : float or ndarray of shape (n_series,)
        Share of independent readings that these are worth.
    """
    found = rise_evidence(log_peak)
    share = np.broadcast_to(information, len(log_peak))
    log_odds = log_odds_goes_on(log_peak, share)
    rising = deflated(found.rising + found.correction, share)
    settling = deflated(found.settling, share)
    goes_on = log_odds > STILL_GOES_ON
    return JudgedEvidence(
        np.where(goes_on, rising, -np.inf), np.where(goes_on, -np.inf, settling), log_odds
    )
