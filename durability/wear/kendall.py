"""Mann-Kendall test and Theil-Sen slope, exact for few drops, for many series at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from durability.record.records import FloatArray, IntArray

EXACT_UP_TO = 40
"""Drops up to which the null distribution of S is exact; beyond, the normal form with continuity
correction is right to 0.001."""

BLOCK_PAIRS = 100_000
"""Pairs of drops worked on at once, so that they stay in the processor's cache."""

MOST_PAIRS_HELD = 2_000_000
"""Pairs of one series up to which all slopes are held and sorted: some 2,000 drops, 16 MB."""

SAMPLED_PAIRS = 100_000
"""Pairs drawn to bracket the wanted slopes of a long series before the exact count."""


@lru_cache(maxsize=EXACT_UP_TO)
def null_upper_tail(n_drops: int) -> FloatArray:
    """P(S ≥ s) over all orders of ``n_drops`` different readings.

    The number of orders by their number of ascents among pairs obeys Mahonian recursion (Kendall
    1938, Biometrika 30; Gilbert 1987, table A18).

    Parameters
    ----------
    n_drops : int

    Returns
    -------
    ndarray of shape (n_pairs + 1,)
        At index k for s = 2 k − n_pairs, n_pairs = n (n − 1) / 2.
    """
    probability = np.ones(1)
    for n in range(2, n_drops + 1):
        probability = np.convolve(probability, np.full(n, 1 / n))
    return np.minimum(np.cumsum(probability[::-1])[::-1], 1.0)


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Mann-Kendall test of each series; arrays of shape (n_series,).

    ``p_rise`` is one-sided, P(S ≥ s); ``p_either`` two-sided. ``smallest_p_rise`` is what this
    number of drops can show at best, 1 / n!.
    """

    s: IntArray
    variance: FloatArray
    p_rise: FloatArray
    p_either: FloatArray
    smallest_p_rise: float


def mann_kendall(reading: ArrayLike, information: ArrayLike = 1.0) -> MannKendall:
    """Whether the readings of each series rise more often than they fall.

    Exact by enumeration without ties up to ``EXACT_UP_TO`` drops; else normal, with tie groups
    taken off the variance and continuity correction (Gilbert 1987, pp. 209-213). Serial
    correlation widens the variance by as much as it takes from the number of independent readings
    (Yue & Wang 2004, Water Resources Management 18).

    Parameters
    ----------
    reading : array_like of shape (n_series, n_drops)
        In the order of the drops; any unit.
    information : float or array_like of shape (n_series,)
        Share of independent readings that these are worth.

    Returns
    -------
    MannKendall
    """
    readings = np.asarray(reading, dtype=float)
    n = readings.shape[1]
    s = concordance(readings)
    untied_variance = n * (n - 1) * (2 * n + 5) / 18
    variance = untied_variance - tie_sum(readings) / 18
    variance = variance / np.broadcast_to(np.asarray(information, dtype=float), len(readings))
    size = np.maximum(np.abs(s) - 1.0, 0.0) / np.sqrt(np.where(variance > 0, variance, 1.0))
    tail = 0.5 * _erfc(size / math.sqrt(2))
    p_rise = np.where(s > 0, tail, 1 - tail)
    p_rise[s == 0] = 0.5
    p_either = np.minimum(2 * tail, 1.0)
    if n <= EXACT_UP_TO:
        untied = np.flatnonzero(variance == untied_variance)
        upper = null_upper_tail(n)
        pairs = n * (n - 1) // 2
        p_rise[untied] = upper[(s[untied] + pairs) // 2]
        p_either[untied] = np.minimum(1.0, 2 * upper[(np.abs(s[untied]) + pairs) // 2])
    p_either[s == 0] = 1.0
    return MannKendall(s, variance, p_rise, p_either, 1 / math.factorial(n) if n < 150 else 0.0)


def concordance(readings: FloatArray) -> IntArray:
    """Rises less falls among all pairs of drops, Kendall's S; shape (n_series,)."""
    by_drop = np.ascontiguousarray(readings.T)
    s = np.zeros(len(readings), dtype=np.int64)
    for last in range(1, len(by_drop)):
        later, earlier = by_drop[last], by_drop[:last]
        # Bytes summed into 32 bits: summing booleans as they are takes six times as long.
        s += np.add.reduce((later > earlier).view(np.int8), axis=0, dtype=np.int32)
        s -= np.add.reduce((later < earlier).view(np.int8), axis=0, dtype=np.int32)
    return s


