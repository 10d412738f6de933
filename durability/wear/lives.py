"""The life of each case: the age at which its level reaches the limit, or damage is seen on it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.life.results import Prediction
from durability.record.basis import MIN_DROPS_FOR_TREND
from durability.wear.case_fit import CaseFit, fit_cases
from durability.wear.cases import Case, cases_of
from durability.wear.damage import DamageLife, fit_damage, known_life
from durability.wear.draws import (
    DAMAGE,
    DISCREPANCY,
    N_DRAWS,
    ONSET,
    ONSET_AFTER,
    ONSET_RATE,
    RATE,
    evenly,
    evenly_normal,
    risen,
)
from durability.wear.fleet import FEWEST_CASES, fleet_draws
from durability.wear.outliers import shows_fresh
from durability.wear.results import FailedIn, FailureCause, WearDraws, WearFit
from durability.wear.shapes import JUMP, LEVELLING_WIDTHS, SETTLING, STEADY, climb_basis

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DropHistory, FloatArray, IntArray

DISCREPANCY_LOG_SD = 0.12
"""Log standard deviation of the drops left beyond what the shapes allow for: no shape is exact,
and wear to come may depart from all of them."""
_LEAST_LEFT = 0.02
"""Rise of log level to the limit below which the way there is no shorter."""
LATER_ONSET = 0.5
"""Probability that wear which has levelled off, or a level that falls, climbs again later."""
_ONSET_AFTER, _ONSET_LOG_SD = 30.0, 1.2
_ONSET_RATE, _ONSET_RATE_LOG_SD = 0.02, 1.1
"""Medians and log standard deviations of the drops until it does, and of its rate then."""
_FLAT_IN_THE_END = (SETTLING, JUMP, *LEVELLING_WIDTHS)
_HORIZON_MARGIN = 3
"""Crossings are sought to this many horizons, since the discrepancy may bring them within one."""
_BLOCK_SERIES = 64


@dataclass(frozen=True, slots=True)
class FailureLimit:
    """When the level of a case has failed, and how far ahead that is looked for."""

    limit_g: float | None
    limit_rise: float
    horizon: int

    def needed(self, log_fresh: FloatArray) -> FloatArray:
        """Rise of log level above that of the fresh case at which it fails; of the same shape."""
        if self.limit_g is not None:
            return np.asarray(math.log(self.limit_g) - log_fresh, dtype=np.float64)
        return np.full(log_fresh.shape, math.log1p(self.limit_rise))

    def in_g(self, fresh_g: float | None) -> float | None:
        """The limit of a series with that level of the fresh case."""
        if self.limit_g is not None:
            return self.limit_g
        return None if fresh_g is None else fresh_g * (1.0 + self.limit_rise)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Draws of the age at which a case fails, its further drops made under one series' conditions.

    Both arrays have shape (n_draws,), in order of age.
    """

    failure_age: FloatArray
    """Infinite far beyond the horizon; all beyond the age now unless failed."""
    by_damage: NDArray[np.bool_]
    """Whether damage comes first, not the limit."""


