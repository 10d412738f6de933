"""Follow-up plans, what is due by them, and how they were kept."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING, Any

from durability.devices.results import DueList, RetainedItem, SkippedInspection
from durability.devices.schedule import (
    BEFORE_FIRST_DROP,
    FollowedDevice,
    FollowUpPlan,
    Look,
    due_inspections,
    stage_statuses,
    stages_before_last_drop,
)
from durability.intake.hand_entry import typed_date, typed_value
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import CheckList
from durability.store import bench, database
from durability.workflow import keep, quarantine
from durability.workflow.check_lists import (
    CHECK_LIST_DIGITS,
    find_list,
    give_list,
    list_of,
    plan_lists,
)
from durability.workflow.histories import series_under
from durability.workflow.results import Under
from durability.workflow.session import Session, entry
from durability.workflow.specimens import IN_USE

if TYPE_CHECKING:
    from durability.devices.follow_up import Rule

_MOST_DAYS = 36_525
"""Of a stage: a century."""


def intermittent_checks(
    connection: Any, rules: Mapping[str, Mapping[str, Rule]], device: str | None = None
) -> list[dict[str, Any]]:
    """Functions that passed or only degraded again after they had failed.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    rules : mapping
        Device → function → rule by which a fail is confirmed.
    device : str, optional
        Only of this.

    Returns
    -------
    list of dict
        device, function, failed_at, passed_again_at, confirmation (confirmed, unconfirmed or
        open), fails_again and looks_since by which that was found, and the rule: again, within.
        Of several fails, what the first confirmed one says; the first fail stays the failure.
    """
    from durability.devices.follow_up import USUAL_RULE, recurrences

    rows = bench.fetch(connection, "tested_checks", device=device)
    found = []
    for (code, function), checks in groupby(rows, key=lambda row: (row["device"], row["function"])):
        looks = list(checks)
        failed = [look["outcome"] == "fail" for look in looks]
        first = failed.index(True)
        passed = next((look for look in looks[first:] if look["outcome"] != "fail"), None)
        if passed is None:
            continue
        rule = rules.get(code, {}).get(function, USUAL_RULE)
        told = recurrences(failed, rule)
        best = next((each for each in told if each.confirmation == "confirmed"), told[0])
        found.append(
            {
                "device": code,
                "function": function,
                "failed_at": looks[first]["inspected_at"],
                "passed_again_at": passed["inspected_at"],
                "confirmation": best.confirmation,
                "fails_again": best.fails_again,
                "looks_since": best.looks_since,
                "rule_again": rule[0],
                "rule_within": rule[1],
            }
        )
    return sorted(found, key=lambda row: (row["failed_at"], row["device"], row["function"]))


def plans(session: Session) -> list[FollowUpPlan]:
    """The plan that every device follows unless another is given, then the store's own."""
    with database.reading(session.record) as connection:
        return list(_known_plans(connection).values())


def lists_of_plans(session: Session) -> dict[str, CheckList]:
    """The check list that each plan goes through, by the plan's name."""
    with database.reading(session.record) as connection:
        given = plan_lists(connection)
        known = _known_plans(connection)
    return {name: list_of(plan, given) for name, plan in known.items()}


def _known_plans(connection: Any) -> dict[str, FollowUpPlan]:
    """Plans by name, the usual one first, each with the functions of its list as of today."""
    return {
        row["name"]: FollowUpPlan(
            row["name"],
            tuple(zip(row["stage_names"], row["stage_days"], strict=True)),
            tuple(row["functions"]),
            row["anchor"],
        )
        for row in bench.fetch(connection, "plans_today")
    }


