"""An answer comes first and short, its reasons by --why; headings are words; values stay whole."""

import importlib
import io
import pkgutil
import re
import sys
from collections import Counter
from dataclasses import replace

import pytest

from durability.__main__ import main
from durability.record.errors import complain
from durability.report import answers, labels, terminal
from durability.report.answers.query import IS_BOUND
from durability.report.blocks import Columns, Table, Words, why
from durability.store.saved_queries import saved_queries

SHORT = 20
ASKED = ("latent", "forecast", "rank")


@pytest.fixture(scope="module")
def kept():
    """What was answered already."""
    return {}


@pytest.fixture
def ask(run, demo_store, kept, monkeypatch, capsys):
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))

    def call(words, *, why=True):
        if words not in kept:
            blocks = []
            with monkeypatch.context() as patch:
                patch.setattr(terminal, "show", lambda found, *, why: blocks.extend(found))
                run(*words.split())
            kept[words] = blocks
        capsys.readouterr()
        terminal.show(kept[words], why=why)
        return capsys.readouterr().out

    return call


def sentences(out):
    """Those long enough to be one."""
    text = " ".join(out.split())
    return [each for each in re.split(r"(?<=[.;])\s+", text) if len(each.split()) > 5]


@pytest.mark.parametrize("words", ASKED)
def test_the_answer_comes_first_in_a_screen_and_the_reasons_by_why(ask, words):
    short, whole = ask(words, why=False), ask(words)
    lines = short.splitlines()
    assert len(lines) <= SHORT < len(whole.splitlines())
    assert lines[-1].startswith("The reasons") and lines[-1].endswith(": --why")
    assert "--why" not in whole
    assert whole.splitlines()[0] == lines[0]


@pytest.mark.parametrize("words", ASKED)
def test_long_names_leave_it_within_a_screen(ask, kept, words, capsys):
    """Tall rows are fewer, and counted; one at least is there."""
    ask(words)
    long = {"demo-": "series of the second winter lot ", "Scree": "transparent sleeve, " * 3}

    def renamed(cell):
        for name, other in long.items():
            cell = cell.replace(name, other)
        return cell

    blocks = [
        replace(each, rows=[list(map(renamed, row)) for row in each.rows])
        if isinstance(each, Table)
        else each
        for each in kept[words]
    ]
    terminal.show(blocks, why=False)
    out = capsys.readouterr().out
    assert len(out.splitlines()) <= SHORT
    assert ("more rows" in out) == any(
        isinstance(each, Table) and not each.is_why for each in blocks
    )


def test_what_changes_the_meaning_of_a_verdict_stays_in_the_short_answer(ask):
    latent = " ".join(ask("latent", why=False).split())
    assert re.search(r"twice the peak g: \d\.\d+ \(.* to .*\) of the time to failure", latent)
    assert "90 % intervals" in latent and "among 8 controls" in latent
    assert "not proof" in latent and "Exploratory" in latent and "QUARANTINED" in latent
    assert "Inspect first" in latent
    assert "the full order can't be established" in " ".join(ask("rank", why=False).split())


@pytest.mark.parametrize("words", ["latent", "forecast", "rank"])
def test_a_store_with_little_says_what_it_lacks(store, sheet, words):
    drops = sheet("drops.csv", "series,drop_number,peak_g,case,case_model", "S1,1,118,C-1,soft")
    store("import", "drops", str(drops))
    out = store(words).out
    assert len(out.splitlines()) <= SHORT
    assert len(store(words, "--why").out) > len(out)
    wanted = {"latent": "needs at least 6 devices and 3", "rank": "With a second valid drop"}
    assert wanted.get(words, "S1") in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rise", "--rise-pct", "5"], "3 valid drops of one case"),
        (["tell-apart", "--difference-pct", "10"], "of each of two"),
    ],
)
@pytest.mark.parametrize("peaks", [(), (118,)])
def test_a_plan_without_data_says_what_it_would_say_with_them(store, sheet, words, said, peaks):
    rows = [f"S1,{number},{peak},C-1,soft" for number, peak in enumerate(peaks, 1)]
    if rows:
        table = sheet("drops.csv", "series,drop_number,peak_g,case,case_model", *rows)
        store("import", "drops", str(table))
    told = " ".join(store("plan", *words, expect=1).err.split())
    assert said in told and "until then give --scatter-pct" in told


