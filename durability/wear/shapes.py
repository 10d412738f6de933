"""The plausible shapes of wear, and the evidence of each for many series at once."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

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
_LEVELLING_WIDTH = 0.25
"""Width of an S-shaped climb as a fraction of its middle."""
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
PARAMETER_SPREAD = 0.25
"""Log standard deviation of a shape's parameter between cases of one model."""


@dataclass(frozen=True, slots=True)
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


def climb_basis(family: IntArray, parameter: FloatArray, drop_number: FloatArray) -> FloatArray:
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
    basis = np.zeros((family.size, since_first.shape[1]))
    bounds = np.flatnonzero(np.diff(family, prepend=-1, append=-1))
    for start, stop in pairwise(bounds):
        run = slice(start, stop)
        since = since_first if since_first.shape[0] == 1 else since_first[run]
        if family[start] != STEADY:
            basis[run] = _family_basis(int(family[start]), parameter[run, None], since)
    return basis


def _family_basis(code: int, parameter: FloatArray, since_first: FloatArray) -> FloatArray:
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
    if code == LEVELLING:
        # An S-shaped climb whose steepest drop is the parameter.
        width = _LEVELLING_WIDTH * parameter
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


WILD_SHARE = 0.06
"""Prior probability that a reading is wild."""
WILD_DENSITY = 0.5
"""Density of a wild reading in log g: anywhere within a factor e up or down."""
STEP_VARIANCE = 9.0
"""Prior variance of the step, in units of the squared scatter."""
_EM_STEPS = 6
_FLAT = 1e-12
"""Curvature below which the readings say nothing about the climb."""


@dataclass(frozen=True, slots=True)
class ScatterPrior:
    """Inverse-gamma prior of the squared scatter, per series; arrays of shape (n_series,)."""

    weight: FloatArray
    """How many readings the prior is worth."""
    variance: FloatArray


@dataclass(frozen=True, slots=True)
class CellFit:
    """Posterior of every shape cell of every series; arrays (n_cells, n_series) unless said."""

    log_constant: FloatArray
    """Log evidence apart from the integral over the climb."""
    climb: FloatArray
    """Location of the climb's Student t."""
    curvature: FloatArray
    """Information on the climb in units of 1/scatter²; 0 where the readings say nothing."""
    misfit: FloatArray
    """Prior and residual sum of squares at the best climb."""
    freedom: FloatArray
    """Degrees of freedom of the climb's Student t."""
    core: FloatArray
    """Probability that each reading is a core one; shape (n_cells, n_series, n_drops)."""
    total_core: FloatArray
    mean_log: FloatArray
    mean_step: FloatArray
    mean_climb: FloatArray
    """Core-weighted means of the log reading, of ψ and of φ."""
    step_precision: FloatArray
    step_log: FloatArray
    step_climb: FloatArray
    """Centred cross products of ψ with itself (prior included), the log readings and φ."""

    def of_series(self, rows: slice) -> CellFit:
        """The part of some series, copied so that the whole can be freed."""
        return CellFit(*(getattr(self, field.name)[:, rows].copy() for field in fields(self)))

    def climb_scale(self) -> FloatArray:
        """Scale of the climb's Student t; 0 where the readings say nothing."""
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.sqrt(self.misfit / (self.curvature * self.freedom))
        return np.where(self.curvature > 0.0, scale, 0.0)


