"""Groups side by side under one condition: which wears fastest, and how long each lasts.

The unit of replication is the case: drops of one case tell about that case, and the intervals
count how cases of one model differ.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.life.results import Estimate, Prediction
from durability.record.basis import counted
from durability.wear.cases import by_condition, condition_of, unit_of
from durability.wear.damage import success_run_reliability
from durability.wear.draws import SETTLING_FAMILIES, risen
from durability.wear.fitting import fit_wear
from durability.wear.lives import CaseLife, FailureLimit, case_lives
from durability.wear.population import (
    N_DRAWS,
    PopulationLife,
    middle_log_life,
    population_life,
    shuffled_normal,
)
from durability.wear.results import GroupWear, Ranking, WearFit
from durability.wear.shapes import (
    SIGNED_EDGES,
    climb_basis,
    shape_grid,
)

if TYPE_CHECKING:
    from durability.record.records import Condition, DropHistory, FloatArray

LEVEL = 0.9
"""Content of every interval here."""
CLEAR = 0.9
"""Probability with which each group must out-wear the next for the order to be clear."""
_FEWEST_SPAN = 5
_FASTEST_RISE = math.log(2.0)
"""In log units a drop: no case has its level doubled by drop after drop."""
_SMALL_RISE = 0.004
"""Rises are compared as asinh(rise / 0.4 % a drop): like logs where there is wear, since fast
models also vary more, and like plain numbers about zero."""
_LIFE_SD, _LIFE_WEIGHT = 0.3, 3.0
"""Log standard deviation of lives within a group before any is known, and the number of cases that
this is worth where conditions are compared."""
_SHIFT_SD = 1.0
"""Prior log standard deviation of what a condition does to lives and to rises: up to some
seven-fold. Cases that were all dropped alike under two conditions don't say more."""
_LEAST_VARIANCE = 1e-6
"""Of a scaled rise: draws that all settle say no more than this."""
_MOST_TAKEN_OUT = 0.5
"""Standard deviations of the draws by which taking the prior out moves their mean. Of 1,200 series
of 4 to 14 drops (linear, settled, steady; scatter 1 to 5 %) the interval held the rise of 88 % of
the settled and 100 % of the quick ones of 4 to 7 drops; without a bound of 20 and 73 %."""
_BLOCK_SERIES = 64
_SPREADS = np.concatenate([[0.0], np.geomspace(0.05, 3.0, 13)])
"""Standard deviations of that, tried for cases within a model and for models."""


def rank(
    histories: Sequence[DropHistory],
    *,
    by: Literal["case_model", "case"] = "case_model",
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    pool: bool = False,
    judged: Iterable[tuple[Sequence[CaseLife], Sequence[WearFit]]] | None = None,
) -> Ranking:
    """Groups by their speed of wear, fastest first, and whether that order can be told.

    Speed is the mean rise of the level per drop, settling apart, over a span common to all series
    (their median length), so that long series are not compared with short ones. Cases are random
    about their model and models about each other (normal, spreads summed over a grid), so a group
    with few or noisy drops is drawn to the others and never leads by luck. Conditions are ranked
    apart.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series; those without a case are left out.
    by : {"case_model", "case"}
        What to rank. A case stands under the condition of its last valid drop.
    limit_g, limit_rise, horizon
        As in ``forecast``, for the life of each group.
    pool : bool
        One model of all, condition as a factor; rise and life as under the first condition.
    judged : iterable of (sequence of CaseLife, sequence of WearFit), optional
        Some series at a time, whose draws are let go of: the lives of their cases by
        ``case_lives``, and ``fit_wear(…, share=False)`` of each. By default of these series alone.

    Returns
    -------
    Ranking
        Under the condition that stands first, the others beside it. Groups without a valid drop
        stand last, without numbers.
    """
    worn = [each for each in histories if _name(each, by) is not None]
    conditions = ranked_under(worn, by)
    spans = {
        each.series: span
        for some in ([worn] if pool else conditions.values())
        for span in [_common_span(some)]
        for each in some
    }
    if judged is None:
        limit = FailureLimit(limit_g, limit_rise, horizon)
        judged = [(case_lives(worn, fit_wear(worn), limit), fit_wear(worn, share=False))]
    life_of: dict[str, CaseLife] = {}
    shown: dict[str, _Shown] = {}
    for lives, fits in judged:
        for life in map(CaseLife.without_draws, lives):
            life_of.update(dict.fromkeys(life.case.series, life))
        shown |= _shown([each for each in fits if each.series in spans], spans)
        del lives, fits  # before the next ones are made

    def judged_of(some: Sequence[DropHistory]) -> list[_Judged]:
        return [_Judged(each, life_of[each.series], shown.get(each.series)) for each in some]

    if pool:
        of_all = judged_of(worn)
        return _rank_under("pooled" if worn else None, of_all, [*conditions], by, horizon)
    found = [
        _rank_under(name, judged_of(some), [name], by, horizon) for name, some in conditions.items()
    ]
    if not found:
        return _rank_under(None, [], [], by, horizon)
    return replace(found[0], others=tuple(found[1:]))


