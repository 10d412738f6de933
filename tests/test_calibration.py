"""Calibrations of a sensor: history, what held on the day of a drop, which drops are in doubt."""

from datetime import date

import pytest
from export_files import half_sine_g, write_volts

from durability.record.vocabulary import DRIFT_TOLERANCE_PCT
from durability.report.answers.rig import drift_chart
from durability.store.database import reading
from durability.workflow.sensors import amplitude_notes, calibration_notes, calibration_on


@pytest.fixture
def sensor(store, once):
    """The runner, with a sensor added with its first calibration, on an open series."""

    def make():
        for words in (
            "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 2000"
            " --calibrated-on 2025-03-01 --calibration-due 2026-03-01",
            "specimen add D-1 --kind dummy",
            "series open S1 --device D-1 --drop-height-mm 1220 --sensor A-1",
        ):
            store(*words.split())

    once(make)
    return store


def calibrate(run, on, due, found=None, left=None, *more, expect=0):
    words = ["--calibrated-on", on, "--calibration-due", due]
    words += ["--as-found-mv-per-g", found] if found else []
    words += ["--as-left-mv-per-g", left] if left else []
    return run("sensor", "calibrate", "A-1", *words, *more, "--json", expect=expect)


def take(run, tmp_path, *days):
    paths = [
        write_volts(tmp_path / f"{day}.csv", half_sine_g(400.0, seed=at), head=[f"Date,{day}"])
        for at, day in enumerate(days)
    ]
    return run("import", "waveforms", *paths, "--series", "S1", "--json").json["drops"]


def doubts(run):
    told = run("query", "drops_of_doubted_sensors", "--json").json
    rows = [dict(zip(told["columns"], row, strict=True)) for row in told["rows"]]
    return {row["drop_number"]: (row["doubt"], row["off_pct"]) for row in rows}


# ------------------------------------------------------------------------------- the history


def test_drift_is_from_what_was_left_to_what_is_found(sensor):
    first = calibrate(sensor, "2026-03-02", "2027-03-02", "0.51", "0.505").json
    second = calibrate(sensor, "2026-09-01", "2027-09-01", "0.495").json
    assert first["drift_pct"] == pytest.approx(100 * (0.51 / 0.5 - 1))
    assert second["drift_pct"] == pytest.approx(100 * (0.495 / 0.505 - 1))
    shown = sensor("sensor", "show", "A-1", "--json").json["calibrations"]
    assert [each["as_left_mv_per_g"] for each in shown] == [0.5, 0.505, 0.495]
    assert [each["interval_days"] for each in shown] == [365, 365, 365]
    assert [each["next_drift_pct"] for each in shown[:2]] == [
        each["drift_pct"] for each in (first, second)
    ]


def test_a_sensor_that_was_not_adjusted_is_left_as_found(sensor):
    told = calibrate(sensor, "2026-03-02", "2027-03-02", "0.51").json
    assert (told["as_left_mv_per_g"], told["drift_tolerance_pct"]) == (0.51, DRIFT_TOLERANCE_PCT)
    (listed,) = sensor("sensor", "list", "--json").json["sensors"]
    assert (listed["sensitivity_mv_per_g"], listed["calibration_due"]) == (0.51, "2027-03-02")


def test_without_as_found_nothing_is_said_of_the_drops_before(sensor, tmp_path):
    take(sensor, tmp_path, "2025-06-01")
    told = calibrate(sensor, "2026-03-02", "2027-03-02", None, "0.6").json
    assert (told["drift_pct"], told["in_doubt"]) == (None, [])
    assert doubts(sensor) == {}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("2026-03-02", "2027-03-02"), "both missing"),
        (("2026-03-02", "2026-03-02", "0.5"), "not after the calibration"),
        (("2099-03-02", "2099-09-02", "0.5"), "is in the future"),
        (("2026-03-02", "2026-09-01", "0.5"), "from 365 to 183 days"),
        (("2026-03-02", "2027-03-02", "-1"), "a number above 0, in mV/g"),
    ],
)
def test_what_a_calibration_lacks_is_one_line(sensor, words, said):
    told = calibrate(sensor, *words, expect=2)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


