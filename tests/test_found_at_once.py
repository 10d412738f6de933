"""What a new user types is understood where it can mean one thing; else the nearest is named."""

from __future__ import annotations

import json
import subprocess

import pytest


@pytest.fixture
def store(run, tmp_path):
    """Case C-1, model soft, in series S1 and S2; case S9 beside a series of that code."""
    run("init")
    table = tmp_path / "lab.csv"
    rows = [f"{s},{n},{100 + n},D,{case},{model}" for s, case, model in (
        ("S1", "C-1", "soft"), ("S2", "C-1", "soft"), ("S9", "C-2", "hard"), ("S3", "S9", "hard"),
    ) for n in range(1, 6)]  # fmt: skip
    table.write_text("\n".join(["series,drop_number,peak_g,device,case,case_model", *rows]))
    run("import", str(table))
    return run


def series_of(store, *words):
    told = json.loads(store("trend", *words, "--json").out)
    return [each["series"] for each in told["series"]]


@pytest.mark.parametrize("words", [[], ["help"]])
def test_alone_it_shows_what_there_is(run, words):
    told = run(*words).out
    assert "trend" in told and "record" in told


def test_a_group_alone_shows_its_commands(run):
    assert "void" in run("drop").out
    assert "show one series" in run("series").out


def test_help_of_a_command(run):
    assert "usage: durability drop add" in run("help", "drop", "add").out
    assert "'drp': no such command; nearest: drop" in run("help", "drp", expect=2).err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["tren"], "'tren': no such command; nearest: trend"),
        (["drop", "lst"], "nearest: list; there are add, bulk, void, restore, never, amend, list"),
        (
            ["trend", "--seris", "S1"],
            "trend: --seris: no such option; nearest: --series",
        ),
        (["trend", "--level", "0.8"], "trend: --level: no such option (see"),
        (["rank", "--by", "model"], "there are case_model, case"),
        (["due", "S1"], "S1: one word too many"),
    ],
)
def test_a_mistyped_word_names_the_nearest(run, words, said):
    told = run(*words, expect=2).err
    assert said in told and len(told.splitlines()) == 1


def test_a_series_a_case_or_a_model_needs_no_option(store):
    assert series_of(store, "S1") == ["S1"]
    assert series_of(store, "C-1") == ["S1", "S2"]
    assert series_of(store, "soft") == ["S1", "S2"]
    assert series_of(store, "S1", "S3") == ["S1", "S3"]
    assert series_of(store, "S3", "soft") == ["S1", "S2", "S3"]


def test_an_option_may_stand_before_its_command(store, tmp_path):
    (file,) = tmp_path.glob("*.duckdb")
    told = store("--store", str(file), "--json", "trend", "S1").json["series"]
    assert [each["series"] for each in told] == ["S1"]
    assert store(f"--store={file}", "drop", "add", "S1", "250").out == "6\n"
    assert "usage: durability" in store("--json", "--store", str(file)).out


def test_a_name_of_two_things_or_of_none_is_refused(store):
    told = store("trend", "S9", expect=1).err
    assert told == ("durability: 'S9': case and series; say which by --series or --case-model\n")
    assert "no series, case or case model; nearest: soft" in store("trend", "sft", expect=1).err
    assert "nearest: soft" in store("rank", "--case-model", "sof", expect=1).err
    assert "in the record; nearest: soft, hard" in store("compare", "Soft", "hard", expect=1).err


def test_show_takes_a_series_or_a_specimen(store):
    assert json.loads(store("show", "S1", "--json").out)["series"] == "S1"
    assert json.loads(store("show", "C-1", "--json").out) == json.loads(
        store("history", "C-1", "--json").out
    )
    assert "both a series and a specimen" in store("show", "S9", expect=1).err
    assert "no series or specimen; nearest: S1" in store("show", "S11", expect=1).err


def test_a_peak_and_a_page_need_no_option(store, tmp_path):
    assert store("drop", "add", "S1", "250").out == "6\n"
    assert "not allowed with" in store("drop", "add", "S1", "250", "--peak-g", "3", expect=2).err
    page = tmp_path / "page.html"
    store("report", str(page), "--series", "S1")
    assert page.read_text().startswith("<!")


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("series;peak_g;note", "drops"),
        ("\ufeffspecimen,severity,series,drop_number", "damage"),
        ('"device","inspected_at","function","outcome"', "inspections"),
        ("code\tkind\tmodel", "specimens"),
    ],
)
def test_the_kind_of_a_table_is_seen_in_its_header(tmp_path, header, kind):
    from durability.intake.columns import kind_of_files

    file = tmp_path / "lab.csv"
    file.write_text(f"{header}\n1\n", encoding="utf-8")
    assert kind_of_files([str(file)]) == kind


