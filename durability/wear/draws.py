"""Draws from the posterior of a level, on points that are the same for every series.

No random numbers: the draws of a series depend on its readings (and those of its siblings) and on
nothing else, neither its name nor its place in the record.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
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
    Kinds,
    Rows,
    ShapeGrid,
    climb_basis,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray
    from durability.wear.shapes import Floats

N_DRAWS = 511
"""Odd, so that the median is one of them; from 513 on sorting them takes four times as long."""
SETTLING_FAMILIES = (SETTLING, LEVELLING)
_LEAST_PLACE = 1e-6
"""Probability of a bin below which nothing is drawn from it."""
_LEAST_PART = 2.0**-46
BAND = 0.9
"""Content of the band about the level and of the interval of the rise."""

SCATTER, STEP, LEVEL, ONSET, ONSET_AFTER, ONSET_RATE, DISCREPANCY, DAMAGE, RATE, AHEAD = range(10)
"""What each sequence of ``evenly`` is used for: one for each, so that they are independent."""
_BASES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29)


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


@dataclass(frozen=True, slots=True)
class Places:
    """Where in a table of cells and bins some series have their probability.

    Arrays of shape (n_places,), series after series, and within a series in order of cell and
    climb.
    """

    series: IntArray
    """From 0."""
    at: IntArray
    """Which entry of the table."""
    probability: Floats
    cell: IntArray
    low: Floats
    high: Floats
    """Cell and ends of the climb's bin of each entry of the table."""


def places_of(posterior: FloatArray, rows: Rows) -> Places:
    """Where posteriors over rows and bins have their probability.

    Parameters
    ----------
    posterior : ndarray of shape (n_series, n_rows, n_bins)
    rows : Rows
        Its rows.
    """
    flat = posterior.reshape(len(posterior), -1)
    kept = np.flatnonzero(flat > _LEAST_PLACE)
    series = kept // flat.shape[1]
    return Places(
        series=series,
        at=kept - series * flat.shape[1],
        probability=flat.ravel()[kept].astype(np.float64),
        cell=np.repeat(rows.cell, posterior.shape[2]),
        low=rows.edges[:, :-1].ravel(),
        high=rows.edges[:, 1:].ravel(),
    )


def draw_level(
    cells: CellFit, posterior: FloatArray, grid: ShapeGrid
) -> tuple[WearDraws, IntArray]:
    """Draws from the posterior of one series, as ``draw_levels``; arrays of shape (n_draws,).

    Parameters
    ----------
    cells : CellFit
        Of this series alone.
    posterior : ndarray of shape (n_cells, BINS)
        Sums to 1.
    grid : ShapeGrid
        The cells.
    """
    kept = np.flatnonzero(posterior)
    edges = SIGNED_EDGES * grid.unit[:, None]
    places = Places(
        series=np.zeros_like(kept),
        at=kept,
        probability=posterior.ravel()[kept],
        cell=np.repeat(np.arange(grid.unit.size), posterior.shape[1]),
        low=edges[:, :-1].ravel(),
        high=edges[:, 1:].ravel(),
    )
    draws, drawn = draw_levels(cells, places, grid)
    return draws_of(draws, 0), drawn[0]


def draws_of(draws: WearDraws, series: int) -> WearDraws:
    """Those of one series among many."""
    return WearDraws(*(getattr(draws, name)[series] for name in _FIELDS))


_FIELDS = tuple(one.name for one in fields(WearDraws))


