"""The keyboard session: one line a drop, each stored before the next prompt."""

import io
import json
import os
import subprocess
import sys

import pytest

from durability.intake.hand_entry import read_line
from durability.record.errors import UnusableCall


@pytest.fixture
def bench(store, once):
    def make():
        store("specimen", "add", "D-1", "--kind", "dummy")
        store("specimen", "add", "C-1", "--kind", "case", "--model", "sleeve")
        store(
            "series", "open", "S1", "--device", "D-1", "--case", "C-1", "--drop-height-mm", "1220"
        )

    once(make)
    return store


@pytest.fixture
def type_lines(bench, monkeypatch):
    def call(*lines, words=("record", "S1"), expect=0):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        return bench(*words, expect=expect)

    return call


def test_a_line_without_an_end_is_refused_in_one(type_lines):
    found = type_lines("118", "0" * 100_000, expect=2)
    assert "a line of more than 65,536 characters, beginning '0000" in found.err
    assert len(found.err.splitlines()) == 2  # the other is of the drop before it


def drops(run):
    return run("drop", "list", "--series", "S1", "--json").json["drops"]


@pytest.mark.parametrize(
    ("line", "peak", "duration", "severity", "location", "note", "void"),
    [
        ("118", "118", None, None, None, None, None),
        ("118 6.2", "118", "6.2", None, None, None, None),
        ("118 d2 corner 3", "118", None, "2", "corner 3", None, None),
        ("118 6.2 d1", "118", "6.2", "1", None, None, None),
        ("118 # dirty hands", "118", None, None, None, "dirty hands", None),
        ("118 6.2 d2 edge 1-2 # hairline", "118", "6.2", "2", "edge 1-2", "hairline", None),
        ("118 void: cable snag", "118", None, None, None, None, "cable snag"),
        ("void: bad trigger", None, None, None, None, None, "bad trigger"),
    ],
)
def test_a_line_says_it_all(line, peak, duration, severity, location, note, void):
    typed = read_line(line)
    assert typed.peak_g == peak
    assert typed.values["pulse_duration_ms"] == duration
    assert typed.values["damage_severity"] == severity
    assert typed.values["damage_location"] == location
    assert typed.values["note"] == note
    assert typed.void_reason == void


@pytest.mark.parametrize("line", ["void:", "118 6.2 7.3", "# only a note"])
def test_a_line_of_another_form_is_told(line):
    with pytest.raises(UnusableCall):
        read_line(line)


def test_each_line_is_a_stored_drop(type_lines, bench):
    told = type_lines("118", "119.5 6.1", "void: bad trigger", "121 d2 corner 3 # hairline")
    assert "drop 1 stored" in told.out and "drop 4 stored" in told.out
    kept = drops(bench)
    assert [d["peak_g"] for d in kept] == [118.0, 119.5, None, 121.0]
    assert kept[2]["void_reason"] == "bad trigger"
    assert (kept[3]["damage_severity"], kept[3]["note"]) == (2, "hairline")


def test_the_trend_so_far_follows_each_drop(type_lines):
    told = type_lines(*(str(118 + 4 * n) for n in range(12)))
    assert "too few" in told.out and "WEAR ALARM since drop 8: the rise goes on" in told.out


def test_undo_voids_the_last_drop_and_keeps_its_number(type_lines, bench):
    type_lines("118", "400", "undo", "119")
    kept = drops(bench)
    assert [(d["drop_number"], d["status"]) for d in kept] == [
        (1, "valid"),
        (2, "void"),
        (3, "valid"),
    ]


def test_a_reading_typed_wrong_is_corrected_by_one_key(type_lines, bench):
    told = type_lines("118", "1190", "c 119", "120", "c 1 117.5")
    assert "drop 2: 1190 → 119 g" in told.out and "drop 1: 118 → 117.5 g" in told.out
    kept = drops(bench)
    assert [(d["peak_g"], d["status"]) for d in kept] == [
        (117.5, "valid"), (119.0, "valid"), (120.0, "valid"),
    ]  # fmt: skip
    events = json.loads(bench("history", "C-1", "--json").out)["events"]
    assert [each["what"] for each in events if each["event"] == "amendment"] == [
        "peak_g: 1190.0 to 119.0, typed wrong",
        "peak_g: 118.0 to 117.5, typed wrong",
    ]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("c 0 120", "drop 0 of series 'S1': not in the store; its last drop is 2"),
        ("c 3 120", "drop 3 of series 'S1': not in the store; its last drop is 2"),
        ("c x", "peak 'x': not a number"),
        ("c -5", "not a number above 0"),
        ("c 1 120 6.2", "not a correction; write c 125, or c 7 125 for drop 7"),
        ("c", "not a correction"),
    ],
)
def test_a_correction_that_can_not_be_changes_nothing(type_lines, bench, line, said):
    told = type_lines("118", "119", line, expect=1)
    assert said in told.err
    assert [d["peak_g"] for d in drops(bench)] == [118.0, 119.0]


def test_a_correction_says_what_it_does_not_change_and_what_is_still_far_off(type_lines):
    told = type_lines("118", "119", "120", "c 3 1200", "u", "c 121", "c 3 1201", "v4", "c 122")
    assert "! S1 drop 3: 1200 g is 10 times the readings before it" in told.err
    assert told.err.count("If misread: c 3 G, with G the right one") == 1  # void: no reading
    assert "drop 3: 1200 → 121 g; it is still void (undone at the bench)" in told.out
    assert "drop 4: no reading → 122 g; it is still void (bad trigger)" in told.out


def test_a_line_is_refused_in_the_words_of_the_line(type_lines):
    told = type_lines("118 h0", "-5", "118 soon", "slightly swollen", expect=1)
    assert "height '0': not" in told.err and "peak '-5': not" in told.err
    assert "pulse duration 'soon': not" in told.err
    assert "'slightly swollen': not a drop; write peak g" in told.err and "--" not in told.err


def test_nothing_to_correct_yet(type_lines):
    assert "c: no drop made yet" in type_lines("c 118", expect=1).err


def test_a_wrong_line_is_told_and_the_session_goes_on(type_lines, bench):
    told = type_lines("118", "a hundred", "119", expect=1)
    assert "not stored" in told.err
    assert [d["peak_g"] for d in drops(bench)] == [118.0, 119.0]


def test_json_acknowledges_each_drop_in_a_line(type_lines):
    told = type_lines("118", "119", words=("record", "S1", "--json"))
    assert '"drop_number": 2' in told.out.splitlines()[1]


def test_a_session_resumes_at_the_next_number(type_lines, bench):
    type_lines("118")
    type_lines("119")
    assert [d["drop_number"] for d in drops(bench)] == [1, 2]


def test_an_unknown_or_closed_series_is_told_before_anything_is_typed(type_lines, bench):
    assert "not in the store" in type_lines("1", words=("record", "S9"), expect=1).err
    bench("series", "close", "S1", "--reason", "done")
    assert "closed" in type_lines("1", expect=1).err


def test_the_session_holds_no_lock_between_drops(bench, tmp_path):
    """A colleague can look while the session waits for the next line."""
    environment = {**os.environ, "DURABILITY_STORE": str(tmp_path / "store.duckdb")}
    session = subprocess.Popen(
        [sys.executable, "-m", "durability", "record", "S1"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )
    session.stdin.write("118\n")
    session.stdin.flush()
    assert session.stdout.readline().startswith("drop 1 stored")
    assert session.stdout.readline()
    assert [d["peak_g"] for d in drops(bench)] == [118.0]
    session.kill()
    session.communicate()
    assert len(drops(bench)) == 1
