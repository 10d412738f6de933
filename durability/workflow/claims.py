"""Claims: "reduces peak g by at least so many percent", under each condition separately."""

from __future__ import annotations

from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from durability.record.errors import RecordRefused, UnusableCall
from durability.store import bench, database
from durability.workflow.results import Cause, ClaimAnswer, ClaimByKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from durability.wear.claims import Instrument
    from durability.wear.results import Acceptance, Claim
    from durability.workflow.session import Session
    from durability.workflow.study import Study


def instruments(session: Session) -> Mapping[str, Instrument]:
    """What is on record of the instrument behind each series with a valid drop."""
    from durability.wear.claims import Instrument

    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "reading_instruments")
    return {row.pop("series"): Instrument(**row) for row in rows}


def refuse_no_share(reduction_pct: float, option: str) -> None:
    """Refuse a reduction that nothing could show, by the option that gave it."""
    if not 0 <= reduction_pct < 100:
        raise UnusableCall(f"{option} {reduction_pct:g}: not a percentage from 0 to below 100")


def judge_claim(
    study: Study,
    a: str,
    b: str,
    at_least_pct: float,
    *,
    after_drops: int | None,
    level: float,
    acceptance: Acceptance = "simple",
    known: Mapping[str, Instrument],
) -> ClaimAnswer:
    """Whether ``b`` reduces peak g against ``a`` by at least so many percent.

    Parameters
    ----------
    study : Study
        Of the record.
    a, b : str
        Case models, or bare.
    at_least_pct : float
        Claimed reduction, in percent of the peak g of ``a``.
    after_drops : int, optional
        Compare at this drop of each case; by default the mean over the drops that both sides made.
    level : float
        Of the intervals.
    acceptance : {"simple", "guarded"}
        Whether the uncertainty of readings is guarded against.
    known : mapping of str to Instrument
        As ``instruments`` has them.

    Returns
    -------
    ClaimAnswer
        Under each condition that both sides share, in the order of ``Study.comparison``.

    Raises
    ------
    RecordRefused
        A side has no series, or they share no condition.
    UnusableCall
        A value outside its range, both sides the same, or more drops than both have made.
    """
    from durability.wear import claims
    from durability.wear.cases import in_common
    from durability.wear.compare import refuse_beyond, sides_under

    if a == b:
        raise UnusableCall(f"claim {a!r} against itself: name two case models, or bare and one")
    refuse_no_share(at_least_pct, "--at-least")
    if after_drops is not None and after_drops < 1:
        raise UnusableCall(f"--after-drops {after_drops}: not a number of drops, 1 or more")
    if not 0 < level < 1:
        raise UnusableCall(f"--level {level:g}: not a share between 0 and 1, like 0.9")
    as_read = study.sides(a, b)
    causes: tuple[Cause, ...] = ("voided", "in doubt")
    reread = {cause: study.sides(a, b, cause) for cause in causes}
    shared = [*in_common(*as_read)]
    if not shared:
        basis = study.comparison(a, b)[0].basis
        raise RecordRefused(f"{basis}; a claim needs both sides dropped under one condition")
    judged = partial(
        claims.judge_claim,
        reduction_at_least_pct=at_least_pct,
        confidence=level,
        at_drop=after_drops,
        acceptance=acceptance,
        instruments=known,
    )
    answers: list[ClaimByKind] = []
    for condition in shared:
        sides = sides_under([condition], as_read[0], as_read[1], study.case_fits)
        if not answers:
            refuse_beyond(sides, after_drops)
        claim, reason = None, None
        again: dict[Cause, Claim | None] = dict.fromkeys(causes)
        valid: dict[Cause | None, tuple[int, int]] = {None: sides.valid_drops}
        try:
            claim = judged(sides)
        except UnusableCall as error:
            reason = str(error)
        for cause, others in reread.items():
            refitted = partial(study.case_fits, cause=cause)
            other = sides_under([condition], others[0], others[1], refitted)
            valid[cause] = other.valid_drops
            if claim is not None and other.valid_drops != sides.valid_drops:
                with suppress(UnusableCall):
                    again[cause] = judged(other)
        made = sides.made_drops
        answers.append(
            ClaimByKind(
                device_kind=condition.device_kind,
                claim=claim,
                reason=None if claim is not None else reason,
                voided_a=made[0] - valid[None][0],
                voided_b=made[1] - valid[None][1],
                with_voided=again["voided"],
                in_doubt_a=valid[None][0] - valid["in doubt"][0],
                in_doubt_b=valid[None][1] - valid["in doubt"][1],
                without_in_doubt=again["in doubt"],
                condition=condition,
            )
        )
    named = [each.series for side in as_read for each in side]
    return ClaimAnswer(
        a=a,
        b=b,
        by_kind=tuple(answers),
        voided=tuple(study.drops("voided", named)),
        in_doubt=tuple(study.drops("in doubt", named)),
    )
