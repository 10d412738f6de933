"""What is asked, and what is gathered from several rooms for one answer.

Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from numbers import Real
from typing import TYPE_CHECKING, Any, Literal

from durability.record.errors import ValueOutOfRange

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from durability.devices.results import (
        CheckTable,
        DamageBoundary,
        DoseCurve,
        DueList,
        LatentAnswer,
        LifeLine,
    )
    from durability.life.results import Backtest, SurvivalCurve
    from durability.pulse.results import PulseCloud, SeriesWaveforms
    from durability.record.receipts import ImportCount, StoredDrop
    from durability.record.records import Condition, FloatArray, IntArray, PulseMeasures
    from durability.rig.results import RigNote, RigWatch
    from durability.selfcheck.results import SelfCheck
    from durability.store.sql_files import Orphans
    from durability.wear.results import (
        Claim,
        Comparison,
        CushionCurve,
        Forecast,
        LevelFan,
        Ranking,
        Trend,
    )


@dataclass(frozen=True, slots=True)
class SeriesPicture:
    """One series as it is drawn: what was judged, and what the judgement left out."""

    trend: Trend
    forecast: Forecast
    device: str | None
    orientation: str | None
    condition: Condition
    """Levels and lives are comparable within one only."""
    voided_drop_number: IntArray
    voided_peak_g: FloatArray
    """NaN where the voided drop gave no reading."""
    damage_drop_number: IntArray
    damage_severity: IntArray
    """What was noted on the case, by drop number."""
    fan: LevelFan | None = None
    bounded: frozenset[int] = frozenset()
    """Drop numbers of clipped peaks, only known from below; voided ones too."""


@dataclass(frozen=True, slots=True)
class SurvivalPicture:
    """Survival by case model under the condition that stands first."""

    curves: tuple[SurvivalCurve, ...]
    condition: Condition | None
    """None without a case."""
    left_out: int
    """Cases under other conditions, or of no model."""


Cause = Literal["voided", "in doubt"]
"""Why the record is read once more: with the voided readings put back, or without those in doubt
(sensor, calibration, cross axes), to see whether that changes an answer."""


@dataclass(frozen=True, slots=True)
class NamedDrop:
    """A drop that does not count, or that is in doubt, and why."""

    series: str
    drop_number: int
    peak_g: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class TrendContext:
    """What stands beside the trend of a series: voided drops, doubtful readings, the rig."""

    voided: tuple[NamedDrop, ...]
    with_voided: Trend | None
    """The same series judged with its voided readings put back; None where none has a reading."""
    in_doubt: tuple[NamedDrop, ...]
    """Valid drops that the sensor, its calibration or the cross axes put in doubt."""
    without_in_doubt: Trend | None
    """The same series judged without them; None where there is none."""
    suggested: tuple[int, ...]
    """Drop numbers of readings that an outlier test would mark, about the fitted level."""
    suggested_by: str
    rig: RigNote | None
    bounded: frozenset[int]
    """Drop numbers of clipped peaks, only known from below."""


@dataclass(frozen=True, slots=True)
class ForecastContext:
    """What stands beside the forecast of a series: drops of its case in doubt, the rig."""

    in_doubt: tuple[NamedDrop, ...]
    without_in_doubt: Forecast | None
    """The same series forecast without them; None where there is none."""
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
    """A claim judged under one condition: devices and dummies, heights, surfaces never pooled."""

    device_kind: str | None
    claim: Claim | None
    """None where the two sides can't be compared under it."""
    reason: str | None
    voided_a: int
    voided_b: int
    with_voided: Claim | None
    """The same with the voided readings put back; None without any."""
    in_doubt_a: int
    in_doubt_b: int
    without_in_doubt: Claim | None
    """The same without the readings in doubt; None without any, or where too few are left."""
    condition: Condition


@dataclass(frozen=True, slots=True)
class ClaimAnswer:
    """A claimed reduction from ``a`` to ``b`` under each condition that both share."""

    a: str
    b: str
    by_kind: tuple[ClaimByKind, ...]
    voided: tuple[NamedDrop, ...]
    in_doubt: tuple[NamedDrop, ...]


@dataclass(frozen=True, slots=True)
class Export:
    """The whole record as a folder of open files."""

    folder: str
    files: int
    drops: int
    licence: str
    missing_photos: str | None = None


