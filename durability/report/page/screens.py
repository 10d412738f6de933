"""The pages of a server: an answer's blocks laid out, and the forms that enter more."""

from __future__ import annotations

import re
import secrets
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from durability.record.errors import harmless
from durability.record.vocabulary import DAMAGE_MODES, DAMAGE_SEVERITIES, OUTCOMES, VOID_REASONS
from durability.report import safety
from durability.report.bench import BENCH_CAUTIONS
from durability.report.blocks import Drawing
from durability.report.page import templates

if TYPE_CHECKING:
    from durability.report.blocks import Block, Reference


def screen(
    *,
    title: str,
    key: str,
    address_of: Callable[[Reference], str],
    command_address: Callable[[str], str],
    here: str,
    person: str,
    person_address: str,
    lead: Sequence[Block] = (),
    blocks: Sequence[Block] = (),
    done: Sequence[str] = (),
    refused: Sequence[str] = (),
    forms: Sequence[Mapping[str, Any]] = (),
    links: Sequence[tuple[str, str]] = (),
    before: str = "",
    again: str = "",
    mark: str = "",
) -> str:
    """One page of a server: an answer's blocks, what was just entered, forms to enter more.

    Parameters
    ----------
    title : str
    key : str
        Goes with each form, so that only forms of this server are taken.
    address_of : callable
        Where a cell leads, by what it names; "" for nowhere.
    command_address : callable
        Where the page of a command is that a sentence names; "" where it has none.
    here : str
        Address of this page.
    person, person_address : str
        Who enters, "" for nobody yet, and where another is chosen.
    lead, blocks : sequence of Block
        Before the forms, and after them.
    done, refused : sequence of str
        What was entered, and what was not.
    forms : sequence of mapping
        With action, title, lines, hidden, fields and button.
    links : sequence of (str, str)
        Addresses that this page leads on to, and what they are called.
    before : str
        Address of the question before; "" where there is none.
    again : str
        Address that is loaded in a moment, while an entry waits.
    mark : str
        What the server answers at ``/mark`` while the record is as this page shows it.

    Returns
    -------
    str
        HTML, no script within.
    """
    return harmless(
        templates()
        .get_template("screen.html")
        .render(
            title=title,
            menu=screen_words()["menu"],
            say=screen_words()["say"],
            key=key,
            address_of=address_of,
            leading=partial(_leading, address_of=command_address),
            here=here,
            person=person,
            person_address=person_address,
            lead=lead,
            blocks=blocks,
            done=done,
            refused=refused,
            forms=forms,
            links=links,
            before=before,
            again=again,
            mark=mark,
            cautions=safety.CAUTIONS,
        )
    )


_COMMAND = re.compile(
    r"durability (?P<call>[a-z]+(?: [a-z_]+)?"
    r"(?: --[a-z-]+(?! [A-Z]+\b)(?:[ =](?!--)[\w-]+)?)*)(?![\w=-])"
)


def _leading(line: str, address_of: Callable[[str], str]) -> Markup:
    """A sentence whose commands lead to their pages, where they have one."""
    made, at = Markup(), 0
    for found in _COMMAND.finditer(line):
        call = found["call"]
        named = next((each for each in (call, call.split(" ")[0]) if address_of(each)), "")
        if named:
            link = Markup('<a href="{}">{}</a>')
            made += line[at : found.start()]
            made += link.format(address_of(named), f"durability {named}")
            at = found.start("call") + len(named)
    return made + line[at:]


def picture(name: str, address: str, caption: str) -> Drawing:
    """A picture that the browser fetches from the server beside the page."""
    image = Markup('<img alt="{}" src="{}">').format(caption, address)
    return Drawing(name, lambda: image, caption)


def screen_file(address: str) -> str:
    """The style sheet or the script of a server's pages."""
    folder = Path(__file__).parent
    if address == "/screen.js":
        return (folder / "screen.js").read_text("utf-8")
    return (folder / "style.css").read_text("utf-8") + (folder / "screen.css").read_text("utf-8")


@cache
def screen_words() -> dict[str, dict[str, str]]:
    """What a server's pages say beside the answers: menu, titles, labels of forms, refusals."""
    return tomllib.loads((Path(__file__).parent / "screen.toml").read_text("utf-8"))


# ------------------------------------------------------------------------------------------ forms

_LINE = ("before", "line", "after", "words")
"""Fields of a form that are a line of the session, in this order."""
MOST_BACK = 100
"""Functions that an inspector goes back at once."""
UNDERSTOOD = "understood"
"""Line of the form that acknowledges the cautions."""


def person_forms(names: Sequence[str], to: str) -> list[dict[str, Any]]:
    """The names that the record knows as keys, and a field for another."""
    say, title = screen_words()["say"], screen_words()["title"]["person"]
    known = {"label": say["known"], "name": "by", "choices": _same(names), "is_keys": True}
    new = {"label": say["new_person"], "name": "by"}
    return [
        _made("/person", title, [known], to=to),
        _made("/person", say["new_person"], [new], say["choose"], to=to),
    ]


