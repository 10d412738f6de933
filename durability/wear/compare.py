"""Groups side by side: who wears fastest, and by how much the peak g of one differs from another's.

The unit of replication is the case: drops of one case tell about that case, and the intervals
count how cases of one model differ.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.life.results import Prediction
from durability.record.basis import counted
from durability.wear.damage import success_run_reliability
from durability.wear.draws import log_level
from durability.wear.fitting import fit_wear
from durability.wear.forecast import Outcome, failure_outcomes
from durability.wear.results import Comparison, GroupWear, Ranking, WearFit
from durability.wear.shapes import PARAMETER_SPREAD, SIGNED_EDGES, climb_basis, shape_grid

if TYPE_CHECKING:
    from durability.record.records import DropHistory, FloatArray

LEVEL = 0.9
"""Content of every interval here."""
CLEAR = 0.9
"""Probability with which each group must out-wear the next for the order to be clear."""
_FEWEST_SPAN = 5
_FASTEST_RISE = 0.15
"""Rises are cut at 0.15 log units a drop, so that one steep path can't rule a mean."""
_N_DRAWS = 4000
_PARTS = 15
"""Equal parts of how a further case differs."""
_SMALL_RISE = 0.004
"""Rises are compared as asinh(rise / 0.4 % a drop): like logs where there is wear, since fast
models also vary more, and like plain numbers about zero."""
_SPREADS = np.concatenate([[0.0], np.geomspace(0.05, 3.0, 13)])
"""Standard deviations of that, tried for cases within a model and for models."""


def rank(
    histories: Sequence[DropHistory],
    *,
    by: Literal["case_model", "case"] = "case_model",
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    outcomes: Sequence[Outcome] | None = None,
    own_fits: Sequence[WearFit] | None = None,
) -> Ranking:
    """Groups by their speed of wear, fastest first, and whether that order can be told.

    Speed is the mean rise of the level per drop over a span common to all series (their median
    length), so that long series are not compared with short ones. Cases are random about their
    model and models about each other (normal, spreads summed over a grid), so a group with few
    or noisy drops is drawn to the others and never leads by luck.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series; those without a case are left out.
    by : {"case_model", "case"}
        What to rank.
    limit_g, limit_rise, horizon
        As in ``forecast``, for the life of each group.
    outcomes : sequence of Outcome, optional
        When each series fails, by ``failure_outcomes``; by default informed by these series alone.
    own_fits : sequence of WearFit, optional
        What ``fit_wear(histories, share=False)`` gave, when it has been called already.

    Returns
    -------
    Ranking
        Groups without a valid drop stand last, without numbers.
    """
    chosen = [at for at, history in enumerate(histories) if _name(history, by) is not None]
    worn = [histories[at] for at in chosen]
    fails = (
        failure_outcomes(
            worn, fit_wear(worn), limit_g=limit_g, limit_rise=limit_rise, horizon=horizon
        )
        if outcomes is None
        else [outcomes[at] for at in chosen]
    )
    own = fit_wear(worn, share=False) if own_fits is None else [own_fits[at] for at in chosen]
    span = _common_span(own)
    prior = _prior_speed(span)
    speeds = [_speed(fit, span, prior) for fit in own]
    members: dict[str, list[int]] = defaultdict(list)
    for position, history in enumerate(worn):
        members[str(_name(history, by))].append(position)
    told = {
        name: _case_speeds([worn[i] for i in rows], [speeds[i] for i in rows])
        for name, rows in members.items()
    }
    known = [name for name, cases in told.items() if cases.mean.size]
    # A case that is itself the group has no cases to vary within it.
    spreads = np.zeros(1) if by == "case" else _SPREADS
    draws = _group_draws([told[name] for name in known], spreads)
    order = np.argsort(-np.median(draws, axis=1), kind="stable")
    fastest = np.zeros(len(known))
    if known:
        fastest = np.bincount(draws.argmax(axis=0), minlength=len(known)) / _N_DRAWS
    groups = [
        _group(
            known[row],
            [worn[i] for i in members[known[row]]],
            [fails[i] for i in members[known[row]]],
            horizon=horizon,
            rise=_percent(draws[row]),
            fastest=float(fastest[row]),
        )
        for row in order
    ]
    groups += [
        _group(name, [worn[i] for i in rows], [], horizon=horizon, rise=None, fastest=None)
        for name, rows in members.items()
        if name not in known
    ]
    ordered = draws[order]
    ahead = (ordered[:-1] > ordered[1:]).mean(axis=1)
    clear = len(known) > 1 and bool((ahead >= CLEAR).all())
    conditions = len({history.condition for history in worn})
    basis = [f"{counted(len(known), 'group')}, mean rise over {span} drops, settling included"]
    if len(known) > 1 and not clear:
        basis.append("order not established throughout")
    if conditions > 1:
        basis.append(f"{conditions} conditions mixed")
    return Ranking(by=by, groups=tuple(groups), order_is_clear=clear, basis=", ".join(basis))


