"""Of which cases the next drops teach most of how fast one model wears, or which of two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.plan.power import MOST_DROPS
from durability.plan.results import Allocation, DropsOfCase, NextDrops
from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from durability.record.records import Condition, FloatArray, IntArray

MOST_NEW_CASES = 50
"""New cases beyond which no plan is made."""

WIDEST_RATE_LOG_SD = 0.1
"""Of a model of which nothing is known: rises of 10 % per drop would not surprise."""


@dataclass(frozen=True, slots=True)
class CaseSoFar:
    """A case that tells how fast its model wears."""

    case_model: str
    case: str
    drop_number: FloatArray
    """Of its valid drops."""
    log_peak: FloatArray
    can_be_dropped: bool
    """In use, and not failed."""


@dataclass(frozen=True, slots=True)
class RateSpread:
    """How rises per drop may differ from case to case within a model."""

    sd: FloatArray
    """Standard deviations of the slope of log peak g, those that are weighed."""
    probability: FloatArray

    @property
    def middle(self) -> float:
        """Mean of them."""
        return float(self.probability @ self.sd)


_RELATIVE_SPREAD = np.array([0.05, 0.1, 0.2, 0.3, 0.5, 0.8])
"""Of rises within a model, as a share of the mean rise; all alike before any drop."""
_SMALLEST_RISE = 1e-4
"""By which a spread is measured where hardly any wear is seen, per drop."""


def rate_spread(cases: Sequence[CaseSoFar], scatter_log_sd: float) -> RateSpread:
    """How rises per drop differ from case to case within a model, each by its straight line.

    Parameters
    ----------
    cases : sequence of CaseSoFar
    scatter_log_sd : float
        Drop-to-drop standard deviation of log peak g within a case.

    Returns
    -------
    RateSpread
        Shares of the mean rise from 5 to 80 %, weighed by their restricted likelihood (Patterson &
        Thompson 1971), which leaves them alike where no model has two cases with two drops.
    """
    slope, precision, model = [], [], []
    for each in cases:
        if len(each.drop_number) > 1:
            number = each.drop_number - each.drop_number.mean()
            spread = float(np.sum(number**2))
            slope.append(float(np.sum(number * each.log_peak)) / spread)
            precision.append(spread / scatter_log_sd**2)
            model.append(each.case_model)
    mean_rise = abs(np.average(slope, weights=precision)) if slope else 0.0
    sd = max(float(mean_rise), _SMALLEST_RISE) * _RELATIVE_SPREAD
    log_likelihood = np.zeros(len(sd))
    for name in set(model):
        own = [at for at, each in enumerate(model) if each == name]
        b = np.array(slope)[own]
        weight = 1.0 / (sd[:, None] ** 2 + 1.0 / np.array(precision)[own])
        total = weight.sum(axis=1)
        mean = (weight @ b) / total
        log_likelihood += 0.5 * (np.log(weight).sum(axis=1) - np.log(total))
        log_likelihood -= 0.5 * (weight * (b - mean[:, None]) ** 2).sum(axis=1)
    probability = np.exp(log_likelihood - log_likelihood.max())
    return RateSpread(sd, probability / probability.sum())


def allocate_drops(
    cases: Sequence[CaseSoFar],
    models: Sequence[str],
    *,
    drops: int,
    new_cases: int,
    scatter_log_sd: float,
    spread: RateSpread,
) -> tuple[Allocation, ...]:
    """The drops that narrow most what is known of how fast one model wears, or which of two.

    Each case tells the rise per drop of its model with the variance between² + scatter² / S, S the
    sum of squares of its drop numbers about their mean: a straight line a case, as in
    `drops_to_see_rise`. The mean of a model has the inverse of the summed inverses, the difference
    of two models the sum of both. For each spread between cases the least variance over all ways
    to spend the budget is found exactly, by dynamic programming over cases and drops; of these
    and the equal shares that one is taken whose log variance, averaged over the spreads, is least.

    Parameters
    ----------
    cases : sequence of CaseSoFar
        Of these models, under one condition.
    models : sequence of str
        One, or two whose difference is asked for.
    drops : int
        To be spent, 1 to `MOST_DROPS`.
    new_cases : int
        That may be begun, of all models together.
    scatter_log_sd : float
        Drop-to-drop standard deviation of log peak g within a case.
    spread : RateSpread

    Returns
    -------
    tuple of Allocation
        The best first; then equal shares of all cases, of those in use and of the new ones, where
        these are other ways.

    Raises
    ------
    UnusableCall
        A budget outside its range, or no case that could be dropped.
    """
    if not 1 <= drops <= MOST_DROPS:
        raise UnusableCall(f"--drops {drops}: not a budget; give 1 to {MOST_DROPS}")
    if not 0 <= new_cases <= MOST_NEW_CASES:
        raise UnusableCall(f"--cases {new_cases}: not a number of new cases, 0 to {MOST_NEW_CASES}")
    if not new_cases and not any(each.can_be_dropped for each in cases):
        raise UnusableCall(
            f"no case of {' or '.join(models)} can be dropped further, and --cases allows no new"
            " one; give --cases N"
        )
    budgets = [
        _Budget(cases, models, drops, new_cases, scatter_log_sd, float(sd)) for sd in spread.sd
    ]
    ways = _equal_shares([len(each) for each in budgets[0].in_use.values()], drops, new_cases)

    def factor(way: _Way) -> float:
        logs = [np.log(each.variance(way)) - np.log(each.now) for each in budgets]
        return float(np.exp(0.5 * spread.probability @ logs))

    best = min((*(each.best() for each in budgets), *ways.values()), key=factor)
    codes = [[each.case for each in own] for own in budgets[0].in_use.values()]
    return tuple(
        Allocation(
            name,
            tuple(
                DropsOfCase(model, case, more)
                for model, own, (old, new) in zip(models, codes, way, strict=True)
                for case, more in (*zip(own, old, strict=True), *((None, each) for each in new))
                if more
            ),
            factor(way),
        )
        for name, way in {"most to learn": best, **ways}.items()
    )


_Way = list[tuple[list[int], list[int]]]
"""Of each model: further drops of each case in use, and of each new one."""


def _equal_shares(in_use: Sequence[int], drops: int, new_cases: int) -> dict[str, _Way]:
    new = [new_cases // len(in_use)] * len(in_use)
    new[0] += new_cases % len(in_use)
    none = [0] * len(in_use)
    kinds = {"equal shares of all cases": (list(in_use), new)}
    if sum(in_use) and new_cases:
        kinds["equal shares of the cases in use"] = (list(in_use), none)
        kinds["equal shares of new cases"] = (none, new)
    ways = {}
    for name, (used, begun) in kinds.items():
        each, left = divmod(drops, sum(used) + sum(begun))
        shares = iter([each + 1] * left + [each] * (sum(used) + sum(begun) - left))
        ways[name] = [
            (
                [next(shares) for _ in range(old)] + [0] * (open_ - old),
                [next(shares) for _ in range(fresh)],
            )
            for open_, old, fresh in zip(in_use, used, begun, strict=True)
        ]
    return ways


class _Budget:
    """What drops tell if rises differ so much from case to case."""

    def __init__(
        self,
        cases: Sequence[CaseSoFar],
        models: Sequence[str],
        drops: int,
        new_cases: int,
        scatter_log_sd: float,
        between_case_sd: float,
    ) -> None:
        self.drops, self.new_cases = drops, new_cases
        self._variances = scatter_log_sd**2, between_case_sd**2
        self.in_use = {
            model: [each for each in cases if each.case_model == model and each.can_be_dropped]
            for model in models
        }
        self._weights = [
            [self._weight(each.drop_number) for each in own] for own in self.in_use.values()
        ]
        self._fresh = self._weight(np.empty(0))
        self._known = [
            WIDEST_RATE_LOG_SD**-2
            + sum(
                float(self._weight(each.drop_number)[0])
                for each in cases
                if each.case_model == model and not each.can_be_dropped
            )
            for model in models
        ]
        self.now = self.variance([([0] * len(own), []) for own in self._weights])

    def _weight(self, number: FloatArray) -> FloatArray:
        """What a case tells of its model after 0, 1, … further drops: an inverse variance."""
        number = np.concatenate([number, number.max(initial=0.0) + np.arange(1.0, self.drops + 1)])
        count = np.arange(1.0, len(number) + 1)
        spread = np.cumsum(number**2) - np.cumsum(number) ** 2 / count
        spread = np.concatenate([[0.0], spread])[-self.drops - 1 :]
        told = spread > 1e-9
        within, between = self._variances
        return np.where(told, 1.0 / (between + within / np.where(told, spread, 1.0)), 0.0)

    def variance(self, way: _Way) -> float:
        """Of the model's mean rise, or of the difference of two."""
        return sum(
            1.0
            / (
                known
                + sum(float(own[more]) for own, more in zip(weights, old, strict=True))
                + sum(float(self._fresh[more]) for more in new)
            )
            for known, weights, (old, new) in zip(self._known, self._weights, way, strict=True)
        )

    def best(self) -> _Way:
        """Least variance of all ways."""
        searches = [_Search(own, self._fresh, self.new_cases) for own in self._weights]
        least, choice = np.inf, [(0, 0)] * len(searches)
        for first_new in range(self.new_cases + 1):
            news = [first_new, self.new_cases - first_new][: len(searches)]
            own = [
                _inverse(known + search.most[new])
                for known, search, new in zip(self._known, searches, news, strict=True)
            ]
            # All drops to one model, or so many to the first and the rest to the second.
            total = own[0] + own[1][::-1] if len(own) == 2 else own[0][-1:]
            at = int(total.argmin())
            if total[at] < least:
                least = total[at]
                split = [at, self.drops - at] if len(own) == 2 else [self.drops]
                choice = list(zip(split, news, strict=True))
        return [search.shares(*chosen) for search, chosen in zip(searches, choice, strict=True)]


