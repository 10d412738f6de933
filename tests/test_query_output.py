"""Answers leave as CSV, JSON, Markdown and Parquet, the same in each; views are as documented."""

import csv
import io
import json
import re
import signal
import subprocess
import sys
import time

import duckdb
import pytest

from durability.__main__ import main
from durability.report import as_json, terminal
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
        (["--sql", "SELECT 1", "voided_drops"], "leave them out"),
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
    terminal.show(blocks("Modes", "", {}, headings, rows))
    told = re.sub("[;:]", " ", capsys.readouterr().out).split()
    for words in (*headings, *(cell for row in rows for cell in row if cell)):
        assert set(str(words).replace("_", " ").split()) <= set(told)


# --------------------------------------------------------------------- statements of one's own

ATTACKS = [
    "INSERT INTO drops (drop_number) VALUES (1)",
    "UPDATE drops SET peak_g = 1",
    "DELETE FROM drops",
    "DROP TABLE drops",
    "DROP VIEW valid_drops",
    "CREATE TABLE mine (x INTEGER)",
    "CREATE TEMP TABLE mine AS SELECT 1",
    "CREATE OR REPLACE VIEW valid_drops AS SELECT 1",
    "CREATE MACRO utc_of(a, b) AS a",
    "ALTER TABLE drops ADD COLUMN x INTEGER",
    "ATTACH '/tmp/other.duckdb'",
    "ATTACH ':memory:' AS m",
    "DETACH store",
    "COPY drops TO 'drops.csv'",
    "COPY drops FROM 'drops.csv'",
    "COPY (SELECT 1) TO 'x.parquet' (FORMAT parquet)",
    "EXPORT DATABASE 'out'",
    "IMPORT DATABASE 'out'",
    "SET enable_external_access = true",
    "SET memory_limit = '1TB'",
    "RESET enable_external_access",
    "PRAGMA enable_external_access = true",
    "INSTALL httpfs",
    "LOAD httpfs",
    "CHECKPOINT",
    "FORCE CHECKPOINT",
    "VACUUM",
    "BEGIN",
    "COMMIT",
    "CALL checkpoint()",
    "PREPARE p AS DELETE FROM drops",
    "SELECT 1; DELETE FROM drops",
    "SELECT * FROM read_csv('/etc/passwd')",
    "SELECT * FROM read_text('/etc/passwd')",
    "SELECT * FROM read_blob('/etc/passwd')",
    "SELECT * FROM '/etc/passwd'",
    "SELECT * FROM glob('/etc/*')",
    "SELECT * FROM read_parquet('https://example.org/x.parquet')",
    "SELECT nextval('amendment_order')",
]


def test_a_statement_reads_the_store_and_nothing_else(store, tmp_path):
    """What writes, reaches for a file or loosens a limit is one line; the store is as it was."""
    path = tmp_path / "store.duckdb"
    before, there = path.read_bytes(), {each.name for each in tmp_path.iterdir()}
    for attack in ATTACKS:
        told = store("query", "--sql", attack, expect=2)
        assert told.err.startswith("durability: --sql: ") and told.err.count("\n") == 1, attack
        assert "root:" not in told.out + told.err, attack
    assert path.read_bytes() == before
    assert {each.name for each in tmp_path.iterdir()} == there


@pytest.mark.parametrize("sql", ["", "  ", ";", "-- nothing", "SELECT 1; SELECT 2"])
def test_one_statement_is_asked(store, sql):
    told = store("query", "--sql", sql, expect=2)
    assert (
        told.err == "durability: --sql: write one statement that asks, read-only, like SELECT ...\n"
    )


def test_what_no_number_can_say_is_shown(store):
    assert "unlimited" in store("query", "--sql", "SELECT 1/0 AS x").out
    told = store("query", "--sql", "SELECT INTERVAL 3 DAYS AS i, BLOB 'ab' AS b, TIME '10:00' AS t",
                 "--json")  # fmt: skip
    assert told.json["rows"] == [["3 days, 0:00:00", "6162", "10:00:00"]]
    told = store("query", "--sql", "SELECT 1 AS a, 2 AS a", expect=2)
    assert "two columns are called a" in told.err


