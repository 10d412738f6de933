"""Estimators in scikit-learn's form: its own checks, and the numbers of the answers."""

from __future__ import annotations

import pickle
import subprocess
import sys
import warnings
from unittest import SkipTest

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import GroupKFold, LeaveOneOut, cross_val_predict, cross_val_score
from sklearn.utils.estimator_checks import check_estimator, estimator_checks_generator

import durability
from durability import LatentFailure, WearCurve
from durability.devices import link_model
from durability.devices.evidence import leave_one_out
from durability.devices.study import EXPONENTS, log_doses
from durability.record.records import DropHistory
from durability.wear.fitting import fit_wear
from durability.workflow.evaluation import Evaluation
from durability.workflow.results import Limit

SLOW = {
    "check_regressors_train",
    "check_regressor_data_not_an_array",
    "check_fit_idempotent",
    "check_classifiers_train",
}
"""Left to ``python tests/test_estimators.py``, which runs every check with all draws."""
ESTIMATORS = (WearCurve(), LatentFailure())


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.filterwarnings("ignore")
def test_scikit_learn_finds_no_fault(estimator, monkeypatch):
    """No failure is expected; arrays of other libraries are left alone unless scipy is told to."""
    monkeypatch.setattr(link_model, "PROPOSALS_PER_REGION", 40)
    ran, skipped = 0, []
    for again, check in estimator_checks_generator(estimator, legacy=True):
        if check.func.__name__ in SLOW:
            continue
        ran += 1
        try:
            check(again)
        except SkipTest:
            skipped.append(check.func.__name__)
    assert ran > 40
    assert set(skipped) <= {"check_array_api_input"}


def drops(cases=3, made=16, seed=1):
    rng = np.random.default_rng(seed)
    number = np.tile(np.arange(1, made + 1), cases)
    case = np.repeat(np.arange(cases), made)
    rate = 0.02 + 0.004 * case
    peak_g = (90.0 + 10 * case) * np.exp(rate * number + 0.03 * rng.standard_normal(number.size))
    return np.column_stack([number, case]), peak_g


def test_the_curve_and_the_life_are_those_of_the_answers():
    X, y = drops()
    curve = WearCurve().fit(X, y)
    histories = [
        DropHistory(f"S{at}", np.arange(1, 17), y[X[:, 1] == at], 16, 16, f"C{at}", "M")
        for at in range(3)
    ]
    levels = np.concatenate([fit.level_g for fit in fit_wear(histories)])
    assert curve.predict(X) == pytest.approx(levels, rel=1e-3)
    band = curve.predict_interval(X)
    lower = np.concatenate([fit.level_lower_g for fit in fit_wear(histories)])
    assert band["lower"] == pytest.approx(lower, rel=1e-3)
    frame = pd.DataFrame(
        {"series": [f"S{at:.0f}" for at in X[:, 1]], "case": [f"C{at:.0f}" for at in X[:, 1]],
         "drop_number": X[:, 0], "peak_g": y, "case_model": "M"}
    )  # fmt: skip
    told = durability.forecasts(frame)
    for life, row in zip(curve.drops_to_failure(), told.itertuples(), strict=True):
        assert (life["lower"], life["median"], life["upper"]) == (row.lower, row.median, row.upper)


def test_a_curve_is_cloned_pickled_and_cross_validated():
    X, y = drops()
    curve = WearCurve(level=0.8, limit_rise=0.3)
    assert clone(curve).get_params() == curve.get_params()
    again = pickle.loads(pickle.dumps(curve.fit(X, y)))
    assert (again.predict(X) == curve.predict(X)).all()
    # A case left out is predicted by the others: their levels differ, their shape does not.
    scores = cross_val_score(curve, X, y, cv=GroupKFold(3), groups=X[:, 1])
    assert scores.shape == (3,) and np.isfinite(scores).all()
    within = cross_val_score(curve, X, y, cv=4)
    assert np.isfinite(within).all()


def test_intervals_go_by_name_and_widen_ahead():
    X, y = drops(cases=1)
    curve = WearCurve(level=0.9).fit(X[:, :1], y)
    band = curve.predict_interval([[16], [30]])
    assert (band["lower"] < band["median"]).all() and (band["median"] < band["upper"]).all()
    width = np.log(band["upper"] / band["lower"])
    assert width[1] > 2 * width[0]
    assert curve.set_params(level=0.5).predict_interval([[30]])["lower"] > band["lower"][1]


def test_bad_readings_are_named():
    with pytest.raises(ValueError, match="peak g 0 is not above 0"):
        WearCurve().fit([[1], [2], [3], [4]], [100, 0, 104, 106])
    with pytest.raises(ValueError, match="not whole"):
        WearCurve().fit([[1], [2.5], [3], [4]], [100, 101, 104, 106]).drops_to_failure()
    curve = WearCurve().fit([[1], [2], [3], [4]], [100, 102, 104, 106])
    for asked in (curve.predict, curve.predict_interval):
        with pytest.raises(ValueError, match="drop number 0 is below 1, the first drop of a case"):
            asked([[3], [0]])
    with pytest.raises(ValueError, match="peak g -5 is below 0"):
        LatentFailure().fit([[100.0], [-5.0]], [0, 1])
    with pytest.raises(ValueError, match="must be before"):
        LatentFailure().fit([[100.0], [200.0]], [[10, 5], [0, np.inf]])


