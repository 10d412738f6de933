"""Commands that take files, or hold the record and the program against what they should be."""

from __future__ import annotations

import signal
import sys
import time
from argparse import Namespace
from collections.abc import Sequence
from dataclasses import asdict
from itertools import starmap
from pathlib import Path
from types import FrameType
from typing import Any

from durability.cli.logbook import say, session_of, warn, warn_of, warn_of_clock, warn_of_drop
from durability.cli.output import progress, show, tell, write
from durability.intake.tables import SheetOptions
from durability.intake.waveforms import CrossChannel
from durability.record import units
from durability.record.basis import counted
from durability.record.errors import (
    DurabilityError,
    ImportRefused,
    NothingReadable,
    StoreUnusable,
    UnusableCall,
    complain,
)
from durability.record.receipts import ImportCount, Rejection
from durability.report import as_json, labels, pulse_labels, safety
from durability.report.answers import records
from durability.report.answers import waveforms as answer
from durability.workflow import archive, recorders, waveforms
from durability.workflow import archive as imports
from durability.workflow import integrity as workflow
from durability.workflow.integrity import run_selfcheck
from durability.workflow.measuring import FilterChoice, RecordOptions, remarks_of
from durability.workflow.results import MeasuredFile, WaveformImport

SHOWN_REJECTIONS = 20
"""How many refused rows are listed one by one; the others are counted."""


def import_files(options: Namespace) -> int:
    """Take CSV files."""
    sheet_options = SheetOptions(
        rename=_pairs(options.rename, "--map"),
        constants=_pairs(options.constants, "--set"),
        number_drops=getattr(options, "number_drops", False),
        skip_where_blank=options.skip_where_blank,
        ignore_other_columns=options.ignore_other_columns,
        void_blank_peaks=getattr(options, "void_blank_peaks", None),
        decimal_comma=options.decimal == "comma",
        sheet=options.sheet,
    )
    try:
        with progress(options, f"importing {options.kind}"):
            count = imports.import_files(
                session_of(options),
                options.kind,
                [Path(file) for file in options.files],
                options=sheet_options,
                keep_good=options.keep_good,
                allow_gaps=getattr(options, "allow_gaps", False),
                split_by_condition=getattr(options, "split_conditions", False),
                despite_quarantine=getattr(options, "despite_quarantine", None),
            )
    except ImportRefused as refused:
        count = ImportCount(
            refused.read,
            0,
            refused.duplicates,
            len(refused.rejections),
            None,
            refused.rejections,
        )
        words = f"nothing stored: {count.rejected} of {count.read} rows refused; correct them, or"
        words += " store the good ones with --keep-good"
    else:
        words = f"{count.added} added, {count.duplicates} already stored, {count.rejected} refused"
        if count.rejects_file:
            words += f" (in {count.rejects_file})"
        if count.skipped_rows:
            words += f"; {count.skipped_rows} rows of the sheet are not records"
    for rejection in count.rejections[:SHOWN_REJECTIONS]:
        complain(f"durability: {rejection.line()}")
    if count.rejected > SHOWN_REJECTIONS:
        print(
            f"durability: and {count.rejected - SHOWN_REJECTIONS} more refused rows",
            file=sys.stderr,
        )
    say(options, as_json.import_count(count), words)
    if count.undated_in_quarantine:
        from durability.report import safety

        warn(starmap(safety.undated_in_quarantine_line, count.undated_in_quarantine.items()))
    _warn_of_import(count)
    return 1 if count.rejected else 0


def _warn_of_import(count: ImportCount) -> None:
    if count.dropped_after_failure:
        warn(starmap(safety.failed_case_line, count.dropped_after_failure.items()))
    warn_of_clock(count.clock)
    warn_of(*count.quarantined)


def _pairs(texts: Sequence[str], option: str) -> dict[str, str]:
    pairs = {}
    for text in texts:
        name, equals, value = text.rpartition("=") if option == "--map" else text.partition("=")
        if not equals or not name.strip():
            raise UnusableCall(f"{option} {text!r}: no '='; write NAME=VALUE")
        pairs[name.strip()] = value.strip()
    return pairs


