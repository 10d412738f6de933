"""Wear of the case told per series: verdict, rise and what they rest on."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.record import basis
from durability.wear import null_table
from durability.wear.alarm import WEAR_ALARM, first_alarms, log_e_values
from durability.wear.cases import condition_of
from durability.wear.draws import rise_interval
from durability.wear.fitting import fit_wear
from durability.wear.kendall import MannKendall, TheilSen, mann_kendall, theil_sen
from durability.wear.results import FALSE_RISE_RATE, Trend, TrendVerdict, WearFit
from durability.wear.rise_evidence import NO_RISE, judged_evidence
from durability.wear.serial import NONE, SerialCorrelation, serial_correlations

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from durability.record.records import DropHistory, FloatArray, IntArray

FALSE_SETTLED_RATE = 0.025
"""Share of steady series told "settled", at most."""

TOO_EARLY_BELOW = 10
"""Valid drops below which settling and wear can hardly be distinguished."""

ONE_SIDED = 1.645
"""Standard normal deviate of the 5 % test, and of either end of a 90 % interval."""

LEAST_SURPRISE = 0.5
"""Standard normal deviate that the test of a steady series counts for at least."""

SMALLEST_SHOWN = 0.005
"""Percent per drop below which a rise is shown as +0.00."""

BLOCK_READINGS = 1_000_000
"""Readings judged at once, which bounds the memory."""

SHAPES_OF_VERDICT: dict[TrendVerdict, tuple[str, ...]] = {
    "rising": (
        "linear",
        "onset",
        "accelerating",
        "slowing",
        "settling then climbing",
        "jump",
    ),
    "settled": ("settling",),
    "steady": ("steady",),
    "too few": (),
}


@dataclass(frozen=True, slots=True)
class BlockVerdict:
    """Verdicts on series of equal length; arrays of shape (n_series,).

    ``verdict`` holds "rising", "settled" or "steady". ``log_odds`` is how many times likelier a
    rise goes on than has levelled off, as its logarithm. ``alarm`` and ``wear_alarm`` count the
    valid drops after which they were first raised, 0 for never.
    """

    verdict: list[TrendVerdict]
    p_rise: FloatArray
    p_settling: FloatArray
    log_odds: FloatArray
    alarm: IntArray
    wear_alarm: IntArray


def judge_block(log_peak: FloatArray, information: FloatArray | None = None) -> BlockVerdict:
    """Verdict and running alarms of many series with equally many drops.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Natural logarithm of peak g over the valid drops, at least
        ``basis.MIN_DROPS_FOR_TREND``.
    information : ndarray of shape (n_series,), optional
        Share of independent readings that these are worth, where they are serially correlated.

    Returns
    -------
    BlockVerdict
        Its p are one-sided and never below 1 / n!, the most that the order of n readings can
        show.
    """
    if information is None:
        information = np.ones(len(log_peak))
    verdict, p_rise, p_settling, log_odds = final_verdicts(log_peak, information)
    alarm, wear_alarm = np.empty((2, len(log_peak)), dtype=np.int64)
    for part in _parts(log_peak):
        alarm[part], wear_alarm[part] = first_alarms(log_peak[part], information[part])
    return BlockVerdict(verdict, p_rise, p_settling, log_odds, alarm, wear_alarm)


def final_verdicts(
    log_peak: FloatArray, information: FloatArray
) -> tuple[list[TrendVerdict], FloatArray, FloatArray, FloatArray]:
    """Verdict, p of a rise and of a settling, log odds, as ``judge_block``, without the alarms."""
    n_series, n = log_peak.shape
    p_rising, p_settling, log_odds = np.empty((3, n_series))
    for part in _parts(log_peak):
        found = judged_evidence(log_peak[part], information[part])
        p_rising[part] = tail_probability(found.rising, n, "RISING")
        p_settling[part] = tail_probability(found.settling, n, "SETTLING")
        log_odds[part] = found.log_odds
    settled = p_settling <= FALSE_SETTLED_RATE
    verdict: list[TrendVerdict] = [
        "settled" if levelled else "rising" if p <= FALSE_RISE_RATE else "steady"
        for levelled, p in zip(settled.tolist(), p_rising.tolist(), strict=True)
    ]
    return verdict, p_rising, p_settling, log_odds


def _parts(log_peak: FloatArray) -> Iterator[slice]:
    rows = max(1, BLOCK_READINGS // log_peak.shape[1])
    return (slice(start, start + rows) for start in range(0, len(log_peak), rows))


def smallest_p(n_drops: int) -> float:
    """Smallest p that ``n_drops`` readings can show by their order, 1 / n!."""
    return math.exp(-math.lgamma(n_drops + 1))


def tail_probability(evidence: FloatArray, n_drops: int, table: str) -> FloatArray:
    """Probability that a steady series shows at least this evidence.

    Parameters
    ----------
    evidence : ndarray of shape (n_series,)
        Log Bayes factors as ``judged_evidence`` gives them.
    n_drops : int
    table : {"RISING", "SETTLING"}
        Which of the tables of ``null_table``.

    Returns
    -------
    ndarray of shape (n_series,)
        Log-linear between the tabled quantiles and beyond the last; at least ``smallest_p``.
    """
    quantile, log_tail = null_nodes(n_drops, table)
    log_p = np.interp(evidence, quantile, log_tail)
    slope = (log_tail[-1] - log_tail[-2]) / (quantile[-1] - quantile[-2])
    log_p += slope * np.maximum(np.where(np.isfinite(evidence), evidence, 0) - quantile[-1], 0)
    return np.maximum(np.exp(log_p), smallest_p(n_drops))


@lru_cache(maxsize=1024)
def null_nodes(n_drops: int, table: str) -> tuple[FloatArray, FloatArray]:
    """Quantiles of the evidence over steady series and the log tail probability of each.

    Between the tabled lengths linear in ln n, beyond the last as the last: the distribution has
    long ceased to change.
    """
    quantiles = np.asarray(getattr(null_table, table))
    lengths = np.asarray(null_table.LENGTHS, dtype=float)
    at = np.interp(math.log(n_drops), np.log(lengths), np.arange(len(lengths)))
    lower = int(at)
    upper = min(lower + 1, len(lengths) - 1)
    tabled = np.isfinite(quantiles[lower]) & np.isfinite(quantiles[upper])
    below, above = quantiles[lower, tabled], quantiles[upper, tabled]
    quantile = below + (at - lower) * (above - below)
    tail = np.asarray(null_table.TAILS)[tabled]
    return np.append(NO_RISE, quantile), np.log(np.append(1.0, tail))


def detectable_rise_pct(drop_number: IntArray, scatter: float, information: float = 1.0) -> float:
    """Steady climb that would be told as rising in four of five series like this one.

    Parameters
    ----------
    drop_number : ndarray of shape (n_drops,)
        Of the valid drops, at least 4.
    scatter : float
        Standard deviation of log peak g about the level.
    information : float
        Share of independent readings that these are worth.

    Returns
    -------
    float
        Percent per drop.
    """
    count, total = len(drop_number), int(drop_number.sum())
    spread = int(drop_number @ drop_number) - total**2 / count
    return 100 * math.expm1(_detectable_climb(count) * scatter / math.sqrt(information * spread))


@lru_cache(maxsize=1024)
def _detectable_climb(n_drops: int) -> float:
    lengths = np.log(null_table.LENGTHS)
    return float(np.interp(math.log(n_drops), lengths, null_table.DETECTABLE))


def judge_trends(
    histories: Sequence[DropHistory],
    fits: Iterable[WearFit] | None = None,
    *,
    like: Sequence[DropHistory] | None = None,
    correlations: Mapping[str, SerialCorrelation] | None = None,
) -> list[Trend]:
    """Wear of the case in each series: is its peak g climbing, and how fast.

    The final verdict and the running alarms each call at most 5 % of steady series rising, whether
    their scatter is normal, heavy-tailed or skewed, and with wild readings among them. A rise that
    goes on or stays is "rising"; one that is more than twice as likely to have levelled off, as
    the first drops' often does, is "settled".

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series, in any order.
    fits : iterable of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already, in any order; one is
        let go of before the next.
    like : sequence of DropHistory, optional
        Those whose verdicts are counted beside, where they are of the same case model and
        condition; by default ``histories``.
    correlations : mapping of str to SerialCorrelation, optional
        By which each series is judged; by default from ``histories``.

    Returns
    -------
    list of Trend
        In the order of ``histories``.
    """
    if fits is None:
        fits = fit_wear(histories)
    everyone = {each.series: each for each in (*(like or ()), *histories)}
    if correlations is None:
        correlations = serial_correlations([*everyone.values()], everyone)
    judged = _judged(histories, correlations)
    verdicts = {series: each.verdict for series, each in judged.items()}
    kind = _kinds(everyone.values())
    asked = {kind[each.series] for each in histories}
    alike = [each for each in everyone.values() if kind[each.series] in asked]
    others = (each for each in alike if each.series not in verdicts)
    beside = _like_cases(alike, kind, verdicts | _verdicts(others, correlations))
    by_code = {history.series: history for history in histories}
    q_rise, q_settling = (
        dict(zip(judged, _q_values([each.p(name) for each in judged.values()]), strict=True))
        for name in ("p_rise", "p_settling")
    )
    trends = {}
    for fit in fits:
        code, history = fit.series, by_code[fit.series]
        trends[code] = (
            _trend(
                history,
                fit,
                judged[code],
                correlations.get(code, NONE),
                beside(history),
                (q_rise[code], q_settling[code]),
            )
            if code in judged
            else _too_few(history, fit)
        )
    return [trends[history.series] for history in histories]


def alarm_log_e_values(
    histories: Sequence[DropHistory], correlations: Mapping[str, SerialCorrelation]
) -> dict[str, float]:
    """Log e-value of the alarm of each series with enough drops: see ``alarm.log_e_values``."""
    found: dict[str, float] = {}
    for some, log_peak, information in _by_length(histories, correlations):
        values = log_e_values(log_peak, information).tolist()
        found |= zip((each.series for each in some), values, strict=True)
    return found


@dataclass(frozen=True, slots=True)
class _Judged:
    """What was found of one series among those of its length."""

    drop_number: IntArray
    block: BlockVerdict
    kendall: MannKendall
    slope: TheilSen
    row: int

    @property
    def verdict(self) -> TrendVerdict:
        return self.block.verdict[self.row]

    def p(self, name: str) -> float:
        """A p with as many digits as don't depend on what was judged together."""
        return float(f"{getattr(self.block, name)[self.row]:.10g}")

    def drop(self, alarm: IntArray) -> int | None:
        """Drop number of an alarm."""
        return int(self.drop_number[alarm[self.row] - 1]) if alarm[self.row] else None


