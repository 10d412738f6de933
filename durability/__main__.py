"""Entry point of ``durability`` and ``python -m durability``."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from io import TextIOWrapper, UnsupportedOperation

from durability.cli.parser import make_parser, meant
from durability.record.errors import DurabilityError, UnusableCall, complain


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Command line without the program's name; by default that of the process.

    Returns
    -------
    int
        0 all well, 1 a run that found something wrong, 2 an unusable call.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by the caller
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    for stream, errors in ((sys.stdout, "backslashreplace"), (sys.stdin, "replace")):
        if isinstance(stream, TextIOWrapper):  # else the caller's own
            with suppress(UnsupportedOperation):  # the caller has read from it
                stream.reconfigure(errors=errors)
    if arguments is None:
        # A short command makes many objects and hardly any garbage: searching for it, on the way
        # and once more at the end of the process, took an eighth of the time of a drop added.
        gc.set_threshold(500_000)
        atexit.register(gc.freeze)
        # Our matrices are small: more threads would only wait for each other, at full load.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        _refuse_undecoded(words)
        words = meant(words)
    except UnusableCall as error:
        complain(f"durability: {error}")
        return error.exit_status
    options = make_parser(only=words[0] if words else "").parse_args(words)
    if not hasattr(options, "handler"):
        options.group.print_help()
        return 0
    module, _, name = options.handler.partition(":")
    try:
        handler = getattr(importlib.import_module(f"durability.cli.{module}"), name)
        status: int = handler(options)
        sys.stdout.flush()
    except DurabilityError as error:
        complain(f"durability: {getattr(error, 'option_message', error)}")
        return error.exit_status
    except BrokenPipeError:
        # The reader (head, a pager) has gone; nothing is left to say to it.
        _give_up_output()
        return 0
    except OSError as error:
        # A disk that is full, a device that is gone: what is not foreseen where it happens.
        where = f"{error.filename}: " if error.filename else ""
        complain(f"durability: {where}{error.strerror or error}")
        _give_up_output()
        return UnusableCall.exit_status
    except KeyboardInterrupt:
        complain("durability: interrupted; what was acknowledged is stored")
        return 130
    except Exception as error:
        if not type(error).__module__.endswith("duckdb"):
            raise
        # Rows that this program would not have written, or a schema that is not its own.
        is_cut = words[0] == "verify" or type(error).__name__ == "IOException"
        complain(
            "durability: the store does not hold what it should"
            f" ({str(error).splitlines()[0]}); see: durability {'recover' if is_cut else 'verify'}"
        )
        return UnusableCall.exit_status
    return status


def _refuse_undecoded(words: Sequence[str]) -> None:
    for word in words:
        if any("\ud800" <= sign <= "\udfff" for sign in word):
            raise UnusableCall(f"{word!r}: not UTF-8; type it in a UTF-8 terminal")


def _give_up_output() -> None:
    """What is still to be written goes nowhere: the end of the process would complain of it."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
