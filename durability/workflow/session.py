"""Which store, who is at it, and the act of writing."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from durability.store import bench, database


@dataclass(frozen=True, slots=True)
class Session:
    """Which store, and who is at it."""

    store: Path
    person: str


def make_store(session: Session) -> bool:
    """Make the store, or bring it up to date; True when it is new."""
    return database.create_store(session.store)


def open_session(store: str | None = None, person: str | None = None) -> Session:
    """The store and the person of this call.

    Parameters
    ----------
    store : str, optional
        Path; else the environment's DURABILITY_STORE, else durability.duckdb here.
    person : str, optional
        Name; else the environment's DURABILITY_PERSON, else the login name.

    Returns
    -------
    Session
        Store path and name.
    """
    path = store or os.environ.get("DURABILITY_STORE") or "durability.duckdb"
    name = person or os.environ.get("DURABILITY_PERSON") or _login_name()
    return Session(Path(path), name)


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


@contextmanager
def entry(session: Session, command: str) -> Iterator[tuple[Any, Any]]:
    """A transaction with its entry: (connection, entry key)."""
    with database.writing(session.store) as connection:
        yield connection, bench.add_entry(connection, entered_by=session.person, command=command)
