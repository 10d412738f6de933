"""One place for words, units and digits; stored and computed values are never rounded."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from durability.basis import MIN_DROPS_FOR_TREND, counted
from durability.records import DAMAGE_SEVERITIES
from durability.results import Prediction, Trend

ABSENT = "–"
"""Shown where nothing was recorded or nothing can be said."""

VERDICT_MARKS = {"rising": "▲", "settled": "◦", "steady": "=", "too few": "?"}
"""A symbol that never stands without its word."""

UNITS = {
    "peak_g": "g",
    "pulse_duration_ms": "ms",
    "velocity_change_m_s": "m/s",
    "drop_height_mm": "mm",
    "temperature_c": "°C",
    "mass_g": "g (mass)",
}

CAUTIONS = (
    "Flying fragments and falling masses: wear eye protection and keep hands and faces out of the"
    " drop zone while anything is raised.",
    "A dropped lithium battery can fail hours or days later. If it swells, heats, hisses, smells"
    " or leaks: stop, do not charge it, move it away from people and combustibles if that is safe,"
    " watch it, and follow local rules and qualified help.",
)
"""Usual cautions. They do not replace local codes or licensed practice."""


def number(value: float | None, digits: int = 3) -> str:
    """A number for people, with so many significant digits.

    Parameters
    ----------
    value : float or None
        What to show; None when there is nothing to say.
    digits : int
        Significant digits; whole digits before the point are never cut.

    Returns
    -------
    str
        For instance "118", "4.54", "–".

    Examples
    --------
    >>> number(118.0342), number(0.04321), number(None), number(12345.6)
    ('118', '0.0432', '–', '12346')
    """
    if value is None or value != value:
        return ABSENT
    if value == 0:
        return "0"
    from math import floor, log10

    places = max(0, digits - 1 - floor(log10(abs(value))))
    return f"{value:.{places}f}"


def percent(value: float | None) -> str:
    """A percentage with its sign, for rates of rise."""
    if value is None or value != value:
        return ABSENT
    return f"{value:+.2f}" if abs(value) < 10 else f"{value:+.1f}"


def interval(lower: float | None, upper: float | None, digits: int = 3) -> str:
    """Two ends in words: "31 to 74", or "over 400" when the upper end lies beyond the horizon."""
    if lower is None and upper is None:
        return ABSENT
    if upper is None:
        return f"over {number(lower, digits)}"
    return f"{number(lower, digits)} to {number(upper, digits)}"


def life(prediction: Prediction, horizon: int) -> tuple[str, str]:
    """Median and interval of drops to failure in words.

    Parameters
    ----------
    prediction : Prediction
        Lower, median, upper; None beyond the horizon.
    horizon : int
        Last drop number looked at.

    Returns
    -------
    median, span : str
        For instance ("44", "31 to 74") or ("> 400", "120 to > 400").
    """
    beyond = f"> {horizon}"

    def end(value: float | None) -> str:
        return beyond if value is None else f"{value:.0f}"

    if prediction.lower is None and prediction.median is None:
        return beyond, beyond
    return end(prediction.median), f"{end(prediction.lower)} to {end(prediction.upper)}"


def moment(value: date | datetime | None) -> str:
    """A date or time as people write it; midnight is taken for a date without a time."""
    if value is None:
        return ABSENT
    if isinstance(value, datetime) and (value.hour or value.minute or value.second):
        return value.strftime("%Y-%m-%d %H:%M")
    return value.strftime("%Y-%m-%d")


def severity(value: int | None) -> str:
    """A damage severity with its word."""
    return ABSENT if value is None else f"{value} {DAMAGE_SEVERITIES[int(value)]}"


def text(value: Any) -> str:
    """Any cell of a table."""
    if value is None:
        return ABSENT
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, date):
        return moment(value)
    if isinstance(value, (list, tuple)):
        return listed(value) or ABSENT
    return str(value)


def listed(items: Iterable[Any]) -> str:
    """Items with commas."""
    return ", ".join(str(item) for item in items)


def source(row: dict[str, Any]) -> str:
    """Where a record came from: file and row, or who typed it."""
    if row.get("file_name"):
        return f"{row['file_name']} row {row['source_row']}"
    return f"typed by {row['entered_by']}"


def condition(row: dict[str, Any]) -> str:
    """Height, surface and orientation of a series in a few words."""
    height = row.get("drop_height_mm")
    parts = (
        None if height is None else f"{height:g} mm",
        row.get("surface"),
        row.get("orientation"),
    )
    return listed(part for part in parts if part) or "not recorded"


def series_words(row: dict[str, Any]) -> str:
    """Device, case and condition of a series in a few words."""
    worn = f"in case {row['case']}" if row["case"] else "bare"
    return f"{row['device'] or 'device not recorded'} {worn}, {condition(row)}"


def trend_sentence(trend: Trend) -> str:
    """The verdict on one series, in a sentence with its interval."""
    mark = VERDICT_MARKS[trend.verdict]
    if trend.verdict == "too few":
        return (
            f"{mark} too few: {counted(trend.valid_drops, 'valid drop')}; a trend can be judged"
            f" from {MIN_DROPS_FOR_TREND} on"
        )
    rate = (
        f"{percent(trend.rise_pct_per_drop)} % per drop"
        f" ({percent(trend.rise_lower)} to {percent(trend.rise_upper)})"
    )
    level = f"level {number(trend.level_first_g)} to {number(trend.level_latest_g)} g"
    alarm = f"; first told at drop {trend.alarm_at_drop}" if trend.alarm_at_drop else ""
    return f"{mark} {trend.verdict}: {level}, {rate}{alarm}"
