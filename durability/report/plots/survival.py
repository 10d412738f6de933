"""Drops to failure: the share of a case model's series that still hold, by drop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, PercentFormatter

from durability.record.basis import counted
from durability.report import labels
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.life.results import SurvivalCurve

_MOST_WORDY = 9
"""Panels up to which a title has room for words."""


@look.in_our_look
def survival(curves: Sequence[SurvivalCurve], *, condition: str = "", left_out: int = 0) -> Figure:
    """Share of series not failed by drop, with band and a tick for each that still held.

    Parameters
    ----------
    curves : sequence of SurvivalCurve
        One a case model, under one condition.
    condition : str
        That condition in words.
    left_out : int
        Series that were not comparable.

    Returns
    -------
    Figure
    """
    if not curves:
        return look.missing(labels.NOTHING["failures"])
    ordered = sorted(curves, key=_soonest_first)
    shown = ordered[: look.MOST_PANELS]
    series = sum(_size(each) for each in shown)
    failed = sum(each.failed_drop.size for each in shown)
    notes = [
        "Failed: level at the limit, or damage of severity 4, whichever came first. Still held: the"
        " series ended before; how much longer it would have lasted is not known. The band holds at"
        " each drop by itself."
    ]
    if len(shown) < len(ordered):
        notes.append(f"{len(shown)} of {len(ordered)} case models shown, the soonest to fail.")
    if left_out:
        notes.append(
            f"{counted(left_out, 'series', 'series')} not shown: bare, of no model, or under other"
            " conditions."
        )
    notes.append(labels.RELATIVE)
    under = f"; {condition}" if condition else ""
    sheet = look.Sheet(
        survival_answer(ordered),
        f"{counted(series, 'series', 'series')} of {counted(len(shown), 'case model')};"
        f" {failed} failed, {series - failed} still held{under}.",
        key=_key(shown),
        notes=notes,
    )
    panels = sheet.grid(
        len(shown),
        x_label="drop number since the first drop of the series",
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
        label="_still held",
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
        key.append(("still held at its last drop", held))
    key.append(("half", Line2D([], [], color=look.MUTED, linewidth=0.7, linestyle=":")))
    return key


def _size(curve: SurvivalCurve) -> int:
    return int(curve.failed_drop.size + curve.censored_drop.size)


def _soonest_first(curve: SurvivalCurve) -> tuple[float, float, str]:
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
    series = failed + sum(each.censored_drop.size for each in curves)
    if failed == 0:
        return f"None of {counted(series, 'series', 'series')} has failed yet."
    total = f"{failed} of {counted(series, 'series', 'series')} failed"
    below = first.drop[first.survival <= 0.5]
    if not below.size:
        return f"{total}; of no case model has half failed."
    return f"{total}; half of {first.group} by drop {below[0]:.0f}."
