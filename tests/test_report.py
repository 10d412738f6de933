"""The page: what it says, that it is whole, and how a real browser shows it."""

import base64
import html.parser
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from export_files import half_sine_g, write_volts

from durability.__main__ import main
from durability.cli import report as printing
from durability.record import units
from durability.report import labels, safety
from durability.report.answers import follow_up as due
from durability.report.answers import latent, voided
from durability.report.answers.rank import ranking_answer
from durability.report.blocks import Table, Words
from durability.report.page import formal, page, short_sections, words
from durability.workflow import corrections, follow_up, specimens
from durability.workflow.devices import DeviceStudy
from durability.workflow.reporting import gather_report
from durability.workflow.series import open_series
from durability.workflow.session import Session, make_store

ON = date(2026, 10, 12)
NASTY = "<script>alert(1)</script></details>"
RIGHT_TO_LEFT = "\u05d7\u05d6\u05e7"  # a word in Hebrew
EMOJI = "\U0001f9ea"


@pytest.fixture(scope="module")
def contents(demo_store):
    return gather_report(Session(demo_store, "tester"), on=ON, claim_pct=60.0)


@pytest.fixture(scope="module")
def drawn(contents):
    """The demo's page, and what was told while it was drawn."""
    told = []
    return page(contents, lambda *each: told.append(each)), told


@pytest.fixture(scope="module")
def demo_page(drawn, tmp_path_factory):
    file = tmp_path_factory.mktemp("page") / "demo.html"
    file.write_text(drawn[0], encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def odd_pages(tmp_path_factory):
    """Pages of an empty store, of one drop in other scripts, and of the same drop voided."""
    folder = tmp_path_factory.mktemp("odd")
    session = Session(folder / "odd.duckdb", "tester")
    make_store(session)
    pages = {"empty": _page_of(session, folder / "empty.html")}
    specimens.add_specimen(
        session, f"C {RIGHT_TO_LEFT}", "case", {"model": f"{RIGHT_TO_LEFT} {EMOJI}"}
    )
    specimens.add_specimen(session, "R<1>", "device", {})
    open_series(session, "S&1", device="R<1>", case=f"C {RIGHT_TO_LEFT}", sensor=None, values={})
    run = ["--store", str(session.store), "--by", NASTY]
    noted = ["--note", NASTY, "--damage-severity", "2", "--damage-note", NASTY]
    assert main(["drop", "add", "S&1", "--peak-g", "118", *noted, *run]) == 0
    pages["one"] = _page_of(session, folder / "one.html")
    corrections.void_drop(session, "S&1", 1, NASTY)
    pages["void"] = _page_of(session, folder / "void.html")
    return {**pages, "session": session}


def _page_of(session, file, **scope):
    file.write_text(page(gather_report(session, on=ON, **scope)), encoding="utf-8")
    return file


# ------------------------------------------------------------------------------- what it says


def shown_text(file):
    """What a reader sees, without tags."""
    text = re.sub(r"<style.*?</style>", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(html_unescaped(re.sub(r"<[^>]+>", " ", text)).split())


def html_unescaped(text):
    import html

    return html.unescape(text)


def test_a_stranger_finds_the_answers_on_the_first_screen(contents, demo_page):
    """Which sleeve, how sure, what was left out and why, which radios died later."""
    first_screen = shown_text(demo_page).partition("Wear by case model")[0]
    assert ranking_answer(contents.ranking) in first_screen
    later = [
        each.device for each in contents.latent.link.per_device if each.state == "latent failure"
    ]
    assert later
    assert all(device in first_screen for device in later)
    assert all(row["void_reason"] in first_screen for row in contents.voided)
    assert "775 valid, 9 void, 784 total" in first_screen
    assert "R09, R10" in first_screen.partition("What to do next")[2]
    assert "suggestions of the program, not results" in first_screen


def test_its_numbers_are_those_of_the_terminal(
    contents, demo_page, demo_store, capsys, monkeypatch
):
    monkeypatch.setenv("COLUMNS", "300")
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))
    text = shown_text(demo_page)
    for command in (["rank"], ["trend"], ["forecast"], ["due", "--on", "2026-10-12"]):
        capsys.readouterr()
        assert main(command) == 0
        lines = capsys.readouterr().out.splitlines()
        numbers = {
            cell.strip().removeprefix("- ")
            for line in lines[3:]
            for cell in re.split(r"\s{2,}", line)
            if re.match(r"^(- )?[-+>!\d]", cell.strip())
        }
        assert len(numbers) > 4, command
        assert [cell for cell in numbers if cell not in text] == [], command
        assert lines[0] in text


