"""An inspection function by function: each answer is stored before the next question."""

import io
import os
import subprocess
import sys

import pytest

from durability.intake.bench_lines import read_answer, read_measured, read_ticks
from durability.record.errors import UnusableCall
from durability.record.records import CheckedFunction, CheckList, FunctionalCheck, Walk
from durability.report import safety
from durability.report.answers import follow_up as shown
from durability.workflow import follow_up, inspection, specimens
from durability.workflow.session import Session

FUNCTIONS = ("power-on", "charging", "battery swelling", "display")
ASKED = ("battery swelling", "power-on", "charging", "display")  # the battery before any power


@pytest.fixture
def bench(store, sheet, tmp_path, once):
    """A store with two devices that follow a plan of four functions."""

    def make():
        session = Session(tmp_path / "store.duckdb", "tester")
        for code in ("R1", "R2"):
            specimens.add_specimen(session, code, "device", {"model": "radio"})
        specimens.add_specimen(session, "C1", "case", {})
        listed = sheet("short.txt", *FUNCTIONS)
        stages = ["drop day=0", "1 week=7"]
        follow_up.make_plan(session, "short", stages, "last drop", str(listed))
        follow_up.assign_plan(session, "short", device=None, device_model="radio")

    once(make)
    return store


@pytest.fixture
def walk(bench, monkeypatch):
    """Walk through R1 with these lines on standard input."""

    def call(*lines, words=(), device="R1", expect=0):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        return bench("inspect", "record", device, *words, expect=expect)

    return call


def looks(run, device="R1"):
    return run("inspect", "list", device, "--json").json["inspections"]


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("p", FunctionalCheck("pass")),
        ("pass", FunctionalCheck("pass")),
        ("N", FunctionalCheck("not_tested")),
        ("not_tested", FunctionalCheck("not_tested")),
        ("d 5.9 mm # bulges", FunctionalCheck("degraded", 5.9, "mm", "bulges")),
        ("f # no power", FunctionalCheck("fail", note="no power")),
        ("p 11,5", FunctionalCheck("pass", 11.5, "mm")),
        ("p 1,150", None),
        ("p 11.5", FunctionalCheck("pass", 11.5, "mm")),
        ("p -40 dBm", FunctionalCheck("pass", -40.0, "dBm")),
        ("x", None),
        ("", None),
        ("p mm", None),
        ("p nan mm", None),
    ],
)
def test_a_line_says_it_all(line, answer):
    if answer is None:
        with pytest.raises(UnusableCall):
            read_answer(line, "mm")
    else:
        assert read_answer(line, "mm") == answer


def test_a_measured_value_needs_its_unit_once():
    assert read_measured("5.2 mm") == (5.2, "mm")
    assert read_measured("5.2", "mm") == (5.2, "mm")
    with pytest.raises(UnusableCall, match="no unit"):
        read_measured("5.2")


def test_the_functions_of_the_plan_are_asked_the_battery_first(walk, bench):
    told = walk("p 5.1 mm", "p", "n", "f # cracked")
    said = [line.partition(":")[0] for line in told.out.splitlines()]
    assert [name for name in said if name in FUNCTIONS] == list(ASKED)
    assert "4 of 4 functions of R1 recorded" in told.out and "FAILED: display" in told.out
    (look,) = looks(bench)
    assert (look["checked"], look["tested"], look["failed"]) == (4, 3, 1)
    assert look["not_passed"] == "charging not_tested, display FAIL (cracked)"
    assert look["unfinished_of"] is None and look["is_blind"] is False


def test_json_is_one_object(walk):
    told = walk("p", "p", "p", "f", words=("--json",)).json
    assert (told["checks"], told["failed"], told["finished"]) == (4, ["display"], True)
    assert (told["blind"], told["quarantined"]) == (False, False)


def test_a_walk_that_was_broken_off_goes_on_as_the_same_look(walk, bench):
    told = walk("p", "p")
    assert "2 of 4" in told.out and "continue with: durability inspect record R1" in told.out
    assert bench("due", "--json").json["unfinished"] == ["R1"]
    assert "interrupted: 2 of 4" in " ".join(bench("inspect", "list", "R1").out.split())
    told = walk("p", "f")
    assert "continuing the inspection" in told.out and "2 of 4 answered" in told.out
    (look,) = looks(bench)
    assert (look["checked"], look["failed"], look["unfinished_of"]) == (4, 1, None)
    assert bench("due", "--json").json["unfinished"] == []


