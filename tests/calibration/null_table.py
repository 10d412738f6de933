"""Regenerate durability/wear/null_table.py: how evidence for a rise scatters over steady series.

Run from the repository root: ``python tests/calibration/null_table.py`` (a few minutes on one core,
fixed seed). For the final verdict the readings are independent draws of five laws: normal,
Laplace, Student's t with 3 degrees of freedom, normal with 4 % outliers 4 to 9 standard
deviations off, and skewed (gamma of shape 2, skewness 1.4), each as scatter of 0.2, 4 and 10 %:
whether a rise is likelier to go on than to have levelled off hangs on how large it is. Of the
fifteen the least favourable counts, so that the stated rates hold for each. The running alarm sees
ranks, so one law stands for all; that it, too, asks whether a rise goes on only makes it rarer.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from durability.wear.alarm import FIRST_LOOK, alarm_looks, rank_evidence, running_scores
from durability.wear.rise_evidence import judged_evidence

TABLE = Path(__file__).parents[2] / "durability" / "wear" / "null_table.py"
LENGTHS = (4, 5, 6, 7, 8, 9, 10, 12, 14, 17, 20, 25, 32, 45, 70, 120, 200, 400)
TAILS = (0.5, 0.3, 0.2, 0.14, 0.1, 0.07, 0.05, 0.035, 0.025, 0.015, 0.01, 0.006, 0.003, 0.001)
SCATTERS = (0.002, 0.04, 0.10)
LAWS = ("normal", "laplace", "t3", "wild", "skewed")
SPENT_BY_25 = 0.04
SPENT_EVER = 0.05
LAST_TRIED = 400
POWER = 0.8


def readings(law: str, shape: tuple[int, int], generator: np.random.Generator) -> np.ndarray:
    normal = generator.standard_normal(shape)
    if law == "laplace":
        return generator.laplace(size=shape)
    if law == "t3":
        return generator.standard_t(3, shape)
    if law == "wild":
        off = generator.choice([-1.0, 1.0], shape) * generator.uniform(4, 9, shape)
        return np.where(generator.random(shape) < 0.04, off, normal)
    if law == "skewed":
        return generator.gamma(2.0, 1.0, shape)
    return normal


def final_quantiles(n: int, generator: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    fractions = 1 - np.asarray(TAILS)
    rising = np.full(len(TAILS), -np.inf)
    settling = rising.copy()
    series = min(80_000, 2_400_000 // n)
    for law in LAWS:
        drawn = readings(law, (series, n), generator)
        for scatter in SCATTERS:
            found = judged_evidence(scatter * drawn)
            for row, values in ((rising, found.rising), (settling, found.settling)):
                np.maximum(row, np.quantile(values, fractions, method="higher"), out=row)
    print(n, rising.round(2), settling.round(2), flush=True)
    return rising, settling


def detectable_climb(n: int, rising: np.ndarray, generator: np.random.Generator) -> float:
    """Climb found with 80 % power, as slope · √Σ(x − mean x)² / scatter, at a scatter of 4 %."""
    needed, scatter = rising[TAILS.index(0.05)], SCATTERS[1]
    noise = scatter * generator.standard_normal((min(10_000, 1_000_000 // n), n))
    climb = np.arange(n) - (n - 1) / 2
    climb *= scatter / np.linalg.norm(climb)
    low, high = 0.0, 60.0
    while high - low > 0.01:
        middle = (low + high) / 2
        power = (judged_evidence(noise + middle * climb).rising >= needed).mean()
        low, high = (middle, high) if power < POWER else (low, middle)
    return high


def early_bounds(generator: np.random.Generator) -> list[float]:
    """Bounds that spend 4 % evenly over the looks up to 25 drops."""
    series = 500_000
    looks = 25 - FIRST_LOOK + 1
    quiet = np.ones(series, dtype=bool)
    bounds = []
    for n, scores in running_scores(generator.standard_normal((series, 25))):
        found = rank_evidence(scores)
        left = np.sort(found[quiet])
        may_alarm = SPENT_BY_25 * (n - FIRST_LOOK + 1) / looks
        may = int(may_alarm * series) - int((~quiet).sum())
        # The evidence of few ranks takes few values: stay clear of the last one not to be passed.
        bound = math.ceil(1000 * left[len(left) - 1 - may]) / 1000 + 0.002
        bounds.append(bound)
        quiet &= found <= bound
    print(np.round(bounds, 2), 1 - quiet.mean(), flush=True)
    return bounds


def later_level(growth: float, generator: np.random.Generator) -> float:
    """Level from which the later bound grows, so that 1 % is spent from 26 drops on."""
    excess = []
    for _ in range(6):
        highest = np.full(20_000, -np.inf)
        for n, scores in running_scores(generator.standard_normal((20_000, LAST_TRIED))):
            if n > 25:
                highest = np.maximum(highest, rank_evidence(scores) - growth * math.log(n / 25))
        excess.append(highest)
    spent = (SPENT_EVER - SPENT_BY_25) * (1 - math.sqrt(25 / LAST_TRIED))
    return float(np.quantile(np.concatenate(excess), 1 - spent))


def cells(values: np.ndarray | list[float], digits: int, indent: str) -> str:
    """Values as source text, two lines of half of them each."""
    text = [f"{value:.{digits}f}" for value in values]
    half = (len(text) + 1) // 2
    return "\n".join(f"{indent}{', '.join(part)}," for part in (text[:half], text[half:]))


def rows(values: np.ndarray) -> str:
    return "\n".join(f"    (\n{cells(row, 3, ' ' * 8)}\n    )," for row in values)


def main() -> None:
    bounds = early_bounds(np.random.default_rng(20251125))
    tables, climbs = [], []
    for n in LENGTHS:
        generator = np.random.default_rng([20251128, n])
        tables.append(final_quantiles(n, generator))
        climbs.append(detectable_climb(n, tables[-1][0], generator))
    rising, settling = map(np.array, zip(*tables, strict=True))
    last = LENGTHS.index(25)
    decay = math.log(TAILS[-3] / TAILS[-1]) / (rising[last, -1] - rising[last, -3])
    growth = 0.5 / decay
    level = later_level(growth, np.random.default_rng(20251128))
    assert alarm_looks(25)[-1] == 25
    text = f'''"""Evidence for a rise over steady series: quantiles and alarm bounds.

Written by tests/calibration/null_table.py; do not edit. ``RISING`` and ``SETTLING`` hold, for each
number of drops in ``LENGTHS`` (rows) and each upper tail probability in ``TAILS`` (columns), the
log Bayes factor that a steady series reaches at most that often. ``DETECTABLE`` is the climb told
as rising with 80 % power, slope · √Σ(x − mean x)² / scatter, for each of ``LENGTHS``.
``ALARM_BOUNDS`` are those of the running alarm after {FIRST_LOOK} to 25 drops; after n more than 25
the bound is ``LATER_LEVEL`` + ``LATER_GROWTH`` · ln(n / 25), so that the part of the error still to
be spent falls as 1/√n.
"""

from math import inf

# fmt: off
LENGTHS = {LENGTHS}
TAILS = (
    {", ".join(map(str, TAILS))},
)
RISING = (
{rows(rising)}
)
SETTLING = (
{rows(settling)}
)
DETECTABLE = (
{cells(climbs, 2, " " * 4)}
)
ALARM_BOUNDS = (
{cells(bounds, 3, " " * 4)}
)
LATER_LEVEL = {level:.3f}
LATER_GROWTH = {growth:.3f}
'''
    TABLE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
