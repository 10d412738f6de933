"""The server of the pages: who is let in, which forms are taken, what a browser may do."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import secrets
import socket
import ssl
import threading
from argparse import Namespace
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, parse_qsl, quote, unquote, urlencode

from durability.cli import pages
from durability.cli.logbook import session_of
from durability.cli.pages import Page
from durability.intake.hand_entry import PHOTO_ENDINGS
from durability.record.errors import RecordRefused, UnusableCall
from durability.report.blocks import Table
from durability.report.page import screens
from durability.report.page.screens import screen_file, screen_words

try:
    import uvicorn
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.datastructures import UploadFile
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
    from starlette.routing import Route
except ModuleNotFoundError:
    raise UnusableCall('serve: not installed; do: pip install "durability[serve]"') from None

if TYPE_CHECKING:
    Endpoint = Callable[[Request], Awaitable[Response]]

MOST_SENT = 10_000
"""Forms remembered as sent: a page that is loaded again enters nothing twice."""
MOST_WAITING = 100
"""Entries remembered that waited for the store."""
MOST_NAME = 60
"""Characters of a person's name."""
LARGEST_FORM, LARGEST_PHOTO = 10_000, 30_000_000
"""Bytes of a form, and of one with a photo."""
PATIENCE_S = 5.0
"""How long an entry may take before the page says that it waits for the store."""

COOKIE, PERSON = "durability", "durability_person"
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self' 'unsafe-inline'; script-src"
    " 'self'; connect-src 'self'; img-src 'self' data:; form-action 'self'; frame-ancestors 'none';"
    " base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
