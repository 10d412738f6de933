"""A lab's CSV files go in whole, or say exactly what stands in the way; nothing is lost."""

import csv
import os
import random
import shutil
import sys
from pathlib import Path

import pytest

from durability.store import bench, database
from durability.workflow import archive

HEAD = "series,drop_number,peak_g,case,case_model,device,drop_height_mm"


def row(number, peak=118, series="S1", case="C-1", model="sleeve", device="D-1", height=1220):
    return f"{series},{number},{peak},{case},{model},{device},{height}"


@pytest.fixture
def good(sheet):
    return sheet("drops.csv", HEAD, row(1, 118), row(2, 119.5), row(3, 121))


def peaks(run, series="S1"):
    return [d["peak_g"] for d in run("drop", "list", "--series", series, "--json").json["drops"]]


def test_rows_go_in_and_make_their_series_and_specimens(store, good):
    told = store("import", "drops", good, "--json").json
    assert told == {"read": 3, "added": 3, "duplicates": 0, "rejected": 0, "rejects_file": None}
    assert peaks(store) == [118.0, 119.5, 121.0]
    (series,) = store("series", "list", "--json").json["series"]
    assert (series["case"], series["case_model"], series["device"]) == ("C-1", "sleeve", "D-1")
    assert series["drop_height_mm"] == 1220.0


def test_a_drop_names_its_file_and_row(store, good):
    store("import", "drops", good)
    first, *_ = store("drop", "list", "--json").json["drops"]
    assert (first["file_name"], first["source_row"]) == ("drops.csv", 2)


def test_column_order_does_not_matter(store, sheet):
    path = sheet("drops.csv", "peak_g,series,drop_number", "118,S1,1")
    store("import", "drops", path)
    assert peaks(store) == [118.0]


def test_blank_case_is_bare(store, sheet):
    path = sheet("drops.csv", HEAD, row(1, case="", model=""))
    store("import", "drops", path)
    assert store("series", "list", "--json").json["series"][0]["case"] is None


def test_a_case_model_without_a_code_is_one_case_named_after_its_series(store, sheet):
    path = sheet("drops.csv", HEAD, row(1, case=""), row(2, case=""))
    store("import", "drops", path)
    (series,) = store("series", "list", "--json").json["series"]
    assert (series["case"], series["case_model"]) == ("S1/case", "sleeve")


def test_the_same_file_again_is_all_duplicates(store, good):
    store("import", "drops", good)
    told = store("import", "drops", good, "--json").json
    assert (told["added"], told["duplicates"], told["rejected"]) == (0, 3, 0)
    assert len(peaks(store)) == 3


def test_the_file_stays_a_duplicate_after_a_drop_was_voided_and_amended(store, good):
    store("import", "drops", good)
    store("drop", "void", "S1", "1", "--reason", "cable snag")
    store("drop", "amend", "S1", "2", "--set", "peak_g=119", "--reason", "misread")
    told = store("import", "drops", good, "--json").json
    assert (told["added"], told["duplicates"], told["rejected"]) == (0, 3, 0)
    assert peaks(store) == [118.0, 119.0, 121.0]


def test_a_row_that_contradicts_the_store_is_refused_and_nothing_written(store, good, sheet):
    store("import", "drops", good)
    other = sheet("other.csv", HEAD, row(3, 999), row(4, 122))
    told = store("import", "drops", other, "--json", expect=1)
    assert told.json["rejected"] == 1 and told.json["added"] == 0
    assert "contradicts the stored drop 3" in told.err
    assert peaks(store) == [118.0, 119.5, 121.0]


def test_keep_good_stores_the_good_and_writes_the_others_beside_a_reason(store, good, sheet):
    path = sheet("mixed.csv", HEAD, row(1), row(2, "n/a"), row(3, 121))
    told = store("import", "drops", path, "--keep-good", "--json", expect=1).json
    assert (told["added"], told["rejected"]) == (2, 1)
    with open(told["rejects_file"], newline="", encoding="utf-8") as file:
        (rejected,) = csv.DictReader(file)
    assert rejected["peak_g"] == "n/a" and rejected["source_row"] == "3"
    assert "blank when not recorded" in rejected["reason"]
    assert [d["drop_number"] for d in store("drop", "list", "--json").json["drops"]] == [1, 3]


