"""Share of cases not failed by drop, with a band that holds its promise however few they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray


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
