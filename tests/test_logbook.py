"""What is typed at the bench is kept, shown, and never changed silently."""

import io
import sys

import pytest


@pytest.fixture
def bench(store, once):
    def make():
        store("specimen", "add", "007", "--kind", "device", "--model", "radio")
        store("specimen", "add", "C-1", "--kind", "case", "--model", "sleeve")
        store(
            "series", "open", "S1", "--device", "007", "--case", "C-1", "--drop-height-mm", "1220"
        )

    once(make)
    return store


def drops(run, series="S1"):
    return run("drop", "list", "--series", series, "--json").json["drops"]


def test_a_code_stays_text(bench):
    assert bench("specimen", "show", "007", "--json").json["specimen"] == "007"


def test_drops_are_numbered_as_they_come(bench):
    first = bench("drop", "add", "S1", "--peak-g", "118", "--json").json
    second = bench("drop", "add", "S1", "--peak-g", "121.5", "--json").json
    assert (first["series"], first["drop_number"], second["drop_number"]) == ("S1", 1, 2)
    assert first["id"] != second["id"]
    assert [row["peak_g"] for row in drops(bench)] == [118.0, 121.5]


def test_what_was_not_typed_is_absent(bench):
    bench("drop", "add", "S1", "--peak-g", "118")
    assert drops(bench)[0]["pulse_duration_ms"] is None


def test_a_drop_says_who_and_when(bench):
    bench("drop", "add", "S1", "--peak-g", "118", "--by", "Ada")
    row = drops(bench)[0]
    assert row["entered_by"] == "Ada"
    assert row["entered_at_utc"] and row["dropped_at"] and row["dropped_at_utc_offset"]


def test_a_reading_far_off_those_before_is_stored_and_reported_with_what_corrects_it(
    bench, monkeypatch
):
    for peak_g in ("118", "121", "119"):
        assert "times the readings" not in bench("drop", "add", "S1", "--peak-g", peak_g).err
    far = " ".join(bench("drop", "add", "S1", "--peak-g", "1200").err.split())
    assert "S1 drop 4: 1200 g is 10 times the readings before it (119 g)" in far
    assert "durability drop amend S1 4 --set peak_g=G --reason WHY" in far
    assert bench("drop", "add", "S1", "--peak-g", "120").err == ""
    monkeypatch.setattr(sys, "stdin", io.StringIO("12\n"))
    told = bench("record", "S1")
    far = " ".join(told.err.split())
    assert "S1 drop 6: 12 g is 0.1 times" in far and "If misread: c G, with G the right one" in far
    kept = bench("drop", "list", "--series", "S1", "--json").json["drops"]
    assert [(d["peak_g"], d["status"]) for d in kept[3:]] == [
        (1200, "valid"), (120, "valid"), (12, "valid")
    ]  # fmt: skip


def test_a_voided_drop_is_kept_with_its_reason_and_can_come_back(bench):
    bench("drop", "add", "S1", "--peak-g", "400")
    bench("drop", "void", "S1", "1", "--reason", "cable snag")
    (row,) = drops(bench)
    assert (row["status"], row["void_reason"], row["peak_g"]) == ("void", "cable snag", 400.0)
    bench("drop", "restore", "S1", "1", "--reason", "cable was fine")
    (row,) = drops(bench)
    assert (row["status"], row["void_reason"]) == ("valid", None)


def test_a_voided_drop_keeps_its_number(bench):
    for peak in ("118", "119"):
        bench("drop", "add", "S1", "--peak-g", peak)
    bench("drop", "void", "S1", "2", "--reason", "bad trigger")
    assert bench("drop", "add", "S1", "--peak-g", "120").out == "3\n"


def test_voiding_twice_is_refused(bench):
    bench("drop", "add", "S1", "--peak-g", "118")
    bench("drop", "void", "S1", "1", "--reason", "cable snag")
    told = bench("drop", "void", "S1", "1", "--reason", "again", expect=1)
    assert "void already" in told.err


