"""A word of a failing battery puts a device in quarantine, until a named person clears it."""

import json

import numpy as np
import pytest

from durability.record.hazards import (
    WATCH_WINDOWS,
    battery_signs,
    check_signs,
    cracked_glass,
    looks_at_battery,
)
from durability.workflow import specimens
from durability.workflow.series import open_series
from durability.workflow.session import Session

# ------------------------------------------------------------------------------------- the words


@pytest.mark.parametrize(
    ("note", "sign"),
    [
        ("battery swollen", "swollen"),
        ("Back cover BULGING", "swollen"),
        ("puffed up by 2 mm", "swollen"),
        ("swelling 3 mm", "swollen"),
        ("swollen?", "swollen"),
        ("no longer swollen", "swollen"),
        ("hot to the touch", "hot"),
        ("overheats", "hot"),
        ("hot, no display", "hot"),
        ("hissing", "hissing"),
        ("leaking, otherwise ok", "leaking"),
        ("electrolyte on the contacts", "leaking"),
        ("smells sweet", "smelling"),
        ("burning smell", "smelling"),
        ("smoke", "smoking"),
        ("sparks at the connector", "smoking"),
        ("cell vented", "venting"),
        ("gas escaping", "venting"),
        ("cracked cell", "damaged"),
        ("battery punctured", "damaged"),
        ("not swollen but hot", "hot"),
        ("no smell. Later: smoke", "smoking"),
        ("no swelling, hissing heard", "hissing"),  # when in doubt it is one
        ("battery leaks onto the seal", "leaking"),
    ],
)
def test_a_sign_is_heard_in_its_word_forms(note, sign):
    assert sign in battery_signs(note)


@pytest.mark.parametrize(
    "note",
    [
        None,
        "",
        "not swollen",
        "no swelling",
        "isn’t swollen",
        "neither swollen nor hot",
        "no swelling, smell or leaks",
        "no signs of leakage, smell, or heat",
        "no swelling and no smell",
        "swelling: none",
        "smell: no",
        "swelling not seen",
        "swelling and smell: none",
        "swelling within limits",
        "swelling 0 mm",
        "checked for swelling",
        "thickness 5.1 mm, no bulge",
        "does not smell",
        "didn't get hot",
        "hot pixels in the corner",
        "light leak at the edge",
        "leakage current 3 µA",
        "display burn-in",
        "soaked in the hot chamber",
        "kept in the fire-proof bag",
        "screenshot of the photo taken",
        "charges slowly",
        "seal torn",
        "rattles",
    ],
)
def test_denied_measured_and_other_words_are_no_sign(note):
    assert battery_signs(note) == ()


def test_a_measured_swelling_of_a_battery_that_passed_is_a_measurement():
    assert battery_signs("swelling 0.2 mm", function="battery swelling", passed=True) == ()
    assert battery_signs("swollen, 0.2 mm", function="battery swelling", passed=True) == (
        "swollen",
    )


@pytest.mark.parametrize(
    ("function", "note"),
    [("ingress seal", "leaks at 1 bar"), ("loudspeaker", "hisses"), ("display", "leaks light")],
)
def test_a_word_that_means_something_else_there_is_no_sign(function, note):
    assert battery_signs(note, function=function) == ()
    assert battery_signs(f"battery {note}", function=function)


@pytest.mark.parametrize("outcome", ["fail", "degraded"])
def test_a_battery_that_fails_its_look_needs_no_words(outcome):
    assert check_signs("battery swelling", outcome, None) == ("swollen",)
    assert check_signs("battery condition", outcome, "5.9 mm") == ("at fault",)
    assert check_signs("charging", outcome, "slow") == ()


@pytest.mark.parametrize("outcome", ["pass", "not_tested"])
def test_a_battery_that_passes_is_none(outcome):
    assert check_signs("battery swelling", outcome, "11.2 mm") == ()


def test_only_looks_for_signs_are_looks_at_the_battery():
    functions = ("battery swelling", "smell", "charging", "battery capacity", "ingress seal")
    assert [looks_at_battery(name) for name in functions] == [True, True, False, False, False]


def test_a_case_bulges_and_leaks_by_itself_but_does_not_smoke():
    assert battery_signs("bulges, leaks", of_case=True) == ()
    assert battery_signs("smoke", of_case=True) == ("smoking",)
    assert battery_signs("battery bulges", of_case=True) == ("swollen",)


