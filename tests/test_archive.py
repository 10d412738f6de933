"""The whole record as open files: nothing lost on the way out, and the same store on the way in."""

import csv
import hashlib
import json
import re
import shutil
import sqlite3
import tomllib
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from export_files import half_sine_g, write_volts

from durability.__main__ import main
from durability.store import archive as dictionary
from durability.store import database

pytestmark = pytest.mark.usefixtures("one_study")

ANSWERS = (
    "trend",
    "forecast",
    "latent --on 2026-11-01",
    "history R14",
    "query source_of_drop --set series=demo-T3 --set drop_number=9",
)
"""One of each kind: that every row is the same stands beside."""


@pytest.fixture(scope="module")
def exported(demo_store, tmp_path_factory):
    """The invented scenario, a mended drop and an issued report in it, as open files."""
    folder = tmp_path_factory.mktemp("archive")
    store = shutil.copyfile(demo_store, folder / "demo.duckdb")
    mend = ["drop", "amend", "demo-S1", "3", "--set", "peak_g=151.25", "--reason", "misread"]
    assert main([*mend, "--store", str(store)]) == 0
    words = ["export", str(folder / "out"), "--licence", "CC BY 4.0", "--store", str(store)]
    assert main(words) == 0
    return store, folder / "out"


@pytest.fixture
def answers_of(capsys):
    def ask(store, words):
        capsys.readouterr()
        assert main([*words.split(), "--json", "--store", str(store)]) == 0
        return capsys.readouterr().out

    return ask


def about(folder):
    return json.loads((folder / "record.json").read_text(encoding="utf-8"))


def contents(store):
    """Every row of every table but the schema's own, as the engine gives it."""
    with duckdb.connect(str(store), read_only=True) as connection:
        names = [row[0] for row in connection.execute("SHOW TABLES").fetchall()]
        tables = connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE table_name <> 'schema_step'"
        ).fetchall()
        assert {name for (name,) in tables} <= set(names)
        return {
            name: connection.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall()
            for (name,) in tables
        }


# ------------------------------------------------------------------------------- there and back


def test_a_store_made_from_an_export_is_the_same_row_by_row(exported, tmp_path, run):
    store, folder = exported
    run("import", "record", folder, "--store", tmp_path / "back.duckdb")
    before, after = contents(store), contents(tmp_path / "back.duckdb")
    act = [row for row in after["entry"] if row not in before["entry"]]
    assert [(row[2], row[3], row[4]) for row in act] == [("tester", "import record", "record.json")]
    after["entry"] = [row for row in after["entry"] if row not in act]
    assert set(after) == set(before)
    for name in before:
        assert after[name] == before[name], name
    assert sum(len(rows) for rows in before.values()) > 3500


def test_it_gives_the_same_answers(exported, tmp_path, run, answers_of):
    store, folder = exported
    back = tmp_path / "back.duckdb"
    run("import", "record", folder, "--store", back)
    for words in ANSWERS:
        assert answers_of(back, words) == answers_of(store, words), words


def test_what_comes_next_is_numbered_after_what_came_back(exported, tmp_path, run):
    """A later amendment holds over those that came back: their order goes on."""
    _, folder = exported
    run("import", "record", folder, "--store", tmp_path / "store.duckdb")
    run("drop", "amend", "demo-S1", "3", "--set", "peak_g=149", "--reason", "misread again")
    told = run("query", "source_of_drop", "--set", "series=demo-S1", "--set", "drop_number=3").out
    assert told.index("misread again") > told.index("151.25")
    assert run("show", "drop", "demo-S1", "3", "--json").json["peak_g"] == 149.0


def test_todays_files_come_in_by_the_other_imports(exported, tmp_path, run, answers_of):
    """Into a store of another lab: what was dropped and what failed give the same answers."""
    store, folder = exported
    other = tmp_path / "other.duckdb"
    run("init", "--store", other)
    for kind in ("specimens", "drops", "damage", "inspections"):
        file = folder / "today" / f"{kind}.csv"
        told = run("import", kind, file, "--ignore-other-columns", "--store", other, "--json").json
        assert (told["rejected"], told["duplicates"]) == (0, 0)
        assert told["added"] == told["read"] > 50
    for words in ("trend", "forecast"):
        assert answers_of(other, words) == answers_of(store, words), words
    ours, theirs = (
        json.loads(answers_of(each, "latent --on 2026-11-01")) for each in (store, other)
    )
    for name in ("devices", "latent_failures", "verdict", "dose_exponent", "effect", "check"):
        assert theirs[name] == ours[name], name