def test_a_mended_rejects_file_goes_in_as_it_is(store, sheet):
    path = sheet("mixed.csv", HEAD, row(1), row(2, "n/a"), row(3, 121))
    told = store("import", "drops", path, "--keep-good", "--json", expect=1).json
    mended = Path(told["rejects_file"]).read_text(encoding="utf-8").replace("n/a", "120")
    again = store("import", "drops", sheet("mended.csv", mended.strip()), "--json").json
    assert again["added"] == 1
    assert peaks(store) == [118.0, 120.0, 121.0]


def test_a_rejects_file_is_never_written_over(store, sheet):
    path = sheet("mixed.csv", HEAD, row(1), row(2, "n/a"), row(3, 121))
    first = store("import", "drops", path, "--keep-good", "--json", expect=1).json["rejects_file"]
    second = store("import", "drops", path, "--keep-good", "--json", expect=1).json["rejects_file"]
    assert first != second


def test_damage_of_a_row_lands_on_its_case(store, sheet):
    path = sheet(
        "drops.csv",
        HEAD + ",damage_severity,damage_location,damage_note",
        row(1) + ",0,,",
        row(2) + ",2,corner 3,hairline",
    )
    store("import", "drops", path)
    damage = store("specimen", "show", "C-1", "--json").json["damage"]
    assert [(note["drop_number"], note["severity"]) for note in damage] == [(1, 0), (2, 2)]


def test_void_rows_come_in_void(store, sheet):
    path = sheet("drops.csv", "series,drop_number,peak_g,status,void_reason",
                 "S1,1,118,valid,", "S1,2,,void,bad trigger")  # fmt: skip
    store("import", "drops", path)
    drops = store("drop", "list", "--json").json["drops"]
    assert [(d["status"], d["void_reason"]) for d in drops] == [
        ("valid", None),
        ("void", "bad trigger"),
    ]


def test_a_spreadsheet_with_other_names_is_mapped(store, sheet):
    path = sheet("drops.csv", "Run,No,Peak (G)", "S1,1,118")
    store("import", "drops", path, "--map", "Run=series", "--map", "No=drop_number",
          "--map", "Peak (G)=peak_g")  # fmt: skip
    assert peaks(store) == [118.0]


def test_a_semicolon_sheet_with_decimal_commas(store, sheet):
    path = sheet("drops.csv", "series;drop_number;peak_g", "S1;1;118,5")
    store("import", "drops", path, "--decimal", "comma")
    assert peaks(store) == [118.5]


@pytest.mark.parametrize(
    "lines",
    [
        ("series\tdrop_number\tpeak_g\tnote", "S1\t1\t118,5\tseen, twice"),
        ("Drop report, lab 5", "", "series;drop_number;peak_g", "S1;1;118,5"),
        ('series\tdrop_number\t"peak_g"', 'S1\t1\t"118,5"'),
    ],
)
def test_the_row_that_names_the_columns_says_what_divides_them(store, sheet, lines):
    store("import", "drops", sheet("drops.csv", *lines))
    assert peaks(store) == [118.5]


def test_a_change_of_height_never_passes_unnoticed(store, sheet):
    path = sheet("drops.csv", HEAD, row(1), row(2), row(3, height=1000))
    told = store("import", "drops", path, expect=1)
    assert "row 4, drop_height_mm '1000.0'" in told.err and "1220" in told.err


def test_conditions_can_be_split_into_series_of_their_own(store, sheet):
    path = sheet("drops.csv", HEAD, row(1), row(2), row(3, height=1000))
    store("import", "drops", path, "--split-conditions")
    series = store("series", "list", "--json").json["series"]
    assert [(s["series"], s["drops"]) for s in series] == [("S1, 1000 mm", 1), ("S1, 1220 mm", 2)]


