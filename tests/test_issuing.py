"""Reports get numbers as they are issued; a re-issue tells what it replaces, why, what changed."""

import hashlib
import html
import json
import re

import duckdb
import pytest

from durability import PROGRAM_VERSION
from durability.record.errors import StoreUnusable, UnusableCall
from durability.report.page import changes, page
from durability.workflow import issuing
from durability.workflow.reporting import gather_report
from durability.workflow.results import ReportAnswer
from durability.workflow.session import Session


@pytest.fixture
def lab(store, sheet, once):
    """Two cases of one model; one wears."""

    def make():
        lines = [
            "series,drop_number,peak_g,case,case_model,device,device_kind,device_model,dropped_at"
        ]
        for case, rise in ((1, 0.0), (2, 0.04)):
            lines += [
                f"S{case},{drop},{150 * (1 + rise * drop) + drop % 3},C{case},sleeve,R{case},"
                f"device,phone,2026-03-0{case}T10:{drop:02d}"
                for drop in range(1, 13)
            ]
        store("import", "drops", sheet("drops.csv", *lines))
        looks = ["device,inspected_at,function,outcome"]
        looks += [f"R{case},2026-03-1{case},display,pass" for case in (1, 2)]
        store("import", "inspections", sheet("looks.csv", *looks))

    once(make)
    return store


@pytest.fixture
def undrawn(lab, monkeypatch):
    """The same, with pages of one line: for what does not hang on what they show."""
    monkeypatch.setattr(
        "durability.report.page.page", lambda contents, told, short: f"report {contents.digest}"
    )
    return lab


@pytest.fixture
def issued_once(undrawn, once):
    """The same, report 1 issued."""
    once(undrawn, "report", "-o", "a.html")
    return undrawn


