"""Plans to words, JSON and pages: power, survivors, and the drop sheet as CSV and HTML."""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels, safety, tables

if TYPE_CHECKING:
    from durability.results import ContrastPlan, DropSheet, LabScatter, RisePlan


def _pct(log_sd: float | None) -> str:
    return labels.ABSENT if log_sd is None else f"{100.0 * log_sd:.2g} %"


def scatter_words(within: float, between: float | None, seen: LabScatter | None) -> str:
    """The scatter that a plan goes by, and what it rests on."""
    words = f"scatter: {_pct(within)} from drop to drop"
    if between is not None:
        words += f", {_pct(between)} from case to case"
    if seen is None:
        return f"{words}, as given"
    return (
        f"{words}, this lab's own ({seen.basis}; at {labels.share(seen.level)} confidence at most"
        f" {_pct(seen.within_case_upper)}"
        + (f" and {_pct(seen.between_case_upper)}" if between is not None else "")
        + ")"
    )


def rise(
    rise_pct: float,
    power: float,
    words: str,
    plans: Sequence[RisePlan],
    careful: Sequence[RisePlan] | None,
) -> None:
    """Print drops per case to see a rise."""
    first = plans[0]
    enough = "no number of drops up to 1000 is enough"
    told = enough if first.drops_per_case is None else counted(first.drops_per_case, "drop")
    tables.say(
        f"A rise of {rise_pct:g} % per drop is seen with {labels.share(power)} probability in"
        f" {counted(first.cases, 'case')} after {told}."
        if first.drops_per_case is not None
        else f"A rise of {rise_pct:g} % per drop in {counted(first.cases, 'case')}: {enough}."
    )
    _both(
        "cases",
        "drops per case",
        [(each.cases, each.drops_per_case) for each in plans],
        None if careful is None else [each.drops_per_case for each in careful],
    )
    tables.say(f"test: {first.test}; power by the noncentral t distribution, exact")
    tables.say(words)
    tables.say(
        "The verdict of trend, which takes no straight line for granted, has about 5 points less;"
        " the running alarm, which looks at every drop, has told fewer than half by then."
    )


def contrast(
    difference_pct: float,
    power: float,
    words: str,
    plans: Sequence[ContrastPlan],
    careful: Sequence[ContrastPlan] | None,
) -> None:
    """Print cases per model to tell two models apart."""
    first = plans[0]
    tables.say(
        f"A difference of {difference_pct:g} % between two models: "
        + (
            f"{labels.share(power)} probability to tell it with"
            f" {counted(first.cases_per_model, 'case')} of each,"
            f" {counted(first.drops_per_case, 'drop')} per case."
            if first.cases_per_model is not None
            else "no number of cases up to 1000 of each is enough."
        )
    )
    _both(
        "drops per case",
        "cases of each",
        [(each.drops_per_case, each.cases_per_model) for each in plans],
        None if careful is None else [each.cases_per_model for each in careful],
    )
    tables.say(f"test: {first.test}; power by the noncentral t distribution, exact")
    tables.say(words)


def _both(
    given: str,
    wanted: str,
    rows: Sequence[tuple[int, int | None]],
    careful: Sequence[int | None] | None,
) -> None:
    def cell(value: int | None) -> str:
        return "over 1000" if value is None else str(value)

    headings = [given, wanted]
    cells = [[str(at), cell(value)] for at, value in rows]
    if careful is not None:
        headings.append("to be careful")
        cells = [[*row, cell(value)] for row, value in zip(cells, careful, strict=True)]
    tables.console().print(tables.grid(headings, cells, right=range(len(headings))))
    if careful is not None:
        tables.say("To be careful: by the upper limit of the lab's scatter.")


def survival(plan: Any) -> None:
    """Print how many cases must survive, and what has been shown."""
    allowed = (
        "none may fail"
        if plan.failures_allowed == 0
        else f"at most {plan.failures_allowed} may fail"
    )
    tables.say(
        f"{labels.share(plan.reliability)} reliability at {labels.share(plan.confidence)}"
        f" confidence over {counted(plan.drops, 'drop')}: {counted(plan.cases, 'case')}, {allowed}."
    )
    tables.say(f"rule: {plan.rule}; the unit is the case, not the drop")
    if not plan.so_far:
        tables.say("No case with drops in this store yet.")
        return
    tables.say("Shown so far:")
    tables.console().print(
        tables.grid(
            ("model", "cases", "failed", "not yet", "reliability at least", "by which rule"),
            (
                (
                    each.case_model or labels.ABSENT,
                    "0" if each.shown is None else str(each.shown.cases),
                    "0" if each.shown is None else str(each.shown.failures),
                    str(each.not_yet),
                    labels.ABSENT if each.shown is None else f"{each.shown.reliability:.3f}",
                    "no case has come so far" if each.shown is None else each.shown.rule,
                )
                for each in plan.so_far
            ),
            right=(1, 2, 3, 4),
            wrap=(0, 5),
        )
    )
    tables.say(
        f"Reliability: lower limit at {labels.share(plan.confidence)} confidence on the fraction of"
        f" cases that survive {counted(plan.drops, 'drop')}."
        " Not yet: still working after fewer drops."
    )


