"""Blocks to Markdown, to paste into a report or a log."""

from __future__ import annotations

import re
from collections.abc import Iterable

from durability.record.errors import harmless
from durability.report.blocks import (
    Archive,
    Block,
    Folded,
    Items,
    Preformatted,
    Section,
    Table,
    Words,
)


def text(blocks: Iterable[Block | Section], title: str = "") -> str:
    """An answer as Markdown.

    Parameters
    ----------
    blocks : iterable of Block or Section
        A section has a heading; figures are left out.
    title : str
        Heading of the whole.

    Returns
    -------
    str
        Lines ended by a line feed, a blank line between two blocks.
    """
    heading = [f"# {title}\n"] if title else []
    return "\n".join([*heading, *filter(None, map(_markdown, blocks))])


def _markdown(block: Block | Section) -> str:
    if isinstance(block, Section):
        return f"## {block.title}\n\n{text(block.blocks)}"
    if isinstance(block, Words):
        return f"{block.text}\n"
    if isinstance(block, Items):
        return "".join(f"- {item}\n" for item in block.items)
    if isinstance(block, (Preformatted, Folded)):
        return f"```\n{block.text}\n```\n"
    if isinstance(block, Archive):
        return _markdown(block.table)
    return _markdown_table(block) if isinstance(block, Table) else ""


def _markdown_table(table: Table) -> str:
    caption = f"{table.caption}:\n\n" if table.caption else ""
    return caption + "".join(
        [
            _line(table.columns),
            _line(["---:" if at in table.right else "---" for at in range(len(table.columns))]),
            *map(_line, table.rows),
        ]
    )


def _escaped(cell: str) -> str:
    """A cell as it stands: no bar ends it, nothing in it is taken for a mark, a link or a tag."""
    return re.sub(r"([|`\[\]*\\])", r"\\\1", harmless(cell)).replace("<", "&lt;")


def _line(cells: Iterable[str]) -> str:
    """One row; bars within cells are escaped."""
    inner = " | ".join(" ".join(_escaped(cell).split()) for cell in cells)
    return f"| {inner} |\n"
