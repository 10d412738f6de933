"""Speed of detection against a loop over pymannkendall and scipy.stats.theilslopes, in one run.

Run from the repository root: ``python tests/benchmarks/bench_trend.py``. The loop is timed on a
sample of the series and scaled up; each of our parts is the best of three.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pymannkendall
from scipy import stats

from durability.wear.kendall import mann_kendall, theil_sen
from durability.wear.verdict import judge_block

SERIES, DROPS, LOOPED = 20_000, 25, 1000


def seconds(work: Callable[[], object], repeats: int = 3) -> float:
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    generator = np.random.default_rng(1)
    number = np.arange(1, DROPS + 1)
    scatter = 0.05 * generator.standard_normal((SERIES, DROPS))
    steady = np.log(100) + scatter
    climb = 0.01 * generator.random((SERIES, 1))
    mixed = steady + climb * number * (generator.random((SERIES, 1)) < 0.5)

    def loop() -> None:
        for reading in steady[:LOOPED]:
            pymannkendall.original_test(reading)
            stats.theilslopes(reading, number)

    def kendall_and_slope() -> None:
        mann_kendall(steady)
        theil_sen(number, steady)

    looped = seconds(loop) * SERIES / LOOPED
    print(f"{SERIES:,} series of {DROPS} drops; loop {looped:.1f} s")
    for name, work in {
        "Mann-Kendall and Theil-Sen": kendall_and_slope,
        "verdict with running alarm, all steady": lambda: judge_block(steady),
        "verdict with running alarm, half of them climbing": lambda: judge_block(mixed),
    }.items():
        taken = seconds(work)
        print(f"{name}: {taken:.3f} s, {looped / taken:.0f} times as fast as the loop")
    for series in (20_000, 80_000):
        many = np.log(100) + 0.05 * generator.standard_normal((series, DROPS))
        tracemalloc.start()
        judge_block(many)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        taken = seconds(lambda many=many: judge_block(many), 1)
        print(f"{series:,} series: {1e6 * taken / series:.1f} µs a series, {peak:.0f} MB at most")
    long = np.log(100) + 0.05 * generator.standard_normal((1, 10_000))
    print(f"one series of 10,000 drops: {seconds(lambda: judge_block(long), 1):.2f} s")


if __name__ == "__main__":
    main()
