"""Units at the edge: what is typed, imported or shown; inside, each name carries its SI unit.

Standard gravity, the inch and every other factor stand here alone: a g is the same g everywhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

STANDARD_GRAVITY_M_S2 = 9.80665
"""Standard gravity g_n, exact by definition (3rd CGPM, 1901; ISO 80000-3)."""

INCH_M = 0.0254
"""The inch in metres, exact by definition."""

_FOOT_M = 0.3048
_POUND_G = 453.59237


@dataclass(frozen=True, slots=True)
class Quantity:
    """A kind of quantity, the unit that it is kept in, and the units that it is taken in.

    Factors are exact by definition: the international yard and pound of 1959, as in NIST SP 811
    (2008), appendix B; standard gravity and the temperature scales as in the SI Brochure (2019).
    """

    name: str
    unit: str
    units: Mapping[str, tuple[float, float, float]]
    """Unit → (less, times, over): a value v of it is (v - less) · times / over of ``unit``."""
    like: str
    """One as it may be typed, with a unit."""
    us: str = ""
    """The unit that it is shown in where US units are asked for; blank: the one that is kept."""


def _scaled(**units: float) -> dict[str, tuple[float, float, float]]:
    return {unit.replace("_", "/"): (0, times, 1) for unit, times in units.items()}


LENGTH = Quantity(
    "length",
    "mm",
    _scaled(mm=1, cm=10, m=1000) | {"in": (0, INCH_M, 0.001), "ft": (0, _FOOT_M, 0.001)},
    "48in",
    us="in",
)
AREA = Quantity("area", "mm2", _scaled(mm2=1, cm2=100) | {"in2": (0, 64516, 100)}, "24cm2")
ACCELERATION = Quantity(
    "acceleration",
    "g",
    {"g": (0, 1, 1), "m/s2": (0, 1, STANDARD_GRAVITY_M_S2)},
    "1157m/s2",
)
VELOCITY = Quantity(
    "velocity",
    "m/s",
    {"m/s": (0, 1, 1), "in/s": (0, INCH_M, 1), "ft/s": (0, _FOOT_M, 1)},
    "193in/s",
    us="in/s",
)
PULSE_TIME = Quantity("time", "ms", _scaled(ms=1, s=1000) | {"us": (0, 1, 1000)}, "0.0062s")
REST_TIME = Quantity("time", "s", _scaled(s=1, min=60, h=3600), "2min")
TEMPERATURE = Quantity(
    "temperature",
    "°C",
    {"C": (0, 1, 1), "F": (32, 5, 9), "K": (273.15, 1, 1)},
    "70F",
    us="F",
)
MASS = Quantity(
    "mass",
    "g",
    _scaled(g=1, kg=1000) | {"oz": (0, _POUND_G, 16), "lb": (0, _POUND_G, 1)},
    "6.4oz",
    us="oz",
)
FREQUENCY = Quantity("frequency", "Hz", _scaled(Hz=1, kHz=1000), "2kHz")
SENSITIVITY = Quantity(
    "sensitivity",
    "mV/g",
    {"mV/g": (0, 1, 1), "mV/(m/s2)": (0, STANDARD_GRAVITY_M_S2, 1)},
    "0.051mV/(m/s2)",
)
PERCENTAGE = Quantity("percentage", "%", {"%": (0, 1, 1)}, "5%")
SHARE = Quantity("share", "", {"%": (0, 1, 100)}, "90%")
_QUANTITIES = (
    *(LENGTH, AREA, ACCELERATION, VELOCITY, PULSE_TIME, REST_TIME, TEMPERATURE, MASS, FREQUENCY),
    *(SENSITIVITY, PERCENTAGE),
)

_SPELT = {
    "°c": "c",
    "°f": "f",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "feet": "ft",
    "foot": "ft",
    "'": "ft",
    "m/s²": "m/s2",
    "m/s^2": "m/s2",
    "µs": "us",
    "μs": "us",
}
"""Another spelling → the unit."""
_NUMBER_AND_UNIT = re.compile(
    r"(?P<number>[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[-+]?\d+)?)\s*(?P<unit>[^\d\s.,].*)?", re.I
)
_THOUSANDS_OR_DECIMALS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")


def unit_of(text: str, quantity: Quantity) -> str | None:
    """The unit of a quantity that is spelt so; None where it has none such.

    Examples
    --------
    >>> unit_of("°F", TEMPERATURE), unit_of("inches", LENGTH), unit_of("in", TEMPERATURE)
    ('F', 'in', None)
    """
    spelt = text.strip().casefold()
    spelt = _SPELT.get(spelt, spelt)
    return next((unit for unit in quantity.units if unit.casefold() == spelt), None)


def read(text: str, quantity: Quantity | None, unit: str | None = None) -> float:
    """A number as typed, with or without its unit, in the unit that its quantity is kept in.

    Parameters
    ----------
    text : str
        For instance "48in", "1.2 m", "70F", "127,5", "50%".
    quantity : Quantity or None
        What it is; None for a plain number.
    unit : str, optional
        The unit meant where none is typed; by default the one that is kept.

    Returns
    -------
    float
        The nearest to the exact conversion.

    Raises
    ------
    ValueError
        What is wrong and what would be right; blank where the text is no number at all.

    Examples
    --------
    >>> read("48in", LENGTH), read("70F", TEMPERATURE), read("127,5", ACCELERATION)
    (1219.2, 21.11111111111111, 127.5)
    """
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    if match is None:
        # Not finite: for the range of whatever is asked for to refuse.
        if is_plain(text):
            return float(text)
        raise ValueError
    number, typed = match["number"], match["unit"]
    if _THOUSANDS_OR_DECIMALS.fullmatch(number):
        whole, point = number.replace(",", ""), number.replace(",", ".")
        raise ValueError(
            f"ambiguous, thousands or a decimal comma; write {whole}{typed or ''} or"
            f" {point}{typed or ''}"
        )
    number = number.replace(",", ".")
    if typed is not None:
        unit = None if quantity is None else unit_of(typed, quantity)
        if unit is None:
            raise ValueError(_wrong_unit(typed, quantity))
    if quantity is None or unit is None:
        return float(number)
    less, times, over = quantity.units[unit]
    if (less, times, over) == (0, 1, 1):
        return float(number)
    from decimal import Decimal

    try:
        exact = (Decimal(number) - Decimal(str(less))) * Decimal(str(times)) / Decimal(str(over))
    except ArithmeticError:
        raise ValueError from None
    return float(exact)


_LARGEST_RISE = 5.0
"""Of a case's level as a fraction; a larger one was meant as percent, as may this be."""


