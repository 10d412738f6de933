"""Acceleration → peak g, pulse duration, velocity change, doubts, spectra, bytes."""
