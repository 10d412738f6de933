"""The command that judges a claimed reduction of peak g."""

from __future__ import annotations

from argparse import Namespace

from durability.cli.logbook import say, session_of
from durability.cli.progress import progress
from durability.workflow import claims


def claim(options: Namespace) -> int:
    """Whether B reduces peak g against A by at least so many percent."""
    with progress(options, "judging the claim"):
        answer = claims.judge_claim(
            session_of(options),
            options.a,
            options.b,
            options.at_least,
            after_drops=options.after_drops,
            level=options.level,
        )
    from durability.report import claims as shown

    if options.json:
        return say(options, shown.as_plain(answer, options.at_least), "")
    shown.answer(answer)
    return 0
