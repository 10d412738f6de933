"""Planning: power against a library, zero-failure numbers as published, balanced drop sheets."""

import math
from collections import Counter
from itertools import product

import numpy as np
import pytest
from scipy import stats

from durability.plan.next_drops import (
    WIDEST_RATE_LOG_SD,
    CaseSoFar,
    RateSpread,
    allocate_drops,
    rate_spread,
)
from durability.plan.power import cases_to_tell_apart, drops_to_see_rise, lab_scatter
from durability.plan.reliability import (
    reliability_shown,
    success_run_cases,
    weibayes_cases,
    weibayes_shown,
)
from durability.plan.sheet import drop_sheet, sheet_coverage
from durability.record.errors import UnusableCall

# ---------------------------------------------------------------------------------------- power


@pytest.mark.parametrize("difference_pct", [-15.0, 5.0, 12.0, 30.0])
def test_power_to_tell_models_apart_is_that_of_a_library(difference_pct):
    # Independent library: statsmodels TTestIndPower.
    from statsmodels.stats.power import TTestIndPower

    for plan in cases_to_tell_apart(difference_pct, 0.06, 0.05, power=0.9):
        sd = np.sqrt(0.06**2 + 0.05**2 / plan.drops_per_case)
        effect = abs(np.log1p(difference_pct / 100)) / sd

        def power(cases, effect=effect):
            return TTestIndPower().power(effect, cases, 0.05)

        assert plan.power == pytest.approx(power(plan.cases_per_model), abs=1e-6)
        assert plan.power >= 0.9
        if plan.cases_per_model > 2:
            assert power(plan.cases_per_model - 1) < 0.9


def test_classical_two_sample_size():
    # Cohen, Statistical Power Analysis (1988), table 2.4.1: d = 0.5, two-sided 5 %, power 0.80
    # needs 64 a group (from memory).
    (plan,) = cases_to_tell_apart(100 * np.expm1(0.05), 0.0, 0.1, power=0.8, drops_per_case=(1,))
    assert plan.cases_per_model == 64


def test_power_to_see_a_rise_is_that_of_simulated_tests():
    # 4000 series with the planned numbers, one-sided scipy.stats.linregress: standard error 0.6 %.
    (plan,) = drops_to_see_rise(1.0, 0.04, power=0.8, cases=(1,))
    rng = np.random.default_rng(61)
    x = np.arange(1.0, plan.drops_per_case + 1)
    y = np.log(1.01) * x + rng.normal(0, 0.04, (4000, len(x)))
    deviation = x - x.mean()
    slope = y @ deviation / (deviation @ deviation)
    rest = y - y.mean(axis=1, keepdims=True) - slope[:, None] * deviation
    error = np.sqrt((rest**2).sum(axis=1) / (len(x) - 2) / (deviation @ deviation))
    seen = slope / error > stats.t.ppf(0.95, len(x) - 2)
    assert seen.mean() == pytest.approx(plan.power, abs=0.02)
    assert plan.power == pytest.approx(0.8, abs=0.1)


def test_more_cases_need_fewer_drops_each_unless_cases_differ():
    alike = drops_to_see_rise(0.5, 0.05)
    assert [plan.drops_per_case for plan in alike] == sorted(
        (plan.drops_per_case for plan in alike), reverse=True
    )
    one, *_, five = drops_to_see_rise(0.5, 0.05, rise_sd_pct=0.4)
    assert (one.drops_per_case, one.power) == (None, None)
    assert "mean of the cases' slopes" in five.test
    hopeless = drops_to_see_rise(0.5, 0.05, rise_sd_pct=5.0, cases=(3,))
    assert hopeless[0].drops_per_case is None


def test_far_out_powers_are_one():
    (plan,) = drops_to_see_rise(50.0, 0.001, cases=(2,))
    assert plan.power == pytest.approx(1.0)
    assert plan.drops_per_case == 2


