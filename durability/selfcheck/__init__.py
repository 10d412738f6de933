"""Published values run through this very program."""

from durability.selfcheck.checks import check_published_values

__all__ = ["check_published_values"]
