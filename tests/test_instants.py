"""Drops of a case or device come in the order of their instants, whatever clock wrote them down."""

from __future__ import annotations

import io
import json
from datetime import datetime, timedelta, timezone

import pytest

from durability.record import clock
from durability.store import database
from durability.workflow.histories import histories_in

HEAD = "series,drop_number,peak_g,dropped_at,case,case_model,device,device_kind,drop_height_mm\n"


def kept(run, tmp_path, *rows, name="drops.csv"):
    """Import of rows of the case K: series, drop number, time."""
    text = "".join(f"{code},{number},100,{at},K,M,D,dummy,1000\n" for code, number, at in rows)
    (tmp_path / name).write_text(HEAD + text)
    return run("import", "drops", name)


def ages(tmp_path, **shape):
    with database.reading(tmp_path / "store.duckdb") as connection:
        found = histories_in(connection).valid
    return {each.series: each.all_case_ages.tolist() for each in found}


@pytest.fixture
def summer_time_ends(run, tmp_path):
    """At 01:00 UTC on 25 October 2026 clocks in Berlin go from 03:00 back to 02:00."""
    run("init")
    kept(
        run, tmp_path,
        ("B", 1, "2026-10-25T02:05:00+01:00"), ("B", 2, "2026-10-25T02:20:00+01:00"),
        ("A", 1, "2026-10-25T02:10:00+02:00"), ("A", 2, "2026-10-25T02:50:00+02:00"),
        ("C", 1, "2026-10-24T23:40:00-02:00"), ("Z", 1, "2026-10-25T01:00:00Z"),
    )  # fmt: skip


def test_age_goes_by_the_instant_over_offsets_and_the_end_of_summer_time(
    summer_time_ends, tmp_path
):
    assert ages(tmp_path) == {"A": [1, 2], "Z": [3], "B": [4, 5], "C": [6]}


def test_rest_is_counted_from_instants(summer_time_ends, run):
    rows = run(
        "query", "rest_between_drops", "--set", "shorter_than_s=100000", "--json"
    ).json["rows"]  # fmt: skip
    rest_s = {(row[0], row[1]): row[4] for row in rows}
    # By the clock on the wall B 1 came 5 minutes before A 1.
    assert rest_s == {("A", 2): 2400, ("Z", 1): 600, ("B", 1): 300, ("B", 2): 900, ("C", 1): 1200}


def test_the_history_of_a_case_is_told_in_that_order(summer_time_ends, run):
    events = run("history", "K", "--json").json["events"]
    told = [(each["series"], each["drop_number"]) for each in events]
    assert told == [("A", 1), ("A", 2), ("Z", 1), ("B", 1), ("B", 2), ("C", 1)]


def test_a_look_at_a_device_knows_the_drops_before_it_by_the_instant(run, tmp_path):
    run("init")
    rows = [f"S,{number},100,2026-10-25T02:{10 * number}:00+02:00,,,R,device,1000"
            for number in (1, 2)]  # fmt: skip
    (tmp_path / "drops.csv").write_text(HEAD + "\n".join(rows) + "\n")
    (tmp_path / "looks.csv").write_text(
        "device,inspected_at,function,outcome\n"
        "R,2026-10-25T02:05:00+01:00,touch,pass\nR,2026-10-25T01:15:00Z,display,pass\n"
        "R,2026-10-24T20:12:00-04:00,power-on,pass\n"
    )
    run("import", "drops", "drops.csv")
    run("import", "inspections", "looks.csv")
    query = "SELECT inspected_at::VARCHAR, drops_before FROM device_looks ORDER BY inspected_at"
    rows = run("query", "--sql", query, "--json").json["rows"]
    assert [row[1] for row in rows] == [1, 2, 2]


def test_questions_on_failures_order_the_inspections_of_a_day_by_the_instant(run, tmp_path):
    """Passed at 20:00 in Tokyo, eight hours before it failed at 19:00 in London."""
    run("init")
    (tmp_path / "drops.csv").write_text(
        HEAD + "S,1,100,2026-03-02T09:00:00+00:00,K,M,R-1,device,1000\n"
    )
    run("import", "drops", "drops.csv")
    (tmp_path / "checks.csv").write_text(
        "device,function,outcome,inspected_at\n"
        "R-1,sound,fail,2026-03-04T19:00:00+00:00\n"
        "R-1,sound,pass,2026-03-04T20:00:00+09:00\n"
    )
    run("import", "inspections", "checks.csv")
    assert len(run("query", "latent_failures", "--json").json["rows"]) == 1
    rows = run("query", "days_from_last_drop_to_failure", "--json").json["rows"]
    assert [row[4] for row in rows] == ["failed later"]


