"""An inspection at the keyboard or from a pipe: one key a function, each answer stored at once."""

from __future__ import annotations

import shutil
import sys
from argparse import Namespace
from collections.abc import Callable
from dataclasses import replace

from durability.cli.logbook import say, session_of, warn
from durability.intake.hand_entry import OUTCOME_KEYS, read_answer, read_measured
from durability.record.errors import UnusableCall
from durability.record.records import FunctionalCheck, Walk
from durability.report import safety
from durability.report.answers import inspection as shown
from durability.report.terminal import keys, printable, wrapped
from durability.workflow import inspection

KEYS = "p pass  d degraded  f fail  n not tested  m measured  # note  b back  q stop"
HELP = """\
  p        pass                  one key each, no Enter
  d, f     degraded, fail        then what is seen; Enter for no words
  n        not tested            never counts as a pass
  m        a measured value with its unit, like 5.2 mm; then the outcome
  #        a note; then the outcome
  b        back to the function before; its first answer stays in the record
  q        stop: what was answered is stored, the same command goes on with it"""


class _Stopped(Exception):
    """The inspector stops here."""


class _Back(Exception):
    """The inspector goes back to the function before."""


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
            print(wrapped(printable(line), sys.stdout), flush=True)
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
        # Only now: whoever looks must not be led by what the model expects to be found.
        from durability.workflow.devices import expect_device

        expected = expect_device(session, options.device, looked.inspected_at)
        words = printable(shown.expectation(options.device, expected))
        print(wrapped(words, sys.stdout))
    return 0


def _go_through(options: Namespace, looked: Walk) -> tuple[Walk, bool]:
    """Ask function by function; the walk as it ended, and whether every one was answered."""
    session = session_of(options)
    at_keyboard = sys.stdin.isatty() and not options.json
    ask: Callable[[Walk, int], FunctionalCheck] = _ask_at_keyboard if at_keyboard else _ask_line
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
            print(printable(f"{function}: {shown.check_words(answer)}"), flush=True)
        if looked.quarantine is not None and not was_suspect:
            return looked, False
        at += 1


def _confirm() -> None:
    print("all answered: any key finishes, b goes back > ", end="", flush=True)
    with keys() as read_key:
        key = read_key()
    print()
    if key == "b":
        raise _Back


def _ask_line(looked: Walk, at: int) -> FunctionalCheck:
    """The next line of a pipe; one that can't be read ends it, or the later ones would shift."""
    words = ""
    while not words:
        line = sys.stdin.readline()
        words = line.strip()
        if not line or words in ("q", "quit"):
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
        print(printable(shown.question(looked, at, draft, width)), end="", flush=True)
        with keys() as read_key:
            key = read_key()
        if key in OUTCOME_KEYS:
            outcome = OUTCOME_KEYS[key]
            print(outcome.replace("_", " "))
            note = draft.note
            if outcome in ("degraded", "fail"):
                signs = _ticked() if looked.functions[at] in looked.battery_looks else None
                if note is None:
                    note = _typed("   what is seen (Enter: no words): ")
                note = "; ".join(words for words in (signs, note) if words) or None
            return replace(draft, outcome=outcome, note=note)
        print({"b": "back", "m": "measured", "#": "note", "?": "help"}.get(key, ""))
        if key == "b":
            raise _Back
        if key in ("q", "", "\x04"):
            raise _Stopped
        if key == "#":
            draft = replace(draft, note=_typed("   note: "))
        elif key == "m":
            draft = _measured(draft, unit)
        else:
            print(HELP if key == "?" else KEYS)


def _ticked() -> str | None:
    """Signs of a failing battery, by their letters."""
    print(
        "   " + "  ".join(f"{letter} {sign}" for letter, sign in safety.BATTERY_SIGN_KEYS.items())
    )
    letters = _typed("   signs, by their letters (Enter: none of these): ") or ""
    return ", ".join(
        sign for letter, sign in safety.BATTERY_SIGN_KEYS.items() if letter in letters.lower()
    )


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
    try:
        return input(printable(prompt)).strip() or None
    except EOFError:
        print()
        return None
