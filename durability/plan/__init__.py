"""What to drop, and how often: power, reliability to be shown, and the sheet to follow."""

from durability.plan.power import cases_to_tell_apart, drops_to_see_rise, lab_scatter
from durability.plan.reliability import (
    reliability_shown,
    success_run_cases,
    weibayes_cases,
    weibayes_shown,
)
from durability.plan.sheet import drop_sheet, sheet_coverage, sheet_sha256

__all__ = [
    "cases_to_tell_apart",
    "drop_sheet",
    "drops_to_see_rise",
    "lab_scatter",
    "reliability_shown",
    "sheet_coverage",
    "sheet_sha256",
    "success_run_cases",
    "weibayes_cases",
    "weibayes_shown",
]