def ranked_under(
    histories: Sequence[DropHistory], by: Literal["case_model", "case"]
) -> dict[Condition, list[DropHistory]]:
    """Series by the condition under which ``rank`` compares them, the first condition leading."""
    named = [history for history in histories if _name(history, by) is not None]
    return by_condition(named, each_case_once=by == "case")


@dataclass(frozen=True, slots=True)
class _Shown:
    """What the drops of one series show over the span."""

    mean: float
    variance: float
    """Of the rise per drop, settling apart, on the scale of ``_scaled``."""
    settling: float
    """Log rise that levels off."""


@dataclass(frozen=True, slots=True)
class _Judged:
    history: DropHistory
    life: CaseLife
    """Of its case, over all its series."""
    shown: _Shown | None


def _rank_under(
    condition: Condition | Literal["pooled"] | None,
    judged: Sequence[_Judged],
    factor: Sequence[Condition],
    by: Literal["case_model", "case"],
    horizon: int,
) -> Ranking:
    """The ranking under one condition, or of several as a factor."""
    span = _common_span([each.history for each in judged])
    prior = _prior_speed(span)
    members: dict[str, list[_Judged]] = defaultdict(list)
    for each in judged:
        members[str(_name(each.history, by))].append(each)
    told = {name: _case_speeds(some, prior, factor) for name, some in members.items()}
    known = [name for name, cases in told.items() if cases.mean.size]
    # A case that is itself the group has no cases to vary within it.
    spreads = np.zeros(1) if by == "case" else _SPREADS
    draws = _group_draws([told[name] for name in known], spreads)
    order = np.argsort([-np.median(each) for each in draws], kind="stable")
    fastest = np.zeros(len(known))
    if known:
        fastest = np.bincount(draws.argmax(axis=0), minlength=len(known)) / N_DRAWS
    shifts = _life_shifts(members, factor, horizon)
    groups = [
        _group(
            known[row],
            members[known[row]],
            by=by,
            horizon=horizon,
            rise=_percent(draws[row]),
            fastest=float(fastest[row]) if len(known) > 1 else None,
            shifts=shifts,
        )
        for row in order
    ]
    groups += [
        _group(name, some, by=by, horizon=horizon, rise=None, fastest=None, shifts={})
        for name, some in members.items()
        if name not in known
    ]
    ahead = [(draws[one] > draws[next_]).mean() for one, next_ in pairwise(order)]
    clear = len(known) > 1 and min(ahead) >= CLEAR
    basis = [f"{counted(len(known), 'group')}, mean rise over {span} drops, settling apart"]
    if len(known) > 1 and not clear:
        basis.append("order not established throughout")
    if condition == "pooled":
        basis.append(f"{counted(len(factor), 'condition')} pooled, as under {factor[0].words}")
    elif condition is not None:
        basis.append(condition.words)
    return Ranking(
        by=by,
        groups=tuple(groups),
        order_is_clear=bool(clear),
        basis=", ".join(basis),
        condition=condition,
    )


@dataclass(frozen=True, slots=True)
class _Units:
    """Speed of each case of a group: estimate, its own variance; arrays (n_cases,)."""

    mean: FloatArray
    variance: FloatArray
    factor: FloatArray
    """Share of each case under each condition but the first; shape (n_cases, n_conditions - 1)."""


def _name(history: DropHistory, by: Literal["case_model", "case"]) -> str | None:
    return history.case_model if by == "case_model" else history.case


def _common_span(histories: Sequence[DropHistory]) -> int:
    lasts = [each.last_drop_number for each in histories if each.drop_number.size]
    return max(_FEWEST_SPAN, int(np.median(lasts))) if lasts else _FEWEST_SPAN


