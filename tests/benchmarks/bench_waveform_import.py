"""Import of many files: memory and time against their number.

Prints, for a few and for many files of 15,000 samples, the largest resident memory of the
import's own process and the time a file; each import runs in a fresh process and store.

Run: ``python tests/benchmarks/bench_waveform_import.py [FEW MANY]``
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2])]

from export_files import half_sine_g  # noqa: E402


def write(path, seed):
    record = half_sine_g(400.0, before_ms=10.0, after_ms=90.0, seed=seed)
    step = 1200.0 / 4096
    volts = np.round(record / step) * step * 0.0005
    lines = (f"{i / 150_000:.9f},{v:.6g}" for i, v in enumerate(volts))
    path.write_text("time (s),CH1 (V)\n" + "\n".join(lines) + "\n", encoding="utf-8")


def one(count, folder, store):
    """Import so many files; megabytes at most, and seconds."""
    from durability.workflow import specimens
    from durability.workflow.measuring import RecordOptions
    from durability.workflow.series import open_series
    from durability.workflow.session import Session, make_store
    from durability.workflow.waveforms import import_waveforms

    session = Session(Path(store), "bench")
    make_store(session)
    specimens.add_specimen(session, "D-1", "dummy", {})
    open_series(session, "S1", device="D-1", values={})
    files = sorted(Path(folder).iterdir())[:count]
    begun = time.perf_counter()
    result = import_waveforms(session, "S1", files, RecordOptions(mv_per_g=0.5))
    seconds = time.perf_counter() - begun
    assert result.count.added == count
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{megabytes:.1f} {seconds:.3f} {Path(store).stat().st_size / 1e6:.1f}")


def main(few=50, many=1000):
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "records"
        folder.mkdir()
        for number in range(many):
            write(folder / f"drop{number:05d}.csv", number)
        found = []
        for count in (few, many):
            store = str(Path(scratch) / f"{count}.duckdb")
            words = [sys.executable, str(HERE), "one", str(count), str(folder), store]
            out = subprocess.run(words, capture_output=True, text=True, check=True).stdout
            found.append([float(word) for word in out.split()])
            megabytes, seconds, size = found[-1]
            print(
                f"{count:5d} files: {megabytes:.0f} MB resident at most,"
                f" {1000 * seconds / count:.1f} ms a file, store {size:.1f} MB"
            )
        print(f"memory of {many} files over that of {few}: {found[1][0] / found[0][0]:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        one(int(sys.argv[2]), *sys.argv[3:])
    else:
        main(*(int(word) for word in sys.argv[1:]))
