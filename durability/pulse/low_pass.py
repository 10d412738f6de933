"""What is taken off a record: what lies above a filter's class, and mains hum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.pulse.impact import Event
    from durability.record.records import FloatArray

ChannelClassStandard = Literal["SAE J211-1", "ISO 6487"]

CLASS_TO_CUTOFF: dict[ChannelClassStandard, float] = {
    "SAE J211-1": 2.0775,
    "ISO 6487": 1.25 / 0.6,
}
"""Cut-off of each pass, Hz, over channel frequency class. SAE J211-1, Appendix C: ω_d = 2π · 2.0775
· CFC. ISO 6487: ω_d = 2π · 1.25 · CFC / 0.6 (factor from memory)."""

PADDING = "ends continued by point reflection"

_MEMORY_PERIODS = 6.5
"""Periods of the cut-off after which the filter has forgotten: exp(−√2 π · 6.5) = 3e-13."""


def low_pass(acceleration_g: FloatArray, sample_rate_hz: float, cutoff_hz: float) -> FloatArray:
    """Acceleration after a two-pole Butterworth filter run forward and backward.

    The two passes of the bilinear-transformed filter multiply the spectrum by
    1 / (1 + (tan(π f T) / tan(π f_c T))⁴), so that is what is done, over a record continued at both
    ends by point reflection for longer than the filter remembers. It equals the recursion of SAE
    J211-1, Appendix C, with ω_a = tan(π f_c T), and needs no start-up.

    Parameters
    ----------
    acceleration_g : ndarray of shape (n_samples,)
        Evenly spaced record, at least two samples.
    sample_rate_hz : float
        Samples per second.
    cutoff_hz : float
        Frequency at which each pass takes off 3 dB (both: 6 dB; 3 dB in all at 0.802 of it), below
        half the sample rate.

    Returns
    -------
    ndarray of shape (n_samples,)
    """
    return next(low_passes(acceleration_g, sample_rate_hz, (cutoff_hz,)))


def low_passes(
    acceleration_g: FloatArray, sample_rate_hz: float, cutoffs_hz: Sequence[float]
) -> Iterator[FloatArray]:
    """The same for one cut-off after another, the lowest first: it remembers longest."""
    samples = acceleration_g.size
    memory = int(np.ceil(_MEMORY_PERIODS * sample_rate_hz / cutoffs_hz[0]))
    # A length of few small prime factors keeps the transform fast; the surplus is padding too.
    length = samples + 2 * memory
    grain = 1 << max(length.bit_length() - 4, 1)
    surplus = -length % grain
    padded = np.pad(acceleration_g, (memory, memory + surplus), mode="reflect", reflect_type="odd")
    spectrum = np.fft.rfft(padded)
    for cutoff_hz in cutoffs_hz:
        passed = spectrum * squared_gain(padded.size, sample_rate_hz, cutoff_hz)
        yield np.fft.irfft(passed, padded.size)[memory : memory + samples]


def squared_gain(length: int, sample_rate_hz: float, cutoff_hz: float) -> FloatArray:
    """Gain of both passes at the frequencies of a real transform of ``length`` samples."""
    ratio = _warped(length) / np.tan(np.pi * cutoff_hz / sample_rate_hz)
    gain: FloatArray = 1.0 / (1.0 + np.square(np.square(ratio)))
    return gain


@lru_cache(maxsize=8)
def _warped(length: int) -> FloatArray:
    """Tangent of half the angular frequency a sample; records of one recorder are of one length."""
    warped: FloatArray = np.tan(np.pi * np.minimum(np.fft.rfftfreq(length), 0.5 - 1e-9))
    warped.flags.writeable = False
    return warped


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


@dataclass(frozen=True, slots=True)
class _Fit:
    """A robust fit of level, drift, release and sine to the quiet blocks."""

    frequency_hz: float
    steady: FloatArray
    """Columns of what is no sine."""
    weights: FloatArray
    sine: FloatArray
    """Factors of sine and cosine."""
    left: float
    """Weighted sum of squares that the fit leaves."""


def find_hum(record_g: FloatArray, sample_rate_hz: float, event: Event) -> Hum | None:
    """The mains hum of a record, or None where none is beyond doubt.

    A sine of 50 or 60 Hz is fitted to what lies before the impact and well after it, together with
    a level on either side, a drift and the step of the release; blocks that don't fit, as later
    impacts, weigh little (Tukey's biweight). It counts as hum when its amplitude is known, so that
    noise or a drift can't pass for it, and when it leaves less than half of the variance, of the
    whole and of the stretch before the impact alone: what begins with the impact is motion.

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
    middle_s: FloatArray = (np.arange(blocks, dtype=np.float64) + 0.5) * (size / sample_rate_hz)
    before = middle_s < (event.onset - event.width - size) / sample_rate_hz
    after = middle_s > (event.stop + limit.HUM_FREE_OF_RINGING * event.width) / sample_rate_hz
    lead_s = float(middle_s[before].max(initial=0.0))
    if lead_s < limit.MIN_HUM_LEAD_S:
        return None
    quiet = before | after
    t, early = middle_s[quiet], before[quiet]
    y = record_g[: blocks * size].reshape(blocks, size).mean(axis=1)[quiet]
    least_g = limit.MIN_HUM_FRACTION * abs(float(record_g[event.peak]) - float(np.median(y)))
    best = _best_fit(t, y, early, lead_s, least_g)
    if best is None or _by_chance(best, t) > limit.HUM_BY_CHANCE:
        return None
    rest = y - _sines(t, best.frequency_hz) @ best.sine
    for part in (np.ones(t.size, dtype=bool), early):
        steady, weights = best.steady[part], best.weights[part]
        if _left_over(steady, weights, rest[part]) > limit.HUM_LEAVES_AT_MOST * _left_over(
            steady, weights, y[part]
        ):
            return None
    # A mean over a block of a sine is a little less than its middle.
    sine = best.sine / np.sinc(best.frequency_hz * size / sample_rate_hz)
    amplitude_g = float(np.hypot(*sine))
    if amplitude_g < least_g:
        return None
    instants: FloatArray = np.arange(record_g.size, dtype=np.float64) / sample_rate_hz
    return Hum(best.frequency_hz, amplitude_g, _sines(instants, best.frequency_hz) @ sine)


def _best_fit(
    t: FloatArray, y: FloatArray, early: np.ndarray, lead_s: float, least_g: float
) -> _Fit | None:
    """The frequency and the moment of release that leave least; None when no sine is large."""
    levels = [early, ~early] if not early.all() else [early]
    floor = np.column_stack([*levels, t]).astype(np.float64)
    # Once both are rid of levels and drift, what is left of the sines is all there is to fit.
    basis = np.linalg.qr(floor)[0]
    swing = y - basis @ (basis.T @ y)
    fits = []
    for frequency_hz in limit.MAINS_HZ:
        sines = _sines(t, frequency_hz)
        free = sines - basis @ (basis.T @ sines)
        if np.hypot(*np.linalg.lstsq(free, swing)[0]) < least_g:
            continue
        for let_go in _LET_GO_AT:
            held = (t < let_go * lead_s).astype(np.float64)[:, None]
            steady = np.hstack([floor, held]) if let_go > 0.0 else floor
            columns = np.hstack([steady, sines])
            weights, found = _robust_fit(columns, y)
            left = float(np.sum(weights * (y - columns @ found) ** 2))
            fits.append(_Fit(frequency_hz, steady, weights, found[-2:], left))
    return min(fits, key=lambda fit: fit.left, default=None)


def _by_chance(fit: _Fit, t: FloatArray) -> float:
    """Chance of so large an amplitude, in the direction in which it is known worst, without hum.

    Two squares over two, against a scatter of n degrees of freedom, exceed f with a chance of
    (1 + 2 f / n)^(−n / 2) (the F distribution with 2 and n). Where so short a record can't tell a
    sine from a drift, the worst direction is far worse than the best.
    """
    columns = np.hstack([fit.steady, _sines(t, fit.frequency_hz)])
    freedom = float(fit.weights.sum()) - columns.shape[1]
    if freedom < 1.0:
        return 1.0
    inverse = np.linalg.pinv((columns * fit.weights[:, None]).T @ columns)
    variance = fit.left / freedom * float(np.linalg.eigvalsh(inverse[-2:, -2:])[-1])
    excess = float(np.sum(fit.sine**2)) / max(variance, np.finfo(float).tiny)
    return float((1.0 + excess / freedom) ** (-0.5 * freedom))


def _sines(t: FloatArray, frequency_hz: float) -> FloatArray:
    phase = 2.0 * np.pi * frequency_hz * t
    return np.column_stack([np.sin(phase), np.cos(phase)])


def _robust_fit(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights and coefficients of a fit on which stray values weigh little."""
    weights: FloatArray = np.ones(y.size)
    found: FloatArray = np.zeros(columns.shape[1])
    for _ in range(5):
        found = _weighted_fit(columns, weights, y)
        off = np.abs(y - columns @ found)
        # Tukey's biweight keeps 95 % of the efficiency at 4.685 standard deviations.
        scale = 4.685 * 1.4826 * float(np.median(off)) + 1e-12 * float(np.abs(y).max(initial=1.0))
        weights = np.clip(1.0 - (off / scale) ** 2, 0.0, None) ** 2
    return weights, found


def _left_over(columns: FloatArray, weights: FloatArray, y: FloatArray) -> float:
    return float(np.sum(weights * (y - columns @ _weighted_fit(columns, weights, y)) ** 2))


def _weighted_fit(columns: FloatArray, weights: FloatArray, y: FloatArray) -> FloatArray:
    root = np.sqrt(weights)
    return np.asarray(np.linalg.lstsq(columns * root[:, None], y * root)[0], dtype=np.float64)
