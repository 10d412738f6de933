"""The forms a shock-borne failure may take: sooner with a larger dose, or more often."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.life.parametric import NEVER
from durability.life.standard_log_life import FAMILIES

if TYPE_CHECKING:
    from durability.life.parametric import Derivatives
    from durability.life.standard_log_life import StandardLogLife
    from durability.record.records import FloatArray

LARGEST_LOG_ODDS = 300.0
"""Kept finite in e^log odds."""

FAILED_WHEN_JUDGED = 0.1
"""Share of those that can fail, failed when ``ShockForm.shortening`` is taken."""


@dataclass(frozen=True, slots=True)
class ShockForm:
    """Cumulative hazard of shock-borne failure, H(t | dose), in one of two ways.

    With u = (log t − location) / scale, G the standard cumulative hazard of the family and x the
    log dose in standard deviations from its mean over the dropped devices:

    - the dose decides when: H = G(u + effect · x / scale);
    - the dose decides whether: a share p of the devices, logit p = log odds + effect · x, fails
      sooner or later, the others never: H = −log(1 − p + p e^−G(u)). A cure model: Farewell V T
      (1982), Biometrics 38, 1041-1046.

    ``theta`` holds, in order, location and log scale of log life in units of the longest
    follow-up, effect, log of the background failures expected of one device over the longest
    follow-up, and in the second way the log odds.
    """

    family: StandardLogLife
    decides_whether: bool

    @property
    def name(self) -> str:
        """For instance "sooner with dose (Weibull)"."""
        return (
            f"{'more often' if self.decides_whether else 'sooner'} with dose ({self.family.name})"
        )

    @property
    def prior_chance(self) -> float:
        """That a shock that shortens life is the rule counts double beforehand."""
        return (1.0 if self.decides_whether else 2.0) / (3.0 * len(FAMILIES))

    @property
    def prior_mean(self) -> FloatArray:
        """Of ``theta``; priors are independent and normal."""
        return _WHETHER_MEAN if self.decides_whether else _WHEN_MEAN

    @property
    def prior_sd(self) -> FloatArray:
        """Of ``theta``."""
        return _WHETHER_SD if self.decides_whether else _WHEN_SD

    def log_prior(self, theta: FloatArray) -> FloatArray:
        """Log density of the prior at ``theta`` (…, p), shape (…)."""
        away = (theta - self.prior_mean) / self.prior_sd
        constant = np.log(math.sqrt(2.0 * math.pi) * self.prior_sd).sum()
        return np.asarray(-0.5 * (away**2).sum(axis=-1) - constant)

    def held_off(self) -> FloatArray:
        """Prior mean of ``theta`` moved to where shocks hardly matter: later, or for few."""
        theta = self.prior_mean.copy()
        if self.decides_whether:
            theta[4] -= self.prior_sd[4]
        else:
            theta[0] += self.prior_sd[0]
        return theta

    def cumulative_hazard(self, theta: FloatArray, x: FloatArray, time: FloatArray) -> FloatArray:
        """Of each device, without the background.

        Parameters
        ----------
        theta : ndarray of shape (m, 4) or (m, 5)
        x : ndarray of shape (n,)
            Standardised log dose; −∞ where never dropped, whose hazard is zero.
        time : ndarray of shape (n,)
            In units of the longest follow-up.

        Returns
        -------
        ndarray of shape (m, n)
        """
        hazard = self.family.cumulative_hazard(self._log_life(theta, x, time))
        if not self.decides_whether:
            return hazard
        log_odds = self._log_odds(theta, x)
        return np.asarray(np.log1p(np.exp(log_odds)) - np.log1p(np.exp(log_odds - hazard)))

    def derivatives(self, theta: FloatArray, x: FloatArray, time: FloatArray) -> Derivatives:
        """``cumulative_hazard`` (m, n), gradient (m, n, p) and Hessian (m, n, p, p) by theta."""
        u = self._log_life(theta, x, time)
        by_scale = np.exp(-theta[:, [2]])
        p = theta.shape[1]
        dose = np.where(np.isfinite(x), x, 0.0)
        slope = np.zeros((*u.shape, p))
        slope[..., 0], slope[..., 2] = -by_scale, -u
        bend = np.zeros((*u.shape, p, p))
        bend[..., 0, 2] = bend[..., 2, 0] = by_scale
        bend[..., 2, 2] = u
        if not self.decides_whether:
            slope[..., 1] = dose * by_scale
            bend[..., 1, 2] = bend[..., 2, 1] = -dose * by_scale
        first, second = self.family.hazard(u)
        hazard = self.family.cumulative_hazard(u)
        gradient = first[..., None] * slope
        hessian = second[..., None, None] * _outer(slope) + first[..., None, None] * bend
        if not self.decides_whether:
            return hazard, gradient, hessian
        log_odds = self._log_odds(theta, x)
        before = _expit(log_odds)[..., None]
        left = _expit(log_odds - hazard)[..., None]  # of those still working, share that can fail
        odds_slope = np.zeros_like(slope)
        odds_slope[..., 1], odds_slope[..., 4] = dose, 1.0
        hessian = (
            (before * (1.0 - before))[..., None] * _outer(odds_slope)
            - (left * (1.0 - left))[..., None] * _outer(odds_slope - gradient)
            + left[..., None] * hessian
        )
        total = np.log1p(np.exp(log_odds)) - np.log1p(np.exp(log_odds - hazard))
        return total, (before - left) * odds_slope + left * gradient, hessian

    def shortening(self, theta: FloatArray, x: FloatArray) -> FloatArray:
        """How much a unit of x shortens the log of the time to the same share failed.

        Constant where the dose decides when. Where it decides whether it depends on dose and
        share: then the mean over the dropped devices, when `FAILED_WHEN_JUDGED` of those that can
        fail have failed.

        Parameters
        ----------
        theta : ndarray of shape (m, p)
        x : ndarray of shape (n,)
            Of the dropped devices.

        Returns
        -------
        ndarray of shape (m,)
        """
        if not self.decides_whether:
            return np.asarray(theta[:, 1])
        u = self.family.quantile(np.array(FAILED_WHEN_JUDGED))
        density = self.family.hazard(u)[0] * (1.0 - FAILED_WHEN_JUDGED)
        spared = 1.0 - _expit(self._log_odds(theta, x)).mean(axis=1)
        return np.asarray(theta[:, 1] * np.exp(theta[:, 2]) * spared * FAILED_WHEN_JUDGED / density)

    def x_at(self, theta: FloatArray, fraction_failed: float, time: float) -> FloatArray:
        """Standardised log dose whose shocks fail this fraction by a time; +∞ where none does.

        Parameters
        ----------
        theta : ndarray of shape (m, p)
        fraction_failed : float
        time : float
            In units of the longest follow-up.

        Returns
        -------
        ndarray of shape (m,)
        """
        location, effect, log_scale = theta[:, 0], theta[:, 1], theta[:, 2]
        if self.decides_whether:
            u = (math.log(time) - location) / np.exp(log_scale)
            of_those = -np.expm1(-self.family.cumulative_hazard(u))
            reached = of_those > fraction_failed
            share = np.where(reached, fraction_failed / np.where(reached, of_those, 1.0), 0.5)
            wanted = np.log(share / (1.0 - share)) - theta[:, 4]
        else:
            quantile = self.family.quantile(np.array(fraction_failed))
            reached = np.ones(len(theta), dtype=bool)
            wanted = location + np.exp(log_scale) * quantile - math.log(time)
        reached &= effect > 0
        return np.where(reached, wanted / np.where(reached, effect, 1.0), np.inf)

    def _log_life(self, theta: FloatArray, x: FloatArray, time: FloatArray) -> FloatArray:
        """Standardised log time u, (m, n); so small that its hazard is zero for the undropped."""
        shocked = np.isfinite(x) & (time > 0)
        log_life = np.log(np.where(shocked, time, 1.0)) - theta[:, [0]]
        if not self.decides_whether:
            log_life = log_life + theta[:, [1]] * np.where(shocked, x, 0.0)
        return np.where(shocked, log_life / np.exp(theta[:, [2]]), NEVER)

    def _log_odds(self, theta: FloatArray, x: FloatArray) -> FloatArray:
        """Of being one of those that can fail, (m, n)."""
        dose = np.where(np.isfinite(x), x, 0.0)
        return np.minimum(theta[:, [4]] + theta[:, [1]] * dose, LARGEST_LOG_ODDS)


def _outer(vector: FloatArray) -> FloatArray:
    return np.asarray(vector[..., :, None] * vector[..., None, :])


def _expit(log_odds: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        return np.asarray(1.0 / (1.0 + np.exp(-log_odds)))


_WHEN_MEAN = np.array([1.0, 0.0, math.log(0.7), math.log(0.05)])
_WHEN_SD = np.array([3.0, 3.0, 0.7, 1.5])
_WHETHER_MEAN = np.array([-1.0, 0.0, math.log(0.7), math.log(0.05), 0.0])
_WHETHER_SD = np.array([1.0, 3.0, 0.7, 1.5, 1.5])

FORMS = tuple(ShockForm(family, whether) for whether in (False, True) for family in FAMILIES)
"""Priors are wide against what fifty devices can tell. Within two standard deviations: log life at
the mean log dose, e^±6 around e times the longest follow-up, or, of those that can fail at all,
0.05 to 2.7 times it (later can't be told from fewer); effect of one standard deviation of log
dose, ±6, both signs alike; Weibull shapes of 0.36 to 5.6; background failures of a device over the
longest follow-up, 0.25 % to 1; share that can fail at the mean log dose, 5 % to 95 %."""