class _Search:
    """Of one model: the most that so many drops tell, with so many new cases, and how."""

    def __init__(self, in_use: Sequence[FloatArray], fresh: FloatArray, new_cases: int) -> None:
        best = np.where(np.arange(len(fresh)) == 0, 0.0, -np.inf)
        self._taken: list[IntArray] = []
        self._in_use = len(in_use)
        for weight in in_use:
            best = self._with_one_more(best, weight)
        self.most = [best]
        for _ in range(new_cases):
            best = self._with_one_more(best, fresh)
            self.most.append(best)

    def _with_one_more(self, best: FloatArray, weight: FloatArray) -> FloatArray:
        """Most that n drops tell with a further case; how many it takes is kept."""
        n = np.arange(len(best))
        left = n[:, None] - n[None, :]
        total = np.where(left >= 0, best[left], -np.inf) + weight[None, :]
        self._taken.append(total.argmax(axis=1))
        return np.asarray(total[n, self._taken[-1]])

    def shares(self, drops: int, new_cases: int) -> tuple[list[int], list[int]]:
        """Of each case in use, and of each new one."""
        counts: list[int] = []
        for taken in reversed(self._taken[: self._in_use + new_cases]):
            counts.append(int(taken[drops]))
            drops -= counts[-1]
        counts.reverse()
        return counts[: self._in_use], counts[self._in_use :]


