"""The shape of the shock: peak against duration, waveforms overlaid, shock response spectra."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D

from durability.record import units
from durability.record.basis import MIN_DROPS_FOR_TREND, counted
from durability.record.units import INCH_M, STANDARD_GRAVITY_M_S2, impact_velocity_m_s
from durability.record.vocabulary import BARE
from durability.report import labels, pulse_labels
from durability.report.answers.pulses import shown_window_ms
from durability.report.plots import look
from durability.report.plots.traces import traces

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.pulse.results import PulseCloud, PulseTrace, ShockSpectrum
    from durability.record.records import FloatArray

WIDTH_AT_TENTH = 1.0 - 2.0 * math.asin(0.1) / math.pi
"""Width of a half-sine between its 10 % points, as a share of its base: 0.936."""

_AGES = (
    ("first third of its drops", "o", look.SAND),
    ("middle third", "s", look.BLUE),
    ("last third", "^", look.INK),
)
_ROUND_VELOCITIES = (0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0)
_ROUND_VELOCITIES_IN_S = (20.0, 50.0, 100.0, 150.0, 200.0, 300.0, 500.0, 800.0)
_MOST_COLOURED = LinearSegmentedColormap.from_list("wear", [look.SAND, look.RUST, look.INK])
_LEVEL: look.Style = {"color": look.MUTED, "linewidth": 0.9, "linestyle": (0, (1, 1.5))}
MOST_DRAWN_CLOSELY = 4
"""Drops up to which each has a separate line style."""


def half_sine_peak_g(velocity_change_m_s: float, pulse_duration_ms: FloatArray) -> FloatArray:
    """Peak of the half-sine with that velocity change and 10 % width.

    Parameters
    ----------
    velocity_change_m_s : float
        Area under the pulse, 2 A D / π for peak A and base D.
    pulse_duration_ms : ndarray
        Width between the 10 % points, 0.936 D.

    Returns
    -------
    ndarray
        In g, of the same shape.
    """
    base_s = np.asarray(pulse_duration_ms) / 1000.0 / WIDTH_AT_TENTH
    return np.asarray(velocity_change_m_s * math.pi / (2.0 * base_s) / STANDARD_GRAVITY_M_S2)


@look.in_our_look
def scatter(
    clouds: Sequence[PulseCloud], drop_heights_mm: Sequence[float] = (), *, page: int = 1
) -> Figure:
    """Peak against duration, with lines of equal velocity change of a half-sine.

    A case that wears moves along a line, from lower and longer to higher and shorter. Bare drops
    have a scale of their own: on one with them, cases would huddle in a corner.

    Parameters
    ----------
    clouds : sequence of PulseCloud
        One a case model, and one of bare drops.
    drop_heights_mm : sequence of float
        Heights behind them; a single one gives the lines of a dead stop and a full rebound.
    page : int
        Of the sheets that many case models take.

    Returns
    -------
    Figure
    """
    filled = [each for each in clouds if each.peak_g.size]
    if not filled:
        return look.missing(labels.NOTHING["durations"])
    shown, others = look.leaf("scatter", filled, page, "case models", "bare drops last")
    valid = sum(int((~each.voided).sum()) for each in shown)
    voided = sum(int(each.voided.sum()) for each in shown)
    lacking = sum(each.without_duration for each in clouds)
    notes = [
        "Grey lines: half-sine pulses of equal velocity change, 2AD/π with 10% width 0.936 D. A"
        " case that wears moves up and to the left.",
        *others,
    ]
    bare = sum(each.group == BARE for each in shown)
    if bare and len(shown) > 1:
        notes.append("Bare drops have a scale of their own.")
    if len(drop_heights_mm) == 1:
        fall = impact_velocity_m_s(drop_heights_mm[0])
        notes.append(
            f"Dashed: {labels.measure(fall, units.VELOCITY)}, a dead stop from"
            f" {units.in_words(drop_heights_mm[0], units.LENGTH)}, and"
            f" {labels.measure(2 * fall, units.VELOCITY)}, a full rebound: outside them a drop is"
            " doubtful."
        )
    if lacking:
        notes.append(f"{counted(lacking, 'valid drop')} without a pulse duration not shown.")
    sheet = look.Sheet(
        scatter_answer(shown),
        f"{counted(valid, 'valid drop')} of"
        f" {counted(sum(each.series for each in shown), 'series', 'series')}"
        + (f", {voided} voided drops hollow" if voided else "")
        + ".",
        key=_scatter_key(voided),
        notes=notes,
    )
    panels = sheet.grid(
        len(shown),
        x_label="pulse duration between the 10% points, ms",
        y_label="peak acceleration, g",
        one_scale=True,
        right_in=0.5,
        apart=bare,
    )
    cases = len(shown) - bare
    columns = look.columns_for(max(cases, bare))
    for start, some in ((0, shown[:cases]), (cases, shown[cases:])):
        if some:
            _scale_scatter(panels[start], some, columns=columns)
    for index, (panel, cloud) in enumerate(zip(panels, shown, strict=True)):
        at_right = index % columns == columns - 1 or index >= cases - 1
        _velocity_lines(panel, drop_heights_mm, _round_velocities(shown), labelled=at_right)
        third = np.minimum((cloud.age * 3).astype(int), 2)
        for age, (_, marker, colour) in enumerate(_AGES):
            here = (third == age) & ~cloud.voided
            duration, peak = cloud.pulse_duration_ms[here], cloud.peak_g[here]
            apart = look.apart(panel, duration, peak, marker_pt=3.0)
            panel.plot(
                duration[apart],
                peak[apart],
                linestyle="none",
                marker=marker,
                markersize=4.2 if columns <= 2 else 3.0,
                markerfacecolor=colour,
                markeredgecolor=look.WHITE,
                markeredgewidth=0.4,
                label=f"_age {age}",
            )
        panel.plot(
            cloud.pulse_duration_ms[cloud.voided],
            cloud.peak_g[cloud.voided],
            linestyle="none",
            label="_voided",
            **{**look.VOIDED, "markersize": 4.8 if columns <= 2 else 3.4},
        )
        sheet.title(panel, cloud.group, f", n = {int((~cloud.voided).sum())}")
    return sheet.figure


@look.in_our_look
def pulses(drops: Sequence[PulseTrace], *, of: int | None = None) -> Figure:
    """Waveforms of one series on one time axis: lower and longer becoming higher and shorter.

    Parameters
    ----------
    drops : sequence of PulseTrace
        By drop number; up to four are drawn closely, as in ``traces``.
    of : int, optional
        How many the series has, when some between were left out.

    Returns
    -------
    Figure
    """
    drawn = [drop for drop in drops if drop.measures.peak_g is not None]
    if not drawn:
        return look.missing(labels.NOTHING["waveforms"])
    if len(drawn) <= MOST_DRAWN_CLOSELY:
        return traces(drawn)
    notes = ["Each from its own first 10% crossing, baseline removed, filtered as it was measured."]
    if len(drawn) < len(drops):
        notes.append(f"{counted(len(drops) - len(drawn), 'waveform')} without an impact not shown.")
    if of is not None and of > len(drops):
        notes.append(f"{len(drops)} of {of} waveforms shown, evenly spaced.")
    series = drawn[0].series
    sheet = look.Sheet(
        pulse_labels.traces_answer([drawn[0], drawn[-1]]),
        f"{counted(len(drawn), 'waveform')} of series {series}.",
        key=_order_key([drop.drop_number for drop in drawn]),
        notes=notes,
    )
    (panel,) = sheet.grid(
        1,
        x_label="time since the first 10 % crossing, ms",
        y_label="acceleration, g",
        one_scale=True,
    )
    from_ms, to_ms = shown_window_ms(drawn)
    for index, drop in enumerate(drawn):
        inside = (drop.time_ms >= from_ms) & (drop.time_ms <= to_ms)
        panel.plot(
            drop.time_ms[inside],
            drop.filtered_g[inside],
            label=f"_drop {drop.drop_number}",
            **_order_style(index, len(drawn)),
        )
    panel.set_xlim(from_ms, to_ms)
    panel.axhline(0.0, color=look.MUTED, linewidth=0.7)
    return sheet.figure


@look.in_our_look
def spectra(
    series: str, drop_number: Sequence[int], spectrum: ShockSpectrum, *, left_out: int = 0
) -> Figure:
    """Shock response spectra by drop number: absolute acceleration and pseudo-velocity.

    Parameters
    ----------
    series : str
        Its code.
    drop_number : sequence of int
        Of each record, ascending.
    spectrum : ShockSpectrum
        Arrays of shape (n_records, n_frequencies), or (n_frequencies,) for one record.
    left_out : int
        Records at another sample rate, which have other frequencies.

    Returns
    -------
    Figure
    """
    acceleration = np.atleast_2d(spectrum.absolute_acceleration_g)
    velocity = np.atleast_2d(spectrum.pseudo_velocity_m_s)
    if not drop_number or acceleration.size == 0:
        return look.missing(labels.NOTHING["waveforms"])
    notes = [
        f"Q = {spectrum.q:g}, maximax, {spectrum.method}.",
        pulse_labels.PLATEAUS_ARE_CONTEXT,
    ]
    if spectrum.beyond_sampling.any():
        notes.append(
            "Above a tenth of the sample rate the largest response may fall between samples: not"
            " drawn."
        )
    if left_out:
        notes.append(f"{counted(left_out, 'waveform')} at another sample rate not shown.")
    resolved = ~spectrum.beyond_sampling
    sheet = look.Sheet(
        spectra_answer(
            series,
            [drop_number[0], drop_number[-1]],
            [float(acceleration[0, resolved].max()), float(acceleration[-1, resolved].max())]
            if resolved.any()
            else [math.nan, math.nan],
        ),
        f"{counted(len(drop_number), 'waveform')} of series {series},"
        f" {labels.number(spectrum.sample_rate_hz / 1000)} kHz.",
        key=[
            *_order_key(drop_number),
            ("level by which plateaus are named; no verdict", Line2D([], [], **_LEVEL)),
        ],
        notes=notes,
    )
    panels = sheet.rows((2.3, 2.0), x_label="natural frequency, Hz", left_in=0.75, right_in=0.75)
    frequency = spectrum.frequency_hz[resolved]
    for panel, values, words in zip(
        panels,
        (acceleration, velocity),
        ("absolute acceleration, g", "pseudo-velocity, m/s"),
        strict=True,
    ):
        positive = values[:, resolved][values[:, resolved] > 0]
        if positive.size:
            low, high = float(positive.min()), float(positive.max())
            panel.set_ylim(max(low, high / 1000.0) / 1.2, high * 1.2)
            look.log_ticks(panel, "y", look.round_values(*panel.get_ylim(), 6))
        panel.set_ylabel(words, fontsize=look.SMALL_PT)
        for index in range(len(values)):
            panel.plot(
                frequency,
                values[index, resolved],
                label=f"_drop {drop_number[index]}",
                **_order_style(index, len(values)),
            )
    _name_plateaus(panels[1])
    if frequency.size > 1:
        panels[0].set_xlim(frequency[0], frequency[-1])
        look.log_ticks(panels[0], "x", look.round_values(frequency[0], frequency[-1], 10))
        look.log_ticks(panels[1], "x", look.round_values(frequency[0], frequency[-1], 10))
        panels[0].tick_params(labelbottom=False)
    return sheet.figure


def _name_plateaus(panel: Axes) -> None:
    """The levels by which plateaus are named, and the axis in in/s, in which they are."""
    low, high = panel.get_ylim()
    for level_in_s, name in pulse_labels.SEVERE_PLATEAUS_IN_S:
        level_m_s = level_in_s * INCH_M
        if not low < level_m_s < high:
            continue
        panel.axhline(level_m_s, label=f"_plateau {level_in_s:g}", **_LEVEL)
        # Curves have fallen off towards the right.
        panel.annotate(
            f"{level_in_s:g} in/s ({level_m_s:.2f} m/s), {name}",
            (1.0, level_m_s),
            xycoords=panel.get_yaxis_transform(),
            xytext=(-3, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=look.TINY_PT,
            color=look.MUTED,
        )
    inches = panel.twinx()
    inches.set_ylim(low / INCH_M, high / INCH_M)
    look.log_ticks(inches, "y", look.round_values(*inches.get_ylim(), 6))
    inches.grid(visible=False)
    inches.spines["right"].set_visible(True)
    inches.tick_params(labelsize=look.SMALL_PT, labelbottom=False)
    inches.set_ylabel("pseudo-velocity, in/s", fontsize=look.SMALL_PT)


# --------------------------------------------------------------------------------- small parts


def _scale_scatter(panel: Axes, shown: Sequence[PulseCloud], *, columns: int) -> None:
    duration = np.concatenate([each.pulse_duration_ms for each in shown])
    peak = np.concatenate([each.peak_g for each in shown])
    x_low, x_high = _with_room(duration)
    y_low, y_high = _with_room(peak)
    panel.set_xlim(x_low, x_high)
    panel.set_ylim(y_low, y_high)
    most = {1: 9, 2: 6, 3: 5}.get(columns, 3)
    look.log_ticks(panel, "x", look.round_values(x_low, x_high, most))
    look.log_ticks(panel, "y", look.round_values(y_low, y_high, most))


def _with_room(values: FloatArray) -> tuple[float, float]:
    """Ends of a logarithmic axis: room on both sides, and a factor of two at least."""
    low, high = float(values.min()), float(values.max())
    room = max(1.15, (2.0 * low / high) ** 0.5)
    return low / room, high * room


def half_sine_velocity_m_s(peak_g: FloatArray, pulse_duration_ms: FloatArray) -> FloatArray:
    """Velocity change of the half-sine with that peak and 10 % width, in m/s."""
    base_s = np.asarray(pulse_duration_ms) / 1000.0 / WIDTH_AT_TENTH
    return np.asarray(2.0 * peak_g * STANDARD_GRAVITY_M_S2 * base_s / math.pi)


def _round_velocities(shown: Sequence[PulseCloud]) -> list[float]:
    """Round velocity changes about those of the drops shown."""
    felt = np.concatenate(
        [half_sine_velocity_m_s(each.peak_g, each.pulse_duration_ms) for each in shown]
    )
    low, high = float(felt.min()) / 1.5, float(felt.max()) * 1.5
    round_ones: Sequence[float] = _ROUND_VELOCITIES
    if units.is_converted(units.VELOCITY):
        round_ones = [each * INCH_M for each in _ROUND_VELOCITIES_IN_S]
    return [each for each in round_ones if low <= each <= high]


def _velocity_lines(
    panel: Axes, drop_heights_mm: Sequence[float], velocities: Sequence[float], *, labelled: bool
) -> None:
    x_low, x_high = panel.get_xlim()
    y_low, y_high = panel.get_ylim()
    ends = np.array([x_low, x_high])
    falls = [impact_velocity_m_s(drop_heights_mm[0])] if len(drop_heights_mm) == 1 else []
    special = [factor * fall for fall in falls for factor in (1.0, 2.0)]
    height_pt = panel.get_window_extent().height / panel.figure.dpi * 72
    taken: list[float] = []
    in_us = units.is_converted(units.VELOCITY)
    for velocity in (*special, *velocities):
        at_ends = half_sine_peak_g(velocity, ends)
        if at_ends.min() > y_high or at_ends.max() < y_low:
            continue
        panel.plot(
            ends,
            at_ends,
            color=look.MUTED if velocity in special else "#b5bcc4",
            linestyle="--" if velocity in special else "-",
            linewidth=0.9,
            zorder=1,
            label=f"_velocity {velocity:.3f}",
        )
        share = math.log(at_ends[1] / y_low) / math.log(y_high / y_low)
        nearest = 9.5 / height_pt
        if (
            labelled
            and 0.02 <= share <= 0.98
            and all(abs(share - other) > nearest for other in taken)
        ):
            taken.append(share)
            panel.annotate(
                # Hundreds of inches have three digits.
                f"{units.shown(velocity, units.VELOCITY):{'.0f' if in_us else '.2g'}}"
                f" {units.unit(units.VELOCITY)}",
                (1.0, share),
                xycoords="axes fraction",
                xytext=(3, 0),
                textcoords="offset points",
                va="center",
                fontsize=look.TINY_PT,
                color=look.MUTED,
                annotation_clip=False,
            )


def _scatter_key(voided: int) -> list[tuple[str, Artist]]:
    key: list[tuple[str, Artist]] = [
        (
            words,
            Line2D(
                [],
                [],
                linestyle="none",
                marker=marker,
                markersize=5,
                markerfacecolor=colour,
                markeredgecolor=look.WHITE,
            ),
        )
        for words, marker, colour in _AGES
    ]
    if voided:
        key.append(("voided, left out", Line2D([], [], linestyle="none", **look.VOIDED)))
    return key


def _order_style(index: int, of: int) -> look.Style:
    """First drop dashed, last drop thick, those between thin: distinguishable without colour."""
    share = index / max(of - 1, 1)
    colour = _MOST_COLOURED(share)
    if index == of - 1:
        return {"color": look.INK, "linewidth": 2.2, "zorder": 4}
    if index == 0:
        return {"color": look.BLUE, "linewidth": 1.9, "linestyle": (0, (4, 1.5)), "zorder": 5}
    return {"color": colour, "linewidth": 0.7, "alpha": 0.7, "zorder": 3}


def _order_key(numbers: Sequence[int]) -> list[tuple[str, Artist]]:
    styles = [_order_style(index, len(numbers)) for index in range(len(numbers))]
    first, last = styles[0], styles[-1]
    if len(numbers) == 1:
        return [(f"drop {numbers[0]}", Line2D([], [], **last))]
    key: list[tuple[str, Artist]] = [(f"drop {numbers[0]}", Line2D([], [], **first))]
    if len(numbers) > 2:
        middle = styles[len(styles) // 2]
        key.append(
            (
                f"{counted(len(numbers) - 2, 'drop')} between, darker as they come later",
                Line2D([], [], **middle),
            )
        )
    return [*key, (f"drop {numbers[-1]}", Line2D([], [], **last))]


def scatter_answer(clouds: Sequence[PulseCloud]) -> str:
    """Whether pulses became higher and shorter, in the case model where they did most."""
    changes = []
    for each in clouds:
        early = ~each.voided & (each.age < 1 / 3)
        late = ~each.voided & (each.age >= 2 / 3)
        if early.sum() < MIN_DROPS_FOR_TREND or late.sum() < MIN_DROPS_FOR_TREND:
            continue
        higher, longer = (
            100.0 * (_middle(values[late]) / _middle(values[early]) - 1.0)
            for values in (each.peak_g, each.pulse_duration_ms)
        )
        changes.append((higher, longer, each.group))
    if not changes:
        return "Peak against duration; too few drops to compare early with late ones."
    higher, longer, group = max(changes)
    return (
        f"{group} changed most: from the first to the last third of the drops peak g"
        f" {labels.percent(higher)} %, duration {labels.percent(longer)} % (medians)."
    )


def _middle(values: Any) -> float:
    ordered = sorted(values.tolist())
    half = len(ordered) // 2
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def spectra_answer(series: str, drops: Sequence[int], largest_g: Sequence[float]) -> str:
    """Largest response at the first and the last drop."""
    if drops[0] == drops[1]:
        return f"{series}: largest response {labels.number(largest_g[0])} g at drop {drops[0]}."
    return (
        f"{series}: largest response {labels.number(largest_g[0])} g at drop {drops[0]},"
        f" {labels.number(largest_g[1])} g at drop {drops[1]}."
    )