@dataclass(frozen=True, slots=True)
class Seal:
    """A fingerprint of the whole record as it was."""

    seal_number: int
    entries: int
    digest: str
    """SHA-256, 64 hexadecimal digits."""
    engine_version: str
    sealed_at_utc: datetime | None
    sealed_by: str | None
    """None when the entry that made the seal is gone."""
    is_whole: bool
    """Whether its list of fingerprints still gives its digest."""
    site: str | None


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
    sealed_entries: int
    unsealed_entries: int
    unsealed_rows: int
    orphans: tuple[Orphans, ...] = ()
    rebuilt: tuple[Rebuilt, ...] = ()
    digest: str | None = None
    """A digest from outside the store that was asked about."""
    altered_definitions: tuple[str, ...] = ()
    """Tables, views and macros that are not as this program lays them down."""
    photos: int = 0
    altered_photos: tuple[str, ...] = ()
    """Kept photos whose file is missing or another one, and why."""

    @property
    def seal_of_digest(self) -> Seal | None:
        """The seal that has the digest asked about."""
        return next((seal for seal in self.seals if seal.digest == self.digest), None)

    @property
    def broken_seals(self) -> tuple[Seal, ...]:
        """Seals whose own list was changed."""
        return tuple(seal for seal in self.seals if not seal.is_whole)

    @property
    def is_sound(self) -> bool:
        """Nothing sealed was changed, no row lacks one it names, records give their measures."""
        return not (
            self.altered
            or self.orphans
            or self.broken_seals
            or self.altered_definitions
            or self.altered_photos
            or any(each.outcome == "different" for each in self.rebuilt)
            or (self.digest is not None and self.seal_of_digest is None)
        )


ScopeKind = Literal["whole record", "case model", "series", "specimen", "follow-up plan"]


@dataclass(frozen=True, slots=True)
class Under:
    """Values of a condition that are answered for; none named: every value. None: not recorded."""

    drop_height_mm: tuple[float | None, ...] = ()
    surface: tuple[str | None, ...] = ()
    orientation: tuple[str | None, ...] = ()
    """Of a box: under one name, however its faces are ordered."""
    device_kind: tuple[str | None, ...] = ()

    def admits(self, values: Mapping[str, Any]) -> bool:
        """Whether a series with these values of the same names is answered for."""
        return all(values[name] in wanted for name, wanted in self.named.items())

    @property
    def named(self) -> dict[str, tuple[Any, ...]]:
        """Name of a condition → the values of it that are answered for."""
        wanted = ((each.name, getattr(self, each.name)) for each in fields(self))
        return {name: values for name, values in wanted if values}

    @property
    def options(self) -> tuple[str, ...]:
        """As options of a call, in pairs of name and value."""
        return tuple(
            word
            for name, wanted in self.named.items()
            for value in wanted
            for word in (
                f"--{name.replace('_', '-')}",
                f"{value:g}" if isinstance(value, float) else value or "",
            )
        )


@dataclass(frozen=True, slots=True)
class Scope:
    """What is answered for; what informs an answer is always the whole record."""

    kind: ScopeKind
    names: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    """Series within it; reference series only where they are named."""
    devices: tuple[str, ...] = ()
    """Devices within it, controls included when it is the whole record or a plan."""
    under: Under = Under()

    @property
    def is_part(self) -> bool:
        """Whether it is less than the whole record."""
        return self.kind != "whole record" or self.under != Under()

    @property
    def told(self) -> tuple[str, ...]:
        """Names and conditions, as an issued report keeps them."""
        return (*self.names, *self.under.options)


@dataclass(frozen=True, slots=True)
class AsOf:
    """As of when an answer is asked, where that is not now."""

    as_of: str
    """The date of which it is the end, or the instant; ISO 8601."""
    entered_since: int
    """Entries made later, which are left out."""


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
    """The same without ``limit_g``, as a fraction above the level of the fresh case."""
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
        if not (_is_within(self.horizon, 0, 100_001) and int(self.horizon) == self.horizon):
            raise ValueOutOfRange("horizon", self.horizon, "not a drop number from 1 to 100,000")


def _is_within(value: object, low: float, high: float) -> bool:
    return isinstance(value, Real) and low < float(value) < high


