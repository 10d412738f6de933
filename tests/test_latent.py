import math
from dataclasses import replace
from pathlib import Path

import naive_life
import numpy as np
import pytest
from calibration.controls import p_values, study_without_link

from durability.devices.evidence import (
    boschloo_p_value,
    dose_rank_test,
    dropped_against_controls,
    fisher_p_value,
    leave_one_out,
    odds_ratio,
    share_failed,
    telling_day,
)
from durability.devices.follow_up import follow_up
from durability.devices.judgement import judge_latent_link, next_looks
from durability.devices.link_model import FORMS, ShockLinkModel
from durability.devices.results import TimeRatio
from durability.devices.study import (
    EXPONENT_PRIOR,
    EXPONENTS,
    LITERATURE_EXPONENT,
    TEST_WEIGHTS,
    TESTED_EXPONENTS,
    assemble,
    shock_exposure,
    stand_in_peaks,
)
from durability.devices.what_next import drops_to_ten_percent
from durability.record.records import DeviceHistory

DAY = 20_000.0
LOOKS = (0, 14, 30, 60, 90, 180)

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"


def history(name="D1", drops=(), peaks=None, checks=(), heights=None, cases=(), **more):
    """Drops on these days, checks as (day, function, outcome) or (day, outcome); days from DAY."""
    full = [check if len(check) == 3 else (check[0], "power-on", check[1]) for check in checks]
    return DeviceHistory(
        device=name,
        drop_day=np.array([DAY + day for day in drops], dtype=float),
        peak_g=np.array([1000.0] * len(drops) if peaks is None else peaks, dtype=float),
        drop_height_mm=np.array([1000.0] * len(drops) if heights is None else heights, dtype=float),
        check_day=np.array([DAY + day for day, _, _ in full], dtype=float),
        check_function=tuple(function for _, function, _ in full),
        check_outcome=tuple(outcome for _, _, outcome in full),
        drop_case_model=tuple(cases),
        **more,
    )


def looked_at(name, peaks, fails_on=None, looks=LOOKS, function="power-on"):
    """A device dropped on day 0 and looked at until it is seen to have failed."""
    checks = [(day, function, "pass") for day in looks if fails_on is None or day < fails_on]
    if fails_on is not None:
        checks.append((fails_on, function, "fail"))
    return history(name, [0] * len(peaks), peaks, checks)


def simulated(seed, slope=0.5, dropped=40, controls=10, exponent=6.0, lowest_g=250.0):
    """Weibull lives whose scale falls with the dose, a small background, the usual looks."""
    random = np.random.default_rng(seed)
    typical = np.exp(random.uniform(math.log(lowest_g), math.log(1500.0), dropped))
    peaks = [g * np.exp(0.1 * random.standard_normal(random.integers(3, 20))) for g in typical]
    peaks += [np.empty(0)] * controls
    dose = np.array([((own / 1000.0) ** exponent).sum() for own in peaks])
    middle = np.median(dose[:dropped])
    rate = 0.05 / 180.0
    with np.errstate(divide="ignore"):
        scale = 90.0 * (dose / middle) ** -slope if slope else np.full(len(dose), 250.0)
    hazard = [(day / scale) ** 1.3 + rate * day for day in LOOKS]
    bad_looks = -np.log(random.random(len(peaks)))
    histories = []
    for index, own in enumerate(peaks):
        seen = [day for day, h in zip(LOOKS, hazard, strict=True) if h[index] >= bad_looks[index]]
        histories.append(looked_at(f"D{index:02d}", own, min(seen, default=None)))
    return histories, 1.0 - np.exp(-((90.0 / scale) ** 1.3) - rate * 90.0)


def only_some(seed, dropped=40, controls=10):
    """Dose decides how likely a device is to fail at all; when, about day 50, is up to chance."""
    random = np.random.default_rng(seed)
    peaks = [np.full(8, g) for g in np.exp(random.uniform(math.log(250), math.log(1500), dropped))]
    peaks += [np.empty(0)] * controls
    dose = np.array([((own / 1000.0) ** 6).sum() for own in peaks])
    share = dose / (np.median(dose[:dropped]) + dose)
    life = np.where(
        random.random(len(peaks)) < share, 50 * random.weibull(1.5, len(peaks)), math.inf
    )
    histories = []
    for index, own in enumerate(peaks):
        seen = [day for day in LOOKS if day >= life[index]]
        histories.append(looked_at(f"D{index:02d}", own, min(seen, default=None)))
    return histories, share * -np.expm1(-((90 / 50) ** 1.5))


@pytest.fixture(scope="module")
def linked():
    histories, _ = simulated(11)
    return histories, judge_latent_link(histories)


# -------------------------------------------------------------------- from looks to an interval


@pytest.mark.parametrize(
    ("name", "seen", "state", "after", "by"),
    [
        ("works", [(0, "pass"), (30, "pass")], "working", 30, None),
        ("fails later", [(0, "pass"), (14, "pass"), (30, "fail")], "latent failure", 14, 30),
        ("fails on drop day", [(0, "fail"), (14, "fail")], "failed on drop day", None, 0),
        ("degraded works", [(0, "pass"), (14, "degraded")], "working", 14, None),
        ("never looked at", [], "not inspected", None, None),
        ("only before the drop", [(-3, "pass")], "not inspected", None, None),
        ("nothing tested", [(0, "not_tested"), (9, "not_tested")], "not inspected", None, None),
        ("a look at nothing is none", [(0, "pass"), (14, "not_tested")], "working", 0, None),
        (
            "stays failed after a pass",
            [(0, "pass"), (14, "fail"), (30, "pass")],
            "latent failure",
            0,
            14,
        ),
        ("out of order", [(30, "fail"), (0, "pass"), (14, "pass")], "latent failure", 14, 30),
        ("two on one day, one bad", [(0, "pass"), (0.4, "fail")], "failed on drop day", None, 0),
        (
            "two good on one day",
            [(0, "pass"), (14.2, "pass"), (14.9, "pass")],
            "working",
            14,
            None,
        ),
        ("failed when first seen", [(20, "fail")], "failed before its first look", None, 20),
        (
            "the function that failed was not tested in between",
            [
                (0, "touch", "pass"),
                (14, "display", "pass"),
                (14, "touch", "not_tested"),
                (30, "touch", "fail"),
            ],
            "latent failure",
            0,
            30,
        ),
        (
            "another function failing later does not move it",
            [
                (0, "touch", "pass"),
                (14, "touch", "fail"),
                (14, "display", "pass"),
                (30, "display", "fail"),
            ],
            "latent failure",
            0,
            14,
        ),
        (
            "a function at fault before the first drop is left out",
            [(-1, "buttons", "fail"), (0, "buttons", "fail"), (0, "touch", "pass")],
            "working",
            0,
            None,
        ),
    ],
)
def test_the_interval_in_which_a_dropped_device_failed(name, seen, state, after, by):
    own = follow_up(history(drops=[0], checks=seen))
    assert (own.state, own.after_days, own.by_days) == (state, after, by), name


