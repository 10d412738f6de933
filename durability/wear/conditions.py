"""One rule of comparison: which condition each series belongs to, and which one stands first.

Wear, lives and peaks are compared within one condition only: drop height, surface and kind of
device. Orientation is not part of it: comparisons match it within a condition.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from durability.record.records import Condition

if TYPE_CHECKING:
    from durability.record.records import DropHistory

Sorted = dict[Condition, "list[DropHistory]"]
"""Histories by condition, the one that stands first leading."""


def condition_of(history: DropHistory) -> Condition:
    """The condition of one series."""
    return Condition(history.drop_height_mm, history.surface, history.device_kind)


def unit_of(history: DropHistory) -> str:
    """What counts as one specimen: the case; bare, the device."""
    return history.case or history.device or f"series {history.series}"


def by_condition(histories: Iterable[DropHistory], *, each_case_once: bool = False) -> Sorted:
    """Histories sorted into conditions; the condition with most cases stands first.

    Parameters
    ----------
    histories : iterable of DropHistory
        In any order, which is kept within each condition.
    each_case_once : bool
        Keep of each case only the series under the condition of its last valid drop.

    Returns
    -------
    dict
        Ties go by valid drops, then to the lower height, the surface first by alphabet, and the
        device before the dummy; what is not recorded stands last.
    """
    every = list(histories)
    if each_case_once:
        last = _last_conditions(every)
        every = [each for each in every if condition_of(each) == last[unit_of(each)]]
    found: Sorted = defaultdict(list)
    for each in every:
        found[condition_of(each)].append(each)
    order = sorted(found, key=lambda name: (_fewest([found[name]]), _place(name)))
    return {name: found[name] for name in order}


def in_common(
    a: Sequence[DropHistory], b: Sequence[DropHistory]
) -> dict[Condition, tuple[list[DropHistory], list[DropHistory]]]:
    """Both sides by the conditions under which both have a valid drop.

    Parameters
    ----------
    a, b : sequence of DropHistory
        The series of each side.

    Returns
    -------
    dict
        First the condition with most cases (bare: devices) on its weaker side; ties as in
        ``by_condition``, valid drops of both sides counted.
    """
    sides = by_condition(a), by_condition(b)
    shared = [
        name
        for name in sides[0]
        if name in sides[1] and all(_valid_drops(side[name]) for side in sides)
    ]
    order = sorted(shared, key=lambda name: (_fewest([side[name] for side in sides]), _place(name)))
    return {name: (sides[0][name], sides[1][name]) for name in order}


def _fewest(sides: Sequence[Sequence[DropHistory]]) -> tuple[int, int]:
    """Cases with a valid drop on the weaker side, then valid drops, the most first."""
    cases = min(len({unit_of(each) for each in side if each.drop_number.size}) for side in sides)
    return -cases, -sum(_valid_drops(side) for side in sides)


def _valid_drops(histories: Iterable[DropHistory]) -> int:
    return sum(each.drop_number.size for each in histories)


def _place(name: Condition) -> tuple[float, bool, str, bool, str]:
    """Lower height, surface A to Z, device before dummy; not recorded last."""
    height = math.inf if name.drop_height_mm is None else name.drop_height_mm
    surface, kind = name.surface, name.device_kind
    return height, surface is None, surface or "", kind is None, kind or ""


def _last_conditions(histories: Iterable[DropHistory]) -> dict[str, Condition]:
    """Condition of each case's last valid drop; of bare devices, undated drops stand first."""
    last: dict[str, tuple[tuple[bool, float, int], Condition]] = {}
    for at, each in enumerate(histories):
        when = math.nan
        if each.drop_number.size and each.case is not None:
            when = float(each.case_age[-1])
        elif each.drop_number.size and each.dropped_at_s is not None:
            when = float(each.dropped_at_s[-1])
        key = (each.drop_number.size > 0, -math.inf if math.isnan(when) else when, at)
        unit = unit_of(each)
        if unit not in last or key > last[unit][0]:
            last[unit] = key, condition_of(each)
    return {unit: name for unit, (_, name) in last.items()}