def test_waveforms_are_plain_numbers_and_come_back_as_kept(rig, tmp_path):
    files = [
        write_volts(tmp_path / f"{at}.csv", half_sine_g(400.0 + 60 * at, seed=at))
        for at in range(3)
    ]
    rig("import", "waveforms", *files, "--series", "S1")
    kept = rig("show", "pulse", "S1", "2", "--json").out
    rig("export", "out")
    file = tmp_path / "out" / "tables" / "waveform_samples.parquet"
    frame = duckdb.from_parquet(str(file)).df()
    assert frame.columns.tolist() == ["waveform_id", "acceleration_g"]
    assert len(frame) == 3
    measures = pd.read_csv(tmp_path / "out" / "tables" / "pulse_measures.csv")
    largest = {
        row.waveform_id: np.abs(np.asarray(row.acceleration_g)).max() for row in frame.itertuples()
    }
    for row in measures.itertuples():
        assert largest[row.waveform_id] == pytest.approx(row.raw_peak_g, rel=0.02)  # less baseline
    rig("import", "record", "out", "--store", "back.duckdb")
    before, after = contents(tmp_path / "store.duckdb"), contents(tmp_path / "back.duckdb")
    assert after["waveform"] == before["waveform"]
    assert rig("show", "pulse", "S1", "2", "--json", "--store", "back.duckdb").out == kept


# ------------------------------------------------------------------------------- open files


def test_files_say_what_they_are(exported):
    _, folder = exported
    told = about(folder)
    assert told["licence"] == "CC BY 4.0"
    assert told["standard_gravity_m_s2"] == 9.80665
    named = {each["file"] for each in told["files"]}
    there = {str(file.relative_to(folder)) for file in folder.rglob("*.*") if file.is_file()}
    assert named | {"record.json", "README.txt"} == there
    for each in told["files"]:
        content = (folder / each["file"]).read_bytes()
        assert each["sha256"] == hashlib.sha256(content).hexdigest()
        if each["file"].endswith(".csv"):
            with (folder / each["file"]).open(encoding="utf-8", newline="") as opened:
                rows = list(csv.DictReader(opened))
            assert len(rows) == each["rows"], each["file"]
            if rows:
                assert list(rows[0]) == list(each["row"]["properties"])
    drops = next(each for each in told["files"] if each["file"] == "today/drops.csv")
    peak = drops["row"]["properties"]["peak_g"]
    assert peak["type"] == ["number", "null"] and peak["unit"].startswith("g ")
    assert peak["description"].startswith("largest absolute acceleration")
    assert drops["row"]["properties"]["purpose"]["enum"] == ["test", "reference", None]
    readme = (folder / "README.txt").read_text(encoding="utf-8")
    assert "Licence: CC BY 4.0." in readme and "9.80665" in readme


def test_every_number_has_a_unit_or_is_a_count(exported):
    """Columns of measured numbers end in their unit; the others are counts, ranks or ratios."""
    counts = re.compile(
        r"number|order|row|step|count|days|severity|polarity|ratio|restitution|class|value"
        r"|threshold|measured|replaces|numbers|fails_again|within_looks|exponent|entries|drops"
    )
    _, folder = exported
    for each in about(folder)["files"]:
        for name, told in each["row"]["properties"].items():
            kinds = told.get("items", told)["type"]
            if ("number" in kinds or "integer" in kinds) and "unit" not in told:
                assert counts.search(name), (each["file"], name)


def test_units_are_those_of_the_endings():
    for name, unit in (
        ("peak_g", "g (9.80665 m/s2)"),
        ("mass_g", "gram"),
        ("sensitivity_mv_per_g", "mV/g"),
        ("velocity_change_m_s", "m/s"),
        ("pulse_duration_ms", "ms"),
        ("sample_rate_hz", "Hz"),
        ("start_s", "s"),
    ):
        assert dictionary.unit(name) == unit, name


