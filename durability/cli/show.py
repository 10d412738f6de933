"""The one door by which an answer leaves the command line."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from durability.report.blocks import Block


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
    if options.json:
        from durability.report import as_json

        print(as_json.dumps(json()))
    else:
        from durability.report import terminal

        terminal.show(blocks)
    return 0