def _judged(
    histories: Sequence[DropHistory], correlations: Mapping[str, SerialCorrelation]
) -> dict[str, _Judged]:
    """Every series with enough drops."""
    found: dict[str, _Judged] = {}
    for some, log_peak, information in _by_length(histories, correlations):
        block = judge_block(log_peak, information)
        kendall = mann_kendall(log_peak, information)
        slope = theil_sen(np.stack([each.wear_clock for each in some]), log_peak)
        for row, each in enumerate(some):
            found[each.series] = _Judged(each.drop_number, block, kendall, slope, row)
    return found


def _verdicts(
    histories: Iterable[DropHistory], correlations: Mapping[str, SerialCorrelation]
) -> dict[str, TrendVerdict]:
    """The final verdict alone, at a small part of the time."""
    found: dict[str, TrendVerdict] = {}
    for some, log_peak, information in _by_length(histories, correlations):
        verdicts, *_ = final_verdicts(log_peak, information)
        found |= zip((each.series for each in some), verdicts, strict=True)
    return found


def _by_length(
    histories: Iterable[DropHistory], correlations: Mapping[str, SerialCorrelation]
) -> Iterator[tuple[list[DropHistory], FloatArray, FloatArray]]:
    """Series of equally many drops, if enough, with their log peak g and information."""
    by_length: dict[int, list[DropHistory]] = defaultdict(list)
    for history in histories:
        if history.drop_number.size >= basis.MIN_DROPS_FOR_TREND:
            by_length[history.drop_number.size].append(history)
    for some in by_length.values():
        shares = [correlations.get(each.series, NONE).information for each in some]
        yield some, np.log(np.stack([each.peak_g for each in some])), np.array(shares)