def test_the_dictionary_describes_every_column_of_the_store_and_no_other(exported):
    store, folder = exported
    with duckdb.connect(str(store), read_only=True) as connection:
        there = connection.execute(
            "SELECT table_name, column_name, data_type FROM duckdb_columns()"
            " WHERE schema_name = 'main' AND NOT internal"
        ).fetchall()
    tables = dictionary.data_dictionary()
    described = [
        (each.name, column.name, column.type) for each in tables for column in each.columns
    ]
    assert sorted(described) == sorted(there)
    assert all(column.meaning for each in tables for column in each.columns)
    assert {"drops", "waveform"} <= {each.name for each in tables if not each.is_view}
    assert {"valid_drops", "all_damage"} <= {each.name for each in tables if each.is_view}
    written = tomllib.loads(
        (Path(database.__file__).parent / "schema" / "dictionary.toml").read_text(encoding="utf-8")
    )
    assert set(written["tables"]) == {each.name for each in tables}
    exports = {
        (Path(each["file"]).stem, name)
        for each in about(folder)["files"]
        for name in each["row"]["properties"]
    }
    columns = {(table, name) for table, name, _ in there} | exports
    known = {name for _, name in columns} | {f"{table}.{name}" for table, name in columns}
    assert set(written["columns"]) - known == set()


def test_a_column_means_what_its_table_says():
    assert dictionary.meaning("drops", "drop_number") != dictionary.meaning(
        "damage_note", "drop_number"
    )
    assert dictionary.meaning("drops", "no_such_column") is None


def test_it_opens_without_the_tool(exported):
    """With nothing but a spreadsheet's or a database's own reader: a mean by hand."""
    store, folder = exported
    drops = pd.read_csv(folder / "today" / "drops.csv", dtype={"series": str})
    valid = drops[(drops["status"] == "valid") & (drops["series"] == "demo-S1")]
    with duckdb.connect(str(store), read_only=True) as connection:
        mean, count = connection.execute(
            "SELECT avg(peak_g), count(*) FROM valid_drops WHERE series = 'demo-S1'"
        ).fetchone()
    assert (valid["peak_g"].mean(), len(valid)) == (pytest.approx(mean, rel=1e-12), count)
    assert drops.loc[
        drops["series"].eq("demo-S1") & drops["drop_number"].eq(3), "peak_g"
    ].item() == (151.25)
    memory = sqlite3.connect(":memory:")
    for name in ("drops", "series", "amendment"):
        pd.read_csv(folder / "tables" / f"{name}.csv").to_sql(name, memory)
    (old, new) = memory.execute(
        "SELECT a.old_value, a.new_value FROM amendment a JOIN drops d ON d.drop_id = a.record_id"
        " JOIN series s ON s.series_id = d.series_id"
        " WHERE s.code = 'demo-S1' AND a.column_name = 'peak_g'"
    ).fetchone()
    assert float(new) == 151.25 and float(old) != 151.25
    memory.close()


def test_texts_of_any_kind_come_back(store, tmp_path):
    """Quotes, line ends, commas, words from right to left, and an empty text beside none."""
    odd = 'a "quoted", text\nin two lines \u05d7\u05d6\u05e7 \U0001f9ea'
    store("specimen", "add", "007", "--kind", "case", "--model", "NULL", "--note", odd)
    store("specimen", "add", "8", "--kind", "device", "--lot", "'")
    (tmp_path / "own.txt").write_text('f "1"\n')
    store("inspect", "schedule", "plan, a", "--stage", "one, two=3", "--check-list", "own.txt")
    store("export", "out")
    store("import", "record", "out", "--store", "back.duckdb")
    before, after = contents(tmp_path / "store.duckdb"), contents(tmp_path / "back.duckdb")
    for name in ("specimen", "follow_up_plan"):
        assert after[name] == before[name]
        assert len(before[name]) > 0


# ------------------------------------------------------------------------------- as Parquet


def parquet(folder, name):
    """What DuckDB reads of a table or view; the name of the folder may hold anything."""
    (found,) = (each for each in folder.iterdir() if each.is_dir() and (each / name).is_dir())
    files = sorted(str(file) for file in (found / name).rglob("*.parquet"))
    escaped = [re.sub(r"([*?[])", r"[\1]", each) for each in files]
    return duckdb.read_parquet(escaped, hive_partitioning=True)


@pytest.fixture(scope="module")
def as_parquet(exported):
    store, folder = exported
    words = ["export", str(folder.parent / "parquet"), "--format", "parquet", "--store", str(store)]
    assert main(words) == 0
    return store, folder.parent / "parquet"


