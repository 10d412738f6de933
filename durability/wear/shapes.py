"""The plausible shapes of wear and their priors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray

    Floats = NDArray[np.floating[Any]]
    """In single or double precision."""

(
    STEADY,
    LINEAR,
    ONSET,
    POWER,
    EXPONENTIAL,
    HYPERBOLIC,
    SLOWING,
    SETTLING,
    LEVELLING,
    JUMP,
) = range(10)

SHAPES = (
    "steady",
    "linear",
    "onset",
    "accelerating",
    "slowing",
    "settling",
    "settling then climbing",
    "jump",
)
"""Names of the shapes; ``ShapeGrid.shape`` holds positions in this tuple."""

_SHAPE_PRIOR = dict(zip(SHAPES, (0.08, 0.15, 0.24, 0.26, 0.05, 0.06, 0.09, 0.07), strict=True))
_POWER_UNIT = 30.0
"""Drops over which the rate of a power law is the mean rate: ``φ = 30 ((n-1)/30)^p``."""
_FADING_DROPS = 50.0
"""Onsets, jumps and time scales much later than this are as good as never: their prior fades."""
LEVELLING_WIDTHS: dict[int, float] = {LEVELLING: 0.25} | dict(
    enumerate(np.geomspace(0.12, 0.6, 12), start=10)
)
"""Width of an S-shaped climb as a fraction of its middle: of the shape, and of further families
that only a fleet's readings can distinguish."""
_LARGEST_EXPONENT = 60.0
"""Beyond e^60 every limit has long been passed; keeps squares finite."""
_FARTHEST_PARAMETER = 1000.0
"""Latest onset, jump and pole considered, in drops (twice the series when that is longer)."""

RATE_EDGES = np.concatenate([[0.0], 0.0005 * 1.6 ** np.arange(15)])
"""Bin edges of the size of ``climb``: log units per drop, up to 36 % a drop."""
AMPLITUDE_UNIT = 10.0
"""Amplitudes (settling, jump) use the same edges times this: up to a factor 37."""
SIGNED_EDGES = np.concatenate([-RATE_EDGES[:0:-1], RATE_EDGES])
BINS = SIGNED_EDGES.size - 1
_HALF = BINS // 2
_FIRST_LOG = float(np.log(RATE_EDGES[1]))
_LOG_STEP = float(np.log(RATE_EDGES[2] / RATE_EDGES[1]))
PARAMETER_SPREAD = 0.25
"""Log standard deviation of a shape's parameter between cases of one model."""


@dataclass(frozen=True, slots=True, eq=False)
class ShapeGrid:
    """The grid of shapes; arrays have shape (n_cells,) unless said.

    ``log_prior`` has shape (n_cells, BINS): log prior probability of a cell and of its climb
    lying in one of the signed bins; the density is even within a bin.
    """

    family: IntArray
    parameter: FloatArray
    step_family: IntArray
    """Family of ψ: STEADY where there is no step."""
    step_parameter: FloatArray
    shape: IntArray
    unit: FloatArray
    """What the bin edges are multiplied by."""
    log_prior: FloatArray
    blocks: tuple[tuple[slice, FloatArray], ...]
    """Runs of cells of one family, each with a row-stochastic kernel (n_run, n_run): how the
    parameters of like cases differ."""


def climb_basis(
    family: NDArray[np.integer[Any]], parameter: Floats, drop_number: FloatArray
) -> FloatArray:
    """φ of each path at each drop.

    Parameters
    ----------
    family : ndarray of int, shape (n_paths,)
        Family codes of this module; quickest where paths of a family stand together.
    parameter : ndarray of shape (n_paths,)
        Onset or jump drop, exponent, rate of growth per drop, pole or time scale in drops.
    drop_number : ndarray, broadcastable with (n_paths, n_drops)
        Drop numbers, from 1.

    Returns
    -------
    ndarray of shape (n_paths, n_drops)
        φ, 0 at drop 1; infinite past the pole of a hyperbolic path.
    """
    since_first = np.atleast_2d(drop_number) - 1.0
    if since_first.shape[0] == 1:
        # Draws of one cell come one after the other: each path once.
        new = np.flatnonzero(
            np.concatenate([[True], (np.diff(family) != 0) | (np.diff(parameter) != 0.0)])
        )
        if new.size < family.size:
            times = np.diff(new, append=family.size)
            return np.repeat(climb_basis(family[new], parameter[new], drop_number), times, axis=0)
    basis = np.zeros((family.size, since_first.shape[1]))
    bounds = np.flatnonzero(np.diff(family, prepend=-1, append=-1))
    for start, stop in pairwise(bounds):
        run = slice(start, stop)
        since = since_first if since_first.shape[0] == 1 else since_first[run]
        if family[start] != STEADY:
            basis[run] = _family_basis(int(family[start]), parameter[run, None], since)
    return basis


