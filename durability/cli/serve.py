"""The answers and the bench as pages in a browser, on this computer or in the lab's network.

A page is a command: its address holds the command's words and options, the command itself answers,
and what it yields for a terminal is laid out as HTML. So nothing is computed, worded, checked or
refused here that a terminal would not. One command runs at a time, each opening the store anew.
"""

from __future__ import annotations

import contextlib
import hmac
import importlib
import io
import secrets
import socket
import sys
import threading
from argparse import Namespace
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, quote, unquote, urlencode

from durability.cli.parser import make_parser, meant
from durability.record.errors import DurabilityError, RecordRefused, UnusableCall
from durability.record.vocabulary import OUTCOMES, VOID_REASONS
from durability.report import safety
from durability.report.blocks import Items

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from durability.report.blocks import Block

MENU = (
    ("/status", "status"),
    ("/due", "due"),
    ("/series/list", "series"),
    ("/specimen/list", "specimens"),
    ("/trend", "trend"),
    ("/forecast", "forecast"),
    ("/rank", "rank"),
    ("/latent", "latent"),
    ("/rig", "rig"),
    ("/query", "questions"),
)

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

MOST_SENT = 10_000
"""Forms remembered as sent: a page that is loaded again enters nothing twice."""
MOST_BACK = 100
"""Functions that an inspector goes back at once."""
LARGEST_FORM = 10_000
"""Bytes."""

COOKIE, PERSON = "durability", "durability_person"
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src"
    " data:; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


def serve(options: Namespace) -> int:
    """Show the record in a browser until Ctrl-C."""
    try:
        import uvicorn
    except ModuleNotFoundError:
        raise UnusableCall('serve: not installed; do: pip install "durability[serve]"') from None
    from durability.cli.logbook import session_of

    store = session_of(options).store
    if not store.is_file():
        raise RecordRefused(f"store {str(store)!r}: not found; durability init makes one")
    try:
        listening = socket.create_server((options.host, options.port))
    except OSError as error:
        raise UnusableCall(
            f"--host {options.host} --port {options.port}: {error.strerror or error}"
        ) from None
    port = listening.getsockname()[1]
    token = secrets.token_urlsafe(24)
    address = f"http://{_name_of(options.host)}:{port}/?token={token}"
    print(address, flush=True)
    if _is_open_to_others(options.host):
        _print_code(address)
    names = {f"{name}:{port}" for name in (_name_of(options.host), "127.0.0.1", "localhost")}
    app = application(store=str(store), token=token, hosts=names, read_only=options.read_only)
    server = uvicorn.Server(
        uvicorn.Config(
            app, log_level="error", access_log=False, server_header=False, limit_concurrency=200
        )
    )
    server.run(sockets=[listening])
    return 0


def _is_open_to_others(host: str) -> bool:
    return host not in ("127.0.0.1", "localhost", "::1")


def _name_of(host: str) -> str:
    """What others call this computer where it listens on every address it has."""
    if host not in ("0.0.0.0", "::"):  # noqa: S104 - compared, not bound
        return host
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # nothing is sent: the route names our address
        except OSError:
            return socket.gethostname()
        return str(asked.getsockname()[0])


def _print_code(address: str) -> None:
    from durability.report.terminal import is_plain

    if not is_plain():
        import segno

        segno.make(address).terminal(compact=True)


# ----------------------------------------------------------------------------- one command a page


@dataclass(slots=True)
class Page:
    """What a command gave."""

    blocks: list[Block] = field(default_factory=list)
    said: str = ""
    refused: str = ""
    status: int = 200

    @property
    def parts(self) -> dict[str, Any]:
        """As ``screen`` takes them."""
        lines = self.said.splitlines()
        return {
            "blocks": self.blocks,
            "done": lines,
            "refused": [self.refused] if self.refused else [],
        }


_one_at_a_time = threading.Lock()


