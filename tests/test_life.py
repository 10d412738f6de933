import csv
import math
from itertools import pairwise
from pathlib import Path

import naive_life
import numpy as np
import pytest
from sklearn.isotonic import IsotonicRegression

from durability.life.parametric import LogNormalLife, WeibullLife
from durability.life.turnbull import TurnbullLife, even_hazard, log_rank_scores
from durability.record.errors import DurabilityError, UnusableCall

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"
INF = math.inf
SMALL = [(10, 15), (15, 20), (20, 25), (5, 10), (25, 30), (30, INF), (15, 20), (30, INF)]
MIXED = [(3, 3), (0, 4), (5, 9), (9, 9), (9, INF), (2, 14), (14, INF), (6, 6)]


def rows(name):
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def exact_lives(name, column):
    lives = [
        (float(r[column]), float(r[column]) if r["failed"] == "1" else INF) for r in rows(name)
    ]
    return np.array(lives)


def cosmesis():
    table = rows("interval_breast_cosmesis_94.csv")
    lives = [(float(r["left_months"]), float(r["right_months"] or INF)) for r in table]
    return np.array(lives), np.array([r["treatment"] == "Rad" for r in table])


NIST = exact_lives("life_nist_weibull_type1_censored.csv", "time_h")


# ------------------------------------------------------------------------- published values


@pytest.mark.parametrize(
    ("file", "column", "scale", "shape", "relative"),
    [
        # NIST/SEMATECH e-Handbook 8.4.1.3: 606.5280, 1.7208; its optimiser stops at 1e-6.
        ("life_nist_weibull_type1_censored.csv", "time_h", 606.5280, 1.7208, 3e-5),
        # Lawless's book on Lieblein and Zelen 1956: 81.88, 2.102; printed to four figures.
        ("life_ball_bearings.csv", "life_million_rev", 81.88, 2.102, 1e-4),
        # Nelson 1982 (from memory): 26 296.8 h, 1.0584; printed digits.
        ("life_generator_fans_70units.csv", "time_h", 26296.8, 1.0584, 5e-5),
    ],
)
def test_weibull_of_published_lives(file, column, scale, shape, relative):
    life = WeibullLife().fit(exact_lives(file, column))
    assert life.scale_ == pytest.approx(scale, rel=relative)
    assert life.shape_ == pytest.approx(shape, rel=relative)


def test_nist_example_likelihood_aic_mean_and_wald_interval():
    # NIST/SEMATECH e-Handbook 8.4.1.3: 75.135 (without its minus sign), AIC 154.27 and log-normal
    # 154.39, mean 540.737; tolerances are the printed digits.
    life = WeibullLife().fit(NIST)
    assert life.log_likelihood_ == pytest.approx(-75.135, abs=5e-4)
    assert 2 * 2 - 2 * life.log_likelihood_ == pytest.approx(154.27, abs=5e-3)
    log_normal = LogNormalLife().fit(NIST)
    assert 2 * 2 - 2 * log_normal.log_likelihood_ == pytest.approx(154.39, abs=5e-3)
    mean = life.scale_ * math.gamma(1 + 1 / life.shape_)
    assert mean == pytest.approx(540.737, abs=2e-3)
    # Wald 95 % on the log scale, from the observed information, by arithmetic on the above.
    scale_se, shape_se = np.sqrt(np.diag(life.covariance_))
    half = 1.959964 * np.array([-1, 1])
    np.testing.assert_allclose(life.scale_ * np.exp(half * scale_se), (405.1, 908.1), atol=0.05)
    np.testing.assert_allclose(life.shape_ * np.exp(half * shape_se), (0.971, 3.049), atol=5e-4)


def test_ball_bearings_log_normal():
    # Recomputed with scipy 1.17.1 from the closed form: mean and sd (n) of the logarithms.
    life = LogNormalLife().fit(exact_lives("life_ball_bearings.csv", "life_million_rev"))
    assert (life.location_, math.exp(life.log_scale_)) == pytest.approx(
        (4.150383, 0.521687), abs=2e-6
    )
    assert life.log_likelihood_ == pytest.approx(-113.12855, abs=2e-5)