def test_a_change_of_interval_is_kept_with_its_reason(sensor):
    why = ("--interval-reason", "drifted; halved")
    told = calibrate(sensor, "2026-03-02", "2026-09-01", "0.55", None, *why).json
    assert told["interval_reason"] == "drifted; halved"
    assert "365→183" in sensor("sensor", "show", "A-1").out
    assert "drifted; halved" in sensor("sensor", "show", "A-1").out


def test_one_day_has_one_calibration_that_holds(sensor):
    calibrate(sensor, "2026-03-02", "2027-03-02", "0.51")
    assert (
        "sensor void A-1 2026-03-02"
        in calibrate(sensor, "2026-03-02", "2027-03-02", "0.52", expect=1).err
    )
    sensor("sensor", "void", "A-1", "2026-03-02", "--reason", "digits swapped")
    calibrate(sensor, "2026-03-02", "2027-03-02", "0.52")
    shown = sensor("sensor", "show", "A-1", "--json").json
    assert [each["as_left_mv_per_g"] for each in shown["calibrations"]] == [0.5, 0.52]
    assert [each["reason"] for each in shown["voided"]] == ["digits swapped"]
    assert (
        "no calibration of 2026-03-03"
        in sensor("sensor", "void", "A-1", "2026-03-03", "--reason", "x", expect=1).err
    )


def test_the_first_calibration_told_again_brings_its_certificate(sensor):
    calibrate(sensor, "2025-03-01", "2026-03-01", None, "0.5", "--certificate", "C-1")
    (only,) = sensor("sensor", "show", "A-1", "--json").json["calibrations"]
    assert (only["certificate"], only["as_left_mv_per_g"]) == ("C-1", 0.5)
    void = ("sensor", "void", "A-1", "2025-03-01", "--reason", "wrong file")
    sensor(*void)
    assert "takes its place" in sensor(*void, expect=1).err


def test_a_sensor_without_any_calibration(store):
    store("sensor", "add", "B-1")
    assert "0 calibrations" in store("sensor", "show", "B-1").out
    assert store("sensor", "list", "--json").json["sensors"][0]["calibration_due"] is None
    told = store("sensor", "show", "Z-1", expect=1)
    assert "nearest: B-1" in told.err


def test_nothing_recorded_is_changed(sensor, tmp_path):
    take(sensor, tmp_path, "2026-02-01")
    before = sensor("drop", "list", "--json").json
    calibrate(sensor, "2026-03-02", "2027-03-02", "0.6")
    assert sensor("drop", "list", "--json").json == before
    with reading(tmp_path / "store.duckdb") as connection:
        kept = connection.execute("SELECT sensitivity_mv_per_g FROM sensor").fetchone()
    assert kept == (0.5,)


# ------------------------------------------------------------------------------- on the day


ROWS = [
    {
        "calibrated_on": date(2025, 3, 1),
        "calibration_due": date(2026, 3, 1),
        "as_left_mv_per_g": 0.5,
        "next_calibrated_on": date(2026, 4, 1),
        "next_drift_pct": 6.0,
        "next_tolerance_pct": 5.0,
    },
    {
        "calibrated_on": date(2026, 4, 1),
        "calibration_due": date(2027, 4, 1),
        "as_left_mv_per_g": 0.53,
        "next_calibrated_on": None,
        "next_drift_pct": None,
        "next_tolerance_pct": None,
    },
]


@pytest.mark.parametrize(
    ("day", "held", "said"),
    [
        ("2024-12-31", 0.5, ["no calibration", "found drifted"]),
        ("2025-03-01", 0.5, ["found drifted"]),
        ("2026-03-02", 0.5, ["overdue", "found drifted"]),
        ("2026-03-31", 0.5, ["overdue", "found drifted"]),
        ("2026-04-01", 0.53, []),
        ("2027-04-02", 0.53, ["overdue"]),
    ],
)
def test_the_calibration_of_the_day_holds(day, held, said):
    on = date.fromisoformat(day)
    assert calibration_on(ROWS, on)["as_left_mv_per_g"] == held
    notes = calibration_notes("A-1", ROWS, on, is_dated=True)
    assert len(notes) == len(said)
    assert all(word in note for word, note in zip(said, notes, strict=True))


