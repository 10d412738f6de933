"""What was computed of the rig: charts, its health, its gauge study.

Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from durability.record.records import FloatArray


RigVerdict = Literal["in control", "drifted", "too few"]


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
    """What ``health`` counts by: seconds since 1970-01-01 of the bench clock, or drop numbers
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
