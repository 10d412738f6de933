"""The nouns of the trade, frozen: what was seen, and where it was seen.

Field names are the column names of the store and of the files. Absent is ``None`` (or NaN in an
array), never 0. Identifiers are text: "007" stays "007".
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from durability.record.units import LENGTH, fall_height_mm, in_words
from durability.record.vocabulary import FlagName, Outcome

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.record.receipts import Quarantine

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CrossRecord:
    """What another axis of the sensor recorded beside that of the impact, in g."""

    channel: str
    acceleration_g: FloatArray
    """Shape (n_samples,), of the same instants."""
    mv_per_g: float | None = None
    """Sensitivity by which volts became g; None when the file was in g or m/s²."""


@dataclass(frozen=True, slots=True)
class Waveform:
    """An acceleration record as read from a file, in g.

    ``acceleration_g`` has shape (n_samples,); ``start_s`` is the time of its first sample.
    """

    acceleration_g: FloatArray
    sample_rate_hz: float
    start_s: float = 0.0
    channel: str | None = None
    file_name: str | None = None
    file_sha256: str | None = None
    recorded_at: str | None = None
    """ISO 8601, where the file says so beyond doubt."""
    mv_per_g: float | None = None
    """Sensitivity by which volts became g; None when the file was in g or m/s²."""
    cross: tuple[CrossRecord, ...] = ()
    """Channels across the axis of the impact, where some were named."""
    inferred: dict[str, str] = field(default_factory=dict)
    """What the reader worked out by itself (delimiter, units, time base …), for --explain."""


@dataclass(frozen=True, slots=True)
class PulseFlag:
    """One doubt about a record: the number that raised it, its threshold, and words for both."""

    name: FlagName
    value: float | None
    threshold: float | None
    words: str
    voids: bool


@dataclass(frozen=True, slots=True)
class LowPass:
    """The low-pass filter that stood between a record and its measures."""

    method: str
    """For instance "zero-phase Butterworth", "SAE J211-1 CFC 1000" or "none"."""
    cutoff_hz: float | None
    """Frequency at which each of the two passes takes off 3 dB; None when unfiltered."""
    order: int
    """Poles of both passes together; 0 when unfiltered."""
    padding: str
    """How the ends of the record were continued."""
    reason: str
    """Who chose the cut-off, or how it was derived."""
    channel_class: float | None = None
    derived: bool = False
    """Whether the cut-off was derived from the pulse rather than asked for."""


@dataclass(frozen=True, slots=True)
class LaterImpact:
    """An impact after the first: when it peaked, and how high."""

    time_s: float
    """Since the first sample."""
    peak_g: float
    """Absolute, after filtering."""


@dataclass(frozen=True, slots=True)
class CrossPeak:
    """The largest acceleration of one axis across that of the impact."""

    channel: str
    peak_g: float
    """Absolute, after the same filter, over the window of the velocity change."""


@dataclass(frozen=True, slots=True)
class PulseMeasures:
    """What one record says of its first impact, and how far it is to be believed.

    Accelerations are absolute and taken from the baseline before the impact; times count from
    the first sample. A record without an impact has ``None`` for every measure of it.
    Uncertainties are standard ones and hold noise, baseline and sampling; that of the sensor's
    calibration is not in them. ``None`` means not evaluated.
    """

    method: str
    sample_rate_hz: float
    samples: int
    peak_g: float | None = None
    """Largest absolute acceleration of the first impact after filtering."""
    raw_peak_g: float | None = None
    """The same before filtering."""
    pulse_duration_ms: float | None = None
    """Between the 10 % crossings on either side of the peak, after filtering."""
    velocity_change_m_s: float | None = None
    """Integral of the unfiltered pulse from ``velocity_from_s`` to ``velocity_to_s``."""
    rise_time_ms: float | None = None
    """From 10 % to 90 % of the peak."""
    polarity: Literal[-1, 1] | None = None
    """Sign of the impact as recorded."""
    low_pass: LowPass | None = None
    noise_g: float | None = None
    """Standard deviation of the quiet part, unfiltered."""
    baseline_before_g: float | None = None
    baseline_after_g: float | None = None
    impact_start_s: float | None = None
    impact_peak_s: float | None = None
    impact_end_s: float | None = None
    velocity_from_s: float | None = None
    velocity_to_s: float | None = None
    impact_velocity_m_s: float | None = None
    """√(2 g h) of the drop height."""
    velocity_ratio: float | None = None
    """Velocity change over impact velocity: 1 for a dead stop, 2 for a full rebound."""
    restitution: float | None = None
    """Rebound velocity over impact velocity, where the ratio lies between 1 and 2."""
    later_impacts: tuple[LaterImpact, ...] = ()
    cross_peaks: tuple[CrossPeak, ...] = ()
    resultant_peak_g: float | None = None
    """Largest resultant of three axes, after the same filter (ASTM D6537)."""
    fall_time_s: float | None = None
    """From the release to the first 10 % crossing, where a DC-coupled record shows both."""
    fall_time_uncertainty_s: float | None = None
    peak_uncertainty_g: float | None = None
    pulse_duration_uncertainty_ms: float | None = None
    velocity_change_uncertainty_m_s: float | None = None
    flags: tuple[PulseFlag, ...] = ()
    notes: tuple[str, ...] = ()
    """Doubts that do not void."""

    @property
    def void_reason(self) -> str | None:
        """Why the drop comes in void: the words of the flags that void, or None."""
        return "; ".join(flag.words for flag in self.flags if flag.voids) or None

    @property
    def ends_in_pulse(self) -> bool:
        """Whether the record ends before its first impact does."""
        if self.impact_end_s is None:
            return False
        return round(self.impact_end_s * self.sample_rate_hz) >= self.samples - 1

    @property
    def cross_axis(self) -> CrossPeak | None:
        """The largest of the axes across that of the impact."""
        return max(self.cross_peaks, key=lambda each: each.peak_g, default=None)

    @property
    def cross_axis_pct(self) -> float | None:
        """Its peak in percent of the peak along the axis."""
        across = self.cross_axis
        if across is None or self.peak_g is None:
            return None
        return 100.0 * across.peak_g / self.peak_g

    @property
    def rebound_m_s(self) -> float | None:
        """Velocity at which it left the surface: that of the impact by restitution."""
        if self.restitution is None or self.impact_velocity_m_s is None:
            return None
        return self.restitution * self.impact_velocity_m_s

    @property
    def fall_height_mm(self) -> float | None:
        """½ g t² of the fall time."""
        return None if self.fall_time_s is None else fall_height_mm(self.fall_time_s)

    @property
    def fall_height_uncertainty_mm(self) -> float | None:
        """Standard uncertainty of the height by that of the time: 2 h u(t) / t."""
        if self.fall_time_s is None or self.fall_time_uncertainty_s is None:
            return None
        return (
            2.0
            * fall_height_mm(self.fall_time_s)
            * (self.fall_time_uncertainty_s / self.fall_time_s)
        )


@dataclass(frozen=True, slots=True)
class FunctionalCheck:
    """What was found of one function; None where nothing was recorded."""

    outcome: Outcome
    measured: float | None = None
    unit: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class CheckedFunction:
    """One line of a check list."""

    name: str
    unit: str | None = None
    """In which it is measured; None where nothing is."""
    fails_again: int = 1
    """A fail is confirmed when it comes again so often …"""
    within_looks: int = 2
    """… within so many further looks at the function; 0 and 0: at once."""

    @property
    def line(self) -> str:
        """As it stands in a list: "battery swelling, mm, at once"."""
        again = self.fails_again
        rule = f"again {again} in {self.within_looks}" if again else "at once"
        return ", ".join(part for part in (self.name, self.unit, rule) if part)


@dataclass(frozen=True, slots=True)
class CheckList:
    """Functions that are inspected, in the order in which they are asked."""

    name: str
    checked: tuple[CheckedFunction, ...]

    @property
    def functions(self) -> tuple[str, ...]:
        """Names of the functions."""
        return tuple(each.name for each in self.checked)

    @property
    def lines(self) -> tuple[str, ...]:
        """Its lines, each with unit and rule."""
        return tuple(each.line for each in self.checked)

    @property
    def sha256(self) -> str:
        """Which version of the list it is: digest of its name and its lines."""
        return hashlib.sha256("\n".join((self.name, *self.lines)).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Walk:
    """An inspection on its way through the functions of a device's plan."""

    device: str
    device_id: Any
    device_model: str | None
    inspected_at: datetime
    """Bench clock; that of the first answer, also of a walk that is taken up again."""
    utc_offset: str | None
    inspector: str
    is_blind: bool
    """The device's shocks and last results are kept from the inspector."""
    functions: tuple[str, ...]
    plan: str
    check_list: CheckList
    left_out: tuple[str, ...] = ()
    """Functions of the plan that need charging: not asked of a device in quarantine."""
    battery_looks: tuple[str, ...] = ()
    """Functions that look for signs of a failing battery."""
    stage: str | None = None
    """Stage of the plan that this look would answer."""
    inspection_id: Any = None
    """None until the first answer is stored."""
    is_resumed: bool = False
    checks: Mapping[str, FunctionalCheck] = field(default_factory=dict)
    """By function: what is stored already."""
    last_results: Mapping[str, tuple[FunctionalCheck, datetime]] = field(default_factory=dict)
    """By function: the latest result before this look, and when that was."""
    shocks: Mapping[str, Any] = field(default_factory=dict)
    """drops, drops_without_reading, max_peak_g, highest_drop_mm, last_dropped_at, shock_dose,
    dose_exponent."""
    quarantine: Quarantine | None = None
    has_cracked_glass: bool = False
    """Noted of it before."""

    @property
    def failed(self) -> list[str]:
        """Functions that failed."""
        return [name for name, check in self.checks.items() if check.outcome == "fail"]


