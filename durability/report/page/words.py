"""Sentences of the report that no single result has: what was tested, left out, is owed."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels, safety
from durability.report.answers import due, latent, rig
from durability.report.answers.claim import claims_answer
from durability.report.answers.compare import comparisons_answer
from durability.report.answers.forecast import failed_when, forecasts_answer
from durability.report.answers.rank import ranking_answer
from durability.report.answers.trend import trends_answer
from durability.results import (
    LifeLine,
    Limit,
    ReportContents,
    RigWatch,
    Scope,
    SeriesPicture,
    Trend,
)

if TYPE_CHECKING:
    from durability.records import Quarantine

NOT_EVALUATED = "not evaluated"
NOT_RECORDED = "not recorded"

SOON_DROPS = 5
"""A series whose failure is foretold within so many drops is told as about to fail."""

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


def title(scope: Scope) -> str:
    """What the report is about."""
    if scope.kind == "whole record":
        return "Durability: the whole record"
    return f"Durability: {scope.kind} {labels.listed(scope.names)}"


def command(contents: ReportContents, name: str) -> str:
    """The call that gives the same answer in the terminal; blank where none does.

    Parameters
    ----------
    contents : ReportContents
        With the scope and the limit that the call must repeat.
    name : {"trend", "forecast", "rank", "latent"}
        The command.

    Returns
    -------
    str
        Options stand in it only where they differ from their defaults.
    """
    scope = contents.scope
    words = ["durability", name]
    if name == "latent":
        return " ".join([*words, "--on", contents.on.isoformat()])
    if scope.kind == "case model":
        words += [part for each in scope.names for part in ("--case-model", shlex.quote(each))]
    elif scope.kind != "whole record":
        if not scope.series:
            return ""
        words += [part for each in scope.series for part in ("--series", shlex.quote(each))]
    if name != "trend":
        limit = Limit()
        asked = ("limit_g", "limit_rise", "horizon", *(("level",) if name == "forecast" else ()))
        for option in asked:
            value = getattr(contents, option)
            of_no_effect = option == "limit_rise" and contents.limit_g is not None
            if value != getattr(limit, option) and not of_no_effect:
                words += [f"--{option.replace('_', '-')}", str(value)]
    if contents.rig_corrected and name != "rank":
        words.append("--rig-corrected")
    return " ".join(words)


def tested(contents: ReportContents) -> str:
    """What was dropped, how often, when, and how many drops count."""
    counts = contents.counts
    if not counts["drops"]:
        return "No drop lies in this scope, so there is nothing to judge yet."
    bare = sum(row["case"] is None and row["drops"] > 0 for row in contents.series)
    models = sorted({row["case_model"] for row in contents.series if row["case_model"]})
    what = [counted(counts["cases"], "case")] if counts["cases"] else []
    if what and models:
        of = counted(len(models), "model")
        what[0] += f" of {of} ({labels.some(models)})"
    if bare:
        what.append(f"{counted(bare, 'series', 'series')} bare")
    carried = [
        counted(counts["devices"], "device") if counts["devices"] else "",
        counted(counts["dummies"], "dummy", "dummies") if counts["dummies"] else "",
    ]
    within = labels.listed(each for each in carried if each) or "device not recorded"
    return (
        f"{labels.listed(what) or 'no case'}, dropped with {within}:"
        f" {counted(counts['series'], 'series', 'series')}, {counted(counts['drops'], 'drop')}"
        f" ({validity(counts)}), {span(counts['first_dropped_at'], counts['last_dropped_at'])};"
        f" {followed(counts)}."
    )


def validity(counts: Mapping[str, Any]) -> str:
    """Valid, void and total drops."""
    return f"{counts['valid_drops']} valid, {counts['voided_drops']} void, {counts['drops']} total"


def span(first: Any, last: Any) -> str:
    """First to last day of drops."""
    if first is None:
        return "dates not recorded"
    first_day, last_day = f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"
    return f"on {first_day}" if first_day == last_day else f"{first_day} to {last_day}"


def followed(counts: Mapping[str, Any]) -> str:
    """Inspections made of the devices."""
    if not counts["inspections"]:
        return "no inspection of a device"
    inspections = counted(counts["inspections"], "inspection")
    return f"{inspections} of devices with {counted(counts['checks'], 'functional check')}"


def answers(contents: ReportContents) -> list[tuple[str, str, str]]:
    """The answers, each under a word of its own, with the section that tells more."""
    trends, forecasts = contents.trends, contents.forecasts
    told = []
    if contents.ranking is not None:
        told.append(("Wear", ranking_answer(contents.ranking), "wear"))
    elif trends:
        told.append(("Trend", trends_answer(trends), "wear"))
    if trends:
        life = forecasts_answer(forecasts, contents.level, contents.horizon)
        told.append(("Life", life, "life"))
    against = comparisons_answer(contents.comparisons)
    if against:
        told.append(("Protection", against, "comparisons"))
    if contents.claims:
        told.append(("Claim", claims_answer(contents.claims), "comparisons"))
    if contents.latent is not None:
        link = contents.latent.link
        told.append(("Failed later", latent.failed_later(link), "devices"))
        told.append(("Link to shocks", latent.sentence(link), "devices"))
    return told


def beside(contents: ReportContents) -> list[tuple[str, str, str]]:
    """What stands beside the answers: what was left out, amended, doubted or kept apart."""
    told = []
    if contents.voided:
        told.append(("Left out", left_out(contents), "voided"))
    elif contents.counts["drops"]:
        told.append(("Left out", "No drop is void.", "voided"))
    if contents.counts["drops"] or contents.amendments:
        told.append(("Changed", changed(contents), "amendments"))
    told += [("Rig", rig.sentence(each), "rig") for each in contents.rig]
    if contents.owed.quarantined:
        told.append(
            ("Quarantine", " ".join(safety.kept_apart_lines(contents.owed.quarantined)), "devices")
        )
    if contents.ranking is not None and contents.pictures:
        told.append(("Trend", trends_answer(contents.trends), "wear"))
    return told


def changed(contents: ReportContents) -> str:
    """Amendments and deviations counted."""
    amended, off = len(contents.amendments), len(contents.deviations)
    first = f"{counted(amended, 'amendment')}, first values kept" if amended else "No amendment"
    then = counted(off, "deviation") if off else "no deviation on record"
    return f"{first}; {then}."


def reading_aid(contents: ReportContents) -> str:
    """What the answers mean by their words."""
    if not contents.pictures:
        return ""
    failed = failed_when(contents.limit_g, contents.limit_rise)
    return (
        "Wear: peak g climbs from drop to drop as a case lets more of the shock through."
        f" {failed} In brackets: {labels.share(contents.level)} intervals."
    )


def left_out(contents: ReportContents) -> str:
    """How many drops are void, and whether the answers change when they are put back."""
    counts = contents.counts
    readable = sum(row["peak_g"] is not None for row in contents.voided)
    why = Counter(row["void_reason"] for row in contents.voided)
    reasons = labels.some(
        reason if number == 1 else f"{reason} ({number})" for reason, number in why.most_common()
    )
    told = f"{len(contents.voided)} of {counted(counts['drops'], 'drop')} are void ({reasons})"
    if not readable:
        return f"{told}; none of them has a reading to put back."
    changed = changed_verdicts(contents)
    return (
        f"{told}; with their {counted(readable, 'reading')} put back"
        f" {fastest_with_voided(contents)}{verdicts_with_voided(changed)}."
    )


def fastest_with_voided(contents: ReportContents) -> str:
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


def verdicts_with_voided(changed: Sequence[tuple[Trend, Trend]]) -> str:
    """Which verdicts change."""
    if not changed:
        return "no verdict changes"
    told = labels.listed(
        f"{before.series} from {before.verdict} to {after.verdict}" for before, after in changed
    )
    return f"{counted(len(changed), 'verdict')} change{'s' if len(changed) == 1 else ''}: {told}"


def effect(row: Mapping[str, Any], before: Trend | None, after: Trend | None) -> str:
    """What putting the voided readings of a series back does to its verdict."""
    if row["peak_g"] is None:
        return "no reading to put back"
    if before is None or after is None:
        return NOT_EVALUATED
    rise = (
        f"{labels.percent(before.rise_pct_per_drop)} to {labels.percent(after.rise_pct_per_drop)}"
    )
    if before.verdict == after.verdict:
        return f"stays {after.verdict} ({rise} % per drop)"
    return f"{before.verdict} becomes {after.verdict} ({rise} % per drop)"


def next_steps(contents: ReportContents) -> list[str]:
    """What the record asks for; suggestions, not results."""
    if not contents.counts["drops"] and not contents.scope.devices:
        return ["Record or import drops; then make this report again."]
    steps = [
        *_kept_apart(contents.owed.quarantined),
        *_inspections_owed(contents),
        *_about_to_fail(contents.pictures),
        *_rig_and_sensors(contents),
        *_too_few(contents),
        *_missing(contents),
    ]
    return steps or ["Nothing is owed by what is recorded; keep to the plan."]


def _kept_apart(devices: Sequence[Quarantine]) -> list[str]:
    if not devices:
        return []
    codes = labels.some(each.device for each in devices)
    return [
        f"Keep {codes} apart: battery suspect. Do not charge, power or ship; watch, and clear only"
        " by a named person."
    ]


def _inspections_owed(contents: ReportContents) -> list[str]:
    steps = [due.overdue_step(contents.owed)]
    if contents.latent is not None:
        link = contents.latent.link
        steps.append(latent.inspect_first(link))
        if link.devices and not link.control_devices:
            steps.append(
                "Follow some devices that are never dropped: without controls no link shows."
            )
    return [step for step in steps if step]


def _about_to_fail(pictures: Sequence[SeriesPicture]) -> list[str]:
    near = [
        each.forecast
        for each in pictures
        if not each.forecast.failed
        and each.trend.case is not None
        and each.forecast.drops_to_failure.median is not None
        and each.forecast.drops_to_failure.median - each.forecast.drops <= SOON_DROPS
    ]
    if not near:
        return []
    told = labels.some(
        f"{each.series} at drop {each.drops_to_failure.median:.0f} ({each.drops} made)"
        for each in near
    )
    return [f"Expect failure within {SOON_DROPS} drops: {told}; inspect before each drop."]


def _recorded_meanwhile(watched: RigWatch) -> str:
    if watched.axis != "time":
        return "which test series were recorded meanwhile is not known"
    if not watched.meanwhile:
        return "no test series was recorded meanwhile"
    return f"{counted(len(watched.meanwhile), 'test series', 'test series')} recorded meanwhile"


def _rig_and_sensors(contents: ReportContents) -> list[str]:
    steps = [
        f"Check the rig before the next drop: reference series {each.series} has drifted by"
        f" {labels.percent(each.health.drift_pct)} %;"
        f" {_recorded_meanwhile(each)}."
        for each in contents.rig
        if each.health.verdict == "drifted"
    ]
    for row in contents.sensors:
        if row["calibration_due"] is None:
            steps.append(f"Record the calibration of sensor {row['sensor']}.")
        elif row["drops_open"]:
            steps.append(
                f"Sensor {row['sensor']} was due for calibration on {row['calibration_due']}:"
                f" {counted(row['drops_open'], 'drop')} made since then need a look."
            )
        elif row["calibration_due"] < contents.on:
            steps.append(
                f"Calibrate sensor {row['sensor']} (due on {row['calibration_due']}) before more"
                " drops."
            )
        if row["drops_drifted"]:
            steps.append(
                f"Sensor {row['sensor']} was found drifted by"
                f" {labels.percent(row['largest_drift_pct'])} %:"
                f" {counted(row['drops_drifted'], 'drop')} made before that need a look: durability"
                f" sensor show {row['sensor']}."
            )
    return steps


def _too_few(contents: ReportContents) -> list[str]:
    few = [each.trend.series for each in contents.pictures if each.trend.verdict == "too few"]
    if not few:
        return []
    return [f"Add drops where a trend can't be judged yet: {labels.some(few)}."]


def _missing(contents: ReportContents) -> list[str]:
    lacking = {
        heading: sum(row[key] is None for row in contents.series if row["drops"])
        for key, heading in CONDITIONS
    }
    told = labels.listed(f"{heading} ({number})" for heading, number in lacking.items() if number)
    return [f"Record what is missing, in so many series: {told}."] if told else []


def uncertainty(count: int, evaluated: int, pct: float | None) -> str:
    """Standard uncertainty of single readings, or that it was not evaluated."""
    if not evaluated:
        return NOT_EVALUATED
    told = f"median {labels.number(pct, 2)} % (standard, calibration apart) in {evaluated}"
    return told if evaluated == count else f"{told} of {count}; {NOT_EVALUATED} in the others"


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


def report_items(contents: ReportContents) -> list[tuple[str, str]]:
    """What a test report should hold, and what this one holds of it.

    After IEC 60068-2-27:2008, clause 12, whose list is told from memory.
    """
    counts = contents.counts
    made = [row for row in contents.series if row["drops"]]

    def of_series(key: str) -> str:
        values = Counter(labels.text(row[key]) for row in made if row[key] is not None)
        if not values:
            return NOT_RECORDED
        told = labels.some(f"{value} ({number})" for value, number in values.most_common())
        lacking = len(made) - values.total()
        return (
            f"{told}; {NOT_RECORDED} in {counted(lacking, 'series', 'series')}" if lacking else told
        )

    def known(number: int, what: str) -> str:
        return what if number else NOT_RECORDED

    looked_at = [each for each in contents.life_lines if len(each.history.drop_day)]
    before = sum(_has_baseline(each) for each in looked_at)
    after = sum(each.by_days is not None or each.after_days is not None for each in looked_at)
    sensors = labels.some(row["sensor"] for row in contents.sensors)
    overdue = sum(row["drops_after_due"] for row in contents.sensors)
    evaluated = contents.uncertainty["peaks"]
    across = counts["waveforms_with_cross_axis"]
    return [
        ("customer, test laboratory, purpose of the test", NOT_RECORDED),
        ("report identification", f"{numbered(contents)}, digest {contents.digest}"),
        (
            "test dates",
            NOT_RECORDED
            if counts["first_dropped_at"] is None
            else span(counts["first_dropped_at"], counts["last_dropped_at"]),
        ),
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
        ("measuring system", sensors or NOT_RECORDED),
        ("sensor location", NOT_RECORDED),
        ("filter", labels.listed(counts["filters"] or ()) or NOT_RECORDED),
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
            known(before, f"{before} of {counted(len(looked_at), 'device')} before the first drop"),
        ),
        (
            "final measurements and functional checks",
            known(after, f"{after} of {counted(len(looked_at), 'device')} after the last drop"),
        ),
        ("severities: drop height, mm", of_series("drop_height_mm")),
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
        ("who dropped", labels.some(counts["operators"] or ()) or NOT_RECORDED),
        ("name and signature of who is responsible", "not signed"),
    ]


def _has_baseline(line: LifeLine) -> bool:
    """Whether the device was checked by the day of its first drop."""
    checked, dropped = line.history.check_day, line.history.drop_day
    return len(checked) > 0 and bool(checked.min() <= dropped.min())


def numbered(contents: ReportContents) -> str:
    """The report's number, or why it has none."""
    if contents.issue is not None:
        return f"report {contents.issue.number}"
    because = contents.not_numbered_because
    return f"report not numbered: {because}" if because else "report not numbered"


def identity(contents: ReportContents) -> list[tuple[str, str]]:
    """Number, date, person, record, digest and version of the report."""
    return [
        ("Report", numbered(contents).removeprefix("report ")),
        ("made", f"{contents.made_at:%Y-%m-%d %H:%M %z} by {contents.made_by}"),
        ("as of", contents.on.isoformat()),
        ("record", contents.store),
        ("digest", contents.digest),
        ("by durability", contents.versions["durability"]),
    ]


def temperatures(counts: Mapping[str, Any]) -> str:
    """Lowest to highest temperature recorded with a drop."""
    low, high = counts["lowest_temperature_c"], counts["highest_temperature_c"]
    return NOT_RECORDED if low is None else labels.interval(low, high)
