"""A file → a waveform in g, or one line that says why not."""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from durability.errors import WaveformUnreadable
from durability.intake.waveforms.recorded import recorded_at
from durability.intake.waveforms.table import Table, from_arrays
from durability.intake.waveforms.text import read_text
from durability.intake.waveforms.timebase import find_time_base
from durability.intake.waveforms.words import (
    VALUE_UNITS,
    Preamble,
    Unit,
    names_acceleration,
    plain,
    value_unit,
)
from durability.records import CrossRecord, Waveform

if TYPE_CHECKING:
    import pandas as pd

    from durability.records import FloatArray

MAX_FILE_BYTES = 500_000_000
"""Largest file taken, also after unpacking: some 20 million samples, 20 s at 1 MHz, where a drop
takes a few tenths of a second."""

MIN_SAMPLES = 8
"""Fewer can hold no pulse and its baseline."""

_CHUNK_BYTES = 1 << 20

ValueUnit = Literal["g", "m/s2", "V", "mV"]
TimeUnit = Literal["s", "ms", "us", "ns"]
SensitivityAt = Callable[[str | None], tuple[float, str] | None]
"""Sensitivity in mV/g at the time that a file tells, ISO 8601, if it does; and whose it is."""


class CrossChannel(NamedTuple):
    """A channel across the axis of the impact; without a sensitivity that of the main one holds."""

    name: str
    mv_per_g: float | None = None


def read_waveform(
    path: Path | str,
    *,
    channel: str | None = None,
    cross_channels: Sequence[CrossChannel] = (),
    units: ValueUnit | None = None,
    mv_per_g: float | SensitivityAt | None = None,
    sample_rate_hz: float | None = None,
    time_unit: TimeUnit | None = None,
    delimiter: str | None = None,
    decimal: Literal[".", ","] | None = None,
    encoding: str | None = None,
    first_line: int | None = None,
    read_parquet: Callable[[Path], pd.DataFrame] | None = None,
) -> Waveform:
    """The acceleration of one channel of an exported record, in g.

    Takes text in any of the usual layouts, also gzipped, NumPy's .npy and .npz, and Parquet where
    the caller brings a reader for it. The kind of file and its layout are told from its content.
    What had to be worked out is named in the answer's ``inferred``; each of the options overrides
    one part of that.

    Parameters
    ----------
    path : Path or str
        The file.
    channel : str, optional
        Name of the channel, or its column number from 1. Needed when more than one could be meant.
    cross_channels : sequence of CrossChannel
        Channels across the axis of the impact, to be read beside it.
    units : {"g", "m/s2", "V", "mV"}, optional
        Of the channel's values.
    mv_per_g : float or callable, optional
        Sensitivity of the sensor, which may hang on the day; needed for values in V or mV.
    sample_rate_hz : float, optional
        Instead of the file's own time column or preamble.
    time_unit : {"s", "ms", "us", "ns"}, optional
        Of the time column.
    delimiter : str, optional
        Between columns: ",", ";", a tab, or " " for any number of blanks.
    decimal : {".", ","}, optional
        Decimal mark.
    encoding : str, optional
        Of a text export, like "utf-16" or "cp1252".
    first_line : int, optional
        Line of a text export on which the data begin, from 1.
    read_parquet : callable, optional
        Reads a Parquet file into a frame.

    Returns
    -------
    Waveform
        With the file's name and the SHA-256 of its bytes.

    Raises
    ------
    WaveformUnreadable
        With one line that names the file, what is wrong and what would be right.
    """
    path = Path(path)
    packed, sha256 = _bytes_of(path)
    inferred: dict[str, str] = {}
    content = _unpacked(path.name, packed, inferred)
    if content[:4] == b"PAR1":
        if read_parquet is None:
            raise WaveformUnreadable(
                f"{path.name}: a Parquet file, which needs a reader; export it as CSV or .npy"
            )
        inferred["format"] = "Parquet"
        arrays = _frame_arrays(path.name, read_parquet(path))
        table = from_arrays(path.name, arrays, Preamble(), inferred)
    elif content[:6] == b"\x93NUMPY" or content[:4] == b"PK\x03\x04":
        table = _numpy_table(path.name, content, inferred)
    else:
        text = _decoded(path.name, content, inferred, encoding)
        table = read_text(
            path.name,
            text,
            delimiter=delimiter,
            decimal=decimal,
            first_line=first_line,
            inferred=inferred,
        )
        table.preamble.recorded_at = recorded_at(text)
    return _waveform(
        table,
        sha256,
        channel=channel,
        cross_channels=cross_channels,
        units=units,
        mv_per_g=mv_per_g,
        sample_rate_hz=sample_rate_hz,
        time_unit=time_unit,
    )


