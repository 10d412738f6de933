"""Files that are not text → the channels, units and notes that a text export would give."""

from __future__ import annotations

import gc
import io
import logging
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from durability.intake.waveforms.layout import split_line
from durability.intake.waveforms.preamble import Preamble, label
from durability.intake.waveforms.table import Table, from_arrays
from durability.intake.waveforms.timebase import recorded_at
from durability.intake.waveforms.words import names_time, split_unit, whole
from durability.record.errors import DurabilityError, LibraryMissing, WaveformUnreadable
from durability.record.whole_file import MOST_BYTES

if TYPE_CHECKING:
    from durability.record.records import FloatArray

MAX_FILE_BYTES = MOST_BYTES
"""Largest file taken, also after unpacking: some 20 million samples, 20 s at 1 MHz, where a drop
takes a few tenths of a second."""

_MOST_LISTED = 12
_MOST_NOTED = 500
"""Characters of one remark that are read."""
_UNIT_KEY = whole("unit_of_channel")


@dataclass(slots=True)
class Part:
    """Channels that were sampled together, and what their file says of them."""

    name: str = ""
    """Group in the file; empty where names are unique without it."""
    arrays: dict[str, FloatArray] = field(default_factory=dict)
    """By name, all of one length."""
    units: dict[str, str] = field(default_factory=dict)
    """By name, as written."""
    preamble: Preamble = field(default_factory=Preamble)
    full_scale: float | None = None
    """Of whole numbers of which nothing but their largest is known."""
    is_normalised: bool = False
    """Whether the format's own full scale is 1, so that it may be given what that is worth."""

    def add(self, name: str, values: FloatArray, unit: str = "") -> str:
        """Take in a channel; one of a name that is taken gets a number behind it."""
        taken, number = name, 2
        while taken in self.arrays:
            taken, number = f"{name} ({number})", number + 1
        self.arrays[taken] = values
        if unit.strip():
            self.units[taken] = unit.strip()
        return taken

    def note(self, key: str, value: object, of: str = "") -> None:
        """Take in what the file says, of all channels or ``of`` one."""
        key = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", key)
        key = re.sub(r"(?i)[ _]mv[ _]?per[ _]?g$", " (mV/g)", key)
        for line in str(value)[:_MOST_NOTED].splitlines():
            self.preamble.note(key, line.strip(), line_head=label(of) if of else "")
            self.preamble.lines.append(f"{key}: {line.strip()}")
            if re.search(r"[:=]|\w\s+\S+\s+\S", line):
                self.preamble.note_line(line, ";", split_line)

    def notes(self, said: dict[str, Any], of: str = "") -> None:
        """Take in pairs of key and value; a unit under a key of its own goes to its value."""
        known = {key.casefold(): str(value) for key, value in said.items()}
        for key, value in said.items():
            unit = next(
                (
                    known[f"{key.casefold()}{end}"]
                    for end in _UNIT_ENDS
                    if f"{key.casefold()}{end}" in known
                ),
                "",
            )
            if of and _UNIT_KEY.fullmatch(key.casefold().strip()):
                self.units.setdefault(of, str(value).strip())
            elif not (key.casefold().endswith(_UNIT_ENDS) and _owner(key.casefold()) in known):
                self.note(key, f"{value} {unit}".strip(), of)


_UNIT_ENDS = ("_unit", "_units", " unit", " units", "unit", "units")


def _owner(key: str) -> str:
    return re.sub(r"[ _]?units?$", "", key)


class Format(NamedTuple):
    """A kind of file."""

    words: str
    """What it is called in messages."""
    fits: Callable[[bytes], bool]
    """Whether a file begins like one."""
    read: Callable[[str, bytes], list[Part]]
    """File's name and content → its parts."""


