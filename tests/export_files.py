"""Files as recorders write them, of drops with a known truth; made without code of the product."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np

G = 9.80665
RATE_HZ = 150_000.0
MV_PER_G = 0.5
FULL_SCALE_G = 2000.0
HEIGHT_MM = 1220.0
"""4.89 m/s at impact."""
IMPACT_M_S = (2 * G * HEIGHT_MM / 1000) ** 0.5


def half_sine_g(
    peak_g=400.0, velocity_ratio=1.4, *, rate_hz=RATE_HZ, before_ms=10.0, after_ms=30.0, seed=0
):
    """A half-sine whose velocity change is that multiple of the impact velocity, with noise."""
    base_s = velocity_ratio * IMPACT_M_S / (peak_g * G * 2 / np.pi)
    t = np.arange(int((before_ms + after_ms) * 1e-3 * rate_hz)) / rate_hz - before_ms * 1e-3
    pulse = np.where((t > 0) & (t < base_s), peak_g * np.sin(np.pi * t / base_s), 0.0)
    noise = 0.003 * peak_g * np.random.default_rng(seed).standard_normal(t.size)
    return pulse + noise + 0.004 * peak_g


def stepped(record_g, range_g, bits=12):
    """As a recorder of so many bits sees it, clipped at its range."""
    step = 2 * range_g / 2**bits
    return np.clip(np.round(record_g / step) * step, -range_g, range_g - step)


def faulty_g(fault, seed=0):
    """A record with one fault on purpose; the full scale it goes with is FULL_SCALE_G."""
    record = half_sine_g(seed=seed)
    if fault == "clipped":
        return np.clip(record, -280.0, 280.0)
    if fault == "over_range":
        return half_sine_g(1.3 * FULL_SCALE_G, seed=seed)
    if fault == "zero_shift":
        after = np.arange(record.size) > 0.012 * RATE_HZ
        return record + np.where(after, 40.0, 0.0)
    if fault == "under_sampled":
        return half_sine_g(seed=seed, rate_hz=1500.0, after_ms=80.0, before_ms=40.0)
    if fault == "no_impact":
        return 0.2 * np.random.default_rng(seed).standard_normal(record.size)
    if fault == "second_impact":
        return record + 0.8 * np.roll(half_sine_g(seed=seed + 1), 2500)
    if fault == "velocity_implausible":
        return half_sine_g(velocity_ratio=3.0, seed=seed)
    raise ValueError(fault)


def write_volts(path, record_g, *, rate_hz=RATE_HZ, mv_per_g=MV_PER_G, head=()):
    """Preamble, two columns, time in s, volts of a 12-bit recorder; gzipped when so named."""
    range_g = 1.3 * float(np.abs(record_g).max())
    if "clipped" not in Path(path).name:
        record_g = stepped(record_g, range_g)
    volts = record_g * mv_per_g / 1000.0
    lines = ["Model,Recorder 12 bit", *head, "Time (s),CH1 (V)"]
    lines += [f"{i / rate_hz - 0.01:.9f},{v:.7g}" for i, v in enumerate(volts)]
    text = "\n".join(lines) + "\n"
    path = Path(path)
    if path.suffix == ".gz":
        path.write_bytes(gzip.compress(text.encode()))
    else:
        path.write_text(text, encoding="utf-8")
    return path


def rate_of(fault):
    return 1500.0 if fault == "under_sampled" else RATE_HZ