def sheet_csv(sheet: DropSheet, made_on: str) -> str:
    """The sheet as CSV text, with its hash and its rules in comment lines."""
    text = io.StringIO()
    text.write(f"# drop sheet of {made_on}, seed {sheet.seed}, sha256 {sheet.sha256}\n")
    for rule in sheet.stop_rules:
        text.write(f"# stop rule: {rule.what} {rule.threshold!r}: {rule.words}\n")
    for note in (*_safety(sheet), *sheet.notes):
        text.write(f"# note: {note}\n")
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(("place", "repeat", "group", "item", "item_drop", "orientation", "rest_s"))
    for drop in sheet.drops:
        rows.writerow(
            (
                drop.place,
                drop.repeat,
                drop.group,
                drop.item,
                drop.item_drop,
                drop.orientation,
                f"{drop.rest_s:g}",
            )
        )
    return text.getvalue()


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
<table>
<thead><tr><th class="n">place</th><th>item</th><th>group</th><th class="n">drop of item</th>
<th>orientation</th><th class="n">rest at least, s</th><th>peak, g</th><th>seen, deviations</th>
</tr></thead>
<tbody>
{rows}
</tbody>
</table>
<h1>Who sees which orientation</h1>
<table>
<thead><tr><th>orientation</th>{items}</tr></thead>
<tbody>
{coverage}
</tbody>
</table>
<p>Faces: 1 top, 2 right side, 3 bottom, 4 left side, 5 near end, 6 far end; an edge is named by
its two faces, a corner by its three (ISO 2206).</p>
<p>Dropped by: ______________________ &nbsp; Date: ______________ &nbsp; Checked by:
______________________</p>
</body>
</html>
"""


def sheet_page(sheet: DropSheet, coverage: Mapping[str, Mapping[str, int]], made_on: str) -> str:
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
    rules = [*_safety(sheet), *(rule.words for rule in sheet.stop_rules), *sheet.notes]
    return _PAGE.format(
        made_on=html.escape(made_on),
        drops=counted(len(sheet.drops), "drop"),
        seed=sheet.seed,
        sha256=sheet.sha256,
        rules="\n".join(f"<li>{html.escape(rule)}</li>" for rule in rules),
        rows="\n".join(
            f'<tr><td class="n">{drop.place}</td><td>{html.escape(drop.item)}</td>'
            f'<td>{html.escape(drop.group)}</td><td class="n">{drop.item_drop}</td>'
            f'<td>{html.escape(drop.orientation)}</td><td class="n">{drop.rest_s:g}</td>'
            '<td class="blank"></td><td class="blank"></td></tr>'
            for drop in sheet.drops
        ),
        items="".join(f'<th class="n">{html.escape(item)}</th>' for item in items),
        coverage="\n".join(
            f"<tr><td>{html.escape(orientation)}</td>"
            + "".join(f'<td class="n">{seen[item] or ""}</td>' for item in items)
            + "</tr>"
            for orientation, seen in coverage.items()
        ),
    )


def sheet(planned: DropSheet, shown: int = 12) -> None:
    """Print the first drops of a sheet and what it says of itself."""
    items = sorted({drop.item for drop in planned.drops})
    tables.say(
        f"{counted(len(planned.drops), 'drop')} of {counted(len(items), 'item')}, seed"
        f" {planned.seed}, sha256 {planned.sha256[:16]}.."
    )
    tables.console().print(
        tables.grid(
            ("place", "item", "group", "drop of item", "orientation", "rest, s"),
            (
                (
                    str(drop.place),
                    drop.item,
                    drop.group,
                    str(drop.item_drop),
                    drop.orientation,
                    f"{drop.rest_s:g}",
                )
                for drop in planned.drops[:shown]
            ),
            right=(0, 3, 5),
        )
    )
    if len(planned.drops) > shown:
        tables.say(f"and {len(planned.drops) - shown} more in the file (-o FILE.csv)")
    for line in _safety(planned):
        tables.say(f"! {line}")
    for rule in planned.stop_rules:
        tables.say(f"rule: {rule.words}")
    for note in planned.notes:
        tables.say(f"note: {note}")
