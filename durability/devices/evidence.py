"""What speaks for a link: exact tests that ask for no curve, and failures predicted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.link_model import ShockLinkModel
from durability.devices.results import DroppedAgainstControls
from durability.devices.study import TEST_WEIGHTS, TESTED_EXPONENTS, on_one_clock
from durability.life.turnbull import even_hazard, log_rank_scores
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
    exponents, weights = TESTED_EXPONENTS, TEST_WEIGHTS
    if exponent is not None:
        exponents, weights = np.array([exponent]), np.ones(1)
    rank = weights @ rankdata(study.log_dose(exponents)[:, study.followed], axis=1)
    rank -= rank.mean()
    permuted = _permuted(score, rank, random_state)
    if permuted is None:
        return DoseTest(None, harmful=False, could_show=False)
    p_value, smallest = permuted
    return DoseTest(p_value, harmful=float(score @ rank) > 0, could_show=smallest <= SIGNIFICANCE)


def _permuted(
    score: FloatArray, label: FloatArray, random_state: int
) -> tuple[float, float] | None:
    """Two-sided p of scores that go with labels, and the smallest that these could have given.

    Both of mean zero; by permutation of the labels. None when either are all alike.
    """
    ordered, rising = np.sort(label), np.sort(score)
    largest = float(max(rising @ ordered, -rising[::-1] @ ordered))
    rounding = 1e-9 * max(largest, 1.0)
    if largest <= rounding:
        return None
    shuffled = np.tile(label, (PERMUTATIONS, 1))
    np.random.default_rng(random_state).permuted(shuffled, axis=1, out=shuffled)
    by_chance = np.abs(shuffled @ score)

    def share_beyond(value: float) -> float:
        return float(1 + (by_chance >= value - rounding).sum()) / (1 + PERMUTATIONS)

    return share_beyond(abs(float(score @ label))), share_beyond(largest)


def dropped_against_controls(
    study: LatentStudy, level: float, random_state: int
) -> DroppedAgainstControls | None:
    """Exact tests of dropped devices against controls, none left out for what became of it.

    Followed alike, they make a table on the most informative day, for Fisher's and Boschloo's
    tests. Else a table of one day would hold a device that failed early and leave out its like
    that was last seen a day short; then every device is counted as last seen, and log-rank scores
    of the interval-censored lives are set against having been dropped, by permutation. Its size
    under unequal follow-up of the two groups was measured: ``tests/calibration``.

    Parameters
    ----------
    study : LatentStudy
    level : float
        Of the odds ratio's interval (conditional, exact).
    random_state : int
        Seed of the permutations.

    Returns
    -------
    DroppedAgainstControls or None
        None when a row or a column of the table is empty.
    """
    from scipy.stats import boschloo_exact, fisher_exact
    from scipy.stats.contingency import odds_ratio

    control, lives, entry = on_one_clock(study)
    after, by = lives.T
    last_day = float(np.max(lives, initial=0.0, where=np.isfinite(lives)))
    telling = telling_day(lives, entry)
    alike = bool(
        telling is not None
        and (entry == entry[0]).all()
        and ((by <= last_day) | (after == last_day)).all()
        and ((by <= telling) | (after >= telling)).all()
    )
    by_day = telling if alike and telling is not None else last_day
    failed = by <= by_day
    table = np.array(
        [[(group & failed).sum(), (group & ~failed).sum()] for group in (~control, control)]
    )
    if (table.sum(axis=1) == 0).any() or (table.sum(axis=0) == 0).any():
        return None
    ratio = odds_ratio(table) if alike else None
    interval = None if ratio is None else ratio.confidence_interval(level)
    if alike:
        p_value, smallest = float(fisher_exact(table).pvalue), _smallest_p_value(table)
    else:
        dropped = (~control).astype(float)
        scores = even_hazard(lives, entry).scores
        permuted = _permuted(scores, dropped - dropped.mean(), random_state)
        p_value, smallest = permuted or (1.0, 1.0)
    return DroppedAgainstControls(
        by_day=by_day,
        dropped_failed=int(table[0, 0]),
        dropped_working=int(table[0, 1]),
        controls_failed=int(table[1, 0]),
        controls_working=int(table[1, 1]),
        not_compared=len(study.histories) - len(control),
        followed_alike=alike,
        fisher_p_value=p_value,
        boschloo_p_value=(
            float(boschloo_exact(table).pvalue)
            if alike and len(control) <= LARGEST_BOSCHLOO
            else None
        ),
        odds_ratio=None if ratio is None else _finite(ratio.statistic),
        odds_ratio_lower=None if interval is None else _finite(interval.low),
        odds_ratio_upper=None if interval is None else _finite(interval.high),
        smallest_p_value=smallest,
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

    method: str
    log_loss: float
    log_loss_without_shock: float
    p_value: float
    """That it predicts no better with shock; one-sided, signs of the gains of each device."""
    brier: float
    brier_without_shock: float
    calibration: tuple[tuple[float, float], ...]
    """(predicted, seen) share failed in groups of devices, safest first."""


CALIBRATION_GROUPS = 5
MOST_CERTAIN = 1e-12
"""Smallest probability taken of either outcome: its logarithm stays finite."""


def check_predictions(
    study: LatentStudy, model: ShockLinkModel, log_dose: FloatArray, random_state: int
) -> PredictionCheck | None:
    """Judge the model on the most informative day, against the same model blind to shock.

    A device whose state on that day its looks leave open counts in part as failed, as the pooled
    hazard of all lives has it between these looks: left out, the failed would outweigh their like
    that was last seen a day short.

    Parameters
    ----------
    study : LatentStudy
    model : ShockLinkModel
        As fitted to the study.
    log_dose : ndarray of shape (n_exponents, n_followed)
        As it was fitted with.
    random_state : int
        Seed of the model without shock, and of the signs.

    Returns
    -------
    PredictionCheck or None
        None when on no day some devices are known to have failed and some to work.
    """
    day = telling_day(study.lives, study.entry)
    if day is None:
        return None
    judged = study.entry < day
    failed = share_failed(study.lives, study.entry, day)[judged]
    alike = np.zeros((1, len(study.lives)))
    blind = ShockLinkModel(np.ones(1), random_state).fit(study.lives, alike, study.entry)
    with_shock = leave_one_out(model, study, log_dose, day)[judged]
    without = leave_one_out(blind, study, alike, day)[judged]
    gain = _log_loss(failed, without) - _log_loss(failed, with_shock)
    signs = np.random.default_rng(random_state).choice([-1.0, 1.0], (PERMUTATIONS, len(gain)))
    groups = np.array_split(np.argsort(with_shock, kind="stable"), CALIBRATION_GROUPS)
    return PredictionCheck(
        method=(
            f"leave one device out, failed by day {day:g}: {counted(len(failed), 'device')}, the"
            f" state of {int(np.isin(failed, (0.0, 1.0)).sum())} known on that day"
        ),
        log_loss=float(_log_loss(failed, with_shock).mean()),
        log_loss_without_shock=float(_log_loss(failed, without).mean()),
        p_value=float(1 + (signs @ gain >= gain.sum() - MOST_CERTAIN).sum()) / (1 + PERMUTATIONS),
        brier=float(_brier(failed, with_shock).mean()),
        brier_without_shock=float(_brier(failed, without).mean()),
        calibration=tuple(
            (float(with_shock[own].mean()), float(failed[own].mean())) for own in groups if len(own)
        ),
    )


def share_failed(lives: FloatArray, entry: FloatArray, day: float) -> FloatArray:
    """Probability that each life had ended by ``day``, by its own looks and the hazard of all.

    Parameters
    ----------
    lives : ndarray of shape (n_lives, 2)
        (known to last beyond, failed by].
    entry : ndarray of shape (n_lives,)
        First looks.
    day : float

    Returns
    -------
    ndarray of shape (n_lives,)
        0 or 1 where its looks settle it.
    """
    after, by = lives.T
    hazard = even_hazard(lives, entry)
    since = hazard.at(np.array(day)) - hazard.at(after)
    share = np.where(np.isfinite(by), (day - after) / (by - after), -np.expm1(-since))
    return np.where(by <= day, 1.0, np.where(after >= day, 0.0, share))


def _log_loss(failed: FloatArray, predicted: FloatArray) -> FloatArray:
    """Of each device; ``failed`` may be a share."""
    chance = np.clip(predicted, MOST_CERTAIN, 1.0 - MOST_CERTAIN)
    return np.asarray(-failed * np.log(chance) - (1.0 - failed) * np.log1p(-chance))


def _brier(failed: FloatArray, predicted: FloatArray) -> FloatArray:
    """Of each device: the squared error expected where ``failed`` is a share."""
    return np.asarray(failed * (1.0 - predicted) ** 2 + (1.0 - failed) * predicted**2)


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
