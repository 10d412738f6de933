"""What people write above their columns: units and names, in several languages."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from durability.record.units import STANDARD_GRAVITY_M_S2

Quantity = Literal["time", "voltage", "acceleration", "index", "counts", "other"]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written, and its factor to s, V or g."""

    quantity: Quantity
    factor: float
    symbol: str


with (Path(__file__).parent / "recorder_words.toml").open("rb") as _file:
    WORDS: dict[str, Any] = tomllib.load(_file)

_BY_WORD = {
    word: Unit(quantity, unit.get("factor") or unit["m_s2"] / STANDARD_GRAVITY_M_S2, symbol)
    for quantity, units in WORDS["units"].items()
    for symbol, unit in units.items()
    for word in unit["words"].split()
}
# The letter before a micro or degree sign is what is left of text that was encoded twice.
_SPELLING = str.maketrans(
    {"µ": "u", "μ": "u", "²": "2", "³": "3", "⁻": "-", "−": "-", "°": "deg", "·": None, "Â": None}
)

KILO_G, DAY = _BY_WORD["kilog"], _BY_WORD["days"]
TIME_UNITS = {symbol: _BY_WORD[symbol] for symbol in ("s", "ms", "us", "ns")}
VALUE_UNITS = {"g": "g", "m/s2": "m/s2", "V": "v", "mV": "mv"}
"""Units that a user may name, and their words in the table."""
_MEANT = ("time", "voltage", "acceleration")
"""Quantities whose units are looked for within a heading: the A of "channel A" is no ampere."""


# A file of thousands of lines above its table is asked for many things, each line for each; and
# files of one recorder have the same lines.
remembered = lru_cache(maxsize=1 << 15)


@remembered
def spelled(text: str) -> str:
    """A unit's text for comparison: ASCII, lower case, without blanks, dots and brackets."""
    word = text.strip().strip("()[]{}<>").translate(_SPELLING).casefold()
    return re.sub(r"[\s^.()]", "", word)


@remembered
def read_unit(text: str) -> Unit | None:
    """The unit that a text is, or None."""
    written = text.strip(" ()[]")
    if written in ("kG", "Mg"):
        # A million of them is no unit of anyone's.
        return KILO_G if written == "kG" else None
    return _BY_WORD.get(spelled(text))


def of_quantity(unit: Unit | None, heading: str) -> Unit | None:
    """A unit below its heading: of an acceleration, kg is 1000 g and no mass."""
    is_kilo = unit is not None and unit.symbol == "kg"
    words = re.findall(r"[^\W_]+", heading.casefold()) if is_kilo else []
    return KILO_G if any(map(_ACCELERATION.fullmatch, words)) else unit


def value_unit(symbol: str) -> Unit:
    """The unit for one of the symbols in ``VALUE_UNITS``."""
    return _BY_WORD[VALUE_UNITS[symbol]]


_BRACKETS = re.compile(r"[(\[{<]\s*([^()\[\]{}<>]*?)\s*[)\]}>]")
_WORDED = (
    re.compile(r"(.+?)\s+in\s+(\S+)"),
    re.compile(r"(.+?)\s*,\s*(\S+)"),
    re.compile(r"(.+?)\s+[-–:|]\s+(\S+)"),
    re.compile(r"([^/()\[\]{}]+?)\s*/\s*([^\s()\[\]{}]+)"),
)


_SCALED = re.compile(
    r"(?<![\w.])[x×]\s?(1?0+|0?\.\d+|\d+\.\d+)\b|(?<!\*)\*\s?\d|\d\s?[x×*](?![*\w])|"
    r"\b(unit|step|tick|multiple)s? of\s*\d|"
    r"/\s?\d+[.,]\d+|\b\d+([.,]\d+)?\s?\*\s?[^\W\d]|"
    r"[x×*·]?\s?\b10\s?(\^|\*\*|[⁻²³⁴⁵⁶])|/\s?10+\b|\b(tenth|hundredth|thousandth)s?\b"
)
"""A factor in a heading: "Accel (g) x10" is not in g."""


