"""One rule of comparison: which condition stands first, and that every answer keeps to it."""

from __future__ import annotations

import itertools
import json
import os
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from durability.__main__ import main
from durability.record.errors import UnusableCall
from durability.record.records import Condition, DropHistory
from durability.wear.cases import by_condition, in_common
from durability.wear.compare import compare
from durability.workflow import pictures, reporting
from durability.workflow.results import Under
from durability.workflow.rig import lab_scatter
from durability.workflow.session import Session
from durability.workflow.study import open_study


def series(name, under, drops=4, *, case="", device=None, orientation=None, age=1):
    height, surface, kind = under
    number = np.arange(1, drops + 1)
    return DropHistory(
        name, number, np.full(drops, 100.0), drops, drops, (name if case == "" else case), "M",
        device=device, device_kind=kind, drop_height_mm=height, surface=surface,
        orientation=orientation, age_by_drop=number + age - 1,
    )  # fmt: skip


def order(*histories):
    return [(c.drop_height_mm, c.surface, c.device_kind) for c in by_condition(histories)]


# From the one that stands first: most cases, then valid drops, then height, surface, kind.
PLACES = [
    (500.0, "concrete", "device"),
    (500.0, "concrete", "dummy"),
    (500.0, "concrete", None),
    (500.0, "steel", "device"),
    (500.0, None, "device"),
    (1000.0, "concrete", "device"),
    (None, "concrete", "device"),
    (None, None, None),
]


@pytest.mark.parametrize("seed", range(6))
def test_ties_go_by_height_surface_and_kind(seed):
    found = [series(f"S{at}", under) for at, under in enumerate(PLACES)]
    shuffled = [found[at] for at in np.random.default_rng(seed).permutation(len(found))]
    assert order(*shuffled) == PLACES


def test_most_cases_stand_first_then_most_valid_drops():
    low, high = (500.0, "steel", "dummy"), (1500.0, "steel", "dummy")
    # One case with many drops against two with few.
    few = [series("A", high, 2), series("B", high, 2)]
    assert order(series("C", low, 40), *few) == [high, low]
    # Two series of one case are one case.
    assert order(series("A", low, 9, case="K"), series("B", low, 9, case="K"), *few) == [high, low]
    # As many cases: valid drops decide, against height.
    assert order(series("C", low, 3), series("D", low, 3), *few) == [low, high]
    assert order(series("C", low, 3), series("A", high, 4)) == [high, low]
    # A case without a valid drop counts nothing.
    assert order(series("C", low, 0), series("D", low, 1), *few) == [high, low]


def test_orientation_is_no_part_of_a_condition():
    under = (1000.0, "steel", "device")
    found = by_condition([series(name, under, orientation=name) for name in ("face 1", "face 3")])
    assert [len(some) for some in found.values()] == [2]


def test_a_case_stands_once_under_the_condition_of_its_last_valid_drop():
    low, high = (500.0, "steel", "dummy"), (1500.0, "steel", "dummy")
    moved = [
        series("A", low, 9, case="K", age=1), series("B", high, 3, case="K", age=10),
    ]  # fmt: skip
    later = series("C", low, 0, case="K")
    for histories in itertools.permutations([*moved, later]):
        found = by_condition(histories, each_case_once=True)
        assert {name: [each.series for each in some] for name, some in found.items()} == {
            Condition(*high): ["B"]
        }


def test_a_comparison_goes_by_its_weaker_side():
    low, high, none = (500.0, "s", "dummy"), (1500.0, "s", "dummy"), (900.0, "s", "dummy")
    a = [series(f"a{at}", low) for at in range(5)] + [series(f"A{at}", high) for at in range(2)]
    bare = [series(f"b{at}", low, case=None, device="D1") for at in range(6)]
    bare += [series(f"B{at}", high, case=None, device=f"D{at}") for at in range(2)]
    bare.append(series("alone", none, case=None, device="D9"))
    # Six bare series of one device are one unit.
    assert [*in_common(a, bare)] == [Condition(*high), Condition(*low)]
    assert [*in_common(bare, a)] == [Condition(*high), Condition(*low)]
    assert in_common(a[:5], bare[6:]) == {}


