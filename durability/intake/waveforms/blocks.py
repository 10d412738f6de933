"""Samples behind a preamble of ASCII: counted blocks of instruments, and universal file 58."""

from __future__ import annotations

import re
import tempfile
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.intake.waveforms.formats import Format, Part, floats, library
from durability.intake.waveforms.words import WORDS
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.record.records import FloatArray


_BLOCK = re.compile(rb"#([1-9])(\d+)")
_BLOCK_WORDS = {name: re.compile(words) for name, words in WORDS["block"].items()}
_MOST_PREAMBLE_BYTES = 1 << 16
_FEWEST_BLOCK_BYTES = 16
_CONTROLS = bytes(each for each in range(32) if each not in b"\t\n\r\x0c\x1a") + b"\x7f"


def _blocks_in(content: bytes) -> list[tuple[bytes, int, int]]:
    """Preamble, start and stop of each block of bytes: ``#``, digits of the count, count, bytes.

    The definite-length arbitrary block of IEEE 488.2-1992, 8.7.9.
    """
    found: list[tuple[bytes, int, int]] = []
    at = 0
    while True:
        match = next(
            (
                each
                for each in _BLOCK.finditer(content, at, at + _MOST_PREAMBLE_BYTES)
                if len(each[2]) >= int(each[1])
                and int(each[2][: int(each[1])]) >= _FEWEST_BLOCK_BYTES
            ),
            None,
        )
        if match is None:
            return found
        digits = int(match[1])
        start = match.start() + 2 + digits
        stop = start + int(match[2][:digits])
        found.append((content[at : match.start()], start, stop))
        at = stop
        if stop >= len(content):
            return found


def _fits_block(content: bytes) -> bool:
    """Whether ASCII stands before a counted block of bytes that are not all text."""
    blocks = _blocks_in(content[: 2 * _MOST_PREAMBLE_BYTES])
    if not blocks:
        return False
    before, start, stop = blocks[0]
    data = content[start:stop]
    # A number behind # in text: what follows is printed, with a mark like a micro sign at most.
    controls = len(data) - len(data.translate(None, _CONTROLS))
    high = len(data) - len(data.translate(None, bytes(range(128, 256))))
    is_ascii = not before.translate(None, bytes(range(32, 127)) + b"\r\n\t")
    return is_ascii and (controls > 0 or 2 * high > len(data) > 0)


def _blocks(file: str, content: bytes) -> list[Part]:
    parts: list[Part] = []
    for number, (before, start, stop) in enumerate(_blocks_in(content), start=1):
        if stop > len(content):
            raise WaveformUnreadable(
                f"{file}: a block of {len(content) - start} bytes where {stop - start} are stated;"
                " the file is cut or still being written"
            )
        part = Part(name=f"block {number}")
        said = _said(before.decode("ascii", "replace"))
        values, unit = _samples(file, said, content[start:stop])
        for key, value in said.items():
            if _of(key) not in _APPLIED:
                part.note(key, value)
        if (interval := _number_of(said, "interval")) is not None:
            time_unit = next((v for k, v in said.items() if _of(k) == "time_unit"), "s")
            part.note("sample interval", f"{interval!r} {time_unit or 's'}")
        if (start_s := _number_of(said, "start")) is not None:
            part.note("t0", f"{start_s!r}")
        name = next((v for k, v in said.items() if _of(k) == "source"), f"CH{number}")
        name = re.split(r"[,;]", name)[0].strip() or f"CH{number}"
        part.add(name, values, unit)
        parts.append(part)
    if len(parts) == 1:
        parts[0].name = ""
    return parts


_APPLIED = {
    *("interval", "start", "start_point", "bytes", "bits", "order", "number_format"),
    *("worth", "zero_count", "offset", "unit", "time_unit", "source"),
}
_TEN_NUMBERS = (
    "format",
    "type",
    "points",
    "averages",
    "xincr",
    "xzero",
    "xref",
    "ymult",
    "yzero",
    "yoff",
)
"""A preamble of ten numbers, in the order in which instruments answer it."""


