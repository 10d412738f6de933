"""The life of a case: one curve over all its series, each condition with a level of its own."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from naive_wear import mixed_model_fit

from durability.record.records import DropHistory
from durability.report.answers.forecast import forecast_sentence
from durability.wear.case_fit import fit_cases, fit_clocks
from durability.wear.cases import Case, by_itself, cases_of
from durability.wear.cells import STEP_VARIANCE, Offsets, bin_log_evidence, fit_cells
from durability.wear.draws import draw_level
from durability.wear.fitting import Readings, fit_each, fit_readings, fit_wear
from durability.wear.forecast import forecast
from durability.wear.lives import FailureLimit, lives_of
from durability.wear.population import PartLevels, expected_levels, scatter_prior
from durability.wear.ranking import rank
from durability.wear.shapes import climb_basis, shape_grid

FAR = FailureLimit(None, 0.5, 100_000)
DAY = 86_400.0


def series(name, peak_g, *, begins=0.0, case="C", model="M", height=1000.0, looks=(), **rest):
    """Drops a minute apart from a day on."""
    peak_g = np.asarray(peak_g, dtype=float)
    made = peak_g.size
    seen, severity = np.array(looks, dtype=int).reshape(-1, 2).T
    return DropHistory(
        name, np.arange(1, made + 1), peak_g, made, made, case, model, device="D1",
        drop_height_mm=height, surface="steel", dropped_at_s=begins * DAY + 60.0 * np.arange(made),
        damage_drop_number=seen, damage_severity=severity, **rest,
    )  # fmt: skip


def readings(ages, *, level=100.0, rate=0.01, scatter=0.03, seed=1):
    rng = np.random.default_rng(seed)
    ages = np.asarray(ages, dtype=float)
    return level * np.exp(rate * (ages - 1.0) + scatter * rng.standard_normal(ages.size))


def lived(histories):
    """The same, with the age of their case at each drop by the time of it."""
    found = []
    for own in histories:
        case = [each.dropped_at_s for each in histories if each.case == own.case]
        ages = 1 + np.searchsorted(np.sort(np.concatenate(case)), own.dropped_at_s)
        found.append(replace(own, age_by_drop=ages))
    return found


def told_of(histories, **limits):
    return {each.series: each for each in forecast(lived(histories), **limits)}


# -------------------------------------------------------------------------- the fit is what it says


def test_offsets_are_integrated_out_as_by_dense_matrices():
    rng = np.random.default_rng(3)
    part = np.array([0, 1, 2, 0, 1, 2, 0, 0, 1, 3, 3, 2])
    clock = 1.0 + np.cumsum(rng.uniform(0.5, 1.5, part.size))
    log_peak = np.array([4.6, 5.0, 4.4, 4.8])[part] + 0.01 * clock
    log_peak += 0.03 * rng.standard_normal(part.size)
    offsets = Offsets((part[:, None] == np.arange(4)).astype(float), np.full(4, 0.02), np.zeros(4))
    grid = shape_grid(500)
    fit = fit_cells(
        log_peak[None],
        np.ones((1, part.size)),
        grid,
        scatter_prior(1),
        clock=clock,
        offsets=offsets,
    )
    told = np.flatnonzero(fit.curvature[fit.kind, 0] > 1e-3)
    for cell in told[:: max(1, told.size // 25)]:
        phi, psi = (
            climb_basis(family[[cell]], parameter[[cell]], clock)[0]
            for family, parameter in (
                (grid.family, grid.parameter), (grid.step_family, grid.step_parameter),
            )
        )  # fmt: skip
        if not np.isfinite(phi).all():
            continue
        climb, information = mixed_model_fit(
            log_peak, part, phi, psi, fit.core[fit.kind[cell], 0], 0.02, STEP_VARIANCE
        )
        assert fit.climb[fit.kind[cell], 0] == pytest.approx(climb, rel=1e-6, abs=1e-9)
        assert fit.curvature[fit.kind[cell], 0] == pytest.approx(information, rel=1e-6)


def test_a_case_read_by_several_clocks_is_fitted_as_by_each_alone():
    rng = np.random.default_rng(4)
    part = np.repeat([0, 1, 0, 2], 5)
    offsets = Offsets((part[:, None] == np.arange(3)).astype(float), np.full(3, 0.02), np.zeros(3))
    peak_g = 150.0 * np.exp(0.02 * np.arange(20) + 0.03 * rng.standard_normal(20))
    steps = rng.uniform(0.2, 3.0, (3, 20))
    read = [
        Readings(np.cumsum(each) - each[0] + 1.0, peak_g, "M", frozenset(), offsets)
        for each in steps
    ]
    grid = shape_grid(500)
    together = fit_clocks(read, grid)
    for evidence, alone in zip(together, fit_each(read, grid), strict=True):
        np.testing.assert_allclose(evidence, alone.log_evidence[0], rtol=1e-9)


def test_one_part_is_no_part():
    log_peak = np.log(readings(np.arange(1, 13)))[None]
    grid, present = shape_grid(500), np.ones((1, 12))
    plain = fit_cells(log_peak, present, grid, scatter_prior(1))
    one = Offsets(np.ones((12, 1)), np.array([0.02]), np.zeros(1))
    parted = fit_cells(log_peak, present, grid, scatter_prior(1), offsets=one)
    told = plain.curvature > 0.0
    assert parted.climb[told] == pytest.approx(plain.climb[told], rel=1e-6, abs=1e-9)
    assert parted.misfit == pytest.approx(plain.misfit, rel=1e-6)
    evidence, other = (bin_log_evidence(fit, grid) for fit in (plain, parted))
    possible = np.isfinite(evidence)
    assert np.ptp(other[possible] - evidence[possible]) == pytest.approx(0.0, abs=1e-4)


def test_a_case_of_one_series_is_fitted_as_that_series():
    histories = [
        series(f"S{k}", readings(np.arange(1, 20 + k), seed=k), case=f"C{k}") for k in (1, 2)
    ]
    fits = fit_wear(histories)
    for fit, found in zip(
        fits, fit_cases(cases_of(histories), {f.series: f for f in fits}), strict=True
    ):
        assert found.draws is fit.draws
        assert found.fresh_g(0) == fit.level_first_g


# ------------------------------------------------------------------------------- levels and wear


@pytest.mark.parametrize("height", [500.0, 1000.0])
@pytest.mark.parametrize("ratio", [0.6, 1.3, 2.0])
def test_a_step_between_series_is_no_wear(ratio, height):
    """Also where nothing that was recorded tells them apart."""
    flat = {"rate": 0.0}
    one = series("S1", readings(np.arange(15), **flat))
    two = readings(np.arange(15), level=100 * ratio, seed=2, **flat)
    two = series("S2", two, begins=3, height=height)
    told = told_of([one, two])
    alone = told_of([one])["S1"]
    for each in told.values():
        assert not each.failed
        assert each.drops_to_failure.lower > 0.6 * alone.drops_to_failure.lower
    assert told["S2"].limit_g == pytest.approx(150.0 * ratio, rel=0.06)
    assert told["S2"].case_age_at_first_drop == 16


def test_days_of_one_condition_share_a_level_and_tell_one_wear():
    ages = np.arange(1, 31)
    peak_g = readings(ages, rate=0.008, scatter=0.04)
    days = [
        series(f"S{day}", peak_g[ages // 7 == day], begins=day) for day in range(5)
    ]  # fmt: skip
    (found,) = fit_cases(cases_of(lived(days)), {})
    assert found.case.parts.tolist() == [0] * 5
    # As the same readings fitted as one series, by the fit of cases and by that of series.
    whole = Readings(ages.astype(float), peak_g, None, frozenset())
    (level,) = fit_readings(
        [whole], lambda _, told: draw_level(told.cells, told.probability, told.grid)[0]
    )
    there = np.median(level.log_level_first)
    assert np.median(found.log_fresh[0]) == pytest.approx(there, abs=1e-9)
    (fit,) = fit_wear([series("whole", peak_g)])
    assert fit.level_first_g == pytest.approx(np.exp(there), rel=2e-3)


def test_a_relative_limit_stands_above_the_fresh_case_not_the_worn_one():
    first = series("S1", readings(np.arange(1, 31), rate=0.011))
    second = series(
        "S2", readings(np.arange(31, 36), rate=0.011, level=130.0, seed=4), begins=2,
        orientation="edge",
    )  # fmt: skip
    told = told_of([first, second])
    truth = np.log(1.5) / 0.011 + 1  # age 38
    assert told["S2"].limit_g == pytest.approx(195.0, rel=0.08)
    assert told["S2"].drops_to_failure.median == pytest.approx(truth - 30, abs=4)
    assert told["S1"].drops_to_failure.median == pytest.approx(truth, abs=4)
    basis = told["S2"].basis
    assert "case age 31 at first drop" in basis and "longest rest 47.5 h" in basis
    alone = told_of([replace(second, case="another")])["S2"].drops_to_failure
    assert "judged alone: " in basis and alone.median > told["S2"].drops_to_failure.median


def turned(attitudes, rounds, *, seed):
    """One case, a drop in each attitude a round, each with its own level; and as one series."""
    rng = np.random.default_rng(seed)
    made = attitudes * rounds
    rate = rng.uniform(0.001, 0.004)
    scatter = 0.05 * rng.standard_normal(made)
    ages = np.arange(made)
    level = np.log(100.0) + 0.3 * rng.standard_normal(attitudes)
    parts = []
    for which in range(attitudes):
        at = ages[which::attitudes]
        peak = np.exp(level[which] + rate * at + scatter[at])
        parts.append(series(f"S{which}", peak, orientation=f"face {which}"))
    turned_case = Case(
        tuple(parts), tuple(ages[which::attitudes] + 1 for which in range(attitudes))
    )
    long = by_itself(series("long", np.exp(np.log(100.0) + rate * ages + scatter)))
    return turned_case, long, np.log(1.5) / rate + 1 - made


def test_a_turned_case_tells_its_wear_as_well_as_one_long_series():
    widths, held = [], []
    for seed in range(12):
        *cases, truth = turned(26, 3, seed=seed)
        found = []
        for case in cases:
            known = {
                h.series: f for h, f in zip(case.histories, fit_wear(case.histories), strict=True)
            }
            (life,) = lives_of([case], known, FAR)
            left = life.outcomes[-1].failure_age - case.made
            low, high = np.quantile(np.minimum(left, 1e4), [0.05, 0.95])
            found.append(np.log(high / low))
            held.append(low <= truth <= high)
        widths.append(found)
    turned_width, long_width = np.mean(widths, axis=0)
    assert turned_width < 1.15 * long_width
    assert sum(held) >= 19  # of 24 at 90 %; fewer come once in fifty


def test_drops_that_wear_more_count_more():
    cases = []
    for k in range(5):
        rng = np.random.default_rng([9, k])
        rates = (0.006, 0.018) if k % 2 else (0.018, 0.006)
        wear = np.cumsum(np.repeat(rates, (16, 12)))
        peak_g = np.repeat([{0.006: 100.0, 0.018: 160.0}[rate] for rate in rates], (16, 12))
        peak_g *= np.exp(wear + 0.02 * rng.standard_normal(28))
        heights = [{0.006: 1000.0, 0.018: 1500.0}[rate] for rate in rates]
        cases.append(series(f"a{k}", peak_g[:16], case=f"C{k}", height=heights[0]))
        cases.append(series(f"b{k}", peak_g[16:], case=f"C{k}", begins=2, height=heights[1]))
    young = series("young", readings(np.arange(1, 13), rate=0.006, scatter=0.02, seed=77), case="Y")
    ahead = series("ahead", [], case="Y", begins=3, height=1500.0)
    fits = fit_wear([*cases, young, ahead])
    known = {fit.series: fit for fit in fits}
    found = fit_cases(cases_of(lived([*cases, young, ahead])), known)
    assert found[1].rate[1] == pytest.approx(3.0, rel=0.25)
    # A rate with no drop of its own comes from the model.
    assert found[-1].rate[1] == pytest.approx(found[1].rate[1])
    assert found[-1].rate_log_sd.tolist()[0] == 0.0 < found[-1].rate_log_sd[1] < 0.5
    told = told_of([*cases, young, ahead])
    assert told["ahead"].drops_to_failure.median < told["young"].drops_to_failure.median - 12
    assert "a drop here wears" in told["b1"].basis


def test_without_drops_to_tell_a_drop_is_a_drop():
    one, two = (
        series("S1", readings(np.arange(1, 20))), series("S2", [], begins=2, height=1500.0),
    )  # fmt: skip
    (found,) = fit_cases(cases_of(lived([one, two])), {})
    assert found.rate == pytest.approx([1.0, 1.0])
    assert found.rate_log_sd == pytest.approx([0.0, 0.5], rel=0.03)  # the grid ends at 1.6


# ----------------------------------------------------------------------------------- one failure


def broken(severity=4):
    return [
        series("S1", readings(np.arange(1, 25), rate=0.0), looks=[(12, 0), (24, severity)]),
        series("S2", readings(np.arange(6), rate=0.0, seed=2), begins=12, height=1200.0),
        series("S3", readings(np.arange(20), rate=0.0, seed=3), case="C3"),
    ]


def test_failed_stays_failed_in_later_series():
    told = told_of(broken())
    assert (told["S1"].failed_at_drop, told["S1"].failure_cause) == (24, "damage")
    later = told["S2"]
    assert later.failed and later.failed_at_drop == 0 and later.case_age_at_first_drop == 25
    assert (later.failed_in.series, later.failed_in.drop_number) == ("S1", 24)
    life = later.drops_to_failure
    assert (life.lower, life.median, life.upper) == (0.0, 0.0, 0.0)
    assert not later.survival_probability.any()
    assert "longest rest 12 d" in later.basis
    assert "shortened by severity 4 on C" in told["S3"].basis
    sound = told_of(broken(severity=2))
    assert not sound["S1"].failed and not sound["S2"].failed
    assert sound["S3"].drops_to_failure.lower > told["S3"].drops_to_failure.lower


def test_a_case_that_fails_in_its_second_series_fails_once():
    first = series("S1", readings(np.arange(1, 21), rate=0.01))
    second = series(
        "S2", readings(np.arange(21, 61), rate=0.01, level=80, seed=3), begins=2, height=500.0
    )
    told = told_of([first, second])
    ages = {name: one.failed_at_drop + one.case_age_at_first_drop for name, one in told.items()}
    assert told["S1"].failed and ages["S1"] == ages["S2"]
    assert told["S1"].failed_in == told["S2"].failed_in
    assert told["S1"].failed_in.series == "S2"
    assert told["S1"].failed_at_age == pytest.approx(np.log(1.5) / 0.01 + 1, abs=4)
    at = told["S1"].failed_in.drop_number
    assert forecast_sentence(told["S1"], 0.9, 400).endswith(
        f", at S2 drop {at}; 20 drops made here"
    )
    assert forecast_sentence(told["S2"], 0.9, 400) == (
        f"S2: FAILED at {at} (peak limit) of 40 drops"
    )


def test_no_failure_of_a_case_rests_on_readings_that_are_weighed_down():
    first = series("A", readings(np.arange(1, 15), rate=0.02, scatter=0.02))
    climb = readings(np.arange(15, 21), rate=0.02, scatter=0.02, seed=2)
    second = series("B", [*climb, 118.0, 119.0], begins=1.0)
    for limit_g in np.arange(130.0, 165.0, 2.5):
        told = told_of([first, second], limit_g=limit_g)
        (ranked,) = rank(lived([first, second]), by="case", limit_g=limit_g).groups
        for each in told.values():
            assert not each.failed or each.failed_at_age <= 20
        assert told["B"].failed or told["B"].drops_to_failure.lower > second.drops
        assert ranked.failed == told["B"].failed
    assert "drops 7 and 8 down-weighted in a row" in told["B"].basis
    assert "down-weighted in a row" not in told["A"].basis


def test_an_absolute_limit_counts_where_the_drops_were_made():
    low = series("S1", readings(np.arange(1, 21), rate=0.002))
    high = series(
        "S2", readings(np.arange(21, 31), rate=0.002, level=170, seed=3), begins=2, height=1500.0
    )
    told = told_of([low, high], limit_g=150.0)
    assert told["S2"].failed_at_drop == 1 and told["S1"].failed_at_drop == 21
    assert not told_of([low], limit_g=150.0)["S1"].failed


def test_ages_follow_the_time_of_the_drops():
    one = series("S1", [100.0, 101.0, 102.0], begins=5)
    two = series("S2", [100.0, 101.0, 102.0], begins=1)
    one.dropped_at_s[0] = 0.5 * DAY
    (case,) = cases_of(lived([one, two]))
    assert [ages.tolist() for ages in case.ages] == [[1, 5, 6], [2, 3, 4]]
    assert case.drop_at(5) == ("S1", 2)
    assert told_of([one, two])["S2"].case_age_at_first_drop == 2


def test_chances_by_cause_are_those_of_the_survival():
    cases = [
        *broken(severity=3),
        series(
            "S4", readings(np.arange(20), rate=0.015, seed=5), case="C4", looks=[(10, 0), (19, 4)]
        ),
        series("S5", [100.0], case="C5", model="other"),
    ]
    for told in forecast(cases, horizon=120):
        if told.failed_by_limit is None:
            assert told.survival_drop.size == 1
            continue
        both = told.failed_by_limit + told.failed_by_damage
        assert both == pytest.approx(1.0 - told.survival_probability[-1], abs=1e-12)
        if not told.failed:
            assert told.probability_failed_within(7) == 1.0 - told.survival_probability[7]
            assert min(told.failed_by_limit, told.failed_by_damage) > 0.0


def test_names_and_order_move_nothing_over_several_series_either():
    cases = [
        series("S1", readings(np.arange(1, 13)), height=1000.0),
        series("S2", readings(np.arange(13, 25), level=140, seed=2), begins=1, height=1500.0),
        series("S3", readings(np.arange(25, 30), level=140, seed=3), begins=2, height=1500.0),
        series("S4", readings(np.arange(1, 9), seed=4), case="C2"),
        series("S5", readings(np.arange(9, 15), level=80, seed=5), case="C2", begins=3),
    ]
    renamed = [replace(each, series=f"Z{9 - k}") for k, each in enumerate(cases)][::-1]
    plain = forecast(lived(cases), horizon=100_000)
    other = forecast(lived(renamed), horizon=100_000)[::-1]
    for one, again in zip(plain, other, strict=True):
        assert again.drops_to_failure == one.drops_to_failure
        assert again.survival_probability == pytest.approx(one.survival_probability, abs=0.005)
        assert again.limit_g == pytest.approx(one.limit_g, rel=1e-6)


def test_the_ranking_by_case_has_the_life_of_the_forecast():
    cases = [
        *broken(severity=2),
        series("S6", readings(np.arange(1, 9), seed=8), case="C3", begins=9),
    ]
    told = told_of(cases, level=0.9)
    ranking = rank(lived(cases), by="case")
    groups = {one.group: one for part in (ranking, *ranking.others) for one in part.groups}
    for case, last in (("C", "S2"), ("C3", "S6")):
        before = told[last].case_age_at_first_drop - 1
        life, own = told[last].drops_to_failure, groups[case].life
        assert (own.lower, own.median) == (
            life.lower + before,
            life.median and life.median + before,
        )
        assert groups[case].cases == 1


# ------------------------------------------------------------------------- what siblings let expect


def sheet(seed, *, cases=4, attitudes=26, rate=0.011):
    """Cases of one model, each attitude once in an order of each case's own."""
    rng = np.random.default_rng(seed)
    level = 0.3 * rng.standard_normal(attitudes)
    found = []
    for k in range(cases):
        order = rng.permutation(attitudes)
        logs = np.log(100.0) + level[order] + rate * np.arange(attitudes)
        logs += 0.1 * rng.standard_normal() + 0.05 * rng.standard_normal(attitudes)
        parts = [
            series(f"{k}-{j}", [np.exp(log)], case=f"C{k}", orientation=f"face {face}")
            for j, (face, log) in enumerate(zip(order, logs, strict=True))
        ]
        found.append(Case(tuple(parts), tuple(np.array([j + 1]) for j in range(attitudes))))
    return found


