"""Claims and voids from the command line: shown or not, by orientation, device and dummy apart."""

import numpy as np
import pytest


@pytest.fixture
def lab(store, sheet):
    """Bare drops at 800 g, and sleeves whose cases are dropped in two orientations."""

    def fill(level_g=200.0, cases=4, kind="dummy", bare_kind=None, each=4, wear=0.0, name="d.csv"):
        rng = np.random.default_rng(21)
        lines = [
            "series,drop_number,peak_g,case,case_model,device,device_kind,orientation,"
            "drop_height_mm,surface"
        ]
        for orientation in ("face 3", "edge 2-1"):
            for number in range(1, 9):
                peak = 800 * np.exp(0.03 * rng.standard_normal())
                lines.append(
                    f"{name}B {orientation},{number},{peak:.2f},,,X{bare_kind or kind},"
                    f"{bare_kind or kind},{orientation},1000,steel"
                )
        for at in range(cases):
            own = level_g * np.exp(0.04 * rng.standard_normal())
            for orientation in ("face 3", "1-2"):
                for number in range(1, each + 1):
                    peak = own * np.exp(wear * number + 0.03 * rng.standard_normal())
                    lines.append(
                        f"{name}{at} {orientation},{number},{peak:.2f},{kind}C{at},sleeve,X{kind},"
                        f"{kind},{orientation},1000,steel"
                    )
        store("import", "drops", sheet(name, *lines))
        return store

    return fill


def claim(run, *words):
    return run("claim", "bare", "sleeve", *words, "--json").json


def test_a_clear_claim_is_shown_in_one_sentence(lab):
    run = lab()
    (found,) = claim(run, "--at-least", "60")["by_kind"]
    assert found["device_kind"] == "dummy"
    assert found["claim"]["verdict"] == "shown"
    # Four cases that differ by 4 % about 200 g against 800 g: 75 % give or take 2.
    assert 70 < found["claim"]["reduction_lower"] < found["claim"]["reduction_upper"] < 80
    out = " ".join(run("claim", "bare", "sleeve", "--at-least", "60").out.split())
    assert out.startswith(
        "SHOWN: sleeve reduces peak g against bare by at least 60 % (1000 mm, steel, dummy; "
    )
    assert "16 drops bare of 1 device against 32 drops of 4 cases" in out
    assert "Decision rule: shown if the whole 90 % interval" in out and "false claims" in out


def test_orientations_stand_apart_and_bear_one_name(lab):
    """Faces may be named in either order."""
    (found,) = claim(lab(), "--at-least", "60")["by_kind"]
    rows = found["claim"]["per_orientation"]
    assert [each["orientation"] for each in rows] == ["edge 1-2", "face 3"]
    assert all((each["drops_a"], each["drops_b"]) == (8, 16) for each in rows)
    assert found["claim"]["unshared_orientations"] == []


def test_a_false_claim_is_contradicted_and_a_near_one_is_not_shown(lab):
    run = lab()
    assert claim(run, "--at-least", "90")["by_kind"][0]["claim"]["verdict"] == "contradicted"
    middle = claim(run, "--at-least", "90")["by_kind"][0]["claim"]["reduction_pct"]
    near = claim(run, "--at-least", middle)["by_kind"][0]["claim"]
    assert near["verdict"] == "not shown"
    out = " ".join(run("claim", "bare", "sleeve", "--at-least", middle).out.split())
    assert "NOT SHOWN" in out and "To settle it" in out


def test_one_case_shows_nothing_of_a_model(lab):
    run = lab(cases=1)
    assert claim(run, "--at-least", "10")["by_kind"][0]["claim"]["verdict"] == "not shown"
    assert "at least 2 cases" in " ".join(
        run("claim", "bare", "sleeve", "--at-least", "10").out.split()
    )


def test_device_and_dummy_are_never_pooled(lab):
    lab()
    run = lab(level_g=100.0, kind="device", name="e.csv")
    told = claim(run, "--at-least", "60")["by_kind"]
    # As many cases and drops: the device stands first.
    assert [each["device_kind"] for each in told] == ["device", "dummy"]
    device, dummy = (each["claim"]["reduction_pct"] for each in told)
    assert dummy == pytest.approx(75, abs=2.5) and device == pytest.approx(87.5, abs=2.5)
    assert "judged separately" in run("claim", "bare", "sleeve", "--at-least", "60").out


def test_sides_dropped_with_different_kinds_can_not_be_compared(lab):
    run = lab(bare_kind="device")
    told = run("claim", "bare", "sleeve", "--at-least", "60", expect=1).err
    assert "no condition in common" in told
    assert "bare under 1000 mm, steel, device; sleeve under 1000 mm, steel, dummy" in told


