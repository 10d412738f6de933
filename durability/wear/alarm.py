"""The running alarm: after which drop a watcher would first have been told of a rise."""

from __future__ import annotations

import math
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
    from collections.abc import Iterator

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
            fraction = (0.5 * np.arange(2 * n) + 0.625) / (n + 0.25)
            score = (fraction**0.135 - (1 - fraction) ** 0.135) / 0.1975
            yield n, score[twice_below[:, :n]]


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
