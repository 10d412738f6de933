"""A drop sheet: which item, in which orientation, in which order, fixed before the first drop."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from hashlib import sha256

from durability.plan.results import DropSheet, PlannedDrop, StopRule
from durability.record.errors import UnusableCall
from durability.record.orientation import ORIENTATIONS, Orientation, parse_orientation
from durability.record.vocabulary import SEVERITY_FAILED

MOST_ITEMS_FOR_26 = 5
"""The 26 drops may be divided among no more than five items (MIL-STD-810H method 516.8, Table
516.8-IX, note 5)."""

STOP_RULES = (
    StopRule("damage_severity", SEVERITY_FAILED, "stop an item when its damage is 4 (failed)"),
    StopRule("limit_rise", 0.5, "stop an item when its level is 50 % above that of its first drop"),
    StopRule("voids_in_a_row", 2, "stop and look at the rig after 2 voided drops in a row"),
)


def drop_sheet(
    items: Mapping[str, Sequence[str]],
    orientations: Sequence[str] | None = None,
    *,
    seed: int,
    repeats: int = 1,
    rest_s: float = 0.0,
    stop_rules: Sequence[StopRule] = STOP_RULES,
) -> DropSheet:
    """Drops in balanced random order, each orientation once a group and repeat.

    Orientations come in random order, anew in each repeat; within one, the groups follow each other
    in turns that put each group first, second … equally often, so that a drift of the rig or of the
    room falls on all alike. The items of a group share its orientations evenly, faces, edges and
    corners each; in the next repeat every orientation goes to the next item, so after as many
    repeats as a group has items each of them has seen all.

    Parameters
    ----------
    items : mapping of str to sequence of str
        Item codes by group: the cases of each case model, and under "bare" the devices dropped
        without a case.
    orientations : sequence of str, optional
        As `durability.record.orientation.parse_orientation` reads them; by default all 26.
    seed : int
        The same seed gives the same sheet, on any machine.
    repeats : int
        How often each group sees each orientation.
    rest_s : float
        Least time between two drops of one item, in s.
    stop_rules : sequence of StopRule
        Printed with the sheet.

    Returns
    -------
    DropSheet
        With a hash of drops and rules: a plan that was changed shows it.

    Raises
    ------
    UnusableCall
        No group or item, an item named twice, an orientation that is none or is named twice,
        fewer than one repeat, or a negative rest.
    """
    chosen = _chosen(orientations)
    codes = [code for group in items.values() for code in group]
    if not items or not all(items.values()):
        raise UnusableCall("a drop sheet needs at least one item in each group")
    if len(set(codes)) < len(codes):
        twice = next(code for code in codes if codes.count(code) > 1)
        raise UnusableCall(f"item {twice} is named twice on the drop sheet")
    if repeats < 1 or not 0.0 <= rest_s < float("inf"):
        raise UnusableCall("a drop sheet needs at least 1 repeat and a rest of 0 s or more")
    # The standard library's generator keeps its sequence from version to version.
    chance = random.Random(seed)  # noqa: S311

    share: dict[str, dict[Orientation, int]] = {}
    order_of_items = {group: list(members) for group, members in items.items()}
    for group, members in order_of_items.items():
        chance.shuffle(members)
        by_kind = list(chosen)
        chance.shuffle(by_kind)
        by_kind.sort(key=lambda each: each.kind)
        share[group] = {each: place for place, each in enumerate(by_kind)}

    drops: list[PlannedDrop] = []
    seen = dict.fromkeys(codes, 0)
    for repeat in range(repeats):
        blocks = list(chosen)
        chance.shuffle(blocks)
        for each, turn in zip(blocks, _turns(list(items), len(blocks), chance), strict=True):
            for group in turn:
                members = order_of_items[group]
                item = members[(share[group][each] + repeat) % len(members)]
                seen[item] += 1
                drops.append(
                    PlannedDrop(
                        place=len(drops) + 1,
                        repeat=repeat + 1,
                        group=group,
                        item=item,
                        item_drop=seen[item],
                        orientation=each.name,
                        rest_s=rest_s if seen[item] > 1 else 0.0,
                    )
                )
    return DropSheet(
        drops=tuple(drops),
        stop_rules=tuple(stop_rules),
        seed=seed,
        sha256=sheet_sha256(drops, stop_rules),
        notes=tuple(_notes(items, len(chosen))),
    )


def sheet_sha256(drops: Sequence[PlannedDrop], stop_rules: Sequence[StopRule]) -> str:
    """Hash of what a drop sheet plans.

    Parameters
    ----------
    drops : sequence of PlannedDrop
        In order.
    stop_rules : sequence of StopRule
        In order.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    lines = [
        f"{drop.place},{drop.repeat},{drop.group},{drop.item},{drop.item_drop},"
        f"{drop.orientation},{float(drop.rest_s)!r}"
        for drop in drops
    ] + [f"{rule.what},{float(rule.threshold)!r}" for rule in stop_rules]
    return sha256("\n".join(lines).encode()).hexdigest()


def sheet_coverage(sheet: DropSheet) -> dict[str, dict[str, int]]:
    """How often each item lands in each orientation.

    Parameters
    ----------
    sheet : DropSheet
        As planned.

    Returns
    -------
    dict
        Drops by orientation (faces, edges, corners in ascending order), then by item.
    """
    items = sorted({drop.item for drop in sheet.drops})
    planned = {drop.orientation for drop in sheet.drops}
    coverage = {each.name: dict.fromkeys(items, 0) for each in ORIENTATIONS if each.name in planned}
    for drop in sheet.drops:
        coverage[drop.orientation][drop.item] += 1
    return coverage


def _chosen(orientations: Sequence[str] | None) -> tuple[Orientation, ...]:
    if orientations is None:
        return ORIENTATIONS
    chosen = tuple(parse_orientation(text) for text in orientations)
    if not chosen:
        raise UnusableCall("a drop sheet needs at least one orientation")
    if len(set(chosen)) < len(chosen):
        twice = next(each for each in chosen if chosen.count(each) > 1)
        raise UnusableCall(f"{twice.name} is named twice on the drop sheet; use repeats")
    return chosen


def _turns(groups: list[str], blocks: int, chance: random.Random) -> list[list[str]]:
    """Order of the groups in each block: all rotations equally often, but for a remainder."""
    first = list(groups)
    chance.shuffle(first)
    starts = [block % len(first) for block in range(blocks)]
    chance.shuffle(starts)
    return [first[start:] + first[:start] for start in starts]


def _notes(items: Mapping[str, Sequence[str]], orientations: int) -> list[str]:
    notes = []
    for group, members in items.items():
        if orientations == len(ORIENTATIONS) and len(members) > MOST_ITEMS_FOR_26:
            notes.append(
                f"{group}: {len(members)} items; MIL-STD-810H method 516.8 divides the 26 drops "
                f"among no more than {MOST_ITEMS_FOR_26}"
            )
        if group != "bare" and len(members) == 1:
            notes.append(
                f"{group}: with one case nothing is learnt about how cases differ; 1 more shows it"
            )
    return notes