def test_what_is_said_beside_the_interval():
    own = follow_up(
        history(
            drops=[0],
            checks=[
                (-1, "buttons", "fail"),
                (0, "touch", "pass"),
                (0, "radios", "pass"),
                (14, "touch", "fail"),
                (14, "radios", "fail"),
                (30, "touch", "pass"),
            ],
        )
    )
    assert own.first_failed_functions == ("radios", "touch")
    assert own.intermittent
    assert own.functions_failed_before == ("buttons",)
    assert not own.control


def test_days_count_from_the_last_drop_that_it_lived_through():
    twice = history(drops=[0, 20], checks=[(0, "pass"), (14, "pass"), (20, "pass"), (50, "fail")])
    assert (follow_up(twice).after_days, follow_up(twice).by_days) == (0, 30)
    dropped_when_broken = history(drops=[0, 20], checks=[(0, "pass"), (14, "fail"), (25, "fail")])
    own = follow_up(dropped_when_broken)
    assert (own.state, own.after_days, own.by_days) == ("latent failure", 0, 14)
    assert own.lived_through.tolist() == [True, False]


def test_first_look_after_the_drop_day_is_late_entry():
    own = follow_up(history(drops=[0], checks=[(10, "pass"), (30, "fail")]))
    assert (own.entry_days, own.after_days, own.by_days) == (10, 10, 30)


def test_without_a_drop_date_the_first_look_is_day_zero():
    own = follow_up(history(drops=[math.nan], checks=[(5, "pass"), (19, "fail")]))
    assert (own.state, own.after_days, own.by_days) == ("latent failure", 0, 14)
    assert own.drops_undated
    at_once = follow_up(history(drops=[math.nan], checks=[(5, "fail")]))
    assert at_once.state == "failed on drop day"


def test_controls_count_from_their_first_look():
    own = follow_up(history(checks=[(3, "pass"), (17, "pass"), (33, "fail")]))
    assert (own.state, own.after_days, own.by_days) == ("failed, never dropped", 14, 30)
    assert own.control
    broken = follow_up(history(checks=[(3, "touch", "fail"), (3, "radios", "pass"), (9, "pass")]))
    assert (broken.state, broken.functions_failed_before) == ("working", ("touch",))


# ------------------------------------------------------------------------------------ exposure


@pytest.mark.parametrize(
    ("exponent", "factors"),
    # Palmgren-Miner with Basquin's exponent: 1.1, 1.5 and 2 times the level; arithmetic.
    [(4.0, (1.4641, 5.0625, 16.0)), (6.4, (1.8404, 13.3963, 84.4485)), (8.0, (2.1436, 25.63, 256))],
)
def test_dose_of_higher_peaks(exponent, factors):
    doses = [
        own.shock_dose
        for own in shock_exposure(
            [history(drops=[0], peaks=[g]) for g in (1000.0, 1100.0, 1500.0, 2000.0)], exponent
        )
    ]
    assert doses[0] == 1.0
    np.testing.assert_allclose(doses[1:], factors, rtol=1e-4)  # the digits above


def test_exposure_counts_what_it_lived_through_until_a_day():
    own = history(
        drops=[0, 5, math.nan, 9],
        peaks=[500.0, math.nan, 800.0, 2000.0],
        velocity_change_m_s=np.array([4.0, math.nan, 5.5, 7.0]),
    )
    other = history("D2", drops=[0, 0], peaks=[600.0, 700.0])
    [until, _] = shock_exposure([own, other], 4.0, until_day=DAY + 6)
    assert (until.drops, until.drops_without_reading) == (3, 1)
    assert until.max_peak_g == 800.0
    assert until.shock_dose == pytest.approx(0.5**4 + 0.8**4)
    assert until.largest_velocity_change_m_s == 5.5
    [whole, _] = shock_exposure([own, other], 4.0)
    assert whole.drops == 4
    # Its own like, all of one height and case: 500, 800, 2000; the middle and the largest.
    assert whole.shock_dose_likely == pytest.approx(0.5**4 + 2 * 0.8**4 + 2.0**4)
    assert whole.shock_dose_upper == pytest.approx(0.5**4 + 0.8**4 + 2 * 2.0**4)


def test_missing_readings_are_stood_in_for_by_the_closest_like():
    missing = history(
        "A", drops=[0, 0], peaks=[math.nan, 300.0], heights=[1000, 500], cases=["X"] * 2
    )
    same_case = history(
        "B", drops=[0, 0], peaks=[700.0, 900.0], heights=[1000] * 2, cases=["X"] * 2
    )
    other_case = history("C", drops=[0], peaks=[5000.0], heights=[1000], cases=["Y"])
    (likely, upper), *_ = stand_in_peaks([missing, same_case, other_case])
    assert (likely[0], upper[0]) == (800.0, 900.0)
    (likely, upper), *_ = stand_in_peaks([missing, other_case])  # of that height in any case
    assert (likely[0], upper[0]) == (5000.0, 5000.0)
    [(likely, upper)] = stand_in_peaks([missing])  # its own of another height
    assert (likely[0], upper[0]) == (300.0, 300.0)


