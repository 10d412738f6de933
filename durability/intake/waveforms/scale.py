"""The channel that is meant, and the factor from its values to g."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from durability.intake.waveforms.doubts import (
    refuse_assumed_g,
    refuse_contradicted_unit,
    refuse_other_extremes,
)
from durability.intake.waveforms.gains import gain_of, refuse_unread_scale
from durability.intake.waveforms.words import (
    VALUE_UNITS,
    Unit,
    names_other_quantity,
    of_quantity,
    plain,
    says_only_acceleration,
    value_unit,
    within,
)
from durability.record.errors import WaveformUnreadable

if TYPE_CHECKING:
    from durability.intake.waveforms.table import Table
    from durability.record.records import FloatArray

ValueUnit = Literal["g", "m/s2", "V", "mV"]

_FEWEST_COUNTS = 4
"""Different whole numbers that make counts of the recorder, when they can't be readings."""

_MOST_LISTED = 12


class Sensitivity(NamedTuple):
    """Of a channel's sensor, and where it is from."""

    mv_per_g: float
    whose: str
    is_given: bool = False
    """Whether the user named it for this file: nothing goes before it."""


OTHER_SENSITIVITY_RATIO = 1.1
"""Two calibrations of one sensor lie closer together than this."""


def choose_channel(
    table: Table,
    time_columns: frozenset[int],
    channel: str | None,
    units: ValueUnit | None,
    across: Sequence[int] = (),
) -> int:
    """Index of the column of readings that is meant.

    Parameters
    ----------
    table : Table
        What was found in the file.
    time_columns : frozenset of int
        Columns that tell time or count.
    channel : str or None
        As told: a name, or a column number from 1.
    units : str or None
        As told; volts rule a column in g out.
    across : sequence of int
        Columns told to be across the axis of the impact.

    Raises
    ------
    WaveformUnreadable
        No column could be meant, or more than one; nothing is guessed.
    """
    columns = table.columns
    if channel is not None:
        named = named_channel(table, time_columns, channel, option="--channel")
        table.notice(_extremes(table, range(len(columns)), of=named))
        return named
    candidates = [
        i
        for i, column in enumerate(columns)
        if i not in time_columns
        and i not in across
        and (column.unit is None or column.unit.quantity in ("voltage", "acceleration", "counts"))
        and not names_other_quantity(column.name)
        and np.isfinite(table.head[:, i]).any()
    ]
    accelerations = [
        i
        for i in candidates
        if (unit := columns[i].unit) is not None and unit.quantity == "acceleration"
    ]
    if units in ("V", "mV"):
        accelerations = []
    # A column in g beside others in V is the only one that can be meant; nothing else is guessed.
    if len(accelerations) == 1 and all(columns[i].unit is not None for i in candidates):
        candidates = accelerations
    if len(candidates) == 1:
        return candidates[0]
    if not candidates:
        raise WaveformUnreadable(
            f"{table.file}: no column of readings beside the time; one in g, m/s2, V or mV is "
            "needed"
        )
    hint = _extremes(table, candidates)
    raise WaveformUnreadable(
        f"{table.file}: {len(candidates)} channels could be meant; name one of "
        f"{listed_channels(table, time_columns)} with --channel{hint and f' ({hint})'}"
    )


_LOWEST, _HIGHEST = within("lowest"), within("highest")


def _extremes(table: Table, columns: Iterable[int], *, of: int | None = None) -> str:
    """That two columns are the extremes of each stretch, in words; empty where none are.

    Parameters
    ----------
    table : Table
        What was found in the file.
    columns : iterable of int
        Those to compare.
    of : int, optional
        One of which is to be this.
    """
    low: dict[str, int] = {}
    high: dict[str, int] = {}
    for i in columns:
        name = plain(table.columns[i].name)
        for pattern, found in ((_LOWEST, low), (_HIGHEST, high)):
            if pattern.search(name):
                found[pattern.sub("", name).strip()] = i
    for rest, i in low.items():
        if rest in high and of in (None, i, high[rest]):
            pair = f"{table.columns[i].name!r} and {table.columns[high[rest]].name!r}"
            return f"{pair} are extremes of each stretch (peak detection): noise widens them"
    return ""


