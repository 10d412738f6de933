"""An invented scenario, for learning the commands: nothing in it was ever measured.

A mountain-rescue team's handheld radios and four models of protective sleeve. A rigid dummy wears
the sleeves out one after another; radios are dropped more or less often, in sleeves or bare, and
looked at for half a year beside radios that were never dropped. The sleeves behave differently on
purpose: Tarn stays steady, Corrie settles after the first drops, Scree climbs,
Moraine splits. Every number comes from the formulas here and a fixed seed.
"""

from __future__ import annotations

import numpy as np

from durability.scenario.radios import follow_up_plan, look_at_radios
from durability.scenario.record import INVENTED, FollowUpPlan, Row, Scenario
from durability.scenario.sleeves import Bench

__all__ = ["INVENTED", "FollowUpPlan", "Row", "Scenario", "build_scenario"]

_SEED = 20260302


def build_scenario() -> Scenario:
    """The invented record, the same at each call.

    Returns
    -------
    Scenario
        Specimens, drops, damage and inspections as rows of the files; sensors, their calibrations
        and the plan.
    """
    rng = np.random.default_rng(_SEED)
    scenario = Scenario(sensors=_sensors(), calibrations=_calibrations(), plan=follow_up_plan())
    bench = Bench(rng, scenario)
    bench.wear_out_sleeves()
    bench.drop_bare_and_reference()
    radios = bench.drop_radios()
    look_at_radios(rng, scenario, radios)
    scenario.drops.sort(key=lambda row: (row["dropped_at"], row["series"]))
    return scenario


def _sensors() -> dict[str, dict[str, str]]:
    certificate = {
        "sensitivity_mv_per_g": "1.02",
        "full_scale_g": "5000",
        "natural_frequency_hz": "54000",
        "calibrated_on": "2025-11-17",
        "calibration_due": "2026-11-17",
        "note": INVENTED,
    }
    lapsing = {
        "sensitivity_mv_per_g": "0.97",
        "calibrated_on": "2025-04-08",
        "calibration_due": "2026-04-08",
    }
    return {"demo-A1": certificate, "demo-A2": certificate | lapsing}


def _calibrations() -> dict[str, dict[str, str]]:
    """The sensor whose calibration had lapsed is found within its tolerance, and adjusted."""
    return {
        "demo-A2": {
            "calibrated_on": "2026-04-20",
            "calibration_due": "2026-10-19",
            "as_found_mv_per_g": "0.988",
            "as_left_mv_per_g": "0.97",
            "certificate": "demo-certificate-2",
            "laboratory": "demo laboratory",
            "interval_reason": "it had lapsed: twice a year from now on",
            "note": INVENTED,
        }
    }
