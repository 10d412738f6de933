"""One curve of wear for each case over all its series: its rates, its levels, its fit."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.cases import Case
from durability.wear.cells import Offsets, bin_log_evidence, fit_cells
from durability.wear.draws import LEVEL, draw_level, evenly_normal, log_level, part_levels
from durability.wear.fitting import (
    BLOCK_ELEMENTS,
    Posterior,
    Readings,
    doubted,
    fit_each,
    fit_readings,
)
from durability.wear.outliers import level_shown_until, off_in_a_row
from durability.wear.population import (
    CONDITION_LOG_SD,
    SCATTER,
    PartLevels,
    expected_levels,
    joint_log_evidence,
    scatter_prior,
    told_by_each,
)
from durability.wear.shapes import farthest_of, shape_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import Condition, FloatArray, IntArray
    from durability.wear.results import WearDraws, WearFit
    from durability.wear.shapes import Floats, ShapeGrid

Levels = tuple["FloatArray", "FloatArray"]
"""Of each part of a case before its own readings: mean and variance in log g."""
RATE_LOG_SD = 0.5
"""Prior log standard deviation of the wear by a drop of one condition against another: without
any drops to tell, a drop is a drop."""
_LOG_RATES = tuple(0.4 * step for step in range(-4, 5))
"""Where the rate is looked for: up to a factor five either way, then on both sides of the best."""
_MOST_CASES = 24
"""Cases of one model that the rates are read from."""

_Z_90 = 1.645


@dataclass(frozen=True, slots=True)
class CaseFit:
    """One curve of wear of a case, and its level in each of its series."""

    case: Case
    clock: FloatArray
    """Wear before each drop made, and before the next; shape (made + 1,)."""
    draws: WearDraws | None
    """Paths over that clock; None where there is no valid drop."""
    log_fresh: FloatArray
    """Log level at age 1 under the conditions of each series; shape (n_series, n_draws)."""
    rate: FloatArray
    rate_log_sd: FloatArray
    """What a drop of each series adds to the clock, and how unsure that is; shape (n_series,)."""
    spare_readings: float
    """Valid readings, less those that the levels of further parts use up."""
    down_weighted: NDArray[np.bool_]
    """Which of its valid readings the fit weighs down; shape (n_readings,)."""
    off_in_a_row: tuple[int, ...]
    """Ages of the latest two or more down-weighted readings in a row to one side of the level."""
    shape_weights: dict[str, float]
    siblings: int
    """Other cases of its model that were dropped under a condition of its own."""
    siblings_elsewhere: int
    ahead: FloatArray | None = None
    """Log level now above each path, shape (n_draws,); None where paths go through it."""
    wander: FloatArray | None = None
    """Variance of log level about each path per unit of its rise, shape (n_draws,), learned from
    its fleet; None where there is none to learn it from."""

    @property
    def shown_until(self) -> float:
        """Age up to which readings show the level; infinite unless the last are down-weighted."""
        return level_shown_until(self.case.valid[1], self.down_weighted)

    @property
    def step(self) -> float:
        """Wear between which ages are told apart: a drop, or a quarter where rates differ."""
        return 1.0 if (self.rate == 1.0).all() else 0.25

    def rate_words(self, series: int) -> str:
        """How much a drop of one series wears against one of the case's commonest condition."""
        rate, spread = self.rate[series], math.exp(_Z_90 * self.rate_log_sd[series])
        return (
            f"a drop here wears {rate:.1f} times ({rate / spread:.1f} to {rate * spread:.1f}) one"
            f" at {self.case.commonest.words}"
        )

    def fresh_g(self, series: int) -> float | None:
        """Level in g of the fresh case under the conditions of one series."""
        if self.draws is None:
            return None
        return float(np.exp(np.median(self.log_fresh[series])))