def test_wear_counts_by_the_drops_of_the_cases_life(lab):
    run = lab(wear=0.08, each=6)
    fresh = claim(run, "--at-least", "60", "--after-drops", "1")["by_kind"][0]["claim"]
    worn = claim(run, "--at-least", "60", "--after-drops", "12")["by_kind"][0]["claim"]
    assert worn["reduction_pct"] < fresh["reduction_pct"] - 5
    assert worn["at_drop"] == 12
    assert [each["drops"] for each in worn["by_wear"]] == [1, 6, 12]
    for found in (fresh, worn):
        asked = ("compare", "bare", "sleeve", "--after-drops", found["at_drop"], "--json")
        compared = run(*asked).json
        assert compared["by_wear"] == found["by_wear"]
        assert compared["ratio"] == found["overall"]["ratio"]
        assert compared["reduction_lower"] == found["reduction_lower"]
    out = " ".join(run("claim", "bare", "sleeve", "--at-least", "60").out.split())
    assert "% fresh, " in out and "% after 12 drops" in out


def test_wear_beyond_the_drops_of_both_sides_is_refused(lab):
    run = lab(wear=0.02, each=6)
    for words in (("compare", "bare", "sleeve"), ("claim", "bare", "sleeve", "--at-least", "60")):
        told = run(*words, "--after-drops", "400", expect=2).err
        assert "--after-drops 400: both sides have made 12 drops under 1000 mm, steel" in told
        # Eight drops each way were made bare: bare doesn't wear, so that sets no end.
        run(*words, "--after-drops", "12")
    assert "1 or more" in run("compare", "bare", "sleeve", "--after-drops", "0", expect=2).err


def test_heights_are_not_mixed(store, sheet):
    lines = ["series,drop_number,peak_g,case,case_model,device,device_kind,drop_height_mm"]
    for number in (1, 2, 3):
        lines += [
            f"B,{number},{800 + number},,,D,dummy,1000",
            f"B2,{number},{400 + number},,,D,dummy,500",
            f"S,{number},{200 + number},C1,m,D,dummy,1000",
            f"T,{number},{203 + number},C2,m,D,dummy,1000",
        ]
    store("import", "drops", sheet("d.csv", *lines))
    (found,) = store("claim", "bare", "m", "--at-least", "60", "--json").json["by_kind"]
    assert found["claim"]["overall"]["drops_a"] == 3
    assert found["condition"] == {
        "drop_height_mm": 1000, "surface": None, "device_kind": "dummy"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (("bare", "bare", "--at-least", "60"), 2, "against itself"),
        (("bare", "sleeve", "--at-least", "100"), 2, "--at-least"),
        (("bare", "sleeve", "--at-least", "-1"), 2, "--at-least"),
        (("bare", "sleeve", "--at-least", "60", "--after-drops", "0"), 2, "--after-drops"),
        (("bare", "sleeve", "--at-least", "60", "--level", "1"), 2, "--level"),
        (("bare", "boot", "--at-least", "60"), 1, "'boot'"),
    ],
)
def test_what_can_not_be_claimed_is_told(lab, words, status, told):
    assert told in lab()("claim", *words, expect=status).err


# ------------------------------------------------------------------------------------ voiding


def test_a_claim_says_what_was_voided_and_whether_it_matters(lab):
    run = lab()
    run("drop", "void", "d.csv0 face 3", "1", "--reason", "cable snag")
    told = claim(run, "--at-least", "60")
    assert [each["reason"] for each in told["voided"]] == ["cable snag"]
    assert told["by_kind"][0]["with_voided"]["verdict"] == "shown"
    out = " ".join(run("claim", "bare", "sleeve", "--at-least", "60").out.split())
    assert "Voided (cable snag): d.csv0 face 3 drop 1" in out and "the verdict stays" in out


@pytest.fixture
def series(store, sheet):
    def fill(peaks):
        lines = ["series,drop_number,peak_g,case,case_model"]
        lines += [f"S,{at},{peak},C,m" for at, peak in enumerate(peaks, start=1)]
        store("import", "drops", sheet("d.csv", *lines))
        return store

    return fill


STEADY = [100, 103, 99, 101, 98, 102, 100, 97, 101, 100, 103, 99, 101, 100, 98, 102]


def test_an_outlier_test_only_suggests(series):
    peaks = [*STEADY[:9], 180, *STEADY[9:]]
    run = series(peaks)
    (told,) = run("trend", "--json").json["series"]
    assert told["suggested_outliers"] == [10] and "ESD" in told["suggested_by"]
    assert told["valid_drops"] == len(peaks)
    out = " ".join(run("trend", "--series", "S").out.split())
    assert "would mark drop 10: look for a physical cause" in out


def test_grubbs_serves_a_short_series_and_steady_ones_are_left_alone(series):
    run = series([*STEADY[:4], 180, *STEADY[4:8]])
    (told,) = run("trend", "--json").json["series"]
    assert told["suggested_outliers"] == [5] and "Grubbs" in told["suggested_by"]


