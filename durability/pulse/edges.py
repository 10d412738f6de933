"""Peak and edges of one pulse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.pulse.impact import Event
    from durability.records import FloatArray


@dataclass(frozen=True, slots=True)
class Pulse:
    """Peak and edges of one pulse; instants in samples, fractions interpolated."""

    peak_g: float
    peak: int
    rise: float
    fall: float
    rise_slope: float
    """Of the flank at its edge level, g per sample, positive; 0 where the record lacks the edge."""
    fall_slope: float

    @property
    def is_whole(self) -> bool:
        """Whether the record holds both edges."""
        return self.rise_slope > 0.0 and self.fall_slope > 0.0

    @property
    def duration(self) -> float:
        """Samples between the edges."""
        return self.fall - self.rise


def pulse_around(filtered_g: FloatArray, event: Event, noise_g: float | None = None) -> Pulse:
    """Peak within an event, and the instants between which it stays above its edge level.

    Parameters
    ----------
    filtered_g : ndarray of shape (n_samples,)
        Filtered or not, the impact pointing up.
    event : Event
        Where to look.
    noise_g : float, optional
        Standard deviation of the noise that is left; the peak is then that of the curve through
        the samples, not the largest of them.
    """
    peak = event.start + int(np.argmax(filtered_g[event.start : event.stop]))
    peak_g = float(filtered_g[peak])
    if noise_g is not None:
        peak_g = _top(filtered_g, peak, noise_g)
    edge_g = limit.PULSE_EDGE_FRACTION * peak_g
    fall, fall_slope = _edge(filtered_g[peak:], edge_g)
    rise, rise_slope = _edge(filtered_g[peak::-1], edge_g)
    return Pulse(
        peak_g=peak_g,
        peak=peak,
        rise=peak - rise,
        fall=peak + fall,
        rise_slope=rise_slope,
        fall_slope=fall_slope,
    )


def _top(filtered_g: FloatArray, peak: int, noise_g: float) -> float:
    """Height of the curve through the samples about the largest.

    The largest of many samples on a flat top stands out by its noise; between two on a sharp one
    the top is missed. A parabola is laid through all samples in a row that noise could make the
    largest, and at least through the neighbours of a round top. Where the record falls off within
    one step, the edge lies half a step on.
    """
    largest = float(filtered_g[peak])
    level = largest - limit.TOP_SIGMAS * noise_g
    low = np.flatnonzero(filtered_g[:peak] < level)
    first = int(low[-1]) + 1 if low.size else 0
    low = np.flatnonzero(filtered_g[peak:] < level)
    last = peak + int(low[0]) - 1 if low.size else filtered_g.size - 1
    near = limit.ROUND_TOP_FRACTION * largest
    if first == peak > 0 and filtered_g[peak - 1] >= near:
        first -= 1
    if last == peak < filtered_g.size - 1 and filtered_g[peak + 1] >= near:
        last += 1
    if last == first:
        return largest
    cliffs = [
        beyond
        for beyond in (first - 1, last + 1)
        if 0 <= beyond < filtered_g.size and filtered_g[beyond] < limit.CLIFF_FRACTION * largest
    ]
    degree = 2 if last - first > 1 and not cliffs else 1
    x = np.arange(first - peak, last - peak + 1, dtype=np.float64)
    curve = np.polynomial.Polynomial.fit(x, filtered_g[first : last + 1], degree)
    ends = [float(x[0]), float(x[-1])]
    ends += [beyond - peak + (0.5 if beyond < first else -0.5) for beyond in cliffs]
    vertex = [float(at) for at in curve.deriv().roots() if x[0] < at < x[-1]] if degree == 2 else []
    return max(float(curve(at)) for at in (*ends, *vertex))


def _edge(from_peak_g: FloatArray, edge_g: float) -> tuple[float, float]:
    """Samples from the peak to where the record crosses the edge level, and the slope there.

    Noise can cross a slow edge several times. Crossings that follow before the record has gone
    below half the level are that same edge: their middle is taken, which noise does not shift.
    """
    below = from_peak_g < edge_g
    if not below.any():
        return float(from_peak_g.size - 1), 0.0
    first = int(np.argmax(below))
    cleared = from_peak_g[first:] < 0.5 * edge_g
    until = first + int(np.argmax(cleared)) if cleared.any() else first
    again = np.flatnonzero(~below[first:until])
    last = first + int(again[-1]) + 1 if again.size else first
    early, late = (_crossing(from_peak_g, index, edge_g) for index in (first, last))
    # The slope over the stretch from twice the level to half of it, not of one noisy step.
    above = np.flatnonzero(from_peak_g[:first] > 2.0 * edge_g)
    start = int(above[-1]) if above.size else 0
    stop = max(until, first)
    slope = float(from_peak_g[start] - from_peak_g[stop]) / max(stop - start, 1)
    return 0.5 * (early + late), slope


def _crossing(values: FloatArray, index: int, level: float) -> float:
    """Instant before ``index`` at which the line between two samples meets a level."""
    above, below = float(values[index - 1]), float(values[index])
    return index - (level - below) / (above - below)


def rise_samples(filtered_g: FloatArray, pulse: Pulse) -> float:
    """Samples from the 10 % edge to first reaching 90 % of the peak."""
    start = max(int(np.floor(pulse.rise)), 0)
    ahead = filtered_g[start : pulse.peak + 1]
    level = limit.RISE_END_FRACTION * pulse.peak_g
    index = int(np.argmax(ahead >= level))
    if index == 0:
        return 0.0
    low, high = float(ahead[index - 1]), float(ahead[index])
    return start + index - (high - level) / (high - low) - pulse.rise
