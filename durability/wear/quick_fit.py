"""The fit of many series at once: the same model as in ``cells``, at a third of the time.

Every shape is screened with weights of the readings that all shapes of a series have in common
(a mean field: the readings' labels and the shape are taken as independent), so that all of them
come from a few matrix products. The shapes that carry the probability are then fitted with weights
of their own. Where common weights may mislead, every shape is fitted in full, as by ``fit_cells``:
few readings, doubtful ones at either end or beside each other, a jump beside either end, two
answers, or a likely shape whose own weights turn out otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.cells import (
    EM_STEPS,
    CellFit,
    ScatterPrior,
    by_series,
    core_probability,
    eliminated,
    label_evidence,
    log_constant,
    robust_variance,
    starting_core,
    student_mass,
)
from durability.wear.shapes import BINS, Kinds

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from durability.record.records import IntArray
    from durability.wear.shapes import Floats

    Bools = NDArray[np.bool_]
    _Fit = dict[str, Floats]

_HALF = BINS // 2
_ROUNDS = 3
"""Rounds of common weights, from a running median and from all readings in."""
_SETTLED = 0.01
"""Change of a weight below which a round has changed nothing."""
_ROUNDS_OWN, _ROUNDS_OF_FAINT = 3, 1
_FAINT, _FEW_DROPS = 3e-3, 16
"""Probability of a shape below which one round of its own weights is enough, unless there are so
few drops that most shapes are about as likely."""
_SURE = 0.9
"""A series with a reading less surely a core one is also fitted from all readings in."""
_TWO_ANSWERS = 0.5
"""Difference between both weights of a reading from which the two are two answers."""
_AT_AN_END, _MOST_AT_AN_END = 2, 0.1
"""Readings that are an end of a series, and probability of a jump there that may be a wild one."""
_FEWEST_READINGS = 6
_LOWEST = 6e-4
"""Probability of a shape from which it is fitted with weights of its own."""
_LIKELY, _FAR_FROM_COMMON = 0.01, 0.3
"""Probability of a shape, and difference from the common weights, from which these misled."""
_KEPT_NATS = 14.0
"""Shapes less likely than the likeliest by more than this have no probability."""
_PAIR_ELEMENTS = 200_000
_FITTED = (
    "total", "mean_log", "mean_step", "mean_climb", "step_precision", "step_log", "step_climb",
    "curvature", "step", "climb", "misfit", "constant",
)  # fmt: skip
"""What is kept of the fit of every kind to every series; arrays (n_kinds, n_series)."""


@dataclass(frozen=True)
class _Series:
    """Readings of some series, in single precision; arrays (n_series, n_drops)."""

    kinds: Kinds
    log_peak: Floats
    present: Floats
    prior: ScatterPrior
    impossible: Bools
    """Shape (n_kinds, n_series)."""

    def of(self, rows: IntArray) -> _Series:
        """Some of them."""
        return _Series(
            self.kinds,
            self.log_peak[rows],
            self.present[rows],
            ScatterPrior(self.prior.weight[rows], self.prior.variance[rows]),
            self.impossible[:, rows],
        )


def _own(fit: _Fit) -> _Fit:
    """What is kept of it, to be written to."""
    shape = fit["misfit"].shape
    return {name: np.array(np.broadcast_to(fit[name], shape), order="C") for name in _FITTED}


def _put(fit: _Fit, rows: IntArray, other: _Fit, where: Bools | None = None) -> None:
    """Take another fit of some of its series, or of some kinds of them."""
    for name, own in fit.items():
        new = other[name]
        own[:, rows] = new if where is None else np.where(where, new, own[:, rows])


def _single(prior: ScatterPrior) -> ScatterPrior:
    return ScatterPrior(prior.weight.astype(np.float32), prior.variance.astype(np.float32))


def _with_common(series: _Series, core: Floats, labels: Floats | float) -> _Fit:
    kinds, prior = series.kinds, series.prior
    total = np.maximum(core.sum(axis=1), 1e-6)
    mean = (core * series.log_peak).sum(axis=1) / total
    centred = series.log_peak - mean[:, None]
    weighted = core * centred
    sums = kinds.each_of(by_series(core, kinds.terms.T).T)
    with_step = kinds.terms[: kinds.steps.sum() + kinds.count]
    with_log = kinds.each_of(by_series(weighted, with_step.T).T)
    nothing = np.zeros_like(total)
    fit = eliminated(total, (*sums, nothing, *with_log))
    fit |= {"count": total, "inside": total, "spread": nothing, "mean_log": mean}
    fit["square"] = (weighted * centred).sum(axis=1)
    fit["misfit"] = _misfit(fit, prior)
    constant = log_constant(fit, labels, fit["misfit"], prior)
    constant -= np.where(fit["curvature"] > 0.0, kinds.log_size[:, None], np.float32(0.0))
    constant[series.impossible] = -np.inf
    return fit | {"constant": constant}


def _misfit(fit: dict[str, Floats], prior: ScatterPrior) -> Floats:
    explained = fit["step_log"] ** 2 / fit["step_precision"] + fit["curvature"] * fit["climb"] ** 2
    return prior.weight * prior.variance + np.maximum(fit["square"] - explained, 0.0)


def _screened(series: _Series, fit: _Fit, *, thoroughly: bool = True) -> Floats:
    """Log posterior of each kind, the climb integrated out roughly.

    By the prior's density at the likeliest climb; thoroughly averaged over three points of its
    likelihood, or the likelihood over three of the prior, where that is more: the likelihood may
    be wider than the prior, or beside it.
    """
    kinds = series.kinds
    told = fit["curvature"] > 0.0
    freedom = series.prior.weight + fit["total"] - 2.0
    scale = np.sqrt(fit["misfit"] / (np.where(told, fit["curvature"], 1.0) * freedom))
    to_unit = kinds.to_unit[:, None]
    centre = np.clip(fit["climb"] * to_unit, -1e3, 1e3)
    scale = np.minimum(scale * to_unit, 1e3)
    density = kinds.density(centre)
    if thoroughly:
        apart = scale * np.sqrt(3.0)
        sides = kinds.density(centre - apart) + kinds.density(centre + apart)
        density = density * (2.0 / 3.0) + sides * (1.0 / 6.0)
        likelihood = np.zeros_like(density)
        for point in kinds.thirds:
            off = np.minimum(np.abs(point[:, None] - centre) / scale, 1e6)
            likelihood += (1.0 + off * off / freedom) ** (-0.5 * (freedom + 1.0))
        likelihood *= (kinds.rising / kinds.unit / (3.0 * np.sqrt(2.0 * np.pi)))[:, None]
        likelihood /= scale
        np.maximum(density, likelihood, out=density)
    log_density = np.log(np.maximum(density, 1e-30))
    return np.asarray(fit["constant"] + np.where(told, log_density, kinds.log_prior[:, None]))


def _probability(log_posterior: Floats) -> Floats:
    weights = np.exp(log_posterior - log_posterior.max(axis=0))
    return np.asarray(weights / weights.sum(axis=0))


def _rounds(series: _Series, core: Floats, rounds: int) -> tuple[Floats, Floats, Floats]:
    """Rounds of fitting the kinds, weighing them, and weighing the readings by what is left.

    After the first only series whose weights still move go on. Gives the common weights, of shape
    (n_series, n_drops), the probability of each kind (n_kinds, n_series), and the squared scatter
    that each series shows (n_series,).
    """
    kinds, prior = series.kinds, series.prior
    with_step, terms = slice(kinds.steps.sum()), kinds.terms
    fit = _with_common(series, core, 0.0)
    total = fit["total"]
    chance = _probability(_screened(series, fit, thoroughly=False))
    level, step, climb = fit["level"], fit["step"], fit["climb"]
    by_step, by_climb = (chance * step)[with_step], chance * climb
    twice, step = 2.0 * level, step[with_step]
    path = np.concatenate([by_step, by_climb])
    products = np.concatenate(
        [twice[with_step] * by_step, twice * by_climb, step * by_step,
         2.0 * step * by_climb[with_step], climb * by_climb]
    )  # fmt: skip
    mean = (chance * level).sum(axis=0)[:, None] + by_series(path.T, terms[: len(path)])
    square = (chance * level * level).sum(axis=0)[:, None] + by_series(products.T, terms)
    centred = series.log_peak - fit["mean_log"][:, None]
    squared = np.maximum(centred * (centred - 2.0 * mean) + square, 0.0)
    left = prior.weight * prior.variance + (core * squared).sum(axis=1)
    before = core
    core = core_probability(squared, (left / (prior.weight + total))[:, None]) * series.present
    variance = _shown(chance, fit, prior)
    if rounds > 1:
        rows = _several(np.abs(core - before).max(axis=1) > _SETTLED)
        if rows.size:
            core[rows], chance[:, rows], variance[rows] = _rounds(
                series.of(rows), core[rows], rounds - 1
            )
    return core, chance, variance


def _shown(chance: Floats, fit: _Fit, prior: ScatterPrior) -> Floats:
    squared = fit["misfit"] / (fit["total"] + prior.weight - 1.0)
    return np.asarray((chance * squared).sum(axis=0))


def _jumps_at_an_end(series: _Series, chance: Floats) -> Bools:
    """Where a jump beside either end has some probability: it may as well be a wild reading."""
    present = series.present > 0.0
    last = present.shape[1] - present[:, ::-1].argmax(axis=1)
    at = series.kinds.jump_at[:, None]
    early = at <= present.argmax(axis=1) + 1 + _AT_AN_END
    late = (at > last - _AT_AN_END) & (at <= last)
    return np.asarray(np.where(early | late, chance, 0.0).sum(axis=0) > _MOST_AT_AN_END)


def _in_full(some: _Series) -> tuple[_Fit, Floats]:
    """Every kind of some series by weights of its own from all readings in, as by ``fit_cells``.

    Also these weights, of shape (n_kinds, n_series, n_drops).
    """
    kinds, present = some.kinds, some.present
    n_series, n_drops = present.shape
    fit = _own(_with_common(some, present, 0.0))
    kind, row = np.divmod(np.arange(kinds.count * n_series), n_series)
    core = np.empty((n_drops, kind.size), dtype=np.float32)
    for _, part in _parts([int(kinds.steps.sum()) * n_series, kind.size], n_drops):
        at = kind[part], row[part]
        all_in = np.ascontiguousarray(present[at[1]].T)
        core[:, part] = _refined_pairs(some, at, all_in, fit, EM_STEPS, robustly=True)
    return fit, core.T.reshape(kinds.count, n_series, n_drops)


@dataclass(frozen=True, slots=True)
class _Fitted:
    """Series fitted with weights of their own where a shape is likely."""

    fit: _Fit
    log_posterior: Floats
    """Of each kind before it is fitted so; shape (n_kinds, n_series)."""
    core: Floats
    """Common weights of the readings; shape (n_series, n_drops)."""
    kind: IntArray
    row: IntArray
    first: IntArray
    weights: Floats
    """Pairs of kind and series, where runs of one series begin, and the pairs' weights, of shape
    (n_drops, n_pairs)."""
    full: IntArray
    full_core: Floats
    """Series fitted in full, and the weights of their readings (n_kinds, n_full, n_drops)."""


def _fitted_commonly(
    series: _Series, core: Floats, all_in: Floats, full: IntArray
) -> tuple[_Fit, Floats, NDArray[np.int8], Floats]:
    """Series fitted by weights common to all kinds, or in full.

    Also both common weights, of shape (2, n_series, n_drops): those given, and those from all
    readings in, which only series in doubt have; which of them a kind of a series has; and the
    weights of those fitted in full, of shape (n_kinds, n_full, n_drops).
    """
    fit = _own(_with_common(series, core, label_evidence(core, series.present, 1)))
    cores, which = np.stack([core, all_in]), np.zeros(fit["misfit"].shape, np.int8)
    doubted = _doubted(core, series.present)
    doubted[full] = False
    if (other := _several(doubted)).size:
        some, own = series.of(other), all_in[other]
        again = _with_common(some, own, label_evidence(own, some.present, 1))
        which[:, other] = again["constant"] > fit["constant"][:, other]
        _put(fit, other, again, where=which[:, other] > 0)
    full_core: Floats = np.empty((series.kinds.count, 0, core.shape[1]))
    if full.size:
        in_full, full_core = _in_full(series.of(full))
        _put(fit, full, in_full)
    return fit, cores, which, full_core


def _fitted(series: _Series, core: Floats, all_in: Floats, full: IntArray) -> _Fitted:
    """Fit series by common weights, and by their own where it matters."""
    fit, cores, second, full_core = _fitted_commonly(series, core, all_in, full)
    log_posterior = _screened(series, fit)
    probability = _probability(log_posterior)
    is_full = np.zeros(core.shape[0], dtype=np.bool_)
    is_full[full] = True
    # Those with a step first, of each the likely ones, and there a series' pairs side by side.
    row, kind = np.nonzero((probability > _LOWEST).T & ~is_full[:, None])
    faint = _FAINT if core.shape[1] > _FEW_DROPS else 0.0
    of_kind = 2 * ~series.kinds.steps[kind] + (probability[kind, row] < faint)
    order = np.argsort(of_kind, kind="stable")
    kind, row = kind[order], row[order]
    run = np.flatnonzero(np.diff(of_kind[order] * len(core) + row, prepend=-1))
    weights = np.empty((core.shape[1], kind.size), dtype=core.dtype)
    for group, part in _parts(np.bincount(of_kind, minlength=4).cumsum().tolist(), core.shape[1]):
        at = kind[part], row[part]
        start_from = np.ascontiguousarray(cores[second[at], row[part]].T)
        rounds = _ROUNDS_OF_FAINT if group % 2 else _ROUNDS_OWN
        own = _refined_pairs(series, at, start_from, fit, rounds)
        weights[:, part] = own
        apart = np.abs(own - start_from, out=start_from).max(axis=0)
        is_full[at[1][(apart > _FAR_FROM_COMMON) & (probability[at] > _LIKELY)]] = True
    is_full[full] = False
    misled = _several(is_full)
    if misled.size:
        in_full, more_core = _in_full(series.of(misled))
        _put(fit, misled, in_full)
        log_posterior[:, misled] = _screened(series.of(misled), in_full)
        full, full_core = np.append(full, misled), np.concatenate([full_core, more_core], axis=1)
    return _Fitted(fit, log_posterior, core, kind, row, run, weights, full, full_core)


def _parts(ends: Sequence[int], n_drops: int) -> Iterator[tuple[int, slice]]:
    """Pairs some at a time, with the group that they are of: each ends where the next begins."""
    step = max(1, _PAIR_ELEMENTS // n_drops)
    for group, (first, last) in enumerate(pairwise([0, *ends])):
        for start in range(first, last, step):
            yield group, slice(start, min(start + step, last))


def _several(which: Bools) -> IntArray:
    """Those, one alone twice: sums over a single column are rounded in another order."""
    rows = np.flatnonzero(which)
    return np.repeat(rows, 2) if rows.size == 1 else rows


def _doubted(core: Floats, present: Floats) -> Bools:
    return np.asarray(((core < _SURE) & (present > 0.0)).any(axis=1))


@dataclass(eq=False)
class Block:
    """Series fitted at once, their drop numbers up to about the same; see ``block_of``."""

    members: IntArray
    """Which of the readings that were given."""
    centre: Floats
    """Taken off the log readings; shape (n_series,)."""
    series: _Series
    _core: Floats = field(default_factory=lambda: np.empty((0, 0)))
    _all_in: Floats = field(default_factory=lambda: np.empty((0, 0)))
    _full: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def shown_scatter(self) -> tuple[Floats, Floats]:
        """Squared scatter that each series shows alone, and the readings behind it."""
        series = self.series
        present = series.present
        core, chance, variance = _rounds(
            series, starting_core(series.log_peak, present, series.prior), _ROUNDS
        )
        full = present.sum(axis=1) < _FEWEST_READINGS
        full |= _doubtful_beside(core, present) | _jumps_at_an_end(series, chance)
        doubted = _doubted(core, present)
        all_in, tried = core.copy(), _several(doubted & ~full)
        if tried.size:
            all_in[tried], *_ = _rounds(series.of(tried), present[tried], _ROUNDS)
        full |= (np.abs(all_in - core) > _TWO_ANSWERS).any(axis=1)
        behind = core.sum(axis=1)
        self._core, self._all_in, self._full = core, all_in, _several(full)
        other = _several(doubted | full)
        if other.size:
            some = self.series.of(other)
            fit, *_ = _fitted_commonly(some, core[other], all_in[other], _several(full[other]))
            chance = _probability(_screened(some, fit))
            variance[other] = _shown(chance, fit, some.prior)
            behind[other] = (chance * fit["total"]).sum(axis=0)
        return variance, np.maximum(behind - 2.0, 0.0)

    def fit(self, prior: ScatterPrior) -> tuple[CellFit, Floats]:
        """Every cell fitted, after ``shown_scatter``.

        Parameters
        ----------
        prior : ScatterPrior
            Of the scatter given the siblings.

        Returns
        -------
        CellFit
            Without weights of the readings: ``mean_core`` gives what they come to.
        ndarray of shape (n_series, n_rows, n_bins)
            Likelihood, up to a factor of each series.
        """
        self.series = replace(self.series, prior=_single(prior))
        self._fitted = _fitted(self.series, self._core, self._all_in, self._full)
        log_posterior = self._fitted.log_posterior
        highest = log_posterior.max(axis=0)
        likely = log_posterior > highest - _KEPT_NATS
        return self._cells(), self._likelihood(likely, highest)

    def _likelihood(self, kept: Bools, highest: Floats) -> Floats:
        """Likelihood averaged over each bin, of the pairs that are kept."""
        kinds, fit = self.series.kinds, self._fitted.fit
        half, row = np.nonzero(kept[kinds.row_kind])
        kind = kinds.row_kind[half]
        flat, size = kind * kept.shape[1] + row, kinds.size[kind]
        curvature, climb, total, misfit, constant = (
            fit[name].ravel()[flat]
            for name in ("curvature", "climb", "total", "misfit", "constant")
        )
        told = curvature > 0.0
        freedom = self.series.prior.weight[row] + total - np.float32(2.0)
        scale = misfit / (np.where(told, curvature, np.float32(1.0)) * freedom)
        scale = np.sqrt(np.where(told, scale, np.float32(1.0))) / size
        edges = kinds.row_edges.take(half, axis=1)
        apart = edges - (climb / size).astype(np.float32)
        apart /= scale.astype(np.float32)
        mass = student_mass(apart, freedom)
        mass /= np.diff(edges, axis=0)
        mass[:, ~told] = 1.0
        mass *= np.exp(np.minimum(constant - highest[row], 60.0))
        of_kinds = np.zeros((kept.shape[1], len(kinds.row_kind), _HALF), dtype=np.float32)
        of_kinds[row, half] = mass.T
        for one in np.flatnonzero(~of_kinds.any(axis=(1, 2))):
            # Farther beyond every bin than single precision reaches: the nearest has it all.
            pairs = np.flatnonzero(row == one)
            edge, pair = divmod(int(np.abs(apart[:, pairs]).argmin()), pairs.size)
            of_kinds[one, half[pairs[pair]], min(edge, _HALF - 1)] = 1.0
        return of_kinds.take(kinds.row, axis=1)

    def _cells(self) -> CellFit:
        """The fit in the climb's own unit."""
        size, fit = self.series.kinds.size[:, None], self._fitted.fit
        return CellFit(
            kind=self.series.kinds.kind,
            log_constant=fit["constant"],
            climb=fit["climb"] / size,
            curvature=fit["curvature"] * size**2,
            misfit=fit["misfit"],
            freedom=self.series.prior.weight + fit["total"] - 2.0,
            core=np.empty((0, 0, 0)),
            total_core=fit["total"],
            mean_log=fit["mean_log"],
            mean_step=fit["mean_step"],
            mean_climb=fit["mean_climb"] * size,
            step_precision=fit["step_precision"],
            step_log=fit["step_log"],
            step_climb=fit["step_climb"] * size,
        )

    def mean_core(self, of_row: Floats) -> Floats:
        """Probability that each reading is a core one, over all cells.

        Parameters
        ----------
        of_row : ndarray of shape (n_series, n_rows)
            Posterior probability of each row.

        Returns
        -------
        ndarray of shape (n_series, n_drops)
        """
        chance = by_series(of_row.astype(np.float32), self.series.kinds.member)
        fitted = self._fitted
        core = fitted.core.copy()
        if fitted.kind.size:
            own = chance.ravel().take(fitted.row * chance.shape[1] + fitted.kind)
            there = fitted.row[fitted.first]
            more = np.add.reduceat(fitted.weights * own, fitted.first, axis=1).T
            more -= np.add.reduceat(own, fitted.first)[:, None] * core[there]
            np.add.at(core, there, more)
        core[fitted.full] = np.einsum("sk,ksd->sd", chance[fitted.full], fitted.full_core)
        return core


