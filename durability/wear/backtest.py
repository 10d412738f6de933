"""Past forecasts checked against what happened: each series cut, forecast as of then, and judged.

What a forecaster is held to is here, whoever it is: our own, or any regressor of scikit-learn.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.life.results import Backtest, CutFigures, Prediction
from durability.record.basis import MIN_DROPS_FOR_TREND

if TYPE_CHECKING:
    from durability.record.records import DropHistory, FloatArray
    from durability.wear.lives import FailureLimit
    from durability.wear.results import Forecast

SHARES = (0.3, 0.5, 0.7, 0.9)
"""Shares of a life, or of the drops made, at which each series is cut."""

_CONFIDENCE = 0.9
"""Of the interval of the share that held."""

Forecaster = Callable[[Sequence["DropHistory"], str], Prediction | None]
"""From what was known, and a series, to the drop at which its case fails, counted from its first;
None where that is too little to forecast."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How one series ended, in drops of its case counted from the first of the series."""

    history: DropHistory
    failed_at: int | None
    """None: it had not failed by the drops made."""
    made: int
    """Drops until it failed, else until its last."""

    @property
    def truth(self) -> int:
        """Drop at which it failed; of one that hasn't, the earliest at which it still can."""
        return self.made + 1 if self.failed_at is None else self.failed_at


@dataclass(frozen=True, slots=True)
class PastForecast:
    """One forecast as of a past drop."""

    ended: Ended
    share: float
    made: int
    """Drops made by then."""
    predicted: Prediction | None

    @property
    def is_judged(self) -> bool:
        """Whether it is known to have held or not: it failed, or has outlasted the upper end."""
        if self.predicted is None or self.ended.failed_at is not None:
            return self.predicted is not None
        upper = self.predicted.upper
        return upper is not None and upper < self.ended.truth

    @property
    def held(self) -> bool:
        """Whether the failure came within the interval."""
        if self.predicted is None or self.ended.failed_at is None:
            return False
        lower, _, upper = _ends(self.predicted)
        return lower <= self.ended.truth <= upper

    def log_left(self, horizon: int) -> FloatArray:
        """Log drops left from then: lower end, median, upper end, and what came.

        At least one drop, and at most until the drop after the horizon.
        """
        ends = (*_ends(self.predicted or Prediction(None, None, None)), float(self.ended.truth))
        left = np.minimum(ends, horizon + 1.0) - self.made
        return np.asarray(np.log(np.maximum(left, 1.0)))


def interval_score(
    lower: FloatArray, upper: FloatArray, truth: FloatArray, level: float
) -> FloatArray:
    """Width of each central interval, plus 2 / (1 - level) times what it misses the truth by.

    Smallest on average for the right interval (Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102,
    eq. 43).

    Parameters
    ----------
    lower, upper, truth : ndarray
        Of one shape.
    level : float
        Content of the intervals.
    """
    missed = np.maximum(lower - truth, 0.0) + np.maximum(truth - upper, 0.0)
    return upper - lower + 2.0 / (1.0 - level) * missed


def backtest(
    record: Sequence[DropHistory],
    ended: Sequence[Ended],
    forecaster: Forecaster,
    *,
    level: float,
    horizon: int,
    told: Callable[[str, int, int], None] = lambda *_: None,
) -> Backtest:
    """How often past intervals held, and how far their medians were off, by share of life.

    Parameters
    ----------
    record : sequence of DropHistory
        Every series of the record.
    ended : sequence of Ended
        Those whose forecasts are judged, each with what came of it.
    forecaster : callable
        Forecasts each as of each cut, by what was known then (``known_by``).
    level : float
        Content of its intervals.
    horizon : int
        Drop number beyond which a life counts as beyond.
    told : callable
        Called as each forecast begins: words, how many are done, of how many.

    Returns
    -------
    Backtest
    """
    past: list[PastForecast] = []
    alike = _alike(record)
    total = len(ended) * len(SHARES)
    for each in ended:
        found: dict[int, Prediction | None] = {}
        for share in SHARES:
            told(f"forecast {len(past) + 1} of {total}: {each.history.series}", len(past), total)
            number, made = _cut(each, share)
            if number not in found:
                known = known_by(alike[_group(each.history)], each.history, number)
                found[number] = forecaster(known, each.history.series) if number else None
            past.append(PastForecast(each, share, made, found[number]))
    models = sorted({each.history.case_model for each in ended} - {None}, key=str)
    return Backtest(
        level=level,
        series=len(ended),
        failed=sum(each.failed_at is not None for each in ended),
        cuts=_figures(past, None, level, horizon),
        by_model=tuple(
            figures
            for model in models
            for figures in _figures(
                [each for each in past if each.ended.history.case_model == model],
                model,
                level,
                horizon,
            )
        ),
    )


