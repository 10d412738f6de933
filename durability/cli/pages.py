"""A page is a command: its address holds the command's words and options.

The command itself answers, and what it yields for a terminal is kept to be laid out as HTML. So
nothing is computed, worded, checked or refused here that a terminal would not.
"""

from __future__ import annotations

import importlib
import io
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

from durability.cli.parser import make_parser, meant
from durability.record.errors import HEARD, DurabilityError, UnusableCall
from durability.report import safety

if TYPE_CHECKING:
    from durability.report.blocks import Block, Reference

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

LEADS = {
    "drop": "/show/drop/",
    "inspection": "/inspect/",
    "question": "/query/",
    "series": "/bench/",
    "specimen": "/show/code/",
}
"""Page of each kind of thing that a cell names; that of a model is an answer."""


@dataclass(slots=True)
class Page:
    """What a command gave."""

    blocks: list[Block] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    refused: str = ""
    status: int = 200

    @property
    def parts(self) -> dict[str, Any]:
        """As ``screen`` takes them."""
        return {
            "blocks": self.blocks,
            "done": "\n".join(self.said).splitlines(),
            "refused": [self.refused] if self.refused else [],
        }


_one_at_a_time = threading.Lock()
"""The lock of a store keeps processes apart, not threads."""


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
    call = [*words, f"--store={store}", *([f"--by={person}"] if person else [])]
    heard = HEARD.set(page.said.append)
    try:
        with _one_at_a_time:
            options = make_parser(only=call[0]).parse_args(meant(call))
            options.render = page.blocks.extend
            options.sent = io.StringIO(typed)
            options.quiet = True
            module, _, name = options.handler.partition(":")
            handler = getattr(importlib.import_module(f"durability.cli.{module}"), name)
            page.status = 200 if handler(options) == 0 else 409
    except DurabilityError as error:
        page.refused = str(getattr(error, "option_message", error))
        page.status = 400 if isinstance(error, UnusableCall) else 404
    except SystemExit:  # what the parser said last
        page.refused = page.said.pop()
        page.status = 400
    finally:
        HEARD.reset(heard)
    return page


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


def address_of(named: Reference) -> str:
    """Where a cell leads that names this."""
    kind, *codes = named
    if kind == "model":
        return f"/trend?{urlencode({'case-model': codes[0]})}"
    return LEADS[kind] + "/".join(quote(code, safe="") for code in codes)


def asked_next(
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
