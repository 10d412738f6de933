"""What is due as a calendar file (RFC 5545), one all-day event an inspection."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from durability.report import labels
from durability.version import PROGRAM_VERSION

if TYPE_CHECKING:
    from icalendar import Event

    from durability.results import DueInspection, DueList

_NAMESPACE = UUID("5b0e6f0c-6a1c-4f6e-9a54-2f6f0d8f3c11")
"""Makes the same identifier of the same device and stage each time: a plan that a new drop moved
on then moves its events, instead of adding new ones beside the old."""


def inspections_calendar(owed: DueList) -> bytes:
    """The inspections of a list as the bytes of an iCalendar file.

    Parameters
    ----------
    owed : DueList
        What is due.

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
        calendar.add_component(_event(inspection, owed))
    return bytes(calendar.to_ical())


def _event(inspection: DueInspection, owed: DueList) -> Event:
    from icalendar import Event

    due_on = date.fromisoformat(inspection.due_on)
    lines = [
        f"Check: {labels.listed(inspection.functions)}",
        f"durability inspect record {inspection.device}",
    ]
    if inspection.days_overdue > 0:
        lines.insert(0, f"{inspection.days_overdue} days overdue on {owed.on.isoformat()}")
    if inspection.device in owed.cracked_glass:
        lines.append(labels.EYE_PROTECTION)
    lines.append(labels.CAUTIONS[1])
    identity = uuid5(_NAMESPACE, f"{inspection.device}\n{inspection.stage}")
    event = Event()
    event.add("uid", f"{identity}@durability")
    event.add("dtstamp", datetime.combine(owed.on, time.min, tzinfo=UTC))
    event.add("dtstart", due_on)
    event.add("dtend", due_on + timedelta(days=1))
    event.add("summary", f"Inspect {inspection.device}: {inspection.stage}")
    event.add("description", "\n".join(lines))
    event.add("transp", "TRANSPARENT")
    return event
