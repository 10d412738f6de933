"""Whether "reduces peak g by at least so many percent" can be said, and what would settle it."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.record.errors import UnusableCall
from durability.wear.compare import basis_of, reduction, reduction_at
from durability.wear.results import (
    Acceptance,
    Claim,
    ClaimVerdict,
    GuardBand,
    LogRatio,
    OrientationClaim,
    UncertaintyPart,
)

if TYPE_CHECKING:
    from durability.record.records import DropHistory, FloatArray
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
    acceptance: Acceptance = "simple",
    instruments: Mapping[str, Instrument] | None = None,
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
    acceptance : {"simple", "guarded"}
        Whether the interval also has to hold the uncertainty of readings. Both verdicts and the
        risk of either decision are given in any case.
    instruments : mapping of str to Instrument, optional
        What is on record of the instrument behind each series.

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
    parts = reading_uncertainty(sides.a, sides.b, instruments or {})
    counted_in = _together(parts) if acceptance == "guarded" else 0.0
    shared, unshared = sides.orientations(at_drop)
    per_orientation = []
    for name in shared:
        alone = sides.ratio(confidence, at_drop=at_drop, orientation=name)
        if alone is not None:
            per_orientation.append(
                OrientationClaim(
                    name,
                    _verdict(alone, reduction_at_least_pct, counted_in),
                    *_reduction_pct(alone),
                    alone.drops_a,
                    alone.drops_b,
                    alone.cases_a,
                    alone.cases_b,
                )
            )
    estimate, lower, upper = _reduction_pct(overall)
    verdict = _verdict(overall, reduction_at_least_pct, counted_in)
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
        cases_to_settle=_cases_to_settle(
            overall, reduction_at_least_pct, power, bare, counted_in**2
        )
        if open_question
        else None,
        drops_to_settle=_drops_to_settle(
            overall, reduction_at_least_pct, power, sides.drops_each(at_drop), counted_in**2
        )
        if open_question and at_drop is None
        else None,
        power=power,
        decision_rule=(
            f"shown if the whole {100 * confidence:g} % interval"
            f"{', widened by the uncertainty of readings,' if counted_in else ''} is at or above "
            f"{reduction_at_least_pct:g} %, contradicted if all of it is below; at most "
            f"{50 * (1.0 - confidence):g} % of false claims are shown"
            + "; neither while how cases differ is not known"
            * overall.between_case_unknown
        ),
        basis=basis_of(sides, overall, at_drop),
        guard=_guard(overall, reduction_at_least_pct, parts, acceptance),
    )


def _verdict(found: LogRatio, reduction_at_least_pct: float, reading: float = 0.0) -> ClaimVerdict:
    """By the interval of the scatter; with a standard uncertainty of readings by both together."""
    if found.between_case_unknown or found.lower is None or found.upper is None:
        return "not shown"
    claimed = 1.0 / (1.0 - reduction_at_least_pct / 100.0)
    lower, upper = found.lower, found.upper
    if reading and found.log_se is not None and found.df is not None:
        tail = (1.0 - found.level) / 2.0
        wider = math.exp(upper_point(tail, found.log_se, found.df, reading))
        lower, upper = found.ratio / wider, found.ratio * wider
    if lower >= claimed:
        return "shown"
    return "contradicted" if upper < claimed else "not shown"


# ------------------------------------------------------------------ uncertainty of the readings


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is on record of the instrument behind the valid drops of a series."""

    sensor: str | None
    calibration_pct: float | None
    """Expanded uncertainty (k = 2) by the certificate in force; None where none states it."""
    mounting_pct: float | None
    """The same of how the sensor was mounted."""
    log_taken_off: float | None
    """Mean logarithm of the raw peak over the filtered one; None unless each drop was measured."""


NOT_RECORDED = Instrument(None, None, None, None)

_COVERAGE = 2.0
"""Factor of the expanded uncertainties that certificates state."""


