"""What was put right: drops that were voided, and amendments."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.record import units
from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import beside
from durability.report.blocks import Block, Column, Columns, Words, of_drop

if TYPE_CHECKING:
    from durability.wear.results import Trend
    from durability.workflow.results import ReportContents

VOIDED = Columns[tuple[Mapping[str, Any], str]](
    "Every voided drop; the effect is that of all voided readings of its series together",
    Column("series", lambda each: each[0]["series"], names="series"),
    Column(
        "drop",
        lambda each: each[0]["drop_number"],
        right=True,
        names=lambda each: of_drop(each[0]),
    ),
    Column(
        "peak, g",
        lambda each: labels.recorded(each[0]["peak_g"], is_bound=each[0]["peak_is_bound"]),
        right=True,
    ),
    Column("reason", lambda each: each[0]["void_reason"], wrap=True),
    Column("voided by", lambda each: each[0]["voided_by"]),
    Column("verdict with it included", lambda each: each[1], wrap=True),
)


def blocks(contents: ReportContents) -> Iterator[Block]:
    """How many drops are void, and each with its reason and its effect."""
    yield Words(f"Drops: {validity(contents.counts)}.")
    if not contents.voided:
        yield Words("No drop of this scope is void.")
        return
    trends = {each.trend.series: each.trend for each in contents.pictures}
    yield Words(left_out(contents))
    yield VOIDED.table(
        (
            (row, effect(row, trends.get(row["series"]), contents.put_back.get(row["series"])))
            for row in beside.without_readings_together(contents.voided)
        ),
        "durability query voided_drops",
    )
    yield Words(
        "A voided drop keeps its number, its reading and its reason. Its shock"
        " still counts for the case and the device.",
        is_note=True,
    )


def validity(counts: Mapping[str, Any]) -> str:
    """Valid, void and total drops."""
    return f"{counts['valid_drops']} valid, {counts['voided_drops']} void, {counts['drops']} total"


def left_out(contents: ReportContents) -> str:
    """How many drops are void, and whether the answers change when they are put back."""
    counts = contents.counts
    readable = sum(row["peak_g"] is not None for row in contents.voided)
    why = Counter(row["void_reason"] for row in contents.voided)
    reasons = labels.some(
        reason if number == 1 else f"{reason} ({number})" for reason, number in why.most_common()
    )
    words = f"{len(contents.voided)} of {counted(counts['drops'], 'drop')} are void ({reasons})"
    if not readable:
        return f"{words}; none of them has a reading to include."
    changed = changed_verdicts(contents)
    return (
        f"{words}; with their {counted(readable, 'reading')} included"
        f" {_fastest_with_voided(contents)}{_verdicts_with_voided(changed)}."
    )


def _fastest_with_voided(contents: ReportContents) -> str:
    """Whether the fastest case model stays the fastest."""
    before, after = contents.ranking, contents.ranking_with_voided
    if before is None or after is None or not before.groups or not after.groups:
        return ""
    first, then = before.groups[0], after.groups[0]
    rise = labels.percent(then.rise_pct_per_drop)
    if then.rise_pct_per_drop is None:
        return ""
    still = "still" if first.group == then.group else "now"
    return f"the fastest is {still} {then.group} ({rise} % per drop) and "


def changed_verdicts(contents: ReportContents) -> list[tuple[Trend, Trend]]:
    """Trends whose verdict is another with the voided readings put back."""
    pairs = [
        (each.trend, contents.put_back[each.trend.series])
        for each in contents.pictures
        if each.trend.series in contents.put_back
    ]
    return [(before, after) for before, after in pairs if before.verdict != after.verdict]


def _verdicts_with_voided(changed: Sequence[tuple[Trend, Trend]]) -> str:
    """Which verdicts change."""
    if not changed:
        return "no verdict changes"
    listed = labels.listed(
        f"{before.series} from {before.verdict} to {after.verdict}" for before, after in changed
    )
    return f"{counted(len(changed), 'verdict')} change{'s' if len(changed) == 1 else ''}: {listed}"


def effect(row: Mapping[str, Any], before: Trend | None, after: Trend | None) -> str:
    """What putting the voided readings of a series back does to its verdict."""
    if row["peak_g"] is None:
        return "no reading to include"
    if before is None or after is None:
        return "not evaluated"
    rise = (
        f"{labels.percent(before.rise_pct_per_drop)} to {labels.percent(after.rise_pct_per_drop)}"
    )
    if before.verdict == after.verdict:
        return f"stays {after.verdict} ({rise} % per drop)"
    return f"{before.verdict} becomes {after.verdict} ({rise} % per drop)"


Row = Mapping[str, Any]


def _value(column: str, value: str | None) -> str | None:
    """A value of an amendment, which are kept as text, in the unit that its column is shown in."""
    quantity = units.of_column(column)
    if value is None or quantity is None or not units.is_converted(quantity):
        return value
    return labels.cell(column, float(value))


AMENDED = Columns[Row](
    "Amendments in order",
    Column("record", "record"),
    Column("drop", "drop_number", right=True),
    Column("what", lambda row: labels.column_words(row["column_name"])),
    Column("from", lambda row: _value(row["column_name"], row["old_value"]), wrap=True),
    Column("to", lambda row: _value(row["column_name"], row["new_value"]), wrap=True),
    Column("reason", "reason", wrap=True),
    Column("by", "entered_by"),
    Column("at (UTC)", "entered_at_utc"),
)

DEVIATIONS = Columns[Row](
    "Deviations: drops off their sheet or height, files that could not be read",
    Column("series", "series", names="series"),
    Column("drop", "drop_number", right=True, names=of_drop),
    Column("what", lambda row: labels.heights(row["what"]), wrap=True),
    Column("reported by", "told_by"),
)

ENTERED = Columns[Row](
    "Entered since",
    Column("record", "record"),
    Column("what", "what"),
    Column("added", "added", right=True),
    Column(
        "drops",
        lambda row: (
            None
            if row["first_number"] is None
            else f"{row['first_number']} to {row['last_number']}"
        ),
    ),
    Column("void", "voided", right=True),
)

SOURCES = Columns[Row](
    "Files and people",
    Column("file, or typed", lambda row: row["file_name"] or "typed", wrap=True),
    Column("what", "what"),
    Column("records", "records", right=True),
    Column("entered by", "entered_by"),
    Column("from (UTC)", "first_entered_at_utc"),
    Column("to (UTC)", "last_entered_at_utc"),
    Column("SHA-256 of the file", "file_sha256", wide=True),
)


REVIEWED = Columns[Row](
    "Drops checked by a second person, by series",
    Column("series", "series"),
    Column("drops", "drops", right=True),
    Column("of them void", "voided", right=True),
    Column("amended", "amended", right=True),
    Column("checked", "reviewed", right=True),
    Column("not checked", "not_reviewed", right=True),
    Column("checked by", lambda row: labels.listed(row["reviewers"] or ()) or None),
    is_sparse=True,
)


def entries_blocks(counts: Row, reviewed: Sequence[Row]) -> Iterator[Block]:
    """What was entered, and which drops of it a second person has checked."""
    yield Words(
        f"Entered: {counted(counts['drops'], 'drop')}, {counts['voided_drops']} of them void and"
        f" {counts['amended_drops']} amended;"
        f" {counted(counts['damage_notes'], 'damage note')};"
        f" {counted(counts['inspections'], 'inspection')} with"
        f" {counted(counts['checks'], 'functional check')}."
    )
    yield Words(f"{checked(counts)[0].upper()}{checked(counts)[1:]}.")
    if counts["reviewed_drops"]:
        yield REVIEWED.table(reviewed, "durability drop list")
    yield Words(
        "A review (durability review SERIES --by NAME) covers drops as they are now: a drop that"
        " is corrected later is not checked. Damage notes and inspections have none.",
        is_note=True,
    )


def checked(counts: Row) -> str:
    """How many drops a second person has checked, and how many not."""
    drops, done = counts["drops"], counts["reviewed_drops"]
    words = f"{done} of {counted(drops, 'drop')} checked by a second person"
    return f"{words}, {drops - done} not" if done < drops else words


def amendments_blocks(deviations: Sequence[Row], amendments: Sequence[Row]) -> Iterator[Block]:
    """Deviations from plan, and every amendment."""
    if deviations:
        yield DEVIATIONS.table(deviations)
    else:
        yield Words("No deviation is on record in this scope.")
    if not amendments:
        yield Words("Nothing in this scope was amended.")
        return
    yield Words(
        f"{counted(len(amendments), 'amendment')}. Nothing is overwritten: the first values stay in"
        " the record."
    )
    yield AMENDED.table(amendments, "durability history SPECIMEN")


def sources(rows: Sequence[Row]) -> Iterator[Block]:
    """Which files and people the records came from."""
    yield SOURCES.table(rows) if rows else Words("Nothing is recorded in this scope.")


def summary(counts: Row, deviations: Sequence[Row], amendments: Sequence[Row]) -> str:
    """Amendments, deviations and drops that a second person checked, counted."""
    amended, off = len(amendments), len(deviations)
    first = f"{counted(amended, 'amendment')}, first values kept" if amended else "No amendment"
    then = counted(off, "deviation") if off else "no deviation on record"
    return f"{first}; {then}; {checked(counts)}."
