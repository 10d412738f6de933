"""Which wear out fastest, and what if: temperature and rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.wear.results import CovariateEffect, GroupWear, Ranking


def fastest_first(by: str) -> Columns[GroupWear]:
    """The table of a ranking by case_model or case."""
    group = by.replace("_", " ")
    return Columns["GroupWear"](
        f"{group.capitalize()}s, the fastest wearing first",
        Column(group, "group", wrap=True),
        Column("cases", "cases", right=True),
        Column("drops", "drops", right=True),
        Column("failed", lambda e: str(e.failed), right=True),
        Column(
            "rise, % per drop (90 %)",
            lambda e: labels.percent_with_interval(e.rise_pct_per_drop, e.lower, e.upper),
        ),
        Column("fastest", lambda e: labels.drawn_chance(e.probability_fastest), right=True),
        Column("life, drops (90 %)", lambda e: labels.life_words(e.life)),
    )


def ranking_answer(result: Ranking) -> str:
    """First line of a ranking: which wears fastest, and how sure that is."""
    if not result.groups:
        return "No case with drops in the store."
    first = result.groups[0]
    if first.probability_fastest is None:
        return "Too few drops to rank."
    if len(result.groups) == 1:
        return (
            f"{first.group}: {labels.percent(first.rise_pct_per_drop)} % per drop"
            f" ({labels.percents(first.lower, first.upper)}); no other to rank it against."
        )
    sure = (
        "order established"
        if result.order_is_clear
        else "the full order can't be established from these drops"
    )
    return (
        f"Fastest: {first.group}, {labels.percent(first.rise_pct_per_drop)} % per drop"
        f" ({labels.percents(first.lower, first.upper)}), fastest with"
        f" {labels.drawn_chance(first.probability_fastest)} probability; {sure}."
    )


def ranked(result: Ranking, command: str = "") -> Iterator[Block]:
    """The table and what it rests on, as terminal and page show them."""
    yield fastest_first(result.by).table(result.groups, command)
    yield beside.rests_on(result.basis)


def blocks(result: Ranking) -> Iterator[Block]:
    """Groups from the fastest wearing to the slowest."""
    yield Words(ranking_answer(result))
    if result.groups:
        yield from ranked(result)
        yield Words(labels.RELATIVE, is_note=True)


def json(result: Ranking) -> dict[str, Any]:
    """Object of ``rank --json``."""
    names = (
        "group",
        "cases",
        "drops",
        "failed",
        "rise_pct_per_drop",
        "lower",
        "upper",
        "probability_fastest",
        "basis",
    )
    return {
        "by": result.by,
        "order_is_clear": result.order_is_clear,
        "basis": result.basis,
        "groups": [
            {**as_json.named(group, names), "life": as_json.prediction(group.life)}
            for group in result.groups
        ],
    }


def condition_sentence(effect: CovariateEffect) -> str:
    """How peak g goes with one condition."""
    if effect.effect_pct is None:
        return f"{effect.covariate}: can't be estimated"
    return (
        f"{effect.covariate}: {labels.percent(effect.effect_pct)} % in peak g per {effect.per}"
        f" ({labels.percent(effect.lower)} to {labels.percent(effect.upper)})"
    )


def conditions_blocks(effects: Sequence[CovariateEffect]) -> Iterator[Block]:
    """Each condition with what it rests on; nothing of it is applied anywhere."""
    for effect in effects:
        yield Words(f"{condition_sentence(effect)}.")
        yield beside.rests_on(effect.basis)
    yield Words("A what-if: no level, trend or forecast is corrected by it.", is_note=True)


def conditions_json(effects: Sequence[CovariateEffect]) -> dict[str, Any]:
    """Object of ``conditions --json``."""
    names = ("covariate", "per", "series", "drops", "effect_pct", "lower", "upper", "basis")
    return {"effects": [as_json.named(effect, names) for effect in effects]}
