"""Specimens: cases, devices and dummies, and what became of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from durability.intake.hand_entry import (
    is_marked,
    label_text,
    may_be_a_code,
    scanned,
    typed_date,
    typed_value,
    typed_values,
)
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import Quarantine
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.session import Session, entry

IN_USE = "in use"
"""Status of a specimen until it is retired, retained, lost, sold, destroyed or refused."""


RETAINED = "retained"
"""Kept back, to be tested again on days that are set beforehand."""


def add_specimen(
    session: Session, code: str, kind: str, values: Mapping[str, str | None]
) -> Quarantine | None:
    """Add a case, device or dummy.

    Parameters
    ----------
    session : Session
        Store and person.
    code, kind : str
        Its code, and case, device or dummy.
    values : mapping
        model, lot, mass_g, received_on, note as typed; None where not given.

    Returns
    -------
    Quarantine or None
        When the note names signs of a failing battery.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The code is taken.
    """
    row = {
        "code": typed_value("code", code),
        "kind": typed_value("kind", kind),
        **typed_values(values, ("model", "lot", "mass_g", "received_on", "note")),
    }
    with entry(session, "specimen add", values) as (connection, entry_id):
        bench.refuse_taken(connection, "specimen", code)
        bench.run(connection, "add_specimen", **row, entry_id=entry_id)
        return quarantine.suspect_note(connection, code, values.get("note"), entry_id=entry_id)


def list_specimens(session: Session, kind: str | None = None) -> list[dict[str, Any]]:
    """Specimens with their model, drops so far and worst damage."""
    with database.reading(session.record) as connection:
        return bench.fetch(connection, "list_specimens", kind=kind)


def show_specimen(session: Session, code: str) -> dict[str, Any]:
    """One specimen with its record, its series and its damage."""
    with database.reading(session.record) as connection:
        specimen = bench.find(connection, "specimen", code)
        return {
            **{key: value for key, value in specimen.items() if key != "specimen_id"},
            "quarantines": bench.fetch(connection, "quarantines_of_device", device=code),
            "states": bench.fetch(connection, "states_of_specimen", code=code),
            "series": bench.fetch(connection, "series_of_specimen", code=code),
            "damage": bench.fetch(connection, "damage_of_specimen", code=code),
        }


def series_meant(connection: Any, typed: str) -> str:
    """Series that a code typed or scanned to begin a sitting can only mean.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    typed : str
        Code of a series; or of a case or device, which stands for its open series.

    Returns
    -------
    str
        Code of the series; what was typed where the store has nothing of the kind.

    Raises
    ------
    RecordRefused
        It could mean several series, or a specimen has none that is open.
    """
    code = scanned(typed)
    rows = bench.fetch(connection, "series_meant", code=code)
    found = [row["series"] for row in rows if row["series"] is not None]
    if rows and not found:
        raise RecordRefused(
            f"{rows[0]['kind']} {rows[0]['code']!r}: in no open series; open one with: durability"
            " series open"
        )
    if len(found) > 1:
        raise RecordRefused(f"{code!r}: could be {', '.join(found)}; type the series")
    return str(found[0]) if found else code


def specimen_meant(session: Session, typed: str) -> str:
    """Code of the specimen that a typed or scanned code can only mean, else as it was typed."""
    code = scanned(typed)
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "specimen_scanned", code=code)
    return str(rows[0]["specimen"]) if len(rows) == 1 else code


def specimen_scanned(session: Session, line: str) -> dict[str, Any] | None:
    """Specimen whose code was scanned, or typed, where a reading is asked for.

    Parameters
    ----------
    session : Session
        Store and person.
    line : str
        Of a sitting at the bench.

    Returns
    -------
    dict or None
        ``specimen`` and ``kind``; None for any other line.

    Raises
    ------
    RecordRefused
        The line bears the mark of a scan, and no specimen has its code, or several have.
    """
    if not (is_marked(line) or may_be_a_code(line)):
        return None
    code = scanned(line)
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "specimen_scanned", code=code)
        if is_marked(line) and len(rows) != 1:
            bench.find(connection, "specimen", code)
    return next((row for row in rows if is_marked(line) or row["specimen"] == code), None)


def for_labels(session: Session, codes: Sequence[str]) -> list[dict[str, Any]]:
    """Rows of specimens, each once, with ``scans_as``: what its label makes a scanner type.

    Raises
    ------
    RecordRefused
        A code is not in the store.
    """
    with database.reading(session.record) as connection:
        rows = [bench.find(connection, "specimen", code) for code in dict.fromkeys(codes)]
    return [{**row, "scans_as": label_text(row["specimen"])} for row in rows]


def retire_specimen(
    session: Session,
    code: str,
    reason: str,
    state: str = "retired",
    retests_on: Sequence[str] = (),
) -> Quarantine | None:
    """Mark a specimen as no longer in use; its record stays.

    Parameters
    ----------
    session : Session
        Store and person.
    code, reason : str
        Its code, and why.
    state : {"retired", "retained", "lost", "sold", "destroyed", "refused"}
        What became of it. It owes no inspection from then on; what its last check said stands.
    retests_on : sequence of str
        ISO dates on which a retained one is to be tested again; one that is retained already gets
        them besides those it has.

    Returns
    -------
    Quarantine or None
        Of a device that leaves while its battery is suspect.

    Raises
    ------
    UnusableCall
        A retained one without a date, dates for another state, or a date that is past.
    RecordRefused
        It is no longer in use already.
    """
    days = sorted({typed_date(day, option="--retest-on") for day in retests_on})
    if (state == RETAINED) != bool(days):
        raise UnusableCall("--retest-on: goes with --state retained, which needs one or more")
    if days and days[0] < clock.today():
        raise UnusableCall(f"--retest-on {days[0]}: is past; give a future day")
    with entry(session, "specimen retire") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        if specimen["status"] != IN_USE and not specimen["status"] == state == RETAINED:
            raise RecordRefused(
                f"specimen {code!r}: {specimen['status']} already; when it is to be used again:"
                f" durability specimen return {code} --reason WHY"
            )
        if specimen["status"] != state:
            _set_state(connection, specimen, state, reason, entry_id)
        for day in days:
            bench.run(
                connection,
                "add_retest",
                specimen_id=specimen["specimen_id"],
                retest_on=day,
                entry_id=entry_id,
            )
        return next(iter(quarantine.quarantines(connection, code)), None)


def return_specimen(
    session: Session, code: str, reason: str
) -> tuple[str, datetime, Quarantine | None]:
    """Take a specimen back into use: one that was lost has turned up, one kept back is needed.

    Parameters
    ----------
    session : Session
        Store and person.
    code, reason : str
        Its code, and how it came back.

    Returns
    -------
    state : str
        What it was until now.
    since : datetime
        From when; between then and now no one knows how it fared.
    kept : Quarantine or None
        Of a device whose battery was suspect when it left.

    Raises
    ------
    RecordRefused
        It is in use.
    """
    with entry(session, "specimen return") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        if specimen["status"] == IN_USE:
            raise RecordRefused(f"specimen {code!r}: in use already")
        was = bench.fetch(connection, "states_of_specimen", code=code)[-1]
        _set_state(connection, specimen, IN_USE, reason, entry_id)
        kept = next(iter(quarantine.quarantines(connection, code)), None)
    return str(was["state"]), was["since"], kept


def _set_state(
    connection: Any, specimen: Mapping[str, Any], state: str, reason: str, entry_id: Any
) -> None:
    bench.amend(
        connection,
        "specimen",
        specimen["specimen_id"],
        [("status", specimen["status"], state)],
        reason=reason,
        entry_id=entry_id,
    )
