"""The common style of every picture: sizes, lines, a small palette, and the sheet it is drawn on.

The colours stay apart for colour-blind readers and in grey print, and none of them carries a
meaning alone: markers, line styles and words differ too.
"""

from __future__ import annotations

import functools
import math
import warnings
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import matplotlib as mpl
import numpy as np
from matplotlib.backends import backend_agg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.markers import CARETUPBASE
from matplotlib.textpath import text_to_path
from matplotlib.ticker import (
    FixedLocator,
    FuncFormatter,
    MaxNLocator,
    NullFormatter,
)

from durability.record import units
from durability.record.errors import UnusableCall
from durability.report.plots.scales import Panel, named_ticks

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from durability.record.records import BoolArray, FloatArray

Style = dict[str, Any]

INK = "#1f2328"
MUTED = "#555d66"
RULE = "#dfe3e7"
BLUE = "#174a7c"
BAND = "#c3d3e6"
RUST = "#b3440a"
SAND = "#e0a94a"
PALE = "#eceff2"
WHITE = "#ffffff"
"""Lightness in grey: ink 13, blue 30, rust 42, sand 72, band 83, pale 94 (CIE L*, of 100)."""

ANSWER_PT, TEXT_PT, SMALL_PT, TINY_PT = 11.0, 8.5, 7.5, 6.5
LINE, HAIRLINE = 1.5, 0.8
READING: Style = {"marker": "o", "markersize": 4.0, "markerfacecolor": INK, "markeredgecolor": INK}
VOIDED: Style = {
    "marker": "o",
    "markersize": 4.8,
    "markerfacecolor": WHITE,
    "markeredgecolor": MUTED,
}
UNREAD: Style = {
    "marker": "s",
    "markersize": 4.4,
    "markerfacecolor": WHITE,
    "markeredgecolor": MUTED,
}
BOUNDED: Style = {
    "marker": CARETUPBASE,
    "markersize": 5.5,
    "markerfacecolor": INK,
    "markeredgecolor": INK,
}
DOUBTED: Style = {"marker": "x", "markersize": 6.5, "markeredgecolor": RUST, "markeredgewidth": 1.4}
LIMIT: Style = {"color": RUST, "linestyle": (0, (5, 2)), "linewidth": 1.2}

PAGE_WIDTH_IN = 7.48
"""190 mm: A4 and Letter between usual margins."""
_MARGIN_IN = 0.12
_STRIP_IN = 0.2
"""Free foot of every sheet, for a stamp."""
MOST_NOTE_LINES = 3
MOST_PANELS = 12
"""Panels of one sheet; more are a wall that nobody reads, so the others go on further pages."""
FEW_MARKS = 300
"""Marks of one kind in one panel up to which each is drawn, however they cover each other."""
_PANEL_HEIGHT_IN = {1: 3.3, 2: 2.0, 3: 1.45, 4: 1.1}

_RC: dict[Any, Any] = {
    "font.family": "sans-serif",
    # Verdana has the same widths: a browser without the first font breaks no line.
    "font.sans-serif": ["DejaVu Sans", "Verdana"],
    "font.size": TEXT_PT,
    "text.color": INK,
    "text.hinting": "no_hinting",  # so that a line is as wide in every format
    "text.parse_math": False,  # a $ in a specimen's code is a $
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": HAIRLINE,
    "axes.titley": 1.0,  # no search for a free height: half of the drawing time
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "lines.linewidth": LINE,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.handlelength": 2.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "durability",
    "pdf.fonttype": 42,
    "savefig.dpi": 200,
}

Given = ParamSpec("Given")
Made = TypeVar("Made")
Each = TypeVar("Each")


@functools.cache
def _settings() -> dict[Any, Any]:
    plain: dict[Any, Any] = {
        name: value
        for name, value in mpl.rcParamsDefault.items()
        if not name.startswith(("backend", "interactive", "toolbar", "tk.", "webagg", "datapath"))
    }
    with mpl.rc_context({**plain, **_RC}):  # as they are read back
        return {name: mpl.rcParams[name] for name in plain}


