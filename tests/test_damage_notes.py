"""Damage in fixed terms: mode, place, picture, who looked; how far two inspectors agree."""

import hashlib
import re

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from durability.intake.hand_entry import read_line
from durability.record.errors import UnusableCall
from durability.record.vocabulary import DAMAGE_MODES
from durability.store import database, sql_files
from durability.workflow.demo import FOLDER
from durability.workflow.series import series_to_record
from durability.workflow.session import Session

BENCH = (FOLDER / "bench.md").read_text(encoding="utf-8")


@pytest.fixture
def bench(store, once):
    """The runner, with a series of three drops of device R1 in case C1."""

    def make():
        opened = "series open S1 --device R1 --device-kind device --case C1 --case-model sleeve"
        store(*opened.split())
        for peak_g in (118, 119, 121):
            store("drop", "add", "S1", "--peak-g", peak_g)

    once(make)
    return store


def notes(bench, specimen="C1"):
    return bench("specimen", "show", specimen, "--json").json["damage"]


def quarantined(bench):
    rows = bench("specimen", "list", "--json").json["specimens"]
    return [row["specimen"] for row in rows if row["quarantined_since"]]


# ------------------------------------------------------------------------------------- fixed terms


def test_the_modes_stand_in_the_manual_with_their_meanings():
    rows = re.findall(r"^\| `([a-z ]+)` \| (.+) \|$", BENCH, re.MULTILINE)
    assert [row for row in rows if row[0] in DAMAGE_MODES] == list(DAMAGE_MODES.items())


def test_a_mode_is_kept_and_told_everywhere(bench):
    told = bench("damage", "add", "C1", "--severity", "2", "--mode", "permanent set",
                 "--location", "rib 4", "--json").json  # fmt: skip
    assert told["mode"] == "permanent set" and told["inspector"] == "tester"
    assert notes(bench)[0]["mode"] == "permanent set"
    assert bench("show", "drop", "S1", "3", "--json").json["damage"][0]["mode"] == "permanent set"
    (event,) = (each for each in bench("history", "C1", "--json").json["events"]
                if each["event"] == "damage")  # fmt: skip
    assert event["what"] == "severity 2, permanent set, rib 4"
    assert "C1: permanent set: rib 4" in " ".join(bench("drop", "list").out.split())
    assert "permanent set, rib 4" in " ".join(bench("show", "drop", "S1", "3").out.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--severity", "2", "--mode", "cracked"), "--mode 'cracked': not one of crack, split"),
        (("--severity", "0", "--mode", "crack"), "--mode: is given with severity 0"),
        (("--severity", "2", "--mode", "other", "--location", "lip"), "--note: blank beside"),
    ],
)
def test_a_word_that_is_no_mode_is_refused_in_one_line(bench, words, said):
    told = bench("damage", "add", "C1", *words, expect=2)
    assert said in told.err and told.err.count("\n") == 1
    assert notes(bench) == []


@pytest.mark.parametrize(
    ("line", "severity", "mode", "location", "note"),
    [
        ("118 d2/crack corner 3 # hairline", "2", "crack", "corner 3", "hairline"),
        ("118 d2/permanent set rib 4", "2", "permanent set", "rib 4", None),
        ("118 d3/tear", "3", "tear", None, None),
        ("118 d2 crack corner 3", "2", None, "crack corner 3", None),
    ],
)
def test_a_line_at_the_bench_may_name_the_mode(line, severity, mode, location, note):
    values = read_line(line).values
    assert (values["damage_severity"], values["damage_mode"]) == (severity, mode)
    assert (values["damage_location"], values["note"]) == (location, note)


def test_a_drop_brings_its_mode(bench):
    add = ("drop", "add", "S1", "--peak-g", "120", "--damage-severity", "2", "--damage-mode")
    bench(*add, "dent")
    assert notes(bench)[0]["mode"] == "dent"
    assert "--damage-mode 'dents'" in bench(*add, "dents", expect=2).err
    assert "--damage-note: blank" in bench(*add, "other", expect=2).err
    bench(*add, "other", "--note", "lip curled")  # a line of the bench has one place for words
    with pytest.raises(UnusableCall):
        read_line("118 6 7 d2/crack")


