"""Commands of the follow-up: plans, inspections, what is due."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import say, session_of, show
from durability.errors import UnusableCall
from durability.report import as_json
from durability.workflow import follow_up


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
    """Record one inspection."""
    told = follow_up.record_inspection(
        session_of(options),
        options.device,
        options.checks,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
    )
    failed = f"; FAILED: {', '.join(told['failed'])}" if told["failed"] else ""
    return say(options, told, f"{told['checks']} functions of {told['device']} recorded{failed}")


def list_inspections(options: Namespace) -> int:
    """List inspections."""
    rows = follow_up.list_inspections(session_of(options), options.device)
    return show(options, "inspections", rows)


def due(options: Namespace) -> int:
    """Which inspections are due."""
    on, inspections = follow_up.due(session_of(options), options.on, options.within)
    if options.json:
        print(as_json.dumps(as_json.due(on, inspections)))
        return 0
    from durability.report import tables

    tables.due(on, inspections)
    return 0
