"""Sentences of the report that no single result has: what was tested, left out, is owed."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.record import units
from durability.record.basis import counted
from durability.report import labels, safety
from durability.report.answers import follow_up as due
from durability.report.answers import latent, rig, voided
from durability.report.answers import records as series
from durability.report.answers import voided as amendments
from durability.report.answers.compare import claims_answer, comparisons_answer
from durability.report.answers.forecast import failed_when, forecasts_answer, left
from durability.report.answers.rank import ranking_answer
from durability.report.answers.trend import trends_answer
from durability.rig.results import RigWatch
from durability.workflow.results import Limit, ReportContents, Scope, SeriesPicture

if TYPE_CHECKING:
    from durability.record.receipts import Quarantine

SOON_DROPS = 5
"""A series predicted to fail within so many drops is reported as about to fail."""


def title(scope: Scope) -> str:
    """What the report is about."""
    words = "the whole record"
    if scope.kind != "whole record":
        words = f"{scope.kind} {labels.listed(scope.names)}"
    under = [value or "not recorded" for value in scope.under.options[1::2]]
    return f"Durability: {words}" + (f" ({labels.listed(under)})" if under else "")


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
        Options are given only where they differ from their defaults.
    """
    scope = contents.scope
    words = ["durability", name]
    under = [shlex.quote(word) for word in scope.under.options]
    if name == "latent":
        on = ["--on", contents.on.isoformat()]
        return " ".join([*words, *on, *under, *as_of_option(contents)])
    if scope.kind == "case model":
        words += [part for each in scope.names for part in ("--case-model", shlex.quote(each))]
    elif scope.kind != "whole record":
        if not scope.series:
            return ""
        words += [part for each in scope.series for part in ("--series", shlex.quote(each))]
    words += under
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
    return " ".join([*words, *as_of_option(contents)])


def whole_report(contents: ReportContents) -> str:
    """Where the whole report is: the call that writes it."""
    scope = contents.scope
    option = {
        "series": "--series",
        "case model": "--case-model",
        "specimen": "--specimen",
        "follow-up plan": "--plan",
    }.get(scope.kind)
    words = ["durability", "report", "-o", "report.html", "--on", contents.on.isoformat()]
    words += [part for name in scope.names if option for part in (option, shlex.quote(name))]
    words += [shlex.quote(word) for word in scope.under.options]
    if contents.limit_g is not None:
        words += ["--limit-g", f"{contents.limit_g:g}"]
    elif contents.limit_rise != Limit().limit_rise:
        words += ["--limit-rise", f"{contents.limit_rise:g}"]
    if contents.level != Limit().level:
        words += ["--level", f"{contents.level:g}"]
    if contents.horizon != Limit().horizon:
        words += ["--horizon", str(contents.horizon)]
    if contents.claim_pct is not None:
        words += ["--claim", f"{contents.claim_pct:g}"]
    words += ["--units", "us"] if units.is_converted(units.LENGTH) else []
    words += ["--rig-corrected"] if contents.rig_corrected else []
    return (
        "What each number rests on, every series, picture, deviation, method and source are in"
        f" the whole report: {' '.join([*words, *as_of_option(contents)])}"
    )


def as_of_option(contents: ReportContents) -> list[str]:
    """What a call repeats so that it reads the record of the same instant."""
    return [] if contents.as_of is None else ["--as-of", contents.as_of.as_of]


def tested(contents: ReportContents) -> str:
    """What was dropped, how often, when, and how many drops count."""
    counts = contents.counts
    if not counts["drops"]:
        return "No drop is in this scope, so there is nothing to judge yet."
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
        f" ({voided.validity(counts)}),"
        f" {series.span(counts['first_dropped_at'], counts['last_dropped_at'])};"
        f" {followed(counts)}."
    )


def followed(counts: Mapping[str, Any]) -> str:
    """Inspections made of the devices."""
    if not counts["inspections"]:
        return "no inspection of a device"
    inspections = counted(counts["inspections"], "inspection")
    return f"{inspections} of devices with {counted(counts['checks'], 'functional check')}"


def answers(contents: ReportContents) -> list[tuple[str, str, str]]:
    """The answers, each with its heading and the section that gives details."""
    trends, forecasts = contents.trends, contents.forecasts
    rows = []
    if contents.ranking is not None:
        rows.append(("Wear", ranking_answer(contents.ranking), "wear"))
    elif trends:
        rows.append(("Trend", trends_answer(trends), "wear"))
    if trends:
        life = forecasts_answer(forecasts, contents.level, contents.horizon)
        rows.append(("Life", life, "life"))
    against = comparisons_answer(contents.comparisons)
    if against:
        rows.append(("Protection", against, "comparisons"))
    if contents.claims:
        rows.append(("Claim", claims_answer(contents.claims), "comparisons"))
    if contents.latent is not None:
        link = contents.latent.link
        rows.append(("Failed later", latent.failed_later(link), "devices"))
        rows.append(("Link to shocks", latent.sentence(link), "devices"))
    return rows


