"""The damage boundary of a device model in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.record.units import ACCELERATION, VELOCITY, Quantity
from durability.report import labels
from durability.report.blocks import Block, Words

if TYPE_CHECKING:
    from durability.devices.results import CriticalValue, DamageBoundary

METHOD = (
    "After ASTM D3332: a shock fails a device only beyond both critical values. A shock failed it"
    " when its first failed function, or damage of severity 4 on it, was found between that drop"
    " and the next inspection; where several lie between two inspections, one of them did."
)

LIMITS = (
    "A shock that passed bounds critical peak g only from 1.57 times the smallest failed velocity"
    " change on, and critical velocity change only from twice the smallest failed peak on: nearer"
    " the corner of the boundary it may lie beyond either. The bounds hold for pulses like these,"
    " in these directions, and take shocks that passed as leaving no trace."
)
SHORT_LIMITS = "The bounds hold for pulses like these, in these directions."
"""Where there is room for no more."""


def critical(value: CriticalValue, quantity: Quantity) -> str:
    """A critical value as an interval with its direction."""
    low, high = (
        labels.measure(end, quantity) for end in (value.largest_passed, value.smallest_failed)
    )
    if value.smallest_failed is None:
        return "not bounded"
    if value.largest_passed is None:
        return f"at most {high} (failed)"
    return f"above {low} (passed), at most {high} (failed)"


def sentence(boundary: DamageBoundary) -> str:
    """What the shocks of one device model say of its damage boundary."""
    shocks = (
        f"{counted(len(boundary.passed_peak_g), 'shock')} passed,"
        f" {counted(len(boundary.failed), 'device')} failed by a shock"
    )
    if not boundary.is_told:
        return f"{boundary.device_model}: too few to estimate a damage boundary: {shocks}."
    harder = (
        f"; yet {counted(boundary.harder_passed, 'shock')} harder than a failed one passed, so no"
        " one boundary holds for all"
        if boundary.harder_passed
        else ""
    )
    return (
        f"{boundary.device_model}: critical peak"
        f" {critical(boundary.critical_peak_g, ACCELERATION)}; critical velocity change"
        f" {critical(boundary.critical_velocity_change_m_s, VELOCITY)}; {shocks}{harder}."
    )


def answer(boundaries: Sequence[DamageBoundary]) -> str:
    """The same of all device models, the most informative first; for a title."""
    ordered = sorted(boundaries, key=lambda each: (not each.is_told, -len(each.failed)))
    sentences = [sentence(each) for each in ordered[:2]]
    if len(ordered) > len(sentences):
        more = counted(len(ordered) - len(sentences), "more device model")
        sentences.append(f"And {more}.")
    return " ".join(sentences)


def blocks(boundaries: Sequence[DamageBoundary]) -> Iterator[Block]:
    """Each device model in a sentence, and how the bounds came about."""
    for each in boundaries:
        yield Words(sentence(each))
    limits = [LIMITS] if any(each.is_told for each in boundaries) else []
    notes = [line for each in boundaries for line in exceptions(each)]
    yield Words(" ".join([METHOD, *limits, *notes]), is_note=True)


def exceptions(boundary: DamageBoundary) -> list[str]:
    """What was left out, and what speaks against one boundary."""
    several = sum(len(each.peak_g) > 1 for each in boundary.failed)
    parts = {
        f"{counted(several, 'device')} failed by one of several shocks since the last inspection:"
        " only the largest of these bounds": several,
        f"{counted(boundary.harder_passed, 'shock')} passed that went beyond a failed one in both:"
        " devices differ, directions differ, or damage added up": boundary.harder_passed,
        f"{counted(boundary.not_looked_at, 'shock')} not inspected since": boundary.not_looked_at,
        f"{counted(boundary.without_reading, 'shock')} without both readings": (
            boundary.without_reading
        ),
        f"{counted(boundary.latent_failures, 'device')} failed later without a further shock: a"
        " latent failure, counted here as passed": boundary.latent_failures,
    }
    shown = [words for words, number in parts.items() if number]
    return [f"{boundary.device_model}: {'; '.join(shown)}."] if shown else []
