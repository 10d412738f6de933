"""Commands that take the whole record out as open files, and back in."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import asdict
from pathlib import Path

from durability.cli.logbook import say, session_of
from durability.cli.progress import progress
from durability.record.basis import counted
from durability.workflow import archive


def export(options: Namespace) -> int:
    """Write the whole record as open files."""
    with progress(options, "writing the record"):
        told = archive.export_record(session_of(options), Path(options.folder), options.licence)
    words = f"exported: {told.folder} ({counted(told.files, 'file')}, {counted(told.drops, 'drop')}"
    return say(options, asdict(told), f"{words}; licence {told.licence})")


def import_record(options: Namespace) -> int:
    """Make a new store from an exported record."""
    session = session_of(options)
    with progress(options, "reading the record"):
        told = archive.import_record(session, Path(options.folder))
    words = f"{session.store}: made from {told.folder} ({counted(told.drops, 'drop')})"
    return say(options, {**asdict(told), "store": str(session.store)}, words)
