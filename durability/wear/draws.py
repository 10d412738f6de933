"""Draws from the posterior of a level, on points that are the same for every series.

No random numbers: the draws of a series depend on its readings (and those of its siblings) and on
nothing else, neither its name nor its place in the record.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.cells import CellFit, Offsets, normal_to_t, t_to_normal
from durability.wear.results import WearDraws
from durability.wear.shapes import (
    LEVELLING,
    SETTLING,
    SIGNED_EDGES,
    STEADY,
    ShapeGrid,
    climb_basis,
)

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

N_DRAWS = 600
SETTLING_FAMILIES = (SETTLING, LEVELLING)
BAND = 0.9
"""Content of the band about the level and of the interval of the rise."""

SCATTER, STEP, LEVEL, ONSET, ONSET_AFTER, ONSET_RATE, DISCREPANCY, DAMAGE, RATE = range(9)
"""What each sequence of ``evenly`` is used for: one for each, so that they are independent."""
_BASES = (2, 3, 5, 7, 11, 13, 17, 19, 23)


@lru_cache
def evenly(use: int) -> FloatArray:
    """Points between 0 and 1, one a draw: one in each of ``N_DRAWS`` equal parts.

    Their order is that of Halton's sequence (1960, Numerische Mathematik 2) in a base of its own,
    so that any two uses, and any run of draws, are spread evenly together.

    Parameters
    ----------
    use : int
        One of the codes above.

    Returns
    -------
    ndarray of shape (n_draws,)
    """
    base = _BASES[use]
    left, digit = np.arange(1, N_DRAWS + 1), 1.0
    value = np.zeros(N_DRAWS)
    while left.any():
        digit /= base
        value += digit * (left % base)
        left //= base
    return np.asarray((value.argsort().argsort() + 0.5) / N_DRAWS, dtype=np.float64)


@lru_cache
def evenly_normal(use: int) -> FloatArray:
    """The same as deviates of a standard normal."""
    from scipy.special import ndtri

    return np.asarray(ndtri(evenly(use)), dtype=np.float64)


def draw_level(
    cells: CellFit, posterior: FloatArray, grid: ShapeGrid
) -> tuple[WearDraws, IntArray]:
    """Draws from the posterior of one series, stratified over cells and the climb within a cell.

    Parameters
    ----------
    cells : CellFit
        Of this series alone.
    posterior : ndarray of shape (n_cells, BINS)
        Sums to 1.
    grid : ShapeGrid
        The cells.

    Returns
    -------
    draws : WearDraws
    cell : ndarray of int, shape (n_draws,)
        Cell that each draw comes from.
    """
    from scipy.special import ndtr, ndtri

    flat = posterior.ravel()
    kept = np.flatnonzero(flat)
    up_to = np.cumsum(flat[kept])
    up_to /= up_to[-1]
    u = (np.arange(N_DRAWS) + 0.5) / N_DRAWS
    at = np.searchsorted(up_to, u, side="right").clip(max=kept.size - 1)
    below = np.concatenate([[0.0], up_to[:-1]])[at]
    within = ((u - below) / (up_to[at] - below)).clip(0.0, 1.0)
    cell, bin_ = np.divmod(kept[at], posterior.shape[1])

    kind = cells.kind[cell]
    low = SIGNED_EDGES[bin_] * grid.unit[cell]
    high = SIGNED_EDGES[bin_ + 1] * grid.unit[cell]
    centre, scale = cells.climb[kind, 0], cells.climb_scale()[kind, 0]
    told = scale > 0.0
    safe_scale, freedom = np.where(told, scale, 1.0), cells.freedom[kind, 0]
    z_low = t_to_normal((low - centre) / safe_scale, freedom)
    z_high = t_to_normal((high - centre) / safe_scale, freedom)
    # In the upper tail work with its mirror image: 1 - tiny has no digits left.
    mirror = z_low > 0.0
    p_low = ndtr(np.where(mirror, -z_high, z_low))
    p_high = ndtr(np.where(mirror, -z_low, z_high))
    z = ndtri((p_low + within * (p_high - p_low)).clip(1e-300, 1.0 - 1e-16))
    climb = centre + safe_scale * normal_to_t(np.where(mirror, -z, z), freedom)
    climb = np.where(told, climb.clip(low, high), low + within * (high - low))

    # A climb of nothing past the pole of a hyperbolic path would be nothing times infinity.
    climb = np.where(climb == 0.0, 1e-12, climb)

    off = np.where(told, climb - centre, 0.0)
    misfit = cells.misfit[kind, 0] + cells.curvature[kind, 0] * off**2
    scatter = np.sqrt(misfit / _chi_square(freedom + 1.0))
    precision = cells.step_precision[kind, 0]
    step = (cells.step_log[kind, 0] - climb * cells.step_climb[kind, 0]) / precision
    step += scatter / np.sqrt(precision) * evenly_normal(STEP)
    step = np.where(grid.step_family[cell] != STEADY, step, 0.0)
    level = (
        cells.mean_log[kind, 0]
        - step * cells.mean_step[kind, 0]
        - climb * cells.mean_climb[kind, 0]
        + scatter / np.sqrt(cells.total_core[kind, 0]) * evenly_normal(LEVEL)
    )
    draws = WearDraws(
        family=grid.family[cell],
        parameter=grid.parameter[cell],
        step_family=grid.step_family[cell],
        step_parameter=grid.step_parameter[cell],
        log_level_first=level,
        step=step,
        climb=climb,
        scatter=scatter,
    )
    return draws, cell


_ROOT_FREEDOM = np.linspace(0.02, 1.0, 50)
"""One over the root of the degrees of freedom, at which chi squares are known exactly."""


def _chi_square(freedom: FloatArray) -> FloatArray:
    """Chi-square deviates at the points ``evenly(SCATTER)``; shape (n_draws,).

    Interpolated between exact quantiles: what the cube root lacks of Wilson and Hilferty's (1931)
    normal one is small and smooth. Within 0.5 % from 2 degrees of freedom, 0.1 % from 5.
    """
    off = _off_wilson_hilferty()
    place = (1.0 / np.sqrt(freedom) - _ROOT_FREEDOM[0]) / (_ROOT_FREEDOM[1] - _ROOT_FREEDOM[0])
    place = place.clip(0.0, _ROOT_FREEDOM.size - 1.0)
    below = np.minimum(place.astype(np.int64), _ROOT_FREEDOM.size - 2)
    share, draw = place - below, np.arange(N_DRAWS)
    root = (
        _wilson_hilferty(freedom) + (1.0 - share) * off[below, draw] + share * off[below + 1, draw]
    )
    return np.asarray(freedom * root**3, dtype=np.float64)


def _wilson_hilferty(freedom: FloatArray) -> FloatArray:
    apart = 2.0 / (9.0 * freedom)
    return np.asarray(1.0 - apart + evenly_normal(SCATTER) * np.sqrt(apart), dtype=np.float64)


@lru_cache
def _off_wilson_hilferty() -> FloatArray:
    from scipy.special import gammaincinv

    freedom = 1.0 / _ROOT_FREEDOM[:, None] ** 2
    exact = np.cbrt(2.0 * gammaincinv(0.5 * freedom, evenly(SCATTER)) / freedom)
    return np.asarray(exact - _wilson_hilferty(freedom), dtype=np.float64)


def part_levels(
    draws: WearDraws, core: FloatArray, log_peak: FloatArray, clock: FloatArray, offsets: Offsets
) -> tuple[FloatArray, FloatArray]:
    """Fresh log level of each part of a case in each draw, given its path and scatter.

    Parameters
    ----------
    draws : WearDraws
        Paths from ``draw_level``.
    core : ndarray of shape (n_draws, n_readings)
        Probability that each reading is a core one, in the cell of each draw.
    log_peak, clock : ndarray of shape (n_readings,)
        What was fitted.
    offsets : Offsets
        With which it was fitted.

    Returns
    -------
    mean, sd : ndarray of shape (n_parts, n_draws)
        Of a part without readings what its prior says about the common level.
    """
    rest = log_peak - offsets.member @ offsets.centre
    rest = rest - log_level(draws, clock) + draws.log_level_first[:, None]
    weight, sums = core @ offsets.member, (core * rest) @ offsets.member
    behind = weight + offsets.precision
    precision = (offsets.precision * weight / behind).sum(axis=1, keepdims=True)
    common = (sums * offsets.precision / behind).sum(axis=1, keepdims=True) / precision
    loose = offsets.precision / behind
    mean = offsets.centre + loose * common + sums / behind
    spread = draws.scatter[:, None] * np.sqrt(loose**2 / precision + 1.0 / behind)
    return mean.T, spread.T


def log_level(draws: WearDraws, drop_number: FloatArray | IntArray) -> FloatArray:
    """Log of the level of each draw at each drop.

    Parameters
    ----------
    draws : WearDraws
        From a ``WearFit``.
    drop_number : ndarray of shape (n_drops,)
        Drop numbers from 1, past or to come.

    Returns
    -------
    ndarray of shape (n_draws, n_drops)
        Natural log of the level in g; infinite past the pole of a hyperbolic path.
    """
    numbers = np.asarray(drop_number, dtype=np.float64)
    phi = climb_basis(draws.family, draws.parameter, numbers)
    path = draws.climb[:, None] * phi
    path += draws.log_level_first[:, None]
    stepping = draws.step_family != STEADY
    path[stepping] += draws.step[stepping, None] * climb_basis(
        draws.step_family[stepping], draws.step_parameter[stepping], numbers
    )
    return path


def level_band(
    draws: WearDraws, drop_number: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lower, middle and upper level in g, a few hundred drops at a time."""
    cuts = _cuts(N_DRAWS)
    parts = []
    for start in range(0, drop_number.size, 500):
        path = log_level(draws, drop_number[start : start + 500])
        by_drop = np.ascontiguousarray(path.T)
        by_drop.partition(cuts, axis=1)
        parts.append(by_drop[:, cuts])
    lower, middle, upper = np.exp(np.concatenate(parts)).T
    return lower, middle, upper


