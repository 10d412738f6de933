"""Results to the JSON that leaves the program: numbers or null, never NaN."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from durability.report import pulse_labels

if TYPE_CHECKING:
    from durability.records import PulseMeasures, Quarantine
    from durability.results import (
        ImportCount,
        MeasuredFile,
        Prediction,
        PulseTrace,
        Remeasurement,
        RigNote,
        ShockSpectrum,
        VoidedDrop,
        WaveformImport,
    )


def dumps(value: Any) -> str:
    """JSON text of plain values, dates and numbers of any library.

    Parameters
    ----------
    value : object
        Built of dicts, sequences, strings, numbers, dates and None.

    Returns
    -------
    str
        One line; NaN and infinities as null.
    """
    return json.dumps(_clean(value), ensure_ascii=False, allow_nan=False)


def _clean(value: Any) -> Any:
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, Mapping):
        return {str(key): _clean(each) for key, each in value.items()}
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, UUID):
        return str(value)
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return _clean(value.tolist())
    if isinstance(value, Iterable):
        return [_clean(each) for each in value]
    number = float(value)  # Decimal too
    return number if abs(number) < float("inf") else None


def named(result: Any, names: Sequence[str]) -> dict[str, Any]:
    """These fields of a result."""
    return {name: getattr(result, name) for name in names}


def rig(note: RigNote | None) -> dict[str, Any] | None:
    """What the reference drops say of the time of a series."""
    if note is None:
        return None
    since = None if note.since is None else datetime.fromtimestamp(note.since, UTC)
    return {
        **{each.name: getattr(note, each.name) for each in fields(note)},
        "since": None if since is None else since.replace(tzinfo=None),
    }


def voided_drops(drops: Sequence[VoidedDrop]) -> list[dict[str, Any]]:
    """Drops left out, each with its reason."""
    return [named(drop, ("series", "drop_number", "peak_g", "reason")) for drop in drops]


def prediction(told: Prediction) -> dict[str, float | None]:
    """Object of a prediction."""
    return named(told, ("lower", "median", "upper"))


def quarantine(kept: Quarantine) -> dict[str, Any]:
    """One device kept apart, with the ends of the windows in which it is watched."""
    return {**named(kept, ("device", "since", "sign", "told")), "watch_until": dict(kept.watch)}


def everything(result: Any, *left_out: str) -> dict[str, Any]:
    """Every field of a result but those; results within it as objects too."""
    return {
        each.name: _plain(getattr(result, each.name))
        for each in fields(result)
        if each.name not in left_out
    }


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return everything(value) if is_dataclass(value) else value


def import_count(count: ImportCount) -> dict[str, Any]:
    """Object of ``import … --json``."""
    names = ("read", "added", "duplicates", "rejected", "rejects_file")
    quarantined = [kept.device for kept in count.quarantined]
    told = {"quarantined": quarantined, "undated_in_quarantine": dict(count.undated_in_quarantine)}
    return {**named(count, names), **{name: found for name, found in told.items() if found}}


# ---------------------------------------------------------------------------------- waveforms


def measures(of: PulseMeasures) -> dict[str, Any]:
    """Every measure of a record, with filter, flags and notes."""
    derived = ("void_reason", "cross_axis_pct", "fall_height_mm", "fall_height_uncertainty_mm")
    return {**asdict(of), **named(of, derived)}


def measured_file(each: MeasuredFile) -> dict[str, Any]:
    """One drop taken from a file."""
    return {
        "file": each.file,
        "drop_number": each.drop_number,
        "peak_g": each.measures.peak_g,
        "pulse_duration_ms": each.measures.pulse_duration_ms,
        "velocity_change_m_s": each.measures.velocity_change_m_s,
        "sample_rate_hz": each.measures.sample_rate_hz,
        "status": each.status,
        "flags": [flag.name for flag in each.measures.flags],
        "void_reason": each.measures.void_reason,
        "notes": each.measures.notes,
        "raw_peak_g": each.measures.raw_peak_g,
        "low_pass": None if each.measures.low_pass is None else asdict(each.measures.low_pass),
        "channel": each.channel,
        "dropped_at": each.dropped_at,
        "file_sha256": each.file_sha256,
        "series": each.stored and each.stored.series,
        "id": each.stored and each.stored.id,
    }


def waveform_import(result: WaveformImport) -> dict[str, Any]:
    """Object of ``import waveforms --json``."""
    return {
        **import_count(result.count),
        "drops": [measured_file(each) for each in result.drops],
        "duplicate_files": [asdict(each) for each in result.duplicates],
        "not_judged": result.not_judged,
        "remarks": result.remarks,
    }


def explained(result: WaveformImport) -> dict[str, Any]:
    """Object of ``import waveforms --explain --json``."""
    return {
        "read": result.count.read,
        "rejected": result.count.rejected,
        "files": [
            {
                "file": each.file,
                "inferred": each.inferred,
                "instead": {
                    name: option for name in each.inferred if (option := pulse_labels.instead(name))
                },
                "channel": each.channel,
                "start_s": each.start_s,
                "mv_per_g": each.mv_per_g,
                "dropped_at": each.dropped_at,
                **measures(each.measures),
            }
            for each in result.drops
        ],
        "not_judged": result.not_judged,
        "remarks": result.remarks,
    }


def remeasured(result: Remeasurement) -> dict[str, Any]:
    """Object of ``remeasure --json``; only drops whose measures differ are listed."""
    return {
        "stored": result.is_stored,
        "remeasured": len(result.drops),
        "changed": len(result.changed),
        "left": [{"drop": each.file, "reason": each.reason} for each in result.left],
        "drops": [
            {
                **named(
                    each,
                    (
                        "series",
                        "drop_number",
                        "status_before",
                        "status",
                        "flags_came",
                        "flags_went",
                        "kept_by_hand",
                    ),
                ),
                "before": measures(each.before),
                "after": measures(each.after),
            }
            for each in result.changed
        ],
    }


def pulses(traces: Sequence[PulseTrace]) -> dict[str, Any]:
    """Object of ``show pulse --json``."""
    return {
        "drops": [
            {
                **named(
                    each,
                    (
                        "series",
                        "drop_number",
                        "status",
                        "void_reason",
                        "peak_g",
                        "file_name",
                        "channel",
                        "time_ms",
                        "raw_g",
                        "filtered_g",
                    ),
                ),
                "measures": measures(each.measures),
            }
            for each in traces
        ]
    }


def spectrum(trace: PulseTrace, result: ShockSpectrum) -> dict[str, Any]:
    """Object of ``show spectrum --json``."""
    return {"series": trace.series, "drop_number": trace.drop_number, **asdict(result)}


def drop(found: Mapping[str, Any]) -> dict[str, Any]:
    """Object of ``show drop --json``."""
    return {
        **found["drop"],
        "waveform": found["waveform"],
        "measures": [
            {
                **measures(each.measures),
                "inputs": asdict(each.inputs),
                **named(each, ("entered_by", "entered_at_utc", "program_version")),
            }
            for each in found["measures"]
        ],
        "uncertainty": found["uncertainty"],
        "damage": found["damage"],
        "amendments": found["amendments"],
    }
