"""Commands to learn by: the manual, and the invented scenario."""

from __future__ import annotations

import importlib
import shlex
import sys
from argparse import Namespace
from dataclasses import asdict

from durability.cli.logbook import say
from durability.cli.output import progress, settings_of, show, tell
from durability.cli.parser import make_parser
from durability.workflow import demo as manual_workflow
from durability.workflow import demo as workflow


def help_(options: Namespace) -> int:
    """Show what a command does, or which there are."""
    from durability.cli.parser import make_parser

    make_parser(next(iter(options.words), "")).parse_args([*options.words, "--help"])
    return 0


def settings(options: Namespace) -> int:
    """Show what holds for a call, and whence."""
    from durability.report.answers import records as answer
    from durability.workflow.results import Limit
    from durability.workflow.session import login_name

    defaults = {**asdict(Limit()), "person": login_name()}
    told = {
        name: {
            "value": defaults.get(name) if held.value is None and held.is_default else held.value,
            "from": held.source,
        }
        for name, held in settings_of(options).items()
    }
    return show(options, answer.settings(told), lambda: told)


def completion(options: Namespace) -> int:
    """Write what makes a shell complete commands and options."""
    import shtab

    from durability.cli.parser import make_parser

    print(shtab.complete(make_parser(), options.shell))
    return 0


def manual(options: Namespace) -> int:
    """Show one topic, rendered at a terminal and as it stands in a pipe; or list the topics."""
    if options.topic is None:
        found = manual_workflow.topics()
        width = max(map(len, found))
        for topic, title in found.items():
            print(f"{topic:{width}}  {title}")
        return 0
    text = manual_workflow.page(
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
    from durability.report.page.changes import METHODS, REACHED

    table = REACHED.table(METHODS)
    _, _, *headings = table.columns
    parts = []
    for answer, method, *others in table.rows:
        parts += [f"### {answer}", "", method, ""]
        parts += [f"- {heading}: {words}" for heading, words in zip(headings, others, strict=True)]
        parts.append("")
    return "\n".join(parts).rstrip()


_STEPS = (
    (
        "Is peak g climbing? Two of the four models.",
        ("trend", "--case-model", "Corrie", "--case-model", "Scree"),
    ),
    (
        "How many drops until they fail?",
        ("forecast", "--case-model", "Moraine", "--case-model", "Scree"),
    ),
    ("Which model wears out fastest?", ("rank",)),
    ("Which radios are to be inspected?", ("due", "--on", "2026-10-12", "--within", "14")),
    ("Do later failures go with the shocks?", ("latent",)),
    ("When was damage first seen?", ("query", "first_damage", "--set", "case_model=Moraine")),
    ("Which radios failed later, and after what?", ("query", "latent_failures")),
)


def demo(options: Namespace) -> int:
    """Build the invented scenario if it is not there, then answer the main questions from it."""
    with progress(options, "building the invented scenario"):
        built = workflow.build_demo(workflow.demo_store_path(options.store))
    told = {
        "invented": True,
        "store": str(built.store),
        "new": built.is_new,
        "files_folder": str(built.files_folder),
        "added": built.added,
    }
    rows = ", ".join(f"{count} of {kind}" for kind, count in built.added.items())
    words = (
        "INVENTED: every sleeve, radio, number and failure of this scenario is made up.\n"
        f"store: {built.store} ({'new' if built.is_new else 'exists already, shown as it is'})\n"
        f"made from the files in: {built.files_folder}" + (f" (rows: {rows})" if rows else "")
    )
    say(options, told, words)
    if options.json:
        return 0
    parser = make_parser()
    for question, command in _STEPS:
        typed = [*command, "--store", str(built.store)]
        print(f"\n{question} (invented data)\n$ durability {shlex.join(typed)}")
        step = parser.parse_args(typed)
        step.quiet = options.quiet
        module, _, name = step.handler.partition(":")
        getattr(importlib.import_module(f"durability.cli.{module}"), name)(step)
    tell(f"\nGo on by yourself with: --store {shlex.quote(str(built.store))}")
    return 0
