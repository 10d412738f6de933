"""Level of a series: evidence against quadrature, shapes, wild readings, siblings, odd inputs."""

from __future__ import annotations

import numpy as np
import pytest
from naive_wear import log_evidence_by_quadrature

from durability.record.records import DropHistory
from durability.wear.cells import (
    WILD_DENSITY,
    WILD_SHARE,
    bin_log_evidence,
    fit_cells,
    normal_to_t,
    student_mass,
    t_to_normal,
)
from durability.wear.draws import central_cuts, draw_level, log_level
from durability.wear.fitting import Readings, doubted, fit_readings, fit_wear
from durability.wear.population import SCATTER, SCATTER_WEIGHT, scatter_prior
from durability.wear.shapes import HYPERBOLIC, SHAPES, SIGNED_EDGES, STEADY, climb_basis, shape_grid


def history(peak_g, *, drop_number=None, series="S1", **rest):
    peak_g = np.asarray(peak_g, dtype=float)
    number = np.arange(1, peak_g.size + 1) if drop_number is None else np.asarray(drop_number)
    last = int(number[-1]) if number.size else 0
    return DropHistory(series, number, peak_g, max(last, peak_g.size), last, **rest)


def simulated(path, scatter=0.05, seed=1, **rest):
    rng = np.random.default_rng(seed)
    return history(100.0 * np.exp(path + scatter * rng.standard_normal(len(path))), **rest)


def one(*args, **rest):
    return fit_wear([simulated(*args, **rest)])[0]


N = np.arange(25.0)


# ------------------------------------------------------------------- the evidence is what it says


@pytest.mark.parametrize("wild", [False, True])
def test_evidence_agrees_with_quadrature(wild):
    log_peak = 4.6 + 0.008 * np.arange(12) + 0.06 * np.random.default_rng(2).standard_normal(12)
    log_peak[4] += 0.6 * wild
    grid = shape_grid(500)
    fit = fit_cells(log_peak[None], np.ones((1, 12)), grid, scatter_prior(1))
    ours = bin_log_evidence(fit, grid)[0]
    no_step = grid.step_family == STEADY
    for cell in np.flatnonzero(no_step & (grid.unit == 1.0))[:80:13]:
        basis = climb_basis(grid.family[[cell]], grid.parameter[[cell]], np.arange(1.0, 13.0))[0]
        for bin_ in (15, 18, 20):
            naive = log_evidence_by_quadrature(
                log_peak,
                basis,
                SIGNED_EDGES[bin_],
                SIGNED_EDGES[bin_ + 1],
                prior_readings=SCATTER_WEIGHT,
                prior_scatter=SCATTER,
                wild_share=WILD_SHARE,
                wild_density=WILD_DENSITY,
            )
            # The bound lies below the truth, by less than a reading is worth.
            assert -0.8 < ours[cell, bin_] - naive < 0.1


def test_wallace_deviate_is_close_to_the_exact_one():
    from scipy.stats import norm, t

    for freedom in (2.0, 5.0, 30.0):
        at = np.linspace(-6, 6, 41)
        z = t_to_normal(at, np.array(freedom))
        # Wallace (1959) promises about 0.002 in probability from 3 degrees of freedom on.
        assert np.abs(norm.cdf(z) - t.cdf(at, freedom)).max() < 0.004
        assert normal_to_t(z, np.array(freedom)) == pytest.approx(at, abs=1e-9)


def test_the_mass_between_two_edges_is_the_difference_of_their_tails():
    from scipy.stats import norm

    rng = np.random.default_rng(4)
    edges = np.sort(rng.normal(0.0, 4.0, (16, 300)), axis=0)
    edges[7] = 0.0
    edges.sort(axis=0)
    freedom = rng.uniform(2.0, 60.0, 300)
    z = t_to_normal(edges, freedom)
    exact = np.where(z[1:] > 0.0, norm.sf(z[:-1]) - norm.sf(z[1:]), np.diff(norm.cdf(z), axis=0))
    ours = student_mass(edges.astype(np.float32), freedom.astype(np.float32))
    # A narrow bin is the small difference of two tails, each within 3.2e-5 of itself.
    tail = np.minimum(norm.sf(np.abs(z[:-1])), norm.sf(np.abs(z[1:])))
    assert np.abs(ours - exact).max() < 3e-5
    assert (np.abs(ours - exact) <= 1e-3 * exact + 1e-4 * tail).all()