def test_interval_censored_weibull_small_case():
    # Derived by hand-set simplex search, repeated below by the naive twin.
    life = WeibullLife().fit(np.array(SMALL))
    assert (life.shape_, life.scale_) == pytest.approx((2.25953, 25.44211), abs=1e-5)
    assert life.log_likelihood_ == pytest.approx(-14.3164761, abs=1e-7)


RADIOTHERAPY = {
    (4, 5): 0.0463,
    (6, 7): 0.0334,
    (7, 8): 0.0887,
    (11, 12): 0.0708,
    (24, 25): 0.0926,
    (33, 34): 0.0818,
    (38, 40): 0.1209,
    (46, 48): 0.4656,
}
WITH_CHEMOTHERAPY = {
    (4, 5): 0.0433,
    (5, 8): 0.0433,
    (11, 12): 0.0692,
    (16, 17): 0.1454,
    (18, 19): 0.1411,
    (19, 20): 0.1157,
    (24, 25): 0.0999,
    (30, 31): 0.0709,
    (35, 36): 0.1608,
    (44, 48): 0.0552,
    (48, 60): 0.0552,
}


@pytest.mark.parametrize(
    ("radiotherapy", "masses"), [(True, RADIOTHERAPY), (False, WITH_CHEMOTHERAPY)]
)
def test_turnbull_of_breast_cosmesis(radiotherapy, masses):
    # Data Finkelstein & Wolfe 1985; masses as printed by Fay & Shaw 2010, J. Stat. Softw. 36.
    lives, group = cosmesis()
    curve = TurnbullLife().fit(lives[group == radiotherapy])
    found = {(int(a), int(b)): m for (a, b), m in zip(curve.intervals_, curve.mass_, strict=True)}
    assert found == pytest.approx(masses, abs=5.1e-5)  # printed to four digits
    if radiotherapy:
        assert curve.log_likelihood_ == pytest.approx(-58.06002, abs=1e-5)


def test_score_test_of_breast_cosmesis():
    # Fay & Shaw 2010: score statistic 9.944182, permutation Z 2.6839; printed digits.
    lives, radiotherapy = cosmesis()
    score = log_rank_scores(lives)
    assert score[~radiotherapy].sum() == pytest.approx(9.944182, abs=2e-6)
    away = radiotherapy - radiotherapy.mean()
    variance = (score**2).sum() * (away**2).sum() / (len(score) - 1)
    assert abs(score @ away) / math.sqrt(variance) == pytest.approx(2.6839, abs=5e-5)


def test_turnbull_small_case_in_fractions():
    # Derived by hand: 4/21, 8/21, 3/14, 3/14.
    lives = [(0, 5), (5, 10), (5, 10), (10, INF), (10, 20), (20, INF), (0, 10)]
    curve = TurnbullLife().fit(np.array(lives))
    assert curve.intervals_.tolist() == [[0, 5], [5, 10], [10, 20], [20, INF]]
    np.testing.assert_allclose(curve.mass_, [4 / 21, 8 / 21, 3 / 14, 3 / 14], atol=1e-7)
    assert curve.log_likelihood_ == pytest.approx(-8.0761936, abs=1e-7)


def test_turnbull_of_heat_exchanger_tubes():
    # Meeker & Escobar 1998 (from memory): .0133, .0384, .0582; printed to four digits.
    table = rows("interval_heat_exchanger_300tubes.csv")
    lives = [
        (float(r["left_years"]), float(r["right_years"] or INF))
        for r in table
        for _ in range(int(r["count"]))
    ]
    lower, upper = TurnbullLife().fit(np.array(lives)).survival(np.array([1.0, 2.0, 3.0]))
    np.testing.assert_allclose(1 - upper, [0.0133, 0.0384, 0.0582], atol=5e-5)
    np.testing.assert_allclose(lower, upper, atol=1e-12)  # years are ends of boxes


