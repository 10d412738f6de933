"""Commands of the follow-up: plans, inspections typed or walked through, what is due."""

from __future__ import annotations

import shutil
import sys
from argparse import Namespace
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from durability.cli.keyboard import Pipe, ask, input_of, read_key
from durability.cli.logbook import say, session_of, show, under_of, warn, warn_of
from durability.cli.output import show as show_answer
from durability.cli.output import tell, write
from durability.devices.results import DueList
from durability.intake.bench_lines import (
    OUTCOME_KEYS,
    read_answer,
    read_measured,
    read_ticks,
)
from durability.record import clock
from durability.record.basis import counted
from durability.record.errors import UnusableCall, complain
from durability.record.records import FunctionalCheck, Walk
from durability.record.whole_file import written_beside
from durability.report import labels, safety
from durability.report.answers import follow_up as shown
from durability.report.terminal import printable, wrapped
from durability.workflow import check_lists, follow_up, inspection, photos
from durability.workflow import devices as declaration
from durability.workflow.specimens import specimen_meant

KEYS = "p pass  d degraded  f fail  n not tested  m measured  # note  b back  q stop"
KEY_WORDS = {
    **{key: outcome.replace("_", " ") for key, outcome in OUTCOME_KEYS.items()},
    "b": "back",
    "m": "measured",
    "#": "note",
    "?": "help",
}
HELP = """\
  p        pass                  one key each, no Enter
  d, f     degraded, fail        then what is seen; Enter for no words
  n        not tested            never counts as a pass
  m        a measured value with its unit, like 5.2 mm; then the outcome
  #        a note; then the outcome
  b        back to the function before; its first answer stays in the record
  q        stop: what was answered is stored, the same command continues it"""


class _Stopped(Exception):
    """The inspector stops here."""


class _Back(Exception):
    """The inspector goes back to the function before."""


def add_photos(options: Namespace) -> int:
    """Keep photos of an inspection."""
    told = photos.add_to_inspection(
        session_of(options),
        options.device,
        options.files,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
        function=options.function,
    )
    several = counted(len(told["photos"]), "photo")
    of = f", {told['function']}" if told["function"] else ""
    when = f"{told['inspected_at']:%Y-%m-%d %H:%M}"
    return say(options, told, f"{several} kept of the inspection of {told['device']} on {when}{of}")


def walk(options: Namespace) -> int:
    """Walk through the functions of a device's plan."""
    session = session_of(options)
    looked = inspection.begin_walk(
        session,
        options.device,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
        is_blind=options.blind,
    )
    was_suspect = looked.quarantine is not None
    if looked.quarantine is not None:
        warn(safety.quarantine_lines(looked.quarantine))
    if not options.json:
        for line in shown.walk_lines(looked):
            tell(wrapped(printable(line), sys.stdout))
    looked, is_whole = _go_through(options, looked)
    if looked.quarantine is not None and not was_suspect:
        warn(safety.quarantine_lines(looked.quarantine))
    if is_whole:
        inspection.finish_walk(session, looked)
    told = {
        "device": options.device,
        "inspected_at": looked.inspected_at,
        "checks": len(looked.checks),
        "failed": looked.failed,
        "finished": is_whole,
        "blind": looked.is_blind,
        "quarantined": looked.quarantine is not None,
    }
    say(options, told, printable(shown.walk_end(looked, is_whole=is_whole)))
    if is_whole and not options.json and looked.quarantine is None:
        # Only now: whoever inspects must not be led by what the model expects to be found.
        from durability.workflow.devices import expect_device

        expected = expect_device(session, options.device, looked.inspected_at)
        words = printable(shown.expectation(options.device, expected))
        tell(wrapped(words, sys.stdout))
    return 0


