"""Detection of wear: published values, slow twins, stated error rates, degenerate series."""

import csv
import os
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import naive_trend
import numpy as np
import pymannkendall
import pytest
from scipy import stats

from durability.record import basis
from durability.record.records import DropHistory
from durability.wear import null_table
from durability.wear.alarm import (
    FIRST_LOOK,
    alarm_bound,
    alarm_looks,
    e_discoveries,
    log_e_values,
    running_scores,
)
from durability.wear.fitting import fit_wear
from durability.wear.kendall import (
    interval_rank,
    mann_kendall,
    null_upper_tail,
    slopes_of_long_series,
    theil_sen,
)
from durability.wear.results import discoveries
from durability.wear.rise_evidence import (
    log_odds_goes_on,
    rise_evidence,
    rise_paths,
    rise_shapes,
)
from durability.wear.serial import serial_correlations
from durability.wear.verdict import (
    judge_block,
    judge_trends,
    smallest_p,
    tail_probability,
    with_q_values,
)

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"


def published(name, column):
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return np.array([float(row[column]) for row in csv.DictReader(file)])


def outside(name):
    """Rows of a data set whose licence keeps it out of this repository."""
    folder = os.environ.get("DURABILITY_OUTSIDE_DATA")
    if not folder:
        pytest.skip("DURABILITY_OUTSIDE_DATA names no folder with the outside data (CC BY-SA 4.0)")
    with (Path(folder) / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def history(peak_g, drop_number=None, **more):
    peak_g = np.asarray(peak_g, dtype=float)
    if drop_number is None:
        drop_number = np.arange(1, len(peak_g) + 1)
    drop_number = np.asarray(drop_number, dtype=np.int64)
    last = int(drop_number.max()) if len(drop_number) else 0
    facts = {"series": "S1", "case": "C-04", "case_model": None} | more
    facts = {"drops": last, "last_drop_number": last} | facts
    return DropHistory(drop_number=drop_number, peak_g=peak_g, **facts)


def trend(peak_g, drop_number=None, **more):
    return judge_trends([history(peak_g, drop_number, **more)])[0]


def scattered(seed, shape, size=0.04):
    return size * np.random.default_rng(seed).standard_normal(shape)


# --------------------------------------------------------------------- Mann-Kendall, Theil-Sen


@pytest.mark.parametrize(
    ("n", "smallest_s", "probability"),
    [
        # Gilbert (1987), Statistical Methods, table A18: smallest S with P(S >= s) at most 5 %,
        # one-sided; probabilities to the printed digits.
        (4, 6, 0.0417),
        (5, 8, 0.0417),
        (6, 11, 0.0278),
        (7, 13, 0.0345),
        (8, 16, 0.0305),
        (9, 18, 0.0376),
        (10, 21, 0.0363),
        (11, 23, 0.0433),
        (12, 26, 0.0432),
    ],
)
def test_exact_table(n, smallest_s, probability):
    upper = null_upper_tail(n)
    pairs = n * (n - 1) // 2
    at = (smallest_s + pairs) // 2
    assert upper[at] == pytest.approx(probability, abs=5e-5)
    assert upper[at - 1] > 0.05


def test_three_drops_show_nothing():
    """Gilbert (1987): with n = 3 even S = 3 has P = 1/6."""
    found = mann_kendall([[1.0, 2.0, 3.0]])
    assert found.p_rise[0] == pytest.approx(1 / 6, rel=1e-12)
    assert found.smallest_p_rise == pytest.approx(1 / 6, rel=1e-12)


@pytest.mark.parametrize("n", [4, 5, 6, 7])
def test_null_distribution_by_going_through_all_orders(n):
    upper = null_upper_tail(n)
    pairs = n * (n - 1) // 2
    for s, probability in naive_trend.kendall_upper_tail(n).items():
        assert upper[(s + pairs) // 2] == pytest.approx(probability, abs=1e-12)


def test_s_agrees_with_the_slow_twin_ties_included():
    readings = np.random.default_rng(3).integers(90, 99, (40, 11)).astype(float)
    assert mann_kendall(readings).s.tolist() == [
        naive_trend.kendall_s(row) for row in readings.tolist()
    ]


def test_tied_and_long_series_agree_with_pymannkendall():
    generator = np.random.default_rng(5)
    for readings in (generator.integers(90, 99, (6, 20)).astype(float), generator.random((4, 60))):
        found = mann_kendall(readings)
        for row, reading in enumerate(readings):
            peer = pymannkendall.original_test(reading)
            assert found.s[row] == peer.s
            assert found.variance[row] == pytest.approx(peer.var_s, rel=1e-12)
            # The same normal form: only rounding differs.
            assert found.p_either[row] == pytest.approx(peer.p, abs=1e-9)


def test_exact_p_agrees_with_scipy_kendalltau():
    readings = np.random.default_rng(6).random((5, 9))
    found = mann_kendall(readings)
    for row, reading in enumerate(readings):
        peer = stats.kendalltau(np.arange(9), reading, method="exact")
        assert found.p_either[row] == pytest.approx(peer.pvalue, abs=1e-12)


def test_rhine_flow_and_sediment():
    """Vignette of CRAN trend 1.1.6: flow S = -144, var 10450, p 0.1619; sediment z -3.8445, p
    0.0001208, Sen slope -0.2876139, 95 % interval (-0.4196477, -0.1519026). Printed digits."""
    flow = mann_kendall(published("trend_rhine_sediment_45yr.csv", "discharge_m3_per_s")[None])
    assert flow.s[0] == -144
    assert flow.variance[0] == pytest.approx(10450, rel=1e-12)
    assert flow.p_either[0] == pytest.approx(0.1619, abs=5e-5)
    sediment = published("trend_rhine_sediment_45yr.csv", "suspended_sediment_mg_per_L")[None]
    assert mann_kendall(sediment).p_either[0] == pytest.approx(0.0001208, abs=5e-8)
    slope = theil_sen(np.arange(45), sediment)
    assert slope.slope[0] == pytest.approx(-0.2876139, abs=5e-8)
    assert slope.lower[0] == pytest.approx(-0.4196477, abs=5e-8)
    assert slope.upper[0] == pytest.approx(-0.1519026, abs=5e-8)


def test_cloud_seeding_example():
    """Hollander & Wolfe, Nonparametric Statistical Methods, chapter 9 (values from memory):
    slope -0.0563; 91.67 % interval (-0.13, 0.01), 98.33 % interval (-0.15, 0.04)."""
    seeding = [[1.26, 1.27, 1.12, 1.16, 1.03]]
    narrow = theil_sen(range(1, 6), seeding, 0.90)
    wide = theil_sen(range(1, 6), seeding, 0.95)
    assert narrow.slope[0] == pytest.approx(-0.05625, abs=1e-12)
    assert (narrow.lower[0], narrow.upper[0]) == pytest.approx((-0.13, 0.01), abs=1e-12)
    assert narrow.content == pytest.approx(0.9167, abs=5e-5)
    assert (wide.lower[0], wide.upper[0]) == pytest.approx((-0.15, 0.04), abs=1e-12)
    assert wide.content == pytest.approx(0.9833, abs=5e-5)
    assert mann_kendall(seeding).s[0] == -6
    assert mann_kendall(-np.array(seeding)).p_rise[0] == pytest.approx(14 / 120, rel=1e-12)


@pytest.mark.parametrize(
    ("n", "rank", "content"),
    [
        (5, 1, 0.9833),
        (6, 2, 0.9833),
        (7, 4, 0.9698),
        (8, 6, 0.9688),
        (9, 9, 0.9554),
        (10, 12, 0.9534),
        (11, 15, 0.9595),
        (12, 19, 0.9553),
    ],
)
def test_ranks_of_the_interval(n, rank, content):
    """Recomputed from the exact distribution, Hollander & Wolfe's rule; printed digits."""
    found = interval_rank(n, 0.95)
    assert found[0] == rank
    assert found[1] == pytest.approx(content, abs=5e-5)


def test_four_drops_have_no_95_interval():
    """Two-sided 1 - 2/24 = 0.917 is the most that four drops give."""
    found = theil_sen(range(4), [[1.0, 2.0, 3.0, 5.0]])
    assert np.isnan(found.lower[0])
    assert found.content is None
    assert theil_sen(range(4), [[1.0, 2.0, 3.0, 5.0]], 0.9).content == pytest.approx(11 / 12)


def test_slopes_agree_with_the_slow_twin_and_scipy():
    generator = np.random.default_rng(9)
    numbers = np.cumsum(generator.integers(1, 4, (8, 12)), axis=1)
    readings = generator.random((8, 12))
    found = theil_sen(numbers, readings)
    rank, _ = interval_rank(12, 0.95)
    for row in range(8):
        slopes = naive_trend.pairwise_slopes(numbers[row].tolist(), readings[row].tolist())
        assert found.slope[row] == pytest.approx(np.median(slopes), rel=1e-12)
        assert found.lower[row] == pytest.approx(slopes[rank - 1], rel=1e-12)
        assert found.upper[row] == pytest.approx(slopes[-rank], rel=1e-12)
        peer = stats.theilslopes(readings[row], numbers[row])
        assert found.slope[row] == pytest.approx(peer.slope, rel=1e-12)


def test_slopes_of_a_long_series_are_exact():
    generator = np.random.default_rng(10)
    number = np.cumsum(generator.integers(1, 3, 700)).astype(float)
    reading = generator.standard_normal(700)
    slopes = naive_trend.pairwise_slopes(number.tolist(), reading.tolist())
    wanted = [0, 1000, len(slopes) // 2, len(slopes) - 1]
    assert slopes_of_long_series(number, reading, wanted) == pytest.approx(
        [slopes[place] for place in wanted], rel=1e-12
    )


# ------------------------------------------------------------------------------- the evidence


@pytest.mark.parametrize("n", [4, 7, 16, 31])
def test_evidence_agrees_with_the_slow_twin(n):
    generator = np.random.default_rng(n)
    readings = generator.standard_normal((5, n)) + np.linspace(0, 2, n)
    readings[1] = np.round(readings[1])
    readings[2, -1] += 30
    readings[3] = 4.0
    shapes = rise_shapes(n)
    evidence = rise_evidence(readings)
    found = np.stack([evidence.rising, evidence.settling], axis=1)
    for row, reading in enumerate(readings.tolist()):
        slow = naive_trend.rise_evidence(
            reading,
            shapes.curve.tolist(),
            shapes.rising_weight.tolist(),
            shapes.settling_weight.tolist(),
        )
        # Ours counts in four-byte numbers.
        assert found[row] == pytest.approx(slow, abs=2e-3)


@pytest.mark.parametrize("n", [5, 12, 25])
def test_odds_that_a_rise_goes_on_agree_with_the_slow_twin(n):
    generator = np.random.default_rng(n)
    readings = 0.03 * generator.standard_normal((4, n)) + 0.01 * np.arange(n)
    readings[1] = 0.1 * (1 - np.exp(-np.arange(n) / 2)) + 0.03 * generator.standard_normal(n)
    readings[2, n // 2] += 0.4
    information = np.array([1.0, 1.0, 1.0, 0.5])
    found = log_odds_goes_on(readings, information)
    shapes, paths = rise_shapes(n), rise_paths(n).astype(float).tolist()
    for row, reading in enumerate(readings.tolist()):
        slow = naive_trend.log_odds_goes_on(
            reading,
            paths,
            shapes.curve.tolist(),
            shapes.rising_weight.tolist(),
            shapes.settling_weight.tolist(),
            information[row],
        )
        # Ours counts in four-byte numbers.
        assert found[row] == pytest.approx(slow, abs=5e-3)


@pytest.mark.parametrize(("before", "after", "times"), [(24, 5, 950), (24, 3, 1e-3), (6, 6, 1e6)])
def test_readings_far_beyond_what_wear_can_do_are_judged(before, after, times):
    """As entered in another unit: their climb lies beyond every bin of the prior."""
    peak_g, beside = 100.0 * np.exp(scattered(5, (2, before + after)))
    peak_g[before:] *= times
    like = history(beside, series="S2", case="C-05", case_model="A")
    with np.errstate(divide="raise", invalid="raise"):
        for known in ([history(peak_g)], [history(peak_g, case_model="A"), like]):
            assert np.isfinite(fit_wear(known)[0].level_g).all()


def test_evidence_knows_no_unit_and_no_level():
    readings = scattered(1, (6, 12))
    once = rise_evidence(readings)
    again = rise_evidence(7 + 250 * readings)
    for name in ("rising", "settling", "correction"):
        assert getattr(once, name) == pytest.approx(getattr(again, name), abs=2e-3)


def test_running_scores_agree_with_the_slow_twin():
    readings = np.random.default_rng(2).integers(0, 9, (4, 60)).astype(float)
    looks = []
    for n, scores in running_scores(readings):
        looks.append(n)
        for row, reading in enumerate(readings[:, :n].tolist()):
            slow = [naive_trend.normal_score(r, n) for r in naive_trend.mean_ranks(reading)]
            assert scores[row] == pytest.approx(slow, abs=1e-9)
    assert looks == alarm_looks(60) == [*range(5, 51), 52, 55, 58]


def test_scores_are_normal_quantiles():
    """Joiner & Rosenblatt (1971): the lambda form stays within 0.01 of the normal quantile over
    the middle; at the ends of 25 ranks it is 0.002 off."""
    *_, (n, scores) = running_scores(np.arange(25.0)[None])
    exact = stats.norm.ppf((np.arange(1, 26) - 0.375) / (n + 0.25))
    assert scores[0] == pytest.approx(exact, abs=0.01)


def test_shapes_are_contrasts():
    for n in (4, 5, 6, 9, 25, 400):
        shapes = rise_shapes(n)
        assert shapes.curve.mean(axis=1) == pytest.approx(0, abs=1e-12)
        assert (shapes.curve**2).sum(axis=1) == pytest.approx(1, abs=1e-9)
        assert shapes.rising_weight.sum() == pytest.approx(1)
        assert shapes.settling_weight.sum() == pytest.approx(1)


def test_p_falls_with_the_evidence_and_beyond_the_table():
    evidence = np.array([-np.inf, -1.2, -1, 0, 1, 2, 4, 6, 9])
    for n in (9, 25, 33, 5000):
        p = tail_probability(evidence, n, "RISING")
        assert p[:2].tolist() == [1, 1]
        assert (np.diff(p[1:]) < 0).all()
    assert tail_probability(np.array([99.0]), 4, "RISING")[0] == pytest.approx(1 / 24)
    assert smallest_p(10_000) == 0


# ----------------------------------------------------------------------------- stated error rates


SCATTER = 0.04
"""Of log peak g: what is below stands in units of it."""


def steady(law, series, n):
    generator = np.random.default_rng([series, n, len(law)])
    normal = generator.standard_normal((series, n))
    if law == "heavy-tailed":
        return generator.standard_t(3, (series, n))
    if law == "wild":
        wild = generator.random((series, n)) < 0.04
        return np.where(wild, normal + generator.choice([-8.0, 8.0], (series, n)), normal)
    if law == "skewed":
        return np.exp(0.4 * normal)
    if law == "rounded":
        return np.round(1.5 * normal)
    return normal


@pytest.mark.parametrize("law", ["normal", "heavy-tailed", "wild", "skewed", "rounded"])
@pytest.mark.parametrize("n", [4, 9, 25])
def test_false_alarms(law, n):
    judged = judge_block(SCATTER * steady(law, 4000, n))
    rising = np.mean([verdict == "rising" for verdict in judged.verdict])
    settled = np.mean([verdict == "settled" for verdict in judged.verdict])
    # Stated rate and three standard errors of it over 4,000 series.
    assert rising <= 0.05 + 0.0104
    assert settled <= 0.025 + 0.0075
    assert (judged.alarm > 0).mean() <= 0.04 + 0.0093
    assert (judged.wear_alarm > 0).mean() <= 0.04 + 0.0093
    assert (judged.wear_alarm >= judged.alarm)[judged.wear_alarm > 0].all()
    if n == 25 and law == "normal":
        # Spent in full only where scatter is so small that no rise of it looks like settling.
        small = judge_block(SCATTER / 20 * steady(law, 4000, n))
        assert np.mean([verdict == "rising" for verdict in small.verdict]) >= 0.035
        assert (judged.alarm > 0).mean() >= 0.02


def test_false_alarms_over_a_long_run():
    judged = judge_block(SCATTER * steady("heavy-tailed", 1500, 300))
    rising = np.mean([verdict == "rising" for verdict in judged.verdict])
    assert rising <= 0.05 + 0.0169
    assert (judged.alarm > 0).mean() <= 0.05 + 0.0169


PATHS = {
    "climb": lambda x: 3.5 * x,
    "late onset": lambda x: 9 * np.maximum(0, x - 0.6),
    "acceleration": lambda x: 6 * np.expm1(4 * x) / np.expm1(4),
    "jump": lambda x: 2.5 * (x > 0.55),
    "settling, then climb": lambda x: 2 * (1 - np.exp(-20 * x)) + 4 * x,
}


@pytest.mark.parametrize("family", PATHS)
@pytest.mark.parametrize("law", ["normal", "heavy-tailed", "wild"])
def test_power_against_mann_kendall(family, law):
    """The stated aim is more power than Mann-Kendall where paths bend, no less on a line.

    That is of seeing a rise, which is all that Mann-Kendall sees; to call it one that goes on
    costs a little where the climb is no larger than settling commonly is.
    """
    readings = PATHS[family](np.arange(25) / 24) + steady(law, 1500, 25)
    verdicts = judge_block(SCATTER * readings).verdict
    told = np.mean([verdict == "rising" for verdict in verdicts])
    rose = np.mean([verdict != "steady" for verdict in verdicts])
    kendall = (mann_kendall(readings).p_rise <= 0.05).mean()
    assert rose >= kendall - 0.03
    assert told >= kendall - 0.10
    assert told >= 0.75


def test_alarm_comes_in_time():
    """A climb of one scatter a drop from drop 9 on is told within a few drops."""
    readings = np.maximum(0, np.arange(25) - 8) + steady("normal", 1000, 25)
    alarm = judge_block(SCATTER * readings).alarm
    assert (alarm > 0).mean() >= 0.99
    assert 10 <= np.median(alarm[alarm > 0]) <= 14


def test_settling_is_told_from_a_climb():
    level = 6 * (1 - np.exp(-np.arange(20) / 1.1))
    settled = judge_block(SCATTER * (level + steady("normal", 1000, 20))).verdict
    assert np.mean([verdict == "settled" for verdict in settled]) >= 0.9
    climbing = judge_block(
        SCATTER * (level + 0.5 * np.arange(20) + steady("normal", 1000, 20))
    ).verdict
    assert np.mean([verdict == "rising" for verdict in climbing]) >= 0.95


def settled(kind, series, n):
    rise, drops, scatter = kind
    level = np.log1p(rise * (1 - np.exp(-np.arange(n) / drops)))
    generator = np.random.default_rng([series, n, round(1000 * scatter + 10 * drops)])
    return level + scatter * generator.standard_normal((series, n))


@pytest.mark.parametrize(
    ("kind", "called_rising", "wear_alarm"),
    [
        ((0.14, 2.0, 0.03), {25: 0.04, 16: 0.09, 10: 0.17}, 0.09),
        ((0.14, 2.0, 0.045), {25: 0.08, 16: 0.15, 10: 0.29}, 0.12),
        ((0.11, 3.0, 0.045), {25: 0.15, 16: 0.27, 10: 0.35}, 0.20),
    ],
)
def test_what_has_levelled_off_is_seldom_called_rising(kind, called_rising, wear_alarm):
    for n, most in called_rising.items():
        judged = judge_block(settled(kind, 500, n))
        rising = np.mean([verdict == "rising" for verdict in judged.verdict])
        # Two standard errors over 500 series.
        assert rising <= most + 2 * np.sqrt(most / 500)
        assert (judged.wear_alarm > 0).mean() <= wear_alarm + 2 * np.sqrt(wear_alarm / 500)


def test_a_settling_of_another_form_is_not_wear_either():
    """Hyperbolic, half settled after two drops, which none of the assumed paths is."""
    before = np.arange(25)
    readings = np.log1p(0.14 * before / (before + 2)) + steady("normal", 500, 25) * 0.03
    judged = judge_block(readings)
    assert np.mean([verdict == "rising" for verdict in judged.verdict]) <= 0.15
    assert (judged.wear_alarm > 0).mean() <= 0.15


@pytest.mark.parametrize(("settling", "most"), [(0.0, 3), (0.12, 7)])
def test_the_wear_alarm_follows_the_alarm(settling, most):
    before = np.arange(25)
    path = np.log1p(settling * (1 - np.exp(-before / 2.0))) + 0.015 * before
    judged = judge_block(path + 0.03 * np.random.default_rng(5).standard_normal((500, 25)))
    raised = judged.wear_alarm > 0
    assert raised.mean() > 0.99
    assert np.mean((judged.wear_alarm - judged.alarm)[raised]) <= most


def autocorrelated(lag_1, series, n, seed):
    """First-order autoregression with a standard deviation of 1 %."""
    generator = np.random.default_rng(seed)
    steps = generator.standard_normal((series, n))
    readings = steps.copy()
    for at in range(1, n):
        readings[:, at] = lag_1 * readings[:, at - 1] + np.sqrt(1 - lag_1**2) * steps[:, at]
    return 0.01 * readings


@pytest.mark.parametrize(("lag_1", "most"), [(0.0, 0.05), (0.3, 0.07)])
def test_scatter_that_remembers_is_allowed_for(lag_1, most):
    rising, alarm = [], []
    for seed in range(12):
        readings = autocorrelated(lag_1, 50, 25, seed)
        some = [
            history(100 * np.exp(row), series=str(at), sensor="A")
            for at, row in enumerate(readings)
        ]
        found = serial_correlations(some, ["7"])["7"]
        assert found.lag_1 == pytest.approx(lag_1, abs=0.15)
        judged = judge_block(readings, np.full(50, found.information))
        rising += [verdict == "rising" for verdict in judged.verdict]
        alarm += (judged.alarm > 0).tolist()
    # Two standard errors over 600 series.
    assert np.mean(rising) <= most + 2 * np.sqrt(most / 600)
    assert np.mean(alarm) <= most + 2 * np.sqrt(most / 600)


def test_correlation_comes_from_the_latest_series_of_the_sensor_alone():
    remembering = [
        history(100 * np.exp(row), series=f"A{at}", sensor="A", dropped_at_s=np.full(25, at))
        for at, row in enumerate(autocorrelated(0.5, 60, 25, 1))
    ]
    other = [
        history(100 * np.exp(row), series=f"B{at}", sensor=None)
        for at, row in enumerate(autocorrelated(0.0, 20, 25, 2))
    ]
    short = [history([100.0, 101.0, 99.0, 100.0], series="A-new", sensor="A")]
    found = serial_correlations([*other, *remembering, *short], ["A1", "B1", "A-new"])
    assert found["A1"] == found["A-new"]
    assert found["A1"].alike == "sensor"
    assert 30 <= found["A1"].series <= 50
    assert found["A1"] == serial_correlations(remembering[10:], ["A59"])["A59"]
    assert found["B1"].alike == "condition"
    assert 15 <= found["B1"].series <= 20
    assert found["B1"].lag_1 < 0.1 < 0.4 < found["A1"].lag_1
    told = judge_trends(short + remembering)[1]
    assert "readings correlate 0." in told.basis


def test_wear_does_not_pass_for_correlation():
    climb = np.outer(np.linspace(0.0, 0.03, 50), np.maximum(0, np.arange(25) - 8))
    readings = climb + 4 * autocorrelated(0.0, 50, 25, 3)
    some = [history(100 * np.exp(row), series=str(at)) for at, row in enumerate(readings)]
    assert serial_correlations(some, ["0"])["0"].lag_1 < 0.1


def test_kendall_counts_correlated_readings_as_fewer():
    """Variance over the share of independent readings, normal form: by hand from Gilbert's z."""
    readings = np.arange(12.0)[None] + [[0, 3, 0, 3, 0, 3, 0, 3, 0, 3, 0, 3]]
    plain, fewer = mann_kendall(readings), mann_kendall(readings, [0.5])
    assert fewer.variance == pytest.approx(2 * plain.variance)
    z = (fewer.s[0] - 1) / np.sqrt(fewer.variance[0])
    assert fewer.p_rise[0] == pytest.approx(stats.norm.sf(z), abs=1e-12)


def test_a_later_step_is_a_rise():
    for at in (6, 12, 20):
        readings = 4.0 * (np.arange(25) >= at) + steady("normal", 500, 25)
        told = np.mean([verdict == "rising" for verdict in judge_block(SCATTER * readings).verdict])
        assert told >= 0.85


def test_a_step_of_the_first_drops_looks_like_settling():
    """As the manual says: what jumps at the third drop and stays flat is called settled."""
    readings = 4.0 * (np.arange(25) >= 2) + steady("normal", 500, 25)
    verdicts = judge_block(SCATTER * readings).verdict
    assert np.mean([verdict == "settled" for verdict in verdicts]) >= 0.8


def test_bounds_of_the_alarm_are_exhausted_only_at_infinity():
    later = [alarm_bound(n) for n in (26, 50, 100, 1000, 10_000)]
    assert later == sorted(later)
    assert len(null_table.ALARM_BOUNDS) == 25 - FIRST_LOOK + 1


# ------------------------------------------------------------------------- what is said of a series


def test_a_climb_is_told_with_all_that_belongs_to_it():
    numbers = [n for n in range(1, 28) if n not in (7, 15)]
    peak = 100 * np.exp(0.012 * np.array(numbers) + scattered(4, 25, 0.03))
    peak[10] *= 1.5
    told = trend(peak, numbers, drops=27)
    assert told.verdict == "rising"
    assert told.alarm_at_drop in numbers
    assert told.p_value < 0.001
    assert told.valid_drops == 25
    assert told.basis.startswith("25 valid drops of 27")
    assert told.doubted_drops == (numbers[10],)
    assert "1 reading down-weighted" in told.basis
    assert told.sen_lower < told.sen_pct_per_drop < told.sen_upper
    assert told.sen_lower < 1.2 < told.sen_upper
    assert told.mann_kendall_s > 100
    assert told.shape in ("linear", "onset", "accelerating", "slowing")


def test_steady_says_what_could_have_been_missed():
    told = trend(100 * np.exp(scattered(12, 20)))
    assert told.verdict == "steady"
    assert told.alarm_at_drop is None
    assert told.p_value > 0.05
    assert told.shape == "steady"
    assert "could have been missed" in told.basis
    # That climb, put under scatter of the same size, is told in four of five series.
    climb = np.log1p(told.detectable_pct_per_drop / 100) * np.arange(20)
    verdicts = judge_block(climb + scattered(13, (1500, 20))).verdict
    scatter_found = told.detectable_pct_per_drop / 100
    assert scatter_found > 0
    # Its own scatter is known to some 17 % from 20 drops.
    assert 0.6 <= np.mean([verdict == "rising" for verdict in verdicts]) <= 0.95


def test_order_of_the_series_is_kept_and_fits_can_be_handed_in():
    from durability.wear.fitting import fit_wear

    histories = [
        history(100 * np.exp(scattered(n, n)), series=f"S{n}", case_model="M") for n in (9, 3, 5, 9)
    ]
    found = judge_trends(histories, fit_wear(histories))
    assert [one.series for one in found] == ["S9", "S3", "S5", "S9"]
    assert [one.verdict for one in found] == [one.verdict for one in judge_trends(histories)]


def test_q_values_are_those_of_benjamini_and_hochberg():
    """scipy.stats.false_discovery_control is the peer."""
    generator = np.random.default_rng(8)
    some = [
        history(
            100 * np.exp(rate * np.arange(9) + 0.04 * generator.standard_normal(9)), series=f"{n}"
        )
        for n, rate in enumerate(np.linspace(-0.01, 0.04, 12))
    ]
    found = with_q_values(judge_trends([*some, history([100.0], series="short")]))
    assert found[-1].q_value is None
    p_values = [each.p_value for each in found[:-1]]
    assert [each.q_value for each in found[:-1]] == pytest.approx(
        stats.false_discovery_control(p_values)
    )


def test_settled_and_rising_series_have_q_values_of_families_of_their_own():
    """A steady series has its chance in either: taken as one they would let twice as many in."""
    generator = np.random.default_rng(3)
    paths = [0.2 * (1 - np.exp(-np.arange(20) / 2.0))] * 4 + [0.02 * np.arange(20)] * 4
    paths += [np.zeros(20)] * 12
    found = with_q_values(
        judge_trends(
            [
                history(100 * np.exp(path + 0.02 * generator.standard_normal(20)), series=f"{at}")
                for at, path in enumerate(paths)
            ]
        )
    )
    for verdict, name in (("settled", "p_settling"), ("rising", "p_rise"), ("steady", "p_rise")):
        adjusted = stats.false_discovery_control([min(getattr(e, name), 1.0) for e in found])
        own = [at for at, each in enumerate(found) if each.verdict == verdict]
        assert own
        assert [found[at].q_value for at in own] == pytest.approx(adjusted[own])
        assert all(found[at].p_value == getattr(found[at], name) for at in own)


def test_what_is_expected_false_and_what_holds_by_hand():
    def trend(series, verdict, q_value, p_rise=0.01):
        (one,) = judge_trends([history([100.0, 101.0, 99.0, 100.0], series=series)])
        return replace(one, verdict=verdict, q_value=q_value, p_rise=p_rise)

    trends = [trend(f"R{at}", "rising", 0.02 * at) for at in range(5)]
    trends += [trend(f"N{at}", "steady", 0.01) for at in range(38)]
    trends += [trend("few", "too few", None, None)]
    found = discoveries(trends, 0.05)
    # 38 of 43 judged are not rising: 0.05 / 0.95 of these have been called besides.
    assert (found.rising, found.found) == (5, ("R0", "R1", "R2"))
    assert found.expected_false == pytest.approx(2.0)


def test_of_a_thousand_series_the_called_are_mostly_right():
    generator = np.random.default_rng(21)
    log_peak = 0.04 * generator.standard_normal((1000, 25))
    log_peak[:50] += 0.012 * np.arange(25)
    block = judge_block(log_peak)
    called = np.array([each == "rising" for each in block.verdict])
    by_q = called & (stats.false_discovery_control(np.minimum(block.p_rise, 1.0)) <= 0.1)
    assert called[50:].sum() > 20 and called[:50].mean() > 0.95
    assert by_q[50:].sum() <= 12 and by_q[:50].mean() > 0.9
    by_e = e_discoveries(dict(enumerate(log_e_values(log_peak, np.ones(1000)))), 0.1)
    assert sum(at >= 50 for at in by_e) <= 5 and sum(at < 50 for at in by_e) > 25


@pytest.mark.parametrize("n", [2, 4, 6])
def test_e_values_have_mean_one_over_all_orders_of_steady_readings(n):
    """Each order of exchangeable readings is as likely as any other, whatever their law."""
    orders = np.array([*permutations(np.exp(np.arange(float(n))))])
    e_values = np.exp(log_e_values(np.log(orders), np.ones(len(orders))))
    assert e_values.mean() == pytest.approx(1.0, abs=1e-12)
    # Best of all is the order that only climbs; equal readings speak against a rise.
    assert e_values.argmax() == 0
    equal = np.exp(log_e_values(np.zeros((1, n)), np.ones(1)))[0]
    assert equal == pytest.approx(e_values.min()) and equal < 1.0
    rounded = np.round(np.log(orders) / 2)
    assert np.exp(log_e_values(rounded, np.ones(len(orders)))).mean() < 1.0
    # Readings that are worth half: the e-value's root, whose mean is below 1.
    half = log_e_values(np.log(orders), np.full(len(orders), 0.5))
    assert half == pytest.approx(0.5 * np.log(e_values))


def test_e_values_are_those_of_a_slow_twin():
    generator = np.random.default_rng(2)
    readings = generator.standard_normal((5, 40))
    for n in (5, 16, 17, 33):
        found = log_e_values(readings[:5, :n], np.ones(5))
        naive = [naive_trend.log_e_value(row) for row in readings[:5, :n]]
        assert found == pytest.approx(naive, abs=1e-9)


def test_called_by_e_values_as_by_the_reciprocal_as_p():
    """e-BH is Benjamini and Hochberg's rule on 1 / e (Wang & Ramdas 2022, section 4)."""
    generator = np.random.default_rng(6)
    for _ in range(20):
        log_e = generator.normal(0.0, 3.0, 60)
        adjusted = stats.false_discovery_control(np.minimum(np.exp(-log_e), 1.0))
        found = e_discoveries(dict(enumerate(log_e)), 0.1)
        assert sorted(found) == np.flatnonzero(adjusted <= 0.1).tolist()
    assert e_discoveries({}, 0.1) == []


def test_verdict_and_interval_agree():
    """Siblings that wear make the fit of a steady case rise; a jump is over by the later half."""
    generator = np.random.default_rng(17)
    paths = [0.012 * np.arange(12)] * 8 + [np.zeros(12)] * 8 + [0.25 * (np.arange(12) >= 4)] * 6
    paths += [0.13 * (1 - np.exp(-np.arange(12) / 2.0))] * 8
    found = judge_trends(
        [
            history(
                100 * np.exp(path + 0.03 * generator.standard_normal(12)),
                series=f"{at}",
                case=f"C{at}",
                case_model="M",
            )
            for at, path in enumerate(paths)
        ]
    )
    assert {each.verdict for each in found} == {"rising", "settled", "steady"}
    for each in found:
        assert each.rise_lower <= each.rise_pct_per_drop <= each.rise_upper
        if each.verdict == "rising":
            assert round(each.rise_pct_per_drop, 2) > 0 < each.rise_lower
        else:
            assert each.rise_lower <= 0
    rising = next(each for each in found if each.verdict == "rising")
    assert "of 29 like cases levelled off" in rising.basis


def test_too_early_to_say_whether_it_goes_on():
    told = trend(100 * np.exp([0.0, 0.01, 0.02, 0.05, 0.06, 0.07]))
    assert told.verdict == "rising"
    assert told.too_early
    assert told.wear_alarm_at_drop is None
    climbing = trend(100 * np.exp(0.03 * np.arange(20) + scattered(3, 20, 0.02)))
    assert not climbing.too_early
    assert climbing.wear_alarm_at_drop >= climbing.alarm_at_drop >= 5


def test_few_drops_say_the_least_p_they_can_show():
    told = trend([100, 104, 109, 113])
    assert told.verdict == "rising"
    assert told.p_value == pytest.approx(1 / 24)
    assert told.sen_lower is None
    assert "p can't fall below 0.042" in told.basis


# ------------------------------------------------------------------------------ degenerate series


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_too_few_drops(n):
    told = trend([100.0, 150.0, 220.0][:n], drops=n + 1)
    assert told.verdict == "too few"
    assert told.p_value is None
    assert told.alarm_at_drop is None
    assert f"a trend needs {basis.MIN_DROPS_FOR_TREND}" in told.basis
    assert basis.counted(n, "valid drop") in told.basis


def test_all_readings_equal():
    told = trend([118.0] * 12)
    assert told.verdict == "steady"
    assert told.alarm_at_drop is None
    assert told.p_value == 1
    assert told.mann_kendall_p == 0.5


@pytest.mark.parametrize("off", [0.4, 2.5])
@pytest.mark.parametrize("at", [0, -1])
def test_first_or_last_reading_wild(at, off):
    peak = 100 * np.exp(scattered(21, 20, 0.02))
    peak[at] *= off
    told = trend(peak)
    assert told.verdict == "steady"
    assert told.alarm_at_drop is None
    assert told.doubted_drops == ((1,) if at == 0 else (20,))


def test_falling_peak_is_no_rise():
    told = trend(150 * np.exp(-0.02 * np.arange(20) + scattered(22, 20, 0.02)))
    assert told.verdict == "steady"
    assert told.p_value == 1
    assert "peak g falls" in told.basis


def test_missing_drop_numbers_place_the_alarm():
    numbers = np.array([2, 3, 5, 8, 9, 12, 14, 15, 19, 20, 26, 27])
    told = trend(100 * np.exp(0.03 * numbers + scattered(23, 12, 0.02)), numbers)
    assert told.verdict == "rising"
    assert told.alarm_at_drop in numbers
    assert told.sen_pct_per_drop == pytest.approx(3, abs=0.6)


def test_readings_that_follow_a_line_exactly():
    told = trend(np.linspace(100, 200, 15))
    assert told.verdict == "rising"
    assert told.p_value < 1e-4


def test_ten_thousand_drops():
    path = np.maximum(0, np.arange(10_000) - 6000) * 2e-5
    found = judge_block(path[None] + scattered(24, (2, 10_000)))
    assert found.verdict == ["rising", "rising"]
    assert ((found.alarm > 6000) & (found.alarm < 9000)).all()


# ----------------------------------------------------------------------------------- outside data


def test_page_series_steps_up():
    """Page (1955): the mean steps from 5 to 6 (here less 5) after the 20th value; Pettitt (1979)
    finds the step with p = 0.014 after the 17th."""
    assert judge_block(published("change_page_series_40.csv", "value")[None]).verdict == ["rising"]


def test_nile_falls():
    """Cobb (1978): the flow falls once for all after 1898, the 28th year."""
    flow = published("change_nile_flow.csv", "flow_1e8_m3")
    assert judge_block(np.log(flow)[None]).verdict == ["steady"]
    mirrored = judge_block(-np.log(flow)[None])
    assert mirrored.verdict == ["rising"]
    assert 28 < mirrored.alarm[0] < 40


def test_repeated_shocks_at_one_height():
    """Drops 13 to 41 of one run at 13 in: S = 226, z = 4.221, Sen slope 26.8 g per drop. With all
    heights mixed the readings seem to fall, S = -462, since the crew lowered the height."""
    rows = [row for row in outside("shock_drops_set1.csv") if row["run"] == "m116_p5KG"]
    peaks = {}
    for row in rows:
        try:
            peaks[int(row["drop_no"])] = float(row["peak_filt50kHz_g"])
        except ValueError:
            continue
    one_height = {n: peak for n, peak in peaks.items() if 13 <= n <= 41}
    found = mann_kendall([list(one_height.values())])
    assert found.s[0] == 226
    slope = theil_sen(list(one_height), [list(one_height.values())])
    assert slope.slope[0] == pytest.approx(26.8, abs=0.05)
    assert trend(list(one_height.values()), list(one_height)).verdict == "rising"
    mixed = trend(list(peaks.values()), list(peaks))
    assert mixed.mann_kendall_s == -462
    assert mixed.verdict != "settled"


@pytest.mark.parametrize(
    ("board", "rises", "sen_g"),
    [
        ("3.4", True, 10.5),
        ("4.1", True, 13.0),
        ("4.3", True, 7.8),
        ("4.4", False, None),
        ("4.5", True, 6.9),
    ],
)
def test_repeated_shocks_of_five_boards(board, rises, sen_g):
    """Input peak at one height: rises on four boards, no trend (z = 0.14) on 4.4."""
    rows = [row for row in outside("shock_boards_to_failure_A.csv") if row["board"] == board]
    peaks = {int(r["impact_no"]): float(r["input_peak_g"]) for r in rows if r["input_peak_g"]}
    told = trend(list(peaks.values()), list(peaks))
    assert (told.verdict == "rising") is rises
    if sen_g is not None:
        slope = theil_sen(list(peaks), [list(peaks.values())]).slope[0]
        assert slope == pytest.approx(sen_g, abs=0.05)


def test_beam_base_peak_drifts_up():
    """51 shocks meant to be alike: S = 815, Sen slope 0.716 g per shock number."""
    rows = outside("shock_beam_51shocks.csv")
    numbers = [int(row["shock_no"]) for row in rows]
    peaks = [float(row["base_peak_g"]) for row in rows]
    assert mann_kendall([peaks]).s[0] == 815
    assert theil_sen(numbers, [peaks]).slope[0] == pytest.approx(0.716, abs=5e-4)
    assert trend(peaks, [number + 1 for number in numbers]).verdict == "rising"


def test_a_named_series_shows_what_its_ranks_say(store, sheet):
    """Each drop 2 % above the last: S = n (n − 1) / 2, p = 1 / n!, slope 2 % (closed forms)."""
    drops = [f"S1,{n},{100 * 1.02**n},C1,D1" for n in range(1, 9)]
    store(
        *("import", "drops"),
        sheet("d.csv", "series,drop_number,peak_g,case,device", *drops, "S2,1,100,C2,D1"),
    )
    words = " ".join(store("trend", "S1").out.split())
    assert "Mann-Kendall S = +28, one-sided p = 2.5e-05; Theil-Sen slope over all" in words
    assert "drops +2.00 % per drop (at least 95 %: +2.00 to +2.00)." in words
    assert "Mann-Kendall" not in store("trend", "S2").out
    judged, few = store("trend", "--json").json["series"]
    assert (judged["mann_kendall_s"], few["mann_kendall_s"]) == (28, None)
    assert judged["sen_lower"] == pytest.approx(2.0) == judged["sen_upper"]
