"""Keep and fetch waveforms and what was measured from them.

As in :mod:`durability.store.bench`, functions take an open connection and run statements of
``sql/``. Samples go in and out as the bytes of :mod:`durability.pulse.waveform_codec`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from durability.record.errors import RecordRefused
from durability.record.records import CrossPeak, LaterImpact, LowPass, PulseFlag, PulseMeasures
from durability.record.whole_file import MOST_BYTES
from durability.store.bench import fetch, new_keys
from durability.store.sql_files import statement

if TYPE_CHECKING:
    import pandas as pd

    Connection = duckdb.DuckDBPyConnection

_ELSEWHERE = {
    "sample_rate_hz",
    "samples",
    "low_pass",
    "later_impacts",
    "cross_peaks",
    "flags",
    "notes",
}
_PLAIN = tuple(each.name for each in fields(PulseMeasures) if each.name not in _ELSEWHERE)
"""Fields of PulseMeasures that are columns as they stand."""


@dataclass(frozen=True, slots=True)
class MeasuringInputs:
    """What was known of a drop and its sensor when its record was measured; column names."""

    full_scale_g: float | None
    natural_frequency_hz: float | None
    drop_height_mm: float | None
    orientation: str | None


def add_waveforms(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> list[Any]:
    """Keep records as read, and give their keys.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    rows : sequence of mapping
        Columns of ``waveform`` but its key: ``samples`` in g and encoded; ``inferred`` and
        ``given``, what the reader worked out and what it was given, as mappings.
    """
    keys = new_keys(connection, len(rows))
    told = [
        {name: json.dumps(dict(row[name]), ensure_ascii=False) for name in ("inferred", "given")}
        for row in rows
    ]
    kept = [
        {"waveform_id": key, **row, **words}
        for key, row, words in zip(keys, rows, told, strict=True)
    ]
    samples = [row.pop("samples") for row in kept]
    connection.execute(statement("add_waveforms"), {"rows": kept, "samples": samples})
    return keys


def add_cross_records(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Keep what other axes recorded beside waveforms, as read.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    rows : sequence of mapping
        Columns of ``cross_record``; ``cross_order`` counts from 1 within a waveform.
    """
    if rows:
        connection.execute(statement("add_cross_records"), {"rows": rows})


def cross_records(connection: Connection, waveform_id: Any) -> dict[str, bytes]:
    """Channel → encoded samples of what other axes recorded beside a waveform.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    waveform_id : UUID
        The waveform.
    """
    rows = fetch(connection, "cross_records_of_waveform", waveform_id=waveform_id)
    return {row["channel"]: row["samples"] for row in rows}


def add_measures(
    connection: Connection,
    measured: Sequence[tuple[Any, PulseMeasures, Any]],
    inputs: MeasuringInputs,
) -> None:
    """Keep what was measured from waveforms, beside what was measured before.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    measured : sequence of (waveform key, PulseMeasures, entry key)
        Measures, filter, flags and notes of each record.
    inputs : MeasuringInputs
        What they depend on.
    """
    keys = new_keys(connection, len(measured))
    rows = [
        {
            "pulse_measures_id": key,
            "waveform_id": waveform_id,
            "entry_id": entry_id,
            **_columns_of(measures),
            **asdict(inputs),
        }
        for key, (waveform_id, measures, entry_id) in zip(keys, measured, strict=True)
    ]
    connection.execute(statement("add_measures"), {"rows": rows})
    flags = [
        {"pulse_measures_id": key, "flag_order": order, **asdict(flag)}
        for key, (_, measures, _) in zip(keys, measured, strict=True)
        for order, flag in enumerate(measures.flags, start=1)
    ]
    if flags:
        connection.execute(statement("add_flags"), {"rows": flags})


def _columns_of(measures: PulseMeasures) -> dict[str, Any]:
    low_pass = measures.low_pass
    return {
        "low_pass_method": low_pass and low_pass.method,
        "low_pass_hz": low_pass and low_pass.cutoff_hz,
        "low_pass_order": low_pass and low_pass.order,
        "low_pass_padding": low_pass and low_pass.padding,
        "low_pass_reason": low_pass and low_pass.reason,
        "low_pass_derived": low_pass and low_pass.derived,
        "channel_class": low_pass and low_pass.channel_class,
        "later_impact_s": [each.time_s for each in measures.later_impacts],
        "later_impact_peak_g": [each.peak_g for each in measures.later_impacts],
        "cross_channel": [each.channel for each in measures.cross_peaks],
        "cross_peak_g": [each.peak_g for each in measures.cross_peaks],
        "notes": list(measures.notes),
        **{name: getattr(measures, name) for name in _PLAIN},
    }