def test_specimens_and_drops_in_either_order(store, good, sheet):
    specimens = sheet("specimens.csv", "code,kind,model,lot,received_on",
                      "C-1,case,sleeve,L7,2026-01-05", "D-1,device,radio,,2026-01-05")  # fmt: skip
    store("import", "drops", good)
    told = store("import", "specimens", specimens, "--json").json
    assert (told["added"], told["rejected"]) == (2, 0)
    shown = store("specimen", "show", "C-1", "--json").json
    assert (shown["lot"], shown["received_on"]) == ("L7", "2026-01-05")
    assert store("import", "specimens", specimens, "--json").json["duplicates"] == 2


INSPECTED = "device,inspected_at,function,outcome,note"


def test_inspections_go_in_and_make_their_device(store, sheet):
    path = sheet("i.csv", INSPECTED, "D-1,2026-02-01,charging,pass,",
                 "D-1,2026-02-01,display,fail,dark spot")  # fmt: skip
    assert store("import", "inspections", path, "--json").json["added"] == 2
    assert store("import", "inspections", path, "--json").json["duplicates"] == 2
    (looked,) = store("inspect", "list", "--json").json["inspections"]
    assert (looked["checked"], looked["failed"]) == (2, 1)


def test_an_inspection_before_the_first_drop_is_welcome(store, good, sheet):
    store("import", "drops", good)
    path = sheet("i.csv", INSPECTED, "D-1,2020-02-01,charging,pass,")
    assert store("import", "inspections", path, "--json").json["added"] == 1


def test_an_inspection_before_the_device_was_received_is_refused(store, sheet):
    store("specimen", "add", "D-1", "--kind", "device", "--received-on", "2026-02-02")
    path = sheet("i.csv", INSPECTED, "D-1,2026-02-01,charging,pass,")
    assert "received on 2026-02-02" in store("import", "inspections", path, expect=1).err


def test_damage_notes_go_in_once(store, good, sheet):
    store("import", "drops", good)
    path = sheet("d.csv", "specimen,series,drop_number,severity,location,note",
                 "C-1,S1,2,2,corner 3,hairline", "D-1,S1,3,1,screen,scratch")  # fmt: skip
    assert store("import", "damage", path, "--json").json["added"] == 2
    assert store("import", "damage", path, "--json").json["duplicates"] == 2


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("X-9,S1,2,2,,", "specimen 'X-9': no such specimen"),
        ("C-1,S9,2,2,,", "series 'S9': no such series"),
        ("C-1,S1,9,2,,", "drop_number '9': no such drop"),
        ("C-1,,2,2,,", "name the series"),
        ("C-1,S1,2,5,,", "severity '5'"),
    ],
)
def test_a_damage_note_on_nothing_is_refused(store, good, sheet, line, said):
    store("import", "drops", good)
    path = sheet("d.csv", "specimen,series,drop_number,severity,location,note", line)
    assert said in store("import", "damage", path, expect=1).err


BAD_FILES = [
    (("series,drop_number,peak_g",), "no record below the header"),
    (("",), "empty"),
    (("series,drop_number", "S1,1"), "no column 'peak_g'"),
    (("series,drop_number,peak", "S1,1,118"), "nearest: 'peak_g'"),
    (("series,drop_number,peak_g,hight", "S1,1,118,1220"), "unknown column 'hight'"),
    (("series,drop_number,peak_g,peak_g", "S1,1,118,118"), "appears twice"),
]


@pytest.mark.parametrize(("lines", "said"), BAD_FILES)
def test_a_file_that_cannot_be_used_is_one_line(store, sheet, lines, said):
    told = store("import", "drops", sheet("bad.csv", *lines), expect=2)
    assert said in told.err and "bad.csv" in told.err
    assert len(told.err.strip().splitlines()) == 1


