"""Tables as Markdown, to paste into a report or a log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def table(
    columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Iterable[int] = ()
) -> str:
    """A table of ready texts.

    Parameters
    ----------
    columns : sequence of str
        Headings.
    rows : iterable of sequence of str
        Cells.
    right : iterable of int
        Columns aligned to the right: numbers.

    Returns
    -------
    str
        Lines ended by a line feed; bars within cells are escaped.
    """
    aligned = set(right)
    lines = [
        _line(columns),
        _line(["---:" if at in aligned else "---" for at in range(len(columns))]),
        *map(_line, rows),
    ]
    return "\n".join(lines) + "\n"


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(" ".join(cell.replace("|", "\\|").split()) for cell in cells) + " |"
