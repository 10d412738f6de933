"""CSV and .xlsx tables, as labs keep them, with their source; no type guessing."""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from durability.intake.columns import COLUMNS, FILE_KINDS, IN_OTHER_UNITS, FileKind, column_of
from durability.record.errors import UnusableCall
from durability.record.receipts import Rejection
from durability.record.whole_file import read_whole

HEADER_SEARCH_ROWS = 60
"""How far down the header row is looked for; lab sheets open with a dozen lines of notes."""

REJECTS_COLUMNS = ("source_file", "source_row", "reason", "row_as_read")
"""What a rejects file says beside the row as read; left out when the corrected file comes back."""


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How to read a sheet that was not made for this program."""

    rename: Mapping[str, str] = field(default_factory=dict)
    """Sheet column name → column of the file kind; an empty target leaves the column out."""
    constants: Mapping[str, str] = field(default_factory=dict)
    """Column → value that every row gets."""
    number_drops: bool = False
    """Drop numbers 1, 2, 3 … within each series, in the order of the rows."""
    skip_where_blank: str | None = None
    """Rows in which this sheet column is blank are not records (a row of means at the end)."""
    ignore_other_columns: bool = False
    void_blank_peaks: str | None = None
    """Rows without a peak are stored void with this reason: the drop happened, no one read it."""
    decimal_comma: bool = False
    sheet: str | None = None
    """Which sheet of a workbook."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file as text: one row a record, with ``source_row`` counted as a spreadsheet does."""

    file_name: str
    file_sha256: str
    frame: pd.DataFrame
    skipped_rows: tuple[int, ...]
    refused: tuple[Rejection, ...]
    """Rows that could not even be cut into columns."""
    names: Mapping[str, str] = field(default_factory=dict)
    """Column → the name that gives its cells another unit, like drop_height_in."""


@dataclass(frozen=True, slots=True)
class Table:
    """A file of which the header is known; what is below it waits to be cut into columns."""

    file_name: str
    file_sha256: str
    header: Sequence[str]
    header_at: int
    places: Mapping[str, int]
    """Column → its place in the rows."""
    constants: Mapping[str, str]
    options: SheetOptions
    unit_names: Mapping[str, str]
    skip_at: int | None
    delimiter: str
    text: str | None
    """What is below the header, where each of its lines is one row; else None, and …"""
    rows: Sequence[Sequence[str]]
    """… all rows of the file."""
    unusable: Mapping[int, Rejection]

    def sheet(self, lines: Sequence[tuple[int, str]] | None = None) -> Sheet:
        """The rows of the file as text, or those of some of its lines.

        Parameters
        ----------
        lines : sequence of (row, str), optional
            Lines of ``text``; by default the whole file.

        Returns
        -------
        Sheet
            ``frame`` has the kind's columns that the file brings, all text, "" where blank, and
            ``source_row``.

        Raises
        ------
        UnusableCall
            A line can't be read, or the file has no row.
        """
        if lines is None and self.text is not None:
            lines = list(enumerate(self.text.split("\n"), start=self.header_at + 2))
        if lines is None:
            numbered = enumerate(self.rows[self.header_at + 1 :], start=self.header_at + 2)
            return self._sheet(numbered)
        cut = (line + "\n" for _, line in lines)
        rows = _rows_of(self.file_name, cut, self.delimiter, [row for row, _ in lines])
        return self._sheet(zip((row for row, _ in lines), rows, strict=True))

    def _sheet(self, numbered: Iterable[tuple[int, Sequence[str]]]) -> Sheet:
        records, numbers, skipped, refused = [], [], [], []
        width, skip_at = len(self.header), self.skip_at
        for number, row in numbered:
            if number in self.unusable:
                refused.append(self.unusable[number])
                continue
            if not any(cell.strip() for cell in row):
                continue
            if len(row) > width and any(cell.strip() for cell in row[width:]):
                refused.append(
                    Rejection(
                        self.file_name,
                        number,
                        None,
                        ",".join(row),
                        f"{len(row)} fields where the header has {width}: a decimal comma, or a"
                        " comma in a text without quotes?",
                    )
                )
                continue
            if skip_at is not None and (skip_at >= len(row) or not row[skip_at].strip()):
                skipped.append(number)
                continue
            if len(row) < width:
                row = [*row, *[""] * (width - len(row))]
            records.append([row[at].strip() for at in self.places.values()])
            numbers.append(number)
        frame = pd.DataFrame(records, columns=list(self.places), dtype=object)
        for column, value in self.constants.items():
            frame[column] = value
        options = self.options
        if options.number_drops:
            frame["drop_number"] = (frame.groupby("series").cumcount() + 1).astype(str)
        if options.decimal_comma:
            frame = _point_decimals(frame)
        if options.void_blank_peaks is not None:
            blank = frame["peak_g"] == ""
            status = frame.get("status", pd.Series("", index=frame.index))
            frame["status"] = status.mask(blank, "void")
            reason = frame.get("void_reason", pd.Series("", index=frame.index))
            frame["void_reason"] = reason.mask(blank & (reason == ""), options.void_blank_peaks)
        frame["source_row"] = numbers
        names = (self.file_name, self.file_sha256, frame)
        return Sheet(*names, tuple(skipped), tuple(refused), self.unit_names)

    def refuse_empty(self) -> None:
        """Refuse the file: nothing is below its header."""
        raise UnusableCall(
            f"{self.file_name}: no record below the header in row {self.header_at + 1}"
        )


