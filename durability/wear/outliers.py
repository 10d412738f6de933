"""Readings that lie far off: what they can't carry, Grubbs' test and the generalized ESD test.

Tests only suggest to look for a physical cause: nothing is left out of an estimate on the strength
of a test (ASTM E178; estimates weigh doubtful readings down by themselves). Both tests take the
rest of the readings for normal and level; remove a trend first.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from durability.record.records import FloatArray, IntArray

MIN_READINGS = 3
"""With two readings both lie equally far from their mean."""
FEWEST_FOR_SUGGESTION = 6
"""Readings from which one is held against the others: the fitted level follows fewer."""
FEWEST_FOR_SEVERAL = 15
"""Readings from which the critical values of the generalized ESD test hold (Rosner 1983)."""


@dataclass(frozen=True, slots=True)
class GeneralizedEsd:
    """Generalized extreme studentized deviates; arrays of shape (n_tried,)."""

    positions: tuple[int, ...]
    """Of the readings found outlying, the farthest first."""
    statistic: FloatArray
    critical: FloatArray


def level_shown_until(age: IntArray, down_weighted: NDArray[np.bool_]) -> float:
    """Age up to which readings show the level, and so may carry a failure.

    Where the last readings are down-weighted, the level there is an extrapolation that they
    contradict: a failure found only then is not shown.

    Parameters
    ----------
    age : ndarray of shape (n_readings,)
        Ascending.
    down_weighted : ndarray of bool, shape (n_readings,)
        Which readings the fit weighs down.

    Returns
    -------
    float
        Infinite where the last reading counts in full.
    """
    if not down_weighted.size or not down_weighted[-1]:
        return math.inf
    full = np.flatnonzero(~down_weighted)
    return float(age[full[-1]]) if full.size else 0.0


_FRESH_WITHIN = 10
"""Drops before its first reading that say nothing against what readings show of the fresh case."""


def shows_fresh(age: IntArray) -> bool:
    """Whether readings show the fresh case: it is not farther back than they reach.

    Parameters
    ----------
    age : ndarray of shape (n_readings,)
        Drop numbers or ages of the case, ascending; at least one.
    """
    return bool(age[0] - 1 <= max(age[-1] - age[0], _FRESH_WITHIN))


def off_in_a_row(
    drop_number: IntArray, log_off: FloatArray, down_weighted: NDArray[np.bool_]
) -> tuple[int, ...]:
    """The latest two or more readings in a row that are down-weighted, all to one side.

    One wild reading is an accident; two alike are a change of mount, sensor or case until shown
    otherwise. Readings before which none counts in full are no change.

    Parameters
    ----------
    drop_number : ndarray of shape (n_readings,)
        Ascending.
    log_off : ndarray of shape (n_readings,)
        Log peak g about the fitted level.
    down_weighted : ndarray of bool, shape (n_readings,)
        Which readings the fit weighs down.

    Returns
    -------
    tuple of int
        Their drop numbers; empty where there are none.
    """
    side = np.where(down_weighted, np.sign(log_off), 0.0)
    end = side.size
    while end:
        start = end - 1
        while start and side[start - 1] == side[end - 1]:
            start -= 1
        if side[end - 1] and end - start > 1 and not down_weighted[:start].all():
            return tuple(int(number) for number in drop_number[start:end])
        end = start
    return ()


@lru_cache(maxsize=256)
def grubbs_critical(readings: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """Largest distance from the mean, in standard deviations, that chance explains.

    G = (n − 1) / √n · √(t² / (n − 2 + t²)) with t the upper α / n (one-sided) or α / 2n (two-sided)
    point of Student's t with n − 2 degrees of freedom (Grubbs 1969, Technometrics 11; NIST/SEMATECH
    e-Handbook 1.3.5.17.1). Computed, not copied: printed tables have had errors.

    Parameters
    ----------
    readings : int
        Number of readings, at least 3.
    alpha : float
        Probability that a normal sample without outliers exceeds it.
    two_sided : bool
        Whether outliers to both sides are meant.

    Raises
    ------
    UnusableCall
        Fewer than 3 readings.
    """
    from scipy.special import stdtrit

    n = readings
    if n < MIN_READINGS:
        raise UnusableCall(f"{n} readings; an outlier test needs at least {MIN_READINGS}")
    t = -float(stdtrit(n - 2, alpha / (2 * n if two_sided else n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def generalized_esd(reading: ArrayLike, most_outliers: int, alpha: float = 0.05) -> GeneralizedEsd:
    """Up to ``most_outliers`` outlying readings, which may hide one another.

    The farthest reading is set aside again and again; the count is the largest step at which the
    statistic exceeds its critical value, even where earlier steps do not (Rosner 1983,
    Technometrics 25; NIST/SEMATECH e-Handbook 1.3.5.17.3). With one it is Grubbs' test.

    Parameters
    ----------
    reading : array_like of shape (n_readings,)
        Any unit; the critical values hold from about 15 readings on (Rosner: 25).
    most_outliers : int
        At most two fewer than readings.
    alpha : float
        Probability of any false suggestion.

    Returns
    -------
    GeneralizedEsd

    Raises
    ------
    UnusableCall
        Fewer than 3 readings would remain at the last step.
    """
    readings = np.asarray(reading, dtype=float)
    positions, statistics, criticals = _esd(readings[None], most_outliers, alpha)
    return GeneralizedEsd(positions[0], statistics[0], criticals)


def _esd(
    readings: FloatArray, most_outliers: int, alpha: float = 0.05
) -> tuple[list[tuple[int, ...]], FloatArray, FloatArray]:
    """As ``generalized_esd``, of many series of one length; shape (n_series, n_readings)."""
    n_series, n = readings.shape
    rows, left = np.arange(n_series), np.ones(readings.shape)
    farthest = np.empty((n_series, most_outliers), dtype=np.int64)
    statistic = np.zeros((n_series, most_outliers))
    critical = np.array([grubbs_critical(n - step, alpha) for step in range(most_outliers)])
    for step in range(most_outliers):
        off = left * (readings - (left * readings).sum(axis=1, keepdims=True) / (n - step))
        spread = np.sqrt((off * off).sum(axis=1) / (n - step - 1))
        # Those set aside are never the farthest, even of equal readings.
        at = np.where(left > 0.0, np.abs(off), -1.0).argmax(axis=1)
        np.divide(np.abs(off[rows, at]), spread, out=statistic[:, step], where=spread > 0.0)
        farthest[:, step], left[rows, at] = at, 0.0
    found = ((statistic > critical) * np.arange(1, most_outliers + 1)).max(axis=1, initial=0)
    positions = [tuple(at[:few]) for at, few in zip(farthest.tolist(), found.tolist(), strict=True)]
    return positions, statistic, critical


def suggested(
    drop_numbers: Sequence[IntArray], log_offs: Sequence[FloatArray]
) -> list[tuple[tuple[int, ...], str]]:
    """Readings of each series that an outlier test would mark, and which test.

    Parameters
    ----------
    drop_numbers : sequence of ndarray of shape (n_readings,)
        Ascending.
    log_offs : sequence of ndarray of shape (n_readings,)
        Log peak g about the fitted level.

    Returns
    -------
    list of (tuple of int, str)
        Their drop numbers, ascending, and the test's name and level, or why there is none.
    """
    by_length: dict[int, list[int]] = defaultdict(list)
    for at, log_off in enumerate(log_offs):
        by_length[log_off.size].append(at)
    found: list[tuple[tuple[int, ...], str]] = [((), "")] * len(log_offs)
    for n, some in by_length.items():
        most, test = 0, "too few drops for an outlier test"
        if n >= FEWEST_FOR_SEVERAL:
            most = max(2, n // 10)
            test = f"generalized ESD for up to {most}, 5 %"
        elif n >= FEWEST_FOR_SUGGESTION:
            most, test = 1, "Grubbs, 5 %"
        positions, *_ = _esd(np.array([log_offs[at] for at in some]), most)
        for at, marked in zip(some, positions, strict=True):
            found[at] = tuple(drop_numbers[at][sorted(marked)].tolist()), test
    return found
