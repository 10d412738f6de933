"""Whether "reduces peak g by at least so many percent" can be said, and what would settle it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall
from durability.wear.ratio import log_ratio
from durability.wear.results import Claim, ClaimVerdict, LogRatio, OrientationClaim

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

MIN_DROPS_FOR_LINE = 3
"""Fewest drops of a case through which a line is drawn to a drop number: two leave no check."""

MOST_CASES = 200
"""More cases a side than this are not worth proposing."""

MOST_DROPS = 200
"""More drops per case and orientation than this are not worth proposing."""


@dataclass(frozen=True, slots=True)
class ClaimReadings:
    """Valid drops of one side of a claim, all onto devices or all onto dummies.

    Arrays and tuples have shape (n_drops,).
    """

    log_peak: FloatArray
    """Natural logarithm of peak g."""
    case: tuple[str, ...] | None = None
    """None when bare."""
    orientation: tuple[str, ...] | None = None
    """None when not recorded."""
    drop_number: IntArray | None = None


def judge_claim(
    a: ClaimReadings,
    b: ClaimReadings,
    reduction_at_least_pct: float,
    confidence: float = 0.9,
    *,
    at_drop: int | None = None,
    power: float = 0.8,
) -> Claim:
    """Whether ``b`` reduces peak g against ``a`` by at least so many percent.

    Shown when the whole two-sided interval of the reduction lies at or above the claim,
    contradicted when all of it lies below, else not shown: a claim at its very edge is called
    shown with a probability of at most (1 - ``confidence``) / 2. The case is the unit
    (`durability.wear.ratio.log_ratio`); from one case alone nothing is shown of a model.

    Parameters
    ----------
    a, b : ClaimReadings
        What is compared with (bare or an older model), and what the claim is for.
    reduction_at_least_pct : float
        Claimed reduction of peak g, in percent of ``a``; between 0 and 100.
    confidence : float
        Level of the two-sided intervals.
    at_drop : int, optional
        Compare the levels that worn cases have at this drop number: each case's (and
        orientation's) line of log peak g on drop number. By default the drops as they are.
    power : float
        With which the further cases or drops proposed would settle it, were the estimate true.

    Returns
    -------
    Claim
        Over all orientations that both saw, and for each on its own.

    Raises
    ------
    UnusableCall
        A claim, confidence or power outside its range, no orientation in common, drop numbers
        missing or too few drops for ``at_drop``, or what `log_ratio` refuses.
    """
    if not 0.0 <= reduction_at_least_pct < 100.0:
        raise UnusableCall(f"a reduction of {reduction_at_least_pct:g} % must lie in 0 to 100")
    if not 0.0 < power < 1.0:
        raise UnusableCall(f"power {power:g} must lie between 0 and 1")
    a, b, unshared = _shared(a, b)
    beyond = False
    if at_drop is not None:
        beyond = any(last < at_drop for side in (a, b) for last in _last_drops(side))
        a, b = _levels_at(a, at_drop), _levels_at(b, at_drop)

    overall = log_ratio(
        a.log_peak, a.case, b.log_peak, b.case, confidence, a.orientation, b.orientation
    )
    per_orientation = []
    for name in sorted(set(a.orientation or ())):
        alone = log_ratio(*_pick(a, name), *_pick(b, name), confidence)
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
    reduction, lower, upper = _reduction_pct(overall)
    verdict = _verdict(overall, reduction_at_least_pct)
    open_question = verdict == "not shown" and not overall.between_case_unknown
    return Claim(
        reduction_at_least_pct=reduction_at_least_pct,
        verdict=verdict,
        reduction_pct=reduction,
        reduction_lower=lower,
        reduction_upper=upper,
        confidence=confidence,
        false_claim_risk=(1.0 - confidence) / 2.0,
        at_drop=at_drop,
        beyond_last_drop=beyond,
        overall=overall,
        per_orientation=tuple(per_orientation),
        unshared_orientations=unshared,
        cases_to_settle=_cases_to_settle(overall, reduction_at_least_pct, power)
        if open_question
        else None,
        drops_to_settle=_drops_to_settle(overall, reduction_at_least_pct, power, _repeats(a, b))
        if open_question and at_drop is None
        else None,
        power=power,
        decision_rule=(
            f"shown if the whole {100 * confidence:.0f} % interval is at or above "
            f"{reduction_at_least_pct:g} %, contradicted if all of it is below; at most "
            f"{(1.0 - confidence) / 2.0:.1%} of false claims are shown"
        ),
        basis=overall.basis,
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
    ends = [
        None if ratio is None else 100.0 * (1.0 - 1.0 / ratio)
        for ratio in (found.lower, found.upper)
    ]
    return 100.0 * (1.0 - 1.0 / found.ratio), ends[0], ends[1]


def _shared(
    a: ClaimReadings, b: ClaimReadings
) -> tuple[ClaimReadings, ClaimReadings, tuple[str, ...]]:
    """Both sides in the orientations that both saw, and the orientations left out."""
    if a.orientation is None or b.orientation is None:
        return replace(a, orientation=None), replace(b, orientation=None), ()
    both = set(a.orientation) & set(b.orientation)
    if not both:
        raise UnusableCall("the two sides have no orientation in common")
    unshared = (set(a.orientation) | set(b.orientation)) - both
    return _only(a, both), _only(b, both), tuple(sorted(unshared))


def _only(side: ClaimReadings, names: set[str]) -> ClaimReadings:
    orientation = side.orientation or ()
    keep = [place for place, name in enumerate(orientation) if name in names]
    return ClaimReadings(
        np.asarray(side.log_peak, dtype=float)[keep],
        None if side.case is None else tuple(side.case[place] for place in keep),
        tuple(orientation[place] for place in keep),
        None if side.drop_number is None else np.asarray(side.drop_number)[keep],
    )


def _pick(side: ClaimReadings, orientation: str) -> tuple[FloatArray, tuple[str, ...] | None]:
    chosen = _only(side, {orientation})
    return chosen.log_peak, chosen.case


def _numbers(side: ClaimReadings) -> IntArray:
    if side.drop_number is None:
        raise UnusableCall("levels at a drop number need the drop numbers of both sides")
    return np.asarray(side.drop_number)


def _last_drops(side: ClaimReadings) -> list[int]:
    """Last drop number of each case; none for a bare side, where no level is drawn on."""
    if side.case is None:
        return []
    numbers, case = _numbers(side), np.asarray(side.case)
    return [int(numbers[case == each].max()) for each in np.unique(case)]


def _levels_at(side: ClaimReadings, at_drop: int) -> ClaimReadings:
    """Each case's level at a drop number, one a case and orientation, from its own line.

    Their scatter from case to case holds the uncertainty of the lines as well. Nothing wears when
    dropped bare, so bare drops stay as they are.
    """
    if side.case is None:
        return side
    numbers = _numbers(side)
    log_peak = np.asarray(side.log_peak, dtype=float)
    orientation = side.orientation or ("",) * len(log_peak)
    level, case, where = [], [], []
    for own_case, own_orientation in sorted(set(zip(side.case, orientation, strict=True))):
        rows = [
            place
            for place in range(len(log_peak))
            if (side.case[place], orientation[place]) == (own_case, own_orientation)
        ]
        if len(set(numbers[rows])) < MIN_DROPS_FOR_LINE:
            raise UnusableCall(
                f"case {own_case}: a level at drop {at_drop} needs at least {MIN_DROPS_FOR_LINE} "
                f"drops in one orientation, it has {len(set(numbers[rows]))}"
            )
        line = np.polyfit(numbers[rows] - at_drop, log_peak[rows], 1)
        level.append(float(line[1]))
        case.append(own_case)
        where.append(own_orientation)
    return ClaimReadings(
        np.array(level), tuple(case), None if side.orientation is None else tuple(where)
    )


def _repeats(a: ClaimReadings, b: ClaimReadings) -> float:
    """Mean drops per case and orientation of the sides that have cases."""
    counts = [
        count
        for side in (a, b)
        if side.case is not None
        for count in Counter(
            zip(side.case, side.orientation or ("",) * len(side.case), strict=True)
        ).values()
    ]
    return float(np.mean(counts)) if counts else 1.0


def _settles(gap: float, variance: float, df: float, confidence: float, power: float) -> bool:
    """Whether an interval would clear a gap on the log scale with the power asked for."""
    from scipy.special import nctdtr, stdtrit

    critical = float(stdtrit(df, (1.0 + confidence) / 2.0))
    # Beyond 36 scipy's noncentral t gives NaN here and there (1.17); the power is then 1.
    noncentrality = min(gap / np.sqrt(variance), 36.0)
    return bool(1.0 - nctdtr(df, noncentrality, critical) >= power)


def _gap(found: LogRatio, reduction_at_least_pct: float) -> float:
    return abs(found.log_ratio + float(np.log1p(-reduction_at_least_pct / 100.0)))


def _cases_to_settle(found: LogRatio, reduction_at_least_pct: float, power: float) -> int | None:
    """Fewest cases on each side that has cases, drops per case as now; bare drops as now."""
    if found.log_variance_a is None or found.log_variance_b is None:
        return None
    variance_a, variance_b = found.log_variance_a, found.log_variance_b
    gap = _gap(found, reduction_at_least_pct)
    sides = [(found.cases_a, found.drops_a, variance_a), (found.cases_b, found.drops_b, variance_b)]
    if not any(cases for cases, _, _ in sides):
        return None
    for wanted in range(2, MOST_CASES + 1):
        parts = [
            (variance * cases / wanted, wanted - 1) if cases else (variance, max(drops - 1, 1))
            for cases, drops, variance in sides
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
