"""Results to the JSON that leaves the program: numbers or null, never NaN."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any
from uuid import UUID

from durability.record.errors import STEERING

if TYPE_CHECKING:
    from durability.life.results import Prediction
    from durability.record.receipts import ImportCount, Quarantine
    from durability.record.records import Condition
    from durability.rig.results import RigNote
    from durability.workflow.results import AsOf, NamedDrop


def dumps(value: Any) -> str:
    """JSON text of plain values, dates and numbers of any library.

    Parameters
    ----------
    value : object
        As in ``pieces``.

    Returns
    -------
    str
        One line; NaN and infinities as null, what steers a terminal as JSON's own escapes.
    """
    return "".join(pieces(value))


def pieces(value: Any) -> Iterator[str]:
    """The same piece by piece: of a large record all of it would fill the memory.

    Parameters
    ----------
    value : object
        Built of dicts, sequences, strings, numbers, dates and None; iterators at its top or one
        step below it, each of whose values is a piece.
    """
    if isinstance(value, Iterator):
        yield "["
        for at, each in enumerate(value):
            yield f"{', ' if at else ''}{_text(each)}"
        yield "]"
    elif isinstance(value, Mapping) and any(isinstance(each, Iterator) for each in value.values()):
        for at, (key, each) in enumerate(value.items()):
            yield f"{', ' if at else '{'}{dumps(str(key))}: "
            yield from pieces(each)
        yield "}"
    else:
        yield _text(value)


def _text(value: Any) -> str:
    try:
        text = _ENCODER.encode(value)
    except (TypeError, ValueError):  # a key that is no text; a NaN or infinity somewhere
        text = _ENCODER.encode(_clean(value))
    return text if text.isprintable() else _STEERS.sub(_escaped, text)


# As ranges: characters beyond 65535 would else be tried one by one at each place of the text.
_RUNS = groupby(enumerate(sorted(STEERING)), key=lambda each: each[1] - each[0])
_CODES = [[code for _, code in run] for _, run in _RUNS]
_STEERS = re.compile("[" + "".join(f"{chr(run[0])}-{chr(run[-1])}" for run in _CODES) + "]")


def _escaped(found: re.Match[str]) -> str:
    units = found[0].encode("utf-16-be", "surrogatepass").hex()
    return "".join(rf"\u{units[at : at + 4]}" for at in range(0, len(units), 4))


def _as_plain(value: Any) -> Any:
    """What JSON has no notation for, as something that it has one for."""
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, (UUID, timedelta)):
        return str(value)
    if isinstance(value, bytes):
        return value.hex()
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return value.tolist()
    return list(value) if isinstance(value, Iterable) else float(value)  # Decimal too


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, default=_as_plain)


def _clean(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _clean(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(each) for each in value]
    if isinstance(value, float):
        return value if abs(value) < float("inf") else None
    return value if value is None or isinstance(value, (str, int)) else _clean(_as_plain(value))


def as_of(when: AsOf | None, answer: Any) -> Any:
    """An answer, led by the instant as of which it was asked where that is not now."""
    return answer if when is None else {**everything(when), **answer}


def named(result: Any, names: Sequence[str]) -> dict[str, Any]:
    """These fields of a result."""
    return {name: getattr(result, name) for name in names}


def rig(note: RigNote | None) -> dict[str, Any] | None:
    """What the reference drops say of the time of a series."""
    if note is None:
        return None
    since = None if note.since is None else datetime.fromtimestamp(note.since, UTC)
    return {
        **{each.name: getattr(note, each.name) for each in fields(note)},
        "since": None if since is None else since.replace(tzinfo=None),
    }


def named_drops(drops: Sequence[NamedDrop]) -> list[dict[str, Any]]:
    """Drops left out or in doubt, each with its reason."""
    return [named(drop, ("series", "drop_number", "peak_g", "reason")) for drop in drops]


def prediction(predicted: Prediction) -> dict[str, float | None]:
    """Object of a prediction."""
    return named(predicted, ("lower", "median", "upper"))


def condition(compared: Condition | str | None) -> dict[str, Any] | str | None:
    """Object of the condition of an answer, or the word that several were pooled."""
    if compared is None or isinstance(compared, str):
        return compared
    return named(compared, ("drop_height_mm", "surface", "device_kind"))


def quarantine(kept: Quarantine) -> dict[str, Any]:
    """One quarantined device, with the ends of the windows in which it is watched."""
    return {
        **named(kept, ("device", "since", "sign", "told")),
        "watch_until": dict(kept.watch),
        "disposals": [everything(each) for each in kept.disposals],
    }


def everything(result: Any, *left_out: str) -> dict[str, Any]:
    """Every field of a result but those; results within it as objects too."""
    return {
        each.name: _with_fields(getattr(result, each.name))
        for each in fields(result)
        if each.name not in left_out
    }


def _with_fields(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_with_fields(one) for one in value]
    return everything(value) if is_dataclass(value) else value


def import_count(count: ImportCount) -> dict[str, Any]:
    """Object of ``import … --json``."""
    names = ("read", "added", "duplicates", "rejected", "rejects_file")
    quarantined = [kept.device for kept in count.quarantined]
    optional = {
        "quarantined": quarantined,
        "undated_in_quarantine": dict(count.undated_in_quarantine),
        "dropped_after_failure": dict(count.dropped_after_failure),
    }
    return {**named(count, names), **{name: found for name, found in optional.items() if found}}
