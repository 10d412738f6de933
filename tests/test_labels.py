"""Labels of specimens, and what becomes of a code that is scanned where one is typed."""

import io
import re
import sys

import numpy as np
import pytest
import segno
import zxingcpp
from matplotlib import image

from durability.intake.hand_entry import is_marked, label_text, may_be_a_code, scanned
from durability.report.plots import picture_bytes
from durability.report.plots.label_sheet import (
    LABEL_MM,
    MM_IN,
    PAPER_MM,
    label_sheet,
)


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
    told = typed("118", "C-22", "]Q1C-22", "c-22", ":21", "]Q121", "D-1", "119", expect=1)
    assert told.err.count("that is case C-22; the next drop uses 21 and D-1; not stored") == 3
    assert told.out.count("case 21: the next drop uses it") == 2
    assert "dummy D-1: the next drop uses it" in told.out
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


# ------------------------------------------------------------------------------ the sheet


def a_specimen(code, model="sleeve A", lot="2026-04"):
    row = {"specimen": code, "kind": "case", "model": model, "lot": lot}
    return {**row, "scans_as": label_text(code)}


CODES = ["C-21", "21", "v1", "sleeve-2026-0042", "Hülle-7", "袖-7", "a long code " * 5]


@pytest.fixture(scope="module")
def drawn():
    """A sheet as PNG, and as pixels."""
    content = picture_bytes(label_sheet([a_specimen(code.strip()) for code in CODES]), "png")
    pixels = image.imread(io.BytesIO(content), format="png")[..., :3].mean(axis=2)
    return (255 * pixels).astype(np.uint8)


def test_an_independent_decoder_reads_each_symbol(drawn):
    """By ZXing, which shares nothing with what draws the symbols."""
    read = zxingcpp.read_barcodes(drawn)
    assert {scanned(each.text) for each in read} == {code.strip() for code in CODES}
    assert {str(each.format) for each in read} == {"QR Code"}
    assert {each.ec_level for each in read} <= {"M", "Q", "H"}
    assert {each.symbology_identifier for each in read} == {"]Q1"}


def test_each_symbol_has_its_quiet_zone_and_modules_that_can_be_scanned(drawn):
    """ISO/IEC 18004: four modules of white all around."""
    dots_mm = 200 / MM_IN
    for each in zxingcpp.read_barcodes(drawn):
        corners = each.position
        x = [corners.top_left.x, corners.bottom_right.x]
        y = [corners.top_left.y, corners.bottom_right.y]
        modules = len(segno.make(each.text, error="m", micro=False).matrix)
        module = (x[1] - x[0]) / modules
        assert module / dots_mm >= 0.4  # what hand-held scanners resolve, common practice
        quiet = int(4 * module) - 1  # a dot for the decoder's corners
        box = drawn[y[0] - quiet : y[1] + quiet, x[0] - quiet : x[1] + quiet].copy()
        assert box.min() == 0
        box[quiet - 2 : 2 - quiet, quiet - 2 : 2 - quiet] = 255
        assert box.min() == 255


def test_words_stay_within_their_label():
    full = [a_specimen(f"{'W' * 30}{at}", "a very long model " * 9, "7" * 50) for at in range(24)]
    figure = label_sheet(full)
    figure.draw_without_rendering()
    left_mm, top_mm = 7.25, PAPER_MM[1] - 12.9
    for text in figure.texts:
        box = text.get_window_extent().transformed(figure.dpi_scale_trans.inverted())
        x0, x1, y0, y1 = (MM_IN * edge for edge in (box.x0, box.x1, box.y0, box.y1))
        column = int((x0 - left_mm) // (LABEL_MM[0] + 2.5))
        row = int((top_mm - y1) // LABEL_MM[1])
        assert x1 <= left_mm + column * (LABEL_MM[0] + 2.5) + LABEL_MM[0]
        assert y0 >= top_mm - (row + 1) * LABEL_MM[1]
    assert sum("W" in text.get_text() for text in figure.texts) >= 24


@pytest.mark.parametrize("ending", ["svg", "pdf", "png"])
def test_the_command_writes_the_sheet(lab, tmp_path, ending):
    file = tmp_path / f"sheet.{ending}"
    told = lab("specimen", "label", "21", "C-22", "21", "-o", file)
    assert "2 labels; print at 100 %" in told.out
    first = file.read_bytes()
    assert lab("specimen", "label", "21", "C-22", "-o", file, "--json").json["labels"] == [
        "21", "C-22"]  # fmt: skip
    assert file.read_bytes() == first
    if ending == "svg":
        for words in (">C-22<", ">sleeve A<", ">lot 7<", ">case<", 'width="595.'):
            assert words in first.decode()


def test_more_labels_than_a_sheet_holds_take_several(lab, sheet, tmp_path):
    codes = [f"N{at}" for at in range(60)]
    lab("import", "specimens", sheet("s.csv", "code,kind", *(f"{code},case" for code in codes)))
    file = tmp_path / "labels.pdf"
    told = lab("specimen", "label", *codes, "-o", file)
    assert "60 labels on 3 sheets; print at 100 %" in told.out
    assert len(re.findall(rb"/Type\s*/Page\b", file.read_bytes())) == 3


@pytest.mark.parametrize(
    ("codes", "said", "status"),
    [
        (["C-9"], "not in the store; nearest", 1),
        ([*(f"N{at}" for at in range(25)), "-o", "l.svg"], "25 labels: a sheet holds 24", 2),
        (["L" * 140], "too long for a label", 2),
    ],
)
def test_what_makes_no_label_is_refused(lab, sheet, tmp_path, monkeypatch, codes, said, status):
    if "C-9" not in codes:
        lab("import", "specimens", sheet("s.csv", "code,kind", *(f"{code},case" for code in codes)))
    monkeypatch.chdir(tmp_path)
    told = lab("specimen", "label", *codes, expect=status)
    assert said in told.err and len(told.err.splitlines()) == 1
    assert not (tmp_path / "labels.pdf").exists()