def test_never_dropped_is_dose_zero_and_never_read_is_unknown():
    control, unread = shock_exposure([history(), history(drops=[0], peaks=[math.nan])], 6.4)
    assert (control.shock_dose, control.shock_dose_upper, control.max_peak_g) == (0.0, 0.0, None)
    assert (unread.shock_dose, unread.shock_dose_likely, unread.drops) == (None, None, 1)


# --------------------------------------------------------------------------------- exact tests


def two_groups(dropped_failed, dropped, controls_failed, controls):
    rows = [looked_at(f"D{i}", [900.0], 30 if i < dropped_failed else None) for i in range(dropped)]
    rows += [looked_at(f"C{i}", [], 30 if i < controls_failed else None) for i in range(controls)]
    return assemble(rows)


@pytest.mark.parametrize(
    ("counts", "fisher", "boschloo"),
    [
        # By arithmetic, all against none.
        ((3, 3, 0, 3), 0.1, None),
        ((4, 4, 0, 4), 0.0286, None),
        ((5, 5, 0, 5), 0.0079, None),
        # Recomputed with scipy 1.17.1, two-sided, the groups as its columns.
        ((3, 5, 0, 5), 0.1667, 0.0618),
        ((4, 10, 0, 10), 0.0867, 0.0422),
        ((3, 4, 0, 8), 0.0182, 0.0129),
    ],
)
def test_dropped_against_controls(counts, fisher, boschloo):
    found = dropped_against_controls(two_groups(*counts), 0.95, 0)
    assert found.fisher_p_value == pytest.approx(fisher, abs=5.1e-5)  # four digits
    if boschloo is not None:
        assert found.boschloo_p_value == pytest.approx(boschloo, abs=5.1e-5)
    assert (found.dropped_failed, found.dropped_working) == (counts[0], counts[1] - counts[0])
    assert (found.controls_failed, found.controls_working) == (counts[2], counts[3] - counts[2])
    assert found.odds_ratio is None
    assert found.odds_ratio_lower is not None
    assert found.odds_ratio_upper is None


def test_exact_tests_are_those_of_scipy():
    from scipy.stats import boschloo_exact, fisher_exact
    from scipy.stats.contingency import odds_ratio as scipy_odds_ratio

    random = np.random.default_rng(20)
    for _ in range(25):
        groups = random.integers(1, 20, 2)
        failed = random.integers(0, groups + 1)
        table = np.column_stack([failed, groups - failed])
        if (table.sum(axis=0) == 0).any():
            continue
        assert fisher_p_value(table) == pytest.approx(fisher_exact(table).pvalue, rel=1e-9)
        # Its columns are the two groups, whose sizes the test holds; its rows would be outcomes.
        expected = boschloo_exact(table.T).pvalue
        assert boschloo_p_value(table) == pytest.approx(expected, abs=1e-9)
        ratio = scipy_odds_ratio(table)
        interval = ratio.confidence_interval(0.9)
        expected = (ratio.statistic, interval.low, interval.high)
        assert odds_ratio(table, 0.9) == pytest.approx(expected, rel=1e-9, nan_ok=True)


def test_boschloos_p_by_arithmetic():
    """3 of 5 against 0 of 5: the tables whose one-sided Fisher p is at most 10/120, added up."""
    share = np.linspace(0.0, 1.0, 10_001)
    tables = [(3, 0), (4, 0), (5, 0), (5, 1), (5, 2)]
    chance = sum(
        math.comb(5, a) * math.comb(5, b) * share ** (a + b) * (1 - share) ** (10 - a - b)
        for a, b in tables
    )
    found = boschloo_p_value(np.array([[3, 2], [0, 5]]))
    assert found == pytest.approx(2 * chance.max(), abs=1e-7)


def test_tea_tasting():
    # Fisher's table (3, 1), (1, 3): two-sided 0.485714 = 34/70; odds ratio by conditional maximum.
    found = dropped_against_controls(two_groups(3, 4, 1, 4), 0.95, 0)
    assert found.fisher_p_value == pytest.approx(34 / 70, abs=1e-12)
    # R's fisher.test prints 6.408309 (from memory); its root search stops within 1e-4.
    assert found.odds_ratio == pytest.approx(6.4083, abs=2e-4)
    assert found.odds_ratio_lower < found.odds_ratio < found.odds_ratio_upper
    assert dropped_against_controls(two_groups(3, 4, 0, 0), 0.95, 0) is None


def test_survivors_last_seen_a_day_short_are_not_left_out():
    """Controls have a look before the drops; the others' last look is counted from their drop."""
    rows = [looked_at(f"D{i}", [900.0], 30 if i < 4 else None) for i in range(14)]
    rows += [looked_at(f"C{i}", [], looks=(-7, *LOOKS)) for i in range(6)]
    found = judge_latent_link(rows).dropped_against_controls
    assert (found.dropped_failed, found.dropped_working) == (4, 10)
    assert (found.controls_failed, found.controls_working, found.not_compared) == (0, 6, 0)
    assert found.followed_alike
    # Fisher's two-sided p of 4 of 14 against 0 of 6, by arithmetic: probabilities of at most
    # C(14,4)/C(20,4) = 1001/4845; the table 4:0 has it, 2:2 and beyond less or more.
    ways = [math.comb(14, k) * math.comb(6, 4 - k) for k in range(5)]
    fisher = sum(way for way in ways if way <= ways[4]) / math.comb(20, 4)
    assert found.fisher_p_value == pytest.approx(fisher, rel=1e-12)


