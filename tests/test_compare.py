"""Ranking and comparing groups: fairness, coverage, and the mixed model where the two coincide."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from durability.record.records import DropHistory
from durability.report.answers.rank import ranked
from durability.report.blocks import Words
from durability.wear.compare import compare
from durability.wear.population import population_life
from durability.wear.ranking import rank


def case(path, *, name, model="M", scatter=0.05, seed=1, level=100.0, **rest):
    rng = np.random.default_rng(seed)
    peak_g = level * np.exp(np.asarray(path) + scatter * rng.standard_normal(len(path)))
    number = np.arange(1, peak_g.size + 1)
    return DropHistory(
        name, number, peak_g, peak_g.size, peak_g.size, rest.pop("case", name), model, **rest
    )


N = np.arange(20.0)


@pytest.mark.parametrize("rate", [0.05, 0.1])
@pytest.mark.parametrize("drops", [5, 6])
def test_quick_wear_over_few_drops_is_not_the_quickest_there_is(rate, drops):
    """The prior taken out of draws that are no normal gave +16.2 (+16.2 to +16.2) for each."""
    path = rate * np.arange(drops)
    (group,) = rank([case(path, name=f"C{k}", scatter=0.03, seed=k) for k in range(8)]).groups
    true = 100.0 * np.expm1(rate)
    assert group.lower < true < group.upper
    assert group.rise_pct_per_drop == pytest.approx(true, rel=0.35)


def test_very_quick_models_are_ranked_and_their_intervals_hold_the_rise():
    """Rises were cut at 16.2 % a drop: both had +16.2 as upper end, and neither interval held."""
    rises = {"quick": 0.18, "quicker": 0.3}
    drops = np.log1p(np.array([*rises.values()]))[:, None] * np.arange(5.0)
    groups = rank(
        [
            case(path, name=f"{model}{k}", model=model, scatter=0.03, seed=9021 + 10 * k + at)
            for at, (model, path) in enumerate(zip(rises, drops, strict=True))
            for k in range(3)
        ]
    ).groups
    assert [group.group for group in groups] == ["quicker", "quick"]
    assert all(group.lower < 100.0 * rises[group.group] < group.upper for group in groups)


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


# ------------------------------------------------------------------------------- populations


def test_quantiles_of_a_population_whose_lives_are_all_known():
    # Lieblein and Zelen (1956), 23 ball bearings, lives in million revolutions; log-normal by
    # maximum likelihood mu 4.150383, sigma 0.521687 (Lawless, Statistical Models and Methods for
    # Lifetime Data). So b50 = exp(mu) = 63.46 and b10 = exp(mu - 1.2816 sigma) = 32.52.
    file = Path(__file__).parent.parent / "fixtures" / "published" / "life_ball_bearings.csv"
    lives = pd.read_csv(file)["life_million_rev"].to_numpy()
    mu, sigma = 4.150383, 0.521687
    assert np.log(lives).mean() == pytest.approx(mu, abs=2e-6)
    assert np.log(lives).std() == pytest.approx(sigma, abs=2e-6)
    found = population_life([np.full(50, 10.0 * life) for life in lives], horizon=10_000, level=0.9)
    # Tenths of a million, so that whole drops lose no digit. Ours has a weak prior of the spread
    # and the larger estimate of it (n - 1): within 3 %.
    assert found.b50.estimate == pytest.approx(10 * np.exp(mu), rel=0.03)
    assert found.b10.estimate == pytest.approx(10 * np.exp(mu - 1.281552 * sigma), rel=0.05)
    # Exact intervals of a normal sample (Student; noncentral t, Hahn and Meeker 1991, ch. 4).
    root, spread = np.sqrt(23), sigma * np.sqrt(23 / 22)
    middle = mu + stats.t.ppf([0.05, 0.95], 22) * spread / root
    tenth = mu + stats.nct.ppf([0.05, 0.95], 22, -1.281552 * root) * spread / root
    assert (found.b50.lower, found.b50.upper) == pytest.approx(10 * np.exp(middle), rel=0.04)
    assert (found.b10.lower, found.b10.upper) == pytest.approx(10 * np.exp(tenth), rel=0.06)
    # The next one: Student's prediction interval.
    after = mu + stats.t.ppf([0.05, 0.95], 22) * spread * np.sqrt(1 + 1 / 23)
    assert (found.life.lower, found.life.upper) == pytest.approx(10 * np.exp(after), rel=0.06)


def test_a_population_is_known_the_worse_the_fewer_its_cases():
    rng = np.random.default_rng(3)
    lives = [np.full(20, 40.0 * np.exp(0.2 * rng.standard_normal())) for _ in range(12)]
    widths = []
    for cases in (1, 2, 5, 12):
        found = population_life(lives[:cases], horizon=10_000, level=0.9)
        widths.append(np.log(found.b50.upper / found.b50.lower))
        assert found.b10.estimate < found.b50.estimate
        assert found.life.lower < found.b50.lower < found.b50.upper < found.life.upper
    assert widths == sorted(widths, reverse=True)
    assert population_life([], horizon=400, level=0.9).b50.estimate is None


def test_the_spread_of_lives_is_learned_from_the_cases():
    rng = np.random.default_rng(8)
    shares = stats.norm.ppf((np.arange(6) + 0.5) / 6)
    widths = {}
    for spread in (0.1, 0.3, 0.6):
        lives = [
            np.full(20, np.round(1000.0 * np.exp(spread * share))) for share in rng.permuted(shares)
        ]
        found = population_life(lives, horizon=100_000, level=0.9)
        widths[spread] = np.log(found.life.upper / found.life.lower)
        # Student's prediction interval, which knows nothing beforehand, and that of known spread.
        student = 2 * stats.t.ppf(0.95, 5) * np.log(lives).std(ddof=1) * np.sqrt(1 + 1 / 6)
        assert 2 * 1.645 * spread < widths[spread] < 1.25 * student
    assert widths[0.3] < 0.6 * widths[0.6]
    assert widths[0.1] < 0.45 * widths[0.3]
    # What no case is known of is the same for all: it stays in the middle, not in the spread.
    alike = np.exp(np.linspace(6.0, 7.0, 400))
    found = population_life([alike] * 8, horizon=100_000, level=0.9)
    assert 0.8 < np.log(found.b50.upper / found.b50.lower) < 1.0
    assert np.log(found.life.upper / found.life.lower) < 1.1


def test_names_and_order_move_no_quantile():
    ours, again = rank(two_models()), rank(two_models()[::-1])
    renamed = [
        replace(each, series=f"x {each.series}", case=f"y {each.case}") for each in two_models()
    ]
    for other in (again, rank(renamed)):
        for one, two in zip(ours.groups, other.groups, strict=True):
            assert (one.life, one.b10, one.b50) == (two.life, two.b10, two.b50)
            assert one.rise_pct_per_drop == pytest.approx(two.rise_pct_per_drop, rel=1e-6)


def test_settling_is_no_wear_that_goes_on():
    settles = 0.2 * -np.expm1(-N / 2.0)
    cases = [case(settles, name=f"s{k}", model="settles", scatter=0.02, seed=k) for k in range(4)]
    cases += [case(0.02 * N, name=f"w{k}", model="wears", scatter=0.02, seed=k) for k in range(4)]
    wears, settled = rank(cases).groups
    assert (wears.group, settled.group) == ("wears", "settles")
    # 20 % settles; over 20 drops that would have been 0.9 % a drop.
    assert settled.settling_pct == pytest.approx(100 * np.expm1(0.2), abs=5)
    assert settled.lower < 0.0 < settled.upper < 0.5
    assert abs(wears.settling_pct) < 8
    assert wears.lower < 100 * np.expm1(0.02) < wears.upper


def test_pooled_conditions_are_a_factor():
    """The condition under which a model was dropped more often doesn't make it the faster one."""
    high, low = 1500.0, 500.0
    cases = []
    for model, speed, counts in (("a", 1.0, (1, 5)), ("b", 0.7, (5, 1))):
        for under, rate, count in zip((high, low), (0.04, 0.01), counts, strict=True):
            cases += [
                case(speed * rate * N, name=f"{model}{under:g}{k}", model=model,
                     scatter=0.02, seed=k, drop_height_mm=under, surface="steel")
                for k in range(count)
            ]  # fmt: skip
    pooled = rank(cases, pool=True)
    assert (pooled.condition, pooled.others) == ("pooled", ())
    assert [group.group for group in pooled.groups] == ["a", "b"]
    assert "2 conditions pooled, as under 500 mm" in pooled.basis
    # As under the lower height, which stands first: as many cases and drops.
    fast, slow = pooled.groups
    assert fast.lower < 100 * np.expm1(0.01) < fast.upper
    assert slow.lower < 100 * np.expm1(0.007) < slow.upper
    # Alone, each condition gives the same order.
    apart = rank(cases)
    assert apart.condition.drop_height_mm == 500
    for each in (apart, *apart.others):
        assert [group.group for group in each.groups] == ["a", "b"]


