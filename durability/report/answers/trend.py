"""Whether peak g climbs from drop to drop, series by series."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from durability.record.basis import MIN_DROPS_FOR_TREND, counted, in_a_row_words, p_words
from durability.report import as_json, labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Preformatted, Reference, Words

if TYPE_CHECKING:
    from durability.wear.results import Discoveries, Trend
    from durability.workflow.results import TrendContext

_VERDICT_ORDER = {verdict: at for at, verdict in enumerate(labels.VERDICT_MARKS)}

LEGEND = (
    "Level: fitted peak free of scatter. Rise: mean over the later half of the drops, beside"
    " settled that of wear alone, with 90 % interval. Alarm: the drop after which a watcher would"
    " first have been alerted to a rise, and (wear) to one that goes on. Scatter alone calls a"
    " steady series rising in at most 1 of 20."
)

PLOT_WIDTH = 44
"""Letters across a plot drawn in letters."""


def worst_first(trend: Trend) -> tuple[int, float, str]:
    """Order of what needs action first."""
    return _VERDICT_ORDER[trend.verdict], -(trend.rise_pct_per_drop or 0.0), trend.series


def _alarms(trend: Trend) -> str | None:
    """Drops of the alarm and of the wear alarm, for a table."""
    if trend.alarm_at_drop is None:
        return None
    return f"{trend.alarm_at_drop} ({labels.text(trend.wear_alarm_at_drop)})"


def _first_alarm(trend: Trend) -> Reference | None:
    """The drop of the alarm, as a page leads on to it."""
    if trend.alarm_at_drop is None:
        return None
    return "drop", trend.series, str(trend.alarm_at_drop)


TREND = Columns["Trend"](
    "Trend of each series, what needs action first",
    Column("series", "series", names="series"),
    Column("case model", beside.worn_in, wrap=True, names=beside.model_worn),
    Column("valid drops", lambda e: labels.drops_of(e.valid_drops, e.drops), right=True),
    Column("verdict", lambda e: f"{labels.VERDICT_MARKS[e.verdict]} {e.verdict}"),
    Column(
        "level, g",
        lambda e: (
            labels.ABSENT
            if e.level_latest_g is None
            else f"{labels.number(e.level_first_g)}→{labels.number(e.level_latest_g)}"
        ),
    ),
    Column(
        "rise, % per drop (90 %)",
        lambda e: labels.percent_with_interval(e.rise_pct_per_drop, e.rise_lower, e.rise_upper),
    ),
    Column("alarm (wear) at drop", _alarms, right=True, names=_first_alarm),
    Column("rests on", "basis", wide=True),
    order=worst_first,
)


TOO_EARLY = "rose; too early to say whether it goes on"


def wear_signalled(trend: Trend) -> str:
    """When the alarm first was one of wear, as the end of a sentence that names the alarm."""
    if trend.wear_alarm_at_drop is None:
        return ""
    return f", as wear that goes on at drop {trend.wear_alarm_at_drop}"


def trend_sentence(trend: Trend) -> str:
    """The verdict on one series, in a sentence with its interval."""
    mark = labels.VERDICT_MARKS[trend.verdict]
    if trend.verdict == "too few":
        return (
            f"{mark} too few: {counted(trend.valid_drops, 'valid drop')}; a trend can be judged"
            f" from {MIN_DROPS_FOR_TREND} on"
        )
    rate = (
        f"{labels.percent(trend.rise_pct_per_drop)} % per drop"
        f" ({labels.percent(trend.rise_lower)} to {labels.percent(trend.rise_upper)})"
    )
    level = f"level {labels.number(trend.level_first_g)} to {labels.number(trend.level_latest_g)} g"
    alarm = f"; first signalled at drop {trend.alarm_at_drop}" if trend.alarm_at_drop else ""
    alarm += wear_signalled(trend)
    early = f"{TOO_EARLY}; " if trend.too_early else ""
    return f"{mark} {trend.verdict}: {early}{level}, {rate}{alarm}"


def by_ranks(trend: Trend) -> str:
    """What the readings alone say, whatever the shape of wear: p of the verdict, Mann-Kendall."""
    what = "rise that levels off" if trend.verdict == "settled" else "rise"
    sen = f"{labels.percent(trend.sen_pct_per_drop)} % per drop"
    if trend.sen_lower is not None:
        ends = f"{labels.percent(trend.sen_lower)} to {labels.percent(trend.sen_upper)}"
        sen += f" (at least 95 %: {ends})"
    return (
        f"Chance of such a {what} in steady readings: p = {p_words(trend.p_value)}. By ranks:"
        f" Mann-Kendall S = {trend.mann_kendall_s:+d}, one-sided p ="
        f" {p_words(trend.mann_kendall_p)}; Theil-Sen slope over all drops {sen}."
    )


def trends_answer(results: Sequence[Trend], rate: float | None = None) -> str:
    """First line of a trend: how many series climb, which fastest, how many of them by chance."""
    if not results:
        return "No series with drops in the store."
    rising = [each for each in results if each.verdict == "rising"]
    few = sum(each.verdict == "too few" for each in results)
    answer = f"{len(rising)} of {counted(len(results), 'series', 'series')} rising"
    if rising:
        fastest = max(rising, key=lambda each: each.rise_pct_per_drop or 0)
        rise = labels.percent(fastest.rise_pct_per_drop)
        answer += f"; fastest {fastest.series} at {rise} % per drop"
    early = sum(each.too_early for each in rising)
    if early:
        answer += f"; {early} of them too early to say whether it goes on"
    if rising and len(results) > 1:
        found = _discoveries(results, rate)
        by_chance = round(found.expected_false)
        up_to = f"up to {by_chance}" if by_chance else "none"
        hold = f"{len(found.found)} hold{'s' if len(found.found) == 1 else ''}"
        answer += (
            f"; {up_to} of them expected to be false; {hold} at a false discovery rate of"
            f" {labels.share(found.rate)}"
        )
    if few:
        answer += f"; {few} with too few drops to say"
    return answer + "."


def _discoveries(results: Sequence[Trend], rate: float | None) -> Discoveries:
    from durability.wear import results as made  # at the bench a line needs none of it

    return made.discoveries(results, made.DISCOVERY_RATE if rate is None else rate)


def _verdicts(results: Sequence[Trend]) -> Iterator[Block]:
    yield Words(trends_answer(results))
    if results:
        yield TREND.table(results)
        yield Words(LEGEND, is_note=True)


def discovered_blocks(results: Sequence[Trend], rate: float) -> Iterator[Block]:
    """The series that are called rising at this false discovery rate, and no others."""
    yield Words(trends_answer(results, rate))
    found = _discoveries(results, rate).found
    if found:
        listed = TREND.table([each for each in results if each.series in found])
        yield replace(listed, caption=f"Rising at a false discovery rate of {labels.share(rate)}")
        yield Words(LEGEND, is_note=True)


def blocks(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> Iterator[Block]:
    """The verdict on each series, what other readings would change, whether the rig drifted."""
    yield from _verdicts(results)
    if not results:
        return
    for result in results:
        if result.off_in_a_row:
            yield Words(f"{result.series}: {in_a_row_words(result.off_in_a_row)}.")
    voided = [drop for context in contexts for drop in context.voided]
    if voided:
        yield from beside.named("Voided", voided)
        yield _changed(beside.PUT_BACK, results, [each.with_voided for each in contexts])
    yield from in_doubt(results, contexts)
    yield from beside.rig(
        [(each.series, context.rig) for each, context in zip(results, contexts, strict=True)]
    )


def in_doubt(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> Iterator[Words]:
    """Drops in doubt by sensor, calibration or cross axes, and which verdicts change without."""
    drops = [drop for context in contexts for drop in context.in_doubt]
    if drops:
        yield from beside.named("In doubt", drops)
        yield _changed(beside.LEFT_OUT, results, [each.without_in_doubt for each in contexts])


def _changed(lead: str, results: Sequence[Trend], again: Sequence[Trend | None]) -> Words:
    changed = [
        f"{other.series} ({other.verdict})"
        for result, other in zip(results, again, strict=True)
        if other is not None and other.verdict != result.verdict
    ]
    return Words(f"{lead}: {labels.listed(changed) or 'no verdict changes'}.")


def at_length(results: Sequence[Trend], contexts: Sequence[TrendContext]) -> Iterator[Block]:
    """The verdicts, then each series with its readings, level and band, and what they rest on."""
    yield from _verdicts(results)
    for result, context in zip(results, contexts, strict=True):
        yield Words(f"{result.series}: {trend_sentence(result)}")
        yield beside.rests_on(result.basis)
        if result.mann_kendall_p is not None:
            yield Words(by_ranks(result), is_note=True)
        yield from beside.shapes(result.shape_weights)
        if result.doubted_drops:
            yield Words(
                f"Far off the level, kept, down-weighted: drop"
                f" {labels.listed(result.doubted_drops)}."
            )
        yield from _beside(result, context)
        if len(result.drop_number):
            yield Preformatted(level_plot(result, context.bounded))


def _beside(result: Trend, context: TrendContext) -> Iterator[Words]:
    """What other readings would change, what looks doubtful, whether the rig drifted."""
    for lead, drops, put, again in (
        ("Voided", context.voided, beside.PUT_BACK, context.with_voided),
        ("In doubt", context.in_doubt, beside.LEFT_OUT, context.without_in_doubt),
    ):
        yield from beside.named(lead, drops)
        if again is not None:
            change = "stays" if again.verdict == result.verdict else "CHANGES"
            yield Words(f"{put}: {trend_sentence(again)}; the verdict {change}.")
        elif drops:
            yield Words("Voided drops have no reading, so nothing changes when they are included.")
    if context.suggested:
        yield Words(
            f"An outlier test ({context.suggested_by}) would mark drop"
            f" {labels.listed(context.suggested)}: look for a physical cause; only with one, void"
            " it: durability drop void SERIES DROP --reason WHY"
        )
    change_pct = None
    if result.level_first_g and result.level_latest_g and result.valid_drops > 1:
        change_pct = 100.0 * (result.level_latest_g / result.level_first_g - 1.0)
    rig = beside.rig_sentence(context.rig, change_pct)
    if rig is not None:
        yield Words(f"{rig}.")


def level_plot(result: Trend, bounded: Container[int] = ()) -> str:
    """Readings and level of a series as text: one line a drop, peak g to the right.

    Parameters
    ----------
    result : Trend
        One series with at least one valid drop.
    bounded : container of int
        Drop numbers of clipped peaks, only known from below.

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
        peak = labels.recorded(reading, is_bound=int(drop) in bounded)
        lines.append(f"{int(drop):4d}  {peak:>7}  {''.join(row).rstrip()}")
    return "\n".join(lines)


