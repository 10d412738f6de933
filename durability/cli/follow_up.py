"""Commands of the follow-up: plans, inspections, what is due."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from durability.cli.logbook import say, session_of, show, warn_of
from durability.errors import UnusableCall
from durability.report import as_json
from durability.results import DueList
from durability.workflow import follow_up, inspection


def schedule(options: Namespace) -> int:
    """Show, make or assign a follow-up plan."""
    session = session_of(options)
    if options.plan is None:
        if options.stage or options.function or options.device or options.device_model:
            raise UnusableCall("plan: missing; name the plan to make or assign")
        rows = [
            {
                "name": plan.name,
                "anchor": plan.anchor,
                "stages": [f"{name} ({days})" for name, days in plan.stages],
                "functions": list(plan.functions),
            }
            for plan in follow_up.plans(session)
        ]
        return show(options, "plans", rows)
    told = {"plan": options.plan, "device": options.device, "device_model": options.device_model}
    done = []
    if options.stage:
        follow_up.make_plan(session, options.plan, options.stage, options.function, options.anchor)
        done.append("made")
    if options.device:
        follow_up.assign_plan(session, options.plan, device=options.device, device_model=None)
        done.append(f"followed by {options.device}")
    if options.device_model:
        follow_up.assign_plan(session, options.plan, device=None, device_model=options.device_model)
        done.append(f"followed by every {options.device_model}")
    if not done:
        raise UnusableCall("--stage, --device or --device-model: one is needed beside a plan")
    return say(options, told, f"plan {options.plan}: {', '.join(done)}")


def record(options: Namespace) -> int:
    """Record one inspection: at once when its checks are given, else function by function."""
    if not options.checks:
        from durability.cli import inspection as at_keyboard

        return at_keyboard.walk(options)
    if options.blind:
        raise UnusableCall("--blind: goes with the walk through the functions, without --check")
    told = inspection.record_inspection(
        session_of(options),
        options.device,
        options.checks,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
    )
    kept = told.pop("quarantine")
    told["quarantined"] = kept is not None
    failed = f"; FAILED: {', '.join(told['failed'])}" if told["failed"] else ""
    say(options, told, f"{told['checks']} functions of {told['device']} recorded{failed}")
    warn_of(kept)
    return 0


def amend(options: Namespace) -> int:
    """Mend one functional check."""
    kept = inspection.amend_check(
        session_of(options),
        options.device,
        options.function,
        options.changes,
        options.reason,
        inspected_at=options.inspected_at,
    )
    told = {"device": options.device, "function": options.function, "amended": options.changes}
    say(
        options,
        told,
        f"{options.function} of {options.device} amended; the first values stay in history",
    )
    warn_of(kept)
    return 0


def list_inspections(options: Namespace) -> int:
    """List inspections; of one device, how it kept its plan too."""
    session = session_of(options)
    if options.device is None:
        if options.on is not None:
            raise UnusableCall("--on: no device named; a plan is judged device by device")
        return show(options, "inspections", follow_up.list_inspections(session, None))
    told = follow_up.device_follow_up(session, options.device, options.on)
    if options.json:
        return say(options, told, "")
    from durability.report import follow_up as shown

    shown.device_follow_up(told)
    return 0


CALENDAR_DAYS = 366
"""How far a calendar looks ahead unless told otherwise: a year of plans."""


def due(options: Namespace) -> int:
    """Which inspections are due."""
    within = options.within
    if within is None:
        within = CALENDAR_DAYS if options.calendar else 0
    owed = follow_up.due(session_of(options), options.on, within)
    if options.calendar:
        _write_calendar(Path(options.calendar), owed)
    if options.json:
        print(as_json.dumps({**as_json.due(owed), "calendar": options.calendar}))
        return 0
    from durability.report import follow_up as shown

    shown.due(owed, within)
    if options.calendar:
        print(shown.calendar_line(options.calendar, len(owed.due), owed.on))
    return 0


def _write_calendar(file: Path, owed: DueList) -> None:
    from durability.report.calendar import inspections_calendar

    try:
        file.write_bytes(inspections_calendar(owed))
    except OSError as error:
        raise UnusableCall(f"--calendar {file}: can't be written ({error.strerror})") from None