def named_channel(table: Table, time_columns: frozenset[int], channel: str, *, option: str) -> int:
    """The column that a user names with an option, or numbers from 1."""
    columns = table.columns
    wanted = plain(channel).replace(" ", "")
    named = [
        i
        for i, column in enumerate(columns)
        if wanted in {plain(text).replace(" ", "") for text in (column.name, column.heading)}
    ]
    exact = [
        i for i, column in enumerate(columns) if channel.strip() in (column.heading, column.name)
    ]
    index = next((found[0] for found in (exact, named) if len(found) == 1), None)
    if index is None and channel.strip().isdigit() and 1 <= int(channel) <= len(columns):
        index = int(channel) - 1
        namesake = [i for i, column in enumerate(columns) if _ends_in(column.name, wanted)]
        if namesake not in ([], [index]):
            raise WaveformUnreadable(
                f"{table.file}: column {wanted} is {columns[index].name!r}, and there is "
                f"{columns[namesake[0]].name!r}; write the name of one with {option}"
            )
    if index is None:
        raise WaveformUnreadable(
            f"{table.file}: no single channel {channel!r} for {option}; it has"
            f" {listed_channels(table, time_columns)}"
        )
    if index in time_columns:
        raise WaveformUnreadable(
            f"{table.file}: {columns[index].heading!r} (column {index + 1}) is the time and not a"
            f" channel; it has {listed_channels(table, time_columns)}"
        )
    return index


def _ends_in(name: str, number: str) -> bool:
    """Whether a name is letters and that number: CH2, Accel 2."""
    return re.fullmatch(rf"\D*[^\W\d]\D*{number}", name) is not None and "column" not in name


def listed_channels(table: Table, time_columns: frozenset[int]) -> str:
    """Names of the channels, for a message."""
    channels = [each for i, each in enumerate(table.columns) if i not in time_columns]
    repeated = len({each.name for each in channels}) < len(channels)
    names = [repr(each.heading if repeated else each.name) for each in channels]
    more = f" and {len(names) - _MOST_LISTED} more" if len(names) > _MOST_LISTED else ""
    return ", ".join(names[:_MOST_LISTED]) + more


