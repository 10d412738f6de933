"""Drops declared beforehand to settle the case: made and counted, not judged (ASTM D1596 style)."""

from __future__ import annotations

import json

import numpy as np
import pytest

READINGS = 100 * np.exp(0.015 * np.arange(14) + 0.02 * np.random.default_rng(5).normal(size=14))


def opened(run, code, *words, case="K"):
    run("series", "open", code, "--device", "D", "--device-kind", "dummy", "--case", case,
        "--case-model", "M", "--drop-height-mm", "1000", "--surface", "steel", *words)  # fmt: skip


def dropped(run, tmp_path, code, peaks):
    rows = [f"{code},{number},{peak:.2f}" for number, peak in enumerate(peaks, 1)]
    table = tmp_path / f"{code}.csv"
    table.write_text("\n".join(["series,drop_number,peak_g", *rows]))
    run("import", "drops", str(table))


def answer(run, *call):
    return json.loads(run(*call, "--json").out)


@pytest.fixture
def settled(run, tmp_path):
    """Three drops settle K; L made the drops after them only."""
    run("init")
    opened(run, "S", "--settling-drops", "3")
    dropped(run, tmp_path, "S", [60, 85, 300, *READINGS])
    return run


def plain_store(run, tmp_path, monkeypatch):
    monkeypatch.setenv("DURABILITY_STORE", str(tmp_path / "plain.duckdb"))
    run("init")
    opened(run, "S")
    dropped(run, tmp_path, "S", READINGS)


def test_the_judgement_is_that_of_the_drops_after_them(settled, tmp_path, monkeypatch):
    mine = answer(settled, "trend")["series"][0]
    my_life = answer(settled, "forecast")["series"][0]
    plain_store(settled, tmp_path, monkeypatch)
    bare = answer(settled, "trend")["series"][0]
    life = answer(settled, "forecast")["series"][0]
    for key in ("verdict", "p_value", "rise_pct_per_drop", "level_first_g", "level_latest_g"):
        assert mine[key] == bare[key], key
    assert mine["verdict"] == "rising"
    assert mine["alarm_at_drop"] == bare["alarm_at_drop"] + 3
    # The case is three drops older for the same wear.
    assert my_life["limit_g"] == pytest.approx(life["limit_g"], rel=1e-9)
    assert my_life["drops"] == life["drops"] + 3
    for end in ("lower", "median"):
        assert my_life["drops_to_failure"][end] == life["drops_to_failure"][end] + 3
    assert "14 valid drops of 17, 3 to settle it" in mine["basis"]
    assert "14 valid drops of 17, 3 to settle it" in my_life["basis"]


def test_they_are_no_voided_drops(settled, tmp_path):
    settled(
        "series", "open", "B", "--device", "D", "--drop-height-mm", "1000", "--surface", "steel"
    )
    dropped(settled, tmp_path, "B", READINGS)
    told = answer(settled, "compare", "M", "bare")
    assert told["voided"] == {"a": 0, "b": 0}
    told = settled("trend", "--series", "S").out
    assert "void" not in told


def test_they_count_in_age_and_damage(settled):
    settled("damage", "add", "K", "--series", "S", "--drop", "2", "--severity", "4",
            "--mode", "crack")  # fmt: skip
    found = answer(settled, "forecast")["series"][0]
    assert found["failed"] and found["failed_at_drop"] == 2


def test_declared_until_the_first_drop_only(run, tmp_path):
    run("init")
    opened(run, "S")
    run("series", "amend", "S", "--set", "settling_drops=2", "--reason", "as planned")
    assert answer(run, "series", "show", "S")["settling_drops"] == 2
    run("drop", "add", "S", "--peak-g", "100")
    told = run("series", "amend", "S", "--set", "settling_drops=3", "--reason", "x", expect=1)
    assert told.err == (
        "durability: --set settling_drops: series 'S' has 1 drop already; they are declared before"
        " the first drop\n"
    )
    for wrong in ("-1", "2.5", "two"):
        told = run("series", "open", "T", "--device", "D", "--settling-drops", wrong, expect=2)
        assert "--settling-drops" in told.err and "a whole number" in told.err
