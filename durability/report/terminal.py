"""Blocks to a terminal: 80 columns are enough, and no colour is needed to understand them.

Rich is loaded only where something is laid out: a bench session prints plain lines.
"""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import redirect_stdout
from io import BytesIO, TextIOWrapper
from typing import TYPE_CHECKING, TextIO

from durability.record.basis import counted
from durability.record.errors import HEARD, PER_CENT, folded, harmless
from durability.report import labels
from durability.report.blocks import Block, Items, Preformatted, Table, Words

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table as Grid

ACCENT = "bold red"
"""For what needs action, and for nothing else; its words say so without colour too."""

SHORT_LINES = 20
"""Of a short answer, where its rows can be fewer."""

_GAP = 2
"""Blanks between two columns of a table."""

_JOINT = "\ue000"
"""For the blank before a per cent sign while lines are broken: Rich breaks at every blank."""

_UNIT = re.compile(r"(?<=,) (?=\S+$)")
"""The blank before the unit of a heading."""

_RULES = "    \n    \n ── \n    \n    \n    \n    \n ── \n"

_TO_ASCII = str.maketrans(
    {
        "▲": "^", "▼": "v", "●": "o", "◦": "o", "─": "-", "–": "-", "…": "..", "→": ">", "°": "",
        "×": "x", "√": "sqrt",
        "≥": ">=", "≤": "<=", "²": "2", "−": "-", "±": "+/-", "Σ": "sum ", "Δ": "change of ",
        "λ": "lambda",
    }
)  # fmt: skip


def show(blocks: Iterable[Block], *, why: bool = True) -> None:
    """Print an answer.

    Parameters
    ----------
    blocks : iterable of Block
        As a file of ``report/answers`` yields them. Figures and what the page folds away are left
        out, and of a table the columns that only a page has room for.
    why : bool
        With its reasons; else the short answer, which names the option that gives them.
    """
    _print(blocks if why else _in_short(blocks))


def _in_short(blocks: Iterable[Block]) -> list[Block]:
    """The short answer: no reasons, the first rows of a table, and what gives the rest.

    Long names make tall rows: fewer are shown then, so that it stays within a screen.
    """
    kept: list[Block] = []
    tables = rows = 0
    is_short = False
    for block in blocks:
        if isinstance(block, Words | Items | Table) and block.is_why:
            is_short = True
            tables += isinstance(block, Table)
            continue
        if isinstance(block, Table) and block.short is not None:
            rows += len(block.rows) - len(block.short)
            block = block.of_short_rows()
        kept.append(block)
    while True:
        more = [counted(rows, "more row")] * bool(rows) + [counted(tables, "table")] * bool(tables)
        *first, last = ["The reasons", *more]
        words = f"{', '.join(first)}{' and ' * bool(first)}{last}: --why"
        answer = [*kept, *[Words(words)] * bool(is_short or rows)]
        tall = [at for at, each in enumerate(kept) if isinstance(each, Table) and each.rows[1:]]
        if not tall or not (is_short or rows) or _lines(answer) <= SHORT_LINES:
            return answer
        at, rows = tall[-1], rows + 1
        kept[at] = kept[at].of_rows(range(len(kept[at].rows) - 1))  # type: ignore[union-attr]


def _lines(blocks: Iterable[Block]) -> int:
    """Lines that they take on this terminal."""
    measured = TextIOWrapper(BytesIO(), encoding=sys.stdout.encoding or "utf-8", errors="replace")
    with redirect_stdout(measured):
        _print(blocks)
        measured.flush()
    return measured.buffer.getvalue().count(b"\n")


def _print(blocks: Iterable[Block]) -> None:
    for block in blocks:
        if isinstance(block, Words):
            say(block.text)
        elif isinstance(block, Items):
            for item in block.items:
                say(f"- {item}")
        elif isinstance(block, Preformatted):
            console().print(_shown(block.text), soft_wrap=True)
        elif isinstance(block, Table):
            _show_table(block)


def _show_table(table: Table) -> None:
    if table.caption:
        say(f"{table.caption}:")
    kept = [at for at in range(len(table.columns)) if at not in table.wide]
    columns = [table.columns[at] for at in kept]
    rows = [[row[at] for at in kept] for row in table.rows]
    laid_out = grid(
        columns,
        rows,
        right=[place for place, at in enumerate(kept) if at in table.right],
        wrap=[place for place, at in enumerate(kept) if at in table.wrap],
    )
    if not any(columns):
        console().print(laid_out)
        return
    texts, room = list(zip(columns, *rows, strict=True)), console().width
    widths = _column_widths(texts, [at in table.wrap for at in kept], room) or _column_widths(
        texts, [True] * len(kept), room
    )
    if widths is None:
        _show_paragraphs(columns, rows)
        return
    for column, width in zip(laid_out.columns, widths, strict=True):
        column.width, column.no_wrap = width, False
    console().print(laid_out)


