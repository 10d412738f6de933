"""The command that asks saved questions."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence

from durability.cli.logbook import session_of
from durability.errors import UnusableCall
from durability.workflow import questions


def query(options: Namespace) -> int:
    """Ask a saved question, or list them."""
    values = _values(options.values)
    if options.name is None:
        if values:
            raise UnusableCall("--set: no question named; give its name before --set")
        return _list(options)
    question, answer = questions.ask(session_of(options), options.name, values, options.folder)
    if options.json:
        from durability.report import as_json

        told = {
            "query": answer.query,
            "parameters": answer.parameters,
            "columns": answer.columns,
            "rows": answer.rows,
        }
        print(as_json.dumps(told))
    else:
        from durability.report import questions as shown

        shown.answer(question.title, answer.parameters, answer.columns, answer.rows)
    return 0


def _list(options: Namespace) -> int:
    found = questions.list_questions(options.folder)
    if options.json:
        from durability.report import as_json

        told = [
            {
                "name": question.name,
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
