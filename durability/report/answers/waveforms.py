"""Recorders' files as drops: what was worked out of them, taken in, or measured again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from durability.record.units import VELOCITY
from durability.report import as_json, labels, pulse_labels
from durability.report.blocks import Block, Column, Columns, Words

if TYPE_CHECKING:
    from durability.pulse.results import RemeasuredDrop, Remeasurement
    from durability.record.records import PulseMeasures
    from durability.workflow.results import MeasuredFile, WaveformImport

SHOWN_FILES = 40
"""A longer import shows only the files with a doubt."""

IMPORTED: Columns[MeasuredFile] = Columns(
    "",
    Column("drop", "drop_number", right=True),
    Column("file", "file", wrap=True),
    Column("peak, g", lambda each: pulse_labels.peak(each.measures), right=True),
    Column("resultant, g", lambda each: labels.number(each.measures.resultant_peak_g), right=True),
    Column("duration, ms", lambda each: labels.number(each.measures.pulse_duration_ms), right=True),
    Column(
        "velocity change, m/s",
        lambda each: labels.of(each.measures.velocity_change_m_s, VELOCITY),
        right=True,
        quantity=VELOCITY,
    ),
    Column("status", "status"),
    Column("flags", lambda each: pulse_labels.flags(each.measures), wrap=True),
    is_sparse=True,
)

INFERRED = Columns[tuple[str, str]](
    "",
    Column("", lambda fact: f"  {fact[0]}"),
    Column("", lambda fact: fact[1], wrap=True),
    Column("instead", lambda fact: pulse_labels.instead(fact[0]), wrap=True),
)

REMEASURED: Columns[RemeasuredDrop] = Columns(
    "",
    Column("series", "series", wrap=True, names="series"),
    Column("drop", "drop_number", right=True),
    Column(
        "peak, g",
        lambda each: pulse_labels.arrow(each.before.peak_g, each.after.peak_g),
        right=True,
    ),
    Column(
        "change",
        lambda each: pulse_labels.change(each.before.peak_g, each.after.peak_g),
        right=True,
    ),
    Column(
        "duration, ms",
        lambda each: pulse_labels.arrow(
            each.before.pulse_duration_ms, each.after.pulse_duration_ms
        ),
        right=True,
    ),
    Column(
        "status",
        lambda each: (
            each.status
            if each.status == each.status_before
            else f"{each.status_before}→{each.status}"
        ),
    ),
    Column(
        "flags",
        lambda each: labels.listed(
            [*(f"+{name}" for name in each.flags_came), *(f"-{name}" for name in each.flags_went)]
        ),
        wrap=True,
    ),
)


def imported(result: WaveformImport) -> Iterator[Block]:
    """The drops that files became, what is doubtful about them, and how many there are."""
    doubted = [each for each in result.drops if each.measures.flags or each.measures.notes]
    shown = result.drops if len(result.drops) <= SHOWN_FILES else doubted
    if shown:
        yield IMPORTED.table(shown)
    for words in pulse_labels.doubts_together(
        ("", each.drop_number, words)
        for each in doubted
        for words in pulse_labels.doubts_of(each.measures)
    ):
        yield Words(words)
    yield from _remarks(result)
    for twice in result.duplicates[:SHOWN_FILES]:
        yield Words(f"{twice.file}: already stored, drop {twice.drop_number} of {twice.series}")


def _remarks(result: WaveformImport) -> Iterator[Block]:
    for words in result.not_judged:
        yield Words(f"not judged: {words}")
    for words in result.remarks:
        yield Words(words)


def explained(result: WaveformImport) -> Iterator[Block]:
    """What was worked out of each file, and what it would be measured as."""
    for each in result.drops:
        yield Words(each.file)
        yield INFERRED.table(
            [
                *each.inferred.items(),
                ("samples", f"{each.measures.samples}, the first at {each.start_s:g} s"),
                ("dated", str(each.dropped_at or "not by the file; left blank")),
                ("measured", pulse_labels.pulse_words(each.measures)),
                ("filter", pulse_labels.filter_words(each.measures)),
                *(("doubt", words) for words in pulse_labels.doubts_of(each.measures)),
            ]
        )
    yield from _remarks(result)


def remeasured(result: Remeasurement) -> Iterator[Block]:
    """What measuring again changed."""
    changed = result.changed
    yield Words(pulse_labels.remeasured_answer(result))
    if not changed:
        return
    yield REMEASURED.table(changed)
    filters = sorted({pulse_labels.filter_words(each.after) for each in changed})
    yield Words(f"filter now: {'; '.join(filters) if len(filters) < 4 else 'one for each pulse'}")
    for each in changed:
        if each.kept_by_hand:
            yield Words(
                f"drop {each.drop_number} of {each.series}: {labels.listed(each.kept_by_hand)}"
                " was set manually and stays"
            )
    for words in pulse_labels.doubts_together(
        (each.series, each.drop_number, note)
        for each in changed
        for note in each.after.notes
        if note not in each.before.notes
    ):
        yield Words(words)


# -------------------------------------------------------------------------------------- JSON


def measures(of: PulseMeasures) -> dict[str, Any]:
    """Every measure of a record, with filter, flags and notes."""
    derived = (
        "void_reason",
        "rebound_m_s",
        "cross_axis_pct",
        "fall_height_mm",
        "fall_height_uncertainty_mm",
    )
    return {**asdict(of), **as_json.named(of, derived)}


def measured_file(each: MeasuredFile) -> dict[str, Any]:
    """One drop taken from a file."""
    failed_case = each.stored and each.stored.failed_case
    after_failure = {"dropped_after_failure": {failed_case: 1}} if failed_case else {}
    return {
        "file": each.file,
        "drop_number": each.drop_number,
        "peak_g": each.measures.peak_g,
        "pulse_duration_ms": each.measures.pulse_duration_ms,
        "velocity_change_m_s": each.measures.velocity_change_m_s,
        "sample_rate_hz": each.measures.sample_rate_hz,
        "status": each.status,
        "flags": [flag.name for flag in each.measures.flags],
        "void_reason": each.measures.void_reason,
        "notes": each.measures.notes,
        "raw_peak_g": each.measures.raw_peak_g,
        "resultant_peak_g": each.measures.resultant_peak_g,
        "low_pass": None if each.measures.low_pass is None else asdict(each.measures.low_pass),
        "channel": each.channel,
        "dropped_at": each.dropped_at,
        "file_sha256": each.file_sha256,
        "series": each.stored and each.stored.series,
        "id": each.stored and each.stored.id,
        **after_failure,
    }


def imported_json(result: WaveformImport) -> dict[str, Any]:
    """Object of ``import waveforms --json``."""
    return {
        **as_json.import_count(result.count),
        "drops": [measured_file(each) for each in result.drops],
        "duplicate_files": [asdict(each) for each in result.duplicates],
        "not_judged": result.not_judged,
        "remarks": result.remarks,
    }


def explained_json(result: WaveformImport) -> dict[str, Any]:
    """Object of ``import waveforms --explain --json``."""
    return {
        "read": result.count.read,
        "rejected": result.count.rejected,
        "files": [
            {
                "file": each.file,
                "inferred": each.inferred,
                "instead": {
                    name: option for name in each.inferred if (option := pulse_labels.instead(name))
                },
                "channel": each.channel,
                "start_s": each.start_s,
                "mv_per_g": each.mv_per_g,
                "dropped_at": each.dropped_at,
                **measures(each.measures),
            }
            for each in result.drops
        ],
        "not_judged": result.not_judged,
        "remarks": result.remarks,
    }


def remeasured_json(result: Remeasurement) -> dict[str, Any]:
    """Object of ``remeasure --json``; only drops whose measures differ are listed."""
    return {
        "stored": result.is_stored,
        "remeasured": len(result.drops),
        "changed": len(result.changed),
        "left": [{"drop": each.file, "reason": each.reason} for each in result.left],
        "drops": [
            {
                **as_json.named(
                    each,
                    (
                        "series",
                        "drop_number",
                        "status_before",
                        "status",
                        "flags_came",
                        "flags_went",
                        "kept_by_hand",
                    ),
                ),
                "before": measures(each.before),
                "after": measures(each.after),
            }
            for each in result.changed
        ],
    }
