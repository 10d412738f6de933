"""Two labs, one record: joined in any order it is the same, and nothing recorded is lost.

ISO/IEC 17025:2017 7.5.2 (original and amended data are both kept) and 7.11.3 (no loss).
"""

import errno
import gzip
import io
import random
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from durability.store import database, sql_files

STORES = Path(__file__).parent.parent / "fixtures" / "stores"


@pytest.fixture
def lab(run, sheet):
    """Run a command at a lab, whose store has its name."""

    def at(site, *words, expect=0):
        return run(*words, "--store", f"{site}.duckdb", expect=expect)

    return at


@pytest.fixture
def labs(lab, sheet, once):
    """Two labs that gave some of the same codes to things of their own."""

    def make():
        for site, peak in (("A", 100), ("B", 200)):
            lab(site, "init", "--site", site)
            rows = [f"S1,{n},{peak + 3 * n},C1,bumper,R7,ACC" for n in (1, 2, 3)]
            rows += [f"S{site},{n},{peak + 5 * n},C{site},bumper,R{site},ACC" for n in (1, 2)]
            head = "series,drop_number,peak_g,case,case_model,device,sensor"
            lab(site, "import", "drops", sheet(f"{site}.csv", head, *rows))
            lab(site, "drop", "void", "S1", "2", "--reason", f"cable at {site}")
            at = ("--inspected-at", "2026-03-02")  # which is all that either lab noted
            lab(site, "inspect", "record", "R7", "--check", "power-on=pass", *at)
            lab(site, "recorder", "add", "scope", "--mv-per-g", "0.5" if site == "A" else "0.6")
            lab(site, "seal")

    once(make)
    return lab


def content(site):
    """Every row of a store but those of merges, keys and sites included."""
    path = f"{site}.duckdb"
    with duckdb.connect(path, read_only=True) as connection:
        own = connection.execute(sql_files.statement("own_site")).fetchone()[0]
        merges = "SELECT entry_id FROM entry WHERE command = 'merge'"
        found = {}
        for table in sql_files.tables(connection):
            rows = connection.table(table)
            if "entry_id" in rows.columns:
                rows = rows.filter(f"entry_id NOT IN ({merges})")
            if table == "entry":
                rows = rows.project(f"* REPLACE (coalesce(site_id, '{own}') AS site_id)")
            found[table] = sorted(map(str, rows.fetchall()))
        return found


def codes(lab, site):
    return [row["series"] for row in lab(site, "series", "list", "--json").json["series"]]


def test_joined_both_ways_the_records_are_equal_and_joined_twice_nothing_changes(labs):
    alone = {site: content(site) for site in "AB"}
    told = labs("A", "merge", "B.duckdb", "--json").json
    assert told["added"]["drops"] == 5 and told["present"] == {} and told["conflicts"] == []
    assert labs("B", "merge", "A.duckdb", "--json").json["present"]["drops"] == 5
    assert content("A") == content("B")
    before = Path("A.duckdb").read_bytes()
    for _ in range(2):
        told = labs("A", "merge", "B.duckdb", "--json").json
        assert told["added"] == {} and told["present"]["drops"] == 10
    assert Path("A.duckdb").read_bytes() == before
    assert labs("A", "trend", "--json").out == labs("B", "trend", "--json").out
    for site in "AB":
        assert codes(labs, site) == ["A:S1", "B:S1", "SA", "SB"]
        found = labs(site, "verify", "--json").json
        assert found["is_sound"] and len(found["seals"]) == 2
        lost = [row for row in alone[site]["drops"] if row not in content(site)["drops"]]
        assert lost == []


def test_the_order_in_which_three_labs_are_joined_is_all_one(labs, sheet):
    labs("C", "init", "--site", "C")
    labs("C", "import", "drops", sheet("c.csv", "series,drop_number,peak_g,case", "S1,1,50,C1"))
    for first, second in (("B", "C"), ("C", "B")):
        shutil.copyfile("A.duckdb", f"A{first}{second}.duckdb")
        for other in (first, second):
            labs(f"A{first}{second}", "merge", f"{other}.duckdb")
    assert content("ABC") == content("ACB")
    assert codes(labs, "ABC")[:3] == ["A:S1", "B:S1", "C:S1"]


