"""What is on record: drops, series, damage."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from durability.record import units
from durability.record.basis import counted
from durability.record.vocabulary import (
    BARE,
    DAMAGE_SEVERITIES,
    MOST_CROSS_AXIS_PCT,
    SEVERITY_FAILED,
)
from durability.report import labels
from durability.report.answers import beside
from durability.report.answers.rig import SENSORS
from durability.report.blocks import Block, Column, Columns, Reference, Table, Words, of_drop

if TYPE_CHECKING:
    from durability.workflow.results import DamagePhoto, ReportAnswer, ReportIssue

Row = Mapping[str, Any]

CONDITIONS = (
    ("drop_height_mm", "drop height, mm"),
    ("surface", "surface"),
    ("orientation", "orientation"),
    ("device_kind", "dropped"),
    ("sensor", "sensor"),
    ("method", "test method"),
    ("fixture", "fixture"),
    ("conditioning", "conditioning"),
)
"""What a reader needs to repeat the drops."""


def span(first: Any, last: Any) -> str:
    """First to last day of drops."""
    if first is None:
        return "dates not recorded"
    first_day, last_day = f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"
    return f"on {first_day}" if first_day == last_day else f"{first_day} to {last_day}"


SERIES = Columns[Row](
    "Series",
    Column("series", "series", names="series"),
    Column("device", "device", names="device"),
    Column("case", lambda row: row["case"] or "bare", names="case"),
    Column("model", "case_model", wrap=True, names="model"),
    Column("condition", lambda row: labels.condition(dict(row)), wrap=True),
    Column("drops", "drops", right=True),
    Column("valid", "valid_drops", right=True),
    Column(
        "first to last day",
        lambda row: span(row.get("first_dropped_at"), row.get("last_dropped_at")),
        wide=True,
    ),
    Column(
        "status",
        lambda row: labels.status(row["status"], row.get("device_quarantined_since")),
        wrap=True,
    ),
    is_sparse=True,
)

RECORDED = Columns[tuple[str, str]](
    "How the drops were made: each value, with the number of series",
    Column("condition", lambda each: each[0]),
    Column("as recorded", lambda each: each[1], wrap=True),
)


def blocks(series: Sequence[Row], counts: Mapping[str, Any]) -> Iterator[Block]:
    """Conditions as recorded, and every series with drops.

    Parameters
    ----------
    series : sequence of mapping
        Series of the record.
    counts : mapping
        With ``lowest_temperature_c`` and ``highest_temperature_c`` of their drops.
    """
    made = [row for row in series if row["drops"]]
    if not made:
        yield Words("No series with drops, so no conditions.")
        return
    recorded = [
        (labels.heading(heading, units.of_column(key)), _met(made, key))
        for key, heading in CONDITIONS
    ]
    if any(row["settling_drops"] for row in made):
        recorded.append(("drops declared to settle the case", _met(made, "settling_drops")))
    low, high = counts["lowest_temperature_c"], counts["highest_temperature_c"]
    temperatures = labels.NOT_RECORDED
    if low is not None:
        coldest, warmest = (units.shown(each, units.TEMPERATURE) for each in (low, high))
        temperatures = labels.interval(coldest, warmest)
    unit = units.unit(units.TEMPERATURE)
    yield RECORDED.table([*recorded, (f"temperature, {unit}", temperatures)])
    yield Words(
        "Levels and lives are compared only within one drop height, surface and orientation.",
        is_note=True,
    )
    yield SERIES.table(made, "durability series list")


def _met(series: Sequence[Row], key: str) -> str:
    """Each value of a condition with the number of series."""
    values = Counter(
        labels.NOT_RECORDED if row[key] is None else labels.cell(key, row[key]) for row in series
    )
    return labels.some(f"{value} ({number})" for value, number in values.most_common())


Note = Mapping[str, Any]


def _seen(note: Note) -> str:
    """What was seen, where, in which words and on which photos."""
    parts = (note["mode"], note["location"], note["note"], labels.photos(note["photos"]))
    return labels.listed(part for part in parts if part) or labels.ABSENT


def of_photo(photo: DamagePhoto) -> str:
    """What a photo is of, and by which file it is known."""
    note = photo.note
    at = (
        f"drop {note['drop_number']} of {note['series']}" if note["drop_number"] else note["series"]
    )
    seen = labels.listed(part for part in (note["mode"], note["location"], note["note"]) if part)
    told = ", ".join(part for part in (labels.severity(note["severity"]), seen) if part)
    file = labels.photos([{"file_name": photo.file_name, "file_sha256": photo.file_sha256}])
    return f"{note['specimen']}{f' after {at}' if at else ''}: {told}; {file}"


def _key(note: Note) -> tuple[Any, ...]:
    return note["specimen"], note["severity"], _seen(note)


DAMAGE = Columns[Note](
    "Damage as first seen: specimen by specimen, each kind once",
    Column("specimen", "specimen", names="specimen"),
    Column("model", "model", wide=True),
    Column("series", "series", names="series"),
    Column("drop", "drop_number", right=True, names=of_drop),
    Column("severity", lambda note: labels.severity(note["severity"])),
    Column("what was seen", _seen, wrap=True),
    Column("seen by", "inspector"),
    Column(
        "entered (UTC)",
        lambda note: f"{labels.moment(note['entered_at_utc'])} by {note['entered_by']}",
        wrap=True,
    ),
    Column("source", lambda note: labels.source(dict(note)), wide=True),
    act=lambda note: note["severity"] == SEVERITY_FAILED,
    is_sparse=True,
)

MODES = Columns[tuple[str, str, int, int, int]](
    "By mode: specimens on which each was seen, and those failed by it",
    Column("model", lambda mode: mode[0]),
    Column("mode", lambda mode: mode[1]),
    Column("specimens", lambda mode: mode[2], right=True),
    Column("at worst", lambda mode: labels.severity(mode[3])),
    Column("failed by it", lambda mode: mode[4], right=True),
)


def damage_blocks(notes: Sequence[Note]) -> Iterator[Block]:
    """Every kind of damage once a specimen, and by mode.

    Parameters
    ----------
    notes : sequence of mapping
        Of severity 1 or more, in the order in which they were made.
    """
    if not notes:
        yield Words("No damage of severity 1 or more is noted in this scope.")
        return
    severest: dict[str, int] = {}
    for note in notes:
        severest[note["specimen"]] = max(note["severity"], severest.get(note["specimen"], 0))
    worst = Counter(severest.values())
    at_worst = labels.listed(
        f"{number} at worst {DAMAGE_SEVERITIES[level]}" for level, number in sorted(worst.items())
    )
    yield Words(
        f"{counted(len(notes), 'note')} on {counted(len(severest), 'specimen')}: {at_worst}."
    )
    first: dict[tuple[Any, ...], Note] = {}
    for note in notes:
        first.setdefault(_key(note), note)
    yield DAMAGE.table(first.values(), "durability query damage_by_drop")
    if any(note["mode"] for note in notes):
        yield MODES.table(_modes(notes), "durability query damage_modes")


def _modes(notes: Sequence[Note]) -> list[tuple[str, str, int, int, int]]:
    """Model, mode, specimens, worst severity, and how many of the specimens failed by it."""
    worst: dict[tuple[str, str], dict[str, int]] = defaultdict(dict)
    for note in notes:
        of_mode = worst[labels.text(note["model"]), note["mode"] or labels.NOT_CODED]
        of_mode[note["specimen"]] = max(note["severity"], of_mode.get(note["specimen"], 0))
    return [
        (
            *mode,
            len(of_mode),
            max(of_mode.values()),
            sum(severity == SEVERITY_FAILED for severity in of_mode.values()),
        )
        for mode, of_mode in sorted(worst.items())
    ]


Record = Mapping[str, Any]


OPTIONS_AS_TYPED: dict[str, dict[str, Any]] = {
    "delimiter": {"comma": ",", "semicolon": ";", "tab": "\t", "blanks": " "},
    "decimal": {"point": ".", "comma": ","},
    "class_standard": {"sae": "SAE J211-1", "iso": "ISO 6487"},
}
"""Words of options for what is kept."""


def _option_words(row: Record) -> str:
    """Options of a recorder as they are typed."""
    typed = []
    for name, value in row["options"].items():
        option = {"channel_class_standard": "class_standard", "cross_channels": "cross_channel"}
        name = option.get(name, name)
        words = {kept: word for word, kept in OPTIONS_AS_TYPED.get(name, {}).items()}
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, list):
                each = each[0] if each[1] is None else f"{each[0]}={each[1]:g}"
            text = f"{each:g}" if isinstance(each, float) else str(words.get(each, each))
            quoted = f'"{text}"' if " " in text else text
            typed.append(f"--{name.replace('_', '-')} {quoted}")
    return " ".join(typed)


RECORDERS = Columns[Record](
    "",
    Column("recorder", "recorder"),
    Column("version", "version"),
    Column("options", _option_words, wrap=True),
    Column("drops", "drops", right=True),
    Column("entered", lambda row: f"{row['entered_at_utc']:%Y-%m-%d}"),
    Column("by", "entered_by", wide=True),
)


def recorder_words(told: Record) -> str:
    """One line on a version that was kept."""
    return f"recorder {told['recorder']}, version {told['version']}: {_option_words(told)}"


def recorder_blocks(found: Record) -> Iterator[Block]:
    """A recorder, version by version, the latest first."""
    yield RECORDERS.table(found["versions"])
    for each in found["versions"]:
        if each["note"]:
            yield Words(f"{each['version']}: {each['note']}")


NOUNS = {
    "specimens": ("specimen",),
    "sensors": ("sensor",),
    "recorders": ("recorder",),
    "series": ("series", "series"),
    "drops": ("drop",),
    "inspections": ("inspection",),
    "plans": ("follow-up plan",),
    "check_lists": ("check list",),
    "damage": ("damage note",),
}


def _status(row: Record) -> str:
    since = row.get("quarantined_since") or row.get("device_quarantined_since")
    return labels.status(row["status"], since)


def _remark(row: Record) -> str:
    damage = row["damage_severity"]
    parts = (
        f"{row['status']}: {row['void_reason']}" if row["status"] != "valid" else None,
        labels.height_fault(row["achieved_height_mm"], row["drop_height_mm"]),
        f"cross axis {row['cross_axis_pct']:.0f} %"
        if (row["cross_axis_pct"] or 0.0) > MOST_CROSS_AXIS_PCT
        else None,
        None if not damage else f"damage {labels.severity(damage)}: {row['damage']}",
        "amended" if row["amended"] else None,
        f"checked by {row['reviewed_by']}" if row["reviewed_by"] else None,
        row["note"],
    )
    return "; ".join(part for part in parts if part) or labels.ABSENT


def not_passed(row: Record) -> str:
    """What did not pass in one inspection, and how far it can be trusted."""
    parts = (
        "NOTHING TESTED" if row["tested"] == 0 else None,
        row["not_passed"],
        f"interrupted: {row['checked']} of {row['unfinished_of']}"
        if row["unfinished_of"]
        else None,
        "blind" if row["is_blind"] else None,
        _list_words(row),
    )
    return "; ".join(part for part in parts if part) or labels.ABSENT


def _list_words(row: Record) -> str | None:
    """By which version of which check list an inspection was made, and what it left out."""
    if row["check_list_sha256"] is None:
        return None
    missing = row["check_list_missing"]
    left_out = f" ({missing} left out)" if missing and not row["unfinished_of"] else ""
    return f"list {row['check_list']} {labels.digest(row['check_list_sha256'])}{left_out}"


def _specimen(row: Record) -> Reference:
    """The specimen of a row, by its kind."""
    return row["kind"], row["specimen"]


COLUMNS: dict[str, Columns[Record]] = {
    "specimens": Columns(
        "",
        Column("specimen", "specimen", names=_specimen),
        Column("kind", "kind"),
        Column("model", "model", wrap=True),
        Column("drops", "drops", right=True),
        Column("last drop", "last_dropped_at", wrap=True),
        Column(
            "worst damage",
            lambda row: (
                None if row["worst_damage"] is None else labels.severity(row["worst_damage"])
            ),
        ),
        Column("status", _status, wrap=True),
        is_sparse=True,
    ),
    "sensors": SENSORS,
    "recorders": RECORDERS,
    "series": SERIES,
    "drops": Columns(
        "",
        Column("series", "series", names="series"),
        Column("drop", "drop_number", right=True, names=of_drop),
        Column(
            "peak, g",
            lambda row: labels.recorded(row["peak_g"], is_bound=row["peak_is_bound"]),
            right=True,
        ),
        Column("duration, ms", "pulse_duration_ms", right=True),
        Column("dropped", "dropped_at"),
        Column("status", "status", wrap=True),
        Column("remark", _remark, wrap=True),
        is_sparse=True,
    ),
    "damage": DAMAGE,
    "inspections": Columns(
        "",
        Column("inspected", "inspected_at"),
        Column("device", "device", names="device"),
        Column(
            "since drop",
            lambda row: labels.since_drop(row["days_since_drop"], row["hours_since_drop"]),
            right=True,
        ),
        Column("tested", "tested", right=True),
        Column("failed", "failed", right=True),
        Column("not passed", not_passed, wrap=True),
        Column("by", "inspector"),
        is_sparse=True,
    ),
    "plans": Columns(
        "",
        Column("plan", "name", wrap=True),
        Column("anchor", "anchor"),
        Column("stages (days)", "stages", wrap=True),
        Column("check list", "check_list"),
        Column("functions", "functions", wrap=True),
        is_sparse=True,
    ),
    "check_lists": Columns(
        "",
        Column("check list", "check_list"),
        Column("version", lambda row: labels.digest(row["sha256"])),
        Column("functions", "functions", wrap=True),
        Column("plans", "plans"),
        Column("inspections", "inspections", right=True),
        Column("since", "since"),
        is_sparse=True,
    ),
}
"""By kind of record; columns in which no row has anything are left out."""


def listed(what: str, rows: Sequence[Record]) -> Iterator[Block]:
    """Rows of one kind.

    Parameters
    ----------
    what : str
        Key of ``COLUMNS``.
    rows : sequence of mapping
        The rows.
    """
    number = counted(len(rows), *NOUNS[what])
    if rows:
        shown = beside.without_readings_together(rows) if what == "drops" else rows
        yield replace(COLUMNS[what].table(shown), caption=number)
    else:
        yield Words(number)


def _about(report: ReportIssue) -> str:
    return " ".join([report.scope.kind, *report.scope.names])


ISSUED: Columns[ReportIssue] = Columns(
    "Reports that were issued, the latest first",
    Column("report", "number", names="report"),
    Column("issued, UTC", lambda each: labels.moment(each.issued_at_utc)),
    Column("by", "issued_by", wrap=True),
    Column("about", _about, wrap=True),
    Column("replaced by report", "replaced_by", names="report"),
    Column("page", lambda each: None if each.is_page_kept else "digest and answers only"),
    Column("SHA-256 of its page", "page_sha256", wrap=True),
    order=lambda each: -each.number,
    is_sparse=True,
)
ANSWERED: Columns[ReportAnswer] = Columns(
    "What it answered, in the words of the day it was issued",
    Column("answer", "name", wrap=True),
    Column("", "told", wrap=True),
    act=lambda _: False,
)


def issued(reports: Sequence[ReportIssue]) -> Iterator[Block]:
    """Every report that was issued."""
    if reports:
        yield ISSUED.table(reports)
    else:
        yield Words("No report is issued yet. Issue one: durability report -o report.html")


def issued_one(report: ReportIssue) -> Iterator[Block]:
    """One report: who issued it, whether it still holds, what it answered."""
    if report.replaced_by is not None:
        yield Words(f"Replaced by report {report.replaced_by}; it no longer holds.")
    if not report.is_page_kept:
        yield Words("Issued before pages were kept: its digest and its answers are on record.")
    facts = {
        "issued, UTC": labels.moment(report.issued_at_utc),
        "by": report.issued_by,
        "about": _about(report),
        "replaces report": report.replaces,
        "reason": report.reason,
        "last entry that it rests on, UTC": labels.moment(report.record_until_utc),
        "version of durability": report.program_version,
        **report.parties,
        "SHA-256 of its page": report.page_sha256,
    }
    rows = [(name, labels.text(value)) for name, value in facts.items() if value is not None]
    yield Table("", ("", ""), rows, wrap=frozenset({1}))
    yield ANSWERED.table(report.answers)


def _set_to(each: tuple[str, Row]) -> Any:
    value = each[1]["value"]
    return labels.recorded(value) if isinstance(value, float) else value


SETTINGS = Columns[tuple[str, Row]](
    "Settings: an option goes before the environment, the store's file, yours, the default",
    Column("setting", lambda each: each[0].replace("_", " ")),
    Column(
        "value",
        lambda each: (
            labels.recorded(value) if isinstance(value := each[1]["value"], float) else value
        ),
        wrap=True,
    ),
    Column("from", lambda each: each[1]["from"], wrap=True),
)


def settings(held: Mapping[str, Row]) -> Iterator[Block]:
    """What holds for a call, and whence: name → ``value`` and ``from``."""
    yield SETTINGS.table([*held.items()])


def sheet(what: str, record: Record) -> Iterator[Block]:
    """One record: its facts, then the lists that hang on it."""
    lists = {key: value for key, value in record.items() if _is_list_of_rows(value)}
    yield Words(f"{what} {record[what]}")
    facts = {key: value for key, value in record.items() if key not in lists}
    yield Table(
        "",
        ("", ""),
        [
            (
                labels.column_words(key),
                _status(record) if key == "status" else _fact(key, value),
            )
            for key, value in facts.items()
        ],
        wrap=frozenset({1}),
        names={1: [_named(key, value) for key, value in facts.items()]},
    )
    for key, rows in lists.items():
        kind = "drops" if key == "drop_list" else key
        if kind in COLUMNS:
            yield from listed(kind, rows)
            continue
        columns = [name.replace("_", " ") for name in rows[0]]
        yield Words(key)
        yield Table(
            "",
            columns,
            [[labels.text(cell) for cell in row.values()] for row in rows],
            wrap=frozenset(range(len(columns))),
        )


_NAMES = {"case_model": "model", **{key: key for key in ("series", "case", "device")}}


def _named(key: str, value: Any) -> Reference | None:
    """What the value of a sheet names."""
    is_named = key in _NAMES and isinstance(value, str) and value != BARE
    return (_NAMES[key], value) if is_named else None


def _fact(key: str, value: Any) -> str:
    """One value of a sheet."""
    return labels.text(value) if labels.column(key) == key else labels.cell(key, value)


def _is_list_of_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)
