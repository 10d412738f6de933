"""Shock response spectra against closed forms, tables and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from naive_pulse import spectrum_by_recursion
from pyyeti import srs

from durability.pulse.spectrum import shock_response_spectrum, spectrum_frequencies
from durability.record.errors import UnusableCall


def half_sine(peak_g, base_s, fs):
    """Ends with the pulse, so that the residual is what follows it."""
    return peak_g * np.sin(np.pi * np.arange(round(base_s * fs) + 1) / (base_s * fs))


TABLE = [
    # 100 g, 11 ms half-sine, Q = 10, zero initial conditions: f in Hz, closed-form maximax in g,
    # primary, residual in g, pseudo-velocity in m/s (exact single-degree-of-freedom solution,
    # confirmed by DOP853 with rtol 1e-11)
    (5, 20.43171, 5.8574, 20.4317, 6.3460),
    (10, 40.51757, 18.3934, 40.5176, 6.2923),
    (20, 78.31123, 57.5423, 78.3112, 6.0808),
    (30, 110.88101, 102.1748, 110.8810, 5.7399),
    (40, 136.15475, 135.9153, 136.1548, 5.2861),
    (50, 152.62859, 152.6286, 146.9837, 4.7441),
    (60, 161.36053, 161.3605, 136.3765, 4.1826),
    (75, 165.16258, 165.1626, 130.1304, 3.4274),
    (80, 164.82748, 164.8275, 124.3541, 3.2073),
    (100, 159.13957, 159.1396, 87.3374, 2.4787),
    (150, 135.52495, 135.5250, 23.9737, 1.4083),
    (200, 113.96062, 113.9606, 28.4189, 0.8885),
    (300, 110.98594, 110.9859, 14.0639, 0.5771),
    (500, 104.70190, 104.7019, 6.9899, 0.3268),
    (1000, 100.75643, 100.7564, 4.3530, 0.1573),
    (2000, 100.09342, 100.0934, 2.1092, 0.0781),
]


@pytest.mark.parametrize(("fs", "within"), [(1e6, 2e-5), (1e5, 6e-4), (2e4, 1e-2)])
def test_half_sine_of_100_g_and_11_ms(fs, within):
    """To what the sampling leaves: 1 − cos(π f / fs) of a response between two samples, and less
    where it is slower; 1e-4 of the value at the lowest rate, where 1e-3 is asked."""
    f, maximax, primary, residual, velocity = np.array(TABLE).T
    s = shock_response_spectrum(half_sine(100.0, 0.011, fs), fs, f)
    assert s.absolute_acceleration_g == pytest.approx(maximax, abs=within)
    if fs == 1e6:
        assert s.primary_g == pytest.approx(primary, abs=6e-5)  # the table's digits
        assert s.residual_g == pytest.approx(residual, abs=6e-5)
        assert s.pseudo_velocity_m_s == pytest.approx(velocity, abs=6e-5)
        ratio = s.positive_g[1] / -s.negative_g[1]
        assert ratio == pytest.approx(1.170, abs=5e-4)  # + / − at 10 Hz
    assert list(s.beyond_sampling) == list(f > fs / 10)


UNDAMPED = [
    # f D, primary and residual of an undamped half-sine per unit peak: max over k of
    # sin(2 π k β / (1 + β)) / (1 − β) and |2 β cos(π f D) / (1 − β²)|, β = 1 / (2 f D)
    (0.1, 0.12246, 0.39627),
    (0.25, 0.66667, 0.94281),
    (0.6, 1.69040, 1.68555),
    (0.75, 1.76336, 1.69706),
    (0.8, 1.76833, 1.65952),
    (1.0, 1.73205, 1.33333),
    (1.25, 1.62488, 0.67344),
    (1.5, 1.50000, 0.0),
    (2.0, 1.26808, 0.53333),
    (3.0, 1.16991, 0.34286),
    (5.0, 1.09980, 0.20202),
]


def test_undamped_half_sine():
    product, primary, residual = np.array(UNDAMPED).T
    fs, base_s = 1e6, 0.01
    s = shock_response_spectrum(half_sine(1.0, base_s, fs), fs, product / base_s, q=1e9)
    assert s.primary_g == pytest.approx(primary, abs=1e-5)
    assert s.residual_g == pytest.approx(residual, abs=2e-5)  # the last sample's ramp


@pytest.mark.parametrize(
    ("q", "largest", "product"),
    [(1e9, 1.768458, 0.80994), (10, 1.6516, 0.823), (25, 1.7184, 0.816), (50, 1.7429, 0.813)],
)
def test_largest_response_to_a_half_sine(q, largest, product):
    fs, base_s = 1e6, 0.01
    f = np.linspace(0.7, 0.95, 251) / base_s
    s = shock_response_spectrum(half_sine(1.0, base_s, fs), fs, f, q=q)
    best = int(np.argmax(s.absolute_acceleration_g))
    assert s.absolute_acceleration_g[best] == pytest.approx(largest, abs=6e-5)
    assert f[best] * base_s == pytest.approx(product, abs=2e-3)  # step of the grid, flat top


def test_low_frequency_plateau_is_the_velocity_change():
    """Undamped: Δv; at Q = 10: exp(−ζ acos ζ / √(1 − ζ²)) = 0.926692 of it. f T goes to 1e-7."""
    fs = 1e6
    x = half_sine(100.0, 0.001, fs)
    change = 2 / np.pi * 100 * 9.80665 * 0.001
    f = np.array([0.1, 1.0, 5.0])
    for q, share in ((1e9, 1.0), (10.0, 0.926692)):
        s = shock_response_spectrum(x, fs, f, q=q)
        assert s.pseudo_velocity_m_s / change == pytest.approx(share, rel=3e-4)


def test_saw_tooth_near_undamped():
    """Ideal final-peak saw-tooth: 1.185, 1.231, 1.000, 1.000 at f D = 0.5, 0.75, 1, 2 (theory)."""
    fs, base_s = 1e6, 0.01
    x = np.arange(10_001) / 10_000
    f = np.array([0.5, 0.75, 1.0, 2.0]) / base_s
    s = shock_response_spectrum(x, fs, f, q=1e6)
    assert s.absolute_acceleration_g == pytest.approx([1.185, 1.231, 1.0, 1.0], abs=1e-3)


def test_published_coefficients():
    """Smallwood's filter at 10 kHz, ζ 0.05: first three responses to a unit sample, from
    b = 0.0037908, 0.00261605, …, a1 = −1.98980234 (100 Hz) and 0.09328992, … (1000 Hz)."""
    for f, b0, b1, a1 in (
        (100.0, 0.0037908, 0.00261605, -1.98980234),
        (1000.0, 0.09328992, 0.24453322, -1.56888693),
    ):
        alone = shock_response_spectrum(np.array([0.0, 1.0]), 10_000.0, np.array([f]))
        assert alone.primary_g[0] == pytest.approx(b0, rel=1e-5)
        two = shock_response_spectrum(np.array([1.0, 0.0]), 10_000.0, np.array([f]))
        assert two.primary_g[0] == pytest.approx(max(b0, b1 - a1 * b0), rel=1e-5)


@pytest.mark.parametrize("samples", [2, 23, 24, 25, 777])
def test_agrees_with_pyyeti_and_the_slow_twin(samples):
    rng = np.random.default_rng(samples)
    records = rng.standard_normal((3, samples))
    fs = 50_000.0
    f = np.geomspace(20.0, 15_000.0, 23)
    s = shock_response_spectrum(records, fs, f)
    theirs = srs.srs(
        records.T,
        fs,
        f,
        10,
        ic="zero",
        time="primary",
        parallel="no",
        eqsine=False,
        peak="abs",
        rolloff="none",
    )
    assert s.primary_g == pytest.approx(np.asarray(theirs).T, rel=1e-6)
    naive = spectrum_by_recursion(records[1], fs, f, 10)
    assert s.primary_g[1] == pytest.approx(naive, rel=1e-6)


def test_residual_agrees_with_a_record_continued_by_zeros():
    rng = np.random.default_rng(4)
    x = np.concatenate((rng.standard_normal(500), [0.0]))
    fs, f = 100_000.0, np.array([40.0, 150.0, 900.0])
    short = shock_response_spectrum(x, fs, f)
    long = shock_response_spectrum(np.concatenate((x, np.zeros(20_000))), fs, f)
    assert short.absolute_acceleration_g == pytest.approx(long.absolute_acceleration_g, rel=1e-4)
    assert short.pseudo_velocity_m_s == pytest.approx(long.pseudo_velocity_m_s, rel=1e-4)


def test_scale_order_and_shapes():
    rng = np.random.default_rng(9)
    records = rng.standard_normal((4, 300))
    s = shock_response_spectrum(records, 1e5)
    one = shock_response_spectrum(3 * records[2], 1e5)
    assert s.absolute_acceleration_g.shape == (4, s.frequency_hz.size)
    assert one.absolute_acceleration_g.shape == one.frequency_hz.shape
    assert one.absolute_acceleration_g == pytest.approx(3 * s.absolute_acceleration_g[2], rel=1e-9)
    assert np.all(s.absolute_acceleration_g == np.maximum(s.primary_g, s.residual_g))


def test_twelve_to_the_octave():
    f = spectrum_frequencies(10.0, 10_000.0)
    assert f[0] == 10.0
    assert f[12] == pytest.approx(20.0)
    assert f[-1] <= 10_000.0 < f[-1] * 2 ** (1 / 12)
    assert spectrum_frequencies(10.0, 20.0)[-1] == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("x", "options"),
    [
        (np.zeros(1), {}),
        (np.array([0.0, np.nan, 1.0]), {}),
        (np.zeros(9), {"q": 0.5}),
        (np.zeros(9), {"frequency_hz": np.array([0.0, 10.0])}),
    ],
)
def test_unusable_calls_are_refused(x, options):
    with pytest.raises(UnusableCall):
        shock_response_spectrum(x, 1e4, **options)
