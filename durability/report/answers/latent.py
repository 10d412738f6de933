"""Whether later failures go with the shocks before them, and what became of each device."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from durability.record.basis import counted, p_words
from durability.report import as_json, labels, safety
from durability.report.answers.follow_up import confirmation_words
from durability.report.blocks import Block, Column, Columns, Words, why

if TYPE_CHECKING:
    from durability.devices.results import (
        DeviceOutlook,
        DoseDeclaration,
        DroppedAgainstControls,
        DropsToTenPercent,
        LatentAnswer,
        LatentCaveats,
        LatentLink,
        LatentUnder,
        LatentVerdict,
        NextRound,
        TimeRatio,
    )

INSPECT_FIRST = 5
"""Devices named as those to inspect first, at most; ``LIKELY_FAILED``: the probability of having
failed unseen from which they are."""
LIKELY_FAILED = 0.05

_DAYS_AHEAD = (30, 90, 180)


# ------------------------------------------------------------------------------- the verdict


def verdict(answer: LatentAnswer) -> Iterator[Block]:
    """The verdict, which devices failed later, what it depends on and rests on."""
    link, caveats = answer.link, answer.caveats
    yield Words(sentence(link))
    # Too few: the sentence says what would be enough.
    if link.verdict == "too few":  # said above, but for what it takes
        yield Words(f"Needed: {link.sentence.partition('; ')[2]}.".replace("..", "."))
    else:
        yield Words(link.sentence, is_why=True)
    for line in _declared_lines(caveats):
        yield Words(line)
    yield Words(failed_later(link), is_why=True)
    for line in _unconfirmed_lines(caveats, link.verdict):
        yield Words(line, is_why="WOULD BE" not in line)
    yield Words(f"Rests on: {link.basis}.", is_note=True, is_why=True)


def sentence(link: LatentLink) -> str:
    """Verdict on the link between shocks and later failures."""
    dropped = link.devices - link.control_devices
    seen = (
        f"{counted(link.latent_failures, 'latent failure')} among"
        f" {counted(dropped, 'dropped device')} ({link.failed_on_drop_day} failed on drop day),"
        f" {link.control_failures} among {counted(link.control_devices, 'control')}"
    )
    if link.verdict == "too few":
        return f"Too few to say whether shocks cause later failures: {seen}."
    if link.per_peak_doubling.ratio is None:
        return f"{link.verdict.capitalize()}: {seen}."
    effect = (
        f"twice the peak g: {_of_the_time(link.per_peak_doubling)}; twice as many equal drops:"
        f" {_of_the_time(link.per_count_doubling)} ({labels.share(link.level)} intervals)"
    )
    p = "" if link.p_value is None else f", p = {p_words(link.p_value)}"
    word = (
        "Linked to shocks, which is not proof for any one device"
        if link.verdict == "linked"
        else "Not shown to be linked to shocks, which is not proof that there is no link"
    )
    return f"{word}: {effect}{p}{_at_odds(link)}; {seen}."


def _of_the_time(effect: TimeRatio) -> str:
    """A factor on the time to failure: "0.3 (0.1 to 0.6) of the time to failure"."""
    if effect.ratio is None:
        return "can't be said"
    ends = f"{_factor(effect.lower)} to {_factor(effect.upper)}"
    return f"{_factor(effect.ratio)} ({ends}) of the time to failure"


def _factor(value: float | None) -> str:
    """A factor on a time; beyond a thousandfold it is the form of the curve that speaks."""
    if value is None or value > 1000:
        return "over 1000"
    return labels.number(value, 2) if value >= 0.001 else "under 0.001"


def _at_odds(link: LatentLink) -> str:
    """What to make of a curve that does not say what the test says; the test decides."""
    effect = link.per_peak_doubling
    if effect.lower is None or effect.upper is None:
        return ""
    holds_1 = effect.lower <= 1 <= effect.upper
    if link.verdict == "linked" and holds_1:
        return (
            "; dropped devices failed sooner than controls, but among them no effect of more shock"
            " is shown"
        )
    if link.verdict == "not shown" and not holds_1:
        return "; the curve assumes a form that the test does not, and the test decides"
    return ""


def failed_later(link: LatentLink) -> str:
    """Each device that failed later: what failed first, and between which days; controls too."""
    later = [each for each in link.per_device if each.state == "latent failure"]
    words = "No device that passed on drop day has failed since."
    if later:
        listed = labels.listed(
            f"{each.device} ({labels.some(each.first_failed_functions) or 'a function'},"
            f" {failed_days(each)})"
            for each in sorted(later, key=lambda each: -(each.shock_dose or 0))
        )
        words = (
            f"{counted(len(later), 'device')} failed later, the largest shock dose first: {listed}."
        )
    if link.control_devices:
        words += (
            f" Of {counted(link.control_devices, 'control')} never dropped,"
            f" {link.control_failures} failed."
        )
    return words


def failed_days(device: DeviceOutlook) -> str:
    """Days after time zero between which a device failed, in words; blank while it works."""
    return between_days(device.failed_after_days, device.failed_by_days)


def between_days(after: float | None, by: float | None) -> str:
    """Two days after time zero between which something failed; blank where it has not."""
    if by is None:
        return ""
    first = after or 0.0
    return f"on day {by:.0f}" if first == by else f"between days {first:.0f} and {by:.0f}"


def inspect_first(link: LatentLink) -> str | None:
    """The devices most likely to have failed unseen; None when none is likely to have."""
    likely = [
        each
        for each in sorted(link.per_device, key=_likeliest_first)
        if (each.probability_failed_unseen or 0.0) >= LIKELY_FAILED
    ]
    if not likely:
        return None
    named = labels.listed(
        f"{each.device} ({labels.chance(each.probability_failed_unseen)})"
        for each in likely[:INSPECT_FIRST]
    )
    return f"Inspect first the devices most likely to have failed unseen: {named}."


def _declared_lines(caveats: LatentCaveats) -> list[str]:
    """Whether the dose was declared before anyone could see what it would show."""
    first, held = caveats.first_follow_up_at, caveats.declared
    how = "durability inspect declare averaged --reason WHY"
    if held is None and first is None:
        return [
            f"No dose is declared yet; say which one before the first follow-up inspection: {how}"
        ]
    if held is None:
        lines = [
            "Exploratory: no dose was declared before the first follow-up inspection, on"
            f" {labels.moment(first.date()) if first else ''}."
        ]
    else:
        before = f" on {labels.moment(first.date())}" if first else ", of which there is none yet"
        lines = [
            f"Dose declared on {labels.moment(held.declared_at)} by {held.declared_by}, before the"
            f" first follow-up inspection{before}: {_dose_definition(held)}. {_by_declared(held)}"
        ]
    later = [each for each in caveats.declarations if not each.is_before_follow_up]
    return lines + [
        f"Declared later, so exploratory: {_dose_definition(each)} ({each.declared_by},"
        f" {labels.moment(each.declared_at)}): {_verdict_words(each)}."
        for each in later
    ]


def _dose_definition(declared: DoseDeclaration) -> str:
    """Which dose someone declared, in words."""
    power = "averaged over its range" if declared.exponent is None else f"{declared.exponent:g}"
    counted_as = {
        "likely": "at the median of comparable drops",
        "no shock": "as no shock",
        "largest": "at the largest comparable drop",
    }[declared.without_reading]
    return (
        f"exponent b {power}, all drops of the device, those without a trusted reading {counted_as}"
    )


def _by_declared(held: DoseDeclaration) -> str:
    if held.exponent is None and held.without_reading == "likely":
        return "It is the one used here."
    return f"By it: {_verdict_words(held)}. The answer with b averaged is exploratory."


def _verdict_words(found: DoseDeclaration | LatentUnder) -> str:
    chance = "" if found.p_value is None else f" (p = {p_words(found.p_value)}, two-sided)"
    return found.verdict + chance


def _unconfirmed_lines(caveats: LatentCaveats, verdict: LatentVerdict) -> list[str]:
    """Functions that failed and worked again, and the verdict without the unconfirmed fails."""
    lines = [
        f"{row['device']}: intermittent {row['function']}, failed on"
        f" {labels.moment(row['failed_at'].date())}: {confirmation_words(row)}."
        for row in caveats.intermittent
    ]
    without = caveats.without_unconfirmed
    if without is None:
        return lines
    same = "would still be" if without.verdict == verdict else "WOULD BE"
    return [
        *lines,
        f"With the unconfirmed fails of {counted(without.devices, 'device')} left out the verdict"
        f" {same} {_verdict_words(without)}; here they count as failures from the first fail.",
    ]


# ------------------------------------------------------------------------------- the study

FIRST_FAILED = Columns[tuple[str, int]](
    "Functions that failed first",
    Column("first function to fail", lambda each: each[0], wrap=True),
    Column("dropped devices", lambda each: each[1], right=True),
)


def study(link: LatentLink, command: str = "") -> Iterator[Block]:
    """The exact tests, what fails one in ten, what failed first, and how well it predicts.

    Parameters
    ----------
    link : LatentLink
        Of all devices.
    command : str
        What gives the same in the terminal.
    """
    if link.dropped_against_controls is not None:
        yield Words(_exact_tests(link.dropped_against_controls))
    if link.ten_percent_dose is not None:
        dose = link.ten_percent_dose
        yield Words(
            f"One in ten fails within {link.ten_percent_days} days at a shock dose of"
            f" {labels.dose(dose.median)} ({labels.share(link.level)}: {labels.dose(dose.lower)} to"
            f" {labels.dose(dose.upper)}) with b = {labels.number(link.dose_exponent, 2)},"
            " background failures excluded."
        )
    if link.drops_to_ten_percent:
        yield _drops_to_ten_percent(link).table(link.drops_to_ten_percent, command)
    if link.first_failed_functions:
        yield FIRST_FAILED.table(link.first_failed_functions.items(), command)
    if link.log_loss is not None:
        yield Words(
            f"Prediction of devices left out ({link.check_method}): log loss"
            f" {labels.number(link.log_loss)} against {labels.number(link.log_loss_without_shock)}"
            f" without shock, Brier {labels.number(link.brier)} against"
            f" {labels.number(link.brier_without_shock)}; lower is better (p ="
            f" {p_words(link.check_p_value)} that shock adds nothing, one-sided)."
        )
    if link.calibration:
        groups = (
            f"{labels.chance(predicted)}/{labels.chance(seen)}"
            for predicted, seen in link.calibration
        )
        yield Words(
            f"Predicted/seen share failed, the safest devices first: {labels.listed(groups)}."
        )
    if link.next_round is not None:
        yield Words(_next_round(link.next_round))


def _drops_to_ten_percent(link: LatentLink) -> Columns[DropsToTenPercent]:
    return Columns(
        "Drops to a shock dose that fails one in ten",
        Column("case model", lambda kind: kind.case_model or "bare", wrap=True),
        Column("height, mm", "drop_height_mm", right=True),
        Column("readings", "readings", right=True),
        Column("drops", lambda kind: _drops(kind.median), right=True),
        Column(
            f"{labels.share(link.level)} interval",
            lambda kind: f"{_drops(kind.lower)} to {_drops(kind.upper)}",
        ),
    )


def _exact_tests(tested: DroppedAgainstControls) -> str:
    dropped = tested.dropped_failed + tested.dropped_working
    controls = tested.controls_failed + tested.controls_working
    counts = (
        f"{tested.dropped_failed} of {dropped} dropped failed,"
        f" {tested.controls_failed} of {controls} controls"
    )
    hopeless = (
        f"; at these counts not even the clearest outcome could be significant (p ="
        f" {p_words(tested.smallest_p_value)})"
        if tested.smallest_p_value > 0.05
        else ""
    )
    left_out = (
        f" {counted(tested.not_compared, 'device')} not compared: already failed at the first"
        " inspection since the drops, not inspected since, or without any comparable reading."
        if tested.not_compared
        else ""
    )
    p = p_words(tested.fisher_p_value)
    if not tested.followed_alike:
        return (
            f"Dropped against controls, as last inspected, up to day {tested.by_day:g}: {counts};"
            f" not all were followed alike, so p = {p}, two-sided, by permutation of log-rank"
            f" scores{hopeless}.{left_out}"
        )
    boschloo = (
        "" if tested.boschloo_p_value is None else f", Boschloo {p_words(tested.boschloo_p_value)}"
    )
    return (
        f"Dropped against controls by day {tested.by_day:g}: {counts}; p: Fisher {p}{boschloo},"
        f" two-sided; odds ratio {labels.number(tested.odds_ratio)}"
        f" ({labels.interval(tested.odds_ratio_lower, tested.odds_ratio_upper)}){hopeless}."
        f"{left_out}"
    )


def _next_round(ahead: NextRound) -> str:
    factor = ahead.expected_interval_factor
    narrower = (
        ""
        if factor is None
        else f", and the effect's interval is expected at {labels.chance(factor)} of its width"
    )
    return (
        f"One more round over {counted(ahead.devices, 'device')}:"
        f" {labels.number(ahead.expected_failures, 2)} unseen failures expected{narrower}."
    )


def _drops(count: float | None) -> str:
    """A number of drops; a part of one means that a single drop is more than enough."""
    if count is None:
        return "no number"
    return "under 1" if count < 1 else labels.number(count, 2)


# ------------------------------------------------------------------------------- device by device

_OUTLOOK_LEGEND = (
    "Unseen: probability that it has failed since its last inspection, by that day. By day:"
    " probability that a device of this shock history, working on drop day, has failed that many"
    " days after its last drop, whatever its own checks said; a relative ranking, not life in the"
    " field."
)
_DOSE_LEGEND = (
    "Shock dose: sum of (peak g / 1000)^b over the drops of the device until it failed (its history"
    " counts later ones too). In brackets: drops without a trusted reading, which are not in the"
    " dose."
)


def each_device(answer: LatentAnswer, command: str = "") -> Iterator[Block]:
    """What became of each device and what may yet come, then what it lived through.

    Parameters
    ----------
    answer : LatentAnswer
        The link and the doses beside it.
    command : str
        What gives the same in the terminal.
    """
    devices = answer.link.per_device
    if not devices:
        return
    yield _outlooks(answer).table(devices, command)
    yield Words(_OUTLOOK_LEGEND, is_note=True)
    yield _exposures(answer).table(devices, command)
    yield Words(_DOSE_LEGEND, is_note=True)
    for each in devices:
        if each.drops_without_reading:
            bounds = labels.listed(labels.dose(dose.upper) for dose in answer.doses[each.device])
            yield Words(
                f"{each.device}: {counted(each.drops_without_reading, 'drop')} without a trusted"
                f" reading; with each at the largest comparable drop the dose is {bounds}."
            )


def _outlooks(answer: LatentAnswer) -> Columns[DeviceOutlook]:
    """What became of each device, and what may yet come."""
    kept = {each.device for each in answer.quarantined}

    def state(each: DeviceOutlook) -> str:
        parts = (
            each.state,
            answer.not_in_use.get(each.device),
            labels.QUARANTINED if each.device in kept else None,
        )
        return labels.listed(part for part in parts if part)

    return Columns(
        "Devices, the likeliest to have failed unseen first",
        Column("device", "device", names="device"),
        Column("state", state, wrap=True),
        Column("failed", failed_days, wrap=True),
        Column("failed first", lambda each: labels.listed(each.first_failed_functions), wide=True),
        Column(
            "unseen",
            lambda each: (
                ""
                if each.probability_failed_unseen is None
                else labels.chance(each.probability_failed_unseen)
            ),
            right=True,
        ),
        *(_by_day(day) for day in _DAYS_AHEAD),
        order=_likeliest_first,
        act=lambda each: "failed" in each.state or each.state == "latent failure",
    )


def _by_day(day: int) -> Column[DeviceOutlook]:
    return Column(
        f"by day {day}",
        lambda each: labels.chance(each.probability_failed_by_day.get(day)),
        right=True,
    )


def _likeliest_first(each: DeviceOutlook) -> tuple[bool, float, float, str]:
    """Most likely to have failed unseen first, then by dose; the failed ones last."""
    unseen = each.probability_failed_unseen
    return unseen is None, -(unseen or 0.0), -(each.shock_dose or 0.0), each.device


def _exposures(answer: LatentAnswer) -> Columns[DeviceOutlook]:
    """What each device lived through, its dose under each exponent of the literature."""
    exponents = [dose.exponent for dose in next(iter(answer.doses.values()))]
    used = labels.number(answer.link.dose_exponent, 2)

    def dose(at: int) -> Column[DeviceOutlook]:
        return Column(
            f"b = {exponents[at]:g}",
            lambda each: labels.dose(answer.doses[each.device][at].dose),
            right=True,
        )

    return Columns(
        "Shocks of each device, the largest shock dose first",
        Column("device", "device", names="device"),
        Column(
            "drops",
            lambda each: (
                f"{each.drops} ({each.drops_without_reading})"
                if each.drops_without_reading
                else each.drops
            ),
            right=True,
        ),
        Column("largest peak, g", "max_peak_g", right=True),
        Column("largest velocity change, m/s", "largest_velocity_change_m_s", right=True),
        *(dose(at) for at in range(len(exponents))),
        Column(
            f"b = {used}, as used here",
            lambda each: labels.dose(each.shock_dose),
            right=True,
            wide=True,
        ),
        order=lambda each: (-(each.shock_dose or 0.0), each.device),
        act=lambda _: False,
    )


# ------------------------------------------------------------------------------- the command


def blocks(answer: LatentAnswer, *, devices: bool) -> Iterator[Block]:
    """The verdict, then the study or its devices one by one, and the caution.

    Parameters
    ----------
    answer : LatentAnswer
        The link and the doses beside it.
    devices : bool
        Device by device.
    """
    yield from verdict(answer)
    if devices:
        yield from each_device(answer)
    else:
        first = inspect_first(answer.link)
        if first is not None:
            yield Words(first)
        yield from why(study(answer.link))
        if answer.link.per_device:
            yield Words("Device by device: durability latent --devices")
    for line in safety.kept_apart_lines(answer.quarantined):
        yield Words(line)
    yield Words(safety.CAUTIONS[1])


def json(answer: LatentAnswer) -> dict[str, Any]:
    """Object of ``latent --json``."""
    link = answer.link
    check = ("log_loss", "log_loss_without_shock")
    effect = ("time_ratio_per_doubling", "lower", "upper", "p_value")
    doublings = ("per_peak_doubling", "per_count_doubling")
    days = ("failed_after_days", "failed_by_days")
    return {
        **as_json.everything(link, "per_device", "check_method", *check, *effect, *doublings),
        "effect": {
            **as_json.named(link, effect),
            **{name: as_json.everything(getattr(link, name)) for name in doublings},
        },
        "per_device": [
            {
                **as_json.everything(device, *days),
                "failed_after_days": {
                    "after": device.failed_after_days,
                    "by": device.failed_by_days,
                },
                "doses": [as_json.everything(dose) for dose in answer.doses[device.device]],
                "status": answer.not_in_use.get(device.device, "in use"),
                "quarantined": any(kept.device == device.device for kept in answer.quarantined),
            }
            for device in link.per_device
        ],
        "check": {"method": link.check_method, **as_json.named(link, check)},
        "quarantined": [as_json.quarantine(kept) for kept in answer.quarantined],
        "intermittent": list(answer.caveats.intermittent),
        "without_unconfirmed": answer.caveats.without_unconfirmed
        and as_json.everything(answer.caveats.without_unconfirmed),
        "dose_declaration": {
            "first_follow_up_at": answer.caveats.first_follow_up_at,
            "is_declared_before": answer.caveats.declared is not None,
            "declarations": [as_json.everything(each) for each in answer.caveats.declarations],
        },
    }