@pytest.mark.parametrize(
    ("model", "location", "effect", "log_scale", "log_likelihood", "effect_se"),
    [
        # Recomputed with lifelines 0.30.3 (its search stops within 1e-5).
        (WeibullLife, 3.3317270, 0.5675463, -0.4791026, -143.3208271, 0.1757290),
        # The same, with 1e-9 months for visits at 0, which it refuses.
        (LogNormalLife, 3.1268707, 0.4210092, -0.1254027, -146.6223320, 0.2031904),
    ],
)
def test_regression_on_breast_cosmesis(
    model, location, effect, log_scale, log_likelihood, effect_se
):
    lives, radiotherapy = cosmesis()
    life = model().fit(lives, radiotherapy[:, None])
    assert life.location_ == pytest.approx(location, abs=2e-5)
    assert life.coef_[0] == pytest.approx(effect, abs=2e-5)
    assert life.log_scale_ == pytest.approx(log_scale, abs=2e-5)
    assert life.log_likelihood_ == pytest.approx(log_likelihood, abs=1e-6)
    assert math.sqrt(life.covariance_[1, 1]) == pytest.approx(effect_se, abs=2e-5)


def test_turbine_wheels_looked_at_once():
    """Failure known as before or after one look: what `latent` has of a device with one look."""
    # Data Nelson 1982. With one look each, the curve is the isotonic regression of the shares
    # (Ayer et al. 1955); Weibull and log-normal recomputed with R's survival 3.5-3.
    table = [[int(r[c]) for c in r] for r in rows("interval_turbine_wheels_432.csv")]
    age, inspected, cracked = np.array(table, dtype=float).T
    lives = np.array(
        [
            life
            for at, seen, found in table
            for life in [(0, at)] * found + [(at, INF)] * (seen - found)
        ],
        dtype=float,
    )
    by = IsotonicRegression().fit_transform(age, cracked / inspected, sample_weight=inspected)
    lower, upper = TurnbullLife().fit(lives).survival(age)
    np.testing.assert_allclose(1 - lower, by, atol=1e-6)
    np.testing.assert_allclose(1 - upper, by, atol=1e-6)
    for model, location, scale, log_likelihood in (
        (WeibullLife, 3.8453965514, 0.4596053102, -189.2871934),
        (LogNormalLife, 3.6999076694, 0.7198857213, -190.7315495),
    ):
        life = model().fit(lives)
        found = life.location_, math.exp(life.log_scale_), life.log_likelihood_
        assert found == pytest.approx((location, scale, log_likelihood), rel=1e-7)


def test_turbine_parts_looked_at_eight_times():
    # Nelson 1982, as in the example of readout data of a statistics program's handbook (from
    # memory): Weibull scale 71.6904 months, shape 1.4854; recomputed with R's survival 3.5-3.
    lives = [
        (float(r["left_months"]), float(r["right_months"] or INF))
        for r in rows("interval_turbine_parts_167.csv")
        for _ in range(int(r["count"]))
    ]
    life = WeibullLife().fit(np.array(lives))
    assert (life.scale_, life.shape_) == pytest.approx((71.6904, 1.4854), abs=5e-5)


def test_regression_on_glass_capacitors():
    # Meeker & Escobar 1998 on Zelen 1959 (from memory): 13.41, -.02892, -.005911, .3646; here as
    # R's survival 3.5-3 has it: coefficients, scale, log likelihood and standard errors.
    table = rows("life_glass_capacitors_64.csv")
    lives = exact_lives("life_glass_capacitors_64.csv", "time_h")
    stress = np.array([[float(r["temperature_c"]), float(r["voltage_v"])] for r in table])
    life = WeibullLife().fit(lives, stress)
    found = [life.location_, *life.coef_, math.exp(life.log_scale_), life.log_likelihood_]
    expected = [13.40701688, -0.02890466269, -0.005910819504, 0.363809181, -244.2423433]
    assert found == pytest.approx(expected, rel=2e-6)
    errors = [2.295837783, 0.01289695258, 0.001039792686, 0.1523409748]
    assert np.sqrt(np.diag(life.covariance_)) == pytest.approx(errors, rel=1e-5)


# --------------------------------------------------------------------- slow twins and identities


