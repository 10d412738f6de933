"""What the session at the bench promises: echo, plot, alarm, drops left, voids, rest, warnings."""

import fcntl
import io
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from datetime import datetime, timedelta

import numpy as np
import pytest
from export_files import half_sine_g, write_volts

from durability.cli import session as session_module
from durability.intake.hand_entry import read_line, read_undo
from durability.record.errors import UnusableCall
from durability.record.records import DropHistory
from durability.record.vocabulary import VOID_REASONS
from durability.report import bench as words
from durability.wear.verdict import judge_trends
from durability.workflow.results import BenchStanding


@pytest.fixture
def bench(store, once):
    def make():
        store("specimen", "add", "D-1", "--kind", "dummy")
        store("specimen", "add", "C-1", "--kind", "case", "--model", "sleeve")
        store(
            *("series", "open", "S1", "--device", "D-1", "--case", "C-1"),
            *("--drop-height-mm", "1220", "--surface", "steel", "--orientation", "corner 1-2-5"),
        )

    once(make)
    return store


@pytest.fixture
def type_lines(bench, monkeypatch):
    def call(*lines, words=("record", "S1"), expect=0):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        return bench(*words, expect=expect)

    return call


@pytest.fixture
def clock(monkeypatch):
    """A wall clock that goes on by so many seconds at each look."""

    def set_to(step_s):
        now = [datetime.now().astimezone()]

        def look():
            now[0] += timedelta(seconds=step_s)
            return now[0]

        monkeypatch.setattr("durability.record.clock.now", look)
        # What asks for the day alone is not a look at the time of a drop.
        monkeypatch.setattr("durability.record.clock.today", lambda: now[0].date())

    return set_to


def drops(run):
    return run("drop", "list", "--series", "S1", "--json").json["drops"]


def history(peaks, case="C"):
    number = np.arange(1, len(peaks) + 1)
    return DropHistory("S", number, np.array(peaks, float), len(peaks), len(peaks), case, "M")


def trend_of(peaks):
    return judge_trends([history(peaks)])[0]


STEADY = [100, 103, 99, 101, 98, 102, 100, 97, 101, 100, 103, 99]
CLIMBING = [100, 103, 99, 105, 107, 111, 113, 112, 118, 121, 125, 128]


# ------------------------------------------------------------------------------ what is typed


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("118 v1", "cable snag"),
        ("v4", "bad trigger"),
        ("118 v3 at the hinge", "loose mount: at the hinge"),
        ("118 v6 the door slammed", "other: the door slammed"),
        ("118 d1 hinge v2", "wrong orientation"),
        ("118 void: words of my own", "words of my own"),
        ("118 # we avoid: nothing", None),
        ("118", None),
    ],
)
def test_a_void_takes_one_key(line, reason):
    assert read_line(line).void_reason == reason


def test_every_reason_has_its_key():
    assert [read_line(f"118 v{key} x").void_reason for key in range(1, 7)] == [
        f"{reason}: x" for reason in VOID_REASONS
    ]


@pytest.mark.parametrize("line", ["118 v0", "118 v7", "118 v6", "118 6.2 7 8", "", "h1200"])
def test_a_line_without_its_reason_or_reading_is_told(line):
    with pytest.raises(UnusableCall):
        read_line(line)


def test_height_and_temperature_are_marked_by_a_letter():
    typed = read_line("118 6.2 h1205 t-4.5 d2 corner 3 # hairline")
    assert typed.values["achieved_height_mm"] == "1205"
    assert typed.values["temperature_c"] == "-4.5"
    assert typed.values["damage_location"] == "corner 3"
    assert (typed.peak_g, typed.values["pulse_duration_ms"]) == ("118", "6.2")


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("u", "undone at the bench"),
        ("undo", "undone at the bench"),
        ("u1", "cable snag"),
        ("undo 2", "wrong orientation"),
        ("u v3 strap", "loose mount: strap"),
        ("u: not mine", "not mine"),
        ("undone", None),
        ("118", None),
    ],
)
def test_undo_takes_one_key(line, reason):
    assert read_undo(line) == reason


def test_undo_of_an_unknown_reason_is_told():
    with pytest.raises(UnusableCall, match="keys are 1 cable snag"):
        read_undo("u9")


# --------------------------------------------------------------------------- what is answered


