"""What speaks against a record: flags with their numbers, notes in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit
from durability.pulse.edges import sides_at
from durability.pulse.low_pass import CLASS_TO_CUTOFF
from durability.record.records import CrossPeak, PulseFlag
from durability.record.units import fall_height_mm
from durability.record.vocabulary import HEIGHT_TOLERANCE, MOST_CROSS_AXIS_PCT

if TYPE_CHECKING:
    from durability.pulse.edges import Pulse
    from durability.pulse.impact import Event, Quiet
    from durability.pulse.low_pass import Hum
    from durability.record.records import FloatArray, LaterImpact, LowPass


def no_impact(record_g: FloatArray) -> PulseFlag:
    """The flag of a record in which nothing stands clear of the noise."""
    largest = float(np.abs(record_g - np.median(record_g)).max())
    needed = max(limit.MIN_IMPACT_G, limit.MIN_IMPACT_OVER_NOISE * float(record_g.std()))
    words = f"no impact: the largest excursion is {largest:.3g} g, {needed:.3g} g would stand clear"
    return PulseFlag("no_impact", largest, needed, words, voids=True)


def flags(
    *,
    record_g: FloatArray,
    step_g: float,
    flat_top: FlatTop | None,
    event: Event,
    pulse: Pulse,
    before: Quiet | None,
    after: Quiet | None,
    full_scale_g: float | None,
    velocity_ratio: float | None,
    orientation: str | None,
    later: tuple[LaterImpact, ...],
    dropout: tuple[int, int] | None,
    at_top: NearTop | None,
    at_half: float,
    has_pairs: bool,
) -> tuple[PulseFlag, ...]:
    """Every flag that the record of an impact deserves.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read, without hum.
    step_g : float
        Step of the recorder.
    flat_top : FlatTop or None
        Of the first impact.
    event, pulse
        The first impact, and its pulse after the default filter.
    before, after : Quiet or None
        Baselines, where the record has them.
    full_scale_g, velocity_ratio, orientation
        As known; None when not.
    later : tuple of LaterImpact
        Impacts after the first.
    dropout : (int, int) or None
        First sample and length of a stretch that was lost.
    at_top : NearTop or None
        How broad the pulse is near its top.
    at_half : float
        Samples above half the peak.
    has_pairs : bool
        Whether the record holds the lowest and highest value of each stretch.
    """
    found = (
        _truncated(record_g.size, event, pulse),
        _dropout(dropout),
        _clipped(flat_top),
        _over_range(pulse, full_scale_g),
        _zero_shift(record_g, step_g, pulse, before, after),
        _under_sampled(pulse, at_half),
        _second_impact(pulse, later),
        _velocity_implausible(velocity_ratio, orientation),
        _saturated(at_top) if flat_top is None else None,
        _two_values_a_stamp() if has_pairs else None,
    )
    return tuple(flag for flag in found if flag is not None)


def cross_axis(peaks: Sequence[CrossPeak], peak_g: float) -> tuple[PulseFlag, ...]:
    """The flag of a record whose axes across that of the impact read too much of its peak."""
    largest = max(peaks, key=lambda each: each.peak_g, default=None)
    if largest is None or 100.0 * largest.peak_g <= MOST_CROSS_AXIS_PCT * peak_g:
        return ()
    share_pct = 100.0 * largest.peak_g / peak_g
    words = (
        f"axis {largest.channel} across that of the impact reads {share_pct:.0f} % of its peak,"
        f" more than {MOST_CROSS_AXIS_PCT:.0f} % (IEC 60068-2-27:2008, 4.1.4)"
    )
    return (PulseFlag("cross_axis", share_pct, MOST_CROSS_AXIS_PCT, words, voids=False),)


@dataclass(frozen=True, slots=True)
class FlatTop:
    """Equal samples in a row at the extreme of an impact."""

    samples: int
    level_g: float
    """As read, with its sign."""
    may_be_trapezoid: bool
    """As long as a trapezoid's, in a record without noise that could tell it from a limit."""