def test_codes_are_understood_with_their_site_and_refused_where_two_can_be_meant(labs, sheet):
    labs("A", "merge", "B.duckdb")
    assert labs("A", "drop", "add", "B:SB", "230", "--json").json["drop_number"] == 3
    assert labs("A", "trend", "--series", "A:SA", "--json").json["series"][0]["series"] == "SA"
    asked = ("query", "peak_g_by_drop", "--set", "series=B:SB", "--json")
    assert labs("A", *asked).json == labs("A", *asked[:3], "series=SB", "--json").json
    labs("A", "series", "amend", "A:SA", "--set", "sensor=B:ACC", "--reason", "lent")
    assert labs("A", "series", "show", "SA", "--json").json["sensor"] == "B:ACC"
    assert "nearest" in labs("A", "drop", "add", "S1", "110", expect=1).err
    told = labs("A", "specimen", "add", "C1", "--kind", "case", expect=1)
    assert "can mean A:C1 or B:C1" in told.err
    for words in (
        ("specimen", "add", "X:1", "--kind", "case"),
        ("series", "open", "X:1", "--device", "RA"),
        ("series", "open", "S5", "--device", "X:1"),
        ("recorder", "add", "X:1", "--mv-per-g", "1"),
        ("init", "--site", "X:1"),
    ):
        assert "colon" in labs("A", *words, expect=2).err, words
    head = "series,drop_number,peak_g,case"
    rows = sheet("d.csv", head, "S9,1,100,C1", "S9,2,100,X:1", "B:SB,4,240,B:CB")
    told = labs("A", "import", "drops", rows, "--keep-good", "--json", expect=1)
    assert (told.json["added"], told.json["rejected"]) == (1, 2)
    assert "can mean A:C1 or B:C1" in told.err and "a colon divides" in told.err
    # A lab that is named otherwise shows so, and its seals hold.
    labs("A", "init", "--site", "Leeds")
    assert codes(labs, "A") == ["B:S1", "Leeds:S1", "SA", "SB"]
    assert "has that name" in labs("A", "init", "--site", "B", expect=1).err
    assert labs("A", "verify", "--json").json["is_sound"]


def test_codes_with_colons_of_older_stores_stay_readable(run):
    run("init")
    with database.writing(Path("store.duckdb")) as connection:
        connection.execute("""
            INSERT INTO entry (entered_at_utc, entered_by, command, program_version)
            VALUES (TIMESTAMP '2026-01-01', 'Ada', 'specimen add', '0.1.0');
            INSERT INTO specimen (code, kind, entry_id) SELECT 'lot:7', 'case', entry_id FROM entry
        """)
    assert run("specimen", "show", "lot:7", "--json").json["specimen"] == "lot:7"
    assert "already in the store" in run("specimen", "add", "lot:7", "--kind", "case", expect=1).err


def test_what_both_corrected_is_kept_twice_and_listed_until_it_is_settled(labs):
    labs("B", "merge", "A.duckdb")
    labs("B", "drop", "amend", "SA", "1", "--set", "peak_g=101", "--reason", "misread")
    labs("A", "drop", "amend", "SA", "1", "--set", "peak_g=102", "--reason", "smudged")
    told = labs("A", "merge", "B.duckdb", "--json").json
    assert [each["record"] for each in told["amended_at_both"]] == ["drop 1 of SA"]
    assert told["amended_at_both"][0]["value_in_force"] == "102.0"
    found = labs("A", "query", "conflicts", "--json").json
    assert found["rows"][0][:5] == ["drop 1 of SA", "peak_g", "105.0", "102.0", "A"]
    labs("B", "merge", "A.duckdb")
    assert labs("B", "query", "conflicts", "--json").json["rows"] == found["rows"]
    drops = labs("B", "drop", "list", "--json").json["drops"]
    assert [d["peak_g"] for d in drops if d["series"] == "SA"] == [102.0, 110.0]
    # A correction of the one in force is not at odds with it.
    labs("B", "drop", "amend", "SA", "1", "--set", "peak_g=101", "--reason", "asked A")
    labs("A", "merge", "B.duckdb")
    assert labs("A", "query", "conflicts", "--json").json["rows"] == []