def beside(contents: ReportContents) -> list[tuple[str, str, str]]:
    """What goes with the answers: what was left out, amended, doubted or quarantined."""
    rows = []
    if contents.voided:
        rows.append(("Left out", voided.left_out(contents), "voided"))
    elif contents.counts["drops"]:
        rows.append(("Left out", "No drop is void.", "voided"))
    if contents.counts["drops"] or contents.amendments:
        amended = amendments.summary(contents.counts, contents.deviations, contents.amendments)
        rows.append(("Changed", amended, "amendments"))
    rows += [("Rig", rig.sentence(each), "rig") for each in contents.rig]
    if contents.owed.quarantined:
        rows.append(
            ("Quarantine", " ".join(safety.kept_apart_lines(contents.owed.quarantined)), "devices")
        )
    rows += [
        ("Disposal", line, "devices") for line in safety.disposed_lines(contents.owed.disposals)
    ]
    if contents.ranking is not None and contents.pictures:
        rows.append(("Trend", trends_answer(contents.trends), "wear"))
    return rows


def reading_aid(contents: ReportContents) -> str:
    """What the answers mean by their words."""
    if not contents.pictures:
        return ""
    failed = failed_when(contents.limit_g, contents.limit_rise)
    return (
        "Wear: peak g climbs from drop to drop as a case lets more of the shock through."
        f" {failed} In brackets: {labels.share(contents.level)} intervals."
    )


def next_steps(contents: ReportContents) -> list[str]:
    """What the record asks for; suggestions, not results."""
    if not contents.counts["drops"] and not contents.scope.devices:
        return ["Record or import drops; then make this report again."]
    steps = [
        *_kept_apart(contents.owed.quarantined),
        *_inspections_owed(contents),
        *_about_to_fail(contents.pictures, contents.horizon),
        *_rig_and_sensors(contents),
        *_too_few(contents),
        *_missing(contents),
    ]
    return steps or ["Nothing is due by the record; keep to the plan."]


def _kept_apart(devices: Sequence[Quarantine]) -> list[str]:
    there = [each.device for each in devices if not each.is_disposed]
    if not there:
        return []
    codes = labels.some(there)
    return [
        f"Isolate {codes}: battery suspect. Do not charge, power or ship; watch, and clear only"
        " by a named person."
    ]


def _inspections_owed(contents: ReportContents) -> list[str]:
    steps = [due.overdue_step(contents.owed)]
    if contents.latent is not None:
        link = contents.latent.link
        steps.append(latent.inspect_first(link))
        if link.devices and not link.control_devices:
            steps.append(
                "Follow some devices that are never dropped: without controls no link can be shown."
            )
    return [step for step in steps if step]


def _about_to_fail(pictures: Sequence[SeriesPicture], horizon: int) -> list[str]:
    near = {
        each.case or each.series: each  # of a case, its last series
        for each in sorted(
            (picture.forecast for picture in pictures),
            key=lambda each: each.case_age_at_first_drop,
        )
        if not each.failed and each.drops_left is not None and each.drops_left <= SOON_DROPS
    }
    if not near:
        return []
    named = labels.some(
        f"{each.series} at drop {each.drops_to_failure.median:.0f} ({left(each, horizon)} left)"
        for each in sorted(near.values(), key=lambda each: each.soonest_first)
    )
    return [f"Expect failure within {SOON_DROPS} drops: {named}; inspect before each drop."]


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
                f" {counted(row['drops_open'], 'drop')} made since then need review."
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
                f" {counted(row['drops_drifted'], 'drop')} made before that need review: durability"
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
        for key, heading in series.CONDITIONS
    }
    named = labels.listed(f"{heading} ({number})" for heading, number in lacking.items() if number)
    return [f"Record what is missing, with the number of series: {named}."] if named else []


def numbered(contents: ReportContents) -> str:
    """The report's number, or why it has none."""
    if contents.issue is not None:
        return f"report {contents.issue.number}"
    because = contents.not_numbered_because
    return f"report not numbered: {because}" if because else "report not numbered"


_US = "US customary as shown (--units us); g stays g, the record stays in SI units"
ONLY_TESTED = "The results relate only to the specimens that were tested."


def ending(contents: ReportContents) -> str:
    """The line after which nothing of the report follows."""
    return f"End of {numbered(contents)}, digest {contents.digest}."


def identity(contents: ReportContents) -> list[tuple[str, str]]:
    """Number, date, person, record, digest and version of the report."""
    return [
        ("Report", numbered(contents).removeprefix("report ")),
        *((name, given) for name, given in contents.parties.items() if given),
        *([("units", _US)] if units.is_converted(units.LENGTH) else []),
        ("made", f"{contents.made_at:%Y-%m-%d %H:%M %z} by {contents.made_by}"),
        ("as of", contents.on.isoformat()),
        ("record", contents.store),
        ("digest", contents.digest),
        ("by durability", contents.versions["durability"]),
    ]