def _shown(fits: Sequence[WearFit], spans: Mapping[str, int]) -> dict[str, _Shown]:
    """That of each series with drops enough for a rise, over its span."""
    found: dict[str, _Shown] = {}
    told = [(each.series, each.draws) for each in fits if each.rise_pct_per_drop is not None]
    known = [(series, draws) for series, draws in told if draws is not None]
    for start in range(0, len(known), _BLOCK_SERIES):
        names, draws = zip(*known[start : start + _BLOCK_SERIES], strict=True)
        span = np.array([float(spans[name]) for name in names])
        lasting, settling = risen(draws, span)
        rise = _scaled(lasting / (span - 1.0)[:, None])
        means, variances = rise.mean(axis=1), np.maximum(rise.var(axis=1), _LEAST_VARIANCE)
        columns = (each.tolist() for each in (means, variances, settling.mean(axis=1)))
        found |= {name: _Shown(*row) for name, *row in zip(names, *columns, strict=True)}
    return found


def _speed(shown: _Shown, prior: tuple[float, float]) -> tuple[float, float]:
    """What the drops alone say of the mean rise over the span, on the scale of ``_scaled``.

    Mean and variance with the general prior taken out again (as for normals), since the groups
    bring their own: a series of two drops then says next to nothing. Draws that are part settling,
    part quick wear are no normal, and as for one the mean would be far beyond any of them: it
    stays within half a standard deviation of theirs.
    """
    mean, variance = shown.mean, shown.variance
    prior_mean, prior_variance = prior
    precision = max(1.0 / variance - 1.0 / prior_variance, 0.01 / prior_variance)
    alone = (mean / variance - prior_mean / prior_variance) / precision
    most = _MOST_TAKEN_OUT * math.sqrt(variance)
    return min(max(alone, mean - most), mean + most), 1.0 / precision


def _scaled(rise: FloatArray) -> FloatArray:
    return np.arcsinh(np.clip(rise, -_FASTEST_RISE, _FASTEST_RISE) / _SMALL_RISE)


def _prior_speed(span: int) -> tuple[float, float]:
    """Mean and variance of the scaled rise over the span before any drop."""
    grid = shape_grid(span)
    middle = 0.5 * (SIGNED_EDGES[1:] + SIGNED_EDGES[:-1]) * grid.unit[:, None]
    reach = climb_basis(grid.family, grid.parameter, np.array([float(span)]))
    reach[np.isin(grid.family, SETTLING_FAMILIES)] = 0.0
    rise = _scaled(middle * reach / (span - 1.0))
    probability = np.exp(grid.log_prior)
    probability /= probability.sum()
    mean = float((probability * rise).sum())
    return mean, float((probability * (rise - mean) ** 2).sum())


def _case_speeds(
    judged: Sequence[_Judged],
    prior: tuple[float, float],
    factor: Sequence[Condition],
) -> _Units:
    """Speed of each case: its series weighed by their precision."""
    by_case: dict[str, list[tuple[float, float, FloatArray]]] = defaultdict(list)
    for each in judged:
        if each.shown is not None:
            speed = _speed(each.shown, prior)
            row = np.array([condition_of(each.history) == name for name in factor[1:]], dtype=float)
            by_case[unit_of(each.history)].append((*speed, row))
    means, variances, rows = [], [], []
    for several in by_case.values():
        weight = np.array([1.0 / variance for _, variance, _ in several])
        means.append(float(weight @ [mean for mean, _, _ in several] / weight.sum()))
        variances.append(1.0 / float(weight.sum()))
        rows.append(weight @ [row for _, _, row in several] / weight.sum())
    shape = (len(means), max(len(factor) - 1, 0))
    return _Units(np.array(means), np.array(variances), np.array(rows).reshape(shape))