@dataclass(frozen=True, slots=True)
class Condition:
    """Within what levels and lives are compared; None is a value of its own: not recorded."""

    drop_height_mm: float | None = None
    surface: str | None = None
    device_kind: str | None = None
    """Device or dummy: their peaks are not the same quantity."""

    @property
    def words(self) -> str:
        """In a few words, what is not recorded named too."""
        if self == Condition():
            return "conditions not recorded"
        height = self.drop_height_mm
        return ", ".join(
            (
                "height not recorded" if height is None else in_words(height, LENGTH),
                self.surface or "surface not recorded",
                self.device_kind or "device or dummy not recorded",
            )
        )


def made_numbers(drop_number: IntArray, never: Sequence[int]) -> IntArray:
    """Which of the drops made each is; ``never`` are the numbers at which none was, ascending."""
    if not never:
        return drop_number
    import numpy as np

    return drop_number - np.searchsorted(np.array(never), drop_number)


@dataclass(frozen=True, slots=True)
class DropHistory:
    """The valid drops of one series as arrays, with what the models need beside them.

    Arrays over valid drops have shape (n_valid,) and are ordered by ``drop_number``.
    """

    series: str
    drop_number: IntArray
    peak_g: FloatArray
    drops: int
    """Drops made, voided ones counted."""
    last_drop_number: int
    """Largest drop number, voided ones counted; 0 when there is none."""
    case: str | None = None
    """None when bare."""
    case_model: str | None = None
    case_status: str | None = None
    """In use, lost, sold …; None when bare."""
    device: str | None = None
    device_kind: str | None = None
    """Device or dummy."""
    drop_height_mm: float | None = None
    surface: str | None = None
    orientation: str | None = None
    sensor: str | None = None
    settling_drops: int = 0
    """So many first drops were declared beforehand to settle the case: their readings are left
    out."""
    never_numbers: tuple[int, ...] = ()
    """Numbers at which no drop was made, like an entry made twice."""
    age_by_drop: IntArray | None = None
    """Age of the case at each drop made, voided ones too; shape (last_drop_number,). None: the
    case has no other series, so that drop numbers are ages."""
    temperature_c: FloatArray | None = None
    """Over valid drops; NaN where not recorded."""
    dropped_at_s: FloatArray | None = None
    """Seconds since 1970-01-01 UTC over valid drops; NaN where not recorded."""
    damage_drop_number: IntArray | None = None
    """Drop numbers at which the case was inspected; shape (n_looks,)."""
    damage_severity: IntArray | None = None
    """0 to 4, what was noted on the case at those looks; shape (n_looks,)."""

    @property
    def condition(self) -> tuple[float | None, str | None, str | None, str | None]:
        """Drop height in mm, surface, orientation, device or dummy: one level belongs to each."""
        return self.drop_height_mm, self.surface, self.orientation, self.device_kind

    @property
    def settled(self) -> int:
        """Drops made that settled the case by declaration."""
        return min(self.settling_drops, self.drops)

    def made_number(self, drop_number: IntArray) -> IntArray:
        """Which of the drops made each is; of a number at which none was, which the next one is."""
        return made_numbers(drop_number, self.never_numbers)

    @property
    def wear_clock(self) -> IntArray:
        """Drops made up to each valid one, settling drops not counted; shape (n_valid,)."""
        made = self.made_number(self.drop_number)
        return made - self.settling_drops if self.settling_drops else made

    @property
    def all_case_ages(self) -> IntArray:
        """Age of the case at each drop made, voided ones too; shape (last_drop_number,)."""
        if self.age_by_drop is not None:
            return self.age_by_drop
        import numpy as np

        return self.made_number(np.arange(1, self.last_drop_number + 1))

    @property
    def case_age(self) -> IntArray:
        """Age of the case at each valid drop; shape (n_valid,)."""
        return self.all_case_ages[self.drop_number - 1]