def waveform_from_table(
    frame: pd.DataFrame,
    *,
    channel: str | None = None,
    units: ValueUnit | None = None,
    mv_per_g: float | None = None,
    sample_rate_hz: float | None = None,
    time_unit: TimeUnit | None = None,
    name: str = "table",
) -> Waveform:
    """The acceleration of one column of a frame, in g; as ``read_waveform`` otherwise.

    Parameters
    ----------
    frame : DataFrame
        Columns named as in a file's heading, units in brackets.
    channel, units, mv_per_g, sample_rate_hz, time_unit
        As in ``read_waveform``.
    name : str
        What messages call it.
    """
    table = from_arrays(name, _frame_arrays(name, frame), Preamble(), {})
    return _waveform(
        table,
        None,
        channel=channel,
        cross_channels=(),
        units=units,
        mv_per_g=mv_per_g,
        sample_rate_hz=sample_rate_hz,
        time_unit=time_unit,
    )


# ------------------------------------------------------------------------------------- bytes


def _too_large(name: str, size: float) -> WaveformUnreadable:
    return WaveformUnreadable(
        f"{name}: {size / 1e6:,.0f} MB, more than the {MAX_FILE_BYTES / 1e6:.0f} MB taken for one "
        "drop; export the stretch around the impact"
    )


def _bytes_of(path: Path) -> tuple[bytes, str]:
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise _too_large(path.name, size)
        content = path.read_bytes()
    except OSError as fault:
        reason = fault.strerror or str(fault)
        raise WaveformUnreadable(f"{path}: {reason}; a readable file is needed") from fault
    if not content or content.isspace():
        raise WaveformUnreadable(f"{path.name}: the file is empty; export the record again")
    return content, hashlib.sha256(content).hexdigest()


def _unpacked(name: str, content: bytes, inferred: dict[str, str]) -> bytes:
    if content[:2] != b"\x1f\x8b":
        return content
    inferred["compression"] = "gzip"
    parts: list[bytes] = []
    size = 0
    try:
        while content:
            unpack = zlib.decompressobj(wbits=31)
            while content and not unpack.eof:
                parts.append(unpack.decompress(content, _CHUNK_BYTES))
                content = unpack.unconsumed_tail
                size += len(parts[-1])
                if size > MAX_FILE_BYTES:
                    raise _too_large(f"{name} unpacked", size)
            if not unpack.eof:
                raise WaveformUnreadable(f"{name}: the gzip file is cut off; copy it again")
            content = unpack.unused_data.lstrip(b"\x00")
    except zlib.error as fault:
        raise WaveformUnreadable(f"{name}: damaged gzip file ({fault}); copy it again") from fault
    unpacked = b"".join(parts)
    if not unpacked or unpacked.isspace():
        raise WaveformUnreadable(f"{name}: the file is empty; export the record again")
    return unpacked


_TEXT_BYTES = bytes(range(32, 256)) + b"\t\n\r\x0c\x1a"
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32", "UTF-32"),
    (b"\x00\x00\xfe\xff", "utf-32", "UTF-32"),
    (b"\xef\xbb\xbf", "utf-8-sig", "UTF-8 with byte-order mark"),
    (b"\xff\xfe", "utf-16", "UTF-16"),
    (b"\xfe\xff", "utf-16", "UTF-16"),
)


