"""How drops were made: the conditions of each series, and how often each was met."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from durability.report import labels
from durability.report.blocks import Block, Column, Columns, Words

Row = Mapping[str, Any]

CONDITIONS = (
    ("drop_height_mm", "drop height, mm"),
    ("surface", "surface"),
    ("orientation", "orientation"),
    ("device_kind", "dropped"),
    ("sensor", "sensor"),
    ("method", "test method"),
    ("fixture", "fixture"),
    ("conditioning", "conditioning"),
)
"""What a reader needs to repeat the drops."""


def span(first: Any, last: Any) -> str:
    """First to last day of drops."""
    if first is None:
        return "dates not recorded"
    first_day, last_day = f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"
    return f"on {first_day}" if first_day == last_day else f"{first_day} to {last_day}"


SERIES = Columns[Row](
    "Series",
    Column("series", "series"),
    Column("device", "device"),
    Column("case", lambda row: row["case"] or "bare"),
    Column("model", "case_model", wrap=True),
    Column("condition", lambda row: labels.condition(dict(row)), wrap=True),
    Column("drops", "drops", right=True),
    Column("valid", "valid_drops", right=True),
    Column(
        "first to last day",
        lambda row: span(row.get("first_dropped_at"), row.get("last_dropped_at")),
        wide=True,
    ),
    Column(
        "status",
        lambda row: labels.status(row["status"], row.get("device_quarantined_since")),
        wrap=True,
    ),
    is_sparse=True,
)

RECORDED = Columns[tuple[str, str]](
    "How the drops were made: each value, with the number of series",
    Column("condition", lambda each: each[0]),
    Column("as recorded", lambda each: each[1], wrap=True),
)


def blocks(series: Sequence[Row], counts: Mapping[str, Any]) -> Iterator[Block]:
    """Conditions as recorded, and every series with drops.

    Parameters
    ----------
    series : sequence of mapping
        Series of the record.
    counts : mapping
        With ``lowest_temperature_c`` and ``highest_temperature_c`` of their drops.
    """
    made = [row for row in series if row["drops"]]
    if not made:
        yield Words("No series with drops, so no conditions.")
        return
    recorded = [(heading, _met(made, key)) for key, heading in CONDITIONS]
    low, high = counts["lowest_temperature_c"], counts["highest_temperature_c"]
    temperatures = labels.NOT_RECORDED if low is None else labels.interval(low, high)
    yield RECORDED.table([*recorded, ("temperature, °C", temperatures)])
    yield Words(
        "Levels and lives are compared only within one drop height, surface and orientation.",
        is_note=True,
    )
    yield SERIES.table(made, "durability series list")


def _met(series: Sequence[Row], key: str) -> str:
    """Each value of a condition with the number of series."""
    values = Counter(
        labels.NOT_RECORDED if row[key] is None else labels.text(row[key]) for row in series
    )
    return labels.some(f"{value} ({number})" for value, number in values.most_common())
