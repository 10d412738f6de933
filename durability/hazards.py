"""What a note tells of danger: a failing battery, cracked glass; one place for the words.

The words are looked for so that a person is warned in time. A note that names none of them proves
nothing, and a false alarm costs one line: ``durability specimen clear``.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta

BATTERY_SIGNS: dict[str, str] = {
    "swollen": r"swell(?:s|ed|ing|ings)?|swollen|bulg(?:e|es|ed|ing|y)|puff(?:s|ed|ing|y)"
    r"|bloat(?:s|ed|ing)?|balloon(?:s|ed|ing)?|pillow(?:ed|ing)|inflated",
    "hot": r"hot|over-?heat(?:s|ed|ing)?|heat(?:s|ed|ing)? up|burn(?:s|t|ed|ing)"
    r"|(?:very|too|unusually|abnormally|noticeably) warm|scorch(?:ed|ing)?|singed|charred"
    r"|melt(?:s|ed|ing)?|thermal runaway",
    "hissing": r"hiss(?:es|ed|ing)?|sizzl(?:e|es|ed|ing)|fizz(?:es|ed|ing)?",
    "leaking": r"leak(?:s|ed|ing|age|y)?|electrolyte|ooz(?:e|es|ed|ing)",
    "smelling": r"smell(?:s|ed|ing|y)?|smelt|odou?rs?|st[ia]nk(?:s|ing)?|reek(?:s|ed|ing)?|fumes?"
    r"|acrid",
    "smoking": r"smok(?:e|es|ed|ing|y)|fire|flam(?:e|es|ing)|spark(?:s|ed|ing)?|ignit(?:es|ed|ion)"
    r"|explo(?:des|ded|sion)",
    "venting": r"vent(?:ed|ing)|(?:off|out)?-?gass(?:es|ed|ing)"
    r"|(?:gas|gases|vapou?r) (?:escap\w+|releas\w+|com\w+ out)"
    r"|(?:escaping|releas\w+|emit\w*|giv\w+ off) (?:gas|gases|vapou?r)|(?:battery|cell|pack) vents",
    "damaged": r"(?:battery|cell|pack|pouch) (?:is |was |has |looks |case )?"
    r"(?:crack(?:s|ed)?|punctured?|dent(?:s|ed)?|deformed|split|torn|ruptured?|crushed|pierced|bent)"
    r"|(?:crack(?:ed)?|puncture[ds]?|dented|deformed|ruptured|crushed|pierced|torn|bent)"
    r" (?:battery|cell|pack|pouch)",
}
"""Signs of a failing battery and the word forms that tell them: heat, smell, gas, bulge, leak and
crack are those that OSHA and PHMSA name for damaged lithium batteries."""

_HARMLESS = (
    r"hot[ -]?(?:pixel|spot|glue|melt|plug|swap|shoe|key|chamber|room|box|soak|storage|day|weather"
    r"|climate|air|water|plate|condition\w*)s?",
    r"(?:light|back-?light|current|air|sound|water|seal) leak\w*",
    r"leak(?:age)?[ -](?:current|test\w*|tight\w*|proof\w*|rate|check\w*)",
    r"burn(?:s|t|ed|ing)?[ -]?in\b",
    r"smoked? ?-?(?:free|gr[ae]y|black|glass|detector|alarm|colou?red)",
    r"(?:fire|flame)[ -]?(?:proof|resist\w+|retard\w+|safe|wire|wall|blanket|brigade|service)\w*",
    r"vent(?:ed|ing)? (?:hole|plug|membrane|valve|screw)s?",
)
"""Phrases of other meaning that hold one of those words."""

_OTHER_MEANING = {
    "leaking": r"seal|ingress|water|immersion|display|screen|back-?light|camera",
    "hissing": r"microphone|loud-?speaker|speaker|audio|earpiece|sound|radio",
}
"""Functions for which the word means something else, unless the note names the battery."""

_BATTERY = r"batter(?:y|ies)|cells?|pack|pouch|lithium|electrolyte"
_OF_A_CASE = ("hissing", "smoking", "venting")
"""Signs that no protective case shows by itself: told of a case, they mean the device in it."""

_GLASS = (
    r"(?:glass|display|screen|touch ?screen|lens|window|panel)(?: (?!not )\w+){0,2}"
    r" (?:crack\w*|shatter\w*|broke\w*|splinter\w*|chip(?:s|ped)|fractur\w*|smashed)",
    r"(?:crack\w*|shatter\w*|broken|splinter\w*|chipped|fractured|smashed)(?: \w+){0,3}"
    r" (?:glass|display|screen|touch ?screen|lens|window|panel)",
    r"shatter(?:s|ed|ing)|shards?|splinters?|fragments?",
)
"""Words that tell of cracked glass or fragments."""

CHARGING = re.compile(r"charg", re.IGNORECASE)
"""Functions that can't be checked without charging: not for a device in quarantine."""

WATCH_WINDOWS = (("6 h", timedelta(hours=6)), ("7 d", timedelta(days=7)), ("30 d", timedelta(30)))
"""How long a suspect battery is watched: 6 h after short circuit and crush (UN Manual of Tests and
Criteria 38.3, T.5 and T.6), 7 days after electrical abuse (T.7 and T.8); weeks: common practice."""