def test_an_amendment_keeps_the_original_in_history(bench):
    bench("drop", "add", "S1", "--peak-g", "118")
    bench("drop", "amend", "S1", "1", "--set", "peak_g=181", "--reason", "digits swapped")
    assert drops(bench)[0]["peak_g"] == 181.0
    events = bench("history", "C-1", "--json").json["events"]
    (amendment,) = [event for event in events if event["event"] == "amendment"]
    assert amendment["what"] == "peak_g: 118.0 to 181.0, digits swapped"


def test_an_amended_amendment_holds_the_latest(bench):
    bench("drop", "add", "S1", "--peak-g", "118")
    for value in ("181", "117"):
        bench("drop", "amend", "S1", "1", "--set", f"peak_g={value}", "--reason", "misread")
    assert drops(bench)[0]["peak_g"] == 117.0


def test_a_valid_drop_keeps_a_peak(bench):
    bench("drop", "add", "S1", "--peak-g", "118")
    told = bench("drop", "amend", "S1", "1", "--set", "peak_g=", "--reason", "x", expect=1)
    assert "void it instead" in told.err


def test_a_drop_without_a_reading_is_still_a_drop(bench):
    bench("drop", "add", "S1", "--void-reason", "bad trigger")
    (row,) = drops(bench)
    assert (row["status"], row["peak_g"]) == ("void", None)


def test_damage_lands_on_the_case_of_that_drop(bench):
    bench("drop", "add", "S1", "--peak-g", "118", "--damage-severity", "2",
          "--damage-location", "corner 3", "--damage-note", "hairline")  # fmt: skip
    (note,) = bench("specimen", "show", "C-1", "--json").json["damage"]
    assert (note["series"], note["drop_number"], note["severity"]) == ("S1", 1, 2)
    assert bench("specimen", "show", "007", "--json").json["damage"] == []


def test_damage_typed_later_stands_after_the_latest_drop(bench):
    for peak in ("118", "119"):
        bench("drop", "add", "S1", "--peak-g", peak)
    told = bench("damage", "add", "C-1", "--severity", "3", "--note", "split", "--json").json
    assert (told["series"], told["drop_number"]) == ("S1", 2)


def test_a_bare_drop_has_no_case_to_damage(bench):
    bench("series", "open", "B1", "--device", "007")
    told = bench("drop", "add", "B1", "--peak-g", "300", "--damage-severity", "2", expect=1)
    assert "bare" in told.err
    assert drops(bench, "B1") == []


def test_history_keeps_two_ledgers(bench):
    """The device's history holds drops in every case and bare; a case's only its own."""
    bench("series", "open", "B1", "--device", "007")
    bench("drop", "add", "S1", "--peak-g", "118")
    bench("drop", "add", "B1", "--peak-g", "300")
    of_device = bench("history", "007", "--json").json["events"]
    of_case = bench("history", "C-1", "--json").json["events"]
    assert sorted(event["series"] for event in of_device) == ["B1", "S1"]
    assert [event["series"] for event in of_case] == ["S1"]


def test_a_closed_series_takes_no_drop(bench):
    bench("series", "close", "S1", "--reason", "done")
    told = bench("drop", "add", "S1", "--peak-g", "118", expect=1)
    assert "closed" in told.err


def test_a_retired_case_is_not_dropped_again(bench):
    bench("specimen", "retire", "C-1", "--reason", "split")
    told = bench("series", "open", "S2", "--device", "007", "--case", "C-1", expect=1)
    assert "retired" in told.err


def test_codes_new_to_the_record_are_added_and_named(store):
    told = store("series", "open", "S1", "--device", "D-1", "--device-kind", "dummy", "--case",
                 "C-1", "--case-model", "sleeve", "--sensor", "A1", "--json").json  # fmt: skip
    assert told["added"] == ["dummy D-1", "case C-1", "sensor A1"]
    again = store("series", "open", "S2", "--device", "D-1", "--case", "C-1", "--json").json
    assert again["added"] == []
    assert store("specimen", "show", "C-1", "--json").json["model"] == "sleeve"


