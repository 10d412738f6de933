"""What was computed, frozen: the answers that models hand to the report.

Field names are those of the JSON that leaves the program. A number that can't be given is
``None``. Estimates are not records: nothing here is ever stored as if it had been seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING, Any, Literal

from durability.record.errors import ValueOutOfRange

if TYPE_CHECKING:
    from collections.abc import Container, Mapping
    from datetime import date, datetime

    from durability.record.records import (
        BoolArray,
        DeviceHistory,
        FlagName,
        FloatArray,
        IntArray,
        PulseMeasures,
        Quarantine,
        Rejection,
        StoredDrop,
    )

# ----------------------------------------------------------------------------------- import


@dataclass(frozen=True, slots=True)
class ImportCount:
    """What became of the rows of an import."""

    read: int
    added: int
    duplicates: int
    rejected: int
    rejects_file: str | None
    rejections: tuple[Rejection, ...] = ()
    skipped_rows: int = 0
    """Rows of the sheet that are no records (a row of means)."""
    quarantined: tuple[Quarantine, ...] = ()
    """Devices that these rows put in quarantine, or that were dropped in it all the same."""
    undated_in_quarantine: Mapping[str, int] = field(default_factory=dict)
    """Device that was in quarantine already → drops taken that don't say when they were made."""


# -------------------------------------------------------------------------------- waveforms


@dataclass(frozen=True, slots=True)
class MeasuredFile:
    """One file as read and measured: a drop of its series, or not stored yet."""

    file: str
    file_sha256: str | None
    channel: str
    start_s: float
    mv_per_g: float | None
    """Sensitivity by which volts became g."""
    measures: PulseMeasures
    inferred: dict[str, str]
    dropped_at: str | None = None
    """ISO 8601; None where neither the file nor the user says."""
    cross: tuple[tuple[str, float | None], ...] = ()
    """Channels across the axis of the impact, each with the sensitivity by which volts became g."""
    stored: StoredDrop | None = None
    """The drop that it is; None when it was only read."""

    @property
    def status(self) -> Literal["valid", "void"]:
        """How the drop comes in."""
        return "valid" if self.measures.void_reason is None else "void"

    @property
    def drop_number(self) -> int | None:
        """Of the drop that it is."""
        return None if self.stored is None else self.stored.drop_number


@dataclass(frozen=True, slots=True)
class FileTwice:
    """A record that is a drop already."""

    file: str
    series: str
    drop_number: int


@dataclass(frozen=True, slots=True)
class WaveformImport:
    """What became of the files of an import."""

    count: ImportCount
    drops: tuple[MeasuredFile, ...]
    duplicates: tuple[FileTwice, ...]
    not_judged: tuple[str, ...] = ()
    """What could not be judged of any record for want of a fact, in words."""
    remarks: tuple[str, ...] = ()
    """What was assumed of the files, and which were left alone, in words."""


@dataclass(frozen=True, slots=True)
class RemeasuredDrop:
    """One drop before and after its waveform was measured again."""

    series: str
    drop_number: int
    before: PulseMeasures
    after: PulseMeasures
    status_before: str
    status: str
    kept_by_hand: tuple[str, ...] = ()
    """What a person has set and the new measures therefore leave alone."""

    @property
    def flags_came(self) -> tuple[FlagName, ...]:
        """Flags that the former measures did not raise."""
        known = {flag.name for flag in self.before.flags}
        return tuple(flag.name for flag in self.after.flags if flag.name not in known)

    @property
    def flags_went(self) -> tuple[FlagName, ...]:
        """Flags that only the former measures raised."""
        known = {flag.name for flag in self.after.flags}
        return tuple(flag.name for flag in self.before.flags if flag.name not in known)


@dataclass(frozen=True, slots=True)
class Remeasurement:
    """What became of waveforms that were measured again."""

    drops: tuple[RemeasuredDrop, ...]
    left: tuple[Rejection, ...]
    """Drops whose waveform can't be measured that way: they keep their former measures."""
    is_stored: bool

    @property
    def changed(self) -> tuple[RemeasuredDrop, ...]:
        """Drops whose measures differ from the former ones."""
        return tuple(each for each in self.drops if each.before != each.after)


@dataclass(frozen=True, slots=True)
class PulseTrace:
    """One drop's record as it is drawn; arrays of shape (n_samples,).

    Accelerations are taken from the baseline, the first impact upwards.
    """

    series: str
    drop_number: int
    time_ms: FloatArray
    """From the first crossing of 10 % of the peak; from the first sample without an impact."""
    raw_g: FloatArray
    filtered_g: FloatArray
    """After the filter of ``measures``."""
    measures: PulseMeasures
    status: str
    void_reason: str | None
    channel: str
    file_name: str | None
    peak_g: float | None = None
    """As it stands in the record, which a person may have mended."""


# ------------------------------------------------------------------------------------ trend

TrendVerdict = Literal["rising", "settled", "steady", "too few"]


@dataclass(frozen=True, slots=True)
class Trend:
    """Wear of the case in one series: is its peak g climbing, and how fast.

    ``rise_*`` are in percent per drop of the fitted level; arrays run over the valid drops.
    """

    series: str
    case: str | None
    case_model: str | None
    drops: int
    valid_drops: int
    verdict: TrendVerdict
    alarm_at_drop: int | None
    level_first_g: float | None
    level_latest_g: float | None
    rise_pct_per_drop: float | None
    rise_lower: float | None
    rise_upper: float | None
    p_value: float | None
    shape: str | None
    basis: str
    drop_number: IntArray
    peak_g: FloatArray
    level_g: FloatArray
    level_lower_g: FloatArray
    level_upper_g: FloatArray
    shape_weights: dict[str, float]
    doubted_drops: tuple[int, ...] = ()
    """Drop numbers whose readings were kept but weighed down."""
    detectable_pct_per_drop: float | None = None
    """Steady climb that would be told as rising in four of five such series."""
    mann_kendall_s: int | None = None
    mann_kendall_p: float | None = None
    """One-sided, P(S at least this large); exact up to 40 drops without ties."""
    sen_pct_per_drop: float | None = None
    sen_lower: float | None = None
    sen_upper: float | None = None
    """Interval of the Theil-Sen slope of log peak g at 95 % or more by exact ranks; None where so
    few drops allow none."""