def _inverse(weight: FloatArray) -> FloatArray:
    """Without end where so many drops can't be spent."""
    possible = np.isfinite(weight)
    return np.where(possible, 1.0 / np.where(possible, weight, 1.0), np.inf)


def judge_allocations(
    allocations: Sequence[Allocation],
    *,
    question: Literal["faster", "lasts"],
    condition: Condition,
    models: Sequence[str],
    rises: Sequence[tuple[float, float, float]],
    drops: int,
    new_cases: int,
    to_last: int | None,
    allowed: float | None,
    level: float,
    spread: RateSpread,
    basis: str,
) -> NextDrops:
    """What is known now, and how likely each allocation is to leave no doubt.

    Now the difference (of two models; of one, from the rise with which a case just lasts) is
    known with variance v; an allocation leaves f²·v of it, f its interval factor, and moves the
    estimate by a normal step of variance (1 − f²)·v. There is no doubt when the interval of the
    difference lies on one side of 0.

    Parameters
    ----------
    allocations : sequence of Allocation
    question, condition, models, drops, new_cases, to_last, level, basis
        As in ``NextDrops``.
    rises : sequence of (float, float, float)
        Rise per drop of each model and the ends of its interval, percent.
    allowed : float or None
        Logarithm of the factor by which peak g may rise until a case has failed.
    spread : RateSpread

    Returns
    -------
    NextDrops
    """
    from scipy.special import ndtr, ndtri

    z = float(ndtri(0.5 + 0.5 * level))
    signs = (1.0, -1.0)
    estimate = sum(sign * rise for sign, (rise, _, _) in zip(signs, rises, strict=False))
    sd = float(np.sqrt(sum(((upper - lower) / (2.0 * z)) ** 2 for _, lower, upper in rises)))
    allowed_pct = None
    if to_last is not None and allowed is not None:
        allowed_pct = 100.0 * float(np.expm1(allowed / to_last))
    away = estimate - (allowed_pct or 0.0)

    def settled(factor: float) -> float:
        left, moved = factor * sd, sd * float(np.sqrt(max(1.0 - factor**2, 0.0)))
        if moved == 0.0:
            return float(abs(away) > z * left)
        return float(ndtr((-z * left - away) / moved) + ndtr((away - z * left) / moved))

    return NextDrops(
        question=question,
        case_models=tuple(models),
        condition=condition,
        drops=drops,
        new_cases=new_cases,
        allowed_pct=allowed_pct,
        to_last=to_last,
        estimate_pct=estimate,
        lower_pct=estimate - z * sd,
        upper_pct=estimate + z * sd,
        level=level,
        settled=abs(away) > z * sd,
        allocations=tuple(
            replace(each, chance_settled=settled(each.interval_factor)) for each in allocations
        ),
        between_case_sd_pct=100.0 * spread.middle,
        basis=basis,
    )