def _show_paragraphs(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A paragraph a row, for a table that is too wide."""
    from rich.padding import Padding

    names = [_UNIT.sub(_JOINT, _shown(column)) for column in columns]
    for row in rows:
        pairs = "; ".join(
            f"{name}: {_shown(cell)}" for name, cell in zip(names, row, strict=True) if cell
        )
        console().print(Padding(pairs, (0, 0, 1, _GAP)))


def _column_widths(
    columns: Sequence[Sequence[str]], wraps: Sequence[bool], room: int
) -> list[int] | None:
    """Width of each column, heading first: no word is cut, what room is left is shared.

    None where that is too wide. A least width alone would not do: to fit a table, its widest
    columns are cut below that.
    """
    heads = [_longest_word(texts[0]) for texts in columns]
    full = [
        max(head, *map(len, texts[1:])) if len(texts) > 1 else head
        for head, texts in zip(heads, columns, strict=True)
    ]
    widths = [
        max(map(_longest_word, texts)) if may_wrap else width
        for texts, may_wrap, width in zip(columns, wraps, full, strict=True)
    ]
    wanted = [most - width for most, width in zip(full, widths, strict=True)]
    spare = room - sum(widths) - _GAP * len(widths)
    if spare < 0:
        return None
    by_need = sorted(range(len(widths)), key=wanted.__getitem__)
    for served, at in enumerate(by_need):
        more = min(wanted[at], spare // (len(widths) - served))
        widths[at] += more
        spare -= more
    return widths


def _longest_word(text: str) -> int:
    return max(map(len, _joined(text).split()), default=0)


def _joined(text: str) -> str:
    return PER_CENT.sub(f"{_JOINT}%", text)


def say(words: str) -> None:
    """Print a sentence; wrapped, never taken for markup."""
    console().print(_accented(words))


def console() -> Console:
    """Standard output as wide as its terminal, 80 columns where there is none."""
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    class Whole(Console):
        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterator[Segment]:
            for each in super().render(renderable, options):
                yield each._replace(text=each.text.replace(_JOINT, " "))

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError  # to the entry point, where Rich would exit with 1

    return Whole(highlight=False, soft_wrap=False, emoji=False)


def grid(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Iterable[int] = (),
    wrap: Iterable[int] = (),
) -> Grid:
    """A table of ready texts.

    Parameters
    ----------
    columns : sequence of str
        Headings, with units; all blank for a table without. They run over several lines rather
        than widen a column.
    rows : iterable of sequence of str
        Cells.
    right : iterable of int
        Columns aligned to the right: numbers.
    wrap : iterable of int
        Columns whose text may run over several lines; the others stay whole.

    Returns
    -------
    rich.table.Table
        To print.
    """
    from rich.box import Box
    from rich.table import Table as Grid

    box = Box(_RULES.replace("─", "-"), ascii=True) if is_plain() else Box(_RULES)
    laid_out = Grid(
        box=box,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        header_style="",
        show_header=any(columns),
    )
    texts = [list(row) for row in rows]
    aligned, wrapped_ = set(right), set(wrap)
    for at, heading in enumerate(columns):
        laid_out.add_column(
            _shown(_folded(heading, max((len(row[at]) for row in texts), default=0))),
            justify="right" if at in aligned else "left",
            overflow="fold",
            no_wrap=at not in wrapped_,
            vertical="top",
        )
    for row in texts:
        laid_out.add_row(*map(_accented, row))
    return laid_out


def _folded(heading: str, width: int) -> str:
    """A heading over as many lines as make it no wider than its cells or its longest word.

    Where that leaves room, its unit stays beside the word before it.
    """
    width, tied = max(width, _longest_word(heading), 1), _UNIT.sub(_JOINT, heading)
    if _longest_word(tied) > width:
        return folded(heading, width)
    return folded(tied, width).replace(_JOINT, " ")


def _accented(text: str) -> str:
    """A text, in the one accent when it says that something needs action."""
    shown = _shown(text)
    return f"[{ACCENT}]{shown}[/]" if text.startswith(labels.NEEDS_ACTION) else shown


def _shown(words: str) -> str:
    """Text that the terminal can show, never taken for markup."""
    from rich.markup import escape

    return escape(_joined(printable(words)))


def is_plain() -> bool:
    """Whether standard output can't show more than its own small alphabet."""
    encoding = (sys.stdout.encoding or "ascii").lower()
    return HEARD.get() is None and not encoding.startswith("utf")


def printable(words: str) -> str:
    """Words as standard output can show them, whatever its encoding; nothing in them steers it."""
    words = harmless(words)
    if not is_plain():
        return words
    encoding = sys.stdout.encoding or "ascii"
    return words.translate(_TO_ASCII).encode(encoding, "replace").decode(encoding)


def wrapped(words: str, stream: TextIO) -> str:
    """Words broken between words where a terminal would break within them; files get one line."""
    if HEARD.get() is not None or not stream.isatty():
        return words
    return folded(words, shutil.get_terminal_size().columns - 1, later="  ")