def find_flat_top(
    record_g: FloatArray, step_g: float, event: Event, pulse: Pulse, baseline: Quiet
) -> FlatTop | None:
    """The flat top of an impact, or None when it is round.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read.
    step_g : float
        Step of the recorder.
    event, pulse, baseline
        The first impact, its pulse after the default filter, and the quiet before it.
    """
    lobe = event.polarity * record_g[event.start : event.stop]
    top = float(lobe.max())
    at_top = np.concatenate(([False], lobe >= top - 1e-9 * abs(top), [False]))
    turns = np.flatnonzero(at_top[1:] != at_top[:-1])
    lengths = turns[1::2] - turns[::2]
    longest = int(np.argmax(lengths))
    run, begin = int(lengths[longest]), event.start + int(turns[2 * longest])
    if run < limit.CLIPPED_RUN_SAMPLES:
        return None
    noise = baseline.jitter_g
    same_step = step_g / (2.5 * noise) if noise > 0.0 else 1.0
    by_chance = same_step >= 1.0 or same_step ** (run - 1) > limit.CLIPPED_BY_CHANCE
    ends = [end for end in (begin - run // 2, begin + run - 1 + run // 2) if end < record_g.size]
    depth = top - float(np.max(event.polarity * record_g[ends]))
    is_round = depth < limit.CLIPPED_CORNER_STEPS * step_g + 4.0 * noise
    if by_chance and is_round:
        return None
    silent = baseline.noise_g < 0.55 * step_g or baseline.noise_g == 0.0
    plateau = np.count_nonzero(lobe > top - 1.5 * step_g)
    long = bool(plateau > limit.PLATEAU_FRACTION * pulse.duration)
    return FlatTop(run, event.polarity * top, may_be_trapezoid=silent and long)


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


def find_dropout(
    record_g: FloatArray, step_g: float, event: Event, pulse: Pulse, baseline: Quiet
) -> tuple[int, int] | None:
    """First sample and length of a stretch in the pulse in which the record was lost.

    It stays at one level there, zero or the last value, and goes or comes back within one step, a
    larger one than a record sampled well enough to be measured takes anywhere near.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read.
    step_g : float
        Step of the recorder.
    event, pulse, baseline
        The first impact, its pulse after the default filter, and the quiet before it.
    """
    reach = max(int(pulse.duration), 4)
    begin = max(int(min(pulse.rise, event.onset)) - reach, 0)
    y = event.polarity * record_g[begin : int(max(pulse.fall, event.stop)) + reach + 1]
    y -= event.polarity * baseline.level_g
    if y.size < 8:
        return None
    own = slice(max(int(pulse.rise) - 1 - begin, 0), int(pulse.fall) + 2 - begin)
    held = _held(y[own], step_g, pulse.peak_g, baseline)
    if held is not None:
        return begin + own.start + held[0], held[1]
    noise_g = max(baseline.jitter_g, step_g / np.sqrt(12.0))
    steps = np.diff(y)
    size = np.abs(np.pad(steps, 1))
    beside = np.maximum(size[:-2], size[2:])
    least = max(8.0 * noise_g, limit.DROPOUT_STEP_FRACTION * pulse.peak_g)
    jumps = np.flatnonzero(np.abs(steps) > np.maximum(least, limit.DROPOUT_RATIO * beside))
    # Equal samples prove a loss where noise would tell them apart.
    same_step = min(step_g / (2.5 * noise_g), 1.0)
    turns = np.flatnonzero(np.diff(y, prepend=np.nan, append=np.nan) != 0.0)
    for jump in jumps:
        if steps[jump] < 0.0 and not y[jump] > limit.PULSE_EDGE_FRACTION * pulse.peak_g:
            continue
        after = int(turns[np.searchsorted(turns, jump + 1, "right")]) - (jump + 1)
        before = jump + 1 - int(turns[np.searchsorted(turns, jump, "right") - 1])
        for first, length in ((jump + 1, after), (jump + 1 - before, before)):
            is_top = y[first] > limit.DROPOUT_BELOW * pulse.peak_g
            if length > 2 and not is_top and same_step ** (length - 1) < limit.DROPOUT_BY_CHANCE:
                return begin + int(first), int(length)
    for gone, back in pairwise(jumps):
        inside = y[gone + 1 : back + 1]
        # One or two samples on a level may be ringing, unless they fell off to the baseline.
        fell_g = min(abs(float(steps[gone])), abs(float(steps[back])))
        is_off = inside.min() < limit.PULSE_EDGE_FRACTION * pulse.peak_g
        is_ringing = inside.size < 3 and not (
            is_off and fell_g > limit.DROPOUT_SHORT_FRACTION * pulse.peak_g
        )
        is_level = steps[gone] * steps[back] < 0.0 and np.ptp(inside) <= 8.0 * noise_g
        if is_level and not is_ringing:
            return begin + int(gone) + 1, int(inside.size)
    return None


def _held(
    pulse_g: FloatArray, step_g: float, peak_g: float, baseline: Quiet
) -> tuple[int, int] | None:
    """First sample and length of equal samples on a pulse that neither noise nor rounding makes.

    The chance of so many in a row is that of normal noise falling within one step each time, about
    the slope that the pulse had meanwhile, as the way back in one step shows. Two in a row prove
    nothing, and equal samples that nothing exceeds are those of a limit.
    """
    is_silent = baseline.noise_g < 0.5 * step_g
    noise_g = max(baseline.noise_g if is_silent else baseline.jitter_g, step_g / np.sqrt(12.0))
    turns = np.flatnonzero(np.diff(pulse_g, prepend=np.nan, append=np.nan) != 0.0)
    first, length = turns[:-1], np.diff(turns)
    level_g = pulse_g[first]
    of_note = (length > 2) & (first > 0) & (first + length + 1 < pulse_g.size)
    of_note &= (level_g > limit.PULSE_EDGE_FRACTION * peak_g) & (level_g < pulse_g.max())
    first, length = first[of_note], length[of_note]
    if not first.size:
        return None
    same_step = 1.0 if is_silent else min(step_g / (2.5 * noise_g), 1.0)
    chance = (length - 1.0) * np.log(same_step)
    if same_step < 1.0:
        chance -= 0.5 * np.log(length)
    # A corner of the pulse leaves within a step of those beside it; what goes beyond was held.
    behind = first + length
    back_g = np.abs(pulse_g[behind] - pulse_g[first])
    beside_g = np.maximum(
        np.abs(pulse_g[behind + 1] - pulse_g[behind]), np.abs(pulse_g[first] - pulse_g[first - 1])
    )
    slope_g = np.maximum(back_g - beside_g - step_g - 2.0 * noise_g, 0.0) / length
    chance -= (slope_g / noise_g) ** 2 * length * (length**2 - 1.0) / 24.0
    best = int(np.argmin(chance))
    if chance[best] + np.log(pulse_g.size) > np.log(limit.DROPOUT_BY_CHANCE):
        return None
    return int(first[best]), int(length[best])


def has_two_values_a_stamp(record_g: FloatArray) -> bool:
    """Whether each two samples are the lowest and the highest of a stretch, as peaks are stored.

    Of such pairs one goes up and the way to the next goes down, or the reverse; samples taken one
    by one do so half of the time. Where they are in the order in which they came, the way within a
    pair is still longer than that to the next.
    """
    steps = np.diff(record_g)
    size = np.minimum(np.abs(steps), np.quantile(np.abs(steps), 0.95))
    pair, apart = float(size[::2].mean()), float(size[1::2].mean()) if steps.size > 1 else 0.0
    if steps.size > limit.FEWEST_STEPS and max(pair, apart) > limit.PAIRS_WIDER * min(pair, apart):
        return True
    for pairs, between in ((steps[::2], steps[1::2]), (steps[1::2], steps[2::2])):
        moved, back = np.count_nonzero(pairs), np.count_nonzero(between)
        if min(moved, back) < limit.FEWEST_PAIRS:
            continue
        up = np.count_nonzero(pairs > 0.0) / moved
        up_between = np.count_nonzero(between > 0.0) / back
        if abs(up - 0.5) > limit.PAIRS_ALIKE and (up - 0.5) * (up_between - 0.5) < -0.08:
            return True
    return False


def _truncated(samples: int, event: Event, pulse: Pulse) -> PulseFlag | None:
    # One that goes on long after an impact without coming down to its edge is shifted.
    begins = pulse.rise_slope <= 0.0 and event.start <= 2 * event.width
    ends = pulse.fall_slope <= 0.0 and samples - event.stop <= 2 * event.width
    if not (begins or ends):
        return None
    where = "begins and ends" if begins and ends else "begins" if begins else "ends"
    at_edge = pulse.peak < 2 or pulse.peak > samples - 3
    known = "peak, duration and" if at_edge else "duration and"
    words = (
        f"truncated: the record {where} within the pulse, so {known} velocity change are at least"
        " what is given"
    )
    return PulseFlag("truncated", None, None, words, voids=True)


def _dropout(lost: tuple[int, int] | None) -> PulseFlag | None:
    if lost is None:
        return None
    words = (
        f"dropout: {lost[1]} samples within the pulse stay at one level, which neither impact nor"
        " noise explains: the record was lost there"
    )
    return PulseFlag("dropout", float(lost[1]), None, words, voids=True)


def _saturated(at_top: NearTop | None) -> PulseFlag | None:
    if at_top is None or at_top.share >= limit.TRAPEZOID_FRACTION:
        return None
    if at_top.breadth <= at_top.usual:
        return None
    words = (
        f"saturated: {100.0 * at_top.share:.0f} % of the duration is above"
        f" {100.0 * limit.NEAR_TOP_FRACTION:.0f} % of the peak, breadth near the top"
        f" {at_top.breadth:.2f} where up to {at_top.usual:.2f} is usual: probably an amplifier near"
        " its limit, and then the peak is higher"
    )
    return PulseFlag("saturated", at_top.breadth, at_top.usual, words, voids=False)


def _two_values_a_stamp() -> PulseFlag:
    words = (
        "two values a stamp: each two samples are the lowest and the highest of a stretch (peak"
        " detection), so noise widens the record and the sample rate is half"
    )
    return PulseFlag("two_values_a_stamp", None, None, words, voids=False)


def _clipped(flat_top: FlatTop | None) -> PulseFlag | None:
    if flat_top is None or flat_top.may_be_trapezoid:
        return None
    words = (
        f"clipped: {flat_top.samples} samples in a row at the recorder's limit of "
        f"{flat_top.level_g:.5g} g, so the peak is higher"
    )
    value, least = float(flat_top.samples), float(limit.CLIPPED_RUN_SAMPLES)
    return PulseFlag("clipped", value, least, words, voids=True)


def _over_range(pulse: Pulse, full_scale_g: float | None) -> PulseFlag | None:
    if full_scale_g is None or pulse.peak_g <= full_scale_g:
        return None
    words = (
        f"over range: {pulse.peak_g:.5g} g is above the sensor's full scale of {full_scale_g:g} g"
    )
    return PulseFlag("over_range", pulse.peak_g, full_scale_g, words, voids=True)


def _zero_shift(
    record_g: FloatArray, step_g: float, pulse: Pulse, before: Quiet | None, after: Quiet | None
) -> PulseFlag | None:
    if before is None or after is None:
        return None
    shift = after.level_g - before.level_g
    # Without noise to carry it, a level is known to half a step.
    coarse_g = step_g if min(before.noise_g, after.noise_g) < 0.5 * step_g else 0.0
    allowed = max(limit.ZERO_SHIFT_FRACTION * pulse.peak_g, limit.ZERO_SHIFT_MIN_G, 1.01 * coarse_g)
    if abs(shift) <= allowed:
        return None
    if abs(_step_beside_drift(record_g, pulse, before, after)) <= allowed:
        return None
    # Ringing and rolling swing about the old baseline; a shift stays on one side of it.
    quarters = np.array_split(record_g[after.at], 4)
    levels = np.array([np.median(quarter) for quarter in quarters]) - before.level_g
    if np.any(levels * np.sign(shift) < 0.5 * allowed):
        return None
    words = f"zero shift: the baseline moved by {shift:.3g} g, more than {allowed:.3g} g"
    return PulseFlag("zero_shift", shift, allowed, words, voids=True)


def _step_beside_drift(record_g: FloatArray, pulse: Pulse, before: Quiet, after: Quiet) -> float:
    """How far the baseline moved at the impact, when it drifts alike before and after.

    Least squares over both quiet stretches: a level each, one slope.
    """
    stop = max(int(pulse.rise - 0.75 * pulse.duration), 1)
    slopes = weights = 0.0
    middles, levels = [], []
    for at in (np.arange(stop), after.at):
        index, values = at.astype(np.float64), record_g[at]
        middles.append(index.mean())
        levels.append(values.mean())
        index -= index.mean()
        slopes += float(np.sum(index * values))
        weights += float(np.sum(index**2))
    drift = slopes / weights * (middles[1] - middles[0]) if weights > 0.0 else 0.0
    return float(levels[1] - levels[0] - drift)


def _under_sampled(pulse: Pulse, at_half: float) -> PulseFlag | None:
    value, least, where = pulse.duration, limit.MIN_SAMPLES_IN_PULSE, "in the pulse"
    if value >= least:
        value, least, where = at_half, limit.MIN_SAMPLES_AT_HALF, "above half its peak"
    if value >= least:
        return None
    words = f"under-sampled: {value:.1f} samples {where}, {least:g} would hold its peak to 2 %"
    return PulseFlag("under_sampled", value, least, words, voids=True)


def _second_impact(pulse: Pulse, later: tuple[LaterImpact, ...]) -> PulseFlag | None:
    if not later:
        return None
    largest = max(later, key=lambda impact: impact.peak_g)
    ratio = largest.peak_g / pulse.peak_g
    if ratio < limit.SECOND_IMPACT_FRACTION:
        return None
    words = (
        f"second impact: {largest.peak_g:.5g} g at {1000.0 * largest.time_s:.4g} ms of the record,"
        f" {ratio:.2g} of the first"
    )
    return PulseFlag("second_impact", ratio, limit.SECOND_IMPACT_FRACTION, words, voids=False)


def _rotates(orientation: str | None) -> bool:
    """Whether the drop was on an edge or a corner, in the words or numbers of ISO 2206.

    Faces are numbered 1 to 6; an edge is named by two of them, a corner by three.
    """
    if orientation is None:
        return False
    text = orientation.lower()
    faces = [part for part in text.replace("/", "-").split("-") if part.strip() in set("123456")]
    return "edge" in text or "corner" in text or len(faces) > 1


def _velocity_implausible(ratio: float | None, orientation: str | None) -> PulseFlag | None:
    if ratio is None:
        return None
    if ratio > limit.FULL_REBOUND_RATIO:
        bound, words = limit.FULL_REBOUND_RATIO, "more than a full rebound gives (2)"
    elif ratio < limit.HALF_STOP_RATIO and not _rotates(orientation):
        bound, words = limit.HALF_STOP_RATIO, "less than half a dead stop takes (0.5)"
    else:
        return None
    words = f"velocity change implausible: {ratio:.2f} of the impact velocity, {words}"
    return PulseFlag("velocity_implausible", ratio, bound, words, voids=True)


def notes(
    *,
    duration_ms: float,
    low_pass: LowPass,
    cutoff_given: bool,
    before: Quiet | None,
    after: Quiet | None,
    natural_frequency_hz: float | None,
    velocity_ratio: float | None,
    orientation: str | None,
    flat_top: FlatTop | None,
    at_top: NearTop | None,
    fall: tuple[float, float] | None,
    drop_height_mm: float | None,
    hum: Hum | None,
) -> tuple[str, ...]:
    """Doubts that do not void a record, one sentence each."""
    said = []
    if cutoff_given and low_pass.cutoff_hz is not None:
        channel_class = low_pass.channel_class or low_pass.cutoff_hz / CLASS_TO_CUTOFF["SAE J211-1"]
        product = channel_class * duration_ms / 1000.0
        if product < limit.MIN_CLASS_TIMES_DURATION:
            said.append(
                f"filter eats the pulse: class {channel_class:.4g} Hz times duration "
                f"{duration_ms:.3g} ms is {product:.2g}, "
                f"{limit.MIN_CLASS_TIMES_DURATION} keeps the peak within 1 %"
            )
    if natural_frequency_hz is not None:
        product = natural_frequency_hz * duration_ms / 1000.0
        if product < limit.MIN_RESONANCE_TIMES_DURATION:
            said.append(
                f"natural frequency of the sensor too low for the pulse: {natural_frequency_hz:g} "
                f"Hz times {duration_ms:.3g} ms is {product:.2g}, "
                f"{limit.MIN_RESONANCE_TIMES_DURATION:g} is needed"
            )
    if at_top is not None and flat_top is None and at_top.share >= limit.TRAPEZOID_FRACTION:
        said.append(
            f"flat top: {100.0 * at_top.share:.0f} % of the duration is near the peak, as of a"
            " trapezoid; of a drop it is an amplifier at its limit, and then the peak is higher"
        )
    if before is None:
        said.append(
            "no quiet part before the impact: baseline "
            + ("taken after it" if after is not None else "taken as 0 g")
        )
    if after is None:
        said.append("zero shift not evaluated: the record ends too soon after the impact")
    if fall is not None and drop_height_mm is not None:
        height_mm, relative_u = fall_height_mm(fall[0]), 2.0 * fall[1] / fall[0]
        off = height_mm / drop_height_mm - 1.0
        if abs(off) > HEIGHT_TOLERANCE + 2.0 * relative_u:
            said.append(
                f"height by the fall time: {height_mm:.4g} mm (standard uncertainty "
                f"{relative_u * height_mm:.2g}), {100.0 * off:+.1f} % of {drop_height_mm:g} "
                f"(ISO 2248 allows {100.0 * HEIGHT_TOLERANCE:g} %)"
            )
    if velocity_ratio is not None and velocity_ratio < 1.0:
        if _rotates(orientation):
            said.append(
                f"velocity change is {velocity_ratio:.2f} of the impact velocity: an edge or "
                "corner hit rotates, and one axis sees a part of it"
            )
        elif velocity_ratio >= limit.HALF_STOP_RATIO:
            said.append(
                f"velocity change is {velocity_ratio:.2f} of the impact velocity, below the 1 of a "
                "dead stop: a sensor with one axis sees only its part of a tilted hit"
            )
    if flat_top is not None and flat_top.may_be_trapezoid:
        said.append(
            "flat top read as a trapezoid: the record has no noise that could tell it from a limit"
        )
    if hum is not None:
        said.append(f"mains hum of {hum.frequency_hz:.0f} Hz, {hum.amplitude_g:.3g} g, taken off")
    return tuple(said)
