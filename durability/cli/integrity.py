"""Commands that seal the record and hold it against its seals."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import session_of
from durability.cli.progress import progress
from durability.cli.show import show
from durability.workflow import integrity as workflow


def seal(options: Namespace) -> int:
    """Fingerprint what no seal holds yet."""
    with progress(options, "fingerprinting the record"):
        found = workflow.seal(session_of(options))
    from durability.report.answers import integrity as answer

    show(options, answer.sealed(found), lambda: answer.json(found))
    return 0 if found.is_sound else 1


def verify(options: Namespace) -> int:
    """Hold the record against its seals and its kept waveforms."""
    with progress(options, "fingerprinting the record") as told:
        found = workflow.verify(session_of(options), options.digest, told)
    from durability.report.answers import integrity as answer

    show(options, answer.verified(found), lambda: answer.json(found))
    return 0 if found.is_sound else 1
