"""What a terminal can show, and single keys from it."""

from __future__ import annotations

import os
import select
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

_TO_ASCII = str.maketrans(
    {
        "▲": "^", "◦": "o", "–": "-", "…": "..", "→": ">", "°": "", "×": "x", "√": "sqrt",
        "≥": ">=", "≤": "<=", "²": "2", "−": "-", "±": "+/-", "Σ": "sum ", "Δ": "change of ",
        "λ": "lambda",
    }
)  # fmt: skip


def is_plain() -> bool:
    """Whether standard output can't show more than its own small alphabet."""
    encoding = (sys.stdout.encoding or "ascii").lower()
    return not encoding.startswith("utf")


def printable(words: str) -> str:
    """Words as standard output can show them, whatever its encoding."""
    if not is_plain():
        return words
    encoding = sys.stdout.encoding or "ascii"
    return words.translate(_TO_ASCII).encode(encoding, "replace").decode(encoding)


def wrapped(words: str, stream: TextIO) -> str:
    """Words broken between words where a terminal would break within them; files get one line."""
    if not stream.isatty():
        return words
    width = shutil.get_terminal_size().columns - 1
    return textwrap.fill(words, width, subsequent_indent="  ", break_on_hyphens=False)


@contextmanager
def keys() -> Iterator[Callable[[], str]]:
    """Single keys of the keyboard, without Enter; a line's first letter where that can't be had.

    Yields
    ------
    callable
        Gives the next key; "" at the end of the input. Arrow and function keys give a blank.
    """
    try:
        import termios
        import tty
    except ImportError:
        yield lambda: sys.stdin.readline()[:1]
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def read_key() -> str:
        first = os.read(descriptor, 1)
        if first == b"\x1b":
            # The rest of an arrow or function key comes at once; Escape itself has none.
            if select.select([descriptor], [], [], 0.05)[0]:
                os.read(descriptor, 16)
            return " "
        return first.decode("ascii", "replace").lower()

    try:
        tty.setcbreak(descriptor, termios.TCSADRAIN)
        yield read_key
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
