"""What a report answers, item by item, and what another one on the same answered otherwise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import boundary, latent, rig
from durability.report.answers.compare import reduction
from durability.report.answers.forecast import failed_when, failure
from durability.report.answers.rank import ranking_answer
from durability.report.answers.voided import validity
from durability.workflow.results import ReportAnswer

if TYPE_CHECKING:
    from durability.workflow.results import ReportContents, SeriesPicture

NOT_TOLD = "not told"


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
        for group in contents.ranking.groups:
            rise = (group.rise_pct_per_drop, group.lower, group.upper)
            life = group.life
            yield ReportAnswer(
                f"rise of {group.group}, % per drop", labels.percent_with_interval(*rise), rise
            )
            yield ReportAnswer(
                f"life of {group.group}, drops",
                labels.life_words(life),
                (life.lower, life.median, life.upper),
            )
    for compared in contents.comparisons:
        yield ReportAnswer(
            f"peak g of bare drops reduced by {compared.b}",
            reduction(compared),
            (compared.reduction_pct, compared.reduction_lower, compared.reduction_upper),
        )
    for picture in contents.pictures:
        yield from _of_series(picture, contents.horizon)
    if contents.latent is not None:
        link = contents.latent.link
        yield ReportAnswer(
            "shocks and later failures",
            latent.sentence(link),
            (link.time_ratio_per_doubling, link.lower, link.upper, link.p_value),
        )
        for each in link.per_device:
            days = latent.failed_days(each)
            yield ReportAnswer(
                f"state of {each.device}",
                f"{each.state}, day {days}" if days else each.state,
                (each.shock_dose,),
            )
    for told in contents.boundaries:
        peak, velocity = told.critical_peak_g, told.critical_velocity_change_m_s
        yield ReportAnswer(
            f"damage boundary of {told.device_model}",
            boundary.sentence(told),
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
                f"claim for {claimed.b} ({found.device_kind})",
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
    """Name, former and present words of each answer that reads otherwise, in order.

    Parameters
    ----------
    before, after : sequence of ReportAnswer
        Of two reports on the same.

    Returns
    -------
    list of (str, str, str)
        Answers that one of them does not give read "not told" there.
    """
    former = {each.name: each.told for each in before}
    present = {each.name: each.told for each in after}
    names = dict.fromkeys([*present, *former])
    pairs = ((name, former.get(name, NOT_TOLD), present.get(name, NOT_TOLD)) for name in names)
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
        f" {'reads' if changed == 1 else 'read'} otherwise now; in the record since: "
        f"{record_words(contents)}."
    )


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
        for to, did in (("void", "voided"), ("valid", "restored"))
        if (True, to) in status
    ]
    others = len(amended) + sum(not is_drop for is_drop, _ in status)
    if others:
        parts.append(f"{counted(others, 'other amendment')}")
    return labels.listed(parts) if parts else "nothing added, voided or amended"
