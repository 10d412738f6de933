"""Spectra of many records: ours, absolute acceleration and pseudo-velocity, against pyyeti's.

Run as ``python tests/benchmarks/bench_spectrum.py [records] [samples]`` with one BLAS thread
(OPENBLAS_NUM_THREADS=1), as pyyeti runs here on one too; prints times of one run and their ratios.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from pyyeti import srs

from durability.pulse.spectrum import shock_response_spectrum


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    samples = int(sys.argv[2]) if len(sys.argv) > 2 else 15_000
    rng = np.random.default_rng(1)
    fs = 150_000.0
    t = np.arange(samples) / fs
    records = np.sin(np.pi * np.clip((t - 0.03) / rng.uniform(2e-4, 3e-3, (count, 1)), 0.0, 1.0))
    records = 1000.0 * records + rng.standard_normal((count, samples))
    f = np.geomspace(10.0, 10_000.0, 60)
    shock_response_spectrum(records[:2], fs, f)

    start = time.perf_counter()
    ours = shock_response_spectrum(records, fs, f)
    our_time = time.perf_counter() - start
    options = {"ic": "zero", "time": "primary", "parallel": "no", "rolloff": "none"}
    start = time.perf_counter()
    theirs = np.asarray(srs.srs(records.T, fs, f, 10, **options)).T
    one_time = time.perf_counter() - start
    start = time.perf_counter()
    srs.srs(records.T, fs, f, 10, stype="pvelo", **options)
    both_time = one_time + time.perf_counter() - start

    print(f"{count} records of {samples} samples at {f.size} frequencies")
    print(f"ours, acceleration and pseudo-velocity   {our_time:7.2f} s")
    print(f"pyyeti, acceleration                     {one_time:7.2f} s   {one_time / our_time:.2f}")
    print(
        f"pyyeti, acceleration and pseudo-velocity {both_time:7.2f} s   {both_time / our_time:.2f}"
    )
    print(f"largest difference {np.abs(ours.primary_g / theirs - 1.0).max():.1e}")


if __name__ == "__main__":
    main()
