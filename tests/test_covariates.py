"""Effects of temperature and rest: true intervals, silence where nothing was recorded."""

from __future__ import annotations

import numpy as np
import pytest

from durability.record.records import DropHistory
from durability.wear.what_if import covariate_effects

DAY, MINUTE = 86_400.0, 60.0


def series(name, seed, *, per_10_c=0.0, rested=0.0, made=24, per_day=6, warm=True, timed=True):
    rng = np.random.default_rng(seed)
    number = np.arange(1, made + 1)
    temperature = 20 + 6 * rng.standard_normal(made)
    day, place = np.divmod(number - 1, per_day)
    at = 1.7e9 + day * DAY + place * 5 * MINUTE
    first = (place == 0) & (day > 0)
    log_peak = 0.01 * number + per_10_c * temperature / 10 + rested * first
    peak_g = 100 * np.exp(log_peak + 0.04 * rng.standard_normal(made))
    return DropHistory(
        name, number, peak_g, made, made,
        temperature_c=temperature if warm else None, dropped_at_s=at if timed else None,
    )  # fmt: skip


def test_effects_are_found():
    cases = [series(f"S{k}", k, per_10_c=-0.05, rested=-0.08) for k in range(8)]
    temperature, rest = covariate_effects(cases)
    assert temperature.lower < 100 * np.expm1(-0.05) < temperature.upper < 0
    assert rest.lower < 100 * np.expm1(-0.08) < rest.upper < 0
    assert (temperature.series, temperature.drops) == (8, pytest.approx(190, abs=6))


def test_intervals_hold_nothing_as_often_as_stated():
    inside = []
    for trial in range(60):
        cases = [series(f"S{k}", 100 * trial + k) for k in range(4)]
        inside += [one.lower <= 0.0 <= one.upper for one in covariate_effects(cases)]
    # 120 intervals at 0.90: two standard errors are 0.055.
    assert 0.83 < np.mean(inside) <= 0.97


def test_one_series_rests_on_its_scatter():
    temperature, _ = covariate_effects([series("S", 3, per_10_c=0.2)])
    assert temperature.lower < 100 * np.expm1(0.2) < temperature.upper
    assert temperature.basis.startswith("1 series, interval from its scatter")


@pytest.mark.parametrize(
    "cases",
    [
        [],
        [series("S", 1, warm=False, timed=False)],
        [series("S", 1, made=4)],
        [DropHistory("S", np.empty(0, dtype=int), np.empty(0), 3, 3)],
    ],
)
def test_nothing_recorded_nothing_said(cases):
    for effect in covariate_effects(cases):
        assert effect.effect_pct is effect.lower is effect.upper is None
        assert "not recorded" in effect.basis


def test_missing_temperatures_and_drops_are_left_out():
    case = series("S", 5, per_10_c=0.1)
    case.temperature_c[[3, 9]] = np.nan
    kept = np.arange(24) != 12
    gap = DropHistory(
        "S", case.drop_number[kept], case.peak_g[kept], 24, 24,
        temperature_c=case.temperature_c[kept], dropped_at_s=case.dropped_at_s[kept],
    )  # fmt: skip
    temperature, rest = covariate_effects([gap])
    assert temperature.drops == pytest.approx(21, abs=1)
    assert rest.effect_pct is not None
