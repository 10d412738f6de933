"""Plans from the command line: drops to see a rise, survivors, and a sheet that is followed."""

import io
import sys

import numpy as np
import pytest

from durability.plan.reliability import reliability_shown
from durability.record.orientation import ORIENTATIONS
from durability.store import bench as statements
from durability.store import database


@pytest.fixture
def lab(store, sheet, once):
    """Six cases of two models with 12 steady drops each; 4 % within, 6 % between cases."""

    def make():
        rng = np.random.default_rng(11)
        lines = ["series,drop_number,peak_g,case,case_model,device,device_kind,orientation"]
        for at in range(6):
            level = 100 * np.exp(0.06 * rng.standard_normal())
            for number in range(1, 13):
                peak = level * np.exp(0.04 * rng.standard_normal())
                lines.append(f"S{at},{number},{peak:.3f},C{at},m{at % 2},D-1,dummy,face 3")
        store("import", "drops", sheet("d.csv", *lines))

    once(make)
    return store


# ------------------------------------------------------------------------------ rise, tell apart


def test_a_rise_is_planned_by_the_labs_own_scatter(lab):
    told = lab("plan", "rise", "--rise-pct", "1", "--json").json
    assert told["scatter"]["within"] == pytest.approx(0.04, rel=0.2)
    assert [each["cases"] for each in told["plans"]] == [1, 2, 3, 5]
    drops = [each["drops_per_case"] for each in told["plans"]]
    assert drops == sorted(drops, reverse=True)
    assert all(each["power"] >= 0.8 for each in told["plans"])
    careful = [each["drops_per_case"] for each in told["plans_careful"]]
    assert all(more >= less for more, less in zip(careful, drops))
    out = lab("plan", "rise", "--rise-pct", "1").out
    assert "this lab's own (72 drops of 6 cases" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80


def test_a_ten_fold_typing_error_moves_no_plan(lab):
    def rise():
        return lab("plan", "rise", "--rise-pct", "1", "--json").json

    before = rise()
    peak_g = lab("drop", "list", "--series", "S3", "--json").json["drops"][6]["peak_g"]
    words = ("--set", f"peak_g={10 * peak_g:.3f}", "--reason", "a slip of the finger")
    lab("drop", "amend", "S3", "7", *words)
    after = rise()
    assert after["scatter"]["within"] == pytest.approx(before["scatter"]["within"], rel=0.05)
    for one, other in zip(before["plans"], after["plans"], strict=True):
        assert other["drops_per_case"] == pytest.approx(one["drops_per_case"], abs=1)
    assert "71 drops of 6 cases" in after["scatter"]["seen"]["basis"]
    assert "1 reading far off left out" in after["scatter"]["seen"]["basis"]
    apart = lab("plan", "tell-apart", "--difference-pct", "10", "--json").json
    assert apart["scatter"]["between"] < 0.2


def test_a_given_scatter_needs_no_record(store):
    told = store("plan", "rise", "--rise-pct", "2", "--scatter-pct", "5", "--json").json
    assert told["plans_careful"] is None and told["scatter"]["seen"] is None
    assert "as given" in store("plan", "rise", "--rise-pct", "2", "--scatter-pct", "5").out


def test_a_plan_below_the_fewest_drops_of_trend_says_so(store):
    """A rise seen "after 3 drops" had but 5 points less in trend, which then says too few."""
    words = ("plan", "rise", "--scatter-pct", "4", "--cases", "1", "--rise-pct")
    too_few = "With fewer than 4 drops trend answers: too few."
    assert "after 3 drops" in store(*words, "500").out and too_few in store(*words, "500").out
    assert too_few not in store(*words, "2").out


def test_a_rise_too_small_for_any_plan_is_told(store):
    words = ("plan", "rise", "--rise-pct", "1e-6", "--scatter-pct", "20", "--cases", "1")
    assert "no number of drops up to 1000 is enough" in store(*words).out


def test_without_record_or_scatter_the_way_out_is_told(store):
    assert "--scatter-pct" in store("plan", "rise", "--rise-pct", "1", expect=1).err
    words = ("plan", "tell-apart", "--difference-pct", "10")
    assert "--scatter-pct" in store(*words, expect=1).err


