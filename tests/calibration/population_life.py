"""How often b10, b50 and life of a ranking hold the truth, by family of wear paths.

Run ``python tests/calibration/population_life.py`` (two minutes of processor time). The cases of
a model go through one path of the simulator, each at a speed of its own (log-normal, log standard
deviation 0.15 to 0.5); they are dropped 8 to 40 times, or until their level is well past the limit.
The truth is the quantile of the lives of 4,000 such cases, and the lives of further ones.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import simulator

from durability.record.records import DropHistory
from durability.wear.ranking import rank

STOPPED_AT = np.log(1.8)
"""A bench stops at some such rise."""


def lives(path, speed):
    """First drop at which the path, gone through at each speed, reaches the limit."""
    reached = np.flatnonzero(path >= np.log1p(simulator.LIMIT_RISE))
    if not reached.size:
        return np.full(speed.size, np.inf)
    return 1.0 + np.ceil(reached[0] / speed)


def population(rng, family, cases):
    """Histories of some cases of a model, and the lives of the population they come from."""
    path = simulator.FAMILIES[family](rng, 1)[0]
    log_sd = rng.uniform(0.15, 0.5)
    scatter = simulator.scatter_of(rng, 1)[0]
    histories = []
    for at in range(cases):
        speed = np.exp(log_sd * rng.standard_normal())
        level = np.interp(simulator.SINCE * speed, simulator.SINCE, path)
        past = np.flatnonzero(level > STOPPED_AT)
        made = int(min(rng.integers(8, 41), past[0] if past.size else 41))
        peak_g = simulator.readings(rng, level[: max(made, 4)], scatter, np.inf)
        number = np.arange(1, peak_g.size + 1)
        name = f"C{at}"
        histories.append(DropHistory(name, number, peak_g, peak_g.size, peak_g.size, name, "M"))
    return histories, lives(path, np.exp(log_sd * rng.standard_normal(4000)))


def within(interval, ends, truth, horizon):
    lower, upper = (getattr(interval, name) for name in ends)
    low = horizon + 1.0 if lower is None else lower
    return (low <= truth) & (truth <= (np.inf if upper is None else upper))


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--populations", type=int, default=100, help="of each family")
    parser.add_argument("--seed", type=int, default=2026)
    asked = parser.parse_args()
    rows = defaultdict(list)
    for place, family in enumerate(simulator.FAMILIES):
        rng = np.random.default_rng([asked.seed, place])
        for _ in range(asked.populations):
            cases = int(rng.choice([2, 3, 5, 8]))
            histories, every = population(rng, family, cases)
            (group,) = rank(histories).groups
            b10, b50 = np.quantile(every, [0.1, 0.5], method="inverted_cdf")
            ends = ("lower", "upper")
            held = (
                within(group.b10, ends, b10, simulator.HORIZON),
                within(group.b50, ends, b50, simulator.HORIZON),
                within(group.life, ends, every, simulator.HORIZON).mean(),
            )
            failed = "none" if not group.failed else "some" if group.failed < cases else "all"
            for name in (family, f"{cases} cases", f"{failed} failed", "all"):
                rows[name].append(held)
    for name, held in rows.items():
        b10, b50, life = np.mean(held, axis=0)
        print(f"{name:24} {len(held):5}  b10 {b10:.3f}  b50 {b50:.3f}  life {life:.3f}")


if __name__ == "__main__":
    main()