@pytest.mark.parametrize("devices", [True, False])
def test_its_words_and_tables_on_devices_are_those_of_the_terminal(demo_page, demo_store, devices):
    session = Session(demo_store, "tester")
    text = shown_text(demo_page)
    shown = [
        *latent.blocks(DeviceStudy(session, ON).answer(), devices=devices),
        *due.due_blocks(follow_up.due(session, ON.isoformat(), 0)),
    ]
    tables = [block for block in shown if isinstance(block, Table)]
    assert len(tables) == 3
    for table in tables:
        assert table.caption in text
        for row in (table.columns, *table.rows):
            assert " ".join(" ".join(row).split()) in text
    for block in shown:
        if isinstance(block, Words) and "latent --devices" not in block.text:
            assert block.text in text


def test_every_voided_drop_has_its_reason_and_its_effect(contents):
    changed = {before.series for before, _ in voided.changed_verdicts(contents)}
    assert changed == {"demo-M1"}
    for row in contents.voided:
        trends = {each.trend.series: each.trend for each in contents.pictures}
        told = voided.effect(row, trends.get(row["series"]), contents.put_back.get(row["series"]))
        if row["peak_g"] is None:
            assert told == "no reading to include"
        else:
            assert ("becomes" in told) == (row["series"] in changed)


def test_the_rig_and_the_claims_stand_in_the_words_of_the_terminal(
    demo_page, demo_store, capsys, monkeypatch
):
    monkeypatch.setenv("COLUMNS", "500")
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))
    text = shown_text(demo_page)
    capsys.readouterr()
    assert main(["rig"]) == 0
    assert capsys.readouterr().out.splitlines()[0] in text
    # Both under the three conditions under which something was dropped bare too.
    for model, conditions in (("Scree", 3), ("Tarn", 3)):
        assert main(["claim", "bare", model, "--at-least", "60"]) in (0, 1)
        told = [line for line in capsys.readouterr().out.splitlines() if "SHOWN: " in line]
        assert len(told) == conditions
        assert all(line in text for line in told)
    first_screen = text.partition("Wear by case model")[0]
    assert "shown for Corrie (1220 mm, steel plate over concrete, device)" in first_screen


def test_it_says_what_the_later_failures_hang_on(demo_page):
    """As the terminal does: fails that no further look confirmed, a dose declared or not."""
    text = shown_text(demo_page)
    assert "Exploratory: no dose was declared before the first follow-up inspection" in text
    assert "R21: intermittent push-to-talk, failed on 2026-05-01: confirmed" in text


def test_a_suspect_battery_comes_first(demo_page):
    text = shown_text(demo_page)
    assert "Isolate R14: battery suspect." in text.partition("What to do next")[2][:200]


def test_it_says_what_is_not_recorded_or_not_evaluated(demo_page):
    text = shown_text(demo_page)
    assert "fixture not recorded (55)" in text
    assert "peak g 781 not evaluated" in text
    assert "9.80665 m/s²" in text
    assert "decision rule" in text
    assert "risk of a false statement" in text


def test_what_a_test_report_should_hold_is_there_or_told_to_be_missing(contents, odd_pages):
    """IEC 60068-2-27:2008, clause 12; its items from memory."""
    items = dict(formal.report_items(contents))
    assert items["test dates"] == "2026-03-02 to 2026-04-13"
    assert items["mounting and fixture"] == labels.NOT_RECORDED
    assert items["uncertainty of the measuring system"] == formal.NOT_EVALUATED
    assert items["severities: drop height, mm"].startswith("1220 (38)")
    assert items["initial measurements and functional checks"] == (
        "24 of 24 devices before the first drop"
    )
    assert items["who dropped"] == "operator 1, operator 2"
    empty = shown_text(odd_pages["empty"]).partition("after IEC 60068-2-27:2008, clause 12")[2]
    for item in items:
        missing = re.search(re.escape(item) + r" (\S+ \S+)", empty)[1]
        held = {
            "report identification": "report not",
            "name and signature of who is responsible": "",
            "performance of the apparatus: cross-axis motion": "not measured",
        }
        wanted = (labels.NOT_RECORDED, formal.NOT_EVALUATED, held.get(item, "-"), "not given:",
                  "lines to")  # fmt: skip
        assert missing in wanted, item


