"""The bench's clock: the only place where the present is asked for, so that a test can set it."""

from __future__ import annotations

from datetime import UTC, date, datetime


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
    """The present moment as the bench's clock shows it, without an offset."""
    return now().replace(tzinfo=None)


def today() -> date:
    """The bench's date."""
    return now().date()
