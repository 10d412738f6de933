"""The saved questions: a full head each, and the answers that a hand would compute."""

import json
import re
from functools import cache

import numpy as np
import pytest
from scipy import stats

from durability.__main__ import main
from durability.record.errors import UnusableCall
from durability.record.orientation import is_orientation
from durability.report import terminal
from durability.report.answers import query as shown
from durability.store import database
from durability.store.saved_queries import read_query, run_query, saved_queries
from durability.workflow import archive as imports
from durability.workflow import follow_up, questions, sensors
from durability.workflow.histories import orientation_name
from durability.workflow.session import Session, make_store

QUERIES = saved_queries([])
WITHOUT_EXAMPLE = {"conflicts", "late_entries", "issued_reports", "disposals"}
"""What they say of the demo depends on the day on which it was built; it has issued no report, and
nothing of it is disposed of (tests/test_states.py)."""
UNIT_OF_ENDING = {
    "_g": " g",
    "_ms": " ms",
    "_mm": " mm",
    "_s": " s",
    "_pct": "%",
    "_days": "days",
    "_c": "°C",
}


@pytest.fixture(scope="module")
def demo_answer(demo_store):
    """Answer of a question asked of the demo with its defaults; each is asked once."""
    return cache(lambda name: run_query(demo_store, QUERIES[name], {}))


@pytest.fixture(scope="module")
def empty_store(tmp_path_factory):
    store = tmp_path_factory.mktemp("empty") / "empty.duckdb"
    make_store(Session(store, "tester"))
    return store


def body(query):
    return "\n".join(line for line in query.sql.splitlines() if not line.startswith("--"))


def rows_of(store, name, **values):
    answer = run_query(store, QUERIES[name], values)
    return [dict(zip(answer.columns, row, strict=True)) for row in answer.rows]


# ------------------------------------------------------------------------ what holds for each


def test_the_questions_that_the_daily_uses_need_are_there():
    assert set(QUERIES) >= {
        "fastest_degrading_cases",
        "peak_g_by_drop",
        "first_damage",
        "survived_drops",
        "voided_drops",
        "inspections_overdue",
        "latent_failures",
        "shock_exposure_by_device",
        "same_case_at_different_heights",
        "days_from_last_drop_to_failure",
    }


@pytest.mark.parametrize("name", QUERIES)
def test_the_head_is_full(name):
    query = QUERIES[name]
    assert query.title
    assert query.description.endswith(".")
    assert query.columns
    assert len({column for column, _ in query.columns}) == len(query.columns)
    for column, meaning in query.columns:
        for ending, unit in UNIT_OF_ENDING.items():
            if column.endswith(ending):
                assert unit in f" {meaning}", (column, meaning)
    assert "order by" in body(query).lower().rsplit(")", 1)[-1] or "ORDER BY" in body(query)
    if name not in WITHOUT_EXAMPLE:
        assert query.example


@pytest.mark.parametrize("name", QUERIES)
def test_its_parameters_are_used_and_used_ones_are_told(name):
    query = QUERIES[name]
    assert set(re.findall(r"\$(\w+)", body(query))) == {each.name for each in query.parameters}


@pytest.mark.parametrize("name", QUERIES)
def test_its_columns_are_what_it_returns_in_order_and_nothing_comes_from_nothing(name, empty_store):
    answer = run_query(empty_store, QUERIES[name], {})
    assert answer.columns == tuple(column for column, _ in QUERIES[name].columns)
    assert answer.rows == ()


@pytest.mark.parametrize(
    "name", sorted(set(QUERIES) - {"issued_reports", "disposals", "conflicts"})
)
def test_it_has_something_to_say_of_the_demo(name, demo_answer):
    answer = demo_answer(name)
    assert answer.rows
    for at, column in enumerate(answer.columns):
        # Nothing of the demo is disposed of, and no attitude had voided drops alone.
        has_none = (name, column) in {
            ("devices_in_quarantine", "disposed"),
            ("attitudes_seen", "voided_in"),
        }
        assert has_none or any(row[at] is not None for row in answer.rows), column


