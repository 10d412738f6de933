"""By how much the peak g of one case model, or bare, differs from another's.

The unit of replication is the case (bare: the device): drops of one case tell about that case.
Both sides are compared under one condition, orientation by orientation, in one state of wear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.wear.case_fit import CaseFit, fit_cases
from durability.wear.cases import Case, by_condition, cases_of, condition_of, in_common, unit_of
from durability.wear.draws import log_level
from durability.wear.fitting import fit_wear
from durability.wear.ratio import Levels, log_ratio, spread_as
from durability.wear.results import Comparison, LogRatio, RatioAtWear, WearFit

if TYPE_CHECKING:
    from durability.record.records import Condition, DropHistory, FloatArray, IntArray

LEVEL = 0.9
"""Content of the intervals unless another is asked for."""
_MOST_DROPS = 200
"""The mean level of a series is taken over so many drops at most."""

CaseFits = Mapping[str, tuple[CaseFit, int]]
"""Of each series: the fit of its case over all the case's series, and its place among these."""
Fitted = Callable[[Sequence["DropHistory"]], CaseFits]
"""Fits of the cases of some series, each case on its own."""


@dataclass(frozen=True, slots=True)
class Sides:
    """Two groups ready to compare."""

    conditions: tuple[Condition, ...]
    """Under which both were dropped; several are matched one by one."""
    a: tuple[DropHistory, ...]
    b: tuple[DropHistory, ...]
    fits: CaseFits
    """Of the series with a valid drop."""
    span: int
    """Drops that both sides have made: the mean is taken over these."""
    worn: int
    """Age of a case up to which wear is known of both; bare doesn't wear, so it sets no end."""
    _known: dict[int | None, tuple[Levels, Levels]] = field(default_factory=dict)

    def ratio(
        self, level: float, *, at_drop: int | None = None, orientation: str | None = None
    ) -> LogRatio | None:
        """The ratio at one drop of each case, by default the mean over ``span``.

        In all orientations together or in one. None where no orientation is left that both saw by
        then. Where only one case a side has come so far, cases are taken to differ as they do over
        ``span``.
        """
        a, b = self.levels(at_drop)
        if orientation is not None:
            a, b = _only(a, {orientation}), _only(b, {orientation})
        if not (a.case and b.case):
            return None
        found = log_ratio(a, b, level)
        if at_drop is None or not found.between_case_unknown:
            return found
        before = self.ratio(level, orientation=orientation)
        return found if before is None else spread_as(found, before)

    def levels(self, at_drop: int | None) -> tuple[Levels, Levels]:
        """Levels of both sides in the orientations that both saw."""
        a, b = self._every_level(at_drop)
        shared = set(a.orientation or ()) & set(b.orientation or ())
        return _only(a, shared), _only(b, shared)

    def orientations(self, at_drop: int | None) -> tuple[list[str], list[str]]:
        """Orientations that both sides saw, and those that one side alone did."""
        seen = [set(side.orientation or ()) for side in self._every_level(at_drop)]
        return sorted(seen[0] & seen[1]), sorted(seen[0] ^ seen[1])

    def by_wear(self, level: float) -> tuple[RatioAtWear, ...]:
        """Fresh, midway and at the last drop that both sides have made."""
        rows = []
        for drop in sorted({1, (1 + self.worn) // 2, self.worn}):
            found = self.ratio(level, at_drop=drop)
            if found is not None:
                ends = found.lower, found.upper, reduction(found.ratio)
                rows.append(RatioAtWear(drop, found.ratio, *ends, found.cases_a, found.cases_b))
        return tuple(rows)

    @property
    def bare(self) -> tuple[bool, bool]:
        """Whether a side has no case."""
        a, b = (all(each.case is None for each in side) for side in (self.a, self.b))
        return a, b

    @property
    def valid_drops(self) -> tuple[int, int]:
        """Of each side."""
        a, b = (sum(each.drop_number.size for each in side) for side in (self.a, self.b))
        return a, b

    @property
    def made_drops(self) -> tuple[int, int]:
        """Of each side, voided ones counted."""
        a, b = (sum(each.drops - each.settled for each in side) for side in (self.a, self.b))
        return a, b

    def drops_each(self, at_drop: int | None) -> float:
        """Mean drops per case and orientation of the sides that have cases."""
        sides = zip(self.levels(at_drop), self.bare, strict=True)
        counts = [levels.drops.mean() for levels, is_bare in sides if not is_bare]
        return float(np.mean(counts)) if counts else 1.0

    def _every_level(self, at_drop: int | None) -> tuple[Levels, Levels]:
        if at_drop not in self._known:
            self._known[at_drop] = self._levels(self.a, at_drop), self._levels(self.b, at_drop)
        return self._known[at_drop]

    def _levels(self, side: Sequence[DropHistory], at_drop: int | None) -> Levels:
        lived = _lived(side, self.fits)
        told, draws = [], []
        for history in side:
            if history.series in self.fits:
                ages = self._ages(history, at_drop, lived.get(unit_of(history), 0))
                found = _level(*self.fits[history.series], ages)
                if found is not None:
                    told.append(history)
                    draws.append(found)
        fits = [self.fits[each.series][0] for each in told]
        middle, covariance = _summed_up(draws, fits)
        return Levels(
            middle,
            covariance,
            np.array([each.drop_number.size for each in told], dtype=np.int64),
            tuple(unit_of(each) for each in told),
            tuple(self._matched(each) for each in told),
            is_bare=all(each.case is None for each in told),
        )

    def _ages(self, history: DropHistory, at_drop: int | None, lived: int) -> IntArray:
        """Ages of its case over which the level of a series is taken."""
        if history.case is not None and at_drop is not None:
            return np.array([at_drop]) if at_drop <= lived else np.empty(0, dtype=np.int64)
        # A series whose first valid drop lies beyond the span still has a level there.
        last = max(history.last_drop_number, 1)
        end = min(last, _MOST_DROPS, last if at_drop is not None else max(self.span, 1))
        fit, at = self.fits[history.series]
        return np.unique(fit.case.age_of(at, np.arange(1, end + 1)))

    def _matched(self, history: DropHistory) -> str:
        orientation = history.orientation or "orientation not recorded"
        if len(self.conditions) == 1:
            return orientation
        return f"{orientation}, {condition_of(history).words}"


def sides_under(
    conditions: Sequence[Condition],
    a: Sequence[DropHistory],
    b: Sequence[DropHistory],
    fitted: Fitted,
) -> Sides:
    """Two groups under one condition, or under several that are matched one by one.

    Parameters
    ----------
    conditions : sequence of Condition
        Those compared under.
    a, b : sequence of DropHistory
        The series of each side, under any condition.
    fitted : callable
        Gives the fit of each of some series on its own.

    Returns
    -------
    Sides
    """
    sides = [tuple(each for each in side if condition_of(each) in conditions) for side in (a, b)]
    fits = fitted([each for side in sides for each in side if each.drop_number.size])
    lasts = [
        max((each.last_drop_number for each in side if each.drop_number.size), default=0)
        for side in sides
    ]
    worn = [max(lived.values()) for lived in (_lived(side, fits) for side in sides) if lived]
    return Sides(
        conditions=tuple(conditions),
        a=sides[0],
        b=sides[1],
        fits=fits,
        span=min(lasts),
        worn=min(worn, default=1),
    )


def _lived(side: Iterable[DropHistory], fits: CaseFits) -> dict[str, int]:
    """Age of each case at its last drop in these series."""
    lived: dict[str, int] = {}
    for each in side:
        if each.case is not None and each.series in fits:
            fit, at = fits[each.series]
            ages = fit.case.ages[at]
            lived[each.case] = max(lived.get(each.case, 0), int(ages[-1]) if ages.size else 0)
    return lived


def _level(fit: CaseFit, series: int, ages: IntArray) -> FloatArray | None:
    """Draws of the mean log level of a case at some ages under the conditions of one series."""
    if fit.draws is None or not ages.size:
        return None
    path = log_level(fit.draws, fit.clock[ages - 1]) - fit.draws.log_level_first[:, None]
    return np.asarray(path.mean(axis=1) + fit.log_fresh[series], dtype=np.float64)


def _summed_up(
    draws: Sequence[FloatArray], fits: Sequence[CaseFit]
) -> tuple[FloatArray, FloatArray]:
    """Medians of draws and what they leave open; only draws of one fit belong together."""
    if not draws:
        return np.empty(0), np.empty((0, 0))
    drawn = np.array(draws)
    ordered = np.sort(drawn, axis=1)
    at = np.array([0.16, 0.5, 0.84]) * (drawn.shape[1] - 1)
    # A standard deviation that a few wild paths don't rule.
    low, middle, high = (ordered[:, int(place)] for place in np.rint(at))
    spread = 0.5 * (high - low)
    off = (drawn - middle[:, None]).clip(-3.0 * spread[:, None], 3.0 * spread[:, None])
    off -= off.mean(axis=1, keepdims=True)
    size = np.sqrt(np.maximum((off**2).mean(axis=1), 1e-30))
    alike = off @ off.T / drawn.shape[1] / np.outer(size, size)
    together = np.array([[one is two for two in fits] for one in fits])
    np.fill_diagonal(alike, 1.0)
    return middle, np.where(together, alike, 0.0) * np.outer(spread, spread)


def _only(levels: Levels, orientations: set[str]) -> Levels:
    """The levels in some orientations."""
    names = levels.orientation or ()
    kept = [place for place, name in enumerate(names) if name in orientations]
    return Levels(
        levels.log_level[kept],
        levels.covariance[np.ix_(kept, kept)],
        levels.drops[kept],
        tuple(levels.case[place] for place in kept),
        tuple(names[place] for place in kept),
        is_bare=levels.is_bare,
    )


def compare(
    a_histories: Sequence[DropHistory],
    b_histories: Sequence[DropHistory],
    *,
    a: str,
    b: str,
    level: float = LEVEL,
    after_drops: int | None = None,
    pool: bool = False,
    a_with_voided: Sequence[DropHistory] | None = None,
    b_with_voided: Sequence[DropHistory] | None = None,
    fitted: Fitted | None = None,
    fitted_with_voided: Fitted | None = None,
) -> Comparison:
    """How many times the peak g of ``a`` is that of ``b``, under each condition that both share.

    Of each series the mean log level over the stretch of drops that both sides lived through, or
    the level at one drop; of these the ratio over cases by ``log_ratio``, orientation matched.

    Parameters
    ----------
    a_histories, b_histories : sequence of DropHistory
        The series of each side.
    a, b : str
        Names of the sides.
    level : float
        Of the intervals.
    after_drops : int, optional
        Compare at this drop of each case; by default the mean over the drops both sides made.
    pool : bool
        One model of all conditions in common, condition as a factor.
    a_with_voided, b_with_voided : sequence of DropHistory, optional
        The same with voided readings put back, for ``ratio_with_voided``.
    fitted, fitted_with_voided : callable, optional
        Give the fit of each of some series on its own, where they are known already.

    Returns
    -------
    Comparison
        Under the condition that stands first, the others beside it; no interval where nothing
        tells how cases differ and readings don't either.

    Raises
    ------
    UnusableCall
        ``after_drops`` is more than both sides have made under the first condition.
    """
    shared = [*in_common(a_histories, b_histories)]
    if not shared:
        return _nothing_in_common(a_histories, b_histories, a, b)
    put_back = (
        a_histories if a_with_voided is None else a_with_voided,
        b_histories if b_with_voided is None else b_with_voided,
    )
    fits = fitted or _fitted
    fits_with_voided = fitted_with_voided or fits
    found: list[Comparison] = []
    for names in [shared] if pool else [[name] for name in shared]:
        sides = sides_under(names, a_histories, b_histories, fits)
        if not found:
            refuse_beyond(sides, after_drops)
        again = sides_under(names, *put_back, fits_with_voided).ratio(level, at_drop=after_drops)
        found.append(_comparison(sides, again, (a, b), level, after_drops))
    return replace(found[0], others=tuple(found[1:]))


def refuse_beyond(sides: Sides, at_drop: int | None) -> None:
    """Refuse a drop that not both sides have made.

    Raises
    ------
    UnusableCall
        ``at_drop`` lies beyond, and no level there is known.
    """
    if at_drop is not None and at_drop > sides.worn:
        under = " and ".join(name.words for name in sides.conditions)
        raise UnusableCall(
            f"--after-drops {at_drop}: both sides have made {counted(sides.worn, 'drop')} under"
            f" {under}; no level is known beyond, so {sides.worn} or less"
        )


def _comparison(
    sides: Sides,
    with_voided: LogRatio | None,
    names: tuple[str, str],
    level: float,
    at_drop: int | None,
) -> Comparison:
    """The comparison under one condition, or pooled."""
    found = sides.ratio(level, at_drop=at_drop)
    ratio = None if found is None else found.ratio
    lower = None if found is None else found.lower
    upper = None if found is None else found.upper
    valid, made = sides.valid_drops, sides.made_drops
    return Comparison(
        a=names[0],
        b=names[1],
        drops_a=valid[0],
        drops_b=valid[1],
        cases_a=0 if found is None else found.cases_a,
        cases_b=0 if found is None else found.cases_b,
        ratio=ratio,
        lower=lower,
        upper=upper,
        reduction_pct=reduction_at(ratio),
        reduction_lower=reduction_at(lower),
        reduction_upper=reduction_at(upper),
        voided_a=made[0] - valid[0],
        voided_b=made[1] - valid[1],
        ratio_with_voided=None if with_voided is None else with_voided.ratio,
        basis=basis_of(sides, found, at_drop),
        by_wear=sides.by_wear(level),
        condition=sides.conditions[0] if len(sides.conditions) == 1 else "pooled",
    )


def reduction(ratio: float) -> float:
    """Reduction of peak g from a to b in percent of a."""
    return 100.0 * (1.0 - 1.0 / ratio)


def reduction_at(end: float | None) -> float | None:
    """The same of the end of an interval, where there is one."""
    return None if end is None else reduction(end)


def basis_of(sides: Sides, found: LogRatio | None, at_drop: int | None) -> str:
    """What a ratio of the two sides rests on."""
    if found is None:
        parts = ["no orientation in common" + ("" if at_drop is None else f" at drop {at_drop}")]
    else:
        span = f"first {counted(sides.span, 'drop')}"
        parts = [found.basis, span if at_drop is None else f"at drop {at_drop}"]
    under = " and ".join(name.words for name in sides.conditions)
    if len(sides.conditions) > 1:
        return ", ".join([*parts, f"pooled, each condition a factor: {under}"])
    return ", ".join([*parts, under])


def _nothing_in_common(
    a_histories: Sequence[DropHistory], b_histories: Sequence[DropHistory], a: str, b: str
) -> Comparison:
    valid, voided, seen = [], [], []
    for side in (a_histories, b_histories):
        valid.append(sum(each.drop_number.size for each in side))
        voided.append(sum(each.drops - each.settled for each in side) - valid[-1])
        seen.append(_conditions_words(side))
    basis = "no valid drops on one side"
    if all(valid):
        basis = f"no condition in common: {a} under {seen[0]}; {b} under {seen[1]}"
    nothing: dict[str, Any] = dict.fromkeys(
        ("ratio", "lower", "upper", "reduction_pct", "reduction_lower", "reduction_upper")
    )
    return Comparison(
        a=a,
        b=b,
        drops_a=valid[0],
        drops_b=valid[1],
        cases_a=0,
        cases_b=0,
        **nothing,
        voided_a=voided[0],
        voided_b=voided[1],
        ratio_with_voided=None,
        basis=basis,
    )


def _conditions_words(histories: Iterable[DropHistory]) -> str:
    valid = [each for each in histories if each.drop_number.size]
    return " and ".join(name.words for name in by_condition(valid))


def fit_alone(cases: Iterable[Case], own_fits: Mapping[str, WearFit]) -> CaseFits:
    """Each case fitted over all its series, and by nothing else.

    Parameters
    ----------
    cases : iterable of Case
        With all their series.
    own_fits : mapping of str to WearFit
        Fits of series each on its own, which serve for cases of one series.

    Returns
    -------
    mapping
        Of every series.
    """
    found = {}
    for case in cases:
        (fit,) = fit_cases([case], own_fits)
        found.update({series: (fit, at) for at, series in enumerate(case.series)})
    return found


def _fitted(histories: Sequence[DropHistory]) -> CaseFits:
    own = fit_wear(histories, share=False)
    return fit_alone(cases_of(histories), {fit.series: fit for fit in own})