def test_unequal_follow_up_is_tested_without_leaving_anyone_out():
    rows = [looked_at(f"D{i}", [900.0], 30) for i in range(6)]
    rows += [looked_at(f"S{i}", [900.0], looks=(0, 14, 29)) for i in range(6)]
    rows += [looked_at(f"C{i}", [], looks=(0, 14, 29)) for i in range(4)]
    rows += [history("late", checks=[(40, "fail")]), looked_at("on drop day", [900.0], 0)]
    found = judge_latent_link(rows).dropped_against_controls
    assert not found.followed_alike
    assert (found.dropped_failed, found.dropped_working) == (6, 6)
    assert (found.controls_failed, found.controls_working, found.not_compared) == (0, 4, 2)
    assert found.boschloo_p_value is found.odds_ratio is None
    # As good as Fisher's of 6 of 12 against 0 of 4, by arithmetic, within four standard errors of
    # the permutations; on day 30 itself no control's state is known and no table could be made.
    fisher = (924 + 880 + 66) / math.comb(16, 6)
    assert found.fisher_p_value == pytest.approx(fisher, abs=0.017)


def test_a_control_counts_from_the_day_the_others_were_dropped():
    control = history(checks=[(-9, "pass"), (-2, "touch", "fail"), (5, "pass"), (40, "fail")])
    own = follow_up(control, DAY)
    assert (own.state, own.zero_day) == ("failed, never dropped", DAY)
    assert (own.entry_days, own.after_days, own.by_days) == (5, 5, 40)
    assert own.functions_failed_before == ("touch",)
    assert follow_up(history(checks=[(-9, "pass")]), DAY).state == "not inspected"


def test_without_a_link_no_p_is_small_too_often_and_the_counts_add_up():
    """Few studies, so a wide limit; tests/calibration/controls.py has the figures."""
    said = [
        p_values(study_without_link(np.random.default_rng([3, number])), number, model=False)
        for number in range(100)
    ]
    found = [each["dropped against controls"] for each in said if len(each) > 1]
    assert len(found) > 80
    assert sum(p < 0.05 for p in found) <= 10  # of 100 at 6 %: 6 expected, 10 in 96 of 100


def test_a_device_whose_state_is_open_counts_in_part():
    lives = np.array([(0, 14), (14, 30), (30, 60), (10, math.inf), (60, math.inf), (14, 60)])
    share = share_failed(lives, np.zeros(6), 30.0)
    assert share[[0, 1, 2, 4]].tolist() == [1.0, 1.0, 0.0, 0.0]
    assert 0.0 < share[3] < 0.5
    assert share[5] == pytest.approx(16 / 46)


def test_rank_test_is_the_permutation_test():
    rows = [
        looked_at("a", [1200.0], 14),
        looked_at("b", [900.0], 60),
        looked_at("c", [900.0, 700.0], 30),
        looked_at("d", [300.0]),
        looked_at("e", [250.0, 200.0], 180),
        looked_at("f", []),
        looked_at("g", [], 180),
    ]
    study = assemble(rows)
    found = dose_rank_test(study, 0)
    from scipy.stats import rankdata

    from durability.life.turnbull import log_rank_scores

    rank = TEST_WEIGHTS @ rankdata(study.log_dose(TESTED_EXPONENTS), axis=1)
    exact = naive_life.permutation_p(log_rank_scores(study.lives), rank)
    # 9999 of the 5040 arrangements: within four standard errors.
    assert found.p_value == pytest.approx(exact, abs=4 * math.sqrt(exact / 9999))
    assert found.harmful


def test_a_small_p_the_other_way_round_is_said_to_be_that():
    """Controls alone failed: "No link was shown (p = 0.0001 …)" left the reader with a riddle."""
    dropped = [looked_at(f"D{i}", [300.0 + 100.0 * i] * 5) for i in range(12)]
    controls = [looked_at(f"C{i}", [], fails_on=30) for i in range(6)]
    link = judge_latent_link([*dropped, *controls])
    assert (link.verdict, link.p_value) == ("not shown", 0.0001)
    assert "with a smaller one failed sooner than chance would have it (p = 0.0001" in link.sentence


def test_three_against_three_can_never_show_anything():
    # Fisher's two-sided p of all three against none of three is 0.1.
    assert not dose_rank_test(two_groups(3, 3, 0, 3), 0).could_show
    assert dose_rank_test(two_groups(4, 4, 0, 4), 0).could_show


# --------------------------------------------------------------------------- the link by Bayes

TEN = [
    (900.0, (0, 14)),
    (1400.0, (14, 30)),
    (700.0, (30, 60)),
    (500.0, (60, 90)),
    (450.0, (180, math.inf)),
    (300.0, (180, math.inf)),
    (1000.0, (30, 60)),
    (0.0, (180, math.inf)),
    (0.0, (90, 180)),
    (0.0, (180, math.inf)),
]
WHEN_GRID = [(-2.0, 8.0, 25), (-2.5, 7.0, 25), (-2.2, 1.3, 15), (-6.5, 0.6, 15)]
WHETHER_GRID = [
    (-3.5, 1.5, 15),
    (-2.5, 10.0, 21),
    (-2.2, 1.3, 13),
    (-6.5, 0.6, 13),
    (-4.0, 4.0, 13),
]
"""Wide enough for all but a hundredth of the posterior, in the order of ``ShockForm``."""


@pytest.fixture(scope="module")
def ten():
    with np.errstate(divide="ignore"):
        log_dose = 6.0 * np.log(np.array([g for g, _ in TEN]) / 1000.0)
    lives = np.array([life for _, life in TEN], dtype=float)
    model = ShockLinkModel(np.ones(1)).fit(lives, log_dose[None, :], np.zeros(10))
    return lives, log_dose, model


@pytest.fixture(scope="module")
def ten_by_grid(ten):
    lives, log_dose, _ = ten
    forms = {
        form.name: (
            form.family.name,
            form.decides_whether,
            form.prior_chance,
            form.prior_mean,
            form.prior_sd,
            WHETHER_GRID if form.decides_whether else WHEN_GRID,
        )
        for form in FORMS
    }
    return naive_life.link_by_grid(lives, log_dose, forms, 90.0, left_out=(1, 4, 8))