def _decoded(name: str, content: bytes, inferred: dict[str, str], encoding: str | None) -> str:
    """Text of a file, whatever its encoding; binary files are refused."""
    if encoding is not None:
        inferred["encoding"] = f"{encoding}, given"
        try:
            return content.decode(encoding).removeprefix("\ufeff")
        except LookupError:
            raise WaveformUnreadable(
                f"{name}: no encoding {encoding!r}; one like utf-8, utf-16, latin-1 or cp1252"
            ) from None
        except UnicodeDecodeError as fault:
            raise WaveformUnreadable(
                f"{name}: no {encoding} text, byte {fault.start + 1} does not fit; leave --encoding"
                " out or name another"
            ) from fault
    for mark, codec, words in _MARKS:
        if content.startswith(mark):
            inferred["encoding"] = words
            try:
                return content.decode(codec)
            except UnicodeDecodeError as fault:
                raise WaveformUnreadable(f"{name}: damaged {words} text; copy it again") from fault
    head = content[:4096]
    even, odd = head[::2].count(0), head[1::2].count(0)
    if max(even, odd) > len(head) // 4 and min(even, odd) < len(head) // 50 + 1:
        inferred["encoding"] = "UTF-16 without byte-order mark"
        return content.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace")
    if len(head.translate(None, _TEXT_BYTES)) > len(head) // 100:
        raise WaveformUnreadable(
            f"{name}: not a text export but a binary file ({_kind(content)}); "
            "export the record as CSV"
        )
    try:
        text = content.decode("utf-8")
        inferred["encoding"] = "ASCII" if text.isascii() else "UTF-8"
    except UnicodeDecodeError:
        text = content.decode("latin-1")
        inferred["encoding"] = "Latin-1"
    return text


def _kind(content: bytes) -> str:
    for mark, kind in (
        (b"\x89PNG", "a PNG picture"),
        (b"\xff\xd8\xff", "a JPEG picture"),
        (b"GIF8", "a GIF picture"),
        (b"BM", "a bitmap picture"),
        (b"%PDF", "a PDF"),
        (b"\xd0\xcf\x11\xe0", "an old office document"),
        (b"\x89HDF", "HDF5"),
    ):
        if content.startswith(mark):
            return kind
    return f"beginning {content[:4].hex(' ')}"


# ------------------------------------------------------------------------------ arrays, frames


def _numpy_table(name: str, content: bytes, inferred: dict[str, str]) -> Table:
    try:
        loaded = np.load(io.BytesIO(content), allow_pickle=False)
        if isinstance(loaded, np.ndarray):
            inferred["format"] = "NumPy .npy"
            named = {"": loaded}
        else:
            inferred["format"] = "NumPy .npz"
            size = sum(member.file_size for member in loaded.zip.infolist())
            if size > MAX_FILE_BYTES:
                raise _too_large(f"{name} unpacked", size)
            named = {key: loaded[key] for key in loaded.files}
    except (ValueError, OSError, EOFError, KeyError, zipfile.BadZipFile) as fault:
        raise WaveformUnreadable(
            f"{name}: no readable NumPy file ({fault}); save plain arrays of numbers"
        ) from fault
    preamble = Preamble()
    arrays: dict[str, FloatArray] = {}
    for key, array in named.items():
        if array.dtype.names:
            arrays |= {field: _floats(name, array[field]) for field in array.dtype.names}
        elif array.ndim == 0 or array.size == 1:
            preamble.note(
                key.replace("_hz", " (Hz)").replace("_s", " (s)"), str(array.reshape(-1)[0])
            )
        elif array.ndim == 1:
            arrays[key] = _floats(name, array)
        elif array.ndim == 2:
            columns = array if array.shape[0] > array.shape[1] else array.T
            for i, part in enumerate(columns.T):
                arrays[f"{key} {i + 1}" if key else f"column {i + 1}"] = _floats(name, part)
    _same_length(name, arrays)
    return from_arrays(name, arrays, preamble, inferred)


def _floats(name: str, array: np.ndarray) -> FloatArray:
    if array.dtype.kind not in "iufb":
        raise WaveformUnreadable(f"{name}: {array.dtype} values; real numbers are needed")
    return np.ascontiguousarray(array, dtype=np.float64)


def _frame_arrays(name: str, frame: pd.DataFrame) -> dict[str, FloatArray]:
    arrays = {
        str(heading): _floats(name, frame[heading].to_numpy())
        for heading in frame.columns
        if frame[heading].dtype.kind in "iuf"
    }
    _same_length(name, arrays)
    return arrays


def _same_length(name: str, arrays: dict[str, FloatArray]) -> None:
    lengths = {array.size for array in arrays.values()}
    if len(lengths) != 1:
        found = ", ".join(f"{key or 'array'} {array.shape}" for key, array in arrays.items())
        raise WaveformUnreadable(
            f"{name}: one or more arrays of one length are needed; found {found or 'none'}"
        )