# ------------------------------------------------------------------------- every answer


HIGH_DUMMY, LOW_DUMMY, HIGH_DEVICE = PLACES_OF_LAB = (
    Condition(1200.0, "steel", "dummy"),
    Condition(600.0, "steel", "dummy"),
    Condition(1200.0, "steel", "device"),
)
"""From the first on: 6, 4 and 2 cases."""


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """Two models under three conditions, with another scatter and another wear under each."""
    rng = np.random.default_rng(5)
    lines = [
        "series,drop_number,peak_g,case,case_model,device,device_kind,drop_height_mm,surface,"
        "orientation"
    ]
    for under, cases, scatter, rise, ratio in zip(
        PLACES_OF_LAB, (3, 2, 1), (0.02, 0.08, 0.05), (0.04, 0.002, 0.01), (4.0, 2.0, 3.0),
        strict=True,
    ):  # fmt: skip
        where = f"{under.device_kind},{under.drop_height_mm},{under.surface},face 3"
        name = f"{under.drop_height_mm:g}{under.device_kind}"
        for model, speed, at in itertools.product(("quick", "slow"), (1.0, 0.3), range(cases)):
            if (model == "quick") != (speed == 1.0):
                continue
            for number in range(1, 15):
                peak = 100 * np.exp(speed * rise * number + scatter * rng.standard_normal())
                code = f"{model}{name}{at}"
                lines.append(f"{code},{number},{peak:.2f},C{code},{model},X{name},{where}")
        for number in range(1, 7):
            peak = 100 * ratio * np.exp(scatter * rng.standard_normal())
            lines.append(f"B{name},{number},{peak:.2f},,,X{name},{where}")
    folder = tmp_path_factory.mktemp("lab")
    (folder / "d.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = folder / "lab.duckdb"
    assert main(["init", "--store", str(path)]) == 0
    assert main(["import", "drops", str(folder / "d.csv"), "--store", str(path)]) == 0
    return path


@pytest.fixture
def ask(lab, capsys):
    def asked(*words):
        capsys.readouterr()
        assert main([*words, "--store", str(lab), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    return asked


def options(under):
    return (
        "--drop-height-mm", f"{under.drop_height_mm:g}", "--surface", under.surface,
        "--device-kind", under.device_kind,
    )  # fmt: skip


def object_of(under):
    return {
        "drop_height_mm": under.drop_height_mm,
        "surface": under.surface,
        "device_kind": under.device_kind,
    }


def without(told, *names):
    return {name: value for name, value in told.items() if name not in names}


@pytest.mark.parametrize(
    "call",
    [
        ("rank",),
        ("rank", "--by", "case"),
        ("compare", "bare", "quick"),
        ("compare", "slow", "quick", "--after-drops", "9"),
    ],
    ids=" ".join,
)
def test_conditions_stand_beside_each_other_as_if_each_were_alone(ask, call):
    told = ask(*call)
    every = [without(told, "others"), *told["others"]]
    assert [each["condition"] for each in every] == [object_of(each) for each in PLACES_OF_LAB]
    for found, under in zip(every, PLACES_OF_LAB, strict=True):
        alone = ask(*call, *options(under))
        assert alone["others"] == []
        assert without(alone, "others", "voided_drops") == without(found, "voided_drops")


def test_the_life_of_a_case_is_that_of_its_forecast(ask):
    told = ask("rank", "--by", "case")
    lives = {
        group["group"]: group["life"]
        for each in (told, *told["others"])
        for group in each["groups"]
    }
    forecasts = {each["case"]: each for each in ask("forecast")["series"] if each["case"]}
    assert len(lives) == 12
    assert lives == {case: each["drops_to_failure"] for case, each in forecasts.items()}


def test_rank_pictures_plan_and_page_answer_for_the_same_condition(ask, lab):
    ranked = ask("rank")
    contents = reporting.gather_report(Session(lab, "tester"), on=date(2026, 9, 1), claim_pct=60.0)
    study = open_study(Session(lab, "tester"))
    for ranking in (contents.ranking, study.ranking()):
        assert ranking.condition == HIGH_DUMMY
        assert [each.life.median for each in ranking.groups] == [
            each["life"]["median"] for each in ranked["groups"]
        ]
    shown, left_out = pictures.comparable(study)
    assert {each.condition for each in shown} == {HIGH_DUMMY}
    assert (len(shown), left_out) == (6, 9)
    assert {each.condition for each in contents.comparable} == {HIGH_DUMMY}
    survival = pictures.survival(study)
    assert (survival.condition, survival.left_out) == (HIGH_DUMMY, 6)
    failed = {each["group"]: (each["failed"], each["cases"]) for each in ranked["groups"]}
    assert {
        each.group: (each.failed_drop.size, each.failed_drop.size + each.censored_drop.size)
        for each in survival.curves
    } == failed
    planned = ask("plan", "survive", "--drops", "14")
    assert planned["condition"] == object_of(HIGH_DUMMY)
    assert [each["condition"] for each in planned["others"]] == [
        object_of(each) for each in PLACES_OF_LAB[1:]
    ]
    assert {each["case_model"]: each["shown"]["cases"] for each in planned["so_far"]} == {
        "quick": 3, "slow": 3
    }  # fmt: skip
    compared = ask("compare", "bare", "quick")
    on_page = {each.b: each for each in contents.comparisons}["quick"]
    # The same but for rounding: series are fitted in other company on the page.
    ratios = [each["ratio"] for each in (compared, *compared["others"])]
    assert [each.ratio for each in (on_page, *on_page.others)] == pytest.approx(ratios, rel=1e-9)
    claimed = ask("claim", "bare", "quick", "--at-least", "60")["by_kind"]
    on_page = {each.b: each for each in contents.claims}["quick"].by_kind
    for claim, page, each in zip(claimed, on_page, [compared, *compared["others"]], strict=True):
        assert claim["condition"] == each["condition"]
        assert claim["claim"]["overall"]["ratio"] == each["ratio"]
        assert page.claim.overall.ratio == pytest.approx(each["ratio"], rel=1e-9)
        for end in ("reduction_pct", "reduction_lower", "reduction_upper"):
            assert claim["claim"][end] == each[end]
        assert claim["claim"]["by_wear"] == each["by_wear"]


def test_a_plan_goes_by_the_scatter_of_one_condition(ask, lab):
    session = Session(lab, "tester")
    # 2, 8 and 5 % were drawn; six, four and two cases of 14 drops each.
    for under, truth, cases in zip(PLACES_OF_LAB, (0.02, 0.08, 0.05), (6, 4, 2), strict=True):
        values = Under(*((value,) for value in (under.drop_height_mm, under.surface)), (),
                       (under.device_kind,))  # fmt: skip
        seen = lab_scatter(session, values)
        spread = truth / np.sqrt(2 * seen.within_case_df)
        assert abs(seen.within_case_log_sd - truth) < 3 * spread
        assert seen.basis.startswith(f"{14 * cases} drops of {cases} cases")
        assert under.words in seen.basis
    told = ask("plan", "rise", "--rise-pct", "1")["scatter"]
    assert told["within"] == lab_scatter(session).within_case_log_sd
    assert "1200 mm, steel, dummy; 2 other conditions apart" in told["seen"]["basis"]


def test_nothing_is_pooled_unless_asked(ask):
    pooled = ask("rank", "--pool")
    assert (pooled["condition"], pooled["others"]) == ("pooled", [])
    assert [each["cases"] for each in pooled["groups"]] == [6, 6]
    compared = ask("compare", "bare", "quick", "--pool")
    assert (compared["condition"], compared["others"]) == ("pooled", [])
    apart = ask("compare", "bare", "quick")
    each = np.log([apart["ratio"], *(other["ratio"] for other in apart["others"])])
    # Condition is a factor: every case counts the same, so this lies among the three.
    assert each.min() < np.log(compared["ratio"]) < each.max()


def test_conditions_that_every_case_had_alike_are_pooled(store, sheet):
    """Nothing says which of two heights wears faster, nor what one without a reading does."""
    lines = [
        "series,drop_number,peak_g,case,case_model,device,device_kind,drop_height_mm,"
        "status,void_reason"
    ]
    for model, percent in (("quick", 2), ("slow", 0)):
        for case, height in itertools.product("ab", (1000, 1500, 1700)):
            code, status = f"{model}-{case}", "void,cable" if height == 1700 else "valid,"
            lines += [
                f"{code}-{height},{at},{height / 5 * (1 + percent / 100) ** at:.1f},{code},"
                f"{model},X,dummy,{height},{status}"
                for at in range(1, 9)
            ]
    store("import", "drops", sheet("d.csv", *lines))
    quick, slow = store("rank", "--pool", "--json").json["groups"]
    assert (quick["group"], slow["group"]) == ("quick", "slow")
    assert quick["lower"] < 2 < quick["upper"]
    assert slow["lower"] < 0 < slow["upper"] < 1


def test_no_condition_in_common_is_an_answer(store, sheet):
    lines = ["series,drop_number,peak_g,case,case_model,device,device_kind"]
    for number in (1, 2, 3):
        lines += [f"B,{number},800,,,D,device", f"S,{number},200,C,m,X,dummy"]
    store("import", "drops", sheet("d.csv", *lines))
    told = store("compare", "bare", "m", "--json").json
    assert told["ratio"] is told["reduction_upper"] is told["condition"] is None
    assert told["by_wear"] == told["others"] == []
    assert told["basis"] == (
        "no condition in common: bare under height not recorded, surface not recorded, device;"
        " m under height not recorded, surface not recorded, dummy"
    )


def test_a_case_of_several_series_is_one_case_and_lives_their_sum(store, sheet):
    """Six drops in each of three orientations are eighteen drops of one case."""
    lines = ["series,drop_number,peak_g,case,case_model,device,device_kind,orientation,dropped_at"]
    for at, orientation in enumerate(("face 1", "face 2", "face 3")):
        for number in range(1, 7):
            for case in ("C1", "C2"):
                lines.append(
                    f"{case}{at},{number},{100 + number},{case},m,X,dummy,{orientation},"
                    f"2026-03-0{at + 1}T10:0{number}:00"
                )
    store("import", "drops", sheet("d.csv", *lines))
    with_note = ("damage", "add", "C2", "--series", "C21", "--drop", "4", "--severity", "4")
    store(*with_note, "--location", "corner")
    (curve,) = pictures.survival(
        open_study(Session(Path(os.environ["DURABILITY_STORE"]), "tester"))
    ).curves
    # Failed at the fourth drop of its second series.
    assert (curve.failed_drop.tolist(), curve.censored_drop.tolist()) == ([10], [18])
    told = store("plan", "survive", "--drops", "18", "--json").json
    assert [each["shown"]["cases"] for each in told["so_far"]] == [2]
    assert [each["shown"]["failures"] for each in told["so_far"]] == [1]


def test_a_case_that_moved_counts_under_each_condition_and_fails_where_it_did(store, sheet):
    """Ranking, survival and plan give the same cases and failures under the same condition."""
    lines = [
        "series,drop_number,peak_g,case,case_model,device,device_kind,drop_height_mm,dropped_at,"
        "damage_severity"
    ]
    for case in range(4):
        for day, height, drops in ((1, 500, 6), (2, 1000, 8)):
            if (case, height) == (3, 1000):
                continue  # stayed low
            for number in range(1, drops + 1):
                failed = 4 if (case, height, number) == (0, 1000, 5) else 0
                lines.append(
                    f"S{case}-{height},{number},{100 + number},C{case},m,X,dummy,{height},"
                    f"2026-03-0{day}T10:{number:02d}:00,{failed}"
                )
    store("import", "drops", sheet("d.csv", *lines))
    study = open_study(Session(Path(os.environ["DURABILITY_STORE"]), "tester"))
    lives = {
        condition.drop_height_mm: [(each.drops, each.failed) for each in lived]
        for condition, lived in study.case_lives().items()
    }
    # Low: all four held their six drops. High: the first failed at its eleventh, the others held.
    assert lives == {500.0: [(6, False)] * 4, 1000.0: [(11, True), (14, False), (14, False)]}
    ranked = study.ranking()
    counts = {
        each.condition.drop_height_mm: [(group.cases, group.failed) for group in each.groups]
        for each in (ranked, *ranked.others)
    }
    assert counts == {500.0: [(4, 0)], 1000.0: [(3, 1)]}
    told = store("plan", "survive", "--drops", "6", "--json").json
    assert told["so_far"][0]["shown"]["cases"] == 4
    assert told["others"][0]["so_far"][0]["shown"]["cases"] == 3
    (curve,) = pictures.survival(study).curves
    assert curve.censored_drop.tolist() == [6] * 4
    # A case that had failed before tells nothing of failing under the condition it came to.
    lines = lines[:1] + [
        f"T-{height},{number},100,C9,m,X,dummy,{height},2026-04-0{day}T10:{number:02d}:00,{failed}"
        for day, height in ((1, 1000), (2, 500))
        for number in range(1, 5)
        for failed in [4 if (height, number) == (1000, 4) else 0]
    ]
    store("import", "drops", sheet("e.csv", *lines))
    study = open_study(Session(Path(os.environ["DURABILITY_STORE"]), "tester"))
    low = next(
        each
        for each in (study.ranking(), *study.ranking().others)
        if each.condition.drop_height_mm == 500.0
    ).groups[0]
    assert (low.cases, low.failed) == (5, 1)
    assert "1 had failed before, under another condition" in low.basis
    assert len(study.case_lives()[Condition(500.0, None, "dummy")]) == 4
    # Each case once, where its last valid drop was.
    by_case = study.ranking("case")
    once = {
        each.condition.drop_height_mm: sorted(group.group for group in each.groups)
        for each in (by_case, *by_case.others)
    }
    assert once == {1000.0: ["C0", "C1", "C2"], 500.0: ["C3", "C9"]}
    # One that went on low after it failed high held, low, for its first drops alone.
    lines = lines[:1] + [
        f"U{day},{number},100,C8,m,X,dummy,{height},2026-05-0{day}T10:{number:02d}:00,{failed}"
        for day, height in ((1, 500), (2, 1000), (3, 500))
        for number in range(1, 4)
        for failed in [4 if (height, number) == (1000, 3) else 0]
    ]
    store("import", "drops", sheet("f.csv", *lines))
    study = open_study(Session(Path(os.environ["DURABILITY_STORE"]), "tester"))
    lasted = {
        condition.drop_height_mm: (each.drops, each.failed)
        for condition, lived in study.case_lives().items()
        for each in lived
        if each.case == "C8"
    }
    assert lasted == {500.0: (3, False), 1000.0: (6, True)}


def test_wear_shows_in_cases_that_rotate_through_attitudes():
    """Cases dropped in twelve attitudes, twice in each, tell their wear as long series do."""
    rng = np.random.default_rng(8)
    where = [f"face {at}" for at in range(1, 13)]
    level = dict(zip(where, 0.2 * rng.standard_normal(12), strict=True))

    def dropped(name, attitude, base, ages, *, case=None, device="D"):
        number = np.arange(1, len(ages) + 1)
        peak = np.exp(base + level[attitude] + 0.02 * rng.standard_normal(len(ages)))
        return DropHistory(
            name, number, peak, number.size, number.size, case, None if case is None else "M",
            device=device, drop_height_mm=1000.0, surface="steel", orientation=attitude,
            age_by_drop=None if case is None else ages.astype(int) + 1,
        )  # fmt: skip

    bare = [
        dropped(f"B{device}{each}", each, np.log(400.0), [1.0], device=f"D{device}")
        for device in range(3)
        for each in where
    ]
    cased = []
    for case in range(4):
        turns = [*rng.permutation(where), *rng.permutation(where)]
        for each in where:
            ages = np.flatnonzero([turn == each for turn in turns]).astype(float)
            base = np.log(100.0) + 0.03 * ages
            cased.append(dropped(f"S{case}{each}", each, base, ages, case=f"C{case}"))
    found = compare(bare, cased, a="bare", b="M")
    assert [each.drops for each in found.by_wear] == [1, 12, 24]
    for each in found.by_wear:
        assert (each.cases_a, each.cases_b) == (3, 4)
        assert each.lower < 4.0 * np.exp(-0.03 * (each.drops - 1)) < each.upper
        assert each.upper < 1.25 * each.lower
    with pytest.raises(UnusableCall, match="both sides have made 24 drops"):
        compare(bare, cased, a="bare", b="M", after_drops=25)
    # A single round tells nothing of wear but by other cases: so the interval is wide.
    once = [
        replace(each, drop_number=each.drop_number[:1], peak_g=each.peak_g[:1], drops=1,
                last_drop_number=1, age_by_drop=each.age_by_drop[:1])
        for each in cased
    ]  # fmt: skip
    widths = [
        np.log(wears.by_wear[0].upper / wears.by_wear[0].lower)
        for wears in (found, compare(bare, once, a="bare", b="M"))
    ]
    assert widths[1] > 2.0 * widths[0]


def test_devices_are_shown_under_the_conditions_asked_for(ask):
    every = {each["device"] for each in ask("latent", "--devices")["per_device"]}
    assert every == {"X1200device"}
    low = ask("latent", "--devices", "--drop-height-mm", "600")
    assert low["per_device"] == [] and low["devices"] == 1  # the link is that of all devices


def test_a_history_leaves_out_series_under_other_conditions(ask):
    whole = ask("history", "X1200device")
    assert ask("history", "X1200device", "--surface", "steel") == whole
    other = ask("history", "X1200device", "--drop-height-mm", "600")
    assert other["events"] == []
    assert {each["series"] for each in whole["events"]} == {
        "B1200device", "quick1200device0", "slow1200device0"
    }  # fmt: skip
    assert without(other, "events") == without(whole, "events")  # doses count every drop


def test_what_is_due_goes_by_the_conditions_asked_for(ask):
    day = ("due", "--on", "2030-01-01")
    whole = ask(*day)
    assert ask(*day, "--drop-height-mm", "1200", "--device-kind", "device") == whole
    assert whole["without_baseline"] == ["X1200device"]
    assert ask(*day, "--drop-height-mm", "600")["without_baseline"] == []


def test_a_saved_question_keeps_the_rows_under_the_conditions_asked_for(ask, lab, capsys):
    by_series = ask("query", "peak_g_by_drop", "--drop-height-mm", "600")
    at = by_series["columns"].index("series")
    assert {row[at] for row in by_series["rows"]} == {
        "B600dummy", *(f"{model}600dummy{at}" for model in ("quick", "slow") for at in range(2))
    }  # fmt: skip
    by_column = ask("query", "case_models_at_a_glance", "--orientation", "face 3",
                    "--device-kind", "device")  # fmt: skip
    kind = by_column["columns"].index("device_kind")
    assert {row[kind] for row in by_column["rows"]} == {"device"}
    own = ask("query", "--sql", "SELECT DISTINCT series FROM all_drops", "--device-kind", "device")
    assert {row[0] for row in own["rows"]} == {"B1200device", "quick1200device0", "slow1200device0"}
    call = ["query", "shock_exposure_by_device", "--surface", "steel", "--store", str(lab)]
    assert main(call) == 2
    assert capsys.readouterr().err.startswith("durability: --surface: query shock_exposure")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--surface", "stel"), "--surface 'stel': no such series (known: steel)"),
        (("--drop-height-mm", ""), "--drop-height-mm '': no such series (known: 600, 1200)"),
    ],
)
def test_a_condition_that_is_not_in_the_record_is_refused(lab, capsys, words, told):
    assert main(["trend", *words, "--store", str(lab)]) == 1
    assert told in capsys.readouterr().err