def test_keyed_voids_and_heights_are_stored(type_lines, bench):
    told = type_lines("118 h1150 t21", "300 v1", "v4", "u3", "119", expect=1)
    kept = drops(bench)
    assert [d["void_reason"] for d in kept] == [None, "cable snag", "bad trigger", None]
    assert (kept[0]["achieved_height_mm"], kept[0]["temperature_c"]) == (1150.0, 21.0)
    assert "void already" in told.err


def test_undo_with_a_key_voids_the_last_drop(type_lines, bench):
    told = type_lines("118", "400", "u1")
    assert "drop 2 is void (cable snag)" in told.out
    assert drops(bench)[1]["void_reason"] == "cable snag"


def test_lines_after_a_device_went_into_quarantine_are_refused_not_lost(type_lines, bench):
    bench("specimen", "add", "R-1", "--kind", "device")
    bench("series", "open", "S2", "--device", "R-1", "--drop-height-mm", "1220")
    told = type_lines("118 # battery swollen", "119", "120", words=("record", "S2"), expect=1)
    assert "'119': R-1 is in quarantine (made already: drop add --despite-" in told.err
    assert "2 lines from there on not stored" in told.err


def test_undo_before_any_drop_is_told(type_lines):
    assert "no drop made yet" in type_lines("u", expect=1).err


def test_a_height_out_of_tolerance_is_flagged_in_the_list(type_lines, bench):
    """ISO 2248: the drop height within 2 % of the nominal."""
    told = type_lines("118 h1150", "118 h1215", "118").out
    assert told.count("! HEIGHT 1150 mm, -5.7 % of 1220 (ISO 2248 allows 2 %)") == 1
    told = " ".join(bench("drop", "list", "--series", "S1").out.split())
    assert "-5.7 % of 1220" in told
    assert told.count("HEIGHT") == 1
    assert "-5.7 % of 1220" in " ".join(bench("series", "show", "S1").out.split())


def test_rest_is_counted_and_a_short_one_noted(type_lines, bench, clock):
    clock(20)
    told = type_lines("118", "119", words=("record", "S1", "--rest-s", "120"))
    assert "drop 2 stored: 119 (rest 20 s of 2 min 0 s: TOO SHORT, noted)" in told.out
    assert [d["note"] for d in drops(bench)] == [None, "rested 20 s of 2 min 0 s"]


def test_a_rest_as_planned_is_shown_and_not_noted(type_lines, bench, clock):
    clock(130)
    told = type_lines("118", "119 # dusty", words=("record", "S1", "--rest-s", "120"))
    assert "(rest 2 min 10 s)" in told.out
    assert drops(bench)[1]["note"] == "dusty"


def test_rest_counts_from_the_last_drop_of_the_case_in_any_series(bench, type_lines, clock):
    bench("series", "open", "S0", "--device", "D-1", "--case", "C-1")
    bench("drop", "add", "S0", "--peak-g", "90")
    clock(60)
    assert "(rest " in type_lines("118").out


def test_another_day_is_no_rest(type_lines, clock):
    clock(86_400)
    assert "rest" not in type_lines("118", "119").out.splitlines()[1]


@pytest.mark.parametrize(
    ("option", "value"), [("--limit-g", "0"), ("--limit-rise", "-1"), ("--rest-s", "-5")]
)
def test_a_limit_or_rest_out_of_range_is_told(type_lines, option, value):
    assert option in type_lines("1", words=("record", "S1", option, value), expect=2).err


def test_from_a_pipe_nothing_prompts_and_the_end_is_judged(type_lines):
    told = type_lines(*map(str, CLIMBING))
    assert ">" not in told.out and "Press Enter" not in told.out and "|" not in told.out
    assert "ALARM since drop" in told.out and "drops left" in told.out


def test_a_bare_series_has_no_case_to_wear_out(bench, type_lines):
    bench("series", "open", "B", "--device", "D-1")
    told = type_lines(*map(str, STEADY), words=("record", "B"))
    assert "no alarm so far" in told.out and "drops left" not in told.out


def test_a_reference_series_tells_of_the_rig(bench, type_lines):
    bench("series", "open", "R", "--device", "D-1", "--purpose", "reference")
    told = type_lines(*map(str, STEADY), words=("record", "R"))
    assert "rig in control by R" in told.out


