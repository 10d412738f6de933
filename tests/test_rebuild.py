"""A store of an earlier schema step becomes one of today's, whole, or stays as it was."""

import contextlib
import errno
import gzip
import json
import shutil
import subprocess
import sys
from pathlib import Path
from uuid import uuid4

import duckdb
import pytest

from durability.store import bench, file, sql_files

DAY = "2026-01-02"
STEPS = {step: path.read_text(encoding="utf-8") for step, path in sql_files.schema_steps()}
LAST_WITH_KEYS = 10
"""Up to this step stores were laid down with DuckDB's own foreign keys."""

LAID_DOWN_AGAIN = 18
"""The step that lays down the table of waveforms again."""

SITES = 19
"""The step that lays down others again, after new ones."""
PHOTOS = 21
"""Its views rest on those."""
INSPECTIONS = 22
"""The step that lays down the table of inspections again."""


def lay_down(connection, steps):
    """As DuckDB reads the steps, foreign keys and all."""
    for step in steps:
        connection.execute(STEPS[step])
        connection.execute(f"INSERT INTO schema_step VALUES ({step}, '{DAY}', '0.1.0', '2.0.1')")


@pytest.fixture
def old(tmp_path):
    """A store as the first release made it, with a voided drop and the samples of another."""
    path = tmp_path / "store.duckdb"
    with duckdb.connect(str(path)) as connection:
        lay_down(connection, range(1, LAST_WITH_KEYS + 1))
        connection.execute(f"""
            INSERT INTO entry (entered_at_utc, entered_by, command, program_version)
            VALUES ('{DAY}', 'Ada', 'then', '0.1.0');
            INSERT INTO specimen (code, kind, entry_id) SELECT 'D-1', 'dummy', entry_id FROM entry;
            INSERT INTO series (code, device_id, drop_height_mm, purpose, entry_id)
            SELECT 'S1', specimen_id, 1220, 'test', entry_id FROM specimen;
            INSERT INTO drops (series_id, drop_number, peak_g, status, entry_id)
            SELECT series_id, n, 390 + n, 'valid', entry_id FROM series, range(1, 4) AS t (n);
            INSERT INTO amendment (record_table, record_id, column_name, new_value, reason,
                entry_id)
            SELECT 'drops', drop_id, unnest(['status', 'void_reason']), unnest(['void', 'cable']),
                'cable', entry_id FROM drops WHERE drop_number = 2;
            INSERT INTO waveform (drop_id, channel, sample_rate_hz, start_s, sample_count, samples,
                inferred, given, entry_id)
            SELECT drop_id, 'A', 1e4, 0, 3, 'abc'::BLOB, '{{}}', '{{}}', entry_id FROM drops
            WHERE drop_number = 3;
        """)
    path.chmod(0o640)
    return path


def rows(path):
    """What the old store holds, as text, in no order; columns of later steps are left out."""
    with duckdb.connect(str(path), read_only=True) as connection:
        return {
            name: sorted(map(str, connection.sql(f"SELECT {columns} FROM {name}").fetchall()))
            for name, columns in TABLES.items()
        }


with duckdb.connect() as first:
    lay_down(first, range(1, LAST_WITH_KEYS + 1))
    TABLES = {
        name: ", ".join(first.table(name).columns)
        for (name,) in first.execute("SELECT table_name FROM duckdb_tables()").fetchall()
        if name != "schema_step"
    }


def foreign_keys(connection):
    return connection.execute(
        "SELECT table_name, constraint_column_names[1], referenced_table,"
        " referenced_column_names[1] FROM duckdb_constraints()"
        " WHERE constraint_type = 'FOREIGN KEY'"
    ).fetchall()


def backups(folder):
    return sorted(each.name for each in folder.iterdir() if ".step-" in each.name)


def test_an_older_store_is_rebuilt_without_keys_and_kept_beside(run, old, tmp_path):
    before, content = rows(old), old.read_bytes()
    told = run("drop", "list", "--json")
    (backup,) = backups(tmp_path)
    assert backup.startswith("store.step-10.2") and backup.endswith(".duckdb")
    assert (tmp_path / backup).read_bytes() == content
    assert told.err.count("\n") == 1 and backup in told.err and "schema step" in told.err
    assert [drop["status"] for drop in told.json["drops"]] == ["valid", "void", "valid"]
    assert rows(old) == before
    assert sorted(each.name for each in tmp_path.iterdir() if each.is_file()) == sorted(
        [backup, "store.duckdb", "store.duckdb.lock"]
    )
    assert old.stat().st_mode & 0o777 == 0o640
    with duckdb.connect(str(old), read_only=True) as connection:
        assert foreign_keys(connection) == []
        applied = connection.execute("SELECT applied_at_utc::DATE::VARCHAR FROM schema_step")
        assert [day for (day,) in applied.fetchall()].count(DAY) == LAST_WITH_KEYS
    # Numbers of a sequence go on after those of the rows that were copied.
    run("drop", "restore", "S1", "2", "--reason", "cable was sound")
    assert [d["status"] for d in run("drop", "list", "--json").json["drops"]] == ["valid"] * 3
    assert run("series", "list").err == "" and len(backups(tmp_path)) == 1


