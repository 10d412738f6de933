"""Claims to words, JSON and tables."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels, tables

if TYPE_CHECKING:
    from durability.results import Claim, ClaimAnswer, ClaimByKind, LogRatio, OrientationClaim


def as_plain(answer: ClaimAnswer, at_least_pct: float) -> dict[str, Any]:
    """Object of ``claim --json``."""
    return {"reduction_at_least_pct": at_least_pct, **asdict(answer)}


def _side(cases: int, drops: int) -> str:
    return f"{counted(drops, 'drop')} {'bare' if not cases else 'of ' + counted(cases, 'case')}"


def _rests_on(found: LogRatio | OrientationClaim) -> str:
    return f"{_side(found.cases_a, found.drops_a)} against {_side(found.cases_b, found.drops_b)}"


def sentence(a: str, b: str, kind: str, claim: Claim) -> str:
    """The claim in one sentence that could stand in a data sheet."""
    when = "" if claim.at_drop is None else f" after {counted(claim.at_drop, 'drop')} of wear"
    head = f"{b} reduces peak g against {a} by at least {claim.reduction_at_least_pct:g} %{when}"
    told = f"reduction {labels.number(claim.reduction_pct)} %" + (
        ", no interval known"
        if claim.reduction_lower is None or claim.reduction_upper is None
        else f" ({labels.share(claim.confidence)} interval"
        f" {_ends(claim.reduction_lower, claim.reduction_upper)})"
    )
    return f"{claim.verdict.upper()}: {head} ({kind}; {told}; {_rests_on(claim.overall)})."


def settling(claim: Claim) -> str | None:
    """What more drops would settle it."""
    if claim.verdict != "not shown":
        return None
    if claim.overall.between_case_unknown:
        return (
            "to settle it: drop at least 2 cases, for with one case alone nothing is known of how"
            " cases of the model differ"
        )
    ways = []
    if claim.cases_to_settle is not None:
        ways.append(f"{counted(claim.cases_to_settle, 'case')} on each side that has cases")
    if claim.drops_to_settle is not None:
        ways.append(
            f"{counted(claim.drops_to_settle, 'drop')} per case and orientation with the cases"
            " there are"
        )
    if not ways:
        return "to settle it: no reasonable number of drops or cases would, if the estimate is true"
    return (
        f"to settle it with {labels.share(claim.power)} probability, were the estimate true: "
        + ", or ".join(ways)
    )


def answer(told: ClaimAnswer) -> None:
    """Print the claim with each kind of what was dropped."""
    for found in told.by_kind:
        _one(told.a, told.b, found)
    for line in labels.voided_lines(told.voided):
        tables.say(line)
    if len(told.by_kind) > 1:
        tables.say("Device and dummy are judged apart: their peaks are not the same quantity.")
    tables.say(labels.RELATIVE)


def _one(a: str, b: str, found: ClaimByKind) -> None:
    claim = found.claim
    if claim is None:
        tables.say(f"{found.device_kind}: can't be judged: {found.reason}")
        return
    tables.say(sentence(a, b, found.device_kind, claim))
    tables.console().print(
        tables.grid(
            (
                "orientation",
                "reduction, %",
                labels.share(claim.confidence),
                "verdict",
                "drops",
                "cases",
            ),
            [_row(each.orientation, each) for each in claim.per_orientation]
            + [
                (
                    "over all",
                    labels.number(claim.reduction_pct),
                    _ends(claim.reduction_lower, claim.reduction_upper),
                    claim.verdict,
                    f"{claim.overall.drops_a}/{claim.overall.drops_b}",
                    f"{claim.overall.cases_a}/{claim.overall.cases_b}",
                )
            ],
            right=(1,),
            wrap=(0,),
        )
    )
    tables.say(f"decision rule: {claim.decision_rule}")
    more = settling(claim)
    if more:
        tables.say(more)
    if claim.beyond_last_drop:
        tables.say(
            f"drop {claim.at_drop} lies beyond the last drop of some case: its line was drawn on"
        )
    if claim.unshared_orientations:
        tables.say(f"left out, seen on one side only: {labels.listed(claim.unshared_orientations)}")
    if found.with_voided is not None:
        tables.say(put_back(claim, found.with_voided))
    tables.say(f"rests on: {claim.basis}")


def put_back(claim: Claim, again: Claim) -> str:
    """What the voided readings would make of the claim."""
    return (
        f"with the voided readings put back: {again.verdict}, reduction"
        f" {labels.number(again.reduction_pct)} %"
        f" ({_ends(again.reduction_lower, again.reduction_upper)}):"
        f" the verdict {'stays' if again.verdict == claim.verdict else 'CHANGES'}"
    )


def _row(name: str, each: OrientationClaim) -> tuple[str, ...]:
    return (
        name,
        labels.number(each.reduction_pct),
        _ends(each.reduction_lower, each.reduction_upper),
        each.verdict,
        f"{each.drops_a}/{each.drops_b}",
        f"{each.cases_a}/{each.cases_b}",
    )


def _ends(lower: float | None, upper: float | None) -> str:
    if lower is None or upper is None:
        return labels.ABSENT
    return f"{labels.number(lower)} to {labels.number(upper)}"
