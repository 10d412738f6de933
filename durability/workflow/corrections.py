"""What was recorded, corrected: voided, restored, amended; the first values stay."""

from __future__ import annotations

from collections.abc import Sequence

from durability.intake.hand_entry import assignments, typed_time, typed_value
from durability.record.errors import RecordRefused
from durability.record.records import Quarantine
from durability.store import bench
from durability.workflow import quarantine
from durability.workflow.keep import find_drop
from durability.workflow.series import refuse_impossible
from durability.workflow.session import Session, entry


def void_drop(session: Session, series: str, drop_number: int, reason: str) -> None:
    """Void a drop: kept, shown, left out of every estimate, with its reason."""
    _set_status(session, series, drop_number, "void", reason)


def restore_drop(session: Session, series: str, drop_number: int, reason: str) -> None:
    """Make a voided drop count again, with the reason why."""
    _set_status(session, series, drop_number, "valid", reason)


def _set_status(session: Session, series: str, drop_number: int, status: str, reason: str) -> None:
    command = "drop void" if status == "void" else "drop restore"
    with entry(session, command) as (connection, entry_id):
        drop = find_drop(connection, series, drop_number)
        if drop["status"] == status:
            already = "void already" if status == "void" else "valid already"
            raise RecordRefused(f"drop {drop_number} of series {series!r}: {already}")
        if status == "valid" and drop["peak_g"] is None:
            raise RecordRefused(
                f"drop {drop_number} of series {series!r}: has no peak_g; amend it first with:"
                f" drop amend {series} {drop_number} --set peak_g=VALUE"
            )
        changes = [
            ("status", drop["status"], status),
            ("void_reason", drop["void_reason"], reason if status == "void" else None),
        ]
        bench.amend(connection, "drops", drop["drop_id"], changes, reason=reason, entry_id=entry_id)


def amend_record(
    session: Session, table: str, code: str, changes: Sequence[str], reason: str, number: int = 0
) -> Quarantine | None:
    """Mend columns of a drop, series or specimen; the first values stay in the record.

    Parameters
    ----------
    session : Session
        Store and person.
    table : {"drops", "series", "specimen"}
        What is mended.
    code : str
        Code of the series or specimen.
    changes : sequence of str
        "COLUMN=VALUE" each; a blank value stands for not recorded.
    reason : str
        Why.
    number : int, optional
        Drop number, for a drop.

    Returns
    -------
    Quarantine or None
        When the new note on a device tells of a failing battery.

    Raises
    ------
    UnusableCall
        A change is no COLUMN=VALUE of an amendable column.
    RecordRefused
        No such record, or the change would leave a valid drop without a peak.
    """
    wanted = assignments(changes, bench.AMENDABLE[table], "--set")
    new = {column: _amended(column, text) for column, text in wanted.items()}
    refuse_impossible(new.get("orientation"), "--set orientation")
    with entry(session, f"{table} amend") as (connection, entry_id):
        if table == "drops":
            record = find_drop(connection, code, number)
            if "peak_g" in new and new["peak_g"] is None and record["status"] == "valid":
                raise RecordRefused(
                    f"drop {number} of series {code!r}: a valid drop needs its peak_g; void it"
                    " instead"
                )
        else:
            record = bench.find(connection, table, code)
        if new.get("sensor"):
            bench.find(connection, "sensor", str(new["sensor"]))
        if (record.get("kind") == "case" and "kind" in new) or new.get("kind") == "case":
            raise RecordRefused(
                f"specimen {code!r}: a case can't become a device, nor a device one"
            )
        key = record["drop_id" if table == "drops" else f"{table}_id"]
        bench.amend(
            connection,
            table,
            key,
            [(column, record.get(column), value) for column, value in new.items()],
            reason=reason,
            entry_id=entry_id,
        )
        if table != "specimen" or not new.get("note"):
            return None
        return quarantine.suspect_note(connection, code, str(new["note"]), entry_id=entry_id)


def _amended(column: str, text: str) -> str | float | int | None:
    if not text:
        return None
    if column == "dropped_at":
        return typed_time(text, name="dropped_at", right="an ISO 8601 time")[0].isoformat(" ")
    free_text = ("method", "fixture", "conditioning")
    return text if column in free_text else typed_value(column, text)