def bench_forms(
    action: str, *, is_acknowledged: bool, last_drop: int, unfit: str, typed: str = ""
) -> list[dict[str, Any]]:
    """The cautions first; then a reading, a correction, and the void reasons as keys.

    Parameters
    ----------
    action : str
        Address that takes them.
    is_acknowledged : bool
        Whether this person has acknowledged the cautions today.
    last_drop : int
        Number of the drop that a correction is of; 0 before the first.
    unfit : str
        What is the matter with the case or the device; "" for nothing.
    typed : str
        A reading that was refused, to be corrected.
    """
    say = screen_words()["say"]
    if not is_acknowledged:
        made = _made(action, say["cautions"], [], say["understood"], line=UNDERSTOOD)
        return [{**made, "lines": BENCH_CAUTIONS}]
    why = {"label": say["despite"], "name": "despite-failed"}
    reading: list[Mapping[str, Any]] = [
        {"label": say["peak"], "name": "line", "is_number": True, "value": typed},
        *([why] if unfit else []),
    ]

    def keys(letter: str) -> dict[str, Any]:
        choices = [(f"{letter}{n}", reason) for n, reason in enumerate(VOID_REASONS, start=1)]
        return {"label": say["why"], "name": "after", "choices": choices, "is_keys": True}

    words = {"label": say["why_words"], "name": "words"}
    right = {"label": say["peak_right"], "name": "line", "is_number": True}
    made = _made(action, say["next_drop"], reading, say["store"])
    forms = [
        {**made, "lines": [unfit] if unfit else [], "has_pad": True},
        _made(action, say["next_void"], [*reading, words, keys("v")]),
    ]
    if not last_drop:
        return forms
    correct, void = (say[key].format(drop=last_drop) for key in ("correct_last", "void_last"))
    return [
        *forms,
        _made(action, correct, [right], say["correct"], before="c", last=last_drop),
        _made(action, void, [words, keys("u")], last=last_drop),
    ]


def inspection_form(
    action: str, function: str, *, back: int, signs: Sequence[str], known: Sequence[str]
) -> dict[str, Any]:
    """One function with what is known of it, its outcomes as keys; of a battery its signs too."""
    say = screen_words()["say"]
    outcomes = [(outcome, outcome.replace("_", " ")) for outcome in OUTCOMES]
    ticked = {
        "label": say["signs"],
        "name": "signs",
        "choices": _same(signs),
        "is_ticked": True,
    }
    fields: list[Mapping[str, Any]] = [
        *([ticked] if signs else []),
        {"label": say["measured"], "name": "after"},
        {"label": function, "name": "line", "choices": outcomes, "is_keys": True},
    ]
    made = _made(action, function, fields, back=back, asked=function)
    return {**made, "lines": ["; ".join(known)]}


def photo_form(device: str, function: str) -> dict[str, Any]:
    """Photos of what was seen, from the camera or a file."""
    say = screen_words()["say"]
    title, photo = say["photo_of"].format(function=function), _photo("photo")
    made = _made(f"/photo/{quote(device)}", title, [photo], say["keep"], function=function)
    return {**made, "has_file": True}


def damage_form(action: str, specimens: Sequence[str], drop: int) -> dict[str, Any]:
    """What was seen on the case or the device after a drop, its severities as keys."""
    say = screen_words()["say"]
    severities = [(str(level), f"{level} {word}") for level, word in DAMAGE_SEVERITIES.items()]
    on = {"label": say["seen_on"], "name": "specimen", "is_one": True, "value": specimens[0]}
    fields: list[Mapping[str, Any]] = [
        {**on, "choices": _same(specimens)},
        {"label": say["mode"], "name": "mode", "choices": _same(DAMAGE_MODES), "is_one": True},
        {"label": say["where"], "name": "location"},
        {"label": say["seen"], "name": "note"},
        _photo("photo_or_not"),
        {"label": say["severity"], "name": "severity", "choices": severities, "is_keys": True},
    ]
    title = say["seen_after"].format(drop=drop) if drop else say["seen_before"]
    return {**_made(action, title, fields, drop=drop), "has_file": True}


def _photo(words: str) -> dict[str, Any]:
    return {"label": screen_words()["say"][words], "name": "photo", "is_file": True}


def typed(given: Mapping[str, str]) -> str:
    """What a form stands for at the keyboard: a line of the session, all of it typed fields."""
    back = int(given["back"]) if given.get("back", "").isdecimal() else 0
    words = [word for name in _LINE for word in given.get(name, "").split()]
    signs = given.get("signs", "")
    if signs:
        words += [";" if any(word.startswith("#") for word in words) else "#", signs]
    return "b\n" * min(back, MOST_BACK) + f"{' '.join(words)}\n"


def _same(words: Iterable[str]) -> list[tuple[str, str]]:
    """Choices that send what they show."""
    return [(each, each) for each in words]


def _made(
    action: str,
    title: str,
    fields: Sequence[Mapping[str, Any]],
    button: str = "",
    **hidden: object,
) -> dict[str, Any]:
    blank = {
        "value": "",
        "choices": (),
        **dict.fromkeys(("is_keys", "is_one", "is_ticked", "is_number", "is_file"), False),
    }
    return {
        "action": action,
        "title": title,
        "lines": (),
        "fields": [{**blank, **own} for own in fields],
        "hidden": {**hidden, "once": secrets.token_hex(8)},
        "button": button,
        "has_pad": False,
        "has_file": False,
    }