def to_g(
    table: Table,
    channels: Sequence[int],
    index: int,
    values: FloatArray,
    *,
    units: ValueUnit | None,
    sensitivity: Sensitivity | None,
    gain: float | None = None,
) -> tuple[FloatArray, float | None, dict[str, str]]:
    """A channel's values in g, the sensitivity in them if they were volts, and how that was found.

    Parameters
    ----------
    table : Table
        What was found in the file.
    channels : sequence of int
        Columns that are channels.
    index : int
        The channel's column, one of them.
    values : ndarray of shape (n_samples,)
        As read.
    units : str or None
        As told.
    sensitivity : Sensitivity or None
        What the preamble says of the channel stands in for None.
    gain : float or None
        By which the values were multiplied, as told.

    Raises
    ------
    WaveformUnreadable
        The unit, the sensitivity or the worth of a count is not known.
    """
    column, preamble = table.columns[index], table.preamble
    place = (channels.index(index), len(channels))
    unit: Unit | None
    if units is not None:
        unit, how = value_unit(units), "given"
    elif column.unit is not None:
        unit, how = column.unit, f"from {column.unit_from}"
    elif (said := preamble.value_unit(column.name, *place)) is not None:
        unit, how = of_quantity(said, column.heading), "from the preamble"
    elif says_only_acceleration(column.heading):
        given = sensitivity is not None and sensitivity.is_given
        refuse_assumed_g(table, index, values, has_sensitivity=given)
        unit, how = value_unit("g"), "assumed since the heading says acceleration without a unit"
    else:
        unit, how = None, ""
    told: dict[str, str] = {}
    if units is None:
        refuse_contradicted_unit(table, index, place, column.unit)
    if units is None and _may_be_counts(values, unit):
        values, unit, how = _weighed(table, index, values, unit, how, told)
    if unit is None or unit.quantity not in ("voltage", "acceleration"):
        raise WaveformUnreadable(
            f"{table.file}: no unit of acceleration or voltage for channel {column.name!r}; name "
            f"one with --units ({', '.join(VALUE_UNITS)})"
        )
    told["units"] = f"{unit.symbol}, {how}"
    if gain is None:
        gain_of(table, index, place, unit, is_assumed=how.startswith("assumed"))
    else:
        values = values / gain
        told["gain"] = f"readings divided by {gain:g}, given"
    is_settled = units is not None or "scale" in told
    if not is_settled:
        refuse_unread_scale(table, index, place, unit)
    if unit.quantity == "acceleration":
        acceleration_g = values * unit.factor
        if not is_settled:
            refuse_other_extremes(table, index, place, values, unit, acceleration_g)
        return acceleration_g, None, told
    said_mv_per_g = preamble.mv_per_g(column.name, *place)
    if sensitivity is None and said_mv_per_g is not None:
        sensitivity = Sensitivity(said_mv_per_g, "from the preamble")
    if sensitivity is None:
        raise WaveformUnreadable(
            f"{table.file}: channel {column.name!r} is in {unit.symbol}; give the sensor's "
            "sensitivity with --mv-per-g"
        )
    mv_per_g, whose, is_given = sensitivity
    if not mv_per_g != 0.0 or not np.isfinite(mv_per_g):
        raise WaveformUnreadable(f"{table.file}: {mv_per_g:g} mV/g is not a sensitivity")
    if said_mv_per_g is not None and not is_given:
        ratio = said_mv_per_g / mv_per_g
        if not 1.0 / OTHER_SENSITIVITY_RATIO < ratio < OTHER_SENSITIVITY_RATIO:
            raise WaveformUnreadable(
                f"{table.file}: {mv_per_g:g} mV/g {whose}, {said_mv_per_g:g} mV/g by the preamble;"
                " settle it with --mv-per-g"
            )
    told["sensitivity"] = f"{mv_per_g:g} mV/g, {whose}"
    acceleration_g = values * (unit.factor * 1000.0 / mv_per_g)
    if not is_settled and not is_given:
        refuse_other_extremes(table, index, place, values, unit, acceleration_g)
    return acceleration_g, mv_per_g, told


def _may_be_counts(values: FloatArray, unit: Unit | None) -> bool:
    """Whether values are what the converter counted: whole numbers, and many of them."""
    if unit is not None and unit.quantity == "counts":
        return True
    return bool(np.all(values == np.rint(values))) and np.unique(values).size >= _FEWEST_COUNTS


def _weighed(
    table: Table,
    index: int,
    values: FloatArray,
    unit: Unit | None,
    how: str,
    told: dict[str, str],
) -> tuple[FloatArray, Unit | None, str]:
    """Counts times what the preamble says that one is worth; readings stay as they are.

    Whole readings are told from counts by the worth itself: readings come in its multiples.
    """
    said = table.preamble.worth_of_count()
    if said is not None:
        worth, of = said
        of = of or (unit if unit is not None and unit.quantity != "counts" else None)
        steps = values / worth
        if worth >= 1.0 and np.allclose(steps, np.rint(steps), rtol=0.0, atol=1e-6):
            return values, unit, how
        if of is not None and of.quantity in ("voltage", "acceleration"):
            told["scale"] = f"{worth:g} {of.symbol} a count, from the preamble"
            return (values - table.preamble.zero_count()) * worth, of, "from the preamble"
    is_counts = unit is not None and unit.quantity == "counts"
    finest = table.preamble.finest(unit) if unit is not None else None
    is_counts |= finest is not None and finest < 1.0
    if is_counts or (unit is not None and unit.symbol == "V"):
        raise WaveformUnreadable(
            f"{table.file}: channel {table.columns[index].name!r} holds whole numbers up to "
            f"{np.abs(values).max():.0f}, probably counts of the recorder, and the preamble "
            "does not say what one is worth; export readings, or name their unit with --units "
            f"({', '.join(VALUE_UNITS)})"
        )
    return values, unit, how
