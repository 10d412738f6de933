"""Cushion curves: static stress, first and later drops by case, and what the picture says."""

import math

import numpy as np
import pytest

from durability.record.records import Condition, DropHistory
from durability.record.units import static_stress_kpa
from durability.report.answers import compare as words
from durability.wear.cushion import cushion_curves
from durability.wear.results import Pad

HERE = {"drop_height_mm": 1000.0, "surface": "steel", "device_kind": "dummy"}
PADS = {
    name: Pad(name, area, 6.0, 200.0) for name, area in (("A", 500.0), ("B", 250.0), ("C", 1e3))
}


def case(name, model, peaks, *, numbers=None, ages=None, **conditions):
    numbers = np.arange(1, len(peaks) + 1) if numbers is None else np.array(numbers)
    last = int(numbers.max())
    return DropHistory(
        f"S-{name}", numbers, np.array(peaks, dtype=float), last, last, name, model,
        age_by_drop=None if ages is None else np.array(ages), **{**HERE, **conditions},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("mass_g", "area_mm2", "kpa"),
    [
        # One pound on a square inch is one psi: 6.894757 kPa (NIST SP 811 (2008) B.8, exact to the
        # digits given there), on two square inches half of it.
        (453.59237, 645.16, 6.894757),
        (453.59237, 2 * 645.16, 6.894757 / 2),
        # One kilogram-force on a square centimetre: 98.0665 kPa (NIST SP 811 (2008) B.8, exact).
        (1000.0, 100.0, 98.0665),
    ],
)
def test_static_stress_is_that_of_published_conversions(mass_g, area_mm2, kpa):
    assert static_stress_kpa(mass_g, area_mm2) == pytest.approx(kpa, rel=1e-7)


def test_the_first_drop_is_never_averaged_into_the_later_ones():
    # By hand: drops 2 to 5 of (100; 110, 120, 130, 140) have the mean 125, the sixth is not in it.
    (curve,) = cushion_curves([case("K", "A", [100, 110, 120, 130, 140, 999])], PADS)
    (point,) = curve.points
    assert point.static_stress_kpa == pytest.approx(9.80665 * 200 / 500)
    assert (point.first_g.value, point.later_g.value) == pytest.approx((100.0, 125.0))
    assert point.wear_pct.value == pytest.approx(25.0)
    assert (point.first_g.lower, point.first_g.cases, curve.lowest) == (None, 1, None)
    assert curve.condition == Condition(**HERE)


def test_means_over_cases_have_the_interval_of_student():
    # t of 2 degrees of freedom at 95 %: 2.919986 (Student's t table, NIST e-Handbook 1.3.6.7.2).
    logs = np.log([90.0, 100.0, 120.0])
    cases = [case(f"K{at}", "A", [peak] * 3) for at, peak in enumerate((90, 100, 120))]
    ((point,),) = (curve.points for curve in cushion_curves(cases, PADS))
    half = 2.919986 * logs.std(ddof=1) / math.sqrt(3)
    assert point.later_g.value == pytest.approx(math.exp(logs.mean()))
    assert point.later_g.lower == pytest.approx(math.exp(logs.mean() - half), rel=1e-6)
    assert point.later_g.upper == pytest.approx(math.exp(logs.mean() + half), rel=1e-6)
    # Each case peaks alike at all of its drops: no wear, whatever differs between cases.
    assert (point.wear_pct.value, point.wear_pct.lower) == pytest.approx((0.0, 0.0))


def test_only_drops_that_a_case_began_with_count_and_only_those_that_were_read():
    later_life = case("K", "A", [100, 110], ages=[6, 7])
    lost_first = case("L", "A", [110, 120], numbers=[2, 3])
    lost_later = case("M", "A", [100, 999], numbers=[1, 6])
    bare = case(None, None, [900.0, 901.0])
    no_pad = case("N", "unknown", [100, 101, 102])
    curves = cushion_curves([later_life, lost_first, lost_later, bare, no_pad], PADS)
    ((point,),) = (curve.points for curve in curves)
    assert (point.first_g.value, point.first_g.cases) == (pytest.approx(100.0), 1)
    assert (point.later_g.value, point.later_g.cases) == (pytest.approx(115.0), 1)
    assert point.wear_pct is None
    assert cushion_curves([later_life, bare], PADS) == ()


