"""Mains hum: found where nothing happens, and taken off the whole record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.pulse.impact import Event
    from durability.records import FloatArray

_BLOCKS_PER_S = 1500.0
"""Means over so short a stretch leave mains hum as it is, and little noise."""
_LET_GO_AT = np.linspace(0.0, 0.9, 13)
"""Where, of the stretch before the impact, the release may step a DC-coupled sensor by 1 g."""


@dataclass(frozen=True, slots=True)
class Hum:
    """A sine through the whole record."""

    frequency_hz: float
    amplitude_g: float
    record_g: FloatArray
    """Its value at each sample."""


def find_hum(record_g: FloatArray, sample_rate_hz: float, event: Event) -> Hum | None:
    """The mains hum of a record, or None where none is beyond doubt.

    A sine of 50 or 60 Hz is fitted to what lies before the impact and well after it, together with
    a level on either side, a drift and the step of the release; blocks that don't fit, as later
    impacts, weigh little (Tukey's biweight). It counts as hum when it leaves less than half of
    the variance, of the whole and of the stretch before the impact alone: what begins with the
    impact is motion.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read.
    sample_rate_hz : float
        Samples per second.
    event : Event
        The first impact.
    """
    size = max(int(sample_rate_hz / _BLOCKS_PER_S), 1)
    blocks = record_g.size // size
    middle_s = (np.arange(blocks) + 0.5) * size / sample_rate_hz
    level_g = record_g[: blocks * size].reshape(blocks, size).mean(axis=1)
    before = middle_s < (event.onset - event.width - size) / sample_rate_hz
    after = middle_s > (event.stop + limit.HUM_FREE_OF_RINGING * event.width) / sample_rate_hz
    quiet = before | after
    lead_s = float(middle_s[before].max(initial=0.0))
    if lead_s < limit.MIN_HUM_LEAD_S or not np.any(quiet):
        return None
    t, y, early = middle_s[quiet], level_g[quiet], before[quiet]
    floor = np.column_stack([early, ~early, t]).astype(np.float64)
    if not np.any(after):
        floor = floor[:, [0, 2]]
    least_g = limit.MIN_HUM_FRACTION * abs(float(record_g[event.peak]) - float(np.median(y)))
    best: tuple[float, float, FloatArray, FloatArray, FloatArray] | None = None
    for frequency_hz in limit.MAINS_HZ:
        sines = _sines(t, frequency_hz)
        plain = np.linalg.lstsq(np.hstack([floor, sines]), y)[0]
        if np.hypot(plain[-2], plain[-1]) < least_g:
            continue
        for let_go in _LET_GO_AT:
            held = (t < let_go * lead_s).astype(np.float64)[:, None]
            steady = np.hstack([floor, held]) if let_go > 0.0 else floor
            weights, found = _robust_fit(np.hstack([steady, sines]), y)
            left = float(np.sum(weights * (y - np.hstack([steady, sines]) @ found) ** 2))
            if best is None or left < best[0] * (1.0 - 1e-9):
                best = (left, frequency_hz, steady, weights, found)
    if best is None:
        return None
    left, frequency_hz, steady, weights, found = best
    hum = _sines(t, frequency_hz) @ found[-2:]
    amplitude_g = float(np.hypot(found[-2], found[-1]))
    for part in (np.ones(t.size, dtype=bool), early):
        w = weights[part]
        without, with_hum = (_left_over(steady[part], w, z[part]) for z in (y, y - hum))
        if with_hum > limit.HUM_LEAVES_AT_MOST * without:
            return None
    if amplitude_g < least_g:
        return None
    instants = np.arange(record_g.size) / sample_rate_hz
    return Hum(frequency_hz, amplitude_g, _sines(instants, frequency_hz) @ found[-2:])


def _sines(t: FloatArray, frequency_hz: float) -> FloatArray:
    phase = 2.0 * np.pi * frequency_hz * t
    return np.column_stack([np.sin(phase), np.cos(phase)])


def _robust_fit(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights and coefficients of a fit on which stray values weigh little."""
    weights = np.ones(y.size)
    found = np.zeros(columns.shape[1])
    for _ in range(5):
        root = np.sqrt(weights)
        found = np.linalg.lstsq(columns * root[:, None], y * root)[0]
        off = np.abs(y - columns @ found)
        scale = 4.685 * 1.4826 * float(np.median(off)) + 1e-12 * float(np.abs(y).max(initial=1.0))
        weights = np.clip(1.0 - (off / scale) ** 2, 0.0, None) ** 2
    return weights, found


def _left_over(columns: FloatArray, weights: FloatArray, y: FloatArray) -> float:
    root = np.sqrt(weights)
    found = np.linalg.lstsq(columns * root[:, None], y * root)[0]
    return float(np.sum(weights * (y - columns @ found) ** 2))
