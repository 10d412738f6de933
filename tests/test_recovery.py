"""Copies that can be trusted, and what is saved of a store that was damaged."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

WRITER = """
import os, sys
from pathlib import Path
from durability.store import bench
from durability.store.file import connect

connection = connect(Path(sys.argv[1]), read_only=False)
for number in range(3, 3 + int(sys.argv[2])):
    connection.execute("BEGIN")
    entry = bench.add_entry(connection, entered_by="killed", command=f"drop {number}")
    series = connection.execute("SELECT series_id FROM series").fetchone()[0]
    connection.execute(
        "INSERT INTO drops (series_id, drop_number, peak_g, status, entry_id)"
        " VALUES (?, ?, ?, 'valid', ?)", [series, number, 100.0 + number, entry])
    connection.execute("COMMIT")
os._exit(9)
"""


@pytest.fixture
def store(run, tmp_path):
    """Two drops of one series."""
    run("init")
    run("series", "open", "S", "--device", "R", "--device-kind", "device", "--case", "K",
        "--case-model", "M")  # fmt: skip
    run("drop", "add", "S", 100)
    run("drop", "add", "S", 101)
    return tmp_path / "store.duckdb"


def drops(run, file):
    return [each["peak_g"] for each in run("drop", "list", "--store", file, "--json").json["drops"]]


def killed_after(store, number):
    """A writer that was killed with its last drops in the log only."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    told = subprocess.run(
        [sys.executable, "-c", WRITER, str(store), str(number)], env=environment, check=False
    )
    assert told.returncode == 9
    return store.with_name(store.name + ".wal")


# -------------------------------------------------------------------------------------- backups


def test_a_backup_is_the_store_and_the_latest_are_kept(run, store, tmp_path, monkeypatch):
    from durability.record import clock

    second = iter(range(9))
    now = clock.now_utc()
    monkeypatch.setattr(clock, "now_utc", lambda: now.replace(second=next(second)))
    made = [run("backup", "copies", "--keep", 2, "--json").json for _ in range(3)]
    assert [each["kept"] for each in made] == [1, 2, 2]
    assert all(each["verified"] for each in made)
    kept = sorted(each.name for each in (tmp_path / "copies").glob("*.duckdb"))
    assert kept == sorted(Path(each["file"]).name for each in made[1:])
    assert (tmp_path / made[2]["file"]).read_bytes() == store.read_bytes()
    noted = (tmp_path / f"{made[2]['file']}.sha256").read_text()
    assert noted.split() == [made[2]["sha256"], kept[-1]]
    run("drop", "add", "S", 102)
    told = run("restore", made[2]["file"], "--store", "again.duckdb")
    assert told.out.startswith("again.duckdb: restored from ")
    assert drops(run, "again.duckdb") == [100, 101]


def test_a_backup_just_written_is_never_the_old_one_that_goes(run, store, monkeypatch):
    """The clock of the computer was set back between the two."""
    from durability.record import clock

    run("backup", "copies", "--keep", 1)
    before = clock.now_utc().replace(year=2010)
    monkeypatch.setattr(clock, "now_utc", lambda: before)
    made = run("backup", "copies", "--keep", 1, "--json").json
    assert [str(each) for each in Path("copies").glob("*.duckdb")] == [made["file"]]
    assert made["kept"] == 1


def test_a_store_that_is_cut_off_names_what_saves_it(run, store):
    content = store.read_bytes()
    for part in (0.2, 0.5, 0.8):
        store.write_bytes(content[: int(part * len(content))])
        assert run("trend", expect=2).err.endswith("; see: durability recover\n"), part


def test_other_files_in_the_folder_are_left_alone(run, store, tmp_path):
    (tmp_path / "store.notes.duckdb").write_text("mine")
    run("backup", ".", "--keep", 1)
    assert (tmp_path / "store.notes.duckdb").read_text() == "mine" and store.exists()
    assert "--keep 0" in run("backup", ".", "--keep", 0, expect=2).err


def test_a_backup_of_a_store_that_was_killed_holds_what_was_acknowledged(run, store):
    killed_after(store, 2)
    file = run("backup", "copies", "--json").json["file"]
    run("restore", file, "--store", "again.duckdb")
    assert drops(run, "again.duckdb") == [100, 101, 103, 104]


def test_a_backup_that_was_changed_and_a_store_that_is_there_are_refused(run, store, tmp_path):
    file = tmp_path / run("backup", "copies", "--json").json["file"]
    told = run("restore", file, expect=2)
    assert "already exists, and a backup goes into a new store only" in told.err
    content = bytearray(file.read_bytes())
    content[-5] ^= 1
    file.write_bytes(content)
    told = run("restore", file, "--store", "again.duckdb", expect=2)
    assert "not as it was backed up (its SHA-256 is another)" in told.err
    assert not (tmp_path / "again.duckdb").exists()


