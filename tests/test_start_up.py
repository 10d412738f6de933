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


POSIX_ONLY = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "readline", "curses")
ELSEWHERE = f"""
import os, pkgutil, signal, sys
sys.modules.update(dict.fromkeys({POSIX_ONLY}))
for place in (os, signal):
    for name in ("fork", "getuid", "getgid", "getegid", "chown", "kill", "killpg",
                 "SIGKILL", "SIGWINCH", "SIGTSTP", "SIGALRM", "SIGHUP"):
        if hasattr(place, name):
            delattr(place, name)
import durability
from durability.__main__ import main
for module in pkgutil.walk_packages(durability.__path__, "durability."):
    if module.name != "durability.__main__":
        __import__(module.name)
before = set(sys.modules)  # scikit-learn, of the estimators, brings asyncio
status = [main(line.split()) for line in sys.argv[1:]]
loaded = set(sys.modules) - before
print(status, [name for name in ("prompt_toolkit", "asyncio") if name in loaded])
"""
"""A system without what only POSIX has, as Windows is; sockets and pipes stay as they are here."""


def test_nothing_needs_what_only_posix_has(open_store):
    words = ("drop add S1 --peak-g 118", "record S1", "trend", "inspect record R-1 --check d=pass")
    done = subprocess.run(
        [sys.executable, "-c", ELSEWHERE, *words],
        input="119\n121 v1\nq\n",
        capture_output=True,
        text=True,
        env={**os.environ, "DURABILITY_STORE": str(open_store)},
    )
    # A pipe is read without what reads a keyboard.
    assert done.stdout.endswith("[0, 0, 0, 0] []\n"), done.stderr
    assert "drop 3 stored: 121 v1" in done.stdout