def _go_through(options: Namespace, looked: Walk) -> tuple[Walk, bool]:
    """Ask function by function; the walk as it ended, and whether every one was answered."""
    session = session_of(options)
    source = input_of(options)
    at_keyboard = source.isatty() and not options.json
    lines = Pipe(source)

    def ask(looked: Walk, at: int) -> FunctionalCheck:
        return _ask_at_keyboard(looked, at) if at_keyboard else _ask_line(lines, looked, at)

    if at_keyboard:
        print(KEYS)
    unanswered = (n for n, name in enumerate(looked.functions) if name not in looked.checks)
    at = next(unanswered, len(looked.functions))
    was_suspect = looked.quarantine is not None
    while True:
        try:
            if at == len(looked.functions):
                if at_keyboard:
                    _confirm()
                return looked, True
            function = looked.functions[at]
            answer = ask(looked, at)
            looked = inspection.answer_walk(session, looked, function, answer)
        except _Back:
            at = max(at - 1, 0)
            continue
        except _Stopped:
            return looked, False
        if not at_keyboard and not options.json:
            tell(printable(f"{function}: {shown.check_words(answer)}"))
        if looked.quarantine is not None and not was_suspect:
            return looked, False
        at += 1


def _confirm() -> None:
    if read_key("all answered: any key finishes, b goes back > ", {}) == "b":
        raise _Back


def _ask_line(lines: Pipe, looked: Walk, at: int) -> FunctionalCheck:
    """The next line of a pipe; one that can't be read ends it, or the later ones would shift."""
    words = ""
    while not words:
        line = lines.next("")
        words = (line or "").strip()
        if line is None or words in ("q", "quit"):
            raise _Stopped
    if words == "b":
        raise _Back
    function = looked.functions[at]
    try:
        return read_answer(words, shown.usual_unit(looked, function))
    except UnusableCall as error:
        raise UnusableCall(
            f"{function}: {error}; stopped there with {len(looked.checks)} answers stored"
        ) from None


def _ask_at_keyboard(looked: Walk, at: int) -> FunctionalCheck:
    """One key, and words only where they are wanted."""
    unit = shown.usual_unit(looked, looked.functions[at])
    draft = FunctionalCheck("not_tested")
    while True:
        width = shutil.get_terminal_size().columns
        key = read_key(shown.question(looked, at, draft, width), KEY_WORDS)
        if key in OUTCOME_KEYS:
            outcome = OUTCOME_KEYS[key]
            note = draft.note
            if outcome in ("degraded", "fail"):
                signs = _ticked() if looked.functions[at] in looked.battery_looks else None
                if note is None:
                    note = _typed("   what is seen (Enter: no words): ")
                note = "; ".join(words for words in (signs, note) if words) or None
            return replace(draft, outcome=outcome, note=note)
        if key == "b":
            raise _Back
        if key in ("q", ""):
            raise _Stopped
        if key == "#":
            draft = replace(draft, note=_typed("   note: "))
        elif key == "m":
            draft = _measured(draft, unit)
        else:
            print(HELP if key == "?" else KEYS)


def _ticked() -> str:
    """Signs of a failing battery, by their letters."""
    keys = [f"{letter} {sign}" for letter, sign in safety.BATTERY_SIGN_KEYS.items()]
    for some in (keys[:4], keys[4:]):  # a narrow terminal would break a line within a word
        print("   " + "  ".join(some))
    typed = _typed("   signs, by their letters or in words (Enter: none of these): ") or ""
    return read_ticks(typed, safety.BATTERY_SIGN_KEYS)


def _measured(draft: FunctionalCheck, unit: str | None) -> FunctionalCheck:
    words = _typed(f"   measured ({unit or 'with its unit, like 5.2 mm'}): ")
    if words is None:
        return draft
    try:
        number, unit = read_measured(words, unit)
    except UnusableCall as error:
        print(printable(f"   {error}"))
        return draft
    return replace(draft, measured=number, unit=unit)


