"""The record held against its seals, the program against published values."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.blocks import Archive, Block, Column, Columns, Items, Section, Words
from durability.selfcheck.results import PublishedValue, SelfCheck

if TYPE_CHECKING:
    from durability.record.receipts import Merged, Recovered
    from durability.workflow.results import AlteredEntry, Integrity, Seal

NOTE_IT = (
    "Note the digest outside the store, in the lab book or on the report: whoever can write the"
    " file can make a new seal, but not one with a digest that you hold."
)


ALTERED: Columns[AlteredEntry] = Columns(
    "Entries not as they were sealed",
    Column("entry is", lambda each: "gone" if each.is_gone else "changed"),
    Column("entered", lambda each: f"{each.entered_at_utc:%Y-%m-%d}"),
    Column("by", "entered_by", wrap=True),
    Column("command", "command"),
    Column("file", "file_name", wrap=True),
    Column("seal", "seal_number", right=True),
)


def recovered(found: Recovered, new: str) -> Iterator[Block]:
    """What was saved of a damaged store, up to which entry, and what was not."""
    saved = {name: rows for name, rows in found.recovered.items() if rows}
    if not saved:
        yield Words("Nothing can be read; nothing is made. Go back to a backup.")
        return
    yield Words(
        f"{new}: {counted(sum(saved.values()), 'row')} saved"
        + ("; everything was readable." if not found.missing else ".")
    )
    if found.read_up_to:
        yield Words(f"The last entry that can be read: {found.read_up_to}.")
    if found.missing:
        yield Words("Missing, or not known:")
        yield from (Words(f"  {words}") for words in found.missing)
        yield Words(
            "Compare with a backup and with what was written on paper before you continue with it;"
            " durability verify checks it against its seals."
        )


ROWS_MERGED: Columns[tuple[str, int, int]] = Columns(
    "Rows of the other record, by table",
    Column("table", lambda each: each[0]),
    Column("added", lambda each: each[1], right=True),
    Column("already here", lambda each: each[2], right=True),
)


def merged(found: Merged, *, is_dry: bool) -> Iterator[Block]:
    """What was added of another record, what is at odds, and what two sites corrected."""
    if found.conflicts:
        things = counted(len(found.conflicts), "thing is", "things are")
        yield Words(f"Nothing is stored: {things} at odds.")
        yield Items([f"{each['record']}: {each['why']}" for each in found.conflicts])
        return
    names = list(dict.fromkeys([*found.added, *found.present]))
    rows = [(name, found.added.get(name, 0), found.present.get(name, 0)) for name in names]
    if not found.added:
        yield Words(f"Nothing to add: all {sum(found.present.values())} rows are already here.")
    else:
        yield Words(
            f"{'Would add' if is_dry else 'Added'}"
            f" {counted(found.added.get('drops', 0), 'drop')} in"
            f" {counted(sum(found.added.values()), 'row')}."
            + (" Nothing is stored: a dry run." if is_dry else "")
        )
        yield ROWS_MERGED.table(rows)
    for code, split in found.split.items():
        yield Words(f"{code} was continued at both: the drops of the other site are {split}.")
    if found.missing_photos:
        yield Words(f"! {found.missing_photos}")
    if found.amended_at_both:
        several = counted(len(found.amended_at_both), "value", "values")
        yield Words(
            f"! {several} entered at both sites without knowing of each other (durability query"
            " conflicts): of corrections the later entry holds, of what is done once, such as a"
            " clearance, the first. Correct a value again where that is wrong:"
        )
        yield Items(
            [
                f"{each['record']}, {each['column']}: {each['value_in_force']} ({each['site']})"
                f" holds, not {each['other_value']} ({each['other_site']})"
                for each in found.amended_at_both
            ]
        )


def merged_json(found: Merged) -> dict[str, Any]:
    """Object of ``merge --json``."""
    return asdict(found)


def recovered_json(found: Recovered) -> dict[str, Any]:
    """Object of ``recover --json``."""
    return {"recovered": found.recovered, "missing": found.missing, "read_up_to": found.read_up_to}


def json(found: Integrity) -> dict[str, Any]:
    """Object of ``seal --json`` and ``verify --json``."""
    seal = found.seal_of_digest
    return {
        "is_sound": found.is_sound,
        **asdict(found),
        "seal_of_digest": seal and seal.seal_number,
    }


def sealed(found: Integrity) -> Iterator[Block]:
    """What ``seal`` did, the answer first."""
    return _blocks(found, _sealed(found))


def verified(found: Integrity) -> Iterator[Block]:
    """What ``verify`` found, the answer first."""
    return _blocks(found, _verified(found))


def _blocks(found: Integrity, lines: list[str]) -> Iterator[Block]:
    yield from map(Words, lines)
    if found.altered:
        yield ALTERED.table(found.altered)


def _sealed(found: Integrity) -> list[str]:
    if not found.seals:
        return ["nothing to seal: the record is empty"]
    last = found.seals[-1]
    entries = counted(last.entries, "entry", "entries")
    lines = [f"{_seal(last)} holds all {entries}; its digest:", last.digest, NOTE_IT]
    return lines if found.is_sound else _verified(found) + lines


def _verified(found: Integrity) -> list[str]:
    if not found.seals:
        lines = [
            f"no seal yet ({_left(found)}), so a manual change would go unnoticed; make one with:"
            " durability seal"
        ]
    else:
        last = found.seals[-1]
        sealed_entries = counted(found.sealed_entries, "sealed entry", "sealed entries")
        if found.altered or found.broken_seals:
            lines = [f"! CHANGED: {_what_changed(found)}; compare with a backup of the time"]
        else:
            lines = [f"UNCHANGED: all {sealed_entries} are as they were sealed"]
        lines.append(f"last: {_seal(last)}; {_left(found)}")
    lines += _digest(found)
    lines += [f"! BROKEN: {each.words}" for each in found.orphans]
    lines += [
        f"! CHANGED: {each}; every answer rests on it. The rows are untouched: export, and import"
        " record into a new store"
        for each in found.altered_definitions
    ]
    if found.photos and not found.altered_photos:
        lines.append(f"{counted(found.photos, 'photo')} kept, each as it was added")
    lines += [f"! CHANGED: {each}" for each in found.altered_photos]
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
    at_site = f" at {seal.site}" if seal.site else ""
    return (
        f"seal {seal.seal_number}{at_site} of {seal.sealed_at_utc:%Y-%m-%d %H:%M} UTC by"
        f" {seal.sealed_by}"
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
        return [f"! CHANGED: no seal here has the digest {found.digest[:12]}…"]
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


def _number(value: PublishedValue, number: float) -> str:
    return labels.number(number, labels.digits_to_tell(value.expected, value.tolerance))


_VALUE: tuple[Column[PublishedValue], ...] = (
    Column("quantity", "quantity"),
    Column("unit", "unit"),
    Column("expected", lambda value: _number(value, value.expected), right=True),
    Column("found", lambda value: _number(value, value.found), right=True),
    Column("difference", lambda value: labels.small(value.difference), right=True),
    Column("tolerance", lambda value: labels.small(value.tolerance), right=True),
    Column("result", lambda value: "pass" if value.passed else "FAIL"),
)

OF_ONE_SOURCE = Columns[PublishedValue]("", *_VALUE)
VALUES = Columns[PublishedValue](
    "Each published value with its source", *_VALUE, Column("source", "source")
)

PARTS = Columns[tuple[str, int, int, str]](
    "Published values by part",
    Column("part", lambda part: part[0]),
    Column("values", lambda part: part[1], right=True),
    Column("passed", lambda part: part[2], right=True),
    Column("largest difference, of its tolerance", lambda part: part[3], right=True),
    act=lambda part: part[1] != part[2],
)


def answer(check: SelfCheck) -> str:
    """First line: how many published values came out as published."""
    passed = len(check.values) - len(check.failed)
    mark = "PASS" if not check.failed else "FAIL"
    return (
        f"{mark}: {passed} of {counted(len(check.values), 'published value')} reproduced by"
        f" durability {check.versions['durability']} on {check.run_at:%Y-%m-%d %H:%M %z}."
    )


def blocks(check: SelfCheck) -> Iterator[Block]:
    """The answer, then part by part, then what failed; each value for whoever wants it."""
    yield Words(answer(check))
    yield PARTS.table(_parts(check), "durability selfcheck -o FILE")
    for value in check.failed:
        yield Words(
            f"FAIL {value.part}: {value.quantity}: expected {value.expected:.9g} {value.unit},"
            f" found {value.found:.9g}, tolerance {value.tolerance:.3g} ({value.source})"
        )
    yield Archive(VALUES.table(check.values))
    yield Words(_versions(check), is_note=True)


def in_full(check: SelfCheck) -> Iterator[Block | Section]:
    """The whole run as a report to keep: every value under its source."""
    yield Words(answer(check))
    yield Words(_versions(check))
    yield Words(
        "Difference: found less expected. A value passes when its difference lies within the"
        " tolerance either way."
    )
    for source in dict.fromkeys(value.source for value in check.values):
        own = [value for value in check.values if value.source == source]
        yield Section(source, f"{own[0].part}: {source}", [OF_ONE_SOURCE.table(own)])


def _versions(check: SelfCheck) -> str:
    """What was run, in one line."""
    run = labels.listed(f"{name} {number}" for name, number in check.versions.items())
    return f"Run with: {run}."


def _parts(check: SelfCheck) -> list[tuple[str, int, int, str]]:
    """By part: values, how many passed, and the largest difference as a share of its tolerance."""
    parts = []
    for part in dict.fromkeys(value.part for value in check.values):
        own = [value for value in check.values if value.part == part]
        passed = sum(value.passed for value in own)
        parts.append((part, len(own), passed, labels.chance(_nearest(own))))
    return parts


def _nearest(values: Sequence[PublishedValue]) -> float | None:
    shares = [abs(value.difference) / value.tolerance for value in values if value.tolerance]
    return max(shares, default=None)


def selfcheck_json(check: SelfCheck) -> dict[str, Any]:
    """Object of ``selfcheck --json``."""
    return {
        "run_at": check.run_at,
        "versions": check.versions,
        "values": len(check.values),
        "passed": len(check.values) - len(check.failed),
        "failed": len(check.failed),
        "checks": [
            {
                "part": value.part,
                "quantity": value.quantity,
                "unit": value.unit,
                "expected": value.expected,
                "found": value.found,
                "difference": value.difference,
                "tolerance": value.tolerance,
                "passed": value.passed,
                "source": value.source,
            }
            for value in check.values
        ],
    }
