"""What was computed of drops to come: numbers of cases and drops, the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from durability.record.records import Condition


@dataclass(frozen=True, slots=True)
class LabScatter:
    """Scatter of log peak g as this lab sees it, about each case's own line."""

    within_case_log_sd: float | None
    within_case_upper: float | None
    within_case_df: int
    between_case_log_sd: float | None
    between_case_upper: float | None
    between_case_df: int
    level: float
    basis: str


@dataclass(frozen=True, slots=True)
class RisePlan:
    """So many cases with so many drops each, to see a rise."""

    cases: int
    drops_per_case: int | None
    """None when no number of drops up to the search limit is enough."""
    power: float | None
    test: str


@dataclass(frozen=True, slots=True)
class ContrastPlan:
    """So many cases of each of two models, with so many drops each, to tell them apart."""

    drops_per_case: int
    cases_per_model: int | None
    power: float | None
    test: str


@dataclass(frozen=True, slots=True)
class DropsOfCase:
    """So many further drops of one case."""

    case_model: str
    case: str | None
    """None for a new one."""
    drops: int


@dataclass(frozen=True, slots=True)
class Allocation:
    """One way to spend a budget of drops, and what it is expected to teach."""

    name: str
    cases: tuple[DropsOfCase, ...]
    """Those that are dropped, as they come."""
    interval_factor: float
    """Width of the interval after these drops over that before."""
    chance_settled: float | None = None
    """That the interval then leaves no doubt."""


@dataclass(frozen=True, slots=True)
class NextDrops:
    """Which cases to drop next, for a question about how fast models wear."""

    question: Literal["faster", "lasts"]
    case_models: tuple[str, ...]
    condition: Condition
    drops: int
    new_cases: int
    allowed_pct: float | None
    """Rise per drop with which a case just lasts; None for the faster of two."""
    to_last: int | None
    estimate_pct: float | None
    """Rise per drop of the model, or by how much that of the first is above the second's."""
    lower_pct: float | None
    upper_pct: float | None
    level: float
    settled: bool | None
    allocations: tuple[Allocation, ...]
    """The one expected to teach most first."""
    between_case_sd_pct: float
    basis: str


@dataclass(frozen=True, slots=True)
class ReliabilityShown:
    """What the cases that were dropped so far have shown, and by which rule."""

    cases: int
    failures: int
    drops: float
    confidence: float
    reliability: float
    """Lower limit on the fraction of cases that survive ``drops`` drops."""
    scale_lower_drops: float | None
    """Lower limit on the Weibull scale; None without an assumed shape."""
    b10_lower_drops: float | None
    rule: str


@dataclass(frozen=True, slots=True)
class StopRule:
    """When to stop dropping one item."""

    what: str
    threshold: float
    words: str


@dataclass(frozen=True, slots=True)
class PlannedDrop:
    """One line of a drop sheet."""

    place: int
    """1, 2, 3 … in the order in which to drop."""
    repeat: int
    group: str
    """What is compared: a case model, or "bare"."""
    item: str
    """Code of the case, or of the device dropped bare."""
    item_drop: int
    """1, 2, 3 … of this item on this sheet."""
    orientation: str
    rest_s: float
    """Least time since this item's previous drop."""


@dataclass(frozen=True, slots=True)
class DropSheet:
    """Drops planned in advance, in order."""

    drops: tuple[PlannedDrop, ...]
    stop_rules: tuple[StopRule, ...]
    seed: int
    sha256: str
    """Of the planned drops and stop rules, so that a later change shows."""
    notes: tuple[str, ...]
    quarantined: tuple[str, ...] = ()
    """Devices that were asked for and left out: their battery is suspect."""
    cracked_glass: tuple[str, ...] = ()
    """Devices on the sheet of which cracked glass was noted."""