@dataclass(frozen=True, slots=True)
class KeptMeasures:
    """Measures as kept, with what they hang on and who took them."""

    measures: PulseMeasures
    inputs: MeasuringInputs
    entered_by: str
    entered_at_utc: Any
    program_version: str


def measures_of(connection: Connection, waveform_id: Any) -> list[KeptMeasures]:
    """Each time a waveform was measured, the latest first.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    waveform_id : UUID
        The record.
    """
    rows = fetch(connection, "measures_of_waveform", waveform_id=waveform_id)
    return [_kept(row, _flags(connection, row["pulse_measures_id"])) for row in rows]


def _flags(connection: Connection, key: Any) -> Sequence[PulseFlag]:
    rows = fetch(connection, "flags_of_measures", pulse_measures_id=key)
    return [PulseFlag(**row) for row in rows]


def _kept(row: Mapping[str, Any], flags: Sequence[PulseFlag]) -> KeptMeasures:
    low_pass = None
    if row["low_pass_method"] is not None:
        low_pass = LowPass(
            method=row["low_pass_method"],
            cutoff_hz=row["low_pass_hz"],
            order=row["low_pass_order"],
            padding=row["low_pass_padding"],
            reason=row["low_pass_reason"],
            channel_class=row["channel_class"],
            derived=row["low_pass_derived"],
        )
    later = zip(row["later_impact_s"], row["later_impact_peak_g"], strict=True)
    # Measures taken before cross axes were read hold NULL.
    across = zip(row["cross_channel"] or (), row["cross_peak_g"] or (), strict=True)
    measures = PulseMeasures(
        sample_rate_hz=row["sample_rate_hz"],
        samples=row["sample_count"],
        low_pass=low_pass,
        later_impacts=tuple(LaterImpact(*impact) for impact in later),
        cross_peaks=tuple(CrossPeak(*peak) for peak in across),
        flags=tuple(flags),
        notes=tuple(row["notes"]),
        **{name: row[name] for name in _PLAIN},
    )
    inputs = MeasuringInputs(**{each.name: row[each.name] for each in fields(MeasuringInputs)})
    return KeptMeasures(
        measures,
        inputs,
        row["entered_by"],
        row["entered_at_utc"],
        row["program_version"],
    )


def find_waveform(connection: Connection, series: str, drop_number: int, drop_id: Any) -> Any:
    """The record of a drop, with its samples as bytes.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series, drop_number : str, int
        For the message.
    drop_id : UUID
        The drop.

    Raises
    ------
    RecordRefused
        The drop has none.
    """
    rows = fetch(connection, "find_waveform", drop_id=drop_id)
    if not rows:
        raise RecordRefused(
            f"drop {drop_number} of series {series!r}: has no waveform; its reading was typed or"
            " came from a table"
        )
    return rows[0]


def read_parquet(path: Path) -> pd.DataFrame:
    """Columns of a Parquet file, with its own words about them as the frame's ``attrs``.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    RecordRefused
        It is no readable Parquet file, or too large.
    """
    with duckdb.connect(":memory:") as connection:
        try:
            rows, columns = connection.read_parquet(str(path)).shape
            if rows * columns * 8 > MOST_BYTES:
                raise RecordRefused(
                    f"{path.name}: {rows * columns * 8 / 1e6:,.0f} MB unpacked, more than the"
                    f" {MOST_BYTES / 1e6:.0f} MB taken; export the stretch around the impact"
                )
            frame = connection.execute(statement("read_parquet"), {"path": str(path)}).df()
            told = connection.execute(statement("words_of_parquet"), {"path": str(path)})
            frame.attrs.update(told.fetchall())
        except duckdb.Error as fault:
            words = str(fault).splitlines()[0]
            raise RecordRefused(f"{path.name}: no readable Parquet file ({words})") from None
    return frame
