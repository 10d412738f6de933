"""What every table, view and column of the record means, with types and units.

Meanings and units stand in ``schema/dictionary.toml``; names and types come from the schema.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from pathlib import Path

from durability.store import database


@dataclass(frozen=True, slots=True)
class DescribedColumn:
    """One column of a table or view."""

    name: str
    type: str
    """As the store names it."""
    unit: str | None
    meaning: str


@dataclass(frozen=True, slots=True)
class DescribedTable:
    """One table or view of the store."""

    name: str
    is_view: bool
    meaning: str
    columns: tuple[DescribedColumn, ...]


def data_dictionary() -> list[DescribedTable]:
    """Every table, then every view, of the latest schema step, by name.

    Returns
    -------
    list of DescribedTable
        Columns in the order of the store.
    """
    with database.empty() as connection:
        rows = connection.execute(database.statement("columns")).fetchall()
    return [
        DescribedTable(
            table,
            is_view,
            _dictionary()["tables"][table],
            tuple(
                DescribedColumn(name, type_, unit(name), meaning(table, name) or "")
                for _, _, name, type_ in columns
            ),
        )
        for (table, is_view), columns in groupby(rows, key=lambda row: row[:2])
    ]


def meaning(table: str, column: str) -> str | None:
    """What a column of a table means; None where the dictionary has none of that name."""
    meanings = _dictionary()["columns"]
    return meanings.get(f"{table}.{column}", meanings.get(column))


def unit(column: str) -> str | None:
    """Unit of a column, by the ending of its name; None where it has none."""
    units = _dictionary()["units"]
    return next((unit for ending, unit in units.items() if column.endswith(ending)), None)


@cache
def _dictionary() -> dict[str, dict[str, str]]:
    file = Path(__file__).with_name("schema") / "dictionary.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))
