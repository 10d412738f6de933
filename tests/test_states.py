"""What becomes of specimens: lost and back again, kept back to be tested, left off a sheet."""

from datetime import date, timedelta

import pytest

TODAY = date.today()  # noqa: DTZ011 - what is entered bears today's date


def ahead(days):
    return (TODAY + timedelta(days=days)).isoformat()


def words(told):
    return " ".join(told.out.split())


@pytest.fixture
def bench(store, once):
    def make():
        store("specimen", "add", "R1", "--kind", "device", "--model", "radio")
        store("specimen", "add", "C1", "--kind", "case", "--model", "sleeve")

    once(make)
    return store


# -------------------------------------------------------------------------------- lost and found


@pytest.fixture
def lost(bench, once):
    def make():
        bench("series", "open", "S1", "--device", "R1")
        bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-01-05T10:00")
        bench(
            "inspect", "record", "R1", "--check", "touch=pass", "--inspected-at", "2026-01-12T10:00"
        )
        bench("specimen", "retire", "R1", "--reason", "left on the train", "--state", "lost")

    once(make)
    return bench


def test_what_is_lost_owes_nothing_until_it_turns_up(lost):
    assert lost("due", "--json", "--on", ahead(400)).json["due"] == []
    told = lost("specimen", "return", "R1", "--reason", "found in the van", "--json").json
    assert (told["status"], told["was"]) == ("in use", "lost")
    (owed,) = lost("due", "--json", "--on", ahead(400)).json["due"]
    assert owed["device"] == "R1" and owed["days_overdue"] > 0


def test_its_states_are_dated_history_and_the_gap_is_no_pass(lost):
    lost("specimen", "return", "R1", "--reason", "found in the van", "--by", "Bo")
    states = lost("specimen", "show", "R1", "--json").json["states"]
    assert [(row["state"], row["reason"], row["entered_by"]) for row in states] == [
        ("lost", "left on the train", "tester"),
        ("in use", "found in the van", "Bo"),
    ]
    events = lost("history", "R1", "--json").json["events"]
    assert events[-1]["what"] == "status: lost to in use, found in the van"
    device = lost("latent", "--json").json["per_device"][0]
    assert device["failed_after_days"] == {"after": 7.0, "by": None}  # as far as it was seen
    told = lost("inspect", "list", "R1", "--json", "--on", ahead(0)).json
    assert {stage["state"] for stage in told["stages"]} >= {"done", "skipped"}


def test_only_what_is_out_of_use_comes_back(bench):
    assert "in use already" in bench("specimen", "return", "R1", "--reason", "x", expect=1).err
    assert "not in the store" in bench("specimen", "return", "R9", "--reason", "x", expect=1).err


def test_a_suspect_battery_that_comes_back_is_suspect_still(bench):
    bench("damage", "add", "R1", "--severity", "1", "--note", "swollen")
    told = bench("specimen", "retire", "R1", "--reason", "to the maker", "--state", "sold")
    assert "49 CFR 173.185(f)" in told.err
    told = bench("specimen", "return", "R1", "--reason", "sent back")
    assert "QUARANTINE: R1" in told.err
    assert [one["device"] for one in bench("due", "--json").json["quarantined"]] == ["R1"]


# ------------------------------------------------------------------------------------- disposed of


