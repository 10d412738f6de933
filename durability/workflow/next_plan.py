"""What to do next: which cases to drop, which devices to inspect when."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.record.basis import counted
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import Condition
from durability.store import bench, database
from durability.workflow.results import Limit, Under
from durability.workflow.rig import lab_scatter
from durability.workflow.session import Session
from durability.workflow.specimens import IN_USE

if TYPE_CHECKING:
    from durability.devices.results import NextLooks
    from durability.plan.next_drops import CaseSoFar
    from durability.plan.results import NextDrops
    from durability.wear.results import GroupWear
    from durability.workflow.study import Study

BUDGET = 20
"""Drops to be spent when no number is given."""

TO_LAST = 26
"""Drops that a case is to last when no number is given: one in each of the 26 attitudes."""


def plan_next_drops(
    session: Session,
    question: Literal["faster", "lasts"],
    *,
    drops: int,
    new_cases: int,
    to_last: int | None,
    case_models: Sequence[str] | None,
    limit: Limit,
    under: Under | None = None,
) -> NextDrops:
    """Which cases to drop next, to learn which of two models wears faster, or whether one lasts.

    Parameters
    ----------
    session : Session
        Store and person.
    question : {"faster", "lasts"}
    drops, new_cases
        The budget, as in :func:`durability.plan.next_drops.allocate_drops`.
    to_last : int, optional
        Drops that a case is to last; by default `TO_LAST`. With "lasts" only.
    case_models : sequence of str, optional
        Two of them, or one; by default the first in the ranking; of two, the first neighbours
        whose intervals overlap.
    limit : Limit
        When a case has failed.
    under : Under, optional
        Of these conditions.

    Returns
    -------
    NextDrops
        Under the condition that the ranking takes first. What is known now is the ranking's.

    Raises
    ------
    RecordRefused
        Too few models, or no rise to plan with.
    UnusableCall
        A budget outside its range, or models in a number that the question doesn't ask for.
    """
    from durability.plan.next_drops import allocate_drops, judge_allocations, rate_spread
    from durability.workflow.study import open_study

    wanted = 2 if question == "faster" else 1
    if case_models and len(case_models) != wanted:
        raise UnusableCall(
            f"--case-model: {len(case_models)} given; --question {question} is about"
            f" {counted(wanted, 'model')}"
        )
    if question == "faster" and to_last is not None:
        raise UnusableCall("--to-last: belongs to --question lasts; leave it out")
    with database.reading_much(session.record) as connection:
        scatter = lab_scatter(session, under).within_case_log_sd
        if not scatter:
            raise RecordRefused(
                "no case in this store has 3 drops that differ, so its scatter is not known; with"
                " 3 valid drops of one case it would say which to drop next"
            )
        study = open_study(session, None, case_models, under=under, limit=limit)
        in_use = {
            row["specimen"]
            for row in bench.fetch(connection, "list_specimens", kind="case")
            if row["status"] == IN_USE
        }
    ranking = study.ranking()
    groups = _in_doubt([each for each in ranking.groups if each.lower is not None])[:wanted]
    if len(groups) < wanted or not isinstance(ranking.condition, Condition):
        raise RecordRefused(
            f"{counted(len(groups), 'case model')} with a rise per drop under one condition;"
            f" --question {question} needs {wanted}: 2 valid drops of a case of each give it"
        )
    models = [each.group for each in groups]
    cases = _cases_so_far(study, ranking.condition, models, in_use)
    spread = rate_spread(cases, scatter)
    allocations = allocate_drops(
        cases,
        models,
        drops=drops,
        new_cases=new_cases,
        scatter_log_sd=scatter,
        spread=spread,
    )
    return judge_allocations(
        allocations,
        question=question,
        condition=ranking.condition,
        rises=[
            (each.rise_pct_per_drop or 0.0, each.lower or 0.0, each.upper or 0.0) for each in groups
        ],
        models=models,
        drops=drops,
        new_cases=new_cases,
        to_last=None if question == "faster" else to_last or TO_LAST,
        allowed=_allowed_rise(study, models, ranking.condition, limit),
        level=limit.level,
        spread=spread,
        basis=f"{ranking.basis}; scatter {100 * scatter:.2g} % from drop to drop",
    )


def _in_doubt(groups: Sequence[GroupWear]) -> Sequence[GroupWear]:
    """From the first group on whose interval reaches into that of the next; else all."""
    for at, (one, other) in enumerate(pairwise(groups)):
        if (other.upper or 0.0) > (one.lower or 0.0):
            return groups[at:]
    return groups


def _cases_so_far(
    study: Study, condition: Condition, models: Sequence[str], in_use: set[str]
) -> list[CaseSoFar]:
    """Each case of these models by its latest series under a condition."""
    from durability.plan.next_drops import CaseSoFar

    failed = {each.series for each in study.forecasts if each.failed}
    doubted = {each.series: each.doubted_drops for each in study.trends}
    latest = {
        each.case: each
        for each in study.conditions()[condition]
        if each.case is not None and each.case_model in models
    }
    found = []
    for case, history in latest.items():
        kept = ~np.isin(history.drop_number, doubted[history.series])
        found.append(
            CaseSoFar(
                case_model=str(history.case_model),
                case=str(case),
                drop_number=history.drop_number[kept].astype(float),
                log_peak=np.log(history.peak_g[kept]),
                can_be_dropped=case in in_use and history.series not in failed,
            )
        )
    return found


def _allowed_rise(
    study: Study, models: Sequence[str], condition: Condition, limit: Limit
) -> float | None:
    """By how much, in logarithms, the peak g of a fresh case may rise until the case has failed."""
    if limit.limit_g is None:
        return float(np.log1p(limit.limit_rise))
    series = {each.series for each in study.conditions()[condition]}
    fresh = [
        each.level_first_g
        for each in study.trends
        if each.series in series and each.case_model in models and each.level_first_g
    ]
    return float(np.log(limit.limit_g) - np.log(fresh).mean()) if fresh else None


def plan_next_looks(session: Session, *, looks: int | None, drops: int) -> NextLooks:
    """When to inspect which devices next, to learn whether shocks and later failures are linked.

    Parameters
    ----------
    session : Session
        Store, person and day.
    looks : int, optional
        Devices that can be inspected; by default all.
    drops : int
        That can be made today.

    Returns
    -------
    NextLooks

    Raises
    ------
    UnusableCall
        A budget outside its range.
    """
    from durability.devices.judgement import next_looks
    from durability.plan.power import MOST_DROPS
    from durability.workflow.devices import EPOCH, DeviceStudy

    if looks is not None and looks < 1:
        raise UnusableCall(f"--looks {looks}: not a number of inspections, 1 or more")
    if not 0 <= drops <= MOST_DROPS:
        raise UnusableCall(f"--drops {drops}: not a budget; give 0 to {MOST_DROPS}")
    histories = DeviceStudy(session).histories
    return next_looks(histories, float((session.day - EPOCH).days), looks=looks, drops=drops)
