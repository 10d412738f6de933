"""CSV and .xlsx tables and drop sheets, as labs keep them, with their source; no type guessing."""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from durability.intake.columns import COLUMNS, FILE_KINDS, IN_OTHER_UNITS, FileKind, column_of
from durability.plan.results import DropSheet, PlannedDrop, StopRule
from durability.record.errors import UnusableCall
from durability.record.records import Rejection
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


def read_sheet(path: Path, kind: str, options: SheetOptions | None = None) -> Sheet:
    """Text of every record of a table, under the column names of its kind.

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
    Sheet
        ``frame`` has the kind's columns that the file brings, all text, "" where blank, and
        ``source_row``.

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
    name = str(path)
    if content[:4] == b"PK\x03\x04":
        name, rows, unusable, merged = _workbook(path, content, options.sheet)
    elif options.sheet is not None:
        raise UnusableCall(f"--sheet {options.sheet!r}: {path} is not a workbook and has no sheets")
    else:
        rows = _rows_of(path, _text_of(path, content))
    if not any(any(cell.strip() for cell in row) for row in rows):
        raise UnusableCall(f"{name}: empty; the first row must name the columns")
    renames = {source: target for source, target in options.rename.items() if target}
    constants = {column_of(name)[0]: value for name, value in options.constants.items()}
    supplied = {*constants, *(["drop_number"] if options.number_drops else [])}
    wanted = [name for name in rules.required if name not in supplied]
    known = {name: name for name in (*rules.columns, *IN_OTHER_UNITS)} | renames
    header_at, header = _find_header(
        rows, {source: column_of(name)[0] for source, name in known.items()}, wanted
    )
    for cells, last_row in merged:
        if last_row > header_at:
            raise UnusableCall(
                f"{name}, cells {cells}: merged, so that it is open which rows they belong to;"
                " unmerge them and fill in each"
            )
    unfilled = _unfilled(header, rows[header_at + 1 :])
    kept = [
        "" if source in unfilled and column_of(source)[0] in constants else source
        for source in header
    ]
    names = _column_names(name, header_at, kept, rules, options, wanted)
    said = (*options.constants, *(options.rename.get(source, source) for source in header))

    records, numbers, skipped, refused = [], [], [], []
    skip_at = _index_of(path, header, options.skip_where_blank)
    for number, row in enumerate(rows[header_at + 1 :], start=header_at + 2):
        if number in unusable:
            refused.append(unusable[number])
            continue
        if not any(cell.strip() for cell in row):
            continue
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            refused.append(
                Rejection(
                    name,
                    number,
                    None,
                    ",".join(row),
                    f"{len(row)} fields where the header has {len(header)}: a decimal comma, or a"
                    " comma in a text without quotes?",
                )
            )
            continue
        if skip_at is not None and (skip_at >= len(row) or not row[skip_at].strip()):
            skipped.append(number)
            continue
        if len(row) < len(header):
            row = [*row, *[""] * (len(header) - len(row))]
        records.append([row[at].strip() for at in names.values()])
        numbers.append(number)
    if not records and not refused:
        raise UnusableCall(f"{name}: no record below the header in row {header_at + 1}")

    frame = pd.DataFrame(records, columns=list(names), dtype=object)
    for column, value in constants.items():
        frame[column] = value
    if options.number_drops:
        frame["drop_number"] = (frame.groupby("series").cumcount() + 1).astype(str)
    if options.decimal_comma:
        frame = _point_decimals(frame)
    if options.void_blank_peaks is not None:
        blank = frame["peak_g"] == ""
        frame["status"] = frame.get("status", pd.Series("", index=frame.index)).mask(blank, "void")
        reason = frame.get("void_reason", pd.Series("", index=frame.index))
        frame["void_reason"] = reason.mask(blank & (reason == ""), options.void_blank_peaks)
    frame["source_row"] = numbers
    in_other_units = {column_of(name)[0]: name for name in said if name in IN_OTHER_UNITS}
    digest = hashlib.sha256(content).hexdigest()
    return Sheet(name, digest, frame, tuple(skipped), tuple(refused), in_other_units)


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


def _rows_of(path: Path, text: str) -> list[list[str]]:
    first_line = text.lstrip().partition("\n")[0]
    delimiter = ";" if first_line.count(";") > first_line.count(",") else ","
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True):
            if len(row) > _MOST_COLUMNS:
                raise UnusableCall(
                    f"{path}, row {len(rows) + 1}: {len(row):,} fields, more than the"
                    f" {_MOST_COLUMNS:,} taken; not a table of records"
                )
            rows.append(row or _BLANK)
    except csv.Error as error:
        raise UnusableCall(f"{path}: not a CSV table ({error}); check its quotes") from None
    return rows


def _find_header(
    rows: Sequence[Sequence[str]], names: Mapping[str, str], wanted: Sequence[str]
) -> tuple[int, list[str]]:
    """Row of the column names: the first that has all wanted ones, else the first row."""
    for at, row in enumerate(rows[:HEADER_SEARCH_ROWS]):
        found = {names.get(cell.strip()) for cell in row}
        if wanted and found.issuperset(wanted):
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


# ------------------------------------------------------------------------------- drop sheets

DROP_SHEET_COLUMNS = ("place", "repeat", "group", "item", "item_drop", "orientation", "rest_s")

_HEAD = re.compile(r"# drop sheet of (\S+), seed (-?\d+), sha256 ([0-9a-f]{64})")
_RULE = re.compile(r"# stop rule: (\w+) ([0-9.eE+-]+): (.+)")


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A drop sheet with what its file says of itself."""

    name: str
    made_on: str
    sheet: DropSheet
    """``sha256`` as the file states it."""


