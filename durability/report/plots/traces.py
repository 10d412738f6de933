"""What one record says of its impact, and how far to believe it; several on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from matplotlib.lines import Line2D

from durability.record.basis import counted
from durability.report import pulse_labels
from durability.report.answers.pulses import shown_window_ms
from durability.report.plots import look

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.pulse.results import PulseTrace

_STYLES: tuple[dict[str, Any], ...] = (
    {"color": look.INK, "linestyle": "-"},
    {"color": look.RUST, "linestyle": (0, (5, 1.5))},
    {"color": look.BLUE, "linestyle": (0, (1, 1))},
    {"color": look.SAND, "linestyle": "-."},
)
"""Distinguishable without colour."""

_BETWEEN: dict[str, Any] = {"color": look.MUTED, "linewidth": 0.5}
"""Drops between the first and the last of many."""

_RAW: dict[str, Any] = {"color": look.MUTED, "linewidth": 0.6}
_BASELINE: dict[str, Any] = {"color": look.MUTED, "linewidth": 0.9, "linestyle": (0, (8, 2, 1, 2))}
_CROSSING: dict[str, Any] = {"color": look.BLUE, "linewidth": 0.9, "linestyle": (0, (2, 1.5))}
_MOST_NOTES = 8


@look.in_our_look
def traces(drops: Sequence[PulseTrace]) -> Figure:
    """Acceleration of one drop or several on one time axis, as recorded and as measured.

    One drop shows its record unfiltered and filtered, baseline, 10 % crossings and the filter; of
    several only the filtered traces are drawn, each from its own first crossing.

    Parameters
    ----------
    drops : sequence of PulseTrace
        At least one.

    Returns
    -------
    Figure
    """
    first = drops[0]
    shown = (
        f"{first.file_name}, {first.channel}, {first.measures.sample_rate_hz:.6g} samples/s."
        if len(drops) == 1
        else f"{counted(len(drops), 'drop')} of series {first.series}, filtered."
    )
    sheet = look.Sheet(
        pulse_labels.traces_answer(drops), shown, key=_key(drops), notes=_notes(drops)
    )
    has_impact = any(drop.measures.peak_g is not None for drop in drops)
    x_label = "time since the first 10 % crossing, ms" if has_impact else "time, ms"
    (panel,) = sheet.grid(1, x_label=x_label, y_label="acceleration, g", one_scale=True)
    panel.axhline(0.0, **_BASELINE)
    if len(drops) == 1:
        panel.plot(first.time_ms, first.raw_g, label="_raw", **_RAW)
        _mark_crossings(panel, first)
    for at, drop in enumerate(drops):
        if not _is_filtered(drop) and len(drops) == 1:
            continue
        style = _style(at, len(drops))
        panel.plot(drop.time_ms, drop.filtered_g, label=f"_drop {drop.drop_number}", **style)
    from_ms, to_ms = shown_window_ms(drops)
    panel.set_xlim(from_ms, to_ms)
    low, high = _extremes(drops, from_ms, to_ms)
    panel.set_ylim(low - 0.06 * (high - low), high + 0.08 * (high - low))
    return sheet.figure


def _is_filtered(drop: PulseTrace) -> bool:
    low_pass = drop.measures.low_pass
    return low_pass is not None and low_pass.cutoff_hz is not None


def _style(at: int, count: int) -> dict[str, Any]:
    if count > len(_STYLES):
        if 0 < at < count - 1:
            return _BETWEEN
        at = min(at, 1)
    return {**_STYLES[at], "linewidth": 1.8, "zorder": 5 - at}


def _key(drops: Sequence[PulseTrace]) -> list[tuple[str, Artist]]:
    if len(drops) > 1:
        count = len(drops)
        named = range(count) if count <= len(_STYLES) else (0, count - 1)
        key: list[tuple[str, Artist]] = [
            (
                f"drop {drops[at].drop_number}{', void' if drops[at].status == 'void' else ''}",
                Line2D([], [], **_style(at, count)),
            )
            for at in named
        ]
        if len(key) < count:
            key.append((counted(count - 2, "drop") + " between", Line2D([], [], **_BETWEEN)))
        return key
    key = [
        *([("filtered", Line2D([], [], **_style(0, 1)))] if _is_filtered(drops[0]) else []),
        ("as recorded", Line2D([], [], **_RAW)),
        ("baseline", Line2D([], [], **_BASELINE)),
    ]
    if drops[0].measures.peak_g is not None:
        key.append(("10 % of the peak", Line2D([], [], **_CROSSING)))
    return key


def _mark_crossings(panel: Axes, drop: PulseTrace) -> None:
    """The level of 10 % of the peak, and the two instants at which the pulse crosses it."""
    measures = drop.measures
    if measures.peak_g is None or measures.pulse_duration_ms is None:
        return
    tenth_g = 0.1 * measures.peak_g
    panel.axhline(tenth_g, **_CROSSING)
    ends_ms = (0.0, measures.pulse_duration_ms)
    for at_ms in ends_ms:
        panel.axvline(at_ms, **_CROSSING)
    panel.plot(
        ends_ms,
        (tenth_g, tenth_g),
        linestyle="none",
        marker="o",
        markersize=4,
        markerfacecolor=look.WHITE,
        markeredgecolor=look.BLUE,
        label="_crossings",
        zorder=6,
    )


def _notes(drops: Sequence[PulseTrace]) -> list[str]:
    """Filter, then every doubt in words, then why a person voided a drop."""
    filters = {pulse_labels.filter_words(drop.measures) for drop in drops}
    texts = [f"Filter: {'; '.join(sorted(filters)) if len(filters) < 3 else 'one for each pulse'}."]
    doubts = [
        (drop.drop_number, words)
        for drop in drops
        for words in pulse_labels.doubts_of(drop.measures)
    ]
    doubts += [
        (drop.drop_number, f"void: {drop.void_reason}")
        for drop in drops
        if drop.void_reason and drop.void_reason != drop.measures.void_reason
    ]
    if len(drops) == 1:
        texts += [f"{words}." for _, words in doubts]
    else:
        lines = pulse_labels.doubts_together(("", number, words) for number, words in doubts)
        texts += [f"{line[0].upper()}{line[1:]}." for line in lines]
    if len(texts) > _MOST_NOTES:
        texts = [*texts[:_MOST_NOTES], f"… and {len(texts) - _MOST_NOTES} more notes."]
    return texts


def _extremes(drops: Sequence[PulseTrace], from_ms: float, to_ms: float) -> tuple[float, float]:
    """Lowest and highest acceleration within the time shown."""
    ends = []
    for drop in drops:
        inside = (drop.time_ms >= from_ms) & (drop.time_ms <= to_ms)
        for values in (drop.filtered_g, drop.raw_g) if len(drops) == 1 else (drop.filtered_g,):
            ends += [float(values[inside].min()), float(values[inside].max())]
    return min(0.0, *ends), max(0.0, *ends)