def test_a_waveform_file_stands_in_place_of_typed_numbers(rig, tmp_path, monkeypatch):
    write_volts(tmp_path / "one.csv", half_sine_g(400.0))
    lines = f"file {tmp_path / 'one.csv'}\nfile {tmp_path / 'none.csv'}\n120\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    told = rig("record", "S1", expect=1)
    kept = drops(rig)
    assert [d["peak_g"] for d in kept] == [pytest.approx(400, rel=0.02), 120.0]
    assert "one.csv" in told.out and "none.csv" in told.err


def test_the_note_of_a_file_is_kept_and_can_put_the_device_in_quarantine(
    rig, tmp_path, monkeypatch
):
    rig("specimen", "add", "R-7", "--kind", "device")
    rig("series", "open", "S7", "--device", "R-7", "--sensor", "A-1", "--drop-height-mm", "1220")
    write_volts(tmp_path / "one.csv", half_sine_g(400.0))
    write_volts(tmp_path / "two.csv", half_sine_g(410.0, seed=2))
    lines = f"file {tmp_path / 'one.csv'} # loud\nfile {tmp_path / 'two.csv'} # battery hot\n120\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    told = rig("record", "S7", expect=None)
    kept = rig("drop", "list", "--series", "S7", "--json").json["drops"]
    assert [drop["note"] for drop in kept] == ["loud", "battery hot"]  # 120 was not taken
    assert "QUARANTINE: R-7" in told.err and "Do not charge" in told.err


def test_a_file_brings_the_axes_across_with_it(rig, tmp_path, monkeypatch):
    record = half_sine_g(400.0)
    rows = [f"{i / 150e3:.8f},{a:.4f},{0.1 * a:.4f}" for i, a in enumerate(record)]
    (tmp_path / "one.csv").write_text("Time (s),Z (g),X (g)\n" + "\n".join(rows) + "\n")
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"file {tmp_path / 'one.csv'}\n"))
    told = rig("record", "S1", "--channel", "Z", "--cross-channel", "X")
    assert "10 % of the peak" in " ".join(told.out.split())


# ------------------------------------------------------------------------------ words and plot


def test_the_running_words_are_the_alarm_and_not_the_final_test():
    """The final verdict has its rate when it is looked at once, not after each drop."""
    for peaks in (STEADY, CLIMBING):
        for n in range(1, len(peaks) + 1):
            trend = trend_of(peaks[:n])
            told = words.standing(BenchStanding(trend, None, None, 0), 80, plot=False)
            assert ("ALARM" in told) == (trend.alarm_at_drop is not None)
            assert not any(word in told for word in ("steady", "settled"))


def test_the_end_tells_the_verdict_beside_the_alarm():
    told = words.finished(trend_of(CLIMBING))
    assert "judged once on all 12 valid drops: rising" in told
    assert "running alarm was raised at drop" in told
    assert "too few" in words.finished(trend_of([100, 101]))


@pytest.mark.parametrize("n", [1, 2, 3, 26, 90, 1000])
def test_the_plot_is_small_and_explained(n):
    peaks = 100 * np.exp(0.01 * np.arange(n) / max(n / 30, 1)) * (1 + 0.02 * np.sin(np.arange(n)))
    trend = trend_of(peaks)
    for limit in (None, 1.3 * peaks[-1], 10 * peaks[-1], 0.5 * peaks[0], peaks[-1]):
        told = words.small_plot(trend, limit, 80)
        assert len(told.splitlines()) <= 9
        assert max(map(len, told.splitlines())) <= 80
        assert words.READING in told and f"{words.READING} reading" in told.splitlines()[-1]
        assert ("limit" in told) == (limit is not None)


def test_the_help_fits_the_screen():
    told = f"{session_module.HELP}\n{session_module.SHEET_HELP}".splitlines()
    assert len(told) < 24 and max(map(len, told)) <= 80


def test_equal_readings_are_drawn_too():
    assert words.READING in words.small_plot(trend_of([100.0] * 5), 150.0, 80)


WITH_FAR = [118, 119, 1250, 121, 124, 131, 1360, 140, 148, 155]


