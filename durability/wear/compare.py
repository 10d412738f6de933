"""By how much the peak g of one case model, or bare, differs from another's.

The unit of replication is the case (bare: the device): drops of one case tell about that case.
Both sides are compared under one condition, orientation by orientation, in one state of wear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.wear.conditions import by_condition, condition_of, first_ages, in_common, unit_of
from durability.wear.draws import log_level
from durability.wear.fitting import fit_wear
from durability.wear.ratio import Levels, log_ratio, spread_as
from durability.wear.results import Comparison, LogRatio, RatioAtWear, WearFit

if TYPE_CHECKING:
    from durability.record.records import Condition, DropHistory, FloatArray

LEVEL = 0.9
"""Content of the intervals unless another is asked for."""
_MOST_DROPS = 200
"""The mean level of a series is taken over so many drops at most."""

Fitted = Callable[[Sequence["DropHistory"]], list[WearFit]]
"""Fits of series, each on its own."""


@dataclass(frozen=True, slots=True)
class Sides:
    """Two groups ready to compare."""

    conditions: tuple[Condition, ...]
    """Under which both were dropped; several are matched one by one."""
    a: tuple[DropHistory, ...]
    b: tuple[DropHistory, ...]
    fits: dict[str, WearFit]
    """Of the series with a valid drop."""
    span: int
    """Drops that both sides have made: the mean is taken over these."""
    worn: int
    """Age of a case up to which wear is known of both; bare doesn't wear, so it sets no end."""
    fresh: int
    """Age from which wear is known of both: 1 unless cases came worn from another condition."""
    first_age: dict[str, int]
    """Age of the case at the first drop of each series."""
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
        """Fresh (or as they came), midway and at the last drop that both sides have made."""
        rows = []
        for drop in sorted({self.fresh, (self.fresh + self.worn) // 2, self.worn}):
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
        a, b = (sum(each.drops for each in side) for side in (self.a, self.b))
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
        rows = []
        for history in side:
            if history.series not in self.fits:
                continue
            fit = self.fits[history.series]
            found = _level(fit, self._numbers(history, at_drop))
            if found is not None:
                rows.append((*found, fit.valid_drops, unit_of(history), self._matched(history)))
        mean, variance, drops, case, orientation = zip(*rows, strict=True) if rows else [()] * 5
        return Levels(np.array(mean), np.array(variance), np.array(drops), case, orientation)

    def _numbers(self, history: DropHistory, at_drop: int | None) -> FloatArray:
        """Drop numbers over which the level of a series is taken."""
        last = max(history.last_drop_number, 1)
        if history.case is not None and at_drop is not None:
            number = at_drop - self.first_age[history.series] + 1
            return np.array([float(number)]) if 1 <= number <= last else np.empty(0)
        # A series whose first valid drop lies beyond the span still has a level there.
        end = min(last, _MOST_DROPS, last if at_drop is not None else max(self.span, 1))
        return np.arange(1.0, end + 1.0)

    def _matched(self, history: DropHistory) -> str:
        orientation = history.condition[2] or "orientation not recorded"
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
    first_age = {**first_ages(a), **first_ages(b)}
    cased = [[each for each in side if each.case is not None] for side in sides]
    fresh = [min(first_age[each.series] for each in side) for side in cased if side]
    worn = [
        max(first_age[each.series] + each.last_drop_number - 1 for each in side)
        for side in cased
        if side
    ]
    return Sides(
        conditions=tuple(conditions),
        a=sides[0],
        b=sides[1],
        fits={fit.series: fit for fit in fits},
        span=min(lasts),
        worn=min(worn, default=1),
        fresh=max(fresh, default=1),
        first_age=first_age,
    )


def _level(fit: WearFit, numbers: FloatArray) -> tuple[float, float] | None:
    """Mean log level of a series over some drops, with its variance."""
    if fit.draws is None or not numbers.size:
        return None
    mean = log_level(fit.draws, numbers).mean(axis=1)
    at = np.array([0.16, 0.5, 0.84]) * (mean.size - 1)
    low, middle, high = np.interp(at, np.arange(mean.size), np.sort(mean))
    return float(middle), float((0.5 * (high - low)) ** 2)


def _only(levels: Levels, orientations: set[str]) -> Levels:
    """The levels in some orientations."""
    names = levels.orientation or ()
    kept = [place for place, name in enumerate(names) if name in orientations]
    return Levels(
        levels.log_level[kept],
        levels.variance[kept],
        levels.drops[kept],
        tuple(levels.case[place] for place in kept),
        tuple(names[place] for place in kept),
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
    fits = fitted or _fit_alone
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
        voided.append(sum(each.drops for each in side) - valid[-1])
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


def _fit_alone(histories: Sequence[DropHistory]) -> list[WearFit]:
    return fit_wear(histories, share=False)