def _group_draws(groups: Sequence[_Units], spreads_within: FloatArray) -> FloatArray:
    """Posterior draws of each group's scaled speed, shape (n_groups, n_draws).

    Several conditions are a factor with a weak prior: the speeds are those under the first.
    Strata in a fixed shuffled order, a group's by its place among the speeds: neither names nor
    the order of the record move any draw.
    """
    if not groups:
        return np.empty((0, N_DRAWS))
    within, between = (
        grid.ravel() for grid in np.meshgrid(spreads_within, _SPREADS, indexing="ij")
    )
    # Regressors of a case: 1 for the mean of all groups, then its share under each condition.
    terms = 1 + groups[0].factor.shape[1]
    regressors = np.empty((within.size, len(groups), terms))
    answers = np.empty((within.size, len(groups)))
    squares = np.tile(np.diag([0.0] + [_SHIFT_SD**-2] * (terms - 1)), (within.size, 1, 1))
    crosses = np.zeros((within.size, terms))
    log_likelihood = np.zeros(within.size)
    for column, cases in enumerate(groups):
        weight = 1.0 / (cases.variance + within[:, None] ** 2)
        rows = np.column_stack([np.ones(cases.mean.size), cases.factor])
        regressors[:, column], answers[:, column] = weight @ rows, weight @ cases.mean
        total, answer = regressors[:, column], answers[:, column]
        # The group's own deviation is integrated out.
        shrunk = between**2 / (1.0 + between**2 * total[:, 0])
        squares += np.einsum("kn,ni,nj->kij", weight, rows, rows)
        squares -= shrunk[:, None, None] * total[:, :, None] * total[:, None, :]
        crosses += np.einsum("kn,ni,n->ki", weight, rows, cases.mean)
        crosses -= (shrunk * answer)[:, None] * total
        log_likelihood += 0.5 * (
            np.log(weight).sum(axis=1)
            - np.log1p(between**2 * total[:, 0])
            - weight @ cases.mean**2
            + shrunk * answer**2
        )
    covariance = np.linalg.inv(squares)
    centre = np.einsum("kij,kj->ki", covariance, crosses)
    log_likelihood += 0.5 * ((crosses * centre).sum(axis=1) - np.linalg.slogdet(squares)[1])
    probability = np.exp(log_likelihood - log_likelihood.max())
    up_to = np.cumsum(probability)
    strata = (np.arange(N_DRAWS) + 0.5) / N_DRAWS
    at = np.searchsorted(up_to / up_to[-1], strata).clip(max=within.size - 1)
    normal = shuffled_normal(terms + len(groups))
    factors = np.linalg.cholesky(covariance)[at]
    common = centre[at] + np.einsum("nij,jn->ni", factors, normal[:terms])
    spread = np.maximum(between[at] ** 2, 1e-16)[:, None]
    draws, sd = (np.empty((len(groups), N_DRAWS)) for _ in range(2))
    middle = np.empty(len(groups))
    for start in range(0, len(groups), _BLOCK_SERIES):
        some = slice(start, start + _BLOCK_SERIES)
        variance = 1.0 / (regressors[at, some, 0] + 1.0 / spread)
        told = answers[at, some] - np.einsum("ngi,ni->ng", regressors[at, some, 1:], common[:, 1:])
        mean = variance * (told + common[:, :1] / spread)
        middle[some] = mean.mean(axis=0)
        draws[some], sd[some] = mean.T, np.sqrt(variance).T
    for row, place in enumerate(middle.argsort().argsort()):
        draws[row] += sd[row] * normal[terms + place]
    bound = float(np.arcsinh(_FASTEST_RISE / _SMALL_RISE))
    return draws.clip(-bound, bound, out=draws)


def _percent(draws: FloatArray) -> tuple[float, float, float]:
    outside = (1.0 - LEVEL) / 2.0
    low, middle, high = np.quantile(
        100.0 * np.expm1(_SMALL_RISE * np.sinh(draws)), [outside, 0.5, 1.0 - outside]
    )
    return float(low), float(middle), float(high)


def _life_shifts(
    members: Mapping[str, Sequence[_Judged]], factor: Sequence[Condition], horizon: int
) -> dict[Condition, FloatArray]:
    """By how much each condition but the first lengthens log lives, shape (N_DRAWS,).

    Least squares on the middle log lives with groups as blocks and a weak prior: a condition under
    which no group was dropped that another condition saw tells nothing.
    """
    if len(factor) < 2:
        return {}
    rows, answers = [], []
    for column, some in enumerate(members.values()):
        for condition in factor:
            under = [each for each in some if condition_of(each.history) == condition]
            for life in _case_lives(under):
                group = np.arange(len(members)) == column
                which = [condition == name for name in factor[1:]]
                rows.append(np.concatenate([group, which]).astype(float))
                answers.append(middle_log_life(life.failure_age, horizon))
    if not rows:
        return {}
    x, y = np.array(rows), np.array(answers)
    weak = np.diag([1e-6] * len(members) + [_LIFE_SD**2 / _SHIFT_SD**2] * (len(factor) - 1))
    covariance = np.linalg.inv(x.T @ x + weak)
    found = covariance @ x.T @ y
    left = max(len(y) - x.shape[1], 0)
    squares = float(np.sum((y - x @ found) ** 2))
    spread2 = (_LIFE_WEIGHT * _LIFE_SD**2 + squares) / (_LIFE_WEIGHT + left)
    own = slice(len(members), None)
    factors = np.linalg.cholesky(spread2 * covariance[own, own])
    draws = found[own, None] + factors @ shuffled_normal(len(factor) - 1)
    return dict(zip(factor[1:], draws, strict=True))


