"""What a note tells of danger: a failing battery, cracked glass; one place for the words.

The words are looked for so that a person is warned in time. A note that names none of them proves
nothing, and a false alarm costs one line: ``durability specimen clear``.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from datetime import datetime, timedelta
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any

CHARGING = re.compile(r"charg", re.IGNORECASE)
"""Functions that can't be checked without charging: not for a device in quarantine."""

WATCH_WINDOWS = (("6 h", timedelta(hours=6)), ("7 d", timedelta(days=7)), ("30 d", timedelta(30)))
"""How long a suspect battery is watched: 6 h after short circuit and crush (UN Manual of Tests and
Criteria 38.3, T.5 and T.6), 7 days after electrical abuse (T.7 and T.8); weeks: common practice."""

_OF_A_CASE = ("hissing", "smoking", "venting")
"""Signs that no protective case shows by itself: told of a case, they mean the device in it."""

_FREELY_TYPED = 5
"""Letters from which on a word may hold a letter once too often or too seldom."""

_NEGATION = r"(?!(?:no|not|never|without|nicht|kein\w*|ohne|pas|sans|non|sin|senza)\b)"


def _alternative(word: str) -> str:
    """One word of the file as a regular expression."""
    if len(word.strip("*")) >= _FREELY_TYPED:
        word = re.sub(r"([a-z])\1*", r"\1+", word)
        return word.replace("*", r"\w*")
    return re.escape(word).replace(r"\*", r"\w*")


def _phrase(line: str) -> str:
    """One line of the file as a regular expression over plain text."""
    pattern = ""
    for place, slot in enumerate(_plain(line).split(" ")):
        may_miss = slot.startswith("(")
        words = slot.strip("()")
        one = _NEGATION + r"\w+" if words == "*" else "|".join(map(_alternative, words.split("|")))
        if may_miss:
            pattern += f"(?: (?:{one}))?" if place else f"(?:(?:{one}) )?"
        else:
            # A place and what was seen there may be parted by a colon: "battery: cracked".
            pattern += f":? (?:{one})" if place else f"(?:{one})"
    return pattern


def _any(lists: dict[str, list[str]] | list[str]) -> str:
    """All lines of all languages as one regular expression."""
    lines = lists if isinstance(lists, list) else chain.from_iterable(lists.values())
    return "|".join(_phrase(line) for line in lines)


def _plain(note: str | None) -> str:
    """Small letters without accents, plain apostrophes and dashes, no hyphens within words."""
    text = unicodedata.normalize("NFKD", (note or "").lower().replace("ß", "ss"))
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    text = text.replace("’", "'").replace("–", "-").replace("—", "-")
    text = re.sub(r"n't\b", " not", text)
    text = re.sub(r"\b([cdln])'(?=\w)", r"\1 ", text)  # d'odeur, c'è
    return re.sub(r"[ \t]+", " ", re.sub(r"(?<=[a-z])-(?=[a-z])", " ", text))


def _words(pattern: str) -> str:
    return rf"(?<![\w-])(?:{pattern})(?![\w-])"


with (Path(__file__).parent / "hazard_words.toml").open("rb") as _file:
    _WORDS: dict[str, Any] = tomllib.load(_file)

BATTERY_SIGNS: dict[str, str] = {name: _any(lists) for name, lists in _WORDS["signs"].items()}
"""Signs of a failing battery and the words that tell them, as regular expressions."""


@cache
def _compiled(pattern: str) -> re.Pattern[str]:
    """Compiled when first needed: the lists are long, and most commands read no note."""
    return re.compile(pattern)


_ANY_SIGN = "|".join(BATTERY_SIGNS.values())
_NOT = _any(_WORDS["not"])
_ITEM = rf"(?:(?:{_any(_WORDS['between'])}) ){{0,5}}(?:{_ANY_SIGN}|{_any(_WORDS['faults'])})"
# A negation runs over a list only when "or" or "nor" closes it: "no swelling, hissing" may well
# mean that it hisses.
_NEGATED = _words(rf"(?:{_NOT}) {_ITEM}(?:(?:,? ?{_ITEM})*,? ?(?:{_any(_WORDS['or'])}) ?{_ITEM})*")
_FOUND_FINE = (
    rf"(?<![\w-])(?:{_ANY_SIGN})(?:,? ?(?:and |or )?(?:{_ANY_SIGN}))*"
    rf"(?: ?[:=-] ?| (?:is |was |are |were )?)(?:(?:{_any(_WORDS['fine'])})(?=\s*(?:$|[,)(]))"
    r"|within \w+|(?:not|never) (?:seen|found|observed|detected|noticed|noted|present|visible"
    r"|measurable|apparent|felt|heard)|0(?:\.0+)?(?![.,]?\d)(?: ?mm| ?%)?|ruled out|excluded)"
)
_MEASURED = r"swelling(?: ?[:=~<] ?| )(?:of |is |was |measured |at |about )*[~<]? ?\d"
_APART = (
    r"(?<!\d)\.|\.(?!\d)|[;!?\n]|\b(?:but|however|although|though|yet|then|now|still|aber|jedoch"
    r"|mais|pero|ma|sondern)\b"
)
_DOUBT = _words(_any(_WORDS["doubt"]))
_HARMLESS_PHRASE = _words(_any(_WORDS["harmless"]))
_SIGN = {name: _words(pattern) for name, pattern in BATTERY_SIGNS.items()}
_OTHER_MEANING = {name: _words(_any(lines)) for name, lines in _WORDS["other_meaning"].items()}
_NAMES_BATTERY = _words(_any(_WORDS["battery"]))
_GLASS = _any(_WORDS["cracked_glass"])
_CRACKED_GLASS = _words(_GLASS)
_NO_GLASS = _words(rf"(?:{_NOT}) (?:\w+ ){{0,3}}(?:{_GLASS}|cracks?)")
_LOOKS_AT_BATTERY = (
    r"(?:batter(?:y|ies)|cell) (?:thickness|temperature|heat|condition|shape|safety)"
)


