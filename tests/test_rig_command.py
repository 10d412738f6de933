"""The rig watched from the command line: drifts told, dated, divided out; the gauge studied."""

import numpy as np
import pytest

from durability.store import database
from durability.wear.verdict import judge_trends
from durability.workflow.rig import RigLedger
from durability.workflow.session import open_session
from durability.workflow.study import open_study

DAYS = [f"2026-{month:02d}-{day:02d}" for month in (3, 4, 5, 6) for day in (2, 9, 16, 23)]


def drops_csv(sheet, name, series, peaks, days, *, purpose, case="", hour=8, sensor="A", extra=""):
    """One drop a line, so many minutes apart on its day."""
    lines = [
        "series,drop_number,peak_g,dropped_at,device,device_kind,case,case_model,sensor,purpose,"
        "drop_height_mm,surface,operator"
    ]
    for number, (peak, day) in enumerate(zip(peaks, days), start=1):
        moment = f"{day}T{hour:02d}:{number % 60:02d}:00" if day else ""
        model = "sleeve" if case else ""
        lines.append(
            f"{series},{number},{peak:.2f},{moment},D-1,dummy,{case},{model},{sensor},{purpose},"
            f"1000,steel,{extra or 'o' + str(number % 2)}"
        )
    return sheet(name, *lines)


def reference_peaks(drift_from=None, drift=0.08, each=1, seed=3, days=DAYS):
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(len(days)), each)
    level = 200.0 * np.where(day >= (drift_from or len(days)), 1.0 + drift, 1.0)
    return level * np.exp(0.008 * rng.standard_normal(len(day))), [days[at] for at in day]


@pytest.fixture
def lab(store, sheet):
    """Takes reference drops of sixteen weeks, with a drift if asked for, and test series."""

    def fill(drift_from=None, each=1, **more):
        peaks, days = reference_peaks(drift_from, each=each, **more)
        store("import", "drops", drops_csv(sheet, "r.csv", "R", peaks, days, purpose="reference"))
        return store

    def add_test_series(name, peaks, days, **more):
        file = drops_csv(sheet, f"{name}.csv", name, peaks, days, purpose="test", case=name, **more)
        store("import", "drops", file)

    fill.add_test_series = add_test_series
    return fill


def told(run, *words):
    return run("rig", *words, "--json").json["reference_series"]


def test_a_steady_rig_is_in_control(lab):
    run = lab()
    (watched,) = told(run)
    assert watched["health"]["verdict"] == "in control"
    assert watched["health"]["since"] is None and watched["meanwhile"] == []
    assert "in control" in run("rig").out


@pytest.mark.parametrize("each", [1, 4])
def test_a_drift_is_dated_and_sized_and_names_what_was_made_meanwhile(lab, each):
    run = lab(drift_from=10, each=each)
    lab.add_test_series("before", [100.0] * 5, DAYS[:5])
    lab.add_test_series("across", [100.0] * 16, DAYS)
    lab.add_test_series("after", [100.0] * 4, DAYS[12:])
    lab.add_test_series("other", [100.0] * 4, DAYS[12:], sensor="B")
    (watched,) = told(run)
    health = watched["health"]
    assert health["verdict"] == "drifted"
    assert DAYS[8] <= health["since"][:10] <= DAYS[11]
    assert health["drift_lower"] < 8.0 < health["drift_upper"]
    assert [(each["series"], each["begun_before"]) for each in watched["meanwhile"]] == [
        ("across", True),
        ("after", False),
    ]
    out = run("rig").out
    for word in ("DRIFTED", "EWMA", "CUSUM", "moving range", "e-Handbook", "across", "3.267"):
        assert word in out
    assert max(map(len, out.splitlines())) <= 80


def test_sessions_that_differ_are_charted_by_their_means(store, sheet):
    rng = np.random.default_rng(8)
    day = np.repeat(np.arange(16), 4)
    peaks = 200 * np.exp((0.02 * rng.standard_normal(16))[day] + 0.003 * rng.standard_normal(64))
    days = [DAYS[at] for at in day]
    store("import", "drops", drops_csv(sheet, "r.csv", "R", peaks, days, purpose="reference"))
    (watched,) = told(store)
    assert (watched["averaged"], watched["drops"], watched["sessions"]) == (True, 64, 16)
    assert watched["health"]["drops"] == 16
    means = [float(np.exp(np.log(peaks[day == at].round(2)).mean())) for at in range(16)]
    assert watched["health"]["individuals_g"]["reading"] == pytest.approx(means, rel=1e-9)


def test_sessions_that_do_not_differ_are_charted_drop_by_drop(lab):
    (watched,) = told(lab(each=4))
    assert (watched["averaged"], watched["health"]["drops"]) == (False, 64)


