"""What the lines above the data say: sample rate, units, sensitivity, worth of a count."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from durability.intake.waveforms.words import (
    PER_SAMPLE,
    RATE_UNITS,
    TIME_WORDS,
    TO_G_PER_MV,
    TO_MV_PER_EU,
    TO_MV_PER_G,
    WORDS,
    Unit,
    interval_factor,
    is_sensitivity_unit,
    is_time,
    of_channel,
    one_of,
    plain,
    rate_factor,
    read_unit,
    remembered,
    says_only_acceleration,
    sensitivity_unit,
    spelled,
    split_unit,
    whole,
    within,
    without_unit,
)

PLAUSIBLE_RATES_HZ = (500.0, 2e7)
"""Sample rates between which shocks are recorded: 10 samples in the longest pulses, far more than
enough in the shortest. What names no unit is believed between them only."""

_INTERVAL_KEY, _RATE_KEY = whole("interval"), whole("rate")
_RATE_OF_ANYTHING, _LOOSE_KEY = whole("rate_of_anything"), whole("loose")
_THINNING_KEY, _OF_SEVERAL = whole("thinning"), within("of_several")
_EU_KEY = whole("engineering_unit")
_RESOLUTION_KEY = whole("resolution")
_START_KEY, _QUANTITY_KEY = whole("start"), whole("quantity")
_WORTH_KEY, _ZERO_KEY = whole("worth_of_count"), whole("zero_count")
_UNIT_KEY = of_channel(one_of("of_channel", "unit") + "( label)?", edge="")
_SENSITIVITY_KEY = of_channel(one_of("of_channel", "sensitivity"))
_AXIS_KEY = re.compile(r"(?P<before>[xy]|horizontal|vertical) ?(axis|achse|label)(?P<after>)")
_TIME_LABELS, _VALUE_LABELS = (set(WORDS["labels"][name]) for name in ("time", "value"))
_NUMBER_WORDS = {
    word: number for number, words in WORDS["numbers"].items() for word in words.split()
}
_EACH_OF = rf"\d+|{'|'.join(_NUMBER_WORDS)}"
_EVERY_NTH = re.compile(
    rf"\b({one_of('words', 'every')}\s+(?P<nth>{_EACH_OF})(\w?\b|\.|st\b|nd\b|rd\b|th\b)|"
    rf"(one|1)( sample| point| scan)? (of|in|out of)( every)? (?P<parts>{_EACH_OF})\b)",
    re.IGNORECASE,
)
"""Free words for samples that were left out."""
_PER_COUNT = re.compile(r"(?:/|per)(?:adc)?(?:counts?|lsb|bits?|digits?|codes?|steps?)$")
_SECTION = re.compile(
    r"\[\s*(?P<bracketed>[^\]]+?)\s*\]|(?P<bare>(channel|ch|kanal)[ _-]?\w{1,2}):?", re.IGNORECASE
)

_NUMBER = re.compile(
    r"\s*([+-]?(?:\d{1,3}(?:[ .,']\d{3})+(?!\d)(?:[.,]\d+)?|\d+[.,]?\d*|[.,]\d+)"
    r"(?:[eEdD][+-]?\d+)?)\s*(.*)"
)
_BESIDE_UNIT = re.compile(r"\s*(@|±|\+/-|\b(at|bei|à)\b).*$|\s+\([^)]*\)\s*$")
"""What says under which conditions a value holds: 10 mV/g @ 100 Hz."""
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([ .,'])\d{3}(?:\1\d{3})*")


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a preamble, and what stands behind it on its line."""

    key: str
    cells: tuple[str, ...]
    section: str = ""
    """The last heading of a section above it, for comparison."""
    line_head: str = ""
    """What stands first on its line, for comparison."""

    @property
    def word(self) -> str:
        """The key for comparison, without its unit."""
        return plain(split_unit(self.key)[0])

    @property
    def words(self) -> str:
        """The key for comparison, with what its brackets hold unless that is a unit."""
        return _words_of(self.key)

    def at_place(self, place: int, channels: int) -> Entry | None:
        """The entry as it holds for one of the channels, when it has a number for each.

        None when it has several numbers and nothing says which is whose.
        """
        cells = self.cells
        begin = next((i for i, cell in enumerate(cells) if cell), 0)
        stop, unit = begin, None
        while stop < len(cells) and (found := _NUMBER.fullmatch(cells[stop])):
            # "10 mV/g @ 100 Hz, 23 °C" is one number and what holds for it.
            if stop > begin and bool(unit) and found[2].strip() != unit:
                break
            unit = found[2].strip()
            stop += 1
        numbers = cells[begin:stop]
        if len(set(numbers)) <= 1:
            return replace(self, cells=cells[begin:])
        if len(numbers) == channels:
            return replace(self, cells=(numbers[place], *cells[stop:]))
        return None

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
    lines: list[str] = field(default_factory=list)
    """As written, without those that name the columns."""
    recorded_at: str | None = None
    """ISO 8601."""
    channels: tuple[str, ...] = ()
    """Names of the columns that are channels."""
    _section: str = ""

    def note(self, key: str, *cells: str, line_head: str = "") -> None:
        """Take in one entry."""
        self.entries.append(Entry(key.strip(), cells, self._section, line_head))

    def note_line(self, line: str, delimiter: str, split: Callable[[str, str], list[str]]) -> None:
        """Take in a line: pairs of key and value, or the heading of a section."""
        section = _SECTION.fullmatch(line.strip().strip("#%!*;/' "))
        if section is not None:
            self._section = label(section["bracketed"] or section["bare"])
        self.lines.append(line)
        head = ""
        for key, cells in _pairs(line, delimiter, split):
            self.note(key, *cells, line_head=head)
            head = head or label(key)

    # ------------------------------------------------------------------------------ whose

    def whose(self, entry: Entry, said: re.Match[str], name: str) -> bool | None:
        """Whether an entry is about a channel: True of it alone, None of all, False of others.

        Parameters
        ----------
        entry : Entry
            Of this preamble.
        said : match
            Of the entry's words, with what stands before and after those that it is known by.
        name : str
            The channel's.
        """
        wanted, labels = label(name), list(map(label, self.channels))
        owner = " ".join(filter(None, (said["before"], said["after"]))).strip()
        if label(owner) in labels or (owner and not {owner, label(owner)} & _VALUE_LABELS):
            return self._named(owner) == wanted
        others = set(labels) - {wanted}
        for named in (entry.line_head, entry.section):
            if named == wanted:
                return True
            if named in others or _is_channel(named):
                return False
        return None

    def _named(self, owner: str) -> str:
        """The channel that is meant, for comparison: by name, or by a word no other has."""
        labels = [label(name) for name in self.channels]
        if label(owner) in labels:
            return label(owner)
        words = set(owner.split()) - _VALUE_LABELS - {"axis", "achse", "axe", "eje"}
        having = [
            each
            for each, name in zip(labels, self.channels, strict=True)
            if words and words <= set(_split_words(name))
        ]
        return having[0] if len(having) == 1 else label(owner)

    # ------------------------------------------------------------------------------ time

    @property
    def rate_hz(self) -> float | None:
        """Samples per second; None also when the preamble says two things."""
        rates = self.rates_hz()
        return rates[0] if len(rates) == 1 else None

    def rates_hz(self) -> list[float]:
        """Every sample rate that is said, those within 1 % once; one of the export goes first."""
        rates: list[float] = []
        exported: list[float] = []
        for entry in self.entries:
            word = without_unit(entry.word, RATE_UNITS)
            for cells in _numbers_apart(entry):
                one = replace(entry, cells=cells)
                kept = rates
                if _INTERVAL_KEY.fullmatch(without_unit(entry.word, TIME_WORDS)):
                    rate = self._rate(one, interval_factor, lambda amount: 1.0 / amount)
                elif (named := _RATE_KEY.fullmatch(word)) is not None:
                    rate = self._rate(one, rate_factor, lambda amount: amount)
                    step = self.amounts(one, is_time)[1]
                    if interval_factor(step) is not None:
                        rate = self._rate(one, interval_factor, lambda amount: 1.0 / amount)
                    elif _RATE_OF_ANYTHING.fullmatch(word) and not _of_samples(one):
                        continue
                    kept = exported if named["exported"] else rates
                elif PER_SAMPLE.search(self.amounts(one, is_time)[1]):
                    rate = self._rate(one, interval_factor, lambda amount: 1.0 / amount)
                else:
                    continue
                if _OF_SEVERAL.search(" ".join((entry.key, *entry.cells)).casefold()):
                    continue
                if rate is not None and all(abs(rate / other - 1.0) > 0.01 for other in kept):
                    kept.append(rate)
        if exported:
            return exported
        # Whether the rate is that before or after samples were left out, nobody says.
        return [*rates, *(rate / thinned for rate in rates for thinned in self.thinned_by())]

    def thinned_by(self) -> list[float]:
        """Each number by which samples were said to be left out or put in between, not 1."""
        said = filter(None, map(_EVERY_NTH.search, self.lines))
        counts = [(each["nth"] or each["parts"]).casefold() for each in said]
        found = [float(_NUMBER_WORDS.get(count, count)) for count in counts]
        for entry in self.entries:
            if not _THINNING_KEY.fullmatch(entry.word) or not entry.cells:
                continue
            cell = re.sub(r"^\s*1\s*(:|/|of|in)\s*(?=\d)", "", entry.cells[0])
            amounts, _ = self.amounts(replace(entry, cells=(cell,)), read_unit)
            found += [amount for amount in amounts[:1] if amount > 1.0]
        return found

    def _rate(
        self,
        entry: Entry,
        factor_of: Callable[[str], float | None],
        to_rate: Callable[[float], float],
    ) -> float | None:
        amounts, unit = self.amounts(entry, lambda text: factor_of(text) is not None)
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
            if _START_KEY.fullmatch(without_unit(entry.word, TIME_WORDS)):
                amounts, unit = self.amounts(entry, is_time)
                known = read_unit(unit)
                if amounts:
                    factor = known.factor if known and known.quantity == "time" else 1.0
                    return amounts[0] * factor
        return None

    @property
    def time_unit(self) -> Unit | None:
        """Of the time column."""
        for entry in self.entries:
            said = _unit_statement(entry)
            if said is not None and said["before"].strip() in _TIME_LABELS:
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
        own, general = self._value_units(name, place, channels)
        if own is not None or len(set(general)) != 1:
            return own
        return general[0]

    def own_value_unit(self, name: str, place: int, channels: int) -> Unit | None:
        """As ``value_unit``, but only what is said of this very channel or of the only one."""
        own, general = self._value_units(name, place, channels)
        return general[0] if own is None and channels == 1 and len(set(general)) == 1 else own

    def _value_units(self, name: str, place: int, channels: int) -> tuple[Unit | None, list[Unit]]:
        wanted = label(name)
        general: list[Unit] = []
        per_eu = any(re.search(r"(?i)v\s?/\s?eu\b", line) for line in self.lines)
        for entry in self.entries:
            if per_eu and _EU_KEY.fullmatch(entry.word):
                continue
            units = _units_in(entry.cells)
            if label(entry.key) == wanted or (entry.cells and label(entry.cells[0]) == wanted):
                unit = _unit_of_channel(entry, wanted)
                if unit is not None:
                    return unit, general
            if channels == 1 and (unit := _unit_of_quantity(entry)) is not None:
                general.append(unit)
            said = _unit_statement(entry)
            if said is None or not units or units[0].quantity == "time":
                continue
            if said["before"].strip() in _TIME_LABELS:
                continue
            if len(units) > 1 and len(units) == len(entry.cells) == channels:
                return units[place], general
            is_own = self.whose(entry, said, name)
            if is_own:
                return units[0], general
            if is_own is None:
                general.append(units[0])
        return None, general

    def mv_per_g(
        self, name: str, place: int = 0, channels: int = 1, *, of_it_alone: bool = False
    ) -> float | None:
        """Sensitivity of a channel's sensor; on demand only when said of that very channel."""
        general: list[float] = []
        for entry in self.entries:
            said = _SENSITIVITY_KEY.fullmatch(entry.words)
            if said is None:
                continue
            cells = entry.at_place(place, channels)
            found = None if cells is None else self._mv_per_g(cells)
            if found is None:
                continue
            if cells is not None and cells.cells[:1] != entry.cells[:1] and channels > 1:
                return found
            is_own = self.whose(entry, said, name)
            if is_own:
                return found
            if is_own is None and not (of_it_alone and channels > 1):
                general.append(found)
        is_one = len(set(general)) == 1 and not of_it_alone
        return general[0] if is_one else None

    def _mv_per_g(self, entry: Entry) -> float | None:
        amounts, unit = self.amounts(entry, is_sensitivity_unit)
        word = sensitivity_unit(unit)
        if len(amounts) != 1 or not amounts[0] > 0.0:
            return None
        if word in TO_MV_PER_G:
            return amounts[0] * TO_MV_PER_G[word]
        if word in TO_MV_PER_EU and (of := self._engineering_unit()) is not None:
            return amounts[0] * TO_MV_PER_EU[word] / of.factor
        if word in TO_G_PER_MV:
            return 1.0 / (amounts[0] * TO_G_PER_MV[word])
        return None

    def _engineering_unit(self) -> Unit | None:
        """What a sensitivity in mV/EU is per."""
        for entry in self.entries:
            if _EU_KEY.fullmatch(entry.word) and entry.cells:
                unit = read_unit(entry.cells[0])
                return unit if unit is not None and unit.quantity == "acceleration" else None
        return None

    def worth_of_count(self) -> tuple[float, Unit | None] | None:
        """What one count of the recorder is worth, and in which unit where that is said.

        Only a value said to be per count is taken, or the multiplier of an XY-instrument's
        preamble; a scale per division is none. None when there is no or more than one.
        """
        found: list[tuple[float, Unit | None]] = []
        for entry in self.entries:
            amounts, unit = self.amounts(entry, lambda text: _PER_COUNT.search(spelled(text)))
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

    def finest(self, unit: Unit) -> float | None:
        """The resolution that is stated in a unit of its quantity, in this unit; else None."""
        for entry in self.entries:
            if not _RESOLUTION_KEY.fullmatch(entry.word):
                continue
            amounts, written = self.amounts(entry, read_unit)
            of = read_unit(written)
            if len(amounts) == 1 and of is not None and of.quantity == unit.quantity:
                return abs(amounts[0]) * of.factor / unit.factor
        return None

    def zero_count(self) -> float:
        """The count that stands for zero; 0 when the preamble doesn't say."""
        for entry in self.entries:
            amounts, unit = self.amounts(entry, read_unit)
            known = read_unit(unit)
            in_counts = known is None or known.quantity in ("counts", "index")
            if len(amounts) == 1 and in_counts and _ZERO_KEY.fullmatch(entry.word):
                return amounts[0]
        return 0.0

    # --------------------------------------------------------------------------- numbers

    def amounts(
        self, entry: Entry, is_unit: Callable[[str], object]
    ) -> tuple[tuple[float, ...], str]:
        """What an entry's number may be, and its unit as written.

        Where 150,000 stands above data with a decimal point it may be either of two.
        """
        cells = entry.cells
        if len(cells) > 1 and is_unit(cells[0]) and _NUMBER.fullmatch(cells[1]):
            # "dt, ms, 0.02"
            cells = (cells[1], cells[0], *cells[2:])
        number = _NUMBER.fullmatch(cells[0]) if cells else None
        if number is None:
            return (), ""
        unit = _BESIDE_UNIT.sub("", number[2])
        if not unit:
            beside = cells[1] if len(cells) > 1 else ""
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


