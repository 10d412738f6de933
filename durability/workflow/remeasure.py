"""Measure kept waveforms again, through another filter or by a newer method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from durability.errors import RecordRefused, UnusableCall
from durability.records import Rejection
from durability.results import RemeasuredDrop, Remeasurement
from durability.store import bench, database
from durability.store import waveforms as store
from durability.waveform_codec import decode
from durability.workflow.session import Session
from durability.workflow.waveforms import FilterChoice, measure, measuring_inputs, rig_of

if TYPE_CHECKING:
    from durability.records import PulseMeasures
    from durability.store.waveforms import MeasuringInputs

_AMENDED = ("peak_g", "pulse_duration_ms", "velocity_change_m_s")


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
    has set by hand, a value or a status, is left as it is. Sensor, its calibrations, drop
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
        Look only; nothing is stored.

    Returns
    -------
    Remeasurement
        Every drop that has a waveform, changed or not, and those that can't be measured that way.

    Raises
    ------
    RecordRefused
        A series is unknown, or no drop has a waveform.
    """
    with database.reading(session.store) as connection:
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
            raise RecordRefused("drops were added or mended meanwhile; nothing stored, try again")
        entry_id = bench.add_entry(connection, entered_by=session.person, command="remeasure")
        for drop, each, inputs in again:
            if each.before != each.after:
                _store(connection, drop, each, inputs, entry_id)
    return replace(result, is_stored=True)


def _drops(connection: Any, series: Sequence[str] | None) -> list[dict[str, Any]]:
    return bench.fetch(connection, "measured_drops", series=list(series) if series else None)


def _measured_again(
    connection: Any, drop: dict[str, Any], choice: FilterChoice
) -> tuple[RemeasuredDrop, MeasuringInputs]:
    """A drop's latest measures and new ones, and what the new ones hang on."""
    kept = store.measures_of(connection, drop["waveform_id"])[0]
    rig = rig_of(connection, drop["series"])
    waveform = store.find_waveform(connection, drop["series"], drop["drop_number"], drop["drop_id"])
    inputs = measuring_inputs(rig, drop["full_scale_told_g"])
    after = measure(
        decode(waveform["samples"]),
        waveform["sample_rate_hz"],
        inputs,
        choice,
        rig=rig,
        dropped_at=drop["dropped_at"] and drop["dropped_at"].isoformat(),
        entered_on=drop["entered_at_utc"].date(),
        cross_g={
            channel: decode(samples)
            for channel, samples in store.cross_records(connection, drop["waveform_id"]).items()
        },
    )
    before = kept.measures
    by_hand = tuple(
        name
        for name in _AMENDED
        if drop[name] != _borne(getattr(before, name))
        and getattr(before, name) != getattr(after, name)
    )
    status = drop["status"]
    if (status, drop["void_reason"]) == (_status(before), before.void_reason):
        status = _status(after)
    elif before.void_reason != after.void_reason:
        by_hand += ("status",)
        if status == "valid" and after.peak_g is None:
            by_hand = (*_AMENDED, "status")  # a drop that counts keeps its reading
    result = RemeasuredDrop(
        series=drop["series"],
        drop_number=drop["drop_number"],
        before=before,
        after=after,
        status_before=drop["status"],
        status=status,
        kept_by_hand=by_hand,
    )
    return result, inputs


def _status(measures: PulseMeasures) -> str:
    return "valid" if measures.void_reason is None else "void"


def _borne(value: float | None) -> float | None:
    """A measure as a drop bears it."""
    return value if value is not None and value > 0.0 else None


def _store(
    connection: Any,
    drop: dict[str, Any],
    result: RemeasuredDrop,
    inputs: MeasuringInputs,
    entry_id: Any,
) -> None:
    """Keep measures that differ, and amend what the drop says today."""
    store.add_measures(connection, drop["waveform_id"], result.after, inputs, entry_id)
    new: dict[str, Any] = {
        name: _borne(getattr(result.after, name))
        for name in _AMENDED
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
        reason=f"remeasured: {result.after.method}, {_filter_words(result.after)}",
        entry_id=entry_id,
    )


def _filter_words(measures: PulseMeasures) -> str:
    low_pass = measures.low_pass
    if low_pass is None:
        return "no impact to filter"
    if low_pass.cutoff_hz is None:
        return "unfiltered"
    return f"{low_pass.method}, cut-off {low_pass.cutoff_hz:g} Hz, {low_pass.reason}"
