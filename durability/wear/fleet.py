"""What the cases of a model teach each other where readings scatter little: the form of their wear.

The grid of shapes in ``fitting`` is as fine as readings that scatter by several percent can
distinguish. Where they scatter by less, its steps and its prior of the scatter are wider than what
the readings leave open. Here each form is taken as finely as the readings show it, with parameters
that all cases of the model have in common; each case goes along it at a speed of its own, and how
far readings wander about it is learned: a Wiener process whose variance grows with the rise
(Whitmore 1995, Lifetime Data Analysis 1).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.draws import AHEAD, LEVEL, N_DRAWS, SCATTER, STEP, evenly, evenly_normal
from durability.wear.results import WearDraws
from durability.wear.shapes import (
    EXPONENTIAL,
    HYPERBOLIC,
    LEVELLING,
    LEVELLING_WIDTHS,
    LINEAR,
    ONSET,
    POWER,
    SETTLING,
    SLOWING,
    STEADY,
    climb_basis,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray

FEWEST_CASES = 3
FEWEST_READINGS = 4
"""Of a case that informs the others."""
LARGEST_SCATTER = 0.035
"""Scatter of log peak g up to which the form is learned: above it, measured up to 0.08,
forecasts by it are no better than by the shapes."""
_ENOUGH_CASES = 30
"""Cases from which the likely forms are found; with more all of them say which hold."""
_SMALLEST_RISE = 4.0
"""Rise of a case that informs the others, in standard deviations of a reading."""
_NOT_ITS_LIKE = 4.0
"""A case whose readings depart so many times more than those of the others is not of their form."""
_RESOLUTION = 1e-3
"""No scatter is smaller: readings are rounded."""
_MOST_POINTS = 24
"""A case with more readings is fitted by means of neighbouring ones."""
_KEPT_NATS = 10.0
"""Forms less likely than the likeliest by more than this are dropped between two passes."""
_PASSES, _NEAR_NATS, _FINE_ENOUGH = 4, 3.0, 4
"""Kinds of which fewer forms, in each direction, are this near the likeliest get finer ones."""
_SETTLES_WITHIN = 0.25
"""Time scale of what settles beside a lasting climb, as a part of the drops made: what takes longer
is not distinguished from the climb."""
_STEPS = 5
_LARGEST_STEP = 0.7
_SPEEDS = -16.0, 5.0
"""Log speeds tried: a case that doubles its level in nine million drops, or within one."""
_HIGHEST = 20.0
"""Log rise beyond which a path doesn't matter."""
_SMALLEST_SPREAD, _LARGEST_SPREAD = 0.1, 1.0
"""Of log speeds from case to case."""
_NONE = 0.4
"""Probability that cases don't wander about their form."""
_WANDERS = np.array([0.0, 0.1, 0.4, 1.6, 6.4, 25.0, 200.0])
"""Variances of the wander at the last reading, in those of the scatter of a reading."""
_COARSE = np.array([0.0, 3.0, 300.0])
_HALVINGS = 30
_DIFFERENCE = 1e-4
_TINY = 1e-9


@dataclass(frozen=True, slots=True)
class CaseDraws:
    """What a case's wear goes on from, by itself and by its like."""

    draws: WearDraws
    ahead: FloatArray
    """Log level at the last reading above the draw's path; shape (n_draws,)."""
    wander: FloatArray
    """Variance of the log level about its path for each unit that it rises; shape (n_draws,)."""


