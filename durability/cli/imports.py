"""The command that takes files."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Sequence
from itertools import starmap
from pathlib import Path

from durability.cli.logbook import say, session_of, warn, warn_of
from durability.cli.progress import progress
from durability.intake.results import ImportCount
from durability.intake.tables import SheetOptions
from durability.record.errors import ImportRefused, UnusableCall
from durability.report import as_json
from durability.workflow import imports

SHOWN_REJECTIONS = 20
"""How many refused rows are told one by one; the others are counted."""


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
        words = f"nothing stored: {count.rejected} of {count.read} rows refused; mend them, or"
        words += " store the good ones with --keep-good"
    else:
        words = f"{count.added} added, {count.duplicates} there already, {count.rejected} refused"
        if count.rejects_file:
            words += f" (in {count.rejects_file})"
        if count.skipped_rows:
            words += f"; {count.skipped_rows} rows of the sheet are no records"
    for rejection in count.rejections[:SHOWN_REJECTIONS]:
        print(f"durability: {rejection.line()}", file=sys.stderr)
    if count.rejected > SHOWN_REJECTIONS:
        print(
            f"durability: and {count.rejected - SHOWN_REJECTIONS} more refused rows",
            file=sys.stderr,
        )
    say(options, as_json.import_count(count), words)
    if count.undated_in_quarantine:
        from durability.report import safety

        warn(starmap(safety.undated_in_quarantine_line, count.undated_in_quarantine.items()))
    warn_of(*count.quarantined)
    return 1 if count.rejected else 0


def _pairs(texts: Sequence[str], option: str) -> dict[str, str]:
    pairs = {}
    for text in texts:
        name, equals, value = text.rpartition("=") if option == "--map" else text.partition("=")
        if not equals or not name.strip():
            raise UnusableCall(f"{option} {text!r}: no '='; write NAME=VALUE")
        pairs[name.strip()] = value.strip()
    return pairs
