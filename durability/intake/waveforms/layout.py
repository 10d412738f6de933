"""Where in a text the rows of numbers stand, and how their columns are parted."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

from durability.intake.waveforms.words import Unit, read_unit
from durability.record.errors import WaveformUnreadable

_HEAD_BYTES = 1 << 10
_ENOUGH_ROWS = 20
"""Rows of numbers in a row that settle a layout; a shorter file is settled by all it has."""

MISSING = {"", "nan", "inf", "-inf", "+inf", "infinity", "-infinity", "-nan", "null", "none", "na"}
MISSING |= {"n/a", "#n/a", "-", "--", "---", "****", "ol"}
_EXPONENT = r"([eE][+-]?\d+)?"
NUMBERS = {
    ".": re.compile(rf"[+-]?(\d+\.?\d*|\.\d+){_EXPONENT}"),
    ",": re.compile(rf"[+-]?(\d+,?\d*|,\d+){_EXPONENT}"),
}
_PARTED_NUMBERS = {
    ".": re.compile(
        rf"([+-]?[1-9]\d{{0,2}}(?:(?P<mark>[, '])\d{{3}})+(\.\d*)?|{NUMBERS['.'].pattern})"
    ),
    ",": re.compile(
        rf"([+-]?[1-9]\d{{0,2}}(?:(?P<mark>[. '])\d{{3}})+(,\d*)?|{NUMBERS[','].pattern})"
    ),
}
"""Numbers whose thousands may be parted, by decimal mark."""
CLOCK = re.compile(
    r"(?:[\w./, -]*\d[T ]\s*)?(?:(?:(?P<days>\d{1,3}):(?=\d\d:\d\d:\d\d[.,]))?"
    r"(?P<hours>\d{1,3}):(?=\d\d:))?(?P<minutes>\d{1,3}):"
    r"(?P<seconds>\d\d(?:[.,]\d+|:\d{3,}|(?<=:\d\d:\d\d)))"
    r"(?:\s*[AaPp]\.?[Mm]\.?)?(?:Z|[+-]\d\d:?\d\d)?"
)
"""A time of day with or without date and zone, or minutes and seconds with their fraction: 10:15
may be hours, 10:15.25 is not. A fraction behind a colon has three digits or more: 5 may be 5 ms."""
_WITH_UNIT = re.compile(r"(?P<number>[+-]?[\d.,]*\d(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\W\d_].*|%)")
"""A number with what is glued to it."""
_DATE = re.compile(r"\d{1,4}[./-](\d{1,2}|[^\W\d]{3,4})[./-]\d{1,4}")
_ENOUGH_ROWS_WITH_WORDS = 8
DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}
_LINE = re.compile(r"[^\r\n]*(?:\r\r\n|\r\n|\n|\r|\Z)")


class Line(NamedTuple):
    """A line that is not blank."""

    text: str
    start: int
    """Offset of its first character."""
    number: int
    """From 1."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the data begin, and how to part and read their columns."""

    delimiter: str
    decimal: str
    first: int
    """Index of the first data line among the lines looked at."""
    rows: int
    skipped: int
    """Columns left of the numbers that hold none."""
    kinds: str
    """A letter a column: N numbers, C times of day, U numbers with unit, D dates, W words."""
    parted_by: str | None = None
    """Mark between thousands."""

    @property
    def fields(self) -> int:
        """Columns, without those left of the numbers."""
        return len(self.kinds)

    @property
    def has_words(self) -> bool:
        """Whether dates or words stand between the numbers."""
        return not set(self.kinds) <= set("NCU")

    @property
    def number(self) -> re.Pattern[str]:
        """What a number looks like."""
        return (_PARTED_NUMBERS if self.parted_by else NUMBERS)[self.decimal]


def lines_of(text: str, limit: int) -> Iterator[Line]:
    """Lines that are not blank, among the first ``limit`` characters."""
    matches = _LINE.finditer(text, 0, min(limit, len(text)))
    number = 0
    for match in matches:
        number += 1
        if match[0].strip("\r\n\x1a\x00 \t"):
            # A line cut by the limit would be mistaken for a short one.
            if match.end() == limit < len(text):
                return
            yield Line(match[0].rstrip("\r\n"), match.start(), number)
        number += match[0].count("\v")