def test_one_drop_in_each_attitude_tells_wear_once_siblings_tell_the_attitudes():
    (lone,) = lives_of(sheet(5)[:1], {}, FAR)
    assert not lone.informed
    truth = np.log(1.5) / 0.011 + 1  # age 38
    held = []
    for seed in (5, 6):
        for life in lives_of(sheet(seed), {}, FAR):
            assert life.informed
            told = life.prediction(0, 0.9, 1e5)
            held.append(told.lower <= truth <= told.upper)
            assert told.median == pytest.approx(truth, rel=0.5)
    assert sum(held) >= 6


def test_levels_expected_come_from_the_other_cases_alone():
    rng = np.random.default_rng(8)
    names = ("a", "b", "c")
    effect = np.array([0.0, 0.4, -0.3])
    cases = [
        PartLevels(names, 4.6 + 0.2 * k + effect + 0.02 * rng.standard_normal(3), np.eye(3) * 4e-4)
        for k in range(6)
    ]
    odd = replace(cases[0], mean=cases[0].mean + np.array([0.0, 0.5, 0.0]))
    for told in (expected_levels(cases)[0], expected_levels([odd, *cases[1:]])[0]):
        assert told[0] == pytest.approx(effect - effect.mean(), abs=0.06)
        assert (np.sqrt(told[1]) < 0.25).all()
    (alone,) = expected_levels(cases[:1])
    assert alone[0] == pytest.approx(np.zeros(3)) and (np.sqrt(alone[1]) > 0.45).all()


