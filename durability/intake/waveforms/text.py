"""A text export → its table of numbers."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from durability.intake.waveforms.doubts import refuse_words_in_turn
from durability.intake.waveforms.layout import (
    CLOCK,
    DELIMITERS,
    MISSING,
    Layout,
    find_layout,
    is_number,
    lines_of,
    part_unit,
    row_shape,
    split_line,
)
from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.table import (
    Column,
    Table,
    find_headings,
    from_arrays,
    json_arrays,
    read_rows,
    wide_lines,
)
from durability.intake.waveforms.words import TIME_UNITS, Unit, read_unit
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.record.records import FloatArray

_HALF_DAY_S = 43_200.0
_BLANK_LINE = re.compile(r"\n[ \t]*\r?(?=\n)")
_MOST_FOOTER_LINES = 200
_TAIL = 1 << 12
"""Enough of a text's end to hold rows of its data."""
_TOUCHING_EXPONENT = re.compile(r"(?<=\d[eE][+-]\d\d)(?=[+-]\d*\.\d)")
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
    of_json = Preamble()
    if delimiter is None and (arrays := json_arrays(text, of_json)) is not None:
        longest = max(each.size for each in arrays.values())
        arrays = {name: each for name, each in arrays.items() if each.size == longest}
        inferred["format"] = "JSON"
        return from_arrays(file, arrays, of_json, inferred)
    text = _tidied(text)
    if delimiter is None and first_line is None and (wide := wide_lines(text)):
        return read_rows(file, text, wide, inferred)
    lines, layout = find_layout(file, text, delimiter, decimal, first_line)
    start = lines[layout.first].start
    first_number = lines[layout.first].number
    footer: list[str] = []
    between: list[str] = []
    if (numbers := _numbers_alone(text[start:], layout)) is None:
        text, footer = _footer_apart(text, start, layout)
        text, between = _without_lines_between(text, start, layout)
    known = {re.sub(r"\d+", "0", line.text.strip()) for line in lines[: layout.first]}
    news = [words for words in between if re.sub(r"\d+", "0", words) not in known]
    for words in news:
        names = split_line(words, layout.delimiter)
        is_head = len(names) == layout.fields > 1
        if is_head and not any(is_number(cell, layout.number) for cell in names):
            raise WaveformUnreadable(
                f"{file}: {words[:60]!r} among the rows, as the head of other columns; one record a"
                " file is needed, with the same columns throughout"
            )
    above = lines[: layout.first]
    preamble = Preamble(decimal=layout.decimal)
    shown = lines[layout.first : layout.first + layout.rows]
    cells = [split_line(line.text, layout.delimiter)[layout.skipped :] for line in shown]
    head = _head(cells, layout)
    columns = find_headings(above, layout, preamble, rows_numbered=_climbs_by_one(head[:, 0]))
    if layout.skipped:
        for line in shown:
            key, *value = split_line(line.text, layout.delimiter)[: layout.skipped]
            preamble.note(key, *value)
    for words in (*news, *footer):
        preamble.note_line(words, layout.delimiter, split_line)
    given = ", given"
    inferred["delimiter"] = DELIMITERS.get(layout.delimiter, layout.delimiter)
    inferred["delimiter"] += given if delimiter else ""
    inferred["decimal mark"] = "comma" if layout.decimal == "," else "point"
    inferred["decimal mark"] += given if decimal else ""
    inferred["data"] = f"from line {first_number} on, columns of numbers: {layout.fields}"
    inferred["data"] += given if first_line else ""

    def place(row: int) -> str:
        return f"line {_line_of_row(text, start, row, first_number)}"

    beside = _units_beside(cells, layout)

    def broken_at() -> int | None:
        return _blank_line(text, start, first_number)

    def load(wanted: list[int]) -> list[FloatArray]:
        if numbers is not None:
            return [numbers[i] for i in wanted]
        return _load(file, text[start:], first_number, layout, wanted, beside)

    told = []
    for i, (kind, found) in enumerate(zip(layout.kinds, columns, strict=True)):
        if kind == "U" or i in beside:
            unit = _base_unit(file, found, i, cells, layout, beside.get(i))
            told.append(replace(found, unit=unit, unit_from="the cells"))
            head[:, i] = _amounts_of(cells, i, layout, beside.get(i))
        elif kind == "N":
            told.append(found)
        else:
            if kind == "W":
                turns = [row[i] for row in cells if i < len(row)]
                refuse_words_in_turn(file, found.heading, turns)
            unit = TIME_UNITS["s"] if kind == "C" else read_unit("index")
            told.append(replace(found, unit=unit, unit_from="the cells"))
    if between:
        inferred["noticed"] = f"left out among the rows: {between[0][:60]!r}"
        inferred["noticed"] += f" and {len(between) - 1} more" if len(between) > 1 else ""
    return Table(file, tuple(told), head, load, place, preamble, inferred, broken_at)


