"""The bench's clock: where the present is asked for, so that a test can set it; order in time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache


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


def moments(written: Iterable[tuple[datetime, str | None]]) -> list[Moment]:
    """Moments of what happened at one bench, from times as written, in that order.

    Parameters
    ----------
    written : iterable of (datetime, str or None)
        Wall clock and its offset from UTC, "+01:00" or "Z". Without one, that of the latest time
        before it that bears one holds, else of the first after it, else UTC.

    Returns
    -------
    list of Moment
    """
    times = list(written)
    by_wall = sorted(times, key=lambda each: each[0])
    offset = next((own for _, own in by_wall if own), "Z")
    offsets = {}
    for wall, own in by_wall:
        offset = own or offset
        offsets[wall, own] = offset
    return [Moment(wall, _utc(wall, offsets[wall, own])) for wall, own in times]


def _utc(wall: datetime, offset: str) -> datetime:
    return wall - _offset(offset)


@cache
def _offset(written: str) -> timedelta:
    return datetime.fromisoformat(f"1970-01-01T00:00{written}").utcoffset() or timedelta()
