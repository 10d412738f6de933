"""The command that writes the page."""

from __future__ import annotations

from argparse import Namespace
from datetime import date
from pathlib import Path

from durability.cli.files import refuse_unwritable, write_text
from durability.cli.logbook import say, session_of
from durability.cli.progress import progress


def report(options: Namespace) -> int:
    """Write one self-contained page."""
    file = Path(options.output)
    refuse_unwritable(file)
    from durability.intake.hand_entry import typed_date
    from durability.workflow import reporting

    on = typed_date(options.on, option="--on") if options.on else date.today()  # noqa: DTZ011
    with progress(options, "report") as told:
        contents = reporting.gather_report(
            session_of(options),
            series=options.series,
            case_models=options.case_model,
            specimen=options.specimen,
            plan=options.plan,
            on=on,
            claim_pct=options.claim,
            level=options.level,
            limit_g=options.limit_g,
            limit_rise=options.limit_rise,
            horizon=options.horizon,
            told=told,
        )
        from durability.report.page import page

        html = page(contents, told)
        write_text(file, html)
    from durability.report.page import words

    answers = words.answers(contents)
    first = answers[0][1] if answers else words.tested(contents)
    summary = {"file": str(file), "number": contents.number, "answer": first}
    if options.json:
        return say(options, summary, "")
    from durability.report import tables

    tables.say(first)
    print(f"written: {file} (report {contents.number})")
    return 0
