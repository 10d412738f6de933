"""Small checks over the text of a sheet: typed columns come out, rejections with their reasons."""

from __future__ import annotations

from typing import Any

import pandas as pd

from durability.intake.columns import (
    COLUMNS,
    FILE_KINDS,
    MODE_OF_NOTHING,
    NO_CASE_TO_DAMAGE,
    OTHER_UNSAID,
    PLAUSIBLE_RANGE,
    PLAUSIBLE_YEARS,
    SEVERITY_UNSAID,
    Column,
    column_of,
)
from durability.intake.tables import Sheet
from durability.record import clock, units
from durability.record.orientation import impossible_designation
from durability.record.receipts import Rejection
from durability.record.vocabulary import OTHER_MODE

_OFFSET = r"(?:[T ]\d{2}:?\d{2}.*?)(Z|[+-]\d{2}:?\d{2})$"
_NOT_RECORDED = {"n/a", "na", "nan", "none", "null", "-", "--", "?"}


def check_sheet(sheet: Sheet, kind: str) -> tuple[pd.DataFrame, list[Rejection]]:
    """Typed rows of a sheet, and every fault that one row shows by itself.

    Parameters
    ----------
    sheet : Sheet
        Text of the rows.
    kind : str
        A name of ``FILE_KINDS``.

    Returns
    -------
    rows : DataFrame
        Every column of the kind (NA where blank or absent), numbers as float, integers as Int64,
        times as wall-clock datetimes with ``<name>_utc_offset`` beside them, ``source_row`` and
        ``file_name``; faulty rows are left out.
    rejections : list of Rejection
        One for each faulty row: the first fault found in it.
    """
    rules = FILE_KINDS[kind]
    text = sheet.frame
    typed: dict[str, Any] = {}
    faults: list[tuple[pd.Series, str, str | pd.Series]] = []
    for name in rules.columns:
        cells = text[name] if name in text else pd.Series("", index=text.index, dtype=object)
        column = COLUMNS[name]
        if name in rules.required and name not in rules.may_be_blank:
            faults.append((cells == "", name, f"blank; give {column.right}"))
        _, unit = column_of(sheet.names.get(name, name))
        values, wrong, offsets = _typed(cells, column, unit)
        typed[name] = values
        if offsets is not None:
            typed[f"{name}_utc_offset"] = offsets
        faults += [(mask, name, reason) for mask, reason in wrong]
    rows = pd.DataFrame(typed, index=text.index)
    if kind == "drops":
        # A model without a code still is one physical thing: it is named after its series.
        for specimen in ("case", "device"):
            unnamed = rows[specimen].isna() & rows[f"{specimen}_model"].notna()
            rows[specimen] = rows[specimen].mask(unnamed, rows["series"] + f"/{specimen}")
        faults += _drop_faults(rows, text)
        faults += _mode_faults(rows, prefix="damage_")
    if kind == "damage":
        faults += _mode_faults(rows, prefix="")

    refused: dict[int, Rejection] = {}
    for mask, name, reason in faults:
        found = text.index[mask.to_numpy(dtype=bool)]
        read = text.loc[found, name].tolist() if name in text else [""] * len(found)
        why = [reason] * len(found) if isinstance(reason, str) else reason.loc[found].tolist()
        column_read = sheet.names.get(name, name)
        places = text.loc[found, "source_row"].tolist()
        for at, row, value, words in zip(found, places, read, why, strict=True):
            refused.setdefault(
                at,
                Rejection(sheet.file_name, int(row), column_read, str(value) or None, str(words)),
            )
    rows["source_row"] = text["source_row"]
    rows["file_name"] = sheet.file_name
    good = rows.drop(index=list(refused))
    rejections = [*sheet.refused, *refused.values()]
    return good, sorted(rejections, key=lambda rejection: rejection.row or 0)