@pytest.mark.parametrize("name", [name for name in QUERIES if QUERIES[name].example])
def test_its_example_is_what_the_demo_gives(name, demo_store, demo_answer):
    query = QUERIES[name]
    lines = list(query.example)
    values = {}
    if lines[0].startswith("--set "):
        asked = lines.pop(0).replace("'", "").split("--set ")[1:]
        values = dict(text.strip().split("=") for text in asked)
    rows = (run_query(demo_store, query, values) if values else demo_answer(name)).rows
    assert 0 < len(lines) <= len(rows)
    columns = [column for column, _ in query.columns]
    for line, row in zip(lines, rows, strict=False):
        for told, cell in zip(line.split(" | "), shown.cells(columns, row), strict=True):
            assert cell.startswith(told[:-1]) if told.endswith("…") else cell == told


# ------------------------------------------------------------------- a store small enough to see

DROPS = """\
series,drop_number,peak_g,dropped_at,case,case_model,device,device_kind,drop_height_mm,surface,\
orientation,sensor,status,void_reason,damage_severity,damage_location,purpose
A,1,100,2026-03-01T10:00,C1,M,D,device,1000,steel,face 3,X,valid,,0,,
A,2,110,2026-03-01T10:03,C1,M,D,device,1000,steel,face 3,X,valid,,,,
A,3,121,2026-03-01T10:06,C1,M,D,device,1000,steel,face 3,X,valid,,1,seam,
A,4,133.1,2026-03-01T10:09,C1,M,D,device,1000,steel,face 3,X,valid,,,,
A,5,146.41,2026-03-01T10:12,C1,M,D,device,1000,steel,face 3,X,valid,,2,seam,
A,6,900,2026-03-01T10:12:30,C1,M,D,device,1000,steel,face 3,X,void,cable snagged,,,
B,1,70,2026-03-01T11:00,C1,M,D,device,500,steel,face 3,X,valid,,4,corner,
B,2,72,2026-03-01T11:03,C1,M,D,device,500,steel,face 3,X,valid,,,,
E,1,800,2026-03-01T12:00,,,E,device,500,steel,face 3,X,valid,,,,
E,2,,2026-03-01T12:03,,,E,device,500,steel,face 3,X,void,missed trigger,,,
G,1,300,2026-03-01T13:00,C2,M,U,dummy,,steel,,,valid,,,,
G,2,330,2026-03-01T13:03,C2,M,U,dummy,,steel,,,valid,,,,
P,1,200,2026-03-01T08:00,,,U,dummy,600,pad,face 3,X,valid,,,,reference
P,2,202,2026-03-01T08:03,,,U,dummy,600,pad,face 3,X,valid,,,,reference
P,3,221.1,2026-03-08T08:00,,,U,dummy,600,pad,face 3,X,valid,,,,reference
"""
INSPECTIONS = """\
device,inspected_at,function,outcome,note
D,2026-02-28,display,pass,
D,2026-02-28,buttons,pass,
D,2026-03-01,display,pass,
D,2026-03-01,buttons,degraded,stiff
D,2026-03-15,display,fail,dark
D,2026-03-15,buttons,pass,
D,2026-04-20,display,pass,
D,2026-04-20,buttons,not_tested,
E,2026-03-01T09:00,display,pass,
F,2026-03-01,display,pass,
F,2026-05-01,display,fail,
H,2026-03-03T09:00,display,fail,
"""
H_DROPS = """\
series,drop_number,peak_g,dropped_at,device
H,1,500,2026-03-03T08:00,H
"""


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    session = Session(folder / "small.duckdb", "tester")
    make_store(session)
    sensors.add_sensor(
        session, "X", {"calibrated_on": "2025-03-02", "calibration_due": "2026-03-01"}
    )
    for kind, text in (("drops", DROPS), ("drops", H_DROPS), ("inspections", INSPECTIONS)):
        file = folder / f"{kind}-{len(text)}.csv"
        file.write_text(text, encoding="utf-8")
        count = imports.import_files(session, kind, [file])
        assert count.rejected == 0
    return session.store


