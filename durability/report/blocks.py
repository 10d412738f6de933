"""What an answer is made of, and that as Markdown; terminal and page only render it.

A file of ``report/answers`` is one answer: functions that take results and yield blocks. A table
is its ``Columns``, written once there; the page shows the same blocks by calling the same
functions. To add an answer: give its results a file in ``report/answers``, hand
``cli.show.show`` the blocks, and, where the page is to have it, let a section of
``report/page/sections.py`` take them too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from durability.record.errors import harmless
from durability.record.units import Quantity, of_column
from durability.record.vocabulary import BARE
from durability.report import labels

if TYPE_CHECKING:
    from markupsafe import Markup

Row = TypeVar("Row")

Reference = tuple[str, ...]
"""What a cell names: the kind of thing, then its code; of a drop its series and its number."""

UNFOLDED_ROWS = 12
"""Rows of a table shown open on the page; those beyond are folded away."""
MOST_ROWS = 5000
"""Rows of a table on the page: with more of them no browser opens it."""


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    is_note: bool = False
    """Small on the page: a legend, or what an answer rests on."""
    is_why: bool = False
    """A reason: left out of a short answer, as in every block that has it."""


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    items: Sequence[str]
    is_why: bool = False


@dataclass(frozen=True, slots=True)
class Preformatted:
    """Lines whose columns count: a plot drawn in letters."""

    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of ready texts; its first column names the row."""

    caption: str
    columns: Sequence[str]
    """Headings, with units."""
    rows: Sequence[Sequence[str]]
    right: frozenset[int] = frozenset()
    """Columns of numbers."""
    act: frozenset[int] = frozenset()
    """Rows that need action; their words say so too."""
    command: str = ""
    """What gives the same in the terminal; only the page names it."""
    wrap: frozenset[int] = frozenset()
    """Columns whose text may run over several lines of a terminal."""
    wide: frozenset[int] = frozenset()
    """Columns that a terminal has no room for."""
    short: Sequence[int] | None = None
    """Rows of a short answer; None: all."""
    is_why: bool = False
    names: Mapping[int, Sequence[Reference | None]] = field(default_factory=dict)
    """What the cells of a column name, row by row: a page of a server leads on to it."""

    def of_short_rows(self) -> Table:
        """The table of a short answer."""
        return self.of_rows(range(len(self.rows)) if self.short is None else self.short)

    def latest_first(self) -> Table:
        """The table from its last row to its first."""
        return self.of_rows(range(len(self.rows) - 1, -1, -1))

    def of_rows(self, kept: Sequence[int]) -> Table:
        """The table of these rows in this order."""
        return replace(
            self,
            rows=[self.rows[at] for at in kept],
            names={column: [named[at] for at in kept] for column, named in self.names.items()},
            act=frozenset(place for place, at in enumerate(kept) if at in self.act),
            short=None,
        )

    @property
    def numbered_rows(self) -> list[tuple[int, Sequence[str]]]:
        """Every row with its place."""
        return list(enumerate(self.rows))

    @property
    def open_rows(self) -> list[tuple[int, Sequence[str]]]:
        """Rows shown open."""
        return self.numbered_rows[: self._open]

    @property
    def folded_rows(self) -> list[tuple[int, Sequence[str]]]:
        """The others that the page has."""
        return self.numbered_rows[self._open : MOST_ROWS]

    @property
    def left_out(self) -> int:
        """Rows that the page does not have."""
        return max(len(self.rows) - MOST_ROWS, 0)

    @property
    def _open(self) -> int:
        # Folding away a row or two would only be in the way; a sheet of one thing is read whole.
        is_whole = len(self.rows) <= UNFOLDED_ROWS + 3 or not any(self.columns)
        return len(self.rows) if is_whole else UNFOLDED_ROWS


@dataclass(frozen=True, slots=True)
class Archive:
    """A table for whoever wants it: folded away on the page, left out of print and terminal."""

    table: Table


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure within the page; a terminal has none."""

    name: str
    draw: Callable[[], Markup]
    """Called as the page is laid out, when it is known how many there are."""
    caption: str


@dataclass(frozen=True, slots=True)
class Folded:
    """Long text that is opened by whoever wants it; left out of the terminal."""

    summary: str
    text: str


Block = Words | Items | Preformatted | Table | Archive | Drawing | Folded


def of_drop(row: Mapping[str, Any]) -> Reference | None:
    """The drop of a row that has its series and its number."""
    series, number = row.get("series"), row.get("drop_number")
    return None if series is None or not isinstance(number, int) else ("drop", series, str(number))


def why(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks as the reasons of an answer: on the page, and in a terminal by --why."""
    for block in blocks:
        yield replace(block, is_why=True) if isinstance(block, Words | Items | Table) else block


