"""The sections of the page, in the order a reader asks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels
from durability.report.answers import (
    boundary,
    claim,
    compare,
    damage,
    due,
    forecast,
    latent,
    rank,
    rig,
    selfcheck,
    trend,
)
from durability.report.blocks import (
    Block,
    Folded,
    Items,
    Section,
    Table,
    Words,
)
from durability.report.page import changes, methods, words
from durability.report.page.drawings import Artist
from durability.units import STANDARD_GRAVITY_M_S2

if TYPE_CHECKING:
    from durability.results import (
        LifeLine,
        ReportContents,
    )

Told = Callable[[str], None]

MOST_PANELS = 24
"""Series drawn one by one: those that need action first."""

MOST_LEVELS = 160
"""Series drawn side by side by case model; more are neither legible nor quick to show."""

MOST_LIVES = 40
"""Devices drawn, and ``MOST_SHOCKS`` their drops in all."""
MOST_SHOCKS = 3000


def all_sections(contents: ReportContents, told: Told) -> list[Section]:
    """Every section of the page.

    Parameters
    ----------
    contents : ReportContents
        All that is shown.
    told : callable
        Called with what is drawn, as it begins.

    Returns
    -------
    list of Section
    """
    artist = Artist(contents, told)
    parts = [
        _changes(contents),
        _wear(contents, artist),
        _waveforms(contents, artist),
        _life(contents, artist),
        _damage(contents),
        _comparisons(contents),
        _devices(contents, artist),
        _boundary(contents, artist),
        _rig(contents, artist),
        _voided(contents),
        _amendments(contents),
        _conditions(contents),
        _sensors(contents),
        _uncertainty(contents),
        _items(contents),
        _methods(contents),
        _selfcheck(contents),
        _sources(contents),
        _appendix(contents),
    ]
    return [part for part in parts if part is not None]


def at_a_glance(contents: ReportContents) -> list[Block]:
    """Each case model in one row, on the first screen."""
    if contents.ranking is None or not contents.ranking.groups:
        return []
    return list(rank.ranked(contents.ranking, words.command(contents, "rank")))


# ------------------------------------------------------------------------------------ re-issue


def _changes(contents: ReportContents) -> Section | None:
    """What a re-issue changes, answer by answer, and what brought it about."""
    replaced, issue, since = contents.replaced, contents.issue, contents.changes
    if replaced is None or issue is None or since is None:
        return None
    changed = changes.differences(replaced.answers, issue.answers)
    section = Section("changes", f"What changed since report {replaced.number}")
    section.blocks.append(Words(changes.summary(contents)))
    if changed:
        section.blocks.append(
            Table(
                "Answers that read otherwise",
                ("answer", f"report {replaced.number}", f"this report ({issue.number})"),
                changed,
            )
        )
    else:
        section.blocks.append(Words("Every answer reads as before."))
    if since.amended:
        section.blocks.append(
            Table("Voided, restored and amended since", *_amended_rows(since.amended))
        )
    if since.added:
        section.blocks.append(
            Table(
                "Entered since",
                ("record", "what", "added", "drops", "void"),
                [
                    (
                        row["record"],
                        row["what"],
                        str(row["added"]),
                        ""
                        if row["first_number"] is None
                        else f"{row['first_number']} to {row['last_number']}",
                        labels.text(row["voided"]),
                    )
                    for row in since.added
                ],
                right=frozenset({2, 4}),
            )
        )
    return section


# ------------------------------------------------------------------------------------ wear


def _wear(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("wear", "Wear by case model")
    if not contents.pictures:
        section.blocks.append(Words(labels.NOTHING["series"]))
        return section
    section.blocks.append(Words(trend.trends_answer(contents.trends)))
    apart = len(contents.pictures) - len(contents.comparable)
    if contents.comparable:
        side_by_side = contents.comparable
        if len(side_by_side) > MOST_LEVELS:
            step = -(-len(side_by_side) // MOST_LEVELS)
            side_by_side = side_by_side[::step]
        section.blocks.append(
            artist.draw(
                "models",
                f"Case models side by side: {len(side_by_side)} of"
                f" {counted(len(contents.comparable), 'comparable series', 'comparable series')}",
                lambda: plots.models(side_by_side, contents.ranking, left_out=apart),
            )
        )
    drawn = min(len(contents.pictures), MOST_PANELS)
    section.blocks += [
        artist.draw(
            "wear",
            f"Peak g by drop number: {drawn} of"
            f" {counted(len(contents.pictures), 'series', 'series')}, what needs action first",
            lambda: plots.wear(contents.pictures, most=MOST_PANELS),
        ),
        trend.TREND.table(contents.trends, words.command(contents, "trend")),
        Words(trend.LEGEND, True),
    ]
    if any(cloud.peak_g.size for cloud in contents.clouds):
        section.blocks.append(
            artist.draw(
                "scatter",
                "Peak against pulse duration, with lines of equal velocity change: context, never"
                " a verdict",
                lambda: plots.scatter(contents.clouds, contents.drop_heights_mm),
            )
        )
    return section


def _waveforms(contents: ReportContents, artist: Artist) -> Section | None:
    from durability.report import plots

    if not contents.waveforms:
        return None
    section = Section("waveforms", "Pulses and shock response spectra")
    for at, each in enumerate(contents.waveforms):
        series = each.traces[0].series
        section.blocks.append(
            artist.draw(
                f"pulses-{at + 1}",
                f"Waveforms of series {series}: {len(each.traces)} of {each.of}",
                lambda each=each: plots.pulses(each.traces, of=each.of),  # type: ignore[misc]
            )
        )
        if each.spectrum is not None:
            section.blocks.append(
                artist.draw(
                    f"spectra-{at + 1}",
                    f"Shock response spectra of series {series}, acceleration and pseudo-velocity:"
                    " context for severity, never a verdict",
                    lambda each=each, series=series: plots.spectra(  # type: ignore[misc]
                        series, each.spectrum_drops, each.spectrum, left_out=each.left_out
                    ),
                )
            )
    return section


# ------------------------------------------------------------------------------------ life


def _life(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("life", "Drops to failure")
    forecasts = contents.forecasts
    if not forecasts:
        section.blocks.append(Words(labels.NOTHING["failures"]))
        return section
    section.blocks += [
        Words(forecast.forecasts_answer(forecasts, contents.level, contents.horizon)),
        Words(forecast.failed_when(contents.limit_g, contents.limit_rise), True),
    ]
    if contents.survival:
        section.blocks.append(
            artist.draw(
                "survival",
                "Share of series that had not failed, by drop number and case model",
                lambda: plots.survival(
                    contents.survival,
                    condition=labels.condition_words(contents.comparable[0].condition),
                    left_out=len(contents.pictures) - len(contents.comparable),
                ),
            )
        )
    ahead = [each for each in contents.pictures if each.fan is not None]
    if ahead:
        section.blocks.append(
            artist.draw(
                "fan",
                f"The level to come, against the limit: {len(ahead)} of"
                f" {sum(not each.failed for each in forecasts)} series that have not failed, those"
                " expected to fail next",
                lambda: plots.fan(ahead, level=contents.level, horizon=contents.horizon),
            )
        )
    section.blocks += [
        forecast.drops_to_failure(contents.level, contents.horizon).table(
            forecasts, words.command(contents, "forecast")
        ),
        Words(labels.RELATIVE, True),
    ]
    return section


def _damage(contents: ReportContents) -> Section:
    return Section("damage", "Damage seen", [*damage.blocks(contents.damage)])


def _comparisons(contents: ReportContents) -> Section | None:
    section = Section("comparisons", "Comparisons and claims")
    if contents.comparisons:
        section.blocks += [
            compare.against("bare").table(contents.comparisons, "durability compare bare MODEL"),
            Words(labels.RELATIVE, True),
        ]
    for answer in contents.claims:
        section.blocks += claim.judged(answer)
    return section if section.blocks else None


# ------------------------------------------------------------------------------------ devices


def _devices(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("devices", "Devices and later failures")
    answer = contents.latent
    if answer is None:
        section.blocks.append(
            Words(
                "No device lies in this scope: dummies have no functions to lose."
                if contents.counts["drops"]
                else labels.NOTHING["devices"]
            )
        )
        return section
    link = answer.link
    section.blocks += latent.verdict(answer)
    if contents.scope.kind != "whole record":
        section.blocks.append(
            Words(
                f"Judged over all {counted(link.devices, 'device')} of the record, controls"
                " included; the devices of this scope stand below.",
                True,
            )
        )
    if any(each.state != "not inspected" for each in link.per_device):
        section.blocks.append(
            artist.draw(
                "latent",
                "Probability of having failed by day 90 against shock dose, with every device as"
                " it was seen",
                lambda: plots.latent(link, contents.dose_curve),
            )
        )
    lives = _lives_drawn(contents.life_lines)
    if lives:
        section.blocks.append(
            artist.draw(
                "lives",
                f"Life lines of {len(lives)} of {counted(len(contents.life_lines), 'device')}",
                lambda: plots.lifeline(lives),
            )
        )
    if contents.check_tables:
        section.blocks.append(
            artist.draw(
                "functions",
                "Functions that failed, by weeks after the last drop",
                lambda: plots.heat(contents.check_tables),
            )
        )
    command = words.command(contents, "latent")
    section.blocks += [
        *latent.study(link, command),
        *latent.each_device(answer, f"{command} --devices"),
        *due.blocks(contents.owed, command=f"durability due --on {contents.on}"),
    ]
    return section


def _boundary(contents: ReportContents, artist: Artist) -> Section | None:
    """Which shocks devices passed and which failed them."""
    from durability.report import plots

    if not contents.boundaries:
        return None
    section = Section("boundary", "Damage boundary of the devices")
    section.blocks += boundary.blocks(contents.boundaries)
    if any(each.is_told for each in contents.boundaries):
        section.blocks.append(
            artist.draw(
                "boundary",
                "Peak against velocity change: shocks that devices passed, and those that failed"
                " them",
                lambda: plots.boundary(contents.boundaries),
            )
        )
    return section


def _lives_drawn(lines: Sequence[LifeLine]) -> list[LifeLine]:
    drawn: list[LifeLine] = []
    shocks = 0
    for line in lines[:MOST_LIVES]:
        shocks += len(line.history.drop_day)
        if drawn and shocks > MOST_SHOCKS:
            break
        drawn.append(line)
    return drawn


def _rig(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("rig", "Health of the rig")
    if not contents.rig:
        section.blocks.append(Words(rig.NO_REFERENCE))
    for at, each in enumerate(contents.rig):
        chart = []
        if each.health.individuals_g is not None:
            chart.append(
                artist.draw(
                    f"rig-{at + 1}",
                    f"Control charts of reference series {each.series}",
                    lambda each=each: plots.rig(  # type: ignore[misc]
                        each.health,
                        each.charted_when,
                        dated=each.axis == "time",
                        series=each.series,
                        averaged=each.averaged,
                    ),
                )
            )
        section.blocks += rig.of_series(each, chart)
    return section


# ------------------------------------------------------------------------------------ the record


def _voided(contents: ReportContents) -> Section:
    section = Section("voided", "Voided drops and what they would change")
    section.blocks.append(Words(f"Drops: {words.validity(contents.counts)}."))
    if not contents.voided:
        section.blocks.append(Words("No drop of this scope is void."))
        return section
    trends = {each.trend.series: each.trend for each in contents.pictures}
    section.blocks += [
        Words(words.left_out(contents)),
        Table(
            "Every voided drop; the effect is that of all voided readings of its series together",
            ("series", "drop", "peak, g", "reason", "voided by", "verdict with it put back"),
            [
                (
                    row["series"],
                    str(row["drop_number"]),
                    labels.number(row["peak_g"]),
                    row["void_reason"],
                    row["voided_by"],
                    words.effect(
                        row, trends.get(row["series"]), contents.put_back.get(row["series"])
                    ),
                )
                for row in contents.voided
            ],
            right=frozenset({1, 2}),
            command="durability query voided_drops",
        ),
        Words(
            "A voided drop keeps its number, its reading and its reason. Case and device lived"
            " through it all the same.",
            True,
        ),
    ]
    return section


def _amendments(contents: ReportContents) -> Section:
    section = Section("amendments", "Deviations and amendments")
    if contents.deviations:
        section.blocks.append(
            Table(
                "Deviations: drops off their sheet or height, files that could not be read",
                ("series", "drop", "what", "told by"),
                [
                    (
                        row["series"],
                        "" if row["drop_number"] is None else str(row["drop_number"]),
                        row["what"],
                        row["told_by"],
                    )
                    for row in contents.deviations
                ],
                right=frozenset({1}),
            )
        )
    else:
        section.blocks.append(Words("No deviation is on record in this scope."))
    if not contents.amendments:
        section.blocks.append(Words("Nothing in this scope was amended."))
        return section
    section.blocks += [
        Words(
            f"{counted(len(contents.amendments), 'amendment')}. Nothing is overwritten: the first"
            " values stay in the record."
        ),
        Table(
            "Amendments in order",
            *_amended_rows(contents.amendments),
            right=frozenset({1}),
            command="durability history SPECIMEN",
        ),
    ]
    return section


def _amended_rows(
    amendments: Sequence[Mapping[str, Any]],
) -> tuple[Sequence[str], list[tuple[str, ...]]]:
    """Columns and rows of a table of amendments."""
    columns = ("record", "drop", "what", "from", "to", "reason", "by", "at (UTC)")
    return columns, [
        (
            labels.text(row["record"]),
            "" if row["drop_number"] is None else str(row["drop_number"]),
            row["column_name"].replace("_", " "),
            labels.text(row["old_value"]),
            labels.text(row["new_value"]),
            row["reason"],
            row["entered_by"],
            labels.moment(row["entered_at_utc"]),
        )
        for row in amendments
    ]


def _conditions(contents: ReportContents) -> Section:
    section = Section("conditions", "Conditions")
    made = [row for row in contents.series if row["drops"]]
    if not made:
        section.blocks.append(Words("No series with drops, so no conditions."))
        return section
    rows = []
    for key, heading in words.CONDITIONS:
        values = Counter(
            words.NOT_RECORDED if row[key] is None else labels.text(row[key]) for row in made
        )
        told = labels.some(f"{value} ({number})" for value, number in values.most_common())
        rows.append((heading, told))
    rows.append(("temperature, °C", words.temperatures(contents.counts)))
    section.blocks += [
        Table(
            "How the drops were made: each value, with the number of series",
            ("condition", "as recorded"),
            rows,
            command="durability series list",
        ),
        Words(
            "Levels and lives are compared only within one drop height, surface and orientation.",
            True,
        ),
        Table(
            "Series",
            ("series", "case", "device", "conditions", "drops, valid/all", "first to last day"),
            [
                (
                    row["series"],
                    row["case"] or "bare",
                    labels.text(row["device"]),
                    labels.condition(dict(row)),
                    labels.drops_of(row["valid_drops"], row["drops"]),
                    words.span(row["first_dropped_at"], row["last_dropped_at"]),
                )
                for row in made
            ],
            right=frozenset({4}),
        ),
    ]
    return section


def _sensors(contents: ReportContents) -> Section:
    section = Section("sensors", "Sensors and calibration")
    if not contents.sensors:
        section.blocks.append(Words("No sensor is recorded with these drops."))
        return section
    section.blocks.append(
        Table(
            "Sensors used, with their latest calibration",
            (
                "sensor",
                "mV/g",
                "full scale, g",
                "natural frequency, Hz",
                "calibrated on",
                "due on",
                "drift found, %",
                "series",
                "drops",
                "drops after it was due",
                "drops before a drift beyond tolerance",
            ),
            [
                (
                    row["sensor"],
                    labels.text(row["sensitivity_mv_per_g"]),
                    labels.text(row["full_scale_g"]),
                    labels.text(row["natural_frequency_hz"]),
                    labels.moment(row["calibrated_on"]),
                    labels.moment(row["calibration_due"]),
                    labels.percent(row["drift_pct"]),
                    str(row["series"]),
                    str(row["drops"]),
                    str(row["drops_after_due"]),
                    str(row["drops_drifted"]),
                )
                for row in contents.sensors
            ],
            right=frozenset({1, 2, 3, 6, 7, 8, 9, 10}),
            act=frozenset(
                at
                for at, row in enumerate(contents.sensors)
                if row["drops_open"] or row["drops_drifted"]
            ),
            command="durability query drops_of_doubted_sensors",
        )
    )
    return section


def _uncertainty(contents: ReportContents) -> Section:
    counts, evaluated = contents.counts, contents.uncertainty
    rows = [
        (
            heading,
            str(counts[counted_as]),
            words.uncertainty(counts[counted_as], evaluated[counted_as], evaluated[f"{one}_pct"]),
        )
        for heading, counted_as, one in (
            ("peak g", "peaks", "peak"),
            ("pulse duration", "pulse_durations", "pulse_duration"),
            ("velocity change", "velocity_changes", "velocity_change"),
        )
    ]
    return Section(
        "uncertainty",
        "Uncertainty of readings",
        [
            Table(
                "Standard uncertainty of single readings",
                ("measure", "readings", "uncertainty"),
                rows,
                right=frozenset({1}),
            ),
            Words(
                "Readings that were typed or imported as numbers bring no uncertainty of their"
                " own. The intervals of level, rise, life and ratio rest on the scatter from drop"
                " to drop and from case to case, which holds the random part of it; a sensor that"
                " reads too high by a fixed factor changes peak g, and neither rise nor ratio.",
                True,
            ),
        ],
    )


def _items(contents: ReportContents) -> Section:
    return Section(
        "items",
        "Contents of a test report, item by item",
        [
            Table(
                "What a report should hold, after IEC 60068-2-27:2008, clause 12, in our words",
                ("item", "in this record, with the number of series"),
                words.report_items(contents),
            )
        ],
    )


def _methods(contents: ReportContents) -> Section:
    return Section(
        "methods",
        "Methods, sources and decision rules",
        [
            Table("How each answer is reached", methods.COLUMNS, methods.METHODS),
            Items(
                (
                    "g stands for multiples of standard gravity,"
                    f" {STANDARD_GRAVITY_M_S2} m/s² (3rd CGPM, 1901; ISO 80000-3).",
                    "Drops are counted from the series' first, voided ones included.",
                    "Numbers are rounded for reading only; the JSON of each command has all"
                    " digits.",
                )
            ),
        ],
    )


def _selfcheck(contents: ReportContents) -> Section:
    return Section(
        "selfcheck", "Self-check of the program", [*selfcheck.blocks(contents.selfcheck)]
    )


def _sources(contents: ReportContents) -> Section:
    section = Section("sources", "Where the records came from")
    if not contents.sources:
        section.blocks.append(Words("Nothing is recorded in this scope."))
        return section
    section.blocks.append(
        Table(
            "Files and people",
            (
                "file, or typed",
                "what",
                "records",
                "entered by",
                "from (UTC)",
                "to (UTC)",
                "SHA-256 of the file",
            ),
            [
                (
                    row["file_name"] or "typed",
                    row["what"],
                    str(row["records"]),
                    row["entered_by"],
                    labels.moment(row["first_entered_at_utc"]),
                    labels.moment(row["last_entered_at_utc"]),
                    labels.text(row["file_sha256"]),
                )
                for row in contents.sources
            ],
            right=frozenset({2}),
        )
    )
    return section


def _appendix(contents: ReportContents) -> Section:
    return Section(
        "trace",
        "Appendix: from a number to its source, and what made this report",
        [
            Table(
                "Every number can be traced by these commands",
                ("number", "command", "what it shows"),
                words.trace(contents),
            ),
            Table(
                "What made this report",
                ("part", "version"),
                [
                    *words.identity(contents)[:1],
                    ("digest", contents.digest),
                    (
                        "record",
                        f"{contents.store}, last entry"
                        f" {labels.moment(contents.last_entered_at_utc)} UTC",
                    ),
                    *contents.versions.items(),
                ],
            ),
            Words(
                "Reports of one record are numbered as they are issued; each number stays, with the"
                " SHA-256 of its page (durability query issued_reports). The digest stands for the"
                " record's state, the scope, the day, the limits and the program's version: a"
                " report with the same digest shows the same answers, and any later entry gives"
                " another one.",
                True,
            ),
            Words("Statements that were asked of the store, as they ran:", True),
            *(
                Folded(f"{name}: {title}", text.strip())
                for name, title, text in contents.statements
            ),
        ],
    )
