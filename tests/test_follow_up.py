"""Months later: plans kept or not, looks that contradict each other, and what the link says."""

import json
from dataclasses import replace
from datetime import date, timedelta

import pytest

from durability.__main__ import main
from durability.devices.schedule import (
    BEFORE_FIRST_DROP,
    FollowedDevice,
    FollowUpPlan,
    Look,
    stages_before_last_drop,
)
from durability.record.clock import Moment
from durability.workflow import specimens
from durability.workflow.series import open_series
from durability.workflow.session import Session


@pytest.fixture
def bench(store, tmp_path, once):
    """A store with a dropped device, two controls and a case."""

    def make():
        session = Session(tmp_path / "store.duckdb", "tester")
        for code, kind in (("R1", "device"), ("K1", "device"), ("K2", "device"), ("C1", "case")):
            specimens.add_specimen(session, code, kind, {"received_on": "2026-01-01"})
        open_series(session, "S1", device="R1", case="C1", values={})

    once(make)
    return store


def drop(run, day, peak="100"):
    run("drop", "add", "S1", "--peak-g", peak, "--dropped-at", f"{day}T10:00")


def look(run, day, *checks, device="R1"):
    checks = [word for check in checks for word in ("--check", check)]
    run("inspect", "record", device, "--inspected-at", day, *checks)


def stages(run, on, device="R1"):
    told = run("inspect", "list", device, "--on", on, "--json").json
    return {
        (one["stage"], one["before_last_drop"]): (one["state"], one["days_late"])
        for one in told["stages"]
    }


# ------------------------------------------------------------------------------------------ plans


def test_done_late_skipped_and_owed_are_all_shown(bench):
    look(bench, "2026-01-05", "display=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-06", "display=pass")
    look(bench, "2026-01-21", "display=pass")
    found = stages(bench, "2026-02-05")
    assert found["before the first drop", False] == ("done", 0)
    assert found["drop day", False] == ("done", 0)
    assert found["1 week", False][0] == "skipped"
    assert found["2 weeks", False] == ("done late", 2)
    assert found["4 weeks", False] == ("overdue", 3)
    assert found["8 weeks", False][0] == "upcoming"
    told = bench("inspect", "list", "R1", "--on", "2026-02-05").out
    for words in ("done late", "skipped", "overdue", "3 inspections"):
        assert words in told
    assert {"device": "R1", "stage": "1 week", "due_on": "2026-01-12"} in bench(
        "due", "--on", "2026-02-05", "--json"
    ).json["skipped"]
    assert "Skipped so far" in bench("due", "--on", "2026-02-05").out


def test_a_new_drop_moves_the_plan_on_and_what_was_missed_stays_visible(bench):
    look(bench, "2026-01-04", "display=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-05T18:00", "display=pass")
    drop(bench, "2026-01-22")
    found = stages(bench, "2026-01-23")
    assert found["drop day", False] == ("overdue", 1)
    assert found["1 week", False][0] == "upcoming"
    assert found["1 week", True][0] == found["2 weeks", True][0] == "skipped"
    assert found["drop day", True][0] == "done"
    assert ("4 weeks", True) not in found


def test_stages_before_a_later_drop_by_hand():
    plan = FollowUpPlan(
        "p", (("before", BEFORE_FIRST_DROP), ("day", 0), ("week", 7), ("month", 30)), ("display",)
    )
    start = date(2026, 1, 5)

    def after(*days):
        return tuple(Moment.of_day(start + timedelta(days=day)) for day in days)

    looks = tuple(map(Look, after(-1, 9)))
    device = FollowedDevice("D", plan, after(0, 20, 21), looks)
    found = [(one.stage, one.state) for one in stages_before_last_drop(device, after(40)[0].day)]
    assert found == [("day", "skipped"), ("week", "done late"), ("day", "skipped")]
    assert stages_before_last_drop(device, after(19)[0].day) == ()
    fixed = FollowedDevice(
        "D", FollowUpPlan("f", plan.stages, ("x",), "first drop"), after(0, 20), looks
    )
    assert stages_before_last_drop(fixed, after(40)[0].day) == ()


