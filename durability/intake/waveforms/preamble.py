"""What the lines above the data say: sample rate, units, sensitivity, worth of a count."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from durability.intake.waveforms.words import (
    Unit,
    plain,
    read_unit,
    spelled,
    split_unit,
)
from durability.units import STANDARD_GRAVITY_M_S2

PLAUSIBLE_RATES_HZ = (500.0, 2e7)
"""Sample rates between which shocks are recorded: 10 samples in the longest pulses, far more than
enough in the shortest. What names no unit is believed between them only."""

_INTERVAL_KEY = re.compile(
    r"(h(orizontal)?|x|time|sampl\w*|data)? ?(inc(r\w*)?|interval|period|step)|hresolution|"
    r"(delta|δ) ?(t|x|time)|d[tx]|(time|sampl\w*) (step|time|resolution|spacing)|"
    r"(time|s(ec(onds)?)?)( per)? (sample|point)|abtast ?(intervall|zeit|periode)|ts|"
    r"période d ?échantillonnage|(periodo|intervalo) de muestreo|periodo di campionamento"
)
_RATE_KEY = re.compile(
    r"((effective|actual|real|true) )?((sampl\w*|acquisition|scan|data|adc?|logging) ?)?"
    r"(rate|freq\w*|clock|speed)( used)?|sampling|samplerate|fs|sr|sps|odr|"
    r"samples?( per)? s(ec(ond)?)?|(abtast|mess) ?(rate|frequenz)|"
    r"fr[ée]quence d ?[ée]chantillonnage|frecuencia de muestreo|frequenza di campionamento|"
    r"fr[eê]qu[eê]ncia de amostragem"
)
_NO_RATE_KEY = re.compile(r"freq\w*|clock|speed|data (rate|freq\w*|clock|speed)")
"""Said of many things: believed only with a unit of samples …"""
_LOOSE_KEY = re.compile(r"interval|period|step|rate")
"""… and these only between plausible rates."""
_THINNING_KEY = re.compile(r"(decimation|downsampling|reduction)( factor| ratio)?")
_START_KEY = re.compile(
    r"start( time)?|first (sample|time)|t ?0|x ?(zero|origin|0)|time (zero|origin)"
)
_UNIT_KEY = re.compile(r"(?P<of>.*?) ?(units?|einheit|unité|unidad|unità)( label)?")
_AXIS_KEY = re.compile(r"(?P<of>[xy]|horizontal|vertical) ?(axis|achse|label)")
_TIME_LABELS = {"horizontal", "h", "x", "time", "x axis", "horizontal axis", "time axis", "zeit"}
_VALUE_LABELS = {"", "vertical", "v", "y", "value", "signal", "data", "channel", "ch", "amplitude"}
_VALUE_LABELS |= {"y axis", "vertical axis", "eng", "engineering", "measurement", "input"}
_SENSITIVITY_KEY = re.compile(
    r"(?P<of>.*?) ?(sensor |transducer |accelerometer )?(sensitivity|empfindlichkeit)"
)
_WORTH_KEY = re.compile(r"y ?(mult\w*|incr\w*|inc)|(1 |one )?lsb( size| value| weight)?")
_PER_COUNT = re.compile(r"(?:/|per)(?:adc)?(?:counts?|lsb|bits?|digits?|codes?|steps?)$")
_ZERO_KEY = re.compile(r"y ?(off(set)?|ref(erence)?)")
"""In counts: taken off before they are weighed."""
_SECTION = re.compile(
    r"\[\s*(?P<bracketed>[^\]]+?)\s*\]|(?P<bare>(channel|ch|kanal)[ _-]?\w{1,2}):?", re.IGNORECASE
)

_NUMBER = re.compile(
    r"\s*([+-]?(?:\d{1,3}(?:[ .,']\d{3})+(?!\d)(?:[.,]\d+)?|\d+[.,]?\d*|[.,]\d+)"
    r"(?:[eEdD][+-]?\d+)?)\s*(.*)"
)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([ .,'])\d{3}(?:\1\d{3})*")

_RATE_UNITS = {
    prefix + word: factor
    for prefix, factor in (("", 1.0), ("k", 1e3), ("m", 1e6), ("g", 1e9))
    for word in ("hz", "s/s", "sa/s", "sps", "samples/s", "sample/s", "1/s", "pts/s", "points/s")
} | {"k": 1e3, "m": 1e6}
_TO_MV_PER_G = {
    "mv/g": 1.0,
    "v/g": 1e3,
    "uv/g": 1e-3,
    "mv/(m/s2)": STANDARD_GRAVITY_M_S2,
    "mv/m/s2": STANDARD_GRAVITY_M_S2,
    "mv/ms-2": STANDARD_GRAVITY_M_S2,
    "mv/ms2": STANDARD_GRAVITY_M_S2,
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a preamble, and what stands behind it on its line."""

    key: str
    cells: tuple[str, ...]
    section: str = ""
    """The last heading of a section above it, for comparison."""

    @property
    def word(self) -> str:
        """The key for comparison, without its unit."""
        return plain(split_unit(self.key)[0])

    def key_unit(self, is_unit: Callable[[str], object]) -> str:
        """The unit in the key, as written; else empty."""
        bracketed = re.search(r"[(\[{]\s*([^)\]}]*)\s*[)\]}]", self.key)
        unit = bracketed[1] if bracketed else re.split(r"[_,\s]+", self.key)[-1]
        return unit if is_unit(unit) else ""


