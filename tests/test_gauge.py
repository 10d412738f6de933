"""Gauge study: published examples, an independent library, coverage, and what can't be told."""

import numpy as np
import pytest

from durability.record.errors import UnusableCall
from durability.rig.gauge import gauge_study

# AIAG, Measurement Systems Analysis, gauge repeatability and reproducibility data sheet: 3
# appraisers (rows A, A, A, B …) read 10 parts 3 times. Typed from memory; the sums of squares below
# are those of the manual's analysis-of-variance table, so no digit is wrong.
AIAG = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""

# Davies and Goldsmith, Statistical Methods in Research and Production (1972): yield of dyestuff, 6
# batches of 5. Typed from memory; checked by the published estimates.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]


def aiag():
    reading = np.array([line.split() for line in AIAG.strip().splitlines()], dtype=float)
    operator = np.repeat(list("ABC"), 30)
    part = np.tile([f"P{i}" for i in range(10)], 9)
    return reading.ravel(), operator, part


def component(study, name):
    return next(each for each in study.components if each.name == name)


def test_the_typed_data_are_those_of_the_manual():
    # Sums of squares of the manual's table: appraiser 3.1673, part 88.3619, total 94.6471.
    reading, operator, part = aiag()
    deviation = reading - reading.mean()

    def between(label):
        return sum(
            (label == each).sum() * deviation[label == each].mean() ** 2
            for each in np.unique(label)
        )

    assert between(operator) == pytest.approx(3.1673, abs=5e-5)
    assert between(part) == pytest.approx(88.3619, abs=5e-5)
    assert np.sum(deviation**2) == pytest.approx(94.6471, abs=5e-5)


def test_published_gauge_study():
    # AIAG, Measurement Systems Analysis, analysis-of-variance method with the interaction pooled,
    # as its estimate is below 0 (from memory): EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327,
    # TV 1.085; shares of study variation 18.4, 20.9, 27.9, 96.0 %; 4.86 categories. Balanced data:
    # restricted maximum likelihood gives the same, to the digits printed.
    reading, operator, part = aiag()
    study = gauge_study(reading, {"operator": operator}, part)
    assert study.repeatability_sd == pytest.approx(0.199933, abs=2e-6)
    assert study.reproducibility_sd == pytest.approx(0.226838, abs=5e-6)
    assert study.gauge_sd == pytest.approx(0.302373, abs=5e-6)
    assert study.part_sd == pytest.approx(1.042327, abs=5e-6)
    assert study.total_sd == pytest.approx(1.085, abs=5e-4)
    assert component(study, "operator × part").sd == pytest.approx(0.0, abs=1e-3)
    assert study.gauge_pct_study_variation == pytest.approx(27.9, abs=0.05)
    assert component(study, "part").pct_study_variation == pytest.approx(96.0, abs=0.05)
    assert study.distinct_categories == pytest.approx(4.861, abs=0.001)
    assert study.verdict == "conditional"
    assert study.gauge_pct_lower < 27.9 < study.gauge_pct_upper


def test_published_variance_components():
    # Dyestuff, REML: batch 1764.05 (sd 42.00), residual 2451.25 (sd 49.51); published with the
    # mixed model software of Bates et al., J. Stat. Software 67(1), 2015 (from memory).
    study = gauge_study(np.ravel(DYESTUFF), {"batch": np.repeat(list("ABCDEF"), 5)})
    assert component(study, "batch").sd ** 2 == pytest.approx(1764.05, abs=0.02)
    assert study.repeatability_sd**2 == pytest.approx(2451.25, abs=0.02)


def test_limits_are_those_of_the_profile_likelihood():
    # Closed form for one factor in balance: deviance of (sd_batch, sd_rest) from the two mean
    # squares; here minimised over the other by brute force.
    y = np.array(DYESTUFF, dtype=float)
    between = 5 * np.sum((y.mean(axis=1) - y.mean()) ** 2)
    within = np.sum((y - y.mean(axis=1, keepdims=True)) ** 2)
    rest = np.linspace(25, 110, 4000)

    def deviance(batch):
        top = rest**2 + 5 * batch**2
        return np.min(5 * np.log(top) + between / top + 24 * np.log(rest**2) + within / rest**2)

    study = gauge_study(y.ravel(), {"batch": np.repeat(list("ABCDEF"), 5)}, level=0.9)
    batch = component(study, "batch")
    rise = deviance(batch.sd) + 2.705543  # chi-square, 1 degree of freedom, 90 %
    assert deviance(batch.lower) == pytest.approx(rise, abs=2e-3)
    assert deviance(batch.upper) == pytest.approx(rise, abs=2e-3)


