"""How peak g goes with temperature and with a long rest before the drop: what-ifs only.

Elastomers stiffen in the cold and recover with rest. Nothing here is ever applied to a level.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.record.basis import counted
from durability.wear.fitting import fit_wear
from durability.wear.results import CovariateEffect

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import DropHistory, FloatArray
    from durability.wear.results import WearFit

LEVEL = 0.9
"""Content of the intervals."""
LONG_REST_H = 6.0
"""A rest longer than this is a long one: overnight."""
_WEAR_TERMS = 3
"""Each series' own level, slope and curvature over drops are taken out first."""
_FEWEST_DROPS = _WEAR_TERMS + 3


def covariate_effects(
    histories: Sequence[DropHistory], fits: Sequence[WearFit] | None = None
) -> list[CovariateEffect]:
    """Effect on peak g of 10 °C and of a long rest before the drop.

    Within each series, log peak g and both covariates are cleared of level, slope and curvature
    over drops (Frisch & Waugh 1933); readings in doubt are left out. With several series the
    interval rests on how their slopes differ, else on the scatter of the readings.

    Parameters
    ----------
    histories : sequence of DropHistory
        With ``temperature_c`` or ``dropped_at_s`` where they were recorded.
    fits : sequence of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already.

    Returns
    -------
    list of CovariateEffect
        For "temperature", then "long rest"; without numbers where the records can't tell.
    """
    doubted = [fit.doubted_drops for fit in (fit_wear(histories) if fits is None else fits)]
    usable = [
        (history, ~np.isin(history.drop_number, names))
        for history, names in zip(histories, doubted, strict=True)
    ]
    temperature = [
        (history, kept & np.isfinite(history.temperature_c), history.temperature_c / 10.0)
        for history, kept in usable
        if history.temperature_c is not None
    ]
    rest = []
    for history, kept in usable:
        if history.dropped_at_s is None:
            continue
        gap_h = np.diff(history.dropped_at_s, prepend=np.nan) / 3600.0
        # Rest is known only between drops that follow each other.
        follows = np.diff(history.drop_number, prepend=-1) == 1
        rested = (gap_h >= LONG_REST_H).astype(np.float64)
        rest.append((history, kept & np.isfinite(gap_h) & follows, rested))
    return [
        _effect("temperature", "10 °C warmer", temperature),
        _effect("long rest", f"first drop after {LONG_REST_H:.0f} h of rest or more", rest),
    ]


def _effect(
    covariate: Literal["temperature", "long rest"],
    per: str,
    records: Sequence[tuple[DropHistory, NDArray[np.bool_], FloatArray]],
) -> CovariateEffect:
    from scipy.stats import t

    crosses, squares, residuals, drops = [], [], [], 0
    for history, kept, value in records:
        if kept.sum() < _FEWEST_DROPS:
            continue
        number = history.drop_number[kept].astype(np.float64)
        wear = np.polynomial.legendre.legvander(_to_unit(number), _WEAR_TERMS - 1)
        x, y = (
            column - wear @ np.linalg.lstsq(wear, column, rcond=None)[0]
            for column in (value[kept], np.log(history.peak_g[kept]))
        )
        if x @ x < 1e-6 * number.size:
            continue
        crosses.append(x @ y)
        squares.append(x @ x)
        residuals.append((y @ y, number.size - _WEAR_TERMS))
        drops += number.size
    series = len(crosses)
    if series == 0:
        reason = f"{covariate} not recorded, or never varied within a series of 6 drops or more"
        return CovariateEffect(covariate, per, 0, 0, None, None, None, reason)
    cross, square = np.array(crosses), np.array(squares)
    slope = cross.sum() / square.sum()
    if series > 1:
        # Sandwich over series with its small-sample factor (Liang & Zeger 1986).
        variance = ((cross - slope * square) ** 2).sum() / square.sum() ** 2
        variance *= series / (series - 1)
        freedom = series - 1
        basis = f"{counted(series, 'series', 'series')}, interval from how they differ"
    else:
        ((total, freedoms_left),) = residuals
        freedom = freedoms_left - 1
        variance = (total - slope * cross[0]) / freedom / square[0]
        basis = "1 series, interval from its scatter"
    half = float(t.ppf(0.5 + 0.5 * LEVEL, freedom)) * variance**0.5
    effect, lower, upper = (
        100.0 * float(np.expm1(value)) for value in (slope, slope - half, slope + half)
    )
    return CovariateEffect(
        covariate, per, series, drops, effect, lower, upper, f"{basis}, {counted(drops, 'drop')}"
    )


def _to_unit(number: FloatArray) -> FloatArray:
    scaled = 2.0 * (number - number[0]) / (number[-1] - number[0]) - 1.0
    return np.asarray(scaled, dtype=np.float64)
