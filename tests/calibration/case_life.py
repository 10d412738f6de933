"""How often 90 % intervals hold the life of cases dropped in several series.

Run ``python tests/calibration/case_life.py [replications] [seed]``. Its curves (straight in g,
power law, settling then straight, gamma process, late onset) are not the model's; levels of
conditions, rates and readings vary from case to case.
"""

from __future__ import annotations

import sys

import numpy as np

from durability.record.records import DropHistory
from durability.wear.cases import Case
from durability.wear.fitting import fit_wear
from durability.wear.lives import FailureLimit, lives_of

FAR = FailureLimit(None, 0.5, 100_000)
RISE = np.log(1.5)
LEVEL = {"gentle": 0.0, "hard": 0.45, "edge": -0.2}
CONDITION = {
    "gentle": (1000.0, "steel", "face"),
    "hard": (1500.0, "steel", "face"),
    "edge": (1000.0, "steel", "edge"),
}


def power(rng, life, since):
    return RISE * (since / (life - 1)) ** rng.uniform(0.8, 2.0)


def straight(_rng, life, since):
    return np.log1p(0.5 * since / (life - 1))


def settling(_rng, life, since):
    return 0.12 * (1 - np.exp(-since / 2)) + (RISE - 0.12) * since / (life - 1)


def gamma(rng, life, since):
    steps = np.cumsum(rng.gamma(0.3, 1.0, size=since.size - 1))
    return np.concatenate([[0.0], steps]) / (0.3 * (life - 1)) * RISE


def late(_rng, life, since):
    return RISE * np.maximum(0.0, since - 0.4 * life) / (0.6 * life - 1)


CURVES = (straight, power, settling, gamma, late)


def hard_after(rng):
    return [("gentle", int(rng.integers(6, 14))), ("hard", int(rng.integers(3, 12)))]


def either_first(rng):
    first, second = rng.permutation(["gentle", "hard"])
    return [(str(first), int(rng.integers(4, 12))), (str(second), int(rng.integers(3, 10)))]


def faces_and_edges(rng):
    several = ("gentle", "edge", "gentle", "edge")[: int(rng.integers(2, 5))]
    return [(name, int(rng.integers(3, 8))) for name in several]


def every_day(rng):
    """Days under one condition, on one of which the mount was changed."""
    return [("gentle", int(rng.integers(4, 9))) for _ in range(3)]


def rounds(rng):
    """Six attitudes, one drop each a round."""
    return [(f"face {k % 6}", 1) for k in range(6 * int(rng.integers(2, 5)))]


def a_case(rng, curve, life, plan, hard_rate, step):
    """The case and the age at which it fails when it goes on as it was dropped last."""
    since = np.arange(6000.0)
    path = curve(rng, life, since)
    scatter = rng.uniform(0.03, 0.08)
    own = {}
    logs, series, wear = [], [], 0.0
    rates = []
    for at, (name, made) in enumerate(plan):
        rate = hard_rate if name == "hard" else 1.0
        if name not in own:
            effect = LEVEL.get(name, 0.3 * np.sin(3.0 * (len(name) + ord(name[-1]))))
            own[name] = effect + 0.08 * rng.standard_normal()
        level = np.log(100.0) + own[name] + (step if at and step else 0.0)
        worn = wear + rate * np.arange(made)
        wear += rate * made
        logs.append(level + np.interp(worn, since, path) + scatter * rng.standard_normal(made))
        wild = rng.random(made) < 0.03
        logs[-1][wild] += 0.3 * rng.standard_normal(int(wild.sum()))
        series += [name if name.startswith("face") else at] * made
        rates += [rate] * made
    logs, ages = np.concatenate(logs), np.arange(1, len(series) + 1)
    parts, which = [], []
    for code in dict.fromkeys(series):
        at = np.array([each == code for each in series])
        name = code if isinstance(code, str) else plan[code][0]
        condition = CONDITION.get(name, (1000.0, "steel", name))
        numbers = np.arange(1, at.sum() + 1)
        made, case = int(at.sum()), f"C{rng.random()}"
        parts.append(
            DropHistory(
                str(code),
                numbers,
                np.exp(logs[at]),
                made,
                made,
                case,
                "M",
                device="D",
                drop_height_mm=condition[0],
                surface=condition[1],
                orientation=condition[2],
            )
        )
        which.append(ages[at])
    ahead = np.concatenate([[0.0], np.cumsum(rates + [rates[-1]] * 5000)])
    reached = np.flatnonzero(np.interp(ahead, since, path) >= RISE - 1e-9)
    return Case(tuple(parts), tuple(which)), int(reached[0]) + 1 if reached.size else 10**6


def main():
    replications = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    layouts = (
        ("gentle, then hard", hard_after, 1.0, 0.0),
        ("gentle, then hard, 2.5 times the wear", hard_after, 2.5, 0.0),
        ("either first, 2.5 times the wear", either_first, 2.5, 0.0),
        ("faces and edges", faces_and_edges, 1.0, 0.0),
        ("six attitudes in rounds", rounds, 1.0, 0.0),
        ("days of one condition", every_day, 1.0, 0.0),
        ("days, mount changed after the first", every_day, 1.0, 0.25),
    )
    print("| layout | cases of a model | held | failed called early | log width | lives |")
    print("| --- | --- | --- | --- | --- | --- |")
    everything = []
    for row, (name, plan, rate, step) in enumerate(layouts):
        for n_cases in (1, 6):
            held, widths, early = [], [], 0
            for replication in range(replications):
                for shape, curve in enumerate(CURVES):
                    rng = np.random.default_rng([seed, replication, shape, n_cases, row])
                    middle = rng.uniform(30, 90)
                    made = [
                        a_case(rng, curve, max(12.0, middle * np.exp(0.3 * rng.standard_normal())),
                               plan(rng), rate, step)
                        for _ in range(n_cases)
                    ]  # fmt: skip
                    cases = [case for case, _ in made]
                    plain = [case.histories[0] for case in cases if case.is_plain]
                    known = {fit.series: fit for fit in fit_wear(plain)}
                    for life, (_, truth) in zip(lives_of(cases, known, FAR), made, strict=True):
                        if truth <= life.case.made:
                            continue
                        if life.failed_at_age is not None:
                            early += 1
                            held.append(False)
                            continue
                        told = life.prediction(len(life.outcomes) - 1, 0.9, 1e5)
                        low, high = (
                            1e5 if end is None else end for end in (told.lower, told.upper)
                        )
                        held.append(low <= truth <= high)
                        widths.append(np.log((high - life.case.made) / (low - life.case.made)))
            everything += held
            print(f"| {name} | {n_cases} | {np.mean(held):.3f} | {early} | {np.mean(widths):.2f} |"
                  f" {len(held)} |", flush=True)  # fmt: skip
    print(f"| all | | {np.mean(everything):.3f} | | | {len(everything)} |")


if __name__ == "__main__":
    main()
