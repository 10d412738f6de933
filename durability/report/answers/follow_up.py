"""The follow-up of devices: plans, inspections, what is due, as calendar and message too."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid5

from durability import PROGRAM_VERSION
from durability.record import units
from durability.record.basis import counted
from durability.report import as_json, labels, safety
from durability.report.answers import records
from durability.report.blocks import Block, Column, Columns, Items, Words, markdown

if TYPE_CHECKING:
    from email.headerregistry import Address
    from email.message import EmailMessage

    from icalendar import Alarm, Event

    from durability.devices.results import DeviceExpectation, DueInspection, DueList, RetainedItem
    from durability.record.receipts import Disposal
    from durability.record.records import FunctionalCheck, Walk

_MARKS = {
    "done": "=",
    "done late": "~",
    "skipped": "x",
    "overdue": "!",
    "due": ">",
    "upcoming": " ",
    "not owed": "-",
}
"""A symbol, never shown without its word."""

STAGES = Columns[Mapping[str, Any]](
    "Stages of its plan",
    Column(
        "stage",
        lambda stage: stage["stage"] + " (before a later drop)" * stage["before_last_drop"],
        wrap=True,
    ),
    Column("due on", "due_on"),
    Column("", lambda stage: _MARKS[stage["state"]]),
    Column("state", "state"),
    Column("inspected", lambda stage: stage["inspected_on"] or ""),
    Column(
        "days late",
        lambda stage: (stage["state"] != "skipped" and stage["days_late"]) or "",
        right=True,
    ),
    act=lambda stage: stage["state"] == "overdue",
)


def blocks(found: Mapping[str, Any]) -> Iterator[Block]:
    """One device's plan, the state of each stage, and its inspections.

    Parameters
    ----------
    found : mapping
        Of ``device_follow_up``.
    """
    state = labels.status(found["status"], found["quarantined_since"])
    number = Counter(stage["state"] for stage in found["stages"])
    stands = labels.listed(f"{count} {name}" for name, count in number.items())
    since = "" if found["owes"] else ", nothing due since"
    yield Words(
        f"{found['device']} ({state}): plan {found['plan']!r}, from the {found['anchor']}, on"
        f" {found['on']}{since}; {stands}"
    )
    if found["stages"]:
        yield STAGES.table(found["stages"])
    yield from records.listed("inspections", found["inspections"])
    for line in intermittent_lines(found["intermittent"]):
        yield Words(line)


def intermittent_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """A sentence on each function that passed again after it had failed."""
    return [
        f"Intermittent: {row['function']} failed on {labels.moment(row['failed_at'].date())} and"
        f" worked on {labels.moment(row['passed_again_at'].date())}; {confirmation_words(row)};"
        " kept as both, taken as failed from the first fail unless that check is amended."
        for row in rows
    ]


def confirmation_words(row: Mapping[str, Any]) -> str:
    """Whether a fail came again, and by which rule that is decided."""
    again, within = row["rule_again"], row["rule_within"]
    if within == 0:
        return "confirmed: of this function the first fail is proof enough"
    failed, looks = row["fails_again"], counted(row["looks_since"], "inspection")
    rule = f"rule: again {again} in {within}"
    if row["confirmation"] == "unconfirmed":
        times = "once" if failed == 0 else counted(1 + failed, "time")
        return f"unconfirmed: failed {times}, passed after ({looks} since; {rule})"
    if row["confirmation"] == "open":
        return (
            f"not confirmed yet: failed again {counted(failed, 'time')} in {looks} since ({rule})"
        )
    return f"confirmed: failed again {counted(failed, 'time')} in {looks} ({rule})"


def check_words(check: FunctionalCheck) -> str:
    """What was found of one function, for instance "fail 4.2 mm # lifts the cover"."""
    parts = (
        check.outcome.replace("_", " "),
        None if check.measured is None else f"{check.measured:g} {check.unit or ''}".strip(),
        None if check.note is None else f"# {check.note}",
    )
    return " ".join(part for part in parts if part)


def usual_unit(walk: Walk, function: str) -> str | None:
    """The unit in which a function was measured last, else that of the check list."""
    last = walk.last_results.get(function)
    if last is not None and last[0].unit is not None:
        return last[0].unit
    return next((each.unit for each in walk.check_list.checked if each.name == function), None)


def walk_lines(walk: Walk) -> list[str]:
    """What the inspector should know before the first question."""
    model = f" ({walk.device_model})" if walk.device_model else ""
    stage = f", due: {walk.stage}" if walk.stage else ""
    head = f"{walk.device}{model}, plan {walk.plan!r}{stage}, inspected by {walk.inspector}"
    lines = [head + (", blind" if walk.is_blind else "")]
    if walk.is_resumed:
        lines.append(
            f"continuing the inspection of {labels.moment(walk.inspected_at)}:"
            f" {len(walk.checks)} of {len(walk.functions)} answered"
        )
    if not walk.is_blind:
        lines.append(_shock_words(walk))
    if walk.has_cracked_glass:
        lines.append(safety.EYE_PROTECTION)
    if walk.battery_looks:
        lines.append(safety.battery_signs_line())
    if walk.left_out:
        lines.append(f"not asked in quarantine (no charging): {labels.listed(walk.left_out)}")
    return lines


def _shock_words(walk: Walk) -> str:
    shocks = walk.shocks
    if not shocks["drops"]:
        return "never dropped"
    parts = [counted(shocks["drops"], "drop")]
    if shocks["drops_without_reading"]:
        parts[0] += f" ({shocks['drops_without_reading']} without a reading)"
    if shocks["max_peak_g"]:
        parts.append(f"largest {labels.recorded(shocks['max_peak_g'])} g")
    if shocks["highest_drop_mm"]:
        parts.append(f"from up to {units.in_words(shocks['highest_drop_mm'], units.LENGTH)}")
    if shocks["shock_dose"] is not None:
        dose = labels.dose(shocks["shock_dose"])
        parts.append(f"dose {dose} (b = {shocks['dose_exponent']:g})")
    if shocks["last_dropped_at"]:
        days = (walk.inspected_at.date() - shocks["last_dropped_at"].date()).days
        parts.append(f"last {counted(days, 'day')} ago")
    return "shocks: " + labels.listed(parts)


def question(walk: Walk, at: int, draft: FunctionalCheck, width: int) -> str:
    """One question on one line: which function, and what it was last time unless blind."""
    function = walk.functions[at]
    names = max(len(name) for name in walk.functions)
    beside = []
    if draft.measured is not None:
        beside.append(f"measured {draft.measured:g} {draft.unit}")
    if draft.note is not None:
        beside.append(f"# {draft.note}")
    beside += known_of(walk, function)
    head = f"{at + 1:>2}/{len(walk.functions)} {function:<{names}}  "
    room = max(width - len(head) - len(" > not tested") - 1, 0)
    words = "; ".join(beside)
    return head + (words if len(words) <= room else words[: max(room - 2, 0)] + "..") + " > "


def known_of(walk: Walk, function: str) -> list[str]:
    """What a function was answered already, and what it was last time unless blind."""
    known = []
    if function in walk.checks:
        known.append(f"now {check_words(walk.checks[function])}")
    if not walk.is_blind and function in walk.last_results:
        last, when = walk.last_results[function]
        known.append(f"last {when:%Y-%m-%d} {check_words(last)}")
    return known


def walk_end(walk: Walk, *, is_whole: bool) -> str:
    """What was recorded, and how to go on when it was broken off."""
    done, of_all = len(walk.checks), len(walk.functions)
    counts = Counter(check.outcome.replace("_", " ") for check in walk.checks.values())
    outcomes = labels.listed(f"{count} {name}" for name, count in counts.items())
    words = f"{done} of {of_all} functions of {walk.device} recorded"
    if outcomes:
        words += f": {outcomes}"
    if walk.failed:
        words += f"; FAILED: {labels.listed(walk.failed)}"
    if is_whole or done == of_all:
        return words
    if walk.quarantine is not None:
        return f"{words}\nstopped there: its battery is suspect"
    return f"{words}\ninterrupted; continue with: durability inspect record {walk.device}"


def expectation(device: str, expected: DeviceExpectation) -> str:
    """What the model expected; said only once the outcomes are recorded."""
    outlook, link = expected.outlook, expected.link
    chances = [
        f"{labels.chance(chance)} by day {day}"
        for day, chance in outlook.probability_failed_by_day.items()
        if chance is not None
    ]
    if not chances:
        return "The model expected nothing of this device: too few were followed."
    unseen = outlook.probability_failed_unseen
    words = (
        f"What the model expected without this inspection: devices with the shocks of {device} have"
        f" failed with {labels.listed(chances)} after the last drop"
    )
    if unseen is not None:
        words += f"; that it had failed unseen since its last inspection: {labels.chance(unseen)}"
    return f"{words}. {link.sentence}"


def _overdue(days: int) -> str:
    """Days overdue with a mark; blank for what is not overdue."""
    return f"! {days}" if days > 0 else ""


DUE: Columns[DueInspection] = Columns(
    "Inspections due, the longest overdue first",
    Column("device", "device", names="inspection"),
    Column("stage", "stage", wrap=True),
    Column("due on", "due_on"),
    Column("days overdue", lambda each: _overdue(each.days_overdue), right=True),
    Column("functions", lambda each: len(each.functions), right=True),
    act=lambda each: each.days_overdue > 0,
)

RETAINED: Columns[RetainedItem] = Columns(
    "Items retained to be tested again, the longest overdue first",
    Column("retained", "specimen", names="specimen"),
    Column("kind", "kind"),
    Column("model", lambda item: item.model or "", wrap=True),
    Column("since", "retained_on"),
    Column("re-test due", lambda item: item.due_on or "none left"),
    Column("days overdue", lambda item: _overdue(item.days_overdue), right=True),
    Column("done", lambda item: f"{item.done} of {item.of}", right=True),
    act=lambda item: item.days_overdue > 0,
)


def due_blocks(owed: DueList, within_days: int = 0, command: str = "") -> Iterator[Block]:
    """What is due, the longest overdue first, what each inspection checks, and who is left out.

    Parameters
    ----------
    owed : DueList
        What is owed on a day.
    within_days : int
        How far ahead of that day it reaches.
    command : str
        What gives the same in the terminal.
    """
    ahead = f" or within {counted(within_days, 'day')}" if within_days else ""
    on = f"due on {owed.on.isoformat()}{ahead}"
    if not owed.due:
        yield Words(f"No inspection is {on}.")
    else:
        overdue = sum(each.days_overdue > 0 for each in owed.due)
        yield Words(f"{counted(len(owed.due), 'inspection')} {on}, {overdue} of them overdue.")
        yield DUE.table(owed.due, command)
        yield Items(
            [
                f"{counted(len(functions), 'function')}: {labels.listed(functions)}"
                for functions in dict.fromkeys(each.functions for each in owed.due)
            ]
        )
    for line in safety.kept_apart_lines(owed.quarantined):
        yield Words(line)
    for line in safety.disposed_lines(owed.disposals):
        yield Words(line)
    if owed.retained:
        late = sum(item.days_overdue > 0 for item in owed.retained)
        kept = counted(len(owed.retained), "item")
        yield Words(f"{kept} retained to be tested again, {late} of them overdue.")
        yield RETAINED.table(owed.retained, command)
    for line in _beside(owed):
        yield Words(line)


def _beside(owed: DueList) -> Iterator[str]:
    """What goes with the tables: cracked glass, what was broken off, skipped or lacks."""
    if owed.cracked_glass:
        yield f"{labels.listed(owed.cracked_glass)}: {safety.EYE_PROTECTION}"
    if owed.unfinished:
        yield (
            f"Interrupted: {labels.listed(owed.unfinished)}; continue with: durability inspect"
            " record DEVICE"
        )
    if owed.skipped:
        of_device = Counter(each.device for each in owed.skipped)
        yield (
            f"Skipped so far, and gone: {counted(len(owed.skipped), 'inspection')} of"
            f" {counted(len(of_device), 'device')}"
            f" ({labels.listed(f'{device} {count}' for device, count in of_device.items())});"
            " each is shown by: durability inspect list DEVICE"
        )
    if owed.without_baseline:
        yield (
            f"No check before the first drop: {labels.listed(owed.without_baseline)}; a later"
            " failure may have been there all along."
        )


def overdue_step(owed: DueList) -> str | None:
    """What to inspect next because it is overdue."""
    overdue = [each for each in owed.due if each.days_overdue > 0]
    if not overdue:
        return None
    devices = dict.fromkeys(each.device for each in overdue)
    return (
        f"Inspect what is overdue on {owed.on.isoformat()}: {labels.some(devices)} (up to"
        f" {counted(max(each.days_overdue for each in overdue), 'day')} overdue)."
    )


def calendar_line(file: str, owed: DueList) -> str:
    """Where the calendar was written, and what is in it."""
    events = len(owed.due) + sum(item.due_on is not None for item in owed.retained)
    events += sum(each.part is None for each in owed.disposals)
    return f"{file}: {counted(events, 'event')}, as of {owed.on.isoformat()}"


def form_line(file: str) -> str:
    """How a form that was written comes back."""
    return (
        f"{file}: written; fill in what was found, then: durability import inspections {file}"
        " --skip-where-blank outcome (--set inspected_at=DATE gives every row one date, --set"
        " inspector=NAME one name, --set blind=yes says that the inspector knew nothing of the"
        " shocks)"
    )


def json(owed: DueList) -> dict[str, Any]:
    """Object of ``due --json``."""
    names = ("device", "due_on", "days_overdue", "stage", "functions")
    return {
        "on": owed.on,
        "due": [as_json.named(inspection, names) for inspection in owed.due],
        "quarantined": [as_json.quarantine(kept) for kept in owed.quarantined],
        "skipped": [
            as_json.named(missed, ("device", "stage", "due_on")) for missed in owed.skipped
        ],
        "without_baseline": owed.without_baseline,
        "unfinished": owed.unfinished,
        "cracked_glass": owed.cracked_glass,
        "retained": [as_json.everything(item) for item in owed.retained],
        "disposals": [as_json.everything(each) for each in owed.disposals],
    }


# ------------------------------------------------------------------------------ as a calendar

_NAMESPACE = UUID("5b0e6f0c-6a1c-4f6e-9a54-2f6f0d8f3c11")
"""Makes the same identifier of the same device and stage each time: a plan that a new drop moved
on then moves its events, instead of adding new ones beside the old."""


def due_calendar(owed: DueList) -> bytes:
    """The inspections and re-tests of a list as the bytes of an iCalendar file.

    Parameters
    ----------
    owed : DueList
        What is due; of a retained item, its next re-test.

    Returns
    -------
    bytes
        UTF-8 with CRLF line ends, lines folded at 75 octets. The same list gives the same bytes:
        DTSTAMP is the start of the day that was asked about, in UTC.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", f"-//durability//{PROGRAM_VERSION}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    for inspection in owed.due:
        calendar.add_component(_inspection_event(inspection, owed))
    for item in owed.retained:
        if item.due_on is not None:
            calendar.add_component(_retest(item, item.due_on, owed.on))
    for each in owed.disposals:
        if each.part is None:
            calendar.add_component(_disposal_event(each, owed.on))
    return bytes(calendar.to_ical())


