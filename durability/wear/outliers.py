"""Readings that lie far off: what they can't carry, Grubbs' test and the generalized ESD test.

Tests only suggest to look for a physical cause: nothing is left out of an estimate on the strength
of a test (ASTM E178; estimates weigh doubtful readings down by themselves). Both tests take the
rest of the readings for normal and level; remove a trend first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.record.records import FloatArray, IntArray

MIN_READINGS = 3
"""With two readings both lie equally far from their mean."""
FEWEST_FOR_SUGGESTION = 6
"""Readings from which one is held against the others: the fitted level follows fewer."""
FEWEST_FOR_SEVERAL = 15
"""Readings from which the critical values of the generalized ESD test hold (Rosner 1983)."""


@dataclass(frozen=True, slots=True)
class Grubbs:
    """The reading farthest from the mean, and whether it lies too far."""

    position: int
    statistic: float
    """Distance from the mean in standard deviations (n − 1)."""
    critical: float
    outlying: bool


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


def grubbs(
    reading: ArrayLike, alpha: float = 0.05, side: Literal["both", "high", "low"] = "both"
) -> Grubbs:
    """Whether the farthest reading lies too far from the others.

    Parameters
    ----------
    reading : array_like of shape (n_readings,)
        At least 3, any unit.
    alpha : float
        Probability of a false suggestion.
    side : {"both", "high", "low"}
        On which side an outlier is looked for.

    Returns
    -------
    Grubbs

    Raises
    ------
    UnusableCall
        Fewer than 3 readings.
    """
    readings = np.asarray(reading, dtype=float)
    critical = grubbs_critical(len(readings), alpha, two_sided=side == "both")
    off = readings - readings.sum() / len(readings)
    towards = np.abs(off) if side == "both" else off if side == "high" else -off
    position = int(towards.argmax())
    spread = math.sqrt(float(off @ off) / (len(readings) - 1))
    statistic = float(towards[position]) / spread if spread > 0 else 0.0
    return Grubbs(position, statistic, critical, outlying=statistic > critical)


def generalized_esd(reading: ArrayLike, most_outliers: int, alpha: float = 0.05) -> GeneralizedEsd:
    """Up to ``most_outliers`` outlying readings, which may hide one another.

    The farthest reading is set aside again and again; the count is the largest step at which the
    statistic exceeds its critical value, even where earlier steps do not (Rosner 1983,
    Technometrics 25; NIST/SEMATECH e-Handbook 1.3.5.17.3).

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
    left = np.arange(len(readings))
    set_aside, statistics, criticals = [], [], []
    for _ in range(most_outliers):
        farthest = grubbs(readings[left], alpha)
        set_aside.append(int(left[farthest.position]))
        statistics.append(farthest.statistic)
        criticals.append(farthest.critical)
        left = left[np.arange(len(left)) != farthest.position]
    exceeding = [step for step in range(most_outliers) if statistics[step] > criticals[step]]
    found = exceeding[-1] + 1 if exceeding else 0
    return GeneralizedEsd(tuple(set_aside[:found]), np.array(statistics), np.array(criticals))


def suggested(drop_number: IntArray, log_off: FloatArray) -> tuple[tuple[int, ...], str]:
    """Readings of a series that an outlier test would mark, and which test.

    Parameters
    ----------
    drop_number : ndarray of shape (n_readings,)
        Ascending.
    log_off : ndarray of shape (n_readings,)
        Log peak g about the fitted level.

    Returns
    -------
    drops : tuple of int
        Their drop numbers, ascending.
    test : str
        Its name and level, or why there is none.
    """
    if len(log_off) < FEWEST_FOR_SUGGESTION:
        return (), "too few drops for an outlier test"
    if len(log_off) < FEWEST_FOR_SEVERAL:
        farthest = grubbs(log_off)
        marked = (farthest.position,) if farthest.outlying else ()
        return tuple(int(drop_number[at]) for at in marked), "Grubbs, 5 %"
    most = max(2, len(log_off) // 10)
    positions = generalized_esd(log_off, most).positions
    return tuple(sorted(int(drop_number[at]) for at in positions)), (
        f"generalized ESD for up to {most}, 5 %"
    )