def test_what_both_did_to_one_thing_is_kept_twice_and_the_first_by_instant_holds(labs):
    """In whatever order the records are joined, and also where the first one comes last."""
    labs("A", "sensor", "add", "M1", "--sensitivity-mv-per-g", "1", "--full-scale-g", "500")
    dates = ("--calibrated-on", "2026-01-01", "--calibration-due", "2027-01-01")
    labs("A", "sensor", "calibrate", "M1", *dates, "--as-left-mv-per-g", "1.1")
    labs("A", "specimen", "dispose", "CA", "--how", "recycled", "--by", "Ann")
    for day, outcome in ((1, "fail"), (2, "pass")):
        at = ("--inspected-at", f"2026-11-0{day}T09:00")
        labs("A", "inspect", "record", "RA", "--check", f"battery swelling={outcome}", *at)
    labs("C", "init", "--site", "C")
    for site in "BC":
        labs(site, "merge", "A.duckdb")
    for site in "BAC":
        labs(site, "specimen", "clear", "RA", "--by", "Ann", "--reason", f"cold at {site}")
        labs(site, "sensor", "void", "M1", "2026-01-01", "--reason", f"typed twice at {site}")
        labs(site, "specimen", "return", "CA", "--reason", f"found at {site}")
        labs(site, "seal")
    for site, other in (("A", "C"), ("B", "A"), ("A", "B"), ("C", "B")):
        told = labs(site, "merge", f"{other}.duckdb", "--json").json
        assert told["conflicts"] == [], (site, other)
        if other == "C":
            apart = [each for each in told["amended_at_both"] if each["column"] == "cleared"]
            assert apart == [
                {
                    "table": "quarantine_clearance",
                    "record": "quarantine of RA",
                    "column": "cleared",
                    "value_in_force": "Ann: cold at A",
                    "site": "A",
                    "other_value": "Ann: cold at C",
                    "other_site": "C",
                }
            ]
    held = (
        "SELECT cleared_because FROM all_quarantines UNION ALL SELECT v.reason"
        " FROM calibration_void AS v JOIN calibration USING (calibration_id)"
    )
    for site in "ABC":
        listed = labs(site, "query", "conflicts", "--json").json["rows"]
        assert {(row[0], row[1], row[3], row[7], row[8]) for row in listed} == {
            ("quarantine of RA", "cleared", "Ann: cold at B", "cold at B", f"Ann: cold at {other}")
            for other in "AC"
        } | {
            ("calibration of M1 on 2026-01-01", "void", "typed twice at B", "typed twice at B",
             f"typed twice at {other}")
            for other in "AC"
        } | {
            ("disposal of CA", "returned", "found at B", "found at B", f"found at {other}")
            for other in "AC"
        }  # fmt: skip
        rows = labs(site, "query", "--sql", held, "--json").json["rows"]
        assert sorted(rows) == [["cold at B"], ["typed twice at B"]], site
        found = labs(site, "verify", "--json").json
        assert found["is_sound"] and all(seal["is_whole"] for seal in found["seals"])
    assert content("A") == content("B") == content("C")
    labs("A", "export", "whole")
    labs("N", "import", "record", "whole")
    assert labs("N", "verify", "--json").json["is_sound"]
    assert all(content("N")[table] == content("A")[table] for table in sql_files.PLACED)


def test_an_inspection_that_both_continued_is_refused_in_one_line(labs, monkeypatch):
    def answer(site, *lines):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        labs(site, "inspect", "record", "N1")

    labs("A", "specimen", "add", "N1", "--kind", "device")
    answer("A", "p", "p", "q")
    labs("B", "merge", "A.duckdb")
    for site, outcome in (("A", "f"), ("B", "p")):
        answer(site, outcome, "q")
    before = content("A")
    told = labs("A", "merge", "B.duckdb", expect=1)
    words = " ".join((told.out + told.err).split())
    assert "answered at both, where each continued one interrupted inspection" in words
    assert "of N1, inspected 20" in words and "Duplicate" not in words
    assert content("A") == before


def test_a_series_that_both_continued_is_refused_and_can_be_split(labs):
    labs("B", "merge", "A.duckdb")
    labs("A", "drop", "add", "SA", "120")
    labs("A", "drop", "add", "SA", "121")
    labs("B", "drop", "add", "SA", "130", "--damage-severity", "2")
    labs("B", "seal")
    before = Path("A.duckdb").read_bytes()
    told = labs("A", "merge", "B.duckdb", "--json", expect=1).json
    assert [each["record"] for each in told["conflicts"]] == ["series SA"]
    assert told["added"]["drops"] == 6 and Path("A.duckdb").read_bytes() == before
    assert (
        "not a series that was continued"
        in labs("A", "merge", "B.duckdb", "--split", "SB", expect=1).err
    )
    assert labs("A", "merge", "B.duckdb", "--split", "SA", "--json").json["split"] == {"SA": "SA-B"}
    labs("B", "drop", "add", "SA", "131")  # B does not know of the split yet
    labs("A", "merge", "B.duckdb")
    labs("B", "merge", "A.duckdb")
    ages = "SELECT series, drop_number, case_drop_number FROM case_drops WHERE \"case\" = 'CA'"
    for site in "AB":
        found = labs(site, "query", "--sql", f"{ages} ORDER BY 3", "--json").json["rows"]
        assert found == [
            *(["SA", n, n] for n in (1, 2, 3, 4)),
            ["SA-B", 1, 5],
            ["SA-B", 2, 6],
        ]
        drops = labs(site, "drop", "list", "--json").json["drops"]
        noted = [(d["series"], d["drop_number"]) for d in drops if d["damage_severity"] == 2]
        assert noted == [("SA-B", 1)]
        assert labs(site, "verify", "--json").json["is_sound"]
    assert content("A") == content("B")


