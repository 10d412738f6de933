"""A record measured: by which filter, for which sensor and conditions; and measured again."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from durability.intake.waveforms import CrossChannel, read_waveform
from durability.intake.waveforms.scale import OTHER_SENSITIVITY_RATIO
from durability.pulse.low_pass import ChannelClassStandard
from durability.pulse.measure import measure_pulse
from durability.pulse.results import RemeasuredDrop, Remeasurement
from durability.pulse.waveform_codec import decode
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall, WaveformUnreadable
from durability.record.receipts import Rejection
from durability.record.whole_file import name_of
from durability.store import bench, database
from durability.store import waveforms as store
from durability.store.waveforms import MeasuringInputs
from durability.workflow.keep import refuse_closed
from durability.workflow.results import MeasuredFile
from durability.workflow.sensors import amplitude_notes, calibration_notes, calibration_on
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.intake.waveforms.reading import TimeUnit
    from durability.intake.waveforms.scale import ValueUnit
    from durability.record.records import PulseMeasures, Waveform

OLDEST_RECORD = date(1990, 1, 1)
"""A recorder whose clock was never set dates its files to its maker's epoch; none is older."""


@dataclass(frozen=True, slots=True)
class FilterChoice:
    """Which low-pass to measure through; by default one derived from each pulse."""

    low_pass_hz: float | None = None
    channel_class: float | None = None
    channel_class_standard: ChannelClassStandard = "SAE J211-1"

    def __post_init__(self) -> None:
        """Refuse a value out of its range."""
        _refuse_unless_positive(self, "low_pass_hz", "channel_class")


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """What a user states about files; None where the file, the sensor or the pulse may say."""

    channel: str | None = None
    cross_channels: tuple[CrossChannel, ...] = ()
    units: ValueUnit | None = None
    mv_per_g: float | None = None
    gain: float | None = None
    full_scale_g: float | None = None
    sample_rate_hz: float | None = None
    time_unit: TimeUnit | None = None
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    first_line: int | None = None
    filter: FilterChoice = field(default_factory=FilterChoice)
    recorder: str | None = None
    """Name and version of the description that the options are from."""
    recorder_mv_per_g: float | None = None
    """Sensitivity by that description: the sensor on the series goes first, if the two agree."""
    date_by_file_time: bool = False
    """Date a drop by its file's last change when the file's content has no date."""

    def __post_init__(self) -> None:
        """Refuse a value out of its range."""
        _refuse_unless_positive(
            self, "mv_per_g", "gain", "full_scale_g", "sample_rate_hz", "first_line"
        )

    def given(self) -> dict[str, Any]:
        """What was stated, for the record."""
        told = asdict(self)
        told |= told.pop("filter")
        if told["channel_class"] is None:
            del told["channel_class_standard"]
        return {name: value for name, value in told.items() if value not in (None, False, ())}


def _refuse_unless_positive(options: object, *names: str) -> None:
    for name in names:
        value = getattr(options, name)
        if value is not None and not 0.0 < value < float("inf"):
            raise UnusableCall(f"--{name.replace('_', '-')} {value:g}: not a number above 0")


NO_RIG: dict[str, Any] = {
    "series": None,
    "drop_height_mm": None,
    "orientation": None,
    "sensor": None,
    "full_scale_g": None,
    "natural_frequency_hz": None,
    "calibrations": [],
}
"""Stands for a series when files are only read, not stored."""


def find_rig(connection: Any, series: str) -> dict[str, Any]:
    """An open series with its conditions and its sensor.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series : str
        Its code.

    Raises
    ------
    RecordRefused
        The series is unknown.
    SeriesClosed
        It takes no further drops.
    """
    rig = rig_of(connection, series)
    refuse_closed(series, rig["status"])
    return rig


def rig_of(connection: Any, series: str) -> dict[str, Any]:
    """A series with its conditions, its sensor and the sensor's calibrations.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series : str
        Its code.

    Raises
    ------
    RecordRefused
        The series is unknown.
    """
    rig = bench.find(connection, "series", series)
    return {
        **rig,
        "calibrations": bench.fetch(connection, "calibrations_of_sensor", sensor=rig["sensor"]),
    }


def measuring_inputs(rig: Mapping[str, Any], full_scale_g: float | None) -> MeasuringInputs:
    """What the measures of a series' records depend on.

    Parameters
    ----------
    rig : mapping
        From ``find_rig``.
    full_scale_g : float or None
        Stated with the file, instead of the sensor's.
    """
    return MeasuringInputs(
        full_scale_g=full_scale_g or rig["full_scale_g"],
        natural_frequency_hz=rig["natural_frequency_hz"],
        drop_height_mm=rig["drop_height_mm"],
        orientation=rig["orientation"],
    )