def test_posterior_is_the_one_on_a_dense_grid(ten, ten_by_grid):
    _, log_dose, model = ten
    chances, mean, sd, failed, _ = ten_by_grid
    found = model.probability_failed(log_dose[None, :], np.zeros(10), np.full(10, 90.0))
    # Two thousand draws: standard errors of 0.01 and less; the grid's own steps are as coarse.
    np.testing.assert_allclose(found.mean(axis=0), failed, atol=0.015)
    assert model.theta_[:, 1].mean() == pytest.approx(mean, abs=0.1 * sd)
    assert model.theta_[:, 1].std() == pytest.approx(sd, rel=0.12)
    for index, form in enumerate(FORMS):
        assert (model.form_ == index).mean() == pytest.approx(chances[form.name], abs=0.04)
    assert model.effective_draws_ > 500


@pytest.mark.parametrize("device", [1, 4, 8])
def test_leaving_one_out_is_as_good_as_fitting_without_it(ten, ten_by_grid, device):
    lives, log_dose, model = ten
    study = replace(assemble([]), lives=lives, entry=np.zeros(10))
    found = leave_one_out(model, study, log_dose[None, :], 90.0)
    without = ten_by_grid[-1][device]
    assert found[device] == pytest.approx(without, abs=0.03)  # draws, and a coarse grid


def published(name):
    return np.genfromtxt(PUBLISHED / name, delimiter=",", names=True)


def looked_at_once(log_dose, failed):
    """Each inspected a day after its dose, at one dose exponent."""
    lives = np.where(failed[:, None], [0.0, 1.0], [1.0, math.inf])
    return ShockLinkModel(np.ones(1)).fit(lives, log_dose[None, :], np.zeros(len(lives)))


def failed_after_a_day(model, log_dose):
    none = np.zeros(len(log_dose))
    return model.probability_failed(log_dose[None, :], none, none + 1.0)


def test_beetles_killed_by_dose():
    # Bliss 1935. Published: complementary log-log on log10 dose -39.572 + 22.041 x, probit
    # -34.935 + 19.728 x (Dobson's book, from memory; recomputed). With one look, a Weibull life
    # that dose shortens is the first, a log-normal one the second; ours has a background beside.
    groups = published("binary_beetle_mortality.csv")
    log_dose = math.log(10.0) * groups["log10_dose_CS2_mg_per_L"]
    counts = np.column_stack([groups["killed"], groups["n"] - groups["killed"]]).astype(int)
    model = looked_at_once(
        np.repeat(log_dose, groups["n"].astype(int)),
        np.concatenate([np.repeat([True, False], pair) for pair in counts]),
    )
    slope = math.log(10.0) * model.slope_ / np.exp(model.theta_[:, 2])
    for form, of_book in ((0, 22.041), (1, 19.728)):
        low, high = np.quantile(slope[model.form_ == form], [0.025, 0.975])
        assert low < of_book < high < 2 * of_book
    low, high = np.quantile(model.log_dose_at(0.5, 1.0) / math.log(10.0), [0.025, 0.975])
    assert low < 1.7788 < high < low + 0.05  # (ln ln 2 + 39.572) / 22.041
    killed = 1 - np.exp(-np.exp(-39.572 + 22.041 * log_dose / math.log(10.0)))
    np.testing.assert_allclose(failed_after_a_day(model, log_dose).mean(axis=0), killed, atol=0.04)