def fit_cells(
    log_peak: FloatArray, present: FloatArray, grid: ShapeGrid, scatter: ScatterPrior
) -> CellFit:
    """Fit every cell of the grid to every series.

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

    Returns
    -------
    CellFit
        Posterior of all cells. Memory: some eight arrays (n_cells, n_series, n_drops).
    """
    drop_number = np.arange(1.0, log_peak.shape[1] + 1.0)
    phi = climb_basis(grid.family, grid.parameter, drop_number)
    psi = climb_basis(grid.step_family, grid.step_parameter, drop_number)
    impossible = ~np.isfinite(phi)
    phi = np.where(impossible, 0.0, phi)
    size = np.maximum(np.abs(phi).max(axis=1), 1e-300)
    phi = phi / size[:, None]
    terms = np.stack([np.ones_like(phi), psi, phi, psi * psi, psi * phi, phi * phi], axis=2)

    core = np.broadcast_to(present, (grid.family.size, *present.shape)).copy()
    variance = np.zeros(core.shape[:2])
    for step in range(_EM_STEPS):
        fit = _weighted_fit(core, log_peak, terms)
        residual = _residual(fit, log_peak, psi, phi)
        squared = residual * residual
        if step == 0:
            variance = _robust_variance(squared, present, scatter)
        else:
            variance = (scatter.weight * scatter.variance + (core * squared).sum(axis=2)) / (
                scatter.weight + fit["total"]
            )
        core = _core_probability(squared, variance) * present
    fit = _weighted_fit(core, log_peak, terms)
    squared = _residual(fit, log_peak, psi, phi) ** 2
    misfit = (
        scatter.weight * scatter.variance
        + (core * squared).sum(axis=2)
        + fit["step"] ** 2 / STEP_VARIANCE
    )
    # From here on in the climb's own unit.
    fit["climb"] /= size[:, None]
    fit["curvature"] *= size[:, None] ** 2
    fit["mean_climb"] *= size[:, None]
    fit["step_climb"] *= size[:, None]
    log_constant = _log_constant(core, present, fit, misfit, scatter)
    log_constant = np.where(
        (impossible[:, None, :] & (present > 0.0)).any(axis=2), -np.inf, log_constant
    )
    return CellFit(
        log_constant=log_constant,
        climb=fit["climb"],
        curvature=fit["curvature"],
        misfit=misfit,
        freedom=scatter.weight + fit["total"] - 2.0,
        core=core,
        total_core=fit["total"],
        mean_log=fit["mean_log"],
        mean_step=fit["mean_step"],
        mean_climb=fit["mean_climb"],
        step_precision=fit["step_precision"],
        step_log=fit["step_log"],
        step_climb=fit["step_climb"],
    )


def bin_log_evidence(fit: CellFit, grid: ShapeGrid) -> FloatArray:
    """Log evidence of each cell with its climb in each signed bin, before the prior.

    Returns
    -------
    ndarray of shape (n_series, n_cells, BINS)
        Log of the mean likelihood over the bin.
    """
    from scipy.special import ndtr

    edges = SIGNED_EDGES * grid.unit[:, None]
    told = fit.curvature > 0.0
    scale = np.where(told, fit.climb_scale(), 1.0)
    apart = (edges[:, None, :] - fit.climb[:, :, None]) / scale[:, :, None]
    z = t_to_normal(apart, fit.freedom[:, :, None])
    tail = ndtr(-np.abs(z))
    low, high = tail[..., :-1], tail[..., 1:]
    mass = np.where(
        z[..., :-1] > 0.0, low - high, np.where(z[..., 1:] < 0.0, high - low, 1.0 - low - high)
    )
    width = np.diff(edges)[:, None, :]
    with np.errstate(divide="ignore"):
        evidence = np.log(mass) - np.log(width)
    # With nothing said about the climb its likelihood is even: every bin gets the same.
    evidence = np.where(told[..., None], evidence, 0.0) + fit.log_constant[:, :, None]
    return np.asarray(evidence.transpose(1, 0, 2), dtype=np.float64)


def t_to_normal(t: FloatArray, freedom: FloatArray) -> FloatArray:
    """Normal deviate with the tail probability of a Student t, within 0.002 (Wallace 1959)."""
    stretch = (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)
    return np.asarray(
        np.sign(t) * stretch * np.sqrt(freedom * np.log1p(t * t / freedom)), dtype=np.float64
    )


def normal_to_t(z: FloatArray, freedom: FloatArray) -> FloatArray:
    """Inverse of ``t_to_normal``."""
    stretch = (8.0 * freedom + 3.0) / (8.0 * freedom + 1.0)
    return np.asarray(
        np.sign(z) * np.sqrt(freedom * np.expm1((z * stretch) ** 2 / freedom)), dtype=np.float64
    )


