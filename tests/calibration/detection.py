"""How often a rise is told where there is none, and where there is one: against the best test.

Run from the repository root: ``python tests/calibration/detection.py`` (a few minutes on one core,
fixed seed); prints Markdown tables: steady series, levelled-off ones, real wear, serially
correlated scatter, and power. The paths are not those that the detector looks for, and
are drawn anew for each series. The best test knows all that the scenario knows: the family and how
its paths are drawn, the law of the scatter and its size; only the path itself and the level it has
to average over (Neyman and Pearson's likelihood ratio). No test of the same size finds more.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from durability.record.records import DropHistory
from durability.wear.kendall import mann_kendall
from durability.wear.serial import serial_correlations
from durability.wear.verdict import judge_block

SIZE = 0.05
SCATTER = 0.04
"""Of log peak g; the power table and the steady series stand in units of it."""


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
        f"\n| family, {n} drops | scatter | best test | rising | rising, of best | "
        "rising or settled, of best | Mann-Kendall, of best | alarm in the run |"
    )
    print("|---|---|---|---|---|---|---|---|")
    shares: dict[str, list[tuple[float, float, float]]] = {}
    for law in LAWS[:3]:
        null = scatter(law, (3000, n), generator)
        for family, draw in FAMILIES.items():
            known = draw(n, 300, generator)
            limit = np.quantile(best_statistic(null, law, known), 1 - SIZE)
            readings = draw(n, series, generator) + scatter(law, (series, n), generator)
            best = float((best_statistic(readings, law, known) > limit).mean())
            judged = judge_block(SCATTER * readings)
            verdicts = np.array(judged.verdict)
            told, seen = float((verdicts == "rising").mean()), float((verdicts != "steady").mean())
            kendall = float((mann_kendall(readings).p_rise <= SIZE).mean())
            alarm = float((judged.alarm > 0).mean())
            shares.setdefault(law, []).append((told / best, seen / best, kendall / best))
            print(
                f"| {family} | {law} | {best:.3f} | {told:.3f} | {told / best:.3f} | "
                f"{seen / best:.3f} | {kendall / best:.3f} | {alarm:.3f} |",
                flush=True,
            )
    every = np.array([share for law in shares.values() for share in law])
    means = {law: np.mean(pairs, axis=0) for law, pairs in shares.items()}
    for law, mean in (means | {"of all": every.mean(axis=0)}).items():
        print(f"| mean | {law} | | | {mean[0]:.3f} | {mean[1]:.3f} | {mean[2]:.3f} | |")


def false_alarm_table(generator: np.random.Generator, series: int = 20_000) -> None:
    print("\n| steady, scatter | drops | rising | settled | ever an alarm | ever a wear alarm |")
    print("|---|---|---|---|---|---|")
    for law in LAWS:
        for n in (4, 6, 10, 25, 100):
            drawn = scatter(law, (series if n < 100 else series // 4, n), generator)
            judged = judge_block(SCATTER * drawn)
            verdicts = np.array(judged.verdict)
            print(
                f"| {law} | {n} | {(verdicts == 'rising').mean():.4f} | "
                f"{(verdicts == 'settled').mean():.4f} | {(judged.alarm > 0).mean():.4f} | "
                f"{(judged.wear_alarm > 0).mean():.4f} |",
                flush=True,
            )


def exponential(n: int, rise: float, drops: float) -> np.ndarray:
    return np.log1p(rise * (1 - np.exp(-np.arange(n) / drops)))


def hyperbolic(n: int, rise: float, drops: float) -> np.ndarray:
    return np.log1p(rise * np.arange(n) / (np.arange(n) + drops))


SETTLINGS = (
    ("14 %, time constant 2 drops", exponential, 0.14, 2.0, 0.03),
    ("14 %, 2 drops", exponential, 0.14, 2.0, 0.045),
    ("11 %, 3 drops", exponential, 0.11, 3.0, 0.045),
    ("14 %, 5 drops", exponential, 0.14, 5.0, 0.04),
    ("14 %, hyperbolic, half after 2 drops", hyperbolic, 0.14, 2.0, 0.03),
)


def settling_table(generator: np.random.Generator, series: int = 4000) -> None:
    print("\n| levelled off | scatter | drops | rising | settled | alarm | wear alarm |")
    print("|---|---|---|---|---|---|---|")
    for name, path, rise, drops, size in SETTLINGS:
        for n in (25, 16, 10):
            judged = judge_block(
                path(n, rise, drops) + size * generator.standard_normal((series, n))
            )
            verdicts = np.array(judged.verdict)
            print(
                f"| {name} | {size:.1%} | {n} | {(verdicts == 'rising').mean():.3f} | "
                f"{(verdicts == 'settled').mean():.3f} | {(judged.alarm > 0).mean():.3f} | "
                f"{(judged.wear_alarm > 0).mean():.3f} |",
                flush=True,
            )


def worn(n: int, series: int, generator: np.random.Generator) -> np.ndarray:
    """Five kinds of wear, each as likely: rates log-normal about 1.1 % a drop."""
    before = np.arange(n)
    rate = generator.lognormal(np.log(0.011), 0.9, (series, 1))
    bend = generator.uniform(1, 5, (series, 1))
    paths = [
        rate * before,
        1.5 * rate * np.maximum(0, before - generator.uniform(0.1, 0.8, (series, 1)) * n),
        rate * n * np.expm1(bend * before / n) / np.expm1(bend),
        generator.uniform(0.03, 0.2, (series, 1))
        * (1 - np.exp(-before / generator.uniform(0.5, 3, (series, 1))))
        + rate * before,
        generator.uniform(0.04, 0.3, (series, 1))
        * (before >= generator.integers(5, n - 1, (series, 1))),
    ]
    return np.choose(generator.integers(0, 5, (series, 1)), paths)


def wear_table(generator: np.random.Generator, series: int = 2000) -> None:
    """What is called rising where wear goes on, and the wear alarm against the alarm."""
    print("\n| wear | scatter | drops | rising | settled | wear alarm | drops after the alarm |")
    print("|---|---|---|---|---|---|---|")

    def row(name: str, size: float, path: np.ndarray) -> None:
        n = path.shape[-1]
        judged = judge_block(path + size * generator.standard_normal((series, n)))
        verdicts, raised = np.array(judged.verdict), judged.wear_alarm > 0
        after = (judged.wear_alarm - judged.alarm)[raised].mean()
        print(
            f"| {name} | {size:.1%} | {n} | {(verdicts == 'rising').mean():.3f} | "
            f"{(verdicts == 'settled').mean():.3f} | {raised.mean():.3f} | {after:.1f} |",
            flush=True,
        )

    for n in (25, 16, 10):
        for size in (0.03, 0.045):
            row("five kinds, log-normal rates", size, worn(n, series, generator))
        for climb in (0.01, 0.02):
            row(f"climb of {climb:.0%} a drop", 0.03, climb * np.arange(n))
            path = exponential(n, 0.12, 2.0) + climb * np.arange(n)
            row(f"settling of 12 %, then {climb:.0%} a drop", 0.03, path)


def correlation_table(generator: np.random.Generator, pools: int = 80, n: int = 25) -> None:
    """Stores of 50 series of one sensor, whose scatter of 1 % remembers."""
    print(f"\n| lag-1 correlation, {n} drops | estimated | rising | alarm | power, 0.4 % a drop |")
    print("|---|---|---|---|---|")
    for lag_1 in (0.0, 0.3, 0.5):
        found, rising, alarm, power = [], [], [], []
        for _ in range(pools):
            steps = generator.standard_normal((50, n))
            drawn = steps.copy()
            for at in range(1, n):
                drawn[:, at] = lag_1 * drawn[:, at - 1] + np.sqrt(1 - lag_1**2) * steps[:, at]
            for climb, told in ((0.0, rising), (0.004, power)):
                readings = 0.01 * (1 + 3 * (climb > 0)) * drawn + climb * np.arange(n)
                record = [
                    DropHistory(f"{at}", np.arange(1, n + 1), np.exp(row), n, n, sensor="A")
                    for at, row in enumerate(readings)
                ]
                one = serial_correlations(record, ["0"])["0"]
                judged = judge_block(readings, np.full(50, one.information))
                told.append(np.mean([verdict == "rising" for verdict in judged.verdict]))
                if not climb:
                    found.append(one.lag_1)
                    alarm.append((judged.alarm > 0).mean())
        print(
            f"| {lag_1} | {np.mean(found):.3f} | {np.mean(rising):.3f} | {np.mean(alarm):.3f} | "
            f"{np.mean(power):.3f} |",
            flush=True,
        )


if __name__ == "__main__":
    generator = np.random.default_rng(20261128)
    false_alarm_table(generator)
    settling_table(generator)
    wear_table(generator)
    correlation_table(generator)
    power_table(generator)