def _kinds(histories: Iterable[DropHistory]) -> dict[str, int]:
    """By series, a number for the model and condition that cases are alike in."""
    numbers: dict[object, int] = {}
    return {
        each.series: numbers.setdefault((each.case_model, condition_of(each)), len(numbers))
        for each in histories
    }


def _like_cases(
    histories: Iterable[DropHistory],
    kinds: Mapping[str, int],
    verdicts: Mapping[str, TrendVerdict],
) -> Callable[[DropHistory], str | None]:
    """What the other cases of the same model did under the same condition, in words."""
    by_kind: dict[int, dict[str, set[TrendVerdict]]] = defaultdict(lambda: defaultdict(set))
    for each in histories:
        if each.case is not None and each.case_model is not None and each.series in verdicts:
            by_kind[kinds[each.series]][each.case].add(verdicts[each.series])
    # What a case did over its series: it rises if any of them does.
    did = {
        kind: {
            case: next((each for each in ("rising", "settled") if each in found), "steady")
            for case, found in cases.items()
        }
        for kind, cases in by_kind.items()
    }
    counts = {kind: Counter(cases.values()) for kind, cases in did.items()}

    def words(history: DropHistory) -> str | None:
        kind = kinds[history.series]
        cases, count = did.get(kind, {}), counts.get(kind, Counter())
        own = cases.get(history.case or "")
        others = len(cases) - (own is not None)
        if not others:
            return None
        rising, settled = (count[each] - (own == each) for each in ("rising", "settled"))
        of_them = f"of {basis.counted(others, 'like case')}"
        if rising and not settled:
            return f"{rising} {of_them} rising"
        return f"{settled} {of_them} levelled off{f', {rising} rising' if rising else ''}"

    return words