def not_judged(rig: Mapping[str, Any], options: RecordOptions) -> tuple[str, ...]:
    """What can't be judged of any record for want of a fact, in words.

    Parameters
    ----------
    rig : mapping
        From ``find_rig``.
    options : RecordOptions
        What the user stated.
    """
    inputs = measuring_inputs(rig, options.full_scale_g)
    lacking = (
        (inputs.full_scale_g, "over range: the sensor's full scale is not known (--full-scale-g)"),
        (inputs.drop_height_mm, "velocity change: the series has no drop height"),
    )
    return tuple(words for value, words in lacking if value is None)


def measure(
    acceleration_g: Any,
    sample_rate_hz: float,
    inputs: MeasuringInputs,
    choice: FilterChoice,
    *,
    rig: Mapping[str, Any],
    dropped_at: str | None,
    entered_on: date | None = None,
    cross_g: Mapping[str, Any] | None = None,
) -> PulseMeasures:
    """Measures of a record, and what speaks against it, the sensor's calibrations included.

    Parameters
    ----------
    acceleration_g : ndarray of shape (n_samples,)
        In g.
    sample_rate_hz : float
        Samples per second.
    inputs, choice, rig
        What is known of drop and sensor, and the filter wanted.
    dropped_at : str or None
        ISO 8601.
    entered_on : date, optional
        Day that stands for that of a drop without a date; else today.
    cross_g : mapping of str to ndarray of shape (n_samples,), optional
        Channel → what the axes across that of the impact recorded, in g.

    Raises
    ------
    UnusableCall
        The record can't be measured that way, for instance sampled too slowly for the class.
    """
    # Copying what they hold, as asdict does, takes as long as a filter.
    given = {each.name: getattr(of, each.name) for of in (choice, inputs) for each in fields(of)}
    measures = measure_pulse(acceleration_g, sample_rate_hz, **given, cross_g=cross_g)
    of = rig["sensor"], rig["calibrations"], _day_of(dropped_at, entered_on)
    notes = calibration_notes(*of, is_dated=dropped_at is not None)
    notes += amplitude_notes(*of, measures.peak_g)
    return replace(measures, notes=(*measures.notes, *notes))


def _day_of(dropped_at: str | None, entered_on: date | None = None) -> date:
    if dropped_at is not None:
        return datetime.fromisoformat(dropped_at).date()
    return entered_on or clock.today()


def read_and_measure(
    path: Path, rig: Mapping[str, Any], options: RecordOptions
) -> tuple[Waveform, MeasuredFile]:
    """A file's waveform, and what it says of the drop.

    Parameters
    ----------
    path : Path
        The file.
    rig : mapping
        From ``find_rig``.
    options : RecordOptions
        What the user states.

    Raises
    ------
    WaveformUnreadable
        One line: the file, what is wrong, what would be right.
    """

    def sensitivity_at(recorded_at: str | None) -> tuple[float, str] | None:
        """Of the sensor, by the calibration that held on the day of the drop."""
        day = _day_of(_moment_of(path, recorded_at, options))
        held = calibration_on(rig["calibrations"], day)
        described = options.recorder_mv_per_g
        if held is None or held["as_left_mv_per_g"] is None:
            return None if described is None else (described, f"of recorder {options.recorder}")
        ratio = (described or held["as_left_mv_per_g"]) / held["as_left_mv_per_g"]
        if not 1.0 / OTHER_SENSITIVITY_RATIO < ratio < OTHER_SENSITIVITY_RATIO:
            raise RecordRefused(
                f"{described:g} mV/g by recorder {options.recorder},"
                f" {held['as_left_mv_per_g']:g} mV/g of sensor {rig['sensor']}; settle it with"
                " --mv-per-g"
            )
        on = held["calibrated_on"]
        whose = f"of sensor {rig['sensor']}" + (f" as calibrated on {on}" if on else "")
        return held["as_left_mv_per_g"], whose

    try:
        waveform = read_waveform(
            path,
            channel=options.channel,
            cross_channels=options.cross_channels,
            units=options.units,
            mv_per_g=options.mv_per_g or sensitivity_at,
            full_scale_g=options.full_scale_g,
            sample_rate_hz=options.sample_rate_hz,
            time_unit=options.time_unit,
            delimiter=options.delimiter,
            decimal=options.decimal,
            encoding=options.encoding,
            first_line=options.first_line,
            gain=options.gain,
            read_parquet=store.read_parquet,
        )
        dropped_at = _moment_of(path, waveform.recorded_at, options)
        measures = measure(
            waveform.acceleration_g,
            waveform.sample_rate_hz,
            measuring_inputs(rig, options.full_scale_g),
            options.filter,
            rig=rig,
            dropped_at=dropped_at,
            cross_g={each.channel: each.acceleration_g for each in waveform.cross},
        )
    except WaveformUnreadable:
        raise
    except (UnusableCall, RecordRefused) as fault:
        raise WaveformUnreadable(f"{path.name}: {fault}") from None
    if waveform.recorded_at is not None and not _is_plausible(waveform.recorded_at):
        waveform.inferred["recorded at"] += "; no plausible date, so left out"
    measured = MeasuredFile(
        file=name_of(path),
        file_sha256=waveform.file_sha256,
        channel=waveform.channel or "",
        start_s=waveform.start_s,
        mv_per_g=waveform.mv_per_g,
        measures=measures,
        inferred=waveform.inferred,
        dropped_at=dropped_at,
        cross=tuple((each.channel, each.mv_per_g) for each in waveform.cross),
    )
    return waveform, measured


