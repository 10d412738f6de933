"""The share that has failed, no form assumed: from looks alone, and by drop with a band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.life.parametric import checked_lives

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

MAX_ITERATIONS = 20_000
OPTIMALITY_TOLERANCE = 1e-9


class TurnbullLife:
    """Nonparametric maximum likelihood for lives known as intervals.

    All mass lies in the innermost intervals: those that begin where some life's interval begins
    and end at the next end, with no other beginning between. Where in such an interval the mass
    lies cannot be known, so the curve is undefined inside it: draw it as a box.

    Attributes
    ----------
    intervals_ : ndarray of shape (n_intervals, 2)
        Innermost intervals (after, by], in the unit of the lives; the last may end at infinity.
    mass_ : ndarray of shape (n_intervals,)
        Probability of failing within each.
    log_likelihood_ : float

    References
    ----------
    Turnbull B W (1976), J. R. Statist. Soc. B 38, 290-295. Optimality is judged by the gradient
    (Gentleman R, Geyer C J (1994), Biometrika 81, 618-623), not by small steps; squared steps
    speed the iteration up (Varadhan R, Roland C (2008), Scand. J. Statist. 35, 335-353).
    """

    intervals_: FloatArray
    mass_: FloatArray
    log_likelihood_: float

    def fit(self, X: FloatArray) -> TurnbullLife:
        """Learn the mass of each innermost interval.

        Parameters
        ----------
        X : ndarray of shape (n_lives, 2)
            (known to last beyond, failed by], infinite while it works, equal when exact.

        Returns
        -------
        TurnbullLife

        Raises
        ------
        UnusableCall
            ``X`` is empty, of another shape, not a number, negative, or ends before it begins.
        """
        lives, counts = np.unique(checked_lives(X), axis=0, return_counts=True)
        inner = _innermost_intervals(lives)
        after, by = lives[:, [0]], lives[:, [1]]
        # (t, …] does not hold the point t, at which another life ended exactly.
        outside = (inner[:, 0] == inner[:, 1]) & (after == inner[:, 0]) & (after < by)
        covers = ((after <= inner[:, 0]) & (inner[:, 1] <= by) & ~outside).astype(float)
        share = counts / counts.sum()

        def improved(mass: FloatArray) -> FloatArray:
            return np.asarray(mass * ((share / (covers @ mass)) @ covers))

        mass = np.full(len(inner), 1.0 / len(inner))
        for _ in range(MAX_ITERATIONS):
            gradient = (share / (covers @ mass)) @ covers
            if gradient.max() <= 1.0 + OPTIMALITY_TOLERANCE:
                break
            first = improved(mass)
            second = improved(first)
            step, bend = first - mass, second - 2.0 * first + mass
            length = np.linalg.norm(step) / max(float(np.linalg.norm(bend)), 1e-300)
            leap = mass + 2.0 * length * step + length**2 * bend
            leapt = improved(leap / leap.sum()) if np.all(leap > 0) else second
            better = share @ np.log(covers @ leapt) >= share @ np.log(covers @ second)
            mass = leapt if better else second
        held = mass > OPTIMALITY_TOLERANCE
        self.intervals_ = inner[held]
        self.mass_ = mass[held] / mass[held].sum()
        self.log_likelihood_ = float(counts @ np.log(covers[:, held] @ self.mass_))
        return self

    def survival(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lower and upper probability of lasting beyond ``t``; they differ inside a box.

        Parameters
        ----------
        t : ndarray of any shape
            In the unit of the lives.

        Returns
        -------
        lower, upper : ndarray
            Same shape as ``t``.
        """
        when = np.asarray(t, dtype=float)[..., None]
        begun = (self.intervals_[:, 0] < when) | (self.intervals_[:, 1] <= when)
        ended = self.intervals_[:, 1] <= when
        return 1.0 - begun @ self.mass_, 1.0 - ended @ self.mass_