def test_each_waveform_is_scaled_by_the_calibration_of_its_day(sensor, tmp_path):
    calibrate(sensor, "2026-03-02", "2027-03-02", "0.52")
    before, after = take(sensor, tmp_path, "2026-02-01", "2026-03-02")
    # 400 g were written at 0.5 mV/g; read at 0.52 they are 400 × 0.5 / 0.52.
    assert before["peak_g"] == pytest.approx(400, rel=0.01)
    assert after["peak_g"] == pytest.approx(400 * 0.5 / 0.52, rel=0.01)
    shown = [sensor("show", "drop", "S1", number, "--json").json for number in (1, 2)]
    assert [each["waveform"]["mv_per_g"] for each in shown] == [0.5, 0.52]
    assert [each["sensitivity_mv_per_g"] for each in shown] == [0.5, 0.52]
    assert shown[1]["calibrated_on"] == "2026-03-02"


def test_overdue_is_judged_by_the_day_of_the_drop_also_after_the_next_calibration(sensor, tmp_path):
    calibrate(sensor, "2026-03-20", "2027-03-20", "0.505")
    drops = take(sensor, tmp_path, "2026-03-01", "2026-03-02", "2026-03-20")
    overdue = [any("overdue" in note for note in drop["notes"]) for drop in drops]
    assert overdue == [False, True, False]
    assert doubts(sensor) == {2: ("overdue", pytest.approx(1.0))}


# --------------------------------------------------------------------------------- in doubt


def test_a_drift_beyond_the_tolerance_names_its_drops_and_by_how_much(sensor, tmp_path):
    take(sensor, tmp_path, "2025-06-01", "2025-07-01")
    sensor("drop", "add", "S1", "--peak-g", "400", "--dropped-at", "2025-08-01")
    told = calibrate(sensor, "2026-03-01", "2027-03-01", "0.54", "0.5").json
    assert told["drift_pct"] == pytest.approx(8.0)
    (row,) = told["in_doubt"]
    assert (row["series"], row["drops"], row["first_drop"], row["last_drop"]) == ("S1", 3, 1, 3)
    assert doubts(sensor) == {number: ("drifted", pytest.approx(8.0)) for number in (1, 2, 3)}
    sensor("drop", "add", "S1", "--peak-g", "400", "--dropped-at", "2026-03-05")
    assert set(doubts(sensor)) == {1, 2, 3}
    out = sensor("sensor", "show", "A-1").out.replace("\n", "")
    assert "up to 8 % too high: S1 drops 1 to 3. Nothing is rescaled" in out


@pytest.mark.parametrize(("found", "beyond"), [("0.5249", False), ("0.5251", True)])
def test_the_tolerance_is_5_percent_unless_given(sensor, tmp_path, found, beyond):
    take(sensor, tmp_path, "2025-06-01")
    assert bool(calibrate(sensor, "2026-03-01", "2027-03-01", found).json["in_doubt"]) == beyond
    sensor("sensor", "void", "A-1", "2026-03-01", "--reason", "again")
    own = ("--drift-tolerance-pct", "10")
    told = calibrate(sensor, "2026-03-01", "2027-03-01", found, None, *own).json
    assert told["in_doubt"] == []


def test_a_sensor_that_lost_reads_too_low(sensor, tmp_path):
    take(sensor, tmp_path, "2025-06-01")
    told = sensor(
        *("sensor", "calibrate", "A-1", "--calibrated-on", "2026-03-01"),
        *("--calibration-due", "2027-03-01", "--as-found-mv-per-g", "0.46"),
    )
    assert "8 % too low" in told.err and "BEYOND" in told.out


def test_a_certificate_entered_late_names_the_drops_that_another_sensitivity_scaled(
    sensor, tmp_path
):
    take(sensor, tmp_path, "2026-02-01", "2026-03-10")
    told = calibrate(sensor, "2026-03-05", "2027-03-05", "0.51").json
    (row,) = told["in_doubt"]
    assert (row["first_drop"], row["drops"], row["applied_mv_per_g"]) == (2, 1, 0.5)
    assert row["scaled_off_pct"] == pytest.approx(2.0)
    assert doubts(sensor) == {2: ("scaled otherwise", pytest.approx(2.0))}