def test_a_mode_on_a_sheet_is_checked_row_by_row(store, sheet):
    drops = sheet(
        "drops.csv",
        "series,drop_number,peak_g,case,operator,damage_severity,damage_mode,damage_note",
        "S1,1,100,C1,Ada,2,crack,",
        "S1,2,100,C1,Ada,0,,",
        "S1,3,100,C1,Ada,0,crack,",
        "S1,4,100,C1,Ada,2,other,",
        "S1,5,100,C1,Ada,,crack,",
        "S1,6,100,C1,Ada,2,cracked,",
    )
    told = store("import", "drops", drops, "--keep-good", "--allow-gaps", expect=1)
    for said in (
        "row 4, damage_mode 'crack': is given with severity 0",
        "row 5, damage_note: blank beside the mode other",
        "row 6, damage_severity: blank beside a damage note",
        "row 7, damage_mode 'cracked': not one of crack",
    ):
        assert said in told.err
    assert [(n["severity"], n["mode"], n["inspector"]) for n in notes(store)] == [
        (2, "crack", "Ada"),
        (0, None, "Ada"),
    ]


def test_a_place_that_can_not_be_meant_is_told_and_kept(bench):
    told = bench("damage", "add", "C1", "--severity", "1", "--location", "edge 1-3")
    assert "opposite and meet nowhere; kept as written" in " ".join(told.err.split())
    assert notes(bench)[0]["location"] == "edge 1-3"
    assert bench("damage", "add", "C1", "--severity", "1", "--location", "edge 1-2").err == ""


def test_a_case_that_was_not_dropped_in_a_bare_series_is_named(bench, sheet):
    bench("series", "open", "B1", "--device", "R1", "--device-kind", "device")
    bench("drop", "add", "B1", "--peak-g", "400")
    file = sheet("damage.csv", "specimen,series,drop_number,severity", "C1,B1,1,2")
    assert "'C1': not dropped in series B1 (its device is R1, its case none: bare)" in (
        bench("import", "damage", file, expect=1).err
    )


# ------------------------------------------------------------------------- what the mode tells


def test_a_mode_tells_of_a_failing_battery_as_words_do(bench):
    bench("damage", "add", "C1", "--severity", "2", "--mode", "swelling")
    assert quarantined(bench) == []  # a case swells by itself
    told = bench("damage", "add", "R1", "--severity", "2", "--mode", "swelling",
                 "--location", "back cover")  # fmt: skip
    assert "QUARANTINE: R1" in told.err and "back cover swelling" in told.err
    assert quarantined(bench) == ["R1"]


def test_a_mode_on_a_sheet_tells_of_a_failing_battery(bench, sheet):
    path = sheet("damage.csv", "specimen,severity,mode,series,drop_number", "R1,2,leak,S1,2")
    assert bench("import", "damage", path, "--json").json["quarantined"] == ["R1"]


def test_a_broken_display_calls_for_eye_protection_then_and_later(bench, tmp_path):
    told = bench("damage", "add", "R1", "--severity", "3", "--mode", "fracture",
                 "--location", "display")  # fmt: skip
    assert "eye protection" in told.err
    session = Session(tmp_path / "store.duckdb", "tester")
    assert series_to_record(session, "S1")["cracked_glass"]


# ---------------------------------------------------------------------------------------- pictures


def test_of_a_picture_name_and_digest_are_kept(bench, tmp_path):
    picture = tmp_path / "corner.jpg"
    picture.write_bytes(b"abc")
    # Published with FIPS 180-4.
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "other.png").write_bytes(b"abcd" * 300_000)
    bench("damage", "add", "C1", "--severity", "2", "--photo", "corner.jpg", "--photo", picture,
          "--photo", "other.png")  # fmt: skip
    kept = notes(bench)[0]["photos"]
    assert kept == [
        {"file_name": "corner.jpg", "file_sha256": abc},
        {"file_name": "other.png",
         "file_sha256": hashlib.sha256(b"abcd" * 300_000).hexdigest()},
    ]  # fmt: skip
    assert bench("show", "drop", "S1", "3", "--json").json["damage"][0]["photos"] == kept
    for words in (("history", "C1"), ("show", "drop", "S1", "3"), ("specimen", "show", "C1")):
        told = bench(*words).out.split()  # a cell of several lines has its words apart
        assert {"corner.jpg", "other.png", "(SHA-256"} <= set(told)
        assert any(word.startswith(abc[:12]) for word in told)
    assert f"photo corner.jpg (SHA-256 {abc[:12]}...)" in str(bench("history", "C1", "--json").json)


