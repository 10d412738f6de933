"""The command that watches the rig itself."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import session_of
from durability.cli.show import show
from durability.record.errors import UnusableCall
from durability.workflow import rig as workflow


def rig(options: Namespace) -> int:
    """Control charts of the reference drops, or their gauge study."""
    session = session_of(options)
    if not options.gauge and (options.factor or options.part_sd_pct is not None):
        raise UnusableCall(
            "--factor and --part-sd-pct: belong to --gauge; add it or leave them out"
        )
    from durability.report.answers import rig as answer

    if options.gauge:
        study, part = workflow.study_gauge(
            session, options.series, options.factor, part_sd_pct=options.part_sd_pct
        )
        return show(options, answer.gauge(study, part), lambda: answer.gauge_json(study, part))
    watched = workflow.watch(session, options.series)
    return show(options, answer.blocks(watched), lambda: answer.json(watched))
