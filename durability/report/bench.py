"""What a bench session shows, as wide as its terminal: words and the small plot."""

from __future__ import annotations

import textwrap
from collections.abc import Container, Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from durability.record.basis import MIN_DROPS_FOR_TREND, counted
from durability.record.errors import folded
from durability.report import labels, safety
from durability.report.answers.trend import TOO_EARLY, wear_signalled
from durability.report.blocks import Block, Items, Preformatted, Words

if TYPE_CHECKING:
    from durability.record.receipts import CorrectedPeak
    from durability.rig.results import RigWatch
    from durability.wear.results import Forecast, Trend
    from durability.workflow.results import BenchStanding

BENCH_CAUTIONS = (
    *safety.CAUTIONS,
    "Glass and splinters: look before you reach. Keep guards closed and the release blocked while"
    " anyone is near. This program is not an interlock.",
)

PAGE_WIDTH = 42
"""Characters of the plot on a page: a phone held upright shows them."""
WIDE = 10_000
"""No line is as long: a page breaks them itself."""
PLOT_ROWS = 6
"""Beside the row of the limit and the axis."""
LEAST_SPAN = 0.05
"""Of the highest reading: what the plot spans at least, so that no scatter fills it."""
FIRST_ALARM_LOOK = 5
"""Valid drops from which the running alarm judges."""
READING, DOUBTED, ABOVE, BELOW, LEVEL, LIMIT = "●×▲▼─="


_LINE_WORDS = {
    "--peak-g": "peak",
    "--pulse-duration-ms": "pulse duration",
    "--achieved-height-mm": "height",
    "--temperature-c": "temperature",
    "--damage-severity": "severity",
    "--damage-mode": "damage mode",
    "--damage-location": "place of the damage",
}
"""What a line of a bench session has no option for."""


def of_a_line(message: str) -> str:
    """What is said of a typed line, whose fields have no names: words in place of an option.

    Examples
    --------
    >>> of_a_line("--peak-g '-5': not a number above 0")
    "peak '-5': not a number above 0"
    """
    option, _, rest = message.partition(" ")
    return f"{_LINE_WORDS.get(option, option)} {rest}"


def wrapped(words: str, width: int, mark: str = "") -> str:
    """A sentence over as many lines as the terminal needs, the later ones indented."""
    return folded(words, width, mark, " " * len(mark))


def opening(series: dict[str, Any], width: int) -> str:
    """What is dropped, in what, under which conditions, and what its record lacks."""
    drops = counted(series["drops"], "drop")
    void = series["drops"] - series["valid_drops"]
    made = f"{drops} so far" + (f", {void} void" if void else "")
    lines = [wrapped(f"{series['series']}: {labels.series_words(series)}; {made}", width)]
    lines += [wrapped(missing, width, "! ") for missing in series["missing"]]
    return "\n".join(lines)


def cautions(width: int) -> str:
    """The cautions to be acknowledged before the first drop."""
    return "\n".join(wrapped(caution, width, "* ") for caution in BENCH_CAUTIONS)


def acknowledged(person: str, at: datetime, width: int) -> str:
    """That a person has acknowledged the cautions this day, instead of all of them again."""
    return wrapped(
        f"Cautions (fragments, falling masses, lithium cells, glass) as acknowledged by {person}"
        f" today at {at:%H:%M}; type cautions to read them again.",
        width,
        "* ",
    )


def corrected(drop_number: int, of: CorrectedPeak) -> str:
    """What a peak was and is, for instance "drop 7: 1250 → 125 g"."""
    was = "no reading" if of.was is None else f"{of.was:g}"
    void = f"; it is still void ({of.void_reason})" if of.void_reason else ""
    return f"drop {drop_number}: {was} → {of.right:g} g{void}"


def rig_line(watched: RigWatch, today: str, width: int) -> str:
    """State of the rig by one reference series, for the start of a session."""
    health = watched.health
    last = day(watched.last_when) if watched.axis == "time" else None
    seen = f"last reference drop {last}" if last else counted(watched.drops, "reference drop")
    if last and last != today:
        seen += ", none today"
    if health.verdict == "drifted":
        words = (
            f"rig DRIFTED by {watched.series}: since {when(watched, health.since)}"
            f" {drift(watched)}; {seen}"
        )
    elif health.verdict == "too few":
        words = f"rig: {health.basis} in {watched.series} to watch it; {seen}"
    else:
        words = f"rig in control by {watched.series}: {counted(watched.drops, 'drop')}; {seen}"
    mark = "  " if health.verdict == "in control" and last in (None, today) else "! "
    return wrapped(words, width, mark)


def drift(watched: RigWatch) -> str:
    """Size of a drift with its interval."""
    health = watched.health
    return (
        f"{labels.percent(health.drift_pct)} %"
        f" ({labels.percents(health.drift_lower, health.drift_upper)})"
    )


