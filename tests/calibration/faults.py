"""Kills, full disks and any input, many times: what is lost, what stays half done.

Run by hand: ``python tests/calibration/faults.py --kills 100 --full 100 --examples 300``. The short
forms stand in test_bench_session.py, test_store.py and test_any_input.py.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).parent.parent
FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
limit = int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
from durability.__main__ import main
sys.exit(main(sys.argv[1:]))
"""
"""No file can grow beyond a limit, as on a disk that is full."""
WRITERS = (
    "drop add S 119",
    "import drops more.csv",
    "import drops bad.csv --keep-good",
    "query peak_g_by_drop -o answer.csv",
    "query peak_g_by_drop -o answer.parquet",
    "plot wear -o wear.svg",
    "selfcheck -o checked.md",
    "backup backups",
    "export out",
    "series open T --device D-2 --device-kind device",
    "seal",
)


class Lab:
    """A folder with a store, used from processes of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {
            **os.environ,
            "DURABILITY_STORE": "store.duckdb",
            "DURABILITY_PERSON": "tester",
            "NO_COLOR": "1",
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        self.said("init")
        self.said("series", "open", "S", "--device", "D-1", "--device-kind", "device")
        self.said("drop", "add", "S", "118")

    def start(self, *call: str, code: tuple[str, ...] = ("-m", "durability")) -> subprocess.Popen:
        return subprocess.Popen(
            [sys.executable, *code, *call],
            cwd=self.folder, env=self.environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def said(self, *call: str) -> str:
        process = self.start(*call)
        out, err = process.communicate()
        assert process.returncode == 0, (call, out, err)
        return out

    def numbers(self) -> list[int]:
        """Numbers of the drops of S; reading them opens the store, as a person would."""
        return [
            drop["drop_number"] for drop in json.loads(self.said("drop", "list", "--json"))["drops"]
        ]

    def is_sound(self) -> bool:
        process = self.start("verify", "--json")
        process.communicate()
        return process.returncode == 0

    def files(self) -> dict[str, bytes]:
        """Every file that is not the store's own."""
        return {
            str(each.relative_to(self.folder)): each.read_bytes()
            for each in self.folder.rglob("*")
            if each.is_file() and not each.name.startswith("store.")
        }


def kill(lab: Lab, rounds: int, draw: random.Random) -> None:
    """Kill sessions and imports at any moment; every acknowledged drop must be there."""
    acknowledged = lost = torn = 0
    for _ in range(rounds):
        before = lab.numbers()
        if draw.random() < 0.75:
            process = lab.start("record", "S")
            process.stdin.write("118\n" * 6)
            process.stdin.flush()
            told = [process.stdout.readline() for _ in range(draw.randint(0, 4))]
            time.sleep(draw.random() * 0.3)
            process.kill()
            told += process.communicate()[0].splitlines()
            known = sum(line.startswith("drop ") and " stored: " in line for line in told)
            most = 6
        else:
            rows = range(before[-1] + 1, before[-1] + 201)
            lines = ["series,drop_number,peak_g", *(f"S,{n},118" for n in rows)]
            (lab.folder / "many.csv").write_text("\n".join(lines))
            process = lab.start("import", "drops", "many.csv")
            time.sleep(draw.random() * 1.5)
            process.kill()
            known = 200 if "200 added" in process.communicate()[0] else 0
            most = 200
        after = lab.numbers()
        stored = len(after) - len(before)
        acknowledged += known
        lost += max(known - stored, 0)
        torn += after != list(range(1, len(after) + 1)) or (most == 200 and stored not in (0, 200))
    assert lab.is_sound()
    print(f"kills: {rounds}; drops acknowledged: {acknowledged}; lost: {lost}; torn: {torn}")


def fill(lab: Lab, rounds: int, draw: random.Random) -> None:
    """Let the disk end at any byte; old files and the record must stay, nothing half written."""
    (lab.folder / "bad.csv").write_text("series,drop_number,peak_g\nU,1,119\nU,2,x\n")
    refused = lost = halves = traces = 0
    for _ in range(rounds):
        words = draw.choice(WRITERS).split()
        rows = "\n".join(f"{draw.random()},{n},118" for n in range(1, 50))
        (lab.folder / "more.csv").write_text(f"series,drop_number,peak_g\n{rows}\n")
        before, kept = lab.files(), lab.numbers()
        size = (lab.folder / "store.duckdb").stat().st_size
        limit = draw.choice([0, 4096, draw.randint(0, 40_000), draw.randint(0, size), size])
        process = lab.start(str(limit), *words, code=("-c", FULL))
        out, err = process.communicate()
        traces += "Traceback" in out + err
        after = lab.files()
        if process.returncode == 2:
            refused += 1
            lost += kept != lab.numbers()[: len(kept)] or len(lab.numbers()) != len(kept)
            lost += any(after.get(name) != content for name, content in before.items())
            halves += after.keys() != before.keys()
        for name in after.keys() - before.keys():
            (lab.folder / name).unlink()
    assert lab.is_sound()
    print(
        f"full disks: {rounds}; refused: {refused}; record or old file lost: {lost};"
        f" left half written: {halves}; tracebacks: {traces}"
    )


def try_any_input(examples: int) -> None:
    """The drawn calls of test_any_input.py, with more examples each."""
    os.environ["EXAMPLES"] = str(examples)
    sys.path.insert(0, str(TESTS))
    import pytest

    status = pytest.main(["-q", "-n", "0", str(TESTS / "test_any_input.py")])
    import test_any_input

    print(f"calls with any input: {test_any_input.Place.calls}; all as they should: {not status}")


def main() -> None:
    """Say what was tried and what was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--full", type=int, default=100)
    parser.add_argument("--examples", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    draw = random.Random(options.seed)
    for work, rounds in ((kill, options.kills), (fill, options.full)):
        with tempfile.TemporaryDirectory() as folder:
            if rounds:
                work(Lab(Path(folder)), rounds, draw)
    if options.examples:
        try_any_input(options.examples)


if __name__ == "__main__":
    main()
