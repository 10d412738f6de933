"""Made-up records for the benchmarks: tables of drops, stores that hold them, recorder files."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
from run import Cost, ours

HEAD = (
    "series,drop_number,peak_g,dropped_at,case,case_model,device,drop_height_mm,surface,"
    "orientation,temperature_c,operator\n"
)
BAD = (("peak_g", "abc"), ("peak_g", "-12"), ("dropped_at", "2031-01-01"), ("drop_number", "first"))


def readings(series: int, drops: int, seed: int = 5) -> np.ndarray:
    """Peaks in g, (series, drops): a third each is steady, rises by 1 % a drop, by 2 %."""
    rng = np.random.default_rng(seed)
    rate = np.array([0.0, 0.01, 0.02])[np.arange(series) % 3, None]
    log_peak = np.log(rng.uniform(100, 300, (series, 1))) + rate * np.arange(drops)
    return np.exp(log_peak + 0.05 * rng.standard_normal((series, drops)))


def write_drops(path: Path, peak_g: np.ndarray, *, bad_share: float = 0.0, first: int = 0) -> None:
    """A table of drops as a lab keeps it; a share of its rows is wrong in one cell."""
    rng = np.random.default_rng(7)
    names = HEAD.strip().split(",")
    with path.open("w", encoding="utf-8") as file:
        file.write(HEAD)
        for at, own in enumerate(peak_g, start=first):
            lines = []
            for number, value in enumerate(own, start=1):
                day = date(2024, 1, 1) + timedelta(days=number)
                cells = [
                    f"S{at:05d}",
                    str(number),
                    f"{value:.1f}",
                    f"{day}T08:30+01:00",
                    f"C{at:05d}",
                    f"M{at // 20:04d}",
                    f"D{at % 50:02d}",
                    "1000",
                    "steel",
                    "face-down",
                    "23.5",
                    "Ann",
                ]
                if bad_share and rng.random() < bad_share:
                    name, wrong = BAD[int(rng.integers(len(BAD)))]
                    cells[names.index(name)] = wrong
                lines.append(",".join(cells))
            file.write("\n".join(lines) + "\n")


def store_of(folder: Path, peak_g: np.ndarray, name: str = "store", first: int = 0) -> Path:
    """A store that holds the drops."""
    store = folder / f"{name}.duckdb"
    table = folder / f"{name}.csv"
    ours("init", store=store)
    write_drops(table, peak_g, first=first)
    ours("import", "drops", table, store=store)
    return store


def write_recorder_files(folder: Path, count: int, samples: int) -> None:
    """Drops as a scope writes them: a preamble, two heading rows, time and volts of 12 bits."""
    folder.mkdir()
    rng = np.random.default_rng(1)
    t = np.arange(samples) / 150_000.0
    for number in range(count):
        path = folder / f"drop_{number:04d}.csv"
        pulse = np.clip((t - 0.03) / 0.001, 0.0, 1.0)
        volts = 4.0 * np.sin(np.pi * pulse) + 0.01 * rng.standard_normal(samples)
        codes = np.round(volts / 0.0025) * 0.0025
        rows = "\n".join(f"{a:.7e},{b:.4f}" for a, b in zip(t, codes))
        path.write_text(f"Model,Z9\nPoints,{samples}\nTime,CH1\ns,V\n{rows}\n", encoding="utf-8")


def answers(store: Path, *commands: str) -> Cost:
    """What the commands cost together, each in JSON but the page."""
    total = Cost(0.0, 0.0)
    for command in commands:
        if command == "report":
            words = ["report", "-o", store.with_suffix(".html")]
        elif command == "query":
            words = ["query", "fastest_degrading_cases", "--json"]
        else:
            words = [command, "--json"]
        total += ours(*words, store=store)
    return total