@dataclass(slots=True)
class Section:
    """A part of the page under its own heading."""

    name: str
    title: str
    blocks: list[Block] = field(default_factory=list)


# ------------------------------------------------------------------------------------ tables


@dataclass(frozen=True, slots=True)
class Column(Generic[Row]):
    """One column of a table."""

    heading: str
    """With its unit."""
    cell: str | Callable[[Row], Any]
    """Name of a field or of a column of the record (rows that lack it have nothing there), or what
    makes the cell of a row; whatever is no text yet is shown as ``labels.cell`` shows it."""
    right: bool = False
    """Numbers."""
    wrap: bool = False
    """Its text may run over several lines of a terminal."""
    wide: bool = False
    """Shown on the page only: 80 columns have no room for it."""
    quantity: Quantity | None = None
    """What a made cell holds, where its unit stands in the heading."""
    names: str | Callable[[Row], Reference | None] = ""
    """The kind of thing that its cells name, or what makes the reference of a row."""

    @property
    def shown_heading(self) -> str:
        """The heading with the unit that is shown."""
        named = self.cell if isinstance(self.cell, str) else ""
        return labels.heading(self.heading, self.quantity or of_column(named))

    def text(self, row: Row) -> str:
        """The cell of a row."""
        if callable(self.cell):
            return labels.text(self.cell(row))
        value = row.get(self.cell) if isinstance(row, Mapping) else getattr(row, self.cell)
        return labels.cell(self.cell, value)

    def reference(self, row: Row, text: str) -> Reference | None:
        """What the cell of a row names; None for nothing."""
        if callable(self.names):
            return self.names(row)
        return None if text.strip() in ("", labels.ABSENT, BARE) else (self.names, text.strip())


class Columns(Generic[Row]):
    """A table before it has rows: its columns, written once.

    Parameters
    ----------
    caption : str
        What it shows and in which order.
    *columns : Column
        From left to right; the first names the row.
    order : callable, optional
        Key by which rows are sorted; without it they stay as they are given.
    act : callable, optional
        Whether a row needs action; without it a row does when a cell says so (see
        ``labels.NEEDS_ACTION``), except words that were typed in freely.
    is_sparse : bool
        Leave out columns in which no row has anything.
    """

    def __init__(
        self,
        caption: str,
        *columns: Column[Row],
        order: Callable[[Row], Any] | None = None,
        act: Callable[[Row], bool] | None = None,
        is_sparse: bool = False,
    ) -> None:
        self.caption = caption
        self.columns = columns
        self.order = order
        self.act = act
        self.is_sparse = is_sparse

    def table(self, rows: Iterable[Row], command: str = "") -> Table:
        """The table of these rows.

        Parameters
        ----------
        rows : iterable of Row
            Results or rows of the record.
        command : str
            What gives the same in the terminal.

        Returns
        -------
        Table
        """
        ordered = list(rows) if self.order is None else sorted(rows, key=self.order)
        texts = [[column.text(row) for column in self.columns] for row in ordered]
        kept = [
            at
            for at in range(len(self.columns))
            if not self.is_sparse or any(cells[at] != labels.ABSENT for cells in texts)
        ]
        columns = [self.columns[at] for at in kept]

        def places(wanted: Callable[[Column[Row]], bool]) -> frozenset[int]:
            return frozenset(at for at, column in enumerate(columns) if wanted(column))

        return Table(
            self.caption,
            [column.shown_heading for column in columns],
            [[cells[at] for at in kept] for cells in texts],
            right=places(lambda column: column.right),
            act=frozenset(
                at
                for at, (row, cells) in enumerate(zip(ordered, texts, strict=True))
                if self._needs_action(row, cells)
            ),
            command=command,
            wrap=places(lambda column: column.wrap),
            wide=places(lambda column: column.wide),
            names={
                at: [
                    column.reference(row, cells[place])
                    for row, cells in zip(ordered, texts, strict=True)
                ]
                for at, (place, column) in enumerate(zip(kept, columns, strict=True))
                if column.names
            },
        )

    def _needs_action(self, row: Row, cells: Sequence[str]) -> bool:
        if self.act is not None:
            return self.act(row)
        return any(
            cell.startswith(labels.NEEDS_ACTION)
            for column, cell in zip(self.columns, cells, strict=True)
            if not (column.wrap or column.wide)
        )


def markdown(blocks: Iterable[Block | Section], title: str = "") -> str:
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
        return f"## {block.title}\n\n{markdown(block.blocks)}"
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
