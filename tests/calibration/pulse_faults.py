"""How often faults of a record are seen, and clean ones suspected.

Pulses as response of structures and machines: half-sine, haversine, terminal-peak saw-tooth,
each alone, with ringing, with a second mode, at several rates, with noise of 0.2 to 2 % of the
recorder's range. One fault is put in at a time. Then losses of 1 sample to 0.3 of the pulse in the
records of ``tests/simulated_records.py``: 9 to 2,000 samples a pulse, 8 to 24 bits; by whether the
record comes back within the pulse, and whether a measure is off by it. Run by hand:

    python tests/calibration/pulse_faults.py [RECORDS] [FIRST SEED]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import simulated_records

from durability.pulse.measure import measure_pulse

SHAPES = {
    "half-sine": lambda u: np.where((u > 0) & (u < 1), np.sin(np.pi * np.clip(u, 0, 1)), 0.0),
    "haversine": lambda u: np.where((u > 0) & (u < 1), np.sin(np.pi * np.clip(u, 0, 1)) ** 2, 0.0),
    "terminal peak": lambda u: np.interp(u, [0, 0.95, 1.0], [0, 1, 0]),
}
RATES_HZ = (20e3, 50e3, 100e3, 200e3, 500e3)


def pulse(rng, t, kind, base_s):
    """A pulse of unit peak that begins at 0, alone or with what structures add."""
    shape = SHAPES[kind]
    y = shape(t / base_s)
    extra = rng.choice(["alone", "ringing", "second mode"])
    if extra == "ringing":
        lasting = rng.uniform(0.5, 4.0) * base_s
        ring = np.sin(2 * np.pi * rng.uniform(2.0, 8.0) * t / base_s) * np.exp(-t / lasting)
        y = y + rng.uniform(0.03, 0.15) * np.where(t > base_s, ring, 0.0)
    elif extra == "second mode":
        mode = np.sin(2 * np.pi * rng.uniform(1.5, 4.0) * t / base_s + rng.uniform(0, 2 * np.pi))
        y = y + rng.uniform(0.05, 0.2) * np.where(t > 0, mode * np.exp(-t / base_s), 0.0) * shape(
            np.clip(t / base_s, 0.01, 0.99)
        )
    return y / np.abs(y).max()


def record(rng, fault=None, rate_hz=None, samples=None):
    """Acceleration, rate, true peak, true width at 10 %; a fault as named."""
    rate = float(rate_hz or rng.choice(RATES_HZ))
    kind = str(rng.choice(list(SHAPES)))
    peak_g = float(np.exp(rng.uniform(np.log(50), np.log(5000))))
    least = samples or rng.uniform(20, 300)
    base_s = least / rate
    before, after = rng.uniform(3, 12) * base_s, rng.uniform(12, 40) * base_s
    t = (np.arange(int((before + after) * rate)) + rng.uniform()) / rate - before
    y = peak_g * pulse(rng, t, kind, base_s)
    full_g = peak_g * rng.uniform(1.2, 2.5)
    noise_g = full_g * np.exp(rng.uniform(np.log(0.002), np.log(0.02)))
    if rng.random() < 0.5 or fault == "zero_shift":
        wait = rng.uniform(3, 0.8 * after / base_s) * base_s
        bounce = rng.uniform(0.05, 0.4) * SHAPES[kind]((t - wait) / base_s / rng.uniform(1, 2))
        y = y + peak_g * bounce
    if fault == "zero_shift":
        shift = peak_g * rng.uniform(0.04, 0.15) * rng.choice([-1, 1])
        y = y + shift * np.clip(t / base_s, 0, 1)
    if fault == "saturated":
        limit = peak_g * rng.uniform(0.45, 0.8)
        y = limit * np.tanh(y / limit)
    y = y + noise_g * rng.standard_normal(t.size) + rng.uniform(-0.02, 0.02) * peak_g
    inside = np.flatnonzero((t > 0) & (t < base_s) & (np.abs(y) > 0.3 * peak_g))
    if fault in ("dropout", "held"):
        length = max(int(rng.uniform(0.05, 0.3) * base_s * rate), 2)
        first = int(rng.choice(inside))
        y[first : first + length] = 0.0 if fault == "dropout" else y[first]
    if fault == "begins":
        y = y[int(rng.choice(inside)) :]
    if fault == "ends":
        y = y[: int(rng.choice(inside))]
    step = 2 * full_g / 4096
    y = np.round(np.clip(y, -full_g, full_g) / step) * step
    if fault == "two_values_a_stamp":
        pairs = y[: y.size // 8 * 8].reshape(-1, 8)
        y = np.column_stack([pairs.min(axis=1), pairs.max(axis=1)]).ravel()
        rate = rate / 4
    return y * rng.choice([-1, 1]), rate, peak_g, kind


WANTED = {
    None: (),
    "zero_shift": ("zero_shift",),
    "begins": ("truncated",),
    "ends": ("truncated",),
    "two_values_a_stamp": ("two_values_a_stamp",),
    "dropout": ("dropout",),
    "held": ("dropout", "clipped"),
    "saturated": ("saturated", "clipped"),
}


def study(count, seed):
    """Share of records in which each fault was seen; of clean ones, each flag raised."""
    for fault, wanted in WANTED.items():
        rng = np.random.default_rng(seed)
        seen, raised = 0, {}
        for _ in range(count):
            y, rate, *_ = record(rng, fault)
            names = {flag.name for flag in measure_pulse(y, rate).flags}
            seen += bool(names & set(wanted))
            for name in names:
                raised[name] = raised.get(name, 0) + 1
        print(f"{fault or 'clean'}: seen {100 * seen / count:.1f} %, raised {raised}")
    for low, high in ((7.5, 10), (10, 15), (15, 30)):
        rng = np.random.default_rng(seed)
        errors, within, flagged = [], [], 0
        for _ in range(count):
            y, rate, peak_g, _ = record(rng, samples=rng.uniform(low, high) / 0.9)
            m = measure_pulse(y, rate)
            if m.void_reason or m.peak_uncertainty_g is None:
                flagged += 1
                continue
            errors.append(abs(m.peak_g / peak_g - 1))
            within.append(abs(m.peak_g - peak_g) < 2 * m.peak_uncertainty_g)
        most = 100 * np.quantile(errors, 0.95)
        print(
            f"{low:g} to {high:g} samples: 95 % of errors below {most:.1f} %, twice"
            f" the uncertainty holds {100 * np.mean(within):.1f} %, void {flagged}"
        )


def lossy(rng, fault=None):
    """A record of another generator, and the acceleration left where samples of it were lost."""
    shape = str(rng.choice(list(simulated_records.SHAPES)))
    samples = float(np.exp(rng.uniform(np.log(9), np.log(2000))))
    made = simulated_records.simulate(
        rng,
        shape=shape,
        samples=samples,
        noise=(1e-4, 2e-2),
        bits=int(rng.choice([8, 10, 12, 14, 16, 24])),
    )
    y = made.acceleration_g.copy()
    if fault is None:
        return made, y, slice(0)
    up = y * np.sign(y[np.argmax(np.abs(y))])
    base = samples / simulated_records.TRUTHS[shape][1]
    high = np.flatnonzero(up > 0.3 * made.peak_g)
    first = int(rng.choice(high[high <= high[0] + base]))
    part = max(int(rng.uniform(0.03, 0.3) * base), 1)
    lost = int(rng.integers(1, 4)) if rng.random() < 1 / 3 else part
    stretch = slice(first + 1, first + 1 + lost)
    y[stretch] = 0.0 if fault == "dropout" else y[first]
    return made, y, stretch


def comes_back(made, stretch):
    """Whether the first sample after a loss is still above 10 % of the peak."""
    y = made.acceleration_g
    level_g = np.median(y[: stretch.start // 3])
    after_g = y[min(stretch.stop, y.size - 1)] - level_g
    return bool(after_g * np.sign(y[np.argmax(np.abs(y))]) >= 0.1 * made.peak_g)


def is_off(found, whole):
    """Whether peak, duration or velocity change differs by over 2 % from the whole record's."""
    names = ("peak_g", "pulse_duration_ms", "velocity_change_m_s")
    pairs = [(getattr(found, name), getattr(whole, name)) for name in names]
    return any(b and abs((a or 0.0) / b - 1.0) > 0.02 for a, b in pairs)


