"""Acceleration as read ↔ compact bytes, without loss.

A recorder's values lie on a grid, offset + scale × integer. Then the integers are kept, as
differences, and beside them by how many units in the last place the decimal values, or their
conversion to g, missed the grid (nearly always none or one). A grid printed with few digits is one
no longer, but still has few values: then those are kept once, and of each sample its place among
them. All others are kept as they are. Of differences the low bits, which are noise, are packed as
they are; the rest, byte planes apart, is compressed at zlib's fastest level.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from durability.pulse.impact import counted
from durability.record.errors import DurabilityError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray

_HEAD = struct.Struct("<4sBBQ")
_MAGIC = b"WAV1"
_GRID = struct.Struct("<ddqI")
_FEW = struct.Struct("<qII")
_KINDS = {"raw": 0, "grid": 3, "few": 4}
_PLAIN_STEPS = {1: 3, 2: 4}
"""Kinds of earlier stores, whose differences are compressed as they are, and today's."""
_STEPS = struct.Struct("<BBI")
_FASTEST = 1
_WIDE_GRID = np.iinfo(np.int16).max
"""Difference beyond which a grid is that of the printed digits, and not the recorder's."""
_FEWER_BY = 4
"""Samples for each value that occurs, at least, for a list of the values to be worth its room."""
_KEPT_BITS = 4
"""Bits of the middle step that are compressed: lower ones come all alike often."""
_SHOW_STEP = 512
"""So many values show the step of their grid."""
_MIDDLE_OF = 1024
"""So many steps of a record show the middle one well enough."""
_MAX_INTEGER = 2**31
"""Integers beyond this are no recorder's, and would no longer be smaller than the values."""


class WaveformDamaged(DurabilityError):
    """The bytes of a kept waveform are not what was kept."""