def battery_signs(
    note: str | None, *, function: str = "", passed: bool = False, of_case: bool = False
) -> tuple[str, ...]:
    """Signs of a failing battery that a note tells.

    Denied signs ("not swollen", "no smell or leak", "swelling: none") are none; when in doubt
    ("no swelling, hissing", "not sure if swollen") it is one. The words, in five languages, are
    those of ``hazard_words.toml``.

    Parameters
    ----------
    note : str, optional
        Free words.
    function : str
        The function that was checked: a seal that leaks water is no leaking battery.
    passed : bool
        Whether that function passed: then "swelling 0.2 mm" is a measurement, not a sign.
    of_case : bool
        The note is about a protective case: only signs that must come from the device count.

    Returns
    -------
    tuple of str
        Names of ``BATTERY_SIGNS``, each once, in their order.

    Examples
    --------
    >>> battery_signs("back cover bulges, feels hot"), battery_signs("not swollen, no smell")
    (('swollen', 'hot'), ())
    """
    text = _plain(note)
    names_battery = _compiled(_NAMES_BATTERY).search(text) is not None
    if passed:
        text = _compiled(_MEASURED).sub(" ", text)
    text = _compiled(_HARMLESS_PHRASE).sub(" ", _compiled(_DOUBT).sub(" ", text))
    named = [name for name, sign in _SIGN.items() if _compiled(sign).search(text)]
    if not named:
        return ()
    clauses = [
        _compiled(_FOUND_FINE).sub(" ", _compiled(_NEGATED).sub(" ", " ".join(clause.split())))
        for clause in _compiled(_APART).split(text)
    ]
    return tuple(
        name
        for name in named
        if (names_battery or not _means_other(name, function))
        and (names_battery or not of_case or name in _OF_A_CASE)
        and any(_compiled(_SIGN[name]).search(clause) for clause in clauses)
    )


def check_signs(function: str, outcome: str, note: str | None) -> tuple[str, ...]:
    """Signs of a failing battery that one functional check tells, by outcome or by note.

    Parameters
    ----------
    function : str
        What was checked.
    outcome : str
        pass, degraded, fail or not_tested.
    note : str, optional
        Free words.

    Returns
    -------
    tuple of str
        Names of ``BATTERY_SIGNS``; "at fault" for a battery that failed its check otherwise.
    """
    found = battery_signs(note, function=function, passed=outcome == "pass")
    if outcome in ("degraded", "fail") and looks_at_battery(function):
        found = (*found, *(sign for sign in _named(function) if sign not in found))
    return found


def looks_at_battery(function: str) -> bool:
    """Whether a check looks for signs of a failing battery; "charging" or its capacity is none."""
    return bool(_named(function))


@cache
def _named(function: str) -> tuple[str, ...]:
    text = _compiled(_HARMLESS_PHRASE).sub(" ", _plain(function))
    signs = [name for name, sign in _SIGN.items() if _compiled(sign).search(text)]
    signs = [name for name in signs if not _means_other(name, function)]
    return tuple(signs) or (("at fault",) if _compiled(_LOOKS_AT_BATTERY).search(text) else ())


def _means_other(sign: str, function: str) -> bool:
    other = _OTHER_MEANING.get(sign)
    return other is not None and _compiled(other).search(_plain(function)) is not None


def cracked_glass(*notes: str | None) -> bool:
    """Whether notes on one thing (place and words) tell of cracked glass or fragments."""
    text = _compiled(_NO_GLASS).sub(" ", " ".join(_plain(note) for note in notes if note))
    return _compiled(_CRACKED_GLASS).search(text) is not None


def watch_until(since: datetime) -> tuple[tuple[str, datetime], ...]:
    """Ends of the windows in which a suspect battery is watched, from when it was suspected."""
    return tuple((name, since + window) for name, window in WATCH_WINDOWS)
