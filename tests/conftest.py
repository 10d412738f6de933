"""A fresh store, a runner that talks to the program as a user does, and where outside data lies."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import one_rounding  # noqa: F401  before NumPy loads
import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.input import create_pipe_input

# One thread a process, as tests run side by side; set before NumPy loads.
for library in ("OMP", "OPENBLAS"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")

# Nor do settings of whoever runs them reach them.
os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp(prefix="no-settings-")
for variable in [name for name in os.environ if name.startswith("DURABILITY_")]:
    if variable != "DURABILITY_OUTSIDE_DATA":
        del os.environ[variable]

from durability.__main__ import main  # noqa: E402
from durability.devices import judgement  # noqa: E402
from durability.store import database, sql_files  # noqa: E402
from durability.wear import fitting  # noqa: E402
from durability.workflow.demo import build_demo  # noqa: E402

from shared_studies import remembered, shared_studies  # noqa: E402  isort: skip


@dataclass(frozen=True)
class Told:
    """What one command said."""

    status: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture(scope="session", autouse=True)
def laid_down_once(tmp_path_factory):
    """Steps lay down one store and one in memory a process; further empty ones are copies."""
    whole, steps = tmp_path_factory.mktemp("laid_down") / "store.duckdb", sql_files.schema_steps()
    database.create_store(whole)
    database._empty_store()  # which may read no file

    def copied(connection, *, after=0, up_to=None):
        if after or up_to not in (None, steps[-1][0]) or sql_files.schema_steps() != steps:
            return sql_files.apply_steps(connection, after=after, up_to=up_to)
        (own,) = connection.execute("SELECT current_database()").fetchone()
        connection.execute(f"ATTACH '{whole}' AS laid_down (READ_ONLY)")
        connection.execute(f"COPY FROM DATABASE laid_down TO {sql_files.quoted(own)}")
        return connection.execute("DETACH laid_down")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "apply_steps", copied)
        with database.empty() as one:
            assert database.altered_definitions(one) == []
        yield


@pytest.fixture(scope="session", autouse=True)
def answered_once():
    """What the models make of the same numbers is worked out once a process."""
    with contextlib.ExitStack() as patched:
        for module, name in ((judgement, "judge_latent_link"), (fitting, "fit_wear")):
            patched.enter_context(patch.object(module, name, remembered(getattr(module, name))))
        yield


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
def one_study():
    """What is asked of a store again while nothing is written to it is fitted once."""
    with shared_studies():
        yield


@pytest.fixture
def at_keyboard(run, monkeypatch):
    """Run one command at a terminal where these keys are typed; the input ends after them."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    def call(keys, *words, expect=0):
        with create_pipe_input() as typed:
            typed.send_text(f"{keys}\x04")
            with create_app_session(input=typed):
                monkeypatch.setattr(sys, "stdin", Terminal())
                return run(*words, expect=expect)

    return call


@pytest.fixture(scope="session")
def kept_folders():
    """What each way to prepare a test's folder left there."""
    return {}


@pytest.fixture
def once(kept_folders, tmp_path, tmp_path_factory):
    """Prepare the test's folder step by step; what the same steps left before is copied."""
    steps = []

    def prepare(step, *told):
        steps.append((step.__module__, step.__qualname__, told))
        kept = kept_folders.get(tuple(steps))
        if kept:
            shutil.copytree(kept, tmp_path, dirs_exist_ok=True)
        else:
            step(*told)
            kept = tmp_path_factory.mktemp("kept") / "folder"
            kept_folders[tuple(steps)] = shutil.copytree(tmp_path, kept)

    return prepare


@pytest.fixture
def store(run, once):
    """The runner, with a store already made."""
    once(run, "init")
    return run


@pytest.fixture(scope="session")
def built_demo(tmp_path_factory):
    """The demo's store and files, for reading only."""
    made = build_demo(tmp_path_factory.mktemp("demo") / "demo.duckdb")
    before = made.store.read_bytes()
    yield made
    assert made.store.read_bytes() == before, "a test wrote to the demo that all tests share"


@pytest.fixture(scope="session")
def demo_store(built_demo):
    """The demo's store, for reading only."""
    return built_demo.store


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


@pytest.fixture
def rig(run, once):
    """A store with a sensor of 0.5 mV/g and 2000 g on the open series S1, 1220 mm."""

    def make():
        for words in (
            "init",
            "specimen add C-1 --kind case --model sleeve",
            "specimen add D-1 --kind dummy",
            "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 2000",
            "series open S1 --device D-1 --case C-1 --drop-height-mm 1220 --sensor A-1",
        ):
            run(*words.split())

    once(make)
    return run