def test_lab_scatter_recovers_its_parts():
    # 40 cases of 2 models, 8 drops each, a rise that is no scatter: 3 % within, 6 % between.
    rng = np.random.default_rng(62)
    case = np.repeat(np.arange(40), 8)
    number = np.tile(np.arange(1, 9), 40)
    model = np.where(case % 2, "A", "B")
    y = 4.8 + 0.5 * (model == "A") + 0.02 * number
    y = y + rng.normal(0, 0.06, 40)[case] + rng.normal(0, 0.03, 320)
    found = lab_scatter(y, number, case.astype(str), model)
    assert found.within_case_log_sd == pytest.approx(0.03, rel=0.1)  # 240 df: 4.6 %
    assert found.between_case_log_sd == pytest.approx(0.06, rel=0.3)  # 38 df: 11 %
    assert (found.within_case_df, found.between_case_df) == (240, 38)
    assert found.within_case_upper > found.within_case_log_sd
    assert found.between_case_upper > found.between_case_log_sd
    lone = lab_scatter(y[:2], number[:2], ["C", "C"], ["A", "A"])
    assert (lone.within_case_log_sd, lone.between_case_log_sd) == (None, None)


# ---------------------------------------------------------------------------------- reliability


@pytest.mark.parametrize(
    ("confidence", "reliability", "cases"),
    # Success-run theorem, values of the standard tables (from memory; the formula is published
    # widely), confidence first.
    [
        (0.90, 0.90, 22), (0.90, 0.95, 45), (0.90, 0.99, 230), (0.95, 0.80, 14), (0.95, 0.90, 29),
        (0.95, 0.95, 59), (0.95, 0.99, 299), (0.99, 0.90, 44), (0.99, 0.95, 90), (0.99, 0.99, 459),
        (0.95, 0.999, 2995),
    ],
)  # fmt: skip
def test_success_run(confidence, reliability, cases):
    assert success_run_cases(reliability, confidence) == cases


@pytest.mark.parametrize(("level", "cases"), [(0.90, [22, 38, 52, 65]), (0.95, [59, 93, 124, 153])])
def test_success_run_with_failures_allowed(level, cases):
    # Binomial tables (from memory), confidence and reliability alike, 0 to 3 failures.
    assert [success_run_cases(level, level, allowed) for allowed in range(4)] == cases
    # Each is the least: one case fewer does not show it.
    for allowed, n in enumerate(cases):
        assert stats.binom.cdf(allowed, n, 1 - level) <= 1 - level
        assert stats.binom.cdf(allowed, n - 1, 1 - level) > 1 - level


def test_success_run_that_comes_out_whole():
    assert success_run_cases(0.5, 0.5) == 1
    assert success_run_cases(0.9, 1 - 0.9**7) == 7


@pytest.mark.parametrize(
    ("confidence", "shown"),
    [
        (0.90, {3: 0.464, 5: 0.631, 10: 0.794, 20: 0.891, 30: 0.926}),
        (0.95, {3: 0.368, 5: 0.549, 10: 0.741, 20: 0.861, 30: 0.905}),
    ],
)
def test_what_survivors_have_shown(confidence, shown):
    # Closed form (1 - C)^(1/n).
    for cases, reliability in shown.items():
        found = reliability_shown(cases, confidence, 30)
        assert found.reliability == pytest.approx(reliability, abs=5e-4)
    assert "0.549" in reliability_shown(5, 0.95, 30).rule


@pytest.mark.parametrize(
    ("failures", "cases", "upper"),
    # Clopper-Pearson two-sided 95 % limits of the fraction failed (tables, from memory).
    [(1, 5, 0.7164), (1, 10, 0.4450), (2, 10, 0.5561), (5, 10, 0.8129), (0, 10, 0.3085)],
)
def test_reliability_with_failures(failures, cases, upper):
    found = reliability_shown(cases, 0.975, 20, failures)
    assert found.reliability == pytest.approx(1 - upper, abs=6e-5)
    assert reliability_shown(4, 0.9, 20, 4).reliability == 0.0


@pytest.mark.parametrize(
    ("confidence", "shape", "scale", "b10"),
    # Zero-failure Weibayes, 5 cases of 30 drops: Abernethy, The New Weibull Handbook (formula, from
    # memory), worked out by hand.
    [
        (0.90, 1, 65.1, 6.9), (0.90, 2, 44.2, 14.4), (0.90, 3, 38.85, 18.35),
        (0.95, 1, 50.1, 5.28), (0.95, 2, 38.8, 12.6), (0.95, 3, 35.6, 16.8),
    ],
)  # fmt: skip
def test_weibayes(confidence, shape, scale, b10):
    found = weibayes_shown(np.full(5, 30.0), np.zeros(5, bool), shape, confidence, 30.0)
    assert found.scale_lower_drops == pytest.approx(scale, abs=0.05)
    assert found.b10_lower_drops == pytest.approx(b10, abs=0.06)
    # With all alike and none failed it is the success run at those drops, whatever the shape.
    assert found.reliability == pytest.approx(reliability_shown(5, confidence, 30).reliability)


