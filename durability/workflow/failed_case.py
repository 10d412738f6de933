"""A case that has failed, or what is not in use, isn't dropped unnoticed: that needs a reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from durability.record.errors import CaseUnfit, UnusableCall
from durability.store import bench


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
