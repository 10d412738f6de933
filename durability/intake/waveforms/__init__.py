"""Oscilloscope and recorder exports → waveforms in g, with file name and SHA-256."""

from durability.intake.waveforms.formats import MAX_FILE_BYTES
from durability.intake.waveforms.reading import CrossChannel, read_waveform

__all__ = ["MAX_FILE_BYTES", "CrossChannel", "read_waveform"]
