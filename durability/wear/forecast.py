"""Drops to failure of each series: level reaching the limit, or damage, whichever comes first."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from durability.life.results import Prediction
from durability.record.basis import MIN_DROPS_FOR_TREND, counted
from durability.wear.damage import DamageLife, fit_damage, known_life, success_run_reliability
from durability.wear.draws import (
    DAMAGE,
    DISCREPANCY,
    N_DRAWS,
    ONSET,
    ONSET_AFTER,
    ONSET_RATE,
    evenly,
    evenly_normal,
    log_level,
)
from durability.wear.fitting import fit_wear
from durability.wear.results import FailureCause, Forecast, WearDraws, WearFit
from durability.wear.shapes import JUMP, LEVELLING, SETTLING, STEADY, climb_basis

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DropHistory, FloatArray, IntArray

DISCREPANCY_LOG_SD = 0.12
"""Log standard deviation of the drops left beyond what the shapes allow for: no shape is exact,
and wear to come may depart from all of them."""
LATER_ONSET = 0.5
"""Probability that wear which has levelled off, or a level that falls, climbs again later."""
_ONSET_AFTER, _ONSET_LOG_SD = 30.0, 1.2
_ONSET_RATE, _ONSET_RATE_LOG_SD = 0.02, 1.1
"""Medians and log standard deviations of the drops until it does, and of its rate then."""
_FLAT_IN_THE_END = (SETTLING, LEVELLING, JUMP)
_HORIZON_MARGIN = 3
"""Crossings are sought to this many horizons, since the discrepancy may bring them within one."""
_BLOCK_SERIES = 64
_CONFIDENCE = 0.9
"""Confidence of the success-run bound when there is too little to forecast."""


def forecast(
    histories: Sequence[DropHistory],
    *,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    fits: Sequence[WearFit] | None = None,
    outcomes: Sequence[Outcome] | None = None,
) -> list[Forecast]:
    """Predictive distribution of the drop at which each series fails.

    The level (not one reading) reaches the limit, or damage of severity 4 is seen on the case,
    whichever comes first. While a series has not failed everything is conditional on that: its
    failure lies beyond its last drop. The basis names what the numbers rest on.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series; those of one case model inform each other.
    level : float
        Content of the central prediction interval.
    limit_g : float, optional
        Level in g at which the case no longer protects.
    limit_rise : float
        Used without ``limit_g``: fraction above the series' own level at its first drop.
    horizon : int
        Drop number beyond which a prediction is ``None``.
    fits : sequence of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already.
    outcomes : sequence of Outcome, optional
        What ``failure_outcomes`` gave for these, when it has been called already.

    Returns
    -------
    list of Forecast
        In the order of ``histories``.
    """
    if fits is None:
        fits = fit_wear(histories)
    if outcomes is None:
        outcomes = failure_outcomes(
            histories, fits, limit_g=limit_g, limit_rise=limit_rise, horizon=horizon
        )
    informed = _well_informed(histories)
    failed_by_model: dict[str, int] = defaultdict(int)
    for history, outcome in zip(histories, outcomes, strict=True):
        if history.case_model is not None:
            failed_by_model[history.case_model] += outcome.failed_at_drop is not None
    return [
        _forecast(
            history,
            fit,
            outcome,
            level=level,
            limit_g=_limit_g(fit, limit_g, limit_rise),
            horizon=horizon,
            informed=told,
            like_failed=failed_by_model.get(history.case_model or "", 0),
        )
        for history, fit, outcome, told in zip(histories, fits, outcomes, informed, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Draws of the drop at which one series fails, and whether that lies behind it."""

    failure_drop: FloatArray
    """Sorted; infinite far beyond the horizon; all beyond the last drop unless failed."""
    failed_at_drop: int | None
    cause: FailureCause | None
    damage_known: bool


def failure_outcomes(
    histories: Sequence[DropHistory],
    fits: Sequence[WearFit],
    *,
    limit_g: float | None,
    limit_rise: float,
    horizon: int,
) -> list[Outcome]:
    """When each series fails, by its level or by damage.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series.
    fits : sequence of WearFit
        Their fits, in the same order.
    limit_g, limit_rise, horizon
        As in ``forecast``.

    Returns
    -------
    list of Outcome
        In the same order.
    """
    lives = fit_damage(histories)
    log_limits = [_log_limit(fit, limit_g, limit_rise) for fit in fits]
    crossings = _crossings(fits, log_limits, _HORIZON_MARGIN * horizon)
    return [
        _outcome(history, life, _with_later_onset(fit, limit, crossing))
        for history, fit, life, limit, crossing in zip(
            histories, fits, lives, log_limits, crossings, strict=True
        )
    ]


def _limit_g(fit: WearFit, limit_g: float | None, limit_rise: float) -> float | None:
    if limit_g is not None:
        return limit_g
    return None if fit.level_first_g is None else fit.level_first_g * (1.0 + limit_rise)


