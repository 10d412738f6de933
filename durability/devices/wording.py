"""What a latent link rests on, and its verdict in words that can't be overstated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.devices.exposure import EXPONENTS, LITERATURE_RANGE
from durability.record.basis import (
    FEWEST_CONTROLS,
    MIN_DEVICES_FOR_LINK,
    MIN_FAILURES_FOR_LINK,
    counted,
)

if TYPE_CHECKING:
    from durability.devices.results import LatentLink
    from durability.devices.study import LatentStudy

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
    failures = counted(study.failures, "later failure")
    if link.verdict == "too few":
        enough = (
            len(study.lives) >= MIN_DEVICES_FOR_LINK and study.failures >= MIN_FAILURES_FOR_LINK
        )
        wanted = (
            "even the plainest link among these doses and outcomes could not be told from chance"
            if enough
            else f"a link needs at least {MIN_DEVICES_FOR_LINK} and {MIN_FAILURES_FOR_LINK}"
        )
        return f"Too few to say: {followed} followed with {failures}; {wanted}."
    chance = f"p = {link.p_value:.2g}, two-sided, {failures} among {followed}"
    if link.verdict == "linked":
        alone = (
            ""
            if link.dose_matters_among_dropped
            else " among the dropped alone, without the controls, it is not shown to matter how "
            "large the dose was;"
        )
        return (
            f"In this study devices with a larger shock dose failed sooner than chance would "
            f"have it ({chance});{alone} that is no proof for any one device, nor for other "
            "devices and conditions."
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
        "failed on drop day, kept apart": link.failed_on_drop_day,
        "already failed at the first inspection after the drops, kept apart": sum(
            f.state == "failed before its first look" for f in own
        ),
        "not inspected since the last drop, telling nothing": link.not_inspected,
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
            f"{counted(missing.drops, 'drop')} without a trusted reading taken at the middle of "
            f"their like: p {_p(missing.p_value_if_no_shock)} if they were no shock, "
            f"{_p(missing.p_value_if_largest)} if the largest of their like"
        )
    models = {history.device_model for history in study.histories}
    if len(models) > 1:
        said.append(f"{len(models)} device models taken together")
    return "; ".join(said)


def _p(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2g}"