def json(
    results: Sequence[Trend], contexts: Sequence[TrendContext], rate: float | None = None
) -> dict[str, Any]:
    """Object of ``trend --json``, its series one by one.

    With a false discovery rate it names the series that hold.
    """
    names = (
        "series",
        "case",
        "case_model",
        "drops",
        "valid_drops",
        "verdict",
        "alarm_at_drop",
        "wear_alarm_at_drop",
        "level_first_g",
        "level_latest_g",
        "rise_pct_per_drop",
        "rise_lower",
        "rise_upper",
        "p_value",
        "q_value",
        "mann_kendall_s",
        "mann_kendall_p",
        "sen_pct_per_drop",
        "sen_lower",
        "sen_upper",
        "shape",
        "basis",
        "doubted_drops",
        "off_in_a_row",
        "shape_weights",
    )
    again = (
        "verdict",
        "alarm_at_drop",
        "wear_alarm_at_drop",
        "rise_pct_per_drop",
        "rise_lower",
        "rise_upper",
    )
    return {
        **({} if rate is None else as_json.everything(_discoveries(results, rate))),
        "series": (
            {
                **as_json.named(result, names),
                "voided": as_json.named_drops(context.voided),
                "with_voided": None
                if context.with_voided is None
                else as_json.named(context.with_voided, again),
                "in_doubt": as_json.named_drops(context.in_doubt),
                "without_in_doubt": None
                if context.without_in_doubt is None
                else as_json.named(context.without_in_doubt, again),
                "suggested_outliers": context.suggested,
                "suggested_by": context.suggested_by,
                "rig": as_json.rig(context.rig),
            }
            for result, context in zip(results, contexts, strict=True)
        ),
    }
