"""Ratio of two groups: against Welch, Fieller and mixed models, and its coverage."""

from dataclasses import replace

import naive_ratio
import numpy as np
import pytest
from scipy import stats

from durability.record.errors import UnusableCall
from durability.wear.ratio import Levels, log_ratio

BARE_G = [812.0, 845.0, 798.0, 831.0, 826.0, 807.0]
CASED_G = [118.0, 131.0, 109.0, 125.0, 121.0]


def one_drop_each(n):
    return [f"C{i}" for i in range(n)]


def levels(log_peak, case, orientation=None):
    """Drops brought to one level a case and orientation, with what their scatter leaves open."""
    cells = {}
    for place, peak in enumerate(log_peak):
        where = None if orientation is None else orientation[place]
        cells.setdefault((case[place], where), []).append(peak)
    squares = sum(((np.array(some) - np.mean(some)) ** 2).sum() for some in cells.values())
    within = squares / max(len(log_peak) - len(cells), 1)
    return Levels(
        np.array([np.mean(some) for some in cells.values()]),
        np.diag([within / len(some) for some in cells.values()]),
        np.array([len(some) for some in cells.values()]),
        tuple(str(each) for each, _ in cells),
        None if orientation is None else tuple(where for _, where in cells),
    )


def test_one_drop_a_case_is_welch_on_logs():
    # Independent library: scipy.stats.ttest_ind, equal_var=False. Equal sizes, where the estimated
    # Welch degrees of freedom are always the smaller ones.
    a, b = np.log(BARE_G[:5]), np.log(CASED_G)
    found = log_ratio(levels(a, one_drop_each(5)), levels(b, one_drop_each(5)), 0.9)
    interval = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.9)
    assert np.log([found.lower, found.upper]) == pytest.approx(list(interval), rel=1e-10)
    ratio, lower, upper = naive_ratio.welch_log_interval(BARE_G[:5], CASED_G, 0.9)
    assert (found.ratio, found.lower, found.upper) == pytest.approx((ratio, lower, upper))


def test_near_fieller_when_scatter_is_small():
    # Fieller (1954) is for arithmetic means; at 6 % scatter both differ by less than 1 %.
    sides = (levels(np.log(each), one_drop_each(5)) for each in (BARE_G[:5], CASED_G))
    found = log_ratio(*sides, 0.9)
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
    found = log_ratio(levels(y[a], label[a]), levels(y[b], label[b]))
    assert found.log_ratio == pytest.approx(fit.params[1], abs=1e-8)
    assert found.log_se == pytest.approx(fit.bse[1], rel=1e-4)  # its optimiser stops at 1e-5
    assert found.between_case_log_sd == pytest.approx(np.sqrt(fit.cov_re[0, 0]), rel=1e-3)
    assert found.within_case_log_sd == pytest.approx(np.sqrt(fit.scale), rel=1e-3)


def test_bare_devices_and_cases_are_the_unit_and_drops_are_not():
    y = np.log([101.0, 99.0, 103.0, 130.0, 131.0, 128.0])
    bare = levels(np.log([400.0, 410.0, 395.0]), ["D1", "D2", "D3"])
    two_cases = log_ratio(bare, levels(y, ["A", "A", "A", "B", "B", "B"]))
    six_cases = log_ratio(bare, levels(y, one_drop_each(6)))
    assert (two_cases.cases_a, two_cases.cases_b, six_cases.cases_b) == (3, 2, 6)
    assert two_cases.log_ratio == pytest.approx(six_cases.log_ratio)
    assert two_cases.upper / two_cases.lower > 2 * six_cases.upper / six_cases.lower


def simulated_side(rng, cases, drops, between=0.08, within=0.05):
    owner = np.repeat(np.arange(cases), drops)
    level = rng.normal(0, between, cases)[owner]
    return levels(level + rng.normal(0, within, len(owner)), owner)


