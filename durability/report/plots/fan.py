"""Drops to failure: the level to come against the limit, and the share that still hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, MaxNLocator, PercentFormatter

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers.forecast import forecast_sentence, forecasts_answer
from durability.report.plots import look, series

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.life.results import SurvivalCurve
    from durability.wear.results import Forecast
    from durability.workflow.results import SeriesPicture, SurvivalPicture


@look.in_our_look
def fan(pictures: Sequence[SeriesPicture], *, level: float, horizon: int, page: int = 1) -> Figure:
    """The level so far and the projected level, against the limit.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        One a series, with its ``fan``.
    level : float
        Content of the prediction interval.
    horizon : int
        Last drop number considered.
    page : int
        Of the sheets that many series take.

    Returns
    -------
    Figure
    """
    if not pictures:
        return look.missing(labels.NOTHING["series"])
    pictures = [each for each in pictures if not each.forecast.is_bare]
    if not pictures:
        return look.missing(labels.NOTHING["failures"])
    ordered = sorted(pictures, key=lambda each: each.forecast.soonest_first)
    shown, others = look.leaf("fan", ordered, page, "series", "the soonest to fail first")
    alone = len(pictures) == 1
    forecasts = [each.forecast for each in pictures]
    answer = (
        fan_answer(forecasts[0], level, horizon)
        if alone
        else forecasts_answer(forecasts, level, horizon)
    )
    notes = []
    if any(each.fan is not None and not each.forecast.failed for each in shown):
        notes.append(
            f"Fan: where the level (not one reading) of this case will lie, {level:.0%} and 50% of"
            " plausible paths. Bar on the limit: drop at which the case fails, by level or damage,"
            f" {level:.0%} interval with its median."
        )
    if alone:
        notes.append(f"Rests on: {shown[0].forecast.basis}.")
    else:
        notes.append("Beside each name: the drop at which it failed (✕), or by median will.")
    notes += [*series.undrawn_damage(shown), *others]
    sheet = look.Sheet(answer, series.shown_words(shown), key=_fan_key(shown, level), notes=notes)
    panels = sheet.grid(
        len(shown),
        x_label=series.X_LABEL,
        y_label=series.Y_LABEL,
        one_scale=False,
        right_in=0.75 if alone else 0.0,
    )
    farthest = max(_farthest(each) for each in shown)
    if not alone:  # one long life must not squeeze all the others
        farthest = min(farthest, 2.5 * max(series.last_drop(each) for each in shown))
    panels[0].set_xlim(0.4, farthest + 0.6)
    look.whole_number_ticks(panels[0], 8 if alone else 4)
    for panel, picture in zip(panels, shown, strict=True):
        base = series.base_g(picture)
        limit = picture.forecast.limit_g or 1.5 * base
        low, _ = series.span([picture])
        panel.set_ylim(low * base, max(1.25 * limit, 1.7 * base))
        panel.yaxis.set_major_locator(MaxNLocator(7 if alone else 3))
        _draw_fan(panel, picture, farthest)
        series.draw_series(panel, picture, damage=False)
        _draw_failure(panel, picture, farthest)
        if not alone:
            sheet.title(panel, picture.trend.series, failure_short(picture.forecast, horizon))
        elif picture.forecast.limit_g is not None:
            series.name_limit(panel, picture.forecast.limit_g)
    return sheet.figure


def _draw_fan(panel: Axes, picture: SeriesPicture, farthest: float) -> None:
    ahead = picture.fan
    if ahead is None or picture.forecast.failed:
        return
    inside = ahead.drop_number <= farthest + 1
    drops = ahead.drop_number[inside]
    top = panel.get_ylim()[1] * 1.2
    lower, inner_lower, median, inner_upper, upper = (
        np.minimum(part[inside], top)
        for part in (
            ahead.lower_g,
            ahead.inner_lower_g,
            ahead.median_g,
            ahead.inner_upper_g,
            ahead.upper_g,
        )
    )
    panel.fill_between(
        drops,
        lower,
        upper,
        facecolor=look.PALE,
        edgecolor=look.SAND,
        linewidth=0.8,
        label="_fan",
    )
    panel.fill_between(
        drops, inner_lower, inner_upper, facecolor=look.SAND, alpha=0.55, linewidth=0
    )
    panel.plot(
        drops,
        median,
        color=look.INK,
        linestyle=(0, (1, 1.2)),
        linewidth=1.2,
    )


def _draw_failure(panel: Axes, picture: SeriesPicture, farthest: float) -> None:
    """The prediction interval of the failure as a bar on the limit."""
    forecast = picture.forecast
    at = forecast.limit_g
    if at is None:
        return
    if forecast.failed_at_drop is not None:
        panel.plot(
            [forecast.failed_at_drop],
            [series.level_at(picture, forecast.failed_at_drop)],
            marker="X",
            markersize=8,
            color=look.RUST,
            markeredgecolor=look.WHITE,
            zorder=5,
            label="_failed",
        )
        return
    life = forecast.drops_to_failure
    if life.lower is None or life.median is None:
        return
    end = farthest + 0.6 if life.upper is None else life.upper
    panel.plot(
        [life.lower, end],
        [at, at],
        color=look.RUST,
        linewidth=4.0,
        solid_capstyle="butt",
        zorder=5,
        label="_failure interval",
    )
    panel.plot(
        [life.median],
        [at],
        marker="D",
        markersize=6,
        markerfacecolor=look.WHITE,
        markeredgecolor=look.RUST,
        markeredgewidth=1.4,
        zorder=6,
        label="_failure median",
    )


def _fan_key(shown: Sequence[SeriesPicture], level: float) -> list[tuple[str, Artist]]:
    key = series.series_key(shown, damage=False)
    if any(each.fan is not None and not each.forecast.failed for each in shown):
        key.append(
            (
                f"projected level, {level:.0%} and 50%",
                Patch(facecolor=look.SAND, edgecolor=look.SAND, alpha=0.55),
            )
        )
    predicted = [
        each.forecast.drops_to_failure.median for each in shown if not each.forecast.failed
    ]
    if any(median is not None for median in predicted):
        key.append(
            (
                f"fails at, {level:.0%}",
                Line2D(
                    [],
                    [],
                    color=look.RUST,
                    linewidth=4,
                    marker="D",
                    markerfacecolor=look.WHITE,
                    markeredgecolor=look.RUST,
                ),
            )
        )
    if any(each.forecast.failed for each in shown):
        key.append(
            ("failed", Line2D([], [], linestyle="none", marker="X", markersize=8, color=look.RUST))
        )
    return key


def _farthest(picture: SeriesPicture) -> float:
    """Last drop a fan is drawn to: some way beyond its median, or twice the drops made."""
    last = series.last_drop(picture)
    life = picture.forecast.drops_to_failure
    if picture.forecast.failed or life.median is None:
        return 1.3 * last + 5
    return max(1.2 * last + 2, min(1.1 * (life.upper or 2 * life.median), 2.2 * life.median))


def failure_short(result: Forecast, horizon: int) -> str:
    """Drop at which a series failed, with a cross, or by median will; after its name."""
    if result.failed:
        return f": ✕ {result.failed_at_drop}"
    if _too_few_to_forecast(result):
        return ": ?"
    return f": {labels.life(result.drops_to_failure, horizon)[0]}"


def _too_few_to_forecast(result: Forecast) -> bool:
    return not result.failed and result.survival_drop.size == 1


def fan_answer(result: Forecast, level: float, horizon: int) -> str:
    """Forecast of one series, or that its drops are too few for one."""
    if _too_few_to_forecast(result):
        return f"{result.series}: {counted(result.drops, 'drop')} made, too few to forecast."
    return forecast_sentence(result, level, horizon)


_MOST_WORDY = 9
"""Panels up to which a title has room for words."""


@look.in_our_look
def survival(picture: SurvivalPicture, *, page: int = 1) -> Figure:
    """Share of cases not failed by drop, with band and a tick for each that still held.

    Parameters
    ----------
    picture : SurvivalPicture
        One curve a case model, under one condition.
    page : int
        Of the sheets that many case models take.

    Returns
    -------
    Figure
    """
    curves, left_out = picture.curves, picture.left_out
    if not curves:
        return look.missing(labels.NOTHING["failures"])
    ordered = sorted(curves, key=_survival_soonest_first)
    shown, others = look.leaf("survival", ordered, page, "case models", "the soonest to fail first")
    cases = sum(_size(each) for each in shown)
    failed = sum(each.failed_drop.size for each in shown)
    notes = [
        "Failed: level at the limit, or damage of severity 4, whichever came first. Not failed:"
        " its drops ended before. The band holds at each drop separately.",
        *others,
    ]
    if left_out:
        notes.append(
            f"{counted(left_out, 'case')} not shown: of no model, or under other conditions."
        )
    notes.append(labels.RELATIVE)
    sheet = look.Sheet(
        survival_answer(ordered),
        f"{counted(cases, 'case')} of {counted(len(shown), 'case model')};"
        f" {failed} failed, {cases - failed} not failed;"
        f" {labels.compared_under(picture.condition)}.",
        key=_key(shown),
        notes=notes,
    )
    panels = sheet.grid(
        len(shown),
        x_label="drop of the case's life",
        y_label="share not failed",
        one_scale=True,
    )
    last = max(float(each.drop[-1]) for each in shown)
    panels[0].set_xlim(0.0, last * 1.04 + 0.5)
    panels[0].set_ylim(0.0, 1.05)
    panels[0].yaxis.set_major_locator(FixedLocator([0.0, 0.5, 1.0]))
    panels[0].yaxis.set_major_formatter(PercentFormatter(1.0))
    look.whole_number_ticks(panels[0], 6 if len(shown) <= 4 else 4)
    for panel, curve in zip(panels, shown, strict=True):
        _draw(panel, curve)
        of = " of " if len(shown) <= _MOST_WORDY else "/"
        sheet.title(panel, curve.group, f": {curve.failed_drop.size}{of}{_size(curve)} failed")
    return sheet.figure


def _draw(panel: Axes, curve: SurvivalCurve) -> None:
    end = float(curve.drop[-1])
    # A step holds until the next; the band after the last drop would rest on nobody.
    panel.fill_between(
        curve.drop, curve.lower, curve.upper, step="post", color=look.BAND, linewidth=0
    )
    panel.step(
        curve.drop,
        curve.survival,
        where="post",
        color=look.BLUE,
        linewidth=look.LINE,
        label="_survival",
    )
    panel.axhline(0.5, color=look.MUTED, linewidth=0.7, linestyle=":")
    drops, counts = np.unique(curve.censored_drop, return_counts=True)
    at = curve.survival[np.searchsorted(curve.drop, drops, side="right") - 1]
    panel.plot(
        drops,
        at,
        linestyle="none",
        marker="|",
        markersize=9,
        markeredgewidth=1.3,
        color=look.INK,
        label="_not failed",
        zorder=4,
        clip_on=False,
    )
    if panel.get_position().width > 0.4:
        for drop, height, count in zip(drops, at, counts, strict=True):
            if count > 1 and drop < end:
                panel.annotate(
                    f"{count}",
                    (drop, height),
                    xytext=(0, 6),
                    textcoords="offset points",
                    ha="center",
                    fontsize=look.TINY_PT,
                    bbox={
                        "boxstyle": "square,pad=0.1",
                        "facecolor": look.WHITE,
                        "edgecolor": "none",
                    },
                )


def _key(shown: Sequence[SurvivalCurve]) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = [
        ("share not failed", Line2D([], [], color=look.BLUE)),
        (f"{shown[0].level:.0%} band", Patch(facecolor=look.BAND)),
    ]
    if any(each.censored_drop.size for each in shown):
        held = Line2D(
            [], [], linestyle="none", marker="|", markersize=9, markeredgewidth=1.3, color=look.INK
        )
        key.append(("not failed at its last drop", held))
    key.append(("half", Line2D([], [], color=look.MUTED, linewidth=0.7, linestyle=":")))
    return key


def _size(curve: SurvivalCurve) -> int:
    return int(curve.failed_drop.size + curve.censored_drop.size)


def _survival_soonest_first(curve: SurvivalCurve) -> tuple[float, float, str]:
    below = curve.drop[curve.survival <= 0.5]
    return (
        float(below[0]) if below.size else np.inf,
        -curve.failed_drop.size / max(_size(curve), 1),
        curve.group,
    )


def survival_answer(curves: Sequence[SurvivalCurve]) -> str:
    """By which drop half of the soonest case model's series had failed, and how many lasted."""
    first = curves[0]
    failed = sum(each.failed_drop.size for each in curves)
    cases = failed + sum(each.censored_drop.size for each in curves)
    if failed == 0:
        return f"None of {counted(cases, 'case')} has failed yet."
    total = f"{failed} of {counted(cases, 'case')} failed"
    below = first.drop[first.survival <= 0.5]
    if not below.size:
        return f"{total}; of no case model has half failed."
    return f"{total}; half of {first.group} by drop {below[0]:.0f}."
