"""Peak against velocity change of the shocks that devices passed, and of those that failed them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from durability.record.basis import counted
from durability.report import labels
from durability.report.answers import boundary as words
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.devices.results import DamageBoundary

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
def boundary(boundaries: Sequence[DamageBoundary]) -> Figure:
    """Shocks by velocity change and peak, with what they bound of the damage boundary.

    Parameters
    ----------
    boundaries : sequence of DamageBoundary
        One a device model.

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
    shown = filled[: look.MOST_PANELS]
    passed = sum(len(each.passed_peak_g) for each in shown)
    devices = sum(each.devices for each in shown)
    more = len(filled) - len(shown)
    sheet = look.Sheet(
        words.answer(shown),
        f"{counted(passed, 'shock')} passed and"
        f" {sum(len(each.failed) for each in shown)} of {counted(devices, 'device')} failed by a"
        " shock, in any case or bare.",
        key=_key(shown),
        notes=[
            words.METHOD,
            words.LIMITS,
            *(line for each in shown[:2] for line in words.exceptions(each)),
            *([f"{len(shown)} of {len(filled)} device models shown."] if more else []),
        ],
    )
    panels = sheet.grid(
        len(shown),
        x_label="velocity change, m/s",
        y_label="peak acceleration, g",
        one_scale=True,
        right_in=0.1,
    )
    high_g, high_m_s = _ends(shown)
    panels[0].set_xlim(0.0, high_m_s)
    panels[0].set_ylim(0.0, high_g)
    columns = look.columns_for(len(shown))
    for panel, each in zip(panels, shown, strict=True):
        panel.xaxis.set_major_locator(MaxNLocator(6 if columns <= 2 else 3))
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