def _trend(
    history: DropHistory,
    fit: WearFit,
    judged: _Judged,
    correlation: SerialCorrelation,
    like_cases: str | None,
    q_values: tuple[float | None, float | None],
) -> Trend:
    row, block, kendall = judged.row, judged.block, judged.kendall
    verdict, p_rise, p_settling = judged.verdict, judged.p("p_rise"), judged.p("p_settling")
    p_value = p_settling if verdict == "settled" else p_rise
    odds = math.exp(float(block.log_odds[row]))
    n = judged.drop_number.size
    rise = _shown_rise(fit, history.wear_clock, verdict, p_value)
    if verdict == "rising" and (rise.estimate is None or rise.estimate < SMALLEST_SHOWN):
        verdict, rise = "steady", _shown_rise(fit, history.wear_clock, "steady", p_value)
    detectable = None
    if fit.scatter is not None:
        detectable = detectable_rise_pct(history.wear_clock, fit.scatter, correlation.information)
    rose = verdict in ("rising", "settled")
    too_early = rose and n < TOO_EARLY_BELOW and abs(math.log(odds)) <= WEAR_ALARM
    notes = [basis.readings(history)]
    if rose:
        notes.append(
            f"odds {_odds(odds)} that it goes on"
            if verdict == "rising"
            else f"odds {_odds(1 / odds)} that it has levelled off"
        )
        if like_cases:
            notes.append(like_cases)
    if rise.over_all_drops:
        notes.append("rise over all drops: over the later half none is shown")
    if fit.doubted_drops:
        notes.append(f"{basis.counted(len(fit.doubted_drops), 'reading')} down-weighted")
    if fit.off_in_a_row:
        notes.append(basis.in_a_row_words(fit.off_in_a_row))
    if fit.siblings:
        notes.append(f"level with {basis.counted(fit.siblings, 'sibling')}")
    if correlation.words:
        notes.append(correlation.words)
    if smallest_p(n) > 0.001:
        notes.append(f"p can't fall below {smallest_p(n):.2g}")
    if verdict == "steady":
        if kendall.s[row] < 0 and kendall.p_either[row] <= FALSE_RISE_RATE:
            notes.append(f"peak g falls (Mann-Kendall p {kendall.p_either[row]:.2g})")
        elif detectable is not None:
            notes.append(f"a climb below {detectable:.2g} % per drop could have been missed")
    return _with_level(
        history,
        fit,
        verdict=verdict,
        rise=rise,
        too_early=too_early,
        odds_goes_on=odds,
        alarm_at_drop=judged.drop(block.alarm),
        wear_alarm_at_drop=judged.drop(block.wear_alarm),
        p_value=p_value,
        p_rise=p_rise,
        p_settling=p_settling,
        q_value=q_values[verdict == "settled"],
        notes=notes,
        detectable_pct_per_drop=detectable,
        mann_kendall_s=int(kendall.s[row]),
        mann_kendall_p=float(kendall.p_rise[row]),
        sen_pct_per_drop=_percent(judged.slope.slope[row]),
        sen_lower=_percent(judged.slope.lower[row]),
        sen_upper=_percent(judged.slope.upper[row]),
    )


@dataclass(frozen=True, slots=True)
class _Rise:
    """Percent per drop, with its 90 % interval."""

    lower: float | None
    estimate: float | None
    upper: float | None
    over_all_drops: bool = False