def test_two_models_are_told_apart_by_cases(lab):
    told = lab("plan", "tell-apart", "--difference-pct", "10", "--json").json
    assert told["scatter"]["between"] is not None
    cases = [each["cases_per_model"] for each in told["plans"]]
    assert cases == sorted(cases, reverse=True)
    given = ("--scatter-pct", "4", "--scatter-between-pct", "6", "--drops", "5")
    out = lab("plan", "tell-apart", "--difference-pct", "10", *given).out
    assert "cases of each" in out and "as given" in out


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("rise", "--rise-pct", "0"), "rise"),
        (("rise", "--rise-pct", "1", "--power", "2"), "power"),
        (("rise", "--rise-pct", "1", "--cases", "0"), "0 cases"),
        (("rise", "--rise-pct", "1", "--scatter-pct", "-1"), "--scatter-pct"),
        (("tell-apart", "--difference-pct", "0"), "difference"),
        (("tell-apart", "--difference-pct", "5", "--scatter-pct", "3"), "both"),
        (("survive", "--drops", "0"), "--drops"),
        (("survive", "--drops", "5", "--reliability", "1"), "reliability"),
        (("survive", "--drops", "5", "--drops-each", "9"), "--drops-each"),
        (("survive", "--drops", "5", "--shape", "2", "--failures-allowed", "1"), "--failures"),
        (("sheet",), "--case-model"),
        (("sheet", "--case", "C0", "--orientation", "edge 1-3"), "opposite"),
        (("sheet", "--case", "C0", "--case", "C0"), "named twice"),
        (("sheet", "--case", "C0", "--repeats", "0"), "repeat"),
        (("sheet", "--case", "C0", "--rest-s", "-1"), "rest"),
    ],
)
def test_what_can_not_be_planned_is_told(lab, words, names):
    assert names in lab("plan", *words, expect=2).err


# -------------------------------------------------------------------------------------- survive


@pytest.mark.parametrize(
    ("reliability", "confidence", "cases"),
    # Success run ln(1 - C) / ln R, rounded up: 90/90 22 and 95/95 59 are the usual quotations.
    [("0.9", "0.9", 22), ("0.95", "0.95", 59), ("0.99", "0.95", 299), ("0.95", "0.99", 90)],
)
def test_cases_that_must_survive(store, reliability, confidence, cases):
    words = ("--reliability", reliability, "--confidence", confidence)
    told = store("plan", "survive", "--drops", "26", *words, "--json").json
    assert told["cases"] == cases
    told = " ".join(store("plan", "survive", "--drops", "26").out.split())
    assert "No case with drops in this store yet; once one has made 26 drops" in told


def test_what_survivors_have_shown(lab):
    told = lab("plan", "survive", "--drops", "12", "--confidence", "0.95", "--json").json
    assert [each["case_model"] for each in told["so_far"]] == ["m0", "m1"]
    for each in told["so_far"]:
        # 3 survivors: 0.05 ** (1/3) = 0.368; 26 drops of one case would still be one case.
        assert each["shown"]["reliability"] == pytest.approx(0.05 ** (1 / 3))
        assert each["not_yet"] == 0
        # 29 are the fewest n with 0.9^n <= 0.05.
        assert each["more_cases"] == 26
    beyond = lab("plan", "survive", "--drops", "13", "--json").json["so_far"][0]
    assert (beyond["shown"], beyond["not_yet"]) == (None, 3)
    out = lab("plan", "survive", "--drops", "12", "--confidence", "0.95").out
    assert "success run" in out and "the unit is the case" in out


def test_a_failed_case_counts_against(lab):
    lab("damage", "add", "C0", "--severity", "4", "--series", "S0", "--drop", "5")
    shown = lab("plan", "survive", "--drops", "12", "--json").json["so_far"][0]["shown"]
    assert (shown["cases"], shown["failures"]) == (3, 1)
    more = lab("plan", "survive", "--drops", "12", "--json").json["so_far"][0]["more_cases"]
    assert reliability_shown(3 + more, 0.9, 12, 1).reliability >= 0.9
    assert reliability_shown(2 + more, 0.9, 12, 1).reliability < 0.9
    early = lab("plan", "survive", "--drops", "4", "--json").json["so_far"][0]["shown"]
    assert (early["cases"], early["failures"]) == (3, 0)


