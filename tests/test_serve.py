"""Pages in a browser: the terminal's answers, drops and inspections entered, who is let in."""

import hashlib
import re
import shutil
import socket
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from subprocess import PIPE

import duckdb
import httpx
import pytest
import uvicorn

from durability.__main__ import main
from durability.cli import pages as shown
from durability.cli import serve
from durability.report.blocks import Column, Columns, of_drop
from durability.report.page import screens
from durability.workflow import follow_up, specimens
from durability.workflow.session import Session

TOKEN = "let-me-in-please"


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A store with a rising series of eight drops and a device that follows a plan."""
    folder = tmp_path_factory.mktemp("served")
    session = Session(folder / "lab.duckdb", "tester")
    drops = [f"S1,{n},{100 * 1.03**n:.1f},C-1,sleeve A,D-1,dummy,face 3" for n in range(1, 9)]
    head = "series,drop_number,peak_g,case,case_model,device,device_kind,orientation"
    (folder / "drops.csv").write_text("\n".join([head, *drops]) + "\n")
    at = ("--store", str(session.store), "--by", "tester")
    assert main(["init", *at[:2]]) == 0
    assert main(["import", "drops", str(folder / "drops.csv"), *at]) == 0
    for device in ("R1", "R2"):
        specimens.add_specimen(session, device, "device", {"model": "radio"})
    listed = folder / "short.txt"
    listed.write_text("battery swelling\ndisplay\nbuttons\n")
    follow_up.make_plan(session, "short", ["drop day=0", "1 week=7"], "last drop", str(listed))
    follow_up.assign_plan(session, "short", device=None, device_model="radio")
    return session.store


@pytest.fixture(scope="module")
def pages(lab):
    """A browser at a server of that store: ``pages(read_only=True)``."""
    servers = []

    def opened(*, read_only=False, person="Ann"):
        listening = socket.create_server(("127.0.0.1", 0))
        host = f"127.0.0.1:{listening.getsockname()[1]}"
        app = serve.Application(store=str(lab), token=TOKEN, hosts={host}, read_only=read_only)
        server = uvicorn.Server(uvicorn.Config(app, log_level="critical"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        browser = httpx.Client(base_url=f"http://{host}", follow_redirects=True, timeout=60)
        servers.append((server, thread, browser))
        assert browser.get("/due", params={"token": TOKEN}).status_code == 200
        if not read_only:
            enter(browser, person)
        return browser

    yield opened
    for server, thread, browser in servers:
        browser.close()
        server.should_exit = True
        thread.join()


@pytest.fixture(scope="module")
def browser(pages):
    return pages()


def text_of(response):
    words = re.sub(r"<style.*?</style>", " ", response.text, flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", words)).split())


def submit(browser, page, form=0, *, is_awaited=True, **fields):
    """Fill a form of a page in, and press its button; ``page`` is its address, or its response."""
    text = browser.get(page).text if isinstance(page, str) else page.text
    one = text.split("<form ")[1 + form]
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', one))
    action = unescape(re.search(r'action="([^"]+)"', one)[1])
    answer = browser.post(action, data={**hidden, **fields})
    return stored(browser, answer) if is_awaited else answer


def stored(browser, page):
    """The page once an entry no longer waits for the store: a browser loads it by itself."""
    while page.status_code == 202:
        page = browser.get(
            unescape(re.search(r'http-equiv="refresh" content="2; url=(.*?)"', page.text)[1])
        )
    return page


def enter(browser, person):
    """Choose who enters, by the field for a name that the record has not."""
    return submit(browser, "/person", 1, by=person)


@pytest.mark.parametrize(
    "words", [("trend", "--series=S1"), ("rank",), ("due",), ("history", "C-1"), ("status",)]
)
def test_a_page_says_what_the_terminal_says(browser, run, lab, words):
    named = [word for word in words if not word.startswith("--")]
    asked = "&".join(word[2:] for word in words if word.startswith("--"))
    page = text_of(browser.get(f"/{'/'.join(named)}?{asked}"))
    said = [line for line in run(*words, "--store", lab).out.splitlines() if line[:1].isalnum()]
    assert " ".join(said[0].split()) in page


def test_cells_lead_on(browser):
    trend = browser.get("/trend").text
    assert 'href="/series/S1"' in trend
    assert 'href="/model/sleeve%20A"' in trend
    series = browser.get("/series/S1").text
    assert 'href="/bench/S1"' in series
    assert 'href="/drop/S1/7"' in series
    drop = text_of(browser.get("/drop/S1/7"))
    assert "123" in drop
    assert "drops.csv" in drop
    assert 'href="/case/C-1"' in browser.get("/specimen/list").text
    for thing in ("/case/C-1", "/device/D-1", "/model/sleeve A"):
        assert browser.get(thing).status_code == 200
    for nothing in ("/case/none", "/device/none", "/model/none", "/series/none", "/drop/S1/99"):
        assert browser.get(nothing).status_code == 404
    assert 'href="/query/survived_drops"' in browser.get("/query").text
    sheet = browser.get("/drop/S1/7").text
    for thing in ("/case/C-1", "/device/D-1", "/model/sleeve%20A"):
        assert f'href="{thing}"' in sheet


@pytest.mark.parametrize(
    ("line", "leads"),
    [
        ("2 due: durability due.", {"durability due": "/due"}),
        ("durability latent --devices", {"durability latent --devices": "/latent?devices="}),
        ("durability trend --series S1, durability rank", {
            "durability trend --series S1": "/trend?series=S1", "durability rank": "/rank"}),
        ("run: durability query voided_drops", {
            "durability query voided_drops": "/query/voided_drops"}),
        ("each: durability forecast --series S", {"durability forecast": "/forecast"}),
        ("durability trend for <b>all</b>", {"durability trend": "/trend"}),
        ("durability report -o a.html; durability drop add S1 --peak-g 9", {}),
    ],
)  # fmt: skip
def test_a_command_in_a_sentence_leads_to_its_page(line, leads):
    made = str(screens._leading(line, shown.command_address))
    assert unescape(re.sub("</?a.*?>", "", made)) == line
    assert {words: to for to, words in re.findall('<a href="(.*?)">(.*?)</a>', made)} == leads
    assert "<b>" not in made


def test_a_cell_leads_on_by_what_it_names_whatever_its_heading():
    row = {"series": "S 1/2", "drop_number": 7, "case": "bare"}
    columns = (
        Column("anything", "series", names="series"),
        Column("else", "drop_number", names=of_drop),
        Column("worn", "case", names="specimen"),
    )
    named = Columns("", *columns).table([row]).names
    assert [shown.address_of(cells[0]) for cells in named.values() if cells[0]] == [
        "/series/S%201%2F2",
        "/drop/S%201%2F2/7",
    ]


def test_a_session_of_ten_drops_with_voids_and_a_correction(browser, run, lab):
    first = browser.get("/bench/S1")
    assert "Stop and inspect" in text_of(first)
    assert "Glass and splinters" in text_of(first)
    page = submit(browser, first)
    assert "Glass and splinters" not in text_of(page)
    for peak_g in range(130, 138):
        page = submit(browser, page, line=str(peak_g))
        assert f"stored: {peak_g}" in text_of(page)
    page = submit(browser, page, 2, line="141")
    assert "137 → 141 g" in text_of(page)
    seen_before = page
    assert "needs words" in text_of(submit(browser, page, 1, line="300", after="v6"))
    page = submit(browser, "/bench/S1", 1, line="300", after="v6", words="the door slammed")
    assert "void" in text_of(page)
    late = submit(browser, seen_before, 2, line="150")
    assert late.status_code == 409
    assert "others entered meanwhile" in text_of(late)
    enter(browser, "Bea")
    page = submit(browser, submit(browser, "/bench/S1"), line="139")
    page = submit(browser, page, 3, after="u3")
    enter(browser, "Ann")
    assert "void" in text_of(page)
    drops = run("drop", "list", "--series", "S1", "--store", lab, "--json").json["drops"]
    assert [each["peak_g"] for each in drops[8:]] == [*range(130, 137), 141, 300, 139]
    assert [each["status"] for each in drops[8:]] == ["valid"] * 8 + ["void"] * 2
    assert drops[16]["void_reason"] == "other: the door slammed"
    assert "entered by Ann" in text_of(browser.get("/bench/S1"))


def test_a_page_that_is_loaded_again_enters_nothing_twice(browser, run, lab):
    entered = submit(browser, "/bench/S1", line="140")
    again = browser.post("/bench/S1", content=entered.request.content)
    assert again.status_code == 409
    assert "nothing is stored twice" in text_of(again)
    drops = run("drop", "list", "--series", "S1", "--store", lab, "--json").json["drops"]
    assert [each["peak_g"] for each in drops[-2:]] == [139, 140]


def test_a_page_carries_the_mark_of_the_record_that_it_shows(browser, run, lab):
    def mark_of(page):
        return re.search(r'data-mark="(\w+)"', page.text)[1]

    shown = browser.get("/bench/S1")
    assert mark_of(shown) == mark_of(browser.get("/due")) == browser.get("/mark").text
    entered = submit(browser, shown, line="142")
    assert mark_of(entered) == browser.get("/mark").text != mark_of(shown)
    run("drop", "add", "S1", "--peak-g", "143", "--store", lab)
    assert browser.get("/mark").text != mark_of(entered)
    assert "143" in text_of(browser.get("/bench/S1"))
    assert "data-mark" not in browser.get("/style.css").text


def test_a_wrong_reading_is_refused_in_words_and_stores_nothing(browser, run, lab):
    def drops():
        return run("drop", "list", "--series", "S1", "--store", lab, "--json").json["drops"]

    before = drops()
    refused = submit(browser, "/bench/S1", line="1,180")
    assert refused.status_code >= 400 or "1,180" in text_of(refused)
    assert drops() == before


def test_an_inspection_by_touch_goes_on_where_it_was_left_and_back(browser, run, lab):
    def asked(address="/inspect/R1"):
        return re.search(r"<h2>([^<]+)</h2>", browser.get(address).text)[1]

    enter(browser, "Ben")
    assert asked() == "battery swelling"
    assert 'value="swollen"' in browser.get("/inspect/R1").text
    assert "battery swelling: pass" in text_of(submit(browser, "/inspect/R1", line="pass"))
    assert "inspected by Ben" in text_of(browser.get("/inspect/R1"))
    assert asked() == "display"
    assert asked("/inspect/R1?back=1") == "battery swelling"
    assert "function 1 of 3; now pass" in text_of(browser.get("/inspect/R1?back=1"))
    assert "function 2 of 3" in text_of(browser.get("/inspect/R1"))
    submit(browser, "/inspect/R1?back=1", line="degraded")
    assert asked() == "display"
    seen_before = browser.get("/inspect/R1")
    submit(browser, "/inspect/R1", line="pass")
    late = submit(browser, seen_before, line="fail")
    assert late.status_code == 409
    assert "others entered meanwhile" in text_of(late)
    assert asked() == "buttons"
    last = submit(browser, "/inspect/R1", line="fail", after="# dead")
    done = text_of(last)
    assert 'name="line"' not in last.text  # nothing is asked; a photo of it may still be kept
    assert "3 functions of R1 recorded" in done, done
    events = run("history", "R1", "--store", lab, "--json").json["events"]
    kinds = [each["event"] for each in events]
    assert kinds.count("inspection") == 1
    assert kinds.count("amendment") == 1  # the first answer of the function gone back to


def test_a_photo_is_kept_with_what_it_shows(browser, run, lab):
    enter(browser, "Ben")
    shown = submit(browser, "/inspect/R2", line="degraded")
    form = shown.text.rpartition("<form ")[2]
    assert "Photo of battery swelling" in form
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))
    picture = b"\x89PNG\r\n\x1a\n" + b"a dent"

    def sent(content, name="../../../tmp/dent.png", **other):
        files = {"photo": (name, content, "image/png")}
        return browser.post("/photo/R2", data={**hidden, **other}, files=files)

    assert sent(picture, form="0" * 64).status_code == 403
    assert "PNG, JPEG or WebP" in text_of(sent(b"<svg onload=alert(1)>", once="a"))
    large = sent(picture + bytes(serve.LARGEST_PHOTO), once="b")
    assert (large.status_code, "30 MB" in text_of(large)) == (413, True)
    kept = sent(picture)
    assert "1 photo kept of the inspection of R2" in text_of(kept)
    assert sent(picture).status_code == 409
    folder = lab.with_name("lab.photos")
    assert [file.read_bytes() for file in folder.iterdir()] == [picture]
    rows = run("query", "--sql", "SELECT file_name, \"function\" FROM inspection_photo",
               "--store", lab, "--json").json["rows"]  # fmt: skip
    assert rows == [["dent.png", "battery swelling"]]
    assert run("verify", "--store", lab, "--json").json["is_sound"]
    page = browser.get("/device/R2").text
    (address,) = re.findall(r'<img alt="battery swelling: dent.png, [^"]*" src="([^"]+)"', page)
    shown = browser.get(address)
    assert (shown.content, shown.headers["content-type"]) == (picture, "image/png")
    assert browser.get(f"{address[:-1]}x").status_code == 404
    next(folder.iterdir()).write_bytes(b"<script>alert(1)</script>")
    assert browser.get(address).status_code == 404


def test_damage_is_noted_at_the_bench_with_its_photo_or_without(browser, run, lab):
    def noted():
        return run("history", "C-1", "--store", lab, "--json").json["events"]

    def sent(content=None, **other):
        page = browser.get("/damage/S1").text
        hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', page))
        photo = ("", b"") if content is None else ("c1.png", content)
        data = {**hidden, "specimen": "C-1", **other}
        return browser.post("/damage/S1", data=data, files={"photo": photo})

    assert 'href="/damage/S1"' in browser.get("/bench/S1").text
    form = browser.get("/damage/S1").text
    last = run("drop", "list", "--series", "S1", "--store", lab, "--json").json["drops"][-1]
    assert f"Seen after drop {last['drop_number']}" in form
    assert 'type="radio" name="specimen" value="C-1" checked' in form
    before = len(noted())
    picture = b"\x89PNG\r\n\x1a\n a crack"
    for fields, words in (
        ({"severity": "7"}, "severity"),
        ({"severity": "0", "mode": "crack"}, "mode"),
        ({"severity": "2", "mode": "other"}, "note"),
        ({"severity": "2", "specimen": "C-9"}, "C-9"),
        ({"severity": "2", "specimen": "--by=Eve"}, "hyphen"),
        ({"severity": "2", "content": b"<svg onload=alert(1)>"}, "PNG, JPEG or WebP"),
        ({"severity": "2", "form": "0" * 64}, "not a form of this server"),
    ):
        refused = sent(**fields)
        assert refused.status_code >= 400, fields
        assert words in text_of(refused), fields
    assert len(noted()) == before
    said = f"noted on C-1: severity 2 (crack), after drop {last['drop_number']} of S1"
    assert said in text_of(sent(picture, severity="2", mode="crack", location="corner 2-3-5"))
    assert "noted on C-1: severity 1, after" in text_of(sent(severity="1", note="scuffed"))
    assert len(noted()) == before + 2
    page = browser.get("/case/C-1").text
    (address,) = re.findall(r'<img alt="C-1: c1.png, [^"]*" src="([^"]+)"', page)
    assert browser.get(address).content == picture


def test_reports_are_listed_and_open_as_they_were_issued(browser, run, lab, tmp_path):
    assert "No report is issued yet" in text_of(browser.get("/reports"))
    issued = tmp_path / "issued.html"
    run("report", "-o", issued, "--store", lab, "--by", "Ann", "--customer", "Acme")
    listed = browser.get("/reports")
    assert 'href="/report/1"' in listed.text
    assert hashlib.sha256(issued.read_bytes()).hexdigest() in text_of(listed)
    one = browser.get("/report/1")
    for words in ("by Ann", "whole record", "customer Acme", "trend of S1, % per drop rising"):
        assert words in text_of(one), words
    page = browser.get(re.search(r'href="(/report/1/page)"', one.text)[1])
    assert page.content == issued.read_bytes()
    assert page.headers["content-type"].startswith("text/html")
    own, every = page.headers.get_list("content-security-policy", split_commas=True)
    assert own.startswith("sandbox; default-src 'none'")
    assert every.startswith("default-src 'none'")

    with duckdb.connect(lab) as store:
        kept = store.execute("SELECT page FROM report_issue").fetchone()
    for changed, page, says in (
        ("page_file_name = 'a\".pdf'", 200, "its page, as it was issued"),
        ("page = ''::BLOB", 404, "its page, as it was issued"),
        ("page = NULL", 404, "Issued before pages were kept"),
    ):
        with duckdb.connect(lab) as store:
            store.execute(f"UPDATE report_issue SET {changed}")
        answer = browser.get("/report/1/page")
        assert (answer.status_code, len(answer.text.splitlines()) == 1) == (page, page == 404)
        if page == 200:
            named = answer.headers["content-disposition"]
            assert named == 'attachment; filename="report-1.pdf"'
        assert says in text_of(browser.get("/report/1"))
    assert 'href="/report/1/page"' not in browser.get("/report/1").text
    with duckdb.connect(lab) as store:
        store.execute("UPDATE report_issue SET page_file_name = 'a.html', page = ?", kept)
    assert browser.get("/report/2").status_code == 404
    assert "issued so far: 1 to 1" in text_of(browser.get("/report/2"))


def test_only_who_has_the_token_is_let_in(browser):
    with httpx.Client(base_url=browser.base_url) as stranger:
        for address in ("/", "/trend", "/style.css", "/bench/S1"):
            assert stranger.get(address).status_code == 403
        assert stranger.get("/", params={"token": "guessed"}).status_code == 403
        assert stranger.post("/bench/S1", data={"line": "9"}).status_code == 403
        entered = stranger.get("/due", params={"token": TOKEN})
        away = stranger.get(
            f"http://{browser.base_url.netloc.decode()}//elsewhere.example/",
            params={"token": TOKEN},
        )
        assert away.headers["location"] == "/elsewhere.example/"
    cookie = entered.headers["set-cookie"].lower()
    assert entered.status_code == 303
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert browser.get("/due", headers={"host": "rebound.example"}).status_code == 400


def test_nothing_is_stored_by_a_form_of_others_or_a_flood(browser):
    before = text_of(browser.get("/bench/S1"))
    for data in ({"line": "999"}, {"line": "999", "form": "0" * 64}):
        refused = browser.post("/bench/S1", data=data)
        assert refused.status_code == 403
        assert "not a form of this server" in text_of(refused)
    big = browser.post("/bench/S1", content=b"line=" + b"9" * 2_000_000)
    assert big.status_code == 403
    assert text_of(browser.get("/bench/S1")) == before


@pytest.mark.parametrize(
    "address",
    [
        "/drop/add/S1/100",
        "/trend?output=/tmp/x",
        "/trend?store=other.duckdb",
        "/query?sql=SELECT+1",
        "/query?folder=/etc",
        "/--help",
        "/../../etc/passwd",
        "/import/drops/x.csv",
        "/plot/levels",
        "/serve",
        "/bench/--plan=x.csv",
        "/inspect/--by=Eve",
        "/drop/S1/--help",
        "/picture/rig",
        "/picture/wear?output=x",
    ],
)
def test_an_address_is_an_answer_or_nothing(browser, address):
    assert browser.get(address).status_code == 404


def test_script_in_an_address_or_a_name_stays_text(browser):
    evil = "<script>alert(1)</script>"
    for page in (
        browser.get(f"/trend?series={evil}"),
        browser.get(f"/show/code/{evil}"),
        enter(browser, evil),
        submit(browser, submit(browser, "/bench/S1"), line="150", after=f"# {evil}"),
        browser.get("/bench/S1"),
    ):
        assert re.findall("<script.*?>", page.text) == ['<script src="/screen.js" defer>']
        assert "default-src 'none'" in page.headers["content-security-policy"]


def test_fifty_requests_at_once_all_get_their_answer(browser):
    with ThreadPoolExecutor(50) as pool:
        answers = list(pool.map(lambda _: browser.get("/query").status_code, range(50)))
    assert answers == [200] * 50


def test_read_only_shows_no_form_and_takes_none(pages):
    reader = pages(read_only=True)
    page = reader.get("/bench/S1")
    assert page.status_code == 200
    assert "<form" not in page.text
    assert reader.post("/bench/S1", data={"line": "9"}).status_code == 403


def test_an_entry_waits_for_a_store_that_is_held_and_is_then_stored(browser, lab, monkeypatch):
    monkeypatch.setattr(serve, "PATIENCE_S", 0.2)
    held = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(lab)], stdin=PIPE, stdout=PIPE, text=True
    )
    form = browser.get("/bench/S1")
    held.stdin.write("hold\n")
    held.stdin.flush()
    held.stdout.readline()
    waits = submit(browser, form, is_awaited=False, line="151.5")
    assert waits.status_code == 202
    assert "151.5: waits for the store" in text_of(waits)
    held.communicate()
    assert "stored: 151.5" in text_of(stored(browser, waits))
    assert "151.5" in text_of(browser.get("/series/S1"))


HOLD = """
import sys
from pathlib import Path
from durability.store.file import locked
sys.stdin.readline()
with locked(Path(sys.argv[1]), exclusive=True):
    print("held", flush=True)
    sys.stdin.readline()
