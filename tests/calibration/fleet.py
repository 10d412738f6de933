"""How true and how wide forecasts are in fleets whose readings scatter little.

Run ``python tests/calibration/fleet.py`` (three minutes of processor time). The cases of a model go
along one path, each at its own speed (log standard deviation 0.1, 0.3 or 0.5), and are cut at about
a third or six tenths of their lives; gamma processes have increments of their own. The score is the
interval score of the log drops left at 90 % (Gneiting & Raftery 2007). The forecaster beside ours
knows the family of the path: he fits what it has in common, the speeds and the levels by least
squares, and draws from their normal approximation.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from itertools import product

import numpy as np
from scipy.optimize import brentq, least_squares

from durability.record.records import DropHistory
from durability.wear.forecast import forecast

FARTHEST = 2000
RISE = np.log(1.5)
MISS = 2.0 / 0.1
DRAWS = 400
MOST_COMPARED = 15
"""Cases of a fleet up to which it is also judged by the forecaster, who takes long over more."""


def straight_in_g(u):
    return np.log1p(0.5 * u)


def power_in_g(u, exponent):
    return np.log1p(0.5 * u**exponent)


def crack(u, exponent):
    left = 1.0 - (1.0 - 1.5**-exponent) * u
    return -np.log(np.maximum(left, 1e-6)) / exponent


def exponential(u, growth):
    return RISE * np.expm1(np.minimum(growth * u, 30.0)) / np.expm1(growth)


def logistic(u, top, width):
    def path(middle, at):
        inside = np.clip((at - middle) / (width * middle), -50.0, 50.0)
        return top / (1.0 + np.exp(-inside)) - top / (1.0 + np.exp(1.0 / width))

    try:
        middle = brentq(lambda middle: path(middle, 1.0) - RISE, 0.05, 5.0)
    except ValueError:  # never so high
        middle = 0.5
    return path(middle, u)


def settling_then_straight(u, settled, time):
    return settled * -np.expm1(-u / time) + (RISE + settled * np.expm1(-1.0 / time)) * u


# Path over u, 1 at the end of life; how its parameters are drawn, and where they are looked for.
FAMILIES = {
    "straight in g": (straight_in_g, (), ()),
    "power in g": (power_in_g, ((0.7, 2.0),), ((0.5, 3.0),)),
    "crack": (crack, ((0.25, 1.5),), ((0.02, 4.0),)),
    "exponential": (exponential, ((0.5, 3.0),), ((0.02, 8.0),)),
    "logistic": (logistic, ((0.45, 0.8), (0.15, 0.5)), ((0.42, 1.5), (0.08, 0.8))),
    "settling then straight": (
        settling_then_straight,
        ((0.03, 0.2), (0.02, 0.1)),
        ((0.0, 0.38), (0.005, 0.5)),
    ),
    "gamma process": None,
}


def fleet(rng, family, cases, scatter):
    """Log peaks of each case, with the drop at which it fails."""
    told = FAMILIES[family]
    log_sd, share = rng.choice([0.1, 0.3, 0.5]), rng.choice([0.33, 0.6])
    life, spread = rng.choice([40, 80, 150]), rng.uniform(0.5, 2.0)
    drawn = [rng.uniform(*ends) for ends in told[1]] if told else []
    found = []
    while len(found) < cases:
        pace = np.exp(log_sd * rng.standard_normal()) / (life - 1)
        if told:
            path = told[0](pace * np.arange(FARTHEST), *drawn)
        else:
            steps = rng.gamma(spread**-2.0, spread**2.0, FARTHEST) * RISE * pace
            path = np.cumsum(steps) - steps[0]
        reached = np.flatnonzero(path >= RISE - 1e-12)
        fails = int(reached[0]) + 1 if reached.size else FARTHEST + 1
        made = max(round(share * min(fails, 400) * rng.uniform(0.85, 1.15)), 6)
        if made < fails:
            level = np.log(100.0) + 0.05 * rng.standard_normal()
            found.append((level + path[:made] + scatter * rng.standard_normal(made), fails))
    return found


def knowing(rng, family, logs):
    """Intervals of a forecaster who knows the family."""
    path, _, ends = FAMILIES[family]
    common, cases = len(ends), len(logs)
    since = [np.arange(float(log.size)) for log in logs]
    low, high = (np.array([end[side] for end in ends]) for side in (0, 1))

    def off(known):
        apart = [
            log - path(np.exp(pace) * at, *known[:common])
            for log, at, pace in zip(logs, since, known[common:], strict=True)
        ]
        return np.concatenate([each - each.mean() for each in apart])

    fits = []
    paces = np.linspace(np.log(2e-3), np.log(0.5), 60)
    for start in (0.25, 0.5):
        first = low + start * (high - low)
        own = [
            min(
                paces,
                key=lambda pace, log=log, at=at: np.var(log - path(np.exp(pace) * at, *first)),
            )
            for log, at in zip(logs, since, strict=True)
        ]
        bounds = np.append(low, [-9.0] * cases), np.append(high, [1.0] * cases)
        fits.append(least_squares(off, np.append(first, own), bounds=bounds, max_nfev=60))
    fit = min(fits, key=lambda each: each.cost)
    freedom = max(sum(map(len, logs)) - 2 * cases - common, 1)
    spread = 2.0 * fit.cost / freedom * np.linalg.pinv(fit.jac.T @ fit.jac)
    half = np.linalg.cholesky(spread + 1e-14 * np.eye(len(spread)))
    normal = rng.standard_normal((DRAWS, len(spread))) @ half.T
    drawn = fit.x + normal * np.sqrt(freedom / rng.chisquare(freedom, DRAWS))[:, None]
    return np.quantile(1.0 + np.ceil(np.exp(-drawn[:, common:])), [0.05, 0.95], axis=0).T


def score(lower, upper, fails, made):
    """Interval score of the log drops left, whether the truth is inside, and log width."""

    def left(drop):
        return np.log(max((FARTHEST if drop is None else min(drop, FARTHEST)) - made, 1.0))

    low, high, truth = left(lower), left(upper), left(fails)
    missed = max(low - truth, 0.0) + max(truth - high, 0.0)
    return high - low + MISS * missed, missed == 0.0, high - low


def scores(rng, family, cases, scatter):
    """Means over a fleet: ours, then those of the forecaster who knows the family."""
    known = fleet(rng, family, cases, scatter)
    histories = [
        DropHistory(
            f"S{at}", np.arange(1, log.size + 1), np.exp(log), log.size, log.size, f"C{at}", "M"
        )
        for at, (log, _) in enumerate(known)
    ]
    told = [each.drops_to_failure for each in forecast(histories, horizon=FARTHEST)]
    both = [[(each.lower, each.upper) for each in told]]
    if FAMILIES[family] and cases <= MOST_COMPARED:
        both.append(knowing(rng, family, [log for log, _ in known]))
    rows = [
        np.mean([score(*ends, fails, log.size) for ends, (log, fails) in zip(each, known)], axis=0)
        for each in both
    ]
    return np.concatenate([*rows, *[[np.nan] * 3] * (2 - len(rows))])


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=1, help="of each kind")
    parser.add_argument("--scatter", type=float, nargs="+", default=[0.003, 0.01])
    parser.add_argument("--cases", type=int, nargs="+", default=[3, 8, 15, 40])
    parser.add_argument("--seed", type=int, default=2026)
    asked = parser.parse_args()
    rows = defaultdict(list)
    for place, (family, cases, scatter) in enumerate(product(FAMILIES, asked.cases, asked.scatter)):
        for again in range(asked.fleets):
            rng = np.random.default_rng([asked.seed, place, again])
            found = scores(rng, family, cases, scatter)
            for name in (family, f"{cases} cases", f"scatter {scatter:.1%}", "all"):
                rows[name].append(found)
    print("| fleets | n | held | log width | score | of the family | ratio |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name, found in rows.items():
        ours, held, width, best = np.nanmean(np.array(found), axis=0)[:4]
        both = np.array(found)[:, [0, 3]]
        compared = both[np.isfinite(both).all(axis=1)].sum(axis=0)
        ratio = compared[0] / compared[1] if compared[1] else np.nan
        print(
            f"| {name} | {len(found)} | {held:.2f} | {width:.2f} | {ours:.2f} | {best:.2f} |"
            f" {ratio:.2f} |"
        )


if __name__ == "__main__":
    main()