def log_rank_scores(X: FloatArray, entry: FloatArray | None = None) -> FloatArray:
    """How much sooner each life ended than all together lead one to expect.

    The derivative, at none, of each life's log-likelihood by the logarithm of its hazard ratio,
    with the nonparametric curve of all lives as baseline. Summed over a group, or weighed by a
    dose, and set against the same sum under permutations of the labels, it is an exact test.

    Parameters
    ----------
    X : ndarray of shape (n_lives, 2)
        (known to last beyond, failed by].
    entry : ndarray of shape (n_lives,), optional
        When each life came under observation, having lasted that long; by default 0.

    Returns
    -------
    ndarray of shape (n_lives,)
        Positive where a life ended sooner than expected.

    References
    ----------
    Finkelstein D M (1986), Biometrics 42, 845-854; permutation form: Fay M P (1996), Biometrics
    52, 811-822. Late entry is taken from the score, not worked into the curve: the test does not
    depend on it.
    """
    lives = checked_lives(X)
    curve = TurnbullLife().fit(lives)
    _, after = curve.survival(lives[:, 0])
    _, by = curve.survival(lives[:, 1])
    exact = lives[:, 0] == lives[:, 1]  # just before and at the end
    after[exact] += (curve.intervals_[:, 1] == lives[exact, 1:]) @ curve.mass_
    score = (_times_own_log(after) - _times_own_log(by)) / (after - by)
    if entry is None:
        return score
    _, at_entry = curve.survival(entry)
    return score - np.log(at_entry)


@dataclass(frozen=True, slots=True)
class EvenHazard:
    """Hazard of lives known as intervals, each end spread evenly over its own.

    Turnbull's curve is most likely where fewest lives were at risk: of failures seen on day 30 and
    survivors last seen on day 29 it puts every failure in between, and the survivors count for
    nothing. Spread evenly they count for the days on which they were seen to last.
    """

    time: FloatArray
    """Shape (n_times,), in the unit of the lives."""
    cumulative: FloatArray
    """Cumulative hazard at ``time``, a line in between."""
    scores: FloatArray
    """Ends seen less ends expected of each life, (n_lives,); they sum to zero. The expectation is
    nought under any plan of looks and of late entry that does not follow the outcome."""

    def at(self, time: FloatArray) -> FloatArray:
        """Cumulative hazard at these times."""
        return np.asarray(np.interp(time, self.time, self.cumulative))


def even_hazard(X: FloatArray, entry: FloatArray) -> EvenHazard:
    """Hazard of all lives together, and how much sooner each ended than it makes one expect.

    Parameters
    ----------
    X : ndarray of shape (n_lives, 2)
        (known to last beyond, failed by], infinite while it works, never exact.
    entry : ndarray of shape (n_lives,)
        When each life came under observation, having lasted that long.

    Returns
    -------
    EvenHazard

    References
    ----------
    Ends and lives at risk by their expected numbers, as in the log-rank test for interval-censored
    lives of Sun J (1996), Statist. Med. 15, 1387-1395, with an even spread for Turnbull's curve.
    """
    lives = checked_lives(X)
    after, by = lives[:, [0]], lives[:, [1]]
    ended = np.isfinite(by)
    time = np.unique(np.concatenate([entry, lives[np.isfinite(lives)]]))
    begins, ends = time[:-1], time[1:]
    within = ended & (after <= begins) & (ends <= by)
    days = np.where(ended, by - after, 1.0)
    left = (np.where(ended, by, 0.0) - (begins + ends) / 2.0) / days
    at_risk = np.where(within, left, (entry[:, None] <= begins) & (ends <= after))
    expected = (within * (ends - begins) / days).sum(axis=0)
    total = at_risk.sum(axis=0)
    hazard = np.where(total > 0, expected / np.where(total > 0, total, 1.0), 0.0)
    return EvenHazard(
        time=time,
        cumulative=np.concatenate([[0.0], np.cumsum(hazard)]),
        scores=ended[:, 0] - at_risk @ hazard,
    )


