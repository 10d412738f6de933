"""Record and judgement for the durability of protective cases and of the devices inside them.

The library's public names, each loaded when it is first used::

    import durability
    drops = durability.open_store("durability.duckdb").frame("all_drops")
    durability.trends(drops)
"""

from __future__ import annotations

import importlib
from typing import Any

PROGRAM_VERSION = "0.2.0"
"""Stands here in one place; importlib.metadata would cost 50 ms at each start."""

_PUBLIC = {
    "open_store": "durability.library",
    "Store": "durability.library",
    "trends": "durability.library",
    "forecasts": "durability.library",
    "ranking": "durability.library",
    "comparison": "durability.library",
    "latent_link": "durability.library",
    "backtest": "durability.library",
    "WearCurve": "durability.wear.wear_curve",
    "LatentFailure": "durability.devices.latent_failure",
    "measure_pulse": "durability.pulse.measure",
    "shock_response_spectrum": "durability.pulse.spectrum",
    "spectrum_frequencies": "durability.pulse.spectrum",
    "DurabilityError": "durability.record.errors",
}

__all__ = sorted(_PUBLIC)


def __getattr__(name: str) -> Any:
    """A public name, loaded now (PEP 562): the command line starts without any of them."""
    if name not in _PUBLIC:
        raise AttributeError(f"module 'durability' has no attribute {name!r}")
    value = getattr(importlib.import_module(_PUBLIC[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return [*globals(), *_PUBLIC]
