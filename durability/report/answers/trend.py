"""Whether peak g climbs from drop to drop, series by series."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from durability.report import as_json, labels
from durability.report.blocks import Block, Column, Columns, Preformatted, Words

if TYPE_CHECKING:
    from durability.results import Forecast, RigNote, Trend, TrendContext

_VERDICT_ORDER = {verdict: at for at, verdict in enumerate(labels.VERDICT_MARKS)}

PLOT_WIDTH = 44
"""Letters across a plot drawn in letters."""


def worst_first(trend: Trend) -> tuple[int, float, str]:
    """Order of what needs action first."""
    return _VERDICT_ORDER[trend.verdict], -(trend.rise_pct_per_drop or 0.0), trend.series


def worn_in(result: Trend | Forecast) -> str:
    """Case model of a series; its case where the model has no name."""
    return result.case_model or result.case or "bare"


TREND = Columns["Trend"](
    "Trend of each series, what needs action first",
    Column("series", "series"),
    Column("case model", worn_in, wrap=True),
    Column("valid drops", lambda e: labels.drops_of(e.valid_drops, e.drops), right=True),
    Column("verdict", lambda e: f"{labels.VERDICT_MARKS[e.verdict]} {e.verdict}"),
    Column(
        "level, g",
        lambda e: f"{labels.number(e.level_first_g)}→{labels.number(e.level_latest_g)}",
    ),
    Column(
        "rise, % per drop (90 %)",
        lambda e: labels.percent_with_interval(e.rise_pct_per_drop, e.rise_lower, e.rise_upper),
    ),
    Column("alarm at drop", "alarm_at_drop", right=True),
    Column("rests on", "basis", wide=True),
    order=worst_first,
)


def each_series(results: Sequence[Trend], command: str = "") -> Iterator[Block]:
    """The verdict on each series in one table, as terminal and page show it."""
    yield Words(labels.trends_answer(results))
    if results:
        yield TREND.table(results, command)
        yield Words(labels.TREND_LEGEND, is_note=True)


def blocks(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> Iterator[Block]:
    """The verdict on each series, what was voided and what that changes, how the rig fared."""
    yield from each_series(results)
    voided = [drop for context in contexts for drop in context.voided]
    for line in labels.voided_lines(voided):
        yield Words(line)
    if voided:
        changed = [
            f"{result.series} ({context.with_voided.verdict})"
            for result, context in zip(results, contexts, strict=True)
            if context.with_voided is not None and context.with_voided.verdict != result.verdict
        ]
        found = labels.listed(changed) or "no verdict changes"
        yield Words(f"With the voided readings put back: {found}.")
    yield from rig_lines(
        [(each.series, context.rig) for each, context in zip(results, contexts, strict=True)]
    )


def rig_lines(notes: Sequence[tuple[str, RigNote | None]]) -> Iterator[Block]:
    """How the rig fared, series of one and the same drift together."""
    drifted: dict[str, list[str]] = {}
    for series, note in notes:
        if note is None or (note.corrected and note.correction_latest_pct is None):
            continue
        if note.corrected:
            words = f"rig-corrected by {note.reference_series}; factors: --series S"
        elif note.reason is not None or note.drifted:
            words = str(labels.rig_sentence(note))
        else:
            continue
        drifted.setdefault(words, []).append(series)
    for words, series_codes in drifted.items():
        yield Words(f"{words}: {labels.listed(series_codes)}")


def at_length(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> Iterator[Block]:
    """Each series with its readings, level and band, its verdict and what it rests on."""
    for result, context in zip(results, contexts, strict=True):
        yield Words(f"{result.series}: {labels.trend_sentence(result)}")
        yield Words(f"Rests on: {result.basis}.", is_note=True)
        if result.shape_weights:
            yield Words(f"Shapes of wear: {labels.weights(result.shape_weights)}.")
        if result.doubted_drops:
            yield Words(f"Doubted, kept, weighed down: drop {labels.listed(result.doubted_drops)}.")
        for line in _beside(result, context):
            yield Words(line)
        if len(result.drop_number):
            yield Preformatted(level_plot(result))


def _beside(result: Trend, context: TrendContext) -> Iterator[str]:
    """What was voided and what that changes, what looks doubtful, how the rig fared."""
    yield from labels.voided_lines(context.voided)
    again = context.with_voided
    if again is not None:
        change = "stays" if again.verdict == result.verdict else "CHANGES"
        yield f"With voided readings put back: {labels.trend_sentence(again)}; the verdict {change}"
    elif context.voided:
        yield "Voided drops have no reading, so nothing changes when they are put back."
    if context.suggested:
        yield (
            f"An outlier test ({context.suggested_by}) would mark drop"
            f" {labels.listed(context.suggested)}: look for a physical cause; only with one, void"
            " it: durability drop void SERIES DROP --reason WHY"
        )
    change_pct = None
    if result.level_first_g and result.level_latest_g:
        change_pct = 100.0 * (result.level_latest_g / result.level_first_g - 1.0)
    rig = labels.rig_sentence(context.rig, change_pct)
    if rig is not None:
        yield rig


def level_plot(result: Trend) -> str:
    """Readings and level of a series as text: one line a drop, peak g to the right.

    Parameters
    ----------
    result : Trend
        One series with at least one valid drop.

    Returns
    -------
    str
        "o" a reading, "x" a doubted one, "|" the level.
    """
    readings, levels = list(result.peak_g), list(result.level_g)
    known = [value for value in (*readings, *levels) if value == value]
    low, high = min(known), max(known)
    span = (high - low) or 1.0

    def at(value: float) -> int:
        return round(float((value - low) / span * (PLOT_WIDTH - 1)))

    lines = [f"drop  peak, g  {labels.number(low)} g{'':{PLOT_WIDTH - 14}}{labels.number(high)} g"]
    for drop, reading, level in zip(result.drop_number, readings, levels, strict=True):
        row = [" "] * PLOT_WIDTH
        if level == level:
            row[at(level)] = "|"
        row[at(reading)] = "x" if int(drop) in result.doubted_drops else "o"
        lines.append(f"{int(drop):4d}  {labels.number(reading):>7}  {''.join(row).rstrip()}")
    return "\n".join(lines)


def json(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> dict[str, Any]:
    """Object of ``trend --json``."""
    names = (
        "series",
        "case",
        "case_model",
        "drops",
        "valid_drops",
        "verdict",
        "alarm_at_drop",
        "level_first_g",
        "level_latest_g",
        "rise_pct_per_drop",
        "rise_lower",
        "rise_upper",
        "p_value",
        "shape",
        "basis",
        "doubted_drops",
        "shape_weights",
    )
    put_back = ("verdict", "alarm_at_drop", "rise_pct_per_drop", "rise_lower", "rise_upper")
    return {
        "series": [
            {
                **as_json.named(result, names),
                "voided": as_json.voided_drops(context.voided),
                "with_voided": None
                if context.with_voided is None
                else as_json.named(context.with_voided, put_back),
                "suggested_outliers": context.suggested,
                "suggested_by": context.suggested_by,
                "rig": as_json.rig(context.rig),
            }
            for result, context in zip(results, contexts, strict=True)
        ]
    }
