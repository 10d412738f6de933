"""Words and digits of records and their measures, in one place as in ``labels``."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log10
from typing import TYPE_CHECKING

from durability.basis import counted
from durability.report.labels import ABSENT, listed, number, percent

if TYPE_CHECKING:
    from durability.records import PulseMeasures
    from durability.results import MeasuredFile, PulseTrace, Remeasurement


def with_uncertainty(value: float | None, uncertainty: float | None, unit: str) -> str:
    """A measure with its standard uncertainty, both to the first digit of the latter.

    Examples
    --------
    >>> with_uncertainty(404.31, 2.1, "g"), with_uncertainty(6.8539, 0.0022, "m/s")
    ('404 ± 2 g', '6.854 ± 0.002 m/s')
    """
    if value is None:
        return ABSENT
    if not uncertainty:
        return f"{number(value)} {unit}"
    places = max(0, -floor(log10(uncertainty)))
    return f"{value:.{places}f} ± {uncertainty:.{places}f} {unit}"


def pulse_words(measures: PulseMeasures) -> str:
    """Peak, duration and velocity change of a record; a clipped peak as a lower bound."""
    if measures.peak_g is None:
        return "no impact"
    bound = "≥ " if any(flag.name == "clipped" for flag in measures.flags) else ""
    peak = with_uncertainty(measures.peak_g, measures.peak_uncertainty_g, "g")
    duration = with_uncertainty(
        measures.pulse_duration_ms, measures.pulse_duration_uncertainty_ms, "ms"
    )
    velocity = with_uncertainty(
        measures.velocity_change_m_s, measures.velocity_change_uncertainty_m_s, "m/s"
    )
    return f"{bound}{peak}, {duration}, {velocity}"


def filter_words(measures: PulseMeasures) -> str:
    """The low-pass filter of a record and who chose it."""
    low_pass = measures.low_pass
    if low_pass is None:
        return "none, no impact"
    if low_pass.cutoff_hz is None:
        return low_pass.reason
    return f"{low_pass.method}, {number(low_pass.cutoff_hz, 4)} Hz, {low_pass.reason}"


def more_pulse_words(measures: PulseMeasures) -> str:
    """What else a record says: raw peak, rise, rebound, later impacts."""
    parts = [f"raw peak {number(measures.raw_peak_g)} g"]
    if measures.rise_time_ms is not None:
        parts.append(f"rise {number(measures.rise_time_ms)} ms")
    if measures.velocity_ratio is not None:
        parts.append(f"{number(measures.velocity_ratio)} of the impact velocity")
    if measures.restitution is not None:
        parts.append(f"rebound {number(measures.restitution, 2)}")
    if measures.later_impacts:
        largest = max(impact.peak_g for impact in measures.later_impacts)
        count = counted(len(measures.later_impacts), "later impact")
        parts.append(f"{count}, largest {number(largest)} g")
    if measures.peak_uncertainty_g is None:
        parts.append("uncertainty not evaluated")
    return listed(parts)


def traces_answer(drops: Sequence[PulseTrace]) -> str:
    """Peak and duration of the drops of a picture."""
    first = drops[0]
    if len(drops) == 1:
        void = ", void" if first.status == "void" else ""
        return f"{first.series} drop {first.drop_number}{void}: {pulse_words(first.measures)}."
    told = "; ".join(
        f"drop {drop.drop_number} {number(drop.measures.peak_g)} g,"
        f" {number(drop.measures.pulse_duration_ms)} ms"
        for drop in drops[:4]
    )
    return f"{first.series}: {told}{'; …' if len(drops) > 4 else '.'}"


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