def find_layout(
    file: str,
    text: str,
    delimiter: str | None,
    decimal: str | None,
    first_line: int | None = None,
) -> tuple[list[Line], Layout]:
    """The layout of a text, and the lines from its beginning that settled it.

    Parameters
    ----------
    file : str
        Name, for messages.
    text : str
        The whole export.
    delimiter, decimal : str or None
        As given, else found.
    first_line : int, optional
        Line on which the data begin, else found.

    Raises
    ------
    WaveformUnreadable
        There are no rows of numbers, or none where the data are to begin.
    """
    limit = _HEAD_BYTES
    while True:
        looked_at = list(lines_of(text, limit))
        lines = [line for line in looked_at if line.number >= (first_line or 1)]
        sample = "\n".join(line.text.strip() for line in lines[-_ENOUGH_ROWS:])
        # A delimiter that the last lines lack can't part their numbers; one column needs none.
        candidates = [mark for mark in DELIMITERS if mark in sample] or [";"]
        candidates = [delimiter] if delimiter else candidates
        marks = [decimal] if decimal else [".", ","] if "," in sample else ["."]
        found = _longest_runs(lines, candidates, marks, may_be_parted=False)
        if max((each.rows for each in found if not each.has_words), default=0) < _ENOUGH_ROWS:
            marks = [decimal] if decimal else [".", ","]
            found += _longest_runs(lines, candidates, marks, may_be_parted=True)
        if found and (limit >= len(text) or max(layout.rows for layout in found) >= _ENOUGH_ROWS):
            break
        if limit >= len(text):
            raise WaveformUnreadable(
                f"{file}: no rows of numbers found; an export has one sample a line, time and "
                "channels separated by comma, semicolon, tab or blanks, with one decimal mark"
            )
        limit *= 8
    # Most rows win, then numbers alone, most columns, plain numbers; last, the candidates' order.
    best = max(
        found,
        key=lambda each: (each.rows, not each.has_words, each.fields, each.parted_by is None),
    )
    if best.delimiter == "," and not delimiter and not decimal and _are_decimals(lines, best):
        alone = _longest_run(lines, ";", ",")
        best = alone if alone is not None else best
    if best.decimal == "." and decimal is None and best.delimiter != ",":
        # Whole numbers alone in the head: the rest of the file may still have decimals.
        other = _longest_run(lines, best.delimiter, ",")
        if other == replace(best, decimal=",") and "," in text[lines[-1].start :]:
            best = other
    if first_line is None:
        while (earlier := _goes_on_from(file, lines, best)) is not None:
            best = earlier
    if first_line is not None and (best.first or lines[0].number > first_line):
        raise WaveformUnreadable(
            f"{file}, line {first_line}: no row of numbers, though the data are to begin there;"
            f" the first is on line {lines[best.first].number}"
        )
    return looked_at, replace(best, first=best.first + len(looked_at) - len(lines))


_MOST_BETWEEN = 6


def _goes_on_from(file: str, lines: list[Line], layout: Layout) -> Layout | None:
    """The layout from an earlier stretch of rows on, behind which time goes on; None without one.

    Heads of pages and marks of the trigger part a record, and none of it is to be passed over.
    """
    number, shape = layout.number, (layout.skipped, layout.kinds)

    def is_row(at: int) -> bool:
        return row_shape(split_line(lines[at].text, layout.delimiter), number) == shape

    last = layout.first - 1
    while last > max(layout.first - 1 - _MOST_BETWEEN, 1) and not is_row(last):
        last -= 1
    begin = last
    while begin >= 0 and is_row(begin):
        begin -= 1
    rows = last - begin
    if rows < 2 or layout.rows < 2 or last == layout.first - 1 or layout.kinds[0] != "N":
        return None
    if layout.fields == 1:
        if rows < _ENOUGH_ROWS_WITH_WORDS:
            return None
        words = lines[last + 1].text.strip()[:60]
        raise WaveformUnreadable(
            f"{file}, line {lines[last + 1].number}: {words!r} among the rows, as between two"
            " records, and no times that tell whether they go on; take the line out, or"
            " name the line on which the data begin with --first-line"
        )
    times = []
    for at in (last - 1, last, layout.first, layout.first + 1):
        cell = split_line(lines[at].text, layout.delimiter)[layout.skipped]
        times.append(float(cell.replace(layout.parted_by or " ", "").replace(",", ".")))
    step, gap, after = (later - earlier for earlier, later in pairwise(times))
    goes_on = step > 0.0 and max(abs(gap / step - 1.0), abs(after / step - 1.0)) < 0.5
    return replace(layout, first=begin + 1, rows=rows) if goes_on else None