# ------------------------------------------------------------------------------------- wear


@dataclass(frozen=True, slots=True)
class WearDraws:
    """Draws from the posterior of a series' level; arrays of shape (n_draws,).

    They come ordered by shape: shuffle one side before pairing draws of two fits.
    ``log level(n) = log_level_first + step · ψ(n) + climb · φ(n)``, where ``family`` and
    ``parameter`` say which φ, ``step_family`` and ``step_parameter`` which ψ (see
    ``durability.wear.fitting.log_level``).
    """

    family: IntArray
    parameter: FloatArray
    step_family: IntArray
    step_parameter: FloatArray
    log_level_first: FloatArray
    step: FloatArray
    climb: FloatArray
    scatter: FloatArray
    """Standard deviation of log peak g about the level."""


@dataclass(frozen=True, slots=True)
class WearFit:
    """The level of one series over its drops, averaged over plausible shapes of wear.

    Arrays run over the valid drops. Numbers are ``None`` and ``draws`` is ``None`` when there is
    no valid drop.
    """

    series: str
    case: str | None
    case_model: str | None
    drops: int
    valid_drops: int
    last_drop_number: int
    drop_number: IntArray
    peak_g: FloatArray
    level_g: FloatArray
    level_lower_g: FloatArray
    level_upper_g: FloatArray
    """Central 90 % band of the level, drop by drop."""
    level_first_g: float | None
    """Level at drop 1, even if that drop was voided."""
    level_latest_g: float | None
    """Level at the last valid drop."""
    rise_pct_per_drop: float | None
    """Mean rise per drop over the later half of the drops, in percent of the level; None below
    two valid drops."""
    rise_lower: float | None
    rise_upper: float | None
    shape: str | None
    shape_weights: dict[str, float]
    doubted_drops: tuple[int, ...]
    scatter: float | None
    """Standard deviation of log peak g about the level (0.05 is about 5 %)."""
    siblings: int
    """Other series of the case model under the same condition, which informed this one."""
    siblings_elsewhere: int
    """Those under other conditions: they informed shape, rate and scatter, not the level."""
    draws: WearDraws | None = field(repr=False)


# --------------------------------------------------------------------------------- forecast

FailureCause = Literal["peak limit", "damage"]


@dataclass(frozen=True, slots=True)
class Prediction:
    """A central prediction interval; ``None`` stands for beyond the horizon."""

    lower: float | None
    """As likely to be undercut as ``upper`` is to be exceeded."""
    median: float | None
    upper: float | None
    """With ``lower`` it holds the stated share of what may come."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Drops to failure of one series, counted from its first drop."""

    series: str
    case: str | None
    case_model: str | None
    drops: int
    failed: bool
    failed_at_drop: int | None
    failure_cause: FailureCause | None
    limit_g: float | None
    drops_to_failure: Prediction
    survival_drop: IntArray
    survival_probability: FloatArray
    """Probability that the case has not failed by ``survival_drop``; same shape."""
    b10_drop: float | None
    """Drop by which one in ten such cases has failed; None beyond the horizon."""
    basis: str
    shape_weights: dict[str, float]


@dataclass(frozen=True, slots=True)
class MoreDrops:
    """What further drops of a series would buy, on average over what they may show."""

    series: str
    extra_drops: int
    spread_now: float | None
    """Upper over lower end of the drops left, now; None while there is too little to forecast."""
    spread_then: float | None
    """The same after the further drops: their geometric mean."""
    probability_failed_by_then: float | None
    basis: str


@dataclass(frozen=True, slots=True)
class CovariateEffect:
    """A what-if: how peak g goes with a condition; never applied to any level."""

    covariate: Literal["temperature", "long rest"]
    per: str
    """The change it is stated for."""
    series: int
    drops: int
    effect_pct: float | None
    """Change of peak g in percent."""
    lower: float | None
    upper: float | None
    basis: str


# ------------------------------------------------------------------------- compare and rank


@dataclass(frozen=True, slots=True)
class GroupWear:
    """How fast the cases of one model (or one case) wear, and how long they last."""

    group: str
    cases: int
    drops: int
    failed: int
    rise_pct_per_drop: float | None
    lower: float | None
    upper: float | None
    probability_fastest: float | None
    life: Prediction
    basis: str


@dataclass(frozen=True, slots=True)
class Ranking:
    """Groups from the fastest wearing to the slowest, and whether that order can be told."""

    by: Literal["case_model", "case"]
    groups: tuple[GroupWear, ...]
    order_is_clear: bool
    basis: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """How many times the peak g of ``a`` is that of ``b``, voided drops apart."""

    a: str
    b: str
    drops_a: int
    drops_b: int
    cases_a: int
    cases_b: int
    ratio: float | None
    lower: float | None
    upper: float | None
    reduction_pct: float | None
    """Reduction of peak g from ``a`` to ``b``, in percent of ``a``."""
    reduction_lower: float | None
    reduction_upper: float | None
    voided_a: int
    voided_b: int
    ratio_with_voided: float | None
    basis: str


# ----------------------------------------------------------------------------------- latent

LatentVerdict = Literal["linked", "not shown", "too few"]


@dataclass(frozen=True, slots=True)
class DeviceOutlook:
    """One device: what it lived through, what became of it, and what may yet come."""

    device: str
    drops: int
    """Drops that it lived through, voided ones counted."""
    max_peak_g: float | None
    shock_dose: float | None
    """Over its valid drops, with the study's dose exponent; 0 when never dropped."""
    state: str
    failed_after_days: float | None
    """Last day, counted from the last drop, on which it was still known to work."""
    failed_by_days: float | None
    """Day on which it was first seen to have failed; None while it works."""
    probability_failed_by_day: dict[int, float | None]
    """Of a device with this shock history that worked on drop day, whatever its own checks said."""
    drops_without_reading: int = 0
    control: bool = False
    shock_dose_likely: float | None = None
    """As ``shock_dose``, drops without a reading taken at the middle of their like."""
    shock_dose_upper: float | None = None
    """As ``shock_dose``, drops without a reading taken at the largest of their like."""
    largest_velocity_change_m_s: float | None = None
    first_failed_functions: tuple[str, ...] = ()
    """Functions that failed at its first bad look; several when they were found together."""
    probability_failed_unseen: float | None = None
    """That it has failed since its last look, by the day the study is asked; None once failed."""


