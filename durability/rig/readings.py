"""Reference readings made fit for use: checked, logged, lone odd ones held back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

RANGE_MEDIAN = 0.953873
"""Median range of two normal readings, √2 times the upper quartile of the normal distribution."""

ODD = 3.5
"""A reading this many standard deviations off the median of its neighbours is held back to
`HELD_AT`: one bad trigger is no drift."""

HELD_AT = 2.0


def checked_readings(when: FloatArray, peak_g: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Times and log peaks, or the reason why they can't be used."""
    when = np.asarray(when, dtype=float)
    if when.shape != peak_g.shape or when.ndim != 1:
        raise UnusableCall("reference drops: one time or number is needed for each peak g")
    if not np.isfinite(when).all() or (np.diff(when) < 0).any():
        raise UnusableCall("reference drops: times or numbers must ascend")
    if not (np.isfinite(peak_g) & (peak_g > 0)).all():
        raise UnusableCall("reference drops: every peak g must lie above 0")
    return when, np.log(peak_g)


def odd_readings_held_back(log_peak: FloatArray) -> tuple[FloatArray, IntArray]:
    """Readings with lone odd ones drawn in towards their five neighbours, and which these are.

    The median of five keeps steps and ramps; the scale is the median moving range.
    """
    if len(log_peak) < 5:
        return log_peak, np.array([], dtype=np.int64)
    scale = float(np.median(np.abs(np.diff(log_peak)))) / RANGE_MEDIAN
    windows = np.lib.stride_tricks.sliding_window_view(log_peak, 5)
    local = np.pad(np.median(windows, axis=1), 2, mode="edge")
    off = log_peak - local
    odd = np.abs(off) > ODD * scale if scale > 0 else np.zeros(len(log_peak), dtype=bool)
    held = np.where(odd, local + np.sign(off) * HELD_AT * scale, log_peak)
    return held, np.flatnonzero(odd)
