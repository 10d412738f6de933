"""Forecast over many series: seconds, per series, and how the cost grows.

Run ``python tests/benchmarks/bench_wear.py``. The straight line by scipy.stats.linregress, one
series at a time, is the peer of the ratio: the least that a loop would do.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.stats import linregress

from durability.record.records import DropHistory
from durability.wear.forecast import forecast


def histories(n_series, rng, *, mixed):
    cases = []
    for i in range(n_series):
        made = int(rng.integers(8, 31)) if mixed else 25
        path = rng.uniform(0.0, 0.03) * np.arange(made)
        peak_g = 100.0 * np.exp(path + 0.05 * rng.standard_normal(made))
        number = np.arange(1, made + 1)
        cases.append(DropHistory(f"s{i}", number, peak_g, made, made, case_model=f"m{i // 8}"))
    return cases


def seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--series", type=int, default=2000)
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    forecast(histories(16, rng, mixed=False))
    print("| series | drops | seconds | ms a series | times a loop of straight lines |")
    print("| --- | --- | --- | --- | --- |")
    for mixed in (False, True):
        for size in (options.series // 2, options.series):
            cases = histories(size, rng, mixed=mixed)
            ours = seconds(lambda cases=cases: forecast(cases))
            loop = seconds(
                lambda cases=cases: [
                    linregress(one.drop_number, np.log(one.peak_g)) for one in cases
                ]
            )
            drops = "8 to 30" if mixed else "25"
            print(
                f"| {size} | {drops} | {ours:.1f} | {1000 * ours / size:.2f} | {ours / loop:.1f} |"
            )


if __name__ == "__main__":
    main()
