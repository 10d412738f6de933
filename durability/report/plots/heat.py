"""Functions against weeks after the last drop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Patch, Rectangle

from durability.record.basis import counted
from durability.report import labels
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.devices.results import CheckTable


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
            " more were degraded. Blank: nobody looked. Darker is a larger share failed."
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
    for row in range(rows):
        for column in range(columns):
            tested = int(table.tested[row, column])
            if tested == 0:
                continue
            failed = int(table.failed[row, column])
            degraded = int(table.degraded[row, column])
            share = failed / tested
            panel.add_patch(
                Rectangle(
                    (column + 0.02, row + 0.05),
                    0.96,
                    0.9,
                    facecolor=_shade(share),
                    edgecolor=look.RULE,
                    linewidth=0.6,
                )
            )
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
    names = [sheet.fitted(name, 1.5, look.SMALL_PT, bold=False) for name in table.functions]
    panel.set_yticks(np.arange(rows) + 0.5, names, fontsize=look.SMALL_PT)
    weeks = [weeks_words(each).removeprefix("weeks ").removeprefix("week ") for each in table.weeks]
    panel.set_xticks(
        np.arange(columns) + 0.5,
        [each.replace(" to ", "–") for each in weeks],
        fontsize=look.SMALL_PT,
    )
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