def test_parquet_holds_every_table_and_view_row_by_row(as_parquet):
    store, folder = as_parquet
    with duckdb.connect(str(store), read_only=True) as connection:
        names = [row[0] for row in connection.execute("SHOW TABLES").fetchall()]
        names.remove("schema_step")
        for name in names:
            there = connection.table(name)
            kinds = dict(zip(there.columns, map(str, there.types)))
            plain = [each for each, kind in kinds.items() if kind != "BLOB"]
            read = parquet(folder, name)
            assert set(read.columns) - {"site", "year"} == set(plain) - {"site", "year"}, name
            for each, kind in zip(read.columns, map(str, read.types)):
                if each in kinds:
                    assert kind == re.sub("UUID|JSON", "VARCHAR", kinds[each]), (name, each)
            as_text = ", ".join(f'CAST("{each}" AS VARCHAR)' for each in plain)
            wanted = there.project(as_text).order("ALL").fetchall()
            assert read.project(as_text).order("ALL").fetchall() == wanted, name
    described = {each["file"].partition("/")[2]: each for each in about(folder)["files"]}
    assert set(names) < set(described)
    assert all(parquet(folder, name).shape[0] == described[name]["rows"] for name in names)


def test_a_row_of_parquet_is_in_the_folder_of_its_site_and_year(store, tmp_path):
    store("series", "open", "S", "--device", "R-1", "--device-kind", "device")
    (tmp_path / "more.csv").write_text(
        "series,drop_number,peak_g,dropped_at\nS,1,119,2024-12-31T23:59+01:00\nS,2,120,2025-01-01\n"
        "T,1,118,\n"
    )
    (tmp_path / "seen.csv").write_text(
        "device,inspected_at,function,outcome\nR-1,2023-05-05,display,pass\n"
    )
    store("import", "drops", "more.csv")
    store("import", "inspections", "seen.csv")
    store("export", "out", "--format", "parquet")
    entered = about(tmp_path / "out")["last_entered_at_utc"][:4]
    for name, years in (
        ("tables/drops", {"2024", "2025", entered}),
        ("views/valid_drops", {"2024", "2025", entered}),
        ("views/case_drops", {"__HIVE_DEFAULT_PARTITION__"}),  # no row
        ("views/all_checks", {"2023"}),
        ("views/device_shocks", {"2024", "2025"}),
        ("tables/series", {entered}),
        ("tables/entry", {entered}),
        ("tables/sensor", {"__HIVE_DEFAULT_PARTITION__"}),
    ):
        (site,) = (tmp_path / "out" / name).iterdir()
        assert site.name == "site=here"
        assert {each.name for each in site.iterdir()} == {f"year={year}" for year in years}, name


def test_pandas_reads_parquet_as_it_stands(as_parquet):
    pytest.importorskip("pyarrow", reason="pandas reads Parquet by pyarrow, which is not installed")
    _, folder = as_parquet
    frame = pd.read_parquet(folder / "views" / "valid_drops")
    assert frame.loc[frame["series"].eq("demo-S1") & frame["drop_number"].eq(3), "peak_g"].tolist()
    assert frame["dropped_at"].dtype.kind == "M" and frame["peak_g"].dtype == float
    assert set(frame["site"]) == {"here"} and set(frame["year"]) == {2026}
    assert frame["drop_id"].str.len().eq(36).all() and len(frame) == 811


def test_parquet_says_what_it_is_and_makes_no_store(as_parquet, run):
    _, folder = as_parquet
    told = about(folder)
    parts = {part["file"]: part for each in told["files"] for part in each["parts"]}
    there = {str(file.relative_to(folder)) for file in folder.rglob("*.*") if file.is_file()}
    assert set(parts) | {"record.json", "README.txt"} == there
    for name, part in parts.items():
        assert part["sha256"] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    drops = next(each for each in told["files"] if each["file"] == "views/valid_drops")
    assert drops["row"]["properties"]["peak_g"]["unit"].startswith("g ")
    assert "read_parquet('views/valid_drops/**" in (folder / "README.txt").read_text()
    refused = run("import", "record", folder, "--store", "back.duckdb", expect=2).err
    assert "export without --format" in refused and refused.count("\n") == 1