def fit_cases(cases: Sequence[Case], known: Mapping[str, WearFit]) -> list[CaseFit]:
    """One curve of wear for each case over all its series, those of one model informing each other.

    Log peak g of a reading is the level of its part (condition, device, sensor), normal about the
    case's, plus the curve at the wear made before. A drop adds to that wear at the rate of its
    condition. With one series to each case of a model this is ``fit_wear``.

    Parameters
    ----------
    cases : sequence of Case
        From ``cases_of``.
    known : mapping of str to WearFit
        Fits of single series, which serve where all cases of a model are plain.

    Returns
    -------
    list of CaseFit
        In the order of ``cases``.
    """
    fits: list[CaseFit | None] = [None] * len(cases)
    by_model: dict[object, list[int]] = defaultdict(list)
    for position, case in enumerate(cases):
        by_model[position if case.case_model is None else case.case_model].append(position)
    asked: list[int] = []
    rates: dict[int, Rates] = {}
    levels: dict[int, Levels | None] = {}
    broken: dict[int, Case] = {}
    for members in by_model.values():
        if all(cases[position].is_plain for position in members):
            for position in members:
                case = cases[position]
                fits[position] = _plain(case, known[case.histories[0].series])
            continue
        for position in members:
            broken[position] = _with_breaks(cases[position])
        of_model = _rates([broken[position] for position in members])
        asked += members
        rates.update(dict.fromkeys(members, of_model))
        levels.update(zip(members, _levels([broken[at] for at in members], of_model), strict=True))
    readings = [_readings(broken[at], rates[at], levels[at]) for at in asked]
    found = fit_readings(
        readings, lambda at, told: _case_fit(broken[asked[at]], rates[asked[at]], told)
    )
    for position, fit in zip(asked, found, strict=True):
        fits[position] = _empty(broken[position], rates[position]) if fit is None else fit
    return [fit for fit in fits if fit is not None]


def _with_breaks(case: Case) -> Case:
    """The case with a break wherever a level of its own explains a series better than wear does.

    A series dropped as an earlier one was shares its level, unless the evidence of the whole case
    is larger without: then mount, sensor or foam differ in a way that nobody recorded. Breaks are
    taken one by one, the most likely first; either is as likely before.
    """
    seen: set[Hashable] = set()
    open_ones = []
    for at in case.by_age:
        if case.histories[at].drop_number.size:
            if case.dropped_as[at] in seen:
                open_ones.append(at)
            seen.add(case.dropped_as[at])
    evidence = None
    while open_ones:
        tried = [replace(case, breaks=case.breaks | {at}) for at in open_ones]
        if evidence is None:
            evidence, *found = _log_evidence([case, *tried])
        else:
            found = _log_evidence(tried)
        best = int(np.argmax(found))
        if found[best] <= evidence:
            break
        case, evidence = tried[best], found[best]
        open_ones.pop(best)
    return case


def _log_evidence(cases: Sequence[Case]) -> list[float]:
    """Log evidence of each case by itself, a drop being a drop."""
    readings = [_on_clock(case, {}) for case in cases]
    grid = shape_grid(farthest_of(each.clock[-1] for each in readings))
    fits = fit_each(readings, grid)
    told, alone = told_by_each(np.concatenate([fit.log_evidence for fit in fits]), grid)
    return [*map(float, joint_log_evidence([(told, alone)], grid))]


@dataclass(frozen=True, slots=True)
class Rates:
    """Wear by a drop of each condition against one of the model's commonest condition."""

    log_rate: dict[Condition, float]
    variance: dict[Condition, float]

    def of(self, case: Case) -> dict[Condition, float]:
        """Log rates against the case's own commonest condition."""
        own = self.log_rate.get(case.commonest, 0.0)
        return {each: self.log_rate.get(each, 0.0) - own for each in case.drops_by_rate}

    def log_sd(self, case: Case) -> FloatArray:
        """How unsure they are, by series."""
        own = case.commonest
        return np.array(
            [
                0.0
                if each == own
                else math.sqrt(self.variance.get(each, 0.0) + self.variance.get(own, 0.0))
                for each in case.rate_conditions
            ]
        )


