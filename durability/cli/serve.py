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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, parse_qsl, quote, unquote, urlencode

from durability.cli import pages
from durability.cli.pages import Page
from durability.intake.hand_entry import PHOTO_ENDINGS
from durability.record.errors import RecordRefused, UnusableCall
from durability.report.blocks import Preformatted, Table
from durability.report.page import picture, screen, screen_file, screen_words

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from durability.report.blocks import Block

MOST_SENT = 10_000
"""Forms remembered as sent: a page that is loaded again enters nothing twice."""
MOST_WAITING = 100
"""Entries remembered that waited for the store."""
MOST_BACK = 100
"""Functions that an inspector goes back at once."""
MOST_NAME = 60
"""Characters of a person's name."""
LARGEST_FORM, LARGEST_PHOTO = 10_000, 30_000_000
"""Bytes of a form, and of one with a photo."""
PATIENCE_S = 5.0
"""How long an entry may take before the page says that it waits for the store."""

COOKIE, PERSON = "durability", "durability_person"
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self' 'unsafe-inline'; script-src"
    " 'self'; img-src 'self' data:; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
_PHOTO_FIELDS = ("form", "once", "function")
FILES = {"/style.css": "text/css", "/screen.js": "text/javascript"}


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
    _refuse_certificate(options.certfile, options.keyfile)
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
    app = application(
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


def application(
    *,
    store: str,
    token: str,
    hosts: set[str],
    read_only: bool,
    units: str | None = None,
    is_secure: bool = False,
) -> Any:
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
    units : {"si", "us"}, optional
        As shown; else as set.
    is_secure : bool
        Cookies go over encrypted connections only.

    Returns
    -------
    ASGI application
    """
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.datastructures import UploadFile
    from starlette.responses import (
        HTMLResponse,
        PlainTextResponse,
        RedirectResponse,
        Response,
    )
    from starlette.routing import Route

    form_key = hmac.new(token.encode(), b"form", "sha256").hexdigest()
    sent: deque[str] = deque(maxlen=MOST_SENT)  # forms, each taken once
    waiting: OrderedDict[str, tuple[asyncio.Task[Page], dict[str, str]]] = OrderedDict()
    words = screen_words()
    say, refusal = words["say"], words["refused"]

    def keep(response: Response, name: str, value: str) -> Response:
        response.set_cookie(
            name, value, path="/", httponly=True, samesite="strict", secure=is_secure
        )
        return response

    def answered(request: Request, status: int = 200, *, title: str, **parts: Any) -> Response:
        here = request.url.path
        page = screen(
            title=title,
            key=form_key,
            address_of=pages.address_of,
            here=here,
            person="" if read_only else person_of(request),
            person_address=f"/person?{urlencode({'to': here})}",
            **parts,
        )
        return HTMLResponse(page, status_code=status)

    def plain(status: int, line: str) -> Response:
        return PlainTextResponse(line, status_code=status)

    def person_of(request: Request) -> str:
        return unquote(request.cookies.get(PERSON, ""))

    def not_let_in(request: Request) -> Response | None:
        """What a request gets that is not let in; a token that is shown becomes a cookie."""
        if any(code.startswith("-") for code in request.path_params.get("code", "").split("/")):
            return plain(404, refusal["hyphen"])  # it would be read as an option
        if request.headers.get("host", "") not in hosts:
            return plain(400, refusal["name"])
        shown = request.query_params.get("token", "")
        if shown:
            if not hmac.compare_digest(shown.encode(), token.encode()):
                return plain(403, refusal["token"])
            entered = RedirectResponse(_within(request.url.path), status_code=303)
            return keep(entered, COOKIE, token)
        known = request.cookies.get(COOKIE, "")
        if not hmac.compare_digest(known.encode(), token.encode()):
            return plain(403, refusal["no_token"])
        return None

    async def asked(call: Sequence[str]) -> Page:
        return await run_in_threadpool(pages.run, call, store=store, units=units)

    async def file(request: Request) -> Response:
        content = screen_file(request.url.path)
        return not_let_in(request) or PlainTextResponse(content, media_type=FILES[request.url.path])

    async def answer(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        path = request.url.path if request.url.path != "/" else "/status"
        options = parse_qsl(request.url.query, keep_blank_values=True)
        call = pages.command_of(path, options)
        if call is None:
            title = words["title"]["missing"]
            return answered(request, 404, title=title, refused=[request.url.path])
        page = await asked(call)
        return answered(request, page.status, title=" ".join(call), **_parts(page))

    async def drawn(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        call = pages.picture_of(request.path_params["code"], request.query_params.multi_items())
        page = Page(status=404) if call is None else await asked(call)
        if not page.picture:
            return plain(page.status, page.refused)
        return Response(page.picture, media_type="image/svg+xml")

    async def kept_photo(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        content, kind = await run_in_threadpool(
            pages.photo_of, request.path_params["code"], store=store
        )
        if kind not in PHOTO_ENDINGS:  # those that a browser shows, and nothing that it runs
            return plain(404, refusal["no_such_photo"])
        return Response(content, media_type=kind)

    async def thing(request: Request) -> Response:
        """One series, case, device, model or drop: its answers one below the other."""
        refused = not_let_in(request)
        if refused is not None:
            return refused
        kind, code = request.url.path.split("/")[1], request.path_params["code"]
        links = []
        if kind == "drop":
            code, _, number = code.rpartition("/")
            shown = [await asked(["show", "drop", code, number])]
            has_waveform = not (await asked(["show", "pulse", code, number])).refused
            of = {"series": code, "drop": number}
            drawings = [(each, of) for each in ("pulses", "spectra") if has_waveform]
            links = [(pages.address_of(("series", code)), words["title"]["series"])]
        else:
            calls, pictures = pages.VIEWS[kind]
            shown = [await asked([word.format(code) for word in call.split()]) for call in calls]
            number = ""
            drawings = [(each, {option: code}) for each, option in pictures]
            enter = {"series": ("bench", "enter_drops"), "device": ("inspect", "inspect")}
            if kind in enter and not read_only:
                place, key = enter[kind]
                links = [(f"/{place}/{quote(code, safe='')}", say[key])]
        first = shown[0]
        blocks: list[Block] = [] if first.refused else list(first.blocks)
        if not first.refused:
            if drawings:  # what is drawn in letters is drawn better
                blocks = [each for each in blocks if not isinstance(each, Preformatted)]
            for each, of in drawings:
                address = pages.picture_address(each, **of)
                blocks.append(picture(each, address, words["picture"][each]))
            blocks += [block for page in shown[1:] for block in page.blocks]
            if kind in ("case", "device"):
                kept = await run_in_threadpool(pages.photos_of, code, store=store)
                blocks += [picture(each, f"/kept/{each}", caption) for each, caption in kept]
        return answered(
            request,
            first.status,
            title=words["title"][kind].format(code=code, number=number),
            blocks=blocks,
            refused=[first.refused] if first.refused else [],
            links=[] if first.refused else [(to, each.format(code=code)) for to, each in links],
        )

    async def entered(request: Request, command: Sequence[str], options: Sequence[str]) -> Entry:
        """What a form entered; an entry that can't be stored at once is named in the address."""
        given: dict[str, str] = {}
        once = request.query_params.get("waits", "")
        if request.method == "POST":
            given = await _form(request) or {}
            page, once = _why_not(given, person_of(request)), given.get("once", "")
            if page is not None:
                return Entry(page, given)
            sent.append(once)
            by = person_of(request)
            if given.get("line") == pages.UNDERSTOOD:
                work = partial(pages.acknowledge, command, store=store, person=by)
            else:
                told = [f"--{name}={given[name]}" for name in options if given.get(name)]
                call = [*command, *told]
                still = pages.still_as_shown(given, by)
                work = partial(
                    pages.run,
                    call,
                    store=store,
                    typed=_typed(given),
                    person=by,
                    units=units,
                    still=still,
                )
            task = asyncio.ensure_future(run_in_threadpool(work))
            waiting[once] = task, given
            if len(waiting) > MOST_WAITING:
                waiting.popitem(last=False)
            await asyncio.wait({task}, timeout=PATIENCE_S)
        if once not in waiting:
            return Entry(Page(), given)
        task, given = waiting[once]
        if not task.done():
            return Entry(Page(), given, is_waiting=True)
        del waiting[once]
        return Entry(task.result(), given)

    def _why_not(given: Mapping[str, str], person: str) -> Page | None:
        """Why a form is not taken."""
        if read_only:
            return Page(refused=refusal["read_only"], status=403)
        if not hmac.compare_digest(given.get("form", "").encode(), form_key.encode()):
            return Page(refused=refusal["forged"], status=403)
        if given.get("once", "") in sent:
            return Page(refused=refusal["twice"], status=409)
        return None if person else Page(refused=refusal["nobody"], status=409)

    def shown_waiting(request: Request, entry: Entry, title: str) -> Response:
        many = sum(not task.done() for task, _ in waiting.values())
        again = f"{request.url.path}?{urlencode({'waits': entry.given.get('once', '')})}"
        line = say["waits"].format(line=_typed(entry.given).strip().split("\n")[-1], many=many)
        return answered(request, 202, title=title, done=[line], again=again)

    async def who(request: Request, to: str) -> list[dict[str, Any]]:
        """Forms that ask who enters; none where someone is chosen already, or nobody may."""
        if read_only or (person_of(request) and request.url.path != "/person"):
            return []
        return pages.person_forms(await run_in_threadpool(pages.names, store), to)

    async def person(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        to = request.query_params.get("to", "/")
        wrong = Page()
        if request.method == "POST":
            given = await _form(request) or {}
            to, name = given.get("to", "/"), " ".join(given.get("by", "").split())
            if not 0 < len(name) <= MOST_NAME or not name.isprintable():
                wrong = Page(refused=refusal["no_name"], status=400)
            else:
                wrong = _why_not(given, name) or wrong
            if not wrong.refused:
                response = RedirectResponse(_within(to), status_code=303)
                return keep(response, PERSON, quote(name))
        forms = await who(request, to)
        title = words["title"]["person"]
        return answered(request, wrong.status, title=title, forms=forms, **_parts(wrong))

    async def bench(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        series = request.path_params["code"]
        title, name = words["title"]["bench"].format(code=series), person_of(request)
        entry = await entered(request, ["record", series], ["despite-failed"])
        if entry.is_waiting:
            return shown_waiting(request, entry, title)
        done = entry.page
        stands = await run_in_threadpool(pages.bench, series, store=store, person=name, units=units)
        drops = await asked(["drop", "list", f"--series={series}"])
        here = f"/bench/{quote(series)}"
        forms = await who(request, here)
        if name and not read_only:
            typed = entry.given.get("line", "") if done.refused else ""
            forms = pages.bench_forms(here, stands, typed)
        return answered(
            request,
            max(each.status for each in (done, stands, drops)),
            title=title,
            lead=stands.blocks,
            blocks=[
                each.latest_first() if isinstance(each, Table) else each for each in drops.blocks
            ],
            done=done.lines,
            refused=list(
                dict.fromkeys(each.refused for each in (done, stands, drops) if each.refused)
            ),
            forms=[] if stands.refused else forms,
            links=[
                (pages.address_of(("series", series)), words["title"]["series"].format(code=series))
            ],
        )

    async def inspect(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        device = request.path_params["code"]
        title, name = words["title"]["inspect"].format(code=device), person_of(request)
        entry = await entered(request, ["inspect", "record", device], [])
        if entry.is_waiting:
            return shown_waiting(request, entry, title)
        done = entry.page
        wanted = request.query_params.get("back", "")
        next_ = await run_in_threadpool(
            pages.asked_next,
            device,
            store=store,
            person=name,
            back=int(wanted) if wanted.isdecimal() and request.method == "GET" else 0,
        )
        of = next_.before if done.refused else entry.given.get("asked", next_.before)
        # Where nothing is asked after an answer, that was the last of its inspection.
        is_over = bool(entry.given) and not done.refused and not next_.is_resumed
        here = f"/inspect/{quote(device)}"
        forms = await who(request, here)
        is_asked = bool(next_.function) and not is_over and not read_only
        if name and not read_only:
            forms = [pages.inspection_form(here, next_)] if is_asked else []
            forms += [pages.photo_form(device, of)] if of else []
        return answered(
            request,
            max(done.status, next_.status),
            title=title,
            lead=next_.blocks,
            done=done.lines,
            refused=[each.refused for each in (done, next_) if each.refused],
            forms=forms if is_asked or name else [],
            before=f"{here}?back={next_.back + 1}" if is_asked and name else "",
            links=[
                (pages.address_of(("device", device)), words["title"]["device"].format(code=device))
            ],
        )

    async def photo(request: Request) -> Response:
        refused = not_let_in(request)
        if refused is not None:
            return refused
        device, by = request.path_params["code"], person_of(request)
        page = Page(refused=refusal["too_large"], status=413)
        size = request.headers.get("content-length", "")
        if size.isdecimal() and int(size) <= LARGEST_PHOTO:
            async with request.form(max_files=1, max_fields=len(_PHOTO_FIELDS)) as sent_form:
                given = {name: str(sent_form.get(name, "")) for name in _PHOTO_FIELDS}
                file = sent_form.get("photo")
                wrong = _why_not(given, by)
                if wrong is not None:
                    page = wrong
                elif not isinstance(file, UploadFile):
                    page = Page(refused=refusal["no_photo"], status=400)
                else:
                    sent.append(given["once"])
                    page = await run_in_threadpool(
                        pages.add_photo,
                        device,
                        file.filename or "",
                        file.file,
                        function=given["function"],
                        store=store,
                        person=by,
                    )
        title = words["title"]["inspect"].format(code=device)
        links = [(f"/inspect/{quote(device)}", say["inspect"])]
        return answered(request, page.status, title=title, links=links, **_parts(page))

    async def with_headers(scope: Any, receive: Any, send: Any) -> None:
        async def send_all(message: Any) -> None:
            if message["type"] == "http.response.start":
                own = [(key.lower().encode(), value.encode()) for key, value in HEADERS.items()]
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await app(scope, receive, send_all)

    both = ["GET", "POST"]
    app = Starlette(
        routes=[
            *(Route(address, file) for address in FILES),
            Route("/person", person, methods=both),
            Route("/picture/{code}", drawn),
            Route("/bench/{code:path}", bench, methods=both),
            Route("/inspect/{code:path}", inspect, methods=both),
            Route("/kept/{code}", kept_photo),
            Route("/photo/{code:path}", photo, methods=["POST"]),
            *(Route(f"/{group}/list", answer) for group in ("series", "drop")),
            *(Route(f"/{kind}/{{code:path}}", thing) for kind in (*pages.VIEWS, "drop")),
            Route("/{path:path}", answer),
        ]
    )
    return with_headers


def _within(address: str) -> str:
    """An address of this server, whatever it was."""
    return "/" + address.lstrip("/\\")


def _parts(page: Page) -> dict[str, Any]:
    """As ``screen`` takes them."""
    refused = [page.refused] if page.refused else []
    return {"blocks": page.blocks, "done": page.lines, "refused": refused}


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


def _typed(given: Mapping[str, str]) -> str:
    """What a form stands for at the keyboard: a line of the session, all of it typed fields."""
    back = int(given["back"]) if given.get("back", "").isdecimal() else 0
    words = [word for name in ("before", "line", "after") for word in given.get(name, "").split()]
    signs = given.get("signs", "")
    if signs:
        words += [";" if any(word.startswith("#") for word in words) else "#", signs]
    return "b\n" * min(back, MOST_BACK) + f"{' '.join(words)}\n"