def is_table(text: str) -> bool:
    """Whether rows of numbers alone are found in a text, enough of them to settle a layout."""
    try:
        layout = find_layout("", text, None, None)[1]
    except WaveformUnreadable:
        return False
    return layout.rows >= _ENOUGH_ROWS and not layout.has_words


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of a line, without blanks and quotes around them."""
    if delimiter == " " and '"' not in line:
        return line.split()
    if '"' in line:
        row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]


def _longest_runs(
    lines: list[Line], delimiters: list[str], decimals: list[str], *, may_be_parted: bool
) -> list[Layout]:
    is_quoted = any('"' in line.text for line in lines[-_ENOUGH_ROWS:])
    return [
        layout
        for delimiter in delimiters
        for decimal in decimals
        # Where a bare comma parts columns, a decimal one reads no more numbers than a point does.
        if may_be_parted or is_quoted or delimiter != decimal or len(decimals) == 1
        if (layout := _longest_run(lines, delimiter, decimal, may_be_parted=may_be_parted))
    ]


def _longest_run(
    lines: list[Line], delimiter: str, decimal: str, *, may_be_parted: bool = False
) -> Layout | None:
    """The longest stretch of lines with numbers in the same columns; None when there is none."""
    number = (_PARTED_NUMBERS if may_be_parted else NUMBERS)[decimal]
    best: Layout | None = None
    begin, shape = 0, (0, "")
    shapes: dict[str, tuple[int, str] | None] = {}
    for i in range(len(lines) + 1):
        text = lines[i].text if i < len(lines) else ""
        # Rows that differ in their digits only are of one shape.
        alike = text if may_be_parted or not _OF_NUMBERS.fullmatch(text) else _pattern_of(text)
        if alike not in shapes:
            shapes[alike] = row_shape(split_line(text, delimiter), number)
        here = shapes[alike]
        if here != shape:
            enough = 1 if set(shape[1]) <= set("NCU") else _ENOUGH_ROWS_WITH_WORDS
            if shape[1] and i - begin >= enough and (best is None or i - begin > best.rows):
                best = Layout(delimiter, decimal, begin, i - begin, *shape)
            begin, shape = i, here or (0, "")
    if best is None:
        return None
    # Rows above that begin like these are data too: those with a preamble set beside them, and
    # those before a row with a word or a hole in it, which is to be found, not passed over.
    first = best.first
    pattern = _pattern(split_line(lines[first].text, delimiter)[best.skipped])
    while first > 0:
        cells = split_line(lines[first - 1].text, delimiter)[best.skipped :]
        full = row_shape(cells, number) == (0, best.kinds)
        begun = (
            best.fields > 1
            and len(cells) >= best.fields
            and (is_number(cells[0], number) or (_pattern(cells[0]) == pattern and ":" in pattern))
        )
        if not full and not begun:
            break
        # Settings beside a row of data stand left of it; settings above the data don't climb on.
        pair = lines[first - 1 : first + 1]
        if best.skipped and best.kinds[0] == "N" and not _climbs(pair, best):
            break
        first -= 1
    parted_by = None
    if may_be_parted:
        cells = [
            cell
            for line in lines[first : best.first + best.rows]
            for cell in split_line(line.text, delimiter)
        ]
        parts = [found["mark"] for cell in cells if (found := number.fullmatch(cell))]
        parted_by = next((mark for mark in parts if mark), None)
        # 0.413 is no thousand: then the mark is a second decimal one.
        second = re.compile(rf"[+-]?(0\d*)?{re.escape(parted_by or '')}\d+")
        if parted_by is None or any(map(second.fullmatch, cells)):
            return None
    return replace(best, first=first, rows=best.rows + best.first - first, parted_by=parted_by)


_OF_NUMBERS = re.compile(r"[-+.,;|\d\teE ]*", re.ASCII)
_ANY_DIGIT = str.maketrans("123456789", "000000000")


def _pattern_of(line: str) -> str:
    """A line of numbers with each digit a 0: what says how they are written."""
    return line.translate(_ANY_DIGIT)


def _pattern(cell: str) -> str:
    """A cell's marks, whatever its digits are: 10:00:00:5 is one time of day with 10:00:00:125."""
    return re.sub(r"\d+", "0", cell)


