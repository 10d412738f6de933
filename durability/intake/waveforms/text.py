"""A text export → its table of numbers."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from durability.errors import WaveformUnreadable
from durability.intake.waveforms.headings import find_headings
from durability.intake.waveforms.layout import (
    CLOCK,
    DELIMITERS,
    MISSING,
    Layout,
    find_layout,
    is_number,
    lines_of,
    row_shape,
    split_line,
)
from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.rows import read_rows, wide_lines
from durability.intake.waveforms.table import Column, Table
from durability.intake.waveforms.words import TIME_UNITS, read_unit

if TYPE_CHECKING:
    from durability.records import FloatArray

_HALF_DAY_S = 43_200.0
_TAIL = 1 << 12
"""Enough of a text's end to hold rows of its data."""
_FORTRAN_EXPONENT = re.compile(r"(?<=\d)[dD](?=[+-]\d\d)")


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
    text = _tidied(text)
    if delimiter is None and first_line is None and (wide := wide_lines(text, split_line)):
        return read_rows(file, text, wide, split_line, inferred)
    lines, layout = find_layout(file, text, delimiter, decimal, first_line)
    above = lines[: layout.first]
    preamble = Preamble(decimal=layout.decimal)
    shown = lines[layout.first : layout.first + layout.rows]
    head = np.array([_numbers(line.text, layout) for line in shown], dtype=np.float64)
    columns = find_headings(above, layout, preamble, rows_numbered=_climbs_by_one(head[:, 0]))
    if layout.skipped:
        for line in shown:
            key, *value = split_line(line.text, layout.delimiter)[: layout.skipped]
            preamble.note(key, *value)
    start = lines[layout.first].start
    first_number = lines[layout.first].number
    given = ", given"
    inferred["delimiter"] = DELIMITERS.get(layout.delimiter, layout.delimiter)
    inferred["delimiter"] += given if delimiter else ""
    inferred["decimal mark"] = "comma" if layout.decimal == "," else "point"
    inferred["decimal mark"] += given if decimal else ""
    inferred["data"] = f"from line {first_number} on, columns of numbers: {layout.fields}"
    inferred["data"] += given if first_line else ""

    def place(row: int) -> str:
        return f"line {_line_of_row(text, start, row, first_number)}"

    def load(wanted: list[int]) -> list[FloatArray]:
        return _load(file, text[start:], first_number, layout, wanted, clocks)

    clocks = frozenset(i for i, kind in enumerate(layout.kinds) if kind == "C")
    units = {"C": TIME_UNITS["s"], "D": read_unit("index"), "W": read_unit("index")}
    columns = tuple(
        found if kind == "N" else Column(found.heading, found.name, units[kind])
        for kind, found in zip(layout.kinds, columns, strict=True)
    )
    return Table(file, columns, head, load, place, preamble, inferred)


def _climbs_by_one(values: FloatArray) -> bool:
    return values.size > 1 and bool(np.all(np.diff(values) == 1.0))


def _tidied(text: str) -> str:
    """The text with signs, blanks and exponents in their plain form, character for character."""
    for odd, usual in (("\u2212", "-"), ("\u00a0", " "), ("\u202f", " "), ("\u2009", " ")):
        if odd in text:
            text = text.replace(odd, usual)
    if _FORTRAN_EXPONENT.search(text[-_TAIL:]):
        text = _FORTRAN_EXPONENT.sub("e", text)
    return text


# ------------------------------------------------------------------------------- the numbers


def _seconds(cell: str) -> float:
    """Seconds since midnight of a time of day; NaN for anything else."""
    parts = CLOCK.fullmatch(cell.strip().strip('"'))
    if parts is None:
        return float("nan")
    seconds = float(re.sub("[,:]", ".", parts[3]))
    return 3600.0 * int(parts[1]) + 60.0 * int(parts[2]) + seconds


def _through_midnight(seconds: FloatArray) -> FloatArray:
    """Times of day that go on where the clock begins anew, after 12 or 24 hours."""
    jumps = np.rint(np.diff(seconds, prepend=seconds[:1]) / _HALF_DAY_S)
    return seconds - _HALF_DAY_S * np.cumsum(np.minimum(jumps, 0.0))


def _numbers(line: str, layout: Layout) -> list[float]:
    cells = split_line(line, layout.delimiter)[layout.skipped :][: layout.fields]
    values = []
    for cell in cells:
        if layout.number.fullmatch(cell):
            plain_cell = cell.replace(layout.parted_by, "") if layout.parted_by else cell
            values.append(float(plain_cell.replace(",", ".")))
        else:
            values.append(_seconds(cell))
    return values + [float("nan")] * (layout.fields - len(values))


