"""What is typed at the bench, and pictures of damage → records, or what would be right."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path

from durability.intake.columns import COLUMNS, PLAUSIBLE_RANGE, PLAUSIBLE_YEARS
from durability.record import clock, units
from durability.record.errors import UnusableCall
from durability.record.vocabulary import DAMAGE_MODES, VOID_REASONS


@dataclass(frozen=True, slots=True)
class TypedDrop:
    """One drop as typed; None where nothing was."""

    peak_g: str | None
    values: Mapping[str, str | None] = field(default_factory=dict)
    void_reason: str | None = None


_OFFSET = re.compile(r"(Z|[+-]\d{2}:?\d{2})$")


def typed_value(column: str, text: str, *, option: str | None = None) -> str | float | int:
    """Value of one typed field, in the unit of its column.

    Parameters
    ----------
    column : str
        A name of the column table, for instance ``peak_g``.
    text : str
        What was typed; a quantity with or without its unit.
    option : str, optional
        How the message names the field; by default the column's name.

    Returns
    -------
    str, float or int
        Numbers as numbers, in the column's own unit; dates and times as ISO text.

    Raises
    ------
    UnusableCall
        The text is no such value, or lies out of the column's range.
    """
    rule = COLUMNS[column]
    name = option or column
    text = text.strip()
    wrong = UnusableCall(f"{name} {text!r}: not {rule.right}")
    if rule.kind == "text":
        if not text:
            raise UnusableCall(f"{name}: blank; give {rule.right}")
        if not rule.is_free and not text.isprintable():
            raise UnusableCall(f"{name} {text!r}: holds a control character; give {rule.right}")
        return text
    if rule.kind == "choice":
        if text not in rule.choices:
            raise wrong
        return text
    if rule.kind in ("date", "timestamp"):
        moment, offset = typed_time(text, name=name, right=rule.right)
        if not PLAUSIBLE_YEARS[0] <= moment.year <= PLAUSIBLE_YEARS[1]:
            raise UnusableCall(f"{name} {text!r}: not a plausible year; give {rule.right}")
        if rule.past and moment > clock.wall_clock():
            raise UnusableCall(f"{name} {text!r}: is in the future; give {rule.right}")
        return moment.date().isoformat() if rule.kind == "date" else moment.isoformat() + offset
    try:
        number = int(text) if rule.kind == "integer" else units.read(text, rule.quantity)
    except ValueError as fault:
        if rule.kind == "integer" or not fault.args:
            raise wrong from None
        raise UnusableCall(f"{name} {text!r}: {fault}") from None
    in_range = (
        abs(number) < float("inf")  # nor NaN
        and (rule.above is None or number > rule.above)
        and (rule.least is None or number >= rule.least)
        and (rule.most is None or number <= rule.most)
    )
    if not in_range:
        raise wrong
    if rule.must_be_plausible and not PLAUSIBLE_RANGE[0] <= number <= PLAUSIBLE_RANGE[1]:
        size = "small" if number < 1 else "large"
        raise UnusableCall(f"{name} {text!r}: implausibly {size}; give {rule.right}")
    return number


def typed_time(text: str, *, name: str, right: str) -> tuple[datetime, str]:
    """Wall-clock time and offset of an ISO 8601 text.

    Parameters
    ----------
    text : str
        Date, or date and time, with or without an offset.
    name, right : str
        How the message names the field, and what would be right.

    Returns
    -------
    moment : datetime
        As written on the wall, without zone.
    offset : str
        "+01:00", "Z" or "" when none was written.

    Raises
    ------
    UnusableCall
        The text is not ISO 8601.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UnusableCall(f"{name} {text!r}: not {right}") from None
    found = _OFFSET.search(text) if moment.tzinfo else None
    return moment.replace(tzinfo=None), found.group(0) if found else ""