@dataclass(frozen=True, slots=True)
class _Forms:
    """Forms of wear: which path, and how a case's speed stretches it; arrays (n_forms,).

    At log speed v the climb is ``size · exp(sized · v)``, its parameter ``parameter ·
    exp(-timed · v)``, and that of the settling beside it ``step_parameter · exp(-step_timed · v)``.
    """

    family: IntArray
    parameter: FloatArray
    timed: FloatArray
    size: FloatArray
    sized: FloatArray
    step_family: IntArray
    step_parameter: FloatArray
    step_timed: FloatArray
    step: FloatArray
    in_g: NDArray[np.bool_]
    log_prior: FloatArray
    block: IntArray
    """Forms of one kind have one number."""
    spacing: FloatArray
    """Log distance to the next form in ``parameter``, ``size``, ``step_parameter`` and ``step``, 0
    where that is fixed; shape (n_forms, 4)."""

    def of(self, which: IntArray | NDArray[np.bool_]) -> _Forms:
        """Some of them."""
        return _Forms(*(getattr(self, one.name)[which] for one in fields(self)))

    def settle_within(self, part: float, cases: Sequence[_Case]) -> NDArray[np.bool_]:
        """Which forms have settled, in most cases, after that part of the drops made."""
        last = np.median([case.last for case in cases])
        rise = np.median([case.rise for case in cases])
        longest = np.where(self.step_timed > 0.0, rise, last) * part
        return np.asarray((self.step_family == STEADY) | (self.step_parameter <= longest))

    def with_(self, more: _Forms) -> _Forms:
        """These and some more."""
        return _Forms(
            *(
                np.concatenate([getattr(each, one.name) for each in (self, more)])
                for one in fields(self)
            )
        )

    def finer(self) -> _Forms:
        """Three in place of each along everything that is not fixed."""
        forms = self
        for column, name in enumerate(_SPACED):
            free = forms.spacing[:, column] > 0.0
            times = np.where(free, 3, 1)
            at = np.repeat(np.arange(free.size), times)
            third = np.arange(at.size) - np.repeat(times.cumsum() - times, times) - 1
            new = {one.name: getattr(forms, one.name)[at] for one in fields(forms)}
            apart = np.where(free[at], third * forms.spacing[at, column] / 3.0, 0.0)
            new[name] = new[name] * np.exp(apart)
            new["spacing"] = new["spacing"].copy()
            new["spacing"][:, column] /= 3.0
            new["log_prior"] = new["log_prior"] - np.log(times[at])
            forms = _Forms(**new)
        return forms

    def stretched(self, speed: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Parameter, climb and parameter of the settling of each form at a log speed."""
        return (
            self.parameter * np.exp(-self.timed * speed),
            self.size * np.exp(self.sized * speed),
            self.step_parameter * np.exp(-self.step_timed * speed),
        )

    def paths(self, speed: FloatArray, since: FloatArray) -> FloatArray:
        """Log level of each above that of the fresh case; shape (n_forms, n_points)."""
        parameter, climb, step_parameter = self.stretched(speed)
        path = climb[:, None] * climb_basis(self.family, parameter, since + 1.0)
        beside = self.step_family != STEADY
        path[beside] += self.step[beside, None] * climb_basis(
            self.step_family[beside], step_parameter[beside], since + 1.0
        )
        path = np.minimum(path, _HIGHEST)
        path[self.in_g] = np.log1p(path[self.in_g])
        return path


_SPACED = ("parameter", "size", "step_parameter", "step")


@lru_cache(maxsize=1)
def _forms() -> _Forms:
    """Every form on a coarse grid, as likely before as its shape is in ``shapes``."""
    one = np.ones(1)
    sizes, amplitudes = np.geomspace(0.05, 4.0, 16), np.geomspace(0.1, 2.0, 10)
    settled, settles = np.geomspace(0.01, 0.3, 8), np.geomspace(0.6, 30.0, 7)
    none = STEADY, one, 0, np.zeros(1)
    # family, parameter, timed, size, sized, what settles beside it, prior, in log level or in g
    both, log = (False, True), (False,)
    widths = [code for code in LEVELLING_WIDTHS if code != LEVELLING]
    blocks = [
        (LINEAR, one, 0, one, 1, none, 0.15, both),
        (POWER, np.geomspace(1.1, 3.6, 14), 0, one, 1, none, 0.09, both),
        (POWER, np.geomspace(0.4, 0.98, 10), 0, one, 1, none, 0.02, both),
        (SLOWING, one, 1, np.geomspace(0.1, 5.0, 14), 1, none, 0.03, log),
        (EXPONENTIAL, one, -1, np.geomspace(0.003, 3.0, 18), 1, none, 0.05, both),
        (EXPONENTIAL, np.geomspace(0.005, 0.4, 12), 0, one, 1, none, 0.04, both),
        (HYPERBOLIC, one, 1, sizes, 1, none, 0.08, log),
        (SETTLING, one, 1, amplitudes, 0, none, 0.03, log),
        *((code, one, 1, amplitudes, 0, none, 0.03 / len(widths), log) for code in widths),
        (ONSET, np.geomspace(3.0, 80.0, 14), 0, one, 1, none, 0.12, both),
        (ONSET, one, 1, sizes, 1, none, 0.12, both),
        (LINEAR, one, 0, one, 1, (SETTLING, settles, 0, settled), 0.045, both),
        (LINEAR, one, 0, one, 1, (SETTLING, np.geomspace(0.003, 0.5, 9), 1, settled), 0.045, both),
    ]
    rows: list[tuple[object, ...]] = []
    for family, parameter, timed, size, sized, beside, prior, scales in blocks:
        step_family, step_parameter, step_timed, step = beside
        axes = parameter, size, step_parameter, step
        spacing = [np.log(each[1] / each[0]) if each.size > 1 else 0.0 for each in axes]
        share = np.log(prior / len(scales) / np.prod([each.size for each in axes]))
        for in_g in scales:
            of_all = in_g, share, len(rows), spacing
            rows += [
                (family, p, timed, c, sized, step_family, q, step_timed, s, *of_all)
                for p, c, q, s in product(*axes)
            ]
    return _Forms(*(np.array(column) for column in zip(*rows, strict=True)))


@dataclass(frozen=True, slots=True)
class _Case:
    """Readings of a case, or means of neighbouring ones; arrays (n_points,)."""

    since: FloatArray
    """Wear since the first drop."""
    log_peak: FloatArray
    count: FloatArray
    last: float
    rise: float
    """About what the log level has risen by."""

    @property
    def together(self) -> FloatArray:
        """Covariance of the wander between the points, that at the last reading being 1."""
        return np.asarray(np.minimum.outer(self.since, self.since) / self.last)

    def covariance(self, wander: float) -> FloatArray:
        """Of the points, in variances of a reading."""
        return np.asarray(np.diag(1.0 / self.count) + wander * self.together)


def _case_of(clock: FloatArray, log_peak: FloatArray) -> _Case:
    since = clock - 1.0
    curve = np.polynomial.Polynomial.fit(since, log_peak, 2 if since.size > 5 else 1)
    rise = float(curve(since[-1]) - curve(0.0))
    parts = np.array_split(np.arange(since.size), min(_MOST_POINTS, since.size))
    return _Case(
        np.array([since[part].mean() for part in parts]),
        np.array([log_peak[part].mean() for part in parts]),
        np.array([float(part.size) for part in parts]),
        float(since[-1]),
        rise,
    )


def _scatter_of(clocks: Iterable[FloatArray], log_peaks: Iterable[FloatArray]) -> float:
    """Of readings about the lines through the two next to each."""
    every = []
    for clock, log_peak in zip(clocks, log_peaks, strict=True):
        here = np.arange(clock.size)
        one = np.r_[1, here[:-2], clock.size - 3]
        other = np.r_[2, here[2:], clock.size - 2]
        share = (clock - clock[one]) / (clock[other] - clock[one])
        off = log_peak - (1.0 - share) * log_peak[one] - share * log_peak[other]
        every.append(np.abs(off) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2))
    # The median size of a standard normal deviate.
    return float(np.median(np.concatenate(every))) / 0.6745 + _RESOLUTION


@dataclass(frozen=True, slots=True)
class _Fit:
    """Every form fitted to every case; arrays (n_wanders, n_cases, n_forms) unless said."""

    forms: _Forms
    wanders: FloatArray
    speed: FloatArray
    precision: FloatArray
    """Of the log speed, for a reading of unit variance."""
    misfit: FloatArray
    log_level: FloatArray
    """Part of the log evidence from the covariances; shape (n_wanders, 1)."""
    freedom: float

    @property
    def variance(self) -> FloatArray:
        """Of a reading; shape (n_wanders, n_forms)."""
        return np.asarray((self.misfit.sum(axis=1) + _RESOLUTION**2) / self.freedom)

    def spread(self) -> tuple[FloatArray, FloatArray]:
        """Mean and variance of the log speeds of all cases; shapes (n_wanders, n_forms)."""
        told = self.precision / self.variance[:, None]
        weight = told / (1.0 + 0.25 * told)
        total = weight.sum(axis=1)
        mean = (weight * self.speed).sum(axis=1) / total
        apart = (weight * (self.speed - mean[:, None]) ** 2).sum(axis=1) / total
        own = (weight / told).sum(axis=1) / total
        return mean, np.clip(apart - own, _SMALLEST_SPREAD**2, _LARGEST_SPREAD**2)

    def is_like(self, points: Sequence[int]) -> NDArray[np.bool_]:
        """Which cases depart from the likeliest form about as much as the others do."""
        evidence = self.log_evidence()
        row, column = np.unravel_index(int(evidence.argmax()), evidence.shape)
        share = self.misfit[row, :, column] / np.maximum(np.array(points) - 2.0, 1.0)
        return np.asarray(share <= _NOT_ITS_LIKE**2 * np.median(share) + 1e-12, dtype=np.bool_)

    def log_evidence(self) -> FloatArray:
        """Of each wander and form; shape (n_wanders, n_forms)."""
        mean, spread = self.spread()
        told = self.precision / self.variance[:, None]
        total = spread[:, None] + 1.0 / told
        of_speeds = np.log(total * told) + (self.speed - mean[:, None]) ** 2 / total
        many = self.wanders.size - 1
        prior = np.where(self.wanders > 0.0, (1.0 - _NONE) / many, _NONE)
        return np.asarray(
            -0.5 * self.freedom * np.log(self.variance * self.freedom)
            + self.log_level
            - 0.5 * of_speeds.sum(axis=1)
            + 0.5 * np.log(spread)
            + self.forms.log_prior
            + np.log(prior)[:, None],
            dtype=np.float64,
        )


@dataclass(frozen=True, slots=True)
class _Grid:
    """Every form beside every case, forms of a family in a row; speeds (n_forms, n_cases)."""

    forms: _Forms
    """Each as many times as there are cases."""
    since: FloatArray
    """Shape (n_forms · n_cases, n_points); where a case has fewer, its last is repeated."""
    last: FloatArray
    rise: FloatArray
    """Shape (n_cases,)."""

    def paths(self, speed: FloatArray) -> FloatArray:
        """Shape (n_cases, n_forms, n_points)."""
        path = self.forms.paths(speed.ravel(), self.since)
        return path.reshape(*speed.shape, -1).transpose(1, 0, 2)

    def first_speeds(self) -> FloatArray:
        """Log speeds at which each form has risen as much as the case."""
        cases = self.rise.size
        shape = self.forms.family.size // cases, cases
        last = np.tile(self.last, shape[0])[:, None]
        low, high = (np.full(shape, end) for end in _SPEEDS)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            is_low = self.forms.paths(middle.ravel(), last).reshape(shape) < self.rise
            low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
        return np.asarray(0.5 * (low + high))

    def fitted(
        self, speed: FloatArray, log_peak: FloatArray, whitening: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log speeds by least squares (Gauss and Newton), their precision, and what is left.

        ``log_peak``, (n_cases, 1, n_points), is whitened, by ``whitening``, (n_cases, n_points,
        n_points).
        """

        def at(here: FloatArray) -> FloatArray:
            return np.asarray(self.paths(here) @ whitening)

        path = at(speed)
        misfit = ((log_peak - path) ** 2).sum(axis=2).T
        precision = np.zeros_like(misfit)
        for step in range(_STEPS + 1):
            slope = (at(speed + _DIFFERENCE) - path) / _DIFFERENCE
            precision = (slope**2).sum(axis=2).T + _TINY
            if step == _STEPS:
                break
            move = (slope * (log_peak - path)).sum(axis=2).T / precision
            move = np.clip(move, -_LARGEST_STEP, _LARGEST_STEP)
            for share in (1.0, 0.25):
                there = at(speed + share * move)
                left = ((log_peak - there) ** 2).sum(axis=2).T
                better = left < misfit
                speed = np.where(better, speed + share * move, speed)
                path = np.where(better.T[:, :, None], there, path)
                misfit = np.where(better, left, misfit)
                move = np.where(better, 0.0, move)
        return speed, precision, misfit


def _fit(cases: Sequence[_Case], forms: _Forms, wanders: FloatArray) -> _Fit:
    count, points = len(cases), max(case.since.size for case in cases)
    since, log_peak = np.empty((count, points)), np.zeros((count, 1, points))
    for at, case in enumerate(cases):
        since[at] = case.since[np.minimum(np.arange(points), case.since.size - 1)]
    grid = _Grid(
        forms.of(np.repeat(np.arange(forms.family.size), count)),
        np.tile(since, (forms.family.size, 1)),
        np.array([case.last for case in cases]),
        np.array([case.rise for case in cases]),
    )
    found, log_level = [], np.zeros((wanders.size, 1))
    speed = grid.first_speeds()
    for row, wander in enumerate(wanders):
        whitening = np.zeros((count, points, points))
        for at, case in enumerate(cases):
            half = np.linalg.cholesky(case.covariance(wander))
            inverse = np.linalg.inv(half)
            ones = inverse.sum(axis=1)
            told = ones @ ones
            # Without the level, which is as likely anywhere.
            inverse -= np.outer(ones, ones @ inverse) / told
            log_level[row] -= np.log(np.diag(half)).sum() + 0.5 * np.log(told)
            size = case.since.size
            whitening[at, :size, :size] = inverse.T
            log_peak[at, 0, :size] = inverse @ case.log_peak
        found.append(grid.fitted(speed, log_peak, whitening))
        speed = found[-1][0]
    freedom = max(sum(case.since.size for case in cases) - 2.0 * count, 1.0)
    speeds, precision, misfit = (
        np.array(each).transpose(0, 2, 1) for each in zip(*found, strict=True)
    )
    return _Fit(forms, wanders, speeds, precision, misfit, log_level, freedom)


def _likely(cases: Sequence[_Case]) -> _Forms:
    """Forms that have a part in what the cases show, on a grid as fine as they show it."""
    forms = _forms()
    forms = forms.of(forms.settle_within(_SETTLES_WITHIN, cases))
    done = forms.of(np.empty(0, dtype=np.int64))
    evidence, last = np.empty(0), _PASSES - 1
    for again in range(_PASSES):
        evidence = np.append(evidence, _fit(cases, forms, _COARSE).log_evidence().max(axis=0))
        forms = done.with_(forms)
        kept = evidence > evidence.max() - _KEPT_NATS
        forms, evidence = forms.of(kept), evidence[kept]
        # A kind with many forms about as likely is fine enough.
        best = np.full(forms.block.max() + 1, -np.inf)
        np.maximum.at(best, forms.block, evidence)
        near = evidence > best[forms.block] - _NEAR_NATS
        many = np.bincount(forms.block, near)[forms.block]
        fine = (many >= _FINE_ENOUGH ** np.count_nonzero(forms.spacing, axis=1)) | (again == last)
        done, evidence = forms.of(fine), evidence[fine]
        forms = forms.of(~fine).finer()
        if not forms.block.size:
            break
    return done


def fleet_draws(
    clocks: Sequence[FloatArray], log_peaks: Sequence[FloatArray]
) -> list[CaseDraws | None]:
    """Draws of how the wear of each case of a model goes on, its form learned from all of them.

    Parameters
    ----------
    clocks, log_peaks : sequence of ndarray of shape (n_readings,)
        Wear at each reading of each case, 1 at the first drop, and the log of its peak g; without
        outliers.

    Returns
    -------
    list of CaseDraws or None
        None for a case with too few readings, without a rise, or unlike the others; for all where
        fewer than ``FEWEST_CASES`` are left or readings scatter by more than ``LARGEST_SCATTER``.
    """
    nothing: list[CaseDraws | None] = [None] * len(clocks)
    known = [at for at, clock in enumerate(clocks) if clock.size >= FEWEST_READINGS]
    if len(known) < FEWEST_CASES:
        return nothing
    # By what was read, so that sums are rounded in the same order whatever the cases are called.
    known.sort(key=lambda at: (log_peaks[at].tobytes(), clocks[at].tobytes()))
    scatter = _scatter_of((clocks[at] for at in known), (log_peaks[at] for at in known))
    if scatter > LARGEST_SCATTER:
        return nothing
    cases = {at: _case_of(clocks[at], log_peaks[at]) for at in known}
    cases = {at: case for at, case in cases.items() if case.rise > _SMALLEST_RISE * scatter}
    while len(cases) >= FEWEST_CASES:
        some = [*cases.values()]
        fit = _fit(some, _likely(some[:_ENOUGH_CASES]), _WANDERS)
        like = fit.is_like([case.since.size for case in some])
        if like.all():
            for at, draws in zip(cases, _draws(some, fit), strict=True):
                nothing[at] = draws
            break
        cases = dict(each for each, is_like in zip(cases.items(), like, strict=True) if is_like)
    return nothing


def _draws(cases: Sequence[_Case], fit: _Fit) -> Iterator[CaseDraws]:
    """Draws of each case: of the form and wander all have in common, then of its own speed."""
    from scipy.special import gammaincinv

    evidence = fit.log_evidence()
    up_to = np.exp(evidence - evidence.max()).ravel().cumsum()
    share = (np.arange(N_DRAWS) + 0.5) / N_DRAWS
    chosen = np.searchsorted(up_to / up_to[-1], share)
    row, column = np.unravel_index(chosen, evidence.shape)
    forms, wander = fit.forms.of(column), fit.wanders[row]
    mean, spread = (each[row, column] for each in fit.spread())
    half = 0.5 * fit.freedom
    variance = fit.variance[row, column] * half / gammaincinv(half, evenly(SCATTER))
    for at, case in enumerate(cases):
        own, prior = fit.precision[row, at, column] / variance, 1.0 / spread
        speed = (own * fit.speed[row, at, column] + prior * mean) / (own + prior)
        speed += evenly_normal(STEP) / np.sqrt(own + prior)
        path = forms.paths(speed, case.since)
        off = case.log_peak - path
        level, ahead = np.empty(N_DRAWS), np.zeros(N_DRAWS)
        for which in np.unique(row):
            some = row == which
            inverse = np.linalg.inv(case.covariance(fit.wanders[which]))
            told = inverse.sum()
            level[some] = off[some] @ inverse.sum(axis=0) / told
            level[some] += np.sqrt(variance[some] / told) * evenly_normal(LEVEL)[some]
            # The wander at the last point given the readings.
            gain = fit.wanders[which] * case.together[-1] @ inverse
            ahead[some] = (off[some] - level[some, None]) @ gain
            left = fit.wanders[which] * (case.together[-1, -1] - gain @ case.together[-1])
            ahead[some] += np.sqrt(max(left, 0.0) * variance[some]) * evenly_normal(AHEAD)[some]
        parameter, climb, step_parameter = forms.stretched(speed)
        yield CaseDraws(
            WearDraws(
                family=forms.family.astype(np.int8),
                parameter=parameter.astype(np.float32),
                step_family=forms.step_family.astype(np.int8),
                step_parameter=step_parameter.astype(np.float32),
                log_level_first=level,
                step=forms.step.astype(np.float32),
                climb=climb.astype(np.float32),
                scatter=np.sqrt(variance),
                in_g=forms.in_g,
            ),
            ahead,
            wander * variance / case.rise,
        )
