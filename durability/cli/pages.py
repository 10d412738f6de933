"""A page is a command: its address holds the command's words and options.

The command itself answers, and what it yields for a terminal is kept to be laid out as HTML. So
nothing is computed, worded, checked or refused here that a terminal would not. One command runs at
a time; each opens the store again, and what only reads is answered from memory until something is
entered or set.
"""

from __future__ import annotations

import hashlib
import importlib
import io
import re
import threading
import time
from argparse import Namespace
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote, urlencode

from durability.cli.logbook import limit_of, session_of
from durability.cli.parser import make_parser, meant
from durability.intake.hand_entry import UNKNOWN_MEDIA_TYPE, media_type
from durability.record import clock
from durability.record.errors import HEARD, DurabilityError, StoreUnusable, UnusableCall
from durability.report import safety
from durability.report.answers import records
from durability.report.blocks import Preformatted
from durability.report.page.screens import picture, screen_words
from durability.workflow import inspection, issuing, photos, settings
from durability.workflow.series import acknowledge_cautions, series_to_record
from durability.workflow.session import login_name, open_session, people, stamp_of, state_of

if TYPE_CHECKING:
    from durability.record.records import Walk
    from durability.report.blocks import Block, Reference

PICTURES = ("wear", "models", "survival", "lifeline", "pulses", "spectra")
"""Kinds of picture that pages hold."""

ANSWERS = {
    *("status", "due", "trend", "forecast", "rank", "compare", "claim", "latent", "rig", "history"),
    *("show", "query", "conditions"),
    *(f"{group} list" for group in ("series", "specimen", "drop", "inspect", "sensor")),
    *(f"plan {name}" for name in ("next", "rise", "tell-apart", "survive")),
}
"""Commands that read only."""

OPTIONS = {
    *("series", "case-model", "drop-height-mm", "surface", "orientation", "device-kind"),
    *("limit-g", "limit-rise", "level", "horizon", "as-of", "on", "within", "units"),
    *("after-drops", "at-least", "acceptance", "set", "by", "why", "pool", "rig-corrected"),
    *("false-discovery", "backtest", "question", "drops", "cases", "looks", "to-last", "devices"),
    *("rise-pct", "difference-pct", "reliability", "confidence", "kind"),
}
"""Options that a page's address may hold: none names a file, a store or a statement."""

VIEWS: dict[str, tuple[tuple[str, ...], tuple[tuple[str, str], ...]]] = {
    "series": (
        ("trend --series={}", "forecast --series={}", "drop list --series={}"),
        (("wear", "series"),),
    ),
    "case": (("history {}",), ()),
    "device": (("history {}", "inspect list {}"), (("lifeline", "device"),)),
    "model": (
        ("trend --case-model={}", "forecast --case-model={}"),
        (("wear", "case-model"), ("survival", "case-model")),
    ),
}
"""Of one thing: the commands that answer for it, and its pictures with the option that names it."""

LEADS = {
    **{kind: f"/{kind}/" for kind in (*VIEWS, "drop")},
    "inspection": "/inspect/",
    "question": "/query/",
    "specimen": "/show/code/",
    "dummy": "/device/",
    "report": "/report/",
}
"""Page of each kind of thing that a cell names."""

MOST_KEPT = 100
"""Answers kept at once."""
MOST_PEOPLE = 12
MOST_FILE_NAME, MOST_DIGITS = 100, 10
"""Characters of the name of a file that is kept, and of a number."""


@dataclass(slots=True)
class Page:
    """What a command gave."""

    blocks: list[Block] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    refused: str = ""
    status: int = 200
    picture: bytes = b""

    @property
    def lines(self) -> list[str]:
        """What was said."""
        return "\n".join(self.said).splitlines()


SETTLED_NS = 50_000_000
"""From this long after its last change on, the time of a file says whether it was changed again, on
a file system that counts in parts of a second."""


class _Turns:
    """One works on a store at a time, whose lock keeps processes apart, not threads.

    An entry, or who reads at the bench, goes before those who only read.
    """

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.is_taken, self.first = False, 0

    @contextmanager
    def taken(self, *, is_first: bool) -> Iterator[None]:
        with self.changed:
            self.first += is_first
            self.changed.wait_for(lambda: not self.is_taken and (is_first or not self.first))
            self.first -= is_first
            self.is_taken = True
        try:
            yield
        finally:
            with self.changed:
                self.is_taken = False
                self.changed.notify_all()


