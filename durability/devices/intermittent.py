"""Intermittent functions: a fail followed by a pass, and whether it came again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import BoolArray, DeviceHistory

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
    return replace(
        history,
        check_day=history.check_day[~left_out],
        check_function=tuple(np.array(history.check_function, dtype=object)[~left_out]),
        check_outcome=tuple(np.array(history.check_outcome, dtype=object)[~left_out]),
    )


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