def test_hyperbolic_path_is_paris_law():
    # da/dn = C a^(m/2) integrated step by step from a(1) = 1 with m = 4, C = 0.02.
    crack, path = 1.0, []
    for _ in range(30_000):
        path.append(crack)
        crack += 0.001 * 0.02 * crack**2
    basis = climb_basis(np.array([HYPERBOLIC]), np.array([50.0]), 1 + np.arange(0, 30.0))[0]
    # log a = -log(1 - 0.02 (n-1)): rate 0.02, pole at 50 drops; Euler's steps are good to 1e-4.
    assert 0.02 * basis == pytest.approx(np.log(path[::1000]), abs=2e-4)


def test_prior_sums_to_one_and_every_kernel_row_does():
    grid = shape_grid(500)
    # Size priors are cut at the last edge and made whole again.
    assert np.exp(grid.log_prior).sum() == pytest.approx(1.0, abs=1e-9)
    for run, kernel in grid.blocks:
        assert kernel.shape == (run.stop - run.start,) * 2
        assert kernel.sum(axis=1) == pytest.approx(1.0)


# ------------------------------------------------------------------------------ shapes are found


@pytest.mark.parametrize(
    ("path", "shapes"),
    [
        (0.02 * N, {"linear", "onset"}),
        (0.05 * np.maximum(0.0, N - 12), {"onset", "accelerating"}),
        (0.0012 * N**2, {"accelerating", "onset"}),
        (0.3 * (1 - np.exp(-N / 2)), {"settling", "settling then climbing", "slowing", "jump"}),
        (0.3 * (N >= 12), {"jump"}),
    ],
)
def test_shape_with_the_weight(path, shapes):
    fit = one(path, scatter=0.03)
    assert set(fit.shape_weights) == set(SHAPES)
    assert sum(fit.shape_weights.values()) == pytest.approx(1.0)
    assert sum(fit.shape_weights[name] for name in shapes) > 0.6


def test_rise_is_the_rate_of_a_line_and_nothing_when_settled():
    fit = one(0.02 * N, scatter=0.03)
    assert fit.rise_lower < 2.02 < fit.rise_upper
    assert fit.rise_pct_per_drop == pytest.approx(2.02, abs=0.3)
    settled = one(0.3 * (1 - np.exp(-N / 1.5)), scatter=0.03)
    assert -0.1 < settled.rise_lower < 0.05
    assert 0.0 <= settled.rise_pct_per_drop < 0.35


def test_band_holds_the_level_as_often_as_stated():
    inside = []
    for seed in range(40):
        rate = 0.001 * (seed % 30)
        fit = one(rate * N, scatter=0.06, seed=seed)
        level = 100 * np.exp(rate * N)
        inside.append((fit.level_lower_g <= level) & (level <= fit.level_upper_g))
    # 40 series, drops of a series go together: 0.90 ± two standard errors of about 0.035.
    assert 0.83 < np.mean(inside) <= 1.0


def test_scale_of_g_changes_nothing_else():
    fit, scaled = fit_wear([simulated(0.01 * N), history(7.0 * simulated(0.01 * N).peak_g)])
    assert scaled.level_g == pytest.approx(7.0 * fit.level_g, rel=1e-9)
    assert scaled.rise_pct_per_drop == pytest.approx(fit.rise_pct_per_drop, rel=1e-9)


def test_company_in_the_batch_changes_nothing():
    cases = [simulated(0.01 * N[: 5 + k], seed=k, series=f"S{k}") for k in range(12)]
    together, alone = fit_wear(cases), [fit_wear([case])[0] for case in cases]
    for batch, single in zip(together, alone, strict=True):
        assert batch.level_g == pytest.approx(single.level_g, rel=1e-9)


# ---------------------------------------------------------------------------------- wild readings


def test_siblings_beside_it_change_nothing_for_a_series_without_any():
    siblings = fleet([0.01 * np.arange(length) for length in (14, 16, 25)])
    for seed in range(20):
        alone = simulated(0.01 * np.arange(13), seed=100 + seed, series="alone")
        (fit,), (*_, among) = fit_wear([alone]), fit_wear([*siblings, alone])
        assert among.level_g == pytest.approx(fit.level_g, rel=1e-6)
        assert among.shape_weights == pytest.approx(fit.shape_weights, abs=1e-6)


@pytest.mark.parametrize("at", [0, 9, 24])
def test_wild_reading_is_named_and_does_not_pull(at):
    clean = simulated(0.0 * N, scatter=0.04)
    wild = clean.peak_g.copy()
    wild[at] *= 2.0
    fit, without = fit_wear([history(wild), clean])
    assert at + 1 in fit.doubted_drops
    assert fit.level_first_g == pytest.approx(without.level_first_g, rel=0.06)
    assert fit.level_latest_g == pytest.approx(without.level_latest_g, rel=0.06)


