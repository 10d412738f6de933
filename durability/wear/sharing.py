"""What series of one case model tell each other: scatter, shape and rate, never the level.

A series' prior is a mixture: with weight ``PRIOR_SERIES / (PRIOR_SERIES + others)`` the general
prior, else what one of the others showed, spread to like parameters and rates. That is the
predictive rule of a Dirichlet process (Ferguson 1973; Blackwell & MacQueen 1973) with the others'
posteriors in place of known values; a series unlike its siblings falls back on the general part.
The scatter is moderated as in Smyth (2004): an inverse gamma centred on the siblings' variance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.wear.evidence import ScatterPrior

if TYPE_CHECKING:
    from durability.records import FloatArray, IntArray
    from durability.wear.shapes import ShapeGrid

PRIOR_SERIES = 1.5
"""How many series the general prior is worth."""
ELSEWHERE_WEIGHT = 0.5
"""What a series under another condition counts for."""
SCATTER_WEIGHT = 2.0
SCATTER = 0.04
"""General prior of the scatter: about 4 %, worth two readings."""
_LARGEST_SCATTER_WEIGHT = 12.0
"""Scatter differs between series of one model too: siblings are never worth more readings."""
_ROUNDS = 2


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
    posterior = _normalised(likelihood * general)
    others = closeness.sum(axis=1)
    if not others.any():
        return posterior
    for _ in range(_ROUNDS):
        told = np.tensordot(closeness, _spread(posterior, grid), axes=1)
        prior = (PRIOR_SERIES * general + told) / (PRIOR_SERIES + others)[:, None, None]
        posterior = _normalised(likelihood * prior)
    return posterior


def _normalised(weights: FloatArray) -> FloatArray:
    return np.asarray(weights / weights.sum(axis=(1, 2), keepdims=True), dtype=np.float64)


def _spread(posterior: FloatArray, grid: ShapeGrid) -> FloatArray:
    """Like cases differ: spread over neighbouring bins and over like parameters."""
    half = posterior.shape[2] // 2
    spread = np.empty_like(posterior)
    for side in (slice(0, half), slice(half, None)):
        part = posterior[:, :, side]
        wide = 0.6 * part
        wide[:, :, 1:] += 0.2 * part[:, :, :-1]
        wide[:, :, :-1] += 0.2 * part[:, :, 1:]
        wide[:, :, 0] += 0.2 * part[:, :, 0]
        wide[:, :, -1] += 0.2 * part[:, :, -1]
        spread[:, :, side] = wide
    return np.asarray(np.matmul(grid.neighbours.T, spread), dtype=np.float64)