# --------------------------------------------------------------------------------- meaning


def _waveform(
    table: Table,
    sha256: str | None,
    *,
    channel: str | None,
    cross_channels: Sequence[CrossChannel],
    units: ValueUnit | None,
    mv_per_g: float | SensitivityAt | None,
    sample_rate_hz: float | None,
    time_unit: TimeUnit | None,
) -> Waveform:
    base = find_time_base(table, sample_rate_hz, time_unit)
    across = [_named_channel(table, base.columns, each.name) for each in cross_channels]
    index = _chosen_channel(table, base.columns, channel, units, across)
    if len({index, *across}) <= len(across):
        raise WaveformUnreadable(
            f"{table.file}: a channel is named twice, as the main one or across it; each of"
            f" {_listed(table, base.columns)} at most once"
        )
    wanted = [index, *across, *(() if base.time_column is None else (base.time_column,))]
    loaded = table.load(wanted)
    values = loaded[0]
    if values.size < MIN_SAMPLES:
        raise WaveformUnreadable(
            f"{table.file}: {values.size} sample{'s' if values.size != 1 else ''}; a record of an "
            f"impact has at least {MIN_SAMPLES}"
        )
    for place, numbers in zip(wanted, loaded, strict=True):
        bad = ~np.isfinite(numbers)
        if bad.any():
            heading = table.columns[place].heading
            raise WaveformUnreadable(
                f"{table.file}, {table.place(int(np.argmax(bad)))}: no number in {heading!r}; "
                "every sample needs one"
            )
    rate_hz, start_s = base.measure(None if base.time_column is None else loaded[-1])
    table.inferred["sample rate"] = f"{rate_hz:.9g} samples/s" + base.contradiction(rate_hz)
    sensitivity = _sensitivity(table, mv_per_g)
    unit, how = _unit_of(table, index, units)
    factor, applied_mv_per_g = _to_g(table, index, unit, sensitivity)
    table.inferred["units"] = f"{unit.symbol}, {how}"
    if applied_mv_per_g is not None and sensitivity is not None:
        table.inferred["sensitivity"] = f"{applied_mv_per_g:g} mV/g, {sensitivity[1]}"
    column = table.columns[index]
    table.inferred["channel"] = f"{column.heading} (column {index + 1})"
    cross = tuple(
        _cross_record(table, place, told, units, sensitivity, numbers)
        for place, told, numbers in zip(across, cross_channels, loaded[1:], strict=False)
    )
    if table.preamble.recorded_at is not None:
        table.inferred["recorded at"] = f"{table.preamble.recorded_at}, from the preamble"
    return Waveform(
        # Adding zero turns minus zero into zero.
        acceleration_g=values * factor + 0.0,
        sample_rate_hz=rate_hz,
        start_s=start_s,
        channel=column.name,
        file_name=table.file if sha256 is not None else None,
        file_sha256=sha256,
        recorded_at=table.preamble.recorded_at,
        mv_per_g=applied_mv_per_g,
        cross=cross,
        inferred=table.inferred,
    )


def _cross_record(
    table: Table,
    index: int,
    told: CrossChannel,
    units: ValueUnit | None,
    main: tuple[float, str] | None,
    values: FloatArray,
) -> CrossRecord:
    """One channel across the axis of the impact, and how it was read."""
    own = None if told.mv_per_g is None else (told.mv_per_g, "given")
    sensitivity = own or (main and (main[0], "that of the main channel"))
    unit, how = _unit_of(table, index, units)
    factor, applied = _to_g(table, index, unit, sensitivity)
    column = table.columns[index]
    words = f"{column.heading} (column {index + 1}), {unit.symbol}, {how}"
    if applied is not None and sensitivity is not None:
        words += f", {applied:g} mV/g, {sensitivity[1]}"
    table.inferred[f"cross channel {column.name}"] = words
    return CrossRecord(column.name, values * factor + 0.0, applied)