_turns = _Turns()
_kept: OrderedDict[Hashable, Page] = OrderedDict()
_stood: dict[str, tuple[tuple[int, ...], tuple[Hashable, ...]]] = {}
"""Of a store: what its files were like, and what the record stood at."""


def _command(
    page: Page,
    words: Sequence[str],
    work: Callable[[Namespace], None],
    *,
    store: str,
    person: str = "",
    units: str | None = None,
    is_first: bool = False,
) -> None:
    """Do the work of a command with its options; an entry before what others only read."""
    call = [*words, f"--store={store}", *([f"--by={person}"] if person else [])]
    with _alone(page, is_first=is_first or bool(person)):
        options = make_parser(only=call[0]).parse_args(meant(call))
        if units and getattr(options, "shown_in", None) is None:
            options.shown_in = units
        options.quiet = True
        work(options)


@contextmanager
def _alone(page: Page, *, is_first: bool = False) -> Iterator[None]:
    """Work on the store while no other page does; what it says or refuses is kept on the page."""
    heard = HEARD.set(page.said.append)
    try:
        with _turns.taken(is_first=is_first):
            yield
    except DurabilityError as error:
        page.refused = str(getattr(error, "option_message", error))
        page.status = 400 if isinstance(error, UnusableCall) else 404
        if isinstance(error, StoreUnusable):
            page.status = 503
    except SystemExit:  # what the parser said last
        page.refused = page.said.pop()
        page.status = 400
    finally:
        HEARD.reset(heard)


def run(
    words: Sequence[str],
    *,
    store: str,
    typed: str = "",
    person: str = "",
    units: str | None = None,
    still: Callable[[Namespace], bool] | None = None,
) -> Page:
    """Run one command as a terminal would, and keep what it gives.

    Parameters
    ----------
    words : sequence of str
        The call without the program's name and the store.
    store : str
    typed : str
        What the command reads as its input.
    person : str
        Who enters it; "" for a command that only reads, whose answer may be one given before.
    units : {"si", "us"}, optional
        As shown, unless the call says otherwise.
    still : callable, optional
        Whether that for which the entry was made is still so; if not, nothing is entered.

    Returns
    -------
    Page
    """
    page = Page()

    def work(options: Namespace) -> None:
        nonlocal page
        if still is not None and not still(options):
            page.refused, page.status = screen_words()["refused"]["moved"], 409
            return
        # Own questions are files, which may change.
        key = None if person or words[0] == "query" else (*words, units, *_state(store))
        if key in _kept:
            page = _kept[key]
            return
        options.render = page.blocks.extend
        options.sent = io.StringIO(typed)
        module, _, name = options.handler.partition(":")
        given = getattr(importlib.import_module(f"durability.cli.{module}"), name)(options)
        page.picture = getattr(options, "drawn", b"")
        page.status = 200 if given == 0 else 409
        _keep(key, page)

    is_first = tuple(words[:2]) == ("drop", "list")
    _command(page, words, work, store=store, person=person, units=units, is_first=is_first)
    return page


def _keep(key: Hashable | None, page: Page) -> None:
    """Keep a page for who asks the same next; the oldest goes."""
    if key is not None:
        _kept[key] = page
        if len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)


def _state(store: str) -> tuple[Hashable, ...]:
    """What an answer depends on beside the command: the entries, the settings and the day."""
    session, held = open_session(store), settings.hold({"store": store})
    stamp = stamp_of(session, afresh=True)
    before, state = _stood.get(store, ((), ()))
    if stamp != before:
        state = tuple(state_of(session).values())
        changed = max(stamp[::2], default=0)
        if changed % 1_000_000_000 and changed + SETTLED_NS < time.time_ns():
            _stood[store] = stamp, state
    return store, clock.today(), *held.values(), *state


