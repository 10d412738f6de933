"""What more drops would buy."""

from __future__ import annotations

import numpy as np

from durability.record.records import DropHistory
from durability.wear.forecast import forecast
from durability.wear.what_if import value_of_more_drops


def history(rate, made=10, *, series="S", seed=1):
    rng = np.random.default_rng(seed)
    number = np.arange(1, made + 1)
    peak_g = 100 * np.exp(rate * (number - 1) + 0.04 * rng.standard_normal(made))
    return DropHistory(series, number, peak_g, made, made, case_model="M")


def test_more_drops_narrow_the_forecast_and_many_more_so():
    case = history(0.015)
    few, many = (value_of_more_drops(case, extra=extra) for extra in (2, 15))
    assert few.spread_now == many.spread_now > many.spread_then
    assert many.spread_then < few.spread_then
    (told,) = forecast([case])
    chances = [told.probability_failed_within(drops) for drops in (0, 2, 15)]
    assert 0.0 == chances[0] <= chances[1] < chances[2] <= 1.0
    at = list(told.survival_drop).index(case.last_drop_number + 15)
    assert chances[2] == 1.0 - told.survival_probability[at]
    assert told.probability_failed_within(10_000) is None
    assert few.basis.endswith("24 simulated futures")


def test_siblings_leave_less_to_buy():
    siblings = [history(0.015, 25, series=f"S{k}", seed=k) for k in range(2, 6)]
    alone = value_of_more_drops(history(0.015))
    shared = value_of_more_drops(history(0.015), siblings=siblings)
    assert shared.spread_now < alone.spread_now


def test_nothing_to_plan_with():
    assert value_of_more_drops(history(0.0, 2)).basis == "too few drops to plan with"
    failed = value_of_more_drops(history(0.05, 20))
    assert (failed.basis, failed.spread_now, failed.spread_then) == ("failed already", None, None)


def test_repeats():
    assert value_of_more_drops(history(0.01)) == value_of_more_drops(history(0.01))
