"""Slow, obvious twins of the signal side; nothing here comes from the product."""

from __future__ import annotations

import math

import numpy as np


def j211_coefficients(channel_class, sample_rate_hz, factor=2.0775):
    """SAE J211-1, Appendix C: a0, a1, a2, b1, b2, feedback written with plus signs."""
    w_d = 2 * math.pi * factor * channel_class
    w_a = math.tan(w_d / (2 * sample_rate_hz))
    scale = 1 + math.sqrt(2) * w_a + w_a**2
    a0 = w_a**2 / scale
    b1 = -2 * (w_a**2 - 1) / scale
    b2 = (-1 + math.sqrt(2) * w_a - w_a**2) / scale
    return a0, 2 * a0, a0, b1, b2


def recursion(x, coefficients):
    """One pass, sample by sample, at rest before the first."""
    a0, a1, a2, b1, b2 = coefficients
    y = [0.0] * len(x)
    for n in range(len(x)):
        x1 = x[n - 1] if n > 0 else 0.0
        x2 = x[n - 2] if n > 1 else 0.0
        y1 = y[n - 1] if n > 0 else 0.0
        y2 = y[n - 2] if n > 1 else 0.0
        y[n] = a0 * x[n] + a1 * x1 + a2 * x2 + b1 * y1 + b2 * y2
    return y


def forward_and_backward(x, coefficients):
    return np.array(recursion(recursion(list(x), coefficients)[::-1], coefficients)[::-1])


def width_at_tenth(x, fs):
    """Between the nearest crossings of 10 % on either side of the peak, interpolated; ms."""
    k = int(np.argmax(x))
    level = 0.1 * x[k]
    i = k
    while x[i] >= level:
        i -= 1
    j = k
    while x[j] >= level:
        j += 1
    rise = i + (level - x[i]) / (x[i + 1] - x[i])
    fall = j - 1 + (x[j - 1] - level) / (x[j - 1] - x[j])
    return 1000 * (fall - rise) / fs


def spectrum_by_recursion(x, fs, frequencies, q):
    """Smallwood's difference equation for absolute acceleration, sample by sample: primary maximax.

    Coefficients as published (ramp-invariant): b0 = 1 − S', b1 = 2 (S' − C), b2 = E² − S',
    a1 = −2 C, a2 = E².
    """
    zeta = 1 / (2 * q)
    peaks = []
    for f in frequencies:
        w = 2 * math.pi * f / fs
        e = math.exp(-zeta * w)
        k = w * math.sqrt(1 - zeta**2)
        c, s = e * math.cos(k), e * math.sin(k) / k
        b0, b1, b2, a1, a2 = 1 - s, 2 * (s - c), e * e - s, -2 * c, e * e
        y1 = y2 = x1 = x2 = 0.0
        peak = 0.0
        for v in x:
            y = b0 * v + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
            peak = max(peak, abs(y))
            y2, y1, x2, x1 = y1, y, x1, v
        peaks.append(peak)
    return np.array(peaks)
