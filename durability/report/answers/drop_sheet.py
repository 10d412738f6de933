"""A drop sheet: its first drops in the terminal, the whole as CSV and as a page to print."""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.report import labels, safety
from durability.report.blocks import Block, Column, Columns, Table, Words

if TYPE_CHECKING:
    from durability.plan.results import DropSheet, PlannedDrop

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
