"""What can go wrong, each with its facts and the exit status it deserves."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from durability.record.receipts import Rejection


STEERING = (
    *(code for code in (*range(32), *range(127, 160)) if chr(code) not in "\t\n"),
    *(0x061C, 0x200B, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2060, 0x2070), 0xFEFF),
    *(*range(0xFFF9, 0xFFFC), *range(0xE0000, 0xE0080)),
    *range(0xD800, 0xE000),
)
"""Characters that steer a terminal, turn the direction of text, end a line or are not seen, and
bytes of a name that are not UTF-8. Joiners stay: scripts and signs need them."""

_CONTROLS = {
    code: f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"
    for code in STEERING
}


def harmless(words: str) -> str:
    """Words in which nothing can steer a terminal: each control character by its number."""
    return words.translate(_CONTROLS)


def one_line(words: str) -> str:
    """Harmless words without line ends."""
    return harmless(" ".join(words.split()))


PER_CENT = re.compile(r"(?<=\d) %")
"""Where a line may not end: between a number and its per cent sign."""


def folded(words: str, width: int, first: str = "", later: str = "") -> str:
    """Words over as many lines as they need; no code is cut, and no number from its %."""
    import textwrap

    return textwrap.fill(
        PER_CENT.sub("\u00a0%", words),
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=False,
    ).replace("\u00a0%", " %")


HEARD: ContextVar[Callable[[str], None] | None] = ContextVar("heard", default=None)
"""What takes each line that this command says, where it does not run for a terminal."""


def complain(words: str) -> None:
    """Say it on standard error: one line, broken between words where that is a terminal."""
    words = harmless(words)
    heard = HEARD.get()
    if heard is not None:
        heard(words)
        return
    if sys.stderr.isatty():
        import shutil

        words = folded(words, shutil.get_terminal_size().columns - 1, later="  ")
    print(words, file=sys.stderr, flush=True)


class DurabilityError(Exception):
    """A fault that a user can correct; its text is one line that says how.

    Parameters
    ----------
    message : str
        One line: where, what was wrong, what would be right.
    """

    exit_status = 1

    def __init__(self, message: str) -> None:
        super().__init__(one_line(message))


class UnusableCall(DurabilityError):
    """The call, an option or a whole file can't be used as it stands."""

    exit_status = 2


def refuse_blank(reason: str, option: str = "--reason") -> None:
    """Refuse a reason that says nothing."""
    if not reason.strip():
        raise UnusableCall(f"{option}: blank; say why")


class ValueOutOfRange(UnusableCall):
    """A parameter is out of its range; the command line names it as its option.

    Parameters
    ----------
    parameter : str
        Its name in the library.
    value : object
        What was given.
    right : str
        What it is not, and what would be right.
    """

    def __init__(self, parameter: str, value: object, right: str) -> None:
        super().__init__(f"{parameter} {value}: {right}")
        self.option_message = f"--{parameter.replace('_', '-')} {value}: {right}"


class StoreUnusable(UnusableCall):
    """The store is missing, held by another process, foreign or too new."""


class RecordRefused(DurabilityError):
    """A record contradicts what is stored, or is out of its range."""


class SeriesClosed(RecordRefused):
    """A series takes no further drops."""


class CaseUnfit(RecordRefused):
    """A case has failed or is not in use, and no reason is given to use it all the same.

    Parameters
    ----------
    what : str
        Which case, and what is the matter with it.
    """

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(
            f"{what}: use another, or say why it is used anyway with --despite-failed WHY"
        )


class DropTaken(RecordRefused):
    """A record is a drop already.

    Parameters
    ----------
    file, series : str
        The file offered, and the series that holds its record.
    drop_number : int
        Which drop of it.
    """

    def __init__(self, file: str, series: str, drop_number: int) -> None:
        self.file = file
        self.series = series
        self.drop_number = drop_number
        super().__init__(f"{file}: its record is drop {drop_number} of series {series!r} already")


class ImportRefused(DurabilityError):
    """Rows of a file were refused and nothing of the import was stored.

    Parameters
    ----------
    rejections : sequence of Rejection
        Every refused row with its reason.
    read : int
        Rows read in all.
    duplicates : int
        Rows that were there already.
    """

    def __init__(self, rejections: Sequence[Rejection], read: int, duplicates: int) -> None:
        self.rejections = tuple(rejections)
        self.read = read
        self.duplicates = duplicates
        super().__init__(f"{len(self.rejections)} of {read} rows refused, nothing stored")


class NothingReadable(ImportRefused):
    """Not one of the files given could be read."""

    exit_status = 2


class WaveformUnreadable(DurabilityError):
    """A waveform file can't be read as a single-channel time record."""


class LibraryMissing(WaveformUnreadable):
    """A file of its kind is read by a library that is not installed."""

    exit_status = 2


class RecordBreaksOff(WaveformUnreadable):
    """A record ends within its pulse, and its file may still be written."""