def test_other_rows_under_one_key_are_refused_and_listed(labs):
    labs("B", "merge", "A.duckdb")
    with duckdb.connect("B.duckdb") as connection:
        connection.execute("UPDATE inspection SET inspector = 'Bo'; DELETE FROM sealed_entry")
    told = labs("A", "merge", "B.duckdb", "--json", expect=1).json
    assert [each["table"] for each in told["conflicts"]] == ["entry"]
    assert "inspect record" in told["conflicts"][0]["record"]
    assert codes(labs, "A") == ["S1", "SA"]


CHECKED = """
    SELECT inspected_at::VARCHAR AS inspected_at, "function", outcome, inspector FROM all_checks
    WHERE device = 'RA' ORDER BY ALL
"""
LATEST = "SELECT outcome FROM latest_checks WHERE device = 'RA' AND \"function\" = 'power-on'"


def test_inspections_of_one_device_at_one_time_are_both_kept(labs, sheet):
    """Two labs that noted only the day, or two people at once; the later entry is the latest."""
    labs("B", "merge", "A.duckdb")
    for site, outcome in (("A", "pass"), ("B", "fail")):
        for at in ("2026-11-02", "2026-11-03T09:00"):
            who = ("--inspected-at", at, "--inspector", f"Ann of {site}")
            labs(site, "inspect", "record", "RA", "--check", f"power-on={outcome}", *who)
        labs(site, "seal")
    labs("A", "merge", "B.duckdb")
    labs("B", "merge", "A.duckdb")
    assert content("A") == content("B")
    labs("A", "export", "whole")
    labs("N", "import", "record", "whole")
    for site in "ABN":
        rows = labs(site, "query", "--sql", CHECKED, "--json").json["rows"]
        assert [row[2] for row in rows] == ["fail", "pass"] * 2, site
        assert labs(site, "query", "--sql", LATEST, "--json").json["rows"] == [["fail"]]
        found = labs(site, "verify", "--json").json
        assert found["is_sound"] and all(seal["is_whole"] for seal in found["seals"])
        assert labs(site, "due", "--on", "2026-12-01", "--json").out
    # Which one is meant is said by its inspector.
    amend = ("inspect", "amend", "RA", "power-on", "--inspected-at", "2026-11-03T09:00")
    wrong = ("--set", "outcome=degraded", "--reason", "wrong key")
    refused = labs("A", *amend, *wrong, expect=1).err
    assert "at that time by Ann of A and Ann of B; give --inspector too" in refused
    labs("A", *amend, *wrong, "--inspector", "Ann of B")
    assert labs("A", "query", "--sql", LATEST, "--json").json["rows"] == [["degraded"]]
    Path("R.jpg").write_bytes(b"\xff\xd8\xff\xe0" + b"0" * 20)
    photo = ("inspect", "photo", "RA", "R.jpg", "--inspected-at", "2026-11-02")
    assert "give --inspector too" in labs("A", *photo, expect=1).err
    labs("A", *photo, "--inspector", "Ann of A")


def test_a_lab_has_one_inspection_of_a_device_at_a_time(labs, sheet):
    """Further rows of its own go on with its own, whatever another lab has at that time."""
    head = "device,inspected_at,function,outcome,inspector"
    labs("A", "merge", "B.duckdb")
    labs("A", "specimen", "same", "A:R7", "B:R7", "--reason", "one number")
    one = sheet(
        "one.csv", head, "A:R7,2026-03-02,power-on,pass,tester", "A:R7,2026-03-02,display,fail,"
    )
    told = labs("A", "import", "inspections", one, "--json").json
    assert (told["added"], told["duplicates"]) == (1, 1)
    assert labs("A", "import", "inspections", one, "--json").json["added"] == 0
    other = sheet("other.csv", head, "A:R7,2026-03-02,display,pass,")
    assert "contradicts" in labs("A", "import", "inspections", other, expect=1).err
    again = ("inspect", "record", "A:R7", "--check", "touch=pass", "--inspected-at", "2026-03-02")
    assert "is stored already" in labs("A", *again, expect=1).err
    listed = "SELECT count(*), count(DISTINCT inspection_id) FROM all_checks WHERE device = 'A:R7'"
    assert labs("A", "query", "--sql", listed, "--json").json["rows"] == [[3, 2]]
    # One that only the other lab has stays its own.
    three = sheet("three.csv", head, "RB,2026-03-02,power-on,pass,")
    labs("B", "import", "inspections", three)
    labs("A", "merge", "B.duckdb")
    assert labs("A", "import", "inspections", three, "--json").json["added"] == 1
    labs("B", "merge", "A.duckdb")
    assert content("A") == content("B")


