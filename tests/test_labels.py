"""Labels of specimens, and what becomes of a code that is scanned where one is typed."""

import io
import sys

import pytest

from durability.intake.hand_entry import is_marked, label_text, may_be_a_code, scanned


@pytest.fixture
def lab(store, once):
    """Two cases, 21 and C-22, each in an open series of one dummy; C-23 in none."""

    def make():
        store("specimen", "add", "D-1", "--kind", "dummy")
        store("specimen", "add", "R-7", "--kind", "device")
        for code in ("21", "C-22", "C-23"):
            store("specimen", "add", code, "--kind", "case", "--model", "sleeve A", "--lot", "7")
        for series, case in (("S1", "21"), ("S2", "C-22")):
            store("series", "open", series, "--device", "D-1", "--case", case)

    once(make)
    return store


@pytest.fixture
def typed(lab, monkeypatch):
    def call(*lines, series="S1", expect=0):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\r\n" for line in lines)))
        return lab("record", series, expect=expect)

    return call


def peaks(run):
    return [drop["peak_g"] for drop in run("drop", "list", "--json").json["drops"]]


# ------------------------------------------------------------------------------ what is scanned


@pytest.mark.parametrize(
    "code", ["C-21", "21", "v1", "u", "12-A", "118g", ".5", "Fach:3", "]x", "né"]
)
def test_what_a_label_types_is_the_code_again_and_no_reading(code):
    """With and without the symbology identifier of ISO/IEC 15424, and with a line end."""
    on_label = label_text(code)
    assert is_marked(on_label) or may_be_a_code(on_label)
    for sent in (on_label, f"]Q1{on_label}", f"]d2{on_label}\r\n"):
        assert scanned(sent) == code


def test_plain_codes_stay_plain_on_the_label():
    assert [label_text(code) for code in ("C-21", "demo-S1", "R7")] == ["C-21", "demo-S1", "R7"]


@pytest.mark.parametrize("scan", ["C-22", "c-22", "]Q1C-22", "S2", "s2", ":C-22"])
def test_record_takes_the_code_of_the_case_for_its_open_series(typed, lab, scan):
    assert "drop 1 stored" in typed("118", series=scan).out
    assert lab("series", "show", "S2", "--json").json["drops"] == 1


def test_record_refuses_what_could_mean_several_series_or_none(typed):
    assert "'D-1': could be S1, S2; type the series" in typed(series="]Q1D-1", expect=1).err
    told = typed(series="C-23", expect=1).err
    assert "case 'C-23': in no open series; open one with: durability series open" in told
    assert "'C-9': not in the store; nearest" in typed(series="C-9", expect=1).err


def test_a_series_goes_before_a_specimen_of_the_same_code(typed, lab):
    lab("series", "open", "21", "--device", "D-1", "--case", "C-23")
    typed("118", series="21")
    assert lab("series", "show", "21", "--json").json["drops"] == 1


def test_the_code_of_another_specimen_is_no_reading(typed, lab):
    told = typed("118", "C-22", "]Q1C-22", ":21", "]Q121", "D-1", "119", expect=1)
    assert told.err.count("that is case C-22; the next drop is of 21 and D-1; not stored") == 2
    assert told.out.count("case 21: the next drop is of it") == 2
    assert "dummy D-1: the next drop is of it" in told.out
    assert peaks(lab) == [118, 119]


def test_a_number_without_the_mark_of_a_label_is_a_reading(typed, lab):
    typed("21")
    assert peaks(lab) == [21]


def test_a_marked_code_that_is_unknown_stores_nothing(typed, lab):
    assert "specimen '118': not in the store" in typed("]Q1118", expect=1).err
    assert peaks(lab) == []


def test_a_code_that_is_a_key_of_the_session_voids_nothing(typed, lab):
    lab("specimen", "add", "v1", "--kind", "device")
    lab("specimen", "add", "U1", "--kind", "device")
    told = typed("118", "v1", "U1", "u1", expect=1)
    assert "that is device v1" in told.err and "that is device U1" in told.err
    (drop,) = lab("drop", "list", "--json").json["drops"]
    assert (drop["status"], drop["void_reason"]) == ("void", "cable snag")  # u1: typed, no code


def test_inspect_record_takes_a_scanned_device(lab):
    told = lab("inspect", "record", "]Q1r-7", "--check", "display=pass", "--json").json
    assert told["device"] == "R-7"
    assert "is a case" in lab("inspect", "record", "C-22", "--check", "a=pass", expect=1).err