@pytest.mark.parametrize(
    ("notes", "is_cracked"),
    [
        (("display", "glass cracked"), True),
        (("cracked screen",), True),
        (("", "fragments on the floor"), True),
        (("corner 3", "hairline"), False),
        (("glass not cracked",), False),
        (("no cracks in the glass",), False),
        ((None, None), False),
    ],
)
def test_cracked_glass_is_heard(notes, is_cracked):
    assert cracked_glass(*notes) is is_cracked


def test_the_watch_is_that_of_the_transport_tests_and_then_weeks():
    """UN Manual of Tests and Criteria 38.3: T.5 and T.6 six hours, T.7 and T.8 seven days."""
    assert [window.total_seconds() / 3600 for _, window in WATCH_WINDOWS] == [6, 7 * 24, 30 * 24]


# ------------------------------------------------------------------------------------ at the bench


@pytest.fixture
def bench(store, tmp_path, once):
    """A store with two radios, a case, a dummy and an open series."""

    def make():
        session = Session(tmp_path / "store.duckdb", "tester")
        for code, kind in (("R1", "device"), ("R2", "device"), ("C1", "case"), ("D1", "dummy")):
            specimens.add_specimen(session, code, kind, {"model": f"some {kind}"})
        open_series(session, "S1", device="R1", case="C1", values={})

    once(make)
    return store


GOOD = ("--check", "battery swelling=pass, 5.1 mm, cold")
"""The look that a clearance rests on."""


def quarantined(run):
    return [kept["device"] for kept in run("due", "--json").json["quarantined"]]


LOOK = ("inspect", "record", "R1", "--inspected-at", "2026-03-10T09:00", "--check")
WAYS = {
    "outcome": (*LOOK, "battery swelling=degraded"),
    "note": (*LOOK, "display=pass, feels hot"),
    "damage": ("damage", "add", "R1", "--severity", "1", "--note", "back cover bulges"),
    "damage place": ("damage", "add", "R1", "--severity", "1", "--location", "leaking seam"),
    "drop note": ("drop", "add", "S1", "--peak-g", "100", "--note", "hissing"),
    "void reason": ("drop", "add", "S1", "--void-reason", "smoke, stopped"),
    "case": ("drop", "add", "S1", "--peak-g", "100", "--damage-severity", "2", "--damage-note",
             "device in it smokes"),
    "specimen note": ("specimen", "amend", "R1", "--set", "note=smells", "--reason", "seen"),
}  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
def test_every_way_of_telling_counts_and_says_what_to_do_at_once(bench, way):
    told = bench(*WAYS[way])
    assert quarantined(bench) == ["R1"]
    said = told.err
    for words in (
        "Stop",
        "Do not charge",
        "away from people",
        "(6 h)",
        "(7 d)",
        "(30 d)",
        "49 CFR 173.185(f)",
        "Follow local rules",
        "not an interlock",
        "specimen clear R1",
    ):
        assert words in said


@pytest.mark.parametrize(
    "words",
    [
        ("damage", "add", "C1", "--severity", "2", "--note", "bulges at corner 3"),
        ("damage", "add", "R1", "--severity", "0", "--note", "not swollen, no smell"),
        (*LOOK, "battery swelling=pass, 11.2 mm"),
        (*LOOK, "ingress seal=fail, leaks at 1 bar"),
        ("drop", "add", "S1", "--peak-g", "100", "--note", "dirty hands"),
    ],
)
def test_nothing_else_does(bench, words):
    assert "QUARANTINE" not in bench(*words).err
    assert quarantined(bench) == []


def test_a_dummy_has_no_battery(bench):
    bench("series", "open", "S2", "--device", "D1")
    assert "QUARANTINE" not in bench("drop", "add", "S2", "--peak-g", "100", "--note", "hot").err
    assert quarantined(bench) == []


def test_json_stays_alone_on_standard_output(bench):
    told = bench(*LOOK, "display=pass, feels hot", "--json")
    assert told.json["quarantined"] is True
    assert "Do not charge" in told.err
    told = bench("drop", "add", "S1", "--peak-g", "9", "--dropped-at", "2026-03-01", "--note",
                 "hot", "--json")  # fmt: skip
    assert told.json["quarantined"] is True


