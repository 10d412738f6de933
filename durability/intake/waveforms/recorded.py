"""When a record was taken, as far as its file says so beyond doubt."""

from __future__ import annotations

import re
from datetime import date, datetime, time

from durability.intake.waveforms.words import WORDS, one_of, within

_HEAD_CHARACTERS = 8192
_MONTHS = {name: int(number) for number, names in WORDS["months"].items() for name in names.split()}
_KEY = re.compile(
    rf"(?:[#%!*;/'\"\s]*)(?P<key>[^,;\t=\d]*?\b{one_of('within', 'date')}\b[^,;\t=\d]*?)"
    r"[\"'\s]*[:=,;\t ][\"'\s:=,;]*(?P<value>.*\d.*)",
    re.IGNORECASE,
)
_OTHER_DATES = within("other_date")
_DATES = (
    (re.compile(r"\b(\d{4})-(\d{1,2})-(\d{1,2})(?!\d)"), "ymd"),
    (re.compile(r"\b(\d{4})[/.](\d{1,2})[/.](\d{1,2})(?!\d)"), "ymd"),
    (re.compile(r"\b(\d{1,2})\.(\d{1,2})\.(\d{4})\b"), "dmy"),
    (re.compile(r"\b(\d{1,2})[/-](\d{1,2})[/-](\d{4})\b"), "either"),
    (re.compile(r"\b(\d{1,2})[. -]+([^\W\d_]+)[. ,-]+(\d{4})\b"), "dMy"),
    (re.compile(r"\b([^\W\d_]+)[. ]+(\d{1,2}),? +(?:[\d:.]+ +)?(\d{4})\b"), "Mdy"),
)
_TIME = re.compile(
    r"(?<![\d.])(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,]\d+)?)?\s*([ap]\.?m\.?)?"
    r"\s*(Z\b|[+-]\d\d:?\d\d\b)?",
    re.IGNORECASE,
)


def recorded_at(text: str) -> str | None:
    """Moment at which a text export says it was recorded, as ISO 8601; None when it doesn't.

    Only a date that can be read in one way is taken: 2026-03-14, 14.03.2026, 14 March 2026, but
    not 03/04/2026. A date may stand alone, or with a time of day beside it or on a line of its
    own.

    Parameters
    ----------
    text : str
        The export; only its first lines are looked at.
    """
    day: date | None = None
    clock: tuple[time, str] | None = None
    for line in text[:_HEAD_CHARACTERS].splitlines()[:-1]:
        entry = _KEY.match(line)
        if entry is None or _OTHER_DATES.search(entry["key"]):
            continue
        found = _date_in(entry["value"])
        spoken = _time_in(entry["value"])
        if day is None and found is not None:
            day = found
            if spoken is not None:
                clock = spoken
                break
        elif clock is None and found is None and spoken is not None:
            clock = spoken
    if day is None:
        return None
    if clock is None:
        return day.isoformat()
    return datetime.combine(day, clock[0]).isoformat() + clock[1]


def _date_in(words: str) -> date | None:
    for pattern, order in _DATES:
        found = pattern.search(words)
        if found is None:
            continue
        parts = found.groups()
        if order == "either":
            first, second = int(parts[0]), int(parts[1])
            if first <= 12 and second <= 12 and first != second:
                return None
            order = "dmy" if first > 12 else "mdy"
        try:
            numbers = {
                letter.lower(): _MONTHS[part.casefold()] if letter == "M" else int(part)
                for letter, part in zip(order, parts, strict=True)
            }
            return date(numbers["y"], numbers["m"], numbers["d"])
        except (KeyError, ValueError):
            continue
    return None


def _time_in(words: str) -> tuple[time, str] | None:
    found = _TIME.search(words)
    if found is None:
        return None
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    half = (found[4] or "").lower()
    if half and 1 <= hour <= 12:
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    offset = (found[5] or "").upper()
    if offset and offset != "Z" and ":" not in offset:
        offset = f"{offset[:3]}:{offset[3:]}"
    try:
        return time(hour, minute, second), offset
    except ValueError:
        return None
