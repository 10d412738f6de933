"""What `forecast --backtest` shows of forecasters whose worth is known, by share of life.

Run ``python tests/calibration/backtest.py`` (some minutes of processor time).

First a forecaster that knows the law of the lives (log-normal) and gives its true quantiles as of
each cut. Shares of a life are known only afterwards, so that even it need not hold at the stated
level at each of them: this says how far that goes. Lives beyond the drops made are not judged
unless the upper end is behind, as in the product.

Then our own forecast on fleets of six like cases each, of wear paths that are not those of the
models, dropped two by two until they fail or have made ``MOST_DROPS``; beside it regressors of
scikit-learn on the same cuts.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import simulator
import study
from scipy.stats import norm
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, WhiteKernel
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LinearRegression

from durability.life.results import Prediction
from durability.record.records import DropHistory
from durability.wear.backtest import Ended, backtest, by_regressor, ended_of
from durability.wear.forecast import forecast
from durability.wear.lives import FailureLimit
from durability.workflow.evaluation import Evaluation
from durability.workflow.results import Limit

MOST_DROPS = 40
KINDS = ("linear", "onset", "power law", "exponential")


def history(name, peak_g, model=None, times=None):
    number = np.arange(1, len(peak_g) + 1)
    size = number.size
    return DropHistory(name, number, peak_g, size, size, name, model, dropped_at_s=times)


def shown(name, cuts):
    rows = [
        f"{each.share:.1f}: {each.series:4} judged, held {each.held:.3f}"
        f" ({each.held_lower:.2f} to {each.held_upper:.2f}), off by {each.median_off_by:.2f},"
        f" score {each.interval_score:.2f}"
        for each in cuts
        if each.series
    ]
    print(name, *rows, sep="\n  ")


def perfect(rng, series, sd, most_drops, level=0.9):
    """A forecaster that knows the law of the lives: log-normal about 25 drops."""
    lives = np.ceil(25 * np.exp(sd * rng.standard_normal(series))).astype(int)
    ended = []
    for at, life in enumerate(lives):
        made = min(int(life), most_drops)
        each = history(f"S{at}", np.full(made, 100.0))
        ended.append(Ended(each, int(life) if life <= most_drops else None, made))

    def forecaster(known, series):
        made = known[0].last_drop_number
        gone = norm.cdf(np.log(made / 25) / sd)
        shares = gone + (1 - gone) * np.array([(1 - level) / 2, 0.5, (1 + level) / 2])
        return Prediction(*np.ceil(25 * np.exp(sd * norm.ppf(shares))).tolist())

    record = [each.history for each in ended]
    return backtest(record, ended, forecaster, level=level, horizon=400)


def fleet(rng, kind, model, cases=6):
    """Six like cases, dropped in turn by days, until they fail or have made enough."""
    paths = study.fleet_paths(kind, rng)
    scatter = rng.uniform(0.03, 0.10)
    histories, failed = [], []
    for case in range(cases):
        path = next(paths)
        fails = int(simulator.failure_drop(path[None])[0])
        made = max(min(fails, MOST_DROPS), 4)
        peak_g = simulator.readings(rng, path[:made], scatter, np.inf)
        # Two cases at a time.
        start = 1e5 * (case // 2)
        times = start + 1000.0 * np.arange(made) + case
        histories.append(history(f"{model}-{case}", peak_g, model, times))
        failed.append(fails if fails <= made else None)
    return histories, failed


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fleets", type=int, default=6, help="of each kind of path")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    for sd in (0.3, 0.6):
        for most in (400, 25):
            told = perfect(rng, 4000, sd, most)
            shown(f"knows the law: log sd {sd}, at most {most} drops", told.cuts)
    record, truths = [], []
    for kind in KINDS:
        for at in range(options.fleets):
            histories, failed = fleet(rng, kind, f"{kind} {at}")
            record += histories
            truths += failed
    limit = Limit()
    evaluation = Evaluation(record, [each.series for each in record], limit)
    ours = evaluation.backtest(lambda *_: None)
    shown(f"ours, {ours.failed} of {ours.series} failed as judged", ours.cuts)
    # The same forecasts by the true drop of failure, which the readings only estimate.
    known = [
        Ended(each, fails, each.last_drop_number if fails is None else fails)
        for each, fails in zip(record, truths, strict=True)
    ]

    def forecaster(known, series):
        (found,) = Evaluation(known, [series], limit).forecasts
        return None if found.drops_lacking else found.drops_to_failure

    told = backtest(record, known, forecaster, level=0.9, horizon=400)
    shown(f"ours, by the true life: {told.failed} failed", told.cuts)
    ended = ended_of(record, forecast(record))
    for estimator in (
        LinearRegression(),
        IsotonicRegression(out_of_bounds="clip"),
        GaussianProcessRegressor(RBF(10.0) + WhiteKernel(0.01), normalize_y=True),
    ):
        regressor = by_regressor(estimator, FailureLimit(None, 0.5, 400), 0.9)
        told = backtest(record, ended, regressor, level=0.9, horizon=400)
        shown(type(estimator).__name__, told.cuts)


if __name__ == "__main__":
    main()