def test_what_every_report_should_hold_is_there_or_said_to_be_missing(contents, drawn):
    """ISO/IEC 17025:2017, 7.8.2.1 a to p."""
    items = dict(formal.general_items(contents))
    assert {item[0] for item in items} == set("abdefghijklmnop")  # c stands with b
    assert items["e customer"] == "not given: durability report --customer"
    assert items["h dates of receipt"].startswith("recorded of 54 of 54 specimens")
    assert drawn[0].count(words.ONLY_TESTED) == 1
    assert drawn[0].rstrip().endswith("</html>")
    last = drawn[0].rpartition('<p class="note">')[2]
    assert last.startswith(f"End of report not numbered, digest {contents.digest}.")


def test_whom_it_is_for_and_who_signs(contents):
    given = {"laboratory": "Drop lab, Bern", "customer": "Acme <GmbH>", "purpose": None}
    text = page(replace(contents, parties=given), short=True)
    assert "Acme &lt;GmbH&gt;" in text.partition("</header>")[0]
    signed = text.partition('id="signatures"')[2]
    assert [cell in signed for cell in ("tested by", "reviewed by", "approved by")] == [True] * 3
    assert "operator 1, operator 2" in signed and signed.count("____________<") >= 5


def test_the_whole_page_is_called_for_with_what_was_given(contents):
    call = words.whole_report(contents)
    assert "--claim 60" in call and "--units" not in call and "--level" not in call
    other = replace(contents, level=0.8, horizon=99, claim_pct=None)
    with units.shown_in("us"):
        call, facts = words.whole_report(other), dict(words.identity(other))
    assert all(word in call for word in ("--level 0.8", "--horizon 99", "--units us"))
    assert "--claim" not in call and "--units us" in facts["units"]
    assert "units" not in dict(words.identity(other))


def test_amended_values_are_shown_in_the_units_of_the_page():
    row = {"record": "A", "drop_number": None, "column_name": "drop_height_mm", "reason": "misread",
           "old_value": "1220.0", "new_value": "1219.2", "entered_by": "Bo",
           "entered_at_utc": datetime(2026, 1, 1, tzinfo=UTC)}  # fmt: skip
    (si,) = voided.AMENDED.table([row]).rows
    assert [*si][2:5] == ["drop height, mm", "1220.0", "1219.2"]
    with units.shown_in("us"):
        (us,) = voided.AMENDED.table([row]).rows
    assert [*us][2:5] == ["drop height, in", "48.03", "48"]


def test_drops_that_nobody_checked_are_counted_by_series(store, sheet, tmp_path):
    lines = ["series,drop_number,peak_g,status,void_reason"]
    lines += ["A,1,100,valid,", "A,2,101,valid,", "A,3,99,void,cable", "B,1,90,valid,"]
    store("import", "drops", sheet("drops.csv", *lines))
    store("review", "A", "1", "--by", "Bo")
    store("report", "-o", "page.html")
    text = shown_text(tmp_path / "page.html")
    assert "1 of 4 drops checked by a second person, 3 not." in text
    assert "Entered: 4 drops, 1 of them void and 0 amended; 0 damage notes; 0 inspections" in text
    assert re.search(r"checked by A 3 1 0 1 2 Bo B 1 0 0 0 1", text)


def test_counts_stand_on_page_one_with_a_way_to_each(contents, demo_page, store, sheet, tmp_path):
    """Deviations, voided drops and amendments: ISO/IEC 17025, 7.8 and 7.5.2."""
    source = demo_page.read_text(encoding="utf-8")
    first_page = source.partition('id="wear"')[0]
    assert '<a href="#voided">Left out</a>' in first_page
    assert '<a href="#amendments">Changed</a>' in first_page
    counted = "3 amendments, first values kept; no deviation on record; 0 of 784 drops checked"
    assert counted in first_page
    lines = ["series,drop_number,peak_g,drop_height_mm,achieved_height_mm,note"]
    lines += ["A,1,100,1000,1010,", "A,2,101,1000,1030,", "A,3,99,1000,,off plan: corner"]
    store("import", "drops", sheet("drops.csv", *lines))
    store("report", "-o", "off.html", "--quiet")
    text = shown_text(tmp_path / "off.html")
    assert (
        "No amendment; 2 deviations; 0 of 3 drops checked"
        in text.partition("Wear by case model")[0]
    )
    assert "A 2 fell 1030 mm in place of 1000 mm tester" in text
    assert "A 3 off plan: corner tester" in text