def _log_limit(fit: WearFit, limit_g: float | None, limit_rise: float) -> FloatArray:
    """Log limit of each draw: with a relative limit each draw has its own."""
    if fit.draws is None:
        return np.empty(0)
    if limit_g is not None:
        return np.full(fit.draws.climb.size, math.log(limit_g))
    return fit.draws.log_level_first + math.log1p(limit_rise)


def _crossings(
    fits: Sequence[WearFit], log_limits: Sequence[FloatArray], farthest: int
) -> list[FloatArray]:
    """Crossings of many fits, a block of series at a time."""
    crossings: list[FloatArray] = []
    for start in range(0, len(fits), _BLOCK_SERIES):
        block = fits[start : start + _BLOCK_SERIES]
        parts = [fit.draws for fit in block if fit.draws is not None]
        limits = log_limits[start : start + _BLOCK_SERIES]
        if not parts:
            crossings += [np.empty(0)] * len(block)
            continue
        joint = _joined(parts)
        drops = _first_reached(joint, np.concatenate(limits) - joint.log_level_first, farthest)
        ends = np.cumsum([limit.size for limit in limits])
        crossings += np.split(drops, ends[:-1])
    return crossings


def _with_later_onset(fit: WearFit, log_limit: FloatArray, crossing: FloatArray) -> FloatArray:
    """Crossings, had some of the paths that flatten out or fall a climb still to come."""
    if fit.draws is None:
        return crossing
    chosen, onset, rate = later_onsets(fit, crossing)
    start = log_level(fit.draws, float(fit.last_drop_number) * np.ones(1))[chosen, 0]
    crossing = crossing.copy()
    crossing[chosen] = onset + np.ceil((log_limit[chosen] - start) / rate)
    return crossing


def level_crossings(
    fit: WearFit, *, limit_g: float | None, limit_rise: float, horizon: int
) -> FloatArray:
    """First drop at which the level of each draw reaches the limit, by its shape alone.

    Parameters
    ----------
    fit : WearFit
        Of one series.
    limit_g, limit_rise, horizon
        As in ``forecast``.

    Returns
    -------
    ndarray of shape (n_draws,)
        Infinite far beyond the horizon; empty without draws.
    """
    log_limit = _log_limit(fit, limit_g, limit_rise)
    return _crossings([fit], [log_limit], _HORIZON_MARGIN * horizon)[0]