"""


def test_two_tablets_and_a_terminal_at_once_lose_nothing(pages, browser, lab):
    def entered(tablet, readings):
        for reading in readings:
            assert "stored" in text_of(submit(tablet, "/bench/S1", line=str(reading)))

    def typed(readings):
        lines = "".join(f"{reading}\n" for reading in readings)
        call = [sys.executable, "-m", "durability", "record", "S1", "--store", str(lab)]
        subprocess.run(call, input=lines, text=True, check=True, capture_output=True)

    other = pages(person="Cem")
    submit(other, "/bench/S1")
    enter(browser, "Ann")
    before = text_of(browser.get("/drop/list?series=S1"))
    with ThreadPoolExecutor(3) as pool:
        works = [
            pool.submit(entered, browser, (161, 162, 163)),
            pool.submit(entered, other, (171, 172, 173)),
            pool.submit(typed, (181, 182, 183)),
        ]
        [work.result() for work in works]
    after = text_of(browser.get("/drop/list?series=S1"))
    for reading in (161, 162, 163, 171, 172, 173, 181, 182, 183):
        assert f" {reading} " not in before
        assert f" {reading} " in after


def test_a_name_is_chosen_from_the_record_before_anything_is_entered(pages, browser):
    stranger = pages(person="Dan")
    stranger.cookies.delete(serve.PERSON)
    page = stranger.get("/bench/S1")
    assert "Next drop" not in page.text
    assert '<button name="by" value="tester">tester</button>' in page.text
    refused = submit(stranger, browser.get("/bench/S1"), line="9")
    assert refused.status_code == 409
    assert "no name is chosen" in text_of(refused)
    assert submit(stranger, page, 0, by="tester").url.path == "/bench/S1"
    assert submit(stranger, "/person", 1, by=" ").status_code == 400
    away = submit(stranger, "/person?to=//elsewhere.example", 0, by="tester")
    assert away.url.host == "127.0.0.1"


@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes the certificate")
def test_over_tls_cookies_never_go_unencrypted(lab, tmp_path):
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost"]
    files = ["-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem")]
    subprocess.run([*made, *files], check=True, capture_output=True)
    call = [sys.executable, "-m", "durability", "serve", "--store", str(lab)]
    secure = ["--certfile", str(tmp_path / "cert.pem"), "--keyfile", str(tmp_path / "key.pem")]
    server = subprocess.Popen([*call, *secure], stdout=PIPE, text=True)
    try:
        address = server.stdout.readline().strip()
        assert address.startswith("https://127.0.0.1:")
        entered = httpx.get(address, verify=False)
    finally:
        server.terminate()
        server.communicate()
    assert "; secure" in entered.headers["set-cookie"].lower()


def test_a_certificate_that_is_none_is_refused(run, lab, tmp_path):
    (tmp_path / "cert.pem").write_text("none")
    for options, words in (
        (("--certfile", str(tmp_path / "cert.pem")), "not a certificate with its key"),
        (("--certfile", "absent.pem"), "no such file"),
        (("--keyfile", str(tmp_path / "cert.pem")), "belongs to --certfile"),
    ):
        assert words in run("serve", "--store", lab, *options, expect=2).err


def test_a_picture_is_drawn_as_by_its_command(browser):
    drawn = browser.get("/picture/wear?series=S1")
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert "peak acceleration" in drawn.text


def test_a_store_that_is_not_there_is_said_before_anything_is_served(run):
    assert "not found" in run("serve", "--store", "none.duckdb", expect=1).err


def test_every_code_leads_to_its_page_and_no_number_is_too_long(browser, lab):
    session = Session(lab, "tester")
    specimens.add_specimen(session, "L/3 left", "device", {"model": "radio"})
    asked = ("series", "open", "bare/1", "--device", "L/3 left", "--store", str(lab))
    assert main([*asked, "--drop-height-mm", "1220", "--surface", "steel"]) == 0
    assert main(["drop", "add", "bare/1", "100", "--store", str(lab)]) == 0
    assert "/case/bare" not in browser.get("/drop/bare%2F1/1").text
    own = shown.address_of(("specimen", "L/3 left"))
    assert "drop 1 of bare/1" in text_of(browser.get(own))
    listed = browser.get("/inspect/list")
    assert listed.status_code == 200
    assert "not in the store" not in text_of(listed)
    long = "9" * 5000
    assert browser.get(f"/report/{long}").status_code == 404
    assert browser.get(f"/inspect/R1?back={long}").status_code == 200
    submit(browser, "/inspect/R1", back=long, line="n")