def test_with_a_known_shape_unequal_lives_count(lab):
    words = ("--drops", "24", "--shape", "2", "--confidence", "0.9", "--drops-each", "48")
    told = lab("plan", "survive", *words, "--json").json
    # ln 0.1 / (ln 0.9 · 2²) = 5.46
    assert told["cases"] == 6
    # Weibayes: scale ≥ √(3 · 12² / 2.3026), reliability ≥ exp(-(24 / scale)²)
    scale = (3 * 144 / -np.log(0.1)) ** 0.5
    assert told["so_far"][0]["shown"]["reliability"] == pytest.approx(np.exp(-((24 / scale) ** 2)))


# ---------------------------------------------------------------------------------------- sheet


def test_a_sheet_holds_every_orientation_once_a_group(lab, tmp_path):
    words = ("--case-model", "m0", "--bare", "D-1", "--rest-s", "60", "--seed", "7")
    told = lab("plan", "sheet", *words, "-o", "s.csv", "--page", "s.html", "--json").json
    for group in ("m0", "bare"):
        seen = [each["orientation"] for each in told["drops"] if each["group"] == group]
        assert sorted(seen) == sorted(each.name for each in ORIENTATIONS)
    assert {each["item"] for each in told["drops"]} == {"C0", "C2", "C4", "D-1"}
    page = (tmp_path / "s.html").read_text()
    assert page.count("<tr>") == 1 + 52 + 1 + 26 and told["sha256"] in page
    assert "http" not in page and "<script" not in page
    head, *_ = (tmp_path / "s.csv").read_text().splitlines()
    assert told["sha256"] in head and told["made_on"] in head and "seed 7" in head


def test_the_same_seed_gives_the_same_sheet(lab):
    def drops(seed):
        return lab("plan", "sheet", "--case", "C0", "--seed", seed, "--json").json["drops"]

    assert drops(3) == drops(3) != drops(4)


def test_codes_are_escaped_on_the_page(store, tmp_path):
    store("specimen", "add", "<b>&", "--kind", "case", "--model", "m")
    store("plan", "sheet", "--case", "<b>&", "--orientation", "face 1", "--page", "s.html")
    page = (tmp_path / "s.html").read_text()
    assert "&lt;b&gt;&amp;" in page and "<b>&" not in page


def test_a_sheet_is_never_written_over(lab, tmp_path):
    (tmp_path / "s.csv").write_text("mine")
    assert "already exists" in lab("plan", "sheet", "--case", "C0", "-o", "s.csv", expect=2).err
    assert (tmp_path / "s.csv").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--case", "X"), "not in the store"),
        (("--case", "D-1"), "is a dummy"),
        (("--bare", "C0"), "is a case"),
        (("--case-model", "none"), "no case of that model"),
    ],
)
def test_items_of_a_sheet_must_be_there(lab, words, told):
    assert told in lab("plan", "sheet", *words, expect=1).err


def test_a_retired_case_is_left_out(lab):
    lab("specimen", "retire", "C0", "--reason", "cracked")
    told = lab("plan", "sheet", "--case-model", "m0", "--json").json
    assert {each["item"] for each in told["drops"]} == {"C2", "C4"}
    assert "is retired" in lab("plan", "sheet", "--case", "C0", expect=1).err


# -------------------------------------------------------------------------------- record --plan


@pytest.fixture
def follow(lab, tmp_path, monkeypatch):
    """A sheet of three drops of C0 and C2, and a session along it."""
    lab("series", "open", "P", "--device", "D-1", "--case", "C0", "--drop-height-mm", "1000")
    words = ("--case", "C0", "--case", "C2", "--orientation", "1-2", "--orientation", "face 3")
    lab("plan", "sheet", *words, "--orientation", "face 1", "-o", "s.csv", "--rest-s", "60")

    def call(*lines, plan="s.csv", expect=0, words=()):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        return lab("record", "P", "--plan", plan, *words, expect=expect)

    call.run = lab
    call.path = tmp_path / "s.csv"
    call.drops = [
        line.split(",") for line in call.path.read_text().splitlines() if line[0].isdigit()
    ]
    return call


def entries(tmp_path):
    with database.reading(tmp_path / "store.duckdb") as connection:
        return statements.fetch(connection, "sheet_entries", prefix="record --plan ")


