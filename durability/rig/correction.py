"""The rig's drift as a factor that can be divided out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.rig.readings import checked_readings, odd_readings_held_back
from durability.rig.results import RigCorrection

if TYPE_CHECKING:
    from durability.record.records import FloatArray

MOST_KNOTS = 400
"""More reference drops than this are averaged in runs before the drift is smoothed."""


def rig_correction(
    reference_when: FloatArray,
    reference_log_peak: FloatArray,
    when: FloatArray,
    *,
    steady_drops: int = 10,
    target_log_peak: float | None = None,
    relative_to: float | None = None,
) -> RigCorrection:
    """Factor by which the rig read too high at the times asked for, with its uncertainty.

    The rig's level is taken to wander (Brownian motion in ``when``) under independent scatter.
    How strongly it wanders is averaged over a grid by its likelihood with level and scatter
    integrated out, so a steady rig gives factors close to 1 and a drifting one follows the drift.
    Between and beyond reference drops the standard error grows.

    Parameters
    ----------
    reference_when, reference_log_peak : ndarray of shape (n,)
        Time or number, ascending, and log peak g of each reference drop; at least 4.
    when : ndarray of shape (m,)
        Where factors are wanted, in any order, on the same axis.
    steady_drops : int
        The factor is 1 at the mean level of the first so many reference drops.
    target_log_peak : float, optional
        Log peak g at which the factor is 1; by default by ``steady_drops``.
    relative_to : float, optional
        A time at which the factor is 1 instead: the drift since then, and how well it is known.

    Returns
    -------
    RigCorrection
        ``peak_g / factor`` is rig-corrected; its logarithm gains the variance
        ``factor_log_se ** 2``, which neighbouring drops share.

    Raises
    ------
    UnusableCall
        Fewer than 4 reference drops, times not ascending, or all at one time; both a target and a
        time given.
    """
    reference_when, level = checked_readings(
        reference_when, np.exp(np.asarray(reference_log_peak, dtype=float))
    )
    when = np.asarray(when, dtype=float)
    drops = len(level)
    if drops < 4:
        raise UnusableCall(f"a rig correction needs at least 4 reference drops, it has {drops}")
    if reference_when[0] == reference_when[-1]:
        raise UnusableCall("the reference drops all have one time")
    if relative_to is not None and target_log_peak is not None:
        raise UnusableCall("a factor of 1 is set by a target or by a time, not by both")
    held, _ = odd_readings_held_back(level)
    span = reference_when[-1] - reference_when[0]
    place = (reference_when - reference_when[0]) / span
    wanted = (when - reference_when[0]) / span
    steady = place[: min(steady_drops, drops)]
    if relative_to is not None:
        steady = np.array([(relative_to - reference_when[0]) / span])

    run = np.arange(drops) * min(drops, MOST_KNOTS) // drops
    count = np.bincount(run).astype(float)
    knot = np.bincount(run, weights=place) / count
    mean = np.bincount(run, weights=held) / count
    inner_squares = float(np.sum((held - mean[run]) ** 2))

    covariance = _wander(knot, knot)
    cross, own = _wander(wanted, knot), _wander(wanted, wanted, diagonal=True)
    mean_share = 1.0
    if target_log_peak is None:
        # What is wanted is a difference of levels, so the overall mean drops out.
        mean_share = 0.0
        own = own - 2.0 * _wander(wanted, steady).mean(axis=1) + _wander(steady, steady).mean()
        cross = cross - _wander(steady, knot).mean(axis=0)
    offset = 0.0 if target_log_peak is None else target_log_peak

    # In the eigenvectors of the weighted covariance every strength of wander is diagonal.
    root = np.sqrt(count)
    sizes, vectors = np.linalg.eigh(root[:, None] * covariance * root)
    sizes = np.maximum(sizes, 0.0)
    ones, y = vectors.T @ root, vectors.T @ (root * mean)
    cross = cross @ (root[:, None] * vectors)

    log_weight, centres, variances = [], [], []
    for strength in np.logspace(-3.0, 3.0, 25):
        inverse = 1.0 / (1.0 + strength * sizes)
        precision = float(inverse @ ones**2)
        centre = float(inverse @ (ones * y)) / precision
        rest = y - centre * ones
        squares = max(float(inverse @ rest**2) + inner_squares, 1e-300)
        log_weight.append(
            0.5 * np.log(inverse).sum()
            - 0.5 * np.log(precision)
            - (drops - 1) / 2 * np.log(squares)
        )
        reach = strength * cross * inverse
        centres.append(mean_share * (centre - offset) + reach @ rest)
        spread = (
            strength * own
            - strength * np.sum(reach * cross, axis=1)
            + (mean_share - reach @ ones) ** 2 / precision
        )
        variances.append(squares / (drops - 3) * np.maximum(spread, 0.0))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    centre_log = weight @ np.array(centres)
    variance = weight @ (np.array(variances) + (np.array(centres) - centre_log) ** 2)
    return RigCorrection(
        when=when,
        factor=np.exp(centre_log),
        factor_log_se=np.sqrt(variance),
        reference_drops=drops,
        basis=(
            f"{counted(drops, 'reference drop')}, level smoothed; factor 1 is "
            + (
                f"{float(np.exp(target_log_peak)):.4g} g as given"
                if target_log_peak is not None
                else f"the mean of the first {len(steady)}"
                if relative_to is None
                else "the level at the time given"
            )
        ),
    )


def _wander(at: FloatArray, to: FloatArray, *, diagonal: bool = False) -> FloatArray:
    """Covariance of two-sided Brownian motion from 0, (|s| + |t| - |s - t|) / 2."""
    if diagonal:
        return np.abs(at)
    return np.asarray(
        (np.abs(at)[:, None] + np.abs(to) - np.abs(at[:, None] - to)) / 2.0, dtype=float
    )