def test_undated_drops_are_counted_by_number(store, sheet):
    peaks, days = reference_peaks(10)
    file = drops_csv(sheet, "r.csv", "R", peaks, [None] * len(days), purpose="reference")
    store("import", "drops", file)
    (watched,) = told(store)
    assert watched["axis"] == "drop number" and watched["sessions"] is None
    assert watched["health"]["since"] == pytest.approx(11, abs=2)
    out = " ".join(store("rig").out.split())
    assert "since drop 1" in out and "have no times" in out


def test_too_few_and_none_are_answers(store, sheet):
    assert "No series of reference drops" in store("rig").out
    assert told(store) == []
    file = drops_csv(sheet, "r.csv", "R", [200.0, 201.0, 199.0], DAYS[:3], purpose="reference")
    store("import", "drops", file)
    assert "too few to say" in store("rig").out


def test_drops_without_scatter_are_an_answer(store, sheet):
    file = drops_csv(sheet, "r.csv", "R", [200.0] * 16, DAYS, purpose="reference")
    store("import", "drops", file)
    assert "no scatter" in store("rig").out


def test_voided_reference_drops_do_not_count(lab):
    run = lab()
    run("drop", "void", "R", "3", "--reason", "cable snag")
    assert told(run)[0]["drops"] == 15


def test_a_test_series_or_an_unknown_one_is_refused(lab):
    run = lab()
    lab.add_test_series("S", [100.0] * 5, DAYS[:5])
    assert "--purpose reference" in run("rig", "--series", "S", expect=1).err
    assert "not in the store" in run("rig", "--series", "X", expect=1).err


# ------------------------------------------------------------------------- trend and forecast


def flat_on_the_drifting_rig(lab, seed=5):
    """A case that does not wear, dropped weekly while the rig reads ever higher."""
    rng = np.random.default_rng(seed)
    climb = np.linspace(0.0, 0.25, 16)
    reference = 200.0 * np.exp(climb + 0.006 * rng.standard_normal(16))
    peaks = 100.0 * np.exp(climb + 0.01 * rng.standard_normal(16))
    return reference, peaks


@pytest.fixture
def climbing_rig(store, sheet, lab):
    reference, peaks = flat_on_the_drifting_rig(lab)
    store("import", "drops", drops_csv(sheet, "r.csv", "R", reference, DAYS, purpose="reference"))
    lab.add_test_series("S", peaks, DAYS, hour=10)
    return store


def test_trend_and_forecast_say_that_the_rig_drifted(climbing_rig):
    for command in ("trend", "forecast"):
        for words in ((), ("--series", "S")):
            out = " ".join(climbing_rig(command, *words).out.split())
            assert "The rig drifted meanwhile" in out and "--rig-corrected" in out
        (one,) = climbing_rig(command, "--json").json["series"]
        assert one["rig"]["drifted"] is True and one["rig"]["reference_series"] == "R"


def test_a_climb_that_is_the_rigs_is_divided_out(climbing_rig):
    (raw,) = climbing_rig("trend", "--json").json["series"]
    (corrected,) = climbing_rig("trend", "--rig-corrected", "--json").json["series"]
    assert raw["verdict"] == "rising"
    assert corrected["verdict"] == "steady"
    assert corrected["rise_lower"] <= 0.0 < corrected["rise_upper"] < raw["rise_pct_per_drop"]
    assert corrected["rig"]["corrected"] is True
    # The factor is 1 at the mean of the first 10 drops: exp(0.25 - 0.075) at the last.
    assert corrected["rig"]["correction_latest_pct"] == pytest.approx(19.1, abs=4.0)
    assert "divided out" in corrected["basis"]
    kept = climbing_rig("drop", "list", "--series", "S", "--json").json["drops"]
    assert kept[-1]["peak_g"] > 120.0 and not kept[-1]["amended"]


def test_the_corrections_own_uncertainty_widens_the_interval(climbing_rig):
    """It holds the intervals of the drift as estimated and of either end of what it may be."""
    (told,) = open_study(open_session(), rig_corrected=True).trends
    (history,) = open_study(open_session()).histories
    with database.reading(open_session().store) as connection:
        three, note = RigLedger(connection).corrected(history, absolute=False)
    trends = [judge_trends([each])[0] for each in three]
    assert told.rise_lower == min(each.rise_lower for each in trends)
    assert told.rise_upper == max(each.rise_upper for each in trends)
    assert told.rise_upper > trends[0].rise_upper
    assert [each.peak_g[0] for each in three] == pytest.approx([three[0].peak_g[0]] * 3)
    last = np.log([each.peak_g[-1] for each in three])
    assert last[0] - last[1] == pytest.approx(last[2] - last[0])
    # 1.645: both sides of a 90 % normal interval; the standard error is given in percent.
    assert last[0] - last[1] == pytest.approx(1.645 * note.correction_se_pct / 100, rel=1e-3)