def test_waveforms_are_plain_numbers_in_parquet(rig, tmp_path):
    files = [
        write_volts(tmp_path / f"{at}.csv", half_sine_g(400.0 + 60 * at, seed=at))
        for at in range(3)
    ]
    rig("import", "waveforms", *files, "--series", "S1")
    rig("export", "plain")
    rig("export", "o [1*]'?é", "--format", "parquet")
    kept = duckdb.from_parquet(str(tmp_path / "plain" / "tables" / "waveform_samples.parquet"))
    samples = parquet(tmp_path / "o [1*]'?é", "waveform_samples")
    wanted = kept.order("waveform_id").fetchall()
    assert len(wanted) == 3
    assert samples.project("waveform_id, acceleration_g").order("waveform_id").fetchall() == wanted
    assert "samples" not in parquet(tmp_path / "o [1*]'?é", "waveform").columns
    assert not list(tmp_path.glob(".*building"))


# ------------------------------------------------------------------------------- what can't be


def test_an_empty_store_comes_back_too(store, tmp_path):
    assert "exported: out" in store("export", "out").out
    assert about(tmp_path / "out")["licence"] == "not stated"
    store("import", "record", "out", "--store", "back.duckdb")
    assert "No series" in store("trend", "--store", "back.duckdb").out


@pytest.mark.parametrize("form", ["csv", "parquet"])
@pytest.mark.parametrize(
    ("folder", "said"),
    [("full", "is there and not empty"), ("file.txt", "is there and"), ("a/b", "does not exist")],
)
def test_an_export_goes_nowhere_else(store, tmp_path, folder, said, form):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("mine")
    (tmp_path / "file.txt").write_text("mine")
    told = store("export", folder, "--format", form, expect=2)
    assert said in told.err and told.err.count("\n") == 1
    assert sorted(file.name for file in (tmp_path / "full").iterdir()) == ["x"]


def test_an_empty_folder_will_do(store, tmp_path):
    (tmp_path / "out").mkdir()
    store("export", "out")
    assert (tmp_path / "out" / "record.json").is_file()


def test_a_changed_missing_or_newer_export_is_refused(store, tmp_path):
    store("export", "out")
    there = store("import", "record", "out", expect=2).err
    assert "already exists" in there
    elsewhere = ("--store", "back.duckdb")
    table = tmp_path / "out" / "tables" / "drops.csv"
    first = table.read_bytes()
    table.write_bytes(first + b"x\n")
    assert "not as it was exported" in store("import", "record", "out", *elsewhere, expect=1).err
    table.unlink()
    assert "missing from the export" in store("import", "record", "out", *elsewhere, expect=1).err
    table.write_bytes(first)
    told = about(tmp_path / "out")
    (drops,) = [each for each in told["files"] if each["file"] == "tables/drops.csv"]
    for key, value, said in (
        ("rows", 7, "drops.csv: 0 rows where the export says 7"),
        ("file", "../drops.csv", "names '../drops.csv', outside its folder"),
    ):
        was, drops[key] = drops[key], value
        (tmp_path / "out" / "record.json").write_text(json.dumps(told))
        assert said in store("import", "record", "out", *elsewhere, expect=None).err
        drops[key] = was
    told["schema_step"] = 9999
    (tmp_path / "out" / "record.json").write_text(json.dumps(told))
    assert "install the newer one" in store("import", "record", "out", *elsewhere, expect=2).err
    (tmp_path / "out" / "record.json").write_text("{")
    assert "no export" in store("import", "record", "out", *elsewhere, expect=2).err
    assert "no export" in store("import", "record", "nowhere", *elsewhere, expect=2).err
    assert not list(tmp_path.glob("*back.duckdb*"))


def test_an_older_export_is_brought_up_to_date(store, tmp_path):
    """As a store of that step would be: its tables come back first, then the later steps."""
    store("specimen", "add", "C1", "--kind", "case")
    store("export", "out")
    told = about(tmp_path / "out")
    told["schema_step"] = 4
    (tmp_path / "out" / "record.json").write_text(json.dumps(told))
    store("import", "record", "out", "--store", "back.duckdb")
    assert (
        store("specimen", "show", "C1", "--store", "back.duckdb", "--json").json["specimen"] == "C1"
    )
    with duckdb.connect(str(tmp_path / "back.duckdb"), read_only=True) as connection:
        assert connection.execute("SELECT max(step) FROM schema_step").fetchone()[0] > 4
