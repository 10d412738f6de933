"""One series on a panel: readings, level, limit, damage; and the scale it hangs on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from durability.record.basis import counted
from durability.record.vocabulary import DAMAGE_SEVERITIES
from durability.report import labels
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from durability.record.records import FloatArray, IntArray
    from durability.workflow.results import SeriesPicture


X_LABEL = "drop number, voided drops counted"
Y_LABEL = "peak acceleration, g"
_WIDEST_SPAN = (0.3, 2.4)
"""Of the level at the first drop: readings beyond are drawn at the edge, else one of them would
flatten every panel."""
_EDGE: look.Style = {
    "markersize": 5.5,
    "markeredgewidth": 1.0,
    "linestyle": "none",
    "clip_on": False,
}


def draw_series(panel: Axes, picture: SeriesPicture, *, damage: bool = True) -> None:
    """Readings, level with its band, limit and what was left out, within the panel's scale."""
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
        panel.vlines(
            trend.drop_number,
            trend.level_lower_g,
            trend.level_upper_g,
            colors=look.BAND,
            linewidth=5,
        )
        panel.plot(trend.drop_number, trend.level_g, "_", color=look.BLUE, markersize=9)
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
    _mark_bounded(panel, picture, scale)
    if trend.valid_drops == 0:
        above_all(panel, _nothing_valid(picture))
    if damage:
        _mark_damage(panel, picture, small=small)


def _mark_bounded(panel: Axes, picture: SeriesPicture, scale: float) -> None:
    """A caret over each clipped peak: it is at least that high."""
    drops = np.concatenate([picture.trend.drop_number, picture.voided_drop_number])
    peaks = np.concatenate([picture.trend.peak_g, picture.voided_peak_g])
    is_bound = np.isin(drops, list(picture.bounded))
    style = {**look.BOUNDED, "markersize": look.BOUNDED["markersize"] * scale}
    panel.plot(
        drops[is_bound], peaks[is_bound], linestyle="none", zorder=5, label="_at least", **style
    )


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
    """Every note of damage: its severity as a digit where the case was first seen worse."""
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
    again = [drop for drop in noted(picture) if drop not in dict(kept)]
    panel.plot(
        np.maximum(again, low),
        np.full(len(again), 0.94),
        transform=panel.get_xaxis_transform(),
        linestyle="none",
        clip_on=False,
        marker="s",
        markersize=2.6 if small else 3.4,
        color=look.SAND,
        label="_damage seen again",
    )
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


def noted(picture: SeriesPicture) -> list[int]:
    """Drop numbers after which damage was noted on the case."""
    return [int(drop) for drop in picture.damage_drop_number[picture.damage_severity > 0]]


def undrawn_damage(shown: Sequence[SeriesPicture]) -> list[str]:
    """That a picture leaves out what was noted on the cases, where anything was."""
    notes = sum(len(noted(each)) for each in shown)
    return [f"Not drawn: {counted(notes, 'damage note')}; see plot wear."] if notes else []


def name_limit(panel: Axes, limit_g: float) -> None:
    """Name the limit at the right of a panel, level with its line."""
    panel.annotate(
        limit_words(limit_g),
        (1.0, limit_g),
        xycoords=panel.get_yaxis_transform(),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=look.SMALL_PT,
        color=look.RUST,
        annotation_clip=False,
    )


def above_all(panel: Axes, words: str) -> None:
    """Words near the top of a panel that has little or nothing to show."""
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


def series_key(shown: Sequence[SeriesPicture], *, damage: bool = True) -> list[tuple[str, Artist]]:
    """What the marks of these series mean; those that none of them has are left out."""
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
    if any(each.bounded for each in shown):
        key.append(("≥: clipped peak", Line2D([], [], linestyle="none", **look.BOUNDED)))
    if any(each.trend.doubted_drops for each in shown):
        doubted = Line2D([], [], linestyle="none", **look.DOUBTED)
        key.append(("far off, down-weighted", doubted))
    if damage and any((each.damage_severity > 0).any() for each in shown):
        square = Line2D([], [], linestyle="none", marker="s", markersize=8, color=look.SAND)
        key.append((f"damage on the case: {SEVERITIES}; small: seen again", square))
    return key


def _reading_key() -> tuple[str, Artist]:
    return "valid drop", Line2D([], [], linestyle="none", **look.READING)


def _level_key() -> tuple[str, Artist]:
    return "level, free of scatter", Line2D([], [], color=look.BLUE)


def shown_words(pictures: Sequence[SeriesPicture]) -> str:
    """How many series and drops are drawn, under which conditions."""
    valid = sum(each.trend.valid_drops for each in pictures)
    drops = sum(each.trend.drops for each in pictures)
    voided = f" and {drops - valid} voided" if drops > valid else ""
    conditions = {each.condition for each in pictures}
    orientations = {each.orientation for each in pictures}
    under = f"{len(conditions)} different conditions"
    if len(conditions) == 1:
        under = pictures[0].condition.words
        if len(orientations) > 1:
            under += f", {len(orientations)} orientations"
        elif pictures[0].orientation is not None:
            under += f", {pictures[0].orientation}"
    what = f"{counted(len(pictures), 'series', 'series')}"
    if len(pictures) == 1:
        trend = pictures[0].trend
        worn = f"in case {trend.case}" if trend.case else "bare"
        model = f", {trend.case_model}" if trend.case_model else ""
        what = f"{pictures[0].device or 'device not recorded'} {worn}{model}"
    return f"{what}; {counted(valid, 'valid drop')}{voided}; {under}."


def _nothing_valid(picture: SeriesPicture) -> str:
    drops = picture.trend.drops
    if drops == 0:
        return "no drop yet"
    return "its one drop is void" if drops == 1 else f"all {drops} drops void"


def last_drop(picture: SeriesPicture) -> int:
    """Largest drop number of anything on record."""
    numbers = (picture.trend.drop_number, picture.voided_drop_number, picture.damage_drop_number)
    return max((int(part.max()) for part in numbers if part.size), default=1)


def level_at(picture: SeriesPicture, drop: int) -> float:
    """Level at a drop, between the valid ones by a straight line, in g."""
    trend = picture.trend
    if not trend.drop_number.size:  # damage alone, with every reading void
        return base_g(picture)
    return float(np.interp(drop, trend.drop_number, trend.level_g))


def readings(picture: SeriesPicture, *, voided: bool = False) -> FloatArray:
    """Peaks of the valid drops, with ``voided`` those of the voided ones too, in g."""
    if not voided:
        return picture.trend.peak_g
    both = np.concatenate([picture.trend.peak_g, picture.voided_peak_g])
    return np.asarray(both[np.isfinite(both)])


def base_g(picture: SeriesPicture) -> float:
    """Level that the panel's scale hangs on."""
    if picture.trend.level_first_g is not None:
        return picture.trend.level_first_g
    if picture.trend.level_g.size:
        return float(picture.trend.level_g[0])
    values = readings(picture, voided=True)
    return float(np.median(values)) if values.size else 100.0


def span(shown: Sequence[SeriesPicture]) -> tuple[float, float]:
    """Lower and upper edge of every panel, as multiples of its base."""
    low, high = 0.85, 1.15
    for each in shown:
        base = base_g(each)
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


SEVERITIES = labels.listed(
    f"{number_} {word}" for number_, word in DAMAGE_SEVERITIES.items() if number_
)


def limit_words(limit_g: float) -> str:
    """The limit beside its line."""
    return f"limit {labels.number(limit_g)} g"
