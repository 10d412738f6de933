"""Which store, who is at it, and entries."""

from __future__ import annotations

import getpass
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.intake.hand_entry import as_typed, typed_instant
from durability.record import clock
from durability.record.errors import UnusableCall, complain
from durability.store import bench, database
from durability.store.database import Past
from durability.store.file import stamp
from durability.workflow import settings

if TYPE_CHECKING:
    from durability.workflow.results import AsOf


@dataclass(frozen=True, slots=True)
class Session:
    """Which store, and who is at it."""

    store: Path
    person: str
    past: Past | None = None
    """What the record said at an instant; None: all that it says."""

    @property
    def record(self) -> Path | Past:
        """What is read."""
        return self.past or self.store

    @property
    def as_of(self) -> AsOf | None:
        """As of when it is asked; None: now."""
        if self.past is None:
            return None
        from durability.workflow.results import AsOf

        instant = self.past.instant
        is_end = instant.time() == time.max
        words = (instant.date() if is_end else instant).isoformat()
        return AsOf(words, self.past.entered_since)

    @property
    def day(self) -> date:
        """Day that a question is about unless it names another."""
        return self.past.instant.date() if self.past else clock.today()


def make_store(session: Session, site: str | None = None) -> bool:
    """Make the store, or bring it up to date; True when it is new.

    Parameters
    ----------
    session : Session
        The store to make, and the person.
    site : str, optional
        What the store's site is called from now on.

    Raises
    ------
    UnusableCall
        The name is blank or holds a colon.
    RecordRefused
        Another site of the record has it.
    """
    if site is not None and (not site.strip() or ":" in site or not site.isprintable()):
        raise UnusableCall(f"--site {site!r}: not a name, which is printable and has no colon")
    is_new = database.create_store(session.store)
    if site is not None and site.strip() != site_of(session):
        from durability.store.merging import name_site

        with entry(session, "init") as (connection, entry_id):
            name_site(connection, site.strip(), entry_id)
    return is_new


def site_of(session: Session) -> str | None:
    """What the store's own site is called; None where it has no name."""
    with database.reading(session.store) as connection:
        sites = bench.fetch(connection, "sites")
    return next((each["site"] for each in sites if each["is_own"]), None)


def state_of(session: Session) -> dict[str, Any]:
    """What the record stands at: unlike before after every entry."""
    with database.reading(session.store) as connection:
        return bench.fetch(connection, "latest_entry")[0]


def stamp_of(session: Session, *, afresh: bool = False) -> tuple[int, ...]:
    """Size and time of change of the store's files, new after an entry; see ``file.stamp``."""
    return stamp(session.store, afresh=afresh)


def people(session: Session, most: int) -> list[str]:
    """Who entered something; who did so last, first."""
    with database.reading(session.store) as connection:
        return [each["person"] for each in bench.fetch(connection, "people", most=most)]


def codes_meant(session: Session, typed: Iterable[str]) -> dict[str, str]:
    """Codes that were typed with their site, or are the second of a thing, as they are called here.

    Of a second code a line says what it leads to.

    Parameters
    ----------
    session : Session
        Store and person.
    typed : iterable of str
        What may be such codes; nothing else is given back.
    """
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "codes_meant", typed=list(typed))
    for row in rows:
        if ":" not in row["typed"][1:]:
            note_second(row["typed"], row["meant"])
    return {row["typed"]: row["meant"] for row in rows}


def note_second(code: str, meant: str) -> None:
    """Say what a second code of a thing leads to."""
    complain(f"durability: {code} is {meant}: one thing, all recorded under {meant}")


def open_session(
    store: str | None = None, person: str | None = None, as_of: str | None = None
) -> Session:
    """The store and the person of this call.

    Parameters
    ----------
    store : str, optional
        Path; else what the settings say, else durability.duckdb here.
    person : str, optional
        Name; else what the settings say, else the login name.
    as_of : str, optional
        Read only what was entered by the end of this date, in local time, or by this instant.

    Returns
    -------
    Session
        Store path and name.

    Raises
    ------
    UnusableCall
        ``as_of`` is neither.
    """
    held = settings.hold({"store": store, "person": person})
    path, name = held["store"].value, held["person"].value or login_name()
    if as_of is None:
        return Session(Path(path), name)
    instant = typed_instant(as_of, option="--as-of")
    return Session(Path(path), name, database.past(Path(path), instant))


def login_name() -> str:
    """Name by which the user is logged in; "unknown" where there is none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


@contextmanager
def entry(
    session: Session, command: str, typed: Mapping[str, str | None] | None = None
) -> Iterator[tuple[Any, Any]]:
    """A transaction with its entry: (connection, entry key).

    Of ``typed``, column → text, the entry keeps what was typed in another unit than is stored.
    """
    command += as_typed(typed or {})
    with database.writing(session.store) as connection:
        yield connection, bench.add_entry(connection, entered_by=session.person, command=command)