def text_of(file):
    text = re.sub(r"<style.*?</style>", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def issued(run):
    told = run("query", "issued_reports", "--json").json
    return [dict(zip(told["columns"], row, strict=True)) for row in told["rows"]]


def test_a_page_comes_back_as_it_was_issued(issued_once, tmp_path):
    was = (tmp_path / "a.html").read_bytes()
    issued_once("damage", "add", "C1", "--severity", "1")
    told = issued_once("report", "-o", "again.html", "--number", 1, "--json").json
    assert told == {"file": "again.html", "number": 1, "issued_as": "a.html"}
    assert (tmp_path / "again.html").read_bytes() == was
    assert [row["is_page_kept"] for row in issued(issued_once)] == [True]
    for words, said in (
        (("again.html", "--number", "2"), "no report of that number (issued so far: 1 to 1)"),
        (("again.pdf", "--number", "1"), "was issued as .html"),
    ):
        assert said in issued_once("report", *words, expect=None).err
    by_hand = tmp_path / "store.duckdb"
    for held, said in (("''::BLOB", "is not the one issued"), ("NULL", "before pages were kept")):
        with duckdb.connect(str(by_hand)) as connection:
            connection.execute(f"UPDATE report_issue SET page = {held}")
        assert said in issued_once("report", "b.html", "--number", "1", expect=1).err
    assert not (tmp_path / "b.html").exists()


def test_each_page_has_a_number_and_its_digest_is_kept(lab, tmp_path):
    first = lab("report", "-o", "a.html", "--json").json
    second = lab("report", "-o", "b.html", "--case-model", "sleeve", "--by", "R. Koch").out
    assert (first["number"], first["replaces"]) == (1, None)
    assert second.splitlines()[-1] == "written: b.html (report 2)"
    one, two = issued(lab)
    for row, name in ((one, "a.html"), (two, "b.html")):
        content = (tmp_path / name).read_bytes()
        assert row["page_sha256"] == hashlib.sha256(content).hexdigest()
        assert row["page_file_name"] == name
    assert (one["scope"], two["scope"]) == ("whole record", "case model: sleeve")
    assert (one["issued_by"], two["issued_by"]) == ("tester", "R. Koch")
    assert " Report 2 made " in text_of(tmp_path / "b.html")
    assert "durability query issued_reports" in text_of(tmp_path / "a.html")


def test_issuing_changes_no_answer_and_no_digest(undrawn):
    digests = {undrawn("report", "-o", "a.html", "--on", "2026-04-01", "--json").json["digest"]}
    digests.add(undrawn("report", "-o", "b.html", "--on", "2026-04-01", "--json").json["digest"])
    assert len(digests) == 1


def test_a_reissue_tells_number_reason_and_difference(lab, tmp_path, sheet):
    on = ("--on", "2026-04-01")
    before = lab("trend", "--json").json["series"][0]
    lab("report", "-o", "a.html", *on)
    lab("drop", "void", "S1", "5", "--reason", "it struck the guide")
    lab("drop", "amend", "S2", "4", "--set", "peak_g=151", "--reason", "misread")
    lab("drop", "add", "S1", "--peak-g", "149")
    told = lab("report", "-o", "b.html", *on, "--reissue-of", "1", "--reason", "drop 5 was none")
    said = " ".join(told.out.split())
    assert "replaces report 1 of" in said and "Reason: drop 5 was none." in said
    assert "1 drop added, 1 drop voided, 1 other amendment" in said
    text = text_of(tmp_path / "b.html")
    assert "Report 2 " in text
    told_first = text.partition("What to do next")[0]
    assert "Re-issue: replaces report 1 of" in told_first
    assert "What changed since report 1" in text
    section = text.partition("Answers that changed")[2].partition("Wear by case model")[0]
    assert "drops 24 valid, 0 void, 24 total 24 valid, 1 void, 25 total" in section
    after = lab("trend", "--json").json["series"][0]
    for trend in (before, after):
        assert f"{trend['verdict']}, {trend['rise_pct_per_drop']:+.2f}" in section
    assert "S1 5 status valid void it struck the guide tester" in section
    assert "S2 4 peak, g 1" in section and "misread" in section
    assert re.search(r"S1 drop 1 13 to 13 0", section)
    assert [(row["replaces"], row["replaced_by"], row["reason"]) for row in issued(lab)] == [
        (None, 2, None),
        (1, None, "drop 5 was none"),
    ]
    assert "What changed" not in text_of(tmp_path / "a.html")


def test_whom_a_report_was_for_is_kept_and_taken_over_by_a_reissue(undrawn, tmp_path):
    (tmp_path / "store.toml").write_text('customer = "Acme"\nlaboratory = "Drop lab"\n')
    undrawn("report", "-o", "a.html", "--purpose", "choice of a sleeve", "--customer", "Bolt Ltd")
    undrawn("report", "-o", "b.html", "--reissue-of", "1", "--reason", "x", "--purpose", "y")
    assert "--customer: blank" in undrawn("report", "-o", "c.html", "--customer", " ", expect=2).err
    found = undrawn("query", "issued_reports", "--json").json
    given = [row[found["columns"].index("test_laboratory") :] for row in found["rows"]]
    assert given == [
        ["Drop lab", "Bolt Ltd", "choice of a sleeve"],
        ["Drop lab", "Bolt Ltd", "y"],
    ]


def test_a_reissue_without_a_change_says_so(lab, tmp_path):
    lab("report", "-o", "a.html", "--on", "2026-04-01")
    run = ("report", "-o", "b.html", "--on", "2026-04-01", "--reissue-of", "1", "--reason", "logo")
    told = " ".join(lab(*run).out.split())
    assert re.search(r"0 of \d+ answers have changed; in the record since: nothing", told)
    assert "No answer changed." in text_of(tmp_path / "b.html")


def test_another_version_of_the_program_is_a_cause_of_its_own(undrawn, monkeypatch, sheet):
    with monkeypatch.context() as former:
        former.setattr("durability.store.bench.PROGRAM_VERSION", "0.1.0")
        undrawn("report", "-o", "a.html", "--on", "2026-04-01")
    again = ("--on", "2026-04-01", "--reason", "new program")
    told = " ".join(undrawn("report", "-o", "b.html", "--reissue-of", "1", *again).out.split())
    version = f"the program's version: 0.1.0 → {PROGRAM_VERSION}."
    assert f"in the record since: nothing added, voided or amended; {version}" in told
    undrawn("drop", "add", "S1", "--peak-g", "149")
    told = " ".join(undrawn("report", "-o", "c.html", "--reissue-of", "2", *again).out.split())
    assert "in the record since: 1 drop added." in told  # both by this version
    with monkeypatch.context() as later:
        later.setattr("durability.workflow.issuing.PROGRAM_VERSION", "9.9")
        undrawn("drop", "add", "S1", "--peak-g", "150")
        told = " ".join(undrawn("report", "-o", "d.html", "--reissue-of", "3", *again).out.split())
    assert f"1 drop added; the program's version: {PROGRAM_VERSION} → 9.9." in told


@pytest.mark.parametrize(
    ("asked", "status", "said"),
    [
        (["--reissue-of", "9", "--reason", "x"], 1, "no report of that number (issued so far: 1"),
        (["--reissue-of", "1"], 2, "--reason: missing"),
        (["--reissue-of", "1", "--reason", " "], 2, "--reason: missing"),
        (["--reason", "x"], 2, "--reason: belongs to --reissue-of"),
        (["--reissue-of", "1", "--reason", "x", "--series", "S1"], 1, "about the whole record"),
        (["--reissue-of", "1", "--reason", "x"], 1, "replaced by report 2 already"),
    ],
)
def test_what_is_no_reissue_is_one_line(issued_once, tmp_path, asked, status, said):
    if "already" in said:
        issued_once("report", "-o", "b.html", "--reissue-of", "1", "--reason", "y")
    told = issued_once("report", "-o", "c.html", *asked, expect=status)
    assert said in told.err
    assert told.err.count("\n") == 1
    assert not (tmp_path / "c.html").exists()


def test_a_store_that_can_not_be_written_gives_a_page_without_a_number(lab, tmp_path, monkeypatch):
    monkeypatch.setattr(issuing.os, "access", lambda path, mode: False)
    told = lab("report", "-o", "a.html", "--json").json
    assert told["number"] is None
    assert "Report not numbered: store.duckdb can't be written" in text_of(tmp_path / "a.html")
    assert issued(lab) == []
    again = ("report", "-o", "b.html")
    assert "report not numbered: store.duckdb can't be written" in lab(*again).out


def test_a_store_that_is_held_gives_a_page_without_a_number(lab, tmp_path, monkeypatch):
    def held(path):
        raise StoreUnusable(f"{path.name}: the file is open in another program")

    monkeypatch.setattr(issuing.database, "writing", held)
    assert lab("report", "-o", "a.html", "--json").json["number"] is None
    assert "not numbered: store.duckdb: the file is open" in text_of(tmp_path / "a.html")


def test_a_page_that_can_not_be_written_takes_no_number(undrawn, monkeypatch):
    from durability.cli import report

    def refuse(*_):
        raise UnusableCall("-o 'a.html': can't be written (disk full)")

    monkeypatch.setattr(report, "write", refuse)
    assert "disk full" in undrawn("report", "-o", "a.html", expect=2).err
    assert issued(undrawn) == []


def test_a_number_taken_meanwhile_is_not_given_twice(lab, tmp_path):
    from datetime import date

    session = Session(tmp_path / "store.duckdb", "tester")
    contents = gather_report(session, on=date(2026, 4, 1))
    drawn_as = []

    def drawn(numbered):
        if not drawn_as:
            lab("report", "-o", "other.html")
        drawn_as.append(numbered.issue.number)
        return page(numbered).encode()

    written = issuing.issue_report(
        session,
        contents,
        tmp_path / "mine.html",
        answers=changes.answers(contents),
        replaced=None,
        reason=None,
        drawn=drawn,
        written=type(tmp_path).write_bytes,
    )
    assert drawn_as == [1, 2]
    assert written.issue.number == 2
    assert [row["page_file_name"] for row in issued(lab)] == ["other.html", "mine.html"]


def test_answers_are_kept_in_full_digits(issued_once):
    told = issued_once("query", "--sql", "SELECT answers FROM issued_reports", "--json").json[
        "rows"
    ][0][0]
    trend = issued_once("trend", "--series", "S2", "--json").json["series"][0]
    kept = {each["answer"]: each for each in json.loads(told)}["trend of S2, % per drop"]
    assert kept["numbers"] == [
        trend["rise_pct_per_drop"],
        trend["rise_lower"],
        trend["rise_upper"],
    ]
    assert kept["told"].startswith(trend["verdict"])


def test_differences_by_name():
    before = [ReportAnswer("a", "1"), ReportAnswer("b", "2"), ReportAnswer("gone", "3")]
    after = [ReportAnswer("new", "9"), ReportAnswer("a", "1"), ReportAnswer("b", "4")]
    assert changes.differences(before, after) == [
        ("new", "not reported", "9"),
        ("b", "2", "4"),
        ("gone", "3", "not reported"),
    ]
