"""Damage as a way to fail: looks to intervals, Weibull lives, success run."""

from __future__ import annotations

import math

import numpy as np
import pytest

from durability.plan.reliability import success_run_cases
from durability.record.records import DropHistory
from durability.wear.cases import by_itself
from durability.wear.damage import fit_damage, known_life, success_run_reliability


def looked(looks, *, drops=20, series="S", case_model="M", height=None):
    """A case of so many drops with looks ``[(drop, severity), …]``."""
    number = np.arange(1, drops + 1)
    seen, severity = np.array(looks, dtype=int).reshape(-1, 2).T
    history = DropHistory(
        series, number, np.full(drops, 100.0), drops, drops, f"case {series}", case_model,
        drop_height_mm=height, damage_drop_number=seen, damage_severity=severity,
    )  # fmt: skip
    return by_itself(history)


def median_life(life):
    return float(np.interp(0.5, np.cumsum(life.probability), life.edge))


# Success-run theorem n = ceil(ln(1-C) / ln R): the usual table, from memory and recomputed.
@pytest.mark.parametrize(
    ("confidence", "reliability", "specimens"),
    [
        (0.90, 0.90, 22), (0.90, 0.95, 45), (0.90, 0.99, 230), (0.95, 0.80, 14), (0.95, 0.90, 29),
        (0.95, 0.95, 59), (0.95, 0.99, 299), (0.99, 0.90, 44), (0.99, 0.95, 90), (0.99, 0.99, 459),
    ],
)  # fmt: skip
def test_success_run_table(confidence, reliability, specimens):
    assert success_run_cases(reliability, confidence) == specimens
    assert success_run_reliability(specimens, confidence) >= reliability
    assert success_run_reliability(specimens - 1, confidence) < reliability


def test_success_run_reliability_of_five_at_95_percent():
    # R = 0.05^(1/5), three digits of the usual table.
    assert success_run_reliability(5, 0.95) == pytest.approx(0.549, abs=5e-4)
    assert success_run_reliability(0, 0.95) == 0.0


def test_failure_lies_between_the_last_good_look_and_the_first_bad_one():
    life = known_life(looked([(5, 0), (10, 1), (15, 4)]), looks_are_logged=True)
    assert (life.beyond, life.by, life.severity, life.severity_since) == (10, 15, 1, 10)


def test_without_logged_looks_a_drop_without_a_note_held():
    assert known_life(looked([(15, 4)]), looks_are_logged=False).beyond == 14
    assert known_life(looked([]), looks_are_logged=False).beyond == 20


def test_order_of_looks_is_that_of_the_drops():
    life = known_life(looked([(15, 4), (5, 0), (10, 2)]), looks_are_logged=True)
    assert (life.beyond, life.by) == (10, 15)


def test_nobody_looked_nothing_said():
    assert fit_damage([looked([]), looked([], series="T")]) == [None, None]
    assert fit_damage([]) == []


def test_weibull_lives_with_censoring_against_nist():
    # NIST/SEMATECH e-Handbook 8.4.1.3: 10 failures, 10 censored at 500; maximum likelihood shape
    # 1.7208, scale 606.53, so half of all fail by 606.53 ln(2)^(1/1.7208) = 490.2.
    fails = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    lives = [looked([(n, 4)], drops=n, series=str(n)) for n in fails]
    lives += [looked([], drops=500, series=f"held {k}") for k in range(10)]
    new = looked([], drops=0, series="new")
    life = fit_damage([*lives, new])[-1]
    # A weak prior and the spread of 10 failures shift the median by less than a tenth.
    assert median_life(life) == pytest.approx(490.2, rel=0.10)
    by_200 = float(life.fraction_failed(np.array([200.0]))[0])
    assert by_200 == pytest.approx(1 - math.exp(-((200 / 606.53) ** 1.7208)), abs=0.04)


def test_a_survivor_fails_after_its_last_look():
    lives = [looked([(n, 4)], drops=n, series=str(n)) for n in (18, 22, 25)]
    life = fit_damage([*lives, looked([], drops=20, series="holds")])[-1]
    assert float(life.fraction_failed(np.array([20.0]))[0]) == pytest.approx(0.0, abs=1e-12)
    assert 20 < median_life(life) < 40


def test_no_failure_among_many_says_long_life():
    few = fit_damage([looked([(20, 0)], series=str(k)) for k in range(2)])[0]
    many = fit_damage([looked([(20, 0)], series=str(k)) for k in range(20)])[0]
    at = np.array([40.0])
    assert many.fraction_failed(at)[0] < few.fraction_failed(at)[0] < 0.2


def test_major_damage_brings_failure_nearer():
    sound = fit_damage([looked([(10, 0), (20, 0)])])[0]
    hurt = fit_damage([looked([(10, 1), (20, 3)])])[0]
    at = np.array([40.0])
    assert hurt.fraction_failed(at)[0] > 2 * sound.fraction_failed(at)[0]


def test_other_conditions_count_half():
    fails = [looked([(n, 4)], drops=n, series=str(n)) for n in (18, 20, 22, 25)]
    near = fit_damage([*fails, looked([], drops=0, series="new")])[-1]
    far = fit_damage([*fails, looked([], drops=0, series="new", height=1500.0)])[-1]
    spread = [np.interp([0.1, 0.9], np.cumsum(one.probability), one.edge) for one in (near, far)]
    assert np.diff(spread[1])[0] > np.diff(spread[0])[0]


def test_draws_follow_the_probabilities():
    life = fit_damage([looked([(n, 4)], drops=n, series=str(n)) for n in (18, 22, 25)])[0]
    drops = life.draw((np.arange(2000) + 0.5) / 2000)
    assert ((drops > 17) & (drops <= 18)).all()  # noted after drop 18, notes are made when seen


def test_a_failure_by_damage_says_between_which_inspections_it_came(store, sheet):
    """It was seen at drop 5 and may have come at 3, 4 or 5: a failure is an interval."""
    heads = "series,drop_number,peak_g,case,case_model,device,damage_severity"
    looked = {"A": {2: 0, 5: 4}, "B": {5: 4}, "C": {2: 0}}
    rows = [
        f"{code},{n},100,C-{code},M,D1,{looks.get(n, '')}"
        for code, looks in looked.items()
        for n in range(1, 6)
    ]
    store("import", "drops", sheet("d.csv", heads, *rows))
    basis = {each["series"]: each["basis"] for each in store("forecast", "--json").json["series"]}
    assert "severity 4 seen at drop 5, not yet at drop 2" in basis["A"]
    assert "severity 4 seen at drop 5, not inspected before" in basis["B"]
    assert "seen at drop" not in basis["C"]
    store("drop", "void", "A", "1", "--reason", "cable")
    (told,) = store("forecast", "--series", "A", "--json").json["series"]
    assert "severity 4 seen at drop 5, not yet at drop 2" in told["basis"]
