"""Probability of a later failure against the shock dose, as a curve with its band."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.link_model import ShockLinkModel
from durability.devices.results import DoseCurve
from durability.devices.study import assemble
from durability.record.basis import MIN_DEVICES_FOR_LINK

if TYPE_CHECKING:
    from durability.record.records import DeviceHistory

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
