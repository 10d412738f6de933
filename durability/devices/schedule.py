"""Which follow-up inspections are due: plans as data, and dates, nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

from durability.devices.results import DueInspection
from durability.record.clock import Moment
from durability.record.errors import UnusableCall, ValueOutOfRange
from durability.record.hazards import WATCH_WINDOWS

Anchor = Literal["last drop", "first drop", "received"]
StageState = Literal["done", "done late", "skipped", "overdue", "due", "upcoming", "not owed"]

BEFORE_FIRST_DROP = -1
"""Days of a stage that belongs before the first drop: a baseline, which can't be made up later."""


@dataclass(frozen=True, slots=True)
class FollowUpPlan:
    """When a device is inspected, and what is checked.

    Raises
    ------
    UnusableCall
        The plan has no stage, stages out of order or with one name, or an unknown anchor.
    """

    name: str
    stages: tuple[tuple[str, int], ...]
    """(name, days after the anchor), in order; ``BEFORE_FIRST_DROP`` for a baseline."""
    functions: tuple[str, ...]
    anchor: Anchor = "last drop"
    """A new drop moves a plan that counts from the last drop."""

    def __post_init__(self) -> None:
        """Refuse a plan that no calendar can follow."""
        if not self.stages:
            raise UnusableCall(f"plan {self.name!r} has no stage")
        days = [days for _, days in self.stages]
        if any(later <= earlier for earlier, later in pairwise(days)):
            raise UnusableCall(f"plan {self.name!r}: the days of its stages must rise")
        if len({name for name, _ in self.stages}) < len(self.stages):
            raise UnusableCall(f"plan {self.name!r} names two stages alike")
        if days[0] < BEFORE_FIRST_DROP:
            raise UnusableCall(
                f"plan {self.name!r}: a stage is {days[0]} days from the drop; "
                f"{BEFORE_FIRST_DROP} stands for before the first drop"
            )
        if self.anchor not in ("last drop", "first drop", "received"):
            raise UnusableCall(
                f"plan {self.name!r} counts from {self.anchor!r}; "
                "it may count from last drop, first drop or received"
            )


@dataclass(frozen=True, slots=True)
class Look:
    """One inspection at which at least one function was tested."""

    when: Moment
    failed: frozenset[str] = frozenset()
    """Functions that failed."""
    is_whole: bool = True
    """False when it was broken off: it ends no stage."""
    saw_battery: bool = False


@dataclass(frozen=True, slots=True)
class FollowedDevice:
    """The drops and looks of one device, in any order. Without a drop it is a control."""

    device: str
    plan: FollowUpPlan
    drops: tuple[Moment, ...] = ()
    """Those that are dated; voided ones included: the device lived through them too."""
    looks: tuple[Look, ...] = ()
    received_on: date | None = None
    undated_drops: int = 0
    battery_functions: tuple[str, ...] = ()
    """Functions of its plan at which its battery is inspected."""

    @property
    def is_control(self) -> bool:
        """Whether it was never dropped."""
        return not self.drops and not self.undated_drops

    @property
    def lacks_baseline(self) -> bool:
        """Whether it was dropped and no look is known that may have come before."""
        first = min(self.drops, key=_in_order, default=None)
        return not self.is_control and not any(
            first is None or not first.is_before(look.when) for look in self.looks
        )

    def recovery_h(self, look: Moment) -> float | None:
        """Hours from the last drop before a look to it; None unless both times are known."""
        before = [drop for drop in self.drops if not look.is_before(drop)]
        last = max(before, key=_in_order, default=None)
        if last is None or any(drop.day == last.day and not drop.has_time for drop in before):
            return None
        return look.hours_after(last)


@dataclass(frozen=True, slots=True)
class StageStatus:
    """How one stage of a device's plan stands on one day."""

    stage: str
    due_on: date
    state: StageState
    inspected_on: date | None = None
    days_late: int = 0
    """How long after its date it was done, or has been owed; 0 when early or not yet due."""
    is_battery_watch: bool = False
    """Of a device that has failed: its battery alone is inspected."""


