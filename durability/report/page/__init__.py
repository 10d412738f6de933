"""Contents of a report → one self-contained page: no network, no script, figures within."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.record.errors import harmless
from durability.report import labels, safety
from durability.report.answers import beside
from durability.report.page import changes, sections, summary, words
from durability.report.page.sections import flowing

if TYPE_CHECKING:
    from jinja2 import Environment

    from durability.report.blocks import Block, Reference
    from durability.workflow.results import ReportContents

__all__ = ["page", "screen", "style"]


def page(
    contents: ReportContents,
    told: Callable[[str, int, int], None] = lambda *_: None,
    *,
    short: bool = False,
) -> str:
    """One self-contained HTML page.

    Parameters
    ----------
    contents : ReportContents
        All that it shows; nothing is queried.
    told : callable
        Called with the caption of each figure as its drawing begins, how many are drawn, of how
        many.
    short : bool
        Two printed pages: scope, answers, what is due, cautions, and where the whole page is.

    Returns
    -------
    str
        HTML: styles and pictures within, no script, nothing fetched. The same contents give the
        same page.
    """
    page = (
        _templates()
        .get_template("page.html")
        .render(
            title=words.title(contents.scope),
            facts=words.identity(contents),
            invented=contents.invented,
            as_of=[*beside.as_of(contents.as_of)],
            tested=words.tested(contents),
            reissue=changes.summary(contents),
            short=short,
            answers=words.answers(contents),
            beside=words.beside(contents),
            reading_aid=words.reading_aid(contents),
            glance=[] if short else sections.at_a_glance(contents),
            next_steps=words.next_steps(contents)[: summary.MOST_STEPS if short else None],
            sections=summary.sections(contents) if short else sections.all_sections(contents, told),
            cautions=safety.CAUTIONS,
            relative=f"{labels.RELATIVE} {words.ONLY_TESTED}",
            ending=words.ending(contents),
            version=contents.versions["durability"],
        )
    )
    return harmless(page)


def screen(
    *,
    title: str,
    menu: Sequence[tuple[str, str]],
    key: str,
    address_of: Callable[[Reference], str],
    here: str = "",
    blocks: Sequence[Block] = (),
    done: Sequence[str] = (),
    refused: Sequence[str] = (),
    forms: Sequence[Mapping[str, Any]] = (),
    before: str = "",
) -> str:
    """One page of a server: an answer's blocks, what was just entered, forms to enter more.

    Parameters
    ----------
    title : str
    menu : sequence of (str, str)
        Addresses of the other pages, and what they are called.
    key : str
        Goes with each form, so that only forms of this server are taken.
    address_of : callable
        Where a cell leads, by what it names; "" for nowhere.
    here : str
        Address of this page.
    blocks : sequence of Block
    done, refused : sequence of str
        What was entered, and what was not.
    forms : sequence of mapping
        With action, title, hidden, fields and button.
    before : str
        Address of the question before; "" where there is none.

    Returns
    -------
    str
        HTML, no script.
    """
    return harmless(
        _templates()
        .get_template("screen.html")
        .render(
            title=title,
            menu=menu,
            key=key,
            address_of=address_of,
            here=here,
            blocks=blocks,
            done=done,
            refused=refused,
            forms=forms,
            before=before,
            cautions=safety.CAUTIONS,
        )
    )


def style() -> str:
    """Style sheet of a server's pages."""
    folder = Path(__file__).parent
    return (folder / "style.css").read_text("utf-8") + (folder / "screen.css").read_text("utf-8")


@cache
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["flowing"] = flowing
    return environment
