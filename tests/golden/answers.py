"""What the program says of four stores, kept as text: a digit changes only where a file here does.

``python tests/test_golden.py`` writes every file anew; with names of folders or files behind it,
like ``few help``, only those. Whoever commits what changed says why.
"""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import platform
import re
import shlex
import sys
import tempfile
import time
from argparse import ArgumentParser
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from unittest.mock import patch
from xml.etree import ElementTree as ET

import one_rounding  # noqa: F401  before NumPy loads
from golden.calls import BAD_CALLS, BAD_FILES
from golden.stores import STORES
from shared_studies import shared_studies

from durability.__main__ import main
from durability.cli.parser import make_parser

HERE = Path(__file__).parent
COMMAND = "python tests/test_golden.py"
ONE_PYTHON = (3, 11)
"""Help and pictures are worded and laid out by libraries: they are compared on this one only."""
ONLY_ON_ONE_PYTHON = ("help.txt", "/pictures.txt")
_NOW = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
_ENVIRONMENT = {
    "COLUMNS": "100",
    "NO_COLOR": "1",
    "TZ": "UTC",
    "DURABILITY_STORE": "golden.duckdb",
    "DURABILITY_PERSON": "Ann",
    # A folder that is not there: no settings of whoever runs this.
    "XDG_CONFIG_HOME": "no-settings",
}
_NOT_SET = [name for name in os.environ if name.startswith("DURABILITY_")]
_DIGITS, _DRAWN_DIGITS = 9, 6
_NOTHING = 1e-12
_LONGEST_RUN = 24
"""Numbers in a row beyond which some of them and their mean stand for all."""
_MASKS = (
    (r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b", "<id>"),
    (r"\b(?=\w*\d)(?=\w*[a-f])[0-9a-f]{10,64}\b", "<digest>"),
    # One report in a hundred has a digest without a letter.
    (r"(?<=\bdigest)(\s(?:\| )?)\d{10}\b", r"\1<digest>"),
    (r"(?<=choose from )[^)]*", "<words>"),
    (
        r"\b(Python|duckdb|numpy|scipy|scikit-learn|pandas|matplotlib)(\W{1,6})\d+(\.\d+)+",
        r"\1\2<version>",
    ),
    (re.escape(f"{platform.system()} {platform.machine()}"), "<machine>"),
    (r"-?\b\d(\.\d+)?e-(1[3-9]|[2-9]\d)\b", "0"),
)


class Golden:
    """The program at work in a folder of its own, its clock, width, zone and person set.

    Parameters
    ----------
    folder : Path
        Empty; the stores are made in it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.calls = 0
        self._texts: dict[str, dict[str, str]] = {}

    def text(self, name: str) -> str:
        """What the file of that name should hold."""
        part = name.split("/")[0].removesuffix(".txt")
        if part not in self._texts:
            self._texts[part] = {}  # what failed once is not tried again for each of its files
            make = {"help": _help_texts, "bad_calls": self._bad_calls}.get(part)
            self._texts[part] = {name: make()} if make else dict(self._store_texts(part))
        return self._texts[part].get(name, f"{part}: could not be made, see the first failure\n")

    def _store_texts(self, store: str) -> Iterator[tuple[str, str]]:
        made = STORES[store]
        with self._at_work(store):
            self._make(store)
            for file, commands in made.asked.items():
                yield f"{store}/{file}.txt", "".join(self._answer(words) for words in commands)
            drawn = [self._picture(kind) for kind in made.pictures]
            pages = []
            for options in made.pages:
                self._run(shlex.split(f"report -o page.html --quiet {options}"), expect=0)
                page = Path("page.html").read_text(encoding="utf-8")
                words = f"$ durability report {options}".rstrip()
                pages.append(f"{words}\n{_page_text(page)}\n")
                drawn += [f"{words}\n{_picture_text(svg)}" for svg in _pictures_of(page)]
            yield f"{store}/page.txt", "".join(pages)
            yield f"{store}/pictures.txt", "".join(drawn)

    def _bad_calls(self) -> str:
        with self._at_work("bad_calls"):
            self._make("few")
            for name, content in BAD_FILES.items():
                Path(name).write_text(content, encoding="utf-8")
            parts = []
            for words in BAD_CALLS:
                status, _, err = self._run(shlex.split(words))
                parts.append(f"$ durability {words}\n{status}: {_masked(err)}")
        return "\n".join(parts)

    def _make(self, store: str) -> None:
        for name, content in STORES[store].files.items():
            Path(name).write_text(content, encoding="utf-8")
        for words in STORES[store].made_by:
            self._run(shlex.split(words), expect=0)

    def _answer(self, words: str) -> str:
        status, out, err = self._run([*shlex.split(words), "--json"])
        said = _pretty(_rounded(json.loads(out))) if out else ""
        parts = (f"$ durability {words} --json", f"{status}: {err}".rstrip(), said)
        return _masked("\n".join(part for part in parts if part) + "\n\n")

    def _picture(self, kind: str) -> str:
        words = f"plot {kind} -o picture.svg"
        status, _, err = self._run([*words.split(), "--quiet"])
        drawn = _picture_text(Path("picture.svg").read_text(encoding="utf-8")) if not status else ""
        return f"$ durability plot {kind}\n" + (f"{status}: {err}\n" if status else drawn)

    def _run(self, words: Sequence[str], *, expect: int | None = None) -> tuple[int, str, str]:
        """Exit status and what was printed."""
        self.calls += 1
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                status = main(words)
            except SystemExit as stop:
                status = int(stop.code or 0)
        if expect is not None and status != expect:
            raise AssertionError(f"durability {shlex.join(words)}: {status}, {err.getvalue()}")
        return status, out.getvalue(), err.getvalue()

    @contextlib.contextmanager
    def _at_work(self, part: str) -> Iterator[None]:
        """In an empty folder, with the clock a minute on at each call."""
        self.calls = 0
        folder = self.folder / part
        folder.mkdir()
        store = "demo.duckdb" if part == "demo" else _ENVIRONMENT["DURABILITY_STORE"]
        not_set = dict.fromkeys(_NOT_SET, "")
        with (
            contextlib.chdir(folder),
            patch.dict(
                os.environ,
                {**not_set, **_ENVIRONMENT, "DURABILITY_STORE": store},
            ),
            patch("durability.record.clock.now", lambda: _NOW + timedelta(minutes=self.calls)),
            shared_studies(),
        ):
            time.tzset()
            yield
        time.tzset()


def names() -> list[str]:
    """Every file that is kept."""
    kept = ["help.txt", "bad_calls.txt"]
    for store, made in STORES.items():
        kept += [f"{store}/{file}.txt" for file in (*made.asked, "page", "pictures")]
    return kept


def _help_texts() -> str:
    """The help of every command, without running any."""
    with patch.dict(os.environ, _ENVIRONMENT):
        return "\n".join(f"$ {one.prog} --help\n{_help(one)}" for one in _parsers(make_parser()))


def _parsers(parser: ArgumentParser) -> Iterator[ArgumentParser]:
    yield parser
    for action in parser._actions:
        if isinstance(action.choices, dict):
            for inner in action.choices.values():
                yield from _parsers(inner)


def _help(parser: ArgumentParser) -> str:
    try:
        return parser.format_help()
    except (ValueError, TypeError, KeyError) as error:
        return f"{type(error).__name__}: {error}\n"


def _rounded(value: Any) -> Any:
    """Numbers to nine digits; of a long run of numbers every so many, and the mean of all."""
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    if isinstance(value, list):
        if len(value) > _LONGEST_RUN and all(isinstance(each, dict) for each in value):
            columns = {key: [each.get(key) for each in value] for key in value[0]}
            if all(_is_number(cell) for column in columns.values() for cell in column):
                return _rounded(columns)
        if len(value) > _LONGEST_RUN and all(_is_number(each) for each in value):
            step = math.ceil(len(value) / 8)
            return {
                "numbers": len(value),
                "mean": _digits(math.fsum(value) / len(value), _DIGITS),
                f"every {step}th": [_digits(each, _DIGITS) for each in value[::step]],
            }
        return [_rounded(each) for each in value]
    return _digits(value, _DIGITS) if _is_number(value) else value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _digits(number: float, digits: int) -> float:
    """Rounded; what is next to nothing is the machine's rounding, and is nothing."""
    if isinstance(number, int):
        return number
    return float(f"{number:.{digits}g}") if abs(number) > _NOTHING else 0.0


def _pretty(value: Any, indent: str = "") -> str:
    """JSON in which whatever fits on a line stands on one."""
    flat = json.dumps(value, ensure_ascii=False)
    inner = indent + " "
    if len(indent) + len(flat) <= 100 or not value or not isinstance(value, dict | list):
        return flat
    if isinstance(value, dict):
        items = [f"{json.dumps(key)}: {_pretty(each, inner)}" for key, each in value.items()]
        return "{\n" + ",\n".join(inner + item for item in items) + f"\n{indent}}}"
    return "[\n" + ",\n".join(inner + _pretty(each, inner) for each in value) + f"\n{indent}]"


def _masked(text: str) -> str:
    for pattern, mask in _MASKS:
        text = re.sub(pattern, mask, text)
    return text


_STATEMENT = re.compile(r"(-- .*)?\b(SELECT|WITH) ")
"""A page ends with the SQL that was asked: how that is written is no answer."""
_SVG = re.compile(r"<svg.*?</svg>", re.DOTALL)


def _pictures_of(page: str) -> list[str]:
    return _SVG.findall(page)


def _page_text(page: str) -> str:
    """What a reader of the page sees, without its pictures."""
    reader = _Reader()
    reader.feed(_SVG.sub("", page))
    lines = (" ".join(line.split()) for line in "".join(reader.parts).splitlines())
    shown = ("<statement>" if _STATEMENT.match(line) else line for line in lines if line)
    return _masked("\n".join(shown)) + "\n"


class _Reader(HTMLParser):
    """Text of a page, a line to each block and cells apart by bars."""

    _INLINE = ("a", "abbr", "b", "code", "em", "i", "small", "span", "strong", "sub", "sup", "time")

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._silent += tag in ("style", "script")
        if tag in ("td", "th"):
            self.parts.append(" | ")
        elif tag not in self._INLINE:
            self.parts.append("\n")

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in ("style", "script")
        if tag not in (*self._INLINE, "td", "th"):
            self.parts.append("\n")

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.parts.append(" ".join(f" {data} ".split("\n")) if data.strip() else " ")


_NUMBERS = re.compile(r"[-−\d. ]+")


def _picture_text(svg: str) -> str:
    """Each text of the picture, and how much is drawn where, panel by panel."""
    lines: list[str] = []
    for element in ET.fromstring(svg).iter():
        tag, name = element.tag.rpartition("}")[2], element.get("id", "")
        if tag == "text":
            words = " ".join("".join(element.itertext()).split())
            if lines and _NUMBERS.fullmatch(f"{lines[-1]} {words}"):
                lines[-1] += f" {words}"
            else:
                lines.append(words)
        elif tag == "g" and re.search(r"\baxes_\d+$", name):
            lines.append(f"[{_drawn(element)}]")
    return _masked("\n".join(lines)) + "\n\n"


def _drawn(panel: ET.Element) -> str:
    """Paths of a panel, and the mean and spread of their coordinates and places."""
    numbers, paths = [], 0
    for element in panel.iter():
        tag = element.tag.rpartition("}")[2]
        if tag == "path":
            paths += 1
            numbers += [float(each) for each in re.findall(r"-?\d+\.?\d*", element.get("d", ""))]
        elif tag == "use":
            numbers += [float(element.get("x", 0)), float(element.get("y", 0))]
    if not numbers:
        return "nothing drawn"
    mean = math.fsum(numbers) / len(numbers)
    spread = math.sqrt(math.fsum((each - mean) ** 2 for each in numbers) / len(numbers))
    shown = (_digits(mean, _DRAWN_DIGITS), _digits(spread, _DRAWN_DIGITS))
    return f"{paths} paths, {len(numbers)} coordinates: {shown[0]} ± {shown[1]}"


def write(parts: Sequence[str] = ()) -> None:
    """Write these folders and files anew; without any, all."""
    with tempfile.TemporaryDirectory() as folder:
        golden = Golden(Path(folder))
        for name in names():
            if parts and name.split("/")[0].removesuffix(".txt") not in parts:
                continue
            if name.endswith(ONLY_ON_ONE_PYTHON) and sys.version_info[:2] != ONE_PYTHON:
                print(f"{name}: left as it is; it is written on Python 3.11")
                continue
            file = HERE / name
            file.parent.mkdir(exist_ok=True)
            file.write_text(golden.text(name), encoding="utf-8")
