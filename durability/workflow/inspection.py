"""Inspections of devices: recorded at once, or walked through function by function."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from typing import Any

from durability.devices.schedule import stage_statuses
from durability.intake.hand_entry import assignments, typed_time, typed_value
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.receipts import Quarantine
from durability.record.records import CheckList, FunctionalCheck, Walk
from durability.record.vocabulary import Outcome
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.check_lists import keep_list, list_of, plan_lists
from durability.workflow.follow_up import find_device, followed_devices, list_of_device
from durability.workflow.photos import which_of
from durability.workflow.session import Session, entry

RESUME_WITHIN_H = 12
"""Hours in which a walk that was broken off is still the same inspection; later, another one."""


def record_inspection(
    session: Session,
    device: str,
    checks: Sequence[str],
    *,
    inspected_at: str | None,
    inspector: str | None,
    is_blind: bool = False,
) -> dict[str, Any]:
    """Store one inspection of a device.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    checks : sequence of str
        "FUNCTION=OUTCOME" each, with a note after a comma.
    inspected_at : str, optional
        ISO 8601; else now.
    inspector : str, optional
        Who inspected; else who enters it.
    is_blind : bool
        The device's shocks and last results were kept from the inspector.

    Returns
    -------
    dict
        device, inspected_at, checks, failed, ``charged_in_quarantine`` (functions that should not
        have been tested) and ``quarantine`` when a check shows signs of a failing battery.

    Raises
    ------
    UnusableCall
        A check is no FUNCTION=OUTCOME, or a function stands twice.
    RecordRefused
        The device is unknown, no device, not yet received, or that inspection is stored already.
    """
    from durability.record.hazards import CHARGING

    looked = read_checks(checks)
    moment, offset = _moment(inspected_at)
    kept = None
    with entry(session, "inspect record") as (connection, entry_id):
        found = _device_received(connection, device, moment)
        inspection_id = _add_inspection(
            connection, found, moment, offset, inspector or session.person, entry_id
        )
        check_list = list_of_device(connection, device)
        _keep_form(connection, inspection_id, check_list, entry_id, is_blind=is_blind)
        for function, answer in looked:
            _add_check(connection, inspection_id, function, answer, entry_id)
            kept = _suspect(connection, found, function, answer, moment, entry_id) or kept
    failed = [function for function, answer in looked if answer.outcome == "fail"]
    charged = [
        function
        for function, answer in looked
        if found["quarantined_since"]
        and answer.outcome != "not_tested"
        and CHARGING.search(function)
    ]
    return {
        "device": device,
        "inspected_at": moment,
        "checks": len(looked),
        "failed": failed,
        "charged_in_quarantine": charged,
        "quarantine": kept,
        "listed": check_list.functions,
    }


def read_checks(checks: Sequence[str]) -> list[tuple[str, FunctionalCheck]]:
    """Function and result of each "FUNCTION=OUTCOME", with a note after a comma."""
    looked = [_check(text) for text in checks]
    if len({function for function, _ in looked}) < len(looked):
        raise UnusableCall("--check: a function is given twice; one outcome each")
    return looked


def add_look(
    connection: Any,
    device: Mapping[str, Any],
    looked: Sequence[tuple[str, FunctionalCheck]],
    inspector: str,
    entry_id: Any,
) -> None:
    """Store an inspection made now, as part of another entry."""
    moment, offset = _moment(None)
    while bench.run(
        connection, "find_inspection", device_id=device["specimen_id"], inspected_at=moment
    ):
        moment += timedelta(seconds=1)  # two inspections within one second stay apart
    inspection_id = _add_inspection(connection, device, moment, offset, inspector, entry_id)
    for function, answer in looked:
        _add_check(connection, inspection_id, function, answer, entry_id)


def _check(text: str) -> tuple[str, FunctionalCheck]:
    function, equals, told = text.partition("=")
    outcome, _, note = told.partition(",")
    if not equals or not function.strip():
        raise UnusableCall(f"--check {text!r}: write FUNCTION=OUTCOME, like charging=pass")
    checked = typed_value("outcome", outcome, option=f"--check {function.strip()}")
    return function.strip(), FunctionalCheck(_outcome(checked), note=note.strip() or None)


def _outcome(checked: Any) -> Outcome:
    outcome: Outcome = checked
    return outcome


def _moment(inspected_at: str | None) -> tuple[datetime, str | None]:
    """Bench clock of an inspection and its offset."""
    if inspected_at is None:
        now = clock.now().replace(microsecond=0)
        return now.replace(tzinfo=None), now.isoformat()[-6:]
    typed_value("inspected_at", inspected_at, option="--inspected-at")
    moment, offset = typed_time(inspected_at, name="--inspected-at", right="an ISO time")
    return moment, offset or None


def _device_received(connection: Any, device: str, moment: datetime) -> dict[str, Any]:
    found = find_device(connection, device)
    if found["received_on"] and moment.date() < found["received_on"]:
        raise RecordRefused(
            f"--inspected-at {moment:%Y-%m-%d}: before device {device} was received on"
            f" {found['received_on']}"
        )
    return found


def _refuse_stored(connection: Any, device: Mapping[str, Any], moment: datetime) -> None:
    where = {"device_id": device["specimen_id"], "inspected_at": moment}
    if bench.run(connection, "find_inspection", **where) is not None:
        raise RecordRefused(
            f"device {device['specimen']!r}: an inspection of {moment:%Y-%m-%d %H:%M} is stored"
            " already; give --inspected-at with its own time"
        )


def _add_inspection(
    connection: Any,
    device: Mapping[str, Any],
    moment: datetime,
    offset: str | None,
    inspector: str,
    entry_id: Any,
) -> Any:
    _refuse_stored(connection, device, moment)
    return bench.run(
        connection,
        "add_inspection",
        device_id=device["specimen_id"],
        inspected_at=moment,
        inspected_at_utc_offset=offset,
        inspector=inspector,
        entry_id=entry_id,
    )


def _keep_form(
    connection: Any, inspection_id: Any, check_list: CheckList, entry_id: Any, *, is_blind: bool
) -> None:
    """Keep by which version of a check list an inspection is made, and whether blind."""
    bench.run(
        connection,
        "add_inspection_form",
        inspection_id=inspection_id,
        is_blind=is_blind,
        check_list_sha256=keep_list(connection, check_list, entry_id),
        entry_id=entry_id,
    )


def _add_check(
    connection: Any, inspection_id: Any, function: str, answer: FunctionalCheck, entry_id: Any
) -> None:
    bench.run(
        connection,
        "add_check",
        inspection_id=inspection_id,
        function=function,
        outcome=answer.outcome,
        measured=answer.measured,
        unit=answer.unit,
        note=answer.note,
        entry_id=entry_id,
    )


def _suspect(
    connection: Any,
    device: Mapping[str, Any],
    function: str,
    answer: FunctionalCheck,
    moment: datetime,
    entry_id: Any,
) -> Quarantine | None:
    """Quarantine by what one check found."""
    if answer.note is None and answer.outcome in ("pass", "not_tested"):
        return None
    from durability.record.hazards import check_signs

    return quarantine.suspect(
        connection,
        device,
        quarantine.check_words(function, answer.outcome, answer.note),
        check_signs(function, answer.outcome, answer.note),
        entry_id=entry_id,
        at=moment,
    )


def amend_check(
    session: Session,
    device: str,
    typed: str,
    function: str,
    changes: Sequence[str],
    reason: str,
    *,
    inspected_at: str,
    inspector: str | None = None,
) -> Quarantine | None:
    """Correct one functional check; the first values stay in the record.

    Parameters
    ----------
    session : Session
        Store and person.
    device, typed, function : str
        Which device, by which of its codes, and which function of it.
    changes : sequence of str
        "COLUMN=VALUE" each, of outcome, measured, unit and note; blank for not recorded.
    reason : str
        Why.
    inspected_at : str
        Time of the inspection; its day is enough when there was one that day.
    inspector : str, optional
        Who inspected, where several did at one time.

    Returns
    -------
    Quarantine or None
        When the check now shows signs of a failing battery.

    Raises
    ------
    UnusableCall
        A change is no COLUMN=VALUE, or a value is out of its range.
    RecordRefused
        There is no such check, or several.
    """
    columns = ("outcome", "measured", "unit", "note")
    wanted = assignments(changes, columns, "--set")
    if wanted.get("outcome") == "":
        raise UnusableCall("--set 'outcome=': blank; give pass, degraded, fail or not_tested")
    new = {
        column: typed_value(column, text, option=f"--set {column}") if text else None
        for column, text in wanted.items()
    }
    moment, _ = _moment(inspected_at)
    with entry(session, "inspect amend") as (connection, entry_id):
        found = find_device(connection, device)
        rows = bench.fetch(
            connection,
            "checks_at",
            device=device,
            function=function,
            inspected_at=moment,
            inspector=inspector,
            day_only=len(inspected_at.strip()) == len("2026-03-14"),
        )
        if len({row["inspected_at"] for row in rows}) == 1:  # of two codes of one thing, maybe
            rows = [row for row in rows if row["recorded_as"] == typed] or rows
        if len(rows) != 1:
            unknown = "not in the store; see: durability inspect list"
            why = f"checked {which_of(rows)}" if rows else unknown
            raise RecordRefused(f"{function} of device {device!r} on {inspected_at}: {why}")
        row = rows[0]
        _amend_check(connection, row, new, reason, entry_id)
        kept = {**row, **new}
        answer = FunctionalCheck(_outcome(kept["outcome"]), note=kept["note"])
        if "note" not in new and "outcome" not in new:
            return None
        return _suspect(connection, found, function, answer, row["inspected_at"], entry_id)


def _amend_check(
    connection: Any, check: Mapping[str, Any], new: Mapping[str, Any], reason: str, entry_id: Any
) -> None:
    bench.amend(
        connection,
        "functional_check",
        check["functional_check_id"],
        [(column, check[column], value) for column, value in new.items() if value != check[column]],
        reason=reason,
        entry_id=entry_id,
    )


# ------------------------------------------------------------------------------------ the walk


def begin_walk(
    session: Session,
    device: str,
    *,
    inspected_at: str | None,
    inspector: str | None,
    is_blind: bool,
) -> Walk:
    """Start an inspection, or take up the one that was broken off.

    Nothing is stored until the first answer.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    inspected_at : str, optional
        ISO 8601; else now.
    inspector : str, optional
        Who inspects; else who enters it.
    is_blind : bool
        Keep the device's shocks and last results from the inspector.

    Returns
    -------
    Walk
        With what is stored of it already.

    Raises
    ------
    UnusableCall
        The time is none.
    RecordRefused
        The device is unknown, no device or not yet received, or that inspection is finished.
    """
    from durability.devices.study import LITERATURE_EXPONENT
    from durability.record.hazards import CHARGING, cracked_glass, looks_at_battery

    moment, offset = _moment(inspected_at)
    person = inspector or session.person
    with database.reading(session.record) as connection:
        found = _device_received(connection, device, moment)
        followed, _ = next(
            each for each in followed_devices(connection) if each[0].device == device
        )
        open_ones = bench.fetch(
            connection,
            "open_walk",
            device_id=found["specimen_id"],
            inspector=person,
            inspected_at=moment if inspected_at else None,
            begun_after_utc=clock.now_utc() - timedelta(hours=RESUME_WITHIN_H),
        )
        kept = quarantine.quarantines(connection, device)
        walk = Walk(
            device=device,
            device_id=found["specimen_id"],
            device_model=found["model"],
            inspected_at=moment,
            utc_offset=offset,
            inspector=person,
            is_blind=is_blind,
            # The battery first: a device with a failing one is neither powered nor charged.
            functions=tuple(
                sorted(followed.plan.functions, key=lambda name: not looks_at_battery(name))
            ),
            plan=followed.plan.name,
            check_list=list_of(followed.plan, plan_lists(connection)),
            quarantine=kept[0] if kept else None,
        )
        if open_ones:
            walk = _resumed(connection, walk, open_ones[0])
        else:
            _refuse_stored(connection, found, moment)
        results = bench.fetch(
            connection, "latest_results", device=device, before=walk.inspected_at, after=None
        )
        remarks = bench.fetch(connection, "device_remarks", device=device)
        shocks = bench.fetch(
            connection,
            "shocks_of_device",
            device=device,
            before=walk.inspected_at,
            utc_offset=walk.utc_offset,
            exponent=LITERATURE_EXPONENT,
        )
    left_out = [name for name in walk.functions if kept and CHARGING.search(name)]
    stages = stage_statuses(followed, walk.inspected_at.date())
    owed = [status.stage for status in stages if status.state in ("overdue", "due")]
    return replace(
        walk,
        functions=tuple(name for name in walk.functions if name not in left_out),
        left_out=tuple(left_out),
        battery_looks=tuple(name for name in walk.functions if looks_at_battery(name)),
        stage=owed[0] if owed else None,
        last_results={
            row["function"]: (_stored_check(row), row["inspected_at"]) for row in results
        },
        shocks={**shocks[0], "dose_exponent": LITERATURE_EXPONENT},
        has_cracked_glass=any(cracked_glass(row["location"], row["note"]) for row in remarks),
    )


def _resumed(connection: Any, walk: Walk, row: Mapping[str, Any]) -> Walk:
    """The walk that was broken off, with what is stored of it."""
    rows = bench.fetch(
        connection, "checks_of_inspection", inspection_id=row["inspection_id"], function=None
    )
    stored = {each["function"]: _stored_check(each) for each in rows}
    return replace(
        walk,
        inspection_id=row["inspection_id"],
        inspected_at=row["inspected_at"],
        utc_offset=row["inspected_at_utc_offset"],
        is_blind=row["is_blind"],
        functions=tuple(row["functions"]),
        is_resumed=True,
        checks={name: stored[name] for name in row["functions"] if name in stored},
    )


def _stored_check(row: Mapping[str, Any]) -> FunctionalCheck:
    return FunctionalCheck(row["outcome"], row["measured"], row["unit"], row["note"])


def answer_walk(session: Session, walk: Walk, function: str, answer: FunctionalCheck) -> Walk:
    """Store one answer, durably, before the next question is asked.

    Parameters
    ----------
    session : Session
        Store and person.
    walk : Walk
        As it stands.
    function : str
        One of its functions; answered again, it is amended and the first answer stays.
    answer : FunctionalCheck
        What was found.

    Returns
    -------
    Walk
        With the answer, and the quarantine when it shows signs of a failing battery; given back
        only after the answer is on disk.
    """
    with entry(session, "inspect record") as (connection, entry_id):
        device = bench.find(connection, "specimen", walk.device)
        inspection_id = walk.inspection_id
        if inspection_id is None:
            inspection_id = _add_inspection(
                connection, device, walk.inspected_at, walk.utc_offset, walk.inspector, entry_id
            )
            bench.run(
                connection,
                "add_walk",
                inspection_id=inspection_id,
                is_blind=walk.is_blind,
                functions=list(walk.functions),
                entry_id=entry_id,
            )
            _keep_form(connection, inspection_id, walk.check_list, entry_id, is_blind=walk.is_blind)
        where = {"inspection_id": inspection_id, "function": function}
        stored = bench.fetch(connection, "checks_of_inspection", **where)
        if stored:
            reason = "corrected during the inspection"
            _amend_check(connection, stored[0], asdict(answer), reason, entry_id)
        else:
            _add_check(connection, inspection_id, function, answer, entry_id)
        kept = _suspect(connection, device, function, answer, walk.inspected_at, entry_id)
    return replace(
        walk,
        inspection_id=inspection_id,
        checks={**walk.checks, function: answer},
        quarantine=kept or walk.quarantine,
    )


def finish_walk(session: Session, walk: Walk) -> None:
    """Mark an inspection as gone through to its end; later ones are other inspections."""
    with entry(session, "inspect record") as (connection, entry_id):
        bench.run(connection, "finish_walk", inspection_id=walk.inspection_id, entry_id=entry_id)


def clear_quarantine(
    session: Session, device: str, reason: str, checks: Sequence[str] = (), *, named: bool
) -> tuple[Quarantine, str]:
    """End the quarantine of a device by an inspection of its battery that passed since.

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
        was = quarantine.quarantines(connection, device)
        if not was:
            raise RecordRefused(f"specimen {device!r}: not in quarantine")
        for function, answer in looked:
            signs = check_signs(function, answer.outcome, answer.note)
            if signs:
                raise RecordRefused(
                    f"--check {function}: is itself a sign of a failing battery"
                    f" ({', '.join(signs)}); {device} stays in quarantine"
                )
        if looked:
            add_look(connection, found, looked, session.person, entry_id)
        given = {function: answer for function, answer in looked if looks_at_battery(function)}
        later = bench.fetch(
            connection, "latest_results", device=device, before=None, after=was[0].since
        )
        latest = [(function, answer.outcome, " now") for function, answer in given.items()]
        latest += [
            (row["function"], row["outcome"], f" on {row['inspected_at']:%Y-%m-%d %H:%M}")
            for row in later
            if looks_at_battery(row["function"]) and row["function"] not in given
        ]
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
