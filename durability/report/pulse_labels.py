"""Words and digits of records and their measures, in one place as in ``labels``."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from math import floor, log10
from typing import TYPE_CHECKING

from durability.record.basis import counted
from durability.record.units import (
    ACCELERATION,
    INCH_M,
    LENGTH,
    PULSE_TIME,
    STANDARD_GRAVITY_M_S2,
    VELOCITY,
    Quantity,
    shown,
    unit,
)
from durability.record.vocabulary import MOST_CROSS_AXIS_PCT
from durability.report.labels import ABSENT, listed, measure, number, percent

if TYPE_CHECKING:
    from durability.pulse.results import PulseChange, PulseTrace, Remeasurement, ShockSpectrum
    from durability.record.records import PulseMeasures
    from durability.workflow.results import MeasuredFile


READINGS: dict[str, tuple[str, Quantity]] = {
    "peak_g": ("peak g", ACCELERATION),
    "pulse_duration_ms": ("pulse duration", PULSE_TIME),
    "velocity_change_m_s": ("velocity change", VELOCITY),
}
"""Reading → its name, and what it is."""

CROSS_AXIS_CONTEXT = (
    f"IEC 60068-2-27:2008, 4.1.4 allows {MOST_CROSS_AXIS_PCT:.0f} % of the nominal peak"
)

INSTEAD = {
    "encoding": "--encoding",
    "delimiter": "--delimiter",
    "decimal mark": "--decimal",
    "data": "--first-line",
    "time base": "--sample-rate-hz, --time-unit",
    "sample rate": "--sample-rate-hz",
    "channel": "--channel",
    "units": "--units",
    "sensitivity": "--mv-per-g",
    "gain": "--gain",
    "cross channel": "--cross-channel",
    "recorded at": "drop amend --set dropped_at",
    "dated": "--date-by-file-time",
    "filter": "--low-pass-hz, --channel-class",
}
"""What is inferred from a file → the option that overrides it."""


def instead(name: str) -> str:
    """Option that overrides a part of what was inferred from a file; blank where none is needed."""
    return next((option for kind, option in INSTEAD.items() if name.startswith(kind)), "")


def with_uncertainty(value: float | None, uncertainty: float | None, quantity: Quantity) -> str:
    """A measure with its standard uncertainty, both to the first digit of the latter.

    Examples
    --------
    >>> with_uncertainty(404.31, 2.1, ACCELERATION), with_uncertainty(6.8539, 0.0022, VELOCITY)
    ('404 ± 2 g', '6.854 ± 0.002 m/s')
    """
    if value is None:
        return ABSENT
    if not uncertainty:
        return measure(value, quantity)
    # Of quantities whose units have one zero.
    return f"{_plus_minus(value, uncertainty, quantity)} {unit(quantity)}"


def is_bound(measures: PulseMeasures) -> bool:
    """Whether the peak is only known from below."""
    return any(flag.name == "clipped" for flag in measures.flags)


def peak(measures: PulseMeasures) -> str:
    """The peak in g; a clipped one as a lower bound."""
    return ("≥ " if is_bound(measures) else "") + number(measures.peak_g)


def flags(measures: PulseMeasures) -> str:
    """Names of the flags of a record."""
    return listed(flag.name for flag in measures.flags)


def pulse_words(measures: PulseMeasures) -> str:
    """Peak, duration and velocity change of a record; a clipped peak as a lower bound."""
    if measures.peak_g is None:
        return "no impact"
    bound = "≥ " if is_bound(measures) else ""
    height = with_uncertainty(measures.peak_g, measures.peak_uncertainty_g, ACCELERATION)
    duration = with_uncertainty(
        measures.pulse_duration_ms, measures.pulse_duration_uncertainty_ms, PULSE_TIME
    )
    velocity = with_uncertainty(
        measures.velocity_change_m_s, measures.velocity_change_uncertainty_m_s, VELOCITY
    )
    if measures.restitution is not None:
        rebound = measure(measures.rebound_m_s, VELOCITY)
        velocity += f" (rebound {rebound}, restitution {number(measures.restitution, 2)})"
    return f"{bound}{height}, {duration}, {velocity}{_not_evaluated(measures)}"


MEASURES: dict[str, tuple[str, Quantity | None]] = {
    **READINGS,
    "peak_g": ("peak", ACCELERATION),
    "rise_time_ms": ("rise time", PULSE_TIME),
    "restitution": ("coefficient of restitution", None),
}
"""Measure that is compared between drops → its name, and what it is; None for a plain number."""


def changed_words(found: PulseChange) -> tuple[str, ...]:
    """A measure, its values at two drops, the change, in percent, and whether it is beyond 2 u."""
    name, quantity = MEASURES[found.name]
    percents = change(found.before, found.after).removesuffix(" %") if found.before else ABSENT
    beyond = {True: "yes", False: "no", None: ABSENT}[found.is_shown]
    before = _plus_minus(found.before, found.before_uncertainty, quantity)
    after = _plus_minus(found.after, found.after_uncertainty, quantity)
    moved = _plus_minus(found.change, found.uncertainty, quantity)
    heading = name if quantity is None else f"{name}, {unit(quantity)}"
    return heading, before, after, moved if found.change < 0 else f"+{moved}", percents, beyond


def _plus_minus(value: float, uncertainty: float | None, quantity: Quantity | None) -> str:
    """A value in the unit shown, to the first digit of its standard uncertainty."""
    if quantity is not None:
        value, uncertainty = shown(value, quantity), uncertainty and shown(uncertainty, quantity)
    if not uncertainty:
        return number(value)
    places = max(0, -floor(log10(uncertainty)))
    return f"{value:.{places}f} ± {uncertainty:.{places}f}"


def _not_evaluated(measures: PulseMeasures) -> str:
    """Which of the three measures bear no uncertainty."""
    lacking = [
        name
        for name, value in (
            ("peak", measures.peak_uncertainty_g),
            ("duration", measures.pulse_duration_uncertainty_ms),
            ("velocity change", measures.velocity_change_uncertainty_m_s),
        )
        if value is None
    ]
    of = "" if len(lacking) == 3 else f" of {listed(lacking)}"
    return f", uncertainty{of} not evaluated" if lacking else ""


def uncertainty_words(of_reading: Mapping[str, float | None]) -> str:
    """Standard uncertainty of each reading of a drop, or that it was not evaluated.

    Examples
    --------
    >>> uncertainty_words({"peak_g": 2.13, "pulse_duration_ms": None})
    'peak g ± 2 g, pulse duration not evaluated'
    """
    return listed(
        f"{words} not evaluated"
        if value is None
        else f"{words} ± {shown(value, quantity):.1g} {unit(quantity)}"
        for value, (words, quantity) in ((of_reading[name], READINGS[name]) for name in of_reading)
    )


def filter_words(measures: PulseMeasures) -> str:
    """The low-pass filter of a record and who chose it."""
    low_pass = measures.low_pass
    if low_pass is None:
        return "none, no impact"
    if low_pass.cutoff_hz is None:
        return low_pass.reason
    return f"{low_pass.method}, {number(low_pass.cutoff_hz, 4)} Hz, {low_pass.reason}"


def filter_at_length(measures: PulseMeasures) -> str:
    """The low-pass filter of a record with its order and what it takes beyond the ends."""
    low_pass = measures.low_pass
    if low_pass is None or low_pass.cutoff_hz is None:
        return filter_words(measures)
    return f"{filter_words(measures)}; order {low_pass.order}, {low_pass.padding}"


def more_pulse_words(measures: PulseMeasures) -> str:
    """What else a record says: raw peak, rise, over what was integrated, later impacts."""
    parts = [f"raw peak {number(measures.raw_peak_g)} g"]
    if measures.rise_time_ms is not None:
        parts.append(f"rise {number(measures.rise_time_ms)} ms")
    if measures.velocity_ratio is not None:
        parts.append(f"{number(measures.velocity_ratio)} of the impact velocity")
    if measures.velocity_from_s is not None and measures.velocity_to_s is not None:
        start_s = measures.impact_start_s or 0.0
        ends = (
            1000.0 * (end - start_s) for end in (measures.velocity_from_s, measures.velocity_to_s)
        )
        parts.append("velocity change integrated from {:.3g} to {:.3g} ms".format(*ends))
    if measures.later_impacts:
        largest = max(impact.peak_g for impact in measures.later_impacts)
        count = counted(len(measures.later_impacts), "later impact")
        parts.append(f"{count}, largest {number(largest)} g")
    if measures.fall_height_mm is not None:
        height = with_uncertainty(
            measures.fall_height_mm, measures.fall_height_uncertainty_mm, LENGTH
        )
        parts.append(f"height by its fall time {height}{_off_nominal(measures)}")
    parts.append(cross_words(measures))
    return listed(parts)


def _off_nominal(measures: PulseMeasures) -> str:
    """How far the height of the fall is from the nominal one, given by the impact velocity."""
    if measures.impact_velocity_m_s is None or measures.fall_height_mm is None:
        return ""
    nominal_mm = 500.0 * measures.impact_velocity_m_s**2 / STANDARD_GRAVITY_M_S2
    off_pct = 100.0 * (measures.fall_height_mm / nominal_mm - 1.0)
    return f" ({percent(off_pct)} % of {shown(nominal_mm, LENGTH):.4g})"


def cross_words(measures: PulseMeasures) -> str:
    """The largest peak across the axis of the impact; context, not judged."""
    across = measures.cross_axis
    if across is None:
        return "cross axis not measured"
    resultant = ""
    if measures.resultant_peak_g is not None:
        resultant = f", resultant of three axes {number(measures.resultant_peak_g)} g"
    return (
        f"cross axis {number(across.peak_g)} g on {across.channel},"
        f" {number(measures.cross_axis_pct, 2)} % of the peak ({CROSS_AXIS_CONTEXT}){resultant}"
    )


SEVERE_PLATEAUS_IN_S = ((50.0, "very mild"), (100.0, "moderate"), (300.0, "very severe"))
"""Plateaus of pseudo-velocity in in/s, and what they are called: H. A. Gaberson, "Shock Severity
Estimation", Sound & Vibration, January 2012, of pyroshock; the levels of ANSI/ASA S2.62-2009 run
from 1 to 10 m/s (40 to 400 in/s)."""

PLATEAUS_ARE_CONTEXT = (
    "Levels by which Gaberson (Sound & Vibration, January 2012) classes plateaus of pyroshock:"
    " context, no verdict; a fall from 0.33 m alone reaches 100 in/s."
)


def plateau_lines(spectrum: ShockSpectrum) -> list[str]:
    """Over which frequencies the pseudo-velocity of one record exceeds the levels named.

    Parameters
    ----------
    spectrum : ShockSpectrum
        Arrays of shape (n_frequencies,); what sampling can't resolve is left out.
    """
    known = ~spectrum.beyond_sampling
    if not known.any():
        return []
    frequency, velocity = spectrum.frequency_hz[known], spectrum.pseudo_velocity_m_s[known]
    top = float(velocity.max())
    reached = []
    for level_in_s, name in SEVERE_PLATEAUS_IN_S:
        above = frequency[velocity >= level_in_s * INCH_M]
        if above.size:
            span = f"{above[0]:.3g} to {above[-1]:.3g} Hz"
            reached.append(f"{level_in_s:g} in/s ({name}) from {span}")
        else:
            reached.append(f"nowhere {level_in_s:g} in/s ({name})")
    return [
        f"Pseudo-velocity is {number(top)} m/s ({number(top / INCH_M)} in/s) at most; it reaches"
        f" {listed(reached)}.",
        PLATEAUS_ARE_CONTEXT,
    ]


def traces_answer(drops: Sequence[PulseTrace]) -> str:
    """Peak and duration of the drops of a picture."""
    first = drops[0]
    if len(drops) == 1:
        void = ", void" if first.status == "void" else ""
        return f"{first.series} drop {first.drop_number}{void}: {pulse_words(first.measures)}."
    named = drops if len(drops) <= 4 else (first, drops[-1])
    listed_drops = "; ".join(
        f"drop {drop.drop_number} {peak(drop.measures)} g,"
        f" {number(drop.measures.pulse_duration_ms)} ms"
        for drop in named
    )
    return f"{first.series}: {listed_drops}."


def measured_file(each: MeasuredFile) -> str:
    """One drop taken from a file, in a line."""
    verdict = "valid" if each.status == "valid" else "VOID"
    return f"drop {each.drop_number} {verdict}: {pulse_words(each.measures)} ({each.file})"


def arrow(before: float | None, after: float | None) -> str:
    """A value before and after."""
    return f"{number(before)}→{number(after)}"


def change(before: float | None, after: float | None) -> str:
    """Change of a value in percent."""
    if before is None or after is None:
        return ABSENT
    return f"{percent(100.0 * (after / before - 1.0))} %"


def remeasured_answer(result: Remeasurement) -> str:
    """How many drops measuring again changed, and what became of it."""
    count = f"{len(result.changed)} of {counted(len(result.drops), 'drop')} with a waveform"
    if not result.changed:
        return f"{count} changed; nothing stored"
    if not result.is_stored:
        return f"{count} would change; nothing stored"
    return f"{count} changed; the former measures and values stay in the record"


def drops_listed(numbers: Sequence[int | None]) -> str:
    """Drop numbers in few words: "drop 3", "drops 1 to 11", "drops 1, 4, 5"."""
    known = sorted(number for number in numbers if number is not None)
    if len(known) < 2:
        return f"drop {listed(known)}"
    if known == list(range(known[0], known[-1] + 1)) and len(known) > 2:
        return f"drops {known[0]} to {known[-1]}"
    return f"drops {listed(known)}"


_NUMBER = re.compile(r"[+-]?\d[\d.,]*(e[+-]?\d+)?")


def doubts_together(doubts: Iterable[tuple[str, int | None, str]]) -> list[str]:
    """Doubts about several drops; those that differ only in their numbers are listed once.

    Parameters
    ----------
    doubts : iterable of (series, drop number, words)
        ``series`` may be blank.
    """
    alike: dict[tuple[str, str], list[tuple[int | None, str]]] = defaultdict(list)
    for series, drop, words in doubts:
        kind = _NUMBER.sub("", words)
        alike[series, kind].append((drop, words))
    lines = []
    for (series, _), group in alike.items():
        first, words = group[0]
        numbers = drops_listed([each for each, _ in group])
        differ = len({each for _, each in group}) > 1
        where = f"{series} {numbers}" if series else numbers
        lines.append(f"{where}: {words}" + (f" (drop {first}; the others alike)" * differ))
    return lines


def doubts_of(measures: PulseMeasures) -> tuple[str, ...]:
    """Flags in words, then notes."""
    flags = tuple(("void: " if flag.voids else "") + flag.words for flag in measures.flags)
    return (*flags, *measures.notes)