def reading_uncertainty(
    a: Sequence[DropHistory], b: Sequence[DropHistory], instruments: Mapping[str, Instrument]
) -> tuple[UncertaintyPart, ...]:
    """Standard uncertainty of a ratio of peaks by what scatter does not show.

    An error of calibration is common to all readings of a sensor: it cancels as far as both sides
    were read with the same one. Each series was mounted on its own. What the filter takes off the
    peaks of one side more than off those of the other is a limit of error, over √3 (GUM, JCGM
    100:2008, 4.3.7). Noise, baseline and sampling differ from drop to drop and are in the scatter.

    Parameters
    ----------
    a, b : sequence of DropHistory
        The series of each side.
    instruments : mapping of str to Instrument
        By series.

    Returns
    -------
    tuple of UncertaintyPart
        Calibration, mounting, filter.
    """
    shares = [_shares(side) for side in (a, b)]
    known = {series: instruments.get(series, NOT_RECORDED) for side in shares for series in side}
    return (
        _of_calibration(shares, known), _of_mounting(shares, known), _of_filter(shares, known)
    )  # fmt: skip


def _shares(side: Sequence[DropHistory]) -> dict[str, float]:
    """Share of each series in the valid drops of its side."""
    drops = sum(each.drop_number.size for each in side)
    return {each.series: each.drop_number.size / drops for each in side if each.drop_number.size}


def _of_calibration(
    shares: Sequence[Mapping[str, float]], known: Mapping[str, Instrument]
) -> UncertaintyPart:
    weights: dict[str | None, float] = {}
    stated: dict[str | None, float | None] = {}
    for sign, side in zip((1.0, -1.0), shares, strict=True):
        for series, share in side.items():
            sensor, pct = known[series].sensor, known[series].calibration_pct
            weights[sensor] = weights.get(sensor, 0.0) + sign * share
            before = stated.get(sensor, pct)
            stated[sensor] = None if pct is None or before is None else max(pct, before)
    if None in weights:
        return UncertaintyPart("calibration", None, "sensor not recorded")
    differ = sorted(str(name) for name, weight in weights.items() if abs(weight) > 1e-9)
    if not differ:
        return UncertaintyPart("calibration", 0.0, "cancels: the same sensor on both sides")
    lacking = [name for name in differ if stated[name] is None]
    if lacking:
        words = f"uncertainty of sensor {', '.join(lacking[:3])} not on record"
        return UncertaintyPart("calibration", None, words)
    pct = math.hypot(*(weights[name] * (stated[name] or 0.0) / _COVERAGE for name in differ))
    return UncertaintyPart("calibration", pct, f"sensor {', '.join(differ[:3])}")


def _of_mounting(
    shares: Sequence[Mapping[str, float]], known: Mapping[str, Instrument]
) -> UncertaintyPart:
    parts = [
        (share, known[series].mounting_pct) for side in shares for series, share in side.items()
    ]
    lacking = sum(pct is None for _, pct in parts)
    if lacking:
        return UncertaintyPart(
            "mounting", None, f"not on record for {lacking} of {len(parts)} series"
        )
    pct = math.hypot(*(share * (pct or 0.0) / _COVERAGE for share, pct in parts))
    return UncertaintyPart("mounting", pct, f"{len(parts)} series, each mounted on its own")


def _of_filter(
    shares: Sequence[Mapping[str, float]], known: Mapping[str, Instrument]
) -> UncertaintyPart:
    taken_off = []
    for side in shares:
        each = [(share, known[series].log_taken_off) for series, share in side.items()]
        if any(value is None for _, value in each):
            return UncertaintyPart("filter", None, "not every drop has a waveform")
        taken_off.append(sum(share * (value or 0.0) for share, value in each))
    differs = abs(taken_off[0] - taken_off[1])
    return UncertaintyPart(
        "filter",
        100.0 * differs / math.sqrt(3.0),
        f"takes off {100 * differs:.2g} % more on one side",
    )


def _together(parts: Sequence[UncertaintyPart]) -> float:
    """Standard uncertainty of a log ratio by all parts that were evaluated."""
    return math.hypot(*(part.standard_pct or 0.0 for part in parts)) / 100.0


