"""Slow, obvious twins of what `life` and `latent` compute; imports nothing of ours."""

from __future__ import annotations

import itertools
import math

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr
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


def link_by_grid(lives, log_dose, forms, days, left_out=()):
    """Posterior of the shock link on dense grids, one exponent.

    ``forms`` maps a name to (life, whether the dose decides if a device fails, prior chance, prior
    means, prior standard deviations, grid as (low, high, points) of each parameter).

    Returns the chance of each form, mean and standard deviation of the effect parameter over all
    forms, each device's probability of failing by ``days``, and the same for the devices named in
    ``left_out`` had their own looks not been used.
    """
    unit = max(end for life in lives for end in life if math.isfinite(end))
    known = np.array([value for value in log_dose if math.isfinite(value)])
    x = [
        (value - known.mean()) / known.std() if math.isfinite(value) else None for value in log_dose
    ]
    parts = {}
    for name, (life, whether, chance, means, sds, grid) in forms.items():
        axes = [np.linspace(low, high, points) for low, high, points in grid]
        points = [axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")]
        cell = math.prod(axis[1] - axis[0] for axis in axes)
        log_prior = math.log(chance * cell) + sum(
            norm.logpdf(point, mean, sd) for point, mean, sd in zip(points, means, sds, strict=True)
        )

        def survival(device, t, points=points, life=life, whether=whether):
            location, effect, log_scale, log_rate = points[:4]
            if math.isinf(t):
                return np.zeros_like(location)
            value = np.exp(-np.exp(log_rate) * t / unit)
            if x[device] is not None and t > 0:
                sooner = 0.0 if whether else effect * x[device]
                u = np.minimum((math.log(t / unit) - location + sooner) / np.exp(log_scale), 100.0)
                lasts = np.exp(-np.exp(u)) if life == "Weibull" else ndtr(-u)
                if whether:
                    share = 1.0 / (1.0 + np.exp(-points[4] - effect * x[device]))
                    lasts = 1.0 - share + share * lasts
                value = value * lasts
            return value

        each = [
            np.log(np.maximum(survival(device, after) - survival(device, by), 1e-300))
            for device, (after, by) in enumerate(lives)
        ]
        failed = [1.0 - survival(device, days) for device in range(len(lives))]
        parts[name] = (log_prior + sum(each), each, points[1], failed)
    top = max(value[0].max() for value in parts.values())

    def expected(what, without=None):
        weights = {
            name: np.exp(total - top - (0.0 if without is None else each[without]))
            for name, (total, each, _, _) in parts.items()
        }
        whole = sum(weight.sum() for weight in weights.values())
        return sum((weights[name] * what(*parts[name])).sum() for name in parts) / whole

    mean = expected(lambda total, each, effect, failed: effect)
    spread = expected(lambda total, each, effect, failed: (effect - mean) ** 2)
    evidence = {name: np.exp(total - top).sum() for name, (total, _, _, _) in parts.items()}
    return (
        {name: value / sum(evidence.values()) for name, value in evidence.items()},
        mean,
        math.sqrt(spread),
        np.array(
            [
                expected(lambda total, each, effect, failed, own=device: failed[own])
                for device in range(len(lives))
            ]
        ),
        {
            device: expected(
                lambda total, each, effect, failed, own=device: failed[own], without=device
            )
            for device in left_out
        },
    )