def test_it_is_shown_everywhere(bench):
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-09T12:00")
    bench(*LOOK, "battery swelling=fail, lifts the cover")
    for words in (
        ("specimen", "list"),
        ("series", "list"),
        ("series", "show", "S1"),
        ("specimen", "show", "R1"),
        ("history", "R1"),
        ("due",),
        ("inspect", "list", "R1"),
        ("latent",),
        ("latent", "--devices"),
    ):
        assert "QUARANTINED" in bench(*words).out, words
    assert bench("specimen", "show", "R1", "--json").json["quarantined_since"]
    (one,) = bench("query", "devices_in_quarantine", "--json").json["rows"]
    assert one[0] == "R1"
    device = next(
        one for one in bench("latent", "--json").json["per_device"] if one["device"] == "R1"
    )
    assert device["quarantined"] is True
    assert device["probability_failed_unseen"] is None


def test_it_is_left_out_of_drops(bench):
    bench(*LOOK, "battery swelling=fail")
    for words in (
        ("series", "open", "S2", "--device", "R1"),
        ("drop", "add", "S1", "--peak-g", "100"),
        ("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-10T09:01"),
        ("record", "S1"),
    ):
        told = bench(*words, expect=1)
        assert "QUARANTINE" in told.err and "specimen clear R1" in told.err
        assert len(told.err.strip().splitlines()) == 1
    assert bench("drop", "list", "--json").json["drops"] == []


def test_a_drop_made_before_is_recorded(bench, sheet):
    bench(*LOOK, "battery swelling=fail")
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-10T08:59")
    file = sheet(
        "drops.csv",
        "series,drop_number,peak_g,device,dropped_at",
        "S3,1,100,R1,2026-03-10T08:00",
        "S3,2,101,R1,2026-03-10",
        "S3,3,102,R1,",
    )
    assert bench("import", "drops", file, "--json").json["added"] == 3


def test_a_drop_made_after_is_refused_in_an_import_until_it_is_cleared(bench, sheet):
    bench(*LOOK, "battery swelling=fail")
    file = sheet(
        "drops.csv",
        "series,drop_number,peak_g,device,dropped_at",
        "S3,1,100,R1,2026-03-10T08:00",
        "S3,2,101,R1,2026-03-11T08:00",
    )
    told = bench("import", "drops", file, "--json", expect=1)
    assert (told.json["added"], told.json["rejected"]) == (0, 1)
    assert "in QUARANTINE since 2026-03-10" in told.err and "row 3" in told.err
    bench("specimen", "clear", "R1", "--by", "Ada", "--reason", "false alarm", *GOOD)
    assert bench("import", "drops", file, "--json").json["added"] == 2


def test_a_suspicion_of_which_only_the_day_is_known_comes_after_the_drops_of_its_day(bench, sheet):
    bench("inspect", "record", "R1", "--inspected-at", "2026-03-10", "--check", "smell=fail")
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-10T15:00")
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-03-11", expect=1)


def test_it_is_left_out_of_inspection_plans_but_can_be_looked_at(bench):
    bench("inspect", "record", "R2", "--inspected-at", "2026-03-10", "--check", "power-on=pass")
    bench("inspect", "record", "R1", "--inspected-at", "2026-03-10", "--check", "smell=fail")
    told = bench("due", "--on", "2026-03-20", "--json").json
    assert [one["device"] for one in told["due"]] == ["R2"]
    assert [one["device"] for one in told["quarantined"]] == ["R1"]
    watch = told["quarantined"][0]["watch_until"]
    assert watch == {
        "6 h": "2026-03-10T06:00:00",
        "7 d": "2026-03-17T00:00:00",
        "30 d": "2026-04-09T00:00:00",
    }
    rows = bench("query", "inspections_overdue", "--set", "on=2026-03-20", "--json").json["rows"]
    assert [row[0] for row in rows] == ["R2"]
    bench("inspect", "record", "R1", "--inspected-at", "2026-03-11", "--check", "smell=pass")


def test_only_a_named_person_clears_it_with_a_reason(bench, monkeypatch):
    bench(*LOOK, "battery swelling=fail")
    monkeypatch.delenv("DURABILITY_PERSON")
    clear = ("specimen", "clear", "R1")
    assert "named person" in bench(*clear, "--reason", "fine", expect=2).err
    assert "blank" in bench(*clear, "--by", "Ada", "--reason", " ", expect=2).err
    bench(*clear, "--by", "Ada", expect=2)
    assert quarantined(bench) == ["R1"]
    told = bench(*clear, "--by", "Ada", "--reason", "cell replaced", *GOOD, "--json")
    assert told.json["cleared_by"] == "Ada"
    assert quarantined(bench) == []
    bench("drop", "add", "S1", "--peak-g", "100")
    events = bench("history", "R1", "--json").json["events"]
    kinds = [event["event"] for event in events]
    assert kinds.index("quarantine") < kinds.index("clearance")
    assert any("cleared by Ada: cell replaced" in event["what"] for event in events)
    assert "not in quarantine" in bench(*clear, "--by", "Ada", "--reason", "x", expect=1).err