def test_a_scale_told_with_the_file_is_no_doubt(sensor, tmp_path):
    path = write_volts(tmp_path / "a.csv", half_sine_g(), head=["Date,2025-06-01"], mv_per_g=5.0)
    sensor("import", "waveforms", path, "--series", "S1", "--mv-per-g", "5")
    assert doubts(sensor) == {}


def test_measuring_again_tells_a_drift_found_meanwhile_and_leaves_the_reading(sensor, tmp_path):
    (drop,) = take(sensor, tmp_path, "2025-06-01")
    calibrate(sensor, "2026-03-01", "2027-03-01", "0.54")
    sensor("remeasure")
    shown = sensor("show", "drop", "S1", "1", "--json").json
    assert shown["peak_g"] == drop["peak_g"] and shown["status"] == "valid"
    assert any("found drifted: by +8 %" in note for note in shown["measures"][0]["notes"])
    assert shown["next_drift_pct"] == pytest.approx(8.0)


def test_an_overload_ends_with_the_next_calibration(sensor, tmp_path):
    paths = [
        write_volts(tmp_path / f"{day}.csv", half_sine_g(peak), head=[f"Date,{day}"])
        for day, peak in (("2026-02-01", 2600.0), ("2026-02-02", 400.0), ("2026-03-02", 400.0))
    ]
    sensor("import", "waveforms", *paths, "--series", "S1")
    assert {number: doubt for number, (doubt, _) in doubts(sensor).items()} == {
        1: "overloaded",
        2: "overloaded",
        3: "overdue, overloaded",
    }
    calibrate(sensor, "2026-03-01", "2027-03-01", "0.5")
    assert set(doubts(sensor)) == {1, 2}


def test_the_chart_marks_what_lies_beyond_its_tolerance():
    rows = [
        {"calibrated_on": date(2026, 1, day), "drift_pct": drift, "drift_tolerance_pct": 5.0}
        for day, drift in ((1, None), (2, 0.0), (3, 2.5), (4, -8.0))
    ]
    _, _, none, half, beyond = drift_chart(rows)
    assert all(len(line) <= 80 and line.isascii() for line in (none, half, beyond))
    middle = none.index("o")
    assert "|" not in none and half.index("|") == middle
    edges = [at for at, mark in enumerate(half) if mark == ":"]
    assert edges[0] + edges[1] == 2 * middle
    assert half.index("o") - middle == pytest.approx(0.5 * (edges[1] - middle), abs=1)
    assert beyond.index("X") < beyond.index(":")
    assert drift_chart(rows[:1]) == []


# ------------------------------------------------------------------------------- with and without

STEADY, CLIMB = [100, 103, 98, 101, 99, 102, 100, 98], [112, 121, 130, 142, 153, 166, 180, 194]


