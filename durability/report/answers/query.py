"""Saved questions and what they answer, or what a statement of the user's own does."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.record.orientation import FACE_NAMES, KIND_OF_FACE_COUNT, UNFOLDED
from durability.record.whole_file import csv_text
from durability.report import as_json, labels
from durability.report.blocks import (
    Block,
    Column,
    Columns,
    Preformatted,
    Table,
    Words,
    markdown,
)

if TYPE_CHECKING:
    from durability.workflow.results import AsOf

Rows = Sequence[Sequence[Any]]

USES = {
    "logging": "At the bench, and keeping the record",
    "follow-up": "Weeks and months later",
    "wear": "Which wear out, and how fast",
}
"""Daily use → its heading; a user's own questions may name none."""

IS_BOUND = "peak_is_bound"
"""Column of a question: the peak beside it is clipped, only known from below."""


def listing(questions: Sequence[Any]) -> Iterator[Block]:
    """Which questions there are, by daily use, and what each can be asked with."""
    yield Words(f"{counted(len(questions), 'saved question')}; run one with: durability query NAME")
    # The tables of all uses stand one below the other: their names are made equally wide.
    width = max((len(question.name) for question in questions), default=0)
    for use in dict.fromkeys([*USES, *(question.use for question in questions)]):
        own = [question for question in questions if question.use == use]
        if own:
            yield Words("")
            yield Columns[Any](
                USES.get(use, use or "Your own"),
                Column("name", lambda question: question.name.ljust(width), names="question"),
                Column("question, and its parameters", _asked_with, wrap=True),
            ).table(own)


def _asked_with(question: Any) -> str:
    parameters = (
        f"  --set {parameter.name}="
        f"{parameter.type if parameter.default == 'NULL' else parameter.default}"
        f" ({parameter.meaning})"
        for parameter in question.parameters
    )
    return "\n".join([question.title, *parameters])


def listing_json(questions: Sequence[Any]) -> dict[str, Any]:
    """Object of ``query --json`` without a name."""
    return {
        "queries": [
            {
                **as_json.named(question, ("name", "use", "title", "description")),
                "parameters": [
                    {
                        "name": parameter.name,
                        "type": parameter.type,
                        "default": None if parameter.default == "NULL" else parameter.default,
                        "meaning": parameter.meaning,
                    }
                    for parameter in question.parameters
                ],
                "columns": [
                    {"name": name, "meaning": meaning} for name, meaning in question.columns
                ],
                "example": question.example,
            }
            for question in questions
        ]
    }


def blocks(
    title: str,
    description: str,
    parameters: Mapping[str, Any],
    columns: Sequence[str],
    rows: Rows,
) -> Iterator[Block]:
    """The answer of a question, and what the question means.

    Parameters
    ----------
    title, description : str
        Of the question; no description of a statement of the user's own.
    parameters : mapping
        What it was asked with; None where nothing was.
    columns : sequence of str
        Names of the columns.
    rows : sequence of sequences
        Its rows.
    """
    asked = labels.listed(
        f"{name} {labels.recorded(value) if isinstance(value, float) else labels.text(value)}"
        for name, value in parameters.items()
        if value is not None
    )
    yield Words(f"{title}: {counted(len(rows), 'row')}" + (f" ({asked})" if asked else ""))
    if rows:
        yield _table(columns, rows, spaced=True)
    if {"item", "kind", *_ATTITUDES} <= set(columns):
        named = [dict(zip(columns, row, strict=True)) for row in rows]
        if len({(row["item"], row["kind"]) for row in named}) == 1:
            yield Preformatted(unfolded(named))
            yield Words(
                "# valid, + valid but not as many as required, v voided only, . none; an edge is on"
                " two faces, a corner on three",
                is_note=True,
            )
    if description:
        yield Words(description.replace("`", ""), is_note=True)


_ATTITUDES = ("attitudes", "seen_in", "voided_in", "due_in")
"""Columns of a question by which a box is drawn, where it answers for one item."""