def test_a_damaged_store_makes_no_backup(run, store, tmp_path):
    damage(store, 7)
    before = store.read_bytes()
    told = run("backup", "copies", expect=2).err
    assert "see: durability recover" in told and ".writing" not in told
    assert "see: durability recover" in run("verify", expect=2).err
    assert list((tmp_path / "copies").iterdir()) == []
    assert store.read_bytes() == before


def test_a_store_of_a_newer_version_is_neither_restored_nor_recovered(run, store, tmp_path):
    """Of what it holds beyond the steps known here nothing would be missed."""
    with duckdb.connect(str(store)) as connection:
        connection.execute("INSERT INTO schema_step SELECT 999, * EXCLUDE (step) FROM schema_step"
                           " LIMIT 1")  # fmt: skip
    for words in (("restore", store, "--store"), ("recover", store, "-o")):
        told = run(*words, "new.duckdb", expect=2).err
        assert told.startswith(f"durability: {store}: written by durability")
        assert "install the newer one" in told and not (tmp_path / "new.duckdb").exists()


@pytest.mark.parametrize("place", [".", "/", "folder"])
def test_a_folder_is_no_store(run, tmp_path, place):
    (tmp_path / "folder").mkdir()
    told = run("trend", "--store", place, expect=2).err
    assert f"{place!r}: not a file; name a store" in told or f"{place}: is a folder" in told
    assert len(told.splitlines()) == 1


# -------------------------------------------------------------------------------------- damage


def damage(store, seed):
    """Spoil the blocks in which some tables have their rows, not those that say where they are."""
    with duckdb.connect(str(store), read_only=True) as connection:
        block = connection.execute(
            "SELECT block_id FROM pragma_storage_info('drops') WHERE block_id >= 0"
            " AND column_name = 'peak_g' ORDER BY ALL"
        ).fetchall()
        size = connection.execute("SELECT block_size FROM pragma_database_size()").fetchone()[0]
    if not block:
        pytest.fail("the engine keeps so few rows elsewhere now: damage them there")
    content = bytearray(store.read_bytes())
    at = 3 * 4096 + block[0][0] * size
    content[at + 64 : at + size] = random.Random(seed).randbytes(size - 64)
    store.write_bytes(content)


def recovered(run, store, expect):
    before = {each: each.read_bytes() for each in store.parent.glob("store.duckdb*")}
    told = run("recover", store, "-o", "saved.duckdb", "--json", expect=expect)
    assert {each: each.read_bytes() for each in store.parent.glob("store.duckdb*")} == before
    return told.json


def test_a_sound_store_is_recovered_whole(run, store):
    told = recovered(run, store, 0)
    assert told["missing"] == [] and told["recovered"]["drops"] == 2
    assert drops(run, "saved.duckdb") == [100, 101]
    assert run("verify", "--store", "saved.duckdb", "--json").json["orphans"] == []


@pytest.mark.parametrize("kind", ["zeros", "flipped bit", "cut off"])
def test_what_stands_in_the_log_before_the_damage_is_saved(run, store, kind):
    log = killed_after(store, 6)
    content = bytearray(log.read_bytes())
    at = 2 * len(content) // 3
    if kind == "zeros":
        content[at:] = bytes(len(content) - at)
    elif kind == "flipped bit":
        content[at] ^= 16
    else:
        del content[at:]
    log.write_bytes(content)
    told = recovered(run, store, 1)
    peaks = drops(run, "saved.duckdb")
    assert peaks[:2] == [100, 101]
    assert 3 <= len(peaks) - 2 + 1 <= 6 and peaks[2:] == [103.0 + k for k in range(len(peaks) - 2)]
    assert "killed" in told["read_up_to"]
    assert told["missing"][0].startswith("the last writings: ")
    assert "which drops or notes" in told["missing"][0]


def test_a_log_that_is_whole_is_brought_in_whole(run, store):
    killed_after(store, 3)
    assert recovered(run, store, 0)["missing"] == []
    assert drops(run, "saved.duckdb") == [100, 101, 103, 104, 105]


def test_rows_that_can_not_be_read_are_named_and_the_others_saved(run, store):
    damage(store, 3)
    told = recovered(run, store, 1)
    assert told["recovered"]["drops"] == 0 and "drops: 2 rows" in told["missing"]
    assert told["recovered"]["series"] == 1 and told["recovered"]["specimen"] == 2
    assert run("series", "show", "S", "--store", "saved.duckdb", "--json").json["case"] == "K"


def test_what_is_no_store_at_all_makes_none(run, tmp_path):
    rubbish = tmp_path / "store.duckdb"
    rubbish.write_bytes(random.Random(5).randbytes(100_000))
    told = recovered(run, rubbish, 2)
    assert told == {
        "recovered": {}, "missing": ["everything: the file can't be opened"], "read_up_to": None,
    }  # fmt: skip
    assert not (tmp_path / "saved.duckdb").exists()
    assert "no such file" in run("recover", "none.duckdb", "-o", "x.duckdb", expect=2).err
    rubbish.unlink()
    assert json.dumps(told)
