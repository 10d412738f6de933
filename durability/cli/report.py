"""The command that writes the page."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from durability.cli.files import refuse_unwritable, write_text
from durability.cli.logbook import day_of, limit_of, say, session_of
from durability.cli.progress import progress
from durability.record.errors import UnusableCall


def report(options: Namespace) -> int:
    """Write one self-contained page."""
    file = Path(options.output)
    refuse_unwritable(file)
    from durability.workflow import issuing, reporting

    session = session_of(options)
    if options.reason is not None and options.reissue_of is None:
        raise UnusableCall("--reason: belongs to --reissue-of; name the report that is replaced")
    replaced = (
        None
        if options.reissue_of is None
        else issuing.report_to_replace(session, options.reissue_of, options.reason)
    )
    with progress(options, "report") as told:
        contents = reporting.gather_report(
            session,
            series=options.series,
            case_models=options.case_model,
            specimen=options.specimen,
            plan=options.plan,
            on=day_of(options),
            claim_pct=options.claim,
            limit=limit_of(options),
            rig_corrected=options.rig_corrected,
            told=told,
        )
        from durability.report.page import changes, page, words

        written = issuing.issue_report(
            session,
            contents,
            file,
            answers=changes.answers(contents),
            replaced=replaced,
            reason=options.reason,
            drawn=lambda numbered: page(numbered, told),
            written=write_text,
        )
    answers = words.answers(written)
    first = answers[0][1] if answers else words.tested(written)
    number = None if written.issue is None else written.issue.number
    if options.json:
        summary = {
            "file": str(file),
            "number": number,
            "replaces": options.reissue_of,
            "digest": written.digest,
            "answer": first,
        }
        return say(options, summary, "")
    from durability.report import terminal

    terminal.say(first)
    if replaced is not None:
        terminal.say(changes.summary(written))
    print(f"written: {file} ({words.numbered(written)})")
    return 0
