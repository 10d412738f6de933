"""Drops to failure of each series: what the life of its case says, and what that rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.life.results import Prediction
from durability.record.basis import counted, in_a_row_words, readings
from durability.wear.cases import by_itself
from durability.wear.damage import SCALE_MEDIAN, DamageLife, success_run_reliability
from durability.wear.fitting import fit_wear
from durability.wear.lives import CaseLife, FailureLimit, case_lives, lives_of, quantile
from durability.wear.results import Forecast, WearFit

if TYPE_CHECKING:
    from durability.record.records import DropHistory, IntArray

_CONFIDENCE = 0.9
"""Confidence of the success-run bound when there is too little to forecast."""
_MOST_NAMED = 3
"""Cases named one by one."""


def forecast(
    histories: Sequence[DropHistory],
    *,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    fits: Sequence[WearFit] | None = None,
    lives: Sequence[CaseLife] | None = None,
) -> list[Forecast]:
    """Predictive distribution of the drop at which each series fails.

    A case has one life, over all its series. It fails when its level (not one reading) reaches the
    limit, or when damage of severity 4 is seen on it, whichever comes first. While it has not
    failed everything is conditional on that: its failure lies beyond its age now. Further drops
    are those of the series. The basis names what the numbers rest on.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series; those of one case model inform each other.
    level : float
        Content of the central prediction interval.
    limit_g : float, optional
        Level in g at which the case no longer protects.
    limit_rise : float
        Used without ``limit_g``: fraction above the level of the fresh case, at age 1, under the
        conditions of the series.
    horizon : int
        Drop number beyond which a prediction is ``None``.
    fits : sequence of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already.
    lives : sequence of CaseLife, optional
        What ``case_lives`` gave for these, when it has been called already.

    Returns
    -------
    list of Forecast
        In the order of ``histories``.
    """
    if fits is None:
        fits = fit_wear(histories)
    limit = FailureLimit(limit_g, limit_rise, horizon)
    if lives is None:
        lives = case_lives(histories, fits, limit)
    by_series = {
        history.series: (life, at)
        for life in lives
        for at, history in enumerate(life.case.histories)
    }
    failed_by_model = Counter(
        life.case.case_model for life in lives if life.failed_at_age is not None
    )
    alone = _judged_alone(histories, fits, lives, limit)
    found = []
    for history in histories:
        life, at = by_series[history.series]
        like_failed = failed_by_model[life.case.case_model] - (life.failed_at_age is not None)
        basis = _basis(life, at, like_failed=like_failed)
        if history.series in alone:
            own = _prediction(alone[history.series], 0, level, horizon)
            basis += f", judged alone: {_span(alone[history.series], own)}"
        found.append(_forecast(life, at, level=level, limit=limit, basis=basis))
    return found


def _judged_alone(
    histories: Sequence[DropHistory],
    fits: Sequence[WearFit],
    lives: Sequence[CaseLife],
    limit: FailureLimit,
) -> dict[str, CaseLife]:
    """Lives of the series of cases that have several, were each the only one of its case."""
    several = {
        history.series
        for life in lives
        for history in life.case.histories
        if len(life.case.histories) > 1
    }
    models = {history.case_model for history in histories if history.series in several}
    cases, known = [], {}
    for history, fit in zip(histories, fits, strict=True):
        if history.series in several or (history.case_model in models - {None}):
            cases.append(by_itself(history))
            known[history.series] = fit
    return {
        life.case.histories[0].series: life
        for life in lives_of(cases, known, limit)
        if life.case.histories[0].series in several
    }


def _prediction(life: CaseLife, series: int, level: float, horizon: int) -> Prediction:
    """Drop of failure counted from the first drop of a series, with its central interval."""
    before = life.case.first_ages[series] - 1
    if life.failed_at_age is not None and life.failed_at_age <= before:
        return Prediction(0.0, 0.0, 0.0)
    told = life.prediction(series, level, horizon + before)
    lower, median, upper = (
        None if age is None else age - before for age in (told.lower, told.median, told.upper)
    )
    return Prediction(lower, median, upper)


def _forecast(
    life: CaseLife, series: int, *, level: float, limit: FailureLimit, basis: str
) -> Forecast:
    history, outcome = life.case.histories[series], life.outcomes[series]
    before = life.case.first_ages[series] - 1
    now = life.case.made - before
    failed = life.failed_at_age is not None
    failed_at = None if life.failed_at_age is None else max(life.failed_at_age - before, 0)
    drops = outcome.failure_age - before
    numbers = _numbers(now, max(limit.horizon, now))
    by_limit = by_damage = b10 = None
    if not (life.informed or failed) or drops.size == 0:
        numbers, survival = np.array([now]), np.ones(1)
        prediction = Prediction(lower=float(now + 1), median=None, upper=None)
    else:
        failures = np.searchsorted(drops, numbers, side="right")
        survival = 1.0 - failures / drops.size
        within = 1.0 - float(survival[-1])
        by_damage = float(outcome.by_damage[: failures[-1]].sum()) / drops.size
        if failed:
            by_damage = within if life.cause == "damage" else 0.0
        by_limit = within - by_damage
        prediction = _prediction(life, series, level, limit.horizon)
        b10 = 0.0 if failed_at == 0 else quantile(drops, 0.1, limit.horizon)
    return Forecast(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        case_age_at_first_drop=before + 1,
        case_age=life.case.made,
        failed=failed,
        failed_at_age=life.failed_at_age,
        failed_at_drop=failed_at,
        failed_in=life.failed_in,
        failure_cause=life.cause,
        limit_g=limit.in_g(life.fit.fresh_g(series)) if life.fresh_is_shown else None,
        drops_to_failure=prediction,
        survival_drop=numbers,
        survival_probability=survival,
        failed_by_limit=by_limit,
        failed_by_damage=by_damage,
        b10_drop=b10,
        basis=basis,
        shape_weights=life.fit.shape_weights,
        drops_lacking=life.drops_lacking,
    )


@lru_cache(maxsize=64)
def _numbers(first: int, last: int) -> IntArray:
    """Drop numbers, one array for all forecasts over the same."""
    return np.arange(first, last + 1)


def without_case(bare: Forecast) -> Forecast:
    """What is said of drops without a case: there is nothing that could fail."""
    return replace(
        bare,
        limit_g=None,
        drops_to_failure=Prediction(None, None, None),
        survival_drop=bare.survival_drop[:0],
        survival_probability=bare.survival_probability[:0],
        failed_by_limit=None,
        failed_by_damage=None,
        b10_drop=None,
        basis="bare: no case to fail",
        shape_weights={},
    )


def _basis(life: CaseLife, series: int, *, like_failed: int) -> str:
    case, failed = life.case, life.failed_at_age is not None
    history = case.histories[series]
    parts = [readings(history)]
    if len(case.histories) > 1:
        parts[0] += f", {case.valid[0].size} by its case in {len(case.histories)} series"
        parts.append(f"case age {case.first_ages[series]} at first drop")
        rest = case.longest_rest
        if rest is not None:
            parts.append(f"longest rest {rest}")
    if series in case.breaks:
        parts.append(
            "its step from the series before is attributed to mount, sensor or foam, not wear"
        )
    off = [case.drop_at(age) for age in life.fit.off_in_a_row]
    off_here = tuple(number for code, number in off if code == history.series)
    if len(off_here) > 1:
        parts.append(in_a_row_words(off_here))
    if not life.fresh_is_shown and not failed:
        first = case.valid[1][0]
        parts.append(
            f"its first reading is at drop {first} of its life, too late to show the fresh case:"
            " only a limit in g can be forecast"
        )
        return ", ".join(parts)
    if not life.informed and not failed:
        more = counted(life.drops_lacking, "further valid drop")
        parts.append(f"too few to forecast: {more} would give a median and an upper end")
        if case.made:
            shown = success_run_reliability(1, _CONFIDENCE)
            parts.append(
                f"1 case held {counted(case.made, 'drop')}: reliability there ≥ {shown:.2f}"
                f" at {100 * _CONFIDENCE:.0f} % confidence"
            )
        return ", ".join(parts)
    if life.fit.rate_log_sd[series] > 0.0:
        parts.append(life.fit.rate_words(series))
    like = life.fit.siblings + life.fit.siblings_elsewhere
    if like:
        parts.append(counted(like, "like case"))
        parts.append(f"{like_failed} failed" if like_failed else "none failed")
    if life.fit.siblings_elsewhere:
        parts.append(f"{life.fit.siblings_elsewhere} at other conditions for shape and rate only")
    if life.fit.wander is not None and life.fit.draws is not None:
        scatter = 100.0 * float(np.median(life.fit.draws.scatter))
        parts.append(f"which with it show one form of wear: scatter {scatter:.1f} %")
    if life.damage is None:
        parts.append("damage not inspected")
    else:
        parts.append(_damage_words(life.damage))
    seen = life.failed_in
    if life.cause == "damage" and seen is not None and seen.series == history.series:
        parts.append(_came_between(history, seen.drop_number))
    return ", ".join(parts)


def _came_between(history: DropHistory, seen_at: int) -> str:
    """Between which inspections damage of severity 4 came."""
    looks = () if history.damage_drop_number is None else history.damage_drop_number
    before = [int(number) for number in looks if number < seen_at]
    if not before:
        return f"severity 4 seen at drop {seen_at}, not inspected before"
    last = f"at drop {max(before)}" if max(before) > 0 else "before the first drop"
    return f"severity 4 seen at drop {seen_at}, not yet {last}"


def _damage_words(damage: DamageLife) -> str:
    """What the life by damage rests on, siblings whose failure moves it among it."""
    cases = counted(damage.cases, "case")
    words = f"life by damage from {cases}, prior median {SCALE_MEDIAN:.0f} drops"
    names = damage.failed_others
    if not names:
        return words
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"{words}, shortened by severity 4 on {', '.join(names[:_MOST_NAMED])}{more}"


def _span(life: CaseLife, told: Prediction) -> str:
    if life.failed_at_age is not None:
        return f"failed at {life.failed_at_age}"
    lower, median, upper = (
        "beyond" if end is None else f"{end:.0f}" for end in (told.lower, told.median, told.upper)
    )
    return f"{median} ({lower} to {upper})"
