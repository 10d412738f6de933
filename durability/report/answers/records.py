"""Rows of the record: what stands in the store, as it was entered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers.calibration import SENSORS
from durability.report.answers.damage import DAMAGE
from durability.report.answers.series import SERIES
from durability.report.blocks import Block, Column, Columns, Table, Words

Record = Mapping[str, Any]

NOUNS = {
    "specimens": ("specimen",),
    "sensors": ("sensor",),
    "series": ("series", "series"),
    "drops": ("drop",),
    "inspections": ("inspection",),
    "plans": ("follow-up plan",),
    "check_lists": ("check list",),
    "damage": ("damage note",),
}


def _status(row: Record) -> str:
    since = row.get("quarantined_since") or row.get("device_quarantined_since")
    return labels.status(row["status"], since)


def _remark(row: Record) -> str:
    damage = row["damage_severity"]
    parts = (
        f"void: {row['void_reason']}" if row["status"] == "void" else None,
        labels.height_fault(row["achieved_height_mm"], row["drop_height_mm"]),
        None if not damage else f"damage {labels.severity(damage)}: {row['damage']}",
        "amended" if row["amended"] else None,
        row["note"],
    )
    return "; ".join(part for part in parts if part) or labels.ABSENT


def not_passed(row: Record) -> str:
    """What did not pass in one inspection, and how far it can be trusted."""
    parts = (
        "NOTHING TESTED" if row["tested"] == 0 else None,
        row["not_passed"],
        f"broken off: {row['checked']} of {row['unfinished_of']}" if row["unfinished_of"] else None,
        "blind" if row["is_blind"] else None,
        _list_words(row),
    )
    return "; ".join(part for part in parts if part) or labels.ABSENT


def _list_words(row: Record) -> str | None:
    """By which version of which check list an inspection was made, and what it left out."""
    if row["check_list_sha256"] is None:
        return None
    missing = row["check_list_missing"]
    left_out = f" ({missing} left out)" if missing and not row["unfinished_of"] else ""
    return f"list {row['check_list']} {labels.digest(row['check_list_sha256'])}{left_out}"


COLUMNS: dict[str, Columns[Record]] = {
    "specimens": Columns(
        "",
        Column("specimen", "specimen"),
        Column("kind", "kind"),
        Column("model", "model", wrap=True),
        Column("drops", "drops", right=True),
        Column("last drop", "last_dropped_at", wrap=True),
        Column(
            "worst damage",
            lambda row: (
                None if row["worst_damage"] is None else labels.severity(row["worst_damage"])
            ),
        ),
        Column("status", _status, wrap=True),
        is_sparse=True,
    ),
    "sensors": SENSORS,
    "series": SERIES,
    "drops": Columns(
        "",
        Column("series", "series"),
        Column("drop", "drop_number", right=True),
        Column("peak, g", "peak_g", right=True),
        Column("ms", "pulse_duration_ms", right=True),
        Column("dropped", "dropped_at"),
        Column("status", "status", wrap=True),
        Column("remark", _remark, wrap=True),
        is_sparse=True,
    ),
    "damage": DAMAGE,
    "inspections": Columns(
        "",
        Column("inspected", "inspected_at"),
        Column("device", "device"),
        Column("days", "days_since_drop", right=True),
        Column("tested", "tested", right=True),
        Column("failed", "failed", right=True),
        Column("not passed", not_passed, wrap=True),
        Column("by", "inspector"),
        is_sparse=True,
    ),
    "plans": Columns(
        "",
        Column("plan", "name", wrap=True),
        Column("anchor", "anchor"),
        Column("stages (days)", "stages", wrap=True),
        Column("check list", "check_list"),
        Column("functions", "functions", wrap=True),
        is_sparse=True,
    ),
    "check_lists": Columns(
        "",
        Column("check list", "check_list"),
        Column("version", lambda row: labels.digest(row["sha256"])),
        Column("functions", "functions", wrap=True),
        Column("plans", "plans"),
        Column("inspections", "inspections", right=True),
        Column("since", "since"),
        is_sparse=True,
    ),
}
"""By kind of record; columns in which no row has anything are left out."""


def listed(what: str, rows: Sequence[Record]) -> Iterator[Block]:
    """Rows of one kind.

    Parameters
    ----------
    what : str
        Key of ``COLUMNS``.
    rows : sequence of mapping
        The rows.
    """
    number = counted(len(rows), *NOUNS[what])
    if rows:
        yield replace(COLUMNS[what].table(rows), caption=number)
    else:
        yield Words(number)


def sheet(what: str, record: Record) -> Iterator[Block]:
    """One record: its facts, then the lists that hang on it."""
    lists = {key: value for key, value in record.items() if _is_list_of_rows(value)}
    yield Words(f"{what} {record[what]}")
    yield Table(
        "",
        ("", ""),
        [
            (key.replace("_", " "), _status(record) if key == "status" else labels.text(value))
            for key, value in record.items()
            if key not in lists
        ],
        wrap=frozenset({1}),
    )
    for key, rows in lists.items():
        kind = "drops" if key == "drop_list" else key
        if kind in COLUMNS:
            yield from listed(kind, rows)
            continue
        columns = [name.replace("_", " ") for name in rows[0]]
        yield Words(key)
        yield Table(
            "",
            columns,
            [[labels.text(cell) for cell in row.values()] for row in rows],
            wrap=frozenset(range(len(columns))),
        )


def _is_list_of_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)