def library(file: str, module: str, extra: str) -> Any:
    """A library that reads one kind of file, loaded when one is met.

    Parameters
    ----------
    file : str
        Name of the file, for the message.
    module, extra : str
        What to import, and the extra of this package that brings it.

    Raises
    ------
    LibraryMissing
        It is not installed.
    """
    try:
        return import_module(module)
    except ImportError:
        raise LibraryMissing(
            f"{file}: needs {module}, which is not installed; bring it with: pip install"
            f' "durability[{extra}]"'
        ) from None


def too_large(name: str, size: float) -> WaveformUnreadable:
    """The refusal of a file, or of what is packed in it, that is larger than any record."""
    return WaveformUnreadable(
        f"{name}: {size / 1e6:,.0f} MB, more than the {MAX_FILE_BYTES / 1e6:.0f} MB taken for one "
        "drop; export the stretch around the impact"
    )


@contextmanager
def _silent() -> Iterator[None]:
    """Without what libraries print of a damaged file, also as they clear it away."""
    logged, unraisable = logging.root.manager.disable, sys.unraisablehook
    logging.disable(logging.CRITICAL)
    sys.unraisablehook = lambda _: None
    try:
        with warnings.catch_warnings(), redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(logged)
        sys.unraisablehook = unraisable


def read_parts(file: str, content: bytes, kind: Format) -> list[Part]:
    """What a file of a kind holds.

    Parameters
    ----------
    file : str
        Its name, for messages.
    content : bytes
        All of it.
    kind : Format
        From ``format_of``.

    Raises
    ------
    WaveformUnreadable
        It is damaged, or holds no channel of numbers.
    """
    words = ""
    with _silent():
        try:
            parts = kind.read(file, content)
        except DurabilityError:
            raise
        except Exception as fault:  # no library says what it raises on damaged bytes
            words = "".join(str(fault).splitlines()[:1])[:120] or type(fault).__name__
            words = re.sub(r"'?<[^<>]* object at 0x\w+>'?", "it", words)
        if words:
            gc.collect()  # what was half made is cleared away here, and not heard
    if words:
        raise WaveformUnreadable(
            f"{file}: no readable {kind.words} ({words}); copy it again, or export the record as"
            " CSV"
        )
    parts = [part for part in parts if part.arrays]
    if not parts:
        raise WaveformUnreadable(
            f"{file}: no channel of numbers in this {kind.words}; save the record as plain arrays"
        )
    for part in parts:
        if part.preamble.recorded_at is None:
            part.preamble.recorded_at = recorded_at("\n".join((*part.preamble.lines, "")))
    return parts


def table_of(
    file: str,
    parts: Sequence[Part],
    channel: str | None,
    full_scale_g: float | None,
    units: str | None,
    inferred: dict[str, str],
) -> tuple[Table, str | None, str]:
    """The part that holds the channel meant, as a table; that channel's name in it; its group.

    Parameters
    ----------
    file : str
        Name, for messages.
    parts : sequence of Part
        From ``read_parts``.
    channel : str or None
        As told: a name, or where groups have namesakes a path, GROUP/NAME.
    full_scale_g : float or None
        As told: what full scale of whole numbers without a scale is worth, g.
    units : str or None
        As told; other ones than g go with no full scale in g.
    inferred : dict of str to str
        Is added to.

    Raises
    ------
    WaveformUnreadable
        No part could be meant, or more than one; or its numbers have no scale.
    """
    part, name = _part_meant(file, parts, channel)
    if part.is_normalised and full_scale_g is not None and units is None:
        largest = max(float(np.abs(values).max(initial=0.0)) for values in part.arrays.values())
        if largest > 1.0:
            raise WaveformUnreadable(
                f"{file}: values up to {largest:.4g}, more than the full scale of 1 that"
                " --full-scale-g is worth; name their unit with --units (g, m/s2, V, mV)"
            )
        part.full_scale = 1.0
    if part.full_scale is not None and part.preamble.worth_of_count() is None:
        if full_scale_g is None:
            raise WaveformUnreadable(
                f"{file}: whole numbers with a full scale of {part.full_scale:.0f}, and not said"
                " what that is worth; give it with --full-scale-g"
            )
        if units not in (None, "g"):
            raise WaveformUnreadable(
                f"{file}: whole numbers whose full scale is given in g (--full-scale-g), and"
                f" --units {units}; leave --units out"
            )
        worth = full_scale_g / part.full_scale
        part.arrays = {each: values * worth for each, values in part.arrays.items()}
        part.units = dict.fromkeys(part.arrays, "g")
        inferred["scale"] = f"full scale is {full_scale_g:g} g, given"
    return from_arrays(file, part.arrays, part.preamble, inferred, part.units), name, part.name


