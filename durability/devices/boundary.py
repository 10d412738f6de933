"""Fragility of a device as a boundary: critical peak g and critical velocity change.

A shock breaks a device when its peak and its velocity change both lie beyond the critical ones.
What drops tell of the two are bounds, each from one side: a shock that broke a device bounds both
from above, and one that did not bounds the one only where it went clearly beyond the other.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from durability.devices.results import CriticalValue, DamageBoundary, FailedShock

if TYPE_CHECKING:
    from durability.record.records import ShockHistory

CORNER_VELOCITY = math.pi / 2.0
"""From so many times the critical velocity change on, only the peak decides: ASTM D3332-99 asks for
1.57 times in its test method B; exact for a rectangular pulse on an undamped oscillator."""

CORNER_PEAK = 2.0
"""From so many times the critical peak on, the boundary lies within 5 % of the critical velocity
change: of a rectangular pulse of angle θ it passes through peak 1/sin θ and velocity change
θ/sin θ, in units of the critical ones, so at twice the peak through π/3 = 1.047."""

NO_MODEL = "devices of no model"

FEWEST_SHOCKS = 2
"""One that failed and one that passed: with fewer there are no two sides."""


def damage_boundary(histories: Sequence[ShockHistory]) -> list[DamageBoundary]:
    """What the drops of each device model tell of its critical peak and velocity change.

    Parameters
    ----------
    histories : sequence of ShockHistory
        Devices with their shocks and what was found between these.

    Returns
    -------
    list of DamageBoundary
        One a device model, in order of its name; devices without a shock are left out.

    Notes
    -----
    After ASTM D3332-99 (Reapproved 2016), for drops in place of a shock machine: its critical
    values lie between the last shock that passed and the first that failed. As there, shocks are
    taken to leave no trace in a device that passed; damage that adds up makes the bounds from above
    too low. The corner of the boundary follows from the response of an undamped oscillator to a
    rectangular pulse, the severest shape of a given peak.
    """
    by_model: dict[str, list[ShockHistory]] = defaultdict(list)
    for history in histories:
        if len(history.peak_g):
            by_model[history.device_model or NO_MODEL].append(history)
    return [_of_model(model, members) for model, members in sorted(by_model.items())]


class Outcome(NamedTuple):
    """How one device came through its shocks, counted from 1."""

    passed: int
    """Shocks from the first on that it passed."""
    failed_among: tuple[int, int] | None
    """First and last of those one of which failed it."""
    failed_later: bool
    """It failed without a shock since it was last found good: by none of them in this sense."""


def outcome(history: ShockHistory) -> Outcome:
    """How many shocks a device passed, and among which of them it failed.

    A shock is passed when a later look, made before the device failed, found at least one function
    tested, none failed, and those tested that failed first afterwards. It lies among those that may
    have failed the device when the first failed function, or damage of severity 4 on the device,
    was found between it and the next look. Functions at fault before the first shock tell nothing.

    Parameters
    ----------
    history : ShockHistory

    Returns
    -------
    Outcome
    """
    looks = sorted(history.looks, key=lambda look: look.shocks_before)  # stable: by time within
    before = {name for look in looks if look.shocks_before == 0 for name in look.failed}
    broken = min((at for at in history.broken_after if at > 0), default=None)
    failing = next(
        (
            (place, look)
            for place, look in enumerate(looks)
            if look.shocks_before > 0 and look.failed - before
        ),
        None,
    )
    ends: tuple[int, int, frozenset[str]] | None = None  # last shock, looks before, what failed
    if failing is not None:
        place, look = failing
        ends = (look.shocks_before, place, look.failed - before)
    if broken is not None and (ends is None or broken <= ends[0]):
        earlier = sum(look.shocks_before < broken for look in looks)
        ends = (broken, earlier, frozenset())
    considered = looks if ends is None else looks[: ends[1]]
    wanted = frozenset() if ends is None else ends[2]
    passed = max(
        (
            look.shocks_before
            for look in considered
            if look.tested - before and not look.failed - before and wanted <= look.tested
        ),
        default=0,
    )
    if ends is None or passed >= ends[0]:
        return Outcome(passed, None, ends is not None)
    return Outcome(passed, (passed + 1, ends[0]), False)


def _of_model(model: str, members: Sequence[ShockHistory]) -> DamageBoundary:
    peaks, velocities = [np.empty(0)], [np.empty(0)]
    failures: list[FailedShock] = []
    unreadable = unknown = later = 0
    for history in members:
        passed, among, failed_later = outcome(history)
        later += failed_later
        read = np.isfinite(history.peak_g) & np.isfinite(history.velocity_change_m_s)
        own = read.copy()
        own[passed:] = False
        peaks.append(history.peak_g[own])
        velocities.append(history.velocity_change_m_s[own])
        last = passed if among is None else among[1]
        if among is None:
            unknown += int(read[passed:].sum())
        else:
            group = slice(among[0] - 1, among[1])
            failures.append(
                FailedShock(
                    history.device,
                    history.peak_g[group],
                    history.velocity_change_m_s[group],
                    is_read=bool(read[group].all()),
                )
            )
        unreadable += int((~read[:last]).sum())
    passed_peak_g, passed_velocity = np.concatenate(peaks), np.concatenate(velocities)
    usable = [each for each in failures if each.is_read]
    # One shock of a group failed the device; which is not known, so only its largest bounds.
    peak_upper = min((float(each.peak_g.max()) for each in usable), default=None)
    velocity_upper = min((float(each.velocity_change_m_s.max()) for each in usable), default=None)
    peak = CriticalValue(
        _largest(passed_peak_g, passed_velocity, CORNER_VELOCITY, velocity_upper), peak_upper
    )
    velocity = CriticalValue(
        _largest(passed_velocity, passed_peak_g, CORNER_PEAK, peak_upper), velocity_upper
    )
    # Whatever its shape, a boundary parts a failed shock from any that is harder in both.
    harder = np.zeros(len(passed_peak_g), dtype=bool)
    for each in usable:
        harder |= (passed_peak_g > each.peak_g.max()) & (
            passed_velocity > each.velocity_change_m_s.max()
        )
    return DamageBoundary(
        device_model=model,
        devices=len(members),
        passed_peak_g=passed_peak_g,
        passed_velocity_change_m_s=passed_velocity,
        failed=tuple(failures),
        critical_peak_g=peak,
        critical_velocity_change_m_s=velocity,
        harder_passed=int(harder.sum()),
        not_looked_at=unknown,
        without_reading=unreadable,
        latent_failures=later,
        is_told=bool(usable) and len(passed_peak_g) + len(usable) >= FEWEST_SHOCKS,
    )


def _largest(
    passed: np.ndarray, other: np.ndarray, beyond: float, other_upper: float | None
) -> float | None:
    """Largest value passed by shocks that went clearly beyond the other critical value."""
    if other_upper is None:
        return None
    clearly = passed[other >= beyond * other_upper]
    return float(clearly.max()) if len(clearly) else None
