"""How often a rise is told where there is none, and where there is one: against the best test.

Run from the repository root: ``python tests/calibration/detection.py`` (a few minutes on one core,
fixed seed); prints two Markdown tables. The paths are not those that the detector looks for, and
are drawn anew for each series. The best test knows all that the scenario knows: the family and how
its paths are drawn, the law of the scatter and its size; only the path itself and the level it has
to average over (Neyman and Pearson's likelihood ratio). No test of the same size finds more.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from durability.wear.kendall import mann_kendall
from durability.wear.verdict import judge_block

SIZE = 0.05


# ------------------------------------------------------------ paths, in scatters of log peak g


def climbing(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    total = generator.uniform(0.5, 5.5, (series, 1))
    return total * np.arange(n) / n


def late(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    """A soft bend: the logarithm of 1 + e^x."""
    bend = generator.uniform(0.3, 0.85, (series, 1)) * n
    slope = generator.uniform(0.1, 1.0, (series, 1))
    width = generator.uniform(0.2, 1.5, (series, 1))
    return slope * width * np.logaddexp(0, (np.arange(n) - bend) / width)


def accelerating(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    """Exponential growth from nothing, as cracks grow."""
    total = generator.uniform(1.5, 8, (series, 1))
    growth = generator.uniform(1, 6, (series, 1))
    return total * np.expm1(growth * np.arange(n) / n) / np.expm1(growth)


def jumping(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    """A jump in two parts over two drops."""
    at = generator.integers(n // 6, n - 2, (series, 1))
    size = generator.uniform(1, 5, (series, 1))
    part = generator.uniform(0.4, 1, (series, 1))
    drop = np.arange(n)
    return size * (part * (drop >= at) + (1 - part) * (drop > at))


def settling_then_climbing(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    drop = np.arange(n)
    settled = generator.uniform(1, 3, (series, 1)) * drop / (drop + generator.uniform(0.5, 2))
    climb = generator.uniform(1.5, 7, (series, 1)) * (drop / n) ** generator.uniform(1, 2)
    return settled + climb


def settling(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    """Half settled after 0.3 to 0.9 drops, and level from then on."""
    size = generator.uniform(4, 10, (series, 1))
    half = generator.uniform(0.3, 0.9, (series, 1))
    return size * (1 - 0.5 ** (np.arange(n) / half))


FAMILIES = {
    "climb": climbing,
    "late onset": late,
    "acceleration": accelerating,
    "jump": jumping,
    "settling, then climb": settling_then_climbing,
}


# ----------------------------------------------------------------------------- laws of the scatter


def scatter(law: str, shape: tuple[int, int], generator: np.random.Generator) -> np.ndarray:
    normal = generator.standard_normal(shape)
    if law == "normal":
        return normal
    if law == "Student t, 3 d.f.":
        return generator.standard_t(3, shape)
    if law == "4 % wild":
        off = generator.choice([-1.0, 1.0], shape) * generator.uniform(4, 10, shape)
        return np.where(generator.random(shape) < 0.04, normal + off, normal)
    if law == "skewed (log-normal)":
        return np.exp(0.45 * normal)
    if law == "rounded to a scatter":
        return np.round(normal)
    return generator.laplace(size=shape)


LAWS = (
    "normal",
    "Student t, 3 d.f.",
    "4 % wild",
    "skewed (log-normal)",
    "rounded to a scatter",
    "Laplace",
)


def log_density_table(law: str) -> tuple[np.ndarray, float]:
    """Log density on a grid of step 1/200 from -25 to 25."""
    x = np.linspace(-25, 25, 10_001)
    if law == "normal":
        return stats.norm.logpdf(x), 200.0
    if law == "Student t, 3 d.f.":
        return stats.t.logpdf(x, 3), 200.0
    off = np.linspace(4, 10, 121)[:, None]
    wild = (stats.norm.pdf(x - off) + stats.norm.pdf(x + off)).mean(axis=0) / 2
    return np.log(0.96 * stats.norm.pdf(x) + 0.04 * wild + 1e-300), 200.0


def best_statistic(
    readings: np.ndarray, law: str, paths: np.ndarray, flat_points: int = 11
) -> np.ndarray:
    """Log likelihood ratio of the family against no wear, averaged over paths and level."""
    table, per_unit = log_density_table(law)
    table = table.astype(np.float32)
    n = readings.shape[1]
    levels = np.linspace(-4, 4, flat_points) / np.sqrt(n) * (1.4 if law != "normal" else 1)

    def log_likelihood(rest: np.ndarray) -> np.ndarray:
        off = rest[:, None, :] - np.median(rest, axis=1)[:, None, None] - levels[None, :, None]
        place = np.clip(off * per_unit + 5000.5, 0, 10_000).astype(np.int32)
        return np.logaddexp.reduce(table[place].sum(axis=2), axis=1)

    result = np.empty(len(readings))
    for start in range(0, len(readings), 250):
        block = readings[start : start + 250]
        worn = [log_likelihood(block - path) for path in paths]
        result[start : start + 250] = np.logaddexp.reduce(worn, axis=0) - log_likelihood(block)
    return result


def power_table(generator: np.random.Generator, n: int = 25, series: int = 1200) -> None:
    print(
        f"\n| family, {n} drops | scatter | best test | told rising | of best | "
        "Mann-Kendall, of best | alarm in the run |"
    )
    print("|---|---|---|---|---|---|---|")
    shares: dict[str, list[tuple[float, float]]] = {}
    for law in LAWS[:3]:
        null = scatter(law, (3000, n), generator)
        for family, draw in FAMILIES.items():
            known = draw(n, 300, generator)
            limit = np.quantile(best_statistic(null, law, known), 1 - SIZE)
            readings = draw(n, series, generator) + scatter(law, (series, n), generator)
            best = float((best_statistic(readings, law, known) > limit).mean())
            judged = judge_block(readings)
            told = float(np.mean([verdict == "rising" for verdict in judged.verdict]))
            kendall = float((mann_kendall(readings).p_rise <= SIZE).mean())
            alarm = float((judged.alarm > 0).mean())
            shares.setdefault(law, []).append((told / best, kendall / best))
            print(
                f"| {family} | {law} | {best:.3f} | {told:.3f} | {told / best:.3f} | "
                f"{kendall / best:.3f} | {alarm:.3f} |",
                flush=True,
            )
    every = np.array([share for law in shares.values() for share in law])
    for law, pairs in shares.items():
        told, kendall = np.mean(pairs, axis=0)
        print(f"| mean | {law} | | | {told:.3f} | {kendall:.3f} | |")
    print(f"| mean of all | | | | {every[:, 0].mean():.3f} | {every[:, 1].mean():.3f} | |")


def false_alarm_table(generator: np.random.Generator, series: int = 20_000) -> None:
    print("\n| scatter of steady series | drops | told rising | told settled | ever an alarm |")
    print("|---|---|---|---|---|")
    for law in LAWS:
        for n in (4, 6, 10, 25, 100):
            judged = judge_block(scatter(law, (series if n < 100 else series // 4, n), generator))
            verdicts = np.array(judged.verdict)
            print(
                f"| {law} | {n} | {(verdicts == 'rising').mean():.4f} | "
                f"{(verdicts == 'settled').mean():.4f} | {(judged.alarm > 0).mean():.4f} |",
                flush=True,
            )


def settling_table(generator: np.random.Generator, series: int = 4000) -> None:
    print("\n| settled series, scatter | drops | told settled | told rising | alarm on the way |")
    print("|---|---|---|---|---|")
    for law in LAWS[:3]:
        for n in (8, 12, 25):
            readings = settling(n, series, generator) + scatter(law, (series, n), generator)
            judged = judge_block(readings)
            verdicts = np.array(judged.verdict)
            print(
                f"| {law} | {n} | {(verdicts == 'settled').mean():.3f} | "
                f"{(verdicts == 'rising').mean():.3f} | {(judged.alarm > 0).mean():.3f} |",
                flush=True,
            )


if __name__ == "__main__":
    generator = np.random.default_rng(4242)
    false_alarm_table(generator)
    settling_table(generator)
    power_table(generator)
