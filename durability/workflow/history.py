"""All that one specimen lived through, and what a device has added up by now."""

from __future__ import annotations

from typing import Any

from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.devices import device_doses
from durability.workflow.follow_up import confirm_rules
from durability.workflow.histories import read_device_histories
from durability.workflow.intermittent import intermittent_checks
from durability.workflow.session import Session


def specimen_history(session: Session, code: str) -> dict[str, Any]:
    """Everything one specimen lived through, in time order; of a device its exposure too.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Its code.

    Returns
    -------
    dict
        specimen, kind, status, events; of a device ``exposure`` (doses under the literature's
        exponents, days from the last drop to the last look, intermittent functions) and
        ``quarantine``.

    Raises
    ------
    RecordRefused
        No such specimen.
    """
    with database.reading(session.store) as connection:
        found = bench.find(connection, "specimen", code)
        events = bench.fetch(connection, "specimen_history", code=code)
        kept = quarantine.quarantines(connection, code)
        without = bench.fetch(connection, "without_baseline", device=code)
        intermittent = intermittent_checks(connection, confirm_rules(connection), code)
    told = {
        "specimen": code,
        "kind": found["kind"],
        "status": found["status"],
        "quarantine": kept[0] if kept else None,
        "exposure": None,
        "events": events,
    }
    if found["kind"] != "device":
        return told
    from durability.devices.exposure import LITERATURE_EXPONENT

    drops = [event for event in events if event["event"] == "drop"]
    looks = [event for event in events if event["event"] == "inspection"]
    dose = 0.0
    for event in drops:
        dose += ((event["peak_g"] or 0.0) / 1000.0) ** LITERATURE_EXPONENT
        event["shock_dose_so_far"] = dose
    doses = device_doses(read_device_histories(session), until_failed=False)[code]
    told["exposure"] = {
        "drops": len(drops),
        "drops_without_reading": sum(event["peak_g"] is None for event in drops),
        "doses": doses,
        "days_to_last_look": looks[-1]["days_since_drop"] if looks else None,
        "looked_at_before_first_drop": not without,
        "intermittent": intermittent,
    }
    return told
