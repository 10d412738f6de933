"""What people write above their columns: units, names and entries, in several languages."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from durability.units import STANDARD_GRAVITY_M_S2

Quantity = Literal["time", "voltage", "acceleration", "index", "other"]


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
        "s sec secs second seconds sekunde sekunden seconde secondes segundo segundos",
    ),
    ("time", 1e-3, "ms", "ms msec msecs millisecond milliseconds millisekunde millisekunden"),
    ("time", 1e-6, "us", "us usec usecs microsecond microseconds mikrosekunde mikrosekunden"),
    ("time", 1e-9, "ns", "ns nsec nsecs nanosecond nanoseconds"),
    ("voltage", 1.0, "V", "v volt volts"),
    ("voltage", 1e-3, "mV", "mv millivolt millivolts"),
    ("voltage", 1e-6, "uV", "uv microvolt microvolts"),
    ("acceleration", 1.0, "g", "g gs g's gn gee gees"),
    ("acceleration", 1e-3, "mg", "mg"),
    (
        "acceleration",
        1.0 / STANDARD_GRAVITY_M_S2,
        "m/s2",
        "m/s2 m/s/s ms-2 mps2 m/sec2 m/sec/sec m/s**2 m/ss",
    ),
    ("index", 1.0, "samples", "sequence sample samples index point points pts count"),
    (
        "other",
        1.0,
        "",
        "n kn hz khz a ma pa kpa mpa bar mbar psi c degc k f degf % mm m in v/v ue ustrain strain "
        "microstrain m/s mm/s in/s ohm w db deg rad rpm nm",
    ),
)
_BY_WORD = {
    word: Unit(quantity, factor, symbol)
    for quantity, factor, symbol, words in _UNITS
    for word in words.split()
}
_SPELLING = str.maketrans({"µ": "u", "μ": "u", "²": "2", "³": "3", "⁻": "-", "°": "deg", "·": None})

TIME_UNITS = {symbol: _BY_WORD[symbol] for symbol in ("s", "ms", "us", "ns")}
VALUE_UNITS = {"g": "g", "m/s2": "m/s2", "V": "v", "mV": "mv"}
"""Units that a user may name, and their words in the table."""


def read_unit(text: str) -> Unit | None:
    """The unit that a text is, or None."""
    word = text.strip().strip("()[]{}").translate(_SPELLING).casefold()
    word = re.sub(r"[\s^.]", "", word)
    return _BY_WORD.get(word)


def value_unit(symbol: str) -> Unit:
    """The unit for one of the symbols in ``VALUE_UNITS``."""
    return _BY_WORD[VALUE_UNITS[symbol]]


def split_unit(name: str) -> tuple[str, Unit | None]:
    """A column's name without its unit, and the unit.

    Reads "Time (s)", "Accel [m/s²]", "CH1 / V", "Spannung in mV", "Time, ms" and "peak_m_s2".
    """
    name = name.strip()
    bracketed = re.fullmatch(r"(.*?)[\s_]*[(\[{]\s*([^()\[\]{}]*)\s*[)\]}]", name)
    if bracketed:
        return bracketed[1].strip(), read_unit(bracketed[2])
    for pattern in (r"(.+?)\s+in\s+(\S+)", r"(.+?)\s*,\s*(\S+)", r"(.+?)\s+/\s*(\S+)"):
        worded = re.fullmatch(pattern, name)
        if worded and (unit := read_unit(worded[2])):
            return worded[1].strip(), unit
    parts = re.split(r"[_\s]", name)
    for count in (2, 1):
        unit = read_unit("/".join(parts[-count:])) if len(parts) > count else None
        # The A of "channel A" is no ampere.
        if unit is not None and unit.quantity in ("time", "voltage", "acceleration"):
            return name, unit
    return name, None


def plain(text: str) -> str:
    """A name or key for comparison: lower case, without units, punctuation and double blanks."""
    text = re.sub(r"[(\[{].*?[)\]}]", " ", text)
    return re.sub(r"[\s_:=.\"'-]+", " ", text.casefold()).strip()


_TIME_NAME = re.compile(
    r"(x( axis| value)?|t|time\w*( stamp| axis)?|rel(ative)? time|elapsed( time)?|seconds?|secs?|"
    r"zeit|temps|tiempo|tempo|tid|tijd)( s| ms| us| ns)?"
)
_INDEX_NAME = re.compile(
    r"(sample|point|data point|scan|row|record)?\s*(index|idx|number|no|nr|num|n|#|count|sample|"
    r"samples|point|sequence|scan|row)"
)
_ACCELERATION_NAME = re.compile(r"\b(acc|accel\w*|acceleration|beschl\w*|accélération|shock)\b")


def names_time(name: str) -> bool:
    """Whether a column's name says time."""
    return _TIME_NAME.fullmatch(plain(name)) is not None