def export(options: Namespace) -> int:
    """Write the whole record as open files."""
    with progress(options, "writing the record"):
        told = archive.export_record(
            session_of(options),
            Path(options.folder),
            options.licence,
            options.since,
            as_parquet=options.format == archive.PARQUET,
        )
    words = f"exported: {told.folder} ({counted(told.files, 'file')}, {counted(told.drops, 'drop')}"
    say(options, asdict(told), f"{words}; licence {told.licence})")
    return _warn_of_photos(told.missing_photos)


def merge(options: Namespace) -> int:
    """Add the record of another lab."""
    from durability.report.answers import integrity as answer

    session = session_of(options)
    with progress(options, "comparing the records"):
        found = workflow.merge_record(
            session, Path(options.other), split=options.split, dry_run=options.dry_run
        )
    show(options, answer.merged(found, is_dry=options.dry_run), lambda: answer.merged_json(found))
    if found.dropped_after_failure:
        warn(starmap(safety.failed_case_line, found.dropped_after_failure.items()))
    return 1 if found.conflicts else 0


def import_record(options: Namespace) -> int:
    """Make a new store from an exported record."""
    session = session_of(options)
    with progress(options, "reading the record"):
        told = archive.import_record(session, Path(options.folder))
    words = f"{session.store}: made from {told.folder} ({counted(told.drops, 'drop')})"
    return say(options, {**asdict(told), "store": str(session.store)}, words)


LOOK_EVERY_S = 0.2
"""Pause between two readings of a watched folder."""


def _filter(options: Namespace) -> FilterChoice:
    return FilterChoice(
        low_pass_hz=options.low_pass_hz,
        channel_class=options.channel_class,
        channel_class_standard=records.OPTIONS_AS_TYPED["class_standard"][options.class_standard],
    )


def record_options(options: Namespace) -> RecordOptions:
    """What the user states about the files of this call."""
    return RecordOptions(
        channel=options.channel,
        cross_channels=tuple(map(_cross_channel, options.cross_channels)),
        units=options.units,
        mv_per_g=options.mv_per_g,
        gain=options.gain,
        full_scale_g=options.full_scale_g,
        sample_rate_hz=options.sample_rate_hz,
        time_unit=options.time_unit,
        delimiter=records.OPTIONS_AS_TYPED["delimiter"].get(options.delimiter),
        decimal=records.OPTIONS_AS_TYPED["decimal"].get(options.decimal),
        encoding=options.encoding,
        first_line=options.first_line,
        filter=_filter(options),
        date_by_file_time=getattr(options, "date_by_file_time", True),
    )


def _cross_channel(text: str) -> CrossChannel:
    """A channel across the axis of the impact, as typed: NAME or NAME=K."""
    name, equals, number = text.rpartition("=")
    try:
        mv_per_g = units.read(number, units.SENSITIVITY) if equals else None
    except ValueError:
        return CrossChannel(text)  # the sign belongs to the name
    if mv_per_g is None:
        return CrossChannel(text)
    if not 0.0 < mv_per_g < float("inf"):
        raise UnusableCall(f"--cross-channel {text!r}: {number} mV/g is not a sensitivity")
    return CrossChannel(name, mv_per_g)