def encode(acceleration_g: FloatArray) -> bytes:
    """Bytes from which ``decode`` gives back the very same values (minus zero may become zero).

    Parameters
    ----------
    acceleration_g : ndarray of shape (n_samples,)
        Any float64 values, NaN and infinities included.

    Returns
    -------
    bytes
        About 1 a sample for a 12-bit record.
    """
    values = np.ascontiguousarray(acceleration_g, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"one row of samples is needed, not shape {values.shape}")
    if values.size < 2 or not np.isfinite(values).all():
        return _as_is(values)
    # Some of the values show the grid of most records; the ends of its range make it exact.
    ends = values.min(), values.max()
    some = np.unique(np.concatenate((values[:: 1 + values.size // _SHOW_STEP], ends)))
    packed = _as_grid(values, some, _WIDE_GRID)
    if packed is not None:
        return packed
    occurring = counted(values)[0]
    are_few = occurring.size * _FEWER_BY <= values.size
    packed = _as_grid(values, occurring, _WIDE_GRID if are_few else _MAX_INTEGER)
    return packed or (_as_few(values, occurring) if are_few else _as_is(values))


def decode(kept: bytes) -> FloatArray:
    """The values given to ``encode``.

    Parameters
    ----------
    kept : bytes
        What ``encode`` returned.

    Returns
    -------
    ndarray of shape (n_samples,)

    Raises
    ------
    WaveformDamaged
        The bytes were cut off, altered or never came from ``encode``.
    """
    try:
        magic, kind, width, size = _HEAD.unpack_from(kept)
        if magic != _MAGIC:
            raise WaveformDamaged("kept waveform: the bytes do not begin as an encoded one does")
        body = memoryview(kept)[_HEAD.size :]
        if kind == _KINDS["raw"]:
            values: FloatArray = _inflate(body, f"<f{width}", size).astype(np.float64)
            return values
        steps_kind = _PLAIN_STEPS.get(kind, kind)
        if steps_kind == _KINDS["few"]:
            return _from_few(body, kind, width, size)
        offset, scale, first, length = _GRID.unpack_from(body)
        body = body[_GRID.size :]
        integers = _summed(first, body[:length], kind, width, size)
        missed = _inflate(body[length:], "<i1", size).astype(np.int8)
    except (struct.error, zlib.error, ValueError) as fault:
        raise WaveformDamaged(f"kept waveform: {fault}") from fault
    return _shifted(offset + scale * integers, missed)


def _as_is(values: FloatArray) -> bytes:
    with np.errstate(over="ignore"):
        narrow = values.astype(np.float32)
    exact = np.array_equal(narrow.astype(np.float64).view(np.int64), values.view(np.int64))
    stored = narrow if exact else values
    head = _HEAD.pack(_MAGIC, _KINDS["raw"], stored.itemsize, values.size)
    return head + _deflate(stored)


def _as_grid(values: FloatArray, occurring: FloatArray, most_step: int) -> bytes | None:
    """Offset, scale, integers and missed units in the last place; None when on no such grid."""
    # The value nearest zero as offset: no digits are lost to cancellation then.
    offset = float(values[np.argmin(np.abs(values))])
    reach = float(occurring[-1] - occurring[0])
    apart: FloatArray = np.diff(occurring)
    apart = apart[apart > 1e-12 * max(abs(float(occurring[0])), abs(float(occurring[-1])))]
    scale = float(apart.min()) if apart.size else 1.0
    if not reach / scale < _MAX_INTEGER:
        return None
    # The smallest step carries the rounding of both its ends: the whole range knows it better.
    scale = reach / round(reach / scale) if reach else scale
    integers = np.rint((values - offset) / scale).astype(np.int64)
    steps = np.diff(integers)
    if max(int(steps.max()), -int(steps.min())) > most_step:
        return None
    on_grid = (offset + scale * integers).astype(np.float64, copy=False)
    missed = _units_apart(values, on_grid)
    if max(int(missed.max()), -int(missed.min())) > np.iinfo(np.int8).max:
        return None
    packed = _pack_steps(steps)
    head = _HEAD.pack(_MAGIC, _KINDS["grid"], 0, values.size)
    head += _GRID.pack(offset, scale, int(integers[0]), len(packed))
    return head + packed + _deflate(missed.astype(np.int8))


def _as_few(values: FloatArray, occurring: FloatArray) -> bytes:
    """The values that occur, and of each sample its place among them."""
    integers = np.searchsorted(occurring, values)
    head = _HEAD.pack(_MAGIC, _KINDS["few"], 0, values.size)
    packed = _deflate(occurring)
    head += _FEW.pack(int(integers[0]), occurring.size, len(packed))
    return head + packed + _pack_steps(np.diff(integers))


def _from_few(body: memoryview, kind: int, width: int, size: int) -> FloatArray:
    first, count, length = _FEW.unpack_from(body)
    body = body[_FEW.size :]
    occurring: NDArray[np.generic] = _inflate(body[:length], "<f8", count)
    places = _summed(first, body[length:], kind, width, size)
    if places.min() < 0 or places.max() >= count:
        raise WaveformDamaged("kept waveform: a sample has no value")
    values: FloatArray = occurring.astype(np.float64)[places]
    return values


def _pack_steps(steps: NDArray[np.int64]) -> bytes:
    """Differences, sign in the last bit: low bits as they are, the rest compressed.

    A step of noise has about so many bits that say nothing of the next: compressing them costs
    time and saves no room.
    """
    folded = (steps << 1) ^ (steps >> 63)
    middle = int(np.median(folded[:: 1 + folded.size // _MIDDLE_OF]))
    low_bits = min(max(middle.bit_length() - _KEPT_BITS, 0), 8)
    raw = b""
    if low_bits:
        low = (folded & ((1 << low_bits) - 1)).astype(np.uint8)
        bits = np.unpackbits(low[:, None], axis=1, count=low_bits, bitorder="little")
        raw = np.packbits(bits).tobytes()
    high = folded >> low_bits
    width = next(each for each in (1, 2, 4, 8) if int(high.max()) < 1 << (8 * each))
    packed = _deflate(high.astype(f"<u{width}"))
    return _STEPS.pack(low_bits, width, len(packed)) + packed + raw


def _unpack_steps(packed: memoryview, size: int) -> NDArray[np.int64]:
    low_bits, width, length = _STEPS.unpack_from(packed)
    packed = packed[_STEPS.size :]
    folded = _inflate(packed[:length], f"<u{width}", size).astype(np.int64)
    if low_bits:
        raw = np.frombuffer(packed[length:], dtype=np.uint8)
        bits = np.unpackbits(raw, count=size * low_bits).reshape(size, low_bits)
        low = np.packbits(bits, axis=1, bitorder="little")[:, 0]
        folded = (folded << low_bits) | low
    return (folded >> 1) ^ -(folded & 1)


def _summed(first: int, packed: memoryview, kind: int, width: int, size: int) -> NDArray[np.int64]:
    """Integers from the first one and the packed steps between them."""
    is_plain = kind in _PLAIN_STEPS
    steps = (
        _inflate(packed, f"<i{width}", size - 1) if is_plain else _unpack_steps(packed, size - 1)
    )
    integers = np.empty(size, dtype=np.int64)
    integers[0] = first
    np.cumsum(steps, out=integers[1:])
    integers[1:] += first
    return integers


def _units_apart(values: FloatArray, others: FloatArray) -> NDArray[np.int64]:
    """By how many units in the last place values are above others."""
    bits, other_bits = values.view(np.int64), others.view(np.int64)
    if ((bits ^ other_bits) < 0).any():
        return _ordered(values) - _ordered(others)
    apart = bits - other_bits
    return np.where(bits < 0, -apart, apart)


def _ordered(values: FloatArray) -> NDArray[np.int64]:
    """Integers in the order of the values, neighbours one apart."""
    bits = values.view(np.int64)
    return np.where(bits < 0, np.int64(-(2**63)) - bits, bits)


def _shifted(values: FloatArray, units: NDArray[np.int8]) -> FloatArray:
    """Values moved by units in the last place."""
    order = _ordered(values) + units
    bits = np.where(order < 0, np.int64(-(2**63)) - order, order)
    shifted: FloatArray = bits.view(np.float64)
    return shifted


def _deflate(values: NDArray[np.generic]) -> bytes:
    little = values.astype(values.dtype.newbyteorder("<"), copy=False)
    planes = little.view(np.uint8).reshape(values.size, values.itemsize).T
    # Noise repeats no longer stretch: runs alone are sought, which is quicker and finds the rest.
    deflate = zlib.compressobj(_FASTEST, strategy=zlib.Z_RLE)
    return deflate.compress(np.ascontiguousarray(planes).tobytes()) + deflate.flush()


def _inflate(packed: memoryview, kind: str, size: int) -> NDArray[np.generic]:
    dtype = np.dtype(kind)
    planes = np.frombuffer(zlib.decompress(packed), dtype=np.uint8)
    together = np.ascontiguousarray(planes.reshape(dtype.itemsize, size).T)
    return together.reshape(-1).view(dtype)
