"""Saved questions and their answers to tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.padding import Padding
from rich.text import Text

from durability.basis import counted
from durability.report import labels, terminal

_GAP = 2
"""Blanks between two columns of a table."""


USES = {
    "logging": "At the bench, and keeping the record",
    "follow-up": "Weeks and months later",
    "wear": "Which wear out, and how fast",
}
"""Daily use → its heading; a user's own questions may name none."""


def listing(questions: Iterable[tuple[str, str, str, Sequence[str]]]) -> None:
    """Print which questions there are, by daily use.

    Parameters
    ----------
    questions : iterable of (use, name, title, parameters)
        Parameters as they are typed behind ``--set``.
    """
    found = list(questions)
    terminal.say(f"{counted(len(found), 'saved question')}; ask one with: durability query NAME")
    width = max((len(name) for _, name, _, _ in found), default=0)
    for use in dict.fromkeys([*USES, *(use for use, *_ in found)]):
        own = [(name, title, parameters) for at, name, title, parameters in found if at == use]
        if not own:
            continue
        terminal.console().print()
        terminal.say(USES.get(use, use or "Your own"))
        table = terminal.grid(
            ("name", "question, and what it can be asked with"),
            (
                (name, "\n".join([title, *(f"  --set {parameter}" for parameter in parameters)]))
                for name, title, parameters in own
            ),
            wrap=(1,),
        )
        table.columns[0].min_width = width
        terminal.console().print(table)


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
    terminal.say(f"{title}: {counted(len(rows), 'row')}" + (f" ({asked})" if asked else ""))
    if not rows:
        return
    headings = [name.replace("_", " ") for name in columns]
    cells = [[labels.text(value) for value in row] for row in rows]
    console = terminal.console()
    widths = _column_widths(list(zip(headings, *cells, strict=True)), console.width)
    if widths is None:
        for row in cells:
            pairs = "; ".join(f"{name} {cell}" for name, cell in zip(headings, row, strict=True))
            console.print(Padding(Text(pairs), (0, 0, 0, _GAP)), Text())
        return
    numeric = [
        at
        for at, values in enumerate(zip(*rows, strict=True))
        if all(isinstance(value, (int, float, type(None))) for value in values)
    ]
    table = terminal.grid(headings, cells, right=numeric, wrap=range(len(headings)))
    table.show_edge = False
    table.padding = (0, _GAP - 1, 0, 0)
    for column, width in zip(table.columns, widths, strict=True):
        column.width = width
    console.print(table)


def _column_widths(columns: Sequence[Sequence[str]], room: int) -> list[int] | None:
    """Width of each column: no word is cut, and what room is left is shared; None where too wide.

    A least width alone would not do: to fit a table, its widest columns are cut below that.
    """
    widths = [max(map(_longest_word, texts)) for texts in columns]
    wanted = [max(map(len, texts)) - width for texts, width in zip(columns, widths, strict=True)]
    spare = room - sum(widths) - _GAP * len(widths)
    if spare < 0:
        return None
    by_need = sorted(range(len(widths)), key=wanted.__getitem__)
    for served, at in enumerate(by_need):
        more = min(wanted[at], spare // (len(widths) - served))
        widths[at] += more
        spare -= more
    return widths


def _longest_word(text: str) -> int:
    return max(map(len, text.split()), default=0)