def open_table(path: Path, kind: str, options: SheetOptions | None = None) -> Table:
    """The header of a table, its columns under the names of its kind.

    Parameters
    ----------
    path : Path
        A delimited text file, UTF-8, comma or semicolon; or a workbook, .xlsx.
    kind : str
        A name of ``FILE_KINDS``.
    options : SheetOptions, optional
        Renamed columns and the like.

    Returns
    -------
    Table

    Raises
    ------
    UnusableCall
        The file can't be read, has no row, lacks a required column or has an unknown one.
    """
    options = options or SheetOptions()
    rules = FILE_KINDS[kind]
    content = _bytes_of(path)
    unusable: dict[int, Rejection] = {}
    merged: list[tuple[str, int]] = []
    renames = {source: target for source, target in options.rename.items() if target}
    constants = {column_of(name)[0]: value for name, value in options.constants.items()}
    supplied = {*constants, *(["drop_number"] if options.number_drops else [])}
    wanted = [name for name in rules.required if name not in supplied]
    known = {name: name for name in (*rules.columns, *IN_OTHER_UNITS)} | renames
    names = {source: column_of(name)[0] for source, name in known.items()}
    name, delimiter, text = str(path), ",", None
    if content[:4] == b"PK\x03\x04":
        name, rows, unusable, merged = _workbook(path, content, options.sheet)
    elif options.sheet is not None:
        raise UnusableCall(f"--sheet {options.sheet!r}: {path} is not a workbook and has no sheets")
    else:
        text = _text_of(path, content)
        delimiter = _delimiter_of(text, names, wanted)
        if not _is_line_by_line(text, options):
            rows, text = _rows_of(name, io.StringIO(text, newline=""), delimiter), None
        else:
            *head, text = [*text.split("\n", HEADER_SEARCH_ROWS), ""][: HEADER_SEARCH_ROWS + 1]
            rows = _rows_of(name, (line + "\n" for line in head), delimiter)
    if not any(any(cell.strip() for cell in row) for row in rows):
        raise UnusableCall(f"{name}: empty; the first row must name the columns")
    header_at, header = _find_header(rows, names, wanted)
    for cells, last_row in merged:
        if last_row > header_at:
            raise UnusableCall(
                f"{name}, cells {cells}: merged, so that it is open which rows they belong to;"
                " unmerge them and fill in each"
            )
    if text is not None:
        text = "\n".join([*head[header_at + 1 :], text])
    unfilled = _unfilled(header, rows[header_at + 1 :]) if constants else set()
    kept = [
        "" if source in unfilled and column_of(source)[0] in constants else source
        for source in header
    ]
    places = _column_names(name, header_at, kept, rules, options, wanted)
    said = (*options.constants, *(options.rename.get(source, source) for source in header))
    return Table(
        name,
        hashlib.sha256(content).hexdigest(),
        header,
        header_at,
        places,
        constants,
        options,
        {column_of(name)[0]: name for name in said if name in IN_OTHER_UNITS},
        _index_of(path, header, options.skip_where_blank),
        delimiter,
        text,
        rows,
        unusable,
    )


