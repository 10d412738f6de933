"""Columns of numbers, wherever they came from, and the names and units that stand above them."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.intake.waveforms.layout import NUMBERS, Layout, Line, split_line
from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.words import (
    Unit,
    names_time,
    of_quantity,
    plain,
    read_unit,
    split_unit,
    within,
)
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.record.records import FloatArray

_HEADING_ROWS = 4
_COMMENT_MARKS = "#%!*;/'"
_ENTRY = within("entry")


@dataclass(frozen=True, slots=True)
class Column:
    """One column's name as written, without unit, and its unit where it has one."""

    heading: str
    name: str
    unit: Unit | None
    is_nameless: bool = False
    """Whether nothing stands above it."""
    unit_from: str = "the heading"
    other_unit: Unit | None = None
    """Another one, in which the heading says the same column is."""


@dataclass(frozen=True, slots=True)
class Table:
    """A file's columns, its preamble, and how to get at the numbers."""

    file: str
    columns: tuple[Column, ...]
    head: FloatArray
    """First rows, shape (n_rows, n_columns); NaN where there is no number."""
    load: Callable[[list[int]], list[FloatArray]]
    """Whole columns by index."""
    place: Callable[[int], str]
    """Words for where row ``i`` stands in the file."""
    preamble: Preamble = field(default_factory=Preamble)
    inferred: dict[str, str] = field(default_factory=dict)
    broken_at: Callable[[], int | None] = lambda: None
    """Finds the number of a blank line among the data: another record may follow it."""

    def notice(self, words: str) -> None:
        """Report something about the file to who imports it, once."""
        said = self.inferred.get("noticed", "")
        if words and words not in said:
            self.inferred["noticed"] = f"{said}; {words}" if said else words


def column(heading: str, number: int, unit: Unit | None = None) -> Column:
    """A column from what stands above it; a nameless one is called by its number, from 1."""
    name, own_unit = split_unit(heading)
    unit = of_quantity(unit, heading)
    name = name or f"column {number}"
    differ = unit is not None and own_unit is not None and unit.factor != own_unit.factor
    differ |= unit is not None and own_unit is not None and unit.quantity != own_unit.quantity
    return Column(
        heading or name,
        name,
        unit or own_unit,
        is_nameless=heading in ("", f"column {number}"),
        unit_from="the row of units" if unit is not None else "the heading",
        other_unit=own_unit if differ else None,
    )


def from_arrays(
    file: str,
    arrays: dict[str, FloatArray],
    preamble: Preamble,
    inferred: dict[str, str],
    units: dict[str, str] | None = None,
) -> Table:
    """A table of named arrays of one length, each with its unit as written where it has one."""
    values = list(arrays.values())
    columns = []
    for i, name in enumerate(arrays):
        written = (units or {}).get(name, "")
        unit = read_unit(written)
        # A unit that is not known stays with the name: then nothing is assumed of it.
        found = column(name if unit or not written else f"{name} ({written})", i + 1, unit)
        columns.append(replace(found, unit_from="the file") if unit else found)
    return Table(
        file=file,
        columns=tuple(columns),
        head=np.column_stack([array[:1000] for array in values]),
        load=lambda wanted: [values[i] for i in wanted],
        place=lambda row: f"sample {row + 1}",
        preamble=preamble,
        inferred=inferred,
    )


def json_arrays(text: str, preamble: Preamble) -> dict[str, FloatArray] | None:
    """Columns of a text that is JSON, an object a line or one for all; None of any other.

    Parameters
    ----------
    text : str
        The whole export.
    preamble : Preamble
        Gets what stands beside the columns.
    """
    if text.lstrip()[:1] not in ("{", "["):
        return None
    try:
        rows = [json.loads(text)]
    except ValueError:
        try:
            rows = [json.loads(line) for line in text.splitlines() if line.strip(" \r\x1a\x00")]
        except ValueError:
            return None
    arrays: dict[str, FloatArray] = {}
    _take_json("", rows[0] if len(rows) == 1 else rows, arrays, preamble)
    return arrays or None


def _take_json(name: str, value: object, arrays: dict[str, FloatArray], preamble: Preamble) -> None:
    """Lists of numbers become columns, rows of an object each too; the rest is the preamble."""
    if isinstance(value, dict):
        for key, each in value.items():
            _take_json(str(key), each, arrays, preamble)
    elif not isinstance(value, list):
        preamble.note(name, str(value))
        preamble.lines.append(f"{name}: {value}")
    elif value and all(isinstance(each, dict) for each in value):
        counted = Counter(key for row in value for key in row)
        columns = [key for key, count in counted.items() if 2 * count > len(value)]
        having = [i for i, row in enumerate(value) if any(key in row for key in columns)]
        first, stop = (having[0], having[-1] + 1) if having else (0, 0)
        for row in (*value[:first], *value[stop:]):
            _take_json("", row, arrays, preamble)
        for key in columns:
            # A row that lacks it has lost a sample.
            _take_json(key, [row.get(key) for row in value[first:stop]], arrays, preamble)
    elif value and all(isinstance(each, list) for each in value):
        if len({len(each) for each in value}) == 1:
            for i, column in enumerate(zip(*value, strict=True)):
                _take_json(f"column {i + 1}", list(column), arrays, preamble)
    elif value and all(each is None or isinstance(each, int | float) for each in value):
        if len(value) == 1:
            preamble.note(name, str(value[0]))
        else:
            alike = sum(known.partition(" (")[0] == name for known in arrays)
            numbers = [np.nan if each is None else each for each in value]
            arrays[f"{name} ({alike + 1})" if alike else name] = np.array(numbers, dtype=np.float64)