def names_index(name: str) -> bool:
    """Whether a column's name says running number."""
    return _INDEX_NAME.fullmatch(plain(name)) is not None


def names_acceleration(name: str) -> bool:
    """Whether a column's name says acceleration."""
    return _ACCELERATION_NAME.search(plain(name)) is not None


# ------------------------------------------------------------------------------ the preamble

_INTERVAL_KEY = re.compile(
    r"(h(orizontal)?|x|time|sampl\w*|data)? ?(incr\w*|interval|period|step)|"
    r"delta ?(t|x|time)|d[tx]|(time|sampl\w*) (step|time|resolution|spacing)|"
    r"(time|s(ec(onds)?)?) (per|/) (sample|point)|abtast ?(intervall|zeit|periode)|ts"
)
_RATE_KEY = re.compile(
    r"(effective )?(sampl\w*|acquisition|scan|data|adc?|logging)? ?(rate|freq\w*)( used)?|"
    r"samplerate|fs|sr|sps|samples? ?(/|per) ?s(ec(ond)?)?|abtast ?(rate|frequenz)|odr|"
    r"fr[ée]quence d'? ?[ée]chantillonnage"
)
_START_KEY = re.compile(
    r"start( time)?|first (sample|time)|t ?0|x ?(zero|origin|0)|time (zero|origin)"
)
_TIME_UNIT_KEY = re.compile(r"(horizontal|x|time)( axis)? ?units?")
_VALUE_UNIT_KEY = re.compile(
    r"((vertical|y|value|signal|data|channel|ch ?\d*|eng\w*)( axis)? ?)?(units?|einheit)"
)
_SENSITIVITY_KEY = re.compile(r"(sensor |transducer |accelerometer )?(sensitivity|empfindlichkeit)")
_NUMBER = r"[+-]?(?:\d{1,3}(?:,\d{3})+(?!\d)(?:\.\d+)?|\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?"
_RATE_UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
for _prefix, _factor in (("", 1.0), ("k", 1e3), ("m", 1e6), ("g", 1e9)):
    for _word in ("s/s", "sa/s", "sps", "samples/s", "sample/s", "samples/sec", "sa/sec", "1/s"):
        _RATE_UNITS[_prefix + _word] = _factor


@dataclass(slots=True)
class Preamble:
    """What the lines above the data say about it; None where they are silent."""

    decimal: str = "."
    """Decimal mark of the data: the other one may part thousands here."""
    interval_s: float | None = None
    rate_hz: float | None = None
    start_s: float | None = None
    time_unit: Unit | None = None
    value_unit: Unit | None = None
    mv_per_g: float | None = None
    recorded_at: str | None = None
    """ISO 8601."""

    def note(self, key: str, value: str) -> None:
        """Take in one entry, if it is of any use; the first of a kind stands."""
        word = plain(key)
        bracket = re.search(r"[(\[{]\s*([^)\]}]*)\s*[)\]}]", key)
        number = re.match(rf"\s*({_NUMBER})\s*(.*)", value)
        if number is None:
            unit = read_unit(value)
            if unit is not None and self.time_unit is None and _TIME_UNIT_KEY.fullmatch(word):
                self.time_unit = unit if unit.quantity == "time" else None
            elif unit is not None and self.value_unit is None and _VALUE_UNIT_KEY.fullmatch(word):
                self.value_unit = unit
            return
        digits = number[1]
        if self.decimal == "." and re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", digits):
            digits = digits.replace(",", "")
        amount = float(digits.replace(",", "."))
        unit_text = (number[2] or (bracket[1] if bracket else "")).strip()
        if self.interval_s is None and _INTERVAL_KEY.fullmatch(word) and amount > 0.0:
            unit = read_unit(unit_text or "s")
            if unit is not None and unit.quantity == "time":
                self.interval_s = amount * unit.factor
        elif self.rate_hz is None and _RATE_KEY.fullmatch(word) and amount > 0.0:
            factor = _RATE_UNITS.get(unit_text.casefold().replace(" ", ""), 1.0)
            self.rate_hz = amount * factor
        elif self.start_s is None and _START_KEY.fullmatch(word):
            unit = read_unit(unit_text)
            self.start_s = amount * (unit.factor if unit and unit.quantity == "time" else 1.0)
        elif self.mv_per_g is None and _SENSITIVITY_KEY.fullmatch(word) and amount > 0.0:
            self.mv_per_g = amount * _TO_MV_PER_G.get(plain_unit(unit_text), 0.0) or None


_TO_MV_PER_G = {
    "mv/g": 1.0,
    "v/g": 1e3,
    "uv/g": 1e-3,
    "mv/(m/s2)": STANDARD_GRAVITY_M_S2,
    "mv/m/s2": STANDARD_GRAVITY_M_S2,
}


def plain_unit(text: str) -> str:
    """A unit's text for comparison."""
    return re.sub(r"[\s^]", "", text.translate(_SPELLING).casefold())
