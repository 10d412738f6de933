"""Failures of devices against what they lived through: shock dose, peak and velocity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, MaxNLocator, PercentFormatter

from durability.record import units
from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import boundary as words
from durability.report.answers.latent import sentence
from durability.report.plots import look
from durability.report.plots.scales import named_ticks

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.devices.results import DamageBoundary, DeviceOutlook, DoseCurve, LatentLink
    from durability.record.records import FloatArray

_STATE_STYLES: tuple[look.Style, ...] = (
    {"marker": "X", "markersize": 7, "markerfacecolor": look.RUST, "markeredgecolor": look.WHITE},
    {
        "marker": "o",
        "markersize": 4.5,
        "markerfacecolor": look.WHITE,
        "markeredgecolor": look.MUTED,
    },
    {"marker": "o", "markersize": 4.5, "markerfacecolor": look.BLUE, "markeredgecolor": look.WHITE},
)


@look.in_our_look
def latent(link: LatentLink, curve: DoseCurve | None, *, days: int = 90) -> Figure:
    """Probability of having failed by one day against the shock dose, with what was seen.

    Parameters
    ----------
    link : LatentLink
        The study.
    curve : DoseCurve or None
        Its curve by the same day; None when it is too small for one.
    days : int
        After the last drop.

    Returns
    -------
    Figure
    """
    seen = [
        each
        for each in link.per_device
        if each.state in ("working", "latent failure", "failed, never dropped")
    ]
    if not link.per_device:
        return look.missing(labels.NOTHING["devices"])
    if not seen:
        return look.missing(
            "No device was inspected after its last drop: inspect some first."
            if all(each.state == "not inspected" for each in link.per_device)
            else "No device was found working after its last drop, so none can have failed later."
        )
    apart = len(link.per_device) - len(seen)
    notes = ["Each mark below is one device, as it was seen."]
    if curve is not None:
        notes.insert(0, "Curve: a device of that dose that worked on drop day.")
    if apart:
        notes.append(
            f"{counted(apart, 'device')} not shown: failed on drop day or before its first"
            " inspection, or not inspected since."
        )
    notes.append(f"Rests on: {link.basis}.")
    controls = sum(each.control for each in seen)
    sheet = look.Sheet(
        latent_answer(link),
        f"{counted(len(seen) - controls, 'dropped device')} and {counted(controls, 'control')};"
        f" failed by day {days} after the last drop.",
        key=_latent_key(curve, link.level, days),
        notes=notes,
    )
    panels = sheet.rows((2.6, 0.85), x_label=_dose_words(link.dose_exponent), left_in=1.25)
    _draw_latent(panels, seen, curve, days)
    return sheet.figure


def _draw_latent(
    panels: Sequence[Axes], seen: Sequence[DeviceOutlook], curve: DoseCurve | None, days: int
) -> None:
    chances, states = panels
    doses = np.array([_dose(each) for each in seen])
    felt = doses[doses > 0]
    low = float(felt.min()) if felt.size else 0.1
    high = float(felt.max()) if felt.size else 1.0
    if curve is not None:
        low, high = min(low, float(curve.shock_dose[0])), max(high, float(curve.shock_dose[-1]))
    room = max(1.0, (10.0 * low / high) ** 0.5)  # a decade at least
    low, high = low / room, high * room
    decades = math.log10(high / low)
    # Never dropped has no place on a logarithmic axis: it gets a separate strip at the left.
    strip = low * 10 ** (-0.14 * decades)
    edge = low * 10 ** (-0.07 * decades)
    left = low * 10 ** (-0.21 * decades)
    for panel in panels:
        look.log_ticks(panel, "x", look.round_values(low, high, 7))
        panel.set_xlim(left, high * 10 ** (0.05 * decades))
        panel.axvline(edge, color=look.MUTED, linewidth=0.8)
    ticks = [strip, *look.round_values(low, high, 7)]
    names = ["none", *(f"{tick:g}" for tick in ticks[1:])]
    named_ticks(states, "x", ticks, names, look.SMALL_PT)
    chances.tick_params(labelbottom=False)
    if curve is not None:
        chances.fill_between(
            curve.shock_dose, curve.lower, curve.upper, color=look.BAND, linewidth=0
        )
        chances.plot(curve.shock_dose, curve.probability, color=look.BLUE, label="_curve")
        lower, middle, upper = curve.background
        chances.errorbar(
            [strip],
            [middle],
            yerr=[[middle - lower], [upper - middle]],
            color=look.BLUE,
            ecolor=look.BAND,
            elinewidth=9,
            marker="_",
            markersize=12,
            markeredgewidth=1.6,
            label="_background",
        )
    else:
        chances.text(
            0.6,
            0.5,
            "too few devices for a curve",
            transform=chances.transAxes,
            ha="center",
            color=look.MUTED,
        )
    chances.set_ylim(0.0, 1.0)
    chances.yaxis.set_major_formatter(PercentFormatter(1.0))
    chances.yaxis.set_major_locator(FixedLocator([0.0, 0.25, 0.5, 0.75, 1.0]))
    chances.set_ylabel(f"failed by day {days}, probability", fontsize=look.SMALL_PT)
    at = np.where(doses > 0, np.maximum(doses, low), strip)
    rows = np.array([_state_row(each, days) for each in seen])
    spread = _side_by_side(np.log10(at), rows, width=0.018 * decades)
    for row, style in enumerate(_STATE_STYLES):
        here = (rows == row) & (doses > 0)
        states.plot(at[here], row + spread[here], linestyle="none", label=f"_state {row}", **style)
        undropped = int(((rows == row) & (doses == 0)).sum())
        if undropped:  # one mark and a number: they all have the same place
            states.plot([strip], [row], linestyle="none", label=f"_none {row}", **style)
            states.annotate(
                f"×{undropped}",
                (strip, row),
                xytext=(6, 0),
                textcoords="offset points",
                va="center",
                fontsize=look.TINY_PT,
            )
    words = [f"failed by day {days}", "not known", f"worked on day {days}"]
    named_ticks(states, "y", range(3), words, look.SMALL_PT)
    states.set_ylim(2.6, -0.6)
    states.grid(visible=False, axis="y")


def _state_row(device: DeviceOutlook, days: int) -> int:
    """0 failed by that day, 2 worked on it, 1 when the inspections leave it open."""
    if device.failed_by_days is not None and device.failed_by_days <= days:
        return 0
    return 2 if (device.failed_after_days or 0.0) >= days else 1


def _dose(device: DeviceOutlook) -> float:
    likely = device.shock_dose_likely
    return float((device.shock_dose if likely is None else likely) or 0.0)


def _side_by_side(place: FloatArray, rows: FloatArray, *, width: float) -> FloatArray:
    """Small steps up and down for marks of one row that would cover each other."""
    offset = np.zeros(place.size)
    steps = (0.0, -0.22, 0.22, -0.4, 0.4)
    for row in np.unique(rows):
        here = np.flatnonzero(rows == row)
        taken: dict[int, int] = {}
        for index in here[np.argsort(place[here], kind="stable")]:
            slot = round(float(place[index]) / (2 * width))
            offset[index] = steps[taken.get(slot, 0) % len(steps)]
            taken[slot] = taken.get(slot, 0) + 1
    return offset


def _dose_words(exponent: float | None) -> str:
    power = "b" if exponent is None else f"{exponent:.2g}"
    return f"shock dose, sum of (peak g / 1000)^{power}; none: never dropped"


def _latent_key(curve: DoseCurve | None, level: float, days: int) -> list[tuple[str, Artist]]:
    marks = [Line2D([], [], linestyle="none", **style) for style in _STATE_STYLES]
    words = (f"failed by day {days}", f"state on day {days} not known", f"worked on day {days}")
    key: list[tuple[str, Artist]] = list(zip(words, marks, strict=True))
    if curve is None:
        return key
    return [
        ("probability", Line2D([], [], color=look.BLUE)),
        (f"{level:.0%} band", Patch(facecolor=look.BAND)),
        *key,
    ]


def latent_answer(link: LatentLink) -> str:
    """Whether later failures go with the shocks, in one sentence for a title."""
    return link.sentence or sentence(link)


_PASSED: look.Style = {
    "marker": "o",
    "markersize": 4.2,
    "markerfacecolor": look.WHITE,
    "markeredgecolor": look.BLUE,
}
_FAILED: look.Style = {
    "marker": "X",
    "markersize": 7,
    "markerfacecolor": look.RUST,
    "markeredgecolor": look.WHITE,
}
_PERHAPS: look.Style = {**look.DOUBTED, "markersize": 5.0, "markeredgewidth": 1.0}
_LINKED: look.Style = {"color": look.RUST, "linewidth": 0.7, "linestyle": (0, (1, 1.5))}
_FROM_BELOW: look.Style = {"color": look.BLUE, "linewidth": 1.2, "linestyle": (0, (2, 1.5))}


@look.in_our_look
def boundary(boundaries: Sequence[DamageBoundary], *, page: int = 1) -> Figure:
    """Shocks by velocity change and peak, with what they bound of the damage boundary.

    Parameters
    ----------
    boundaries : sequence of DamageBoundary
        One a device model.
    page : int
        Of the sheets that many models take.

    Returns
    -------
    Figure
    """
    filled = [each for each in boundaries if len(each.passed_peak_g) or each.failed]
    if not boundaries:
        return look.missing(labels.NOTHING["shocks"])
    if not filled:
        lacking = "Inspect devices between their drops, and record velocity changes."
        return look.missing(f"{words.answer(boundaries)} {lacking}")
    filled.sort(key=lambda each: (not each.is_told, -len(each.failed), each.device_model))
    shown, others = look.leaf(
        "boundary", filled, page, "device models", "the most informative first"
    )
    passed = sum(len(each.passed_peak_g) for each in shown)
    devices = sum(each.devices for each in shown)
    sheet = look.Sheet(
        words.answer(shown),
        f"{counted(passed, 'shock')} passed and"
        f" {sum(len(each.failed) for each in shown)} of {counted(devices, 'device')} failed by a"
        " shock, in any case or bare.",
        key=_key(shown),
        notes=[words.METHOD, words.SHORT_LIMITS, *others],
    )
    panels = sheet.grid(
        len(shown),
        x_label=f"velocity change, {units.unit(units.VELOCITY)}",
        y_label="peak acceleration, g",
        one_scale=True,
        right_in=0.1,
    )
    high_g, high_m_s = _ends(shown)
    panels[0].set_xlim(0.0, high_m_s)
    panels[0].set_ylim(0.0, high_g)
    columns = look.columns_for(len(shown))
    for panel, each in zip(panels, shown, strict=True):
        look.shown_ticks(panel, 6 if columns <= 2 else 3, units.VELOCITY)
        panel.yaxis.set_major_locator(MaxNLocator(6 if columns <= 2 else 3))
        _bounds(panel, each)
        velocity, peak = each.passed_velocity_change_m_s, each.passed_peak_g
        apart = look.apart(panel, velocity, peak, marker_pt=3.0)
        panel.plot(
            velocity[apart],
            peak[apart],
            linestyle="none",
            label="_passed",
            **_PASSED,
        )
        for failed in each.failed:
            alone = len(failed.peak_g) == 1
            panel.plot(
                failed.velocity_change_m_s,
                failed.peak_g,
                label="_failed" if alone else "_one of these failed",
                **({"linestyle": "none", **_FAILED} if alone else {**_LINKED, **_PERHAPS}),
            )
        sheet.title(panel, each.device_model, f", n = {counted(each.devices, 'device')}")
    return sheet.figure


def _ends(shown: Sequence[DamageBoundary]) -> tuple[float, float]:
    """Upper ends of both axes, with room beyond the largest reading."""
    peaks = [each.passed_peak_g for each in shown] + [
        failed.peak_g for each in shown for failed in each.failed
    ]
    velocities = [each.passed_velocity_change_m_s for each in shown] + [
        failed.velocity_change_m_s for each in shown for failed in each.failed
    ]
    tops = []
    for values in (np.concatenate(peaks), np.concatenate(velocities)):
        read = values[np.isfinite(values)]
        tops.append(1.12 * float(read.max()) if read.size else 1.0)
    return tops[0], tops[1]


def _bounds(panel: Axes, each: DamageBoundary) -> None:
    """The boundary at its outermost, as failed shocks bound it, and bounds from below."""
    peak, velocity = each.critical_peak_g, each.critical_velocity_change_m_s
    if peak.smallest_failed is None or velocity.smallest_failed is None:
        return
    right, top = panel.get_xlim()[1], panel.get_ylim()[1]
    panel.fill_between(
        [velocity.smallest_failed, right],
        [peak.smallest_failed] * 2,
        top,
        facecolor=look.PALE,
        edgecolor=look.MUTED,
        hatch="///",
        linewidth=0.0,
        zorder=0.5,
    )
    panel.plot(
        [velocity.smallest_failed, velocity.smallest_failed, right],
        [top, peak.smallest_failed, peak.smallest_failed],
        label="_at most",
        **look.LIMIT,
    )
    if peak.largest_passed is not None:
        panel.axhline(peak.largest_passed, label="_peak above", **_FROM_BELOW)
    if velocity.largest_passed is not None:
        panel.axvline(velocity.largest_passed, label="_velocity above", **_FROM_BELOW)


def _key(shown: Sequence[DamageBoundary]) -> list[tuple[str, Artist]]:
    alone = {len(failed.peak_g) == 1 for each in shown for failed in each.failed}
    key: list[tuple[str, Artist]] = [("passed", Line2D([], [], linestyle="none", **_PASSED))]
    if True in alone:
        key.append(("failed a device", Line2D([], [], linestyle="none", **_FAILED)))
    if False in alone:
        key.append(("one of these failed a device", Line2D([], [], **{**_LINKED, **_PERHAPS})))
    if any(each.critical_peak_g.smallest_failed is not None for each in shown):
        key.append(("boundary at most here", Line2D([], [], **look.LIMIT)))
        fails = Patch(facecolor=look.PALE, edgecolor=look.MUTED, hatch="///", linewidth=0.0)
        key.append(("fails", fails))
    if any(
        value.largest_passed is not None
        for each in shown
        for value in (each.critical_peak_g, each.critical_velocity_change_m_s)
    ):
        key.append(("critical value above this", Line2D([], [], **_FROM_BELOW)))
    return key
