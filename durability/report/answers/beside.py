"""What goes with an answer: what it rests on, drops voided or in doubt, whether the rig drifted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.blocks import Reference, Words

if TYPE_CHECKING:
    from durability.rig.results import RigNote
    from durability.wear.results import Forecast, Trend
    from durability.workflow.results import AsOf, NamedDrop

MOST_SERIES = 12
"""Series named with their drops for one reason; more are counted."""
PUT_BACK, LEFT_OUT = "With the voided readings included", "Without the readings in doubt"


def rests_on(basis: str) -> Words:
    """On what an answer rests."""
    return Words(f"Rests on: {basis}.", is_note=True)


def as_of(when: AsOf | None) -> Iterator[Words]:
    """That the answer is of an earlier record, and how much has been entered since."""
    if when is None:
        return
    if not when.entered_since:
        yield Words(f"As of {when.as_of}: nothing has been entered since.")
        return
    since = counted(when.entered_since, "entry", "entries")
    verb = "is" if when.entered_since == 1 else "are"
    yield Words(
        f"As of {when.as_of}: {since} made since {verb} left out; what was imported later was not"
        " known then, whenever it happened."
    )


def set_otherwise(told: Mapping[str, tuple[Any, str]]) -> Iterator[Words]:
    """Limit, level and units of an answer that are not the default, each with what set it."""
    words = {
        "limit_g": lambda value: f"limit {labels.recorded(value)} g",
        "limit_rise": lambda value: f"limit {labels.share(value)} above the fresh level",
        "level": lambda value: f"level {labels.share(value)}",
        "units": lambda value: f"{value.upper()} units",
    }
    if told:
        named = [f"{words[name](value)} ({source})" for name, (value, source) in told.items()]
        yield Words(f"Not the default: {labels.listed(named)}.", is_note=True)


def worn_in(result: Trend | Forecast) -> str:
    """Case model of a series; its case where the model has no name."""
    return result.case_model or result.case or "bare"


def model_worn(result: Trend | Forecast) -> Reference | None:
    """The case model, or the case of none, as a page leads on to it."""
    if result.case_model:
        return "model", result.case_model
    return ("case", result.case) if result.case else None


def shapes(shape_weights: Mapping[str, float]) -> Iterator[Words]:
    """Shapes with the weight they carry, the heaviest first, those under 2 % left out."""
    heaviest = sorted(shape_weights.items(), key=lambda item: -item[1])
    named = [f"{shape} {labels.chance(weight)}" for shape, weight in heaviest if weight >= 0.02]
    if named:
        yield Words(f"Shapes of wear: {labels.listed(named)}.")


def named(lead: str, drops: Iterable[NamedDrop]) -> Iterator[Words]:
    """Drops that were voided, or are in doubt, and why: a line a reason, each drop once."""
    by_reason: dict[str, dict[str, set[int]]] = {}
    for drop in drops:
        numbers = by_reason.setdefault(drop.reason, {}).setdefault(drop.series, set())
        numbers.add(drop.drop_number)
    for reason, found in by_reason.items():
        some = [f"{series} {labels.drops(numbers)}" for series, numbers in found.items()]
        rest = len(some) - MOST_SERIES
        more = f" and drops of {counted(rest, 'other series', 'other series')}" if rest > 0 else ""
        yield Words(f"{lead} ({reason}): {'; '.join(some[:MOST_SERIES])}{more}.")


def rig(notes: Sequence[tuple[str, RigNote | None]]) -> Iterator[Words]:
    """Whether the rig drifted, series with the same drift together."""
    drifted: dict[str, list[str]] = {}
    for series, note in notes:
        if note is None or (note.corrected and note.correction_latest_pct is None):
            continue
        if note.corrected:
            words = f"Rig-corrected by {note.reference_series}; factors: --series S"
        elif note.reason is not None or note.drifted:
            words = str(rig_sentence(note))
        else:
            continue
        drifted.setdefault(words, []).append(series)
    for words, series_codes in drifted.items():
        yield Words(f"{words}: {labels.listed(series_codes)}.")


def rig_sentence(note: RigNote | None, change_pct: float | None = None) -> str | None:
    """What the reference drops say of the time of a series, if it is worth a line.

    Parameters
    ----------
    note : RigNote or None
        None when there are no reference drops.
    change_pct : float, optional
        Change of the fitted level from the first to the latest drop, in percent.

    Returns
    -------
    str or None
        None when the rig was steady and the change exceeds its scatter.
    """
    if note is None:
        return None
    if note.corrected:
        first, latest = note.correction_first_pct, note.correction_latest_pct
        return (
            f"Rig-corrected by {note.reference_series}: {labels.percent(first)} % at the first,"
            f" {labels.percent(latest)} % at the latest drop divided out (standard error of that"
            f" change {labels.number(note.correction_se_pct, 2)} %); readings stay as recorded"
        )
    if note.reason is not None:
        return f"Not rig-corrected: {note.reason}"
    if note.drifted and note.since is not None:
        since = datetime.fromtimestamp(note.since, UTC).strftime("%Y-%m-%d")
        return (
            f"The rig drifted meanwhile: {labels.percent(note.drift_pct)} % since {since} by"
            f" {note.reference_series} (durability rig; divide it out with --rig-corrected)"
        )
    if (
        change_pct is not None
        and note.scatter_pct is not None
        and abs(change_pct) < 2.0 * note.scatter_pct
    ):
        return (
            f"The change of level, {labels.percent(change_pct)} %, is smaller than twice the rig's"
            f" own scatter of {labels.number(note.scatter_pct, 2)} %: it may be the rig's"
        )
    return None


def without_readings_together(rows: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Rows in which drops without a reading that differ by their number alone are one.

    Examples
    --------
    >>> falls = [{"drop_number": n, "peak_g": None, "series": "T"} for n in (1, 2, 3)]
    >>> without_readings_together(falls)
    [{'drop_number': '1 to 3', 'peak_g': None, 'series': 'T'}]
    """
    runs: list[list[Mapping[str, Any]]] = []
    for row in rows:
        last = runs[-1][-1] if runs else row
        follows = row["drop_number"] and row["drop_number"] == (last["drop_number"] or 0) + 1
        if (
            follows
            and row["peak_g"] is None
            and all(row[name] == last.get(name) for name in row.keys() - {"drop_number", "drop_id"})
        ):
            runs[-1].append(row)
        else:
            runs.append([row])
    found: list[Mapping[str, Any]] = []
    for run in runs:
        numbers = f"{run[0]['drop_number']} to {run[-1]['drop_number']}"
        found += [{**run[0], "drop_number": numbers}] if len(run) > _FEW_ALIKE else run
    return found


_FEW_ALIKE = 2
"""So many drops are listed one by one."""
