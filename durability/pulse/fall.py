"""How long a drop fell, where its record holds the release."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.pulse.edges import Pulse
    from durability.pulse.impact import Event
    from durability.record.records import FloatArray


def find_fall(
    record_g: FloatArray, event: Event, pulse: Pulse, jitter_g: float, sample_rate_hz: float
) -> tuple[float, float] | None:
    """Time from release to impact, and its standard uncertainty, both in s.

    A DC-coupled sensor reads 1 g while the drop is held and 0 g while it falls: the release is a
    step of 1 g, against the sense of the impact, since both the hand and the floor push upwards.
    Nothing is told unless all of that is seen: a step of that size and sense, level before and
    after it, and sharp enough in time. Anything else (an AC-coupled or a coarse record, a
    tumbling case, one that begins in the fall, a rail with friction) gives no fall time.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read.
    event : Event
        The first impact.
    pulse : Pulse
        Of it; the fall ends at its 10 % edge.
    jitter_g : float
        Noise from sample to sample.
    sample_rate_hz : float
        Samples per second.

    Returns
    -------
    tuple of float, or None
        The edge of the pulse may lag the contact by up to 10 % of its duration: that is in the
        uncertainty.
    """
    grain = max(
        round(limit.FALL_GRAIN_S * sample_rate_hz),
        int(np.ceil((jitter_g / limit.FALL_NOISE_G) ** 2)),
    )
    # The foot of the pulse is no fall.
    stop = event.onset - event.width
    count = stop // grain
    grain_s = grain / sample_rate_hz
    least = max(int(np.ceil(limit.FALL_LEAST_S / grain_s)), 8)
    if count < 2 * least:
        return None
    first = stop - count * grain
    level_g = event.polarity * record_g[first:stop].reshape(count, grain).mean(axis=1)
    release = _split(level_g)
    held, falling = level_g[:release], level_g[release:]
    if min(held.size, falling.size) < least:
        return None
    held_g, falling_g = float(np.median(held)), float(np.median(falling))
    if abs(held_g - falling_g - limit.GRAVITY_G) > limit.FALL_STEP_TOLERANCE_G:
        return None
    for part in (held, falling):
        quarter = part.size // 4
        ends = abs(float(np.median(part[:quarter]) - np.median(part[-quarter:])))
        scatter = 1.4826 * float(np.median(np.abs(part - np.median(part))))
        if max(ends, scatter) > limit.FALL_STEP_TOLERANCE_G:
            return None
    # Hook and ringing may cross the half-way level more than once: the release lies among those.
    is_held = level_g > 0.5 * (held_g + falling_g)
    crossings = np.flatnonzero(is_held[1:] != is_held[:-1]) + 1
    early, late = float(crossings[0]), float(crossings[-1])
    released_s = (first / sample_rate_hz) + 0.5 * (early + late) * grain_s
    fall_s = pulse.rise / sample_rate_hz - released_s
    within_s = 0.5 * (late - early + 1.0) * grain_s
    lag_s = 0.5 * limit.PULSE_EDGE_FRACTION * pulse.duration / sample_rate_hz
    uncertainty_s = float(np.hypot(within_s, lag_s)) / np.sqrt(3.0)
    if uncertainty_s > limit.FALL_UNCERTAINTY_ALLOWED * fall_s:
        return None
    return fall_s, float(uncertainty_s)


def _split(level_g: FloatArray) -> int:
    """Where two constant levels fit best: least squares over every split."""
    count = level_g.size
    sums = np.cumsum(level_g)[:-1]
    before = np.arange(1, count)
    mean = float(level_g.mean())
    between = (sums - before * mean) ** 2 / (before * (count - before))
    return int(np.argmax(between)) + 1
