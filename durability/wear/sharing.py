"""What series of one case model tell each other: scatter, shape and rate, never the level.

The model has a profile, one cell of the grid of shapes with one bin of its climb, drawn from the
general prior. Each of its series is like the profile with probability ``1 - UNLIKE``, its
parameter and rate about it within the spread between cases; else it is a thing of its own, drawn
from the general prior. So a series unlike its siblings is not dragged to them. With everything on
a grid the profile's posterior given all the others is an exact sum.
The scatter is moderated as in Smyth (2004): an inverse gamma centred on the siblings' variance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.wear.evidence import ScatterPrior
from durability.wear.shapes import BINS

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray
    from durability.wear.shapes import ShapeGrid

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


def closeness_of(conditions: IntArray) -> FloatArray:
    """What each series (column) counts for in each other (row): 1, or less elsewhere."""
    same = conditions[:, None] == conditions
    close = np.where(same, 1.0, ELSEWHERE_WEIGHT)
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
        alone = posterior.sum(axis=(1, 2), keepdims=True)
        like = _about_profile(likelihood, grid)
        told = np.log((1.0 - UNLIKE) * like + UNLIKE * alone)
        profile = np.tensordot(closeness, told, axes=1)
        profile += grid.log_prior
        profile = _normalised(np.exp(profile - profile.max(axis=(1, 2), keepdims=True)))
        posterior = likelihood * ((1.0 - UNLIKE) * _from_profile(profile, grid) + UNLIKE * general)
    return _normalised(posterior)


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