def test_two_codes_of_one_lab_can_be_one_thing_inspected_twice_at_one_time(lab, sheet):
    lab("A", "init")
    rows = (
        "R7,2026-03-02,power-on,pass",
        "R9,2026-03-02,power-on,fail",
        "R9,2026-03-02,touch,pass",
    )
    lab("A", "specimen", "add", "R7", "--kind", "device")
    own = sheet("own.csv", "device,inspected_at,function,outcome", *rows)
    lab("A", "import", "inspections", own)
    before = content("A")["inspection"]
    lab("A", "specimen", "same", "R7", "R9", "--reason", "one number")
    count = "SELECT device, count(DISTINCT inspection_id) FROM all_checks GROUP BY 1"
    assert lab("A", "query", "--sql", count, "--json").json["rows"] == [["R7", 2]]
    # The same file, and one that goes on with it.
    assert lab("A", "import", "inspections", own, "--json").json["added"] == 0
    more = sheet(
        "more.csv", "device,inspected_at,function,outcome", *rows, "R9,2026-03-02,display,pass"
    )
    assert lab("A", "import", "inspections", more, "--json").json["added"] == 1
    # Corrected is the one that was recorded under the code that is typed.
    for code, note in (("R9", "cracked"), ("R7", "sound")):
        lab("A", "inspect", "amend", code, "power-on", "--inspected-at", "2026-03-02",
            "--set", f"note={note}", "--reason", "lab book")  # fmt: skip
    notes = "SELECT outcome, note FROM all_checks WHERE function = 'power-on' ORDER BY 1"
    kept = lab("A", "query", "--sql", notes, "--json").json["rows"]
    assert kept == [["fail", "cracked"], ["pass", "sound"]]
    lab("A", "specimen", "same", "R7", "R9", "--undo", "--reason", "misread")
    assert content("A")["inspection"] == before
    assert lab("A", "verify", "--json").json["is_sound"]


def test_a_store_that_is_not_as_sealed_is_refused(labs):
    with duckdb.connect("B.duckdb") as connection:
        connection.execute("UPDATE drops SET peak_g = peak_g - 10")
    told = labs("A", "merge", "B.duckdb", expect=1)
    assert told.err.count("\n") == 1 and "not as sealed" in told.err


def test_drops_made_after_a_failure_noted_elsewhere_go_in_with_one_line(labs):
    labs("B", "merge", "A.duckdb")
    labs("A", "damage", "add", "CA", "--severity", "4", "--series", "SA", "--drop", "2")
    labs("B", "drop", "add", "SA", "140")
    told = labs("A", "merge", "B.duckdb", "--json")
    assert told.json["dropped_after_failure"] == {"CA": 1}
    assert told.err.count("\n") == 1 and "CA had failed before 1 drop" in told.err


def test_an_archive_folder_and_a_store_of_an_earlier_step_are_joined_too(labs, run):
    labs("B", "export", "b")
    told = labs("A", "merge", "b", "--json").json
    assert told["added"]["drops"] == 5 and told["added"]["seal"] == 1
    old = gzip.decompress((STORES / "step-18.duckdb.gz").read_bytes())
    Path("old.duckdb").write_bytes(old)
    told = labs("A", "merge", "old.duckdb", "--json")
    assert told.json["added"]["drops"] == 9 and told.json["added"]["seal"] == 2
    assert told.err == "" and Path("old.duckdb").read_bytes() == old
    # A lab without a name has one from its key.
    assert sorted(len(code) for code in codes(labs, "A") if ":S1" in code) == [4, 4, 7]
    assert labs("A", "verify", "--json").json["is_sound"]


def test_changes_since_a_day_are_joined_where_the_rest_is_and_where_it_is_not(labs):
    labs("A", "merge", "B.duckdb")
    labs("B", "drop", "add", "SB", "220")
    labs("B", "export", "whole")
    with duckdb.connect("B.duckdb") as connection:
        connection.execute("UPDATE entry SET entered_at_utc = entered_at_utc - INTERVAL 9 DAY")
        connection.execute("DELETE FROM seal; DELETE FROM sealed_entry")
        connection.execute("DELETE FROM entry WHERE command = 'seal'")
    shutil.copyfile("B.duckdb", "C.duckdb")
    labs("C", "drop", "void", "SB", "3", "--reason", "loose")
    labs("C", "drop", "add", "S1", "230")
    day = (datetime.now(UTC) - timedelta(days=2)).date()
    told = labs("C", "export", "new", "--since", day, "--json").json
    assert told["drops"] == 2 + 5  # with the import that made the series
    assert not Path("new/today").exists()
    assert "durability merge" in labs("D", "import", "record", "new", expect=2).err
    assert labs("B", "merge", "new", "--json").json["added"] == {
        "amendment": 2,
        "drops": 1,
        "entry": 2,
    }
    labs("N", "init", "--site", "N")
    assert labs("N", "merge", "new", "--json").json["conflicts"] == []
    assert labs("N", "verify", "--json").json["is_sound"]


