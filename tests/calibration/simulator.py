"""Wear paths whose shapes are not those of the models, with scatter, heavy tails and wild readings.

Paths are log levels relative to the first drop, shape (n_paths, HORIZON), column i being drop
i + 1. Rates are up to about 5 % a drop, scatter 3 to 10 % of peak g, 4 % of readings wild.
"""

from __future__ import annotations

import numpy as np

HORIZON = 400
LIMIT_RISE = 0.5
WILD_SHARE = 0.04
NUMBER = np.arange(1, HORIZON + 1)
SINCE = NUMBER - 1.0


def _column(values):
    return np.asarray(values)[:, None]


def power_law(rng, size):
    """Level L (1 + r ((n-1)/20)^p), p from 0.7 to 2."""
    exponent = _column(rng.uniform(0.7, 2.0, size))
    rise = _column(np.exp(rng.uniform(np.log(0.05), np.log(0.9), size)))
    return np.log1p(rise * (SINCE / 20.0) ** exponent)


def linear_in_g(rng, size):
    return np.log1p(_column(rng.uniform(0.001, 0.05, size)) * SINCE)


def logistic(rng, size):
    """S-shaped rise to a plateau 20 to 120 % above."""
    top = _column(rng.uniform(np.log(1.2), np.log(2.2), size))
    middle = _column(np.exp(rng.uniform(np.log(10), np.log(80), size)))
    width = middle * _column(rng.uniform(0.1, 0.35, size))
    path = top / (1.0 + np.exp(-(NUMBER - middle) / width))
    return path - path[:, :1]


def gompertz(rng, size):
    top = _column(rng.uniform(0.3, 1.5, size))
    shift = _column(rng.uniform(2.0, 6.0, size))
    rate = _column(np.exp(rng.uniform(np.log(0.02), np.log(0.15), size)))
    path = top * np.exp(-shift * np.exp(-rate * SINCE))
    return path - path[:, :1]


def piecewise(rng, size):
    """Three straight pieces, each steeper or flatter than the one before."""
    breaks = np.sort(np.exp(rng.uniform(np.log(4), np.log(60), (size, 2))), axis=1)
    slopes = np.exp(rng.uniform(np.log(0.002), np.log(0.05), (size, 3)))
    at = (breaks[:, :1] < NUMBER).astype(int) + (breaks[:, 1:] < NUMBER)
    steps = np.take_along_axis(slopes, at, axis=1)
    steps[:, 0] = 0.0
    return np.cumsum(steps, axis=1)


def drifting(rng, size):
    """Random walk with drift."""
    drift = _column(np.exp(rng.uniform(np.log(0.004), np.log(0.05), size)))
    steps = drift + drift * rng.standard_normal((size, HORIZON))
    steps[:, 0] = 0.0
    return np.cumsum(steps, axis=1)


def gamma_process(rng, size):
    """Independent gamma increments, coefficient of variation 0.5 to 2 a drop."""
    mean = _column(np.exp(rng.uniform(np.log(0.004), np.log(0.05), size)))
    shape = _column(rng.uniform(0.5, 2.0, size) ** -2.0)
    steps = rng.gamma(np.broadcast_to(shape, (size, HORIZON))) * mean / shape
    steps[:, 0] = 0.0
    return np.cumsum(steps, axis=1)


def crack_growth(rng, size):
    """Paris' law da/dn = C a^(m/2), m from 2.5 to 5, in log a."""
    exponent = _column(rng.uniform(2.5, 5.0, size)) / 2.0 - 1.0
    rate = _column(np.exp(rng.uniform(np.log(0.003), np.log(0.03), size)))
    left = 1.0 - exponent * rate * SINCE
    return np.where(left > 1e-9, -np.log(np.maximum(left, 1e-9)) / exponent, 20.0)


def settling_then_linear(rng, size):
    settled = _column(rng.uniform(0.03, 0.25, size))
    drops = _column(rng.uniform(0.7, 4.0, size))
    rate = _column(rng.uniform(0.0, 0.04, size))
    return settled * (1.0 - np.exp(-SINCE / drops)) + rate * SINCE


def late_exponential(rng, size):
    """Nothing, then exponential growth of the rise."""
    rise = _column(np.exp(rng.uniform(np.log(0.002), np.log(0.05), size)))
    growth = _column(np.exp(rng.uniform(np.log(0.03), np.log(0.2), size)))
    return rise * np.expm1(np.minimum(growth * SINCE, 30.0))


def late_onset(rng, size):
    onset = _column(rng.uniform(3.0, 30.0, size))
    rate = _column(rng.uniform(0.005, 0.05, size))
    return rate * np.maximum(0.0, NUMBER - onset)


def jump_and_climb(rng, size):
    at = _column(rng.integers(3, 25, size))
    jump = _column(rng.uniform(0.1, 0.3, size))
    rate = _column(rng.uniform(0.0, 0.02, size))
    return jump * (at <= NUMBER) + rate * SINCE


FAMILIES = {
    "power law": power_law,
    "linear in g": linear_in_g,
    "logistic": logistic,
    "Gompertz": gompertz,
    "piecewise": piecewise,
    "random walk with drift": drifting,
    "gamma process": gamma_process,
    "crack growth": crack_growth,
    "settling then linear": settling_then_linear,
    "late exponential": late_exponential,
    "late onset": late_onset,
    "jump and climb": jump_and_climb,
}


def scatter_of(rng, size):
    return rng.uniform(0.03, 0.10, size)


def readings(rng, path, scatter, freedom):
    """Peak g with scatter (normal, or a Student t when ``freedom`` is finite) and wild readings."""
    noise = rng.standard_normal(path.shape)
    if np.isfinite(freedom):
        noise /= np.sqrt(rng.chisquare(freedom, path.shape) / freedom)
        noise *= np.sqrt((freedom - 2.0) / freedom)
    wild = rng.random(path.shape) < WILD_SHARE
    noise = np.where(
        wild, rng.choice([-1.0, 1.0], path.shape) * rng.uniform(4, 10, path.shape), noise
    )
    return 100.0 * np.exp(rng.normal(0.0, 0.2) + path + scatter * noise)


def failure_drop(path):
    """First drop at which the level reaches the limit; HORIZON + 1 if it never does."""
    reached = path >= np.log1p(LIMIT_RISE)
    return np.where(reached.any(axis=1), reached.argmax(axis=1) + 1, HORIZON + 1)


def log_density(z, freedom):
    """Log density of the standardised noise as simulated, outliers included."""
    from scipy.special import gammaln

    if np.isfinite(freedom):
        spread = np.sqrt((freedom - 2.0) / freedom)
        core = (
            gammaln((freedom + 1) / 2)
            - gammaln(freedom / 2)
            - 0.5 * np.log(np.pi * freedom)
            - np.log(spread)
            - (freedom + 1) / 2 * np.log1p((z / spread) ** 2 / freedom)
        )
    else:
        core = -0.5 * z * z - 0.5 * np.log(2 * np.pi)
    size = np.abs(z)
    wild = np.where((size > 4) & (size < 10), WILD_SHARE / 12.0, 1e-12)
    return np.log((1 - WILD_SHARE) * np.exp(core) + wild)