def test_conditions_and_orientations_are_separate_and_models_go_by_stress():
    cases = [
        *(case(f"{model}{at}", model, [peak + at] * 3)
          for model, peak in (("A", 150), ("B", 250), ("C", 260)) for at in range(2)),
        case("X", "A", [80, 80, 80], drop_height_mm=500.0),
        case("Y", "A", [70, 70, 70], orientation="face 3"),
    ]  # fmt: skip
    first, *others = cushion_curves(cases, PADS)
    assert [point.case_model for point in first.points] == ["C", "A", "B"]
    assert (first.lowest, first.is_clear) == ("A", True)
    assert {curve.words for curve in others} == {
        "500 mm, steel, dummy", "1000 mm, steel, dummy, face 3"
    }  # fmt: skip
    assert words.cushion_answer([first, *others]) == (
        "Of 3 case models A (3.92 kPa) peaks lowest: first drop 150 g, drops 2 to 5 150 g, +0.00"
        " % (1000 mm, steel, dummy)."
    )


def test_the_lowest_of_a_stress_energy_curve_is_where_calculus_puts_it():
    # Stress-energy form of a cushion curve: G = a exp(b s h / t) / s has its least at s = t / (b h)
    # (closed form; the form is common practice, its constants here are invented).
    a, b, height, thick = 120.0, 9e-3, 1000.0, 36.0
    stresses = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
    pads = {f"{s:g}": Pad(f"{s:g}", 9.80665 * 200 / s, thick, 200.0) for s in stresses}
    cases = [
        case(f"K{name}{at}", name, [a * math.exp(b * s * height / thick) / s * (1 + at / 1e3)] * 5)
        for name, s in zip(pads, stresses, strict=True)
        for at in range(2)
    ]
    (curve,) = cushion_curves(cases, pads)
    assert thick / (b * height) == 4.0
    assert (curve.lowest, curve.is_clear) == ("4", True)


def test_a_pad_is_kept_corrected_asked_as_of_and_merged(store, sheet, tmp_path):
    rows = [f"S,{n},{100 + 10 * n},K,sleeve,D,dummy,1000,steel" for n in range(1, 6)]
    head = "series,drop_number,peak_g,case,case_model,device,device_kind,drop_height_mm,surface"
    store("import", "drops", sheet("d.csv", head, *rows))
    assert "no pad on record" in store("specimen", "model", "sleeve", expect=1).err
    assert "nearest: sleeve" in store("specimen", "model", "sleve", expect=1).err
    missing = store("specimen", "model", "sleeve", "--pad-area-mm2", "500", expect=2)
    assert "--mass-g: missing" in missing.err
    store("specimen", "model", "sleeve", "--pad-area-mm2", "5cm2", "--mass-g", "0.4kg")
    told = store("specimen", "model", "sleeve", "--mass-g", "200", "--json").json
    assert told["pad_area_mm2"] == 500.0
    assert told["static_stress_kpa"] == pytest.approx(9.80665 * 200 / 500)
    assert store("specimen", "model", "sleeve").out == (
        "sleeve: pad of 500 mm², thickness not recorded, carries 200 g: static stress 3.92 kPa\n"
    )
    drawn = store("plot", "cushion", "-o", "c.svg", "--json").json
    (curve,) = drawn["curves"]
    assert curve["points"][0]["first_g"]["value"] == pytest.approx(110.0)
    assert curve["points"][0]["later_g"]["value"] == pytest.approx(135.0)
    other = tmp_path / "other.duckdb"
    store("init", "--store", other)
    merged = store("merge", tmp_path / "store.duckdb", "--store", other, "--json").json
    assert merged["added"]["model_pad"] == 2
    store("seal", "--store", other)
    assert store("verify", "--store", other).status == 0
    assert store("specimen", "model", "sleeve", "--store", other, "--json").json == told
    store("report", "-o", "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Cushions: peak g by static stress" in page and drawn["answer"] in page
