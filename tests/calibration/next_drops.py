"""How much more the drops that `plan next` proposes teach than equal shares, on simulated fleets.

Run ``python tests/calibration/next_drops.py FLEETS SEED``. Two models of one to six cases each,
with 3 to 29 drops so far; rises of 0.2 to 2 % per drop that differ by 10, 30 or 50 % (log-normal)
from case to case, scatter of 2 to 6 %; 10 to 80 drops to spend, up to four new cases. The planner
knows the readings only. Printed is the variance with which generalised least squares, that knows
the true variances, estimates the difference of the two rises: after equal shares over that after
the proposed drops.
"""

from __future__ import annotations

import sys

import numpy as np

from durability.plan.next_drops import Allocation, CaseSoFar, allocate_drops, rate_spread

MODELS = ("A", "B")


def fleet(random: np.random.Generator) -> tuple[list[CaseSoFar], float, float]:
    """Cases with their readings, the true spread of rises, and the scatter."""
    scatter = float(random.uniform(0.02, 0.06))
    base = float(np.exp(random.uniform(np.log(0.002), np.log(0.02))))
    spread = base * float(random.choice([0.1, 0.3, 0.5]))
    cases = []
    for model in MODELS:
        rise = base * float(random.uniform(0.6, 1.6))
        for at in range(random.integers(1, 7)):
            number = np.arange(1.0, random.integers(3, 30) + 1)
            own = rise * float(np.exp(spread / base * random.standard_normal()))
            peak = 4.6 + own * number + scatter * random.standard_normal(len(number))
            cases.append(
                CaseSoFar(model, f"{model}{at}", number, peak, bool(random.random() < 0.8))
            )
    return cases, spread, scatter


def weights(
    cases: list[CaseSoFar], way: Allocation, spread: float, scatter: float
) -> dict[str, float]:
    """Inverse variance of each model's mean rise after these drops."""
    more = {each.case: each.drops for each in way.cases if each.case is not None}
    made = [(each.case_model, len(each.drop_number) + more.get(each.case, 0)) for each in cases]
    made += [(each.case_model, each.drops) for each in way.cases if each.case is None]
    found = dict.fromkeys(MODELS, 0.0)
    for model, drops in made:
        number = np.arange(1.0, drops + 1)
        squares = float(((number - number.mean()) ** 2).sum()) if drops > 1 else 0.0
        if squares:
            found[model] += 1.0 / (spread**2 + scatter**2 / squares)
    return found


def main(fleets: int, seed: int) -> None:
    """Print the ratios."""
    random = np.random.default_rng(seed)
    ratios = []
    while len(ratios) < fleets:
        cases, spread, scatter = fleet(random)
        drops, new = int(random.choice([10, 20, 40, 80])), int(random.choice([0, 0, 2, 4]))
        if not new and not any(each.can_be_dropped for each in cases):
            continue
        best, equal, *_ = allocate_drops(
            cases,
            MODELS,
            drops=drops,
            new_cases=new,
            scatter_log_sd=scatter,
            spread=rate_spread(cases, scatter),
        )
        variance = [
            sum(1.0 / each for each in weights(cases, way, spread, scatter).values())
            for way in (equal, best)
        ]
        ratios.append(variance[0] / variance[1])
    ratio = np.array(ratios)
    print(f"{fleets} fleets, seed {seed}: variance of equal shares over that of the proposed")
    print(f"geometric mean {np.exp(np.log(ratio).mean()):.2f}")
    print(
        "10, 50, 90 %: " + ", ".join(f"{each:.2f}" for each in np.quantile(ratio, [0.1, 0.5, 0.9]))
    )
    print(f"proposed worse than equal by over 1 %: {(ratio < 0.99).mean():.1%}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
