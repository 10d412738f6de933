"""The keyboard session at the bench: one line a drop, each stored before the next prompt."""

from __future__ import annotations

import shutil
import threading
from argparse import Namespace
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from durability.cli.keyboard import Keyboard, Pipe, ask, input_of, show
from durability.cli.logbook import acknowledged, limit_of, session_of, warn, warn_of_drop
from durability.cli.output import set_by, tell
from durability.intake.hand_entry import (
    TypedDrop,
    read_correction,
    read_line,
    read_never,
    read_undo,
    typed_value,
    void_keys,
)
from durability.record import clock, units
from durability.record.basis import counted
from durability.record.errors import (
    HEARD,
    CaseUnfit,
    DurabilityError,
    UnusableCall,
    complain,
)
from durability.record.receipts import StoredDrop
from durability.report import bench, labels, safety
from durability.report.answers import beside
from durability.report.terminal import printable
from durability.workflow import corrections, keep
from durability.workflow.series import acknowledge_cautions, series_to_record
from durability.workflow.specimens import specimen_scanned

if TYPE_CHECKING:
    from durability.rig.results import RigWatch
    from durability.workflow.measuring import RecordOptions
    from durability.workflow.results import BenchStanding, Limit
    from durability.workflow.session import Session
    from durability.workflow.sheet_run import SheetRun


class Judging:
    """One judgement at a time, in a thread of its own.

    Parameters
    ----------
    session : Session
        Store and person.
    limit : Limit
        Where the case fails.
    """

    def __init__(self, session: Session, limit: Limit) -> None:
        self.store_lock = threading.Lock()
        """Held while this process reads or writes the store: one at a time."""
        self._session = session
        self._limit = limit
        self._thread: threading.Thread | None = None
        self._standing: BenchStanding | None = None
        self._rigs: list[RigWatch] = []
        self._fault = ""
        self._wanted = 0

    def start(self, series: str, *, with_rigs: bool = False) -> None:
        """Judge a series as it stands; an earlier judgement still running is forgotten."""
        self._wanted += 1
        self._standing, self._fault = None, ""
        self._thread = threading.Thread(target=self._judge, args=(series, self._wanted, with_rigs))
        self._thread.start()

    def result(self, wait_s: float | None) -> tuple[BenchStanding | None, str]:
        """The standing, or None with what went wrong, or None and "" while it is not known."""
        if self._thread is not None:
            self._thread.join(wait_s)
        return self._standing, self._fault

    def take_rigs(self) -> list[RigWatch]:
        """How the rig fares, if that was asked for, is known and was not taken before."""
        rigs, self._rigs = self._rigs, []
        return rigs

    def _judge(self, series: str, wanted: int, with_rigs: bool) -> None:  # noqa: FBT001
        try:
            from durability.workflow import rig
            from durability.workflow import sheet_run as recording

            with self.store_lock:
                found = recording.fetch_so_far(self._session, series)
            standing = recording.judge_so_far(found, self._limit)
            if with_rigs and found.rig is None:
                with self.store_lock:
                    self._rigs = rig.watch(self._session)
        except DurabilityError as error:
            if wanted == self._wanted:
                self._fault = f"no judgement: {error}"
            return
        if wanted == self._wanted:
            self._standing = standing


HELP = """\
  118               peak g
  118 6.2           peak g and pulse duration in ms
  118 h1205 t21     height reached in mm, temperature in C; or with their
                    units: 1180m/s2 h48in t70F
  118 d2 corner 3   damage of severity 2 (0 to 4) seen on the case, and where
  118 d2/crack      and its mode in a fixed word: d2/x lists them
  118 # words       a note
  118 v1            stored, but void; v alone lists the keys 1 to 6
  118 void: words   the same with words of your own
  v4                a drop without a reading: it counts for the device
  c 125   c 7 125   correct the peak of the last drop, or of drop 7
  u   u1   u: words void the last drop: it was made, its reading does not count
  never   never 7   an entry made twice: no drop was made
  file PATH # words a waveform file in place of what is typed, and a note
  Enter             time since the last drop, and the trend so far
  cautions          those of the start again
  q                 end (so does the end of the input)"""
SHEET_HELP = """\
  118 instead edge 1-2: why   another orientation than planned
  skip: why                   pass over the planned drop"""