def _doubtful_beside(core: Floats, present: Floats) -> Bools:
    """Which series have doubtful readings at either end, or two of them in a row."""
    wild = (core < 0.5) & (present > 0.0)
    rank = np.cumsum(present, axis=1)
    at_an_end = (rank <= _AT_AN_END) | (rank > rank[:, -1:] - _AT_AN_END)
    in_a_row = (wild[:, 1:] & wild[:, :-1]).any(axis=1)
    return np.asarray((wild & at_an_end).any(axis=1) | in_a_row)


def _refined_pairs(
    series: _Series,
    at: tuple[IntArray, IntArray],
    core: Floats,
    old: _Fit,
    rounds: int,
    *,
    robustly: bool = False,
) -> Floats:
    """Some pairs fitted again from the common weights; their weights of shape (n_drops, n_pairs).

    All of them have a step, or none has. Robustly the first scatter is that of the median residual,
    so that wild readings don't hide.
    """
    kinds, (kind, row) = series.kinds, at
    log_peak = np.ascontiguousarray(series.log_peak[row].T)
    present = np.ascontiguousarray(series.present[row].T)
    phi = kinds.phi.take(kind, axis=1)
    psi = kinds.psi.take(kind, axis=1) if kinds.steps[kind[:1]].any() else None
    prior = ScatterPrior(series.prior.weight[row], series.prior.variance[row])
    flat = kind * series.impossible.shape[1] + row
    level, step, climb, mean_step, mean_climb = (
        old[name].ravel()[flat] for name in ("mean_log", "step", "climb", "mean_step", "mean_climb")
    )
    level = level - step * mean_step - climb * mean_climb
    nothing: Floats = np.zeros_like(level)
    summed = partial(np.einsum, "dp,dp->p")
    for round_ in range(rounds):
        squared = climb * phi
        squared += level
        if psi is not None:
            squared += step * psi
        np.subtract(log_peak, squared, out=squared)
        squared *= squared
        if robustly and round_ == 0:
            free = core.sum(axis=0)
            (variance,) = robust_variance(squared.T[None], present.T, prior, free)
            variance = variance.astype(np.float32)
        else:
            left = prior.weight * prior.variance + summed(core, squared)
            variance = left / (prior.weight + core.sum(axis=0))
        core = core_probability(squared, variance)
        core *= present
        with_phi, with_log = core * phi, core * log_peak
        steps: tuple[Floats, ...] = (nothing, nothing, nothing, nothing)
        if psi is not None:
            with_psi = core * psi
            products = (summed(with_psi, each) for each in (psi, phi, log_peak))
            steps = (with_psi.sum(axis=0), *products)
        climbs = (with_phi.sum(axis=0), summed(with_phi, phi))
        logs = (with_log.sum(axis=0), summed(with_phi, log_peak))
        sums = (steps[0], climbs[0], steps[1], steps[2], climbs[1], logs[0], steps[3], logs[1])
        fit = eliminated(core.sum(axis=0), sums)
        level, step, climb = fit["level"], fit["step"], fit["climb"]
    total = fit["total"]
    fit["square"] = summed(with_log, log_peak) - total * fit["mean_log"] ** 2
    fit |= {"count": total, "inside": total, "spread": nothing}
    fit["misfit"] = _misfit(fit, prior)
    constant = log_constant(fit, label_evidence(core, present, 0), fit["misfit"], prior)
    constant -= np.where(fit["curvature"] > 0.0, kinds.log_size[kind], np.float32(0.0))
    fit["constant"] = np.where(series.impossible.ravel()[flat], -np.inf, constant)
    for name, value in old.items():
        value.ravel()[flat] = fit[name]
    return core


