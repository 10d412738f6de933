"""What `forecast --backtest` shows of forecasters whose worth is known, by share of life.

Run ``python tests/calibration/backtest.py`` (some minutes of processor time).

First a forecaster that knows the law of the lives (log-normal) and gives its true quantiles as of
each cut. Shares of a life are known only afterwards, so that even it need not hold at the stated
level at each of them: this says how far that goes. Lives beyond the drops made are not judged
unless the upper end is behind, as in the product.

Then our own forecast on fleets of six like cases each, of wear paths that are not those of the
models, dropped two by two until they fail or have made ``MOST_DROPS``; beside it regressors of
scikit-learn on the same cuts.

``--rescaled 24``: whether a lab's own past misses would make its next intervals better.
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
from durability.wear.backtest import (
    Ended,
    PastForecast,
    backtest,
    by_regressor,
    ended_of,
    interval_score,
    known_by,
)
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


def rescaled(options):
    """Whether the past misses of a lab would help: interval ends moved by a conformal factor.

    Of fleets of 36 like cases each failed one is forecast as of a drop drawn at random; the factor
    is the conformal quantile of how far the failures came from the median, in halves of the
    interval (none below nine failures, which allow none at 90 %). It is judged on the cases that
    have not failed when it is known, by the drop at which they truly will.
    """
    rng = np.random.default_rng([options.seed, 1])
    limit, rows = Limit(), []
    for at in range(options.rescaled):
        paths = study.fleet_paths(KINDS[at % len(KINDS)], rng)
        scatter = np.exp(rng.uniform(np.log(0.005), np.log(0.1)))
        record, lives = [], []
        for case in range(36):
            path = next(paths)
            lives.append(int(simulator.failure_drop(path[None])[0]))
            made = max(min(lives[-1] + 3, int(rng.integers(8, 90))), 4)
            peak_g = simulator.readings(rng, path[:made], scatter, np.inf)
            times = 1e5 * (case // 3) + 1000.0 * np.arange(made) + case
            record.append(history(f"S{case:02}", peak_g, "M", times))
        now = Evaluation(record, [each.series for each in record], limit).forecasts
        misses = []
        for each, told in zip(record, now, strict=True):
            if not told.failed or told.failed_at_drop < 6:
                continue
            cut = int(rng.integers(4, told.failed_at_drop))
            known = known_by(record, each, cut)
            (then,) = Evaluation(known, [each.series], limit).forecasts
            if not then.drops_lacking:
                misses.append(_miss(then, cut, told.failed_at_drop))
        rank = int(np.ceil(0.9 * (len(misses) + 1)))
        factor = np.sort(misses)[rank - 1] if rank <= len(misses) else 1.0
        for each, told, life in zip(record, now, lives, strict=True):
            made = each.last_drop_number
            if not told.failed and life > made:
                lower, median, upper, truth = _log_left(told, made, life)
                row = []
                for by in (1.0, max(factor, 1.0), factor):
                    low, high = median - by * (median - lower), median + by * (upper - median)
                    score = interval_score(low, high, truth, 0.9)
                    row += [low - 1e-9 <= truth <= high + 1e-9, high - low, score]
                rows.append(row)
    mean = np.mean(rows, axis=0)
    for at, name in enumerate(("as it is", "widened by past misses", "widened or narrowed")):
        held, width, score = mean[3 * at : 3 * at + 3]
        print(
            f"{name}: {len(rows)} cases, held {held:.3f}, log width {width:.2f}, score {score:.2f}"
        )


def _log_left(told, made, life):
    life_told = told.drops_to_failure
    return PastForecast(Ended(None, life, life), 0.0, made, life_told).log_left(400)


def _miss(told, made, life):
    """How far a failure came from the median, in halves of the interval on its side."""
    lower, median, upper, truth = _log_left(told, made, life)
    half = upper - median if truth > median else median - lower
    return abs(truth - median) / max(half, 1e-3)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fleets", type=int, default=6, help="of each kind of path")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--rescaled", type=int, default=0, help="fleets of the trial of past misses"
    )
    options = parser.parse_args()
    if options.rescaled:
        rescaled(options)
        return
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