@contextmanager
def our_look() -> Iterator[None]:
    """Settings of the style, whatever the user's own plotting settings are."""
    # Setting one takes far longer than comparing it.
    other = {name: value for name, value in _settings().items() if mpl.rcParams[name] != value}
    with mpl.rc_context(other), warnings.catch_warnings():
        # Codes may be in any script: vector formats keep the text, the reader has the font.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def in_our_look(draw: Callable[Given, Made]) -> Callable[Given, Made]:
    """Draw under the settings of the style."""

    @functools.wraps(draw)
    def drawn(*args: Given.args, **kwargs: Given.kwargs) -> Made:
        with our_look():
            return draw(*args, **kwargs)

    return drawn


class Sheet:
    """A figure built from the top down: the answer, what is shown, the key, panels, notes.

    Parameters
    ----------
    answer : str
        The title: what the picture says.
    shown : str
        What is plotted, of how many, under which conditions.
    key : sequence of (label, Artist)
        What each mark means.
    notes : sequence of str
        How to read it and what it rests on; below the panels, in three lines at most.

    Attributes
    ----------
    figure : Figure
        Its label is the answer, for whoever can't see the picture.
    """

    def __init__(
        self,
        answer: str,
        shown: str,
        *,
        key: Sequence[tuple[str, Artist]] = (),
        notes: Sequence[str] = (),
    ) -> None:
        self.figure = Figure(figsize=(PAGE_WIDTH_IN, 1.0), label=answer)
        agg: Any = backend_agg  # has no types
        self._renderer = agg.FigureCanvasAgg(self.figure).get_renderer()
        self._placed: list[tuple[Any, float]] = []
        self._from_top_in = _MARGIN_IN
        self._notes = notes
        for line in self._wrapped(answer, ANSWER_PT, bold=True):
            self._write(line, ANSWER_PT, fontweight="bold")
        for line in self._wrapped(shown, TEXT_PT):
            self._write(line, TEXT_PT, color=MUTED)
        self._from_top_in += 0.04
        if key:
            self._write_key(key)

    # -------------------------------------------------------------------------- panels

    def rows(
        self,
        heights_in: Sequence[float],
        *,
        x_label: str,
        left_in: float,
        right_in: float = 0.2,
        own_x: bool = False,
    ) -> list[Axes]:
        """Panels one above the other, on one x axis or with ``own_x`` on an axis each."""
        gap = 0.55 if own_x else 0.18
        top = self._from_top_in + 0.24
        self._close(top + sum(heights_in) + gap * (len(heights_in) - 1) + 0.28, x_label)
        panels: list[Axes] = []
        for height in heights_in:
            panel = self._panel(
                left_in,
                top,
                PAGE_WIDTH_IN - left_in - right_in,
                height,
                panels[0] if panels and not own_x else None,
            )
            panel.tick_params(labelsize=SMALL_PT)
            panels.append(panel)
            top += height + gap
        for panel in panels[:-1]:
            panel.tick_params(labelbottom=own_x)
        return panels

    def grid(
        self,
        count: int,
        *,
        x_label: str,
        y_label: str,
        one_scale: bool,
        right_in: float = 0.0,
        apart: int = 0,
    ) -> list[Axes]:
        """Small multiples that share the x axis and, on ``one_scale``, the y axis.

        The last ``apart`` of them share nothing with the others and stand in rows of their own.
        """
        together = count - apart
        columns = columns_for(max(together, apart))
        rows = math.ceil(together / columns) + math.ceil(apart / columns)
        between_in = 0.16 if apart and together else 0.0
        height = _PANEL_HEIGHT_IN[columns]
        tick_pt = SMALL_PT if columns <= 2 else TINY_PT
        title_in, foot_in, tick_in = 0.25, 0.1, 0.4
        label_in = 0.24
        left = label_in + (tick_in if one_scale else 0.0)
        usable = PAGE_WIDTH_IN - left - _MARGIN_IN - right_in
        pitch = usable / columns
        pad = 0.12 if one_scale else tick_in
        self._pitch_in = pitch
        top = self._from_top_in
        panels: list[Axes] = []
        bottom = top + rows * (title_in + height + foot_in) + between_in + 0.14
        self._close(bottom, x_label)
        for index in range(count):
            is_apart = index >= together
            row, column = divmod(index - together if is_apart else index, columns)
            down_in = row * (title_in + height + foot_in)
            if is_apart:
                before = math.ceil(together / columns)
                down_in += before * (title_in + height + foot_in) + between_in
            first = panels[together if is_apart else 0] if index not in (0, together) else None
            panel = self._panel(
                left + column * pitch + (0.0 if one_scale else pad),
                top + down_in + title_in,
                pitch - pad,
                height,
                first,
                share_y=one_scale,
            )
            lowest = index + columns >= (count if is_apart else together)
            panel.tick_params(
                labelsize=tick_pt, labelbottom=lowest, labelleft=not one_scale or column == 0
            )
            panels.append(panel)
        middle = self._height_in - (top + title_in + (bottom - top - title_in) / 2)
        self.figure.text(
            _MARGIN_IN,
            middle,
            y_label,
            transform=self.figure.dpi_scale_trans,
            rotation=90,
            ha="left",
            va="center",
            fontsize=TEXT_PT,
        )
        return panels

    def title(self, panel: Axes, text: str, end: str = "") -> None:
        """Title of a panel, shortened in its middle until it fits; ``end`` is kept."""
        size = SMALL_PT if self._pitch_in > 1.6 else TINY_PT
        left_in = panel.get_position().x0 * PAGE_WIDTH_IN
        room = min(self._pitch_in - 0.1, PAGE_WIDTH_IN - _MARGIN_IN - left_in)
        fitted = self.fitted(text, room - width_in(end, size), size)
        panel.set_title(f"{fitted}{end}", loc="left", fontsize=size, pad=5, fontweight="bold")

    # ------------------------------------------------------------------------- measures

    def fitted(self, text: str, room_in: float, size: float, *, bold: bool = True) -> str:
        """The text, with its middle left out until it fits."""

        def shortened(kept: int) -> str:
            head = (kept + 1) // 2
            return text if kept >= len(text) else f"{text[:head]}…{text[len(text) - kept + head :]}"

        def too_wide(kept: int) -> bool:
            return width_in(shortened(kept), size, bold=bold) > room_in

        if not too_wide(len(text)):
            return text
        # The most letters that fit; fewer are never wider.
        return shortened(bisect_left(range(2, len(text)), True, key=too_wide) + 1)

    def _wrapped(self, text: str, size: float, *, bold: bool = False) -> list[str]:
        room = PAGE_WIDTH_IN - 2 * _MARGIN_IN
        space = width_in("n n", size, bold=bold) - width_in("nn", size, bold=bold)
        lines: list[str] = []
        taken = math.inf
        for word in text.split():
            width = width_in(word, size, bold=bold)
            if taken + space + width <= room:
                lines[-1] += f" {word}"
                taken += space + width
            else:
                lines.append(self.fitted(word, room, size, bold=bold))
                taken = width
        return lines

    # ------------------------------------------------------------------------ placement

    def _write(self, line: str, size: float, **style: Any) -> None:
        text = self.figure.text(
            _MARGIN_IN,
            0.0,
            line,
            transform=self.figure.dpi_scale_trans,
            va="top",
            fontsize=size,
            **style,
        )
        self._placed.append((text, self._from_top_in))
        self._from_top_in += 1.35 * size / 72

    def _write_key(self, key: Sequence[tuple[str, Artist]]) -> None:
        words, handles = zip(*key, strict=True)
        for columns in range(len(key), 0, -1):
            legend = self.figure.legend(
                handles,
                words,
                ncols=columns,
                fontsize=SMALL_PT,
                loc="upper left",
                borderpad=0,
                borderaxespad=0,
                columnspacing=1.4,
                handletextpad=0.6,
            )
            box = legend.get_window_extent(self._renderer)
            if columns == 1 or box.width / self.figure.dpi <= PAGE_WIDTH_IN - 2 * _MARGIN_IN:
                break
            legend.remove()
        self._placed.append((legend, self._from_top_in))
        self._from_top_in += box.height / self.figure.dpi + 0.04

    def _close(self, panels_end_in: float, x_label: str) -> None:
        """Notes under the panels; the height is known now, so everything finds its place."""
        self._from_top_in = panels_end_in
        if x_label:
            self.figure.text(
                PAGE_WIDTH_IN / 2,
                0.0,
                x_label,
                transform=self.figure.dpi_scale_trans,
                ha="center",
                va="top",
                fontsize=TEXT_PT,
            )
            self._placed.append((self.figure.texts[-1], self._from_top_in))
            self._from_top_in += 1.35 * TEXT_PT / 72
        self._from_top_in += 0.06
        lines = self._wrapped(" ".join(self._notes), SMALL_PT)
        for line in lines[:MOST_NOTE_LINES]:
            cut = len(lines) > MOST_NOTE_LINES and line is lines[MOST_NOTE_LINES - 1]
            self._write(f"{line[:-2]} …" if cut else line, SMALL_PT, color=MUTED)
        self._height_in = self._from_top_in + _STRIP_IN
        self.figure.set_size_inches(PAGE_WIDTH_IN, self._height_in)
        for placed, from_top in self._placed:
            at = self._height_in - from_top
            if hasattr(placed, "set_bbox_to_anchor"):
                placed.set_bbox_to_anchor((_MARGIN_IN, at), self.figure.dpi_scale_trans)
            else:
                placed.set_y(at)

    def _panel(
        self,
        left_in: float,
        top_in: float,
        width_in: float,
        height_in: float,
        first: Axes | None,
        *,
        share_y: bool = False,
    ) -> Axes:
        return self.figure.add_axes(
            (
                left_in / PAGE_WIDTH_IN,
                1.0 - (top_in + height_in) / self._height_in,
                width_in / PAGE_WIDTH_IN,
                height_in / self._height_in,
            ),
            axes_class=Panel,
            sharex=first,
            sharey=first if share_y else None,
        )