def test_a_walk_that_was_broken_off_ends_no_stage(walk, bench):
    bench("series", "open", "S1", "--device", "R1")
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-01T08:00")
    when = ("--inspected-at", "2026-03-01T09:00")
    walk("p", "p", words=when)

    def owed():
        return [one["stage"] for one in bench("due", "--on", "2026-03-02", "--json").json["due"]
                if one["device"] == "R1"]  # fmt: skip

    assert owed() == ["drop day"]
    rows = bench("query", "inspections_overdue", "--set", "on=2026-03-02", "--json").json["rows"]
    assert [row[2] for row in rows if row[0] == "R1"] == ["drop day"]
    walk("p", "p", words=when)
    assert owed() == []


def test_only_its_own_inspector_goes_on_with_it(walk, bench):
    walk("p", words=("--inspected-at", "2026-03-01T09:00", "--inspector", "Ada"))
    told = walk("p", words=("--inspected-at", "2026-03-01T10:00", "--inspector", "Bo"))
    assert "continuing" not in told.out
    told = walk("p", words=("--inspected-at", "2026-03-01T09:00", "--inspector", "Ada"))
    assert "continuing" in told.out
    assert [look["checked"] for look in looks(bench)] == [2, 1]


def test_a_look_that_is_finished_is_not_gone_on_with(walk):
    when = ("--inspected-at", "2026-03-01T09:00")
    walk("p", "p", "p", "p", words=when)
    assert "stored already" in walk("p", words=when, expect=1).err


def test_after_half_a_day_it_is_another_look(walk, bench, monkeypatch):
    walk("p", words=("--inspected-at", "2026-03-01T09:00"))
    monkeypatch.setattr(inspection, "RESUME_WITHIN_H", 0)
    assert "continuing" not in walk("p").out
    assert len(looks(bench)) == 2


def test_nothing_is_stored_before_the_first_answer(walk, bench):
    walk("q")
    walk()
    assert looks(bench) == []


def test_back_mends_the_answer_and_keeps_the_first(walk, bench):
    walk("p", "f # dead", "b", "p", "p", "p")
    (look,) = looks(bench)
    assert (look["checked"], look["failed"], look["not_passed"]) == (4, 0, None)
    events = bench("history", "R1", "--json").json["events"]
    mended = {event["what"] for event in events if event["event"] == "amendment"}
    assert mended == {
        "power-on outcome: fail to pass, corrected during the inspection",
        "power-on note: dead to blank, corrected during the inspection",
    }


def test_back_at_the_first_question_stays_there(walk, bench):
    walk("b", "b", "p", "p", "p", "p")
    assert looks(bench)[0]["checked"] == 4


def test_a_line_that_can_not_be_read_ends_a_pipe_before_the_answers_shift(walk, bench):
    told = walk("p", "what", "p", "p", expect=2)
    assert "power-on" in told.err and "1 answers stored" in told.err
    assert len(told.err.strip().splitlines()) == 1
    (look,) = looks(bench)
    assert look["checked"] == 1


def test_last_results_and_shocks_stand_beside_the_questions_unless_blind(bench, walk):
    bench("series", "open", "S1", "--device", "R1", "--drop-height-mm", "760")
    bench("drop", "add", "S1", "--peak-g", "900", "--dropped-at", "2026-02-20T10:00")
    told = walk("p", "p", "p", "p", words=("--inspected-at", "2026-02-27T10:00"))
    assert "1 drop, largest 900 g, from up to 760 mm" in told.out
    assert "due: 1 week" in told.out and "last 7 days ago" in told.out
    told = walk("p", "p", "p", "p", words=("--inspected-at", "2026-03-01T10:00", "--blind"))
    assert "900 g" not in told.out.partition("recorded")[0] and "blind" in told.out
    assert [look["is_blind"] for look in looks(bench)] == [False, True]
    assert "blind" in bench("history", "R1").out


def test_a_blind_walk_stays_blind_when_it_is_taken_up(walk, bench):
    walk("p", words=("--blind",))
    assert "blind" in walk("p", "p", "p").out
    assert looks(bench)[0]["is_blind"] is True


LAST = {"display": (FunctionalCheck("fail", 3.2, "mm", "hairline " * 9), None)}


def question(width, *, is_blind=False, **more):
    from datetime import datetime

    when = datetime(2026, 3, 1)  # noqa: DTZ001 - bench clock
    looked = Walk(
        "R1", None, None, when, None, "Ada", is_blind, FUNCTIONS, "short",
        CheckList("short", tuple(map(CheckedFunction, FUNCTIONS))),
        last_results={name: (check, when) for name, (check, _) in LAST.items()}, **more,
    )  # fmt: skip
    return shown.question(looked, 3, FunctionalCheck("not_tested"), width)