def mark(store: str) -> str:
    """What is another text once anything was entered or set, or the day has ended."""
    try:
        held = settings.hold({"store": store})
    except DurabilityError:
        return ""
    stands = (stamp_of(open_session(store)), clock.today(), sorted(held.items()))
    return hashlib.sha256(repr(stands).encode()).hexdigest()[:16]


def command_of(path: str, asked: Iterable[tuple[str, str]]) -> list[str] | None:
    """The command that an address stands for; None for none that a page may show."""
    words = [unquote(word) for word in path.split("/") if word]
    is_answer = bool(words) and (words[0] in ANSWERS or " ".join(words[:2]) in ANSWERS)
    if not is_answer or any(word.startswith("-") for word in words):
        return None
    call = list(words)
    for name, value in asked:
        if name not in OPTIONS:
            return None
        call.append(f"--{name}={value}" if value else f"--{name}")
    return call


def whole_number(text: str) -> int:
    """A number of an address or a form; 0 for what can't be one."""
    return int(text) if text.isdecimal() and len(text) < MOST_DIGITS else 0


def address_of(named: Reference) -> str:
    """Where a cell leads that names this."""
    kind, *codes = named
    return LEADS[kind] + "/".join(quote(code, safe="") for code in codes)


def command_address(words: str) -> str:
    """Where the page of a command is that a sentence names; "" where it has none."""
    named, *options = words.split(" --")
    parts = [option.replace("=", " ").partition(" ") for option in options]
    asked = [(name, value) for name, _, value in parts]
    is_whole = named in ANSWERS or re.fullmatch(r"query [a-z_]+", named)
    if not is_whole or command_of(named.replace(" ", "/"), asked) is None:
        return ""
    return f"/{named.replace(' ', '/')}" + (f"?{urlencode(asked)}" if asked else "")


def picture_of(kind: str, asked: Iterable[tuple[str, str]]) -> list[str] | None:
    """The command that draws a picture; None where a page holds none of this kind."""
    call = ["plot", kind]
    for name, value in asked:
        if name not in ("series", "case-model", "device", "drop"):
            return None
        call.append(f"--{name}={value}")
    return call if kind in PICTURES else None


def picture_address(kind: str, **of: str) -> str:
    """Where a page finds a picture."""
    return f"/picture/{kind}?{urlencode({name.replace('_', '-'): of[name] for name in of})}"


def names(store: str) -> list[str]:
    """Names of people who entered something, who did so last first; and who runs the server."""
    session, found = open_session(store), []
    with _alone(Page()):
        found = people(session, MOST_PEOPLE)
    return list(dict.fromkeys([*found, session.person]))


def view(kind: str, code: str, number: str = "", *, store: str, units: str | None = None) -> Page:
    """One thing with its answers one below the other, its pictures and its photos.

    Parameters
    ----------
    kind : str
        A key of ``VIEWS``, or "drop".
    code, number : str
        Its code; of a drop that of its series, and its number.
    store, units : str
        As in ``run``.
    """

    def asked(*words: str) -> Page:
        return run(words, store=store, units=units)

    shown = screen_words()["picture"]
    if kind == "drop":
        calls = [["show", "drop", code, number]]
        has_waveform = not asked("show", "pulse", code, number).refused
        of = {"series": code, "drop": number}
        drawings = [(each, of) for each in ("pulses", "spectra") if has_waveform]
    else:
        answers, pictures = VIEWS[kind]
        calls = [[word.format(code) for word in call.split()] for call in answers]
        drawings = [(each, {option: code}) for each, option in pictures]
    first, *others = [asked(*call) for call in calls]
    if first.refused:
        return Page(refused=first.refused, status=first.status)
    blocks: list[Block] = list(first.blocks)
    if drawings:  # what is drawn in letters is drawn better
        blocks = [each for each in blocks if not isinstance(each, Preformatted)]
    blocks += [picture(each, picture_address(each, **of), shown[each]) for each, of in drawings]
    blocks += [block for page in others for block in page.blocks]
    if kind in ("case", "device"):
        kept = photos_of(code, store=store)
        blocks += [picture(each, f"/kept/{each}", caption) for each, caption in kept]
    return Page(blocks)