def test_it_names_its_number_day_record_and_versions(contents, demo_page):
    text = shown_text(demo_page)
    assert contents.digest in text
    assert "as of 2026-10-12" in text
    assert all(version in text for version in contents.versions.values())
    assert "PASS: 141 of 141 published values" in text
    assert "INVENTED" in text


def test_the_number_stays_with_the_record_and_changes_with_it(odd_pages):
    """The pages of one record before and after a drop was voided; the first asked twice."""
    session = odd_pages["session"]
    last, again = (gather_report(session, on=ON) for _ in range(2))
    assert last.digest == again.digest
    assert last.digest in shown_text(odd_pages["void"])
    assert last.digest not in shown_text(odd_pages["one"])
    assert gather_report(session, on=ON, specimen="R<1>").digest != last.digest
    same_moment = replace(again, made_at=last.made_at, selfcheck=last.selfcheck)
    assert page(same_moment) == page(last)


@pytest.mark.parametrize(
    ("scope", "title", "series"),
    [
        ({"case_models": ["Scree"]}, "case model Scree", {"Scree"}),
        ({"specimen": "S1"}, "specimen S1", {"Scree"}),
        ({"specimen": "R14"}, "specimen R14", {None}),
        ({"specimen": "K01"}, "specimen K01", set()),
        ({"series": ["demo-pad"]}, "series demo-pad", {None}),
    ],
)
def test_scopes(demo_store, scope, title, series):
    told = gather_report(Session(demo_store, "tester"), on=ON, **scope)
    assert title in words.title(told.scope)
    assert {each.trend.case_model for each in told.pictures} == series
    if scope == {"specimen": "R14"}:
        assert [each.device for each in told.latent.link.per_device] == ["R14"]
        assert "R14" in latent.failed_later(told.latent.link)


def test_a_plan_is_a_scope(demo_store):
    session = Session(demo_store, "tester")
    (plan,) = set(_plans(session))
    told = gather_report(session, on=ON, plan=plan)
    assert told.scope.devices and all(device[0] in "RK" for device in told.scope.devices)


def _plans(session):

    _, *own = follow_up.plans(session)
    return [each.name for each in own]


# ------------------------------------------------------------------------------- the command


def test_the_command_writes_the_page(store, tmp_path):
    told = store("report", "-o", "page.html")
    assert told.out.splitlines()[0] == "No drop is in this scope, so there is nothing to judge yet."
    assert (tmp_path / "page.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    told = store("report", "-o", "page.html", "--quiet", "--json")
    assert set(told.json) == {"file", "number", "replaces", "digest", "answer"}
    assert (told.json["number"], told.json["replaces"]) == (2, None)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["-o", "nowhere/page.html"], "does not exist"),
        (["-o", "."], "is a folder"),
        (["-o", "page.txt"], "ends in none of .html, .htm, .pdf"),
        (["-o", "page"], "ends in none of .html, .htm, .pdf"),
        (["-o", "page.pdf"], "none is installed; name an .html file and print that"),
        (["-o", "page.html", "--case-model", "none"], "no series in a case of that model"),
        (["-o", "page.html", "--specimen", "X"], "not in the store"),
        (["-o", "page.html", "--plan", "X"], "not in the store"),
        (["-o", "page.html", "--on", "soon"], "--on"),
        (["-o", "page.html", "--level", "2"], "--level"),
    ],
)
def test_what_can_not_be_done_is_one_line(store, tmp_path, asked, said, monkeypatch):
    monkeypatch.setattr(printing, "BROWSERS", ("no-such-browser",))
    told = store("report", *asked, expect=None)
    assert told.status in (1, 2)
    assert said in told.err
    assert told.err.count("\n") == 1
    assert not [*tmp_path.glob("page*")]


