"""From a device's looks to the interval in which it failed; functions that fail now and then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import BoolArray, DeviceHistory, FloatArray

State = Literal[
    "working",
    "latent failure",
    "failed, never dropped",
    "failed on drop day",
    "failed before its first look",
    "not inspected",
]
FOLLOWED: tuple[State, ...] = ("working", "latent failure", "failed, never dropped")
"""States that tell something about the time to a later failure."""


@dataclass(frozen=True, slots=True)
class FollowUp:
    """One device's looks since its last drop, days counted from that drop."""

    device: str
    state: State
    control: bool
    lived_through: NDArray[np.bool_]
    """Which of its drops came before it was seen to have failed; shape (n_drops,)."""
    zero_day: float | None
    """Day of the last drop (of the first look when never dropped, or when no drop is dated),
    counted from 1970-01-01."""
    entry_days: float
    """First look; that it worked until then is known, not its chance of having done so."""
    after_days: float | None
    """Last day on which it was known to work."""
    by_days: float | None
    """Day on which it was first seen to have failed."""
    first_failed_functions: tuple[str, ...] = ()
    intermittent: bool = False
    """A function passed again after it had failed; it counts as failed from its first fail."""
    drops_undated: bool = False
    functions_failed_before: tuple[str, ...] = ()
    """Functions at fault before the first drop (or at a control's first look): left out."""


def follow_up(history: DeviceHistory, control_zero_day: float | None = None) -> FollowUp:
    """The interval, in days since the last drop, in which a device failed or still works.

    All checks of one day are one look, but those known by the time of day to have come before a
    drop of that day are held before it. A look at which nothing was tested is none, and a function
    that was not tested has not passed: the device is known to work only up to the last look at
    which the functions that then failed were tested and good. ``degraded`` works, ``fail`` does
    not. Drops after the failure were not lived through.

    Parameters
    ----------
    history : DeviceHistory
    control_zero_day : float, optional
        A control counts from this day, as if it had been dropped then; by default from its first
        look. Counted from 1970-01-01.

    Returns
    -------
    FollowUp
    """
    days, at, function, failed = _tested(history)
    control = len(history.drop_day) == 0
    drop_days: FloatArray = np.floor(history.drop_day)
    drop_at = _instants(history.drop_utc, drop_days)
    dated = np.isfinite(drop_days)

    too_early = np.zeros(len(days), dtype=bool)
    if dated.any():
        too_early = ~_any(~_known_before(days, at, drop_days[dated], drop_at[dated]), axis=1)
    if control and control_zero_day is not None:
        too_early = days < control_zero_day
    elif control and len(days):
        too_early = days == days.min()
    before = tuple(sorted(set(function[failed & too_early])))
    kept = ~np.isin(function, before)
    days, at, function, failed = days[kept], at[kept], function[kept], failed[kept]

    failed_day = float(days[failed].min()) if failed.any() else None
    lived_through = ~_any(_known_before(days[failed], at[failed], drop_days, drop_at), axis=0)
    survived = lived_through & dated
    zero_day: float | None = None
    is_since = np.ones(len(days), dtype=bool)
    if survived.any():
        zero_day = float(drop_days[survived].max())
        is_since = ~_any(_known_before(days, at, drop_days[survived], drop_at[survived]), axis=1)
    elif control and control_zero_day is not None:
        zero_day = control_zero_day
    elif len(days):
        zero_day = float(days.min())

    since = is_since & (days >= (np.inf if zero_day is None else zero_day))
    first_fails = set(function[failed & (days == failed_day)]) if failed_day is not None else set()
    intermittent = any(
        (days[(function == name) & ~failed] > days[(function == name) & failed].min()).any()
        for name in set(function[failed])
    )

    state: State
    entry, after, by = 0.0, None, None
    if zero_day is None or not since.any():
        state = "not inspected"
    else:
        looks = np.unique(days[since]) - zero_day
        entry = float(looks[0])
        if failed_day is None:
            state, after = "working", float(looks[-1])
        else:
            by = failed_day - zero_day
            if by == 0:
                state = "failed on drop day"
            elif by == entry:
                state = "failed before its first look"
            else:
                state = "failed, never dropped" if control else "latent failure"
                good = set.intersection(
                    *(set(days[since & (function == name) & ~failed]) for name in first_fails)
                )
                after = max((day - zero_day for day in good if day < failed_day), default=entry)
    return FollowUp(
        device=history.device,
        state=state,
        control=control,
        lived_through=lived_through,
        zero_day=zero_day,
        entry_days=entry,
        after_days=after,
        by_days=by,
        first_failed_functions=tuple(sorted(first_fails)),
        intermittent=intermittent,
        drops_undated=not control and not dated.any(),
        functions_failed_before=before,
    )


