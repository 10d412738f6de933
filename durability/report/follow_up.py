"""Follow-up in words and tables: what is due, how plans were kept, later failures, one life."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.basis import counted
from durability.report import labels, safety
from durability.report.tables import console, counted_events, grid, records, say

if TYPE_CHECKING:
    from durability.records import FunctionalCheck, Quarantine, Walk
    from durability.results import (
        DeviceExpectation,
        DeviceOutlook,
        DoseDeclaration,
        DoseUnder,
        DueList,
        LatentAnswer,
        LatentCaveats,
        LatentLink,
        LatentUnder,
        LatentVerdict,
        RetainedItem,
    )

LOOKED_AT_NEXT = 5
"""Devices named as those to look at next; the others stand in the table of devices."""

# -------------------------------------------------------------------------------- what is due


def due(owed: DueList, within_days: int) -> None:
    """Print which inspections are owed, the most overdue first, and who is left out."""
    overdue = sum(each.days_overdue > 0 for each in owed.due)
    ahead = f" or within {counted(within_days, 'day')}" if within_days else ""
    say(
        f"{counted(len(owed.due), 'inspection')} due on {owed.on.isoformat()}{ahead},"
        f" {overdue} of them overdue"
    )
    if owed.due:
        console().print(
            grid(
                ("device", "stage", "due on", "days overdue", "functions"),
                (
                    (
                        each.device,
                        each.stage,
                        each.due_on,
                        labels.overdue(each.days_overdue),
                        str(len(each.functions)),
                    )
                    for each in owed.due
                ),
                right=(3, 4),
                wrap=(1,),
            )
        )
    for functions in dict.fromkeys(each.functions for each in owed.due):
        say(labels.functions_due(functions))
    quarantined(owed.quarantined)
    _retained(owed.retained)
    if owed.cracked_glass:
        say(f"{labels.listed(owed.cracked_glass)}: {safety.EYE_PROTECTION}")
    if owed.unfinished:
        say(
            f"broken off: {labels.listed(owed.unfinished)}; go on with: durability inspect record"
            " DEVICE"
        )
    if owed.skipped:
        of_device = Counter(each.device for each in owed.skipped)
        say(
            f"skipped so far, and gone: {counted(len(owed.skipped), 'inspection')} of"
            f" {counted(len(of_device), 'device')}"
            f" ({labels.listed(f'{device} {count}' for device, count in of_device.items())});"
            " each is shown by: durability inspect list DEVICE"
        )
    if owed.without_baseline:
        say(
            f"no check before the first drop: {labels.listed(owed.without_baseline)}; a later"
            " failure may have been there all along"
        )


def _retained(items: Sequence[RetainedItem]) -> None:
    """Print the items kept back, each with its next re-test."""
    if not items:
        return
    late = sum(item.days_overdue > 0 for item in items)
    say(f"{counted(len(items), 'item')} kept back to be tested again, {late} of them overdue")
    console().print(
        grid(
            ("retained", "kind", "model", "since", "re-test due", "days overdue", "done"),
            (
                (
                    item.specimen,
                    item.kind,
                    item.model or "",
                    item.retained_on.isoformat(),
                    item.due_on.isoformat() if item.due_on else "none left",
                    labels.overdue(item.days_overdue),
                    f"{item.done} of {item.of}",
                )
                for item in items
            ),
            right=(5, 6),
            wrap=(2,),
        )
    )


def quarantined(devices: Sequence[Quarantine]) -> None:
    """Print the devices that are kept apart, each with its watch."""
    for kept in devices:
        ends = labels.listed(f"{labels.moment(until)} ({name})" for name, until in kept.watch)
        say(
            f"{labels.QUARANTINED}: {kept.device} since {labels.moment(kept.since)} ({kept.sign}:"
            f" {kept.told}); left out until a named person clears it; watch until {ends}"
        )


_STAGE_MARKS = {
    "done": "=",
    "done late": "~",
    "skipped": "x",
    "overdue": "!",
    "due": ">",
    "upcoming": " ",
}
"""A symbol that never stands without its word."""


def device_follow_up(told: Mapping[str, Any]) -> None:
    """Print one device's plan, how each stage of it stands, and its inspections."""
    state = labels.status(told["status"], told["quarantined_since"])
    kept = Counter(stage["state"] for stage in told["stages"])
    since = "" if told["owes"] else ", nothing owed since"
    say(
        f"{told['device']} ({state}): plan {told['plan']!r}, from the {told['anchor']}, on"
        f" {told['on']}{since}; {labels.listed(f'{count} {name}' for name, count in kept.items())}"
    )
    if told["stages"]:
        console().print(
            grid(
                ("stage", "due on", "", "state", "inspected", "days late"),
                (
                    (
                        stage["stage"] + (" (before a later drop)" * stage["before_last_drop"]),
                        stage["due_on"].isoformat(),
                        _STAGE_MARKS[stage["state"]],
                        stage["state"],
                        stage["inspected_on"].isoformat() if stage["inspected_on"] else "",
                        str(stage["days_late"])
                        if stage["days_late"] and stage["state"] != "skipped"
                        else "",
                    )
                    for stage in told["stages"]
                ),
                right=(5,),
                wrap=(0,),
            )
        )
    records("inspections", told["inspections"])
    for line in intermittent_lines(told["intermittent"]):
        say(line)


