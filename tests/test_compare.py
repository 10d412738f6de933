"""Ranking and comparing groups: fairness, coverage, and the mixed model where the two coincide."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from durability.record.records import DropHistory
from durability.wear.compare import compare
from durability.wear.ranking import rank


def case(path, *, name, model="M", scatter=0.05, seed=1, level=100.0, **rest):
    rng = np.random.default_rng(seed)
    peak_g = level * np.exp(np.asarray(path) + scatter * rng.standard_normal(len(path)))
    number = np.arange(1, peak_g.size + 1)
    return DropHistory(
        name, number, peak_g, peak_g.size, peak_g.size, rest.pop("case", name), model, **rest
    )


N = np.arange(20.0)


def two_models(fast=0.03, slow=0.003, each=4):
    return [
        case(rate * N, name=f"{model}{k}", model=model, seed=10 * k + len(model))
        for model, rate in (("fast", fast), ("slowly", slow))
        for k in range(each)
    ]


def test_fastest_comes_first_and_the_order_is_clear():
    ranking = rank(two_models())
    assert [group.group for group in ranking.groups] == ["fast", "slowly"]
    assert ranking.order_is_clear
    fast, slow = ranking.groups
    assert fast.probability_fastest > 0.95
    assert fast.lower < 100 * np.expm1(0.03) < fast.upper
    assert slow.lower < 100 * np.expm1(0.003) < slow.upper
    assert (fast.cases, fast.drops) == (4, 80)
    assert fast.life.median < (slow.life.median or 401)


def test_alike_models_can_not_be_ordered():
    ranking = rank(two_models(fast=0.01, slow=0.01))
    assert not ranking.order_is_clear
    assert "order not established" in ranking.basis


def test_two_noisy_drops_never_lead_by_luck():
    lucky = DropHistory("L", np.array([1, 2]), np.array([100.0, 130.0]), 2, 2, "L", "lucky")
    ranking = rank([*two_models(), lucky])
    assert ranking.groups[0].group == "fast"
    told = {group.group: group for group in ranking.groups}
    assert told["lucky"].probability_fastest < 0.5
    assert told["lucky"].lower < told["fast"].rise_pct_per_drop


def test_rank_by_case():
    ranking = rank(two_models(each=2), by="case")
    assert ranking.by == "case"
    assert {group.group for group in ranking.groups[:2]} == {"fast0", "fast1"}


def test_groups_without_a_valid_drop_stand_last():
    voided = DropHistory("V", np.empty(0, dtype=int), np.empty(0), 4, 4, "V", "voided")
    last = rank([voided, *two_models()]).groups[-1]
    assert (last.group, last.rise_pct_per_drop, last.probability_fastest) == ("voided", None, None)
    assert last.life.median is None


def test_bare_series_are_not_ranked():
    bare = case(0.0 * N, name="bare", model=None, case=None)
    assert {group.group for group in rank([bare, *two_models()]).groups} == {"fast", "slowly"}
    assert rank([bare]).groups == ()
    assert rank([]).groups == ()


def test_nothing_failed_is_a_success_run():
    ranking = rank([case(0.0 * N, name=f"C{k}", seed=k) for k in range(5)])
    # R = 0.1^(1/5) = 0.63.
    assert (
        "none failed: reliability to drop 20 ≥ 0.63 at 90 % confidence" in ranking.groups[0].basis
    )
    assert not ranking.order_is_clear


def test_ranking_beats_slopes_fitted_one_by_one():
    from scipy.stats import kendalltau

    rng = np.random.default_rng(4)
    ours, lines = [], []
    for _ in range(8):
        rates = np.exp(rng.uniform(np.log(0.003), np.log(0.03), 6))
        cases = []
        for model, rate in enumerate(rates):
            for k in range(rng.integers(1, 5)):
                made = int(rng.integers(2, 26))
                path = rate * np.exp(rng.normal(0, 0.3)) * np.arange(made)
                one = case(
                    path,
                    name=f"{model}-{k}",
                    model=str(model),
                    scatter=0.06,
                    seed=rng.integers(1e6),
                )
                one.peak_g[rng.random(made) < 0.04] *= 1.5
                cases.append(one)
        by_group = {group.group: group.rise_pct_per_drop for group in rank(cases).groups}
        slopes = [
            np.mean([
                np.polyfit(one.drop_number, np.log(one.peak_g), 1)[0]
                for one in cases if one.case_model == str(model)
            ])
            for model in range(6)
        ]  # fmt: skip
        ours.append(kendalltau(rates, [by_group[str(model)] for model in range(6)])[0])
        lines.append(kendalltau(rates, slopes)[0])
    assert np.mean(ours) > np.mean(lines)


# -------------------------------------------------------------------------------------- comparing


def sides(n_a=5, n_b=5, *, ratio=1.8, spread=0.08, seed=0, drops=8):
    rng = np.random.default_rng(seed)
    return [
        [
            case(np.zeros(drops), name=f"{side}{k}", model=side, seed=rng.integers(1e6),
                 level=100 * factor * np.exp(spread * rng.standard_normal()))
            for k in range(count)
        ]
        for side, factor, count in (("a", ratio, n_a), ("b", 1.0, n_b))
    ]  # fmt: skip


def test_ratio_and_reduction():
    a, b = sides(ratio=2.0, spread=0.0)
    told = compare(a, b, a="bare", b="M")
    assert told.ratio == pytest.approx(2.0, rel=0.03)
    assert told.reduction_pct == pytest.approx(50.0, abs=1.5)
    assert told.lower < told.ratio < told.upper
    assert told.reduction_lower < told.reduction_pct < told.reduction_upper
    assert (told.drops_a, told.cases_b) == (40, 5)
    assert told.ratio_with_voided == told.ratio


def test_swapping_sides_inverts_the_ratio():
    a, b = sides()
    there, back = compare(a, b, a="a", b="b"), compare(b, a, a="b", b="a")
    assert there.ratio * back.ratio == pytest.approx(1.0, rel=1e-9)
    assert there.lower * back.upper == pytest.approx(1.0, rel=1e-9)


def test_intervals_hold_the_truth_as_stated():
    inside = []
    for seed in range(80):
        counts = np.random.default_rng(seed).integers(2, 7, 2)
        told = compare(*sides(*counts, seed=1000 + seed), a="a", b="b")
        inside.append(told.lower <= 1.8 <= told.upper)
    # 80 trials at 0.90: two standard errors are 0.07.
    assert 0.82 < np.mean(inside) < 0.98


def test_agrees_with_a_mixed_model_where_the_two_coincide():
    # Balanced, steady, normal: fixed effect of the side with a random intercept per case.
    import statsmodels.formula.api as smf

    a, b = sides(6, 6, spread=0.1, drops=10)
    rows = [
        {"y": np.log(g), "side": one.case_model == "a", "case": one.case}
        for one in (*a, *b)
        for g in one.peak_g
    ]
    frame = pd.DataFrame(rows).astype({"side": float})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it doubts its optimum near a flat top
        fit = smf.mixedlm("y ~ side", frame, groups=frame["case"]).fit(reml=True)
    told = compare(a, b, a="a", b="b")
    # Our levels are robust and allow for wear, theirs are plain means.
    assert np.log(told.ratio) == pytest.approx(fit.params["side"], abs=0.01)
    half = 0.5 * np.log(told.upper / told.lower)
    # t with 10 degrees of freedom (Welch: a little fewer) against their standard error.
    assert half == pytest.approx(1.8125 * fit.bse["side"], rel=0.12)


def test_matching_conditions_only():
    high = (1000.0, "steel", "face")
    low = (500.0, "steel", "face")
    a = [case(0 * N, name=f"a{k}", seed=k, level=200, condition=low) for k in range(3)]
    a += [case(0 * N, name=f"A{k}", seed=k, level=400, condition=high) for k in range(3)]
    b = [case(0 * N, name=f"b{k}", seed=9 + k, level=100, condition=low) for k in range(3)]
    told = compare(a, b, a="a", b="b")
    assert told.ratio == pytest.approx(2.0, rel=0.05)
    assert told.cases_a == 3
    apart = compare(a[3:], b, a="a", b="b")
    assert "no condition in common" in apart.basis


def test_one_case_each_says_what_it_leaves_out():
    a, b = sides(1, 1)
    told = compare(a, b, a="a", b="b")
    assert told.lower < told.ratio < told.upper
    assert "how cases differ is not counted" in told.basis


def test_one_side_without_valid_drops():
    a, _ = sides()
    voided = DropHistory("V", np.empty(0, dtype=int), np.empty(0), 4, 4, "V", "b")
    told = compare(a, [voided], a="a", b="b")
    assert told.ratio is told.lower is told.reduction_pct is None
    assert told.voided_b == 4
    assert told.basis == "no valid drops on one side"


def test_voided_readings_put_back_are_shown_apart():
    a, b = sides(spread=0.0)
    worse = [case(np.zeros(8), name=f"b{k}", model="b", level=130.0, seed=k) for k in range(5)]
    told = compare(a, b, a="a", b="b", a_with_voided=a, b_with_voided=worse)
    assert told.ratio_with_voided < 0.85 * told.ratio