def test_questions_on_the_follow_up_go_by_the_instant(run, tmp_path):
    """Tokyo's clock shows the later hour, or day, of what came first."""
    run("init")
    (tmp_path / "drops.csv").write_text(
        HEAD + "S,1,100,2026-03-05T01:00:00+09:00,K,M,R-1,device,1000\n"
        "S,2,100,2026-03-04T18:00:00+00:00,K,M,R-1,device,1000\n"
        "T,1,100,2026-03-06T09:00:00+00:00,L,M,R-2,device,1000\n"
    )
    run("import", "drops", "drops.csv")
    (tmp_path / "checks.csv").write_text(
        "device,function,outcome,inspected_at\n"
        "R-1,sound,degraded,2026-03-04T01:30:00+09:00\nR-1,sound,fail,2026-03-04T17:30:00Z\n"
        "R-1,sound,pass,2026-03-04T20:00:00+09:00\nR-2,sound,pass,2026-03-06T17:59:00+09:00\n"
    )
    run("import", "inspections", "checks.csv")
    rows = run("query", "open_findings", "--json").json["rows"]
    assert [row[0:1] + row[3:6] for row in rows] == [["R-1", "fail", "2026-03-04", "2026-03-04"]]
    rows = run("query", "devices_not_inspected", "--set", "on=2026-03-10", "--json").json["rows"]
    # Its drop at 01:00 of the 5th in Tokyo was made on the 4th, before the other one.
    assert [row[0:1] + row[3:6] for row in rows] == [
        ["R-1", "2026-03-04", 6, "2026-03-04"], ["R-2", "2026-03-06", 4, "2026-03-06"],
    ]  # fmt: skip
    # Inspected at 17:59 in Tokyo, a minute before its drop at 9:00 UTC: that is a baseline.
    rows = run("query", "inspections_overdue", "--set", "on=2026-03-10", "--json").json["rows"]
    due = run("due", "--on", "2026-03-10", "--json").json
    told = {(row[0], row[3]) for row in rows}
    assert told == {("R-2", "2026-03-06")}
    assert {(each["device"], each["due_on"]) for each in due["due"]} >= told


def test_a_time_without_an_offset_has_that_of_the_times_before_it(run, tmp_path):
    run("init")
    kept(
        run, tmp_path,
        ("A", 1, "2026-03-28T09:00:00"), ("B", 1, "2026-03-28T10:00:00+01:00"),
        ("C", 1, "2026-03-28T11:00:00"), ("E", 1, "2026-03-28T10:30:00Z"),
        ("F", 1, "2026-03-30T12:00:00+02:00"), ("G", 1, "2026-03-30T12:30:00"),
        ("H", 1, "2026-03-30T10:20:00Z"),
    )  # fmt: skip
    assert ages(tmp_path) == {
        "A": [1], "B": [2], "C": [3], "E": [4], "F": [5], "H": [6], "G": [7],
    }  # fmt: skip


def test_a_series_gives_its_offset_to_its_times_without_one(run, tmp_path):
    """The nearest by the clock, of two as near the earlier; Z says nothing of the bench clock."""
    run("init")
    rows = [
        ("T", 1, "2026-11-02T10:35:00+09:00"), ("T", 2, "2026-11-02T01:35:01Z"),
        ("T", 3, "2026-11-02T10:36:30"), ("T", 4, ""), ("T", 5, "2026-11-02T08:40:00"),
        ("T", 6, "2026-11-02T06:45:00+05:00"),
        ("B", 1, "2026-11-02T02:00:00+01:00"), ("B", 2, "2026-11-03T02:00:00"),
        ("L", 1, "2026-11-02T03:30:00"), ("Z", 1, "2026-11-02T02:00:00Z"),
        ("Z", 2, "2026-11-02T03:30:00"),
    ]  # fmt: skip
    text = "".join(
        f"{code},{number},100,{at},{code}K,M,D,dummy,1000\n" for code, number, at in rows
    )
    (tmp_path / "drops.csv").write_text(HEAD + text)
    said = run("import", "drops", "drops.csv").err
    taken = "5 times of drops without an offset from UTC, read as +01:00, +05:00, +09:00"
    assert said.count(taken) == 1
    query = "SELECT series, drop_number, dropped_at_utc::VARCHAR, utc_offset FROM timed_drops"
    found = run("query", "--sql", f"{query} ORDER BY series, drop_number", "--json").json["rows"]
    assert [row[2:] for row in found] == [
        ["2026-11-02 01:00:00", "+01:00"], ["2026-11-03 01:00:00", "+01:00"],
        ["2026-11-02 02:30:00", "+01:00"],
        ["2026-11-02 01:35:00", "+09:00"], ["2026-11-02 01:35:01", "Z"],
        ["2026-11-02 01:36:30", "+09:00"], [None, None], ["2026-11-02 03:40:00", "+05:00"],
        ["2026-11-02 01:45:00", "+05:00"],
        ["2026-11-02 02:00:00", "Z"], ["2026-11-02 02:30:00", "+01:00"],
    ]  # fmt: skip
    rest = run("query", "rest_between_drops", "--set", "shorter_than_s=100", "--json").json["rows"]
    assert [(row[0], row[1], row[4]) for row in rest] == [
        ("T", 6, -6900), ("T", 2, 1), ("T", 3, 89),
    ]  # fmt: skip