def _family_basis(code: int, parameter: Floats, since_first: FloatArray) -> Floats:
    if code == LINEAR:
        return since_first
    if code == ONSET:
        return np.maximum(0.0, since_first + 1.0 - parameter)
    if code == POWER:
        return _POWER_UNIT * (since_first / _POWER_UNIT) ** parameter
    if code == EXPONENTIAL:
        return np.expm1(np.minimum(parameter * since_first, _LARGEST_EXPONENT)) / parameter
    if code == HYPERBOLIC:
        # The path of a crack by Paris' law, da/dn ∝ a^(m/2), in log a.
        left = 1.0 - since_first / parameter
        return np.where(left > 0.0, -parameter * np.log(np.maximum(left, 1e-300)), np.inf)
    if code == SLOWING:
        return parameter * np.log1p(since_first / parameter)
    if code == SETTLING:
        return -np.expm1(-since_first / parameter)
    if code in LEVELLING_WIDTHS:
        # An S-shaped climb whose steepest drop is the parameter.
        width = LEVELLING_WIDTHS[code] * parameter
        start = 1.0 / (1.0 + np.exp((parameter - 1.0) / width))
        return 1.0 / (1.0 + np.exp((parameter - 1.0 - since_first) / width)) - start
    if code == JUMP:
        return (since_first + 1.0 >= parameter).astype(np.float64)
    raise ValueError(f"no family {code}")


_Block = tuple[int, "FloatArray", tuple[int, "FloatArray"], str, float, float, float, float]


@lru_cache(maxsize=16)
def shape_grid(farthest_drop: int) -> ShapeGrid:
    """The grid of shapes for series whose last drop is no later than ``farthest_drop``."""
    far = max(_FARTHEST_PARAMETER, 2.0 * farthest_drop)
    # A jump is at one drop and not at its neighbour: every drop counts while there are few.
    drops = np.concatenate([np.arange(2.0, 30.0), np.round(_geometric(30.0, far, 1.12))])
    coarse_drops = _geometric(3.0, far, 1.35)
    poles = _geometric(6.0, far, 1.22)
    growths = _geometric(0.01, 0.4, 1.6)

    none = (STEADY, np.ones(1))
    settles = (SETTLING, np.array([1.0, 2.5, 6.0]))
    times = np.array([0.6, 1.2, 2.5, 5.0, 10.0, 20.0])
    middles = _geometric(4.0, far, 1.35)
    # family, parameters, step beside it, shape, share of the shape, median size, log sd, P(< 0)
    blocks: list[_Block] = [
        (STEADY, np.ones(1), none, "steady", 1.0, 0.01, 1.0, 0.0),
        (LINEAR, np.ones(1), none, "linear", 1.0, 0.012, 1.1, 0.15),
        (ONSET, drops, none, "onset", 1.0, 0.02, 1.1, 0.0),
        (POWER, np.array([1.5, 2.0, 3.0]), none, "accelerating", 0.35, 0.010, 1.1, 0.0),
        (EXPONENTIAL, growths, none, "accelerating", 0.35, 0.006, 1.3, 0.0),
        (HYPERBOLIC, poles, none, "accelerating", 0.30, 0.008, 1.3, 0.0),
        (SLOWING, np.array([2.0, 6.0, 20.0, 60.0]), none, "slowing", 0.7, 0.02, 1.1, 0.1),
        (POWER, np.array([0.4, 0.6, 0.8]), none, "slowing", 0.3, 0.010, 1.1, 0.1),
        (SETTLING, times, none, "settling", 0.5, 0.10, 0.9, 0.25),
        (LEVELLING, middles, none, "settling", 0.5, 0.30, 0.7, 0.0),
        (LINEAR, np.ones(1), settles, "settling then climbing", 0.5, 0.012, 1.1, 0.0),
        (ONSET, coarse_drops, settles, "settling then climbing", 0.3, 0.015, 1.1, 0.0),
        (EXPONENTIAL, growths[::2], settles, "settling then climbing", 0.2, 0.006, 1.3, 0.0),
        (JUMP, drops, none, "jump", 0.5, 0.15, 0.8, 0.25),
        (LINEAR, np.ones(1), (JUMP, drops), "jump", 0.5, 0.008, 1.1, 0.0),
    ]
    cells: list[tuple[int, float, int, float, int, float, int]] = []
    prior = []
    for block, (code, values, (step, steps), name, share, median, log_sd, falling) in enumerate(
        blocks
    ):
        scale = AMPLITUDE_UNIT if code in (SETTLING, LEVELLING, JUMP) else 1.0
        sizes = _size_prior(median / scale, log_sd, falling)
        weight = _SHAPE_PRIOR[name] * share * np.outer(_evenly(values), _evenly(steps))
        prior += list(np.log(weight.ravel())[:, None] + sizes)
        cells += [
            (code, value, step, beside, SHAPES.index(name), scale, block)
            for value in values
            for beside in steps
        ]
    family, parameter, step_family, step_parameter, shape, unit, block_of = (
        np.array(column) for column in zip(*cells, strict=True)
    )
    return ShapeGrid(
        family=family,
        parameter=parameter,
        step_family=step_family,
        step_parameter=step_parameter,
        shape=shape,
        unit=unit,
        log_prior=np.array(prior),
        blocks=_blocks(block_of, parameter, step_parameter),
    )


