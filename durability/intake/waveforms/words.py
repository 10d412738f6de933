"""What people write above their columns: units and names, in several languages."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from durability.units import INCH_M, STANDARD_GRAVITY_M_S2

Quantity = Literal["time", "voltage", "acceleration", "index", "counts", "other"]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written, and its factor to s, V or g."""

    quantity: Quantity
    factor: float
    symbol: str


_UNITS: tuple[tuple[Quantity, float, str, str], ...] = (
    (
        "time",
        1.0,
        "s",
        "s sec secs second seconds sekunde sekunden seconde secondes segundo segundos secondo "
        "secondi sekund sekunder",
    ),
    (
        "time",
        1e-3,
        "ms",
        "ms msec msecs millisecond milliseconds millisekunde millisekunden milliseconde "
        "millisecondes milisegundo milisegundos millisecondo millisecondi millisekund "
        "millisekunder",
    ),
    (
        "time",
        1e-6,
        "us",
        "us usec usecs microsecond microseconds mikrosekunde mikrosekunden microseconde "
        "microsecondes microsegundo microsegundos microsecondo microsecondi mikrosekund "
        "mikrosekunder",
    ),
    ("time", 1e-9, "ns", "ns nsec nsecs nanosecond nanoseconds"),
    ("time", 60.0, "min", "min mins minute minutes"),
    ("time", 3600.0, "h", "h hr hrs hour hours"),
    ("voltage", 1.0, "V", "v volt volts"),
    ("voltage", 1e-3, "mV", "mv millivolt millivolts"),
    ("voltage", 1e-6, "uV", "uv microvolt microvolts"),
    ("acceleration", 1.0, "g", "g gs g's gn gee gees"),
    ("acceleration", 1e-3, "mg", "mg"),
    (
        "acceleration",
        1.0 / STANDARD_GRAVITY_M_S2,
        "m/s2",
        "m/s2 ms2 m/s/s ms-2 mps2 m/sec2 m/sec/sec m/s**2 m/ss",
    ),
    ("acceleration", 0.01 / STANDARD_GRAVITY_M_S2, "cm/s2", "cm/s2 cm/sec2 gal"),
    ("acceleration", 0.001 / STANDARD_GRAVITY_M_S2, "mm/s2", "mm/s2 mm/sec2"),
    ("acceleration", 12.0 * INCH_M / STANDARD_GRAVITY_M_S2, "ft/s2", "ft/s2 ft/sec2"),
    ("acceleration", INCH_M / STANDARD_GRAVITY_M_S2, "in/s2", "in/s2 in/sec2"),
    ("index", 1.0, "samples", "sequence sample samples index point points pts no"),
    ("counts", 1.0, "counts", "count counts lsb lsbs adc bit bits digit digits raw code codes"),
    (
        "other",
        1.0,
        "",
        "n kn lbf kgf nm hz khz a ma ua pa kpa mpa hpa bar mbar psi c degc k degk f degf % %rh rh "
        "pc ut mt nt gauss mm m cm um in ft v/v mv/v mv/g ue ustrain um/m strain microstrain "
        "m/s mm/s cm/s in/s ft/s "
        "km/h ohm w db deg rad deg/s rad/s dps rpm kg lx lux",
    ),
)
_BY_WORD = {
    word: Unit(quantity, factor, symbol)
    for quantity, factor, symbol, words in _UNITS
    for word in words.split()
}
# The letter before a micro or degree sign is what is left of text that was encoded twice.
_SPELLING = str.maketrans(
    {"µ": "u", "μ": "u", "²": "2", "³": "3", "⁻": "-", "−": "-", "°": "deg", "·": None, "Â": None}
)

TIME_UNITS = {symbol: _BY_WORD[symbol] for symbol in ("s", "ms", "us", "ns")}
VALUE_UNITS = {"g": "g", "m/s2": "m/s2", "V": "v", "mV": "mv"}
"""Units that a user may name, and their words in the table."""
_MEANT = ("time", "voltage", "acceleration")
"""Quantities whose units are looked for within a heading: the A of "channel A" is no ampere."""


def spelled(text: str) -> str:
    """A unit's text for comparison: ASCII, lower case, without blanks, dots and brackets."""
    word = text.strip().strip("()[]{}<>").translate(_SPELLING).casefold()
    return re.sub(r"[\s^.]", "", word)


def read_unit(text: str) -> Unit | None:
    """The unit that a text is, or None."""
    return _BY_WORD.get(spelled(text))


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
    r"[x×*·]?\s?\b10\s?(\^|\*\*|[⁻²³⁴⁵⁶])|/\s?10+\b|\b(tenth|hundredth|thousandth)s?\b"
)
"""A factor in a heading: "Accel (g) x10" is not in g."""


def split_unit(name: str) -> tuple[str, Unit | None]:
    """A column's name without its unit, and the unit.

    Reads "Time (s)", "Accel [m/s²] filtered", "CH1 / V", "a/(m/s²)", "Spannung in mV", "Time, ms"
    and "peak_m_s2".
    """
    name = name.strip()
    if _SCALED.search(name):
        return name, None
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


def plain(text: str) -> str:
    """A name or key for comparison: lower case, without units, punctuation and double blanks."""
    text = _BRACKETS.sub(" ", text)
    return re.sub(r"[\s_:=.\"'&/-]+", " ", text.casefold()).strip()


_TIME_NAME = re.compile(
    r"(x( axis| value)?|((abs(olute)?|rel(ative)?|elapsed|unix|epoch|posix|system|utc|gps) )?"
    r"(t|epoch|time\w*|date( ?time)?|timestamp|"
    r"elapsed|seconds?|secs?|zeit\w*|datum|temps|tiempo|tempo|tid|tijd|fecha|hora|heure)"
    r"( stamp| axis| rel| abs)?)( ?\d| s| ms| us| ns)?"
)
_INDEX_NAME = re.compile(
    r"(sample|point|data point|scan|row|record)?\s*(index|idx|number|no|nr|num|n|#|count|sample|"
    r"samples|point|sequence|scan|row)"
)
_ACCELERATION = re.compile(
    r"acc[xyz]?\d?|accel[xyz]?\d?|acceler\w*|beschl\w*|accél\w*|acelerac\w*|acceleraz\w*|shock"
)
_BESIDE_ACCELERATION = re.compile(
    r"[xyz]|\d+|ch\w?\d*|channel|kanal|voie|canal|axis|achse|sensor|filtered|signal|total"
)


_OTHER_QUANTITY = re.compile(
    r"temp(erature)?|gyro\w*|mag(netometer)?|force|load|kraft|press(ure)?|druck|humid\w*|strain|"
    r"veloc\w*|speed|displ\w*|tilt|angle|roll|pitch|yaw|batt\w*|flags?|status|markers?|event|"
    r"trig(ger)?|sg\d*|weight|mass"
)


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
