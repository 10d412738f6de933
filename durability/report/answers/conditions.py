"""How peak g goes with temperature and rest: a what-if."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Words

if TYPE_CHECKING:
    from durability.wear.results import CovariateEffect


def condition_sentence(effect: CovariateEffect) -> str:
    """How peak g goes with one condition."""
    if effect.effect_pct is None:
        return f"{effect.covariate}: can't be told"
    return (
        f"{effect.covariate}: {labels.percent(effect.effect_pct)} % in peak g per {effect.per}"
        f" ({labels.percent(effect.lower)} to {labels.percent(effect.upper)})"
    )


def blocks(effects: Sequence[CovariateEffect]) -> Iterator[Block]:
    """Each condition with what it rests on; nothing of it is applied anywhere."""
    for effect in effects:
        yield Words(f"{condition_sentence(effect)}.")
        yield beside.rests_on(effect.basis)
    yield Words("A what-if: no level, trend or forecast is corrected by it.", is_note=True)


def json(effects: Sequence[CovariateEffect]) -> dict[str, Any]:
    """Object of ``conditions --json``."""
    names = ("covariate", "per", "series", "drops", "effect_pct", "lower", "upper", "basis")
    return {"effects": [as_json.named(effect, names) for effect in effects]}
