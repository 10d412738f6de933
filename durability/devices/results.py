"""What was computed of devices: outlooks, the latent link, looks that are due.

Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Container
    from datetime import date, datetime

    from durability.life.results import Prediction
    from durability.record.receipts import Disposal, Quarantine
    from durability.record.records import DeviceHistory, FloatArray, IntArray


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
class TimeRatio:
    """Factor on the time to failure; None when nothing can be said, or when it is infinite."""

    ratio: float | None = None
    """Median."""
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True, slots=True)
class DroppedAgainstControls:
    """How many of the dropped had failed by one day, against those never dropped; exact tests.

    Every device with a look since the day from which it counts is compared, its outcome
    notwithstanding, but for those that had failed at the first such look.
    """

    by_day: float
    """On a clock that both share: since the last drop, of controls since that of the others."""
    dropped_failed: int
    dropped_working: int
    """When last seen, as controls; on ``by_day`` where ``followed_alike``."""
    controls_failed: int
    controls_working: int
    not_compared: int
    """All other devices."""
    followed_alike: bool
    """All came under observation together and were followed to the same day."""
    fisher_p_value: float
    """Two-sided. Fisher's exact test where they were followed alike; else its like for unequal
    follow-up, by permutation of log-rank scores."""
    boschloo_p_value: float | None
    """Two-sided; None where they were not followed alike, and for large groups, where it takes
    long and adds nothing."""
    odds_ratio: float | None
    """Conditional estimate; None when it is infinite, and where they were not followed alike."""
    odds_ratio_lower: float | None
    odds_ratio_upper: float | None
    smallest_p_value: float
    """As ``fisher_p_value``, had the failures fallen on one side as far as they can: what could be
    shown."""


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
    """Per doubling of the peak, as the next."""
    time_ratio_if_largest: float | None


@dataclass(frozen=True, slots=True)
class NextRound:
    """What inspecting every device that still works would find and teach."""

    devices: int
    expected_failures: float
    expected_interval_factor: float | None
    """Expected width of the effect's interval after the round, as a fraction of its width now."""


@dataclass(frozen=True, slots=True)
class LookPlan:
    """One way to spend drops and inspections, and what it is expected to find and teach."""

    drops_on: str
    """Which devices are dropped before, and how often."""
    inspect_on: date
    choice: str
    """Which devices are inspected."""
    devices: tuple[str, ...]
    expected_failures: float
    expected_interval_factor: float
    """As in ``NextRound``."""


@dataclass(frozen=True, slots=True)
class NextLooks:
    """When to inspect which devices next, to learn whether shocks and later failures are linked."""

    devices: int
    """That can be inspected."""
    looks: int
    drops: int
    plans: tuple[LookPlan, ...]
    """The one expected to teach most first; empty where there is too little to plan with."""
    basis: str


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
    """Factor on the time to failure when the shock dose doubles that has ``dose_exponent``, by a
    model of this exponent alone; with ``lower`` and ``upper``."""
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
    per_peak_doubling: TimeRatio = TimeRatio()
    """As many drops, each of twice the peak g; whatever the dose exponent."""
    per_count_doubling: TimeRatio = TimeRatio()
    """Twice as many equal drops; whatever the dose exponent."""
    control_failures: int = 0
    not_inspected: int = 0
    """Devices without a look since their last drop: they tell nothing."""
    brier: float | None = None
    brier_without_shock: float | None = None
    check_p_value: float | None = None
    """That devices left out are predicted no better with shock than without; one-sided."""
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
    """What the verdict depends on: fails not confirmed, a dose declared in time or not."""

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
    """Devices that no one inspected before their first drop."""
    unfinished: tuple[str, ...] = ()
    """Devices whose latest inspection was broken off."""
    cracked_glass: tuple[str, ...] = ()
    """Devices among those due of which cracked glass was noted."""
    retained: tuple[RetainedItem, ...] = ()
    """Every item kept back, the longest overdue first."""
    disposals: tuple[Disposal, ...] = ()
    """Of specimens and parts, the earliest first: nothing is due on a specimen that is gone."""

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
            disposals=tuple(each for each in self.disposals if each.specimen in specimens),
        )


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
    damage: tuple[tuple[float, int], ...] = ()
    """Damage noted on it: day of the drop after which it was seen, NaN where not known, and
    severity."""


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
