"""False ones among a thousand series called rising, and how many of those that rise are found.

Run ``python tests/calibration/discoveries.py`` (two minutes of processor time): Markdown tables.
Of 1,000 series 50 rise, ten along each family of paths of ``detection``; 40 runs for each of four
laws of scatter. "exact" is the same rule with the p that the statistic has under that very law,
from 200,000 steady series of it. E-values are those of the alarm as it stands at the last drop;
beside them the alarm's own Bayes factor, and its mean over steady series at rules of stopping.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import detection
from scipy.stats import false_discovery_control

from durability.wear.alarm import e_discoveries, log_e_values, rank_evidence, running_scores
from durability.wear.results import FALSE_RISE_RATE
from durability.wear.rise_evidence import judged_evidence
from durability.wear.verdict import final_verdicts

SERIES, RISING = 1000, 50
LAWS = ("normal", "Student t, 3 d.f.", "4 % wild", "skewed (log-normal)")


def simulated(n, law, generator):
    """Log peak g of all series, those that rise first."""
    readings = detection.scatter(law, (SERIES, n), generator)
    each = RISING // len(detection.FAMILIES)
    for at, family in enumerate(detection.FAMILIES.values()):
        readings[at * each : (at + 1) * each] += 1.5 * family(n, each, generator)
    return detection.SCATTER * readings


def shares(called):
    """Share of false ones among the called, and of the rising that are called."""
    return called[RISING:].sum() / max(called.sum(), 1), called[:RISING].mean()


def by_law(n, law, rate, runs, seed):
    generator = np.random.default_rng([seed, n, LAWS.index(law)])
    steady = np.concatenate(
        [
            judged_evidence(
                detection.SCATTER * detection.scatter(law, (20_000, n), generator)
            ).rising
            for _ in range(10)
        ]
    )
    steady.sort()
    whole = np.ones(SERIES)
    rows = []
    for _ in range(runs):
        log_peak = simulated(n, law, generator)
        verdict, p_rise, _, _ = final_verdicts(log_peak, whole)
        rising = np.array([each == "rising" for each in verdict])
        evidence = judged_evidence(log_peak).rising
        above = steady.size - np.searchsorted(steady, evidence, side="left")
        exact = (1.0 + above) / (1.0 + steady.size)
        log_e = dict(enumerate(log_e_values(log_peak, whole)))
        by_e, by_factor = np.zeros((2, SERIES), dtype=bool)
        by_e[list(e_discoveries(log_e, rate))] = True
        *_, (_, scores) = running_scores(log_peak)
        by_factor[list(e_discoveries(dict(enumerate(rank_evidence(scores))), rate))] = True
        expected = FALSE_RISE_RATE / (1 - FALSE_RISE_RATE) * (SERIES - rising.sum())
        rows.append(
            (
                *shares(rising),
                expected,
                rising[RISING:].sum(),
                *shares(rising & (false_discovery_control(np.minimum(p_rise, 1.0)) <= rate)),
                *shares(rising & (false_discovery_control(exact) <= rate)),
                *shares(by_e),
                *shares(by_factor),
            )
        )
    return np.array(rows)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--drops", type=int, action="append")
    options = parser.parse_args()
    for n in options.drops or (12, 25, 60):
        for rate in (0.05, 0.1):
            print(
                f"\n| {n} drops, rate {rate} | one by one: false, found | false said, there |"
                " q-values: false ± s.e., found | exact p: false, found | found of exact |"
                " e-values: false, found | alarm's factor: false, found |\n"
                "| --- | --- | --- | --- | --- | --- | --- | --- |"
            )
            for law in LAWS:
                rows = by_law(n, law, rate, options.runs, options.seed)
                mean = rows.mean(axis=0)
                error = rows[:, 4].std(ddof=1) / np.sqrt(len(rows))
                print(
                    f"| {law} | {mean[0]:.3f}, {mean[1]:.2f} | {mean[2]:.0f}, {mean[3]:.0f} |"
                    f" {mean[4]:.3f} ± {error:.3f}, {mean[5]:.3f} | {mean[6]:.3f}, {mean[7]:.3f} |"
                    f" {mean[5] / mean[7]:.3f} | {mean[8]:.3f}, {mean[9]:.3f} |"
                    f" {mean[10]:.3f}, {mean[11]:.3f} |",
                    flush=True,
                )
    steady = np.exp(
        log_e_values(
            np.random.default_rng(options.seed).standard_normal((200_000, 8)), np.ones(200_000)
        )
    )
    print(f"\nmean e-value of 200,000 steady series of 8 drops: {steady.mean():.3f}")
    readings = np.random.default_rng(options.seed).standard_normal((100_000, 25))
    factors = [np.exp(rank_evidence(scores)) for _, scores in running_scores(readings)]
    for bound in (2, 5, 10, 20, 50):
        # The factor at the first look beyond the bound, else at the last.
        stopped = factors[-1].copy()
        for factor in reversed(factors):
            stopped = np.where(factor > bound, factor, stopped)
        print(f"mean of the alarm's factor, stopped beyond {bound}: {stopped.mean():.3f}")


if __name__ == "__main__":
    main()
