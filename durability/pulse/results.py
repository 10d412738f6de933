"""What records of acceleration gave: traces, spectra, and measures made again."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING

from durability.record.records import PulseMeasures

if TYPE_CHECKING:
    from durability.record.receipts import Rejection
    from durability.record.records import BoolArray, FloatArray
    from durability.record.vocabulary import FlagName


@dataclass(frozen=True, slots=True)
class RemeasuredDrop:
    """One drop before and after its waveform was measured again."""

    series: str
    drop_number: int
    before: PulseMeasures
    after: PulseMeasures
    status_before: str
    status: str
    kept_by_hand: tuple[str, ...] = ()
    """What a person has set and the new measures therefore leave alone."""

    @property
    def flags_came(self) -> tuple[FlagName, ...]:
        """Flags that the former measures did not raise."""
        known = {flag.name for flag in self.before.flags}
        return tuple(flag.name for flag in self.after.flags if flag.name not in known)

    @property
    def flags_went(self) -> tuple[FlagName, ...]:
        """Flags that only the former measures raised."""
        known = {flag.name for flag in self.after.flags}
        return tuple(flag.name for flag in self.before.flags if flag.name not in known)


@dataclass(frozen=True, slots=True)
class Remeasurement:
    """What became of waveforms that were measured again."""

    drops: tuple[RemeasuredDrop, ...]
    left: tuple[Rejection, ...]
    """Drops whose waveform can't be measured that way: they keep their former measures."""
    is_stored: bool

    @property
    def changed(self) -> tuple[RemeasuredDrop, ...]:
        """Drops whose measures differ from the former ones."""
        return tuple(each for each in self.drops if each.before != each.after)


@dataclass(frozen=True, slots=True)
class PulseTrace:
    """One drop's record as it is drawn; arrays of shape (n_samples,).

    Accelerations are taken from the baseline, the first impact upwards.
    """

    series: str
    drop_number: int
    time_ms: FloatArray
    """From the first crossing of 10 % of the peak; from the first sample without an impact."""
    raw_g: FloatArray
    filtered_g: FloatArray
    """After the filter of ``measures``."""
    measures: PulseMeasures
    status: str
    void_reason: str | None
    channel: str
    file_name: str | None
    peak_g: float | None = None
    """As it stands in the record, which a person may have amended."""


@dataclass(frozen=True, slots=True)
class PulseChange:
    """What became of one measure of the pulse from one drop to another."""

    name: str
    """Column name, with its unit."""
    before: float
    after: float
    before_uncertainty: float | None
    """Standard uncertainties; None where not evaluated."""
    after_uncertainty: float | None

    @property
    def change(self) -> float:
        """After less before."""
        return self.after - self.before

    @property
    def uncertainty(self) -> float | None:
        """Standard uncertainty of the change, those of both drops being independent."""
        if self.before_uncertainty is None or self.after_uncertainty is None:
            return None
        return hypot(self.before_uncertainty, self.after_uncertainty)

    @property
    def is_shown(self) -> bool | None:
        """Whether the change exceeds twice its standard uncertainty; None where not evaluated."""
        return None if self.uncertainty is None else abs(self.change) > 2.0 * self.uncertainty


def pulse_changes(before: PulseMeasures, after: PulseMeasures) -> tuple[PulseChange, ...]:
    """What changed in the pulse, measure by measure; what either lacks is left out.

    Parameters
    ----------
    before, after : PulseMeasures
        Of two drops. What is common to both, like the sensor's calibration, is in neither
        uncertainty.

    Examples
    --------
    >>> a = PulseMeasures("pulse", 1e5, 9, peak_g=400.0, peak_uncertainty_g=3.0)
    >>> b = PulseMeasures("pulse", 1e5, 9, peak_g=440.0, peak_uncertainty_g=4.0)
    >>> [(each.name, each.change, each.uncertainty) for each in pulse_changes(a, b)]
    [('peak_g', 40.0, 5.0)]
    """
    found = []
    for name, uncertainty in _COMPARED.items():
        values = getattr(before, name), getattr(after, name)
        if None not in values:
            known = [getattr(each, uncertainty or "", None) for each in (before, after)]
            found.append(PulseChange(name, *values, *known))
    return tuple(found)


_COMPARED = {
    "peak_g": "peak_uncertainty_g",
    "pulse_duration_ms": "pulse_duration_uncertainty_ms",
    "rise_time_ms": None,
    "velocity_change_m_s": "velocity_change_uncertainty_m_s",
    "restitution": None,
}
"""Measure → its standard uncertainty, where there is one."""


@dataclass(frozen=True, slots=True)
class PulseCloud:
    """Peak against duration of the drops of one group; arrays of shape (n_drops,)."""

    group: str
    series: int
    peak_g: FloatArray
    pulse_duration_ms: FloatArray
    age: FloatArray
    """0 at the first drop of its series, 1 at its last."""
    voided: BoolArray
    without_duration: int
    """Valid drops that have no pulse duration on record."""


@dataclass(frozen=True, slots=True)
class ShockSpectrum:
    """Shock response spectra; arrays of shape (n_frequencies,) or (n_records, n_frequencies)."""

    method: str
    q: float
    sample_rate_hz: float
    frequency_hz: FloatArray
    """Natural frequencies, shape (n_frequencies,)."""
    absolute_acceleration_g: FloatArray
    """Maximax: largest absolute acceleration during or after the record, either sign."""
    pseudo_velocity_m_s: FloatArray
    """2π × frequency × largest relative displacement, during or after the record."""
    positive_g: FloatArray
    negative_g: FloatArray
    """Most positive and most negative absolute acceleration, during or after the record."""
    primary_g: FloatArray
    """Largest while the record lasts."""
    residual_g: FloatArray
    """Largest after its last sample, the base at rest."""
    beyond_sampling: BoolArray
    """True for frequencies above a tenth of the sample rate, shape (n_frequencies,)."""


@dataclass(frozen=True, slots=True)
class SeriesWaveforms:
    """Waveforms of one series with their spectra."""

    traces: tuple[PulseTrace, ...]
    of: int
    """Waveforms that the series has, of valid drops."""
    spectrum_drops: tuple[int, ...]
    spectrum: ShockSpectrum | None
    """None without a record that has an impact."""
    left_out: int
    """Records at another sample rate, without a spectrum here."""
