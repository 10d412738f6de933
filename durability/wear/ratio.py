"""Ratio of two groups' peak g, where cases count and not only drops.

Twenty drops of one case say much about that case and nothing about the next one: the unit of
replication is the case; bare, the device.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
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
class Levels:
    """Log levels of one group; arrays and tuples have shape (n,).

    Of one case in one orientation there may be several: their mean counts.
    """

    log_level: FloatArray
    covariance: FloatArray
    """What the drops behind them leave open, shape (n, n): levels of one case share its wear."""
    drops: IntArray
    """Valid drops behind each."""
    case: tuple[str, ...]
    """Bare: the device."""
    orientation: tuple[str, ...] | None = None
    """What both groups are matched by; None to match nothing."""
    is_bare: bool = False
    """Whether all are of bare drops: a device each, no case."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One group as cells: the level of one case in one orientation."""

    cell: FloatArray
    covariance: FloatArray
    """Of the cells, by what the drops behind them leave open; shape (n_cells, n_cells)."""
    each: IntArray
    """Drops behind each cell."""
    case: IntArray
    block: IntArray

    @property
    def own(self) -> FloatArray:
        """Variance of each cell by its own drops."""
        return np.diagonal(self.covariance)

    @property
    def drops(self) -> int:
        return int(self.each.sum())

    @property
    def cases(self) -> int:
        return int(self.case.max()) + 1

    @property
    def own_df(self) -> int:
        return int(self.drops - len(self.cell))


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


def log_ratio(a: Levels, b: Levels, level: float = 0.9) -> LogRatio:
    """How many times the typical peak g of ``a`` is that of ``b``, with between-case scatter.

    The difference of the groups is estimated by least squares on the levels of the cases,
    orientation as a block, so that every case (and every orientation that both saw) has the same
    weight. Its variance comes from the mean squares of the cases within each group and of the rest
    (Henderson's method 3: Searle, Casella and McCulloch, Variance Components, 1992, ch. 5), its
    degrees of freedom from Satterthwaite's formula. Without orientations that is Welch's interval
    on the cases. Cases are never taken to differ less than their own drops leave open.

    A group with a single case can't show how cases differ. Then the between-case scatter of the
    other is taken for both (``between_case_borrowed``), or, when that has none either, only
    drop-to-drop scatter is in the interval (``between_case_unknown``): it holds for the cases at
    hand, not for their models.

    Parameters
    ----------
    a, b : Levels
        With orientations for both or for none; only orientations that both saw may be there.
    level : float
        Of the two-sided interval, between 0 and 1.

    Returns
    -------
    LogRatio
        Of geometric means.

    Raises
    ------
    UnusableCall
        No levels on a side, lengths that differ, levels that are not finite, ``level`` outside
        (0, 1), or an orientation that only one side saw.
    """
    if not 0.0 < level < 1.0:
        raise UnusableCall(f"level {level:g} must be between 0 and 1")
    block_of = _blocks(a.orientation, b.orientation)
    sides = {"a": _side("a", a, block_of), "b": _side("b", b, block_of)}
    difference, terms, floors, between = _analysis(sides["a"], sides["b"])
    variances = {
        name: max(sum(term.variance for term in terms[name]), floors[name]) for name in terms
    }
    every = terms["a"] + terms["b"]
    variance = sum(variances.values())
    size = max(*(float(np.abs(side.cell).max()) for side in sides.values()), 1.0)
    known = bool(every) and bool(variance > NEGLIGIBLE * size**2)
    df = _degrees_of_freedom(every) if known else None
    if df is not None and len(block_of) > 1:
        # With orientations as blocks the mean squares are not quite independent: unrounded, 90 %
        # intervals of two cases over 26 orientations cover 87 %.
        df = max(1.0, float(np.floor(df)))
    log_se = float(np.sqrt(variance)) if known else None
    reach = None
    if df is not None and log_se is not None:
        from scipy.special import stdtrit

        reach = float(stdtrit(df, (1.0 + level) / 2.0)) * log_se

    single = [name for name, side in sides.items() if side.cases == 1]
    borrowed = len(single) == 1
    notes = []
    units = {"a": _unit(a), "b": _unit(b)}
    if borrowed:
        unit = units[single[0]]
        notes.append(f"one side has one {unit}: it is taken to vary like the other's")
    elif single:
        several = " or ".join(dict.fromkeys(f"{unit}s" for unit in units.values()))
        notes.append(f"one each: how {several} differ is not counted")
    against = str(sides["b"].cases)
    if units["a"] != units["b"]:
        against = counted(sides["b"].cases, units["b"])
    if not known:
        notes.append("no scatter to judge by")
    within = np.concatenate([side.own * side.each for side in sides.values()])
    weight = np.concatenate([side.each for side in sides.values()])
    return LogRatio(
        ratio=float(np.exp(difference)),
        lower=None if reach is None else float(np.exp(difference - reach)),
        upper=None if reach is None else float(np.exp(difference + reach)),
        log_ratio=difference,
        log_se=log_se,
        df=df,
        level=level,
        drops_a=sides["a"].drops,
        drops_b=sides["b"].drops,
        cases_a=sides["a"].cases,
        cases_b=sides["b"].cases,
        between_case_log_sd=between,
        within_case_log_sd=float(np.sqrt((within * weight).sum() / weight.sum())),
        between_case_unknown=bool(single) and not borrowed,
        between_case_borrowed=borrowed,
        log_variance_a=variances["a"] if known else None,
        log_variance_b=variances["b"] if known else None,
        basis=", ".join([f"{counted(sides['a'].cases, units['a'])} against {against}", *notes]),
    )