ENDLESS = "SELECT count(*) FROM range(100000000) AS a, range(99999999) AS b WHERE a.range < b.range"


def test_a_statement_that_has_no_end_is_ended(store):
    told = subprocess.run(
        [sys.executable, "-m", "durability", "query", "--sql", ENDLESS, "--max-seconds", "0.3"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 2
    assert "ended after 0.3 s; narrow it, or raise the limit by --max-seconds\n" in told.stderr
    told = store("query", "--sql", "SELECT * FROM range(2000000)", expect=2)
    assert "more than 1,000,000 rows" in told.err
    told = store("query", "--sql", "SELECT 1", "--max-seconds", "0", expect=2)
    assert "--max-seconds 0" in told.err


def test_a_statement_is_ended_at_the_keyboard(store, tmp_path):
    """Ctrl-C, status 130; the engine itself may take many seconds to hear of it."""
    asked = subprocess.Popen(
        [sys.executable, "-m", "durability", "query", "--sql", ENDLESS, "--store",
         str(tmp_path / "store.duckdb")], stderr=subprocess.PIPE, text=True,
        # A shell that runs the tests in the background has Ctrl-C ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    time.sleep(3.0)
    asked.send_signal(signal.SIGINT)
    _, told = asked.communicate(timeout=4.0)
    assert asked.returncode == 130
    assert told == "durability: interrupted; what was acknowledged is stored\n"


# ------------------------------------------------------------------------------- hostile text

STEERS = "a\x1b]0;mine\x07b\x9b31mred\u202e\u200b\ufeff\u2028\U000e0041\x7f"
"""Escape sequences, a turned direction, what is not seen, a line end, letters of a tag."""


def test_stored_text_steers_no_terminal_and_no_page(store, tmp_path):
    store("specimen", "add", "R-1", "--kind", "device", "--note", STEERS)
    store("series", "open", "S", "--device", "R-1", "--note", STEERS)
    store("drop", "add", "S", "118", "--note", STEERS)
    notes = ("query", "--sql", "SELECT note FROM specimen")
    wrong = ("drop", "amend", "S", "1", "--set", f"peak_g={STEERS}", "--reason", "x")
    told = [
        store("specimen", "show", "R-1"),
        store("drop", "list"),
        store("history", "R-1"),
        store(*notes),
        store(*notes, "--format", "markdown"),
        store(*wrong, expect=2),
    ]
    store("report", "-o", "page.html")
    told.append(store("trend", f"--{STEERS}", expect=2))
    told.append(store("specimen", "show", "R-1", "--json"))
    shown = [each.out + each.err for each in told] + [(tmp_path / "page.html").read_text()]
    for text in shown:
        assert not set(text) & (set(STEERS) - set("a0;mineb31red]"))
    assert any("\\x1b]0;mine" in text for text in shown)
    assert told[-1].json["note"] == STEERS
    with duckdb.connect(str(tmp_path / "store.duckdb")) as connection:  # of an earlier release
        connection.execute("UPDATE series SET code = $code", {"code": STEERS})
    store("plot", "wear", "-o", "wear.svg")
    assert not set((tmp_path / "wear.svg").read_text()) & set("\x1b\x07\x9b\u202e\u200b")


def test_names_that_steer_are_refused_at_entry(store, tmp_path):
    told = store("specimen", "add", "R\x1b[2J", "--kind", "device", expect=2)
    assert "holds a control character; give the code of the specimen" in told.err
    (tmp_path / "d.csv").write_text("series,drop_number,peak_g\nS\x1b[2J,1,118\n")
    told = store("import", "drops", "d.csv", expect=1)
    assert "row 2, series" in told.err and "\x1b" not in told.err
    assert "\x1b" not in store("trend", "--series", "X\x1b[2J", expect=1).err


FORMULAS = ["=1+1", "+4", "@sum", "-x"]


def test_a_sheet_runs_no_text_of_a_csv(store, tmp_path):
    """OWASP, CSV injection: a text that begins so is shown behind a quote."""
    texts = [*FORMULAS, "-5", "-.5", "plain = 2"]
    for at, text in enumerate(texts):
        store("specimen", "add", f"R-{at}", "--kind", "device", f"--note={text}")
    asked = (
        "query",
        "--sql",
        "SELECT note, -5 AS n FROM specimen ORDER BY code",
        "--format",
        "csv",
    )
    rows = list(csv.reader(io.StringIO(store(*asked).out)))[1:]
    assert [row[0] for row in rows] == [
        *(f"'{text}" for text in FORMULAS),
        "-5",
        "-.5",
        "plain = 2",
    ]
    assert {row[1] for row in rows} == {"-5"}
    rows = list(csv.reader(io.StringIO(store(*asked, "--raw").out)))[1:]
    assert [row[0] for row in rows] == texts
    assert [row[0] for row in store(*asked[:-2], "--json").json["rows"]] == texts


TEXTS = [*FORMULAS, "a\x1b[31mb", "a\rb", "a\r\nb", "a\nb", "t\tx", 'q"u', "\u202ea\u200bb", "NULL"]
"""Values that files keep exactly."""


def test_files_keep_every_text_as_it_is(store, tmp_path):
    def write(name, peak):
        with open(tmp_path / name, "w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["series", "drop_number", "peak_g", "note"])
            rows.writerows(["S", at, peak, text] for at, text in enumerate(TEXTS, start=1))

    def column(path):
        with open(path, newline="", encoding="utf-8") as file:
            return [row["note"] for row in csv.DictReader(file)]

    write("bad.csv", "x")
    store("import", "drops", "bad.csv", "--keep-good", expect=1)
    assert column(tmp_path / "bad.rejects.csv") == TEXTS
    write("good.csv", "118")
    store("import", "drops", "good.csv")
    asked = ("query", "--sql", "SELECT note FROM drops ORDER BY drop_number")
    assert [row[0] for row in store(*asked, "--json").json["rows"]] == TEXTS
    store(*asked, "-o", "notes.parquet")
    assert [row[0] for row in duckdb.read_parquet(str(tmp_path / "notes.parquet")).fetchall()] == (
        TEXTS
    )
    store(*asked, "-o", "notes.csv", "--raw")
    assert column(tmp_path / "notes.csv") == TEXTS
    store("export", "out")
    assert column(tmp_path / "out" / "today" / "drops.csv") == TEXTS
    store("import", "record", "out", "--store", "again.duckdb")
    assert [row[0] for row in store(*asked, "--json", "--store", "again.duckdb").json["rows"]] == (
        TEXTS
    )


def test_markdown_takes_a_cell_as_it_stands(store):
    store("specimen", "add", "R-1", "--kind", "device", "--note", "<b>|`x`[a](b)*c*")
    told = store("query", "--sql", "SELECT note FROM specimen", "--format", "markdown").out
    assert told.splitlines()[-1] == r"| &lt;b>\|\`x\`\[a\](b)\*c\* |"


def test_what_comes_one_by_one_reads_back_as_a_list():
    rows = [
        {"series": f"S{n}", "peak_g": [1.5, float("nan"), n], "note": "\x1b[31m"} for n in range(3)
    ]
    told = {"level": 0.9, "series": iter(rows), "none": iter(()), 7: rows}
    text = as_json.dumps(told)
    assert text == as_json.dumps({**told, "series": rows, "none": []})
    assert json.loads(text)["series"][1] == {
        "series": "S1", "peak_g": [1.5, None, 1], "note": "\x1b[31m"
    }  # fmt: skip
    assert "\x1b" not in text


def test_a_full_disk_is_named_in_the_few_words_of_the_system(small, monkeypatch):
    def full(*_):
        said = r'{"exception_message":"Could not write file \"/x/a\": No space left on device"}'
        raise duckdb.IOException(f"IO Error: Async write failed: {said}")

    monkeypatch.setattr("durability.store.saved_queries.written_beside", full)
    told = small("query", "--sql", "SELECT 1", "-o", "a.parquet", expect=2)
    assert told.err == "durability: -o 'a.parquet': can't be written (No space left on device)\n"