def intermittent_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """A sentence on each function that passed again after it had failed."""
    return [
        f"intermittent: {row['function']} failed on {labels.moment(row['failed_at'].date())} and"
        f" worked on {labels.moment(row['passed_again_at'].date())}; {confirmation_words(row)};"
        " kept as both, taken as failed from the first fail unless that check is amended"
        for row in rows
    ]


def confirmation_words(row: Mapping[str, Any]) -> str:
    """Whether a fail came again, and by which rule that is told."""
    again, within = row["rule_again"], row["rule_within"]
    if within == 0:
        return "confirmed: of this function the first fail is proof enough"
    failed, looks = row["fails_again"], counted(row["looks_since"], "look")
    rule = f"rule: again {again} in {within}"
    if row["confirmation"] == "unconfirmed":
        times = "once" if failed == 0 else counted(1 + failed, "time")
        return f"unconfirmed: failed {times}, passed after ({looks} since; {rule})"
    if row["confirmation"] == "open":
        return (
            f"not confirmed yet: failed again {counted(failed, 'time')} in {looks} since ({rule})"
        )
    return f"confirmed: failed again {counted(failed, 'time')} in {looks} ({rule})"


# ------------------------------------------------------------------------------------ the walk


def check_words(check: FunctionalCheck) -> str:
    """What was found of one function, for instance "fail 4.2 mm # lifts the cover"."""
    parts = (
        check.outcome.replace("_", " "),
        None if check.measured is None else f"{check.measured:g} {check.unit or ''}".strip(),
        None if check.note is None else f"# {check.note}",
    )
    return " ".join(part for part in parts if part)


def usual_unit(walk: Walk, function: str) -> str | None:
    """The unit in which a function was measured last, else that of the check list."""
    last = walk.last_results.get(function)
    if last is not None and last[0].unit is not None:
        return last[0].unit
    return next((each.unit for each in walk.check_list.checked if each.name == function), None)


def walk_lines(walk: Walk) -> list[str]:
    """What the inspector is told before the first question."""
    model = f" ({walk.device_model})" if walk.device_model else ""
    stage = f", due: {walk.stage}" if walk.stage else ""
    head = f"{walk.device}{model}, plan {walk.plan!r}{stage}, looked at by {walk.inspector}"
    lines = [head + (", blind" if walk.is_blind else "")]
    if walk.is_resumed:
        lines.append(
            f"going on with the inspection of {labels.moment(walk.inspected_at)}:"
            f" {len(walk.checks)} of {len(walk.functions)} answered"
        )
    if not walk.is_blind:
        lines.append(_shock_words(walk))
    if walk.has_cracked_glass:
        lines.append(safety.EYE_PROTECTION)
    if walk.battery_looks:
        lines.append(safety.battery_signs_line())
    if walk.left_out:
        lines.append(f"not asked in quarantine (no charging): {labels.listed(walk.left_out)}")
    return lines