def _evenly(values: FloatArray) -> FloatArray:
    """Prior weights even in the logarithm of the parameter, fading beyond some fifty drops."""
    if values.size == 1:
        return np.ones(1)
    spacing = np.gradient(np.log(values)) / (1.0 + values / _FADING_DROPS)
    return np.asarray(spacing / spacing.sum(), dtype=np.float64)


def _geometric(first: float, last: float, ratio: float) -> FloatArray:
    steps = int(np.ceil(np.log(last / first) / np.log(ratio)))
    return np.asarray(np.geomspace(first, last, steps + 1), dtype=np.float64)


def _size_prior(median: float, log_sd: float, falling: float) -> FloatArray:
    """Log probability of each signed bin: lognormal in size, ``falling`` of it below zero."""
    from scipy.special import ndtr

    with np.errstate(divide="ignore"):
        below = ndtr((np.log(RATE_EDGES) - np.log(median)) / log_sd)
        sizes = np.diff(below) / below[-1]
        signed = np.concatenate([falling * sizes[::-1], (1.0 - falling) * sizes])
        return np.asarray(np.log(signed), dtype=np.float64)


def _blocks(
    block: IntArray, parameter: FloatArray, step_parameter: FloatArray
) -> tuple[tuple[slice, FloatArray], ...]:
    """Kernels within runs of cells: parameters of like cases differ by about a quarter."""
    runs = []
    for start, stop in pairwise(np.flatnonzero(np.diff(block, prepend=-1, append=-1))):
        run = slice(int(start), int(stop))
        logs = np.log(np.stack([parameter[run], step_parameter[run]]))
        apart = ((logs[:, :, None] - logs[:, None, :]) ** 2).sum(axis=0) / PARAMETER_SPREAD**2
        kernel = np.exp(-0.5 * apart)
        runs.append((run, kernel / kernel.sum(axis=1, keepdims=True)))
    return tuple(runs)


def kinds_of(*columns: NDArray[np.generic]) -> tuple[IntArray, IntArray]:
    """First row of each kind of equal rows, and the kind of each row."""
    rows = np.concatenate([np.asarray(each, dtype=np.float64) + 0.0 for each in columns], axis=1)
    kinds: dict[bytes, int] = {}
    every, size = rows.tobytes(), rows.shape[1] * rows.itemsize
    starts = range(0, len(every), size)
    kind = np.array([kinds.setdefault(every[at : at + size], len(kinds)) for at in starts])
    first = np.empty(len(kinds), dtype=np.int64)
    first[kind[::-1]] = np.arange(kind.size)[::-1]
    return first, kind


