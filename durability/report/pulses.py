"""Records of drops in the terminal: traces as text, measures, flags, what a remeasure changed."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.report import labels, pulse_labels, terminal
from durability.report.answers import records
from durability.report.terminal import console, grid, say
from durability.units import INCH_M

if TYPE_CHECKING:
    from durability.records import FloatArray, PulseMeasures
    from durability.results import (
        PulseTrace,
        Remeasurement,
        ShockSpectrum,
        WaveformImport,
    )

PLOT_WIDTH, PLOT_HEIGHT = 66, 13
"""Characters of a trace, beside its scale within 80 columns and with its measures in 24 lines."""

_MEASURED_AND_FILTERED = (pulse_labels.pulse_words, pulse_labels.filter_words)

SHOWN_FILES = 40
"""A longer import shows only the files that something speaks against."""


# ---------------------------------------------------------------------------- imported files


def imported(result: WaveformImport) -> None:
    """Print the drops that files became, and what speaks against them."""
    doubted = [each for each in result.drops if each.measures.flags or each.measures.notes]
    shown = result.drops if len(result.drops) <= SHOWN_FILES else doubted
    if shown:
        console().print(
            grid(
                ("drop", "file", "peak, g", "ms", "m/s", "status", "flags"),
                (
                    (
                        str(each.drop_number),
                        each.file,
                        pulse_labels.peak(each.measures),
                        labels.number(each.measures.pulse_duration_ms),
                        labels.number(each.measures.velocity_change_m_s),
                        each.status,
                        labels.listed(flag.name for flag in each.measures.flags),
                    )
                    for each in shown
                ),
                right=(0, 2, 3, 4),
                wrap=(1, 6),
            )
        )
    for words in doubts_together(
        ("", each.drop_number, words) for each in doubted for words in doubts_of(each.measures)
    ):
        say(words)
    for words in result.not_judged:
        say(f"not judged: {words}")
    for words in result.remarks:
        say(words)
    for twice in result.duplicates[:SHOWN_FILES]:
        say(f"{twice.file}: there already, drop {twice.drop_number} of {twice.series}")


_NUMBER = re.compile(r"[+-]?\d[\d.,]*(e[+-]?\d+)?")


def doubts_together(told: Iterable[tuple[str, int | None, str]]) -> list[str]:
    """Doubts about several drops; those that differ only in their numbers stand once.

    Parameters
    ----------
    told : iterable of (series, drop number, words)
        ``series`` may be blank.
    """
    alike: dict[tuple[str, str], list[tuple[int | None, str]]] = defaultdict(list)
    for series, number, words in told:
        kind = _NUMBER.sub("", words)
        alike[series, kind].append((number, words))
    lines = []
    for (series, _), group in alike.items():
        number, words = group[0]
        numbers = pulse_labels.drops_listed([each for each, _ in group])
        differ = len({each for _, each in group}) > 1
        where = f"{series} {numbers}" if series else numbers
        lines.append(f"{where}: {words}" + (f" (drop {number}; the others alike)" * differ))
    return lines


def doubts_of(measures: PulseMeasures) -> tuple[str, ...]:
    """Flags in words, then notes."""
    flags = tuple(("void: " if flag.voids else "") + flag.words for flag in measures.flags)
    return (*flags, *measures.notes)


def explained(result: WaveformImport) -> None:
    """Print what was worked out of each file, and what it would be measured as."""
    for each in result.drops:
        say(each.file)
        facts = list(each.inferred.items())
        facts.append(("samples", f"{each.measures.samples}, the first at {each.start_s:g} s"))
        facts.append(("dated", each.dropped_at or "not by the file; left blank"))
        facts.append(("measured", pulse_labels.pulse_words(each.measures)))
        facts.append(("filter", pulse_labels.filter_words(each.measures)))
        facts += [("doubt", words) for words in doubts_of(each.measures)]
        console().print(
            grid(
                ("", "", "instead"),
                [(f"  {name}", words, pulse_labels.instead(name)) for name, words in facts],
                wrap=(1, 2),
            )
        )
    for words in result.not_judged:
        say(f"not judged: {words}")
    for words in result.remarks:
        say(words)


def remeasured(result: Remeasurement) -> None:
    """Print what measuring again changed."""
    changed = result.changed
    say(pulse_labels.remeasured_answer(result))
    if not changed:
        return
    console().print(
        grid(
            ("series", "drop", "peak, g", "change", "ms", "status", "flags"),
            (
                (
                    each.series,
                    str(each.drop_number),
                    pulse_labels.arrow(each.before.peak_g, each.after.peak_g),
                    pulse_labels.change(each.before.peak_g, each.after.peak_g),
                    pulse_labels.arrow(each.before.pulse_duration_ms, each.after.pulse_duration_ms),
                    each.status
                    if each.status == each.status_before
                    else f"{each.status_before}→{each.status}",
                    labels.listed(
                        [*(f"+{name}" for name in each.flags_came)]
                        + [f"-{name}" for name in each.flags_went]
                    ),
                )
                for each in changed
            ),
            right=(1, 2, 3, 4),
            wrap=(0, 6),
        )
    )
    filters = {pulse_labels.filter_words(each.after) for each in changed}
    say("filter now: " + ("; ".join(sorted(filters)) if len(filters) < 4 else "one for each pulse"))
    for each in changed:
        if each.kept_by_hand:
            say(
                f"drop {each.drop_number} of {each.series}: {labels.listed(each.kept_by_hand)}"
                " was set by hand and stays"
            )
    for words in doubts_together(
        (each.series, each.drop_number, note)
        for each in changed
        for note in each.after.notes
        if note not in each.before.notes
    ):
        say(words)


# ------------------------------------------------------------------------------------- traces


def pulses(traces: Sequence[PulseTrace]) -> None:
    """Print traces on one time axis, then the measures of each with its doubts."""
    for line in trace_plot(traces).splitlines():
        say(line)
    if len(traces) == 1:
        _measures_of(traces[0])
        return
    console().print(
        grid(
            ("", "drop", "peak, g", "raw, g", "ms", "rise, ms", "m/s", "status", "flags"),
            (
                (
                    _mark(at, len(traces)),
                    str(trace.drop_number),
                    pulse_labels.peak(trace.measures),
                    labels.number(trace.measures.raw_peak_g),
                    labels.number(trace.measures.pulse_duration_ms),
                    labels.number(trace.measures.rise_time_ms),
                    labels.number(trace.measures.velocity_change_m_s),
                    trace.status,
                    labels.listed(flag.name for flag in trace.measures.flags),
                )
                for at, trace in enumerate(traces)
            ),
            right=(1, 2, 3, 4, 5, 6),
            wrap=(8,),
        )
    )
    for words in doubts_together(
        ("", trace.drop_number, words) for trace in traces for words in doubts_of(trace.measures)
    ):
        say(words)


def _measures_of(trace: PulseTrace) -> None:
    measures = trace.measures
    told = pulse_labels.pulse_words(measures)
    say(
        f"{trace.series} drop {trace.drop_number}, {trace.status}: {told}"
        f" ({trace.file_name}, {trace.channel})"
    )
    if trace.peak_g != measures.peak_g:
        say(f"on record today: {labels.number(trace.peak_g)} g, set by hand")
    say(f"filter: {pulse_labels.filter_words(measures)}; {pulse_labels.more_pulse_words(measures)}")
    for words in doubts_of(measures):
        say(words)
    if trace.void_reason and trace.void_reason != measures.void_reason:
        say(f"void: {trace.void_reason}")
    if trace.status == "valid" and measures.void_reason:
        say("counts all the same: restored by hand")


RAW_MARK = ":"
"""Character of a record before filtering: lighter than that of its trace."""


def _mark(at: int, count: int) -> str:
    """Character of a trace: its place among several."""
    return "#" if count == 1 else "123456789abcdefghijklmnopqrstuvwxyz"[at % 35]


def shown_window_ms(traces: Iterable[PulseTrace]) -> tuple[float, float]:
    """Stretch of time in which the first impacts are seen at their best.

    Parameters
    ----------
    traces : iterable of PulseTrace
        Drops on one time axis.

    Returns
    -------
    from_ms, to_ms : float
        One pulse duration before to two after the longest; the whole record without an impact.
    """
    known = list(traces)
    first = min(float(trace.time_ms[0]) for trace in known)
    last = max(float(trace.time_ms[-1]) for trace in known)
    durations = [trace.measures.pulse_duration_ms for trace in known]
    longest = max((value for value in durations if value is not None), default=None)
    if longest is None:
        return first, last
    return max(first, -longest), min(last, 3.0 * longest)


def trace_plot(traces: Sequence[PulseTrace]) -> str:
    """Filtered accelerations against time, as text; of one drop the record as read behind it.

    Parameters
    ----------
    traces : sequence of PulseTrace
        Drops on one time axis; several are drawn by their place, 1, 2, 3 …

    Returns
    -------
    str
        ``PLOT_HEIGHT`` lines, the time axis, and of one drop a key. "-" the baseline, "." 10 % of
        the (first) peak, "*" where traces meet.
    """
    from_ms, to_ms = shown_window_ms(traces)
    edges = np.linspace(from_ms, to_ms, PLOT_WIDTH + 1)
    curves = [
        (_mark(at, len(traces)), *_columns(trace.time_ms, trace.filtered_g, edges))
        for at, trace in enumerate(traces)
    ]
    is_alone = len(traces) == 1
    if is_alone:
        curves.insert(0, (RAW_MARK, *_columns(traces[0].time_ms, traces[0].raw_g, edges)))
    top = max(float(np.nanmax(high, initial=0.0)) for _, _, high in curves) or 1.0
    bottom = min(float(np.nanmin(low, initial=0.0)) for _, low, _ in curves)
    bottom = min(bottom, -0.02 * top)

    def row(level_g: float) -> int:
        return round((top - level_g) / (top - bottom) * (PLOT_HEIGHT - 1))

    canvas = [[" "] * PLOT_WIDTH for _ in range(PLOT_HEIGHT)]
    tenth_g = 0.1 * (traces[0].measures.peak_g or 0.0)
    if tenth_g:
        canvas[row(tenth_g)] = list(". " * (PLOT_WIDTH // 2))
    canvas[row(0.0)] = ["-"] * PLOT_WIDTH
    for at, (mark, low, high) in enumerate(curves):
        for column in np.flatnonzero(np.isfinite(high)):
            # From the level between the neighbours, so that steep flanks are drawn whole.
            for line in range(row(float(high[column])), row(float(low[column])) + 1):
                taken = at > 0 and canvas[line][column] not in f" .-{RAW_MARK}"
                canvas[line][column] = "*" if taken else mark
    scale = {0: labels.number(top), row(0.0): "0 g"}
    if tenth_g and row(tenth_g) not in scale:
        scale[row(tenth_g)] = "10 %"
    lines = [
        f"{scale.get(at, ''):>8} |{''.join(cells).rstrip()}" for at, cells in enumerate(canvas)
    ]
    left, right = f"{labels.number(from_ms)} ms", f"{labels.number(to_ms)} ms"
    zero = round(-from_ms / (to_ms - from_ms) * PLOT_WIDTH)
    middle = "0" if len(left) < zero < PLOT_WIDTH - len(right) - 1 else ""
    axis = f"{left:<{zero}}{middle}" if middle else left
    lines.append(f"{'g':>8}  {axis}{right:>{PLOT_WIDTH - len(axis)}}")
    if is_alone:
        lines.append(f"{'':8}  # filtered  {RAW_MARK} as recorded  - baseline")
    return "\n".join(lines)


def _columns(
    time_ms: FloatArray, values_g: FloatArray, edges: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value within each column; NaN where a record has ended."""
    middles = 0.5 * (edges[1:] + edges[:-1])
    between = np.interp(middles, time_ms, values_g, left=np.nan, right=np.nan)
    low, high = between.copy(), between.copy()
    place = np.searchsorted(edges, time_ms, side="right") - 1
    inside = (place >= 0) & (place < middles.size)
    np.fmin.at(low, place[inside], values_g[inside])
    np.fmax.at(high, place[inside], values_g[inside])
    # A steep flank joins its neighbour half way.
    for values, extreme in ((low, np.fmin), (high, np.fmax)):
        joined = 0.5 * (between[1:] + between[:-1])
        values[1:] = extreme(values[1:], joined)
        values[:-1] = extreme(values[:-1], joined)
    return low, high