@remembered
def split_unit(name: str) -> tuple[str, Unit | None]:
    """A column's name without its unit, and the unit.

    Reads "Time (s)", "Accel [m/s²] filtered", "CH1 / V", "a/(m/s²)", "Spannung in mV", "Time, ms"
    and "peak_m_s2".
    """
    rest, unit = _split(_SQUARED.sub("/s2", name.strip()))
    return rest, of_quantity(unit, name)


_SQUARED = re.compile(r"/\s*\(\s*s\s*(?:[*·.]?\s*s|\^?\s*2|²)\s*\)")
_NUMBERED = re.compile(r"(ch(?:annel)? ?\d)(m?v)", re.IGNORECASE)


def _split(name: str) -> tuple[str, Unit | None]:
    if _SCALED.search(name):
        return name, None
    if (numbered := _NUMBERED.fullmatch(name)) is not None:
        return numbered[1], read_unit(numbered[2])
    for found in reversed(list(_BRACKETS.finditer(name))):
        unit = read_unit(found[1])
        for part in () if unit else re.split("[,;]", found[1]):
            unit = unit or _meant(part)
        if unit is not None:
            rest = f"{name[: found.start()]} {name[found.end() :]}"
            return re.sub(r"\s+", " ", rest).strip(" _/,"), unit
    unit = _meant(name)
    if unit is not None:
        return name, unit
    # What stands in brackets and is no unit may scale one: "CH1 (x 0.001 V)" has none.
    bare = re.sub(r"\s+", " ", _BRACKETS.sub(" ", name)).strip()
    last = bare.split()[-1] if bare else ""
    if "/" in last and (unit := read_unit(last)):
        return bare.removesuffix(last).rstrip() or name, unit
    for pattern in _WORDED:
        worded = pattern.fullmatch(bare)
        if worded and (unit := read_unit(worded[2])):
            return worded[1].strip(), unit
    tail = bare.rpartition("_")[2]
    if len(tail) > 1 and tail != bare and (unit := read_unit(tail)) and unit.quantity == "other":
        return name, unit
    parts = re.split(r"[_\s]", bare)
    for count in (2, 1):
        unit = _meant("/".join(parts[-count:])) if len(parts) > count else None
        if unit is not None:
            return name, unit
    return name, None


def _meant(text: str) -> Unit | None:
    unit = read_unit(text)
    return unit if unit is not None and unit.quantity in _MEANT else None


@remembered
def plain(text: str) -> str:
    """A name or key for comparison: lower case, without units, punctuation and double blanks."""
    text = _BRACKETS.sub(" ", text)
    return re.sub(r"[\s_:=.\"'&/-]+", " ", text.casefold()).strip()


def one_of(section: str, name: str) -> str:
    """Any of the words of one meaning in ``recorder_words.toml``, as a regular expression."""
    return re.sub(r"\n\s*", "", f"(?:{'|'.join(WORDS[section][name])})")


def whole(name: str) -> re.Pattern[str]:
    """A key or a column's name, as :func:`plain` gives it, that means this and no more."""
    return re.compile(one_of("keys", name))


def within(name: str) -> re.Pattern[str]:
    """Words of this meaning anywhere in a text."""
    return re.compile(rf"\b{one_of('within', name)}\b", re.IGNORECASE)


def of_channel(words: str, edge: str = r"\b") -> re.Pattern[str]:
    """A key with these words that may name a channel before or after them."""
    return re.compile(rf"(?P<before>.*?) ?{edge}(?P<word>{words})\b ?(of |for |von )?(?P<after>.*)")


_TIME_NAME, _INDEX_NAME = whole("time_column"), whole("index_column")
_ACCELERATION = re.compile(one_of("words", "acceleration"))
_BESIDE_ACCELERATION = re.compile(one_of("words", "beside_acceleration"))
_OTHER_QUANTITY = re.compile(one_of("words", "other_quantity"))