def rate_kernel() -> FloatArray:
    """How the climbs of like cases differ: mostly the same bin or the next; rising bins only."""
    half = BINS // 2
    kernel = np.zeros((half, half))
    for row in range(half):
        for shift, share in ((-1, 0.2), (0, 0.6), (1, 0.2)):
            kernel[row, min(max(row + shift, 0), half - 1)] += share
    return kernel


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where a posterior has its probability: rows of bins of the climb, for each cell."""

    prior: Floats
    """Probability before any reading; shape (n_rows, n_bins)."""
    rate_kernel: Floats
    """How the climbs of like cases differ; shape (n_bins, n_bins), symmetric."""
    runs: tuple[tuple[slice, Floats], ...]
    """Runs of rows, each with how the parameters of like cases differ."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Signed halves of the cells of a grid: falling climbs, where a cell has any, and rising."""

    cell: IntArray
    rises: NDArray[np.bool_]
    edges: Floats
    """Of the climb's bins, ascending; shape (n_rows, _HALF + 1)."""
    lattice: Lattice
    shape: Floats
    """1 where a row's cell has the shape; shape (n_rows, n_shapes)."""


@lru_cache(maxsize=16)
def rows_of(farthest: int) -> Rows:
    """Those of the grid of shapes that reaches so far."""
    grid = shape_grid(farthest)
    falls = np.asarray(np.isfinite(grid.log_prior[:, :_HALF]).any(axis=1))
    cell = np.repeat(np.arange(falls.size), 1 + falls)
    rises = np.append(np.diff(cell) != 0, True)
    prior = np.exp(grid.log_prior)
    halves = np.where(rises[:, None], prior[cell, _HALF:], prior[cell, :_HALF])
    edges = np.where(rises[:, None], SIGNED_EDGES[_HALF:], SIGNED_EDGES[: _HALF + 1])
    first = np.searchsorted(cell, np.arange(falls.size + 1))
    runs = []
    for run, kernel in grid.blocks:
        if len(kernel) > 1:
            ends = first[run.start], first[run.stop]
            step = 2 if falls[run.start] else 1
            kernel = kernel.astype(np.float32)
            runs += [(slice(ends[0] + row, ends[1], step), kernel) for row in range(step)]
    lattice = Lattice(halves.astype(np.float32), rate_kernel().astype(np.float32), tuple(runs))
    shape = (grid.shape[cell][:, None] == np.arange(grid.shape.max() + 1)).astype(np.float64)
    return Rows(cell, rises, edges * grid.unit[cell][:, None], lattice, shape)


