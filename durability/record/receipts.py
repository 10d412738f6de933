"""What is said back about what was entered: stored, refused, quarantined, disposed of.

Apart from the other records, since every drop added needs these and none of those.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from durability.record.clock import ClockFindings


@dataclass(frozen=True, slots=True)
class Rejection:
    """One row that could not be taken, and what would have been right."""

    file: str
    row: int | None
    column: str | None
    value: str | None
    reason: str

    def line(self) -> str:
        """One line naming file, row, column and value, then what would be right."""
        where = [self.file]
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column is not None:
            where.append(self.column if self.value is None else f"{self.column} {self.value!r}")
        return f"{', '.join(where)}: {self.reason}"


@dataclass(frozen=True, slots=True)
class CorrectedPeak:
    """A peak in g that was typed wrong, and the right one."""

    was: float | None
    """None where the drop had no reading."""
    right: float
    void_reason: str | None = None
    """Of a drop that is void, and is so with the right reading too."""
    far_off: tuple[float, float] | None = None
    """The right one and the level of those before it, where it is far off them too."""


@dataclass(frozen=True, slots=True)
class Disposal:
    """A specimen, or a part like its cell (None: all of it), that was disposed of."""

    specimen: str
    on: date
    part: str | None
    how: str
    where: str | None
    by: str


@dataclass(frozen=True, slots=True)
class Quarantine:
    """A device kept apart because its battery is suspect."""

    device: str
    since: datetime
    """Bench clock of the look, drop or note that told of it first."""
    sign: str
    told: str
    watch: tuple[tuple[str, datetime], ...]
    """Name and end of each window in which it is watched."""
    disposals: tuple[Disposal, ...] = ()
    """Of the device or a part of it; they clear nothing."""

    @property
    def is_disposed(self) -> bool:
        """Whether the device is gone: nothing is left to watch."""
        return any(each.part is None for each in self.disposals)


@dataclass(frozen=True, slots=True)
class StoredDrop:
    """What is said back once a drop is durably stored."""

    series: str
    drop_number: int
    id: str
    unseen: tuple[str, ...] = ()
    """Device and case that no one had inspected before this, their series' first drop."""
    quarantine: Quarantine | None = None
    """Of the device, when words on this drop tell of a failing battery, or it was in quarantine."""
    failed_case: str | None = None
    """The case, where it had failed before this drop."""
    far_off: tuple[float, float] | None = None
    """Its reading and the level of those before it, in g, where it lies far off them."""
    clock: ClockFindings = field(default_factory=ClockFindings)


@dataclass(frozen=True, slots=True)
class ImportCount:
    """What became of the rows of an import."""

    read: int
    added: int
    duplicates: int
    rejected: int
    rejects_file: str | None
    rejections: tuple[Rejection, ...] = ()
    skipped_rows: int = 0
    """Rows of the sheet that are no records (a row of means)."""
    quarantined: tuple[Quarantine, ...] = ()
    """Devices that these rows put in quarantine, or that were dropped in it all the same."""
    undated_in_quarantine: Mapping[str, int] = field(default_factory=dict)
    """Device that was in quarantine already → drops taken that don't say when they were made."""
    dropped_after_failure: Mapping[str, int] = field(default_factory=dict)
    """Case → drops taken that it made after it had failed."""
    clock: ClockFindings = field(default_factory=ClockFindings)


@dataclass(slots=True)
class Recovered:
    """What was saved of a damaged store; names are those of the JSON."""

    recovered: dict[str, int] = field(default_factory=dict)
    """Rows by table."""
    missing: list[str] = field(default_factory=list)
    """What can't be read, or is not known."""
    read_up_to: str | None = None
    """The last entry that could be read: when, by whom and with what."""


@dataclass(slots=True)
class Merged:
    """What became of another store; names are those of the JSON, counts are of rows by table."""

    added: dict[str, int] = field(default_factory=dict)
    present: dict[str, int] = field(default_factory=dict)
    conflicts: list[dict[str, Any]] = field(default_factory=list)
    """``table``, ``record`` and ``why``; with any of these nothing is stored."""
    amended_at_both: list[dict[str, Any]] = field(default_factory=list)
    dropped_after_failure: dict[str, int] = field(default_factory=dict)
    split: dict[str, str] = field(default_factory=dict)
    """Series that both continued → series in which the other one's drops are now."""
    missing_photos: str | None = None
