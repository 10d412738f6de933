"""Wear of a case: the level of its peak g over drops, averaged over plausible shapes."""

from durability.wear.fitting import fit_wear, log_level
from durability.wear.shapes import SHAPES

__all__ = ["SHAPES", "fit_wear", "log_level"]
