"""The command that holds the program against published values."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from durability.cli.files import write_text
from durability.cli.progress import progress
from durability.cli.show import show
from durability.workflow.selfcheck import run_selfcheck


def selfcheck(options: Namespace) -> int:
    """Run the shipped published values and report each as pass or fail."""
    with progress(options, "holding the program against published values"):
        check = run_selfcheck()
    from durability.report import as_json, markdown
    from durability.report.answers import selfcheck as answer

    if options.output:
        file = Path(options.output)
        text = (
            as_json.dumps(answer.json(check))
            if file.suffix == ".json"
            else markdown.text(answer.in_full(check), "Self-check against published values")
        )
        write_text(file, text)
    show(options, answer.blocks(check), lambda: answer.json(check))
    if options.output and not options.json:
        print(f"written: {options.output}")
    return 1 if check.failed else 0
