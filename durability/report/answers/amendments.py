"""What was amended, what went otherwise than planned, and where records came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from durability.record.basis import counted
from durability.report.blocks import Block, Column, Columns, Words

Row = Mapping[str, Any]

AMENDED = Columns[Row](
    "Amendments in order",
    Column("record", "record"),
    Column("drop", "drop_number", right=True),
    Column("what", lambda row: row["column_name"].replace("_", " ")),
    Column("from", "old_value", wrap=True),
    Column("to", "new_value", wrap=True),
    Column("reason", "reason", wrap=True),
    Column("by", "entered_by"),
    Column("at (UTC)", "entered_at_utc"),
)

DEVIATIONS = Columns[Row](
    "Deviations: drops off their sheet or height, files that could not be read",
    Column("series", "series"),
    Column("drop", "drop_number", right=True),
    Column("what", "what", wrap=True),
    Column("reported by", "told_by"),
)

ENTERED = Columns[Row](
    "Entered since",
    Column("record", "record"),
    Column("what", "what"),
    Column("added", "added", right=True),
    Column(
        "drops",
        lambda row: (
            None
            if row["first_number"] is None
            else f"{row['first_number']} to {row['last_number']}"
        ),
    ),
    Column("void", "voided", right=True),
)

SOURCES = Columns[Row](
    "Files and people",
    Column("file, or typed", lambda row: row["file_name"] or "typed", wrap=True),
    Column("what", "what"),
    Column("records", "records", right=True),
    Column("entered by", "entered_by"),
    Column("from (UTC)", "first_entered_at_utc"),
    Column("to (UTC)", "last_entered_at_utc"),
    Column("SHA-256 of the file", "file_sha256", wide=True),
)


def blocks(deviations: Sequence[Row], amendments: Sequence[Row]) -> Iterator[Block]:
    """What went otherwise than planned, and every amendment."""
    if deviations:
        yield DEVIATIONS.table(deviations)
    else:
        yield Words("No deviation is on record in this scope.")
    if not amendments:
        yield Words("Nothing in this scope was amended.")
        return
    yield Words(
        f"{counted(len(amendments), 'amendment')}. Nothing is overwritten: the first values stay in"
        " the record."
    )
    yield AMENDED.table(amendments, "durability history SPECIMEN")


def sources(rows: Sequence[Row]) -> Iterator[Block]:
    """Which files and people the records came from."""
    yield SOURCES.table(rows) if rows else Words("Nothing is recorded in this scope.")


def summary(deviations: Sequence[Row], amendments: Sequence[Row]) -> str:
    """Amendments and deviations counted."""
    amended, off = len(amendments), len(deviations)
    first = f"{counted(amended, 'amendment')}, first values kept" if amended else "No amendment"
    then = counted(off, "deviation") if off else "no deviation on record"
    return f"{first}; {then}."