def draw_levels(cells: CellFit, places: Places, grid: ShapeGrid) -> tuple[WearDraws, IntArray]:
    """Draws from the posteriors of series, stratified over cells and the climb within a cell.

    Parameters
    ----------
    cells : CellFit
        Of these series.
    places : Places
        Their posteriors.
    grid : ShapeGrid
        The cells.

    Returns
    -------
    draws : WearDraws
        Its arrays of shape (n_series, n_draws).
    cell : ndarray of int, shape (n_series, n_draws)
        Cell that each draw comes from.
    """
    from scipy.special import ndtr, ndtri

    n_series = int(places.series[-1]) + 1
    start = np.searchsorted(places.series, np.arange(n_series + 1))
    # In whole parts, whose sums are exact: else they were rounded by what series come before.
    up_to = np.cumsum(np.rint(places.probability / _LEAST_PART)) * _LEAST_PART
    before = np.concatenate([[0.0], up_to])[start]
    up_to -= before[places.series]
    up_to /= np.diff(before)[places.series]
    # How many draws fall on each place, one after the other: what belongs to it is worked out once.
    drawn_up_to = np.ceil(N_DRAWS * up_to - 0.5).astype(np.int64)
    times = np.diff(drawn_up_to, prepend=0)
    times[start[1:-1]] = drawn_up_to[start[1:-1]]
    seen = np.flatnonzero(times > 0)
    times = times[seen]

    def drawn(of_place: NDArray[Any], kind: type[np.generic] = np.float32) -> NDArray[Any]:
        return np.repeat(of_place.astype(kind, copy=False), times).reshape(n_series, N_DRAWS)

    entry = places.at[seen]
    cell, low, high = places.cell[entry], places.low[entry], places.high[entry]
    pair = cells.kind[cell] * n_series + places.series[seen]

    def of_place(of_pair: Floats) -> Floats:
        return of_pair.ravel().take(pair)

    centre, scale, freedom = map(of_place, (cells.climb, cells.climb_scale(), cells.freedom))
    told = scale > 0.0
    safe_scale = np.where(told, scale, 1.0)
    z_low = t_to_normal((low - centre) / safe_scale, freedom)
    z_high = t_to_normal((high - centre) / safe_scale, freedom)
    # In the upper tail work with its mirror image: 1 - tiny has no digits left.
    mirror = z_low > 0.0
    p_low = ndtr(np.where(mirror, -z_high, z_low))
    p_high = ndtr(np.where(mirror, -z_low, z_high))
    below = np.where(seen == start[places.series[seen]], 0.0, up_to[seen - 1])
    width = up_to[seen] - below
    within = (np.arange(N_DRAWS) + 0.5) / N_DRAWS * drawn(1.0 / width, np.float64)
    within -= drawn(below / width, np.float64)
    within = within.astype(np.float32).clip(0.0, 1.0)

    # What has one value throughout a place is worked out there, in double precision.
    p = drawn(p_low) + within * drawn(p_high - p_low)
    z = ndtri(p.clip(_SMALLEST, _LARGEST, out=p), out=p)
    t = normal_to_t(z, drawn(freedom))
    climb = drawn(centre) + drawn(np.where(mirror, -safe_scale, safe_scale)) * t
    least, most = drawn(low), drawn(high)
    climb.clip(least, most, out=climb)
    even = np.flatnonzero(drawn(~told, np.bool_))
    least, most, within = (each.ravel()[even] for each in (least, most, within))
    climb.ravel()[even] = least + within * (most - least)
    # A climb of nothing past the pole of a hyperbolic path would be nothing times infinity.
    climb[climb == 0.0] = 1e-12

    misfit = t * t
    misfit *= drawn(np.where(told, 1.0 / freedom, 0.0))
    misfit += 1.0
    misfit *= drawn(of_place(cells.misfit))
    scatter = np.sqrt(misfit / _chi_square(freedom + 1.0, drawn))
    precision = of_place(cells.step_precision)
    steps = grid.step_family[cell] != STEADY
    step = drawn(np.where(steps, of_place(cells.step_log) / precision, 0.0))
    step -= climb * drawn(np.where(steps, of_place(cells.step_climb) / precision, 0.0))
    step += scatter * drawn(np.where(steps, 1.0 / np.sqrt(precision), 0.0)) * _normal(STEP)
    level = scatter * drawn(1.0 / np.sqrt(of_place(cells.total_core))) * _normal(LEVEL)
    level -= step * drawn(of_place(cells.mean_step))
    level -= climb * drawn(of_place(cells.mean_climb))
    draws = WearDraws(
        family=drawn(grid.family[cell], np.int8),
        parameter=drawn(grid.parameter[cell]),
        step_family=drawn(grid.step_family[cell], np.int8),
        step_parameter=drawn(grid.step_parameter[cell]),
        log_level_first=drawn(of_place(cells.mean_log), np.float64) + level,
        step=step,
        climb=climb,
        scatter=scatter,
        in_g=np.broadcast_to(np.False_, scatter.shape),
    )
    return draws, drawn(cell, np.int64)