@pytest.mark.parametrize("state", ["retired", "lost", "sold", "destroyed", "refused"])
def test_a_device_out_of_use_is_a_state_and_owes_nothing(bench, state):
    look(bench, "2026-01-05", "display=pass")
    assert bench("due", "--on", "2026-03-01", "--json").json["due"]
    told = bench("specimen", "retire", "R1", "--reason", "so it was", "--state", state)
    assert told.out == f"R1 is {state}\n"
    due = bench("due", "--on", "2026-03-01", "--json").json["due"]
    assert "R1" not in [one["device"] for one in due]
    rows = bench("query", "inspections_overdue", "--set", "on=2026-03-01", "--json").json["rows"]
    assert "R1" not in [row[0] for row in rows]
    assert bench("specimen", "show", "R1", "--json").json["status"] == state
    assert f"{state} already" in bench("specimen", "retire", "R1", "--reason", "x", expect=1).err
    assert state in bench("series", "open", "S2", "--device", "R1", expect=1).err
    events = bench("history", "R1", "--json").json["events"]
    assert any(event["what"] == f"status: in use to {state}, so it was" for event in events)
    told = bench("inspect", "list", "R1", "--on", "2999-01-01", "--json").json
    assert told["owes"] is False and told["on"] < "2999-01-01"


def test_an_unknown_state_is_refused(bench):
    told = bench("specimen", "retire", "R1", "--reason", "x", "--state", "gone", expect=2)
    assert "--state: 'gone': no such choice" in told.err
    assert bench("specimen", "show", "R1", "--json").json["status"] == "in use"


def test_a_lost_device_is_right_censored_at_its_last_look(bench):
    look(bench, "2026-01-05", "display=pass")
    drop(bench, "2026-01-06")
    look(bench, "2026-01-16", "display=pass")
    bench("specimen", "retire", "R1", "--reason", "left on the train", "--state", "lost")
    one = device_told(bench, "R1")
    assert (one["state"], one["status"]) == ("working", "lost")
    assert one["failed_after_days"] == {"after": 10, "by": None}
    assert one["probability_failed_unseen"] is None


# ------------------------------------------------------------------------------- odd inspections


def device_told(run, device):
    told = run("latent", "--json", "--on", "2026-06-01").json["per_device"]
    return next(one for one in told if one["device"] == device)


def test_a_fail_followed_by_a_pass_is_kept_as_both_and_said(bench):
    look(bench, "2026-01-05", "touch=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-06", "touch=pass")
    look(bench, "2026-01-20", "touch=fail, dead row")
    look(bench, "2026-02-10", "touch=pass")
    for words in (("inspect", "list", "R1"), ("history", "R1")):
        told = " ".join(bench(*words).out.split())
        assert "Intermittent: touch failed on 2026-01-20 and worked on 2026-02-10" in told
        assert "from the first fail" in told
    one = device_told(bench, "R1")
    assert one["state"] == "latent failure"
    assert one["failed_after_days"] == {"after": 1, "by": 15}


def test_unless_it_is_amended(bench):
    test_a_fail_followed_by_a_pass_is_kept_as_both_and_said(bench)
    amend = ("inspect", "amend", "R1", "touch", "--inspected-at", "2026-01-20")
    bench(*amend, "--set", "outcome=pass", "--reason", "gloves were worn")
    assert device_told(bench, "R1")["state"] == "working"
    assert "Intermittent" not in bench("inspect", "list", "R1").out
    told = bench("history", "R1", "--json").json
    assert told["exposure"]["intermittent"] == []
    assert any("touch outcome: fail to pass, gloves" in event["what"] for event in told["events"])


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("touch", "--inspected-at", "2026-01-21", "--set", "outcome=pass"), 1, "not in the store"),
        (("sound", "--inspected-at", "2026-01-20", "--set", "outcome=pass"), 1, "not in the store"),
        (("touch", "--inspected-at", "2026-01-20", "--set", "outcome="), 2, "blank"),
        (("touch", "--inspected-at", "2026-01-20", "--set", "outcome=dead"), 2, "one of pass"),
        (("touch", "--inspected-at", "2026-01-20", "--set", "device=R2"), 2, "none of"),
        (("touch", "--inspected-at", "yesterday", "--set", "outcome=pass"), 2, "ISO 8601"),
    ],
)
def test_a_check_that_can_not_be_amended_is_told(bench, words, status, said):
    look(bench, "2026-01-20", "touch=fail")
    told = bench("inspect", "amend", "R1", *words, "--reason", "x", expect=status)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


