"""A drop sheet as it was written to a CSV file, read back."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

from durability.plan.results import DropSheet, PlannedDrop, StopRule
from durability.record.errors import UnusableCall

COLUMNS = ("place", "repeat", "group", "item", "item_drop", "orientation", "rest_s")

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
        lines = path.read_text(encoding="utf-8-sig").splitlines()
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
    missing = [column for column in COLUMNS if column not in (rows.fieldnames or ())]
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
