"""Everything that one specimen lived through, in order of time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels, safety
from durability.report.answers.follow_up import intermittent_lines
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.devices.results import DoseUnder
    from durability.workflow.results import Under

_NOUNS = {
    "drop": "drop",
    "damage": "damage note",
    "inspection": "inspection",
    "amendment": "amendment",
    "quarantine": "quarantine",
    "clearance": "clearance",
    "disposal": "disposal",
}


def _event(event: Mapping[str, Any]) -> str:
    """Its kind with drop and series in one cell: what happened has the width."""
    series, drop, kind = event["series"], event["drop_number"], str(event["event"])
    if series is None:
        return kind
    where = series if drop is None else f"drop {drop} of {series}"
    return where if kind == "drop" else f"{kind}, {where}"


def _what(event: Mapping[str, Any]) -> str:
    parts = [labels.heights(event["what"] or "")]
    if "shock_dose_so_far" in event:
        parts.append(f"dose so far {labels.dose(event['shock_dose_so_far'])}")
    if event["days_since_drop"] is not None:
        since = labels.since_drop(event["days_since_drop"], event.get("hours_since_drop"))
        parts.append(f"{since} after the last drop")
    parts.append(labels.source(dict(event)))
    return "; ".join(part for part in parts if part)


EVENTS = Columns[Mapping[str, Any]](
    "Events in order of time",
    Column(
        "when",
        lambda event: labels.moment(event["happened_at"]) + " (entered)" * (not event["dated"]),
        wrap=True,
    ),
    Column("event", _event, wrap=True),
    Column("what, and where it is recorded", _what, wrap=True),
)


def blocks(found: Mapping[str, Any], under: Under) -> Iterator[Block]:
    """What one specimen has added up by now, then everything that it lived through.

    Parameters
    ----------
    found : mapping
        Of ``specimen_history``.
    under : Under
        The conditions whose drops it shows.
    """
    events = found["events"]
    if found["quarantine"] is not None:
        for line in safety.kept_apart_lines([found["quarantine"]]):
            yield Words(line)
    known = found["status"] or "not in the record yet"
    state = "" if known == "in use" else f" ({known})"
    met = Counter(str(event["event"]) for event in events)
    through = labels.listed(counted(count, _NOUNS[event]) for event, count in met.items())
    yield Words(f"{found['specimen']}{state} went through: {through or 'nothing recorded'}")
    if under.named:
        shown = " ".join(under.options)
        yield Words(f"Of its series only those under {shown}; doses count every drop.", True)
    if found["exposure"] is not None:
        for line in _exposure_lines(found["exposure"]):
            yield Words(line)
    if events:
        yield EVENTS.table(events)


def _exposure_lines(exposure: Mapping[str, Any]) -> list[str]:
    """What a device has added up by now, and what is doubtful about it."""
    doses = labels.listed(
        f"{_dose_words(dose)} with b = {dose.exponent:g}" for dose in exposure["doses"]
    )
    lines = [f"Shock dose so far: {doses if exposure['drops'] else '0, never dropped'}."]
    if exposure["drops_without_reading"]:
        lines.append(
            f"{counted(exposure['drops_without_reading'], 'drop')} without a trusted reading:"
            " made with it, not in the dose; in brackets with each at the largest comparable drop."
        )
    since = labels.since_drop(exposure["days_to_last_look"], exposure["hours_to_last_look"])
    if since:
        lines.append(f"Last inspected {since} after the last drop before it.")
    if not exposure["looked_at_before_first_drop"]:
        lines.append(
            "No check before the first drop: a later failure may have been there all along."
        )
    return [*lines, *intermittent_lines(exposure["intermittent"])]


def _dose_words(dose: DoseUnder) -> str:
    """A dose, and its upper bound where a drop gave no reading."""
    unsure = dose.upper is None or dose.upper != dose.dose
    return labels.dose(dose.dose) + (f" ({labels.dose(dose.upper)})" if unsure else "")


def json(found: Mapping[str, Any]) -> dict[str, Any]:
    """Object of ``history --json``."""
    kept, exposure = found["quarantine"], found["exposure"]
    return {
        **found,
        "quarantine": None if kept is None else as_json.quarantine(kept),
        "exposure": exposure
        and {**exposure, "doses": [as_json.everything(dose) for dose in exposure["doses"]]},
    }
