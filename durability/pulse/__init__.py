"""Acceleration → peak g, pulse duration, velocity change, and the flags of a bad record."""

from durability.pulse.low_pass import CLASS_TO_CUTOFF, ChannelClassStandard, low_pass
from durability.pulse.measure import METHOD, measure_pulse

__all__ = ["CLASS_TO_CUTOFF", "METHOD", "ChannelClassStandard", "low_pass", "measure_pulse"]
