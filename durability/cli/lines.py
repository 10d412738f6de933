"""Lines of standard input, with a wait that can end early."""

from __future__ import annotations

import os
import select
import sys
from collections import deque


class Lines:
    """Lines as they are typed or piped.

    Reads the descriptor itself: a reader that buffers can't be asked whether more is waiting.
    Where there is none to ask (no descriptor, or a system whose ``select`` knows only sockets)
    each wait is for a whole line.
    """

    def __init__(self) -> None:
        self._waiting: deque[str] = deque()
        self._rest = b""
        self._ended = False
        try:
            self._descriptor: int | None = sys.stdin.fileno()
            select.select([self._descriptor], [], [], 0)
        except (OSError, ValueError):
            self._descriptor = None

    def next(self) -> str | None:
        """The next line without its end; None at the end of the input."""
        if self._descriptor is None:
            line = sys.stdin.readline()
            return line.rstrip("\n") if line else None
        while not self._waiting and not self._ended:
            self._read()
        return self._waiting.popleft() if self._waiting else None

    def is_waiting(self, seconds: float = 0.0) -> bool:
        """Whether a line, or the end of the input, is there within so many seconds."""
        if self._waiting or self._ended:
            return True
        if self._descriptor is None:
            return False
        while select.select([self._descriptor], [], [], seconds)[0]:
            self._read()
            if self._waiting or self._ended:
                return True
        return False

    def _read(self) -> None:
        got = os.read(self._descriptor or 0, 65536)
        *lines, self._rest = (self._rest + got).split(b"\n")
        if not got:
            self._ended = True
            if self._rest:
                lines, self._rest = [self._rest], b""
        self._waiting.extend(line.decode("utf-8", errors="replace") for line in lines)
