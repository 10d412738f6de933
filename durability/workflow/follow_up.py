"""Follow-up plans, what is due by them, and how they were kept."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

from durability.errors import RecordRefused, UnusableCall
from durability.intake.hand_entry import typed_date, typed_value
from durability.results import DueList, SkippedInspection
from durability.schedule import (
    BEFORE_FIRST_DROP,
    CHECK_LISTS,
    DEFAULT_PLAN,
    FollowedDevice,
    FollowUpPlan,
    due_inspections,
    stage_statuses,
    stages_before_last_drop,
)
from durability.store import bench, database
from durability.workflow import logbook, quarantine
from durability.workflow.logbook import IN_USE
from durability.workflow.session import Session, entry


def plans(session: Session) -> list[FollowUpPlan]:
    """The plan that every device follows unless told otherwise, then the store's own."""
    with database.reading(session.store) as connection:
        return [DEFAULT_PLAN, *_stored_plans(connection)]


def _stored_plans(connection: Any) -> list[FollowUpPlan]:
    return [
        FollowUpPlan(
            row["name"],
            tuple(zip(row["stage_names"], row["stage_days"], strict=True)),
            tuple(row["functions"]),
            row["anchor"],
        )
        for row in bench.fetch(connection, "follow_up_plans")
    ]


def make_plan(
    session: Session,
    name: str,
    stages: Sequence[str],
    functions: Sequence[str],
    anchor: Any,
) -> FollowUpPlan:
    """Store a named follow-up plan.

    Parameters
    ----------
    session : Session
        Store and person.
    name : str
        Its name.
    stages : sequence of str
        "NAME=DAYS" each, days after the anchor; "before" stands for before the first drop.
    functions : sequence of str
        What to check; without any, those of the default plan. A ready list goes by its name.
    anchor : {"last drop", "first drop", "received"}
        What the days count from.

    Returns
    -------
    FollowUpPlan
        As stored.

    Raises
    ------
    UnusableCall
        A stage is no NAME=DAYS, or the stages make no plan.
    RecordRefused
        The name is taken.
    """
    plan = FollowUpPlan(
        str(typed_value("code", name, option="plan")),
        tuple(_stage(text) for text in stages),
        tuple(
            function
            for wanted in functions or DEFAULT_PLAN.functions
            for function in CHECK_LISTS.get(wanted, (wanted,))
        ),
        anchor,
    )
    with entry(session, "inspect schedule") as (connection, entry_id):
        if name in {DEFAULT_PLAN.name, *(known.name for known in _stored_plans(connection))}:
            raise RecordRefused(f"plan {name!r}: already there; choose another name")
        bench.run(
            connection,
            "add_plan",
            name=plan.name,
            anchor=plan.anchor,
            stage_names=[stage for stage, _ in plan.stages],
            stage_days=[days for _, days in plan.stages],
            functions=list(plan.functions),
            entry_id=entry_id,
        )
    return plan


def _stage(text: str) -> tuple[str, int]:
    name, _, days = (part.strip() for part in text.rpartition("="))
    if name and days == "before":
        return name, BEFORE_FIRST_DROP
    if not name or not days.isdecimal():
        raise UnusableCall(f"--stage {text!r}: write NAME=DAYS, like '4 weeks=28', or NAME=before")
    return name, int(days)


def assign_plan(
    session: Session, name: str, *, device: str | None, device_model: str | None
) -> None:
    """Let a device, or every device of a model, follow a stored plan."""
    with entry(session, "inspect schedule") as (connection, entry_id):
        key = bench.run(connection, "find_plan", name=name)
        if key is None:
            known = ", ".join(plan.name for plan in _stored_plans(connection)) or "none"
            raise RecordRefused(f"plan {name!r}: not in the store (known: {known}); make it first")
        device_id = find_device(connection, device)["specimen_id"] if device else None
        bench.run(
            connection,
            "assign_plan",
            follow_up_plan_id=key,
            device_id=device_id,
            device_model=device_model,
            entry_id=entry_id,
        )


def find_device(connection: Any, code: str) -> dict[str, Any]:
    """Row of a device, in an open store; refused when it is unknown, a case or a dummy."""
    found = bench.find(connection, "specimen", code)
    if found["kind"] != "device":
        raise RecordRefused(f"{code!r}: is a {found['kind']}; functions are checked on a device")
    return found


def list_inspections(session: Session, device: str | None) -> list[dict[str, Any]]:
    """Inspections in time order, with what did not pass."""
    with database.reading(session.store) as connection:
        if device:
            bench.find(connection, "specimen", device)
        return bench.fetch(connection, "inspection_list", device=device)


