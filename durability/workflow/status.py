"""How things stand: what is open, what is owed, what is isolated, the rig, the last entries."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from durability.store import bench, database
from durability.workflow import follow_up, rig
from durability.workflow.results import Limit, OpenSeries, Status
from durability.workflow.series import list_series
from durability.workflow.session import Session
from durability.workflow.study import open_study

LAST_ENTRIES = 5


def status(session: Session, limit: Limit, rate: float | None = None) -> Status:
    """How the record stands today.

    Parameters
    ----------
    session : Session
        Store and person.
    limit : Limit
        When a case has failed.
    rate : float, optional
        False discovery rate at which alarms are named.

    Returns
    -------
    Status
    """
    rows = {row["series"]: row for row in list_series(session) if row["status"] == "open"}
    tested = [code for code, row in rows.items() if row["purpose"] == "test" and row["drops"]]
    found: list[OpenSeries] = []
    alarms: list[str] = []
    if tested:
        study = open_study(session, tested, limit=limit)
        lives = {each.series: each for each in study.forecasts if not each.is_bare}
        found = [
            OpenSeries(rows[each.series], each, lives.get(each.series), limit.horizon)
            for each in study.trends
        ]
        alarms = [] if rate is None else study.alarms_that_hold(rate)
    owed = follow_up.due(session, None, 0)
    sensors = {row["sensor"] for row in rows.values()}
    with database.reading(session.record) as connection:
        known = bench.fetch(connection, "list_sensors")
        entries = bench.fetch(connection, "last_entries", number=LAST_ENTRIES)
    return Status(
        open_series=tuple(found),
        due=owed,
        rig=tuple(rig.watch(session)),
        overdue_sensors=tuple(
            row for row in known if row["sensor"] in sensors and _is_overdue(row, owed.on)
        ),
        last_entries=tuple(entries),
        rate=rate,
        alarms=tuple(alarms),
    )


def _is_overdue(sensor: Mapping[str, Any], on: date) -> bool:
    due: date | None = sensor["calibration_due"]
    return due is None or due < on
