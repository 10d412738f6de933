"""Detection of wear: is the rise in peak g real, and since when."""

from durability.trend.kendall import MannKendall, TheilSen, mann_kendall, theil_sen
from durability.trend.verdict import BlockVerdict, judge_block, judge_trends

__all__ = [
    "BlockVerdict",
    "MannKendall",
    "TheilSen",
    "judge_block",
    "judge_trends",
    "mann_kendall",
    "theil_sen",
]