@remembered
def label(text: str) -> str:
    """A channel's name for comparison: "Channel 1", "CH 1" and "ch1" are one."""
    word = plain(split_unit(text)[0] if text else "")
    return re.sub(r"^(channel|kanal|chan)(?=\d|$)", "ch", word.replace(" ", ""))


@remembered
def _pairs(
    line: str, delimiter: str, split: Callable[[str, str], list[str]]
) -> tuple[tuple[str, Sequence[str]], ...]:
    """Keys of a line, each with the cells behind it."""
    return tuple(_each_pair(line, delimiter, split))


def _each_pair(
    line: str, delimiter: str, split: Callable[[str, str], list[str]]
) -> Iterator[tuple[str, Sequence[str]]]:
    text = line.strip().lstrip("#%!*;/'").strip()
    for mark in dict.fromkeys((delimiter if delimiter != " " else "\t", "\t", ";", ",")):
        cells = split(text, mark)
        if mark == "," != delimiter and '"' not in text:
            # A comma between digits belongs to a number.
            cells = [cell.strip() for cell in re.split(r",(?!\d)|(?<!\d),", text)]
        while cells and not cells[-1]:
            cells.pop()
        for i, cell in enumerate(cells):
            parted = re.fullmatch(r"(.+?)\s*[:=]\s*(.+)", cell)
            if parted:
                yield parted[1], (parted[2].strip("\"'"), *cells[i + 1 :])
        for cell in cells if len(cells) > 1 or not re.search("[:=]", text) else ():
            if not re.search("[:=]", cell) and says_only_acceleration(split_unit(cell)[0]):
                yield "", (cell,)
        if len(cells) > 1:
            for i in range(len(cells) - 1):
                yield re.sub(r"\s*[:=]\s*$", "", cells[i]), cells[i + 1 :]
            return
    worded = re.fullmatch(r"([^\d:=]+?)\s+([+-]?[\d.,]+.*)", text) or re.fullmatch(
        r"((?:\w+ )?units?)\s+(\S+)", text, re.IGNORECASE
    )
    if worded:
        yield worded[1], (worded[2],)