def compare(
    a_histories: Sequence[DropHistory],
    b_histories: Sequence[DropHistory],
    *,
    a: str,
    b: str,
    a_with_voided: Sequence[DropHistory] | None = None,
    b_with_voided: Sequence[DropHistory] | None = None,
) -> Comparison:
    """How many times the peak g of ``a`` is that of ``b``.

    Of each series the mean log level over the stretch of drops that both sides lived through;
    of those the mean over each case (bare: each device), within conditions that both sides
    share; between the cases a t interval after Welch (1947) and Satterthwaite (1946).

    Parameters
    ----------
    a_histories, b_histories : sequence of DropHistory
        The series of each side.
    a, b : str
        Names of the sides.
    a_with_voided, b_with_voided : sequence of DropHistory, optional
        The same with voided readings put back, for ``ratio_with_voided``.

    Returns
    -------
    Comparison
        With 90 % intervals; no interval where nothing tells how cases differ and readings don't
        either.
    """
    sides = _sides(a_histories, b_histories)
    difference, half_width = _welch(sides)
    all_drops = _sides(
        a_histories if a_with_voided is None else a_with_voided,
        b_histories if b_with_voided is None else b_with_voided,
    )
    with_voided, _ = _welch(all_drops)
    ratio = _exp(difference)
    lower = upper = None
    if difference is not None and half_width is not None:
        lower, upper = _exp(difference - half_width), _exp(difference + half_width)
    valid_a, valid_b = (
        sum(history.drop_number.size for history in side) for side in (a_histories, b_histories)
    )
    return Comparison(
        a=a,
        b=b,
        drops_a=valid_a,
        drops_b=valid_b,
        cases_a=sides.a.mean.size,
        cases_b=sides.b.mean.size,
        ratio=ratio,
        lower=lower,
        upper=upper,
        reduction_pct=_reduction(ratio),
        reduction_lower=_reduction(lower),
        reduction_upper=_reduction(upper),
        voided_a=sum(history.drops for history in a_histories) - valid_a,
        voided_b=sum(history.drops for history in b_histories) - valid_b,
        ratio_with_voided=_exp(with_voided),
        basis=sides.basis(),
    )


@dataclass(frozen=True, slots=True)
class _Units:
    """Something measured on each case: estimate and its own variance; arrays (n_cases,)."""

    mean: FloatArray
    variance: FloatArray
    readings: int = 0


@dataclass(frozen=True, slots=True)
class _Sides:
    a: _Units
    b: _Units
    span: int
    matched: bool
    conditions: int

    def basis(self) -> str:
        """What the comparison rests on."""
        sizes = self.a.mean.size, self.b.mean.size
        if 0 in sizes:
            return "no valid drops on one side"
        parts = [f"{counted(sizes[0], 'case')} against {sizes[1]}", f"first {self.span} drops"]
        if not self.matched:
            parts.append("no condition in common: sides were dropped differently")
        elif self.conditions > 1:
            parts.append(f"within {self.conditions} conditions")
        if max(sizes) == 1:
            parts.append("one case each: how cases differ is not counted")
        elif min(sizes) == 1:
            parts.append("one side has one case: it is taken to vary like the other's")
        return ", ".join(parts)


