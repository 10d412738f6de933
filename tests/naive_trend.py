"""Slow, obvious twins of the trend tests; imports nothing of ours."""

import itertools
import math
import statistics


def kendall_s(readings):
    s = 0
    for earlier, later in itertools.combinations(readings, 2):
        s += (later > earlier) - (later < earlier)
    return s


def kendall_upper_tail(n):
    """P(S >= s) for every s that can occur, by going through all orders."""
    scores = [kendall_s(order) for order in itertools.permutations(range(n))]
    return {s: sum(score >= s for score in scores) / len(scores) for s in set(scores)}


def pairwise_slopes(numbers, readings):
    pairs = itertools.combinations(zip(numbers, readings, strict=True), 2)
    return sorted((y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in pairs)


def normal_score(rank, n):
    fraction = (rank - 0.375) / (n + 0.25)
    return (fraction**0.135 - (1 - fraction) ** 0.135) / 0.1975


def mean_ranks(readings):
    return [
        1 + sum(other < one for other in readings) + (readings.count(one) - 1) / 2
        for one in readings
    ]


def rise_evidence(readings, curves, rising_weight, settling_weight):
    """Log Bayes factors by the formulas, one series, one shape after the other."""
    if len(set(readings)) == 1:
        return (-0.5 * math.log(1 + 10.0),) * 2
    factors, _ = robust_fit(readings, curves, rising_weight, settling_weight, rounds=2)
    return tuple(
        math.log(sum(f * w for f, w in zip(factors, weights, strict=True)))
        for weights in (rising_weight, settling_weight)
    )


def student_weights(residual):
    """1 / (ν + standardised residual²)."""
    n, nu, prior = len(residual), 5.0, 10.0
    size = [abs(e) for e in residual]
    variance = (
        n * (1.4826 * statistics.median(size)) ** 2 + prior * (1.2533 * sum(size) / n) ** 2
    ) / (n + prior)
    return [1 / (nu + e * e / variance) for e in residual]


def rounding_variance(readings):
    steps = [b - a for a, b in itertools.pairwise(sorted(readings)) if b > a]
    return min(steps) ** 2 / 12


def log_odds_goes_on(readings, paths, curves, rising_weight, settling_weight, information):
    """Log of the mean likelihood of all wear over that of all settling, path after path."""
    n = len(readings)
    _, residual = robust_fit(readings, curves, rising_weight, settling_weight, rounds=1)
    weight = student_weights(residual)
    weight = [w * n / sum(weight) for w in weight]
    likelihood = []
    for family in paths:
        total = 0.0
        for path in family:
            off = [y - p for y, p in zip(readings, path, strict=True)]
            mean = sum(w * e for w, e in zip(weight, off, strict=True)) / n
            misfit = sum(w * (e - mean) ** 2 for w, e in zip(weight, off, strict=True))
            misfit += n * rounding_variance(readings) + 2 * 0.04**2
            total += misfit ** (-(information * (n - 1) + 2) / 2)
        likelihood.append(total / len(family))
    settling, *wear = likelihood
    return math.log(sum(wear) / len(wear) / settling)


def robust_fit(readings, curves, rising_weight, settling_weight, rounds):
    """Bayes factor of each shape, and residuals about their average, in so many rounds."""
    n, g = len(readings), 10.0
    rounding = rounding_variance(readings)
    residual = [y - statistics.median(readings) for y in readings]
    for _ in range(rounds):
        weight = student_weights(residual)
        total_weight = sum(weight)
        mean = sum(w * y for w, y in zip(weight, readings, strict=True)) / total_weight
        square = sum(w * (y - mean) ** 2 for w, y in zip(weight, readings, strict=True))
        square += rounding * total_weight
        factors, slopes, centred = [], [], []
        for curve in curves:
            at = sum(w * c for w, c in zip(weight, curve, strict=True)) / total_weight
            own = [c - at for c in curve]
            curve_square = sum(w * c * c for w, c in zip(weight, own, strict=True))
            product = sum(w * c * (y - mean) for w, c, y in zip(weight, own, readings, strict=True))
            slope = max(0.0, product) / curve_square
            r2 = min(slope * slope * curve_square / square, 0.9999)
            factors.append((1 - g / (1 + g) * r2) ** (-(n - 1) / 2) / math.sqrt(1 + g))
            slopes.append(slope)
            centred.append(own)
        share = [
            f * (a + b) for f, a, b in zip(factors, rising_weight, settling_weight, strict=True)
        ]
        no_change = 1.0
        fitted = [
            mean
            + sum(
                s / (no_change + sum(share)) * g / (1 + g) * slope * own[drop]
                for s, slope, own in zip(share, slopes, centred, strict=True)
            )
            for drop in range(n)
        ]
        residual = [y - f for y, f in zip(readings, fitted, strict=True)]
        middle = statistics.median(residual)
        residual = [e - middle for e in residual]
    return factors, residual


def log_e_value(readings):
    """Log of the mean stake over all rises that are bet on, drop by drop: see wear.alarm."""
    n = len(readings)
    kinds = [(0.35 / 3, [0.05 * i for i in range(n)]), (0.35 / 3, [0.12 * i for i in range(n)]),
             (0.35 / 3, [0.3 * i for i in range(n)])]  # fmt: skip
    start, order = 1, 0
    while start < n:
        share = 2 / ((order + 2) * (order + 3))
        for slope in (0.1, 0.3):
            kinds.append((0.15 * share, [slope * max(0, i - start) for i in range(n)]))
        for size in (1.5, 3.0):
            kinds.append((0.175 * share, [size * (i >= start) for i in range(n)]))
        start, order = max(start + 1, round(1.5 * start)), order + 1
    total = 1 - sum(weight for weight, _ in kinds)
    for weight, rise in kinds:
        stake = 1.0
        for i in range(1, n):
            fractions = [(k + 0.625) / (i + 1.25) for k in range(i + 1)]
            scores = [(f**0.135 - (1 - f) ** 0.135) / 0.1975 for f in fractions]
            mean = sum(rise[:i]) / i
            variance = sum(r * r for r in rise[:i]) / i - mean**2
            tilt = max(rise[i] - mean, 0) / (1 + variance)
            fair = sum(math.exp(tilt * score) for score in scores) / (i + 1)
            rank = sum(earlier < readings[i] for earlier in readings[:i])
            stake *= math.exp(tilt * scores[rank]) / fair
        total += weight * stake
    return math.log(total)
