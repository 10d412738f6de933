"""Weibull and log-normal lives by maximum likelihood, with or without covariates."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TYPE_CHECKING, Self, TypeAlias

import numpy as np

from durability.record.errors import DurabilityError, UnusableCall

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray

    BoolArray = NDArray[np.bool_]
    Objective = Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]


def checked_lives(X: FloatArray) -> FloatArray:
    """Lives as floats of shape (n_lives, 2), once they make sense.

    Raises
    ------
    UnusableCall
        ``X`` is empty, of another shape, not a number, negative, or ends before it begins.
    """
    lives = np.asarray(X, dtype=float)
    if lives.ndim != 2 or lives.shape[1] != 2 or len(lives) == 0:
        raise UnusableCall(
            f"lives have shape {lives.shape}; one row (lasts beyond, failed by) a life is needed"
        )
    wrong = ~(
        (lives[:, 0] >= 0)
        & np.isfinite(lives[:, 0])
        & (lives[:, 1] >= lives[:, 0])
        & (lives[:, 1] > 0)
    )
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise UnusableCall(
            f"life {row + 1} is ({lives[row, 0]:g}, {lives[row, 1]:g}]; "
            "it needs 0 <= lasts beyond <= failed by, the second above 0 (infinite while it works)"
        )
    return lives


class StandardLogLife(ABC):
    """Distribution of W in log T = location + scale · W, by its cumulative hazard G(u)."""

    name: str

    @abstractmethod
    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """G(u) = −log P(W > u), same shape as ``u``; zero where u is −∞."""

    @abstractmethod
    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """G′(u) and G″(u), same shape as ``u``; zero where u is −∞."""

    @abstractmethod
    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Logarithm of the density of W and its first two derivatives, same shape as ``u``."""

    @abstractmethod
    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Value of W below which this fraction lies, same shape."""


class SmallestExtremeValue(StandardLogLife):
    """Of a Weibull life: G(u) = eᵘ."""

    name = "Weibull"

    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """G(u) = eᵘ, kept finite."""
        return np.exp(np.minimum(u, _LARGEST_EXPONENT))

    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Both derivatives are eᵘ."""
        value = self.cumulative_hazard(u)
        return value, value

    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The density is exp(u − eᵘ)."""
        power = self.cumulative_hazard(u)
        return u - power, 1.0 - power, -power

    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Logarithm of the unit exponential's, log(−log(1 − fraction))."""
        return np.asarray(np.log(-np.log1p(-fraction_failed)))


class Normal(StandardLogLife):
    """Of a log-normal life: G(u) = −log Φ(−u)."""

    name = "log-normal"

    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """−log Φ(−u)."""
        from scipy.special import log_ndtr

        return np.asarray(-log_ndtr(-np.asarray(u, dtype=float)), dtype=float)

    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Inverse Mills ratio m = φ(u)/Φ(−u), and m·(m − u)."""
        within = np.maximum(u, -_LARGEST_NORMAL)  # φ is zero in double precision beyond
        mills = np.exp(-0.5 * within**2 - _LOG_ROOT_TWO_PI + self.cumulative_hazard(within))
        return mills, mills * (mills - within)

    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """−u²/2 − log √(2π)."""
        return np.asarray(-0.5 * u**2 - _LOG_ROOT_TWO_PI), -u, np.full_like(u, -1.0)

    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Φ⁻¹(fraction)."""
        from scipy.special import ndtri

        return np.asarray(ndtri(np.asarray(fraction_failed, dtype=float)), dtype=float)


_LOG_ROOT_TWO_PI = 0.5 * math.log(2.0 * math.pi)
_LARGEST_EXPONENT = 300.0
_LARGEST_NORMAL = 40.0

