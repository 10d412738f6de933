"""A file → a waveform in g, or one line that says why not."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from durability.intake.waveforms.blocks import BLOCKS
from durability.intake.waveforms.containers import CONTAINERS
from durability.intake.waveforms.doubts import (
    columns_of_parts,
    refuse_channels_in_turn,
    refuse_other_length,
    refuse_several_parts,
    refuse_stray_ends,
    refuse_words_in_turn,
)
from durability.intake.waveforms.formats import (
    FORMATS,
    MAX_FILE_BYTES,
    Format,
    floats,
    read_parts,
    same_length,
    table_of,
    too_large,
)
from durability.intake.waveforms.layout import is_table
from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.scale import (
    Sensitivity,
    ValueUnit,
    choose_channel,
    listed_channels,
    named_channel,
    to_g,
)
from durability.intake.waveforms.table import Column, Table, from_arrays, wide_lines
from durability.intake.waveforms.text import read_text
from durability.intake.waveforms.timebase import (
    find_time_base,
    recorded_at,
    samples_across_lines,
    time_columns,
)
from durability.record.errors import WaveformUnreadable
from durability.record.records import CrossRecord, Waveform

if TYPE_CHECKING:
    import pandas as pd

    from durability.record.records import FloatArray

MIN_SAMPLES = 8
"""Fewer can hold no pulse and its baseline."""

NO_NUMBER = 9.8e37
"""Instruments write 9.91E37 for no number and 9.9E37 for infinity (SCPI 1999, from memory)."""

_CHUNK_BYTES = 1 << 20

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
    full_scale_g: float | None = None,
    sample_rate_hz: float | None = None,
    time_unit: TimeUnit | None = None,
    delimiter: str | None = None,
    decimal: Literal[".", ","] | None = None,
    encoding: str | None = None,
    first_line: int | None = None,
    gain: float | None = None,
    read_parquet: Callable[[Path], pd.DataFrame] | None = None,
) -> Waveform:
    """The acceleration of one channel of an exported record, in g.

    Takes text in any of the usual layouts, also gzipped, the binary formats of ``formats`` and
    ``containers``, and Parquet where the caller brings a reader for it. The kind of file and its
    layout are told from its content.
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
    full_scale_g : float, optional
        Of a file of whole numbers that says nothing of their scale, like WAV.
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
    gain : float, optional
        By which the values were multiplied on their way to the recorder; they are divided by it.
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
    group = ""
    if content[:4] == b"PAR1":
        if read_parquet is None:
            raise WaveformUnreadable(
                f"{path.name}: a Parquet file, which needs a reader; export it as CSV or .npy"
            )
        inferred["format"] = "Parquet"
        frame = read_parquet(path)
        preamble = Preamble()
        for key, value in frame.attrs.items():
            preamble.note(str(key), str(value))
        arrays = _frame_arrays(path.name, frame)
        table = from_arrays(path.name, arrays, preamble, inferred)
    elif (kind := format_of(content)) is not None:
        inferred["format"] = kind.words
        parts = read_parts(path.name, content, kind)
        table, channel, group = table_of(path.name, parts, channel, full_scale_g, units, inferred)
        cross_channels = [
            each._replace(name=each.name.removeprefix(f"{group}/")) for each in cross_channels
        ]
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
    waveform = _waveform(
        table,
        sha256,
        channel=channel,
        cross_channels=cross_channels,
        units=units,
        mv_per_g=mv_per_g,
        sample_rate_hz=sample_rate_hz,
        time_unit=time_unit,
        gain=gain,
    )
    # Groups have channels of one name: a drop is known by the whole path.
    return replace(waveform, channel=f"{group}/{waveform.channel}") if group else waveform


def format_of(head: bytes) -> Format | None:
    """The kind of a file that is not text, by its first bytes; None for others."""
    return next((each for each in (*FORMATS, *BLOCKS, *CONTAINERS) if each.fits(head)), None)


def begins_as_record(head: bytes) -> bool:
    """Whether a file's first bytes are those of a table of numbers.

    Parameters
    ----------
    head : bytes
        Enough to hold a preamble and some rows of data.
    """
    if head[:2] == b"\x1f\x8b":
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, len(head))
        except zlib.error:
            return False
    if head[:4] == b"PAR1" or (head[:4] != b"PK\x03\x04" and format_of(head) is not None):
        return True
    try:
        text = _decoded("", head, {}, None)
        return bool(wide_lines(text)) or is_table(text)
    except WaveformUnreadable:
        return False


