"""The pages in a real browser: by touch, by keys alone, at three widths, read out, and attacked."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from durability.__main__ import main
from durability.record import clock
from durability.workflow import follow_up, specimens
from durability.workflow.session import Session

pytest.importorskip("selenium", reason="selenium is not installed: the extra browser")
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.common.actions.interaction import POINTER_TOUCH
from selenium.webdriver.common.actions.pointer_input import PointerInput
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait
from selenium_axe_python import Axe

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="no chromium with its driver to open the pages in"
)
FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--disable-features=BackForwardCache,SpareRendererForSitePerProcess,Translate",
    "--disable-site-isolation-trials",
    "--renderer-process-limit=1",
]
PHONE, TABLET, DESK = (390, 844), (768, 1024), (1280, 900)
MOST_TABS = 60
ASKED = "form:not([enctype]) h2"
"""Of what is asked; a photo may be kept or not."""

PAGES = [
    *("/status", "/due", "/series/list", "/specimen/list", "/trend", "/forecast", "/rank"),
    *(
        "/latent",
        "/rig",
        "/reports",
        "/query",
        "/bench/demo-C1",
        "/damage/T1",
        "/inspect/R08",
        "/device/R09",
    ),
    *("/series/demo-C1", "/case/C1", "/model/Corrie", "/drop/demo-C1/3", "/person"),
    *("/no-such-page",),
]


# --------------------------------------------------------------------------- a server, a browser


@dataclass(frozen=True)
class Served:
    """A running ``durability serve``."""

    address: str
    token: str
    store: Path
    process: subprocess.Popen

    @property
    def memory_mb(self):
        """The most memory that it ever held."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(re.search(r"VmHWM:\s+(\d+) kB", status)[1]) / 1024


@pytest.fixture(scope="module")
def served(built_demo, tmp_path_factory):
    """The demo with a new open series, served as a user would."""
    folder = tmp_path_factory.mktemp("served")
    store = shutil.copy(built_demo.store, folder / "lab.duckdb")
    session = Session(Path(store), "tester")
    listed = folder / "short.txt"
    listed.write_text("display\nbattery swelling\nbuttons\nloudspeaker\n")
    received = {"model": "lamp", "received_on": str(clock.today())}
    for lamp in ("K-1", "K-2"):
        specimens.add_specimen(session, lamp, "device", received)
    follow_up.make_plan(session, "short", ["receipt=0"], "received", str(listed))
    follow_up.assign_plan(session, "short", device=None, device_model="lamp")
    for new in ("1", "2"):
        specimens.add_specimen(session, f"T-{new}", "case", {"model": "trial"})
        opening = f"series open T{new} --device D1 --case T-{new} --surface concrete"
        at = ("--drop-height-mm", "500", "--store", str(store), "--by", "tester")
        assert main([*opening.split(), *at]) == 0
    process = subprocess.Popen(
        [sys.executable, "-m", "durability", "serve", "--store", str(store)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=folder,
    )
    address, _, token = process.stdout.readline().strip().partition("/?token=")
    yield Served(address, token, store, process)
    process.terminate()
    process.wait(20)
    process.stdout.close()


class Screen:
    """The browser at the server's pages, as eyes, a finger and a keyboard find them."""

    def __init__(self, driver, served):
        self.driver, self.served = driver, served

    def open(self, path):
        self.driver.get(self.served.address + path)

    def size(self, size, *, touched=False, scripts=True):
        """Hold another device; one with a finger on it, one that runs no scripts."""
        width, height = size
        command = self.driver.execute_cdp_cmd
        command(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": touched},
        )
        command("Emulation.setTouchEmulationEnabled", {"enabled": touched})
        command("Emulation.setScriptExecutionDisabled", {"value": not scripts})

    def measure(self, script, *given):
        return self.driver.execute_script(script, *given)

    @property
    def text(self):
        return " ".join(self.driver.find_element(By.TAG_NAME, "body").text.split())

    def enter_as(self, person):
        """Choose who enters, on the page that asks it."""
        self.field("a new name").send_keys(person)
        self.tap_on(self.key("choose"))

    @property
    def asked(self):
        """The function that an inspection asks."""
        return self.driver.find_element(By.CSS_SELECTOR, ASKED).text

    def form(self, heading):
        return self.driver.find_element(By.XPATH, f"//form[.//h2[normalize-space()='{heading}']]")

    def field(self, label, within=None):
        path = f".//label[contains(., '{label}')]//input"
        return (within or self.driver).find_element(By.XPATH, path)

    def key(self, words, within=None):
        """A button or link that shows these words."""
        path = f".//*[self::button or self::a][contains(normalize-space(), '{words}')]"
        return (within or self.driver).find_element(By.XPATH, path)

    def tap(self, thing):
        """Touch it with a finger, where it is seen."""
        self.measure("arguments[0].scrollIntoView({block: 'center'})", thing)
        touch = ActionBuilder(self.driver, mouse=PointerInput(POINTER_TOUCH, "finger"))
        touch.pointer_action.move_to(thing).pointer_down().pointer_up()
        before = self.driver.find_element(By.TAG_NAME, "html").id
        touch.perform()
        return before

    def tap_on(self, thing):
        """Touch what leads to another page, and wait for that."""
        self._left(self.tap(thing))

    def press(self, *keys):
        ActionChains(self.driver).send_keys(*keys).perform()

    def press_enter(self):
        before = self.driver.find_element(By.TAG_NAME, "html").id
        self.press(Keys.ENTER)
        self._left(before)

    def _left(self, before):
        # An entry that waits for the store, on a computer that is busy, is loaded again by itself.
        WebDriverWait(self.driver, 60, 0.1, [NoSuchElementException]).until(
            lambda driver: (
                driver.find_element(By.TAG_NAME, "html").id != before
                and self.measure("return document.readyState") == "complete"
                and not driver.find_elements(By.CSS_SELECTOR, "meta[http-equiv=refresh]")
            )
        )

    def tab_to(self, words):
        """Press Tab until the focus is on a field or key of these words; each must show it."""
        for _ in range(MOST_TABS):
            self.press(Keys.TAB)
            name, outline, ends = self.measure(
                "const e = document.activeElement, s = getComputedStyle(e);"
                "const words = (e.labels && e.labels.length ? e.labels[0] : e).innerText;"
                "return [e.getAttribute('aria-label') || words.trim(),"
                " s.outlineStyle + ' ' + s.outlineWidth, e === document.body]"
            )
            assert re.match(r"(?!none)\w+ [1-9]", outline) or ends, name
            if words in name:
                return
        raise AssertionError(f"{words!r} is not reached by Tab")


@pytest.fixture(scope="module")
def opened(served):
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in FLAGS:
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(executable_path=DRIVER))
    driver.set_script_timeout(60)
    screen = Screen(driver, served)
    screen.open(f"/due?token={served.token}")
    yield screen
    driver.quit()


