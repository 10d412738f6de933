"""What-ifs: the level at drops to come, one more session, temperature and rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.record.basis import counted
from durability.wear.draws import RATE, evenly_normal, log_level
from durability.wear.fitting import fit_wear
from durability.wear.forecast import forecast
from durability.wear.lives import (
    FailureLimit,
    case_lives,
    discrepancy,
    later_onsets,
    level_crossings,
)
from durability.wear.results import CovariateEffect, Forecast, LevelFan, MoreDrops

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DropHistory, FloatArray
    from durability.wear.case_fit import CaseFit
    from durability.wear.results import WearFit

INNER = 0.5


def level_fan(
    fit: CaseFit,
    series: int,
    *,
    farthest: int,
    limit: FailureLimit,
    level: float = 0.9,
) -> LevelFan:
    """Where the level will lie, drop by drop, from the last drop on.

    The paths are those of the forecast: its draws, climbs still to come among them, drops ahead
    stretched by the same discrepancy. While the level has not reached the limit only paths count
    that have not either.

    Parameters
    ----------
    fit : CaseFit
        Of its case.
    series : int
        Which of the case's series goes on.
    farthest : int
        Last drop of the fan, counted from the first drop of that series.
    limit : FailureLimit
        As in ``forecast``.
    level : float
        Content of the outer band.

    Returns
    -------
    LevelFan
        Empty when the fit has no draws, or the last drop lies at or beyond ``farthest``.
    """
    last = fit.case.made + 1 - fit.case.first_ages[series]
    drops = np.arange(last, max(farthest, last) + 1)
    if fit.draws is None or drops.size < 2:
        nothing = np.empty(0)
        return LevelFan(
            nothing.astype(np.int64), nothing, nothing, nothing, nothing, nothing, level
        )
    ease = np.exp(-fit.rate_log_sd[series] * evenly_normal(RATE)) * discrepancy(fit, series, limit)
    further = np.rint((drops - last) / ease[:, None])
    wear = fit.clock[-1] + (further - 1.0) * fit.rate[series]
    wear[further == 0.0] = fit.clock[-2]
    paths = log_level(fit.draws, wear)
    paths += (fit.log_fresh[series] - fit.draws.log_level_first)[:, None]
    if fit.ahead is not None:
        paths += fit.ahead[:, None]
    crossing = level_crossings([fit], limit)[0][series]
    chosen, onset, rate = later_onsets(fit, crossing)
    paths[chosen] += rate[:, None] * np.maximum(0.0, wear[chosen] - onset[:, None])
    kept = crossing > fit.clock[-2]
    if kept.mean() < 0.5:  # by the middle path it is there already
        kept[:] = True
    outside = (1.0 - level) / 2.0
    shares = (outside, (1.0 - INNER) / 2.0, 0.5, (1.0 + INNER) / 2.0, 1.0 - outside)
    with np.errstate(over="ignore"):
        bands = np.exp(np.quantile(paths[kept], shares, axis=0, method="inverted_cdf"))
    lower, inner_lower, median, inner_upper, upper = bands
    return LevelFan(drops, lower, inner_lower, median, inner_upper, upper, level)


_FUTURES = 24
"""Possible continuations tried, spread evenly over the posterior."""
_MOST_SIBLINGS = 8


def value_of_more_drops(
    history: DropHistory,
    *,
    extra: int = 5,
    siblings: Sequence[DropHistory] = (),
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
) -> MoreDrops:
    """How much narrower the forecast is expected to be after further drops.

    Continuations are drawn from the posterior, readings with their scatter, and each is
    forecast as if it had been seen. Damage is left out: it can't be simulated from peak g.

    Parameters
    ----------
    history : DropHistory
        The series to go on with.
    extra : int
        Further drops.
    siblings : sequence of DropHistory
        Other series of its case, and of its case model; of these the first few are used.
    level, limit_g, limit_rise, horizon
        As in ``forecast``.

    Returns
    -------
    MoreDrops
        Without numbers where there is too little to forecast now.
    """
    limits = {"level": level, "limit_rise": limit_rise, "horizon": horizon}
    same = [each for each in siblings if each.case is not None and each.case == history.case]
    like = [each for each in siblings if each not in same][:_MOST_SIBLINGS]
    # The series that goes on comes last: its further drops are the case's next.
    known = [_without_damage(each) for each in (*like, *same, history)]
    *others, now_history = known
    fits = fit_wear(known)
    lives = case_lives(known, fits, FailureLimit(limit_g, limit_rise, horizon))
    now = forecast(known, limit_g=limit_g, fits=fits, lives=lives, **limits)[-1]  # type: ignore[arg-type]
    fit = next(life.fit for life in lives if history.series in life.case.series)
    draws, at = fit.draws, fit.case.series.index(history.series)
    if draws is None or now.failed or now.b10_drop is None is now.drops_to_failure.median:
        reason = "failed already" if now.failed else "too few drops to plan with"
        return MoreDrops(history.series, extra, None, None, reason)
    number = np.arange(history.last_drop_number + 1, history.last_drop_number + 1 + extra)
    rng = np.random.default_rng(22)
    chosen = rng.permutation(draws.climb.size)[:_FUTURES]
    wear = fit.clock[-1] + np.arange(extra) * fit.rate[at]
    path = log_level(draws, wear) + (fit.log_fresh[at] - draws.log_level_first)[:, None]
    path = np.minimum(path[chosen], 12.0)
    readings = path + draws.scatter[chosen, None] * rng.standard_normal(path.shape)
    cases: list[DropHistory] = []
    for future, reading in enumerate(readings):
        longer = replace(
            now_history,
            drop_number=np.concatenate([history.drop_number, number]),
            peak_g=np.concatenate([history.peak_g, np.exp(reading)]),
            drops=history.drops + extra,
            last_drop_number=int(number[-1]),
        )
        cases += [_apart(each, f"future {future}") for each in (*others, longer)]
    told = forecast(cases, limit_g=limit_g, **limits)  # type: ignore[arg-type]
    spreads = [_log_spread(one, horizon) for one in told[len(others) :: len(known)]]
    return MoreDrops(
        series=history.series,
        extra_drops=extra,
        spread_now=math.exp(_log_spread(now, horizon)),
        spread_then=math.exp(float(np.mean(spreads))),
        basis=f"{now.basis}, {counted(_FUTURES, 'simulated future')}",
    )


def _apart(history: DropHistory, world: str) -> DropHistory:
    """The same in a world of its own, which informs no other."""
    return replace(
        history,
        series=f"{history.series} {world}",
        case=None if history.case is None else f"{history.case} {world}",
        case_model=world,
    )


def _without_damage(history: DropHistory) -> DropHistory:
    return replace(
        history,
        damage_drop_number=None,
        damage_severity=None,
        temperature_c=None,
        dropped_at_s=None,
    )


def _log_spread(one: Forecast, horizon: int) -> float:
    """Log of upper over lower drops left; beyond the horizon counts as the horizon."""
    if one.failed:
        return 0.0
    last = int(one.survival_drop[0])
    lower, upper = (
        max((horizon if drop is None else drop) - last, 1.0)
        for drop in (one.drops_to_failure.lower, one.drops_to_failure.upper)
    )
    return math.log(upper / lower)


LEVEL = 0.9
"""Content of the intervals."""
LONG_REST_H = 6.0
"""A rest longer than this is a long one: overnight."""
_WEAR_TERMS = 3
"""Each series' own level, slope and curvature over drops are taken out first."""
_FEWEST_DROPS = _WEAR_TERMS + 3


