"""How true the forecast's 90 % intervals are, by family of wear paths, and how wide.

Run ``python tests/calibration/study.py`` (a few minutes; ``--freedom 4`` for heavy tails). Paths
are cut off after 8 to 30 drops, before they fail; the truth is the drop at which the path reaches
1.5 times its first level. The score is the interval score of the log drops left at 90 % (Gneiting
& Raftery 2007), smaller is better. The oracle knows the scenario: every family, how often it
comes, its parameters' distributions and the noise. It weighs a library of paths by likelihood.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import simulator

from durability.record.records import DropHistory
from durability.wear.forecast import forecast

MISS = 2.0 / 0.1
"""Penalty of a miss at 90 %."""


def history(series, peak_g, case_model=None):
    number = np.arange(1, peak_g.size + 1)
    return DropHistory(series, number, peak_g, peak_g.size, peak_g.size, case_model=case_model)


def simulate(family, size, seed, freedom):
    """Series cut off before failure, with the drop at which each fails."""
    rng = np.random.default_rng(seed)
    series = []
    while len(series) < size:
        path = simulator.FAMILIES[family](rng, 1)
        fails = int(simulator.failure_drop(path)[0])
        made = int(rng.integers(8, 31))
        scatter = simulator.scatter_of(rng, 1)[0]
        peak_g = simulator.readings(rng, path[0, :made], scatter, freedom)
        if fails > made:
            series.append((peak_g, fails))
    return series


class Oracle:
    """Posterior over a library of paths of all families, in single precision to be quick."""

    def __init__(self, freedom, paths_each, seed=7):
        rng = np.random.default_rng(seed)
        every = [family(rng, paths_each) for family in simulator.FAMILIES.values()]
        self.paths = np.concatenate(every).astype(np.float32)
        self.scatter = simulator.scatter_of(rng, len(self.paths))[:, None].astype(np.float32)
        self.fails = simulator.failure_drop(self.paths)
        self.table = simulator.log_density(np.linspace(-12, 12, 4801), freedom).astype(np.float32)

    def interval(self, peak_g):
        made = peak_g.size
        possible = self.fails > made
        scatter, fails = self.scatter[possible], self.fails[possible]
        off = np.log(peak_g).astype(np.float32) - self.paths[possible, :made]
        centre = np.median(off, axis=1)[:, None]
        total = np.full(len(fails), -np.inf)
        # The level is flat: a few steps about its middle, in units of its own uncertainty.
        for step in np.linspace(-2.5, 2.5, 7):
            z = (off - centre) / scatter - step / np.sqrt(made)
            at = np.clip((z + 12) * 200, 0, 4800).astype(np.int32)
            total = np.logaddexp(total, self.table[at].sum(axis=1))
        # Scatter divides each density once, and multiplies the step of the level once.
        total -= (made - 1) * np.log(scatter[:, 0])
        weight = np.exp(total - total.max())
        order = np.argsort(fails)
        up_to = np.cumsum(weight[order]) / weight.sum()
        low, high = np.searchsorted(up_to, [0.05, 0.95])
        return fails[order][low], fails[order][min(high, len(fails) - 1)]


def score(lower, upper, fails, made):
    """Interval score on the log of the drops left, whether the truth is inside, and log width."""
    cap = np.log(simulator.HORIZON + 1 - made)

    def left(drop):
        beyond = drop is None or drop > simulator.HORIZON
        return cap if beyond else np.log(max(drop - made, 1))

    low, high, truth = left(lower), left(upper), left(fails)
    missed = max(low - truth, 0.0) + max(truth - high, 0.0)
    return high - low + MISS * missed, missed == 0.0, high - low


def scores_of(series, intervals):
    """Score, inside and log width of each series; shape (3, n_series)."""
    rows = [
        score(lower, upper, fails, peak_g.size)
        for (peak_g, fails), (lower, upper) in zip(series, intervals, strict=True)
    ]
    return np.array(rows, dtype=float).T


def intervals_of(cases):
    told = [one.drops_to_failure for one in forecast(cases)]
    return [(one.lower, one.upper) for one in told]


def by_family(options):
    oracle = Oracle(options.freedom, options.paths) if options.oracle else None
    rows = []
    for number, family in enumerate(options.family or simulator.FAMILIES):
        series = simulate(family, options.series, 100 + number, options.freedom)
        cases = [history(f"{family} {i}", peak_g) for i, (peak_g, _) in enumerate(series)]
        total, inside, width = scores_of(series, intervals_of(cases))
        some = series[: options.oracle]
        best = [np.nan]
        if oracle is not None:
            best, _, _ = scores_of(some, [oracle.interval(peak_g) for peak_g, _ in some])
        ours = total[: options.oracle] if options.oracle else total
        rows.append((family, inside.mean(), width.mean(), ours.mean(), np.mean(best)))
    rows.append(("all", *np.array([row[1:] for row in rows]).mean(axis=0)))
    print("| family | coverage | log width | score | oracle's score | ratio |")
    print("| --- | --- | --- | --- | --- | --- |")
    for family, inside, width, ours, best in rows:
        ratio = ours / best
        print(f"| {family} | {inside:.3f} | {width:.2f} | {ours:.2f} | {best:.2f} | {ratio:.2f} |")


def fleet_paths(kind, rng):
    """One model's typical path and its cases' own, which differ by a quarter."""
    rate = np.exp(rng.uniform(np.log(0.004), np.log(0.05)))
    onset, power = rng.uniform(1, 15), rng.uniform(0.8, 2.0)
    growth = rng.uniform(0.03, 0.12)
    since = simulator.SINCE
    while True:
        own, late = rate * np.exp(rng.normal(0, 0.25)), onset * np.exp(rng.normal(0, 0.25))
        path = {
            "linear": own * since,
            "onset": own * np.maximum(0.0, simulator.NUMBER - late),
            "power law": np.log1p(20 * own * (since / 20) ** power),
            "exponential": own / 2 * np.expm1(np.minimum(growth * since, 30)) / growth,
        }[kind]
        yield path - path[0]


def pooled(options):
    print("| fleets of six like cases | coverage alone, pooled | log width | score |")
    print("| --- | --- | --- | --- |")
    for kind in ("linear", "onset", "power law", "exponential"):
        rng = np.random.default_rng(11)
        cases, series = [], []
        for fleet in range(options.fleets):
            paths = fleet_paths(kind, rng)
            scatter = rng.uniform(0.03, 0.10)
            for case in range(6):
                path = next(paths)
                fails = int(simulator.failure_drop(path[None])[0])
                made = min(int(rng.integers(4, 26)), fails - 1)
                peak_g = simulator.readings(rng, path[:made], scatter, options.freedom)
                cases.append(history(f"fleet {fleet} case {case}", peak_g, f"model {fleet}"))
                series.append((peak_g, fails))
        alone = [history(one.series, one.peak_g) for one in cases]
        enough = [i for i, (peak_g, _) in enumerate(series) if peak_g.size >= 4]
        figures = []
        for some in (alone, cases):
            intervals = intervals_of(some)
            total, inside, width = scores_of(
                [series[i] for i in enough], [intervals[i] for i in enough]
            )
            figures.append((inside.mean(), width.mean(), total.mean()))
        (a, wa, sa), (p, wp, sp) = figures
        print(f"| {kind} | {a:.3f}, {p:.3f} | {wa:.2f}, {wp:.2f} | {sa:.2f}, {sp:.2f} |")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--series", type=int, default=300, help="series a family")
    parser.add_argument("--oracle", type=int, default=60, help="of which the oracle judges")
    parser.add_argument("--paths", type=int, default=3000, help="paths a family in its library")
    parser.add_argument("--freedom", type=float, default=np.inf, help="of the scatter's Student t")
    parser.add_argument("--family", action="append", help="only this family")
    parser.add_argument("--fleets", type=int, default=40, help="fleets of each kind")
    options = parser.parse_args()
    by_family(options)
    if options.fleets:
        print()
        pooled(options)


if __name__ == "__main__":
    main()
