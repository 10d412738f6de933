"""The standardised distributions of log life from which every parametric form here is built."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray


class StandardLogLife(ABC):
    """Distribution of W in log T = location + scale · W, by its cumulative hazard G(u)."""

    name: str

    @abstractmethod
    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """G(u) = −log P(W > u), same shape as ``u``; zero where u is −∞."""

    @abstractmethod
    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """G′(u) and G″(u), same shape as ``u``; zero where u is −∞."""

    @abstractmethod
    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Logarithm of the density of W and its first two derivatives, same shape as ``u``."""

    @abstractmethod
    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Value of W below which this fraction lies, same shape."""


class SmallestExtremeValue(StandardLogLife):
    """Of a Weibull life: G(u) = eᵘ."""

    name = "Weibull"

    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """G(u) = eᵘ, kept finite."""
        return np.exp(np.minimum(u, _LARGEST_EXPONENT))

    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Both derivatives are eᵘ."""
        value = self.cumulative_hazard(u)
        return value, value

    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The density is exp(u − eᵘ)."""
        power = self.cumulative_hazard(u)
        return u - power, 1.0 - power, -power

    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Logarithm of the unit exponential's, log(−log(1 − fraction))."""
        return np.asarray(np.log(-np.log1p(-fraction_failed)))


class Normal(StandardLogLife):
    """Of a log-normal life: G(u) = −log Φ(−u)."""

    name = "log-normal"

    def cumulative_hazard(self, u: FloatArray) -> FloatArray:
        """−log Φ(−u)."""
        from scipy.special import log_ndtr

        return np.asarray(-log_ndtr(-np.asarray(u, dtype=float)), dtype=float)

    def hazard(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Inverse Mills ratio m = φ(u)/Φ(−u), and m·(m − u)."""
        within = np.maximum(u, -_LARGEST_NORMAL)  # φ is zero in double precision beyond
        mills = np.exp(-0.5 * within**2 - _LOG_ROOT_TWO_PI + self.cumulative_hazard(within))
        return mills, mills * (mills - within)

    def log_density(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """−u²/2 − log √(2π)."""
        return np.asarray(-0.5 * u**2 - _LOG_ROOT_TWO_PI), -u, np.full_like(u, -1.0)

    def quantile(self, fraction_failed: FloatArray) -> FloatArray:
        """Φ⁻¹(fraction)."""
        from scipy.special import ndtri

        return np.asarray(ndtri(np.asarray(fraction_failed, dtype=float)), dtype=float)


_LOG_ROOT_TWO_PI = 0.5 * math.log(2.0 * math.pi)
_LARGEST_EXPONENT = 300.0
_LARGEST_NORMAL = 40.0

SMALLEST_EXTREME_VALUE = SmallestExtremeValue()
NORMAL = Normal()
FAMILIES: tuple[StandardLogLife, ...] = (SMALLEST_EXTREME_VALUE, NORMAL)
