"""Acceleration as read ↔ compact bytes, without loss.

A recorder's values lie on a grid, offset + scale × integer. Then the integers are kept, as
differences, and beside them by how many units in the last place the decimal values, or their
conversion to g, missed the grid (nearly always none or one). A grid printed with few digits is one
no longer, but still has few values: then those are kept once, and of each sample its place among
them. All others are kept as they are. Either way the bytes are compressed at zlib's fastest level,
byte planes apart.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import DurabilityError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray

_HEAD = struct.Struct("<4sBBQ")
_MAGIC = b"WAV1"
_GRID = struct.Struct("<ddqI")
_FEW = struct.Struct("<qII")
_KINDS = {"raw": 0, "grid": 1, "few": 2}
_FASTEST = 1
_WIDE_GRID = 2
"""Bytes a sample beyond which a grid is that of the printed digits, and not the recorder's."""
_FEWER_BY = 4
"""Samples for each value that occurs, at least, for a list of the values to be worth its room."""
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
    packed = _as_grid(values)
    if packed is None or len(packed) > _WIDE_GRID * values.size:
        few = _as_few(values)
        packed = few if packed is None or (few and len(few) < len(packed)) else packed
    return packed or _as_is(values)


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
        if kind == _KINDS["few"]:
            return _from_few(body, width, size)
        offset, scale, first, length = _GRID.unpack_from(body)
        body = body[_GRID.size :]
        integers = _summed(first, body[:length], width, size)
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


def _as_grid(values: FloatArray) -> bytes | None:
    grid = _on_grid(values)
    if grid is None:
        return None
    offset, scale, integers, missed = grid
    steps = _smallest(np.diff(integers))
    packed = _deflate(steps)
    head = _HEAD.pack(_MAGIC, _KINDS["grid"], steps.itemsize, values.size)
    return (
        head + _GRID.pack(offset, scale, int(integers[0]), len(packed)) + packed + _deflate(missed)
    )


def _on_grid(
    values: FloatArray,
) -> tuple[float, float, NDArray[np.int64], NDArray[np.int8]] | None:
    """Offset, scale, integers and missed units in the last place; None when on no grid."""
    if values.size < 2 or not np.isfinite(values).all():
        return None
    # The value nearest zero as offset: no digits are lost to cancellation then.
    offset = float(values[np.argmin(np.abs(values))])
    apart: FloatArray = np.diff(np.unique(values))
    apart = apart[apart > 1e-12 * np.abs(values).max()]
    scale = float(apart.min()) if apart.size else 1.0
    reach = float(np.ptp(values))
    if not reach / scale < _MAX_INTEGER:
        return None
    # The smallest step carries the rounding of both its ends: the whole range knows it better.
    scale = reach / round(reach / scale) if reach else scale
    integers = np.rint((values - offset) / scale).astype(np.int64)
    on_grid = (offset + scale * integers).astype(np.float64, copy=False)
    missed: NDArray[np.int64] = _ordered(values) - _ordered(on_grid)
    if np.abs(missed).max() > np.iinfo(np.int8).max:
        return None
    return offset, scale, integers, missed.astype(np.int8)


def _as_few(values: FloatArray) -> bytes | None:
    """The values that occur, and of each sample its place among them; None when they are many."""
    bits, places = np.unique(values.view(np.int64), return_inverse=True)
    if values.size < 2 or bits.size * _FEWER_BY > values.size:
        return None
    order = np.argsort(_ordered(bits.view(np.float64)))
    rank = np.empty(bits.size, dtype=np.int64)
    rank[order] = np.arange(bits.size)
    integers = rank[places]
    steps = _smallest(np.diff(integers))
    packed = _deflate(bits[order].view(np.float64))
    head = _HEAD.pack(_MAGIC, _KINDS["few"], steps.itemsize, values.size)
    return head + _FEW.pack(int(integers[0]), bits.size, len(packed)) + packed + _deflate(steps)


def _from_few(body: memoryview, width: int, size: int) -> FloatArray:
    first, count, length = _FEW.unpack_from(body)
    body = body[_FEW.size :]
    occurring: NDArray[np.generic] = _inflate(body[:length], "<f8", count)
    places = _summed(first, body[length:], width, size)
    if places.min() < 0 or places.max() >= count:
        raise WaveformDamaged("kept waveform: a sample has no value")
    values: FloatArray = occurring.astype(np.float64)[places]
    return values


def _summed(first: int, packed: memoryview, width: int, size: int) -> NDArray[np.int64]:
    """Integers from the first one and the packed steps between them."""
    integers = np.empty(size, dtype=np.int64)
    integers[0] = first
    np.cumsum(_inflate(packed, f"<i{width}", size - 1), out=integers[1:])
    integers[1:] += first
    return integers


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


def _smallest(integers: NDArray[np.int64]) -> NDArray[np.signedinteger]:
    low, high = int(integers.min()), int(integers.max())
    for kind in (np.int8, np.int16, np.int32):
        if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max:
            return integers.astype(kind)
    return integers


def _deflate(values: NDArray[np.generic]) -> bytes:
    little = values.astype(values.dtype.newbyteorder("<"), copy=False)
    planes = little.view(np.uint8).reshape(values.size, values.itemsize).T
    return zlib.compress(np.ascontiguousarray(planes).tobytes(), _FASTEST)


def _inflate(packed: memoryview, kind: str, size: int) -> NDArray[np.generic]:
    dtype = np.dtype(kind)
    planes = np.frombuffer(zlib.decompress(packed), dtype=np.uint8)
    together = np.ascontiguousarray(planes.reshape(dtype.itemsize, size).T)
    return together.reshape(-1).view(dtype)
