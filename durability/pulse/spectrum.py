"""Acceleration records → shock response spectra, many records at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.pulse.results import ShockSpectrum
from durability.record.errors import UnusableCall
from durability.record.units import STANDARD_GRAVITY_M_S2

if TYPE_CHECKING:
    from durability.record.records import FloatArray

METHOD = "ramp-invariant recursive filter (Smallwood 1981)"

FREQUENCIES_PER_OCTAVE = 12

MAX_FREQUENCY_OVER_SAMPLE_RATE = 0.1
"""Above this fraction of the sample rate the largest response may fall between two samples by more
than 5 % (1 − cos(π / 10)): ISO 18431-4 asks for ten samples a cycle."""

_BLOCK_SAMPLES = 24
"""Samples advanced by one matrix product: enough for the product to be worth its call, few enough
for its cost, which grows with them."""

_STATE_VALUES = 1 << 22
"""States kept at a time: 32 MB, whatever the number of records."""

_COLUMNS = 2048
"""Blocks worked on at a time: about half a megabyte, which stays in the processor's cache."""

_SERIES_BELOW = 0.5
"""Radians a sample below which the coefficients come from their power series: closed forms lose
digits as 1 / radians²."""

_SERIES_TERMS = 18


def spectrum_frequencies(low_hz: float, high_hz: float) -> FloatArray:
    """Natural frequencies from ``low_hz`` to at most ``high_hz``, 12 to the octave.

    Parameters
    ----------
    low_hz, high_hz : float
        Both positive, in Hz.

    Returns
    -------
    ndarray of shape (n_frequencies,)
    """
    count = int(np.floor(FREQUENCIES_PER_OCTAVE * np.log2(high_hz / low_hz) + 1e-9)) + 1
    frequencies: FloatArray = low_hz * 2.0 ** (np.arange(count) / FREQUENCIES_PER_OCTAVE)
    return frequencies


def shock_response_spectrum(
    acceleration_g: FloatArray,
    sample_rate_hz: float,
    frequency_hz: FloatArray | None = None,
    *,
    q: float = 10.0,
) -> ShockSpectrum:
    """Largest response of single-degree-of-freedom systems whose base follows a record.

    The system, at rest before the first sample, follows z″ + (ω/Q) z′ + ω² z = −ẍ, with the base's
    acceleration ẍ running straight from sample to sample: exact at the samples (D. O. Smallwood,
    "An improved recursive formula for calculating shock response spectra", Shock and Vibration
    Bulletin 51, 1981). In place of that filter's differences its state, ω² z and ω z′, is carried
    on, which keeps its digits at low frequencies. After the last sample the base is at rest, and
    the response is that of a free system, in closed form.

    Parameters
    ----------
    acceleration_g : ndarray of shape (n_samples,) or (n_records, n_samples)
        In g, baseline removed; not low-passed below 1.5 × the highest frequency.
    sample_rate_hz : float
        Samples per second.
    frequency_hz : ndarray of shape (n_frequencies,), optional
        Natural frequencies. By default 12 to the octave from the one that fits twice into the
        record, or 10 Hz if that is higher, to a tenth of the sample rate.
    q : float
        Amplification at resonance, 1 / (2 × damping ratio).

    Returns
    -------
    ShockSpectrum
        Arrays of shape (n_frequencies,), or (n_records, n_frequencies) for several records.

    Raises
    ------
    UnusableCall
        Fewer than two samples, values that are not finite, ``q`` of 0.5 or less (no vibration),
        or frequencies that are not positive.
    """
    records = np.atleast_2d(np.asarray(acceleration_g, dtype=np.float64))
    if records.ndim != 2 or records.shape[1] < 2 or not np.isfinite(records).all():
        raise UnusableCall("a spectrum needs records of at least 2 samples, all of them numbers")
    if not q > 0.5:
        raise UnusableCall(f"Q {q:g}: a system vibrates only above 0.5")
    if frequency_hz is None:
        low_hz = max(10.0, sample_rate_hz * 2.0 / records.shape[1])
        high_hz = MAX_FREQUENCY_OVER_SAMPLE_RATE * sample_rate_hz
        frequency_hz = spectrum_frequencies(min(low_hz, high_hz), high_hz)
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    if frequency_hz.ndim != 1 or not np.all(frequency_hz > 0.0):
        raise UnusableCall("natural frequencies must be positive, in one row")

    damping = 1.0 / (2.0 * q)
    radians = 2.0 * np.pi * frequency_hz / sample_rate_hz
    extremes, state = _forced(records, radians, damping)
    free = _free(state, damping)

    positive = np.maximum(extremes[0], free[0])
    negative = np.minimum(extremes[1], free[1])
    primary = np.maximum(extremes[0], -extremes[1])
    residual = np.maximum(free[0], -free[1])
    relative = np.maximum(np.maximum(extremes[2], -extremes[3]), np.maximum(free[2], -free[3]))
    pseudo_velocity = relative * STANDARD_GRAVITY_M_S2 / (2.0 * np.pi * frequency_hz)
    shape = np.shape(acceleration_g)[:-1] + frequency_hz.shape
    return ShockSpectrum(
        method=METHOD,
        q=q,
        sample_rate_hz=sample_rate_hz,
        frequency_hz=frequency_hz,
        absolute_acceleration_g=np.maximum(positive, -negative).reshape(shape),
        pseudo_velocity_m_s=pseudo_velocity.reshape(shape),
        positive_g=positive.reshape(shape),
        negative_g=negative.reshape(shape),
        primary_g=primary.reshape(shape),
        residual_g=residual.reshape(shape),
        beyond_sampling=frequency_hz > MAX_FREQUENCY_OVER_SAMPLE_RATE * sample_rate_hz * (1 + 1e-9),
    )