@dataclass(slots=True)
class Preamble:
    """The entries above the data, and what they mean; None where they are silent."""

    decimal: str = "."
    """Decimal mark of the data: the other one may part thousands here."""
    entries: list[Entry] = field(default_factory=list)
    recorded_at: str | None = None
    """ISO 8601."""
    _section: str = ""

    def note(self, key: str, *cells: str) -> None:
        """Take in one entry."""
        self.entries.append(Entry(key.strip(), cells, self._section))

    def note_line(self, line: str, delimiter: str, split: Callable[[str, str], list[str]]) -> None:
        """Take in a line: pairs of key and value, or the heading of a section."""
        section = _SECTION.fullmatch(line.strip().strip("#%!*;/' "))
        if section is not None:
            self._section = label(section["bracketed"] or section["bare"])
        for key, cells in _pairs(line, delimiter, split):
            self.note(key, *cells)

    # ------------------------------------------------------------------------------ time

    @property
    def rate_hz(self) -> float | None:
        """Samples per second; None also when the preamble says two things."""
        rates = self.rates_hz()
        return rates[0] if len(rates) == 1 else None

    def rates_hz(self) -> list[float]:
        """Every sample rate that is said, those within 1 % once."""
        rates: list[float] = []
        thinned = 1.0
        for entry in self.entries:
            word = _without_unit(entry.word, _RATE_UNITS)
            if _INTERVAL_KEY.fullmatch(_without_unit(entry.word, _TIME_WORDS)):
                rate = self._rate(entry, _interval_factor, lambda amount: 1.0 / amount)
            elif _RATE_KEY.fullmatch(word):
                rate = self._rate(entry, _rate_factor, lambda amount: amount)
                if rate is not None and _NO_RATE_KEY.fullmatch(word) and not _of_samples(entry):
                    continue
            else:
                if _THINNING_KEY.fullmatch(word):
                    thinned = next(iter(self._amounts(entry, read_unit)[0]), 1.0)
                continue
            if rate is not None and all(abs(rate / other - 1.0) > 0.01 for other in rates):
                rates.append(rate)
        # Whether the rate is that before or after samples were left out, nobody says.
        return [*rates, *(rate / thinned for rate in rates if thinned > 1.0)]

    def _rate(
        self,
        entry: Entry,
        factor_of: Callable[[str], float | None],
        to_rate: Callable[[float], float],
    ) -> float | None:
        amounts, unit = self._amounts(entry, lambda text: factor_of(text) is not None)
        factor = factor_of(unit) if unit else 1.0
        if factor is None:
            return None
        rates = [to_rate(amount * factor) for amount in amounts if amount > 0.0]
        if unit and len(rates) == 1 and not _LOOSE_KEY.fullmatch(entry.word):
            return rates[0]
        low, high = PLAUSIBLE_RATES_HZ
        plausible = [rate for rate in rates if low <= rate <= high]
        return plausible[0] if len(plausible) == 1 else None

    @property
    def start_s(self) -> float | None:
        """Time of the first sample."""
        for entry in self.entries:
            if _START_KEY.fullmatch(_without_unit(entry.word, _TIME_WORDS)):
                amounts, unit = self._amounts(entry, _is_time)
                known = read_unit(unit)
                if amounts:
                    factor = known.factor if known and known.quantity == "time" else 1.0
                    return amounts[0] * factor
        return None

    @property
    def time_unit(self) -> Unit | None:
        """Of the time column."""
        for entry in self.entries:
            if _label_of(entry) in _TIME_LABELS:
                for unit in _units_in(entry.cells[:1]):
                    return unit if unit.quantity == "time" else None
        return None

    # ---------------------------------------------------------------------------- values

    def value_unit(self, name: str, place: int, channels: int) -> Unit | None:
        """The unit of a channel that has none in its heading.

        Parameters
        ----------
        name : str
            The channel's.
        place : int
            Its place among the channels, from 0.
        channels : int
            How many there are.

        Returns
        -------
        Unit or None
            What is said of this channel; else what is said of all alike. None when the preamble
            is silent, or speaks of other channels only.
        """
        wanted = label(name)
        general: list[Unit] = []
        for entry in self.entries:
            of = _label_of(entry)
            units = _units_in(entry.cells)
            if label(entry.key) == wanted or (entry.cells and label(entry.cells[0]) == wanted):
                unit = _unit_of_channel(entry, wanted)
                if unit is not None:
                    return unit
            if of is None or not units or of in _TIME_LABELS:
                continue
            if len(units) > 1 and len(units) == len(entry.cells) == channels:
                return units[place]
            if label(of) == wanted or (of in _VALUE_LABELS and entry.section == wanted):
                return units[0]
            if of in _VALUE_LABELS and not _is_channel(entry.section):
                general.append(units[0])
        return general[0] if general and len(set(general)) == 1 else None

    def mv_per_g(self, name: str, *, of_it_alone: bool = False) -> float | None:
        """Sensitivity of a channel's sensor; on demand only when said of that very channel."""
        wanted = label(name)
        general: list[float] = []
        for entry in self.entries:
            found = _SENSITIVITY_KEY.fullmatch(entry.word)
            if found is None:
                continue
            amounts, unit = self._amounts(
                entry, lambda text: _sensitivity_unit(text) in _TO_MV_PER_G
            )
            factor = _TO_MV_PER_G.get(_sensitivity_unit(unit))
            if factor is None or len(amounts) != 1 or not amounts[0] > 0.0:
                continue
            of = found["of"]
            if label(of) == wanted or entry.section == wanted:
                return amounts[0] * factor
            if of in _VALUE_LABELS and not _is_channel(entry.section):
                general.append(amounts[0] * factor)
        is_one = len(set(general)) == 1 and not of_it_alone
        return general[0] if is_one else None

    def worth_of_count(self) -> tuple[float, Unit | None] | None:
        """What one count of the recorder is worth, and in which unit where that is said.

        Only a value said to be per count is taken, or the multiplier of an XY-instrument's
        preamble; a scale per division is none. None when there is no or more than one.
        """
        found: list[tuple[float, Unit | None]] = []
        for entry in self.entries:
            amounts, unit = self._amounts(entry, lambda text: _PER_COUNT.search(spelled(text)))
            per_count = _PER_COUNT.search(spelled(unit))
            if len(amounts) != 1 or not amounts[0] > 0.0:
                continue
            if per_count:
                found.append((amounts[0], read_unit(spelled(unit)[: per_count.start()])))
            elif named := _PER_COUNT.search(spelled(entry.key)):
                found.append((amounts[0], read_unit(spelled(entry.key)[: named.start()])))
            elif _WORTH_KEY.fullmatch(entry.word):
                found.append((amounts[0], read_unit(unit)))
        return found[0] if len(set(found)) == 1 else None

    def zero_count(self) -> float:
        """The count that stands for zero; 0 when the preamble doesn't say."""
        for entry in self.entries:
            amounts, unit = self._amounts(entry, read_unit)
            known = read_unit(unit)
            in_counts = known is None or known.quantity in ("counts", "index")
            if len(amounts) == 1 and in_counts and _ZERO_KEY.fullmatch(entry.word):
                return amounts[0]
        return 0.0

    # --------------------------------------------------------------------------- numbers

    def _amounts(
        self, entry: Entry, is_unit: Callable[[str], object]
    ) -> tuple[tuple[float, ...], str]:
        """What an entry's number may be, and its unit as written.

        Where 150,000 stands above data with a decimal point it may be either of two.
        """
        number = _NUMBER.fullmatch(entry.cells[0]) if entry.cells else None
        if number is None:
            return (), ""
        unit = re.sub(r"\s+\([^)]*\)\s*$", "", number[2])
        if not unit:
            beside = entry.cells[1] if len(entry.cells) > 1 else ""
            unit = entry.key_unit(is_unit) or (beside if is_unit(beside) else "")
        digits = re.sub("[dD]", "e", number[1])
        grouped = _GROUPED.fullmatch(digits)
        if grouped is None:
            # The mark that comes last parts the decimals.
            last = max(digits.rfind("."), digits.rfind(","))
            whole = re.sub(r"[ .,']", "", digits[: max(last, 0)])
            return (float(whole + digits[max(last, 0) :].replace(",", ".")),), unit
        parted = float(re.sub(r"[ .,']", "", digits))
        if grouped[1] in " '" or digits.count(grouped[1]) > 1:
            return (parted,), unit
        decimal = float(digits.replace(",", "."))
        return ((decimal,) if grouped[1] == self.decimal else (parted, decimal)), unit


