"""One case model against another: the ratio of their peak g, and a claimed reduction."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.record.vocabulary import BARE
from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words
from durability.wear.results import Comparison, RatioAtWear

if TYPE_CHECKING:
    from durability.record.records import Condition
    from durability.wear.results import (
        Claim,
        CushionCurve,
        CushionPoint,
        LogRatio,
        OrientationClaim,
        PeakMean,
    )
    from durability.workflow.results import ClaimAnswer, NamedDrop


def _worn(by_wear: Sequence[RatioAtWear]) -> str:
    """The reduction fresh and worn side by side."""
    ends = dict.fromkeys((*by_wear[:1], *by_wear[-1:]))
    return ", ".join(
        f"{labels.number(each.reduction_pct)} % "
        + ("fresh" if each.drops == 1 else f"after {counted(each.drops, 'drop')}")
        for each in ends
    )


COMPARED = Columns[Comparison](
    "Peak g of A against B; cases (bare: devices) and drops as A/B",
    Column("A", "a", wrap=True),
    Column("B", "b", wrap=True),
    Column("A/B, times (90 %)", lambda e: labels.with_interval(e.ratio, e.lower, e.upper)),
    Column(
        "B lowers A by, % (90 %)",
        lambda e: labels.with_interval(e.reduction_pct, e.reduction_lower, e.reduction_upper),
    ),
    Column("cases", lambda e: f"{e.cases_a}/{e.cases_b}", right=True),
    Column("condition", lambda e: labels.compared_under(e.condition), wrap=True),
    Column("drops", lambda e: f"{e.drops_a}/{e.drops_b}", right=True, wide=True),
    Column("voided", lambda e: f"{e.voided_a}/{e.voided_b}", right=True, wide=True),
    Column("times, voided included", "ratio_with_voided", right=True, wide=True),
    Column("reduction by wear", lambda e: _worn(e.by_wear) or None, wrap=True, wide=True),
    Column("rests on", "basis", wide=True),
)
"""The table of a comparison, on the page of several."""


def _by_wear(result: Comparison) -> Columns[RatioAtWear]:
    return Columns[RatioAtWear](
        f"By wear, {result.a}/{result.b}: {labels.compared_under(result.condition)}",
        Column("after drops", "drops", right=True),
        Column("times (90 %)", lambda e: labels.with_interval(e.ratio, e.lower, e.upper)),
        Column("reduction, %", "reduction_pct", right=True),
        Column("cases", lambda e: f"{e.cases_a}/{e.cases_b}", right=True),
    )


def comparison_sentence(result: Comparison) -> str:
    """By how much B lowers the peak g of A, and the ratio, in a sentence."""
    if result.ratio is None or result.reduction_pct is None:
        return f"{result.a} against {result.b}: can't be compared ({result.basis})."
    ratio = f"{labels.number(result.ratio)} ({labels.interval(result.lower, result.upper)})"
    ends = result.reduction_lower, result.reduction_upper
    if result.reduction_pct < 0:
        verb, by = "raises", -result.reduction_pct
        ends = tuple(None if end is None else -end for end in reversed(ends))  # type: ignore[assignment]
    else:
        verb, by = "lowers", result.reduction_pct
    return (
        f"{result.b} {verb} the peak g of {result.a} by {labels.number(by)} %"
        f" ({labels.interval(*ends)}): {result.a} has {ratio} times the peak g of {result.b}; 90 %"
        f" intervals ({labels.compared_under(result.condition)})."
    )


def comparisons_answer(comparisons: Sequence[Comparison]) -> str:
    """Reduction of peak g against bare drops, model by model, the largest first."""
    known = [each for each in comparisons if each.reduction_pct is not None]
    ordered = sorted(known, key=lambda each: -(each.reduction_pct or 0))
    apart = len({each.condition for each in known}) > 1
    reductions = labels.listed(
        f"{each.b} by {reduction(each)}"
        + (f" under {labels.compared_under(each.condition)}" if apart else "")
        for each in ordered
    )
    return f"Against bare drops peak g is reduced: {reductions}; 90 % intervals." if known else ""


def reduction(result: Comparison) -> str:
    """Reduction of peak g with its interval, for one cell."""
    if result.reduction_pct is None:
        return labels.ABSENT
    ends = labels.interval(result.reduction_lower, result.reduction_upper)
    return f"{labels.number(result.reduction_pct)} % ({ends})"


def every(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """Each comparison under each of its conditions."""
    return [each for result in comparisons for each in (result, *result.others)]


def blocks(result: Comparison, voided: Sequence[NamedDrop]) -> Iterator[Block]:
    """The ratio, what was voided and whether that would change it."""
    yield Words(comparison_sentence(result))
    yield COMPARED.table(every([result]))
    for each in every([result]):
        if each.by_wear:
            yield _by_wear(each).table(each.by_wear)
    if any(each.voided_a or each.voided_b for each in every([result])):
        yield from beside.named("Voided", voided)
        for each in every([result]):
            if each.ratio_with_voided is not None:
                yield Words(_with_voided(each))
    for each in every([result]):
        yield beside.rests_on(each.basis)
    yield Words(labels.RELATIVE, is_note=True)


def _with_voided(result: Comparison) -> str:
    outside = (
        result.ratio_with_voided is not None
        and result.lower is not None
        and result.upper is not None
        and not result.lower <= result.ratio_with_voided <= result.upper
    )
    return (
        "With the voided readings included the ratio is"
        f" {labels.number(result.ratio_with_voided)}"
        f" ({labels.compared_under(result.condition)}),"
        f" {'OUTSIDE' if outside else 'within'} the interval."
    )


def json(result: Comparison, voided: Sequence[NamedDrop]) -> dict[str, Any]:
    """Object of ``compare --json``."""
    return {
        **_json(result),
        "voided_drops": as_json.named_drops(voided),
        "others": [_json(each) for each in result.others],
    }


def _json(result: Comparison) -> dict[str, Any]:
    names = (
        "ratio",
        "lower",
        "upper",
        "reduction_pct",
        "reduction_lower",
        "reduction_upper",
    )
    return {
        "condition": as_json.condition(result.condition),
        "a": result.a,
        "b": result.b,
        "drops": {"a": result.drops_a, "b": result.drops_b},
        "cases": {"a": result.cases_a, "b": result.cases_b},
        **as_json.named(result, names),
        "by_wear": [asdict(each) for each in result.by_wear],
        "voided": {"a": result.voided_a, "b": result.voided_b},
        "ratio_with_voided": result.ratio_with_voided,
        "basis": result.basis,
    }


LATER = "drops 2 to 5"


def _mean(mean: PeakMean | None) -> str | None:
    return None if mean is None else labels.with_interval(mean.value, mean.lower, mean.upper)


def _cases(point: CushionPoint) -> str:
    counts = [0 if mean is None else mean.cases for mean in (point.first_g, point.later_g)]
    return "/".join(map(str, dict.fromkeys(counts)))


def cushion_columns(curve: CushionCurve) -> Columns[CushionPoint]:
    """The table of the case models under one condition."""
    return Columns["CushionPoint"](
        f"Peak g by static stress: {curve.words}; means over cases, {labels.share(curve.level)}"
        " intervals",
        Column("case model", "case_model", wrap=True),
        Column("static stress, kPa", "static_stress_kpa", right=True),
        Column("pad, mm", "pad_thickness_mm", right=True),
        Column("first drop, g", lambda e: _mean(e.first_g)),
        Column(f"{LATER}, g", lambda e: _mean(e.later_g)),
        Column("wear between, %", lambda e: _mean(e.wear_pct)),
        Column("cases", _cases, right=True),
    )


CUSHION_METHOD = (
    "First drop of each case, and the mean of its drops 2 to 5, into which the first is never"
    " averaged (ASTM D1596). Static stress: weight of what the pad carries over its area."
)
CUSHION_LIMITS = (
    "No curve is drawn through case models: they may differ in foam and build. A published curve"
    " describes the material alone."
)


def cushion_answer(curves: Sequence[CushionCurve]) -> str:
    """Which case model peaks lowest, at which static stress, and what wears from the first drop."""
    if not curves:
        return labels.NOTHING["pads"]
    curve = curves[0]
    by_name = {point.case_model: point for point in curve.points}
    point = by_name[curve.lowest] if curve.lowest else curve.points[0]
    at = f"{point.case_model} ({labels.number(point.static_stress_kpa)} kPa)"
    peaks = [
        f"{words} {labels.number(mean.value)} g"
        for words, mean in (("first drop", point.first_g), (LATER, point.later_g))
        if mean is not None
    ]
    if point.wear_pct is not None:
        peaks[-1] += f", {labels.percent(point.wear_pct.value)} %"
    head = at
    if curve.lowest:
        clear = "" if curve.is_clear else f", not clearly at {labels.share(curve.level)}"
        head = f"Of {len(by_name)} case models {at} peaks lowest{clear}"
    return f"{head}: {labels.listed(peaks)} ({curve.words})."


def cushions(curves: Sequence[CushionCurve], command: str = "") -> Iterator[Block]:
    """Peak g by static stress, as the page shows it."""
    yield Words(cushion_answer(curves))
    for curve in curves:
        yield cushion_columns(curve).table(curve.points, command)
    yield Words(f"{CUSHION_METHOD} {CUSHION_LIMITS}", is_note=True)


def cushions_json(curves: Sequence[CushionCurve]) -> list[dict[str, Any]]:
    """What ``plot cushion --json`` gives beside its answer."""
    return [{**asdict(each), "condition": as_json.condition(each.condition)} for each in curves]


def _rests_on(a: str, b: str, found: LogRatio | OrientationClaim) -> str:
    sides = ((a, found.cases_a, found.drops_a), (b, found.cases_b, found.drops_b))
    return " against ".join(
        f"{counted(drops, 'drop')} "
        + (
            f"bare of {counted(cases, 'device')}"
            if name == BARE
            else f"of {counted(cases, 'case')}"
        )
        for name, cases, drops in sides
    )


def claim_sentence(answer: ClaimAnswer, condition: Condition, claim: Claim) -> str:
    """The claim in one sentence fit for a data sheet."""
    when = "" if claim.at_drop is None else f" after {counted(claim.at_drop, 'drop')} of wear"
    head = (
        f"{answer.b} reduces peak g against {answer.a} by at least"
        f" {claim.reduction_at_least_pct:g} %{when}"
    )
    stated = f"reduction {labels.number(claim.reduction_pct)} %" + (
        ", no interval known"
        if claim.reduction_lower is None or claim.reduction_upper is None
        else f" ({labels.share(claim.confidence)} interval"
        f" {_ends(claim.reduction_lower, claim.reduction_upper)})"
    )
    rests_on = _rests_on(answer.a, answer.b, claim.overall)
    parts = (condition.words, stated, _worn(claim.by_wear), rests_on)
    return f"{claim.verdict.upper()}: {head} ({'; '.join(part for part in parts if part)})."


def guard_sentences(claim: Claim) -> Iterator[str]:
    """The risks of either decision, and the guard band for the uncertainty of readings."""
    guard = claim.guard
    if guard.false_accept_risk is None or guard.acceptance_limit_guarded_pct is None:
        yield "Risks of a false decision: not known, since the interval is not."
        return
    yield (
        f"Risk of a false decision, readings counted (JCGM 106): accepted, the claim is false with"
        f" a probability of {_risk(guard.false_accept_risk)}; rejected, it is true with"
        f" {_risk(guard.false_reject_risk)}."
    )
    parts = labels.listed(
        f"{part.source} "
        + (
            f"not evaluated ({part.words})"
            if part.standard_pct is None
            else f"{labels.number(part.standard_pct)} % ({part.words})"
        )
        for part in guard.parts
    )
    if guard.reading_pct is None:
        yield (
            f"Uncertainty of readings: {parts}. There is no guard band without it; it is stated by"
            " durability sensor calibrate and sensor mount, --uncertainty-pct."
        )
        return
    yield (
        f"Standard uncertainty of the ratio by readings: {labels.number(guard.reading_pct)} %:"
        f" {parts}. Guard band {labels.number(guard.guard_band_pct)} points: guarded acceptance"
        f" shows the claim from a reduction of"
        f" {labels.number(guard.acceptance_limit_guarded_pct, 4)} % on ({guard.verdict_guarded}),"
        f" simple from {labels.number(guard.acceptance_limit_simple_pct, 4)} %"
        f" ({guard.verdict_simple}). Acceptance: {guard.acceptance}."
    )


def _risk(probability: float | None) -> str:
    """A probability in percent, with the digits that matter where it is small."""
    if probability is None:
        return labels.ABSENT
    if probability < 0.0005:
        return "less than 0.05 %"
    if probability > 0.9995:
        return "more than 99.95 %"
    return f"{labels.number(100 * probability, 2 if probability < 0.99 else 4)} %"


def _settling(claim: Claim) -> str | None:
    """What more drops would settle it."""
    if claim.verdict != "not shown":
        return None
    if claim.overall.between_case_unknown:
        return (
            "To settle it: drop at least 2 cases, for with one case alone nothing is known about"
            " how cases of the model differ"
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
            judged.setdefault(verdict, []).append(f"{each.b} ({found.condition.words})")
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
        "By orientation; drops and cases (bare: devices) of both sides",
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


def judged(answer: ClaimAnswer, under: Sequence[str] = ()) -> Iterator[Block]:
    """The claim under each condition, as terminal and page show it.

    Parameters
    ----------
    answer : ClaimAnswer
        As judged.
    under : sequence of str
        Options by which a call asks for these conditions.
    """
    for found in answer.by_kind:
        claim = found.claim
        if claim is None:
            yield Words(f"{answer.b}, {found.condition.words}: can't be judged: {found.reason}.")
            continue
        yield Words(claim_sentence(answer, found.condition, claim))
        command = f"durability claim {shlex.quote(answer.a)} {shlex.quote(answer.b)}"
        command += f" --at-least {claim.reduction_at_least_pct:g} --level {claim.confidence:g}"
        command = " ".join([command, *map(shlex.quote, under)])
        yield by_orientation(claim.confidence).table(_rows(claim), command)
        yield Words(f"Decision rule: {claim.decision_rule}.", is_note=True)
        yield from map(Words, guard_sentences(claim))
        more = _settling(claim)
        if more:
            yield Words(f"{more}.", is_note=True)
        if claim.unshared_orientations:
            left_out = labels.listed(claim.unshared_orientations)
            yield Words(f"Left out, seen on one side only: {left_out}.", is_note=True)
        if found.with_voided is not None:
            yield Words(f"{beside.PUT_BACK}: {_again(claim, found.with_voided)}", is_note=True)
        if found.without_in_doubt is not None:
            yield Words(f"{beside.LEFT_OUT}: {_again(claim, found.without_in_doubt)}", is_note=True)
        elif found.in_doubt_a or found.in_doubt_b:
            yield Words(f"{beside.LEFT_OUT} too few are left to judge the claim.", is_note=True)
        yield beside.rests_on(claim.basis)
    yield from beside.named("In doubt", answer.in_doubt)


def claim_blocks(answer: ClaimAnswer) -> Iterator[Block]:
    """The claim, what was voided, and what it is a claim of."""
    yield from judged(answer)
    yield from beside.named("Voided", answer.voided)
    if len(answer.by_kind) > 1:
        yield Words(
            "Each condition is judged separately: peaks of devices and dummies, of other heights or"
            " surfaces, are not the same quantity."
        )
    yield Words(labels.RELATIVE, is_note=True)


def _again(claim: Claim, again: Claim) -> str:
    """What other readings would make of the claim."""
    return (
        f"{again.verdict}, reduction"
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