def test_two_looks_on_one_day_are_two_looks(bench):
    look(bench, "2026-01-20T09:00", "touch=pass")
    look(bench, "2026-01-20T15:00", "touch=fail")
    assert len(bench("inspect", "list", "R1", "--json").json["inspections"]) == 2
    amend = ("inspect", "amend", "R1", "touch", "--set", "outcome=pass", "--reason", "x")
    told = bench(*amend, "--inspected-at", "2026-01-20", expect=1)
    assert "twice that day" in told.err
    bench(*amend, "--inspected-at", "2026-01-20T15:00")


def test_a_look_at_which_nothing_was_tested_is_none_and_says_so(bench):
    look(bench, "2026-01-04", "touch=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-12", "touch=not_tested", "display=not_tested")
    assert "NOTHING TESTED" in " ".join(bench("inspect", "list", "R1").out.split())
    found = stages(bench, "2026-01-13")
    assert found["1 week", False] == ("overdue", 1)
    assert device_told(bench, "R1")["state"] == "not inspected"


def test_looks_entered_out_of_order_stand_in_order(bench):
    look(bench, "2026-02-20", "touch=fail")
    look(bench, "2026-01-20", "touch=pass")
    dates = [one["inspected_at"] for one in bench("inspect", "list", "--json").json["inspections"]]
    assert dates == sorted(dates)


def test_a_device_never_inspected_has_its_answers(bench):
    drop(bench, "2026-01-05")
    assert "0 inspections" in bench("inspect", "list", "R1", "--on", "2026-02-01").out
    assert device_told(bench, "R1")["state"] == "not inspected"
    assert "No check before the first drop" in bench("history", "R1").out


@pytest.mark.parametrize("words", [("inspect", "list", "C1"), ("inspect", "list", "R9")])
def test_what_has_no_plan_is_told(bench, words):
    assert len(bench(*words, expect=1).err.strip().splitlines()) == 1


def test_a_day_needs_a_device(bench):
    assert "--on" in bench("inspect", "list", "--on", "2026-01-01", expect=2).err


# ------------------------------------------------------------------------------------- exposure


def test_history_adds_up_the_dose_and_counts_the_days_to_each_look(bench):
    look(bench, "2026-01-04", "touch=pass")
    drop(bench, "2026-01-05", "1000")
    drop(bench, "2026-01-05", "500")
    bench("drop", "add", "S1", "--void-reason", "no trigger", "--dropped-at", "2026-01-06")
    look(bench, "2026-01-26", "touch=pass")
    told = bench("history", "R1", "--json").json
    so_far = [e["shock_dose_so_far"] for e in told["events"] if e["event"] == "drop"]
    # Closed form: 1^6.4, then + 0.5^6.4; a drop without a reading adds nothing that is known.
    assert so_far == pytest.approx([1.0, 1.0 + 0.5**6.4, 1.0 + 0.5**6.4])
    days = [e["days_since_drop"] for e in told["events"] if e["event"] == "inspection"]
    assert days == [None, 20]
    exposure = told["exposure"]
    assert (exposure["drops"], exposure["drops_without_reading"]) == (3, 1)
    assert exposure["days_to_last_look"] == 20
    # The band of exponents for electronics: 4, 6.4 and 8; the unread drop at the largest of its
    # like, 1000 g, at most.
    for dose, exponent in zip(exposure["doses"], (4.0, 6.4, 8.0)):
        assert dose["exponent"] == exponent
        assert dose["dose"] == pytest.approx(1.0 + 0.5**exponent)
        assert dose["upper"] == pytest.approx(2.0 + 0.5**exponent)
        assert dose["dose"] < dose["likely"] < dose["upper"]
    text = " ".join(bench("history", "R1").out.split())
    assert "1 drop without a trusted reading" in text and "b = 6.4" in text
    asked = bench("query", "shock_exposure_by_device", "--json").json
    exposed = {row[0]: row[asked["columns"].index("shock_dose")] for row in asked["rows"]}
    assert exposed["R1"] == pytest.approx(so_far[-1])
    assert asked["parameters"]["exponent"] == told["events"][-2]["dose_exponent"]
    assert "dose so far 1.0 (b = 6.4)" in text and "20 days after the last drop" in text