def typed_date(text: str, *, option: str) -> date:
    """Calendar date of an ISO 8601 text; the future is allowed.

    Parameters
    ----------
    text : str
        A date such as 2026-03-14.
    option : str
        How the message names the field.

    Returns
    -------
    date
        The calendar date.

    Raises
    ------
    UnusableCall
        The text is not an ISO 8601 date.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UnusableCall(f"{option} {text!r}: not an ISO 8601 date, like 2026-03-14") from None


def typed_start(text: str, *, option: str) -> datetime:
    """Instant of an ISO 8601 text; of a date its beginning, by the bench clock.

    Parameters and raises as in :func:`typed_instant`.
    """
    try:
        return datetime.combine(date.fromisoformat(text), time.min).astimezone()
    except ValueError:
        return typed_instant(text, option=option)


def typed_instant(text: str, *, option: str) -> datetime:
    """Instant of an ISO 8601 text; of a date its end, by the bench clock.

    Parameters
    ----------
    text : str
        A date, or a date and time with its offset.
    option : str
        How the message names the field.

    Returns
    -------
    datetime
        With its offset.

    Raises
    ------
    UnusableCall
        The text is neither.
    """
    with suppress(ValueError, OverflowError):  # in UTC beyond the calendar
        return datetime.combine(date.fromisoformat(text), time.max).astimezone(UTC).astimezone()
    with suppress(ValueError, OverflowError):
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is not None:
            instant.astimezone(UTC)
            return instant
    raise UnusableCall(
        f"{option} {text!r}: not a date, like 2026-03-14, nor an instant with its offset, like"
        " 2026-03-14T16:30+01:00"
    )


def typed_values(
    values: Mapping[str, str | None], columns: Sequence[str]
) -> dict[str, str | float | int | None]:
    """Values of several typed fields; None where nothing was typed.

    Parameters
    ----------
    values : mapping of str to str or None
        Column → text; columns not there were not typed.
    columns : sequence of str
        The columns wanted.

    Returns
    -------
    dict
        Every wanted column.

    Raises
    ------
    UnusableCall
        A text is no value of its column.
    """
    return {
        column: None
        if (text := values.get(column)) is None
        else typed_value(column, text, option="--" + column.replace("_", "-"))
        for column in columns
    }


def as_typed(values: Mapping[str, str | None]) -> str:
    """What an entry keeps of quantities that were typed in another way than they are stored.

    Parameters
    ----------
    values : mapping of str to str or None
        Column → text, as typed.

    Returns
    -------
    str
        To stand behind the words of the entry; blank where each stands as it was typed.

    Examples
    --------
    >>> as_typed({"peak_g": "1180m/s2", "temperature_c": "21.5", "note": "hot"})
    ' (typed: peak_g 1180m/s2)'
    """
    told = [
        f"{column} {text.strip()}"
        for column, text in values.items()
        if text and column in COLUMNS and COLUMNS[column].kind == "number"
        if not units.is_plain(text)
    ]
    return f" (typed: {', '.join(told)})" if told else ""


def assignments(texts: Sequence[str], columns: Sequence[str], option: str) -> dict[str, str]:
    """Column and value of each "COLUMN=VALUE".

    Parameters
    ----------
    texts : sequence of str
        As typed.
    columns : sequence of str
        The columns that may be named.
    option : str
        How the message names them.

    Returns
    -------
    dict of str to str
        Column → text, "" for blank.

    Raises
    ------
    UnusableCall
        A text has no "=", or names another column.
    """
    found = {}
    for text in texts:
        column, equals, value = text.partition("=")
        column = column.strip()
        if not equals:
            raise UnusableCall(f"{option} {text!r}: no '='; write COLUMN=VALUE")
        if column not in columns:
            raise UnusableCall(f"{option} {text!r}: column is none of {', '.join(columns)}")
        found[column] = value.strip()
    return found


_VOID = re.compile(r"(?:^|(?<=\s))void:\s*(?P<reason>.*)$")
_VOID_KEY = re.compile(r"(?:^|(?<=\s))v(?P<key>\d)(?:\s+(?P<words>.*))?$")
_DAMAGE = re.compile(
    rf"(?:^|(?<=\s))d(?P<severity>\d[^\s/]*)(?:/(?P<mode>{'|'.join(DAMAGE_MODES)}|\S*))?"
    r"(?:\s+(?P<location>.*))?$"
)
_LINE_COLUMNS = (
    "pulse_duration_ms",
    "achieved_height_mm",
    "temperature_c",
    "damage_severity",
    "damage_mode",
    "damage_location",
)
_MARKED = {"h": "achieved_height_mm", "t": "temperature_c"}


def read_line(words: str) -> TypedDrop:
    """One line of a bench session: peak, duration, height, temperature, damage, void, note.

    Parameters
    ----------
    words : str
        For instance "118", "118 6.2", "1180m/s2 h48in t70F", "118 d2 corner 3 # hairline",
        "118 d2/crack corner 3", "118 v1", "void: the door slammed"; in this order.

    Returns
    -------
    TypedDrop
        What was typed, unchecked but for its form.

    Raises
    ------
    UnusableCall
        The line has another form.
    """
    typed, reason = words.strip(), None
    if match := _VOID.search(typed):
        typed, reason = typed[: match.start()], match["reason"].strip()
        if not reason:
            raise UnusableCall(f"{words!r}: no reason after void:, like void: cable snag")
    typed, _, note = typed.partition("#")
    if match := _VOID_KEY.search(typed.strip()):
        typed, reason = typed.strip()[: match.start()], keyed_reason(match["key"], match["words"])
    values: dict[str, str | None] = dict.fromkeys(_LINE_COLUMNS)
    values["note"] = note.strip() or None
    if match := _DAMAGE.search(typed.strip()):
        typed = typed.strip()[: match.start()]
        values |= {f"damage_{name}": told for name, told in match.groupdict().items()}
    readings: list[str] = []
    for word in units.joined(typed).split():
        column = _MARKED.get(word[0])
        if column and word[1:] and values[column] is None:
            values[column] = word[1:]
        else:
            readings.append(word)
    is_drop = any(map(str.isdigit, readings[0])) if readings else reason
    if len(readings) > 2 or not is_drop:
        raise UnusableCall(
            f"{words!r}: not a drop; write peak g, then duration in ms, h and the height reached,"
            " t and the temperature, d and severity with its place, # and a note"
        )
    peak, duration = [*readings, None, None][:2]
    values["pulse_duration_ms"] = duration
    return TypedDrop(peak, values, reason)


def keyed_reason(key: str, words: str | None) -> str:
    """Reason for voiding a drop, from its key and perhaps further words.

    Parameters
    ----------
    key : str
        "1" to "6", a place in ``VOID_REASONS``.
    words : str, optional
        Free words behind it.

    Returns
    -------
    str
        For instance "cable snag", or "other: the door slammed".

    Raises
    ------
    UnusableCall
        No such key, or "other" without words.
    """
    if not ("1" <= key <= str(len(VOID_REASONS))):
        raise UnusableCall(f"v{key}: no such reason; keys are {void_keys()}")
    reason, words = VOID_REASONS[int(key) - 1], (words or "").strip()
    if reason == "other" and not words:
        raise UnusableCall(f"v{key}: other needs words, like v{key} the door slammed")
    return f"{reason}: {words}" if words else reason


def void_keys() -> str:
    """The keys with their reasons, in a line."""
    return ", ".join(f"{key} {reason}" for key, reason in enumerate(VOID_REASONS, start=1))


_UNDO = re.compile(r"u(?:ndo)?(?:\s*v?(?P<key>\d)(?:\s+(?P<words>.*))?|\s*:\s*(?P<reason>.+))?")


def read_undo(words: str) -> str | None:
    """Reason of an undo; None when the line is no undo.

    Parameters
    ----------
    words : str
        "undo" or "u", alone, with a key ("u1", "undo 1") or with words ("undo: wrong case").

    Returns
    -------
    str or None
        Why the last drop is void.

    Raises
    ------
    UnusableCall
        No such key.
    """
    match = _UNDO.fullmatch(words.strip())
    if not match:
        return None
    if match["key"]:
        return keyed_reason(match["key"], match["words"])
    return (match["reason"] or "").strip() or "undone at the bench"


_CORRECTION = re.compile(r"c(?:\s+(?P<number>\d+))?\s+(?P<peak>\S+)")


def read_correction(words: str) -> tuple[int | None, str] | None:
    """Number of a drop and its right peak g; None when the line is no correction.

    Parameters
    ----------
    words : str
        "c 125" for the last reading, "c 7 125" for the seventh.

    Returns
    -------
    (int or None, str) or None
        Without a number the last drop is meant; the peak as typed.

    Raises
    ------
    UnusableCall
        The line begins as one and goes on otherwise.
    """
    if words.split()[:1] != ["c"]:
        return None
    match = _CORRECTION.fullmatch(units.joined(words.strip()))
    if not match:
        raise UnusableCall(f"{words!r}: not a correction; write c 125, or c 7 125 for drop 7")
    return int(match["number"]) if match["number"] else None, match["peak"]


_NEVER = re.compile(r"never(?:\s+(?P<number>\d+))?(?:\s*:?\s+(?P<reason>.+))?")


def read_never(words: str) -> tuple[int | None, str] | None:
    """Number of a drop that was never made, and why; None when the line says no such thing.

    Parameters
    ----------
    words : str
        "never" for the last entry, "never 7" for the seventh, with words behind it or without.

    Returns
    -------
    (int or None, str) or None
        Without a number the last drop is meant.
    """
    match = _NEVER.fullmatch(words.strip())
    if not match:
        return None
    return int(match["number"]) if match["number"] else None, match["reason"] or "entered twice"


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture by name and SHA-256, and the file to be kept."""

    file_name: str
    file_sha256: str
    media_type: str
    bytes: int
    path: Path

    @property
    def told(self) -> dict[str, str | int]:
        """What the JSON says of it."""
        of = self.file_name, self.file_sha256, self.media_type, self.bytes
        return dict(zip(("file_name", "file_sha256", "media_type", "bytes"), of, strict=True))