def test_order_by_life_is_named_where_it_is_another():
    # Fast from fresh but far from its limit in g, against slow and close to it.
    near = [case(0.006 * N, name=f"n{k}", model="near", level=180.0, scatter=0.02, seed=k)
            for k in range(3)]  # fmt: skip
    far = [case(0.02 * N, name=f"f{k}", model="far", level=80.0, scatter=0.02, seed=k)
           for k in range(3)]  # fmt: skip
    ranking = rank([*near, *far], limit_g=220.0)
    assert [group.group for group in ranking.groups] == ["far", "near"]
    words = [block.text for block in ranked(ranking) if isinstance(block, Words)]
    assert any(
        text.startswith("By life the order is another, the shortest first: near") for text in words
    )
    alike = rank(two_models())
    assert not [each for each in ranked(alike) if getattr(each, "text", "").startswith("By life")]


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


def test_cases_alike_to_the_last_digit_have_a_ratio():
    """A model against itself: no scatter between cases is seen, none is made up."""
    twins = [case(0.01 * N, name=name, case=name) for name in ("K", "L")]
    told = compare(twins, twins, a="M", b="M")
    assert told.ratio == pytest.approx(1.0)
    assert told.lower < 1.0 < told.upper


def test_matching_conditions_only():
    high = {"drop_height_mm": 1000.0, "surface": "steel", "orientation": "face"}
    low = {**high, "drop_height_mm": 500.0}
    a = [case(0 * N, name=f"a{k}", seed=k, level=200, **low) for k in range(3)]
    a += [case(0 * N, name=f"A{k}", seed=k, level=400, **high) for k in range(3)]
    b = [case(0 * N, name=f"b{k}", seed=9 + k, level=100, **low) for k in range(3)]
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