@dataclass(frozen=True, slots=True)
class DroppedAgainstControls:
    """How many of the dropped had failed by one day, against those never dropped; exact tests.

    Only devices whose state on that day is known are counted.
    """

    by_day: float
    dropped_failed: int
    dropped_working: int
    controls_failed: int
    controls_working: int
    fisher_p_value: float
    """Two-sided, as the next."""
    boschloo_p_value: float | None
    """None for large groups, where it takes long and adds nothing."""
    odds_ratio: float | None
    """Conditional estimate; None when it is infinite or nothing failed."""
    odds_ratio_lower: float | None
    odds_ratio_upper: float | None
    smallest_p_value: float = 0.0
    """Fisher's, had the failures fallen on one side as far as they can: what could be shown."""


@dataclass(frozen=True, slots=True)
class DropsToTenPercent:
    """Drops of one kind whose shocks fail one device in ten within the stated days."""

    case_model: str | None
    """None when bare."""
    drop_height_mm: float | None
    readings: int
    lower: float | None
    median: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class MissingReadings:
    """How far the answer depends on drops that gave no trusted reading."""

    drops: int
    devices: int
    p_value_if_no_shock: float | None
    """Those drops taken as no shock at all."""
    p_value_if_largest: float | None
    """Those drops taken at the largest peak of their like."""
    time_ratio_if_no_shock: float | None
    time_ratio_if_largest: float | None


@dataclass(frozen=True, slots=True)
class NextRound:
    """What inspecting every device that still works would find and teach."""

    devices: int
    expected_failures: float
    expected_interval_factor: float | None
    """Expected width of the effect's interval after the round, as a fraction of its width now."""


@dataclass(frozen=True, slots=True)
class LatentLink:
    """Whether later failures go with the shocks before them."""

    devices: int
    control_devices: int
    failed_on_drop_day: int
    latent_failures: int
    verdict: LatentVerdict
    dose_exponent: float | None
    time_ratio_per_doubling: float | None
    """Factor on the time to failure when the shock dose doubles."""
    lower: float | None
    upper: float | None
    p_value: float | None
    per_device: tuple[DeviceOutlook, ...]
    check_method: str | None
    log_loss: float | None
    log_loss_without_shock: float | None
    basis: str
    sentence: str = ""
    """The verdict in words that can't be overstated."""
    level: float = 0.9
    """Of every interval here."""
    dose_exponent_lower: float | None = None
    dose_exponent_upper: float | None = None
    form_weights: dict[str, float] = field(default_factory=dict)
    """Posterior weight of each form of the time to failure."""
    control_failures: int = 0
    not_inspected: int = 0
    """Devices without a look since their last drop: they tell nothing."""
    brier: float | None = None
    brier_without_shock: float | None = None
    calibration: tuple[tuple[float, float], ...] = ()
    """(predicted, seen) share failed in groups of devices, the safest first."""
    first_failed_functions: dict[str, int] = field(default_factory=dict)
    """Devices in which this function was among the first to fail, the commonest first."""
    dropped_against_controls: DroppedAgainstControls | None = None
    ten_percent_dose: Prediction | None = None
    """Shock dose that fails one in ten within ``ten_percent_days``, background failures apart."""
    ten_percent_days: int = 90
    drops_to_ten_percent: tuple[DropsToTenPercent, ...] = ()
    dose_matters_among_dropped: bool | None = None
    """Whether the link is also shown among the dropped devices alone; None when there is none."""
    missing_readings: MissingReadings | None = None
    next_round: NextRound | None = None


@dataclass(frozen=True, slots=True)
class DoseUnder:
    """Shock dose of one device under one exponent."""

    exponent: float
    dose: float | None
    """Over drops with a trusted reading; None when there was no such drop among its drops."""
    likely: float | None
    """With drops without a reading taken at the middle of their like."""
    upper: float | None
    """With drops without a reading taken at the largest of their like."""


@dataclass(frozen=True, slots=True)
class DoseDeclaration:
    """Which shock dose was to be held against later failures, as someone said on a day."""

    declared_by: str
    declared_at: datetime
    """Bench clock."""
    exponent: float | None
    """Of the peak; None: averaged over the usual range."""
    without_reading: str
    """What a drop without a trusted reading counts as: likely (the middle of its like), no shock
    or largest (of its like)."""
    reason: str
    is_before_follow_up: bool
    """Said before the first follow-up inspection of any dropped device; else exploratory."""
    verdict: LatentVerdict
    """By this dose, with ``p_value``."""
    p_value: float | None


@dataclass(frozen=True, slots=True)
class LatentUnder:
    """The verdict under another treatment of the record."""

    devices: int
    """Of which something is treated otherwise."""
    verdict: LatentVerdict
    p_value: float | None


@dataclass(frozen=True, slots=True)
class LatentCaveats:
    """What the verdict hangs on: fails not confirmed, and a dose declared before looking or not."""

    intermittent: tuple[dict[str, Any], ...]
    """Functions that failed and worked again, and whether a further look confirmed the fail."""
    without_unconfirmed: LatentUnder | None
    """With the fails left out that no further look confirmed; None when there are none."""
    first_follow_up_at: datetime | None
    """First look at a device on a later day than its first drop."""
    declarations: tuple[DoseDeclaration, ...]
    """Doses declared, in order of time."""

    @property
    def declared(self) -> DoseDeclaration | None:
        """The dose that holds: the last one declared before the first follow-up inspection."""
        before = [each for each in self.declarations if each.is_before_follow_up]
        return before[-1] if before else None