def losses(count, seed):
    """Share of losses that were seen: all, by what they changed, and by samples lost."""
    groups = {
        "all": lambda lost, back, off: True,
        "back within the pulse, a measure off": lambda lost, back, off: back and off,
        "no measure off": lambda lost, back, off: not off,
        "lasts to the pulse's end, a measure off": lambda lost, back, off: not back and off,
        "back, off, 1 or 2 lost": lambda lost, back, off: back and off and lost < 3,
        "back, off, more lost": lambda lost, back, off: back and off and lost >= 3,
    }
    for fault in (None, "dropout", "held"):
        rng = np.random.default_rng(seed)
        seen = {name: [] for name in groups}
        for _ in range(count):
            made, y, stretch = lossy(rng, fault)
            found = measure_pulse(y, made.sample_rate_hz)
            names = {flag.name for flag in found.flags}
            whole = measure_pulse(made.acceleration_g, made.sample_rate_hz)
            what = (stretch.stop - (stretch.start or 0), comes_back(made, stretch)) if fault else ()
            for name, holds in groups.items():
                if name == "all" or (fault and holds(*what, is_off(found, whole))):
                    seen[name].append(bool(names & set(WANTED["held"])))
        shares = (
            f"{name} {100 * np.mean(each):.1f} % of {len(each)}"
            for name, each in seen.items()
            if each
        )
        print(f"other generator, {fault or 'clean'}: seen of " + ", ".join(shares))


if __name__ == "__main__":
    asked = [int(each) for each in (*sys.argv[1:], 400, 1)[:2]]
    study(*asked)
    losses(*asked)
