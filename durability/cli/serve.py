"""The server of the pages: who is let in, which forms are taken, what a browser may do."""

from __future__ import annotations

import contextlib
import hmac
import secrets
import socket
from argparse import Namespace
from collections import deque
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, quote, unquote

from durability.cli.pages import MENU, Page, address_of, asked_next, command_of, run
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.vocabulary import OUTCOMES, VOID_REASONS
from durability.report.blocks import Items

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response


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
            done=done.parts["done"],
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
            asked_next, store, device, person, back
        )
        if request.method == "POST" and not done.refused and not resumed:
            asked = ""  # the last answer was the last of its inspection
        form = inspection_form(f"/inspect/{quote(device)}", asked, person, back)
        return answered(
            max(done.status, 404 if wrong else 200),
            person,
            title=f"Inspection of {device}",
            blocks=[Items(lines)] if lines else [],
            done=done.parts["done"],
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


# ------------------------------------------------------------------------------------------ forms


def bench_forms(action: str, person: str) -> list[dict[str, Any]]:
    """A reading, a correction, and the void reasons as keys."""
    reading = {"label": "peak g of the next drop", "name": "line", "is_number": True}
    by = {"label": "who enters it", "name": "by", "value": person}
    return [
        _made(action, "Next drop", [reading, by], "store"),
        _made(
            action,
            "Next drop, void",
            [reading, by, _reasons("v")],
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
            [by, _reasons("u")],
        ),
    ]


def _reasons(key: str) -> dict[str, Any]:
    """Why a drop is void, as keys: each enters what a session reads, and shows its words."""
    choices = [(f"{key}{number}", words) for number, words in enumerate(VOID_REASONS, start=1)]
    return {"label": "why", "name": "after", "choices": choices, "is_keys": True}


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
                "choices": [(outcome, outcome.replace("_", " ")) for outcome in OUTCOMES],
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