def _guard(
    found: LogRatio,
    reduction_at_least_pct: float,
    parts: tuple[UncertaintyPart, ...],
    acceptance: Acceptance,
) -> GuardBand:
    """Limits of acceptance with and without a guard band for readings, and the risks."""
    reading = _together(parts)
    simple = guarded = accept = reject = None
    claimed = -math.log1p(-reduction_at_least_pct / 100.0)
    if not found.between_case_unknown and found.log_se is not None and found.df is not None:
        tail = (1.0 - found.level) / 2.0
        scatter = found.log_se, found.df
        simple, guarded = (
            reduction(math.exp(claimed + upper_point(tail, *scatter, each)))
            for each in (0.0, reading)
        )
        accept = tail_probability(found.log_ratio - claimed, *scatter, reading)
        reject = 1.0 - accept
    return GuardBand(
        acceptance=acceptance,
        reading_pct=None if all(part.standard_pct is None for part in parts) else 100.0 * reading,
        parts=parts,
        acceptance_limit_simple_pct=simple,
        acceptance_limit_guarded_pct=guarded,
        guard_band_pct=None if simple is None or guarded is None else guarded - simple,
        verdict_simple=_verdict(found, reduction_at_least_pct),
        verdict_guarded=_verdict(found, reduction_at_least_pct, reading),
        false_accept_risk=accept,
        false_reject_risk=reject,
    )


_STEPS = 20_000
"""Equal steps of probability over which the error of scatter is averaged."""


def tail_probability(x: float, scatter: float, df: float, reading: float) -> float:
    """Probability that an error of scatter and readings exceeds ``x``.

    With ``x`` the distance of a result from its limit it is the specific risk of a false
    acceptance, and its complement that of a false rejection (JCGM 106:2012, 7 and 9, nothing being
    known beforehand); with an infinite ``df`` it is the normal probability of the guide's examples.

    Parameters
    ----------
    x : float
        On the scale of the error.
    scatter, df : float
        Standard error by the scatter, and its degrees of freedom: Student's t.
    reading : float
        Standard uncertainty of the readings: normal, independent of the scatter.

    Returns
    -------
    float
    """
    from scipy.special import ndtr, stdtr

    if not scatter:
        return float(ndtr(-x / reading)) if reading else float(x < 0.0)
    if not reading:
        return float(stdtr(df, -x / scatter) if math.isfinite(df) else ndtr(-x / scatter))
    return float(ndtr((scatter * _points(df) - x) / reading).mean())


@functools.lru_cache(maxsize=8)
def _points(df: float) -> FloatArray:
    """Student's t at the middles of equal steps of its probability."""
    from scipy.special import ndtri, stdtrit

    middles = (np.arange(_STEPS) + 0.5) / _STEPS
    return np.asarray(stdtrit(df, middles) if math.isfinite(df) else ndtri(middles))


def upper_point(tail: float, scatter: float, df: float, reading: float) -> float:
    """The error that is exceeded with the probability ``tail``: the width of a guard band.

    Parameters
    ----------
    tail : float
        Below a half.
    scatter, df, reading : float
        As in ``tail_probability``.

    Returns
    -------
    float
    """
    from scipy.special import ndtri, stdtrit

    alone = float(stdtrit(df, 1.0 - tail) if math.isfinite(df) else ndtri(1.0 - tail))
    low = scatter * alone
    if not reading:
        return low
    high = low + reading * float(ndtri(1.0 - tail / 4.0))
    while tail_probability(high, scatter, df, reading) > tail:
        high *= 1.5
    for _ in range(40):
        middle = 0.5 * (low + high)
        if tail_probability(middle, scatter, df, reading) > tail:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


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
    found: LogRatio,
    reduction_at_least_pct: float,
    power: float,
    bare: tuple[bool, bool],
    of_readings: float,
) -> int | None:
    """Fewest cases on each side that has cases, drops per case as now; bare drops as now.

    The variance of the readings is not theirs to lower.
    """
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
        if _settles(gap, total + of_readings, df, found.level, power):
            return wanted
    return None


def _drops_to_settle(
    found: LogRatio,
    reduction_at_least_pct: float,
    power: float,
    repeats: float,
    of_readings: float,
) -> int | None:
    """Fewest drops per case and orientation with the cases there are; bare drops in proportion."""
    if found.within_case_log_sd is None or found.log_se is None or found.df is None:
        return None
    gap = _gap(found, reduction_at_least_pct)
    within = found.within_case_log_sd**2
    between = (found.between_case_log_sd or 0.0) ** 2
    for wanted in range(int(np.ceil(repeats)), MOST_DROPS + 1):
        shrunk = (between + within / wanted) / (between + within / repeats)
        variance = found.log_se**2 * shrunk + of_readings
        if _settles(gap, variance, found.df, found.level, power):
            return wanted
    return None
