"""A case that has failed isn't dropped unnoticed."""

from __future__ import annotations

import io

import pytest

WHY = "to see how it breaks up"


@pytest.fixture
def broken(run):
    """The case K failed at the second drop of S1, a dummy in it."""
    run("init")
    opened(run, "S1")
    run("drop", "add", "S1", "--peak-g", "100")
    run("drop", "add", "S1", "--peak-g", "140", "--damage-severity", "4",
        "--damage-location", "corner 3")  # fmt: skip
    return run


def opened(run, code, *words, expect=0, case="K"):
    return run("series", "open", code, "--device", "D", "--device-kind", "dummy", "--case", case,
               "--case-model", "M", *words, expect=expect)  # fmt: skip


def add(run, series="S1", *words, expect=0):
    return run("drop", "add", series, "--peak-g", "150", *words, expect=expect)


def test_a_drop_and_a_series_in_it_need_a_reason(broken):
    for told in (add(broken, expect=1), opened(broken, "S2", expect=1)):
        assert told.err == (
            "durability: case 'K' has failed (damage of severity 4 after drop 2 of S1: corner 3):"
            " use another, or say why it is used anyway with --despite-failed WHY\n"
        )
    assert add(broken, "S1", "--despite-failed", " ", expect=2).err
    told = add(broken, "S1", "--despite-failed", WHY)
    assert told.out == "3\n"
    assert "K had failed before 1 drop here" in told.err and "bare in effect" in told.err
    opened(broken, "S2", "--despite-failed", WHY)
    # The next one is asked for anew.
    add(broken, "S2", expect=1)


def test_the_reason_is_kept_with_the_entry_and_only_where_it_was_needed(broken):
    opened(broken, "S2", "--despite-failed", WHY)
    add(broken, "S1", "--despite-failed", WHY)
    opened(broken, "S3", "--despite-failed", WHY, case="whole")
    query = "SELECT command, despite_failed FROM entry ORDER BY entry_id"
    rows = broken("query", "--sql", query, "--json").json["rows"]
    told = [why for _, why in rows]
    assert told == [None, None, None, WHY, WHY, None]
    assert WHY in broken("show", "drop", "S1", "3").out
    assert f"despite failed case: {WHY}" in " ".join(broken("history", "K").out.split())


@pytest.mark.parametrize(
    "taken_back",
    [
        ("drop", "void", "S1", "2", "--reason", "cable snag"),
        ("drop", "amend", "S1", "2", "--set", "damage_severity=2", "--reason", "only a crack"),
    ],
)
def test_a_note_that_was_taken_back_refuses_nothing(broken, taken_back):
    broken(*taken_back)
    add(broken)
    assert not broken("forecast", "--json").json["series"][0]["failed"]
    if "void" in taken_back:
        broken("drop", "restore", "S1", "2", "--reason", "it was sound")
        add(broken, expect=1)


def test_damage_seen_at_a_drop_without_a_reading_stands(run):
    run("init")
    opened(run, "S1")
    run("drop", "add", "S1", "--void-reason", "bad trigger", "--damage-severity", "4")
    assert "case 'K' has failed" in add(run, expect=1).err


@pytest.mark.parametrize("state", ["lost", "retired"])
def test_a_case_that_is_not_in_use_needs_a_reason_too(run, state):
    run("init")
    opened(run, "S1")
    run("specimen", "retire", "K", "--state", state, "--reason", "somewhere")
    for told in (add(run, expect=1), opened(run, "S2", expect=1)):
        assert f"case 'K' is {state}: use another" in told.err
    assert "failed" not in add(run, "S1", "--despite-failed", "found again").err


def test_a_bare_drop_is_refused_for_its_own_device_only(run, tmp_path):
    """The engine forgot which specimens were meant where one of the keys was NULL."""
    codes = "".join(f"D{at},device\n" for at in range(9))
    (tmp_path / "devices.csv").write_text("code,kind\n" + codes, encoding="utf-8")
    run("init")
    run("import", "specimens", tmp_path / "devices.csv")
    run("specimen", "retire", "D3", "--reason", "worn out")
    run("series", "open", "S1", "--device", "D1", "--case", "C1", "--case-model", "M")
    add(run)
    for at in (6, 7):
        run("series", "open", f"B{at}", "--device", f"D{at}")
    assert add(run, "B7").out == "1\n"
    run("specimen", "retire", "D7", "--reason", "lost", "--state", "lost")
    assert "device 'D7' is lost" in add(run, "B7", expect=1).err


def test_a_level_beyond_the_limit_refuses_nothing(run):
    run("init")
    opened(run, "S1")
    for peak in (100, 101, 160, 220, 300, 400):
        run("drop", "add", "S1", "--peak-g", peak)
    assert run("forecast", "--json").json["series"][0]["failed"]
    add(run)


def test_drops_made_already_are_taken_and_counted(broken, tmp_path):
    rows = (
        "S1,3,150,K,M,D,dummy,", "S1,4,150,K,M,D,dummy,4", "S1,5,150,K,M,D,dummy,",
        "N,1,100,new,M,D,dummy,4", "N,2,100,new,M,D,dummy,",
    )  # fmt: skip
    (tmp_path / "drops.csv").write_text(
        "series,drop_number,peak_g,case,case_model,device,device_kind,damage_severity\n"
        + "\n".join(rows) + "\n"
    )  # fmt: skip
    told = broken("import", "drops", "drops.csv", "--json")
    assert told.json["added"] == 5
    assert told.json["dropped_after_failure"] == {"K": 3, "new": 1}
    assert "K had failed before 3 drops here" in told.err
    assert "dropped_after_failure" not in broken("import", "drops", "drops.csv", "--json").json


def test_recorders_files_are_taken_and_counted(broken, tmp_path):
    time = [f"{k * 1e-5:.5f},{200 * (1 if 300 <= k < 700 else 0)}" for k in range(2000)]
    (tmp_path / "a.csv").write_text("time (s),acceleration (g)\n" + "\n".join(time) + "\n")
    told = broken("import", "waveforms", "a.csv", "--series", "S1", "--json")
    assert told.json["dropped_after_failure"] == {"K": 1}


def test_later_lines_of_a_pipe_are_refused_without_the_option(run, monkeypatch):
    run("init")
    opened(run, "S1")
    lines = "100\n140 d4 corner 3\n150\n160\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))
    told = run("record", "S1", expect=1)
    assert told.err.count("--despite-failed WHY; not stored") == 2
    monkeypatch.setattr("sys.stdin", io.StringIO("150\n"))
    assert "--despite-failed WHY\n" in run("record", "S1", expect=1).err
    monkeypatch.setattr("sys.stdin", io.StringIO("150\n160\n"))
    told = run("record", "S1", "--despite-failed", WHY)
    assert told.err.count("K had failed") == 1
    assert run("series", "list", "--json").json["series"][0]["drops"] == 4


def test_the_keyboard_asks_once(run, at_keyboard):
    run("init")
    opened(run, "S1")
    told = at_keyboard(f"\r100\r140 d4\r150\r{WHY}\r160\rq\r", "record", "S1")
    assert " ".join(told.out.split()).count("case 'K' has failed (") == 1
    assert run("series", "list", "--json").json["series"][0]["drops"] == 4
    told = at_keyboard(f"{WHY}\r170\rq\r", "record", "S1")
    assert " ".join(told.out.split()).count("case 'K' has failed (") == 1
    at_keyboard("\r", "record", "S1", expect=1)
    assert run("series", "list", "--json").json["series"][0]["drops"] == 5