def ended_of(histories: Iterable[DropHistory], forecasts: Iterable[Forecast]) -> list[Ended]:
    """How each series with drops ended, as the whole record has it.

    Left out is what was dropped bare, and what was begun on a case that had failed before.
    """
    found = []
    for history, forecast in zip(histories, forecasts, strict=True):
        failed_at = forecast.failed_at_drop
        if forecast.is_bare or not history.drop_number.size or failed_at == 0:
            continue
        made = int(_since_first(history)[-1])
        if failed_at is not None and failed_at > made:
            failed_at = None  # in a later series
        found.append(Ended(history, failed_at, made if failed_at is None else failed_at))
    return found


def _since_first(history: DropHistory) -> Any:
    """Drops of the case at each drop of a series, counted from its first."""
    ages = history.all_case_ages
    return ages - ages[0] + 1


def _cut(ended: Ended, share: float) -> tuple[int, int]:
    """Number of the last drop of a series within a share of its life, and drops made by then."""
    made = int(share * ended.made + 1e-9)
    since = _since_first(ended.history)
    number = int(np.searchsorted(since, made, side="right"))
    return number, int(since[number - 1]) if number else 0


def _group(history: DropHistory) -> tuple[str, str]:
    """Whose later drops could inform a forecast."""
    if history.case_model is not None:
        return "model", history.case_model
    return ("series", history.series) if history.case is None else ("case", history.case)


def _alike(record: Iterable[DropHistory]) -> dict[tuple[str, str], list[DropHistory]]:
    groups: dict[tuple[str, str], list[DropHistory]] = defaultdict(list)
    for each in record:
        groups[_group(each)].append(each)
    return groups


def known_by(
    record: Sequence[DropHistory], history: DropHistory, drop_number: int
) -> list[DropHistory]:
    """What was known of each series right after one drop.

    Of its own case every drop made until then, by age. Of other cases the drops dated before it;
    a drop without a time is not known to have been made by then, so it informs only forecasts of
    its own case. What was noted of a case after a drop counts as known with that drop. Readings
    stand as they do now: what was voided or amended since was so then.

    Parameters
    ----------
    record : sequence of DropHistory
        Every series that could inform it.
    history : DropHistory
        One of these.
    drop_number : int
        Its last drop that was known.

    Returns
    -------
    list of DropHistory
        Those of which something was known.
    """
    if not drop_number:
        return []
    age = int(history.all_case_ages[drop_number - 1])
    own = history.drop_number <= drop_number
    times = np.empty(0) if history.dropped_at_s is None else history.dropped_at_s[own]
    now = times[-1] if times.size and np.isfinite(times[-1]) else -math.inf
    found = []
    for each in record:
        if each.series == history.series:
            until = drop_number
        elif each.case is not None and each.case == history.case:
            until = int(np.searchsorted(each.all_case_ages, age, side="right"))
        elif each.dropped_at_s is None:
            continue
        else:
            before = each.drop_number[each.dropped_at_s < now]
            until = int(before.max(initial=0))
        if until:
            found.append(_until(each, until))
    return found


def _until(history: DropHistory, last: int) -> DropHistory:
    """A history as it stood after one of its drops."""
    if last >= history.last_drop_number:
        return history
    kept = history.drop_number <= last
    seen = None if history.damage_drop_number is None else history.damage_drop_number <= last
    never = tuple(number for number in history.never_numbers if number < last)

    def of(values: Any, which: Any) -> Any:
        return None if values is None or which is None else values[which]

    return replace(
        history,
        drop_number=history.drop_number[kept],
        peak_g=history.peak_g[kept],
        temperature_c=of(history.temperature_c, kept),
        dropped_at_s=of(history.dropped_at_s, kept),
        drops=min(history.drops, last - len(never)),
        last_drop_number=last,
        never_numbers=never,
        age_by_drop=of(history.age_by_drop, slice(last)),
        damage_drop_number=of(history.damage_drop_number, seen),
        damage_severity=of(history.damage_severity, seen),
    )