def everyday(rng, readings=120, sds=(0.02, 0.03, 0.015, 0.02)):
    rest, operator_sd, sensor_sd, day_sd = sds
    operator = rng.integers(0, 6, readings)
    sensor = rng.integers(0, 5, readings)
    day = np.sort(rng.integers(0, 20, readings))
    reading = (
        5.7
        + rng.normal(0, operator_sd, 6)[operator]
        + rng.normal(0, sensor_sd, 5)[sensor]
        + rng.normal(0, day_sd, 20)[day]
        + rng.normal(0, rest, readings)
    )
    return reading, {
        "operator": operator.astype(str), "sensor": sensor.astype(str), "day": day.astype(str)
    }  # fmt: skip


def test_unbalanced_crossed_factors_agree_with_a_mixed_model_library():
    # Independent library: statsmodels MixedLM with one group and variance components, REML, on
    # readings scaled to unit deviation, since its optimiser fails on small ones.
    import statsmodels.api as sm

    rng = np.random.default_rng(51)
    reading, factors = everyday(rng)
    scale = reading.std()
    fit = sm.MixedLM(
        (reading - reading.mean()) / scale,
        np.ones((len(reading), 1)),
        groups=np.zeros(len(reading)),
        exog_vc=sm.regression.mixed_linear_model.VCSpec(
            list(factors),
            [[list(map(str, np.unique(label)))] for label in factors.values()],
            [[(label[:, None] == np.unique(label)).astype(float)] for label in factors.values()],
        ),
    ).fit(reml=True)
    study = gauge_study(reading, factors)
    found = [component(study, name).sd for name in factors]
    assert found == pytest.approx(np.sqrt(fit.vcomp) * scale, rel=2e-3)  # its optimiser's stop
    assert study.repeatability_sd == pytest.approx(np.sqrt(fit.scale) * scale, rel=1e-3)


def test_nested_labels_are_nested():
    # Casks in batches, closed form in balance: expected mean squares.
    rng = np.random.default_rng(52)
    batch, cask = np.repeat(np.arange(10), 6), np.repeat(np.arange(30), 2)
    y = rng.normal(0, 4, 10)[batch] + rng.normal(0, 3, 30)[cask] + rng.normal(0, 1, 60)
    cells = y.reshape(10, 3, 2)
    rest = np.sum((cells - cells.mean(axis=2, keepdims=True)) ** 2) / 30
    in_batch = 2 * np.sum((cells.mean(2) - cells.mean((1, 2))[:, None]) ** 2) / 20
    of_batch = 6 * np.sum((cells.mean((1, 2)) - y.mean()) ** 2) / 9
    study = gauge_study(y, {"batch": batch.astype(str), "cask": cask.astype(str)})
    assert study.repeatability_sd**2 == pytest.approx(rest, rel=1e-4)
    assert component(study, "cask").sd ** 2 == pytest.approx((in_batch - rest) / 2, rel=1e-4)
    assert component(study, "batch").sd ** 2 == pytest.approx((of_batch - in_batch) / 6, rel=1e-3)


def test_stated_limits_cover():
    # Stated 90 %, 80 studies of 60 readings, 5 operators and 4 sensors: standard error 3.4 points.
    rng = np.random.default_rng(53)
    covered = {"operator": 0, "repeatability": 0, "gauge": 0}
    truth = {"operator": 0.02, "repeatability": 0.02, "gauge": np.sqrt(3) * 0.02}
    for _ in range(80):
        operator, sensor = rng.integers(0, 5, 60), rng.integers(0, 4, 60)
        y = rng.normal(0, 0.02, 5)[operator] + rng.normal(0, 0.02, 4)[sensor]
        study = gauge_study(
            y + rng.normal(0, 0.02, 60),
            {"operator": operator.astype(str), "sensor": sensor.astype(str)},
        )
        limits = {each.name: (each.lower, each.upper) for each in study.components}
        limits["gauge"] = (study.gauge_lower, study.gauge_upper)
        for name, true in truth.items():
            low, high = limits[name]
            covered[name] += low <= true <= (np.inf if high is None else high)
    assert all(0.80 <= count / 80 <= 1.0 for count in covered.values()), covered


def test_without_specimens_no_share_is_given_unless_their_scatter_is():
    reading, factors = everyday(np.random.default_rng(54))
    study = gauge_study(reading, factors)
    assert (study.part_sd, study.gauge_pct_study_variation, study.verdict) == (None, None, None)
    held = gauge_study(reading, factors, part_sd=0.4)
    assert held.gauge_pct_study_variation == pytest.approx(
        100 * held.gauge_sd / np.hypot(held.gauge_sd, 0.4)
    )
    assert held.distinct_categories == pytest.approx(1.41 * 0.4 / held.gauge_sd)


