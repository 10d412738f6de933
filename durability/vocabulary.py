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
DRIFT_TOLERANCE_PCT = 5.0
"""Drift of a sensor's sensitivity between two calibrations, in percent, that is taken without a
look at the drops in between, unless a laboratory sets its own: the calibration accuracy that
MIL-STD-202G, method 213, 2.2.3 asks of the measuring chain, and common practice."""
INTERVAL_CHANGE = 0.1
"""Share by which a calibration interval may differ from the one before and count as the same: two
calendar months differ by as much. A larger change needs a reason (ILAC-G24 / OIML D 10)."""

UNITS = {
    "_mv_per_g": "mV/g",
    "_m_s": "m/s",
    "_m_s2": "m/s2",
    "mass_g": "gram",
    "_g": "g (9.80665 m/s2)",
    "_ms": "ms",
    "_mm": "mm",
    "_hz": "Hz",
    "_pct": "%",
    "temperature_c": "degree Celsius",
    "_s": "s",
}
"""Unit by the ending of a column's name; the first that fits holds."""

MEANINGS = {
    "code": "code of a specimen, sensor or series; text, also when it looks like a number",
    "kind": "case (the protector), device (a real one) or dummy (rigid block of its mass)",
    "series": "drops of one device or dummy, in one case or bare, under one set of conditions",
    "drop_number": "1, 2, 3 … within the series, voided drops counted",
    "peak_g": "largest absolute acceleration of the first impact after filtering",
    "pulse_duration_ms": "time between first reaching and first returning to 10 % of the peak",
    "velocity_change_m_s": "integral of the first impact's acceleration",
    "achieved_height_mm": "drop height as measured at this drop",
    "drop_height_mm": "drop height as set for the series",
    "dropped_at": "time of the drop by the bench's clock",
    "case": "code of the case; absent when dropped bare",
    "case_model": "model of the case",
    "device": "code of the device or dummy dropped",
    "device_kind": "device or dummy",
    "device_model": "model of the device or dummy",
    "surface": "what the drop lands on",
    "orientation": "what strikes first; faces, edges and corners as in ISO 2206",
    "temperature_c": "temperature at the drop",
    "sensor": "code of the accelerometer",
    "purpose": "test, or reference: a drop made to watch the rig itself",
    "status": "of a drop: valid or void, a void one counts in no estimate; else state of use",
    "void_reason": "why a drop does not count",
    "severity": "of damage: 0 none, 1 cosmetic, 2 minor, 3 major, 4 failed",
    "specimen": "code of the case, device or dummy",
    "inspected_at": "time of the look by the bench's clock",
    "function": "function of the device that was checked",
    "outcome": "pass, degraded, fail or not_tested",
    "measured": "measured value, in the unit beside it",
    "amended": "whether a later amendment changed the row; the first values stand in tables/",
    "old_value": "value before the amendment",
    "new_value": "value after the amendment",
    "entered_by": "who entered it",
    "entered_at_utc": "when it was entered, UTC",
    "file_name": "file that it came from; absent when typed",
    "file_sha256": "SHA-256 of that file",
    "source_row": "row of that file",
    "entry_id": "the act of writing: a row of tables/entry.csv",
    "acceleration_g": "samples of the waveform as read, from start_s on at sample_rate_hz",
    "sample_rate_hz": "samples a second",
    "start_s": "time of the first sample",
}
"""What a column means, where its name alone does not say."""
