"""Entries that were no drops, drops checked by a second person, readings beyond the sensor."""

from __future__ import annotations

import csv
import json
import shutil

import numpy as np
import pytest

from durability.store import database
from durability.workflow.histories import histories_in

pytestmark = pytest.mark.usefixtures("one_study")

FIRST = 100 * np.exp(0.02 * np.arange(8) + 0.01 * np.random.default_rng(11).normal(size=8))
SECOND = 120 * np.exp(0.02 * np.arange(6) + 0.01 * np.random.default_rng(12).normal(size=6))
WHY = "entered twice"


def opened(run, code, *words):
    run("series", "open", code, "--device", "R", "--device-kind", "device", "--case", "K",
        "--case-model", "M", "--drop-height-mm", "1000", "--surface", "steel", *words)  # fmt: skip


def dropped(run, tmp_path, code, peaks):
    rows = [f"{code},{number},{peak:.2f}" for number, peak in enumerate(peaks, 1)]
    table = tmp_path / f"{code}.csv"
    table.write_text("\n".join(["series,drop_number,peak_g", *rows]))
    run("import", "drops", str(table))


@pytest.fixture
def two_series(run, tmp_path, once):
    """Both series as they were dropped."""

    def make():
        run("init")
        for code, peaks in (("S1", FIRST), ("S2", SECOND)):
            opened(run, code)
            dropped(run, tmp_path, code, peaks)

    once(make)


def answers(run):
    """What is judged and counted, without what a drop is called."""
    found = {}
    for call in ("trend", "forecast"):
        for each in run(call, "--json").json["series"]:
            for key, value in each.items():
                if key != "doubted_drops" and not key.endswith("_at_drop"):
                    found[call, each["series"], key] = value
    found["rank"] = run("rank", "--json").json
    found["dose"] = run("query", "shock_exposure_by_device", "--json").json
    found["dose"]["rows"] = [
        [round(cell, 12) if isinstance(cell, float) else cell for cell in row]
        for row in found["dose"]["rows"]
    ]
    found["latent"] = run("latent", "--json").json
    return found


@pytest.mark.parametrize(
    ("places", "settling"),
    [((1, 5, 9), ()), ((2,), ("--settling-drops", "2"))],
    ids=["first, middle, last", "settling"],
)
def test_the_record_judges_as_if_it_had_never_been_entered(
    run, tmp_path, monkeypatch, places, settling
):
    run("init")
    opened(run, "S1", *settling)
    opened(run, "S2")
    dropped(run, tmp_path, "S2", SECOND)

    def beside(name, peaks):
        """The same store with these drops of S1 too."""
        store = shutil.copyfile(tmp_path / "store.duckdb", tmp_path / f"{name}.duckdb")
        monkeypatch.setenv("DURABILITY_STORE", str(store))
        dropped(run, tmp_path, "S1", peaks)

    beside("right", FIRST)
    right, trend = answers(run), run("trend", "--json").json
    for at in places:
        beside(f"twice {at}", np.insert(FIRST, at - 1, 140.0))
        assert run("trend", "--json").json != trend, at
        run("drop", "never", "S1", at, "--reason", WHY)
        assert answers(run) == right, at


def test_voiding_counts_as_a_shock_and_a_drop_never_made_does_not(run, two_series):

    def drops():
        return run("query", "shock_exposure_by_device", "--json").json["rows"][0][2]

    run("drop", "void", "S2", 6, "--reason", "cable snag")
    assert drops() == 14
    run("drop", "never", "S2", 6, "--reason", WHY)
    assert drops() == 13
    # It was void before, so it is void again.
    assert run("drop", "restore", "S2", 6, "--reason", "made", "--json").json["status"] == "void"
    assert drops() == 14