def test_a_backup_is_never_written_over(old, tmp_path):
    first = file.back_up(old, "step-10")
    assert file.back_up(old, "step-10") == first  # the same content needs no second
    with duckdb.connect(str(old)) as connection:
        connection.execute("UPDATE entry SET entered_by = 'Bo'")
    second = file.back_up(old, "step-10")
    assert second.name == f"{first.stem}-2.duckdb"
    assert first.read_bytes() != second.read_bytes() == old.read_bytes()


def test_tables_of_ones_own_stay_in_the_backup_and_are_named(run, old):
    with duckdb.connect(str(old)) as connection:
        connection.execute("CREATE TABLE mine AS SELECT 1 AS x")
        connection.execute("CREATE VIEW my_drops AS FROM drops")
    assert "what durability did not make: mine, my_drops" in run("series", "list").err


KILLED_AT = {
    "while copying": "c = shutil.copyfile; shutil.copyfile = lambda *w: (c(*w), os._exit(9))",
    "while filling": "database.advance_sequences = lambda _: os._exit(9)",
    "before the new file takes its place": "database.take_place = lambda *_: os._exit(9)",
    "after it": "t = database.take_place; database.take_place = lambda *w: (t(*w), os._exit(9))",
}


@pytest.mark.parametrize("moment", KILLED_AT)
def test_killed_at_any_step_it_is_the_old_store_or_the_new(run, old, tmp_path, moment):
    before, content = rows(old), old.read_bytes()
    code = (
        "import os, shutil, sys\nfrom pathlib import Path\nfrom durability.store import database\n"
        f"{KILLED_AT[moment]}\ndatabase.create_store(Path(sys.argv[1]))"
    )
    killed = subprocess.run([sys.executable, "-c", code, str(old)], check=False)
    assert killed.returncode == 9
    assert (old.read_bytes() == content) == (moment != "after it")
    assert rows(old) == before
    run("series", "list")
    assert rows(old) == before
    assert len(backups(tmp_path)) == 1
    assert len([each for each in tmp_path.iterdir() if each.is_file()]) == 3


def test_without_room_for_it_the_store_stays_as_it_was(run, old, tmp_path, monkeypatch):
    content = old.read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    told = run("series", "list", expect=2)
    assert "No space left" in told.err and "it is as it was" in told.err
    assert told.err.count("\n") == 1 and old.read_bytes() == content and backups(tmp_path) == []


# ------------------------------------------------------------------------------------- references


def test_the_references_are_those_that_duckdb_reads_in_the_steps():
    with duckdb.connect() as connection:
        # DuckDB lays no table down again that others refer to; that step names no other table.
        again = {LAID_DOWN_AGAIN, SITES, PHOTOS, INSPECTIONS}
        lay_down(connection, STEPS.keys() - again)
        connection.execute(STEPS[SITES].partition("-- Laid down again")[0])
        connection.execute(STEPS[PHOTOS].partition("CREATE VIEW")[0])
        read = foreign_keys(connection)
    found = [(r.table, r.column, r.to_table, r.to_column) for r in sql_files.references()]
    assert sorted(found) == sorted(read) and len(found) > 50


def test_a_new_store_has_no_keys_that_slow_every_later_opening(store, tmp_path):
    """Each opening for writing left 55 hidden constraints more in the file."""
    with duckdb.connect(str(tmp_path / "store.duckdb")) as connection:
        assert foreign_keys(connection) == []


@pytest.fixture
def broken(store, sheet, once, tmp_path):
    """A drop whose series is gone, as no command of ours can make it."""

    def make():
        store("import", "drops", sheet("d.csv", "series,drop_number,peak_g,device", "S1,1,100,D1"))
        with duckdb.connect(str(tmp_path / "store.duckdb")) as connection:
            connection.execute("DELETE FROM series")

    once(make)
    return store


def test_verify_reports_a_row_that_names_one_that_is_gone(broken):
    told = broken("verify", expect=1)
    assert "! BROKEN: 1 row of drops: series_id is in no row of series" in told.out
    (found,) = broken("verify", "--json", expect=1).json["orphans"]
    assert found["reference"]["column"] == "series_id" and found["rows"] == 1


def test_an_import_that_makes_orphans_is_refused_and_others_are_not(broken, sheet, monkeypatch):
    one = sheet("one.csv", "series,drop_number,peak_g,device", "S2,1,100,D1")
    broken("import", "drops", one)  # the orphan that is there is for verify to report
    monkeypatch.setattr(bench, "add_entry", lambda *_, **__: uuid4())
    two = sheet("two.csv", "series,drop_number,peak_g,device", "S3,1,100,D1")
    told = broken("import", "drops", two, expect=1)
    assert "entry_id is in no row of entry; nothing is stored" in told.err
    assert [each["series"] for each in broken("series", "list", "--json").json["series"]] == ["S2"]