def test_a_case_and_a_dummy_have_no_dose(bench):
    drop(bench, "2026-01-05")
    assert bench("history", "C1", "--json").json["exposure"] is None
    assert "dose" not in bench("history", "C1").out


# ----------------------------------------------------------------------------------- the link


@pytest.fixture
def ask(demo_store, monkeypatch, capsys):
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))
    monkeypatch.setenv("COLUMNS", "80")

    def call(*words):
        capsys.readouterr()
        assert main([str(word) for word in words]) == 0
        return capsys.readouterr().out

    return call


def test_the_verdict_that_can_not_be_overstated_comes_first(ask):
    said = " ".join(ask("latent", "--on", "2026-10-12", "--why").split())
    told = json.loads(ask("latent", "--on", "2026-10-12", "--json"))
    assert said.startswith("Linked to shocks, which is not proof for any one device: ")
    assert told["sentence"] in said
    assert told["verdict"] == "linked" and "not proof" in told["sentence"]


def test_everything_the_link_answers_is_said(ask):
    said = " ".join(ask("latent", "--on", "2026-10-12", "--why").split())
    for words in (
        "Dropped against controls, as last inspected",
        "by permutation of log-rank scores",
        "2 devices not compared",
        "One in ten fails within 90 days",
        "bare 1220",
        "Scree 1220",
        "Functions that failed first",
        "loudspeaker",
        "log loss",
        "One more round over",
        "Inspect first the devices",
        "QUARANTINED: R14",
    ):
        assert words in said, words
    told = json.loads(ask("latent", "--on", "2026-10-12", "--json"))
    assert told["first_failed_functions"]["loudspeaker"] == 2
    assert told["next_round"]["devices"] > 0
    assert {kind["case_model"] for kind in told["drops_to_ten_percent"]} >= {None, "Scree"}
    assert told["missing_readings"]["drops"] == 1


def test_devices_most_likely_to_have_failed_unseen_come_first(ask):
    told = json.loads(ask("latent", "--devices", "--on", "2026-10-12", "--json"))
    unseen = {one["device"]: one["probability_failed_unseen"] for one in told["per_device"]}
    lines = ask("latent", "--devices", "--why", "--on", "2026-10-12").splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("device  state"))
    named = [line.split()[0] for line in lines[start + 2 :] if line[:1] in "RK"]
    of_first_table = named[: len(unseen)]
    chances = [unseen[device] for device in of_first_table]
    known = [chance for chance in chances if chance is not None]
    assert known == sorted(known, reverse=True)
    assert chances[len(known) :] == [None] * (len(chances) - len(known))
    assert unseen["R14"] is None  # in quarantine, and out of use


def test_the_band_over_the_exponent_is_shown_for_each_device(ask):
    said = ask("latent", "--devices", "--why", "--on", "2026-10-12")
    assert "b = 4" in said and "b = 6.4" in said and "b = 8" in said
    assert "R15: 1 drop without a trusted reading" in said
    told = json.loads(ask("latent", "--json", "--on", "2026-10-12"))
    for one in told["per_device"]:
        assert [dose["exponent"] for dose in one["doses"]] == [4.0, 6.4, 8.0]


def test_the_day_asked_about_moves_what_may_be_unseen_only(ask):
    soon, late = (
        json.loads(ask("latent", "--json", "--on", day)) for day in ("2026-10-12", "2027-04-12")
    )
    assert soon["effect"] == late["effect"] and soon["verdict"] == late["verdict"]
    assert soon["next_round"]["expected_failures"] < late["next_round"]["expected_failures"]


@pytest.mark.parametrize(
    "words",
    [
        ("latent", "--devices"),
        ("inspect", "list", "R14"),
        ("inspect", "list", "R21", "--on", "2026-06-01"),
        ("history", "R14"),
        ("due", "--on", "2026-10-12", "--within", "400"),
        ("specimen", "show", "R14"),
    ],
)
def test_words_fit_eighty_columns(ask, words):
    out = ask(*words)
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "\x1b[" not in out


def test_a_store_without_devices_has_an_answer(store):
    assert store("latent", "--devices").out.startswith("Too few to say")
    assert store("latent", "--json").json["per_device"] == []
    assert "--on" in store("latent", "--on", "soon", expect=2).err


