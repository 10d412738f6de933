"""Whether one case model reduces peak g by at least as much as is claimed."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.wear.results import Claim, LogRatio, OrientationClaim
    from durability.workflow.results import ClaimAnswer


def _side(cases: int, drops: int) -> str:
    return f"{counted(drops, 'drop')} {'bare' if not cases else 'of ' + counted(cases, 'case')}"


def _rests_on(found: LogRatio | OrientationClaim) -> str:
    return f"{_side(found.cases_a, found.drops_a)} against {_side(found.cases_b, found.drops_b)}"


def claim_sentence(a: str, b: str, kind: str, claim: Claim) -> str:
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


def _settling(claim: Claim) -> str | None:
    """What more drops would settle it."""
    if claim.verdict != "not shown":
        return None
    if claim.overall.between_case_unknown:
        return (
            "To settle it: drop at least 2 cases, for with one case alone nothing is known of how"
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
        return "To settle it: no reasonable number of drops or cases would, if the estimate is true"
    return (
        f"To settle it with {labels.share(claim.power)} probability, were the estimate true: "
        + ", or ".join(ways)
    )


def claims_answer(answers: Sequence[ClaimAnswer]) -> str:
    """For which case models the claimed reduction is shown, dropped with what."""
    judged: dict[str, list[str]] = {}
    least = 0.0
    for each in answers:
        for found in each.by_kind:
            verdict = "can't be judged" if found.claim is None else found.claim.verdict
            judged.setdefault(verdict, []).append(f"{each.b} ({found.device_kind})")
            if found.claim is not None:
                least = found.claim.reduction_at_least_pct
    told = "; ".join(f"{verdict} for {labels.listed(names)}" for verdict, names in judged.items())
    return f"Reduces peak g of bare drops by at least {least:g} %: {told}."


@dataclass(frozen=True, slots=True)
class _Judged:
    """One row: an orientation, or all of them."""

    name: str
    reduction_pct: float | None
    reduction_lower: float | None
    reduction_upper: float | None
    verdict: str
    counts: LogRatio | OrientationClaim


def by_orientation(confidence: float) -> Columns[_Judged]:
    """The table of one claim."""
    return Columns["_Judged"](
        "By orientation; drops and cases of both sides",
        Column("orientation", "name", wrap=True),
        Column("reduction, %", "reduction_pct", right=True),
        Column(
            f"{labels.share(confidence)} interval",
            lambda e: _ends(e.reduction_lower, e.reduction_upper),
        ),
        Column("verdict", "verdict"),
        Column("drops", lambda e: f"{e.counts.drops_a}/{e.counts.drops_b}"),
        Column("cases", lambda e: f"{e.counts.cases_a}/{e.counts.cases_b}"),
    )


def _rows(claim: Claim) -> Iterator[_Judged]:
    for each in claim.per_orientation:
        ends = each.reduction_lower, each.reduction_upper
        yield _Judged(each.orientation, each.reduction_pct, *ends, each.verdict, each)
    ends = claim.reduction_lower, claim.reduction_upper
    yield _Judged("over all", claim.reduction_pct, *ends, claim.verdict, claim.overall)


def judged(answer: ClaimAnswer) -> Iterator[Block]:
    """The claim for each kind of what was dropped, as terminal and page show it."""
    for found in answer.by_kind:
        claim = found.claim
        if claim is None:
            yield Words(f"{answer.b}, {found.device_kind}: can't be judged: {found.reason}.")
            continue
        yield Words(claim_sentence(answer.a, answer.b, found.device_kind, claim))
        command = f"durability claim {shlex.quote(answer.a)} {shlex.quote(answer.b)}"
        command += f" --at-least {claim.reduction_at_least_pct:g} --level {claim.confidence:g}"
        yield by_orientation(claim.confidence).table(_rows(claim), command)
        yield Words(f"Decision rule: {claim.decision_rule}.", is_note=True)
        more = _settling(claim)
        if more:
            yield Words(f"{more}.", is_note=True)
        if claim.beyond_last_drop:
            yield Words(
                f"Drop {claim.at_drop} lies beyond the last drop of some case: its line was drawn"
                " on.",
                is_note=True,
            )
        if claim.unshared_orientations:
            left_out = labels.listed(claim.unshared_orientations)
            yield Words(f"Left out, seen on one side only: {left_out}.", is_note=True)
        if found.with_voided is not None:
            yield Words(_put_back(claim, found.with_voided), is_note=True)
        yield beside.rests_on(claim.basis)


def blocks(answer: ClaimAnswer) -> Iterator[Block]:
    """The claim, what was voided, and what it is a claim of."""
    yield from judged(answer)
    yield from beside.voided(answer.voided)
    if len(answer.by_kind) > 1:
        yield Words("Device and dummy are judged apart: their peaks are not the same quantity.")
    yield Words(labels.RELATIVE, is_note=True)


def _put_back(claim: Claim, again: Claim) -> str:
    """What the voided readings would make of the claim."""
    return (
        f"With the voided readings put back: {again.verdict}, reduction"
        f" {labels.number(again.reduction_pct)} %"
        f" ({_ends(again.reduction_lower, again.reduction_upper)}):"
        f" the verdict {'stays' if again.verdict == claim.verdict else 'CHANGES'}."
    )


def _ends(lower: float | None, upper: float | None) -> str:
    if lower is None or upper is None:
        return labels.ABSENT
    return f"{labels.number(lower)} to {labels.number(upper)}"


def json(answer: ClaimAnswer, at_least_pct: float) -> dict[str, Any]:
    """Object of ``claim --json``."""
    return {"reduction_at_least_pct": at_least_pct, **asdict(answer)}