def _shown_rise(fit: WearFit, wear_clock: IntArray, verdict: TrendVerdict, p_value: float) -> _Rise:
    """The rise with an interval that agrees with the verdict.

    What is called rising rises over the later half of the drops, or, where it jumped and stayed,
    over all of them. Where the fit, which like cases inform, still says otherwise than the verdict
    on the readings of this series alone, the lower end is that of the verdict's own test
    (Miettinen 1976, Am. J. Epidemiology 103: estimate · (1 - z at 5 % / z of the test)). Beside
    what has levelled off stands the wear that goes on, its lower end 0 at most.
    """
    rise = _Rise(fit.rise_lower, fit.rise_pct_per_drop, fit.rise_upper)
    if verdict == "rising" and fit.draws is not None and (rise.lower or 0.0) < SMALLEST_SHOWN:
        lower, estimate, upper = rise_interval(fit.draws, wear_clock, over_all=True)
        rise = _Rise(lower, estimate, upper, over_all_drops=True)
    if verdict == "settled" and fit.draws is not None:
        lower, estimate, upper = rise_interval(fit.draws, wear_clock, settling_apart=True)
        rise = _Rise(lower, estimate, upper)
    if rise.lower is None or rise.estimate is None:
        return rise
    if verdict == "rising" and rise.lower < SMALLEST_SHOWN <= rise.estimate:
        surprise = max(NormalDist().inv_cdf(1.0 - max(p_value, 1e-12)), ONE_SIDED)
        lower = max(rise.estimate * (1.0 - ONE_SIDED / surprise), SMALLEST_SHOWN)
        return replace(rise, lower=lower)
    if verdict == "settled":
        return replace(rise, lower=min(rise.lower, 0.0))
    if verdict == "steady" and rise.lower > 0.0:
        surprise = max(NormalDist().inv_cdf(1.0 - min(p_value, 0.999)), LEAST_SURPRISE)
        return replace(rise, lower=rise.estimate * (1.0 - ONE_SIDED / surprise))
    return rise


def _odds(odds: float) -> str:
    return "over 100 to 1" if odds > 100 else f"{odds:.2g} to 1"


def with_q_values(trends: Sequence[Trend]) -> list[Trend]:
    """Trends with the false discovery rate at which each would be called what it is.

    Over the trends given (Benjamini & Hochberg 1995, J. Roy. Stat. Soc. B 57): beside "settled" by
    the p of a settling of each, else by the p of a rise of each. The two are separate families: a
    steady series has a chance to be called in either.
    """
    rise, settling = (
        _q_values([getattr(each, name) for each in trends]) for name in ("p_rise", "p_settling")
    )
    return [
        replace(each, q_value=settling[at] if each.verdict == "settled" else rise[at])
        for at, each in enumerate(trends)
    ]


def _q_values(p_values: Sequence[float | None]) -> list[float | None]:
    judged = sorted((p, at) for at, p in enumerate(p_values) if p is not None)
    found: list[float | None] = [None] * len(p_values)
    least = 1.0
    for rank in range(len(judged), 0, -1):
        p_value, at = judged[rank - 1]
        least = min(least, p_value * len(judged) / rank)
        found[at] = least
    return found


def _too_few(history: DropHistory, fit: WearFit) -> Trend:
    return _with_level(
        history,
        fit,
        verdict="too few",
        rise=_Rise(fit.rise_lower, fit.rise_pct_per_drop, fit.rise_upper),
        notes=[basis.readings(history), f"a trend needs {basis.MIN_DROPS_FOR_TREND}"],
        alarm_at_drop=None,
        wear_alarm_at_drop=None,
        p_value=None,
    )


def _with_level(
    history: DropHistory,
    fit: WearFit,
    *,
    verdict: TrendVerdict,
    rise: _Rise,
    notes: list[str],
    **judged: Any,
) -> Trend:
    likely = [name for name in SHAPES_OF_VERDICT[verdict] if name in fit.shape_weights]
    return Trend(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        valid_drops=history.drop_number.size,
        verdict=verdict,
        level_first_g=fit.level_first_g,
        level_latest_g=fit.level_latest_g,
        rise_pct_per_drop=rise.estimate,
        rise_lower=rise.lower,
        rise_upper=rise.upper,
        shape=max(likely, key=fit.shape_weights.__getitem__) if likely else None,
        basis=", ".join(notes),
        drop_number=history.drop_number,
        peak_g=history.peak_g,
        level_g=fit.level_g,
        level_lower_g=fit.level_lower_g,
        level_upper_g=fit.level_upper_g,
        shape_weights=fit.shape_weights,
        doubted_drops=fit.doubted_drops,
        off_in_a_row=fit.off_in_a_row,
        **judged,
    )


def _percent(log_slope: float) -> float | None:
    """Rise in percent per drop; None for NaN."""
    return None if math.isnan(log_slope) else 100 * math.expm1(log_slope)
