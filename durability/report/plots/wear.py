"""Peak g by drop number, one panel a series."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from matplotlib.ticker import MaxNLocator

from durability.report import labels
from durability.report.answers.trend import trend_sentence, trends_answer
from durability.report.plots import look, series

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.workflow.results import SeriesPicture


_MOST_WITH_RISE = 9
"""Panels up to which a title has room for the rise."""


@look.in_our_look
def wear(pictures: Sequence[SeriesPicture], *, most: int | None = None) -> Figure:
    """Peak g by drop number with level, band, limit, voided and doubted drops and damage.

    Several series become small multiples, what needs action first. Every panel spans the same
    multiple of its own level at the first drop: equal slopes are equal percentages.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        One a series.
    most : int, optional
        Panels at most; what needs action stands first.

    Returns
    -------
    Figure
    """
    if not pictures:
        return look.missing(labels.NOTHING["series"])
    shown = sorted(pictures, key=_worst_first)[: most or look.MOST_PANELS]
    sheet = look.Sheet(
        _wear_answer(pictures),
        series.shown_words(shown),
        key=series.series_key(shown),
        notes=_wear_notes(shown, len(pictures)),
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


def _wear_notes(shown: Sequence[SeriesPicture], of: int) -> list[str]:
    notes = []
    if len(shown) > 1:
        marks = ", ".join(f"{mark} {word}" for word, mark in labels.VERDICT_MARKS.items())
        notes.append(
            f"{marks}. Each panel spans the same multiple of its own level at the first drop:"
            " equal slopes are equal percentages."
        )
    if len(shown) == 1:
        notes.append(f"Rests on: {shown[0].trend.basis}.")
    notes += _off_scale_note(shown)
    if len(shown) < of:
        notes.append(f"{len(shown)} of {of} series shown, what needs action first.")
    return notes


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
    named = labels.listed(off[:6]) + (f" and {len(off) - 6} more" if len(off) > 6 else "")
    return [f"Arrow heads at the edge stand for readings off the scale: {named}."]


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
