"""Answers leave as CSV, JSON, Markdown and Parquet, the same in each; views are as documented."""

import csv
import io

import duckdb
import pytest

from durability.__main__ import main
from durability.report import terminal
from durability.report.answers.query import USES, blocks
from durability.store import database
from durability.store.saved_queries import saved_queries
from durability.workflow.demo import page

RECORD = page("record", {})
ASKED = "SELECT series, drop_number, peak_g, dropped_at, note FROM all_drops ORDER BY drop_number"


@pytest.fixture
def small(store, tmp_path, once):
    def make():
        (tmp_path / "drops.csv").write_text(
            "series,drop_number,peak_g,dropped_at,note,status,void_reason\n"
            'S1,1,118.0342,2026-03-02T10:15:00,"bar | and, comma",valid,\n'
            "S1,2,,2026-03-02T10:16:00,,void,bad trigger\n",
            encoding="utf-8",
        )
        store("import", "drops", "drops.csv")

    once(make)
    return store


def test_csv_keeps_every_digit_and_leaves_the_absent_blank(small, tmp_path):
    out = small("query", "--sql", ASKED, "--format", "csv").out
    header, first, second = csv.reader(io.StringIO(out))
    assert header == ["series", "drop_number", "peak_g", "dropped_at", "note"]
    assert first == ["S1", "1", "118.0342", "2026-03-02T10:15:00", "bar | and, comma"]
    assert second[2] == second[4] == ""
    small("query", "--sql", ASKED, "-o", "a.csv")
    assert (tmp_path / "a.csv").read_text(encoding="utf-8") == out


def test_json_is_one_form_however_it_is_asked_for(small, tmp_path):
    told = small("query", "--sql", ASKED, "--json").json
    assert told["rows"][0][2] == 118.0342 and told["rows"][1][2] is None
    assert small("query", "--sql", ASKED, "--format", "json").json == told
    small("query", "voided_drops", "-o", "a.json")
    assert '"query": "voided_drops"' in (tmp_path / "a.json").read_text(encoding="utf-8")


def test_markdown_is_a_table_whose_cells_hold_their_bars(small):
    lines = small("query", "--sql", ASKED, "--format", "markdown").out.splitlines()
    assert lines[0] == "| series | drop_number | peak_g | dropped_at | note |"
    assert lines[2] == "| S1 | 1 | 118.03 | 2026-03-02 10:15 | bar \\| and, comma |"
    assert len(lines) == 4


def test_parquet_keeps_types_and_values(small, tmp_path):
    small("query", "--sql", ASKED, "-o", "a.parquet")
    read = duckdb.connect().from_parquet(str(tmp_path / "a.parquet"))
    assert [str(each) for each in read.types] == [
        "VARCHAR",
        "INTEGER",
        "DOUBLE",
        "TIMESTAMP",
        "VARCHAR",
    ]
    rows = read.fetchall()
    assert rows[0][:3] == ("S1", 1, 118.0342) and rows[1][2] is None
    small("query", "--sql", "SELECT 1 AS n WHERE false", "-o", "none.parquet")
    assert duckdb.connect().from_parquet(str(tmp_path / "none.parquet")).fetchall() == []


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--sql", "DELETE FROM amendment"], "read-only"),
        (["--sql", "SELECT * FROM read_csv('/etc/hosts')"], "Permission Error"),
        (["--sql", "SELEC 1"], "syntax error"),
        (["--sql", "SELECT 1", "voided_drops"], "leave the name"),
        (["--sql", "SELECT 1", "--format", "parquet"], "name its file"),
        (["--sql", "SELECT 1", "-o", "a.txt"], "say --format"),
        (["--sql", "SELECT 1", "-o", "nowhere/a.csv"], "does not exist"),
        (["--format", "csv"], "no question named"),
    ],
)
def test_what_can_not_be_asked_is_one_line(small, asked, said):
    told = small("query", *asked, expect=2)
    assert said in told.err and told.err.count("\n") == 1
    assert told.out == ""


def test_questions_stand_by_daily_use(store):
    out = store("query").out
    at = [out.index(heading) for heading in USES.values()]
    assert at == sorted(at)
    queries = saved_queries([])
    assert {query.use for query in queries.values()} == set(USES)
    last = out[at[-1] :]
    assert "fastest_degrading_cases" in last and "voided_drops" not in last
    listed = store("query", "--json").json["queries"]
    assert {each["name"]: each["use"] for each in listed}["latent_failures"] == "follow-up"


VIEWS = {
    "valid_drops": "### valid_drops (view)",
    "case_drops": "### case_drops (view)",
    "device_shocks": "### device_shocks (view)",
    "latest_checks": "### latest_checks (view)",
    "device_dose(6.4)": "`device_dose(exponent)`",
}


@pytest.mark.parametrize("view", VIEWS)
def test_the_views_are_as_the_manual_says(view, small, tmp_path):
    """Every column by name, in order, and none besides."""
    section = RECORD.partition(f"\n{VIEWS[view]}")[2].partition("\n#")[0]
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line[:1] == "|"][2:]
    with database.reading(tmp_path / "store.duckdb") as connection:
        described = connection.execute(f"DESCRIBE SELECT * FROM {view}").fetchall()
    assert [row[0] for row in rows] == [row[0] for row in described]
    for name, *meaning in rows:
        for ending, unit in (("_g", "g"), ("_ms", "ms"), ("_mm", "mm"), ("_c", "Celsius")):
            assert not name.endswith(ending) or unit in " ".join(meaning).split(), name


def test_main_stays_quiet_in_a_pipe(small, capsys):
    assert main(["query", "--sql", "SELECT 1 AS n", "--json"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("width", range(60, 100, 5))
def test_no_word_and_no_digit_of_a_table_is_cut(width, monkeypatch, capsys):
    """To fit a table its widest columns were cut below their longest word: 160 read as 16."""
    monkeypatch.setenv("COLUMNS", str(width))
    headings = ("case_model", "mode", "cases", "cases_seen", "first_seen_at", "worst_severity",
                "cases_failed", "first_failed_at", "drops_watched")  # fmt: skip
    rows = [
        ("Moraine", "abrasion", 8, 3, 15, 4, 3, 18, 160),
        ("Tarn", "permanent set", 7, 6, 14, 2, 0, None, 257),
    ]
    terminal.show(blocks("Modes", {}, headings, rows))
    told = capsys.readouterr().out.replace(";", " ").split()
    for words in (*headings, *(cell for row in rows for cell in row if cell)):
        assert set(str(words).replace("_", " ").split()) <= set(told)