def block_of(
    members: IntArray,
    clocks: Sequence[IntArray],
    peaks: Sequence[Floats],
    kinds: Kinds,
    prior: ScatterPrior,
) -> Block:
    """A block of series.

    Parameters
    ----------
    members : ndarray of int, shape (n_series,)
        What they are called by.
    clocks, peaks : sequence of ndarray
        Drop number and peak g of the readings of each.
    kinds : Kinds
        Up to the last of their drops at least.
    prior : ScatterPrior
        Of their scatter alone.
    """
    sizes = np.array([clock.size for clock in clocks])
    at = np.repeat(np.arange(sizes.size), sizes), np.concatenate(clocks) - 1
    shape = sizes.size, len(kinds.phi)
    logs, present = np.full(shape, np.inf), np.zeros(shape, dtype=np.float32)
    logs[at] = np.log(np.concatenate(peaks))
    present[at] = 1.0
    half = present.sum(axis=1).astype(np.int64) // 2
    centre = np.sort(logs, axis=1)[np.arange(half.size), half]
    log_peak = np.where(present > 0.0, logs - centre[:, None], 0.0).astype(np.float32)
    impossible = (kinds.impossible.T @ present.T) > 0.0
    series = _Series(kinds, log_peak, present, _single(prior), impossible)
    return Block(members, centre, series)