A_BROWSER = """#!{python}
import pathlib, sys
(target,) = [each.partition("=")[2] for each in sys.argv if each.startswith("--print-to-pdf=")]
page = pathlib.Path(target).with_name("page.html").read_text()
assert sys.argv[-1].endswith("page.html") and "size: A4" in page
pathlib.Path("seen.txt").write_text(page)
{rest}
"""


@pytest.mark.parametrize(
    ("rest", "why"),
    [
        ('pathlib.Path(target).write_bytes(b"%PDF-1.7 made up %%EOF")', None),
        ('print("no display", file=sys.stderr); sys.exit(3)', "(no display)"),
        ('pathlib.Path(target).write_bytes(b"%PDF-1.7 cut sh")', "(exit status 0)"),
    ],
)
def test_a_browser_prints_the_page_whole_or_not_at_all(rest, why, store, tmp_path, monkeypatch):
    browser = tmp_path / "a-browser"
    browser.write_text(A_BROWSER.format(python=sys.executable, rest=rest), encoding="utf-8")
    browser.chmod(0o755)
    monkeypatch.setattr(printing, "BROWSERS", (str(browser),))
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    (tmp_path / "page.pdf").write_text("of last week", encoding="utf-8")
    told = store("report", "-o", "page.pdf", expect=None)
    assert "there is nothing to judge yet" in (tmp_path / "seen.txt").read_text(encoding="utf-8")
    assert not [*tmp_path.glob("durability-print-*")]
    written = (tmp_path / "page.pdf").read_bytes()
    issued = store("query", "issued_reports", "--json").json["rows"]
    if why is None:
        assert (told.status, written[:5], len(issued)) == (0, b"%PDF-", 1)
        assert "written: page.pdf (report 1)" in told.out
    else:
        assert (told.status, written, issued) == (2, b"of last week", [])
        assert why in told.err and told.err.count("\n") == 1


def test_the_paper_is_that_of_the_country(monkeypatch):
    for name in ("LC_ALL", "LC_PAPER", "LANG"):
        monkeypatch.delenv(name, raising=False)
    assert printing.paper() == "A4"
    monkeypatch.setenv("LANG", "en_US.UTF-8")
    assert printing.paper() == "letter"
    monkeypatch.setenv("LC_PAPER", "de_DE.UTF-8")
    assert printing.paper() == "A4"


def test_nothing_of_the_record_is_taken_for_markup(odd_pages):
    for name in ("one", "void"):
        source = odd_pages[name].read_text(encoding="utf-8")
        assert "<script" not in source.lower()
        assert NASTY in shown_text(odd_pages[name]) or NASTY in html_unescaped(source)


def test_what_is_missing_is_told(odd_pages):
    empty = shown_text(odd_pages["empty"])
    assert "No drop is in this scope" in empty
    assert labels.NOTHING["devices"] in empty
    assert "0 valid, 0 void, 0 total" in empty
    one = shown_text(odd_pages["one"])
    assert "Too few drops to rank." in one
    assert "1 valid, 0 void, 1 total" in one
    void = shown_text(odd_pages["void"])
    assert "0 valid, 1 void, 1 total" in void
    assert "sensor" in void.partition("Record what is missing")[2]


def test_waveforms_bring_pulses_spectra_and_uncertainty(rig, tmp_path):
    files = [
        write_volts(tmp_path / f"{at}.csv", half_sine_g(400.0 + 60 * at, seed=at))
        for at in range(3)
    ]
    rig("import", "waveforms", *files, "--series", "S1")
    rig("report", "-o", "page.html", "--quiet")
    text = shown_text(tmp_path / "page.html")
    assert "Waveforms of series S1: 3 of 3" in text
    assert "Shock response spectra of series S1" in text
    assert re.search(r"peak g 3 median 0\.\d+ % \(standard, calibration excluded\) in 3", text)
    assert "typed 3" not in text


PNG = b"\x89PNG\r\n\x1a\n"