def test_weibayes_with_failures_is_the_exponential_limit_at_shape_one():
    # Closed form: 2 Σt / χ²(C; 2r + 2) for a test stopped at a time (Nelson 1982).
    seen = np.array([10.0, 25.0, 30.0, 30.0])
    found = weibayes_shown(seen, np.array([True, True, False, False]), 1.0, 0.9, 5.0)
    assert found.scale_lower_drops == pytest.approx(2 * 95 / stats.chi2.ppf(0.9, 6))
    assert found.failures == 2


def test_weibayes_limit_covers():
    # True scale 40, shape 2, tests stopped at 30 drops: the 90 % lower limit must lie below 40 in
    # 90 % of studies or more (it is conservative for a stopped test); 1000 runs, se 0.9 points.
    rng = np.random.default_rng(63)
    life = 40 * rng.weibull(2.0, (1000, 6))
    limits = [
        weibayes_shown(np.minimum(row, 30), row < 30, 2.0, 0.9, 30).scale_lower_drops
        for row in life
    ]
    assert 0.88 <= np.mean(np.array(limits) < 40) <= 1.0


def test_weibayes_cases():
    # Same drops as the goal: success run. Twice the drops at shape 2: a quarter of the cases.
    assert weibayes_cases(100, 0.9, 0.9, 2.0, 100) == 22
    assert weibayes_cases(100, 0.9, 0.9, 2.0, 200) == 6  # 21.85 / 4
    shown = weibayes_shown(np.full(6, 200.0), np.zeros(6, bool), 2.0, 0.9, 100)
    assert shown.reliability >= 0.9


# ---------------------------------------------------------------------------------------- sheet

ITEMS = {"bare": ["D1"], "M1": ["A1", "A2", "A3", "A4", "A5"], "M2": ["B1", "B2"]}


def test_a_sheet_covers_the_26_orientations_once_a_group():
    sheet = drop_sheet(ITEMS, seed=1)
    assert [drop.place for drop in sheet.drops] == list(range(1, 79))
    for group in ITEMS:
        where = [drop.orientation for drop in sheet.drops if drop.group == group]
        assert len(where) == len(set(where)) == 26


def test_items_share_evenly_in_number_and_kind():
    sheet = drop_sheet(ITEMS, seed=2)
    drops = Counter(drop.item for drop in sheet.drops)
    assert sorted(drops[item] for item in ITEMS["M1"]) == [5, 5, 5, 5, 6]
    assert drops["B1"] == drops["B2"] == 13
    for kind, fewest in (("face", 1), ("edge", 2), ("corner", 1)):
        per_item = Counter(drop.item for drop in sheet.drops if drop.orientation.startswith(kind))
        assert {per_item[item] for item in ITEMS["M1"]} <= {fewest, fewest + 1}


def test_after_as_many_repeats_as_items_each_has_seen_all():
    sheet = drop_sheet({"M1": ["A1", "A2", "A3"]}, seed=3, repeats=3)
    coverage = sheet_coverage(sheet)
    assert len(coverage) == 26
    assert all(count == 1 for row in coverage.values() for count in row.values())


def test_each_group_is_first_equally_often():
    sheet = drop_sheet({"bare": ["D1"], "M1": ["A1"]}, seed=4)
    firsts = Counter(sheet.drops[place].group for place in range(0, 52, 2))
    assert firsts == {"bare": 13, "M1": 13}
    blocks = [sheet.drops[place].orientation for place in range(0, 52, 2)]
    assert blocks == [sheet.drops[place].orientation for place in range(1, 52, 2)]
    assert blocks != sorted(blocks)


def test_the_seed_fixes_the_sheet():
    one, same, other = (drop_sheet(ITEMS, seed=seed) for seed in (7, 7, 8))
    assert one == same
    assert one.sha256 != other.sha256
    assert drop_sheet(ITEMS, seed=7, rest_s=60).sha256 != one.sha256
    # As drawn on the day of writing; another value is a changed sheet for old plans.
    assert [drop.orientation for drop in one.drops[:9:3]] == ["edge 1-5", "edge 1-6", "edge 1-2"]