@pytest.mark.parametrize("width", [60, 80])
def test_a_doubted_reading_takes_no_scale_and_stands_at_the_edge(width):
    edge, top, *rest = words.small_plot(trend_of(WITH_FAR), None, width).splitlines()
    assert edge.count(words.ABOVE) == 2 and edge.endswith(" 1250, 1360")
    assert float(top.split("|")[0]) < 160
    assert sum(line.count(words.READING) for line in [top, *rest[:-1]]) == 8
    assert f"{words.ABOVE} doubted, off the scale" in rest[-1]
    low = words.small_plot(trend_of([118, 119, 121, 20, 119, 118, 122]), None, width)
    assert f"{words.BELOW} 20" in low.splitlines()[-3]


def test_a_plain_terminal_gets_plain_marks(monkeypatch):
    from durability.report import terminal

    monkeypatch.setattr(terminal, "is_plain", lambda: True)
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    told = terminal.printable(words.small_plot(trend_of(WITH_FAR), None, 80))
    assert told.isascii() and "?" not in told
    key = " ".join(told.splitlines()[-1].split())
    assert key == "o reading ^ doubted, off the scale - level"


@pytest.fixture
def sit(bench, at_keyboard, monkeypatch):
    """A sitting at S1 in which a person types lines; what was shown, its lines joined."""

    def call(*lines, person="ann"):
        monkeypatch.setenv("DURABILITY_PERSON", person)
        shown = at_keyboard("".join(f"{line}\r" for line in lines), "record", "S1").out
        return " ".join(shown.split())

    return call


def test_cautions_stand_in_full_once_a_day_and_person(sit, monkeypatch):
    from durability.record import clock

    in_full, asked = "hands and faces out of the drop zone", "Press Enter once these are understood"
    told = sit("", "q")
    assert in_full in told and asked in told
    at_first, _, told = sit("cautions", "q").partition("q to end.")
    assert "as acknowledged by ann today at" in at_first and in_full not in at_first
    assert asked not in at_first and in_full in told
    assert in_full in sit(person="bo")  # the input ends: that is no acknowledgement
    assert asked in sit("", "q", person="bo")
    later = clock.now() + timedelta(days=1)
    monkeypatch.setattr("durability.record.clock.now", lambda: later)
    assert asked in sit("", "q")


def test_a_pipe_acknowledges_no_caution(type_lines, sit):
    type_lines("118")
    assert "Press Enter once these are understood" in sit("", "q", person="tester")


def test_a_signal_stands_out_once_and_is_named_after():
    from durability.workflow.results import Limit
    from durability.workflow.sheet_run import judge_so_far

    standing = judge_so_far(so_far(CLIMBING), Limit(limit_g=110.0))
    (alarm, failed) = words.signals(standing)
    told = words.standing(standing, 60, plot=False).splitlines()
    framed = " ".join(line for line in told if line.startswith("!! "))
    assert f"{alarm}: " in framed and f"{failed}: " in framed and framed.count("Stop") == 2
    after = words.standing(standing, 60, plot=False, known={alarm, failed})
    assert "!!" not in after and after.startswith(f"{alarm}; {failed}")


def so_far(peaks):
    """What a bench session has fetched of a series without any like it."""
    from durability.workflow.histories import Histories, Reread
    from durability.workflow.sheet_run import SoFar

    own = history(peaks)
    return SoFar(own.series, Histories((own,), Reread((own,)), Reread((own,))), None)


def test_all_after_a_drop_fits_the_screen_with_the_lines_typed():
    from durability.workflow.results import Limit
    from durability.workflow.sheet_run import judge_so_far

    for peaks in (STEADY, CLIMBING, [100]):
        standing = judge_so_far(so_far(peaks), Limit())
        told = words.standing(standing, 80).splitlines()
        assert len(told) + 2 <= 24 - 8  # echo and prompt, and room for the drop before
        assert all(len(line) <= 80 for line in told)


def test_a_failed_case_is_told_with_its_cause():
    from durability.workflow.results import Limit
    from durability.workflow.sheet_run import judge_so_far

    standing = judge_so_far(so_far(CLIMBING), Limit(limit_g=110.0))
    assert "FAILED at drop" in words.standing(standing, 80)


def test_drops_left_are_counted_from_the_last_drop():
    from durability.workflow.results import Limit
    from durability.workflow.sheet_run import judge_so_far

    standing = judge_so_far(so_far(CLIMBING), Limit())
    told = words.drops_left(standing.forecast, 0)
    median = standing.forecast.drops_to_failure.median
    assert told.startswith(f"drops left to the limit of {standing.forecast.limit_g:.0f} g: ")
    assert f": {median - 12:.0f} (90 %: " in told