@dataclass(frozen=True, slots=True)
class LatentAnswer:
    """The link, and beside it what each device's exposure hangs on."""

    link: LatentLink
    doses: dict[str, tuple[DoseUnder, ...]]
    """By device, under the lower, the usual and the upper exponent of the literature."""
    not_in_use: dict[str, str]
    """Devices no longer in use, and what became of them."""
    quarantined: tuple[Quarantine, ...]
    caveats: LatentCaveats


@dataclass(frozen=True, slots=True)
class DeviceExpectation:
    """What the model expected of one device before a look at it."""

    link: LatentLink
    outlook: DeviceOutlook


@dataclass(frozen=True, slots=True)
class DueInspection:
    """An inspection that a device owes."""

    device: str
    due_on: str
    days_overdue: int
    stage: str
    functions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SkippedInspection:
    """An inspection that was never made, and can't be made up for."""

    device: str
    stage: str
    due_on: date


@dataclass(frozen=True, slots=True)
class RetainedItem:
    """A specimen that was kept back, and when it is to be tested again."""

    specimen: str
    kind: str
    model: str | None
    retained_on: date
    due_on: date | None
    """Next re-test, or the one that is owed; None when all are done."""
    days_overdue: int
    done: int
    """Re-tests made."""
    of: int


@dataclass(frozen=True, slots=True)
class DueList:
    """What is owed on a day, and what stands beside it."""

    on: date
    due: tuple[DueInspection, ...]
    quarantined: tuple[Quarantine, ...] = ()
    """Left out of ``due``: no one inspects them by plan until they are cleared."""
    skipped: tuple[SkippedInspection, ...] = ()
    without_baseline: tuple[str, ...] = ()
    """Devices that no one looked at before their first drop."""
    unfinished: tuple[str, ...] = ()
    """Devices whose latest inspection was broken off."""
    cracked_glass: tuple[str, ...] = ()
    """Devices among those due of which cracked glass was noted."""
    retained: tuple[RetainedItem, ...] = ()
    """Every item kept back, the longest overdue first."""

    def of(self, specimens: Container[str]) -> DueList:
        """What of it these specimens owe."""
        return DueList(
            self.on,
            due=tuple(each for each in self.due if each.device in specimens),
            quarantined=tuple(each for each in self.quarantined if each.device in specimens),
            skipped=tuple(each for each in self.skipped if each.device in specimens),
            without_baseline=tuple(code for code in self.without_baseline if code in specimens),
            unfinished=tuple(code for code in self.unfinished if code in specimens),
            cracked_glass=tuple(code for code in self.cracked_glass if code in specimens),
            retained=tuple(each for each in self.retained if each.specimen in specimens),
        )


# --------------------------------------------------------------------------------- pictures


@dataclass(frozen=True, slots=True)
class LevelFan:
    """The level of one series at drops to come; arrays of shape (n_drops,), in g.

    Not yet failed, it is that of a case which has not reached its limit by its last drop.
    """

    drop_number: IntArray
    lower_g: FloatArray
    inner_lower_g: FloatArray
    median_g: FloatArray
    inner_upper_g: FloatArray
    upper_g: FloatArray
    level: float
    """Content of the outer band; the inner one holds half of the paths."""


@dataclass(frozen=True, slots=True)
class SeriesPicture:
    """One series as it is drawn: what was judged, and what the judgement left out."""

    trend: Trend
    forecast: Forecast
    device: str | None
    condition: tuple[float | None, str | None, str | None]
    """Drop height in mm, surface, orientation."""
    voided_drop_number: IntArray
    voided_peak_g: FloatArray
    """NaN where the voided drop gave no reading."""
    damage_drop_number: IntArray
    damage_severity: IntArray
    """What was noted on the case, by drop number."""
    fan: LevelFan | None = None


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Share of a group's series that have not failed, by drop; steps hold until the next drop."""

    group: str
    failed_drop: IntArray
    censored_drop: IntArray
    """Last drop of each series that has not failed."""
    drop: FloatArray
    """Where the steps begin, from 0; shape (n_steps,), as the next three."""
    survival: FloatArray
    lower: FloatArray
    upper: FloatArray
    level: float


@dataclass(frozen=True, slots=True)
class PulseCloud:
    """Peak against duration of the drops of one group; arrays of shape (n_drops,)."""

    group: str
    series: int
    peak_g: FloatArray
    pulse_duration_ms: FloatArray
    age: FloatArray
    """0 at the first drop of its series, 1 at its last."""
    voided: BoolArray
    without_duration: int
    """Valid drops that have no pulse duration on record."""


@dataclass(frozen=True, slots=True)
class LifeLine:
    """One device from its first drop to its last look."""

    history: DeviceHistory
    state: str
    zero_day: float | None
    """Day from which ``after_days`` and ``by_days`` count, since 1970-01-01."""
    after_days: float | None
    by_days: float | None
    first_failed_functions: tuple[str, ...]
    shock_dose: FloatArray
    """Sum over its drops so far, those without a reading at the middle of their like."""
    dose_exponent: float


@dataclass(frozen=True, slots=True)
class DoseCurve:
    """Probability of having failed by one day against the shock dose; arrays (n_doses,)."""

    shock_dose: FloatArray
    probability: FloatArray
    lower: FloatArray
    upper: FloatArray
    background: tuple[float, float, float]
    """Lower, middle, upper of a device that was never dropped."""
    days: int
    level: float


@dataclass(frozen=True, slots=True)
class CheckTable:
    """Outcomes of functional checks by function and stretch of weeks.

    Counts have shape (n_functions, n_stretches); a device counts once a stretch, at its worst.
    """

    group: str
    devices: int
    functions: tuple[str, ...]
    weeks: tuple[tuple[int, int | None], ...]
    """First and last whole week after the last drop; the last stretch stays open."""
    tested: IntArray
    degraded: IntArray
    failed: IntArray