def _typed(prompt: str) -> str | None:
    """A line of words; None when there are none."""
    return (ask(prompt) or "").strip() or None


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
            f"uses {listed.name} ({counted(len(listed.checked), 'function')}, version"
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
        with written_beside(file, is_new=True) as partial:
            partial.write_bytes(text.encode())
    except FileExistsError:
        raise UnusableCall(f"{file}: already exists; name another file") from None
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
    options.device = specimen_meant(session_of(options), options.device)
    if not options.checks:
        return walk(options)
    told = inspection.record_inspection(
        session_of(options),
        options.device,
        options.checks,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
        is_blind=options.blind,
    )
    kept, listed = told.pop("quarantine"), told.pop("listed")
    told["quarantined"] = kept is not None
    charged = told["charged_in_quarantine"]
    failed = f"; FAILED: {', '.join(told['failed'])}" if told["failed"] else ""
    words = f"{counted(told['checks'], 'function')} of {told['device']} recorded{failed}"
    say(options, told, words)
    warn(_misspelt(inspection.read_checks(options.checks), listed, told["device"]))
    warn_of(kept)
    if charged:
        warn([safety.charged_in_quarantine(options.device, charged)])
    return 0


def _misspelt(
    checks: Iterable[tuple[str, FunctionalCheck]], listed: Sequence[str], device: str
) -> list[str]:
    """Functions that a check list does not have and that resemble one that it has."""
    from difflib import get_close_matches

    return [
        f"{function!r} is not on the check list of {device}; nearest: {near[0]}. Recorded as typed;"
        f" if misspelt, record {near[0]} too"
        for function, _ in checks
        if function not in listed and (near := get_close_matches(function, listed, n=1))
    ]


def amend(options: Namespace) -> int:
    """Correct one functional check."""
    typed = options.device  # which may be the second code of one thing
    kept = inspection.amend_check(
        session_of(options),
        options.device,
        typed,
        options.function,
        options.changes,
        options.reason,
        inspected_at=options.inspected_at,
        inspector=options.inspector,
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
"""How far a calendar reaches unless a date is given: a year of plans."""
STANDARD_OUTPUT = "-"
"""File of ``--mail`` where none is named."""


def due(options: Namespace) -> int:
    """Which inspections are due."""
    within = options.within
    if within is None:
        within = CALENDAR_DAYS if options.calendar else 0
    if options.to is not None and not options.mail:
        raise UnusableCall("--to: goes with --mail")
    if options.mail == STANDARD_OUTPUT and options.json:
        raise UnusableCall("--mail: is written to standard output; beside --json name a file")
    owed = follow_up.due(session_of(options), options.on, within, under_of(options))
    if options.calendar:
        from durability.report.answers.follow_up import due_calendar

        write(Path(options.calendar), due_calendar(owed), "--calendar")
    if options.form:
        _write_form(options, owed)
    from durability.report.answers import follow_up as answer
    from durability.report.blocks import Words

    files = {"calendar": options.calendar, "form": options.form, "mail": options.mail}
    written = []
    if options.calendar:
        written.append(Words(answer.calendar_line(options.calendar, owed)))
    if options.form:
        written.append(Words(answer.form_line(options.form)))
    if options.mail:
        try:
            message = answer.due_mail(owed, within, clock.now(), options.to)
        except ValueError:
            raise UnusableCall(f"--to {options.to!r}: no address, like lab@example.org") from None
        text = "" if message is None else message.as_string()
        line = answer.mail_line(options.mail, message)
        if options.mail == STANDARD_OUTPUT:
            print(text, end="")
            if message is None and sys.stderr.isatty():
                complain(line)
            return 0
        write(Path(options.mail), text, "--mail")
        written.append(Words(line))
    return show_answer(
        options,
        [*answer.due_blocks(owed, within), *written],
        lambda: {**answer.json(owed), **files},
    )


def _write_form(options: Namespace, owed: DueList) -> None:
    from durability.report.answers.query import as_csv

    rows = follow_up.form_rows(session_of(options), [each.device for each in owed.due])
    if not rows:
        raise UnusableCall("--form: nothing is due, so there is nothing to fill in")
    values = [list(row.values()) for row in rows]
    _write_new(Path(options.form), as_csv(list(rows[0]), values))
