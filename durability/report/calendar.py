"""What is due as a calendar file (RFC 5545), one all-day event an inspection or re-test."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from durability import PROGRAM_VERSION
from durability.report import labels, safety

if TYPE_CHECKING:
    from icalendar import Event

    from durability.devices.results import DueInspection, DueList, RetainedItem

_NAMESPACE = UUID("5b0e6f0c-6a1c-4f6e-9a54-2f6f0d8f3c11")
"""Makes the same identifier of the same device and stage each time: a plan that a new drop moved
on then moves its events, instead of adding new ones beside the old."""


def due_calendar(owed: DueList) -> bytes:
    """The inspections and re-tests of a list as the bytes of an iCalendar file.

    Parameters
    ----------
    owed : DueList
        What is due; of an item kept back, its next re-test.

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
        calendar.add_component(_inspection(inspection, owed))
    for item in owed.retained:
        if item.due_on is not None:
            calendar.add_component(_retest(item, item.due_on, owed.on))
    return bytes(calendar.to_ical())


def _inspection(inspection: DueInspection, owed: DueList) -> Event:
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
        [f"Kept back since {item.retained_on.isoformat()}: {item.kind} {item.model or ''}".strip()],
    )


def _event(
    identity: str, asked_on: date, due_on: date, days_overdue: int, summary: str, lines: list[str]
) -> Event:
    from icalendar import Event

    if days_overdue > 0:
        lines = [f"{days_overdue} days overdue on {asked_on.isoformat()}", *lines]
    event = Event()
    event.add("uid", f"{uuid5(_NAMESPACE, identity)}@durability")
    event.add("dtstamp", datetime.combine(asked_on, time.min, tzinfo=UTC))
    event.add("dtstart", due_on)
    event.add("dtend", due_on + timedelta(days=1))
    event.add("summary", summary)
    event.add("description", "\n".join([*lines, safety.CAUTIONS[1]]))
    event.add("transp", "TRANSPARENT")
    return event
