"""What isn't dropped unnoticed: devices in quarantine, failed cases, what is not in use.

A note puts a device whose battery is suspect into quarantine; an inspection ends it
(``inspection.clear_quarantine``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from durability.record import clock
from durability.record.errors import CaseUnfit, RecordRefused, UnusableCall
from durability.record.receipts import Disposal, Quarantine
from durability.store import bench


def quarantines(connection: Any, device: str | None = None) -> list[Quarantine]:
    """Devices in quarantine, the longest suspected first; of one device when it is named."""
    rows = bench.fetch(connection, "quarantined_devices", device=device)
    if not rows:
        return []
    from durability.record.hazards import watch_until

    disposed = disposals(connection, device)
    return [
        Quarantine(
            row["device"],
            row["since"],
            _each_once(row["sign"]),
            row["told"],
            watch_until(row["since"]),
            tuple(each for each in disposed if each.specimen == row["device"]),
        )
        for row in rows
    ]


def _each_once(signs: str) -> str:
    """Signs that several notes gave, each named once."""
    return ", ".join(dict.fromkeys(signs.split(", ")))


def disposals(connection: Any, code: str | None = None) -> list[Disposal]:
    """What was disposed of and not taken back, the earliest first; of one specimen when named."""
    return [
        Disposal(
            row["specimen"],
            row["disposed_on"],
            row["disposed_part"],
            row["disposed_how"],
            row["disposed_where"],
            row["disposed_by"],
        )
        for row in bench.fetch(connection, "disposals", code=code)
    ]


def refuse_in_quarantine(connection: Any, device: str) -> None:
    """Refuse a device that is in quarantine now.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    device : str
        Its code.

    Raises
    ------
    RecordRefused
        It is.
    """
    for row in bench.fetch(connection, "quarantined_devices", device=device):
        raise RecordRefused(f"device {device!r}: {reason(row)}")


def reason(row: Mapping[str, Any]) -> str:
    """Why a drop of a device in quarantine is refused, by ``since``, ``sign`` and ``told``."""
    return (
        f"in QUARANTINE since {row['since']:%Y-%m-%d %H:%M} ({_each_once(row['sign'])}:"
        f" {row['told']}); do not drop, charge or ship it: keep it away from people and"
        " combustibles and watch it; only a"
        f" named person clears it, with: durability specimen clear {row['device']} --by NAME"
        " --reason WHY --check 'battery swelling=pass'; what was dropped anyway is recorded"
        " with --despite-quarantine WHY"
    )


def suspect(
    connection: Any,
    device: Mapping[str, Any],
    told: str,
    signs: tuple[str, ...],
    *,
    entry_id: Any,
    at: datetime | None = None,
) -> Quarantine | None:
    """Put a device in quarantine for the signs that something showed.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside the transaction that stores what was noted.
    device : mapping
        Its ``specimen_id``, ``specimen`` and ``kind``; a dummy has no battery.
    told : str
        The note or check that shows it, in short.
    signs : tuple of str
        From :mod:`durability.record.hazards`; without any, nothing happens.
    entry_id : UUID
        The entry.
    at : datetime, optional
        When it was seen, by the bench clock; by default now.

    Returns
    -------
    Quarantine or None
        Of the device, as it is now; None when no sign was noted.
    """
    if not signs or device["kind"] != "device":
        return None
    bench.run(
        connection,
        "add_quarantine",
        device_id=device["specimen_id"],
        suspected_at=at or clock.wall_clock().replace(microsecond=0),
        sign=", ".join(signs),
        told=told,
        entry_id=entry_id,
    )
    return quarantines(connection, device["specimen"])[0]


def suspect_note(
    connection: Any,
    device: str | None,
    note: str | None,
    *,
    of_case: bool = False,
    entry_id: Any,
    at: datetime | None = None,
) -> Quarantine | None:
    """Put a device in quarantine when a note on it, or on the case around it, names a sign.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside the transaction that stores the note.
    device : str, optional
        Its code.
    note : str, optional
        Free words.
    of_case : bool
        Whether the note is about the case around the device.
    entry_id : UUID
        The entry.
    at : datetime, optional
        When it was seen, by the bench clock; by default now.

    Returns
    -------
    Quarantine or None
        Of the device, as it is now; None when no sign was noted, or of a case or dummy.
    """
    if not note or device is None:
        return None
    from durability.record.hazards import battery_signs  # its patterns take a while: only for notes

    signs = battery_signs(note, of_case=of_case)
    if not signs:
        return None
    found = bench.find(connection, "specimen", device)
    return suspect(connection, found, note, signs, entry_id=entry_id, at=at)


def suspect_kept(connection: Any, stage: str) -> dict[str, Quarantine]:
    """Put the devices in quarantine of which the rows just kept name a sign.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside the transaction that keeps the rows.
    stage : str
        drops, damage, inspections or specimens: what is staged.

    Returns
    -------
    dict of str to Quarantine
        By the device's code.
    """
    rows = bench.fetch(connection, f"staged_notes_{stage}")
    if not rows:
        return {}
    from durability.record.hazards import battery_signs, check_signs  # patterns: only for notes

    devices = {}
    for row in rows:
        if row["function"] is None:
            signs = battery_signs(row["note"], of_case=row["of_case"])
            told = str(row["note"])
        else:
            signs = check_signs(row["function"], row["outcome"], row["note"])
            told = check_words(row["function"], row["outcome"], row["note"])
        device = {"specimen_id": row["device_id"], "specimen": row["device"], "kind": "device"}
        found = suspect(
            connection, device, told, signs, entry_id=row["entry_id"], at=row["happened_at"]
        )
        if found is not None:
            devices[found.device] = found
    return devices


def check_words(function: str, outcome: str, note: str | None) -> str:
    """One functional check in few words, for instance "battery swelling fail: lifts the cover"."""
    return f"{function} {outcome}" + (f": {note}" if note else "")


# ---------------------------------------------------------------- failed cases, and the unused


def why_unfit(connection: Any, case_id: Any, device_id: Any) -> Mapping[str, Any] | None:
    """A case that has failed by a note in force, or a case or device that is not in use.

    A level beyond the limit is an estimate: it is reported, and refuses nothing.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    case_id, device_id : UUID or None
        Key of the case, None when bare; and of the device.

    Returns
    -------
    mapping or None
        ``code``, ``is_failed`` and ``words``; None when there is nothing against it.
    """
    rows = bench.fetch(connection, "unfit_case", case_id=case_id, device_id=device_id)
    if not rows:
        return None
    row = rows[0]
    words = f"is {row['status']}"
    if row["is_failed"]:
        seen = f": {row['seen']}" if row["seen"] else ""
        at = f" after drop {row['drop_number']} of {row['series']}" if row["series"] else ""
        words = f"has failed (damage of severity 4{at}{seen})"
    return {**row, "words": f"{row['kind']} {row['code']!r} {words}"}


def refuse_unfit(
    connection: Any,
    case_id: Any,
    device_id: Any,
    despite_failed: str | None,
    entry_ids: Iterable[Any],
) -> str | None:
    """Refuse what is not fit to be dropped, unless it is said why it is used all the same.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Inside the transaction of the entry.
    case_id, device_id : UUID or None
        Key of the case, None when bare; and of the device.
    despite_failed : str, optional
        The reason, kept with the entries where it was needed.
    entry_ids : iterable of UUID
        The entries.

    Returns
    -------
    str or None
        Code of a case that has failed.

    Raises
    ------
    CaseUnfit
        It is not fit, and no reason is given.
    UnusableCall
        The reason is blank.
    """
    if despite_failed is not None and not despite_failed.strip():
        raise UnusableCall("--despite-failed: blank; say why it is used anyway")
    found = why_unfit(connection, case_id, device_id)
    if found is None:
        return None
    if despite_failed is None:
        raise CaseUnfit(found["words"])
    for entry_id in entry_ids:
        bench.run(connection, "add_despite_failed", reason=despite_failed, entry_id=entry_id)
    return str(found["code"]) if found["is_failed"] else None


def made_after_failure(connection: Any) -> dict[str, int]:
    """How many of the drops just kept each case made after it had failed."""
    if not bench.run(connection, "staged_failed"):
        return {}  # the numbers of all drops of all cases take a while
    rows = bench.fetch(connection, "staged_after_failure")
    return {row["case"]: row["drops"] for row in rows}