def _tested(
    history: DeviceHistory,
) -> tuple[FloatArray, FloatArray, NDArray[np.str_], BoolArray]:
    """Whole day, instant, function and whether it failed, of every dated check that tested one."""
    outcome = np.array(history.check_outcome, dtype=np.str_)
    days = np.floor(np.asarray(history.check_day, dtype=float))
    counts = (outcome != "not_tested") & np.isfinite(days)
    function = np.array(history.check_function, dtype=np.str_)
    at = _instants(history.check_utc, days)
    return days[counts], at[counts], function[counts], outcome[counts] == "fail"


def _instants(known: FloatArray | None, days: FloatArray) -> FloatArray:
    """Instants of what happened on these days; NaN where only the day is known."""
    return np.full(len(days), np.nan) if known is None else known


def _known_before(
    day: FloatArray, at: FloatArray, other_day: FloatArray, other_at: FloatArray
) -> BoolArray:
    """Whether each is known to have come before each other, as ``clock.Moment`` has it; (n, m)."""
    both = np.isfinite(at)[:, None] & np.isfinite(other_at)
    before: BoolArray = np.where(both, at[:, None] < other_at, day[:, None] < other_day)
    return before


def _any(each: BoolArray, axis: int) -> BoolArray:
    found: BoolArray = np.asarray(each.any(axis=axis))
    return found


Confirmation = Literal["confirmed", "unconfirmed", "open"]
Rule = tuple[int, int]
"""Fails again so often, within so many further looks; (0, 0): confirmed at once."""

USUAL_RULE: Rule = (1, 2)
"""Once more within the next two looks, of a function that no check list names; common practice.
JESD22-B111 asks for three more within the next five drops, of a circuit watched electrically."""


@dataclass(frozen=True, slots=True)
class Recurrence:
    """What became of one fail at the looks after it."""

    confirmation: Confirmation
    """``open`` while the looks to come could still confirm it."""
    fails_again: int
    looks_since: int
    """Further looks at the function, as many as the rule asks for at most."""


def recurrences(failed: Sequence[bool], rule: Rule) -> list[Recurrence]:
    """Whether each fail of one function of one device came again.

    Parameters
    ----------
    failed : sequence of bool
        Of each look at which the function was tested, in order of time.
    rule : (int, int)
        How often it must fail again, within how many further looks.

    Returns
    -------
    list of Recurrence
        One for each fail, in order.
    """
    wanted, within = rule
    found = []
    for at in np.flatnonzero(failed).tolist():
        later = list(failed[at + 1 : at + 1 + within])
        again = sum(later)
        confirmation: Confirmation = "open"
        if again >= wanted:
            confirmation = "confirmed"
        elif again + within - len(later) < wanted:
            confirmation = "unconfirmed"
        found.append(Recurrence(confirmation, again, len(later)))
    return found


def without_unconfirmed(history: DeviceHistory, rules: Mapping[str, Rule]) -> DeviceHistory:
    """A history as if no fail had been seen that its looks did not confirm.

    Parameters
    ----------
    history : DeviceHistory
        Checks in order of time.
    rules : mapping
        Function → rule; ``USUAL_RULE`` for the others.

    Returns
    -------
    DeviceHistory
        The same object when every fail is confirmed or may still be.
    """
    left_out = unconfirmed_fails(history.check_function, history.check_outcome, rules)
    if not left_out.any():
        return history
    return history.with_checks(~left_out)


def unconfirmed_fails(
    function: Sequence[str], outcome: Sequence[str], rules: Mapping[str, Rule]
) -> BoolArray:
    """Which checks of one device are fails that the further looks did not confirm.

    A fail within the looks that another fail was confirmed by belongs to that one.

    Parameters
    ----------
    function, outcome : sequence of str
        Of each check, in order of time.
    rules : mapping
        Function → rule; ``USUAL_RULE`` for the others.

    Returns
    -------
    ndarray of shape (n_checks,)
    """
    functions, outcomes = np.array(function, dtype=object), np.array(outcome, dtype=object)
    left_out = np.zeros(len(functions), dtype=bool)
    for name in dict.fromkeys(functions[outcomes == "fail"]):
        tested = np.flatnonzero((functions == name) & (outcomes != "not_tested"))
        failed = outcomes[tested] == "fail"
        for at, found in zip(
            tested[failed], recurrences(failed.tolist(), rules.get(name, USUAL_RULE)), strict=True
        ):
            if found.confirmation == "confirmed":
                break  # from here on the function is known to fail
            left_out[at] = found.confirmation == "unconfirmed"
    return left_out
