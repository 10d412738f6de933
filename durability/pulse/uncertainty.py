"""How well noise, baseline and sampling let a pulse be known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit
from durability.pulse.low_pass import squared_gain
from durability.record.units import STANDARD_GRAVITY_M_S2

if TYPE_CHECKING:
    from durability.pulse.edges import Pulse
    from durability.pulse.impact import Quiet
    from durability.pulse.top import Top
    from durability.record.records import FloatArray, LowPass


def standard_uncertainties(
    filtered_g: FloatArray,
    pulse: Pulse,
    baseline: Quiet,
    step_g: float,
    sample_rate_hz: float,
    filter_: LowPass,
    window: tuple[float, float],
    top: Top | None,
) -> tuple[float, float, float]:
    """Standard uncertainty of peak, g, duration, ms, and velocity change, m/s.

    From white noise through the filter: that of the ``top``, or, where the peak is the largest
    sample, the largest of it, which that sample picks where the top is flat; the scatter and the
    wander of the baseline; the recorder's step where the noise is too small to average it out; the
    peak that may lie between two samples, and an edge too; what a default filter may do unnoticed
    to the duration; and a tail behind the ``window`` of the integral, as high as the record there
    and as long as the window reaches beyond the pulse. What a filter that was asked for does is no
    uncertainty: it is part of what is measured. Bounds are taken as rectangular. First-order
    propagation (JCGM 100:2008, 5.1.2).
    """
    rectangular = 1.0 / np.sqrt(3.0)
    gain = np.ones(1)
    if filter_.cutoff_hz is not None:
        gain = squared_gain(4096, sample_rate_hz, filter_.cutoff_hz)
    noise_g = float(np.sqrt(np.mean(gain**2))) * baseline.jitter_g
    steps_g = 0.5 * step_g * rectangular if baseline.noise_g < 0.5 * step_g else 0.0
    scatter_g = baseline.noise_g / np.sqrt(baseline.samples)
    level_g = float(np.sqrt(scatter_g**2 + baseline.wander_g**2 + steps_g**2))
    inside = filtered_g[int(pulse.rise) : int(np.ceil(pulse.fall)) + 1]
    if top is not None:
        top_g = top.uncertainty_g
    else:
        at_top = np.count_nonzero(inside > pulse.peak_g - 2.0 * noise_g) * float(np.mean(gain**2))
        picked_g = noise_g * float(np.sqrt(2.0 * np.log(max(at_top, 1.0))))
        neighbours = filtered_g[[max(pulse.peak - 1, 0), min(pulse.peak + 1, filtered_g.size - 1)]]
        between_g = pulse.peak_g - float(neighbours.max())
        top_g = float(np.sqrt(noise_g**2 + (picked_g**2 + between_g**2) / 3.0))
    shifted = 0.0
    if filter_.derived:
        shifted = limit.DURATION_SHIFT_ALLOWED * pulse.duration * rectangular
    peak_g = float(np.sqrt(top_g**2 + level_g**2 + steps_g**2))

    slopes = np.array([pulse.rise_slope, pulse.fall_slope])
    with np.errstate(divide="ignore"):
        edges = np.sqrt(np.sum((noise_g / slopes) ** 2))
        common = (level_g + limit.PULSE_EDGE_FRACTION * peak_g) * np.sum(1.0 / slopes)
    jump_g = float(np.abs(np.diff(inside)).max(initial=0.0))
    # An edge that falls within one sample is known to that sample; a slow one much better.
    within = jump_g / pulse.peak_g / np.sqrt(12.0)
    duration = float(np.sqrt(edges**2 + common**2 + within**2 + shifted**2))
    length = window[1] - window[0]
    behind_g = max(float(filtered_g[min(round(window[1]), filtered_g.size - 1)]), 0.0)
    tail = rectangular * behind_g * limit.INTEGRATE_AFTER_DURATIONS * pulse.duration
    white = baseline.jitter_g**2 * length
    velocity = float(np.sqrt(white + (level_g * length) ** 2 + jump_g**2 / 12.0 + tail**2))
    return (
        peak_g,
        1000.0 * duration / sample_rate_hz,
        velocity / sample_rate_hz * STANDARD_GRAVITY_M_S2,
    )