SMALLEST_EXTREME_VALUE = SmallestExtremeValue()
NORMAL = Normal()
FAMILIES: tuple[StandardLogLife, ...] = (SMALLEST_EXTREME_VALUE, NORMAL)


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
    for _ in range(MAX_STEPS):
        curvature, directions = np.linalg.eigh(-hessian)
        along = np.einsum("mij,mi->mj", directions, gradient)
        if np.all(_negligible(along, curvature)):
            break
        shifted = np.maximum(curvature, 0.0) + (damping * (1.0 + np.abs(curvature).max(1)))[:, None]
        step = np.einsum("mij,mj->mi", directions, along / shifted)
        step *= LARGEST_STEP / np.maximum(np.abs(step).max(axis=1), LARGEST_STEP)[:, None]
        trial_value, trial_gradient, trial_hessian = objective(theta + step)
        gained = np.isfinite(trial_value) & (trial_value >= value)
        theta = np.where(gained[:, None], theta + step, theta)
        value = np.where(gained, trial_value, value)
        gradient = np.where(gained[:, None], trial_gradient, gradient)
        hessian = np.where(gained[:, None, None], trial_hessian, hessian)
        damping = np.clip(np.where(gained, damping * 0.1, damping * 10.0), 1e-12, 1e6)
    return theta, _negligible(along, curvature)


def _negligible(along: FloatArray, curvature: FloatArray) -> BoolArray:
    """Whether a Newton step would gain next to nothing and the top is a true one, each (m,).

    From the gradient along the directions of each curvature (m, p), the least curved first.
    """
    proper = curvature[:, 0] > 0
    gain = along**2 / np.where(proper[:, None], curvature, 1.0)
    return np.asarray(proper & (gain.sum(axis=1) < LARGEST_DECREMENT))


Derivatives: TypeAlias = "tuple[FloatArray, FloatArray, FloatArray]"
"""A value with its gradient and Hessian by the parameters, which come as the last axes."""

NEVER = -1e6
"""Standardised log life that stands for time 0; its hazard is exactly zero."""

LARGEST_LOG_SCALE = math.log(1e4)
"""A spread of log life beyond this, either way, is a likelihood that has no maximum."""


def interval_log_likelihood(after: Derivatives, by: Derivatives) -> Derivatives:
    """Log-probability of failing within (after, by], from cumulative hazards.

    With H the cumulative hazard and D = H(by) − H(after): −H(after) + log(1 − e⁻ᴰ).

    Parameters
    ----------
    after, by : tuple of ndarray
        Cumulative hazard (…), its gradient (…, p) and its Hessian (…, p, p); infinite hazard,
        with any derivatives, where the life had not ended.

    Returns
    -------
    tuple of ndarray
        Log-probability (…), gradient (…, p) and Hessian (…, p, p).
    """
    failed = np.isfinite(by[0])
    more = np.where(failed, by[0] - after[0], np.inf)
    more = np.maximum(more, 1e-100)  # so that its odds can be squared
    with np.errstate(over="ignore"):
        odds = np.where(failed, 1.0 / np.expm1(more), 0.0)
    gain = np.where(failed[..., None], by[1] - after[1], 0.0)
    bend = np.where(failed[..., None, None], by[2] - after[2], 0.0)
    value = -after[0] + np.where(failed, np.log(-np.expm1(-more)), 0.0)
    gradient = -after[1] + odds[..., None] * gain
    outer = gain[..., :, None] * gain[..., None, :]
    square = (odds * (1.0 + odds))[..., None, None]
    with np.errstate(over="ignore"):  # a step far off, which the search then shortens
        hessian = -after[2] + odds[..., None, None] * bend - square * outer
    return value, gradient, hessian


