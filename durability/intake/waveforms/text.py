"""The layout of a text export, worked out from its content."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from durability.errors import WaveformUnreadable
from durability.intake.waveforms.table import Column, Table, column
from durability.intake.waveforms.words import (
    TIME_UNITS,
    Preamble,
    Unit,
    names_time,
    plain,
    read_unit,
)

if TYPE_CHECKING:
    from durability.records import FloatArray

_HEAD_BYTES = 1 << 11
_ENOUGH_ROWS = 20
"""Rows of numbers in a row that settle a layout; a shorter file is settled by all it has."""

_MISSING = {"", "nan", "inf", "-inf", "+inf", "infinity", "-infinity", "-nan", "null", "none", "na"}
_MISSING |= {"n/a", "#n/a", "-", "--", "---", "****", "ol"}
_NUMBERS = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?"),
}
_CLOCK = re.compile(r"(?:[\d./-]+[T ]\s*)?(\d{1,2}):(\d\d):(\d\d(?:[.,]\d+)?)")
"""A time of day, with or without its date."""
_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}
_COMMENT_MARKS = "#%!*;/'"
_LINE = re.compile(r"[^\r\n]*(?:\r\r\n|\r\n|\n|\r|\Z)")
_PLAIN_KEYS = re.compile(
    r"\b(unit|units|model|date|version|label|source|serial|firmware|coupling|memory|points|mode|"
    r"comment|note|operator|test|trigger|probe|display|title|file|setup|name|device|instrument|"
    r"status|type|format|bandwidth|attenuation|scale|position|offset|record)\b"
)


@dataclass(frozen=True, slots=True)
class _Line:
    text: str
    start: int
    """Offset of its first character."""
    number: int
    """From 1."""


@dataclass(frozen=True, slots=True)
class _Layout:
    delimiter: str
    decimal: str
    first: int
    """Index of the first data line among the lines looked at."""
    rows: int
    skipped: int
    """Columns left of the numbers that hold none."""
    fields: int
    """Columns of numbers."""


def read_text(
    file: str,
    text: str,
    *,
    delimiter: str | None,
    decimal: str | None,
    first_line: int | None,
    inferred: dict[str, str],
) -> Table:
    """The table that a text export holds.

    Parameters
    ----------
    file : str
        Name, for messages.
    text : str
        The whole export.
    delimiter, decimal : str or None
        As given, else found.
    first_line : int or None
        Line on which the data begin, else found.
    inferred : dict
        What was worked out is added here.

    Raises
    ------
    WaveformUnreadable
        There are no rows of numbers, or rows among them that are something else.
    """
    lines, layout = _find_layout(file, text, delimiter, decimal, first_line)
    above = lines[: layout.first]
    preamble = Preamble(decimal=layout.decimal)
    columns = _headings(above, layout, preamble)
    shown = lines[layout.first : layout.first + layout.rows]
    if layout.skipped:
        for line in shown:
            key, *value = _split(line.text, layout.delimiter)[: layout.skipped]
            preamble.note(key, " ".join(value))
    start = lines[layout.first].start
    first_number = lines[layout.first].number
    given = ", given"
    inferred["delimiter"] = _DELIMITERS.get(layout.delimiter, layout.delimiter)
    inferred["delimiter"] += given if delimiter else ""
    inferred["decimal mark"] = "comma" if layout.decimal == "," else "point"
    inferred["decimal mark"] += given if decimal else ""
    inferred["data"] = f"from line {first_number} on, columns of numbers: {layout.fields}"
    inferred["data"] += given if first_line else ""

    def place(row: int) -> str:
        return f"line {_line_of_row(text, start, row, first_number)}"

    def load(wanted: list[int]) -> list[FloatArray]:
        return _load(file, text[start:], first_number, layout, wanted, clocks)

    cells = _split(lines[layout.first].text, layout.delimiter)[layout.skipped :]
    clocks = frozenset(i for i in range(layout.fields) if _CLOCK.fullmatch(cells[i]))
    columns = tuple(
        Column(found.heading, found.name, TIME_UNITS["s"]) if i in clocks else found
        for i, found in enumerate(columns)
    )
    head = np.array([_numbers(line.text, layout) for line in shown], dtype=np.float64)
    return Table(file, columns, head, load, place, preamble, inferred)


# ------------------------------------------------------------------------------- the layout


def _lines(text: str, limit: int) -> Iterator[_Line]:
    matches = _LINE.finditer(text, 0, min(limit, len(text)))
    for number, match in enumerate(matches, start=1):
        if match[0].strip("\r\n\x1a\x00 \t"):
            # A line cut by the limit would be mistaken for a short one.
            if match.end() == limit < len(text):
                return
            yield _Line(match[0].rstrip("\r\n"), match.start(), number)


def _find_layout(
    file: str, text: str, delimiter: str | None, decimal: str | None, first_line: int | None
) -> tuple[list[_Line], _Layout]:
    """The lines looked at, and the layout of the data among them."""
    limit = _HEAD_BYTES
    while True:
        looked_at = list(_lines(text, limit))
        lines = [line for line in looked_at if line.number >= (first_line or 1)]
        sample = "\n".join(line.text.strip() for line in lines[-_ENOUGH_ROWS:])
        # A delimiter that the last lines lack can't part their numbers; one column needs none.
        candidates = [mark for mark in _DELIMITERS if mark in sample] or [";"]
        found = [
            layout
            for candidate in ([delimiter] if delimiter else candidates)
            for mark in ([decimal] if decimal else [".", ","] if "," in sample else ["."])
            if (layout := _longest_run(lines, candidate, mark))
        ]
        if found and (limit >= len(text) or max(layout.rows for layout in found) >= _ENOUGH_ROWS):
            break
        if limit >= len(text):
            raise WaveformUnreadable(
                f"{file}: no rows of numbers found; an export has one sample a line, time and "
                "channels separated by comma, semicolon, tab or blanks"
            )
        limit *= 8
    # Most rows win, then most columns; of what is left, the order of the candidates.
    best = max(found, key=lambda layout: (layout.rows, layout.fields))
    if best.delimiter == "," and not delimiter and not decimal and _are_decimals(lines, best):
        alone = _longest_run(lines, ";", ",")
        best = alone if alone is not None else best
    if best.decimal == "." and decimal is None and best.delimiter != ",":
        # Whole numbers alone in the head: the rest of the file may still have decimals.
        other = _longest_run(lines, best.delimiter, ",")
        if other == _Layout(best.delimiter, ",", *_rest(best)) and "," in text[lines[-1].start :]:
            best = other
    if first_line is not None and (best.first or lines[0].number > first_line):
        raise WaveformUnreadable(
            f"{file}, line {first_line}: no row of numbers, though the data are to begin there;"
            f" the first stands on line {lines[best.first].number}"
        )
    return looked_at, replace(best, first=best.first + len(looked_at) - len(lines))


def _rest(layout: _Layout) -> tuple[int, int, int, int]:
    return layout.first, layout.rows, layout.skipped, layout.fields


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line:
        row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]


def _longest_run(lines: list[_Line], delimiter: str, decimal: str) -> _Layout | None:
    """The longest stretch of lines with numbers in the same columns; None when there is none."""
    number = _NUMBERS[decimal]
    best: _Layout | None = None
    begin, shape = 0, (0, 0)
    for i in range(len(lines) + 1):
        here = _row_shape(_split(lines[i].text, delimiter), number) if i < len(lines) else None
        if here != shape:
            if shape[1] and (best is None or i - begin > best.rows):
                best = _Layout(delimiter, decimal, begin, i - begin, shape[0], shape[1])
            begin, shape = i, here or (0, 0)
    if best is None:
        return None
    # Rows above that begin like these are data too: those with a preamble set beside them, and
    # those before a row with a word or a hole in it, which is to be found, not passed over.
    first = best.first
    while first > 0:
        cells = _split(lines[first - 1].text, delimiter)[best.skipped :]
        full = _row_shape(cells, number) == (0, best.fields)
        begun = best.fields > 1 and len(cells) >= best.fields and _is_number(cells[0], number)
        if not full and not begun:
            break
        first -= 1
    rows = best.rows + best.first - first
    return _Layout(delimiter, decimal, first, rows, best.skipped, best.fields)


def _is_number(cell: str, number: re.Pattern[str]) -> bool:
    return number.fullmatch(cell) is not None or _CLOCK.fullmatch(cell) is not None


def _row_shape(cells: list[str], number: re.Pattern[str]) -> tuple[int, int] | None:
    """Empty cells before the numbers, and columns of numbers; None for other rows."""
    while cells and not cells[-1]:
        cells = cells[:-1]
    empty = 0
    while empty < len(cells) and not cells[empty]:
        empty += 1
    cells = cells[empty:]
    good = [_is_number(cell, number) for cell in cells]
    if not any(good):
        return None
    if all(ok or cell.casefold() in _MISSING for ok, cell in zip(good, cells, strict=True)):
        return empty, len(cells)
    return None


def _are_decimals(lines: list[_Line], layout: _Layout) -> bool:
    """Whether commas part whole numbers from their decimals rather than two columns."""
    rows = [line.text.strip() for line in lines[layout.first : layout.first + layout.rows]]
    if layout.fields != 2 or len(rows) < 3:
        return False
    if not all(re.fullmatch(r"[+-]?\d+,\d+([eE][+-]?\d+)?", row) for row in rows):
        return False
    whole = [int(row.split(",")[0]) for row in rows]
    steps = {later - earlier for earlier, later in pairwise(whole)}
    return len(steps) > 1 or steps == {0}


# -------------------------------------------------------------------------------- what is above


def _headings(above: list[_Line], layout: _Layout, preamble: Preamble) -> tuple[Column, ...]:
    """Names and units of the columns; everything else goes into the preamble."""
    rows = [_heading_cells(line.text, layout) for line in above]
    names: list[str] | None = None
    units: list[str] | None = None
    used: set[int] = set()
    for i in range(len(rows) - 1, max(len(rows) - 5, -1), -1):
        cells = rows[i]
        if set(above[i].text) <= set("-=+_|,;\t "):
            continue
        if cells is None or names is not None:
            break
        if units is None and _is_units(cells[: layout.fields], layout.fields):
            units = cells
        elif _is_names(above[i].text, cells[: layout.fields]):
            names = cells
        else:
            break
        used.add(i)
    if names is not None and units is not None:
        # Names further right than the data, with a number under them, are a preamble set on end.
        for name, value in zip(names[layout.fields :], units[layout.fields :], strict=False):
            preamble.note(name, value)
    for i, line in enumerate(above):
        if i not in used:
            for key, value in _entries(line.text, layout.delimiter):
                preamble.note(key, value)
    headings = (names or [])[: layout.fields]
    headings += [""] * (layout.fields - len(headings))
    if len(set(headings)) < len(headings):
        headings = _distinct(headings, above, layout, used)
    below: list[Unit | None] = [read_unit(cell) for cell in (units or [])[: layout.fields]]
    below += [None] * (layout.fields - len(below))
    return tuple(column(headings[i], i + 1, below[i]) for i in range(layout.fields))


def _heading_cells(line: str, layout: _Layout) -> list[str] | None:
    """Cells of a line above the data, if it has at least one for each column."""
    text = line.strip("\r\n").lstrip()
    bare = text.lstrip(_COMMENT_MARKS).strip() if text[:1] in _COMMENT_MARKS else line
    if bare != line:
        bare = bare.strip()
    splits = [_split(bare, layout.delimiter)[layout.skipped :]]
    if layout.delimiter == " " or bare != line:
        splits = [
            *([_split(bare, d) for d in (",", "\t", ";")]),
            [cell.strip() for cell in re.split(r"\s{2,}|\t", bare.strip())],
            bare.split(),
        ]
    for cells in splits:
        trimmed = cells
        while len(trimmed) > layout.fields and not trimmed[-1]:
            trimmed = trimmed[:-1]
        if len(trimmed) == layout.fields:
            return trimmed
    longest = max(splits, key=len)
    # One field more in the data than in its heading: a blank at the end of each row.
    return longest if len(longest) >= max(layout.fields - 1, 1) and bare == line else None


def _is_units(cells: list[str], fields: int) -> bool:
    known = [read_unit(cell) is not None for cell in cells if cell]
    return bool(known) and all(known) and len(cells) >= min(fields, 1)


def _is_names(line: str, cells: list[str]) -> bool:
    if not any(cells) or any(_NUMBERS["."].fullmatch(cell) for cell in cells):
        return False
    first = cells[0]
    # "Model, ABC" just above the data is an entry, not a heading.
    is_entry = first.endswith((":", "=")) or _PLAIN_KEYS.search(plain(first))
    if len(cells) == 2 and not names_time(first) and is_entry:
        return False
    return not (len(cells) == 1 and re.search(r"[:=]", line))


def _distinct(
    headings: list[str], above: list[_Line], layout: _Layout, used: set[int]
) -> list[str]:
    """Tell columns of one name apart, by a preamble row that has a label for each, or by number."""
    for i in range(len(above) - 1, -1, -1):
        cells = _heading_cells(above[i].text, layout) or []
        labels = cells[1 : layout.fields]
        if i in used or len(cells) != layout.fields or not all(labels):
            continue
        if len(set(labels)) == len(labels) and not any(
            _NUMBERS["."].fullmatch(label) for label in labels
        ):
            return [headings[0]] + [
                f"{label} {re.sub(r'^[^(]*', '', heading)}".strip()
                for label, heading in zip(labels, headings[1:], strict=True)
            ]
    repeated = {name for name in headings if name and headings.count(name) > 1}
    return [
        f"column {i + 1} {name}" if name in repeated else name for i, name in enumerate(headings)
    ]


def _entries(line: str, delimiter: str) -> Iterator[tuple[str, str]]:
    """Pairs of key and value on one line of a preamble."""
    text = line.strip().lstrip(_COMMENT_MARKS).strip()
    for mark in dict.fromkeys((delimiter if delimiter != " " else "\t", "\t", ";", ",")):
        cells = [cell for cell in _split(text, mark) if cell]
        for cell in cells:
            parted = re.fullmatch(r"(.+?)\s*[:=]\s*(.+)", cell)
            if parted:
                yield parted[1], parted[2]
        if len(cells) > 1:
            for i in range(len(cells) - 1):
                yield cells[i], " ".join(cells[i + 1 : i + 3])
            return
    worded = re.fullmatch(r"([^\d:=]+?)\s+([+-]?[\d.,]+.*)", text)
    if worded:
        yield worded[1], worded[2]


# ------------------------------------------------------------------------------- the numbers


def _seconds(cell: str) -> float:
    """Seconds since midnight of a time of day; NaN for anything else."""
    parts = _CLOCK.fullmatch(cell.strip().strip('"'))
    if parts is None:
        return float("nan")
    return 3600.0 * int(parts[1]) + 60.0 * int(parts[2]) + float(parts[3].replace(",", "."))


def _numbers(line: str, layout: _Layout) -> list[float]:
    cells = _split(line, layout.delimiter)[layout.skipped :][: layout.fields]
    number = _NUMBERS[layout.decimal]
    values = [
        float(cell.replace(",", ".")) if number.fullmatch(cell) else _seconds(cell)
        for cell in cells
    ]
    return values + [float("nan")] * (layout.fields - len(values))


def _load(
    file: str,
    data: str,
    first_number: int,
    layout: _Layout,
    wanted: list[int],
    clocks: frozenset[int],
) -> list[FloatArray]:
    data = data.rstrip("\x1a\x00 \t\r\n")
    try:
        return _parse(data, layout, wanted, clocks)
    except (ValueError, pd.errors.ParserError):
        data = _without_footer(file, data, first_number, layout, wanted)
        return _parse(data, layout, wanted, clocks)


def _parse(
    data: str, layout: _Layout, wanted: list[int], clocks: frozenset[int]
) -> list[FloatArray]:
    frame = pd.read_csv(
        io.BytesIO(data.encode()),
        sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
        decimal=layout.decimal,
        header=None,
        usecols=[layout.skipped + i for i in wanted],
        dtype={layout.skipped + i: str if i in clocks else np.float64 for i in wanted},
        skipinitialspace=True,
        na_values=["-", "--", "---", "****", "OL", "ol"],
        engine="c",
    )
    return [
        np.array([_seconds(str(cell)) for cell in frame[layout.skipped + i]])
        if i in clocks
        else frame[layout.skipped + i].to_numpy()
        for i in wanted
    ]


def _without_footer(
    file: str, data: str, first_number: int, layout: _Layout, wanted: list[int]
) -> str:
    """The rows of numbers, when only words follow them; anything else is refused."""
    number = _NUMBERS[layout.decimal]
    for line in _lines(data, len(data)):
        cells = _split(line.text, layout.delimiter)[layout.skipped :]
        bad = [
            cells[i]
            for i in wanted
            if i < len(cells)
            and not _is_number(cells[i], number)
            and cells[i].casefold() not in _MISSING
        ]
        if not bad:
            continue
        rest = [later.text for later in _lines(data[line.start :], len(data))]
        shapes = [_row_shape(_split(text, layout.delimiter), number) for text in rest]
        if line.start and (layout.skipped, layout.fields) not in shapes:
            return data[: line.start]
        raise WaveformUnreadable(
            f"{file}, line {first_number + line.number - 1}: {bad[0]!r} stands where a number "
            "belongs; data rows hold numbers only"
        )
    raise WaveformUnreadable(
        f"{file}: the rows from line {first_number} on can't be read as numbers; one sample a line "
        "is needed, with the same columns in each"
    )


def _line_of_row(text: str, start: int, row: int, first_number: int) -> int:
    for index, line in enumerate(_lines(text[start:], len(text))):
        if index == row:
            return first_number + line.number - 1
    return first_number + row