@pytest.mark.parametrize(
    ("cases_a", "drops_a", "cases_b", "drops_b"),
    [(2, 5, 2, 5), (3, 5, 3, 5), (5, 5, 5, 2), (1, 10, 2, 5), (1, 6, 5, 5), (1, 5, 3, 5)],
)
def test_stated_90_pct_is_90_pct(cases_a, drops_a, cases_b, drops_b):
    # Between-case scatter of 8 %, within 5 %; where one side has one case both models share their
    # between-case scatter. 400 runs: standard error 1.5 points. Two against two is wide (Welch).
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(400):
        found = log_ratio(
            simulated_side(rng, cases_a, drops_a), simulated_side(rng, cases_b, drops_b), 0.9
        )
        covered += found.lower < 1 < found.upper
    assert 0.86 <= covered / 400 <= 0.97


@pytest.mark.parametrize(("items_a", "items_b"), [(1, 5), (3, 3), (1, 2)])
def test_coverage_when_26_orientations_are_spread_over_few_cases(items_a, items_b):
    # Each orientation is seen once a side, its level differs by 30 %; 300 runs, se 1.7 points.
    rng = np.random.default_rng(12)
    where = [str(i) for i in range(26)]
    covered = 0
    for _ in range(300):
        level = rng.normal(0, 0.3, 26)
        sides = []
        for items in (items_a, items_b):
            owner = rng.permutation(26) % items
            y = level + rng.normal(0, 0.08, items)[owner] + rng.normal(0, 0.05, 26)
            sides.append(levels(y, owner, where))
        found = log_ratio(*sides, 0.9)
        covered += found.lower < 1 < found.upper
    assert 0.85 <= covered / 300 <= 0.97


def test_coverage_within_when_there_is_one_case_a_side():
    # No between-case scatter in truth: then, and only then, the interval holds for the models too.
    rng = np.random.default_rng(13)
    covered = 0
    for _ in range(400):
        found = log_ratio(
            simulated_side(rng, 1, 5, between=0.0), simulated_side(rng, 1, 8, between=0.0)
        )
        covered += found.lower < 1 < found.upper
        assert found.between_case_unknown
    assert 0.86 <= covered / 400 <= 0.94


def test_one_case_a_side_says_that_it_does_not_know():
    rng = np.random.default_rng(3)
    found = log_ratio(simulated_side(rng, 1, 10), simulated_side(rng, 1, 10))
    assert found.between_case_unknown
    assert found.between_case_log_sd is None
    assert found.basis == "1 case against 1, one each: how cases differ is not counted"
    borrowed = log_ratio(simulated_side(rng, 1, 10), simulated_side(rng, 4, 10))
    assert borrowed.between_case_borrowed
    assert not borrowed.between_case_unknown
    assert "taken to vary" in borrowed.basis


@pytest.mark.parametrize(
    ("devices", "cases", "basis"),
    [
        (2, 3, "2 bare devices against 3 cases"),
        (1, 1, "1 bare device against 1 case, one each: how bare devices or cases differ"),
        (1, 2, "1 bare device against 2 cases, one side has one bare device: it is taken"),
        (3, 1, "3 bare devices against 1 case, one side has one case: it is taken"),
    ],
)
def test_bare_drops_are_of_devices_not_of_cases(devices, cases, basis):
    rng = np.random.default_rng(3)
    bare = replace(simulated_side(rng, devices, 10), is_bare=True)
    assert log_ratio(bare, simulated_side(rng, cases, 10)).basis.startswith(basis)


def test_too_little_is_an_answer():
    found = log_ratio(levels(np.log([800.0]), ["D"]), levels(np.log([100.0]), ["A"]))
    assert (found.lower, found.upper, found.log_se, found.df) == (None, None, None, None)
    assert found.ratio == pytest.approx(8.0)
    assert "no scatter to judge by" in found.basis
    same = (levels(np.log([peak] * 4), one_drop_each(4)) for peak in (5.0, 2.0))
    assert log_ratio(*same).lower is None
    # One bare drop of one device: it is taken to vary as cases do.
    cased = levels(np.log([100.0, 104, 111, 113, 95, 99]), list("AABBCC"))
    lone = log_ratio(levels(np.log([800.0]), ["D"]), cased)
    assert lone.lower < lone.ratio < lone.upper


def test_cases_never_differ_less_than_their_drops_leave_open():
    # Two cases that happen to agree, each known to 5 % only.
    alike = Levels(np.array([4.6, 4.6001]), 0.05**2 * np.eye(2), np.array([3, 3]), ("A", "B"))
    bare = Levels(np.array([6.0, 6.0001]), 0.05**2 * np.eye(2), np.array([3, 3]), ("D", "E"))
    found = log_ratio(bare, alike)
    assert found.log_se == pytest.approx(0.05, rel=1e-9)  # √(2 · 0.05² / 2)


