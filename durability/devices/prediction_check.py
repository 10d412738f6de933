"""How well each device's later failure is foretold from the other devices."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.link_model import ShockLinkModel
from durability.record.basis import counted

if TYPE_CHECKING:
    from durability.devices.study import LatentStudy
    from durability.record.records import FloatArray


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