@dataclass(frozen=True, slots=True)
class CaseLife:
    """When one case fails, and whether that lies behind it."""

    fit: CaseFit
    outcomes: tuple[Outcome, ...]
    """For each series of the case."""
    failed_at_age: int | None
    cause: FailureCause | None
    damage: DamageLife | None
    """None where no case like it was ever inspected for damage."""
    lacking: int
    """Further valid drops with which there would be enough to say; 0 where there is."""
    fresh_is_shown: bool = True
    """Whether readings reach back far enough to show the fresh case; of no matter to a limit in g.
    """

    @property
    def case(self) -> Case:
        """The case."""
        return self.fit.case

    @property
    def informed(self) -> bool:
        """Whether there is enough to say when it fails."""
        return not self.lacking and self.fresh_is_shown

    @property
    def drops_lacking(self) -> int:
        """Further valid drops that it needs; 0 where they would change nothing."""
        is_waiting = self.failed_at_age is None and self.fresh_is_shown
        return self.lacking if is_waiting else 0

    @property
    def failed_in(self) -> FailedIn | None:
        """The drop at which it failed."""
        age = self.failed_at_age
        return None if age is None else FailedIn(*self.case.drop_at(age))

    def without_draws(self) -> CaseLife:
        """The same without the paths it comes from, which take most of the memory.

        Ages of failure are whole numbers: four bytes hold those within any horizon.
        """
        fit = self.fit
        nothing = np.empty((len(fit.log_fresh), 0))
        return replace(
            self,
            fit=replace(fit, draws=None, log_fresh=nothing, ahead=None, wander=None),
            outcomes=tuple(
                Outcome(each.failure_age.astype(np.float32), each.by_damage[:0].copy())
                for each in self.outcomes
            ),
        )

    def prediction(self, series: int, level: float, horizon: float) -> Prediction:
        """Central interval of the age of failure, further drops being those of one series."""
        if self.failed_at_age is None and not self.informed:
            return Prediction(float(self.case.made + 1), None, None)
        outside = (1.0 - level) / 2.0
        ages = self.outcomes[series].failure_age
        return Prediction(
            *(quantile(ages, share, horizon) for share in (outside, 0.5, 1.0 - outside))
        )


def case_lives(
    histories: Sequence[DropHistory], fits: Sequence[WearFit], limit: FailureLimit
) -> list[CaseLife]:
    """When each case fails, by its level or by damage.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series.
    fits : sequence of WearFit
        Their fits, in the same order.
    limit : FailureLimit
        As in ``forecast``.

    Returns
    -------
    list of CaseLife
        One a case, in the order of their first series; a series without a case is one of its own.
    """
    known = {history.series: fit for history, fit in zip(histories, fits, strict=True)}
    return lives_of(cases_of(histories), known, limit)


def lives_of(
    cases: Sequence[Case], known: Mapping[str, WearFit], limit: FailureLimit
) -> list[CaseLife]:
    """As ``case_lives``, of cases already put together and fits by series."""
    found = fit_cases(cases, known)
    read = [case.valid[1] for case in cases]
    shown = [limit.limit_g is not None or not ages.size or shows_fresh(ages) for ages in read]
    crossings = [
        crossing if is_shown else crossing[:, :0]
        for crossing, is_shown in zip(_crossings(found, limit), shown, strict=True)
    ]
    learned = _by_their_fleets(found, crossings)
    for at, crossing in zip(learned, _crossings([*learned.values()], limit), strict=True):
        found[at], crossings[at] = learned[at], crossing
    return [
        _life(fit, damage, crossing, limit, lacking=lacking, fresh_is_shown=is_shown)
        for fit, damage, crossing, lacking, is_shown in zip(
            found, fit_damage(cases), crossings, _lacking(found), shown, strict=True
        )
    ]


def _by_their_fleets(
    fits: Sequence[CaseFit], crossings: Sequence[FloatArray]
) -> dict[int, CaseFit]:
    """Fits of cases that have not failed yet whose form of wear their fleet shows.

    A fleet is the cases of one model, each dropped under the same conditions all along. Outliers
    teach nobody; several in a row to one side are none.
    """
    fleets: dict[object, list[int]] = defaultdict(list)
    for at, fit in enumerate(fits):
        case = fit.case
        if case.is_plain and case.case_model is not None and fit.draws is not None:
            fleets[case.case_model, case.conditions].append(at)
    found = {}
    for members in fleets.values():
        if len(members) < FEWEST_CASES:
            continue
        clocks, log_peaks = [], []
        for at in members:
            _, ages, peaks = fits[at].case.valid
            full = ~fits[at].down_weighted | np.isin(ages, fits[at].off_in_a_row)
            clocks.append(fits[at].clock[ages[full] - 1])
            log_peaks.append(np.log(peaks[full]))
        learned = fleet_draws(clocks, log_peaks)
        for at, one in zip(members, learned, strict=True):
            now = fits[at].clock[-2]
            if one is not None and np.median(crossings[at][0]) > now:
                found[at] = replace(
                    fits[at],
                    draws=one.draws,
                    log_fresh=one.draws.log_level_first[None],
                    ahead=one.ahead,
                    wander=one.wander,
                )
    return found