def photos_of(specimen: str, *, store: str) -> list[tuple[str, str]]:
    """Digest and caption of each photo of a specimen that is kept and that a browser shows."""
    found = []
    with _alone(Page()):
        found = photos.list_photos(open_session(store), specimen)
    caption = screen_words()["say"]["photo_shows"]
    return [
        (each["file_sha256"], caption.format(shows=each["function"] or specimen, **each))
        for each in found
        if each["is_kept"] and each["media_type"] != UNKNOWN_MEDIA_TYPE
    ]


def photo_of(digest: str, *, store: str) -> tuple[bytes, str]:
    """Content and media type of a photo that is kept; empty where it is not as it was added."""
    content, kind = b"", ""
    with _alone(Page()):
        file, kind = photos.photo_file(open_session(store), digest)
        content = file.read_bytes()
    return content, kind


def issued_reports(*, store: str) -> Page:
    """The reports that were issued."""
    page = Page()
    with _alone(page):
        page.blocks.extend(records.issued(issuing.issued_reports(open_session(store))))
    return page


def issued_report(number: int, *, store: str) -> tuple[Page, bool]:
    """One report that was issued, and whether its page is kept."""
    page, is_kept = Page(), False
    with _alone(page):
        found = issuing.issued_report(open_session(store), number)
        page.blocks.extend(records.issued_one(found))
        is_kept = found.is_page_kept
    return page, is_kept


def issued_page(number: int, *, store: str) -> tuple[Page, str, bytes]:
    """The page of a report as it was issued, with the name of its file; or why it is not shown."""
    page, name, content = Page(), "", b""
    with _alone(page):
        name, content = issuing.issued_page(open_session(store), number)
    return page, name, content


# ------------------------------------------------------------------------ bench and inspections


@dataclass(slots=True)
class BenchPage(Page):
    """How a series stands at the bench."""

    last_drop: int = 0
    """Number of the drop that a correction is of."""
    is_acknowledged: bool = False
    """Whether this person has acknowledged the cautions today."""
    unfit: str = ""
    """What is the matter with its case or device."""
    specimens: tuple[str, ...] = ()
    """Its case and its device, as far as it has them."""


def bench(series: str, *, store: str, person: str = "", units: str | None = None) -> BenchPage:
    """A series as the bench shows it before the next drop."""
    from durability.report import bench as shown
    from durability.workflow.sheet_run import fetch_so_far, judge_so_far

    page = BenchPage()

    def work(options: Namespace) -> None:
        nonlocal page
        key = ("bench", series, person, units, *_state(store))
        if isinstance(kept := _kept.get(key), BenchPage):
            page = kept
            return
        session = replace(session_of(options), person=person or login_name())
        found = series_to_record(session, options.series)
        standing = judge_so_far(fetch_so_far(session, found["series"]), limit_of(options))
        page.last_drop = found["last_drop_number"]
        page.is_acknowledged = found["cautions_acknowledged_at"] is not None
        page.unfit = found["unfit_case"] or ""
        page.specimens = tuple(found[of] for of in ("case", "device") if found[of])
        page.blocks.extend(shown.blocks(found, standing))
        _keep(key, page)

    _command(page, ["record", series], work, store=store, units=units, is_first=True)
    return page


def acknowledge(command: Sequence[str], *, store: str, person: str) -> Page:
    """Keep that this person has acknowledged the cautions of the bench."""
    page = Page()

    def work(options: Namespace) -> None:
        acknowledge_cautions(session_of(options))

    _command(page, command, work, store=store, person=person)
    return page


@dataclass(slots=True)
class AskedNext(Page):
    """The function that an inspection asks."""

    function: str = ""
    """"" where none is to be asked."""
    back: int = 0
    """How many before the next one it is, as far as there are."""
    before: str = ""
    """The function that was answered last in it."""
    is_resumed: bool = False
    """Whether the inspection has answers already."""
    signs: tuple[str, ...] = ()
    """Signs of a failing battery, where the function is of one."""
    known: tuple[str, ...] = ()
    """Which function of how many, what it was answered already and what it was last time."""