def _group(
    name: str,
    judged: Sequence[_Judged],
    *,
    by: Literal["case_model", "case"],
    horizon: int,
    rise: tuple[float, float, float] | None,
    fastest: float | None,
    shifts: Mapping[Condition, FloatArray],
) -> GroupWear:
    histories = [each.history for each in judged]
    cases = {unit_of(history) for history in histories}
    failed, before = _failed(judged)
    drops = sum(history.drop_number.size for history in histories)
    parts = [counted(len(cases), "case"), counted(drops, "valid drop")]
    if failed:
        parts.append(f"{len(failed)} failed")
    if before:
        parts.append(f"{len(before)} had failed before, under another condition")
    if drops and not failed and not before:
        shortest = min(each.life.case.made for each in judged)
        reliability = success_run_reliability(len(cases), LEVEL)
        parts.append(
            f"none failed: reliability to drop {shortest} ≥ {reliability:.2f} at"
            f" {100 * LEVEL:.0f} % confidence"
        )
    lower, middle, upper = rise if rise is not None else (None, None, None)
    known = judged if rise is not None else []
    lives = _own_life(known, horizon) if by == "case" else _lives(known, shifts, horizon)
    return GroupWear(
        group=name,
        cases=len(cases),
        drops=drops,
        failed=len(failed | before) if rise is not None else 0,
        rise_pct_per_drop=middle,
        lower=lower,
        upper=upper,
        settling_pct=_settling(judged),
        probability_fastest=fastest,
        life=lives.life,
        lives=lives.cases,
        b10=lives.b10,
        b50=lives.b50,
        basis=", ".join(parts),
    )


def _failed(judged: Sequence[_Judged]) -> tuple[set[str], set[str]]:
    """Cases that failed in these series, and those that had failed before, in others."""
    series = {each.history.series for each in judged}
    here, before = set(), set()
    for each in judged:
        where, age = each.life.failed_in, each.life.failed_at_age
        if where is None or age is None:
            continue
        if where.series in series:
            here.add(each.life.case.name)
        elif age < each.life.case.first_ages[each.life.case.series.index(each.history.series)]:
            before.add(each.life.case.name)
    return here, before - here


@dataclass(frozen=True, slots=True)
class _CaseLife:
    """The life of one case, further drops being those of its last series among some."""

    life: CaseLife
    series: int

    @property
    def failure_age(self) -> FloatArray:
        return self.life.outcomes[self.series].failure_age.astype(np.float64)

    @property
    def condition(self) -> Condition:
        return condition_of(self.life.case.histories[self.series])


def _case_lives(judged: Sequence[_Judged]) -> list[_CaseLife]:
    """Each case once, with what is known of its life."""
    series = {each.history.series for each in judged}
    lives = {each.life.case.name: each.life for each in judged}
    found = [_CaseLife(life, life.case.last_of(series)) for life in lives.values()]
    return [
        each
        for each in found
        if each.failure_age.size
        and (each.life.fresh_is_shown or each.life.failed_at_age is not None)
    ]


def _lives(
    judged: Sequence[_Judged], shifts: Mapping[Condition, FloatArray], horizon: int
) -> PopulationLife:
    """Lives of the population that the cases of a group come from.

    A case that failed under another condition tells nothing of failing under this one.
    """
    nothing = np.zeros(N_DRAWS)
    series = {each.history.series for each in judged}
    known = [
        each
        for each in _case_lives(judged)
        if (where := each.life.failed_in) is None or where.series in series
    ]
    return population_life(
        [each.failure_age for each in known],
        horizon=horizon,
        level=LEVEL,
        log_shift=[shifts.get(each.condition, nothing) for each in known],
    )


def _own_life(judged: Sequence[_Judged], horizon: int) -> PopulationLife:
    """Life of one case as its forecast has it, in its age; of a population it says nothing."""
    unknown = Estimate(None, None, None)
    told = Prediction(None, None, None)
    known = _case_lives(judged)
    for each in known:
        told = each.life.prediction(each.series, LEVEL, horizon)
    return PopulationLife(unknown, unknown, told, len(known))


def _settling(judged: Sequence[_Judged]) -> float | None:
    """Rise of the first drops that levels off, in percent: mean over the cases."""
    by_case: dict[str, list[float]] = defaultdict(list)
    for each in judged:
        if each.shown is not None:
            by_case[unit_of(each.history)].append(each.shown.settling)
    if not by_case:
        return None
    return float(100.0 * np.expm1(np.mean([np.mean(some) for some in by_case.values()])))