def _shock_words(walk: Walk) -> str:
    shocks = walk.shocks
    if not shocks["drops"]:
        return "never dropped"
    parts = [counted(shocks["drops"], "drop")]
    if shocks["drops_without_reading"]:
        parts[0] += f" ({shocks['drops_without_reading']} without a reading)"
    if shocks["max_peak_g"]:
        parts.append(f"largest {labels.number(shocks['max_peak_g'])} g")
    if shocks["highest_drop_mm"]:
        parts.append(f"from up to {shocks['highest_drop_mm']:g} mm")
    if shocks["shock_dose"] is not None:
        parts.append(f"dose {labels.dose(shocks['shock_dose'])} (b = 6.4)")
    if shocks["last_dropped_at"]:
        days = (walk.inspected_at.date() - shocks["last_dropped_at"].date()).days
        parts.append(f"last {counted(days, 'day')} ago")
    return "shocks: " + labels.listed(parts)


def question(walk: Walk, at: int, draft: FunctionalCheck, width: int) -> str:
    """One question on one line: which function, and what it was last time unless blind."""
    function = walk.functions[at]
    names = max(len(name) for name in walk.functions)
    beside = []
    if draft.measured is not None:
        beside.append(f"measured {draft.measured:g} {draft.unit}")
    if draft.note is not None:
        beside.append(f"# {draft.note}")
    if function in walk.checks:
        beside.append(f"now {check_words(walk.checks[function])}")
    if not walk.is_blind and function in walk.last_results:
        last, when = walk.last_results[function]
        beside.append(f"last {when:%Y-%m-%d} {check_words(last)}")
    head = f"{at + 1:>2}/{len(walk.functions)} {function:<{names}}  "
    room = max(width - len(head) - len(" > not tested") - 1, 0)
    told = "; ".join(beside)
    return head + (told if len(told) <= room else told[: max(room - 2, 0)] + "..") + " > "


def walk_end(walk: Walk, *, is_whole: bool) -> str:
    """What was recorded, and how to go on when it was broken off."""
    done, of_all = len(walk.checks), len(walk.functions)
    counts = Counter(check.outcome.replace("_", " ") for check in walk.checks.values())
    told = labels.listed(f"{count} {name}" for name, count in counts.items())
    words = f"{done} of {of_all} functions of {walk.device} recorded" + (
        f": {told}" if told else ""
    )
    if walk.failed:
        words += f"; FAILED: {labels.listed(walk.failed)}"
    if is_whole or done == of_all:
        return words
    if walk.quarantine is not None:
        return f"{words}\nstopped there: its battery is suspect"
    return f"{words}\nbroken off; go on with: durability inspect record {walk.device}"


def expectation(device: str, expected: DeviceExpectation) -> str:
    """What the model expected, told after the outcomes are recorded."""
    outlook, link = expected.outlook, expected.link
    chances = [
        f"{labels.chance(chance)} by day {day}"
        for day, chance in outlook.probability_failed_by_day.items()
        if chance is not None
    ]
    if not chances:
        return "The model expected nothing of this device: too few were followed."
    unseen = outlook.probability_failed_unseen
    words = (
        f"What the model expected without this look: devices with the shocks of {device} have"
        f" failed with {labels.listed(chances)} after the last drop"
    )
    if unseen is not None:
        words += f"; that it had failed unseen since its last look: {labels.chance(unseen)}"
    return f"{words}. {link.sentence}"


# -------------------------------------------------------------------------------------- latent


def latent(answer: LatentAnswer, *, devices: bool) -> None:
    """Print whether later failures go with the shocks, and what follows from it.

    Parameters
    ----------
    answer : LatentAnswer
        The link and the doses beside it.
    devices : bool
        Print the table of devices, those most likely to have failed unseen first.
    """
    link = answer.link
    say(link.sentence)
    say(labels.latent_sentence(link))
    for line in declared_lines(answer.caveats):
        say(line)
    if devices:
        _outlooks(answer)
        _exposures(answer)
    else:
        _study(link)
        _look_next(answer)
    say(f"rests on: {link.basis}")
    for line in unconfirmed_lines(answer.caveats, link.verdict):
        say(line)
    quarantined(answer.quarantined)
    say(safety.CAUTIONS[1])