class Kinds:
    """Cells that are alike over the drops up to some number; arrays (n_kinds, …).

    Parameters
    ----------
    farthest : int
        Of the grid of shapes.
    last : int
        Drops that they are told apart by.
    """

    def __init__(self, farthest: int, last: int) -> None:
        grid, rows = shape_grid(farthest), rows_of(farthest)
        half_drops = np.arange(1.0, last + 0.25, 0.5)
        phi = climb_basis(grid.family, grid.parameter, half_drops)
        psi = climb_basis(grid.step_family, grid.step_parameter, half_drops)
        impossible = ~np.isfinite(phi)
        phi = np.where(impossible, 0.0, phi)
        unit = np.where(phi[:, ::2].any(axis=1), grid.unit, 0.0)[:, None]
        first, kind = kinds_of(phi[:, ::2], psi[:, ::2], impossible[:, ::2], unit)
        steps = (psi[first, ::2] != 0.0).any(axis=1)
        order = np.argsort(~steps, kind="stable")
        first, self.steps = first[order], steps[order]  # those with a step come first
        self.kind = np.argsort(order)[kind]
        self.farthest, self.count = farthest, first.size
        self.unit = grid.unit[first].astype(np.float32)
        self.impossible = impossible[first, ::2].T.astype(np.float64)
        self.phi_at_half_drops = np.ascontiguousarray(phi[first].T, dtype=np.float32)
        self.psi_at_half_drops = np.ascontiguousarray(psi[first].T, dtype=np.float32)
        self.phi_at_drops = np.ascontiguousarray(self.phi_at_half_drops[::2])
        self.psi_at_drops = np.ascontiguousarray(self.psi_at_half_drops[::2])
        phi, psi = phi[first, ::2], psi[first, ::2]
        size = np.abs(phi).max(axis=1)
        self.size = np.where(size < 1e-12, 1.0, size)
        self.log_size = np.log(self.size).astype(np.float32)
        self.to_unit = (1.0 / (self.size * self.unit)).astype(np.float32)
        phi = phi / self.size[:, None]
        # Several arrays are those of the kinds one after the other: ψ, φ, ψψ, ψφ, φφ, with ψ only
        # for kinds with a step.
        own = psi[self.steps]
        self.terms = np.concatenate(
            [own, phi, own * own, own * phi[self.steps], phi * phi], dtype=np.float32
        )
        self.phi, self.psi = (np.ascontiguousarray(x.T, dtype=np.float32) for x in (phi, psi))
        jump_at = np.where(grid.family == JUMP, grid.parameter, np.inf)
        self.jump_at = np.where(grid.step_family == JUMP, grid.step_parameter, jump_at)[first]

        # Prior density of the climb by kind: bins of falling ones by size, then of rising ones.
        prior = np.exp(grid.log_prior)
        density = prior / (np.diff(SIGNED_EDGES) * grid.unit[:, None])
        members = (self.kind == np.arange(self.count)[:, None]).astype(np.float64)
        density = members @ density
        beyond = np.zeros((self.count, 1))
        self._density = np.concatenate(
            [density[:, _HALF - 1 :: -1], beyond, density[:, _HALF:], beyond],
            axis=1,
            dtype=np.float32,
        )
        self._density_row = np.arange(self.count, dtype=np.int32)[:, None] * (BINS + 2)
        with np.errstate(divide="ignore"):
            self.log_prior = np.log(members @ prior.sum(axis=1)).astype(np.float32)
        rising = np.cumsum(members @ prior[:, _HALF:], axis=1, dtype=np.float32)
        self.rising = rising[:, -1]
        middles = (0.5 * (RATE_EDGES[1:] + RATE_EDGES[:-1])).astype(np.float32)
        cuts = np.array([1.0, 3.0, 5.0])[:, None] / 6.0 * self.rising
        self.thirds = middles[(rising < cuts[..., None]).sum(axis=2)]

        # Rows of the kinds, as the rows of the cells.
        half = np.unique(self.kind[rows.cell] * 2 + rows.rises)
        self.row_kind = half // 2
        self.row = np.searchsorted(half, self.kind[rows.cell] * 2 + rows.rises)
        signed = np.where((half % 2 > 0)[:, None], SIGNED_EDGES[_HALF:], SIGNED_EDGES[: _HALF + 1])
        edges = (signed * self.unit[self.row_kind][:, None]).T
        self.row_edges = np.ascontiguousarray(edges, dtype=np.float32)
        self.member = np.ascontiguousarray(members[:, rows.cell].T, dtype=np.float32)

    def each_of(self, terms: Floats) -> list[Floats]:
        """Rows that belong to ``terms``, or to the first of them, term by term for all kinds."""
        with_step, found, start = int(self.steps.sum()), [], 0
        for count in (with_step, self.count, with_step, with_step, self.count):
            if start == len(terms):
                break
            one = terms[start : start + count]
            if count < self.count:
                one, own = np.zeros((self.count, terms.shape[1]), dtype=terms.dtype), one
                one[:count] = own
            found.append(one)
            start += count
        return found

    def density(self, climb: Floats) -> Floats:
        """Prior density of climbs in units of their kinds; shape (n_kinds, n_series)."""
        bin_ = np.maximum(np.abs(climb), 1e-9)
        np.log(bin_, out=bin_)
        bin_ *= 1.0 / _LOG_STEP
        bin_ += 1.0 - _FIRST_LOG / _LOG_STEP
        np.maximum(bin_, 0.0, out=bin_)
        np.minimum(bin_, _HALF, out=bin_)
        column = bin_.astype(np.int32)
        column += (climb >= 0.0) * np.int32(_HALF + 1)
        column += self._density_row
        return self._density.take(column)


def farthest_of(last_drops: Iterable[float]) -> int:
    """Drop that the grid of shapes has to reach for series whose last drops are these."""
    return int(500 * 2 ** max(0, int(np.ceil(np.log2(max(last_drops) / 500)))))


_FARTHEST_KEPT = 200
_kept_kinds = lru_cache(maxsize=48)(Kinds)


def kinds_up_to(farthest: int, last: int) -> Kinds:
    """The kinds for series up to that drop, kept while they are small."""
    return (_kept_kinds if last <= _FARTHEST_KEPT else Kinds)(farthest, last)


def padded(last: int) -> int:
    """Drop up to which a series is fitted with others whose last drops are about the same."""
    step = 1 if last <= 4 else 5 if last <= 40 else 16
    return -(-last // step) * step
