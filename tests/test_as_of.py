"""What the record said on a day is what it had said on that day."""

import json
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

from durability.intake.hand_entry import typed_instant
from durability.record import clock
from durability.store import database, sql_files
from durability.workflow import session

DAYS = ("2026-03-01", "2026-03-05", "2026-03-20")
QUESTIONS = (
    ("trend",),
    ("rank",),
    ("latent", "--devices"),
    ("due", "--within", "400"),
    ("history", "R1"),
    ("query", "--sql", "SELECT count(*) AS drops FROM all_drops"),
)


def drops(series, case, device, peaks, day):
    return [
        f"{series},{n},{peak},{case},{'bumper' if case else ''},{device},{day}T10:{n:02d}:00"
        for n, peak in enumerate(peaks, 1)
    ]


HEADER = "series,drop_number,peak_g,case,case_model,device,dropped_at"


def write_one_day(run, sheet, day):
    """A lab's month: a first series; then corrections; then what was lying in a drawer."""
    if day == DAYS[0]:
        rows = drops("S1", "C1", "R1", [100, 104, 108, 113, 118, 122], day)
        run("import", "drops", sheet("first.csv", HEADER, *rows))
        bare = drops("B1", "", "R2", [300, 305, 297, 302, 301], day)
        run("import", "drops", sheet("bare.csv", HEADER, *bare))
        run("inspect", "record", "R1", "--check", "power-on=pass", "--check", "display=pass")
    elif day == DAYS[1]:
        run("drop", "void", "S1", "2", "--reason", "cable")
        run("drop", "amend", "S1", "3", "--set", "peak_g=109", "--reason", "misread")
        run("drop", "add", "S1", "--peak-g", "127", "--damage-severity", "2")
        run("inspect", "record", "R1", "--check", "power-on=fail")
        run("specimen", "amend", "C1", "--set", "lot=7", "--reason", "found")
    else:
        rows = drops("S0", "C0", "R1", [90, 95, 99, 105, 110], "2026-02-01")
        run("import", "drops", sheet("drawer.csv", HEADER, *rows))
        run("drop", "restore", "S1", "2", "--reason", "it was sound")
        run("specimen", "retire", "R1", "--reason", "broken", "--state", "lost")


@pytest.fixture
def kept(store, sheet, once, tmp_path, monkeypatch):
    """The store after a month, and what it had said on each day."""

    def make():
        said = {}
        for day in DAYS:
            now = datetime.fromisoformat(f"{day}T11:30:00+00:00").astimezone()
            with monkeypatch.context() as patch:
                patch.setattr(clock, "now", lambda now=now: now)
                write_one_day(store, sheet, day)
                if day == DAYS[1]:
                    said["answers"] = [store(*each, "--json").json for each in QUESTIONS]
                with database.reading(tmp_path / "store.duckdb") as connection:
                    said[day] = rows_of_views(connection)
        (tmp_path / "said.json").write_text(json.dumps(said))

    once(make)
    return store, json.loads((tmp_path / "said.json").read_text())


def rows_of_views(connection):
    """Every row of every table and view, on which all questions rest, as text."""
    names = connection.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_name <> 'schema_step'"
    ).fetchall()
    return {
        name: sorted(map(str, connection.execute(f"FROM {name}").fetchall())) for (name,) in names
    }


def test_answers_as_of_a_day_are_those_that_were_given_on_it(kept):
    run, said = kept
    for words, before in zip(QUESTIONS, said["answers"], strict=True):
        now = run(*words, "--as-of", DAYS[1], "--json").json
        assert (now.pop("as_of"), now.pop("entered_since")) == (DAYS[1], 3)
        assert now == before, words


def test_every_view_reads_what_it_read_on_that_day(kept, tmp_path):
    _, said = kept
    for day in DAYS:
        past = database.past(tmp_path / "store.duckdb", typed_instant(day, option=""))
        with database.reading(past) as connection:
            assert rows_of_views(connection) == said[day]
    for name in ("all_drops", "valid_drops", "all_specimens", "device_shocks"):
        assert said[DAYS[0]][name] != said[DAYS[1]][name] != said[DAYS[2]][name]