@pytest.mark.parametrize("lives", [SMALL, MIXED])
@pytest.mark.parametrize("model", [WeibullLife, LogNormalLife])
def test_same_as_a_simplex_search_on_scipys_distributions(model, lives):
    life = model().fit(np.array(lives))
    location, scale, log_likelihood = naive_life.fit(lives, model.family.name)
    assert life.location_ == pytest.approx(location, abs=1e-5)  # where a simplex stops
    assert math.exp(life.log_scale_) == pytest.approx(scale, abs=1e-5)
    assert life.log_likelihood_ == pytest.approx(log_likelihood, abs=1e-8)


@pytest.mark.parametrize("model", [WeibullLife, LogNormalLife])
def test_unit_of_time_and_order_do_not_matter(model):
    lives = np.array(SMALL)
    life, hours = model().fit(lives), model().fit(lives[::-1] * 24.0)
    assert hours.location_ == pytest.approx(life.location_ + math.log(24.0), abs=1e-9)
    assert hours.log_scale_ == pytest.approx(life.log_scale_, abs=1e-9)


@pytest.mark.parametrize("model", [WeibullLife, LogNormalLife])
def test_survival_follows_covariates(model):
    lives, radiotherapy = cosmesis()
    life = model().fit(lives, radiotherapy[:, None])
    times = np.array([5.0, 25.0, 70.0])
    zeros = np.zeros((3, 1))
    base = life.survival(times, zeros)
    assert np.all(np.diff(base) < 0)
    stretched = times * math.exp(life.coef_[0])
    np.testing.assert_allclose(life.survival(stretched, zeros + 1), base, rtol=1e-12)
    with pytest.raises(UnusableCall, match="1 covariates"):
        life.survival(times)


@pytest.mark.parametrize("lives", [SMALL, [(a, b) for a, b in MIXED if a < b]])
def test_turnbull_same_maximum_as_plain_self_consistency(lives):
    curve = TurnbullLife().fit(np.array(lives))
    plain = naive_life.turnbull_log_likelihood(lives)
    assert curve.log_likelihood_ == pytest.approx(plain, abs=2e-3)  # self-consistency crawls
    assert curve.log_likelihood_ >= plain - 1e-9


def test_turnbull_of_exact_lives_is_kaplan_meier():
    _, upper = TurnbullLife().fit(NIST).survival(np.array([53.0, 54.0, 300.0, 386.0, 499.0]))
    expected = [
        naive_life.kaplan_meier(NIST[:, 0], np.isfinite(NIST[:, 1]), t)
        for t in (53.0, 54.0, 300.0, 386.0, 499.0)
    ]
    np.testing.assert_allclose(upper, expected, atol=1e-9)


def test_a_life_censored_when_another_ends_lasts_beyond_it():
    curve = TurnbullLife().fit(np.array([(5, 5), (5, INF), (3, 3)]))
    lower, upper = curve.survival(np.array([3.0, 5.0]))
    np.testing.assert_allclose(upper, [2 / 3, 1 / 3], atol=1e-9)
    np.testing.assert_allclose(lower, upper, atol=1e-9)
    later, _ = curve.survival(np.array([5.1]))
    assert later[0] == pytest.approx(0.0, abs=1e-9)  # the survivor may fail at any time from now


def test_curve_is_a_box_inside_an_interval_and_scores_sum_to_zero():
    curve = TurnbullLife().fit(np.array(SMALL))
    lower, upper = curve.survival(np.array([17.0]))
    assert upper[0] - lower[0] == pytest.approx(2 / 8, abs=1e-9)
    for lives in (SMALL, MIXED):
        assert log_rank_scores(np.array(lives)).sum() == pytest.approx(0.0, abs=1e-6)


def test_scores_of_exact_lives_are_nelson_aalen_residuals():
    # Without ties a score is the logarithm of the curve's integral form; for the first of many
    # failures it is near 1 minus its small cumulative hazard.
    lives = np.column_stack([np.arange(1.0, 201.0)] * 2)
    score = log_rank_scores(lives)
    assert score[0] == pytest.approx(1 - 1 / 200, abs=3e-3)
    assert all(later < earlier for earlier, later in pairwise(score))


