"""The command that holds the program against published values."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from durability.cli.files import write_text
from durability.cli.progress import progress
from durability.workflow.selfcheck import run_selfcheck


def selfcheck(options: Namespace) -> int:
    """Run the shipped published values and report each as pass or fail."""
    with progress(options, "holding the program against published values"):
        check = run_selfcheck()
    from durability.report import as_json
    from durability.report import selfcheck as shown

    if options.output:
        file = Path(options.output)
        is_json = file.suffix == ".json"
        text = as_json.dumps(shown.as_object(check)) if is_json else shown.as_markdown(check)
        write_text(file, text)
    if options.json:
        print(as_json.dumps(shown.as_object(check)))
    else:
        shown.show(check)
        if options.output:
            print(f"written: {options.output}")
    return 1 if check.failed else 0
