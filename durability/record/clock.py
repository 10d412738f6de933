"""The bench's clock: where the present is asked for, so that a test can set it; order in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time


def now() -> datetime:
    """The present moment, with the bench's offset from UTC.

    Ask for it as ``clock.now()``: whoever replaces this one function sets the whole program's
    clock.
    """
    return datetime.now().astimezone()


def now_utc() -> datetime:
    """The present moment in UTC, without an offset, as entries are dated."""
    return now().astimezone(UTC).replace(tzinfo=None)


def wall_clock() -> datetime:
    """The present moment as the bench clock shows it, without an offset."""
    return now().replace(tzinfo=None)


def today() -> date:
    """The bench's date."""
    return now().date()


@dataclass(frozen=True, slots=True)
class Moment:
    """When something happened, by the clock on the wall there and in UTC.

    A time of exactly midnight is a date of which the time of day is not known.
    """

    wall: datetime
    utc: datetime

    @classmethod
    def of_day(cls, day: date) -> Moment:
        """A date without a time of day."""
        midnight = datetime.combine(day, time.min)
        return cls(midnight, midnight)

    @property
    def day(self) -> date:
        """The date by the clock on the wall."""
        return self.wall.date()

    @property
    def has_time(self) -> bool:
        """Whether the time of day is known."""
        return self.wall.time() != time.min

    def is_before(self, other: Moment) -> bool:
        """Whether this is known to have come first: by the instant, else by the date."""
        if self.has_time and other.has_time:
            return self.utc < other.utc
        return self.day < other.day

    def hours_after(self, other: Moment) -> float | None:
        """Hours since another moment; None unless the times of day of both are known."""
        if not (self.has_time and other.has_time):
            return None
        return (self.utc - other.utc).total_seconds() / 3600.0


@dataclass(frozen=True, slots=True)
class ClockBack:
    """A drop whose time is earlier than that of the drop before it in its series."""

    series: str
    drop_number: int
    back_s: float


@dataclass(frozen=True, slots=True)
class ClockFindings:
    """What the times of drops just kept call for."""

    backwards: tuple[ClockBack, ...] = ()
    offsets_taken: Mapping[str, int] = field(default_factory=dict)
    """Offset from UTC → times that were written without one and are read with it."""
