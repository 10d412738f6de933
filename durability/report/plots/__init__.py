"""Results → matplotlib figures in one style; nothing is queried or saved."""

from __future__ import annotations

import re
from io import BytesIO
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

from matplotlib.figure import Figure
from matplotlib.text import Text

from durability import PROGRAM_VERSION
from durability.record.errors import harmless
from durability.report.plots import look
from durability.report.plots.fan import fan, survival
from durability.report.plots.latent import boundary, latent
from durability.report.plots.lifeline import heat, lifeline
from durability.report.plots.look import MOST_PANELS, missing, stamp
from durability.report.plots.pulses import pulses, scatter, spectra
from durability.report.plots.rig import rig
from durability.report.plots.wear import cushion, models, wear

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

__all__ = [
    "ENDINGS",
    "MOST_PANELS",
    "Figure",
    "boundary",
    "cushion",
    "fan",
    "heat",
    "inline_svg",
    "latent",
    "lifeline",
    "missing",
    "models",
    "picture_bytes",
    "pulses",
    "rig",
    "scatter",
    "sheets_bytes",
    "spectra",
    "stamp",
    "survival",
    "wear",
]


ENDINGS = ("svg", "pdf", "png")
_NO_DATE: dict[str, dict[str, str | None]] = {
    "svg": {"Date": None, "Creator": f"durability {PROGRAM_VERSION}"},
    "pdf": {"CreationDate": None, "Creator": f"durability {PROGRAM_VERSION}", "Producer": None},
    "png": {"Software": f"durability {PROGRAM_VERSION}"},
}


@look.in_our_look
def picture_bytes(figure: Figure, ending: str) -> bytes:
    """The picture as the content of a file.

    Parameters
    ----------
    figure : Figure
        From a function of this package.
    ending : {"svg", "pdf", "png"}
        Kind of file. Text stays text in SVG and PDF; PNG has 200 dots an inch.

    Returns
    -------
    bytes
        Without a date: equal figures give equal bytes.
    """
    content = BytesIO()
    for text in figure.findobj(Text):
        text.set_text(harmless(text.get_text()))
    about = {**_NO_DATE[ending], "Title": harmless(str(figure.get_label()))}
    figure.savefig(content, format=ending, metadata=about, facecolor=look.WHITE)
    return content.getvalue()


@look.in_our_look
def sheets_bytes(figures: Sequence[Figure]) -> bytes:
    """Pictures as the sheets of one PDF, in the manner of ``picture_bytes``."""
    from matplotlib.backends.backend_pdf import PdfPages

    content = BytesIO()
    with PdfPages(content, metadata={**_NO_DATE["pdf"], "Title": "Labels"}) as sheets:
        for figure in figures:
            sheets.savefig(figure, facecolor=look.WHITE)
    return content.getvalue()


def inline_svg(figure: Figure, name: str) -> str:
    """The picture as an element within a page.

    Parameters
    ----------
    figure : Figure
        From a function of this package.
    name : str
        Letters, digits and hyphens; unlike any other picture of the page, since its ids begin so.

    Returns
    -------
    str
        An svg element without a fixed size: it fills the width it is given. Its label, for
        whoever can't see it, is the answer.
    """
    text = picture_bytes(figure, "svg").decode()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)

    def renamed(tag: re.Match[str]) -> str:
        inside = tag[0].replace(' id="', f' id="{name}-').replace("url(#", f"url(#{name}-")
        return inside.replace('href="#', f'href="#{name}-')

    head, rest = re.sub(r"<[^>]+>", renamed, text).split(">", 1)
    head = re.sub(r' (width|height)="[^"]*"', "", head)
    return f'{head} role="img" aria-label={quoteattr(str(figure.get_label()))}>{rest}'