def test_a_jump_that_stays_is_no_wild_reading():
    fit = one(0.4 * (N >= 20), scatter=0.04, seed=3)
    assert not set(range(21, 26)) & set(fit.doubted_drops)
    assert fit.level_latest_g > 135.0


# ------------------------------------------------------------------------------ borrowed strength


def fleet(paths, **rest):
    return [
        simulated(path, seed=k, series=f"S{k}", case_model="M", **rest)
        for k, path in enumerate(paths)
    ]


def test_three_drops_borrow_the_rate_of_their_model():
    young = history([100.0, 104.0, 103.0], series="young", case_model="M")
    siblings = fleet([0.03 * N] * 6, scatter=0.03)
    alone = fit_wear([young])[0]
    shared = fit_wear([*siblings, young])[-1]
    assert shared.siblings == 6
    there = 100.0 * np.expm1(0.03)
    assert shared.rise_pct_per_drop == pytest.approx(there, abs=0.8)
    assert abs(alone.rise_pct_per_drop - there) > 0.8
    assert shared.rise_lower < there < shared.rise_upper


def test_a_case_unlike_its_siblings_is_not_dragged():
    odd = simulated(0.0 * N, scatter=0.03, seed=50, series="odd", case_model="M")
    alone = fit_wear([odd])[0]
    shared = fit_wear([*fleet([0.04 * N] * 6, scatter=0.03), odd])[-1]
    assert shared.level_latest_g == pytest.approx(alone.level_latest_g, rel=0.03)
    assert abs(shared.rise_pct_per_drop) < 0.5


def test_a_series_that_starts_above_its_siblings_keeps_its_level():
    high = history(250.0 + np.array([0.0, 3.0, -2.0, 4.0]), series="high", case_model="M")
    shared = fit_wear([*fleet([0.01 * N] * 5), high])[-1]
    assert shared.level_first_g == pytest.approx(250.0, rel=0.04)


def test_other_conditions_are_told_apart():
    cases = fleet([0.01 * N] * 3, drop_height_mm=1000.0, surface="steel", orientation="face")
    other = history([100.0, 101.0], series="other", case_model="M")
    fit = fit_wear([*cases, other])[-1]
    assert (fit.siblings, fit.siblings_elsewhere) == (0, 3)


# -------------------------------------------------------------------------------------- odd inputs


def test_no_valid_drop_has_no_level():
    fit = fit_wear([DropHistory("S", np.empty(0, dtype=int), np.empty(0), 5, 5)])[0]
    assert fit.draws is None
    assert fit.level_first_g is fit.level_latest_g is fit.rise_pct_per_drop is fit.shape is None
    assert fit.level_g.size == 0


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_drops_have_a_wide_level(count):
    fit = one(np.zeros(count), scatter=0.05)
    assert fit.level_lower_g[0] < fit.level_first_g < fit.level_upper_g[0]
    assert np.isfinite([*fit.level_g, *fit.level_lower_g, *fit.level_upper_g]).all()
    assert (fit.rise_pct_per_drop is None) == (count == 1)


def test_equal_readings_give_that_level():
    fit = fit_wear([history(np.full(12, 118.0))])[0]
    assert fit.level_g == pytest.approx(np.full(12, 118.0), rel=0.01)
    assert fit.doubted_drops == ()


def test_falling_peak_g_is_a_falling_level():
    fit = one(-0.02 * N, scatter=0.04)
    assert fit.rise_upper < 0.0
    assert fit.rise_pct_per_drop == pytest.approx(-1.98, abs=0.4)


def test_missing_drop_numbers_stay_missing():
    number = np.array([2, 3, 5, 8, 9, 10, 14, 15, 20])
    rng = np.random.default_rng(0)
    peak_g = 100 * np.exp(0.03 * (number - 1) + 0.03 * rng.standard_normal(9))
    fit = fit_wear([history(peak_g, drop_number=number)])[0]
    assert fit.level_g.size == 9
    assert fit.level_first_g == pytest.approx(100.0, rel=0.08)
    assert fit.rise_lower < 3.05 < fit.rise_upper


def test_ten_thousand_drops():
    number = np.arange(10_000)
    fit = one(0.4 * number / 10_000, scatter=0.05)
    assert fit.level_latest_g == pytest.approx(100 * np.exp(0.4), rel=0.01)
    assert fit.rise_pct_per_drop == pytest.approx(0.004, rel=0.1)


def test_no_series_no_fit():
    assert fit_wear([]) == []


