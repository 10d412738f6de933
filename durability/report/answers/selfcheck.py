"""A run of the published values: how many came out as published, each with its source."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from durability.record.basis import counted
from durability.report import labels
from durability.report.blocks import Archive, Block, Column, Columns, Section, Words
from durability.selfcheck.results import PublishedValue, SelfCheck


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


def json(check: SelfCheck) -> dict[str, Any]:
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