def test_rest_is_asked_between_drops_of_one_item_only():
    sheet = drop_sheet({"M1": ["A1", "A2"]}, ["1-2", "3", "2-3-5"], seed=5, repeats=2, rest_s=90)
    assert [drop.rest_s for drop in sheet.drops if drop.item_drop == 1] == [0.0, 0.0]
    assert {drop.rest_s for drop in sheet.drops if drop.item_drop > 1} == {90.0}
    assert {drop.orientation for drop in sheet.drops} == {"edge 1-2", "face 3", "corner 2-3-5"}
    assert [rule.what for rule in sheet.stop_rules] == [
        "damage_severity", "limit_rise", "voids_in_a_row"
    ]  # fmt: skip


def test_notes_on_items():
    six = drop_sheet({"M1": [f"A{i}" for i in range(6)]}, seed=1)
    assert "no more than 5" in six.notes[0]
    assert drop_sheet({"M1": [f"A{i}" for i in range(6)]}, ["1", "2"], seed=1).notes == ()
    assert drop_sheet({"bare": ["D"], "M1": ["A"]}, seed=1).notes == (
        "M1: with one case nothing is learnt about how cases differ; 1 more shows it",
    )


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: drop_sheet({"M1": []}, seed=1), "at least one item"),
        (lambda: drop_sheet({}, seed=1), "at least one item"),
        (lambda: drop_sheet({"M1": ["A"], "M2": ["A"]}, seed=1), "item A is named twice"),
        (lambda: drop_sheet({"M1": ["A"]}, ["1-3"], seed=1), "opposite"),
        (lambda: drop_sheet({"M1": ["A"]}, ["1-2", "2-1"], seed=1), "edge 1-2 is named twice"),
        (lambda: drop_sheet({"M1": ["A"]}, [], seed=1), "at least one orientation"),
        (lambda: drop_sheet({"M1": ["A"]}, seed=1, repeats=0), "at least 1 repeat"),
        (lambda: drop_sheet({"M1": ["A"]}, seed=1, rest_s=-1), "rest of 0 s or more"),
        (lambda: drops_to_see_rise(0.0, 0.1), "rise per drop must be above 0"),
        (lambda: drops_to_see_rise(1.0, float("nan")), "the scatter must be above 0"),
        (lambda: drops_to_see_rise(1.0, 0.1, power=0.01), "power above size"),
        (lambda: cases_to_tell_apart(0.0, 0.1, 0.1), "not be 0"),
        (lambda: cases_to_tell_apart(5.0, -0.1, 0.1), "can't be negative"),
        (lambda: success_run_cases(1.0, 0.9), "reliability 1 must be between 0 and 1"),
        (lambda: success_run_cases(0.9, 0.0), "confidence 0 must be"),
        (lambda: success_run_cases(0.9, 0.9, -1), "can't be negative"),
        (lambda: reliability_shown(3, 0.9, 30, 4), "4 failures of 3 cases"),
        (lambda: weibayes_shown(np.array([0.0]), np.array([False]), 2.0, 0.9, 30), "above 0"),
        (lambda: weibayes_cases(100, 0.9, 0.9, 5.0, 1), "more than 1000000 cases"),
    ],
)
def test_unusable_calls(call, why):
    with pytest.raises(UnusableCall, match=why):
        call()


# --------------------------------------------------------------------------- which drops come next


def so_far(model, code, drops, *, rise=0.01, can_be_dropped=True, seed=0):
    number = np.arange(1.0, drops + 1)
    scatter = 0.03 * np.random.default_rng([seed, drops]).standard_normal(drops)
    return CaseSoFar(model, code, number, 4.6 + rise * number + scatter, can_be_dropped)


def told_by(number, scatter, between):
    """Inverse variance of a model's mean rise, from one case."""
    spread = ((number - number.mean()) ** 2).sum() if len(number) > 1 else 0.0
    return 0.0 if spread == 0 else 1.0 / (between**2 + scatter**2 / spread)