def test_no_valid_drop_yet_is_an_answer():
    standing = BenchStanding(trend_of([]), None, None, 0)
    assert words.standing(standing, 80) == (
        "too few to say: 0 valid drops; the alarm judges from 5 on"
    )


def test_cautions_fit_and_name_what_may_hurt():
    told = words.cautions(80)
    assert max(map(len, told.splitlines())) <= 80 and told.isascii()
    for word in ("eye protection", "Glass", "guards", "not an interlock", "lithium"):
        assert word in " ".join(told.split())


def test_what_is_missing_or_overdue_is_warned_of(store):
    from durability.workflow.series import series_to_record
    from durability.workflow.session import open_session

    store("specimen", "add", "D-1", "--kind", "dummy")
    store("sensor", "add", "A", "--calibration-due", "2020-01-01")
    store("sensor", "add", "B")
    store("series", "open", "S", "--device", "D-1", "--sensor", "A")
    store("series", "open", "T", "--device", "D-1", "--sensor", "B", "--surface", "steel")
    told = series_to_record(open_session(), "S")["missing"]
    assert "drop height, surface, orientation, conditioning" in told[0]
    assert told[1] == "sensor A: calibration was due on 2020-01-01"
    assert "no calibration due date" in series_to_record(open_session(), "T")["missing"][1]


# --------------------------------------------------------------------------- processes, terminal


def environment(tmp_path, **more):
    return {**os.environ, "DURABILITY_STORE": str(tmp_path / "store.duckdb"), **more}


def test_killed_at_any_moment_it_keeps_what_was_acknowledged(bench, tmp_path):
    acknowledged = 0
    for after in (1, 2, 3):
        session = subprocess.Popen(
            [sys.executable, "-m", "durability", "record", "S1"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment(tmp_path),
        )
        session.stdin.write("118\n" * 5)
        session.stdin.flush()
        told = [session.stdout.readline() for _ in range(after)]
        session.send_signal(signal.SIGKILL)
        told += session.communicate()[0].splitlines()
        assert " stored: " in told[0]
        acknowledged += sum(" stored: " in line for line in told)
        kept = drops(bench)
        assert acknowledged <= len(kept) <= acknowledged + 1
        assert [d["drop_number"] for d in kept] == list(range(1, len(kept) + 1))
        acknowledged = len(kept)


PATIENT = """
import os
from durability.__main__ import main
from durability.cli import session
session.PROMPT_WAIT_S = float(os.environ.get("PROMPT_WAIT_S", 25))  # a loaded machine has time
raise SystemExit(main())
"""


class Terminal:
    """A session at a terminal of 80 x 24."""

    def __init__(self, words, env):
        env = {name: value for name, value in env.items() if name not in ("COLUMNS", "LINES")}
        # It doesn't answer where its cursor is.
        env |= {"TERM": "xterm-256color", "PROMPT_TOOLKIT_NO_CPR": "1"}
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.execve(sys.executable, [sys.executable, "-c", PATIENT, *words], env)
        self.seen, self.read_to = "", 0
        self.resize(80)

    def resize(self, columns):
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))

    def until(self, text, limit_s=30.0):
        """What was shown since the text before this one, and the text."""
        give_up = time.monotonic() + limit_s
        start = self.read_to
        while text not in self.seen[start:]:
            assert time.monotonic() < give_up, self.seen
            if select.select([self.fd], [], [], 1.0)[0]:
                try:
                    self.seen += os.read(self.fd, 65536).decode("utf-8", "replace")
                except OSError:
                    pytest.fail(f"the session ended: {self.seen!r}")
        self.read_to = self.seen.index(text, start) + len(text)
        return self.seen[start : self.read_to]

    def type(self, line):
        os.write(self.fd, line.encode() + b"\r")

    def says(self, line, text):
        """Type a line that is answered by this text, and wait for the prompt after it."""
        self.type(line)
        return self.until(text) + self.until("corner 1-2-5>")

    def end(self):
        self.type("q")
        try:
            while os.read(self.fd, 65536):
                pass
        except OSError:
            pass
        os.close(self.fd)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_at_a_terminal(bench, tmp_path, encoding):
    terminal = Terminal(
        ("record", "S1"),
        environment(tmp_path, NO_COLOR="1", PYTHONIOENCODING=encoding),
    )
    opening = terminal.until("understood:")
    assert "not recorded: sensor, conditioning" in opening and "lithium" in opening
    terminal.type("")
    terminal.until("drop 1, corner 1-2-5>")
    echo, _, rest = terminal.says("118", "drop 1 stored: 118").partition("drop 1 stored: 118")
    assert "|" not in echo and "g, drop" in rest and "too few to say" in rest
    assert "drop 2, corner" in terminal.says("a hundred", "not stored")
    terminal.says("u2", "drop 1 is void (wrong orientation)")
    terminal.says("", "since the last drop")
    terminal.says("?", "v alone lists the keys")
    terminal.says("v", "1 cable snag")
    terminal.says("\x1b[A", "1 cable snag")  # the line before
    assert terminal.seen.isascii() == (encoding == "ascii")
    assert not re.search(r"\x1b\[[\d;]*3[1-7][\d;]*m", terminal.seen)  # no colour
    assert terminal.end() == 0
    assert [d["status"] for d in drops(bench)] == ["void"]


