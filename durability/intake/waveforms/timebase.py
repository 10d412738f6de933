"""When a record was taken, and when each of its samples was."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import TYPE_CHECKING

import numpy as np

from durability.intake.waveforms.doubts import points_stated
from durability.intake.waveforms.preamble import PLAUSIBLE_RATES_HZ
from durability.intake.waveforms.table import Table, from_arrays
from durability.intake.waveforms.words import (
    DAY,
    TIME_UNITS,
    WORDS,
    Unit,
    names_index,
    names_time,
    one_of,
    within,
)
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.record.records import FloatArray

_HEAD_CHARACTERS = 8192
_MONTHS = {name: int(number) for number, names in WORDS["months"].items() for name in names.split()}
_KEY = re.compile(
    rf"(?:[#%!*;/'\"\s]*)(?P<key>[^,;\t=\d]*?\b{one_of('within', 'date')}\b[^,;\t=\d]*?)"
    r"[\"'\s]*[:=,;\t ][\"'\s:=,;]*(?P<value>.*\d.*)",
    re.IGNORECASE,
)
_OTHER_DATES = within("other_date")
_DATES = (
    (re.compile(r"\b(\d{4})-(\d{1,2})-(\d{1,2})(?!\d)"), "ymd"),
    (re.compile(r"\b(\d{4})[/.](\d{1,2})[/.](\d{1,2})(?!\d)"), "ymd"),
    (re.compile(r"\b(\d{1,2})\.(\d{1,2})\.(\d{4})\b"), "dmy"),
    (re.compile(r"\b(\d{1,2})[/-](\d{1,2})[/-](\d{4})\b"), "either"),
    (re.compile(r"\b(\d{1,2})[. -]+([^\W\d_]+)[. ,-]+(\d{4})\b"), "dMy"),
    (re.compile(r"\b([^\W\d_]+)[. ]+(\d{1,2}),? +(?:[\d:.]+ +)?(\d{4})\b"), "Mdy"),
)
_TIME = re.compile(
    r"(?<![\d.])(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,]\d+)?)?\s*([ap]\.?m\.?)?"
    r"\s*(Z\b|[+-]\d\d:?\d\d\b)?",
    re.IGNORECASE,
)


def recorded_at(text: str) -> str | None:
    """Moment at which a text export says it was recorded, as ISO 8601; None when it doesn't.

    Only a date that can be read in one way is taken: 2026-03-14, 14.03.2026, 14 March 2026, but
    not 03/04/2026. A date may stand alone, or with a time of day beside it or on a line of its
    own.

    Parameters
    ----------
    text : str
        The export; only its first lines are looked at.
    """
    day: date | None = None
    clock: tuple[time, str] | None = None
    for line in text[:_HEAD_CHARACTERS].splitlines()[:-1]:
        entry = None if "0" <= line < ":" else _KEY.match(line)
        if entry is None or _OTHER_DATES.search(entry["key"]):
            continue
        found = _date_in(entry["value"])
        spoken = _time_in(entry["value"])
        if day is None and found is not None:
            day = found
            if spoken is not None:
                clock = spoken
                break
        elif clock is None and found is None and spoken is not None:
            clock = spoken
    if day is None:
        return None
    if clock is None:
        return day.isoformat()
    return datetime.combine(day, clock[0]).isoformat() + clock[1]


def _date_in(words: str) -> date | None:
    for pattern, order in _DATES:
        found = pattern.search(words)
        if found is None:
            continue
        parts = found.groups()
        if order == "either":
            first, second = int(parts[0]), int(parts[1])
            if first <= 12 and second <= 12 and first != second:
                return None
            order = "dmy" if first > 12 else "mdy"
        try:
            numbers = {
                letter.lower(): _MONTHS[part.casefold()] if letter == "M" else int(part)
                for letter, part in zip(order, parts, strict=True)
            }
            return date(numbers["y"], numbers["m"], numbers["d"])
        except (KeyError, ValueError):
            continue
    return None


def _time_in(words: str) -> tuple[time, str] | None:
    found = _TIME.search(words)
    if found is None:
        return None
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    half = (found[4] or "").lower()
    if half and 1 <= hour <= 12:
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    offset = (found[5] or "").upper()
    if offset and offset != "Z" and ":" not in offset:
        offset = f"{offset[:3]}:{offset[3:]}"
    try:
        return time(hour, minute, second), offset
    except ValueError:
        return None


JITTER_FRACTION = 0.5
"""Most that a step may differ from the mean step, beyond the rounding of the stamps. A sample that
is missing makes a step of 2."""

MAX_RATE_ERROR = 0.002
"""Most that rounded stamps may leave the sample rate open: a tenth of what is asked of peak and
velocity change."""

PLAUSIBLE_PULSES_S = (20e-6, 0.1)
"""Lengths between which the impact of a record lies, at 30 % of its peak: metal on metal to soft
foam, with a factor of 2 to spare. They tell the unit of a time column that names none."""

SERIAL_DAYS = (20_000.0, 80_000.0)
"""Day numbers of spreadsheets between 1954 and 2119: no other time in such steps is so large."""

MOST_THINNED = 50
"""A time column slower than the preamble's rate by a whole number up to this tells that every n-th
sample was exported; by anything else, it contradicts the preamble."""

FEWEST_SAMPLES_OF_IMPACT = 8
"""Fewer may be a spike of noise, whose length says nothing."""


@dataclass(frozen=True, slots=True)
class TimeBase:
    """How a table tells time."""

    table: Table
    time_column: int | None
    """The one to read; None when the rate is known without it."""
    unit: Unit | None
    """Of the time column; None when it has to be told from the record."""
    known_hz: float | None
    """As given or as the preamble says; None when neither does."""
    confirmed: bool
    """Whether the user has told the unit, which then goes before the preamble."""

    def measure(self, stamps: FloatArray | None, values: FloatArray) -> tuple[float, float]:
        """Sample rate, Hz, and time of the first sample, s.

        Parameters
        ----------
        stamps : ndarray of shape (n_samples,) or None
            The time column, if there is one.
        values : ndarray of shape (n_samples,)
            The channel.

        Raises
        ------
        WaveformUnreadable
            Time runs backwards, stands still, has a gap or comes in uneven steps; or its unit
            can't be told, or contradicts the preamble.
        """
        table = self.table
        if stamps is None or self.time_column is None:
            rate_hz = float(f"{self.known_hz or 1.0:.12g}")
            table.inferred["sample rate"] = f"{rate_hz:.9g} samples/s"
            return rate_hz, table.preamble.start_s or 0.0
        unsure = table.columns[self.time_column].other_unit
        if unsure is not None and not self.confirmed and unsure.quantity == "time":
            raise WaveformUnreadable(
                f"{table.file}: time is in {unsure.symbol} by its heading and in"
                f" {self.unit.symbol if self.unit else 'another unit'} by the row of units; settle"
                " it with --time-unit"
            )
        step, left_open = _even_step(table, stamps, rate_known=self.known_hz is not None)
        unit = self.unit or self._unit_by_record(step, values)
        # Twelve digits: more than any clock has, and 200 kHz is not 199999.99999999997 Hz.
        rate_hz = float(f"{1.0 / (step * unit.factor):.12g}") if step > 0.0 else 0.0
        remark = ""
        if self.known_hz is not None:
            ratio = rate_hz / self.known_hz
            if abs(ratio - 1.0) <= max(left_open, 0.01):
                if left_open > MAX_RATE_ERROR:
                    rate_hz, remark = self.known_hz, ", from the preamble: time is too coarse"
            elif step > 0.0 and not self.confirmed and not _is_thinned(ratio):
                raise WaveformUnreadable(
                    f"{table.file}: time in {unit.symbol} makes {rate_hz:.6g} samples/s, the"
                    f" preamble says {self.known_hz:.6g}; settle it with --time-unit or"
                    " --sample-rate-hz"
                )
            else:
                remark = f", though the preamble says {self.known_hz:.9g}"
        elif step > 0.0 and not self.confirmed:
            self._refuse_implausible(rate_hz, values, unit)
        if left_open > MAX_RATE_ERROR and rate_hz != self.known_hz:
            raise WaveformUnreadable(
                f"{table.file}: the time column is too coarse, its stamps leave the sample rate "
                f"open by {100.0 * left_open:.2g} %; give the rate with --sample-rate-hz"
            )
        table.inferred["sample rate"] = f"{rate_hz:.9g} samples/s{remark}"
        # Days are counted from long ago: the time of day tells as much.
        return rate_hz, float(stamps[0] % 1.0 if unit is DAY else stamps[0]) * unit.factor

    def _refuse_implausible(self, rate_hz: float, values: FloatArray, unit: Unit) -> None:
        """Refuse a unit of time by which the impact is over sooner or later than impacts are."""
        shortest_s, longest_s = PLAUSIBLE_PULSES_S
        is_slow = rate_hz < PLAUSIBLE_RATES_HZ[0]
        if not is_slow and FEWEST_SAMPLES_OF_IMPACT / rate_hz >= shortest_s:
            return
        samples = _samples_of_impact(values)
        length_s = samples / rate_hz
        too_short = samples >= FEWEST_SAMPLES_OF_IMPACT and length_s < shortest_s
        too_long = length_s > longest_s and is_slow
        if samples < values.size and (too_short or too_long):
            raise WaveformUnreadable(
                f"{self.table.file}: time in {unit.symbol} makes {rate_hz:.6g} samples/s and an"
                f" impact of {1000.0 * length_s:.3g} ms, where impacts last {1000.0 * shortest_s:g}"
                f" to {1000.0 * longest_s:g} ms; confirm or settle it with --time-unit"
            )

    def _unit_by_record(self, step: float, values: FloatArray) -> Unit:
        """The only unit in which rate and impact are plausible."""
        table = self.table
        low_hz, high_hz = PLAUSIBLE_RATES_HZ
        rated = {
            unit.symbol: unit
            for unit in TIME_UNITS.values()
            if step > 0.0 and low_hz <= 1.0 / (step * unit.factor) <= high_hz
        }
        shortest_s, longest_s = PLAUSIBLE_PULSES_S
        length = step * _samples_of_impact(values)
        fitting = [
            unit for unit in rated.values() if shortest_s <= length * unit.factor <= longest_s
        ]
        choice = list(rated.values()) if len(rated) == 1 else fitting
        heading = table.columns[self.time_column or 0].heading
        first = float(table.head[0, self.time_column or 0])
        is_daily = step > 0.0 and low_hz <= 1.0 / (step * DAY.factor) <= high_hz
        if not rated and is_daily and SERIAL_DAYS[0] < first < SERIAL_DAYS[1]:
            choice = [DAY]
        if len(choice) != 1 or re.search(r"[(\[{]", heading):
            raise WaveformUnreadable(
                f"{table.file}: the unit of time column {heading!r}, in steps of {step:.6g}, can't "
                f"be determined; name it with --time-unit ({', '.join(TIME_UNITS)})"
            )
        unit = choice[0]
        table.inferred["time base"] = (
            f"column {heading!r} in {unit.symbol}, worked out from its steps "
            f"({1.0 / (step * unit.factor):.6g} samples/s)"
        )
        return unit


def time_columns(table: Table, time_unit: str | None) -> tuple[list[int], list[int]]:
    """Columns that tell time, and columns that only count.

    Whole numbers that rise by 1 below "X" or "Time" count samples, unless a unit says otherwise.

    Parameters
    ----------
    table : Table
        What was found in the file.
    time_unit : str or None
        As given.
    """
    has_unit = time_unit is not None or table.preamble.time_unit is not None
    times: list[int] = []
    counts: list[int] = []
    for i in range(len(table.columns)):
        if _tells_time(table, i, counts, has_unit=has_unit):
            times.append(i)
        elif _counts(table, i):
            counts.append(i)
    return times, counts


_CLEARLY = 2.0
"""Times by which samples in one order must differ more from their neighbours than in another."""


def samples_across_lines(table: Table, first: int, rate_hz: float | None) -> Table:
    """A table whose samples run on from line to line, as one column; any other as it is.

    Certain where nothing names the columns and the preamble says how many samples there are, or
    the column before them counts on by as many as a line holds. Else neighbours decide: a shock
    recorded by a sensor changes less from sample to sample than from line to line.

    Parameters
    ----------
    table : Table
        What was found in the file.
    first : int
        Columns left of the samples that count or tell time: 0 or 1.
    rate_hz : float or None
        As given or as the preamble says.

    Raises
    ------
    WaveformUnreadable
        Columns without names may be channels or run on, and nothing decides.
    """
    width = len(table.columns) - first
    if width < 2 or not all(each.is_nameless for each in table.columns):
        return table
    stated = points_stated(table)
    steps = np.diff(table.head[:, 0]) if first else np.empty(0)
    step = float(np.median(steps)) if steps.size else 0.0
    # The number of each line's first sample, or its time.
    counted = step == width or (rate_hz is not None and abs(step * rate_hz / width - 1.0) < 0.01)
    if first and not counted:
        return table
    numbers = np.column_stack(table.load(list(range(first, len(table.columns)))))
    samples = numbers.ravel()
    samples = samples[: samples.size - int(np.argmax(np.isfinite(samples[::-1])))]
    remark = ", the samples running on from line to line"
    if not counted and (samples.size not in stated or len(numbers) in stated):
        along, down = (float(np.nansum(np.diff(each, axis=0) ** 2)) for each in (samples, numbers))
        if along > _CLEARLY * down:
            return table
        if _CLEARLY * along > down:
            raise WaveformUnreadable(
                f"{table.file}: lines of {width} numbers with no names above them and no time:"
                " channels side by side, or samples that run on from line to line; name the"
                " columns, or export one sample a line"
            )
        remark = ", assumed: the samples run on from line to line"
    table.inferred["data"] = table.inferred.get("data", "") + remark
    upright = from_arrays(table.file, {"": samples}, table.preamble, table.inferred)
    return replace(upright, place=lambda row: table.place(row // width))


def find_time_base(
    table: Table,
    times: list[int],
    counts: list[int],
    channel: int,
    sample_rate_hz: float | None,
    time_unit: str | None,
) -> TimeBase:
    """How the time of a channel's samples is known.

    Parameters
    ----------
    table : Table
        What was found in the file.
    times, counts : list of int
        Columns that tell time, and columns that only count.
    channel : int
        The column of readings.
    sample_rate_hz, time_unit
        As given; None when not.

    Raises
    ------
    WaveformUnreadable
        Neither a column nor the preamble nor an option tells the sample rate.
    """
    inferred = table.inferred
    if sample_rate_hz is not None and not sample_rate_hz > 0.0:
        raise WaveformUnreadable(f"{table.file}: sample rate {sample_rate_hz:g} Hz is not positive")
    known_hz = sample_rate_hz or table.preamble.rate_hz
    column = _time_column_of(table, times, channel)
    if column is not None and sample_rate_hz is None:
        unit, how = _time_unit(table, column, time_unit, known_hz)
        if unit is not None:
            heading = table.columns[column].heading
            inferred["time base"] = f"column {heading!r} in {unit.symbol}, {how}"
        return TimeBase(table, column, unit, known_hz, time_unit is not None)
    rates = [f"{rate:.6g}" for rate in table.preamble.rates_hz()]
    if known_hz is None and len(rates) > 1:
        raise WaveformUnreadable(
            f"{table.file}: by the preamble the sample rate may be {' or '.join(rates)} Hz; give "
            "the rate with --sample-rate-hz"
        )
    if known_hz is None and counts:
        heading = table.columns[counts[0]].heading
        raise WaveformUnreadable(
            f"{table.file}: column {heading!r} rises by 1 from row to row and has no unit of time,"
            " so it counts the samples; give their rate with --sample-rate-hz, or the column's unit"
            " with --time-unit"
        )
    if known_hz is None:
        raise WaveformUnreadable(
            f"{table.file}: neither a time column nor a sample interval in the preamble; give the "
            "rate with --sample-rate-hz"
        )
    how = "given" if sample_rate_hz is not None else "from the preamble"
    inferred["time base"] = f"{known_hz:.9g} samples/s, {how}"
    return TimeBase(table, None, None, known_hz, False)


def _time_column_of(table: Table, times: list[int], channel: int) -> int | None:
    """The time column that goes with a channel: each may have its own to its left.

    Of several side by side, as date and milliseconds, the one that stands still least.
    """
    left = [i for i in times if i < channel]
    if not left:
        return times[0] if times else None
    block = [left[-1]]
    for i in reversed(left[:-1]):
        if i != block[-1] - 1:
            break
        block.append(i)
    return min(block, key=lambda i: int(np.sum(_head_steps(table, i) <= 0.0)))


def _head_steps(table: Table, index: int) -> FloatArray:
    values = table.head[:, index]
    return np.diff(values[np.isfinite(values)])


def _is_running_number(table: Table, index: int) -> bool:
    steps = _head_steps(table, index)
    first = table.head[0, index]
    return bool(steps.size and np.all(steps == 1.0) and first == np.rint(first))


def _counts(table: Table, index: int) -> bool:
    """Whether a column is a running number that is no time."""
    column = table.columns[index]
    if column.unit is not None and column.unit.quantity != "counts":
        return column.unit.quantity == "index"
    if names_index(column.name) or names_time(column.name) or index == 0:
        return _is_running_number(table, index)
    return False


def _tells_time(table: Table, index: int, counts: list[int], *, has_unit: bool) -> bool:
    column = table.columns[index]
    if column.unit is not None:
        return column.unit.quantity == "time"
    steps = _head_steps(table, index)
    forward = bool(steps.size == 0 or np.median(steps) > 0.0 or np.mean(steps) > 0.0)
    is_count = not has_unit or names_index(column.name) or bool(table.preamble.rates_hz())
    if is_count and _is_running_number(table, index):
        return False
    even = bool(
        steps.size > 1 and steps.min() > 0.0 and np.ptp(steps) <= 0.5 * float(np.median(steps))
    )
    if names_time(column.name):
        word = column.name.casefold()
        return (word != "x" or (index == 0 and forward)) and (word != "t" or index == 0 or even)
    # A nameless first column that climbs in even steps is time, if there is a channel beside it.
    first = counts == list(range(index)) and len(table.columns) > index + 1
    return first and column.is_nameless and even and not _is_running_number(table, index)


def _time_unit(
    table: Table, index: int, time_unit: str | None, known_hz: float | None
) -> tuple[Unit | None, str]:
    if time_unit is not None:
        return TIME_UNITS[time_unit], "given"
    column = table.columns[index]
    if column.unit is not None:
        return column.unit, f"from {column.unit_from}"
    if table.preamble.time_unit is not None:
        return table.preamble.time_unit, "from the preamble"
    values = table.head[:, index]
    values = values[np.isfinite(values)]
    step = float(values[-1] - values[0]) / max(values.size - 1, 1)
    for unit in TIME_UNITS.values() if step > 0.0 and known_hz is not None else ():
        if abs(1.0 / (step * unit.factor) / (known_hz or 1.0) - 1.0) < 0.05:
            return unit, "worked out from the preamble's sample rate"
    return None, ""


def _is_thinned(ratio: float) -> bool:
    left_out = 1.0 / ratio
    return 1.5 < left_out <= MOST_THINNED and abs(left_out / round(left_out) - 1.0) < 0.01


def _samples_of_impact(values: FloatArray) -> int:
    """Samples in a row about the largest excursion that exceed 30 % of it."""
    size = np.abs(values - np.median(values))
    peak = int(np.argmax(size))
    below = np.flatnonzero(size < 0.3 * size[peak])
    after = int(np.searchsorted(below, peak))
    start = int(below[after - 1]) + 1 if after > 0 else 0
    stop = int(below[after]) if after < below.size else size.size
    return stop - start


def _even_step(table: Table, stamps: FloatArray, *, rate_known: bool) -> tuple[float, float]:
    """Mean step of a time column, in its own unit, and how far its rounding leaves it open.

    Uneven stamps are refused; ones that stand still only when nothing else tells the rate.
    """
    steps = np.diff(stamps)
    if np.any(steps < 0.0):
        at = int(np.argmax(steps < 0.0)) + 1
        raise WaveformUnreadable(
            f"{table.file}, {table.place(at)}: time runs backwards, from {stamps[at - 1]:.9g} to "
            f"{stamps[at]:.9g}; samples must be in the order they were taken, or give the rate "
            "with --sample-rate-hz"
        )
    span = float(stamps[-1] - stamps[0])
    if span <= 0.0:
        if rate_known:
            return 0.0, float("inf")
        raise WaveformUnreadable(
            f"{table.file}: the time column does not advance at {stamps[0]:.9g}; give the rate "
            "with --sample-rate-hz"
        )
    # Gaps stretch the mean; most steps don't have one. Stamps that repeat have been rounded more
    # coarsely than their step, and then only the mean tells it.
    step = span / steps.size
    rounding = 0.0
    if not steps.all():
        rounding = float(steps[steps > 0.0].min())
    else:
        step = float(np.median(steps)) if np.ptp(steps) > step else step
    allowed = (1.0 + JITTER_FRACTION) * step + rounding
    if steps.max() > allowed:
        at = int(np.argmax(steps)) + 1
        gaps = int(np.sum(steps > allowed))
        raise WaveformUnreadable(
            f"{table.file}, {table.place(at)}: a gap in time of {steps.max():.6g} where a step is "
            f"{step:.6g} ({gaps} such); evenly spaced samples are needed (--sample-rate-hz takes "
            "them as such)"
        )
    # The line through all stamps, on which jitter and rounding of the two ends weigh little.
    index = np.arange(stamps.size) - 0.5 * (stamps.size - 1)
    centred = stamps - stamps.mean()
    step = float(np.sum(index * centred) / np.sum(index * index))
    if np.abs(centred - step * index).max() > 2.0 * JITTER_FRACTION * step + rounding:
        raise WaveformUnreadable(
            f"{table.file}: time comes in uneven steps, from {steps.min():.6g} to "
            f"{steps.max():.6g}; evenly spaced samples are needed (--sample-rate-hz takes them as "
            "such)"
        )
    # A staircase of n treads, cut anywhere, tilts the line by less than 2 / n².
    return step, 2.0 * (rounding / span) ** 2
