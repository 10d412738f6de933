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
from durability.store.bench import fetch, run
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


def add_waveform(
    connection: Connection,
    *,
    drop_id: Any,
    channel: str,
    sample_rate_hz: float,
    start_s: float,
    sample_count: int,
    samples: bytes,
    inferred: Mapping[str, str],
    given: Mapping[str, Any],
    mv_per_g: float | None,
    full_scale_g: float | None,
    entry_id: Any,
) -> Any:
    """Keep a record as read, and give its key.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    drop_id : UUID
        Its drop.
    channel, sample_rate_hz, start_s, sample_count
        Of the record.
    samples : bytes
        Acceleration in g, encoded.
    inferred, given : mapping
        What the reader worked out, and what it was told.
    mv_per_g : float or None
        Sensitivity that was applied.
    full_scale_g : float or None
        Told with the file.
    entry_id : UUID
        The act of writing, which holds the file's name and digest.
    """
    return run(
        connection,
        "add_waveform",
        drop_id=drop_id,
        channel=channel,
        sample_rate_hz=sample_rate_hz,
        start_s=start_s,
        sample_count=sample_count,
        samples=samples,
        inferred=json.dumps(dict(inferred), ensure_ascii=False),
        given=json.dumps(dict(given), ensure_ascii=False),
        mv_per_g=mv_per_g,
        full_scale_g=full_scale_g,
        entry_id=entry_id,
    )


def add_cross_record(
    connection: Connection,
    waveform_id: Any,
    order: int,
    channel: str,
    samples: bytes,
    mv_per_g: float | None,
) -> None:
    """Keep what another axis recorded beside a waveform, as read.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    waveform_id : UUID
        The waveform.
    order : int
        Its place among them, from 1.
    channel : str
        Its name.
    samples : bytes
        Acceleration in g, encoded.
    mv_per_g : float or None
        Sensitivity that was applied.
    """
    run(
        connection,
        "add_cross_record",
        waveform_id=waveform_id,
        cross_order=order,
        channel=channel,
        samples=samples,
        mv_per_g=mv_per_g,
    )


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
    waveform_id: Any,
    measures: PulseMeasures,
    inputs: MeasuringInputs,
    entry_id: Any,
) -> None:
    """Keep what was measured from a waveform, beside what was measured before.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside a transaction.
    waveform_id : UUID
        The record.
    measures : PulseMeasures
        Its measures, filter, flags and notes.
    inputs : MeasuringInputs
        What they hang on.
    entry_id : UUID
        The act of writing.
    """
    low_pass = measures.low_pass
    key = run(
        connection,
        "add_measures",
        waveform_id=waveform_id,
        entry_id=entry_id,
        low_pass_method=low_pass and low_pass.method,
        low_pass_hz=low_pass and low_pass.cutoff_hz,
        low_pass_order=low_pass and low_pass.order,
        low_pass_padding=low_pass and low_pass.padding,
        low_pass_reason=low_pass and low_pass.reason,
        low_pass_derived=low_pass and low_pass.derived,
        channel_class=low_pass and low_pass.channel_class,
        later_impact_s=[each.time_s for each in measures.later_impacts],
        later_impact_peak_g=[each.peak_g for each in measures.later_impacts],
        cross_channel=[each.channel for each in measures.cross_peaks],
        cross_peak_g=[each.peak_g for each in measures.cross_peaks],
        notes=list(measures.notes),
        full_scale_g=inputs.full_scale_g,
        natural_frequency_hz=inputs.natural_frequency_hz,
        drop_height_mm=inputs.drop_height_mm,
        orientation=inputs.orientation,
        **{name: getattr(measures, name) for name in _PLAIN},
    )
    for order, flag in enumerate(measures.flags, start=1):
        run(
            connection,
            "add_flag",
            pulse_measures_id=key,
            flag_order=order,
            **asdict(flag),
        )


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
