"""What speaks for a link: exact tests that ask for no curve, and failures predicted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.link_model import ShockLinkModel
from durability.devices.results import DroppedAgainstControls
from durability.devices.study import EXPONENT_PRIOR, EXPONENTS
from durability.life.turnbull import log_rank_scores
from durability.record.basis import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.devices.study import LatentStudy
    from durability.record.records import FloatArray

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


@dataclass(frozen=True, slots=True)
class PredictionCheck:
    """Scores of leave-one-device-out prediction, with shock and without."""

    day: float
    method: str
    log_loss: float
    log_loss_without_shock: float
    brier: float
    brier_without_shock: float
    calibration: tuple[tuple[float, float], ...]
    """(predicted, seen) share failed in groups of devices, safest first."""


def check_predictions(
    study: LatentStudy, model: ShockLinkModel, log_dose: FloatArray, random_state: int
) -> PredictionCheck | None:
    """Judge the model on the day that tells most, against the same model blind to shock.

    Parameters
    ----------
    study : LatentStudy
    model : ShockLinkModel
        As fitted to the study.
    log_dose : ndarray of shape (n_exponents, n_followed)
        As it was fitted with.
    random_state : int
        Seed of the model without shock.

    Returns
    -------
    PredictionCheck or None
        None when on no day some devices are known to have failed and some to work.
    """
    day = telling_day(study.lives, study.entry)
    if day is None:
        return None
    from sklearn.calibration import calibration_curve
    from sklearn.metrics import brier_score_loss, log_loss

    after, by = study.lives.T
    known = (study.entry < day) & ((by <= day) | (after >= day))
    failed = (by <= day)[known]
    alike = np.zeros((1, len(after)))
    blind = ShockLinkModel(np.ones(1), random_state).fit(study.lives, alike, study.entry)
    with_shock = leave_one_out(model, study, log_dose, day)[known]
    without = leave_one_out(blind, study, alike, day)[known]
    seen, predicted = calibration_curve(failed, with_shock, n_bins=5, strategy="quantile")
    return PredictionCheck(
        day=day,
        method=(
            f"leave one device out, failed by day {day:g}: {int(failed.sum())} of "
            f"{counted(int(known.sum()), 'device')} whose state on that day is known"
        ),
        log_loss=float(log_loss(failed, with_shock, labels=[False, True])),
        log_loss_without_shock=float(log_loss(failed, without, labels=[False, True])),
        brier=float(brier_score_loss(failed, with_shock)),
        brier_without_shock=float(brier_score_loss(failed, without)),
        calibration=tuple(zip(predicted.tolist(), seen.tolist(), strict=True)),
    )


def telling_day(lives: FloatArray, entry: FloatArray) -> float | None:
    """Day on which most is known: the smaller of known failed and known working is largest.

    Parameters
    ----------
    lives : ndarray of shape (n_devices, 2)
        (days known to work, days by which failed].
    entry : ndarray of shape (n_devices,)
        First looks: nothing before them was open.

    Returns
    -------
    float or None
        Of equal days the one with more devices known, then the earliest; None when on no day
        both kinds are known.
    """
    after, by = lives.T
    begun = entry[:, None]
    days = np.unique(lives[np.isfinite(lives) & (lives > 0)])
    failed = ((begun < days) & (by[:, None] <= days)).sum(axis=0)
    working = ((begun < days) & (after[:, None] >= days)).sum(axis=0)
    fewer = np.minimum(failed, working)
    if len(days) == 0 or fewer.max() == 0:
        return None
    return float(days[np.lexsort((days, -(failed + working), -fewer))[0]])


def leave_one_out(
    model: ShockLinkModel, study: LatentStudy, log_dose: FloatArray, day: float
) -> FloatArray:
    """Probability that each device has failed by ``day``, had its own looks not been used.

    The posterior draws are weighed by the inverse of the device's likelihood, the largest weights
    cut at √n_draws times their mean (Ionides E L (2008), J. Comput. Graph. Stat. 17, 295-311).

    Parameters
    ----------
    model : ShockLinkModel
        As fitted to the study.
    study : LatentStudy
    log_dose : ndarray of shape (n_exponents, n_followed)
    day : float
        Days after time zero.

    Returns
    -------
    ndarray of shape (n_followed,)
    """
    after, by = study.lives.T
    log_likelihood = model.log_probability(log_dose, study.entry, after, by)
    weight = np.exp(log_likelihood.min(axis=0) - log_likelihood)
    weight = np.minimum(weight, weight.mean(axis=0) * math.sqrt(len(weight)))
    failed = model.probability_failed(log_dose, study.entry, np.maximum(study.entry, day))
    return np.asarray((weight * failed).sum(axis=0) / weight.sum(axis=0))
