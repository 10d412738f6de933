"""The priors behind a forecast, pinned by what follows from them for a fixed record.

Each number here moves when a prior does: whoever changes one on purpose changes these with it.
"""

from __future__ import annotations

import numpy as np
import one_rounding
import pytest

from durability.record.records import DropHistory
from durability.wear.fitting import fit_wear
from durability.wear.forecast import forecast

_SCATTER = np.array([0.02, -0.03, 0.01, 0.05, -0.02, -0.05, 0.03, 0.0, -0.03, 0.04, -0.01, 0.02])
HERE, ELSEWHERE = (1220.0, "steel", None), (1800.0, "steel", None)


def history(series, path, *, model=None, condition=HERE, looks=()):
    number = np.arange(1, len(path) + 1)
    scatter = np.resize(np.roll(_SCATTER, len(path)), len(path))
    drops, severities = zip(*looks, strict=True) if looks else ((), ())
    return DropHistory(
        series,
        number,
        100.0 * np.exp(path + scatter),
        len(path),
        len(path),
        case=series,
        case_model=model,
        drop_height_mm=condition[0],
        surface=condition[1],
        orientation=condition[2],
        damage_drop_number=np.array(drops, dtype=int),
        damage_severity=np.array(severities, dtype=int),
    )


def record():
    """Siblings that differ, one of them elsewhere; and cases that stand alone."""
    wild = 0.01 * np.arange(9.0)
    wild[4] += 0.35
    return [
        history("rising", 0.02 * np.arange(14.0), model="sleeve"),
        history("slow", 0.008 * np.arange(10.0), model="sleeve"),
        history("elsewhere", 0.03 * np.arange(8.0), model="sleeve", condition=ELSEWHERE),
        history("few", 0.02 * np.arange(3.0), model="sleeve"),
        history("settled", 0.15 * (1.0 - np.exp(-np.arange(20.0) / 4.0))),
        history("flat", 0.0 * np.arange(6.0)),
        history("wild", wild),
        history("jumped", 0.12 * (np.arange(12.0) > 6)),
        history("failed", 0.0 * np.arange(12.0), model="shell", looks=((6, 2), (12, 4))),
        history("holds", 0.0 * np.arange(15.0), model="shell", looks=((4, 0), (8, 2), (15, 2))),
        history("away", 0.0 * np.arange(15.0), model="shell", condition=ELSEWHERE, looks=((9, 4),)),
    ]


SHAPES_OF = {
    # steady, linear, onset, accelerating, slowing, settling, settling then climbing, jump
    "rising": (0.00000, 0.37719, 0.11802, 0.29736, 0.02811, 0.01027, 0.11700, 0.05205),
    "few": (0.01465, 0.32950, 0.14785, 0.30136, 0.02857, 0.01945, 0.10527, 0.05336),
    "settled": (0.00008, 0.02435, 0.00539, 0.01095, 0.14655, 0.38796, 0.33252, 0.09220),
    "jumped": (0.00182, 0.15891, 0.32068, 0.28557, 0.02494, 0.04456, 0.07410, 0.08943),
}
DROPS_LEFT = {
    "rising": 9.540,
    "slow": 40.568,
    "elsewhere": 8.348,
    "few": 40.409,
    "settled": 165.757,
    "flat": 132.288,
    "wild": 73.916,
    "jumped": 38.849,
    "holds": 48.164,
}
"""Mean drops from the last one to failure, those beyond the horizon counted to the horizon."""


@pytest.fixture(scope="module")
def fits():
    return fit_wear(record())


def test_the_shapes_believed_in_are_those_of_the_priors(fits):
    """Of shapes and sizes, of scatter and wild readings, and of how like the siblings are."""
    told = {fit.series: tuple(fit.shape_weights.values()) for fit in fits}
    for series, weights in SHAPES_OF.items():
        assert told[series] == pytest.approx(weights, abs=5e-5), series


def test_the_drops_left_are_those_of_the_priors(fits):
    """Beside those of the shapes: of a climb to come, of damage, of what no shape allows for."""
    told = forecast(record(), fits=fits, horizon=400)
    left = {each.series: each.survival_probability.sum() for each in told if not each.failed}
    within = 5e-4 if one_rounding.is_here() else one_rounding.WITHIN_ELSEWHERE
    assert left == pytest.approx(DROPS_LEFT, rel=within)
