"""The whole chain, from files to answers, on published data that no one here invented."""

import csv

import pytest

LIMIT_IN = 1.60
LAST_CYCLE = 13  # readings stand every 0.01 million cycles, the first at 0


def crack_rows(published):
    """Crack paths as drops: one unit a case, 0.01 million cycles a drop, length for peak.

    Hudak et al. (1978); Bogdanoff and Kozin (1985); Lu and Meeker (1993), Technometrics 35.
    """
    with open(published / "degradation_alloy_crack_growth.csv", newline="") as file:
        for row in csv.DictReader(file):
            number = round(float(row["cycles_million"]) / 0.01) + 1
            yield int(row["unit"]), number, float(row["crack_length_in"])


def write(path, rows):
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["series", "drop_number", "peak_g", "case", "case_model"])
        for unit, number, length in rows:
            writer.writerow([f"U{unit:02d}", number, length, f"U{unit:02d}", "alloy"])
    return path


def test_twelve_of_twenty_one_cracks_reach_the_limit(store, published, tmp_path):
    """12 of 21 reach 1.6 in by 0.12 million cycles (Lu and Meeker 1993, section 1)."""
    store("import", "drops", write(tmp_path / "all.csv", crack_rows(published)))
    told = store("forecast", "--limit-g", LIMIT_IN, "--json").json["series"]
    assert len(told) == 21
    failed = {one["series"]: one["failure_cause"] for one in told if one["failed"]}
    # The last reading of U02 is 1.60 itself, the limit: its level may lie a hair to either side.
    assert len(failed.keys() | {"U02"}) == 12
    assert set(failed.values()) == {"peak limit"}


def test_half_of_each_path_foretells_the_failures(store, published, tmp_path):
    """From the first half of the test; a failed unit crosses by interpolation between readings."""
    paths = {}
    for unit, number, length in crack_rows(published):
        paths.setdefault(unit, []).append((number, length))
    half = [
        (unit, number, length)
        for unit, path in paths.items()
        for number, length in path
        if number <= 7
    ]
    store("import", "drops", write(tmp_path / "half.csv", half))
    told = store("forecast", "--limit-g", LIMIT_IN, "--json").json["series"]
    assert not any(one["failed"] for one in told)
    held = crossed = 0
    for one in told:
        path = paths[int(one["series"][1:])]
        at = next((number for number, length in path if length >= LIMIT_IN), None)
        lower, upper = (one["drops_to_failure"][end] for end in ("lower", "upper"))
        crossed += at is not None
        if at is not None:
            held += lower <= at <= (upper or 400)
    assert crossed == 12
    # 90 % of 12 is 10.8; 8 or fewer would happen in 1 of 40 studies if 90 % were true.
    assert held >= 9


def test_the_crack_trend_is_rising_everywhere(store, published, tmp_path):
    store("import", "drops", write(tmp_path / "all.csv", crack_rows(published)))
    told = store("trend", "--json").json["series"]
    assert {one["verdict"] for one in told} == {"rising"}


# ------------------------------------------------------------------- repeated shocks of boards
# High-Rate SHM Working Group, Datasets 11 (2025) and 14 (2026), CC BY-SA 4.0: read in place.


def board_rows(outside_data):
    """A lab's log as drops rows: height in mm, a missed trigger void, the run as series."""
    with open(outside_data / "shock_drops_set1.csv", newline="") as file:
        for row in csv.DictReader(file):
            peak = row["peak_filt50kHz_g"]
            void = "" if peak else "not recorded"
            yield {
                "series": row["run"],
                "drop_number": row["drop_no"],
                "peak_g": peak,
                "pulse_duration_ms": row["width10_filt50kHz_ms"],
                "drop_height_mm": f"{float(row['drop_height_in']) * 25.4:.1f}",
                "surface": row["cushion"],
                "device": f"board {row['board']} {row['run']}",
                "status": "void" if void else "valid",
                "void_reason": void,
                "note": row["comment"],
            }


@pytest.fixture
def boards(outside_data, tmp_path):
    rows = list(board_rows(outside_data))
    path = tmp_path / "boards.csv"
    with open(path, "w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_heights_that_change_within_a_run_are_not_taken_for_one_series(store, boards):
    told = store("import", "drops", boards, expect=1)
    assert "one series holds one set of conditions" in told.err


def test_at_one_height_the_peak_rises_where_all_heights_mixed_seem_to_fall(store, boards):
    """Drops 13 to 41 of m116_p5KG, all from 13 in: Mann-Kendall z = 4.2, a rise."""
    told = store("import", "drops", boards, "--split-conditions", "--json").json
    assert (told["read"], told["added"]) == (108, 108)
    series = store("trend", "--json").json["series"]
    at_13_in = next(one for one in series if one["series"] == "m116_p5KG, 330.2 mm")
    assert at_13_in["verdict"] == "rising"
    assert at_13_in["level_latest_g"] > at_13_in["level_first_g"]


def test_a_missed_trigger_is_a_drop_of_the_board_all_the_same(store, boards):
    store("import", "drops", boards, "--split-conditions")
    lived = store("query", "drops_without_reading", "--json").json["rows"]
    assert len(lived) >= 1


def test_four_of_five_boards_climb_at_one_height(store, outside_data, tmp_path):
    """Input peak rises on boards 3.4, 4.1, 4.3, 4.5 (z 5.4 to 10.5) and not on 4.4 (z 0.14)."""
    with open(outside_data / "shock_boards_to_failure_A.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if int(row["impact_no"]) >= 1]
    path = tmp_path / "boards.csv"
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["series", "drop_number", "peak_g", "device", "status", "void_reason"])
        for row in rows:
            peak = row["input_peak_g"]
            state = ("valid", "") if peak else ("void", "no pulse in the recording")
            writer.writerow([row["board"], row["impact_no"], peak, row["board"], *state])
    store("import", "drops", path)
    verdicts = {one["series"]: one["verdict"] for one in store("trend", "--json").json["series"]}
    assert verdicts["4.4"] != "rising"
    assert {verdicts[board] for board in ("3.4", "4.1", "4.3", "4.5")} == {"rising"}
