"""Past forecasts against what happened: cuts, what was known by then, figures, words."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import BayesianRidge, LinearRegression

import durability
from durability.__main__ import main
from durability.life.results import Prediction
from durability.record.errors import UnusableCall
from durability.record.records import DropHistory
from durability.report.page import sections
from durability.wear.backtest import (
    SHARES,
    Ended,
    backtest,
    by_regressor,
    ended_of,
    interval_score,
    known_by,
    share_interval,
)
from durability.wear.forecast import forecast
from durability.wear.lives import FailureLimit
from durability.workflow.evaluation import Evaluation
from durability.workflow.reporting import gather_report
from durability.workflow.results import Limit
from durability.workflow.session import Session

PUBLISHED = Path(__file__).parent.parent / "fixtures" / "published"


def history(series, drops, *, case=None, model="M", times=None, **rest):
    number = np.arange(1, drops + 1)
    peak_g = 100.0 * np.exp(0.02 * number)
    return DropHistory(
        series, number, peak_g, drops, drops, case or series, model, dropped_at_s=times, **rest
    )


def test_figures_are_those_of_a_hand_count():
    """Three series of 20 drops: failed at 20, failed at 10, not failed; one forecast for all."""
    ended = [
        Ended(history("A", 20), 20, 20),
        Ended(history("B", 12), 10, 10),
        Ended(history("C", 20), None, 20),
    ]
    asked = []

    def forecaster(known, series):
        asked.append((series, known[0].last_drop_number))
        return Prediction(8.0, 15.0, 18.0)

    told = backtest([each.history for each in ended], ended, forecaster, level=0.8, horizon=400)
    assert asked == [
        ("A", 6), ("A", 10), ("A", 14), ("A", 18),
        ("B", 3), ("B", 5), ("B", 7), ("B", 9),
        ("C", 6), ("C", 10), ("C", 14), ("C", 18),
    ]  # fmt: skip
    first = told.cuts[0]
    # A failed at 20, beyond 18; B at 10, within; C is at 21 or later, beyond 18 too.
    assert (first.share, first.series, first.held_series, first.not_judged) == (0.3, 3, 1, 0)
    off = [np.log(9 / 14), np.log(12 / 7), np.log(9 / 15)]
    assert first.median_abs_log_error == pytest.approx(np.median(np.abs(off)))
    scores = [
        np.log(12 / 2) + 10 * np.log(14 / 12),
        np.log(15 / 5),
        np.log(12 / 2) + 10 * np.log(15 / 12),
    ]
    assert first.interval_score == pytest.approx(np.mean(scores))
    assert first.median_off_by == pytest.approx(15 / 9)


def test_a_series_that_holds_is_judged_only_beyond_the_upper_end():
    ended = [Ended(history("C", 20), None, 20)]
    for upper, judged in ((20.0, 1), (21.0, 0), (None, 0)):
        told = backtest(
            [ended[0].history],
            ended,
            lambda *_, upper=upper: Prediction(10.0, 15.0, upper),
            level=0.9,
            horizon=400,
        )
        assert [(each.series, each.not_judged) for each in told.cuts] == [(judged, 1 - judged)] * 4
        assert {each.held for each in told.cuts} == ({0.0} if judged else {None})
    nothing = backtest([], [], lambda *_: None, level=0.9, horizon=400)
    assert [each.held for each in nothing.cuts] == [None] * len(SHARES)


def test_too_little_to_forecast_is_counted_and_not_judged():
    ended = [Ended(history("A", 20), 20, 20)]
    told = backtest([ended[0].history], ended, lambda *_: None, level=0.9, horizon=400)
    assert [(each.series, each.too_few, each.not_judged) for each in told.cuts] == [(0, 1, 0)] * 4


def test_interval_score_is_that_of_gneiting_and_raftery():
    # Gneiting & Raftery 2007, eq. 43: (u - l) + 2/α (l - x) 1{x < l} + 2/α (x - u) 1{x > u}.
    ends = np.array([1.0]), np.array([3.0])
    for truth, expected in ((2.0, 2.0), (3.0, 2.0), (4.0, 22.0), (0.5, 12.0)):
        assert interval_score(*ends, np.array([truth]), 0.9) == pytest.approx(expected)
    # The true interval of a normal has the least score of any.
    drawn = np.random.default_rng(5).standard_normal(20_000)
    scores = [
        interval_score(np.full(1, -z), np.full(1, z), drawn, 0.9).mean() for z in (1.2, 1.645, 2.2)
    ]
    assert scores[1] < min(scores[0], scores[2])


@pytest.mark.parametrize(("held", "of"), [(0, 7), (7, 7), (8, 10), (1, 1)])
def test_the_interval_of_the_share_is_scipys_exact_one(held, of):
    exact = binomtest(held, of).proportion_ci(0.9, method="exact")
    assert share_interval(held, of) == pytest.approx((exact.low, exact.high))


# ------------------------------------------------------------------------------ what was known


def test_of_other_cases_only_drops_dated_before_are_known():
    own = history("A", 10, times=np.arange(10) * 100.0)
    other = history("B", 10, times=np.arange(10) * 100.0 + 50.0)
    undated = history("C", 10)
    partly = history("D", 3, times=np.array([10.0, np.nan, 30.0]))
    same = history("E", 5, times=np.full(5, 400.0))
    known = known_by([own, other, undated, partly, same], own, 5)
    assert [(each.series, each.last_drop_number) for each in known] == [
        ("A", 5), ("B", 4), ("D", 3)
    ]  # fmt: skip
    # Without a time of its own, nothing of others is known to have come before.
    without = replace(own, dropped_at_s=None)
    assert [each.series for each in known_by([without, other], without, 5)] == ["A"]
    assert known_by([own, other], own, 0) == []


def test_of_the_own_case_every_drop_until_then_is_known_by_age():
    first = history("A", 4, case="K", age_by_drop=np.array([1, 2, 3, 4]))
    later = history("B", 6, case="K", age_by_drop=np.array([5, 6, 7, 9, 10, 11]))
    between = history("C", 2, case="K", age_by_drop=np.array([8, 12]))
    known = known_by([first, later, between], later, 4)
    assert [(each.series, each.last_drop_number) for each in known] == [
        ("A", 4), ("B", 4), ("C", 1)
    ]  # fmt: skip
    assert known[1].age_by_drop.tolist() == [5, 6, 7, 9]


def test_notes_of_damage_come_with_their_drop():
    noted = {"damage_drop_number": np.array([3, 6]), "damage_severity": np.array([1, 4])}
    (known,) = known_by([one := history("A", 8, **noted)], one, 5)
    assert (known.drops, known.damage_severity.tolist()) == (5, [1])
    assert known_by([one], one, 8) == [one]


def fleet(later_factor=1.0):
    """Six cases in turn; readings of what came after the cut can be made other ones."""
    rng = np.random.default_rng(4)
    record = []
    for at in range(6):
        made = 26
        peak_g = 100.0 * np.exp(0.022 * np.arange(made) + 0.03 * rng.standard_normal(made))
        times = 1000.0 * at + 600.0 * np.arange(made)
        peak_g = np.where(times > 9000.0, peak_g * later_factor, peak_g)
        number = np.arange(1, made + 1)
        record.append(
            DropHistory(f"S{at}", number, peak_g, made, made, f"C{at}", "M", dropped_at_s=times)
        )
    return record


def test_nothing_that_came_later_moves_a_forecast():
    limit = Limit()
    found = []
    for factor in (1.0, 1.7):
        record = fleet(factor)
        known = known_by(record, record[2], 11)  # at 8,000 s
        assert {each.series for each in known} == {f"S{at}" for at in range(6)}
        assert Evaluation(known, ["S2"], limit).forecasts[0].drops_made == 11
        found.append(Evaluation(known, ["S2"], limit).forecasts[0].drops_to_failure)
    assert found[0] == found[1]
    # Though it may, were the whole record read.
    whole = [Evaluation(fleet(f), ["S2"], limit).forecasts[0].drops_to_failure for f in (1.0, 1.7)]
    assert whole[0] != whole[1]


def test_series_are_judged_as_the_whole_record_has_them():
    lasting = replace(history("B", 20), peak_g=np.full(20, 100.0))
    bare = replace(history("C", 20), case=None, case_model=None)
    before = history("D", 4, case="K", age_by_drop=np.array([31, 32, 33, 34]))
    failing = history("A", 30, case="K", age_by_drop=np.arange(1, 31))
    record = [failing, lasting, bare, before]
    ended = ended_of(record, Evaluation(record, "ABCD", Limit()).forecasts)
    assert [each.history.series for each in ended] == ["A", "B"]
    assert ended[0].failed_at == pytest.approx(np.log(1.5) / 0.02 + 1, abs=1)
    assert (ended[1].failed_at, ended[1].made, ended[1].truth) == (None, 20, 21)


# ---------------------------------------------------------------------- published crack growth


def test_published_cracks_are_judged_as_by_a_loop_of_its_own():
    """Fatigue cracks of 21 specimens, failed at 1.60 in (Hudak et al. 1978; Lu & Meeker 1993)."""
    paths = {}
    with (PUBLISHED / "degradation_alloy_crack_growth.csv").open() as file:
        for row in csv.DictReader(file):
            paths.setdefault(row["unit"], []).append(float(row["crack_length_in"]))
    record = [
        DropHistory(unit, np.arange(1, len(path) + 1), np.array(path), len(path), len(path), unit)
        for unit, path in paths.items()
    ]
    limit = Limit(limit_g=1.6)
    told = Evaluation(record, list(paths), limit).backtest(lambda *_: None)
    # The reading that reaches 1.60 in is the failure; the level smooths by a reading at most.
    reached = [next((i + 1 for i, a in enumerate(p) if a >= 1.6), None) for p in paths.values()]
    assert sum(each is not None for each in reached) == 12
    assert abs(told.failed - 12) <= 1
    whole = forecast(record, limit_g=1.6)
    for cut in told.cuts[1:]:
        held, judged = 0, 0
        for each, life in zip(record, whole, strict=True):
            made = int(cut.share * (life.failed_at_drop or each.drops) + 1e-9)
            if made < 4:
                continue
            then = forecast(
                [replace(each, drop_number=each.drop_number[:made], peak_g=each.peak_g[:made],
                         drops=made, last_drop_number=made)],
                limit_g=1.6,
            )[0].drops_to_failure  # fmt: skip
            upper = np.inf if then.upper is None else then.upper
            if life.failed:
                judged += 1
                held += then.lower <= life.failed_at_drop <= upper
            else:
                judged += upper < each.drops + 1
        assert (cut.series, cut.held_series) == (judged, held)
        # A straight continuation of a crack that speeds up would miss; ours has held.
        assert held >= judged - 2


# ------------------------------------------------------------------------------ other forecasters


def test_regressors_of_scikit_learn_are_held_to_the_same_cuts():
    # 1 + log 1.5 / 0.02 = 21.3: on exact readings a line fails at 22.
    ended = [Ended(history("A", 22), 22, 22)]
    found = {}
    for estimator in (
        LinearRegression(),
        IsotonicRegression(out_of_bounds="clip"),
        BayesianRidge(),
    ):
        regressor = by_regressor(estimator, FailureLimit(None, 0.5, 400), 0.9)
        told = backtest([ended[0].history], ended, regressor, level=0.9, horizon=400)
        found[type(estimator).__name__] = told.cuts[-1]
    line, steps, bayes = found.values()
    assert (line.held, line.median_off_by, line.interval_score) == (1.0, 1.0, 0.0)
    assert steps.median_off_by > 50  # it never rises above its last reading
    assert bayes.held == 1.0 and bayes.median_off_by == pytest.approx(1.0, abs=0.35)


# ------------------------------------------------------------------------------ what is shown


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    rng = np.random.default_rng(3)
    lines = ["series,drop_number,peak_g,dropped_at,device,device_kind,case,case_model"]
    for at in range(3):
        for number in range(1, 19):
            peak = 100.0 * np.exp((0.03 if at else 0.0) * number + 0.02 * rng.standard_normal())
            moment = f"2026-03-{at + 1:02d}T10:{number:02d}:00"
            lines.append(f"S{at},{number},{peak:.1f},{moment},D,dummy,C{at},M{at % 2}")
    (folder / "drops.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = folder / "lab.duckdb"
    where = ["--store", str(path)]
    assert main(["init", *where]) == 0
    assert main(["import", "drops", str(folder / "drops.csv"), *where]) == 0
    return path


def test_terminal_page_and_json_say_the_same(store, capsys):
    where = ["--store", str(store)]
    capsys.readouterr()
    assert main(["forecast", "--backtest", "--json", *where]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [*told] == ["level", "cuts"]
    names = ["share", "series", "held", "median_abs_log_error", "interval_score"]
    assert [[*each] for each in told["cuts"]] == [names] * 4
    assert [each["share"] for each in told["cuts"]] == [0.3, 0.5, 0.7, 0.9]
    half = told["cuts"][1]
    assert half["series"] == 2
    assert main(["forecast", "--backtest", "--why", *where]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    held = round(half["held"] * 2)
    assert f"As of 50 % of the life the 90 % interval held for {held} of 2 judged series" in shown
    off = np.exp(half["median_abs_log_error"])
    assert f"by a factor of {off:.2g}" in shown or f"by a factor of {off:.1f}" in shown
    assert "50 % of life M0" in shown and "50 % of life M1" in shown
    # The page lays out the very blocks.
    session = Session(store, "Ann")
    contents = gather_report(session, on=date(2026, 4, 1), backtest=True)
    found = [each for each in sections.all_sections(contents, lambda *_: None)
             if each.name == "backtest"]  # fmt: skip
    assert found[0].blocks[0].text in shown
    assert found[0].blocks[1].command == "durability forecast --backtest"
    without = sections.all_sections(replace(contents, backtest=None), lambda *_: None)
    assert "backtest" not in [each.name for each in without]


def test_one_model_is_asked_alone(store, capsys):
    capsys.readouterr()
    call = ["forecast", "--backtest", "--case-model", "M0", "--store", str(store)]
    assert main(call) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "1 of 2 series failed" in shown or "judged series" in shown
    with pytest.raises(SystemExit):
        main([*call, "--rig-corrected"])
    assert "--backtest" in capsys.readouterr().err


def test_a_store_without_failures_says_so(tmp_path, capsys):
    where = ["--store", str(tmp_path / "lab.duckdb")]
    assert main(["init", *where]) == 0
    capsys.readouterr()
    assert main(["forecast", "--backtest", *where]) == 0
    assert "No series in a case with valid drops" in capsys.readouterr().out
    assert main(["forecast", "--backtest", "--json", *where]) == 0
    cuts = json.loads(capsys.readouterr().out)["cuts"]
    assert [(each["series"], each["held"]) for each in cuts] == [(0, None)] * 4


@pytest.mark.parametrize("estimator", ["linear", LinearRegression])
def test_what_is_no_regressor_is_refused_in_one_line(estimator):
    drops = pd.DataFrame({"series": "S", "drop_number": [1, 2], "peak_g": [100.0, 101.0]})
    with pytest.raises(UnusableCall, match=r"not a regressor .*; give one like LinearRegression"):
        durability.backtest(drops, estimator)