def test_o_rings_damaged_in_the_cold():
    # Dalal, Fowlkes & Hoadley 1989 (from memory; recomputed): logit of any damage in a flight is
    # 15.043 - 0.2322 °F. Cold stands for log dose; ours averages over forms, none of them that one.
    flights = published("binary_orings_23flights.csv")
    model = looked_at_once(-flights["temperature_F"], flights["damaged_of_6"] > 0)
    at = np.array([31.0, 53.0, 57.0, 63.0, 66.0, 70.0, 75.0, 81.0])
    low, high = np.quantile(failed_after_a_day(model, -at), [0.05, 0.95], axis=0)
    damaged = 1 / (1 + np.exp(-15.043 + 0.2322 * at))
    assert ((low < damaged) & (damaged < high)).all()
    assert low[1] > 2 * high[-1]  # at 53 °F against 81 °F


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_derivatives_of_each_form_are_those_by_small_steps(form):
    random = np.random.default_rng(0)
    theta = form.prior_mean + random.standard_normal((6, len(form.prior_mean)))
    x, time = np.array([-2.0, 0.3, 1.5, -math.inf]), np.array([0.0, 0.2, 1.0, 0.5])
    value, gradient, hessian = form.derivatives(theta, x, time)
    np.testing.assert_allclose(value, form.cumulative_hazard(theta, x, time), rtol=1e-12)
    assert (value[:, 3] == 0.0).all()  # never dropped
    for parameter in range(theta.shape[1]):
        step = np.zeros(theta.shape[1])
        step[parameter] = 1e-5
        above, below = (form.derivatives(theta + way * step, x, time) for way in (1.0, -1.0))
        # Central differences: errors of the order of the step squared, times large curvatures.
        for order, found in ((0, gradient[..., parameter]), (1, hessian[..., parameter, :])):
            by_steps = (above[order] - below[order]) / 2e-5
            np.testing.assert_allclose(found, by_steps, rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_shortening_is_how_far_a_little_more_dose_moves_the_time_to_one_share(form):
    theta, x, step = form.prior_mean[None, :].copy(), np.array([0.4]), 1e-4
    theta[:, 1] = 0.8
    # The share failed, of all, when one in ten of those that can fail has failed.
    at = np.array([math.exp(theta[0, 0] + math.exp(theta[0, 2]) * form.family.quantile(0.1))])
    if not form.decides_whether:
        assert form.shortening(theta, x) == pytest.approx(0.8)
        return

    def failed(dose, time):
        return -np.expm1(-form.cumulative_hazard(theta, dose, time))[0, 0]

    by_dose = (failed(x + step, at) - failed(x - step, at)) / (2 * step)
    by_log_time = (failed(x, at * (1 + step)) - failed(x, at * (1 - step))) / (2 * step)
    assert form.shortening(theta, x)[0] == pytest.approx(by_dose / by_log_time, rel=1e-6)


def test_where_dose_decides_whether_that_form_is_found_and_no_one_else_is_feared_for():
    square, error, weight = [], [], []
    for seed in range(3):
        histories, truth = only_some(seed)
        link = judge_latent_link(histories)
        assert link.verdict == "linked"
        found = np.array([own.probability_failed_by_day[90] for own in link.per_device])
        square.append(((found - truth) ** 2).mean())
        error.append((found - truth).mean())
        weight.append(sum(w for name, w in link.form_weights.items() if "more often" in name))
    # A model in which all fail in the end gives 0.13 and -0.05.
    assert math.sqrt(np.mean(square)) < 0.09
    assert abs(np.mean(error)) < 0.04
    assert min(weight) > 0.5


def test_late_entry_conditions_on_having_worked_until_then(ten):
    _, log_dose, model = ten
    log_dose, zeros = log_dose[None, :], np.zeros(10)
    at_30 = model.probability_failed(log_dose, zeros, np.full(10, 30.0))
    at_90 = model.probability_failed(log_dose, zeros, np.full(10, 90.0))
    given = model.probability_failed(log_dose, np.full(10, 30.0), np.full(10, 90.0))
    np.testing.assert_allclose(1 - at_90, (1 - at_30) * (1 - given), atol=1e-12)


def test_dose_that_fails_one_in_ten_is_where_the_curve_says_so(ten):
    _, _, model = ten
    found = model.log_dose_at(0.1, 90.0)
    shortens = np.isfinite(found)
    draw = int(np.flatnonzero(shortens)[0])
    failed = model.probability_failed(
        np.array([[found[draw], -math.inf]]), np.zeros(2), np.full(2, 90.0)
    )[draw]
    # Background apart: survival with shocks over survival without.
    assert (1 - failed[0]) / (1 - failed[1]) == pytest.approx(0.9, abs=1e-12)


def test_telling_day():
    lives = np.array([(0, 14), (14, 30), (30, math.inf), (180, math.inf), (90, 180)])
    assert telling_day(lives, np.zeros(5)) == 30.0  # two failed, three known to work
    # The three come under observation on day 30 only: that they work then says nothing.
    assert telling_day(lives, np.array([0, 0, 30, 30, 30])) == 90.0
    assert telling_day(np.array([(30, math.inf), (60, math.inf)]), np.zeros(2)) is None


# ------------------------------------------------------------------------- a study as a whole


def test_a_link_is_found_and_its_numbers_hold_together(linked):
    histories, link = linked
    assert link.verdict == "linked"
    assert (link.devices, link.control_devices) == (50, 10)
    assert link.p_value < 0.01
    assert link.lower < link.time_ratio_per_doubling < link.upper < 1.0
    peak, count = link.per_peak_doubling, link.per_count_doubling
    assert peak.lower < 2.0 ** (-0.5 * 6) < peak.upper < 1.0  # the simulated slope and exponent
    assert peak.lower < peak.ratio < peak.upper
    assert count.lower < 2.0**-0.5 < count.upper
    assert link.log_loss < link.log_loss_without_shock
    assert link.brier < link.brier_without_shock
    for own in link.per_device:
        chances = own.probability_failed_by_day
        assert 0 < chances[30] < chances[90] < chances[180] < 1
    assert sum(link.form_weights.values()) == pytest.approx(1.0)
    assert (
        EXPONENTS[0] <= link.dose_exponent_lower <= link.dose_exponent <= link.dose_exponent_upper
    )
    assert link.ten_percent_dose.lower < link.ten_percent_dose.median < link.ten_percent_dose.upper
    assert link.drops_to_ten_percent[0].drop_height_mm == 1000.0
    assert link.latent_failures + link.control_failures == sum(
        own.failed_by_days is not None for own in link.per_device
    )
    assert "not proof for any one device" in link.sentence
    # The dose shown is the one of the exponent shown.
    first = histories[0].peak_g
    assert link.per_device[0].shock_dose == pytest.approx(
        ((first / 1000.0) ** link.dose_exponent).sum(), rel=1e-12
    )


def test_doublings_hold_the_truth_whatever_the_exponent():
    """Few studies, at the ends; tests/calibration/latent_study.py has how often they do."""
    held = []
    for exponent in (1.5, 9.0):
        for seed in (1, 2):
            link = judge_latent_link(simulated(seed, exponent=exponent)[0])
            peak, count = link.per_peak_doubling, link.per_count_doubling
            held.append(peak.lower < 2.0 ** (-0.5 * exponent) < peak.upper)
            held.append(count.lower < 2.0**-0.5 < count.upper)
    assert sum(held) >= 6  # of 8, each held in 9 of 10: in 96 of 100


def test_a_failure_of_a_control_is_named_among_the_later_ones():
    rows = [looked_at(f"D{i}", [900.0 + i], 30) for i in range(8)]
    rows += [looked_at(f"C{i}", [], 60 if i < 1 else None) for i in range(8)]
    assert "9 later failures, 1 of a control, among 16 devices" in judge_latent_link(rows).sentence


def test_without_a_link_none_is_claimed():
    verdicts = [judge_latent_link(simulated(seed, slope=0.0)[0]).verdict for seed in range(5)]
    assert verdicts.count("linked") <= 1


def test_links_are_found_and_probabilities_near_the_truth():
    square, error = [], []
    for seed in range(21, 27):
        histories, truth = simulated(seed)
        link = judge_latent_link(histories)
        assert link.verdict == "linked"
        found = np.array([own.probability_failed_by_day[90] for own in link.per_device])
        square.append(((found - truth) ** 2).mean())
        error.append((found - truth).mean())
    assert math.sqrt(np.mean(square)) < 0.08
    assert abs(np.mean(error)) < 0.03


def test_same_answer_again_and_in_any_order_and_unit(linked):
    histories, link = linked
    again = judge_latent_link(histories)
    assert again == link
    order = np.random.default_rng(5).permutation(len(histories))
    shuffled = judge_latent_link([histories[index] for index in order])
    assert shuffled.verdict == link.verdict
    found = {own.device: own.probability_failed_by_day[90] for own in shuffled.per_device}
    for own in link.per_device:  # sums in another order, so other draws are resampled
        assert found[own.device] == pytest.approx(own.probability_failed_by_day[90], abs=0.02)
    # Every peak read ten times too high: same ranks, same probabilities, another dose.
    scaled = judge_latent_link([replace(own, peak_g=own.peak_g * 10.0) for own in histories])
    assert scaled.p_value == link.p_value
    for name in ("per_peak_doubling", "per_count_doubling"):
        found, was = getattr(scaled, name).ratio, getattr(link, name).ratio
        assert found == pytest.approx(was, rel=0.02)


def test_doses_over_many_decades_and_complete_separation():
    rows = [looked_at(f"H{i}", [3000.0 + 100 * i] * 20, 14) for i in range(8)]
    rows += [looked_at(f"L{i}", [30.0 + i]) for i in range(8)]
    rows += [looked_at(f"C{i}", []) for i in range(4)]
    link = judge_latent_link(rows)
    assert link.verdict == "linked"
    assert 0 < link.lower < link.upper < 1
    by_90 = [own.probability_failed_by_day[90] for own in link.per_device]
    assert min(by_90[:8]) > 0.8
    assert max(by_90[8:]) < 0.25
    assert max(own.shock_dose for own in link.per_device) > 1e6 * link.per_device[8].shock_dose


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([], "0 devices followed with 0 later failures"),
        ([looked_at("D", [900.0], 30)], "1 device followed with 1 later failure"),
        ([looked_at(f"D{i}", [500.0 + i]) for i in range(20)], "20 devices followed with 0"),
        ([looked_at(f"D{i}", [500.0 + i], 14) for i in range(20)], "20 devices followed with 20"),
        ([looked_at(f"D{i}", [700.0], 14 if i < 9 else None) for i in range(20)], "9 later"),
        ([history(f"D{i}", [0], [700.0]) for i in range(9)], "0 devices followed"),
        ([looked_at(f"C{i}", [], 60 if i < 5 else None) for i in range(9)], "5 later"),
        (
            [looked_at(f"D{i}", [900.0], 30) for i in range(3)]
            + [looked_at(f"C{i}", []) for i in range(3)],
            "6 devices followed with 3 later failures",
        ),
    ],
)
def test_too_few_is_an_answer(rows, says):
    link = judge_latent_link(rows)
    assert link.verdict == "too few"
    assert says in link.sentence
    assert link.p_value is None
    assert link.time_ratio_per_doubling is None
    assert link.per_peak_doubling == link.per_count_doubling == TimeRatio()
    assert link.dose_exponent == LITERATURE_EXPONENT
    assert "taken from the literature" in link.basis
    for own in link.per_device:
        chance = own.probability_failed_by_day[90]
        assert (chance is None) if says[:2] in ("0 ", "1 ") else (0 < chance < 1)


