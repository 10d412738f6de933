"""The evidence of each shape of wear for many series at once, or for one case over its series."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.shapes import JUMP, SIGNED_EDGES, climb_basis, kinds_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray
    from durability.wear.shapes import Floats, ShapeGrid

WILD_SHARE = 0.06
"""Prior probability that a reading is wild."""
WILD_DENSITY = 0.5
"""Density of a wild reading in log g: anywhere within a factor e up or down."""
STEP_VARIANCE = 9.0
"""Prior variance of the step, in units of the squared scatter."""
_LOG_CORE, _LOG_WILD = math.log(1.0 - WILD_SHARE), math.log(WILD_SHARE * WILD_DENSITY)
_LOG_TWO_PI = math.log(2.0 * math.pi)
EM_STEPS = 6
BLOCK_SERIES = 512
"""Series whose cells are fitted at once."""
_ROWS = 16
"""Of a matrix product over series."""
_FAR_APART = 1e9
"""Scales beyond which all is equally far: squares of more would not fit single precision."""
FLAT = 1e-12
"""Curvature below which the readings say nothing about the climb."""


@dataclass(frozen=True, slots=True)
class ScatterPrior:
    """Inverse-gamma prior of the squared scatter, per series; arrays of shape (n_series,)."""

    weight: Floats
    """How many readings the prior is worth."""
    variance: Floats


@dataclass(frozen=True, slots=True)
class Offsets:
    """Levels of their own for parts of one case's readings, normal about a common level."""

    member: Floats
    """1 where a reading belongs to the part; shape (n_drops, n_parts)."""
    precision: Floats
    """Of each part's offset a priori, in units of 1/scatter²; shape (n_parts,)."""
    centre: Floats
    """Of each part's offset a priori, in log g; shape (n_parts,)."""

    def explain(self, basis: Floats) -> NDArray[np.bool_]:
        """Which rows of shape (n_drops,) rise, but within no part: levels alone make them."""
        count = np.maximum(self.member.sum(axis=0), 1.0)
        within = (basis**2) @ self.member - (basis @ self.member) ** 2 / count
        return np.asarray((within.sum(axis=1) < FLAT) & (np.ptp(basis, axis=1) > 0.0))


@dataclass(frozen=True, slots=True)
class CellFit:
    """Posterior of every shape of every series; arrays (n_kinds, n_series) unless said.

    Cells of the grid that are alike over the readings (an onset or a jump yet to come) are one
    kind, and fitted once.
    """

    kind: IntArray
    """Of each cell of the grid; shape (n_cells,)."""
    log_constant: Floats
    """Log evidence apart from the integral over the climb."""
    climb: Floats
    """Location of the climb's Student t."""
    curvature: Floats
    """Information on the climb in units of 1/scatter²; 0 where the readings say nothing."""
    misfit: Floats
    """Prior and residual sum of squares at the best climb."""
    freedom: Floats
    """Degrees of freedom of the climb's Student t."""
    core: Floats
    """Probability that each reading is a core one; shape (n_kinds, n_series, n_drops)."""
    total_core: Floats
    """How many core readings there are, less those that offsets use up."""
    mean_log: Floats
    mean_step: Floats
    mean_climb: Floats
    """Core-weighted means of the log reading, of ψ and of φ."""
    step_precision: Floats
    step_log: Floats
    step_climb: Floats
    """Centred cross products of ψ with itself (prior included), the log readings and φ."""

    def of_series(self, rows: slice) -> CellFit:
        """The part of some series, copied so that the whole can be freed."""
        of_series = (getattr(self, field.name)[:, rows].copy() for field in fields(self)[1:])
        return CellFit(self.kind, *of_series)

    def climb_scale(self) -> Floats:
        """Scale of the climb's Student t; 0 where the readings say nothing."""
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.sqrt(self.misfit / (self.curvature * self.freedom))
        return np.where(self.curvature > 0.0, scale, 0.0)


