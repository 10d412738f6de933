"""What was computed of lives: prediction intervals, shares not failed.

An interval is of drops, days or shock dose, as the field that holds it says.
Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Prediction:
    """A central prediction interval; ``None`` stands for beyond the horizon."""

    lower: float | None
    """As likely to be undercut as ``upper`` is to be exceeded."""
    median: float | None
    upper: float | None
    """With ``lower`` it holds the stated share of what may come."""


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Share of a group's cases that have not failed, by drop; steps hold until the next drop."""

    group: str
    failed_drop: IntArray
    censored_drop: IntArray
    """Last drop of each case that has not failed."""
    drop: FloatArray
    """Where the steps begin, from 0; shape (n_steps,), as the next three."""
    survival: FloatArray
    lower: FloatArray
    upper: FloatArray
    level: float
