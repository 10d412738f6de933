"""One value a session, where the drops of one session are more alike than the rig from day to day.

Sessions here are days: the charts take their readings for independent, which drops between two
set-ups of the rig are and drops of one set-up may not be.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray

FEWEST_SESSIONS = 5
"""Sessions by which it is judged whether sessions differ: at least so many, and half of all, since
a drift in the later ones would be taken for such a difference."""

ALIKE = 0.4
"""Size of the F test. Lenient, since an overlooked difference between sessions brings false alarms
and a supposed one only a slower chart: with it steady rigs whose sessions scatter by none, half,
all or twice the drop-to-drop scatter signal within 12 or 25 sessions of 4 drops as seldom as with
independent drops (2 to 6 in 100, 200 simulated rigs each; with 5 % in its place up to 12)."""


def session_values(
    when: FloatArray, peak_g: FloatArray, session: Sequence[str]
) -> tuple[FloatArray, FloatArray, bool]:
    """Readings to chart: each drop, or the geometric mean of each session.

    Parameters
    ----------
    when, peak_g : ndarray of shape (n,)
        Time or number, ascending, and peak g of each reference drop.
    session : sequence of str
        Session of each drop; drops of one session stand together.

    Returns
    -------
    when, peak_g : ndarray
        Of shape (n,) or (n_sessions,), with the mean time of each session.
    averaged : bool
        True when a value stands for a session. Drops are charted one by one where each session
        has one, where there is but one session, or where the first sessions differ no more than
        their drops let expect (one-way analysis of variance, F test of size `ALIKE`).
    """
    _, first, group = np.unique(np.asarray(session), return_index=True, return_inverse=True)
    group = np.argsort(np.argsort(first))[group]
    count = np.bincount(group).astype(float)
    if len(count) == len(group) or not _sessions_differ(np.log(peak_g), group, count):
        return when, peak_g, False
    mean = np.bincount(group, np.log(peak_g)) / count
    return np.bincount(group, when) / count, np.exp(mean), True


def _sessions_differ(log_peak: FloatArray, group: np.ndarray, count: FloatArray) -> bool:
    from scipy.special import fdtrc

    sessions = min(len(count), max(FEWEST_SESSIONS, (len(count) + 1) // 2))
    judged = group < sessions
    readings, group, count = log_peak[judged], group[judged], count[:sessions]
    if sessions < 2 or len(readings) == sessions:
        return sessions > 1
    mean = np.bincount(group, readings) / count
    within = float(np.sum((readings - mean[group]) ** 2)) / (len(readings) - sessions)
    between = float(count @ (mean - readings.mean()) ** 2) / (sessions - 1)
    if within <= 0:
        return between > 0
    tail = float(fdtrc(sessions - 1, len(readings) - sessions, between / within))
    return tail <= ALIKE