def devices(count=14, seed=4):
    """Peaks of devices, some of them controls, and whether each had failed by day 90."""
    rng = np.random.default_rng(seed)
    peaks = np.where(np.arange(count)[:, None] < 4, 0.0, rng.uniform(100, 900, (count, 6)))
    chance = np.where(peaks.max(axis=1) > 0, (peaks**4).sum(axis=1) / 1e12, 0.02)
    return peaks, (rng.random(count) < np.minimum(chance, 0.9)).astype(int)


def test_labels_and_intervals_of_days_say_the_same():
    peaks, failed = devices()
    by_label = LatentFailure(day=90).fit(peaks, failed)
    lives = np.array([[0.0, 90.0] if each else [90.0, np.inf] for each in failed])
    by_days = LatentFailure(day=90).fit(peaks, lives)
    chance = by_label.predict_proba(peaks)
    assert (chance == by_days.predict_proba(peaks)).all()
    assert chance.sum(axis=1) == pytest.approx(1.0)
    band = by_label.predict_interval(peaks)
    assert ((band["lower"] <= chance[:, 1]) & (chance[:, 1] <= band["upper"])).all()
    # A drop that was not made may be 0 or NaN.
    gaps = np.where(peaks == 0.0, np.nan, peaks)
    assert (LatentFailure(day=90).fit(gaps, failed).predict_proba(gaps) == chance).all()
    words = LatentFailure().fit(peaks, np.where(failed, "failed", "works")).classes_
    assert sorted(words) == ["failed", "works"]
    again = pickle.loads(pickle.dumps(by_label))
    assert (again.predict(peaks) == by_label.predict(peaks)).all()


def test_leaving_out_by_weights_agrees_with_scikit_learn_leaving_out_one_by_one():
    """The answer weighs draws in place of refits; scikit-learn's LeaveOneOut refits each.

    The largest weights are cut, which pulls devices of much weight towards their own outcome.
    """
    peaks, failed = devices(count=10)
    estimator = LatentFailure(day=90)
    refitted = cross_val_predict(estimator, peaks, failed, cv=LeaveOneOut(), method="predict_proba")
    model = estimator.fit(peaks, failed).model_
    lives = np.array([[0.0, 90.0] if each else [90.0, np.inf] for each in failed])

    class Study:
        pass

    study = Study()
    study.lives, study.entry = lives, np.zeros(len(lives))
    log_dose = log_doses([row[row > 0] for row in peaks], EXPONENTS)
    weighed = leave_one_out(model, study, log_dose, 90.0)
    assert weighed == pytest.approx(refitted[:, 1], abs=0.12)
    scores = cross_val_score(estimator, peaks, failed, cv=2, scoring="neg_log_loss")
    assert np.isfinite(scores).all()


def test_the_library_backtests_as_the_command_and_any_regressor_beside():
    X, y = drops(cases=2, made=30)
    frame = pd.DataFrame(
        {"series": [f"S{at:.0f}" for at in X[:, 1]], "case": [f"C{at:.0f}" for at in X[:, 1]],
         "drop_number": X[:, 0], "peak_g": y, "case_model": "M"}
    )  # fmt: skip
    found = durability.backtest(frame)
    histories = [
        DropHistory(f"S{at}", np.arange(1, 31), y[X[:, 1] == at], 30, 30, f"C{at}", "M")
        for at in range(2)
    ]
    own = Evaluation(histories, ["S0", "S1"], Limit()).backtest()
    assert found["held"].tolist() == [each.held for each in (*own.cuts, *own.by_model)]
    assert found["share"].tolist() == [0.3, 0.5, 0.7, 0.9] * 2
    assert found["case_model"].isna().tolist() == [True] * 4 + [False] * 4
    line = durability.backtest(frame, LinearRegression())
    curve = durability.backtest(frame, WearCurve(level=0.9))
    assert line["held"].max() <= 0.5
    assert curve["held"].iloc[3] >= line["held"].iloc[3]
    assert curve["interval_score"].iloc[1] < line["interval_score"].iloc[1]


def test_the_names_are_loaded_when_they_are_used():
    code = (
        "import sys, durability; assert 'sklearn' not in sys.modules;"
        "assert {'WearCurve', 'LatentFailure', 'backtest'} <= set(dir(durability));"
        "durability.WearCurve; assert 'sklearn' in sys.modules and 'duckdb' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    for each in ESTIMATORS:
        found = check_estimator(each, on_skip=None, on_fail=None)
        counts = {name: sum(one["status"] == name for one in found)
                  for name in ("passed", "failed", "xfail", "skipped")}  # fmt: skip
        print(type(each).__name__, counts)
