"""A follow-up study as arrays: who was followed, what each lived through, when each failed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.devices.follow_up import FOLLOWED, FollowUp, follow_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DeviceHistory, FloatArray

    BoolArray = NDArray[np.bool_]

REFERENCE_PEAK_G = 1000.0
"""The shock dose counts drops of 1000 g, to within its exponent."""

LITERATURE_EXPONENT = 6.4
"""Slope of the stress-life line of electronic leads and solder: Steinberg D S, Vibration Analysis
for Electronic Equipment. Made for millions of vibration cycles, so only a starting point here."""

LITERATURE_RANGE = (4.0, 8.0)
"""Exponents in use for electronics (Basquin's rule with Palmgren-Miner sums); sums like these are
good to an order of magnitude at best (Irvine T, on Steinberg's method)."""

TESTED_EXPONENTS = np.arange(2.0, 11.0)
"""Exponents over which the test averages its ranks."""

TEST_WEIGHTS = np.where(
    (LITERATURE_RANGE[0] <= TESTED_EXPONENTS) & (LITERATURE_RANGE[1] >= TESTED_EXPONENTS), 2.0, 1.0
)
TEST_WEIGHTS /= TEST_WEIGHTS.sum()
"""Each exponent of the literature's range counts double: a test keeps its size whatever it weighs,
so it may lean on what is likely."""

EXPONENTS = np.array([0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0])
"""Exponents over which the effect is averaged, in even steps of their logarithm, far beyond the
literature's range on both sides: an interval seldom holds a truth that lies at their end."""

EXPONENT_PRIOR = np.full(len(EXPONENTS), 1.0 / len(EXPONENTS))
"""Each counts alike beforehand. With the literature's range weighed up, intervals of what a count
of drops does held too seldom where the truth lies outside it."""


@dataclass(frozen=True, slots=True)
class ShockExposure:
    """What one device lived through up to some day."""

    drops: int
    """Voided drops and drops without a reading counted: it lived through them too."""
    drops_without_reading: int
    max_peak_g: float | None
    shock_dose: float | None
    """Σ (peak g / 1000)^exponent over its valid drops; 0 when never dropped, None when it was
    dropped and not one reading is trusted."""
    shock_dose_likely: float | None
    """With drops without a reading taken at the middle of their like; None when nothing is."""
    shock_dose_upper: float | None
    """With drops without a reading taken at the largest of their like."""
    largest_velocity_change_m_s: float | None


def shock_exposure(
    histories: Sequence[DeviceHistory], exponent: float, until_day: float | None = None
) -> list[ShockExposure]:
    """What each device lived through up to a day, its shock dose under one exponent.

    Parameters
    ----------
    histories : sequence of DeviceHistory
        The whole study: drops without a reading are judged by their like in all of it.
    exponent : float
        Of the peak g in the dose.
    until_day : float, optional
        Last day counted, days since 1970-01-01; drops of unknown day always count.

    Returns
    -------
    list of ShockExposure
        One a device, in order.
    """
    lived_through = [
        np.ones(len(history.drop_day), dtype=bool)
        if until_day is None
        else ~(np.floor(history.drop_day) > until_day)
        for history in histories
    ]
    return exposure_of(histories, lived_through, exponent)


def exposure_of(
    histories: Sequence[DeviceHistory], lived_through: Sequence[NDArray[np.bool_]], exponent: float
) -> list[ShockExposure]:
    """As ``shock_exposure``, of the drops marked for each device; masks of shape (n_drops,)."""
    peaks = stand_in_peaks(histories)
    exposures = []
    for history, own, (likely, upper) in zip(histories, lived_through, peaks, strict=True):
        read = own & np.isfinite(history.peak_g)
        never = not own.any()
        velocity = history.velocity_change_m_s
        felt = velocity[own & np.isfinite(velocity)] if velocity is not None else np.empty(0)
        exposures.append(
            ShockExposure(
                drops=int(own.sum()),
                drops_without_reading=int((own & ~read).sum()),
                max_peak_g=float(history.peak_g[read].max()) if read.any() else None,
                shock_dose=_dose(history.peak_g[read], exponent) if read.any() or never else None,
                shock_dose_likely=_dose(likely[own], exponent),
                shock_dose_upper=_dose(upper[own], exponent),
                largest_velocity_change_m_s=float(felt.max()) if len(felt) else None,
            )
        )
    return exposures


def log_doses(peaks_g: Sequence[FloatArray], exponents: FloatArray) -> FloatArray:
    """Logarithm of every device's shock dose under every exponent.

    Parameters
    ----------
    peaks_g : sequence of ndarray, each of shape (n_drops,)
        Of each device; NaN counts as no shock.
    exponents : ndarray of shape (n_exponents,)

    Returns
    -------
    ndarray of shape (n_exponents, n_devices)
        −∞ for a device without a shock.
    """
    device = np.repeat(np.arange(len(peaks_g)), [len(own) for own in peaks_g])
    peak = np.concatenate([*peaks_g, np.empty(0)])
    relative = np.where(peak > 0, peak, 0.0) / REFERENCE_PEAK_G
    doses = np.array(
        [np.bincount(device, relative**power, minlength=len(peaks_g)) for power in exponents]
    )
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(doses))


def stand_in_peaks(histories: Sequence[DeviceHistory]) -> list[tuple[FloatArray, FloatArray]]:
    """Peaks of each device with the missing ones filled from their like, middle and largest.

    The like of a drop are the readings of the same height in the same case model: the device's
    own, else any device's; failing that any reading of the height, the device, the study.

    Returns
    -------
    list of (likely, upper)
        Two ndarrays of shape (n_drops,) a device; NaN remains where the study has no reading.
    """
    filled = [(history.peak_g.copy(), history.peak_g.copy()) for history in histories]
    if not any(np.isnan(history.peak_g).any() for history in histories):
        return filled
    readings: dict[tuple[object, ...], list[float]] = {}
    for history in histories:
        for drop, peak in enumerate(history.peak_g):
            if np.isfinite(peak):
                for kind in _kinds(history, drop):
                    readings.setdefault(kind, []).append(float(peak))
    stand_in: dict[tuple[object, ...], tuple[float, float]] = {}
    for history, (likely, upper) in zip(histories, filled, strict=True):
        for drop in np.flatnonzero(np.isnan(history.peak_g)).tolist():
            like = next((kind for kind in _kinds(history, drop) if kind in readings), None)
            if like is None:
                continue
            if like not in stand_in:
                stand_in[like] = float(np.median(readings[like])), max(readings[like])
            likely[drop], upper[drop] = stand_in[like]
    return filled


def _kinds(history: DeviceHistory, drop: int) -> tuple[tuple[object, ...], ...]:
    """Names of the groups a drop is like, the closest first."""
    height = float(history.drop_height_mm[drop])
    at = "unknown" if np.isnan(height) else height
    case_model = history.drop_case_model[drop] if history.drop_case_model else None
    return (
        ("device, height, case", history.device, at, case_model),
        ("height, case", at, case_model),
        ("height", at),
        ("device", history.device),
        ("study",),
    )


def _dose(peak_g: FloatArray, exponent: float) -> float | None:
    """Shock dose of these peaks; None when one of them is unknown."""
    dose = float(((peak_g / REFERENCE_PEAK_G) ** exponent).sum())
    return None if np.isnan(dose) else dose


@dataclass(frozen=True, slots=True)
class LatentStudy:
    """Devices in the order given; ``lives`` and ``entry`` hold the followed ones only."""

    histories: tuple[DeviceHistory, ...]
    follow_ups: tuple[FollowUp, ...]
    peaks_g: tuple[FloatArray, ...]
    """Of the drops each device lived through, missing readings filled as ``missing`` says."""
    dose_known: BoolArray
    """Whether each device's dose can be told, with stand-ins where a reading is missing."""
    followed: BoolArray
    """Whether each device tells something about the time to a later failure."""
    lives: FloatArray
    """(days known to work, days by which failed] since time zero; shape (n_followed, 2)."""
    entry: FloatArray
    """Day of the first look; shape (n_followed,)."""

    @property
    def failures(self) -> int:
        """Followed devices that failed later, controls included."""
        return int(np.isfinite(self.lives[:, 1]).sum())

    def log_dose(self, exponents: FloatArray) -> FloatArray:
        """Of every device, (n_exponents, n_devices); −∞ where never dropped."""
        return log_doses(self.peaks_g, exponents)


def assemble(
    histories: Sequence[DeviceHistory],
    missing: Literal["likely", "no shock", "largest"] = "likely",
) -> LatentStudy:
    """Follow-up and doses of a study.

    Parameters
    ----------
    histories : sequence of DeviceHistory
    missing : {"likely", "no shock", "largest"}
        Peak of a drop without a trusted reading: the middle of its like, none, the largest.

    Returns
    -------
    LatentStudy
    """
    follow_ups = tuple(follow_up(history) for history in histories)
    filled = stand_in_peaks(histories)
    dose_known = np.array(
        [
            not np.isnan(likely[own.lived_through]).any()
            for own, (likely, _) in zip(follow_ups, filled, strict=True)
        ],
        dtype=bool,
    )
    peaks = {
        "likely": [likely for likely, _ in filled],
        "no shock": [history.peak_g for history in histories],
        "largest": [upper for _, upper in filled],
    }[missing]
    followed = dose_known & np.array([own.state in FOLLOWED for own in follow_ups], dtype=bool)
    lives, entry = _times([follow_ups[index] for index in np.flatnonzero(followed)])
    return LatentStudy(
        histories=tuple(histories),
        follow_ups=follow_ups,
        peaks_g=tuple(peak[one.lived_through] for peak, one in zip(peaks, follow_ups, strict=True)),
        dose_known=dose_known,
        followed=followed,
        lives=lives,
        entry=entry,
    )


def _times(followed: Sequence[FollowUp]) -> tuple[FloatArray, FloatArray]:
    """Lives (n_followed, 2) and first looks (n_followed,), in days since time zero."""
    lives = [(one.after_days, math.inf if one.by_days is None else one.by_days) for one in followed]
    return (
        np.array(lives, dtype=float).reshape(-1, 2),
        np.array([one.entry_days for one in followed], dtype=float),
    )


def on_one_clock(study: LatentStudy) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Who can be compared as dropped or not, and when each failed, on a clock that both share.

    A control has no drop to count from. Here it counts from the day on which the middle one of
    the dropped devices had its last drop, and is treated as if it had been dropped then: what was
    seen of it before that day is left out, as it is of the dropped devices, and so is a control
    that failed before its first look since. Whether a device is compared thus hangs on the days
    of its looks, never on having been dropped.

    Parameters
    ----------
    study : LatentStudy

    Returns
    -------
    control : ndarray of bool, shape (n_compared,)
    lives : ndarray of shape (n_compared, 2)
    entry : ndarray of shape (n_compared,)
        As in ``LatentStudy``.
    """
    zero_days = sorted(
        own.zero_day for own in study.follow_ups if not own.control and own.zero_day is not None
    )
    middle = zero_days[(len(zero_days) - 1) // 2] if zero_days else None
    compared = [
        own
        for own, known in zip(
            (
                follow_up(history, middle) if own.control else own
                for history, own in zip(study.histories, study.follow_ups, strict=True)
            ),
            study.dose_known,
            strict=True,
        )
        if known and own.state in FOLLOWED
    ]
    return np.array([own.control for own in compared], dtype=bool), *_times(compared)


def dropped_alone(study: LatentStudy) -> LatentStudy:
    """The study with its controls no longer followed."""
    dropped = np.array([not own.control for own in study.follow_ups], dtype=bool)
    kept = dropped[study.followed]
    return replace(
        study,
        followed=study.followed & dropped,
        lives=study.lives[kept],
        entry=study.entry[kept],
    )
