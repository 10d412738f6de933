"""Reminders: the calendar is what RFC 5545 asks for, the message what RFC 5322 asks for."""

import re
import time
from datetime import UTC, date, datetime, timedelta
from email import message_from_string, policy

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


def test_each_event_reminds_the_day_before_and_in_the_morning(data):
    """RFC 5545 3.6.6: a DISPLAY alarm has ACTION, DESCRIPTION and TRIGGER, each once; 3.8.6.3: a
    whole day begins at 00:00 where the calendar is read."""
    overdue, later = events(data)
    for event, hours in ((overdue, [8]), (later, [-15, 8])):
        alarms = event.walk("VALARM")
        assert [alarm["trigger"].dt for alarm in alarms] == [timedelta(hours=h) for h in hours]
        for alarm in alarms:
            assert alarm["action"] == "DISPLAY" and alarm["description"] == event["summary"]
            assert sorted(alarm) == ["ACTION", "DESCRIPTION", "TRIGGER"]
    assert b"\r\nTRIGGER:-PT15H\r\n" in data


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


@pytest.mark.parametrize(
    ("on", "ends"),
    [("2028-02-28", "20280229"), ("2028-02-29", "20280301"), ("2027-02-28", "20270301"),
     ("2026-03-29", "20260330"), ("2026-10-25", "20261026"), ("2026-09-06", "20260907")],
)  # fmt: skip
@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Santiago"])
def test_a_leap_day_or_a_change_of_the_clock_leaves_an_event_its_one_day(
    monkeypatch, on, ends, zone
):
    """Dates bear no zone: the file is the same wherever it is written."""
    owed = DueList(date.fromisoformat(on), (due(due_on=on, overdue=0),))
    here = due_calendar(owed)
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        there = due_calendar(owed)
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()
    assert there == here
    start = on.replace("-", "")
    assert f"\r\nDTSTART;VALUE=DATE:{start}\r\nDTEND;VALUE=DATE:{ends}\r\n".encode() in here
    assert f"\r\nDTSTAMP:{start}T000000Z\r\n".encode() in here


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
    assert "does not exist" in told.err and len(told.err.strip().splitlines()) == 1


# ------------------------------------------------------------------------------ as a message


def message(text):
    read = message_from_string(text, policy=policy.default)
    assert read.defects == [] and all(each.defects == () for each in read.values()), text
    return read


def test_the_message_is_plain_and_says_what_due_says(followed):
    told = followed(
        "due", "--on", "2026-03-09", "--mail", "--to", "Lab Süd <lab@example.org>, b@example.org"
    )
    read = message(told.out)
    assert told.out.isascii() and max(map(len, told.out.splitlines())) <= 78  # RFC 5322 2.1.1
    assert [each.addr_spec for each in read["To"].addresses] == ["lab@example.org", "b@example.org"]
    assert read["To"].addresses[0].display_name == "Lab Süd"
    assert read["Subject"] == "2 inspections due, 2 overdue (2026-03-09)"
    assert read["Date"].datetime.tzinfo is not None
    assert re.fullmatch(r"<[0-9a-f-]{36}@durability>", read["Message-ID"])
    assert "From" not in read  # the mailer knows it
    assert read.get_content_type() == "text/plain" and read.get_content_charset() == "utf-8"
    said = " ".join(followed("due", "--on", "2026-03-09").out.split())
    first, *_, caution = read.get_content().strip().split("\n\n")
    assert said.startswith(first) and "lithium battery can fail hours or days" in caution
    assert "| R1 | 1 week | 2026-03-08 | ! 1 |" in read.get_content()


def test_what_is_not_due_makes_no_message(followed, tmp_path):
    """Empty and exit status 0, without a word: a job that mails what it says stays silent."""
    told = followed("due", "--on", "2026-03-02", "--mail")
    assert told.out == told.err == ""
    told = followed("due", "--on", "2026-03-02", "--mail", "due.eml")
    assert "due.eml: nothing is due, so there is no message" in told.out
    assert (tmp_path / "due.eml").read_bytes() == b""
    assert followed("due", "--on", "2026-03-02", "--within", "7", "--mail").out


def test_a_message_in_a_file_is_named_with_its_subject(followed, tmp_path):
    words = ("due", "--on", "2026-03-09", "--mail", "due.eml")
    assert "due.eml: 2 inspections due, 2 overdue (2026-03-09)" in followed(*words).out
    assert message((tmp_path / "due.eml").read_text())["Subject"].startswith("2 inspections")
    assert followed(*words, "--json").json["mail"] == "due.eml"


def test_a_battery_in_quarantine_is_reported_until_its_watch_ends(followed):
    followed("inspect", "record", "R1", "--inspected-at", "2026-03-02", "--check", "smell=fail")
    followed("specimen", "retire", "R2", "--reason", "gone", "--state", "lost")
    read = message(followed("due", "--on", "2026-03-04", "--mail").out)
    assert read["Subject"] == "QUARANTINED R1 (2026-03-04)"
    assert "left out until a named person clears it" in " ".join(read.get_content().split())
    for day in ("2026-03-01", "2026-04-02"):
        assert followed("due", "--on", day, "--mail").out == ""


@pytest.mark.parametrize("to", ["", "<", "a b", "a@b\nBcc: c@d", "a@b, ", "a@@b", "ä@b"])
def test_what_is_no_address_is_refused(followed, to):
    told = followed("due", "--on", "2026-03-09", "--mail", "--to", to, expect=2)
    assert told.out == "" and "no address, like lab@example.org" in told.err
    assert len(told.err.splitlines()) == 1


def test_options_of_the_message_that_do_not_go_together(followed):
    assert "--to: goes with --mail" in followed("due", "--to", "a@b", expect=2).err
    assert "name a file" in followed("due", "--mail", "--json", expect=2).err