def width_in(text: str, size: float, *, bold: bool = True) -> float:
    """Width of a line of text, in inches; letters that close up make it no wider."""
    return size * sum(_advance(letter, bold) for letter in text) / 72.0


@functools.cache
def _advance(letter: str, bold: bool) -> float:  # noqa: FBT001
    """Width of a letter, in units of the size."""
    font = FontProperties(family="sans-serif", size=1.0, weight="bold" if bold else "normal")
    width, _, _ = text_to_path.get_text_width_height_descent(letter, font, False)
    return float(width)


def columns_for(count: int) -> int:
    """Columns of small multiples for so many panels."""
    return next((n for n, most in ((1, 1), (2, 4), (3, 9)) if count <= most), 4)


def leaf(
    kind: str, every: Sequence[Each], page: int, what: str, order: str, *, most: int | None = None
) -> tuple[list[Each], list[str]]:
    """What stands on one page of a picture of many, and a note that says so.

    Parameters
    ----------
    kind : str
        Of picture, by its name on the command line.
    every : sequence
        All that could be shown, in the order in which it is.
    page : int
        From 1.
    what : str
        What there are so many of.
    order : str
        Which come first.
    most : int, optional
        On one page; by default the panels of a sheet.

    Returns
    -------
    shown : list
    note : list of str
        Empty where one page holds all.

    Raises
    ------
    UnusableCall
        There is no such page.
    """
    most = most or MOST_PANELS
    pages = max(1, math.ceil(len(every) / most))
    if not 1 <= page <= pages:
        there = "is only page 1" if pages == 1 else f"are pages 1 to {pages}"
        raise UnusableCall(f"--page {page}: not there; there {there}")
    shown = list(every[(page - 1) * most : page * most])
    if pages == 1:
        return shown, []
    before = (page - 1) * most
    which = f"{before + 1} to {before + len(shown)}" if before else str(len(shown))
    rest = f"; the next: durability plot {kind} --page {page + 1}" if page < pages else ""
    return shown, [f"{which} of {len(every)} {what} shown, {order}{rest}."]