def _name(history: DropHistory, by: Literal["case_model", "case"]) -> str | None:
    return history.case_model if by == "case_model" else history.case


def _common_span(fits: Sequence[WearFit]) -> int:
    lasts = [fit.last_drop_number for fit in fits if fit.valid_drops]
    return max(_FEWEST_SPAN, int(np.median(lasts))) if lasts else _FEWEST_SPAN


def _speed(fit: WearFit, span: int, prior: tuple[float, float]) -> tuple[float, float] | None:
    """What the drops alone say of the mean rise over the span, on the scale of ``_scaled``.

    Mean and variance with the general prior taken out again (as for normals), since the groups
    bring their own: a series of two drops then says next to nothing.
    """
    if fit.draws is None or fit.rise_pct_per_drop is None:
        return None
    path = log_level(fit.draws, np.array([1.0, float(span)]))
    rise = _scaled((path[:, 1] - path[:, 0]) / (span - 1.0))
    mean, variance = float(rise.mean()), float(rise.var())
    prior_mean, prior_variance = prior
    precision = max(1.0 / variance - 1.0 / prior_variance, 0.01 / prior_variance)
    return float((mean / variance - prior_mean / prior_variance) / precision), 1.0 / precision


def _scaled(rise: FloatArray) -> FloatArray:
    return np.arcsinh(np.clip(rise, -_FASTEST_RISE, _FASTEST_RISE) / _SMALL_RISE)


def _prior_speed(span: int) -> tuple[float, float]:
    """Mean and variance of the scaled rise over the span before any drop."""
    grid = shape_grid(span)
    middle = 0.5 * (SIGNED_EDGES[1:] + SIGNED_EDGES[:-1]) * grid.unit[:, None]
    reach = climb_basis(grid.family, grid.parameter, np.array([float(span)]))
    rise = _scaled(middle * reach / (span - 1.0))
    probability = np.exp(grid.log_prior)
    probability /= probability.sum()
    mean = float((probability * rise).sum())
    return mean, float((probability * (rise - mean) ** 2).sum())


def _case_speeds(
    histories: Sequence[DropHistory], speeds: Sequence[tuple[float, float] | None]
) -> _Units:
    """Speed of each case: its series weighed by their precision."""
    by_case: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for history, speed in zip(histories, speeds, strict=True):
        if speed is not None:
            by_case[history.case or f"series {history.series}"].append(speed)
    means, variances = [], []
    for several in by_case.values():
        mean, variance = np.array(several).T
        precision = (1.0 / variance).sum()
        means.append(float((mean / variance).sum() / precision))
        variances.append(1.0 / precision)
    return _Units(np.array(means), np.array(variances))


def _group_draws(groups: Sequence[_Units], spreads_within: FloatArray) -> FloatArray:
    """Posterior draws of each group's scaled speed, shape (n_groups, n_draws).

    Strata in a fixed shuffled order, a group's by its place among the speeds: neither names nor
    the order of the record move any draw.
    """
    from scipy.special import ndtri

    if not groups:
        return np.empty((0, _N_DRAWS))
    within, between = (
        grid.ravel() for grid in np.meshgrid(spreads_within, _SPREADS, indexing="ij")
    )
    precision = np.empty((within.size, len(groups)))
    mean = np.empty_like(precision)
    log_likelihood = np.zeros(within.size)
    for column, cases in enumerate(groups):
        total = cases.variance + within[:, None] ** 2
        precision[:, column] = (1.0 / total).sum(axis=1)
        mean[:, column] = (cases.mean / total).sum(axis=1) / precision[:, column]
        about = ((cases.mean - mean[:, column, None]) ** 2 / total).sum(axis=1)
        log_likelihood += -0.5 * (np.log(total).sum(axis=1) + about + np.log(precision[:, column]))
    variance = 1.0 / precision + between[:, None] ** 2
    weight = 1.0 / variance
    centre = (weight * mean).sum(axis=1) / weight.sum(axis=1)
    log_likelihood += -0.5 * (
        np.log(variance).sum(axis=1)
        + (weight * (mean - centre[:, None]) ** 2).sum(axis=1)
        + np.log(weight.sum(axis=1))
    )
    probability = np.exp(log_likelihood - log_likelihood.max())
    strata = (np.arange(_N_DRAWS) + 0.5) / _N_DRAWS
    up_to = np.cumsum(probability)
    at = np.searchsorted(up_to / up_to[-1], strata).clip(max=within.size - 1)
    shuffled = np.tile(ndtri(strata), (1 + len(groups), 1))
    np.random.default_rng(20).permuted(shuffled, axis=1, out=shuffled)
    common = centre[at] + shuffled[0] / np.sqrt(weight[at].sum(axis=1))
    spread = np.maximum(between[at] ** 2, 1e-16)[:, None]
    own = precision[at]
    posterior_variance = 1.0 / (own + 1.0 / spread)
    posterior_mean = posterior_variance * (own * mean[at] + common[:, None] / spread)
    noise = shuffled[1 + posterior_mean.mean(axis=0).argsort().argsort()].T
    bound = float(np.arcsinh(_FASTEST_RISE / _SMALL_RISE))
    draws = (posterior_mean + np.sqrt(posterior_variance) * noise).T
    return np.asarray(draws.clip(-bound, bound), dtype=np.float64)