def _rates(cases: Sequence[Case]) -> Rates:
    """Rates at which the cases of a model agree best, one condition after the other.

    Posterior mean and variance of the log rate: the joint evidence of the cases, with a normal
    prior about no difference, over a grid.
    """
    several = [case for case in cases if len(case.drops_by_rate) > 1]
    counts: Counter[Condition] = Counter()
    for case in cases:
        counts.update(case.drops_by_rate)
    needed = {condition for case in several for condition in case.drops_by_rate}
    if not needed:
        return Rates({}, {})
    reference, *others = sorted(needed, key=lambda each: (-counts[each], repr(each)))
    told_by = sorted(
        (case for case in cases if case.valid[0].size and needed & set(case.drops_by_rate)),
        key=lambda case: (-len(case.drops_by_rate), case.valid[2].tobytes()),
    )[:_MOST_CASES]
    rates = dict.fromkeys((reference, *others), 0.0)
    variances = dict.fromkeys(rates, 0.0)
    for condition in others:

        def log_densities(tried: Sequence[float], condition: Condition = condition) -> FloatArray:
            agreement = _agreement(told_by, [{**rates, condition: at} for at in tried])
            return agreement - 0.5 * (np.array(tried) / RATE_LOG_SD) ** 2

        centre, variance = 0.0, RATE_LOG_SD**2
        if told_by:
            density = dict(zip(_LOG_RATES, log_densities(_LOG_RATES), strict=True))
            top = max(density, key=lambda at: density[at])
            beside = (top - 0.2, top + 0.2)
            density.update(zip(beside, log_densities(beside), strict=True))
            nodes = sorted(density)
            fine = np.linspace(nodes[0], nodes[-1], 201)
            weight = np.interp(fine, nodes, [density[at] for at in nodes])
            weight = np.exp(weight - weight.max())
            centre = float(weight @ fine / weight.sum())
            variance = float(weight @ (fine - centre) ** 2 / weight.sum())
        rates[condition] = centre
        variances[condition] = variance
    return Rates(rates, variances)


def _agreement(cases: Sequence[Case], tried: Sequence[Mapping[Condition, float]]) -> FloatArray:
    """Joint log evidence of some cases by each of the log rates tried."""
    readings = [[_on_clock(case, log_rates) for log_rates in tried] for case in cases]
    farthest = farthest_of(each.clock[-1] for of_case in readings for each in of_case)
    found = []
    for of_case in readings:
        distinct = {each: at for at, each in enumerate(dict.fromkeys(of_case))}
        told, alone = _told_alone(tuple(distinct), farthest)
        at = [distinct[each] for each in of_case]
        found.append((told[at], alone[at]))
    return joint_log_evidence(found, shape_grid(farthest))


@lru_cache(maxsize=128)  # of 80 kB for each clock
def _told_alone(readings: tuple[Readings, ...], farthest: int) -> tuple[Floats, FloatArray]:
    """What one case says by each clock; kept, for it is asked for alone, and in its model."""
    grid = shape_grid(farthest)
    return told_by_each(fit_clocks(readings, grid), grid)