def stage_statuses(device: FollowedDevice, on: date) -> tuple[StageStatus, ...]:
    """Every stage of a device's plan, kept, missed or to come.

    An inspection counts for the stage whose date is nearest (of two the earlier), the last
    stage's window staying open; one that was interrupted counts for none. Drops and looks are held
    against each other by the time of day where both are known, else by the date. Of the stages
    missed only the latest is owed: one visit answers the earlier ones as well as they can still be
    answered, and they stay visible as skipped.

    Once a function has failed that worked before the first drop, no stage is owed any more.
    Instead the battery is watched: ``WATCH_WINDOWS`` after that look, or after a later drop.

    Parameters
    ----------
    device : FollowedDevice
    on : datetime.date
        The day on which it is asked; later drops and inspections are left out.

    Returns
    -------
    tuple of StageStatus
        In the plan's order, then the watch.
    """
    drops = [drop for drop in device.drops if drop.day <= on]
    looks = [look for look in device.looks if look.when.day <= on]
    return _statuses(device, on, sorted(drops, key=_in_order), _sorted(looks))


def _statuses(
    device: FollowedDevice, on: date, drops: Sequence[Moment], looks: Sequence[Look]
) -> tuple[StageStatus, ...]:
    """As ``stage_statuses``, by these drops and looks alone."""
    whole = [look.when for look in looks if look.is_whole]
    follow_ups = [(name, days) for name, days in device.plan.stages if days >= 0]
    statuses = [
        _baseline(name, device, drops, whole, on) for name, days in device.plan.stages if days < 0
    ]
    zero = _time_zero(device, drops, whole)
    failed = _failed(device, drops, looks)
    if zero is not None and follow_ups:
        looked_at: dict[str, date] = {}
        for look in whole:
            if not look.is_before(zero):
                elapsed = (look.day - zero.day).days
                nearest = min(follow_ups, key=lambda stage: abs(stage[1] - elapsed))
                looked_at.setdefault(nearest[0], look.day)
        due = [(name, zero.day + timedelta(days=days)) for name, days in follow_ups]
        statuses += _kept_or_owed(due, looked_at, on, has_failed=failed is not None)
    if failed is not None and device.battery_functions:
        statuses += _battery_watch(max((failed, *drops[-1:]), key=_in_order), looks, on)
    return tuple(statuses)


def _kept_or_owed(
    due: Sequence[tuple[str, date]],
    looked_at: Mapping[str, date],
    on: date,
    *,
    has_failed: bool = False,
) -> list[StageStatus]:
    """How stages that come due on these days stand, by the days on which they were kept."""
    covered = False  # by a later stage that is done or has come due
    backwards = []
    for name, due_on in reversed(due):
        late = max((looked_at.get(name, on) - due_on).days, 0)
        state: StageState
        if name in looked_at:
            state, covered = ("done late" if late else "done"), True
        elif covered:
            state = "skipped"
        elif has_failed:
            state, late = "not owed", 0
        elif due_on > on:
            state = "upcoming"
        else:
            state, covered = ("overdue" if late else "due"), True
        backwards.append(StageStatus(name, due_on, state, looked_at.get(name), late))
    return backwards[::-1]


def _battery_watch(start: Moment, looks: Sequence[Look], on: date) -> list[StageStatus]:
    """How a battery's watch stands; a look counts for the last window that was over by then."""
    windows = [(f"battery watch, {name}", window) for name, window in WATCH_WINDOWS]
    looked_at: dict[str, date] = {}
    for look in looks:
        hours = look.when.hours_after(start)
        by_day = timedelta(days=(look.when.day - start.day).days)
        # Hours go by the instant, days by the bench clock: a day of its change is a day.
        since, by_day = (
            (by_day, by_day)
            if hours is None
            else (timedelta(hours=hours), look.when.wall - start.wall)
        )
        over = [
            stage
            for stage, window in windows
            if window <= (since if window < timedelta(days=1) else by_day)
        ]
        if look.saw_battery and over:
            looked_at.setdefault(over[-1], look.when.day)
    due = [(stage, (start.wall + window).date()) for stage, window in windows]
    return [replace(status, is_battery_watch=True) for status in _kept_or_owed(due, looked_at, on)]


