"""How one device kept its plan of follow-up, and which of its functions come and go."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import records
from durability.report.blocks import Block, Column, Columns, Words

_MARKS = {
    "done": "=",
    "done late": "~",
    "skipped": "x",
    "overdue": "!",
    "due": ">",
    "upcoming": " ",
}
"""A symbol that never stands without its word."""

STAGES = Columns[Mapping[str, Any]](
    "Stages of its plan",
    Column(
        "stage",
        lambda stage: stage["stage"] + " (before a later drop)" * stage["before_last_drop"],
        wrap=True,
    ),
    Column("due on", "due_on"),
    Column("", lambda stage: _MARKS[stage["state"]]),
    Column("state", "state"),
    Column("inspected", lambda stage: stage["inspected_on"] or ""),
    Column(
        "days late",
        lambda stage: (stage["state"] != "skipped" and stage["days_late"]) or "",
        right=True,
    ),
    act=lambda stage: stage["state"] == "overdue",
)


def blocks(found: Mapping[str, Any]) -> Iterator[Block]:
    """One device's plan, how each stage of it stands, and its inspections.

    Parameters
    ----------
    found : mapping
        Of ``device_follow_up``.
    """
    state = labels.status(found["status"], found["quarantined_since"])
    number = Counter(stage["state"] for stage in found["stages"])
    stands = labels.listed(f"{count} {name}" for name, count in number.items())
    since = "" if found["owes"] else ", nothing owed since"
    yield Words(
        f"{found['device']} ({state}): plan {found['plan']!r}, from the {found['anchor']}, on"
        f" {found['on']}{since}; {stands}"
    )
    if found["stages"]:
        yield STAGES.table(found["stages"])
    yield from records.listed("inspections", found["inspections"])
    for line in intermittent_lines(found["intermittent"]):
        yield Words(line)


def intermittent_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """A sentence on each function that passed again after it had failed."""
    return [
        f"Intermittent: {row['function']} failed on {labels.moment(row['failed_at'].date())} and"
        f" worked on {labels.moment(row['passed_again_at'].date())}; {confirmation_words(row)};"
        " kept as both, taken as failed from the first fail unless that check is amended."
        for row in rows
    ]


def confirmation_words(row: Mapping[str, Any]) -> str:
    """Whether a fail came again, and by which rule that is decided."""
    again, within = row["rule_again"], row["rule_within"]
    if within == 0:
        return "confirmed: of this function the first fail is proof enough"
    failed, looks = row["fails_again"], counted(row["looks_since"], "inspection")
    rule = f"rule: again {again} in {within}"
    if row["confirmation"] == "unconfirmed":
        times = "once" if failed == 0 else counted(1 + failed, "time")
        return f"unconfirmed: failed {times}, passed after ({looks} since; {rule})"
    if row["confirmation"] == "open":
        return (
            f"not confirmed yet: failed again {counted(failed, 'time')} in {looks} since ({rule})"
        )
    return f"confirmed: failed again {counted(failed, 'time')} in {looks} ({rule})"