def day(seconds: float | None) -> str:
    """Calendar day of the bench clock."""
    if seconds is None:
        return labels.ABSENT
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d")


def moment(seconds: float) -> str:
    """Time of the bench clock, ISO 8601."""
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat(timespec="seconds")


def when(watched: RigWatch, value: float | None) -> str:
    """A place on the axis of a reference series."""
    if value is None:
        return labels.ABSENT
    return day(value) if watched.axis == "time" else f"drop {value:.0f}"


def standing(
    result: BenchStanding, width: int, *, plot: bool = True, known: Container[str] = ()
) -> str:
    """Trend so far as a plot, the running alarm in words, drops left.

    Parameters
    ----------
    result : BenchStanding
        Where the series stands.
    width : int
        Of the terminal, in characters.
    plot : bool
        With the plot, for a terminal; without it for a pipe.
    known : container of str
        Names of its signals that were shown before: each stands out once, and is named after.

    Returns
    -------
    str
        At most 9 rows of plot, then a line or two for each answer.
    """
    trend, forecast = result.trend, result.forecast
    lines = []
    if plot and trend.valid_drops:
        lines.append(small_plot(trend, None if forecast is None else forecast.limit_g, width))
    if result.rig is not None:
        lines.append(rig_line(result.rig, day(result.rig.last_when), width))
        return "\n".join(lines)
    raised = signals(result)
    for name, why in raised.items():
        if name not in known:
            words = wrapped(f"{name}: {why}. Stop and inspect.", width - len(labels.SIGNAL))
            lines.append(textwrap.indent(words, labels.SIGNAL))
    named = "; ".join(name for name in raised if name in known)
    so_far = rate(trend) if raised else running(trend)
    lines.append(wrapped(f"{named}; {so_far}" if named else so_far, width))
    if forecast is not None and not forecast.failed:
        lines.append(wrapped(drops_left(forecast, result.like_series), width))
    return "\n".join(lines)


def blocks(series: dict[str, Any], result: BenchStanding) -> Iterator[Block]:
    """The same on a page: the series, its signals, the plot, and how it stands."""
    yield Items(opening(series, WIDE).splitlines())
    if result.rig is None and result.trend.valid_drops:
        limit_g = None if result.forecast is None else result.forecast.limit_g
        yield Preformatted(small_plot(result.trend, limit_g, PAGE_WIDTH))
    yield from map(Words, standing(result, WIDE, plot=False).splitlines())


def signals(result: BenchStanding) -> dict[str, str]:
    """What says to stop and inspect: the name of each signal, and why it was raised."""
    trend, forecast = result.trend, result.forecast
    raised = {}
    if trend.wear_alarm_stands:
        raised[f"WEAR ALARM since drop {trend.wear_alarm_at_drop}"] = "the rise goes on"
    elif trend.alarm_at_drop is not None:
        why = "peak g has been rising"
        if trend.too_early:
            why = TOO_EARLY
        elif trend.verdict == "settled":
            why = "peak g rose and has levelled off"
        raised[f"ALARM since drop {trend.alarm_at_drop}"] = why
    if forecast is not None and forecast.failed:
        why = "damage of severity 4"
        if forecast.failure_cause == "peak limit":
            why = f"its level has reached the limit of {labels.number(forecast.limit_g)} g"
        raised[f"FAILED at drop {forecast.failed_at_drop}"] = why
    return raised


def rate(trend: Trend) -> str:
    """Level and rate of rise so far."""
    return (
        f"level {labels.number(trend.level_first_g)} to {labels.number(trend.level_latest_g)} g,"
        f" now {labels.percent(trend.rise_pct_per_drop)} % per drop"
        f" (90 %: {labels.percents(trend.rise_lower, trend.rise_upper)})"
    )


def running(trend: Trend) -> str:
    """That no alarm was raised so far; the verdict of a finished series is not said meanwhile."""
    if trend.valid_drops < MIN_DROPS_FOR_TREND:
        return (
            f"too few to say: {counted(trend.valid_drops, 'valid drop')}; the alarm judges from"
            f" {FIRST_ALARM_LOOK} on"
        )
    if trend.valid_drops < FIRST_ALARM_LOOK:
        return f"no alarm yet, it judges from {FIRST_ALARM_LOOK} valid drops on; {rate(trend)}"
    return f"no alarm so far; {rate(trend)}"


