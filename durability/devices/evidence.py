"""What speaks for a link: exact tests that ask for no curve, and failures predicted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

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
    if study.failures == 0:
        return DoseTest(None, harmful=False, could_show=False)
    score = log_rank_scores(study.lives, study.entry)
    score -= score.mean()
    exponents, weights = TESTED_EXPONENTS, TEST_WEIGHTS
    if exponent is not None:
        exponents, weights = np.array([exponent]), np.ones(1)
    rank = weights @ np.array([_ranks(row) for row in study.log_dose(exponents)[:, study.followed]])
    rank -= rank.mean()
    permuted = _permuted(score, rank, random_state)
    if permuted is None:
        return DoseTest(None, harmful=False, could_show=False)
    p_value, smallest = permuted
    return DoseTest(p_value, harmful=float(score @ rank) > 0, could_show=smallest <= SIGNIFICANCE)


def _ranks(values: FloatArray) -> FloatArray:
    """Place of each from the smallest, 1 to n; equal ones share the mean of their places."""
    _, kind, count = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(count) - (count - 1) / 2.0)[kind])


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
    ratio, lower, upper = odds_ratio(table, level) if alike else (math.nan,) * 3
    if alike:
        p_value, smallest = fisher_p_value(table), _smallest_p_value(table)
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
            boschloo_p_value(table) if alike and len(control) <= LARGEST_BOSCHLOO else None
        ),
        odds_ratio=_finite(ratio),
        odds_ratio_lower=_finite(lower),
        odds_ratio_upper=_finite(upper),
        smallest_p_value=smallest,
    )


_ROUNDING = 1e-9
"""Tables this little apart in probability are equally probable."""


def fisher_p_value(table: NDArray[np.int64]) -> float:
    """Fisher's exact p, two-sided: all tables of the same margins that are no more probable.

    Parameters
    ----------
    table : ndarray of shape (2, 2)
        Counts by group and outcome, no margin empty.

    Returns
    -------
    float
    """
    least, log_ways = _log_ways(table)
    chance = _shares(log_ways)
    return float(chance[chance <= chance[int(table[0, 0]) - least] * (1.0 + _ROUNDING)].sum())


def _log_ways(table: NDArray[np.int64]) -> tuple[int, FloatArray]:
    """Least first count that the margins allow, and the log number of ways to each from it on."""
    from scipy.special import gammaln

    (first, second), failed = table.sum(axis=1), int(table[:, 0].sum())
    count = np.arange(max(failed - int(second), 0), min(failed, int(first)) + 1)
    parts = np.array([count, first - count, failed - count, second - failed + count])
    return int(count[0]), np.asarray(-gammaln(parts + 1.0).sum(axis=0))


def _shares(log_weights: FloatArray) -> FloatArray:
    weights = np.exp(log_weights - log_weights.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def odds_ratio(table: NDArray[np.int64], level: float) -> tuple[float, float, float]:
    """Conditional maximum-likelihood odds ratio with its exact interval.

    Given the margins the first count is Fisher's noncentral hypergeometric: the estimate makes
    its mean the count seen, the limits leave half of what ``level`` leaves open beyond it.

    Parameters
    ----------
    table : ndarray of shape (2, 2)
        Counts by group and outcome, no margin empty.
    level : float
        Of the interval.

    Returns
    -------
    ratio, lower, upper : float
        0 or infinity where the count is the least or the most that the margins allow.
    """
    least, log_ways = _log_ways(table)
    count, seen = np.arange(len(log_ways)), int(table[0, 0]) - least
    last = len(count) - 1
    if last == 0:  # one table only
        return math.nan, 0.0, math.inf

    def solved(weight: NDArray[Any], wanted: float) -> float:
        """Ratio at which the mean of ``weight``, which rises with the count, is as wanted."""
        low, high = -60.0, 60.0
        for _ in range(60):  # as far as halving goes
            middle = (low + high) / 2.0
            below = float(_shares(log_ways + middle * count) @ weight) < wanted
            low, high = (middle, high) if below else (low, middle)
        return math.exp((low + high) / 2.0)

    beyond = (1.0 - level) / 2.0
    at_least, at_most = (count >= seen).astype(float), (count > seen).astype(float)
    ratio = 0.0 if seen == 0 else math.inf if seen == last else solved(count, float(seen))
    lower = 0.0 if seen == 0 else solved(at_least, beyond)
    upper = math.inf if seen == last else solved(at_most, 1.0 - beyond)
    return ratio, lower, upper


def boschloo_p_value(table: NDArray[np.int64]) -> float:
    """Boschloo's exact p: twice the smaller of its two one-sided ones, 1 at most.

    Each is the largest probability, over every share failed that both groups may have in common,
    of a table whose one-sided Fisher p is no larger than this one's (Boschloo R D (1970),
    Statistica Neerlandica 24, 1-35).

    Parameters
    ----------
    table : ndarray of shape (2, 2)
        Counts by group and outcome, no margin empty.

    Returns
    -------
    float
    """
    from scipy.special import gammaln

    first, second = (int(group) for group in table.sum(axis=1))
    of, seen = first + second, tuple(table[:, 0])
    log_ways, at_most, at_least = (np.empty((first + 1, second + 1)) for _ in range(3))
    for total in range(of + 1):  # of these margins
        a = np.arange(max(total - second, 0), min(total, first) + 1)
        own = a, total - a
        log_ways[own] = _log_ways(np.array([[first, 0], [total - first, of - total]]))[1]
        chance = _shares(log_ways[own])
        at_most[own], at_least[own] = chance.cumsum(), chance[::-1].cumsum()[::-1]
    log_ways += gammaln(first + 1.0) + gammaln(second + 1.0)
    failed = np.add.outer(np.arange(first + 1), np.arange(second + 1))
    one_sided = []
    for fisher in (at_most, at_least):
        counted_in = fisher <= fisher[seen] * (1.0 + _ROUNDING)
        # A polynomial in the share failed: the ways to each number failed.
        ways = np.bincount(failed[counted_in], np.exp(log_ways[counted_in]), of + 1)
        one_sided.append(_largest_chance(np.asarray(ways, dtype=np.float64)))
    return min(1.0, 2.0 * min(one_sided))


def _largest_chance(ways: FloatArray) -> float:
    """Largest sum of ``ways[k] share^k (1 - share)^(n - k)``, k from 0 to n, of any share."""
    power = np.arange(len(ways))
    low, high = 0.0, math.pi / 2.0
    chance = np.zeros(1)
    for _ in range(3):  # between the neighbours of the largest value, 250 times finer
        angle = np.linspace(low, high, 500)[:, None]  # evenly fine for every share by its arcsine
        chance = (np.sin(angle) ** (2 * power) * np.cos(angle) ** (2 * power[::-1])) @ ways
        at = int(np.argmax(chance))
        low, high = float(angle[max(at - 1, 0), 0]), float(angle[min(at + 1, 499), 0])
    return float(chance.max())


def _smallest_p_value(table: NDArray[np.int64]) -> float:
    """Fisher's p with the same margins, the failures as one-sided as they can be."""
    rows, failed = table.sum(axis=1), int(table[:, 0].sum())
    extremes = []
    for first in (min(failed, int(rows[0])), max(failed - int(rows[1]), 0)):
        at_fault = np.array([first, failed - first])
        extremes.append(fisher_p_value(np.column_stack([at_fault, rows - at_fault])))
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