_FIRST_BYTES = {
    rb"\x89PNG\r\n\x1a\n": "image/png",
    rb"\xff\xd8\xff": "image/jpeg",
    rb"RIFF....WEBP": "image/webp",
}
"""Of the kinds of picture that every browser shows."""

PHOTO_ENDINGS = {"image/png": ".png", "image/jpeg": ".jpg", "image/webp": ".webp"}
UNKNOWN_MEDIA_TYPE = "application/octet-stream"


def media_type(content: bytes) -> str:
    """Kind of picture, by its first bytes."""
    kinds = (kind for first, kind in _FIRST_BYTES.items() if re.match(first, content, re.DOTALL))
    return next(kinds, UNKNOWN_MEDIA_TYPE)


def read_photos(paths: Iterable[str]) -> list[Photo]:
    """Name and digest of each picture, the same picture once.

    Parameters
    ----------
    paths : iterable of str
        Files of any kind of picture; none is looked into.

    Returns
    -------
    list of Photo
        In the order given.

    Raises
    ------
    UnusableCall
        A file is not there, can't be read, or is empty.
    """
    photos = [_read_photo(Path(path)) for path in paths]
    return list({photo.file_sha256: photo for photo in reversed(photos)}.values())[::-1]


def _read_photo(path: Path) -> Photo:
    from durability.record.whole_file import sha256

    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise UnusableCall(
                f"--photo {path}: a pipe or a device, which need not end; name a file"
            )
        digest = sha256(path)
        size = path.stat().st_size
        with path.open("rb") as opened:
            kind = media_type(opened.read(16))
    except OSError as fault:
        raise UnusableCall(
            f"--photo {path}: {fault.strerror or fault}; give the file of a picture"
        ) from None
    if not size:
        raise UnusableCall(f"--photo {path}: the file is empty; give the file of a picture")
    return Photo(path.name, digest, kind, size, path)