@in_our_look
def missing(words: str) -> Figure:
    """A picture that says what is missing.

    Parameters
    ----------
    words : str
        What the record lacks, and what would bring it.

    Returns
    -------
    Figure
    """
    sheet = Sheet(words, "Nothing to draw yet.")
    sheet._close(sheet._from_top_in, "")
    return sheet.figure


@in_our_look
def stamp(figure: Figure, words: str) -> None:
    """Mark a whole picture at its foot, for instance as invented."""
    figure.text(
        PAGE_WIDTH_IN - _MARGIN_IN,
        0.06,
        words,
        transform=figure.dpi_scale_trans,
        ha="right",
        va="bottom",
        fontsize=SMALL_PT,
        fontweight="bold",
        color=RUST,
    )


def whole_number_ticks(panel: Axes, most: int) -> None:
    """Ticks of an x axis that counts."""
    panel.xaxis.set_major_locator(
        MaxNLocator(most, integer=True, steps=[1, 2, 5, 10], min_n_ticks=1)
    )


def log_ticks(panel: Axes, which: str, ticks: Sequence[float]) -> None:
    """A logarithmic axis labelled in plain numbers."""
    axis = getattr(panel, f"{which}axis")
    getattr(panel, f"set_{which}scale")("log")
    axis.set_major_locator(FixedLocator(list(ticks)))
    axis.set_minor_locator(mpl.ticker.NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def shown_ticks(panel: Axes, most: int, quantity: units.Quantity) -> None:
    """At most so many ticks along x, round in the unit that the quantity is shown in."""
    if not units.is_converted(quantity):
        panel.xaxis.set_major_locator(MaxNLocator(most))
        return
    scale = units.shown(1.0, quantity)
    low, high = panel.get_xlim()
    ticks = [
        tick
        for tick in MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low * scale, high * scale)
        if low * scale <= tick <= high * scale
    ]
    named_ticks(panel, "x", [tick / scale for tick in ticks], [f"{tick:g}" for tick in ticks])


