"""Lines at the bench: those of a planned drop sheet, and what is typed at an inspection."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from durability.intake.hand_entry import typed_value
from durability.plan.results import DropSheet, PlannedDrop, StopRule
from durability.record.errors import UnusableCall
from durability.record.records import FunctionalCheck
from durability.record.vocabulary import Outcome
from durability.record.whole_file import read_whole

_LONGEST_RUN = 3
"""Keys typed without a blank between them; a longer run, like "shock", is a word."""


def read_ticks(typed: str, names: Mapping[str, str]) -> str:
    """Names of what was ticked by keys; words are kept as they were typed.

    Parameters
    ----------
    typed : str
        For instance "sl", "s, l" or "slightly swollen".
    names : mapping of str to str
        Key → name.

    Returns
    -------
    str
        The names in their order, or the words.

    Examples
    --------
    >>> read_ticks("l s", {"s": "swollen", "l": "leaking"})
    'swollen, leaking'
    """
    runs = typed.lower().replace(",", " ").split()
    if any(len(run) > _LONGEST_RUN or not names.keys() >= set(run) for run in runs):
        return typed
    return ", ".join(name for key, name in names.items() if key in "".join(runs))


OUTCOME_KEYS: dict[str, Outcome] = {
    "p": "pass",
    "d": "degraded",
    "f": "fail",
    "n": "not_tested",
}
"""One key each."""
_MEASURED = re.compile(r"^(?P<number>[-+]?[\d.,]+(?:e[-+]?\d+)?)\s*(?P<unit>[^\s#]*)$", re.I)


def read_measured(words: str, usual_unit: str | None = None) -> tuple[float, str]:
    """A measured value and its unit.

    Parameters
    ----------
    words : str
        For instance "5.2 mm".
    usual_unit : str, optional
        The unit meant when none is typed.

    Returns
    -------
    number : float
    unit : str

    Raises
    ------
    UnusableCall
        There is no number, or no unit.
    """
    match = _MEASURED.match(words.strip())
    if not match:
        raise UnusableCall(f"measured {words!r}: write a number and its unit, like 5.2 mm")
    number = typed_value("measured", match["number"], option="measured")
    unit = match["unit"] or usual_unit
    if not unit:
        raise UnusableCall(f"measured {words!r}: no unit; write it behind, like 5.2 mm")
    return float(number), unit


def read_answer(words: str, usual_unit: str | None = None) -> FunctionalCheck:
    """One answer on one line: its key or outcome, a measured value, a note.

    Parameters
    ----------
    words : str
        For instance "p", "pass", "p 5.2 mm", "f # no power", "d 5.9 mm # bulges".
    usual_unit : str, optional
        The unit meant when none is typed.

    Returns
    -------
    FunctionalCheck

    Raises
    ------
    UnusableCall
        The line has another form.
    """
    told, _, note = words.strip().partition("#")
    key, _, rest = told.strip().partition(" ")
    outcome = OUTCOME_KEYS.get(key.lower()) or next(
        (each for each in OUTCOME_KEYS.values() if each == key.lower()), None
    )
    if outcome is None:
        raise UnusableCall(
            f"{words!r}: not an answer; write p pass, d degraded, f fail or n not tested, then a"
            " measured value with its unit, # and a note"
        )
    if rest.strip()[:1].isalpha():
        raise UnusableCall(f"{words!r}: write words behind #, like {key} # {rest.strip()}")
    number, unit = read_measured(rest, usual_unit) if rest.strip() else (None, None)
    return FunctionalCheck(outcome, number, unit, note.strip() or None)


DROP_SHEET_COLUMNS = ("place", "repeat", "group", "item", "item_drop", "orientation", "rest_s")

_HEAD = re.compile(r"# drop sheet of (\S+), seed (-?\d+), sha256 ([0-9a-f]{64})")
_RULE = re.compile(r"# stop rule: (\w+) ([0-9.eE+-]+): (.+)")


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A drop sheet with what its file says of itself."""

    name: str
    made_on: str
    sheet: DropSheet
    """``sha256`` as the file states it."""


def read_drop_sheet(path: Path) -> SheetFile:
    """The drops planned in a file that ``plan sheet`` wrote.

    Parameters
    ----------
    path : Path
        CSV with comment lines that begin with "#".

    Returns
    -------
    SheetFile
        Its hash as stated, not checked.

    Raises
    ------
    UnusableCall
        No such file, or no drop sheet; the message names line and what would be right.
    """
    try:
        lines = read_whole(path, option="--plan").decode("utf-8-sig").splitlines()
    except OSError as error:
        raise UnusableCall(f"--plan {path}: can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise UnusableCall(f"--plan {path}: not UTF-8 text; give the CSV of plan sheet") from None
    # A spreadsheet that saves the file quotes lines with commas and pads them to its columns.
    comments = [
        line.strip().strip('"').rstrip(",").rstrip('"')
        for line in lines
        if line.lstrip('"').startswith("#")
    ]
    heads = [match for line in comments if (match := _HEAD.match(line))]
    if len(heads) != 1:
        raise UnusableCall(
            f"--plan {path}: no drop sheet; its first line begins with '# drop sheet of DATE, seed"
            " N, sha256 …'; make one with: durability plan sheet"
        )
    made_on, seed, sha256 = heads[0].groups()
    rules = [
        StopRule(match[1], float(match[2]), match[3])
        for line in comments
        if (match := _RULE.match(line))
    ]
    numbered = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip(", ") and not line.lstrip('"').startswith("#")
    ]
    rows = csv.DictReader(line for _, line in numbered)
    missing = [column for column in DROP_SHEET_COLUMNS if column not in (rows.fieldnames or ())]
    if missing:
        raise UnusableCall(f"--plan {path}: column {missing[0]} is missing")
    drops = []
    for (number, _), row in zip(numbered[1:], rows, strict=True):
        try:
            drops.append(
                PlannedDrop(
                    place=int(row["place"]),
                    repeat=int(row["repeat"]),
                    group=row["group"],
                    item=row["item"],
                    item_drop=int(row["item_drop"]),
                    orientation=row["orientation"],
                    rest_s=float(row["rest_s"]),
                )
            )
        except (TypeError, ValueError):
            raise UnusableCall(
                f"--plan {path}, row {number}: place, repeat, item_drop and rest_s must be numbers"
            ) from None
    return SheetFile(
        path.name, made_on, DropSheet(tuple(drops), tuple(rules), int(seed), sha256, ())
    )