# ------------------------------------------------------------------------------------- bytes


def _bytes_of(path: Path) -> tuple[bytes, str]:
    try:
        if path.exists() and not path.is_file():
            what = "a folder" if path.is_dir() else "a pipe or a device, which need not end"
            raise WaveformUnreadable(f"{path.name}: {what}; a file is needed")
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise too_large(path.name, size)
        content = path.read_bytes()
        if path.stat().st_size != size:
            raise WaveformUnreadable(f"{path.name}: still being written; wait until it is complete")
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
                    raise too_large(f"{name} unpacked", size)
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
    ):
        if content.startswith(mark):
            return kind
    return f"beginning {content[:4].hex(' ')}"


# ------------------------------------------------------------------------------ arrays, frames


def _frame_arrays(name: str, frame: pd.DataFrame) -> dict[str, FloatArray]:
    arrays: dict[str, FloatArray] = {}
    for heading in frame.columns:
        values = frame[heading]
        if values.dtype.kind == "M":
            values = values - values.iloc[0] if values.size else values
        if values.dtype.kind == "m":
            arrays[f"{heading} (s)"] = values.dt.total_seconds().to_numpy()
        elif values.dtype.kind in "iuf":
            arrays[str(heading)] = floats(name, values.to_numpy())
        elif values.dtype.kind == "O" or values.dtype == "str":
            refuse_words_in_turn(name, str(heading), values.astype(str).head(1000).tolist())
    same_length(name, arrays)
    return arrays


# --------------------------------------------------------------------------------- meaning


def _waveform(
    table: Table,
    sha256: str,
    *,
    channel: str | None,
    cross_channels: Sequence[CrossChannel],
    units: ValueUnit | None,
    mv_per_g: float | SensitivityAt | None,
    sample_rate_hz: float | None,
    time_unit: TimeUnit | None,
    gain: float | None,
) -> Waveform:
    times, counts = time_columns(table, time_unit)
    if {*times, *counts} <= {0}:
        known_hz = sample_rate_hz or table.preamble.rate_hz
        upright = samples_across_lines(table, len(times + counts), known_hz)
        if upright is not table:
            table, times, counts = upright, [], []
    no_channels = frozenset(times + counts)
    channels = [i for i in range(len(table.columns)) if i not in no_channels]
    table.preamble.channels = tuple(table.columns[i].name for i in channels)
    across = [
        named_channel(table, no_channels, each.name, option="--cross-channel")
        for each in cross_channels
    ]
    index = choose_channel(table, no_channels, channel, units, across)
    if len({index, *across}) <= len(across):
        raise WaveformUnreadable(
            f"{table.file}: a channel is named twice, as the main one or across it; each of"
            f" {listed_channels(table, no_channels)} at most once"
        )
    if channel is None and len(channels) == 1:
        refuse_channels_in_turn(table)
    base = find_time_base(table, times, counts, index, sample_rate_hz, time_unit)
    broken_at = table.broken_at() if base.time_column is None else None
    if broken_at is not None:
        raise WaveformUnreadable(
            f"{table.file}, line {broken_at}: a blank line among the data, as between two"
            " records, and no times that tell whether they go on; one record a file is needed"
        )
    wanted = [index, *across, *(() if base.time_column is None else (base.time_column,))]
    running = [i for i in counts if np.isfinite(table.head[:, i]).any()]
    parts = columns_of_parts(table, {*wanted, *times, *running})
    loaded = table.load([*wanted, *parts])
    for each, numbers in zip(parts, loaded[len(wanted) :], strict=True):
        refuse_several_parts(table, each, numbers)
    loaded = _complete(table, wanted, loaded[: len(wanted)])
    values = loaded[0]
    rate_hz, start_s = base.measure(None if base.time_column is None else loaded[-1], values)
    refuse_stray_ends(table, values)
    if sample_rate_hz is None:
        has_stamps = base.time_column is not None
        refuse_other_length(table, values.size, rate_hz, has_stamps=has_stamps)
    sensitivity = None
    if callable(mv_per_g):
        held = mv_per_g(table.preamble.recorded_at)
        sensitivity = held and Sensitivity(*held)
    elif mv_per_g is not None:
        sensitivity = Sensitivity(mv_per_g, "given", is_given=True)
    acceleration_g, applied_mv_per_g, told = to_g(
        table, channels, index, values, units=units, sensitivity=sensitivity, gain=gain
    )
    table.inferred.update(told)
    column = table.columns[index]
    table.inferred["channel"] = f"{column.heading} (column {index + 1})"
    cross = []
    for at, named, numbers in zip(across, cross_channels, loaded[1:], strict=False):
        beside = table.columns[at]
        cross_g, applied, told = to_g(
            table,
            channels,
            at,
            numbers,
            units=units if _is_in_one_unit(column, beside) else None,
            sensitivity=_cross_sensitivity(table, channels, at, named, sensitivity),
            gain=gain,
        )
        words = [f"{beside.heading} (column {at + 1})", *told.values()]
        table.inferred[f"cross channel {beside.name}"] = ", ".join(words)
        cross.append(CrossRecord(beside.name, cross_g + 0.0, applied))
    if table.preamble.recorded_at is not None:
        table.inferred["recorded at"] = f"{table.preamble.recorded_at}, from the preamble"
    return Waveform(
        # Adding zero turns minus zero into zero.
        acceleration_g=acceleration_g + 0.0,
        sample_rate_hz=rate_hz,
        start_s=start_s,
        channel=column.name,
        file_name=table.file,
        file_sha256=sha256,
        recorded_at=table.preamble.recorded_at,
        mv_per_g=applied_mv_per_g,
        cross=tuple(cross),
        inferred=table.inferred,
    )