def unfolded(rows: Sequence[Mapping[str, Any]]) -> str:
    """The box laid flat, each of its faces, edges and corners with a mark.

    Parameters
    ----------
    rows : sequence of mapping
        Of one item, with the columns of ``_ATTITUDES``; "all" stands for all of a kind.

    Returns
    -------
    str
        Lines of at most 64 characters.
    """
    listed: dict[str, set[str]] = {name: set() for name in _ATTITUDES[1:]}
    for row in rows:
        for name, found in listed.items():
            words = (row[name] or "").split(", ")
            found.update(f"all {row['attitudes']}" if each == "all" else each for each in words)

    def mark(*faces: int) -> str:
        kind = "all " + KIND_OF_FACE_COUNT[len(faces)]
        names = {kind, "-".join(map(str, sorted(faces)))}
        seen, due = (names & listed[name] for name in ("seen_in", "due_in"))
        if seen:
            return "+" if due else "#"
        return "v" if names & listed["voided_in"] else "."

    sheet = [[" " * 16] * 4 for _ in range(15)]
    for face, side in UNFOLDED.items():
        lines = [f"┌{f' {face} {FACE_NAMES[face]} ':─^14}┐"]
        for beside in ((side.above,), (), (side.below,)):
            across = ((*beside, side.left), beside, (*beside, side.right))
            lines.append("│" + "".join(f" {mark(face, *met)}  " for met in across) + "  │")
        for at, line in enumerate([*lines, f"└{'─' * 14}┘"]):
            sheet[5 * side.row + at][side.column] = line
    return "\n".join("".join(line).rstrip() for line in sheet)


def _table(columns: Sequence[str], rows: Rows, *, spaced: bool) -> Table:
    """Rows of values, with the digits that people read; a clipped peak carries its ≥."""
    shown = [at for at, name in enumerate(columns) if name != IS_BOUND]
    numbers = (
        place
        for place, at in enumerate(shown)
        if all(isinstance(row[at], (int, float, type(None))) for row in rows)
    )
    named = labels.column_words if spaced else labels.column
    headings = [named(columns[at]) for at in shown]
    return Table(
        "",
        headings,
        [cells(columns, row) for row in rows],
        right=frozenset(numbers),
        wrap=frozenset(range(len(headings))),
    )


def cells(columns: Sequence[str], row: Sequence[Any]) -> list[str]:
    """What a row shows, without the column that says whether its peak is a lower bound."""
    values = dict(zip(columns, row, strict=True))
    is_bound = bool(values.pop(IS_BOUND, False))
    return [
        labels.recorded(value, is_bound=True)
        if is_bound and name == "peak_g"
        else labels.cell(name, value)
        for name, value in values.items()
    ]


def as_text(form: str, asked: Any, as_of: AsOf | None, *, raw: bool = False) -> str:
    """An answer for other programs and reports.

    Parameters
    ----------
    form : {"csv", "json", "markdown"}
        CSV and JSON with every digit; Markdown to paste, with the digits that people read.
    asked : Answer
        Columns and rows.
    as_of : AsOf or None
        When it was asked; None: now.
    raw : bool
        Texts of a CSV that a spreadsheet would run as a formula are left as they are.
    """
    if form == "csv":
        rows = asked.rows if raw else [[_harmless(value) for value in row] for row in asked.rows]
        return as_csv(asked.columns, rows)
    if form == "markdown":
        return markdown([_table(asked.columns, asked.rows, spaced=False)])
    answer = as_json.named(asked, ("query", "parameters", "columns", "rows"))
    return as_json.dumps(as_json.as_of(as_of, answer)) + "\n"


_FORMULA = re.compile(r"[=+@\t\r]|-[^\d.]")


def _harmless(value: Any) -> Any:
    """A text that a spreadsheet would run, behind the quote by which it shows a text as it is."""
    return f"'{value}" if isinstance(value, str) and _FORMULA.match(value) else value


def as_csv(columns: Sequence[str], rows: Rows) -> str:
    """Comma-separated values with a header row; absent is blank, times are ISO 8601."""
    return csv_text(columns, ([_cell(value) for value in row] for row in rows))


def _cell(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return as_json.dumps(value)
    return value.isoformat() if hasattr(value, "isoformat") else value
