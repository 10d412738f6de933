"""How many drops and cases to see a rise, or to tell two case models apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from durability.plan.results import ContrastPlan, LabScatter, RisePlan
from durability.record.basis import counted
from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

MOST_DROPS = 1000
"""Drops per case beyond which no plan is proposed."""

MOST_CASES = 1000
"""Cases per model beyond which no plan is proposed."""


MOST_NONCENTRALITY = 36.0
"""Beyond it scipy's noncentral t gives NaN here and there (1.17), and the power is 1 for any
purpose."""


def drops_to_see_rise(
    rise_pct_per_drop: float,
    scatter_log_sd: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    cases: Sequence[int] = (1, 2, 3, 5),
    rise_sd_pct: float | None = None,
) -> tuple[RisePlan, ...]:
    """Fewest drops per case with which a rise is seen, for several numbers of cases.

    Test: one-sided t test that the slope of log peak g on drop number is above 0. With the same
    rise in every case, one line a case with a common slope (m·n - m - 1 degrees of freedom); with
    a rise that differs from case to case, the one-sample t test on the cases' own slopes (m - 1).
    Power from the noncentral t distribution, exact for both.

    Parameters
    ----------
    rise_pct_per_drop : float
        Rise to be seen, in percent of peak g per drop; above 0.
    scatter_log_sd : float
        Drop-to-drop standard deviation of log peak g within a case (`lab_scatter`).
    power : float
        Probability with which the rise is to be seen.
    alpha : float
        Probability with which a steady case is called rising.
    cases : sequence of int
        Numbers of cases to plan for.
    rise_sd_pct : float, optional
        Standard deviation of the rise between cases, in percent per drop; by default none.

    Returns
    -------
    tuple of RisePlan
        One for each number of cases; ``drops_per_case`` is None where no number up to
        `MOST_DROPS` is enough.

    Raises
    ------
    UnusableCall
        A value outside its range.
    """
    _positive(rise_pct_per_drop, "the rise per drop")
    _positive(scatter_log_sd, "the scatter")
    _probabilities(power, alpha)
    if rise_sd_pct is not None:
        _positive(rise_sd_pct, "the scatter of the rise between cases")
    slope = float(np.log1p(rise_pct_per_drop / 100.0))
    slope_sd = 0.0 if rise_sd_pct is None else rise_sd_pct / 100.0
    drops = np.arange(2.0, MOST_DROPS + 1)
    spread = drops * (drops**2 - 1.0) / 12.0  # Σ (drop number - mean)²
    plans = []
    for number in cases:
        if number < 1:
            raise UnusableCall(f"a plan for {number} cases makes no sense")
        if slope_sd > 0:
            df = np.full_like(drops, number - 1.0)
            slope_error = np.sqrt((slope_sd**2 + scatter_log_sd**2 / spread) / number)
        else:
            df = number * drops - number - 1.0
            slope_error = scatter_log_sd / np.sqrt(number * spread)
        reached = _power(slope / slope_error, df, alpha, sides=1)
        enough = np.flatnonzero(reached >= power)
        plans.append(
            RisePlan(
                cases=number,
                drops_per_case=int(drops[enough[0]]) if len(enough) else None,
                power=float(reached[enough[0]]) if len(enough) else None,
                test="one-sided t test of the "
                + ("mean of the cases' slopes" if slope_sd > 0 else "common slope")
                + f" of log peak g, size {alpha:g}",
            )
        )
    return tuple(plans)


def cases_to_tell_apart(
    difference_pct: float,
    between_case_log_sd: float,
    within_case_log_sd: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    drops_per_case: Sequence[int] = (1, 3, 5, 10),
) -> tuple[ContrastPlan, ...]:
    """Fewest cases of each of two models with which their peak g are told apart.

    Test: two-sided two-sample t test on the cases' mean log peak g, 2·m - 2 degrees of freedom,
    whose standard deviation is √(between² + within² / drops per case). Power from the noncentral t
    distribution, exact when both models scatter alike.

    Parameters
    ----------
    difference_pct : float
        By how much one model's peak g differs from the other's, in percent of it; above -100, not
        0.
    between_case_log_sd, within_case_log_sd : float
        Standard deviations of log peak g between cases and from drop to drop (`lab_scatter`).
    power, alpha : float
        Probabilities of telling them apart when they differ so, and when they don't differ.
    drops_per_case : sequence of int
        Numbers of drops per case to plan for.

    Returns
    -------
    tuple of ContrastPlan
        One for each number of drops; ``cases_per_model`` is None where no number up to
        `MOST_CASES` is enough.

    Raises
    ------
    UnusableCall
        A value outside its range.
    """
    if not difference_pct > -100.0 or difference_pct == 0.0:
        raise UnusableCall("the difference must be above -100 % and not be 0")
    _positive(within_case_log_sd, "the scatter within cases")
    if not between_case_log_sd >= 0.0:
        raise UnusableCall("the scatter between cases can't be negative")
    _probabilities(power, alpha)
    shift = abs(float(np.log1p(difference_pct / 100.0)))
    cases = np.arange(2.0, MOST_CASES + 1)
    plans = []
    for drops in drops_per_case:
        if drops < 1:
            raise UnusableCall(f"a plan for {drops} drops per case makes no sense")
        sd = (between_case_log_sd**2 + within_case_log_sd**2 / drops) ** 0.5
        reached = _power(shift / (sd * np.sqrt(2.0 / cases)), 2.0 * cases - 2.0, alpha, sides=2)
        enough = np.flatnonzero(reached >= power)
        plans.append(
            ContrastPlan(
                drops_per_case=drops,
                cases_per_model=int(cases[enough[0]]) if len(enough) else None,
                power=float(reached[enough[0]]) if len(enough) else None,
                test=f"two-sided two-sample t test on case means of log peak g, size {alpha:g}",
            )
        )
    return tuple(plans)


def lab_scatter(
    log_peak: FloatArray,
    drop_number: IntArray,
    case: Sequence[str],
    case_model: Sequence[str],
    level: float = 0.8,
) -> LabScatter:
    """Scatter that this lab has seen: within cases about their own line, and between cases.

    Parameters
    ----------
    log_peak : ndarray of shape (n,)
        Natural logarithm of peak g; series of one condition (height, surface, orientation).
    drop_number : ndarray of shape (n,)
        Within the case's series.
    case, case_model : sequence of str
        Of each drop.
    level : float
        With which the upper limits hold, one-sided.

    Returns
    -------
    LabScatter
        Within: residual of a straight line a case, of all cases with 3 drops or more. Between:
        moment estimate from the cases' levels at their first drops' mean number, within models.
        A part is None without a degree of freedom for it. Upper limits by chi-square; plan with
        them when the estimates rest on little.
    """
    from scipy.special import chdtri

    log_peak = np.asarray(log_peak, dtype=float)
    owner, model = np.asarray(case, dtype=str), np.asarray(case_model, dtype=str)
    squares, df = 0.0, 0
    means: dict[str, list[tuple[float, int]]] = {}
    for each in np.unique(owner):
        rows = owner == each
        y, x = log_peak[rows], np.asarray(drop_number, dtype=float)[rows]
        means.setdefault(str(model[rows][0]), []).append((float(y.mean()), len(y)))
        spread = float(np.sum((x - x.mean()) ** 2))
        if len(y) > 2 and spread > 0:
            slope = float(np.sum((x - x.mean()) * y)) / spread
            squares += float(np.sum((y - y.mean() - slope * (x - x.mean())) ** 2))
            df += len(y) - 2
    within = squares / df if df else None
    case_squares = sum(
        float(np.sum((np.array(found)[:, 0] - np.mean(np.array(found)[:, 0])) ** 2))
        for found in means.values()
    )
    case_df = sum(len(found) - 1 for found in means.values())
    inverse_drops = float(np.mean([1.0 / drops for found in means.values() for _, drops in found]))
    own = (within or 0.0) * inverse_drops

    def at_most(total: float, degrees: int) -> float:
        return total / float(chdtri(degrees, level))

    return LabScatter(
        within_case_log_sd=None if within is None else float(np.sqrt(within)),
        within_case_upper=None if within is None else float(np.sqrt(at_most(squares, df))),
        within_case_df=df,
        between_case_log_sd=float(np.sqrt(max(case_squares / case_df - own, 0.0)))
        if case_df
        else None,
        between_case_upper=float(np.sqrt(max(at_most(case_squares, case_df) - own, 0.0)))
        if case_df
        else None,
        between_case_df=case_df,
        level=level,
        basis=f"{counted(len(log_peak), 'drop')} of {counted(len(np.unique(owner)), 'case')} of "
        f"{counted(len(means), 'model')}",
    )


def _power(noncentrality: FloatArray, df: FloatArray, alpha: float, sides: int) -> FloatArray:
    """Power of a t test; 0 where there is no degree of freedom."""
    from scipy.special import nctdtr, stdtrit

    df = np.asarray(df, dtype=float)
    noncentrality = np.asarray(noncentrality, dtype=float)
    power = np.zeros(np.broadcast(noncentrality, df).shape)
    known = df > 0
    critical = stdtrit(df[known], 1.0 - alpha / sides)
    shift = np.minimum(noncentrality[known], MOST_NONCENTRALITY)
    power[known] = 1.0 - nctdtr(df[known], shift, critical)
    if sides == 2:
        power[known] += nctdtr(df[known], shift, -critical)
    return power


def _positive(value: float, what: str) -> None:
    if not (value > 0 and np.isfinite(value)):
        raise UnusableCall(f"{what} must be above 0, it is {value:g}")


def _probabilities(power: float, alpha: float) -> None:
    if not 0.0 < alpha < power < 1.0:
        raise UnusableCall(
            f"power {power:g} and size {alpha:g} must be between 0 and 1, power above size"
        )