def label(text: str) -> str:
    """A channel's name for comparison: "Channel 1", "CH 1" and "ch1" are one."""
    word = plain(split_unit(text)[0] if text else "")
    return re.sub(r"^(channel|kanal|chan)(?=\d|$)", "ch", word.replace(" ", ""))


def _pairs(
    line: str, delimiter: str, split: Callable[[str, str], list[str]]
) -> Iterator[tuple[str, Sequence[str]]]:
    text = line.strip().lstrip("#%!*;/'").strip()
    for mark in dict.fromkeys((delimiter if delimiter != " " else "\t", "\t", ";", ",")):
        cells = split(text, mark)
        while cells and not cells[-1]:
            cells.pop()
        for i, cell in enumerate(cells):
            parted = re.fullmatch(r"(.+?)\s*[:=]\s*(.+)", cell)
            if parted:
                yield parted[1], (parted[2].strip("\"'"), *cells[i + 1 :])
        if len(cells) > 1:
            for i in range(len(cells) - 1):
                yield re.sub(r"\s*[:=]\s*$", "", cells[i]), cells[i + 1 :]
            return
    worded = re.fullmatch(r"([^\d:=]+?)\s+([+-]?[\d.,]+.*)", text)
    if worded:
        yield worded[1], (worded[2],)