def later_onsets(
    fit: WearFit, crossing: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Draws among those that flatten out or fall which may yet climb, and how.

    Steady paths need none of it: the shapes hold onsets beyond the last drop.

    Parameters
    ----------
    fit : WearFit
        With draws.
    crossing : ndarray of shape (n_draws,)
        From ``level_crossings``.

    Returns
    -------
    chosen : ndarray of int, shape (n_chosen,)
        Which draws.
    onset, rate : ndarray of shape (n_chosen,)
        Drop at which each begins to climb, and its rise of log level per drop from there.
    """
    draws = fit.draws
    if draws is None:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    flat = np.isin(draws.family, _FLAT_IN_THE_END) | (draws.climb < 0.0)
    chosen = np.flatnonzero(flat & (evenly(ONSET) < LATER_ONSET) & np.isinf(crossing))
    after, rate = evenly_normal(ONSET_AFTER)[chosen], evenly_normal(ONSET_RATE)[chosen]
    onset = fit.last_drop_number + np.ceil(_ONSET_AFTER * np.exp(_ONSET_LOG_SD * after))
    return chosen, onset, _ONSET_RATE * np.exp(_ONSET_RATE_LOG_SD * rate)


def discrepancy() -> FloatArray:
    """Factor of each draw on the drops left, for what no shape allows for."""
    return np.exp(DISCREPANCY_LOG_SD * evenly_normal(DISCREPANCY))


def _joined(parts: Sequence[WearDraws]) -> WearDraws:
    return WearDraws(
        *(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(WearDraws))
    )


def _picked(draws: WearDraws, order: IntArray) -> WearDraws:
    return WearDraws(*(getattr(draws, one.name)[order] for one in fields(draws)))


def _first_reached(draws: WearDraws, rise: FloatArray, farthest: int) -> FloatArray:
    """First drop at which each path stands ``rise`` above its start, by bisection.

    Bisection finds the first crossing of a path that doesn't come back below the limit. A path
    with a step up and a falling climb might; such paths have no prior weight, since climbs beside
    a step only rise. A path that starts at or above the limit is caught before.
    """
    order = np.argsort(draws.family, kind="stable")
    draws, rise = _picked(draws, order), rise[order]
    low = np.zeros(rise.size)
    high = np.full(rise.size, float(farthest + 1))
    stepping = np.flatnonzero(draws.step_family != STEADY)

    def reached(drop: FloatArray) -> NDArray[np.bool_]:
        path = draws.climb * climb_basis(draws.family, draws.parameter, drop[:, None])[:, 0]
        path[stepping] += (
            draws.step[stepping]
            * climb_basis(
                draws.step_family[stepping], draws.step_parameter[stepping], drop[stepping, None]
            )[:, 0]
        )
        return np.asarray(path >= rise, dtype=np.bool_)

    high = np.where(reached(np.ones(rise.size)), 1.0, high)
    for _ in range(int(np.ceil(np.log2(farthest + 1))) + 1):
        middle = np.floor(0.5 * (low + high))
        inside = middle > low
        there = reached(np.maximum(middle, 1.0))
        high = np.where(inside & there, middle, high)
        low = np.where(inside & ~there, middle, low)
    drops = np.empty(rise.size)
    drops[order] = np.where(high > farthest, np.inf, high)
    return drops


def _outcome(
    history: DropHistory,
    life: DamageLife | None,
    crossing: FloatArray,
) -> Outcome:
    last = history.last_drop_number
    by_level = crossing if crossing.size else np.full(N_DRAWS, np.inf)
    ahead = by_level > last
    with np.errstate(invalid="ignore"):
        eased = last + np.maximum(1.0, np.round((by_level - last) * discrepancy()))
    by_level = np.where(ahead, eased, by_level)
    level_drop = _quantile(np.sort(by_level), 0.5, last)
    damage_drop = known_life(history, looks_are_logged=True).by
    if level_drop is None and damage_drop is None:
        if life is not None:
            by_level = np.minimum(by_level, life.draw(evenly(DAMAGE)))
        left = np.sort(by_level[by_level > last])
        return Outcome(left, None, None, damage_known=life is not None)
    failure = np.sort(by_level if damage_drop is None else np.minimum(by_level, damage_drop))
    if damage_drop is not None and (level_drop is None or damage_drop < level_drop):
        return Outcome(failure, damage_drop, "damage", damage_known=True)
    return Outcome(failure, int(level_drop or last), "peak limit", damage_known=life is not None)


def _well_informed(histories: Sequence[DropHistory]) -> list[bool]:
    """Whether a series, or another one of its case model, has drops enough for a trend."""
    enough: dict[str, int] = defaultdict(int)
    for history in histories:
        if history.case_model is not None:
            enough[history.case_model] += history.drop_number.size >= MIN_DROPS_FOR_TREND
    return [
        history.drop_number.size >= MIN_DROPS_FOR_TREND
        or (
            history.drop_number.size > 0
            and history.case_model is not None
            and enough[history.case_model] > 0
        )
        for history in histories
    ]


def _forecast(
    history: DropHistory,
    fit: WearFit,
    outcome: Outcome,
    *,
    level: float,
    limit_g: float | None,
    horizon: int,
    informed: bool,
    like_failed: int,
) -> Forecast:
    last = history.last_drop_number
    failed = outcome.failed_at_drop is not None
    drops = outcome.failure_drop
    numbers = np.arange(last, max(horizon, last) + 1)
    if not (informed or failed) or drops.size == 0:
        numbers, survival = np.array([last]), np.ones(1)
        prediction = Prediction(lower=float(last + 1), median=None, upper=None)
        b10 = None
    else:
        survival = 1.0 - np.searchsorted(drops, numbers, side="right") / drops.size
        outside = (1.0 - level) / 2.0
        lower, median, upper, b10 = (
            _quantile(drops, fraction, horizon) for fraction in (outside, 0.5, 1.0 - outside, 0.1)
        )
        prediction = Prediction(lower, median, upper)
    return Forecast(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        failed=failed,
        failed_at_drop=outcome.failed_at_drop,
        failure_cause=outcome.cause,
        limit_g=limit_g,
        drops_to_failure=prediction,
        survival_drop=numbers,
        survival_probability=survival,
        b10_drop=b10,
        basis=_basis(history, fit, outcome, informed=informed, like_failed=like_failed),
        shape_weights=fit.shape_weights,
    )


def _quantile(sorted_drops: FloatArray, fraction: float, horizon: int) -> float | None:
    """First drop by which at least that fraction has failed; None beyond the horizon."""
    position = max(0, math.ceil(fraction * sorted_drops.size - 1e-9) - 1)
    drop = float(sorted_drops[position])
    return drop if drop <= horizon else None


def _basis(
    history: DropHistory,
    fit: WearFit,
    outcome: Outcome,
    *,
    informed: bool,
    like_failed: int,
) -> str:
    failed = outcome.failed_at_drop is not None
    parts = [counted(fit.valid_drops, "valid drop")]
    if fit.valid_drops < history.drops:
        parts[0] += f" of {history.drops}"
    if not informed and not failed:
        parts.append("too few to forecast")
        if history.drops:
            shown = success_run_reliability(1, _CONFIDENCE)
            parts.append(
                f"1 case held {counted(history.drops, 'drop')}: reliability there ≥ {shown:.2f}"
                f" at {100 * _CONFIDENCE:.0f} % confidence"
            )
        return ", ".join(parts)
    like = fit.siblings + fit.siblings_elsewhere
    if like:
        parts.append(counted(like, "like series", "like series"))
        others_failed = like_failed - failed
        parts.append(f"{others_failed} failed" if others_failed else "none failed")
    if fit.siblings_elsewhere:
        parts.append(f"{fit.siblings_elsewhere} at other conditions for shape and rate only")
    if not outcome.damage_known:
        parts.append("damage not inspected")
    return ", ".join(parts)
