"""What recorder files cost."""

from __future__ import annotations

import numpy as np
from made import write_recorder_files
from run import Figure, in_turn, ours, peer, row


@row("1,000 recorder files of 20,000 samples, read, measured, kept", "pandas.read_csv", 3.0)
def recorder_files(folder, quick):
    files, store = folder / "records", folder / "store.duckdb"
    count, samples = (50, 20_000) if quick else (1000, 20_000)
    write_recorder_files(files, count, samples)
    ours("init", store=store)
    ours("specimen", "add", "D-1", "--kind", "dummy", store=store)
    ours("series", "open", "S1", "--device", "D-1", store=store)
    before = store.stat().st_size
    words = ["import", "waveforms", "--series", "S1", *sorted(files.iterdir()), "--mv-per-g", "2"]
    taken, read = in_turn(
        lambda: ours(*words, store=store),
        lambda: peer("read_recorder_files", files, str(count)),
        times=1,
    )
    size = (store.stat().st_size - before) / (count * samples)
    return Figure(taken.seconds / read.seconds, taken.peak_mb, f"{size:.2f} bytes a sample")


@row("spectra of 1,000 records of 15,000 samples", "pyyeti", 1.0)
def spectra(folder, quick):
    count = 50 if quick else 1000
    rng = np.random.default_rng(1)
    t = np.arange(15_000) / 150_000.0
    records = np.sin(np.pi * np.clip((t - 0.03) / rng.uniform(2e-4, 3e-3, (count, 1)), 0.0, 1.0))
    file = folder / "records.npy"
    np.save(file, 1000.0 * records + rng.standard_normal(records.shape))
    own, theirs = in_turn(lambda: peer("our_spectra", file), lambda: peer("spectra", file), times=1)
    return Figure(own.seconds / theirs.seconds, own.peak_mb)
