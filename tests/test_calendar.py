"""The calendar file is what RFC 5545 asks for, and the same each time."""

import re
from datetime import UTC, date, datetime

import pytest
from icalendar import Calendar

from durability.devices.results import DueInspection, DueList
from durability.report.answers.follow_up import due_calendar

FUNCTIONS = ("power-on", "battery swelling", "Anzeige, größer; geprüft", "a\\b")


def due(device="R1", due_on="2026-03-02", stage="1 week", overdue=3):
    return DueInspection(device, due_on, overdue, stage, FUNCTIONS)


def events(data):
    return list(Calendar.from_ical(data).walk("VEVENT"))


@pytest.fixture
def data():
    return due_calendar(DueList(date(2026, 3, 5), (due(), due("R2", "2026-03-09", "2 weeks", 0))))


def test_the_form_is_that_of_the_standard(data):
    """RFC 5545: 3.1 CRLF and folding at 75 octets, 3.6 VERSION and PRODID, 3.6.1 UID, DTSTAMP."""
    assert data.startswith(b"BEGIN:VCALENDAR\r\n") and data.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
    calendar = Calendar.from_ical(data)
    assert calendar["version"] == "2.0" and calendar["prodid"]
    for event in events(data):
        assert event["uid"] and event["summary"]
        assert event["dtstamp"].dt.tzinfo is not None
    assert len(re.findall(rb"\r\nDTSTAMP:\d{8}T\d{6}Z\r\n", data)) == 2


def test_each_inspection_is_one_whole_day_and_what_is_overdue_stands_on_today(data):
    """RFC 5545 3.3.4 and 3.6.1: DTSTART of VALUE=DATE, DTEND the day after and not included."""
    assert b"\r\nDTSTART;VALUE=DATE:20260305\r\n" in data
    assert b"\r\nDTEND;VALUE=DATE:20260306\r\n" in data
    first, second = events(data)
    assert (first["dtstart"].dt, first["dtend"].dt) == (date(2026, 3, 5), date(2026, 3, 6))
    assert second["dtstart"].dt == date(2026, 3, 9)


def test_words_come_back_as_they_went_in(data):
    """RFC 5545 3.3.11: commas, semicolons, backslashes and line ends are escaped."""
    first, _ = events(data)
    assert first["summary"] == "Inspect R1: 1 week"
    said = str(first["description"])
    assert all(function in said for function in FUNCTIONS)
    assert "Due 2026-03-02, 3 days overdue on 2026-03-05\n" in said
    assert "inspect record R1" in said


def test_the_same_list_gives_the_same_bytes_and_no_two_events_share_their_name():
    owed = DueList(
        date(2026, 3, 5),
        tuple(due(device, stage=stage) for device in ("R1", "R11") for stage in ("1 week", "week")),
    )
    assert due_calendar(owed) == due_calendar(owed)
    names = [str(event["uid"]) for event in events(due_calendar(owed))]
    assert len(set(names)) == len(names) == 4


def test_a_plan_that_moved_on_moves_its_events():
    before = due_calendar(DueList(date(2026, 3, 1), (due(),)))
    after = due_calendar(DueList(date(2026, 3, 8), (due(due_on="2026-03-15"),)))
    (old,), (new,) = events(before), events(after)
    assert old["uid"] == new["uid"]
    assert old["dtstart"].dt < new["dtstart"].dt
    assert old["sequence"] < new["sequence"]  # RFC 5545 3.8.7.4: the revision that holds
    assert old["dtstamp"].dt < new["dtstamp"].dt == datetime(2026, 3, 8, tzinfo=UTC)


def test_nothing_due_is_a_calendar_without_events():
    assert events(due_calendar(DueList(date(2026, 3, 5), ()))) == []


def test_cracked_glass_is_told_with_the_look():
    owed = DueList(date(2026, 3, 5), (due(), due("R2")), cracked_glass=("R2",))
    first, second = events(due_calendar(owed))
    assert "eye protection" not in first["description"]
    assert "eye protection" in second["description"]


# ------------------------------------------------------------------------------ from the command


@pytest.fixture
def followed(store, once):
    def make():
        for device in ("R1", "R2"):
            store("specimen", "add", device, "--kind", "device")
            store("inspect", "record", device, "--inspected-at", "2026-03-01", "--check",
                  "power-on=pass")  # fmt: skip

    once(make)
    return store


def test_the_file_holds_what_the_list_says(followed, tmp_path):
    told = followed("due", "--on", "2026-03-09", "--within", "10", "--calendar", "looks.ics",
                    "--json").json  # fmt: skip
    found = events((tmp_path / "looks.ics").read_bytes())
    assert [event["dtstart"].dt.isoformat() for event in found] == [
        max(one["due_on"], "2026-03-09") for one in told["due"]
    ]
    assert min(one["due_on"] for one in told["due"]) == "2026-03-08"  # one is a day overdue
    assert told["calendar"] == "looks.ics"


def test_a_calendar_looks_a_year_ahead_unless_told_otherwise(followed, tmp_path):
    told = followed("due", "--on", "2026-03-01", "--calendar", "looks.ics")
    assert "looks.ics: 14 events" in told.out
    assert len(events((tmp_path / "looks.ics").read_bytes())) == 2 * 7
    followed("due", "--on", "2026-03-01", "--within", "0", "--calendar", "looks.ics")
    assert events((tmp_path / "looks.ics").read_bytes()) == []


def test_a_device_in_quarantine_or_lost_is_not_in_it(followed, tmp_path):
    followed("inspect", "record", "R1", "--inspected-at", "2026-03-02", "--check", "smell=fail")
    followed("specimen", "retire", "R2", "--reason", "left on the train", "--state", "lost")
    followed("due", "--on", "2026-03-03", "--calendar", "looks.ics")
    assert events((tmp_path / "looks.ics").read_bytes()) == []


def test_the_next_re_test_of_an_item_kept_back_is_in_it(store, tmp_path):
    store("specimen", "add", "C-9", "--kind", "case", "--model", "sleeve A")
    store("specimen", "retire", "C-9", "--reason", "kept as reference", "--state", "retained",
          "--retest-on", "2030-03-01", "--retest-on", "2031-03-01")  # fmt: skip
    told = store("due", "--on", "2030-03-09", "--calendar", "kept.ics")
    assert "kept.ics: 1 event," in told.out
    (event,) = events((tmp_path / "kept.ics").read_bytes())
    assert event["summary"] == "Re-test C-9: 1 of 2"
    assert event["dtstart"].dt == date(2030, 3, 9)
    assert "Due 2030-03-01, 8 days overdue on 2030-03-09" in event["description"]
    assert "case sleeve A" in event["description"]


def test_a_file_that_can_not_be_written_is_one_line(followed):
    told = followed("due", "--calendar", "nowhere/looks.ics", expect=2)
    assert "can't be written" in told.err and len(told.err.strip().splitlines()) == 1