def _complete(table: Table, wanted: list[int], loaded: list[FloatArray]) -> list[FloatArray]:
    """Columns without the rows at their end that belong to a longer record beside them."""
    sizes = [np.abs(each) for each in loaded]
    loaded = [
        each if size.max(initial=0.0) < NO_NUMBER else np.where(size >= NO_NUMBER, np.nan, each)
        for each, size in zip(loaded, sizes, strict=True)
    ]
    none_at_all = np.logical_and.reduce([np.isnan(numbers) for numbers in loaded])
    if len(table.columns) > len(wanted) > 1 and none_at_all[-1]:
        stop = none_at_all.size - int(np.argmin(none_at_all[::-1]))
        loaded = [numbers[:stop] for numbers in loaded]
    count = loaded[0].size
    if count < MIN_SAMPLES:
        raise WaveformUnreadable(
            f"{table.file}: {count} sample{'s' if count != 1 else ''}; a record of an "
            f"impact has at least {MIN_SAMPLES}"
        )
    for at, numbers in zip(wanted, loaded, strict=True):
        bad = ~np.isfinite(numbers)
        if bad.any():
            first = int(np.argmax(bad))
            remedy = "every sample needs one"
            if first == numbers.size - 1:
                remedy = "the last row breaks off, the file is cut or still being written"
            raise WaveformUnreadable(
                f"{table.file}, {table.place(first)}: no number in"
                f" {table.columns[at].heading!r}; {remedy}"
            )
    return loaded


def _is_in_one_unit(main: Column, beside: Column) -> bool:
    """Whether a unit told of the main channel holds for one across it.

    It does not when the file says that the two differ.
    """
    return beside.unit is None or beside.unit == main.unit


def _cross_sensitivity(
    table: Table,
    channels: list[int],
    index: int,
    named: CrossChannel,
    of_main: Sensitivity | None,
) -> Sensitivity | None:
    """Sensitivity of a channel across the impact, and whose it is.

    What the preamble says of this very channel goes before what holds for the main one: another
    axis is another sensor.
    """
    if named.mv_per_g is not None:
        return Sensitivity(named.mv_per_g, "given", is_given=True)
    name = table.columns[index].name
    place = channels.index(index)
    said = table.preamble.mv_per_g(name, place, len(channels), of_it_alone=True)
    if said is not None:
        return Sensitivity(said, "from the preamble")
    return of_main and of_main._replace(whose="that of the main channel")
