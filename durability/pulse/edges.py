"""Peak and edges of one pulse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.pulse.impact import Event
    from durability.record.records import FloatArray


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


def pulse_around(filtered_g: FloatArray, event: Event, peak_g: float | None = None) -> Pulse:
    """Peak within an event, and the instants between which it stays above its edge level.

    Parameters
    ----------
    filtered_g : ndarray of shape (n_samples,)
        Filtered or not, the impact pointing up.
    event : Event
        Where to look.
    peak_g : float, optional
        Height of the peak where it is known better; by default the largest sample.
    """
    peak = event.start + int(np.argmax(filtered_g[event.start : event.stop]))
    if peak_g is None:
        peak_g = float(filtered_g[peak])
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