def _times_own_log(share: FloatArray) -> FloatArray:
    """p·log p, zero at zero (and where rounding leaves less)."""
    return np.where(share > 0, share * np.log(np.maximum(share, 1e-300)), 0.0)


def _innermost_intervals(lives: FloatArray) -> FloatArray:
    """Intervals (after, by] that begin at a beginning and end at an end with none between.

    At one time ends come before beginnings, since (a, b] holds b but not a; an exact life is
    the point t, written (t, t], and begins just before its end.
    """
    exact = lives[:, 0] == lives[:, 1]
    begins = np.column_stack([lives[:, 0], np.where(exact, 0.0, 2.0)])
    ends = np.column_stack([lives[:, 1], np.ones(len(lives))])
    marks = np.unique(np.vstack([begins, ends]), axis=0)
    inner = (marks[:-1, 1] != 1) & (marks[1:, 1] == 1)
    return np.column_stack([marks[:-1, 0][inner], marks[1:, 0][inner]])


def survival_band(
    failed: IntArray, censored: IntArray, level: float = 0.9
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Product-limit survival with a pointwise band from products of beta variables.

    Without censoring the band is that of Clopper and Pearson; with it the coverage stays at least
    ``level`` where the usual normal approximations fail (few cases, no failure, the right end).

    Parameters
    ----------
    failed : ndarray of shape (n_failed,)
        Drop at which each failed case failed, from 1.
    censored : ndarray of shape (n_censored,)
        Last drop of each other case; it held that drop, so a failure there comes before.
    level : float
        Content of the band at each drop.

    Returns
    -------
    begins, survival, lower, upper : ndarray of shape (n_steps,)
        Steps that hold from ``begins`` (the first 0, before any drop) until the next. Empty without
        cases.

    References
    ----------
    Kaplan E L, Meier P (1958), J. Am. Stat. Assoc. 53, 457-481. Band: Fay M P, Brittain E H,
    Proschan M A (2013), Biostatistics 14, 723-736, by the method of moments.
    """
    ends = np.concatenate([failed, censored]).astype(float)
    if ends.size == 0:
        nothing = np.empty(0)
        return nothing, nothing, nothing, nothing
    begins = np.unique(np.concatenate([[0.0, 1.0], ends]))
    deaths = (failed[:, None] == begins).sum(axis=0)
    at_risk = (ends[:, None] >= begins).sum(axis=0)
    after = (ends[:, None] > begins).sum(axis=0)
    survival = np.cumprod(1.0 - deaths / at_risk)

    # Upper: product over deaths of Beta(at risk - deaths + 1, deaths), by its two moments.
    stay, leave = at_risk - deaths + 1.0, deaths.astype(float)
    total = stay + leave
    mean = np.cumprod(stay / total)
    square = np.cumprod(stay * (stay + 1.0) / (total * (total + 1.0)))
    outside = (1.0 - level) / 2.0
    upper = _beta_quantile(mean, square, 1.0 - outside)
    # Lower: the same times Beta(still at risk, 1).
    mean = mean * after / (after + 1.0)
    square = square * after / (after + 2.0)
    lower = _beta_quantile(mean, square, outside)
    lower[0] = 1.0  # before its first drop no case has failed
    return begins, survival, lower, upper


def _beta_quantile(mean: FloatArray, square: FloatArray, fraction: float) -> FloatArray:
    """Quantile of the beta variable with these moments; its only value where it does not vary."""
    from scipy.special import betaincinv

    variance = square - mean**2
    varies = (variance > 1e-14) & (mean > 0.0)
    size = np.where(varies, mean * (1.0 - mean) / np.where(varies, variance, 1.0) - 1.0, 1.0)
    a, b = np.where(varies, mean * size, 1.0), np.where(varies, (1.0 - mean) * size, 1.0)
    return np.where(varies, betaincinv(a, b, fraction), mean)
