"""What was computed of lives: predictions, shares not failed, what past predictions came to.

An interval is of drops, days or shock dose, as the field that holds it says.
Field names are those of the JSON that leaves the program. A number that can't be given is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
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


@dataclass(frozen=True, slots=True)
class CutFigures:
    """What became of the forecasts of some series as of one share of their lives."""

    share: float
    """Of the life of a series that failed, else of the drops made."""
    series: int
    """Those that can be judged: failed since, or not failed beyond the upper end."""
    held: float | None = None
    """Share of these whose failure came within the interval."""
    held_lower: float | None = None
    held_upper: float | None = None
    """90 % interval of that share."""
    median_abs_log_error: float | None = None
    """Typical error of the median: the median of |log(drops left as forecast / as they came)|."""
    interval_score: float | None = None
    """Mean over these, of log drops left; smaller is better."""
    case_model: str | None = None
    """None: of all."""
    not_judged: int = 0
    """Not failed, nor beyond the upper end."""
    too_few: int = 0
    """Of which too little was known for a forecast."""

    @property
    def held_series(self) -> int:
        """Series whose failure came within the interval."""
        return round((self.held or 0.0) * self.series)

    @property
    def median_off_by(self) -> float | None:
        """Typical factor between the drops left as forecast and as they came."""
        return None if self.median_abs_log_error is None else exp(self.median_abs_log_error)


@dataclass(frozen=True, slots=True)
class Backtest:
    """Past forecasts checked against what happened since."""

    level: float
    """Content of the intervals."""
    series: int
    failed: int
    """Of these."""
    cuts: tuple[CutFigures, ...]
    """By share of life, of all series."""
    by_model: tuple[CutFigures, ...]
    """The same of each case model."""


@dataclass(frozen=True, slots=True)
class LivedCase:
    """How long one case has lasted, over all its series."""

    case: str
    case_model: str | None
    drops: int
    """Drop of its life at which it failed, else the drops that it has made."""
    failed: bool


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number of drops with its interval; ``None`` stands for beyond the horizon."""

    lower: float | None
    estimate: float | None
    upper: float | None