def _climbs(lines: list[Line], layout: Layout) -> bool:
    """Whether the first numbers of two rows stand in rising order."""
    above, below = (split_line(each.text, layout.delimiter)[layout.skipped] for each in lines)
    if not (NUMBERS[layout.decimal].fullmatch(above) and NUMBERS[layout.decimal].fullmatch(below)):
        return True
    return float(above.replace(",", ".")) < float(below.replace(",", "."))


def is_number(cell: str, number: re.Pattern[str]) -> bool:
    """Whether a cell is a number, bare or with its unit, or a time of day."""
    return (
        number.fullmatch(cell) is not None
        or CLOCK.fullmatch(cell) is not None
        or part_unit(cell, number) is not None
    )


def row_shape(cells: list[str], number: re.Pattern[str]) -> tuple[int, str] | None:
    """Empty cells before the numbers, and the kind of each column; None for other rows.

    Words may stand in a row that begins with a number or a date and has another number.
    """
    while cells and not cells[-1]:
        cells = cells[:-1]
    empty = 0
    while empty < len(cells) and not cells[empty]:
        empty += 1
    cells = cells[empty:]
    if cells and all(map(number.fullmatch, cells)):
        return empty, "N" * len(cells)
    kinds = "".join(_kind_of(cell, number) for cell in cells)
    numbers = sum(map(kinds.count, "NCU"))
    if not numbers:
        return None
    if numbers + kinds.count("-") == len(kinds):
        return empty, kinds.replace("-", "N")
    if numbers >= 2 and kinds[0] in "NCUD":
        return empty, kinds.replace("-", "N")
    return None


def _kind_of(cell: str, number: re.Pattern[str]) -> str:
    if number.fullmatch(cell):
        return "N"
    if cell.casefold() in MISSING:
        return "-"
    if CLOCK.fullmatch(cell):
        return "C"
    if part_unit(cell, number) is not None:
        return "U"
    return "D" if _DATE.fullmatch(cell) else "W"


def part_unit(cell: str, number: re.Pattern[str]) -> tuple[str, Unit] | None:
    """The number of a cell that brings its unit along, as "12.3 mV", and that unit."""
    parted = _WITH_UNIT.fullmatch(cell)
    if parted is None or not number.fullmatch(parted["number"]):
        return None
    unit = read_unit(parted["unit"])
    return None if unit is None else (parted["number"], unit)


def _are_decimals(lines: list[Line], layout: Layout) -> bool:
    """Whether commas part whole numbers from their decimals rather than two columns."""
    rows = [line.text.strip() for line in lines[layout.first : layout.first + layout.rows]]
    if layout.fields != 2 or len(rows) < 3:
        return False
    if not all(re.fullmatch(r"[+-]?\d+,\d+([eE][+-]?\d+)?", row) for row in rows):
        return False
    whole = [int(row.split(",")[0]) for row in rows]
    steps = {later - earlier for earlier, later in pairwise(whole)}
    return len(steps) > 1 or steps == {0}
