"""A sheet of labels: code, model and lot in words, and the code as a QR symbol."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import segno
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.transforms import Affine2D, Transform

from durability.report import labels
from durability.report.plots import look

MM_IN = 25.4
PAPER_MM = (210.0, 297.0)
COLUMNS, ROWS = 3, 8
MOST_LABELS = COLUMNS * ROWS
LABEL_MM = (63.5, 33.9)
_GAP_MM = 2.5
"""Between two columns; rows touch. A common cut of A4 label paper, common practice."""
_LEFT_MM = (PAPER_MM[0] - COLUMNS * LABEL_MM[0] - (COLUMNS - 1) * _GAP_MM) / 2
_TOP_MM = (PAPER_MM[1] - ROWS * LABEL_MM[1]) / 2
_CUT_MM = 2.0
"""Length of the marks at the corners, for plain paper."""
_EDGE_MM = 2.0
"""Free along the edges of a label: printers and cutters are off by as much."""
_SYMBOL_MM = LABEL_MM[1] - 2 * _EDGE_MM
QUIET_MODULES = 4
"""White modules around a symbol: ISO/IEC 18004 asks for four."""
_TEXT_MM = LABEL_MM[0] - _SYMBOL_MM - 2 * _EDGE_MM - 1.0
_CODE_LINES = {20.0: 1, 16.0: 1, 13.0: 2, 10.0: 3, 7.0: 5}
"""Size in points → most lines of a code at that size; a code that fits has modules of 0.4 mm or
more, which hand-held scanners resolve (common practice)."""
_LEAST_PT = min(_CODE_LINES)
_LINE = 1.3


@look.in_our_look
def too_long(codes: Iterable[str]) -> list[str]:
    """Codes that no label has room for."""
    return [code for code in codes if len(_broken(code, _LEAST_PT)) > _CODE_LINES[_LEAST_PT]]


def _symbol(text: str) -> Sequence[Sequence[int]]:
    """Dark modules of a QR symbol, with the strongest correction that needs no more modules."""
    return segno.make(text, error="m", micro=False).matrix


@look.in_our_look
def label_sheet(specimens: Sequence[Mapping[str, Any]]) -> Figure:
    """An A4 sheet of 3 by 8 labels, filled row by row.

    Parameters
    ----------
    specimens : sequence of mapping
        At most ``MOST_LABELS``, each with ``specimen``, ``kind``, ``model``, ``lot`` and
        ``scans_as``, what a scanner types.

    Returns
    -------
    Figure
        Of the paper's size: to be printed at 100 %.
    """
    words = f"Labels: {labels.some(str(each['specimen']) for each in specimens)}"
    figure = Figure(figsize=(PAPER_MM[0] / MM_IN, PAPER_MM[1] / MM_IN), label=words)
    paper = Affine2D().scale(1 / MM_IN) + figure.dpi_scale_trans
    for at, each in enumerate(specimens):
        row, column = divmod(at, COLUMNS)
        left = _LEFT_MM + column * (LABEL_MM[0] + _GAP_MM)
        top = PAPER_MM[1] - _TOP_MM - row * LABEL_MM[1]
        _draw_corners(figure, paper, left, top)
        _draw_symbol(figure, paper, left + _EDGE_MM, top - _EDGE_MM, str(each["scans_as"]))
        _write(figure, paper, left + _EDGE_MM + _SYMBOL_MM, top - 2 * _EDGE_MM, each)
    return figure


def _draw_corners(figure: Figure, paper: Transform, left: float, top: float) -> None:
    corners = [
        ((x + across * _CUT_MM, y), (x, y), (x, y + up * _CUT_MM))
        for x, across in ((left, 1), (left + LABEL_MM[0], -1))
        for y, up in ((top, -1), (top - LABEL_MM[1], 1))
    ]
    path = Path.make_compound_path(*(Path(corner) for corner in corners))
    figure.add_artist(
        PathPatch(path, fill=False, edgecolor=look.RULE, linewidth=0.4, transform=paper)
    )


def _draw_symbol(figure: Figure, paper: Transform, left: float, top: float, text: str) -> None:
    symbol = _symbol(text)
    module = _SYMBOL_MM / (len(symbol) + 2 * QUIET_MODULES)
    dark = [
        Path.unit_rectangle().transformed(
            Affine2D().translate(QUIET_MODULES + column, -QUIET_MODULES - row - 1)
        )
        for row, line in enumerate(symbol)
        for column, is_dark in enumerate(line)
        if is_dark
    ]
    figure.add_artist(
        PathPatch(
            Path.make_compound_path(*dark),
            facecolor="black",
            linewidth=0,
            antialiased=False,
            transform=Affine2D().scale(module).translate(left, top) + paper,
        )
    )


def _write(
    figure: Figure, paper: Transform, left: float, top: float, each: Mapping[str, Any]
) -> None:
    code = str(each["specimen"])
    sizes = (size for size, most in _CODE_LINES.items() if len(_broken(code, size)) <= most)
    size = next(sizes, _LEAST_PT)
    lot = "" if each["lot"] is None else f"lot {each['lot']}"
    lines = [
        *((line, size, "bold") for line in _broken(code, size)),
        *((line, look.TEXT_PT, "normal") for line in _broken(str(each["model"] or ""))[:2]),
        *((line, look.TEXT_PT, "normal") for line in _broken(lot)[:1]),
        (str(each["kind"]), look.SMALL_PT, "normal"),
    ]
    bottom = top - LABEL_MM[1] + 3 * _EDGE_MM
    for line, size_pt, weight in lines:
        height = _LINE * size_pt * MM_IN / 72
        if line and top - height >= bottom:
            figure.text(
                left, top, line, va="top", fontsize=size_pt, fontweight=weight, transform=paper
            )
            top -= height


def _broken(text: str, size_pt: float = look.TEXT_PT) -> list[str]:
    """Lines that fit beside the symbol, broken at blanks and hyphens where there are any."""
    lines, line = [], ""
    for letter in text:
        if look.width_in(line + letter, size_pt) > _TEXT_MM / MM_IN:
            end = 1 + max(line.rfind(" "), line.rfind("-")) or len(line)
            lines.append(line[:end].rstrip())
            line = line[end:]
        line += letter
    return [*lines, line]
