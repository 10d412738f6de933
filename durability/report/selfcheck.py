"""A run of the published values as words, Markdown and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from durability.basis import counted
from durability.report import labels, plain, tables
from durability.report.blocks import Table
from durability.results import PublishedValue, SelfCheck

COLUMNS = ("part", "quantity", "unit", "expected", "found", "difference", "tolerance", "result")
_NUMBERS = (3, 4, 5, 6)


def answer(check: SelfCheck) -> str:
    """First line: how many published values came out as published."""
    passed = len(check.values) - len(check.failed)
    mark = "PASS" if not check.failed else "FAIL"
    return (
        f"{mark}: {passed} of {counted(len(check.values), 'published value')} reproduced by"
        f" durability {check.versions['durability']} on {check.run_at:%Y-%m-%d %H:%M %z}."
    )


def versions(check: SelfCheck) -> str:
    """What was run, in one line."""
    return labels.listed(f"{name} {number}" for name, number in check.versions.items())


def row(value: PublishedValue) -> tuple[str, ...]:
    """One value for the columns of ``COLUMNS``."""
    digits = labels.digits_to_tell(value.expected, value.tolerance)
    return (
        value.part,
        value.quantity,
        value.unit,
        labels.number(value.expected, digits),
        labels.number(value.found, digits),
        labels.small(value.difference),
        labels.small(value.tolerance),
        "pass" if value.passed else "FAIL",
    )


def parts(check: SelfCheck) -> list[tuple[str, str, str, str]]:
    """By part: values, how many passed, and the largest difference as a share of its tolerance."""
    told = []
    for part in dict.fromkeys(value.part for value in check.values):
        own = [value for value in check.values if value.part == part]
        passed = sum(value.passed for value in own)
        told.append((part, str(len(own)), str(passed), labels.chance(_nearest(own))))
    return told


PART_COLUMNS = ("part", "values", "passed", "largest difference, of its tolerance")


def _nearest(values: Sequence[PublishedValue]) -> float | None:
    shares = [abs(value.difference) / value.tolerance for value in values if value.tolerance]
    return max(shares, default=None)


def show(check: SelfCheck) -> None:
    """Print the answer, then part by part, then what failed."""
    tables.say(answer(check))
    tables.console().print(tables.grid(PART_COLUMNS, parts(check), right=(1, 2, 3)))
    for value in check.failed:
        tables.say(
            f"FAIL {value.part}: {value.quantity}: expected {value.expected:.9g} {value.unit},"
            f" found {value.found:.9g}, tolerance {value.tolerance:.3g} ({value.source})"
        )
    tables.say(f"run with: {versions(check)}")


def as_markdown(check: SelfCheck) -> str:
    """The whole run as a report to keep."""
    text = [
        "# Self-check against published values\n",
        f"{answer(check)}\n",
        f"Run with: {versions(check)}.\n",
        "Difference: found less expected. A value passes when its difference lies within the"
        " tolerance either way.\n",
    ]
    for source in dict.fromkeys(value.source for value in check.values):
        own = [value for value in check.values if value.source == source]
        text.append(f"## {own[0].part}: {source}\n")
        text.append(
            plain.markdown(
                [
                    Table(
                        "",
                        COLUMNS[1:],
                        [row(value)[1:] for value in own],
                        right=frozenset(at - 1 for at in _NUMBERS),
                    )
                ]
            )
        )
    return "\n".join(text)


def as_object(check: SelfCheck) -> dict[str, Any]:
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
