"""What is being done, on a terminal, once it takes longer than a moment."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock, Timer
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

MOMENT_S = 0.7
"""What is done by then shows nothing."""


class Told(Protocol):
    """Tells each step."""

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
        Shown until the first step is told.

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
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(20), TimeElapsedColumn())
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