def test_fishers_smallest_p_is_that_of_the_most_one_sided_table():
    """Closed form: 3 failures, all among 4 dropped of 8 devices: 2 · C(4,3) C(4,0) / C(8,3)."""
    import numpy as np

    from durability.devices.evidence import _smallest_p_value

    assert _smallest_p_value(np.array([[1, 3], [2, 2]])) == pytest.approx(2 * 4 / 56)


def test_followed_alike_the_exact_tests_are_named():
    from durability.devices.judgement import judge_latent_link
    from durability.devices.results import DroppedAgainstControls
    from durability.report.answers import latent

    table = DroppedAgainstControls(
        by_day=90.0, dropped_failed=3, dropped_working=1, controls_failed=0, controls_working=8,
        not_compared=1, followed_alike=True, fisher_p_value=0.01818, boschloo_p_value=0.0107,
        odds_ratio=None, odds_ratio_lower=1.7, odds_ratio_upper=None, smallest_p_value=0.01818,
    )  # fmt: skip
    link = replace(judge_latent_link([]), dropped_against_controls=table)
    said = " ".join(block.text for block in latent.study(link))
    assert "by day 90: 3 of 4 dropped failed, 0 of 8 controls" in said
    assert "Fisher 0.018, Boschloo 0.011, two-sided; odds ratio" in said
    assert "1 device not compared" in said