def run(words: Sequence[str], *, store: str, typed: str = "", person: str = "") -> Page:
    """Run one command as a terminal would, and keep what it gives.

    Parameters
    ----------
    words : sequence of str
        The call without the program's name and the store.
    store : str
    typed : str
        What the command reads as its input.
    person : str
        Who enters it; "" for whoever runs the server.

    Returns
    -------
    Page
    """
    page = Page()
    out, wrong = io.StringIO(), io.StringIO()
    call = [*words, f"--store={store}", *([f"--by={person}"] if person else [])]
    with (
        _one_at_a_time,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(wrong),
        _reading(typed),
    ):
        try:
            options = make_parser(only=call[0]).parse_args(meant(call))
            options.render = page.blocks.extend
            options.quiet = True
            module, _, name = options.handler.partition(":")
            handler = getattr(importlib.import_module(f"durability.cli.{module}"), name)
            page.status = 200 if handler(options) == 0 else 409
        except DurabilityError as error:
            page.refused = str(getattr(error, "option_message", error))
            page.status = 400 if isinstance(error, UnusableCall) else 404
        except SystemExit:
            page.refused = wrong.getvalue().strip().rpartition("error: ")[2]
            page.status = 400
            wrong.truncate(0)
    page.said = (wrong.getvalue() + out.getvalue()).strip()
    return page


@contextlib.contextmanager
def _reading(typed: str) -> Iterator[None]:
    before, sys.stdin = sys.stdin, io.StringIO(typed)
    try:
        yield
    finally:
        sys.stdin = before


def command_of(path: str, asked: Iterable[tuple[str, str]]) -> list[str] | None:
    """The command that an address stands for; None for none that a page may show."""
    words = [word for word in path.split("/") if word]
    if not words or any(word.startswith("-") for word in words):
        return None
    if words[0] not in ANSWERS and " ".join(words[:2]) not in ANSWERS:
        return None
    call = list(words)
    for name, value in asked:
        if name not in OPTIONS:
            return None
        call.append(f"--{name}={value}" if value else f"--{name}")
    return call


def address_of(columns: Sequence[str], cells: Sequence[str], at: int) -> str:
    """Where a cell of a table leads; "" for nowhere."""
    heading, cell = columns[at], cells[at]
    if not cell.strip() or cell in ("–", "bare"):
        return ""
    code = quote(cell.strip(), safe="")
    if heading == "drop" and "series" in columns and cell.isdigit():
        return f"/show/drop/{quote(cells[columns.index('series')], safe='')}/{code}"
    if heading == "series":
        return f"/bench/{code}"
    if heading == "device" and "stage" in columns:
        return f"/inspect/{code}"
    if heading in ("device", "case", "specimen"):
        return f"/show/code/{code}"
    if heading in ("model", "case model"):
        return f"/trend?{urlencode({'case-model': cell})}"
    if columns[-1].startswith("question, and") and not at:
        return f"/query/{code}"
    return ""


# ---------------------------------------------------------------------------------- the application


