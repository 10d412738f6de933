"""Records of drops: traces in letters, their measures and flags, spectra, every input of a drop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.pulse.results import pulse_changes
from durability.record.basis import counted
from durability.record.units import INCH_M, VELOCITY
from durability.report import as_json, labels, pulse_labels
from durability.report.answers import records
from durability.report.answers.waveforms import measures
from durability.report.blocks import Block, Column, Columns, Preformatted, Words

if TYPE_CHECKING:
    from durability.pulse.results import PulseTrace, ShockSpectrum
    from durability.record.records import FloatArray, PulseMeasures

PLOT_WIDTH, PLOT_HEIGHT = 66, 13
"""Characters of a trace, beside its scale within 80 columns and with its measures in 24 lines."""

TRACES: Columns[tuple[str, PulseTrace]] = Columns(
    "",
    Column("", lambda row: row[0]),
    Column("drop", lambda row: row[1].drop_number, right=True),
    Column("peak, g", lambda row: pulse_labels.peak(row[1].measures), right=True),
    Column("raw, g", lambda row: labels.number(row[1].measures.raw_peak_g), right=True),
    Column(
        "duration, ms", lambda row: labels.number(row[1].measures.pulse_duration_ms), right=True
    ),
    Column("rise, ms", lambda row: labels.number(row[1].measures.rise_time_ms), right=True),
    Column(
        "velocity change, m/s",
        lambda row: labels.of(row[1].measures.velocity_change_m_s, VELOCITY),
        right=True,
        quantity=VELOCITY,
    ),
    Column("status", lambda row: row[1].status),
    Column("flags", lambda row: pulse_labels.flags(row[1].measures), wrap=True),
)


def blocks(traces: Sequence[PulseTrace]) -> Iterator[Block]:
    """Traces on one time axis, then the measures of each with its doubts."""
    yield Preformatted(trace_plot(traces))
    if len(traces) == 1:
        yield from map(Words, _measures_of(traces[0]))
        return
    yield TRACES.table((_mark(at, len(traces)), trace) for at, trace in enumerate(traces))
    yield from _changes(traces[0], traces[-1])
    for words in pulse_labels.doubts_together(
        ("", trace.drop_number, words)
        for trace in traces
        for words in pulse_labels.doubts_of(trace.measures)
    ):
        yield Words(words)


def _changes(first: PulseTrace, last: PulseTrace) -> Iterator[Block]:
    """What changed in the pulse between two drops, with the uncertainty of the change."""
    found = pulse_changes(first.measures, last.measures)
    if not found:
        return
    columns = Columns[tuple[str, ...]](
        "",
        Column("", lambda row: row[0]),
        Column(f"drop {first.drop_number}", lambda row: row[1], right=True),
        Column(f"drop {last.drop_number}", lambda row: row[2], right=True),
        Column("change ± u", lambda row: row[3], right=True),
        Column("change, %", lambda row: row[4], right=True),
        Column("> 2 u", lambda row: row[5]),
    )
    yield columns.table(map(pulse_labels.changed_words, found))
    filters = [each.measures.low_pass for each in (first, last)]
    cutoffs = [labels.number(each.cutoff_hz) for each in filters if each]
    unlike = f" The cut-offs of the filters differ: {labels.listed(cutoffs)} Hz."
    yield Words(
        "± u is one standard uncertainty, of noise, baseline and sampling. Not in it: what both"
        " drops share, like the calibration of the sensor, and the scatter from drop to drop, by"
        f" which durability trend judges.{unlike if len(set(cutoffs)) > 1 else ''}"
    )


def _measures_of(trace: PulseTrace) -> Iterator[str]:
    """Measures of one drop with its doubts, and what was set manually since."""
    measures = trace.measures
    yield (
        f"{trace.series} drop {trace.drop_number}, {trace.status}:"
        f" {pulse_labels.pulse_words(measures)} ({trace.file_name}, {trace.channel})"
    )
    if trace.peak_g != measures.peak_g:
        yield f"on record today: {labels.number(trace.peak_g)} g, set manually"
    yield (
        f"filter: {pulse_labels.filter_words(measures)}; {pulse_labels.more_pulse_words(measures)}"
    )
    yield from pulse_labels.doubts_of(measures)
    if trace.void_reason and trace.void_reason != measures.void_reason:
        yield f"void: {trace.void_reason}"
    if trace.status == "valid" and measures.void_reason:
        yield "still counts: restored manually"


def json(traces: Sequence[PulseTrace]) -> dict[str, Any]:
    """Object of ``show pulse --json``."""
    return {
        "drops": [
            {
                **as_json.named(
                    each,
                    (
                        "series",
                        "drop_number",
                        "status",
                        "void_reason",
                        "peak_g",
                        "file_name",
                        "channel",
                        "time_ms",
                        "raw_g",
                        "filtered_g",
                    ),
                ),
                "measures": measures(each.measures),
            }
            for each in traces
        ],
        "changes": [
            {
                "measure": each.name,
                **as_json.named(each, ("before", "after", "change", "uncertainty", "is_shown")),
            }
            for each in pulse_changes(traces[0].measures, traces[-1].measures)
            if len(traces) > 1
        ],
    }


RAW_MARK = ":"
"""Character of a record before filtering, and of the drops between: lighter than a trace."""

MOST_MARKED = 4
"""Of more drops the first and the last are drawn, and where the others are between."""


def _mark(at: int, count: int) -> str:
    """Character of a trace: its place among several."""
    if count > MOST_MARKED:
        return {0: "1", count - 1: "2"}.get(at, RAW_MARK)
    return "#" if count == 1 else "1234"[at]


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
        Drops on one time axis; several are drawn by their place, 1, 2, 3, 4; of more than
        ``MOST_MARKED`` the first and the last, before the range of those between.

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
    is_alone, is_many = len(traces) == 1, len(traces) > MOST_MARKED
    behind = int(is_alone or is_many)
    if is_alone:
        curves.insert(0, (RAW_MARK, *_columns(traces[0].time_ms, traces[0].raw_g, edges)))
    if is_many:
        low, high = (np.array([curve[k] for curve in curves[1:-1]]) for k in (1, 2))
        between = np.fmin.reduce(low), np.fmax.reduce(high)
        curves = [(RAW_MARK, *between), curves[0], curves[-1]]
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
                taken = at > behind and canvas[line][column] not in f" .-{RAW_MARK}"
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
    if is_many:
        first, last = traces[0].drop_number, traces[-1].drop_number
        others = counted(len(traces) - 2, "other")
        lines.append(f"{'':8}  1 drop {first}  2 drop {last}  {RAW_MARK} the {others}  * both")
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


SPECTRUM = Columns[tuple[float, float, float, bool]](
    "",
    Column("frequency, Hz", lambda row: labels.number(row[0]), right=True),
    Column("absolute, g", lambda row: labels.number(row[1]), right=True),
    Column("pseudo-velocity, m/s", lambda row: labels.number(row[2]), right=True),
    Column("pseudo-velocity, in/s", lambda row: labels.number(row[2] / INCH_M), right=True),
    Column("", lambda row: "beyond a tenth of the sample rate" if row[3] else ""),
)


def spectrum(trace: PulseTrace, result: ShockSpectrum) -> Iterator[Block]:
    """A shock response spectrum at three frequencies an octave."""
    yield Words(
        f"{trace.series} drop {trace.drop_number}: maximax shock response spectrum, Q"
        f" {result.q:g}, {result.method}"
    )
    yield SPECTRUM.table(
        zip(
            result.frequency_hz[::4].tolist(),
            result.absolute_acceleration_g[::4].tolist(),
            result.pseudo_velocity_m_s[::4].tolist(),
            result.beyond_sampling[::4].tolist(),
            strict=True,
        )
    )
    yield from map(Words, pulse_labels.plateau_lines(result))
    yield Words("All 12 frequencies an octave: --json")


def spectra(
    series: str, numbers: Sequence[int], result: ShockSpectrum, left_out: int
) -> Iterator[Block]:
    """Shock response spectra of several drops: the first, the last, and what all span."""
    first, last = numbers[0], numbers[-1]
    yield Words(
        f"{series}, {pulse_labels.drops_listed(numbers)}: maximax shock response spectra, Q"
        f" {result.q:g}, {result.method}"
    )
    size, velocity = result.absolute_acceleration_g[:, ::4], result.pseudo_velocity_m_s[:, ::4]
    columns = Columns[int](
        "",
        Column(
            "frequency, Hz",
            lambda at: labels.number(float(result.frequency_hz[::4][at])),
            right=True,
        ),
        Column(f"drop {first}, g", lambda at: labels.number(float(size[0, at])), right=True),
        Column(f"drop {last}, g", lambda at: labels.number(float(size[-1, at])), right=True),
        Column("change", lambda at: pulse_labels.change(size[0, at], size[-1, at]), right=True),
        Column(
            "of all, g",
            lambda at: "–".join(labels.number(float(f(size[:, at]))) for f in (np.min, np.max)),
            right=True,
        ),
        Column(f"drop {first}, m/s", lambda at: labels.number(float(velocity[0, at])), right=True),
        Column(f"drop {last}, m/s", lambda at: labels.number(float(velocity[-1, at])), right=True),
    )
    known = np.flatnonzero(~result.beyond_sampling[::4])
    yield columns.table(known.tolist())
    if left_out:
        yield Words(f"left out, at another sample rate: {counted(left_out, 'drop')}")
    yield Words("Velocities are pseudo-velocities. All 12 frequencies an octave: --json")


def spectra_json(
    series: str, numbers: Sequence[int], result: ShockSpectrum, left_out: int
) -> dict[str, Any]:
    """Object of ``show spectrum --json`` of several drops."""
    return {"series": series, "drop_numbers": numbers, "left_out": left_out, **asdict(result)}


def spectrum_json(trace: PulseTrace, result: ShockSpectrum) -> dict[str, Any]:
    """Object of ``show spectrum --json``."""
    return {"series": trace.series, "drop_number": trace.drop_number, **asdict(result)}


def _former(measures: PulseMeasures) -> str:
    return f"{pulse_labels.pulse_words(measures)}; {pulse_labels.filter_words(measures)}"


def drop(found: Mapping[str, Any]) -> Iterator[Block]:
    """Every input of a drop, and all that was measured from it."""
    facts = dict(found["drop"])
    waveform, measured = found["waveform"], found["measures"]
    record: dict[str, Any] = {
        "drop": f"{facts.pop('drop_number')} of {facts.pop('series')}",
        **facts,
    }
    record["case"] = record["case"] or "bare"
    if waveform is not None:
        read_as = {
            **waveform["inferred"],
            **{f"given {k}": v for k, v in waveform["given"].items()},
        }
        record |= {
            "waveform": f"channel {waveform['channel']}, {waveform['sample_count']} at"
            f" {waveform['sample_rate_hz']:.9g} samples/s",
            "mv_per_g_applied": waveform["mv_per_g"],
            "read_as": "; ".join(f"{name}: {words}" for name, words in read_as.items()),
        }
    if measured:
        latest = measured[0]
        record |= {
            "measured": pulse_labels.pulse_words(latest.measures),
            "filter": pulse_labels.filter_at_length(latest.measures),
            "more": pulse_labels.more_pulse_words(latest.measures),
            "measured by": f"{latest.measures.method}, durability {latest.program_version}",
            "doubts": list(pulse_labels.doubts_of(latest.measures)) or "none",
            "former measures": [_former(each.measures) for each in measured[1:]] or None,
        }
    record["uncertainty"] = pulse_labels.uncertainty_words(found["uncertainty"])
    if not measured:
        record["cross axis"] = "not measured"
    shown = {
        **{name: value for name, value in record.items() if value is not None},
        "not recorded": labels.listed(
            labels.column_words(name) for name, value in record.items() if value is None
        ),
        "damage": found["damage"] or "not inspected after this drop",
        "amendments": found["amendments"],
    }
    yield from records.sheet("drop", shown)


def drop_json(found: Mapping[str, Any]) -> dict[str, Any]:
    """Object of ``show drop --json``."""
    return {
        **found["drop"],
        "waveform": found["waveform"],
        "measures": [
            {
                **measures(each.measures),
                "inputs": asdict(each.inputs),
                **as_json.named(each, ("entered_by", "entered_at_utc", "program_version")),
            }
            for each in found["measures"]
        ],
        "uncertainty": found["uncertainty"],
        "damage": found["damage"],
        "amendments": found["amendments"],
    }