def declared_lines(caveats: LatentCaveats) -> list[str]:
    """Whether the dose was declared before anyone could see what it would show."""
    first, held = caveats.first_follow_up_at, caveats.declared
    how = "durability inspect declare averaged --reason WHY"
    if held is None and first is None:
        return [f"No dose is declared yet; say which one before the first follow-up look: {how}"]
    if held is None:
        lines = [
            "Exploratory: no dose was declared before the first follow-up look, on"
            f" {labels.moment(first.date()) if first else ''}."
        ]
    else:
        before = f" on {labels.moment(first.date())}" if first else ", of which there is none yet"
        lines = [
            f"Dose declared on {labels.moment(held.declared_at)} by {held.declared_by}, before the"
            f" first follow-up look{before}: {dose_definition(held)}. {_by_declared(held)}"
        ]
    later = [each for each in caveats.declarations if not each.is_before_follow_up]
    return lines + [
        f"Declared later, so exploratory: {dose_definition(each)} ({each.declared_by},"
        f" {labels.moment(each.declared_at)}): {_verdict_words(each)}."
        for each in later
    ]


def dose_definition(declared: DoseDeclaration) -> str:
    """Which dose someone declared, in words."""
    power = "averaged over its range" if declared.exponent is None else f"{declared.exponent:g}"
    counted_as = {
        "likely": "at the middle of their like",
        "no shock": "as no shock",
        "largest": "at the largest of their like",
    }[declared.without_reading]
    return (
        f"exponent b {power}, all drops lived through, those without a trusted reading {counted_as}"
    )


def _by_declared(held: DoseDeclaration) -> str:
    if held.exponent is None and held.without_reading == "likely":
        return "It is the one used above."
    return f"By it: {_verdict_words(held)}. The answer above, b averaged, is exploratory."


def _verdict_words(found: DoseDeclaration | LatentUnder) -> str:
    chance = "" if found.p_value is None else f" (p = {_p(found.p_value)}, two-sided)"
    return found.verdict + chance


def unconfirmed_lines(caveats: LatentCaveats, verdict: LatentVerdict) -> list[str]:
    """Functions that failed and worked again, and the verdict without the unconfirmed fails."""
    lines = [
        f"{row['device']}: intermittent {row['function']}, failed on"
        f" {labels.moment(row['failed_at'].date())}: {confirmation_words(row)}"
        for row in caveats.intermittent
    ]
    without = caveats.without_unconfirmed
    if without is None:
        return lines
    same = "would still be" if without.verdict == verdict else "WOULD BE"
    return [
        *lines,
        f"with the unconfirmed fails of {counted(without.devices, 'device')} left out the verdict"
        f" {same} {_verdict_words(without)}; above they count as failures from the first fail",
    ]


def _study(link: LatentLink) -> None:
    tested = link.dropped_against_controls
    if tested is not None:
        dropped = tested.dropped_failed + tested.dropped_working
        controls = tested.controls_failed + tested.controls_working
        boschloo = (
            "" if tested.boschloo_p_value is None else f", Boschloo {_p(tested.boschloo_p_value)}"
        )
        hopeless = (
            f"; at these counts not even the clearest outcome could be significant (p ="
            f" {_p(tested.smallest_p_value)})"
            if tested.smallest_p_value > 0.05
            else ""
        )
        say(
            f"dropped against controls by day {tested.by_day:g}: {tested.dropped_failed} of"
            f" {dropped} dropped failed, {tested.controls_failed} of {controls} controls; p:"
            f" Fisher {_p(tested.fisher_p_value)}{boschloo}, two-sided; odds ratio"
            f" {labels.number(tested.odds_ratio)}"
            f" ({labels.interval(tested.odds_ratio_lower, tested.odds_ratio_upper)}){hopeless}"
        )
    if link.ten_percent_dose is not None:
        dose = link.ten_percent_dose
        say(
            f"one in ten fails within {link.ten_percent_days} days at a shock dose of"
            f" {labels.dose(dose.median)} ({labels.dose(dose.lower)} to {labels.dose(dose.upper)})"
            f" with b = {labels.number(link.dose_exponent, 2)}, background failures apart; in"
            " drops:"
        )
    if link.drops_to_ten_percent:
        console().print(
            grid(
                ("case model", "height, mm", "readings", "drops", labels.share(link.level)),
                (
                    (
                        kind.case_model or "bare",
                        labels.number(kind.drop_height_mm),
                        str(kind.readings),
                        _drops(kind.median),
                        f"{_drops(kind.lower)} to {_drops(kind.upper)}",
                    )
                    for kind in link.drops_to_ten_percent
                ),
                right=(1, 2, 3),
                wrap=(0,),
            )
        )
    if link.first_failed_functions:
        console().print(
            grid(
                ("first function to fail", "dropped devices"),
                ((name, str(count)) for name, count in link.first_failed_functions.items()),
                right=(1,),
                wrap=(0,),
            )
        )
    if link.log_loss is not None:
        say(
            f"prediction of devices left out ({link.check_method}): log loss"
            f" {labels.number(link.log_loss)} against {labels.number(link.log_loss_without_shock)}"
            f" without shock, Brier {labels.number(link.brier)} against"
            f" {labels.number(link.brier_without_shock)}; lower is better"
        )
    if link.calibration:
        groups = (
            f"{labels.chance(predicted)}/{labels.chance(seen)}"
            for predicted, seen in link.calibration
        )
        say(f"predicted/seen share failed, the safest devices first: {labels.listed(groups)}")
    if link.next_round is not None:
        ahead = link.next_round
        factor = ahead.expected_interval_factor
        narrower = (
            ""
            if factor is None
            else f", and the effect's interval is expected at {labels.chance(factor)} of its width"
        )
        say(
            f"one more round over {counted(ahead.devices, 'device')}:"
            f" {labels.number(ahead.expected_failures, 2)} unseen failures expected{narrower}"
        )