def test_log_level_runs_on_past_the_last_drop():
    fit = one(0.02 * N, scatter=0.03)
    ahead = np.median(log_level(fit.draws, np.array([25, 35])), axis=0)
    assert ahead[1] - ahead[0] == pytest.approx(0.2, abs=0.06)


def test_chi_squares_are_as_by_the_reference_library():
    from scipy.special import gammaincinv

    from durability.wear.draws import SCATTER as USE
    from durability.wear.draws import _chi_square, evenly

    def drawn(of_place, kind=np.float32):
        return np.repeat(of_place.astype(kind), evenly(USE).size)

    for freedom, within in ((2.0, 6e-3), (5.1, 1.2e-3), (12.0, 4e-4), (10_000.0, 1e-5)):
        exact = 2.0 * gammaincinv(0.5 * freedom, evenly(USE))
        assert _chi_square(np.array([freedom]), drawn) == pytest.approx(exact, rel=within)


# ------------------------------------------------------------- many series at once, and in full


def of_a_kind(kind, count, rng):
    """Series in models of eight: paths of five shapes, as clean or wild and as long as the kind."""
    for number in range(count):
        made = 25 if kind < 2 else int(rng.integers(5, 61))
        since = np.arange(made)
        path = [
            0.0 * since,
            rng.uniform(0.0, 0.03) * since,
            rng.uniform(0.01, 0.06) * np.maximum(0, since - rng.integers(3, 30)),
            rng.uniform(0.05, 0.3) * (1 - np.exp(-since / rng.uniform(0.7, 4.0))),
            rng.uniform(0.1, 0.3) * (since >= rng.integers(3, 25)),
        ][rng.integers(5)]
        noise = rng.standard_normal(made)
        if kind % 2:
            far = rng.choice([-1.0, 1.0], made) * rng.uniform(4.0, 10.0, made)
            noise = np.where(rng.random(made) < 0.05, far, noise)
        peak_g = 100.0 * np.exp(rng.normal(0.0, 0.1) + path + rng.uniform(0.03, 0.08) * noise)
        kept = np.flatnonzero((rng.random(made) > 0.1 * (kind == 3)) | (since == 0))
        yield history(
            peak_g[kept],
            drop_number=kept + 1,
            series=f"S{number}",
            case_model=f"M{kind}.{number // 8}",
        )


@pytest.mark.parametrize("kind", range(4), ids=["clean", "wild", "5 to 60 drops", "wild, gaps"])
def test_many_series_at_once_are_fitted_as_in_full(kind):
    # A seed that wasn't used while the quick fit was built.
    cases = [*of_a_kind(kind, 75, np.random.default_rng(20261128 + kind))]
    readings = [
        Readings(each.wear_clock.astype(float), each.peak_g, each.case_model, frozenset([1]))
        for each in cases
    ]
    quick = fit_wear(cases)

    def in_full(at, told):
        draws, _ = draw_level(told.cells, told.probability, told.grid)
        path = np.sort(np.exp(log_level(draws, cases[at].wear_clock)), axis=0)
        return path[central_cuts(len(path))], told.shape_weights(), doubted(told)

    full = fit_readings(readings, in_full)
    level, band, weight, doubts, shapes = [], [], [], 0, []
    for fit, (bands, weights, wild) in zip(quick, full, strict=True):
        level.append(np.abs(np.log(fit.level_g / bands[1])).max())
        band += [
            np.abs(np.log(fit.level_lower_g / bands[0])).max(),
            np.abs(np.log(fit.level_upper_g / bands[2])).max(),
        ]
        weight.append(max(abs(fit.shape_weights[name] - weights[name]) for name in weights))
        doubts += fit.doubted_drops != tuple(fit.drop_number[wild])
        first, second = sorted(weights.values())[:-3:-1]
        if fit.shape != max(weights, key=weights.get):
            shapes.append(first - second)
    # At a jump between two drops the middle of the level is either side's: the largest are there.
    assert np.quantile(level, 0.95) < 0.005
    assert np.quantile(band, 0.95) < 0.015
    assert np.quantile(weight, 0.95) < 0.02
    assert np.median(level) < 0.001
    assert doubts <= 1
    # Only where the two likeliest shapes are as good as equally likely.
    assert all(gap < 0.02 for gap in shapes)
    assert len(shapes) <= 2


def test_series_that_are_not_wanted_inform_all_the_same():
    cases = fleet([0.01 * N] * 4)
    (wanted,) = fit_wear(cases, wanted={"S2"})
    among = fit_wear(cases)[2]
    assert (wanted.series, wanted.siblings) == ("S2", 3)
    assert (wanted.level_g == among.level_g).all()
