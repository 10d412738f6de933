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
DAMAGE_MODES = {
    "crack": "a line opened in a hard part; nothing has come apart",
    "split": "opened along a seam, or right through an edge",
    "tear": "opened in a soft part: foam, rubber, fabric, film",
    "puncture": "pierced through by something pointed",
    "fracture": "broken into pieces, or a piece broke off; shattered glass too",
    "dent": "pushed in at one place",
    "permanent set": "bent, flattened or thinner, and does not come back",
    "abrasion": "scuffed, scratched or worn at the surface",
    "delamination": "layers parted from each other",
    "loosening": "a part has play, lifts or does not close, but is still on",
    "detachment": "a part came off",
    "leak": "lets something in or out",
    "swelling": "bulged or grown",
    "discoloration": "changed colour, stress whitening too",
    "other": "none of these; the note says what",
}
"""What kind of damage it is: one word for each thing seen, so that kinds can be counted apart."""
OTHER_MODE = "other"
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
MOUNTINGS = ("stud", "adhesive", "wax", "tape", "magnet", "clamp", "other")
"""How a sensor is fixed to what it measures (ISO 5348)."""
NOT_REMOUNTED = "unchanged"
AMPLITUDE_TOLERANCE_PCT = 1.0
"""By how much the sensitivity at the peak of a drop may differ from the one it was scaled by before
that is noted; common practice for the linearity of shock accelerometers."""
MOST_CROSS_AXIS_PCT = 30.0
"""Of the peak, beyond which the axes across it put a reading in doubt (IEC 60068-2-27:2008,
4.1.4)."""
DRIFT_TOLERANCE_PCT = 5.0
"""Drift of a sensor's sensitivity between two calibrations, in percent, that is taken without a
look at the drops in between, unless a laboratory sets its own: the calibration accuracy that
MIL-STD-202G, method 213, 2.2.3 asks of the measuring chain, and common practice."""
INTERVAL_CHANGE = 0.1
"""Share by which a calibration interval may differ from the one before and count as the same: two
calendar months differ by as much. A larger change needs a reason (ILAC-G24 / OIML D 10)."""

BARE = "bare"
"""How a call names drops without a case."""

FlagName = Literal[
    "clipped",
    "over_range",
    "zero_shift",
    "under_sampled",
    "no_impact",
    "second_impact",
    "velocity_implausible",
    "truncated",
    "dropout",
    "saturated",
    "two_values_a_stamp",
    "cross_axis",
]
"""Doubts about a record of a drop."""