def import_waveforms(options: Namespace) -> int:
    """Take recorders' files, or say what was worked out of them."""
    session = session_of(options)
    paths = [Path(file) for file in options.files]
    if options.save_as is not None and not options.explain:
        raise UnusableCall(f"--save-as {options.save_as!r}: goes with --explain; add it")
    told = recorders.read_as(session, options.recorder, record_options(options))
    if options.explain:
        result = waveforms.explain_waveforms(session, options.series, paths, told)
        _tell_refused(result.count.rejections, "refused files")
        show(options, answer.explained(result), lambda: answer.explained_json(result))
        if not result.drops:
            return NothingReadable.exit_status
        if options.save_as is not None and not result.count.rejected:
            kept = recorders.add_recorder(session, options.save_as, told)
            if not options.json:
                tell(records.recorder_words(kept))
        elif options.save_as is not None:
            complain(f"durability: --save-as {options.save_as}: not kept, files were refused")
        return 1 if result.count.rejected else 0
    if options.series is None:
        raise UnusableCall("--series: missing; name the series that the drops belong to")
    try:
        with progress(options, "reading waveforms") as shown:
            result = waveforms.import_waveforms(
                session,
                options.series,
                paths,
                told,
                keep_good=options.keep_good,
                despite_quarantine=options.despite_quarantine,
                on_file=lambda number, files: shown(f"file {number} of {files}", number, files),
            )
    except ImportRefused as refused:
        count = ImportCount(
            refused.read, 0, refused.duplicates, len(refused.rejections), None, refused.rejections
        )
        _tell_refused(count.rejections, "refused files")
        words = f"nothing stored: {count.rejected} of {count.read} files refused"
        if count.rejected < count.read:
            words += "; store the good ones with --keep-good"
        say(options, answer.imported_json(WaveformImport(count, (), ())), words)
        return refused.exit_status
    count = result.count
    _tell_refused(count.rejections, "refused files")
    _warn_of_import(count)
    show(options, answer.imported(result), lambda: answer.imported_json(result))
    if options.json:
        return 1 if count.rejected else 0
    void = sum(each.status == "void" for each in result.drops)
    words = f"{count.added} added ({void} void), {count.duplicates} already stored"
    words += f", {count.rejected} refused"
    tell(words + (f" (in {count.rejects_file})" if count.rejects_file else ""))
    return 1 if count.rejected else 0


def _tell_refused(refused: Sequence[Rejection], what: str) -> None:
    for rejection in refused[:SHOWN_REJECTIONS]:
        complain(f"durability: {rejection.line()}")
    if len(refused) > SHOWN_REJECTIONS:
        complain(f"durability: and {len(refused) - SHOWN_REJECTIONS} more {what}")


def add_recorder(options: Namespace) -> int:
    """Keep what a recorder's files leave open."""
    told = recorders.add_recorder(
        session_of(options), options.name, record_options(options), options.note
    )
    return say(options, told, records.recorder_words(told))


def list_recorders(options: Namespace) -> int:
    """List recorders."""
    found = recorders.list_recorders(session_of(options))
    return show(options, records.listed("recorders", found), lambda: {"recorders": found})


def show_recorder(options: Namespace) -> int:
    """One recorder, version by version."""
    found = recorders.show_recorder(session_of(options), options.name)
    return show(options, records.recorder_blocks(found), lambda: found)


def remeasure(options: Namespace) -> int:
    """Measure kept waveforms again."""
    from durability.workflow.measuring import remeasure as measure_again

    with progress(options, "measuring kept waveforms again"):
        result = measure_again(
            session_of(options), options.series, _filter(options), dry_run=options.dry_run
        )
    _tell_refused(result.left, "records that can't be measured that way")
    show(options, answer.remeasured(result), lambda: answer.remeasured_json(result))
    return 1 if result.left else 0


# -------------------------------------------------------------------------------------- watch


def watch(options: Namespace) -> int:
    """Take each finished file of a folder as the next drop, until interrupted."""
    from durability.workflow.recorders import FolderWatch

    session = session_of(options)
    told = recorders.read_as(session, options.recorder, record_options(options))
    watched = FolderWatch(session, options.series, Path(options.folder), told)
    # Loaded before the first file comes: its verdict shall not wait for libraries.
    from durability.workflow import study  # noqa: F401

    ended = _until_interrupted()
    if not options.json:
        tell(f"watching {options.folder} for drops of {options.series}; Ctrl-C ends it")
        if watched.already_there:
            print(f"{watched.already_there} files there are drops already")
        for words in watched.not_judged:
            tell(f"! not judged: {words}")
        for caution in safety.CAUTIONS:
            print(f"! {caution}")
    sys.stdout.flush()
    trouble = None
    while not ended:
        try:
            for event in watched.poll():
                _tell_event(options, event)
                if ended:
                    break
            trouble = None
        except (StoreUnusable, OSError) as fault:
            # The store is held for a while, or the folder is gone: files wait where they are.
            if str(fault) != trouble:
                trouble = str(fault)
                complain(f"durability: {trouble}; still watching")
        time.sleep(LOOK_EVERY_S)
    if not options.json:
        counts = f"{watched.taken} taken, {watched.set_aside} set aside"
        print(f"\nwatch ended: {counts}, {watched.left_alone} left alone")
    return 0


