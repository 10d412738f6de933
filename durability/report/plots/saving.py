"""Figures to bytes: the same figure gives the same bytes, today and next year."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

from durability.report.plots import look
from durability.version import PROGRAM_VERSION

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
    about = {**_NO_DATE[ending], "Title": str(figure.get_label())}
    figure.savefig(content, format=ending, metadata=about, facecolor=look.WHITE)
    return content.getvalue()
