"""The command that watches the rig itself."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import say, session_of
from durability.errors import UnusableCall
from durability.workflow import rig as workflow


def rig(options: Namespace) -> int:
    """Control charts of the reference drops, or their gauge study."""
    session = session_of(options)
    if not options.gauge and (options.factor or options.part_sd_pct is not None):
        raise UnusableCall(
            "--factor and --part-sd-pct: belong to --gauge; add it or leave them out"
        )
    from durability.report import rig as shown

    if options.gauge:
        study, part_words = workflow.study_gauge(
            session, options.series, options.factor, part_sd_pct=options.part_sd_pct
        )
        if options.json:
            return say(options, shown.gauge_as_plain(study, part_words), "")
        shown.gauge(study, part_words)
        return 0
    watched = workflow.watch(session, options.series)
    if options.json:
        return say(options, shown.as_plain(watched), "")
    shown.watch(watched)
    return 0
