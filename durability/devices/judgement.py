"""Whether later failures go with the shocks before them, and what to expect of each device."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.evidence import (
    SIGNIFICANCE,
    check_predictions,
    dose_rank_test,
    dropped_against_controls,
)
from durability.devices.link_model import FORMS, ShockLinkModel
from durability.devices.results import (
    DeviceOutlook,
    LatentLink,
    LatentVerdict,
    MissingReadings,
    NextLooks,
    TimeRatio,
)
from durability.devices.study import (
    EXPONENT_PRIOR,
    EXPONENTS,
    LITERATURE_EXPONENT,
    LITERATURE_RANGE,
    LatentStudy,
    assemble,
    dropped_alone,
    exposure_of,
)
from durability.devices.what_next import (
    LARGEST_LOG,
    central,
    drops_to_ten_percent,
    next_round,
    plan_looks,
    unlooked_spans,
)
from durability.record.basis import (
    FEWEST_CONTROLS,
    MIN_DEVICES_FOR_LINK,
    MIN_FAILURES_FOR_LINK,
    counted,
    p_words,
)

if TYPE_CHECKING:
    from durability.devices.results import LatentLink
    from durability.devices.study import LatentStudy
    from durability.record.records import DeviceHistory, FloatArray

SMALLEST_WEIGHT_TOLD = 0.005
"""Of a form; less rounds to 0 %."""


def sentence(link: LatentLink, study: LatentStudy) -> str:
    """The verdict, with its number and its limits.

    Parameters
    ----------
    link : LatentLink
        With its verdict, counts and effect.
    study : LatentStudy

    Returns
    -------
    str
    """
    followed = counted(len(study.lives), "device")
    of_controls = link.control_failures
    failures = counted(study.failures, "later failure") + (
        f", {of_controls} of {'a control' if of_controls == 1 else 'controls'}"
        if of_controls
        else ""
    )
    if link.verdict == "too few":
        enough = (
            len(study.lives) >= MIN_DEVICES_FOR_LINK and study.failures >= MIN_FAILURES_FOR_LINK
        )
        wanted = (
            "even the clearest link among these doses and outcomes could not differ from chance"
            if enough
            else "a verdict on whether they go with the shocks needs at least"
            f" {counted(MIN_DEVICES_FOR_LINK, 'device')} and"
            f" {counted(MIN_FAILURES_FOR_LINK, 'later failure')}"
        )
        return f"Too few to say: {followed} followed with {failures}; {wanted}."
    comma = "," if of_controls else ""
    chance = f"p = {p_words(link.p_value)}, two-sided, {failures}{comma} among {followed}"
    if link.verdict == "linked":
        alone = (
            ""
            if link.dose_matters_among_dropped
            else " among the dropped alone, without the controls, it is not shown to matter how "
            "large the dose was;"
        )
        return (
            f"In this study devices with a larger shock dose failed sooner than chance would "
            f"have it ({chance});{alone} that is not proof for any one device, nor for other "
            "devices and conditions."
        )
    if link.p_value is not None and link.p_value <= SIGNIFICANCE:
        return (
            "No link with shock dose was shown: devices with a smaller one failed sooner than "
            f"chance would have it ({chance}); they may differ in age or use."
        )
    return f"No link with shock dose was shown ({chance}); that is not proof that there is none."


def basis(link: LatentLink, study: LatentStudy) -> str:
    """What the estimate rests on, and every exception that was made.

    Parameters
    ----------
    link : LatentLink
        With its verdict, counts and effect.
    study : LatentStudy

    Returns
    -------
    str
        Clauses joined by semicolons.
    """
    own = study.follow_ups
    said = [
        f"{counted(len(study.lives), 'device')} followed "
        f"({sum(f.control for f in own)} never dropped), "
        f"{counted(study.failures, 'later failure')}, each known to lie between two inspections"
    ]
    if link.form_weights:
        forms = ", ".join(
            f"{name} {100 * weight:.0f} %"
            for name, weight in link.form_weights.items()
            if weight >= SMALLEST_WEIGHT_TOLD
        )
        said.append(
            f"form by evidence: {forms}; dose exponent averaged over {EXPONENTS[0]:g} to "
            f"{EXPONENTS[-1]:g} (literature for electronics {LITERATURE_RANGE[0]:g} to "
            f"{LITERATURE_RANGE[1]:g}): {link.dose_exponent:.1f}, "
            f"{link.dose_exponent_lower:g} to {link.dose_exponent_upper:g}"
        )
    else:
        said.append(f"dose exponent {link.dose_exponent:g} taken from the literature")
    if link.control_devices < FEWEST_CONTROLS:
        said.append(
            f"{counted(link.control_devices, 'control')}: the background is hardly known, "
            f"{FEWEST_CONTROLS} or more are wanted"
        )
    counts = {
        "failed on drop day, counted separately": link.failed_on_drop_day,
        "already failed at the first inspection after the drops, counted separately": sum(
            f.state == "failed before its first look" for f in own
        ),
        "not inspected since the last drop, state not known": link.not_inspected,
        "passed again after a fail, taken as failed from the first": sum(
            f.intermittent for f in own
        ),
        "with functions at fault before the first drop, those left out": sum(
            bool(f.functions_failed_before) for f in own
        ),
        "with drops of unknown day, counted from the first inspection": sum(
            f.drops_undated for f in own
        ),
        "without any comparable reading, dose unknown, left out": int((~study.dose_known).sum()),
    }
    said += [f"{counted(n, 'device')} {what}" for what, n in counts.items() if n]
    missing = link.missing_readings
    if missing is not None:
        said.append(
            f"{counted(missing.drops, 'drop')} without a trusted reading taken at the median of "
            f"comparable drops: p {p_words(missing.p_value_if_no_shock)} as no shock, "
            f"{p_words(missing.p_value_if_largest)} as the largest of them"
        )
    models = {history.device_model for history in study.histories}
    if len(models) > 1:
        said.append(f"{len(models)} device models taken together")
    return "; ".join(said)


HORIZONS_DAYS = (30, 90, 180)
TEN_PERCENT_DAYS = 90


def judge_latent_link(
    histories: Sequence[DeviceHistory],
    *,
    on_day: float | None = None,
    level: float = 0.9,
    random_state: int = 0,
) -> LatentLink:
    """Link between shock dose and later failures, and each device's outlook.

    Verdict and p-value come from ``dose_rank_test``, which asks for no curve. Effect,
    probabilities and doses come from ``ShockLinkModel``, averaged over the form of the time to
    failure and over the dose exponent.

    Parameters
    ----------
    histories : sequence of DeviceHistory
        Dropped devices and controls, of one study.
    on_day : float, optional
        Day on which the question is asked (for failures not seen yet), counted from 1970-01-01;
        by default the day of the last look of all.
    level : float
        Of every interval.
    random_state : int
        Seed of permutations and draws.

    Returns
    -------
    LatentLink
        ``too few`` when fewer than six devices were followed, fewer than three failed later, or
        no arrangement of these failures among these doses could have been significant.
    """
    study = assemble(histories)
    log_dose = study.log_dose(EXPONENTS)
    verdict, p_value = link_verdict(study, random_state=random_state)
    enough = verdict != "too few"
    enough_devices = len(study.lives) >= MIN_DEVICES_FOR_LINK
    model = _fitted(study, random_state) if enough_devices else None

    states = Counter(own.state for own in study.follow_ups)
    link = LatentLink(
        devices=len(study.histories),
        control_devices=sum(own.control for own in study.follow_ups),
        failed_on_drop_day=states["failed on drop day"],
        latent_failures=states["latent failure"],
        verdict=verdict,
        dose_exponent=LITERATURE_EXPONENT,
        time_ratio_per_doubling=None,
        lower=None,
        upper=None,
        p_value=p_value,
        dose_matters_among_dropped=(
            link_verdict(dropped_alone(study), random_state=random_state)[0] == "linked"
            if verdict == "linked"
            else None
        ),
        per_device=(),
        check_method=None,
        log_loss=None,
        log_loss_without_shock=None,
        basis="",
        level=level,
        control_failures=states["failed, never dropped"],
        not_inspected=states["not inspected"],
        first_failed_functions=_first_failed_functions(study),
        ten_percent_days=TEN_PERCENT_DAYS,
    )
    compared = dropped_against_controls(study, level, random_state)
    link = replace(link, dropped_against_controls=compared)
    if model is not None:
        link = _with_check(link, study, model, log_dose[:, study.followed], random_state)
    if model is not None and enough:
        link = _with_effect(link, model)
        if model.dose_varies_:
            link = _with_dose(link, study, model, random_state)
        link = replace(link, missing_readings=_missing_readings(study, random_state))
    spans = unlooked_spans(study, _last_look(study) if on_day is None else on_day)
    if model is not None and np.isfinite(spans).any():
        effect = model.slope_ * EXPONENTS[model.exponent_]
        link = replace(link, next_round=next_round(model, effect, log_dose, spans, level))
    return replace(
        link,
        per_device=_outlooks(link, study, model, log_dose, spans),
        basis=basis(link, study),
        sentence=sentence(link, study),
    )


def next_looks(
    histories: Sequence[DeviceHistory],
    on_day: float,
    *,
    looks: int | None = None,
    drops: int = 0,
    level: float = 0.9,
    random_state: int = 0,
) -> NextLooks:
    """When to inspect which devices next, to learn whether shocks and later failures are linked.

    Parameters
    ----------
    histories, on_day, level, random_state
        As in ``judge_latent_link``.
    looks, drops
        As in ``plan_looks``.

    Returns
    -------
    NextLooks
    """
    study = assemble(histories)
    can_be = int(np.isfinite(unlooked_spans(study, on_day)).all(axis=1).sum())
    followed = counted(len(study.lives), "followed device")
    if len(study.lives) < MIN_DEVICES_FOR_LINK:
        lacking = (
            f"{followed}; a link needs {MIN_DEVICES_FOR_LINK}, dropped and never dropped, inspected"
            " again after their drops"
        )
        return NextLooks(can_be, looks or can_be, drops, (), lacking)
    model = _fitted(study, random_state)
    plans = plan_looks(study, model, EXPONENTS, on_day, looks=looks, drops=drops, level=level)
    basis = f"{followed}, {counted(study.failures, 'later failure')}; outcomes drawn from the model"
    if not plans:
        basis = f"{followed}; " + (
            "no device can be inspected" if not can_be else "dropped devices all have one dose"
        )
    return NextLooks(can_be, can_be if looks is None else looks, drops, plans, basis)


def link_verdict(
    study: LatentStudy, exponent: float | None = None, *, random_state: int = 0
) -> tuple[LatentVerdict, float | None]:
    """Verdict on a study and its p-value, without a curve.

    Parameters
    ----------
    study : LatentStudy
    exponent : float, optional
        Of the peak in the dose; by default averaged over ``TESTED_EXPONENTS``.
    random_state : int
        Seed of the permutations.

    Returns
    -------
    verdict : {"linked", "not shown", "too few"}
    p_value : float or None
        Two-sided; None with ``too few``.
    """
    test = dose_rank_test(study, random_state, exponent)
    enough = (
        len(study.lives) >= MIN_DEVICES_FOR_LINK
        and study.failures >= MIN_FAILURES_FOR_LINK
        and test.could_show
    )
    if not enough:
        return "too few", None
    linked = test.p_value is not None and test.p_value <= SIGNIFICANCE and test.harmful
    return "linked" if linked else "not shown", test.p_value


def _fitted(
    study: LatentStudy,
    random_state: int,
    exponents: FloatArray = EXPONENTS,
    prior: FloatArray = EXPONENT_PRIOR,
) -> ShockLinkModel:
    log_dose = study.log_dose(exponents)[:, study.followed]
    return ShockLinkModel(prior, random_state).fit(study.lives, log_dose, study.entry)


def _first_failed_functions(study: LatentStudy) -> dict[str, int]:
    """Dropped devices in which each function was among the first to fail, the commonest first."""
    found = Counter(
        name
        for own in study.follow_ups
        if own.state == "latent failure"
        for name in own.first_failed_functions
    )
    return dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def _with_effect(link: LatentLink, model: ShockLinkModel) -> LatentLink:
    """Exponent, and what twice the peak and twice the drops do, from the posterior.

    A doubling of the dose means another thing under each exponent; a doubling of the peaks at the
    same number of drops (dose times 2^b) or of the number of equal drops (dose times 2) does not.
    """
    exponent = EXPONENTS[model.exponent_]
    spread = central(exponent, link.level)
    varies = model.dose_varies_
    return replace(
        link,
        dose_exponent=float(exponent.mean()),
        dose_exponent_lower=spread.lower,
        dose_exponent_upper=spread.upper,
        form_weights={
            form.name: float((model.form_ == index).mean()) for index, form in enumerate(FORMS)
        },
        per_peak_doubling=(
            _time_ratio(exponent * model.slope_, link.level) if varies else TimeRatio()
        ),
        per_count_doubling=_time_ratio(model.slope_, link.level) if varies else TimeRatio(),
    )


def _time_ratio(shortening: FloatArray, level: float) -> TimeRatio:
    """Factor on the time to failure from the draws of its shortening, in halvings."""
    ratio = central(np.exp2(-shortening), level)
    return TimeRatio(ratio=ratio.median, lower=ratio.lower, upper=ratio.upper)


def _with_check(
    link: LatentLink,
    study: LatentStudy,
    model: ShockLinkModel,
    log_dose: FloatArray,
    random_state: int,
) -> LatentLink:
    """How well devices are predicted."""
    check = check_predictions(study, model, log_dose, random_state)
    if check is None:
        return link
    return replace(
        link,
        check_method=check.method,
        log_loss=check.log_loss,
        log_loss_without_shock=check.log_loss_without_shock,
        check_p_value=check.p_value,
        brier=check.brier,
        brier_without_shock=check.brier_without_shock,
        calibration=check.calibration,
    )


def _with_dose(
    link: LatentLink, study: LatentStudy, model: ShockLinkModel, random_state: int
) -> LatentLink:
    """What a dose does: its doubling, and the dose and drops of each kind that fail one in ten.

    Doses of different exponents have different units: what is said of a dose is said by a model
    of the one exponent that is shown.
    """
    shown = np.array([link.dose_exponent], dtype=float)
    at_exponent = _fitted(study, random_state, shown, np.ones(1))
    ratio = _time_ratio(at_exponent.slope_, link.level)
    link = replace(link, time_ratio_per_doubling=ratio.ratio, lower=ratio.lower, upper=ratio.upper)
    # A dose can be named only where higher peaks are seen to shorten the life.
    worst = link.per_peak_doubling.upper
    if link.verdict != "linked" or worst is None or worst >= 1:
        return link
    log_dose = at_exponent.log_dose_at(0.1, link.ten_percent_days)
    return replace(
        link,
        ten_percent_dose=central(np.exp(np.minimum(log_dose, LARGEST_LOG)), link.level),
        drops_to_ten_percent=drops_to_ten_percent(
            study, model, EXPONENTS, link.ten_percent_days, link.level
        ),
    )


def _missing_readings(study: LatentStudy, random_state: int) -> MissingReadings | None:
    """The answer with unread drops taken as no shock, and as the largest of their like."""
    missing = [
        int((own.lived_through & np.isnan(history.peak_g)).sum())
        for history, own in zip(study.histories, study.follow_ups, strict=True)
    ]
    if sum(missing) == 0:
        return None
    p_values, ratios = [], []
    for extreme in (assemble(study.histories, "no shock"), assemble(study.histories, "largest")):
        p_values.append(dose_rank_test(extreme, random_state).p_value)
        model = _fitted(extreme, random_state)
        per_peak = _time_ratio(EXPONENTS[model.exponent_] * model.slope_, 0.9).ratio
        ratios.append(per_peak if model.dose_varies_ else None)
    return MissingReadings(
        drops=sum(missing),
        devices=sum(count > 0 for count in missing),
        p_value_if_no_shock=p_values[0],
        p_value_if_largest=p_values[1],
        time_ratio_if_no_shock=ratios[0],
        time_ratio_if_largest=ratios[1],
    )


def _last_look(study: LatentStudy) -> float:
    """Day of the last look at any device, since 1970-01-01; 0 when there was none."""
    days = [
        own.zero_day + (own.by_days if own.by_days is not None else own.after_days or 0.0)
        for own in study.follow_ups
        if own.zero_day is not None
    ]
    return max(days, default=0.0)


def _outlooks(
    link: LatentLink,
    study: LatentStudy,
    model: ShockLinkModel | None,
    log_dose: FloatArray,
    spans: FloatArray,
) -> tuple[DeviceOutlook, ...]:
    """Each device's history and chances, in the order given."""
    exposures = exposure_of(
        study.histories,
        [own.lived_through for own in study.follow_ups],
        link.dose_exponent or LITERATURE_EXPONENT,
    )
    n = len(study.histories)
    by_horizon: dict[int, FloatArray] = {}
    unseen = np.full(n, np.nan)
    if model is not None and n:
        start = np.zeros(n)
        for days in HORIZONS_DAYS:
            chance = model.probability_failed(log_dose, start, np.full(n, float(days)))
            by_horizon[days] = np.where(study.dose_known, chance.mean(axis=0), np.nan)
        asked = np.isfinite(spans).all(axis=1)
        unseen[asked] = model.probability_failed(log_dose[:, asked], *spans[asked].T).mean(axis=0)
    return tuple(
        DeviceOutlook(
            device=own.device,
            drops=exposure.drops,
            max_peak_g=exposure.max_peak_g,
            shock_dose=exposure.shock_dose,
            state=own.state,
            failed_after_days=own.after_days,
            failed_by_days=own.by_days,
            probability_failed_by_day={
                days: _number(by_horizon[days][index]) if by_horizon else None
                for days in HORIZONS_DAYS
            },
            drops_without_reading=exposure.drops_without_reading,
            control=own.control,
            shock_dose_likely=exposure.shock_dose_likely,
            shock_dose_upper=exposure.shock_dose_upper,
            largest_velocity_change_m_s=exposure.largest_velocity_change_m_s,
            first_failed_functions=own.first_failed_functions,
            probability_failed_unseen=_number(unseen[index]),
        )
        for index, (own, exposure) in enumerate(zip(study.follow_ups, exposures, strict=True))
    )


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