_SCAN_MARK = re.compile(r"(?:\][A-Za-z][0-9A-Za-z])?:?")
"""What a scanner may send before a code (symbology identifier of ISO/IEC 15424, "]Q1" of a QR
code), then the sign of our own labels: no code begins with a colon."""


def scanned(typed: str) -> str:
    """A code as it was scanned or typed, without what a scanner sends before and after it.

    Parameters
    ----------
    typed : str
        For instance "C-21", "]Q1C-21" or ":21", with or without a line end.

    Returns
    -------
    str
        The code alone.

    Examples
    --------
    >>> scanned("]Q1C-21")
    'C-21'
    """
    return _SCAN_MARK.sub("", typed.strip(), count=1)


def is_marked(typed: str) -> bool:
    """Whether it bears the mark of a scan, and so is nothing but a code."""
    return scanned(typed) != typed.strip()


def may_be_a_code(typed: str) -> bool:
    """Whether a line of a bench session may be a code: no number, and longer than most keys."""
    return len(typed) > 1 and not typed[0].isdigit() and typed[0] not in "+-.,"


LONGER_KEYS = re.compile(r"[uv]\d|undo|never|quit|cautions")  # no code in other letters


def label_text(code: str) -> str:
    """What a label makes a scanner type: the code, marked where it could be taken for a reading.

    Parameters
    ----------
    code : str
        Of a specimen.

    Returns
    -------
    str
        What :func:`scanned` turns into the code again.

    Examples
    --------
    >>> label_text("C-21"), label_text("21")
    ('C-21', ':21')
    """
    is_plain = may_be_a_code(code) and scanned(code) == code
    return code if is_plain else f":{code}"