def _part_meant(file: str, parts: Sequence[Part], channel: str | None) -> tuple[Part, str | None]:
    if channel is not None:
        wanted = channel.strip().strip("/")
        paths = {
            "/".join(filter(None, (part.name, name))): (part, name)
            for part in parts
            for name in part.arrays
        }
        if wanted in paths:
            return paths[wanted]
        named = [(part, name) for part, name in paths.values() if name == wanted]
        named = named or [
            found for path, found in paths.items() if path.rpartition("/")[2] == wanted
        ]
        if len(named) == 1:
            return named[0]
    if len(parts) == 1:
        return parts[0], channel
    meant = [part for part in parts if any(_may_be_meant(part, name) for name in part.arrays)]
    if channel is None and len(meant) == 1:
        return meant[0], None
    listed = [
        repr("/".join(filter(None, (part.name, name))))
        for part in meant or parts
        for name in part.arrays
        if not names_time(name)
    ]
    more = f" and {len(listed) - _MOST_LISTED} more" if len(listed) > _MOST_LISTED else ""
    what = f"no single channel {channel!r}" if channel else f"{len(listed)} channels of different"
    what += "" if channel else " lengths or groups could be meant"
    raise WaveformUnreadable(
        f"{file}: {what}; name one of {', '.join(listed[:_MOST_LISTED])}{more} with --channel"
    )


def _may_be_meant(part: Part, name: str) -> bool:
    """Whether a channel is no time and not known to be of another quantity."""
    unit = split_unit(f"{name} ({part.units.get(name, '')})")[1]
    return not names_time(name) and (unit is None or unit.quantity in _MEANT)


_MEANT = ("voltage", "acceleration", "counts")


def floats(file: str, array: np.ndarray) -> FloatArray:
    """Numbers of any kind as doubles; complex ones and others are refused."""
    if array.dtype.kind not in "iufb":
        raise WaveformUnreadable(f"{file}: {array.dtype} values; real numbers are needed")
    return np.ascontiguousarray(array, dtype=np.float64)


def columns_of(array: np.ndarray) -> list[np.ndarray]:
    """The columns of a table of numbers, whichever way it lies."""
    return list(array.T if array.shape[0] > array.shape[1] else array)


def by_length(file: str, named: dict[str, np.ndarray], notes: dict[str, Any]) -> list[Part]:
    """Arrays sorted into parts of one length each; all parts get the notes.

    Parameters
    ----------
    file : str
        Name, for messages.
    named : dict of str to ndarray
        Of one or two dimensions.
    notes : dict of str to object
        What the file says beside them.
    """
    parts: dict[int, Part] = {}
    for name, array in named.items():
        columns = [array] if array.ndim == 1 else columns_of(array)
        alone = len(named) == 1 and len(columns) > 1
        for i, values in enumerate(columns):
            part = parts.setdefault(values.size, Part())
            numbered = f"column {i + 1}" if alone else f"{name} {i + 1}"
            part.add(name if len(columns) == 1 else numbered, floats(file, values))
    for part in parts.values():
        part.notes(notes)
    return list(parts.values())


# -------------------------------------------------------------------------------- NumPy


