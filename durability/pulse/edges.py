"""Peak, edges and top of one pulse, and the fall before it."""

from __future__ import annotations

from collections.abc import Iterator
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


def sides_at(filtered_g: FloatArray, pulse: Pulse, level_g: float) -> tuple[float, float]:
    """Samples from the crossing of a level to the peak, and from the peak to the next crossing."""
    sides = []
    for side in (filtered_g[pulse.peak :: -1], filtered_g[pulse.peak :]):
        below = side < level_g
        first = int(np.argmax(below))
        sides.append(_crossing(side, first, level_g) if first > 0 else float(side.size - 1))
    return sides[0], sides[1]


@dataclass(frozen=True, slots=True)
class NearTop:
    """How broad a pulse is near its top."""

    share: float
    """Of the duration within which it is near its top."""
    breadth: float
    """Width at 65 % of the peak over the duration, plus width at 80 % over that at 30 %."""
    usual: float
    """Most that the breadth usually is."""


def near_top(filtered_g: FloatArray, pulse: Pulse, noise_g: float) -> NearTop | None:
    """How broad a pulse is near its top; None when noise hides it.

    Parameters
    ----------
    filtered_g : ndarray of shape (n_samples,)
        After the default filter, the impact pointing up.
    pulse : Pulse
        Of the impact.
    noise_g : float
        Standard deviation of the noise that is left.
    """
    if noise_g > limit.NOISE_AT_TOP * pulse.peak_g or not pulse.is_whole:
        return None
    before, behind = sides_at(filtered_g, pulse, limit.NEAR_TOP_FRACTION * pulse.peak_g)
    low, middle = (
        sum(sides_at(filtered_g, pulse, fraction * pulse.peak_g))
        for fraction in limit.BREADTH_FRACTIONS
    )
    flanks = (pulse.peak - before - pulse.rise, pulse.fall - pulse.peak - behind)
    is_ramp = min(flanks) < limit.CLIFF_OF_DURATION * pulse.duration
    return NearTop(
        share=(before + behind) / pulse.duration,
        breadth=middle / pulse.duration + (before + behind) / low,
        usual=limit.USUAL_RAMP_BREADTH if is_ramp else limit.USUAL_BREADTH,
    )


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


_POWERS_ALONG_TOP = np.vander(np.linspace(-1.0, 1.0, 101), 5, increasing=True)
_APEXES = 41
_MAX_POINTS = 64
"""So many means hold what thousands of samples hold of so plain a shape."""


@dataclass(frozen=True, slots=True)
class Top:
    """Height of a top and its standard uncertainty, g."""

    height_g: float
    uncertainty_g: float


@dataclass(frozen=True, slots=True)
class _Shape:
    """One plain shape laid through the samples about a top."""

    curve_g: FloatArray
    """At each sample."""
    columns: FloatArray
    """Its derivative by each parameter, at each sample …"""
    top_g: float
    top_columns: FloatArray
    """… and at its highest point."""


def find_top(
    signal_g: FloatArray, filtered_g: FloatArray, peak: int, noise_g: float, left_g: float
) -> Top:
    """Height of the top of a pulse, free of what noise adds to the largest sample.

    A polynomial stands for a round or flat top, two lines that meet for a sharp one. They are laid
    through the samples above a fraction of the peak by least squares; at the deepest fraction at
    which noise explains what one of them leaves, those of which that holds are averaged by their
    evidence (Schwarz, 1978). Deep means many samples: noise averages out, and a sharp top is told
    from a round one. Where none holds, a parabola lies through what noise could make the largest.

    Parameters
    ----------
    signal_g : ndarray of shape (n_samples,)
        Unfiltered, the impact pointing up.
    filtered_g : ndarray of shape (n_samples,)
        After the default low-pass, or the same where there is none.
    peak : int
        Index of its largest sample.
    noise_g, left_g : float
        Standard deviation of the white noise before and after the low-pass.
    """
    peak_g = filtered_g[peak]
    for depth in limit.TOP_DEPTHS:
        first, stop = _above(filtered_g, peak, (1.0 - depth) * peak_g)
        if stop - first < 3 + limit.TOP_SPARE_SAMPLES:
            break
        # Beside a cliff the top lies half a step on.
        before, behind = _beside_cliff(filtered_g, first, stop, peak_g)
        ends = (-0.5 if before else 0.0, stop - first - (0.5 if behind else 1.0))
        top = _averaged(signal_g[first:stop], ends, noise_g)
        if top is not None:
            return top
    return _parabola(filtered_g, peak, noise_g, left_g)