@pytest.mark.parametrize(
    "words",
    [*ASKED, "compare bare Corrie", "due"],
)
def test_no_sentence_is_said_twice(ask, words):
    twice = [each for each, count in Counter(sentences(ask(words))).items() if count > 1]
    assert not twice


def test_reasons_are_left_out_and_counted(capsys):
    table = Table("of two", ("a", "b"), [("1", "x"), ("2", "y"), ("3", "z")], short=(1,))
    blocks = [Words("Yes."), table, *why([Words("Because."), table])]
    terminal.show(blocks, why=False)
    short = capsys.readouterr().out
    assert "Because" not in short and "2  y" in short and "1  x" not in short
    assert "The reasons, 2 more rows and 1 table: --why" in short
    terminal.show(blocks)
    assert "Because" in (whole := capsys.readouterr().out) and "--why" not in whole
    terminal.show(blocks[:1], why=False)
    assert capsys.readouterr().out.split() == ["Yes."]


# ---------------------------------------------------------------------------------- headings


def test_headings_are_words_with_units():
    for question in saved_queries([]).values():
        for name, _ in question.columns:
            if name != IS_BOUND:
                assert "_" not in labels.column_words(name), name
    for module in pkgutil.iter_modules(answers.__path__):
        found = vars(importlib.import_module(f"{answers.__name__}.{module.name}")).values()
        for table in (each for each in found if isinstance(each, Columns)):
            assert not [one.heading for one in table.columns if "_" in one.heading]
            assert not {one.heading for one in table.columns} & {"ms", "m/s", "%", "Hz", "days"}
    said = {name: labels.column_words(name) for name in (
        "peak_g", "velocity_change_m_s", "rise_pct_per_drop", "as_found_mv_per_g", "off_pct",
        "drop_height_mm", "failed_by_days", "file_sha256", "entered_at_utc", "case_model",
    )}  # fmt: skip
    assert list(said.values()) == [
        "peak, g", "velocity change, m/s", "rise, % per drop", "as found, mV/g", "off, %",
        "drop height, mm", "failed by, days", "file SHA-256", "entered at, UTC", "case model",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "words",
    ["history R14", "query latent_failures", "query calibration_history", "forecast"],
)
def test_a_wide_table_keeps_its_columns_and_cuts_no_value(ask, words):
    out = ask(words)
    assert max(map(len, out.splitlines())) <= 80
    for whole in {
        "history R14": ("invented-inspections.csv", "2026-04-07", "peak 848.3"),
        "query latent_failures": ("push-to-talk", "2026-04-17", "849.7"),
        "query calibration_history": ("demo-certificate-2", "2026-10-19", "as found, mV/g: 0.988"),
        "forecast": ("Moraine", "demo-T4-edge", "(damage)"),
    }[words]:
        assert whole in out


# ----------------------------------------------------------------------------- standard error


def test_standard_error_wraps_between_words_at_a_terminal_only(monkeypatch, capsys):
    words = "durability: " + "a value-with-hyphens, what would be right; " * 6 + "x" * 100
    complain(words)
    assert capsys.readouterr().err == f"{words}\n"

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stderr", Terminal())
    complain(words)
    lines = sys.stderr.getvalue().splitlines()
    assert len(lines) > 3 and all(len(line) < 80 for line in lines[:-1])
    assert " ".join(" ".join(lines).split()) == words


def test_a_reader_that_has_gone_is_no_fault(monkeypatch):
    """As of ``durability query | head -1``: the exit status is that of a run that was all well."""

    class Gone(io.StringIO):
        def write(self, text):
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stdout", Gone())
    assert main(["query"]) == 0
