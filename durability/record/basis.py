"""What an estimate rests on, in few words; every "too few" in one place."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from durability.record.records import DropHistory

MIN_DROPS_FOR_TREND = 4
"""Fewest valid drops on which a trend is judged: with 3 no rank test can reach 5 %, one-sided
(1/3! = 0.167; exact Mann-Kendall table, Gilbert 1987)."""

MIN_DEVICES_FOR_LINK = 6
"""Fewest followed-up devices for a dose link: 3 dropped against 3 controls, all against none,
gives a two-sided Fisher p of 0.10, so fewer can never show anything."""

MIN_FAILURES_FOR_LINK = 3
"""Fewest latent failures for a dose link: a slope and a scale need more events than parameters."""

FEWEST_CONTROLS = 4
"""Controls below which the background can hardly be told; common practice."""

FAR_OFF_TIMES = 1.3
"""So many times higher or lower than the readings before it, a reading is reported as it is
entered; the default of the saved question readings_to_look_at."""


def counted(number: int, singular: str, plural: str | None = None) -> str:
    """Number and noun that agree.

    Parameters
    ----------
    number : int
        How many.
    singular : str
        The noun for one.
    plural : str, optional
        The noun for any other number; by default ``singular`` with an s.

    Returns
    -------
    str
        For instance "1 drop", "12 drops".

    Examples
    --------
    >>> counted(1, "drop"), counted(3, "series", "series")
    ('1 drop', '3 series')
    """
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def readings(history: DropHistory) -> str:
    """What an estimate rests on, for instance "22 valid drops of 26, 3 to settle it"."""
    words = counted(history.drop_number.size, "valid drop")
    if history.drop_number.size < history.drops:
        words += f" of {history.drops}"
    return f"{words}, {history.settled} to settle it" if history.settled else words


def p_words(value: float | None) -> str:
    """A p-value, to two digits at most.

    Examples
    --------
    >>> p_words(0.003), p_words(0.0512), p_words(None)
    ('0.003', '0.051', 'unknown')
    """
    return "unknown" if value is None else f"{value:.2g}"


def in_a_row_words(drops: tuple[int, ...]) -> str:
    """What down-weighted readings in a row mean: one may be an accident, two alike are a change.

    Examples
    --------
    >>> in_a_row_words((21, 22))[:43]
    'drops 21 and 22 down-weighted in a row, to '
    """
    named = f"{drops[0]} {'and' if len(drops) == 2 else 'to'} {drops[-1]}"
    return (
        f"drops {named} down-weighted in a row, to one side: a change of mount, sensor or case"
        " until shown otherwise"
    )


def far_off(peak_g: float, before: Sequence[float]) -> tuple[float, float] | None:
    """A reading with the median of those before it, in g, where it is far off them."""
    if len(before) < 2:
        return None
    ordered, half = sorted(before), len(before) // 2  # the library's median takes long to load
    level_g = ordered[half] if len(before) % 2 else (ordered[half - 1] + ordered[half]) / 2.0
    is_near = 1.0 / FAR_OFF_TIMES <= peak_g / level_g <= FAR_OFF_TIMES
    return None if is_near else (peak_g, level_g)