def test_a_header_of_no_kind_or_of_two_is_refused(run, tmp_path):
    file = tmp_path / "lab.csv"
    file.write_text("time,volts\n0,1\n")
    assert "fits no known table; name the kind: drops" in run("import", str(file), expect=2).err
    file.write_text("series,peak_g,specimen,severity\n")
    told = run("import", str(file), expect=2).err
    assert f"durability import drops {file} or durability import damage {file}" in told
    file.write_text("series,drop_number,g\n")
    told = run("import", str(file), expect=2).err
    assert "its header fits no known table (drops without peak_g); name the kind" in told


def test_files_to_import_are_there_and_of_one_kind(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text("series,peak_g\n")
    (tmp_path / "b.csv").write_text("specimen,severity\n")
    told = run("import", "a.csv", "b.csv", "--keep-good", expect=2).err
    assert "import b.csv: its header fits damage, that of a.csv drops" in told
    assert "import c.csv: no such file" in run("import", "c.csv", expect=2).err
    (tmp_path / "drops").mkdir()
    (tmp_path / "out").mkdir()
    assert "durability import record out for an exported" in run("import", "out", expect=2).err
    run("init")
    (tmp_path / "a.csv").write_text("series,drop_number,peak_g,device\nS1,1,120,D\n")
    assert "1 added" in run("import", "drops", "a.csv").out  # a folder of that name is beside it


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_a_shell_is_told_every_command(run, shell):
    told = run("completion", shell).out
    assert all(name in told for name in ("trend", "settling-drops", "completion"))


def test_bash_completes_commands_and_options(run, tmp_path):
    script = tmp_path / "completion.bash"
    script.write_text(run("completion", "bash").out)
    for typed, completed in (("durability tre", "trend"), ("durability trend --ser", "--series")):
        words = typed.split()
        asked = (
            f"source {script}; COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1};"
            ' $(complete -p durability | sed "s/.*-F \\([^ ]*\\).*/\\1/");'
            ' echo "${COMPREPLY[@]}"'
        )
        told = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True)
        assert told.stdout.split() == [completed]


@pytest.mark.parametrize(
    "words",
    [
        *(["drop", does, "S1", "3", "--reason", " "] for does in ("void", "never", "restore")),
        ["drop", "amend", "S1", "3", "--set", "peak_g=3", "--reason", ""],
        ["drop", "add", "S1", "--void-reason", ""],
        ["series", "close", "S1", "--reason", ""],
        ["specimen", "retire", "C-1", "--reason", ""],
    ],
)
def test_a_blank_reason_is_refused_and_stores_nothing(store, words):
    before = store("drop", "list", "--json").out
    assert "reason: blank; say why" in store(*words, expect=2).err
    assert store("drop", "list", "--json").out == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["compare", "soft", "soft"], "soft: compared with itself; name two case models, or bare"),
        (["trend", "--false-discovery", "2"], "--false-discovery 2.0: not a share between 0 and"),
        (["status", "--false-discovery", "0"], "--false-discovery 0.0: not a share between 0 and"),
        (["query", "--sql", "SELECT * FROM valid_drop"], 'Did you mean "valid_drops"?'),
        (["trend", "--as-of", "9999-12-31T23:00-12:00"], "--as-of '9999-12-31T23:00-12:00': not a"),
        (["report", "r.html", "--claim", "500"], "--claim 500: not a percentage from 0 to below"),
        (
            ["plan", "survive", "--drops", "1000000"],
            "--drops 1000000: not a number of drops from",
        ),
        (["forecast", "--horizon", "1e6"], "--horizon: '1e6': not a whole number"),
        (["query", "--max-seconds", "soon"], "--max-seconds: 'soon': not a number"),
        (
            ["inspect", "schedule", "p", "--stage", "a=99999999999"],
            "at most 36,525 days, or NAME=before",
        ),
        (
            [
                "specimen",
                "retire",
                "C-1",
                "--state=retained",
                "--reason=x",
                "--retest-on=9999-12-31",
            ],
            "--retest-on 9999-12-31: not a plausible year; give a future day",
        ),
        (
            ["drop", "add", "S1", "100", "--dropped-at", "0001-01-01"],
            "--dropped-at '0001-01-01': not a plausible year; give an ISO 8601 date or time",
        ),
        (["serve", "--port", "99999999"], "--port 99999999: not a port from 0 to 65535"),
    ],
)
def test_what_can_not_be_meant_is_refused_in_one_line(store, words, said):
    told = store(*words, expect=2).err
    assert said in told and len(told.splitlines()) == 1


def test_what_is_due_is_answered_however_far_ahead(store):
    far, farther = (
        store("due", "--within", days, "--json").json["due"] for days in ("9999", "99999999999")
    )
    assert far == farther != []


def test_a_function_that_resembles_a_listed_one_is_named(store):
    store("specimen", "add", "R-1", "--kind", "device")
    told = store("inspect", "record", "R-1", "--check", "displai=pass", "--check", "seal=pass")
    assert told.out == "2 functions of R-1 recorded\n"
    assert "'displai' is not on the check list of R-1; nearest: display" in told.err
    assert "'seal'" not in told.err
