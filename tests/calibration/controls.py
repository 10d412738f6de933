"""How often each p of dropped devices against controls is below 0.05, without a link and with one.

    python tests/calibration/controls.py [studies] [factor on the hazard after the drop] [seed]

A study has 6 to 30 dropped devices and 4 to 15 controls, Weibull lives (shape 0.6, 1 or 2) from
the study's first day or from each device's own, drops on one day or spread over two months, looks
before the drops, late entries and unequal follow-up in either group or both, looks on the planned
day or some days later. The clocks, groups and looks of a study are drawn anew each time, so that
no p can rest on their being alike. With a factor of 1 (the default) there is no link.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from durability.devices.evidence import (
    check_predictions,
    dose_rank_test,
    dropped_against_controls,
)
from durability.devices.link_model import ShockLinkModel
from durability.devices.study import EXPONENT_PRIOR, EXPONENTS, assemble
from durability.record.basis import MIN_DEVICES_FOR_LINK
from durability.record.records import DeviceHistory

FIRST_DAY = 20_000.0
PLANNED = np.array([0.0, 14.0, 30.0, 60.0, 90.0, 180.0])


def study_without_link(random: np.random.Generator, factor: float = 1.0) -> list[DeviceHistory]:
    """One study of a random design; ``factor`` multiplies the hazard of dropped devices."""
    dropped, controls = int(random.integers(6, 31)), int(random.integers(4, 16))
    shape, by_180 = random.choice([0.6, 1.0, 2.0]), random.uniform(0.1, 0.6)
    scale = 180.0 / (-math.log(1.0 - by_180)) ** (1.0 / shape)
    spread = int(random.choice([0, 0, 20, 60]))
    before = int(random.choice([0, 0, 1, 7, 21]))
    delay = int(random.choice([0, 1, 4]))
    late_share, late_group = random.choice([0.0, 0.2, 0.5]), random.integers(3)
    follow = random.choice(["same", "each its own", "short 0", "short 1", "sparse 1"])
    planned = PLANNED if random.random() < 0.7 else PLANNED[1:]
    from_first_day = random.random() < 0.5
    histories = []
    for number in range(dropped + controls):
        control = number >= dropped
        zero = float(random.integers(0, spread + 1)) if spread else 0.0
        own = planned
        if follow == f"sparse {control:d}":
            own = planned[np.isin(planned, (0.0, 60.0, 180.0))]
        last = 180.0
        if follow == "each its own":
            last = random.choice(PLANNED[2:])
        elif follow == f"short {control:d}":
            last = random.choice([60.0, 90.0])
        looks = zero + own[own <= last]
        looks = looks + np.where(looks > zero, random.integers(0, delay + 1, len(looks)), 0)
        if late_group in (control, 2) and random.random() < late_share:
            looks = looks[random.integers(1, 3) :]
        looks = np.unique(np.concatenate([[-before] if before or not len(looks) else [], looks]))
        begins = 0.0 if from_first_day else zero
        # A device that is dropped still works; its hazard changes then.
        past = ((zero - begins) / scale) ** shape
        hazard = past + random.exponential() / factor if not control else random.exponential()
        failed = looks >= begins + scale * hazard ** (1.0 / shape)
        if failed.any():
            looks = looks[: int(failed.argmax()) + 1]
        drops = 0 if control else int(random.integers(1, 20))
        peak_g = math.exp(random.uniform(math.log(300.0), math.log(1500.0)))
        histories.append(
            DeviceHistory(
                device=f"{'C' if control else 'D'}{number}",
                drop_day=np.full(drops, FIRST_DAY + zero),
                peak_g=peak_g * np.exp(0.1 * random.standard_normal(drops)),
                drop_height_mm=np.full(drops, 1000.0),
                check_day=FIRST_DAY + looks,
                check_function=("power-on",) * len(looks),
                check_outcome=tuple("fail" if bad else "pass" for bad in failed[: len(looks)]),
            )
        )
    return histories


def p_values(
    histories: list[DeviceHistory], seed: int, *, model: bool = True
) -> dict[str, float | None]:
    """Each p that is said of a study; None where it has none. Checks that the counts add up.

    Without ``model``, which takes the longest, the p of leave-one-out is left out.
    """
    study = assemble(histories)
    found = dropped_against_controls(study, 0.9, seed)
    said: dict[str, float | None] = {"dose": dose_rank_test(study, seed).p_value}
    if found is not None:
        said["dropped against controls"] = found.fisher_p_value
        said["Boschloo"] = found.boschloo_p_value
        compared = found.dropped_failed + found.dropped_working
        compared += found.controls_failed + found.controls_working
        assert compared + found.not_compared == len(histories)
    if model and len(study.lives) >= MIN_DEVICES_FOR_LINK:
        log_dose = study.log_dose(EXPONENTS)[:, study.followed]
        fitted = ShockLinkModel(EXPONENT_PRIOR, seed).fit(study.lives, log_dose, study.entry)
        check = check_predictions(study, fitted, log_dose, seed)
        said["leave one out"] = None if check is None else check.p_value
    return said


def main(studies: int, factor: float, seed: int) -> None:
    """Print the share of studies, of all, in which each p is below 0.05."""
    below: dict[str, int] = {}
    given: dict[str, int] = {}
    for number in range(studies):
        histories = study_without_link(np.random.default_rng([seed, number]), factor)
        for name, p in p_values(histories, number).items():
            given[name] = given.get(name, 0) + (p is not None)
            below[name] = below.get(name, 0) + (p is not None and p < 0.05)
    print("| p | studies with one | below 0.05, of these |\n|---|---|---|")
    for name, count in below.items():
        print(f"| {name} | {given[name]} | {count / max(given[name], 1):.3f} |")


if __name__ == "__main__":
    given = dict(enumerate(sys.argv))
    main(int(given.get(1, 2000)), float(given.get(2, 1.0)), int(given.get(3, 7)))