def test_photos_of_damage_are_shown_if_they_are_those_that_were_recorded(store, tmp_path):
    photos = tmp_path / "photos"
    photos.mkdir()
    for name, content in {
        "corner.png": PNG + b"one",
        "edge.jpg": b"\xff\xd8\xff two",
        "swapped.png": PNG + b"three",
        "gone.webp": b"RIFF\0\0\0\0WEBP",
        "notes.html": b"<script>alert(1)</script>",
    }.items():
        (photos / name).write_bytes(content)
    store("specimen", "add", "C<1>", "--kind", "case", "--model", "sleeve")
    store("specimen", "add", "R1", "--kind", "device")
    store("series", "open", "S1", "--device", "R1", "--case", "C<1>")
    store("drop", "add", "S1", "--peak-g", "118")
    named = [part for each in sorted(photos.iterdir()) for part in ("--photo", each)]
    store("damage", "add", "C<1>", "--severity", "2", "--series", "S1", "--drop", "1", *named)
    store("damage", "add", "C<1>", "--severity", "3", "--photo", photos / "edge.jpg")
    (photos / "swapped.png").write_bytes(PNG + b"another")
    (photos / "gone.webp").unlink()
    store("report", "-o", "page.html", "--with-photos", photos)
    # What is kept beside the store is shown whatever becomes of the file it came from; photos
    # recorded before they were kept there are only where they came from.
    assert (tmp_path / "page.html").read_text(encoding="utf-8").count("<img") == 4
    shutil.rmtree(tmp_path / "store.photos")
    store("report", "-o", "page.html", "--with-photos", photos)
    source = (tmp_path / "page.html").read_text(encoding="utf-8")
    shown = re.findall(r'<img alt="([^"]*)" src="data:([^;]*);base64,([^"]*)">', source)
    assert [(kind, base64.b64decode(content)) for _, kind, content in shown] == [
        ("image/png", PNG + b"one"),
        ("image/jpeg", b"\xff\xd8\xff two"),
    ]
    assert html_unescaped(shown[0][0]).startswith("C<1> after drop 1 of S1: 2 minor; corner.png (")
    text = shown_text(tmp_path / "page.html")
    for name, why in {
        "swapped.png": "is another file now: its SHA-256 is not the recorded one",
        "gone.webp": f"is not in {photos}",
        "notes.html": "is neither PNG, JPEG nor WebP",
    }.items():
        file = rf"{name} \(SHA-256 \w+\.\.\.\)"
        assert re.search(rf"Not shown: C<1> [^:]*: 2 minor; {file}: it {re.escape(why)}", text)
    assert "<script" not in source
    (tmp_path / "corner.png").write_bytes(PNG + b"one")
    store("report", "-o", "page.html", "--with-photos")  # beside the store
    assert (tmp_path / "page.html").read_text(encoding="utf-8").count("<img") == 1
    assert "no such folder" in store("report", "-o", "a.html", "--with-photos", "x", expect=2).err


# ------------------------------------------------------------------------------- the document

VOID_TAGS = {"meta", "link", "br", "hr", "img", "input", "path", "use"}


class Checker(html.parser.HTMLParser):
    """Balanced tags, unique ids, heading order, table headers, labels of pictures."""

    def __init__(self):
        super().__init__()
        self.stack, self.ids, self.headings, self.faults, self.links = [], set(), [], [], []
        self.headed = None

    def handle_starttag(self, tag, attributes):
        told = dict(attributes)
        if "id" in told:
            if told["id"] in self.ids:
                self.faults.append(f"id {told['id']} twice")
            self.ids.add(told["id"])
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "svg" and not (told.get("role") == "img" and told.get("aria-label")):
            self.faults.append("svg without a label")
        if tag == "img":
            self.faults.append("img")
        if tag == "th" and told.get("scope") not in ("col", "row"):
            self.faults.append("th without scope")
        if tag == "table":
            self.headed = False
        if tag == "thead":
            self.headed = True
        if tag == "tbody" and not self.headed:
            self.faults.append("table without head")
        for name in ("src", "href"):
            if name in told and tag not in ("use", "path"):
                self.links.append(told[name])
        if tag not in VOID_TAGS:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID_TAGS:
            self.stack.pop()

    def handle_endtag(self, tag):
        if tag in VOID_TAGS:
            return
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")


def checked(file):
    checker = Checker()
    checker.feed(file.read_text(encoding="utf-8"))
    checker.close()
    return checker


