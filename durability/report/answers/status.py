"""How things stand, on one screen."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted
from durability.report import as_json, labels, safety
from durability.report.answers import follow_up, rig
from durability.report.answers.forecast import left
from durability.report.answers.trend import worst_first
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.workflow.results import OpenSeries, Status

SHOWN_SERIES = 8
"""Open series on the screen, what needs action first."""


def _drops_left(each: OpenSeries) -> str:
    life = each.forecast
    if life is None:
        return labels.ABSENT
    return "FAILED" if life.failed else left(life, each.horizon)


def _worst_first(each: OpenSeries) -> tuple[bool, tuple[int, float, str]]:
    return not each.has_failed, worst_first(each.trend)


OPEN = Columns["OpenSeries"](
    "Open series, what needs action first",
    Column("series", lambda e: e.trend.series),
    Column("case", lambda e: e.row["case"] or "bare"),
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


def blocks(status: Status) -> Iterator[Block]:
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
    for line in safety.kept_apart_lines(owed.quarantined):
        yield Words(line)
    for line in safety.disposed_lines(owed.disposals):
        yield Words(line)
    for watched in status.rig:
        yield Words(rig.sentence(watched))
    if not status.rig:
        yield Words("Rig: no reference drops, so a drift can't be seen.")
    for sensor in status.overdue_sensors:
        due = sensor["calibration_due"]
        said = "no calibration recorded" if due is None else f"calibration was due on {due}"
        yield Words(f"Sensor {sensor['sensor']}: {said}.")
    last = labels.listed(
        f"{each['command']} by {each['entered_by']} ({each['entered_at_utc']:%Y-%m-%d %H:%M} UTC)"
        for each in status.last_entries
    )
    yield Words(f"Last entries: {last}." if last else "Nothing is entered yet.")


def json(status: Status) -> dict[str, Any]:
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