_DELIMITERS = ",;\t"
_SEARCHED = 100_000
"""Characters in which the row of names is searched for: fewer than csv takes in one field."""
_MOST_COLUMNS = 1000
_BLANK: list[str] = []


def _bytes_of(path: Path) -> bytes:
    try:
        content = read_whole(path)
    except FileNotFoundError:
        raise UnusableCall(f"{path}: no such file") from None
    except OSError as error:
        raise UnusableCall(f"{path}: can't be read ({error.strerror})") from None
    if not content.strip():
        raise UnusableCall(f"{path}: empty; the first row must name the columns")
    return content


def _text_of(path: Path, content: bytes) -> str:
    if content[:4] == b"\xd0\xcf\x11\xe0":
        raise UnusableCall(
            f"{path}: an old or protected workbook; save the sheet as .xlsx without a password, or"
            " as CSV UTF-8"
        )
    if b"\0" in content[:4096]:
        raise UnusableCall(f"{path}: not a text file; save the sheet as .xlsx or CSV UTF-8")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise UnusableCall(
            f"{path}, row {row}: byte {content[error.start]:#04x} is not UTF-8; save the sheet as"
            " CSV UTF-8"
        ) from None


def _is_line_by_line(text: str, options: SheetOptions) -> bool:
    """Whether each line of a text is a row, cut at each delimiter, whatever is beside it.

    Values given for all rows depend on what the column holds in every row.
    """
    return not (
        '"' in text or "\0" in text or text.count("\r") > text.count("\r\n") or options.constants
    )


def _rows_of(
    name: str, lines: Iterable[str], delimiter: str, numbers: Sequence[int] | None = None
) -> list[list[str]]:
    """Rows of lines; they may be numbered otherwise than one by one."""
    rows: list[list[str]] = []
    try:
        for row in csv.reader(lines, delimiter=delimiter, strict=True):
            if len(row) > _MOST_COLUMNS:
                number = len(rows) + 1 if numbers is None else numbers[len(rows)]
                raise UnusableCall(
                    f"{name}, row {number}: {len(row):,} fields, more than the"
                    f" {_MOST_COLUMNS:,} taken; not a table of records"
                )
            rows.append(row or _BLANK)
    except csv.Error as error:
        raise UnusableCall(f"{name}: not a CSV table ({error}); check its quotes") from None
    return rows


def _delimiter_of(text: str, names: Mapping[str, str], wanted: Sequence[str]) -> str:
    """What divides the cells of the row that names the columns, else of the first one."""
    lines = text[:_SEARCHED].lstrip().splitlines()[:HEADER_SEARCH_ROWS]
    for line in lines:
        for delimiter in _DELIMITERS:
            if _names_all(next(csv.reader([line], delimiter=delimiter), []), names, wanted):
                return delimiter
    return max(_DELIMITERS, key=lines[0].count)


def _names_all(row: Sequence[str], names: Mapping[str, str], wanted: Sequence[str]) -> bool:
    """Whether it is the header of a table that has all wanted columns."""
    return bool(wanted) and {names.get(cell.strip()) for cell in row}.issuperset(wanted)


def _find_header(
    rows: Sequence[Sequence[str]], names: Mapping[str, str], wanted: Sequence[str]
) -> tuple[int, list[str]]:
    """Row of the column names: the first that has all wanted ones, else the first row."""
    for at, row in enumerate(rows[:HEADER_SEARCH_ROWS]):
        if _names_all(row, names, wanted):
            return at, [cell.strip() for cell in row]
    at = next(at for at, row in enumerate(rows) if any(cell.strip() for cell in row))
    return at, [cell.strip() for cell in rows[at]]