def _percent(draws: FloatArray) -> tuple[float, float, float]:
    outside = (1.0 - LEVEL) / 2.0
    low, middle, high = np.quantile(
        100.0 * np.expm1(_SMALL_RISE * np.sinh(draws)), [outside, 0.5, 1.0 - outside]
    )
    return float(low), float(middle), float(high)


def _group(
    name: str,
    histories: Sequence[DropHistory],
    outcomes: Sequence[Outcome],
    *,
    horizon: int,
    rise: tuple[float, float, float] | None,
    fastest: float | None,
) -> GroupWear:
    cases = {history.case or f"series {history.series}" for history in histories}
    failed = {
        history.case or f"series {history.series}"
        for history, outcome in zip(histories, outcomes, strict=bool(outcomes))
        if outcome.failed_at_drop is not None
    }
    drops = sum(history.drop_number.size for history in histories)
    parts = [counted(len(cases), "case"), counted(drops, "valid drop")]
    if failed:
        parts.append(f"{len(failed)} failed")
    elif drops:
        shortest = min(history.last_drop_number for history in histories)
        shown = success_run_reliability(len(cases), LEVEL)
        parts.append(
            f"none failed: reliability to drop {shortest} ≥ {shown:.2f} at {100 * LEVEL:.0f} %"
            " confidence"
        )
    lower, middle, upper = rise if rise is not None else (None, None, None)
    return GroupWear(
        group=name,
        cases=len(cases),
        drops=drops,
        failed=len(failed),
        rise_pct_per_drop=middle,
        lower=lower,
        upper=upper,
        probability_fastest=fastest,
        life=_life(outcomes, horizon),
        basis=", ".join(parts),
    )