_ENOUGH_READINGS = MIN_DROPS_FOR_TREND - 0.5


def _lacking(fits: Sequence[CaseFit]) -> list[int]:
    """Further valid drops that each needs: enough for a trend, or one where its model has them."""
    own = [max(math.floor(_ENOUGH_READINGS - fit.spare_readings) + 1, 0) for fit in fits]
    of_model = {fit.case.case_model for fit, lacking in zip(fits, own, strict=True) if not lacking}
    of_model.discard(None)
    return [
        min(lacking, int(fit.draws is None)) if fit.case.case_model in of_model else lacking
        for fit, lacking in zip(fits, own, strict=True)
    ]


def _crossings(fits: Sequence[CaseFit], limit: FailureLimit) -> list[FloatArray]:
    """Wear at which each case reaches its limit in each draw, a climb still to come included.

    Returns
    -------
    list of ndarray of shape (n_series, n_draws)
        Of each fit; infinite far beyond the horizon; without draws (n_series, 0).
    """
    shape_only = level_crossings(fits, limit)
    crossings = []
    for fit, crossing, rise in zip(fits, shape_only, _risen_by_now(fits), strict=True):
        if rise is None:
            crossings.append(crossing)
            continue
        needed = limit.needed(fit.log_fresh)
        later = crossing.copy()
        for row, to_rise in enumerate(needed):
            chosen, onset, rate = later_onsets(fit, crossing[row])
            later[row, chosen] = onset + np.ceil((to_rise - rise)[chosen] / rate)
        crossings.append(later)
    return crossings


def _risen_by_now(fits: Sequence[CaseFit]) -> Iterator[FloatArray | None]:
    """By how much the log level of each case has risen, of shape (n_draws,); None without one."""
    for start in range(0, len(fits), _BLOCK_SERIES):
        block = fits[start : start + _BLOCK_SERIES]
        known = [(each.draws, each.clock[-2]) for each in block if each.draws is not None]
        rises: Iterator[FloatArray] = iter(())
        if known:
            draws, now = zip(*known, strict=True)
            lasting, settling = risen(draws, np.array(now))
            rises = iter(lasting + settling)
        for each in block:
            if each.draws is None:
                yield None
                continue
            rise = next(rises)
            if each.ahead is not None:
                rise = np.where(each.draws.in_g, np.log1p(rise), rise) + each.ahead
            yield rise


def level_crossings(fits: Sequence[CaseFit], limit: FailureLimit) -> list[FloatArray]:
    """The same by the shapes alone, many cases at a time."""
    crossings: list[FloatArray] = []
    for start in range(0, len(fits), _BLOCK_SERIES):
        block = fits[start : start + _BLOCK_SERIES]
        # A relative limit is reached in all series at once, an absolute one in each level its own.
        firsts = [
            np.unique(fit.case.parts, return_index=True)[1] if limit.limit_g is not None else [0]
            for fit in block
        ]
        parts, needed, steps = [], [], []
        for fit, rows in zip(block, firsts, strict=True):
            if fit.draws is not None:
                parts += [fit.draws] * len(rows)
                rise = limit.needed(fit.log_fresh[rows])
                needed.append((rise if fit.ahead is None else rise - fit.ahead).ravel())
                steps.append(np.full(needed[-1].size, fit.step))
        reached = np.empty(0)
        if parts:
            farthest = _HORIZON_MARGIN * limit.horizon
            reached = _first_reached(
                _joined(parts), np.concatenate(needed), farthest, np.concatenate(steps)
            )
        for fit, rows in zip(block, firsts, strict=True):
            size = len(rows) * (0 if fit.draws is None else N_DRAWS)
            own, reached = reached[:size].reshape(len(rows), -1), reached[size:]
            which = fit.case.parts if len(rows) > 1 else np.zeros(len(fit.case.parts), dtype=int)
            crossings.append(own[which])
    return crossings


