"""Speed as ratios of processor time in one run, each with what was asked and the peak memory.

Run ``python tests/benchmarks/run.py [--only WORDS] [--quick]`` with an interpreter that has the
test extra. ``--only`` takes the rows whose name has the words; ``--quick`` makes them small, so
that their ratios are only a hint. A row is a function in a ``rows_*.py`` beside this file, marked
with ``@row``: it is given a folder for its files and whether it is to be quick, and returns a
``Figure``. What is compared runs in a process of its own each, in turn, on one thread; the best of
each side counts.
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PROGRAM = (sys.executable, "-c", "from durability.__main__ import main; raise SystemExit(main())")
"""As the installed command starts."""


@dataclass(frozen=True)
class Figure:
    ratio: float
    peak_mb: float
    """Largest resident memory of our processes."""
    note: str = ""


@dataclass(frozen=True)
class Row:
    name: str
    against: str
    asked: float
    """The ratio asked: at most this, where the ratio is our time over the other's."""
    measure: Callable[[Path, bool], Figure]


ROWS: list[Row] = []


def row(name: str, against: str, asked: float):
    """Mark a function as a row: what is timed, against what, and the largest ratio asked."""

    def mark(measure):
        ROWS.append(Row(name, against, asked, measure))
        return measure

    return mark


@dataclass(frozen=True)
class Cost:
    seconds: float
    """Processor time, user and system."""
    peak_mb: float

    def __add__(self, other: Cost) -> Cost:
        return Cost(self.seconds + other.seconds, max(self.peak_mb, other.peak_mb))


def cost(words: Sequence[str | Path], *, store: Path | None = None, ok=(0,)) -> Cost:
    """What a process costs that runs the words; its output goes nowhere."""
    environment = {
        # Compiled beforehand, as an installed program is.
        **{name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
        **{f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")},
        "PYTHONPATH": str(ROOT),
        "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "durability-benchmarks"),
        "DURABILITY_PERSON": "bench",
        "DURABILITY_STORE": str(store or ""),
    }
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            [str(word) for word in words],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            cwd=HERE,
        )
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in ok:
            said.seek(0)
            raise SystemExit(f"{words}: {said.read().decode()[-2000:]}")
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def ours(*words: str | Path, store: Path, ok=(0,)) -> Cost:
    """What a command of this program costs."""
    return cost([*PROGRAM, *words], store=store, ok=ok)


def peer(name: str, *words: str | Path, store: Path | None = None) -> Cost:
    """What a function of ``peers.py`` costs."""
    return cost([sys.executable, HERE / "peers.py", name, *words], store=store)


def in_turn(*sides: Callable[[], Cost], times: int) -> list[Cost]:
    """The best cost of each side, each run as often, in turn."""
    found = [[side() for side in sides] for _ in range(times)]
    return [min(costs, key=lambda each: each.seconds) for costs in zip(*found)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="rows whose name has these words")
    parser.add_argument("--quick", action="store_true", help="small; the ratios are only a hint")
    options = parser.parse_args()
    for file in sorted(HERE.glob("rows_*.py")):
        importlib.import_module(file.stem)
    print("| what | against | ratio | asked, at most | MB at most | |")
    print("| --- | --- | --- | --- | --- | --- |")
    for each in ROWS:
        if options.only not in each.name:
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = each.measure(Path(folder), options.quick)
        print(
            f"| {each.name} | {each.against} | {found.ratio:.3g} | {each.asked:.3g}"
            f" | {found.peak_mb:.0f} | {found.note} |",
            flush=True,
        )


if __name__ == "__main__":
    sys.modules["run"] = sys.modules["__main__"]
    main()
