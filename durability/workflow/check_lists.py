"""Check lists of the lab: which version of which list a plan goes through, and lists as files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.record.check_lists import check_list_text, read_check_list, ready_lists, ready_text
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import CheckedFunction, CheckList
from durability.record.whole_file import read_whole
from durability.store import bench, database
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.devices.schedule import FollowUpPlan


CHECK_LIST_DIGITS = 12
"""Digits of a version's digest on a form; half of them are enough to find it."""


def find_list(wanted: str) -> CheckList:
    """A ready list by its name, or the list in a file.

    Parameters
    ----------
    wanted : str
        As typed.

    Returns
    -------
    CheckList

    Raises
    ------
    UnusableCall
        There is neither, or the file can't be read.
    """
    ready = ready_lists()
    if wanted in ready:
        return ready[wanted]
    file = Path(wanted)
    try:
        text = read_whole(file, option="--check-list").decode()
    except FileNotFoundError:
        raise UnusableCall(
            f"--check-list {wanted!r}: no such file, and no ready list of that name; ready are:"
            f" {', '.join(ready)}"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise UnusableCall(f"--check-list {wanted}: can't be read as text ({error})") from None
    return read_check_list(text, file.name)


def plan_lists(connection: Any) -> dict[str, CheckList]:
    """The list that each plan goes through today, by the plan's name, where it was given one."""
    return {row["plan"]: _check_list(row) for row in bench.fetch(connection, "plan_check_lists")}


def list_of(plan: FollowUpPlan, given: Mapping[str, CheckList]) -> CheckList:
    """The list that a plan goes through, with units and rules."""
    if plan.name in given:
        return given[plan.name]
    ready = next(
        (each for each in ready_lists().values() if each.functions == plan.functions), None
    )
    return ready or CheckList(plan.name, tuple(map(CheckedFunction, plan.functions)))


def _check_list(row: Mapping[str, Any]) -> CheckList:
    columns = ("functions", "units", "fails_again", "within_looks")
    lines = zip(*(row[name] for name in columns), strict=True)
    return CheckList(row["name"], tuple(CheckedFunction(*line) for line in lines))


def keep_list(connection: Any, check_list: CheckList, entry_id: Any) -> str:
    """Store this version of a list unless it is there, and give its digest."""
    bench.run(
        connection,
        "add_check_list",
        sha256=check_list.sha256,
        name=check_list.name,
        functions=list(check_list.functions),
        units=[each.unit for each in check_list.checked],
        fails_again=[each.fails_again for each in check_list.checked],
        within_looks=[each.within_looks for each in check_list.checked],
        entry_id=entry_id,
    )
    return check_list.sha256


def give_list(connection: Any, plan: str, check_list: CheckList, entry_id: Any) -> None:
    """Let a plan go through this version of a list from now on."""
    sha256 = keep_list(connection, check_list, entry_id)
    bench.run(connection, "give_check_list", plan=plan, sha256=sha256, entry_id=entry_id)


def known_lists(session: Session) -> list[dict[str, Any]]:
    """Every list: the ready ones, then the versions that this store has used, the latest first."""
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "check_lists")
    stored = {row["sha256"] for row in rows}
    unused = [
        {
            "check_list": each.name,
            "sha256": each.sha256,
            "functions": len(each.checked),
            "plans": None,
            "inspections": 0,
            "since": None,
        }
        for each in ready_lists().values()
        if each.sha256 not in stored
    ]
    return [*unused, *rows]


def list_text(session: Session, wanted: str) -> tuple[str, str]:
    """A list's name and its text, to print or to edit.

    Parameters
    ----------
    session : Session
        Store and person.
    wanted : str
        Name of a ready list, or of one in the store (its latest version), or the beginning of a
        version's digest.

    Returns
    -------
    name, text : str

    Raises
    ------
    RecordRefused
        There is no such list.
    """
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "find_check_list", wanted=wanted)
    if rows and not (wanted in ready_lists() and _check_list(rows[0]) == ready_lists()[wanted]):
        return rows[0]["name"], check_list_text(_check_list(rows[0]))
    if wanted in ready_lists():
        return wanted, ready_text(wanted)
    raise RecordRefused(
        f"check list {wanted!r}: neither ready nor in the store; see: durability inspect check-list"
    )


def versions(connection: Any, digests: Sequence[str]) -> dict[str, CheckList]:
    """Versions of check lists by the beginnings of their digests, where they are known.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    digests : sequence of str
        As they stand on a form.

    Returns
    -------
    dict
        Beginning of a digest → the version; those of fewer than six digits or of none are left
        out.
    """
    known = [
        *ready_lists().values(),
        *(_check_list(row) for row in bench.fetch(connection, "every_check_list")),
        # Plans of before the store kept lists.
        *(
            CheckList(row["name"], tuple(map(CheckedFunction, row["functions"])))
            for row in bench.fetch(connection, "plans_as_made")
        ),
    ]
    return {
        digest: found
        for digest in digests
        for found in [next((each for each in known if each.sha256.startswith(digest)), None)]
        if found is not None and len(digest) >= 6
    }