def test_what_is_unknown_of_a_cases_wear_is_the_same_in_all_its_orientations():
    # Two cases a side in four orientations each: known to 5 %, the same 5 % throughout a case.
    where, case = tuple("pqrs") * 2, ("A",) * 4 + ("B",) * 4
    shared = np.kron(np.eye(2), np.full((4, 4), 0.05**2))
    level = np.tile([1.0, 2.0, 3.0, 4.0], 2) + 1e-4 * np.arange(8)
    worn = Levels(level, shared, np.ones(8), case, where)
    bare = Levels(level + 1.0, 1e-8 * np.eye(8), np.ones(8), ("D",) * 4 + ("E",) * 4, where)
    # √(0.05² / 2), not √(0.05² / 8).
    assert log_ratio(bare, worn).log_se == pytest.approx(0.05 / np.sqrt(2), rel=1e-3)


def test_scale_order_and_side():
    rng = np.random.default_rng(4)
    case_a, case_b = np.repeat(np.arange(3), 4), np.repeat(np.arange(4), 3)
    a, b = rng.normal(0, 0.08, 12), rng.normal(0, 0.08, 12)
    found = log_ratio(levels(a, case_a), levels(b, case_b))
    order = rng.permutation(len(a))
    shuffled = log_ratio(levels(a[order], case_a[order]), levels(b, case_b))
    assert (shuffled.lower, shuffled.upper) == pytest.approx((found.lower, found.upper))
    scaled = log_ratio(levels(a + np.log(9.80665), case_a), levels(b + np.log(9.80665), case_b))
    assert (scaled.lower, scaled.upper) == pytest.approx((found.lower, found.upper))
    turned = log_ratio(levels(b, case_b), levels(a, case_a))
    assert (1 / turned.upper, 1 / turned.lower) == pytest.approx((found.lower, found.upper))


def test_same_orientation_everywhere_changes_nothing():
    rng = np.random.default_rng(6)
    case = np.repeat(np.arange(3), 4)
    a, b = rng.normal(0, 0.08, 12), rng.normal(0, 0.08, 12)
    plain = log_ratio(levels(a, case), levels(b, case))
    where = ["face 1"] * 12
    blocked = log_ratio(levels(a, case, where), levels(b, case, where), 0.9)
    assert (blocked.lower, blocked.upper) == pytest.approx((plain.lower, plain.upper))


def test_cases_confounded_with_orientations_are_paired():
    # Case i of each side sees orientation i only: what is left is a paired t test, so
    # scipy.stats.ttest_rel must give the same interval.
    rng = np.random.default_rng(8)
    level = rng.normal(0, 0.3, 6)
    a, b = level + rng.normal(0.5, 0.08, 6), level + rng.normal(0, 0.08, 6)
    sides = (levels(each, one_drop_each(6), list("pqrstu")) for each in (a, b))
    found = log_ratio(*sides, 0.9)
    interval = stats.ttest_rel(a, b).confidence_interval(0.9)
    assert np.log([found.lower, found.upper]) == pytest.approx(list(interval), rel=1e-8)


ONE = levels(np.ones(1), ["A"])


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: log_ratio(levels([], []), ONE), "side a has no drops"),
        (lambda: log_ratio(levels([np.nan], ["A"]), ONE), "finite number"),
        (
            lambda: log_ratio(Levels(np.ones(2), np.eye(2), np.ones(2), ("A",)), ONE),
            "1 entries for 2 levels",
        ),
        (lambda: log_ratio(ONE, ONE, 1.0), "between 0 and 1"),
        (
            lambda: log_ratio(
                levels(np.ones(1), ["A"], ["face 1"]), levels(np.ones(1), ["B"], ["face 2"])
            ),
            "on one side only",
        ),
        (lambda: log_ratio(levels(np.ones(1), ["A"], ["face 1"]), ONE), "both sides or for none"),
    ],
)
def test_unusable_calls(call, why):
    with pytest.raises(UnusableCall, match=why):
        call()
