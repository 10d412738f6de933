"""The level to come of one series, as a fan of plausible paths."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

from durability.wear.fitting import log_level
from durability.wear.forecast import DISCREPANCY, later_onsets, level_crossings
from durability.wear.results import LevelFan

if TYPE_CHECKING:
    from durability.wear.results import WearFit

_QUICKEST = 1.6
"""Factor by which wear to come may run ahead of its shape: four times ``DISCREPANCY``."""
INNER = 0.5


def level_fan(
    fit: WearFit,
    *,
    farthest: int,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    level: float = 0.9,
) -> LevelFan:
    """Where the level will lie, drop by drop, from the last drop on.

    The paths are those of the forecast: its draws, climbs still to come among them, drops ahead
    stretched by the same discrepancy. While the level has not reached the limit only paths count
    that have not either.

    Parameters
    ----------
    fit : WearFit
        With draws.
    farthest : int
        Last drop of the fan.
    limit_g, limit_rise, horizon
        As in ``forecast``.
    level : float
        Content of the outer band.

    Returns
    -------
    LevelFan
        Empty when the fit has no draws, or the last drop lies at or beyond ``farthest``.
    """
    last = fit.last_drop_number
    drops = np.arange(last, max(farthest, last) + 1)
    if fit.draws is None or drops.size < 2:
        nothing = np.empty(0)
        return LevelFan(
            nothing.astype(np.int64), nothing, nothing, nothing, nothing, nothing, level
        )
    reach = last + math.ceil((drops[-1] - last) * _QUICKEST)
    numbers = np.arange(max(last, 1), reach + 1)
    paths = log_level(fit.draws, numbers)
    rng = np.random.default_rng(crc32(fit.series.encode()) + 1)
    ease = np.exp(DISCREPANCY * rng.standard_normal(len(paths)))
    crossing = level_crossings(fit, limit_g=limit_g, limit_rise=limit_rise, horizon=horizon)
    chosen, onset, rate = later_onsets(fit, crossing)
    paths[chosen] += rate[:, None] * np.maximum(0.0, numbers - onset[:, None])
    kept = crossing > last
    if kept.mean() < 0.5:  # by the middle path it is there already
        kept[:] = True
    at = np.rint((drops - last) / ease[kept, None]).astype(np.int64)
    ahead = np.take_along_axis(paths[kept], np.minimum(at, numbers.size - 1), axis=1)
    outside = (1.0 - level) / 2.0
    shares = (outside, (1.0 - INNER) / 2.0, 0.5, (1.0 + INNER) / 2.0, 1.0 - outside)
    with np.errstate(over="ignore"):
        bands = np.exp(np.quantile(ahead, shares, axis=0, method="inverted_cdf"))
    lower, inner_lower, median, inner_upper, upper = bands
    return LevelFan(drops, lower, inner_lower, median, inner_upper, upper, level)