def test_its_number_is_not_used_again_and_it_stays_listed(run, two_series):
    run("damage", "add", "K", "--severity", 4, "--series", "S2", "--drop", 6,
        "--location", "corner 3", "--mode", "crack")  # fmt: skip
    told = run("drop", "never", "S2", 6, "--reason", WHY)
    assert told.out == (
        "drop 6 of S2 is taken out as never made (entered twice); its number is not used again;"
        " the damage noted with it stays: 4 failed crack corner 3 on K\n"
    )
    # The damage was seen after the drop before it.
    life = run("forecast", "--series", "S2", "--json").json["series"][0]
    assert (life["failed"], life["failed_at_drop"]) == (True, 5)
    assert run("drop", "add", "S2", 150, "--despite-failed", WHY).out == "7\n"
    rows = run("drop", "list", "--series", "S2", "--json").json["drops"]
    assert [(row["drop_number"], row["status"]) for row in rows[-2:]] == [
        (6, "never"),
        (7, "valid"),
    ]
    assert rows[-2]["void_reason"] == WHY
    events = run("history", "R", "--json").json["events"]
    assert "status: made to never, entered twice" in [event["what"] for event in events]
    (written, taken_out) = run(
        "query", "source_of_drop", "--set", "series=S2", "--set", "drop_number=6", "--json"
    ).json["rows"]
    assert "made" not in written and {"made", "never", WHY} <= set(taken_out)


@pytest.mark.parametrize("call", [("void",), ("never",), ("amend", "--set", "peak_g=120")])
def test_what_was_never_made_is_not_corrected_further(run, two_series, call):
    run("drop", "never", "S1", 3, "--reason", WHY)
    told = run("drop", call[0], "S1", 3, *call[1:], "--reason", "x", expect=1)
    assert told.err == (
        "durability: drop 3 of series 'S1': taken out as never made (entered twice); to take that"
        " back use: drop restore\n"
    )


def test_it_is_exported_and_comes_back(run, two_series, tmp_path, monkeypatch):
    run("drop", "never", "S1", 3, "--reason", WHY)
    before = answers(run)
    run("export", "out")
    with (tmp_path / "out/today/drops.csv").open() as file:
        third = next(row for row in csv.DictReader(file) if row["drop_number"] == "3")
    assert (third["status"], third["void_reason"]) == ("never", WHY)
    monkeypatch.setenv("DURABILITY_STORE", str(tmp_path / "again.duckdb"))
    run("init")
    for added in (14, 0):
        told = run("import", "out/today/drops.csv", "--ignore-other-columns", "--json").json
        assert (told["added"], told["duplicates"]) == (added, 14 - added)
    assert answers(run)["dose"]["rows"][0][2] == before["dose"]["rows"][0][2] == 13
    after = run("drop", "list", "--json").json["drops"]
    assert [row["status"] for row in after].count("never") == 1
    monkeypatch.setenv("DURABILITY_STORE", str(tmp_path / "whole.duckdb"))
    run("import", "record", "out")
    assert answers(run) == before


def test_a_file_says_why(run, tmp_path):
    (tmp_path / "d.csv").write_text("series,drop_number,peak_g,status,void_reason\nS,1,,never,\n")
    run("init")
    told = run("import", "drops", "d.csv", expect=1)
    assert (
        "d.csv, row 2, void_reason" in told.err and "one never made, needs its reason" in told.err
    )


def test_before_it_was_taken_out_it_counted(run, two_series):
    entered = run("drop", "list", "--json").json["drops"][-1]["entered_at_utc"] + "+00:00"
    run("drop", "never", "S1", 3, "--reason", WHY)
    now, then = (
        run("trend", "--series", "S1", "--json", *words).json["series"][0]["drops"]
        for words in ((), ("--as-of", entered))
    )
    assert (now, then) == (7, 8)


