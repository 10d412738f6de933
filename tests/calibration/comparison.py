"""How often the intervals of a comparison hold the true ratio, fresh, worn and over the drops made.

Run ``python tests/calibration/comparison.py`` (a minute of processor time). Bare drops of 1 to 3
devices against 1 to 5 cases; devices and cases differ by 3 to 10 %, readings scatter by 3 to 8 %,
cases climb by 0 to 3 % a drop, each at a rate of its own; in two of five comparisons each is
dropped in two orientations, one after the other.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from durability.record.records import DropHistory
from durability.wear.compare import compare

RATIO = 2.0
RATE_LOG_SD = 0.3


def series(name, log_level, age, *, case=None, device="D", where="face 1"):
    number = np.arange(1, log_level.size + 1)
    model = None if case is None else "M"
    return DropHistory(
        name, number, np.exp(log_level), number.size, number.size, case, model,
        device=device, drop_height_mm=1000.0, surface="steel", orientation=where,
        age_by_drop=None if case is None else age + number,
    )  # fmt: skip


def compared(rng):
    """A comparison, the climb per drop, and the mean age over the drops both sides made."""
    between, scatter = rng.uniform(0.03, 0.10), rng.uniform(0.03, 0.08)
    devices, cases = int(rng.choice([1, 2, 3])), int(rng.choice([1, 2, 3, 5]))
    made, made_bare = int(rng.integers(6, 21)), int(rng.integers(4, 12))
    rate = rng.uniform(0.0, 0.03)
    places = {"face 1": 0.0, "face 3": rng.normal(0.0, 0.3)}
    if rng.random() > 0.4:
        del places["face 3"]
    bare, cased = [], []
    for at in range(devices):
        own = np.log(150.0 * RATIO) + rng.normal(0.0, between)
        for where, level in places.items():
            log_level = own + level + scatter * rng.standard_normal(made_bare)
            bare.append(series(f"B{at} {where}", log_level, 0, device=f"D{at}", where=where))
    for at in range(cases):
        own = np.log(150.0) + rng.normal(0.0, between)
        # The mean over cases is the model's climb.
        climb = rate * np.exp(RATE_LOG_SD * rng.standard_normal() - 0.5 * RATE_LOG_SD**2)
        for age, (where, level) in zip((0, made), places.items(), strict=False):
            worn = climb * (age + np.arange(made))
            log_level = own + level + worn + scatter * rng.standard_normal(made)
            cased.append(series(f"S{at} {where}", log_level, age, case=f"C{at}", where=where))
    mean_age = 0.5 * (min(made, made_bare) - 1) + 0.5 * made * (len(places) - 1)
    return compare(bare, cased, a="bare", b="M"), rate, mean_age, len(places)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--comparisons", type=int, default=700)
    parser.add_argument("--seed", type=int, default=2026)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    held = defaultdict(list)
    for _ in range(asked.comparisons):
        found, rate, mean_age, places = compared(rng)
        fewest = min(found.cases_a, found.cases_b)
        who = "several a side" if fewest > 1 else "one on one side"
        who = "one case each" if max(found.cases_a, found.cases_b) == 1 else who
        wears = {"fresh": found.by_wear[0], "last": found.by_wear[-1]}
        rows = [(name, each, each.drops - 1.0) for name, each in wears.items()]
        for name, each, age in [*rows, ("over drops made", found, mean_age)]:
            truth = RATIO * np.exp(-rate * age)
            held[who, f"{places} orientations", name].append(each.lower <= truth <= each.upper)
    for names, kept in sorted(held.items()):
        print(f"{', '.join(names):55} {len(kept):5}  {np.mean(kept):.3f}")


if __name__ == "__main__":
    main()