def _climbs_by_one(values: FloatArray) -> bool:
    return values.size > 1 and bool(np.all(np.diff(values) == 1.0))


_SINGLE_QUOTED_NUMBER = re.compile(r"(?<![^\s,;|])'[+-]?[\d.,][^'\r\n]*'(?![^\s,;|])")
_SINGLE_QUOTED = re.compile(r"(?<![^\s,;|])'(?P<cell>[^'\r\n]+)'(?![^\s,;|])")
_BROKEN_CELL = re.compile(
    r'^(?P<begin>[^"\r\n]*(?:"[^"\r\n]*"[^"\r\n]*)*"[^"\r\n]*)(?P<end>\r?\n)(?=[^"\r\n]*")',
    re.MULTILINE,
)


_USUAL = str.maketrans("\u2212\uff1a\uff0c\u00a0\u202f\u2009\u3000", "-:,    ")


def _tidied(text: str) -> str:
    """The text with signs, blanks and exponents in their plain form, character for character.

    A line that breaks within a quoted cell of the head goes on behind a vertical tab.
    """
    if not text.isascii():
        text = text.translate(_USUAL)
    tail = text[-_TAIL:]
    if "'" in tail and _SINGLE_QUOTED_NUMBER.search(tail):
        text = _SINGLE_QUOTED.sub(r'"\g<cell>"', text)
    head = text[:_TAIL]
    if '"' in head and _BROKEN_CELL.search(head):
        # Once for each break: the next may begin in what was just joined.
        for _ in range(head.count('"')):
            head = _BROKEN_CELL.sub(
                lambda found: found["begin"] + "\v".rjust(len(found["end"])), head, count=1
            )
        text = head + text[_TAIL:]
    tail = text[-_TAIL:]
    if "d" in tail.casefold() and _FORTRAN_EXPONENT.search(tail):
        text = _FORTRAN_EXPONENT.sub("e", text)
    if _TOUCHING_EXPONENT.search(tail):
        text = _TOUCHING_EXPONENT.sub(" ", text)
    return text


# ------------------------------------------------------------------------------- the numbers


def _seconds(cell: str) -> float:
    """Seconds since midnight of a time of day; NaN for anything else."""
    parts = CLOCK.fullmatch(cell.strip().strip('"'))
    if parts is None:
        return float("nan")
    hours = 24.0 * int(parts["days"] or 0) + int(parts["hours"] or 0)
    seconds = float(re.sub("[,:]", ".", parts["seconds"]))
    return 3600.0 * hours + 60.0 * int(parts["minutes"]) + seconds


def _through_midnight(seconds: FloatArray) -> FloatArray:
    """Times of day that go on where the clock begins anew, after 12 or 24 hours."""
    jumps = np.rint(np.diff(seconds, prepend=seconds[:1]) / _HALF_DAY_S)
    return seconds - _HALF_DAY_S * np.cumsum(np.minimum(jumps, 0.0))


def _head(rows: Sequence[list[str]], layout: Layout) -> FloatArray:
    """The rows that settled the layout, shape (n_rows, n_fields); NaN where there is no number."""
    is_plain = set(layout.kinds) == {"N"} and layout.decimal == "." and not layout.parted_by
    if is_plain and {len(row) for row in rows} == {layout.fields}:
        try:
            return np.array([[*map(float, row)] for row in rows])
        except ValueError:  # a hole among them
            pass
    return np.array([_numbers(row[: layout.fields], layout) for row in rows], dtype=np.float64)


def _numbers(cells: list[str], layout: Layout) -> list[float]:
    values = []
    for cell in cells:
        if layout.number.fullmatch(cell):
            values.append(_plain_number(cell, layout))
        else:
            values.append(_seconds(cell))
    return values + [float("nan")] * (layout.fields - len(values))