# -------------------------------------------------------------------------------- spectrum, drop


def spectrum(trace: PulseTrace, result: ShockSpectrum) -> None:
    """Print a shock response spectrum at three frequencies an octave."""
    say(
        f"{trace.series} drop {trace.drop_number}: maximax shock response spectrum, Q"
        f" {result.q:g}, {result.method}"
    )
    chosen = range(0, result.frequency_hz.size, 4)
    console().print(
        grid(
            ("Hz", "absolute, g", "pseudo-velocity, m/s", "in/s", ""),
            (
                (
                    labels.number(float(result.frequency_hz[at])),
                    labels.number(float(result.absolute_acceleration_g[at])),
                    labels.number(float(result.pseudo_velocity_m_s[at])),
                    labels.number(float(result.pseudo_velocity_m_s[at]) / INCH_M),
                    "beyond a tenth of the sample rate" if result.beyond_sampling[at] else "",
                )
                for at in chosen
            ),
            right=(0, 1, 2, 3),
        )
    )
    for line in pulse_labels.plateau_lines(result):
        say(line)
    say("All 12 frequencies an octave: --json")


def drop(found: Mapping[str, Any]) -> None:
    """Print every input of a drop, and all that was measured from it."""
    facts = dict(found["drop"])
    waveform, measured = found["waveform"], found["measures"]
    record: dict[str, Any] = {
        "drop": f"{facts.pop('drop_number')} of {facts.pop('series')}",
        **facts,
    }
    record["case"] = record["case"] or "bare"
    if waveform is not None:
        told = {**waveform["inferred"], **{f"given {k}": v for k, v in waveform["given"].items()}}
        record |= {
            "waveform": f"channel {waveform['channel']}, {waveform['sample_count']} at"
            f" {waveform['sample_rate_hz']:.9g} samples/s",
            "mv_per_g_applied": waveform["mv_per_g"],
            "read_as": "; ".join(f"{name}: {words}" for name, words in told.items()),
        }
    if measured:
        latest = measured[0]
        record |= {
            "measured": pulse_labels.pulse_words(latest.measures),
            "filter": pulse_labels.filter_words(latest.measures),
            "more": pulse_labels.more_pulse_words(latest.measures),
            "measured by": f"{latest.measures.method}, durability {latest.program_version}",
            "doubts": list(doubts_of(latest.measures)) or "none",
            "former measures": [
                "; ".join(told(each.measures) for told in _MEASURED_AND_FILTERED)
                for each in measured[1:]
            ]
            or None,
        }
    record["uncertainty"] = pulse_labels.uncertainty_words(found["uncertainty"])
    if not measured:
        record["cross axis"] = "not measured"
    shown = {
        **{name: value for name, value in record.items() if value is not None},
        "not recorded": labels.listed(
            name.replace("_", " ") for name, value in record.items() if value is None
        ),
        "damage": found["damage"],
        "amendments": found["amendments"],
    }
    terminal.show(records.sheet("drop", shown))
