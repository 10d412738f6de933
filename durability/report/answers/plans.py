"""Plans: how many cases and drops, and the sheet to follow."""

from __future__ import annotations

import html
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.record.basis import MIN_DROPS_FOR_TREND, counted
from durability.record.whole_file import csv_text
from durability.report import labels, safety
from durability.report.blocks import Block, Column, Columns, Table, Words

if TYPE_CHECKING:
    from durability.devices.results import LookPlan, NextLooks
    from durability.plan.results import (
        Allocation,
        ContrastPlan,
        DropSheet,
        LabScatter,
        NextDrops,
        PlannedDrop,
        RisePlan,
    )
    from durability.record.records import Condition


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
    if any((each.drops_per_case or MIN_DROPS_FOR_TREND) < MIN_DROPS_FOR_TREND for each in plans):
        yield Words(f"With fewer than {MIN_DROPS_FOR_TREND} drops trend answers: too few.")


def contrast(
    difference_pct: float,
    power: float,
    scatter: Any,
    plans: Sequence[ContrastPlan],
    careful: Sequence[ContrastPlan] | None,
) -> Iterator[Block]:
    """Cases per model to distinguish two models."""
    first = plans[0]
    yield Words(
        f"A difference of {difference_pct:g} % between two models: "
        + (
            f"{labels.share(power)} probability of detecting it with"
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
        columns.append(Column("conservative", lambda plan: cell(plan[2]), right=True))
    upper = [None] * len(plans) if careful is None else careful
    yield Columns("", *columns).table(
        (at, value, most) for (at, value), most in zip(plans, upper, strict=True)
    )
    if careful is not None:
        yield Words("Conservative: by the upper limit of the lab's scatter.")


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


_SO_FAR: tuple[Column[Any], ...] = (
    Column("model", "case_model", wrap=True),
    Column("cases", lambda each: 0 if each.shown is None else each.shown.cases, right=True),
    Column("failed", lambda each: 0 if each.shown is None else each.shown.failures, right=True),
    Column("not yet", "not_yet", right=True),
    Column("more needed", lambda each: each.more_cases, right=True),
    Column(
        "reliability at least",
        lambda each: None if each.shown is None else f"{each.shown.reliability:.3f}",
        right=True,
    ),
    Column(
        "by which rule",
        lambda each: "no case has reached it" if each.shown is None else each.shown.rule,
        wrap=True,
    ),
)


def so_far(condition: Condition) -> Columns[Any]:
    """The table of what was shown under one condition."""
    return Columns(f"Shown so far: {condition.words}", *_SO_FAR)


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
        yield Words(
            "No case with drops in this store yet; once one has made"
            f" {counted(plan.drops, 'drop')} or failed, this says which reliability its model has"
            " shown."
        )
        return
    for each in (plan, *plan.others):
        yield so_far(each.condition).table(each.so_far)
    yield Words(
        f"Reliability: lower limit at {labels.share(plan.confidence)} confidence on the fraction of"
        f" cases that survive {counted(plan.drops, 'drop')}."
        " Not yet: still working after fewer drops. More needed: cases, those of not yet among"
        " them, that must survive these drops, none failing, for the reliability above."
    )


def _of_now(fraction: float) -> str:
    return f"{100.0 * fraction:.0f} %"


_ALLOCATIONS: tuple[Column[Allocation], ...] = (
    Column("how", "name", wrap=True),
    Column("drops", lambda each: ", ".join(_shares(each)) or labels.ABSENT, wrap=True),
    Column("interval", lambda each: _of_now(each.interval_factor), right=True),
    Column("settled", lambda each: _of_now(each.chance_settled or 0.0), right=True),
)


def _shares(each: Allocation) -> list[str]:
    """Drops case by case, new cases of one model and number together."""
    new = Counter((own.case_model, own.drops) for own in each.cases if own.case is None)
    return [f"{own.case} {own.drops}" for own in each.cases if own.case is not None] + [
        f"{counted(count, 'new case')} of {model} {drops}" + (" each" if count > 1 else "")
        for (model, drops), count in new.items()
    ]


def next_drops(plan: NextDrops) -> Iterator[Block]:
    """Which cases to drop next, and what else could be done."""
    best = plan.allocations[0]
    asked = "which of the two rises faster" if plan.question == "faster" else "whether it lasts"
    if plan.settled:
        yield Words(f"No doubt is left now {asked}; further drops narrow the interval.")
    yield Words(f"Drop next: {', '.join(_shares(best))}.")
    now = (
        f"{plan.estimate_pct:+.2g} % per drop, {labels.share(plan.level)} interval"
        f" {plan.lower_pct:+.2g} to {plan.upper_pct:+.2g} %"
    )
    names = " against ".join(plan.case_models)
    if plan.question == "faster":
        yield Words(f"{names}, {plan.condition.words}: difference in rise now {now}.")
    else:
        yield Words(
            f"{names}, {plan.condition.words}: rise now {now}; a case that rises by"
            f" {plan.allowed_pct:.2g} % per drop just lasts {plan.to_last} drops."
        )
    yield Columns(
        f"Ways to spend {counted(plan.drops, 'drop')} and at most"
        f" {counted(plan.new_cases, 'new case')}",
        *_ALLOCATIONS,
    ).table(plan.allocations)
    yield Words(
        "Interval: width expected after these drops, as a share of that now. Settled: chance that"
        f" it then leaves no doubt {asked}."
    )
    yield Words(
        "Straight wear of each case is assumed, its drops at the height and on the surface above;"
        f" from case to case rises differ by about {plan.between_case_sd_pct:.2g} % per drop."
        " Failure by damage is left out."
    )
    yield Words(f"! {safety.CAUTIONS[0]}")
    yield Words(f"basis: {plan.basis}")


SHOWN_LOOK_PLANS = 8
"""Ways to look that a terminal shows."""

_LOOK_PLANS: tuple[Column[LookPlan], ...] = (
    Column("inspect on", lambda each: each.inspect_on.isoformat()),
    Column("which", "choice", wrap=True),
    Column("dropped before", "drops_on", wrap=True),
    Column("failures", lambda each: f"{each.expected_failures:.2g}", right=True),
    Column("interval", lambda each: _of_now(each.expected_interval_factor), right=True),
)


def next_looks(plan: NextLooks) -> Iterator[Block]:
    """When to inspect which devices next, and what else could be done."""
    if not plan.plans:
        yield Words(f"No plan: {plan.basis}.")
        return
    best = plan.plans[0]
    yield Words(
        f"Inspect on {best.inspect_on.isoformat()}: {', '.join(best.devices)}."
        + (
            f" Drops before, on: {best.drops_on}."
            if best.drops_on != "none"
            else " No drops before." * bool(plan.drops)
        )
    )
    yield Columns(
        f"Ways to spend {counted(plan.looks, 'inspection')} and {counted(plan.drops, 'drop')}",
        *_LOOK_PLANS,
    ).table(plan.plans[:SHOWN_LOOK_PLANS])
    if len(plan.plans) > SHOWN_LOOK_PLANS:
        yield Words(f"and {len(plan.plans) - SHOWN_LOOK_PLANS} more in --json")
    yield Words(
        "Failures: those that the round is expected to find. Interval: width of the interval of the"
        " effect of shocks expected after it, as a share of that now."
    )
    if plan.drops:
        yield Words(f"! {safety.CAUTIONS[0]}")
    yield Words(f"basis: {plan.basis}")


def next_json(plan: NextDrops | NextLooks) -> dict[str, Any]:
    """Object of ``plan next --json``."""
    found = asdict(plan)
    if "plans" in found:
        found = {"question": "link", **found}
        for each in found["plans"]:
            each["inspect_on"] = each["inspect_on"].isoformat()
    return found


SHOWN_DROPS = 12
"""Drops of a sheet that a terminal shows."""

DROPS: Columns[PlannedDrop] = Columns(
    "",
    Column("place", "place", right=True),
    Column("item", "item"),
    Column("group", "group"),
    Column("drop of item", "item_drop", right=True),
    Column("orientation", "orientation"),
    Column("rest at least, s", lambda drop: f"{drop.rest_s:g}", right=True),
)


def blocks(sheet: DropSheet) -> Iterator[Block]:
    """The first drops of a sheet, what to beware of and when to stop."""
    items = {drop.item for drop in sheet.drops}
    yield Words(
        f"{counted(len(sheet.drops), 'drop')} of {counted(len(items), 'item')}, seed"
        f" {sheet.seed}, sha256 {sheet.sha256[:16]}.."
    )
    yield DROPS.table(sheet.drops[:SHOWN_DROPS])
    if len(sheet.drops) > SHOWN_DROPS:
        yield Words(f"and {len(sheet.drops) - SHOWN_DROPS} more in the file (-o FILE.csv)")
    for line in _safety(sheet):
        yield Words(f"! {line}")
    for rule in sheet.stop_rules:
        yield Words(f"rule: {rule.words}")
    for note in sheet.notes:
        yield Words(f"note: {note}")


def as_csv(sheet: DropSheet, made_on: str) -> str:
    """The sheet as CSV text, with its hash and its rules in comment lines."""
    head = f"# drop sheet of {made_on}, seed {sheet.seed}, sha256 {sheet.sha256}\n"
    for rule in sheet.stop_rules:
        head += f"# stop rule: {rule.what} {rule.threshold!r}: {rule.words}\n"
    for note in (*_safety(sheet), *sheet.notes):
        head += f"# note: {note}\n"
    columns = ("place", "repeat", "group", "item", "item_drop", "orientation", "rest_s")
    rows = (
        (
            drop.place,
            drop.repeat,
            drop.group,
            drop.item,
            drop.item_drop,
            drop.orientation,
            f"{drop.rest_s:g}",
        )
        for drop in sheet.drops
    )
    return head + csv_text(columns, rows)


def _safety(sheet: DropSheet) -> list[str]:
    """What whoever follows the sheet is to know first."""
    lines = []
    if sheet.quarantined:
        lines.append(
            f"left out: {labels.listed(sheet.quarantined)}, {labels.QUARANTINED}; not to be dropped"
            " until a named person clears it"
        )
    lines.append(safety.CAUTIONS[0])
    if sheet.cracked_glass:
        lines.append(f"{labels.listed(sheet.cracked_glass)}: {safety.EYE_PROTECTION}")
    return lines


_PAGE = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Drop sheet {made_on}</title>
<style>
body {{ font: 10pt/1.35 sans-serif; margin: 1.5cm; color: #000; background: #fff; }}
h1 {{ font-size: 14pt; margin: 0 0 .3em; }}
table {{ border-collapse: collapse; width: 100%; margin: .8em 0; }}
th, td {{ border: 1px solid #444; padding: .25em .4em; text-align: left; }}
td.n, th.n {{ text-align: right; }}
thead {{ display: table-header-group; }}
tr {{ break-inside: avoid; }}
td.blank {{ min-width: 4em; }}
code {{ word-break: break-all; }}
@page {{ margin: 1cm; }}
</style>
</head>
<body>
<h1>Drop sheet of {made_on}</h1>
<p>{drops}, seed {seed}, sha256 <code>{sha256}</code>. Follow it in this order; write down each
deviation with its reason.</p>
<ul>
{rules}
</ul>
{drops_table}
<h1>Who sees which orientation</h1>
{coverage}
<p>Faces: 1 top, 2 right side, 3 bottom, 4 left side, 5 near end, 6 far end; an edge is named by
its two faces, a corner by its three (ISO 2206).</p>
<p>Dropped by: ______________________ &nbsp; Date: ______________ &nbsp; Checked by:
______________________</p>
</body>
</html>
"""


def as_page(sheet: DropSheet, coverage: Mapping[str, Mapping[str, int]], made_on: str) -> str:
    """The sheet as one self-contained HTML page to print, with room to write.

    Parameters
    ----------
    sheet : DropSheet
        As planned.
    coverage : mapping
        Drops by orientation, then by item.
    made_on : str
        Date.

    Returns
    -------
    str
        HTML; every code is escaped.
    """
    items = sorted({drop.item for drop in sheet.drops})
    drops = DROPS.table(sheet.drops)
    seen = Columns[tuple[str, Mapping[str, int]]](
        "",
        Column("orientation", lambda row: row[0]),
        *(
            Column(item, lambda row, item=item: str(row[1][item] or ""), right=True)  # type: ignore[misc]
            for item in items
        ),
    ).table(coverage.items())
    rules = [*_safety(sheet), *(rule.words for rule in sheet.stop_rules), *sheet.notes]
    return _PAGE.format(
        made_on=html.escape(made_on),
        drops=counted(len(sheet.drops), "drop"),
        seed=sheet.seed,
        sha256=sheet.sha256,
        rules="\n".join(f"<li>{html.escape(rule)}</li>" for rule in rules),
        drops_table=_html_table(drops, ("peak, g", "seen, deviations")),
        coverage=_html_table(seen),
    )


def _html_table(table: Table, to_fill_in: Sequence[str] = ()) -> str:
    """A table to print, with blank columns to write into."""

    def cells(tag: str, texts: Sequence[str]) -> str:
        number = [' class="n"' if at in table.right else "" for at in range(len(texts))]
        return "".join(
            f"<{tag}{place}>{html.escape(text)}</{tag}>"
            for place, text in zip(number, texts, strict=True)
        )

    blanks = '<td class="blank"></td>' * len(to_fill_in)
    rows = "\n".join(f"<tr>{cells('td', row)}{blanks}</tr>" for row in table.rows)
    heading = cells("th", [*table.columns, *to_fill_in])
    return f"<table>\n<thead><tr>{heading}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>"