def tie_sum(readings: FloatArray) -> FloatArray:
    """Σ t (t − 1) (2 t + 5) over the groups of t equal readings; shape (n_series,)."""
    ordered = np.sort(readings, axis=1)
    begins = np.ones(ordered.shape, dtype=np.bool_)
    begins[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    first = np.flatnonzero(begins)
    count = np.diff(first, append=ordered.size)
    tied = count > 1
    count, row = count[tied], first[tied] // readings.shape[1]
    terms = count * (count - 1) * (2 * count + 5)
    return np.bincount(row, weights=terms, minlength=len(readings)).astype(np.float64)


def _erfc(value: FloatArray) -> FloatArray:
    return np.fromiter(map(math.erfc, value.tolist()), dtype=float, count=len(value))


@dataclass(frozen=True, slots=True)
class TheilSen:
    """Theil-Sen slope of each series; arrays of shape (n_series,).

    ``lower`` and ``upper`` are NaN when so few drops allow no interval at the wanted content;
    ``content`` is what the interval really has (None without one).
    """

    slope: FloatArray
    lower: FloatArray
    upper: FloatArray
    content: float | None


def interval_rank(n_drops: int, content: float) -> tuple[int, float | None]:
    """Rank of the lower limit among the ascending pairwise slopes, and the content it gives.

    Rank M = (N − C) / 2 of N slopes, C = k − 2, k the smallest with P(S ≥ k) ≤ (1 − content) / 2
    (Hollander & Wolfe, Nonparametric Statistical Methods, chapter 9); the upper limit is N + 1 − M.

    Returns
    -------
    rank, content : int, float or None
        0 and None where no interval has that content: n = 4 has 0.917 at most.
    """
    pairs = n_drops * (n_drops - 1) // 2
    if n_drops <= EXACT_UP_TO:
        upper = null_upper_tail(n_drops)
        enough = np.flatnonzero(upper <= (1 - content) / 2 + 1e-12)
        if not len(enough):
            return 0, None
        k = int(enough[0])
        return pairs - k + 1, float(1 - 2 * upper[k])
    deviation = math.sqrt(n_drops * (n_drops - 1) * (2 * n_drops + 5) / 18)
    reach = NormalDist().inv_cdf((1 + content) / 2) * deviation
    return round((pairs - reach) / 2), content


def theil_sen(drop_number: ArrayLike, reading: ArrayLike, content: float = 0.95) -> TheilSen:
    """Median slope between all pairs of drops, with an interval from exact ranks.

    Parameters
    ----------
    drop_number : array_like of shape (n_drops,) or (n_series, n_drops)
        Strictly ascending.
    reading : array_like of shape (n_series, n_drops)
        At least 2 drops; for a slope in percent, the logarithm of peak g.
    content : float
        Least content of the interval.

    Returns
    -------
    TheilSen
        Slopes per drop, in the unit of ``reading``.
    """
    readings = np.asarray(reading, dtype=float)
    n_series, n = readings.shape
    numbers = np.atleast_2d(np.asarray(drop_number, dtype=float))
    if (numbers == numbers[0]).all():
        numbers = numbers[:1]
    pairs = n * (n - 1) // 2
    rank, content_found = interval_rank(n, content)
    wanted = [(pairs - 1) // 2, pairs // 2]
    if rank:
        wanted += [rank - 1, pairs - rank]
    found = np.empty((n_series, len(wanted)))
    if pairs > MOST_PAIRS_HELD:
        for row in range(n_series):
            number = numbers[row % len(numbers)]
            found[row] = slopes_of_long_series(number, readings[row], wanted)
    else:
        first, second = np.triu_indices(n, 1)
        rows = max(1, BLOCK_PAIRS // pairs)
        apart = numbers[:, second] - numbers[:, first]
        for start in range(0, n_series, rows):
            part = slice(start, start + rows)
            slopes = readings[part, second] - readings[part, first]
            slopes /= apart if len(apart) == 1 else apart[part]
            slopes.sort(axis=1)
            found[part] = slopes[:, wanted]
    none = np.full(n_series, np.nan)
    return TheilSen(
        slope=(found[:, 0] + found[:, 1]) / 2,
        lower=found[:, 2] if rank else none,
        upper=found[:, 3] if rank else none,
        content=content_found,
    )


def slopes_of_long_series(number: FloatArray, reading: FloatArray, wanted: list[int]) -> FloatArray:
    """Pairwise slopes at the wanted places in ascending order, without holding all pairs.

    A sample of pairs brackets each place; one pass over all pairs counts the slopes below each
    bracket and keeps those inside, so that the result is exact.

    Parameters
    ----------
    number, reading : ndarray of shape (n_drops,)
    wanted : list of int
        Places, from 0.

    Returns
    -------
    ndarray of shape (n_wanted,)
    """
    n = len(reading)
    pairs = n * (n - 1) // 2
    generator = np.random.default_rng(n)
    first = generator.integers(0, n, SAMPLED_PAIRS)
    second = (first + generator.integers(1, n, SAMPLED_PAIRS)) % n
    sample = np.sort((reading[second] - reading[first]) / (number[second] - number[first]))
    # Six standard deviations of a sampled share of one half, and the ends of the sample.
    reach = round(3 * math.sqrt(SAMPLED_PAIRS))
    places = [round(place / pairs * SAMPLED_PAIRS) for place in wanted]
    low = np.array([sample[p - reach] if p > reach else -np.inf for p in places])
    high = np.array([sample[p + reach] if p + reach < SAMPLED_PAIRS else np.inf for p in places])
    below = np.zeros(len(wanted), dtype=np.int64)
    inside: list[list[FloatArray]] = [[] for _ in wanted]
    for lag in range(1, n):
        slopes = (reading[lag:] - reading[:-lag]) / (number[lag:] - number[:-lag])
        for index in range(len(wanted)):
            below[index] += np.count_nonzero(slopes < low[index])
            inside[index].append(slopes[(slopes >= low[index]) & (slopes <= high[index])])
    found = np.empty(len(wanted))
    for index, place in enumerate(wanted):
        kept = np.concatenate(inside[index])
        found[index] = np.partition(kept, place - below[index])[place - below[index]]
    return found