@dataclass(frozen=True, slots=True)
class DeviceHistory:
    """What one device lived through and how it fared; days count from 1970-01-01.

    Drop arrays have shape (n_drops,), voided drops and drops without a reading included (NaN in
    ``peak_g`` where there is no trusted reading). Check arrays have shape (n_checks,).
    """

    device: str
    drop_day: FloatArray
    """NaN where the day of the drop was not recorded."""
    peak_g: FloatArray
    drop_height_mm: FloatArray
    check_day: FloatArray
    check_function: tuple[str, ...]
    check_outcome: tuple[Outcome, ...]
    device_model: str | None = None
    drop_case_model: tuple[str | None, ...] = ()
    """Case model worn at each drop; None when bare."""
    velocity_change_m_s: FloatArray | None = None
    """Over drops; NaN where not recorded."""
    can_be_inspected: bool = True
    """False when it is lost, sold, destroyed, retired or in quarantine: what its last look said
    stands."""
    drop_utc: FloatArray | None = None
    """Instants of the drops, in days as above; NaN where the time of day is not known."""
    check_utc: FloatArray | None = None
    """The same of the checks. Without both, order within a day is not known."""

    def with_checks(self, kept: BoolArray) -> DeviceHistory:
        """A history with some of its checks; ``kept`` has shape (n_checks,)."""
        at = kept.nonzero()[0].tolist()
        return replace(
            self,
            check_day=self.check_day[kept],
            check_function=tuple(self.check_function[i] for i in at),
            check_outcome=tuple(self.check_outcome[i] for i in at),
            check_utc=None if self.check_utc is None else self.check_utc[kept],
        )


@dataclass(frozen=True, slots=True)
class ShockLook:
    """One look at a device between its shocks."""

    shocks_before: int
    """Shocks that it had lived through by then, voided ones counted."""
    tested: frozenset[str]
    """Functions with an outcome, those that failed among them."""
    failed: frozenset[str]


@dataclass(frozen=True, slots=True)
class ShockHistory:
    """One device's shocks in order, with what was found between them.

    Arrays have shape (n_shocks,), voided ones included; NaN where there is no trusted reading.
    """

    device: str
    device_model: str | None
    peak_g: FloatArray
    velocity_change_m_s: FloatArray
    looks: tuple[ShockLook, ...]
    """In order of time."""
    broken_after: tuple[int, ...] = ()
    """Shock, counted from 1, after which damage of severity 4 was noted on the device."""