def _ends(predicted: Prediction) -> tuple[float, float, float]:
    """Lower end, median and upper end, infinite beyond the horizon."""
    lower, median, upper = (
        math.inf if each is None else float(each)
        for each in (predicted.lower, predicted.median, predicted.upper)
    )
    return lower, median, upper


def _figures(
    past: Sequence[PastForecast], case_model: str | None, level: float, horizon: int
) -> tuple[CutFigures, ...]:
    return tuple(
        _of_cut([each for each in past if each.share == share], share, case_model, level, horizon)
        for share in SHARES
    )


def _of_cut(
    past: Sequence[PastForecast],
    share: float,
    case_model: str | None,
    level: float,
    horizon: int,
) -> CutFigures:
    judged = [each for each in past if each.is_judged]
    too_few = sum(each.predicted is None for each in past)
    open_ = len(past) - len(judged) - too_few
    if not judged:
        return CutFigures(share, 0, case_model=case_model, not_judged=open_, too_few=too_few)
    lower, median, upper, truth = np.stack([each.log_left(horizon) for each in judged], axis=1)
    held = sum(each.held for each in judged)
    held_lower, held_upper = share_interval(held, len(judged))
    return CutFigures(
        share,
        len(judged),
        held=held / len(judged),
        held_lower=held_lower,
        held_upper=held_upper,
        median_abs_log_error=float(np.median(np.abs(median - truth))),
        interval_score=float(interval_score(lower, upper, truth, level).mean()),
        case_model=case_model,
        not_judged=open_,
        too_few=too_few,
    )


def share_interval(held: int, of: int) -> tuple[float, float]:
    """90 % interval of a share (Clopper & Pearson 1934, Biometrika 26)."""
    from scipy.special import betaincinv

    outside = (1.0 - _CONFIDENCE) / 2.0
    lower = float(betaincinv(held, of - held + 1, outside)) if held else 0.0
    upper = float(betaincinv(held + 1, of - held, 1.0 - outside)) if held < of else 1.0
    return lower, upper


# ------------------------------------------------------------------------- other forecasters


def by_regressor(estimator: Any, limit: FailureLimit, level: float) -> Forecaster:
    """A regressor of scikit-learn as a forecaster: its level drawn on until the limit.

    It is fitted to the series alone, peak g over drop number, and fails where its level reaches
    the limit. The ends are those of its level's band, where it has one: by ``predict_interval``
    (at the level that it has itself), or by a ``predict`` that takes ``return_std``. Any other
    regressor has no interval, so that only its median can be judged: both ends are the median.

    Parameters
    ----------
    estimator : scikit-learn regressor
        Cloned before each fit.
    limit : FailureLimit
        When a case has failed.
    level : float
        Content of the interval.

    Returns
    -------
    Forecaster
    """
    from inspect import signature
    from statistics import NormalDist

    from sklearn.base import clone

    deviate = NormalDist().inv_cdf(0.5 + level / 2.0)
    gives_sd = "return_std" in signature(estimator.predict).parameters
    drops = np.arange(1.0, limit.horizon + 1.0)

    def levels(fitted: Any) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Upper end, middle and lower end of the level at each drop, in g."""
        if hasattr(fitted, "predict_interval"):
            band = fitted.predict_interval(drops[:, None])
            return band["upper"], band["median"], band["lower"]
        if gives_sd:
            middle, sd = fitted.predict(drops[:, None], return_std=True)
            return middle + deviate * sd, middle, middle - deviate * sd
        middle = fitted.predict(drops[:, None])
        return middle, middle, middle

    def forecaster(known: Sequence[DropHistory], series: str) -> Prediction | None:
        history = next(each for each in known if each.series == series)
        if history.drop_number.size < MIN_DROPS_FOR_TREND:
            return None
        numbers = history.wear_clock.astype(np.float64)
        upper, middle, lower = levels(clone(estimator).fit(numbers[:, None], history.peak_g))
        fresh = max(float(middle[0]), 1e-9)
        needed = limit.limit_g or fresh * (1.0 + limit.limit_rise)
        ahead = drops > numbers[-1]

        def reached(line: FloatArray) -> float | None:
            past = np.flatnonzero((line >= needed) & ahead)
            return float(drops[past[0]]) if past.size else None

        return Prediction(reached(upper), reached(middle), reached(lower))

    return forecaster