def test_a_limit_that_is_not_the_default_is_named_at_the_start(sit, monkeypatch):
    assert "Not the default" not in sit("", "q")
    monkeypatch.setenv("DURABILITY_LIMIT_G", "1961.33m/s2")
    told = sit("q")
    assert "Not the default: limit 200 g (environment DURABILITY_LIMIT_G)." in told


def test_a_terminal_resized_is_followed_and_a_signal_is_red(bench, tmp_path):
    bench("drop", "add", "S1", "--peak-g", "118")
    terminal = Terminal(("record", "S1"), environment(tmp_path, NO_COLOR=""))
    assert max(map(len, plain(terminal.until("understood:")).splitlines())) > 60
    terminal.resize(60)
    terminal.type("")
    terminal.until("drop 2, corner 1-2-5>")
    told = terminal.says("119 d4", "drop 2 stored")
    assert re.search(r"\x1b\[[\d;]*31[\d;]*m!! FAILED at drop 2", told)
    told += terminal.says("u", "If it was never made: never")
    assert max(map(len, plain(told).splitlines())) <= 60
    assert terminal.end() == 0


def test_what_is_known_late_stands_above_the_line_being_typed(bench, tmp_path):
    terminal = Terminal(("record", "S1"), environment(tmp_path, PROMPT_WAIT_S="0"))
    terminal.until("understood:")
    terminal.type("")
    terminal.until("too few to say: 0 valid drops")
    os.write(terminal.fd, b"11")
    terminal.until("11")
    terminal.type("8")
    terminal.until("drop 1 stored: 118")
    assert "drop 2, corner 1-2-5>" in terminal.until("too few to say: 1 valid drop")
    terminal.until("drop 2, corner 1-2-5>")
    os.write(terminal.fd, b"\x03")
    assert "interrupted; what was acknowledged is stored" in terminal.until("is stored")
    assert [d["peak_g"] for d in drops(bench)] == [118.0]


def test_an_interruption_too_leaves_a_device_to_be_put_away(bench, tmp_path):
    bench("specimen", "add", "R-1", "--kind", "device")
    conditions = ("--drop-height-mm", "1220", "--surface", "steel")
    bench("series", "open", "S2", "--device", "R-1", *conditions)
    bench("drop", "add", "S2", "--peak-g", "118")
    terminal = Terminal(("record", "S2"), environment(tmp_path))
    terminal.until("understood:")
    terminal.type("")
    terminal.until("drop 2>")
    os.write(terminal.fd, b"\x03")
    told = " ".join(terminal.until("what was acknowledged").split())
    assert "its battery may be damaged without a sign" in told


def plain(told):
    return re.sub(r"\x1b[\[(][?>\d;]*[a-zA-Z]", "", told)


def test_lines_are_edited_and_pasted(sit, bench):
    sit("", "1180\x7f", "\x1b[200~121\n122 # two\n\x1b[201~", "q")
    kept = drops(bench)
    assert [(d["peak_g"], d["note"]) for d in kept] == [
        (118, None), (121, None), (122, "two"),
    ]  # fmt: skip
