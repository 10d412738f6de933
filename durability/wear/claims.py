"""Whether "reduces peak g by at least so many percent" can be said, and what would settle it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall
from durability.wear.compare import basis_of, reduction, reduction_at
from durability.wear.results import Claim, ClaimVerdict, LogRatio, OrientationClaim

if TYPE_CHECKING:
    from durability.wear.compare import Sides

MOST_CASES = 200
"""More cases a side than this are not worth proposing."""

MOST_DROPS = 200
"""More drops per case and orientation than this are not worth proposing."""


def judge_claim(
    sides: Sides,
    reduction_at_least_pct: float,
    confidence: float = 0.9,
    *,
    at_drop: int | None = None,
    power: float = 0.8,
) -> Claim:
    """Whether ``b`` reduces peak g against ``a`` by at least so many percent.

    Shown when the whole two-sided interval of the reduction lies at or above the claim,
    contradicted when all of it lies below, else not shown: a claim at its very edge is called
    shown with a probability of at most (1 - ``confidence``) / 2. The figures are those of
    ``compare``; from one case alone nothing is shown of a model.

    Parameters
    ----------
    sides : Sides
        What is compared with (bare or an older model), and what the claim is for.
    reduction_at_least_pct : float
        Claimed reduction of peak g, in percent of ``a``; between 0 and 100.
    confidence : float
        Level of the two-sided intervals.
    at_drop : int, optional
        Compare the levels that worn cases have at this drop; by default the mean over the drops
        that both sides made.
    power : float
        With which the further cases or drops proposed would settle it, were the estimate true.

    Returns
    -------
    Claim
        Over all orientations that both saw, and for each on its own.

    Raises
    ------
    UnusableCall
        A claim, confidence or power outside its range, or no orientation in common.
    """
    if not 0.0 <= reduction_at_least_pct < 100.0:
        raise UnusableCall(f"a reduction of {reduction_at_least_pct:g} % must be from 0 to 100")
    if not 0.0 < power < 1.0:
        raise UnusableCall(f"power {power:g} must be between 0 and 1")
    overall = sides.ratio(confidence, at_drop=at_drop)
    if overall is None:
        raise UnusableCall(f"the two sides have {basis_of(sides, None, at_drop)}")
    shared, unshared = sides.orientations(at_drop)
    per_orientation = []
    for name in shared:
        alone = sides.ratio(confidence, at_drop=at_drop, orientation=name)
        if alone is not None:
            per_orientation.append(
                OrientationClaim(
                    name,
                    _verdict(alone, reduction_at_least_pct),
                    *_reduction_pct(alone),
                    alone.drops_a,
                    alone.drops_b,
                    alone.cases_a,
                    alone.cases_b,
                )
            )
    estimate, lower, upper = _reduction_pct(overall)
    verdict = _verdict(overall, reduction_at_least_pct)
    open_question = verdict == "not shown" and not overall.between_case_unknown
    bare = sides.bare
    return Claim(
        reduction_at_least_pct=reduction_at_least_pct,
        verdict=verdict,
        reduction_pct=estimate,
        reduction_lower=lower,
        reduction_upper=upper,
        confidence=confidence,
        false_claim_risk=(1.0 - confidence) / 2.0,
        at_drop=at_drop,
        beyond_last_drop=False,
        by_wear=sides.by_wear(confidence),
        overall=overall,
        per_orientation=tuple(per_orientation),
        unshared_orientations=tuple(unshared),
        cases_to_settle=_cases_to_settle(overall, reduction_at_least_pct, power, bare)
        if open_question
        else None,
        drops_to_settle=_drops_to_settle(
            overall, reduction_at_least_pct, power, sides.drops_each(at_drop)
        )
        if open_question and at_drop is None
        else None,
        power=power,
        decision_rule=(
            f"shown if the whole {100 * confidence:.0f} % interval is at or above "
            f"{reduction_at_least_pct:g} %, contradicted if all of it is below; at most "
            f"{(1.0 - confidence) / 2.0:.1%} of false claims are shown"
        ),
        basis=basis_of(sides, overall, at_drop),
    )


def _verdict(found: LogRatio, reduction_at_least_pct: float) -> ClaimVerdict:
    if found.between_case_unknown or found.lower is None or found.upper is None:
        return "not shown"
    claimed = 1.0 / (1.0 - reduction_at_least_pct / 100.0)
    if found.lower >= claimed:
        return "shown"
    return "contradicted" if found.upper < claimed else "not shown"


def _reduction_pct(found: LogRatio) -> tuple[float, float | None, float | None]:
    """Reduction from a to b in percent of a, with its interval."""
    return reduction(found.ratio), reduction_at(found.lower), reduction_at(found.upper)


def _settles(gap: float, variance: float, df: float, confidence: float, power: float) -> bool:
    """Whether an interval would clear a gap on the log scale with the power asked for."""
    from scipy.special import nctdtr, stdtrit

    critical = float(stdtrit(df, (1.0 + confidence) / 2.0))
    # Beyond 36 scipy's noncentral t gives NaN here and there (1.17); the power is then 1.
    noncentrality = min(gap / np.sqrt(variance), 36.0)
    return bool(1.0 - nctdtr(df, noncentrality, critical) >= power)


def _gap(found: LogRatio, reduction_at_least_pct: float) -> float:
    return abs(found.log_ratio + float(np.log1p(-reduction_at_least_pct / 100.0)))


def _cases_to_settle(
    found: LogRatio, reduction_at_least_pct: float, power: float, bare: tuple[bool, bool]
) -> int | None:
    """Fewest cases on each side that has cases, drops per case as now; bare drops as now."""
    if found.log_variance_a is None or found.log_variance_b is None:
        return None
    gap = _gap(found, reduction_at_least_pct)
    sides = [
        (found.cases_a, found.log_variance_a, bare[0]),
        (found.cases_b, found.log_variance_b, bare[1]),
    ]
    if all(bare):
        return None
    for wanted in range(2, MOST_CASES + 1):
        # A single bare device is taken to vary as the cases do: as well known as they are.
        parts = [
            (variance, max(cases, wanted if cases == 1 else 2) - 1)
            if is_bare
            else (variance * cases / wanted, wanted - 1)
            for cases, variance, is_bare in sides
        ]
        total = sum(part for part, _ in parts)
        df = total**2 / sum(part**2 / each for part, each in parts)
        if _settles(gap, total, df, found.level, power):
            return wanted
    return None


def _drops_to_settle(
    found: LogRatio, reduction_at_least_pct: float, power: float, repeats: float
) -> int | None:
    """Fewest drops per case and orientation with the cases there are; bare drops in proportion."""
    if found.within_case_log_sd is None or found.log_se is None or found.df is None:
        return None
    gap = _gap(found, reduction_at_least_pct)
    within = found.within_case_log_sd**2
    between = (found.between_case_log_sd or 0.0) ** 2
    for wanted in range(int(np.ceil(repeats)), MOST_DROPS + 1):
        shrunk = (between + within / wanted) / (between + within / repeats)
        if _settles(gap, found.log_se**2 * shrunk, found.df, found.level, power):
            return wanted
    return None