def settling_part(draws: WearDraws, drop_number: FloatArray) -> FloatArray:
    """The part of each draw's log level that levels off by itself.

    Parameters
    ----------
    draws : WearDraws
        From a ``WearFit``.
    drop_number : ndarray of shape (n_drops,)
        Drop numbers from 1.

    Returns
    -------
    ndarray of shape (n_draws, n_drops)
        Log units above drop 1; 0 for draws without settling.
    """
    part = np.zeros((draws.climb.size, drop_number.size))
    for family, parameter, size in (
        (draws.family, draws.parameter, draws.climb),
        (draws.step_family, draws.step_parameter, draws.step),
    ):
        rows = np.isin(family, SETTLING_FAMILIES)
        part[rows] += size[rows, None] * climb_basis(family[rows], parameter[rows], drop_number)
    return part


def rise_interval(
    draws: WearDraws,
    drop_number: IntArray,
    *,
    over_all: bool = False,
    settling_apart: bool = False,
) -> tuple[float | None, ...]:
    """Lower, middle and upper mean rise in percent per drop.

    Parameters
    ----------
    draws : WearDraws
        From a ``WearFit``.
    drop_number : ndarray of shape (n_drops,)
        Of the valid drops.
    over_all : bool
        Over all of them; else over their later half.
    settling_apart : bool
        Without what levels off by itself.
    """
    if drop_number.size < 2:
        return None, None, None
    latest = float(drop_number[-1])
    start = float(drop_number[0]) if over_all else 0.5 * (drop_number[0] + latest)
    ends = np.array([start, latest])
    path = log_level(draws, ends)
    if settling_apart:
        path -= settling_part(draws, ends)
    rise = 100.0 * np.expm1((path[:, 1] - path[:, 0]) / (latest - start))
    cuts = _cuts(rise.size)
    return tuple(float(value) for value in np.partition(rise, cuts)[cuts])


def _cuts(n_draws: int) -> list[int]:
    outside = (1.0 - BAND) / 2.0
    return [round(fraction * (n_draws - 1)) for fraction in (outside, 0.5, 1.0 - outside)]