def later_onsets(
    fit: CaseFit, crossing: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Draws among those that flatten out or fall which may yet climb, and how.

    Steady paths need none of it: the shapes hold onsets beyond the last drop.

    Parameters
    ----------
    fit : CaseFit
        With draws.
    crossing : ndarray of shape (n_draws,)
        From ``level_crossings``, of one series.

    Returns
    -------
    chosen : ndarray of int, shape (n_chosen,)
        Which draws.
    onset, rate : ndarray of shape (n_chosen,)
        Wear at which each begins to climb, and its rise of log level per unit of wear from there.
    """
    draws = fit.draws
    if draws is None:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    flat = np.isin(draws.family, _FLAT_IN_THE_END) | (draws.climb < 0.0)
    chosen = np.flatnonzero(flat & (evenly(ONSET) < LATER_ONSET) & np.isinf(crossing))
    after, rate = evenly_normal(ONSET_AFTER)[chosen], evenly_normal(ONSET_RATE)[chosen]
    onset = fit.clock[-2] + np.ceil(_ONSET_AFTER * np.exp(_ONSET_LOG_SD * after))
    return chosen, onset, _ONSET_RATE * np.exp(_ONSET_RATE_LOG_SD * rate)


def discrepancy(fit: CaseFit, series: int, limit: FailureLimit) -> FloatArray:
    """Factor of each draw on the drops left, for what no shape allows for.

    In a fleet that shows its form also for the wander about it on the way to the limit, as a share
    of that way.
    """
    log_sd: float | FloatArray = DISCREPANCY_LOG_SD
    if fit.wander is not None:
        (rise,) = _risen_by_now([fit])
        left = np.maximum(limit.needed(fit.log_fresh)[series] - rise, _LEAST_LEFT)
        log_sd = np.sqrt(DISCREPANCY_LOG_SD**2 + np.minimum(fit.wander / left, 1.0))
    return np.exp(log_sd * evenly_normal(DISCREPANCY))


def _joined(parts: Sequence[WearDraws]) -> WearDraws:
    return WearDraws(
        *(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(WearDraws))
    )


def _picked(draws: WearDraws, order: IntArray) -> WearDraws:
    return WearDraws(*(getattr(draws, one.name)[order] for one in fields(draws)))


def _first_reached(
    draws: WearDraws, rise: FloatArray, farthest: int, step: FloatArray
) -> FloatArray:
    """Wear at which each path first stands ``rise`` above its start, by bisection in steps.

    Bisection finds the first crossing of a path that doesn't come back below the limit. A path
    with a step up and a falling climb might; such paths have no prior weight, since climbs beside
    a step only rise. A path that starts at or above the limit is caught before.
    """
    order = np.argsort(draws.family, kind="stable")
    draws, rise, step = _picked(draws, order), rise[order], step[order]
    rise[draws.in_g] = np.expm1(rise[draws.in_g])
    low = np.zeros(rise.size)
    high = np.ceil(farthest / step) + 1.0
    beyond = high - 1.0
    stepping = np.flatnonzero(draws.step_family != STEADY)

    def reached(at: FloatArray) -> NDArray[np.bool_]:
        drop = 1.0 + (at - 1.0) * step
        path = draws.climb * climb_basis(draws.family, draws.parameter, drop[:, None])[:, 0]
        path[stepping] += (
            draws.step[stepping]
            * climb_basis(
                draws.step_family[stepping], draws.step_parameter[stepping], drop[stepping, None]
            )[:, 0]
        )
        return np.asarray(path >= rise, dtype=np.bool_)

    high = np.where(reached(np.ones(rise.size)), 1.0, high)
    for _ in range(int(np.ceil(np.log2(high.max()))) + 1):
        middle = np.floor(0.5 * (low + high))
        inside = middle > low
        there = reached(np.maximum(middle, 1.0))
        high = np.where(inside & there, middle, high)
        low = np.where(inside & ~there, middle, low)
    drops = np.empty(rise.size)
    drops[order] = np.where(high > beyond, np.inf, 1.0 + (high - 1.0) * step)
    return drops


def _life(
    fit: CaseFit,
    damage: DamageLife | None,
    crossings: FloatArray,
    limit: FailureLimit,
    *,
    lacking: int,
    fresh_is_shown: bool,
) -> CaseLife:
    case, now = fit.case, fit.case.made
    if crossings.shape[1]:
        behind = _reached_at(fit, crossings, one_for_all=limit.limit_g is None)
        behind = np.where(behind > fit.shown_until, np.inf, behind)
        by_level = np.stack(
            [
                np.where(np.isfinite(behind), behind, _to_come(fit, series, crossing, limit))
                for series, crossing in enumerate(crossings)
            ]
        )
    else:
        by_level = np.full((len(case.histories), N_DRAWS), np.inf)
    level_age = quantile(np.sort(by_level[0]), 0.5, now)
    damage_age = known_life(case, looks_are_logged=True).by
    failed = level_age is not None or damage_age is not None
    outcomes = []
    for draws in by_level:
        if damage_age is not None:
            other = np.full(draws.size, float(damage_age))
        elif damage is not None and not failed:
            other = damage.draw(evenly(DAMAGE))
        else:
            other = np.full(draws.size, np.inf)
        first = np.minimum(draws, other)
        kept = np.flatnonzero(failed | (first > now))
        kept = kept[first[kept].argsort(kind="stable")]
        outcomes.append(Outcome(first[kept], other[kept] < draws[kept]))
    cause: FailureCause | None = None
    at = None
    if damage_age is not None and (level_age is None or damage_age < level_age):
        at, cause = damage_age, "damage"
    elif level_age is not None:
        at, cause = int(level_age), "peak limit"
    return CaseLife(fit, tuple(outcomes), at, cause, damage, lacking, fresh_is_shown)


def _reached_at(fit: CaseFit, crossings: FloatArray, *, one_for_all: bool) -> FloatArray:
    """Age at which each draw of a case reached its limit; infinite where it lies ahead.

    With an absolute limit it counts in the conditions of the drops that were made.
    """
    parts = fit.case.parts
    at_age = parts[fit.case.series_at]
    wear = fit.clock[:-1]
    ages = np.arange(1.0, wear.size + 1.0)
    found = np.full(crossings.shape[1], np.inf)
    for part in [0] if one_for_all else np.unique(at_age):
        made = np.ones(wear.size, dtype=bool) if one_for_all else at_age == part
        crossing = crossings[0 if one_for_all else int(np.flatnonzero(parts == part)[0])]
        later = np.append(ages[made], np.inf)
        found = np.minimum(found, later[np.searchsorted(wear[made], crossing)])
    return found


def _to_come(fit: CaseFit, series: int, crossing: FloatArray, limit: FailureLimit) -> FloatArray:
    """Age at which each draw will reach its limit, further drops being those of one series."""
    rate = fit.rate[series] * np.exp(fit.rate_log_sd[series] * evenly_normal(RATE))
    stretch = discrepancy(fit, series, limit)
    with np.errstate(invalid="ignore"):
        left = 1.0 + np.ceil((crossing - fit.clock[-1]) / rate - 1e-9)
        return np.asarray(
            fit.case.made + np.maximum(1.0, np.round(np.maximum(left, 1.0) * stretch)),
            dtype=np.float64,
        )


def quantile(sorted_drops: FloatArray, fraction: float, horizon: float) -> float | None:
    """First drop by which at least that fraction has failed; None beyond the horizon."""
    position = max(0, math.ceil(fraction * sorted_drops.size - 1e-9) - 1)
    drop = float(sorted_drops[position])
    return drop if drop <= horizon else None
