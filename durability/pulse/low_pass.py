"""Phaseless low-pass filters: two-pole Butterworth, once forward and once backward."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
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
    samples = acceleration_g.size
    memory = int(np.ceil(_MEMORY_PERIODS * sample_rate_hz / cutoff_hz))
    # A length of few small prime factors keeps the transform fast; the surplus is padding too.
    length = samples + 2 * memory
    grain = 1 << max(length.bit_length() - 4, 1)
    surplus = -length % grain
    padded = np.pad(acceleration_g, (memory, memory + surplus), mode="reflect", reflect_type="odd")
    spectrum = np.fft.rfft(padded) * squared_gain(padded.size, sample_rate_hz, cutoff_hz)
    return np.fft.irfft(spectrum, padded.size)[memory : memory + samples]


def squared_gain(length: int, sample_rate_hz: float, cutoff_hz: float) -> FloatArray:
    """Gain of both passes at the frequencies of a real transform of ``length`` samples."""
    warped = np.tan(np.pi * np.minimum(np.fft.rfftfreq(length), 0.5 - 1e-9))
    gain: FloatArray = 1.0 / (1.0 + (warped / np.tan(np.pi * cutoff_hz / sample_rate_hz)) ** 4)
    return gain