def test_words_without_their_sign_are_refused_with_where_they_go():
    with pytest.raises(UnusableCall, match="write words behind #, like d # swollen"):
        read_answer("d swollen 6.1 mm", "mm")


@pytest.mark.parametrize("width", [60, 80, 200])
def test_a_question_and_its_answer_fit_one_line(width):
    line = question(width)
    assert len(line + "not tested") < width
    assert " 4/4 display" in line and "last 2026-03-01 fail" in line


def test_a_blind_question_tells_nothing_of_last_time():
    assert "fail" not in question(80, is_blind=True)
    assert "now pass" in question(80, is_blind=True, checks={"display": FunctionalCheck("pass")})


def test_the_model_is_told_only_after_the_last_outcome(walk, bench, sheet):
    rows = ["device,inspected_at,function,outcome"]
    rows += [f"R{n},2026-0{month}-01,display,pass" for n in range(1, 9) for month in (1, 2)]
    bench("import", "inspections", sheet("looks.csv", *rows))
    told = walk("p", "p", "p")
    assert "expected" not in told.out
    told = walk("f # dark")
    assert told.out.index("FAILED: display") < told.out.index("What the model expected")
    assert "without this inspection" in told.out


def test_with_too_few_devices_the_model_says_so(walk):
    assert "too few were followed" in walk("p", "p", "p", "p").out


def test_a_sign_of_a_failing_battery_ends_the_walk_at_once(walk, bench):
    told = walk("f # lifts the cover", "p", "p", "p")
    assert bench("due", "--json").json["unfinished"] == []
    assert "Do not charge" in told.err and "stopped there" in told.out
    assert "What the model expected" not in told.out
    assert looks(bench)[0]["checked"] == 1
    told = walk("p", "p")
    assert "QUARANTINE" in told.err and "no charging" in told.out
    assert "charging:" not in told.out
    (look,) = looks(bench)
    assert (look["checked"], look["unfinished_of"]) == (3, None)


def test_cracked_glass_calls_for_eye_protection_before_it_is_touched_blind_or_not(walk, bench):
    bench("damage", "add", "R1", "--severity", "3", "--location", "display", "--note", "cracked")
    assert "eye protection" in walk("p", words=("--blind",)).out
    assert "eye protection" not in walk("p", device="R2").out


@pytest.mark.parametrize(
    ("device", "words", "said", "status"),
    [
        ("C1", (), "is a case", 1),
        ("R9", (), "not in the store", 1),
        ("R1", ("--inspected-at", "soon"), "--inspected-at", 2),
        ("R1", ("--inspected-at", "2999-01-01"), "future", 2),
    ],
)
def test_what_can_not_be_walked_is_told_in_one_line(walk, device, words, said, status):
    told = walk("p", words=words, device=device, expect=status)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