@pytest.mark.parametrize(
    ("name", "said"),
    [("nowhere.jpg", "No such file"), (".", "Is a directory"), ("empty.jpg", "is empty")],
)
def test_a_picture_that_is_not_to_be_had_is_one_line(bench, tmp_path, name, said):
    (tmp_path / "empty.jpg").touch()
    told = bench("damage", "add", "C1", "--severity", "2", "--photo", name, expect=2)
    assert f"--photo {name}" in told.err and said in told.err and told.err.count("\n") == 1
    assert notes(bench) == []


def test_the_page_shows_mode_and_picture(bench, tmp_path):
    (tmp_path / "corner.jpg").write_bytes(b"abc")
    bench("damage", "add", "C1", "--severity", "4", "--mode", "detachment", "--location", "lid")
    bench("damage", "add", "C1", "--severity", "4", "--mode", "detachment", "--location", "lid",
          "--photo", "corner.jpg")  # fmt: skip
    bench("report", "-o", "report.html")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    section = page[page.index('id="damage"') :]
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", section[: section.index("</section>")])
    assert "detachment, lid, corner.jpg (SHA-256 ba7816bf8f01...)" in cells
    assert cells[-4:] == ["detachment", "1", "4 failed", "1"]


# -------------------------------------------------------------------------------------- who looked


def test_two_people_may_say_the_same_and_one_only_once(bench, sheet):
    path = sheet(
        "damage.csv",
        "specimen,series,drop_number,severity,mode,location,inspector",
        "C1,S1,2,2,crack,rib 4,Ada",
        "C1,S1,2,2,crack,rib 4,Ben",
        "C1,S1,2,2,crack,rib 4,Ben",
    )
    told = bench("import", "damage", path, "--json").json
    assert (told["added"], told["duplicates"]) == (2, 1)
    assert bench("import", "damage", path, "--json").json["duplicates"] == 3
    assert {note["inspector"] for note in notes(bench)} == {"Ada", "Ben"}


def test_a_blank_cell_adds_nothing_to_a_stored_note(bench, sheet):
    bench("damage", "add", "C1", "--severity", "2", "--mode", "crack", "--location", "rib 4")
    line = "C1,S1,3,2,rib 4"
    plain = sheet("plain.csv", "specimen,series,drop_number,severity,location", line)
    assert bench("import", "damage", plain, "--json").json["duplicates"] == 1
    named = "specimen,series,drop_number,severity,location,inspector,mode"
    same = sheet("same.csv", named, f"{line},tester,crack")
    assert bench("import", "damage", same, "--json").json["duplicates"] == 1
    other = sheet("other.csv", named, f"{line},tester,split")
    assert bench("import", "damage", other, "--json").json["added"] == 1


# --------------------------------------------------------------------------- agreement of two


def agreement(store, sheet, first, second):
    """Answer of the saved question for two inspectors' severities of the same looks."""
    count = len(first)
    drops = [f"S1,{drop},100,C1,sleeve" for drop in range(1, count + 1)]
    store(
        "import", "drops", sheet("drops.csv", "series,drop_number,peak_g,case,case_model", *drops)
    )
    rows = [
        f"C1,S1,{drop},{severity},{inspector}"
        for inspector, severities in (("A", first), ("B", second))
        for drop, severity in enumerate(severities, start=1)
    ]
    store("import", "damage",
          sheet("damage.csv", "specimen,series,drop_number,severity,inspector", *rows))  # fmt: skip
    told = store("query", "rater_agreement", "--json").json
    assert len(told["rows"]) == 1
    return dict(zip(told["columns"], told["rows"][0], strict=True))


