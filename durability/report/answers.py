"""Answers of questions as text for other programs: every digit, nothing rounded."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from durability.report import as_json, labels, markdown

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
    return markdown.table(
        columns, ([labels.text(value) for value in row] for row in rows), right=numbers
    )


FORMS: dict[str, Callable[[str, Mapping[str, Any], Sequence[str], Rows], str]] = {
    "csv": as_csv,
    "json": as_object,
    "markdown": as_markdown,
}
"""Form → (query, parameters, columns, rows) to text."""