def _units_beside(cells: list[list[str]], layout: Layout) -> dict[int, int]:
    """Columns of numbers → the column right of each that holds nothing but a unit."""
    return {
        i - 1: i
        for i, kind in enumerate(layout.kinds)
        if kind == "W" and i > 0 and layout.kinds[i - 1] == "N"
        if all(len(row) > i and read_unit(row[i]) is not None for row in cells)
    }


def _base_unit(
    file: str,
    found: Column,
    index: int,
    cells: list[list[str]],
    layout: Layout,
    beside: int | None,
) -> Unit | None:
    """The unit to which the cells of a column are brought: s, V or g for the usual ones."""
    units = {_cell_amount(row, index, layout, beside)[1] for row in cells} - {None}
    quantities = {unit.quantity for unit in units if unit is not None}
    if found.unit is not None and quantities != {found.unit.quantity}:
        raise WaveformUnreadable(
            f"{file}: the cells below {found.heading!r} are in"
            f" {' and '.join(sorted(u.symbol or 'another unit' for u in units if u))}; one unit is"
            " needed, in the heading or in the cells"
        )
    if len(quantities) != 1:
        return None
    symbol = {"time": "s", "voltage": "V", "acceleration": "g"}.get(next(iter(quantities)))
    return read_unit(symbol) if symbol else next(iter(units))


def _cell_amount(
    row: list[str], index: int, layout: Layout, beside: int | None
) -> tuple[float, Unit | None]:
    """A cell's number in its base unit, and the unit that it or the cell beside it brings."""
    cell = row[index] if index < len(row) else ""
    if beside is not None:
        cell += row[beside] if beside < len(row) else ""
    parted = part_unit(cell, layout.number)
    if parted is None:
        return float("nan"), None
    return _plain_number(parted[0], layout) * parted[1].factor, parted[1]


def _amounts_of(
    cells: Iterable[list[str]], index: int, layout: Layout, beside: int | None
) -> list[float]:
    return [_cell_amount(row, index, layout, beside)[0] for row in cells]


def _plain_number(cell: str, layout: Layout) -> float:
    plain_cell = cell.replace(layout.parted_by, "") if layout.parted_by else cell
    return float(plain_cell.replace(",", "."))


_FEW_COLUMNS = 4
"""Time and three axes: of more, only those that are needed are read."""
_BEHIND = "\x1a\x00 \t\r\n"


def _numbers_alone(data: str, layout: Layout) -> list[FloatArray] | None:
    """Each column of rows that hold nothing but numbers, as most do; None of others."""
    wanted = list(range(layout.fields))
    is_plain = set(layout.kinds) == {"N"} and not layout.skipped and layout.parted_by is None
    if not is_plain or layout.fields > _FEW_COLUMNS or layout.delimiter == " ":
        return None
    if not data[-2:-1].isdigit():  # else one end of line at most
        data = data.rstrip(_BEHIND)
    if _parted_after_all(data, layout, wanted) is not layout:
        return None
    try:
        frame = _frame(data, layout, None, are_plain=True)
    except (ValueError, pd.errors.ParserError):
        return None
    return [frame[i].to_numpy() for i in wanted] if frame.shape[1] == layout.fields else None


def _load(
    file: str,
    data: str,
    first_number: int,
    layout: Layout,
    wanted: list[int],
    beside: dict[int, int],
) -> list[FloatArray]:
    data = data.rstrip(_BEHIND)
    if layout.parted_by is None:
        layout = _parted_after_all(data, layout, wanted)
    # Fields of fixed width that touch without a mark leave their row a field short.
    last = layout.fields - 1
    if layout.delimiter == " " and last not in wanted and layout.kinds[-1] == "N":
        *columns, counted = _load(file, data, first_number, layout, [*wanted, last], beside)
        short = np.flatnonzero(np.isnan(counted))
        if short.size and short[0] < counted.size - short.size:
            raise WaveformUnreadable(
                f"{file}, line {_line_of_row(data, 0, int(short[0]), first_number)}: fewer fields"
                " than in the rows above, so two of them may touch; export with a delimiter"
            )
        return columns
    for are_plain in (True, False):
        # Most files hold nothing but numbers, which takes less time to read.
        try:
            return _parse(data, layout, wanted, beside, are_plain=are_plain)
        except (ValueError, pd.errors.ParserError):
            continue
    layout = _parted_further_down(data, layout)
    data = _cut_apart(data, layout)
    data = _without_footer(file, data, first_number, layout, wanted)
    try:
        return _parse(data, layout, wanted, beside)
    except (ValueError, pd.errors.ParserError) as fault:
        raise WaveformUnreadable(
            f"{file}: the rows from line {first_number} on can't be read as numbers; one sample a "
            "line is needed, with the same columns in each"
        ) from fault