def test_what_is_disposed_of_is_due_nothing_dropped_no_more_and_shown(bench, tmp_path, monkeypatch):
    bench("series", "open", "S1", "--device", "R1", "--case", "C1")
    bench("drop", "add", "S1", "--peak-g", "100", "--dropped-at", "2026-01-05T10:00")
    gone = "specimen", "dispose", "R1", "--how", "handed over", "--where", "recycler"
    with monkeypatch.context() as nobody:
        nobody.delenv("DURABILITY_PERSON")
        assert "--by: missing" in bench(*gone, expect=2).err
    early = bench(*gone, "--by", "Bo", "--on", "2026-01-04", expect=1).err
    assert "dropped or inspected on 2026-01-05" in early
    assert "future" in bench(*gone, "--by", "Bo", "--on", ahead(2), expect=2).err
    told = bench(*gone, "--by", "Bo", "--on", "2026-01-06", "--reason", "certificate 12", "--json")
    assert told.json == {"specimen": "R1", "on": "2026-01-06", "part": None,
                         "how": "handed over", "where": "recycler", "by": "Bo"}  # fmt: skip
    assert "49 CFR 173.185(f)" in told.err and "licensed carrier" in told.err
    assert "disposed of already" in bench(*gone, "--by", "Bo", expect=1).err
    assert bench("due", "--json", "--on", ahead(400)).json["due"] == []
    for screen in ("status", "due"):
        assert "Disposed of, so nothing is due: R1 (2026-01-06)" in words(bench(screen))
    bench("due", "--calendar", "due.ics")
    assert "SUMMARY:Disposed of: R1" in (tmp_path / "due.ics").read_text(encoding="utf-8")
    refused = bench("drop", "add", "S1", "--peak-g", "100", expect=1).err
    assert "device 'R1' is disposed" in refused and "--despite-failed" in refused
    assert "is disposed" in bench("series", "open", "S2", "--device", "R1", expect=1).err
    *_, last = bench("history", "R1", "--json").json["events"]
    assert last["event"] == "disposal" and last["happened_at"] == "2026-01-06T00:00:00"
    assert last["what"] == "all of it: handed over, recycler, certificate 12, by Bo"
    (row,) = bench("specimen", "show", "R1", "--json").json["disposals"]
    assert (row["disposed_by"], row["returned_because"]) == ("Bo", None)


def test_a_disposal_is_taken_back_and_both_stay(bench):
    bench("specimen", "dispose", "R1", "--how", "scrap", "--by", "Bo")
    bench("specimen", "dispose", "C1", "--how", "scrap", "--by", "Bo")
    told = bench("specimen", "return", "R1", "--reason", "wrong label", "--json").json
    assert (told["status"], told["was"]) == ("in use", "disposed")
    assert [each["specimen"] for each in bench("due", "--json").json["disposals"]] == ["C1"]
    refused = bench("series", "open", "S1", "--device", "R1", "--case", "C1", expect=1).err
    assert "case 'C1' is disposed" in refused
    rows = bench("query", "disposals", "--json").json["rows"]
    assert [(row[0], row[-1]) for row in rows] == [("R1", "wrong label"), ("C1", None)]


def test_a_cell_is_disposed_of_and_its_device_stays(bench):
    bench("damage", "add", "R1", "--severity", "2", "--note", "battery swollen")
    told = bench("specimen", "dispose", "R1", "--part", "cell", "--how", "recycled", "--by", "Bo")
    assert "R1 is QUARANTINED" in told.err and "does not clear it" in told.err
    (kept,) = bench("due", "--json").json["quarantined"]
    assert kept["disposals"][0]["part"] == "cell"
    screen = words(bench("status"))
    assert "cell disposed of on" in screen and "watch until" in screen
    assert bench("specimen", "show", "R1", "--json").json["status"] == "in use"
    back = bench("specimen", "return", "R1", "--reason", "it was R2's").out
    assert "the disposal of its cell" in back
    assert bench("due", "--json").json["disposals"] == []
    assert "in use already" in bench("specimen", "return", "R1", "--reason", "x", expect=1).err


def test_a_disposed_device_leaves_no_quarantine_unnoticed(bench, tmp_path):
    bench("damage", "add", "R1", "--severity", "2", "--note", "battery swollen")
    bench("specimen", "dispose", "R1", "--how", "handed over", "--by", "Bo")
    (kept,) = bench("due", "--json").json["quarantined"]
    assert kept["device"] == "R1" and kept["disposals"][0]["by"] == "Bo"
    screen = words(bench("status"))
    assert "DISPOSED of on" in screen and "never cleared" in screen
    columns, (row,) = (bench("query", "devices_in_quarantine", "--json").json[name]
                       for name in ("columns", "rows"))  # fmt: skip
    assert row[columns.index("disposed")] == ahead(0)
    bench("report", "page.html", "--short")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "DISPOSED of on" in page and "Isolate" not in page
    assert "<dt>Disposal</dt>" in page