def test_a_second_person_checks(run, two_series):
    told = run("review", "S1", expect=1)
    assert told.err == (
        "durability: drops 1, 2, 3, 4, 5 … of series 'S1': entered or corrected by tester; checked"
        " by another person, named by --by NAME\n"
    )
    assert run("review", "S1", "--by", "B.").out == "drops 1 to 8 of S1 checked by B.\n"

    def checked():
        rows = run("drop", "list", "S1", "--json").json["drops"]
        return [row["drop_number"] for row in rows if row["reviewed_by"] == "B."]

    assert checked() == [*range(1, 9)]
    # What was corrected since is to be checked again, by someone else.
    run("drop", "amend", "S1", 2, "--set", "peak_g=101", "--reason", "typed wrong")
    assert checked() == [1, *range(3, 9)]
    run("drop", "amend", "S1", 3, "--set", "peak_g=101", "--reason", "x", "--by", "B.")
    assert "drop 3 of series 'S1'" in run("review", "S1", "--by", "B.", expect=1).err
    assert run("review", "S1", 2, "--by", "B.", "--json").json == {
        "series": "S1", "drop_numbers": [2], "reviewed_by": "B.",
    }  # fmt: skip
    # A condition of the series is part of each of its drops; that it was closed is not.
    run("series", "close", "S1", "--reason", "done")
    assert checked() == [1, 2, *range(4, 9)]
    run("series", "amend", "S1", "--set", "surface=concrete", "--reason", "x")
    assert checked() == []
    assert "drop 9 of series 'S2': not in the store" in run("review", "S2", 9, expect=1).err


@pytest.fixture
def weak_sensor(run):
    run("init")
    run("sensor", "add", "A", "--full-scale-g", 500)
    opened(run, "S", "--sensor", "A")
    return run


def test_a_reading_that_the_sensor_cannot_give_is_refused(weak_sensor, tmp_path):
    run = weak_sensor
    told = run("drop", "add", "S", 1250, expect=1)
    assert told.err == (
        "durability: peak_g '1250.0': above the full scale of sensor A (500 g), so no reading of"
        " it; correct it, or mark the drop void with its reason\n"
    )
    run("drop", "add", "S", 1250, "--void-reason", "over range")
    run("drop", "add", "S", 500)
    for call in (
        ("drop", "restore", "S", 1, "--reason", "x"),
        ("drop", "amend", "S", 2, "--set", "peak_g=501", "--reason", "x"),
    ):
        assert "above the full scale of sensor A (500 g)" in run(*call, expect=1).err
    (tmp_path / "d.csv").write_text(
        "series,drop_number,peak_g,status,void_reason\nS,3,1300,valid,\nS,4,1300,void,over\n"
    )
    told = run("import", "drops", "d.csv", "--keep-good", "--json", expect=1)
    assert (told.json["added"], told.json["rejected"]) == (1, 1)
    assert [row["drop_number"] for row in run("drop", "list", "--json").json["drops"]] == [1, 2, 4]


def test_at_the_bench(run, monkeypatch, tmp_path):
    import io

    run("init")
    opened(run, "S")
    lines = "118\n119\nnever\n120\nu\nnever 3 a slip\nnever 9\nq\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))
    told = run("record", "S", expect=1)
    out = " ".join(told.out.split())
    assert "drop 2 of S is taken out as never made (entered twice)" in out
    assert "counts as a shock. If it was never made: never" in out
    assert "drop 3 of S is taken out as never made (a slip)" in out
    assert "drop 9 of series 'S': not in the store" in told.err
    assert run("drop", "add", "S", 121).out == "4\n"
    assert run("query", "shock_exposure_by_device", "--json").json["rows"][0][2] == 2
    assert json.loads(run("trend", "--json").out)["series"][0]["drops"] == 2


@pytest.mark.parametrize("cases", [("K1", "K2"), ("K1", "K1")], ids=["one series", "several"])
def test_a_case_is_as_old_as_the_record_orders_its_drops(run, tmp_path, cases):
    """Of cases of one series each the order of all drops isn't asked."""
    run("init")
    table = tmp_path / "gaps.csv"
    numbers = {"A": (1, 3, 4, 7), "B": (2, 3, 5)}
    rows = [
        f"{series},{number},{100 + number},{case},M,R"
        for (series, made), case in zip(numbers.items(), cases, strict=True)
        for number in made
    ]
    table.write_text("\n".join(["series,drop_number,peak_g,case,case_model,device", *rows]))
    run("import", "drops", str(table), "--allow-gaps")
    run("drop", "never", "A", "3", "--reason", WHY)
    with database.reading(tmp_path / "store.duckdb") as store:
        ages = store.sql("SELECT series, drop_number, case_age FROM drops_in_order").fetchall()
        found = {each.series: each for each in histories_in(store).valid}
    assert len(ages) == 6
    for series, number, age in ages:
        assert found[series].all_case_ages[number - 1] == age
