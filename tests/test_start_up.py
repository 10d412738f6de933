"""What a quick command loads; heavy libraries are imported only where they are used."""

import os
import subprocess
import sys

import pytest

WATCHED = [
    *("sklearn", "matplotlib", "scipy", "pandas", "numpy", "rich", "duckdb"),
    # Their many classes take as long together as half of duckdb.
    *(
        f"durability.{room}.results"
        for room in (
            "intake",
            "pulse",
            "wear",
            "life",
            "devices",
            "rig",
            "plan",
            "selfcheck",
            "workflow",
        )
    ),
]
PROBE = f"""
import sys
from durability.__main__ import main
try:
    status = main(sys.argv[1:])
except SystemExit as stop:
    status = stop.code
loaded = [name for name in {WATCHED} if name in sys.modules]
print(status, loaded, file=sys.stderr)
"""


def probe(words, store):
    environment = {**os.environ, "DURABILITY_STORE": str(store)}
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *words], capture_output=True, text=True, env=environment
    )
    status, _, loaded = done.stderr.strip().splitlines()[-1].partition(" ")
    return status, loaded


@pytest.fixture
def open_store(store, tmp_path):
    store("specimen", "add", "R-1", "--kind", "device")
    store("series", "open", "S1", "--device", "R-1")
    return tmp_path / "store.duckdb"


def test_help_loads_no_library_at_all(open_store):
    assert probe(["--help"], open_store) == ("0", "[]")


def test_a_drop_is_stored_without_a_heavy_library(open_store):
    add = ["drop", "add", "S1", "--peak-g", "118"]
    # The first drop of a device that no one has looked at says so, in the words of a report.
    assert probe(add, open_store) == ("0", "['duckdb', 'durability.life.results']")
    assert probe(add, open_store) == ("0", "['duckdb']")
