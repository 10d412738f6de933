"""What was computed of cases: trends, fits, forecasts, rankings, ratios, claims.

Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from typing import TYPE_CHECKING, Any, Literal

from durability.record.units import static_stress_kpa

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from durability.life.results import Estimate, Prediction
    from durability.record.records import Condition, FloatArray, IntArray
    from durability.wear.shapes import Floats


TrendVerdict = Literal["rising", "settled", "steady", "too few"]

FALSE_RISE_RATE = 0.05
"""Share of steady series called "rising" at the end, at most."""

DISCOVERY_RATE = 0.05
"""False discovery rate unless another is asked for."""

WEAR_ALARM_ODDS = 4.0
"""Odds that a rise goes on, above which the wear alarm is raised."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Wear of the case in one series: is its peak g climbing, and how fast.

    ``rise_*`` are in percent per drop of the fitted level over the later half of the drops (beside
    "settled" of the wear alone), never at odds with the verdict; arrays run over the valid drops.
    """

    series: str
    case: str | None
    case_model: str | None
    drops: int
    valid_drops: int
    verdict: TrendVerdict
    alarm_at_drop: int | None
    wear_alarm_at_drop: int | None
    """Drop after which the alarm stood and a rise was four times likelier to go on than to have
    levelled off."""
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
    odds_goes_on: float | None = None
    """How many times likelier the readings are if a rise goes on than if it has levelled off."""
    too_early: bool = False
    """Whether it rose, but has too few drops to say whether that goes on."""
    p_rise: float | None = None
    """Of a rise that goes on or stays, whatever the verdict."""
    p_settling: float | None = None
    """Of one that levelled off."""
    q_value: float | None = None
    """Least share of false ones to expect among the series of one answer of which the same is
    called (beside "settled" that it levelled off, else that it rises) as surely as of this one."""
    doubted_drops: tuple[int, ...] = ()
    """Drop numbers whose readings were kept but weighed down."""
    off_in_a_row: tuple[int, ...] = ()
    """The latest two or more of these in a row to one side of the level."""
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

    @property
    def wear_alarm_stands(self) -> bool:
        """Whether the wear alarm was raised and the last drop still says so."""
        return self.wear_alarm_at_drop is not None and (self.odds_goes_on or 0.0) > WEAR_ALARM_ODDS


@dataclass(frozen=True, slots=True)
class Discoveries:
    """Which of many series rise, with a stated share of false ones among them."""

    rate: float
    rising: int
    """Called so one by one."""
    expected_false: float
    """Of these at most: what chance alone calls among the series that are not rising."""
    found: tuple[str, ...]
    """Those that are called rising at the rate."""


def discoveries(trends: Sequence[Trend], rate: float = DISCOVERY_RATE) -> Discoveries:
    """Which of these series rise at a false discovery rate, by their ``q_value``."""
    rising = [each for each in trends if each.verdict == "rising"]
    judged = sum(each.p_rise is not None for each in trends)
    return Discoveries(
        rate,
        len(rising),
        # Of m0 steady series the verdict calls a share α; m0 = judged - (called - α m0).
        FALSE_RISE_RATE / (1.0 - FALSE_RISE_RATE) * (judged - len(rising)),
        tuple(each.series for each in rising if each.q_value is not None and each.q_value <= rate),
    )


@dataclass(frozen=True, slots=True)
class WearDraws:
    """Draws from the posterior of a series' level; arrays of shape (n_draws,).

    They come ordered by shape: shuffle one side before pairing draws of two fits.
    ``log level(n) = log_level_first + step · ψ(n) + climb · φ(n)``, where ``family`` and
    ``parameter`` say which φ, ``step_family`` and ``step_parameter`` which ψ (see
    ``durability.wear.draws.log_level``); of a path that is ``in_g``, ``log(1 + step · ψ(n) + climb
    · φ(n))`` in place of the sum. Held for every series of a record, so in few bytes.
    """

    family: NDArray[np.integer[Any]]
    parameter: Floats
    step_family: NDArray[np.integer[Any]]
    step_parameter: Floats
    log_level_first: FloatArray
    step: Floats
    climb: Floats
    scatter: Floats
    """Standard deviation of log peak g about the level."""
    in_g: NDArray[np.bool_]
    """Whether the level in g, not its log, rises by the path."""


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
    """Level at drop 1, even if that drop was voided; at the first valid one where drop 1 is farther
    back than the valid drops reach."""
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
    off_in_a_row: tuple[int, ...]
    """Drop numbers of the latest two or more of these in a row to one side of the level."""
    scatter: float | None
    """Standard deviation of log peak g about the level (0.05 is about 5 %)."""
    siblings: int
    """Other series of the case model under the same condition, which informed this one."""
    siblings_elsewhere: int
    """Those under other conditions: they informed shape, rate and scatter, not the level."""
    draws: WearDraws | None = field(repr=False)


FailureCause = Literal["peak limit", "damage"]


@dataclass(frozen=True, slots=True)
class FailedIn:
    """The drop at which a case failed."""

    series: str
    drop_number: int


@dataclass(frozen=True, slots=True)
class Forecast:
    """Drops to failure of one series, counted from its first drop; its case has but one life."""

    series: str
    case: str | None
    case_model: str | None
    drops: int
    case_age_at_first_drop: int
    case_age: int
    """Drops that its case has made over all its series."""
    failed: bool
    failed_at_age: int | None
    """Of its case."""
    failed_at_drop: int | None
    """0 when its case had failed before the first drop."""
    failed_in: FailedIn | None
    failure_cause: FailureCause | None
    limit_g: float | None
    drops_to_failure: Prediction
    survival_drop: IntArray
    survival_probability: FloatArray
    """Probability that the case has not failed by ``survival_drop``; same shape."""
    failed_by_limit: float | None
    failed_by_damage: float | None
    """Probability of failing by either within the horizon: together one minus the survival there;
    None with too few drops to forecast."""
    b10_drop: float | None
    """Drop by which one in ten such cases has failed; None beyond the horizon."""
    basis: str
    shape_weights: dict[str, float]
    drops_lacking: int = 0
    """Further valid drops with which there would be enough to forecast; 0 where there is enough."""

    @property
    def is_bare(self) -> bool:
        """Whether the drops were bare: there is no case to fail."""
        return self.case is None and self.case_model is None

    @property
    def drops_made(self) -> int:
        """Drops of its case from the first of this series on, those of later series among them."""
        return self.case_age - self.case_age_at_first_drop + 1

    @property
    def drops_left(self) -> float | None:
        """Drops by median until it fails; 0 when it has, None beyond the horizon or bare."""
        return 0.0 if self.failed else self.left_until(self.drops_to_failure.median)

    @property
    def soonest_first(self) -> tuple[bool, float, str]:
        """Order of series: the failed by the drop at which they did, the others by drops left."""
        if self.failed:
            return False, float(self.failed_at_drop or 0), self.series
        return True, inf if self.drops_left is None else self.drops_left, self.series

    def left_until(self, drop: float | None) -> float | None:
        """Drops from now until a drop number; 0 when it is past, None beyond the horizon."""
        return None if drop is None else max(drop - self.drops_made, 0.0)

    def probability_failed_within(self, further_drops: int) -> float | None:
        """One minus the survival after so many further drops; None beyond what is predicted."""
        if further_drops >= len(self.survival_probability):
            return None
        return 1.0 - float(self.survival_probability[further_drops])


@dataclass(frozen=True, slots=True)
class MoreDrops:
    """What further drops of a series would buy, on average over what they may show."""

    series: str
    extra_drops: int
    spread_now: float | None
    """Upper over lower end of the drops left, now; None while there is too little to forecast."""
    spread_then: float | None
    """The same after the further drops: their geometric mean."""
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


@dataclass(frozen=True, slots=True)
class GroupWear:
    """How fast the cases of one model (or one case) wear, and how long they last."""

    group: str
    cases: int
    drops: int
    failed: int
    rise_pct_per_drop: float | None
    """Of the wear that goes on."""
    lower: float | None
    upper: float | None
    settling_pct: float | None
    """Rise of the first drops that has levelled off, or will; not in the rise per drop."""
    probability_fastest: float | None
    """None where there is no other group to be faster than."""
    life: Prediction
    """Of the next case."""
    lives: int
    """Cases that tell of it under this condition."""
    b10: Estimate
    """Drop by which one in ten of the population of cases has failed."""
    b50: Estimate
    basis: str


@dataclass(frozen=True, slots=True)
class Ranking:
    """Groups from the fastest wearing to the slowest, and whether that order can be told."""

    by: Literal["case_model", "case"]
    groups: tuple[GroupWear, ...]
    order_is_clear: bool
    basis: str
    condition: Condition | Literal["pooled"] | None = None
    """Under which the groups are compared; None without a group."""
    others: tuple[Ranking, ...] = ()
    """The same under each other condition."""


@dataclass(frozen=True, slots=True)
class RatioAtWear:
    """The ratio of a comparison at one state of wear."""

    drops: int
    """Drops that each case has made, this one among them; 1 is fresh."""
    ratio: float
    lower: float | None
    upper: float | None
    reduction_pct: float
    cases_a: int
    cases_b: int
    """Cases that have made so many drops (bare: devices)."""


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
    by_wear: tuple[RatioAtWear, ...] = ()
    """Fresh, midway and at the last drop that both sides have made."""
    condition: Condition | Literal["pooled"] | None = None
    """Under which both were dropped; None without one in common."""
    others: tuple[Comparison, ...] = ()
    """The same under each other condition that both sides share."""


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
class Pad:
    """What the cases of a model rest their load on."""

    case_model: str
    pad_area_mm2: float
    pad_thickness_mm: float | None
    mass_g: float
    """The case with what is in it."""

    @property
    def static_stress_kpa(self) -> float:
        """Weight over area."""
        return static_stress_kpa(self.mass_g, self.pad_area_mm2)


@dataclass(frozen=True, slots=True)
class PeakMean:
    """Mean over cases, in g or in percent; without ends where one case was dropped."""

    value: float
    lower: float | None
    upper: float | None
    cases: int


@dataclass(frozen=True, slots=True)
class CushionPoint:
    """One case model on a cushion curve; None where nothing was read."""

    case_model: str
    static_stress_kpa: float
    pad_thickness_mm: float | None
    first_g: PeakMean | None
    """Of the first drop of each case."""
    later_g: PeakMean | None
    """Of the mean of its drops 2 to 5."""
    wear_pct: PeakMean | None
    """By how many percent the later mean of a case is above its first drop."""


@dataclass(frozen=True, slots=True)
class CushionCurve:
    """Case models dropped under one condition in one orientation, by static stress."""

    condition: Condition
    orientation: str | None
    points: tuple[CushionPoint, ...]
    lowest: str | None
    """Model with the lowest later peak; None with fewer than two."""
    is_clear: bool
    """Whether its interval is below that of every other model."""
    level: float
    """Of the intervals."""

    @property
    def words(self) -> str:
        """Condition and orientation."""
        return ", ".join(filter(None, (self.condition.words, self.orientation)))


ClaimVerdict = Literal["shown", "not shown", "contradicted"]


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
    """Bare: devices."""
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
    """A claimed reduction judged in one orientation, at the same level, on its own."""

    orientation: str
    verdict: ClaimVerdict
    reduction_pct: float
    reduction_lower: float | None
    reduction_upper: float | None
    drops_a: int
    drops_b: int
    cases_a: int
    cases_b: int


Acceptance = Literal["simple", "guarded"]


@dataclass(frozen=True, slots=True)
class UncertaintyPart:
    """What one source brings to the uncertainty of a ratio of readings."""

    source: Literal["calibration", "mounting", "filter"]
    standard_pct: float | None
    """Standard uncertainty of the ratio, in percent; None: not evaluated."""
    words: str
    """What it rests on, or what is missing."""


@dataclass(frozen=True, slots=True)
class GuardBand:
    """A claim against the uncertainty of readings, after JCGM 106 and ILAC-G8.

    A result is the reduction by the readings; its limit is the reduction claimed.
    """

    acceptance: Acceptance
    """Which of both verdicts is that of the claim."""
    reading_pct: float | None
    """Standard uncertainty of the ratio by all parts evaluated, in percent; None: by none."""
    parts: tuple[UncertaintyPart, ...]
    acceptance_limit_simple_pct: float | None
    """A result from here on is shown by simple acceptance: scatter alone is guarded against."""
    acceptance_limit_guarded_pct: float | None
    """And by guarded acceptance: the uncertainty of readings too."""
    guard_band_pct: float | None
    """How far the second limit is beyond the first, in points of reduction."""
    verdict_simple: ClaimVerdict
    verdict_guarded: ClaimVerdict
    false_accept_risk: float | None
    """Probability that the claim is false, so that accepting it is wrong."""
    false_reject_risk: float | None
    """Probability that it is true, so that rejecting it is wrong."""


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
    """Drop number at which the levels are compared; None for the mean over the drops made."""
    beyond_last_drop: bool
    """Always False: a claim beyond the drops that both sides made is refused."""
    by_wear: tuple[RatioAtWear, ...]
    """As the comparison has it."""
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
    guard: GuardBand