def test_a_sign_that_was_seen_twice_is_named_once(bench):
    for note in ("bulges", "bulges and hisses"):
        bench("damage", "add", "R1", "--severity", "2", "--note", f"battery {note}")
    (kept,) = bench("due", "--json").json["quarantined"]
    assert kept["sign"] == "swollen, hissing"
    assert "(swollen, hissing: " in bench("drop", "add", "S1", "100", expect=1).err


def test_a_clearance_rests_on_a_named_look_at_the_battery_since(bench):
    """H2: the watch is closed by a named check; the look that told of the sign is none."""
    bench(*LOOK, "battery swelling=pass, puffy")
    clear = ("specimen", "clear", "R1", "--by", "Ada", "--reason", "it was the sleeve")
    assert "no inspection of its battery since" in bench(*clear, expect=1).err
    assert "no inspection of its battery" in bench(*clear, "--check", "display=pass", expect=1).err
    assert (
        "is itself a sign of a failing battery"
        in bench(*clear, "--check", "battery swelling=pass, still puffy", expect=1).err
    )
    assert quarantined(bench) == ["R1"]
    look = ("inspect", "record", "R1", "--inspected-at")
    bench(*look, "2026-03-11T09:00", "--check", "battery swelling=pass, 5.1 mm")
    bench(*look, "2026-03-12T09:00", "--check", "battery condition=fail")
    assert "battery condition fail since" in bench(*clear, expect=1).err
    bench(*look, "2026-03-13T09:00", "--check", "battery condition=pass")
    told = bench(*clear, "--json").json
    assert told["rests_on"] == "battery condition pass on 2026-03-13 09:00"
    assert quarantined(bench) == []


def test_a_look_given_with_the_clearance_is_in_the_record(bench):
    bench("damage", "add", "R1", "--severity", "1", "--note", "hot")
    told = bench("specimen", "clear", "R1", "--by", "Ada", "--reason", "lamp", *GOOD)
    assert "by battery swelling pass now" in told.out
    (look,) = bench("inspect", "list", "R1", "--json").json["inspections"]
    assert (look["checked"], look["inspector"]) == (1, "Ada")


def test_charging_it_all_the_same_is_recorded_and_warned_of(bench):
    bench(*LOOK, "battery swelling=fail")
    told = bench("inspect", "record", "R1", "--check", "charging=pass", "--json")
    assert told.json["charged_in_quarantine"] == ["charging"]
    assert "do not charge it" in told.err
    assert bench("inspect", "record", "R2", "--check", "charging=pass").err == ""


def test_a_drop_made_all_the_same_is_recorded_with_its_reason(bench, sheet):
    bench(*LOOK, "battery swelling=fail")
    add = ("drop", "add", "S1", "--peak-g", "900", "--dropped-at", "2026-03-11T10:00")
    bench(*add, "--despite-quarantine", " ", expect=2)
    told = bench(*add, "--despite-quarantine", "the note was not read")
    assert "Do not charge" in told.err
    file = sheet(
        "drops.csv",
        "series,drop_number,peak_g,device,case,dropped_at",
        "S1,2,901,R1,C1,2026-03-12T10:00",
        "S2,1,100,R2,C1,2026-03-12T11:00",
    )
    imported = ("import", "drops", file)
    assert "--despite-quarantine" in bench(*imported, expect=1).err
    bench(*imported, "--despite-quarantine", " ", expect=2)
    assert bench(*imported, "--despite-quarantine", "other bench", "--json").json["added"] == 2
    assert bench(*imported, "--json").json["duplicates"] == 2
    events = [e["what"] for e in bench("history", "R1", "--json").json["events"] if e["peak_g"]]
    assert "made in QUARANTINE: the note was not read" in events[0]
    assert "made in QUARANTINE: other bench" in events[1]
    assert "QUARANTINE" not in bench("history", "R2").out
    assert bench("show", "drop", "S1", "2", "--json").json["made_in_quarantine"] == "other bench"
    exposure = bench("history", "R1", "--json").json["exposure"]
    assert exposure["drops"] == 2  # it lived through both


