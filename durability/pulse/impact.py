"""Where in a record the first impact is, and what the record does when nothing happens."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.pulse import thresholds as limit

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

_HEAD_SAMPLES = 32
_MIN_QUIET_SAMPLES = 8
_QUIET_DURATIONS = 10
_QUIET_SAMPLES = 256


@dataclass(frozen=True, slots=True)
class Event:
    """Extent of an impact at a first look; indices into the record, ``stop`` exclusive."""

    onset: int
    """Start of the first lobe, which need not be the highest."""
    start: int
    peak: int
    stop: int
    polarity: Literal[-1, 1]

    @property
    def width(self) -> int:
        """Samples above ``EVENT_FRACTION`` of the peak."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class Quiet:
    """A stretch in which nothing happens."""

    level_g: float
    """Mean of the middle half."""
    noise_g: float
    """Standard deviation."""
    jitter_g: float
    """Standard deviation as told by the step from sample to sample: free of hum and drift."""
    wander_g: float
    """Half of what the mean moves between its halves: hum and drift that are left."""
    samples: int
    at: IntArray = field(default_factory=lambda: np.empty(0, np.intp), compare=False)
    """Indices into the record of the samples that it rests on."""


_MOST_COUNTED = 1 << 16
"""Steps of a grid up to which counting what lies on each is quicker than sorting."""
_SHOW_STEP = 512
"""So many values show the step of their grid."""


