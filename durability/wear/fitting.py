"""Fit the level of many series: group by case model, fit the cells, share, draw."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from durability.wear.cells import CellFit, Offsets, ScatterPrior, bin_log_evidence, fit_cells
from durability.wear.draws import draw_level, level_band, rise_interval
from durability.wear.outliers import off_in_a_row
from durability.wear.results import WearFit
from durability.wear.shapes import BINS, SHAPES, ShapeGrid, shape_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DropHistory, FloatArray

Fit = TypeVar("Fit")

UNLIKE = 0.15
"""Prior probability that a case is not like its model."""
ELSEWHERE_WEIGHT = 0.5
"""What a series under another condition counts for."""
SCATTER_WEIGHT = 2.0
SCATTER = 0.04
"""General prior of the scatter: about 4 %, worth two readings."""
_LARGEST_SCATTER_WEIGHT = 12.0
"""Scatter differs between series of one model too: siblings are never worth more readings."""


def scatter_prior(n_series: int) -> ScatterPrior:
    """The general prior of the scatter for that many series."""
    return ScatterPrior(np.full(n_series, SCATTER_WEIGHT), np.full(n_series, SCATTER**2))


def shared_scatter(
    variance: FloatArray, readings: FloatArray, closeness: FloatArray
) -> ScatterPrior:
    """Prior of each series' scatter given the scatter of the others.

    Parameters
    ----------
    variance : ndarray of shape (n_series,)
        Squared scatter that each series shows.
    readings : ndarray of shape (n_series,)
        How many readings stand behind it.
    closeness : ndarray of shape (n_series, n_series)
        What the column counts for in the row; 0 on the diagonal.
    """
    behind = closeness @ readings
    weight = SCATTER_WEIGHT + behind
    centre = (SCATTER_WEIGHT * SCATTER**2 + closeness @ (readings * variance)) / weight
    return ScatterPrior(np.minimum(weight, _LARGEST_SCATTER_WEIGHT), centre)


def closeness_of(conditions: Sequence[frozenset[object]]) -> FloatArray:
    """What each series or case (column) counts for in each other (row).

    1 where they share a condition, else less; 0 on the diagonal.
    """
    columns = {name: at for at, name in enumerate(frozenset().union(*conditions))}
    seen = np.zeros((len(conditions), len(columns)))
    for row, names in enumerate(conditions):
        seen[row, [columns[name] for name in names]] = 1.0
    close = np.where(seen @ seen.T > 0.0, 1.0, ELSEWHERE_WEIGHT)
    np.fill_diagonal(close, 0.0)
    return close


def shared_posterior(
    log_evidence: FloatArray, grid: ShapeGrid, closeness: FloatArray
) -> FloatArray:
    """Posterior probability of every cell and bin of each series, given the others.

    Parameters
    ----------
    log_evidence : ndarray of shape (n_series, n_cells, BINS)
        From ``bin_log_evidence``.
    grid : ShapeGrid
        The cells.
    closeness : ndarray of shape (n_series, n_series)
        From ``closeness_of``.

    Returns
    -------
    ndarray of shape (n_series, n_cells, BINS)
        Sums to 1 over cells and bins.
    """
    likelihood = np.exp(log_evidence - log_evidence.max(axis=(1, 2), keepdims=True))
    general = np.exp(grid.log_prior)
    posterior = likelihood * general
    if closeness.any():
        profile = np.tensordot(closeness, _log_told(likelihood, posterior, grid), axes=1)
        profile += grid.log_prior
        profile = _normalised(np.exp(profile - profile.max(axis=(1, 2), keepdims=True)))
        posterior = likelihood * ((1.0 - UNLIKE) * _from_profile(profile, grid) + UNLIKE * general)
    return _normalised(posterior)


def _log_told(likelihood: FloatArray, posterior: FloatArray, grid: ShapeGrid) -> FloatArray:
    """Log likelihood of each profile of the model by each case, which may not be like it."""
    alone = posterior.sum(axis=(1, 2), keepdims=True)
    like = _about_profile(likelihood, grid)
    return np.asarray(np.log((1.0 - UNLIKE) * like + UNLIKE * alone), dtype=np.float64)


def joint_log_evidence(log_evidence: FloatArray, grid: ShapeGrid) -> float:
    """How well cases of one model agree on a profile: the log of their joint evidence.

    Parameters
    ----------
    log_evidence : ndarray of shape (n_cases, n_cells, BINS)
        From ``bin_log_evidence``.
    grid : ShapeGrid
        The cells.
    """
    top = log_evidence.max(axis=(1, 2), keepdims=True)
    likelihood = np.exp(log_evidence - top)
    told = _log_told(likelihood, likelihood * np.exp(grid.log_prior), grid)
    profile = told.sum(axis=0) + grid.log_prior
    highest = profile.max()
    return float(top.sum() + highest + np.log(np.exp(profile - highest).sum()))


def _normalised(weights: FloatArray) -> FloatArray:
    return np.asarray(weights / weights.sum(axis=(1, 2), keepdims=True), dtype=np.float64)


def _rate_kernel() -> FloatArray:
    """How the climbs of like cases differ: mostly the same bin or the next, never the sign."""
    half = BINS // 2
    kernel = np.zeros((BINS, BINS))
    for start in (0, half):
        for row in range(half):
            for shift, share in ((-1, 0.2), (0, 0.6), (1, 0.2)):
                column = min(max(row + shift, 0), half - 1)
                kernel[start + row, start + column] += share
    return kernel


RATE_KERNEL = _rate_kernel()


def _about_profile(likelihood: FloatArray, grid: ShapeGrid) -> FloatArray:
    """Likelihood of each profile: averaged over the cases that it may bring."""
    averaged = likelihood @ RATE_KERNEL.T
    for run, kernel in grid.blocks:
        averaged[:, run] = kernel @ averaged[:, run]
    return np.asarray(averaged, dtype=np.float64)


def _from_profile(profile: FloatArray, grid: ShapeGrid) -> FloatArray:
    """Prior probability of each case's cell and bin given the probability of each profile."""
    spread = profile @ RATE_KERNEL
    for run, kernel in grid.blocks:
        spread[:, run] = kernel.T @ spread[:, run]
    return np.asarray(spread, dtype=np.float64)