def fit_cells(
    log_peak: Floats,
    present: Floats,
    grid: ShapeGrid,
    scatter: ScatterPrior,
    *,
    clock: FloatArray | None = None,
    offsets: Offsets | None = None,
) -> CellFit:
    """Fit every cell of the grid to every series.

    Offsets are integrated out exactly: with W the weight of a part and λ its precision, each cross
    product S_ab loses Σ W²/(W + λ) ā b̄ over the parts before the common level is taken out. With
    one part nothing of it is left.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Log peak g by drop number, from drop 1; anything finite where absent.
    present : ndarray of shape (n_series, n_drops)
        1 where there is a valid reading, else 0; every series has at least one.
    grid : ShapeGrid
        Cells to fit.
    scatter : ScatterPrior
        Prior of the scatter.
    clock : ndarray of shape (n_drops,) or (n_clocks, n_drops), optional
        Wear clock at each column; by default the drop number. With several each cell is fitted
        by each of them.
    offsets : Offsets, optional
        With one series only, which is then all series of a case.

    Returns
    -------
    CellFit
        Posterior of all cells. Memory: some eight arrays (n_kinds, n_series, n_drops).
    """
    if offsets is not None:
        log_peak = log_peak - offsets.member @ offsets.centre
    if clock is None:
        clock = np.arange(1.0, log_peak.shape[1] + 1.0)
    kind, phi, psi, impossible = _basis(grid, np.atleast_2d(clock), offsets)
    size = np.maximum(np.abs(phi).max(axis=1), 1e-300)
    phi = phi / size[:, None]

    core: Floats = np.broadcast_to(present, (len(phi), *present.shape)).copy()
    variance: Floats = np.zeros(core.shape[:2])
    squared: Floats
    for step in range(EM_STEPS):
        fit = _weighted_fit(core, log_peak, psi, phi, offsets)
        squared = _squared_residual(fit, log_peak, psi, phi, offsets)
        if step == 0:
            variance = robust_variance(squared, present, scatter, fit["count"])
        else:
            variance = (
                scatter.weight * scatter.variance + np.einsum("ksd,ksd->ks", core, squared)
            ) / (scatter.weight + fit["count"])
        core = core_probability(squared, variance[..., None])
        core *= present
    fit = _weighted_fit(core, log_peak, psi, phi, offsets)
    squared = _squared_residual(fit, log_peak, psi, phi, offsets)
    misfit = (
        scatter.weight * scatter.variance
        + np.einsum("ksd,ksd->ks", core, squared)
        + fit["step"] ** 2 / STEP_VARIANCE
    )
    if offsets is not None:
        # What the offsets themselves cost, on the scale that the prior gives the scatter.
        cost = (fit["offset"] ** 2) @ offsets.precision / scatter.variance
        fit["spread"] -= 0.5 * cost[:, None]
    # From here on in the climb's own unit.
    fit["climb"] /= size[:, None]
    fit["curvature"] *= size[:, None] ** 2
    fit["mean_climb"] *= size[:, None]
    fit["step_climb"] *= size[:, None]
    constant = log_constant(fit, label_evidence(core, present, -1), misfit, scatter)
    constant = np.where((impossible[:, None, :] & (present > 0.0)).any(axis=2), -np.inf, constant)
    return CellFit(
        kind=kind,
        log_constant=constant,
        climb=fit["climb"],
        curvature=fit["curvature"],
        misfit=misfit,
        freedom=scatter.weight + fit["count"] - 2.0,
        core=core,
        total_core=fit["count"],
        mean_log=fit["mean_log"],
        mean_step=fit["mean_step"],
        mean_climb=fit["mean_climb"],
        step_precision=fit["step_precision"],
        step_log=fit["step_log"],
        step_climb=fit["step_climb"],
    )


def _basis(
    grid: ShapeGrid, clocks: FloatArray, offsets: Offsets | None
) -> tuple[IntArray, Floats, Floats, NDArray[np.bool_]]:
    """Kind of each cell by each clock; φ, ψ and where a path is impossible, of each kind."""
    (phi, climbs), (psi, steps) = (_paths(*pairs, clocks) for pairs in _pairs(grid))
    barred = np.zeros(climbs.size, dtype=np.bool_)
    if offsets is not None:
        # A jump from one part to others is a difference of levels, never wear.
        for family, paths, at in ((grid.family, phi, climbs), (grid.step_family, psi, steps)):
            jumps = np.flatnonzero(np.tile(family == JUMP, len(clocks)))
            barred[jumps[offsets.explain(paths[at[jumps]])]] = True
    moves = np.asarray(phi.any(axis=1))[climbs]
    unit = np.where(moves, np.tile(grid.unit, len(clocks)), 0.0).astype(np.int64)
    size = len(phi), len(psi), 2, int(unit.max()) + 1
    each = np.ravel_multi_index((climbs, steps, barred, unit), size)
    _, first, kind = np.unique(each, return_index=True, return_inverse=True)
    phi, psi = phi[climbs[first]], psi[steps[first]]
    impossible = ~np.isfinite(phi) | barred[first, None]
    return kind, np.where(impossible, 0.0, phi), psi, impossible