def test_one_thing_under_two_codes_has_one_age_and_one_dose(labs):
    labs("A", "merge", "B.duckdb")
    for what in ("C1", "R7"):
        told = labs("A", "specimen", "same", f"B:{what}", f"A:{what}", "--reason", "one", "--json")
        assert told.json == {"specimen": f"A:{what}", "other": f"B:{what}"}
    ages = "SELECT series, drop_number, case_drop_number FROM case_drops WHERE \"case\" = 'A:C1'"
    rows = labs("A", "query", "--sql", f"{ages} ORDER BY 3", "--json").json["rows"]
    assert [age for _, _, age in rows] == [1, 2, 3, 4, 5, 6]
    shocks = "SELECT count(*), max(device_drop_number) FROM device_shocks WHERE device = 'A:R7'"
    assert labs("A", "query", "--sql", shocks, "--json").json["rows"] == [[6, 6]]
    shown = labs("A", "specimen", "show", "B:R7", "--json").json
    assert shown["specimen"] == "A:R7"
    listed = [
        each["specimen"] for each in labs("A", "specimen", "list", "--json").json["specimens"]
    ]
    assert "A:C1" in listed and "B:C1" not in listed
    assert "already" in labs("A", "specimen", "same", "A:C1", "B:C1", "--reason", "x", expect=1).err
    assert "kind" in labs("A", "specimen", "same", "A:C1", "RA", "--reason", "x", expect=1).err
    assert labs("A", "verify", "--json").json["is_sound"]
    # What the other lab does under its own code is of the same thing.
    labs("B", "drop", "add", "S1", "240")
    labs("A", "merge", "B.duckdb")
    labs("B", "merge", "A.duckdb")
    assert labs("A", "query", "--sql", shocks, "--json").json["rows"] == [[7, 7]]
    assert content("A") == content("B")


def test_that_two_codes_are_one_thing_can_be_taken_back(labs, monkeypatch):
    """Each has what was recorded of it before, at whichever lab, and no value of the other's."""
    alone = {site: content(site) for site in "AB"}
    labs("A", "specimen", "amend", "R7", "--set", "lot=", "--reason", "unknown")
    labs("B", "specimen", "amend", "R7", "--set", "lot=5", "--reason", "label")
    labs("A", "merge", "B.duckdb")
    labs("A", "seal")
    before = labs("A", "latent", "--json").out
    ages = "SELECT device, count(*) FROM device_shocks GROUP BY ALL ORDER BY 1"
    pair = ("specimen", "same", "A:R7", "B:R7")
    refused = labs("A", *pair, "--undo", "--reason", "x", expect=1).err
    assert "A:R7 and B:R7: not recorded as one thing" in refused
    labs("A", *pair, "--reason", "one number")
    between = datetime.now(UTC).isoformat()
    labs("B", "merge", "A.duckdb")
    labs("B", "drop", "add", "B:S1", "250")  # recorded of the one that both are by now
    told = labs("B", *pair, "--undo", "--reason", "misread", "--json").json
    assert told == {"specimen": "A:R7", "other": "B:R7"}
    labs("A", "merge", "B.duckdb")
    for site in "AB":
        rows = labs(site, "query", "--sql", ages, "--json").json["rows"]
        assert rows == [["A:R7", 3], ["B:R7", 4], ["RA", 2], ["RB", 2]]
        shown = [labs(site, "specimen", "show", f"{of}:R7", "--json").json for of in "AB"]
        assert [each["lot"] for each in shown] == [None, "5"]
        found = labs(site, "verify", "--json").json
        assert found["is_sound"] and all(seal["is_whole"] for seal in found["seals"])
        lost = [row for row in alone[site]["drops"] if row not in content(site)["drops"]]
        assert lost == [] and len(content(site)["same_specimen"]) == 2
        # As of the time between they were one, and answers of it rest on that.
        then = labs(site, "query", "--sql", ages, "--as-of", between, "--json").json["rows"]
        assert then == [["A:R7", 6], ["RA", 2], ["RB", 2]]
    assert content("A") == content("B")
    assert labs("A", "latent", "--json").out.count("A:R7") == before.count("A:R7")
    labs("A", *pair, "--reason", "the number of the board")  # the latest holds
    assert labs("A", "query", "--sql", ages, "--json").json["rows"][0] == ["A:R7", 7]


