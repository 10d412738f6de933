"""Lives known only between two looks: parametric fits, and the curve that assumes no form.

A life is a row (known to last beyond, failed by] of ``X``, shape (n_lives, 2): infinite while it
still works, equal when exactly known, (0, t] when it was found failed at its first look.
"""

from durability.life.newton import maximise
from durability.life.parametric import (
    NEVER,
    Derivatives,
    LogNormalLife,
    WeibullLife,
    interval_log_likelihood,
)
from durability.life.standard_log_life import (
    FAMILIES,
    NORMAL,
    SMALLEST_EXTREME_VALUE,
    StandardLogLife,
)
from durability.life.turnbull import TurnbullLife, log_rank_scores

__all__ = [
    "FAMILIES",
    "NEVER",
    "NORMAL",
    "SMALLEST_EXTREME_VALUE",
    "Derivatives",
    "LogNormalLife",
    "StandardLogLife",
    "TurnbullLife",
    "WeibullLife",
    "interval_log_likelihood",
    "log_rank_scores",
    "maximise",
]