def _said(before: str) -> dict[str, str]:
    """Key → value of a preamble: ``KEY VALUE;``, ``KEY=VALUE``, or ten numbers."""
    said: dict[str, str] = {}
    numbers = re.search(
        r"(?:[+-]?[\d.]+(?:[eE][+-]?\d+)?\s*,\s*){9}[+-]?[\d.]+(?:[eE][+-]?\d+)?", before
    )
    if numbers is not None:
        said = dict(zip(_TEN_NUMBERS, re.split(r"\s*,\s*", numbers[0]), strict=True))
        code = int(float(said["format"]))
        said["format"] = {0: "BYTE", 1: "WORD", 4: "ASCII"}.get(code, said["format"])
        del said["type"], said["averages"], said["xref"]
        before = before.replace(numbers[0], "")
    for piece in re.findall(r'(?:"[^"]*"|[^;\r\n])+', before):
        piece = re.sub(r"^\s*:?(?:\w+:)+(?=\w+[\s=])", "", piece)  # :WFMPRE:BYT_NR 2
        pair = re.fullmatch(r'\s*:?([^\s=:"]+(?: [^\s=:"\d]+)*)\s*[=:\s]\s*("?)(.*?)\2\s*', piece)
        if pair and pair[3]:
            said[pair[1]] = pair[3]
    return said


def _of(key: str) -> str | None:
    """What a key of a block's preamble means."""
    word = re.sub(r"[\s_:.-]+", " ", key.casefold()).strip()
    return next((name for name, words in _BLOCK_WORDS.items() if words.fullmatch(word)), None)


def _number_of(said: dict[str, str], name: str) -> float | None:
    for key, value in said.items():
        if _of(key) == name:
            try:
                return float(value.split()[0])
            except (ValueError, IndexError):
                return None
    return None


def _samples(file: str, said: dict[str, str], data: bytes) -> tuple[FloatArray, str]:
    """Values of a block and their unit; what the preamble leaves open is refused."""
    texts = {name: value.strip().casefold() for key, value in said.items() if (name := _of(key))}
    width = _number_of(said, "bytes") or (_number_of(said, "bits") or 0.0) / 8.0
    kind = texts.get("number_format", "")
    word = next((row for row in WORDS["block_words"] if re.fullmatch(row["words"], kind)), None)
    width = width or (word or {}).get("bytes", 0)
    if width not in (1, 2, 4, 8):
        raise WaveformUnreadable(
            f"{file}: a block of bytes whose preamble does not say how many make a sample (BYT_NR);"
            " export the record as CSV"
        )
    order = next(
        (s for s in "<>" if re.fullmatch(WORDS["block_order"][s], texts.get("order", ""))), ""
    )
    if width > 1 and not order:
        raise WaveformUnreadable(
            f"{file}: a block of samples of {width:.0f} bytes whose preamble does not say in which"
            " order (BYT_OR); export the record as CSV"
        )
    letter = (word or {}).get("kind", "")
    if not letter:
        raise WaveformUnreadable(
            f"{file}: a block of bytes whose preamble does not say whether samples are signed,"
            " unsigned or floating (BN_FMT); export the record as CSV"
        )
    if len(data) % width:
        raise WaveformUnreadable(
            f"{file}: a block of {len(data)} bytes holds no whole number of samples of"
            f" {width:.0f} bytes; copy it again"
        )
    values = np.frombuffer(data, dtype=f"{order or '|'}{letter}{width:.0f}").astype(np.float64)
    if re.fullmatch(WORDS["block_points"]["pairs"], texts.get("point_format", "")):
        raise WaveformUnreadable(
            f"{file}: a block of pairs, the least and the largest value of each interval; export"
            " the samples themselves (PT_FMT Y)"
        )
    worth = _number_of(said, "worth")
    unit = next((v for k, v in said.items() if _of(k) == "unit"), "")
    if worth is None:
        return values, unit if letter == "f" else "counts"
    return (values - (_number_of(said, "zero_count") or 0.0)) * worth + (
        _number_of(said, "offset") or 0.0
    ), unit


# --------------------------------------------------------------------- universal file 58

_MONTHS = WORDS["months"]
_TIME_TYPE, _ACCELERATION_TYPE = 17, 12
_AXES = {1: "+X", -1: "-X", 2: "+Y", -2: "-Y", 3: "+Z", -3: "-Z"}
_TIME_RESPONSE = 1
_IEEE = 2


def _fits_universal(content: bytes) -> bool:
    return re.match(rb"\s*-1[ \t]*\r?\n {0,5}\d{1,5}b?[ \t]*", content[:400]) is not None


