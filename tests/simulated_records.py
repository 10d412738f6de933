"""Records of drops with a known truth, made without any code of the product.

Each record is a pulse of one of many shapes, with whatever a bench adds to it: offset, noise,
the steps of a 12-bit recorder, either sign, ringing after the impact, softer rebounds, the fall
and the rest of a DC-coupled sensor. Faults are put in on purpose, one at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

G = 9.80665


def half_sine(u: FloatArray) -> FloatArray:
    return np.where((u > 0) & (u < 1), np.sin(np.pi * u), 0.0)


def haversine(u: FloatArray) -> FloatArray:
    return np.where((u > 0) & (u < 1), 0.5 - 0.5 * np.cos(2 * np.pi * u), 0.0)


def final_peak_sawtooth(u: FloatArray) -> FloatArray:
    return np.where((u > 0) & (u <= 1), u, 0.0)


def initial_peak_sawtooth(u: FloatArray) -> FloatArray:
    return np.where((u >= 0) & (u < 1), 1 - u, 0.0)


def rounded_sawtooth(u: FloatArray) -> FloatArray:
    """A saw-tooth as machines make it: the fall takes a tenth of the pulse."""
    return np.interp(u, [0.0, 0.9, 1.0], [0.0, 1.0, 0.0])


def triangle(u: FloatArray) -> FloatArray:
    return np.interp(u, [0.0, 0.5, 1.0], [0.0, 1.0, 0.0])


def trapezoid(u: FloatArray) -> FloatArray:
    return np.interp(u, [0.0, 0.1, 0.9, 1.0], [0.0, 1.0, 1.0, 0.0])


def steep_rise(u: FloatArray) -> FloatArray:
    """Rises in a fifth, falls slowly, as a rubber corner does."""
    v = np.clip(u, 0.0, 1.0)
    return np.where(v < 0.25, np.sin(2 * np.pi * v), np.cos(np.pi / 1.5 * (v - 0.25)) ** 2)


def bell(u: FloatArray) -> FloatArray:
    return np.where((u > 0) & (u < 1), np.exp(-0.5 * ((u - 0.5) / 0.15) ** 2), 0.0)


def two_humps(u: FloatArray) -> FloatArray:
    shape = half_sine(u) * (1.0 + 0.25 * np.sin(3 * np.pi * np.clip(u, 0, 1)) ** 2)
    return shape / 1.2499


def bottoming(u: FloatArray) -> FloatArray:
    """A soft pulse with a narrow one on it, as foam that is used up."""
    return 0.35 * half_sine(u) + 0.65 * bell((u - 0.5) / 0.4 + 0.5)


def crush(u: FloatArray) -> FloatArray:
    """Gives way at a level, then a spike."""
    return np.interp(u, [0.0, 0.15, 0.6, 0.75, 0.85, 1.0], [0.0, 0.55, 0.6, 1.0, 0.5, 0.0])


def two_slopes(u: FloatArray) -> FloatArray:
    """Stiffens half-way in."""
    return np.interp(u, [0.0, 0.5, 0.7, 1.0], [0.0, 0.3, 1.0, 0.0])


SHAPES: dict[str, Callable[[FloatArray], FloatArray]] = {
    shape.__name__: shape
    for shape in (
        half_sine,
        haversine,
        final_peak_sawtooth,
        initial_peak_sawtooth,
        rounded_sawtooth,
        triangle,
        trapezoid,
        steep_rise,
        bell,
        two_humps,
        bottoming,
        crush,
        two_slopes,
    )
}


def closed_form(shape: Callable[[FloatArray], FloatArray]) -> tuple[float, float, float]:
    """Peak, width at 10 % of it and area, of a pulse of unit base, on a fine grid."""
    u = np.linspace(-0.001, 1.001, 2_000_001)
    y = shape(u)
    above = np.flatnonzero(y >= 0.1 * y.max())
    return float(y.max()), float(u[above[-1]] - u[above[0]]), float(y.sum() * (u[1] - u[0]))


TRUTHS = {name: closed_form(shape) for name, shape in SHAPES.items()}


@dataclass(frozen=True)
class SimulatedRecord:
    acceleration_g: FloatArray
    sample_rate_hz: float
    shape: str
    peak_g: float
    duration_ms: float
    velocity_change_m_s: float
    full_scale_g: float
    drop_height_mm: float
    fault: str | None
    how: str


FAULTS = (
    "clipped",
    "over_range",
    "zero_shift",
    "under_sampled",
    "no_impact",
    "second_impact",
    "velocity_implausible",
)


def simulate(
    rng: np.random.Generator,
    *,
    fault: str | None = None,
    shape: str | None = None,
    sample_rate_hz: float = 150_000.0,
    samples: float | None = None,
    noise: tuple[float, float] = (0.0005, 0.01),
    bits: int = 12,
) -> SimulatedRecord:
    """One record; ``noise`` is the range of its standard deviation over the peak.

    ``samples`` between the 10 % edges, where given, go before the rate.
    """
    shape = shape or str(rng.choice(list(SHAPES)))
    unit_peak, unit_width, unit_area = TRUTHS[shape]
    base_s = float(np.exp(rng.uniform(np.log(0.2e-3), np.log(3e-3))))
    peak_g = float(np.exp(rng.uniform(np.log(20.0), np.log(20_000.0))))
    fs = samples / (unit_width * base_s) if samples else sample_rate_hz
    if fault == "under_sampled":
        fs = float(rng.uniform(2.5, 6.0)) / (unit_width * base_s)
    velocity = peak_g * base_s * unit_area / unit_peak * G
    ratio = float(rng.uniform(1.05, 1.8))
    if fault == "velocity_implausible":
        ratio = float(rng.choice([rng.uniform(2.15, 4.0), rng.uniform(0.1, 0.45)]))
    height_mm = 1000.0 * (velocity / ratio) ** 2 / (2 * G)
    sigma = peak_g * float(np.exp(rng.uniform(*np.log(noise))))
    before_s = float(rng.uniform(3e-3, 20e-3)) + base_s
    after_s = float(rng.uniform(10e-3, 60e-3)) + 3 * base_s
    t = np.arange(int((before_s + after_s) * fs)) / fs + rng.uniform(0, 1) / fs
    u = (t - before_s) / base_s
    y = peak_g / unit_peak * SHAPES[shape](u)
    if fault == "no_impact":
        y = np.zeros_like(t)
    how = []
    gone = t - before_s - base_s
    if rng.random() < 0.5 and fault != "no_impact":
        amplitude = rng.uniform(0.02, 0.25) * peak_g
        frequency = rng.uniform(3.0, 12.0) / base_s
        lasting = rng.uniform(1.0, 6.0) * base_s
        ringing = -amplitude * np.sin(2 * np.pi * frequency * gone) * np.exp(-gone / lasting)
        y = y + np.where(gone > 0, ringing, 0.0)
        how.append("ringing")
    again = 0.0
    if fault == "second_impact":
        again = float(rng.uniform(0.55, 1.4))
    elif rng.random() < 0.3 and fault != "no_impact":
        again = float(rng.uniform(0.05, 0.42))
    if again:
        wait = rng.uniform(4 * base_s, after_s - 2 * base_s)
        y = y + again * peak_g / unit_peak * SHAPES[shape]((gone - wait) / base_s)
        how.append(f"again {again:.2f}")
    if rng.random() < 0.3:
        let_go = before_s - rng.uniform(0.5, 0.9) * before_s if rng.random() < 0.5 else 0.0
        y = y + np.where(t < let_go, 1.0, 0.0) + np.where(gone > 0, 1.0, 0.0)
        how.append("DC")
    if fault == "zero_shift":
        shift = peak_g * rng.uniform(0.03, 0.15) * rng.choice([-1, 1])
        shift += np.sign(shift) * (2.5 if peak_g * abs(shift) < 100 * peak_g else 0.0)
        y = y + shift * np.clip((t - before_s) / base_s, 0.0, 1.0)
        how.append(f"shift {shift / peak_g:.3f}")
    y = y + rng.uniform(-0.02, 0.02) * peak_g + sigma * rng.standard_normal(t.size)
    range_g = peak_g * float(rng.uniform(1.25, 4.0))
    if again > 1.0:
        range_g *= again
    cut = peak_g * float(rng.uniform(0.5, 0.95)) if fault == "clipped" else range_g
    y = np.clip(y, -cut, cut)
    if bits:
        step = 2 * range_g / 2**bits
        y = np.round(y / step) * step
    y = y * rng.choice([-1.0, 1.0])
    full_scale = peak_g * float(
        rng.uniform(0.5, 0.95) if fault == "over_range" else rng.uniform(1.05, 3.0)
    )
    return SimulatedRecord(
        acceleration_g=y,
        sample_rate_hz=fs,
        shape=shape,
        peak_g=peak_g,
        duration_ms=1000.0 * base_s * unit_width,
        velocity_change_m_s=velocity,
        full_scale_g=full_scale,
        drop_height_mm=height_mm,
        fault=fault,
        how=", ".join(how),
    )
