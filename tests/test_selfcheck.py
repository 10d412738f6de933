"""The self-check says what it found, dated, and notices a program that is wrong."""

import json
import tomllib
from pathlib import Path

import pytest

from durability.record import clock
from durability.report.answers import integrity as shown
from durability.selfcheck import checks
from durability.selfcheck.results import PublishedValue, SelfCheck
from durability.workflow.integrity import run_selfcheck

TABLES = tomllib.loads(
    Path(checks.__file__).with_name("published_values.toml").read_text(encoding="utf-8")
)


@pytest.fixture
def fresh():
    checks.check_published_values.cache_clear()
    yield
    checks.check_published_values.cache_clear()


def test_all_published_values_come_out():
    check = run_selfcheck()
    assert check.failed == ()
    assert {value.part for value in check.values} == {
        "pulse",
        "filter",
        "spectrum",
        "trend",
        "life",
        "reliability",
        "charts",
        "exact tests",
    }
    assert len(check.values) == 141


@pytest.mark.parametrize("name", TABLES)
def test_each_table_names_its_source_and_has_a_check(name):
    assert name in checks._CHECKS
    assert len(TABLES[name]["source"]) > 30


def test_no_tolerance_is_so_wide_that_a_wrong_value_passes():
    """Half a per cent of a pulse measure and a thousandth of the others is the most."""
    for value in run_selfcheck().values:
        wide = 0.0071 if value.part == "pulse" else 5e-3
        assert value.tolerance <= wide * max(abs(value.expected), 0.02), value.quantity


def test_the_order_of_readings_has_the_s_that_it_should():
    from itertools import combinations

    for drops, s in ((5, 8), (6, 11), (12, 26)):
        order = checks._order_with(drops, s)
        assert sorted(order) == [float(at) for at in range(1, drops + 1)]
        assert sum((b > a) - (b < a) for a, b in combinations(order, 2)) == s


def test_a_wrong_program_fails(store, monkeypatch, fresh):
    from durability.pulse import low_pass as pulse

    right = pulse.low_pass
    monkeypatch.setattr(pulse, "low_pass", lambda *asked: 1.01 * right(*asked))
    told = store("selfcheck", expect=1)
    assert told.out.startswith("FAIL: 135 of 141 published values")
    assert "FAIL filter: impulse through class 60" in told.out
    assert "SAE J211-1" in told.out


def test_nothing_found_never_passes():
    missing = PublishedValue("life", "a share", "1", 0.5, float("nan"), 0.1, "made up")
    assert not missing.passed
    check = SelfCheck(clock.now(), {"durability": "0"}, (missing,))
    assert shown.answer(check).startswith("FAIL: 0 of 1 published value ")


def test_the_report_is_dated_and_names_versions_sources_and_differences(store, tmp_path):
    told = store("selfcheck", "-o", "check.md")
    assert told.out.startswith("PASS: 141 of 141 published values reproduced by durability")
    text = (tmp_path / "check.md").read_text(encoding="utf-8")
    assert "| quantity | unit | expected | found | difference | tolerance | result |" in text
    assert "NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3" in text
    assert text.count("| pass |") == 141
    assert "duckdb" in text and "Python" in text
    assert max(len(line) for line in told.out.splitlines()) <= 80


def test_the_report_as_json(store, tmp_path):
    told = store("selfcheck", "-o", "check.json", "--json").json
    written = json.loads((tmp_path / "check.json").read_text(encoding="utf-8"))
    assert written == told
    assert (told["values"], told["passed"], told["failed"]) == (141, 141, 0)
    (scale,) = [each for each in told["checks"] if each["quantity"] == "Weibull scale"]
    assert scale["expected"] == 606.528 and abs(scale["difference"]) < 0.02
    assert store("selfcheck", "-o", "nowhere/check.md", expect=2).err.count("\n") == 1