def device_follow_up(session: Session, device: str, on: str | None) -> dict[str, Any]:
    """One device's plan, how each stage of it stands, and its inspections.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    on : str, optional
        ISO date on which the stages are judged; else today.

    Returns
    -------
    dict
        device, status, quarantined_since, plan, anchor, stages, inspections, intermittent.

    Raises
    ------
    RecordRefused
        No such device.
    """
    day = _day(on)
    with database.reading(session.store) as connection:
        found = find_device(connection, device)
        followed, row = next(
            each for each in followed_devices(connection) if each[0].device == device
        )
        inspections = bench.fetch(connection, "inspection_list", device=device)
        intermittent = bench.fetch(connection, "intermittent_checks", device=device)
    day = _last_owing_day(row, day)
    return {
        "device": device,
        "status": found["status"],
        "quarantined_since": found["quarantined_since"],
        "plan": followed.plan.name,
        "anchor": followed.plan.anchor,
        "on": day,
        "owes": found["status"] == IN_USE and found["quarantined_since"] is None,
        "stages": [
            {"before_last_drop": is_before, **asdict(status)}
            for statuses, is_before in (
                (stages_before_last_drop(followed, day), True),
                (stage_statuses(followed, day), False),
            )
            for status in statuses
        ],
        "inspections": inspections,
        "intermittent": intermittent,
    }


def followed_devices(connection: Any) -> list[tuple[FollowedDevice, dict[str, Any]]]:
    """Every device with its dates and its plan, and its row, in an open store."""
    known = {plan.name: plan for plan in _stored_plans(connection)}
    plan_of = {row["device"]: row["plan"] for row in bench.fetch(connection, "device_plans")}
    dropped: dict[str, list[date]] = defaultdict(list)
    looked: dict[str, list[date]] = defaultdict(list)
    for row in bench.fetch(connection, "device_dates"):
        (dropped if row["event"] == "drop" else looked)[row["device"]].append(row["day"])
    return [
        (
            FollowedDevice(
                row["device"],
                tuple(dropped[row["device"]]),
                tuple(looked[row["device"]]),
                row["received_on"],
                known.get(plan_of.get(row["device"], ""), DEFAULT_PLAN),
            ),
            row,
        )
        for row in bench.fetch(connection, "devices")
    ]


def due(session: Session, on: str | None, within_days: int) -> DueList:
    """What is owed on a day, and what comes due soon after.

    Parameters
    ----------
    session : Session
        Store and person.
    on : str, optional
        ISO date; else today.
    within_days : int
        How far ahead to look.

    Returns
    -------
    DueList
        The longest overdue first. Devices no longer in use owe nothing; those in quarantine are
        listed apart.
    """
    day = _day(on)
    with database.reading(session.store) as connection:
        in_use = [
            (followed, row)
            for followed, row in followed_devices(connection)
            if row["status"] == IN_USE
        ]
        quarantined = quarantine.quarantines(connection)
        without = bench.fetch(connection, "without_baseline", device=None)
        unfinished = bench.fetch(connection, "unfinished_walks")
        remarks = bench.fetch(connection, "device_remarks", device=None)
    at_large = [followed for followed, row in in_use if row["quarantined_since"] is None]
    owed = due_inspections(at_large, day, within_days)
    owing = {each.device for each in owed}
    return DueList(
        on=day,
        due=tuple(owed),
        quarantined=tuple(quarantined),
        skipped=tuple(
            SkippedInspection(followed.device, status.stage, status.due_on)
            for followed, row in in_use
            for status in (
                *stages_before_last_drop(followed, _last_owing_day(row, day)),
                *stage_statuses(followed, _last_owing_day(row, day)),
            )
            if status.state == "skipped"
        ),
        without_baseline=tuple(row["device"] for row in without),
        unfinished=tuple(dict.fromkeys(row["device"] for row in unfinished)),
        cracked_glass=tuple(
            dict.fromkeys(
                row["device"]
                for row in remarks
                if row["device"] in owing
                and logbook.tells_cracked_glass(row["location"], row["note"])
            )
        ),
    )


def _last_owing_day(row: Mapping[str, Any], day: date) -> date:
    """That day, or the one on which the device was put in quarantine or out of use, if earlier."""
    suspected = row["quarantined_since"]
    ends = (day, suspected and suspected.date(), row["out_of_use_on"])
    return min(end for end in ends if end is not None)


def _day(on: str | None) -> date:
    return typed_date(on, option="--on") if on else date.today()  # noqa: DTZ011 - the bench's day