def read_rise(text: str) -> float:
    """A rise of a case's level as a fraction, like 0.5, or in percent, like 50%.

    Raises
    ------
    ValueError
        As ``read``, and where it could be a fraction or percent.
    """
    value = read(text, SHARE)
    if value >= _LARGEST_RISE and "%" not in text:
        raise ValueError(
            f"ambiguous, a rise to {1 + value:g} times the fresh level or by {value:g} %; write"
            f" {100 * value:g}% or {value:g}%"
        )
    return value


def _wrong_unit(typed: str, quantity: Quantity | None) -> str:
    of = next((each.name for each in _QUANTITIES if unit_of(typed, each)), None)
    what = f"{typed} is a unit of {of}" if of else f"{typed} is not a known unit"
    if quantity is None:
        return f"{what}; write a plain number"
    return f"{what}; give {quantity.name} in {', '.join(quantity.units)}, like {quantity.like}"


def typed_unit(text: str, quantity: Quantity) -> str | None:
    """The unit that stands behind a number; None without one."""
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    return unit_of(match["unit"], quantity) if match and match["unit"] else None


def is_plain(text: str) -> bool:
    """Whether a text is a number with a decimal point and without a unit."""
    try:
        float(text)
    except ValueError:
        return False
    return True


SYSTEMS = ("si", "us")
"""In which answers can be shown."""
_shown = {"system": "si"}


