"""Acceleration as read ↔ compact bytes, without loss.

A recorder's values lie on a grid, offset + scale × integer. Then the integers are kept, as
differences, and beside them by how many units in the last place the decimal values, or their
conversion to g, missed the grid (nearly always none or one). Values on no grid are kept as they
are. Either way the bytes are compressed at zlib's fastest level, byte planes apart.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from durability.errors import DurabilityError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.records import FloatArray

_HEAD = struct.Struct("<4sBBQ")
_MAGIC = b"WAV1"
_GRID = struct.Struct("<ddqI")
_KINDS = {"raw": 0, "grid": 1}
_FASTEST = 1
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
    grid = _on_grid(values)
    if grid is None:
        with np.errstate(over="ignore"):
            narrow = values.astype(np.float32)
        exact = np.array_equal(narrow.astype(np.float64).view(np.int64), values.view(np.int64))
        stored = narrow if exact else values
        head = _HEAD.pack(_MAGIC, _KINDS["raw"], stored.itemsize, values.size)
        return head + _deflate(stored)
    offset, scale, integers, missed = grid
    first = int(integers[0])
    steps = _smallest(np.diff(integers))
    packed = _deflate(steps)
    head = _HEAD.pack(_MAGIC, _KINDS["grid"], steps.itemsize, values.size)
    return head + _GRID.pack(offset, scale, first, len(packed)) + packed + _deflate(missed)


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
        offset, scale, first, length = _GRID.unpack_from(body)
        body = body[_GRID.size :]
        integers = np.empty(size, dtype=np.int64)
        integers[0] = first
        np.cumsum(_inflate(body[:length], f"<i{width}", size - 1), out=integers[1:])
        integers[1:] += first
        missed = _inflate(body[length:], "<i1", size).astype(np.int8)
    except (struct.error, zlib.error, ValueError) as fault:
        raise WaveformDamaged(f"kept waveform: {fault}") from fault
    return _shifted(offset + scale * integers, missed)


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
