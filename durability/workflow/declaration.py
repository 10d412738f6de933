"""The shock dose that is to be held against later failures, declared before anyone looks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal, get_args

from durability.devices.results import DoseDeclaration
from durability.record.errors import UnusableCall
from durability.record.records import DeviceHistory
from durability.store import bench
from durability.workflow.session import Session, entry

AVERAGED = "averaged"
WithoutReading = Literal["likely", "no shock", "largest"]


def declare_dose(session: Session, exponent: str, without_reading: str, reason: str) -> None:
    """Store which dose is to be held against later failures; what was said before stays.

    Parameters
    ----------
    session : Session
        Store and person.
    exponent : str
        "averaged" for an average over the usual range, or a number above 0.
    without_reading : {"likely", "no shock", "largest"}
        What a drop without a trusted reading counts as.
    reason : str
        Why this one.

    Raises
    ------
    UnusableCall
        The exponent is none, or the reason is blank.
    """
    power = None if exponent == AVERAGED else _number(exponent)
    if without_reading not in get_args(WithoutReading):
        raise UnusableCall(f"--without-reading {without_reading!r}: likely, no shock or largest")
    if not reason.strip():
        raise UnusableCall("--reason: blank; say why this dose")
    with entry(session, "inspect declare") as (connection, entry_id):
        bench.run(
            connection,
            "add_dose_declaration",
            exponent=power,
            without_reading=without_reading,
            reason=reason.strip(),
            entry_id=entry_id,
        )


def _number(exponent: str) -> float:
    try:
        power = float(exponent)
    except ValueError:
        power = float("nan")
    if not 0 < power < float("inf"):
        raise UnusableCall(f"{exponent!r}: not an exponent; give a number above 0, or averaged")
    return power


def first_follow_up(connection: Any) -> datetime | None:
    """First look at a device on a later day than its first drop; None when there is none yet."""
    moment: datetime | None = bench.run(connection, "first_follow_up")
    return moment


def declarations(
    connection: Any, histories: Sequence[DeviceHistory], first_look_at: datetime | None
) -> tuple[DoseDeclaration, ...]:
    """Each dose that was declared, with the verdict by it, in order of time.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    histories : sequence of DeviceHistory
        The whole study.
    first_look_at : datetime, optional
        First follow-up look, by the bench's clock.

    Returns
    -------
    tuple of DoseDeclaration
    """
    rows = bench.fetch(connection, "dose_declarations")
    if not rows:
        return ()
    from durability.devices.judgement import link_verdict
    from durability.devices.study import assemble

    told = []
    for row in rows:
        # By the record's own clock: what a person says of the time of a declaration proves nothing.
        at = row["entered_at_utc"].replace(tzinfo=UTC).astimezone().replace(tzinfo=None)
        study = assemble(histories, row["without_reading"])
        verdict, p_value = link_verdict(study, row["exponent"])
        told.append(
            DoseDeclaration(
                declared_by=row["entered_by"],
                declared_at=at,
                exponent=row["exponent"],
                without_reading=row["without_reading"],
                reason=row["reason"],
                is_before_follow_up=first_look_at is None or at < first_look_at,
                verdict=verdict,
                p_value=p_value,
            )
        )
    return tuple(told)
