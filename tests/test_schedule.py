from datetime import UTC, date, datetime, timedelta

import pytest

from durability.devices.schedule import (
    BEFORE_FIRST_DROP,
    FollowedDevice,
    FollowUpPlan,
    Look,
    due_inspections,
    stage_statuses,
)
from durability.record.check_lists import ready_lists
from durability.record.clock import Moment
from durability.record.errors import UnusableCall
from durability.workflow import follow_up
from durability.workflow.session import Session, make_store

DROP = date(2026, 1, 5)
USUAL = FollowUpPlan(
    "usual",
    (
        ("before the first drop", BEFORE_FIRST_DROP),
        ("drop day", 0),
        *((f"{weeks} week{'s' * (weeks > 1)}", 7 * weeks) for weeks in (1, 2, 4, 8, 13, 26, 52)),
    ),
    ready_lists()["handheld device"].functions,
)
"""By hand: what the plan of the schema is to be."""
SHORT = FollowUpPlan("short", (("drop day", 0), ("1 week", 7), ("4 weeks", 28)), ("power-on",))


def after(days):
    return DROP + timedelta(days=days)


def device(*looks, drops=(0,), **more):
    return FollowedDevice(
        "D1",
        more.pop("plan", USUAL),
        drops=tuple(Moment.of_day(after(days)) for days in drops),
        looks=seen(*looks),
        **more,
    )


def seen(*days):
    return tuple(Look(Moment.of_day(after(day))) for day in days)


def states(followed, on):
    return {one.stage: one.state for one in stage_statuses(followed, after(on))}


def owed(followed, on, within=0):
    return [(one.stage, one.days_overdue) for one in due_inspections([followed], after(on), within)]


def test_the_usual_plan_and_lists_are_the_ones_of_the_trade(tmp_path):
    """The schema holds the plan, the ready list its functions: they may not part."""
    session = Session(tmp_path / "store.duckdb", "tester")
    make_store(session)
    (usual,) = follow_up.plans(session)
    assert (usual.stages, usual.functions, usual.anchor) == (
        USUAL.stages,
        USUAL.functions,
        "last drop",
    )
    lists = ready_lists()
    assert len(set(usual.functions)) == 13
    assert set(lists["handheld device short"].functions) < set(usual.functions)


def test_all_that_was_kept_is_done_and_the_next_is_to_come():
    followed = device(-2, 0, 7, 15)
    assert list(states(followed, 20).items()) == [
        ("before the first drop", "done"),
        ("drop day", "done"),
        ("1 week", "done"),
        ("2 weeks", "done late"),
        ("4 weeks", "upcoming"),
        ("8 weeks", "upcoming"),
        ("13 weeks", "upcoming"),
        ("26 weeks", "upcoming"),
        ("52 weeks", "upcoming"),
    ]
    assert owed(followed, 20) == []
    assert owed(followed, 20, within=8) == [("4 weeks", 0)]
    assert owed(followed, 20, within=36) == [("4 weeks", 0), ("8 weeks", 0)]


def test_only_the_latest_missed_stage_is_owed_and_the_others_stay_visible():
    followed = device(-2, 0)
    assert owed(followed, 6) == []
    assert owed(followed, 7) == [("1 week", 0)]
    assert owed(followed, 13) == [("1 week", 6)]
    assert owed(followed, 30) == [("4 weeks", 2)]
    found = states(followed, 30)
    assert (found["1 week"], found["2 weeks"], found["4 weeks"]) == (
        "skipped",
        "skipped",
        "overdue",
    )
    [due] = due_inspections([followed], after(30))
    assert due.due_on == "2026-02-02"
    assert due.functions == USUAL.functions


