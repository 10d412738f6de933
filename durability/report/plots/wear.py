"""Peak g by drop number: one series, case models side by side, and the level to come."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from durability.basis import counted
from durability.report import labels
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.records import FloatArray, IntArray
    from durability.results import Ranking, SeriesPicture

X_LABEL = "drop number, voided drops counted"
Y_LABEL = "peak acceleration, g"
_WIDEST_SPAN = (0.3, 2.4)
"""Of the level at the first drop: readings beyond are drawn at the edge, else one of them would
flatten every panel."""
_MOST_LINES = 15
"""Cases of one model up to which each level is a full line."""
_MOST_WITH_RISE = 9
"""Panels up to which a title has room for the rise."""
_EDGE: look.Style = {
    "markersize": 5.5,
    "markeredgewidth": 1.0,
    "linestyle": "none",
    "clip_on": False,
}


@look.in_our_look
def wear(pictures: Sequence[SeriesPicture]) -> Figure:
    """Peak g by drop number with level, band, limit, voided and doubted drops and damage.

    Several series become small multiples, what needs action first. Every panel spans the same
    multiple of its own level at the first drop: equal slopes are equal percentages.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        One a series.

    Returns
    -------
    Figure
    """
    if not pictures:
        return look.missing(labels.NOTHING["series"])
    shown = sorted(pictures, key=_worst_first)[: look.MOST_PANELS]
    sheet = look.Sheet(
        _wear_answer(pictures),
        _shown(shown),
        key=_wear_key(shown),
        notes=_wear_notes(shown, len(pictures)),
    )
    panels = sheet.grid(
        len(shown),
        x_label=X_LABEL,
        y_label=Y_LABEL,
        one_scale=False,
        right_in=0.75 if len(shown) == 1 else 0.0,
    )
    span = _span(shown)
    panels[0].set_xlim(0.4, max(4, *(_last_drop(each) for each in shown)) + 0.6)
    look.whole_number_ticks(panels[0], 8 if len(shown) == 1 else 4)
    for panel, picture in zip(panels, shown, strict=True):
        base = _base(picture)
        panel.set_ylim(span[0] * base, span[1] * base)
        panel.yaxis.set_major_locator(MaxNLocator(7 if len(shown) == 1 else 3))
        _draw_series(panel, picture)
        if len(shown) > 1:
            sheet.title(panel, *_panel_title(picture, short=len(shown) > _MOST_WITH_RISE))
        elif picture.forecast.limit_g is not None:
            _beside(panel, picture.forecast.limit_g, labels.limit_words(picture.forecast.limit_g))
    return sheet.figure


@look.in_our_look
def models(
    pictures: Sequence[SeriesPicture], ranking: Ranking | None = None, *, left_out: int = 0
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
    shown = ordered[: look.MOST_PANELS]
    drawn = [picture for _, members in shown for picture in members]
    notes = [
        "One line a case: its fitted level. ✕ where the case failed, by level or by damage; a"
        " stroke where it still held at its last drop. The fastest model stands first."
    ]
    if len(shown) < len(ordered):
        notes.append(f"{len(shown)} of {len(ordered)} case models shown, the fastest rising.")
    if left_out:
        notes.append(
            f"{counted(left_out, 'series', 'series')} not shown: bare, of no model, or under other"
            " conditions."
        )
    notes.append(labels.RELATIVE)
    answer = (
        labels.ranking_answer(ranking)
        if ranking is not None
        else labels.models_answer(
            [(name, [each.trend for each in group]) for name, group in ordered]
        )
    )
    sheet = look.Sheet(
        answer,
        _shown(drawn),
        key=_models_key(drawn),
        notes=notes,
    )
    panels = sheet.grid(len(shown), x_label=X_LABEL, y_label=Y_LABEL, one_scale=True)
    values = np.concatenate([_readings(each) for each in drawn])
    values = values[np.isfinite(values)]
    panels[0].set_xlim(0.4, max(4, *(_last_drop(each) for each in drawn)) + 0.6)
    if values.size:
        low, high = np.quantile(values, (0.0025, 0.9975))
        panels[0].set_ylim(0.88 * low, 1.08 * high)
    look.whole_number_ticks(panels[0], 6 if len(shown) <= 4 else 4)
    panels[0].yaxis.set_major_locator(MaxNLocator(5 if len(shown) <= 9 else 3))
    for panel, (name, members) in zip(panels, shown, strict=True):
        for picture in members:
            _draw_case(panel, picture, many=len(members) > _MOST_LINES)
        if not any(each.trend.valid_drops for each in members):
            _above_all(panel, "no valid drop")
        rising = sum(each.trend.verdict == "rising" for each in members)
        told = f": {rising} of {len(members)} rising" if len(shown) <= _MOST_WITH_RISE else ""
        sheet.title(panel, name, told)
    return sheet.figure


@look.in_our_look
def fan(pictures: Sequence[SeriesPicture], *, level: float, horizon: int) -> Figure:
    """The level so far and the level to come, against the limit.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        One a series, with its ``fan``.
    level : float
        Content of the prediction interval.
    horizon : int
        Last drop number looked at.

    Returns
    -------
    Figure
    """
    if not pictures:
        return look.missing(labels.NOTHING["series"])
    shown = sorted(pictures, key=lambda each: _soonest_first(each, horizon))[: look.MOST_PANELS]
    alone = len(shown) == 1
    forecasts = [each.forecast for each in pictures]
    answer = (
        labels.fan_answer(forecasts[0], level, horizon)
        if alone
        else labels.forecasts_answer(forecasts, level, horizon)
    )
    notes = []
    if any(each.fan is not None and not each.forecast.failed for each in shown):
        notes.append(
            f"Fan: where the level (not one reading) of this case will lie, {level:.0%} and 50% of"
            " the plausible paths. Bar on the limit: drop at which the case fails, by level or by"
            f" damage, {level:.0%} interval with its median."
        )
    if alone:
        notes.append(f"Rests on: {shown[0].forecast.basis}.")
    else:
        notes.append("Beside each name: the drop at which it failed (✕), or by median will.")
    if len(shown) < len(pictures):
        notes.append(f"{len(shown)} of {len(pictures)} series shown, the soonest to fail.")
    sheet = look.Sheet(answer, _shown(shown), key=_fan_key(shown, level), notes=notes)
    panels = sheet.grid(
        len(shown),
        x_label=X_LABEL,
        y_label=Y_LABEL,
        one_scale=False,
        right_in=0.75 if alone else 0.0,
    )
    farthest = max(_farthest(each) for each in shown)
    if not alone:  # one long life must not squeeze all the others
        farthest = min(farthest, 2.5 * max(_last_drop(each) for each in shown))
    panels[0].set_xlim(0.4, farthest + 0.6)
    look.whole_number_ticks(panels[0], 8 if alone else 4)
    for panel, picture in zip(panels, shown, strict=True):
        base = _base(picture)
        limit = picture.forecast.limit_g or 1.5 * base
        low, _ = _span([picture])
        panel.set_ylim(low * base, max(1.25 * limit, 1.7 * base))
        panel.yaxis.set_major_locator(MaxNLocator(7 if alone else 3))
        _draw_fan(panel, picture, farthest)
        _draw_series(panel, picture, damage=False)
        _draw_failure(panel, picture, farthest)
        if not alone:
            sheet.title(
                panel, picture.trend.series, labels.failure_short(picture.forecast, horizon)
            )
        elif picture.forecast.limit_g is not None:
            _beside(panel, picture.forecast.limit_g, labels.limit_words(picture.forecast.limit_g))
    return sheet.figure


# ------------------------------------------------------------------------------ what is drawn


def _draw_series(panel: Axes, picture: SeriesPicture, *, damage: bool = True) -> None:
    trend = picture.trend
    small = panel.get_position().width < 0.4
    scale = 0.55 if small else 1.0
    if trend.drop_number.size > 1:
        panel.fill_between(
            trend.drop_number,
            trend.level_lower_g,
            trend.level_upper_g,
            color=look.BAND,
            linewidth=0,
        )
        panel.plot(
            trend.drop_number,
            trend.level_g,
            color=look.BLUE,
            linewidth=look.LINE * (0.8 if small else 1.2),
            zorder=3,
            label="_level",
        )
    elif trend.drop_number.size == 1:
        panel.errorbar(
            trend.drop_number,
            trend.level_g,
            yerr=[trend.level_g - trend.level_lower_g, trend.level_upper_g - trend.level_g],
            ecolor=look.BAND,
            elinewidth=5,
            color=look.BLUE,
            marker="_",
            markersize=9,
        )
    if picture.forecast.limit_g is not None:
        panel.axhline(picture.forecast.limit_g, label="_limit", **look.LIMIT)
    _scatter(panel, trend.drop_number, trend.peak_g, look.READING, scale, "readings")
    doubted = np.isin(trend.drop_number, trend.doubted_drops)
    _scatter(
        panel,
        trend.drop_number[doubted],
        trend.peak_g[doubted],
        {**look.DOUBTED, "color": look.RUST},
        scale,
        "doubted",
    )
    _scatter(
        panel,
        picture.voided_drop_number,
        picture.voided_peak_g,
        look.VOIDED,
        scale,
        "voided",
    )
    unread = picture.voided_drop_number[np.isnan(picture.voided_peak_g)]
    panel.plot(
        unread,
        np.zeros(unread.size),
        transform=panel.get_xaxis_transform(),
        clip_on=False,
        linestyle="none",
        zorder=4,
        label="_voided without reading",
        **look.UNREAD,
    )
    if trend.valid_drops == 0:
        _above_all(panel, _nothing_valid(picture))
    if damage:
        _mark_damage(panel, picture, small=small)


def _scatter(
    panel: Axes,
    drop_number: IntArray,
    peak_g: FloatArray,
    style: look.Style,
    scale: float,
    what: str,
) -> None:
    """Readings where they are, those off the scale as arrow heads at the edge."""
    low, high = panel.get_ylim()
    sized = {**style, "markersize": style["markersize"] * scale, "linestyle": "none"}
    panel.plot(drop_number, peak_g, label=f"_{what}", **sized)
    for beyond, edge, marker in ((peak_g > high, high, "^"), (peak_g < low, low, "v")):
        if beyond.any():
            hollow = what == "voided"
            panel.plot(
                drop_number[beyond],
                np.full(int(beyond.sum()), edge),
                marker=marker,
                markerfacecolor=look.WHITE if hollow else look.INK,
                markeredgecolor=look.MUTED if hollow else look.INK,
                label=f"_{what} off scale",
                **{**_EDGE, "markersize": 5.5 * scale},
            )


def _mark_damage(panel: Axes, picture: SeriesPicture, *, small: bool) -> None:
    """The severity as a digit where the case was first seen worse than before."""
    worse: list[tuple[int, int]] = []
    for drop, severity in zip(
        picture.damage_drop_number.tolist(), picture.damage_severity.tolist(), strict=True
    ):
        if severity > (worse[-1][1] if worse else 0):
            worse.append((drop, severity))
    low, high = panel.get_xlim()
    width_pt = panel.get_position().width * look.PAGE_WIDTH_IN * 72
    nearest = (7.0 if small else 9.0) * (high - low) / width_pt
    kept: list[tuple[int, int]] = []
    for drop, severity in reversed(worse):  # where two would collide the worse one stays
        if not kept or kept[-1][0] - drop >= nearest:
            kept.append((drop, severity))
    for drop, severity in kept:
        panel.axvline(drop, color=look.MUTED, linewidth=0.7, linestyle=":", label="_damage line")
        panel.text(
            drop,
            0.97,
            str(severity),
            transform=panel.get_xaxis_transform(),
            ha="center",
            va="top",
            fontsize=look.TINY_PT if small else look.SMALL_PT,
            fontweight="bold",
            label="_damage",
            bbox={
                "boxstyle": "square,pad=0.12",
                "facecolor": look.SAND if severity < 4 else look.RUST,
                "edgecolor": "none",
            },
            color=look.INK if severity < 4 else look.WHITE,
        )


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
        at = _level_at(picture, forecast.failed_at_drop)
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
            [_level_at(picture, forecast.failed_at_drop)],
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


def _beside(panel: Axes, height: float, words: str) -> None:
    """Words at the right of a panel, level with a line in it."""
    panel.annotate(
        words,
        (1.0, height),
        xycoords=panel.get_yaxis_transform(),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=look.SMALL_PT,
        color=look.RUST,
        annotation_clip=False,
    )


def _above_all(panel: Axes, words: str) -> None:
    panel.text(
        0.5,
        0.86,
        words,
        transform=panel.transAxes,
        ha="center",
        va="center",
        fontsize=look.TINY_PT if panel.get_position().width < 0.4 else look.TEXT_PT,
        color=look.MUTED,
    )


# ------------------------------------------------------------------------------------- keys


def _wear_key(shown: Sequence[SeriesPicture]) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = []
    if any(each.trend.valid_drops for each in shown):
        key += [_reading_key(), _level_key(), ("its 90% band", Patch(facecolor=look.BAND))]
    if any(each.forecast.limit_g is not None for each in shown):
        key.append(("limit", Line2D([], [], **look.LIMIT)))
    if any(np.isfinite(each.voided_peak_g).any() for each in shown):
        key.append(("voided, left out", Line2D([], [], linestyle="none", **look.VOIDED)))
    if any(np.isnan(each.voided_peak_g).any() for each in shown):
        unread = Line2D([], [], linestyle="none", **look.UNREAD)
        key.append(("voided, no reading", unread))
    if any(each.trend.doubted_drops for each in shown):
        doubted = Line2D([], [], linestyle="none", **look.DOUBTED)
        key.append(("doubted, weighed down", doubted))
    if any((each.damage_severity > 0).any() for each in shown):
        square = Line2D([], [], linestyle="none", marker="s", markersize=8, color=look.SAND)
        key.append((f"damage on the case: {labels.SEVERITIES}", square))
    return key


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
        key.append(("still held", held))
    return key


def _fan_key(shown: Sequence[SeriesPicture], level: float) -> list[tuple[str, Artist]]:
    key = [(words, mark) for words, mark in _wear_key(shown) if not words.startswith("damage")]
    if any(each.fan is not None and not each.forecast.failed for each in shown):
        key.append(
            (
                f"level to come, {level:.0%} and 50%",
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


def _reading_key() -> tuple[str, Artist]:
    return "valid drop", Line2D([], [], linestyle="none", **look.READING)


def _level_key() -> tuple[str, Artist]:
    return "level, free of scatter", Line2D([], [], color=look.BLUE)


# ------------------------------------------------------------------------------------ words


def _wear_answer(pictures: Sequence[SeriesPicture]) -> str:
    trends = [each.trend for each in pictures]
    if len(trends) == 1:
        return f"{trends[0].series} {labels.trend_sentence(trends[0])}"
    return labels.trends_answer(trends)


def _shown(pictures: Sequence[SeriesPicture]) -> str:
    """How many series and drops are drawn, under which conditions."""
    valid = sum(each.trend.valid_drops for each in pictures)
    drops = sum(each.trend.drops for each in pictures)
    voided = f" and {drops - valid} voided" if drops > valid else ""
    conditions = {each.condition for each in pictures}
    under = (
        labels.condition_words(next(iter(conditions)))
        if len(conditions) == 1
        else f"{len(conditions)} different conditions"
    )
    what = f"{counted(len(pictures), 'series', 'series')}"
    if len(pictures) == 1:
        trend = pictures[0].trend
        worn = f"in case {trend.case}" if trend.case else "bare"
        model = f", {trend.case_model}" if trend.case_model else ""
        what = f"{pictures[0].device or 'device not recorded'} {worn}{model}"
    return f"{what}; {counted(valid, 'valid drop')}{voided}; {under}."


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
    low, high = _span(shown)
    off = []
    for each in shown:
        base = _base(each)
        values = _readings(each, voided=True)
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


def _nothing_valid(picture: SeriesPicture) -> str:
    drops = picture.trend.drops
    if drops == 0:
        return "no drop yet"
    return "its one drop is void" if drops == 1 else f"all {drops} drops void"


# ------------------------------------------------------------------------------ small sums


def _worst_first(picture: SeriesPicture) -> tuple[int, float, str]:
    trend = picture.trend
    order = list(labels.VERDICT_MARKS).index(trend.verdict)
    return order, -(trend.rise_pct_per_drop or 0.0), trend.series


def _soonest_first(picture: SeriesPicture, horizon: int) -> tuple[bool, float, str]:
    forecast = picture.forecast
    by = forecast.failed_at_drop or forecast.drops_to_failure.median or horizon + 1
    return not forecast.failed, float(by), forecast.series


def _middle_rise(members: Sequence[SeriesPicture]) -> float:
    rises = [
        each.trend.rise_pct_per_drop
        for each in members
        if each.trend.rise_pct_per_drop is not None and each.trend.verdict != "too few"
    ]
    return float(np.median(rises)) if rises else -np.inf


def _last_drop(picture: SeriesPicture) -> int:
    numbers = (picture.trend.drop_number, picture.voided_drop_number, picture.damage_drop_number)
    return max((int(part.max()) for part in numbers if part.size), default=1)


def _farthest(picture: SeriesPicture) -> float:
    """Last drop a fan is drawn to: some way beyond its median, or twice the drops made."""
    last = _last_drop(picture)
    life = picture.forecast.drops_to_failure
    if picture.forecast.failed or life.median is None:
        return 1.3 * last + 5
    return max(1.2 * last + 2, min(1.1 * (life.upper or 2 * life.median), 2.2 * life.median))


def _readings(picture: SeriesPicture, *, voided: bool = False) -> FloatArray:
    if not voided:
        return picture.trend.peak_g
    both = np.concatenate([picture.trend.peak_g, picture.voided_peak_g])
    return np.asarray(both[np.isfinite(both)])


def _level_at(picture: SeriesPicture, drop: int) -> float:
    trend = picture.trend
    if not trend.drop_number.size:  # damage alone, with every reading void
        return _base(picture)
    return float(np.interp(drop, trend.drop_number, trend.level_g))


def _base(picture: SeriesPicture) -> float:
    """Level that the panel's scale hangs on."""
    if picture.trend.level_first_g is not None:
        return picture.trend.level_first_g
    if picture.trend.level_g.size:
        return float(picture.trend.level_g[0])
    values = _readings(picture, voided=True)
    return float(np.median(values)) if values.size else 100.0


def _span(shown: Sequence[SeriesPicture]) -> tuple[float, float]:
    """Lower and upper edge of every panel, as multiples of its base."""
    low, high = 0.85, 1.15
    for each in shown:
        base = _base(each)
        trend = each.trend
        sure = trend.peak_g[~np.isin(trend.drop_number, trend.doubted_drops)]
        parts = [sure, trend.level_lower_g, trend.level_upper_g]
        if each.forecast.limit_g is not None:
            parts.append(np.array([each.forecast.limit_g]))
        values = np.concatenate(parts) / base
        if values.size:
            low, high = min(low, float(values.min())), max(high, float(values.max()))
    room = 0.06 * (high - low)
    low, high = low - room, high + 2 * room
    return max(low, _WIDEST_SPAN[0]), min(high, _WIDEST_SPAN[1])
