"""Which wear out fastest, and what if: temperature and rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from durability.life.results import Estimate
from durability.record import units
from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.answers.forecast import SHORT_ROWS
from durability.report.blocks import Block, Column, Columns, Words, why

if TYPE_CHECKING:
    from durability.life.results import Prediction
    from durability.wear.results import CovariateEffect, GroupWear, Ranking


def _told(group: GroupWear, drops: Prediction | Estimate) -> str:
    """Numbers of drops; nothing where no case tells of failing under this condition."""
    if drops.lower is None and (group.rise_pct_per_drop is None or group.failed == group.cases):
        return labels.ABSENT
    if isinstance(drops, Estimate):
        return labels.estimate_words(drops)
    return labels.life_words(drops)


def drops_to_failure(result: Ranking) -> Columns[GroupWear]:
    """The table of what a data sheet quotes of each case model."""
    return Columns["GroupWear"](
        "Drops to failure of the next case, and by which one case in ten and one in two have"
        f" failed (90 %): {labels.compared_under(result.condition)}",
        Column("case model", "group", wrap=True, names="model"),
        Column("cases", "lives", right=True),
        Column("next case", lambda e: _told(e, e.life)),
        Column("one in ten, B10", lambda e: _told(e, e.b10)),
        Column("one in two, B50", lambda e: _told(e, e.b50)),
    )


def _data_sheet(group: GroupWear) -> str:
    """The same of one case model as a sentence."""
    few = "; one case can't show how cases differ: a weak prior does" if group.lives == 1 else ""
    return (
        f"Drops to failure of {group.group} (90 %): next case {_told(group, group.life)}; one case"
        f" in ten {_told(group, group.b10)}, B10; one in two {_told(group, group.b50)}, B50{few}."
    )


def fastest_first(result: Ranking) -> Columns[GroupWear]:
    """The table of a ranking by case_model or case, under one condition."""
    group = result.by.replace("_", " ")
    kind = "model" if result.by == "case_model" else "case"
    return Columns["GroupWear"](
        f"{group.capitalize()}s, the fastest wearing first:"
        f" {labels.compared_under(result.condition)}",
        Column(group, "group", wrap=True, names=kind),
        Column("drops", "drops", right=True, wide=True),
        Column("failed", lambda e: f"{e.failed} of {e.cases}", right=True),
        Column(
            "rise, % per drop (90 %)",
            lambda e: labels.percent_with_interval(e.rise_pct_per_drop, e.lower, e.upper),
        ),
        Column("settling, %", lambda e: labels.percent(e.settling_pct), right=True),
        Column("fastest", lambda e: labels.drawn_chance(e.probability_fastest), right=True),
        Column(
            "life (90 %), drops" if result.by == "case" else "next case, drops (90 %)",
            lambda e: _told(e, e.life),
        ),
    )


def ranking_answer(result: Ranking) -> str:
    """First line of a ranking: which wears fastest, under which condition, and how sure that is."""
    if not result.groups:
        return "No case with drops in the store."
    first = result.groups[0]
    if first.rise_pct_per_drop is None:
        return "Too few drops to rank."
    under = labels.compared_under(result.condition)
    if len(result.groups) == 1:
        return (
            f"{first.group}: {labels.percent(first.rise_pct_per_drop)} % per drop"
            f" ({labels.percents(first.lower, first.upper)}); no other to rank it against"
            f" ({under})."
        )
    sure = (
        "order established"
        if result.order_is_clear
        else "the full order can't be established from these drops"
    )
    return (
        f"Fastest: {first.group}, {labels.percent(first.rise_pct_per_drop)} % per drop"
        f" ({labels.percents(first.lower, first.upper)}), fastest with"
        f" {labels.drawn_chance(first.probability_fastest)} probability; {sure} ({under})."
    )


def ranked(result: Ranking, command: str = "") -> Iterator[Block]:
    """The tables and what they rest on, condition by condition, as terminal and page show them."""
    if result.by == "case_model" and result.groups and result.groups[0].lives:
        yield Words(_data_sheet(result.groups[0]))
    yield from _ranked(result, command)
    for other in result.others:
        yield from why(_ranked(other, command))


def _ranked(result: Ranking, command: str) -> Iterator[Block]:
    """Under one condition: the table, what goes another way by life, what it rests on."""
    table = fastest_first(result).table(result.groups, command)
    yield replace(table, short=range(min(len(table.rows), SHORT_ROWS)))
    if result.by == "case_model" and any(each.lives for each in result.groups):
        yield from why([drops_to_failure(result).table(result.groups, command)])
    otherwise = _order_by_life(result)
    if otherwise:
        yield Words(otherwise)
    yield from why([beside.rests_on(result.basis)])


def _order_by_life(result: Ranking) -> str | None:
    """That the order by rise is not the order by life, where it is not."""
    known = [each for each in result.groups if each.life.lower is not None]
    medians = [each.life.median or float("inf") for each in known]
    if medians == sorted(medians):
        return None
    by_life = [each for _, each in sorted(zip(medians, known, strict=True), key=lambda two: two[0])]
    named = (f"{each.group} {labels.life_words(each.life)}" for each in by_life)
    return f"By life the order is another, the shortest first: {labels.some(named)}."


def blocks(result: Ranking) -> Iterator[Block]:
    """Groups from the fastest wearing to the slowest."""
    yield Words(ranking_answer(result))
    if result.groups and result.groups[0].rise_pct_per_drop is None:
        yield Words("With a second valid drop of a case it would say how fast its model wears.")
    if result.groups:
        yield from ranked(result)
        yield Words(labels.RELATIVE, is_note=True)


def json(result: Ranking) -> dict[str, Any]:
    """Object of ``rank --json``."""
    return {**_json(result), "others": [_json(each) for each in result.others]}


def _json(result: Ranking) -> dict[str, Any]:
    names = (
        "group",
        "cases",
        "drops",
        "failed",
        "rise_pct_per_drop",
        "lower",
        "upper",
        "settling_pct",
        "probability_fastest",
        "basis",
    )
    return {
        "condition": as_json.condition(result.condition),
        "by": result.by,
        "order_is_clear": result.order_is_clear,
        "basis": result.basis,
        "groups": [
            {
                **as_json.named(group, names),
                "life": as_json.prediction(group.life),
                "b10": as_json.named(group.b10, ("lower", "estimate", "upper")),
                "b50": as_json.named(group.b50, ("lower", "estimate", "upper")),
            }
            for group in result.groups
        ],
    }


def condition_sentence(effect: CovariateEffect) -> str:
    """How peak g goes with one condition."""
    if effect.effect_pct is None:
        return f"{effect.covariate}: can't be estimated"
    per = effect.per
    if units.is_converted(units.TEMPERATURE):
        per = per.replace("10 °C", "18 °F")
    return (
        f"{effect.covariate}: {labels.percent(effect.effect_pct)} % in peak g per {per}"
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