@dataclass(frozen=True, slots=True)
class CriticalValue:
    """A critical value as far as shocks bound it, each side on its own."""

    largest_passed: float | None
    """It lies above this; None when no shock that passed bounds it from below."""
    smallest_failed: float | None
    """It lies at or below this; None when no shock failed."""


@dataclass(frozen=True, slots=True)
class FailedShock:
    """Shocks one of which failed a device: which one is known only when there is one."""

    device: str
    peak_g: FloatArray
    velocity_change_m_s: FloatArray
    is_read: bool
    """Each of them has both readings."""


@dataclass(frozen=True, slots=True)
class DamageBoundary:
    """What the shocks of one device model tell of its damage boundary.

    Arrays have shape (n_passed,).
    """

    device_model: str
    devices: int
    passed_peak_g: FloatArray
    passed_velocity_change_m_s: FloatArray
    failed: tuple[FailedShock, ...]
    critical_peak_g: CriticalValue
    critical_velocity_change_m_s: CriticalValue
    harder_passed: int
    """Shocks beyond a failed one in both that passed: no one boundary parts the two."""
    not_looked_at: int
    """Shocks with both readings since which no look passed or failed the device."""
    without_reading: int
    """Shocks before these that lack a reading of peak or velocity change."""
    latent_failures: int
    """Devices that failed later without a shock in between: none of theirs counts as failed."""
    is_told: bool
    """False when too few shocks passed or failed."""


# --------------------------------------------------------------------------------- spectrum


@dataclass(frozen=True, slots=True)
class ShockSpectrum:
    """Shock response spectra; arrays of shape (n_frequencies,) or (n_records, n_frequencies)."""

    method: str
    q: float
    sample_rate_hz: float
    frequency_hz: FloatArray
    """Natural frequencies, shape (n_frequencies,)."""
    absolute_acceleration_g: FloatArray
    """Maximax: largest absolute acceleration during or after the record, either sign."""
    pseudo_velocity_m_s: FloatArray
    """2π × frequency × largest relative displacement, during or after the record."""
    positive_g: FloatArray
    negative_g: FloatArray
    """Most positive and most negative absolute acceleration, during or after the record."""
    primary_g: FloatArray
    """Largest while the record lasts."""
    residual_g: FloatArray
    """Largest after its last sample, the base at rest."""
    beyond_sampling: BoolArray
    """True for frequencies above a tenth of the sample rate, shape (n_frequencies,)."""


# ------------------------------------------------------- at the bench: rig, gauge, plan, claims

RigVerdict = Literal["in control", "drifted", "too few"]
ClaimVerdict = Literal["shown", "not shown", "contradicted"]
GaugeVerdict = Literal["good", "conditional", "not acceptable"]


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """Readings one by one and the ranges between neighbours, with three-sigma limits."""

    reading: FloatArray
    centre: float
    lower: float
    upper: float
    moving_range: FloatArray
    """Shape (n - 1,)."""
    mean_moving_range: float
    moving_range_upper: float
    scatter: float
    """Standard deviation from the mean moving range, in the reading's unit."""


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Exponentially weighted moving average with the exact limits of each point."""

    average: FloatArray
    lower: FloatArray
    upper: FloatArray
    weight: float
    width: float
    """Half width of the limits in standard deviations of the average."""
    signal: int | None
    """Index of the first point outside its limits; None when there is none."""


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Two-sided tabular cumulative sum, in the reading's unit."""

    upper_sum: FloatArray
    lower_sum: FloatArray
    slack: float
    decision_interval: float
    signal: int | None
    """Index of the first sum beyond the decision interval; None when there is none."""
    run_start: int | None
    """Index of the first point of the run that led to the signal."""


@dataclass(frozen=True, slots=True)
class RigHealth:
    """What the reference drops say of the rig itself.

    Charts of moving average and cumulative sum run over the drops after the warm-up, in standard
    deviations (``chart_when`` is their axis); the individuals chart runs over all drops, in g.
    """

    verdict: RigVerdict
    drops: int
    target_g: float | None
    scatter_pct: float | None
    """Drop-to-drop standard deviation of the steady rig, in percent of peak g."""
    target_drops: int | None
    """Drops from which target and scatter are estimated; None when both were given."""
    signal_when: float | None
    """Where on the axis the first chart signalled."""
    signal_by: tuple[str, ...]
    """Charts that signalled at ``signal_when``: "cusum", "ewma"."""
    since: float | None
    since_lower: float | None
    since_upper: float | None
    drift_pct: float | None
    """Change of the rig's peak g from before the drift to the last reference drop."""
    drift_lower: float | None
    drift_upper: float | None
    shape_weights: dict[str, float]
    """How far the data speak for a step and for a steady ramp; sums to 1, empty in control."""
    individuals_g: IndividualsChart | None
    chart_when: FloatArray
    score: FloatArray
    ewma: EwmaChart | None
    cusum: CusumChart | None
    run_length: dict[float, float]
    """Average drops to a signal of the cumulative sum, by shift in standard deviations; with
    target and scatter known."""
    odd_drops: tuple[float, ...]
    """Where single readings stand outside the individuals limits."""
    level: float
    notes: tuple[str, ...]
    basis: str


@dataclass(frozen=True, slots=True)
class RigCorrection:
    """Rig factor at the times asked for: ``peak_g / factor`` is what the steady rig would read.

    Arrays have the shape of the times asked for; ``factor_log_se`` is the standard error of the
    factor's logarithm, near enough its relative standard error.
    """

    when: FloatArray
    factor: FloatArray
    factor_log_se: FloatArray
    reference_drops: int
    basis: str


