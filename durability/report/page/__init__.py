"""Contents of a report → one self-contained page, whole or in short: no network, no script."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.record.errors import harmless
from durability.report import labels, safety
from durability.report.answers import beside, forecast, integrity, rank, trend
from durability.report.answers import follow_up as due
from durability.report.blocks import Block, Column, Columns, Section, Table, Words
from durability.report.page import changes, formal, sections, words
from durability.report.page.sections import flowing

if TYPE_CHECKING:
    from jinja2 import Environment

    from durability.wear.results import Forecast, Trend
    from durability.workflow.results import ReportContents

__all__ = ["page", "short_sections", "templates"]

MOST_STEPS = 6
MOST_SERIES = 12
MOST_MODELS = 6
MOST_DUE = 8
"""Of each, so that all stands on two printed pages; what is left out is counted."""


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
        templates()
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
            next_steps=words.next_steps(contents)[: MOST_STEPS if short else None],
            sections=short_sections(contents) if short else sections.all_sections(contents, told),
            cautions=safety.CAUTIONS,
            relative=f"{labels.RELATIVE} {words.ONLY_TESTED}",
            ending=words.ending(contents),
            version=contents.versions["durability"],
        )
    )
    return harmless(page)


@cache
def templates() -> Environment:
    """The templates of the pages."""
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


# ----------------------------------------------------------------------------------------- in short


def short_sections(contents: ReportContents) -> list[Section]:
    """The sections of the page in short.

    Parameters
    ----------
    contents : ReportContents
        All that the whole page shows.

    Returns
    -------
    list of Section
    """
    parts = [
        Section("models", "Case models", [*_models(contents)]),
        Section("series", "Series", [*_series(contents)]),
        Section("due", "Devices due", [*_due(contents)]),
        Section("rests", "What this rests on", [*_rests_on(contents)]),
        Section("signatures", "Signatures", [*formal.signatures(contents)]),
    ]
    return [part for part in parts if part.blocks]


def _models(contents: ReportContents) -> Iterator[Block]:
    if contents.ranking is None or not contents.ranking.groups:
        return
    first = replace(contents.ranking, others=())
    yield from _first_rows(rank.ranked(first, words.command(contents, "rank")), MOST_MODELS)
    others = len(contents.ranking.others)
    if others:
        yield Words(f"{counted(others, 'other condition')}: in the whole report.", True)


def _series(contents: ReportContents) -> Iterator[Block]:
    pairs = list(zip(contents.trends, contents.forecasts, strict=True))
    if not pairs:
        yield Words(labels.NOTHING["series"])
        return
    yield from _first_rows([_together(contents.level, contents.horizon).table(pairs)], MOST_SERIES)


def _due(contents: ReportContents) -> Iterator[Block]:
    sentence, *others = due.due_blocks(contents.owed)
    yield sentence
    yield from _first_rows(others, MOST_DUE)


def _together(level: float, horizon: int) -> Columns[tuple[Trend, Forecast]]:
    """Verdict and life of a series in one row."""
    return Columns["tuple[Trend, Forecast]"](
        "Verdict and life of each series, what needs action first",
        Column("series", lambda e: e[0].series),
        Column("case model", lambda e: beside.worn_in(e[0])),
        Column("valid drops", lambda e: labels.drops_of(e[0].valid_drops, e[0].drops), right=True),
        Column("verdict", lambda e: f"{labels.VERDICT_MARKS[e[0].verdict]} {e[0].verdict}"),
        Column(
            "rise, % per drop (90 %)",
            lambda e: labels.percent_with_interval(
                e[0].rise_pct_per_drop, e[0].rise_lower, e[0].rise_upper
            ),
        ),
        Column("fails at drop", lambda e: "" if e[1].is_bare else forecast.failure(e[1], horizon)),
        Column(
            f"{labels.share(level)} interval",
            lambda e: _interval(e[1], horizon),
        ),
        order=lambda each: trend.worst_first(each[0]),
    )


def _interval(life: Forecast, horizon: int) -> str:
    ahead = not (life.is_bare or life.failed)
    return labels.life(life.drops_to_failure, horizon)[1] if ahead else ""


def _rests_on(contents: ReportContents) -> Iterator[Block]:
    if contents.latent is not None:
        yield Words(f"Later failures rest on: {contents.latent.link.basis}.")
    yield Words("Trends, lives and ranking rest on valid drops only.")
    yield Words(integrity.answer(contents.selfcheck))
    yield Words(words.whole_report(contents))


def _first_rows(blocks: Iterable[Block], most: int) -> Iterator[Block]:
    """The tables that an answer is, with their first rows and no wide columns, and the notes."""
    for block in blocks:
        if isinstance(block, Table) and not block.is_why:
            kept = [at for at in range(len(block.columns)) if at not in block.wide]
            rows = block.rows[:most]
            counts = f": {most} of {len(block.rows)}" if len(block.rows) > most else ""
            yield Table(
                f"{block.caption}{counts}",
                [block.columns[at] for at in kept],
                [[row[at] for at in kept] for row in rows],
                right=frozenset(place for place, at in enumerate(kept) if at in block.right),
                act=block.act & frozenset(range(most)),
            )
        elif isinstance(block, Words) and block.is_note:
            yield block