def stages_before_last_drop(device: FollowedDevice, on: date) -> tuple[StageStatus, ...]:
    """Stages that had come due before a later drop moved the plan on; what was missed stays so.

    Parameters
    ----------
    device : FollowedDevice
        Its plan counts from the last drop; of any other plan nothing is moved.
    on : datetime.date
        The day on which it is asked.

    Returns
    -------
    tuple of StageStatus
        In order of time: done, done late, skipped or not owed.
    """
    if device.plan.anchor != "last drop":
        return ()
    drops = sorted((drop for drop in device.drops if drop.day <= on), key=_in_order)
    days = [drop.day for drop in drops]
    closed = []
    for at, (last_day, next_day) in enumerate(pairwise(days), start=1):
        if last_day == next_day:
            continue
        next_drop, before = drops[at], next_day - timedelta(days=1)
        so_far = [drop for drop, day in zip(drops, days, strict=True) if day <= last_day]
        looks = _sorted(
            look
            for look in device.looks
            if look.when.day <= before or look.when.is_before(next_drop)
        )
        for status in _statuses(device, before, so_far, looks):
            if status.due_on < last_day or (status.inspected_on is None and status.due_on > before):
                continue  # the baseline, or not yet due when the plan moved on
            is_missed = status.inspected_on is None and status.state != "not owed"
            closed.append(replace(status, state="skipped") if is_missed else status)
    return tuple(closed)


def due_inspections(
    devices: Iterable[FollowedDevice], on: date, within_days: int = 0
) -> list[DueInspection]:
    """What is owed on a day, and what comes due soon after.

    Parameters
    ----------
    devices : iterable of FollowedDevice
    on : datetime.date
    within_days : int
        How far ahead to look; 0 for what is owed today.

    Returns
    -------
    list of DueInspection
        The longest overdue first; at most one overdue stage a device.

    Raises
    ------
    UnusableCall
        ``within_days`` is negative.
    """
    if within_days < 0:
        raise ValueOutOfRange("within", within_days, "not a number of days, 0 or more")
    due = [
        DueInspection(
            device=device.device,
            due_on=status.due_on.isoformat(),
            days_overdue=status.days_late,
            stage=status.stage,
            functions=(
                device.battery_functions if status.is_battery_watch else device.plan.functions
            ),
        )
        for device in devices
        for status in stage_statuses(device, on)
        if status.state in ("overdue", "due", "upcoming")
        and (status.due_on - on).days <= within_days
    ]
    return sorted(due, key=lambda one: (one.due_on, one.device))


def _in_order(moment: Moment) -> datetime:
    return moment.utc


def _sorted(looks: Iterable[Look]) -> list[Look]:
    return sorted(looks, key=lambda look: look.when.utc)


def _failed(
    device: FollowedDevice, drops: Sequence[Moment], looks: Sequence[Look]
) -> Moment | None:
    """When a function was first seen to fail that had not failed before the first drop.

    Of a control: that had not failed at its first look.
    """
    before: set[str] = set()
    for look in looks:
        if (
            look.when.utc == looks[0].when.utc
            if device.is_control
            else drops and look.when.is_before(drops[0])
        ):
            before |= look.failed
    return next((look.when for look in looks if look.failed - before), None)


def _time_zero(
    device: FollowedDevice, drops: Sequence[Moment], looks: Sequence[Moment]
) -> Moment | None:
    """The moment from which the plan counts; None while there is none.

    A control, and a device whose drops have no date, counts from its first look; before that it
    owes the baseline, or, in a plan without one, counts from the day it was received.
    """
    received = None if device.received_on is None else Moment.of_day(device.received_on)
    if device.plan.anchor == "received" and received is not None:
        return received
    if drops and device.plan.anchor != "received":
        return drops[0] if device.plan.anchor == "first drop" else drops[-1]
    if looks:
        return looks[0]
    has_baseline = device.plan.stages[0][1] < 0
    return None if has_baseline else received


def _baseline(
    name: str, device: FollowedDevice, drops: Sequence[Moment], looks: Sequence[Moment], on: date
) -> StageStatus:
    """The stage before the first drop; a look of that day counts unless it is known to be later."""
    first_drop = drops[0] if drops else None
    before = [look for look in looks if first_drop is None or not first_drop.is_before(look)]
    if before:
        return StageStatus(name, device.received_on or before[0].day, "done", before[0].day)
    due_on = device.received_on or (first_drop.day if first_drop else on)
    late = max((on - due_on).days, 0)
    if first_drop is not None:
        return StageStatus(name, due_on, "skipped", None, late)
    state: StageState = "upcoming" if due_on > on else "overdue" if late else "due"
    return StageStatus(name, due_on, state, None, late)
