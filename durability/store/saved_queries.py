"""Saved questions: find, describe and run ``queries/*.sql``, read-only.

A file opens with comment lines: its title, its daily use, what it answers, then ``parameter``,
``column`` and ``example`` lines::

    -- Cases that survived
    -- use: wear
    -- Which cases lived through at least so many drops without failing.
    -- parameter min_drops INTEGER = 20: fewest drops
    -- column case: code of the case
    -- example (demo): --set min_drops=24
    -- example (demo): S3
    SELECT ...

Examples are the first rows that the invented scenario gives, cells between bars, after the values
asked with, if any; "…" stands for what differs from one building of it to the next. Below stands
one statement with ``$name`` parameters, which runs as pasted into a DuckDB shell.
"""

from __future__ import annotations

import difflib
import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from durability.record.errors import UnusableCall
from durability.record.whole_file import written_beside
from durability.store import database, sql_files
from durability.store.database import Past
from durability.store.file import why

if TYPE_CHECKING:
    import pandas as pd

_PARAMETER = re.compile(r"^parameter (\w+) (\w+) = (.*?): (.+)$")
_EXAMPLE = "example (demo): "
_USE = "use: "
_COLUMN = re.compile(r"^column \"?(\w+)\"?: (.+)$")


_TYPES: dict[str, Callable[[str], Any]] = {
    "INTEGER": int,
    "DOUBLE": float,
    "DATE": date.fromisoformat,
    "VARCHAR": str,
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value that a question can be asked with."""

    name: str
    type: str
    default: str
    meaning: str


@dataclass(frozen=True, slots=True)
class SavedQuery:
    """A question with its head."""

    name: str
    title: str
    use: str
    """Daily use that it belongs to; blank where the head names none."""
    description: str
    parameters: tuple[Parameter, ...]
    columns: tuple[tuple[str, str], ...]
    """Column and meaning, unit included."""
    example: tuple[str, ...]
    """Values asked with, if any, then rows, of the invented scenario."""
    sql: str
    file: Path


@dataclass(frozen=True, slots=True)
class Answer:
    """What a question gave back."""

    query: str
    parameters: dict[str, Any]
    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    types: tuple[str, ...] = ()
    """Of the columns, as the store names them."""


def shipped_folder(name: str = "queries") -> Path:
    """Folder that ships: inside the installed package, or beside the package in a checkout."""
    package = Path(__file__).parent.parent
    inside = package / name
    return inside if inside.is_dir() else package.parent / name


def saved_queries(folders: Sequence[Path]) -> dict[str, SavedQuery]:
    """Every saved question by name.

    Parameters
    ----------
    folders : sequence of Path
        A user's own folders, beside the shipped one.

    Returns
    -------
    dict of str to SavedQuery
        In order of name.

    Raises
    ------
    UnusableCall
        A folder is missing, a head is broken, or a name stands in two folders.
    """
    found: dict[str, SavedQuery] = {}
    for folder in (shipped_folder(), *folders):
        if not folder.is_dir():
            raise UnusableCall(f"--folder {str(folder)!r}: no such folder")
        for file in sorted(folder.glob("*.sql")):
            if file.stem in found:
                raise UnusableCall(
                    f"{file}: there is a question of that name in {found[file.stem].file} too;"
                    " rename yours"
                )
            found[file.stem] = read_query(file)
    return dict(sorted(found.items()))


def read_query(file: Path) -> SavedQuery:
    """A saved question with its head.

    Parameters
    ----------
    file : Path
        A ``.sql`` file.

    Returns
    -------
    SavedQuery
        Its parts.

    Raises
    ------
    UnusableCall
        The head lacks its title or a line of it can't be read.
    """
    text = file.read_text(encoding="utf-8")
    head = []
    for line in text.splitlines():
        if not line.startswith("--"):
            break
        head.append(line.removeprefix("--").strip())
    if not head:
        raise UnusableCall(f"{file}, row 1: no head; open with '-- ' and the title")
    parameters, columns, example, words, use = [], [], [], [], ""
    for row, line in enumerate(head[1:], start=2):
        if line.startswith("parameter "):
            match = _PARAMETER.match(line)
            if not match:
                raise UnusableCall(
                    f"{file}, row {row}: write '-- parameter NAME TYPE = DEFAULT: meaning'"
                )
            if match.group(2) not in _TYPES:
                raise UnusableCall(
                    f"{file}, row {row}: type {match.group(2)} is none of {', '.join(_TYPES)}"
                )
            parameters.append(Parameter(*match.groups()))
        elif line.startswith("column "):
            match = _COLUMN.match(line)
            if not match:
                raise UnusableCall(f"{file}, row {row}: write '-- column NAME: meaning, unit'")
            columns.append((match.group(1), match.group(2)))
        elif line.startswith(_USE):
            use = line.removeprefix(_USE)
        elif line.startswith(_EXAMPLE):
            example.append(line.removeprefix(_EXAMPLE))
        else:
            words.append(line)
    return SavedQuery(
        file.stem,
        head[0],
        use,
        " ".join(words),
        tuple(parameters),
        tuple(columns),
        tuple(example),
        text,
        file,
    )


def run_query(store: Path | Past, query: SavedQuery, values: Mapping[str, str]) -> Answer:
    """Answer of a saved question, asked read-only.

    Parameters
    ----------
    store : Path or Past
        An existing store, or what it held at an instant.
    query : SavedQuery
        The question.
    values : mapping of str to str
        Parameter → text; the others take their defaults.

    Returns
    -------
    Answer
        Columns and rows.

    Raises
    ------
    UnusableCall
        A value names no parameter or does not fit its type, or the statement fails or would write.
    """
    return run_sql(store, query.sql, typed_parameters(query, values), name=query.name)


def typed_parameters(query: SavedQuery, values: Mapping[str, str]) -> dict[str, Any]:
    """Values of a question's parameters by their types; those not given take their defaults."""
    known = {parameter.name: parameter for parameter in query.parameters}
    for name in values:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            raise UnusableCall(
                f"--set {name}: query {query.name} has no such parameter"
                + (f" (nearest: {near[0]})" if near else "")
                + (f"; it takes {', '.join(known)}" if known else "; it takes none")
            )
    return {
        name: _value(parameter, values.get(name, parameter.default))
        for name, parameter in known.items()
    }


MOST_ROWS = 1_000_000
"""More rows than that are no answer for a terminal or a sheet."""
_ASKS = (duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN, duckdb.StatementType.PRAGMA)


def run_sql(
    store: Path | Past,
    sql: str,
    parameters: Mapping[str, Any] | None = None,
    *,
    name: str = "",
    max_seconds: float | None = None,
) -> Answer:
    """Answer of any statement, asked read-only.

    Parameters
    ----------
    store : Path or Past
        An existing store, or what it held at an instant.
    sql : str
        One statement with ``$name`` parameters.
    parameters : mapping, optional
        Their values.
    name : str
        Of the saved question that it is; blank for one of the user's own.
    max_seconds : float, optional
        Ended after so long; by default never.

    Returns
    -------
    Answer
        Columns and rows.

    Raises
    ------
    UnusableCall
        There is not one statement, it fails, would write, takes too long, or gives too many rows
        or two columns of one name.
    """
    asked = dict(parameters or {})
    with _asking(store, sql, asked, name, max_seconds) as result:
        described = result.description or ()
        columns = tuple(column[0] for column in described)
        rows = tuple(tuple(row) for row in result.fetchmany(MOST_ROWS + 1))
    if len(rows) > MOST_ROWS:
        raise UnusableCall(f"--sql: more than {MOST_ROWS:,} rows; use LIMIT")
    twice = next((each for each in columns if columns.count(each) > 1), None)
    if twice is not None:
        raise UnusableCall(f"--sql: two columns are called {twice}; name them apart, by AS")
    return Answer(name, asked, columns, rows, tuple(str(column[1]) for column in described))


def query_frame(
    store: Path | Past, sql: str, parameters: Mapping[str, Any] | None = None, *, name: str = ""
) -> pd.DataFrame:
    """As ``run_sql``, as a table of pandas: absent is NA, NaN or NaT by its type."""
    with _asking(store, sql, dict(parameters or {}), name) as result:
        frame: pd.DataFrame = result.df()
    return frame


def view_frame(store: Path | Past, view: str) -> pd.DataFrame | None:
    """Every row of a view or table of the store; None when there is none of that name."""
    with database.reading(store) as connection:
        try:
            frame: pd.DataFrame = connection.cursor().table(view).df()
        except duckdb.CatalogException:
            return None
    return frame


@contextmanager
def _asking(
    store: Path | Past,
    sql: str,
    parameters: dict[str, Any],
    name: str,
    max_seconds: float | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    asked = f"query {name}" if name else "--sql"
    with database.reading(store) as connection:
        timer = threading.Timer(max_seconds or 0.0, connection.interrupt)
        timer.daemon = True
        try:
            statements = duckdb.extract_statements(sql)
            if len(statements) != 1 or statements[0].type not in _ASKS:
                raise UnusableCall(
                    f"{asked}: write one statement that asks, read-only, like SELECT ..."
                )
            if max_seconds is not None:
                timer.start()
                connection.execute(sql_files.statement("limit_memory"))
            yield connection.execute(sql, parameters)
        except duckdb.InterruptException:
            raise UnusableCall(
                f"{asked}: ended after {max_seconds:g} s; narrow it, or raise the limit by"
                " --max-seconds"
            ) from None
        except duckdb.OutOfMemoryException:
            raise UnusableCall(
                f"{asked}: needs more than half of this machine's memory; narrow it"
            ) from None
        except duckdb.Error as error:
            message = " ".join(takewhile(str.strip, str(error).splitlines()[:2]))
            if "read-only" in message:
                message = "it would write, and questions are read-only"
            raise UnusableCall(f"{asked}: {message}") from None
        finally:
            timer.cancel()


def write_parquet(answer: Answer, file: Path) -> None:
    """Write an answer as a Parquet file, its columns of the types that the store gave them.

    Parameters
    ----------
    answer : Answer
        Columns, their types and rows.
    file : Path
        Written anew.

    Raises
    ------
    UnusableCall
        It can't be written there.
    """
    import pandas as pd

    places = [str(at) for at in range(len(answer.columns))]
    frame = pd.DataFrame(answer.rows, columns=places, dtype=object)
    typed = ", ".join(
        f'CAST("{at}" AS {type_}) AS {sql_files.quoted(name)}'
        for at, name, type_ in zip(places, answer.columns, answer.types, strict=True)
    )
    try:
        # A connection of its own: one that reads the store may touch no other file.
        with duckdb.connect(":memory:") as memory, written_beside(file) as partial:
            memory.from_df(frame).project(typed).write_parquet(str(partial))
    except (duckdb.Error, OSError) as error:
        raise UnusableCall(f"-o {str(file)!r}: can't be written ({why(error)})") from None


def _value(parameter: Parameter, text: str) -> Any:
    if text == "NULL":
        return None
    try:
        return _TYPES[parameter.type](text)
    except ValueError:
        raise UnusableCall(
            f"--set {parameter.name}={text}: not {parameter.type} ({parameter.meaning})"
        ) from None
