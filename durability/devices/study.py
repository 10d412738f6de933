"""A follow-up study as arrays: who was followed, when each failed, what each lived through."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.devices.exposure import log_doses, stand_in_peaks
from durability.devices.follow_up import FOLLOWED, FollowUp, follow_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DeviceHistory, FloatArray

    BoolArray = NDArray[np.bool_]


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
    own = [follow_ups[index] for index in np.flatnonzero(followed)]
    return LatentStudy(
        histories=tuple(histories),
        follow_ups=follow_ups,
        peaks_g=tuple(peak[one.lived_through] for peak, one in zip(peaks, follow_ups, strict=True)),
        dose_known=dose_known,
        followed=followed,
        lives=np.array(
            [(one.after_days, math.inf if one.by_days is None else one.by_days) for one in own],
            dtype=float,
        ).reshape(-1, 2),
        entry=np.array([one.entry_days for one in own], dtype=float),
    )


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