def _life(outcomes: Sequence[Outcome], horizon: int) -> Prediction:
    """Life of a further case like those tested: it differs from each as cases differ."""
    drops = [outcome.failure_drop for outcome in outcomes if outcome.failure_drop.size]
    if not drops:
        return Prediction(None, None, None)
    apart = NormalDist(sigma=PARAMETER_SPREAD)
    ease = np.exp([apart.inv_cdf((k + 0.5) / _PARTS) for k in range(_PARTS)])
    # Of many lives a few each are enough; every one counts the same.
    each = -(-_N_DRAWS // len(drops))
    at = (np.arange(each) + 0.5) / each
    lives = np.concatenate([one[(at * one.size).astype(np.int64)] for one in drops])
    with np.errstate(invalid="ignore"):
        lives = np.ceil(lives[:, None] * ease)
    outside = (1.0 - LEVEL) / 2.0
    quantiles = np.quantile(lives, [outside, 0.5, 1.0 - outside], method="inverted_cdf")
    return Prediction(*(float(drop) if drop <= horizon else None for drop in quantiles))


def _sides(a_histories: Sequence[DropHistory], b_histories: Sequence[DropHistory]) -> _Sides:
    valid_a, valid_b = (
        [history for history in side if history.drop_number.size]
        for side in (a_histories, b_histories)
    )
    shared = {h.condition for h in valid_a} & {h.condition for h in valid_b}
    if shared:
        valid_a, valid_b = (
            [history for history in side if history.condition in shared]
            for side in (valid_a, valid_b)
        )
    span = min(
        (max((h.last_drop_number for h in side), default=0) for side in (valid_a, valid_b)),
    )
    # A series whose first valid drop lies beyond the span still has a level there.
    levels = [_mean_levels(side, max(span, 1)) for side in (valid_a, valid_b)]
    centres: dict[object, float] = {}
    for condition in shared:
        means = [
            np.mean(
                [mean for h, (mean, _) in zip(side, level, strict=True) if h.condition == condition]
            )
            for side, level in zip((valid_a, valid_b), levels, strict=True)
        ]
        centres[condition] = float(np.mean(means))
    units_a, units_b = (
        _by_case(side, level, centres)
        for side, level in zip((valid_a, valid_b), levels, strict=True)
    )
    return _Sides(units_a, units_b, span, matched=bool(shared), conditions=len(shared))


def _mean_levels(histories: Sequence[DropHistory], span: int) -> list[tuple[float, float]]:
    """Mean log level of each series over drops 1 to span, with its variance."""
    drop_number = np.arange(1, min(span, 200) + 1)
    levels = []
    for fit in fit_wear(histories, share=False):
        if fit.draws is None:
            continue
        lasting = drop_number[drop_number <= max(fit.last_drop_number, 1)]
        mean = log_level(fit.draws, lasting).mean(axis=1)
        low, middle, high = np.quantile(mean, [0.16, 0.5, 0.84])
        levels.append((float(middle), float((0.5 * (high - low)) ** 2)))
    return levels


def _by_case(
    histories: Sequence[DropHistory],
    levels: Sequence[tuple[float, float]],
    centres: dict[object, float],
) -> _Units:
    by_case: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for history, (mean, variance) in zip(histories, levels, strict=True):
        unit = history.case or history.device or f"series {history.series}"
        by_case[unit].append((mean - centres.get(history.condition, 0.0), variance))
    means = np.array([np.mean([mean for mean, _ in several]) for several in by_case.values()])
    variances = np.array(
        [
            sum(variance for _, variance in several) / len(several) ** 2
            for several in by_case.values()
        ]
    )
    return _Units(means, variances, readings=sum(h.drop_number.size for h in histories))


def _welch(sides: _Sides) -> tuple[float | None, float | None]:
    """Difference of the mean log levels and half its interval."""
    from scipy.stats import t

    a, b = sides.a, sides.b
    if not a.mean.size or not b.mean.size:
        return None, None
    difference = float(a.mean.mean() - b.mean.mean())
    spread_a, spread_b = (
        float(units.mean.var(ddof=1)) if units.mean.size > 1 else None for units in (a, b)
    )
    if spread_a is None and spread_b is None:
        freedom = float(a.readings + b.readings - 2)
        if freedom < 1.0:
            return difference, None
        variance = float(a.variance[0] + b.variance[0])
    else:
        # Cases can't be known to vary less than their own levels are uncertain.
        spread_a = max(spread_a if spread_a is not None else spread_b or 0.0, a.variance.mean())
        spread_b = max(spread_b if spread_b is not None else spread_a, b.variance.mean())
        part_a, part_b = spread_a / a.mean.size, spread_b / b.mean.size
        variance = part_a + part_b
        if min(a.mean.size, b.mean.size) == 1:
            freedom = float(max(a.mean.size, b.mean.size) - 1)
        else:
            freedom = variance**2 / (part_a**2 / (a.mean.size - 1) + part_b**2 / (b.mean.size - 1))
    half = float(t.ppf(0.5 + 0.5 * LEVEL, freedom)) * variance**0.5
    return difference, half


def _exp(log_ratio: float | None) -> float | None:
    return None if log_ratio is None else float(np.exp(log_ratio))


def _reduction(ratio: float | None) -> float | None:
    return None if ratio is None else 100.0 * (1.0 - 1.0 / ratio)
