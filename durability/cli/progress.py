"""What is being done, on a terminal, while it takes longer than a moment."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(options: Namespace, what: str) -> Iterator[Callable[[str], None]]:
    """A line on standard error with what is being done and for how long; gone at the end.

    Parameters
    ----------
    options : Namespace
        With ``quiet``; nothing is shown then, nor when standard error is no terminal.
    what : str
        Shown until the first step is told.

    Yields
    ------
    callable
        To be called with the words of each step as it begins.
    """
    if options.quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(20), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=None)
        yield lambda words: shown.update(task, description=words)