# ------------------------------------------------------------------------- from the command line


HEADER = (
    "series,drop_number,peak_g,dropped_at,case,case_model,device,drop_height_mm,damage_severity"
)


def test_a_failed_case_is_failed_in_its_next_series_until_the_note_is_amended(run, tmp_path):
    rng = np.random.default_rng(2)
    rows = [HEADER]
    for name, made, height, day in (("S1", 24, 1000, 1), ("S2", 8, 1200, 13)):
        for k in range(1, made + 1):
            severity = {12: "0", 24: "4"}.get(k, "")
            peak_g = 100 * (1.0 + 0.2 * (name == "S2")) * np.exp(0.03 * rng.standard_normal())
            when = f"2026-03-{day:02d}T10:{k:02d}:00+00:00"
            rows.append(f"{name},{k},{peak_g:.1f},{when},C1,M,D1,{height},{severity}")
    file = tmp_path / "drops.csv"
    file.write_text("\n".join(rows) + "\n")
    run("init")
    run("import", "drops", file)

    def told():
        return {one["series"]: one for one in json.loads(run("forecast", "--json").out)["series"]}

    later = told()["S2"]
    assert (later["failed"], later["failed_at_drop"], later["case_age_at_first_drop"]) == (
        True,
        0,
        25,
    )
    assert later["failed_in"] == {"series": "S1", "drop_number": 24}
    assert later["drops_to_failure"] == {"lower": 0.0, "median": 0.0, "upper": 0.0}
    assert "FAILED before (damage)" in run("forecast").out
    (group,) = json.loads(run("rank", "--by", "case", "--json").out)["groups"]
    assert group["failed"] == 1 and group["life"]["median"] == 24.0
    amend = ("drop", "amend", "S1", "24", "--reason", "only cracked", "--set")
    run(*amend, "damage_severity=2")
    now = told()["S2"]
    assert not now["failed"] and now["failed_in"] is None
    both = now["failure_by"]["limit"] + now["failure_by"]["damage"]
    assert both == pytest.approx(1.0 - now["survival"][-1]["probability"], abs=1e-9)
    shown = run("forecast", "--series", "S2").out.replace("\n", " ")
    assert "Chance of failing by drop 400: by the limit" in shown
    amend = ("drop", "amend", "S1", "7", "--reason", "x", "--set", "damage_severity=2")
    assert "no damage is noted" in run(*amend, expect=1).err
