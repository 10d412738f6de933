"""Results to rich tables: 80 columns are enough, and no colour is needed to understand them."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.box import HORIZONTALS, Box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from durability.basis import counted
from durability.report import labels

_ASCII_BOX = Box("    \n    \n -- \n    \n    \n -- \n    \n    \n", ascii=True)

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
    "inspections": (
        ("inspected_at", "inspected"),
        ("device", "device"),
        ("checked", "checked"),
        ("failed", "failed"),
        ("not_passed", "not passed"),
        ("inspector", "by"),
    ),
    "plans": (
        ("name", "plan"),
        ("anchor", "anchor"),
        ("stages", "stages (days)"),
        ("functions", "functions"),
    ),
}


_NOUNS = {
    "specimens": ("specimen",),
    "sensors": ("sensor",),
    "series": ("series", "series"),
    "drops": ("drop",),
    "inspections": ("inspection",),
    "plans": ("follow-up plan",),
    "drop": ("drop",),
    "damage": ("damage note",),
    "inspection": ("inspection",),
    "amendment": ("amendment",),
}


def console() -> Console:
    """Standard output as wide as its terminal, 80 columns where there is none."""
    return Console(highlight=False, soft_wrap=False, emoji=False)


def _is_plain() -> bool:
    encoding = (sys.stdout.encoding or "ascii").lower()
    return not encoding.startswith("utf")


def grid(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Iterable[int] = (),
) -> Table:
    """A table of ready texts.

    Parameters
    ----------
    columns : sequence of str
        Headings, with units; all blank for a table without.
    rows : iterable of sequence of str
        Cells.
    right : iterable of int
        Columns aligned to the right: numbers.

    Returns
    -------
    Table
        To print.
    """
    table = Table(
        box=_ASCII_BOX if _is_plain() else HORIZONTALS,
        pad_edge=False,
        header_style="",
        show_header=any(columns),
    )
    aligned = set(right)
    for at, heading in enumerate(columns):
        table.add_column(
            escape(heading),
            justify="right" if at in aligned else "left",
            overflow="fold",
            vertical="top",
        )
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    return table


def say(words: str) -> None:
    """Print a sentence; wrapped, never taken for markup."""
    console().print(escape(words))


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
        )
    )


def _with_words(what: str, row: dict[str, Any]) -> dict[str, Any]:
    if what == "series":
        row["condition"] = labels.condition(row)
        row["case"] = row["case"] or "bare"
    if what == "specimens":
        worst = row["worst_damage"]
        row["worst_damage"] = None if worst is None else labels.severity(worst)
    if what == "drops":
        damage = row["damage_severity"]
        parts = (
            f"void: {row['void_reason']}" if row["status"] == "void" else None,
            None if not damage else f"damage {labels.severity(damage)}: {row['damage']}",
            "amended" if row["amended"] else None,
            row["note"],
        )
        row["remark"] = "; ".join(part for part in parts if part) or None
    return row


def sheet(what: str, record: Mapping[str, Any]) -> None:
    """Print one record: its facts, then the lists that hang on it."""
    facts = [
        (key.replace("_", " "), labels.text(value))
        for key, value in record.items()
        if not isinstance(value, list) or not value or not isinstance(value[0], dict)
    ]
    say(f"{what} {record[what]}")
    console().print(grid(("", ""), facts))
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
                    )
                )


def history(specimen: str, events: Sequence[Mapping[str, Any]]) -> None:
    """Print everything one specimen lived through, in time order."""
    met = Counter(str(event["event"]) for event in events)
    told = labels.listed(counted(count, *_NOUNS[event]) for event, count in met.items())
    say(f"{specimen} lived through: {told or 'nothing recorded'}")
    if not events:
        return
    console().print(
        grid(
            ("when", "event", "series", "drop", "what", "recorded in"),
            (
                (
                    labels.moment(event["happened_at"]) + ("" if event["dated"] else " (entered)"),
                    event["event"],
                    event["series"] or "",
                    "" if event["drop_number"] is None else str(event["drop_number"]),
                    event["what"] or "",
                    labels.source(dict(event)),
                )
                for event in events
            ),
            right=(3,),
        )
    )