def _weighted_fit(
    core: FloatArray, log_peak: FloatArray, terms: FloatArray
) -> dict[str, FloatArray]:
    """Weighted normal equations of level, step and climb, solved by elimination."""
    moments = core @ terms
    weighted_log = core * log_peak
    with_log = weighted_log @ terms[..., :3]
    total = np.maximum(moments[..., 0], 1e-6)
    mean_step, mean_climb = moments[..., 1] / total, moments[..., 2] / total
    mean_log = with_log[..., 0] / total
    step_precision = moments[..., 3] - total * mean_step**2 + 1.0 / STEP_VARIANCE
    step_climb = moments[..., 4] - total * mean_step * mean_climb
    step_log = with_log[..., 1] - total * mean_step * mean_log
    pull = step_climb / step_precision
    curvature = moments[..., 5] - total * mean_climb**2 - step_climb * pull
    slope = with_log[..., 2] - total * mean_climb * mean_log - step_log * pull
    told = curvature > _FLAT
    curvature = np.where(told, curvature, 0.0)
    climb = np.where(told, slope / np.where(told, curvature, 1.0), 0.0)
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


def _residual(
    fit: dict[str, FloatArray], log_peak: FloatArray, psi: FloatArray, phi: FloatArray
) -> FloatArray:
    path = fit["climb"][..., None] * phi[:, None, :]
    path += fit["level"][..., None]
    stepping = (psi != 0.0).any(axis=1)
    path[stepping] += fit["step"][stepping, :, None] * psi[stepping, None, :]
    return np.asarray(log_peak - path, dtype=np.float64)


def _robust_variance(squared: FloatArray, present: FloatArray, scatter: ScatterPrior) -> FloatArray:
    """Squared scatter from the median absolute residual, so that wild readings don't hide."""
    count = present.sum(axis=1)
    if present.all():
        middle = np.median(squared, axis=2)
    else:
        ordered = np.sort(np.where(present > 0.0, squared, np.inf), axis=2)
        half = ((count - 1.0) // 2.0).astype(np.int64)
        middle = np.take_along_axis(ordered, half[None, :, None], axis=2)[:, :, 0]
    middle = middle / 0.4549  # the median of the square of a standard normal
    return np.asarray(
        (scatter.weight * scatter.variance + count * middle) / (scatter.weight + count),
        dtype=np.float64,
    )


def _core_probability(squared: FloatArray, variance: FloatArray) -> FloatArray:
    odds = np.log(WILD_SHARE * WILD_DENSITY / (1.0 - WILD_SHARE)) + 0.5 * np.log(
        2.0 * np.pi * variance
    )
    exponent = squared * (0.5 / variance)[..., None]
    exponent += odds[..., None]
    np.minimum(exponent, 50.0, out=exponent)
    np.exp(exponent, out=exponent)
    exponent += 1.0
    return np.asarray(np.reciprocal(exponent, out=exponent), dtype=np.float64)


def _log_constant(
    core: FloatArray,
    present: FloatArray,
    fit: dict[str, FloatArray],
    misfit: FloatArray,
    scatter: ScatterPrior,
) -> FloatArray:
    from scipy.special import entr, gammaln

    total = fit["total"]
    core_log = np.log(1.0 - WILD_SHARE)
    wild_log = np.log(WILD_SHARE * WILD_DENSITY)
    # Entropy of core against wild: wherever p is all but 0 or 1 it vanishes.
    spread = (entr(core) + entr(present - core)).sum(axis=2)
    labels = core_log * total + wild_log * (present.sum(axis=1) - total) + spread

    prior_weight = 0.5 * scatter.weight
    prior = prior_weight * np.log(prior_weight * scatter.variance) - gammaln(prior_weight)
    power = 0.5 * (total - 1.0 + scatter.weight)
    determinant = -0.5 * np.log(total) - 0.5 * np.log(STEP_VARIANCE * fit["step_precision"])
    constant = labels - 0.5 * (total - 1.0) * np.log(2.0 * np.pi) + prior + determinant
    told = fit["curvature"] > 0.0
    curvature = np.where(told, fit["curvature"], 1.0)
    integral = (
        0.5 * np.log(2.0 * np.pi / curvature)
        + gammaln(power - 0.5)
        - (power - 0.5) * np.log(0.5 * misfit)
    )
    even = gammaln(power) - power * np.log(0.5 * misfit)
    return np.asarray(constant + np.where(told, integral, even), dtype=np.float64)
