"""The command that judges a claimed reduction of peak g."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import session_of
from durability.cli.progress import progress
from durability.cli.show import show
from durability.workflow import claims


def claim(options: Namespace) -> int:
    """Whether B reduces peak g against A by at least so many percent."""
    with progress(options, "judging the claim"):
        found = claims.judge_claim(
            session_of(options),
            options.a,
            options.b,
            options.at_least,
            after_drops=options.after_drops,
            level=options.level,
        )
    from durability.report.answers import claim as answer

    return show(options, answer.blocks(found), lambda: answer.json(found, options.at_least))
