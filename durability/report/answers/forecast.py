"""How many drops until the case of a series fails."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.answers.trend import PLOT_WIDTH
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.life.results import Backtest, CutFigures
    from durability.wear.results import Forecast, MoreDrops
    from durability.workflow.results import ForecastContext, Limit

MOST_SURVIVAL_ROWS = 12
"""Drops shown of a curve of survival, at most."""

SHORT_ROWS = 6
"""Rows of a short answer, at most."""

NEXT_TO_NONE = 0.01
"""Probability of still protecting from which the rest of the curve says no more."""


def drops_to_failure(level: float, horizon: int) -> Columns[Forecast]:
    """The table of forecasts, for this probability of the interval and this last drop."""
    return Columns["Forecast"](
        "Drops to failure of each series in a case, the fewest drops left first",
        Column("series", "series", names="series"),
        Column("case model", beside.worn_in, wrap=True, names=beside.model_worn),
        Column("drops", "drops", right=True),
        Column("limit, g", "limit_g", right=True),
        Column("fails at drop", lambda e: failure(e, horizon), wrap=True),
        Column("left", lambda e: "" if e.failed else left(e, horizon), right=True),
        Column(
            f"{labels.share(level)} interval",
            lambda e: "" if e.failed else labels.life(e.drops_to_failure, horizon)[1],
        ),
        Column(
            f"by drop {horizon}: limit, damage",
            lambda e: "" if e.failed else by_cause(e),
            wide=True,
        ),
        Column("rests on", "basis", wide=True),
        order=lambda each: each.soonest_first,
    )


SURVIVAL = Columns[tuple[int, float]](
    "Probability that it still protects",
    Column("drop", lambda row: row[0], right=True),
    Column("still protects", lambda row: labels.chance(row[1]), right=True),
    Column("", lambda row: "#" * round(row[1] * PLOT_WIDTH)),
)


def failure(result: Forecast, horizon: int) -> str:
    """When a series failed, or by median will."""
    if result.failed_at_drop == 0:
        return f"FAILED before ({result.failure_cause})"
    if result.failed:
        return f"FAILED at {result.failed_at_drop} ({result.failure_cause})"
    return labels.life(result.drops_to_failure, horizon)[0]


def by_cause(result: Forecast) -> str:
    """Chance of failing within the horizon by the limit, and by damage."""
    if result.failed_by_limit is None:
        return labels.ABSENT
    return f"{labels.chance(result.failed_by_limit)}, {labels.chance(result.failed_by_damage)}"


def forecasts_answer(results: Sequence[Forecast], level: float, horizon: int) -> str:
    """First line of a forecast: how many failed, and which comes next by drops left."""
    if not results:
        return "No series with drops in the store."
    cases = in_cases(results)
    if not cases:
        return f"{counted(len(results), 'series', 'series')} dropped bare: no case to fail."
    failed = sum(each.failed for each in cases)
    answer = f"{failed} of {counted(len(cases), 'series', 'series')} in a case failed"
    soonest = min(cases, key=lambda each: (each.failed, each.soonest_first))
    if soonest.drops_left is not None and not soonest.failed:
        median, span = labels.life(soonest.drops_to_failure, horizon)
        answer += (
            f"; next {soonest.series}, {left(soonest, horizon)} left, at drop {median}"
            f" ({labels.share(level)}: {span})"
        )
    return answer + "."


def in_cases(results: Iterable[Forecast]) -> list[Forecast]:
    """Those of series in a case: a bare series has none that could fail."""
    return [each for each in results if not each.is_bare]


def left(result: Forecast, horizon: int) -> str:
    """Drops left by median."""
    if result.drops_left is None:
        return f"> {max(horizon - result.drops_made, 0)}"
    return f"{result.drops_left:.0f}"


def forecast_sentence(result: Forecast, level: float, horizon: int) -> str:
    """Forecast of one series in a sentence."""
    if result.is_bare:
        return f"{result.series}: {counted(result.drops, 'drop')}; {result.basis}"
    at = result.failed_in
    if at is not None:
        elsewhere = "" if at.series == result.series else f", at {at.series} drop {at.drop_number}"
        made = f" of {counted(result.drops, 'drop')}"
        if elsewhere or result.failed_at_drop == 0:
            when = "since" if result.failed_at_drop == 0 else "here"
            made = f"; {counted(result.drops, 'drop')} made {when}"
        return f"{result.series}: {failure(result, horizon)}{elsewhere}{made}"
    median, span = labels.life(result.drops_to_failure, horizon)
    limit = "" if result.limit_g is None else f"; limit {labels.number(result.limit_g)} g"
    return (
        f"{result.series}: not failed after {counted(result.drops, 'drop')}; fails at drop"
        f" {median} ({labels.share(level)}: {span}){limit}"
    )


def more_drops_sentence(more: MoreDrops, chance: float | None) -> str:
    """What one more session of drops would buy, and the chance of failing in it."""
    if more.spread_now is None or more.spread_then is None:
        return f"{counted(more.extra_drops, 'further drop')}: {more.basis}"
    now, then = (labels.number(spread, 2) for spread in (more.spread_now, more.spread_then))
    ends = "upper over lower end of the drops left"
    does = (
        f"would narrow the interval: {ends} {now} now, {then} then on average"
        if more.spread_then < more.spread_now
        else f"would not narrow the interval yet ({ends} {now} now, {then} then on average)"
    )
    return (
        f"{counted(more.extra_drops, 'further drop')} {does}; chance of failing within them,"
        f" damage included, {labels.chance(chance)}"
    )


def failed_when(limit_g: float | None, limit_rise: float) -> str:
    """What counts as failed."""
    if limit_g is not None:
        level = f"the fitted level reaches {labels.number(limit_g)} g"
    else:
        level = (
            f"the fitted level has risen by {labels.share(limit_rise)} above that of the fresh case"
            " under the series' conditions"
        )
    return f"Failed: {level}, or damage of severity 4 is seen, whichever comes first."


def _failures(results: Sequence[Forecast], limit: Limit) -> Iterator[Block]:
    yield Words(forecasts_answer(results, limit.level, limit.horizon))
    cases = in_cases(results)
    if cases:
        yield Words(failed_when(limit.limit_g, limit.limit_rise), is_note=True)
        ordered = sorted(cases, key=lambda each: each.soonest_first)
        table = drops_to_failure(limit.level, limit.horizon).table(ordered)
        yield replace(table, short=_next_to_fail(ordered))


def _next_to_fail(ordered: Sequence[Forecast]) -> Sequence[int] | None:
    """Rows of a short answer: of more than it has room for those that fail next."""
    if len(ordered) <= SHORT_ROWS:
        return None
    holding = [at for at, each in enumerate(ordered) if not each.failed]
    return (holding or range(len(ordered)))[:SHORT_ROWS]


def _survival(result: Forecast) -> list[tuple[int, float]]:
    """Probability of still protecting by drop, from the last drop made until next to none is left.

    Between the two ``MOST_SURVIVAL_ROWS`` drops are enough to see the curve.
    """
    drop, left = result.survival_drop, result.survival_probability
    gone = (left < NEXT_TO_NONE).nonzero()[0]
    end = int(gone[0]) + 1 if gone.size else len(drop)
    step = max(1, -(-end // MOST_SURVIVAL_ROWS))
    return [(int(drop[at]), float(left[at])) for at in range(0, end, step)]


def in_doubt(
    results: Sequence[Forecast], contexts: Sequence[ForecastContext], level: float, horizon: int
) -> Iterator[Words]:
    """Drops in doubt by sensor, calibration or cross axes, and which forecasts change without."""
    drops = [drop for context in contexts for drop in context.in_doubt]
    if not drops:
        return
    yield from beside.named("In doubt", drops)
    changed = [
        forecast_sentence(again, level, horizon)
        for result, context in zip(results, contexts, strict=True)
        if (again := context.without_in_doubt) is not None and _changes(result, again)
    ]
    yield Words(f"{beside.LEFT_OUT}: {'; '.join(changed) or 'no forecast changes'}.")


def _changes(result: Forecast, again: Forecast) -> bool:
    """Whether another reading fails where this one doesn't, or its median lies beyond the interval.

    An end or a median beyond the horizon is None.
    """
    if result.failed or again.failed:
        return (result.failed, result.failed_at_age) != (again.failed, again.failed_at_age)
    life, median = result.drops_to_failure, again.drops_to_failure.median
    lower, upper, middle = (
        math.inf if each is None else each for each in (life.lower, life.upper, median)
    )
    return not lower <= middle <= upper


def blocks(
    results: Sequence[Forecast], contexts: Sequence[ForecastContext], limit: Limit
) -> Iterator[Block]:
    """Drops to failure of each series, what counts as failed, drops in doubt, the rig."""
    yield from _failures(results, limit)
    if not in_cases(results):
        return
    few = [each for each in in_cases(results) if each.drops_lacking]
    if few:
        named = labels.some(f"{each.series} ({each.drops_lacking} more)" for each in few)
        yield Words(
            f"Too few to forecast, with the valid drops that would give a median and an upper end:"
            f" {named}."
        )
    late = [
        each.series
        for each in in_cases(results)
        if each.limit_g is None and not each.failed and not each.drops_lacking
    ]
    if late:
        yield Words(
            "First read too late to show the fresh case, so that only a limit in g can be forecast"
            f" (--limit-g): {labels.some(late)}."
        )
    yield from in_doubt(results, contexts, limit.level, limit.horizon)
    yield from beside.rig(
        [(each.series, context.rig) for each, context in zip(results, contexts, strict=True)]
    )
    yield Words("What each rests on: durability forecast --series S", is_note=True, is_why=True)
    yield Words(labels.RELATIVE, is_note=True)


def at_length(
    results: Sequence[Forecast],
    further: Sequence[MoreDrops],
    contexts: Sequence[ForecastContext],
    limit: Limit,
) -> Iterator[Block]:
    """The forecasts, then each with its survival, shapes, and what more drops would buy."""
    yield from _failures(results, limit)
    for result, more, context in zip(results, further, contexts, strict=True):
        yield Words(f"{forecast_sentence(result, limit.level, limit.horizon)}.")
        yield from in_doubt([result], [context], limit.level, limit.horizon)
        rig = beside.rig_sentence(context.rig)
        if rig is not None:
            yield Words(f"{rig}.")
        if result.is_bare:
            continue
        yield beside.rests_on(result.basis)
        yield from beside.shapes(result.shape_weights)
        if not result.failed:
            if result.failed_by_limit is not None:
                yield Words(
                    f"Chance of failing by drop {limit.horizon}: by the limit"
                    f" {labels.chance(result.failed_by_limit)}, by damage"
                    f" {labels.chance(result.failed_by_damage)}, whichever comes first."
                )
            chance = result.probability_failed_within(more.extra_drops)
            yield Words(f"{more_drops_sentence(more, chance)}.")
        shown = _survival(result)
        if shown:
            yield SURVIVAL.table(shown)
    yield Words(labels.RELATIVE, is_note=True)


# ------------------------------------------------------------------------------------ backtest


def backtest_answer(tested: Backtest) -> str:
    """First line of a backtest: how many intervals held as of half of the life."""
    if not tested.series:
        return "No series in a case with valid drops: no forecast to check."
    known = [each for each in tested.cuts if each.series]
    if not known:
        return (
            f"{tested.failed} of {counted(tested.series, 'series', 'series')} failed: no past"
            " forecast can be judged yet."
        )
    cut = min(known, key=lambda each: (-each.series, abs(each.share - 0.5)))
    return (
        f"As of {labels.share(cut.share)} of the life the {labels.share(tested.level)} interval"
        f" held for {cut.held_series} of {counted(cut.series, 'judged series', 'judged series')};"
        f" drops left by median were off by a factor of {labels.number(cut.median_off_by, 2)}."
    )


def _held(cut: CutFigures) -> str:
    if cut.held is None:
        return labels.ABSENT
    return f"{cut.held:.2f} ({cut.held_lower:.2f} to {cut.held_upper:.2f})"


BACKTEST = Columns["CutFigures"](
    "Past forecasts of drops to failure against what happened",
    Column("as of", lambda e: f"{labels.share(e.share)} of life"),
    Column("case model", lambda e: "all" if e.case_model is None else e.case_model, wrap=True),
    Column("judged", "series", right=True),
    Column("held (90 %)", _held),
    Column("off by", lambda e: labels.number(e.median_off_by, 2), right=True),
    Column("score", lambda e: labels.number(e.interval_score, 2), right=True),
    Column("open", "not_judged", right=True),
    Column("too few", "too_few", right=True),
)

_BACKTEST_LEGEND = (
    "As of: each series is cut at that share of its life if it failed, else of the drops made, and"
    " forecast by what was known then: its case's drops until then, and drops of other cases dated"
    " before. Judged: failed since, or not failed beyond the upper end (a miss). Held: share of"
    " these that failed within the interval. Off by: typical factor between drops left by median"
    " and as they came. Score: interval score of log drops left, smaller is better. Open: neither."
)


def backtest_blocks(tested: Backtest, command: str = "") -> Iterator[Block]:
    """How often past intervals held and how far medians were off, by share of life and model."""
    yield Words(backtest_answer(tested))
    if tested.series:
        rows = (*tested.cuts, *tested.by_model)
        table = BACKTEST.table(rows, command)
        yield replace(table, short=range(len(tested.cuts)))
        yield Words(_BACKTEST_LEGEND, is_note=True)


def backtest_json(tested: Backtest) -> dict[str, Any]:
    """Object of ``forecast --backtest --json``."""
    names = ("share", "series", "held", "median_abs_log_error", "interval_score")
    return {
        "level": tested.level,
        "cuts": [as_json.named(each, names) for each in tested.cuts],
    }


def json(
    results: Sequence[Forecast], contexts: Sequence[ForecastContext], limit: Limit
) -> dict[str, Any]:
    """Object of ``forecast --json``, its series one by one."""
    names = (
        "series",
        "case",
        "case_model",
        "drops",
        "case_age_at_first_drop",
        "failed",
        "failed_at_drop",
        "failure_cause",
        "limit_g",
    )
    return {
        "level": limit.level,
        "horizon": limit.horizon,
        "series": (
            {
                **as_json.named(result, names),
                "failed_in": (
                    None
                    if result.failed_in is None
                    else as_json.named(result.failed_in, ("series", "drop_number"))
                ),
                "failure_by": {
                    "limit": result.failed_by_limit,
                    "damage": result.failed_by_damage,
                },
                "drops_to_failure": as_json.prediction(result.drops_to_failure),
                "drops_left": result.drops_left,
                "survival": [
                    {"drop": int(drop), "probability": float(probability)}
                    for drop, probability in zip(
                        result.survival_drop, result.survival_probability, strict=True
                    )
                ],
                "b10_drop": result.b10_drop,
                "basis": result.basis,
                "shape_weights": result.shape_weights,
                "in_doubt": as_json.named_drops(context.in_doubt),
                "without_in_doubt": _again(context.without_in_doubt),
                "rig": as_json.rig(context.rig),
            }
            for result, context in zip(results, contexts, strict=True)
        ),
    }


def _again(result: Forecast | None) -> dict[str, Any] | None:
    """Object of a forecast by other readings."""
    if result is None:
        return None
    return {
        **as_json.named(result, ("failed", "failed_at_drop", "failure_cause")),
        "drops_to_failure": as_json.prediction(result.drops_to_failure),
    }