def spread_as(found: LogRatio, before: LogRatio) -> LogRatio:
    """A ratio of one case each, with the between-case scatter that more of them showed before.

    Parameters
    ----------
    found : LogRatio
        Of one case each: its interval counts drops only.
    before : LogRatio
        Of the same sides, with more cases.

    Returns
    -------
    LogRatio
        ``found`` itself where ``before`` knows no more.
    """
    between, df = before.between_case_log_sd, before.df
    own = found.log_variance_a, found.log_variance_b
    if between is None or df is None or own[0] is None or own[1] is None:
        return found
    from scipy.special import stdtrit

    variances = own[0] + between**2, own[1] + between**2
    log_se = float(np.sqrt(sum(variances)))
    reach = float(stdtrit(df, (1.0 + found.level) / 2.0)) * log_se
    return replace(
        found,
        lower=float(np.exp(found.log_ratio - reach)),
        upper=float(np.exp(found.log_ratio + reach)),
        log_se=log_se,
        df=df,
        between_case_log_sd=between,
        between_case_unknown=False,
        between_case_borrowed=True,
        log_variance_a=variances[0],
        log_variance_b=variances[1],
        basis=f"{found.basis.partition(',')[0]}, taken to differ as they did before",
    )


def _unit(levels: Levels) -> str:
    return "bare device" if levels.is_bare else "case"


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


def _side(name: str, levels: Levels, block_of: dict[str, int]) -> _Side:
    log_level = np.asarray(levels.log_level, dtype=float)
    count = len(log_level)
    if count == 0:
        raise UnusableCall(f"side {name} has no drops")
    if not np.isfinite(log_level).all():
        raise UnusableCall(f"side {name}: every level must be a finite number")
    for column in (levels.covariance, levels.drops, levels.case, levels.orientation):
        if column is not None and len(column) != count:
            raise UnusableCall(f"side {name}: {len(column)} entries for {counted(count, 'level')}")
    block = np.zeros(count, dtype=np.int64)
    if levels.orientation is not None:
        block = np.array([block_of[each] for each in levels.orientation], dtype=np.int64)
    owner = np.unique(np.asarray(levels.case, dtype=str), return_inverse=True)[1].astype(np.int64)
    pair, cell_of = np.unique(np.stack([owner, block]), axis=1, return_inverse=True)
    share = (cell_of == np.arange(pair.shape[1])[:, None]) / np.bincount(cell_of)[:, None]
    return _Side(
        cell=share @ log_level,
        covariance=share @ np.asarray(levels.covariance, dtype=float) @ share.T,
        each=np.bincount(cell_of, weights=levels.drops).astype(np.int64),
        case=pair[0],
        block=pair[1],
    )


def _analysis(
    a: _Side, b: _Side
) -> tuple[float, dict[str, list[_Term]], dict[str, float], float | None]:
    """Difference a - b, the terms of its variance by side, their floors, the between-case sd.

    No terms at all when a part of the variance can't be known. The floor of a side is the variance
    that the drops behind its cells leave open.
    """
    sides = {"a": a, "b": b}
    cell = np.concatenate([a.cell, b.cell])
    own_variance = np.concatenate([a.own, b.own])
    of_a = np.arange(len(cell)) < len(a.cell)
    block = np.concatenate([a.block, b.block])
    blocks = int(block.max()) + 1
    fixed = np.column_stack([of_a, block[:, None] == np.arange(blocks)]).astype(float)
    weights = np.linalg.pinv(fixed)[0]
    difference = float(weights @ cell)
    rows = {name: of_a == (name == "a") for name in sides}
    member = {name: _members(side, rows[name]) for name, side in sides.items()}
    floors = {
        name: float(weights[own] @ sides[name].covariance @ weights[own])
        for name, own in rows.items()
    }
    nothing: dict[str, list[_Term]] = {"a": [], "b": []}

    # Between cases: each side's own mean square, given the other's cases; or one for both when
    # cases and orientations are so confounded that the sides can't be told apart.
    several = [name for name, side in sides.items() if side.cases > 1]
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
            return difference, nothing, floors, None
        between = dict.fromkeys(several, both)
    elif len(several) == 1 and min(a.cases, b.cases) == 1:
        between = dict.fromkeys("ab", between[several[0]])

    # The rest: scatter of the cells about sides, orientations and cases; where nothing is left of
    # it, what the drops behind the cells leave open. Bare drops scatter otherwise than cased ones,
    # so each side has its own unless orientations are shared.
    residual = cell - full @ (full.T @ cell)
    left = 1.0 - np.sum(full**2, axis=1)
    terms: dict[str, list[_Term]] = {"a": [], "b": []}
    for name, own in rows.items():
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
        elif name not in between:
            if not a.own_df + b.own_df:
                return difference, nothing, floors, None
            spread = float(np.mean(own_variance[own]))
            terms[name].append(_Term(f"drops of {name}", share, spread, a.own_df + b.own_df))
    return difference, terms, floors, _between_case_sd(between, own_variance)


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
    if not any(estimated.values()):  # cases alike to the last digit
        return satterthwaite(shares)
    return min(satterthwaite(estimated), satterthwaite(shares))


def _between_case_sd(
    between: dict[str, tuple[str, float, float, int]], own_variance: FloatArray
) -> float | None:
    """Moment estimate of the between-case standard deviation, both sides together."""
    if not between:
        return None
    sums = [(squares, trace, df) for _, squares, trace, df in set(between.values())]
    squares, trace, df = (sum(parts) for parts in zip(*sums, strict=True))
    return float(np.sqrt(max(squares - df * float(own_variance.mean()), 0.0) / trace))