BAD_ROWS = [
    ("S1,1,0", "peak_g '0': not a number above 0"),
    ("S1,1,-118", "peak_g '-118'"),
    ("S1,1,inf", "peak_g 'inf'"),
    ("S1,1,11457..3211", "peak_g '11457..3211'"),
    ('S1,1,"1,180"', "peak_g '1,180': ambiguous, thousands or a decimal comma"),
    ("S1,1,118,5", "4 fields where the header has 3"),
    ("S1,1,", "peak_g: blank"),
    ("S1,1,n/a", "leave the cell blank"),
    ("S1,first,118", "drop_number 'first'"),
    ("S1,1.5,118", "drop_number '1.5'"),
    ("S1,0,118", "drop_number '0'"),
    (",1,118", "series: blank"),
    ("S1,3,118", "drops 1 to 2 of series S1 are missing"),
]


@pytest.mark.parametrize(("line", "said"), BAD_ROWS)
def test_a_bad_row_names_file_row_column_and_value(store, sheet, line, said):
    path = sheet("bad.csv", "series,drop_number,peak_g", line)
    told = store("import", "drops", path, expect=1)
    assert said in told.err and "bad.csv, row 2" in told.err
    assert store("series", "list", "--json").json["series"] == []


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        ("2999-01-01", "future"),
        ("14.03.2026", "ISO 8601"),
        ("2026", "ISO 8601"),
        ("2026-13-01", "ISO 8601"),
        ("2026-02-30T10:00", "ISO 8601"),
    ],
)
def test_a_bad_time_is_refused(store, sheet, moment, said):
    path = sheet("bad.csv", "series,drop_number,peak_g,dropped_at", f"S1,1,118,{moment}")
    assert said in store("import", "drops", path, expect=1).err


def test_times_keep_their_wall_clock_and_offset(store, sheet):
    path = sheet("t.csv", "series,drop_number,peak_g,dropped_at",
                 "S1,1,118,2026-03-14T09:30+01:00", "S1,2,118,2026-03-14 09:35")  # fmt: skip
    store("import", "drops", path)
    first, second = store("drop", "list", "--json").json["drops"]
    assert (first["dropped_at"], first["dropped_at_utc_offset"]) == (
        "2026-03-14T09:30:00",
        "+01:00",
    )
    assert second["dropped_at_utc_offset"] is None


def test_numbers_that_repeat_with_other_values_are_refused(store, sheet):
    path = sheet("bad.csv", HEAD, row(1, 118), row(1, 119))
    told = store("import", "drops", path, expect=1)
    assert "row 3, drop_number '1': repeats" in told.err


@pytest.mark.parametrize("nothing", ["0001-01-01", "1899-12-30T00:00:00", "9999-12-31"])
def test_what_programs_write_for_no_date_is_refused(store, sheet, nothing):
    lines = "series,drop_number,peak_g,dropped_at", f"S1,1,118,{nothing}"
    told = store("import", "drops", sheet("drops.csv", *lines), expect=1)
    assert f"row 2, dropped_at '{nothing}': not a plausible year; leave it blank" in told.err


def test_gaps_are_taken_when_asked(store, sheet):
    path = sheet("gaps.csv", HEAD, row(1), row(4))
    assert store("import", "drops", path, "--allow-gaps", "--json").json["added"] == 2


def test_a_code_can_not_be_case_and_device(store, sheet):
    path = sheet("bad.csv", HEAD, row(1), row(2, case="D-1"))
    told = store("import", "drops", path, expect=1)
    assert "row 3" in told.err and "D-1 is on record as device" in told.err


def test_an_outcome_outside_the_vocabulary_is_refused(store, sheet):
    path = sheet("i.csv", INSPECTED, "D-1,2026-02-01,charging,ok,")
    assert (
        "one of pass, degraded, fail, not_tested"
        in store("import", "inspections", path, expect=1).err
    )


