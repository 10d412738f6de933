"""The share that has failed, from looks alone: no form assumed, nothing filled in between."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.life.lives import checked_lives

if TYPE_CHECKING:
    from durability.record.records import FloatArray

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