_AT_ONCE = 2**24
"""Characters up to which a text is taken apart at once, in less time and more memory."""


def _frame(
    data: str,
    layout: Layout,
    wanted: Mapping[int, type] | None,
    *,
    are_plain: bool = False,
) -> pd.DataFrame:
    """Columns by index, each as what it is; all of them as numbers when none are named."""
    kinds = {layout.skipped + i: kind for i, kind in (wanted or {}).items()}
    return pd.read_csv(
        io.BytesIO(data.encode()),
        sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
        decimal=layout.decimal,
        thousands=layout.parted_by,
        header=None,
        usecols=list(kinds) or None,
        dtype=kinds or np.float64,
        # Looking for blanks costs as much as a tenth of the numbers, and few files have any.
        skipinitialspace=any(blank in data for blank in " \t" if blank != layout.delimiter),
        low_memory=len(data) > _AT_ONCE,
        na_values=None if are_plain else ["-", "--", "---", "****", "OL", "ol"],
        na_filter=not are_plain,
        engine="c",
    )


def _parse(
    data: str,
    layout: Layout,
    wanted: list[int],
    beside: dict[int, int],
    *,
    are_plain: bool = False,
) -> list[FloatArray]:
    needed = sorted({*wanted, *(beside[i] for i in wanted if i in beside)})
    as_text = [i for i in needed if layout.kinds[i] != "N" or i in beside]
    kinds = {i: str if i in as_text else np.float64 for i in needed}
    are_plain &= not as_text
    frame = _frame(data, layout, kinds, are_plain=are_plain)
    columns = {i: frame[layout.skipped + i] for i in needed}
    cells = {i: [str(cell).strip().strip('"') for cell in columns[i]] for i in as_text}
    parsed = []
    for i in wanted:
        if i in beside or layout.kinds[i] == "U":
            rows = zip(cells[i], cells[beside.get(i, i)], strict=True)
            pair = 1 if i in beside else None
            parsed.append(np.array(_amounts_of(map(list, rows), 0, layout, pair)))
        elif layout.kinds[i] in "DW":
            parsed.append(pd.factorize(columns[i])[0].astype(np.float64))
        elif layout.kinds[i] == "C":
            parsed.append(_through_midnight(np.array(list(map(_seconds, cells[i])))))
        else:
            parsed.append(columns[i].to_numpy())
    return parsed


def _parted_further_down(data: str, layout: Layout) -> Layout:
    """The layout with a mark between thousands that the first rows were too small to show.

    A mark that also parts the columns must stand within quotes.
    """
    marks = [mark for mark in ".,' " if mark not in (layout.decimal, layout.parted_by)]
    for mark in marks if layout.parted_by is None else ():
        m, shown = re.escape(mark), data
        if mark == layout.delimiter:
            shown = "\n".join(re.findall(r'"([^"\n]*)"', data))
        elif mark == " ":
            # Around a number they part nothing.
            shown = re.sub(rf" *([\r\n{re.escape(layout.delimiter)}]) *", r"\1", data)
        ill = re.search(rf"(?<!\d){m}|{m}(?!\d{{3}}(?!\d))|(?<!\d)0\d*{m}|\d{{4}}{m}", shown)
        if mark in shown and not ill:
            return replace(layout, parted_by=mark)
    return layout


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
    frame = _frame(data, layout, dict.fromkeys(wanted, str))
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
    """The rows of numbers, without words that follow them; words elsewhere are refused.

    A line that begins with a number or a time is a row, whatever else stands in it: "OVERLOAD".
    """
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
        begins_as_row = bool(cells) and is_number(cells[0], number)
        is_footer = len(rest) <= _MOST_FOOTER_LINES and not begins_as_row
        if line.start and is_footer and (layout.skipped, layout.kinds) not in shapes:
            return data[: line.start]
        raise WaveformUnreadable(
            f"{file}, line {first_number + line.number - 1}: {bad[0]!r} where a number "
            "belongs; data rows hold numbers only"
        )
    return data