def split_conditions(rows: pd.DataFrame) -> pd.DataFrame:
    """Drops with each change of condition within a series made a series of its own.

    Parameters
    ----------
    rows : DataFrame
        Typed drops.

    Returns
    -------
    DataFrame
        The same rows; where a series changes its drop height, surface, orientation, device or
        case, the changing values stand in its name ("R7, 330 mm"). Drop numbers stay.
    """
    names = rows["series"].tolist()
    for column, unit in (
        ("drop_height_mm", " mm"),
        ("surface", ""),
        ("orientation", ""),
        ("device", ""),
        ("case", ""),
    ):
        changes = rows.groupby("series")[column].transform("nunique") > 1
        for at in (changes & rows[column].notna()).to_numpy().nonzero()[0]:
            value = rows[column].iloc[at]
            words = f"{value:g}" if column == "drop_height_mm" else str(value)
            names[at] = f"{names[at]}, {words}{unit}"
    return rows.assign(series=names)


def as_read(sheet: Sheet, kind: str) -> str:
    """What an entry keeps of the units of a file that are not those stored.

    Parameters
    ----------
    sheet : Sheet
        Text of the rows.
    kind : str
        A name of ``FILE_KINDS``.

    Returns
    -------
    str
        To stand behind the words of the entry, like " (typed: drop_height_in, temperature_c in F)";
        blank where every cell bears the unit of its column. The cells are those of the file that
        the entry names.
    """
    told = []
    for name in FILE_KINDS[kind].columns:
        if name not in sheet.frame or (quantity := COLUMNS[name].quantity) is None:
            continue
        cells = sheet.frame[name]
        found: set[str] = set()
        if pd.to_numeric(cells, errors="coerce").notna().sum() < (cells != "").sum():
            found = {unit for text in cells.unique() if (unit := units.typed_unit(text, quantity))}
        if found or name in sheet.names:
            told.append(
                sheet.names.get(name, name) + " in " * bool(found) + " and ".join(sorted(found))
            )
    return f" (typed: {', '.join(told)})" if told else ""


def _typed(
    cells: pd.Series, column: Column, unit: str | None
) -> tuple[pd.Series, list[tuple[pd.Series, str | pd.Series]], pd.Series | None]:
    """Values of one column, its faults as (mask, reason), and offsets of times."""
    blank = cells == ""
    if column.kind == "text":
        steers = ~blank & ~cells.map(lambda text: column.is_free or text.isprintable())
        fault = f"holds a control character; give {column.right}"
        return cells.mask(blank, None), [(steers, fault)], None
    if column.kind == "choice":
        wrong = ~blank & ~cells.isin(column.choices)
        return cells.mask(blank, None), [(wrong, f"not {column.right}")], None
    if column.kind in ("date", "timestamp"):
        return _typed_times(cells, blank, column)
    absent = cells.str.lower().isin(_NOT_RECORDED)
    numbers = pd.to_numeric(cells.mask(blank, None), errors="coerce").astype(float)
    reasons = pd.Series("", index=cells.index, dtype=object)
    as_typed = ~blank & ~absent & (numbers.isna() | (unit is not None))
    if column.kind == "number" and as_typed.any():
        found = {text: _read(text, column, unit) for text in cells[as_typed].unique()}
        values = {text: value for text, (value, _) in found.items()}
        numbers = numbers.mask(as_typed, cells.map(values).astype(float))
        reasons = cells.map(lambda text: found.get(text, (None, ""))[1])
    unread = ~blank & ~numbers.abs().lt(float("inf"))
    outside = pd.Series(False, index=cells.index)
    if column.kind == "integer":
        outside |= numbers.notna() & (numbers != numbers.round())
    if column.above is not None:
        outside |= numbers <= column.above
    if column.least is not None:
        outside |= numbers < column.least
    if column.most is not None:
        outside |= numbers > column.most
    faults: list[tuple[pd.Series, str | pd.Series]] = [
        (absent, f"leave the cell blank when not recorded; else {column.right}"),
        (reasons != "", reasons),
        (unread, f"not {column.right}"),
        (outside, f"not {column.right}"),
    ]
    if column.must_be_plausible:
        least, most = PLAUSIBLE_RANGE
        faults += [
            (numbers > most, f"implausibly large; give {column.right}"),
            ((numbers > 0) & (numbers < least), f"implausibly small; give {column.right}"),
        ]
    if column.kind == "integer":
        return numbers.where(~outside & ~unread & ~absent).astype("Int64"), faults, None
    return numbers, faults, None