_SMALLEST, _LARGEST = np.float32(1e-37), np.float32(1.0 - 2.0**-24)
"""Probabilities whose normal deviates are finite in single precision."""
_ROOT_FREEDOM = np.linspace(0.02, 1.0, 50)
"""One over the root of the degrees of freedom, at which chi squares are known exactly."""


def _chi_square(freedom: Floats, drawn: Callable[..., NDArray[Any]]) -> Floats:
    """Chi-square deviates at the points ``evenly(SCATTER)``; shape (n_series, n_draws).

    Interpolated between exact quantiles: what the cube root lacks of Wilson and Hilferty's (1931)
    normal one is small and smooth. Within 0.5 % from 2 degrees of freedom, 0.1 % from 5.
    ``drawn`` gives each draw what belongs to its place, as ``freedom`` does.
    """
    off, apart = _off_wilson_hilferty(), 2.0 / (9.0 * freedom)
    place = (1.0 / np.sqrt(freedom) - _ROOT_FREEDOM[0]) / (_ROOT_FREEDOM[1] - _ROOT_FREEDOM[0])
    place = place.clip(0.0, _ROOT_FREEDOM.size - 1.0)
    below = np.minimum(place.astype(np.int64), _ROOT_FREEDOM.size - 2)
    at = drawn(below * N_DRAWS, np.int64) + np.arange(N_DRAWS)
    lower = off.take(at)
    at += N_DRAWS
    root = off.take(at) - lower
    root *= drawn(place - below)
    root += lower
    root += drawn(np.sqrt(apart)) * _normal(SCATTER)
    root += drawn(1.0 - apart)
    return np.asarray(drawn(freedom) * (root * root * root))


@lru_cache
def _off_wilson_hilferty() -> Floats:
    from scipy.special import gammaincinv

    freedom = 1.0 / _ROOT_FREEDOM[:, None] ** 2
    exact = np.cbrt(2.0 * gammaincinv(0.5 * freedom, evenly(SCATTER)) / freedom)
    apart = 2.0 / (9.0 * freedom)
    off = exact - (1.0 - apart + evenly_normal(SCATTER) * np.sqrt(apart))
    return np.asarray(off, dtype=np.float32)