def _universal(file: str, content: bytes) -> list[Part]:
    """Time records among the functions of a universal file (dataset 58, SDRC 1988)."""
    pyuff = library(file, "pyuff", "recorders")
    with tempfile.NamedTemporaryFile(suffix=".uff") as copy:
        copy.write(content)
        copy.flush()
        opened = pyuff.UFF(copy.name)
        kinds = [int(each) for each in opened.get_set_types()]
        sets = [opened.read_sets(i) for i, kind in enumerate(kinds) if kind == 58]
        scales = [opened.read_sets(i) for i, kind in enumerate(kinds) if kind == 164]
    if content.rstrip().endswith(b"-1") is False or content.count(b"    -1") % 2:
        raise WaveformUnreadable(
            f"{file}: a universal file whose last dataset has no end; it is cut off"
        )
    is_si = bool(scales) and scales[0].get("units_code") == 1
    parts: dict[tuple[object, ...], Part] = {}
    others = set()
    for one in sets:
        kind = one["func_type"]
        is_time = one["abscissa_spec_data_type"] == _TIME_TYPE
        is_open = kind == _TIME_RESPONSE and one["abscissa_spec_data_type"] in (0, 1)
        if kind not in (0, _TIME_RESPONSE) or not (is_time or is_open):
            others.add(kind)
            continue
        values, stamps = _function(file, one)
        even = one["abscissa_spacing"] == 1
        shape = (
            values.size,
            one["abscissa_min"],
            one["abscissa_inc"],
            None if even else len(parts),
        )
        part = parts.setdefault(shape, Part(name=f"function {len(parts) + 1}"))
        time_unit = _label(one["abscissa_axis_units_lab"]) or "s"
        if part.arrays:
            pass
        elif even:
            part.note("sample interval", f"{one['abscissa_inc']!r} {time_unit}")
            part.note("t0", f"{one['abscissa_min']!r}")
        else:
            part.add("time", stamps, time_unit)
        unit = _label(one["ordinate_axis_units_lab"])
        if not unit:
            is_known = is_si and one["ordinate_spec_data_type"] == _ACCELERATION_TYPE
            unit = "m/s2" if is_known else "unit not stated"
        place = f"{one['rsp_node']} {_AXES.get(one['rsp_dir'], '')}".strip()
        name = _label(one["id1"]) or f"point {place}"
        if name in part.arrays:
            name = f"{name} {place}"
        name = part.add(name, values, unit)
        for key in ("id2", "id4", "id5"):
            if words := _label(one.get(key)):
                part.note("comment", words, of=name)
        part.preamble.recorded_at = part.preamble.recorded_at or _universal_date(one.get("id3"))
    if not parts:
        held = ", ".join(map(str, sorted(others))) or "none"
        raise WaveformUnreadable(
            f"{file}: a universal file without a record over time (functions of type {held});"
            " export the time response (58, type 1)"
        )
    if len(parts) == 1:
        next(iter(parts.values())).name = ""
    return list(parts.values())


def _function(file: str, one: dict[str, Any]) -> tuple[FloatArray, FloatArray]:
    """Ordinates and abscissas of one function, as many as its header states."""
    if one["binary"] and one["fp_format"] != _IEEE:
        raise WaveformUnreadable(
            f"{file}: floating point format {one['fp_format']} of another machine; export it as"
            " ASCII (58)"
        )
    values, count = floats(file, np.asarray(one["data"])), int(one["num_pts"])
    if values.size < count or (values.size > count + 1 and not one["binary"]):
        raise WaveformUnreadable(
            f"{file}: {values.size} values where {count} are stated; the file is cut or damaged"
        )
    return values[:count], floats(file, np.asarray(one["x"]))[:count]


def _label(text: object) -> str:
    words = str(text or "").strip()
    return "" if words.upper() == "NONE" else words


def _universal_date(text: object) -> str | None:
    """ISO 8601 of "14-Mar-26 10:15:00"; years of two digits are those since 2000."""
    found = re.match(
        r"\s*(\d{1,2})-([A-Za-z]{3})-(\d{2}|\d{4})(?:\s+(\d\d):(\d\d):(\d\d))?", str(text or "")
    )
    months = {word: int(number) for number, words in _MONTHS.items() for word in words.split()}
    month = months.get(found[2].casefold()) if found else None
    if found is None or month is None:
        return None
    year = int(found[3]) + (2000 if len(found[3]) == 2 else 0)
    day = f"{year:04d}-{month:02d}-{int(found[1]):02d}"
    return f"{day}T{found[4]}:{found[5]}:{found[6]}" if found[4] else day


BLOCKS = (
    Format("universal file", _fits_universal, _universal),
    Format("waveform block", _fits_block, _blocks),
)