def _look_next(answer: LatentAnswer) -> None:
    likely = [each for each in _by_chance(answer.link) if each.probability_failed_unseen]
    if likely:
        named = (
            f"{each.device} {labels.chance(each.probability_failed_unseen)}"
            for each in likely[:LOOKED_AT_NEXT]
        )
        say(
            "look first at those most likely to have failed unseen:"
            f" {labels.listed(named)}; all of them: durability latent --devices"
        )


def _by_chance(link: LatentLink) -> list[DeviceOutlook]:
    """Devices most likely to have failed unseen first, then by dose; the failed ones last."""
    return sorted(
        link.per_device,
        key=lambda each: (
            each.probability_failed_unseen is None,
            -(each.probability_failed_unseen or 0.0),
            -(each.shock_dose or 0.0),
            each.device,
        ),
    )


def _outlooks(answer: LatentAnswer) -> None:
    """What became of each device, and what may yet come."""
    kept = {each.device for each in answer.quarantined}
    say(
        "Unseen: has failed since its last look, by the day asked. By day: of devices with this"
        " shock history that worked on drop day, share failed so many days after the last drop."
    )
    console().print(
        grid(
            ("device", "state", "failed, days", "unseen", "by 30", "90", "180"),
            (
                (
                    each.device,
                    labels.listed(
                        word
                        for word in (
                            each.state,
                            answer.not_in_use.get(each.device),
                            labels.QUARANTINED if each.device in kept else None,
                        )
                        if word
                    ),
                    labels.failed_days(each),
                    labels.chance(each.probability_failed_unseen)
                    if each.probability_failed_unseen is not None
                    else "",
                    *(
                        labels.chance(each.probability_failed_by_day.get(day))
                        for day in (30, 90, 180)
                    ),
                )
                for each in _by_chance(answer.link)
            ),
            right=(2, 3, 4, 5, 6),
            wrap=(1,),
        )
    )


def _exposures(answer: LatentAnswer) -> None:
    """What each device lived through, its dose under each exponent of the literature."""
    exponents = [dose.exponent for dose in next(iter(answer.doses.values()), ())]
    say(
        "Shock dose: sum of (peak g / 1000)^b over the drops lived through. In brackets: drops"
        " without a trusted reading, which are not in the dose."
    )
    console().print(
        grid(
            ("device", "drops", "peak, g", "m/s", *(f"b = {power:g}" for power in exponents)),
            (
                (
                    each.device,
                    str(each.drops)
                    + (f" ({each.drops_without_reading})" if each.drops_without_reading else ""),
                    labels.number(each.max_peak_g),
                    labels.number(each.largest_velocity_change_m_s),
                    *(labels.dose(dose.dose) for dose in answer.doses[each.device]),
                )
                for each in sorted(
                    answer.link.per_device, key=lambda each: (-(each.shock_dose or 0), each.device)
                )
            ),
            right=range(1, 4 + len(exponents)),
        )
    )
    for each in answer.link.per_device:
        if each.drops_without_reading:
            bounds = labels.listed(labels.dose(dose.upper) for dose in answer.doses[each.device])
            say(
                f"{each.device}: {counted(each.drops_without_reading, 'drop')} without a trusted"
                f" reading; with each at the largest of its like the dose is {bounds}"
            )


