"""Which inspections and re-tests are due on a day, and who is left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels, safety
from durability.report.blocks import Block, Column, Columns, Items, Words

if TYPE_CHECKING:
    from durability.devices.results import DueInspection, DueList, RetainedItem


def _overdue(days: int) -> str:
    """Days overdue with a mark; blank for what is not overdue."""
    return f"! {days}" if days > 0 else ""


DUE: Columns[DueInspection] = Columns(
    "Inspections due, the longest overdue first",
    Column("device", "device"),
    Column("stage", "stage", wrap=True),
    Column("due on", "due_on"),
    Column("days overdue", lambda each: _overdue(each.days_overdue), right=True),
    Column("functions", lambda each: len(each.functions), right=True),
    act=lambda each: each.days_overdue > 0,
)

RETAINED: Columns[RetainedItem] = Columns(
    "Items kept back to be tested again, the longest overdue first",
    Column("retained", "specimen"),
    Column("kind", "kind"),
    Column("model", lambda item: item.model or "", wrap=True),
    Column("since", "retained_on"),
    Column("re-test due", lambda item: item.due_on or "none left"),
    Column("days overdue", lambda item: _overdue(item.days_overdue), right=True),
    Column("done", lambda item: f"{item.done} of {item.of}", right=True),
    act=lambda item: item.days_overdue > 0,
)


def blocks(owed: DueList, within_days: int = 0, command: str = "") -> Iterator[Block]:
    """What is due, the longest overdue first, what each inspection checks, and who is left out.

    Parameters
    ----------
    owed : DueList
        What is owed on a day.
    within_days : int
        How far ahead of that day it reaches.
    command : str
        What gives the same in the terminal.
    """
    ahead = f" or within {counted(within_days, 'day')}" if within_days else ""
    on = f"due on {owed.on.isoformat()}{ahead}"
    if not owed.due:
        yield Words(f"No inspection is {on}.")
    else:
        overdue = sum(each.days_overdue > 0 for each in owed.due)
        yield Words(f"{counted(len(owed.due), 'inspection')} {on}, {overdue} of them overdue.")
        yield DUE.table(owed.due, command)
        yield Items(
            [
                f"{counted(len(functions), 'function')}: {labels.listed(functions)}"
                for functions in dict.fromkeys(each.functions for each in owed.due)
            ]
        )
    for line in safety.kept_apart_lines(owed.quarantined):
        yield Words(line)
    if owed.retained:
        late = sum(item.days_overdue > 0 for item in owed.retained)
        kept = counted(len(owed.retained), "item")
        yield Words(f"{kept} kept back to be tested again, {late} of them overdue.")
        yield RETAINED.table(owed.retained, command)
    for line in _beside(owed):
        yield Words(line)


def _beside(owed: DueList) -> Iterator[str]:
    """What stands beside the tables: cracked glass, what was broken off, skipped or lacks."""
    if owed.cracked_glass:
        yield f"{labels.listed(owed.cracked_glass)}: {safety.EYE_PROTECTION}"
    if owed.unfinished:
        yield (
            f"Broken off: {labels.listed(owed.unfinished)}; go on with: durability inspect record"
            " DEVICE"
        )
    if owed.skipped:
        of_device = Counter(each.device for each in owed.skipped)
        yield (
            f"Skipped so far, and gone: {counted(len(owed.skipped), 'inspection')} of"
            f" {counted(len(of_device), 'device')}"
            f" ({labels.listed(f'{device} {count}' for device, count in of_device.items())});"
            " each is shown by: durability inspect list DEVICE"
        )
    if owed.without_baseline:
        yield (
            f"No check before the first drop: {labels.listed(owed.without_baseline)}; a later"
            " failure may have been there all along."
        )


def overdue_step(owed: DueList) -> str | None:
    """What to inspect next because it is overdue."""
    overdue = [each for each in owed.due if each.days_overdue > 0]
    if not overdue:
        return None
    devices = dict.fromkeys(each.device for each in overdue)
    return (
        f"Inspect what is overdue on {owed.on.isoformat()}: {labels.some(devices)} (up to"
        f" {counted(max(each.days_overdue for each in overdue), 'day')} overdue)."
    )


def calendar_line(file: str, owed: DueList) -> str:
    """Where the calendar was written, and what is in it."""
    events = len(owed.due) + sum(item.due_on is not None for item in owed.retained)
    return f"{file}: {counted(events, 'event')}, as of {owed.on.isoformat()}"


def form_line(file: str) -> str:
    """How a form that was written comes back."""
    return (
        f"{file}: written; fill in what was found, then: durability import inspections {file}"
        " --skip-where-blank outcome (--set inspected_at=DATE gives every row one date, --set"
        " inspector=NAME one name, --set blind=yes says that the inspector knew nothing of the"
        " shocks)"
    )


def json(owed: DueList) -> dict[str, Any]:
    """Object of ``due --json``."""
    names = ("device", "due_on", "days_overdue", "stage", "functions")
    return {
        "on": owed.on,
        "due": [as_json.named(inspection, names) for inspection in owed.due],
        "quarantined": [as_json.quarantine(kept) for kept in owed.quarantined],
        "skipped": [
            as_json.named(missed, ("device", "stage", "due_on")) for missed in owed.skipped
        ],
        "without_baseline": owed.without_baseline,
        "unfinished": owed.unfinished,
        "cracked_glass": owed.cracked_glass,
        "retained": [as_json.everything(item) for item in owed.retained],
    }