def test_undated_drops_stand_where_they_were_entered_by_row_of_the_file(run, tmp_path):
    run("init")
    kept(run, tmp_path, ("B", 1, "2026-03-01T09:00"), ("B", 2, "2026-03-01T09:10"))
    kept(
        run, tmp_path,
        ("F", 2, ""), ("A", 1, ""), ("F", 1, ""), ("G", 2, ""), ("G", 1, "2026-02-01T09:00"),
        name="undated.csv",
    )  # fmt: skip
    run("series", "open", "N", "--device", "D", "--case", "K")
    run("drop", "add", "N", "--peak-g", "100")
    # Numbers rule within a series: the second drop of F stands behind the first.
    assert ages(tmp_path) == {"G": [1, 2], "B": [3, 4], "A": [5], "F": [6, 7], "N": [8]}


def test_a_clock_that_went_back_moves_no_drop_before_the_one_before_it(run, tmp_path):
    run("init")
    kept(
        run, tmp_path,
        ("A", 1, "2026-03-01T09:00"), ("A", 2, "2000-01-01T00:00"), ("A", 3, "2000-01-01T00:01"),
        ("B", 1, "2026-03-01T08:00"),
    )  # fmt: skip
    assert ages(tmp_path) == {"B": [1], "A": [2, 3, 4]}


def test_voided_drops_count_and_others_of_the_record_do_not(run, tmp_path):
    run("init")
    kept(run, tmp_path, *[("A", number, f"2026-03-01T09:0{number}") for number in range(1, 6)])
    kept(run, tmp_path, ("B", 1, "2026-03-02T09:00"), name="later.csv")
    for number in (1, 3):
        run("drop", "void", "A", number, "--reason", "cable loose")
    with database.reading(tmp_path / "store.duckdb") as connection:
        a, b = histories_in(connection).valid
    assert a.case_age.tolist() == [2, 4, 5]
    assert (a.all_case_ages[0], b.all_case_ages[0]) == (1, 6)
    assert a.case_status == "in use"


def test_a_corrected_time_brings_its_offset(summer_time_ends, run, tmp_path):
    run("drop", "amend", "C", 1, "--set", "dropped_at=2026-10-25T02:30+02:00", "--reason", "clock")
    assert ages(tmp_path) == {"A": [1, 3], "C": [2], "Z": [4], "B": [5, 6]}
    # Without one, the offset that was recorded stays.
    run("drop", "amend", "B", 2, "--set", "dropped_at=2026-10-25T02:01", "--reason", "clock")
    rows = run("query", "--sql", "SELECT series, dropped_at_utc::VARCHAR FROM timed_drops"
               " WHERE series = 'B' ORDER BY drop_number", "--json").json["rows"]  # fmt: skip
    assert [row[1] for row in rows] == ["2026-10-25 01:05:00", "2026-10-25 01:01:00"]


def test_the_bench_counts_rest_through_the_change_of_the_clock(
    summer_time_ends, run, monkeypatch, tmp_path
):
    # 02:45 on the wall, five minutes after C at 01:40 UTC, whose own clock said 23:40.
    there = datetime(2026, 10, 25, 2, 45, tzinfo=timezone(timedelta(hours=1)))
    monkeypatch.setattr(clock, "now", lambda: there)
    monkeypatch.setattr("sys.stdin", io.StringIO("118\n"))
    assert "drop 3 stored: 118 (rest 5 min 0 s)" in run("record", "A").out


