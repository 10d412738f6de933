"""How many times the peak g of one case model, or of bare drops, is that of another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.wear.results import Comparison
    from durability.workflow.results import VoidedDrop


def against(a: str) -> Columns[Comparison]:
    """The table of others against ``a``; counts of both stand side by side."""
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
