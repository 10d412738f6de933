"""How often intervals hold with very few drops, and with readings rounded coarsely.

Run ``python tests/calibration/few_and_coarse.py`` (a minute of processor time). First the rise per
drop by `rank`, of models that rise straight in log peak g by percents drawn from the ranges below,
cases at speeds of their own; then rise and drop of failure of single cases that rise by 1 to 3 % a
drop for 12 drops, scatter 2 %, read to the nearest 5 g.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd

import durability
from durability.record.records import DropHistory
from durability.wear.ranking import rank

SPEED_LOG_SD = 0.2
DESIGNS = (  # rises in percent per drop, cases a model, fewest and most drops, scatter
    (((5, 10), (10, 15), (15, 25)), 3, (6, 6), 0.03),
    (((5, 25), (5, 25)), 2, (2, 7), 0.03),
    (((5, 25), (5, 25)), 1, (5, 5), 0.03),
    (((15, 20), (25, 35)), 3, (5, 5), 0.03),
    (((0, 1), (1, 2), (2, 3)), 2, (2, 7), 0.04),
)


def case(rng, name, model, rise_pct, drops, scatter):
    number = np.arange(1, int(rng.integers(drops[0], drops[1] + 1)) + 1)
    speed = np.exp(SPEED_LOG_SD * rng.standard_normal() - 0.5 * SPEED_LOG_SD**2)
    level = 5.0 + 0.05 * rng.standard_normal() + np.log1p(rise_pct / 100) * speed * (number - 1)
    peak_g = np.exp(level + scatter * rng.standard_normal(number.size))
    return DropHistory(name, number, peak_g, number.size, number.size, name, model)


def coarse(rng, level_g, cases=100, drops=12, step_g=5.0):
    """Shares of intervals that held the rise and the drop of failure."""
    rates = rng.uniform(np.log(1.01), np.log(1.03), cases)
    rows = []
    for at, rate in enumerate(rates):
        own = np.log(level_g) + 0.05 * rng.standard_normal()
        peak_g = np.exp(own + rate * np.arange(drops) + 0.02 * rng.standard_normal(drops))
        read_g = np.round(peak_g / step_g) * step_g
        names = {"series": f"S{at:03d}", "case": f"C{at:03d}", "case_model": f"M{at:03d}"}
        rows += [names | {"drop_number": n, "peak_g": g} for n, g in enumerate(read_g, 1)]
    record = pd.DataFrame(rows)
    rise, life = durability.trends(record), durability.forecasts(record)
    true = 100.0 * np.expm1(rates)
    failure = 1.0 + np.ceil(np.log(1.5) / rates)
    rise_held = (rise["rise_lower"] <= true) & (true <= rise["rise_upper"])
    in_life = (life["lower"].fillna(401) <= failure) & (failure <= life["upper"].fillna(np.inf))
    return rise_held.mean(), in_life.mean()


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rankings", type=int, default=25)
    parser.add_argument("--seed", type=int, default=90817)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    for ranges, cases, drops, scatter in DESIGNS:
        held, first = [], 0
        for _ in range(asked.rankings):
            rises = {f"M{at}": rng.uniform(*ends) for at, ends in enumerate(ranges)}
            groups = rank(
                [
                    case(rng, f"{model}-{at}", model, rise_pct, drops, scatter)
                    for model, rise_pct in rises.items()
                    for at in range(cases)
                ]
            ).groups
            held += [each.lower <= rises[each.group] <= each.upper for each in groups]
            first += groups[0].group == max(rises, key=rises.__getitem__)
        print(
            f"rises {ranges}, {cases} cases, drops {drops}: held {np.mean(held):.3f} of"
            f" {len(held)}, the fastest first in {first} of {asked.rankings}"
        )
    for level_g in (20.0, 40.0, 60.0, 100.0):
        rise, life = coarse(rng, level_g)
        print(f"{level_g:.0f} g read to 5 g: rise held {rise:.2f}, drop of failure {life:.2f}")


if __name__ == "__main__":
    main()