def test_a_number_left_out_is_a_drop_not_recorded(run, tmp_path):
    """A lab's sheet with gaps: what is missing was made, so the case is as old as its numbers."""
    run("init")
    table = tmp_path / "gaps.csv"
    rows = [f"S1,{number},100,D,K,2026-03-0{day}" for number, day in ((3, 1), (5, 1), (9, 2))]
    rows += [f"S2,{number},100,D,K,2026-03-03" for number in (2, 4)]
    table.write_text("\n".join(["series,drop_number,peak_g,device,case,dropped_at", *rows]))
    run("import", "drops", str(table), "--allow-gaps")
    told = json.loads(run("forecast", "--json").out)["series"]
    assert [each["case_age_at_first_drop"] for each in told] == [1, 10]
    found = run("query", "--sql", 'SELECT list(case_drop_number ORDER BY case_drop_number) AS a'
                " FROM case_drops", "--json")  # fmt: skip
    assert json.loads(found.out)["rows"] == [[[3, 5, 9, 11, 13]]]


CLOCKS = [  # one second before the change and one after it, and how long the hour of it was
    ("Berlin, begins", "2026-03-29T01:59:59+01:00", "2026-03-29T03:00:01+02:00"),
    ("Berlin, ends", "2026-10-25T02:59:59+02:00", "2026-10-25T02:00:01+01:00"),
    ("Santiago, begins", "2026-09-05T23:59:59-04:00", "2026-09-06T01:00:01-03:00"),
    ("Santiago, ends", "2026-04-04T23:59:59-03:00", "2026-04-04T23:00:01-04:00"),
]


@pytest.mark.parametrize(("before", "after"), [row[1:] for row in CLOCKS], ids=lambda _: "")
def test_rest_over_the_change_of_the_clock_is_the_time_that_passed(run, tmp_path, before, after):
    run("init")
    kept(run, tmp_path, ("A", 1, before), ("A", 2, after), ("B", 1, after[:-6]))
    found = run("query", "rest_between_drops", "--json").json["rows"]
    assert [(row[0], row[1], row[4]) for row in found] == [("B", 1, 0), ("A", 2, 2)]


def test_a_clock_that_ran_backwards_is_reported_where_the_drop_is_stored(run, tmp_path):
    run("init")
    told = kept(
        run, tmp_path,
        ("A", 1, "2026-03-01T09:00"), ("A", 2, "2026-03-01T08:59:40"), ("A", 3, "2026-03-01"),
        ("A", 4, "2026-03-01T09:02"), ("A", 5, "2026-02-01"), ("B", 1, "2026-02-27T09:00"),
    )  # fmt: skip
    # A date alone is earlier only by its day.
    assert "A drop 2 (and 1 more drop): its time is 20 s before that of the drop" in told.err
    typed = run("drop", "add", "B", "--peak-g", "100", "--dropped-at", "2026-02-25T09:00").err
    assert typed.count("\n") == 1 and "B drop 2: its time is 2 days before" in typed
    assert run("drop", "add", "B", "--peak-g", "100", "--dropped-at", "2026-02-26T09:00").err == ""
    listed = run("query", "rest_between_drops", "--set", "shorter_than_s=0", "--json").json["rows"]
    assert [(row[0], row[1]) for row in listed] == [("B", 2), ("A", 2)]
    amend = ("drop", "amend", "B", "--reason", "clock", "--set")
    said = run(*amend, "dropped_at=2026-02-27T09:05", 2).err
    assert "B drop 3: its time is" in said and said.count("\n") == 1
    assert run(*amend, "dropped_at=2026-02-27T09:06", 3).err == ""
    listed = run("query", "rest_between_drops", "--set", "shorter_than_s=0", "--json").json["rows"]
    assert [(row[0], row[1]) for row in listed] == [("A", 2)]


def test_a_file_that_fills_in_earlier_drops_is_compared_on_both_sides(run, tmp_path):
    run("init")
    rows = [("A", number, f"2026-03-01T09:{number:02}") for number in (1, 2, 4)]
    (tmp_path / "drops.csv").write_text(
        HEAD + "".join(f"{code},{n},100,{at},K,M,D,dummy,1000\n" for code, n, at in rows)
    )
    assert run("import", "drops", "drops.csv", "--allow-gaps").err == ""
    late = kept(run, tmp_path, ("A", 3, "2026-03-01T10:00"), name="late.csv")
    assert "A drop 4: its time is 56 min 0 s before that of the drop before it" in late.err


def test_the_bench_reports_a_clock_that_was_set_back(run, tmp_path, monkeypatch):
    run("init")
    kept(run, tmp_path, ("A", 1, "2026-03-29T03:10:00+02:00"))
    # By the wall two minutes later, by the instant an hour: nothing to report.
    for minute, zone, expected in ((12, 1, 0), (13, 2, 1)):
        now = datetime(2026, 3, 29, 3, minute, tzinfo=timezone(timedelta(hours=zone)))
        monkeypatch.setattr(clock, "now", lambda now=now: now)
        monkeypatch.setattr("sys.stdin", io.StringIO("118\n"))
        assert run("record", "A").err.count("a clock ran backwards") == expected
