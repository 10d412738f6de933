"""What cases of a group or model say together: their lives, levels by condition, and wear.

Lives as a population: b10, b50, and the life of the next case. Each case brings what is known of
its own life, from a failure seen to a forecast that reaches far. The lives of a population are
taken as log-normal, as they are where a level climbs to a limit at rates that are (Meeker and
Escobar, Statistical Methods for Reliability Data, 1998, ch. 13).

Fresh log levels of a case's parts are taken as the case's own, plus that of their condition, plus
how cases differ in it: normal, the size of the last averaged over a grid. What each case is told
comes from the others alone.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.life.results import Estimate, Prediction
from durability.wear.cells import ScatterPrior
from durability.wear.shapes import BINS, Lattice, ShapeGrid, rate_kernel

if TYPE_CHECKING:
    from durability.record.records import FloatArray
    from durability.wear.shapes import Floats

N_DRAWS = 4000
"""Draws of what a ranking finds of its groups and of its conditions."""
SPREAD = 0.4
"""Median of the prior of the log standard deviation of lives from case to case: half-Cauchy
(Gelman 2006, Bayesian Analysis 1), weak, since a few cases say more."""
_SPREADS = np.geomspace(0.02, 1.5, 64)
"""Where it is looked for: from cases that are as one to those that differ tenfold."""
SHARED = 0.95
"""Share of what is not known of a case's life that is the same for all: their wear may all go on
otherwise than its shape says."""
FARTHEST = 3.0
"""Lives are cut at so many horizons: beyond, forecasts don't tell them apart."""
_NODES = 100
"""Equal parts of what the cases share."""


@dataclass(frozen=True, slots=True)
class PopulationLife:
    """Drops by which a fraction of the cases of a group has failed, and when the next one does."""

    b10: Estimate
    b50: Estimate
    life: Prediction
    cases: int
    """Whose lives these come from."""


