"""The command that asks saved questions."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from durability.basis import counted
from durability.cli.files import refuse_unwritable, write_text
from durability.cli.logbook import session_of
from durability.cli.progress import progress
from durability.errors import UnusableCall
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
        return _list(options)
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
        from durability.report import questions as shown

        shown.answer(title, answer.parameters, answer.columns, answer.rows)
    elif form == "table":
        raise UnusableCall(
            f"-o {options.output!r}: ends in none of {', '.join(_ENDINGS)}; say --format"
        )
    else:
        from durability.report import plain

        text = plain.FORMS[form](answer.query, answer.parameters, answer.columns, answer.rows)
        if file is None:
            print(text, end="")
        else:
            write_text(file, text)
    if file is not None and not options.json:
        print(f"written: {file} ({counted(len(answer.rows), 'row')})")
    return 0


def _list(options: Namespace) -> int:
    found = questions.list_questions(options.folder)
    if options.json or options.format == "json":
        from durability.report import as_json

        told = [
            {
                "name": question.name,
                "use": question.use,
                "title": question.title,
                "description": question.description,
                "parameters": [
                    {
                        "name": parameter.name,
                        "type": parameter.type,
                        "default": None if parameter.default == "NULL" else parameter.default,
                        "meaning": parameter.meaning,
                    }
                    for parameter in question.parameters
                ],
                "columns": [
                    {"name": name, "meaning": meaning} for name, meaning in question.columns
                ],
                "example": question.example,
            }
            for question in found
        ]
        print(as_json.dumps({"queries": told}))
    else:
        from durability.report import questions as shown

        shown.listing(
            (
                question.use,
                question.name,
                question.title,
                [
                    f"{parameter.name}={parameter.type} ({parameter.meaning})"
                    if parameter.default == "NULL"
                    else f"{parameter.name}={parameter.default} ({parameter.meaning})"
                    for parameter in question.parameters
                ],
            )
            for question in found
        )
    return 0


def _values(texts: Sequence[str]) -> dict[str, str]:
    values = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UnusableCall(f"--set {text!r}: no '='; write NAME=VALUE")
        values[name.strip()] = value.strip()
    return values