def _unfilled(header: Sequence[str], rows: Sequence[Sequence[str]]) -> set[str]:
    """Columns that are blank in every row, as on a form: a value may be given for all of them."""
    filled = {at for row in rows for at, cell in enumerate(row) if cell.strip()}
    return {source for at, source in enumerate(header) if at not in filled}


def _column_names(
    path: str,
    header_at: int,
    header: list[str],
    rules: FileKind,
    options: SheetOptions,
    wanted: Sequence[str],
) -> dict[str, int]:
    """Which column of the kind stands at which place of the sheet."""
    row = f"row {header_at + 1}"
    for source in options.rename:
        if source not in header:
            raise UnusableCall(
                f"{path}, {row}: no column {source!r} to rename{_nearest(source, header)}"
            )
    for column in (*options.rename.values(), *options.constants):
        if column and column_of(column)[0] not in rules.columns:
            raise UnusableCall(
                f"{path}: {column!r} is not a column of {rules.name}"
                f"{_nearest(column, rules.columns)}"
            )
    names: dict[str, int] = {}
    given = {column_of(name)[0] for name in options.constants}
    for at, source in enumerate(header):
        if source in options.rename:
            column = column_of(options.rename[source])[0]
        elif column_of(source)[0] in rules.columns:
            column = column_of(source)[0]
        else:
            column = ""
            if source and source not in REJECTS_COLUMNS and not options.ignore_other_columns:
                raise UnusableCall(
                    f"{path}, {row}: unknown column {source!r}{_nearest(source, rules.columns)};"
                    f' rename it with --map "{source}=COLUMN", or leave it out with'
                    f' --map "{source}="'
                )
        if column in names or (column and column in given):
            raise UnusableCall(f"{path}, {row}: column {column!r} appears twice")
        if column:
            names[column] = at
    missing = [column for column in wanted if column not in names]
    if missing:
        unused = [source for source in header if source and source not in names]
        raise UnusableCall(
            f"{path}, {row}: no column {missing[0]!r}{_nearest(missing[0], unused)};"
            f" {rules.name} need {', '.join(rules.required)}"
        )
    return names


def _index_of(path: Path, header: Sequence[str], source: str | None) -> int | None:
    if source is None:
        return None
    if source not in header:
        raise UnusableCall(
            f"{path}: --skip-where-blank {source!r} is not a column{_nearest(source, header)}"
        )
    return list(header).index(source)


def _nearest(name: str, names: Sequence[str]) -> str:
    folded = {each.lower().replace(" ", "_"): each for each in names}
    near = difflib.get_close_matches(name.lower().replace(" ", "_"), folded, n=1, cutoff=0.5)
    return f" (nearest: {folded[near[0]]!r})" if near else ""


def _point_decimals(frame: pd.DataFrame) -> pd.DataFrame:
    frame = frame.copy()
    for name in (column for column in COLUMNS if column in frame):
        if COLUMNS[name].kind == "number":
            frame[name] = frame[name].str.replace(r"^(-?\d+),(\d+)(?!.*[.,])", r"\1.\2", regex=True)
    return frame


# -------------------------------------------------------------------------------- workbooks

MOST_UNPACKED_BYTES = 200_000_000
"""Of a workbook unpacked: some million rows of drops."""
MOST_CELLS = 20_000_000

_MERGED = re.compile(rb"<(?:\w+:)?mergeCell [^>]*?ref=\"(\$?[A-Z]+\$?\d+:\$?[A-Z]+\$?(\d+))\"")
_FORMULA = re.compile(rb"<(?:\w+:)?f[ />]")


