"""Wear of the case told per series: verdict, running alarm and what they rest on."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.record import basis
from durability.wear import null_table
from durability.wear.fitting import fit_wear
from durability.wear.kendall import MannKendall, TheilSen, mann_kendall, theil_sen
from durability.wear.results import Trend, TrendVerdict, WearFit
from durability.wear.rise_evidence import G, judged_evidence, rise_evidence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from durability.record.records import DropHistory, FloatArray, IntArray

FIRST_LOOK = 5
"""Drops before the first look. Even then no order is rare enough (1/5! = 0.008 is more than one
look may spend), but what it leaves unspent goes to the next."""

EVERY_DROP_UNTIL = 50
"""From here on a look each time the series has grown by a twentieth: one drop more says little new
in a longer series."""

SECOND_LOOK_FROM = 0.8
"""Log Bayes factor above which the robust fit is refined; the bounds lie above 1.7."""


def alarm_looks(n_drops: int) -> list[int]:
    """Numbers of drops after which the running alarm looks, up to ``n_drops``."""
    looks, n = [], FIRST_LOOK
    while n <= n_drops:
        looks.append(n)
        n = max(n + 1, round(1.05 * n)) if n >= EVERY_DROP_UNTIL else n + 1
    return looks


def alarm_bound(n_drops: int) -> float:
    """Log Bayes factor of the ranks above which a rise is told after ``n_drops`` drops."""
    if n_drops < FIRST_LOOK + len(null_table.ALARM_BOUNDS):
        return null_table.ALARM_BOUNDS[n_drops - FIRST_LOOK]
    return null_table.LATER_LEVEL + null_table.LATER_GROWTH * math.log(n_drops / 25)


def running_scores(readings: FloatArray) -> Iterator[tuple[int, FloatArray]]:
    """Normal scores of the ranks among the first drops, look by look.

    Equal readings share their mean rank. The normal quantile is Tukey's lambda form with 0.135,
    within 0.01 of the true one (Joiner & Rosenblatt 1971, J. Am. Stat. Assoc. 66).

    Parameters
    ----------
    readings : ndarray of shape (n_series, n_drops)

    Yields
    ------
    n, scores : int, ndarray of shape (n_series, n)
    """
    n_series, n_drops = readings.shape
    twice_below = np.zeros((n_series, n_drops), dtype=np.int32)
    looks = set(alarm_looks(n_drops))
    for last in range(n_drops):
        new, earlier = readings[:, last, None], readings[:, :last]
        raised = (new < earlier).astype(np.int32) + (new <= earlier)
        twice_below[:, :last] += raised
        twice_below[:, last] = 2 * last - raised.sum(axis=1)
        n = last + 1
        if n in looks:
            fraction = (0.5 * np.arange(2 * n) + 0.625) / (n + 0.25)
            score = (fraction**0.135 - (1 - fraction) ** 0.135) / 0.1975
            yield n, score[twice_below[:, :n]]


def rank_evidence(scores: FloatArray) -> FloatArray:
    """Log Bayes factor for a rise in the ranks; shape (n_series,)."""
    return rise_evidence(scores, second_look_from=SECOND_LOOK_FROM).rising


def first_alarm(log_peak: FloatArray) -> IntArray:
    """Number of drops after which each series would first have been told rising; 0 for never.

    A rise that at that time looks like settling is not told.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)

    Returns
    -------
    ndarray of shape (n_series,)
        Counts valid drops, not drop numbers.
    """
    alarm = np.zeros(len(log_peak), dtype=np.int64)
    for n, scores in running_scores(log_peak):
        waiting = np.flatnonzero(alarm == 0)
        told = waiting[rank_evidence(scores[waiting]) > alarm_bound(n)]
        alarm[told[~rise_evidence(log_peak[told, :n]).looks_settled]] = n
    return alarm


FALSE_RISE_RATE = 0.05
"""Share of steady series told "rising" at the end, at most."""

FALSE_SETTLED_RATE = 0.025
"""Share of steady series told "settled", at most."""

NO_RISE = -0.5 * math.log(1 + G)
"""Log Bayes factor of readings that do not rise at all."""

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

    ``verdict`` holds "rising", "settled" or "steady". ``alarm`` counts the valid drops after which
    the running alarm first told a rise, 0 for never.
    """

    verdict: list[TrendVerdict]
    p_value: FloatArray
    alarm: IntArray