def test_the_document_is_well_made(demo_page, odd_pages):
    for file in (demo_page, *(odd_pages[name] for name in ("empty", "one", "void"))):
        found = checked(file)
        assert found.faults == []
        assert found.stack == []
        assert found.headings[0] == 1
        assert all(
            later <= earlier + 1 for earlier, later in zip(found.headings, found.headings[1:])
        )
        assert found.headings.count(1) == 1


def test_nothing_is_fetched_and_every_link_lands(demo_page):
    found = checked(demo_page)
    source = demo_page.read_text(encoding="utf-8")
    for link in found.links:
        assert link == "data:," or (link.startswith("#") and link[1:] in found.ids), link
    assert "<script" not in source
    assert not re.search(r"url\((?!#)", source)
    assert "default-src 'none'" in source


def channel(value):
    return value / 12.92 if value <= 0.03928 else ((value + 0.055) / 1.055) ** 2.4


def luminance(colour):
    """Relative luminance, WCAG 2.1."""
    red, green, blue = (channel(int(colour[at : at + 2], 16) / 255) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_stands_out():
    """WCAG 2.1, success criterion 1.4.3: at least 4.5 to 1."""
    folder = Path(words.__file__).parent
    style = "".join((folder / name).read_text("utf-8") for name in ("style.css", "screen.css"))
    grounds = set(re.findall(r"background: (#\w{6})", style))
    inks = set(re.findall(r"[^-]color: (#\w{6})", style))
    assert grounds == {"#ffffff", "#f6f7f8"} and len(inks) >= 4
    for ink in inks:
        assert min(contrast(ink, ground) for ground in grounds) >= 4.5 or ink == "#ffffff", ink
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG's own extreme


# ------------------------------------------------------------------------------- in a browser

CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no chromium to look with")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-logging=stderr",
    "--allow-file-access-from-files",
]
MEASURE = """
<iframe id="f" style="border:0" width="{width}" height="900" src="{address}"></iframe>
<script>
document.getElementById("f").onload = () => {{
  const page = document.getElementById("f").contentDocument;
  const root = page.documentElement;
  const wide = [...page.querySelectorAll("body *")].filter(e => !e.closest(".wide")
      && !e.closest(".skip") && e.getBoundingClientRect().right > {width} + 1).map(e => e.tagName);
  const cut = [...page.querySelectorAll(".wide")].filter(e => e.scrollWidth > e.clientWidth);
  const unsaid = cut.filter(e => e.offsetHeight - e.clientHeight < 6
      || [...e.querySelectorAll("caption span")].some(c =>
          c.getBoundingClientRect().right > e.getBoundingClientRect().right));
  const flat = [...page.querySelectorAll("svg[role=img]")].filter(e =>
      e.getBoundingClientRect().height < 20).length;
  document.title = [root.scrollWidth <= {width}, wide.slice(0, 5).join("/"), flat, unsaid.length,
      cut.length, page.querySelectorAll("svg[role=img]").length].join(";");
  document.body.dataset.found = document.title;
}};
</script>
"""


