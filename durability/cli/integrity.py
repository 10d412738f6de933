"""Commands that seal the record and hold it against its seals."""

from __future__ import annotations

from argparse import Namespace
from typing import TYPE_CHECKING

from durability.cli.logbook import say, session_of
from durability.cli.progress import progress
from durability.workflow import integrity as workflow

if TYPE_CHECKING:
    from durability.results import Integrity


def seal(options: Namespace) -> int:
    """Fingerprint what no seal holds yet."""
    with progress(options, "fingerprinting the record"):
        found = workflow.seal(session_of(options))
    from durability.report import integrity as shown

    return _tell(options, found, shown.sealed(found))


def verify(options: Namespace) -> int:
    """Hold the record against its seals and its kept waveforms."""
    with progress(options, "fingerprinting the record") as told:
        found = workflow.verify(session_of(options), options.digest, told)
    from durability.report import integrity as shown

    return _tell(options, found, shown.verified(found))


def _tell(options: Namespace, found: Integrity, lines: list[str]) -> int:
    from durability.report import integrity as shown
    from durability.report import tables

    if options.json:
        say(options, shown.as_object(found), "")
    else:
        for line in lines:
            tables.say(line)
        shown.show_altered(found)
    return 0 if found.is_sound else 1
