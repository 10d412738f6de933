"""The rig's own health from reference drops: same dummy, same pad, so any change is the rig's.

A climbing peak g may come from a worn anvil, a loosening mount, an ageing sensor or a colder room.
Everything runs on the logarithm of peak g: a drift is a factor.
"""

from durability.rig.charts import (
    cusum_chart,
    cusum_run_length,
    ewma_chart,
    individuals_chart,
)
from durability.rig.correction import rig_correction
from durability.rig.sessions import session_values
from durability.rig.watch import watch_rig

__all__ = [
    "cusum_chart",
    "cusum_run_length",
    "ewma_chart",
    "individuals_chart",
    "rig_correction",
    "session_values",
    "watch_rig",
]
