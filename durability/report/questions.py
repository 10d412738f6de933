"""Saved questions and their answers to tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.padding import Padding
from rich.text import Text

from durability.basis import counted
from durability.report import labels, tables

_GAP = 2
"""Blanks between two columns of a table."""


def listing(questions: Iterable[tuple[str, str, Sequence[str]]]) -> None:
    """Print which questions there are.

    Parameters
    ----------
    questions : iterable of (name, title, parameters)
        Parameters as they are typed behind ``--set``.
    """
    rows = [
        (name, "\n".join([title, *(f"  --set {parameter}" for parameter in parameters)]))
        for name, title, parameters in questions
    ]
    tables.say(f"{counted(len(rows), 'saved question')}; ask one with: durability query NAME")
    table = tables.grid(("name", "question, and what it can be asked with"), rows)
    table.columns[0].min_width = max((len(name) for name, _ in rows), default=0)
    tables.console().print(table)


def answer(
    title: str,
    parameters: Mapping[str, Any],
    columns: Sequence[str],
    rows: Sequence[Sequence[Any]],
) -> None:
    """Print the answer of a question: as a table, or as a paragraph a row where that is too wide.

    Parameters
    ----------
    title : str
        Title of the question.
    parameters : mapping
        What it was asked with; None where nothing was.
    columns : sequence of str
        Names of the columns.
    rows : sequence of sequences
        Its rows.
    """
    asked = labels.listed(
        f"{name} {labels.text(value)}" for name, value in parameters.items() if value is not None
    )
    tables.say(f"{title}: {counted(len(rows), 'row')}" + (f" ({asked})" if asked else ""))
    if not rows:
        return
    headings = [name.replace("_", " ") for name in columns]
    cells = [[labels.text(value) for value in row] for row in rows]
    widths = [max(map(_longest_word, texts)) for texts in zip(headings, *cells, strict=True)]
    console = tables.console()
    if sum(widths) + _GAP * len(widths) > console.width:
        for row in cells:
            pairs = "; ".join(f"{name} {cell}" for name, cell in zip(headings, row, strict=True))
            console.print(Padding(Text(pairs), (0, 0, 0, _GAP)), Text())
        return
    numeric = [
        at
        for at, values in enumerate(zip(*rows, strict=True))
        if all(isinstance(value, (int, float, type(None))) for value in values)
    ]
    table = tables.grid(headings, cells, right=numeric)
    table.show_edge = False
    table.padding = (0, _GAP - 1, 0, 0)
    for column, width in zip(table.columns, widths, strict=True):
        column.min_width = width
    console.print(table)


def _longest_word(text: str) -> int:
    return max(map(len, text.split()), default=0)
