"""Errors, false flags and missed faults of the pulse measures over simulated drops.

Run as ``PYTHONPATH=.:tests python tests/benchmarks/study_pulse.py [records] [seed]``; prints, per
sample rate and shape, 95th percentiles of the errors in percent, and per fault the share flagged.
"""

from __future__ import annotations

import sys

import numpy as np
from simulated_records import FAULTS, SHAPES, simulate

from durability.pulse.measure import measure_pulse


def measured(record):
    return measure_pulse(
        record.acceleration_g,
        record.sample_rate_hz,
        full_scale_g=record.full_scale_g,
        drop_height_mm=record.drop_height_mm,
    )


def errors_pct(record, m):
    return (
        100 * abs(m.peak_g / record.peak_g - 1),
        100 * abs(m.pulse_duration_ms / record.duration_ms - 1),
        100 * abs(m.velocity_change_m_s / record.velocity_change_m_s - 1),
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    for rate_hz in (50e3, 150e3, 1e6):
        records = [simulate(rng, sample_rate_hz=rate_hz) for _ in range(count)]
        found = [(record, measured(record)) for record in records]
        errors = np.array([errors_pct(record, m) for record, m in found])
        flagged = np.mean([bool(m.flags) for _, m in found])
        p95 = np.percentile(errors, 95, axis=0)
        print(f"{rate_hz:9.0f} Hz  peak, duration, velocity change: {p95.round(2)} %")
        print(f"              clean records flagged: {100 * flagged:.2f} %")
        for shape in SHAPES:
            own = errors[[record.shape == shape for record in records]]
            print(f"    {shape:22s} {np.percentile(own, 95, axis=0).round(2)}")
    for fault in FAULTS:
        names = [
            {flag.name for flag in measured(simulate(rng, fault=fault)).flags}
            for _ in range(count // 4)
        ]
        print(f"{fault:22s} flagged: {100 * np.mean([fault in some for some in names]):.1f} %")


if __name__ == "__main__":
    main()
