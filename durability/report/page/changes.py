"""What a report answers, item by item, and what changed since another one on the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import boundary, latent, rig
from durability.report.answers.compare import every, reduction
from durability.report.answers.forecast import failed_when, failure
from durability.report.answers.rank import ranking_answer
from durability.report.answers.voided import validity
from durability.report.blocks import Column, Columns
from durability.workflow.results import ReportAnswer

if TYPE_CHECKING:
    from durability.workflow.results import ReportContents, ReportIssue, SeriesPicture

NOT_REPORTED = "not reported"


def answers(contents: ReportContents) -> list[ReportAnswer]:
    """Every answer of a report under a name that stays from one report to the next.

    Parameters
    ----------
    contents : ReportContents
        All that the report shows.

    Returns
    -------
    list of ReportAnswer
        In the words and digits of the page, and in full digits.
    """
    return list(_answers(contents))


def _answers(contents: ReportContents) -> Iterator[ReportAnswer]:
    counts = contents.counts
    yield ReportAnswer(
        "drops",
        validity(counts),
        (counts["valid_drops"], counts["voided_drops"], counts["drops"]),
    )
    limit = (contents.limit_g, contents.limit_rise)
    yield ReportAnswer("limit", failed_when(*limit), limit)
    yield ReportAnswer(
        "interval and horizon",
        f"{labels.share(contents.level)}, {contents.horizon} drops",
        (contents.level, float(contents.horizon)),
    )
    if contents.ranking is not None:
        yield ReportAnswer("wear", ranking_answer(contents.ranking))
        for ranking in (contents.ranking, *contents.ranking.others):
            under = labels.compared_under(ranking.condition)
            for group in ranking.groups:
                rise = (group.rise_pct_per_drop, group.lower, group.upper)
                life = group.life
                yield ReportAnswer(
                    f"rise of {group.group}, % per drop ({under})",
                    labels.percent_with_interval(*rise),
                    rise,
                )
                yield ReportAnswer(
                    f"life of {group.group}, drops ({under})",
                    labels.life_words(life),
                    (life.lower, life.median, life.upper),
                )
    for compared in every(contents.comparisons):
        yield ReportAnswer(
            f"peak g of bare drops reduced by {compared.b}"
            f" ({labels.compared_under(compared.condition)})",
            reduction(compared),
            (compared.reduction_pct, compared.reduction_lower, compared.reduction_upper),
        )
    for picture in contents.pictures:
        yield from _of_series(picture, contents.horizon)
    if contents.latent is not None:
        link = contents.latent.link
        effect = link.per_peak_doubling
        yield ReportAnswer(
            "shocks and later failures",
            latent.sentence(link),
            (effect.ratio, effect.lower, effect.upper, link.p_value),
        )
        for each in link.per_device:
            days = latent.failed_days(each)
            yield ReportAnswer(
                f"state of {each.device}",
                f"{each.state} {days}" if days else each.state,
                (each.shock_dose,),
            )
    for bounds in contents.boundaries:
        peak, velocity = bounds.critical_peak_g, bounds.critical_velocity_change_m_s
        yield ReportAnswer(
            f"damage boundary of {bounds.device_model}",
            boundary.sentence(bounds),
            (
                peak.largest_passed,
                peak.smallest_failed,
                velocity.largest_passed,
                velocity.smallest_failed,
            ),
        )
    for watched in contents.rig:
        yield ReportAnswer(
            f"rig by {watched.series}", rig.sentence(watched), (watched.health.drift_pct,)
        )
    for claimed in contents.claims:
        for found in claimed.by_kind:
            claim = found.claim
            yield ReportAnswer(
                f"claim for {claimed.b} ({found.condition.words})",
                "can't be judged"
                if claim is None
                else f"at least {claim.reduction_at_least_pct:g} % {claim.verdict}",
                ()
                if claim is None
                else (claim.reduction_pct, claim.reduction_lower, claim.reduction_upper),
            )


def _of_series(picture: SeriesPicture, horizon: int) -> Iterator[ReportAnswer]:
    trend, outlook = picture.trend, picture.forecast
    rise = (trend.rise_pct_per_drop, trend.rise_lower, trend.rise_upper)
    yield ReportAnswer(
        f"trend of {trend.series}, % per drop",
        f"{trend.verdict}, {labels.percent_with_interval(*rise)}",
        rise,
    )
    if outlook.is_bare:
        return
    life = outlook.drops_to_failure
    fails = failure(outlook, horizon)
    if not outlook.failed:
        fails += f" ({labels.life(life, horizon)[1]})"
    yield ReportAnswer(
        f"{trend.series} fails at drop", fails, (life.lower, life.median, life.upper)
    )


def differences(
    before: Sequence[ReportAnswer], after: Sequence[ReportAnswer]
) -> list[tuple[str, str, str]]:
    """Name, former and present words of each answer that changed, in order.

    Parameters
    ----------
    before, after : sequence of ReportAnswer
        Of two reports on the same.

    Returns
    -------
    list of (str, str, str)
        Answers that one of them does not give read "not reported" there.
    """
    former = {each.name: each.told for each in before}
    present = {each.name: each.told for each in after}
    names = dict.fromkeys([*present, *former])
    pairs = (
        (name, former.get(name, NOT_REPORTED), present.get(name, NOT_REPORTED)) for name in names
    )
    return [pair for pair in pairs if pair[1] != pair[2]]


def summary(contents: ReportContents) -> str:
    """What this report replaces, why, and how much changed; blank where it replaces none."""
    replaced, changes = contents.replaced, contents.changes
    if replaced is None or contents.issue is None or changes is None:
        return ""
    of = len(contents.issue.answers)
    changed = len(differences(replaced.answers, contents.issue.answers))
    return (
        f"Re-issue: replaces report {replaced.number} of {labels.moment(replaced.issued_at_utc)}"
        f" UTC. Reason: {contents.issue.reason}. {changed} of {counted(of, 'answer')}"
        f" {'has' if changed == 1 else 'have'} changed; in the record since: "
        f"{record_words(contents)}{_version_words(replaced, contents.issue)}."
    )


def _version_words(before: ReportIssue, after: ReportIssue) -> str:
    """That another version of the program gave the report before: a cause of its own."""
    if before.program_version == after.program_version:
        return ""
    return f"; the program's version: {before.program_version} → {after.program_version}"


def record_words(contents: ReportContents) -> str:
    """Drops added, voided, restored and amended, notes and checks added since that report."""
    changes = contents.changes
    if changes is None:
        return ""
    added = dict.fromkeys(("drop", "damage note", "functional check"), 0)
    for row in changes.added:
        added[row["what"]] += row["added"]
    amended = [row for row in changes.amended if row["column_name"] != "status"]
    status = [
        (row["drop_number"] is not None, row["new_value"])
        for row in changes.amended
        if row["column_name"] == "status"
    ]
    parts = [f"{counted(number, what)} added" for what, number in added.items() if number]
    parts += [
        f"{counted(status.count((True, to)), 'drop')} {did}"
        for to, did in (
            ("void", "voided"),
            ("valid", "restored"),
            ("never", "taken out as never made"),
            ("made", "taken back in"),
        )
        if (True, to) in status
    ]
    others = len(amended) + sum(not is_drop for is_drop, _ in status)
    if others:
        parts.append(f"{counted(others, 'other amendment')}")
    return labels.listed(parts) if parts else "nothing added, voided or amended"


METHODS: tuple[tuple[str, str, str, str, str], ...] = (
    (
        "Trend: is peak g climbing",
        "Level fitted to log peak g over plausible shapes of wear, averaged by how well each fits;"
        " other series of the case model inform shape, rate and scatter. Outlying readings are"
        " down-weighted, not left out.",
        "Mann-Kendall S and Theil-Sen slope beside the verdict on one series (durability trend"
        " SERIES): Gilbert (1987), Statistical Methods for Environmental Pollution Monitoring;"
        " Hollander and Wolfe, Nonparametric Statistical Methods, chapter 9.",
        "rising: evidence of a rise beyond what steady series show in 5 of 100, that is at least"
        " half as likely to go on as to have levelled off; settled: less likely than that; steady:"
        " no rise shown; too few: fewer than 4 valid drops.",
        "At most 5 % of steady series are called rising, and at most 5 % ever raise the running"
        " alarm. Steady does not exclude wear: what could have been missed is in the"
        " basis.",
    ),
    (
        "Drops to failure",
        "Drop at which the fitted level (not one reading) reaches the limit, or damage of severity"
        " 4 is seen, whichever comes first; series that have not failed count as censored.",
        "Degradation paths with a limit fixed beforehand: Lu and Meeker (1993), Technometrics 35,"
        " 161-174. Survival band: Kaplan and Meier (1958), J. Am. Stat. Assoc. 53, 457-481.",
        "failed: the limit is reached or severity 4 is noted by the last drop.",
        "A prediction interval is meant to hold the true drop as often as its level says;"
        " durability manual methods states how often it did on simulated records.",
    ),
    (
        "Ranking of case models",
        "Mean rise of the level per drop over a span common to all series; cases vary about their"
        " model and models about each other, so that a model with few drops does not lead by"
        " chance. The case is the unit of replication, not the drop.",
        "Random-effects estimates with the spreads summed over a grid: Gelman, Carlin, Stern et"
        " al., Bayesian Data Analysis, chapter 5.",
        "order established: each model is faster than the next with at least 90 % probability.",
        "Probabilities are posterior: of orders established at 90 %, about 1 in 10 neighbours is"
        " the other way round.",
    ),
    (
        "Comparison of two",
        "Ratio of mean log peak g over the drops that both sides have had, or of the levels at"
        " one drop, under one condition, orientation matched, case by case (bare: device by"
        " device).",
        "Welch (1947), Biometrika 34, 28-35; Satterthwaite (1946), Biometrics Bulletin 2, 110-114;"
        " with orientations: Searle, Casella and McCulloch (1992), Variance Components, ch. 5.",
        "An estimate with a 90 % interval; no pass or fail is stated without a claim to judge.",
        "The interval misses the true ratio in 1 of 10 such comparisons. With one case a side"
        " it holds for the cases dropped, not for their models.",
    ),
    (
        "Later failures of devices",
        "Shock dose: sum of (peak g / 1000)^b over all drops that the device took, in any"
        " case or bare, b averaged over 2 to 10. A failure lies between two inspections and is kept"
        " so; devices never dropped are the controls.",
        "Interval-censored data: Turnbull (1976), J. R. Statist. Soc. B 38, 290-295; permutation"
        " test of log-rank scores: Fay and Shaw (2010), J. Stat. Softw. 36; exponents: Steinberg,"
        " Vibration Analysis for Electronic Equipment (4 to 8).",
        "linked: two-sided permutation p of at most 0.05, and larger doses fail sooner; not shown:"
        " otherwise; too few: fewer than 6 devices or 3 later failures.",
        "At most 5 % of studies without any link are called linked. Not shown is not proof of"
        " safety, and linked is not proof for any one device.",
    ),
    (
        "The rig itself",
        "Reference drops of one dummy on one pad; each is compared with all before it. An average"
        " with exponential weights and a cumulative sum watch the scores.",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4; Hawkins (1987), The"
        " Statistician 36, 463-473; Lucas and Saccucci (1990), Technometrics 32, 1-12.",
        "drifted: either chart beyond its limits; too few: up to 5 drops.",
        "A steady rig signals by chance once in some hundreds of reference drops.",
    ),
    (
        "Peak, duration, velocity change",
        "Peak g: largest absolute acceleration of the first impact after a zero-phase low-pass;"
        " pulse duration between its 10 % crossings; velocity change by integration of the"
        " unfiltered pulse. Typed and imported readings are taken as they are.",
        "IEC 60068-2-27:2008, 4.1; JESD22-B110; SAE J211-1; IEC 60068-2-27 Annex A.",
        "A record that is clipped, over range, shifted, under-sampled, without impact or of an"
        " implausible velocity is stored as void; a person can restore it, with a reason.",
        "Neither the share of bad records accepted nor of good ones refused is zero; every"
        " voided drop is listed below with its reason and its effect.",
    ),
)
"""Answer, method, source, decision rule, risk of a false statement."""

REACHED = Columns[tuple[str, str, str, str, str]](
    "How each answer is reached",
    Column("answer", lambda row: row[0]),
    Column("how it is reached", lambda row: row[1]),
    Column("source", lambda row: row[2]),
    Column("decision rule", lambda row: row[3]),
    Column("risk of a false statement", lambda row: row[4]),
)