def _load(
    file: str,
    data: str,
    first_number: int,
    layout: Layout,
    wanted: list[int],
    clocks: frozenset[int],
) -> list[FloatArray]:
    data = data.rstrip("\x1a\x00 \t\r\n")
    if layout.parted_by is None:
        layout = _parted_after_all(data, layout, wanted)
    try:
        return _parse(data, layout, wanted, clocks)
    except (ValueError, pd.errors.ParserError):
        layout = _parted_further_down(data, layout)
        data = _without_footer(file, data, first_number, layout, wanted)
    try:
        return _parse(data, layout, wanted, clocks)
    except (ValueError, pd.errors.ParserError) as fault:
        raise WaveformUnreadable(
            f"{file}: the rows from line {first_number} on can't be read as numbers; one sample a "
            "line is needed, with the same columns in each"
        ) from fault


def _frame(data: str, layout: Layout, wanted: list[int], dtypes: Sequence[type]) -> pd.DataFrame:
    return pd.read_csv(
        io.BytesIO(data.encode()),
        sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
        decimal=layout.decimal,
        thousands=layout.parted_by,
        header=None,
        usecols=[layout.skipped + i for i in wanted],
        dtype={layout.skipped + i: kind for i, kind in zip(wanted, dtypes, strict=True)},
        skipinitialspace=True,
        na_values=["-", "--", "---", "****", "OL", "ol"],
        engine="c",
    )


def _parse(
    data: str, layout: Layout, wanted: list[int], clocks: frozenset[int]
) -> list[FloatArray]:
    dtypes = [str if i in clocks else np.float64 for i in wanted]
    frame = _frame(data, layout, wanted, dtypes)
    return [
        _through_midnight(np.array([_seconds(str(cell)) for cell in frame[layout.skipped + i]]))
        if i in clocks
        else frame[layout.skipped + i].to_numpy()
        for i in wanted
    ]


def _parted_further_down(data: str, layout: Layout) -> Layout:
    """The layout with a mark between thousands that the first rows were too small to show."""
    mark = "," if layout.decimal == "." else "."
    if layout.parted_by or mark == layout.delimiter or mark not in data:
        return layout
    m = re.escape(mark)
    ill = re.search(rf"(?<!\d){m}|{m}(?!\d{{3}}(?!\d))|(?<!\d)0\d*{m}|\d{{4}}{m}", data)
    return layout if ill else replace(layout, parted_by=mark)


def _parted_after_all(data: str, layout: Layout, wanted: list[int]) -> Layout:
    """The layout with its mark between thousands where no number needs it for decimals.

    Among whole numbers below a thousand, 1,234 is a larger one of them.
    """
    mark = layout.decimal
    if mark == layout.delimiter or mark not in data:
        return layout
    m = re.escape(mark)
    if re.search(rf"(?<!\d){m}|(?<!\d)0\d*{m}|\d{{4}}{m}|{m}(?!\d{{3}}(?!\d))", data):
        return layout
    frame = _frame(data, layout, wanted, [str] * len(wanted))
    for i in wanted:
        cells = frame[layout.skipped + i].dropna()
        marked = cells.str.contains(mark, regex=False)
        rest = cells[~marked]
        if marked.any() and rest.size and rest.str.fullmatch(r"\s*[+-]?\d{1,3}\s*").all():
            return replace(layout, decimal="," if mark == "." else ".", parted_by=mark)
    return layout


def _without_footer(
    file: str, data: str, first_number: int, layout: Layout, wanted: list[int]
) -> str:
    """The rows of numbers, without words that follow them; words elsewhere are refused."""
    number = layout.number
    for line in lines_of(data, len(data)):
        cells = split_line(line.text, layout.delimiter)[layout.skipped :]
        bad = [
            cells[i]
            for i in wanted
            if i < len(cells)
            and not is_number(cells[i], number)
            and cells[i].casefold() not in MISSING
        ]
        if not bad:
            continue
        rest = [later.text for later in lines_of(data[line.start :], len(data))]
        shapes = [row_shape(split_line(text, layout.delimiter), number) for text in rest]
        if line.start and (layout.skipped, layout.kinds) not in shapes:
            return data[: line.start]
        raise WaveformUnreadable(
            f"{file}, line {first_number + line.number - 1}: {bad[0]!r} stands where a number "
            "belongs; data rows hold numbers only"
        )
    return data


def _line_of_row(text: str, start: int, row: int, first_number: int) -> int:
    for index, line in enumerate(lines_of(text[start:], len(text))):
        if index == row:
            return first_number + line.number - 1
    return first_number + row