def test_not_utf8_is_told_with_its_row(store, tmp_path):
    path = tmp_path / "latin.csv"
    path.write_bytes("series,drop_number,peak_g\nSé,1,118\n".encode("latin-1"))
    told = store("import", "drops", path, expect=2)
    assert "row 2" in told.err and "UTF-8" in told.err


def test_several_files_are_one_transaction(store, good, sheet):
    bad = sheet("bad.csv", HEAD, row(4, "wrong"))
    told = store("import", "drops", good, bad, "--json", expect=1).json
    assert (told["read"], told["added"], told["rejected"]) == (4, 0, 1)
    assert store("series", "list", "--json").json["series"] == []


# ----------------------------------------------------------------- a lab's own sheets, as kept
# High-Rate SHM Working Group, Dataset 14 (2026), CC BY-SA 4.0: read in place, never copied.

SHEET_OPTIONS = (
    "--set", "series=R1", "--number-drops", "--skip-where-blank", "Filename",
    "--map", "PEAK (g) Filt=peak_g", "--map", "Pulse Width (ms) Filt=pulse_duration_ms",
    "--map", "Height/Mitigator=surface", "--map", "Comments=note", "--ignore-other-columns",
    "--void-blank-peaks", "not recorded", "--split-conditions",
)  # fmt: skip


def test_a_drop_log_sheet_as_a_lab_kept_it(store, outside_data, tmp_path):
    path = tmp_path / "log.csv"
    shutil.copy(outside_data / "import_samples" / "drop_log_sheet_as_kept_1.csv", path)
    told = store("import", "drops", path, *SHEET_OPTIONS, "--json").json
    assert (told["read"], told["added"]) == (8, 8)
    drops = store("drop", "list", "--json").json["drops"]
    assert sum(d["status"] == "void" for d in drops) == 1
    assert sorted(d["drop_number"] for d in drops) == list(range(1, 9))


def test_a_number_typed_with_two_points_is_named(store, outside_data, tmp_path):
    path = tmp_path / "log.csv"
    shutil.copy(outside_data / "import_samples" / "drop_log_sheet_as_kept_2.csv", path)
    told = store("import", "drops", path, *SHEET_OPTIONS, expect=1)
    assert "row 14, peak_g '11457..3211'" in told.err


def test_a_sheet_without_options_says_what_stands_in_the_way(store, outside_data):
    path = outside_data / "import_samples" / "drop_log_sheet_as_kept_1.csv"
    told = store("import", "drops", path, expect=2)
    assert "unknown column" in told.err and len(told.err.strip().splitlines()) == 1


# --------------------------------------------------------------- numbers and files beyond reason


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (("drop", "add", "S", "1e308"), "--peak-g '1e308': implausibly large"),
        (("drop", "add", "S", "1e-320"), "--peak-g '1e-320': implausibly small"),
        (("series", "open", "T", "--device", "D", "--settling-drops", "9" * 20), "a whole number"),
        (("forecast", "--horizon", "99999999999"), "not a drop number from 1 to 100,000"),
        (("query", "peak_g_by_drop", "--set=--"), "--set"),
        (("trend", "--series", "\udcff"), "not UTF-8"),
        (("import", "drops", "pipe.csv"), "a pipe or a device"),
        (("import", "drops", "/dev/zero"), "a pipe or a device"),
        (("import", "drops", "folder.csv"), "Is a directory"),
        (("import", "waveforms", "--series", "S", "pipe.csv"), "a pipe or a device"),
        (("import", "waveforms", "--series", "S", "long.npy"), "no readable NumPy file"),
        *(
            (("import", kind, "huge.csv"), "600 MB, more than the 500 MB read at once")
            for kind in ("drops", "damage", "inspections", "specimens")
        ),
        (("import", "drops", "wide.csv"), "2,001 fields, more than the 1,000 taken"),
        (("record", "S", "--plan", "/dev/zero"), "--plan /dev/zero: a pipe or a device"),
        (("record", "S", "--plan", "huge.csv"), "--plan huge.csv: 600 MB"),
        (("damage", "add", "D", "--severity", "1", "--photo", "/dev/zero"), "a pipe or a device"),
        (
            ("inspect", "schedule", "P", "--stage", "d=1", "--check-list", "/dev/zero"),
            "--check-list /dev/zero: a pipe or a device",
        ),
    ],
)
def test_what_is_beyond_reason_is_one_line(store, tmp_path, call, said):
    store("series", "open", "S", "--device", "D", "--device-kind", "dummy")
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "wide.csv").write_text("," * 2000 + "\n")
    with (tmp_path / "huge.csv").open("wb") as huge:
        huge.truncate(600_000_000)  # takes no room
    shape = b"{'descr': '<f8', 'fortran_order': False, 'shape': (18446744073709551616,)}\n"
    head = b"\x93NUMPY\x01\x00" + len(shape).to_bytes(2, "little")
    (tmp_path / "long.npy").write_bytes(head + shape)
    told = store(*call, expect=2)
    assert said in told.err and told.err.count("\n") == 1


