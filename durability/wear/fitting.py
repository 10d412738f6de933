"""Fit the level of many series: group by case model, fit the cells, share, draw."""

from __future__ import annotations

import functools
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from durability.wear.cells import (
    BLOCK_SERIES,
    CellFit,
    Offsets,
    ScatterPrior,
    bin_log_evidence,
    by_series,
    fit_cells,
)
from durability.wear.draws import (
    central_cuts,
    draw_level,
    draw_levels,
    draws_of,
    level_bands,
    log_level,
    medians,
    places_of,
    rise_interval,
    rise_intervals,
)
from durability.wear.outliers import off_in_a_row, shows_fresh
from durability.wear.population import (
    closeness_of,
    posterior_over,
    scatter_prior,
    shared_posterior,
    shared_scatter,
)
from durability.wear.quick_fit import Block, block_of
from durability.wear.results import WearDraws, WearFit
from durability.wear.shapes import (
    SHAPES,
    ShapeGrid,
    farthest_of,
    kinds_up_to,
    padded,
    rows_of,
    shape_grid,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from threadpoolctl import ThreadpoolController

    from durability.record.records import DropHistory, FloatArray, IntArray
    from durability.wear.shapes import Floats

Fit = TypeVar("Fit")

_LARGEST_GROUP = 128
"""More siblings than this add nothing but time: larger groups are fitted in parts."""
_BATCH_SERIES = 512
"""Series whose cells are held at once: some 80 kB each, a few times over."""
BLOCK_ELEMENTS = 250_000
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
    clocks = np.concatenate([each.clock for each in readings]) if readings else np.empty(0)
    if (clocks != np.rint(clocks)).any():  # places between two drops, by a caller's own
        in_full = fit_readings(
            readings,
            lambda at, told: _wear_fit_in_full(histories[at], told),
            share=share,
            wanted=set(asked),
        )
        fits = ((histories[at], in_full[at]) for at in asked)
        return [_empty_fit(history) if fit is None else fit for history, fit in fits]
    found = _over_batches(
        readings,
        lambda batch, farthest: _fit_block(histories, readings, batch, farthest, set(asked)),
        share=share,
        wanted=set(asked),
    )
    return [found[at] if at in found else _empty_fit(histories[at]) for at in asked]


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
    found = _over_batches(
        readings,
        lambda batch, farthest: _fit_batch(readings, finish, wanted, batch, shape_grid(farthest)),
        share=share,
        wanted=wanted,
    )
    return [found.get(position) for position in range(len(readings))]


def _over_batches(
    readings: Sequence[Readings],
    fit: Callable[[list[list[int]], int], dict[int, Fit]],
    *,
    share: bool,
    wanted: Collection[int] | None = None,
) -> dict[int, Fit]:
    """What ``fit`` gives of each batch of groups and the last drop that its grid has to reach."""
    found: dict[int, Fit] = {}
    # Threads within products of matrices this small would only wait for each other.
    with _matrix_libraries().limit(limits=1):
        for batch, farthest in _batches(readings, share=share, wanted=wanted):
            found.update(fit(batch, farthest))
    return found


@functools.cache
def _matrix_libraries() -> ThreadpoolController:
    """Those loaded, found once: looking for them takes as long as fitting a case."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def _batches(
    readings: Sequence[Readings], *, share: bool, wanted: Collection[int] | None
) -> Iterator[tuple[list[list[int]], int]]:
    """Batches of groups that are worked on together, with how far their grid of shapes reaches.

    Which groups share a batch changes nothing but the time.
    """
    waiting: dict[int, list[list[int]]] = defaultdict(list)
    for group in _groups(readings, share=share):
        if wanted is not None and not any(position in wanted for position in group):
            continue
        farthest = farthest_of(readings[position].clock[-1] for position in group)
        if sum(map(len, waiting[farthest])) + len(group) > _BATCH_SERIES and waiting[farthest]:
            yield waiting.pop(farthest), farthest
        waiting[farthest].append(group)
    for farthest, batch in waiting.items():
        yield batch, farthest


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
    log_evidence: Floats


def _fit_batch(
    readings: Sequence[Readings],
    finish: Callable[[int, Posterior], Fit],
    wanted: Collection[int] | None,
    batch: list[list[int]],
    grid: ShapeGrid,
) -> dict[int, Fit]:
    members = [position for group in batch for position in group]
    cells = dict(zip(members, fit_each([readings[at] for at in members], grid), strict=True))
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
            own = float(prior.weight[position]), float(prior.variance[position])
            fits[position] = _fit_case(each, grid, *own)
    for last, members in by_length.items():
        step = max(1, BLOCK_ELEMENTS // (grid.family.size * last))
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


@functools.lru_cache(maxsize=64)  # of 160 kB each
def _fit_case(
    readings: Readings, grid: ShapeGrid, prior_weight: float, prior_variance: float
) -> OneFit:
    """Kept, for a case is fitted alone, for its levels, and with a drop put back in another."""
    fit = fit_cells(
        np.log(readings.peak_g)[None],
        np.ones((1, readings.clock.size)),
        grid,
        ScatterPrior(np.array([prior_weight]), np.array([prior_variance])),
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


def _fit_block(
    histories: Sequence[DropHistory],
    readings: Sequence[Readings],
    batch: list[list[int]],
    farthest: int,
    wanted: Collection[int],
) -> dict[int, WearFit]:
    """Fits of the series of a batch that are wanted, all cells of many series at once."""
    members = np.array([position for group in batch for position in group])
    order = {position: at for at, position in enumerate(members)}
    blocks = _blocks(readings, members, farthest)
    variance, behind = np.empty(members.size), np.empty(members.size)
    for block in blocks:
        variance[block.members], behind[block.members] = block.shown_scatter()
    prior, groups, closeness = scatter_prior(members.size), [], []
    for group in batch:
        at = slice(order[group[0]], order[group[-1]] + 1)
        close = closeness_of([readings[position].conditions for position in group])
        groups.append(at)
        closeness.append(close)
        if len(group) > 1:
            shared = shared_scatter(variance[at], behind[at], close)
            prior.weight[at], prior.variance[at] = shared.weight, shared.variance
    rows = rows_of(farthest)
    posterior = np.empty((members.size, *rows.lattice.prior.shape), dtype=np.float32)
    cells = []
    for block in blocks:
        own = block.members
        fit, posterior[own] = block.fit(ScatterPrior(prior.weight[own], prior.variance[own]))
        cells.append(fit)
    siblings = np.zeros((members.size, 2), dtype=np.int64)
    for at, close in zip(groups, closeness, strict=True):
        posterior[at] = posterior_over(posterior[at], rows.lattice, close.astype(np.float32))
        siblings[at, 0] = (close == 1.0).sum(axis=1)
        siblings[at, 1] = ((close > 0.0) & (close < 1.0)).sum(axis=1)
    found: dict[int, WearFit] = {}
    for block, fit in zip(blocks, cells, strict=True):
        some = [histories[members[at]] for at in block.members]
        fits = _wear_fits(some, block, fit, posterior[block.members], siblings[block.members])
        found.update(zip(members[block.members].tolist(), fits, strict=True))
    return {position: fit for position, fit in found.items() if position in wanted}


def _blocks(readings: Sequence[Readings], members: IntArray, farthest: int) -> list[Block]:
    """Members whose last drops are about the same, some at a time."""
    by_kinds: dict[int, list[int]] = defaultdict(list)
    for at, position in enumerate(members):
        by_kinds[padded(int(readings[position].clock[-1]))].append(at)
    blocks = []
    for last, some in by_kinds.items():
        for start in range(0, len(some), BLOCK_SERIES):
            own = np.array(some[start : start + BLOCK_SERIES])
            if own.size == 1:  # sums over a single column are rounded in another order
                own = np.repeat(own, 2)
            blocks.append(
                block_of(
                    own,
                    [readings[members[at]].clock.astype(np.int64) for at in own],
                    [readings[members[at]].peak_g for at in own],
                    kinds_up_to(farthest, last),
                    scatter_prior(own.size),
                )
            )
    return blocks


def _wear_fits(
    histories: Sequence[DropHistory],
    block: Block,
    cells: CellFit,
    posterior: FloatArray,
    siblings: IntArray,
) -> list[WearFit]:
    """Fits of the series of a block from their posteriors over the rows."""
    farthest = block.series.kinds.farthest
    grid, rows = shape_grid(farthest), rows_of(farthest)
    draws, cell = draw_levels(cells, places_of(posterior, rows), grid)
    clocks = [history.wear_clock.astype(np.int64) for history in histories]
    bands = level_bands(draws, cell, block.series.kinds, clocks, block.centre)
    rises = rise_intervals(draws, cell, block.series.kinds, clocks)
    draws = replace(draws, log_level_first=draws.log_level_first + block.centre[:, None])
    of_row = posterior @ np.ones(posterior.shape[2], dtype=np.float32)
    weights = by_series(of_row.astype(np.float64), rows.shape)
    is_wild = (block.mean_core(of_row) < 1.0 - _DOUBTED) & (block.series.present > 0.0)
    some_wild = np.asarray(is_wild.any(axis=1))
    columns = (np.exp(medians(draws.log_level_first)), medians(draws.scatter), rises, weights)
    each_of = zip(histories, clocks, bands, *(column.tolist() for column in columns), strict=True)
    return [
        _wear_fit(
            history,
            draws_of(draws, row),
            middles=(first, scatter),
            band=band,
            rise=rise if clock.size > 1 else [None] * 3,
            weights=of_shape,
            down_weighted=is_wild[row, clock - 1] if some_wild[row] and clock.size > 2 else None,
            siblings=siblings[row].tolist(),
        )
        for row, (history, clock, band, first, scatter, rise, of_shape) in enumerate(each_of)
    ]


def _wear_fit_in_full(history: DropHistory, told: Posterior) -> WearFit:
    draws, _ = draw_level(told.cells, told.probability, told.grid)
    path = np.exp(np.sort(log_level(draws, history.wear_clock), axis=0))
    return _wear_fit(
        history,
        draws,
        middles=(float(np.exp(np.median(draws.log_level_first))), float(np.median(draws.scatter))),
        band=path[central_cuts(len(path))],
        rise=rise_interval(draws, history.wear_clock),
        weights=[*told.shape_weights().values()],
        down_weighted=wild if (wild := doubted(told)).any() else None,
        siblings=(told.siblings, told.siblings_elsewhere),
    )


def _wear_fit(
    history: DropHistory,
    draws: WearDraws,
    *,
    middles: tuple[float, float],
    band: FloatArray,
    rise: Sequence[float | None],
    weights: Sequence[float],
    down_weighted: NDArray[np.bool_] | None,
    siblings: Sequence[int],
) -> WearFit:
    """``down_weighted`` says which readings are; None where none is."""
    lower, level, upper = band
    doubted_drops: tuple[int, ...] = ()
    in_a_row: tuple[int, ...] = ()
    if down_weighted is not None:
        doubted_drops = tuple(history.drop_number[down_weighted].tolist())
        off = np.log(history.peak_g / level)
        in_a_row = off_in_a_row(history.drop_number, off, down_weighted)
    shape_weights = dict(zip(SHAPES, weights, strict=True))
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
        level_first_g=middles[0] if shows_fresh(history.drop_number) else float(level[0]),
        level_latest_g=float(level[-1]),
        rise_pct_per_drop=rise[1],
        rise_lower=rise[0],
        rise_upper=rise[2],
        shape=max(shape_weights, key=shape_weights.__getitem__),
        shape_weights=shape_weights,
        doubted_drops=doubted_drops,
        off_in_a_row=in_a_row,
        scatter=middles[1],
        siblings=siblings[0],
        siblings_elsewhere=siblings[1],
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
