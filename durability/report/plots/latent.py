"""Later failures against the shock dose, controls included."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, PercentFormatter

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers.latent import sentence
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.devices.results import DeviceOutlook, DoseCurve, LatentLink
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
            "No device was looked at after its last drop: inspect some first."
            if all(each.state == "not inspected" for each in link.per_device)
            else "No device was found working after its last drop, so none can have failed later."
        )
    apart = len(link.per_device) - len(seen)
    notes = ["Each mark below is one device, as it was seen."]
    if curve is not None:
        notes.insert(0, "Curve: a device of that dose that worked on drop day.")
    if apart:
        notes.append(
            f"{counted(apart, 'device')} kept apart: failed on drop day or before its first"
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
    # Never dropped has no place on a logarithmic axis: it gets a strip of its own at the left.
    strip = low * 10 ** (-0.14 * decades)
    edge = low * 10 ** (-0.07 * decades)
    left = low * 10 ** (-0.21 * decades)
    for panel in panels:
        look.log_ticks(panel, "x", look.round_values(low, high, 7))
        panel.set_xlim(left, high * 10 ** (0.05 * decades))
        panel.axvline(edge, color=look.MUTED, linewidth=0.8)
    ticks = [strip, *look.round_values(low, high, 7)]
    states.set_xticks(ticks, ["none", *(f"{tick:g}" for tick in ticks[1:])])
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
    states.set_yticks(range(3), words, fontsize=look.SMALL_PT)
    states.set_ylim(2.6, -0.6)
    states.grid(visible=False, axis="y")


def _state_row(device: DeviceOutlook, days: int) -> int:
    """0 failed by that day, 2 worked on it, 1 when the looks leave it open."""
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