def ratings(table):
    """Severities of both inspectors from a table of counts, A down and B across."""
    cells = [(a, b) for a, row in enumerate(table) for b, n in enumerate(row) for _ in range(n)]
    return [a for a, _ in cells], [b for _, b in cells]


def test_kappa_is_that_of_cohens_example(store, sheet):
    """Cohen (1960), Educational and Psychological Measurement 20, 37-46: 200 cases in three
    classes by two judges, 0.70 agree, 0.41 by chance, kappa 0.492 (printed to three places)."""
    told = agreement(store, sheet, *ratings([[88, 14, 18], [10, 40, 10], [2, 6, 12]]))
    assert (told["n"], told["equal_pct"]) == (200, pytest.approx(70.0, abs=1e-9))
    assert told["kappa"] == pytest.approx(0.492, abs=5e-4)
    assert (told["inspector_a"], told["inspector_b"]) == ("A", "B")


def test_weighted_kappa_is_that_of_a_printed_example(store, sheet):
    """Printout of a statistics system, as kept in the tests of statsmodels
    (stats/tests/test_inter_rater.py): simple 0.4842, linearly weighted 0.4701, four places."""
    told = agreement(store, sheet, *ratings([[0, 4, 1], [0, 8, 0], [0, 1, 5]]))
    assert told["kappa"] == pytest.approx(0.4842, abs=5e-5)
    assert told["weighted_kappa"] == pytest.approx(0.4701, abs=5e-5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_kappas_are_those_of_an_independent_library(store, sheet, seed):
    """scikit-learn's cohen_kappa_score; interval: scipy's Wilson interval of the share."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 5, 40)
    second = np.clip(first + rng.choice([-1, 0, 0, 0, 1, 2], 40), 0, 4)
    told = agreement(store, sheet, first, second)
    # Both sum exact counts; what differs is rounding in the last places.
    kappa = cohen_kappa_score(first, second)
    assert told["kappa"] == pytest.approx(kappa, abs=1e-12)
    assert told["weighted_kappa"] == pytest.approx(
        cohen_kappa_score(first, second, weights="linear"), abs=1e-12
    )
    equal = int((first == second).sum())
    chance = (equal / 40 - kappa) / (1 - kappa)
    low, high = stats.binomtest(equal, 40).proportion_ci(0.9, method="wilson")
    # z is written with five figures.
    assert told["kappa_lower"] == pytest.approx((low - chance) / (1 - chance), abs=1e-5)
    assert told["kappa_upper"] == pytest.approx((high - chance) / (1 - chance), abs=1e-5)


def test_where_all_is_rated_the_same_there_is_no_kappa(store, sheet):
    told = agreement(store, sheet, [1] * 6, [1] * 6)
    assert told["equal_pct"] == 100.0
    for name in ("kappa", "kappa_lower", "kappa_upper", "weighted_kappa"):
        assert told[name] is None
    assert told["basis"] == "1 specimen, all rated one and the same: no kappa"


def test_of_several_notes_the_worst_counts_and_only_shared_looks(bench, sheet):
    path = sheet(
        "damage.csv",
        "specimen,series,drop_number,severity,location,inspector",
        "C1,S1,1,0,,Ada",
        "C1,S1,2,1,rib 1,Ada",
        "C1,S1,2,3,rib 4,Ada",
        "C1,S1,2,3,rib 4,Ben",
        "C1,S1,3,3,rib 4,Ben",
        "C1,,,4,lid,Ben",
        "R1,S1,1,0,,Ben",
    )
    bench("import", "damage", path)
    told = bench("query", "rater_agreement", "--json").json
    (row,) = (dict(zip(told["columns"], row, strict=True)) for row in told["rows"])
    assert (row["n"], row["equal_pct"], row["kappa"]) == (1, 100.0, None)


# ------------------------------------------------------------------------------------- modes apart


def test_modes_are_counted_apart_and_a_failure_ends_the_watch(store, sheet):
    drops = [f"S{k},{drop},100,C{k},sleeve" for k in (1, 2, 3) for drop in range(1, 11)]
    store(
        "import", "drops", sheet("drops.csv", "series,drop_number,peak_g,case,case_model", *drops)
    )
    path = sheet(
        "damage.csv",
        "specimen,series,drop_number,severity,mode,note",
        "C1,S1,4,1,abrasion,",
        "C1,S1,6,4,split,",
        "C2,S2,3,1,abrasion,",
        "C2,S2,8,2,,odd",
        "C2,S2,9,0,,",
    )
    store("import", "damage", path)
    told = store("query", "damage_modes", "--json").json
    assert told["rows"] == [
        ["sleeve", "split", 3, 1, 6, 4, 1, 6, 26],
        ["sleeve", "abrasion", 3, 2, 3, 1, 0, None, 26],
        ["sleeve", "not coded", 3, 1, 8, 2, 0, None, 26],
    ]  # 6 drops until case 1 split, 10 of each other


# -------------------------------------------------------------------------------- stores of before


def test_an_older_store_keeps_its_notes_and_its_seals(run, tmp_path, monkeypatch):
    steps = sql_files.schema_steps()
    before = tuple(step for step in steps if step[0] <= 8)
    monkeypatch.setattr(sql_files, "schema_steps", lambda: before)
    database.create_store(tmp_path / "store.duckdb")
    with database.writing(tmp_path / "store.duckdb") as connection:
        # As the program of that step wrote them; today's statements know later steps.
        connection.execute("""
            INSERT INTO entry (entered_at_utc, entered_by, command, program_version)
            VALUES (TIMESTAMP '2026-01-01', 'Ada', 'damage add', '0.1.0');
            INSERT INTO entry (entered_at_utc, entered_by, command, file_name, program_version)
            VALUES (TIMESTAMP '2026-01-02', 'Ada', 'import damage', 'd.csv', '0.1.0');
            INSERT INTO specimen (code, kind, entry_id)
            SELECT 'C1', 'case', entry_id FROM entry WHERE file_name IS NULL;
            INSERT INTO damage_note (specimen_id, severity, location, entry_id)
            SELECT specimen_id, 2, 'rib 4', entry_id FROM specimen;
            INSERT INTO damage_note (specimen_id, severity, location, entry_id)
            SELECT specimen_id, 3, 'rib 5', e.entry_id FROM specimen, entry AS e
            WHERE e.file_name IS NOT NULL;
        """)
        tables = r"CREATE TABLE (\w+)"
        later = "|".join(
            name for _, file in steps[8:] for name in re.findall(tables, file.read_text())
        )
        connection.execute("CREATE TEMP TABLE as_recorded (record_id UUID, recorded JSON)")
        parts = sql_files.statement("fingerprint_entries").split("UNION ALL")
        later += "|report_issue"  # which has its pages since a later step
        known = [part for part in parts if not re.search(rf"FROM ({later})\b", part)]
        connection.execute("UNION ALL".join(known))
        sealed = connection.execute("FROM entry_fingerprint ORDER BY entry_id").fetchall()
    monkeypatch.setattr(sql_files, "schema_steps", lambda: steps)
    assert [(n["severity"], n["mode"], n["inspector"], n["photos"]) for n in notes(run)] == [
        (2, None, "Ada", []),
        (3, None, None, []),
    ]
    run("damage", "add", "C1", "--severity", "3", "--mode", "crack")
    assert len(notes(run)) == 3
    with database.writing(tmp_path / "store.duckdb") as connection:
        connection.execute(sql_files.statement("fingerprint_entries"))
        now = connection.execute("FROM entry_fingerprint ORDER BY entry_id").fetchall()
    assert now[:2] == sealed and len(sealed) == 2


def test_a_picture_changed_by_hand_breaks_the_seal(bench, tmp_path):
    (tmp_path / "corner.jpg").write_bytes(b"abc")
    bench("damage", "add", "C1", "--severity", "2", "--photo", "corner.jpg")
    bench("seal")
    with database.writing(tmp_path / "store.duckdb") as connection:
        connection.execute("UPDATE damage_photo SET file_sha256 = repeat('0', 64)")
    assert "1 entry not as sealed" in bench("verify", expect=1).out