@pytest.fixture
def measured(store, once, tmp_path):
    """The runner; eight steady drops in a case, then eight that climb after the sensor was due."""

    def make():
        calibrated = ("--calibrated-on", "2025-03-01", "--calibration-due", "2026-03-01")
        store("sensor", "add", "A-1", "--sensitivity-mv-per-g", "0.5", *calibrated)
        lines = ["series,drop_number,case,case_model,sensor,device,dropped_at,peak_g"]
        days = ["2026-02-01"] * 8 + ["2026-03-02"] * 8
        for number, (day, peak_g) in enumerate(zip(days, STEADY + CLIMB, strict=True), 1):
            lines.append(f"S1,{number},C1,M,A-1,D1,{day}T10:{number:02}:00,{peak_g}")
            lines.append(f"B1,{number},,,,D2,2026-02-03T10:{number:02}:00,{300 + peak_g % 7}")
        (tmp_path / "drops.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        store("import", "drops", tmp_path / "drops.csv")

    once(make)
    return store


def test_drops_of_an_overdue_sensor_are_named_and_the_answers_given_without_them(measured):
    (told,) = measured("trend", "--series", "S1", "--json").json["series"]
    assert [each["drop_number"] for each in told["in_doubt"]] == [*range(9, 17)]
    assert {each["reason"] for each in told["in_doubt"]} == {
        "calibration of sensor A-1 overdue since 2026-03-01"
    }
    assert (told["verdict"], told["without_in_doubt"]["verdict"]) == ("rising", "steady")
    words = " ".join(measured("trend").out.split())
    assert (
        "In doubt (calibration of sensor A-1 overdue since 2026-03-01): S1 drops 9 to 16." in words
    )
    assert "Without the readings in doubt: S1 (steady)." in words

    forecasts = {e["series"]: e for e in measured("forecast", "--json").json["series"]}
    told, bare = forecasts["S1"], forecasts["B1"]
    assert told["failed"] and not told["without_in_doubt"]["failed"]
    assert len(told["in_doubt"]) == 8
    assert (bare["in_doubt"], bare["without_in_doubt"]) == ([], None)
    words = " ".join(measured("forecast", "--series", "S1").out.split())
    assert "Without the readings in doubt: S1: not failed after 16 drops" in words

    claim = measured("claim", "bare", "M", "--at-least", "60", "--json").json
    (found,) = claim["by_kind"]
    assert (found["in_doubt_a"], found["in_doubt_b"], len(claim["in_doubt"])) == (0, 8, 8)
    assert found["without_in_doubt"]["reduction_pct"] > found["claim"]["reduction_pct"]


def test_a_calibration_within_its_tolerance_takes_the_doubt_away(measured):
    calibrate(measured, "2026-04-01", "2027-04-01", "0.51")
    (told,) = measured("trend", "--series", "S1", "--json").json["series"]
    assert (told["in_doubt"], told["without_in_doubt"]) == ([], None)


def test_drops_of_a_sensor_found_drifted_are_in_doubt(sensor, tmp_path):
    take(sensor, tmp_path, *(f"2025-06-0{day}" for day in range(1, 6)))
    assert sensor("trend", "--json").json["series"][0]["in_doubt"] == []
    calibrate(sensor, "2026-02-02", "2027-02-02", "0.56")
    (told,) = sensor("trend", "--json").json["series"]
    assert {each["reason"] for each in told["in_doubt"]} == {
        "sensor A-1 found drifted by +12 % on 2026-02-02"
    }
    assert told["without_in_doubt"]["verdict"] == "too few"


def test_axes_across_beyond_30_percent_put_a_drop_in_doubt(sensor, tmp_path):
    for at, share in enumerate((0.1, 0.1, 0.5, 0.1, 0.1)):
        record = half_sine_g(400.0, seed=at)
        rows = [f"{i / 150e3:.8f},{a:.4f},{share * a:.4f}" for i, a in enumerate(record)]
        (tmp_path / f"{at}.csv").write_text("Time (s),Z (g),X (g)\n" + "\n".join(rows) + "\n")
    paths = [tmp_path / f"{at}.csv" for at in range(5)]
    listed = sensor(
        "import", "waveforms", *paths, "--series", "S1", "--channel", "Z", "--cross-channel", "X",
        "--json",
    ).json  # fmt: skip
    (told,) = sensor("trend", "--json").json["series"]
    doubts = {each["drop_number"]: each["reason"] for each in told["in_doubt"]}
    across = "axes across beyond 30 % of the peak; "
    assert doubts[3] == across + doubts[2]
    assert [number for number in doubts if doubts[number].startswith("axes")] == [3]
    assert [each["flags"] for each in listed["drops"]] == [[], [], ["cross_axis"], [], []]
    shown = sensor("series", "show", "S1", "--json").json["drop_list"]
    assert [round(each["cross_axis_pct"]) for each in shown] == [10, 10, 50, 10, 10]
    assert "cross axis 50 %" in sensor("series", "show", "S1").out


# ----------------------------------------------------------------------- mounting, amplitude


def typed(run, *peaks):
    for peak_g in peaks:
        run("drop", "add", "S1", "--peak-g", peak_g)


def test_a_sensor_mounted_again_puts_the_drops_before_in_doubt(sensor):
    """A step of 20 % at the mounting: without the drops before nothing rises."""
    calibrate(sensor, "2026-03-02", "2099-03-02", "0.5", None, "--interval-reason", "test")
    sensor("sensor", "mount", "S1", "--as", "stud")
    typed(sensor, 100, 101, 99, 100.5, 99.5)
    again = ("sensor", "mount", "S1", "--as", "wax", "--note", "stud stripped")
    assert sensor(*again, "--json").json == {
        "series": "S1", "mounting": "wax", "from_drop": 6, "uncertainty_pct": None
    }  # fmt: skip
    (before,) = sensor("trend", "--json").json["series"]
    assert before["in_doubt"] == []  # no drop has been made with it
    typed(sensor, 120, 121, 119, 120.5, 119.5, 120.2)
    (told,) = sensor("trend", "--json").json["series"]
    assert {each["reason"] for each in told["in_doubt"]} == {
        "before the sensor was mounted again at drop 6, wax"
    }
    assert [each["drop_number"] for each in told["in_doubt"]] == [1, 2, 3, 4, 5]
    assert (told["verdict"], told["without_in_doubt"]["verdict"]) == ("rising", "steady")
    mounted = [sensor("show", "drop", "S1", n, "--json").json["sensor_mounting"] for n in (5, 6)]
    assert mounted == ["stud", "wax"]
    assert sensor("series", "list", "--json").json["series"][0]["sensor_mounting"] == "wax"
    sensor("sensor", "mount", "S1", "--as", "unchanged", "--from-drop", "6")
    (told,) = sensor("trend", "--json").json["series"]
    assert told["in_doubt"] == []
    sensor("seal")
    assert sensor("verify").status == 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("S1", "--as", "stud", "--from-drop", "3"), 2, "give a drop of S1 from 1 to 2"),
        (("S9", "--as", "stud"), 1, "not in the store"),
        (("S1", "--as", "glue"), 2, "glue"),
    ],
)
def test_a_mounting_that_can_not_be_is_one_line(sensor, words, status, said):
    typed(sensor, 100)
    told = sensor("sensor", "mount", *words, expect=status)
    assert said in told.err.splitlines()[-1]


