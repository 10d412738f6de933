"""Results to rich tables: 80 columns are enough, and no colour is needed to understand them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from durability.basis import counted
from durability.report import labels
from durability.report.terminal import console as console
from durability.report.terminal import grid as grid
from durability.report.terminal import say as say

_COLUMNS: dict[str, tuple[tuple[str, str], ...]] = {
    "specimens": (
        ("specimen", "specimen"),
        ("kind", "kind"),
        ("model", "model"),
        ("drops", "drops"),
        ("last_dropped_at", "last drop"),
        ("worst_damage", "worst damage"),
        ("status", "status"),
    ),
    "sensors": (
        ("sensor", "sensor"),
        ("sensitivity_mv_per_g", "mV/g"),
        ("full_scale_g", "full scale, g"),
        ("calibrated_on", "calibrated"),
        ("calibration_due", "due"),
        ("series", "series"),
    ),
    "series": (
        ("series", "series"),
        ("device", "device"),
        ("case", "case"),
        ("case_model", "model"),
        ("condition", "condition"),
        ("drops", "drops"),
        ("valid_drops", "valid"),
        ("status", "status"),
    ),
    "drops": (
        ("series", "series"),
        ("drop_number", "drop"),
        ("peak_g", "peak, g"),
        ("pulse_duration_ms", "ms"),
        ("dropped_at", "dropped"),
        ("status", "status"),
        ("remark", "remark"),
    ),
    "damage": (
        ("specimen", "specimen"),
        ("series", "series"),
        ("drop_number", "drop"),
        ("severity", "severity"),
        ("seen", "what was seen"),
        ("inspector", "seen by"),
        ("entered", "entered (UTC)"),
    ),
    "inspections": (
        ("inspected_at", "inspected"),
        ("device", "device"),
        ("days_since_drop", "days"),
        ("tested", "tested"),
        ("failed", "failed"),
        ("not_passed", "not passed"),
        ("inspector", "by"),
    ),
    "plans": (
        ("name", "plan"),
        ("anchor", "anchor"),
        ("stages", "stages (days)"),
        ("check_list", "check list"),
        ("functions", "functions"),
    ),
    "check_lists": (
        ("check_list", "check list"),
        ("version", "version"),
        ("functions", "functions"),
        ("plans", "plans"),
        ("inspections", "looks"),
        ("since", "since"),
    ),
}


_WORDY = {
    "remark", "not_passed", "stages", "functions", "condition", "model", "case_model", "name",
    "last_dropped_at", "status", "seen", "entered",
}  # fmt: skip
"""Columns whose text may run over several lines."""

_NOUNS = {
    "specimens": ("specimen",),
    "sensors": ("sensor",),
    "series": ("series", "series"),
    "drops": ("drop",),
    "inspections": ("inspection",),
    "plans": ("follow-up plan",),
    "check_lists": ("check list",),
    "drop": ("drop",),
    "damage": ("damage note",),
    "inspection": ("inspection",),
    "amendment": ("amendment",),
    "quarantine": ("quarantine",),
    "clearance": ("clearance",),
}


def records(what: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Print rows of the record.

    Parameters
    ----------
    what : str
        specimens, sensors, series, drops, inspections or plans.
    rows : sequence of mapping
        The rows.
    """
    say(counted(len(rows), *_NOUNS[what]))
    if not rows:
        return
    shown = [_with_words(what, dict(row)) for row in rows]
    columns = [
        (key, heading)
        for key, heading in _COLUMNS[what]
        if any(row.get(key) is not None for row in shown)
    ]
    numeric = [
        at
        for at, (key, _) in enumerate(columns)
        if all(isinstance(row.get(key), (int, float, type(None))) for row in shown)
    ]
    console().print(
        grid(
            [heading for _, heading in columns],
            ([labels.text(row.get(key)) for key, _ in columns] for row in shown),
            right=numeric,
            wrap=[at for at, (key, _) in enumerate(columns) if key in _WORDY],
        )
    )


def _with_words(what: str, row: dict[str, Any]) -> dict[str, Any]:
    if what == "series":
        row["condition"] = labels.condition(row)
        row["case"] = row["case"] or "bare"
        row["status"] = labels.status(row["status"], row.get("device_quarantined_since"))
    if what == "specimens":
        worst = row["worst_damage"]
        row["worst_damage"] = None if worst is None else labels.severity(worst)
        row["status"] = labels.status(row["status"], row["quarantined_since"])
    if what == "check_lists":
        row["version"] = labels.digest(row["sha256"])
    if what == "damage":
        row["severity"] = labels.severity(row["severity"])
        seen = (row["mode"], row["location"], row["note"], labels.photos(row["photos"]))
        row["seen"] = labels.listed(words for words in seen if words) or None
        row["entered"] = f"{labels.moment(row['entered_at_utc'])} by {row['entered_by']}"
    if what == "inspections":
        row["not_passed"] = labels.look(row)
    if what == "drops":
        damage = row["damage_severity"]
        parts = (
            f"void: {row['void_reason']}" if row["status"] == "void" else None,
            labels.height_fault(row["achieved_height_mm"], row["drop_height_mm"]),
            None if not damage else f"damage {labels.severity(damage)}: {row['damage']}",
            "amended" if row["amended"] else None,
            row["note"],
        )
        row["remark"] = "; ".join(part for part in parts if part) or None
    return row


def sheet(what: str, record: Mapping[str, Any]) -> None:
    """Print one record: its facts, then the lists that hang on it."""
    since = record.get("quarantined_since") or record.get("device_quarantined_since")
    facts = [
        (
            key.replace("_", " "),
            labels.status(value, since) if key == "status" else labels.text(value),
        )
        for key, value in record.items()
        if not isinstance(value, list) or not value or not isinstance(value[0], dict)
    ]
    say(f"{what} {record[what]}")
    console().print(grid(("", ""), facts, wrap=(1,)))
    for key, value in record.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            kind = "drops" if key == "drop_list" else key
            if kind in _COLUMNS:
                records(kind, value)
            else:
                say(key)
                console().print(
                    grid(
                        [name.replace("_", " ") for name in value[0]],
                        ([labels.text(cell) for cell in row.values()] for row in value),
                        wrap=range(len(value[0])),
                    )
                )


def counted_events(events: Sequence[Mapping[str, Any]]) -> str:
    """How often each kind of event was met, in words."""
    met = Counter(str(event["event"]) for event in events)
    return labels.listed(counted(count, *_NOUNS[event]) for event, count in met.items())
