"""What is typed at an inspection: ticks, measured values, answers."""

from __future__ import annotations

import re
from collections.abc import Mapping

from durability.intake.hand_entry import typed_value
from durability.record.errors import UnusableCall
from durability.record.records import FunctionalCheck
from durability.record.vocabulary import Outcome

_LONGEST_RUN = 3
"""Keys typed without a blank between them; a longer run, like "shock", is a word."""


def read_ticks(typed: str, names: Mapping[str, str]) -> str:
    """Names of what was ticked by keys; words are kept as they were typed.

    Parameters
    ----------
    typed : str
        For instance "sl", "s, l" or "slightly swollen".
    names : mapping of str to str
        Key → name.

    Returns
    -------
    str
        The names in their order, or the words.

    Examples
    --------
    >>> read_ticks("l s", {"s": "swollen", "l": "leaking"})
    'swollen, leaking'
    """
    runs = typed.lower().replace(",", " ").split()
    if any(len(run) > _LONGEST_RUN or not names.keys() >= set(run) for run in runs):
        return typed
    return ", ".join(name for key, name in names.items() if key in "".join(runs))


OUTCOME_KEYS: dict[str, Outcome] = {
    "p": "pass",
    "d": "degraded",
    "f": "fail",
    "n": "not_tested",
}
"""One key each."""
_MEASURED = re.compile(r"^(?P<number>[-+]?[\d.,]+(?:e[-+]?\d+)?)\s*(?P<unit>[^\s#]*)$", re.I)


def read_measured(words: str, usual_unit: str | None = None) -> tuple[float, str]:
    """A measured value and its unit.

    Parameters
    ----------
    words : str
        For instance "5.2 mm".
    usual_unit : str, optional
        The unit meant when none is typed.

    Returns
    -------
    number : float
    unit : str

    Raises
    ------
    UnusableCall
        There is no number, or no unit.
    """
    match = _MEASURED.match(words.strip())
    if not match:
        raise UnusableCall(f"measured {words!r}: write a number and its unit, like 5.2 mm")
    number = typed_value("measured", match["number"], option="measured")
    unit = match["unit"] or usual_unit
    if not unit:
        raise UnusableCall(f"measured {words!r}: no unit; write it behind, like 5.2 mm")
    return float(number), unit


def read_answer(words: str, usual_unit: str | None = None) -> FunctionalCheck:
    """One answer on one line: its key or outcome, a measured value, a note.

    Parameters
    ----------
    words : str
        For instance "p", "pass", "p 5.2 mm", "f # no power", "d 5.9 mm # bulges".
    usual_unit : str, optional
        The unit meant when none is typed.

    Returns
    -------
    FunctionalCheck

    Raises
    ------
    UnusableCall
        The line has another form.
    """
    told, _, note = words.strip().partition("#")
    key, _, rest = told.strip().partition(" ")
    outcome = OUTCOME_KEYS.get(key.lower()) or next(
        (each for each in OUTCOME_KEYS.values() if each == key.lower()), None
    )
    if outcome is None:
        raise UnusableCall(
            f"{words!r}: not an answer; write p pass, d degraded, f fail or n not tested, then a"
            " measured value with its unit, # and a note"
        )
    number, unit = read_measured(rest, usual_unit) if rest.strip() else (None, None)
    return FunctionalCheck(outcome, number, unit, note.strip() or None)
