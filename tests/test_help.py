"""Every --help renders, explains each option and ends with examples that parse."""

import argparse
import runpy
import shlex
from pathlib import Path

import pytest

from durability.__main__ import main
from durability.cli import parser as tables
from durability.cli.parser import make_parser
from durability.cli.parser.common import REPLACED


def parsers(parser):
    """The parser and all below it."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                yield from parsers(below)


EVERY = {each.prog: each for each in parsers(make_parser())}
COMMANDS = {prog: each for prog, each in EVERY.items() if "handler" in each._defaults}


def examples(parser):
    """Calls at the end of a help text, as words."""
    _, found, text = parser.epilog.partition("Examples:\n")
    assert found
    for line in text.replace("\\\n", " ").splitlines():
        yield shlex.split(line)


@pytest.mark.parametrize("prog", EVERY)
def test_help_renders_explains_every_option_and_ends_with_examples(prog, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    parser = EVERY[prog]
    text = parser.format_help()
    assert [line for line in text.splitlines() if len(line) > 80] == []
    for action in parser._actions:
        what = action.option_strings or action.dest
        if isinstance(action, argparse._SubParsersAction):
            assert all(each.help for each in action._choices_actions), what
        else:
            assert action.help, what
    given = list(examples(parser))
    assert 1 <= len(given) <= 2
    assert text.rstrip().endswith(parser.epilog.rstrip().splitlines()[-1])
    for words in given:
        assert " ".join(words).startswith(prog), words
        if words[-1] != "--help":
            assert make_parser(words[1]).parse_args(words[1:]).handler
    assert not set(parser.description) & set("%{}")


@pytest.mark.parametrize("prog", EVERY)
def test_help_is_shown_by_a_call(prog, capsys):
    with pytest.raises(SystemExit) as stop:
        main([*prog.split()[1:], "--help"])
    assert stop.value.code == 0
    assert prog in capsys.readouterr().out


def test_each_command_has_its_man_page():
    """As the wheel is built with them; text that roff could read as its own is escaped."""
    hook = runpy.run_path(str(Path(__file__).parent.parent / ".build/man_pages.py"))
    made = dict(hook["pages"](make_parser(), "9.9"))
    assert set(made) == {prog.replace(" ", "-") for prog in EVERY}
    for prog, parser in EVERY.items():
        text = made[prog.replace(" ", "-")]
        plain = (
            text.replace(r"\-", "-").replace(r"\&", "").replace(r"\e", "\\").replace(r"\(aq", "'")
        )
        assert plain.startswith(f'.TH {prog.replace(" ", "-").upper()} "1"')
        for action in parser._actions:
            for name in set(action.option_strings) - {"-h", "--help"}:
                assert name in plain, (prog, name)
        assert parser.description in plain
        assert f".SH EXAMPLES\n.nf\n{parser.epilog.partition('Examples:')[2][1:]}\n.fi" in plain
        requests = {line.split()[0] for line in text.splitlines() if line.startswith((".", "'"))}
        assert requests <= {".TH", ".SH", ".TP", ".B", ".nf", ".fi"}


def test_every_command_has_a_handler():
    import importlib

    for parser in COMMANDS.values():
        module, _, name = parser._defaults["handler"].partition(":")
        assert callable(getattr(importlib.import_module(f"durability.cli.{module}"), name))


@pytest.mark.parametrize("name", tables._COMMANDS)
def test_a_call_builds_its_own_command_only(name):
    built = {each.prog for each in parsers(make_parser(name))} - {"durability"}
    whole = {prog for prog in EVERY if prog.split()[1:2] == [name]}
    assert built == whole


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("import", "drops", "f.csv", "--decimal-comma"), "--decimal comma"),
        (
            ("plan", "tell-apart", "--difference-pct", "5", "--scatter-within-pct=4"),
            "--scatter-pct",
        ),
        (("inspect", "schedule", "x", "--stage", "a=0", "--function", "f"), "--check-list FILE"),
    ],
)
def test_an_option_of_the_last_release_names_what_replaces_it(run, words, said):
    told = run(*words, expect=2).err
    assert f"; write {said}" in told and len(told.splitlines()) == 1
    assert any(option in told for option in REPLACED)
