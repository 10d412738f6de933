"""Contents of a report → one self-contained page: no network, no script, figures within."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from durability.record.errors import harmless
from durability.report import labels, safety
from durability.report.answers import beside
from durability.report.blocks import Drawing
from durability.report.page import changes, sections, summary, words
from durability.report.page.sections import flowing

if TYPE_CHECKING:
    from jinja2 import Environment

    from durability.report.blocks import Block, Reference
    from durability.workflow.results import ReportContents

__all__ = ["page", "picture", "screen", "screen_file", "screen_words"]


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
    key: str,
    address_of: Callable[[Reference], str],
    here: str,
    person: str,
    person_address: str,
    lead: Sequence[Block] = (),
    blocks: Sequence[Block] = (),
    done: Sequence[str] = (),
    refused: Sequence[str] = (),
    forms: Sequence[Mapping[str, Any]] = (),
    links: Sequence[tuple[str, str]] = (),
    before: str = "",
    again: str = "",
) -> str:
    """One page of a server: an answer's blocks, what was just entered, forms to enter more.

    Parameters
    ----------
    title : str
    key : str
        Goes with each form, so that only forms of this server are taken.
    address_of : callable
        Where a cell leads, by what it names; "" for nowhere.
    here : str
        Address of this page.
    person, person_address : str
        Who enters, "" for nobody yet, and where another is chosen.
    lead, blocks : sequence of Block
        Before the forms, and after them.
    done, refused : sequence of str
        What was entered, and what was not.
    forms : sequence of mapping
        With action, title, lines, hidden, fields and button.
    links : sequence of (str, str)
        Addresses that this page leads on to, and what they are called.
    before : str
        Address of the question before; "" where there is none.
    again : str
        Address that is loaded in a moment, while an entry waits.

    Returns
    -------
    str
        HTML, no script within.
    """
    return harmless(
        _templates()
        .get_template("screen.html")
        .render(
            title=title,
            menu=screen_words()["menu"],
            say=screen_words()["say"],
            key=key,
            address_of=address_of,
            here=here,
            person=person,
            person_address=person_address,
            lead=lead,
            blocks=blocks,
            done=done,
            refused=refused,
            forms=forms,
            links=links,
            before=before,
            again=again,
            cautions=safety.CAUTIONS,
        )
    )


def picture(name: str, address: str, caption: str) -> Drawing:
    """A picture that the browser fetches from the server beside the page."""
    image = Markup('<img alt="{}" src="{}">').format(caption, address)
    return Drawing(name, lambda: image, caption)


def screen_file(address: str) -> str:
    """The style sheet or the script of a server's pages."""
    folder = Path(__file__).parent
    if address == "/screen.js":
        return (folder / "screen.js").read_text("utf-8")
    return (folder / "style.css").read_text("utf-8") + (folder / "screen.css").read_text("utf-8")


@cache
def screen_words() -> dict[str, dict[str, str]]:
    """What a server's pages say beside the answers: menu, titles, labels of forms, refusals."""
    return tomllib.loads((Path(__file__).parent / "screen.toml").read_text("utf-8"))


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