def a_link(verdict, lower, ratio, upper):
    from durability.devices.results import LatentLink, TimeRatio

    return LatentLink(
        devices=17, control_devices=5, failed_on_drop_day=0, latent_failures=11, verdict=verdict,
        dose_exponent=6.0, time_ratio_per_doubling=0.9, lower=0.8, upper=1.1, p_value=0.0101,
        per_device=(), check_method=None, log_loss=None, log_loss_without_shock=None, basis="",
        per_peak_doubling=TimeRatio(ratio, lower, upper), control_failures=1,
        per_count_doubling=TimeRatio(0.0002, None, 4000.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("verdict", "interval", "said"),
    [
        ("linked", (0.9, 1.0, 1.2), "no effect of more shock is shown"),
        (
            "linked",
            (0.1, 0.3, 0.64),
            "device: twice the peak g: 0.30 (0.10 to 0.64) of the time to failure",
        ),
        (
            "linked",
            (0.1, 0.3, 0.6),
            "equal drops: under 0.001 (over 1000 to over 1000) of the time",
        ),
        ("not shown", (3.7, 19.0, 5711.0), "the test decides"),
        ("not shown", (0.6, 0.9, 1.3), "p = 0.01; 11 latent failures among 12 dropped devices"),
        ("not shown", (0.6, 0.9, 1.3), "(0 failed on drop day), 1 among 5 controls."),
    ],
)
def test_a_curve_at_odds_with_the_test_is_said(verdict, interval, said):
    """As when every dropped device failed at one look, and no control did by then."""
    from durability.report.answers import latent

    assert said in latent.sentence(a_link(verdict, *interval))


# -------------------------------------------------------------------- the time of day, and failures


def due_of(run, on, device="R1"):
    due = run("due", "--on", on, "--within", "40", "--json").json["due"]
    return [(one["stage"], one["due_on"], one["functions"]) for one in due
            if one["device"] == device]  # fmt: skip


@pytest.mark.parametrize(
    ("looked", "baseline", "drop_day"),
    [
        ("2026-01-05T09:00", "done", "overdue"),
        ("2026-01-05T11:00", "skipped", "done"),
        ("2026-01-05", "done", "done"),  # may have come before or after
        # 10:30 there is 09:30 at the bench, where the drop fell at 10:00.
        ("2026-01-05T10:30+02:00", "done", "overdue"),
    ],
)
def test_a_baseline_goes_by_the_time_of_day(bench, looked, baseline, drop_day):
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-01-05T10:00+01:00")
    look(bench, looked, "display=pass")
    found = stages(bench, "2026-01-06")
    assert found["before the first drop", False][0] == baseline
    assert found["drop day", False][0] == drop_day
    without = bench("due", "--on", "2026-01-06", "--json").json["without_baseline"]
    assert ("R1" in without) == (baseline == "skipped")
    before = bench("history", "R1", "--json").json["exposure"]["looked_at_before_first_drop"]
    assert before == (baseline == "done")


def test_what_fails_before_the_drop_of_its_day_did_not_fail_by_it(bench):
    look(bench, "2026-01-05T09:00", "display=fail", "touch=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-12T09:00", "display=fail", "touch=pass")
    (told,) = [d for d in bench("latent", "--json").json["per_device"] if d["device"] == "R1"]
    assert told["state"] == "working"


def test_a_look_in_the_morning_before_a_later_drop_keeps_its_stage(bench):
    look(bench, "2026-01-04", "display=pass")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-05T12:00", "display=pass")
    look(bench, "2026-01-12T08:00", "display=pass")
    drop(bench, "2026-01-12")
    found = stages(bench, "2026-01-13")
    assert found["1 week", True] == ("done", 0)
    assert found["drop day", False] == ("overdue", 1)


def test_recovery_is_counted_in_hours_where_both_times_are_known(bench):
    """IEC 60068-1: recovery, commonly 1 to 2 h, before the final measurements."""
    drop(bench, "2026-01-05")
    for at in ("2026-01-05T11:30", "2026-01-06", "2026-01-08T10:00"):
        look(bench, at, "display=pass")
    rows = bench("inspect", "list", "R1", "--json", "--on", "2026-01-09").json["inspections"]
    assert [(row["days_since_drop"], row["hours_since_drop"]) for row in rows] == [
        (0, 1.5), (1, None), (3, 72.0)]  # fmt: skip
    table = bench("inspect", "list", "R1", "--on", "2026-01-09").out
    assert "1.5 h" in table and "1 day" in table and "3 days" in table
    assert "1.5 h" in bench("history", "R1").out


def test_a_failed_device_owes_no_full_look_but_its_battery_is_watched(bench):
    look(bench, "2026-01-04", "display=pass", "touch=fail")
    drop(bench, "2026-01-05")
    look(bench, "2026-01-05T11:00", "display=pass", "touch=fail")  # at fault before: no failure
    assert ("1 week", "2026-01-12") in [one[:2] for one in due_of(bench, "2026-01-06")]
    look(bench, "2026-01-12T20:00", "display=fail", "battery swelling=pass")
    assert due_of(bench, "2026-01-12") == [
        ("battery watch, 6 h", "2026-01-13", ["battery swelling"]),
        ("battery watch, 7 d", "2026-01-19", ["battery swelling"]),
        ("battery watch, 30 d", "2026-02-11", ["battery swelling"]),
    ]
    assert stages(bench, "2026-01-12")["2 weeks", False][0] == "not owed"
    look(bench, "2026-01-13T01:00", "battery swelling=pass")  # 5 h after: too early
    assert due_of(bench, "2026-01-13")[0][0] == "battery watch, 6 h"
    look(bench, "2026-01-13T09:00", "display=fail")  # not its battery
    assert due_of(bench, "2026-01-13")[0][0] == "battery watch, 6 h"
    look(bench, "2026-01-13T10:00", "battery swelling=pass")
    assert [one[0] for one in due_of(bench, "2026-01-14")] == [
        "battery watch, 7 d", "battery watch, 30 d"]  # fmt: skip
    look(bench, "2026-02-11T21:00", "battery swelling=pass")
    assert due_of(bench, "2026-02-12") == []
    assert stages(bench, "2026-02-12")["battery watch, 7 d", False][0] == "skipped"
    # A drop that it has to bear all the same begins the watch anew.
    drop(bench, "2026-02-20")
    assert due_of(bench, "2026-02-20")[0][:2] == ("battery watch, 6 h", "2026-02-20")
    rows = bench("query", "inspections_overdue", "--set", "on=2026-03-30", "--json").json["rows"]
    assert "R1" not in [row[0] for row in rows]


def test_a_failure_that_is_corrected_makes_the_plan_owed_again(bench):
    drop(bench, "2026-01-05")
    look(bench, "2026-01-05T11:00", "display=fail")
    assert due_of(bench, "2026-01-06")[0][0] == "battery watch, 6 h"
    bench("inspect", "amend", "R1", "display", "--inspected-at", "2026-01-05T11:00", "--set",
          "outcome=pass", "--reason", "wrong row")  # fmt: skip
    assert due_of(bench, "2026-01-06")[0][0] == "1 week"
