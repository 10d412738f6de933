"""Figures and texts made fit to stand within the page."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from durability.report.blocks import Drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.workflow.results import ReportContents

_STAMP = "INVENTED data of the demo"

_RIGHT_TO_LEFT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]"
    "(?:[^<>A-Za-z0-9]*[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc])?"
)

_PER_CENT = re.compile(r"(?<=\d) %")


@dataclass(frozen=True, slots=True)
class Artist:
    """Draws figures for one page, reporting each as it begins."""

    contents: ReportContents
    told: Callable[[str], None]

    def draw(self, name: str, caption: str, make: Callable[[], Figure]) -> Drawing:
        """A figure of ``report.plots`` made fit to stand within the page.

        Parameters
        ----------
        name : str
            Letters, digits and hyphens; no two drawings of a page share it.
        caption : str
            What it shows; the answer stands in the picture itself.
        make : callable
            Draws it.

        Returns
        -------
        Drawing
        """
        from durability.report import plots

        self.told(f"drawing: {caption}")
        figure = make()
        if self.contents.invented:
            plots.stamp(figure, _STAMP)
        svg = isolated(plots.inline_svg(figure, name))
        # The picture escapes its own texts: it comes from a figure, never from the record.
        return Drawing(name, Markup(svg), caption)  # noqa: S704


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
