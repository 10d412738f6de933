"""The words that a column may hold; apart from the nouns, since each start needs them."""

from __future__ import annotations

from typing import Literal

SpecimenKind = Literal["case", "device", "dummy"]
Purpose = Literal["test", "reference"]
Outcome = Literal["pass", "degraded", "fail", "not_tested"]

SPECIMEN_KINDS: tuple[SpecimenKind, ...] = ("case", "device", "dummy")
PURPOSES: tuple[Purpose, ...] = ("test", "reference")
OUTCOMES: tuple[Outcome, ...] = ("pass", "degraded", "fail", "not_tested")
DAMAGE_SEVERITIES = {0: "none", 1: "cosmetic", 2: "minor", 3: "major", 4: "failed"}
SEVERITY_COSMETIC = 1
SEVERITY_FAILED = 4
VOID_REASONS = (
    "cable snag",
    "wrong orientation",
    "loose mount",
    "bad trigger",
    "wrong height",
    "other",
)
"""Usual physical causes for voiding a drop, in the order of their keys 1 to 6; free words do too.
A test for outliers is none of them (ASTM E178)."""
HEIGHT_TOLERANCE = 0.02
"""Of the nominal drop height (ISO 2248)."""