def show_in(system: str) -> None:
    """Word quantities in SI or US units from now on; JSON, files and the store are always SI."""
    _shown["system"] = system


@contextmanager
def shown_in(system: str) -> Iterator[None]:
    """Word quantities in these units meanwhile."""
    before = _shown["system"]
    show_in(system)
    try:
        yield
    finally:
        show_in(before)


def is_converted(quantity: Quantity) -> bool:
    """Whether a quantity is shown in another unit than it is kept in."""
    return bool(quantity.us) and _shown["system"] == "us"


def unit(quantity: Quantity) -> str:
    """The unit that a quantity is shown in."""
    shown = quantity.us if is_converted(quantity) else quantity.unit
    return f"°{shown}" if quantity is TEMPERATURE and shown == quantity.us else shown


def shown(value: float, quantity: Quantity) -> float:
    """A value in the unit that it is shown in."""
    if not is_converted(quantity):
        return value
    less, times, over = quantity.units[quantity.us]
    return value * over / times + less


def in_words(value: float, quantity: Quantity) -> str:
    """A value that was set or recorded, with the unit that it is shown in.

    Examples
    --------
    >>> in_words(1219.2, LENGTH)
    '1219.2 mm'
    """
    digits = f"{shown(value, quantity):.4g}" if is_converted(quantity) else f"{value:g}"
    return f"{digits} {unit(quantity)}"


def suffix(unit: str) -> str:
    """How the name of a column ends that is in this unit.

    Examples
    --------
    >>> suffix("m/s"), suffix("°C")
    ('_m_s', '_c')
    """
    return "_" + unit.lower().replace("/", "_").removeprefix("°")


_BY_ENDING = {"_mm": LENGTH, "_m_s": VELOCITY, "temperature_c": TEMPERATURE, "mass_g": MASS}


def of_column(name: str) -> Quantity | None:
    """What a column holds, by the ending of its name; None where it is shown as it is kept."""
    return next((what for ending, what in _BY_ENDING.items() if name.endswith(ending)), None)


_SPACED = re.compile(
    r"(?<=\d)\s+(?=(?:{units})(?:\s|$))".format(
        units="|".join(
            re.escape(unit)
            for unit in sorted(
                {*_SPELT, *(unit for each in _QUANTITIES for unit in each.units)},
                key=lambda unit: -len(unit),
            )
        )
    ),
    re.I,
)


def joined(words: str) -> str:
    """A line with each unit put right behind its number.

    Examples
    --------
    >>> joined("1180 m/s2 6.2 ms h48 in t70 F")
    '1180m/s2 6.2ms h48in t70F'
    """
    return _SPACED.sub("", words)


def impact_velocity_m_s(drop_height_mm: float) -> float:
    """Velocity at the end of a free fall without drag, √(2 g h).

    Parameters
    ----------
    drop_height_mm : float
        Height of the lowest point above the surface at release, in mm.

    Returns
    -------
    float
        Velocity at impact, in m/s. Source: free fall; ISO 2248 allows ±1 % on it.
    """
    return float((2.0 * STANDARD_GRAVITY_M_S2 * drop_height_mm / 1000.0) ** 0.5)


def fall_height_mm(fall_time_s: float) -> float:
    """Height of a free fall from rest without drag, ½ g t².

    Parameters
    ----------
    fall_time_s : float
        From release to impact, in s.

    Returns
    -------
    float
        Height in mm. Source: free fall.
    """
    return 500.0 * STANDARD_GRAVITY_M_S2 * fall_time_s**2


def static_stress_kpa(mass_g: float, area_mm2: float) -> float:
    """Weight at rest over the area that bears it, m g / A.

    Parameters
    ----------
    mass_g, area_mm2 : float
        In g and mm².

    Returns
    -------
    float
        In kPa. Source: the abscissa of a cushion curve (ASTM D1596).

    Examples
    --------
    >>> round(static_stress_kpa(453.59237, 645.16), 6)  # one pound on a square inch
    6.894757
    """
    return STANDARD_GRAVITY_M_S2 * mass_g / area_mm2