_TIME_WORDS = ("s", "ms", "us", "ns", "µs", "sec")


def _without_unit(word: str, units: Sequence[str] | dict[str, float]) -> str:
    """A key without the unit at its end, as of "sample rate hz"."""
    stem, _, last = word.rpartition(" ")
    return stem if stem and last in units else word


def _is_time(text: str) -> bool:
    unit = read_unit(text)
    return unit is not None and unit.quantity == "time"


def _interval_factor(text: str) -> float | None:
    unit = read_unit(re.sub(r"\s*(/|per)\s*(sample|point)s?$", "", text))
    return unit.factor if unit is not None and unit.quantity == "time" else None


def _rate_factor(text: str) -> float | None:
    word = re.sub(r"\s*\bper\b\s*", "/", text.casefold().strip("()[] "))
    return _RATE_UNITS.get(re.sub(r"/se?c(ond)?s?$|/second$", "/s", word.replace(" ", "")))


def _of_samples(entry: Entry) -> bool:
    return bool(re.search(r"(?i)sa?/s|sps|sample", " ".join((*entry.cells[:2], entry.key))))


def _label_of(entry: Entry) -> str | None:
    """What an entry that names a unit names it of; None for other entries."""
    word = plain(entry.key)
    found = _UNIT_KEY.fullmatch(word) or _AXIS_KEY.fullmatch(word)
    return found["of"].strip() if found else None


def _units_in(cells: Sequence[str]) -> list[Unit]:
    """Units of cells up to the first that has none."""
    units = []
    for cell in cells:
        unit = read_unit(cell) or split_unit(cell)[1]
        if unit is None:
            break
        units.append(unit)
    return units


def _unit_of_channel(entry: Entry, wanted: str) -> Unit | None:
    """The unit in a line that begins with a channel's name, as of a table of channels."""
    own = entry.cells if label(entry.key) == wanted else entry.cells[1:]
    if label(entry.key) != wanted and not entry.key.strip().isdigit():
        return None
    for before, cell in zip(("", *own), own, strict=False):
        unit = split_unit(cell)[1]
        if unit is not None and unit.quantity in ("voltage", "acceleration"):
            # Behind a number it is a level or a range, not the channel's unit.
            return None if _NUMBER.fullmatch(before) or _NUMBER.fullmatch(cell) else unit
    return None


def _is_channel(section: str) -> bool:
    return re.fullmatch(r"ch\w{1,2}", section) is not None


def _sensitivity_unit(text: str) -> str:
    word = re.sub(r"\s*\bper\b\s*", "/", text.casefold())
    return re.sub(r"[\s^·]", "", word.translate(str.maketrans("²⁻µ", "2-u")))