def make_plan(
    session: Session,
    name: str,
    stages: Sequence[str],
    anchor: Any,
    check_list: str | None = None,
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
    anchor : {"last drop", "first drop", "received"}
        What the days count from.
    check_list : str, optional
        What to check, as a ready list or a file; by default what the usual plan checks.

    Returns
    -------
    FollowUpPlan
        As stored.

    Raises
    ------
    UnusableCall
        A stage is no NAME=DAYS, the stages make no plan, or the list can't be read.
    RecordRefused
        The name is taken.
    """
    listed = None if check_list is None else find_list(check_list)
    with entry(session, "inspect schedule") as (connection, entry_id):
        given = plan_lists(connection)
        known = _known_plans(connection)
        if name in known:
            raise RecordRefused(f"plan {name!r}: already there; choose another name")
        bench.refuse_as_new(connection, "plan", name)
        if listed is None:
            listed = list_of(next(iter(known.values())), given)
        plan = FollowUpPlan(
            str(typed_value("code", name, option="plan")),
            tuple(_stage(text) for text in stages),
            listed.functions,
            anchor,
        )
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
        give_list(connection, plan.name, listed, entry_id)
    return plan


def change_list(session: Session, name: str, check_list: str) -> CheckList:
    """Let a plan go through another list, or another version of its list, from now on.

    Parameters
    ----------
    session : Session
        Store and person.
    name : str
        A plan, the usual one too.
    check_list : str
        A ready list or a file.

    Returns
    -------
    CheckList
        As read; inspections made before keep the version that they were made by.

    Raises
    ------
    UnusableCall
        The list can't be read.
    RecordRefused
        No such plan.
    """
    listed = find_list(check_list)
    with entry(session, "inspect schedule") as (connection, entry_id):
        _refuse_unknown_plan(connection, name)
        give_list(connection, name, listed, entry_id)
    return listed


def _refuse_unknown_plan(connection: Any, name: str) -> None:
    known = _known_plans(connection)
    if name not in known:
        raise RecordRefused(
            f"plan {name!r}: not in the store (known: {', '.join(known)}); make it first, with"
            " --stage"
        )


def _stage(text: str) -> tuple[str, int]:
    name, _, days = (part.strip() for part in text.rpartition("="))
    if name and days == "before":
        return name, BEFORE_FIRST_DROP
    if not name or not days.isdecimal() or int(days) > _MOST_DAYS:
        raise UnusableCall(
            f"--stage {text!r}: write NAME=DAYS, like '4 weeks=28', at most {_MOST_DAYS:,} days,"
            " or NAME=before"
        )
    return name, int(days)


def assign_plan(
    session: Session, name: str, *, device: str | None, device_model: str | None
) -> None:
    """Let a device, or every device of a model, follow a stored plan."""
    with entry(session, "inspect schedule") as (connection, entry_id):
        key = bench.run(connection, "find_plan", name=name)
        if key is None:
            _refuse_unknown_plan(connection, name)
            raise RecordRefused(
                f"plan {name!r}: followed by every device without a plan of its own"
            )
        device_id = find_device(connection, device)["specimen_id"] if device else None
        bench.run(
            connection,
            "assign_plan",
            follow_up_plan_id=key,
            device_id=device_id,
            device_model=device_model,
            entry_id=entry_id,
        )


def controls_of_plan(session: Session, name: str) -> tuple[int, int]:
    """Devices in use that follow a plan, and how many of them were never dropped."""
    with database.reading(session.record) as connection:
        following = [
            followed
            for followed, row in followed_devices(connection)
            if followed.plan.name == name and row["status"] == IN_USE
        ]
    return len(following), sum(followed.is_control for followed in following)


def find_device(connection: Any, code: str) -> dict[str, Any]:
    """Row of a device, in an open store; refused when it is unknown, a case or a dummy."""
    found = bench.find(connection, "specimen", code)
    if found["kind"] != "device":
        raise RecordRefused(f"{code!r}: is a {found['kind']}; functions are checked on a device")
    return found


def list_inspections(session: Session, device: str | None) -> list[dict[str, Any]]:
    """Inspections in time order, with what did not pass."""
    with database.reading(session.record) as connection:
        if device:
            bench.find(connection, "specimen", device)
        looks = bench.fetch(connection, "inspection_list", device=device)
        return with_recovery(looks, (each for each, _ in followed_devices(connection)))


def device_follow_up(session: Session, device: str, on: str | None) -> dict[str, Any]:
    """One device's plan, how each stage of it stands, and its inspections.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    on : str, optional
        ISO date on which the stages are judged; else the session's day.

    Returns
    -------
    dict
        device, status, quarantined_since, plan, anchor, stages, inspections, intermittent.

    Raises
    ------
    RecordRefused
        No such device.
    """
    day = _day(session, on)
    with database.reading(session.record) as connection:
        found = find_device(connection, device)
        followed, row = next(
            each for each in followed_devices(connection) if each[0].device == device
        )
        inspections = with_recovery(
            bench.fetch(connection, "inspection_list", device=device), [followed]
        )
        intermittent = intermittent_checks(connection, confirm_rules(connection), device)
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
    """Every device with its drops, inspections and plan, and its row, in an open store."""
    happened: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in bench.fetch(connection, "device_moments"):
        happened[row["device"]].append(row)
    return [
        (_followed(row, plan, happened[row["device"]]), row)
        for row, plan in _with_plans(connection)
    ]


def _with_plans(connection: Any) -> Iterator[tuple[dict[str, Any], FollowUpPlan]]:
    """Row and plan of every device."""
    known = _known_plans(connection)
    usual = next(iter(known))
    plan_of = {row["device"]: row["plan"] for row in bench.fetch(connection, "device_plans")}
    for row in bench.fetch(connection, "devices"):
        yield row, known[plan_of.get(row["device"], usual)]


def _followed(
    device: Mapping[str, Any], plan: FollowUpPlan, happened: Sequence[Mapping[str, Any]]
) -> FollowedDevice:
    from durability.record.hazards import looks_at_battery

    dated = [row for row in happened if row["happened_at"] is not None]
    when = [clock.Moment(row["happened_at"], row["happened_at_utc"]) for row in dated]
    return FollowedDevice(
        device["device"],
        plan,
        tuple(at for row, at in zip(dated, when, strict=True) if row["event"] == "drop"),
        tuple(
            Look(
                at,
                frozenset(row["failed"]),
                is_whole=row["is_whole"],
                saw_battery=any(looks_at_battery(name) for name in row["tested"]),
            )
            for row, at in zip(dated, when, strict=True)
            if row["event"] == "look"
        ),
        device["received_on"],
        undated_drops=len(happened) - len(dated),
        battery_functions=tuple(name for name in plan.functions if looks_at_battery(name)),
    )


def with_recovery(
    looks: Sequence[Mapping[str, Any]], followed: Iterable[FollowedDevice]
) -> list[dict[str, Any]]:
    """Inspections with hours_since_drop: the recovery before them (IEC 60068-1), if known."""
    recovery_h = {
        (device.device, look.when.wall): device.recovery_h(look.when)
        for device in followed
        for look in device.looks
    }
    return [
        {**row, "hours_since_drop": recovery_h.get((row["device"], row["inspected_at"]))}
        for row in looks
    ]


def confirm_rules(connection: Any) -> dict[str, dict[str, tuple[int, int]]]:
    """By device, how a fail of each function of its check list is confirmed: again, within."""
    given = plan_lists(connection)
    return {
        row["device"]: {
            each.name: (each.fails_again, each.within_looks)
            for each in list_of(plan, given).checked
        }
        for row, plan in _with_plans(connection)
    }


def due(session: Session, on: str | None, within_days: int, under: Under | None = None) -> DueList:
    """What is owed on a day, and what comes due soon after.

    Parameters
    ----------
    session : Session
        Store and person.
    on : str, optional
        ISO date; else the session's day.
    within_days : int
        How many days ahead count too.
    under : Under, optional
        Only devices dropped, and items kept back of series made, under these conditions.

    Returns
    -------
    DueList
        The longest overdue first. Devices no longer in use owe nothing; those in quarantine are
        listed apart.

    Raises
    ------
    RecordRefused
        No series is under such a condition.
    """
    day = _day(session, on)
    with database.reading(session.record) as connection:
        devices = followed_devices(connection)
        quarantined = quarantine.quarantines(connection)
        disposals = quarantine.disposals(connection)
        unfinished = bench.fetch(connection, "unfinished_walks")
        remarks = bench.fetch(connection, "device_remarks", device=None)
        retained = bench.fetch(connection, "retained_items")
    if under is not None and under != Under():
        rows = series_under(session, under)
        own = {row["device"] for row in rows} | {row["case"] for row in rows}
        devices = [each for each in devices if each[0].device in own]
        quarantined = [each for each in quarantined if each.device in own]
        disposals = [each for each in disposals if each.specimen in own]
        unfinished = [row for row in unfinished if row["device"] in own]
        retained = [row for row in retained if row["specimen"] in own]
    in_use = [(followed, row) for followed, row in devices if row["status"] == IN_USE]
    at_large = [followed for followed, row in in_use if row["quarantined_since"] is None]
    owed = due_inspections(at_large, day, within_days)
    owing = {each.device for each in owed}
    return DueList(
        on=day,
        due=tuple(owed),
        quarantined=tuple(quarantined),
        disposals=tuple(disposals),
        skipped=tuple(
            SkippedInspection(followed.device, status.stage, status.due_on)
            for followed, row in in_use
            for status in (
                *stages_before_last_drop(followed, _last_owing_day(row, day)),
                *stage_statuses(followed, _last_owing_day(row, day)),
            )
            if status.state == "skipped"
        ),
        without_baseline=tuple(each.device for each, _ in devices if each.lacks_baseline),
        unfinished=tuple(dict.fromkeys(row["device"] for row in unfinished)),
        cracked_glass=tuple(
            dict.fromkeys(
                row["device"]
                for row in remarks
                if row["device"] in owing and keep.tells_cracked_glass(row["location"], row["note"])
            )
        ),
        retained=tuple(
            sorted(
                (_retained_item(row, day) for row in retained),
                key=lambda item: (item.due_on or date.max, item.specimen),
            )
        ),
    )


def _retained_item(row: Mapping[str, Any], day: date) -> RetainedItem:
    """An item kept back; its re-tests are kept like the stages of a plan from that day on."""
    plan = FollowUpPlan(
        "re-tests",
        tuple((str(retest), (retest - row["retained_on"]).days) for retest in row["retests_on"]),
        (),
        "received",
    )
    looks = tuple(
        Look(clock.Moment.of_day(day))
        for day in row["looked_on"] or ()
        if day >= row["retained_on"]
    )
    kept = FollowedDevice(row["specimen"], plan, (), looks, row["retained_on"])
    statuses = stage_statuses(kept, max(day, row["retained_on"]))
    open_ones = [each for each in statuses if each.state in ("overdue", "due", "upcoming")]
    return RetainedItem(
        specimen=row["specimen"],
        kind=row["kind"],
        model=row["model"],
        retained_on=row["retained_on"],
        due_on=open_ones[0].due_on if open_ones else None,
        days_overdue=open_ones[0].days_late if open_ones else 0,
        done=sum(each.inspected_on is not None for each in statuses),
        of=len(statuses),
    )


def form_rows(session: Session, devices: Sequence[str]) -> list[dict[str, Any]]:
    """Rows of a form to be filled in away from the bench, one a device and function.

    Parameters
    ----------
    session : Session
        Store and person.
    devices : sequence of str
        Their codes.

    Returns
    -------
    list of dict
        The columns of ``import inspections``; device, function, unit and the version of the check
        list are filled in. Nothing of what a device went through: who inspects is not led.
    """
    from durability.record.hazards import looks_at_battery

    with database.reading(session.record) as connection:
        given = plan_lists(connection)
        lists = {row["device"]: list_of(plan, given) for row, plan in _with_plans(connection)}
    return [
        {
            "device": device,
            "inspected_at": None,
            "function": function.name,
            "outcome": None,
            "measured": None,
            "unit": function.unit,
            "note": None,
            "inspector": None,
            "blind": None,
            "check_list": lists[device].sha256[:CHECK_LIST_DIGITS],
        }
        for device in dict.fromkeys(devices)
        for function in sorted(
            lists[device].checked, key=lambda each: not looks_at_battery(each.name)
        )
    ]


def _last_owing_day(row: Mapping[str, Any], day: date) -> date:
    """That day, or the one on which the device was put in quarantine or out of use, if earlier."""
    suspected = row["quarantined_since"]
    ends = (day, suspected and suspected.date(), row["out_of_use_on"])
    return min(end for end in ends if end is not None)


def _day(session: Session, on: str | None) -> date:
    return typed_date(on, option="--on") if on else session.day


def list_of_device(connection: Any, device: str) -> CheckList:
    """The check list of the plan that a device follows."""
    plan = next(plan for row, plan in _with_plans(connection) if row["device"] == device)
    return list_of(plan, plan_lists(connection))