def drops_left(forecast: Forecast, like_series: int) -> str:
    """Drops left until a case that has not failed does, with their interval."""
    limit = (
        "" if forecast.limit_g is None else f" to the limit of {labels.number(forecast.limit_g)} g"
    )
    ends = forecast.drops_to_failure

    def left(value: float | None) -> str:
        until = forecast.left_until(value)
        return "over 400" if until is None else f"{until:.0f}"

    if ends.lower is None:
        span = "over 400"
    elif ends.median is None:
        span = f"at least {left(ends.lower)} (95 %)"
    else:
        span = f"{left(ends.median)} (90 %: {left(ends.lower)} to {left(ends.upper)})"
    like = f", with {counted(like_series, 'like series', 'like series')}" if like_series else ""
    return f"drops left{limit}: {span}{like}"


def finished(trend: Trend) -> str:
    """The verdict on a series judged once, at its end."""
    if trend.valid_drops < MIN_DROPS_FOR_TREND:
        return f"too few to judge: {counted(trend.valid_drops, 'valid drop')}"
    heard = (
        f"; the running alarm was raised at drop {trend.alarm_at_drop}{wear_signalled(trend)}"
        if trend.alarm_at_drop is not None
        else "; the running alarm was never raised"
    )
    return (
        f"judged once on all {counted(trend.valid_drops, 'valid drop')}: {trend.verdict}{heard}."
        " Of steady series judged so once, 1 in 20 is called rising"
    )


def small_plot(trend: Trend, limit_g: float | None, width: int) -> str:
    """Readings, level and limit over the drops in a few rows of letters.

    The undoubted readings and the level set the scale; a doubted one beyond it is an arrow in a
    row of its own, with its value.

    Parameters
    ----------
    trend : Trend
        At least one valid drop.
    limit_g : float, optional
        Drawn in its place, or named in the key where it lies far off.
    width : int
        Of the terminal.

    Returns
    -------
    str
        The last row is the key of the marks that occur.
    """
    numbers = [int(number) for number in trend.drop_number]
    readings: dict[int, float] = dict(zip(numbers, trend.peak_g.tolist(), strict=True))
    levels: list[float] = trend.level_g.tolist()
    sure = [value for number, value in readings.items() if number not in trend.doubted_drops]
    low, high = min(*sure, *levels), max(*sure, *levels)
    margin = max(LEAST_SPAN * high - (high - low), 0.0) / 2
    low, high = low - margin, high + margin
    near = limit_g is not None and low < limit_g <= high + (high - low)
    if near and limit_g is not None:
        high = max(high, limit_g)
    last = numbers[-1]
    room = max(width - 24, 20)
    step = max(1, min(3, room // last))
    columns = min(room, last * step)

    def column(number: int) -> int:
        at = (number - 1) * step if last * step <= room else (number - 1) * room // last
        return min(at, columns - 1)

    def row(value: float) -> int:
        return round((high - value) / (high - low) * (PLOT_ROWS - 1))

    field = [[" "] * columns for _ in range(PLOT_ROWS)]
    if near and limit_g is not None:
        field[row(limit_g)] = [LIMIT] * columns
    for number, level in zip(numbers, levels, strict=True):
        for beside in range(step):
            field[row(level)][min(column(number) + beside, columns - 1)] = LEVEL
    beyond: dict[str, dict[int, float]] = {ABOVE: {}, BELOW: {}}
    for number, reading in readings.items():
        if low <= reading <= high:
            mark = DOUBTED if number in trend.doubted_drops else READING
            field[row(reading)][column(number)] = mark
        else:
            beyond[ABOVE if reading > high else BELOW][number] = reading
    lines = []
    for at, cells in enumerate(field):
        value = high - (high - low) * at / (PLOT_ROWS - 1)
        named = (
            ""
            if limit_g is None or not near or row(limit_g) != at
            else f" limit {labels.number(limit_g)}"
        )
        lines.append(f"{labels.number(value):>7} |{''.join(cells).rstrip()}{named}")

    def edge(arrow: str) -> list[str]:
        """The row of what lies beyond an edge, with the values of the latest two."""
        cells = [" "] * columns
        for number in beyond[arrow]:
            cells[column(number)] = arrow
        values = ", ".join(labels.recorded(value) for value in list(beyond[arrow].values())[-2:])
        return [f"{'':>7} |{''.join(cells).rstrip()} {values}"] if values else []

    marks = {
        READING: "reading",
        DOUBTED: "doubted reading",
        ABOVE: "doubted, off the scale",
        BELOW: "doubted, off the scale",
        LEVEL: "level",
    }
    end = f"{last:>{max(column(last), len(str(last)))}}" if last > 1 else ""
    lines = [*edge(ABOVE), *lines, *edge(BELOW), f"{'g, drop':>7}  1{end}"]
    drawn = set("".join(lines))
    key = [f"{mark} {words}" for mark, words in marks.items() if mark in drawn]
    if limit_g is not None and not near:
        key.append(f"limit {labels.number(limit_g)} {'far above' if limit_g > high else 'below'}")
    return "\n".join([*lines, wrapped("  ".join(key), width, " " * 9)])