def test_dashes_as_a_value_are_one_line(store):
    """Before Python 3.13 its option reader takes them for no value, from then on for one."""
    store("series", "open", "S", "--device", "D", "--device-kind", "dummy")
    status, said = (
        (1, "series '--': not in the store")
        if sys.version_info >= (3, 13)
        else (2, "argument --series: expected one argument")
    )
    told = store("trend", "--series=--", expect=status)
    assert said in told.err and told.err.count("\n") == 1


def test_numbers_that_no_column_holds_are_named_row_by_row(store, tmp_path):
    (tmp_path / "n.csv").write_text(
        "series,drop_number,peak_g\nS,2147483648,100\nS,1e19,100\nS,1,1e308\nS,1,1e-320\nS,1,118\n"
    )
    told = store("import", "drops", "n.csv", "--keep-good", "--json", expect=1)
    assert (told.json["added"], told.json["rejected"]) == (1, 4)
    reasons = [row.split(",")[-2] for row in (tmp_path / "n.rejects.csv").read_text().splitlines()]
    assert "implausibly large" in (tmp_path / "n.rejects.csv").read_text(), reasons


# What cells of a lab's table may hold, right or wrong; the first of each is the usual one.
CELLS = {
    "series": ["S1", "S2", " S1 ", "", "S é", "S\u00a01", "S\u200b1", "日本", "S\t1"],
    "drop_number": ["", "1.0", "0", "-1", "1e1", "2147483648", "007", "9" * 10, "first"],
    "peak_g": [
        "118",
        "119.50",
        "0",
        "-3",
        "abc",
        "118 g",
        "1157m/s2",
        "1e3",
        "n/a",
        "",
        "0.0",
        "0.0000001",
        "1234567890",
        "٣",
        "1_0",
        "+5",
        "inf",
        "118,5",
        "0x10",
        "1.",
        ".5",
        "1000001",
    ],
    "pulse_duration_ms": ["", "0.50", "1.5", "500us", "0", "-", "1e-12"],
    "dropped_at": [
        "",
        "2026-03-14",
        "2026-03-14T09:30",
        "2026-03-14 09:30:15",
        "2026-03-14T24:00",
        "2026-02-30",
        "2026-03-14T09:30+01:00",
        "2026-03-14T09:30Z",
        "2031-01-01",
        "2026-03",
        "14.03.2026",
        "2026-03-14T09:30+15:00",
        "2026-03-14T09:30+99:00",
        "2026-03-14T0930",
        "1890-01-01",
        "2026-03-14T09:30:15.25",
        "2026-03-14T09:61",
        "2026-03-14T09:30 +01:00",
    ],
    "case": ["C-1", "", "C-2"],
    "case_model": ["sleeve", "", "shell"],
    "device": ["D-1", ""],
    "device_kind": ["", "device", "dummy", "phone"],
    "drop_height_mm": ["1220", "", "1220.0", "48in", "1,220", "0"],
    "orientation": ["face-down", "", "edge 1-6", "face 7", "corner 1-2-3"],
    "temperature_c": ["23.5", "", "-40", "-300", "-273.15", "100", "70F", "-0"],
    "sensor": ["", "A-1"],
    "purpose": ["", "test", "reference", "fun"],
    "status": ["", "valid", "void", "never", "Void"],
    "void_reason": ["", "no trigger"],
    "damage_severity": ["", "0", "1", "4", "5", "1.0", "n/a"],
    "damage_mode": ["", "crack", "other", "dent?"],
    "damage_note": ["", "split", "bell\x07", "é" * 3],
    "note": ["", "ok", "swollen", "a;b", "soft\u00adhyphen", "|"],
}


