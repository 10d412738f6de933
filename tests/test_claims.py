"""Claims of a reduction: verdicts, error rates, wear, and what would settle them."""

import numpy as np
import pytest

from durability.record.errors import UnusableCall
from durability.wear.claims import ClaimReadings, judge_claim


def bare(rng, drops=8, level_g=800.0, within=0.04):
    return ClaimReadings(np.log(level_g) + rng.normal(0, within, drops))


def cased(rng, cases, drops, level_g, between=0.05, within=0.04):
    case = np.repeat(np.arange(cases), drops)
    peak = np.log(level_g) + rng.normal(0, between, cases)[case] + rng.normal(0, within, len(case))
    return ClaimReadings(
        peak, tuple(f"C{i}" for i in case), None, np.tile(np.arange(1, drops + 1), cases)
    )


def test_clear_cases_get_clear_verdicts():
    rng = np.random.default_rng(1)
    a, b = bare(rng), cased(rng, 4, 5, 200.0)
    found = judge_claim(a, b, 60.0)
    assert found.verdict == "shown"
    assert judge_claim(a, b, 85.0).verdict == "contradicted"
    claimed = found.reduction_pct
    near = judge_claim(a, b, claimed)
    assert near.verdict == "not shown"
    assert near.reduction_lower < claimed < near.reduction_upper
    assert near.reduction_pct == pytest.approx(100 * (1 - 1 / near.overall.ratio))


def test_one_case_shows_nothing_of_a_model():
    rng = np.random.default_rng(2)
    found = judge_claim(bare(rng), cased(rng, 1, 30, 100.0), 60.0)
    assert found.overall.between_case_unknown
    assert found.verdict == "not shown"
    assert found.reduction_lower > 80.0
    assert (found.cases_to_settle, found.drops_to_settle) == (None, None)


@pytest.mark.parametrize("cases", [2, 3, 5])
def test_a_claim_at_its_edge_is_seldom_called(cases):
    # True reduction exactly 60 %: each wrong call at most 5 % (two-sided 90 % interval).
    # 400 runs: standard error 1.1 points.
    rng = np.random.default_rng(20 + cases)
    verdicts = [
        judge_claim(bare(rng), cased(rng, cases, 4, 320.0), 60.0).verdict for _ in range(400)
    ]
    assert verdicts.count("shown") / 400 <= 0.08
    assert verdicts.count("contradicted") / 400 <= 0.08


def test_cases_to_settle_do_settle():
    # Draw new studies of the proposed size from the estimate: about the stated power is shown.
    rng = np.random.default_rng(9)
    a, b = bare(rng, 20), cased(rng, 3, 4, 290.0)
    claimed = judge_claim(a, b, 60.0).reduction_pct - 1.5
    found = judge_claim(a, b, claimed)
    assert found.verdict == "not shown"
    wanted = found.cases_to_settle
    assert wanted > 3
    level_g = 800.0 * (1 - found.reduction_pct / 100)
    within = found.overall.within_case_log_sd
    between = found.overall.between_case_log_sd
    shown = sum(
        judge_claim(
            bare(rng, 20, within=within), cased(rng, wanted, 4, level_g, between, within), claimed
        ).verdict
        == "shown"
        for _ in range(300)
    )
    assert 0.70 <= shown / 300 <= 0.92  # stated 0.8; estimated scatters differ a little


def test_more_drops_of_the_same_cases_help_only_against_their_own_scatter():
    rng = np.random.default_rng(4)

    def just_below_the_estimate(b):
        a = bare(rng, 40)
        return judge_claim(a, b, judge_claim(a, b, 60.0).reduction_pct - 1.0)

    drops_scatter = just_below_the_estimate(cased(rng, 6, 2, 300.0, between=0.0, within=0.12))
    assert drops_scatter.verdict == "not shown"
    assert drops_scatter.drops_to_settle > 2
    cases_scatter = just_below_the_estimate(cased(rng, 4, 6, 310.0, between=0.15, within=0.01))
    assert cases_scatter.verdict == "not shown"
    assert cases_scatter.drops_to_settle is None


def test_orientations_are_judged_one_by_one_and_together():
    rng = np.random.default_rng(6)
    where = ("face 1", "edge 1-2", "corner 1-2-5")
    level_bare = {"face 1": 900.0, "edge 1-2": 700.0, "corner 1-2-5": 500.0}
    kept = {"face 1": 0.2, "edge 1-2": 0.3, "corner 1-2-5": 0.55}
    peak_a, where_a, peak_b, where_b, case_b = [], [], [], [], []
    for name in where:
        for _ in range(6):
            peak_a.append(np.log(level_bare[name]) + rng.normal(0, 0.03))
            where_a.append(name)
    for case in range(4):
        shift = rng.normal(0, 0.03)
        for name in where:
            for _ in range(2):
                level = np.log(level_bare[name] * kept[name])
                peak_b.append(level + shift + rng.normal(0, 0.03))
                where_b.append(name)
                case_b.append(f"C{case}")
    a = ClaimReadings(np.array([*peak_a, 6.0]), None, (*where_a, "face 3"))
    b = ClaimReadings(np.array(peak_b), tuple(case_b), tuple(where_b))
    found = judge_claim(a, b, 60.0)
    verdicts = {each.orientation: each.verdict for each in found.per_orientation}
    assert verdicts == {"face 1": "shown", "edge 1-2": "shown", "corner 1-2-5": "contradicted"}
    assert found.unshared_orientations == ("face 3",)
    # Over all: the geometric mean of what is kept, (0.2 · 0.3 · 0.55) ** (1/3) = 0.3208.
    assert found.reduction_lower < 100 * (1 - 0.3208) < found.reduction_upper
    assert found.overall.drops_a == 18


def test_level_after_wear():
    # Each case climbs 2 % a drop from 200 g; at drop 20 that is 200 · 1.02 ** 19 = 291 g.
    rng = np.random.default_rng(10)
    fresh = cased(rng, 4, 12, 200.0, between=0.02, within=0.01)
    worn = ClaimReadings(
        fresh.log_peak + np.log(1.02) * (fresh.drop_number - 1), fresh.case, None, fresh.drop_number
    )
    a = bare(rng)
    now, later = judge_claim(a, worn, 60.0, at_drop=1), judge_claim(a, worn, 60.0, at_drop=20)
    assert now.verdict == "shown"
    assert not now.beyond_last_drop
    assert now.reduction_lower < 75.0 < now.reduction_upper
    assert later.beyond_last_drop
    assert later.reduction_lower < 100 * (1 - 291.3 / 800) < later.reduction_upper
    with pytest.raises(UnusableCall, match="case C0: a level at drop 9 needs at least 3 drops"):
        judge_claim(a, cased(rng, 2, 2, 200.0), 60.0, at_drop=9)


@pytest.mark.parametrize("claim", [-1.0, 100.0, float("nan")])
def test_claims_that_make_no_sense(claim):
    rng = np.random.default_rng(0)
    with pytest.raises(UnusableCall, match="must lie in 0 to 100"):
        judge_claim(bare(rng), cased(rng, 2, 2, 200.0), claim)


def test_no_orientation_in_common():
    a = ClaimReadings(np.ones(2), None, ("face 1", "face 1"))
    b = ClaimReadings(np.ones(2), ("A", "B"), ("face 2", "face 2"))
    with pytest.raises(UnusableCall, match="no orientation in common"):
        judge_claim(a, b, 60.0)