_NOT = (
    r"no|not|nor|never|neither|without|w/o|zero|free (?:of|from)|absence of|\w+n't|cannot"
    r"|(?:check|look|watch|inspect|test|monitor)(?:s|ed|ing)? for|if|whether|in case"
)
_BETWEEN = (
    r"any|signs?|traces?|evidence|indications?|of|visible|visibly|obvious|noticeable|apparent|a|an"
    r"|the|be|is|been|feel|felt|get|gets|getting|become|look|looks|seem|seems|appear|at all|to"
    r"|battery|cell|pack|case|cover|back|even|yet|more|significant|significantly|measurable|unusual"
    r"|abnormal|excessive|it|device|have|has|had|show|shows|see|saw|hear|heard|audible"
)
_FAULTS = (
    r"damage|cracks?|dents?|deformation|discolou?ration|scratch(?:es)?|heat|gas|noise|changes?"
    r"|issues?|anomal(?:y|ies)|corrosion"
)
_FINE = (
    r"(?:none|nil|n/a|absent|negative|no|ok|okay|fine|good|normal|pass|passed|unchanged)"
    r"(?=\s*(?:$|[,)(]))|within \w+|(?:not|never) (?:seen|found|observed|detected|noticed|noted"
    r"|present|visible|measurable|apparent|felt|heard)|0(?:\.0+)?(?![.,]?\d)(?: ?mm| ?%)?"
    r"|ruled out|excluded"
)


def _words(pattern: str) -> str:
    return rf"(?<![\w-])(?:{pattern})(?![\w-])"


_ANY_SIGN = "|".join(BATTERY_SIGNS.values())
_ITEM = rf"(?:(?:{_BETWEEN}) ){{0,5}}(?:{_ANY_SIGN}|{_FAULTS})"
# A negation runs over a list only when "or" or "nor" closes it: "no swelling, hissing" may well
# mean that it hisses.
_NEGATED = re.compile(_words(rf"(?:{_NOT}) {_ITEM}(?:(?:,? ?{_ITEM})*,? ?(?:or|nor|/) ?{_ITEM})*"))
_FOUND_FINE = re.compile(
    rf"(?<![\w-])(?:{_ANY_SIGN})(?:,? ?(?:and |or )?(?:{_ANY_SIGN}))*"
    rf"(?: ?[:=-] ?| (?:is |was |are |were )?)(?:{_FINE})"
)
_MEASURED = re.compile(r"swelling(?: ?[:=~<] ?| )(?:of |is |was |measured |at |about )*[~<]? ?\d")
_APART = re.compile(
    r"(?<!\d)\.|\.(?!\d)|[;!?\n]|\b(?:but|however|although|though|yet|then|now|still)\b"
)
_HARMLESS_PHRASE = re.compile(_words("|".join(_HARMLESS)))
_SIGN = {name: re.compile(_words(pattern)) for name, pattern in BATTERY_SIGNS.items()}
_NAMES_BATTERY = re.compile(_words(_BATTERY))
_CRACKED_GLASS = re.compile(_words("|".join(_GLASS)))
_NO_GLASS = re.compile(_words(rf"(?:{_NOT}) (?:\w+ ){{0,3}}(?:{'|'.join(_GLASS)}|cracks?)"))
_LOOKS_AT_BATTERY = re.compile(
    r"(?:batter(?:y|ies)|cell) (?:thickness|temperature|heat|condition|shape|safety)"
)


def battery_signs(
    note: str | None, *, function: str = "", passed: bool = False, of_case: bool = False
) -> tuple[str, ...]:
    """Signs of a failing battery that a note tells.

    Denied signs ("not swollen", "no smell or leak", "swelling: none") are none; when in doubt
    ("no swelling, hissing") it is one.

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
    names_battery = _NAMES_BATTERY.search(text) is not None
    if passed:
        text = _MEASURED.sub(" ", text)
    clauses = [
        _FOUND_FINE.sub(" ", _NEGATED.sub(" ", _HARMLESS_PHRASE.sub(" ", clause.strip())))
        for clause in _APART.split(text)
    ]
    return tuple(
        name
        for name, sign in _SIGN.items()
        if (names_battery or not _means_other(name, function))
        and (names_battery or not of_case or name in _OF_A_CASE)
        and any(sign.search(clause) for clause in clauses)
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


def _named(function: str) -> tuple[str, ...]:
    text = _HARMLESS_PHRASE.sub(" ", _plain(function))
    signs = [name for name, sign in _SIGN.items() if sign.search(text)]
    signs = [name for name in signs if not _means_other(name, function)]
    return tuple(signs) or (("at fault",) if _LOOKS_AT_BATTERY.search(text) else ())


def _means_other(sign: str, function: str) -> bool:
    other = _OTHER_MEANING.get(sign)
    return bool(other and re.search(other, function, re.IGNORECASE))


def cracked_glass(*notes: str | None) -> bool:
    """Whether notes on one thing (place and words) tell of cracked glass or fragments."""
    text = _NO_GLASS.sub(" ", " ".join(_plain(note) for note in notes if note))
    return _CRACKED_GLASS.search(text) is not None


def watch_until(since: datetime) -> tuple[tuple[str, datetime], ...]:
    """Ends of the windows in which a suspect battery is watched, from when it was suspected."""
    return tuple((name, since + window) for name, window in WATCH_WINDOWS)


def _plain(note: str | None) -> str:
    text = (note or "").lower().replace("’", "'").replace("–", "-").replace("—", "-")
    return re.sub(r"[ \t]+", " ", text)
