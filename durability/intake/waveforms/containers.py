"""Files of named arrays in groups: MAT, HDF5, TDMS and MDF4, each by its own library."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator, Mapping
from typing import Any, Literal

import numpy as np

from durability.intake.waveforms.formats import (
    MAX_FILE_BYTES,
    Format,
    Part,
    by_length,
    columns_of,
    floats,
    library,
    too_large,
)
from durability.record.errors import WaveformUnreadable

_HDF5 = b"\x89HDF\r\n\x1a\n"
_MAT_ENDS = (b"\x00\x01IM", b"\x01\x00MI")
_MI_MATRIX, _MI_COMPRESSED = 14, 15
_CELL, _STRUCT, _CHAR = 1, 2, 4
_NUMBERS = range(6, 16)
_STORED = {
    1: "i1",
    2: "u1",
    3: "i2",
    4: "u2",
    5: "i4",
    6: "u4",
    7: "f4",
    9: "f8",
    12: "i8",
    13: "u8",
}
_DEEPEST = 20


# ---------------------------------------------------------------------------- MAT, level 5


def _mat(file: str, content: bytes) -> list[Part]:
    """Variables of a MAT-file of level 5, those of structures by their path.

    Read here, by the layout in MAT-File Format (The MathWorks, 2024): scipy 1.17 ends the whole
    program on some damaged files.
    """
    order = "<" if content[126:128] == b"IM" else ">"
    named: dict[str, np.ndarray] = {}
    notes: dict[str, Any] = {}
    for kind, body in _unpacked(file, content, order):
        if kind == _MI_MATRIX:
            _variable(file, body, order, "", named, notes)
    return by_length(file, named, notes)


def _unpacked(file: str, content: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """Kind and content of each data element, unpacked within bounds."""
    size = 0
    for kind, body in _elements(file, content[128:], order):
        if kind != _MI_COMPRESSED:
            yield kind, body
            continue
        unpack = zlib.decompressobj()
        plain = unpack.decompress(body, MAX_FILE_BYTES - size + 1)
        size += len(plain)
        if size > MAX_FILE_BYTES:
            raise too_large(f"{file} unpacked", size)
        if not unpack.eof:
            raise WaveformUnreadable(f"{file}: the MAT file is damaged; copy it again")
        yield from _elements(file, plain, order)


def _elements(file: str, data: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """Kind and content of each data element; small ones have both in one word."""
    at = 0
    while at + 8 <= len(data):
        kind, length = struct.unpack(f"{order}II", data[at : at + 8])
        start = at + 8
        if kind >> 16:
            kind, length, start = kind & 0xFFFF, kind >> 16, at + 4
        stop = start + length
        if stop > len(data) or (start == at + 4 and length > 4):
            raise WaveformUnreadable(f"{file}: the MAT file is cut off or damaged; copy it again")
        yield kind, data[start:stop]
        at = at + 8 if start == at + 4 else stop + (-length % 8 if kind != _MI_COMPRESSED else 0)


def _variable(
    file: str,
    body: bytes,
    order: str,
    path: str,
    named: dict[str, np.ndarray],
    notes: dict[str, Any],
) -> None:
    """One variable: numbers to ``named``, single ones and words to ``notes``."""
    parts = _elements(file, body, order)
    try:
        (_, flags), (_, raw_dims), (_, raw_name) = next(parts), next(parts), next(parts)
    except StopIteration:
        return
    kind = int.from_bytes(flags[:4], "little" if order == "<" else "big") & 0xFF
    is_complex = int.from_bytes(flags[:4], "little" if order == "<" else "big") & 0x800
    dims = np.frombuffer(raw_dims, dtype=f"{order}i4").tolist()
    name = raw_name.decode("latin-1")
    path = f"{path}.{name}" if path and name else path or name
    if kind == _STRUCT and path.count(".") < _DEEPEST:
        width = int(np.frombuffer(next(parts)[1], dtype=f"{order}i4")[0])
        raw = next(parts)[1]
        fields = [
            raw[i : i + width].split(b"\0")[0].decode("latin-1") for i in range(0, len(raw), width)
        ]
        for i, (_, inner) in enumerate(parts):
            row = f"({i // len(fields) + 1})" if np.prod(dims) > 1 else ""
            _variable(file, inner, order, f"{path}{row}.{fields[i % len(fields)]}", named, notes)
    elif kind == _CELL and path.count("{") < _DEEPEST:
        for i, (_, inner) in enumerate(parts):
            _variable(file, inner, order, f"{path}{{{i + 1}}}", named, notes)
    elif kind == _CHAR or kind in _NUMBERS:
        stored, raw = next(parts, (0, b""))
        short = path.rpartition(".")[2]
        if kind == _CHAR:
            codec = "utf-8" if stored in (1, 2, 16) else f"utf-16-{'le' if order == '<' else 'be'}"
            notes[path if short in notes else short] = raw.decode(codec, "replace")
            return
        values = np.frombuffer(raw, dtype=f"{order}{_STORED[stored]}")
        if values.size != np.prod(dims, dtype=np.float64) or len(dims) != 2:
            raise WaveformUnreadable(
                f"{file}: {path!r} holds {values.size} numbers where"
                f" {' x '.join(map(str, dims))} are stated; tables of two dimensions are needed"
            )
        if values.size == 1:
            notes[path if short in notes else short] = values[0]
        elif values.size:
            table = values.reshape(dims, order="F")
            if is_complex:
                raise WaveformUnreadable(f"{file}: {path!r} is complex; real numbers are needed")
            named[path] = table.reshape(-1) if 1 in dims else table


# ------------------------------------------------------------------------ HDF5, MAT 7.3

_OF_MATLAB = ("MATLAB_", "H5PATH")


def _hdf5(file: str, content: bytes) -> list[Part]:
    """Datasets of one or two dimensions, by their path; links out of the file are not followed."""
    h5py = library(file, "h5py", "hdf5")
    parts: dict[tuple[str, int], Part] = {}
    with h5py.File(io.BytesIO(content), "r") as opened:
        loose: dict[str, dict[str, Any]] = {"": _attributes(opened)}
        sizes = [0]
        _walk(
            file,
            h5py,
            opened,
            "",
            parts,
            loose,
            sizes,
            opened.id.get_create_plist().get_userblock(),
        )
    for (group, _), part in parts.items():
        above = [group[: len(group) - len(tail)] for tail in _tails(group)]
        for each in dict.fromkeys(("", *above, group)):
            part.notes(loose.get(each.strip("/"), {}))
    alone = len({group for group, _ in parts}) == 1
    for part in parts.values():
        part.name = "" if alone else part.name
    return list(parts.values())


def _tails(path: str) -> list[str]:
    pieces = path.split("/")
    return ["/".join(("", *pieces[i:])) if i else path for i in range(len(pieces))]


def _attributes(node: Any) -> dict[str, Any]:
    said = {}
    for key in list(node.attrs)[:200]:
        if key.startswith(_OF_MATLAB):
            continue
        try:
            value = node.attrs[key]
        except (OSError, TypeError, ValueError):
            continue
        if isinstance(value, bytes):
            value = value.decode("utf-8", "replace")
        if np.size(value) == 1:
            value = np.asarray(value).reshape(-1)[0]
            said[key] = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
    return said


def _walk(
    file: str,
    h5py: Any,
    group: Any,
    path: str,
    parts: dict[tuple[str, int], Part],
    loose: dict[str, dict[str, Any]],
    sizes: list[int],
    user_block: int,
    depth: int = 0,
) -> None:
    for key in group:
        link = group.get(key, getlink=True)
        if not isinstance(link, h5py.HardLink) or key.startswith("#") or depth > _DEEPEST:
            continue
        node, name = group[key], f"{path}/{key}".strip("/")
        if isinstance(node, h5py.Group):
            loose[name] = _attributes(node)
            _walk(file, h5py, node, name, parts, loose, sizes, user_block, depth + 1)
            continue
        if not isinstance(node, h5py.Dataset) or node.shape is None:
            continue
        kind = node.dtype.kind
        if node.is_virtual or node.external:
            raise WaveformUnreadable(
                f"{file}: {name!r} keeps its samples in another file; export it as one"
            )
        chunk = int(np.prod(node.chunks, dtype=np.float64)) if node.chunks else 0
        size = max(node.size, chunk) * node.dtype.itemsize
        sizes[0] += size
        if sizes[0] > MAX_FILE_BYTES:
            raise too_large(f"{file} unpacked", sizes[0])
        if user_block and node.attrs.get("MATLAB_class") == b"char" and kind in "iu":
            loose.setdefault(path, {})[key] = "".join(map(chr, np.ravel(node[()])[:500]))
        elif kind in "SO" and node.size == 1 and h5py.check_string_dtype(node.dtype):
            loose.setdefault(path, {})[key] = (
                node.asstr()[()] if node.shape == () else node.asstr()[0]
            )
        elif kind not in "iufb" or node.ndim > 2 or node.size == 0:
            continue
        elif node.size == 1:
            loose.setdefault(path, {})[key] = np.ravel(node[()])[0]
        else:
            values = np.asarray(node[()])
            values = values.reshape(-1) if 1 in values.shape else values
            columns = [values] if values.ndim == 1 else columns_of(values)
            for i, column in enumerate(columns):
                part = parts.setdefault((path, column.size), Part(name=path))
                heading = key if len(columns) == 1 else f"{key} {i + 1}"
                heading = part.add(heading, floats(file, column))
                part.notes(_attributes(node), of=heading)


def _fits_hdf5(content: bytes) -> bool:
    return any(content[at : at + 8] == _HDF5 for at in (0, 512, 1024, 2048))


# --------------------------------------------------------------------------------- TDMS

_LEAD_OF_TDMS = 28
"""Bytes: tag, contents (64: numbers are big-endian), version, bytes behind it, of which head."""
_UNITS_OF_TDMS = ("unit_string", "NI_UnitDescription", "Unit")
_START = "wf_start_time"


def _tdms(file: str, content: bytes) -> list[Part]:
    """Channels by group; those of one length and interval belong together."""
    nptdms = library(file, "nptdms", "recorders")
    if _is_cut(content):
        raise WaveformUnreadable(
            f"{file}: the last segment is not complete; the file is cut or still being written"
        )
    with nptdms.TdmsFile.open(io.BytesIO(content)) as opened:
        channels = [channel for group in opened.groups() for channel in group.channels()]
        size = sum(len(each) * max(each.dtype.itemsize, 8) for each in channels)
        if size > MAX_FILE_BYTES:
            raise too_large(f"{file} unpacked", size)
        parts: dict[tuple[object, ...], Part] = {}
        for channel in channels:
            if not len(channel) or channel.dtype.kind not in "iufb":
                continue
            said = dict(channel.properties)
            step, offset = said.get("wf_increment"), said.get("wf_start_offset", 0.0)
            key = (channel.group_name, len(channel), step, offset)
            part = parts.get(key)
            if part is None:
                part = parts[key] = Part(name=channel.group_name)
                if step:
                    x_unit = said.get("wf_xunit_string") or "s"
                    part.note("sample interval", f"{float(step)!r} {x_unit}")
                    part.note("t0", f"{float(offset)!r}")
                for above in (opened.properties, opened[channel.group_name].properties):
                    part.notes(_remarks(above))
                if isinstance(said.get(_START), np.datetime64):
                    part.preamble.recorded_at = f"{said[_START].astype('datetime64[s]')}+00:00"
            unit = next((str(said[name]) for name in _UNITS_OF_TDMS if said.get(name)), "")
            name = part.add(channel.name, floats(file, np.asarray(channel[:])), unit)
            part.notes(_remarks(said), of=name)
    if len({part.name for part in parts.values()}) == 1:
        for part in parts.values():
            part.name = ""
    return list(parts.values())


def _is_cut(content: bytes) -> bool:
    """Whether the last segment goes beyond the file: one cut in its head the library leaves out."""
    begin = 0
    while begin < len(content):
        lead = content[begin : begin + _LEAD_OF_TDMS]
        order: Literal["big", "little"] = "big" if lead[4:5] and lead[4] & 64 else "little"
        begin += _LEAD_OF_TDMS + int.from_bytes(lead[12:20], order)
    return begin > len(content)


def _remarks(said: Mapping[str, Any]) -> dict[str, Any]:
    """Properties that are not read or applied by the library itself."""
    return {
        key: f"{value.astype('datetime64[s]')}Z" if isinstance(value, np.datetime64) else value
        for key, value in said.items()
        if not key.startswith(("wf_", "NI_Scal", "NI_Num", "NI_ArrayColumn", "NI_ChannelLength"))
        and key not in (*_UNITS_OF_TDMS, "name")
    }


# --------------------------------------------------------------------------------- MDF4


def _mdf(file: str, content: bytes) -> list[Part]:
    """Channels of MDF 4 by group, in physical units, with the time of their group."""
    if content[:8] != b"MDF     " or content[8:9] != b"4":
        raise WaveformUnreadable(
            f"{file}: MDF of version {content[8:12].decode('latin-1').strip() or '?'}, or never"
            " finalized; save it as MDF 4"
        )
    asammdf = library(file, "asammdf", "mdf")
    parts: list[Part] = []
    with asammdf.MDF(io.BytesIO(content)) as opened:
        size = 0
        for group in opened.groups:
            size += group.channel_group.cycles_nr * group.channel_group.samples_byte_nr
            blocks = list(group.get_data_blocks())
            if size > MAX_FILE_BYTES:
                raise too_large(f"{file} unpacked", size)
            held = sum(each.original_size or 0 for each in blocks)
            if held > MAX_FILE_BYTES:
                raise too_large(f"{file} unpacked", held)
        for number, group in enumerate(opened.groups):
            part = Part(name=group.channel_group.acq_name or f"group {number + 1}")
            for index, channel in enumerate(group.channels):
                signal = opened.get(
                    channel.name, group=number, index=index, ignore_invalidation_bits=True
                )
                if signal.samples.dtype.kind not in "iufb" or signal.samples.ndim != 1:
                    continue
                if len(signal) != group.channel_group.cycles_nr:
                    raise WaveformUnreadable(
                        f"{file}: {len(signal)} samples of {channel.name!r} where"
                        f" {group.channel_group.cycles_nr} are stated; the file is cut or damaged"
                    )
                values = floats(file, signal.samples)
                if signal.invalidation_bits is not None:
                    values = np.where(signal.invalidation_bits, np.nan, values)
                is_time = channel.channel_type in (2, 3) and channel.sync_type == 1
                unit = signal.unit or ("s" if is_time else "")
                name = part.add("time" if is_time else channel.name, values, unit)
                if words := _words(signal.comment):
                    part.note("comment", words, of=name)
            for words in (_words(opened.header.comment), _words(group.channel_group.comment)):
                if words:
                    part.note("comment", words)
            part.preamble.recorded_at = opened.start_time.isoformat(timespec="seconds")
            parts.append(part)
    parts = [part for part in parts if set(part.arrays) - {"time"}]
    if len(parts) == 1:
        parts[0].name = ""
    return parts


def _words(comment: str | None) -> str:
    """A comment without the XML around it."""
    return re.sub(r"<[^>]*>", " ", comment or "").strip()


CONTAINERS = (
    Format("HDF5 file", _fits_hdf5, _hdf5),
    Format("MAT file", lambda head: head[124:128] in _MAT_ENDS, _mat),
    Format("TDMS file", lambda head: head[:4] == b"TDSm", _tdms),
    Format("MDF file", lambda head: head[:3] == b"MDF" or head[:8] == b"UnFinMF ", _mdf),
)