def browse(tmp_path, *asked):
    done = subprocess.run(
        [CHROMIUM, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", *asked],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done


@needs_chromium
@pytest.mark.parametrize(
    ("name", "width"), [("demo", 1280), ("demo", 768), ("demo", 390), ("one", 390)]
)
def test_nothing_runs_over_the_edge(name, width, demo_page, odd_pages, tmp_path):
    file = demo_page if name == "demo" else odd_pages[name]
    wrapper = tmp_path / "wrapper.html"
    wrapper.write_text(MEASURE.format(width=width, address=file.as_uri()), encoding="utf-8")
    done = browse(
        tmp_path,
        "--window-size=1400,1000",
        "--virtual-time-budget=5000",
        "--dump-dom",
        wrapper.as_uri(),
    )
    found = re.search(r'data-found="([^"]*)"', done.stdout)
    assert found, done.stdout[-500:]
    fits, wide, flat, unsaid, cut, pictures = found[1].split(";")
    assert (fits, wide, flat) == ("true", "", "0")
    # What can be scrolled sideways says so by a bar, under a caption that is whole.
    assert unsaid == "0"
    assert int(cut) > 0 or width == 1280
    assert int(pictures) >= (8 if name == "demo" else 2)
    complaints = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    assert complaints == []


def printed_pages(source, tmp_path):
    """How many pages a browser prints it on, and how large they are, in mm."""
    content = printing.printed(source, CHROMIUM, tmp_path / "page.pdf")
    assert not [*tmp_path.iterdir()]
    sizes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", content)
    ((wide, high),) = {tuple(round(float(each) / 72 * 25.4) for each in size) for size in sizes}
    return len(re.findall(rb"/Type\s*/Page\b", content)), wide, high


@needs_chromium
def test_it_prints(demo_page, tmp_path, monkeypatch):
    monkeypatch.setenv("LC_ALL", "C")
    pages, *paper = printed_pages(demo_page.read_text(encoding="utf-8"), tmp_path)
    assert 8 <= pages <= 40
    assert paper == [210, 297]


@needs_chromium
@pytest.mark.parametrize(
    ("locale", "paper", "named"),
    [("de_DE", [210, 297], "demo-"), ("en_US", [216, 279], "a series of the second winter lot, ")],
)
def test_in_short_it_takes_two_printed_pages(locale, paper, named, contents, tmp_path, monkeypatch):
    """Of the demo, where every list is at its longest, under its own names and longer ones."""
    monkeypatch.setenv("LC_ALL", f"{locale}.UTF-8")
    source = page(contents, short=True).replace("demo-", named)
    assert printed_pages(source, tmp_path) == (2, *paper)


# ------------------------------------------------------------------------------- in short


def test_in_short_it_says_what_counts_in_the_words_of_the_whole_page(
    contents, demo_page, odd_pages, tmp_path
):
    file = tmp_path / "short.html"
    file.write_text(page(contents, short=True), encoding="utf-8")
    text, whole = shown_text(file), shown_text(demo_page)
    for _, sentence, _ in [*words.answers(contents), *words.beside(contents)]:
        assert sentence in text
    assert "12 of 55" in text and "5 inspections due" in text
    assert all(caution in text for caution in safety.CAUTIONS)
    assert "INVENTED" in text
    assert f"durability report -o report.html --on {contents.on}" in text
    (series,) = [each for each in short_sections(contents) if each.name == "series"]
    for code, *cells in series.blocks[0].rows:
        assert code in text
        assert [each for each in cells if each not in whole] == []
    found = checked(file)
    assert (found.faults, found.stack) == ([], [])
    assert all(link == "data:," or link[1:] in found.ids for link in found.links)
    empty = tmp_path / "empty.html"
    session = Session(tmp_path / "empty.duckdb", "tester")
    make_store(session)
    empty.write_text(page(gather_report(session, on=ON), short=True), encoding="utf-8")
    assert "there is nothing to judge yet" in shown_text(empty)


# ------------------------------------------------------------------------------- many series


def test_many_series_stay_readable(store, tmp_path, monkeypatch):
    lines = ["series,drop_number,peak_g,case,case_model"]
    for at in range(60):
        lines += [
            f"K{at:03d},{drop},{150 * (1 + 0.002 * (at % 9) * drop) + (at * 7 + drop * 13) % 11},"
            f"C{at:03d},model {at % 4}"
            for drop in range(1, 7)
        ]
    (tmp_path / "many.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    store("import", "drops", "many.csv", "--quiet")
    store("report", "-o", "many.html", "--quiet")
    source = (tmp_path / "many.html").read_text(encoding="utf-8")
    assert "48 more rows" in source
    assert "not on this page" not in source
    assert len(source) < 3_000_000
    assert checked(tmp_path / "many.html").faults == []
    monkeypatch.setattr("durability.report.blocks.MOST_ROWS", 20)
    store("report", "-o", "first.html", "--quiet")
    source = (tmp_path / "first.html").read_text(encoding="utf-8")
    assert source.count("8 more rows; the last 40 are not on this page") == 3
    assert checked(tmp_path / "first.html").faults == []


def test_its_progress_says_which_of_how_many(drawn):
    _, told = drawn
    of = len(told)
    assert of >= 8
    assert [each[1:] for each in told] == [(at, of) for at in range(of)]
    assert told[6][0].startswith(f"picture 7 of {of}: ")


def test_made_at_stands_with_its_zone(contents):
    assert contents.made_at.tzinfo is not None
    assert contents.made_at <= datetime.now(UTC)