def test_killed_at_any_moment_nothing_acknowledged_is_lost(bench, tmp_path):
    environment = {
        **os.environ,
        "DURABILITY_STORE": str(tmp_path / "store.duckdb"),
        "DURABILITY_PERSON": "tester",
    }
    session = subprocess.Popen(
        [sys.executable, "-m", "durability", "inspect", "record", "R1"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    try:
        session.stdin.write("p 5.1 mm\nd # dim\n")
        session.stdin.flush()
        acknowledged = []
        while len(acknowledged) < 2:
            line = session.stdout.readline()
            assert line
            acknowledged += [line] if line.partition(":")[0] in FUNCTIONS else []
        assert bench("inspect", "list", "R1", "--json").json["inspections"][0]["checked"] == 2
    finally:
        session.kill()
        session.communicate()
    (look,) = looks(bench)
    assert (look["checked"], look["unfinished_of"]) == (2, 4)
    assert look["not_passed"] == "power-on degraded (dim)"


# ---------------------------------------------------------------------------------- at a terminal


@pytest.fixture
def terminal(bench, tmp_path):
    """Type keys at a pseudo-terminal, each after the prompt before it, and give what was shown."""
    pty = pytest.importorskip("pty")

    def call(*keys, encoding="utf-8", words=("inspect", "record", "R1")):
        environment = {
            **os.environ,
            "DURABILITY_STORE": str(tmp_path / "store.duckdb"),
            "DURABILITY_PERSON": "tester",
            "PYTHONIOENCODING": encoding,
            "TERM": "dumb",
        }
        master, slave = pty.openpty()
        session = subprocess.Popen(
            [sys.executable, "-m", "durability", *words],
            stdin=slave, stdout=slave, stderr=slave, env=environment,
        )  # fmt: skip
        os.close(slave)
        told = b""

        def read_until(ends):
            nonlocal told
            at = len(told)
            while not told[at:].endswith(ends):
                try:
                    told += os.read(master, 4096)
                except OSError:  # the program has ended
                    return

        for key in keys:
            read_until((b" > ", b": "))
            os.write(master, key.encode())
        read_until(b"never said")
        os.close(master)
        return session.wait(), told.decode("utf-8", "replace")

    return call


def test_one_key_a_function_and_no_enter(terminal, bench):
    status, told = terminal("p", "p", "n", "p", " ")
    assert status == 0
    assert "4 of 4 functions of R1 recorded" in told
    assert looks(bench)[0]["tested"] == 3


def test_words_only_where_they_are_wanted(terminal, bench):
    _, told = terminal("m", "5.1 mm\n", "p", "f", "no power\n", "#", "slow\n", "p", "d", "\n", " ")
    assert "no power" in told
    (look,) = looks(bench)
    assert look["not_passed"] == "display degraded, power-on FAIL (no power)"
    _, told = terminal("q")
    assert "pass 5.1 mm" in told


def test_arrows_and_wrong_keys_change_nothing(terminal, bench):
    terminal("\x1b[Ax", "?", "\r", "p", "b", "p", "q")
    (look,) = looks(bench)
    assert (look["checked"], look["unfinished_of"]) == (1, 4)


def test_a_code_that_is_scanned_answers_nothing(terminal, bench):
    status, told = terminal("p", "D-1\r", "p", "n", "p", "fn\r", " ")
    assert status == 0 and told.count("several keys at once") == 2
    (look,) = looks(bench)
    assert look["not_passed"] == "charging not_tested"


def test_back_after_the_last_answer(terminal, bench):
    terminal("p", "p", "p", "p", "b", "f", "dark\n", " ")
    assert looks(bench)[0]["not_passed"] == "display FAIL (dark)"


def test_a_plain_terminal_shows_it_all(terminal, bench):
    bench("specimen", "amend", "R1", "--set", "model=Größe 7", "--reason", "name")
    status, told = terminal("p", "q", encoding="ascii")
    assert status == 0 and "battery swelling" in told and "Traceback" not in told


def test_the_signs_of_a_failing_battery_stand_before_the_first_question(walk):
    told = " ".join(walk("p").out.split())
    assert "signs of a failing battery: swollen, hot, hissing, leaking, smelling" in told


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("sh", "swollen, hot"),
        ("s, l", "swollen, leaking"),
        ("slightly swollen", "slightly swollen"),
        ("shock", "shock"),
        ("Hot at one end", "Hot at one end"),
        ("", ""),
    ],
)
def test_signs_in_words_stay_words(typed, kept):
    assert read_ticks(typed, safety.BATTERY_SIGN_KEYS) == kept


def test_signs_are_ticked_by_their_letters(monkeypatch, capsys):
    from durability.cli import follow_up as at_keyboard

    monkeypatch.setattr(at_keyboard, "ask", lambda _: "SH")
    assert at_keyboard._ticked() == "swollen, hot"
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 60
    monkeypatch.setattr(at_keyboard, "ask", lambda _: "")
    assert at_keyboard._ticked() == ""


def test_a_measured_value_takes_the_unit_of_the_list(walk, bench, tmp_path):
    """Thickness is a number: its unit need not be typed the first time either."""
    (tmp_path / "mine.txt").write_text("battery swelling, mm\n")
    bench("inspect", "schedule", "short", "--check-list", "mine.txt")
    walk("p 5.1")
    rows = bench("query", "--sql", "SELECT measured, unit FROM latest_checks", "--json").json[
        "rows"
    ]
    assert rows == [[5.1, "mm"]]


def test_the_transport_test_is_no_fall():
    """UN 38.3 T.4, 150 g for 6 ms half-sine, against 1.22 m with a rebound of 0.3: arithmetic."""
    from math import pi, sqrt

    from durability.cli.parser import make_parser
    from durability.record.units import STANDARD_GRAVITY_M_S2

    transport = 2 / pi * 150 * STANDARD_GRAVITY_M_S2 * 0.006
    fall = sqrt(2 * STANDARD_GRAVITY_M_S2 * 1.22) * 1.3
    assert (round(transport, 1), round(fall, 1)) == (5.6, 6.4)
    group = next(a for a in make_parser()._actions if a.choices and "series" in a.choices)
    opened = next(a for a in group.choices["series"]._actions if a.choices and "open" in a.choices)
    words = " ".join(opened.choices["open"].format_help().split())
    assert "150 g for 6 ms, 5.6 m/s" in words and "6.4 m/s" in words
