"""Which follow-up inspections are due: plans as data, and dates, nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal

from durability.devices.results import DueInspection
from durability.record.errors import UnusableCall

Anchor = Literal["last drop", "first drop", "received"]
StageState = Literal["done", "done late", "skipped", "overdue", "due", "upcoming"]

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
class FollowedDevice:
    """The dates of one device, in any order. Without a drop it is a control."""

    device: str
    plan: FollowUpPlan
    drop_dates: tuple[date, ...] = ()
    """Voided drops included: the device lived through them too."""
    inspection_dates: tuple[date, ...] = ()
    """Days on which at least one function was tested."""
    received_on: date | None = None


@dataclass(frozen=True, slots=True)
class StageStatus:
    """How one stage of a device's plan stands on one day."""

    stage: str
    due_on: date
    state: StageState
    inspected_on: date | None = None
    days_late: int = 0
    """How long after its date it was done, or has been owed; 0 when early or not yet due."""


def stage_statuses(device: FollowedDevice, on: date) -> tuple[StageStatus, ...]:
    """Every stage of a device's plan, kept, missed or to come.

    An inspection counts for the stage whose date is nearest (of two the earlier), the last
    stage's window staying open. Of the stages missed only the latest is owed: one visit answers
    the earlier ones as well as they can still be answered, and they stay visible as skipped.

    Parameters
    ----------
    device : FollowedDevice
    on : datetime.date
        The day on which it is asked; later drops and inspections are left out.

    Returns
    -------
    tuple of StageStatus
        In the plan's order.
    """
    drops = sorted(day for day in device.drop_dates if day <= on)
    looks = sorted(day for day in device.inspection_dates if day <= on)
    zero = _time_zero(device, drops, looks)
    follow_ups = [(name, days) for name, days in device.plan.stages if days >= 0]
    baseline = tuple(
        _baseline(name, device, drops, looks, on) for name, days in device.plan.stages if days < 0
    )
    if zero is None:
        return baseline

    looked_at: dict[str, date] = {}
    for look in looks:
        if look >= zero and follow_ups:
            elapsed = (look - zero).days
            nearest = min(follow_ups, key=lambda stage: abs(stage[1] - elapsed))
            looked_at.setdefault(nearest[0], look)
    covered = False  # by a later stage that is done or has come due
    backwards = []
    for name, days in reversed(follow_ups):
        due_on = zero + timedelta(days=days)
        late = max((looked_at.get(name, on) - due_on).days, 0)
        state: StageState
        if name in looked_at:
            state, covered = ("done late" if late else "done"), True
        elif covered:
            state = "skipped"
        elif due_on > on:
            state = "upcoming"
        else:
            state, covered = ("overdue" if late else "due"), True
        backwards.append(StageStatus(name, due_on, state, looked_at.get(name), late))
    return (*baseline, *reversed(backwards))


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
        In order of time: done, done late or skipped.
    """
    drops = sorted({day for day in device.drop_dates if day <= on})
    if device.plan.anchor != "last drop":
        return ()
    closed = []
    for drop, next_drop in pairwise(drops):
        before = next_drop - timedelta(days=1)
        for status in stage_statuses(device, before):
            if status.due_on < drop or status.due_on > before:
                continue  # the baseline, or not yet due when the plan moved on
            state: StageState = "skipped" if status.inspected_on is None else status.state
            closed.append(replace(status, state=state))
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
        raise UnusableCall(f"within {within_days} days: it must be 0 or more")
    until = on + timedelta(days=within_days)
    due = [
        DueInspection(
            device=device.device,
            due_on=status.due_on.isoformat(),
            days_overdue=status.days_late,
            stage=status.stage,
            functions=device.plan.functions,
        )
        for device in devices
        for status in stage_statuses(device, on)
        if status.state in ("overdue", "due", "upcoming") and status.due_on <= until
    ]
    return sorted(due, key=lambda one: (one.due_on, one.device))


def _time_zero(device: FollowedDevice, drops: Sequence[date], looks: Sequence[date]) -> date | None:
    """The day from which the plan counts; None while there is none.

    A control, and a device whose drops have no date, counts from its first look; before that it
    owes the baseline, or, in a plan without one, counts from the day it was received.
    """
    if device.plan.anchor == "received" and device.received_on is not None:
        return device.received_on
    if drops and device.plan.anchor != "received":
        return drops[0] if device.plan.anchor == "first drop" else drops[-1]
    if looks:
        return looks[0]
    has_baseline = device.plan.stages[0][1] < 0
    return None if has_baseline else device.received_on


def _baseline(
    name: str, device: FollowedDevice, drops: Sequence[date], looks: Sequence[date], on: date
) -> StageStatus:
    """The stage before the first drop; a look on the very day counts, dates can't tell more."""
    first_drop = drops[0] if drops else None
    before = [look for look in looks if first_drop is None or look <= first_drop]
    if before:
        return StageStatus(name, device.received_on or before[0], "done", before[0])
    due_on = device.received_on or first_drop or on
    late = max((on - due_on).days, 0)
    if first_drop is not None:
        return StageStatus(name, due_on, "skipped", None, late)
    state: StageState = "upcoming" if due_on > on else "overdue" if late else "due"
    return StageStatus(name, due_on, state, None, late)
