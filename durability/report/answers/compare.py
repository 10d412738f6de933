"""One case model against another: the ratio of their peak g, and a claimed reduction."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.wear.results import Claim, Comparison, LogRatio, OrientationClaim
    from durability.workflow.results import ClaimAnswer, VoidedDrop


def against(a: str) -> Columns[Comparison]:
    """The table of others against ``a``; counts of both are side by side."""
    return Columns["Comparison"](
        f"Peak g of {a} against others; drops, cases and voided drops as {a}/other",
        Column("other", "b", wrap=True),
        Column("times as high (90 %)", lambda e: labels.with_interval(e.ratio, e.lower, e.upper)),
        Column(
            "reduction, % (90 %)",
            lambda e: labels.with_interval(e.reduction_pct, e.reduction_lower, e.reduction_upper),
        ),
        Column("drops", lambda e: f"{e.drops_a}/{e.drops_b}", right=True),
        Column("cases", lambda e: f"{e.cases_a}/{e.cases_b}", right=True),
        Column("voided", lambda e: f"{e.voided_a}/{e.voided_b}", right=True),
        Column("times, voided put back", "ratio_with_voided", right=True),
        Column("rests on", "basis", wide=True),
    )


def comparison_sentence(result: Comparison) -> str:
    """Ratio of peak g and the reduction, in a sentence."""
    if result.ratio is None:
        return f"{result.a} against {result.b}: too few drops to say."
    ratio = f"{labels.number(result.ratio)} ({labels.interval(result.lower, result.upper)})"
    reduction = (
        f"{labels.number(result.reduction_pct)} %"
        f" ({labels.interval(result.reduction_lower, result.reduction_upper)})"
    )
    return (
        f"Peak g of {result.a} is {ratio} times that of {result.b}: a reduction of {reduction},"
        " 90 % intervals."
    )


def comparisons_answer(comparisons: Sequence[Comparison]) -> str:
    """Reduction of peak g against bare drops, model by model, the largest first."""
    known = [each for each in comparisons if each.reduction_pct is not None]
    ordered = sorted(known, key=lambda each: -(each.reduction_pct or 0))
    reductions = labels.listed(f"{each.b} by {reduction(each)}" for each in ordered)
    return f"Against bare drops peak g is reduced: {reductions}; 90 % intervals." if known else ""


def reduction(result: Comparison) -> str:
    """Reduction of peak g with its interval, for one cell."""
    if result.reduction_pct is None:
        return labels.ABSENT
    ends = labels.interval(result.reduction_lower, result.reduction_upper)
    return f"{labels.number(result.reduction_pct)} % ({ends})"


def blocks(result: Comparison, voided: Sequence[VoidedDrop]) -> Iterator[Block]:
    """The ratio, what was voided and whether that would change it."""
    yield Words(comparison_sentence(result))
    yield against(result.a).table([result])
    if result.voided_a or result.voided_b:
        yield from beside.voided(voided)
        outside = (
            result.ratio_with_voided is not None
            and result.lower is not None
            and result.upper is not None
            and not result.lower <= result.ratio_with_voided <= result.upper
        )
        yield Words(
            "With the voided readings put back the ratio is"
            f" {labels.number(result.ratio_with_voided)},"
            f" {'OUTSIDE' if outside else 'within'} the interval."
        )
    yield beside.rests_on(result.basis)
    yield Words(labels.RELATIVE, is_note=True)


def json(result: Comparison, voided: Sequence[VoidedDrop]) -> dict[str, Any]:
    """Object of ``compare --json``."""
    return {
        "a": result.a,
        "b": result.b,
        "drops": {"a": result.drops_a, "b": result.drops_b},
        "cases": {"a": result.cases_a, "b": result.cases_b},
        **as_json.named(
            result,
            (
                "ratio",
                "lower",
                "upper",
                "reduction_pct",
                "reduction_lower",
                "reduction_upper",
            ),
        ),
        "voided": {"a": result.voided_a, "b": result.voided_b},
        "ratio_with_voided": result.ratio_with_voided,
        "voided_drops": as_json.voided_drops(voided),
        "basis": result.basis,
    }


def _side(cases: int, drops: int) -> str:
    return f"{counted(drops, 'drop')} {'bare' if not cases else 'of ' + counted(cases, 'case')}"


def _rests_on(found: LogRatio | OrientationClaim) -> str:
    return f"{_side(found.cases_a, found.drops_a)} against {_side(found.cases_b, found.drops_b)}"


def claim_sentence(a: str, b: str, kind: str, claim: Claim) -> str:
    """The claim in one sentence fit for a data sheet."""
    when = "" if claim.at_drop is None else f" after {counted(claim.at_drop, 'drop')} of wear"
    head = f"{b} reduces peak g against {a} by at least {claim.reduction_at_least_pct:g} %{when}"
    stated = f"reduction {labels.number(claim.reduction_pct)} %" + (
        ", no interval known"
        if claim.reduction_lower is None or claim.reduction_upper is None
        else f" ({labels.share(claim.confidence)} interval"
        f" {_ends(claim.reduction_lower, claim.reduction_upper)})"
    )
    return f"{claim.verdict.upper()}: {head} ({kind}; {stated}; {_rests_on(claim.overall)})."


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
    verdicts = "; ".join(
        f"{verdict} for {labels.listed(names)}" for verdict, names in judged.items()
    )
    return f"Reduces peak g of bare drops by at least {least:g} %: {verdicts}."


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
                f"Drop {claim.at_drop} is beyond the last drop of some case: its line was"
                " extrapolated.",
                is_note=True,
            )
        if claim.unshared_orientations:
            left_out = labels.listed(claim.unshared_orientations)
            yield Words(f"Left out, seen on one side only: {left_out}.", is_note=True)
        if found.with_voided is not None:
            yield Words(_put_back(claim, found.with_voided), is_note=True)
        yield beside.rests_on(claim.basis)


def claim_blocks(answer: ClaimAnswer) -> Iterator[Block]:
    """The claim, what was voided, and what it is a claim of."""
    yield from judged(answer)
    yield from beside.voided(answer.voided)
    if len(answer.by_kind) > 1:
        yield Words(
            "Device and dummy are judged separately: their peaks are not the same quantity."
        )
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


def claim_json(answer: ClaimAnswer, at_least_pct: float) -> dict[str, Any]:
    """Object of ``claim --json``."""
    return {"reduction_at_least_pct": at_least_pct, **asdict(answer)}