def _workbook(
    path: Path, content: bytes, sheet: str | None
) -> tuple[str, list[list[str]], dict[int, Rejection], list[tuple[str, int]]]:
    """Name for messages, rows as text, rows without a usable value, merged cells and last row."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read(path, content, sheet)
    except UnusableCall:
        raise
    except Exception as fault:  # openpyxl does not say what it raises on damaged files
        words = "".join(str(fault).splitlines()[:1])[:120] or type(fault).__name__
        raise UnusableCall(
            f"{path}: not a readable workbook ({words}); save the sheet again as .xlsx or CSV UTF-8"
        ) from None


def _read(
    path: Path, content: bytes, sheet: str | None
) -> tuple[str, list[list[str]], dict[int, Rejection], list[tuple[str, int]]]:
    from openpyxl import load_workbook

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        size = sum(each.file_size for each in packed.infolist())
        if size > MOST_UNPACKED_BYTES:
            raise UnusableCall(
                f"{path}: {size / 1e6:,.0f} MB unpacked, more than the"
                f" {MOST_UNPACKED_BYTES / 1e6:.0f} MB read at once; split it, or save it as CSV"
            )
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        chosen = _chosen(path, book, sheet)
        raw = packed.read(chosen._worksheet_path)
    name = f"{path}, sheet {chosen.title!r}"
    formulas = None
    if _FORMULA.search(raw):
        second = load_workbook(io.BytesIO(content), read_only=True, keep_links=False)
        formulas = _cells(name, second[chosen.title])
    rows: list[list[str]] = []
    opens: dict[int, str] = {}
    for number, cells in enumerate(_cells(name, chosen), start=1):
        written = next(formulas, ()) if formulas is not None else ()
        row = []
        for at, cell in enumerate(cells):
            row.append(_text(cell))
            formula: Any = written[at] if at < len(written) else None
            is_open = cell.value is None and getattr(formula, "data_type", "") == "f"
            if is_open:
                opens[number] = f"cell {formula.coordinate}: formula {formula.value} has no stored"
                opens[number] += " value; open and save the workbook, or type the value"
            elif cell.data_type == "e":
                opens[number] = f"cell {cell.coordinate}: {row[-1]} where a value belongs; correct"
                opens[number] += " it, or leave it blank"
        while row and not row[-1]:
            row.pop()
        rows.append(row)
    merged = [(each[1].decode().replace("$", ""), int(each[2])) for each in _MERGED.finditer(raw)]
    unusable = {
        number: Rejection(name, number, None, ",".join(rows[number - 1]), words)
        for number, words in opens.items()
    }
    return name, rows, unusable, merged


def _chosen(path: Path, book: Any, sheet: str | None) -> Any:
    """The sheet that is meant: named, or the only one that has cells and is not hidden."""
    names = [each.title for each in book.worksheets]
    if sheet is not None:
        found = [each for each in book.worksheets if each.title == sheet]
        if not found:
            raise UnusableCall(
                f"--sheet {sheet!r}: not in {path}; it has {', '.join(map(repr, names)) or 'none'}"
            )
        return found[0]
    filled = [
        each for each in book.worksheets if each.sheet_state == "visible" and _has_cells(each)
    ]
    if len(filled) == 1:
        return filled[0]
    if not filled:
        raise UnusableCall(f"{path}: no sheet with cells; the first row must name the columns")
    named = ", ".join(repr(each.title) for each in filled)
    raise UnusableCall(f"{path}: {len(filled)} sheets have cells; name one of {named} with --sheet")


def _has_cells(sheet: Any) -> bool:
    return any(cell.value is not None for row in _cells("", sheet) for cell in row)


def _cells(name: str, sheet: Any) -> Any:
    """Rows of a sheet, whatever extent it states, within bounds."""
    sheet.reset_dimensions()
    count = 0
    for row in sheet.iter_rows():
        count += len(row) + 1
        if count > MOST_CELLS:
            raise UnusableCall(
                f"{name}: more than {MOST_CELLS:,} cells; split it, or save it as CSV"
            )
        yield row


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, datetime):
        if value.time() == time() and "h" not in str(cell.number_format).casefold():
            return value.date().isoformat()
        whole = timedelta(microseconds=value.microsecond)
        # Days are kept as fractions: a time within a millisecond of a second is that second.
        near = round(whole / timedelta(milliseconds=1))
        rounded = value - whole + timedelta(milliseconds=near)
        return rounded.isoformat(timespec="milliseconds" if rounded.microsecond else "seconds")
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)