@dataclass(frozen=True, slots=True)
class ReportAnswer:
    """One answer of a report, as it was worded and in full digits."""

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
    """Latest entry that it rests on; None of an empty record."""
    program_version: str
    parties: Mapping[str, str | None]
    """As in ``ReportContents``."""
    issued_at_utc: datetime | None = None
    """None while it is being written."""
    issued_by: str | None = None
    replaced_by: int | None = None
    page_sha256: str = ""
    is_page_kept: bool = False


@dataclass(frozen=True, slots=True)
class RecordChanges:
    """What became of the records of a scope since a report on it; rows as the store gives them."""

    added: tuple[Mapping[str, Any], ...]
    amended: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True)
class DamagePhoto:
    """The file of a photo of damage, or why it is not shown."""

    note: Mapping[str, Any]
    """The damage note that names it first."""
    file_name: str
    file_sha256: str
    """As recorded with the note."""
    media_type: str = ""
    content: bytes = b""
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ReportContents:
    """All that one report shows, gathered; the page looks nothing up.

    Rows of the record are mappings, column → value, as the statement of that name gives them.
    """

    digest: str
    """Of the record's state, the scope, the limits and the version: the same for the same."""
    made_at: datetime
    made_by: str
    parties: Mapping[str, str | None]
    """The laboratory, the customer and the purpose of the tests, as given."""
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
    claim_pct: float | None
    rig_corrected: bool
    """The rig's drift is divided out of trends and forecasts."""
    counts: Mapping[str, Any]
    reviewed: tuple[Mapping[str, Any], ...]
    series: tuple[Mapping[str, Any], ...]
    trends: tuple[Trend, ...]
    contexts: tuple[TrendContext, ...]
    forecasts: tuple[Forecast, ...]
    forecast_contexts: tuple[ForecastContext, ...]
    """Of each series of the scope, all four in order of series code."""
    pictures: tuple[SeriesPicture, ...]
    """Of those with drops."""
    ranking: Ranking | None
    ranking_with_voided: Ranking | None
    """With every voided reading put back."""
    put_back: Mapping[str, Trend]
    """Series → its trend with its voided readings put back; only where one has a reading."""
    comparable: tuple[SeriesPicture, ...]
    """Series that the ranking compares: under the condition that stands first."""
    survival: SurvivalPicture
    comparisons: tuple[Comparison, ...]
    cushions: tuple[CushionCurve, ...]
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
    """Latest entry in the store; None when there is none."""
    statements: tuple[tuple[str, str, str], ...]
    """Name, title and text of each statement that the report asked of the store."""
    selfcheck: SelfCheck
    as_of: AsOf | None = None
    """None: now."""
    backtest: Backtest | None = None
    """Past forecasts checked against what happened, if it was asked."""
    claims: tuple[ClaimAnswer, ...] = ()
    """Whether each case model reduces the peak g of bare drops as claimed, if it was asked."""
    boundaries: tuple[DamageBoundary, ...] = ()
    """Of the device models of the scope."""
    photos: tuple[DamagePhoto, ...] = ()
    """Of the damage notes, if they were asked for."""
    issue: ReportIssue | None = None
    """Number of this report; None where it has none."""
    not_numbered_because: str | None = None
    replaced: ReportIssue | None = None
    """The report that this one replaces."""
    changes: RecordChanges | None = None
    """In the record since that report."""


@dataclass(frozen=True, slots=True)
class OpenSeries:
    """A series that takes drops, as it stands."""

    row: Mapping[str, Any]
    """As ``series list`` has it."""
    trend: Trend
    forecast: Forecast | None
    """None when bare."""
    horizon: int
    """Last drop number that the forecast considers."""

    @property
    def has_failed(self) -> bool:
        """Whether its case has."""
        return self.forecast is not None and self.forecast.failed


@dataclass(frozen=True, slots=True)
class Status:
    """How a record stands on a day."""

    open_series: tuple[OpenSeries, ...]
    due: DueList
    rig: tuple[RigWatch, ...]
    overdue_sensors: tuple[Mapping[str, Any], ...]
    """Of open series: those whose calibration is overdue or unknown."""
    last_entries: tuple[Mapping[str, Any], ...]
    """The latest first."""
    rate: float | None
    """False discovery rate at which alarms are named; None: not asked."""
    alarms: tuple[str, ...]
    """Open series whose alarm holds at it."""


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
