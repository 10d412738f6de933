"""The rig's health: charts and run lengths as published, drifts found, dated, sized, corrected."""

from pathlib import Path

import numpy as np
import pytest

from durability.record.errors import UnusableCall
from durability.rig.charts import cusum_chart, cusum_run_length, ewma_chart, individuals_chart
from durability.rig.watch import rig_correction, watch_rig

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"


def published(name):
    return np.genfromtxt(PUBLISHED / name, delimiter=",", names=True)


def test_ewma_worked_example():
    # NIST/SEMATECH e-Handbook 6.3.2.4: limits 52.5884 and 47.4115, no signal. Series printed to two
    # decimals from rounded steps: 0.005 off at most.
    rows = published("chart_nist_ewma.csv")
    chart = ewma_chart(rows["value"], 50.0, 2.0539, weight=0.3, width=3.0)
    assert chart.average == pytest.approx(rows["published_ewma"], abs=0.006)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1e-4)
    assert chart.signal is None


def test_ewma_limits_of_early_points():
    # Closed form 50 ± 3 · 2.0539 √(0.3/1.7 · (1 - 0.7^(2t))), t = 1 to 5, worked out by hand.
    chart = ewma_chart(np.full(5, 50.0), 50.0, 2.0539, weight=0.3, width=3.0)
    assert chart.upper == pytest.approx([51.8485, 52.2564, 52.4314, 52.5127, 52.5516], abs=6e-5)


@pytest.mark.parametrize(
    ("weight", "shift", "length", "runs"),
    # Limits exact from the first point, width 3: computed with R's spc 0.6.7 (Knoth 2003); with
    # constant limits the lengths of Lucas & Saccucci, Technometrics 32 (1990), are up to a third
    # longer (λ 0.1, shift 1: 11.4).
    [
        (0.1, 1.0, 9.250, 2000),
        (0.3, 1.0, 11.090, 2000),
        (0.3, 0.5, 52.196, 800),
        (0.3, 0.0, 462.57, 150),
    ],
)
def test_ewma_run_lengths(weight, shift, length, runs):
    random = np.random.default_rng(20)
    # Sixteen times as many drops as the mean: without a signal once in e¹⁶ runs.
    readings = shift + random.standard_normal((runs, int(16 * length)))
    found = [1 + ewma_chart(own, 0.0, 1.0, weight=weight, width=3.0).signal for own in readings]
    error = np.std(found) / np.sqrt(runs)
    assert np.mean(found) == pytest.approx(length, abs=3 * error)


def test_cusum_worked_example():
    # NIST/SEMATECH e-Handbook 6.3.2.3: first signal at sample 14; sums printed to two decimals.
    rows = published("chart_nist_cusum.csv")
    chart = cusum_chart(rows["mean"], 325.0, slack=0.3175, decision_interval=4.1959)
    assert chart.upper_sum == pytest.approx(rows["published_s_hi"], abs=0.006)
    assert chart.lower_sum == pytest.approx(rows["published_s_lo"], abs=0.006)
    assert rows["group"][chart.signal] == 14
    assert rows["group"][chart.run_start] == 13


@pytest.mark.parametrize(
    ("interval", "lengths"),
    # k 0.5, two-sided, shift 0, 0.5, 1, 2, 3, 4 sigma: NIST/SEMATECH e-Handbook 6.3.2.3.1 and
    # Montgomery's table (values from memory: 465, 38.0, 10.4, 4.01, 2.57, 2.01 and 168, 26.6, 8.38,
    # 3.34, 2.19, 1.71), here to the digits of an independent recomputation.
    [
        (5.0, [465.44, 38.00, 10.38, 4.01, 2.57, 2.01]),
        (4.0, [167.68, 26.63, 8.38, 3.34, 2.19, 1.71]),
    ],
)
def test_cusum_run_lengths_of_the_tables(interval, lengths):
    found = [cusum_run_length(0.5, interval, shift) for shift in (0, 0.5, 1, 2, 3, 4)]
    assert found == pytest.approx(lengths, abs=0.006)


def test_one_sided_cusum_lasts_twice_as_long():
    # Same tables (from memory: 931 and 335).
    assert cusum_run_length(0.5, 5.0, two_sided=False) == pytest.approx(930.89, abs=0.02)
    assert cusum_run_length(0.5, 4.0, two_sided=False) == pytest.approx(335.37, abs=0.02)


@pytest.mark.parametrize(
    ("slack", "interval", "length"),
    # Hawkins, J. Quality Technology 25 (1993): h for a run length of about 370 (from memory).
    [(0.25, 8.01, 370.3), (0.5, 4.77, 368.6), (0.75, 3.34, 370.6), (1.0, 2.52, 372.8)],
)
def test_cusum_designs_of_hawkins(slack, interval, length):
    assert cusum_run_length(slack, interval) == pytest.approx(length, abs=0.06)


