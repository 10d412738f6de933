"""One record → the measures of its first impact, and how well they can be known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import doubts
from durability.pulse import thresholds as limit
from durability.pulse.edges import (
    Pulse,
    find_fall,
    find_top,
    miss_between_samples,
    near_top,
    pulse_around,
    rise_samples,
    sides_at,
)
from durability.pulse.impact import (
    Event,
    Quiet,
    find_first_event,
    in_rising_order,
    quiet_after,
    quiet_before,
    recorder_step_g,
)
from durability.pulse.low_pass import (
    CLASS_TO_CUTOFF,
    PADDING,
    ChannelClassStandard,
    find_hum,
    low_pass,
    low_passes,
    squared_gain,
)
from durability.record.errors import UnusableCall
from durability.record.records import CrossPeak, LaterImpact, LowPass, PulseMeasures
from durability.record.units import STANDARD_GRAVITY_M_S2, impact_velocity_m_s

if TYPE_CHECKING:
    from durability.pulse.edges import Pulse, Top
    from durability.pulse.impact import Quiet
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
    missed_g = miss_between_samples(filtered_g, pulse, noise_g) * rectangular
    peak_g = float(np.sqrt(top_g**2 + level_g**2 + steps_g**2 + missed_g**2))

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


METHOD = "pulse 5"
"""Name and version of the way measures are taken; goes up when a number could change."""


def measure_pulse(
    acceleration_g: FloatArray,
    sample_rate_hz: float,
    *,
    low_pass_hz: float | None = None,
    channel_class: float | None = None,
    channel_class_standard: ChannelClassStandard = "SAE J211-1",
    full_scale_g: float | None = None,
    natural_frequency_hz: float | None = None,
    drop_height_mm: float | None = None,
    orientation: str | None = None,
    cross_g: Mapping[str, FloatArray] | None = None,
) -> PulseMeasures:
    """Peak, duration and velocity change of the first impact, and the doubts about them.

    The baseline is the last quiet stretch before the impact: of a DC-coupled sensor, the fall.
    Mains hum is taken off where it is there before the impact too, and told.
    Peak and duration are taken after a zero-phase low-pass. By default its cut-off is the lowest
    of a ladder that takes nothing off the pulse but noise; it is derived from each pulse and
    named in the answer, and the peak is the height of a plain shape laid through the samples about
    the top, free of what noise adds to the largest of them. Through a filter that was asked for,
    the peak is the largest sample. Velocity change is the integral of the unfiltered pulse, so that
    it does not hang on the filter.

    Parameters
    ----------
    acceleration_g : ndarray of shape (n_samples,)
        Record as read, in g (1 g = 9.80665 m/s²), evenly spaced, either sign.
    sample_rate_hz : float
        Samples per second.
    low_pass_hz : float, optional
        Cut-off of a zero-phase Butterworth filter: each of its two passes takes off 3 dB there.
    channel_class : float, optional
        Channel frequency class, Hz (60, 180, 600, 1000 …), instead of ``low_pass_hz``.
    channel_class_standard : {"SAE J211-1", "ISO 6487"}
        Whose equation gives the cut-off; the two differ by 0.28 %.
    full_scale_g : float, optional
        Range of the sensor.
    natural_frequency_hz : float, optional
        Of the sensor.
    drop_height_mm : float, optional
        Height of fall, for the impact velocity.
    orientation : str, optional
        As noted: an "edge" or "corner" hit rotates, and its velocity change is judged mildly.
    cross_g : mapping of str to ndarray of shape (n_samples,), optional
        Channel → what the axes across that of the impact recorded meanwhile, in g.

    Returns
    -------
    PulseMeasures
        With the flag ``no_impact`` and no measures when nothing stands clear of the noise.

    Raises
    ------
    UnusableCall
        The record has fewer than two samples or values that are not finite, the sample rate is
        not positive, two filters are asked for, or the sample rate is too low for the filter
        (below 10 × the channel frequency class: SAE J211-1, ISO 6487).
    """
    record_g = np.ascontiguousarray(acceleration_g, dtype=np.float64)
    _refuse_unusable(record_g, sample_rate_hz, low_pass_hz, channel_class)

    as_read_g, ordered_g = record_g, in_rising_order(record_g)
    event, clear = find_first_event(record_g, ordered_g)
    hum = find_hum(record_g, sample_rate_hz, event) if event is not None else None
    if hum is not None:
        record_g = record_g - hum.record_g
        event, clear = find_first_event(record_g, np.sort(record_g))
    if event is None or not clear:
        return _nothing(as_read_g, sample_rate_hz)
    before = quiet_before(record_g, event)
    after = quiet_after(record_g, event)
    baseline = before or after or Quiet(0.0, 0.0, 0.0, 0.0, 0)
    step_g = recorder_step_g(ordered_g)
    jitter_g = max(baseline.jitter_g, step_g / np.sqrt(12.0))
    signal_g = event.polarity * (record_g - baseline.level_g)
    if signal_g[event.peak] < limit.MIN_IMPACT_G:
        return _nothing(record_g, sample_rate_hz)

    own = _own_low_pass(signal_g, sample_rate_hz, event, jitter_g)
    own_g = low_pass(signal_g, sample_rate_hz, own.cutoff_hz) if own.cutoff_hz else signal_g
    left_g = jitter_g
    if own.cutoff_hz is not None:
        gain = squared_gain(4096, sample_rate_hz, own.cutoff_hz)
        left_g *= float(np.sqrt(np.mean(gain**2)))
    largest = event.start + int(np.argmax(own_g[event.start : event.stop]))
    top = find_top(signal_g, own_g, largest, jitter_g, left_g)
    own_pulse = pulse_around(own_g, event, top.height_g)
    chosen, filtered_g, pulse = own, own_g, own_pulse
    given = _given_low_pass(low_pass_hz, channel_class, channel_class_standard)
    if given is not None and given.cutoff_hz is not None:
        chosen = given
        filtered_g = low_pass(signal_g, sample_rate_hz, given.cutoff_hz)
        pulse = pulse_around(filtered_g, _spread(event, sample_rate_hz, given.cutoff_hz))

    velocity_from, velocity_to = _velocity_window(own_g, own_pulse, jitter_g)
    velocity = _integral(signal_g, velocity_from, velocity_to) / sample_rate_hz
    velocity *= STANDARD_GRAVITY_M_S2
    impact_velocity = None if drop_height_mm is None else impact_velocity_m_s(drop_height_mm)
    ratio = velocity / impact_velocity if impact_velocity else None
    fall = None
    if step_g <= limit.FALL_RECORDER_STEP_G:
        fall = find_fall(record_g, event, own_pulse, baseline.jitter_g, sample_rate_hz)
    later = _later_impacts(own_g, own_pulse, left_g, sample_rate_hz)
    flat_top = doubts.find_flat_top(as_read_g, step_g, event, own_pulse, baseline)
    at_top = near_top(own_g, own_pulse, left_g)
    has_pairs = doubts.has_two_values_a_stamp(as_read_g)
    # Extremes of stretches jump from sample to sample without any loss.
    lost = None
    if not has_pairs:
        lost = doubts.find_dropout(as_read_g, step_g, event, own_pulse, baseline)
    flags = doubts.flags(
        record_g=record_g,
        step_g=step_g,
        flat_top=flat_top,
        event=event,
        pulse=own_pulse,
        before=before,
        after=after,
        full_scale_g=full_scale_g,
        velocity_ratio=ratio,
        orientation=orientation,
        later=later,
        dropout=lost,
        at_top=at_top,
        at_half=sum(sides_at(own_g, own_pulse, 0.5 * own_pulse.peak_g)),
        has_pairs=has_pairs,
    )
    notes = doubts.notes(
        duration_ms=1000.0 * own_pulse.duration / sample_rate_hz,
        low_pass=chosen,
        cutoff_given=chosen is not own,
        before=before,
        after=after,
        natural_frequency_hz=natural_frequency_hz,
        velocity_ratio=ratio,
        orientation=orientation,
        flat_top=flat_top,
        at_top=at_top,
        fall=fall,
        drop_height_mm=drop_height_mm,
        hum=hum,
    )
    known = not any(flag.name in ("clipped", "over_range", "under_sampled") for flag in flags)
    peak_u = duration_u = velocity_u = None
    if known and baseline.samples and pulse.is_whole:
        peak_u, duration_u, velocity_u = standard_uncertainties(
            filtered_g,
            pulse,
            baseline,
            step_g,
            sample_rate_hz,
            chosen,
            (velocity_from, velocity_to),
            top if chosen is own else None,
        )
    window = slice(int(velocity_from), int(np.ceil(velocity_to)) + 1)
    across = {
        name: _axis_across(axis_g, event, chosen, sample_rate_hz)[window]
        for name, axis_g in (cross_g or {}).items()
    }
    cross_peaks = tuple(
        CrossPeak(name, float(np.abs(signal).max())) for name, signal in across.items()
    )
    flags += doubts.cross_axis(cross_peaks, pulse.peak_g)
    peak_at = slice(event.start, event.stop)
    return PulseMeasures(
        method=METHOD,
        sample_rate_hz=sample_rate_hz,
        samples=record_g.size,
        peak_g=pulse.peak_g,
        raw_peak_g=float(signal_g[peak_at].max()),
        pulse_duration_ms=1000.0 * pulse.duration / sample_rate_hz,
        velocity_change_m_s=velocity,
        rise_time_ms=1000.0 * rise_samples(filtered_g, pulse) / sample_rate_hz,
        polarity=event.polarity,
        low_pass=chosen,
        noise_g=baseline.noise_g if baseline.samples else None,
        baseline_before_g=before.level_g if before else None,
        baseline_after_g=after.level_g if after else None,
        impact_start_s=pulse.rise / sample_rate_hz,
        impact_peak_s=pulse.peak / sample_rate_hz,
        impact_end_s=pulse.fall / sample_rate_hz,
        velocity_from_s=velocity_from / sample_rate_hz,
        velocity_to_s=velocity_to / sample_rate_hz,
        impact_velocity_m_s=impact_velocity,
        velocity_ratio=ratio,
        restitution=ratio - 1.0 if ratio is not None and 1.0 <= ratio <= 2.0 else None,
        later_impacts=later,
        cross_peaks=cross_peaks,
        resultant_peak_g=_resultant_peak(filtered_g[window], pulse.peak_g, across),
        fall_time_s=fall[0] if fall else None,
        fall_time_uncertainty_s=fall[1] if fall else None,
        peak_uncertainty_g=peak_u,
        pulse_duration_uncertainty_ms=duration_u,
        velocity_change_uncertainty_m_s=velocity_u,
        flags=flags,
        notes=notes,
    )


def _nothing(record_g: FloatArray, sample_rate_hz: float) -> PulseMeasures:
    return PulseMeasures(
        method=METHOD,
        sample_rate_hz=sample_rate_hz,
        samples=record_g.size,
        noise_g=float(record_g.std()),
        baseline_before_g=float(np.median(record_g)),
        flags=(doubts.no_impact(record_g),),
    )


def _refuse_unusable(
    record_g: FloatArray,
    sample_rate_hz: float,
    low_pass_hz: float | None,
    channel_class: float | None,
) -> None:
    if record_g.ndim != 1 or record_g.size < 2:
        raise UnusableCall("an acceleration record is one row of at least 2 samples")
    if not np.isfinite(record_g).all():
        raise UnusableCall("the acceleration record holds values that are not numbers")
    if not sample_rate_hz > 0.0:
        raise UnusableCall(f"sample rate {sample_rate_hz:g} Hz: a positive number is needed")
    if low_pass_hz is not None and channel_class is not None:
        raise UnusableCall("low-pass cut-off and channel frequency class can't be combined")
    if low_pass_hz is not None and not 0.0 < low_pass_hz < sample_rate_hz / 2.0:
        raise UnusableCall(
            f"low-pass cut-off {low_pass_hz:g} Hz: it must be between 0 and half the sample rate "
            f"of {sample_rate_hz:g} Hz"
        )
    if low_pass_hz is not None and low_pass_hz < sample_rate_hz / record_g.size:
        raise UnusableCall(
            f"low-pass cut-off {low_pass_hz:g} Hz: one period of it is longer than the record; "
            f"at least {sample_rate_hz / record_g.size:.3g} Hz is needed"
        )
    if channel_class is not None and not (
        0.0 < channel_class <= sample_rate_hz / limit.MIN_SAMPLES_PER_CLASS
    ):
        raise UnusableCall(
            f"channel frequency class {channel_class:g}: the record's {sample_rate_hz:g} samples/s "
            f"allow at most {sample_rate_hz / limit.MIN_SAMPLES_PER_CLASS:g} (SAE J211-1, ISO 6487)"
        )
    if channel_class is not None and channel_class < sample_rate_hz / record_g.size:
        raise UnusableCall(
            f"channel frequency class {channel_class:g}: one period of it is longer than the "
            f"record; at least {sample_rate_hz / record_g.size:.3g} is needed"
        )


# ---------------------------------------------------------------------------------- filters


def _given_low_pass(
    low_pass_hz: float | None, channel_class: float | None, standard: ChannelClassStandard
) -> LowPass | None:
    if low_pass_hz is not None:
        return LowPass("zero-phase Butterworth", low_pass_hz, 4, PADDING, "given")
    if channel_class is not None:
        cutoff_hz = CLASS_TO_CUTOFF[standard] * channel_class
        method = f"{standard} CFC {channel_class:g}"
        return LowPass(method, cutoff_hz, 4, PADDING, "given", channel_class)
    return None


def _own_low_pass(
    signal_g: FloatArray, sample_rate_hz: float, event: Event, jitter_g: float
) -> LowPass:
    """The lowest cut-off of the ladder that takes nothing off the pulse but noise."""
    margin = 4 * event.width
    first = max(event.start - margin, 0)
    near_g = signal_g[first : event.stop + margin]
    near = replace(event, start=event.start - first, stop=event.stop - first)
    peak_g = float(signal_g[event.peak])
    duration = event.width / sample_rate_hz
    highest_hz = limit.MAX_CUTOFF_OVER_SAMPLE_RATE * sample_rate_hz
    ladder = [each for each in limit.CUTOFFS_PER_DURATION if each / duration <= highest_hz]
    cutoffs_hz = [number / duration for number in ladder]
    passing = low_passes(near_g, sample_rate_hz, cutoffs_hz)
    for number, cutoff_hz, passed in zip(ladder, cutoffs_hz, passing, strict=False):
        pulse = pulse_around(passed, near)
        removed = (near_g - passed)[int(pulse.rise) : int(pulse.fall) + 2]
        span = max(round(sample_rate_hz / cutoff_hz), 8)
        mean_square = np.convolve(removed**2, np.full(span, 1.0 / span), "valid")
        noise_square = jitter_g**2 * float(
            np.mean((1.0 - squared_gain(near_g.size, sample_rate_hz, cutoff_hz)) ** 2)
        )
        allowed = max(
            noise_square * limit.largest_mean_square(span),
            (limit.REMOVED_FRACTION_ALLOWED * peak_g) ** 2,
        )
        # A sharp top loses most within a quarter of that period.
        about = max(span // 4, 1)
        first = max(pulse.peak - about // 2, 0)
        lost = abs(float((near_g - passed)[first : first + about].mean()))
        by_noise = limit.REMOVED_NOISE_SIGMAS * np.sqrt(noise_square / about)
        top_is_kept = lost <= max(by_noise, limit.REMOVED_FRACTION_ALLOWED * peak_g)
        if top_is_kept and mean_square.max() <= allowed:
            reason = f"{number:g} / duration: the lowest that takes only noise off the pulse"
            return LowPass("zero-phase Butterworth", cutoff_hz, 4, PADDING, reason, derived=True)
    reason = "none: each cut-off that would lower the noise would change the pulse"
    return LowPass("none", None, 0, "none", reason)


def _spread(event: Event, sample_rate_hz: float, cutoff_hz: float) -> Event:
    """The event, wide enough to hold the peak after a filter that smears it."""
    reach = round(0.5 * sample_rate_hz / cutoff_hz)
    return replace(event, start=max(event.start - reach, 0), stop=event.stop + reach)


# -------------------------------------------------------------------------- velocity change


def _velocity_window(filtered_g: FloatArray, pulse: Pulse, jitter_g: float) -> tuple[float, float]:
    """First and last instant of the integral, in samples."""
    start = max(pulse.rise - limit.INTEGRATE_BEFORE_DURATIONS * pulse.duration, 0.0)
    latest = pulse.fall + limit.INTEGRATE_AFTER_DURATIONS * pulse.duration
    latest = min(latest, float(filtered_g.size - 1))
    first = int(np.ceil(pulse.fall))
    tail = filtered_g[first : int(np.ceil(latest)) + 1]
    lowest = np.minimum.accumulate(tail)
    ends = (tail <= 0.0) | (tail > lowest + limit.TURNING_SIGMAS * jitter_g)
    if not ends.any():
        return start, max(latest, pulse.fall)
    end = int(np.argmax(ends))
    return start, max(float(first + int(np.argmin(tail[: end + 1]))), pulse.fall)


def _integral(signal_g: FloatArray, start: float, stop: float) -> float:
    """Trapezoidal integral between two instants, in g × samples."""
    inner = np.arange(int(np.floor(start)) + 1, int(np.ceil(stop)))
    instants = np.concatenate(([start], inner, [stop]))
    first = int(start)
    around_g = signal_g[first : int(np.ceil(stop)) + 1]
    values = np.interp(instants, first + np.arange(around_g.size), around_g)
    return float(np.sum(0.5 * (values[1:] + values[:-1]) * np.diff(instants)))


# ------------------------------------------------------------------------------- cross axes


def _axis_across(
    axis_g: FloatArray, event: Event, filter_: LowPass, sample_rate_hz: float
) -> FloatArray:
    """Another axis from its own baseline, through the filter of the main one."""
    record_g = np.ascontiguousarray(axis_g, dtype=np.float64)
    quiet = quiet_before(record_g, event) or quiet_after(record_g, event)
    signal_g = record_g - (quiet.level_g if quiet else 0.0)
    if filter_.cutoff_hz is not None:
        signal_g = low_pass(signal_g, sample_rate_hz, filter_.cutoff_hz)
    return signal_g


def _resultant_peak(
    main_g: FloatArray, peak_g: float, across: Mapping[str, FloatArray]
) -> float | None:
    """Largest √(x² + y² + z²) of three axes, at least the peak of the main one; else None."""
    if len(across) != 2:
        return None
    squares = main_g**2 + sum(signal**2 for signal in across.values())
    return max(float(np.sqrt(squares.max())), peak_g)


# ---------------------------------------------------------------------------- later impacts


def _later_impacts(
    filtered_g: FloatArray, pulse: Pulse, noise_g: float, sample_rate_hz: float
) -> tuple[LaterImpact, ...]:
    """Impacts that rise out of something quieter, at least one duration after the first."""
    size = np.abs(filtered_g)
    level = max(limit.LATER_IMPACT_FRACTION * pulse.peak_g, limit.MIN_IMPACT_OVER_NOISE * noise_g)
    width = max(int(np.ceil(pulse.duration)), 1)
    begin = int(pulse.fall) + width
    found: list[LaterImpact] = []
    while begin < size.size:
        above = size[begin:] >= level
        if not above.any():
            break
        first = begin + int(np.argmax(above))
        stop = min(first + width, size.size)
        peak = first + int(np.argmax(size[first:stop]))
        preceding = float(size[max(first - width, 0) : max(first - width // 4, 1)].max())
        if size[peak] >= limit.LATER_IMPACT_RISE * preceding:
            found.append(LaterImpact(peak / sample_rate_hz, float(size[peak])))
        begin = stop
    return tuple(found)