# ------------------------------------------------------------------------ a writing cut off

CUT_OFF = """
import duckdb, os, sys
connection = duckdb.connect(sys.argv[1])
connection.execute("BEGIN; ALTER TABLE series ADD COLUMN mine INTEGER; COMMIT")
os._exit(9)
"""


@pytest.mark.parametrize(
    "words", [("series", "list"), ("specimen", "add", "R-1", "--kind", "device")]
)
def test_a_writing_that_was_cut_off_after_an_alter_is_brought_in(store, tmp_path, words):
    path = tmp_path / "store.duckdb"
    subprocess.run([sys.executable, "-c", CUT_OFF, str(path)], check=False)
    assert file.log(path).exists()
    with (
        pytest.raises(duckdb.Error, match="replaying WAL"),
        contextlib.closing(duckdb.connect(str(path), config=file.SETTINGS)),
    ):
        pass
    assert store(*words).err == ""
    with duckdb.connect(str(path), read_only=True) as connection:
        assert "mine" in connection.table("series").columns


def test_a_damaged_last_writing_is_one_line_and_nothing_is_touched(store, tmp_path):
    path = tmp_path / "store.duckdb"
    subprocess.run([sys.executable, "-c", CUT_OFF, str(path)], check=False)
    damaged = bytearray(file.log(path).read_bytes())
    damaged[-10] ^= 255
    file.log(path).write_bytes(damaged)
    told = store("series", "list", expect=2)
    assert told.err.count("\n") == 1 and "store.duckdb.wal, is damaged" in told.err
    assert file.log(path).read_bytes() == damaged


def test_a_step_that_is_missing_is_applied_whatever_came_after_it(run, old, tmp_path):
    """By number alone a store that lacks one of the middle passes for one of today."""
    path = tmp_path / "store.duckdb"
    run("trend")
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP VIEW issued_reports; DROP TABLE report_issue")
        connection.execute("DELETE FROM schema_step WHERE step = 7")
    before = rows_of_drops(path)
    told = run("trend", "--json")
    assert "brought up to schema step" in told.err
    assert rows_of_drops(path) == before
    assert run("verify", "--json").json["altered_definitions"] == []
    with duckdb.connect(str(path), read_only=True) as connection:
        steps = connection.execute("SELECT step FROM schema_step ORDER BY step").fetchall()
    assert [step for (step,) in steps] == list(STEPS)


def rows_of_drops(path):
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute("SELECT * FROM drops ORDER BY drop_id").fetchall()


STORES = Path(__file__).parent.parent / "fixtures" / "stores"
ANSWERS = json.loads((STORES / "answers.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("step", ANSWERS, ids=lambda step: f"step {step}")
def test_a_store_of_each_earlier_program_answers_as_it_did(run, tmp_path, step):
    """Made by the programs of their time; only columns that they knew are compared."""
    path = tmp_path / "store.duckdb"
    path.write_bytes(gzip.decompress((STORES / f"step-{int(step):02}.duckdb.gz").read_bytes()))
    then = ANSWERS[step]
    drops = run("drop", "list", "--json").json["drops"]
    names = "drop_number", "peak_g", "status", "void_reason"
    assert [[drop[name] for name in names] for drop in drops] == then["drops"]
    assert [each["verdict"] for each in run("trend", "--json").json["series"]] == then["verdict"]
    for key, question in QUESTIONS.items():
        now = run("query", *question, "--json").json
        at = [now["columns"].index(name) for name in then["columns"][key]]
        assert [[row[column] for column in at] for row in now["rows"]] == then[key], question
    assert run("verify", "--json").json["altered_definitions"] == []


def test_inspections_are_laid_down_again_as_they_were(run, tmp_path):
    """With what refers to them, and as recorded where a device had two codes."""
    path = tmp_path / "store.duckdb"
    path.write_bytes(gzip.decompress((STORES / "step-21.duckdb.gz").read_bytes()))
    told = {}
    for name in ("inspection", "functional_check", "inspection_form", "as_recorded"):
        with duckdb.connect(str(path), read_only=True) as connection:
            told[name] = connection.table(name).order("ALL").fetchall()
    assert len(told["inspection"]) == 3
    assert run("verify", "--json").json["is_sound"]
    with duckdb.connect(str(path), read_only=True) as connection:
        assert {name: connection.table(name).order("ALL").fetchall() for name in told} == told
    run("specimen", "same", "R-7", "R-9", "--undo", "--reason", "misread")
    asked = "SELECT device, count(DISTINCT inspection_id) FROM all_checks GROUP BY 1 ORDER BY 1"
    assert run("query", "--sql", asked, "--json").json["rows"] == [["R-7", 2], ["R-9", 1]]


QUESTIONS = {
    # Those programs took 4 for the exponent of the dose where none was given.
    "exposure": ("shock_exposure_by_device", "--set", "exponent=4"),
    "latent": ("latent_failures", "--set", "exponent=4"),
    "damage": ("first_damage",),
}
