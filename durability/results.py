"""What was computed, frozen: the answers that models hand to the report.

Field names are those of the JSON that leaves the program. A number that can't be given is
``None``. Estimates are not records: nothing here is ever stored as if it had been seen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from durability.records import FloatArray, IntArray

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


# ------------------------------------------------------------------------------------- wear


@dataclass(frozen=True, slots=True)
class WearDraws:
    """Draws from the posterior of a series' level; arrays of shape (n_draws,).

    They come ordered by shape: shuffle one side before pairing draws of two fits.
    ``log level(n) = log_level_first + step · ψ(n) + climb · φ(n)``, where ``family`` and
    ``parameter`` say which φ, ``step_family`` and ``step_parameter`` which ψ (see
    ``durability.wear.log_level``).
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
    median: float | None
    upper: float | None


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
    max_peak_g: float | None
    shock_dose: float | None
    state: str
    failed_after_days: float | None
    """Last day, counted from the last drop, on which it was still known to work."""
    failed_by_days: float | None
    """Day on which it was first seen to have failed; None while it works."""
    probability_failed_by_day: dict[int, float | None]
    drops_without_reading: int = 0


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


@dataclass(frozen=True, slots=True)
class DueInspection:
    """An inspection that a device owes."""

    device: str
    due_on: str
    days_overdue: int
    stage: str
    functions: tuple[str, ...]