def read_drop_sheet(path: Path) -> SheetFile:
    """The drops planned in a file that ``plan sheet`` wrote.

    Parameters
    ----------
    path : Path
        CSV with comment lines that begin with "#".

    Returns
    -------
    SheetFile
        Its hash as stated, not checked.

    Raises
    ------
    UnusableCall
        No such file, or no drop sheet; the message names line and what would be right.
    """
    try:
        lines = read_whole(path, option="--plan").decode("utf-8-sig").splitlines()
    except OSError as error:
        raise UnusableCall(f"--plan {path}: can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise UnusableCall(f"--plan {path}: not UTF-8 text; give the CSV of plan sheet") from None
    # A spreadsheet that saves the file quotes lines with commas and pads them to its columns.
    comments = [
        line.strip().strip('"').rstrip(",").rstrip('"')
        for line in lines
        if line.lstrip('"').startswith("#")
    ]
    heads = [match for line in comments if (match := _HEAD.match(line))]
    if len(heads) != 1:
        raise UnusableCall(
            f"--plan {path}: no drop sheet; its first line begins with '# drop sheet of DATE, seed"
            " N, sha256 …'; make one with: durability plan sheet"
        )
    made_on, seed, sha256 = heads[0].groups()
    rules = [
        StopRule(match[1], float(match[2]), match[3])
        for line in comments
        if (match := _RULE.match(line))
    ]
    numbered = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip(", ") and not line.lstrip('"').startswith("#")
    ]
    rows = csv.DictReader(line for _, line in numbered)
    missing = [column for column in DROP_SHEET_COLUMNS if column not in (rows.fieldnames or ())]
    if missing:
        raise UnusableCall(f"--plan {path}: column {missing[0]} is missing")
    drops = []
    for (number, _), row in zip(numbered[1:], rows, strict=True):
        try:
            drops.append(
                PlannedDrop(
                    place=int(row["place"]),
                    repeat=int(row["repeat"]),
                    group=row["group"],
                    item=row["item"],
                    item_drop=int(row["item_drop"]),
                    orientation=row["orientation"],
                    rest_s=float(row["rest_s"]),
                )
            )
        except (TypeError, ValueError):
            raise UnusableCall(
                f"--plan {path}, row {number}: place, repeat, item_drop and rest_s must be numbers"
            ) from None
    return SheetFile(
        path.name, made_on, DropSheet(tuple(drops), tuple(rules), int(seed), sha256, ())
    )