def _until_interrupted() -> list[int]:
    """A list that gets an entry on Ctrl-C: a drop being stored is finished first."""
    ended: list[int] = []

    def note(number: int, _: FrameType | None) -> None:
        ended.append(number)

    signal.signal(signal.SIGINT, note)
    signal.signal(signal.SIGTERM, note)
    return ended


def _tell_event(options: Namespace, event: Any) -> None:
    """What became of one file, on screen at once."""
    from durability.workflow.recorders import FileGrew, FileLeftAlone, FileSetAside

    if isinstance(event, FileLeftAlone):
        complain(f"durability: {event.file} left alone: {event.reason}")
        return
    if isinstance(event, FileSetAside):
        complain(f"durability: {event.file} set aside: {event.reason}")
        if options.json:
            told = {"file": event.file, "set_aside": True, "reason": event.reason}
            print(as_json.dumps(told), flush=True)
        return
    if isinstance(event, FileGrew):
        drop = event.drop
        if options.json:
            told = {**answer.measured_file(event.file), "drop_number": drop.drop_number}
            print(as_json.dumps({**told, "peak_g_before": drop.before.peak_g}), flush=True)
        else:
            before, after = (labels.recorded(each.peak_g) for each in (drop.before, drop.after))
            tell(
                f"{event.file.file} grew after it was taken: drop {drop.drop_number} has the"
                f" measures of the longer record (peak {before} g, now {after} g); the first stays"
                " in the record"
            )
        return
    if not isinstance(event, MeasuredFile):
        words = f"{event.file}: already stored, drop {event.drop_number} of {event.series}"
        complain(f"durability: {words}")
        return
    if event.stored is not None:
        warn_of_drop(event.stored, {})
    if options.json:
        print(as_json.dumps(answer.measured_file(event)), flush=True)
        return
    tell(pulse_labels.measured_file(event))
    for flag in event.measures.flags:
        tell(f"  {flag.words}")
    for note in event.measures.notes:
        tell(f"  note: {note}")
    for remark in remarks_of(event.inferred):
        tell(f"  {remark}")
    from durability.report.answers.trend import trend_sentence
    from durability.workflow.study import open_study

    try:
        for result in open_study(session_of(options), [options.series]).trends:
            tell(f"  {trend_sentence(result)}")
    except DurabilityError as fault:
        complain(f"durability: {fault}")


# --------------------------------------------------------------------------------------- show


def show_pulse(options: Namespace) -> int:
    """Traces of one or more drops, and their measures."""
    from durability.workflow.show import show_pulses

    traces = show_pulses(session_of(options), options.series, options.drop_numbers)
    if options.png is not None:
        from durability.report.plots import picture_bytes
        from durability.report.plots.traces import traces as draw

        write(Path(options.png), picture_bytes(draw(traces), "png"), "--png")
    from durability.report.answers import pulses

    show(options, pulses.blocks(traces), lambda: pulses.json(traces))
    return _drawn(options)


def _drawn(options: Namespace) -> int:
    if options.png is not None and not options.json:
        tell(f"drawn in {options.png}")
    return 0