# ------------------------------------------------------------------------------------- kept back


def retain(run, code, *days, **more):
    dates = [word for day in days for word in ("--retest-on", ahead(day))]
    return run(
        "specimen", "retire", code, "--state", "retained", "--reason", "kept", *dates, **more
    )


def test_items_kept_back_are_listed_with_their_next_retest(bench):
    """ISO/IEC 17025 7.7.1: retained items are tested again."""
    retain(bench, "C1", 30, 90)
    told = bench("due", "--json").json
    assert told["due"][0]["device"] == "R1"  # devices in use only
    assert told["retained"] == [
        {"specimen": "C1", "kind": "case", "model": "sleeve", "retained_on": ahead(0),
         "due_on": ahead(30), "days_overdue": 0, "done": 0, "of": 2}
    ]  # fmt: skip
    assert bench("due", "--json", "--on", ahead(35)).json["retained"][0]["days_overdue"] == 5
    said = " ".join(bench("due", "--on", ahead(35)).out.split())
    assert "1 item retained to be tested again, 1 of them overdue" in said


def test_a_look_answers_the_nearest_retest(bench):
    retain(bench, "R1", 0, 90)
    assert bench("due", "--json").json["retained"][0]["due_on"] == ahead(0)
    bench("inspect", "record", "R1", "--check", "touch=pass")
    (kept,) = bench("due", "--json").json["retained"]
    assert (kept["done"], kept["due_on"]) == (1, ahead(90))
    retain(bench, "C1", 0)
    bench("damage", "add", "C1", "--severity", "0")
    kept = bench("due", "--json").json["retained"][-1]
    assert (kept["specimen"], kept["done"], kept["due_on"]) == ("C1", 1, None)


def test_more_dates_may_be_set_and_it_can_be_taken_back_into_use(bench):
    retain(bench, "C1", 30)
    retain(bench, "C1", 60)
    assert bench("due", "--json").json["retained"][0]["of"] == 2
    bench("specimen", "return", "C1", "--reason", "needed")
    assert bench("due", "--json").json["retained"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--state", "retained"), "needs one or more"),
        (("--state", "lost", "--retest-on", "2999-01-01"), "--state retained"),
        (("--state", "retained", "--retest-on", "2020-01-01"), "is past"),
        (("--state", "retained", "--retest-on", "soon"), "--retest-on"),
    ],
)
def test_dates_go_with_what_is_kept_back(bench, words, said):
    assert said in bench("specimen", "retire", "C1", "--reason", "x", *words, expect=2).err


# ------------------------------------------------------------------------------------- the sheet


def test_a_device_in_quarantine_is_left_off_a_drop_sheet_and_named(bench, tmp_path):
    bench("specimen", "add", "R2", "--kind", "device")
    bench("damage", "add", "R1", "--severity", "1", "--note", "swollen")
    bench("damage", "add", "R2", "--severity", "2", "--location", "display", "--note", "cracked")
    sheet = ("plan", "sheet", "--orientation", "face 3", "--bare", "R1")
    assert "QUARANTINE" in bench(*sheet, expect=1).err
    files = ("-o", tmp_path / "s.csv", "--page", tmp_path / "s.html")
    told = bench(*sheet, "--bare", "R2", *files)
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    for text in (" ".join(told.out.split()), (tmp_path / "s.csv").read_text(), page):
        assert "left out: R1, QUARANTINED" in text
        assert "R2: Cracked glass or fragments: wear eye protection" in text
        assert "keep hands and faces out of the drop zone" in text
    told = bench(*sheet, "--bare", "R2", "--json").json
    assert (told["quarantined"], told["cracked_glass"]) == (["R1"], ["R2"])
    assert [drop["item"] for drop in told["drops"]] == ["R2"]


def test_a_sheet_with_nothing_to_warn_of_carries_the_usual_line_only(bench):
    told = bench("plan", "sheet", "--orientation", "face 3", "--case", "C1").out
    assert "eye protection" in told and "left out" not in told and "Cracked" not in told