def test_individuals_chart_constants():
    # ASTM and NIST/SEMATECH e-Handbook 6.3.2.2: 2.66 and 3.267 mean moving ranges.
    reading = np.array([10.0, 12.0, 11.0, 14.0, 13.0])
    chart = individuals_chart(reading)
    assert chart.mean_moving_range == pytest.approx(1.75)
    assert (chart.upper - chart.centre) / 1.75 == pytest.approx(2.66, abs=0.003)
    assert (chart.centre - chart.lower) / 1.75 == pytest.approx(2.66, abs=0.003)
    assert chart.moving_range_upper / 1.75 == pytest.approx(3.267, abs=0.001)
    assert chart.scatter == pytest.approx(1.75 / 1.128, rel=2e-3)


def reference_drops(rng, n, drift=lambda _: 0.0, scatter=0.02, odd=0.0):
    when = np.arange(1.0, n + 1)
    noise = rng.normal(0, scatter, n)
    noise = np.where(rng.random(n) < odd, 6 * noise, noise)
    return when, 300 * np.exp(noise + np.array([drift(t) for t in when]))


@pytest.mark.parametrize("odd", [0.0, 0.05])
def test_a_steady_rig_is_seldom_called_drifted(odd):
    # Designed for 1 in 20 within 50 drops; 400 rigs: standard error 1.1 points. With one reading in
    # twenty scattered sixfold it must not be much worse.
    rng = np.random.default_rng(31)
    drifted = sum(
        watch_rig(*reference_drops(rng, 55, odd=odd)).verdict == "drifted" for _ in range(400)
    )
    assert drifted / 400 <= 0.08


def test_scores_of_a_steady_rig_are_standard_normal_after_few_drops():
    # Hawkins (1987): exact for normal readings. The cut at 2.5 leaves a variance of 0.968.
    rng = np.random.default_rng(32)
    scores = np.array([watch_rig(*reference_drops(rng, 12)).score for _ in range(600)])
    assert scores.mean(axis=0) == pytest.approx(0.0, abs=0.15)
    assert scores.var() == pytest.approx(0.968, abs=0.07)
    assert np.corrcoef(scores.T)[0, 1:] == pytest.approx(0.0, abs=0.15)


@pytest.mark.parametrize(
    ("drift", "began", "end_pct", "shape"),
    [
        (lambda t: 0.05 * (t >= 21), 21, 100 * np.expm1(0.05), "step"),
        (lambda t: -0.06 * (t >= 15), 15, 100 * np.expm1(-0.06), "step"),
        (lambda t: 0.004 * max(0, t - 15), 15, 100 * np.expm1(0.1), "ramp"),
    ],
)
def test_drifts_are_found_dated_and_sized(drift, began, end_pct, shape):
    # 150 rigs of 40 drops, 2 % scatter; stated 90 % intervals: standard error 2.4 points.
    rng = np.random.default_rng(33)
    found = [watch_rig(*reference_drops(rng, 40, drift)) for _ in range(150)]
    seen = [each for each in found if each.verdict == "drifted"]
    assert len(seen) > 140
    assert np.median([each.since for each in seen]) == pytest.approx(began, abs=1.5)
    sized = np.mean([each.drift_lower <= end_pct <= each.drift_upper for each in seen])
    dated = np.mean([each.since_lower <= began <= each.since_upper for each in seen])
    assert 0.83 <= sized <= 0.98
    assert 0.83 <= dated <= 1.0
    assert np.mean([each.shape_weights[shape] > 0.5 for each in seen]) > 0.7


def test_one_wild_reading_is_odd_and_no_drift():
    rng = np.random.default_rng(34)
    when, peak_g = reference_drops(rng, 30)
    peak_g[17] *= 1.5
    found = watch_rig(when, peak_g)
    assert found.verdict == "in control"
    assert found.odd_drops == (18.0,)
    assert found.individuals_g.reading[17] > found.individuals_g.upper


def test_a_given_target_needs_no_drops_to_learn_from():
    rng = np.random.default_rng(35)
    when, peak_g = reference_drops(rng, 10, lambda _: 0.06)
    found = watch_rig(when, peak_g, target_g=300.0, scatter_pct=2.0)
    assert found.verdict == "drifted"
    assert found.target_drops is None
    assert found.since == 1.0
    assert found.drift_lower < 6.18 < found.drift_upper
    assert watch_rig(when, peak_g).verdict == "in control"


def test_what_the_verdict_says_of_itself():
    rng = np.random.default_rng(36)
    found = watch_rig(*reference_drops(rng, 12))
    assert found.target_drops == 12
    assert "rest on 12 drops" in found.notes[0]
    assert found.run_length[1.0] == pytest.approx(12.37, abs=0.01)
    assert found.target_g == pytest.approx(300, rel=0.03)
    assert 1.0 < found.scatter_pct < 3.5
    few = watch_rig(np.arange(5.0), np.full(5, 300.0))
    assert (few.verdict, few.since, few.drift_pct) == ("too few", None, None)
    assert few.basis == "5 reference drops, at least 6 are needed"
    flat = watch_rig(np.arange(8.0), np.full(8, 300.0))
    assert flat.basis == "no scatter among the first reference drops"
    known = watch_rig(np.arange(12.0), np.full(12, 300.0), target_g=300.0, scatter_pct=2.0)
    assert known.verdict == "in control"


