"""The keyboard session at the bench: one line a drop, each stored before the next prompt.

A drop is stored and said to be stored before anything heavy is imported; the judgement runs beside
the typing, and what is not ready within a second is shown at the next Enter.
"""

from __future__ import annotations

import shutil
import sys
import threading
from argparse import Namespace
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from durability.cli.lines import Lines
from durability.cli.logbook import session_of
from durability.errors import DurabilityError, UnusableCall
from durability.intake.hand_entry import TypedDrop, read_line, read_undo, void_keys
from durability.report import bench
from durability.workflow import logbook

if TYPE_CHECKING:
    from durability.cli.sheet_run import SheetRun
    from durability.results import BenchStanding
    from durability.workflow.recording import Limit
    from durability.workflow.session import Session

HELP = f"""\
  118               peak g
  118 6.2           peak g and pulse duration in ms
  118 h1205 t21     height reached in mm, temperature in C
  118 d2 corner 3   damage of severity 2 (0 to 4) seen on the case, and where
  118 # words       a note
  118 v1            stored, but void; keys: {void_keys()}
  118 void: words   the same with words of your own
  v4                a drop without a reading: it happened, and counts for the device
  u, u1, undo: why  void the last drop
  file PATH         a waveform file as the drop
  Enter             time since the last drop, and the trend so far
  q                 end (so does the end of the input)"""

PROMPT_WAIT_S = 1.0
"""How long the next prompt waits for the judgement."""
LONG_REST_S = 12 * 3600
"""A longer pause is no rest between drops but another day."""


def record(options: Namespace) -> int:
    """Record drops line by line, from the keyboard or a pipe."""
    from durability.workflow.recording_limits import checked_limit

    return _BenchSession(options, checked_limit(options.limit_g, options.limit_rise)).run()


