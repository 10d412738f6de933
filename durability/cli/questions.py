"""The command that asks saved questions."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from durability.cli.files import refuse_unwritable, write_text
from durability.cli.logbook import session_of
from durability.cli.progress import progress
from durability.cli.show import show
from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.report.answers import query as shown
from durability.workflow import questions

if TYPE_CHECKING:
    from durability.workflow.questions import Answer


_ENDINGS = {".csv": "csv", ".json": "json", ".md": "markdown", ".parquet": "parquet"}


def query(options: Namespace) -> int:
    """Ask a saved question or a statement of the user's own, or list the questions."""
    values = _values(options.values)
    if options.sql is not None:
        if options.name is not None or values:
            raise UnusableCall("--sql: asks by itself; leave the name and --set away")
        with progress(options, "asking the store"):
            answer = questions.ask_sql(session_of(options), options.sql)
        return _answer(options, "Your statement", answer)
    if options.name is None:
        if values:
            raise UnusableCall("--set: no question named; give its name before --set")
        if options.output or options.format not in (None, "table", "json"):
            raise UnusableCall("-o, --format: no question named; give its name, or --sql")
        found = questions.list_questions(options.folder)
        if options.format == "json":
            options.json = True
        return show(options, shown.listing(found), lambda: shown.listing_json(found))
    with progress(options, "asking the store"):
        question, answer = questions.ask(session_of(options), options.name, values, options.folder)
    return _answer(options, question.title, answer)


def _answer(options: Namespace, title: str, answer: Answer) -> int:
    """Print the answer or write it to its file, in the form asked for."""
    file = Path(options.output) if options.output else None
    form = "json" if options.json else options.format
    form = form or (_ENDINGS.get(file.suffix.lower()) if file else None) or "table"
    if file is not None:
        refuse_unwritable(file)
    if form == "parquet":
        if file is None:
            raise UnusableCall("--format parquet: is no text; name its file with -o FILE.parquet")
        questions.save_parquet(answer, file)
    elif form == "table" and file is None:
        from durability.report import terminal

        terminal.show(shown.blocks(title, answer.parameters, answer.columns, answer.rows))
    elif form == "table":
        raise UnusableCall(
            f"-o {options.output!r}: ends in none of {', '.join(_ENDINGS)}; say --format"
        )
    else:
        text = shown.as_text(form, answer.query, answer.parameters, answer.columns, answer.rows)
        if file is None:
            print(text, end="")
        else:
            write_text(file, text)
    if file is not None and not options.json:
        print(f"written: {file} ({counted(len(answer.rows), 'row')})")
    return 0


def _values(texts: Sequence[str]) -> dict[str, str]:
    values = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UnusableCall(f"--set {text!r}: no '='; write NAME=VALUE")
        values[name.strip()] = value.strip()
    return values