def _named_channel(table: Table, time_columns: frozenset[int], channel: str) -> int:
    """The column that a user names, or numbers from 1."""
    columns = table.columns
    wanted = plain(channel)
    named = [
        i
        for i, column in enumerate(columns)
        if wanted.replace(" ", "")
        in {plain(column.name).replace(" ", ""), plain(column.heading).replace(" ", "")}
    ]
    exact = [i for i, column in enumerate(columns) if channel.strip() == column.heading]
    if len(exact) == 1 or len(named) == 1:
        return (exact if len(exact) == 1 else named)[0]
    if channel.strip().isdigit() and 1 <= int(channel) <= len(columns):
        return int(channel) - 1
    raise WaveformUnreadable(
        f"{table.file}: no single channel {channel!r}; it has {_listed(table, time_columns)}"
    )


def _chosen_channel(
    table: Table,
    time_columns: frozenset[int],
    channel: str | None,
    units: ValueUnit | None,
    across: Sequence[int],
) -> int:
    if channel is not None:
        return _named_channel(table, time_columns, channel)
    columns = table.columns
    candidates = [
        i
        for i, column in enumerate(columns)
        if i not in time_columns
        and i not in across
        and (column.unit is None or column.unit.quantity in ("voltage", "acceleration"))
        and np.isfinite(table.head[:, i]).any()
    ]
    accelerations = [
        i
        for i in candidates
        if (unit := columns[i].unit) is not None and unit.quantity == "acceleration"
    ]
    if units in ("V", "mV"):
        accelerations = []
    # A column in g beside others in V is the only one that can be meant; nothing else is guessed.
    if len(accelerations) == 1 and all(columns[i].unit is not None for i in candidates):
        candidates = accelerations
    if len(candidates) == 1:
        return candidates[0]
    if not candidates:
        raise WaveformUnreadable(
            f"{table.file}: no column of readings beside the time; one in g, m/s2, V or mV is "
            "needed"
        )
    raise WaveformUnreadable(
        f"{table.file}: {len(candidates)} channels could be meant; name one of "
        f"{_listed(table, time_columns)} with --channel"
    )


def _listed(table: Table, time_columns: frozenset[int]) -> str:
    return ", ".join(
        repr(column.name) for i, column in enumerate(table.columns) if i not in time_columns
    )


def _unit_of(table: Table, index: int, units: ValueUnit | None) -> tuple[Unit, str]:
    """Unit of a channel's values, and who says so."""
    column = table.columns[index]
    unit: Unit | None
    if units is not None:
        unit, how = value_unit(units), "given"
    elif column.unit is not None:
        unit, how = column.unit, "from the heading"
    elif table.preamble.value_unit is not None:
        unit, how = table.preamble.value_unit, "from the preamble"
    elif names_acceleration(column.name):
        unit, how = value_unit("g"), "assumed, since the heading says acceleration without a unit"
    else:
        unit, how = None, ""
    if unit is None or unit.quantity not in ("voltage", "acceleration"):
        raise WaveformUnreadable(
            f"{table.file}: no unit of acceleration or voltage for channel {column.name!r}; name "
            f"one with --units ({', '.join(VALUE_UNITS)})"
        )
    return unit, how


def _sensitivity(table: Table, mv_per_g: float | SensitivityAt | None) -> tuple[float, str] | None:
    """Sensitivity in mV/g, and whose it is; None when nobody tells."""
    if callable(mv_per_g):
        told = mv_per_g(table.preamble.recorded_at)
    else:
        told = None if mv_per_g is None else (mv_per_g, "given")
    if told is None and table.preamble.mv_per_g is not None:
        return table.preamble.mv_per_g, "from the preamble"
    return told


def _to_g(
    table: Table, index: int, unit: Unit, sensitivity: tuple[float, str] | None
) -> tuple[float, float | None]:
    """Factor from the values of a channel to g, and the sensitivity in it if they are volts."""
    if unit.quantity == "acceleration":
        return unit.factor, None
    if sensitivity is None:
        raise WaveformUnreadable(
            f"{table.file}: channel {table.columns[index].name!r} is in {unit.symbol}; give the "
            "sensor's sensitivity with --mv-per-g"
        )
    mv_per_g, _ = sensitivity
    if not mv_per_g != 0.0 or not np.isfinite(mv_per_g):
        raise WaveformUnreadable(f"{table.file}: {mv_per_g:g} mV/g is no sensitivity")
    return unit.factor * 1000.0 / mv_per_g, mv_per_g