def _above(filtered_g: FloatArray, peak: int, level: float) -> tuple[int, int]:
    """First index and stop of the samples in a row about a peak that reach a level."""
    low = np.flatnonzero(filtered_g < level)
    after = int(np.searchsorted(low, peak))
    return (
        int(low[after - 1]) + 1 if after else 0,
        int(low[after]) if after < low.size else filtered_g.size,
    )


def _beside_cliff(
    filtered_g: FloatArray, first: int, stop: int, peak_g: float
) -> tuple[bool, bool]:
    """Whether the record falls off within one step before, and behind, some samples."""
    cliff = limit.CLIFF_FRACTION * peak_g
    return (
        first > 0 and filtered_g[first - 1] < cliff,
        stop < filtered_g.size and filtered_g[stop] < cliff,
    )


def _averaged(top_g: FloatArray, ends: tuple[float, float], noise_g: float) -> Top | None:
    """Average over the shapes that leave no more than noise; None when none does."""
    together = -(-top_g.size // _MAX_POINTS)
    points = top_g.size // together
    y: FloatArray = top_g[: points * together].reshape(points, together).mean(axis=1)
    x: FloatArray = together * np.arange(points, dtype=np.float64) + 0.5 * (together - 1)
    u = np.asarray(np.interp(x, ends, (-1.0, 1.0)), dtype=np.float64)
    variance = noise_g**2 / together
    is_cut = ends != (0.0, top_g.size - 1.0)
    holding = []
    for shape in _shapes(u, y, is_cut=is_cut):
        parameters = shape.columns.shape[1]
        spare = points - parameters
        if spare < limit.TOP_SPARE_SAMPLES:
            continue
        left = float(np.sum((y - shape.curve_g) ** 2)) / variance
        most = limit.largest_mean_square(spare)
        if left > spare * most:
            continue
        inverse = np.linalg.pinv(shape.columns.T @ shape.columns)
        scatter = float(shape.top_columns @ inverse @ shape.top_columns)
        # Bounds: a misfit that could not be told from noise, and where in its step a cliff stands.
        bounds = (most - 1.0) * variance + (shape.top_g - float(shape.curve_g.max())) ** 2 * is_cut
        misfit = left + parameters * np.log(points)
        holding.append((misfit, shape.top_g, scatter * variance + bounds / 3.0))
    if not holding:
        return None
    misfits, heights, variances = np.array(holding).T
    weights = np.exp(-0.5 * (misfits - misfits.min()))
    weights /= weights.sum()
    height = float(weights @ heights)
    return Top(height, float(np.sqrt(weights @ (variances + (heights - height) ** 2))))


def _shapes(u: FloatArray, y: FloatArray, *, is_cut: bool) -> Iterator[_Shape]:
    """Polynomials and a wedge by least squares; each has its top between −1 and 1."""
    # Each polynomial has one column more than the one before: all are in one orthonormal basis.
    basis, powers = np.linalg.qr(np.vander(u, 5, increasing=True))
    found = basis.T @ y
    along = _POWERS_ALONG_TOP @ np.linalg.inv(powers)
    for terms in (2, 3, 4, 5) if is_cut else (3, 4, 5):
        columns, own = basis[:, :terms], found[:terms]
        tops = along[:, :terms] @ own
        highest = int(np.argmax(tops))
        yield _Shape(columns @ own, columns, float(tops[highest]), along[highest, :terms])
    yield _wedge(u, y)


def _wedge(u: FloatArray, y: FloatArray) -> _Shape:
    """Two lines that meet where they leave least."""
    apexes = np.linspace(u[1], u[-2], _APEXES)
    away = u - apexes[:, None]
    lines = np.stack([np.ones_like(away), np.minimum(away, 0.0), np.maximum(away, 0.0)], axis=2)
    found = np.linalg.solve(lines.mT @ lines, (lines.mT @ y)[:, :, None])
    curves = (lines @ found)[:, :, 0]
    best = int(np.argmin(np.sum((curves - y) ** 2, axis=1)))
    _, before, behind = found[best, :, 0]
    shifted = -np.where(away[best] < 0.0, before, behind)
    apex = apexes[best]
    # Height, slopes and apex as parameters, at the apex and at both ends.
    corners = np.array(
        [[1, 0, 0, 0], [1, -1 - apex, 0, -before], [1, 0, 1 - apex, -behind]], dtype=np.float64
    )
    tops = corners[:, :3] @ found[best, :, 0]
    highest = int(np.argmax(tops))
    columns = np.column_stack([lines[best], shifted])
    return _Shape(curves[best], columns, float(tops[highest]), corners[highest])


def _parabola(filtered_g: FloatArray, peak: int, noise_g: float, left_g: float) -> Top:
    """Height of the curve through the samples that noise could make the largest.

    The largest of many samples on a flat top stands out by its noise; between two on a sharp one
    the top is missed. Where the record falls off within one step, the edge lies half a step on.
    """
    largest = float(filtered_g[peak])
    first, stop = _above(filtered_g, peak, largest - limit.TOP_SIGMAS * left_g)
    near = limit.ROUND_TOP_FRACTION * largest
    if first == peak > 0 and filtered_g[peak - 1] >= near:
        first -= 1
    if stop == peak + 1 < filtered_g.size and filtered_g[peak + 1] >= near:
        stop += 1
    height = largest
    if stop - first > 1:
        before, behind = _beside_cliff(filtered_g, first, stop, largest)
        degree = 2 if stop - first > 2 and not (before or behind) else 1
        ends = first - peak - 0.5 * before, stop - 1 - peak + 0.5 * behind
        x = np.arange(first - peak, stop - peak, dtype=np.float64)
        curve = np.polynomial.Polynomial.fit(x, filtered_g[first:stop], degree)
        height = float(curve(np.linspace(*ends, 101)).max())
    neighbours = filtered_g[[max(peak - 1, 0), min(peak + 1, filtered_g.size - 1)]]
    # Bounds, taken as rectangular: the best parabola through a wedge is 3/16 of its depth off at
    # the tip, the top may lie between two samples, and the low-pass may take a little unnoticed.
    bounds_g = np.array(
        [
            3.0 / 16.0 * limit.TOP_SIGMAS * left_g,
            height - float(neighbours.max()),
            2.0 * limit.REMOVED_FRACTION_ALLOWED * height + noise_g,
        ]
    )
    return Top(height, float(np.sqrt(left_g**2 + np.sum(bounds_g**2) / 3.0)))


def miss_between_samples(filtered_g: FloatArray, pulse: Pulse, noise_g: float) -> float:
    """By how much a sharp top may stand above the height found, between two samples, g.

    Both flanks are drawn on until they meet. A round top bends on its flanks as it does at the
    top, and lies lower by about that bend; what is left beyond noise is the tip of a sharp one.

    Parameters
    ----------
    filtered_g : ndarray of shape (n_samples,)
        After the default filter, the impact pointing up.
    pulse : Pulse
        Of the impact.
    noise_g : float
        Standard deviation of the noise that is left.
    """
    k = pulse.peak
    if k < 3 or k > filtered_g.size - 4:
        return 0.0
    y = filtered_g[k - 3 : k + 4]
    # A flank that falls within a step shows its slope in that step only.
    up = float(max(y[2] - y[1], y[3] - y[2]))
    down = float(max(y[4] - y[5], y[3] - y[4]))
    if up <= 0.0 or down <= 0.0:
        return 0.0
    meets_at = min(max((float(y[4] - y[2]) + down - up) / (up + down), -1.0), 1.0)
    tip_g = float(y[2]) + up * (meets_at + 1.0)
    bends = [max(2.0 * float(y[i]) - float(y[i - 1] + y[i + 1]), 0.0) for i in (1, 5)]
    by_noise_g = limit.TIP_SIGMAS * noise_g
    return max(tip_g - pulse.peak_g - 0.5 * sum(bends) - by_noise_g, 0.0)


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
        1,
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
