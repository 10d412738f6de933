"""The files of the invented demo, written anew: ``python tests/demo_files.py``.

Nothing in them was ever measured. A mountain-rescue team's handheld radios and four models of
protective sleeve. A rigid dummy wears the sleeves out one after another; radios are dropped more
or less often, in sleeves or bare, and inspected for half a year beside radios that were never
dropped. The sleeves behave differently on purpose: Tarn stays steady, Corrie settles after the
first drops, Scree climbs, Moraine splits. Every number comes from the formulas here, a fixed seed
and ``fixtures/demo/typed.toml``.
"""

import csv
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
from scenario.radios import look_at_radios
from scenario.record import FOLDER, Scenario
from scenario.sleeves import Bench

KINDS = ("specimens", "drops", "damage", "inspections")
_SEED = 20260302


def build_scenario() -> Scenario:
    """The invented record, the same at each call.

    Returns
    -------
    Scenario
        Specimens, drops, damage and inspections as rows of the files.
    """
    rng = np.random.default_rng(_SEED)
    scenario = Scenario()
    bench = Bench(rng, scenario)
    bench.wear_out_sleeves()
    bench.drop_bare_and_reference()
    radios = bench.drop_radios()
    look_at_radios(rng, scenario, radios)
    scenario.drops.sort(key=lambda row: (row["dropped_at"], row["series"]))
    return scenario


def write_files(scenario, folder):
    """Write the rows as the CSV files that the program takes; absent is blank."""
    for kind in KINDS:
        rows = getattr(scenario, kind)
        with (folder / f"{kind}.csv").open("w", encoding="utf-8", newline="") as opened:
            writer = csv.DictWriter(opened, fieldnames=list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    write_files(build_scenario(), FOLDER)
