"""Exports whose samples stand side by side: a few long lines, one channel a line."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.intake.waveforms.doubts import points_stated
from durability.intake.waveforms.preamble import Preamble
from durability.intake.waveforms.table import Table, from_arrays
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.record.records import FloatArray

Split = Callable[[str, str], list[str]]

_WIDE = 64
"""Cells of a line that are samples rather than channels …"""
_FEW_LINES = 20
"""… where there are fewer such lines than this, and few others."""
_MAX_LINES = 500

_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class WideLine:
    """A line of one channel: what stands before its numbers, and the numbers as written."""

    name: str
    cells: Sequence[str]


def wide_lines(text: str, split: Split) -> list[WideLine]:
    """The lines that hold a channel each; none when the samples stand below each other.

    Parameters
    ----------
    text : str
        The whole export.
    split : callable
        Parts a line at a delimiter.
    """
    if len(text) < 2 * _WIDE or text.count("\n") > _MAX_LINES:
        return []
    found = [
        wide
        for line in text.splitlines()
        if len(line) >= 2 * _WIDE and (wide := _wide_line(line, split)) is not None
    ]
    return found if len(found) < _FEW_LINES and any(line.cells for line in found) else []


def _wide_line(line: str, split: Split) -> WideLine | None:
    for mark in "\t;|, ":
        cells = split(line, mark) if line.count(mark) >= _WIDE - 1 else []
        while cells and not cells[-1]:
            cells.pop()
        numbers = [_NUMBER.fullmatch(cell) is not None for cell in cells]
        begin = numbers.index(True) if True in numbers else len(cells)
        if len(cells) - begin >= _WIDE and all(numbers[begin:]):
            return WideLine(" ".join(cells[:begin]).rstrip(" :="), cells[begin:])
        if len(cells) == begin >= _WIDE:
            return WideLine("heading", ())
    return None


def samples_across_lines(table: Table) -> Table:
    """A table whose samples run on from line to line, as one column; any other as it is.

    That is certain where nothing names the columns and the preamble says how many samples there
    are: just as many as numbers.
    """
    stated = points_stated(table)
    if not stated or len(table.columns) < 2 or not all(each.is_nameless for each in table.columns):
        return table
    numbers = np.column_stack(table.load(list(range(len(table.columns)))))
    samples = numbers.ravel()
    samples = samples[: samples.size - int(np.argmax(np.isfinite(samples[::-1])))]
    if samples.size not in stated or len(numbers) in stated:
        return table
    table.inferred["data"] += ", the samples running on from line to line"
    upright = from_arrays(table.file, {"": samples}, table.preamble, table.inferred)
    return replace(upright, place=lambda row: table.place(row // len(table.columns)))


def read_rows(
    file: str, text: str, wide: Sequence[WideLine], split: Split, inferred: dict[str, str]
) -> Table:
    """The table that a few long lines make when set upright.

    Parameters
    ----------
    file : str
        Name, for messages.
    text : str
        The whole export; its other lines are the preamble.
    wide : sequence of WideLine
        From ``wide_lines``.
    split : callable
        Parts a line at a delimiter.
    inferred : dict
        What was worked out is added here.

    Raises
    ------
    WaveformUnreadable
        The lines are of several lengths, or below a heading, as records of several drops are.
    """
    lengths = {len(line.cells) for line in wide}
    if len(lengths) > 1:
        raise WaveformUnreadable(
            f"{file}: {len(wide)} long lines that don't match, records of several drops by their "
            "look; one record a file is needed, its samples below each other"
        )
    comma = any("," in cell for line in wide for cell in line.cells)
    preamble = Preamble(decimal="," if comma else ".")
    for other in text.splitlines():
        if len(other) < 2 * _WIDE:
            preamble.note_line(other, ",", split)
    inferred["decimal mark"] = "comma" if comma else "point"
    inferred["data"] = f"in {len(wide)} lines of {lengths.pop()} samples"
    arrays: dict[str, FloatArray] = {}
    for number, line in enumerate(wide, start=1):
        name = line.name if line.name and line.name not in arrays else f"row {number} {line.name}"
        arrays[name.strip()] = np.array([float(cell.replace(",", ".")) for cell in line.cells])
    return from_arrays(file, arrays, preamble, inferred)
