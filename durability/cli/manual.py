"""The command that shows the manual."""

from __future__ import annotations

import sys
from argparse import Namespace

from durability.workflow import manual as workflow


def manual(options: Namespace) -> int:
    """Show one topic, rendered at a terminal and as it stands in a pipe; or list the topics."""
    if options.topic is None:
        found = workflow.topics()
        width = max(map(len, found))
        for topic, title in found.items():
            print(f"{topic:{width}}  {title}")
        return 0
    text = workflow.page(
        options.topic, {"Methods": _methods()} if options.topic == "methods" else {}
    )
    if not sys.stdout.isatty():
        print(text, end="")
        return 0
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))
    return 0


def _methods() -> str:
    """The methods as the page of a report states them."""
    from durability.report.page.methods import METHODS, REACHED

    table = REACHED.table(METHODS)
    _, _, *headings = table.columns
    parts = []
    for answer, method, *others in table.rows:
        parts += [f"### {answer}", "", method, ""]
        parts += [f"- {heading}: {words}" for heading, words in zip(headings, others, strict=True)]
        parts.append("")
    return "\n".join(parts).rstrip()
