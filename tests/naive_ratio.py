"""Slow, obvious twins of the ratio of two groups; imports nothing of ours."""

from math import exp, log, sqrt
from statistics import mean, variance

from scipy import stats


def welch_log_interval(a, b, level):
    """Ratio of geometric means with Welch's interval, step by step."""
    x, y = [log(v) for v in a], [log(v) for v in b]
    u, w = variance(x) / len(x), variance(y) / len(y)
    df = (u + w) ** 2 / (u**2 / (len(x) - 1) + w**2 / (len(y) - 1))
    reach = stats.t.ppf((1 + level) / 2, df) * sqrt(u + w)
    d = mean(x) - mean(y)
    return exp(d), exp(d - reach), exp(d + reach)


def fieller_interval(a, b, level):
    """Ratio of arithmetic means, Fieller (1954), each side with its own variance."""
    u, w = variance(a) / len(a), variance(b) / len(b)
    df = (u + w) ** 2 / (u**2 / (len(a) - 1) + w**2 / (len(b) - 1))
    t = stats.t.ppf((1 + level) / 2, df)
    ratio, g = mean(a) / mean(b), t**2 * w / mean(b) ** 2
    half = t / mean(b) * sqrt(u * (1 - g) + ratio**2 * w)
    return ratio, (ratio - half) / (1 - g), (ratio + half) / (1 - g)
