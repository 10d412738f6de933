"""What speaks against a record: flags with their numbers, notes in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse import thresholds as limit
from durability.pulse.impact import quantile, step_above_g
from durability.pulse.low_pass import CLASS_TO_CUTOFF
from durability.record.records import CrossPeak, PulseFlag
from durability.record.units import fall_height_mm
from durability.record.vocabulary import HEIGHT_TOLERANCE, MOST_CROSS_AXIS_PCT

if TYPE_CHECKING:
    from durability.pulse.edges import NearTop, Pulse
    from durability.pulse.impact import Event, Quiet
    from durability.pulse.low_pass import Hum
    from durability.record.records import BoolArray, FloatArray, IntArray, LaterImpact, LowPass


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
    step_g = max(step_g, step_above_g(-lobe, -top))
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


def find_dropout(
    record_g: FloatArray, step_g: float, event: Event, pulse: Pulse, baseline: Quiet
) -> tuple[int, int] | None:
    """First sample and length of a stretch in the pulse in which the record was lost.

    Samples stay at one level there, zero or the last value. What says so is the jump by which the
    record comes back to where the pulse has gone meanwhile (and, to zero, the one by which it
    went), or equal samples where noise would tell them apart.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        As read.
    step_g : float
        Step of the recorder.
    event, pulse, baseline
        The first impact, its pulse after the default filter, and the quiet before it.
    """
    reach = max(int(limit.DROPOUT_REACH * pulse.duration), 4)
    begin = max(int(min(pulse.rise, event.onset)) - reach, 0)
    y = event.polarity * record_g[begin : int(max(pulse.fall, event.stop)) + reach + 1]
    y -= event.polarity * baseline.level_g
    if y.size < 8:
        return None
    # A recorder that writes each sample several times changes at every so many only.
    changes = np.flatnonzero(np.diff(y)) + 1
    every = int(np.gcd.reduce(np.diff(changes))) if changes.size > 1 else 1
    begin, y = begin + int(changes[0]) % every, y[int(changes[0]) % every :: every]
    jumps = _Jumps.of(y, step_g, baseline, pulse.peak_g)
    turns = np.flatnonzero(np.diff(y, prepend=np.nan, append=np.nan) != 0.0)
    # As long as the first and last are left out, each has a step into it and one back.
    first, length = turns[1:-2], np.diff(turns)[1:-1]
    found = _held(jumps, first, length)
    if found is not None and (coarser_g := step_above_g(y, y[found[0]])) > step_g:
        found = _held(_Jumps.of(y, coarser_g, baseline, pulse.peak_g), first, length)
    found = found or _gone(jumps)
    return None if found is None else (begin + every * found[0], every * found[1])


@dataclass(frozen=True, slots=True)
class _Jumps:
    """Steps of a record, and by how much each is beyond those beside it and beyond none.

    Neither a corner of a pulse nor a swing that is sampled well enough makes one.
    """

    y: FloatArray
    steps: FloatArray
    excess_g: FloatArray
    step_g: float
    """Of the recorder."""
    noise_g: float
    is_silent: bool
    """Whether noise is too small to move a level record from one step to the next."""
    peak_g: float
    by_chance: float
    """Logarithm of the chance, of one place among all, below which it is none."""

    @classmethod
    def of(cls, y: FloatArray, step_g: float, baseline: Quiet, peak_g: float) -> _Jumps:
        steps = np.diff(y)
        padded = np.concatenate(([0.0, 0.0], steps, [0.0, 0.0]))
        a, b, c, d = (padded[shift : shift + steps.size] for shift in (0, 1, 3, 4))
        most = np.maximum(np.maximum(a, b), np.maximum(c, d))
        least = np.minimum(np.minimum(a, b), np.minimum(c, d))
        above, below = steps - np.maximum(most, 0.0), np.minimum(least, 0.0) - steps
        excess_g = np.maximum(np.maximum(above, below), 0.0)
        by_chance = float(np.log(limit.DROPOUT_BY_CHANCE / y.size))
        silent = baseline.noise_g < 0.5 * step_g
        noise_g = max(baseline.noise_g if silent else baseline.jitter_g, step_g / np.sqrt(12.0))
        return cls(y, steps, excess_g, step_g, float(noise_g), silent, peak_g, by_chance)

    def noise(self) -> FloatArray:
        """Logarithm of the chance of each by noise.

        The difference of two steps in a row has 6 times the variance of a sample.
        """
        return -(self.excess_g**2) / (12.0 * self.noise_g**2)

    def is_inside(self) -> BoolArray:
        """Whether each begins and ends within the pulse, whose edges may be cliffs."""
        is_high = self.y > limit.PULSE_EDGE_FRACTION * self.peak_g
        return is_high[1:] & is_high[:-1]

    def same_step(self, spread_g: FloatArray, equal: IntArray) -> FloatArray:
        """Logarithm of the chance of equal samples that scatter by so much.

        It is at least that at which others in the pulse are equal: some recorders repeat samples.
        """
        is_inside = self.is_inside()
        found = float(np.count_nonzero(self.steps[is_inside] == 0.0))
        share = (found - equal) / max(float(np.count_nonzero(is_inside)), 1.0)
        share = np.clip(share, np.minimum(self.step_g / (2.5 * spread_g), 1.0), 1.0)
        return np.asarray(equal * np.log(share))

    def unlike(self, size_g: FloatArray, others: IntArray, equal: IntArray) -> BoolArray:
        """Whether none of the others, or no chance that they have, gives so many equal samples."""
        by_them = self.same_step(np.maximum(size_g, self.noise_g), equal)
        by_them += np.log(np.maximum(others, 1))
        return np.asarray((others <= 0) | (by_them < np.log(limit.DROPOUT_BY_CHANCE)))


def _held(jumps: _Jumps, first: IntArray, length: IntArray) -> tuple[int, int] | None:
    """First sample and length of the longest run of equal samples that was lost."""
    by_noise = np.zeros(length.size)
    if not jumps.is_silent:
        by_noise = jumps.same_step(np.full(length.size, jumps.noise_g), length - 1)
    into, back = first - 1, first + length - 1
    size_g, y = jumps.excess_g, jumps.y
    level_g, top_g = y[first], float(y.max())
    is_high = level_g > limit.PULSE_EDGE_FRACTION * jumps.peak_g
    least_g = limit.DROPOUT_STEP_FRACTION * jumps.peak_g
    beside = np.maximum(size_g[into], size_g[back]) > least_g
    places = np.log(2.0 * max(int(np.count_nonzero(size_g > least_g)), 1))
    proven = is_high & (by_noise - 0.5 * np.log(length) * (by_noise < 0.0) < jumps.by_chance)
    proven |= beside & (by_noise + places < np.log(limit.DROPOUT_BY_CHANCE))
    # Equal samples that nothing exceeds are those of a limit, or of the top.
    proven &= level_g < top_g
    returned = is_high & (length > 1)
    returned &= by_noise + jumps.noise()[back] < jumps.by_chance
    if not (proven | returned).any():
        return None

    is_inside = jumps.is_inside()
    others = np.where(
        is_inside[back],
        _larger(size_g[is_inside], 0.5 * size_g[back]),
        _larger(size_g, 0.5 * size_g[back]),
    )
    others -= 1
    came_g = np.abs(level_g - y[np.maximum(first - (length - 1), 0)])
    moved = came_g > jumps.step_g + 6.0 * jumps.noise_g
    moved &= level_g < top_g - jumps.step_g - 4.0 * jumps.noise_g
    # A flank of few samples has one on its way down, and another flank like it.
    stays = is_inside[back] & is_inside[np.minimum(back + 1, is_inside.size - 1)]
    broken = stays & (length > 2) & (size_g[back] > least_g)
    broken &= _larger(size_g, 0.5 * size_g[back]) <= 1
    returned &= moved | broken
    returned &= jumps.unlike(size_g[back], others, length - 1)
    found = proven | returned
    if not found.any():
        return None
    longest = int(np.argmax(np.where(found, length, 0)))
    return int(first[longest]), int(length[longest])


def _gone(jumps: _Jumps) -> tuple[int, int] | None:
    """First sample and length of the first level stretch between a jump and one back."""
    at = np.flatnonzero(jumps.noise() < jumps.by_chance)
    gone, back = at[:-1], at[1:]
    fell = (jumps.steps[gone] < 0.0) & (jumps.steps[back] > 0.0)
    gone, back = gone[fell], back[fell]
    fell_g, came_g = jumps.excess_g[gone], jumps.excess_g[back]
    less_g = np.minimum(fell_g, came_g)
    likely = fell_g > limit.DROPOUT_STEP_FRACTION * jumps.peak_g
    # One or two samples on a level may be ringing, unless they fell off to the baseline.
    short = back - gone < 3
    is_off = np.abs(jumps.y[back]) < limit.PULSE_EDGE_FRACTION * jumps.peak_g
    likely &= ~short | (is_off & (less_g > limit.DROPOUT_SHORT_FRACTION * jumps.peak_g))
    for each in np.flatnonzero(likely):
        first, stop = int(gone[each]) + 1, int(back[each]) + 1
        spread_g = float(np.ptp(jumps.y[first:stop]))
        near = back - gone <= 2 * (stop - first)
        others = np.array([np.count_nonzero(near & (less_g > 0.5 * less_g[each])) - 1])
        equal = np.array([stop - first - 1 if spread_g == 0.0 else 0])
        unlike = jumps.unlike(less_g[each : each + 1], others, equal)
        if spread_g <= 8.0 * jumps.noise_g and unlike.all():
            return first, stop - first
    return None


def _larger(values: FloatArray, than: FloatArray) -> IntArray:
    """How many of some values are larger than each of others."""
    return values.size - np.searchsorted(np.sort(values), than, "right")


def has_two_values_a_stamp(record_g: FloatArray) -> bool:
    """Whether each two samples are the lowest and the highest of a stretch, as peaks are stored.

    Of such pairs one goes up and the way to the next goes down, or the reverse; samples taken one
    by one do so half of the time. Where they are in the order in which they came, the way within a
    pair is still longer than that to the next.
    """
    steps = np.diff(record_g)
    size = np.abs(steps)
    size = np.minimum(size, quantile(size, 0.95))
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
    found = f"{lost[1]} samples within the pulse stay at one level"
    if lost[1] == 1:
        found = "one sample within the pulse is at the baseline"
    words = f"dropout: {found}, which neither impact nor noise explains: the record was lost there"
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