def test_a_late_visit_counts_for_the_nearest_stage_and_covers_the_earlier():
    followed = device(-2, 0, 40)  # 12 days after 4 weeks, 16 before 8 weeks
    found = {one.stage: one for one in stage_statuses(followed, after(45))}
    assert (found["4 weeks"].state, found["4 weeks"].days_late) == ("done late", 12)
    assert found["2 weeks"].state == "skipped"
    assert owed(followed, 45) == []
    assert owed(device(-2, 0, 43), 45) == []
    assert states(device(-2, 0, 43), 45)["8 weeks"] == "done"  # 13 days early, nearer than 15 late
    assert states(device(-2, 0, 800), 900)["52 weeks"] == "done late"


def test_halfway_between_two_stages_goes_to_the_earlier():
    plan = FollowUpPlan("even", (("a", 0), ("b", 10)), ("power-on",))
    assert states(device(5, plan=plan), 6) == {"a": "done late", "b": "upcoming"}
    assert states(device(6, plan=plan), 6) == {"a": "skipped", "b": "done"}


def test_a_new_drop_moves_the_plan_on_unless_told_otherwise():
    twice = {"drops": (0, 20)}
    assert owed(device(-2, 0, 7, **twice), 21) == [("drop day", 1)]
    assert owed(device(-2, 0, 7, 20, **twice), 27) == [("1 week", 0)]
    fixed = FollowUpPlan("fixed", SHORT.stages, SHORT.functions, anchor="first drop")
    assert owed(device(0, 7, plan=fixed, **twice), 29) == [("4 weeks", 1)]
    came = FollowUpPlan("from arrival", SHORT.stages, SHORT.functions, anchor="received")
    assert owed(device(-10, plan=came, received_on=after(-10), **twice), 0) == [("1 week", 3)]


def test_drops_and_looks_still_to_come_change_nothing():
    assert owed(device(-2, 0, 8, drops=(0, 20)), 7) == [("1 week", 0)]


def test_the_baseline_is_owed_until_the_first_drop_and_never_after():
    new = FollowedDevice("D1", USUAL, received_on=after(-5))
    assert owed(new, 0) == [("before the first drop", 5)]
    assert owed(FollowedDevice("D1", USUAL), 0) == [("before the first drop", 0)]
    assert owed(FollowedDevice("D1", USUAL, received_on=after(3)), 0, within=3) == [
        ("before the first drop", 0)
    ]
    missed = device(0, 1)
    assert states(device(1), 1)["before the first drop"] == "skipped"
    # A look on the day of the first drop may have come before it: dates can't tell.
    assert states(missed, 1)["before the first drop"] == "done"


def test_controls_keep_the_same_times_from_their_first_look():
    control = FollowedDevice("C1", USUAL, looks=seen(0), received_on=after(-3))
    assert states(control, 5)["before the first drop"] == "done"
    assert states(control, 5)["drop day"] == "done"
    assert owed(control, 9) == [("1 week", 2)]
    waiting = FollowedDevice("C2", SHORT, received_on=after(0))  # a plan without a baseline
    assert owed(waiting, 8) == [("1 week", 1)]
    assert owed(FollowedDevice("C3", SHORT), 8) == []


def test_order_of_dates_and_two_looks_on_one_day_do_not_matter():
    assert stage_statuses(device(15, 0, -2, 7, 7), after(20)) == stage_statuses(
        device(-2, 0, 7, 15), after(20)
    )


def test_the_longest_overdue_comes_first():
    late = FollowedDevice("Z", USUAL, drops=(Moment.of_day(after(-30)),), looks=seen(-30))
    soon = FollowedDevice("A", USUAL, drops=(Moment.of_day(after(0)),), looks=seen(0))
    found = due_inspections([soon, late], after(8))
    assert [(one.device, one.days_overdue) for one in found] == [("Z", 10), ("A", 1)]
    assert due_inspections([], after(0), 10) == []


@pytest.mark.parametrize(
    ("stages", "more", "says"),
    [
        ((), {}, "no stage"),
        ((("a", 7), ("b", 7)), {}, "must rise"),
        ((("a", 7), ("a", 8)), {}, "alike"),
        ((("a", -2),), {}, "before the first drop"),
        ((("a", 0),), {"anchor": "birth"}, "last drop, first drop or received"),
    ],
)
def test_a_plan_no_calendar_can_follow_is_refused(stages, more, says):
    with pytest.raises(UnusableCall, match=says):
        FollowUpPlan("odd", stages, ("power-on",), **more)


