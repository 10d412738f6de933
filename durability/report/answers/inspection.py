"""What an inspection at the bench says: before its first question, at each, and at its end.

Plain lines: an inspector at the keyboard does not wait for tables to load.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.report import labels, safety

if TYPE_CHECKING:
    from durability.devices.results import DeviceExpectation
    from durability.record.records import FunctionalCheck, Walk


def check_words(check: FunctionalCheck) -> str:
    """What was found of one function, for instance "fail 4.2 mm # lifts the cover"."""
    parts = (
        check.outcome.replace("_", " "),
        None if check.measured is None else f"{check.measured:g} {check.unit or ''}".strip(),
        None if check.note is None else f"# {check.note}",
    )
    return " ".join(part for part in parts if part)


def usual_unit(walk: Walk, function: str) -> str | None:
    """The unit in which a function was measured last, else that of the check list."""
    last = walk.last_results.get(function)
    if last is not None and last[0].unit is not None:
        return last[0].unit
    return next((each.unit for each in walk.check_list.checked if each.name == function), None)


def walk_lines(walk: Walk) -> list[str]:
    """What the inspector should know before the first question."""
    model = f" ({walk.device_model})" if walk.device_model else ""
    stage = f", due: {walk.stage}" if walk.stage else ""
    head = f"{walk.device}{model}, plan {walk.plan!r}{stage}, inspected by {walk.inspector}"
    lines = [head + (", blind" if walk.is_blind else "")]
    if walk.is_resumed:
        lines.append(
            f"going on with the inspection of {labels.moment(walk.inspected_at)}:"
            f" {len(walk.checks)} of {len(walk.functions)} answered"
        )
    if not walk.is_blind:
        lines.append(_shock_words(walk))
    if walk.has_cracked_glass:
        lines.append(safety.EYE_PROTECTION)
    if walk.battery_looks:
        lines.append(safety.battery_signs_line())
    if walk.left_out:
        lines.append(f"not asked in quarantine (no charging): {labels.listed(walk.left_out)}")
    return lines


def _shock_words(walk: Walk) -> str:
    shocks = walk.shocks
    if not shocks["drops"]:
        return "never dropped"
    parts = [counted(shocks["drops"], "drop")]
    if shocks["drops_without_reading"]:
        parts[0] += f" ({shocks['drops_without_reading']} without a reading)"
    if shocks["max_peak_g"]:
        parts.append(f"largest {labels.number(shocks['max_peak_g'])} g")
    if shocks["highest_drop_mm"]:
        parts.append(f"from up to {shocks['highest_drop_mm']:g} mm")
    if shocks["shock_dose"] is not None:
        parts.append(f"dose {labels.dose(shocks['shock_dose'])} (b = 6.4)")
    if shocks["last_dropped_at"]:
        days = (walk.inspected_at.date() - shocks["last_dropped_at"].date()).days
        parts.append(f"last {counted(days, 'day')} ago")
    return "shocks: " + labels.listed(parts)


def question(walk: Walk, at: int, draft: FunctionalCheck, width: int) -> str:
    """One question on one line: which function, and what it was last time unless blind."""
    function = walk.functions[at]
    names = max(len(name) for name in walk.functions)
    beside = []
    if draft.measured is not None:
        beside.append(f"measured {draft.measured:g} {draft.unit}")
    if draft.note is not None:
        beside.append(f"# {draft.note}")
    if function in walk.checks:
        beside.append(f"now {check_words(walk.checks[function])}")
    if not walk.is_blind and function in walk.last_results:
        last, when = walk.last_results[function]
        beside.append(f"last {when:%Y-%m-%d} {check_words(last)}")
    head = f"{at + 1:>2}/{len(walk.functions)} {function:<{names}}  "
    room = max(width - len(head) - len(" > not tested") - 1, 0)
    words = "; ".join(beside)
    return head + (words if len(words) <= room else words[: max(room - 2, 0)] + "..") + " > "


def walk_end(walk: Walk, *, is_whole: bool) -> str:
    """What was recorded, and how to go on when it was broken off."""
    done, of_all = len(walk.checks), len(walk.functions)
    counts = Counter(check.outcome.replace("_", " ") for check in walk.checks.values())
    outcomes = labels.listed(f"{count} {name}" for name, count in counts.items())
    words = f"{done} of {of_all} functions of {walk.device} recorded"
    if outcomes:
        words += f": {outcomes}"
    if walk.failed:
        words += f"; FAILED: {labels.listed(walk.failed)}"
    if is_whole or done == of_all:
        return words
    if walk.quarantine is not None:
        return f"{words}\nstopped there: its battery is suspect"
    return f"{words}\nbroken off; go on with: durability inspect record {walk.device}"


def expectation(device: str, expected: DeviceExpectation) -> str:
    """What the model expected; said only once the outcomes are recorded."""
    outlook, link = expected.outlook, expected.link
    chances = [
        f"{labels.chance(chance)} by day {day}"
        for day, chance in outlook.probability_failed_by_day.items()
        if chance is not None
    ]
    if not chances:
        return "The model expected nothing of this device: too few were followed."
    unseen = outlook.probability_failed_unseen
    words = (
        f"What the model expected without this inspection: devices with the shocks of {device} have"
        f" failed with {labels.listed(chances)} after the last drop"
    )
    if unseen is not None:
        words += f"; that it had failed unseen since its last inspection: {labels.chance(unseen)}"
    return f"{words}. {link.sentence}"