_ASSUMED = {
    "units": ("readings in", "--units"),
    "time base": ("time by", "--time-unit"),
    "sample rate": ("rate of", "--sample-rate-hz"),
    "data": ("data", "--first-line"),
}
"""What can be assumed of a file: how a remark about it begins, and the option that settles it."""


def remarks_of(inferred: Mapping[str, str]) -> tuple[str, ...]:
    """What was assumed of a file or noticed in it, in words, each with the option that settles it.

    Parameters
    ----------
    inferred : mapping
        What was worked out of the file.
    """
    assumed = [
        f"assumed: {what} {inferred[name].replace(' assumed', '')} ({option})"
        for name, (what, option) in _ASSUMED.items()
        if re.search(r"\b(assumed|worked out|though)\b", inferred.get(name, ""))
    ]
    noticed = [f"noticed: {inferred['noticed']}"] if "noticed" in inferred else []
    return (*assumed, *noticed)


def _moment_of(path: Path, recorded_at: str | None, options: RecordOptions) -> str | None:
    """When the drop was made, as far as anyone says so."""
    if recorded_at is not None and _is_plausible(recorded_at):
        return recorded_at
    if options.date_by_file_time:
        changed = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
        return changed.isoformat(timespec="seconds")
    return None


def _is_plausible(recorded_at: str) -> bool:
    """Whether a file's own date is that of a drop, and not of a clock that was never set."""
    told = datetime.fromisoformat(recorded_at)
    now = clock.now() if told.tzinfo else clock.wall_clock()
    return told.date() >= OLDEST_RECORD and told <= now


READINGS = ("peak_g", "pulse_duration_ms", "velocity_change_m_s")
"""Columns of a drop that its measures fill."""


def remeasure(
    session: Session,
    series: Sequence[str] | None,
    choice: FilterChoice,
    *,
    dry_run: bool = False,
) -> Remeasurement:
    """Measure kept waveforms again; the former measures stay.

    What a drop says today follows the new measures by way of amendments, whose reason names method
    and filter; a flag that voids and came or went takes the drop's status with it. What a person
    has set manually, a value or a status, is left as it is. Sensor, its calibrations, drop
    height and orientation are those on record today; the scale of a record stays.

    Parameters
    ----------
    session : Session
        Store and person.
    series : sequence of str, optional
        Only these.
    choice : FilterChoice
        The filter; by default the one derived from each pulse.
    dry_run : bool
        Only measure; nothing is stored.

    Returns
    -------
    Remeasurement
        Every drop that has a waveform, changed or not, and those that can't be measured that way.

    Raises
    ------
    RecordRefused
        A series is unknown, or no drop has a waveform.
    """
    with database.reading(session.record) as connection:
        for code in series or ():
            bench.find(connection, "series", code)
        drops = _drops(connection, series)
        if not drops:
            raise RecordRefused("no drop there has a waveform; import some with: import waveforms")
        again: list[tuple[dict[str, Any], RemeasuredDrop, MeasuringInputs]] = []
        left = []
        for drop in drops:
            try:
                again.append((drop, *_measured_again(connection, drop, choice)))
            except UnusableCall as fault:
                where = f"drop {drop['drop_number']} of series {drop['series']!r}"
                left.append(Rejection(where, None, None, None, f"{fault}; left as it was"))
    result = Remeasurement(tuple(each for _, each, _ in again), tuple(left), is_stored=False)
    if dry_run or not result.changed:
        return result
    with database.writing(session.store) as connection:
        if _drops(connection, series) != drops:
            raise RecordRefused("drops were added or amended meanwhile; nothing stored, try again")
        entry_id = bench.add_entry(connection, entered_by=session.person, command="remeasure")
        for drop, each, inputs in again:
            if each.before != each.after:
                store_again(connection, drop, each, inputs, entry_id, "remeasured")
    return replace(result, is_stored=True)