def test_slope_of_an_exact_climb(small):
    # 10 % a drop by construction; the voided reading of 900 g must not count.
    (row,) = rows_of(small, "fastest_degrading_cases", min_drops="1")
    assert (row["case"], row["series"], row["valid_drops"]) == ("C1", "A", 5)
    assert row["rise_pct_per_drop"] == pytest.approx(10.0, abs=1e-9)
    assert (row["first_peak_g"], row["last_peak_g"]) == (100.0, 146.41)
    assert rows_of(small, "fastest_degrading_cases", min_drops="6") == []


def test_slopes_are_those_of_an_independent_library(demo_store):
    # scipy.stats.theilslopes: median of all pairwise slopes (Sen 1968); same arithmetic, so the
    # tolerance is rounding alone.
    with database.reading(demo_store) as connection:
        drops = connection.execute(
            "SELECT series, drop_number, peak_g FROM valid_drops ORDER BY series, drop_number"
        ).fetchnumpy()
    for row in rows_of(demo_store, "fastest_degrading_cases"):
        mine = drops["series"] == row["series"]
        slope = stats.theilslopes(np.log(drops["peak_g"][mine]), drops["drop_number"][mine])[0]
        assert row["rise_pct_per_drop"] == pytest.approx(100 * np.expm1(slope), abs=1e-9)


def test_the_demo_ranks_the_climbing_model_first(demo_store):
    rows = rows_of(demo_store, "fastest_degrading_cases", min_drops="20")
    assert {row["case_model"] for row in rows[:6]} == {"Scree"}


def test_peaks_change_from_the_first_valid_drop(small):
    rows = rows_of(small, "peak_g_by_drop", series="A")
    assert [row["drop_number"] for row in rows] == [1, 2, 3, 4, 5, 6]
    assert rows[4]["change_from_first_pct"] == pytest.approx(46.41, abs=1e-9)
    assert rows[5]["change_from_first_pct"] is None
    assert (rows[5]["status"], rows[5]["void_reason"]) == ("void", "cable snagged")


def test_damage_counts_the_drops_of_the_cases_life(small):
    (row,) = rows_of(small, "first_damage")
    # Drop 1 of series B is drop 7 of the case: the voided sixth was a drop too.
    assert row == {
        "case": "C1",
        "case_model": "M",
        "drops": 8,
        "first_damage_at": 3,
        "mode": None,
        "location": "seam",
        "note": None,
        "minor_at": 5,
        "major_at": 7,
        "failed_at": 7,
        "not_failed_at": 5,
    }
    assert [
        (look["case_drop_number"], look["severity"])
        for look in rows_of(small, "damage_by_drop", case_code="C1")
    ] == [(1, 0), (3, 1), (5, 2), (7, 4)]


@pytest.mark.parametrize(
    ("drops", "answers"),
    [
        ("2", {"C1": "survived", "C2": "survived"}),
        ("6", {"C1": "survived", "C2": "not dropped so often"}),
        ("7", {"C1": "failed", "C2": "not dropped so often"}),
        ("9", {"C1": "failed", "C2": "not dropped so often"}),
    ],
)
def test_survivors(small, drops, answers):
    rows = rows_of(small, "survived_drops", drops=drops)
    assert {row["case"]: row["answer"] for row in rows} == answers


def test_dose_of_devices_never_mixes_with_cases(small):
    rows = {row["device"]: row for row in rows_of(small, "shock_exposure_by_device", exponent="2")}
    assert set(rows) == {"D", "E", "F", "H", "U"}
    by_hand = 0.1**2 + 0.11**2 + 0.121**2 + 0.1331**2 + 0.14641**2 + 0.07**2 + 0.072**2
    assert rows["D"]["shock_dose"] == pytest.approx(by_hand, rel=1e-12)
    assert (rows["D"]["drops"], rows["D"]["drops_without_reading"]) == (8, 1)
    assert (rows["D"]["max_peak_g"], rows["D"]["highest_drop_mm"]) == (146.41, 1000)
    assert (rows["E"]["drops"], rows["E"]["bare_drops"]) == (2, 2)
    assert rows["E"]["shock_dose"] == pytest.approx(0.64, rel=1e-12)
    assert (rows["F"]["drops"], rows["F"]["shock_dose"]) == (0, 0)