def test_none_failed_still_bounds_what_may_come():
    link = judge_latent_link([looked_at(f"D{i}", [500.0 + 20 * i]) for i in range(30)])
    assert max(own.probability_failed_by_day[90] for own in link.per_device) < 0.15
    assert link.log_loss is None


def test_what_is_kept_apart_is_counted_and_said(linked):
    histories, _ = linked
    odd = [
        looked_at("on drop day", [900.0], 0),
        history("late", [0], [900.0], [(20, "fail")]),
        history("unseen", [0], [900.0]),
        history("comes and goes", [0], [900.0], [(0, "pass"), (14, "fail"), (30, "pass")]),
        history("undated", [math.nan], [900.0], [(0, "pass"), (30, "pass")]),
        history("old fault", [0], [900.0], [(-1, "touch", "fail"), (0, "pass"), (9, "pass")]),
    ]
    link = judge_latent_link([*histories, *odd])
    assert (link.failed_on_drop_day, link.not_inspected) == (1, 1)
    for clause in (
        "1 device failed on drop day, counted separately",
        "1 device already failed at the first inspection after the drops",
        "1 device not inspected since the last drop",
        "1 device passed again after a fail",
        "1 device with functions at fault before the first drop",
        "1 device with drops of unknown day",
    ):
        assert clause in link.basis
    assert [own.state for own in link.per_device[50:]] == [
        "failed on drop day",
        "failed before its first look",
        "not inspected",
        "latent failure",
        "working",
        "working",
    ]


def test_missing_readings_are_bounded_and_said(linked):
    histories, link = linked
    peaks = histories[3].peak_g.copy()
    peaks[:2] = math.nan
    found = judge_latent_link([*histories[:3], replace(histories[3], peak_g=peaks), *histories[4:]])
    missing = found.missing_readings
    assert (missing.drops, missing.devices) == (2, 1)
    assert found.verdict == link.verdict
    assert missing.p_value_if_no_shock < 0.05
    assert missing.p_value_if_largest < 0.05
    assert missing.time_ratio_if_no_shock == pytest.approx(link.per_peak_doubling.ratio, rel=0.1)
    assert "2 drops without a trusted reading" in found.basis
    own = found.per_device[3]
    assert own.drops_without_reading == 2
    assert own.shock_dose < own.shock_dose_likely <= own.shock_dose_upper


def test_a_device_without_any_comparable_reading_is_left_out():
    rows = [history(f"D{i}", [0], [math.nan], [(0, "pass"), (30, "fail")]) for i in range(8)]
    link = judge_latent_link(rows)
    assert link.verdict == "too few"
    assert "8 devices without any comparable reading" in link.basis
    assert link.per_device[0].shock_dose is None


def test_who_may_have_failed_unseen_and_what_a_round_would_teach(linked):
    histories, link = linked
    assert link.next_round.expected_failures == 0.0  # asked on the day of the last look
    later = judge_latent_link(histories, on_day=DAY + 270)
    working = [own for own in later.per_device if own.failed_by_days is None]
    assert later.next_round.devices == len(working)
    assert later.next_round.expected_failures == pytest.approx(
        sum(own.probability_failed_unseen for own in working), rel=1e-9
    )
    assert 0.5 < later.next_round.expected_interval_factor < 1.0
    dropped = sorted((own for own in working if not own.control), key=lambda own: own.shock_dose)
    assert dropped[-1].probability_failed_unseen > dropped[0].probability_failed_unseen
    assert all(
        own.probability_failed_unseen is None
        for own in later.per_device
        if own.failed_by_days is not None
    )


