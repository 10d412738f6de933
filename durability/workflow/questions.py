"""Saved questions: which there are, and their answers from the store."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import compress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.record.errors import UnusableCall
from durability.store import saved_queries
from durability.store.saved_queries import Answer as Answer
from durability.store.saved_queries import SavedQuery
from durability.workflow.histories import orientation_name, series_under
from durability.workflow.results import Under
from durability.workflow.session import Session

if TYPE_CHECKING:
    import pandas as pd


def list_questions(folders: Sequence[str] = ()) -> list[SavedQuery]:
    """Every saved question with its head, in order of name.

    Parameters
    ----------
    folders : sequence of str
        A user's own folders, beside the shipped one.

    Returns
    -------
    list of SavedQuery
        Shipped ones and the user's own.

    Raises
    ------
    UnusableCall
        A folder is missing, a head is broken, or a name stands in two folders.
    """
    return list(saved_queries.saved_queries([Path(folder) for folder in folders]).values())


def ask(
    session: Session,
    name: str,
    values: Mapping[str, str],
    folders: Sequence[str] = (),
    under: Under | None = None,
) -> tuple[SavedQuery, Answer]:
    """A saved question and its answer, asked read-only.

    Parameters
    ----------
    session : Session
        Store and person.
    name : str
        Name of the question.
    values : mapping of str to str
        Parameter → text; the others take their defaults.
    folders : sequence of str
        A user's own folders, beside the shipped one.
    under : Under, optional
        Only its rows under these conditions.

    Returns
    -------
    SavedQuery
        The question.
    Answer
        Columns and rows.

    Raises
    ------
    UnusableCall
        No such question or parameter, a value of the wrong type, a statement that would write, or
        rows that name neither their series nor the conditions asked for.
    RecordRefused
        No series is under such a condition.
    """
    question = find_question(name, folders)
    answer = saved_queries.run_query(session.record, question, values)
    return question, _rows_under(session, answer, under or Under(), f"query {name}")


def find_question(name: str, folders: Sequence[str] = ()) -> SavedQuery:
    """The saved question of that name; refused with the nearest name when there is none."""
    questions = {question.name: question for question in list_questions(folders)}
    if name not in questions:
        near = difflib.get_close_matches(name, questions, n=1, cutoff=0.4)
        raise UnusableCall(
            f"query {name!r}: no saved question of that name"
            + (f" (nearest: {near[0]})" if near else "")
            + "; list them with: durability query"
        )
    return questions[name]


def ask_sql(
    session: Session, sql: str, under: Under | None = None, *, max_seconds: float | None = None
) -> Answer:
    """Answer of a statement of the user's own, asked read-only; its rows filtered as by ``ask``."""
    answer = saved_queries.run_sql(session.record, sql, max_seconds=max_seconds)
    return _rows_under(session, answer, under or Under(), "--sql")


def _rows_under(session: Session, answer: Answer, under: Under, asked: str) -> Answer:
    """The rows under these conditions: by their series, else by columns of the conditions."""
    wanted = under.named
    if not wanted:
        return answer
    series = {row["series"] for row in series_under(session, under)}
    rows = [dict(zip(answer.columns, row, strict=True)) for row in answer.rows]
    if "series" in answer.columns:
        kept = [row["series"] in series for row in rows]
    else:
        for name in wanted:
            if name not in answer.columns:
                raise UnusableCall(
                    f"--{name.replace('_', '-')}: {asked} answers for more than one condition at"
                    f" once: it has no column {name} and no column series to choose by"
                )
        kept = [under.admits({**row, **_orientation(row)}) for row in rows]
    return replace(answer, rows=tuple(compress(answer.rows, kept)))


def _orientation(row: Mapping[str, Any]) -> dict[str, Any]:
    """Of a box: under one name, however its faces are ordered."""
    return {"orientation": orientation_name(row["orientation"])} if "orientation" in row else {}


def save_parquet(answer: Answer, file: Path) -> None:
    """Write an answer as a Parquet file."""
    saved_queries.write_parquet(answer, file)


def frame(session: Session, what: str, values: Mapping[str, Any]) -> pd.DataFrame:
    """A view, a saved question or a statement as a table of pandas.

    Parameters
    ----------
    session : Session
        Store and person.
    what : str
        Name of a view or table, name of a saved question, or SQL.
    values : mapping
        Parameter → value, for a question or a statement.

    Returns
    -------
    DataFrame

    Raises
    ------
    UnusableCall
        There is nothing of that name, a value does not fit, or the statement fails or would write.
    """
    if len(what.split()) != 1:
        return saved_queries.query_frame(session.record, what, values)
    found = None if values else saved_queries.view_frame(session.record, what)
    if found is not None:
        return found
    try:
        question = find_question(what)
    except UnusableCall:
        raise UnusableCall(f"{what!r}: no view, table or saved question of that name") from None
    texts = {name: "NULL" if value is None else str(value) for name, value in values.items()}
    parameters = saved_queries.typed_parameters(question, texts)
    return saved_queries.query_frame(session.record, question.sql, parameters, name=what)