def test_a_surface_spelled_otherwise_is_reported(store):
    """Series on two surfaces are never compared: a slip would part a case from its like."""
    series = ("series", "open", "--device", "D-1", "--surface")
    assert "surface" not in store(*series, "steel on concrete", "A").out.splitlines()[1]
    told = store(*series, "Steel on concret", "B").out
    assert "surface 'Steel on concret' beside 'steel on concrete', never compared" in told
    for surface in ("Steel on concret", "steel on concrete", "oak"):
        assert "beside" not in store(*series, surface, f"S {surface}").out
    assert "beside" not in store("series", "open", "C", "--device", "D-1").out


def test_a_series_opens_with_what_the_bench_knows_and_takes_a_drop(store):
    store("series", "open", "S1", "--device", "D-1")
    assert store("drop", "add", "S1", "--peak-g", "118").out == "1\n"


def test_a_case_of_another_model_is_refused(bench):
    told = bench("series", "open", "S2", "--device", "007", "--case", "C-1", "--case-model", "tin",
                 expect=1)  # fmt: skip
    assert "specimen amend" in told.err


def test_a_method_without_edition_or_clause_is_refused(bench):
    """Method and edition are named: editions of one standard are not equal (ASTM D5276 1.2)."""
    told = bench("series", "open", "S2", "--device", "007", "--method", "810", expect=2)
    assert "edition" in told.err
    bench("series", "open", "S2", "--device", "007", "--method", "MIL-STD-810H 516.8 4.6.5")


def test_conditions_can_be_told_later(bench):
    bench("series", "amend", "S1", "--set", "surface=steel on concrete", "--reason", "was missing")
    (row,) = bench("series", "list", "--series", "S1", "--json").json["series"]
    assert row["surface"] == "steel on concrete"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("drop", "add", "S1", "--peak-g", "-3"), "--peak-g '-3'"),
        (("drop", "add", "S1", "--peak-g", "1,180"), "write 1180 or 1.180"),
        (("drop", "add", "S1", "--peak-g", "nan"), "--peak-g 'nan'"),
        (("drop", "add", "S1"), "--peak-g: missing"),
        (("drop", "add", "S1", "--peak-g", "9", "--dropped-at", "2999-01-01"), "future"),
        (("drop", "add", "S1", "--peak-g", "9", "--dropped-at", "yesterday"), "ISO 8601"),
        (("drop", "add", "S1", "--peak-g", "9", "--damage-severity", "7"), "4 failed"),
        (("drop", "void", "S1", "one", "--reason", "x"), "'one': not a whole number"),
        (("specimen", "add", "X", "--kind", "case", "--mass-g", "heavy"), "--mass-g 'heavy'"),
        (("specimen", "add", "X", "--kind", "case", "--received-on", "1.2.26"), "--received-on"),
        (("series", "open", "S2", "--device", "007", "--drop-height-mm", "0"), "drop-height-mm"),
        (("drop", "amend", "S1", "1", "--set", "series=S2", "--reason", "x"), "none of"),
        (("nonsense",), "no such command"),
    ],
)
def test_an_unusable_call_is_one_line(bench, words, said):
    told = bench(*words, expect=2)
    assert said in told.err
    assert len(told.err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("drop", "add", "S2", "--peak-g", "9"), "nearest: S1"),
        (("drop", "void", "S1", "4", "--reason", "x"), "its last drop is 0"),
        (("specimen", "show", "C-2"), "nearest: C-1"),
        (("specimen", "add", "C-1", "--kind", "case"), "already in the store"),
        (("series", "open", "S1", "--device", "007"), "already in the store"),
        (("series", "open", "S2", "--device", "C-1"), "is a case"),
        (("damage", "add", "007", "--severity", "1", "--series", "S9"), "not in the store"),
    ],
)
def test_a_contradiction_is_refused_in_one_line(bench, words, said):
    told = bench(*words, expect=1)
    assert said in told.err
    assert len(told.err.strip().splitlines()) == 1