@pytest.mark.parametrize("between", [0.0, 0.003])
def test_the_drops_that_teach_most_are_those_of_a_search_through_all(between):
    cases = [
        so_far("A", "a1", 4), so_far("A", "a2", 2), so_far("B", "b1", 7),
        so_far("B", "b2", 5, can_be_dropped=False),
    ]  # fmt: skip
    known = RateSpread(np.array([between]), np.ones(1))
    best, *_ = allocate_drops(
        cases, ["A", "B"], drops=7, new_cases=1, scatter_log_sd=0.03, spread=known
    )

    def variance(more):
        """``more``: drops of a1, a2, b1, a new case of A, one of B."""
        weight = {"A": WIDEST_RATE_LOG_SD**-2, "B": WIDEST_RATE_LOG_SD**-2}
        for each, further in zip(cases, (*more[:3], 0), strict=True):
            number = np.arange(1.0, len(each.drop_number) + further + 1)
            weight[each.case_model] += told_by(number, 0.03, between)
        for model, further in zip("AB", more[3:], strict=True):
            weight[model] += told_by(np.arange(1.0, further + 1), 0.03, between)
        return sum(1.0 / each for each in weight.values())

    ways = [
        more for more in product(range(8), repeat=5)
        if sum(more) == 7 and 0 in more[3:]
    ]  # fmt: skip
    least = min(map(variance, ways))
    assert best.interval_factor == pytest.approx(
        math.sqrt(least / variance((0, 0, 0, 0, 0))), rel=1e-12
    )
    assert sum(each.drops for each in best.cases) == 7


def test_planned_drops_beat_equal_shares():
    """Mean squared error of the difference of two models by generalised least squares."""
    random = np.random.default_rng(41)
    planned, equal = [], []
    for _ in range(150):
        scatter, spread = random.uniform(0.02, 0.06), random.choice([0.1, 0.3, 0.5])
        base = np.exp(random.uniform(np.log(0.002), np.log(0.02)))
        cases = []
        for model in "AB":
            rise = base * random.uniform(0.6, 1.6)
            for at in range(random.integers(1, 7)):
                number = np.arange(1.0, random.integers(3, 30) + 1)
                own = rise * np.exp(spread * random.standard_normal())
                peak = 4.6 + own * number + scatter * random.standard_normal(len(number))
                cases.append(CaseSoFar(model, f"{model}{at}", number, peak, True))
        ways = allocate_drops(
            cases, ["A", "B"], drops=30, new_cases=2, scatter_log_sd=scatter,
            spread=rate_spread(cases, scatter),
        )  # fmt: skip
        for way, found in ((ways[0], planned), (ways[1], equal)):
            weight = {"A": 0.0, "B": 0.0}
            more = {each.case: each.drops for each in way.cases if each.case is not None}
            for each in cases:
                number = np.arange(1.0, len(each.drop_number) + more.get(each.case, 0) + 1)
                weight[each.case_model] += told_by(number, scatter, base * spread)
            for each in way.cases:
                if each.case is None:
                    number = np.arange(1.0, each.drops + 1)
                    weight[each.case_model] += told_by(number, scatter, base * spread)
            found.append(sum(1.0 / own for own in weight.values()))
    ratio = np.array(equal) / np.array(planned)
    assert np.exp(np.log(ratio).mean()) > 1.2
    assert (ratio < 0.99).mean() < 0.1


def test_spread_of_rises_is_weighed_by_how_the_cases_differ():
    like = [so_far("A", f"a{at}", 40, seed=at) for at in range(6)]
    apart = [so_far("A", f"a{at}", 40, rise=0.01 * (0.4 + 0.24 * at), seed=at) for at in range(6)]
    assert rate_spread(like, 0.03).middle < 0.2 * 0.01
    assert 0.3 * 0.01 < rate_spread(apart, 0.03).middle < 0.8 * 0.01
    alone = rate_spread([so_far("A", "a", 10)], 0.03)
    np.testing.assert_allclose(alone.probability, 1 / 6)


@pytest.mark.parametrize(
    ("budget", "cases", "says"),
    [
        ((0, 0), [so_far("A", "a", 3)], "--drops 0"),
        ((10, 51), [so_far("A", "a", 3)], "--cases 51"),
        ((10, 0), [so_far("A", "a", 3, can_be_dropped=False)], "no case of A can be dropped"),
    ],
)
def test_budgets_that_can_not_be_spent(budget, cases, says):
    with pytest.raises(UnusableCall, match=says):
        allocate_drops(
            cases, ["A"], drops=budget[0], new_cases=budget[1], scatter_log_sd=0.03,
            spread=rate_spread(cases, 0.03),
        )  # fmt: skip
