"""Quarantine of devices whose battery is suspect: put in by a note; its end is ``clearance``."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from durability.record import clock
from durability.record.errors import RecordRefused
from durability.record.records import Disposal, Quarantine
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
            row["sign"],
            row["told"],
            watch_until(row["since"]),
            tuple(each for each in disposed if each.specimen == row["device"]),
        )
        for row in rows
    ]


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
        f"in QUARANTINE since {row['since']:%Y-%m-%d %H:%M} ({row['sign']}: {row['told']}); do not"
        " drop, charge or ship it: keep it away from people and combustibles and watch it; only a"
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