def judge_block(log_peak: FloatArray) -> BlockVerdict:
    """Verdict and running alarm of many series with equally many drops.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Natural logarithm of peak g over the valid drops, at least
        ``basis.MIN_DROPS_FOR_TREND``.

    Returns
    -------
    BlockVerdict
        ``p_value`` is one-sided and that of the verdict's own test: against a settling where the
        verdict is "settled", else against a rise. It is never below 1 / n!, the most that the
        order of n readings can show.
    """
    n_series, n = log_peak.shape
    p_rising, p_settling = np.empty(n_series), np.empty(n_series)
    alarm = np.empty(n_series, dtype=np.int64)
    rows = max(1, BLOCK_READINGS // n)
    for start in range(0, n_series, rows):
        part = slice(start, start + rows)
        rising, settling = judged_evidence(log_peak[part])
        p_rising[part] = tail_probability(rising, n, "RISING")
        p_settling[part] = tail_probability(settling, n, "SETTLING")
        alarm[part] = first_alarm(log_peak[part])
    settled = p_settling <= FALSE_SETTLED_RATE
    verdict: list[TrendVerdict] = [
        "settled" if levelled else "rising" if p <= FALSE_RISE_RATE else "steady"
        for levelled, p in zip(settled.tolist(), p_rising.tolist(), strict=True)
    ]
    return BlockVerdict(verdict, np.where(settled, p_settling, p_rising), alarm)


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


def detectable_rise_pct(drop_number: IntArray, scatter: float) -> float:
    """Steady climb that would be told as rising in four of five series like this one.

    Parameters
    ----------
    drop_number : ndarray of shape (n_drops,)
        Of the valid drops, at least 4.
    scatter : float
        Standard deviation of log peak g about the level.

    Returns
    -------
    float
        Percent per drop.
    """
    away = drop_number - drop_number.mean()
    climb = np.interp(math.log(len(drop_number)), np.log(null_table.LENGTHS), null_table.DETECTABLE)
    return 100 * math.expm1(float(climb) * scatter / math.sqrt(float(away @ away)))


def judge_trends(
    histories: Sequence[DropHistory], fits: Sequence[WearFit] | None = None
) -> list[Trend]:
    """Wear of the case in each series: is its peak g climbing, and how fast.

    The final verdict and the running alarm each call at most 5 % of steady series rising, whether
    their scatter is normal, heavy-tailed or skewed, and with wild readings among them. A rise that
    is over within the first two or three drops and level thereafter is "settled"; a step from the
    fourth drop on that stays, or a climb that goes on, is "rising".

    Parameters
    ----------
    histories : sequence of DropHistory
        One a series, in any order.
    fits : sequence of WearFit, optional
        What ``fit_wear(histories)`` gave, when it has been called already.

    Returns
    -------
    list of Trend
        In the order of ``histories``.
    """
    if fits is None:
        fits = fit_wear(histories)
    by_length: dict[int, list[int]] = defaultdict(list)
    for position, history in enumerate(histories):
        by_length[history.drop_number.size].append(position)
    trends: dict[int, Trend] = {}
    for n, positions in by_length.items():
        if n < basis.MIN_DROPS_FOR_TREND:
            for position in positions:
                trends[position] = _too_few(histories[position], fits[position])
            continue
        log_peak = np.log(np.stack([histories[position].peak_g for position in positions]))
        number = np.stack([histories[position].drop_number for position in positions])
        judged = judge_block(log_peak)
        kendall = mann_kendall(log_peak)
        slope = theil_sen(number, log_peak)
        for row, position in enumerate(positions):
            trends[position] = _trend(
                histories[position], fits[position], judged, kendall, slope, row
            )
    return [trends[position] for position in range(len(histories))]


def _trend(
    history: DropHistory,
    fit: WearFit,
    judged: BlockVerdict,
    kendall: MannKendall,
    slope: TheilSen,
    row: int,
) -> Trend:
    verdict = judged.verdict[row]
    alarm = int(judged.alarm[row])
    detectable = None
    if fit.scatter is not None:
        detectable = detectable_rise_pct(history.drop_number, fit.scatter)
    notes = [basis.readings(history)]
    if fit.doubted_drops:
        notes.append(f"{basis.counted(len(fit.doubted_drops), 'reading')} doubted")
    if fit.siblings:
        notes.append(f"level with {basis.counted(fit.siblings, 'sibling')}")
    if smallest_p(history.drop_number.size) > 0.001:
        notes.append(f"p can't fall below {smallest_p(history.drop_number.size):.2g}")
    if verdict == "steady":
        if kendall.s[row] < 0 and kendall.p_either[row] <= FALSE_RISE_RATE:
            notes.append(f"peak g falls (Mann-Kendall p {kendall.p_either[row]:.2g})")
        elif detectable is not None:
            notes.append(f"a climb below {detectable:.2g} % per drop could have been missed")
    return _with_level(
        history,
        fit,
        verdict=verdict,
        alarm_at_drop=int(history.drop_number[alarm - 1]) if alarm else None,
        p_value=float(judged.p_value[row]),
        notes=notes,
        detectable_pct_per_drop=detectable,
        mann_kendall_s=int(kendall.s[row]),
        mann_kendall_p=float(kendall.p_rise[row]),
        sen_pct_per_drop=_percent(slope.slope[row]),
        sen_lower=_percent(slope.lower[row]),
        sen_upper=_percent(slope.upper[row]),
    )


def _too_few(history: DropHistory, fit: WearFit) -> Trend:
    return _with_level(
        history,
        fit,
        verdict="too few",
        alarm_at_drop=None,
        p_value=None,
        notes=[basis.readings(history), f"a trend needs {basis.MIN_DROPS_FOR_TREND}"],
    )


def _with_level(
    history: DropHistory,
    fit: WearFit,
    *,
    verdict: TrendVerdict,
    alarm_at_drop: int | None,
    p_value: float | None,
    notes: list[str],
    detectable_pct_per_drop: float | None = None,
    mann_kendall_s: int | None = None,
    mann_kendall_p: float | None = None,
    sen_pct_per_drop: float | None = None,
    sen_lower: float | None = None,
    sen_upper: float | None = None,
) -> Trend:
    likely = [name for name in SHAPES_OF_VERDICT[verdict] if name in fit.shape_weights]
    return Trend(
        series=history.series,
        case=history.case,
        case_model=history.case_model,
        drops=history.drops,
        valid_drops=history.drop_number.size,
        verdict=verdict,
        alarm_at_drop=alarm_at_drop,
        level_first_g=fit.level_first_g,
        level_latest_g=fit.level_latest_g,
        rise_pct_per_drop=fit.rise_pct_per_drop,
        rise_lower=fit.rise_lower,
        rise_upper=fit.rise_upper,
        p_value=p_value,
        shape=max(likely, key=fit.shape_weights.__getitem__) if likely else None,
        basis=", ".join(notes),
        drop_number=history.drop_number,
        peak_g=history.peak_g,
        level_g=fit.level_g,
        level_lower_g=fit.level_lower_g,
        level_upper_g=fit.level_upper_g,
        shape_weights=fit.shape_weights,
        doubted_drops=fit.doubted_drops,
        detectable_pct_per_drop=detectable_pct_per_drop,
        mann_kendall_s=mann_kendall_s,
        mann_kendall_p=mann_kendall_p,
        sen_pct_per_drop=sen_pct_per_drop,
        sen_lower=sen_lower,
        sen_upper=sen_upper,
    )


def _percent(log_slope: float) -> float | None:
    """Rise in percent per drop; None for NaN."""
    return None if math.isnan(log_slope) else 100 * math.expm1(log_slope)