def counted(values: FloatArray) -> tuple[FloatArray, IntArray]:
    """Values that occur, in rising order, and how often each does.

    A recorder's values are on a grid: counting them takes a third of the time of sorting.

    Parameters
    ----------
    values : ndarray of shape (n_values,)
        At least one, all finite.

    Returns
    -------
    occurring, counts : ndarray of shape (n_occurring,)
    """
    some = np.unique(values[:: 1 + values.size // _SHOW_STEP])
    lowest = values.min()
    with np.errstate(over="ignore", invalid="ignore"):  # differences of the largest numbers
        step = np.diff(some).min(initial=np.inf)
        steps = (values.max() - lowest) / step
    if steps < _MOST_COUNTED:
        places = np.rint((values - lowest) / step).astype(np.intp)
        counts = np.bincount(places)
        at = np.empty(counts.size)
        at[places] = values
        if np.array_equal(at[places], values):
            occurs = np.flatnonzero(counts)
            return at[occurs], counts[occurs]
    occurring, counts = np.unique(values, return_counts=True)
    return occurring, counts


def in_rising_order(values: FloatArray) -> FloatArray:
    """Values sorted; as for ``counted``."""
    ordered: FloatArray = np.repeat(*counted(values))
    return ordered


_FEWEST_TO_BIN = 2048
"""Below so many values ordering all of them is quicker."""
_BINS = 1024


def quantile(values: FloatArray, share: float) -> float:
    """What ``numpy.quantile`` gives, in half the time for many values, most of them small.

    Values are counted in bins of one width; only those of the bins that hold the share are ordered.

    Parameters
    ----------
    values : ndarray of shape (n_values,)
        At least one, all finite.
    share : float
        Of the values that are below; 0.5 for the median.
    """
    at = share * (values.size - 1)
    low, high = int(at), min(int(at) + 1, values.size - 1)
    least = float(values.min())
    width = (float(values.max()) - least) / _BINS
    if values.size >= _FEWEST_TO_BIN and 0.0 < width < np.inf:
        bins = ((values - least) / width).astype(np.intp)
        until = np.cumsum(np.bincount(bins))
        first, last = np.searchsorted(until, (low, high), "right")
        values = values[bins == first if first == last else (bins >= first) & (bins <= last)]
        before = int(until[first - 1]) if first else 0
        low, high = low - before, high - before
    ordered = np.partition(values, (low, high))
    return float(ordered[low] + (ordered[high] - ordered[low]) * (at % 1.0))


def recorder_step_g(ordered_g: FloatArray) -> float:
    """Smallest difference between values that differ, given in rising order; 0 when none do."""
    steps = np.diff(ordered_g)
    largest_g = max(abs(float(ordered_g[0])), abs(float(ordered_g[-1])))
    steps = steps[steps > limit.SAME_PRINT * largest_g]
    return float(steps.min()) if steps.size else 0.0


def step_above_g(values_g: FloatArray, level_g: float) -> float:
    """Step of the recorder or of its text just above a level; 0 when no values are there.

    Text of a few significant digits has coarser steps the higher up it is: 1.80e2 and 1.81e2 are
    neighbours where 1.2e-1 and 1.3e-1 are too. It is the largest number of which the differences
    of the next values up are multiples.

    Parameters
    ----------
    values_g : ndarray of shape (n_values,)
    level_g : float
    """
    above = np.unique(values_g[values_g >= level_g])[: limit.VALUES_THAT_SHOW_A_STEP]
    least = limit.SAME_PRINT * float(np.abs(values_g).max())
    left = np.diff(above)
    step_g = 0.0
    while (left := left[left > least]).size:
        step_g = float(left.min())
        left = np.abs(left - step_g * np.round(left / step_g))
    return step_g


def find_first_event(record_g: FloatArray, ordered_g: FloatArray) -> tuple[Event | None, bool]:
    """Extent of what may be the first impact, and whether it stands clear of the rest.

    Parameters
    ----------
    record_g : ndarray of shape (n_samples,)
        Unfiltered acceleration in g.
    ordered_g : ndarray of shape (n_samples,)
        The same in rising order: sorted once, it gives each median and the recorder's step.

    Returns
    -------
    event : Event or None
        None where all is too small for an impact.
    clear : bool
        Whether it is more than the record's own noise, hum and drift.
    """
    as_read_g = record_g
    record_g, noise_g = _first_look(record_g, ordered_g)
    if record_g is not as_read_g:
        ordered_g = in_rising_order(record_g)
    head = record_g[:_HEAD_SAMPLES]
    # A record that begins in its impact has its quiet elsewhere.
    far = limit.FIRST_IMPACT_FRACTION * np.ptp(record_g)
    level, end = (_middle(np.sort(part)) for part in (head, record_g[-_HEAD_SAMPLES:]))
    # One that begins near its top would have its quiet there, and its impact upside down.
    begins_high = abs(level - end) > 0.5 * far and abs(level) > abs(end)
    begins_quiet = np.ptp(head) < far and not begins_high
    rough = record_g - (level if begins_quiet else end if begins_high else _middle(ordered_g))
    size = np.abs(rough)
    largest = float(size.max())
    if largest < limit.MIN_IMPACT_G:
        return None, False
    swing = limit.CLEAR_OF_SWING * _spread(ordered_g)
    level = max(
        limit.FIRST_IMPACT_FRACTION * largest,
        min(max(6.0 * noise_g, swing), 0.5 * largest),
    )
    above = size >= level
    # One sample alone is a spike, unless the record has nothing better.
    pairs = np.flatnonzero(above[:-1] & above[1:])
    first = int(pairs[0]) if pairs.size else int(np.argmax(above))
    clear = _stands_clear(record_g, ordered_g, largest, first)
    event = _extent(rough, first)
    onset = event.start
    reach = event.width + 1
    while reach < 2 * rough.size:
        # A higher lobe right behind the first belongs to the same impact: closer than either lasts.
        behind = size[event.stop : event.stop + reach]
        reach *= 2
        if behind.size and behind.max() > 1.05 * size[event.peak]:
            lobe = _extent(rough, event.stop + int(np.argmax(behind)))
            if lobe.start - event.stop <= max(event.width, lobe.width):
                event = lobe
                reach = event.width + 1
    return replace(event, onset=onset), clear


def _first_look(record_g: FloatArray, ordered_g: FloatArray) -> tuple[FloatArray, float]:
    """The record, averaged over as few samples as make its impact stand clear, and its noise."""
    sums = None
    best, clearest = (record_g, 0.0), 0.0
    for span in (1, 3, 5, 9, 17, 33, 65, 129):
        if span > record_g.size // limit.LOOK_SPANS_PER_RECORD:
            break
        looked_at, middle = record_g, _middle(ordered_g)
        if span > 1:
            if sums is None:
                sums = np.concatenate(([0.0], np.cumsum(record_g - record_g[0])))
            means = (sums[span:] - sums[:-span]) / span + record_g[0]
            looked_at = np.pad(means, span // 2, mode="edge")
            middle = quantile(looked_at, 0.5)
        size = np.abs(looked_at - middle)
        noise = 1.4826 * quantile(np.abs(np.diff(looked_at[::span])), 0.5) / np.sqrt(2.0)
        if noise * limit.CLEAR_OF_NOISE <= float(size.max()):
            return looked_at, noise
        clear = float(size.max()) / noise
        if clear < clearest:
            break
        best, clearest = (looked_at, noise), clear
    return best


def _middle(ordered: FloatArray) -> float:
    """Median of values in rising order."""
    half = ordered.size // 2
    return float(ordered[half] if ordered.size % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def _spread(ordered: FloatArray) -> float:
    """Standard deviation of normal values in rising order, however few others are far off.

    The values nearest the median are neighbours: among all stretches of so many, the one whose
    further end is nearest.
    """
    middle, half = _middle(ordered), ordered.size // 2
    nearest = (half,) if ordered.size % 2 else (half - 1, half)
    off = [
        float(np.maximum(middle - ordered[: ordered.size - k], ordered[k:] - middle).min())
        for k in nearest
    ]
    return 1.4826 * sum(off) / len(off)


def _stands_clear(record_g: FloatArray, ordered_g: FloatArray, largest: float, first: int) -> bool:
    """Whether the largest excursion is more than noise, hum or drift of the whole record."""
    spread = _spread(ordered_g)
    # Where more than half the samples sit on one step, noise may still be 0.74 of it.
    least = 0.75 * recorder_step_g(ordered_g)
    # Gravity comes and goes with the fall: it may add to the noise, and is no impact.
    if largest >= limit.GRAVITY_G + limit.MIN_IMPACT_OVER_NOISE * max(spread, least):
        return True
    # An impact that lasts or rings through most of its record is told by the silence before it,
    # and before its foot.
    before = record_g[: first // 2]
    if before.size < max(record_g.size // 40, _HEAD_SAMPLES):
        return False
    # A drift has none: its quarters climb, and would go on to where the impact is.
    climb = 4.0 * float(np.ptp([quarter.mean() for quarter in np.array_split(before, 4)]))
    silence = max(float(before.std()), climb, least)
    return largest >= limit.GRAVITY_G + limit.MIN_IMPACT_OVER_NOISE * silence


def _extent(rough: FloatArray, first: int) -> Event:
    polarity: Literal[-1, 1] = 1 if rough[first] > 0 else -1
    ahead = polarity * rough[first:]
    below = ahead < limit.EVENT_FRACTION * np.maximum.accumulate(ahead)
    stop = first + int(np.argmax(below)) if below.any() else rough.size
    peak = first + int(np.argmax(ahead[: stop - first]))
    behind = polarity * rough[: peak + 1] < limit.EVENT_FRACTION * ahead[peak - first]
    start = int(np.flatnonzero(behind)[-1]) + 1 if behind.any() else 0
    return Event(start, start, peak, stop, polarity)


def quiet_before(record_g: FloatArray, event: Event) -> Quiet | None:
    """The last quiet stretch before an impact: for a DC-coupled sensor, the fall.

    Where the record creeps up on the impact, the quarter furthest from it is taken; where it steps
    or drifts otherwise, as at the release, the nearest. None when nothing precedes the impact.
    """
    stop = event.onset - min(event.width * 3 // 4 + 2, event.onset // 2)
    wanted = max(_QUIET_DURATIONS * event.width, _QUIET_SAMPLES)
    start = max(stop - wanted, 0)
    if stop - start < _MIN_QUIET_SAMPLES:
        return None
    whole = _quiet(record_g[start:stop])
    quarter = (stop - start) // 4
    early_g, late_g = record_g[start : start + quarter], record_g[stop - quarter : stop]
    creep_g = event.polarity * (_level(np.sort(late_g)) - _level(np.sort(early_g)))
    height_g = abs(float(record_g[event.peak]) - whole.level_g)
    by_noise_g = limit.CREEP_SIGMAS * whole.jitter_g * float(np.sqrt(2.0 / quarter))
    if abs(creep_g) <= max(by_noise_g, limit.CREEP_FRACTION * height_g):
        return whole
    return _quiet(early_g if creep_g > 0.0 else late_g)


def quiet_after(record_g: FloatArray, event: Event) -> Quiet | None:
    """The last half of what follows an impact, without later ones in it.

    None when another pulse could fill it.
    """
    guard = 3 * event.width + 2
    length = (record_g.size - event.stop - guard) // 2
    if length < max(2 * _MIN_QUIET_SAMPLES, 2 * event.width):
        return None
    at = np.arange(record_g.size - length, record_g.size)
    stretch = record_g[at]
    ordered = in_rising_order(stretch)
    steps = np.diff(stretch)
    off = 1.4826 * quantile(np.abs(steps - quantile(steps, 0.5)), 0.5)
    spread = max(_spread(ordered), off)
    bounces = np.abs(stretch - _middle(ordered)) > limit.BOUNCE_SIGMAS * spread
    if spread > 0.0 and bounces.any():
        about = np.convolve(bounces, np.ones(2 * event.width + 1), "same") > 0.5
        still = ~about if np.count_nonzero(~about) >= length // 2 else ~bounces
        at, stretch = at[still], stretch[still]
        ordered = np.sort(stretch)
    return replace(_quiet(stretch, ordered), at=at)


def _level(ordered: FloatArray) -> float:
    """Mean of the middle half."""
    quarter = ordered.size // 4
    return float(ordered[quarter : ordered.size - quarter].mean())


def _quiet(stretch_g: FloatArray, ordered: FloatArray | None = None) -> Quiet:
    ordered = np.sort(stretch_g) if ordered is None else ordered
    half = ordered.size // 2
    return Quiet(
        level_g=_level(ordered),
        noise_g=float(stretch_g.std()),
        jitter_g=float(np.sqrt(np.mean(np.diff(stretch_g) ** 2) / 2.0)),
        wander_g=0.5 * abs(float(stretch_g[:half].mean() - stretch_g[half:].mean())),
        samples=stretch_g.size,
    )