def test_looks_planned_next_teach_more_than_others(linked):
    histories, _ = linked
    on_day = max(float(each.check_day.max()) for each in histories) + 1.0
    told = next_looks(histories, on_day, looks=4, drops=10)
    best = told.plans[0]
    assert len(best.devices) == 4
    factors = [each.expected_interval_factor for each in told.plans]
    assert factors == sorted(factors)
    everything = next_looks(histories, on_day)
    assert everything.plans[0].expected_interval_factor < factors[0]
    assert len(everything.plans[0].devices) == everything.devices
    # The longer one waits, the more failures a round of all devices finds.
    by_day = sorted(everything.plans, key=lambda own: own.inspect_on)
    found = [each.expected_failures for each in by_day]
    assert found == sorted(found)
    assert next_looks(histories[:3], on_day).plans == ()


def test_drops_to_one_in_ten_count_each_exponent_by_its_own_dose(linked):
    histories, link = linked
    study = assemble(histories)
    model = ShockLinkModel(EXPONENT_PRIOR).fit(
        study.lives, study.log_dose(EXPONENTS)[:, study.followed], study.entry
    )
    [kind] = drops_to_ten_percent(study, model, EXPONENTS, 90.0, 0.9)
    peaks = np.concatenate([own.peak_g for own in histories]) / 1000.0
    assert kind.readings == len(peaks)
    by_draw = [
        math.exp(min(log_dose, 700.0)) / np.mean(peaks ** EXPONENTS[row])
        for log_dose, row in zip(model.log_dose_at(0.1, 90.0), model.exponent_, strict=True)
    ]
    assert kind.median == pytest.approx(np.median(by_draw), rel=0.01)  # of an even number
    assert kind.lower < kind.median < kind.upper
    assert link.drops_to_ten_percent[0].readings == kind.readings


def test_being_dropped_at_all_is_told_from_the_dose():
    looks = [14, 30, 60, 90, 180, None]
    rows = [looked_at(f"D{i}", [500.0 + 20 * (i % 13)], looks[i % 6]) for i in range(36)]
    rows += [looked_at(f"C{i}", []) for i in range(12)]
    link = judge_latent_link(rows)
    assert link.verdict == "linked"
    assert link.dose_matters_among_dropped is False
    assert "among the dropped alone, without the controls, it is not shown" in link.sentence


def test_dose_that_matters_among_the_dropped_is_not_hedged(linked):
    _, link = linked
    assert link.dose_matters_among_dropped is True
    assert "among the dropped alone" not in link.sentence


def test_exact_table_needs_no_model():
    rows = [looked_at("D0", [900.0], 30), looked_at("D1", [900.0], 30), looked_at("C0", [])]
    link = judge_latent_link(rows)
    assert link.verdict == "too few"
    table = link.dropped_against_controls
    assert (table.dropped_failed, table.controls_working) == (2, 1)
    assert table.fisher_p_value == pytest.approx(1 / 3)  # of three places, the control's
    assert table.smallest_p_value == pytest.approx(1 / 3)


def test_which_function_goes_first():
    rows = [looked_at(f"T{i}", [900.0 + i], 30, function="touch") for i in range(3)]
    rows += [
        history(
            "both",
            [0],
            [950.0],
            [(0, f, "pass") for f in ("touch", "radios")]
            + [(30, f, "fail") for f in ("touch", "radios")],
        )
    ]
    rows += [looked_at(f"C{i}", [], 60 if i == 0 else None, function="display") for i in range(4)]
    link = judge_latent_link(rows)
    assert link.first_failed_functions == {"touch": 4, "radios": 1}  # the control's apart
    assert (link.latent_failures, link.control_failures) == (4, 1)


def test_a_dose_that_protects_is_not_a_link():
    rows = [looked_at(f"H{i}", [1500.0 + i]) for i in range(10)]
    rows += [looked_at(f"L{i}", [300.0 + i], 30) for i in range(10)]
    link = judge_latent_link(rows)
    assert link.verdict == "not shown"
    assert link.p_value < 0.01
    assert link.time_ratio_per_doubling > 1.0
    assert link.per_peak_doubling.ratio > 1.0


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_entered_gives_probabilities_and_no_warning(seed):
    random = np.random.default_rng(seed)
    rows = []
    for index in range(random.integers(1, 16)):
        drops, checks = int(random.integers(0, 5)), int(random.integers(0, 8))
        rows.append(
            DeviceHistory(
                device=f"D{index}",
                drop_day=np.where(
                    random.random(drops) < 0.1, math.nan, random.integers(0, 30, drops)
                ),
                peak_g=np.where(
                    random.random(drops) < 0.15, math.nan, 10 ** random.uniform(1, 5, drops)
                ),
                drop_height_mm=random.choice([500.0, 1000.0, math.nan], drops),
                check_day=random.integers(-20, 200, checks).astype(float),
                check_function=tuple(
                    random.choice(["touch", "radios", "display"], checks).tolist()
                ),
                check_outcome=tuple(
                    random.choice(
                        ["pass", "fail", "degraded", "not_tested"], checks, p=[0.6, 0.15, 0.1, 0.15]
                    ).tolist()
                ),
            )
        )
    link = judge_latent_link(rows, on_day=400.0)
    for own in link.per_device:
        for chance in (*own.probability_failed_by_day.values(), own.probability_failed_unseen):
            assert chance is None or 0.0 <= chance <= 1.0
        if own.failed_by_days is not None and own.failed_after_days is not None:
            assert 0.0 <= own.failed_after_days < own.failed_by_days
    for value in (link.p_value, link.time_ratio_per_doubling, link.upper, link.log_loss):
        assert value is None or math.isfinite(value)