def test_a_second_code_leads_to_the_thing_and_says_so(lab, sheet, monkeypatch):
    lab("A", "init")
    for n, case, device in ((1, "C1", "R7"), (2, "C2", "R9")):
        rows = (f"S{n},{drop},{100 + 3 * drop},{case},bumper,{device}" for drop in (1, 2, 3))
        own = sheet(f"{n}.csv", "series,drop_number,peak_g,case,case_model,device", *rows)
        lab("A", "import", "drops", own)
    lab("A", "specimen", "same", "R7", "R9", "--reason", "one number")
    lab("A", "specimen", "same", "C1", "C2", "--reason", "one number")
    device = "durability: R9 is R7: one thing, all recorded under R7\n"
    case = device.replace("R9", "C2").replace("R7", "C1")
    damage = ("query", "damage_by_drop", "--set")
    for second, first, note in (
        (("specimen", "show", "R9"), ("specimen", "show", "R7"), device),
        (("history", "R9"), ("history", "R7"), device),
        (("show", "R9"), ("show", "R7"), device),
        (("inspect", "list", "R9"), ("inspect", "list", "R7"), device),
        (("trend", "C2"), ("trend", "C1"), case),
        ((*damage, "case_code=C2"), (*damage, "case_code=C1"), case),
    ):
        told = lab("A", *second, "--json")
        assert (told.out, told.err) == (lab("A", *first, "--json").out, note), second
    told = lab("A", "damage", "add", "C2", "--severity", "1")
    assert told.err == case and "noted on C1" in told.out
    told = lab("A", "specimen", "same", "R9", "R7", "--reason", "x", expect=1).err
    assert told == device + "durability: R9 and R7: are one specimen already\n"
    told = lab("A", "specimen", "same", "R7", "R7", "--reason", "x", expect=2).err
    assert told == "durability: R7: is one code; name both codes that the thing has\n"
    lab("A", "series", "close", "S2", "--reason", "done")
    monkeypatch.setattr(sys, "stdin", io.StringIO("130\n"))
    told = lab("A", "record", "C2", "--json")
    assert told.json["series"] == "S1" and told.err.startswith(case)
    # A series may be called so; a code that is scanned leads on too.
    told = lab("A", "series", "open", "R9", "--device", "R9", "--case", "C1")
    assert told.err.startswith(device) and "series R9 is open: R7 in case C1" in told.out
    assert lab("A", "show", "R9", "--json").json["series"] == "R9"
    told = lab("A", "inspect", "record", "r9", "--check", "touch=pass", "--json")
    assert told.json["device"] == "R7" and told.err.startswith(device)
    assert lab("A", "specimen", "same", "R7", "R9", "--undo", "--reason", "misread").err == ""
    assert lab("A", "specimen", "show", "R9").err == ""


def test_a_code_of_two_labs_whose_things_are_one_needs_no_lab(labs, sheet):
    labs("A", "merge", "B.duckdb")
    assert "R7" in labs("A", "specimen", "show", "R7", expect=1).err
    labs("A", "specimen", "same", "A:R7", "B:R7", "--reason", "one number")
    assert labs("A", "specimen", "show", "R7", "--json").json["specimen"] == "A:R7"
    rows = sheet("more.csv", "device,inspected_at,function,outcome", "R7,2026-03-09,touch,pass")
    assert labs("A", "import", "inspections", rows, "--json").json["added"] == 1


def damaged(path):
    shutil.copyfile("B.duckdb", path)
    with Path(path).open("r+b") as file:
        file.seek(4096)
        file.write(b"\0" * 8192)


def newer(path):
    shutil.copyfile("B.duckdb", path)
    with duckdb.connect(path) as connection:
        connection.execute(
            "INSERT INTO schema_step VALUES (99, TIMESTAMP '2030-01-01', '9.0', '9.0')"
        )


HOSTILE = {
    "missing.duckdb": (lambda path: None, "no such store or folder"),
    "A.duckdb": (lambda path: None, "is this store itself"),
    "text.duckdb": (lambda path: Path(path).write_text("no store"), "not a DuckDB file"),
    "damaged.duckdb": (damaged, "damaged.duckdb"),
    "newer.duckdb": (newer, "install the newer one"),
    "folder": (lambda path: Path(path).mkdir(), "record.json is missing"),
    "plain.duckdb": (lambda path: duckdb.connect(path).close(), "not a durability store"),
}