# ------------------------------------------------------------------------------- the recursion


def _step_matrices(
    radians: FloatArray, damping: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Matrices that advance the state by one sample.

    With time counted in 1/ω and the state s = (ω² z, ω z′), s′ = A s + b ẍ, A = [[0, 1],
    [−1, −2ζ]], b = (0, −1). Over one sample of u radians with a straight ẍ,
    s₁ = φ₀ s₀ + (φ₁ − φ₂) u b ẍ₀ + φ₂ u b ẍ₁, where φ_k = Σ (A u)ⁿ / (n + k)!.

    Returns
    -------
    tuple of ndarray
        φ₀ of shape (n_frequencies, 2, 2), and the weights of the earlier and the later sample, both
        of shape (n_frequencies, 2).
    """
    matrix = np.array([[0.0, 1.0], [-1.0, -2.0 * damping]])
    eye = np.eye(2)
    u = radians[:, None, None]
    scaled = matrix * u
    power = np.broadcast_to(eye, scaled.shape)
    phi0, phi1, phi2 = (np.zeros_like(scaled) for _ in range(3))
    factorial = 1.0
    small = radians < _SERIES_BELOW
    for n in range(_SERIES_TERMS):
        factorial *= max(n, 1)
        phi0 += power / factorial
        phi1 += power / (factorial * (n + 1))
        phi2 += power / (factorial * (n + 1) * (n + 2))
        power = power @ np.where(small[:, None, None], scaled, 0.0)
    ringing = np.sqrt(1.0 - damping**2)
    decay = np.exp(-damping * u)
    cosine, sine = np.cos(ringing * u), np.sin(ringing * u) / ringing
    closed0 = decay * (cosine * eye + sine * (matrix + damping * eye))
    inverse = np.linalg.inv(matrix) / u
    closed1 = inverse @ (closed0 - eye)
    closed2 = inverse @ (closed1 - eye)
    large = ~small[:, None, None]
    phi0, phi1, phi2 = (
        np.where(large, closed, series)
        for closed, series in ((closed0, phi0), (closed1, phi1), (closed2, phi2))
    )
    push = np.array([0.0, -1.0])
    return phi0, ((phi1 - phi2) * u) @ push, (phi2 * u) @ push


def _block_matrices(radians: FloatArray, damping: float, block: int) -> tuple[FloatArray, ...]:
    """Matrices that advance a whole block of samples and give all responses within it.

    What goes in are the sample before the block, the block's samples and the state before it.

    Returns
    -------
    tuple of ndarray
        Of shapes (n_frequencies, 2 × block, block + 3): → absolute acceleration at each sample,
        then ω² z; (n_frequencies, 2, block + 1): samples → state after the block; and
        (n_frequencies, 2, 2): state before → state after.
    """
    phi0, earlier, later = _step_matrices(radians, damping)
    respond = np.array([[-1.0, -2.0 * damping], [1.0, 0.0]])
    onward = np.zeros((radians.size, 2, block + 3))
    onward[:, :, -2:] = np.eye(2)
    responses = np.empty((radians.size, 2, block, block + 3))
    for step in range(block):
        onward = phi0 @ onward
        onward[:, :, step] += earlier
        onward[:, :, step + 1] += later
        responses[:, :, step] = respond @ onward
    flat = responses.reshape(radians.size, 2 * block, block + 3)
    return flat, np.ascontiguousarray(onward[:, :, :-2]), np.ascontiguousarray(onward[:, :, -2:])


def _forced(
    records: FloatArray, radians: FloatArray, damping: float
) -> tuple[FloatArray, FloatArray]:
    """Extremes of the responses while the records last, and the state at their end.

    Returns
    -------
    extremes : ndarray of shape (4, n_records, n_frequencies)
        Largest and smallest absolute acceleration, largest and smallest ω² z.
    state : ndarray of shape (n_frequencies, 2, n_records)
    """
    count, length = records.shape
    whole = length - length % _BLOCK_SAMPLES
    # At rest before the first sample, on a base that is at rest too.
    rested = np.pad(records, ((0, 0), (1, 0)))
    extremes = np.zeros((4, count, radians.size))
    states = np.zeros((radians.size, 2, count))
    many = max(_STATE_VALUES * _BLOCK_SAMPLES // (2 * radians.size * length), 1)
    for begin, stop, block in ((0, whole, _BLOCK_SAMPLES), (whole, length, length - whole)):
        if begin == stop:
            continue
        matrices = _block_matrices(radians, damping, block)
        for top in range(0, count, many):
            rows = slice(top, top + many)
            part = rested[rows, begin : stop + 1]
            states[:, :, rows] = _pass(part, block, matrices, states[:, :, rows], extremes[:, rows])
    return extremes, states


def _pass(
    records: FloatArray,
    block: int,
    matrices: tuple[FloatArray, ...],
    state: FloatArray,
    extremes: FloatArray,
) -> FloatArray:
    """Run over whole blocks: widen ``extremes`` in place and give back the state at the end.

    First the state before every block, one block after the other; then, with those known, the
    responses within all blocks, which no longer depend on each other.
    """
    respond, from_samples, from_state = matrices
    frequencies = respond.shape[0]
    blocks = np.lib.stride_tricks.sliding_window_view(records, block + 1, axis=1)[:, ::block]
    count, number = blocks.shape[:2]
    # Shape (block + 1, blocks, records): a column for every block.
    columns = np.ascontiguousarray(blocks.transpose(2, 1, 0))
    pushed = (from_samples.reshape(2 * frequencies, -1) @ columns.reshape(block + 1, -1)).reshape(
        frequencies, 2, number, count
    )
    before = np.empty_like(pushed)
    for index in range(number):
        before[:, :, index] = state
        state = from_state @ state + pushed[:, :, index]

    width = max(_COLUMNS // count, 1)
    for begin in range(0, number, width):
        some = columns[:, begin : begin + width]
        entering = np.empty((block + 3, some.shape[1] * count))
        entering[:-2] = some.reshape(block + 1, -1)
        leaving = np.empty((2 * block, entering.shape[1]))
        for frequency in range(frequencies):
            entering[-2:] = before[frequency, :, begin : begin + width].reshape(2, -1)
            np.matmul(respond[frequency], entering, out=leaving)
            response = leaving.reshape(2, block, -1)
            # Within each block first: that runs along memory.
            largest = response.max(axis=1).reshape(2, -1, count).max(axis=1)
            smallest = response.min(axis=1).reshape(2, -1, count).min(axis=1)
            kept = extremes[:, :, frequency]
            np.maximum(kept[::2], largest, out=kept[::2])
            np.minimum(kept[1::2], smallest, out=kept[1::2])
    return state


def _free(state: FloatArray, damping: float) -> FloatArray:
    """Extremes of the free response that follows a state, as in ``_forced``.

    Each response is e^(−ζτ) (c cos ντ + d sin ντ), ν = √(1 − ζ²). It is extreme where its slope is
    zero, at tan ντ = (ν d − ζ c) / (ζ d + ν c), and each extreme is smaller than the one before:
    the first two, of opposite sign, are the largest.
    """
    place, speed = state[:, 0].T, state[:, 1].T
    ringing = np.sqrt(1.0 - damping**2)
    acceleration = -(place + 2.0 * damping * speed)
    # d/dτ of −(p + 2ζ v), with p′ = v and v′ = −p − 2ζ v on a base at rest.
    jerk = -(speed + 2.0 * damping * (-place - 2.0 * damping * speed))
    found: list[FloatArray] = []
    for value, slope in ((acceleration, jerk), (place, speed)):
        sine_part = (slope + damping * value) / ringing
        angle = np.arctan2(
            ringing * sine_part - damping * value, damping * sine_part + ringing * value
        )
        first = np.mod(angle, np.pi)
        tau = np.stack([np.zeros_like(first), first, first + np.pi])
        free = np.exp(-damping / ringing * tau) * (value * np.cos(tau) + sine_part * np.sin(tau))
        found += [free.max(axis=0), free.min(axis=0)]
    return np.stack(found)
