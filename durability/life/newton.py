"""Newton's method with damping, for many small smooth problems at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray

    BoolArray = NDArray[np.bool_]
    Objective = Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]

MAX_STEPS = 200
LARGEST_DECREMENT = 1e-12
"""Twice the log-likelihood that one more Newton step would gain."""

LARGEST_STEP = 2.0
"""In units of the parameters, which are logarithms: a factor of e² in one step is far enough."""


def maximise(objective: Objective, start: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Where each of m smooth functions is largest, and whether it was found.

    Parameters
    ----------
    objective : callable
        Takes parameters of shape (m, p); gives values (m,), gradients (m, p), Hessians (m, p, p).
    start : ndarray of shape (m, p)
        Where to begin.

    Returns
    -------
    parameters : ndarray of shape (m, p)
        The best point reached.
    converged : ndarray of bool, shape (m,)
        Whether the Newton decrement there is negligible.

    Notes
    -----
    Levenberg's damping: the Hessian is shifted until it is negative definite, less so after a
    step that gained and more after one that lost; all m problems move together.
    """
    theta = np.array(start, dtype=float)
    value, gradient, hessian = objective(theta)
    damping = np.full(len(theta), 1e-3)
    identity = np.eye(theta.shape[1])
    for _ in range(MAX_STEPS):
        curvature, directions = np.linalg.eigh(-hessian)
        shifted = np.maximum(curvature, 0.0) + (damping * (1.0 + np.abs(curvature).max(1)))[:, None]
        inverse = np.einsum("mij,mj,mkj->mik", directions, 1.0 / shifted, directions)
        step = np.einsum("mij,mj->mi", inverse, gradient)
        if np.all(_negligible(gradient, hessian, identity)):
            break
        step *= LARGEST_STEP / np.maximum(np.abs(step).max(axis=1), LARGEST_STEP)[:, None]
        trial_value, trial_gradient, trial_hessian = objective(theta + step)
        gained = np.isfinite(trial_value) & (trial_value >= value)
        theta = np.where(gained[:, None], theta + step, theta)
        value = np.where(gained, trial_value, value)
        gradient = np.where(gained[:, None], trial_gradient, gradient)
        hessian = np.where(gained[:, None, None], trial_hessian, hessian)
        damping = np.clip(np.where(gained, damping * 0.1, damping * 10.0), 1e-12, 1e6)
    return theta, _negligible(gradient, hessian, identity)


def _negligible(gradient: FloatArray, hessian: FloatArray, identity: FloatArray) -> BoolArray:
    """Whether a Newton step would gain next to nothing and the top is a true one, each (m,)."""
    curvature = np.linalg.eigvalsh(-hessian)
    proper = curvature[:, 0] > 0
    safe = np.where(proper[:, None, None], -hessian, identity)
    step = np.linalg.solve(safe, gradient[:, :, None])[:, :, 0]
    return np.asarray(proper & (np.einsum("mi,mi->m", gradient, step) < LARGEST_DECREMENT))