@pytest.mark.parametrize("path", HOSTILE)
def test_what_can_not_be_joined_is_named_in_one_line_and_nothing_is_stored(labs, path):
    make, words = HOSTILE[path]
    make(path)
    before = Path("A.duckdb").read_bytes()
    told = labs("A", "merge", path, expect=None)
    assert told.status in (1, 2) and told.err.count("\n") == 1 and words in told.err, told
    assert "merging" not in told.err and Path("A.duckdb").read_bytes() == before
    assert [each.name for each in Path().iterdir() if "merging" in each.name] == []


KILLED_AT = {
    "while copying": "merging.database.update_copy = lambda *_: os._exit(9)",
    "before the commit": "merging.sql_files.refuse_orphans = lambda *_: os._exit(9)",
}


@pytest.mark.parametrize("moment", KILLED_AT)
def test_killed_it_leaves_the_old_store(labs, moment):
    before = content("A")
    script = (
        f"import os; from durability.store import merging; {KILLED_AT[moment]};"
        " from durability.__main__ import main;"
        " main(['merge', 'B.duckdb', '--store', 'A.duckdb'])"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 9
    assert content("A") == before


def test_a_store_may_be_called_other(labs):
    """That is what the engine calls the file of the second store where it is named so."""
    Path("A.duckdb").rename("other.duckdb")
    assert labs("other", "merge", "B.duckdb", "--json").json["added"]["drops"] == 5


def test_a_full_disk_is_not_a_fault_of_the_other_store(labs, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("durability.store.merging.shutil.copyfile", full)
    said = labs("A", "merge", "B.duckdb", expect=2).err
    assert (
        said == f"durability: B.duckdb: can't be copied to {Path.cwd()} (No space left on device)\n"
    )


def test_a_dry_run_says_the_same_and_stores_nothing(labs):
    before = Path("A.duckdb").read_bytes()
    dry = labs("A", "merge", "B.duckdb", "--dry-run", "--json").json
    assert Path("A.duckdb").read_bytes() == before
    assert labs("A", "merge", "B.duckdb", "--json").json == dry


STEPS = (
    *(("import", "drops", f"{name}.csv") for name in ("S1", "S2", "B1")),
    ("drop", "add", "S1", "126", "--dropped-at", "2026-03-02T10:00"),
    ("drop", "void", "S1", "2", "--reason", "cable"),
    ("inspect", "record", "R1", "--check", "power-on=fail", "--inspected-at", "2026-04-01T09:00"),
    ("drop", "amend", "S2", "3", "--set", "peak_g=94", "--reason", "misread"),
    ("drop", "restore", "S1", "2", "--reason", "it was sound"),
    ("inspect", "record", "R2", "--check", "power-on=pass", "--inspected-at", "2026-04-01T09:00"),
    ("drop", "never", "S2", "5", "--reason", "typed twice"),
)


def test_however_a_record_was_written_at_several_labs_it_answers_as_one(lab, sheet):
    """Each step at one of three labs drawn by chance, which first fetches what the last has."""
    head = "series,drop_number,peak_g,case,case_model,device,device_kind,dropped_at"
    for name, case, device, peaks in (
        ("S1", "C1,bumper", "R1", (100, 104, 109, 113, 118)),
        ("S2", "C2,bumper", "R2", (90, 91, 99, 93, 97)),
        ("B1", ",", "R3", (300, 305, 299)),
    ):
        rows = [
            f"{name},{n},{g},{case},{device},device,2026-03-01T10:{n:02d}:00"
            for n, g in enumerate(peaks, 1)
        ]
        sheet(f"{name}.csv", head, *rows)
    lab("one", "init", "--site", "one")
    for step in STEPS:
        lab("one", *step)
    told = {question: lab("one", question, "--json").json for question in ("trend", "latent")}
    for seed in (7, 8):
        labs = [f"{name}{seed}" for name in "ABC"]
        for site in labs:
            lab(site, "init", "--site", site)
        draw = random.Random(seed)
        last = labs[0]
        for step in STEPS:
            site = draw.choice(labs)
            if site != last:
                lab(site, "merge", f"{last}.duckdb")
            lab(site, *step)
            last = site
        site = next(each for each in labs if each != last)
        lab(site, "merge", f"{last}.duckdb")
        for question, answer in told.items():
            assert lab(site, question, "--json").json == answer, (seed, question)


def test_every_value_that_is_placed_is_sealed_as_it_was_recorded():
    """A table that sites change holds its recorded values in fingerprints too."""
    fingerprints = sql_files.statement("fingerprint_entries")
    for table in sql_files.PLACED:
        assert f"FROM {table} AS t\n        LEFT JOIN as_recorded" in fingerprints, table