def test_steady_readings_and_few_drops_bring_no_suggestion(series):
    (told,) = series(STEADY)("trend", "--json").json["series"]
    assert told["suggested_outliers"] == []


def test_too_few_drops_for_an_outlier_test_are_said_so(series):
    (told,) = series([100, 180, 101])("trend", "--json").json["series"]
    assert told["suggested_outliers"] == [] and "too few" in told["suggested_by"]


def test_the_trend_says_what_was_voided_and_that_putting_it_back_changes_it(series):
    run = series([100, 101, 99, 100, 150, 155, 152, 158])
    for drop in (5, 6, 7, 8):
        run("drop", "void", "S", drop, "--reason", "loose mount")
    (told,) = run("trend", "--json").json["series"]
    assert [each["drop_number"] for each in told["voided"]] == [5, 6, 7, 8]
    assert (told["verdict"], told["with_voided"]["verdict"]) == ("steady", "rising")
    one = " ".join(run("trend", "--series", "S").out.split())
    assert "Voided (loose mount): S drops 5 to 8." in one and "the verdict CHANGES" in one
    assert "included: S (rising)" in " ".join(run("trend").out.split())


def test_a_voided_drop_without_reading_changes_nothing(series):
    run = series(STEADY)
    run("drop", "add", "S", "--void-reason", "bad trigger")
    (told,) = run("trend", "--json").json["series"]
    assert told["voided"][0]["peak_g"] is None and told["with_voided"] is None
    assert "have no reading" in " ".join(run("trend", "--series", "S").out.split())
    assert "no verdict changes" in run("trend").out


def test_compare_names_what_was_voided(lab):
    run = lab()
    run("drop", "void", "d.csv0 face 3", "1", "--reason", "cable snag")
    told = run("compare", "bare", "sleeve", "--json").json
    assert [each["drop_number"] for each in told["voided_drops"]] == [1]
    out = " ".join(run("compare", "bare", "sleeve").out.split())
    assert "Voided (cable snag)" in out and "within the interval" in out


# ------------------------------------------------------------------ the uncertainty of readings


def test_both_risks_and_a_guard_band_come_from_what_the_record_holds(lab):
    run = lab()
    before = claim(run, "--at-least", "74")["by_kind"][0]["claim"]
    parts = {part["source"]: part for part in before["guard"]["parts"]}
    assert parts["calibration"]["words"] == "sensor not recorded"
    for code, pct in (("A", "2"), ("B", "6")):
        run("sensor", "add", code)
        run("sensor", "calibrate", code, "--calibrated-on", "2020-01-02", "--calibration-due",
            "2090-01-02", "--as-left-mv-per-g", "0.5", "--uncertainty-pct", pct)  # fmt: skip
    for row in run("series", "list", "--json").json["series"]:
        sensor = "B" if row["case"] else "A"
        run("series", "amend", row["series"], "--set", f"sensor={sensor}", "--reason", "forgotten")
        run("sensor", "mount", row["series"], "--as", "stud", "--from-drop", "1",
            "--uncertainty-pct", "1")  # fmt: skip
    (found,) = claim(run, "--at-least", "74")["by_kind"]
    guard = found["claim"]["guard"]
    parts = {part["source"]: part["standard_pct"] for part in guard["parts"]}
    # Certificates of 2 % and 6 % (k = 2), each sensor all of a side.
    assert parts["calibration"] == pytest.approx(np.hypot(1.0, 3.0))
    # Two series bare, eight in cases, 0.5 % each, all of a side alike.
    assert parts["mounting"] == pytest.approx(np.sqrt(2 * 0.25**2 + 8 * (0.5 / 8) ** 2))
    assert parts["filter"] is None
    # Nothing else of the answer has moved, and simple acceptance stays the default.
    kept = {name: value for name, value in found["claim"].items() if name != "guard"}
    assert kept == {name: before[name] for name in kept}
    assert guard["acceptance"] == "simple" and found["claim"]["verdict"] == guard["verdict_simple"]
    (again,) = claim(run, "--at-least", "74", "--acceptance", "guarded")["by_kind"]
    assert again["claim"]["verdict"] == guard["verdict_guarded"]
    assert "widened by the uncertainty of readings" in again["claim"]["decision_rule"]
    out = " ".join(run("claim", "bare", "sleeve", "--at-least", "60").out.split())
    assert "Risk of a false decision, readings counted (JCGM 106): accepted, the claim is" in out
    assert "filter not evaluated (not every drop has a waveform)" in out
    assert "Acceptance: simple." in out
    told = run("claim", "bare", "sleeve", "--at-least", "60", "--acceptance", "strict", expect=2)
    assert "--acceptance" in told.err
