"""A fresh store, a runner that talks to the program as a user does, and where outside data lies."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from durability.__main__ import main


@dataclass(frozen=True)
class Told:
    """What one command said."""

    status: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run one command in an empty folder with a fixed width and no colour."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("DURABILITY_STORE", str(tmp_path / "store.duckdb"))
    monkeypatch.setenv("DURABILITY_PERSON", "tester")

    def call(*words, expect=0):
        capsys.readouterr()
        try:
            status = main([str(word) for word in words])
        except SystemExit as stop:
            status = stop.code or 0
        captured = capsys.readouterr()
        told = Told(status, captured.out, captured.err)
        if expect is not None:
            assert status == expect, told
        return told

    return call


@pytest.fixture
def store(run):
    """The runner, with a store already made."""
    run("init")
    return run


@pytest.fixture
def sheet(tmp_path):
    """Write a CSV file from lines and give its path."""

    def write(name, *lines):
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture(scope="session")
def outside_data():
    """Folder of open data that stays beside the project under its own licences."""
    folder = os.environ.get("DURABILITY_OUTSIDE_DATA")
    if not folder:
        pytest.skip("DURABILITY_OUTSIDE_DATA names no folder of outside data")
    return Path(folder)


@pytest.fixture(scope="session")
def published():
    """Folder of facts typed in from publications."""
    return Path(__file__).parent.parent / "fixtures" / "published"


@pytest.fixture(scope="session")
def rig_store(tmp_path_factory):
    """A store with a sensor of 0.5 mV/g and 2000 g on the open series S1, 1220 mm."""
    path = tmp_path_factory.mktemp("rig") / "store.duckdb"
    for words in (
        "init",
        "specimen add C-1 --kind case --model sleeve",
        "specimen add D-1 --kind dummy",
        "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 2000",
        "series open S1 --device D-1 --case C-1 --drop-height-mm 1220 --sensor A-1",
    ):
        assert main([*words.split(), "--store", str(path)]) == 0
    return path


@pytest.fixture
def rig(rig_store, run, tmp_path):
    """The runner, with a copy of that store."""
    shutil.copyfile(rig_store, tmp_path / "store.duckdb")
    return run