def test_latent_failure_lies_between_two_looks(small):
    rows = {row["device"]: row for row in rows_of(small, "latent_failures", exponent="1")}
    assert set(rows) == {"D", "F"}  # H failed on its drop day
    d = rows["D"]
    assert (d["function"], d["passed_after_days"], d["failed_by_days"]) == ("display", 0, 14)
    assert (d["drops_before"], d["drops_without_reading"], d["max_peak_g"]) == (8, 1, 146.41)
    assert d["shock_dose"] == pytest.approx(0.75251, abs=1e-9)
    assert d["passed_again"] is True
    f = rows["F"]
    assert (f["drops_before"], f["passed_after_days"], f["failed_by_days"]) == (0, None, None)
    assert (f["shock_dose"], f["passed_again"]) == (0, False)


def test_days_to_failure(small):
    rows = {row["device"]: row for row in rows_of(small, "days_from_last_drop_to_failure")}
    assert set(rows) == {"D", "E", "H"}
    told = ("state", "works_until_days", "failed_by_days", "functions")
    assert tuple(rows["D"][key] for key in told) == ("failed later", 0, 14, "display")
    assert tuple(rows["H"][key] for key in told) == ("failed on drop day", None, 0, "display")
    # The look at E at 9:00 was before its drop at 12:00.
    assert tuple(rows["E"][key] for key in told) == ("not looked at", None, None, None)


@pytest.mark.parametrize(
    ("on", "owed"),
    [
        # H failed on 3 March, its drop day, and D on the 15th: neither owes a full look any more.
        ("2026-03-14", [("D", "1 week", 6), ("E", "1 week", 6)]),
        ("2026-03-20", [("E", "2 weeks", 5)]),
        # On the day itself nothing is overdue yet; the stages before are no longer owed.
        ("2026-03-29", []),
        ("2026-03-30", [("E", "4 weeks", 1)]),
    ],
)
def test_overdue_by_hand(small, on, owed):
    rows = [
        (row["device"], row["stage"], row["days_overdue"])
        for row in rows_of(small, "inspections_overdue", on=on)
        if row["device"] != "F"
    ]
    assert rows == owed


def test_a_control_counts_from_its_first_look(small):
    rows = rows_of(small, "inspections_overdue", on="2026-03-16")
    assert [
        (row["stage"], row["due_on"].isoformat(), row["days_overdue"])
        for row in rows
        if row["device"] == "F"
    ] == [("2 weeks", "2026-03-15", 1)]


@pytest.mark.parametrize(
    ("which", "on"),
    [
        ("demo", "2026-04-15"),
        ("demo", "2026-10-12"),
        ("small", "2026-03-02"),
        ("small", "2026-03-25"),
        ("small", "2027-06-01"),
    ],
)
def test_overdue_is_what_the_schedule_says(which, on, demo_store, small):
    store = {"demo": demo_store, "small": small}[which]
    due = follow_up.due(Session(store, "tester"), on, 0).due
    assert [
        (row["device"], row["stage"], row["due_on"].isoformat(), row["days_overdue"])
        for row in rows_of(store, "inspections_overdue", on=on)
    ] == [
        (one.device, one.stage, one.due_on, one.days_overdue)
        for one in due
        if one.days_overdue > 0 and not one.stage.startswith("battery watch")
    ]


def test_heights_of_one_case(small):
    rows = rows_of(small, "same_case_at_different_heights")
    assert [row["drop_height_mm"] for row in rows] == [500, 1000]
    assert [row["median_peak_g"] for row in rows] == [71, 121]
    assert rows[1]["times_lowest"] == pytest.approx(121 / 71, rel=1e-12)
    assert [(row["first_case_drop"], row["last_case_drop"]) for row in rows] == [(7, 8), (1, 5)]


def test_what_is_missing_is_told(small):
    assert [
        (row["series"], row["drop_number"]) for row in rows_of(small, "drops_without_reading")
    ] == [("E", 2)]
    assert [
        (row["device"], row["days_since_drop"], row["last_inspected_on"].isoformat())
        for row in rows_of(small, "devices_not_inspected", on="2026-03-11")
    ] == [("E", 10, "2026-03-01")]
    assert [row["device"] for row in rows_of(small, "checks_before_first_drop_missing")] == ["H"]
    described = {row["series"]: row for row in rows_of(small, "series_not_described")}
    assert described["G"]["not_recorded"] == "drop height, orientation, sensor"
    assert described["A"]["drops_without_temperature"] == 6