FILE = "file "
FILE_OPTIONS = (
    *("recorder", "channel", "cross_channels", "units", "mv_per_g", "gain", "full_scale_g"),
    *("sample_rate_hz", "time_unit", "delimiter", "decimal", "encoding", "first_line"),
    *("low_pass_hz", "channel_class"),
)
"""Options that say how a waveform file is read and measured."""

PROMPT_WAIT_S = 0.5
"""How long the next prompt waits for the judgement."""
LONG_REST_S = 12 * 3600
"""A longer pause is no rest between drops but another day."""


def record(options: Namespace) -> int:
    """Record drops line by line, from the keyboard or a pipe."""
    if options.rest_s is not None and not options.rest_s >= 0:
        raise UnusableCall(f"--rest-s {options.rest_s}: not a number of seconds, 0 or more")
    session = _BenchSession(options, limit_of(options))
    if any(getattr(options, name) for name in FILE_OPTIONS):
        session.read_files_as_told()  # loads more than a session without files needs
    return session.run()


class _BenchSession:
    """One sitting at one series, or along a drop sheet."""

    def __init__(self, options: Namespace, limit: Limit) -> None:
        self.options = options
        self.session = session_of(options)
        self.found = series_to_record(self.session, options.series)
        self.series: str = self.found["series"]
        self.number = int(self.found["last_drop_number"]) + 1
        self.dropped_at: datetime | None = self.found["item_dropped_at"]
        self.sheet: SheetRun | None = None
        if options.plan:
            from durability.workflow.sheet_run import SheetRun

            self.sheet = SheetRun(self.session, self.found, Path(options.plan))
        self.judging = Judging(self.session, limit)
        self.at_keyboard = input_of(options).isatty() and not options.json
        self.lines: Keyboard | Pipe
        self.despite_failed: str | None = options.despite_failed
        """Why a case that has failed is dropped all the same; at the keyboard it is asked once."""
        unfit = None if self.sheet else self.found["unfit_case"]
        if unfit and self.despite_failed is None and not self.at_keyboard:
            raise CaseUnfit(unfit)
        self.cases_named: set[str] = set()
        """Those that are known to have been dropped after they had failed."""
        self.signals: dict[str, set[str]] = {}
        """What was signalled in each series: it stands out once."""
        self.refused = 0
        self.is_over = False
        """No further drop: the device is in quarantine, or the input ended at the cautions."""
        self.to_tell: str | None = None
        """Series that is still to be judged."""
        self.is_awaited = False
        """A standing that was not known in time is shown while the next line is typed."""
        self.file_options: RecordOptions | None = None
        """How waveform files are read, once one was asked for."""

    @property
    def width(self) -> int:
        """Of the terminal, as it is now; a page breaks its lines itself."""
        return bench.WIDE if HEARD.get() is not None else shutil.get_terminal_size().columns

    def run(self) -> int:
        """Until q or the end of the input; exit status."""
        try:
            self._sit()
        finally:  # an interruption too leaves a device to be put away
            if self.found["device_kind"] == "device" and self.number > 1 and not self.options.json:
                warn(safety.storage_lines(self.found["device"]))
        return 1 if self.refused and not self.at_keyboard else 0

    def _sit(self) -> None:
        """Take line after line, and say at the end how the series stands."""
        if self.at_keyboard:
            self._open()
        else:
            self.lines = Pipe(input_of(self.options))
        while not self.is_over and (self.sheet is None or self.sheet.planned is not None):
            words = self._ask()
            if words is None or words in ("q", "quit"):
                break
            try:
                try:
                    self._take(words)
                except CaseUnfit as unfit:
                    self._ask_why(unfit)
                    self._take(words)
            except DurabilityError as error:
                self.refused += 1
                complain(f"durability: {bench.of_a_line(str(error))}; not stored, type it again")
            if not self.lines.is_waiting():
                self._tell()
        else:
            self._refuse_rest()
        self._tell()
        if self.sheet is not None:
            self._say(self.sheet.progress())
        elif self.at_keyboard:
            self._close()

    def _refuse_rest(self) -> None:
        """Say which lines of a pipe came after the last drop that could be made."""
        left = list(self.lines.left()) if isinstance(self.lines, Pipe) else []
        left = left[: left.index("q")] if "q" in left else left
        if not left:
            return
        self.refused += len(left)
        why = "every drop of the sheet is made or passed over"
        if self.is_over:
            device = self.found["device"]
            why = f"{device} is in quarantine (made already: drop add --despite-quarantine WHY)"
        lines = counted(len(left), "line")
        complain(f"durability: {left[0]!r}: {why}; {lines} from there on not stored")

    # ------------------------------------------------------------------------- begin and end

    def _open(self) -> None:
        """Say what is dropped and what is missing, and have the cautions acknowledged."""
        self._say(bench.opening(self.found, self.width))
        if self.sheet is not None:
            for words in self.sheet.opening():
                self._say(bench.wrapped(words, self.width))
        for block in beside.set_otherwise(set_by(self.options)):
            self._say(bench.wrapped(block.text, self.width))
        acknowledged = self.found["cautions_acknowledged_at"]
        if acknowledged is None:
            self._say(bench.cautions(self.width))
        else:
            self._say(bench.acknowledged(self.session.person, acknowledged, self.width))
        if self.found["cracked_glass"]:
            glass = f"! {self.found['device']}: {safety.EYE_PROTECTION}"
            self._say(bench.wrapped(glass, self.width))
        self.lines = Keyboard()  # loaded while that is read, before judging takes the processor
        self.judging.start(self.series, with_rigs=True)
        if acknowledged is None:
            if ask("Press Enter once these are understood: ") is None:
                self.is_over = True
                return
            with self.judging.store_lock:
                acknowledge_cautions(self.session)
        if self.sheet is None and self.found["unfit_case"] and self.despite_failed is None:
            self._ask_why(CaseUnfit(self.found["unfit_case"]))
        if self.sheet is None:
            self._show_standing()
        self._say("Type the peak in g, ? for help, q to end.")

    def _ask_why(self, unfit: CaseUnfit) -> None:
        """Ask at the keyboard why an unfit case is dropped all the same."""
        if not self.at_keyboard or self.despite_failed is not None:
            raise unfit
        self._say(bench.wrapped(f"{unfit.what}.", self.width))
        self.despite_failed = (ask("Why drop it anyway? ") or "").strip() or None
        if self.despite_failed is None:
            raise unfit

    def _close(self) -> None:
        """The verdict on the series judged once, as it stands at the end."""
        self.judging.start(self.series)
        standing, _ = self.judging.result(None)
        if standing is not None and standing.rig is None:
            self._say(bench.wrapped(bench.finished(standing.trend), self.width))

    # -------------------------------------------------------------------------------- lines

    def _ask(self) -> str | None:
        """The next line that says something; an empty one is answered here."""
        while True:
            meanwhile = self._standing if self.is_awaited else None
            line = self.lines.next(self._prompt(), meanwhile=meanwhile)
            if line is None or line.strip():
                return None if line is None else line.strip()
            if self.at_keyboard:
                if self.dropped_at is not None:
                    self._say(f"{labels.rest(self._rest_s())} since the last drop")
                self._show_standing()

    def _prompt(self) -> str:
        if self.sheet is not None:
            return f"{self.sheet.prompt()}> "
        orientation = self.found["orientation"]
        return f"drop {self.number}{f', {orientation}' if orientation else ''}> "

    def _take(self, words: str) -> None:
        """Do what a line says."""
        if self._is_scan(words):
            return
        if words == "cautions":
            self._say(bench.cautions(self.width))
        elif words == "?":
            self._say(HELP if self.sheet is None else f"{HELP}\n{SHEET_HELP}")
        elif words == "v":
            self._say(bench.wrapped(f"void keys: {void_keys()}", self.width))
        elif (reason := read_undo(words)) is not None:
            self._undo(reason)
        elif (right := read_correction(words)) is not None:
            self._correct(*right)
        elif (never := read_never(words)) is not None:
            self._never(*never)
        elif self.sheet is not None and self.sheet.is_skip(words):
            with self.judging.store_lock:
                self._say(self.sheet.skip(words))
        else:
            self._drop(words)

    def _is_scan(self, words: str) -> bool:
        """Whether a line is the code of a specimen; one that is not dropped here is refused."""
        with self.judging.store_lock:
            found = specimen_scanned(self.session, words)
        if found is None:
            return False
        pair = (self.found["case"], self.found["device"])
        here = [code for code in (self.sheet.dropped_next() if self.sheet else pair) if code]
        if found["specimen"] not in here:
            raise UnusableCall(
                f"that is {found['kind']} {found['specimen']}; the next drop uses"
                f" {' and '.join(here)}"
            )
        self._say(f"{found['kind']} {found['specimen']}: the next drop uses it")
        return True

    # -------------------------------------------------------------------------------- drops

    def _drop(self, words: str) -> None:
        """Store a drop, say so at once, then how its series stands."""
        planned_rest_s, line, note = float(self.options.rest_s or 0.0), words, None
        if self.sheet is not None:
            line, note = self.sheet.turn(words)
            planned_rest_s, self.dropped_at = self.sheet.rest_s(), self.sheet.item_dropped_at()
        resting = None if self.dropped_at is None else self._rest_s()
        too_short = resting is not None and 0 <= resting < planned_rest_s
        if too_short:
            rested = f"rested {labels.rest(resting or 0)} of {labels.rest(planned_rest_s)}"
            note = rested if note is None else f"{note}; {rested}"
        if line.startswith(FILE):
            typed = None
            stored, told, is_void, note = self._store_file(line.removeprefix(FILE).strip(), note)
        else:
            typed, told = read_line(line), words
            stored, is_void = self._store_typed(typed, note), typed.void_reason is not None
            if typed.peak_g is not None and not units.is_plain(typed.peak_g):
                peak_g = typed_value("peak_g", typed.peak_g)
                told += f" ({labels.recorded(float(peak_g))} g)"
        self.dropped_at = clock.now_utc()
        self.series, self.number = stored.series, stored.drop_number + 1
        if self.options.json:
            from durability.report import as_json

            print(as_json.dumps(acknowledged(stored)), flush=True)
        else:
            name = "" if self.sheet is None else f"of {stored.series} "
            pause = ""
            if resting is not None and 0 <= resting < LONG_REST_S:
                short = f" of {labels.rest(planned_rest_s)}: TOO SHORT, noted" if too_short else ""
                pause = f" (rest {labels.rest(resting)}{short})"
            self._say(f"drop {stored.drop_number} {name}stored: {told}{pause}")
            reached = None if typed is None else typed.values["achieved_height_mm"]
            if reached is not None:
                achieved = float(typed_value("achieved_height_mm", reached))
                fault = labels.height_fault(achieved, self.found["drop_height_mm"])
                self._say(f"! {fault}" if fault else "")
        if self.sheet is not None:
            severity = 0 if typed is None else int(typed.values.get("damage_severity") or 0)
            for met in self.sheet.dropped(stored, severity, self.dropped_at, is_void=is_void):
                self._say(met)
        if stored.failed_case in self.cases_named:
            stored = replace(stored, failed_case=None)
        elif stored.failed_case:
            self.cases_named.add(stored.failed_case)
        warn_of_drop(stored, {"note": note} if typed is None else typed.values, at_bench=True)
        self.is_over = stored.quarantine is not None
        self.to_tell = None if self.is_over else stored.series

    def _store_typed(self, typed: TypedDrop, note: str | None) -> StoredDrop:
        notes = [typed.values.get("note"), note]
        words = "; ".join(each for each in notes if each) or None
        typed = replace(typed, values={**typed.values, "note": words})
        with self.judging.store_lock:
            series, command = self._target()
            return keep.add_drop(
                self.session, series, typed, command=command, despite_failed=self.despite_failed
            )

    def read_files_as_told(self) -> RecordOptions:
        """How waveform files are read, by the options of this call."""
        if self.file_options is None:
            from durability.cli.files import record_options
            from durability.workflow.recorders import read_as

            stated = record_options(self.options)
            with self.judging.store_lock:
                self.file_options = read_as(self.session, self.options.recorder, stated)
        return self.file_options

    def _store_file(self, words: str, note: str | None) -> tuple[StoredDrop, str, bool, str | None]:
        """A waveform file as the drop: stored, what was measured, whether void, its note."""
        from durability.report import pulse_labels
        from durability.workflow.measuring import remarks_of
        from durability.workflow.waveforms import add_waveform_drop

        path = Path(words)
        if not path.exists():  # a file's name may hold the sign that begins a note
            name, _, own_note = words.partition(" #")
            path = Path(name.strip())
            note = "; ".join(filter(None, (own_note.strip(), note))) or None
        told = self.read_files_as_told()
        with self.judging.store_lock:
            series, command = self._target()
            stored, measured = add_waveform_drop(
                self.session, series, path, told, command=command, note=note,
                despite_failed=self.despite_failed,
            )  # fmt: skip
        reason = measured.measures.void_reason
        told_of_it = f"{path.name}: {pulse_labels.pulse_words(measured.measures)}"
        if measured.cross:
            told_of_it += f", {pulse_labels.cross_words(measured.measures)}"
        if reason is not None:
            told_of_it += f", VOID ({reason})"
        told_of_it = "; ".join((told_of_it, *remarks_of(measured.inferred)))
        return stored, told_of_it, reason is not None, note

    def _target(self) -> tuple[str, str]:
        """Series that the next drop goes to, and what the entry is called."""
        if self.sheet is None:
            return self.series, "record"
        return self.sheet.target(self.despite_failed)

    def _last(self, what: str) -> tuple[str, int]:
        """Series and number of the last drop."""
        series, last = self.series, self.number - 1
        if self.sheet is not None:
            series, last = self.sheet.last_stored()
        if last < 1:
            raise UnusableCall(f"{what}: no drop made yet")
        return series, last

    def _correct(self, number: int | None, peak_g: str) -> None:
        series, last = self._last("c")
        number = last if number is None else number
        with self.judging.store_lock:
            corrected = corrections.correct_peak(self.session, series, number, peak_g)
        self._say(bench.wrapped(bench.corrected(number, corrected), self.width))
        if corrected.far_off is not None:
            warn([labels.far_off(series, number, *corrected.far_off, key=f"c {number} G")])
        self.to_tell = series

    def _never(self, number: int | None, reason: str) -> None:
        series, last = self._last("never")
        number = last if number is None else number
        with self.judging.store_lock:
            notes = corrections.never_drops(self.session, series, [number], reason)
            # What was never made is not what the next drop rests from.
            self.dropped_at = series_to_record(self.session, series)["item_dropped_at"]
        self._say(bench.wrapped(labels.never_made(series, [number], reason, notes), self.width))
        if self.sheet is not None and number == last:
            self.sheet.undone()
        self.to_tell = series

    def _undo(self, reason: str) -> None:
        series, last = self._last("undo")
        with self.judging.store_lock:
            corrections.void_drop(self.session, series, last, reason)
        made = f"drop {last} is void ({reason}); it keeps its number and counts as a shock."
        self._say(bench.wrapped(f"{made} If it was never made: never", self.width))
        if self.sheet is not None:
            self.sheet.undone()
        self.to_tell = series

    # --------------------------------------------------------------------------- what is reported

    def _rest_s(self) -> float:
        now = clock.now_utc()
        return (now - (self.dropped_at or now)).total_seconds()

    def _tell(self) -> None:
        """Judge what has changed since it was last reported; not for JSON, nor for a page."""
        if self.to_tell is not None and not self.options.json and HEARD.get() is None:
            self.judging.start(self.to_tell)
            self._show_standing()
        self.to_tell = None

    def _show_standing(self) -> None:
        """How the series stands; what is not known within a moment is shown above the prompt."""
        self.judging.result(PROMPT_WAIT_S if self.at_keyboard else None)
        self.is_awaited = True
        self._say(self._standing())

    def _standing(self) -> str:
        """How the series stands, and at the start the rig, in words; "" while it is not known."""
        standing, fault = self.judging.result(0.0)
        if standing is None and not fault:
            return ""
        self.is_awaited = False
        today = clock.today().isoformat()
        rigs = [bench.rig_line(each, today, self.width) for each in self.judging.take_rigs()]
        if standing is None:
            return "\n".join([fault, *rigs])
        known = self.signals.setdefault(standing.trend.series, set())
        words = bench.standing(standing, self.width, plot=self.at_keyboard, known=known)
        known.update(bench.signals(standing))
        return "\n".join([words, *rigs])

    def _say(self, words: str) -> None:
        if words and not self.options.json:
            show(words) if self.at_keyboard else tell(printable(words))
