"""What is kept comes back as it was read."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_records import simulate

from durability.pulse.impact import counted, in_rising_order
from durability.pulse.waveform_codec import WaveformDamaged, decode, encode


def recorder_record(rng, *, decimals=None, factor=1.0):
    """A 12-bit record as a file would hold it: printed decimals, or codes, times a conversion."""
    record = simulate(rng).acceleration_g
    step = np.diff(np.unique(record)).min()
    codes = np.rint(record / step)
    if decimals is not None:
        return np.array([float(f"{code * 0.008:.{decimals}f}") for code in codes]) * factor
    return codes * factor


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("factor", [1.0, 1000.0 / 9.87, 1.0 / 9.80665, 1e-7])
def test_recorder_values_come_back_exactly_and_small(seed, factor):
    rng = np.random.default_rng(seed)
    values = recorder_record(rng, decimals=6 if seed % 2 else None, factor=factor)
    kept = encode(values)
    assert np.array_equal(decode(kept), values)
    assert len(kept) < 1.6 * values.size  # a float64 takes 8


@pytest.mark.parametrize(
    "values",
    [
        np.random.default_rng(0).standard_normal(5000),
        np.random.default_rng(1).standard_normal(5000).astype(np.float32).astype(np.float64),
        np.array([0.1, 0.2, 0.3, 0.1 + 0.2, 1e-300, 1e300]),
        np.array([np.nan, np.inf, -np.inf, 1.0]),
        np.array([-0.0, 0.0, 1.0, -1.0]),
        np.zeros(1000),
        np.full(7, 1.1),
        np.array([3.3]),
        np.array([]),
        np.array([5e-324, -5e-324, 0.0, 1.0]),
        np.arange(-300, 300) * 1e9 + 0.5,
        np.round(np.random.default_rng(2).standard_normal(500), 2) - 7.13,
    ],
)
def test_any_values_come_back(values):
    assert np.array_equal(decode(encode(values)), values, equal_nan=True)


def test_random_grids_come_back():
    rng = np.random.default_rng(12)
    for _ in range(300):
        codes = rng.integers(-(2 ** int(rng.integers(1, 24))), 2 ** int(rng.integers(1, 24)), 200)
        scale = float(np.exp(rng.uniform(-20, 10)))
        values = codes * scale + rng.choice([0.0, scale * 0.37, 1e3 * scale])
        assert np.array_equal(decode(encode(values)), values)


def test_float32_values_take_four_bytes_at_most():
    values = np.random.default_rng(1).standard_normal(5000).astype(np.float32)
    assert len(encode(values.astype(np.float64))) < 4.1 * values.size


def test_damaged_bytes_are_told():
    kept = encode(recorder_record(np.random.default_rng(4)))
    for damaged in (b"", kept[:10], kept[:-20], b"XXXX" + kept[4:]):
        with pytest.raises(WaveformDamaged):
            decode(damaged)


def test_more_than_one_row_is_refused():
    with pytest.raises(ValueError, match="one row"):
        encode(np.zeros((2, 3)))


@pytest.mark.parametrize("form", [".6g", ".7g", ".4f", ".9f", ".17g"])
def test_few_digits_in_print_take_no_more_room(form):
    """A step of 1200/4096 g as volts in print: no grid any more, still few values."""
    codes = np.rint(400.0 * np.random.default_rng(3).standard_normal(15_000) / 60.0)
    volts = np.array([float(f"{code * 1200 / 4096 * 0.0005:{form}}") for code in codes])
    values = volts * 2000.0
    kept = encode(values)
    assert np.array_equal(decode(kept), values)
    assert len(kept) < 1.6 * values.size


def test_samples_that_have_no_value_are_told():
    values = np.round(np.random.default_rng(3).standard_normal(4000), 1) ** 3
    kept = bytearray(encode(values))
    assert np.array_equal(decode(bytes(kept)), values)
    kept[14] ^= 0x40  # the place of the first sample
    with pytest.raises(WaveformDamaged):
        decode(bytes(kept))


@pytest.mark.parametrize("kind", ["noise", "grid", "printed grid", "twice printed", "level"])
def test_values_are_counted_as_by_sorting(kind):
    rng = np.random.default_rng(3)
    for size in (1, 2, 700, 5000):
        values = {
            "noise": rng.standard_normal(size),
            "grid": np.round(rng.standard_normal(size) / 0.01) * 0.01,
            "printed grid": np.round(20.0 * rng.standard_normal(size)) * 0.0025 / 0.002 + 0.1,
            # Two prints of one reading that differ in the last bits.
            "twice printed": rng.choice([0.3, np.nextafter(0.3, 1.0), 0.4], size),
            "level": np.full(size, 0.3),
        }[kind]
        for found, right in zip(counted(values), np.unique(values, return_counts=True)):
            np.testing.assert_array_equal(found, right)
        np.testing.assert_array_equal(in_rising_order(values), np.sort(values))