def test_drops_after_calibration_was_due(small):
    (row,) = rows_of(small, "sensor_calibration_overdue")
    assert (row["sensor"], row["series"], row["drops"], row["first_drop"]) == ("X", "P", 1, 3)


def test_reference_drops_move(small):
    rows = rows_of(small, "reference_drops_by_day")
    assert [row["change_from_first_day_pct"] for row in rows] == [
        0,
        pytest.approx(10.0, abs=1e-9),
    ]


def test_rest_too_short(small):
    rows = rows_of(small, "rest_between_drops")
    assert [(row["series"], row["drop_number"], row["rest_s"]) for row in rows] == [("A", 6, 30)]


def test_a_wild_reading_does_not_accuse_its_neighbours(demo_store):
    (row,) = rows_of(demo_store, "readings_to_look_at")
    assert (row["series"], row["drop_number"]) == ("demo-T4", 13)
    assert 2.0 < row["times_neighbours"] < 2.7


def test_a_drop_is_traced_to_its_file_and_row(small):
    (row,) = rows_of(small, "source_of_drop", series="A", drop_number="3")
    # Row 1 is the header.
    assert (row["file_name"], row["source_row"]) == (f"drops-{len(DROPS)}.csv", 4)
    assert len(row["file_sha256"]) == 64
    assert (row["act"], row["new_value"], row["entered_by"]) == (
        "written",
        "121.0, valid",
        "tester",
    )


def test_a_voiding_is_traced_to_its_person(demo_store):
    acts = rows_of(demo_store, "source_of_drop", series="demo-T3", drop_number="9")
    assert [(row["act"], row["column_name"]) for row in acts] == [
        ("written", None),
        ("amended", "status"),
        ("amended", "void_reason"),
    ]


def test_findings_are_the_latest(small):
    rows = rows_of(small, "open_findings")
    assert [(row["device"], row["function"]) for row in rows] == [
        ("F", "display"),
        ("H", "display"),
    ]
    assert rows_of(small, "open_findings", function="BATT") == []


def test_outcomes_by_week(small):
    rows = rows_of(small, "outcomes_by_week", function="display")
    told = {row["weeks_after_drop"]: (row["passed"], row["failed"]) for row in rows}
    assert told == {0: (1, 1), 2: (0, 1), 7: (1, 0)}


def test_models_at_a_glance_keep_conditions_apart(small):
    rows = {
        (row["case_model"], row["drop_height_mm"], row["device_kind"]): row
        for row in rows_of(small, "case_models_at_a_glance")
    }
    m = rows["M", 1000.0, "device"]
    assert (m["cases"], m["drops"], m["voided_drops"], m["median_peak_g"]) == (1, 6, 1, 121)
    assert m["failed_cases"] == 0
    assert rows["M", 500.0, "device"]["failed_cases"] == 1
    assert ("bare", 600.0, "dummy") not in rows  # reference drops are of the rig


def test_late_entries_are_told(small):
    rows = rows_of(small, "late_entries", days="2")
    assert sum(row["records"] for row in rows if row["what"] == "drops") == 16
    assert sum(row["records"] for row in rows if row["what"] == "functional checks") == 12
    assert all(row["days_late"] > 2 for row in rows)


# ------------------------------------------------------------------------- heads and commands


def write(folder, name, text):
    folder.mkdir(exist_ok=True)
    file = folder / f"{name}.sql"
    file.write_text(text, encoding="utf-8")
    return file


def test_examples_are_kept(tmp_path):
    file = write(
        tmp_path,
        "mine",
        "-- Mine\n-- Words.\n-- column n: how many\n-- example (demo): --set a=1\n"
        "-- example (demo): 3\nSELECT 3 AS n\n",
    )
    query = read_query(file)
    assert query.example == ("--set a=1", "3")
    assert query.description == "Words."


def test_an_unknown_name_names_the_nearest(small):
    with pytest.raises(UnusableCall, match="nearest: survived_drops"):
        questions.ask(Session(small, "tester"), "survived", {})