@pytest.fixture
def screen(opened):
    opened.size(DESK)
    opened.driver.delete_cookie("durability_person")  # whichever test was before
    yield opened
    # Whatever a page holds, a browser was content with it.
    assert [line for line in opened.driver.get_log("browser") if "favicon" not in str(line)] == []


def record_of(served, *words, capsys):
    capsys.readouterr()
    assert main([*words, "--store", str(served.store), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


# ------------------------------------------------------------------------------------- at work


KEYS = """
return [...document.querySelectorAll("main button, main .key, main input")]
  .filter(e => e.offsetParent && e.type != "hidden").map(e => {
    const box = e.getBoundingClientRect();
    return [e.innerText || e.name, box.height, box.width];
  })
"""


def test_a_device_is_inspected_by_touch_gone_back_in_interrupted_and_resumed(
    screen, served, capsys
):
    screen.size(PHONE, touched=True, scripts=False)
    screen.open("/status")
    screen.tap_on(screen.key("durability due"))
    screen.tap_on(screen.key("K-2"))
    screen.enter_as("Ann")
    assert "battery" in screen.asked
    assert [small for small in screen.measure(KEYS) if min(small[1:]) < 64] == []
    answered = []
    while len(answered) < 2:
        answered.append(screen.asked)
        screen.tap_on(screen.key("pass"))
    assert "battery" in answered[0]
    left_at = screen.asked
    screen.tap_on(screen.key("back"))
    assert screen.asked == answered[-1]
    screen.field("note").send_keys("# dim")
    screen.tap_on(screen.key("degraded"))
    assert screen.asked == left_at
    dim = served.store.with_name("dim.png")
    dim.write_bytes(b"\x89PNG\r\n\x1a\n a dim display")
    screen.driver.find_element(By.CSS_SELECTOR, "input[type=file]").send_keys(str(dim))
    screen.tap_on(screen.key("keep"))
    assert "1 photo kept of the inspection of K-2" in screen.text
    screen.tap_on(screen.key("inspect"))
    assert screen.asked == left_at

    # Put away, and taken up again from the list of what is due.
    screen.driver.delete_cookie("durability")
    screen.open("/inspect/K-2")
    assert "token" in screen.text and "form" not in screen.driver.page_source
    screen.driver.get_log("browser")  # which says that it was not let in
    screen.open(f"/due?token={served.token}")
    screen.tap_on(screen.key("K-2"))
    assert screen.asked == left_at
    while screen.driver.find_elements(By.CSS_SELECTOR, ASKED):
        answered.append(screen.asked)
        screen.tap_on(screen.key("pass"))
    assert f"{len(answered)} functions of K-2 recorded" in screen.text
    assert len(set(answered)) == len(answered) == 4
    events = record_of(served, "history", "K-2", capsys=capsys)["events"]
    assert [each["event"] for each in events].count("inspection") == 1
    assert "K-2" not in [each["device"] for each in record_of(served, "due", capsys=capsys)["due"]]


def test_ten_drops_at_the_bench_with_a_void_a_correction_and_an_alarm(screen, served, capsys):
    screen.size(TABLET, touched=True)
    screen.open("/person?to=/bench/T1")
    screen.enter_as("Ben")
    assert "Flying fragments" in screen.form("Before the first drop of the day").text
    screen.tap_on(screen.key("understood"))
    assert "Void drop" not in screen.text  # there is none yet
    assert [small for small in screen.measure(KEYS) if min(small[1:]) < 64] == []
    for drop in range(1, 11):
        heading = "Next drop, void" if drop == 5 else "Next drop"
        form = screen.form(heading)
        reading = "300" if drop == 5 else f"{100 * 1.06**drop:.0f}"
        if drop == 3:  # by the keys of the page
            for digit in reading:
                screen.tap(screen.key(digit, form))
        else:
            screen.tap(screen.field("peak g", form))
            screen.press(reading)
        screen.tap_on(screen.key("wrong orientation" if drop == 5 else "store", form))
        if drop == 7:
            form = screen.form("Correct drop 7")
            screen.field("peak g", form).send_keys("151")
            screen.tap_on(screen.key("correct", form))
            assert "→ 151 g" in screen.text
    assert "ALARM since drop" in screen.text
    drops = record_of(served, "drop", "list", "--series", "T1", capsys=capsys)["drops"]
    assert [each["peak_g"] for each in drops] == [106, 112, 119, 126, 300, 142, 151, 159, 169, 179]
    assert [each["status"] for each in drops] == ["valid"] * 4 + ["void"] + ["valid"] * 5
    assert drops[4]["void_reason"] == "wrong orientation"


def test_what_others_enter_is_shown_unless_something_is_being_typed(screen, served, capsys):
    def entered_elsewhere(reading):
        added = ["drop", "add", "T2", "--peak-g", reading, "--store", str(served.store)]
        assert main([*added, "--by", "Dan"]) == 0

    screen.open("/drop/list?series=T2")
    entered_elsewhere("181.25")
    gone = [NoSuchElementException, StaleElementReferenceException]  # while it is loaded again
    patient = WebDriverWait(screen.driver, 30, 0.2, gone)
    patient.until(lambda _: "181.25" in screen.text)
    screen.open("/person?to=/bench/T2")
    screen.enter_as("Dee")
    screen.tap_on(screen.key("understood"))
    screen.field("peak g", screen.form("Next drop")).send_keys("18")
    entered_elsewhere("182.25")
    patient.until(lambda _: "The record has changed since this page was shown" in screen.text)
    assert "182.25" not in screen.text
    assert screen.field("peak g", screen.form("Next drop")).get_attribute("value") == "18"
    screen.tap_on(screen.key("Show it as it is now"))
    assert "182.25" in screen.text


def test_an_inspection_by_keys_alone(screen, served, capsys):
    screen.open("/person?to=/due")
    screen.tab_to("a new name")
    screen.press("Cat")
    screen.press_enter()
    screen.press(Keys.TAB)
    assert screen.measure("return document.activeElement.innerText") == "To the answer"
    screen.tab_to("K-1")
    screen.press_enter()
    first = screen.asked
    assert "battery" in first
    screen.tab_to("note")
    screen.press(Keys.ENTER)  # which is not yet an outcome
    assert screen.asked == first
    answered = 0
    while screen.driver.find_elements(By.CSS_SELECTOR, ASKED):
        screen.tab_to("pass")
        screen.press_enter()
        answered += 1
    assert "4 functions of K-1 recorded" in screen.text
    assert answered == 4
    events = record_of(served, "history", "K-1", capsys=capsys)["events"]
    assert [each["event"] for each in events].count("inspection") == 1


# ------------------------------------------------------------------------------------ as shown


FITS = """
const wide = document.documentElement.clientWidth;
const beyond = [...document.querySelectorAll("body *")].filter(e => !e.closest(".wide")
    && !e.closest(".skip") && e.getBoundingClientRect().right > wide + 1);
const cut = [...document.querySelectorAll("main *")].filter(e => !e.matches(".wide, pre")
    && getComputedStyle(e).display != "inline" && e.offsetParent && !e.closest("svg")
    && e.scrollWidth > e.clientWidth + 1);
const named = e => `${e.tagName} ${e.innerText}`.slice(0, 60);
return [document.documentElement.scrollWidth - wide, beyond.map(named), cut.map(named)];
"""
RULES = '{"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}'


def faults(found):
    return [
        f"{each['id']}: {node['html'][:100]}: {node.get('failureSummary', '')[:200]}"
        for each in found
        for node in each["nodes"]
    ]


@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_and_can_be_read_out(screen, path):
    """At three widths nothing is cut; WCAG AA as axe-core judges it (Deque Systems, MPL 2.0)."""
    screen.size(PHONE, touched=True)
    screen.driver.add_cookie({"name": "durability_person", "value": "Cat"})
    screen.open(path)
    screen.driver.get_log("browser")
    assert screen.measure("return document.querySelectorAll('script:not([src])').length") == 0
    for size in (PHONE, TABLET, DESK):
        screen.size(size, touched=size != DESK)
        assert screen.measure(FITS) == [0, [], []], size
    # The shadow at a cut edge hides what is below a word: it is judged on the page's white.
    screen.measure("document.querySelectorAll('.wide').forEach(e => e.style.background = 'none')")
    axe = Axe(screen.driver)
    axe.inject()
    found = axe.run(options=RULES)
    assert faults(found["violations"]) == []
    assert faults(found["incomplete"]) == []
    assert len(found["passes"]) > 15


# ---------------------------------------------------------------------------------- under attack


def test_a_form_on_a_page_of_others_enters_nothing(screen, served, tmp_path):
    forged = tmp_path / "forged.html"
    forged.write_text(
        f'<form method="post" action="{served.address}/bench/demo-C1">'
        '<input name="line" value="9999"><button>win</button></form>'
    )
    screen.driver.get(forged.as_uri())
    screen.tap_on(screen.key("win"))
    assert "token" in screen.text  # the cookie doesn't come along
    screen.open("/show/drop/demo-C1/25")
    assert "9999" not in screen.text
    assert screen.measure("return document.cookie") == ""
    screen.driver.get_log("browser")


def test_script_in_a_note_is_shown_and_not_run(screen):
    evil = "<script>document.title='owned'</script><img src=x onerror=document.title='owned'>"
    screen.open("/person?to=/inspect/R16")
    screen.enter_as("Eve")
    screen.field("note").send_keys(f"# {evil}")
    screen.key("degraded").click()
    screen.open("/history/R16")
    assert "<script>" in screen.text
    assert screen.measure("return document.title") != "owned"
    assert screen.measure("return document.querySelectorAll('main script, main img').length") == 0


def test_a_hundred_megabytes_are_refused_at_once_and_leave_memory_flat(screen, served):
    host, _, port = served.address.removeprefix("http://").partition(":")
    before, begun = served.memory_mb, time.monotonic()
    head = (
        f"POST /bench/T1 HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: durability={served.token}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100000000\r\n\r\n"
    )
    sent = 0
    with socket.create_connection((host, int(port)), timeout=10) as line:
        line.sendall(head.encode())
        try:
            while sent < 100_000_000:
                sent += line.send(b"x" * 100_000)
            said = line.recv(100)
        except OSError:
            said = b""
    assert not said or b" 4" in said[:15]
    assert time.monotonic() - begun < 5
    assert served.memory_mb - before < 20
    assert served.process.poll() is None


def test_a_path_in_the_name_of_an_upload_leads_nowhere(served):
    with httpx.Client(base_url=served.address, follow_redirects=True) as client:
        client.get("/due", params={"token": served.token})
        page = client.get("/inspect/R08").text
        hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', page))
        before = sorted(os.walk(served.store.parent))
        answer = client.post(
            "/inspect/R08",
            data={**hidden, "line": "pass"},
            files={"photo": ("../../../escaped.jpg", b"\xff\xd8\xff\xe0" + b"0" * 100)},
        )
    assert answer.status_code == 403
    assert sorted(os.walk(served.store.parent)) == before