@dataclass(frozen=True, slots=True)
class VarianceComponent:
    """Scatter that goes with one factor, as a standard deviation in the reading's unit."""

    name: str
    levels: int
    """Distinct values of the factor; for repeatability the number of readings."""
    sd: float
    lower: float
    upper: float | None
    """None when the data set no upper limit."""
    pct_contribution: float
    """Share of the total variance, in percent."""
    pct_study_variation: float
    """Share of the total standard deviation, in percent."""


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Repeatability and reproducibility of the rig, with what the specimens add."""

    readings: int
    components: tuple[VarianceComponent, ...]
    """Repeatability first, then the factors as given, then the part."""
    repeatability_sd: float
    reproducibility_sd: float
    gauge_sd: float
    """Repeatability and reproducibility together (GRR)."""
    gauge_lower: float
    gauge_upper: float | None
    part_sd: float | None
    total_sd: float
    gauge_pct_study_variation: float | None
    gauge_pct_lower: float | None
    gauge_pct_upper: float | None
    distinct_categories: float | None
    """1.41 times part over gauge standard deviation, not rounded down."""
    verdict: GaugeVerdict | None
    level: float
    notes: tuple[str, ...]
    basis: str


@dataclass(frozen=True, slots=True)
class LabScatter:
    """Scatter of log peak g as this lab sees it, about each case's own line."""

    within_case_log_sd: float | None
    within_case_upper: float | None
    within_case_df: int
    between_case_log_sd: float | None
    between_case_upper: float | None
    between_case_df: int
    level: float
    basis: str


@dataclass(frozen=True, slots=True)
class RisePlan:
    """So many cases with so many drops each, to see a rise."""

    cases: int
    drops_per_case: int | None
    """None when no number of drops up to the search limit is enough."""
    power: float | None
    test: str


@dataclass(frozen=True, slots=True)
class ContrastPlan:
    """So many cases of each of two models, with so many drops each, to tell them apart."""

    drops_per_case: int
    cases_per_model: int | None
    power: float | None
    test: str


@dataclass(frozen=True, slots=True)
class ReliabilityShown:
    """What the cases that were dropped so far have shown, and by which rule."""

    cases: int
    failures: int
    drops: float
    confidence: float
    reliability: float
    """Lower limit on the fraction of cases that survive ``drops`` drops."""
    scale_lower_drops: float | None
    """Lower limit on the Weibull scale; None without an assumed shape."""
    b10_lower_drops: float | None
    rule: str


@dataclass(frozen=True, slots=True)
class StopRule:
    """When to stop dropping one item."""

    what: str
    threshold: float
    words: str


@dataclass(frozen=True, slots=True)
class PlannedDrop:
    """One line of a drop sheet."""

    place: int
    """1, 2, 3 … in the order in which to drop."""
    repeat: int
    group: str
    """What is compared: a case model, or "bare"."""
    item: str
    """Code of the case, or of the device dropped bare."""
    item_drop: int
    """1, 2, 3 … of this item on this sheet."""
    orientation: str
    rest_s: float
    """Least time since this item's previous drop."""


@dataclass(frozen=True, slots=True)
class DropSheet:
    """Drops planned in advance, in order."""

    drops: tuple[PlannedDrop, ...]
    stop_rules: tuple[StopRule, ...]
    seed: int
    sha256: str
    """Of the planned drops and stop rules, so that a later change shows."""
    notes: tuple[str, ...]
    quarantined: tuple[str, ...] = ()
    """Devices that were asked for and left out: their battery is suspect."""
    cracked_glass: tuple[str, ...] = ()
    """Devices on the sheet of which cracked glass was noted."""


@dataclass(frozen=True, slots=True)
class LogRatio:
    """How many times the typical peak g of ``a`` is that of ``b``, from case to case.

    Ratio of geometric means. ``lower`` and ``upper`` are ``None`` when the data hold no scatter to
    judge by.
    """

    ratio: float
    lower: float | None
    upper: float | None
    log_ratio: float
    log_se: float | None
    df: float | None
    level: float
    drops_a: int
    drops_b: int
    cases_a: int
    """0 when bare: then the drop is the unit of replication."""
    cases_b: int
    between_case_log_sd: float | None
    within_case_log_sd: float | None
    between_case_unknown: bool
    """No side has two cases: the interval holds for the cases dropped, not for their models."""
    between_case_borrowed: bool
    """A side with one case was given the between-case scatter of the other side."""
    log_variance_a: float | None
    """Part of the squared standard error that each side brings."""
    log_variance_b: float | None
    basis: str


@dataclass(frozen=True, slots=True)
class OrientationClaim:
    """A claimed reduction looked at in one orientation, at the same level, on its own."""

    orientation: str
    verdict: ClaimVerdict
    reduction_pct: float
    reduction_lower: float | None
    reduction_upper: float | None
    drops_a: int
    drops_b: int
    cases_a: int
    cases_b: int


@dataclass(frozen=True, slots=True)
class Claim:
    """Whether "reduces peak g by at least so many percent" is shown."""

    reduction_at_least_pct: float
    verdict: ClaimVerdict
    reduction_pct: float
    reduction_lower: float | None
    reduction_upper: float | None
    confidence: float
    false_claim_risk: float
    """Largest probability that a false claim is called shown, or a true one contradicted."""
    at_drop: int | None
    """Drop number at which the levels are compared; None for the drops as they are."""
    beyond_last_drop: bool
    """``at_drop`` lies beyond the last drop of some case: the lines were drawn on."""
    overall: LogRatio
    per_orientation: tuple[OrientationClaim, ...]
    unshared_orientations: tuple[str, ...]
    """Orientations that only one side saw; left out."""
    cases_to_settle: int | None
    """Cases on each side, drops per case as now, to settle it with the stated power if the
    estimate is true; None when it is settled, when no reasonable number would, or none is known."""
    drops_to_settle: int | None
    """Drops per case and orientation to settle it with the cases there are; None when it is
    settled, or more drops of the same cases can't."""
    power: float
    decision_rule: str
    basis: str


@dataclass(frozen=True, slots=True)
class RecordedMeanwhile:
    """A test series with drops made after the rig began to drift."""

    series: str
    case: str | None
    case_model: str | None
    drops: int
    begun_before: bool
    """Its first drops were made on the steady rig, its later ones on the drifting one."""


