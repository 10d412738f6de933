"""Reading many exports: ours, which works out each file's layout, against DuckDB's CSV reader.

Run as ``python tests/benchmarks/bench_waveforms.py [files] [samples]``; prints times of one run and
their ratio, and what memory is held after a tenth and after all of the files.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np

from durability.intake.waveforms import read_waveform
from durability.pulse.measure import measure_pulse
from durability.pulse.waveform_codec import decode, encode


def export(path: Path, samples: int, rng: np.random.Generator) -> None:
    """A drop as a scope writes it: a preamble, two heading rows, time and volts of 12 bits."""
    t = np.arange(samples) / 150_000.0
    pulse = np.clip((t - 0.03) / 0.001, 0.0, 1.0)
    volts = 4.0 * np.sin(np.pi * pulse) + 0.01 * rng.standard_normal(samples)
    codes = np.round(volts / 0.0025) * 0.0025
    rows = "\n".join(f"{a:.7e},{b:.4f}" for a, b in zip(t, codes, strict=True))
    path.write_text(f"Model,Z9\nPoints,{samples}\nTime,CH1\ns,V\n{rows}\n")


def resident_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main() -> None:
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    samples = int(sys.argv[2]) if len(sys.argv) > 2 else 15_000
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"drop_{i:04d}.csv" for i in range(files)]
        # Forty different files are enough; the others are copies, so that writing stays short.
        for i, path in enumerate(paths):
            if i < 40:
                export(path, samples, rng)
            else:
                path.write_bytes(paths[i % 40].read_bytes())
        read_waveform(paths[0], mv_per_g=2.0)

        start = time.perf_counter()
        sums = []
        early_mb = 0.0
        for i, path in enumerate(paths):
            sums.append(float(read_waveform(path, mv_per_g=2.0).acceleration_g.sum()))
            if i == files // 10:
                early_mb = resident_mb()
        ours = time.perf_counter() - start
        late_mb = resident_mb()

        connection = duckdb.connect()
        connection.execute("SET threads = 1")
        start = time.perf_counter()
        theirs_sums = []
        for first in range(0, files, 50):
            some = [str(path) for path in paths[first : first + 50]]
            theirs_sums += connection.execute(
                "SELECT sum(column1) FROM read_csv($files, skip = 4, header = false, delim = ',', "
                "columns = {'column0': 'DOUBLE', 'column1': 'DOUBLE'}) GROUP BY filename "
                "ORDER BY filename",
                {"files": some},
            ).fetchall()
        batched = time.perf_counter() - start
        start = time.perf_counter()
        for path in paths:
            connection.execute(
                "SELECT * FROM read_csv($file, skip = 4, header = false)", {"file": str(path)}
            ).fetchnumpy()
        single = time.perf_counter() - start
        if not np.allclose(sums, [500.0 * row[0] for row in theirs_sums]):
            raise SystemExit("the two readers differ")

        record = read_waveform(paths[0], mv_per_g=2.0)
        start = time.perf_counter()
        for _ in range(50):
            kept = encode(record.acceleration_g)
        encoding = (time.perf_counter() - start) / 50
        start = time.perf_counter()
        for _ in range(50):
            decode(kept)
        decoding = (time.perf_counter() - start) / 50
        start = time.perf_counter()
        for _ in range(50):
            measure_pulse(record.acceleration_g, record.sample_rate_hz)
        measuring = (time.perf_counter() - start) / 50

    print(f"{files} files of {samples} samples")
    print(f"ours, one by one, layout worked out          {ours:7.2f} s")
    print(f"DuckDB, 50 at a time, layout given, 1 thread {batched:7.2f} s   {ours / batched:.2f}")
    print(f"DuckDB, one by one, columns sniffed          {single:7.2f} s   {ours / single:.2f}")
    print(f"largest memory after a tenth {early_mb:.0f} MB, after all {late_mb:.0f} MB")
    print(
        f"a record: measured in {1e3 * measuring:.2f} ms, encoded in {1e3 * encoding:.2f} ms to "
        f"{len(kept) / samples:.2f} bytes a sample, decoded in {1e3 * decoding:.2f} ms"
    )


if __name__ == "__main__":
    main()