def population_life(
    lives: Sequence[FloatArray],
    *,
    horizon: int,
    level: float,
    log_shift: Sequence[FloatArray] | None = None,
) -> PopulationLife:
    """Quantiles of the lives of a population, from what is known of the lives of some cases.

    Parameters
    ----------
    lives : sequence of ndarray of shape (n_draws,)
        Draws of the drop at which each case fails, infinite far beyond the horizon; all the same
        for a failure that was seen.
    horizon : int
        Drop number beyond which a life is ``None``.
    level : float
        Content of the intervals.
    log_shift : sequence of ndarray of shape (N_DRAWS,), optional
        Taken from the log life of each case: by how much its condition lengthens lives.

    Returns
    -------
    PopulationLife
        ``b10`` and ``b50`` with the interval of the population's own quantile, by which cases
        differ counted; ``life`` is a prediction and wider.
    """
    from scipy.special import ndtr, ndtri

    known = [np.sort(each) for each in lives if each.size]
    if not known:
        nothing = Estimate(None, None, None)
        return PopulationLife(nothing, nothing, Prediction(None, None, None), 0)
    cases = len(known)
    shifts = [np.zeros(N_DRAWS)] * cases if log_shift is None else log_shift
    ordered = sorted(zip(known, shifts, strict=True), key=lambda case: case[0].tolist())
    shared = np.sqrt(SHARED) * ndtri((np.arange(_NODES) + 0.5) / _NODES)
    log_life = np.array([_log_life(draws, shared, horizon) for draws, _ in ordered])
    log_life -= np.array([shift[:: N_DRAWS // _NODES] for _, shift in ordered])
    one_sd = np.array([_log_life(draws, np.array([-1.0, 1.0]), horizon) for draws, _ in ordered])
    own = (1.0 - SHARED) * (0.5 * np.diff(one_sd, axis=1)[:, 0]) ** 2
    weight = 1.0 / (_SPREADS[:, None] ** 2 + own)
    total = weight.sum(axis=1)[:, None]
    centre = log_life.mean()
    off = weight @ (log_life - centre) / total
    log_density = 0.5 * (
        np.log(weight).sum(axis=1)[:, None]
        - np.log(total)
        - weight @ (log_life - centre) ** 2
        + total * off**2
    )
    # By equal steps of the log of the spread.
    log_density += np.log(_SPREADS / (SPREAD**2 + _SPREADS**2))[:, None]
    probability = np.exp(log_density - log_density.max(axis=0))
    probability /= _NODES * probability.sum(axis=0)
    spread = np.broadcast_to(_SPREADS[:, None], off.shape)
    middle = centre + off
    unsure = np.broadcast_to(1.0 / np.sqrt(total), off.shape)

    def drops(mean: FloatArray, sd: FloatArray) -> list[float | None]:
        """Lower end, median and upper end of a mixture of normals of log lives."""

        @cache
        def failed_by(drop: int) -> float:
            return float((probability * ndtr((math.log(drop) - mean) / sd)).sum())

        shares = np.array([1.0 - level, 1.0, 1.0 + level]) / 2.0 - 1e-9  # rounding aside
        found = (1 + bisect_left(range(1, horizon + 1), share, key=failed_by) for share in shares)
        return [float(drop) if drop <= horizon else None for drop in found]

    return PopulationLife(
        b10=Estimate(*drops(middle + float(ndtri(0.1)) * spread, unsure)),
        b50=Estimate(*drops(middle, unsure)),
        life=Prediction(*drops(middle, np.hypot(spread, unsure))),
        cases=cases,
    )


def middle_log_life(lives: FloatArray, horizon: int) -> float:
    """Median of the log life of one case, cut as in ``population_life``.

    Parameters
    ----------
    lives : ndarray of shape (n_draws,)
        Draws of the drop at which it fails.
    horizon : int
        As there.
    """
    return float(_log_life(np.sort(lives), np.zeros(1), horizon)[0])


def shuffled_normal(rows: int) -> FloatArray:
    """Normal deviates, in each row one in each of ``N_DRAWS`` equal parts, in an order of its own.

    Parameters
    ----------
    rows : int
        How many; those of fewer rows are the first of more.

    Returns
    -------
    ndarray of shape (rows, N_DRAWS)
    """
    from scipy.special import ndtri

    parts = ndtri((np.arange(N_DRAWS) + 0.5) / N_DRAWS)
    rng = np.random.default_rng(20)
    found = np.empty((rows, N_DRAWS))
    for row in found:
        row[:] = rng.permutation(parts)
    return found


def _log_life(ordered: FloatArray, normal: FloatArray, horizon: int) -> FloatArray:
    """Log life at each normal deviate of what is known of a case."""
    from scipy.special import ndtr

    at = np.minimum((ndtr(normal) * ordered.size).astype(np.int64), ordered.size - 1)
    return np.asarray(np.log(np.clip(ordered[at], 1.0, FARTHEST * horizon)))


# ---------------------------------------------------------------------- levels by condition

CONDITION_LOG_SD = 0.5
"""Prior log standard deviation of the level under one condition about the mean of all."""
_APART = np.geomspace(0.03, 0.4, 6)
_APART_MEDIAN, _APART_LOG_SD = 0.12, 0.8
"""How cases differ in what a condition does: log standard deviations tried, and their prior."""


@dataclass(frozen=True, slots=True)
class PartLevels:
    """Fresh log levels of the parts of one case, judged by that case alone."""

    condition: tuple[Hashable, ...]
    """Of each part."""
    mean: FloatArray
    covariance: FloatArray
    """Shapes (n_parts,) and (n_parts, n_parts)."""


def expected_levels(cases: Sequence[PartLevels]) -> list[tuple[FloatArray, FloatArray]]:
    """Level of each part of each case about the case's own, by what the other cases show.

    Parameters
    ----------
    cases : sequence of PartLevels
        Of one model.

    Returns
    -------
    list of (ndarray, ndarray)
        Mean and variance in log g for the parts of each case. Where no other case was dropped
        under a condition: no difference, with ``CONDITION_LOG_SD``.
    """
    every_name = dict.fromkeys(name for case in cases for name in case.condition)
    names = {name: at for at, name in enumerate(every_name)}
    where = [np.array([names[name] for name in case.condition], dtype=np.int64) for case in cases]
    weak = np.eye(len(names)) / CONDITION_LOG_SD**2
    log_weight = -0.5 * (np.log(_APART / _APART_MEDIAN) / _APART_LOG_SD) ** 2
    told: list[list[tuple[FloatArray, FloatArray]]] = []
    for step, apart in enumerate(_APART):
        squares = np.zeros((len(cases), len(names), len(names)))
        crosses = np.zeros((len(cases), len(names)))
        for row, (case, at) in enumerate(zip(cases, where, strict=True)):
            precision = np.linalg.inv(case.covariance + apart**2 * np.eye(at.size))
            own = precision.sum(axis=0)
            # The case's own level has an even prior and is integrated out.
            centred = precision - np.outer(own, own) / own.sum()
            member = np.zeros((at.size, len(names)))
            member[np.arange(at.size), at] = 1.0
            squares[row] = member.T @ centred @ member
            crosses[row] = member.T @ centred @ case.mean
            log_weight[step] += 0.5 * (
                np.linalg.slogdet(precision)[1]
                - np.log(own.sum())
                - case.mean @ centred @ case.mean
            )
        every, answer = squares.sum(axis=0) + weak, crosses.sum(axis=0)
        log_weight[step] += 0.5 * (
            answer @ np.linalg.solve(every, answer) - np.linalg.slogdet(every)[1]
        )
        told.append([])
        for row, at in enumerate(where):
            covariance = np.linalg.inv(every - squares[row])
            mean = (covariance @ (answer - crosses[row]))[at]
            # What is common to the parts of a case is its own level: only contrasts are told.
            apart_only = np.eye(at.size) - 1.0 / at.size
            contrasts = np.diag(apart_only @ covariance[np.ix_(at, at)] @ apart_only)
            variance = contrasts * at.size / (at.size - 1.0) + apart**2
            told[-1].append((mean - mean.mean(), variance))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    found = []
    for row in range(len(cases)):
        means, variances = (np.array([step[row][which] for step in told]) for which in (0, 1))
        mean = weight @ means
        found.append((mean, weight @ (variances + (means - mean) ** 2)))
    return found


# ------------------------------------------------------------------ scatter, shape and rate

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


def closeness_of(conditions: Sequence[frozenset[object]]) -> FloatArray:
    """What each series or case (column) counts for in each other (row).

    1 where they share a condition, else less; 0 on the diagonal.
    """
    columns = {name: at for at, name in enumerate(frozenset().union(*conditions))}
    seen = np.zeros((len(conditions), len(columns)))
    for row, names in enumerate(conditions):
        seen[row, [columns[name] for name in names]] = 1.0
    close = np.where(seen @ seen.T > 0.0, 1.0, ELSEWHERE_WEIGHT)
    np.fill_diagonal(close, 0.0)
    return close


@lru_cache(maxsize=16)
def lattice_of(grid: ShapeGrid) -> Lattice:
    """One row for each cell, over all signed bins."""
    nothing = np.zeros((BINS // 2, BINS // 2))
    kernel = np.block([[rate_kernel(), nothing], [nothing, rate_kernel()]])
    return Lattice(np.exp(grid.log_prior), kernel, grid.blocks)


def shared_posterior(log_evidence: Floats, grid: ShapeGrid, closeness: FloatArray) -> FloatArray:
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
    posterior = posterior_over(likelihood, lattice_of(grid), closeness)
    return np.asarray(posterior, dtype=np.float64)


def posterior_over(likelihood: Floats, lattice: Lattice, closeness: Floats) -> Floats:
    """The same from likelihoods up to a factor of each series, over any lattice.

    Parameters
    ----------
    likelihood : ndarray of shape (n_series, n_rows, n_bins)
    lattice : Lattice
        Its rows and bins.
    closeness : ndarray of shape (n_series, n_series)
        From ``closeness_of``.
    """

    def of_all(values: Floats) -> Floats:
        """Sum of each series; as a product: several times faster."""
        total = values.reshape(len(values), -1) @ np.ones(lattice.prior.size, values.dtype)
        return np.asarray(total[:, None, None])

    if not closeness.any():
        posterior = likelihood * lattice.prior
        posterior /= of_all(posterior)
        return posterior
    alone = likelihood.reshape(len(likelihood), -1) @ lattice.prior.ravel()
    told = _log_told(likelihood, alone[:, None, None], lattice)
    profile = (closeness @ told.reshape(len(told), -1)).reshape(told.shape)
    profile -= profile.max(axis=(1, 2), keepdims=True)
    np.exp(profile, out=profile)
    profile *= lattice.prior
    profile *= (1.0 - UNLIKE) / of_all(profile)
    posterior = profile @ lattice.rate_kernel
    for run, kernel in lattice.runs:
        posterior[:, run] = kernel.T @ posterior[:, run]
    posterior += UNLIKE * lattice.prior
    posterior *= likelihood
    posterior *= 1.0 / of_all(posterior)
    return posterior


def _log_told(likelihood: Floats, alone: Floats, lattice: Lattice) -> Floats:
    """Log likelihood of each profile of the model by each case, which may not be like it.

    Against that of a case unlike its model, ``alone``.
    """
    told = likelihood @ lattice.rate_kernel
    for run, kernel in lattice.runs:
        told[:, run] = kernel @ told[:, run]
    told *= (1.0 - UNLIKE) / alone
    told += UNLIKE
    return np.log(told, out=told)


def told_by_each(log_evidence: Floats, grid: ShapeGrid) -> tuple[Floats, FloatArray]:
    """What each case says of the profile of its model, and its log evidence were it unlike it.

    Parameters
    ----------
    log_evidence : ndarray of shape (n_cases, n_cells, BINS)
        From ``bin_log_evidence``.
    grid : ShapeGrid
        The cells.

    Returns
    -------
    told : ndarray of shape (n_cases, n_cells, BINS)
        Log likelihood of each profile against that.
    alone : ndarray of shape (n_cases,)
    """
    top = log_evidence.max(axis=(1, 2), keepdims=True)
    likelihood, lattice = np.exp(log_evidence - top), lattice_of(grid)
    alone = (likelihood * lattice.prior).sum(axis=(1, 2), keepdims=True)
    return _log_told(likelihood, alone, lattice), (top + np.log(alone))[:, 0, 0]


def joint_log_evidence(cases: Sequence[tuple[Floats, FloatArray]], grid: ShapeGrid) -> FloatArray:
    """How well cases of one model agree on a profile: the log of their joint evidence.

    Parameters
    ----------
    cases : sequence of (ndarray, ndarray)
        Of each case what ``told_by_each`` gives of it, read in some ways.
    grid : ShapeGrid
        The cells.

    Returns
    -------
    ndarray of shape (n_ways,)
    """
    profile = np.sum([told for told, _ in cases], axis=0) + grid.log_prior
    highest = profile.max(axis=(1, 2))
    joint = np.log(np.exp(profile - highest[:, None, None]).sum(axis=(1, 2)))
    return np.asarray(np.sum([alone for _, alone in cases], axis=0) + highest + joint)
