"""Axes of small multiples: the grid, ticks and labels of a scale as few artists."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis, XAxis, YAxis
from matplotlib.lines import Line2D
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter, FixedLocator

from durability.record.errors import harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from numpy.typing import NDArray


class _Scale(Axis):
    """An axis whose grid is one line and whose ticks are one row of marks.

    matplotlib makes five artists of each tick, a third of the time that small multiples take.
    Limits, locator, formatter and ``tick_params`` count as ever; ticks are at the left or at the
    bottom, minor ones are not drawn.
    """

    majorTicks: Any = ()  # noqa: N815
    minorTicks: Any = ()  # noqa: N815

    def get_children(self: Any) -> list[Artist]:
        return [self.label, self.offsetText]

    def get_ticklabels(self, minor: bool = False, which: Any = None) -> list[Text]:  # noqa: FBT001
        return [each for each in self._marks() if isinstance(each, Text)]

    def draw(self: Any, renderer: Any) -> None:
        marks, boxes = self._marks(), []
        self.offsetText.set_text(self.get_major_formatter().get_offset())
        if self.label.get_text() or self.offsetText.get_text():  # else nothing goes beside them
            boxes = [each.get_window_extent(renderer) for each in marks if isinstance(each, Text)]
        if self.label.get_text():
            left = min((box.x0 for box in boxes), default=self.axes.bbox.x0)
            self.label.set_x(left - self.labelpad * self.axes.figure.dpi / 72.0)
        self._update_offset_text_position(boxes, [])
        for each in (*marks, self.label, self.offsetText):
            each.draw(renderer)
        self.stale = False

    def _marks(self: Any) -> list[Artist]:
        """Grid, ticks and labels within the limits as they are now."""
        every = np.asarray(self.get_majorticklocs(), dtype=float)
        words = self.get_major_formatter().format_ticks(every)
        to_scale = self.get_transform().transform
        low, high = sorted(to_scale(self.get_view_interval()))
        room = 1e-10 * (high - low)
        shown = [
            (value, word)
            for value, at, word in zip(every, to_scale(every), words, strict=True)
            if low - room <= at <= high + room
        ]
        at, zero = np.array([value for value, _ in shown]), np.zeros(len(shown))
        is_x, name, rc = self.axis_name == "x", f"{self.axis_name}tick", self.axes.settings
        style = {"length": rc[f"{name}.major.size"], **self.get_tick_params()}
        side, mark = ("bottom", TICKDOWN) if is_x else ("left", TICKLEFT)
        place = getattr(self.axes, f"get_{self.axis_name}axis_transform")

        def placed(along: Any, across: Any) -> tuple[Any, Any]:
            return (along, across) if is_x else (across, along)

        made: list[Artist] = []
        if style["gridOn"]:
            ends = placed(np.repeat(at, 3), np.tile([0.0, 1.0, np.nan], len(at)))
            grid = {"color": rc["grid.color"], "linewidth": rc["grid.linewidth"]}
            made.append(Line2D(*ends, transform=place("grid"), **grid))
        if style[side] and style["length"]:
            ticks = {"marker": mark, "markersize": style["length"], "linestyle": "none"}
            width, color = rc[f"{name}.major.width"], rc[f"{name}.color"]
            ticks |= {"markeredgewidth": width, "color": color}
            made.append(Line2D(*placed(at, zero), transform=place("tick1"), **ticks))
        if style[f"label{side}"]:
            pad = style["length"] + rc[f"{name}.major.pad"]
            transform, va, ha = getattr(self.axes, f"get_{self.axis_name}axis_text1_transform")(pad)
            size = style.get("labelsize", rc[f"{name}.labelsize"])
            label = {"fontsize": size, "color": rc[f"{name}.labelcolor"]}
            label |= {"transform": transform, "va": va, "ha": ha}
            made += [Text(*placed(value, 0.0), harmless(word), **label) for value, word in shown]
        for each in made:
            each.set_figure(self.axes.figure)
        return made


class _XScale(_Scale, XAxis):
    pass


class _YScale(_Scale, YAxis):
    pass


class Panel(Axes):
    """Axes with such scales, drawn by the settings under which they were made."""

    def _init_axis(self) -> None:
        self.settings = dict.copy(mpl.rcParams)
        self.xaxis, self.yaxis = _XScale(self, clear=False), _YScale(self, clear=False)
        for side in ("bottom", "top"):
            self.spines[side].register_axis(self.xaxis)
        for side in ("left", "right"):
            self.spines[side].register_axis(self.yaxis)


def named_ticks(
    panel: Axes,
    which: str,
    at: Sequence[float] | NDArray[Any],
    names: Sequence[str],
    size: float | None = None,
) -> None:
    """Ticks of an axis at these places, by these names."""
    axis = getattr(panel, f"{which}axis")
    axis.set_major_locator(FixedLocator(list(at)))
    axis.set_major_formatter(FixedFormatter(list(names)))
    if size is not None:
        axis.set_tick_params(labelsize=size)
