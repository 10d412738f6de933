"""Contents of a report → one self-contained page: no network, no script, figures within."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from durability.record.errors import harmless
from durability.report import labels, safety
from durability.report.answers import beside
from durability.report.page import changes, sections, summary, words
from durability.report.page.sections import flowing

if TYPE_CHECKING:
    from durability.workflow.results import ReportContents

__all__ = ["page"]


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
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["flowing"] = flowing
    page = environment.get_template("page.html").render(
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
    return harmless(page)