def _inspection_event(inspection: DueInspection, owed: DueList) -> Event:
    lines = [
        f"Check: {labels.listed(inspection.functions)}",
        f"durability inspect record {inspection.device}",
    ]
    if inspection.device in owed.cracked_glass:
        lines.append(safety.EYE_PROTECTION)
    return _event(
        f"{inspection.device}\n{inspection.stage}",
        owed.on,
        date.fromisoformat(inspection.due_on),
        inspection.days_overdue,
        f"Inspect {inspection.device}: {inspection.stage}",
        lines,
    )


def _retest(item: RetainedItem, due_on: date, asked_on: date) -> Event:
    return _event(
        f"{item.specimen}\nre-test {item.done + 1}",
        asked_on,
        due_on,
        item.days_overdue,
        f"Re-test {item.specimen}: {item.done + 1} of {item.of}",
        [f"Retained since {item.retained_on.isoformat()}: {item.kind} {item.model or ''}".strip()],
    )


def _disposal_event(disposal: Disposal, asked_on: date) -> Event:
    """Events of a specimen that is gone stay in a calendar that has them: this one says so."""
    return _event(
        f"{disposal.specimen}\ndisposal",
        asked_on,
        disposal.on,
        0,
        f"Disposed of: {disposal.specimen}",
        [f"{safety.disposed(disposal)}; nothing is due on it any more."],
        is_past=True,
    )


