"""What the cases of a model teach each other where readings scatter little."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from durability.record.records import DropHistory
from durability.wear import fleet
from durability.wear.fleet import fleet_draws
from durability.wear.forecast import forecast
from durability.wear.lives import FailureLimit, case_lives
from durability.wear.what_if import level_fan

PUBLISHED = Path(__file__).parent.parent / "fixtures" / "published"
LIFE, LIMIT = 90.0, 0.5


def straight(since):
    """Straight in g, half as much again after ``LIFE`` drops."""
    return np.log1p(LIMIT * since / (LIFE - 1.0))


def rising(seed, path=straight, *, cases=6, scatter=0.003, log_sd=0.3, share=0.4):
    """Log peaks of cases that go along a path each at its own speed, and when each fails."""
    rng = np.random.default_rng(seed)
    logs, fails = [], []
    for _ in range(cases):
        speed = np.exp(log_sd * rng.standard_normal())
        ahead = path(speed * np.arange(3000.0))
        fails.append(int(np.argmax(ahead >= np.log1p(LIMIT) - 1e-12)) + 1)
        made = max(int(share * fails[-1]), 6)
        level = np.log(100.0) + 0.05 * rng.standard_normal()
        logs.append(level + ahead[:made] + scatter * rng.standard_normal(made))
    return logs, fails


def histories(logs, *, model="M"):
    return [
        DropHistory(
            f"S{at}", np.arange(1, log.size + 1), np.exp(log), log.size, log.size, f"C{at}", model
        )
        for at, log in enumerate(logs)
    ]


def clocks_of(logs):
    return [np.arange(1.0, log.size + 1.0) for log in logs]


def left(told, made):
    """Interval of the log of the drops left."""
    ends = told.drops_to_failure
    every = (ends.lower, ends.median, ends.upper)
    return np.log([max((2000.0 if end is None else end) - made, 1.0) for end in every])


def inside(told, fails):
    ends = told.drops_to_failure
    return ends.lower <= fails <= (np.inf if ends.upper is None else ends.upper)


def test_one_form_is_as_sharp_as_the_readings_say_and_as_often_true():
    """Interval scores at 90 % (Gneiting & Raftery 2007) of fleets that are straight in g.

    A forecaster who is told the form and the scatter does best; one that knows no other case does
    what each case can on its own.
    """
    ours, alone, best, held = [], [], [], []
    for seed in range(5):
        logs, fails = rising(seed)
        together = forecast(histories(logs), horizon=2000)
        apart = forecast(histories(logs, model=None), horizon=2000)
        for log, failed, one, other in zip(logs, fails, together, apart, strict=True):
            made, truth = log.size, np.log(max(failed - log.size, 1.0))
            # Straight in g: level and slope by least squares, as the textbooks have it.
            since = np.arange(float(made))
            slope, level = np.polyfit(since, np.exp(log), 1)
            sd = 0.003 * level * 1.1 / np.sqrt(((since - since.mean()) ** 2).sum())
            reached = 1.0 + LIMIT * level / (slope + np.array([1.645, 0.0, -1.645]) * sd)
            known = np.log(np.maximum(reached - made, 1.0))
            for kept, (low, _, high) in (
                (ours, left(one, made)),
                (alone, left(other, made)),
                (best, known),
            ):
                kept.append(high - low + 20.0 * (max(low - truth, 0.0) + max(truth - high, 0.0)))
            held.append(inside(one, failed))
    assert np.mean(held) >= 0.87
    # Beyond the forecaster's: what no form allows for, 90 % of a log standard deviation of 0.12.
    assert np.mean(ours) < np.hypot(np.mean(best), 2.0 * 1.645 * 0.12) + 0.05
    assert np.mean(ours) < 0.85 * np.mean(alone)


@pytest.mark.parametrize(("share", "least_held"), [(1 / 3, 0.9), (1 / 2, 0.75), (0.7, 0.9)])
def test_alloy_cracks_are_forecast_from_part_of_their_lives(share, least_held):
    """Crack growth in 21 specimens of an alloy.

    Meeker & Escobar, Statistical Methods for Reliability Data (1998), table C.14, after Hudak et
    al. (1978). A drop is 2,500 cycles; failed at 1.39 inches, which 16 reach.
    """
    units = defaultdict(list)
    with (PUBLISHED / "degradation_alloy_crack_growth.csv").open() as file:
        for row in csv.DictReader(file):
            cycles, length = float(row["cycles_million"]), float(row["crack_length_in"])
            units[row["unit"]].append((400.0 * cycles, length))
    limit = 1.39
    known, fails = [], {}
    for name, rows in units.items():
        since, length = np.array(rows).T
        if length[-1] < limit:
            continue
        failed = float(np.interp(limit, length, since)) + 1.0
        kept = since + 1.0 <= share * failed + 1.0
        number = np.rint(since[kept]).astype(int) + 1
        if number.size < fleet.FEWEST_READINGS:
            continue
        made = int(number[-1])
        known.append(DropHistory(name, number, 100.0 * length[kept], made, made, name, "alloy"))
        fails[name] = (np.ceil(failed), made)
    limit_g = 100.0 * limit
    told = forecast(known, limit_g=limit_g, horizon=2000)
    apart = forecast(
        [
            DropHistory(each.series, each.drop_number, each.peak_g, each.drops, each.drops, "C")
            for each in known
        ][:1],
        limit_g=limit_g,
        horizon=2000,
    )
    held = [inside(one, fails[one.series][0]) for one in told]
    assert len(held) >= 8
    # At half their lives 13 of 16 by 1,001 or 4,001 points, 12 by 511 or 2,001: one specimen fails
    # at the very edge of its interval.
    assert np.mean(held) >= least_held
    narrow, wide = (
        np.diff(left(each[0], fails[each[0].series][1])[[0, 2]])[0] for each in (told, apart)
    )
    assert narrow < 0.7 * wide


def test_speeds_and_misfit_are_those_of_least_squares():
    """Twin: one form, one case, one wander at a time, generalised least squares by a search."""
    logs, _ = rising(3, cases=3)
    cases = [fleet._case_of(clock, log) for clock, log in zip(clocks_of(logs), logs, strict=True)]
    forms = fleet._forms().of(np.array([0, 1, 20, 60]))
    wanders = np.array([0.0, 3.0])
    fit = fleet._fit(cases, forms, wanders)
    for row, wander in enumerate(wanders):
        for at, case in enumerate(cases):
            inverse = np.linalg.inv(case.covariance(wander))
            for column in range(forms.family.size):
                one = forms.of(np.array([column]))

                def misfit(speed, one=one, case=case, inverse=inverse):
                    off = case.log_peak - one.paths(np.array([speed]), case.since)[0]
                    off = off - (inverse @ off).sum() / inverse.sum()
                    return off @ inverse @ off

                found = fit.speed[row, at, column]
                best = minimize_scalar(misfit, (found - 0.5, found + 0.3), tol=1e-10)
                assert fit.misfit[row, at, column] == pytest.approx(best.fun, rel=1e-4, abs=1e-9)
                step = 1e-3
                bend = (misfit(found + step) - 2.0 * misfit(found) + misfit(found - step)) / step**2
                # By Gauss and Newton: without the bend of the path itself.
                assert fit.precision[row, at, column] == pytest.approx(bend / 2.0, rel=0.1)


def test_how_far_readings_depart_from_the_form_widens_what_is_said():
    """Wear that wanders: gamma increments, at which the same mean rise is less sure."""
    widths = {}
    for spread in (0.0, 1.0):
        rng = np.random.default_rng(8)
        logs = []
        for _ in range(8):
            steps = np.full(40, 0.005)
            if spread:
                steps = rng.gamma(spread**-2.0, 0.005 * spread**2.0, 40)
            steps[0] = 0.0
            logs.append(4.6 + np.cumsum(steps) + 0.003 * rng.standard_normal(40))
        lives = case_lives_of(logs)
        assert all(life.fit.wander is not None for life in lives)
        widths[spread] = np.mean(
            [np.diff(np.log(np.quantile(life.outcomes[0].failure_age - 40, [0.05, 0.95])))[0]
             for life in lives]
        )  # fmt: skip
    assert widths[1.0] > 1.5 * widths[0.0]


def case_lives_of(logs, limit=None):
    from durability.wear.fitting import fit_wear

    known = histories(logs)
    return case_lives(known, fit_wear(known), limit or FailureLimit(None, LIMIT, 2000))


def test_what_the_bench_reads_with_scatter_is_left_to_the_shapes():
    logs, _ = rising(1, scatter=0.05)
    assert fleet_draws(clocks_of(logs), logs) == [None] * 6
    assert all(life.fit.wander is None for life in case_lives_of(logs))


def test_two_cases_are_no_fleet():
    logs, _ = rising(1, cases=2)
    assert fleet_draws(clocks_of(logs), logs) == [None, None]


def test_a_case_unlike_the_others_goes_by_its_own():
    logs, _ = rising(2)
    logs[3] = logs[3] + 0.08 * np.sin(np.arange(logs[3].size))
    found = fleet_draws(clocks_of(logs), logs)
    assert found[3] is None
    assert all(each is not None for at, each in enumerate(found) if at != 3)


def test_a_wild_reading_moves_no_forecast_far():
    logs, _ = rising(4)
    before = forecast(histories(logs), horizon=2000)
    logs[2] = logs[2].copy()
    logs[2][5] += 0.1
    after = forecast(histories(logs), horizon=2000)
    for one, other in zip(before, after, strict=True):
        assert other.drops_to_failure.median == pytest.approx(one.drops_to_failure.median, rel=0.05)


@pytest.mark.parametrize(("off", "left_out"), [([5], 1), ([-2, -1], 0)])
def test_an_outlier_teaches_nobody_and_several_in_a_row_are_none(monkeypatch, off, left_out):
    logs, _ = rising(4, scatter=0.02)
    logs[2][off] += 0.4
    read = {}

    def spy(clocks, log_peaks):
        read.update(enumerate(zip(clocks, log_peaks, strict=True)))
        return fleet_draws(clocks, log_peaks)

    monkeypatch.setattr("durability.wear.lives.fleet_draws", spy)
    case_lives_of(logs)
    assert [logs[at].size - read[at][1].size for at in range(6)] == [0, 0, left_out, 0, 0, 0]
    assert (logs[2][5] in read[2][1]) == (left_out == 0)
    assert all(clock.size == log_peak.size for clock, log_peak in read.values())


def test_names_and_order_say_nothing():
    logs, _ = rising(5)
    clocks = clocks_of(logs)
    found, turned = fleet_draws(clocks, logs), fleet_draws(clocks[::-1], logs[::-1])
    for one, other in zip(found, turned[::-1], strict=True):
        np.testing.assert_array_equal(one.draws.climb, other.draws.climb)
        np.testing.assert_array_equal(one.ahead, other.ahead)


def test_the_fan_reaches_the_limit_when_the_forecast_says():
    logs, _ = rising(6)
    limit = FailureLimit(None, LIMIT, 2000)
    life = case_lives_of(logs, limit)[0]
    fan = level_fan(life.fit, 0, farthest=400, limit=limit)
    reached = fan.drop_number[np.argmax(fan.median_g >= limit.in_g(life.fit.fresh_g(0)))]
    median = life.prediction(0, 0.9, 2000).median
    assert abs(reached - median) <= 2.0
    (told, *_) = forecast(histories(logs), horizon=2000)
    assert "show one form of wear: scatter 0.3 %" in told.basis
