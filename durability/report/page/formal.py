"""What a test report holds beside its answers: items of a standard, uncertainty, methods."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

from durability.record import units
from durability.record.basis import counted
from durability.record.units import STANDARD_GRAVITY_M_S2
from durability.report import labels
from durability.report.answers import voided
from durability.report.answers.records import span
from durability.report.blocks import Block, Column, Columns, Folded, Items, Words
from durability.report.page.changes import METHODS, REACHED
from durability.report.page.words import command, identity, numbered, title

if TYPE_CHECKING:
    from durability.devices.results import LifeLine
    from durability.workflow.results import ReportContents

NOT_EVALUATED = "not evaluated"

UNCERTAINTY = Columns[tuple[str, int, str]](
    "Standard uncertainty of single readings",
    Column("measure", lambda row: row[0]),
    Column("readings", lambda row: row[1], right=True),
    Column("uncertainty", lambda row: row[2]),
)

ITEMS = Columns[tuple[str, str]](
    "What a report should hold, after IEC 60068-2-27:2008, clause 12, in our words",
    Column("item", lambda row: row[0]),
    Column("in this record, with the number of series", lambda row: row[1]),
)

GENERAL_ITEMS = Columns[tuple[str, str]](
    "What every report should hold, after ISO/IEC 17025:2017, 7.8.2.1, in our words",
    Column("item", lambda row: row[0]),
    Column("in this report", lambda row: row[1]),
)

SIGNATURES = Columns[tuple[str, str, str, str]](
    "",
    Column("to be signed on paper", lambda row: row[0]),
    Column("tested by", lambda row: row[1] or _LINE),
    Column("reviewed by", lambda row: row[2] or _LINE),
    Column("approved by", lambda row: row[3] or _LINE),
)
_LINE = "_" * 28
"""To write on."""

TRACED = Columns[tuple[str, str, str]](
    "Every number can be traced by these commands",
    Column("number", lambda row: row[0]),
    Column("command", lambda row: row[1]),
    Column("what it shows", lambda row: row[2]),
)

MADE_BY = Columns[tuple[str, str]](
    "What made this report",
    Column("part", lambda row: row[0]),
    Column("version", lambda row: row[1]),
)


def uncertainty(contents: ReportContents) -> Iterator[Block]:
    """How well single readings are known."""
    counts, evaluated = contents.counts, contents.uncertainty
    yield UNCERTAINTY.table(
        (
            heading,
            counts[counted_as],
            _uncertainty(counts[counted_as], evaluated[counted_as], evaluated[f"{one}_pct"]),
        )
        for heading, counted_as, one in (
            ("peak g", "peaks", "peak"),
            ("pulse duration", "pulse_durations", "pulse_duration"),
            ("velocity change", "velocity_changes", "velocity_change"),
        )
    )
    yield Words(
        "Readings that were typed or imported as numbers carry no uncertainty. The"
        " intervals of level, rise, life and ratio rest on the scatter from drop to drop and from"
        " case to case, which holds the random part of it; a sensor that reads too high by a fixed"
        " factor changes peak g, and neither rise nor ratio.",
        is_note=True,
    )


def _uncertainty(count: int, evaluated: int, pct: float | None) -> str:
    """Standard uncertainty of single readings, or that it was not evaluated."""
    if not evaluated:
        return NOT_EVALUATED
    median = f"median {labels.number(pct, 2)} % (standard, calibration excluded) in {evaluated}"
    return median if evaluated == count else f"{median} of {count}; {NOT_EVALUATED} in the others"


def items(contents: ReportContents) -> Iterator[Block]:
    """Contents of a test report, item by item."""
    yield GENERAL_ITEMS.table(general_items(contents))
    yield ITEMS.table(report_items(contents))


def signatures(contents: ReportContents) -> Iterator[Block]:
    """Lines to sign, with the names that the record has."""
    counts = contents.counts
    reviewers = counts["reviewers"] or ()
    names = labels.some(counts["operators"] or ()), labels.some(reviewers)
    yield SIGNATURES.table([("name", *names, ""), ("date and signature", "", "", "")])
    if reviewers:
        yield Words(f"In the record: {voided.checked(counts)}.", is_note=True)


def general_items(contents: ReportContents) -> list[tuple[str, str]]:
    """What every test report should hold, and what this one holds of it."""
    counts = contents.counts
    given = {name: text or _not_given(name) for name, text in contents.parties.items()}
    methods = len({row["method"] for row in contents.series if row["drops"] and row["method"]})
    of = counts["specimens"]
    return [
        ("a title", title(contents.scope)),
        ("b, c laboratory, its address, place of the tests", given["laboratory"]),
        ("d identification of every part, and the end", "number and digest, here and at the end"),
        ("e customer", given["customer"]),
        ("f method", f"{counted(methods, 'method')}, below" if methods else labels.NOT_RECORDED),
        ("g items, their identification and condition", "Conditions, Damage seen, Devices"),
        (
            "h dates of receipt",
            f"recorded of {of['received']} of {counted(of['all'], 'specimen')}: durability"
            " specimen show"
            if of["received"]
            else labels.NOT_RECORDED,
        ),
        ("i dates of the tests", _dates(contents)),
        ("j date of issue", f"{contents.made_at:%Y-%m-%d}"),
        ("k sampling", "not recorded: how the specimens were chosen"),
        ("l results relate only to the items tested", "said below the answers"),
        ("m results with units", "each section"),
        (
            "n additions, deviations, exclusions",
            f"{counted(len(contents.deviations), 'deviation')},"
            f" {counted(counts['voided_drops'], 'voided drop')}",
        ),
        ("o who authorises it", "a line to sign: Signatures"),
        ("p results of others", "not distinguished; files and people: Where the records came from"),
    ]


def _not_given(name: str) -> str:
    return f"not given: durability report --{name}"


def _dates(contents: ReportContents) -> str:
    first, last = contents.counts["first_dropped_at"], contents.counts["last_dropped_at"]
    return labels.NOT_RECORDED if first is None else span(first, last)


def report_items(contents: ReportContents) -> list[tuple[str, str]]:
    """What a test report should hold, and what this one holds of it.

    After IEC 60068-2-27:2008, clause 12, whose list is given from memory.
    """
    counts = contents.counts
    made = [row for row in contents.series if row["drops"]]

    def of_series(key: str) -> str:
        values = Counter(labels.cell(key, row[key]) for row in made if row[key] is not None)
        if not values:
            return labels.NOT_RECORDED
        values_met = labels.some(f"{value} ({number})" for value, number in values.most_common())
        lacking = len(made) - values.total()
        return (
            f"{values_met}; {labels.NOT_RECORDED} in {counted(lacking, 'series', 'series')}"
            if lacking
            else values_met
        )

    def known(number: int, what: str) -> str:
        return what if number else labels.NOT_RECORDED

    inspected = [each for each in contents.life_lines if len(each.history.drop_day)]
    before = sum(_has_baseline(each) for each in inspected)
    after = sum(each.by_days is not None or each.after_days is not None for each in inspected)
    sensors = labels.some(row["sensor"] for row in contents.sensors)
    overdue = sum(row["drops_after_due"] for row in contents.sensors)
    evaluated = contents.uncertainty["peaks"]
    across = counts["waveforms_with_cross_axis"]
    return [
        *(
            (said, contents.parties[name] or _not_given(name))
            for said, name in (
                ("customer", "customer"),
                ("test laboratory", "laboratory"),
                ("purpose of the test", "purpose"),
            )
        ),
        ("report identification", f"{numbered(contents)}, digest {contents.digest}"),
        ("test dates", _dates(contents)),
        ("test standard, edition and procedure", of_series("method")),
        (
            "specimens",
            known(
                counts["drops"],
                f"{counted(counts['cases'], 'case')}, {counted(counts['devices'], 'device')},"
                f" {counted(counts['dummies'], 'dummy', 'dummies')}: see Series",
            ),
        ),
        ("mounting and fixture", of_series("fixture")),
        ("mounting of the sensor", of_series("sensor_mounting")),
        ("conditioning", of_series("conditioning")),
        (
            "performance of the apparatus: cross-axis motion",
            f"measured in {across} of {counted(counts['waveforms'], 'waveform')}: durability show"
            " pulse"
            if across
            else "not measured",
        ),
        (
            "performance of the apparatus: reference drops",
            known(len(contents.rig), "see Health of the rig"),
        ),
        ("measuring system", sensors or labels.NOT_RECORDED),
        ("sensor location", labels.NOT_RECORDED),
        ("filter", labels.listed(counts["filters"] or ()) or labels.NOT_RECORDED),
        (
            "calibration",
            known(
                len(contents.sensors),
                f"see Sensors and calibration; {counted(overdue, 'drop')} after it was due",
            ),
        ),
        (
            "uncertainty of the measuring system",
            f"evaluated for {evaluated} of {counts['peaks']} peaks" if evaluated else NOT_EVALUATED,
        ),
        (
            "initial measurements and functional checks",
            known(before, f"{before} of {counted(len(inspected), 'device')} before the first drop"),
        ),
        (
            "final measurements and functional checks",
            known(after, f"{after} of {counted(len(inspected), 'device')} after the last drop"),
        ),
        (f"severities: drop height, {units.unit(units.LENGTH)}", of_series("drop_height_mm")),
        ("severities: surface", of_series("surface")),
        ("severities: direction", of_series("orientation")),
        (
            "severities as measured",
            known(
                counts["peaks"],
                f"{counted(counts['peaks'], 'peak')}, {counts['pulse_durations']} durations,"
                f" {counts['velocity_changes']} velocity changes,"
                f" {counted(counts['waveforms'], 'waveform')}",
            ),
        ),
        ("results and observations", known(counts["drops"], "sections Wear to Damage boundary")),
        ("who dropped", labels.some(counts["operators"] or ()) or labels.NOT_RECORDED),
        ("name and signature of who is responsible", "lines to sign: Signatures"),
    ]


def _has_baseline(line: LifeLine) -> bool:
    """Whether the device was checked by the day of its first drop."""
    checked, dropped = line.history.check_day, line.history.drop_day
    return len(checked) > 0 and bool(checked.min() <= dropped.min())


def methods() -> Iterator[Block]:
    """How each answer is reached, and how numbers are written."""
    yield REACHED.table(METHODS)
    yield Items(
        (
            "g stands for multiples of standard gravity,"
            f" {STANDARD_GRAVITY_M_S2} m/s² (3rd CGPM, 1901; ISO 80000-3).",
            "Drops are counted from the series' first, voided ones included.",
            "Numbers are rounded for reading only; the JSON of each command has all digits.",
        )
    )


def appendix(contents: ReportContents) -> Iterator[Block]:
    """From a number to its source, and what made this report."""
    yield TRACED.table(trace(contents))
    yield MADE_BY.table(
        [
            *identity(contents)[:1],
            ("digest", contents.digest),
            (
                "record",
                f"{contents.store}, last entry {labels.moment(contents.last_entered_at_utc)} UTC",
            ),
            *contents.versions.items(),
        ]
    )
    yield Words(
        "Reports of one record are numbered as they are issued; each number stays, with the SHA-256"
        " of its page (durability query issued_reports). The digest identifies the record's state,"
        " the scope, the day, the limits and the program's version: a report with the same digest"
        " shows the same answers, and any later entry gives another one.",
        is_note=True,
    )
    yield Words("SQL statements run on the store:", is_note=True)
    for name, heading, text in contents.statements:
        yield Folded(f"{name}: {heading}", text.strip())


def trace(contents: ReportContents) -> list[tuple[str, str, str]]:
    """From a number of this report to where it came from: what, command, what it shows."""
    store = f" --store {shlex.quote(contents.store)}"
    asked = [
        ("ranking, life", command(contents, "rank"), "the numbers of Wear"),
        ("trend", command(contents, "trend"), "verdict, level, rise, alarm of each series"),
        ("forecast", command(contents, "forecast"), "drops to failure of each series"),
        ("devices", command(contents, "latent"), "dose, state and outlook of each device"),
    ]
    rows = [
        *((what, f"{call}{store}", shows) for what, call, shows in asked if call),
        ("voided drops", f"durability query voided_drops{store}", "each with its reason"),
        (
            "this report",
            f"durability query issued_reports{store}",
            "its number, SHA-256, who issued it, and whether another replaced it",
        ),
    ]
    example = next((each.trend for each in contents.pictures if each.trend.valid_drops), None)
    if example is not None:
        series = shlex.quote(example.series)
        drop = int(example.drop_number[-1])
        rows += [
            (
                f"one series, for instance {example.series}",
                f"durability trend --series {series}{store}",
                "each reading, the level, and what the verdict rests on",
            ),
            (
                "its drops",
                f"durability drop list --series {series}{store}",
                "every drop, voided ones too",
            ),
            (
                f"one drop, for instance drop {drop}",
                f"durability show drop {series} {drop}{store}",
                "every input: case, device, conditions, sensor, filter, who and when",
            ),
            (
                "where that drop came from",
                f"durability query source_of_drop --set series={series}"
                f" --set drop_number={drop}{store}",
                "file, row and digest, or person and time; every amendment",
            ),
        ]
    if contents.latent is not None and contents.latent.link.per_device:
        device = shlex.quote(contents.latent.link.per_device[0].device)
        rows.append(
            (
                "one device or case",
                f"durability history {device}{store}",
                "drops, damage, inspections and amendments in time order, each with its source",
            )
        )
    return rows
