"""Gains and other factors that a file states and that its readings may still hold.

What a key says decides, whatever stands around it: conditioner gain, Vorverstärkung, probe. A
number beside it that is not 1 is divided out when the user names it, and else stops the reading:
volts behind a gain of 10 look like a drop ten times as hard.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.intake.waveforms.preamble import (
    Entry,
    Preamble,
    is_worth_of_count,
    label,
)
from durability.intake.waveforms.words import (
    WORDS,
    Unit,
    is_sensitivity_unit,
    of_channel,
    one_of,
    plain,
    read_unit,
    remembered,
    spelled,
    within,
)
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.intake.waveforms.table import Table


@remembered
def _folded(text: str) -> str:
    """A text in lower case, without accents: Verstärkung is Verstarkung."""
    parted = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in parted if not unicodedata.combining(letter))


def _words(name: str) -> re.Pattern[str]:
    return re.compile(_folded(one_of("gains", name)))


_GAIN, _BY_DEVICE, _TAKES_OFF = _words("gain"), _words("device"), _words("takes_off")
_MULTIPLIES, _IS_RATIO = _words("multiplies"), _words("ratio")
_NO_GAIN, _OF_DEVICE = (re.compile(rf"\b{_words(n).pattern}\b") for n in ("no_gain", "of_device"))
_NONE = re.compile(rf"\W*{one_of('gains', 'none')}\W*")
_SWITCH = re.compile(r"\W*[x×]?1(?:\s*[-/|,; ]\s*[x×]?10+)+\W*")
"""A key that is a row of steps, as on a switch: 1-10-100."""
_PER_DIVISION = re.compile(r"/\s?div|per[ _]?div", re.IGNORECASE)
_MULTIPLIED = re.compile(
    r"\W*(?:[x×*]\s?[\d.,]+|[\d.,]+\s?[x×]|1\s?[:/]\s?10+|10+\s?:\s?1"
    r"|[\d.,]+[ -]?(?:fach|fold|mal|fois)|[+-]?[\d.,]+\s?db)\W*"
)
"""A value that is written as a factor: under whatever key, volts may hold it."""
_RATIO = re.compile(r"\W*(?:1\s*[:/]\s*\d+|\d+\s*:\s*1)\W*")
_DATE = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{1,2}:\d\d")
_FACTOR = re.compile(
    r"(?<![\w.,])(?:[x×*]\s?)?(?:1\s*[:/]\s*(?=\d))?(?P<number>[+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
    r"(?:e[+-]?\d+)?)(?![\d.,]*\d)\s*(?P<unit>[:/]\s*1\b|[^\W\d_][^\s,;()]*|[%×*]|[/-][^\W\d_][^\s,;()]*)?"
)
"""A number in a text, without or with its unit: x10, 1:10, 10-fold, 20 dB, 0.1 V/pC."""
_TIMES = re.compile(r"[x×*]|[:/]\s*1|v/v|mv/mv|times|fold|fach|mal|fois|veces|volte")
_IN_WORDS = re.compile(r"^\w*\W{0,3}(?:(?:of|is|was|set|to|at|by|auf|von|mit|de|x)\b\W{0,2})*")
_FOLD_WORDS = {word: factor for factor, words in WORDS["fold"].items() for word in words.split()}
_FOLD = re.compile(rf"\b(?:{'|'.join(_FOLD_WORDS)})\b")
_CHANNEL = re.compile(r"\b(?:ch|channel|kanal|chan|canal|voie)[ _-]?(\w{1,2})\b")

_CHARGE = {"mv/pc": 1.0, "v/pc": 1e3, "pc/mv": -1.0, "pc/v": -1e-3}
"""To mV/pC; of the negative ones the reciprocal."""

_FACTOR_WORD = one_of("of_channel", "factor")
_FACTOR_KEY = of_channel(f"{_FACTOR_WORD}( {_FACTOR_WORD})*")
_NO_FACTOR = within("no_factor")
_UNDONE = re.compile(
    rf"{within('undone').pattern}|"
    r"(?<!probe)(?<!probe )(?<![\w.])[x×]\s?10+\b|[x×*]\s?10\s?(\^|\*\*|[⁻²³⁴⁵⁶])",
    re.IGNORECASE,
)
"""Free words that tell of a scale still to be applied."""


@dataclass(frozen=True, slots=True)
class Gain:
    """A gain as stated, and by how much the volts were multiplied; None where that is unclear."""

    words: str
    factor: float | None


def gain_of(
    table: Table, index: int, place: tuple[int, int], unit: Unit, *, is_assumed: bool
) -> None:
    """Refuse volts that may still hold a gain; report one that readings in g have behind them.

    Parameters
    ----------
    table : Table
        What was found in the file.
    index : int
        The channel's column.
    place : (int, int)
        Its place among the channels, and how many there are.
    unit : Unit
        Of the readings.
    is_assumed : bool
        Whether nothing in the file says so.

    Raises
    ------
    WaveformUnreadable
        With what the file says and the option that settles it.
    """
    column = table.columns[index]
    is_of_oscilloscope = any(map(_PER_DIVISION.search, table.preamble.lines))
    for gain in _stated(table.preamble, column.name, column.heading, place):
        is_for_reader = _MULTIPLIES.search(_folded(gain.words)) is not None
        if unit.quantity == "acceleration" and not is_assumed and not is_for_reader:
            table.notice(f"{gain.words!r}: readings in g are taken as behind it (--gain)")
            continue
        if _TAKES_OFF.search(_folded(gain.words)) and is_of_oscilloscope:
            table.notice(
                f"{gain.words!r}: an oscilloscope's readings hold their probe's factor (--gain)"
            )
            continue
        if gain.factor is None:
            table.notice(f"{gain.words!r}: no number, so taken as 1 (--gain)")
            continue
        raise WaveformUnreadable(
            f"{table.file}: the preamble says {gain.words!r} and not whether the values of"
            f" {column.name!r} hold it; divide it out with --gain {gain.factor:g}, or say with"
            " --gain 1 that they are right as they are"
        )


def _stated(preamble: Preamble, name: str, heading: str, place: tuple[int, int]) -> Iterator[Gain]:
    """Gains other than 1 that may be about a channel, each once."""
    seen = set()
    for gain in _all_stated(preamble, name, heading, place):
        if gain not in seen:
            seen.add(gain)
            yield gain


def _all_stated(
    preamble: Preamble, name: str, heading: str, place: tuple[int, int]
) -> Iterator[Gain]:
    for entry in preamble.entries:
        if not entry.cells or not _says_gain(entry) or is_of_other(preamble, entry, name):
            continue
        own = entry.at_place(*place)
        cells = entry.cells if own is None else own.cells[:1]
        shown = f"{entry.key} {entry.cells[0]}".strip()
        yield from _other_than_one(shown, entry, cells, is_named=own is None)
    for line in (*preamble.lines, heading):
        yield from _in_free_words(line.strip())
    yield from _in_tables(preamble, name)


@remembered
def _says_gain(entry: Entry) -> bool:
    """Whether a key names a gain, or a device that makes one and nothing else about it."""
    key = _folded(entry.key)
    if _SWITCH.fullmatch(key):
        return True
    if _NO_GAIN.search(key) or _PER_DIVISION.search(" ".join((key, *entry.cells[:2]))):
        return False
    if _GAIN.search(key) or _MULTIPLIED.fullmatch(_folded(entry.cells[0])):
        return True
    if _IS_RATIO.fullmatch(key.strip()) and is_number(entry.cells[0]):
        return True
    return _BY_DEVICE.search(key) is not None and not _OF_DEVICE.search(plain(key))


def _other_than_one(
    shown: str, entry: Entry, cells: tuple[str, ...], *, is_named: bool
) -> Iterator[Gain]:
    key = _folded(entry.key)
    beside = _folded(entry.cells[1]) if len(entry.cells) > 1 else ""
    beside = beside if _ratio_of(1.0, beside) is not None and not is_number(beside) else ""
    in_key = re.search(r"[(\[{]\s*([^)\]}]*)\s*[)\]}]|[\s_,]([^\s_,]+)$", key)
    of_key = "" if in_key is None else (in_key[1] or in_key[2] or "")
    default = beside or (of_key if of_key in ("db", *_CHARGE) else "")
    found = [each for cell in cells for each in _factors(_folded(cell), default)]
    worth = is_worth_of_count(entry)
    for factor in found:
        if abs(factor - 1.0) > 1e-9 and (not worth or abs(factor) > 1.0):
            yield Gain(shown[:80], 1.0 / factor if _TAKES_OFF.search(key) else factor)
    text = _folded(cells[0]) if cells else ""
    is_word = re.search(r"[^\W\d_]", text) and not re.search(r"\d|\bnot?\b", text)
    if not found and not is_named and _GAIN.search(key) and is_word and not _NONE.fullmatch(text):
        yield Gain(shown[:80], None)


def is_number(text: str) -> bool:
    """Whether a text is a bare number."""
    return re.fullmatch(r"\s*[+-]?[\d.,]+(e[+-]?\d+)?\s*", text) is not None


def _factors(text: str, default: str) -> Iterator[float]:
    """Each number of a text that can be a factor."""
    text = re.sub(r"\s*[(\[][^)\]]*[)\]]\s*$", "", text)
    if _DATE.search(text) and not _RATIO.fullmatch(text):
        return
    for found in _FACTOR.finditer(text):
        factor = _factor_of(found, default)
        if factor:
            yield factor


def _factor_of(found: re.Match[str], default: str = "") -> float | None:
    number = float(found["number"].replace(",", "."))
    unit = (found["unit"] or default).strip()
    factor = _ratio_of(number, unit)
    # 480C02 is a model.
    is_glued = found["unit"] is not None and found.end("number") == found.start("unit")
    is_name = is_glued and unit[0].isalpha() and factor == number and not _is_times(unit)
    return None if is_name else factor


def _is_times(unit: str) -> bool:
    return any(map(_TIMES.fullmatch, (unit, spelled(unit).lstrip("-"))))


def _ratio_of(number: float, unit: str) -> float | None:
    """By how much a number with this unit multiplies; None when it is no ratio."""
    word = spelled(unit).lstrip("-")
    if not word or _is_times(unit):
        return number
    if word.startswith("db"):
        return float(10.0 ** (number / 20.0))
    if word.startswith("%"):
        return number / 100.0
    if word in _CHARGE and number > 0.0:
        return number * _CHARGE[word] if _CHARGE[word] > 0.0 else -1.0 / (number * _CHARGE[word])
    known = read_unit(word)
    is_measure = known is not None and known.quantity not in ("index", "counts")
    # A word behind a number says more about it; a unit makes it something else: 10 kHz.
    return None if is_measure or is_sensitivity_unit(word) or "/" in word else number


# The files of one recorder say the same above their data.
@remembered
def _in_free_words(line: str) -> tuple[Gain, ...]:
    """Gains in a sentence: "recorded with a gain of 10", "x10 amplification"."""
    text = _FOLD.sub(lambda found: f"{_FOLD_WORDS[found[0]]}-fold", _folded(line))
    head = re.split("[:=;,\t]", text, maxsplit=1)[0]
    if len(head) < len(text) and (_GAIN.search(head) or _BY_DEVICE.search(head)):
        return ()
    found_gains = []
    for word in (*_GAIN.finditer(text), *_BY_DEVICE.finditer(text)):
        behind = _IN_WORDS.sub("", text[word.end() :], count=1)
        before = text[: word.start()].rstrip(" -")
        near = [_FACTOR.match(behind)]
        last = list(_FACTOR.finditer(before))[-1:]
        near += [each for each in last if each.end() == len(before) and not is_number(each[0])]
        for found in filter(None, near):
            factor = _factor_of(found)
            if factor and factor != 1.0:
                inverse = _TAKES_OFF.search(text) is not None
                found_gains.append(Gain(line[:80], 1.0 / factor if inverse else factor))
    return tuple(found_gains)


def _in_tables(preamble: Preamble, name: str) -> Iterator[Gain]:
    """Gains in a table: a column of that name, a row for each channel, or a number below it."""
    wanted, labels = label(name), set(map(label, preamble.channels))
    for i, line in enumerate(preamble.lines):
        if not _GAIN.search(_folded(line)):
            continue
        for mark in "\t;|,":
            names = [_folded(cell).strip() for cell in line.split(mark)]
            at = [k for k, cell in enumerate(names) if _GAIN.search(cell)]
            if not at or any(re.search(r"\d", names[k]) for k in at) or any(map(is_number, names)):
                continue
            for below in preamble.lines[i + 1 :]:
                cells = [cell.strip() for cell in below.split(mark)]
                if len(cells) != len(names) or not (len(names) > 2 or is_number(cells[at[0]])):
                    break
                owners = {label(cell) for cell in cells}
                owners = {each for each in owners if each in labels or _is_like(each, wanted)}
                if owners and wanted not in owners:
                    continue
                entry = Entry(names[at[0]], (cells[at[0]],))
                if _says_gain(entry):
                    shown = f"{line.split(mark)[at[0]].strip()} {cells[at[0]]}"
                    yield from _other_than_one(shown, entry, entry.cells, is_named=True)


def is_of_other(preamble: Preamble, entry: Entry, name: str) -> bool:
    """Whether an entry names another channel of the table, and not this one."""
    wanted = label(name)
    labels = list(map(label, preamble.channels))
    key = _CHANNEL.sub(lambda found: f"ch{found[1]}", _folded(entry.key))
    words = set(re.findall(r"[^\W_]+", key))
    numbered = {word for word in words if re.fullmatch(r"ch\w{1,2}", word)}
    if numbered and any(re.fullmatch(r"ch\w{1,2}", each) for each in labels):
        return wanted not in numbered
    named = [
        label(each)
        for each in preamble.channels
        if (own := set(re.findall(r"[^\W_]+", _folded(each)))) and own <= words
    ]
    if named:
        return wanted not in named
    others = set(labels) - {wanted}
    for head in (entry.line_head, entry.section):
        if head == wanted:
            return False
        if head in others or _is_like(head, wanted):
            return True
    return False


def _is_like(owner: str, wanted: str) -> bool:
    """Whether two labels are those of channels by number."""
    return all(re.fullmatch(r"ch\w{1,2}", each) for each in (owner, wanted))


def refuse_unread_scale(table: Table, index: int, place: tuple[int, int], unit: Unit) -> None:
    """Refuse readings beside a factor that was not applied and is not known to be in them.

    Parameters
    ----------
    table, index, place
        As in ``gain_of``.
    unit : Unit
        Of the readings.

    Raises
    ------
    WaveformUnreadable
        With what the preamble says and the option that takes the values as they stand.
    """
    preamble, name = table.preamble, table.columns[index].name
    settle = f"say that the values are in {unit.symbol} as they are with --units {unit.symbol}"
    for entry in preamble.entries:
        words = entry.words
        is_factor = _FACTOR_KEY.fullmatch(words) and not _NO_FACTOR.search(words)
        if not is_factor or _says_gain(entry) or is_of_other(preamble, entry, name):
            continue
        own = entry.at_place(*place)
        cells = entry.cells if own is None else own.cells[:1]
        beside = entry.cells[1] if len(entry.cells) > 1 else ""
        known = read_unit(beside)
        is_measure = known is not None and known.quantity != "index"
        if is_measure or is_sensitivity_unit(beside) or is_worth_of_count(entry):
            continue
        if _PER_DIVISION.search(" ".join(entry.cells[:2])):
            continue
        if all(factor == 1.0 for cell in cells for factor in _whole_factor(cell)):
            continue
        words = f"{entry.key} {entry.cells[0]}".strip()
        raise WaveformUnreadable(
            f"{table.file}: the preamble says {words!r} and not whether the values of"
            f" {name!r} hold it; {settle}, or export readings in g"
        )
    for line in (*preamble.lines, table.columns[index].heading):
        folded = _folded(line)
        if _UNDONE.search(line) and not (_GAIN.search(folded) or _BY_DEVICE.search(folded)):
            raise WaveformUnreadable(
                f"{table.file}: it says {line.strip()[:80]!r}, which may change the scale"
                f" of {name!r}; {settle}, or export readings in g"
            )


def _whole_factor(cell: str) -> Iterator[float]:
    found = _FACTOR.fullmatch(re.sub(r"\s*\(.*\)$", "", _folded(cell).strip()))
    factor = found and _factor_of(found)
    if factor is not None:
        yield factor