def dose_words(dose: DoseUnder) -> str:
    """A dose, and its upper bound where a drop gave no reading."""
    unsure = dose.upper is None or dose.upper != dose.dose
    return labels.dose(dose.dose) + (f" ({labels.dose(dose.upper)})" if unsure else "")


def _drops(count: float | None) -> str:
    """A number of drops; a part of one means that a single drop is more than enough."""
    if count is None:
        return "no number"
    return "under 1" if count < 1 else labels.number(count, 2)


def _p(value: float) -> str:
    return labels.number(value, 2)


# ------------------------------------------------------------------------------------- history


def history(told: Mapping[str, Any]) -> None:
    """Print everything one specimen lived through, what it has added up by now first."""
    events = told["events"]
    if told["quarantine"] is not None:
        quarantined([told["quarantine"]])
    state = "" if told["status"] == "in use" else f" ({told['status']})"
    say(f"{told['specimen']}{state} lived through: {counted_events(events) or 'nothing recorded'}")
    if told["exposure"] is not None:
        for line in exposure_lines(told["exposure"]):
            say(line)
    if not events:
        return
    console().print(
        grid(
            ("when", "event", "series", "drop", "what", "recorded in"),
            (
                (
                    labels.moment(event["happened_at"]) + ("" if event["dated"] else " (entered)"),
                    event["event"],
                    event["series"] or "",
                    "" if event["drop_number"] is None else str(event["drop_number"]),
                    _event_words(event),
                    labels.source(dict(event)),
                )
                for event in events
            ),
            right=(3,),
            wrap=(0, 4, 5),
        )
    )


def _event_words(event: Mapping[str, Any]) -> str:
    parts = [event["what"] or ""]
    if "shock_dose_so_far" in event:
        parts.append(f"dose so far {labels.dose(event['shock_dose_so_far'])}")
    if event["days_since_drop"] is not None:
        parts.append(f"{counted(event['days_since_drop'], 'day')} after the last drop")
    return "; ".join(part for part in parts if part)


def exposure_lines(exposure: Mapping[str, Any]) -> list[str]:
    """What a device has added up by now, and what is doubtful about it."""
    doses = labels.listed(
        f"{dose_words(dose)} with b = {dose.exponent:g}" for dose in exposure["doses"]
    )
    lines = [
        f"shock dose so far: {doses}"
        if exposure["drops"]
        else "shock dose so far: 0, never dropped"
    ]
    if exposure["drops_without_reading"]:
        lines.append(
            f"{counted(exposure['drops_without_reading'], 'drop')} without a trusted reading:"
            " lived through, not in the dose; in brackets with each at the largest of its like"
        )
    days = exposure["days_to_last_look"]
    if days is not None:
        lines.append(f"last look {counted(days, 'day')} after the last drop before it")
    if not exposure["looked_at_before_first_drop"]:
        lines.append(
            "no check before the first drop: a later failure may have been there all along"
        )
    return [*lines, *intermittent_lines(exposure["intermittent"])]


def calendar_line(file: str, owed: DueList) -> str:
    """Where the calendar was written, and what is in it."""
    events = len(owed.due) + sum(item.due_on is not None for item in owed.retained)
    return f"{file}: {counted(events, 'event')}, as of {owed.on.isoformat()}"


def form_line(file: str) -> None:
    """Print how a form that was written comes back."""
    say(
        f"{file}: written; fill in what was found, then: durability import inspections {file}"
        " --skip-where-blank outcome (--set inspected_at=DATE gives every row one date, --set"
        " inspector=NAME one name, --set blind=yes says that who looked knew nothing of the shocks)"
    )
