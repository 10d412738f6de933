"""What a section of the page is made of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from matplotlib.figure import Figure

UNFOLDED_ROWS = 12
"""Rows of a table that stand open; those beyond are folded away."""


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    is_note: bool = False
    """Small: a legend, or what an answer rests on."""


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    items: Sequence[str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of ready texts; its first column names the row."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    right: frozenset[int] = frozenset()
    """Columns of numbers."""
    act: frozenset[int] = frozenset()
    """Rows that need action; their words say so too."""
    command: str = ""
    """What gives the same in the terminal."""

    @property
    def numbered_rows(self) -> list[tuple[int, Sequence[str]]]:
        """Every row with its place."""
        return list(enumerate(self.rows))

    @property
    def open_rows(self) -> list[tuple[int, Sequence[str]]]:
        """Rows that stand open."""
        return self.numbered_rows[: self._open]

    @property
    def folded_rows(self) -> list[tuple[int, Sequence[str]]]:
        """The others."""
        return self.numbered_rows[self._open :]

    @property
    def _open(self) -> int:
        # Folding away a row or two would only be in the way.
        return len(self.rows) if len(self.rows) <= UNFOLDED_ROWS + 3 else UNFOLDED_ROWS


@dataclass(frozen=True, slots=True)
class Archive:
    """A table for whoever wants it: folded away, and left out of print."""

    table: Table


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure within the page."""

    name: str
    svg: Markup
    caption: str


@dataclass(frozen=True, slots=True)
class Folded:
    """Long text that is opened by whoever wants it."""

    summary: str
    text: str


Block = Words | Items | Table | Archive | Drawing | Folded


@dataclass(slots=True)
class Section:
    """A part of the page under its own heading."""

    name: str
    title: str
    blocks: list[Block] = field(default_factory=list)


_RIGHT_TO_LEFT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]"
    "(?:[^<>A-Za-z0-9]*[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc])?"
)

_PER_CENT = re.compile(r"(?<=\d) %")


def isolated(text: str) -> str:
    """Words written from right to left kept apart, so that the numbers beside them stay in place.

    Parameters
    ----------
    text : str
        A sentence of ours with names of the record in it, or a picture's source.

    Returns
    -------
    str
        With Unicode's isolating marks (UAX 9) around each such run.
    """
    return _RIGHT_TO_LEFT.sub(lambda run: f"\u2068{run[0]}\u2069", text)


def flowing(text: str) -> str:
    """As ``isolated``, for a line that may break: not between a number and its per cent sign."""
    return isolated(_PER_CENT.sub("\u00a0%", text))


def drawing(name: str, figure: Figure, caption: str, *, stamp: str = "") -> Drawing:
    """A figure of ``report.plots`` made fit to stand within the page.

    Parameters
    ----------
    name : str
        Letters, digits and hyphens; no two drawings of a page share it.
    figure : Figure
        From a function of ``report.plots``.
    caption : str
        What it shows; the answer stands in the picture itself.
    stamp : str
        Marks the whole picture at its foot.

    Returns
    -------
    Drawing
    """
    from durability.report import plots

    if stamp:
        plots.stamp(figure, stamp)
    # The picture escapes its own texts: it comes from a figure, never from the record as it is.
    return Drawing(name, Markup(isolated(plots.inline_svg(figure, name))), caption)  # noqa: S704
