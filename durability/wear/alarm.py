"""The running alarm: after which drop a watcher would first have been told of a rise."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from durability.wear import null_table
from durability.wear.results import WEAR_ALARM_ODDS
from durability.wear.rise_evidence import (
    STILL_GOES_ON,
    deflated,
    log_odds_goes_on,
    rise_evidence,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from durability.record.records import FloatArray, IntArray

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
            yield n, _scores(n)[twice_below[:, :n]]


def _scores(n_drops: int) -> FloatArray:
    """Normal scores by twice the number of readings below, those between two of equal ones too."""
    fraction = (0.5 * np.arange(2 * n_drops) + 0.625) / (n_drops + 0.25)
    return np.asarray((fraction**0.135 - (1 - fraction) ** 0.135) / 0.1975)


def rank_evidence(scores: FloatArray) -> FloatArray:
    """Log Bayes factor for a rise in the ranks; shape (n_series,)."""
    return rise_evidence(scores, second_look_from=SECOND_LOOK_FROM).rising


WEAR_ALARM = math.log(WEAR_ALARM_ODDS)


def first_alarms(log_peak: FloatArray, information: FloatArray) -> tuple[IntArray, IntArray]:
    """Numbers of drops after which a watcher would first have heard the alarm, and the wear alarm.

    The alarm is raised where a rise is shown and is not likelier to have levelled off. The wear
    alarm follows, then or later, where the rise is four times likelier to go on.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
    information : ndarray of shape (n_series,)
        Share of independent readings that these are worth.

    Returns
    -------
    alarm, wear_alarm : ndarray of shape (n_series,)
        Valid drops, not drop numbers; 0 for never.
    """
    alarm, wear_alarm = np.zeros((2, len(log_peak)), dtype=np.int64)
    for n, scores in running_scores(log_peak):
        waiting = np.flatnonzero(alarm == 0)
        evidence = deflated(rank_evidence(scores[waiting]), information[waiting])
        alarm[waiting[evidence > alarm_bound(n)]] = n
        rose = np.flatnonzero((alarm > 0) & (wear_alarm == 0))
        odds = log_odds_goes_on(log_peak[rose, :n], information[rose])
        alarm[rose[(alarm[rose] == n) & (odds <= STILL_GOES_ON)]] = 0
        wear_alarm[rose[odds > WEAR_ALARM]] = n
    return alarm, wear_alarm


# ------------------------------------------------------------ evidence however often it is checked

BET_SLOPES, BET_ONSETS, BET_JUMPS = (0.05, 0.12, 0.3), (0.1, 0.3), (1.5, 3.0)
"""Rises that are bet on, in scatters: a climb a drop from the first drop on, one from a later drop
on, and a jump that stays."""
BET_WEIGHTS = 0.35, 0.30, 0.35
"""Of these three kinds."""


def log_e_values(log_peak: FloatArray, information: FloatArray) -> FloatArray:
    """Evidence for a rise that stays valid however often it is checked: the log of an e-value.

    While a series is steady each reading ranks anywhere among those before it with equal chance,
    whatever the law of the scatter. A bet on its normal score at fair odds therefore multiplies a
    stake by 1 on average, at any drop and at any time that is chosen to stop: a test martingale
    (Vovk & Wang 2021, Annals of Statistics 49; Fedorova et al. 2012, ICML). The stake is spread
    over many rises, as in the alarm's own Bayes factor, of which no such bound is proved.
    Equal readings count as below each other, against a rise.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Over the valid drops.
    information : ndarray of shape (n_series,)
        Share of independent readings that these are worth: the power to which the e-value is taken.

    Returns
    -------
    ndarray of shape (n_series,)
    """
    n_series, n_drops = log_peak.shape
    tilt, log_mean, weight = _bets(1 << (n_drops - 1).bit_length())
    score = np.empty((n_series, n_drops))
    for last in range(n_drops):
        below = (log_peak[:, :last] < log_peak[:, last, None]).sum(axis=1)
        score[:, last] = _scores(last + 1)[2 * below]
    log_stake = score @ tilt[:, :n_drops].T - log_mean[:, :n_drops].sum(axis=1)
    top = np.maximum(log_stake.max(axis=1, keepdims=True), 0.0)
    # What is bet on rises that begin later is still in hand.
    total = np.exp(log_stake - top) @ weight + np.exp(-top[:, 0]) * (1.0 - weight.sum())
    return np.asarray(information * (top[:, 0] + np.log(total)), dtype=np.float64)


@lru_cache(maxsize=16)
def _bets(n_drops: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each rise that is bet on: tilt of the score at each drop, its log mean, and the stake.

    Returns
    -------
    tilt, log_mean : ndarray of shape (n_rises, n_drops)
        A reading of score z multiplies the stake by exp(tilt · z - log_mean).
    weight : ndarray of shape (n_rises,)
        Sums to less than 1: the rest is for rises that begin later.
    """
    before = np.arange(n_drops, dtype=np.float64)
    climb, onset, jump = BET_WEIGHTS
    rises = [slope * before for slope in BET_SLOPES]
    weights = [climb / len(BET_SLOPES)] * len(BET_SLOPES)
    start, order = 1, 0
    while start < n_drops:
        share = 2.0 / ((order + 2) * (order + 3))
        rises += [slope * np.maximum(0.0, before - start) for slope in BET_ONSETS]
        weights += [onset * share / len(BET_ONSETS)] * len(BET_ONSETS)
        rises += [np.where(before >= start, size, 0.0) for size in BET_JUMPS]
        weights += [jump * share / len(BET_JUMPS)] * len(BET_JUMPS)
        start, order = max(start + 1, round(1.5 * start)), order + 1
    rise = np.array(rises)
    tilt, log_mean = np.zeros((2, *rise.shape))
    earlier = before[1:]
    mean = rise.cumsum(axis=1)[:, :-1] / earlier
    variance = np.maximum(np.square(rise).cumsum(axis=1)[:, :-1] / earlier - mean**2, 0.0)
    tilt[:, 1:] = np.maximum(rise[:, 1:] - mean, 0.0) / (1.0 + variance)
    for last in range(1, n_drops):
        possible = _scores(last + 1)[::2]
        log_mean[:, last] = np.log(np.exp(tilt[:, last, None] * possible).mean(axis=1))
    return tilt, log_mean, np.array(weights)


def e_discoveries(log_e_values: Mapping[str, float], rate: float) -> list[str]:
    """Which of many series are called by their e-values at a false discovery rate.

    The k largest, where the last of them is at least series / (k · rate), for the largest such k
    (Wang & Ramdas 2022, J. Roy. Stat. Soc. B 84). However the series depend on each other, and
    whenever one stops to check, the mean share of false ones among them is at most the rate.

    Parameters
    ----------
    log_e_values : mapping of str to float
        Of each series.
    rate : float
        The false discovery rate.
    """
    ordered = sorted(log_e_values.items(), key=lambda each: (-each[1], each[0]))
    called = 0
    for at, (_, log_e_value) in enumerate(ordered, start=1):
        if log_e_value >= math.log(len(ordered) / (at * rate)):
            called = at
    return [series for series, _ in ordered[:called]]
