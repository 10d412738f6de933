"""Exact tests that ask for no curve: dose against sooner failure, dropped against controls."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.exposure import EXPONENT_PRIOR, EXPONENTS
from durability.devices.results import DroppedAgainstControls
from durability.life.turnbull import log_rank_scores

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.devices.study import LatentStudy

SIGNIFICANCE = 0.05
"""Two-sided, and only the harmful side gives ``linked``: without a link one study in forty does."""

PERMUTATIONS = 9999
LARGEST_BOSCHLOO = 60
"""Devices beyond which Boschloo's test takes seconds and Fisher's is as good."""


@dataclass(frozen=True, slots=True)
class DoseTest:
    """Outcome of ``dose_rank_test``."""

    p_value: float | None
    """Two-sided; None when doses or outcomes are all alike."""
    harmful: bool
    """Whether larger doses went with sooner failures."""
    could_show: bool
    """Whether these failures, had they fallen on the largest doses, would be significant."""


def dose_rank_test(
    study: LatentStudy, random_state: int, exponent: float | None = None
) -> DoseTest:
    """Permutation test of failing sooner with a larger dose.

    Log-rank scores of the interval-censored lives against the rank of the shock dose (controls
    lowest), the rank averaged over the dose exponents. Under no link any device might as well
    have had any other's dose, so the test keeps its size whatever the time to failure looks like.

    Parameters
    ----------
    study : LatentStudy
    random_state : int
        Seed of the permutations.
    exponent : float, optional
        The only one instead.

    Returns
    -------
    DoseTest
    """
    from scipy.stats import rankdata

    if study.failures == 0:
        return DoseTest(None, harmful=False, could_show=False)
    score = log_rank_scores(study.lives, study.entry)
    score -= score.mean()
    exponents, prior = EXPONENTS, EXPONENT_PRIOR
    if exponent is not None:
        exponents, prior = np.array([exponent]), np.ones(1)
    rank = prior @ rankdata(study.log_dose(exponents)[:, study.followed], axis=1)
    rank -= rank.mean()
    seen = float(score @ rank)
    largest = float(np.sort(score) @ np.sort(rank))
    rounding = 1e-9 * max(largest, 1.0)
    if largest <= rounding:
        return DoseTest(None, harmful=False, could_show=False)
    shuffled = np.tile(rank, (PERMUTATIONS, 1))
    np.random.default_rng(random_state).permuted(shuffled, axis=1, out=shuffled)
    by_chance = np.abs(shuffled @ score)

    def share_beyond(value: float) -> float:
        return float(1 + (by_chance >= value - rounding).sum()) / (1 + PERMUTATIONS)

    return DoseTest(
        p_value=share_beyond(abs(seen)),
        harmful=seen > 0,
        could_show=share_beyond(largest) <= SIGNIFICANCE,
    )


def dropped_against_controls(
    study: LatentStudy, by_day: float, level: float
) -> DroppedAgainstControls | None:
    """Exact two-by-two tests among the devices whose state on one day is known.

    Parameters
    ----------
    study : LatentStudy
    by_day : float
        Days after time zero.
    level : float
        Of the odds ratio's interval (conditional, exact).

    Returns
    -------
    DroppedAgainstControls or None
        None when a row or a column of the table is empty.
    """
    from scipy.stats import boschloo_exact, fisher_exact
    from scipy.stats.contingency import odds_ratio

    control = np.array([own.control for own in study.follow_ups], dtype=bool)[study.followed]
    after, by = study.lives.T
    watched = study.entry < by_day
    failed, working = watched & (by <= by_day), watched & (after >= by_day)
    table = np.array(
        [
            [(~control & failed).sum(), (~control & working).sum()],
            [(control & failed).sum(), (control & working).sum()],
        ]
    )
    if (table.sum(axis=1) == 0).any() or (table.sum(axis=0) == 0).any():
        return None
    ratio = odds_ratio(table)
    interval = ratio.confidence_interval(level)
    return DroppedAgainstControls(
        by_day=by_day,
        dropped_failed=int(table[0, 0]),
        dropped_working=int(table[0, 1]),
        controls_failed=int(table[1, 0]),
        controls_working=int(table[1, 1]),
        fisher_p_value=float(fisher_exact(table).pvalue),
        boschloo_p_value=(
            float(boschloo_exact(table).pvalue) if table.sum() <= LARGEST_BOSCHLOO else None
        ),
        odds_ratio=_finite(ratio.statistic),
        odds_ratio_lower=_finite(interval.low),
        odds_ratio_upper=_finite(interval.high),
        smallest_p_value=_smallest_p_value(table),
    )


def _smallest_p_value(table: NDArray[np.int64]) -> float:
    """Fisher's p with the same margins, the failures as one-sided as they can be."""
    from scipy.stats import fisher_exact

    rows, failed = table.sum(axis=1), int(table[:, 0].sum())
    extremes = []
    for first in (min(failed, int(rows[0])), max(failed - int(rows[1]), 0)):
        at_fault = np.array([first, failed - first])
        extremes.append(float(fisher_exact(np.column_stack([at_fault, rows - at_fault])).pvalue))
    return min(extremes)


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