def find_headings(
    above: list[Line], layout: Layout, preamble: Preamble, *, rows_numbered: bool
) -> tuple[Column, ...]:
    """Names and units of the columns; everything else goes into the preamble.

    Parameters
    ----------
    above : list of Line
        What stands above the data.
    layout : Layout
        Of the data.
    preamble : Preamble
        Is added to.
    rows_numbered : bool
        Whether the first column counts the rows: it may then lack a name.
    """
    names_at, units_at, cells_of = _heading_rows(above, layout)
    names = cells_of[names_at] if names_at is not None else []
    units = cells_of[units_at] if units_at is not None else []
    if names and units:
        # Names further right than the data, with a number under them, are a preamble set on end.
        for name, value in zip(names[layout.fields :], units[layout.fields :], strict=False):
            preamble.note(name, value)
    if not units and len(names) == 2 * layout.fields and all(map(read_unit, names[1::2])):
        # "Time, ms, Acceleration, g": the comma that parts the columns parts names from units too.
        names, units = names[::2], names[1::2]
    if rows_numbered and len(names) == layout.fields - 1:
        names, units = ["", *names], ["", *units] if units else []
    for cell in names[layout.fields :] if not units else ():
        preamble.note_line(cell, layout.delimiter, split_line)
    used = {names_at, units_at}
    for i, line in enumerate(above):
        if i not in used:
            preamble.note_line(line.text, layout.delimiter, split_line)
    headings = names[: layout.fields]
    headings += [""] * (layout.fields - len(headings))
    if len(set(headings)) < len(headings):
        headings = _distinct(headings, above, layout, used)
    below: list[Unit | None] = [read_unit(cell) for cell in units[: layout.fields]]
    below += [None] * (layout.fields - len(below))
    return tuple(column(headings[i], i + 1, below[i]) for i in range(layout.fields))


def _heading_rows(
    above: list[Line], layout: Layout
) -> tuple[int | None, int | None, dict[int, list[str]]]:
    """Which of the lines just above the data names the columns, and which gives their units."""
    cells_of: dict[int, list[str]] = {}
    units_at: int | None = None
    names: list[int] = []
    for i in range(len(above) - 1, -1, -1):
        if set(above[i].text) <= set("-=+_|,;\t "):
            continue
        cells = _heading_cells(above[i].text, layout)
        if cells is None or len(cells_of) == _HEADING_ROWS:
            break
        if units_at is None and _is_units(cells[: layout.fields]):
            units_at = i
        elif _is_names(above[i].text, cells[: layout.fields]) or (
            units_at == i + 1 and names_time(cells[0]) and all(cells[: layout.fields])
        ):
            # Above a row of units stand names, also such as 1 and 2.
            names.append(i)
        else:
            break
        cells_of[i] = cells
    if units_at is None:
        return (names[0] if names else None), None, cells_of
    # Below the units a full row of names is the heading, and they belong to something else above;
    # a row with holes says how each value was taken.
    over = [i for i in names if i < units_at]
    under = [i for i in names if i > units_at]
    full = [i for i in under if all(cells_of[i][: layout.fields])]
    if full and any(names_time(name) or split_unit(name)[1] for name in cells_of[full[0]]):
        return full[0], units_at, cells_of
    return next(iter((*over, *under)), None), units_at, cells_of


