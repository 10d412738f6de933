"""What leaves a command: answers, files, progress."""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from threading import Lock, Thread, Timer
from typing import TYPE_CHECKING, Any, NoReturn, Protocol, TypeVar

from durability.record import units
from durability.record.errors import HEARD, UnusableCall, harmless
from durability.record.whole_file import written_beside
from durability.workflow import settings

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from durability.report.blocks import Block
    from durability.workflow.results import AsOf
    from durability.workflow.settings import Setting


def show(options: Namespace, blocks: Iterable[Block], json: Callable[[], Any]) -> int:
    """Print an answer, as JSON when asked.

    Parameters
    ----------
    options : Namespace
        Of the call.
    blocks : iterable of Block
        What a terminal shows; those of a generator cost nothing where JSON is asked for.
    json : callable
        Gives the object of ``--json``.

    Returns
    -------
    int
        Exit status 0.
    """
    as_of = asked_as_of(options)
    if options.json:
        from durability.report import as_json

        sys.stdout.writelines(as_json.pieces(as_json.as_of(as_of, json())))
        print()
    else:
        from durability.report import terminal
        from durability.report.answers import beside

        whole = chain(beside.as_of(as_of), blocks, beside.set_otherwise(set_by(options)))
        render = getattr(options, "render", None)
        if render is not None:  # a page, which has the reasons too
            render(whole)
        else:
            terminal.show(whole, why=getattr(options, "why", True))
    return 0


def tell(words: str) -> None:
    """Print a line at once; nothing in it steers a terminal."""
    heard = HEARD.get()
    if heard is not None:
        heard(harmless(words))
    else:
        print(harmless(words), flush=True)


def settings_of(options: Namespace) -> Mapping[str, Setting]:
    """What holds for this call, and whence."""
    if not hasattr(options, "settings"):
        # Where a recorder's file is read, --units are those of its channel.
        own = {"units": getattr(options, "shown_in", None)}
        given = {name: getattr(options, name, None) for name in settings.KEYS if name not in own}
        options.settings = settings.hold(given | own)
        units.show_in("si" if options.json else options.settings["units"].value)
    held: Mapping[str, Setting] = options.settings
    return held


def set_by(options: Namespace) -> dict[str, tuple[Any, str]]:
    """Limit, level and units of this call that are not the default, each with what set it."""
    if not hasattr(options, "store"):
        return {}
    return {
        name: (held.value, held.source)
        for name, held in settings_of(options).items()
        if not held.is_default and held.value is not None
        if name == "units" or (name in settings.LIMITS_AND_LEVEL and hasattr(options, name))
    }


def asked_as_of(options: Namespace) -> AsOf | None:
    """As of when this call is asked, once its session is open; None: now."""
    return getattr(options, "instant", None)


def refuse_unwritable(file: Path, option: str = "-o") -> None:
    """Refuse a place that no file can go to, before any work is done.

    Parameters
    ----------
    file : Path
        As given.
    option : str
        By which it was given.

    Raises
    ------
    UnusableCall
        Its folder is missing, or it is a folder itself.
    """
    if not file.parent.is_dir():
        raise UnusableCall(f"{option} {str(file)!r}: the folder {file.parent} does not exist")
    if file.is_dir():
        raise UnusableCall(f"{option} {str(file)!r}: is a folder; name a file")


def write(file: Path, content: str | bytes, option: str = "-o") -> None:
    """Write a whole file; one that was there before stays until then.

    Parameters
    ----------
    file : Path
        As given.
    content : str or bytes
        A text as UTF-8.
    option : str
        By which it was given.

    Raises
    ------
    UnusableCall
        It can't be written there.
    """
    refuse_unwritable(file, option)
    try:
        with written_beside(file) as partial:
            partial.write_bytes(content if isinstance(content, bytes) else content.encode())
    except OSError as error:
        raise UnusableCall(f"{option} {str(file)!r}: can't be written ({error.strerror})") from None


T = TypeVar("T")


def ended_at_once(work: Callable[[], T], seconds: float) -> T:
    """Do what only reads, yet may not hear of Ctrl-C or of its limit for many seconds.

    Parameters
    ----------
    work : callable
        Done in a thread of its own.
    seconds : float
        Its limit, which it keeps itself as soon as it can; a second later the process ends.

    Returns
    -------
    object
        What it gives.
    """
    given: list[T] = []
    faults: list[BaseException] = []

    def run() -> None:
        try:
            given.append(work())
        except BaseException as fault:
            faults.append(fault)

    thread = Thread(target=run, daemon=True)
    thread.start()
    try:
        thread.join(seconds + 1.0)
    except KeyboardInterrupt:
        _end("interrupted; what was acknowledged is stored", 130)
    if thread.is_alive():
        _end(f"ended after {seconds:g} s; narrow it, or raise the limit by --max-seconds", 2)
    if faults:
        raise faults[0]
    return given[0]


def _end(words: str, status: int) -> NoReturn:
    print(f"durability: {words}", file=sys.stderr, flush=True)
    os._exit(status)


MOMENT_S = 0.7
"""What is done by then shows nothing."""


class Told(Protocol):
    """Shows each step."""

    def __call__(self, words: str, done: int = 0, of: int | None = None) -> None:
        """Words of a step as it begins, and how far it is where that is known."""


@contextmanager
def progress(options: Namespace, what: str) -> Iterator[Told]:
    """A line on standard error with what is being done and for how long; gone at the end.

    Parameters
    ----------
    options : Namespace
        With ``quiet``; nothing is shown then, nor when standard error is no terminal.
    what : str
        Shown until the first step begins.

    Yields
    ------
    Told
    """
    if options.quiet or not sys.stderr.isatty():
        yield lambda words, done=0, of=None: None
        return
    line = _Line(what)
    try:
        yield line.tell
    finally:
        line.end()


class _Line:
    """Appears after a moment, in a thread of its own: a quick command never loads what draws it."""

    def __init__(self, what: str) -> None:
        self._step: tuple[str, int, int | None] = (what, 0, None)
        self._shown: tuple[Progress, TaskID] | None = None
        self._lock = Lock()
        self._is_over = False
        self._timer = Timer(MOMENT_S, self._begin)
        self._timer.daemon = True
        self._timer.start()

    def tell(self, words: str, done: int = 0, of: int | None = None) -> None:
        with self._lock:
            self._step = (words, done, of)
            if self._shown is not None:
                shown, task = self._shown
                shown.update(task, description=words, completed=done, total=of)

    def end(self) -> None:
        self._timer.cancel()
        with self._lock:
            self._is_over = True
            if self._shown is not None:
                self._shown[0].stop()

    def _begin(self) -> None:
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            Progress,
            TaskProgressColumn,
            TextColumn,
            TimeElapsedColumn,
        )

        columns = (
            TextColumn("{task.description}"),
            BarColumn(20),
            TaskProgressColumn("{task.percentage:.0f} %", text_format_no_percentage=""),
            TimeElapsedColumn(),
        )
        console = Console(stderr=True)
        # Answers go to standard output by themselves: nothing of them may land in this line.
        shown = Progress(
            *columns, console=console, transient=True, redirect_stdout=False, redirect_stderr=False
        )
        with self._lock:
            if self._is_over:
                return
            words, done, of = self._step
            self._shown = (shown, shown.add_task(words, completed=done, total=of))
            shown.start()