_Pairs = tuple["IntArray", "FloatArray", "IntArray"]


@lru_cache(maxsize=16)
def _pairs(grid: ShapeGrid) -> tuple[_Pairs, _Pairs]:
    """Families with their parameters, each pair once, and that of each cell: of φ and of ψ."""

    def once(family: IntArray, parameter: FloatArray) -> _Pairs:
        own, cell = np.unique(np.stack([family, parameter]), axis=1, return_inverse=True)
        return own[0].astype(np.int64), own[1], cell

    return once(grid.family, grid.parameter), once(grid.step_family, grid.step_parameter)


def _paths(
    family: IntArray, parameter: FloatArray, cell: IntArray, clocks: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Paths that differ over these readings, and which of them each cell has by each clock."""
    every = climb_basis(family, parameter, clocks.reshape(1, -1)).reshape(-1, *clocks.shape)
    basis = every.transpose(1, 0, 2).reshape(-1, clocks.shape[1])
    first, path = kinds_of(basis)
    return basis[first], path.reshape(len(clocks), -1)[:, cell].ravel()


def by_series(rows: Floats, matrix: Floats) -> Floats:
    """``rows @ matrix``, each row rounded alike whatever stands beside it.

    Parameters
    ----------
    rows : ndarray of shape (n_series, n)
    matrix : ndarray of shape (n, m)
    """
    # Filled up to products of one shape. Some libraries round the rows of a larger one differently,
    # by their place in it.
    n_blocks, size = -(-len(rows) // _ROWS), matrix.shape[1]
    whole = np.zeros((n_blocks, _ROWS, rows.shape[1]), dtype=rows.dtype)
    whole.reshape(-1, rows.shape[1])[: len(rows)] = rows
    found = np.empty((size, n_blocks, _ROWS), dtype=rows.dtype)
    np.matmul(matrix.T, whole.transpose(0, 2, 1), out=found.transpose(1, 0, 2))
    return found.reshape(size, -1).T[: len(rows)]


def bin_log_evidence(fit: CellFit, grid: ShapeGrid) -> Floats:
    """Log evidence of each cell with its climb in each signed bin, before the prior.

    Returns
    -------
    ndarray of shape (n_series, n_cells, BINS)
        Log of the mean likelihood over the bin; of several clocks, the cells of each in turn.
    """
    unit = np.empty(len(fit.climb))
    unit[fit.kind] = np.resize(grid.unit, fit.kind.size)
    edges = SIGNED_EDGES * unit[:, None]
    told = fit.curvature > 0.0
    scale = np.where(told, fit.climb_scale(), 1.0)
    apart = (edges[:, None, :] - fit.climb[:, :, None]) / scale[:, :, None]
    tail = student_tail(apart, fit.freedom[:, :, None])
    low, high = tail[..., :-1], tail[..., 1:]
    above, below = apart[..., :-1] > 0.0, apart[..., 1:] < 0.0
    mass = np.where(above, low - high, np.where(below, high - low, 1.0 - low - high))
    width = np.diff(edges)[:, None, :]
    with np.errstate(divide="ignore"):
        evidence = np.log(mass) - np.log(width)
    # With nothing said about the climb its likelihood is even: every bin gets the same.
    evidence = np.where(told[..., None], evidence, 0.0) + fit.log_constant[:, :, None]
    return np.asarray(evidence.transpose(1, 0, 2)[:, fit.kind], dtype=np.float64)


def t_to_normal(t: Floats, freedom: Floats) -> Floats:
    """Normal deviate with the tail probability of a Student t, within 0.002 (Wallace 1959)."""
    stretch = (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)
    return np.asarray(np.sign(t) * stretch * np.sqrt(freedom * np.log1p(t * t / freedom)))


def normal_to_t(z: Floats, freedom: Floats) -> Floats:
    """Inverse of ``t_to_normal``."""
    t = z * ((8.0 * freedom + 3.0) / (8.0 * freedom + 1.0))
    t *= t
    t /= freedom
    np.expm1(t, out=t)
    t *= freedom
    return np.copysign(np.sqrt(t, out=t), z)


def student_tail(t: Floats, freedom: Floats) -> Floats:
    """Probability beyond a Student t, to its own side, by ``t_to_normal``."""
    from scipy.special import ndtr

    z = t * t
    z /= freedom
    np.log1p(z, out=z)
    z *= freedom
    np.sqrt(z, out=z)
    z *= -(8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)
    return np.asarray(ndtr(z, out=z))


def student_mass(t: Floats, freedom: Floats) -> Floats:
    """Probability of a Student t between each two neighbours, by ``t_to_normal``.

    From the tails on the side where they are, so that in single precision too far bins keep theirs.

    Parameters
    ----------
    t : ndarray of shape (n_edges, n)
        Ascends along the first axis, and is written over.
    freedom : ndarray of shape (n,)
    """
    t.clip(-_FAR_APART, _FAR_APART, out=t)
    above = ~np.signbit(t)
    z = t * t
    z /= freedom
    np.log1p(z, out=z)
    z *= freedom * ((8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)) ** 2
    tail = np.copysign(normal_tail(z), np.negative(t, out=t))
    mass = np.diff(tail, axis=0)
    mass += above[1:] & ~above[:-1]
    return np.asarray(mass)


_TAIL = (0.1490703282414233, 0.15764640475622202, 0.08384281817615223, 0.19992114366134245)
_TAIL_LAST, _TAIL_SLOPE = -0.09048069483514, 0.375


def normal_tail(square: Floats) -> Floats:
    """Probability beyond a normal deviate, from its square, which is written over.

    Within 3.2e-5 of itself out to 14, ½ at 0: in single precision a tenth of the time of ``ndtr``.
    exp(-z²/2) times a polynomial of u = 1 / (1 + 0.375 z), of least largest relative error.
    """
    u = np.sqrt(square)
    u *= _TAIL_SLOPE
    u += 1.0
    np.reciprocal(u, out=u)
    tail = u * _TAIL_LAST
    for each in reversed(_TAIL):
        tail += each
        tail *= u
    square *= -0.5
    tail *= np.exp(square, out=square)
    return np.asarray(tail)


def _weighted_fit(
    core: Floats, log_peak: Floats, psi: Floats, phi: Floats, offsets: Offsets | None
) -> dict[str, Floats]:
    """Weighted normal equations of offsets, level, step and climb, solved by elimination."""
    if offsets is not None:
        return _with_offsets(core[:, 0], log_peak[0], psi, phi, offsets)
    terms = np.stack([np.ones_like(phi), psi, phi, psi * psi, psi * phi, phi * phi], axis=2)
    moments, with_log = core @ terms, (core * log_peak) @ terms[..., :3]
    fit = eliminated(
        moments[..., 0], [*np.moveaxis(moments, 2, 0)[1:], *np.moveaxis(with_log, 2, 0)]
    )
    total = fit["total"]
    return fit | {"count": total, "inside": total, "spread": np.zeros_like(total)}


def _with_offsets(
    core: Floats, log_peak: Floats, psi: Floats, phi: Floats, offsets: Offsets
) -> dict[str, Floats]:
    """The same of one case, with readings and paths of shape (n_kinds, n_drops)."""
    weighted = core, core * psi, core * phi, core * log_peak
    of_part = np.stack([offsets.member.T @ each.T for each in weighted])  # (4, n_parts, n_kinds)
    weight = of_part[0]
    held = weight + offsets.precision[:, None]
    # What integrating the offsets out leaves of a sum, and takes from a sum of products.
    left, taken = offsets.precision[:, None] / held, of_part / held
    total, step_sum, climb_sum, log_sum = np.einsum("pk,apk->ak", left, of_part)

    def products(a: int, b: int, other: Floats) -> Floats:
        every = np.einsum("kd,kd->k", weighted[a], other)
        return np.asarray(every - np.einsum("pk,pk->k", taken[a], of_part[b]))

    fit = eliminated(
        total,
        [
            step_sum,
            climb_sum,
            products(1, 1, psi),
            products(1, 2, phi),
            products(2, 2, phi),
            log_sum,
            products(3, 1, psi),
            products(3, 2, phi),
        ],
    )
    rest = of_part[3] - fit["level"] * weight - fit["step"] * of_part[1] - fit["climb"] * of_part[2]
    own, inside = taken[0], weight.sum(axis=0)
    # Readings that level and offsets use up: the trace of their smoother.
    used = (own + weight * (1.0 - own) ** 2 / fit["total"]).sum(axis=0)
    fit |= {
        "inside": inside,
        "count": inside + 1.0 - used,
        "spread": 0.5 * np.log1p(-own).sum(axis=0),
    }
    fit = {name: value[:, None] for name, value in fit.items()}
    return fit | {"offset": (rest / held).T}


def eliminated(weight: Floats, sums: Sequence[Floats]) -> dict[str, Floats]:
    """Level, step and climb by elimination from weighted sums over the readings.

    Parameters
    ----------
    weight : ndarray
        Sum of the weights.
    sums : sequence of eight ndarray
        Sums of ψ, φ, ψψ, ψφ and φφ, and of the log reading times 1, ψ and φ.
    """
    step_sum, climb_sum, step_square, step_climb, climb_square, log_sum, step_log, climb_log = sums
    total = np.maximum(weight, 1e-6)
    mean_step, mean_climb, mean_log = step_sum / total, climb_sum / total, log_sum / total
    step_precision = step_square - total * mean_step * mean_step + 1.0 / STEP_VARIANCE
    step_climb = step_climb - total * mean_step * mean_climb
    step_log = step_log - total * mean_step * mean_log
    pull = step_climb / step_precision
    curvature = climb_square - total * mean_climb * mean_climb - step_climb * pull
    slope = climb_log - total * mean_climb * mean_log - step_log * pull
    told = curvature > FLAT
    curvature = np.where(told, curvature, 0.0)
    climb = np.divide(slope, curvature, out=np.zeros_like(slope), where=told)
    step = (step_log - step_climb * climb) / step_precision
    return {
        "total": total,
        "mean_log": mean_log,
        "mean_step": mean_step,
        "mean_climb": mean_climb,
        "step_precision": step_precision,
        "step_climb": step_climb,
        "step_log": step_log,
        "curvature": curvature,
        "climb": climb,
        "step": step,
        "level": mean_log - step * mean_step - climb * mean_climb,
    }


def _squared_residual(
    fit: dict[str, Floats],
    log_peak: Floats,
    psi: Floats,
    phi: Floats,
    offsets: Offsets | None,
) -> Floats:
    level = fit["level"][..., None]
    if offsets is not None:
        level = ((fit["level"] + fit["offset"]) @ offsets.member.T)[:, None, :]
    residual = log_peak - level
    residual -= fit["climb"][..., None] * phi[:, None, :]
    residual -= fit["step"][..., None] * psi[:, None, :]
    return np.square(residual, out=residual)


def robust_variance(
    squared: Floats, present: Floats, scatter: ScatterPrior, free: Floats
) -> Floats:
    """Squared scatter from the median absolute residual, so that wild readings don't hide."""
    count = present.sum(axis=1)
    ordered = np.sort(np.where(present > 0.0, squared, np.inf), axis=2)
    both = np.stack([(count - 1.0) // 2.0, count // 2.0], axis=1).astype(np.int64)
    middle = np.take_along_axis(ordered, both[None], axis=2).mean(axis=2)
    middle = middle / 0.4549  # the median of the square of a standard normal
    return np.asarray(
        (scatter.weight * scatter.variance + count * middle) / (scatter.weight + free),
        dtype=np.float64,
    )


def core_probability(squared: Floats, variance: Floats) -> Floats:
    """Probability that a reading off by so much is a core one; ``squared`` is written over."""
    odds = _LOG_WILD - _LOG_CORE + 0.5 * (_LOG_TWO_PI + np.log(variance))
    squared *= 0.5 / variance
    squared += odds
    np.minimum(squared, 50.0, out=squared)
    np.exp(squared, out=squared)
    squared += 1.0
    return np.reciprocal(squared, out=squared)


def starting_core(log_peak: Floats, present: Floats, scatter: ScatterPrior) -> Floats:
    """Probability that each reading is a core one, by a running median of five of them.

    They are reflected at both ends. All arrays have shape (n_series, n_drops).
    """
    is_there = present > 0.0
    number = np.arange(is_there.shape[1])
    if not is_there.all():  # the reading before, else the first
        before = np.maximum.accumulate(np.where(is_there, number, -1), axis=1)
        before = np.where(before < 0, is_there.argmax(axis=1)[:, None], before)
        log_peak = np.take_along_axis(log_peak, before, axis=1)
    last = is_there.shape[1] - 1 - is_there[:, ::-1].argmax(axis=1)[:, None]
    window = []
    for shift in (-2, -1, 0, 1, 2):
        at = np.abs(number + shift)[None]
        at = np.clip(last - np.abs(last - at), 0, None)
        window.append(np.take_along_axis(log_peak, at, axis=1))
    squared = (log_peak - np.sort(np.stack(window), axis=0)[2]) ** 2
    count = is_there.sum(axis=1)
    ordered = np.sort(np.where(is_there, squared, np.inf), axis=1)
    middle = np.take_along_axis(ordered, (count[:, None] - 1) // 2, axis=1)[:, 0]
    # The median square of a standard normal; the middle of five takes part of the scatter along.
    middle = middle / 0.4549 * 1.3
    variance = (scatter.weight * scatter.variance + count * middle) / (scatter.weight + count)
    return np.asarray(core_probability(squared, variance[:, None]) * present)


def label_evidence(core: Floats, present: Floats, axis: int) -> Floats:
    """What the readings' labels, core or wild, add to the log evidence.

    Parameters
    ----------
    core, present : ndarray
        Probability that each reading is a core one; 1 where there is a reading.
    axis : int
        Along which the readings are.
    """
    inside = core.sum(axis=axis)
    wild = present.sum(axis=axis) - inside
    # Entropy of core against wild: wherever p is all but 0 or 1 it vanishes.
    spread = (_entropy(core) + _entropy(present - core)).sum(axis=axis)
    labels = _LOG_CORE * inside + _LOG_WILD * wild
    return np.asarray(labels + spread)


def _entropy(probability: Floats) -> Floats:
    return -probability * np.log(np.maximum(probability, 1e-30))


def log_constant(
    fit: dict[str, Floats], labels: Floats | float, misfit: Floats, scatter: ScatterPrior
) -> Floats:
    """Log evidence of each cell apart from the integral over the climb.

    Parameters
    ----------
    fit : dict of str to ndarray
        From ``eliminated``, the climb in its own unit; with ``count`` and ``inside``, the readings
        that count less those that offsets use up, and all, and ``spread`` of the offsets.
    labels : ndarray
        From ``label_evidence``.
    misfit : ndarray
        Prior and residual sum of squares.
    scatter : ScatterPrior
        Prior of the scatter.
    """
    from scipy.special import gammaln

    prior_weight = 0.5 * scatter.weight
    prior = prior_weight * np.log(prior_weight * scatter.variance) - gammaln(prior_weight)
    power = 0.5 * (fit["count"] - 1.0 + scatter.weight)
    determinant = -0.5 * np.log(fit["total"]) - 0.5 * np.log(STEP_VARIANCE * fit["step_precision"])
    constant = labels - 0.5 * (fit["inside"] - 1.0) * _LOG_TWO_PI + prior + determinant
    constant = constant + fit["spread"]
    told = fit["curvature"] > 0.0
    log_misfit = np.log(0.5 * misfit)
    even = gammaln(power) - power * log_misfit
    integral = (
        0.5 * (_LOG_TWO_PI - np.log(np.where(told, fit["curvature"], 1.0)))
        + gammaln(power - 0.5)
        - (power - 0.5) * log_misfit
    )
    return np.asarray(constant + np.where(told, integral, even))
