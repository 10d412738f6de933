"""Measuring again through another filter: the former stays, what changed is said, hands win."""

import pytest
from export_files import faulty_g, half_sine_g, write_volts

from durability.store import database


@pytest.fixture
def taken(rig, tmp_path, once):
    """Three trusted drops and a clipped one."""

    def make():
        paths = [
            write_volts(
                tmp_path / f"drop{number}.csv", half_sine_g(380.0 + 20 * number, seed=number)
            )
            for number in (1, 2, 3)
        ]
        paths.append(write_volts(tmp_path / "clipped.csv", faulty_g("clipped")))
        rig("import", "waveforms", *paths, "--series", "S1")

    once(make)
    return rig


def drops(run):
    return run("drop", "list", "--series", "S1", "--json").json["drops"]


def peaks(run):
    return [drop["peak_g"] for drop in drops(run)]


def test_another_filter_changes_what_counts_and_says_from_what_to_what(taken):
    before = peaks(taken)
    told = taken("remeasure", "--channel-class", "180", "--json").json
    assert (told["remeasured"], told["changed"], told["stored"]) == (4, 4, True)
    assert [drop["before"]["peak_g"] for drop in told["drops"]] == before
    after = [drop["after"]["peak_g"] for drop in told["drops"]]
    assert after[0] < 0.95 * before[0]
    assert peaks(taken) == after
    assert all(drop["after"]["low_pass"]["channel_class"] == 180 for drop in told["drops"])
    assert taken("trend", "--json").json["series"][0]["valid_drops"] == 3


def test_the_former_measures_and_values_stay(taken, tmp_path):
    before = peaks(taken)
    taken("remeasure", "--low-pass-hz", "500")
    found = taken("show", "drop", "S1", "1", "--json").json
    latest, first = found["measures"]
    assert first["peak_g"] == before[0] and latest["peak_g"] == found["peak_g"] < before[0]
    mended = {row["column"]: row for row in found["amendments"]}
    assert float(mended["peak_g"]["old_value"]) == before[0]
    assert float(mended["peak_g"]["new_value"]) == latest["peak_g"]
    reason = mended["peak_g"]["reason"]
    assert reason.startswith("remeasured: pulse ") and "500 Hz" in reason
    with database.reading(tmp_path / "store.duckdb") as connection:
        (original,) = connection.execute(
            "SELECT peak_g FROM drops WHERE drop_number = 1"
        ).fetchone()
    assert original == before[0]


def test_back_to_the_first_filter_gives_the_first_numbers(taken):
    before = peaks(taken)
    taken("remeasure", "--channel-class", "180")
    taken("remeasure")
    assert peaks(taken) == before
    assert len(taken("show", "drop", "S1", "1", "--json").json["measures"]) == 3


def test_nothing_new_stores_nothing(taken):
    told = taken("remeasure", "--json").json
    assert (told["changed"], told["stored"], told["drops"]) == (0, False, [])
    assert len(taken("show", "drop", "S1", "1", "--json").json["measures"]) == 1


def test_a_dry_run_only_looks(taken):
    before = peaks(taken)
    told = taken("remeasure", "--channel-class", "180", "--dry-run", "--json").json
    assert (told["changed"], told["stored"]) == (4, False)
    assert peaks(taken) == before
    assert "would change; nothing stored" in taken("remeasure", "--low-pass-hz", "500",
                                                   "--dry-run").out  # fmt: skip


def test_what_a_person_has_set_stays(taken):
    taken("drop", "amend", "S1", "1", "--set", "peak_g=444", "--reason", "second recorder")
    taken("drop", "restore", "S1", "4", "--reason", "a lower bound will do")
    taken("drop", "void", "S1", "2", "--reason", "sleeve not seated")
    told = taken("remeasure", "--channel-class", "180", "--json").json
    by_hand = {drop["drop_number"]: drop["kept_by_hand"] for drop in told["drops"]}
    assert by_hand[1] == ["peak_g"]
    kept = drops(taken)
    assert kept[0]["peak_g"] == 444.0 and kept[0]["pulse_duration_ms"] > 2.7
    assert (kept[1]["status"], kept[1]["void_reason"]) == ("void", "sleeve not seated")
    assert (kept[3]["status"], kept[3]["void_reason"]) == ("valid", None)
    assert "set manually and stays" in taken("remeasure").out


def test_a_flag_that_comes_takes_the_status_along_and_one_that_goes_gives_it_back(taken):
    """The drop height was entered wrong at first: 4.89 m/s is 1.22 m, not 0.15 m."""
    taken("series", "amend", "S1", "--set", "drop_height_mm=150", "--reason", "read off the mast")
    told = taken("remeasure", "--json").json["drops"]
    assert [drop["flags_came"] for drop in told] == [["velocity_implausible"]] * 4
    assert [drop["status"] for drop in drops(taken)] == ["void"] * 4
    assert "velocity change implausible" in drops(taken)[0]["void_reason"]
    taken("series", "amend", "S1", "--set", "drop_height_mm=1220", "--reason", "measured again")
    told = taken("remeasure", "--json").json["drops"]
    assert [drop["flags_went"] for drop in told] == [["velocity_implausible"]] * 4
    assert [drop["status"] for drop in drops(taken)] == ["valid"] * 3 + ["void"]


def test_a_full_scale_told_with_the_file_holds_again(rig, tmp_path):
    path = write_volts(tmp_path / "a.csv", half_sine_g(400.0))
    rig("import", "waveforms", path, "--series", "S1", "--full-scale-g", "300")
    told = rig("remeasure", "--low-pass-hz", "2000", "--json").json["drops"]
    assert told[0]["flags_went"] == [] and told[0]["status"] == "void"


def test_a_record_too_slow_for_the_class_keeps_its_measures_and_is_told(taken, tmp_path):
    slow = write_volts(tmp_path / "slow.csv", faulty_g("under_sampled"), rate_hz=1500.0)
    taken("import", "waveforms", slow, "--series", "S1")
    told = taken("remeasure", "--channel-class", "180", "--json", expect=1)
    (left,) = told.json["left"]
    assert "drop 5 of series 'S1'" in left["drop"] and "left as it was" in left["reason"]
    assert told.json["changed"] == 4 and len(told.err.strip().splitlines()) == 1


def test_only_the_series_asked_for_is_measured_again(taken, tmp_path):
    taken("series", "open", "S2", "--device", "D-1", "--sensor", "A-1")
    taken("import", "waveforms", write_volts(tmp_path / "x.csv", half_sine_g(seed=9)),
          "--series", "S2")  # fmt: skip
    told = taken("remeasure", "--series", "S2", "--channel-class", "180", "--json").json
    assert [(drop["series"], drop["drop_number"]) for drop in told["drops"]] == [("S2", 1)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--series", "S9"), "series 'S9': not in the store"),
        (("--low-pass-hz", "0"), "--low-pass-hz 0: not a number above 0"),
        (("--low-pass-hz", "500", "--channel-class", "180"), "not allowed with"),
    ],
)
def test_a_call_that_can_not_be_is_one_line(taken, words, said):
    told = taken("remeasure", *words, expect=None)
    assert told.status in (1, 2) and said in told.err
    assert len(told.err.strip().splitlines()) == 1


def test_a_store_without_waveforms_says_so(rig):
    rig("drop", "add", "S1", "--peak-g", "118")
    assert "no drop there has a waveform" in rig("remeasure", expect=1).err


def test_the_table_fits_and_names_the_filter(taken):
    out = taken("remeasure", "--channel-class", "180").out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "SAE J211-1 CFC 180" in out and "filter eats the pulse" in out
