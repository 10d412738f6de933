"""Time to a latent failure as it depends on the shock dose, by Bayes on small samples."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from durability.devices.shock_form import FORMS
from durability.life.newton import maximise
from durability.life.parametric import interval_log_likelihood

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.devices.shock_form import ShockForm
    from durability.life.parametric import Derivatives
    from durability.record.records import FloatArray, IntArray

    BoolArray = NDArray[np.bool_]

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
        finite = np.isfinite(days)
        time = np.where(finite, days, 1.0) / self._unit_days
        value, gradient, hessian = form.derivatives(theta, x, time)
        background = np.exp(theta[:, [3]]) * time
        gradient[..., 3] += background
        hessian[..., 3, 3] += background
        return np.where(finite, background + value, np.inf), gradient, hessian

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
        for number in range(2 + ADAPTATIONS):
            if number >= 2:
                weight = _normalised(log_posterior - _log_proposal(theta, regions))
                mean = np.einsum("eq,eqp->p", weight, theta)
                away = theta - mean
                covariance = np.einsum("eq,eqp,eqr->pr", weight, away, away)
                root = np.linalg.cholesky(covariance + 1e-6 * np.eye(p))
                regions.append((np.tile(mean, (len(x), 1)), np.tile(root, (len(x), 1, 1))))
            centre, root = regions[number]
            step = generator.standard_normal((PROPOSALS_PER_REGION, p)) / np.sqrt(
                generator.chisquare(PROPOSAL_FREEDOM, (PROPOSALS_PER_REGION, 1)) / PROPOSAL_FREEDOM
            )
            new = centre[:, None, :] + np.einsum("eij,qj->eqi", root, step)
            new_log_posterior = form.log_prior(new)
            for row, parameters in enumerate(new):
                likelihood = self._log_probability(parameters, form, x[row], *days)
                new_log_posterior[row] += likelihood.sum(axis=1)
            theta = np.concatenate([theta, new], axis=1)
            log_posterior = np.concatenate([log_posterior, new_log_posterior], axis=1)
        return theta, log_posterior - _log_proposal(theta, regions)

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

        def log_posterior(theta: FloatArray) -> Derivatives:
            known, after, by = (self._hazard_derivatives(theta, form, x, t) for t in days)
            value, gradient, hessian = interval_log_likelihood(
                (after[0] - known[0], after[1] - known[1], after[2] - known[2]),
                (by[0] - known[0], by[1] - known[1], by[2] - known[2]),
            )
            away = (theta - form.prior_mean) / form.prior_sd
            return (
                value.sum(axis=1) - 0.5 * (away**2).sum(axis=1),
                gradient.sum(axis=1) - away / form.prior_sd,
                hessian.sum(axis=1) - np.diag(form.prior_sd**-2.0),
            )

        modes, _ = maximise(log_posterior, np.tile(form.prior_mean, (len(x), 1)))
        curvature, directions = np.linalg.eigh(-log_posterior(modes)[2])
        # Where the posterior is flatter than the prior, or bent the wrong way, the prior's width
        # is wide enough to sample from.
        sd = np.minimum(1.0 / np.sqrt(np.maximum(curvature, 1e-12)), form.prior_sd.max())
        return modes, directions * sd[:, None, :]


def _log_proposal(theta: FloatArray, regions: list[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Log density of an even mixture of t densities on these regions.

    ``theta`` has shape (n_exponents, n_proposals, p), the result (n_exponents, n_proposals).
    """
    p, freedom = theta.shape[2], PROPOSAL_FREEDOM
    constant = math.lgamma(0.5 * (freedom + p)) - math.lgamma(0.5 * freedom)
    constant -= 0.5 * p * math.log(math.pi * freedom) + math.log(len(regions))
    parts = []
    for centre, root in regions:
        away = np.einsum("eij,eqj->eqi", np.linalg.inv(root), theta - centre[:, None, :])
        parts.append(
            constant
            - 0.5 * (freedom + p) * np.log1p((away**2).sum(axis=2) / freedom)
            - np.linalg.slogdet(root)[1][:, None]
        )
    return np.asarray(np.logaddexp.reduce(parts, axis=0))


def _normalised(log_weight: FloatArray) -> FloatArray:
    """Weights that sum to 1, same shape."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _padded(theta: FloatArray) -> FloatArray:
    """With NaN for the log odds that a form has not, (…, 5)."""
    whole = np.full((*theta.shape[:-1], 5), np.nan)
    whole[..., : theta.shape[-1]] = theta
    return whole
