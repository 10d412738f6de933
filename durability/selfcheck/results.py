"""What checking the program against published values showed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class PublishedValue:
    """One published value held against what this program gives."""

    part: str
    """What it checks: pulse, filter, spectrum, trend, life, charts, reliability, exact tests."""
    quantity: str
    unit: str
    expected: float
    found: float
    tolerance: float
    """Largest difference either way."""
    source: str

    @property
    def difference(self) -> float:
        """Found less expected."""
        return self.found - self.expected

    @property
    def passed(self) -> bool:
        """Whether found lies within the tolerance; never for NaN."""
        return abs(self.difference) <= self.tolerance


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """A dated run of the shipped published values through this very program."""

    run_at: datetime
    versions: dict[str, str]
    values: tuple[PublishedValue, ...]

    @property
    def failed(self) -> tuple[PublishedValue, ...]:
        """Values that were not reproduced."""
        return tuple(value for value in self.values if not value.passed)
