"""A session at the bench: what is told after each drop, apart from storing it.

Fetching and judging are two steps, since the store is held only while something is fetched and a
judgement may take a moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.results import BenchStanding, RigWatch
from durability.store import bench, database
from durability.workflow import judge, rig
from durability.workflow.limits import Limit
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.records import DropHistory

MOST_LIKE = 30
"""Other series of the case model that inform the drops left, the latest; more would keep the
operator waiting."""

LEVEL = 0.9
HORIZON = 400


@dataclass(frozen=True, slots=True)
class SoFar:
    """What a judgement rests on, fetched."""

    history: DropHistory
    like: tuple[DropHistory, ...]
    rig: RigWatch | None


def fetch_so_far(
    session: Session, series: str, *, like: tuple[DropHistory, ...] | None = None
) -> SoFar:
    """Readings of a series so far, with what informs their judgement.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.
    like : tuple of DropHistory, optional
        Like series fetched before, which a session need not fetch again.

    Returns
    -------
    SoFar
        For a reference series the rig's charts in place of like series.
    """
    history = judge.drop_histories(session, [series])[0]
    with database.reading(session.store) as connection:
        is_reference = bench.find(connection, "series", series)["purpose"] == "reference"
        codes = bench.fetch(connection, "like_series", series=series, most=MOST_LIKE)
    if is_reference:
        return SoFar(history, (), rig.watch(session, [series])[0])
    if like is None:
        names = [row["series"] for row in codes]
        like = tuple(judge.drop_histories(session, names)) if names else ()
    return SoFar(history, like, None)


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
    from durability.trend import judge_trends

    trend = judge_trends([found.history])[0]
    forecast = None
    if found.history.case is not None and found.rig is None and trend.valid_drops:
        from durability.forecast import forecast as foretell

        forecast = foretell(
            [found.history, *found.like],
            level=LEVEL,
            limit_g=limit.limit_g,
            limit_rise=limit.limit_rise,
            horizon=HORIZON,
        )[0]
    return BenchStanding(trend, forecast, found.rig, len(found.like))
