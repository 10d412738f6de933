"""Falls that are only counted: in the ledgers of case and device, in the dose, in no trend."""

import pytest

READ = (201.0, 203.0, 198.0, 200.0, 202.0)
FALLS = "counted only, no reading"


CONDITIONS = ("--drop-height-mm", "500", "--surface", "steel")


def opened(run, code, *words):
    run("series", "open", code, "--device", "R", "--device-kind", "device", "--case", "K",
        "--case-model", "M", *words)  # fmt: skip


@pytest.fixture
def bench(run, once, sheet):
    def make():
        run("init")
        opened(run, "S", *CONDITIONS, "--orientation", "face 3")
        rows = [f"S,{number},{peak}" for number, peak in enumerate(READ, 1)]
        run("import", "drops", sheet("s.csv", "series,drop_number,peak_g", *rows))
        opened(run, "T", *CONDITIONS, "--orientation", "repeated free fall")
        opened(run, "V")

    once(make)
    return run


def ledgers(run, *words):
    ask = "SELECT (SELECT count(*) FROM case_drops), (SELECT count(*) FROM device_shocks)"
    return tuple(run("query", "--sql", ask, "--json", *words).json["rows"][0])


def test_falls_count_in_both_ledgers_in_age_and_in_no_trend(bench):
    before = bench("trend", "S", "--json").json["series"][0]
    told = bench("drop", "bulk", "T", "--count", 100)
    assert told.out == (
        "drops 1 to 100 of T: 100 falls from 500 mm onto steel, without readings; counted in the"
        " age of K and the dose of R, never in a trend\n"
    )
    assert "Flying fragments and falling masses" in told.err
    assert "its battery may be damaged without a sign" in told.err
    assert ledgers(bench) == (105, 105)
    rows = bench("drop", "list", "--series", "T", "--json").json["drops"]
    assert {(row["status"], row["void_reason"], row["peak_g"]) for row in rows} == {
        ("void", FALLS, None)
    }
    assert len({row["dropped_at"] for row in rows}) == 1
    trends = {row["series"]: row for row in bench("trend", "--json").json["series"]}
    assert (trends["T"]["drops"], trends["T"]["valid_drops"]) == (100, 0)
    assert trends["T"]["verdict"] == "too few"
    for name in ("level_latest_g", "verdict", "rise_pct_per_drop"):
        assert trends["S"][name] == before[name]
    # The next series of the case begins at the age that the falls have brought it to.
    opened(bench, "U", *CONDITIONS)
    bench("drop", "add", "U", 230)
    lives = {row["series"]: row for row in bench("forecast", "--json").json["series"]}
    assert lives["U"]["case_age_at_first_drop"] == 106
    assert bench("query", "attitudes_seen", "--json").json["rows"][3] == [
        "K", "case", "other", 1, 100, None, None, None
    ]  # fmt: skip
    # What people read has them in one row; JSON has each.
    for words in (("drop", "list"), ("series", "show", "T"), ("history", "R")):
        shown = " ".join(bench(*words).out.split())
        assert shown.count(FALLS) == 1 and "1 to 100" in shown, words
    assert len(bench("history", "R", "--json").json["events"]) == 106
    # All at one time: nothing is said of the rest between them.
    assert "T" not in {
        row[0] for row in bench("query", "rest_between_drops", "--json").json["rows"]
    }


def test_the_dose_is_that_of_comparable_drops_between_none_and_the_largest(bench):
    # Closed form: by the sum of Palmgren and Miner N equal falls add N (peak/1000)^b. The middle
    # peak of the readings at 500 mm in this case model is 201 g, the largest 203 g.
    bench("drop", "bulk", "T", "--count", 50)
    read = sum((peak / 1000) ** 4 for peak in READ)
    dose = next(each for each in doses(bench) if each["exponent"] == 4)
    assert dose["dose"] == pytest.approx(read, rel=1e-12)
    assert dose["likely"] == pytest.approx(read + 50 * 0.201**4, rel=1e-12)
    assert dose["upper"] == pytest.approx(read + 50 * 0.203**4, rel=1e-12)


def doses(run):
    return run("history", "R", "--json").json["exposure"]["doses"]


def test_falls_counted_wrong_are_taken_out_and_taken_back(bench):
    bench("drop", "bulk", "T", "--count", 60)
    told = bench("drop", "never", "T", 51, "--through", 60, "--reason", "ten too many")
    assert told.out == (
        "drops 51 to 60 of T are taken out as never made (ten too many); their numbers are not used"
        " again\n"
    )
    assert ledgers(bench) == (55, 55)
    back = ("drop", "restore", "T", 59, "--through", 60, "--reason", "eight too many", "--json")
    assert bench(*back).json == {
        "series": "T", "drop_number": 59, "through": 60, "status": "void"
    }  # fmt: skip
    assert ledgers(bench) == (57, 57)
    # One of them is taken out already: none is.
    told = bench("drop", "never", "T", 50, "--through", 60, "--reason", "x", expect=1)
    assert "drop 51 of series 'T': taken out as never made" in told.err and ledgers(bench) == (
        57,
        57,
    )
    told = bench("drop", "never", "T", 50, "--through", 49, "--reason", "x", expect=2)
    assert "--through 49: below 50" in told.err
    assert bench("drop", "bulk", "T", "--count", 2, "--json").json["first_drop_number"] == 61


def test_falls_are_amended_asked_as_of_and_merged_like_any_drop(bench, tmp_path, monkeypatch):
    bench("drop", "bulk", "T", "--count", 30, "--dropped-at", "2026-01-05T10:00+01:00")
    bench("drop", "amend", "T", 30, "--set", "dropped_at=2026-01-05T11:00", "--reason", "late")
    assert bench("trend", "T", "--as-of", "2026-01-06", "--json").json["entered_since"] > 0
    said = doses(bench), ledgers(bench)
    other = tmp_path / "other.duckdb"
    bench("init", "--store", other)
    merged = bench("merge", tmp_path / "store.duckdb", "--store", other, "--json").json
    assert merged["added"]["drops"] == 35 and merged["conflicts"] == []
    monkeypatch.setenv("DURABILITY_STORE", str(other))
    assert (doses(bench), ledgers(bench)) == said


def test_what_is_no_number_of_falls_is_refused(bench):
    for series, count, status, told in (
        ("S", 5, 1, "orientation face 3, and that of repeated free fall is not controlled"),
        ("T", 0, 2, "--count 0: give a number of falls from 1 to 100,000"),
        ("V", 5, 1, "drop height and surface not recorded"),
        ("K", 5, 1, "series 'K': not in the store"),
    ):
        assert told in bench("drop", "bulk", series, "--count", count, expect=status).err
    assert ledgers(bench) == (5, 5)


def test_a_failed_case_is_not_tumbled_unnoticed(bench):
    bench("damage", "add", "K", "--severity", 4, "--mode", "crack")
    told = bench("drop", "bulk", "T", "--count", 5, expect=1)
    assert "has failed" in told.err
    told = bench("drop", "bulk", "T", "--count", 5, "--despite-failed", "to see it apart")
    assert "had failed before" in told.err and ledgers(bench) == (10, 10)
