"""Damage seen on specimens: as noted, and mode by mode."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from durability.record.basis import counted
from durability.record.vocabulary import DAMAGE_SEVERITIES, SEVERITY_FAILED
from durability.report import labels
from durability.report.blocks import Block, Column, Columns, Words

Note = Mapping[str, Any]


def _seen(note: Note) -> str:
    """What was seen, where, in which words and on which photos."""
    parts = (note["mode"], note["location"], note["note"], labels.photos(note["photos"]))
    return labels.listed(part for part in parts if part) or labels.ABSENT


def _key(note: Note) -> tuple[Any, ...]:
    return note["specimen"], note["severity"], _seen(note)


DAMAGE = Columns[Note](
    "Damage as first seen: specimen by specimen, each kind once",
    Column("specimen", "specimen"),
    Column("model", "model", wide=True),
    Column("series", "series"),
    Column("drop", "drop_number", right=True),
    Column("severity", lambda note: labels.severity(note["severity"])),
    Column("what was seen", _seen, wrap=True),
    Column("seen by", "inspector"),
    Column(
        "entered (UTC)",
        lambda note: f"{labels.moment(note['entered_at_utc'])} by {note['entered_by']}",
        wrap=True,
    ),
    Column("source", lambda note: labels.source(dict(note)), wide=True),
    act=lambda note: note["severity"] == SEVERITY_FAILED,
    is_sparse=True,
)

MODES = Columns[tuple[str, str, int, int, int]](
    "Modes apart: specimens on which each was seen, and those failed by it",
    Column("model", lambda mode: mode[0]),
    Column("mode", lambda mode: mode[1]),
    Column("specimens", lambda mode: mode[2], right=True),
    Column("at worst", lambda mode: labels.severity(mode[3])),
    Column("failed by it", lambda mode: mode[4], right=True),
)


def blocks(notes: Sequence[Note]) -> Iterator[Block]:
    """Every kind of damage once a specimen, and the modes apart.

    Parameters
    ----------
    notes : sequence of mapping
        Of severity 1 or more, in the order in which they were made.
    """
    if not notes:
        yield Words("No damage of severity 1 or more is noted in this scope.")
        return
    severest: dict[str, int] = {}
    for note in notes:
        severest[note["specimen"]] = max(note["severity"], severest.get(note["specimen"], 0))
    worst = Counter(severest.values())
    at_worst = labels.listed(
        f"{number} at worst {DAMAGE_SEVERITIES[level]}" for level, number in sorted(worst.items())
    )
    yield Words(
        f"{counted(len(notes), 'note')} on {counted(len(severest), 'specimen')}: {at_worst}."
    )
    first: dict[tuple[Any, ...], Note] = {}
    for note in notes:
        first.setdefault(_key(note), note)
    yield DAMAGE.table(first.values(), "durability query damage_by_drop")
    if any(note["mode"] for note in notes):
        yield MODES.table(_modes(notes), "durability query damage_modes")


def _modes(notes: Sequence[Note]) -> list[tuple[str, str, int, int, int]]:
    """Model, mode, specimens, worst severity, and how many of the specimens failed by it."""
    worst: dict[tuple[str, str], dict[str, int]] = defaultdict(dict)
    for note in notes:
        of_mode = worst[labels.text(note["model"]), note["mode"] or labels.NOT_CODED]
        of_mode[note["specimen"]] = max(note["severity"], of_mode.get(note["specimen"], 0))
    return [
        (
            *mode,
            len(of_mode),
            max(of_mode.values()),
            sum(severity == SEVERITY_FAILED for severity in of_mode.values()),
        )
        for mode, of_mode in sorted(worst.items())
    ]
