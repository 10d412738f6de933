"""The plausible shapes of wear: how the logarithm of peak g may climb over drops.

A path is ``log level(n) = level + settle · ψ(n) + climb · φ(n)`` with ψ(1) = φ(1) = 0, so that
``level`` is the log level at the first drop. φ is one of nine families, each with one parameter on
a grid; ψ is an optional settling of the first drops, ``1 - exp(-(n-1)/settle_drops)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.records import FloatArray, IntArray

STEADY, LINEAR, ONSET, POWER, EXPONENTIAL, HYPERBOLIC, SLOWING, SETTLING, JUMP = range(9)

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

_SHAPE_PRIOR = dict(zip(SHAPES, (0.15, 0.20, 0.20, 0.20, 0.06, 0.07, 0.06, 0.06), strict=True))
_POWER_UNIT = 30.0
"""Drops over which the rate of a power law is the mean rate: ``φ = 30 ((n-1)/30)^p``."""
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


@dataclass(frozen=True, slots=True)
class ShapeGrid:
    """The grid of shapes; arrays have shape (n_cells,) unless said.

    ``log_prior`` has shape (n_cells, BINS): log prior probability of a cell and of its climb
    lying in one of the signed bins; the density is even within a bin.
    """

    family: IntArray
    parameter: FloatArray
    settle_drops: FloatArray
    """0 where the first drops don't settle."""
    shape: IntArray
    unit: FloatArray
    """What the bin edges are multiplied by."""
    log_prior: FloatArray
    neighbours: FloatArray
    """Row-stochastic kernel (n_cells, n_cells): how like cases differ in their parameter."""


def climb_basis(family: IntArray, parameter: FloatArray, drop_number: FloatArray) -> FloatArray:
    """φ of each path at each drop.

    Parameters
    ----------
    family : ndarray of int, shape (n_paths,)
        Family codes of this module.
    parameter : ndarray of shape (n_paths,)
        Onset or jump drop, exponent, rate of growth per drop, pole or time scale in drops.
    drop_number : ndarray, broadcastable with (n_paths, n_drops)
        Drop numbers, from 1.

    Returns
    -------
    ndarray of shape (n_paths, n_drops)
        φ, 0 at drop 1; infinite past the pole of a hyperbolic path.
    """
    since_first = np.broadcast_to(
        np.atleast_2d(drop_number) - 1.0, (family.size, np.atleast_2d(drop_number).shape[1])
    )
    basis = np.zeros(since_first.shape)
    for code in np.unique(family):
        rows = family == code
        basis[rows] = _family_basis(int(code), parameter[rows, None], since_first[rows])
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
    if code == JUMP:
        return (since_first + 1.0 >= parameter).astype(np.float64)
    return np.zeros_like(since_first)


def settle_basis(settle_drops: FloatArray, drop_number: FloatArray) -> FloatArray:
    """ψ of each path at each drop: 0 at drop 1, 1 once settled; 0 throughout without settling."""
    since_first = np.atleast_2d(drop_number) - 1.0
    drops = np.where(settle_drops > 0.0, settle_drops, 1.0)[:, None]
    settled = -np.expm1(-since_first / drops)
    return np.where(settle_drops[:, None] > 0.0, settled, 0.0)


@lru_cache(maxsize=16)
def shape_grid(farthest_drop: int) -> ShapeGrid:
    """The grid of shapes for series whose last drop is no later than ``farthest_drop``."""
    far = max(_FARTHEST_PARAMETER, 2.0 * farthest_drop)
    # A jump is at one drop and not at its neighbour: every drop counts while there are few.
    drops = np.concatenate([np.arange(2.0, 30.0), np.round(_geometric(30.0, far, 1.12))])
    coarse_drops = _geometric(3.0, far, 1.35)
    poles = _geometric(6.0, far, 1.22)
    growths = _geometric(0.01, 0.4, 1.6)

    # family, parameters, settling times, shape, share of the shape, median size, its log sd, P(< 0)
    none = (0.0,)
    times = (1.0, 2.5, 6.0)
    times_alone = np.array([0.6, 1.2, 2.5, 5.0, 10.0, 20.0])
    blocks: list[tuple[int, FloatArray, tuple[float, ...], str, float, float, float, float]] = [
        (STEADY, np.array([1.0]), none, "steady", 1.0, 0.01, 1.0, 0.0),
        (LINEAR, np.array([1.0]), none, "linear", 1.0, 0.012, 1.1, 0.15),
        (ONSET, drops, none, "onset", 1.0, 0.015, 1.1, 0.0),
        (POWER, np.array([1.5, 2.0, 3.0]), none, "accelerating", 0.35, 0.010, 1.1, 0.0),
        (EXPONENTIAL, growths, none, "accelerating", 0.35, 0.006, 1.3, 0.0),
        (HYPERBOLIC, poles, none, "accelerating", 0.30, 0.008, 1.3, 0.0),
        (SLOWING, np.array([2.0, 6.0, 20.0, 60.0]), none, "slowing", 0.7, 0.02, 1.1, 0.1),
        (POWER, np.array([0.4, 0.6, 0.8]), none, "slowing", 0.3, 0.010, 1.1, 0.1),
        (SETTLING, times_alone, none, "settling", 1.0, 0.10, 0.9, 0.25),
        (LINEAR, np.array([1.0]), times, "settling then climbing", 0.5, 0.012, 1.1, 0.0),
        (ONSET, coarse_drops, times, "settling then climbing", 0.3, 0.015, 1.1, 0.0),
        (EXPONENTIAL, growths[::2], times, "settling then climbing", 0.2, 0.006, 1.3, 0.0),
        (JUMP, drops, none, "jump", 1.0, 0.15, 0.8, 0.25),
    ]  # fmt: skip
    family, parameter, settle, shape, unit, prior, block_of = [], [], [], [], [], [], []
    for block, (code, values, settles, name, share, median, log_sd, falling) in enumerate(blocks):
        scale = AMPLITUDE_UNIT if code in (SETTLING, JUMP) else 1.0
        sizes = _size_prior(median / scale, log_sd, falling)
        spacing = np.gradient(np.log(values)) if values.size > 1 else np.ones(1)
        for settle_drops in settles:
            weight = _SHAPE_PRIOR[name] * share / len(settles) * spacing / spacing.sum()
            family += [code] * values.size
            parameter += list(values)
            settle += [settle_drops] * values.size
            shape += [SHAPES.index(name)] * values.size
            unit += [scale] * values.size
            prior += list(np.log(weight)[:, None] + sizes)
            block_of += [block] * values.size
    families, parameters = np.array(family), np.array(parameter)
    return ShapeGrid(
        family=families,
        parameter=parameters,
        settle_drops=np.array(settle),
        shape=np.array(shape),
        unit=np.array(unit),
        log_prior=np.array(prior),
        neighbours=_neighbours(np.array(block_of), parameters),
    )


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


def _neighbours(block: IntArray, parameter: FloatArray) -> FloatArray:
    """Kernel among cells of one block: parameters of like cases differ by about a quarter."""
    apart = (np.log(parameter)[:, None] - np.log(parameter)) / 0.25
    kernel = np.where(block[:, None] == block, np.exp(-0.5 * apart**2), 0.0)
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True), dtype=np.float64)
