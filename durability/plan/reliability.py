"""How many cases must survive how many drops, and what survivors have shown.

The unit is the case: 26 drops that one case survived are one survivor, not 26.
"""

from __future__ import annotations

from math import ceil, log
from typing import TYPE_CHECKING

import numpy as np

from durability.plan.results import ReliabilityShown
from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from durability.record.records import FloatArray

MOST_CASES = 1_000_000
"""Cases beyond which no plan is proposed."""


def success_run_cases(reliability: float, confidence: float, failures_allowed: int = 0) -> int:
    """Fewest cases to drop so that the reliability is shown, with so many failures at most.

    Parameters
    ----------
    reliability : float
        Fraction of cases that survive the drops of the plan, to be shown; between 0 and 1.
    confidence : float
        With which it is to be shown; between 0 and 1. Mind the order: 99 % reliability at 95 %
        confidence takes 299 cases, 95 % at 99 % takes 90.
    failures_allowed : int
        Failures at which the plan still passes.

    Returns
    -------
    int
        Least n with P(at most that many failures | n, reliability) ≤ 1 - confidence; with none
        allowed ⌈ln(1 - confidence) / ln(reliability)⌉, the success-run theorem.

    Raises
    ------
    UnusableCall
        A value outside its range, or more than a million cases.
    """
    _fraction(reliability, "reliability")
    _fraction(confidence, "confidence")
    if failures_allowed < 0:
        raise UnusableCall("failures allowed can't be negative")
    if failures_allowed == 0:
        # A quotient that is whole but for rounding is taken as whole.
        return max(1, ceil(log(1.0 - confidence) / log(reliability) - 1e-9))
    from scipy.special import bdtr

    low, high = failures_allowed, failures_allowed + 1
    while bdtr(failures_allowed, high, 1.0 - reliability) > 1.0 - confidence:
        low, high = high, 2 * high
        if low > MOST_CASES:
            raise UnusableCall(f"more than {MOST_CASES} cases would be needed")
    while high - low > 1:
        middle = (low + high) // 2
        if bdtr(failures_allowed, middle, 1.0 - reliability) > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high


def reliability_shown(
    cases: int, confidence: float, drops: float, failures: int = 0
) -> ReliabilityShown:
    """Reliability at so many drops that cases dropped so often have shown.

    Parameters
    ----------
    cases, failures : int
        Cases that were dropped ``drops`` times or until they failed, and those that failed.
    confidence : float
        Of the lower limit.
    drops : float
        The number of drops that each survivor saw.

    Returns
    -------
    ReliabilityShown
        Clopper-Pearson lower limit; without failures (1 - confidence)^(1/cases).

    Raises
    ------
    UnusableCall
        A value outside its range.
    """
    _fraction(confidence, "confidence")
    if cases < 1 or not 0 <= failures <= cases:
        raise UnusableCall(f"{failures} failures of {cases} cases make no sense")
    if not drops > 0:
        raise UnusableCall("the number of drops must be above 0")
    if failures == 0:
        lower = (1.0 - confidence) ** (1.0 / cases)
        rule = f"success run: (1 - {confidence:g})^(1/{cases}) = {lower:.3f}"
    elif failures == cases:
        lower, rule = 0.0, "no survivor"
    else:
        from scipy.special import betaincinv

        lower = float(betaincinv(cases - failures, failures + 1, 1.0 - confidence))
        rule = "Clopper-Pearson lower limit, binomial"
    return ReliabilityShown(cases, failures, drops, confidence, lower, None, None, rule)


def weibayes_shown(
    drops_seen: FloatArray, failed: FloatArray, shape: float, confidence: float, drops: float
) -> ReliabilityShown:
    """Reliability at a number of drops, from cases dropped unequally often, Weibull shape assumed.

    Parameters
    ----------
    drops_seen : ndarray of shape (n_cases,)
        Drops that each case saw: until it failed, or so far.
    failed : ndarray of bool, shape (n_cases,)
        Whether it failed then.
    shape : float
        Assumed Weibull shape β; show a range of them, for it is not estimated.
    confidence : float
        Of the lower limits.
    drops : float
        For which the reliability is given.

    Returns
    -------
    ReliabilityShown
        Scale at least [Σ t^β / a]^(1/β) with a = ½ χ²(confidence; 2 r + 2), which is
        -ln(1 - confidence) without failures; reliability at least exp(-(drops / scale)^β). Source:
        Abernethy, The New Weibull Handbook, ch. 6; Nelson, J. Quality Technology 17 (1985).

    Raises
    ------
    UnusableCall
        A value outside its range.
    """
    drops_seen, broken = np.asarray(drops_seen, dtype=float), np.asarray(failed, dtype=bool)
    _fraction(confidence, "confidence")
    if not shape > 0 or not drops > 0:
        raise UnusableCall("shape and number of drops must be above 0")
    if len(drops_seen) == 0 or len(drops_seen) != len(broken) or not (drops_seen > 0).all():
        raise UnusableCall("each case needs its number of drops, above 0, and whether it failed")
    from scipy.special import gammaincinv

    failures = int(broken.sum())
    allowed = float(gammaincinv(failures + 1, confidence))
    # Scaled by the largest, so that a power can't overflow.
    largest = float(drops_seen.max())
    scale = largest * (float(np.sum((drops_seen / largest) ** shape)) / allowed) ** (1.0 / shape)
    return ReliabilityShown(
        cases=len(drops_seen),
        failures=failures,
        drops=drops,
        confidence=confidence,
        reliability=float(np.exp(-((drops / scale) ** shape))),
        scale_lower_drops=scale,
        b10_lower_drops=scale * float(-np.log(0.9)) ** (1.0 / shape),
        rule=f"Weibayes, shape {shape:g} assumed",
    )


def weibayes_cases(
    drops_goal: float, reliability: float, confidence: float, shape: float, drops_each: float
) -> int:
    """Fewest cases that must all survive so many drops each, Weibull shape assumed.

    Parameters
    ----------
    drops_goal : float
        Number of drops at which the reliability is to be shown.
    reliability, confidence : float
        To be shown, and with which confidence; between 0 and 1.
    shape : float
        Assumed Weibull shape.
    drops_each : float
        Drops that each case will see.

    Returns
    -------
    int
        ⌈ln(1 - confidence) / (ln(reliability) · (drops_each / drops_goal)^shape)⌉; the success run
        when both numbers of drops are the same.

    Raises
    ------
    UnusableCall
        A value outside its range.
    """
    _fraction(reliability, "reliability")
    _fraction(confidence, "confidence")
    if not (drops_goal > 0 and drops_each > 0 and shape > 0):
        raise UnusableCall("numbers of drops and shape must be above 0")
    stretch = (drops_each / drops_goal) ** shape
    cases = float(log(1.0 - confidence) / (log(reliability) * stretch))
    if not cases <= MOST_CASES:
        raise UnusableCall(f"more than {MOST_CASES} cases would be needed")
    return max(1, ceil(cases - 1e-9))


def _fraction(value: float, name: str) -> None:
    if not 0.0 < value < 1.0:
        raise UnusableCall(f"{name} {value:g} must be between 0 and 1")