def _drops(connection: Any, series: Sequence[str] | None) -> list[dict[str, Any]]:
    return bench.fetch(connection, "measured_drops", series=list(series) if series else None)


def _measured_again(
    connection: Any, drop: dict[str, Any], choice: FilterChoice
) -> tuple[RemeasuredDrop, MeasuringInputs]:
    """A drop's latest measures and new ones, and what the new ones depend on."""
    kept = store.measures_of(connection, drop["waveform_id"])[0]
    rig = rig_of(connection, drop["series"])
    inputs = measuring_inputs(rig, drop["full_scale_told_g"])
    after = measure(
        **kept_record(connection, drop),
        inputs=inputs,
        choice=choice,
        rig=rig,
        dropped_at=drop["dropped_at"] and drop["dropped_at"].isoformat(),
        entered_on=drop["entered_at_utc"].date(),
    )
    return changed_by(drop, kept.measures, after), inputs


def kept_record(connection: Any, drop: Mapping[str, Any]) -> dict[str, Any]:
    """What is measured of a drop's kept record: its axes in g, and the rate of their samples.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    drop : mapping
        A row of the statement ``measured_drops``.
    """
    waveform = store.find_waveform(connection, drop["series"], drop["drop_number"], drop["drop_id"])
    across = store.cross_records(connection, drop["waveform_id"])
    return {
        "acceleration_g": decode(waveform["samples"]),
        "sample_rate_hz": waveform["sample_rate_hz"],
        "cross_g": {channel: decode(samples) for channel, samples in across.items()},
    }


def changed_by(
    drop: Mapping[str, Any], before: PulseMeasures, after: PulseMeasures
) -> RemeasuredDrop:
    """What new measures make of a drop; what a person has set stays.

    Parameters
    ----------
    drop : mapping
        A row of the statement ``measured_drops``.
    before, after : PulseMeasures
        Its latest measures and the new ones.
    """
    by_hand = tuple(
        name
        for name in READINGS
        if drop[name] != borne(getattr(before, name))
        and getattr(before, name) != getattr(after, name)
    )
    status = drop["status"]
    if (status, drop["void_reason"]) == (_status(before), before.void_reason):
        status = _status(after)
    elif before.void_reason != after.void_reason:
        by_hand += ("status",)
        if status == "valid" and after.peak_g is None:
            by_hand = (*READINGS, "status")  # a drop that counts keeps its reading
    return RemeasuredDrop(
        series=drop["series"],
        drop_number=drop["drop_number"],
        before=before,
        after=after,
        status_before=drop["status"],
        status=status,
        kept_by_hand=by_hand,
    )


def _status(measures: PulseMeasures) -> str:
    return "valid" if measures.void_reason is None else "void"


def borne(value: float | None) -> float | None:
    """A measure that a drop can hold; of a record too bad for one, the waveform says why."""
    return value if value is not None and value > 0.0 else None


def store_again(
    connection: Any,
    drop: Mapping[str, Any],
    result: RemeasuredDrop,
    inputs: MeasuringInputs,
    entry_id: Any,
    why: str,
) -> None:
    """Keep measures that differ, and amend what the drop says today.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    drop : mapping
        A row of the statement ``measured_drops``, with the waveform that was measured.
    result : RemeasuredDrop
        From ``changed_by``.
    inputs : MeasuringInputs
        What the measures depend on.
    entry_id : UUID
        The entry.
    why : str
        Opens the reason of the amendments.
    """
    store.add_measures(connection, [(drop["waveform_id"], result.after, entry_id)], inputs)
    new: dict[str, Any] = {
        name: borne(getattr(result.after, name))
        for name in READINGS
        if name not in result.kept_by_hand
    }
    changes = [(name, drop[name], value) for name, value in new.items() if drop[name] != value]
    is_new_reason = result.before.void_reason != result.after.void_reason
    if is_new_reason and "status" not in result.kept_by_hand:
        # Both together: a reason stands only beside its status.
        changes += [
            ("status", drop["status"], result.status),
            ("void_reason", drop["void_reason"], result.after.void_reason),
        ]
    bench.amend(
        connection,
        "drops",
        drop["drop_id"],
        changes,
        reason=f"{why}: {result.after.method}, {_filter_words(result.after)}",
        entry_id=entry_id,
    )


def _filter_words(measures: PulseMeasures) -> str:
    low_pass = measures.low_pass
    if low_pass is None:
        return "no impact to filter"
    if low_pass.cutoff_hz is None:
        return "unfiltered"
    return f"{low_pass.method}, cut-off {low_pass.cutoff_hz:g} Hz, {low_pass.reason}"
