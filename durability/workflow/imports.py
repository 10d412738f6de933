"""Files of a lab into the store: all rows in one transaction, or none."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from durability.intake.checks import check_sheet, split_conditions
from durability.intake.results import ImportCount
from durability.intake.tables import Sheet, SheetOptions, read_sheet
from durability.record.errors import ImportRefused, UnusableCall
from durability.record.records import Rejection
from durability.store import bench, database
from durability.workflow.check_lists import keep_list, versions
from durability.workflow.keep import keep_rows
from durability.workflow.session import Session


def import_files(
    session: Session,
    kind: str,
    files: Sequence[Path],
    *,
    options: SheetOptions | None = None,
    keep_good: bool = False,
    allow_gaps: bool = False,
    split_by_condition: bool = False,
    despite_quarantine: str | None = None,
) -> ImportCount:
    """Take CSV files in one transaction: all rows, or with ``keep_good`` the good ones.

    Parameters
    ----------
    session : Session
        Store and person.
    kind : str
        drops, damage, inspections or specimens.
    files : sequence of Path
        The files.
    options : SheetOptions, optional
        Renamed columns and the like.
    keep_good : bool
        Store the good rows; the others land in a rejects file beside the first file.
    allow_gaps : bool
        Take drop numbers with holes.
    split_by_condition : bool
        Make each change of condition within a series a series of its own.
    despite_quarantine : str, optional
        How devices came to be dropped while they were in quarantine; they lived through it.

    Returns
    -------
    ImportCount
        What became of the rows.

    Raises
    ------
    ImportRefused
        A row was refused and ``keep_good`` was not asked for; nothing is stored.
    UnusableCall
        A file can't be used at all; nothing is stored.
    """
    sheets = [read_sheet(file, kind, options) for file in dict.fromkeys(files)]
    checked = [check_sheet(sheet, kind) for sheet in sheets]
    rows = pd.concat([good for good, _ in checked], ignore_index=True)
    rejections = [rejection for _, refused in checked for rejection in refused]
    read = sum(len(sheet.frame) + len(sheet.refused) for sheet in sheets)
    numbers = None
    if kind == "drops":
        if split_by_condition:
            rows = split_conditions(rows)
        if not (allow_gaps or split_by_condition):
            numbers = _numbers_on(sheets)

    with database.writing(session.store) as connection:
        entries = [
            (
                sheet.file_name,
                bench.add_entry(
                    connection,
                    entered_by=session.person,
                    command=f"import {kind}",
                    file_name=Path(sheet.file_name).name,
                    file_sha256=sheet.file_sha256,
                ),
            )
            for sheet in sheets
        ]
        if kind == "inspections":
            rows = _with_lists(connection, rows, entries)
        kept = keep_rows(
            connection,
            kind,
            rows,
            entries,
            drop_numbers_on_sheet=numbers,
            despite_quarantine=despite_quarantine,
        )
        duplicates = kept.left_out - len(kept.rejections)
        rejections = sorted(
            [*rejections, *kept.rejections], key=lambda each: (each.file, each.row or 0)
        )
        if rejections and not keep_good:
            raise ImportRefused(rejections, read, duplicates)
        # Written before the commit: when it can't be, nothing is stored and nothing is lost.
        rejects_file = _write_rejects(files[0], sheets, rejections) if rejections else None
    return ImportCount(
        read=read,
        added=len(rows) - kept.left_out,
        duplicates=duplicates,
        rejected=len(rejections),
        rejects_file=rejects_file,
        rejections=tuple(rejections),
        skipped_rows=sum(len(sheet.skipped_rows) for sheet in sheets),
        quarantined=kept.quarantined,
        undated_in_quarantine=kept.undated_in_quarantine,
    )


def _with_lists(
    connection: Any, rows: pd.DataFrame, entries: Sequence[tuple[str, Any]]
) -> pd.DataFrame:
    """Rows of looks with the whole digest of the check list that each names, which is kept."""
    found = versions(connection, rows["check_list"].dropna().unique().tolist())
    kept = {
        digest: keep_list(connection, check_list, entries[0][1])
        for digest, check_list in found.items()
    }
    return rows.assign(check_list_sha256=rows["check_list"].map(kept).astype(object))


def _numbers_on(sheets: Sequence[Sheet]) -> Any:
    """Series and drop number of every row of the sheets, refused ones too."""
    pairs = pd.concat([sheet.frame[["series", "drop_number"]] for sheet in sheets])
    numbers = pd.to_numeric(pairs["drop_number"], errors="coerce")
    return pairs.assign(drop_number=numbers)[(numbers >= 1) & (numbers % 1 == 0)].astype(
        {"drop_number": int}
    )


def _write_rejects(first: Path, sheets: Sequence[Sheet], rejections: Sequence[Rejection]) -> str:
    """Write the refused rows, as read, with file, row and reason; never over another file."""
    by_row = {
        (sheet.file_name, int(row["source_row"])): row
        for sheet in sheets
        for row in sheet.frame.to_dict("records")
    }
    lines = []
    for rejection in rejections:
        row: dict[Any, Any] = dict(by_row.get((rejection.file, rejection.row or 0), {}))
        row.pop("source_row", None)
        reason = (
            rejection.reason
            if rejection.column is None
            else (f"{rejection.column}: {rejection.reason}")
        )
        row.update(
            {
                "source_file": rejection.file,
                "source_row": rejection.row,
                "reason": reason,
                # A row that could not be cut into columns has nowhere else to stand.
                "row_as_read": None if row else rejection.value,
            }
        )
        lines.append(row)
    target = first.with_name(f"{first.stem}.rejects.csv")
    count = 1
    while target.exists():
        count += 1
        target = first.with_name(f"{first.stem}.rejects-{count}.csv")
    try:
        pd.DataFrame(lines).to_csv(target, index=False)
    except OSError as error:
        raise UnusableCall(
            f"{target}: the rejects can't be written there ({error.strerror}); nothing stored"
        ) from None
    return str(target)