def _footer_apart(text: str, start: int, layout: Layout) -> tuple[str, list[str]]:
    """The text without the lines below its data that begin with a word, and those lines."""
    if layout.kinds[0] not in "NCU":
        return text, []
    footer: list[str] = []
    kept = text.rstrip(_BEHIND)
    while len(footer) < _MOST_FOOTER_LINES:
        begin = max(kept.rfind("\n"), kept.rfind("\r")) + 1
        line = kept[begin:]
        first = split_line(line, layout.delimiter)[0] if line.strip() else ""
        is_words = bool(re.search(r"[^\W\d_]|[#=*-]{3}", first)) and (
            not is_number(first, layout.number) and first.casefold() not in MISSING
        )
        if begin <= start or (line.strip() and not is_words):
            break
        if is_words:
            footer.append(line.strip())
        kept = kept[:begin].rstrip("\r\n \t")
    return (kept if footer else text), footer[::-1]


_OF_ROWS = b"0123456789+-.,;|:'\" \t\r\neE"
_WORDS = re.compile(r"^[ \t\f]*(?:[^\s\d+.,;|'\"-]|-{3})[^\r\n]*", re.MULTILINE)
_TOUCHING = re.compile(r"[+-]?\d*\.(?P<decimals>\d+)(?P<exponent>[eE][+-]?(?P<digits>\d+))?")


def _without_lines_between(text: str, start: int, layout: Layout) -> tuple[str, list[str]]:
    """The text with blank lines for those of words among its rows, and these: heads of pages.

    Where time goes on over such a line the record does; else it ends there, as at a blank one.
    """
    if layout.skipped or not set(layout.kinds) <= set("NCU"):
        return text, []
    found = []

    def blanked(line: re.Match[str]) -> str:
        first = split_line(line[0], layout.delimiter)[0]
        if line.start() < start or first.casefold() in MISSING or is_number(first, layout.number):
            return line[0]
        found.append(line[0].strip())
        return ""

    # Most files have none, which their letters tell at once.
    rows = text[start:].encode()
    dash = np.frombuffer(rows, dtype=np.uint8) == ord("-")
    if not rows.translate(None, _OF_ROWS) and not (dash[2:] & dash[1:-1] & dash[:-2]).any():
        return text, []
    kept = _WORDS.sub(blanked, text)
    return (kept, found) if found else (text, [])


def _cut_apart(data: str, layout: Layout) -> str:
    """Rows whose fields touch, cut by the decimals that each field has in the first row."""
    first = next(lines_of(data, len(data)), None)
    cells = first.text.split() if first is not None else []
    fields = [found for cell in cells if (found := _TOUCHING.fullmatch(cell))]
    if layout.delimiter != " " or not len(cells) == len(fields) == layout.fields:
        return data
    blanks, parts = r"[ \t]*", []
    for field in fields:
        digits = f"{{{len(field['digits'])}}}" if field["exponent"] else ""
        exponent = rf"[eE][+-]?\d{digits}" if digits else ""
        parts.append(rf"([+-]?\d*\.\d{{{len(field['decimals'])}}}{exponent})")
    row = re.compile(rf"^{blanks}{blanks.join(parts)}{blanks}(?=\r?$)", re.MULTILINE)
    return row.sub(lambda found: " ".join(found.groups()), data)


def _blank_line(text: str, start: int, first_number: int) -> int | None:
    """Number of the first blank line among the data, unless such a line follows each of them."""
    found = _BLANK_LINE.search(text, start) if "\n\n" in text or "\n\r\n" in text else None
    if found is None or not text[found.end() :].strip():
        return None
    rows = text.count("\n", start)
    if 2 * len(_BLANK_LINE.findall(text, start)) >= rows - 2:
        return None
    return first_number + text.count("\n", start, found.start()) + 1


def _line_of_row(text: str, start: int, row: int, first_number: int) -> int:
    for index, line in enumerate(lines_of(text[start:], len(text))):
        if index == row:
            return first_number + line.number - 1
    return first_number + row
