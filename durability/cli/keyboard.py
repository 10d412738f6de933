"""What a person types at a terminal, line by line or key by key; a pipe is read plainly.

At a terminal prompt_toolkit reads, which knows Windows too: editing, history, a terminal that is
resized, single keys. It is loaded only there.
"""

from __future__ import annotations

import select
import sys
from argparse import Namespace
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, BinaryIO, TextIO

from durability.record.errors import UnusableCall
from durability.report import labels
from durability.report.terminal import printable

if TYPE_CHECKING:
    from prompt_toolkit import PromptSession
    from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent

SIGNAL_STYLE = "bold ansired"
MOST_CHARACTERS = 1 << 16
"""Of a line from a pipe."""
LOOK_AGAIN_S = 0.05
"""How often it is asked, while a person types, whether there is something to report."""


def input_of(options: Namespace) -> TextIO:
    """What a command reads: standard input, or what a page sent."""
    sent: TextIO = getattr(options, "sent", sys.stdin)
    return sent


class Pipe:
    """Lines from a pipe or a file; no prompt is shown.

    Read without a buffer: one that reads ahead can't be asked whether more is waiting.

    Parameters
    ----------
    source : text file
    """

    def __init__(self, source: TextIO) -> None:
        self._source = source
        self._raw: BinaryIO | None = None
        try:
            self._raw = open(source.fileno(), "rb", buffering=0, closefd=False)  # noqa: SIM115
        except (OSError, ValueError):
            return  # it is no file

    def next(self, _prompt: str, *, meanwhile: object = None) -> str | None:
        """The next line without its end; None at the end of the input.

        Bytes that are no UTF-8 stay recognisable, as a backslash and their code.

        Raises
        ------
        UnusableCall
            A line is longer than any that is typed: the input is something else.
        """
        most = MOST_CHARACTERS + 1
        line = (
            self._source.readline(most)
            if self._raw is None
            else self._raw.readline(most).decode("utf-8", errors="backslashreplace")
        )
        if len(line) > MOST_CHARACTERS:
            raise UnusableCall(
                f"standard input: a line of more than {MOST_CHARACTERS:,} characters, beginning"
                f" {line[:20]!r}; one entry a line is needed"
            )
        return line.rstrip("\r\n") if line else None

    def left(self) -> Iterator[str]:
        """Lines that are there already, those without a word left out."""
        while self._raw is None or self.is_waiting():
            line = self.next("")
            if line is None:
                return
            if line.strip():
                yield line.strip()

    def is_waiting(self) -> bool:
        """Whether a line, or the end of the input, is known to be there."""
        try:
            return self._raw is not None and bool(select.select([self._raw], [], [], 0)[0])
        except OSError:
            return False  # Windows can ask this of sockets only


class Keyboard:
    """Lines that a person types, with editing and history."""

    def __init__(self) -> None:
        self._pasted: deque[str] = deque()
        self._session = _reader()

    def next(self, prompt: str, *, meanwhile: Callable[[], str] | None = None) -> str | None:
        """The next line without its end; None at the end of the input.

        Parameters
        ----------
        prompt : str
            Stands before what is typed.
        meanwhile : callable, optional
            Asked while the person types until it gives words, which are shown above the prompt.
        """
        from asyncio import sleep

        from prompt_toolkit.application import get_app, run_in_terminal

        if self._pasted:
            print(printable(f"{prompt}{self._pasted[0]}"))
            return self._pasted.popleft()

        async def report(words_of: Callable[[], str]) -> None:
            while not (words := words_of()):
                await sleep(LOOK_AGAIN_S)
            await run_in_terminal(lambda: show(words))

        def begin() -> None:
            if meanwhile is not None:
                get_app().create_background_task(report(meanwhile))

        try:
            line, *more = self._session.prompt(printable(prompt), pre_run=begin).splitlines() or [
                ""
            ]
        except EOFError:
            return None
        self._pasted.extend(more)
        return line

    def is_waiting(self) -> bool:
        """Whether a line that was pasted with others is still to be taken."""
        return bool(self._pasted)


def ask(question: str) -> str | None:
    """What a person answers to a question; None at the end of the input."""
    try:
        return _reader().prompt(printable(question))
    except EOFError:
        return None


KEYS_APART_S = 0.03
"""Keys that follow each other faster were scanned or pasted: fingers take three times as long."""
_SEVERAL = "several"


def read_key(prompt: str, words: Mapping[str, str]) -> str:
    """A single key, without Enter; of several at once, like a scanned code, none is taken.

    Parameters
    ----------
    prompt : str
        Stands before it.
    words : mapping of str to str
        What is shown for a key.

    Returns
    -------
    str
        The key, a small letter; a blank for Enter, "" at the end of the input.
    """
    while (key := _read_key(prompt, words)) == _SEVERAL:
        print("several keys at once, as from a scanner: none is taken")
    return key


def _read_key(prompt: str, words: Mapping[str, str]) -> str:
    from asyncio import sleep

    from prompt_toolkit.key_binding import KeyBindings

    keys = KeyBindings()
    typed: list[str] = []

    @keys.add("<any>")
    def pressed(event: KeyPressEvent) -> None:
        typed.append(event.data.lower())
        if len(typed) == 1:
            event.app.create_background_task(settle(event))

    async def settle(event: KeyPressEvent) -> None:
        seen = 0
        while seen < len(typed):
            seen = len(typed)
            await sleep(KEYS_APART_S)
        if seen == 1:
            event.current_buffer.insert_text(words.get(typed[0], ""))
        event.app.exit(result=_SEVERAL if seen > 1 else typed[0][:1] or " ")

    try:
        return _reader(keys).prompt(printable(prompt)) or (_SEVERAL if typed else " ")
    except EOFError:
        return ""


def _reader(keys: KeyBindings | None = None) -> PromptSession[str]:
    """Reads a person; the prompt goes to the terminal, also where the answers go elsewhere."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.output import create_output

    output = None if sys.stdout.isatty() else create_output(always_prefer_tty=True)
    return PromptSession(key_bindings=keys, output=output, enable_suspend=True)


def show(words: str) -> None:
    """Print lines; those of a signal to stop in the one accent, where the terminal has any."""
    words = printable(words)
    if labels.SIGNAL not in words:
        print(words, flush=True)
        return
    from prompt_toolkit.application import get_app_session
    from prompt_toolkit.formatted_text import FormattedText
    from prompt_toolkit.renderer import print_formatted_text
    from prompt_toolkit.styles import Style
    from prompt_toolkit.utils import is_dumb_terminal

    if is_dumb_terminal():
        print(words, flush=True)
        return
    parts = [
        (SIGNAL_STYLE if line.startswith(labels.SIGNAL) else "", line)
        for line in f"{words}\n".splitlines(keepends=True)
    ]
    sys.stdout.flush()
    print_formatted_text(get_app_session().output, FormattedText(parts), Style([]))