@dataclass(frozen=True, slots=True)
class RigWatch:
    """One reference series: how the rig fares by it, and what was recorded meanwhile."""

    series: str
    sensor: str | None
    axis: Literal["time", "drop number"]
    """What ``health`` counts by: seconds since 1970-01-01 of the bench's clock, or drop numbers
    where a drop bears no time."""
    drops: int
    """Valid reference drops."""
    sessions: int | None
    """Days with reference drops; None without times."""
    averaged: bool
    """Each charted value is the geometric mean of a session."""
    last_when: float | None
    health: RigHealth
    charted_when: FloatArray
    """Place on the axis of every charted value, those of the warm-up too."""
    meanwhile: tuple[RecordedMeanwhile, ...] = ()


@dataclass(frozen=True, slots=True)
class RigNote:
    """What the reference drops say of the time in which one test series was recorded."""

    reference_series: str
    drifted: bool
    """The rig drifted before the last drop of the series."""
    since: float | None
    drift_pct: float | None
    scatter_pct: float | None
    """Of the steady rig, from one charted value to the next."""
    corrected: bool
    correction_first_pct: float | None = None
    correction_latest_pct: float | None = None
    """How much too high the rig is taken to read at the first and at the last valid drop."""
    correction_se_pct: float | None = None
    """Standard error of the change between these two."""
    reason: str | None = None
    """Why no correction was made, where one was asked for."""


@dataclass(frozen=True, slots=True)
class VoidedDrop:
    """A drop that does not count, and why."""

    series: str
    drop_number: int
    peak_g: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class TrendContext:
    """What stands beside the trend of a series: voided drops, doubtful readings, the rig."""

    voided: tuple[VoidedDrop, ...]
    with_voided: Trend | None
    """The same series judged with its voided readings put back; None where none has a reading."""
    suggested: tuple[int, ...]
    """Drop numbers of readings that an outlier test would mark, about the fitted level."""
    suggested_by: str
    rig: RigNote | None


@dataclass(frozen=True, slots=True)
class BenchStanding:
    """Where a series stands during a session: trend so far, drops left, or the rig's health."""

    trend: Trend
    forecast: Forecast | None
    """None for bare and for reference drops."""
    rig: RigWatch | None
    """For a series of reference drops."""
    like_series: int


@dataclass(frozen=True, slots=True)
class ClaimByKind:
    """A claim looked at with devices alone, or with dummies alone: the two are never pooled."""

    device_kind: Literal["device", "dummy"]
    claim: Claim | None
    """None where the two sides can't be compared with this kind."""
    reason: str | None
    voided_a: int
    voided_b: int
    with_voided: Claim | None
    """The same with the voided readings put back; None without any."""


@dataclass(frozen=True, slots=True)
class ClaimAnswer:
    """A claimed reduction from ``a`` to ``b``, with each kind of what was dropped."""

    a: str
    b: str
    by_kind: tuple[ClaimByKind, ...]
    voided: tuple[VoidedDrop, ...]


# ------------------------------------------------------------------------------- self-check


@dataclass(frozen=True, slots=True)
class PublishedValue:
    """One published value held against what this program gives."""

    part: str
    """What it checks: pulse, filter, spectrum, trend, life, charts, reliability, exact tests."""
    quantity: str
    unit: str
    expected: float
    found: float
    tolerance: float
    """Largest difference either way."""
    source: str

    @property
    def difference(self) -> float:
        """Found less expected."""
        return self.found - self.expected

    @property
    def passed(self) -> bool:
        """Whether found lies within the tolerance; never for NaN."""
        return abs(self.difference) <= self.tolerance


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """A dated run of the shipped published values through this very program."""

    run_at: datetime
    versions: dict[str, str]
    values: tuple[PublishedValue, ...]

    @property
    def failed(self) -> tuple[PublishedValue, ...]:
        """Values that were not reproduced."""
        return tuple(value for value in self.values if not value.passed)


@dataclass(frozen=True, slots=True)
class Export:
    """The whole record as a folder of open files."""

    folder: str
    files: int
    drops: int
    licence: str


# -------------------------------------------------------------------------------- integrity


@dataclass(frozen=True, slots=True)
class Seal:
    """A fingerprint of the whole record as it was."""

    seal_number: int
    entries: int
    """Entries it covers."""
    digest: str
    """SHA-256, 64 hexadecimal digits."""
    engine_version: str
    sealed_at_utc: datetime | None
    sealed_by: str | None
    """None when the entry that made the seal is gone."""
    is_whole: bool
    """Whether its list of fingerprints still gives its digest."""


@dataclass(frozen=True, slots=True)
class AlteredEntry:
    """A sealed entry that is no longer as it was."""

    seal_number: int
    entered_at_utc: datetime
    entered_by: str
    command: str
    file_name: str | None
    is_gone: bool


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """Whether a drop's kept record, measured again as it was, gives the measures on record."""

    series: str
    drop_number: int
    outcome: Literal["same", "different", "older method"]


@dataclass(frozen=True, slots=True)
class Integrity:
    """What holding the record against its seals and its kept waveforms showed."""

    seals: tuple[Seal, ...]
    altered: tuple[AlteredEntry, ...]
    unsealed_entries: int
    unsealed_rows: int
    rebuilt: tuple[Rebuilt, ...] = ()
    digest: str | None = None
    """A digest from outside the store that was asked about."""

    @property
    def seal_of_digest(self) -> Seal | None:
        """The seal that bears the digest asked about."""
        return next((seal for seal in self.seals if seal.digest == self.digest), None)

    @property
    def broken_seals(self) -> tuple[Seal, ...]:
        """Seals whose own list was changed."""
        return tuple(seal for seal in self.seals if not seal.is_whole)

    @property
    def is_sound(self) -> bool:
        """Whether nothing sealed was changed and every record gives its measures again."""
        return not (
            self.altered
            or self.broken_seals
            or any(each.outcome == "different" for each in self.rebuilt)
            or (self.digest is not None and self.seal_of_digest is None)
        )


# ----------------------------------------------------------------------------------- report

ScopeKind = Literal["whole record", "case model", "series", "specimen", "follow-up plan"]


@dataclass(frozen=True, slots=True)
class Scope:
    """What is answered for; what informs an answer is always the whole record."""

    kind: ScopeKind
    names: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    """Series within it; reference series only where they are named."""
    devices: tuple[str, ...] = ()
    """Devices within it, controls included when it is the whole record or a plan."""