def asked_next(device: str, *, store: str, person: str = "", back: int = 0) -> AskedNext:
    """The function that an inspection asks, so many before the next one."""
    from durability.report.answers import follow_up as shown
    from durability.report.blocks import Items

    page = AskedNext()

    def work(options: Namespace) -> None:
        walk, page.function, page.back = _walk(options, person, back)
        lines = shown.walk_lines(walk)
        if walk.quarantine is not None:
            lines += safety.quarantine_lines(walk.quarantine)
        page.blocks = [Items(lines)] if lines else []
        page.is_resumed = not page.function or walk.is_resumed
        answered = [name for name in walk.functions if name in walk.checks]
        page.before = answered[-1] if answered else ""
        if page.function:
            place, of = walk.functions.index(page.function) + 1, len(walk.functions)
            known = shown.known_of(walk, page.function)
            page.known = (screen_words()["say"]["place"].format(place=place, of=of), *known)
        if page.function in walk.battery_looks:
            page.signs = tuple(safety.BATTERY_SIGN_KEYS.values())

    _command(page, ["inspect", "record", device], work, store=store)
    return page


def _walk(options: Namespace, person: str, back: int) -> tuple[Walk, str, int]:
    """The inspection that this person makes, the function it asks, and how far back that is."""
    session = replace(session_of(options), person=person or login_name())
    walk = inspection.begin_walk(
        session, options.device, inspected_at=None, inspector=None, is_blind=False
    )
    at = next((n for n, name in enumerate(walk.functions) if name not in walk.checks), None)
    if at is None:
        return walk, "", 0
    back = min(back, at)
    return walk, walk.functions[at - back], back


def still_as_shown(given: Mapping[str, str], person: str) -> Callable[[Namespace], bool] | None:
    """Whether what a form was shown for is still so: others may have entered meanwhile.

    Parameters
    ----------
    given : mapping of str to str
        The fields of the form: the function that it asked, or the drop that it was of.
    person : str

    Returns
    -------
    callable, optional
        None for a form that depends on neither.
    """
    if "asked" in given:
        back = whole_number(given.get("back", ""))
        return lambda options: _walk(options, person, back)[1] == given["asked"]
    if "last" in given:
        return lambda options: (
            str(series_to_record(session_of(options), options.series)["last_drop_number"])
            == given["last"]
        )
    return None


# ---------------------------------------------------------------------------- what is photographed

Sent = tuple[str, Iterable[bytes]]
"""Name and content, piece by piece, of a file that was sent."""


def add_photo(
    device: str, given: Mapping[str, str], photo: Sent | None, *, store: str, person: str
) -> Page:
    """Keep a photo of the latest inspection, with the function that it shows."""
    if photo is None:
        return Page(refused=screen_words()["refused"]["no_photo"], status=400)
    words = ["inspect", "photo", device, f"--function={given['function']}"]
    return _with_photo(words, "", photo, store=store, person=person)


def add_damage(
    series: str, given: Mapping[str, str], photo: Sent | None, *, store: str, person: str
) -> Page:
    """Note damage that was seen after a drop, with a photo of it or without."""
    if given["specimen"].startswith("-"):
        return Page(refused=screen_words()["refused"]["hyphen"], status=400)
    told = [f"--{name}={given[name]}" for name in _OF_DAMAGE if given[name].strip()]
    after = [f"--series={series}", f"--drop={given['drop']}"] if given["drop"] != "0" else []
    words = ["damage", "add", given["specimen"], *told, *after]
    if photo is None:
        return run(words, store=store, person=person)
    return _with_photo(words, "--photo=", photo, store=store, person=person)


_OF_DAMAGE = ("severity", "mode", "location", "note")


def _with_photo(words: Sequence[str], option: str, photo: Sent, *, store: str, person: str) -> Page:
    """Run a command with a photo that was sent, under the name that it was sent with."""
    name, content = photo
    last = "".join(each for each in name.replace("\\", "/").split("/")[-1] if each.isprintable())
    with TemporaryDirectory() as folder:
        file = Path(folder) / (last.lstrip(".")[-MOST_FILE_NAME:] or "photo")
        with file.open("wb") as opened:
            opened.writelines(content)
        with file.open("rb") as opened:
            if media_type(opened.read(16)) == UNKNOWN_MEDIA_TYPE:
                return Page(refused=screen_words()["refused"]["no_photo"], status=400)
        return run([*words, f"{option}{file}"], store=store, person=person)
