"""The record against its seals: words, JSON and a table."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels, tables

if TYPE_CHECKING:
    from durability.results import Integrity, Seal

NOTE_IT = (
    "Note the digest outside the store, in the lab book or on the report: whoever can write the"
    " file can make a new seal, but not one with a digest that you hold."
)


def as_object(found: Integrity) -> dict[str, Any]:
    """Object of ``seal --json`` and ``verify --json``."""
    told = asdict(found)
    seal = found.seal_of_digest
    return {"is_sound": found.is_sound, **told, "seal_of_digest": seal and seal.seal_number}


def sealed(found: Integrity) -> list[str]:
    """What ``seal`` did, the answer first."""
    if not found.seals:
        return ["nothing to seal: the record is empty"]
    last = found.seals[-1]
    entries = counted(last.entries, "entry", "entries")
    lines = [f"{_seal(last)} holds all {entries}; its digest:", last.digest, NOTE_IT]
    return lines if found.is_sound else verified(found) + lines


def verified(found: Integrity) -> list[str]:
    """What ``verify`` found, the answer first."""
    if not found.seals:
        lines = [
            f"no seal yet ({_left(found)}), so a change by hand can't be told; make one with:"
            " durability seal"
        ]
    else:
        last = found.seals[-1]
        sealed_entries = counted(last.entries, "sealed entry", "sealed entries")
        if found.altered or found.broken_seals:
            lines = [f"! CHANGED: {_what_changed(found)}; compare with a backup of the time"]
        else:
            lines = [f"UNCHANGED: all {sealed_entries} are as they were sealed"]
        lines.append(f"last: {_seal(last)}; {_left(found)}")
    lines += _digest(found)
    lines += _rebuilt(found)
    return lines


def _what_changed(found: Integrity) -> str:
    parts = []
    if found.altered:
        gone = sum(each.is_gone for each in found.altered)
        changed = len(found.altered) - gone
        if changed:
            parts.append(f"{counted(changed, 'entry', 'entries')} not as sealed")
        if gone:
            parts.append(f"{counted(gone, 'entry', 'entries')} gone")
    if found.broken_seals:
        numbers = labels.listed(seal.seal_number for seal in found.broken_seals)
        parts.append(f"the list of seal {numbers} was changed")
    return ", ".join(parts)


def _seal(seal: Seal) -> str:
    if seal.sealed_at_utc is None:
        return f"seal {seal.seal_number}, whose own entry is gone"
    return (
        f"seal {seal.seal_number} of {seal.sealed_at_utc:%Y-%m-%d %H:%M} UTC by {seal.sealed_by}"
        f" (made with DuckDB {seal.engine_version})"
    )


def _left(found: Integrity) -> str:
    if not found.unsealed_entries:
        return "nothing came since"
    return (
        f"{counted(found.unsealed_entries, 'entry', 'entries')} with"
        f" {counted(found.unsealed_rows, 'row')} in no seal"
    )


def _digest(found: Integrity) -> list[str]:
    if found.digest is None:
        return []
    seal = found.seal_of_digest
    if seal is None:
        return [f"! CHANGED: no seal here bears the digest {found.digest[:12]}…"]
    return [f"the digest is that of {_seal(seal)}"]


def _rebuilt(found: Integrity) -> list[str]:
    if not found.rebuilt:
        return []
    same = sum(each.outcome == "same" for each in found.rebuilt)
    older = sum(each.outcome == "older method" for each in found.rebuilt)
    different = [each for each in found.rebuilt if each.outcome == "different"]
    lines = [
        f"measured again from {counted(len(found.rebuilt), 'kept waveform')}: {same} give the"
        " measures on record"
        + (
            f", {older} were measured by an older method (see: remeasure --dry-run)"
            if older
            else ""
        )
    ]
    if different:
        which = labels.some(f"{each.series} drop {each.drop_number}" for each in different)
        lines.append(f"! CHANGED: {len(different)} do not give the measures on record: {which}")
    return lines


def show_altered(found: Integrity) -> None:
    """Print the entries that are not as they were sealed."""
    if not found.altered:
        return
    rows = [
        (
            "gone" if each.is_gone else "changed",
            f"{each.entered_at_utc:%Y-%m-%d}",
            each.entered_by,
            each.command,
            labels.text(each.file_name),
            str(each.seal_number),
        )
        for each in found.altered
    ]
    columns = ("entry is", "entered", "by", "command", "file", "seal")
    tables.console().print(tables.grid(columns, rows, right=(5,), wrap=(2, 4)))