def _numpy(file: str, content: bytes) -> list[Part]:
    loaded = np.load(io.BytesIO(content), allow_pickle=False)
    if isinstance(loaded, np.ndarray):
        named = {"": loaded}
    else:
        size = sum(member.file_size for member in loaded.zip.infolist())
        if size > MAX_FILE_BYTES:
            raise too_large(f"{file} unpacked", size)
        if not all(member.filename.endswith(".npy") for member in loaded.zip.infolist()):
            raise WaveformUnreadable(
                f"{file}: a workbook or an archive; save the record as CSV, unpacked"
            )
        named = {key: loaded[key] for key in loaded.files}
    part = Part()
    for key, array in named.items():
        if key and array.dtype.kind in "US" and array.size > 1:
            continue
        if array.dtype.names:
            for name in array.dtype.names:
                part.add(name, floats(file, array[name]))
        elif array.ndim == 0 or array.size == 1:
            part.note(key, array.reshape(-1)[0])
        elif array.ndim == 1:
            part.add(key, floats(file, array))
        elif array.ndim == 2:
            for i, values in enumerate(columns_of(array)):
                part.add(f"{key} {i + 1}" if key else f"column {i + 1}", floats(file, values))
    same_length(file, part.arrays)
    return [part]


def same_length(file: str, arrays: dict[str, FloatArray]) -> None:
    """Refuse arrays of several lengths, or none."""
    lengths = {array.size for array in arrays.values()}
    if len(lengths) != 1:
        found = ", ".join(f"{key or 'array'} {array.shape}" for key, array in arrays.items())
        raise WaveformUnreadable(
            f"{file}: one or more arrays of one length are needed; found {found or 'none'}"
        )


# ---------------------------------------------------------------------------------- WAV


def _wav(file: str, content: bytes) -> list[Part]:
    """Samples by scipy; chunks beside them by the RIFF layout (IBM and Microsoft 1991)."""
    from scipy.io import wavfile

    part, at = Part(), 12
    order = "big" if content[:4] == b"RIFX" else "little"
    while at + 8 <= len(content):
        kind, size = content[at : at + 4], int.from_bytes(content[at + 4 : at + 8], order)  # type: ignore[arg-type]
        body = content[at + 8 : at + 8 + size]
        if kind == b"data" and content[:4] != b"RF64" and len(body) < size:
            raise WaveformUnreadable(
                f"{file}: {len(body)} bytes of samples where {size} are stated; the file is cut or"
                " still being written"
            )
        if kind == b"LIST" and body[:4] == b"INFO":
            inner = 4
            while inner + 8 <= len(body):
                length = int.from_bytes(body[inner + 4 : inner + 8], order)  # type: ignore[arg-type]
                words = body[inner + 8 : inner + 8 + length].decode("utf-8", "replace")
                key = "date" if body[inner : inner + 4] == b"ICRD" else "comment"
                part.note(key, words.strip("\0 "))
                inner += 8 + length + length % 2
        elif kind == b"bext" and size >= 338:
            # Date and time of EBU Tech 3285; what is said of the record before them.
            part.note("comment", body[:256].decode("latin-1").strip("\0 "))
            part.note("date", body[320:338].decode("latin-1")[:10])
            part.note("time", body[330:338].decode("latin-1").replace("-", ":"))
        at += 8 + size + size % 2
    rate_hz, samples = wavfile.read(io.BytesIO(content))
    part.note("sample rate", f"{rate_hz} Hz")
    columns = samples.reshape(samples.shape[0], -1)
    part.is_normalised = samples.dtype.kind == "f"
    if samples.dtype.kind in "iu":
        part.full_scale = 2.0 ** (8 * samples.dtype.itemsize - 1)
        columns = columns.astype(np.float64) - (part.full_scale if samples.dtype.kind == "u" else 0)
    for i, values in enumerate(columns.T):
        part.add(f"CH{i + 1}", floats(file, values), "counts" if part.full_scale else "")
    return [part]


FORMATS = (
    Format(
        "NumPy file",
        lambda head: head[:6] == b"\x93NUMPY" or head[:4] == b"PK\x03\x04",
        _numpy,
    ),
    Format(
        "WAV file",
        lambda head: head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE",
        _wav,
    ),
)