def show_spectrum(options: Namespace) -> int:
    """Shock response spectra of one drop or several."""
    from durability.report.answers import pulses
    from durability.workflow.pictures import series_spectra
    from durability.workflow.show import show_pulses
    from durability.workflow.show import show_spectrum as spectrum_of

    session, drops = session_of(options), list(dict.fromkeys(options.drop_numbers))
    trace, spectrum = spectrum_of(session, options.series, drops[0], q=options.q)
    left_out = 0
    if len(drops) > 1:
        traces = show_pulses(session, options.series, drops)
        drops, several, left_out = series_spectra(traces, q=options.q)
        spectrum = several or spectrum
    if options.png is not None:
        from durability.report.plots import picture_bytes
        from durability.report.plots.pulses import spectra

        figure = spectra(trace.series, drops, spectrum, left_out=left_out)
        write(Path(options.png), picture_bytes(figure, "png"), "--png")
    if spectrum.absolute_acceleration_g.ndim == 1:
        blocks = pulses.spectrum(trace, spectrum)
        show(options, blocks, lambda: pulses.spectrum_json(trace, spectrum))
    else:
        of = trace.series, drops, spectrum, left_out
        show(options, pulses.spectra(*of), lambda: pulses.spectra_json(*of))
    return _drawn(options)


def show_drop(options: Namespace) -> int:
    """Every input of one drop."""
    from durability.workflow.show import show_drop as look_at

    found = look_at(session_of(options), options.series, options.drop_number)
    from durability.report.answers import pulses

    return show(options, pulses.drop(found), lambda: pulses.drop_json(found))


def seal(options: Namespace) -> int:
    """Fingerprint what no seal holds yet."""
    with progress(options, "fingerprinting the record"):
        found = workflow.seal(session_of(options))
    from durability.report.answers import integrity as answer

    show(options, answer.sealed(found), lambda: answer.json(found))
    return 0 if found.is_sound else 1


def verify(options: Namespace) -> int:
    """Hold the record against its seals and its kept waveforms."""
    with progress(options, "fingerprinting the record") as told:
        found = workflow.verify(session_of(options), options.digest, told)
    from durability.report.answers import integrity as answer

    show(options, answer.verified(found), lambda: answer.json(found))
    return 0 if found.is_sound else 1


def back_up(options: Namespace) -> int:
    """Copy the store into a folder."""
    session = session_of(options)
    with progress(options, "copying the store, reading the copy"):
        made = workflow.back_up(session, Path(options.folder), options.keep)
    words = (
        f"{made.file}: written and read in full (SHA-256 {made.sha256[:12]}...);"
        f" {counted(made.kept, 'backup')} of this store there"
        + (f"; {counted(made.photos, 'photo')} with it" if made.photos else "")
    )
    say(options, asdict(made), words)
    return _warn_of_photos(made.missing_photos)


def restore(options: Namespace) -> int:
    """Put a backup where there is no store."""
    session = session_of(options)
    with progress(options, "copying the backup, reading the copy"):
        made = workflow.restore(session, Path(options.file))
    held = (
        ""
        if made.verified
        else "; there is no .sha256 beside the backup, so it was only read in full"
    )
    say(options, asdict(made), f"{made.file}: restored from {options.file}{held}")
    return _warn_of_photos(made.missing_photos)


def _warn_of_photos(missing: str | None) -> int:
    """Say which photos are missing; the status."""
    if missing:
        warn([missing])
    return 1 if missing else 0


def recover(options: Namespace) -> int:
    """Save what can be read of a damaged store."""
    with progress(options, "reading what can be read"):
        found = workflow.recover(Path(options.file), Path(options.output))
    from durability.report.answers import integrity as answer

    show(options, answer.recovered(found, options.output), lambda: answer.recovered_json(found))
    if not any(found.recovered.values()):
        return 2
    return 1 if found.missing else 0


def selfcheck(options: Namespace) -> int:
    """Run the shipped published values and report each as pass or fail."""
    with progress(options, "checking the program against published values"):
        check = run_selfcheck()
    from durability.report import as_json, blocks
    from durability.report.answers import integrity as answer

    if options.output:
        file = Path(options.output)
        text = (
            as_json.dumps(answer.selfcheck_json(check))
            if file.suffix == ".json"
            else blocks.markdown(answer.in_full(check), "Self-check against published values")
        )
        write(file, text)
    show(options, answer.blocks(check), lambda: answer.selfcheck_json(check))
    if options.output and not options.json:
        tell(f"written: {options.output}")
    return 1 if check.failed else 0