def names_other_quantity(name: str) -> bool:
    """Whether a column's name says something that is neither time nor acceleration."""
    return any(map(_OTHER_QUANTITY.fullmatch, re.findall(r"[^\W_]+", name.casefold())))


def names_time(name: str) -> bool:
    """Whether a column's name says time."""
    return _TIME_NAME.fullmatch(plain(name)) is not None


def names_index(name: str) -> bool:
    """Whether a column's name says running number."""
    return _INDEX_NAME.fullmatch(plain(name)) is not None


def says_only_acceleration(heading: str) -> bool:
    """Whether a heading says acceleration and nothing that could be an unknown unit."""
    words = re.findall(r"[^\W_]+", heading.casefold())
    found = [bool(_ACCELERATION.fullmatch(word)) for word in words]
    return any(found) and all(
        is_one or _BESIDE_ACCELERATION.fullmatch(word)
        for is_one, word in zip(found, words, strict=True)
    )


# ------------------------------------------------- units of rates, intervals and sensitivities

RATE_UNITS = {
    prefix + word: factor
    for prefix, factor in (("", 1.0), ("k", 1e3), ("m", 1e6), ("g", 1e9))
    for word in ("hz", "s/s", "sa/s", "sps", "samples/s", "sample/s", "1/s", "pts/s", "points/s")
} | {"k": 1e3, "m": 1e6}
TO_MV_PER_G = {
    "mv/g": 1.0,
    "v/g": 1e3,
    "uv/g": 1e-3,
    "mv/m/s2": STANDARD_GRAVITY_M_S2,
    "mv/ms-2": STANDARD_GRAVITY_M_S2,
    "mv/ms2": STANDARD_GRAVITY_M_S2,
}
TO_MV_PER_EU = {"mv/eu": 1.0, "v/eu": 1e3}
TO_G_PER_MV = {"g/v": 1e-3, "g/mv": 1.0, "m/s2/v": 1e-3 / STANDARD_GRAVITY_M_S2}
PER_SAMPLE = re.compile(r"\s*(/|\bper)\s*(sample|point|pt|sa|smp)s?$", re.IGNORECASE)
TIME_WORDS = ("s", "ms", "us", "ns", "µs", "sec")


def without_unit(word: str, units: Sequence[str] | dict[str, float]) -> str:
    """A key without the unit at its end, as of "sample rate hz"."""
    stem, _, last = word.rpartition(" ")
    return stem if stem and last in units else word


def is_time(text: str) -> bool:
    """Whether a text is a unit of time."""
    unit = read_unit(text)
    return unit is not None and unit.quantity == "time"


@remembered
def interval_factor(text: str) -> float | None:
    """Seconds in a unit of a sample interval, as us or us/sample; None for other texts."""
    unit = read_unit(PER_SAMPLE.sub("", text))
    return unit.factor if unit is not None and unit.quantity == "time" else None


@remembered
def rate_factor(text: str) -> float | None:
    """Samples per second in a unit of a sample rate, as kS/s; None for other texts."""
    word = re.sub(r"\s*\bper\b\s*", "/", text.casefold().strip("()[] "))
    word = re.sub(r"\s*(/|\beach)\s*ch(annel)?$", "", word)
    return RATE_UNITS.get(re.sub(r"/se?c(ond)?s?$|/second$", "/s", word.replace(" ", "")))


def is_sensitivity_unit(text: str) -> bool:
    """Whether a text is a unit of a sensor's sensitivity, or of its reciprocal."""
    return sensitivity_unit(text) in {*TO_MV_PER_G, *TO_MV_PER_EU, *TO_G_PER_MV}


@remembered
def sensitivity_unit(text: str) -> str:
    """A unit of sensitivity for comparison: mV/(m/s²) is mv/m/s2."""
    word = re.sub(r"\s*\bper\b\s*", "/", text.casefold())
    word = re.sub(r"[()\[\]]", "", word)
    return re.sub(r"[\s^·]", "", word.translate(str.maketrans("²⁻µ", "2-u")))
