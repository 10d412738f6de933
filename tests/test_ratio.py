"""Ratio of two groups: against Welch, Fieller and mixed models, and its coverage."""

import naive_ratio
import numpy as np
import pytest
from scipy import stats

from durability.record.errors import UnusableCall
from durability.wear.ratio import log_ratio

BARE_G = [812.0, 845.0, 798.0, 831.0, 826.0, 807.0]
CASED_G = [118.0, 131.0, 109.0, 125.0, 121.0]


def one_drop_each(n):
    return [f"C{i}" for i in range(n)]


def test_one_drop_a_case_is_welch_on_logs():
    # Independent library: scipy.stats.ttest_ind, equal_var=False. Equal sizes, where the estimated
    # Welch degrees of freedom are always the smaller ones.
    a, b = np.log(BARE_G[:5]), np.log(CASED_G)
    found = log_ratio(a, one_drop_each(5), b, one_drop_each(5), level=0.9)
    interval = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.9)
    assert np.log([found.lower, found.upper]) == pytest.approx(list(interval), rel=1e-10)
    ratio, lower, upper = naive_ratio.welch_log_interval(BARE_G[:5], CASED_G, 0.9)
    assert (found.ratio, found.lower, found.upper) == pytest.approx((ratio, lower, upper))


def test_near_fieller_when_scatter_is_small():
    # Fieller (1954) is for arithmetic means; at 6 % scatter both differ by less than 1 %.
    found = log_ratio(np.log(BARE_G[:5]), None, np.log(CASED_G), one_drop_each(5), level=0.9)
    ratio, lower, upper = naive_ratio.fieller_interval(BARE_G[:5], CASED_G, 0.9)
    assert found.ratio == pytest.approx(ratio, rel=0.01)
    assert found.lower == pytest.approx(lower, rel=0.01)
    assert found.upper == pytest.approx(upper, rel=0.01)


def test_balanced_cases_agree_with_a_mixed_model():
    # Independent library: statsmodels MixedLM, REML, case as random intercept. Equal numbers of
    # cases and drops, so one pooled between-case variance gives the same standard error.
    import statsmodels.api as sm

    rng = np.random.default_rng(7)
    case = np.repeat(np.arange(8), 6)
    side = (case < 4).astype(float)
    y = 4.5 + 0.6 * side + rng.normal(0, 0.3, 8)[case] + rng.normal(0, 0.05, 48)
    fit = sm.MixedLM(y, sm.add_constant(side), groups=case).fit(reml=True)
    label = np.array([f"C{i}" for i in case])
    a, b = side == 1, side == 0
    found = log_ratio(y[a], label[a], y[b], label[b])
    assert found.log_ratio == pytest.approx(fit.params[1], abs=1e-8)
    assert found.log_se == pytest.approx(fit.bse[1], rel=1e-4)  # its optimiser stops at 1e-5
    assert found.between_case_log_sd == pytest.approx(np.sqrt(fit.cov_re[0, 0]), rel=1e-3)
    assert found.within_case_log_sd == pytest.approx(np.sqrt(fit.scale), rel=1e-3)


def test_bare_drops_are_their_own_unit_and_cases_are_not():
    y = np.log([101.0, 99.0, 103.0, 130.0, 131.0, 128.0])
    bare = np.log([400.0, 410.0, 395.0])
    two_cases = log_ratio(bare, None, y, ["A", "A", "A", "B", "B", "B"])
    six_cases = log_ratio(bare, None, y, one_drop_each(6))
    assert (two_cases.cases_a, two_cases.cases_b, six_cases.cases_b) == (0, 2, 6)
    assert two_cases.log_ratio == pytest.approx(six_cases.log_ratio)
    assert two_cases.upper / two_cases.lower > 2 * six_cases.upper / six_cases.lower


def simulated_side(rng, cases, drops, between=0.08, within=0.05):
    if cases == 0:
        return rng.normal(0, within, drops), None
    owner = np.repeat(np.arange(cases), drops)
    level = rng.normal(0, between, cases)[owner]
    return level + rng.normal(0, within, len(owner)), owner.astype(str)


@pytest.mark.parametrize(
    ("cases_a", "drops_a", "cases_b", "drops_b"),
    [(2, 5, 2, 5), (3, 5, 3, 5), (5, 5, 5, 2), (0, 10, 2, 5), (0, 6, 5, 5), (1, 5, 3, 5)],
)
def test_stated_90_pct_is_90_pct(cases_a, drops_a, cases_b, drops_b):
    # Between-case scatter of 8 %, within 5 %; where one side has one case both models share their
    # between-case scatter. 400 runs: standard error 1.5 points. Two against two is wide (Welch).
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(400):
        found = log_ratio(
            *simulated_side(rng, cases_a, drops_a), *simulated_side(rng, cases_b, drops_b), 0.9
        )
        covered += found.lower < 1 < found.upper
    assert 0.86 <= covered / 400 <= 0.97


