"""What became of the files and rows of an import."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from durability.record.records import PulseMeasures, Quarantine, Rejection, StoredDrop


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


@dataclass(frozen=True, slots=True)
class MeasuredFile:
    """One file as read and measured: a drop of its series, or not stored yet."""

    file: str
    file_sha256: str | None
    channel: str
    start_s: float
    mv_per_g: float | None
    """Sensitivity by which volts became g."""
    measures: PulseMeasures
    inferred: dict[str, str]
    dropped_at: str | None = None
    """ISO 8601; None where neither the file nor the user says."""
    cross: tuple[tuple[str, float | None], ...] = ()
    """Channels across the axis of the impact, each with the sensitivity by which volts became g."""
    stored: StoredDrop | None = None
    """The drop that it is; None when it was only read."""

    @property
    def status(self) -> Literal["valid", "void"]:
        """How the drop comes in."""
        return "valid" if self.measures.void_reason is None else "void"

    @property
    def drop_number(self) -> int | None:
        """Of the drop that it is."""
        return None if self.stored is None else self.stored.drop_number


@dataclass(frozen=True, slots=True)
class FileTwice:
    """A record that is a drop already."""

    file: str
    series: str
    drop_number: int


@dataclass(frozen=True, slots=True)
class WaveformImport:
    """What became of the files of an import."""

    count: ImportCount
    drops: tuple[MeasuredFile, ...]
    duplicates: tuple[FileTwice, ...]
    not_judged: tuple[str, ...] = ()
    """What could not be judged of any record for want of a fact, in words."""
    remarks: tuple[str, ...] = ()
    """What was assumed of the files, and which were left alone, in words."""