def test_a_session_follows_its_sheet(follow, tmp_path):
    told = follow("100", "101", "102")
    assert "3 of 3 planned drops done" in told.out
    for (_, _, _, item, _, orientation, _), row in zip(follow.drops, entries(tmp_path)):
        series = follow.run("series", "show", row["series"], "--json").json
        assert (series["case"], series["orientation"]) == (item, orientation)
        assert series["drop_height_mm"] == 1000.0
        assert "along drop sheet sha256" in series["note"]


def test_the_hash_of_the_sheet_stands_in_the_record(follow, tmp_path):
    follow("100")
    sha256 = follow.path.read_text().splitlines()[0].rpartition(" ")[2]
    assert [row["command"] for row in entries(tmp_path)] == [f"record --plan {sha256} place 1"]


def test_a_session_along_a_sheet_goes_on_where_it_was(follow):
    follow("100", "101")
    assert "3 of 3 planned drops done" in follow("102").out
    assert "3 of 3" in follow().out


def test_lines_beyond_the_last_planned_drop_are_refused_not_lost(follow, tmp_path):
    told = follow("100", "101", "102", "", "103", "104", "q", "105", expect=1)
    assert "'103': every drop of the sheet is made" in told.err
    assert "2 lines from there on not stored" in told.err
    assert len(entries(tmp_path)) == 3
    assert "1 line from there on not stored" in follow("106", expect=1).err
    assert follow("q", "107").err == follow().err == ""


def test_a_void_drop_leaves_its_place_owed(follow):
    told = follow("100 v1", "100")
    assert "place 1 is still to be dropped" in told.out and "1 of 3 planned drops done" in told.out
    assert "no drop made yet" in follow("u", expect=1).err


def test_a_place_that_is_passed_over_is_not_done(follow):
    assert "1 of 3 planned drops done, 1 passed over" in follow("skip: no light", "101").out


def test_an_undone_drop_is_owed_again(follow):
    assert "0 of 3 planned drops done" in follow("100", "u1").out
    assert "0 of 3 planned drops done" in follow().out


def test_an_entry_made_twice_is_owed_again(follow):
    told = follow("100", "101", "never")
    assert "taken out as never made (entered twice)" in told.out
    assert "1 of 3 planned drops done" in told.out
    assert "2 of 3" in follow("102").out


def test_a_scan_says_whether_it_is_the_item_that_is_planned(follow):
    planned = follow.drops[0][3]
    told = follow("C0", "C2", expect=1)
    other = {"C0": "C2", "C2": "C0"}[planned]
    assert f"that is case {other}; the next drop uses {planned} and D-1" in told.err
    assert f"case {planned}: the next drop uses it" in told.out
    assert "0 of 3 planned drops done" in told.out


def test_a_deviation_needs_its_reason(follow, tmp_path):
    told = follow("100 instead edge 2-3", "skip", "skip:", expect=1)
    assert told.err.count("needs its reason") == 3
    told = follow("100 instead 3-2: cable in the way", "skip: torn strap")
    assert "1 passed over, 1 in another orientation" in told.out
    first, second = entries(tmp_path)
    assert first["command"].endswith("place 1 instead edge 2-3: cable in the way")
    assert second["command"].endswith("place 2 skipped: torn strap")
    (drop,) = follow.run("drop", "list", "--series", first["series"], "--json").json["drops"]
    assert drop["note"] == f"off plan, planned {follow.drops[0][5]}: cable in the way"


def test_an_impossible_orientation_is_no_deviation(follow):
    assert "opposite" in follow("100 instead edge 1-3: why", expect=1).err


def test_a_short_rest_of_an_item_is_noted(follow):
    told = follow("100", "101", "102")
    items = [each[3] for each in follow.drops]
    assert told.out.count("TOO SHORT") == len(items) - len(set(items))


def test_the_stop_rules_are_told(follow):
    told = follow("v1", "v1")
    assert "2 voided drops in a row" in told.out
    told = follow("100 d4 corner 3")
    item = follow.drops[0][3]
    assert "STOP RULE: stop an item when its damage is 4" in told.out
    owed = sum(each[3] == item for each in follow.drops) - 1
    assert (f"of {item} passed over" in told.out) == (owed > 0)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda text: text.replace("face 3", "face 4"), "was changed"),
        (lambda text: text.replace(",60", ",0"), "was changed"),
        (lambda text: text.replace("damage_severity 4", "damage_severity 3"), "was changed"),
        (lambda text: text.replace("# drop sheet", "# sheet"), "no drop sheet"),
        (lambda text: text.replace("orientation,rest_s", "way,rest_s"), "orientation is missing"),
        (lambda text: text.replace("\n1,1,", "\nx,1,"), "must be numbers"),
    ],
)
def test_a_sheet_that_was_changed_is_refused(follow, change, told):
    follow.path.write_text(change(follow.path.read_text()))
    assert told in follow("100", expect=2).err