def test_late_entry_lowers_what_was_survived():
    plain = log_rank_scores(np.array(SMALL))
    late = log_rank_scores(np.array(SMALL), entry=np.array([10, 0, 0, 0, 0, 0, 0, 0]))
    # P(T > 10) is 7/8: one of eight failed by then.
    assert late[0] - plain[0] == pytest.approx(-math.log(7 / 8), abs=1e-9)
    np.testing.assert_allclose(late[1:], plain[1:], atol=1e-12)


# --------------------------------------------------------------------------- degenerate inputs


@pytest.mark.parametrize("model", [WeibullLife, LogNormalLife])
@pytest.mark.parametrize(
    ("lives", "says"),
    [
        ([(5, INF), (9, INF)], "0 of 2 lives failed"),
        ([(7, 7), (7, 7)], "2 of 2 lives failed, and all may have failed at one time"),
        ([(0, 5), (3, INF), (2, 9)], "between 3 and 5"),
        ([(5, 5)], "1 of 1 lives failed"),
        ([(0, 5), (0, 5), (5, INF), (9, INF)], "2 of 4 lives failed"),
    ],
)
def test_too_little_is_said_with_its_count(model, lives, says):
    with pytest.raises(DurabilityError, match=says):
        model().fit(np.array(lives, dtype=float))


def test_a_covariate_that_tells_all_is_refused():
    lives = np.array([(1, 2), (2, 3), (1, 3), (9, INF), (9, INF), (9, INF)])
    with pytest.raises(DurabilityError, match="no maximum"):
        WeibullLife().fit(lives, np.array([[0.0]] * 3 + [[1.0]] * 3))


def test_even_hazard_by_hand():
    # Three at risk over (0, 10]; the end of the first is spread over it, so one half of it is at
    # risk on the mean. Then two, one of which ends in (10, 20], seen from day 10.
    lives = np.array([(0, 10), (20, INF), (10, 20)])
    found = even_hazard(lives, np.zeros(3))
    first, second = 1 / 2.5, 1 / 1.5
    np.testing.assert_allclose(found.cumulative, [0.0, first, first + second])
    np.testing.assert_allclose(
        found.scores, [1 - first / 2, -first - second, 1 - first - second / 2]
    )
    # One that comes on day 10 was never at risk before.
    late = even_hazard(lives, np.array([0.0, 10.0, 0.0]))
    assert late.cumulative[1] == pytest.approx(1 / 1.5)
    assert late.scores[1] == pytest.approx(-second)
    assert late.scores.sum() == pytest.approx(0.0, abs=1e-12)


def test_a_survivor_last_seen_a_day_short_still_counts():
    lives = np.array([(14, 30)] * 3 + [(29, INF)] * 3)
    score = even_hazard(lives, np.zeros(6)).scores
    assert (score[3:] < -0.3).all()
    assert np.abs(log_rank_scores(lives)[3:]).max() < 1e-9  # by Turnbull's curve it does not


@pytest.mark.parametrize("estimator", [WeibullLife, LogNormalLife, TurnbullLife])
@pytest.mark.parametrize(
    "lives",
    [
        np.empty((0, 2)),
        [1.0, 2.0],
        [(1, 2, 3)],
        [(5, 4)],
        [(-1, 4)],
        [(math.nan, 4)],
        [(1, math.nan)],
        [(INF, INF)],
        [(0, 0)],
    ],
)
def test_nonsense_is_refused(estimator, lives):
    with pytest.raises(UnusableCall):
        estimator().fit(np.array(lives))


def test_wrong_covariates_are_refused():
    with pytest.raises(UnusableCall, match="8 rows"):
        WeibullLife().fit(np.array(SMALL), np.zeros((3, 1)))
    with pytest.raises(UnusableCall, match="finite"):
        WeibullLife().fit(np.array(SMALL), np.full((8, 1), math.nan))


def test_a_censored_majority_and_a_wide_spread_are_fitted():
    # One failure and a survivor of the same age, thousands of hours: still a finite answer.
    life = WeibullLife().fit(np.array([(100, 100), (4000, 4000)] + [(5000, INF)] * 30))
    assert life.n_failed_ == 2
    assert 5000 < life.scale_ < 1e12
    assert life.shape_ == pytest.approx(1 / math.exp(life.log_scale_))