def _of_samples(entry: Entry) -> bool:
    return bool(re.search(r"(?i)sa?/s|sps|sample", " ".join((*entry.cells[:2], entry.key))))


def _numbers_apart(entry: Entry) -> Iterator[tuple[str, ...]]:
    """Cells of an entry, once for each of the numbers that follow each other at its beginning."""
    stop = 0
    while stop < len(entry.cells) and _NUMBER.fullmatch(entry.cells[stop]):
        stop += 1
    if stop < 2:
        yield entry.cells
    for cell in dict.fromkeys(entry.cells[:stop] if stop > 1 else ()):
        yield (cell, *entry.cells[stop:])


@remembered
def _words_of(key: str) -> str:
    opened = re.sub(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]", _without_bracketed_unit, key)
    return plain(re.sub(r"\s*[(\[]?(m?v|g)\s?/\s?(g|m?v)\b.*", "", opened, flags=re.I))


def _without_bracketed_unit(found: re.Match[str]) -> str:
    inside = found[1]
    is_unit = read_unit(inside) is not None or is_sensitivity_unit(inside)
    return " " if is_unit else f" {inside} "


def _split_words(name: str) -> list[str]:
    return re.findall(r"[^\W_]+", split_unit(name)[0].casefold())


def _unit_statement(entry: Entry) -> re.Match[str] | None:
    """What an entry that names a unit names it of; None for other entries."""
    return _UNIT_KEY.fullmatch(entry.words) or _AXIS_KEY.fullmatch(entry.words)