def _heading_cells(line: str, layout: Layout) -> list[str] | None:
    """Cells of a line above the data, if it has at least one for each column."""
    text = line.strip("\r\n").lstrip()
    bare = text.lstrip(_COMMENT_MARKS).strip() if text[:1] in _COMMENT_MARKS else line
    if bare != line:
        bare = bare.strip()
    splits = [_closed(split_line(bare, layout.delimiter)[layout.skipped :], layout.fields)]
    if layout.delimiter == " " or bare != line:
        splits = [
            *([split_line(bare, d) for d in (",", "\t", ";")]),
            [cell.strip() for cell in re.split(r"\s{2,}|\t", bare.strip())],
            split_line(bare, " "),
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


def _closed(cells: list[str], fields: int) -> list[str]:
    """Cells, those parted within brackets joined again where they are more than the columns."""
    joined: list[str] = []
    for cell in cells:
        if joined and joined[-1].count("(") > joined[-1].count(")") and len(cells) > fields:
            joined[-1] += f", {cell}"
        else:
            joined.append(cell)
    return joined


def _is_units(cells: list[str]) -> bool:
    first = ["unit"] if cells and plain(cells[0]) in ("unit", "units", "einheit") else []
    known = [read_unit(cell) is not None for cell in cells[len(first) :] if cell]
    return bool(known) and all(known)


def _is_names(line: str, cells: list[str]) -> bool:
    parts = [part for mark in ",;\t" for part in split_line(line, mark)]
    if not any(cells) or any(NUMBERS["."].fullmatch(cell) for cell in (*cells, *parts)):
        return False
    first = cells[0]
    # "Model, ABC" just above the data is an entry, not a heading.
    is_entry = first.endswith((":", "=")) or _ENTRY.search(plain(first)) is not None
    with_unit = any(split_unit(cell)[1] and not read_unit(cell) for cell in cells)
    if len(cells) == 2 and not names_time(first) and is_entry and not with_unit:
        return False
    return not (len(cells) == 1 and re.search(r"[:=]", cells[0]))


def _distinct(
    headings: list[str], above: list[Line], layout: Layout, used: set[int | None]
) -> list[str]:
    """Tell columns of one name apart, by a preamble row that has a label for each, or by number."""
    for i in range(len(above) - 1, -1, -1):
        cells = _heading_cells(above[i].text, layout) or []
        labels = cells[1 : layout.fields]
        if i in used or len(cells) != layout.fields or not all(labels):
            continue
        if len(set(labels)) == len(labels) and not any(
            NUMBERS["."].fullmatch(label) for label in labels
        ):
            return [headings[0]] + [
                f"{label} {re.sub(r'^[^(]*', '', heading)}".strip()
                for label, heading in zip(labels, headings[1:], strict=True)
            ]
    repeated = {name for name in headings if name and headings.count(name) > 1}
    return [
        f"column {i + 1} {name}" if name in repeated else name for i, name in enumerate(headings)
    ]


# --------------------------------------------------------------------- channels in long lines

_WIDE = 64
"""Cells of a line that are samples rather than channels …"""
_FEW_LINES = 20
"""… where there are fewer such lines than this, and few others."""
_MAX_LINES = 500
_HEAD = 1 << 15
"""Characters whose lines tell most files from such a one."""

_WIDE_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class WideLine:
    """A line of one channel: what stands before its numbers, and the numbers as written."""

    name: str
    cells: Sequence[str]


def wide_lines(text: str) -> list[WideLine]:
    """The lines that hold a channel each; none when the samples stand below each other.

    Parameters
    ----------
    text : str
        The whole export.
    """
    if len(text) < 2 * _WIDE or text.count("\n", 0, _HEAD) > _MAX_LINES:
        return []
    if text.count("\n") > _MAX_LINES:
        return []
    found = [
        wide
        for line in text.splitlines()
        if len(line) >= 2 * _WIDE and (wide := _wide_line(line)) is not None
    ]
    return found if len(found) < _FEW_LINES and any(line.cells for line in found) else []


def _wide_line(line: str) -> WideLine | None:
    for mark in "\t;|, ":
        cells = split_line(line, mark) if line.count(mark) >= _WIDE - 1 else []
        while cells and not cells[-1]:
            cells.pop()
        numbers = [_WIDE_NUMBER.fullmatch(cell) is not None for cell in cells]
        begin = numbers.index(True) if True in numbers else len(cells)
        if len(cells) - begin >= _WIDE and all(numbers[begin:]):
            return WideLine(" ".join(cells[:begin]).rstrip(" :="), cells[begin:])
        if len(cells) == begin >= _WIDE:
            return WideLine("heading", ())
    return None


def read_rows(file: str, text: str, wide: Sequence[WideLine], inferred: dict[str, str]) -> Table:
    """The table that a few long lines make when set upright.

    Parameters
    ----------
    file : str
        Name, for messages.
    text : str
        The whole export; its other lines are the preamble.
    wide : sequence of WideLine
        From ``wide_lines``.
    inferred : dict
        What was worked out is added here.

    Raises
    ------
    WaveformUnreadable
        The lines are of several lengths, or below a heading, as records of several drops are.
    """
    lengths = {len(line.cells) for line in wide}
    if len(lengths) > 1:
        raise WaveformUnreadable(
            f"{file}: {len(wide)} long lines that don't match, probably records of several "
            "drops; one record a file is needed, its samples below each other"
        )
    comma = any("," in cell for line in wide for cell in line.cells)
    preamble = Preamble(decimal="," if comma else ".")
    for other in text.splitlines():
        if len(other) < 2 * _WIDE:
            preamble.note_line(other, ",", split_line)
    inferred["decimal mark"] = "comma" if comma else "point"
    inferred["data"] = f"in {len(wide)} lines of {lengths.pop()} samples"
    arrays: dict[str, FloatArray] = {}
    for number, line in enumerate(wide, start=1):
        name = line.name if line.name and line.name not in arrays else f"row {number} {line.name}"
        arrays[name.strip()] = np.array([float(cell.replace(",", ".")) for cell in line.cells])
    return from_arrays(file, arrays, preamble, inferred)
