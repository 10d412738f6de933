"""Every command and option, in words; light, since each start builds what its call needs."""

from __future__ import annotations

import argparse
import importlib
import os
from itertools import takewhile
from typing import Any, NoReturn

from durability.cli.parser.common import Parser

_EPILOG = """\
exit status: 0 all well, 1 something refused or found wrong, 2 invalid usage.
Relative comparison of cases under one set of conditions; not a promise of life
in the field.

Examples:
  durability demo
  durability trend --help"""

_COMMANDS: dict[str, tuple[str, str]] = {
    "init": ("bench", "make the store"),
    "specimen": ("bench", "cases, devices and dummies"),
    "sensor": ("bench", "shock accelerometers"),
    "recorder": ("bench", "recorders, each described once: what their files leave open"),
    "series": (
        "bench",
        "drops of one device, in one case or bare, under one set of conditions",
    ),
    "drop": ("bench", "single drops"),
    "damage": ("bench", "what was seen on a specimen"),
    "review": ("bench", "note that a second person has checked drops against their source"),
    "import": ("files", "take a lab's CSV files, or recorders' waveforms"),
    "show": ("files", "one drop closely: its inputs, its trace, its spectrum"),
    "inspect": ("plans", "follow-up inspections of devices"),
    "plan": ("plans", "how much to drop, and in which order"),
    "plot": ("answers", "pictures, as SVG, PDF or PNG"),
    "remeasure": ("files", "measure kept waveforms again through another filter; the first stay"),
    "watch": ("files", "take each finished file of a folder as the next drop, until Ctrl-C"),
    "status": ("answers", "how things stand: open series, what is due, the rig, the last entries"),
    "trend": ("answers", "is peak g climbing, and how fast"),
    "forecast": ("answers", "how many drops until the case fails"),
    "conditions": ("answers", "what if: how peak g depends on temperature and on rest"),
    "rank": ("answers", "which wear out fastest"),
    "compare": ("answers", "how many times the peak g of A is that of B"),
    "claim": (
        "answers",
        'is "B reduces peak g against A by at least PCT percent" shown',
    ),
    "rig": ("answers", "has the rig itself drifted"),
    "due": ("plans", "which inspections are due"),
    "latent": ("plans", "are later failures linked to the shocks"),
    "history": ("plans", "all that happened to one specimen"),
    "query": ("answers", "run a saved question; without a name: list them"),
    "export": ("files", "write the whole record as open files"),
    "merge": ("files", "add the record of another lab to this one"),
    "record": ("bench", "keyboard session: one line a drop"),
    "report": ("answers", "write one page that settles an argument"),
    "serve": ("answers", "answers, bench and inspections as pages in a browser"),
    "selfcheck": ("answers", "check this program against published values"),
    "seal": ("files", "fingerprint the record, so that a later change shows"),
    "verify": ("files", "check the record against its seals and its waveforms"),
    "backup": ("files", "copy the store, read the copy in full, keep the latest N"),
    "restore": ("files", "put a backup where there is no store"),
    "recover": ("files", "save what can be read of a damaged store into a new one"),
    "demo": ("answers", "build and show the invented scenario"),
    "settings": (
        "answers",
        "store, person, limit, level and units in effect, and where each comes from",
    ),
    "help": ("answers", "what a command does; without one: list the commands"),
    "completion": ("answers", "complete commands and options at the Tab key of a shell"),
    "manual": ("answers", "the manual, one topic at a time; without one: list the topics"),
}
"""First word of each call: the module here whose function of that name fills its parser, help."""


def make_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The command line.

    Parameters
    ----------
    only : str, optional
        First word of the call: where it is a command nothing else is built, where it is none the
        commands are named only. By default everything is built.

    Returns
    -------
    ArgumentParser
        Its results carry ``handler``, the function that does the work, as "module:name"; where a
        command is left out, ``group``, the parser whose help names those there are.
    """
    top = Parser(
        prog="durability",
        description="The record and the judgement for the durability of protective cases and of"
        " the devices inside them.",
        epilog=_EPILOG,
    )
    top.add_argument("--version", action=_Version, nargs=0, help="print the version")
    commands = top.commands()
    for name in (only,) if only in _COMMANDS else _COMMANDS:
        module, help_ = _COMMANDS[name]
        is_filled = only in (None, name)
        made = commands.add_parser(name, help=help_, description=help_, add_help=is_filled)
        if is_filled:
            fill = getattr(
                importlib.import_module(f"durability.cli.parser.{module}"),
                f"{name}_" if name in ("import", "help") else name,
            )
            fill(made)
    return top


def meant(words: list[str]) -> list[str]:
    """The call with what was left out, where only one thing can be meant.

    Parameters
    ----------
    words : list of str
        The call without the program's name.

    Returns
    -------
    list of str
        ``import FILE`` with the kind that its header shows, ``show CODE`` with what it is, options
        that most commands share behind their command.

    Raises
    ------
    UnusableCall
        There is no file to import, it shows no kind or several, or the next one shows another.
    """
    words, early = list(words), words[:0]
    while words and (option := words[0].partition("="))[0] in _SHARED:
        taken = 1 if option[1] else _SHARED[option[0]]
        early, words = early + words[:taken], words[taken:]
    words += early if words else []
    match words:
        case ["import", name, *rest] if not name.startswith("-") and name not in _IMPORTED:
            if {".", os.sep}.intersection(name) or os.path.exists(name):  # noqa: PTH110 - light
                from durability.intake.columns import kind_of_files

                files = [name, *takewhile(lambda word: not word.startswith("-"), rest)]
                return ["import", kind_of_files(files), name, *rest]
        case ["show", name, *rest] if not name.startswith("-") and name not in _SHOWN:
            return ["show", "code", name, *rest]
    return words


_SHARED = {"--store": 2, "--by": 2, "--units": 2, "--json": 1}
"""Options that may stand before the command, and how many words each takes."""
_IMPORTED = ("drops", "damage", "inspections", "specimens", "waveforms", "record")
_SHOWN = ("drop", "pulse", "spectrum", "code")


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        from durability import PROGRAM_VERSION

        print(f"durability {PROGRAM_VERSION}")
        parser.exit()