def test_what_cannot_be_told_is_said():
    rng = np.random.default_rng(55)
    y = rng.normal(5.7, 0.02, 12)
    study = gauge_study(y, {"operator": ["A"] * 12, "day": [str(i) for i in range(12)]})
    assert study.notes == (
        "one operator only: nothing is known about how operators differ",
        "each reading has a day of its own, so it is part of repeatability",
    )
    assert study.repeatability_sd == pytest.approx(y.std(ddof=1), rel=1e-4)
    # Chi-square limits of a standard deviation would be 0.748 and 1.551 times it (11 df, 90 %);
    # those of the profile are near.
    limits = [study.components[0].lower, study.components[0].upper]
    assert limits == pytest.approx([0.748 * y.std(ddof=1), 1.551 * y.std(ddof=1)], rel=0.07)


def test_unit_scales_the_result_and_order_does_not_matter():
    rng = np.random.default_rng(56)
    reading, factors = everyday(rng, 60)
    study = gauge_study(reading, factors)
    order = rng.permutation(60)
    turned = gauge_study(
        1000 * reading[order], {name: label[order] for name, label in factors.items()}
    )
    for one, other in zip(study.components, turned.components, strict=True):
        assert other.sd == pytest.approx(1000 * one.sd, rel=1e-3, abs=1e-3)
        assert other.upper == pytest.approx(1000 * one.upper, rel=2e-3)


def test_specimens_read_without_any_scatter_have_limits_still():
    # Likelihood without a bound at repeatability 0: the search for limits must not fail there.
    part = np.repeat(list("ABCDE"), 4)
    study = gauge_study(np.repeat([1.0, 4.0, 2.0, 8.0, 5.0], 4), {}, part)
    assert study.repeatability_sd < 1e-3 * study.part_sd
    assert study.part_sd == pytest.approx(np.std([1, 4, 2, 8, 5], ddof=1), rel=1e-3)
    assert study.verdict == "good"


def test_a_day_that_is_one_cell_of_operator_and_specimen_takes_the_place_of_their_interaction():
    rng = np.random.default_rng(57)
    operator, part = np.repeat(list("AABBCC"), 4), np.repeat(list("xyxyxy"), 4)
    day = np.repeat([f"day {i}" for i in range(6)], 4)
    study = gauge_study(rng.normal(5, 0.1, 24), {"operator": operator, "day": day}, part)
    names = [each.name for each in study.components]
    assert names == ["repeatability", "operator", "day", "part"]


@pytest.mark.parametrize(
    ("call", "why"),
    [
        (lambda: gauge_study(np.ones(4), {"operator": list("AABB")}), "no scatter"),
        (lambda: gauge_study(np.arange(4.0), {"operator": list("AB")}), "2 operator labels for 4"),
        (
            lambda: gauge_study(np.arange(4.0), {"operator": list("AABB"), "sensor": list("xxyy")}),
            "operator and sensor always change together",
        ),
        (lambda: gauge_study(np.array([1.0, np.nan]), {}), "must be a number"),
        (lambda: gauge_study(np.arange(4.0), {}, list("AABB"), part_sd=1.0), "not both"),
        (lambda: gauge_study(np.arange(4.0), {}, part_sd=0.0), "above 0"),
    ],
)
def test_unusable_calls(call, why):
    with pytest.raises(UnusableCall, match=why):
        call()


SULFUR_PCT = (
    (0.71, 0.71, 0.70, 0.71),
    (0.69, 0.67, 0.68),
    (0.66, 0.65, 0.69),
    (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69),
    (0.73, 0.74, 0.73),
    (0.71, 0.71, 0.69),
    (0.70, 0.65, 0.68),
)
"""Sulfur content of coal at eight laboratories: ISO 5725-2:1994, annex B, level 1; from memory. By
the formulas of the standard the table gives what it prints, as checked below."""
PRINTED = {"mean": 0.690, "s_r": 0.015, "s_R": 0.026}


def test_between_labs_it_agrees_with_the_example_of_iso_5725_2():
    counts = np.array([len(lab) for lab in SULFUR_PCT])
    means = np.array([np.mean(lab) for lab in SULFUR_PCT])
    mean = (counts * means).sum() / counts.sum()
    within = sum(((np.array(lab) - np.mean(lab)) ** 2).sum() for lab in SULFUR_PCT)
    repeat = within / (counts.sum() - 8)
    equal = (counts.sum() - (counts**2).sum() / counts.sum()) / 7
    between = ((counts * (means - mean) ** 2).sum() / 7 - repeat) / equal
    by_formula = {"mean": mean, "s_r": repeat**0.5, "s_R": (between + repeat) ** 0.5}
    assert {name: round(float(value), 3) for name, value in by_formula.items()} == PRINTED
    study = gauge_study(
        np.concatenate(SULFUR_PCT),
        {"site": [str(n) for n, c in enumerate(counts) for _ in range(c)]},
    )
    # Likelihood weighs laboratories of 3 and of 5 results otherwise than mean squares do.
    assert study.repeatability_sd == pytest.approx(by_formula["s_r"], rel=0.01)
    assert study.gauge_sd == pytest.approx(by_formula["s_R"], rel=0.04)