class _BenchSession:
    """One sitting at one series, or along a drop sheet."""

    def __init__(self, options: Namespace, limit: Limit) -> None:
        self.options = options
        self.session: Session = session_of(options)
        self.limit = limit
        self.lines = Lines()
        self.at_keyboard = sys.stdin.isatty() and not options.json
        self.width = shutil.get_terminal_size().columns
        self.refused = 0
        self.series: str = options.series
        self.found = logbook.series_to_record(self.session, self.series)
        self.number = int(self.found["last_drop_number"]) + 1
        self.last_drop_at: datetime | None = self.found["item_dropped_at"]
        self.judging = _Judging(self.session, limit)
        self.sheet: SheetRun | None = None
        if options.plan:
            from durability.cli.sheet_run import SheetRun

            self.sheet = SheetRun(self.session, self.found, options.plan)
            self.turn_to_sheet()

    # ------------------------------------------------------------------------------ the sitting

    def run(self) -> int:
        if hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(errors="replace")
        if self.at_keyboard:
            self.open()
        while True:
            words = self.ask()
            if words is None or words in ("q", "quit"):
                break
            try:
                self.take(words)
            except DurabilityError as error:
                self.refused += 1
                print(f"durability: {error}; not stored, type it again", file=sys.stderr)
                sys.stderr.flush()
            if self.sheet is not None and self.sheet.planned is None:
                self.say("every drop of the sheet is made or passed over")
                break
        self.close()
        return 1 if self.refused and not self.at_keyboard else 0

    def open(self) -> None:
        """Say what is dropped and what is missing, and have the cautions acknowledged."""
        self.judging.start(self.series, with_rig=True)
        self.say(bench.opening(self.found, self.width))
        if self.sheet is not None:
            self.say(self.sheet.opening(self.width))
        self.say(bench.cautions(self.width))
        print("Press Enter once these are understood: ", end="", flush=True)
        self.lines.next()
        self.say(self.judging.rig_lines(self.width, PROMPT_WAIT_S))
        self.show_standing()
        self.say("Type the peak in g, ? for help, q to end.")

    def close(self) -> None:
        """At the keyboard, the verdict on the series as it stands at the end."""
        if not self.at_keyboard:
            return
        self.judging.start(self.series)
        standing = self.judging.result(60.0)
        if standing is not None and standing.rig is None:
            self.say(bench.wrapped(bench.finished(standing.trend), self.width))

    def ask(self) -> str | None:
        """The next line; what is empty is answered here."""
        while True:
            if self.at_keyboard:
                print(self.prompt(), end="", flush=True)
            line = self.lines.next()
            if line is None or line.strip():
                return None if line is None else line.strip()
            if self.at_keyboard:
                if self.last_drop_at is not None:
                    self.say(f"{bench.rest(self.rest_s())} since the last drop")
                self.judging.start_unless_running(self.series)
                self.show_standing()

    def prompt(self) -> str:
        if self.sheet is not None:
            return self.sheet.prompt(self.number)
        orientation = self.found["orientation"]
        return f"drop {self.number}{f', {orientation}' if orientation else ''}> "

    def take(self, words: str) -> None:
        """Do what a line says."""
        if words == "?":
            print(HELP + (f"\n{self.sheet.HELP}" if self.sheet else ""), flush=True)
            return
        if words == "v":
            self.say(f"void, with key: {void_keys()}")
            return
        reason = read_undo(words)
        if reason is not None:
            self.undo(reason)
        elif self.sheet is not None and self.sheet.skips(words):
            self.turn_to_sheet()
        elif words.startswith("file "):
            self.add(lambda command: self.add_file(words[5:].strip(), command), words)
        else:
            self.drop(words)

    # -------------------------------------------------------------------------------- the drops

    def drop(self, words: str) -> None:
        typed_words = words
        if self.sheet is not None:
            typed_words = self.sheet.turned_aside(words)
            self.turn_to_sheet()
        self.add(lambda command: self.add_typed(read_line(typed_words), command), words)

    def add_typed(self, typed: TypedDrop, command: str) -> logbook.StoredDrop:
        notes = [typed.values.get("note")]
        rest_s = self.planned_rest_s()
        if rest_s and self.last_drop_at is not None and self.rest_s() < rest_s:
            notes.append(f"rested {bench.rest(self.rest_s())} of {bench.rest(rest_s)}")
        if self.sheet is not None:
            notes.append(self.sheet.deviation())
        note = "; ".join(each for each in notes if each) or None
        typed = replace(typed, values={**typed.values, "note": note})
        return logbook.add_drop(self.session, self.series, typed, command=command)

    def add_file(self, path: str, command: str) -> logbook.StoredDrop:
        raise UnusableCall(f"file {path}: waveform files are taken with: durability import waveforms")

    def add(self, store: Callable[[str], logbook.StoredDrop], words: str) -> None:
        """Store a drop, say so at once, then how the series stands."""
        with self.judging.store_lock:
            if self.sheet is not None:
                self.sheet.open_series(self.series)
            command = "record" if self.sheet is None else self.sheet.command()
            stored = store(command)
        resting = None if self.last_drop_at is None else self.rest_s()
        self.last_drop_at = _now()
        self.number = stored.drop_number + 1
        if self.options.json:
            from durability.report import as_json

            told = {"series": stored.series, "drop_number": stored.drop_number, "id": stored.id}
            print(as_json.dumps(told), flush=True)
        else:
            self.say(f"drop {stored.drop_number} stored: {words}{self.rest_words(resting)}")
        judged = stored.series
        if self.sheet is not None:
            told = self.sheet.dropped(stored, is_void=self.is_void(words))
            self.say(told) if told and not self.options.json else None
            self.turn_to_sheet()
        if self.options.json:
            return
        if self.at_keyboard or not self.lines.is_waiting():
            self.judging.start(judged)
            self.show_standing()

    def undo(self, reason: str) -> None:
        series, last = self.series, self.number - 1
        if self.sheet is not None:
            series, last = self.sheet.last_stored()
        if last < 1:
            raise UnusableCall("undo: no drop made yet")
        with self.judging.store_lock:
            logbook.void_drop(self.session, series, last, reason)
        self.say(f"drop {last} is void ({reason}); it keeps its number")
        if self.sheet is not None:
            self.sheet.undone()
            self.turn_to_sheet()
        if self.at_keyboard:
            self.judging.start(series)
            self.show_standing()

    # ------------------------------------------------------------------------------ what is told

    def rest_s(self) -> float:
        last = self.last_drop_at or _now()
        return (_now() - last).total_seconds()

    def rest_words(self, resting: float | None) -> str:
        if resting is None or not 0 <= resting < LONG_REST_S:
            return ""
        planned = self.planned_rest_s()
        short = f", planned {bench.rest(planned)}: TOO SHORT" if resting < planned else ""
        return f" ({bench.rest(resting)} after the drop before{short})"

    def planned_rest_s(self) -> float:
        if self.sheet is not None and self.sheet.planned is not None:
            return float(self.sheet.planned.rest_s)
        return float(self.options.rest_s or 0.0)

    def show_standing(self) -> None:
        """How the series stands, if that is known within a moment."""
        standing = self.judging.result(PROMPT_WAIT_S if self.at_keyboard else None)
        if standing is not None:
            self.say(bench.standing(standing, self.width, plot=self.at_keyboard))
        elif self.judging.fault:
            self.say(self.judging.fault)
        else:
            self.say("still judging; Enter shows it")

    def say(self, words: str) -> None:
        if words:
            print(words.replace("–", "-"), flush=True)
