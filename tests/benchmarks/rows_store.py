"""What it costs to start, to add a drop and to import tables."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from made import readings, store_of, write_drops, write_recorder_files
from run import Figure, cost, in_turn, ours, peer, row


def fresh_store(folder: Path) -> Path:
    """A store with one open series."""
    store = folder / "fresh.duckdb"
    ours("init", store=store)
    ours("specimen", "add", "D-1", "--kind", "dummy", store=store)
    ours("series", "open", "S1", "--device", "D-1", store=store)
    return store


@row("--help", "bare Python", 3.0)
def help_(folder, quick):
    helped, bare = in_turn(
        lambda: ours("--help", store=folder / "none"),
        lambda: cost([sys.executable, "-c", "pass"]),
        times=5 if quick else 25,
    )
    return Figure(helped.seconds / bare.seconds, helped.peak_mb)


@row("drop add, cold", "import duckdb, connect, close", 1.4)
def drop_add(folder, quick):
    store = fresh_store(folder)
    added, opened = in_turn(
        lambda: ours("drop", "add", "S1", "--peak-g", "118", store=store),
        lambda: peer("connect", store),
        times=5 if quick else 20,
    )
    return Figure(added.seconds / opened.seconds, added.peak_mb, f"{added.seconds:.3f} s")


@row("drop add after 1,000 to 10,000 of them, one opening each", "the first", 1.2)
def growth(folder, quick):
    early, late = fresh_store(folder), folder / "late.duckdb"
    shutil.copy(early, late)
    many = 200 if quick else 10_000
    peer("add_drops", "S1", str(many), store=late)
    after, first = in_turn(
        lambda: ours("drop", "add", "S1", "--peak-g", "118", store=late),
        lambda: ours("drop", "add", "S1", "--peak-g", "118", store=early),
        times=5 if quick else 20,
    )
    return Figure(after.seconds / first.seconds, after.peak_mb, f"after {many:,}")


@row("drop add in a store of 1,000,000 drops", "in one of 10,000", 1.2)
def large_store(folder, quick):
    drops = readings(400 if quick else 40_000, 25)
    large, small = store_of(folder, drops, "large"), store_of(folder, drops[:400], "small")
    after, first = in_turn(
        lambda: ours("drop", "add", "S00001", "--peak-g", "118", store=large),
        lambda: ours("drop", "add", "S00001", "--peak-g", "118", store=small),
        times=5 if quick else 15,
    )
    return Figure(after.seconds / first.seconds, after.peak_mb, f"{after.seconds:.3f} s")


@row("drop add in a store of 1,000 waveforms", "in one without", 1.2)
def many_waveforms(folder, quick):
    without, records = fresh_store(folder), folder / "recorder"
    write_recorder_files(records, 50 if quick else 1000, 20_000)
    full = folder / "full.duckdb"
    shutil.copy(without, full)
    read = ("import", "waveforms", records, "--series", "S1", "--mv-per-g", "10")
    ours(*read, store=full, ok=(0, 1))
    after, first = in_turn(
        lambda: ours("drop", "add", "S1", "--peak-g", "118", store=full),
        lambda: ours("drop", "add", "S1", "--peak-g", "118", store=without),
        times=5 if quick else 15,
    )
    return Figure(after.seconds / first.seconds, after.peak_mb, f"{after.seconds:.3f} s")


@row("import of 300,000 rows, 1 % bad, --keep-good", "DuckDB's read_csv and INSERT", 4.0)
def import_(folder, quick):
    table, empty = folder / "drops.csv", folder / "empty.duckdb"
    write_drops(table, readings(400 if quick else 12_000, 25), bad_share=0.01)
    ours("init", store=empty)

    def into(name, take):
        store = folder / name
        shutil.copy(empty, store)
        try:
            return take(store)
        finally:
            store.unlink()

    words = ("import", "drops", table, "--keep-good")
    taken, inserted = in_turn(
        lambda: into("ours.duckdb", lambda store: ours(*words, store=store, ok=(0, 1))),
        lambda: into("theirs.duckdb", lambda store: peer("insert", store, table)),
        times=1 if quick else 3,
    )
    return Figure(taken.seconds / inserted.seconds, taken.peak_mb, f"{taken.seconds:.1f} s")