def mixed_lines(seed, delimiter, end):
    """A table whose cells are mostly the usual ones; some rows are cut off, long or blank."""
    rng = random.Random(seed)
    lines = [delimiter.join(CELLS)]
    for made in range(1, 251):
        cells = []
        for column, choices in CELLS.items():
            usual = str(made) if column == "drop_number" else choices[0]
            cells.append(rng.choice(choices) if rng.random() < 0.03 else usual)
        shape = rng.random()
        if shape < 0.02:
            cells = cells[: rng.randrange(len(cells))]
        elif shape < 0.04:
            cells += rng.choice([["", ""], ["more"], ["  "]])
        lines += [delimiter.join(cells)] + rng.choices(
            [[], ["", delimiter * 4], [" \t "], ["\u00a0"]], [40, 1, 1, 1]
        )[0]
    return end.join(lines) + end * rng.randrange(3)


@pytest.mark.parametrize(
    ("seed", "delimiter", "end", "options"),
    [
        (1, ",", "\n", []),
        (2, ";", "\r\n", ["--allow-gaps"]),
        (3, ";", "\n", ["--decimal", "comma", "--map", "note=", "--void-blank-peaks", "fell"]),
    ],
)
def test_lines_judged_in_sets_come_out_as_by_the_rules_for_each(
    run, tmp_path, monkeypatch, seed, delimiter, end, options
):
    """The slow twin judges every row by the rules in words, none by sets."""
    monkeypatch.setattr(bench, "_BLOCK_CHARACTERS", 2000)
    sets, found = archive._cut, []
    plain = []

    def told(connection, tables):
        by_line = sets(connection, tables)
        plain.extend(bench.run(connection, "count_plain_drops", file_name=f) for f in by_line)
        return by_line

    for name, cut in (("sets", told), ("rules", lambda *_: {})):
        monkeypatch.setattr(archive, "_cut", cut)
        folder = tmp_path / name
        folder.mkdir()
        monkeypatch.chdir(folder)
        Path("drops.csv").write_bytes(mixed_lines(seed, delimiter, end).encode())
        store = ("--store", "store.duckdb")
        run("init", *store)
        done = run("import", "drops", "drops.csv", "--keep-good", *options, *store, expect=None)
        rejects = Path("drops.rejects.csv").read_bytes()
        again = run("import", "drops", "drops.csv", "--keep-good", *options, *store, expect=None)
        with database.reading(Path("store.duckdb")) as connection:
            rows = connection.sql(
                "SELECT code, d.* EXCLUDE (drop_id, series_id, entry_id) FROM drops AS d"
                " JOIN series USING (series_id) ORDER BY code, drop_number"
            ).fetchall()
            notes = connection.sql(
                "SELECT code, n.* EXCLUDE (damage_note_id, specimen_id, series_id, entry_id)"
                " FROM damage_note AS n JOIN specimen USING (specimen_id) ORDER BY ALL"
            ).fetchall()
        found.append((done.status, done.out, done.err, again.out, rejects, rows, notes))
    assert found[0] == found[1]
    assert plain[0] > 150 and found[0][4].count(b"\n") > 30