def fit_clocks(readings: Sequence[Readings], grid: ShapeGrid) -> Floats:
    """Log evidence of one case read by some clocks; shape (n_clocks, n_cells, BINS)."""
    one = readings[0]
    log_peak, present = np.log(one.peak_g)[None], np.ones((1, one.peak_g.size))
    clocks = np.array([each.clock for each in readings])
    step = max(1, BLOCK_ELEMENTS // (grid.family.size * present.size))
    found = []
    for start in range(0, len(clocks), step):
        some = clocks[start : start + step]
        fit = fit_cells(log_peak, present, grid, scatter_prior(1), clock=some, offsets=one.offsets)
        found.append(bin_log_evidence(fit, grid).reshape(len(some), *grid.log_prior.shape))
    return np.concatenate(found)


def _readings(case: Case, rates: Rates, levels: Levels | None = None) -> Readings:
    return _on_clock(case, rates.of(case), levels)


def _on_clock(
    case: Case, log_rates: Mapping[Condition, float], levels: Levels | None = None
) -> Readings:
    series, ages, peaks = case.valid
    return Readings(
        clock=case.clock(log_rates)[ages - 1],
        peak_g=peaks,
        case_model=case.case_model,
        conditions=case.conditions,
        offsets=_offsets(case, case.parts[series], levels),
    )


def _offsets(case: Case, part: IntArray, levels: Levels | None) -> Offsets | None:
    """Levels of the parts of a case; nothing where there is but one."""
    n_parts = int(case.parts.max()) + 1
    if n_parts == 1:
        return None
    member = (part[:, None] == np.arange(n_parts)).astype(np.float64)
    if levels is None:
        levels = np.zeros(n_parts), np.full(n_parts, CONDITION_LOG_SD**2)
    centre, variance = levels
    return Offsets(member, SCATTER**2 / variance, centre)


def _levels(cases: Sequence[Case], rates: Rates) -> list[Levels | None]:
    """What the other cases of the model let expect of the level of each part of each case."""
    several = [at for at, case in enumerate(cases) if case.parts.max() and case.valid[0].size]
    found: list[Levels | None] = [None] * len(cases)
    if len(several) < 2:
        return found
    alone = fit_readings(
        [_readings(cases[at], rates) for at in several],
        lambda at, told: _levels_alone(cases[several[at]], told),
        share=False,
    )
    expected = expected_levels([each for each in alone if each is not None])
    for at, levels in zip(several, expected, strict=True):
        found[at] = levels
    return found


def _levels_alone(case: Case, told: Posterior) -> PartLevels:
    draws, cell = draw_level(told.cells, told.probability, told.grid)
    mean, spread = _part_levels(draws, cell, told)
    keys: dict[int, Hashable] = {}
    for part, history in zip(case.parts, case.histories, strict=True):
        keys.setdefault(int(part), history.condition)
    return PartLevels(
        tuple(keys[part] for part in sorted(keys)),
        mean.mean(axis=1),
        np.cov(mean) + np.diag((spread**2).mean(axis=1)),
    )


def _part_levels(
    draws: WearDraws, cell: IntArray, told: Posterior
) -> tuple[FloatArray, FloatArray]:
    """Fresh log levels in each draw and how unsure they are; with one part that of the draw."""
    offsets = told.readings.offsets
    if offsets is None:
        level = draws.log_level_first[None]
        return level, np.zeros_like(level)
    log_peak = np.log(told.readings.peak_g)
    return part_levels(draws, told.core[cell], log_peak, told.readings.clock, offsets)


def _case_fit(case: Case, rates: Rates, told: Posterior) -> CaseFit:
    draws, cell = draw_level(told.cells, told.probability, told.grid)
    mean, spread = _part_levels(draws, cell, told)
    levels = mean + spread * evenly_normal(LEVEL)
    series, ages, peaks = case.valid
    down_weighted = doubted(told)
    risen = log_level(draws, told.readings.clock) - draws.log_level_first[:, None]
    level = np.median(levels, axis=1)[case.parts[series]] + np.median(risen, axis=0)
    return CaseFit(
        case=case,
        clock=case.clock(rates.of(case)),
        draws=draws,
        log_fresh=levels[case.parts],
        rate=_rate(case, rates),
        rate_log_sd=rates.log_sd(case),
        spare_readings=_spare(told.readings),
        down_weighted=down_weighted,
        off_in_a_row=off_in_a_row(ages, np.log(peaks) - level, down_weighted),
        shape_weights=told.shape_weights(),
        siblings=told.siblings,
        siblings_elsewhere=told.siblings_elsewhere,
    )


def _spare(readings: Readings) -> float:
    if readings.offsets is None:
        return float(readings.clock.size)
    weight = readings.offsets.member.sum(axis=0)
    loose = readings.offsets.precision / (weight + readings.offsets.precision)
    held = weight * loose
    used = (1.0 - loose).sum() + (held * loose).sum() / held.sum()
    return float(weight.sum() + 1.0 - used)


def _rate(case: Case, rates: Rates) -> FloatArray:
    own = rates.of(case)
    return np.exp([own[each] for each in case.rate_conditions])


def _plain(case: Case, fit: WearFit) -> CaseFit:
    draws, (own,) = fit.draws, case.histories
    return CaseFit(
        case=case,
        clock=case.clock({}),
        draws=draws,
        log_fresh=np.empty((1, 0)) if draws is None else draws.log_level_first[None],
        rate=np.ones(1),
        rate_log_sd=np.zeros(1),
        spare_readings=float(fit.valid_drops),
        down_weighted=np.isin(fit.drop_number, fit.doubted_drops),
        off_in_a_row=tuple(own.made_number(np.array(fit.off_in_a_row, dtype=np.int64)).tolist()),
        shape_weights=fit.shape_weights,
        siblings=fit.siblings,
        siblings_elsewhere=fit.siblings_elsewhere,
    )


def _empty(case: Case, rates: Rates) -> CaseFit:
    return CaseFit(
        case=case,
        clock=case.clock(rates.of(case)),
        draws=None,
        log_fresh=np.empty((len(case.histories), 0)),
        rate=_rate(case, rates),
        rate_log_sd=rates.log_sd(case),
        spare_readings=0.0,
        down_weighted=np.zeros(0, dtype=np.bool_),
        off_in_a_row=(),
        shape_weights={},
        siblings=0,
        siblings_elsewhere=0,
    )
