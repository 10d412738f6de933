"""One screen that says how things stand; its numbers are those of the answers it stands for."""

from __future__ import annotations

import json

import pytest


@pytest.fixture
def store(run, tmp_path):
    """Two cases, one failed by damage; a closed series; a reference series; one bare."""
    run("init")
    table = tmp_path / "lab.csv"
    rows = [
        f"{series},{number},{100 + step * number},D,dummy,{case},{'M' if case else ''}"
        for series, case, step in (("S1", "K", 3), ("S2", "L", 0), ("S3", "N", 0), ("B", "", 0))
        for number in range(1, 13)
    ]
    columns = "series,drop_number,peak_g,device,device_kind,case,case_model"
    table.write_text("\n".join([columns, *rows]))
    run("import", str(table))
    run("series", "close", "S3", "--reason", "done")
    run("damage", "add", "L", "--series", "S2", "--drop", "12", "--severity", "4",
        "--mode", "crack")  # fmt: skip
    return run


def test_open_series_stand_with_the_figures_of_trend_and_forecast(store):
    told = json.loads(store("status", "--json").out)
    assert list(told) == ["open_series", "due", "quarantined", "rig", "last_entries"]
    found = {each["series"]: each for each in told["open_series"]}
    assert sorted(found) == ["B", "S1", "S2"]
    trends = {each["series"]: each for each in json.loads(store("trend", "--json").out)["series"]}
    lives = {each["series"]: each for each in json.loads(store("forecast", "--json").out)["series"]}
    for code, each in found.items():
        for name in ("verdict", "alarm_at_drop", "wear_alarm_at_drop"):
            assert each[name] == trends[code][name]
        if code != "B":
            assert each["drops_left"] == lives[code]["drops_left"]
            assert each["failed"] == lives[code]["failed"]
    assert found["S2"]["failed"] and found["B"]["failed"] is None
    assert [each["command"] for each in told["last_entries"]] == [
        "damage add", "series close", "import drops",
    ]  # fmt: skip


def test_what_needs_action_comes_first_and_all_fits_one_screen(store, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = store("status").out.splitlines()
    assert lines[0] == "3 open series: 1 rising, 1 failed."
    assert len(lines) <= 24 and max(map(len, lines)) <= 80
    order = [line.split()[0] for line in lines if line.split()[:1] in (["S1"], ["S2"], ["B"])]
    assert order == ["S2", "S1", "B"]
    assert "No inspection is due." in lines
    assert "Rig: no reference drops, so a drift can't be seen." in lines
    assert any(line.startswith("Last entries: damage add by ") for line in lines)


def test_that_of_a_large_record_fits_one_screen_too(run, demo_store, monkeypatch):
    """Fifty-five series, a device in quarantine, a drifted rig, sensors overdue."""
    monkeypatch.setenv("COLUMNS", "80")
    lines = run("status", "--store", str(demo_store)).out.splitlines()
    assert len(lines) <= 23
    told = " ".join(" ".join(lines).split())
    assert "R14 since 2026-05-06 (swollen; watch until 2026-06-05); do not charge" in told
    assert "demo-pad: DRIFTED since" in told and "Calibration overdue: demo-A" in told


def test_of_an_empty_store_it_says_so(run):
    run("init")
    told = run("status").out
    assert "No open series with drops." in told and "Nothing is entered yet." in told


def test_alarms_that_hold_among_many_are_named(store):
    told = json.loads(store("status", "--false-discovery", "10%", "--json").out)
    assert list(told) == ["rate", "alarms", *("open_series", "due"), "quarantined", "rig",
                          "last_entries"]  # fmt: skip
    assert (told["rate"], told["alarms"]) == (0.1, ["S1"])
    shown = " ".join(store("status", "--false-discovery", "0.1").out.split())
    assert (
        "1 of 1 alarm holds at a false discovery rate of 10 %, however often checked: S1."
    ) in shown
    assert "false discovery" not in store("status").out


def test_series_that_rise_at_a_false_discovery_rate_are_listed(store):
    told = json.loads(store("trend", "--false-discovery", "0.1", "--json").out)
    assert list(told) == ["rate", "rising", "expected_false", "found", "series"]
    assert (told["rising"], told["found"], len(told["series"])) == (1, ["S1"], 4)
    assert told["expected_false"] == pytest.approx(3 * 0.05 / 0.95)
    shown = " ".join(store("trend", "--false-discovery", "0.1").out.split())
    assert "none of them expected to be false; 1 holds at a false discovery rate of 10 %" in shown
    assert "Rising at a false discovery rate of 10 %" in shown
    assert "S2 " not in shown.partition("Rising at")[2]
