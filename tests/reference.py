"""The command reference of README, written from the parser: ``python tests/reference.py``."""

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))
README = ROOT / "README.md"
START, END = "<!-- reference: written by tests/reference.py -->", "<!-- end of reference -->"


def commands(parser, name="durability"):
    """Each command that does something: its name, its parser."""
    groups = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    if not groups:
        yield name, parser
    for group in groups:
        for word, sub in group.choices.items():
            yield from commands(sub, f"{name} {word}")


def reference():
    from durability.cli.parser import make_parser

    lines = []
    for name, parser in commands(make_parser()):
        lines += [f"**`{name}`** — {parser.description}", ""]
        for action in parser._actions:
            if isinstance(action, argparse._HelpAction):
                continue
            shown = (
                ", ".join(f"`{option}`" for option in action.option_strings) or f"`{action.dest}`"
            )
            if action.metavar and action.option_strings:
                shown += f" {action.metavar}"
            elif action.metavar:
                shown = f"`{action.metavar}`"
            told = [action.help] if action.help else []
            if action.choices:
                told.append("one of " + ", ".join(str(choice) for choice in action.choices))
            if action.required and action.option_strings:
                told.append("required")
            lines.append(f"- {shown}{': ' if told else ''}{'; '.join(told)}")
        lines.append("")
    return "\n".join(lines)


def write():
    text = README.read_text(encoding="utf-8")
    before, after = text.partition(START)[0], text.partition(END)[2]
    README.write_text(f"{before}{START}\n\n{reference()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    write()