class _LogLocationScaleLife(ABC):
    """Lives with log T = location + covariates · coef + scale · W; see the two below.

    Inside, ``theta`` is one row (location, coefficients…, log of the scale of log life).
    """

    family: StandardLogLife

    location_: float
    coef_: FloatArray
    log_scale_: float
    covariance_: FloatArray
    log_likelihood_: float
    n_lives_: int
    n_failed_: int

    def fit(self, X: FloatArray, covariates: FloatArray | None = None) -> Self:
        """Learn location, scale and the effect of each covariate on log life.

        Parameters
        ----------
        X : ndarray of shape (n_lives, 2)
            (known to last beyond, failed by], infinite while it works, equal when exact.
        covariates : ndarray of shape (n_lives, n_covariates), optional
            A coefficient of log 2 doubles every time to failure (accelerated failure time).

        Returns
        -------
        Self

        Raises
        ------
        UnusableCall
            ``X`` or ``covariates`` do not make sense.
        DurabilityError
            The likelihood has no maximum: no failure, all lives alike, or a covariate that
            tells the lives apart completely. The message says how many lives had failed.
        """
        lives = checked_lives(X)
        columns = np.ones((len(lives), 1))
        if covariates is not None:
            covariates = np.asarray(covariates, dtype=float)
            if covariates.ndim != 2 or len(covariates) != len(lives):
                raise UnusableCall(
                    f"covariates have shape {covariates.shape}; "
                    f"{len(lives)} rows, one a life, are needed"
                )
            if not np.all(np.isfinite(covariates)):
                raise UnusableCall("a covariate is not a finite number")
            columns = np.hstack([columns, covariates])
        self.n_lives_ = len(lives)
        self.n_failed_ = int(np.isfinite(lives[:, 1]).sum())
        if self.n_failed_ == 0:
            raise DurabilityError(f"{self._counts()}: nothing to fit before one has failed")
        if covariates is None and lives[:, 0].max() <= lives[:, 1].min():
            raise DurabilityError(
                f"{self._counts()}, and all may have failed at one time between "
                f"{lives[:, 0].max():g} and {lives[:, 1].min():g}: no spread can be determined"
            )
        self._lives = lives
        self._columns = columns
        ends = np.where(np.isfinite(lives[:, 1]), lives[:, 1], lives[:, 0])
        typical = float(np.median(np.log(ends[ends > 0])))
        start = np.zeros((1, columns.shape[1] + 1))
        start[0, 0], start[0, -1] = typical, math.log(0.8)
        theta, converged = maximise(self._log_likelihood, start)
        best = theta[0]
        if not converged[0] or abs(best[-1]) > LARGEST_LOG_SCALE:
            raise DurabilityError(
                f"{self._counts()}: the {self.family.name} likelihood has no maximum, "
                "the inspections leave its spread or a covariate's effect without a bound"
            )
        value, _, hessian = self._log_likelihood(theta)
        self.location_, self.log_scale_ = float(best[0]), float(best[-1])
        self.coef_ = best[1:-1].copy()
        self.covariance_ = np.linalg.inv(-hessian[0])
        self.log_likelihood_ = float(value[0])
        return self

    def survival(self, t: FloatArray, covariates: FloatArray | None = None) -> FloatArray:
        """Probability of lasting beyond ``t``.

        Parameters
        ----------
        t : ndarray of shape (n,)
            In the unit of the lives.
        covariates : ndarray of shape (n, n_covariates), optional

        Returns
        -------
        ndarray of shape (n,)
        """
        with np.errstate(divide="ignore"):
            u = (np.log(t) - self._locations(covariates)) / math.exp(self.log_scale_)
        return np.exp(-self.family.cumulative_hazard(u))

    def _locations(self, covariates: FloatArray | None) -> FloatArray:
        if covariates is None:
            if len(self.coef_):
                raise UnusableCall(f"{len(self.coef_)} covariates were fitted and are needed here")
            return np.asarray(self.location_)
        return self.location_ + np.asarray(covariates, dtype=float) @ self.coef_

    def _counts(self) -> str:
        return f"{self.n_failed_} of {self.n_lives_} lives failed"

    def _standardised(
        self, theta: FloatArray, t: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Standardised log time u = (log t − location)/scale, its gradient and Hessian."""
        scale = np.exp(theta[:, -1])[:, None]
        with np.errstate(divide="ignore"):
            log_t = np.log(t)
        u = np.where(t > 0, (log_t - theta[:, :-1] @ self._columns.T) / scale, NEVER)
        m, n, p = *u.shape, theta.shape[1]
        slope = np.empty((m, n, p))
        slope[..., :-1] = -self._columns / scale[..., None]
        slope[..., -1] = -u
        bend = np.zeros((m, n, p, p))
        bend[..., :-1, -1] = bend[..., -1, :-1] = self._columns / scale[..., None]
        bend[..., -1, -1] = u
        return u, slope, bend

    def _cumulative_hazard(self, theta: FloatArray, t: FloatArray) -> Derivatives:
        """Of each life by time t, with gradient and Hessian by theta."""
        finite = np.isfinite(t)
        u, slope, bend = self._standardised(theta, np.where(finite, t, 1.0))
        first, second = self.family.hazard(u)
        outer = slope[..., :, None] * slope[..., None, :]
        return (
            np.where(finite, self.family.cumulative_hazard(u), np.inf),
            first[..., None] * slope,
            second[..., None, None] * outer + first[..., None, None] * bend,
        )

    def _log_likelihood(self, theta: FloatArray) -> Derivatives:
        """Log-likelihood (m,), gradient (m, p) and Hessian (m, p, p) at m parameter rows."""
        after, by = self._lives.T
        exact = after == by
        between = interval_log_likelihood(
            self._cumulative_hazard(theta, after),
            self._cumulative_hazard(theta, np.where(exact, np.inf, by)),
        )
        total = [part[:, ~exact].sum(axis=1) for part in between]
        if exact.any():
            u, slope, bend = self._standardised(theta, after)
            value, first, second = self.family.log_density(u)
            gradient = first[..., None] * slope
            gradient[..., -1] -= 1.0
            outer = slope[..., :, None] * slope[..., None, :]
            hessian = second[..., None, None] * outer + first[..., None, None] * bend
            with np.errstate(divide="ignore"):
                log_t = np.log(after)
            parts = (value - theta[:, -1:] - log_t, gradient, hessian)
            total = [
                so_far + part[:, exact].sum(axis=1)
                for so_far, part in zip(total, parts, strict=True)
            ]
        return total[0], total[1], total[2]


class WeibullLife(_LogLocationScaleLife):
    """P(T > t) = exp(−(t / scale)^shape), scale = scale_ · exp(covariates · coef_).

    Attributes
    ----------
    scale_ : float
        Life that 63.2 % do not reach (all covariates 0), in the unit of the lives.
    shape_ : float
        Below 1 early failures, 1 no memory, above 1 wear.
    coef_ : ndarray of shape (n_covariates,)
        Change of log life per unit of each covariate.
    location_, log_scale_ : float
        log(scale_) and −log(shape_): log T = location + covariates · coef + e^log_scale · W.
    covariance_ : ndarray of shape (n_covariates + 2,) * 2
        Inverse observed information for (location_, coef_…, log_scale_).
    log_likelihood_ : float
        Exact lives count with their density, the others with their probability.
    n_lives_, n_failed_ : int

    References
    ----------
    Meeker W Q, Escobar L A (1998), Statistical Methods for Reliability Data, ch. 7, 8 and 17.
    """

    family = SMALLEST_EXTREME_VALUE

    @property
    def scale_(self) -> float:
        """Life that 63.2 % do not reach, in the unit of the lives."""
        return math.exp(self.location_)

    @property
    def shape_(self) -> float:
        """Below 1 early failures, above 1 wear."""
        return math.exp(-self.log_scale_)


class LogNormalLife(_LogLocationScaleLife):
    """P(T > t) = Φ((mu − log t) / sigma), mu = location_ + covariates · coef_.

    Attributes
    ----------
    coef_ : ndarray of shape (n_covariates,)
        Change of log life per unit of each covariate.
    location_, log_scale_ : float
        Mean of log life (all covariates 0), and log of its standard deviation sigma.
    covariance_ : ndarray of shape (n_covariates + 2,) * 2
        Inverse observed information for (location_, coef_…, log_scale_).
    log_likelihood_ : float
        Exact lives count with their density, the others with their probability.
    n_lives_, n_failed_ : int

    References
    ----------
    Meeker W Q, Escobar L A (1998), Statistical Methods for Reliability Data, ch. 7, 8 and 17.
    """

    family = NORMAL