def _read(text: str, column: Column, unit: str | None) -> tuple[float, str]:
    """A number with its unit, or what is wrong with it where that can be said."""
    try:
        return units.read(text, column.quantity, unit), ""
    except ValueError as fault:
        words = str(fault)
    return float("nan"), words + ", or read the file with --decimal comma" * ("comma" in words)


def _typed_times(
    cells: pd.Series, blank: pd.Series, column: Column
) -> tuple[pd.Series, list[tuple[pd.Series, str | pd.Series]], pd.Series | None]:
    offsets = cells.str.extract(_OFFSET, expand=False)
    walls = cells.mask(offsets.notna(), cells.str.replace(r"(Z|[+-]\d{2}:?\d{2})$", "", regex=True))
    moments = pd.to_datetime(walls.mask(blank, None), format="ISO8601", errors="coerce")
    # A bare year or year and month is ISO 8601 too, but is no date of a drop.
    unread = ~blank & (moments.isna() | ~cells.str.match(r"^\d{4}-\d{2}-\d{2}"))
    faults: list[tuple[pd.Series, str | pd.Series]] = [
        (unread, f"not {column.right}"),
        (
            moments.notna() & ~moments.dt.year.between(*PLAUSIBLE_YEARS),
            f"not a plausible year; leave it blank when not recorded, else give {column.right}",
        ),
    ]
    if column.past:
        zoned = pd.to_datetime(
            cells.where(offsets.notna(), None), format="ISO8601", errors="coerce", utc=True
        )
        # Without an offset the bench's own clock is meant.
        future = (zoned > clock.now()) | (offsets.isna() & (moments > clock.wall_clock()))
        faults.append((future, f"is in the future; give {column.right}"))
    if column.kind == "date":
        return moments.dt.normalize(), faults, None
    return moments, faults, offsets.where(offsets.notna(), None)


def _drop_faults(
    rows: pd.DataFrame, text: pd.DataFrame
) -> list[tuple[pd.Series, str, str | pd.Series]]:
    """What a drop's columns must hold together."""
    void, never = rows["status"] == "void", rows["status"] == "never"
    bare = rows["case"].isna()
    written = rows["orientation"].dropna().unique()
    impossible = {text: fault for text in written if (fault := impossible_designation(text))}
    return [
        *(
            (rows["orientation"] == text, "orientation", fault)
            for text, fault in impossible.items()
        ),
        (
            rows["peak_g"].isna() & ~void & ~never & (text["peak_g"] == ""),
            "peak_g",
            "blank; give a number above 0, in g, or mark the row status void with a void_reason"
            " (a drop that no one could read was still a drop)",
        ),
        (
            (void | never) & rows["void_reason"].isna(),
            "void_reason",
            "blank; a void drop, or one never made, needs its reason",
        ),
        (
            ~void & ~never & rows["void_reason"].notna(),
            "status",
            "a void_reason is given for a drop that is not void; set status to void, or clear it",
        ),
        (
            bare & (rows["damage_severity"] > 0).fillna(False).astype(bool),
            "damage_severity",
            NO_CASE_TO_DAMAGE,
        ),
        (
            rows["damage_severity"].isna()
            & rows[["damage_mode", "damage_location", "damage_note"]].notna().any(axis="columns"),
            "damage_severity",
            SEVERITY_UNSAID,
        ),
    ]


def _mode_faults(
    rows: pd.DataFrame, *, prefix: str
) -> list[tuple[pd.Series, str, str | pd.Series]]:
    """What a coded damage note must hold together."""
    mode, severity, note = (rows[prefix + name] for name in ("mode", "severity", "note"))
    unseen = mode.notna() & (severity == 0).fillna(False).astype(bool)
    return [
        (unseen, prefix + "mode", MODE_OF_NOTHING),
        ((mode == OTHER_MODE) & note.isna(), prefix + "note", OTHER_UNSAID),
    ]
