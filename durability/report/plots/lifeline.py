"""Devices: drops, dose, inspections and failures, line by line; functions against weeks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import MaxNLocator

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers.latent import between_days
from durability.report.plots import look
from durability.report.plots.scales import named_ticks

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.devices.results import CheckTable, LifeLine
    from durability.record.records import FloatArray

_OUTCOMES: dict[str, look.Style] = {
    "pass": {"marker": "o", "markerfacecolor": look.BLUE, "markeredgecolor": look.BLUE},
    "degraded": {"marker": "^", "markerfacecolor": look.SAND, "markeredgecolor": look.INK},
    "fail": {
        "marker": "X",
        "markerfacecolor": look.RUST,
        "markeredgecolor": look.WHITE,
        "markersize": 8,
    },
    "not_tested": {"marker": "_", "markeredgecolor": look.MUTED},
}
_OUTCOME_WORDS = {"not_tested": "not tested"}
_FAILED: look.Style = {
    "facecolor": "#f5e2bd",
    "edgecolor": look.RUST,
    "hatch": "////",
    "linewidth": 0.8,
}
_DAMAGE: look.Style = {
    "marker": "D",
    "markersize": 4.5,
    "markerfacecolor": look.RUST,
    "markeredgecolor": look.WHITE,
    "markeredgewidth": 0.5,
}
MOST_ROWS = 40


@look.in_our_look
def lifeline(lines: Sequence[LifeLine], *, page: int = 1) -> Figure:
    """One device: drops, dose, inspections, the interval in which it failed; several: a row each.

    Parameters
    ----------
    lines : sequence of LifeLine
        The largest shock dose first.
    page : int
        Of the sheets that many devices take.

    Returns
    -------
    Figure
    """
    if not lines:
        return look.missing(labels.NOTHING["devices"])
    order = "those with the largest dose first"
    shown, others = look.leaf("lifeline", lines, page, "devices", order, most=MOST_ROWS)
    return _one_life(lines[0]) if len(lines) == 1 else _many_lives(lines, shown, others)


def _one_life(line: LifeLine) -> Figure:
    history = line.history
    days, origin, axis_words = _days(line)
    functions = sorted(set(history.check_function))
    drops, looks = len(history.drop_day), len(set(np.floor(history.check_day).tolist()))
    undated = int(np.isnan(history.drop_day).sum())
    notes = []
    if undated:
        notes.append(f"{counted(undated, 'drop')} of unknown day not shown.")
    unread = int(np.isnan(history.peak_g).sum())
    if unread:
        notes.append(
            f"{counted(unread, 'drop')} void or without a reading: hollow on the axis; in the dose"
            " at the median of comparable drops."
        )
    notes += _undrawn_damage([line])
    if drops:
        notes.append(
            f"Dose: sum of (peak g / 1000)^{line.dose_exponent:g}, the slope of electronic leads"
            " and solder; good to an order of magnitude at best."
        )
    has_drops = bool(drops - undated)
    heights = [*([1.25, 0.75] if has_drops else []), max(0.4, 0.2 * len(functions) + 0.1)]
    sheet = look.Sheet(
        life_answer(line),
        f"{history.device_model or 'model not recorded'}; {counted(drops, 'drop')},"
        f" {counted(looks, 'day')} of inspection.",
        key=_life_key(line, has_drops=has_drops),
        notes=notes,
    )
    panels = sheet.rows(heights, x_label=axis_words, left_in=1.55)
    check_day = history.check_day - origin
    span = np.concatenate([days[np.isfinite(days)], check_day[np.isfinite(check_day)], [0.0, 1.0]])
    room = 0.04 * (span.max() - span.min())
    panels[0].set_xlim(span.min() - room, span.max() + room)
    if has_drops:
        _draw_drops(panels[0], panels[1], line, days)
        _draw_damage(panels[0], line, origin, 0.94 * panels[0].get_ylim()[1])
    _draw_checks(sheet, panels[-1], line, check_day, functions)
    if line.by_days is not None and line.zero_day is not None:
        start = line.zero_day - origin
        for panel in panels:
            panel.axvspan(
                start + (line.after_days or 0.0),
                start + line.by_days,
                zorder=0.9,
                label="_failed between",
                **_FAILED,
            )
    return sheet.figure


def _days(line: LifeLine) -> tuple[FloatArray, float, str]:
    """Days of the drops from an origin, that origin, and the words of the axis."""
    if line.zero_day is not None and np.isfinite(line.history.drop_day).any():
        return line.history.drop_day - line.zero_day, line.zero_day, "days after the last drop"
    origin = line.zero_day if line.zero_day is not None else _first_day(line.history.check_day)
    return line.history.drop_day - origin, origin, "days after the first inspection"


def _first_day(days: FloatArray) -> float:
    known = days[np.isfinite(days)]
    return float(known.min()) if known.size else 0.0


def _draw_drops(peaks: Axes, doses: Axes, line: LifeLine, days: FloatArray) -> None:
    peak = line.history.peak_g
    read = np.isfinite(peak) & np.isfinite(days)
    peaks.vlines(days[read], 0.0, peak[read], color=look.MUTED, linewidth=0.8)
    peaks.plot(days[read], peak[read], linestyle="none", label="_drops", **look.READING)
    unread = ~np.isfinite(peak) & np.isfinite(days)
    peaks.plot(
        days[unread],
        np.zeros(int(unread.sum())),
        linestyle="none",
        clip_on=False,
        label="_unread",
        **look.VOIDED,
    )
    top = float(peak[read].max()) if read.any() else 100.0
    peaks.set_ylim(0.0, 1.15 * top)
    peaks.yaxis.set_major_locator(MaxNLocator(4))
    peaks.set_ylabel("peak, g", fontsize=look.SMALL_PT)
    dated = np.isfinite(days)
    order = np.argsort(days[dated], kind="stable")
    steps = days[dated][order]
    dose = line.shock_dose[dated][order]
    end = peaks.get_xlim()[1]
    doses.step(
        np.concatenate([[peaks.get_xlim()[0]], steps, [end]]),
        np.concatenate([[0.0], dose, dose[-1:]]),
        where="post",
        color=look.BLUE,
        label="_dose",
    )
    doses.set_ylim(0.0, 1.2 * float(dose[-1]) if dose[-1] > 0 else 1.0)
    doses.yaxis.set_major_locator(MaxNLocator(2))
    doses.set_ylabel("shock dose", fontsize=look.SMALL_PT)


def _draw_damage(panel: Axes, line: LifeLine, origin: float, height: float) -> None:
    """A mark at each day on which damage of the device was noted."""
    days = [day - origin for day, _ in line.damage if math.isfinite(day)]
    panel.plot(
        days,
        [height] * len(days),
        linestyle="none",
        clip_on=False,
        zorder=6,
        label="_damage",
        **_DAMAGE,
    )


def _undrawn_damage(lines: Sequence[LifeLine]) -> list[str]:
    """That damage notes are missing from the picture, if so."""
    undated = sum(not math.isfinite(day) for line in lines for day, _ in line.damage)
    return [f"Not drawn: {counted(undated, 'damage note')} of unknown day."] if undated else []


def _draw_checks(
    sheet: look.Sheet, panel: Axes, line: LifeLine, days: FloatArray, functions: Sequence[str]
) -> None:
    rows = {function: at for at, function in enumerate(functions)}
    at = np.array([rows[function] for function in line.history.check_function], dtype=float)
    outcomes = np.array(line.history.check_outcome, dtype=object)
    for outcome, style in _OUTCOMES.items():
        here = outcomes == outcome
        panel.plot(
            days[here],
            at[here],
            linestyle="none",
            label=f"_{outcome}",
            **{"markersize": 5, **style},
        )
    names = [sheet.fitted(name, 1.2, look.SMALL_PT, bold=False) for name in functions]
    named_ticks(panel, "y", range(len(functions)), names, look.SMALL_PT)
    panel.set_ylim(len(functions) - 0.4, -0.6)
    if not functions:
        panel.text(
            0.5,
            0.5,
            "never inspected",
            transform=panel.transAxes,
            ha="center",
            va="center",
            color=look.MUTED,
        )


def _many_lives(
    lines: Sequence[LifeLine], shown: Sequence[LifeLine], others: Sequence[str]
) -> Figure:
    notes = [
        "The largest shock dose is at the top. Day 0 is the last drop, for controls the"
        " first inspection.",
        *others,
    ]
    undated = sum(line.zero_day is None for line in shown)
    if undated:
        notes.append(f"{counted(undated, 'device')} with neither a dated drop nor an inspection.")
    notes += _undrawn_damage(shown)
    sheet = look.Sheet(
        lives_answer(lines),
        f"{counted(len(lines), 'device')}, drops and inspections by day.",
        key=_lives_key(shown),
        notes=notes,
    )
    (panel,) = sheet.rows(
        (0.165 * len(shown) + 0.1,), x_label="days after the last drop", left_in=1.35
    )
    for row, line in enumerate(shown):
        _draw_life_row(panel, line, row)
    names = [
        sheet.fitted(
            f"{line.history.device}, {len(line.history.drop_day)}", 1.1, look.TINY_PT, bold=False
        )
        for line in shown
    ]
    named_ticks(panel, "y", range(len(shown)), names, look.TINY_PT)
    panel.set_ylim(len(shown) - 0.4, -0.6)
    panel.grid(visible=False, axis="y")
    panel.annotate(
        "device, drops",
        (0.0, 1.0),
        xycoords="axes fraction",
        xytext=(-5, 5),
        textcoords="offset points",
        ha="right",
        fontsize=look.TINY_PT,
        color=look.MUTED,
        annotation_clip=False,
    )
    panel.autoscale(axis="x")
    panel.margins(x=0.03)
    return sheet.figure


def _draw_life_row(panel: Axes, line: LifeLine, row: int) -> None:
    days, origin, _ = _days(line)
    looks = np.unique(np.floor(line.history.check_day[np.isfinite(line.history.check_day)]))
    looks = looks - origin
    dated = days[np.isfinite(days)]
    both = np.concatenate([dated, looks])
    if both.size:
        panel.hlines(row, both.min(), both.max(), color=look.RULE, linewidth=1.2, zorder=1)
    if line.by_days is not None and line.by_days > 0:
        start = line.after_days or 0.0
        panel.add_patch(
            Rectangle(
                (start, row - 0.32),
                line.by_days - start,
                0.64,
                zorder=2,
                label="_failed between",
                **_FAILED,
            )
        )
    elif line.by_days == 0:
        panel.plot([0.0], [row], zorder=5, **_OUTCOMES["fail"])
    panel.plot(
        dated,
        np.full(dated.size, row),
        linestyle="none",
        marker="v",
        markersize=4.0,
        color=look.INK,
        zorder=4,
    )
    _draw_damage(panel, line, origin, row - 0.38)  # above the drop that it was seen after
    panel.plot(
        looks,
        np.full(looks.size, row),
        linestyle="none",
        marker="o",
        markersize=3.2,
        markerfacecolor=look.BLUE,
        markeredgecolor=look.WHITE,
        markeredgewidth=0.4,
        zorder=3,
    )


def _life_key(line: LifeLine, *, has_drops: bool) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = []
    if has_drops:
        key.append(("drop", Line2D([], [], linestyle="none", **look.READING)))
    if np.isnan(line.history.peak_g).any():
        key.append(("drop without reading", Line2D([], [], linestyle="none", **look.VOIDED)))
    for outcome, style in _OUTCOMES.items():
        if outcome in line.history.check_outcome:
            mark = Line2D([], [], linestyle="none", **{"markersize": 5, **style})
            key.append((_OUTCOME_WORDS.get(outcome, outcome), mark))
    if line.by_days:
        key.append(("failed between these inspections", Patch(**_FAILED)))
    return [*key, *_damage_key([line])]


def _damage_key(lines: Sequence[LifeLine]) -> list[tuple[str, Artist]]:
    if not any(math.isfinite(day) for line in lines for day, _ in line.damage):
        return []
    return [("damage noted on the device", Line2D([], [], linestyle="none", **_DAMAGE))]


def _lives_key(lines: Sequence[LifeLine]) -> list[tuple[str, Artist]]:
    return [
        ("drop", Line2D([], [], linestyle="none", marker="v", markersize=5, color=look.INK)),
        (
            "inspection",
            Line2D(
                [],
                [],
                linestyle="none",
                marker="o",
                markersize=4,
                markerfacecolor=look.BLUE,
                markeredgecolor=look.WHITE,
            ),
        ),
        ("failed between these inspections", Patch(**_FAILED)),
        ("failed on drop day", Line2D([], [], linestyle="none", **_OUTCOMES["fail"])),
        *_damage_key(lines),
    ]


def life_answer(line: LifeLine) -> str:
    """What became of one device, and between which inspections."""
    drops = counted(len(line.history.drop_day), "drop")
    if not len(line.history.drop_day):
        drops = "never dropped"
    if line.by_days is None:
        day = "" if line.after_days is None else f", day {line.after_days:.0f}"
        state = (
            line.state if line.state != "working" else f"still works at its last inspection{day}"
        )
        return f"{line.history.device}: {drops}; {state}."
    functions = labels.listed(line.first_failed_functions) or "a function"
    if line.by_days == 0:
        return f"{line.history.device}: {drops}; {functions} failed on drop day."
    when = between_days(line.after_days, line.by_days)
    return f"{line.history.device}: {drops}; {functions} failed {when}."


def lives_answer(lines: Sequence[LifeLine]) -> str:
    """How many devices failed, and how."""
    later = sum(each.state == "latent failure" for each in lines)
    at_once = sum(each.state == "failed on drop day" for each in lines)
    controls = sum(not len(each.history.drop_day) for each in lines)
    background = sum(each.state == "failed, never dropped" for each in lines)
    dropped = len(lines) - controls
    answer = f"{later} of {counted(dropped, 'dropped device')} failed later"
    if at_once:
        answer += f", {at_once} on drop day"
    if controls:
        answer += f"; {background} of {counted(controls, 'control')} failed"
    return answer + "."


_HEAT = LinearSegmentedColormap.from_list("share", [look.WHITE, look.SAND, look.RUST])
_DARK_FROM = 0.5
"""Share from which a cell takes white letters."""


@look.in_our_look
def heat(tables: Sequence[CheckTable]) -> Figure:
    """Functions against weeks after the last drop: how many of those tested had failed.

    Parameters
    ----------
    tables : sequence of CheckTable
        Dropped devices, then controls.

    Returns
    -------
    Figure
    """
    filled = [each for each in tables if each.functions]
    if not filled:
        return look.missing(labels.NOTHING["checks"])
    devices = "; ".join(f"{each.devices} {each.group}" for each in filled)
    sheet = look.Sheet(
        checks_answer(filled),
        f"{devices}.",
        key=[
            (words, Patch(facecolor=_shade(share), edgecolor=look.MUTED, linewidth=0.6))
            for words, share in (("none failed", 0.0), ("one in ten", 0.1), ("all", 1.0))
        ],
        notes=[
            "In each cell: failed / tested, a device counting once a cell, at its worst; +n d: n"
            " more were degraded. Blank: not inspected. Darker is a larger share failed."
        ],
    )
    heights = [0.23 * len(each.functions) for each in filled]
    panels = sheet.rows(
        heights,
        x_label="weeks after the last drop (controls: after the first inspection)",
        left_in=1.75,
        own_x=True,
    )
    for panel, table in zip(panels, filled, strict=True):
        _draw_heat(sheet, panel, table)
    return sheet.figure


def _draw_heat(sheet: look.Sheet, panel: Axes, table: CheckTable) -> None:
    rows, columns = table.tested.shape
    panel.grid(visible=False)
    panel.set_xlim(0, columns)
    panel.set_ylim(rows, 0)
    cells, shades = [], []
    for row, column in np.argwhere(table.tested):
        failed, tested = int(table.failed[row, column]), int(table.tested[row, column])
        degraded = int(table.degraded[row, column])
        share = failed / tested
        left, right, top, bottom = column + 0.02, column + 0.98, row + 0.05, row + 0.95
        cells.append([(left, top), (right, top), (right, bottom), (left, bottom)])
        shades.append(_shade(share))
        panel.text(
            column + 0.5,
            row + 0.5,
            f"{failed}/{tested}" + (f" +{degraded} d" if degraded else ""),
            ha="center",
            va="center",
            fontsize=look.TINY_PT,
            fontweight="bold" if failed else "normal",
            color=look.WHITE if share >= _DARK_FROM else look.INK,
        )
    drawn = PolyCollection(cells, facecolors=shades, edgecolors=look.RULE, linewidths=0.6)
    panel.add_collection(drawn, autolim=False)
    names = [sheet.fitted(name, 1.5, look.SMALL_PT, bold=False) for name in table.functions]
    named_ticks(panel, "y", np.arange(rows) + 0.5, names, look.SMALL_PT)
    weeks = [weeks_words(each).removeprefix("weeks ").removeprefix("week ") for each in table.weeks]
    weeks = [each.replace(" to ", "–") for each in weeks]
    named_ticks(panel, "x", np.arange(columns) + 0.5, weeks, look.SMALL_PT)
    panel.tick_params(length=0, labelbottom=True)
    for side in ("left", "bottom"):
        panel.spines[side].set_visible(False)
    panel.set_title(
        f"{table.group}, {counted(table.devices, 'device')}",
        loc="left",
        fontsize=look.SMALL_PT,
        fontweight="bold",
        pad=4,
    )


def _shade(share: float) -> Any:
    """Colour of a share failed; its root, since a few failures in a hundred must show."""
    return _HEAT(math.sqrt(share))


def checks_answer(tables: Sequence[CheckTable]) -> str:
    """Which function failed most often among the dropped devices, and when."""
    table = tables[0]
    total = int(table.failed.sum())
    if total == 0:
        return f"No function has failed in {counted(table.devices, 'device')} ({table.group})."
    row, column = divmod(int(table.failed.argmax()), table.failed.shape[1])
    return (
        f"{table.functions[row]} failed most: {table.failed[row, column]} of"
        f" {table.tested[row, column]} {table.group} at {weeks_words(table.weeks[column])}."
    )


def weeks_words(weeks: tuple[int, int | None]) -> str:
    """A stretch of weeks after the last drop."""
    first, last = weeks
    if last is None:
        return f"week {first} on"
    return f"week {first}" if first == last else f"weeks {first} to {last}"
