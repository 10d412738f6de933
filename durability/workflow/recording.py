"""A session at the bench: what is said after each drop, apart from storing it.

Fetching and judging are two steps, since the store is held only while something is fetched and a
judgement may take a moment.
"""

from __future__ import annotations

from dataclasses import dataclass

from durability.rig.results import RigWatch
from durability.store import bench, database
from durability.workflow import rig
from durability.workflow.histories import Histories, histories_in
from durability.workflow.results import BenchStanding, Limit, Scope
from durability.workflow.session import Session
from durability.workflow.study import Study

MOST_LIKE = 30
"""Other series of the case model that inform the drops left, the latest; more would keep the
operator waiting, so the standing says how many there are."""


@dataclass(frozen=True, slots=True)
class SoFar:
    """What a judgement rests on, fetched."""

    series: str
    histories: Histories
    """Of the series and of its like."""
    rig: RigWatch | None


def fetch_so_far(session: Session, series: str) -> SoFar:
    """Readings of a series so far, with what informs their judgement.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.

    Returns
    -------
    SoFar
        For a reference series with the rig's charts.
    """
    with database.reading(session.store) as connection:
        like = bench.fetch(connection, "like_series", series=series, most=MOST_LIKE)
        found = histories_in(connection, [series, *(row["series"] for row in like)])
    is_reference = series in found.reference
    return SoFar(series, found, rig.watch(session, [series])[0] if is_reference else None)


def judge_so_far(found: SoFar, limit: Limit) -> BenchStanding:
    """Trend so far with its running alarm, and drops left.

    Parameters
    ----------
    found : SoFar
        As fetched.
    limit : Limit
        Where the case fails.

    Returns
    -------
    BenchStanding
        Without a forecast for bare and reference drops, and before the first valid drop.
    """
    study = Study(found.histories, Scope("series", (found.series,), (found.series,)), limit)
    (history,), (trend,) = study.histories, study.trends
    judged = history.case is not None and found.rig is None and trend.valid_drops > 0
    like = len(found.histories.valid) - 1
    return BenchStanding(trend, study.forecasts[0] if judged else None, found.rig, like)