@dataclass(frozen=True, slots=True)
class Limit:
    """When a case has failed, and how that is stated.

    Raises
    ------
    ValueOutOfRange
        A value is out of its range.
    """

    level: float = 0.9
    """Content of the prediction intervals."""
    limit_g: float | None = None
    """Level in g that no longer protects."""
    limit_rise: float = 0.5
    """The same without ``limit_g``, as a fraction above the series' level at its first drop."""
    horizon: int = 400
    """Drop number beyond which a prediction is None."""

    def __post_init__(self) -> None:
        """Refuse what is out of range."""
        if not _is_within(self.level, 0, 1):
            raise ValueOutOfRange("level", self.level, "not a share between 0 and 1, like 0.9")
        if self.limit_g is not None and not _is_within(self.limit_g, 0, math.inf):
            raise ValueOutOfRange("limit_g", self.limit_g, "not a number above 0, in g")
        if not _is_within(self.limit_rise, 0, math.inf):
            raise ValueOutOfRange("limit_rise", self.limit_rise, "not a fraction above 0, like 0.5")
        if not (_is_within(self.horizon, 0, math.inf) and int(self.horizon) == self.horizon):
            raise ValueOutOfRange("horizon", self.horizon, "not a drop number of 1 or more")


def _is_within(value: object, low: float, high: float) -> bool:
    return isinstance(value, Real) and low < float(value) < high


@dataclass(frozen=True, slots=True)
class SeriesWaveforms:
    """Waveforms of one series with their spectra."""

    traces: tuple[PulseTrace, ...]
    of: int
    """Waveforms that the series has, of valid drops."""
    spectrum_drops: tuple[int, ...]
    spectrum: ShockSpectrum | None
    """None without a record that has an impact."""
    left_out: int
    """Records at another sample rate, without a spectrum here."""


@dataclass(frozen=True, slots=True)
class ReportAnswer:
    """One answer of a report, as it was told and in full digits."""

    name: str
    """What it answers, the same from report to report."""
    told: str
    numbers: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportIssue:
    """One report that was issued."""

    number: int
    """1, 2, 3 … in this store."""
    scope: Scope
    answers: tuple[ReportAnswer, ...]
    replaces: int | None
    reason: str | None
    """Why it replaces the other."""
    record_until_utc: datetime | None
    """Latest act of writing that it rests on; None of an empty record."""
    issued_at_utc: datetime | None = None
    """None while it is being written."""
    issued_by: str | None = None
    replaced_by: int | None = None


@dataclass(frozen=True, slots=True)
class RecordChanges:
    """What became of the records of a scope since a report on it; rows as the store gives them."""

    added: tuple[Mapping[str, Any], ...]
    amended: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True)
class ReportContents:
    """All that one report shows, gathered; the page looks nothing up.

    Rows of the record are mappings, column → value, as the saved question or the list of that
    name gives them.
    """

    digest: str
    """Of the record's state, the scope, the limits and the version: the same for the same."""
    made_at: datetime
    made_by: str
    on: date
    """Day as of which inspections and calibrations are due."""
    store: str
    invented: bool
    versions: dict[str, str]
    scope: Scope
    level: float
    limit_g: float | None
    limit_rise: float
    horizon: int
    rig_corrected: bool
    """The rig's drift is divided out of trends and forecasts."""
    counts: Mapping[str, Any]
    series: tuple[Mapping[str, Any], ...]
    trends: tuple[Trend, ...]
    contexts: tuple[TrendContext, ...]
    forecasts: tuple[Forecast, ...]
    """Of each series of the scope, all three in order of series code."""
    pictures: tuple[SeriesPicture, ...]
    """Of those with drops."""
    ranking: Ranking | None
    ranking_with_voided: Ranking | None
    """With every voided reading put back."""
    put_back: Mapping[str, Trend]
    """Series → its trend with its voided readings put back; only where one has a reading."""
    comparable: tuple[SeriesPicture, ...]
    """Series in a case under the commonest condition: levels and lives can be compared."""
    survival: tuple[SurvivalCurve, ...]
    comparisons: tuple[Comparison, ...]
    clouds: tuple[PulseCloud, ...]
    drop_heights_mm: tuple[float, ...]
    waveforms: tuple[SeriesWaveforms, ...]
    """Of the fastest rising series that have any."""
    damage: tuple[Mapping[str, Any], ...]
    voided: tuple[Mapping[str, Any], ...]
    latent: LatentAnswer | None
    """Of all devices; ``per_device`` and those in quarantine are of the scope. None without any."""
    dose_curve: DoseCurve | None
    life_lines: tuple[LifeLine, ...]
    check_tables: tuple[CheckTable, ...]
    owed: DueList
    """By the devices of the scope."""
    rig: tuple[RigWatch, ...]
    sensors: tuple[Mapping[str, Any], ...]
    amendments: tuple[Mapping[str, Any], ...]
    deviations: tuple[Mapping[str, Any], ...]
    """Drops off their sheet or their height, and files that could not be read."""
    sources: tuple[Mapping[str, Any], ...]
    uncertainty: Mapping[str, Any]
    """Readings whose uncertainty was evaluated, and its median in percent, by measure."""
    last_entered_at_utc: datetime | None
    """Latest act of writing in the store; None when there is none."""
    statements: tuple[tuple[str, str, str], ...]
    """Name, title and text of each statement that the report asked of the store."""
    selfcheck: SelfCheck
    claims: tuple[ClaimAnswer, ...] = ()
    """Whether each case model reduces the peak g of bare drops as claimed, if it was asked."""
    boundaries: tuple[DamageBoundary, ...] = ()
    """Of the device models of the scope."""
    issue: ReportIssue | None = None
    """Number of this report; None where it has none."""
    not_numbered_because: str | None = None
    replaced: ReportIssue | None = None
    """The report that this one replaces."""
    changes: RecordChanges | None = None
    """In the record since that report."""
