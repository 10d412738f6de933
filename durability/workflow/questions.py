"""Saved questions: which there are, and their answers from the store."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path

from durability.errors import UnusableCall
from durability.store import saved_queries
from durability.store.saved_queries import Answer, SavedQuery
from durability.workflow.session import Session


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
    session: Session, name: str, values: Mapping[str, str], folders: Sequence[str] = ()
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

    Returns
    -------
    SavedQuery
        The question.
    Answer
        Columns and rows.

    Raises
    ------
    UnusableCall
        No such question or parameter, a value of the wrong type, or a statement that would write.
    """
    questions = {question.name: question for question in list_questions(folders)}
    if name not in questions:
        near = difflib.get_close_matches(name, questions, n=1, cutoff=0.4)
        raise UnusableCall(
            f"query {name!r}: no saved question of that name"
            + (f" (nearest: {near[0]})" if near else "")
            + "; list them with: durability query"
        )
    return questions[name], saved_queries.run_query(session.store, questions[name], values)
