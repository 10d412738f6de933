"""When the samples of a file were taken: from a time column, a running number or a preamble."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.errors import WaveformUnreadable
from durability.intake.waveforms.words import TIME_UNITS, Unit, names_index, names_time

if TYPE_CHECKING:
    from durability.intake.waveforms.table import Table
    from durability.records import FloatArray

JITTER_FRACTION = 0.5
"""Most that a step may differ from the mean step, beyond the rounding of the stamps. A sample that
is missing makes a step of 2."""

PLAUSIBLE_RATES_HZ = (5e3, 2e7)
"""Sample rates between which shock recorders work: a time column without a unit is read in the
unit that puts its rate there, seconds first."""


@dataclass(frozen=True, slots=True)
class TimeBase:
    """How a table tells time."""

    table: Table
    columns: frozenset[int]
    """Columns that tell time or count, and are no channel."""
    time_column: int | None
    """The one to read; None when the rate is known without it."""
    unit_s: float
    rate_hz: float | None
    """As given or as the preamble says; None when neither does."""
    start_s: float

    def measure(self, stamps: FloatArray | None) -> tuple[float, float]:
        """Sample rate, Hz, and time of the first sample, s.

        Parameters
        ----------
        stamps : ndarray of shape (n_samples,) or None
            The time column, if there is one.

        Raises
        ------
        WaveformUnreadable
            Time runs backwards, stands still, has a gap or comes in uneven steps.
        """
        if stamps is None or self.time_column is None:
            rate_hz = self.rate_hz or 1.0
            return float(f"{rate_hz:.12g}"), self.start_s
        step = _even_step(self.table, stamps) * self.unit_s
        # Twelve digits: more than any clock has, and 200 kHz is not 199999.99999999997 Hz.
        return float(f"{1.0 / step:.12g}"), float(stamps[0]) * self.unit_s

    def contradiction(self, rate_hz: float) -> str:
        """Words for a preamble that says another rate than the time column; else empty."""
        if self.rate_hz is None or abs(self.rate_hz / rate_hz - 1.0) < 0.01:
            return ""
        return f", though the preamble says {self.rate_hz:.9g}"


def find_time_base(table: Table, sample_rate_hz: float | None, time_unit: str | None) -> TimeBase:
    """Which columns tell time, and what else is known about it.

    Parameters
    ----------
    table : Table
        What was found in the file.
    sample_rate_hz, time_unit
        As given; None when not.

    Raises
    ------
    WaveformUnreadable
        Neither a column nor the preamble nor an option tells the sample rate.
    """
    preamble, inferred = table.preamble, table.inferred
    times = [i for i in range(len(table.columns)) if _tells_time(table, i)]
    counts = [i for i in range(len(table.columns)) if i not in times and _counts(table, i)]
    columns = frozenset(times + counts)
    known_hz = sample_rate_hz or preamble.rate_hz
    if known_hz is None and preamble.interval_s is not None:
        known_hz = 1.0 / preamble.interval_s
    if sample_rate_hz is not None and not sample_rate_hz > 0.0:
        raise WaveformUnreadable(f"{table.file}: sample rate {sample_rate_hz:g} Hz is not positive")

    if times and sample_rate_hz is None:
        column = times[0]
        unit, how = _time_unit(table, column, time_unit, known_hz)
        inferred["time base"] = f"column {table.columns[column].heading!r} in {unit.symbol}, {how}"
        return TimeBase(table, columns, column, unit.factor, known_hz, 0.0)
    if known_hz is None:
        raise WaveformUnreadable(
            f"{table.file}: neither a time column nor a sample interval in the preamble; give the "
            "rate with --sample-rate-hz"
        )
    how = "given" if sample_rate_hz is not None else "from the preamble"
    inferred["time base"] = f"{known_hz:.9g} samples/s, {how}"
    return TimeBase(table, columns, None, 1.0, known_hz, preamble.start_s or 0.0)


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
    if column.unit is not None:
        return column.unit.quantity == "index"
    if names_index(column.name) or index == 0:
        return _is_running_number(table, index)
    return False


def _tells_time(table: Table, index: int) -> bool:
    column = table.columns[index]
    steps = _head_steps(table, index)
    forward = bool(steps.size == 0 or np.median(steps) > 0.0 or np.mean(steps) > 0.0)
    if column.unit is not None:
        return column.unit.quantity == "time"
    known = table.preamble.rate_hz or table.preamble.interval_s
    if _is_running_number(table, index) and (known or names_index(column.name)):
        return False
    if names_time(column.name):
        return column.name.casefold() not in ("x", "t") or (index == 0 and forward)
    # A nameless first column that climbs in even steps is time, if there is a channel beside it.
    if index == 0 and len(table.columns) > 1 and steps.size > 1:
        nameless = column.heading.startswith("column ")
        even = bool(steps.min() > 0.0 and np.ptp(steps) <= 0.5 * float(np.median(steps)))
        return nameless and even
    return False


def _time_unit(
    table: Table, index: int, time_unit: str | None, known_hz: float | None
) -> tuple[Unit, str]:
    if time_unit is not None:
        return TIME_UNITS[time_unit], "given"
    column = table.columns[index]
    if column.unit is not None:
        return column.unit, "from the heading"
    if table.preamble.time_unit is not None:
        return table.preamble.time_unit, "from the preamble"
    values = table.head[:, index]
    values = values[np.isfinite(values)]
    step = float(values[-1] - values[0]) / max(values.size - 1, 1)
    if step > 0.0:
        for unit in TIME_UNITS.values():
            rate_hz = 1.0 / (step * unit.factor)
            if known_hz is not None and abs(rate_hz / known_hz - 1.0) < 0.05:
                return unit, "worked out from the preamble's sample rate"
        for unit in TIME_UNITS.values():
            rate_hz = 1.0 / (step * unit.factor)
            if known_hz is None and PLAUSIBLE_RATES_HZ[0] <= rate_hz <= PLAUSIBLE_RATES_HZ[1]:
                return unit, f"worked out from its steps ({rate_hz:.6g} samples/s)"
    return TIME_UNITS["s"], "assumed"


def _even_step(table: Table, stamps: FloatArray) -> float:
    """Mean step of a time column, in its own unit; uneven ones are refused."""
    steps = np.diff(stamps)
    if np.any(steps < 0.0):
        at = int(np.argmax(steps < 0.0)) + 1
        raise WaveformUnreadable(
            f"{table.file}, {table.place(at)}: time runs backwards, from {stamps[at - 1]:.9g} to "
            f"{stamps[at]:.9g}; samples must stand in the order they were taken"
        )
    step = float(stamps[-1] - stamps[0]) / steps.size
    if step <= 0.0:
        raise WaveformUnreadable(
            f"{table.file}: the time column stands still at {stamps[0]:.9g}; give the rate with "
            "--sample-rate-hz"
        )
    # Gaps stretch the mean; most steps don't have one. Stamps that repeat have been rounded more
    # coarsely than their step, and then only the mean tells it.
    positive = steps[steps > 0.0]
    rounding = 0.0
    if positive.size < steps.size:
        rounding = float(positive.min())
    else:
        step = float(np.median(steps)) if np.ptp(steps) > step else step
    allowed = (1.0 + JITTER_FRACTION) * step + rounding
    if steps.max() > allowed:
        at = int(np.argmax(steps)) + 1
        gaps = int(np.sum(steps > allowed))
        raise WaveformUnreadable(
            f"{table.file}, {table.place(at)}: a gap in time of {steps.max():.6g} where a step is "
            f"{step:.6g} ({gaps} such); evenly spaced samples are needed"
        )
    # The line through all stamps, on which jitter and rounding of the two ends weigh little.
    index = np.arange(stamps.size) - 0.5 * (stamps.size - 1)
    centred = stamps - stamps.mean()
    step = float(np.sum(index * centred) / np.sum(index * index))
    if np.abs(centred - step * index).max() > 2.0 * JITTER_FRACTION * step + rounding:
        raise WaveformUnreadable(
            f"{table.file}: time comes in uneven steps, from {steps.min():.6g} to "
            f"{steps.max():.6g}; evenly spaced samples are needed"
        )
    return step
