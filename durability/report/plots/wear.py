"""Peak g by drop number, one panel a series; case models on one scale, or by static stress."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import compare as words
from durability.report.answers.rank import ranking_answer
from durability.report.answers.trend import trend_sentence, trends_answer
from durability.report.plots import look, series

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.wear.results import CushionCurve, CushionPoint, Ranking, Trend
    from durability.workflow.results import SeriesPicture

_MOST_WITH_RISE = 9
"""Panels up to which a title has room for the rise."""


@look.in_our_look
def wear(pictures: Sequence[SeriesPicture], *, page: int = 1) -> Figure:
    """Peak g by drop number with level, band, limit, voided and doubted drops and damage.

    Several series become small multiples, what needs action first. Every panel spans the same
    multiple of its level at the first drop: equal slopes are equal percentages.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        One a series.
    page : int
        Of the sheets that many series take; what needs action is first.

    Returns
    -------
    Figure
    """
    if not pictures:
        return look.missing(labels.NOTHING["series"])
    order = "what needs action first"
    shown, others = look.leaf("wear", sorted(pictures, key=_worst_first), page, "series", order)
    sheet = look.Sheet(
        _wear_answer(pictures),
        series.shown_words(shown),
        key=series.series_key(shown),
        notes=[*_wear_notes(shown), *others],
    )
    panels = sheet.grid(
        len(shown),
        x_label=series.X_LABEL,
        y_label=series.Y_LABEL,
        one_scale=False,
        right_in=0.75 if len(shown) == 1 else 0.0,
    )
    span = series.span(shown)
    panels[0].set_xlim(0.4, max(4, *(series.last_drop(each) for each in shown)) + 0.6)
    look.whole_number_ticks(panels[0], 8 if len(shown) == 1 else 4)
    for panel, picture in zip(panels, shown, strict=True):
        base = series.base_g(picture)
        panel.set_ylim(span[0] * base, span[1] * base)
        panel.yaxis.set_major_locator(MaxNLocator(7 if len(shown) == 1 else 3))
        series.draw_series(panel, picture)
        if len(shown) > 1:
            sheet.title(panel, *_panel_title(picture, short=len(shown) > _MOST_WITH_RISE))
        elif picture.forecast.limit_g is not None:
            series.name_limit(panel, picture.forecast.limit_g)
    return sheet.figure


def _wear_answer(pictures: Sequence[SeriesPicture]) -> str:
    trends = [each.trend for each in pictures]
    if len(trends) == 1:
        return f"{trends[0].series} {trend_sentence(trends[0])}"
    return trends_answer(trends)


def _wear_notes(shown: Sequence[SeriesPicture]) -> list[str]:
    notes = []
    if len(shown) > 1:
        marks = ", ".join(f"{mark} {word}" for word, mark in labels.VERDICT_MARKS.items())
        notes.append(
            f"{marks}. Panels span the same multiple of their first level: equal slopes are equal"
            " percentages."
        )
    if len(shown) == 1:
        notes.append(f"Rests on: {shown[0].trend.basis}.")
    return [*notes, *_off_scale_note(shown)]


def _off_scale_note(shown: Sequence[SeriesPicture]) -> list[str]:
    low, high = series.span(shown)
    off = []
    for each in shown:
        base = series.base_g(each)
        values = series.readings(each, voided=True)
        beyond = values[(values < low * base) | (values > high * base)]
        off += [f"{each.trend.series} {labels.number(value)} g" for value in beyond]
    if not off:
        return []
    return [f"Arrow heads at the edge mark readings off the scale: {labels.some(off, most=3)}."]


def _panel_title(picture: SeriesPicture, *, short: bool) -> tuple[str, str]:
    trend = picture.trend
    rise = ""
    if trend.verdict in ("rising", "settled") and not short:
        rise = f" {labels.percent(trend.rise_pct_per_drop)} %"
    return trend.series, f" {labels.VERDICT_MARKS[trend.verdict]}{rise}"


def _worst_first(picture: SeriesPicture) -> tuple[int, float, str]:
    trend = picture.trend
    order = list(labels.VERDICT_MARKS).index(trend.verdict)
    return order, -(trend.rise_pct_per_drop or 0.0), trend.series


_MOST_LINES = 15
"""Cases of one model up to which each level is a full line."""
"""Panels up to which a title has room for the rise."""


@look.in_our_look
def models(
    pictures: Sequence[SeriesPicture],
    ranking: Ranking | None = None,
    *,
    left_out: int = 0,
    page: int = 1,
) -> Figure:
    """Case models side by side on one scale: the level of each case, readings behind it.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        Series in a case, under one condition.
    ranking : Ranking, optional
        Of these case models: gives their order and the answer.
    left_out : int
        Series that were not comparable: other conditions, bare, or no case model.
    page : int
        Of the sheets that many case models take.

    Returns
    -------
    Figure
    """
    by_model: dict[str, list[SeriesPicture]] = defaultdict(list)
    for picture in pictures:
        if picture.trend.case_model is not None:
            by_model[picture.trend.case_model].append(picture)
    if not by_model:
        return look.missing(labels.NOTHING["case models"])
    places = {} if ranking is None else {one.group: at for at, one in enumerate(ranking.groups)}
    ordered = sorted(
        by_model.items(),
        key=lambda item: (places.get(item[0], len(places)), -_middle_rise(item[1]), item[0]),
    )
    shown, others = look.leaf("models", ordered, page, "case models", "the fastest rising first")
    drawn = [picture for _, members in shown for picture in members]
    notes = [
        "One line a case: its fitted level; ✕ where it failed, by level or by damage, a stroke"
        " where it had not failed. The fastest model is first.",
        *others,
    ]
    if left_out:
        notes.append(
            f"{counted(left_out, 'series', 'series')} not shown: bare, of no model, or under other"
            " conditions."
        )
    notes += [*series.undrawn_damage(drawn), labels.RELATIVE]
    answer = (
        ranking_answer(ranking)
        if ranking is not None
        else models_answer([(name, [each.trend for each in group]) for name, group in ordered])
    )
    sheet = look.Sheet(
        answer,
        series.shown_words(drawn),
        key=_models_key(drawn),
        notes=notes,
    )
    panels = sheet.grid(len(shown), x_label=series.X_LABEL, y_label=series.Y_LABEL, one_scale=True)
    values = np.concatenate([series.readings(each) for each in drawn])
    values = values[np.isfinite(values)]
    panels[0].set_xlim(0.4, max(4, *(series.last_drop(each) for each in drawn)) + 0.6)
    if values.size:
        low, high = np.quantile(values, (0.0025, 0.9975))
        panels[0].set_ylim(0.88 * low, 1.08 * high)
    look.whole_number_ticks(panels[0], 6 if len(shown) <= 4 else 4)
    panels[0].yaxis.set_major_locator(MaxNLocator(5 if len(shown) <= 9 else 3))
    for panel, (name, members) in zip(panels, shown, strict=True):
        for picture in members:
            _draw_case(panel, picture, many=len(members) > _MOST_LINES)
        if not any(each.trend.valid_drops for each in members):
            series.above_all(panel, "no valid drop")
        rising = sum(each.trend.verdict == "rising" for each in members)
        rises = f": {rising} of {len(members)} rising" if len(shown) <= _MOST_WITH_RISE else ""
        sheet.title(panel, name, rises)
    return sheet.figure


def _draw_case(panel: Axes, picture: SeriesPicture, *, many: bool) -> None:
    trend, forecast = picture.trend, picture.forecast
    if not trend.drop_number.size:
        return
    panel.plot(trend.drop_number, trend.peak_g, ".", color=look.MUTED, markersize=2.0, alpha=0.55)
    panel.plot(
        trend.drop_number,
        trend.level_g,
        color=look.BLUE,
        linewidth=0.6 if many else 1.2,
        alpha=0.6 if many else 1.0,
        label="_level",
    )
    end: look.Style = {"color": look.RUST, "marker": "x", "markersize": 6.0, "markeredgewidth": 1.6}
    if forecast.failed_at_drop is not None:
        at = series.level_at(picture, forecast.failed_at_drop)
        panel.plot([forecast.failed_at_drop], [at], zorder=4, label="_failed", **end)
    else:
        panel.plot(
            trend.drop_number[-1:],
            trend.level_g[-1:],
            color=look.BLUE,
            marker="|",
            markersize=6,
            label="_held",
        )


def _models_key(shown: Sequence[SeriesPicture]) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = [
        ("reading", Line2D([], [], linestyle="none", marker=".", color=look.MUTED)),
        ("level of one case", Line2D([], [], color=look.BLUE, linewidth=1.2)),
    ]
    held = Line2D([], [], linestyle="none", marker="|", color=look.BLUE)
    failed = Line2D([], [], linestyle="none", marker="x", markeredgewidth=1.6, color=look.RUST)
    if any(each.forecast.failed for each in shown):
        key.append(("failed", failed))
    if not all(each.forecast.failed for each in shown):
        key.append(("not failed", held))
    return key


def _middle_rise(members: Sequence[SeriesPicture]) -> float:
    rises = [
        each.trend.rise_pct_per_drop
        for each in members
        if each.trend.rise_pct_per_drop is not None and each.trend.verdict != "too few"
    ]
    return float(np.median(rises)) if rises else -np.inf


def models_answer(groups: Sequence[tuple[str, Sequence[Trend]]]) -> str:
    """Which case model climbs fastest, with the spread between its cases."""
    name, trends = groups[0]
    judged = [each for each in trends if each.verdict != "too few"]
    rises = [each.rise_pct_per_drop for each in judged if each.rise_pct_per_drop is not None]
    if not rises:
        return "Too few drops to separate the case models."
    rising = sum(each.verdict == "rising" for each in judged)
    return (
        f"{name} climbs fastest: {rising} of {counted(len(trends), 'series', 'series')} rising,"
        f" {labels.percent(min(rises))} to {labels.percent(max(rises))} % per drop."
    )


_FIRST: look.Style = {
    "marker": "v",
    "markersize": 5.5,
    "markerfacecolor": look.WHITE,
    "markeredgecolor": look.INK,
}
_MOST_LETTERS = 12


@look.in_our_look
def cushion(curves: Sequence[CushionCurve], *, page: int = 1) -> Figure:
    """Peak g against static stress: first drop, mean of the later ones, and wear between them.

    Parameters
    ----------
    curves : sequence of CushionCurve
        One a panel.
    page : int
        Of the sheets that many conditions take.

    Returns
    -------
    Figure
    """
    if not curves:
        return look.missing(words.cushion_answer(curves))
    shown, others = look.leaf("cushion", curves, page, "conditions", "most case models first")
    names = list(dict.fromkeys(point.case_model for each in shown for point in each.points))
    letters = {name: chr(ord("a") + at) for at, name in enumerate(names[:_MOST_LETTERS])}
    unnamed = [f"{counted(len(names) - len(letters), 'case model')} not named."]
    key: list[tuple[str, Artist]] = [
        ("first drop", Line2D([], [], linestyle="none", **_FIRST)),
        (words.LATER, Line2D([], [], linestyle="none", **look.READING)),
        ("wear between", Line2D([], [], color=look.BLUE, linewidth=1.2)),
    ]
    cases = sum(
        max(mean.cases for mean in (point.first_g, point.later_g) if mean is not None)
        for each in shown
        for point in each.points
    )
    sheet = look.Sheet(
        words.cushion_answer(shown),
        f"{counted(len(names), 'case model')}, {counted(cases, 'case')}; bars are"
        f" {labels.share(shown[0].level)} intervals over cases.",
        key=[
            *key,
            *(
                (f"{letter} {name}", Line2D([], [], linestyle="none"))
                for name, letter in letters.items()
            ),
        ],
        notes=[
            *(unnamed if len(names) > len(letters) else ()),
            words.CUSHION_LIMITS,
            *others,
        ],
    )
    panels = sheet.grid(
        len(shown),
        x_label="static stress, kPa",
        y_label=series.Y_LABEL,
        one_scale=True,
        right_in=0.1,
    )
    points = [point for each in shown for point in each.points]
    means = [mean for point in points for mean in (point.first_g, point.later_g) if mean]
    highest = max(mean.value if mean.upper is None else min(mean.upper, 2 * mean.value)
                  for mean in means)  # fmt: skip
    panels[0].set_xlim(0.0, 1.15 * max(point.static_stress_kpa for point in points))
    panels[0].set_ylim(0.0, 1.35 * highest)
    panels[0].xaxis.set_major_locator(MaxNLocator(6 if len(shown) <= 4 else 3))
    panels[0].yaxis.set_major_locator(MaxNLocator(5 if len(shown) <= 9 else 3))
    for panel, curve in zip(panels, shown, strict=True):
        for point in curve.points:
            _draw_point(panel, point)
        if len(shown) <= _MOST_WITH_RISE:
            _name_points(panel, curve, letters)
        sheet.title(panel, curve.words)
    return sheet.figure


def _draw_point(panel: Axes, point: CushionPoint) -> None:
    """First drop a little left of its stress, the later ones a little right, joined by wear."""
    aside = 5.0 * panel.get_xlim()[1] / (panel.get_position().width * look.PAGE_WIDTH_IN * 72)
    ends = point.static_stress_kpa - aside, point.static_stress_kpa + aside
    if point.first_g is not None and point.later_g is not None:
        peaks = [point.first_g.value, point.later_g.value]
        panel.plot(ends, peaks, color=look.BLUE, linewidth=1.2, label="_wear")
    for at, mean, style, name in (
        (ends[0], point.first_g, _FIRST, "_first"),
        (ends[1], point.later_g, look.READING, "_later"),
    ):
        if mean is None:
            continue
        if mean.lower is not None and mean.upper is not None:
            panel.plot([at, at], [mean.lower, mean.upper], color=look.MUTED, linewidth=0.7)
        panel.plot([at], [mean.value], linestyle="none", label=name, zorder=4, **style)


def _name_points(panel: Axes, curve: CushionCurve, letters: dict[str, str]) -> None:
    """A letter over each point, lifted where the one before is too near."""
    width_pt = panel.get_position().width * look.PAGE_WIDTH_IN * 72
    nearest = 11.0 * panel.get_xlim()[1] / width_pt
    rows: list[float] = []
    for point in curve.points:
        if point.case_model not in letters:
            continue
        at = point.static_stress_kpa
        row = next((row for row, last in enumerate(rows) if at - last >= nearest), len(rows))
        rows[row : row + 1] = [at]
        lift = 0.94 - 12.0 * row / (panel.get_window_extent().height * 72 / panel.figure.dpi)
        if lift > 0.5:
            panel.text(
                at, lift, letters[point.case_model], transform=panel.get_xaxis_transform(),
                ha="center", va="center", fontsize=look.TINY_PT,
            )  # fmt: skip