def test_a_mounting_recorded_late_can_be_moved_to_the_start(sensor):
    typed(sensor, 100, 101, 99, 100, 101)
    told = sensor("sensor", "mount", "S1", "--as", "stud").out
    assert "--from-drop 1, and --as unchanged --from-drop 6)" in told
    typed(sensor, 100)
    assert "mounted again" in sensor("trend", "S1").out
    for words in (("--as", "stud", "--from-drop", "1"), ("--as", "unchanged", "--from-drop", "6")):
        assert "from the start" not in sensor("sensor", "mount", "S1", *words).out
    assert "mounted again" not in sensor("trend", "S1").out


def test_sensitivity_by_amplitude_is_read_at_the_peak(sensor, tmp_path):
    """By hand: 400 g lies at 3/4 between 100 g (+0 %) and 500 g (+4 %), so +3 % off."""
    at = ("--at", "500=0.52", "--at", "100=0.5")
    calibrate(sensor, "2026-03-02", "2027-03-02", "0.5", None, *at)
    (_, held) = sensor("sensor", "show", "A-1", "--json").json["calibrations"]
    assert [each["peak_g"] for each in held["by_amplitude"]] == [100.0, 500.0]
    assert held["by_amplitude"][1]["off_pct"] == pytest.approx(4.0)
    assert "ISO 16063-22" in sensor("sensor", "show", "A-1").out
    (drop,) = take(sensor, tmp_path, "2026-03-14")
    assert "sensitivity +3 % off" in drop["notes"][-1] and "too high" in drop["notes"][-1]
    held = [{"calibrated_on": date(2026, 3, 2), "by_amplitude": held["by_amplitude"]}]
    day = date(2026, 3, 14)
    assert amplitude_notes("A-1", held, day, 150.0) == ()  # half a percent
    assert "100 to 500 g" in amplitude_notes("A-1", held, day, 501.0)[0]
    assert amplitude_notes("A-1", [{**held[0], "by_amplitude": None}], day, 501.0) == ()
    assert (
        "write PEAK=SENSITIVITY"
        in calibrate(sensor, "2026-06-02", "2027-06-02", "0.5", None, "--at", "500", expect=2).err
    )