@lru_cache
def _normal(use: int) -> Floats:
    return evenly_normal(use).astype(np.float32)


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
    drop_number : ndarray of shape (n_drops,) or (n_draws, n_drops)
        Drop numbers from 1, past or to come; of all draws, or of each its own.

    Returns
    -------
    ndarray of shape (n_draws, n_drops)
        Natural log of the level in g; infinite past the pole of a hyperbolic path.
    """
    numbers = np.asarray(drop_number, dtype=np.float64)
    phi = climb_basis(draws.family, draws.parameter, numbers)
    path = draws.climb[:, None] * phi
    stepping = draws.step_family != STEADY
    path[stepping] += draws.step[stepping, None] * climb_basis(
        draws.step_family[stepping],
        draws.step_parameter[stepping],
        numbers if numbers.ndim == 1 else numbers[stepping],
    )
    path[draws.in_g] = np.log1p(path[draws.in_g])
    path += draws.log_level_first[:, None]
    return path


def level_bands(
    draws: WearDraws,
    cell: IntArray,
    kinds: Kinds,
    clocks: Sequence[IntArray],
    centre: Floats,
) -> list[FloatArray]:
    """Lower, middle and upper level in g at the drops of each series.

    Parameters
    ----------
    draws : WearDraws
        Of the series, from ``draw_levels``.
    cell : ndarray of int, shape (n_series, n_draws)
        Cell of each draw.
    kinds : Kinds
        Of the cells over these drops.
    clocks : sequence of ndarray of int
        Drops of each series.
    centre : ndarray of shape (n_series,)
        Taken off the log levels of the draws.

    Returns
    -------
    list of ndarray of shape (3, n_drops)
    """
    kind = kinds.kind[cell]
    level, step, climb = (
        each.astype(np.float32, copy=False)
        for each in (draws.log_level_first, draws.step, draws.climb)
    )
    cuts = central_cuts(kind.shape[1])
    bands = []
    for row, clock in enumerate(clocks):
        at = slice(clock.size) if clock[-1] == clock.size else clock - 1
        path = kinds.phi_at_drops[at].take(kind[row], axis=1, mode="clip")
        path *= climb[row]
        path += level[row]
        stepping = np.flatnonzero(kinds.steps[kind[row]])
        if stepping.size:
            # They stand almost side by side, and ψ is 0 between them.
            some = slice(stepping[0], stepping[-1] + 1)
            steps = kinds.psi_at_drops[at].take(kind[row, some], axis=1, mode="clip")
            steps *= step[row, some]
            path[:, some] += steps
        path.sort(axis=1)
        bands.append(path.take(cuts, axis=1).T)
    last = np.cumsum([clock.size for clock in clocks])
    every = np.concatenate(bands, axis=1) + np.repeat(centre, np.diff(last, prepend=0))
    return np.split(np.exp(every), last[:-1], axis=1)


def medians(draws: Floats) -> Floats:
    """Median of each row; shape (n_series,)."""
    return np.asarray(np.sort(draws, axis=1)[:, draws.shape[1] // 2])


def rise_intervals(
    draws: WearDraws, cell: IntArray, kinds: Kinds, clocks: Sequence[IntArray]
) -> FloatArray:
    """As ``rise_interval``, of many series; shape (n_series, 3)."""
    kind = kinds.kind[cell]
    first, last = (np.array([clock[end] for clock in clocks]) for end in (0, -1))
    basis = [
        np.take_along_axis(table[2 * last - 2] - table[first + last - 2], kind, axis=1)
        for table in (kinds.phi_at_half_drops, kinds.psi_at_half_drops)
    ]
    rise = (draws.climb * basis[0] + draws.step * basis[1]).astype(np.float32)
    rise.sort(axis=1)
    apart = np.maximum(0.5 * (last - first), 0.5)
    middle = rise[:, central_cuts(kind.shape[1])] / apart[:, None]
    rise = 100.0 * np.expm1(middle)
    return np.asarray(rise, dtype=np.float64)


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


def risen(draws: Sequence[WearDraws], at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log level of each draw above that at drop 1, at one place of each series.

    Parameters
    ----------
    draws : sequence of WearDraws
        Of some series.
    at : ndarray of shape (n_series,)
        Drop number or wear of each.

    Returns
    -------
    lasting, settling : ndarray of shape (n_series, n_draws)
        What they rose by, and what of that levels off by itself.
    """
    parts = np.zeros((2, len(draws), N_DRAWS))
    here = np.repeat(at, N_DRAWS)[:, None]
    for names in (("family", "parameter", "climb"), ("step_family", "step_parameter", "step")):
        family, parameter, size = (
            np.concatenate([getattr(each, name) for each in draws]) for name in names
        )
        order = np.argsort(family, kind="stable")
        rise = np.empty(family.size)
        rise[order] = climb_basis(family[order], parameter[order], here[order])[:, 0]
        rise *= size
        settles = np.isin(family, SETTLING_FAMILIES)
        for part, which in zip(parts, (~settles, settles), strict=True):
            part += np.where(which, rise, 0.0).reshape(part.shape)
    return parts[0], parts[1]


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
    cuts = central_cuts(rise.size)
    return tuple(float(value) for value in np.partition(rise, cuts)[cuts])


def central_cuts(n_draws: int) -> list[int]:
    """Places of the lower end, the middle and the upper end among ordered draws."""
    outside = (1.0 - BAND) / 2.0
    return [round(fraction * (n_draws - 1)) for fraction in (outside, 0.5, 1.0 - outside)]