ISSUED_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Beside the policy of every page, for one that was issued: it is kept as a file, not made here."""
FILES = {"/style.css": "text/css", "/screen.js": "text/javascript"}
DAMAGE_FIELDS = ("specimen", "drop", "severity", "mode", "location", "note")
ENTERED = {"series": ("bench", "enter_drops"), "device": ("inspect", "inspect")}
"""Where things of a kind are entered, and what the page of one says of it."""
_LAST_PORT = 65535
SAY, TITLE, REFUSED = (screen_words()[part] for part in ("say", "title", "refused"))


def serve(options: Namespace) -> int:
    """Show the record in a browser until Ctrl-C."""
    store = session_of(options).store
    if not store.is_file():
        raise RecordRefused(f"store {str(store)!r}: not found; durability init makes one")
    _refuse_certificate(options.certfile, options.keyfile)
    if not 0 <= options.port <= _LAST_PORT:
        raise UnusableCall(f"--port {options.port}: not a port from 0 to {_LAST_PORT}")
    try:
        listening = socket.create_server((options.host, options.port))
    except OSError as error:
        raise UnusableCall(
            f"--host {options.host} --port {options.port}: {error.strerror or error}"
        ) from None
    port = listening.getsockname()[1]
    token = secrets.token_urlsafe(24)
    scheme = "https" if options.certfile else "http"
    address = f"{scheme}://{_name_of(options.host)}:{port}/?token={token}"
    print(address, flush=True)
    if _is_open_to_others(options.host):
        _print_code(address)
    app = Application(
        store=str(store),
        token=token,
        hosts={f"{name}:{port}" for name in (_name_of(options.host), "127.0.0.1", "localhost")},
        read_only=options.read_only,
        units=options.shown_in,
        is_secure=bool(options.certfile),
    )
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            log_level="error",
            access_log=False,
            server_header=False,
            limit_concurrency=200,
            ssl_certfile=options.certfile,
            ssl_keyfile=options.keyfile,
        )
    )
    # What the first page needs is loaded while its address is typed.
    first = partial(pages.run, ["status"], store=str(store), units=options.shown_in)
    threading.Thread(target=first, daemon=True).start()
    server.run(sockets=[listening])
    return 0


def _refuse_certificate(certfile: str | None, keyfile: str | None) -> None:
    """Refuse a certificate that no connection can be encrypted with."""
    if certfile is None:
        if keyfile is not None:
            raise UnusableCall("--keyfile: belongs to --certfile; name the certificate too")
        return
    for option, file in (("--certfile", certfile), ("--keyfile", keyfile)):
        if file is not None and not Path(file).is_file():
            raise UnusableCall(f"{option} {file!r}: no such file")
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certfile, keyfile)
    except OSError as error:  # an SSLError is one
        raise UnusableCall(
            f"--certfile {certfile!r}: not a certificate with its key in PEM"
            f" ({error.strerror or error})"
        ) from None


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


@dataclass(frozen=True, slots=True)
class Entry:
    """What a form entered, and whether that still waits for the store."""

    page: Page
    given: Mapping[str, str]
    is_waiting: bool = False


class Application:
    """The pages of one store, as an ASGI application.

    Parameters
    ----------
    store : str
    token : str
        Whoever shows it once is let in.
    hosts : set of str
        Names with port by which a browser may call this server.
    read_only : bool
        No page writes.
    units : {"si", "us"}, optional
        As shown; else as set.
    is_secure : bool
        Cookies go over encrypted connections only.
    """

    def __init__(
        self,
        *,
        store: str,
        token: str,
        hosts: set[str],
        read_only: bool,
        units: str | None = None,
        is_secure: bool = False,
    ) -> None:
        self.store, self.token, self.hosts = store, token, hosts
        self.read_only, self.units, self.is_secure = read_only, units, is_secure
        self.form_key = hmac.new(token.encode(), b"form", "sha256").hexdigest()
        self.sent: deque[str] = deque(maxlen=MOST_SENT)  # forms, each taken once
        self.waiting: OrderedDict[str, tuple[asyncio.Task[Page], dict[str, str]]] = OrderedDict()

        def route(address: str, endpoint: Endpoint, *methods: str) -> Route:
            return Route(address, partial(self.let_in, endpoint), methods=methods or ["GET"])

        both = ("GET", "POST")
        self.routes = Starlette(
            routes=[
                *(route(address, self.file) for address in FILES),
                route("/mark", self.mark),
                route("/person", self.person, *both),
                route("/picture/{code}", self.picture),
                *(route(f"/{of}/list", self.answer) for of in ("series", "drop", "inspect")),
                route("/bench/{code:path}", self.bench, *both),
                route("/inspect/{code:path}", self.inspect, *both),
                route("/kept/{code}", self.kept_photo),
                route("/photo/{code:path}", self.photo, *both),
                route("/damage/{code:path}", self.damage, *both),
                route("/reports", self.reports),
                route("/report/{number}", self.report),
                route("/report/{number}/page", self.issued_page),
                *(route(f"/{kind}/{{code:path}}", self.thing) for kind in (*pages.VIEWS, "drop")),
                route("/{path:path}", self.answer),
            ]
        )

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer a request; each answer says what a browser may do with it."""

        async def send_all(message: Any) -> None:
            if message["type"] == "http.response.start":
                own = [(key.lower().encode(), value.encode()) for key, value in HEADERS.items()]
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await self.routes(scope, receive, send_all)

    # ------------------------------------------------------------------------------ who is let in

    async def let_in(self, endpoint: Endpoint, request: Request) -> Response:
        """The answer to who is let in; a token that is shown becomes a cookie."""
        if any(code.startswith("-") for code in request.path_params.get("code", "").split("/")):
            return _plain(404, REFUSED["hyphen"])  # it would be read as an option
        if request.headers.get("host", "") not in self.hosts:
            return _plain(400, REFUSED["name"])
        shown = request.query_params.get("token", "")
        if shown:
            if not _is_same(shown, self.token):
                return _plain(403, REFUSED["token"])
            return self.keep(_led_to(request.url.path), COOKIE, self.token)
        if not _is_same(request.cookies.get(COOKIE, ""), self.token):
            return _plain(403, REFUSED["no_token"])
        request.state.mark = pages.mark(self.store)
        return await endpoint(request)

    def keep(self, response: Response, name: str, value: str) -> Response:
        """A response whose browser keeps a value."""
        response.set_cookie(
            name, value, path="/", httponly=True, samesite="strict", secure=self.is_secure
        )
        return response

    def why_not(self, given: Mapping[str, str], person: str) -> Page | None:
        """Why a form is not taken."""
        if self.read_only:
            return Page(refused=REFUSED["read_only"], status=403)
        if not _is_same(given.get("form", ""), self.form_key):
            return Page(refused=REFUSED["forged"], status=403)
        if given.get("once", "") in self.sent:
            return Page(refused=REFUSED["twice"], status=409)
        return None if person else Page(refused=REFUSED["nobody"], status=409)

    async def person(self, request: Request) -> Response:
        """Who enters: chosen by a name of the record, or a new one."""
        to, wrong = request.query_params.get("to", "/"), Page()
        if request.method == "POST":
            given = await _form(request) or {}
            to, name = given.get("to", "/"), " ".join(given.get("by", "").split())
            if not 0 < len(name) <= MOST_NAME or not name.isprintable():
                wrong = Page(refused=REFUSED["no_name"], status=400)
            else:
                wrong = self.why_not(given, name) or wrong
            if not wrong.refused:
                return self.keep(_led_to(to), PERSON, quote(name))
        forms = await self.who_forms(request, to)
        return self.laid_out(request, wrong, TITLE["person"], forms=forms)

    async def who_forms(self, request: Request, to: str) -> list[dict[str, Any]]:
        """Forms that ask who enters; none where someone is chosen already, or nobody may."""
        if self.read_only or (_person_of(request) and request.url.path != "/person"):
            return []
        return screens.person_forms(await run_in_threadpool(pages.names, self.store), to)

    # ------------------------------------------------------------------------------- what is read

    def laid_out(self, request: Request, page: Page, title: str, **parts: Any) -> Response:
        """A page as HTML; ``parts`` as ``screen`` takes them, where the page has them not."""
        here = request.url.path
        own = {
            "blocks": page.blocks,
            "done": page.lines,
            "refused": [page.refused] if page.refused else [],
        }
        html = screens.screen(
            title=title,
            key=self.form_key,
            address_of=pages.address_of,
            command_address=pages.command_address,
            here=here,
            person="" if self.read_only else _person_of(request),
            person_address=f"/person?{urlencode({'to': here})}",
            mark=request.state.mark,
            **{**own, **parts},
        )
        return HTMLResponse(html, status_code=page.status)

    async def asked(self, call: Sequence[str]) -> Page:
        """The answer of a command that reads only."""
        return await run_in_threadpool(pages.run, call, store=self.store, units=self.units)

    async def file(self, request: Request) -> Response:
        """The style sheet, or the script."""
        path = request.url.path
        return PlainTextResponse(screen_file(path), media_type=FILES[path])

    async def mark(self, request: Request) -> Response:
        """What a page that is shown asks, to see whether anything was entered since."""
        return PlainTextResponse(request.state.mark)

    async def answer(self, request: Request) -> Response:
        """The answer of the command that the address stands for."""
        path = request.scope["raw_path"].decode("latin-1")  # a code may hold a "/"
        options = parse_qsl(request.url.query, keep_blank_values=True)
        call = pages.command_of(path if path != "/" else "/status", options)
        if call is None:
            return self.laid_out(request, Page(refused=path, status=404), TITLE["missing"])
        return self.laid_out(request, await self.asked(call), " ".join(call))

    async def picture(self, request: Request) -> Response:
        """A picture that is drawn."""
        call = pages.picture_of(request.path_params["code"], request.query_params.multi_items())
        page = Page(status=404) if call is None else await self.asked(call)
        if not page.picture:
            return _plain(page.status, page.refused)
        return Response(page.picture, media_type="image/svg+xml")

    async def kept_photo(self, request: Request) -> Response:
        """A photo that is kept."""
        digest = request.path_params["code"]
        content, kind = await run_in_threadpool(pages.photo_of, digest, store=self.store)
        if kind not in PHOTO_ENDINGS:  # those that a browser shows, and nothing that it runs
            return _plain(404, REFUSED["no_such_photo"])
        return Response(content, media_type=kind)

    async def reports(self, request: Request) -> Response:
        """The reports that were issued."""
        page = await run_in_threadpool(pages.issued_reports, store=self.store)
        return self.laid_out(request, page, TITLE["reports"])

    async def report(self, request: Request) -> Response:
        """One report that was issued: by whom, about what, its answers."""
        number = pages.whole_number(request.path_params["number"])
        page, is_kept = await run_in_threadpool(pages.issued_report, number, store=self.store)
        links = [(f"/report/{number}/page", SAY["as_issued"])] if is_kept else []
        return self.laid_out(request, page, TITLE["report"].format(code=number), links=links)

    async def issued_page(self, request: Request) -> Response:
        """The page of a report as it was issued: nothing in it is run or fetched."""
        number = pages.whole_number(request.path_params["number"])
        page, name, content = await run_in_threadpool(pages.issued_page, number, store=self.store)
        if page.refused:
            return _plain(page.status, page.refused)
        alone = {"Content-Security-Policy": ISSUED_POLICY}
        if not name.endswith(".pdf"):
            return HTMLResponse(content, headers=alone)
        alone["Content-Disposition"] = f'attachment; filename="report-{number}.pdf"'
        return Response(content, media_type="application/pdf", headers=alone)

    async def thing(self, request: Request) -> Response:
        """One series, case, device, model or drop: its answers one below the other."""
        kind, code = request.url.path.split("/")[1], request.path_params["code"]
        number, links = "", []
        if kind == "drop":
            code, _, number = code.rpartition("/")
            links = [(pages.address_of(("series", code)), TITLE["series"].format(code=code))]
        elif kind in ENTERED and not self.read_only:
            place, key = ENTERED[kind]
            links = [(f"/{place}/{quote(code, safe='')}", SAY[key])]
        page = await run_in_threadpool(
            pages.view, kind, code, number, store=self.store, units=self.units
        )
        title = TITLE[kind].format(code=code, number=number)
        return self.laid_out(request, page, title, links=[] if page.refused else links)

    # ---------------------------------------------------------------------------- what is entered

    async def entered(
        self, request: Request, command: Sequence[str], options: Sequence[str] = ()
    ) -> Entry:
        """What a form entered; an entry that can't be stored at once is named in the address."""
        given: dict[str, str] = {}
        once = request.query_params.get("waits", "")
        if request.method == "POST":
            given, by = await _form(request) or {}, _person_of(request)
            wrong, once = self.why_not(given, by), given.get("once", "")
            if wrong is not None:
                return Entry(wrong, given)
            self.sent.append(once)
            work = partial(
                pages.run,
                [*command, *(f"--{name}={given[name]}" for name in options if given.get(name))],
                typed=screens.typed(given),
                units=self.units,
                still=pages.still_as_shown(given, by),
            )
            if given.get("line") == screens.UNDERSTOOD:
                work = partial(pages.acknowledge, command)
            task = asyncio.ensure_future(run_in_threadpool(work, store=self.store, person=by))
            self.waiting[once] = task, given
            if len(self.waiting) > MOST_WAITING:
                self.waiting.popitem(last=False)
            await asyncio.wait({task}, timeout=PATIENCE_S)
        if once not in self.waiting:
            return Entry(Page(), given)
        task, given = self.waiting[once]
        if not task.done():
            return Entry(Page(), given, is_waiting=True)
        del self.waiting[once]
        request.state.mark = pages.mark(self.store)
        return Entry(task.result(), given)

    def shown_waiting(self, request: Request, entry: Entry, title: str) -> Response:
        """That an entry waits for the store; the page is loaded again until it is stored."""
        many = sum(not task.done() for task, _ in self.waiting.values())
        again = f"{request.url.path}?{urlencode({'waits': entry.given.get('once', '')})}"
        line = SAY["waits"].format(
            line=screens.typed(entry.given).strip().split("\n")[-1], many=many
        )
        return self.laid_out(request, Page(status=202), title, done=[line], again=again)

    async def bench(self, request: Request) -> Response:
        """A series at the bench: its next drop, a correction, an undo."""
        series, by = request.path_params["code"], _person_of(request)
        title, here = TITLE["bench"].format(code=series), f"/bench/{quote(series)}"
        entry = await self.entered(request, ["record", series], ["despite-failed"])
        if entry.is_waiting:
            return self.shown_waiting(request, entry, title)
        done = entry.page
        stands = await run_in_threadpool(
            pages.bench, series, store=self.store, person=by, units=self.units
        )
        drops = await self.asked(["drop", "list", f"--series={series}"])
        forms = await self.who_forms(request, here)
        is_entered = bool(by) and not self.read_only and not stands.refused
        if is_entered:
            typed = entry.given.get("line", "") if done.refused else ""
            forms = screens.bench_forms(
                here,
                is_acknowledged=stands.is_acknowledged,
                last_drop=stands.last_drop,
                unfit=stands.unfit,
                typed=typed,
            )
        blocks = [each.latest_first() if isinstance(each, Table) else each for each in drops.blocks]
        all_ = (done, stands, drops)
        return self.laid_out(
            request,
            max(all_, key=lambda each: each.status),
            title,
            lead=stands.blocks,
            blocks=blocks,
            done=done.lines,
            refused=list(dict.fromkeys(each.refused for each in all_ if each.refused)),
            forms=[] if stands.refused else forms,
            links=[
                *([(f"/damage/{quote(series)}", SAY["note_damage"])] if is_entered else []),
                (pages.address_of(("series", series)), TITLE["series"].format(code=series)),
            ],
        )

    async def inspect(self, request: Request) -> Response:
        """An inspection of a device: one function, its outcomes as keys; the way back."""
        device, by = request.path_params["code"], _person_of(request)
        title, here = TITLE["inspect"].format(code=device), f"/inspect/{quote(device)}"
        entry = await self.entered(request, ["inspect", "record", device])
        if entry.is_waiting:
            return self.shown_waiting(request, entry, title)
        done, wanted = entry.page, request.query_params.get("back", "")
        back = pages.whole_number(wanted) if request.method == "GET" else 0
        next_ = await run_in_threadpool(
            pages.asked_next, device, store=self.store, person=by, back=back
        )
        of = next_.before if done.refused else entry.given.get("asked", next_.before)
        # Where nothing is asked after an answer, that was the last of its inspection.
        is_over = bool(entry.given) and not done.refused and not next_.is_resumed
        is_asked = bool(next_.function) and not is_over and not self.read_only
        forms = await self.who_forms(request, here) if is_asked else []
        if by and not self.read_only:
            asked = screens.inspection_form(
                here, next_.function, back=next_.back, signs=next_.signs, known=next_.known
            )
            forms = [asked] if is_asked else []
            forms += [screens.photo_form(device, of)] if of else []
        return self.laid_out(
            request,
            max(done, next_, key=lambda each: each.status),
            title,
            lead=next_.blocks,
            blocks=[],
            done=done.lines,
            refused=[each.refused for each in (done, next_) if each.refused],
            forms=forms,
            before=f"{here}?back={next_.back + 1}" if is_asked and by else "",
            links=[(pages.address_of(("device", device)), TITLE["device"].format(code=device))],
        )

    async def photo(self, request: Request) -> Response:
        """A photo of what an inspection saw."""
        device = request.path_params["code"]
        if request.method == "GET":  # loaded again
            return _led_to(f"/inspect/{quote(device)}")
        page = await self.sent_with_photo(request, pages.add_photo, device, ("function",))
        links = [(f"/inspect/{quote(device)}", SAY["inspect"])]
        return self.laid_out(request, page, TITLE["inspect"].format(code=device), links=links)

    async def damage(self, request: Request) -> Response:
        """Damage that was seen at the bench, with a photo of it or without."""
        series, by, page = request.path_params["code"], _person_of(request), Page()
        here = f"/damage/{quote(series)}"
        if request.method == "POST":
            page = await self.sent_with_photo(request, pages.add_damage, series, DAMAGE_FIELDS)
        stands = await run_in_threadpool(pages.bench, series, store=self.store, person=by)
        if stands.refused:
            return self.laid_out(request, stands, TITLE["damage"].format(code=series), blocks=[])
        forms = await self.who_forms(request, here)
        if by and not self.read_only:
            forms = [screens.damage_form(here, stands.specimens, stands.last_drop)]
        links = [(f"/bench/{quote(series)}", SAY["enter_drops"])]
        title = TITLE["damage"].format(code=series)
        return self.laid_out(request, page, title, forms=forms, links=links)

    async def sent_with_photo(
        self, request: Request, work: Callable[..., Page], of: str, fields: Sequence[str]
    ) -> Page:
        """What a form entered that may hold a photo."""
        size, by = request.headers.get("content-length", ""), _person_of(request)
        if not (size.isdecimal() and int(size) <= LARGEST_PHOTO):
            return Page(refused=REFUSED["too_large"], status=413)
        fields = ("form", "once", *fields)
        async with request.form(max_files=1, max_fields=len(fields)) as sent:
            given = {name: str(sent.get(name, "")) for name in fields}
            wrong, file = self.why_not(given, by), sent.get("photo")
            if wrong is not None:
                return wrong
            self.sent.append(given["once"])
            photo = None
            if isinstance(file, UploadFile) and file.filename:
                photo = file.filename, file.file
            page = await run_in_threadpool(work, of, given, photo, store=self.store, person=by)
            request.state.mark = pages.mark(self.store)
            return page


def _plain(status: int, line: str) -> Response:
    return PlainTextResponse(line, status_code=status)


def _led_to(address: str) -> Response:
    """To an address of this server, whatever it was."""
    return RedirectResponse("/" + address.lstrip("/\\"), status_code=303)


def _is_same(shown: str, right: str) -> bool:
    """Whether a secret is shown, in a time that says nothing about it."""
    return hmac.compare_digest(shown.encode(), right.encode())


def _person_of(request: Request) -> str:
    return unquote(request.cookies.get(PERSON, ""))


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form, what was ticked several times joined; None where it is too long."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_FORM:
            return None
    try:
        fields = parse_qs(body.decode("utf-8"), keep_blank_values=True)
    except (UnicodeDecodeError, ValueError):
        return None
    return {name: "; ".join(values) for name, values in fields.items()}