def test_drops_without_a_date_of_a_device_in_quarantine_are_taken_and_told(bench, sheet):
    header = "series,drop_number,peak_g,device,case,note"
    before = sheet("before.csv", header, "S5,1,100,R1,C1,", "S6,1,100,R2,C1,battery hot")
    told = bench("import", "drops", before, "--json")
    assert "undated_in_quarantine" not in told.json  # R2's note came with its own drop
    bench(*LOOK, "battery swelling=fail")
    after = sheet("after.csv", header, "S7,1,101,R1,C1,", "S7,2,102,R1,C1,", "S8,1,90,R3,C1,")
    told = bench("import", "drops", after, "--json")
    assert told.json["added"] == 3
    assert told.json["undated_in_quarantine"] == {"R1": 2}
    line = " ".join(told.err.replace("!", " ").split())
    assert "R1 is in QUARANTINE, and 2 drops of it came in without a date" in line
    assert "Do not drop" in line


def test_clearing_early_says_how_long_the_watch_was_to_run(bench):
    bench("damage", "add", "R1", "--severity", "1", "--note", "hot")
    told = bench("specimen", "clear", "R1", "--by", "Ada", "--reason", "lamp stood on it", *GOOD)
    assert "(6 h)" in told.err and "(30 d)" in told.err
    bench("inspect", "record", "R1", "--inspected-at", "2026-01-10", "--check", "smell=fail")
    assert (
        "watch" not in bench("specimen", "clear", "R1", "--by", "A", "--reason", "old", *GOOD).err
    )


def test_it_comes_back_with_the_next_sign_but_not_with_the_same_file(bench, sheet):
    file = sheet(
        "looks.csv",
        "device,inspected_at,function,outcome,note",
        "R1,2026-03-01,battery swelling,fail,lifts the cover",
        "R1,2026-03-01,display,pass,hot",
        "R2,2026-03-01,display,pass,not hot",
    )
    told = bench("import", "inspections", file, "--json")
    assert told.json["quarantined"] == ["R1"]
    assert told.err.count("Do not charge") == 1
    bench("specimen", "clear", "R1", "--by", "Ada", "--reason", "replaced", *GOOD)
    assert "quarantined" not in bench("import", "inspections", file, "--json").json
    assert quarantined(bench) == []
    bench(*LOOK, "smell=degraded")
    assert quarantined(bench) == ["R1"]


def test_imports_of_damage_drops_and_specimens_are_heard_too(bench, sheet):
    drops = sheet(
        "drops.csv",
        "series,drop_number,peak_g,device,case,device_kind,dropped_at,note,damage_severity,damage_note",
        "A,1,100,R3,C3,device,2026-03-01T10:00,hissing,,",
        "B,1,100,R4,C4,device,2026-03-01T11:00,,2,battery in it smells",
        "B,2,100,R4,C4,device,2026-03-01T11:05,,2,case bulges",
        "D,1,100,D3,,dummy,2026-03-01T12:00,hot,,",
    )
    assert bench("import", "drops", drops, "--json").json["quarantined"] == ["R3", "R4"]
    damage = sheet("damage.csv", "specimen,severity,note", "R2,1,leaking", "C1,1,leaking")
    assert bench("import", "damage", damage, "--json").json["quarantined"] == ["R2"]
    specimens = sheet("specimens.csv", "code,kind,note", "R9,device,arrived swollen")
    assert bench("import", "specimens", specimens, "--json").json["quarantined"] == ["R9"]
    since = {k["device"]: k["since"] for k in bench("due", "--json").json["quarantined"]}
    assert since["R3"] == "2026-03-01T10:00:00"


def test_a_refused_import_puts_nothing_in_quarantine(bench, sheet):
    file = sheet(
        "looks.csv",
        "device,inspected_at,function,outcome,note",
        "R1,2026-03-01,smell,fail,",
        "R2,2026-03-01,smell,broken,",
    )
    bench("import", "inspections", file, expect=1)
    assert quarantined(bench) == []


def test_mending_the_check_does_not_clear_it_and_can_cause_it(bench):
    bench(*LOOK, "battery swelling=fail")
    amend = ("inspect", "amend", "R1", "battery swelling", "--inspected-at", "2026-03-10")
    bench(*amend, "--set", "outcome=pass", "--reason", "wrong key")
    assert quarantined(bench) == ["R1"]
    bench("specimen", "clear", "R1", "--by", "Ada", "--reason", "wrong key", *GOOD)
    assert "QUARANTINE" in bench(*amend, "--set", "note=hot", "--reason", "forgot").err
    assert quarantined(bench) == ["R1"]


