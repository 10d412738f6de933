"""Whether what was worked out of a file agrees with everything else that the file says.

A preamble that is understood in part only is as dangerous as none: a scale that was passed over
makes a record that looks right. So what speaks of a scale and was not applied stops the reading,
and so does a number that another statement of the file contradicts. Each refusal names both
figures and the option that settles the matter.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from durability.intake.waveforms.preamble import label
from durability.intake.waveforms.words import (
    Unit,
    is_time,
    of_channel,
    one_of,
    plain,
    read_unit,
    whole,
    within,
)
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.intake.waveforms.table import Table
    from durability.record.records import FloatArray

STRAY_RATIO = 3.0
"""A first or last value this many times larger than all others is a setting, not a sample: a shock
recorded by a sensor rises over more than one sample."""

_FEWEST_TO_COUNT = 20

OTHER_SCALE_RATIO = 2.5
"""A stated maximum that differs by more is in another scale. By less, it may be that of the screen,
of the filtered record or of the whole of one that was exported in part."""

BEYOND_RANGE_RATIO = 5.0
"""Values that exceed a stated range by more are in another scale; by less, the sensor was driven
over its range, which is a fact to be judged."""

MANY_WHOLE = 30
"""Different whole numbers, and nothing else, that readings in g seldom are."""

MOST_CHANNELS = 8
"""More different words in a column are something else."""

LENGTH_TOLERANCE = 0.01
"""Between a stated duration and samples times their interval: durations are rounded."""

_EXTREME_KEY = of_channel(one_of("of_channel", "extreme"))
_RANGE_KEY = of_channel(one_of("of_channel", "range"))
_POINTS_KEY, _DURATION_KEY = whole("points"), whole("duration")
_OTHER_SCALE = within("other_scale")
_IN_TURN, _OFF = within("in_turn"), within("off")

# -------------------------------------------------------------------------------- the values


def refuse_stray_ends(table: Table, values: FloatArray) -> None:
    """Refuse a first or last value that is a number of something else.

    Parameters
    ----------
    table : Table
        What was found in the file.
    values : ndarray of shape (n_samples,)
        The channel as read.

    Raises
    ------
    WaveformUnreadable
        With the value, the largest of the others and the option that says where the data begin.
    """
    left = [values.size - first for first in (1, 2, 3)]
    if values[0] in left and values.size > _FEWEST_TO_COUNT:
        raise WaveformUnreadable(
            f"{table.file}, {table.place(0)}: the first value, {values[0]:.0f}, is the number of"
            " those that follow; name the line on which the data begin with --first-line"
        )
    # Of those between, one is at least half their range off the median, which is among them.
    if values.size > 12 and np.ptp(values) < 0.49 * STRAY_RATIO * np.ptp(values[3:-3]):
        return
    size = np.abs(values - np.median(values))
    inner = float(size[3:-3].max(initial=0.0))
    for count in (1, 2, 3):
        for where, ends, rest in (
            ("first", slice(None, count), (size[count:3], size[-3:])),
            ("last", slice(-count, None), (size[:3], size[-3:-count])),
        ):
            largest = max(inner, *(float(part.max(initial=0.0)) for part in rest))
            if largest > 0.0 and size[ends].max() > STRAY_RATIO * largest:
                at = int(np.argmax(size[ends])) + (0 if where == "first" else size.size - count)
                option = "--first-line" if where == "first" else "no option; correct the file's end"
                raise WaveformUnreadable(
                    f"{table.file}, {table.place(at)}: {values[at]:.9g} among the {where} values"
                    f" is far off the others, {largest:.4g} from their middle at most: probably a"
                    f" setting; name the line on which the data begin ({option})"
                )


def refuse_contradicted_unit(
    table: Table, index: int, place: tuple[int, int], unit: Unit | None
) -> None:
    """Refuse a channel whose unit is said to be one thing here and another there.

    Parameters
    ----------
    table : Table
        What was found in the file.
    index : int
        The channel's column.
    place : (int, int)
        Its place among the channels, and how many there are.
    unit : Unit or None
        By the heading or the cells.

    Raises
    ------
    WaveformUnreadable
        With both units and the option that settles it.
    """
    column = table.columns[index]
    said = column.other_unit or table.preamble.own_value_unit(column.name, *place)
    known = ("voltage", "acceleration")
    if unit is None or said is None or unit.quantity not in known or said.quantity not in known:
        return
    if (unit.quantity, unit.factor) != (said.quantity, said.factor):
        where = "its heading" if column.other_unit else "the preamble"
        raise WaveformUnreadable(
            f"{table.file}: channel {column.name!r} is in {unit.symbol} by {column.unit_from} and"
            f" in {said.symbol} by {where}; settle it with --units"
        )


def refuse_other_extremes(
    table: Table,
    index: int,
    place: tuple[int, int],
    values: FloatArray,
    unit: Unit,
    acceleration_g: FloatArray,
) -> None:
    """Refuse readings that don't fit the maximum, minimum or range that the file states for them.

    Parameters
    ----------
    table, index, place
        As in ``refuse_contradicted_unit``.
    values : ndarray of shape (n_samples,)
        As read.
    unit : Unit
        Theirs.
    acceleration_g : ndarray of shape (n_samples,)
        What was made of them.

    Raises
    ------
    WaveformUnreadable
        With both figures.
    """
    preamble, name = table.preamble, table.columns[index].name
    stated: dict[str, list[float]] = {"g": [], "V": []}
    ranges: dict[str, list[float]] = {"g": [], "V": []}
    for entry in preamble.entries:
        for key, kept in ((_EXTREME_KEY, stated), (_RANGE_KEY, ranges)):
            said = key.fullmatch(entry.words)
            own = None if said is None else entry.at_place(*place)
            if said is None or own is None:
                continue
            is_own = preamble.whose(entry, said, name)
            of_all = _is_of_values(said) and entry.line_head in ("", label(entry.key))
            if not is_own and not of_all:
                continue
            cell = re.sub(r"^\s*(±|\+/?-)\s*", "", own.cells[0]) if own.cells else ""
            own = replace(own, cells=(cell, *own.cells[1:]))
            amounts, written = preamble.amounts(own, read_unit)
            of = read_unit(written) if written else (unit if kept is stated else None)
            if len(amounts) == 1 and of is not None and of.quantity in ("voltage", "acceleration"):
                kept["V" if of.quantity == "voltage" else "g"].append(abs(amounts[0] * of.factor))
    largest = {"g": float(np.abs(acceleration_g).max())}
    if unit.quantity == "voltage":
        largest["V"] = float(np.abs(values).max()) * unit.factor
    for symbol, size in largest.items():
        most = max(stated[symbol], default=0.0)
        if most > 0.0 and size > 0.0:
            ratio = size / most
            if not 1.0 / OTHER_SCALE_RATIO < ratio < OTHER_SCALE_RATIO:
                raise WaveformUnreadable(
                    f"{table.file}: channel {name!r} reaches {size:.4g} {symbol} as read, the file"
                    f" states {most:.4g} {symbol}; settle its scale with --units or --mv-per-g"
                )
        reach = max(ranges[symbol], default=0.0)
        if 0.0 < reach * BEYOND_RANGE_RATIO < size:
            raise WaveformUnreadable(
                f"{table.file}: channel {name!r} reaches {size:.4g} {symbol} as read, the range"
                f" stated is {reach:.4g} {symbol}; settle its scale with --units or --mv-per-g"
            )


def _is_of_values(said: re.Match[str]) -> bool:
    """Whether nothing but the reading itself is named beside an extreme or a range."""
    rest = f"{said['before']} {said['after']}".strip()
    return re.fullmatch(r"((accel\w*|g|value|abs\w*|level|sensor|signal) ?)*", rest) is not None


# ---------------------------------------------------------------------------------- the time


def refuse_other_length(table: Table, count: int, rate_hz: float, *, has_stamps: bool) -> None:
    """Refuse a sample rate that the file's number of points or its duration contradicts.

    Parameters
    ----------
    table : Table
        What was found in the file.
    count : int
        Samples of the channel.
    rate_hz : float
        Samples per second as worked out, not as given.
    has_stamps : bool
        Whether each sample has its time: then only a unit can be wrong, and a part of a longer
        record may have been exported.

    Raises
    ------
    WaveformUnreadable
        With both figures and the option that settles the rate.
    """
    for points in points_stated(table):
        part = points / count
        is_thinned = part > 1.5 and abs(part - round(part)) * count <= round(part)
        if is_thinned and not has_stamps:
            raise WaveformUnreadable(
                f"{table.file}: {count} samples where the preamble says {points}; if one of"
                f" {round(part)} was exported the rate is {rate_hz / round(part):.6g}, else"
                f" {rate_hz:.6g} Hz: settle it with --sample-rate-hz"
            )
        if abs(points - count) > 1:
            table.notice(f"{count} samples, the preamble says {points}")
    for entry in table.preamble.entries:
        if not _DURATION_KEY.fullmatch(entry.word):
            continue
        amounts, written = table.preamble.amounts(entry, is_time)
        unit = read_unit(written)
        if len(amounts) != 1 or not amounts[0] > 0.0 or unit is None or unit.quantity != "time":
            continue
        stated_s = amounts[0] * unit.factor
        ratio = count / rate_hz / stated_s
        power = np.log10(ratio)
        is_other_unit = abs(power) > 0.9 and abs(power - round(power)) < 0.02
        is_other = abs(ratio - 1.0) > LENGTH_TOLERANCE + 2.0 / count
        if is_other_unit or (is_other and not has_stamps):
            raise WaveformUnreadable(
                f"{table.file}: {count} samples at {rate_hz:.6g} Hz last {count / rate_hz:.4g} s,"
                f" the preamble says {stated_s:.4g} s ({entry.key}); settle it with"
                " --sample-rate-hz or --time-unit"
            )


def points_stated(table: Table) -> list[int]:
    """How many samples the preamble says there are."""
    found = []
    for entry in table.preamble.entries:
        if not _POINTS_KEY.fullmatch(entry.word):
            continue
        amounts, written = table.preamble.amounts(entry, read_unit)
        unit = read_unit(written) if written else None
        if written and (unit is None or unit.quantity not in ("index", "counts")):
            continue
        found += [int(amount) for amount in amounts[:1] if amount >= 2 and amount == int(amount)]
    return found


_PARTS = whole("part")
"""Names of columns that say of each row which channel or record it belongs to."""


def columns_of_parts(table: Table, others: Collection[int]) -> list[int]:
    """Columns that tell which channel or record a row belongs to.

    Parameters
    ----------
    table : Table
        What was found in the file.
    others : collection of int
        Columns known to be something else.
    """
    return [
        i
        for i, column in enumerate(table.columns)
        if i not in others and _PARTS.fullmatch(plain(column.name))
    ]


def refuse_several_parts(table: Table, index: int, values: FloatArray) -> None:
    """Refuse rows that belong to several channels or records.

    Parameters
    ----------
    table : Table
        What was found in the file.
    index : int
        Column that tells which.
    values : ndarray of shape (n_samples,)
        Its numbers, or one for each of its words.

    Raises
    ------
    WaveformUnreadable
        It holds more than one.
    """
    count = np.unique(values[np.isfinite(values)]).size
    if count > 1:
        raise WaveformUnreadable(
            f"{table.file}: the rows belong to {count} of {table.columns[index].heading!r}; one"
            " record a file is needed, with a column for each channel"
        )


def refuse_channels_in_turn(table: Table) -> None:
    """Refuse a single column in which a preamble says that channels take turns.

    Parameters
    ----------
    table : Table
        What was found in the file.

    Raises
    ------
    WaveformUnreadable
        With the line that says so.
    """
    for line in table.preamble.lines:
        if _IN_TURN.search(line) and not _OFF.search(line):
            raise WaveformUnreadable(
                f"{table.file}: the preamble says {line.strip()[:80]!r}, samples of several"
                " channels in turn; export a column for each, or name the one with --channel"
            )


def refuse_assumed_g(
    table: Table, index: int, values: FloatArray, *, has_sensitivity: bool
) -> None:
    """Refuse to take a channel without a unit as g where anything speaks against it.

    Parameters
    ----------
    table : Table
        What was found in the file.
    index : int
        The channel's column.
    values : ndarray of shape (n_samples,)
        As read.
    has_sensitivity : bool
        Whether the user gave one for this file: then the values are volts.

    Raises
    ------
    WaveformUnreadable
        With what speaks against it, and the option that settles it.
    """
    heading = table.columns[index].heading
    against = None
    if has_sensitivity:
        against = "a sensitivity is given, which goes with volts"
    elif np.all(values == np.rint(values)) and np.unique(values).size >= MANY_WHOLE:
        against = "its whole numbers may be counts of the recorder"
    else:
        against = next(
            (
                f"the preamble says {line.strip()[:80]!r}"
                for line in table.preamble.lines
                if _OTHER_SCALE.search(line) or _tells_other_unit(line)
            ),
            None,
        )
    if against is not None:
        raise WaveformUnreadable(
            f"{table.file}: {heading!r} has no unit, and {against}; name it with --units (g, m/s2,"
            " V, mV)"
        )


def _tells_other_unit(line: str) -> bool:
    """Whether a line holds a unit of acceleration or voltage other than g."""
    for word in re.split(r"[\s,;:=()\[\]\"']+", line):
        unit = read_unit(word)
        if unit is not None and unit.quantity in ("acceleration", "voltage") and unit.symbol != "g":
            return True
    return False


def refuse_words_in_turn(file: str, heading: str, words: Sequence[str]) -> None:
    """Refuse rows that belong to several channels in turn, as a column of words tells.

    Parameters
    ----------
    file, heading : str
        Names, for the message.
    words : sequence of str
        The column, or its beginning.

    Raises
    ------
    WaveformUnreadable
        With the words that take turns.
    """
    turns = sum(here != there for here, there in pairwise(words))
    names = sorted({word for word in words if word})
    if 1 < len(names) <= MOST_CHANNELS and 2 * turns >= len(words) > 2 * len(names):
        raise WaveformUnreadable(
            f"{file}: rows of {', '.join(map(repr, names))} in column {heading!r} take turns, one"
            " channel each; export a column for each channel"
        )
