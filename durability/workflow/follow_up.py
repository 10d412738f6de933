"""Follow-up inspections: plans, what is due, and what was found."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from durability.errors import RecordRefused, UnusableCall
from durability.intake.hand_entry import typed_date, typed_time, typed_value
from durability.results import DueInspection
from durability.schedule import (
    BEFORE_FIRST_DROP,
    CHECK_LISTS,
    DEFAULT_PLAN,
    FollowedDevice,
    FollowUpPlan,
    due_inspections,
)
from durability.store import bench, database
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
        device_id = _device(connection, device)["specimen_id"] if device else None
        bench.run(
            connection,
            "assign_plan",
            follow_up_plan_id=key,
            device_id=device_id,
            device_model=device_model,
            entry_id=entry_id,
        )


def _device(connection: Any, code: str) -> dict[str, Any]:
    found = bench.find(connection, "specimen", code)
    if found["kind"] != "device":
        raise RecordRefused(f"{code!r}: is a {found['kind']}; functions are checked on a device")
    return found


def record_inspection(
    session: Session,
    device: str,
    checks: Sequence[str],
    *,
    inspected_at: str | None,
    inspector: str | None,
) -> dict[str, Any]:
    """Store one inspection of a device.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    checks : sequence of str
        "FUNCTION=OUTCOME" each, with a note after a comma.
    inspected_at : str, optional
        ISO 8601; else now.
    inspector : str, optional
        Who looked; else who enters it.

    Returns
    -------
    dict
        device, inspected_at, checks, failed.

    Raises
    ------
    UnusableCall
        A check is no FUNCTION=OUTCOME, or a function stands twice.
    RecordRefused
        The device is unknown, no device, not yet received, or that look is stored already.
    """
    looked = [_check(text) for text in checks]
    if len({function for function, *_ in looked}) < len(looked):
        raise UnusableCall("--check: a function stands there twice; one outcome each")
    if inspected_at is None:
        now = datetime.now().astimezone().replace(microsecond=0)
        moment, offset = now.replace(tzinfo=None), now.isoformat()[-6:]
    else:
        typed_value("inspected_at", inspected_at, option="--inspected-at")
        moment, offset = typed_time(inspected_at, name="--inspected-at", right="an ISO time")
    with entry(session, "inspect record") as (connection, entry_id):
        found = _device(connection, device)
        if found["received_on"] and moment.date() < found["received_on"]:
            raise RecordRefused(
                f"--inspected-at {moment:%Y-%m-%d}: before device {device} was received on"
                f" {found['received_on']}"
            )
        where = {"device_id": found["specimen_id"], "inspected_at": moment}
        if bench.run(connection, "find_inspection", **where) is not None:
            raise RecordRefused(
                f"device {device!r}: an inspection of {moment:%Y-%m-%d %H:%M} is stored already;"
                " give --inspected-at with its own time"
            )
        inspection_id = bench.run(
            connection,
            "add_inspection",
            **where,
            inspected_at_utc_offset=offset or None,
            inspector=inspector or session.person,
            entry_id=entry_id,
        )
        for function, outcome, note in looked:
            bench.run(
                connection,
                "add_check",
                inspection_id=inspection_id,
                function=function,
                outcome=outcome,
                measured=None,
                unit=None,
                note=note,
                entry_id=entry_id,
            )
    failed = [function for function, outcome, _ in looked if outcome == "fail"]
    return {"device": device, "inspected_at": moment, "checks": len(looked), "failed": failed}


def _check(text: str) -> tuple[str, str, str | None]:
    function, equals, told = text.partition("=")
    outcome, _, note = told.partition(",")
    if not equals or not function.strip():
        raise UnusableCall(f"--check {text!r}: write FUNCTION=OUTCOME, like charging=pass")
    checked = typed_value("outcome", outcome, option=f"--check {function.strip()}")
    return function.strip(), str(checked), note.strip() or None


def list_inspections(session: Session, device: str | None) -> list[dict[str, Any]]:
    """Inspections in time order, with what did not pass."""
    with database.reading(session.store) as connection:
        if device:
            bench.find(connection, "specimen", device)
        return bench.fetch(connection, "inspection_list", device=device)


def due(session: Session, on: str | None, within_days: int) -> tuple[date, list[DueInspection]]:
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
    on : date
        The day asked for.
    inspections : list of DueInspection
        The longest overdue first; retired devices owe nothing.
    """
    day = typed_date(on, option="--on") if on else date.today()  # noqa: DTZ011 - the bench's day
    with database.reading(session.store) as connection:
        known = {plan.name: plan for plan in _stored_plans(connection)}
        followed = {row["device"]: row["plan"] for row in bench.fetch(connection, "device_plans")}
        dropped: dict[str, list[date]] = defaultdict(list)
        looked: dict[str, list[date]] = defaultdict(list)
        for row in bench.fetch(connection, "device_dates"):
            (dropped if row["event"] == "drop" else looked)[row["device"]].append(row["day"])
        devices = bench.fetch(connection, "devices")
    return day, due_inspections(
        [
            FollowedDevice(
                row["device"],
                tuple(dropped[row["device"]]),
                tuple(looked[row["device"]]),
                row["received_on"],
                known.get(followed.get(row["device"], ""), DEFAULT_PLAN),
            )
            for row in devices
            if row["status"] != "retired"
        ],
        day,
        within_days,
    )