def apart(panel: Axes, x: FloatArray, y: FloatArray, marker_pt: float) -> BoolArray:
    """Which of many marks to draw, so that of those that cover each other one is drawn.

    Parameters
    ----------
    panel : Axes
        With its scales and limits set.
    x, y : ndarray of shape (n_marks,)
        In data units, finite.
    marker_pt : float
        Width of a mark; marks within one square of that width count as one.

    Returns
    -------
    ndarray of shape (n_marks,)
        Every mark of a few, else one a square.
    """
    if len(x) <= FEW_MARKS:
        return np.ones(len(x), dtype=bool)
    pixels = panel.transData.transform(np.column_stack([x, y]))
    squares = np.floor(pixels / (marker_pt * panel.figure.dpi / 72.0)).astype(np.int64)
    _, first = np.unique(squares, axis=0, return_index=True)
    drawn = np.zeros(len(x), dtype=bool)
    drawn[first] = True
    return drawn


def round_values(low: float, high: float, most: int) -> list[float]:
    """Round numbers from ``low`` to ``high``, evenly apart on a logarithmic scale.

    The finest of 1-2-5, 1-3 and 1 a decade that gives no more than ``most``.
    """
    for steps in ((1, 1.5, 2, 3, 4, 5, 6, 8), (1, 2, 5), (1, 3), (1,)):
        found = [
            step * 10.0**decade
            for decade in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
            for step in steps
            if low * 0.999 <= step * 10.0**decade <= high * 1.001
        ]
        if len(found) <= most:
            return found
    return found[:: math.ceil(len(found) / most)]
