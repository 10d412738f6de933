"""Plans: how much to drop, what survivors have shown, and the sheet to follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.life.results import LivedCase
from durability.record.errors import RecordRefused, UnusableCall
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.keep import tells_cracked_glass
from durability.workflow.results import Limit, Under
from durability.workflow.rig import lab_scatter
from durability.workflow.session import Session
from durability.workflow.specimens import IN_USE

if TYPE_CHECKING:
    from durability.plan.results import (
        ContrastPlan,
        DropSheet,
        LabScatter,
        ReliabilityShown,
        RisePlan,
    )
    from durability.record.records import Condition
    from durability.workflow.study import Study


@dataclass(frozen=True, slots=True)
class Scatter:
    """The scatter that a plan goes by, as standard deviations of log peak g."""

    within: float
    between: float | None
    seen: LabScatter | None
    """None when it was given in the call."""


def _log_sd(percent: float, option: str) -> float:
    if not 0 < percent < 1000:
        raise UnusableCall(f"{option} {percent:g}: not a number above 0, in percent")
    return float(np.log1p(percent / 100.0))


def plan_rise(
    session: Session,
    rise_pct: float,
    *,
    power: float,
    alpha: float,
    cases: Sequence[int],
    scatter_pct: float | None,
    rise_sd_pct: float | None,
    under: Under | None = None,
) -> tuple[Scatter, tuple[RisePlan, ...], tuple[RisePlan, ...] | None]:
    """Drops per case to see a rise, for several numbers of cases.

    Parameters
    ----------
    session : Session
        Store and person.
    rise_pct, power, alpha, cases, rise_sd_pct
        As in :func:`durability.plan.power.drops_to_see_rise`.
    scatter_pct : float, optional
        Drop-to-drop standard deviation in percent; by default that of this lab under the condition
        with most cases.
    under : Under, optional
        Of these conditions.

    Returns
    -------
    scatter : Scatter
        What the plan goes by.
    plans : tuple of RisePlan
    careful : tuple of RisePlan or None
        The same by the upper limit of the lab's scatter; None when it was given in the call.
    """
    from durability.plan.power import drops_to_see_rise

    if scatter_pct is None:
        seen = lab_scatter(session, under)
        if not seen.within_case_log_sd:
            raise RecordRefused(
                "no case in this store has 3 drops that differ, so its scatter is not known; with"
                " 3 valid drops of one case it would say how many drops show a rise of"
                f" {rise_pct:g} % per drop; until then give --scatter-pct"
            )
        scatter = Scatter(seen.within_case_log_sd, seen.between_case_log_sd, seen)
    else:
        scatter = Scatter(_log_sd(scatter_pct, "--scatter-pct"), None, None)

    def planned(within: float) -> tuple[RisePlan, ...]:
        return drops_to_see_rise(
            rise_pct, within, power=power, alpha=alpha, cases=cases, rise_sd_pct=rise_sd_pct
        )

    careful = None
    if scatter.seen is not None and scatter.seen.within_case_upper:
        careful = planned(scatter.seen.within_case_upper)
    return scatter, planned(scatter.within), careful


def plan_contrast(
    session: Session,
    difference_pct: float,
    *,
    power: float,
    alpha: float,
    drops_per_case: Sequence[int],
    within_pct: float | None,
    between_pct: float | None,
    under: Under | None = None,
) -> tuple[Scatter, tuple[ContrastPlan, ...], tuple[ContrastPlan, ...] | None]:
    """Cases of each of two models to tell them apart, for several numbers of drops per case.

    Parameters
    ----------
    session : Session
        Store and person.
    difference_pct, power, alpha, drops_per_case
        As in :func:`durability.plan.power.cases_to_tell_apart`.
    within_pct, between_pct : float, optional
        Scatter from drop to drop and from case to case in percent; both or none, by default those
        of this lab under the condition with most cases.
    under : Under, optional
        Of these conditions.

    Returns
    -------
    scatter : Scatter
        What the plan goes by.
    plans : tuple of ContrastPlan
    careful : tuple of ContrastPlan or None
        The same by the upper limits of the lab's scatter; None when it was given in the call.
    """
    from durability.plan.power import cases_to_tell_apart

    if (within_pct is None) != (between_pct is None):
        raise UnusableCall("give --scatter-pct and --scatter-between-pct both, or none")
    careful_by = None
    if within_pct is not None and between_pct is not None:
        between = 0.0 if between_pct == 0 else _log_sd(between_pct, "--scatter-between-pct")
        scatter = Scatter(_log_sd(within_pct, "--scatter-pct"), between, None)
    else:
        seen = lab_scatter(session, under)
        if not seen.within_case_log_sd or seen.between_case_log_sd is None:
            raise RecordRefused(
                "this store has no two cases of one model under one condition, so how cases differ"
                " is not known; with 3 valid drops of each of two it would say how many cases show"
                f" a difference of {difference_pct:g} %; until then give --scatter-pct and"
                " --scatter-between-pct"
            )
        scatter = Scatter(seen.within_case_log_sd, seen.between_case_log_sd, seen)
        if seen.within_case_upper is not None and seen.between_case_upper is not None:
            careful_by = (seen.between_case_upper, seen.within_case_upper)

    def planned(between: float, within: float) -> tuple[ContrastPlan, ...]:
        return cases_to_tell_apart(
            difference_pct, between, within, power=power, alpha=alpha, drops_per_case=drops_per_case
        )

    return (
        scatter,
        planned(scatter.between or 0.0, scatter.within),
        None if careful_by is None else planned(*careful_by),
    )


@dataclass(frozen=True, slots=True)
class SurvivorsSoFar:
    """What the cases of one model have shown so far."""

    case_model: str | None
    shown: ReliabilityShown | None
    """None when no case of the model has reached the drops asked for, or failed before."""
    not_yet: int
    """Cases that still work after fewer drops: they say nothing to the success run."""
    more_cases: int | None
    """Further cases that would show the reliability if none of them fails; None by Weibayes."""


@dataclass(frozen=True, slots=True)
class ShownUnder:
    """What the cases of each model have shown under one condition."""

    condition: Condition
    so_far: tuple[SurvivorsSoFar, ...]


@dataclass(frozen=True, slots=True)
class SurvivalPlan:
    """How many cases must survive how many drops, and what has been shown."""

    drops: int
    reliability: float
    confidence: float
    failures_allowed: int
    cases: int
    rule: str
    so_far: tuple[SurvivorsSoFar, ...]
    condition: Condition | None
    """Under which ``so_far`` was shown: that with most cases; None without a case."""
    others: tuple[ShownUnder, ...]


def plan_survival(
    session: Session,
    drops: int,
    *,
    reliability: float,
    confidence: float,
    failures_allowed: int,
    shape: float | None,
    drops_each: int | None,
    case_models: Sequence[str] | None,
    limit_g: float | None,
    limit_rise: float,
    under: Under | None = None,
) -> SurvivalPlan:
    """How many cases must survive so many drops, and what this store's cases have shown.

    Parameters
    ----------
    session : Session
        Store and person.
    drops : int
        Number of drops that a case is to survive.
    reliability, confidence : float
        Fraction of cases to survive, and how sure that is to be.
    failures_allowed : int
        Failures at which the plan still passes; 0 with a shape.
    shape : float, optional
        Weibull shape taken as known: then cases dropped unequally often count (Weibayes).
    drops_each : int, optional
        Drops that each case will see, with a shape; by default ``drops``.
    case_models : sequence of str, optional
        Only what these have shown.
    limit_g, limit_rise : float or None, float
        Where a case fails, as in a forecast.
    under : Under, optional
        Only what was shown under such conditions.

    Returns
    -------
    SurvivalPlan

    Raises
    ------
    UnusableCall
        A value outside its range, or options that don't go together.
    """
    from durability.plan.reliability import success_run_cases, weibayes_cases
    from durability.workflow.study import open_study

    if not 1 <= drops <= 100_000:
        raise UnusableCall(f"--drops {drops}: not a number of drops from 1 to 100,000")
    if shape is None:
        if drops_each is not None:
            raise UnusableCall("--drops-each: counts only with --shape; leave it out or add one")
        cases = success_run_cases(reliability, confidence, failures_allowed)
        rule = (
            f"success run: the fewest n with {reliability:g}^n <= 1 - {confidence:g}"
            if failures_allowed == 0
            else f"binomial: at most {failures_allowed} failures of n with probability"
            f" 1 - {confidence:g} if the reliability is {reliability:g}"
        )
    else:
        if failures_allowed:
            raise UnusableCall("--failures-allowed: not with --shape; Weibayes plans for none")
        cases = weibayes_cases(drops, reliability, confidence, shape, drops_each or drops)
        rule = (
            f"Weibayes, shape {shape:g} taken as known, {drops_each or drops} drops each:"
            f" ln(1 - {confidence:g}) / (ln({reliability:g}) x"
            f" ({drops_each or drops}/{drops})^{shape:g})"
        )
    limit = Limit(limit_g=limit_g, limit_rise=limit_rise, horizon=drops)
    study = open_study(session, None, case_models, under=under, limit=limit)
    shown = _survivors(study, drops, reliability, confidence, shape)
    return SurvivalPlan(
        drops=drops,
        reliability=reliability,
        confidence=confidence,
        failures_allowed=failures_allowed,
        cases=cases,
        rule=rule,
        so_far=shown[0].so_far if shown else (),
        condition=shown[0].condition if shown else None,
        others=shown[1:],
    )


def _survivors(
    study: Study, drops: int, reliability: float, confidence: float, shape: float | None
) -> tuple[ShownUnder, ...]:
    """What the cases of each model have shown, under each condition separately."""
    return tuple(
        ShownUnder(condition, _shown_by(lives, drops, reliability, confidence, shape))
        for condition, lives in study.case_lives().items()
    )


def _shown_by(
    every: Sequence[LivedCase],
    drops: int,
    reliability: float,
    confidence: float,
    shape: float | None,
) -> tuple[SurvivorsSoFar, ...]:
    from durability.plan.reliability import reliability_shown, success_run_cases, weibayes_shown

    lives: dict[str | None, list[tuple[int, bool]]] = {}
    for each in every:
        lives.setdefault(each.case_model, []).append((each.drops, each.failed))
    answers = []
    for model, seen in sorted(lives.items(), key=lambda item: item[0] or ""):
        early = sum(1 for lived, failed in seen if failed and lived <= drops)
        reached = sum(
            1 for lived, failed in seen if lived > drops or (lived == drops and not failed)
        )
        shown = more = None
        if shape is not None:
            shown = weibayes_shown(
                np.array([lived for lived, _ in seen], dtype=float),
                np.array([failed for _, failed in seen]),
                shape,
                confidence,
                drops,
            )
        else:
            needed = success_run_cases(reliability, confidence, early)
            more = max(needed - early - reached, 0)
            if early + reached:
                shown = reliability_shown(early + reached, confidence, drops, early)
        answers.append(SurvivorsSoFar(model, shown, len(seen) - early - reached, more))
    return tuple(answers)


def make_sheet(
    session: Session,
    *,
    case_models: Sequence[str],
    cases: Sequence[str],
    bare: Sequence[str],
    orientations: Sequence[str],
    seed: int,
    repeats: int,
    rest_s: float,
) -> DropSheet:
    """A drop sheet for cases and bare devices of this store.

    Parameters
    ----------
    session : Session
        Store and person.
    case_models : sequence of str
        Every case of these that is in use.
    cases, bare : sequence of str
        Codes of single cases, and of devices or dummies dropped without a case.
    orientations : sequence of str
        By default all 26.
    seed, repeats, rest_s
        As in :func:`durability.plan.sheet.drop_sheet`.

    Returns
    -------
    DropSheet

    Raises
    ------
    RecordRefused
        A code or model is not in the store, or of the wrong kind, or retired.
    UnusableCall
        Nothing to drop, or what ``drop_sheet`` refuses.
    """
    from durability.plan.sheet import drop_sheet

    items: dict[str, list[str]] = {}
    with database.reading(session.record) as connection:
        known = bench.fetch(connection, "list_specimens", kind="case")
        for model in case_models:
            members = [
                row["specimen"]
                for row in known
                if row["model"] == model and row["status"] == IN_USE
            ]
            if not members:
                raise RecordRefused(f"--case-model {model!r}: no case of that model in use")
            items.setdefault(model, []).extend(members)
        for code in cases:
            found = _item(connection, code, ("case",), "--case")
            items.setdefault(str(found["model"] or "cases"), []).append(code)
        quarantined = []
        for code in bare:
            found = _item(connection, code, ("device", "dummy"), "--bare")
            if found["quarantined_since"] is None:
                items.setdefault("bare", []).append(code)
            else:
                quarantined.append(code)
        if quarantined and not items:
            quarantine.refuse_in_quarantine(connection, quarantined[0])
        remarks = bench.fetch(connection, "device_remarks", device=None)
    if not items:
        raise UnusableCall("plan sheet: nothing to drop; give --case-model, --case or --bare")
    sheet = drop_sheet(items, list(orientations) or None, seed=seed, repeats=repeats, rest_s=rest_s)
    cracked = (
        row["device"]
        for row in remarks
        if row["device"] in items.get("bare", ())
        and tells_cracked_glass(row["location"], row["note"])
    )
    return replace(
        sheet, quarantined=tuple(quarantined), cracked_glass=tuple(dict.fromkeys(cracked))
    )


def _item(
    connection: object, code: str, kinds: tuple[str, ...], option: str
) -> Mapping[str, object]:
    found = bench.find(connection, "specimen", code)  # type: ignore[arg-type]
    if found["kind"] not in kinds:
        raise RecordRefused(f"{option} {code!r}: is a {found['kind']}, not a {' or '.join(kinds)}")
    if found["status"] != IN_USE:
        raise RecordRefused(f"{option} {code!r}: is {found['status']}; use another specimen")
    return found


def coverage(sheet: DropSheet) -> dict[str, dict[str, int]]:
    """How often each item lands in each orientation on a sheet."""
    from durability.plan.sheet import sheet_coverage

    return sheet_coverage(sheet)
