"""Progress: on a terminal only, after a moment only, and never between the lines of an answer."""

import io
import time
from argparse import Namespace

import pytest

from durability.cli import output as module
from durability.cli.output import progress
from durability.cli.parser import make_parser


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def at(monkeypatch):
    """Puts a stream in the place of standard error: within the test, capturing takes it before."""

    def put(stream, moment_s=0.0):
        monkeypatch.setattr("sys.stderr", stream)
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setattr(module, "MOMENT_S", moment_s)
        return stream

    return put


def wait_for(stream, words):
    end = time.monotonic() + 5.0
    while words not in stream.getvalue() and time.monotonic() < end:
        time.sleep(0.01)
    return words in stream.getvalue()


def test_what_is_done_stands_on_a_terminal(at, capsys):
    terminal = at(Terminal())
    with progress(Namespace(quiet=False), "fitting") as told:
        assert wait_for(terminal, "fitting")
        told("drawing")
        assert wait_for(terminal, "drawing")
        told("file 3 of 4", 3, 4)
        assert wait_for(terminal, "file 3 of 4")
        assert wait_for(terminal, "75 %")
        print("an answer")
    assert capsys.readouterr().out == "an answer\n"
    assert "an answer" not in terminal.getvalue()
    assert terminal.getvalue().endswith("\x1b[2K")  # its line is wiped at the end


def test_what_takes_no_longer_than_a_moment_shows_nothing(at):
    terminal = at(Terminal(), moment_s=60.0)
    with progress(Namespace(quiet=False), "fitting") as told:
        told("drawing")
    assert terminal.getvalue() == ""


def test_quiet_shows_nothing(at):
    terminal = at(Terminal())
    with progress(Namespace(quiet=True), "fitting") as told:
        told("drawing", 1, 2)
        time.sleep(0.05)
    assert terminal.getvalue() == ""


def test_nothing_is_shown_where_there_is_no_terminal(at):
    stream = at(io.StringIO())
    with progress(Namespace(quiet=False), "fitting") as told:
        told("drawing")
        time.sleep(0.05)
    assert stream.getvalue() == ""


def test_it_ends_with_a_failure_too(at):
    terminal = at(Terminal())
    with pytest.raises(ValueError, match="no"), progress(Namespace(quiet=False), "fitting"):
        assert wait_for(terminal, "fitting")
        raise ValueError("no")
    seen = terminal.getvalue()
    time.sleep(0.2)
    assert terminal.getvalue() == seen


@pytest.mark.parametrize(
    "words",
    [
        ["trend"],
        ["forecast"],
        ["conditions"],
        ["rank"],
        ["compare", "bare", "sleeve"],
        ["claim", "bare", "sleeve", "--at-least", "20"],
        ["latent"],
        ["query"],
        ["report", "-o", "page.html"],
        ["plot", "wear"],
        ["import", "drops", "drops.csv"],
        ["import", "waveforms", "a.csv"],
        ["remeasure"],
        ["selfcheck"],
        ["demo"],
    ],
)
def test_whatever_may_take_long_can_be_told_to_be_quiet(words):
    assert make_parser().parse_args([*words, "--quiet"]).quiet is True
    assert make_parser().parse_args(words).quiet is False
