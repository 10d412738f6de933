"""Claims: "reduces peak g by at least so many percent", under each condition by itself."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from durability.record.errors import RecordRefused, UnusableCall
from durability.workflow.results import ClaimAnswer, ClaimByKind

if TYPE_CHECKING:
    from durability.workflow.study import Study


def judge_claim(
    study: Study, a: str, b: str, at_least_pct: float, *, after_drops: int | None, level: float
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
    from durability.wear.compare import refuse_beyond, sides_under
    from durability.wear.conditions import in_common

    if a == b:
        raise UnusableCall(f"claim {a!r} against itself: name two case models, or bare and one")
    if not 0 <= at_least_pct < 100:
        raise UnusableCall(f"--at-least {at_least_pct:g}: not a percentage from 0 to below 100")
    if after_drops is not None and after_drops < 1:
        raise UnusableCall(f"--after-drops {after_drops}: not a number of drops, 1 or more")
    if not 0 < level < 1:
        raise UnusableCall(f"--level {level:g}: not a share between 0 and 1, like 0.9")
    as_read, put_back = study.sides(a, b), study.sides(a, b, with_voided=True)
    refitted = partial(study.case_fits, with_voided=True)
    shared = [*in_common(*as_read)]
    if not shared:
        basis = study.comparison(a, b)[0].basis
        raise RecordRefused(f"{basis}; a claim needs both sides dropped under the same")
    answers: list[ClaimByKind] = []
    for condition in shared:
        sides = sides_under([condition], as_read[0], as_read[1], study.case_fits)
        again = sides_under([condition], put_back[0], put_back[1], refitted)
        if not answers:
            refuse_beyond(sides, after_drops)
        claim, with_voided, reason = None, None, None
        try:
            claim = claims.judge_claim(sides, at_least_pct, level, at_drop=after_drops)
            if again.valid_drops != sides.valid_drops:
                with_voided = claims.judge_claim(again, at_least_pct, level, at_drop=after_drops)
        except UnusableCall as error:
            reason = str(error)
        made, valid = sides.made_drops, sides.valid_drops
        answers.append(
            ClaimByKind(
                device_kind=condition.device_kind,
                claim=claim,
                reason=None if claim is not None else reason,
                voided_a=made[0] - valid[0],
                voided_b=made[1] - valid[1],
                with_voided=with_voided,
                condition=condition,
            )
        )
    named = (each.series for side in as_read for each in side)
    return ClaimAnswer(a=a, b=b, by_kind=tuple(answers), voided=tuple(study.voided_of(named)))
