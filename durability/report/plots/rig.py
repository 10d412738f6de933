"""The rig's own health: reference drops on control charts."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator

from durability.record.basis import counted
from durability.report import labels
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.record.records import FloatArray
    from durability.rig.results import RigHealth

_AXIS = {False: "reference drop number", True: "day of the reference drops"}
_DAY_S = 86_400.0


@look.in_our_look
def rig(
    health: RigHealth,
    when: FloatArray,
    *,
    dated: bool = False,
    series: str = "",
    averaged: bool = False,
) -> Figure:
    """Reference drops one by one in g, then their moving average and cumulative sums.

    Parameters
    ----------
    health : RigHealth
        What the reference drops say.
    when : ndarray of shape (n_drops,)
        Number of every reference drop, or its time in seconds since 1970-01-01, as it was judged
        on.
    dated : bool
        Whether ``when`` is a time.
    series : str
        Code of the reference series.
    averaged : bool
        Whether each point is the geometric mean of a session.

    Returns
    -------
    Figure
    """
    points = counted(health.drops, "session mean" if averaged else "reference drop")
    single = health.individuals_g
    if single is None or health.ewma is None or health.cusum is None:
        return look.missing(rig_answer(health, dated=dated))
    sheet = look.Sheet(
        rig_answer(health, dated=dated),
        f"{points}{f' of series {series}' if series else ''};"
        f" target {labels.number(health.target_g)} g,"
        f" scatter {labels.number(health.scatter_pct, 2)} %.",
        key=_key(health, averaged=averaged),
        notes=[*health.notes, f"Rests on: {health.basis}."],
    )
    panels = sheet.rows((1.7, 1.0, 1.0), x_label=_AXIS[dated], left_in=0.75, right_in=0.6)
    peaks, averages, sums = panels
    if dated:
        peaks.xaxis.set_major_locator(MultipleLocator(_tick_seconds(when)))
        peaks.xaxis.set_major_formatter(FuncFormatter(lambda value, _: day_of(value)))
        sums.xaxis.set_major_formatter(peaks.xaxis.get_major_formatter())
    odd = np.isin(when, health.odd_drops)
    peaks.plot(when, single.reading, color=look.MUTED, linewidth=0.6)
    peaks.plot(
        when[~odd], single.reading[~odd], linestyle="none", label="_readings", **look.READING
    )
    peaks.plot(
        when[odd],
        single.reading[odd],
        linestyle="none",
        label="_odd",
        marker="D",
        markersize=6,
        markerfacecolor=look.WHITE,
        markeredgecolor=look.RUST,
    )
    _limits(peaks, single.lower, single.upper, single.centre)
    peaks.set_ylabel("peak, g", fontsize=look.SMALL_PT)

    at = health.chart_when
    ewma, cusum = health.ewma, health.cusum
    averages.plot(at, ewma.average, color=look.BLUE, label="_average")
    for edge in (ewma.lower, ewma.upper):
        averages.step(at, edge, where="mid", **look.LIMIT)
    averages.axhline(0.0, color=look.MUTED, linewidth=0.7)
    averages.set_ylabel("moving average, σ", fontsize=look.SMALL_PT)

    sums.plot(at, cusum.upper_sum, color=look.BLUE, label="_upper sum")
    sums.plot(at, -cusum.lower_sum, color=look.INK, linestyle=(0, (1, 1)), label="_lower sum")
    for edge_height in (cusum.decision_interval, -cusum.decision_interval):
        sums.axhline(edge_height, label="_decision", **look.LIMIT)
    sums.axhline(0.0, color=look.MUTED, linewidth=0.7)
    sums.set_ylabel("cumulative sum, σ", fontsize=look.SMALL_PT)

    for panel in panels:
        panel.yaxis.set_major_locator(MaxNLocator(4))
        if health.since_lower is not None and health.since_upper is not None:
            panel.axvspan(
                health.since_lower,
                health.since_upper,
                facecolor=look.SAND,
                edgecolor=look.SAND,  # so that a single moment shows too
                alpha=0.35,
                linewidth=2.0,
                zorder=0.5,
                label="_drift began",
            )
        if health.signal_when is not None:
            panel.axvline(
                health.signal_when, color=look.RUST, linewidth=1.2, linestyle=":", label="_signal"
            )
    return sheet.figure


def _tick_seconds(when: FloatArray) -> float:
    """Whole days between ticks, five or so of them."""
    days = (float(when.max()) - float(when.min())) / _DAY_S
    return _DAY_S * max(1, math.ceil(days / 5))


def _limits(panel: Axes, lower: float, upper: float, centre: float) -> None:
    for height, words in ((lower, "lower limit"), (upper, "upper limit"), (centre, "centre")):
        style = look.LIMIT if words != "centre" else {"color": look.MUTED, "linewidth": 0.9}
        panel.axhline(height, label=f"_{words}", **style)
    values = [panel.get_ylim()[0], panel.get_ylim()[1], lower, upper]
    panel.set_ylim(min(values), max(values))
    for height in (lower, centre, upper):
        panel.annotate(
            f"{labels.number(height)} g",
            (1.0, height),
            xycoords=panel.get_yaxis_transform(),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=look.TINY_PT,
            color=look.MUTED,
            annotation_clip=False,
        )


def _key(health: RigHealth, *, averaged: bool) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = [
        (
            "mean of a session" if averaged else "reference drop",
            Line2D([], [], linestyle="none", **look.READING),
        ),
        ("limits", Line2D([], [], **look.LIMIT)),
        ("moving average, upward sum", Line2D([], [], color=look.BLUE)),
        ("downward sum", Line2D([], [], color=look.INK, linestyle=(0, (1, 1)))),
    ]
    if health.odd_drops:
        odd = Line2D(
            [],
            [],
            linestyle="none",
            marker="D",
            markerfacecolor=look.WHITE,
            markeredgecolor=look.RUST,
        )
        key.append(("odd one out", odd))
    if health.signal_when is not None:
        signal = Line2D([], [], color=look.RUST, linewidth=1.2, linestyle=":")
        key.append((f"signal ({labels.listed(health.signal_by)})", signal))
    if health.since_lower is not None:
        began = Patch(facecolor=look.SAND, alpha=0.35)
        key.append((f"drift began, {health.level:.0%}", began))
    return key


def day_of(seconds: float) -> str:
    """The day of a time in seconds since 1970-01-01."""
    return (date(1970, 1, 1) + timedelta(days=int(seconds // 86_400))).isoformat()


def rig_answer(health: RigHealth, *, dated: bool = False) -> str:
    """Whether the rig has drifted, since when and by how much."""
    if health.verdict == "too few":
        return f"Too few to judge the rig: {counted(health.drops, 'reference drop')}."
    if health.verdict == "in control":
        return (
            f"The rig is in control: {counted(health.drops, 'reference drop')}, scatter"
            f" {labels.number(health.scatter_pct, 2)} %."
        )
    ends = [health.since, health.since_lower, health.since_upper]
    if dated:
        since, lower, upper = (labels.ABSENT if end is None else day_of(end) for end in ends)
    else:
        since, lower, upper = (labels.ABSENT if end is None else f"{end:g}" for end in ends)
        since = f"drop {since}"
    return (
        f"The rig has drifted by {labels.percent(health.drift_pct)} %"
        f" ({labels.percents(health.drift_lower, health.drift_upper)}), since {since}"
        f" ({lower} to {upper})."
    )
