"""Check lists: which functions are inspected, as plain text that a lab edits; the ready ones.

A list reads line by line: a function, and after commas the unit in which it is measured and the
rule by which a fail is confirmed, ``again 1 in 2`` or ``at once``. What stands behind ``#`` is not
read.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from durability.record.errors import UnusableCall
from durability.record.records import CheckedFunction, CheckList

_AGAIN = re.compile(r"again (\d+) in (\d+)")
_AT_ONCE = "at once"
_UNIT = re.compile(r"[^\s\d][^\s]{0,7}")


@cache
def ready_lists() -> dict[str, CheckList]:
    """The lists that come with the program, by name."""
    files = sorted(Path(__file__).parent.glob("*.txt"))
    return {
        check_list.name: check_list
        for file in files
        for check_list in [read_check_list(file.read_text(encoding="utf-8"), file.name)]
    }


def ready_text(name: str) -> str:
    """Text of a ready list, comments and all: the start of a lab's own."""
    file = f"{name.replace(' ', '_')}.txt"
    return (Path(__file__).parent / file).read_text(encoding="utf-8")


def read_check_list(text: str, file_name: str) -> CheckList:
    """A check list from its text.

    Parameters
    ----------
    text : str
        Lines of the file.
    file_name : str
        Where they stand; its stem, with blanks for underscores, is the name of the list.

    Returns
    -------
    CheckList

    Raises
    ------
    UnusableCall
        A line can't be read, a function stands twice, or there is none.
    """
    functions: list[CheckedFunction] = []
    for number, line in enumerate(text.splitlines(), start=1):
        told = line.partition("#")[0].strip().lstrip("\ufeff")
        if not told:
            continue
        try:
            function = _read_line(told)
        except ValueError as error:
            raise UnusableCall(f"{file_name}: line {number}: {error}") from None
        if function.name in {each.name for each in functions}:
            raise UnusableCall(f"{file_name}: line {number}: {function.name!r} appears twice")
        functions.append(function)
    if not functions:
        raise UnusableCall(f"{file_name}: names no function; write one a line")
    name = Path(file_name).stem.replace("_", " ").strip()
    return CheckList(name, tuple(functions))


def _read_line(told: str) -> CheckedFunction:
    name, *rest = (" ".join(part.split()) for part in told.split(","))
    if not name or "=" in name:
        raise ValueError(f"{told!r}: a function has a name, and no '=' in it")
    function = CheckedFunction(name)
    unit, rule = None, (function.fails_again, function.within_looks)
    for part in rest:
        again = _AGAIN.fullmatch(part)
        if again:
            rule = int(again[1]), int(again[2])
            if not 1 <= rule[0] <= rule[1]:
                raise ValueError(
                    f"{part!r}: a fail can't recur that often in that many inspections"
                )
        elif part == _AT_ONCE:
            rule = (0, 0)
        elif unit is None and _UNIT.fullmatch(part):
            unit = part
        else:
            raise ValueError(
                f"{part!r}: not a unit like mm, nor a rule like 'again 1 in 2' or 'at once'"
            )
    return CheckedFunction(name, unit, *rule)


def check_list_text(check_list: CheckList) -> str:
    """Text of a check list, as ``read_check_list`` reads it."""
    return "".join(f"{line}\n" for line in (f"# {check_list.name}", "", *check_list.lines))
