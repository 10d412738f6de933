"""Ratio of two groups' peak g, where cases count and not only drops.

Twenty drops of one case say much about that case and nothing about the next one: the unit of
replication is the case. Bare drops have no case, so there the drop is the unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.wear.results import LogRatio

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray

    BoolArray = NDArray[np.bool_]

NEGLIGIBLE = 1e-12
"""Relative size below which a sum of squares is rounding, not scatter."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One group as cells: the mean of one case in one orientation, or a single drop.

    Single drops when the side has no case or one case only, where drops are all there is.
    """

    cell: FloatArray
    case: IntArray
    block: IntArray
    drops: int
    cases: int
    within_squares: float
    within_df: int


@dataclass(frozen=True, slots=True)
class _Term:
    """A mean square, its degrees of freedom, and how much of it is in the squared error."""

    source: str
    """Terms of one source share their mean square."""
    share: float
    mean_square: float
    df: float

    @property
    def variance(self) -> float:
        return self.share * self.mean_square


def log_ratio(
    log_peak_a: FloatArray,
    case_a: Sequence[str] | None,
    log_peak_b: FloatArray,
    case_b: Sequence[str] | None,
    level: float = 0.9,
    orientation_a: Sequence[str] | None = None,
    orientation_b: Sequence[str] | None = None,
) -> LogRatio:
    """How many times the typical peak g of ``a`` is that of ``b``, with between-case scatter.

    Each case is brought to its mean log peak (one mean per orientation when orientations are
    given); the difference of the sides is estimated by least squares on these, orientation as a
    block, so that every case (and every orientation that both saw) has the same weight. Its
    variance comes from the mean squares of the cases within each side and of the rest (Henderson's
    method 3: Searle, Casella and McCulloch, Variance Components, 1992, ch. 5), its degrees of
    freedom from Satterthwaite's formula. Without orientations that is Welch's interval on the
    case means.

    A side with a single case can't show how cases differ. Then the between-case scatter of the
    other side is taken for both (``between_case_borrowed``), or, when that has none either, only
    drop-to-drop scatter is in the interval (``between_case_unknown``): it holds for the cases at
    hand, not for their models.

    Parameters
    ----------
    log_peak_a, log_peak_b : ndarray of shape (n_drops_a,), (n_drops_b,)
        Natural logarithm of peak g, one a drop.
    case_a, case_b : sequence of str or None
        Case of each drop; None for a bare side.
    level : float
        Of the two-sided interval, between 0 and 1.
    orientation_a, orientation_b : sequence of str, optional
        Orientation of each drop. When given, only orientations that both sides saw may be there.

    Returns
    -------
    LogRatio
        Of geometric means.

    Raises
    ------
    UnusableCall
        No drops on a side, lengths that differ, peaks that are not finite, a level outside (0, 1),
        or an orientation that only one side saw.
    """
    if not 0.0 < level < 1.0:
        raise UnusableCall(f"level {level:g} must lie between 0 and 1")
    block_of = _blocks(orientation_a, orientation_b)
    a = _side("a", log_peak_a, case_a, orientation_a, block_of)
    b = _side("b", log_peak_b, case_b, orientation_b, block_of)
    within_df = a.within_df + b.within_df
    within = (a.within_squares + b.within_squares) / within_df if within_df else None

    difference, terms_a, terms_b, between = _analysis(a, b, within)
    terms = terms_a + terms_b
    variance = sum(term.variance for term in terms)
    size = max(float(np.abs(a.cell).max()), float(np.abs(b.cell).max()), 1.0)
    known = bool(terms) and bool(variance > NEGLIGIBLE * size**2)
    df = _degrees_of_freedom(terms) if known else None
    if df is not None and len(block_of) > 1:
        # With orientations as blocks the mean squares are not quite independent: unrounded, 90 %
        # intervals of two cases over 26 orientations cover 87 %.
        df = max(1.0, float(np.floor(df)))
    log_se = float(np.sqrt(variance)) if known else None
    reach = None
    if df is not None and log_se is not None:
        from scipy.special import stdtrit

        reach = float(stdtrit(df, (1.0 + level) / 2.0)) * log_se

    single = {name for name, side in (("a", a), ("b", b)) if side.cases == 1}
    borrowed = len(single) == 1 and max(a.cases, b.cases) > 1
    notes = []
    if borrowed:
        lone, other = ("a", "b") if "a" in single else ("b", "a")
        notes.append(
            f"the one case of {lone} is taken to differ from others as those of {other} do"
        )
    elif single:
        notes.append("scatter between cases unknown")
    if not known:
        notes.append("no scatter to judge by")
    return LogRatio(
        ratio=float(np.exp(difference)),
        lower=None if reach is None else float(np.exp(difference - reach)),
        upper=None if reach is None else float(np.exp(difference + reach)),
        log_ratio=difference,
        log_se=log_se,
        df=df,
        level=level,
        drops_a=a.drops,
        drops_b=b.drops,
        cases_a=a.cases,
        cases_b=b.cases,
        between_case_log_sd=between,
        within_case_log_sd=None if within is None else float(np.sqrt(within)),
        between_case_unknown=bool(single) and not borrowed,
        between_case_borrowed=borrowed,
        log_variance_a=sum(term.variance for term in terms_a) if known else None,
        log_variance_b=sum(term.variance for term in terms_b) if known else None,
        basis="; ".join([f"{_rests_on(a)} against {_rests_on(b)}", *notes]),
    )


def _blocks(
    orientation_a: Sequence[str] | None, orientation_b: Sequence[str] | None
) -> dict[str, int]:
    """Number of each orientation, which both sides must have seen; empty without orientations."""
    if orientation_a is None and orientation_b is None:
        return {}
    if orientation_a is None or orientation_b is None:
        raise UnusableCall("orientations must be given for both sides or for none")
    alone = sorted(set(orientation_a) ^ set(orientation_b))
    if alone:
        raise UnusableCall(f"orientation {alone[0]} was seen on one side only")
    return {name: number for number, name in enumerate(sorted(set(orientation_a)))}


def _side(
    name: str,
    log_peak: FloatArray,
    case: Sequence[str] | None,
    orientation: Sequence[str] | None,
    block_of: dict[str, int],
) -> _Side:
    log_peak = np.asarray(log_peak, dtype=float)
    drops = len(log_peak)
    if drops == 0:
        raise UnusableCall(f"side {name} has no drops")
    if not np.isfinite(log_peak).all():
        raise UnusableCall(f"side {name}: every peak g must be a number above 0")
    for labels in (case, orientation):
        if labels is not None and len(labels) != drops:
            raise UnusableCall(f"side {name}: {len(labels)} labels for {counted(drops, 'drop')}")
    block = np.zeros(drops, dtype=np.int64)
    if orientation is not None:
        block = np.array([block_of[each] for each in orientation], dtype=np.int64)
    owner = np.zeros(drops, dtype=np.int64)
    if case is not None:
        owner = np.unique(np.asarray(case, dtype=str), return_inverse=True)[1].astype(np.int64)
    cases = 0 if case is None else int(owner.max()) + 1

    pair, cell_of = np.unique(np.stack([owner, block]), axis=1, return_inverse=True)
    count = np.bincount(cell_of)
    mean = np.bincount(cell_of, weights=log_peak) / count
    squares = float(np.sum((log_peak - mean[cell_of]) ** 2))
    if cases > 1:
        return _Side(mean, pair[0], pair[1], drops, cases, squares, drops - len(count))
    return _Side(log_peak, owner, block, drops, cases, squares, drops - len(count))


def _analysis(
    a: _Side, b: _Side, within: float | None
) -> tuple[float, list[_Term], list[_Term], float | None]:
    """Difference a - b, the terms of its variance by side, and the between-case deviation.

    No terms at all when a part of the variance can't be known. ``within`` is the drop-to-drop
    variance inside cells, for want of a residual.
    """
    cell = np.concatenate([a.cell, b.cell])
    of_a = np.arange(len(cell)) < len(a.cell)
    block = np.concatenate([a.block, b.block])
    blocks = int(block.max()) + 1
    fixed = np.column_stack([of_a, block[:, None] == np.arange(blocks)]).astype(float)
    weights = np.linalg.pinv(fixed)[0]
    difference = float(weights @ cell)
    member = {name: _members(side, of_a == (name == "a")) for name, side in (("a", a), ("b", b))}

    # Between cases: each side's own mean square, given the other's cases; or one for both when
    # cases and orientations are so confounded that the sides can't be told apart.
    several = [name for name, side in (("a", a), ("b", b)) if side.cases > 1]
    full = _basis_of(np.column_stack([fixed, *(member[name] for name in several)]))
    between: dict[str, tuple[str, float, float, int]] = {}
    for name in several:
        others = [member[other] for other in several if other != name]
        without = _basis_of(np.column_stack([fixed, *others]))
        between[name] = (f"cases of {name}", *_extra(cell, full, without, member[name]))
    if any(df == 0 for *_, df in between.values()):
        without = _basis_of(fixed)
        joined = np.column_stack([member[name] for name in several])
        both = ("cases", *_extra(cell, full, without, joined))
        if both[-1] == 0:
            return difference, [], [], None
        between = dict.fromkeys(several, both)
    elif len(several) == 1 and min(a.cases, b.cases) == 1:
        between = dict.fromkeys("ab", between[several[0]])

    # The rest: scatter of the cells about sides, orientations and cases. Bare drops scatter
    # otherwise than cased ones, so each side has its own unless orientations are shared.
    residual = cell - full @ (full.T @ cell)
    left = 1.0 - np.sum(full**2, axis=1)
    terms: dict[str, list[_Term]] = {"a": [], "b": []}
    for name in "ab":
        own = of_a == (name == "a")
        share = float(np.sum(weights[own] ** 2))
        if name in between:
            source, squares, trace, df = between[name]
            carried = float(np.sum((weights @ member[name]) ** 2)) * df / trace
            terms[name].append(_Term(source, carried, squares / df, df))
            if name in several:
                share = max(share - carried, 0.0)
        if share <= NEGLIGIBLE:
            continue
        source, pool = ("rest", np.ones_like(own)) if blocks > 1 else (f"rest of {name}", own)
        df_left = float(np.sum(left[pool]))
        if df_left > 1e-6:
            spread = float(np.sum(residual[pool] ** 2)) / df_left
            terms[name].append(_Term(source, share, spread, df_left))
        elif within is not None:
            terms[name].append(_Term("within", share, within, a.within_df + b.within_df))
        elif name not in between:
            return difference, [], [], None
    return (
        difference,
        terms["a"],
        terms["b"],
        _between_case_sd(between, residual, left, within, a, b),
    )


def _members(side: _Side, own: BoolArray) -> FloatArray:
    """Indicator of each case of a side over all cells, shape (n_cells, n_cases)."""
    columns = np.zeros((len(own), int(side.case.max()) + 1))
    columns[np.flatnonzero(own), side.case] = 1.0
    return columns


def _basis_of(columns: FloatArray) -> FloatArray:
    """Orthonormal basis of what the columns span."""
    vectors, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(vectors[:, sizes > 1e-9 * sizes[0]])


def _extra(
    cell: FloatArray, full: FloatArray, without: FloatArray, member: FloatArray
) -> tuple[float, float, int]:
    """Sum of squares that the cases add, the weight of their variance in it, and its df."""
    squares = float(np.sum((full.T @ cell) ** 2) - np.sum((without.T @ cell) ** 2))
    trace = float(np.sum(member**2) - np.sum((without.T @ member) ** 2))
    return max(squares, 0.0), trace, full.shape[1] - without.shape[1]


def _degrees_of_freedom(terms: list[_Term]) -> float:
    """Satterthwaite degrees of freedom of a sum of mean squares.

    The smaller of two: mean squares as estimated (Welch), and all alike (Bell and McCaffrey 2002).
    Alone, the first is far too bold when two cases happen to agree: 90 % intervals of ten bare
    drops against two cases then cover 83 %.
    """
    shares: dict[str, float] = {}
    for term in terms:
        shares[term.source] = shares.get(term.source, 0.0) + term.share
    of_source = {term.source: term for term in terms}

    def satterthwaite(part: dict[str, float]) -> float:
        return sum(part.values()) ** 2 / sum(
            value**2 / of_source[source].df for source, value in part.items()
        )

    estimated = {name: share * of_source[name].mean_square for name, share in shares.items()}
    return min(satterthwaite(estimated), satterthwaite(shares))


def _between_case_sd(
    between: dict[str, tuple[str, float, float, int]],
    residual: FloatArray,
    left: FloatArray,
    within: float | None,
    a: _Side,
    b: _Side,
) -> float | None:
    """Moment estimate of the between-case standard deviation, both sides together."""
    if not between:
        return None
    sums = [(squares, trace, df) for _, squares, trace, df in set(between.values())]
    squares, trace, df = (sum(parts) for parts in zip(*sums, strict=True))
    free = float(np.sum(left))
    drops_per_cell = (a.drops + b.drops) / len(residual)
    if within is not None:
        noise = within / drops_per_cell
    else:
        noise = float(np.sum(residual**2)) / free if free > 1e-6 else 0.0
    return float(np.sqrt(max(squares - df * noise, 0.0) / trace))


def _rests_on(side: _Side) -> str:
    drops = counted(side.drops, "drop")
    return f"{drops} of {counted(side.cases, 'case')}" if side.cases else f"{drops} bare"
