"""Time to a latent failure as it depends on the shock dose, by Bayes on small samples."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.life.parametric import FAMILIES, NEVER, interval_log_likelihood, maximise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.life.parametric import Derivatives, StandardLogLife
    from durability.record.records import FloatArray, IntArray

    BoolArray = NDArray[np.bool_]

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
            log_life += theta[:, [1]] * np.where(shocked, x, 0.0)
        log_life /= np.exp(theta[:, [2]])
        np.copyto(log_life, NEVER, where=~shocked)
        return log_life

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


SMALLEST_SPREAD = 1e-9
"""Below this standard deviation of log dose all dropped devices had the same dose."""

PROPOSALS_PER_REGION = 400
ADAPTATIONS = 2
POSTERIOR_DRAWS = 2000
PROPOSAL_FREEDOM = 5.0
"""Degrees of freedom of the t proposals: with tails so heavy no weight runs away."""


class ShockLinkModel:
    """Competing hazards: a background that all devices share, and one that shocks left behind.

    P(T > t | dose) = exp(−rate · t − H(t | dose)), H in one of the forms of ``FORMS``: Weibull or
    log-normal lives, the dose deciding when, or whether, a device fails. Devices that were never
    dropped have the background alone. Doubling the dose multiplies the time to the same share of
    shock-borne failures by 2^−slope.

    Form and dose exponent are averaged over, each by its evidence.

    Parameters
    ----------
    exponent_prior : ndarray of shape (n_exponents,)
        Prior weight of each dose exponent, in the order of the rows of ``log_dose``.
    random_state : int
        Seed of the draws.

    Attributes
    ----------
    form_ : ndarray of int, shape (n_draws,)
        Index into ``FORMS`` of each posterior draw.
    exponent_ : ndarray of int, shape (n_draws,)
        Row of ``log_dose`` of each draw.
    theta_ : ndarray of shape (n_draws, 5)
        Parameters of each draw, as in ``ShockForm``; NaN for the log odds that its form has not.
    slope_ : ndarray of shape (n_draws,)
        Shortening of log life per unit of log dose, as in ``ShockForm.shortening``.
    dose_varies_ : bool
        Whether dropped devices differ in dose; without that the slope is only its prior.
    effective_draws_ : float
        How many independent draws the importance weights are worth, before resampling.

    References
    ----------
    Evidence and draws by importance sampling from t densities: Geweke J (1989), Econometrica 57,
    1317-1339; weighed against their mixture, and adapted: Cornuet J-M et al. (2012), Scand.
    J. Statist. 39, 798-812; systematic resampling: Kitagawa G (1996), J. Comput. Graph. Stat. 5,
    1-25.
    """

    form_: IntArray
    exponent_: IntArray
    theta_: FloatArray
    slope_: FloatArray
    dose_varies_: bool
    effective_draws_: float

    def __init__(self, exponent_prior: FloatArray, random_state: int = 0) -> None:
        self.exponent_prior = exponent_prior
        self.random_state = random_state

    def fit(self, X: FloatArray, log_dose: FloatArray, entry: FloatArray) -> ShockLinkModel:
        """Draw from what the looks leave possible.

        Parameters
        ----------
        X : ndarray of shape (n_devices, 2)
            (days known to work, days by which failed], infinite while it works.
        log_dose : ndarray of shape (n_exponents, n_devices)
            Logarithm of the shock dose under each exponent; −∞ for a device never dropped.
        entry : ndarray of shape (n_devices,)
            Day of each device's first look, until which it is known to have worked.

        Returns
        -------
        ShockLinkModel
        """
        ends = np.column_stack([X, entry])
        self._unit_days = float(max(ends[np.isfinite(ends)].max(), 1.0))
        dropped = log_dose[:, np.isfinite(log_dose).all(axis=0)]
        self._centre = dropped.mean(axis=1) if dropped.size else np.zeros(len(log_dose))
        spread = dropped.std(axis=1) if dropped.size else np.zeros(len(log_dose))
        self.dose_varies_ = bool((spread > SMALLEST_SPREAD).all())
        self._spread = np.where(spread > SMALLEST_SPREAD, spread, 1.0)
        x = self._standardised(log_dose)
        days = (entry, X[:, 0], X[:, 1])

        generator = np.random.default_rng(self.random_state)
        draws, log_weights = [], []
        for form in FORMS:
            theta, log_weight = self._proposals(form, x, days, generator)
            draws.append(_padded(theta))
            log_prior = np.log(form.prior_chance * self.exponent_prior)
            log_weights.append(log_weight + log_prior[:, None])
        weights = _normalised(np.ravel(log_weights))
        self.effective_draws_ = float(1.0 / (weights**2).sum())
        ticks = (generator.random() + np.arange(POSTERIOR_DRAWS)) / POSTERIOR_DRAWS
        chosen = np.minimum(np.searchsorted(np.cumsum(weights), ticks), len(weights) - 1)
        shape = np.shape(log_weights)  # form, exponent, proposal
        self.form_, self.exponent_, _ = np.unravel_index(chosen, shape)
        self.theta_ = np.reshape(draws, (-1, 5))[chosen]
        self.slope_ = np.empty(POSTERIOR_DRAWS)
        for own, form, row in self._groups():
            felt = x[row][np.isfinite(x[row])] if dropped.size else np.zeros(1)
            self.slope_[own] = form.shortening(self.theta_[own], felt) / self._spread[row]
        return self

    def log_probability(
        self, log_dose: FloatArray, entry: FloatArray, after: FloatArray, by: FloatArray
    ) -> FloatArray:
        """Logarithm of P(after < T ≤ by | T > entry) under each draw.

        Parameters
        ----------
        log_dose : ndarray of shape (n_exponents, n_devices)
        entry, after, by : ndarray of shape (n_devices,)
            Days; ``by`` infinite for ever.

        Returns
        -------
        ndarray of shape (n_draws, n_devices)
        """
        x = self._standardised(log_dose)
        result = np.empty((len(self.theta_), x.shape[1]))
        for own, form, row in self._groups():
            result[own] = self._log_probability(self.theta_[own], form, x[row], entry, after, by)
        return result

    def probability_failed(
        self, log_dose: FloatArray, entry: FloatArray, days: FloatArray
    ) -> FloatArray:
        """P(T ≤ days | T > entry) under each draw; parameters and result as above."""
        never = np.full(len(days), np.inf)
        return np.asarray(-np.expm1(self.log_probability(log_dose, entry, days, never)))

    def log_dose_at(self, fraction_failed: float, days: float) -> FloatArray:
        """Logarithm of the dose whose shocks fail this fraction by ``days``, under each draw.

        Parameters
        ----------
        fraction_failed : float
            Background failures apart.
        days : float
            After time zero.

        Returns
        -------
        ndarray of shape (n_draws,)
            +∞ where more dose does not shorten life; in the unit of each draw's own exponent.
        """
        log_dose = np.empty(len(self.theta_))
        for own, form, row in self._groups():
            x = form.x_at(self.theta_[own], fraction_failed, days / self._unit_days)
            log_dose[own] = self._centre[row] + self._spread[row] * x
        return log_dose

    def _groups(self) -> Iterator[tuple[BoolArray, ShockForm, int]]:
        """Which draws share a form and an exponent, with both."""
        for index, form in enumerate(FORMS):
            for row in range(len(self._centre)):
                own = (self.form_ == index) & (self.exponent_ == row)
                if own.any():
                    yield own, form, row

    def _standardised(self, log_dose: FloatArray) -> FloatArray:
        """Log dose in standard deviations from its mean; −∞ where never dropped."""
        return (log_dose - self._centre[:, None]) / self._spread[:, None]

    def _log_probability(
        self,
        theta: FloatArray,
        form: ShockForm,
        x: FloatArray,
        entry: FloatArray,
        after: FloatArray,
        by: FloatArray,
    ) -> FloatArray:
        """As ``log_probability``, for parameters (m, …) of one form: (m, n)."""
        begin = self._hazard(theta, form, x, after)
        value = -begin
        if entry.any():
            value += self._hazard(theta, form, x, entry)
        failed = np.isfinite(by)
        more = self._hazard(theta, form, x[failed], by[failed]) - begin[:, failed]
        value[:, failed] += np.log(-np.expm1(-np.maximum(more, 1e-300)))
        return value

    def _hazard(
        self, theta: FloatArray, form: ShockForm, x: FloatArray, days: FloatArray
    ) -> FloatArray:
        """Cumulative, background and shock-borne, (m, n)."""
        time = days / self._unit_days
        return np.exp(theta[:, [3]]) * time + form.cumulative_hazard(theta, x, time)

    def _hazard_derivatives(
        self, theta: FloatArray, form: ShockForm, x: FloatArray, days: FloatArray
    ) -> Derivatives:
        """Cumulative hazard (m, n), its gradient (m, n, p) and Hessian (m, n, p, p) by theta."""
        time = days / self._unit_days
        value, gradient, hessian = form.derivatives(theta, x, time)
        background = np.exp(theta[:, [3]]) * time
        gradient[..., 3] += background
        hessian[..., 3, 3] += background
        return background + value, gradient, hessian

    def _proposals(
        self,
        form: ShockForm,
        x: FloatArray,
        days: tuple[FloatArray, FloatArray, FloatArray],
        generator: np.random.Generator,
    ) -> tuple[FloatArray, FloatArray]:
        """Parameters (n_exponents, n_proposals, p) of one form and their log weights.

        From three regions in turn: the posterior mode; failures that are all background, where
        the shocks' part is only held off, later and as wide as its prior, which no mode
        describes; and, twice, the mean and covariance of what was found so far.
        """
        regions = [self._modes(form, x, days), self._background_alone(form, len(x), days)]
        p = len(form.prior_mean)
        theta = np.empty((len(x), 0, p))
        log_posterior = np.empty((len(x), 0))
        log_density = [log_posterior] * len(regions)  # of each proposal in each region
        for number in range(2 + ADAPTATIONS):
            if number >= 2:
                weight = _normalised(log_posterior - _log_mixture(log_density))
                mean = np.einsum("eq,eqp->p", weight, theta)
                away = (theta - mean).reshape(-1, p)
                covariance = (weight.reshape(-1, 1) * away).T @ away
                root = np.linalg.cholesky(covariance + 1e-6 * np.eye(p))
                regions.append((np.tile(mean, (len(x), 1)), np.tile(root, (len(x), 1, 1))))
                log_density.append(_log_t(theta, *regions[number]))
            centre, root = regions[number]
            step = generator.standard_normal((PROPOSALS_PER_REGION, p)) / np.sqrt(
                generator.chisquare(PROPOSAL_FREEDOM, (PROPOSALS_PER_REGION, 1)) / PROPOSAL_FREEDOM
            )
            new = centre[:, None, :] + step @ root.transpose(0, 2, 1)
            new_log_posterior = form.log_prior(new)
            for row, parameters in enumerate(new):
                likelihood = self._log_probability(parameters, form, x[row], *days)
                new_log_posterior[row] += likelihood.sum(axis=1)
            theta = np.concatenate([theta, new], axis=1)
            log_posterior = np.concatenate([log_posterior, new_log_posterior], axis=1)
            log_density = [
                np.concatenate([before, _log_t(new, *region)], axis=1)
                for before, region in zip(log_density, regions, strict=True)
            ]
        return theta, log_posterior - _log_mixture(log_density)

    def _background_alone(
        self,
        form: ShockForm,
        n_exponents: int,
        days: tuple[FloatArray, FloatArray, FloatArray],
    ) -> tuple[FloatArray, FloatArray]:
        """Centre (n_exponents, p) and root (n_exponents, p, p): all failures are background."""
        entry, after, by = days
        failures = float(np.isfinite(by).sum())
        exposure = float((after - entry).sum()) / self._unit_days
        centre, sd = form.held_off(), form.prior_sd.copy()
        centre[3] = math.log((failures + 0.5) / (exposure + 1.0))
        sd[3] = 1.0 / math.sqrt(failures + 1.0)
        return np.tile(centre, (n_exponents, 1)), np.tile(np.diag(sd), (n_exponents, 1, 1))

    def _modes(
        self,
        form: ShockForm,
        x: FloatArray,
        days: tuple[FloatArray, FloatArray, FloatArray],
    ) -> tuple[FloatArray, FloatArray]:
        """Posterior mode (n_exponents, p) and root of its covariance (n_exponents, p, p)."""
        entry, after, by = days
        failed, late = np.isfinite(by), entry > 0.0
        # Hazards that matter: up to the last look of each, of those that failed also up to then.
        of = np.concatenate([np.flatnonzero(which) for which in (~failed, failed, failed, late)])
        until = np.concatenate([after[~failed], after[failed], by[failed], entry[late]])
        ends = np.cumsum([(~failed).sum(), failed.sum(), failed.sum()])

        def log_posterior(theta: FloatArray) -> Derivatives:
            hazards = self._hazard_derivatives(theta, form, x[:, of], until)
            parts = [np.split(each, ends, axis=1) for each in hazards]
            working, before, then, known = zip(*parts, strict=True)
            value, gradient, hessian = (
                ended.sum(axis=1) + begun.sum(axis=1) - still.sum(axis=1)
                for ended, begun, still in zip(
                    interval_log_likelihood(before, then), known, working, strict=True
                )
            )
            away = (theta - form.prior_mean) / form.prior_sd
            return (
                value - 0.5 * (away**2).sum(axis=1),
                gradient - away / form.prior_sd,
                hessian - np.diag(form.prior_sd**-2.0),
            )

        modes, _ = maximise(log_posterior, np.tile(form.prior_mean, (len(x), 1)))
        curvature, directions = np.linalg.eigh(-log_posterior(modes)[2])
        # Where the posterior is flatter than the prior, or bent the wrong way, the prior's width
        # is wide enough to sample from.
        sd = np.minimum(1.0 / np.sqrt(np.maximum(curvature, 1e-12)), form.prior_sd.max())
        return modes, directions * sd[:, None, :]


def _log_t(theta: FloatArray, centre: FloatArray, root: FloatArray) -> FloatArray:
    """Log density of a t on one region, (n_exponents, n_proposals), at ``theta`` (…, p)."""
    p, freedom = theta.shape[2], PROPOSAL_FREEDOM
    constant = math.lgamma(0.5 * (freedom + p)) - math.lgamma(0.5 * freedom)
    constant -= 0.5 * p * math.log(math.pi * freedom)
    away = (theta - centre[:, None, :]) @ np.linalg.inv(root).transpose(0, 2, 1)
    tail = 0.5 * (freedom + p) * np.log1p((away**2).sum(axis=2) / freedom)
    return np.asarray(constant - tail - np.linalg.slogdet(root)[1][:, None])


def _log_mixture(log_density: list[FloatArray]) -> FloatArray:
    """Log of the mean density."""
    return np.asarray(np.logaddexp.reduce(log_density, axis=0) - math.log(len(log_density)))


def _normalised(log_weight: FloatArray) -> FloatArray:
    """Weights that sum to 1, same shape."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _padded(theta: FloatArray) -> FloatArray:
    """With NaN for the log odds that a form has not, (…, 5)."""
    whole = np.full((*theta.shape[:-1], 5), np.nan)
    whole[..., : theta.shape[-1]] = theta
    return whole