def covariate_effects(
    histories: Sequence[DropHistory], fits: Sequence[WearFit] | None = None
) -> list[CovariateEffect]:
    """Effect on peak g of 10 °C and of a long rest before the drop.

    Within each series, log peak g and both covariates are cleared of level, slope and curvature
    over drops (Frisch & Waugh 1933); readings in doubt are left out. With several series the
    interval rests on how their slopes differ, else on the scatter of the readings.

    Parameters
    ----------
    histories : sequence of DropHistory
        With ``temperature_c`` or ``dropped_at_s`` where they were recorded.
    fits : sequence of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already.

    Returns
    -------
    list of CovariateEffect
        For "temperature", then "long rest"; without numbers where the records can't tell.
    """
    doubted = [fit.doubted_drops for fit in (fit_wear(histories) if fits is None else fits)]
    usable = [
        (history, ~np.isin(history.drop_number, names))
        for history, names in zip(histories, doubted, strict=True)
    ]
    temperature = [
        (history, kept & np.isfinite(history.temperature_c), history.temperature_c / 10.0)
        for history, kept in usable
        if history.temperature_c is not None
    ]
    rest = []
    for history, kept in usable:
        if history.dropped_at_s is None:
            continue
        gap_h = np.diff(history.dropped_at_s, prepend=np.nan) / 3600.0
        # Rest is known only between drops that follow each other.
        follows = np.diff(history.drop_number, prepend=-1) == 1
        rested = (gap_h >= LONG_REST_H).astype(np.float64)
        # A gap below 0 is a clock that ran backwards; NaN is no gap either.
        rest.append((history, kept & (gap_h >= 0) & follows, rested))
    return [
        _effect("temperature", "10 °C warmer", temperature),
        _effect("long rest", f"first drop after {LONG_REST_H:.0f} h of rest or more", rest),
    ]


