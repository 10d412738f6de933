"""Commands of the follow-up: plans, inspections, what is due."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from durability.cli.logbook import say, session_of, show, warn, warn_of
from durability.cli.show import show as show_answer
from durability.devices.results import DueList
from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.report import labels, safety
from durability.workflow import check_lists, declaration, follow_up, inspection


def schedule(options: Namespace) -> int:
    """Show, make or assign a follow-up plan."""
    session = session_of(options)
    if options.plan is None:
        if options.stage or options.device or options.device_model:
            raise UnusableCall("plan: missing; name the plan to make or assign")
        lists = follow_up.lists_of_plans(session)
        rows = [
            {
                "name": plan.name,
                "anchor": plan.anchor,
                "stages": [f"{name} ({days})" for name, days in plan.stages],
                "check_list": labels.check_list(lists[plan.name]),
                "functions": list(plan.functions),
            }
            for plan in follow_up.plans(session)
        ]
        return show(options, "plans", rows)
    told = {"plan": options.plan, "device": options.device, "device_model": options.device_model}
    done = []
    if options.stage:
        follow_up.make_plan(
            session, options.plan, options.stage, options.anchor, options.check_list
        )
        done.append("made")
    elif options.check_list:
        listed = follow_up.change_list(session, options.plan, options.check_list)
        told["check_list"] = listed.sha256
        done.append(
            f"goes through {listed.name} ({counted(len(listed.checked), 'function')}, version"
            f" {labels.digest(listed.sha256)}) from now on"
        )
    if options.device:
        follow_up.assign_plan(session, options.plan, device=options.device, device_model=None)
        done.append(f"followed by {options.device}")
    if options.device_model:
        follow_up.assign_plan(session, options.plan, device=None, device_model=options.device_model)
        done.append(f"followed by every {options.device_model}")
    if not done:
        raise UnusableCall(
            "--stage, --check-list, --device or --device-model: one is needed beside a plan"
        )
    say(options, told, f"plan {options.plan}: {', '.join(done)}")
    if options.device_model:
        following, controls = follow_up.controls_of_plan(session, options.plan)
        warn(safety.few_controls(following, controls))
    return 0


def check_list(options: Namespace) -> int:
    """List the check lists, or write one out to be edited."""
    session = session_of(options)
    if options.name is None:
        if options.output:
            raise UnusableCall("-o: no list named; name the one to write")
        return show(options, "check_lists", check_lists.known_lists(session))
    name, text = check_lists.list_text(session, options.name)
    if options.output:
        _write_new(Path(options.output), text)
    told = {"check_list": name, "text": text, "file": options.output}
    words = text.rstrip()
    if options.output:
        words = (
            f"{options.output}: written; edit it, then: durability inspect schedule PLAN"
            f" --check-list {options.output}"
        )
    return say(options, told, words)


def _write_new(file: Path, text: str) -> None:
    """Write a file that is not there yet: one that was filled in must not be lost."""
    try:
        with file.open("x", encoding="utf-8", newline="") as opened:
            opened.write(text)
    except FileExistsError:
        raise UnusableCall(f"{file}: is there already; name another file") from None
    except OSError as error:
        raise UnusableCall(f"{file}: can't be written ({error.strerror})") from None


def declare(options: Namespace) -> int:
    """Declare the shock dose that is to be held against later failures."""
    session = session_of(options)
    declaration.declare_dose(session, options.exponent, options.without_reading, options.reason)
    told = {
        "exponent": options.exponent,
        "without_reading": options.without_reading,
        "declared_by": session.person,
    }
    words = f"declared by {session.person}: b = {options.exponent}; durability latent says whether"
    return say(options, told, f"{words} that was before the first follow-up inspection")


def record(options: Namespace) -> int:
    """Record one inspection: at once when its checks are given, else function by function."""
    if not options.checks:
        from durability.cli import inspection as at_keyboard

        return at_keyboard.walk(options)
    told = inspection.record_inspection(
        session_of(options),
        options.device,
        options.checks,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
        is_blind=options.blind,
    )
    kept = told.pop("quarantine")
    told["quarantined"] = kept is not None
    charged = told["charged_in_quarantine"]
    failed = f"; FAILED: {', '.join(told['failed'])}" if told["failed"] else ""
    say(options, told, f"{told['checks']} functions of {told['device']} recorded{failed}")
    warn_of(kept)
    if charged:
        warn([safety.charged_in_quarantine(options.device, charged)])
    return 0


def amend(options: Namespace) -> int:
    """Correct one functional check."""
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
    found = follow_up.device_follow_up(session, options.device, options.on)
    from durability.report.answers import follow_up as answer

    return show_answer(options, answer.blocks(found), lambda: found)


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
    if options.form:
        _write_form(options, owed)
    from durability.report.answers import due as answer
    from durability.report.blocks import Words

    files = {"calendar": options.calendar, "form": options.form}
    written = []
    if options.calendar:
        written.append(Words(answer.calendar_line(options.calendar, owed)))
    if options.form:
        written.append(Words(answer.form_line(options.form)))
    return show_answer(
        options,
        [*answer.blocks(owed, within), *written],
        lambda: {**answer.json(owed), **files},
    )


def _write_form(options: Namespace, owed: DueList) -> None:
    from durability.report.answers.query import as_csv

    rows = follow_up.form_rows(session_of(options), [each.device for each in owed.due])
    if not rows:
        raise UnusableCall("--form: nothing is due, so there is nothing to fill in")
    values = [list(row.values()) for row in rows]
    _write_new(Path(options.form), as_csv(list(rows[0]), values))


def _write_calendar(file: Path, owed: DueList) -> None:
    from durability.report.calendar import due_calendar

    try:
        file.write_bytes(due_calendar(owed))
    except OSError as error:
        raise UnusableCall(f"--calendar {file}: can't be written ({error.strerror})") from None
