"""Answers as text for other programs and reports: CSV and JSON with every digit, and Markdown."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from durability.report import as_json, labels
from durability.report.blocks import (
    Archive,
    Block,
    Folded,
    Items,
    Preformatted,
    Section,
    Table,
    Words,
)

Rows = Sequence[Sequence[Any]]


def as_csv(_: str, __: Mapping[str, Any], columns: Sequence[str], rows: Rows) -> str:
    """Comma-separated values with a header row; absent is blank, times are ISO 8601."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return as_json.dumps(value)
    return value.isoformat() if hasattr(value, "isoformat") else value


def as_object(query: str, parameters: Mapping[str, Any], columns: Sequence[str], rows: Rows) -> str:
    """The object of ``query --json``."""
    told = {"query": query, "parameters": parameters, "columns": columns, "rows": rows}
    return as_json.dumps(told) + "\n"


def as_markdown(_: str, __: Mapping[str, Any], columns: Sequence[str], rows: Rows) -> str:
    """A table to paste into a report, with the digits that people read."""
    numbers = [
        at
        for at, values in enumerate(zip(*rows, strict=True))
        if all(isinstance(value, (int, float, type(None))) for value in values)
    ]
    texts = [[labels.text(value) for value in row] for row in rows]
    return markdown([Table("", columns, texts, right=frozenset(numbers))])


FORMS: dict[str, Callable[[str, Mapping[str, Any], Sequence[str], Rows], str]] = {
    "csv": as_csv,
    "json": as_object,
    "markdown": as_markdown,
}
"""Form → (query, parameters, columns, rows) to text."""


def markdown(blocks: Iterable[Block | Section], title: str = "") -> str:
    """An answer as Markdown, to paste into a report or a log.

    Parameters
    ----------
    blocks : iterable of Block or Section
        A section stands under a heading; figures are left out.
    title : str
        Heading of the whole.

    Returns
    -------
    str
        Lines ended by a line feed, a blank line between two blocks.
    """
    heading = [f"# {title}\n"] if title else []
    return "\n".join([*heading, *filter(None, map(_markdown, blocks))])


def _markdown(block: Block | Section) -> str:
    if isinstance(block, Section):
        return f"## {block.title}\n\n{markdown(block.blocks)}"
    if isinstance(block, Words):
        return f"{block.text}\n"
    if isinstance(block, Items):
        return "".join(f"- {item}\n" for item in block.items)
    if isinstance(block, (Preformatted, Folded)):
        return f"```\n{block.text}\n```\n"
    if isinstance(block, Archive):
        return _markdown(block.table)
    return _markdown_table(block) if isinstance(block, Table) else ""


def _markdown_table(table: Table) -> str:
    caption = f"{table.caption}:\n\n" if table.caption else ""
    return caption + "".join(
        [
            _line(table.columns),
            _line(["---:" if at in table.right else "---" for at in range(len(table.columns))]),
            *map(_line, table.rows),
        ]
    )


def _line(cells: Iterable[str]) -> str:
    """One row; bars within cells are escaped."""
    inner = " | ".join(" ".join(cell.replace("|", "\\|").split()) for cell in cells)
    return f"| {inner} |\n"
