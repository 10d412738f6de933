"""Height of the top of a pulse under noise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.record.records import FloatArray

_ALONG_TOP = np.linspace(-1.0, 1.0, 101)
_APEXES = 41
_MAX_POINTS = 64
"""So many means hold what thousands of samples hold of so plain a shape."""


@dataclass(frozen=True, slots=True)
class Top:
    """Height of a top and its standard uncertainty, g."""

    height_g: float
    uncertainty_g: float


@dataclass(frozen=True, slots=True)
class _Shape:
    """One plain shape laid through the samples about a top."""

    curve_g: FloatArray
    """At each sample."""
    columns: FloatArray
    """Its derivative by each parameter, at each sample …"""
    top_g: float
    top_columns: FloatArray
    """… and at its highest point."""


def find_top(
    signal_g: FloatArray, filtered_g: FloatArray, peak: int, noise_g: float, left_g: float
) -> Top:
    """Height of the top of a pulse, free of what noise adds to the largest sample.

    A polynomial stands for a round or flat top, two lines that meet for a sharp one. They are laid
    through the samples above a fraction of the peak by least squares; at the deepest fraction at
    which noise explains what one of them leaves, those of which that holds are averaged by their
    evidence (Schwarz, 1978). Deep means many samples: noise averages out, and a sharp top is told
    from a round one. Where none holds, a parabola lies through what noise could make the largest.

    Parameters
    ----------
    signal_g : ndarray of shape (n_samples,)
        Unfiltered, the impact pointing up.
    filtered_g : ndarray of shape (n_samples,)
        After the default low-pass, or the same where there is none.
    peak : int
        Index of its largest sample.
    noise_g, left_g : float
        Standard deviation of the white noise before and after the low-pass.
    """
    peak_g = filtered_g[peak]
    for depth in limit.TOP_DEPTHS:
        first, stop = _above(filtered_g, peak, (1.0 - depth) * peak_g)
        if stop - first < 3 + limit.TOP_SPARE_SAMPLES:
            break
        # Beside a cliff the top lies half a step on.
        before, behind = _beside_cliff(filtered_g, first, stop, peak_g)
        ends = (-0.5 if before else 0.0, stop - first - (0.5 if behind else 1.0))
        top = _averaged(signal_g[first:stop], ends, noise_g)
        if top is not None:
            return top
    return _parabola(filtered_g, peak, noise_g, left_g)


def _above(filtered_g: FloatArray, peak: int, level: float) -> tuple[int, int]:
    """First index and stop of the samples in a row about a peak that reach a level."""
    low = np.flatnonzero(filtered_g < level)
    after = int(np.searchsorted(low, peak))
    return (
        int(low[after - 1]) + 1 if after else 0,
        int(low[after]) if after < low.size else filtered_g.size,
    )


def _beside_cliff(
    filtered_g: FloatArray, first: int, stop: int, peak_g: float
) -> tuple[bool, bool]:
    """Whether the record falls off within one step before, and behind, some samples."""
    cliff = limit.CLIFF_FRACTION * peak_g
    return (
        first > 0 and filtered_g[first - 1] < cliff,
        stop < filtered_g.size and filtered_g[stop] < cliff,
    )


def _averaged(top_g: FloatArray, ends: tuple[float, float], noise_g: float) -> Top | None:
    """Average over the shapes that leave no more than noise; None when none does."""
    together = -(-top_g.size // _MAX_POINTS)
    points = top_g.size // together
    y: FloatArray = top_g[: points * together].reshape(points, together).mean(axis=1)
    x: FloatArray = together * np.arange(points, dtype=np.float64) + 0.5 * (together - 1)
    u = np.asarray(np.interp(x, ends, (-1.0, 1.0)), dtype=np.float64)
    variance = noise_g**2 / together
    is_cut = ends != (0.0, top_g.size - 1.0)
    holding = []
    for shape in _shapes(u, y, is_cut=is_cut):
        parameters = shape.columns.shape[1]
        spare = points - parameters
        if spare < limit.TOP_SPARE_SAMPLES:
            continue
        left = float(np.sum((y - shape.curve_g) ** 2)) / variance
        most = limit.largest_mean_square(spare)
        if left > spare * most:
            continue
        inverse = np.linalg.pinv(shape.columns.T @ shape.columns)
        scatter = float(shape.top_columns @ inverse @ shape.top_columns)
        # Bounds: a misfit that could not be told from noise, and where in its step a cliff stands.
        bounds = (most - 1.0) * variance + (shape.top_g - float(shape.curve_g.max())) ** 2 * is_cut
        misfit = left + parameters * np.log(points)
        holding.append((misfit, shape.top_g, scatter * variance + bounds / 3.0))
    if not holding:
        return None
    misfits, heights, variances = np.array(holding).T
    weights = np.exp(-0.5 * (misfits - misfits.min()))
    weights /= weights.sum()
    height = float(weights @ heights)
    return Top(height, float(np.sqrt(weights @ (variances + (heights - height) ** 2))))


def _shapes(u: FloatArray, y: FloatArray, *, is_cut: bool) -> Iterator[_Shape]:
    """Polynomials and a wedge by least squares; each has its top between −1 and 1."""
    for degree in (1, 2, 3, 4) if is_cut else (2, 3, 4):
        columns = np.vander(u, degree + 1)
        found = np.linalg.lstsq(columns, y)[0]
        along = np.vander(_ALONG_TOP, degree + 1)
        highest = int(np.argmax(along @ found))
        yield _Shape(columns @ found, columns, float(along[highest] @ found), along[highest])
    yield _wedge(u, y)


def _wedge(u: FloatArray, y: FloatArray) -> _Shape:
    """Two lines that meet where they leave least."""
    apexes = np.linspace(u[1], u[-2], _APEXES)
    away = u - apexes[:, None]
    lines = np.stack([np.ones_like(away), np.minimum(away, 0.0), np.maximum(away, 0.0)], axis=2)
    found = np.linalg.solve(lines.mT @ lines, (lines.mT @ y)[:, :, None])
    curves = (lines @ found)[:, :, 0]
    best = int(np.argmin(np.sum((curves - y) ** 2, axis=1)))
    _, before, behind = found[best, :, 0]
    shifted = -np.where(away[best] < 0.0, before, behind)
    apex = apexes[best]
    # Height, slopes and apex as parameters, at the apex and at both ends.
    corners = np.array(
        [[1, 0, 0, 0], [1, -1 - apex, 0, -before], [1, 0, 1 - apex, -behind]], dtype=np.float64
    )
    tops = corners[:, :3] @ found[best, :, 0]
    highest = int(np.argmax(tops))
    columns = np.column_stack([lines[best], shifted])
    return _Shape(curves[best], columns, float(tops[highest]), corners[highest])


def _parabola(filtered_g: FloatArray, peak: int, noise_g: float, left_g: float) -> Top:
    """Height of the curve through the samples that noise could make the largest.

    The largest of many samples on a flat top stands out by its noise; between two on a sharp one
    the top is missed. Where the record falls off within one step, the edge lies half a step on.
    """
    largest = float(filtered_g[peak])
    first, stop = _above(filtered_g, peak, largest - limit.TOP_SIGMAS * left_g)
    near = limit.ROUND_TOP_FRACTION * largest
    if first == peak > 0 and filtered_g[peak - 1] >= near:
        first -= 1
    if stop == peak + 1 < filtered_g.size and filtered_g[peak + 1] >= near:
        stop += 1
    height = largest
    if stop - first > 1:
        before, behind = _beside_cliff(filtered_g, first, stop, largest)
        degree = 2 if stop - first > 2 and not (before or behind) else 1
        ends = first - peak - 0.5 * before, stop - 1 - peak + 0.5 * behind
        x = np.arange(first - peak, stop - peak, dtype=np.float64)
        curve = np.polynomial.Polynomial.fit(x, filtered_g[first:stop], degree)
        height = float(curve(np.linspace(*ends, 101)).max())
    neighbours = filtered_g[[max(peak - 1, 0), min(peak + 1, filtered_g.size - 1)]]
    # Bounds, taken as rectangular: the best parabola through a wedge is 3/16 of its depth off at
    # the tip, the top may lie between two samples, and the low-pass may take a little unnoticed.
    bounds_g = np.array(
        [
            3.0 / 16.0 * limit.TOP_SIGMAS * left_g,
            height - float(neighbours.max()),
            2.0 * limit.REMOVED_FRACTION_ALLOWED * height + noise_g,
        ]
    )
    return Top(height, float(np.sqrt(left_g**2 + np.sum(bounds_g**2) / 3.0)))