def test_a_sheet_that_a_spreadsheet_saved_again_is_taken(follow):
    lines = follow.path.read_text().splitlines()
    saved = [f'"{line}",,,,,,' if line[0] == "#" else line for line in lines]
    follow.path.write_text("\ufeff" + "\r\n".join(saved) + "\r\n,,,,,,\r\n", newline="")
    assert "1 of 3" in follow("100").out


def test_no_such_sheet_is_told(follow, tmp_path):
    assert "can't be read" in follow(plan="none.csv", expect=2).err
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00")
    assert "not UTF-8" in follow(plan="b.csv", expect=2).err


# ---------------------------------------------------------------------------------- orientation


@pytest.mark.parametrize(
    "wrong", ["face 7", "face 0", "1-3", "edge 1-3", "1-2-4", "corner 1-2", "1-7", "2-2"]
)
def test_an_orientation_that_no_box_has_is_refused(lab, sheet, wrong):
    words = ("series", "open", "N", "--device", "D-1", "--orientation", wrong)
    assert "--orientation" in lab(*words, expect=2).err
    lines = ("series,drop_number,peak_g,orientation", "N,1,100,face 3", f"M,1,100,{wrong}")
    told = lab("import", "drops", sheet("n.csv", *lines), expect=1)
    assert "row 3" in told.err and "orientation" in told.err
    words = ("series", "amend", "S0", "--set", f"orientation={wrong}", "--reason", "x")
    assert "orientation" in lab(*words, expect=2).err


@pytest.mark.parametrize("right", ["1-2", "edge 2-1", "2-3-5", "corner 3", "on its back", "45-30"])
def test_other_words_stand_as_they_are(lab, sheet, right):
    lab(
        "import", "drops", sheet("n.csv", "series,drop_number,peak_g,orientation", f"N,1,9,{right}")
    )
    assert lab("series", "show", "N", "--json").json["orientation"] == right


# -------------------------------------------------------------------------------- what comes next


def test_which_cases_to_drop_next(lab):
    told = lab(
        "plan", "next", "--question", "faster", "--drops", "12", "--cases", "2", "--json"
    ).json
    assert {"m0", "m1"} == set(told["case_models"])
    assert told["lower_pct"] < told["estimate_pct"] < told["upper_pct"]
    best, *others = told["allocations"]
    assert sum(each["drops"] for each in best["cases"]) == 12
    assert all(best["interval_factor"] <= each["interval_factor"] <= 1 for each in others)
    out = " ".join(lab("plan", "next", "--question", "faster", "--drops", "12").out.split())
    assert "Drop next: " in out
    assert "keep hands and faces out of the drop zone" in out


def test_a_case_that_is_retired_is_not_proposed(lab):
    lab("specimen", "retire", "C1", "--reason", "worn")
    told = lab("plan", "next", "--question", "lasts", "--case-model", "m1", "--json").json
    assert told["to_last"] == 26
    assert told["allowed_pct"] == pytest.approx(100 * (1.5 ** (1 / 26) - 1))
    assert {each["case"] for each in told["allocations"][0]["cases"]} <= {"C3", "C5"}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--question", "link", "--cases", "2"), "--cases: not with --question link"),
        (("--question", "lasts", "--looks", "2"), "--looks: belongs to --question link"),
        (("--question", "faster", "--to-last", "9"), "--to-last: belongs to --question lasts"),
        (("--question", "faster", "--case-model", "m0"), "is about 2 models"),
        (("--question", "faster", "--drops", "0"), "--drops 0: not a budget"),
        (("--question", "link", "--looks", "0"), "--looks 0: not a number of inspections"),
    ],
)
def test_next_says_what_does_not_go_together(lab, words, says):
    assert says in lab("plan", "next", *words, expect=2).err


def test_without_devices_followed_no_inspection_is_planned(lab):
    told = lab("plan", "next", "--question", "link", "--json").json
    assert told["plans"] == []
    assert "a link needs 6" in told["basis"]
