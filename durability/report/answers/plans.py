"""How much to drop: to see a rise, to tell two models apart, to show that enough survive."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.plan.results import ContrastPlan, LabScatter, RisePlan


def _pct(log_sd: float | None) -> str:
    return labels.ABSENT if log_sd is None else f"{100.0 * log_sd:.2g} %"


def _scatter(scatter: Any, *, between: bool) -> str:
    """The scatter that a plan goes by, from case to case too, and what it rests on."""
    seen: LabScatter | None = scatter.seen
    words = f"scatter: {_pct(scatter.within)} from drop to drop"
    if between:
        words += f", {_pct(scatter.between)} from case to case"
    if seen is None:
        return f"{words}, as given"
    upper = _pct(seen.within_case_upper)
    if between:
        upper += f" and {_pct(seen.between_case_upper)}"
    level = labels.share(seen.level)
    return f"{words}, this lab's own ({seen.basis}; at {level} confidence at most {upper})"


def rise(
    rise_pct: float,
    power: float,
    scatter: Any,
    plans: Sequence[RisePlan],
    careful: Sequence[RisePlan] | None,
) -> Iterator[Block]:
    """Drops per case to see a rise."""
    first = plans[0]
    if first.drops_per_case is None:
        yield Words(
            f"A rise of {rise_pct:g} % per drop in {counted(first.cases, 'case')}: no number of"
            " drops up to 1000 is enough."
        )
    else:
        yield Words(
            f"A rise of {rise_pct:g} % per drop is seen with {labels.share(power)} probability in"
            f" {counted(first.cases, 'case')} after {counted(first.drops_per_case, 'drop')}."
        )
    yield from _enough(
        "cases",
        "drops per case",
        [(each.cases, each.drops_per_case) for each in plans],
        None if careful is None else [each.drops_per_case for each in careful],
    )
    yield Words(f"test: {first.test}; power by the noncentral t distribution, exact")
    yield Words(_scatter(scatter, between=False))
    yield Words(
        "The verdict of trend, which takes no straight line for granted, has about 5 points less;"
        " the running alarm, which judges at every drop, has been raised in fewer than half by"
        " then."
    )


def contrast(
    difference_pct: float,
    power: float,
    scatter: Any,
    plans: Sequence[ContrastPlan],
    careful: Sequence[ContrastPlan] | None,
) -> Iterator[Block]:
    """Cases per model to tell two models apart."""
    first = plans[0]
    yield Words(
        f"A difference of {difference_pct:g} % between two models: "
        + (
            f"{labels.share(power)} probability to tell it with"
            f" {counted(first.cases_per_model, 'case')} of each,"
            f" {counted(first.drops_per_case, 'drop')} per case."
            if first.cases_per_model is not None
            else "no number of cases up to 1000 of each is enough."
        )
    )
    yield from _enough(
        "drops per case",
        "cases of each",
        [(each.drops_per_case, each.cases_per_model) for each in plans],
        None if careful is None else [each.cases_per_model for each in careful],
    )
    yield Words(f"test: {first.test}; power by the noncentral t distribution, exact")
    yield Words(_scatter(scatter, between=True))


def _enough(
    given: str,
    wanted: str,
    plans: Sequence[tuple[int, int | None]],
    careful: Sequence[int | None] | None,
) -> Iterator[Block]:
    """How many are enough with so many of the other; by the upper limit of the scatter too."""

    def cell(value: int | None) -> str:
        return "over 1000" if value is None else str(value)

    columns: list[Column[tuple[int, int | None, int | None]]] = [
        Column(given, lambda plan: plan[0], right=True),
        Column(wanted, lambda plan: cell(plan[1]), right=True),
    ]
    if careful is not None:
        columns.append(Column("to be careful", lambda plan: cell(plan[2]), right=True))
    upper = [None] * len(plans) if careful is None else careful
    yield Columns("", *columns).table(
        (at, value, most) for (at, value), most in zip(plans, upper, strict=True)
    )
    if careful is not None:
        yield Words("To be careful: by the upper limit of the lab's scatter.")


def json(
    asked: Mapping[str, float],
    scatter: Any,
    plans: Sequence[RisePlan] | Sequence[ContrastPlan],
    careful: Sequence[RisePlan] | Sequence[ContrastPlan] | None,
) -> dict[str, Any]:
    """Object of ``plan rise --json`` and ``plan tell-apart --json``."""
    return {
        **asked,
        "scatter": asdict(scatter),
        "plans": [asdict(each) for each in plans],
        "plans_careful": None if careful is None else [asdict(each) for each in careful],
    }


SO_FAR = Columns[Any](
    "Shown so far",
    Column("model", "case_model", wrap=True),
    Column("cases", lambda each: 0 if each.shown is None else each.shown.cases, right=True),
    Column("failed", lambda each: 0 if each.shown is None else each.shown.failures, right=True),
    Column("not yet", "not_yet", right=True),
    Column(
        "reliability at least",
        lambda each: None if each.shown is None else f"{each.shown.reliability:.3f}",
        right=True,
    ),
    Column(
        "by which rule",
        lambda each: "no case has come so far" if each.shown is None else each.shown.rule,
        wrap=True,
    ),
)


def survival(plan: Any) -> Iterator[Block]:
    """How many cases must survive, and what has been shown."""
    allowed = (
        "none may fail"
        if plan.failures_allowed == 0
        else f"at most {plan.failures_allowed} may fail"
    )
    yield Words(
        f"{labels.share(plan.reliability)} reliability at {labels.share(plan.confidence)}"
        f" confidence over {counted(plan.drops, 'drop')}: {counted(plan.cases, 'case')}, {allowed}."
    )
    yield Words(f"rule: {plan.rule}; the unit is the case, not the drop")
    if not plan.so_far:
        yield Words("No case with drops in this store yet.")
        return
    yield SO_FAR.table(plan.so_far)
    yield Words(
        f"Reliability: lower limit at {labels.share(plan.confidence)} confidence on the fraction of"
        f" cases that survive {counted(plan.drops, 'drop')}."
        " Not yet: still working after fewer drops."
    )