def _unit_of_quantity(entry: Entry) -> Unit | None:
    """The unit in "Signal: acceleration [g]", said of the only channel."""
    if not _QUANTITY_KEY.fullmatch(entry.word) or not entry.cells:
        return None
    name, unit = split_unit(entry.cells[0])
    if unit is None or unit.quantity != "acceleration" or not says_only_acceleration(name):
        return None
    return unit


def _units_in(cells: Sequence[str]) -> list[Unit]:
    """Units of cells up to the first that has none."""
    units = []
    for cell in cells[next((i for i, cell in enumerate(cells) if cell), 0) :]:
        unit = read_unit(cell) or split_unit(cell)[1]
        # Of "9.81 m/s2" it is the multiple that is the unit.
        if unit is None or (_NUMBER.fullmatch(cell) and not read_unit(cell)):
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


@remembered
def _is_channel(section: str) -> bool:
    return re.fullmatch(r"ch\w{1,2}", section) is not None


@remembered
def is_worth_of_count(entry: Entry) -> bool:
    """Whether an entry says what a count of the recorder is worth."""
    texts = (entry.key, *entry.cells[:2])
    return bool(_WORTH_KEY.fullmatch(entry.word)) or any(
        _PER_COUNT.search(spelled(text)) for text in texts
    )