_LARGEST_GROUP = 128
"""More siblings than this add nothing but time: larger groups are fitted in parts."""
_WORKERS = 2
_BATCH_SERIES = 256
"""Series whose cells are held at once: some 80 kB each, a few times over."""
_BLOCK_ELEMENTS = 250_000
"""Elements of one working array (cells × series × drops): 2 MB, which stays in the cache."""
_DOUBTED = 0.5
"""Probability of being wild above which a reading is named."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What one curve of wear is fitted to: a series, or all series of one case.

    Arrays have shape (n_readings,), in the order of ``clock``. Two are equal whose fits alone are.
    """

    clock: FloatArray
    """Wear clock at each reading, 1 at the first drop; a drop more is 1 more, unless drops of
    other conditions count more or less."""
    peak_g: FloatArray
    case_model: str | None
    conditions: frozenset[object]
    offsets: Offsets | None = None

    def __eq__(self, other: object) -> bool:
        """Whether both read the same."""
        return isinstance(other, Readings) and self._alone == other._alone

    def __hash__(self) -> int:
        """By what was read."""
        return hash(self._alone)

    @property
    def _alone(self) -> tuple[bytes, ...]:
        offsets = self.offsets
        parts = () if offsets is None else (offsets.member, offsets.precision, offsets.centre)
        return tuple(each.tobytes() for each in (self.clock, self.peak_g, *parts))

    @property
    def by_drop(self) -> bool:
        """Whether the clock counts drops and nothing else, under one condition."""
        return self.offsets is None and bool((self.clock == np.rint(self.clock)).all())


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is known of the wear of one of the ``Readings``."""

    readings: Readings
    cells: CellFit
    probability: FloatArray
    """Of each cell and bin; shape (n_cells, BINS)."""
    grid: ShapeGrid
    siblings: int
    siblings_elsewhere: int

    @property
    def core(self) -> FloatArray:
        """Probability that each reading is a core one, by cell; shape (n_cells, n_readings)."""
        core: FloatArray = self.cells.core[self.cells.kind, 0]
        return core[:, self.readings.clock.astype(np.int64) - 1] if self.readings.by_drop else core

    def shape_weights(self) -> dict[str, float]:
        """Probability of each shape."""
        of_cell = self.probability.sum(axis=1)
        weights = np.bincount(self.grid.shape, weights=of_cell, minlength=len(SHAPES))
        return {name: float(weight) for name, weight in zip(SHAPES, weights, strict=True)}


def fit_wear(
    histories: Sequence[DropHistory],
    *,
    share: bool = True,
    wanted: Collection[str] | None = None,
) -> list[WearFit]:
    """Level of each series over its drops, averaged over plausible shapes of wear.

    Series of one case model inform each other's scatter, shape and rate (not the level); those
    under another drop height, surface or orientation count half. The cost is linear in the
    number of series and the memory bounded.

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series, in any order.
    share : bool
        Whether series of one case model inform each other.
    wanted : collection of str, optional
        Series whose fits are given; the others only inform them. By default all.

    Returns
    -------
    list of WearFit
        Those wanted, in the order of ``histories``.
    """
    readings = [
        Readings(
            history.wear_clock.astype(np.float64),
            history.peak_g,
            history.case_model,
            frozenset([history.condition]),
        )
        for history in histories
    ]
    asked = [at for at, each in enumerate(histories) if wanted is None or each.series in wanted]
    fits = fit_readings(
        readings,
        lambda position, told: _wear_fit(histories[position], told),
        share=share,
        wanted=set(asked),
    )
    found = ((histories[at], fits[at]) for at in asked)
    return [_empty_fit(history) if fit is None else fit for history, fit in found]


def fit_readings(
    readings: Sequence[Readings],
    finish: Callable[[int, Posterior], Fit],
    *,
    share: bool = True,
    wanted: Collection[int] | None = None,
) -> list[Fit | None]:
    """Posterior of the wear of each, those of one case model informing each other.

    Parameters
    ----------
    readings : sequence of Readings
        In any order.
    finish : callable
        What is kept of a position and its ``Posterior``, which is too large to keep.
    share : bool
        Whether those of one case model inform each other.
    wanted : collection of int, optional
        Positions that are finished; the others only inform them. By default all.

    Returns
    -------
    list
        What ``finish`` gave, in the order of ``readings``; None where there is no reading, or
        where it isn't wanted.
    """
    found: dict[int, Fit] = {}
    # Array work lets go of the interpreter's lock, so two threads keep two cores busy.
    with ThreadPoolExecutor(_WORKERS) as pool:
        batches = _batches(readings, share=share, wanted=wanted)
        for some in pool.map(lambda batch: _fit_batch(readings, finish, wanted, *batch), batches):
            found.update(some)
    return [found.get(position) for position in range(len(readings))]


def _batches(
    readings: Sequence[Readings], *, share: bool, wanted: Collection[int] | None
) -> Iterator[tuple[list[list[int]], ShapeGrid]]:
    """Batches of groups that are worked on together, with their grid of shapes.

    Which groups share a batch changes nothing but the time.
    """
    waiting: dict[int, list[list[int]]] = defaultdict(list)
    for group in _groups(readings, share=share):
        if wanted is not None and not any(position in wanted for position in group):
            continue
        farthest = farthest_of(readings[position] for position in group)
        waiting[farthest].append(group)
        if sum(map(len, waiting[farthest])) >= _BATCH_SERIES:
            yield waiting.pop(farthest), shape_grid(farthest)
    for farthest, batch in waiting.items():
        yield batch, shape_grid(farthest)


def farthest_of(readings: Iterable[Readings]) -> int:
    """What the grid of shapes of these has to reach."""
    last = max(float(each.clock[-1]) for each in readings)
    return int(500 * 2 ** max(0, int(np.ceil(np.log2(last / 500)))))


def _groups(readings: Sequence[Readings], *, share: bool) -> Iterator[list[int]]:
    """Positions of what informs each other; without a case model each stands alone."""
    by_model: dict[str, list[int]] = defaultdict(list)
    for position, each in enumerate(readings):
        if each.clock.size == 0:
            continue
        if share and each.case_model is not None:
            by_model[each.case_model].append(position)
        else:
            yield [position]
    for members in by_model.values():
        # By what was read, so that names and order don't say who informs whom.
        members.sort(key=lambda position: readings[position].peak_g.tobytes())
        parts = -(-len(members) // _LARGEST_GROUP)
        for part in range(parts):
            yield members[part::parts]


@dataclass(frozen=True, slots=True)
class OneFit:
    """The cell fit of one series or case; every array (n_kinds, 1) or (n_kinds, 1, n_drops)."""

    cells: CellFit
    log_evidence: FloatArray


def _fit_batch(
    readings: Sequence[Readings],
    finish: Callable[[int, Posterior], Fit],
    wanted: Collection[int] | None,
    batch: list[list[int]],
    grid: ShapeGrid,
) -> dict[int, Fit]:
    members = [position for group in batch for position in group]
    alone = fit_each([readings[position] for position in members], grid)
    cells = dict(zip(members, alone, strict=True))
    closeness: list[FloatArray] = []
    sharing: list[int] = []
    priors: list[ScatterPrior] = []
    for group in batch:
        close = closeness_of([readings[position].conditions for position in group])
        closeness.append(close)
        if len(group) > 1:
            shown = [_shown_scatter(cells[position], grid) for position in group]
            variance, behind = (np.array(column) for column in zip(*shown, strict=True))
            priors.append(shared_scatter(variance, behind, close))
            sharing += group
    if sharing:
        prior = ScatterPrior(
            np.concatenate([one.weight for one in priors]),
            np.concatenate([one.variance for one in priors]),
        )
        again = fit_each([readings[position] for position in sharing], grid, prior)
        cells.update(zip(sharing, again, strict=True))
    found: dict[int, Fit] = {}
    for group, close in zip(batch, closeness, strict=True):
        evidence = np.concatenate([cells[position].log_evidence for position in group])
        posterior = shared_posterior(evidence, grid, close)
        for row, position in enumerate(group):
            if wanted is not None and position not in wanted:
                continue
            found[position] = finish(
                position,
                Posterior(
                    readings[position],
                    cells[position].cells,
                    posterior[row],
                    grid,
                    siblings=int((close[row] == 1.0).sum()),
                    siblings_elsewhere=int(((close[row] > 0.0) & (close[row] < 1.0)).sum()),
                ),
            )
    return found


def fit_each(
    readings: Sequence[Readings], grid: ShapeGrid, prior: ScatterPrior | None = None
) -> list[OneFit]:
    """Cell fits of each on its own; those with an equal last drop together."""
    if prior is None:
        prior = scatter_prior(len(readings))
    by_length: dict[int, list[int]] = defaultdict(list)
    fits: dict[int, OneFit] = {}
    for position, each in enumerate(readings):
        if each.by_drop:
            by_length[int(each.clock[-1])].append(position)
        else:
            own = ScatterPrior(prior.weight[[position]], prior.variance[[position]])
            fits[position] = _fit_case(each, grid, own)
    for last, members in by_length.items():
        step = max(1, _BLOCK_ELEMENTS // (grid.family.size * last))
        for start in range(0, len(members), step):
            block = members[start : start + step]
            log_peak = np.zeros((len(block), last))
            present = np.zeros((len(block), last))
            for row, position in enumerate(block):
                at = readings[position].clock.astype(np.int64) - 1
                log_peak[row, at] = np.log(readings[position].peak_g)
                present[row, at] = 1.0
            rows = np.array(block)
            fit = fit_cells(
                log_peak, present, grid, ScatterPrior(prior.weight[rows], prior.variance[rows])
            )
            evidence = bin_log_evidence(fit, grid)
            for row, position in enumerate(block):
                one = slice(row, row + 1)
                fits[position] = OneFit(fit.of_series(one), evidence[one])
    return [fits[position] for position in range(len(readings))]


def _fit_case(readings: Readings, grid: ShapeGrid, prior: ScatterPrior) -> OneFit:
    fit = fit_cells(
        np.log(readings.peak_g)[None],
        np.ones((1, readings.clock.size)),
        grid,
        prior,
        clock=readings.clock,
        offsets=readings.offsets,
    )
    return OneFit(fit, bin_log_evidence(fit, grid))


def _shown_scatter(one: OneFit, grid: ShapeGrid) -> tuple[float, float]:
    """Squared scatter that a series shows by itself, and the readings behind it."""
    posterior = shared_posterior(one.log_evidence, grid, np.zeros((1, 1)))[0].sum(axis=1)
    cells = one.cells
    of_kind = np.bincount(cells.kind, weights=posterior)
    variance = of_kind @ (cells.misfit / (cells.freedom + 1.0))[:, 0]
    readings = of_kind @ cells.total_core[:, 0]
    return float(variance), max(float(readings) - 2.0, 0.0)


def _wear_fit(history: DropHistory, told: Posterior) -> WearFit:
    draws, _ = draw_level(told.cells, told.probability, told.grid)
    lower, level, upper = level_band(draws, history.wear_clock)
    first = float(np.exp(np.median(draws.log_level_first)))
    rise = rise_interval(draws, history.wear_clock)
    weights = told.shape_weights()
    down_weighted = doubted(told)
    off = np.log(history.peak_g / level)
    return WearFit(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        valid_drops=history.drop_number.size,
        last_drop_number=history.last_drop_number,
        drop_number=history.drop_number,
        peak_g=history.peak_g,
        level_g=level,
        level_lower_g=lower,
        level_upper_g=upper,
        level_first_g=first,
        level_latest_g=float(level[-1]),
        rise_pct_per_drop=rise[1],
        rise_lower=rise[0],
        rise_upper=rise[2],
        shape=max(weights, key=lambda name: weights[name]),
        shape_weights=weights,
        doubted_drops=tuple(int(number) for number in history.drop_number[down_weighted]),
        off_in_a_row=off_in_a_row(history.drop_number, off, down_weighted),
        scatter=float(np.median(draws.scatter)),
        siblings=told.siblings,
        siblings_elsewhere=told.siblings_elsewhere,
        draws=draws,
    )


def doubted(told: Posterior) -> NDArray[np.bool_]:
    """Which readings are more likely wild than not; none while there are but two."""
    wild = 1.0 - told.probability.sum(axis=1) @ told.core
    return np.asarray((wild > _DOUBTED) & (wild.size > 2), dtype=np.bool_)


def _empty_fit(history: DropHistory) -> WearFit:
    nothing = np.empty(0)
    return WearFit(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        valid_drops=0,
        last_drop_number=history.last_drop_number,
        drop_number=history.drop_number,
        peak_g=history.peak_g,
        level_g=nothing,
        level_lower_g=nothing,
        level_upper_g=nothing,
        level_first_g=None,
        level_latest_g=None,
        rise_pct_per_drop=None,
        rise_lower=None,
        rise_upper=None,
        shape=None,
        shape_weights={},
        doubted_drops=(),
        off_in_a_row=(),
        scatter=None,
        siblings=0,
        siblings_elsewhere=0,
        draws=None,
    )
