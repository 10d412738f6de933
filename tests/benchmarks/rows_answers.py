"""What answers over many series cost, and what their pages in a browser do."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from made import answers, readings, store_of
from run import Figure, in_turn, ours, peer, row


def against_a_loop(folder: Path, command: str, loop: str, series: int, times: int) -> Figure:
    """A command over series of 25 drops against a loop over the same readings."""
    peak_g = readings(series, 25)
    store, file = store_of(folder, peak_g), folder / "peaks.npy"
    np.save(file, peak_g.round(1))
    answered, looped = in_turn(
        lambda: answers(store, command), lambda: peer(loop, file), times=times
    )
    return Figure(
        answered.seconds / looped.seconds,
        answered.peak_mb,
        f"{looped.seconds / answered.seconds:.2f} times as fast, {answered.seconds:.1f} s",
    )


@row("trend --json, 3,000 series of 25", "a loop of textbook functions", 1 / 1.5)
def trend_3000(folder, quick):
    return against_a_loop(folder, "trend", "trend_loop", 200 if quick else 3000, 2)


@row("trend --json, 8,000 series of 25", "a loop of textbook functions", 1 / 2)
def trend_8000(folder, quick):
    return against_a_loop(folder, "trend", "trend_loop", 400 if quick else 8000, 2)


@row("forecast --json, 3,000 series of 25", "the loop with a bootstrap of 200", 1 / 5)
def forecast(folder, quick):
    return against_a_loop(folder, "forecast", "forecast_loop", 100 if quick else 3000, 1)


@row("rank --json, 3,000 series of 25", "the loop with a bootstrap of 200", 1 / 5)
def rank(folder, quick):
    return against_a_loop(folder, "rank", "forecast_loop", 100 if quick else 3000, 1)


@row("trend --series in a store of 2,000 series of 500", "in one of its siblings only", 1.5)
def one_series(folder, quick):
    peak_g = readings(100 if quick else 2000, 500)
    whole, own = store_of(folder, peak_g, "whole"), store_of(folder, peak_g[:20], "own")
    of_whole, of_own = in_turn(
        lambda: ours("trend", "--series", "S00007", store=whole),
        lambda: ours("trend", "--series", "S00007", store=own),
        times=2,
    )
    return Figure(of_whole.seconds / of_own.seconds, of_whole.peak_mb, f"{of_whole.seconds:.1f} s")


@row("report, 1,000 series of 25", "trend, forecast and rank", 2.0)
def report(folder, quick):
    store = store_of(folder, readings(100 if quick else 1000, 25))
    page, asked = in_turn(
        lambda: answers(store, "report"),
        lambda: answers(store, "trend", "forecast", "rank"),
        times=1,
    )
    return Figure(page.seconds / asked.seconds, page.peak_mb, f"{page.seconds:.1f} s")


def ten_times(command: str):
    """A row of a million drops for one command."""

    @row(f"{command}, 1,000,000 drops in 40,000 series", "100,000 in 4,000", 11.0)
    def measure(folder, quick):
        peak_g = readings(1000 if quick else 40_000, 25)
        whole = store_of(folder, peak_g, "whole")
        tenth = store_of(folder, peak_g[: len(peak_g) // 10], "tenth")
        of_whole, of_tenth = answers(whole, command), answers(tenth, command)
        return Figure(
            of_whole.seconds / of_tenth.seconds, of_whole.peak_mb, f"{of_whole.seconds:.1f} s"
        )

    return measure


for each in ("trend", "forecast", "rank", "query", "report"):
    ten_times(each)


# ------------------------------------------------------------------------------- in a browser

PAGES = ("status", "due", "series list", "trend", "forecast", "rank", "latent", "rig", "query")


def of_page(words: str):
    """A row of one page, worked out anew each time, against its command in the same process."""

    @row(f"the page of {words}", "the answer in process", 3.0)
    def measure(folder, quick):
        store = folder / "demo.duckdb"
        ours("demo", "--store", store, store=store)
        times = "2" if quick else "10"
        page, answer, neither = in_turn(
            lambda: peer("pages", words, times, store=store),
            lambda: peer("answers", words, times, store=store),
            lambda: peer("answers", words, "0", store=store),
            times=2,
        )
        ratio = (page.seconds - neither.seconds) / (answer.seconds - neither.seconds)
        each = (page.seconds - neither.seconds) / int(times)
        return Figure(ratio, page.peak_mb, f"{1000 * each:.0f} ms a page")

    return measure


for each in PAGES:
    of_page(each)


def served(folder: Path, work: str, *words: str) -> dict[str, float]:
    """What a function of ``peers.py`` found at a server of the demo with a series to drop in."""
    store, found = folder / "demo.duckdb", folder / "found.json"
    ours("demo", "--store", store, store=store)
    ours("specimen", "add", "T-1", "--kind", "case", store=store)
    opening = ("series", "open", "T1", "--device", "D1", "--case", "T-1")
    ours(*opening, "--drop-height-mm", "500", "--surface", "concrete", store=store)
    peer(work, str(found), *words, store=store)
    return json.loads(found.read_text())


@row("readings on 20 open pages while one enters, worst age", "2 s", 1.0)
def open_pages(folder, quick):
    found = served(folder, "open_pages", "3" if quick else "20")
    note = f"{found['worst_s']:.2f} s; {found['waited_s']:.1f} s by the clock"
    return Figure(found["worst_s"] / 2.0, found["mb"], note)


@row("memory of serve after 10,000 requests", "after 1,000", 1.1)
def many_requests(folder, quick):
    found = served(folder, "many_requests", "500" if quick else "10000")
    grown = found["mb"] - found["first_mb"]
    return Figure(found["mb"] / found["first_mb"], found["mb"], f"{grown:+.1f} MB")