@pytest.mark.parametrize(("items_a", "items_b"), [(0, 5), (3, 3), (0, 2)])
def test_coverage_when_26_orientations_are_spread_over_few_cases(items_a, items_b):
    # Each orientation is seen once a side, its level differs by 30 %; 300 runs, se 1.7 points.
    rng = np.random.default_rng(12)
    where = [str(i) for i in range(26)]
    covered = 0
    for _ in range(300):
        level = rng.normal(0, 0.3, 26)
        sides = []
        for items in (items_a, items_b):
            owner = rng.permutation(26) % max(items, 1)
            between = rng.normal(0, 0.08, max(items, 1))[owner] if items else 0.0
            y = level + between + rng.normal(0, 0.05, 26)
            sides += [y, owner.astype(str) if items else None]
        found = log_ratio(*sides, 0.9, where, where)
        covered += found.lower < 1 < found.upper
    assert 0.85 <= covered / 300 <= 0.97


def test_coverage_within_when_there_is_one_case_a_side():
    # No between-case scatter in truth: then, and only then, the interval holds for the models too.
    rng = np.random.default_rng(13)
    covered = 0
    for _ in range(400):
        found = log_ratio(
            *simulated_side(rng, 1, 5, between=0.0), *simulated_side(rng, 1, 8, between=0.0)
        )
        covered += found.lower < 1 < found.upper
        assert found.between_case_unknown
    assert 0.86 <= covered / 400 <= 0.94


def test_one_case_a_side_says_that_it_does_not_know():
    rng = np.random.default_rng(3)
    found = log_ratio(*simulated_side(rng, 1, 10), *simulated_side(rng, 1, 10))
    assert found.between_case_unknown
    assert found.between_case_log_sd is None
    assert found.basis == "10 drops of 1 case against 10 drops of 1 case; " + (
        "scatter between cases unknown"
    )
    borrowed = log_ratio(*simulated_side(rng, 1, 10), *simulated_side(rng, 4, 10))
    assert borrowed.between_case_borrowed
    assert not borrowed.between_case_unknown
    assert "taken to differ" in borrowed.basis


def test_too_little_is_an_answer():
    found = log_ratio(np.log([800.0]), None, np.log([100.0]), ["A"])
    assert (found.lower, found.upper, found.log_se, found.df) == (None, None, None, None)
    assert found.ratio == pytest.approx(8.0)
    assert "no scatter to judge by" in found.basis
    same = log_ratio(np.log([5.0] * 4), one_drop_each(4), np.log([2.0] * 4), one_drop_each(4))
    assert same.lower is None
    # One bare drop: its scatter is taken from the drops within cases.
    lone = log_ratio(np.log([800.0]), None, np.log([100.0, 104, 111, 113, 95, 99]), list("AABBCC"))
    assert lone.lower < lone.ratio < lone.upper


def test_scale_order_and_side():
    rng = np.random.default_rng(4)
    a, case_a = simulated_side(rng, 3, 4)
    b, case_b = simulated_side(rng, 4, 3)
    found = log_ratio(a, case_a, b, case_b)
    order = rng.permutation(len(a))
    shuffled = log_ratio(a[order], case_a[order], b, case_b)
    assert (shuffled.lower, shuffled.upper) == pytest.approx((found.lower, found.upper))
    scaled = log_ratio(a + np.log(9.80665), case_a, b + np.log(9.80665), case_b)
    assert (scaled.lower, scaled.upper) == pytest.approx((found.lower, found.upper))
    turned = log_ratio(b, case_b, a, case_a)
    assert (1 / turned.upper, 1 / turned.lower) == pytest.approx((found.lower, found.upper))


def test_same_orientation_everywhere_changes_nothing():
    rng = np.random.default_rng(6)
    a, case_a = simulated_side(rng, 3, 4)
    b, case_b = simulated_side(rng, 3, 4)
    plain = log_ratio(a, case_a, b, case_b)
    blocked = log_ratio(a, case_a, b, case_b, 0.9, ["face 1"] * 12, ["face 1"] * 12)
    assert (blocked.lower, blocked.upper) == pytest.approx((plain.lower, plain.upper))


def test_cases_confounded_with_orientations_are_paired():
    # Case i of each side sees orientation i only: what is left is a paired t test, so
    # scipy.stats.ttest_rel must give the same interval.
    rng = np.random.default_rng(8)
    level = rng.normal(0, 0.3, 6)
    a, b = level + rng.normal(0.5, 0.08, 6), level + rng.normal(0, 0.08, 6)
    found = log_ratio(a, one_drop_each(6), b, one_drop_each(6), 0.9, list("pqrstu"), list("pqrstu"))
    interval = stats.ttest_rel(a, b).confidence_interval(0.9)
    assert np.log([found.lower, found.upper]) == pytest.approx(list(interval), rel=1e-8)


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: log_ratio(np.array([]), None, np.ones(2), None), "side a has no drops"),
        (lambda: log_ratio(np.array([np.nan]), None, np.ones(2), None), "number above 0"),
        (lambda: log_ratio(np.ones(2), ["A"], np.ones(2), None), "1 labels for 2 drops"),
        (lambda: log_ratio(np.ones(2), None, np.ones(2), None, 1.0), "between 0 and 1"),
        (
            lambda: log_ratio(np.ones(1), None, np.ones(1), None, 0.9, ["face 1"], ["face 2"]),
            "on one side only",
        ),
        (
            lambda: log_ratio(np.ones(1), None, np.ones(1), None, 0.9, ["face 1"]),
            "both sides or for none",
        ),
    ],
)
def test_unusable_calls(call, why):
    with pytest.raises(UnusableCall, match=why):
        call()
