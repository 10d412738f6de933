"""The end of a quarantine: by a named person, who names the inspection that it rests on."""

from __future__ import annotations

from collections.abc import Sequence

from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import Quarantine
from durability.store import bench
from durability.workflow.inspection import add_look, read_checks
from durability.workflow.quarantine import quarantines
from durability.workflow.session import Session, entry


def clear(
    session: Session, device: str, reason: str, checks: Sequence[str] = (), *, named: bool
) -> tuple[Quarantine, str]:
    """End the quarantine of a device, by the name of the person who answers for it.

    It rests on a named inspection of the battery since it was suspected, that passed.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    reason : str
        What was found.
    checks : sequence of str
        "FUNCTION=OUTCOME" each: the inspection, when it is not in the record yet.
    named : bool
        Whether the person gave a name of their own rather than the login's.

    Returns
    -------
    was : Quarantine
        As it was.
    rests_on : str
        The inspection, in few words.

    Raises
    ------
    UnusableCall
        No person is named, or the reason is blank.
    RecordRefused
        The device is not in quarantine, or no inspection since then has found its battery good.
    """
    from durability.record.hazards import check_signs, looks_at_battery

    if not named or not session.person.strip():
        raise UnusableCall("--by: missing; a quarantine is cleared by a named person")
    if not reason.strip():
        raise UnusableCall("--reason: blank; say what was found")
    looked = read_checks(checks)
    with entry(session, "specimen clear") as (connection, entry_id):
        found = bench.find(connection, "specimen", device)
        was = quarantines(connection, device)
        if not was:
            raise RecordRefused(f"specimen {device!r}: not in quarantine")
        for function, answer in looked:
            signs = check_signs(function, answer.outcome, answer.note)
            if signs:
                raise RecordRefused(
                    f"--check {function}: tells of a failing battery itself ({', '.join(signs)});"
                    f" {device} stays in quarantine"
                )
        if looked:
            add_look(connection, found, looked, session.person, entry_id)
        given = {function: answer for function, answer in looked if looks_at_battery(function)}
        later = bench.fetch(
            connection, "latest_results", device=device, before=None, after=was[0].since
        )
        latest = [
            (row["function"], row["outcome"], f" on {row['inspected_at']:%Y-%m-%d %H:%M}")
            for row in later
            if looks_at_battery(row["function"]) and row["function"] not in given
        ]
        latest = [*((name, answer.outcome, " now") for name, answer in given.items()), *latest]
        bad = [f"{function} {outcome}" for function, outcome, _ in latest if outcome != "pass"]
        if bad or not latest:
            seen = bad[0] if bad else "no inspection of its battery"
            raise RecordRefused(
                f"specimen {device!r}: {seen} since it was suspected on"
                f" {was[0].since:%Y-%m-%d %H:%M}; inspect it first and add what was found, like"
                " --check 'battery swelling=pass, 5.1 mm, cold'"
            )
        bench.run(
            connection,
            "clear_quarantine",
            device_id=found["specimen_id"],
            cleared_by=session.person.strip(),
            reason=reason.strip(),
            entry_id=entry_id,
        )
    function, outcome, when = latest[0]
    return was[0], f"{function} {outcome}{when}"
