"""Everything that one specimen lived through, in order of time; and how things stand today."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels, safety
from durability.report.answers import beside, follow_up, rig
from durability.report.answers.follow_up import intermittent_lines
from durability.report.answers.forecast import left
from durability.report.answers.trend import worst_first
from durability.report.blocks import Block, Column, Columns, Words, of_drop

if TYPE_CHECKING:
    from durability.devices.results import DoseUnder
    from durability.workflow.results import OpenSeries, Status, Under

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
    several = isinstance(drop, str)  # a run of drops without readings
    where = series if drop is None else f"{'drops' if several else 'drop'} {drop} of {series}"
    return where if kind == "drop" else f"{kind}, {where}"


def _what(event: Mapping[str, Any]) -> str:
    parts = [labels.heights(event["what"] or "")]
    if "shock_dose_so_far" in event:
        dose = labels.dose(event["shock_dose_so_far"])
        parts.append(f"dose so far {dose} (b = {event['dose_exponent']:g})")
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
    Column("event", _event, wrap=True, names=of_drop),
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
        yield EVENTS.table(beside.without_readings_together(events))


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


# ------------------------------------------------------------------------ how things stand

SHOWN_SERIES = 5
"""Open series on the screen, what needs action first."""
SHOWN_ENTRIES = 3
"""The last ones, on the screen."""


def _drops_left(each: OpenSeries) -> str:
    life = each.forecast
    if life is None:
        return labels.ABSENT
    return "FAILED" if life.failed else left(life, each.horizon)


def _worst_first(each: OpenSeries) -> tuple[bool, tuple[int, float, str]]:
    return not each.has_failed, worst_first(each.trend)


OPEN = Columns["OpenSeries"](
    "Open series, what needs action first",
    Column("series", lambda e: e.trend.series, names="series"),
    Column("case", lambda e: e.row["case"] or "bare", names="case"),
    Column("drops", lambda e: str(e.row["drops"]), right=True),
    Column("verdict", lambda e: f"{labels.VERDICT_MARKS[e.trend.verdict]} {e.trend.verdict}"),
    Column("alarm at drop", lambda e: labels.text(e.trend.alarm_at_drop), right=True),
    Column("drops left, median", _drops_left, right=True),
    Column("last drop", lambda e: labels.text(e.row["last_dropped_at"])[:10]),
    order=_worst_first,
)


def _alarms(status: Status, rate: float) -> Words:
    """Which alarms hold among all open series, however often someone checks."""
    raised = sum(each.trend.alarm_at_drop is not None for each in status.open_series)
    named = f": {labels.listed(status.alarms)}" if status.alarms else ""
    hold = "holds" if len(status.alarms) == 1 else "hold"
    return Words(
        f"{len(status.alarms)} of {counted(raised, 'alarm')} {hold} at a false discovery rate of"
        f" {labels.share(rate)}, however often checked{named}."
    )


def status_blocks(status: Status) -> Iterator[Block]:
    """Open series, what is due, what is isolated, the rig and its sensors, the last entries."""
    many = len(status.open_series)
    if not many:
        yield Words("No open series with drops.")
    else:
        rising = sum(each.trend.verdict == "rising" for each in status.open_series)
        failed = sum(each.has_failed for each in status.open_series)
        yield Words(f"{many} open series: {rising} rising, {failed} failed.")
        if status.rate is not None:
            yield _alarms(status, status.rate)
        yield OPEN.table(sorted(status.open_series, key=_worst_first)[:SHOWN_SERIES])
        if many > SHOWN_SERIES:
            yield Words(f"And {many - SHOWN_SERIES} more: durability trend, durability forecast.")
    owed = status.due
    overdue = sum(each.days_overdue > 0 for each in owed.due)
    yield Words(
        f"{counted(len(owed.due), 'inspection')} due, {overdue} of them overdue: durability due."
        if owed.due
        else "No inspection is due."
    )
    if owed.quarantined:
        yield Words(safety.kept_apart_in_short(owed.quarantined))
    for line in safety.disposed_lines(owed.disposals):
        yield Words(line)
    for watched in status.rig:
        yield Words(rig.in_short(watched))
    if not status.rig:
        yield Words("Rig: no reference drops, so a drift can't be seen.")
    sensors = [
        f"{each['sensor']} since {due}"
        if (due := each["calibration_due"])
        else f"{each['sensor']} (none recorded)"
        for each in status.overdue_sensors
    ]
    if sensors:
        yield Words(f"Calibration overdue: {labels.some(sensors, 4)}.")
    last = labels.listed(
        f"{each['command']} by {each['entered_by']} ({each['entered_at_utc']:%Y-%m-%d %H:%M} UTC)"
        for each in status.last_entries[:SHOWN_ENTRIES]
    )
    yield Words(f"Last entries: {last}." if last else "Nothing is entered yet.")


def status_json(status: Status) -> dict[str, Any]:
    """Object of ``status --json``; with a false discovery rate led by the alarms that hold."""
    owed = follow_up.json(status.due)
    return {
        **({} if status.rate is None else as_json.named(status, ("rate", "alarms"))),
        "open_series": [_plain(each) for each in status.open_series],
        "due": owed["due"],
        "quarantined": owed["quarantined"],
        "rig": {
            **rig.json(status.rig),
            "overdue_sensors": [
                {name: row[name] for name in ("sensor", "calibration_due")}
                for row in status.overdue_sensors
            ],
        },
        "last_entries": [dict(each) for each in status.last_entries],
    }


def _plain(each: OpenSeries) -> dict[str, Any]:
    life = each.forecast
    return {
        **{name: each.row[name] for name in ("series", "device", "case", "case_model", "drops")},
        "last_dropped_at": each.row["last_dropped_at"],
        "verdict": each.trend.verdict,
        "alarm_at_drop": each.trend.alarm_at_drop,
        "wear_alarm_at_drop": each.trend.wear_alarm_at_drop,
        "failed": None if life is None else life.failed,
        "drops_left": None if life is None else life.drops_left,
    }
