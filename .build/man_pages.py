"""Man pages of the wheel, made from the parser: ``man durability``, ``man durability-trend``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from typing import Any

from argparse_manpage.manpage import Manpage
from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class ManPages(BuildHookInterface):
    """Puts a page for each command where ``man`` looks for it beside the installed program."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Write the pages and name them to the builder."""
        sys.path.insert(0, self.root)
        from durability.cli.parser import make_parser

        self.folder = Path(mkdtemp())
        for name, text in pages(make_parser(), self.metadata.version):
            file = self.folder / f"{name}.1"
            file.write_text(text, encoding="utf-8")
            build_data["shared_data"][str(file)] = f"share/man/man1/{file.name}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove what was written for the build."""
        rmtree(self.folder)


def pages(parser: argparse.ArgumentParser, version: str) -> Iterator[tuple[str, str]]:
    """Name and text of the page of a command, then of those below it."""
    below = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            below += action.choices.values()
            action.choices.clear()  # named with their help, each on a page of its own
    notes, _, examples = (parser.epilog or "").partition("Examples:\n")
    parser.epilog = None
    page = Manpage(parser)
    page.prog = parser.prog.replace(" ", "-")
    page.source, page.manual = f"durability {version}", "durability"
    page.description = (parser.description or "").split("\n")[0]
    for heading, text in (("notes", notes), ("examples", examples)):
        if text:
            page.add_section(heading, "=", f".nf\n{_escaped(text)}\n.fi")
    lines = (
        line.replace('"', r"\(dq") if line.startswith(".SH ") else line
        for line in str(page).splitlines()
    )
    yield page.prog, "\n".join(lines) + "\n"
    for made in below:
        yield from pages(made, version)


def _escaped(text: str) -> str:
    """Text as it is meant, whatever roff would read into it."""
    escaped = text.replace("\\", r"\e").replace("-", r"\-").replace("'", r"\(aq")
    return "\n".join(rf"\&{line}" for line in escaped.splitlines())
