"""How true the forecast's 90 % intervals are, by family of wear paths, and how wide.

Run ``python tests/calibration/study.py`` (a few minutes). Each family's paths are cut off before
they fail; the truth is the drop at which the path reaches 1.5 times its first level. The score is
the interval score of the log drops left at 90 % (Gneiting & Raftery 2007), smaller is better. The
oracle knows the family, its parameters' distribution and the noise: it weighs 20,000 paths of the
family by their likelihood.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import simulator

from durability.forecast import forecast
from durability.records import DropHistory

MISS = 2.0 / 0.1


def history(series, peak_g, case_model=None):
    return DropHistory(
        series=series,
        drop_number=np.arange(1, peak_g.size + 1),
        peak_g=peak_g,
        drops=peak_g.size,
        last_drop_number=peak_g.size,
        case_model=case_model,
    )


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


def oracle_intervals(family, series, seed, freedom, n_paths=20_000):
    rng = np.random.default_rng(seed)
    paths = simulator.FAMILIES[family](rng, n_paths)
    scatter = simulator.scatter_of(rng, n_paths)[:, None]
    fails = simulator.failure_drop(paths)
    order = np.argsort(fails)
    intervals = []
    offsets = np.linspace(-2.5, 2.5, 9)
    for peak_g, _ in series:
        made = peak_g.size
        off = np.log(peak_g) - paths[:, :made]
        centre = np.median(off, axis=1)
        total = np.full(n_paths, -np.inf)
        for offset in offsets:
            shift = centre[:, None] + offset * scatter / np.sqrt(made)
            z = (off - shift) / scatter
            each = simulator.log_density(z, freedom).sum(axis=1)
            total = np.logaddexp(total, each)
        # Scatter enters the density once a reading, and the step over the level once.
        total -= (made - 1) * np.log(scatter[:, 0])
        weight = np.where(fails > made, np.exp(total - total[fails > made].max()), 0.0)
        up_to = np.cumsum(weight[order]) / weight.sum()
        low, high = np.searchsorted(up_to, [0.05, 0.95])
        intervals.append((fails[order][low], fails[order][min(high, n_paths - 1)]))
    return intervals


def score(lower, upper, fails, made):
    """Interval score on the log of the drops left, and whether the truth is inside."""
    horizon = simulator.HORIZON
    cap = np.log(horizon + 1 - made)
    low = np.log(max(lower - made, 1)) if lower is not None and lower <= horizon else cap
    high = np.log(max(upper - made, 1)) if upper is not None and upper <= horizon else cap
    truth = np.log(fails - made) if fails <= horizon else cap
    missed = max(low - truth, 0.0) + max(truth - high, 0.0)
    return high - low + MISS * missed, missed == 0.0


def scores_of(series, intervals):
    pairs = [
        score(lower, upper, fails, peak_g.size)
        for (peak_g, fails), (lower, upper) in zip(series, intervals, strict=True)
    ]
    return np.array(pairs, dtype=float).T


def run(size, n_oracle, freedom, families):
    rows = []
    for number, family in enumerate(families):
        series = simulate(family, size, 100 + number, freedom)
        told = forecast([history(f"{family} {i}", peak_g) for i, (peak_g, _) in enumerate(series)])
        intervals = [(one.drops_to_failure.lower, one.drops_to_failure.upper) for one in told]
        failed = sum(one.failed for one in told)
        ours, inside = scores_of(series, intervals)
        some = series[:n_oracle]
        best, best_inside = scores_of(some, oracle_intervals(family, some, 7, freedom))
        rows.append(
            (
                family,
                inside.mean(),
                failed / size,
                ours[:n_oracle].mean(),
                best.mean(),
                best_inside.mean(),
            )
        )
    return rows


def pooled(size, seed, freedom):
    """Fleets of six like cases with few drops: intervals with and without the siblings."""
    rng = np.random.default_rng(seed)
    histories, truth = [], []
    for fleet in range(size):
        rate, onset = rng.uniform(0.006, 0.04), rng.uniform(1.0, 15.0)
        for case in range(6):
            made = int(rng.integers(4, 20))
            own_rate, own_onset = (
                rate * np.exp(rng.normal(0, 0.25)),
                onset * np.exp(rng.normal(0, 0.25)),
            )
            path = own_rate * np.maximum(0.0, simulator.NUMBER - own_onset)[None]
            path = path - path[:, :1]
            fails = int(simulator.failure_drop(path)[0])
            made = min(made, fails - 1)
            peak_g = simulator.readings(rng, path[0, :made], 0.05, freedom)
            histories.append(history(f"fleet {fleet} case {case}", peak_g, f"model {fleet}"))
            truth.append((peak_g, fails))
    results = {}
    for name, model in (("alone", False), ("pooled", True)):
        cases = histories if model else [history(one.series, one.peak_g) for one in histories]
        told = forecast(cases)
        use = [i for i, one in enumerate(told) if truth[i][0].size >= 4]
        intervals = [(told[i].drops_to_failure.lower, told[i].drops_to_failure.upper) for i in use]
        some = [truth[i] for i in use]
        total, inside = scores_of(some, intervals)
        widths = [
            np.log(
                max((u or simulator.HORIZON) - p.size, 1)
                / max((lo or simulator.HORIZON) - p.size, 1)
            )
            for (p, _), (lo, u) in zip(some, intervals, strict=True)
        ]
        results[name] = (inside.mean(), total.mean(), float(np.mean(widths)))
    return results


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--series", type=int, default=200, help="series a family")
    parser.add_argument("--oracle", type=int, default=60, help="of which the oracle judges")
    parser.add_argument("--freedom", type=float, default=np.inf, help="of the scatter's Student t")
    parser.add_argument("--family", action="append", help="only this family")
    parser.add_argument("--fleets", type=int, default=40)
    options = parser.parse_args()
    families = options.family or list(simulator.FAMILIES)
    rows = run(options.series, options.oracle, options.freedom, families)
    print("| family | coverage | called failed | score | oracle's | ratio | oracle's coverage |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for family, inside, failed, ours, best, best_inside in rows:
        print(
            f"| {family} | {inside:.3f} | {failed:.3f} | {ours:.2f} | {best:.2f} | {ours / best:.2f} | {best_inside:.2f} |"
        )
    mean = np.array([row[1:] for row in rows]).mean(axis=0)
    print(
        f"| all | {mean[0]:.3f} | {mean[1]:.3f} | {mean[2]:.2f} | {mean[3]:.2f} | {mean[2] / mean[3]:.2f} | {mean[4]:.2f} |"
    )
    if options.fleets:
        print()
        print("| fleets of six like cases | coverage | score | mean log width |")
        print("| --- | --- | --- | --- |")
        for name, (inside, total, width) in pooled(options.fleets, 5, options.freedom).items():
            print(f"| {name} | {inside:.3f} | {total:.2f} | {width:.2f} |")


if __name__ == "__main__":
    main()
