"""The keyboard session at the bench: one line a drop, each stored before the next prompt."""

from __future__ import annotations

import sys
from argparse import Namespace

from durability.cli.logbook import acknowledged, session_of, warn, warn_of_drop
from durability.errors import DurabilityError
from durability.intake.hand_entry import TypedDrop, read_line
from durability.report import labels
from durability.report.terminal import wrapped
from durability.workflow import logbook

HELP = """\
  118               peak g
  118 6.2           peak g and pulse duration in ms
  118 d2 corner 3   damage of severity 2 seen on the case, and where
  118 # words       a note
  118 void: reason  stored, but does not count
  void: reason      a drop without a reading: it happened, and is counted for the device
  undo              void the last drop
  ?                 this help
  q                 end (so does the end of the input)"""


def record(options: Namespace) -> int:
    """Record drops line by line, from the keyboard or a pipe."""
    session = session_of(options)
    found = logbook.series_to_record(session, options.series)
    at_keyboard = sys.stdin.isatty() and not options.json
    if at_keyboard:
        print(f"{options.series}: {labels.series_words(found)}")
        for missing in found["missing"]:
            print(f"! {missing}")
        for caution in labels.CAUTIONS:
            print(wrapped(f"! {caution}", sys.stdout))
        if found["cracked_glass"]:
            print(wrapped(f"! {found['device']}: {labels.EYE_PROTECTION}", sys.stdout))
        print("Type the peak in g, ? for help, q to end.")
    number = int(found["last_drop_number"]) + 1
    refused = 0
    while True:
        if at_keyboard:
            print(f"drop {number}> ", end="", flush=True)
        line = sys.stdin.readline()
        words = line.strip()
        if not line or words in ("q", "quit"):
            break
        if not words:
            continue
        if words == "?":
            print(HELP)
            continue
        try:
            if words.split()[0] == "undo":
                number = _undo(options, number)
            else:
                typed = read_line(words)
                stored = logbook.add_drop(session, options.series, typed)
                number = stored.drop_number + 1
                _acknowledge(options, stored, words, typed)
                if stored.quarantine and at_keyboard:
                    break
        except DurabilityError as error:
            refused += 1
            print(f"durability: {error}; not stored, type it again", file=sys.stderr)
    if found["device_kind"] == "device" and number > 1 and not options.json:
        warn(labels.storage_lines(found["device"]))
    return 1 if refused and not at_keyboard else 0


def _undo(options: Namespace, number: int) -> int:
    last = number - 1
    logbook.void_drop(session_of(options), options.series, last, "undone at the bench")
    print(f"drop {last} is void (undone at the bench); it keeps its number")
    return number


def _acknowledge(
    options: Namespace, stored: logbook.StoredDrop, words: str, typed: TypedDrop
) -> None:
    """Say that the drop is stored at once; the judgement may take a moment longer."""
    if options.json:
        from durability.report import as_json

        print(as_json.dumps(acknowledged(stored)), flush=True)
        warn_of_drop(stored, typed.values)
        return
    print(f"drop {stored.drop_number} stored: {words}", flush=True)
    warn_of_drop(stored, typed.values)
    if stored.quarantine is not None:
        return
    from durability.workflow import judge

    for result in judge.judge_series(session_of(options), [options.series]):
        print(labels.trend_sentence(result), flush=True)