def test_leaving_the_lab_while_suspect_is_warned_of_and_does_not_end_it(bench):
    bench(*LOOK, "battery swelling=fail")
    told = bench("specimen", "retire", "R1", "--reason", "to the maker", "--state", "sold")
    assert "49 CFR 173.185(f)" in told.err
    assert quarantined(bench) == ["R1"]
    assert "sold, QUARANTINED" in " ".join(bench("specimen", "list").out.split())


def test_an_older_store_gains_quarantine_when_it_is_opened(store, tmp_path):
    """Steps that a store has not seen are laid down, and what it held stays."""
    from durability.store import database

    with database.reading(tmp_path / "store.duckdb") as connection:
        steps = [row[0] for row in connection.execute("SELECT step FROM schema_step").fetchall()]
        assert 3 in steps
        assert connection.execute("SELECT count(*) FROM quarantined_devices").fetchone() == (0,)


# ---------------------------------------------------------------------- eyes, storage, baselines


def test_cracked_glass_calls_for_eye_protection(bench, monkeypatch):
    told = bench("damage", "add", "R1", "--severity", "3", "--location", "display", "--note",
                 "glass cracked")  # fmt: skip
    assert "eye protection" in told.err
    bench("inspect", "record", "R1", "--inspected-at", "2026-03-01", "--check", "power-on=pass")
    told = bench("due", "--on", "2026-03-20")
    assert "R1: Cracked glass" in told.out
    assert bench("due", "--on", "2026-03-20", "--json").json["cracked_glass"] == ["R1"]
    told = bench("drop", "add", "S1", "--peak-g", "100", "--note", "fragments flew off")
    assert "eye protection" in told.err


def test_a_dropped_device_is_remembered_before_it_is_stored(bench):
    told = bench("series", "close", "S1", "--reason", "done")
    assert "Before R1 is stored" in told.err
    bench("series", "open", "S2", "--device", "D1")
    assert bench("series", "close", "S2", "--reason", "done").err == ""


def test_a_missing_look_before_the_first_drop_is_marked(bench):
    told = bench("series", "open", "S2", "--device", "R2", "--case", "C1")
    assert "C1 and R2: no check before the first drop" in " ".join(told.out.split()) or (
        "R2 and C1: no check before the first drop" in " ".join(told.out.split())
    )
    assert "no check before the first drop" in bench("drop", "add", "S1", "--peak-g", "100").err
    assert "no check" not in bench("drop", "add", "S1", "--peak-g", "100").err
    assert bench("due", "--json").json["without_baseline"] == ["R1"]
    assert "No check before the first drop" in bench("history", "R1").out


def test_a_look_before_the_first_drop_leaves_nothing_to_mark(bench):
    bench("inspect", "record", "R1", "--inspected-at", "2026-03-01", "--check", "power-on=pass")
    bench("damage", "add", "C1", "--severity", "0")
    assert bench("drop", "add", "S1", "--peak-g", "100").err == ""
    assert bench("due", "--json").json["without_baseline"] == []
    told = bench("series", "open", "S3", "--device", "R1", "--case", "C1", "--json")
    assert json.loads(told.out)["not_looked_at"] == []


def test_a_waveform_of_a_device_in_quarantine_is_refused(store, tmp_path):
    """A drop of today; one that the recorder dated before the quarantine is still taken."""
    pulse = 100 * np.clip(np.sin(np.linspace(-6, 9.1, 1500)), 0, None) * (np.arange(1500) > 590)
    pulse[910:] = 0
    path = tmp_path / "drop.npy"
    np.save(path, pulse)
    store("series", "open", "W1", "--device", "R-9")
    store("damage", "add", "R-9", "--severity", "2", "--note", "battery swollen")
    told = store("import", "waveforms", path, "--series", "W1", "--units", "g",
                 "--sample-rate-hz", "150000", expect=None)  # fmt: skip
    assert told.status == 1
    assert "in QUARANTINE" in told.err
    assert store("drop", "list", "--series", "W1", "--json").json["drops"] == []
    taken = ("import", "waveforms", path, "--series", "W1", "--units", "g", "--sample-rate-hz",
             "150000", "--despite-quarantine", "recorder ran on")  # fmt: skip
    store(*taken)
    assert store("show", "drop", "W1", "1", "--json").json["made_in_quarantine"] == (
        "recorder ran on"
    )