def test_looking_back_is_refused():
    with pytest.raises(UnusableCall, match="0 or more"):
        due_inspections([], DROP, -1)


def at(written):
    """A moment as it is written, with its offset from UTC."""
    told = datetime.fromisoformat(written)
    return Moment(told.replace(tzinfo=None), told.astimezone(UTC).replace(tzinfo=None))


@pytest.mark.parametrize(
    ("dropped", "due"),
    [
        # Clocks go forward and back in Berlin …
        ("2026-03-28T23:30+01:00", "2026-04-04"), ("2026-10-24T00:30+02:00", "2026-10-31"),
        # … in Santiago at midnight, where the day before in UTC, or the day after, is no day here.
        ("2026-04-04T23:30-03:00", "2026-04-11"), ("2026-09-05T23:59-04:00", "2026-09-12"),
        ("2026-04-05T01:30+13:00", "2026-04-12"), ("2026-09-26T23:59+12:00", "2026-10-03"),
    ],
)  # fmt: skip
def test_due_dates_are_days_of_the_bench_over_the_change_of_the_clock(dropped, due):
    followed = FollowedDevice("D1", SHORT, drops=(at(dropped),), looks=(Look(at(dropped)),))
    (one,) = due_inspections([followed], date.fromisoformat(due))
    assert (one.due_on, one.days_overdue, one.stage) == (due, 0, "1 week")
    late = date.fromisoformat(due) + timedelta(days=1)
    assert [one.days_overdue for one in due_inspections([followed], late)] == [1]


@pytest.mark.parametrize(
    ("dropped", "looked"),
    [
        ("2026-03-28T12:00+01:00", "2026-04-04T12:00+02:00"),
        ("2026-10-24T12:00+02:00", "2026-10-31T12:00+01:00"),
        ("2026-09-05T12:00-04:00", "2026-09-12T12:00-03:00"),
        ("2026-04-04T12:00-03:00", "2026-04-11T12:00-04:00"),
    ],
)
def test_seven_days_of_battery_watch_end_by_the_clock_on_the_wall(dropped, looked):
    """As long as the day of the change is, 23 or 25 hours."""
    failed = Look(at(dropped), frozenset({"power-on"}))
    followed = FollowedDevice(
        "D1", SHORT, drops=(at(dropped),), looks=(failed, Look(at(looked), saw_battery=True)),
        battery_functions=("battery swelling",),
    )  # fmt: skip
    on = date.fromisoformat(looked[:10])
    watch = {each.stage: each for each in stage_statuses(followed, on) if each.is_battery_watch}
    assert watch["battery watch, 7 d"].state == "done"
    assert watch["battery watch, 7 d"].due_on == on


YEAR = FollowUpPlan("a year on", (("drop day", 0), ("1 year", 365), ("4 years", 1461)), ("x",))


@pytest.mark.parametrize(
    ("first", "due"),
    [
        ("2028-02-29", ("2029-02-28", "2032-02-29")), ("2028-02-28", ("2029-02-27", "2032-02-28")),
        ("2027-03-01", ("2028-02-29", "2031-03-01")), ("2096-02-29", ("2097-02-28", "2100-03-01")),
    ],
)  # fmt: skip
def test_plans_count_days_through_leap_days(first, due):
    """2100 has no 29 February."""
    day = date.fromisoformat(first)
    followed = FollowedDevice("D1", YEAR, (Moment.of_day(day),), (Look(Moment.of_day(day)),))
    found = [each.due_on.isoformat() for each in stage_statuses(followed, day)[1:]]
    assert tuple(found) == due
    assert [one.due_on for one in due_inspections([followed], day, 1461)] == list(due)