def run(capsys, *words):
    status = main([str(word) for word in words])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_the_command_answers_in_json(small, capsys):
    status, out, err = run(
        capsys, "query", "sensor_calibration_overdue", "--store", small, "--json"
    )
    assert (status, err) == (0, "")
    told = json.loads(out)
    assert list(told) == ["query", "parameters", "columns", "rows"]
    assert told["rows"] == [
        ["X", "2025-03-02", "2026-03-01", "P", 1, 3, 3, "2026-03-08", "2026-03-08", None, None]
    ]


def test_parameters_stand_in_the_json(small, capsys):
    _, out, _ = run(
        capsys, "query", "inspections_overdue", "--set", "on=2026-03-20", "--store", small, "--json"
    )
    assert json.loads(out)["parameters"] == {"on": "2026-03-20"}


@pytest.mark.parametrize("name", QUERIES)
def test_the_tables_fit_into_80_columns(name, demo_answer, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    answer = demo_answer(name)
    question = QUERIES[name]
    terminal.show(
        shown.blocks(
            question.title, question.description, answer.parameters, answer.columns, answer.rows
        )
    )
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith(question.title)
    assert max(map(len, lines)) <= 80
    # What the question means, and which command judges, is under the rows.
    assert " ".join("\n".join(lines).split()).endswith(question.description.replace("`", ""))


def test_the_command_prints_title_rows_and_meaning(small, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    status, out, err = run(capsys, "query", "survived_drops", "--set", "drops=7", "--store", small)
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Cases that survived a number of drops, by damage alone: 2 rows (drops 7)"
    assert lines[4].split() == ["C1", "M", "8", "4", "7", "failed"]
    assert lines[5].split() == ["C2", "M", "2", "–", "–", "not", "dropped", "so", "often"]
    assert lines[6].startswith("Which cases have had the wanted number of drops")


def test_alone_it_lists_the_questions(capsys, tmp_path):
    write(
        tmp_path / "mine", "my_count", "-- How many\n-- Drops.\n-- column n: number\nSELECT 1 AS n"
    )
    status, out, _ = run(capsys, "query", "--folder", tmp_path / "mine")
    assert status == 0
    assert all(name in out for name in (*QUERIES, "my_count"))
    _, out, _ = run(capsys, "query", "--json")
    listed = json.loads(out)["queries"]
    assert [query["name"] for query in listed] == list(QUERIES)
    assert all(query["columns"] for query in listed)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["surviv_drops"], "nearest: survived_drops"),
        (["survived_drops", "--set", "drop=3"], "nearest: drops"),
        (["survived_drops", "--set", "drops=many"], "not INTEGER"),
        (["inspections_overdue", "--set", "on=3.4.2026"], "not DATE"),
        (["survived_drops", "--set", "drops"], "write NAME=VALUE"),
        (["--set", "drops=3"], "no question named"),
        (["survived_drops", "--folder", "nowhere"], "no such folder"),
    ],
)
def test_bad_calls_are_one_line(words, said, small, capsys):
    status, out, err = run(capsys, "query", *words, "--store", small)
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_a_question_can_not_write(small, capsys, tmp_path):
    write(
        tmp_path / "mine",
        "wipe",
        "-- Wipe\n-- Should not.\n-- column Count: rows\nDELETE FROM amendment",
    )
    status, _, err = run(capsys, "query", "wipe", "--folder", tmp_path / "mine", "--store", small)
    assert status == 2
    assert "read-only" in err
    assert err.count("\n") == 1


def test_a_shipped_name_is_not_taken_by_a_users_own(small, capsys, tmp_path):
    write(tmp_path / "mine", "survived_drops", "-- Mine\n-- column n: n\nSELECT 1 AS n")
    status, _, err = run(
        capsys, "query", "survived_drops", "--folder", tmp_path / "mine", "--store", small
    )
    assert status == 2
    assert "rename yours" in err


ATTITUDES = """\
series,drop_number,peak_g,case,case_model,device,device_kind,orientation,status,void_reason
A,1,100,C1,M,D,device,3-2,valid,
A,2,100,C1,M,D,device,3-2,valid,
B,1,100,C2,M,D,device,Corner 5/2/1,void,cable snag
B,2,100,C2,M,D,device,Corner 5/2/1,valid,
E,1,100,C2,M,D,device,face 4,void,cable snag
F,1,100,,,D,device,Face 6,valid,
G,1,100,C1,M,D,device,flat on its back,valid,
H,1,100,C1,M,D,device,,void,bad trigger
"""