def _effect(
    covariate: Literal["temperature", "long rest"],
    per: str,
    records: Sequence[tuple[DropHistory, NDArray[np.bool_], FloatArray]],
) -> CovariateEffect:
    from scipy.special import stdtrit

    crosses, squares, residuals, drops = [], [], [], 0
    for history, kept, value in records:
        if kept.sum() < _FEWEST_DROPS:
            continue
        number = history.drop_number[kept].astype(np.float64)
        wear = np.polynomial.legendre.legvander(_to_unit(number), _WEAR_TERMS - 1)
        x, y = (
            column - wear @ np.linalg.lstsq(wear, column, rcond=None)[0]
            for column in (value[kept], np.log(history.peak_g[kept]))
        )
        if x @ x < 1e-6 * number.size:
            continue
        crosses.append(x @ y)
        squares.append(x @ x)
        residuals.append((y @ y, number.size - _WEAR_TERMS))
        drops += number.size
    series = len(crosses)
    if series == 0:
        reason = f"{covariate} not recorded, or never varied within a series of 6 drops or more"
        return CovariateEffect(covariate, per, 0, 0, None, None, None, reason)
    cross, square = np.array(crosses), np.array(squares)
    slope = cross.sum() / square.sum()
    if series > 1:
        # Sandwich over series with its small-sample factor (Liang & Zeger 1986).
        variance = ((cross - slope * square) ** 2).sum() / square.sum() ** 2
        variance *= series / (series - 1)
        freedom = series - 1
        basis = f"{counted(series, 'series', 'series')}, interval from how they differ"
    else:
        ((total, freedoms_left),) = residuals
        freedom = freedoms_left - 1
        variance = (total - slope * cross[0]) / freedom / square[0]
        basis = "1 series, interval from its scatter"
    half = float(stdtrit(freedom, 0.5 + 0.5 * LEVEL)) * variance**0.5
    effect, lower, upper = (
        100.0 * float(np.expm1(value)) for value in (slope, slope - half, slope + half)
    )
    return CovariateEffect(
        covariate, per, series, drops, effect, lower, upper, f"{basis}, {counted(drops, 'drop')}"
    )


def _to_unit(number: FloatArray) -> FloatArray:
    scaled = 2.0 * (number - number[0]) / (number[-1] - number[0]) - 1.0
    return np.asarray(scaled, dtype=np.float64)
