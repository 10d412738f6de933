"""Columns of numbers, wherever they came from, before anyone says what they mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.words import Unit, split_unit

if TYPE_CHECKING:
    from durability.records import FloatArray


@dataclass(frozen=True, slots=True)
class Column:
    """One column's name as written, without unit, and its unit where it has one."""

    heading: str
    name: str
    unit: Unit | None
    is_nameless: bool = False
    """Whether nothing stands above it."""
    unit_from: str = "the heading"
    other_unit: Unit | None = None
    """Another one, in which the heading says the same column is."""


@dataclass(frozen=True, slots=True)
class Table:
    """A file's columns, its preamble, and how to get at the numbers."""

    file: str
    columns: tuple[Column, ...]
    head: FloatArray
    """First rows, shape (n_rows, n_columns); NaN where there is no number."""
    load: Callable[[list[int]], list[FloatArray]]
    """Whole columns by index."""
    place: Callable[[int], str]
    """Words for where row ``i`` stands in the file."""
    preamble: Preamble = field(default_factory=Preamble)
    inferred: dict[str, str] = field(default_factory=dict)
    broken_at: int | None = None
    """Number of a blank line among the data: another record may follow it."""


def column(heading: str, number: int, unit: Unit | None = None) -> Column:
    """A column from what stands above it; a nameless one is called by its number, from 1."""
    name, own_unit = split_unit(heading)
    name = name or f"column {number}"
    differ = unit is not None and own_unit is not None and unit.factor != own_unit.factor
    differ |= unit is not None and own_unit is not None and unit.quantity != own_unit.quantity
    return Column(
        heading or name,
        name,
        unit or own_unit,
        is_nameless=heading in ("", f"column {number}"),
        unit_from="the row of units" if unit is not None else "the heading",
        other_unit=own_unit if differ else None,
    )


def from_arrays(
    file: str, arrays: dict[str, FloatArray], preamble: Preamble, inferred: dict[str, str]
) -> Table:
    """A table of named arrays of one length."""
    values = list(arrays.values())
    return Table(
        file=file,
        columns=tuple(column(name, i + 1) for i, name in enumerate(arrays)),
        head=np.column_stack([array[:1000] for array in values]),
        load=lambda wanted: [values[i] for i in wanted],
        place=lambda row: f"sample {row + 1}",
        preamble=preamble,
        inferred=inferred,
    )