@pytest.fixture(scope="module")
def tumbled(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tumbled")
    session = Session(folder / "tumbled.duckdb", "tester")
    make_store(session)
    file = folder / "drops.csv"
    file.write_text(ATTITUDES, encoding="utf-8")
    assert imports.import_files(session, "drops", [file]).rejected == 0
    return session.store


def attitudes_of(store, item, **values):
    rows = rows_of(store, "attitudes_seen", specimen=item, **values)
    return {row["attitudes"]: row for row in rows if row["item"] == item}


def test_attitudes_are_counted_in_the_ledgers_of_case_and_device(tumbled):
    case = attitudes_of(tumbled, "C1")
    assert (case["edge"]["valid"], case["edge"]["seen_in"]) == (2, "2-3")
    assert (case["other"]["valid"], case["other"]["voided"], case["other"]["due_in"]) == (
        1,
        1,
        None,
    )
    assert case["face"]["due_in"] == case["corner"]["due_in"] == "all"
    other = attitudes_of(tumbled, "C2")
    assert (other["corner"]["valid"], other["corner"]["voided"]) == (1, 1)
    assert (other["face"]["voided_in"], other["face"]["due_in"]) == ("4", "all")
    # The device was in both cases, and bare.
    device = attitudes_of(tumbled, "D")
    assert {kind: row["seen_in"] for kind, row in device.items()} == {
        "face": "6", "edge": "2-3", "corner": "1-2-5", "other": None
    }  # fmt: skip
    assert device["face"]["due_in"] == "1, 2, 3, 4, 5"


def test_attitudes_can_be_divided_among_a_model_and_be_required_twice(tumbled):
    model = attitudes_of(tumbled, "M", divided="1", drops_each="2")
    assert model["corner"]["seen_in"] == "1-2-5" and model["corner"]["due_in"] == "all"
    assert "2-3" not in model["edge"]["due_in"].split(", ")


def test_every_spelling_of_an_attitude_is_read_as_when_it_is_typed(tumbled):
    # Beside the parser of what is typed: faces in any order and with any dash, and what is none.
    sql = body(QUERIES["attitudes_seen"])
    named = sql[: sql.index("), ledgers AS")] + ") SELECT attitudes, attitude FROM named"
    right = ("3", "face 3", "FACE 3", "2 - 1", "edge 2–1", "6,4", "5/2/1", "corner 4-6-3")
    wrong = ("1-3", "corner 1-2", "edge 3", "1-2-3", "7", "face 3 down", "2-2", "1-2-5-6")
    for text in (*right, *wrong):
        asked = named.replace("FROM all_series", f"FROM (SELECT '{text}' AS orientation)")
        with database.reading(tumbled) as connection:
            found = [" ".join(row) for row in connection.execute(asked).fetchall()]
        assert found == ([orientation_name(text)] if is_orientation(text) else []), text


def test_the_box_of_one_specimen_shows_each_attitude_where_it_is(tumbled):
    answer = run_query(tumbled, QUERIES["attitudes_seen"], {"specimen": "C2"})
    drawn = shown.unfolded([dict(zip(answer.columns, row, strict=True)) for row in answer.rows])
    # 6 faces of 9 places hold 6 faces, 12 edges twice and 8 corners three times.
    assert (drawn.count("#"), drawn.count("v"), drawn.count(".")) == (3, 1, 50)
    near, left = drawn.splitlines()[10:], drawn.splitlines()[5:10]
    assert "5 near end" in near[0] and near[1].split() == ["│", ".", ".", "#", "│"]
    assert left[2].startswith("│ .   v   .    │")
    told = shown.blocks("Attitudes", "", {}, answer.columns, answer.rows)
    assert any(drawn == getattr(block, "text", "") for block in told)
    everyone = run_query(tumbled, QUERIES["attitudes_seen"], {})
    told = shown.blocks("Attitudes", "", {}, everyone.columns, everyone.rows)
    assert not any("near end" in getattr(block, "text", "") for block in told)
