"""The life of a case over all its series, and the one rule of comparison: what was dropped how.

Wear, lives and peaks are compared within one condition only: drop height, surface and kind of
device. Orientation is not part of it: comparisons match it within a condition.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from durability.record.records import Condition

if TYPE_CHECKING:
    from durability.record.records import DropHistory, FloatArray, IntArray


@dataclass(frozen=True)
class Case:
    """All series of one case; a bare device's or dummy's series is one of its own."""

    histories: tuple[DropHistory, ...]
    ages: tuple[IntArray, ...]
    """Of each series: age of the case at each of its drops, voided ones counted."""
    breaks: frozenset[int] = frozenset()
    """Series that begin a level of their own though dropped as an earlier one was."""

    @property
    def name(self) -> str:
        """What it is called: the case, else the series."""
        first = self.histories[0]
        return first.series if first.case is None else first.case

    @property
    def series(self) -> list[str]:
        """Codes of its series."""
        return [each.series for each in self.histories]

    @property
    def case_model(self) -> str | None:
        """Its model."""
        return self.histories[0].case_model

    @cached_property
    def made(self) -> int:
        """Drops made: its age now."""
        return max((int(ages[-1]) for ages in self.ages if ages.size), default=0)

    @cached_property
    def series_at(self) -> IntArray:
        """Which series made the drop at each age, of one elsewhere the next; shape (made,)."""
        series = np.repeat(np.arange(len(self.ages)), [each.size for each in self.ages])
        ages = np.concatenate(self.ages)
        order = np.argsort(ages, kind="stable")
        every = np.arange(1, self.made + 1)
        return np.asarray(series[order][np.searchsorted(ages[order], every)], dtype=np.int64)

    @cached_property
    def parts(self) -> IntArray:
        """Which level each series has: each condition, device and sensor one, a break another."""
        begun: Counter[Hashable] = Counter()
        keys: list[Hashable] = [None] * len(self.histories)
        for at in self.by_age:
            key = self.dropped_as[at]
            begun[key] += at in self.breaks
            keys[at] = key, begun[key]
        return _codes(keys)

    @property
    def dropped_as(self) -> list[Hashable]:
        """Of each series: what gives it a level of its own."""
        return [(each.condition, each.device, each.sensor) for each in self.histories]

    @property
    def by_age(self) -> list[int]:
        """Series in the order of their first drops."""
        return sorted(range(len(self.histories)), key=lambda at: self.first_ages[at])

    @cached_property
    def rate_conditions(self) -> list[Condition]:
        """Of each series: what decides how much its drops wear."""
        return [condition_of(each) for each in self.histories]

    @cached_property
    def drops_by_rate(self) -> Counter[Condition]:
        """Drops made under each; a condition of a series without drops is among them."""
        counts: Counter[Condition] = Counter()
        for at in self.by_age:
            counts[self.rate_conditions[at]] += self.ages[at].size - len(
                self.histories[at].never_numbers
            )
        return counts

    @property
    def commonest(self) -> Condition:
        """The condition whose drops count 1 on its clock of wear."""
        return self.drops_by_rate.most_common(1)[0][0]

    @property
    def is_plain(self) -> bool:
        """Whether it is one series that its case began with, as most are."""
        own = self.histories[0]
        (drops_made,) = own.made_number(np.array([own.last_drop_number]))
        return len(self.ages) == 1 and self.made == drops_made

    @cached_property
    def longest_rest(self) -> str | None:
        """Longest time between drops of two series; None where no times are known."""
        times = np.concatenate(
            [
                np.full(each.drop_number.size, np.nan)
                if each.dropped_at_s is None
                else each.dropped_at_s
                for each in self.histories
            ]
        )
        gaps = np.diff(times[self._by_age])[np.diff(self.valid[0]) != 0]
        gaps = gaps[np.isfinite(gaps)]
        if not gaps.size:
            return None
        hours = float(gaps.max()) / 3600.0
        return f"{hours / 24.0:.0f} d" if hours >= 48.0 else f"{hours:.1f} h"

    @cached_property
    def first_ages(self) -> list[int]:
        """Age at the first drop of each series; of one without drops, at its next."""
        return [int(ages[0]) if ages.size else self.made + 1 for ages in self.ages]

    def age_of(self, series: int, drop_number: IntArray) -> IntArray:
        """Age at drops of one series."""
        ages = self.ages[series]
        if not ages.size:
            return np.full(drop_number.size, self.made, dtype=np.int64)
        return np.asarray(ages[(drop_number - 1).clip(0, ages.size - 1)], dtype=np.int64)

    def drop_at(self, age: int) -> tuple[str, int]:
        """Series and drop number at an age."""
        series = int(self.series_at[age - 1])
        # A number at which no drop was made bears the age of the next one.
        drop_number = int(np.searchsorted(self.ages[series], age, side="right"))
        return self.histories[series].series, drop_number

    def last_of(self, series: Collection[str]) -> int:
        """Which of these series made the latest valid drop."""

        def latest(at: int) -> tuple[int, int]:
            numbers = self.histories[at].drop_number
            return (int(self.age_of(at, numbers[-1:])[0]) if numbers.size else 0), at

        return max((at for at, each in enumerate(self.series) if each in series), key=latest)

    @cached_property
    def valid(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Series, age and peak in g of each valid reading, by age."""
        series = np.concatenate(
            [np.full(each.drop_number.size, at) for at, each in enumerate(self.histories)]
        )
        peaks = np.concatenate([each.peak_g for each in self.histories])
        order = self._by_age
        return series[order], self._valid_ages[order], peaks[order]

    @cached_property
    def _valid_ages(self) -> IntArray:
        """Age at each valid reading, series after series."""
        return np.concatenate(
            [self.age_of(at, each.drop_number) for at, each in enumerate(self.histories)]
        )

    @cached_property
    def _by_age(self) -> IntArray:
        """Order of the valid readings by age."""
        return np.argsort(self._valid_ages, kind="stable")

    @cached_property
    def conditions(self) -> frozenset[object]:
        """Conditions of its drops; of its series while there is no valid drop."""
        dropped = {each.condition for each in self.histories if each.drop_number.size}
        return frozenset(dropped or {each.condition for each in self.histories})

    @cached_property
    def looks(self) -> tuple[IntArray, IntArray]:
        """Ages at which it was inspected for damage, ascending, and the severities noted."""
        nothing = np.empty(0, dtype=np.int64)
        ages, severities = [nothing], [nothing]
        for at, history in enumerate(self.histories):
            if history.damage_drop_number is not None and history.damage_severity is not None:
                ages.append(self.age_of(at, history.damage_drop_number))
                severities.append(history.damage_severity)
        age, severity = np.concatenate(ages), np.concatenate(severities)
        order = np.argsort(age, kind="stable")
        return age[order], severity[order]

    def clock(self, log_rates: Mapping[Condition, float]) -> FloatArray:
        """Wear before each drop, from 1 at the first; one more for the drop that comes next.

        The drops that settled it before all others add none.
        """
        by_series = np.exp([log_rates.get(each, 0.0) for each in self.rate_conditions])
        wear = by_series[self.series_at]
        wear[: self.settling_drops] = 0.0
        return np.concatenate([[1.0], 1.0 + np.cumsum(wear)])

    @cached_property
    def settling_drops(self) -> int:
        """Drops that were declared to settle it, before all others of its life."""
        settles = np.zeros(self.made, dtype=np.bool_)
        for ages, history in zip(self.ages, self.histories, strict=True):
            every = history.made_number(np.arange(1, ages.size + 1))
            settles[ages[every <= history.settling_drops] - 1] = True
        return int(np.logical_and.accumulate(settles).sum())


def cases_of(histories: Sequence[DropHistory]) -> list[Case]:
    """Each case with all its series, in the order of their first."""
    members: dict[tuple[bool, str], list[int]] = defaultdict(list)
    for position, history in enumerate(histories):
        bare = history.case is None
        members[bare, history.series if history.case is None else history.case].append(position)
    return [
        Case(
            tuple(histories[position] for position in positions),
            tuple(histories[position].all_case_ages for position in positions),
        )
        for positions in members.values()
    ]


def by_itself(history: DropHistory) -> Case:
    """A series as if it were the only one of its case."""
    every = history.made_number(np.arange(1, history.last_drop_number + 1))
    return Case((history,), (every,))


def _codes(keys: Sequence[object]) -> IntArray:
    seen: dict[object, int] = {}
    return np.array([seen.setdefault(key, len(seen)) for key in keys], dtype=np.int64)


# ---------------------------------------------------------------------- conditions

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