def test_a_forecast_on_a_drifting_rig_is_corrected(climbing_rig):
    (raw,) = climbing_rig("forecast", "--json", "--limit-rise", "0.4").json["series"]
    (corrected,) = climbing_rig(
        "forecast", "--rig-corrected", "--json", "--limit-rise", "0.4"
    ).json["series"]
    soon = raw["drops_to_failure"]["median"]
    late = corrected["drops_to_failure"]["median"]
    assert late is None or late > soon
    absolute = climbing_rig("forecast", "--rig-corrected", "--json", "--limit-g", "180")
    assert absolute.json["series"][0]["limit_g"] == 180.0


def test_a_real_climb_stays_when_the_rig_was_steady(lab):
    run = lab()
    rng = np.random.default_rng(4)
    lab.add_test_series(
        "S", 100 * np.exp(0.03 * np.arange(16) + 0.01 * rng.standard_normal(16)), DAYS
    )
    (corrected,) = run("trend", "--rig-corrected", "--json").json["series"]
    assert corrected["verdict"] == "rising"
    assert corrected["rise_pct_per_drop"] == pytest.approx(3.0, abs=0.4)


def test_without_reference_drops_nothing_is_corrected_and_that_is_said(store, lab):
    lab.add_test_series("S", [100.0, 101, 99, 100, 102], DAYS[:5])
    (one,) = store("trend", "--rig-corrected", "--json").json["series"]
    assert one["rig"]["corrected"] is False and "no reference drops" in one["rig"]["reason"]
    assert "Not rig-corrected" in store("trend", "--series", "S", "--rig-corrected").out
    assert store("forecast", "--rig-corrected", "--json").json["series"][0]["rig"]["reason"]
    assert store("trend", "--json").json["series"][0]["rig"] is None


def test_drops_without_times_can_not_be_corrected(lab):
    run = lab()
    lab.add_test_series("S", [100.0, 101, 99, 100, 102], [None] * 5)
    (one,) = run("trend", "--rig-corrected", "--json").json["series"]
    assert "have no time" in one["rig"]["reason"]


def test_a_change_within_the_rigs_scatter_is_labelled_so(lab):
    run = lab()
    rng = np.random.default_rng(6)
    lab.add_test_series("S", 100 * np.exp(0.004 * rng.standard_normal(16)), DAYS)
    assert "smaller than twice the rig's own scatter" in " ".join(
        run("trend", "--series", "S").out.split()
    )
    lab.add_test_series("one", [100.0], DAYS)
    assert "The change of level" not in run("trend", "--series", "one").out


# --------------------------------------------------------------------------------------- gauge


def test_a_gauge_study_of_everyday_drops(lab):
    run = lab(each=4)
    study = run("rig", "--gauge", "--part-sd-pct", "5", "--json").json
    names = [each["name"] for each in study["components"]]
    assert names == ["repeatability", "operator", "day"]
    assert study["repeatability_sd"] == pytest.approx(0.008, rel=0.3)
    assert study["gauge_pct_study_variation"] == pytest.approx(
        100 * study["gauge_sd"] / (study["gauge_sd"] ** 2 + np.log(1.05) ** 2) ** 0.5, rel=1e-6
    )
    out = run("rig", "--gauge", "--part-sd-pct", "5").out
    assert "% of study" in out and "repeatability" in out and "one sensor only" in out
    assert max(map(len, out.splitlines())) <= 80


def test_several_pads_are_the_specimens_of_a_study(lab, sheet):
    run = lab(each=2)
    peaks, days = reference_peaks(each=2, seed=9)
    file = drops_csv(sheet, "r2.csv", "R2", 1.1 * peaks, days, purpose="reference")
    run("import", "drops", file)
    study = run("rig", "--gauge", "--factor", "day", "--json").json
    assert "part" in [each["name"] for each in study["components"]]
    assert "leave it out" in run("rig", "--gauge", "--part-sd-pct", "5", expect=2).err


def test_without_anything_to_hold_the_gauge_against_no_share_is_given(lab):
    run = lab(each=4)
    assert run("rig", "--gauge", "--json").json["gauge_pct_study_variation"] is None
    assert "give --part-sd-pct" in " ".join(run("rig", "--gauge").out.split())


def test_unusable_gauge_studies_are_told(store, sheet):
    assert "needs at least 2" in store("rig", "--gauge", expect=1).err
    file = drops_csv(sheet, "r.csv", "R", [200.0, 201, 199], [None] * 3, purpose="reference")
    store("import", "drops", file)
    assert "not recorded" in store("rig", "--gauge", "--factor", "day", expect=1).err
    assert "--gauge" in store("rig", "--factor", "day", expect=2).err
    assert "above 0" in store("rig", "--gauge", "--part-sd-pct", "0", expect=2).err


def test_a_drift_is_named_beside_the_gauge(lab):
    out = lab(drift_from=10, each=4)("rig", "--gauge", "--part-sd-pct", "5").out
    assert "the rig drifted by R" in " ".join(out.split())
