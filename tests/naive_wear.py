"""Slow obvious twins of the wear model; imports nothing of ours."""

from __future__ import annotations

import math

import numpy as np


def log_evidence_by_quadrature(
    log_peak, climb_basis, low, high, *, prior_readings, prior_scatter, wild_share, wild_density
):
    """Log of the likelihood averaged over climbs in (low, high), flat in level, by summing grids.

    The scatter has the inverse-gamma prior IG(n0/2, n0 s0^2/2) on its square; each reading is
    normal about level + climb * basis, or wild with an even density.
    """
    log_scatter = np.linspace(math.log(0.004), math.log(0.7), 90)
    variance = np.exp(2 * log_scatter)
    a, b = prior_readings / 2, prior_readings * prior_scatter**2 / 2
    log_prior = (
        a * math.log(b) - math.lgamma(a) - (a + 1) * np.log(variance) - b / variance
        + np.log(2 * variance)
    )  # fmt: skip
    climbs = np.linspace(low, high, 41)
    levels = np.linspace(log_peak.min() - 0.3, log_peak.max() + 0.3, 181)
    squared = (log_peak - levels[:, None, None] - climbs[:, None] * climb_basis) ** 2
    layers = []
    for scatter, prior in zip(np.exp(log_scatter), log_prior, strict=True):
        core = np.exp(squared * (-0.5 / scatter**2)) / (scatter * math.sqrt(2 * math.pi))
        each = (1 - wild_share) * core + wild_share * wild_density
        layers.append(prior + np.log(each.prod(axis=-1)))
    layers = np.array(layers)
    top = layers.max()
    over_scatter = np.trapezoid(np.exp(layers - top), log_scatter, axis=0)
    over_level = np.trapezoid(over_scatter, levels, axis=0)
    return top + math.log(np.trapezoid(over_level, climbs) / (high - low))


def first_reached(path, limit):
    """First drop (1, 2, 3 …) at which a path reaches the limit; None if never."""
    for number, level in enumerate(path, start=1):
        if level >= limit:
            return number
    return None


def mixed_model_fit(log_peak, level_of, climb, step, weight, offset_precision, step_variance):
    """Climb and its information (times scatter²) of a mixed model, by dense matrices.

    ``log_peak = level + offset of its part + step + climb``, offsets normal with variance
    ``scatter² / offset_precision``, the step with ``step_variance`` times the squared scatter,
    readings with ``scatter² / weight``.
    """
    member = (level_of[:, None] == np.unique(level_of)).astype(float)
    covariance = np.diag(1.0 / weight) + member @ member.T / offset_precision
    covariance += step_variance * np.outer(step, step)
    design = np.column_stack([np.ones(len(log_peak)), climb])
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    found = np.linalg.solve(information, design.T @ inverse @ log_peak)
    return found[1], 1.0 / np.linalg.inv(information)[1, 1]