def _event(
    identity: str,
    asked_on: date,
    due_on: date,
    days_overdue: int,
    summary: str,
    lines: list[str],
    *,
    is_past: bool = False,
) -> Event:
    from icalendar import Event

    if days_overdue > 0:
        late = counted(days_overdue, "day")
        lines = [f"Due {due_on.isoformat()}, {late} overdue on {asked_on.isoformat()}", *lines]
    # What is overdue is to be done today.
    day = due_on if is_past else max(due_on, asked_on)
    event = Event()
    event.add("uid", f"{uuid5(_NAMESPACE, identity)}@durability")
    # RFC 5545 3.8.7.4: of two revisions the higher one holds; a later file is the later revision.
    event.add("sequence", (asked_on - date(1970, 1, 1)).days)
    event.add("dtstamp", datetime.combine(asked_on, time.min, tzinfo=UTC))
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", summary)
    event.add("description", "\n".join(lines if is_past else [*lines, safety.CAUTIONS[1]]))
    event.add("transp", "TRANSPARENT")
    if is_past:
        return event
    alarms = [_ON_THE_DAY] if day == asked_on else [_THE_DAY_BEFORE, _ON_THE_DAY]
    for trigger in alarms:
        event.add_component(_alarm(summary, trigger))
    return event


_THE_DAY_BEFORE, _ON_THE_DAY = timedelta(hours=-15), timedelta(hours=8)
"""From the start of the day, midnight where the calendar is read: nine in the morning of the day
before, eight of the day."""


