"""Slow, obvious twins of what `life` and `latent` compute; imports nothing of ours."""

from __future__ import annotations

import itertools
import math

import numpy as np
from scipy.optimize import minimize
from scipy.stats import norm, weibull_min


def log_likelihood(lives, form, location, scale):
    """Sum over lives, one at a time, straight from scipy's distributions."""
    if form == "Weibull":
        law = weibull_min(1.0 / scale, scale=math.exp(location))
    else:
        law = norm(location, scale)
    total = 0.0
    for after, by in lives:
        if form == "Weibull":
            value = law.pdf(after) if after == by else law.sf(after) - law.sf(by)
        elif after == by:
            value = law.pdf(math.log(after)) / after
        else:
            low = math.log(after) if after > 0 else -math.inf
            value = law.sf(low) - law.sf(math.log(by))
        total += math.log(max(value, 1e-300))
    return total


def fit(lives, form):
    """(location, scale, log-likelihood) by a simplex search."""
    ends = [by if math.isfinite(by) else after for after, by in lives]
    start = [math.log(float(np.median(ends))), math.log(0.8)]
    best = minimize(
        lambda theta: -log_likelihood(lives, form, theta[0], math.exp(theta[1])),
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )
    return best.x[0], math.exp(best.x[1]), -best.fun


def largest_given(lives, form, which, value):
    """Largest log-likelihood with the location ("location") or the log scale held."""

    def minus(free):
        location, log_scale = (value, free[0]) if which == "location" else (free[0], value)
        return -log_likelihood(lives, form, location, math.exp(log_scale))

    location, scale, _ = fit(lives, form)
    start = [math.log(scale)] if which == "location" else [location]
    options = {"xatol": 1e-9, "fatol": 1e-11}
    return -minimize(minus, start, method="Nelder-Mead", options=options).fun


def turnbull_log_likelihood(lives, rounds=1500):
    """Log-likelihood at the nonparametric maximum, by plain self-consistency on a fine cover.

    Every stretch between neighbouring ends may hold mass: a larger set than the innermost
    intervals, with the same maximum.
    """
    ends = sorted({end for life in lives for end in life})
    cells = list(itertools.pairwise(ends))
    inside = [[after <= a and b <= by for a, b in cells] for after, by in lives]
    mass = [1.0 / len(cells)] * len(cells)
    for _ in range(rounds):
        fresh = [0.0] * len(cells)
        for row in inside:
            total = sum(m for m, yes in zip(mass, row, strict=True) if yes)
            for cell, yes in enumerate(row):
                if yes:
                    fresh[cell] += mass[cell] / total / len(lives)
        mass = fresh
    return sum(math.log(sum(m for m, yes in zip(mass, row, strict=True) if yes)) for row in inside)


def kaplan_meier(times, failed, t):
    """Product over failure times up to t."""
    share = 1.0
    for when in sorted({x for x, f in zip(times, failed, strict=True) if f and x <= t}):
        at_risk = sum(x >= when for x in times)
        deaths = sum(x == when and f for x, f in zip(times, failed, strict=True))
        share *= 1.0 - deaths / at_risk
    return share


def permutation_p(score, rank):
    """Two-sided, over every one of the n! arrangements."""
    score = np.asarray(score) - np.mean(score)
    seen = abs(float(score @ (rank - np.mean(rank))))
    found = [
        abs(float(score @ (np.array(order) - np.mean(rank)))) >= seen - 1e-9
        for order in itertools.permutations(rank)
    ]
    return sum(found) / len(found)


def link_by_grid(lives, log_dose, prior_mean, prior_sd, grid, days, left_out=None):
    """Posterior of the shock link on a dense grid, both forms, one exponent.

    Returns the mean slope per standard deviation of log dose, its standard deviation, each
    device's probability of failing by ``days``, and the weight of the Weibull form.
    """
    unit = max(end for life in lives for end in life if math.isfinite(end))
    shocked = [math.isfinite(value) for value in log_dose]
    known = np.array([value for value in log_dose if math.isfinite(value)])
    x = [
        (value - known.mean()) / known.std() if math.isfinite(value) else None for value in log_dose
    ]
    axes = [np.linspace(low, high, points) for low, high, points in grid]
    location, shortening, log_scale, log_rate = np.meshgrid(*axes, indexing="ij")

    def survival(form, device, t):
        if math.isinf(t):
            return np.zeros_like(location)
        value = np.exp(-np.exp(log_rate) * t / unit)
        if shocked[device] and t > 0:
            u = (math.log(t / unit) - location + shortening * x[device]) / np.exp(log_scale)
            u = np.minimum(u, 100.0)
            value = value * (np.exp(-np.exp(u)) if form == "Weibull" else norm.sf(u))
        return value

    prior = sum(
        -0.5 * ((axis - mean) / sd) ** 2
        for axis, mean, sd in zip(
            (location, shortening, log_scale, log_rate), prior_mean, prior_sd, strict=True
        )
    )
    weights = {}
    for form in ("Weibull", "log-normal"):
        log_posterior = prior.copy()
        for device, (after, by) in enumerate(lives):
            if device != left_out:
                chance = survival(form, device, after) - survival(form, device, by)
                log_posterior = log_posterior + np.log(np.maximum(chance, 1e-300))
        weights[form] = log_posterior
    top = max(value.max() for value in weights.values())
    weights = {form: np.exp(value - top) for form, value in weights.items()}
    total = sum(value.sum() for value in weights.values())
    mean = sum((w * shortening).sum() for w in weights.values()) / total
    spread = sum((w * (shortening - mean) ** 2).sum() for w in weights.values()) / total
    failed = [
        1.0 - sum((w * survival(form, device, days)).sum() for form, w in weights.items()) / total
        for device in range(len(lives))
    ]
    return mean, math.sqrt(spread), np.array(failed), weights["Weibull"].sum() / total