def application(*, store: str, token: str, hosts: set[str], read_only: bool) -> Any:
    """The pages of one store.

    Parameters
    ----------
    store : str
    token : str
        Whoever shows it once is let in.
    hosts : set of str
        Names with port by which a browser may call this server.
    read_only : bool
        No page writes.

    Returns
    -------
    ASGI application
    """
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse
    from starlette.routing import Route

    from durability.report.page import screen, style

    form_key = hmac.new(token.encode(), b"form", "sha256").hexdigest()
    sent: deque[str] = deque(maxlen=MOST_SENT)  # forms, each taken once

    def answered(status: int, person: str = "", **parts: Any) -> Response:
        page = screen(menu=MENU, key=form_key, address_of=address_of, **parts)
        response = HTMLResponse(page, status_code=status)
        if person:
            response.set_cookie(PERSON, quote(person), httponly=True, samesite="strict", path="/")
        return response

    def plain(status: int, words: str) -> Response:
        return PlainTextResponse(words, status_code=status)

    def not_let_in(request: Request) -> Response | None:
        """What a request gets that is not let in; a token that is shown becomes a cookie."""
        if request.path_params.get("code", "").startswith("-"):
            return plain(404, "no code begins with a hyphen")  # it would be read as an option
        if request.headers.get("host", "") not in hosts:
            return plain(400, "this server is not known by that name")
        shown = request.query_params.get("token", "")
        if shown:
            if not hmac.compare_digest(shown.encode(), token.encode()):
                return plain(403, "not the token of this server")
            entered = RedirectResponse(f"/{request.url.path.lstrip('/')}", status_code=303)
            entered.set_cookie(COOKIE, token, httponly=True, samesite="strict", path="/")
            return entered
        known = request.cookies.get(COOKIE, "")
        if not hmac.compare_digest(known.encode(), token.encode()):
            return plain(403, "open the address that durability serve printed: it holds a token")
        return None

    async def styled(request: Request) -> Response:
        return not_let_in(request) or PlainTextResponse(style(), media_type="text/css")

    async def answer(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        path = request.url.path if request.url.path != "/" else "/status"
        call = command_of(path, parse_qsl(request.url.query, keep_blank_values=True))
        if call is None:
            return answered(404, title="No such page", refused=[request.url.path])
        page = await run_in_threadpool(run, call, store=store)
        return answered(page.status, title=" ".join(call), here=path, **page.parts)

    async def touched(request: Request, command: str, code: str) -> tuple[Page, str]:
        """What a form entered, and who."""
        person = unquote(request.cookies.get(PERSON, ""))
        entered = None
        if request.method == "POST":
            given = await _form(request)
            if read_only:
                entered = Page(refused="this server is read only: nothing is stored", status=403)
            elif given is None or not hmac.compare_digest(given.get("form", ""), form_key):
                entered = Page(refused="not a form of this server: nothing is stored", status=403)
            elif (once := given.get("once", "")) in sent:
                entered = Page(refused="sent before: nothing is stored twice", status=409)
            else:
                sent.append(once)
                person = given.get("by", "").strip()
                entered = await run_in_threadpool(
                    run, [*command.split(), code], store=store, typed=_typed(given), person=person
                )
        return entered or Page(), person

    async def bench(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        series = request.path_params["code"]
        done, person = await touched(request, "record", series)
        # What was just entered comes with its own judgement of the series.
        judged = [] if done.said else [["trend", f"--series={series}"]]
        shown = [
            await run_in_threadpool(run, call, store=store)
            for call in (*judged, ["drop", "list", f"--series={series}"])
        ]
        wrong = [each.refused for each in (done, *shown) if each.refused]
        forms = bench_forms(f"/bench/{quote(series)}", person)
        return answered(
            max(each.status for each in (done, *shown)),
            person,
            title=f"Series {series}",
            blocks=[block for each in shown for block in each.blocks],
            done=done.said.splitlines(),
            refused=list(dict.fromkeys(wrong)),
            forms=[] if read_only or any(each.refused for each in shown) else forms,
        )

    async def inspection(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        device = request.path_params["code"]
        done, person = await touched(request, "inspect record", device)
        wanted = request.query_params.get("back", "")
        back = int(wanted) if wanted.isdecimal() and request.method == "GET" else 0
        asked, back, resumed, lines, wrong = await run_in_threadpool(
            _asked_next, store, device, person, back
        )
        if request.method == "POST" and not done.refused and not resumed:
            asked = ""  # the last answer was the last of its inspection
        form = inspection_form(f"/inspect/{quote(device)}", asked, person, back)
        return answered(
            max(done.status, 404 if wrong else 200),
            person,
            title=f"Inspection of {device}",
            blocks=[Items(lines)] if lines else [],
            done=done.said.splitlines(),
            refused=[each for each in (done.refused, wrong) if each],
            forms=[form] if asked and not read_only else [],
            before=f"/inspect/{quote(device)}?back={back + 1}" if asked and not read_only else "",
        )

    async def with_headers(scope: Any, receive: Any, send: Any) -> None:
        async def send_all(message: Any) -> None:
            if message["type"] == "http.response.start":
                own = [(key.lower().encode(), value.encode()) for key, value in HEADERS.items()]
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await pages(scope, receive, send_all)

    both = ["GET", "POST"]
    pages = Starlette(
        routes=[
            Route("/style.css", styled),
            Route("/bench/{code:path}", bench, methods=both),
            Route("/inspect/{code:path}", inspection, methods=both),
            Route("/{path:path}", answer),
        ]
    )
    return with_headers


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form; None where it is too long, or none."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_FORM:
            return None
    try:
        return dict(parse_qsl(body.decode("utf-8"), keep_blank_values=True))
    except UnicodeDecodeError:
        return None


def _typed(given: Mapping[str, str]) -> str:
    """What a form stands for at the keyboard: a line of the session, all of it typed fields."""
    back = int(given["back"]) if given.get("back", "").isdecimal() else 0
    words = " ".join(given.get("before", "").split() + given.get("line", "").split())
    words += " ".join(["", *given.get("after", "").split()])
    return "b\n" * min(back, MOST_BACK) + f"{words.strip()}\n"


def _asked_next(
    store: str, device: str, person: str, back: int
) -> tuple[str, int, bool, list[str], str]:
    """The function that an inspection asks, so many before the next one.

    Returns
    -------
    function : str
        "" where none is to be asked.
    back : int
        How many before, as far as there are.
    resumed : bool
        Whether the inspection has answers already.
    lines : list of str
        What to know first.
    wrong : str
        Why it can't be inspected; "" where it can.
    """
    from durability.report.answers import follow_up as shown
    from durability.workflow import inspection
    from durability.workflow.session import open_session

    with _one_at_a_time:
        try:
            walk = inspection.begin_walk(
                open_session(store, person or None),
                device,
                inspected_at=None,
                inspector=None,
                is_blind=False,
            )
        except DurabilityError as error:
            return "", 0, False, [], str(error)
    lines = shown.walk_lines(walk)
    if walk.quarantine is not None:
        lines += safety.quarantine_lines(walk.quarantine)
    at = next((n for n, name in enumerate(walk.functions) if name not in walk.checks), None)
    if at is None:
        return "", 0, True, lines, ""
    back = min(back, at)
    return walk.functions[at - back], back, walk.is_resumed, lines, ""


# ------------------------------------------------------------------------------------------ forms


def bench_forms(action: str, person: str) -> list[dict[str, Any]]:
    """A reading, a correction, and the void reasons as keys."""
    reading = {"label": "peak g of the next drop", "name": "line", "is_number": True}
    by = {"label": "who enters it", "name": "by", "value": person}
    reasons = [f"v{key} {reason}" for key, reason in enumerate(VOID_REASONS, start=1)]
    return [
        _made(action, "Next drop", [reading, by], "store"),
        _made(
            action,
            "Next drop, void",
            [reading, by, {"label": "why", "name": "after", "choices": reasons, "is_keys": True}],
        ),
        _made(
            action,
            "Correct the last reading",
            [{"label": "peak g", "name": "line", "is_number": True}, by],
            "correct",
            before="c",
        ),
        _made(
            action,
            "Void the last drop",
            [
                by,
                {
                    "label": "why",
                    "name": "after",
                    "choices": [f"u{reason[1:]}" for reason in reasons],
                    "is_keys": True,
                },
            ],
        ),
    ]


def inspection_form(action: str, function: str, person: str, back: int) -> dict[str, Any]:
    """One function, its outcomes as keys."""
    return _made(
        action,
        function,
        [
            {"label": "measured value with its unit, or a note after #", "name": "after"},
            {"label": "who inspects", "name": "by", "value": person},
            {
                "label": function,
                "name": "line",
                "choices": [outcome.replace("_", " ") for outcome in OUTCOMES],
                "is_keys": True,
            },
        ],
        back=back,
    )


def _made(
    action: str,
    title: str,
    fields: Sequence[Mapping[str, Any]],
    button: str = "",
    **hidden: object,
) -> dict[str, Any]:
    blank = {"value": "", "choices": (), "is_keys": False, "is_number": False}
    return {
        "action": action,
        "title": title,
        "fields": [{**blank, **own} for own in fields],
        "hidden": {**hidden, "once": secrets.token_hex(8)},
        "button": button,
    }