def _alarm(summary: str, trigger: timedelta) -> Alarm:
    from icalendar import Alarm

    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", trigger)
    alarm.add("description", summary)
    return alarm


# ------------------------------------------------------------------------------ as a message


def due_mail(owed: DueList, within_days: int, now: datetime, to: str | None) -> EmailMessage | None:
    """What is due as a plain message (RFC 5322), for the lab's own mailer to send.

    Parameters
    ----------
    owed : DueList
        What is owed on a day.
    within_days : int
        How far ahead of that day it reaches.
    now : datetime
        When it is written, with the offset from UTC.
    to : str, optional
        Addresses, separated by commas.

    Returns
    -------
    EmailMessage or None
        Without a sender: the mailer knows it. None when nothing is due, and no battery in
        quarantine is within its watch.

    Raises
    ------
    ValueError
        ``to`` holds what is no address.
    """
    from email.message import EmailMessage
    from email.utils import format_datetime

    to_them = None if to is None else _addresses(to)
    last = owed.on + timedelta(days=within_days)
    retests = [item for item in owed.retained if item.due_on and item.due_on <= last]
    watched = [
        kept.device
        for kept in owed.quarantined
        if kept.since.date() <= owed.on <= max(until.date() for _, until in kept.watch)
        and not kept.is_disposed
    ]
    days = [each.days_overdue for each in owed.due] + [item.days_overdue for item in retests]
    overdue = sum(late > 0 for late in days)
    parts = [
        f"{counted(len(owed.due), 'inspection')} due" if owed.due else "",
        f"{counted(len(retests), 're-test')} due" if retests else "",
        f"{overdue} overdue" if overdue else "",
        f"{labels.QUARANTINED} {labels.some(watched)}" if watched else "",
    ]
    if not any(parts):
        return None
    text = markdown([*due_blocks(owed, within_days), Words(safety.CAUTIONS[1])])
    message = EmailMessage()
    if to_them is not None:
        message["To"] = to_them
    message["Subject"] = f"{', '.join(filter(None, parts))} ({owed.on.isoformat()})"
    message["Date"] = format_datetime(now)
    message["Message-ID"] = f"<{uuid5(_NAMESPACE, f'{now.isoformat()}{text}')}@durability>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: out-of-office replies stay away
    message.set_content(text, cte="quoted-printable")
    return message


_MAILBOX = r"([\w.+-]+)(?:@([\w-]+(?:\.[\w-]+)*))?"
_ADDRESS = re.compile(rf'\s*(?:"?([^<>",\x00-\x1f]*?)"?\s*<{_MAILBOX}>|{_MAILBOX})\s*', re.ASCII)


def _addresses(to: str) -> tuple[Address, ...]:
    """Addresses of a header; a name without a domain is one of the mailer's own machine."""
    from email.headerregistry import Address

    found = [_ADDRESS.fullmatch(each) for each in to.split(",")]
    if None in found:
        raise ValueError(to)
    return tuple(
        Address(each[1] or "", each[2] or each[4], each[3] or each[5] or "")
        for each in found
        if each
    )


def mail_line(file: str, message: EmailMessage | None) -> str:
    """Where the message was written, and its subject."""
    if message is None:
        return f"{file}: nothing is due, so there is no message"
    return f"{file}: {message['Subject']}"