def test_the_line_says_what_was_entered_since(kept):
    run, _ = kept
    told = " ".join(run("trend", "--as-of", DAYS[1]).out.split())
    assert told.startswith("As of 2026-03-05: 3 entries made since are left out; what was imported")
    assert "nothing has been entered since" in run("trend", "--as-of", DAYS[2]).out
    told = run("query", "voided_drops", "--format", "csv", "--as-of", DAYS[1])
    assert told.out.startswith("series,") and "As of 2026-03-05" in told.err


def test_before_the_first_entry_every_answer_is_empty(kept):
    run, _ = kept
    told = run("trend", "--as-of", "2020-01-01", "--json").json
    assert (told["entered_since"], told["series"]) == (11, [])
    assert run("latent", "--as-of", "2020-01-01", "--json").json["devices"] == 0
    assert run("compare", "bare", "bumper", "--as-of", "2020-01-01", "--json").json["ratio"] is None
    assert run("history", "R1", "--as-of", "2020-01-01", "--json").json["events"] == []


def test_a_name_that_came_later_is_empty_and_a_misspelt_one_refused(kept):
    run, _ = kept
    asked = ("trend", "--as-of", DAYS[1], "--json", "--series")
    assert run(*asked, "S0").json["series"] == []
    both = run(*asked, "S0", "--series", "S1").json["series"]
    assert [each["series"] for each in both] == ["S1"]
    assert "S9" in run(*asked, "S9", expect=1).err
    assert run("compare", "bare", "sleeve", "--as-of", DAYS[1], expect=1).err


def test_a_date_means_its_end_here_and_an_instant_itself(kept, monkeypatch):
    run, _ = kept
    monkeypatch.setenv("TZ", "Pacific/Auckland")  # 11:30 UTC on the 1st is past midnight there
    time.tzset()
    try:
        assert run("trend", "--as-of", "2026-03-01", "--json").json["series"] == []
        assert len(run("trend", "--as-of", "2026-03-02", "--json").json["series"]) == 2
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()
    for text, series in (("2026-03-01T12:29:59+01:00", 0), ("2026-03-01T11:30:00Z", 2)):
        told = run("trend", "--as-of", text, "--json").json
        assert len(told["series"]) == series
        assert datetime.fromisoformat(told["as_of"]) == datetime.fromisoformat(text)
    assert "with its offset" in run("trend", "--as-of", "2026-03-01T12:00", expect=2).err


def test_the_page_reads_the_same_instant_and_says_so(kept, tmp_path):
    run, _ = kept
    told = run("report", "-o", tmp_path / "r.html", "--as-of", DAYS[1], "--json").json
    assert (told["as_of"], told["entered_since"]) == (DAYS[1], 3)
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "As of 2026-03-05: 3 entries made since are left out" in page
    assert "--as-of 2026-03-05" in page and "S0" not in page


def test_nothing_is_written_into_the_past(kept, tmp_path):
    run, _ = kept
    told = run("query", "--sql", "DELETE FROM drops", "--as-of", DAYS[1], expect=2)
    assert "read-only" in told.err
    past = database.past(tmp_path / "store.duckdb", datetime(2026, 3, 2, tzinfo=UTC))
    with pytest.raises(duckdb.Error), database.reading(past) as connection:
        connection.execute("COPY drops TO 'x.csv'")


def test_rows_are_copied_after_those_that_they_refer_to():
    """Else what they refer to is not there yet, and they would be left out."""
    with database.empty() as connection:
        order = {name: place for place, name in enumerate(sql_files.tables(connection))}
    known = [each for each in sql_files.references() if each.table in order]
    assert len(known) > 50
    assert [each for each in known if order[each.table] < order[each.to_table]] == []


def test_no_answer_reads_past_the_instant():
    """Whole stores are read for numbers of reports, names that came later, the store's own site,
    who enters, and whether anything was entered since."""
    workflow = Path(session.__file__).parent
    text = {file.name: file.read_text(encoding="utf-8") for file in workflow.glob("*.py")}
    whole = {name: text[name].count("reading(session.store)") for name in text}
    assert {name: times for name, times in whole.items() if times} == {
        "histories.py": 3,
        "issuing.py": 3,
        "series.py": 1,
        "session.py": 3,
        "show.py": 1,
    }
