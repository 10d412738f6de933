"""What follows from a fitted link: doses to beware of, devices to look at, what a round teaches."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.link_model import ShockLinkModel
from durability.devices.results import DoseCurve, DropsToTenPercent, LookPlan, NextRound
from durability.devices.study import REFERENCE_PEAK_G, assemble, log_doses
from durability.life.results import Prediction
from durability.record.basis import MIN_DEVICES_FOR_LINK

if TYPE_CHECKING:
    from durability.devices.study import LatentStudy
    from durability.record.records import DeviceHistory, FloatArray, IntArray

FEWEST_READINGS_OF_A_KIND = 3
"""Readings of one case model and height before its dose per drop is used."""

ROUNDS_IMAGINED = 200

LARGEST_LOG = 700.0
"""Whose exponential is still finite."""


def drops_to_ten_percent(
    study: LatentStudy, model: ShockLinkModel, exponents: FloatArray, days: float, level: float
) -> tuple[DropsToTenPercent, ...]:
    """How many drops of each kind seen in the study fail one in ten within some days.

    Each posterior draw counts drops under its own dose exponent, so the interval holds what is
    not known of the exponent too.

    Parameters
    ----------
    study : LatentStudy
    model : ShockLinkModel
        As fitted to the study.
    exponents : ndarray of shape (n_exponents,)
        It was fitted with.
    days : float
        After time zero.
    level : float
        Of the intervals.

    Returns
    -------
    tuple of DropsToTenPercent
        One a case model and height with enough readings, the fewest drops first. A drop counts
        with the mean dose of its kind.
    """
    log_dose = model.log_dose_at(0.1, days)
    kinds: dict[tuple[str | None, float | None], list[float]] = {}
    for history, own in zip(study.histories, study.follow_ups, strict=True):
        for drop in np.flatnonzero(own.lived_through & np.isfinite(history.peak_g)).tolist():
            fell_mm = float(history.drop_height_mm[drop])
            worn = history.drop_case_model[drop] if history.drop_case_model else None
            kinds.setdefault((worn, None if math.isnan(fell_mm) else fell_mm), []).append(
                float(history.peak_g[drop])
            )
    answers = []
    for (case_model, height), peaks_g in kinds.items():
        if len(peaks_g) >= FEWEST_READINGS_OF_A_KIND:
            relative = np.array(peaks_g) / REFERENCE_PEAK_G
            log_of_one = np.log((relative ** exponents[:, None]).mean(axis=1))[model.exponent_]
            drops = central(np.exp(np.minimum(log_dose - log_of_one, LARGEST_LOG)), level)
            answers.append(
                DropsToTenPercent(
                    case_model=case_model,
                    drop_height_mm=height,
                    readings=len(peaks_g),
                    lower=drops.lower,
                    median=drops.median,
                    upper=drops.upper,
                )
            )
    return tuple(sorted(answers, key=lambda own: math.inf if own.median is None else own.median))


def unlooked_spans(study: LatentStudy, on_day: float) -> FloatArray:
    """Days since time zero of each device's last good look and of ``on_day``.

    Parameters
    ----------
    study : LatentStudy
    on_day : float
        Days since 1970-01-01.

    Returns
    -------
    ndarray of shape (n_devices, 2)
        NaN for a device that has failed, has no known dose, was never looked at nor dropped, or
        that no one can look at any more.
    """
    spans = np.full((len(study.follow_ups), 2), math.nan)
    for index, one in enumerate(study.follow_ups):
        open_end = one.state in ("working", "not inspected") and study.dose_known[index]
        if open_end and study.histories[index].can_be_inspected and one.zero_day is not None:
            last = one.after_days if one.after_days is not None else 0.0
            spans[index] = (last, max(on_day - one.zero_day, last))
    return spans


def next_round(
    model: ShockLinkModel,
    effect: FloatArray,
    log_dose: FloatArray,
    spans: FloatArray,
    level: float,
) -> NextRound:
    """What looking at every device that may still work would find and teach.

    Outcomes of the round are drawn from the posterior; each outcome re-weighs the posterior.

    Parameters
    ----------
    model : ShockLinkModel
    effect : ndarray of shape (n_draws,)
        Logarithm of the effect under each draw.
    log_dose : ndarray of shape (n_exponents, n_devices)
    spans : ndarray of shape (n_devices, 2)
        From ``unlooked_spans``.
    level : float
        Of the effect's interval.

    Returns
    -------
    NextRound
        The interval's width is that of its logarithm, the mean over the outcomes.
    """
    asked = np.isfinite(spans).all(axis=1)
    last, now = spans[asked].T
    chance = model.probability_failed(log_dose[:, asked], last, now)
    expected_failures = float(chance.mean(axis=0).sum())
    factor = None
    if model.dose_varies_ and expected_failures > 0:
        chance = np.clip(chance, 1e-12, 1.0 - 1e-12)
        truths = chance[:: max(len(chance) // ROUNDS_IMAGINED, 1)]
        failed = (np.random.default_rng(0).random(truths.shape) < truths).astype(float)
        log_weight = failed @ np.log(chance).T + (1.0 - failed) @ np.log1p(-chance).T
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        order = np.argsort(effect)
        even = np.full((1, len(order)), 1.0 / len(order))
        now_wide = _width(effect[order], even, level)[0]
        factor = float(_width(effect[order], weight[:, order], level).mean() / now_wide)
    return NextRound(
        devices=int(asked.sum()),
        expected_failures=expected_failures,
        expected_interval_factor=factor,
    )


_LOOKS_AHEAD = (0, 7, 14, 30, 60, 90, 180)
"""Days from now on which a round of inspections is weighed."""


def plan_looks(
    study: LatentStudy,
    model: ShockLinkModel,
    exponents: FloatArray,
    on_day: float,
    *,
    looks: int | None = None,
    drops: int = 0,
    level: float = 0.9,
) -> tuple[LookPlan, ...]:
    """What each way to spend drops and one round of inspections is expected to teach of the link.

    Weighed are all devices or some of them, on several days, with the drops made today on none, on
    all alike, or on the half of them with the smaller or the larger shock dose. Which devices tell
    most is judged one by one, by how much the chance of failing of each moves with the effect:
    Cov(chance, effect)² / (chance · (1 − chance)). What a round teaches is that of ``next_round``.

    Parameters
    ----------
    study : LatentStudy
    model : ShockLinkModel
        As fitted to the study.
    exponents : ndarray of shape (n_exponents,)
        It was fitted with.
    on_day : float
        Today, in days since 1970-01-01.
    looks : int, optional
        Devices that can be inspected in the round; by default all.
    drops : int
        That can be made today, each of the median peak g of this study.
    level : float
        Of the effect's interval.

    Returns
    -------
    tuple of LookPlan
        The narrowest interval first; of equal ones the earlier day. Empty where no device can be
        inspected, or no dose differs.
    """
    spans = unlooked_spans(study, on_day)
    open_devices = np.flatnonzero(np.isfinite(spans).all(axis=1))
    if not open_devices.size or not model.dose_varies_:
        return ()
    effect = model.slope_ * exponents[model.exponent_]
    today = study.log_dose(exponents)
    read = np.concatenate([*study.peaks_g, np.empty(0)])
    peak_g = float(np.median(read[read > 0]))
    by_dose = open_devices[np.argsort(today[0, open_devices], kind="stable")]
    half = (len(by_dose) + 1) // 2
    dropped = {"none": by_dose[:0]}
    if drops:
        dropped["all alike"] = by_dose
        dropped["the half with the smaller dose"] = by_dose[:half]
        dropped["the half with the larger dose"] = by_dose[-half:]
    plans = []
    for name, devices in dropped.items():
        peaks, began = list(study.peaks_g), spans.copy()
        for place, device in enumerate(devices):
            more = (drops + len(devices) - 1 - place) // len(devices)
            if more:
                peaks[device] = np.append(peaks[device], np.full(more, peak_g))
                began[device] = 0.0  # time counts from its last drop
        log_dose = log_doses(peaks, exponents)
        for ahead in _LOOKS_AHEAD:
            if devices.size and not ahead:
                continue
            then = began + np.array([0.0, float(ahead)])
            for choice, chosen in _choices(model, effect, log_dose, then, by_dose, looks).items():
                asked = np.full_like(then, math.nan)
                asked[chosen] = then[chosen]
                round_ = next_round(model, effect, log_dose, asked, level)
                plans.append(
                    LookPlan(
                        drops_on=name,
                        inspect_on=date(1970, 1, 1) + timedelta(days=int(on_day) + ahead),
                        choice=choice,
                        devices=tuple(study.histories[index].device for index in sorted(chosen)),
                        expected_failures=round_.expected_failures,
                        expected_interval_factor=round_.expected_interval_factor or 1.0,
                    )
                )
    return tuple(sorted(plans, key=lambda own: (own.expected_interval_factor, own.inspect_on)))


def _choices(
    model: ShockLinkModel,
    effect: FloatArray,
    log_dose: FloatArray,
    spans: FloatArray,
    by_dose: IntArray,
    looks: int | None,
) -> dict[str, IntArray]:
    """Sets of devices to inspect."""
    if looks is None or looks >= len(by_dose):
        return {"all": by_dose}
    chance = model.probability_failed(log_dose[:, by_dose], *spans[by_dose].T)
    middle = np.clip(chance.mean(axis=0), 1e-12, 1.0 - 1e-12)
    moved = (chance * (effect - effect.mean())[:, None]).mean(axis=0)
    tells = moved**2 / (middle * (1.0 - middle))
    evenly = np.linspace(0, len(by_dose) - 1, looks).round().astype(int)
    return {
        "the most informative": by_dose[np.argsort(-tells, kind="stable")[:looks]],
        "the largest doses": by_dose[-looks:],
        "evenly over dose": by_dose[evenly],
    }


def _width(ascending: FloatArray, weight: FloatArray, level: float) -> FloatArray:
    """Of the central interval under each row of weights (m, n) of these values (n,)."""
    below = np.cumsum(weight, axis=1)
    tail = 0.5 * (1.0 - level)
    last = len(ascending) - 1
    lower = np.minimum((below < tail).sum(axis=1), last)
    upper = np.minimum((below < 1.0 - tail).sum(axis=1), last)
    return np.asarray(ascending[upper] - ascending[lower])


def central(values: FloatArray, level: float) -> Prediction:
    """Median and central interval of draws; None stands for infinity."""
    tail = 0.5 * (1.0 - level)
    found = np.quantile(values, [tail, 0.5, 1.0 - tail], method="inverted_cdf")
    lower, median, upper = (float(v) if v < _LARGEST else None for v in found)
    return Prediction(lower=lower, median=median, upper=upper)


_LARGEST = 1e100


_DOSES = 60


def dose_curve(
    histories: Sequence[DeviceHistory],
    *,
    exponent: float,
    days: int = 90,
    level: float = 0.9,
    random_state: int = 0,
) -> DoseCurve | None:
    """Probability that a device of each dose, good on drop day, has failed by one day.

    Doses of different exponents have different units, so the model is fitted with this one alone;
    a device's own chance is averaged over exponents and may lie a little beside the curve.

    Parameters
    ----------
    histories : sequence of DeviceHistory
        Dropped devices and controls, of one study.
    exponent : float
        Of the peak g in the dose.
    days : int
        After the last drop.
    level : float
        Content of the band.
    random_state : int
        Seed of the draws.

    Returns
    -------
    DoseCurve or None
        Over the doses of the study; None below `MIN_DEVICES_FOR_LINK` followed devices, or when
        fewer than two doses differ.
    """
    study = assemble(histories)
    log_dose = study.log_dose(np.array([exponent]))
    felt = np.unique(log_dose[np.isfinite(log_dose)])
    if len(study.lives) < MIN_DEVICES_FOR_LINK or felt.size < 2:
        return None
    model = ShockLinkModel(np.ones(1), random_state).fit(
        study.lives, log_dose[:, study.followed], study.entry
    )
    grid = np.concatenate([[-np.inf], np.linspace(felt[0], felt[-1], _DOSES)])
    chance = model.probability_failed(
        grid[None, :], np.zeros(grid.size), np.full(grid.size, float(days))
    )
    outside = (1.0 - level) / 2.0
    lower, upper = np.quantile(chance, (outside, 1.0 - outside), axis=0)
    middle = chance.mean(axis=0)
    return DoseCurve(
        shock_dose=np.exp(grid[1:]),
        probability=middle[1:],
        lower=lower[1:],
        upper=upper[1:],
        background=(float(lower[0]), float(middle[0]), float(upper[0])),
        days=days,
        level=level,
    )