def test_drops_that_stick_together_are_pointed_out():
    rng = np.random.default_rng(37)
    session = np.repeat(rng.normal(0, 0.03, 6), 5)
    peak_g = 300 * np.exp(session + rng.normal(0, 0.003, 30))
    found = watch_rig(np.arange(30.0), peak_g)
    assert any("one value a session" in note for note in found.notes)


def test_unit_changes_nothing():
    rng = np.random.default_rng(38)
    when, peak_g = reference_drops(rng, 40, lambda t: 0.05 * (t > 20))
    in_g, in_m_s2 = watch_rig(when, peak_g), watch_rig(when, peak_g * 9.80665)
    assert in_m_s2.drift_pct == pytest.approx(in_g.drift_pct)
    assert in_m_s2.since == in_g.since
    assert in_m_s2.target_g == pytest.approx(9.80665 * in_g.target_g)


@pytest.mark.parametrize(
    ("drift", "least"),
    [
        (lambda _: 0.0, 0.90),
        (lambda t: 0.10 * max(0.0, t - 40) / 60, 0.85),
        (lambda t: 0.05 * np.sin(t / 16), 0.85),
    ],
)
def test_correction_covers_the_true_factor(drift, least):
    # 30 reference drops at random times, 2 % scatter; ± 1.645 standard errors for 90 %, pooled over
    # 22 times of 40 rigs, some beyond the last reference drop.
    rng = np.random.default_rng(39)
    covered = []
    for _ in range(40):
        when = np.sort(rng.uniform(0, 100, 30))
        level = np.array([drift(t) for t in when])
        wanted = np.linspace(0, 104, 22)
        found = rig_correction(when, 5.7 + level + rng.normal(0, 0.02, 30), wanted)
        truth = np.array([drift(t) for t in wanted]) - level[:10].mean()
        covered.append(np.abs(np.log(found.factor) - truth) < 1.645 * found.factor_log_se)
    assert least <= np.mean(covered) <= 1.0


def test_correction_knows_less_far_from_reference_drops():
    rng = np.random.default_rng(40)
    when = np.concatenate([np.arange(0.0, 20), np.arange(80.0, 100)])
    level = 0.05 * np.sin(when / 16)
    found = rig_correction(when, 5.7 + level + rng.normal(0, 0.01, 40), np.array([10, 50, 90, 200]))
    near, gap, later, beyond = found.factor_log_se
    assert gap > 1.5 * max(near, later)
    assert beyond > gap
    given = rig_correction(when, 5.7 + level, np.array([10.0]), target_log_peak=5.7)
    assert given.factor[0] == pytest.approx(np.exp(0.05 * np.sin(10 / 16)), rel=0.01)


def test_correction_equals_the_textbook_smoother():
    # Independent library: statsmodels local-level model by maximum likelihood. With 400 drops the
    # likelihood leaves little choice, so averaging over strengths differs by under a third of the
    # scatter.
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    rng = np.random.default_rng(43)
    n = 400
    wander = np.cumsum(rng.normal(0, 0.003, n))
    y = 5.7 + wander + rng.normal(0, 0.01, n)
    fit = UnobservedComponents(y, "llevel").fit(disp=False)
    smoothed = fit.level.smoothed
    found = rig_correction(np.arange(float(n)), y, np.arange(float(n)), target_log_peak=5.7)
    assert np.log(found.factor[5:]) == pytest.approx(smoothed[5:] - 5.7, abs=0.003)


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: watch_rig(np.arange(3.0), np.ones(2)), "one time or number"),
        (lambda: watch_rig(np.array([2.0, 1.0]), np.ones(2)), "must ascend"),
        (lambda: watch_rig(np.array([1.0, np.nan]), np.ones(2)), "must ascend"),
        (lambda: watch_rig(np.arange(2.0), np.array([1.0, 0.0])), "above 0"),
        (lambda: watch_rig(np.arange(9.0), np.ones(9), target_g=3.0), "both, or none"),
        (lambda: watch_rig(np.arange(9.0), np.ones(9), target_g=3.0, scatter_pct=0.0), "above 0"),
        (lambda: individuals_chart(np.ones(1)), "at least 2"),
        (lambda: rig_correction(np.arange(3.0), np.ones(3), np.ones(1)), "at least 4"),
        (lambda: rig_correction(np.ones(5), np.ones(5), np.ones(1)), "all have one time"),
    ],
)  # fmt: skip
def test_unusable_calls(call, why):
    with pytest.raises(UnusableCall, match=why):
        call()
