"""Whether the rig has drifted, since when, by how much; the drift as a factor divided out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.rig.charts import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    EWMA_WEIGHT,
    EWMA_WIDTH,
    checked_readings,
    cusum_chart,
    cusum_run_length,
    ewma_chart,
    individuals_chart,
    odd_readings_held_back,
)
from durability.rig.results import EwmaChart, RigCorrection, RigHealth

if TYPE_CHECKING:
    from durability.record.records import FloatArray

MOST_KNOTS = 400
"""More reference drops than this are averaged in runs before the drift is smoothed."""


def rig_correction(
    reference_when: FloatArray,
    reference_log_peak: FloatArray,
    when: FloatArray,
    *,
    steady_drops: int = 10,
    target_log_peak: float | None = None,
    relative_to: float | None = None,
) -> RigCorrection:
    """Factor by which the rig read too high at the times asked for, with its uncertainty.

    The rig's level is taken to wander (Brownian motion in ``when``) under independent scatter.
    How strongly it wanders is averaged over a grid by its likelihood with level and scatter
    integrated out, so a steady rig gives factors close to 1 and a drifting one follows the drift.
    Between and beyond reference drops the standard error grows.

    Parameters
    ----------
    reference_when, reference_log_peak : ndarray of shape (n,)
        Time or number, ascending, and log peak g of each reference drop; at least 4.
    when : ndarray of shape (m,)
        Where factors are wanted, in any order, on the same axis.
    steady_drops : int
        The factor is 1 at the mean level of the first so many reference drops.
    target_log_peak : float, optional
        Log peak g at which the factor is 1; by default by ``steady_drops``.
    relative_to : float, optional
        A time at which the factor is 1 instead: the drift since then, and how well it is known.

    Returns
    -------
    RigCorrection
        ``peak_g / factor`` is rig-corrected; its logarithm gains the variance
        ``factor_log_se ** 2``, which neighbouring drops share.

    Raises
    ------
    UnusableCall
        Fewer than 4 reference drops, times not ascending, or all at one time; both a target and a
        time given.
    """
    reference_when, level = checked_readings(
        reference_when, np.exp(np.asarray(reference_log_peak, dtype=float))
    )
    when = np.asarray(when, dtype=float)
    drops = len(level)
    if drops < 4:
        raise UnusableCall(f"a rig correction needs at least 4 reference drops, it has {drops}")
    if reference_when[0] == reference_when[-1]:
        raise UnusableCall("the reference drops all have one time")
    if relative_to is not None and target_log_peak is not None:
        raise UnusableCall("a factor of 1 is set by a target or by a time, not by both")
    held, _ = odd_readings_held_back(level)
    span = reference_when[-1] - reference_when[0]
    place = (reference_when - reference_when[0]) / span
    wanted = (when - reference_when[0]) / span
    steady = place[: min(steady_drops, drops)]
    if relative_to is not None:
        steady = np.array([(relative_to - reference_when[0]) / span])

    run = np.arange(drops) * min(drops, MOST_KNOTS) // drops
    count = np.bincount(run).astype(float)
    knot = np.bincount(run, weights=place) / count
    mean = np.bincount(run, weights=held) / count
    inner_squares = float(np.sum((held - mean[run]) ** 2))

    covariance = _wander(knot, knot)
    cross, own = _wander(wanted, knot), _wander(wanted, wanted, diagonal=True)
    mean_share = 1.0
    if target_log_peak is None:
        # What is wanted is a difference of levels, so the overall mean drops out.
        mean_share = 0.0
        own = own - 2.0 * _wander(wanted, steady).mean(axis=1) + _wander(steady, steady).mean()
        cross = cross - _wander(steady, knot).mean(axis=0)
    offset = 0.0 if target_log_peak is None else target_log_peak

    # In the eigenvectors of the weighted covariance every strength of wander is diagonal.
    root = np.sqrt(count)
    sizes, vectors = np.linalg.eigh(root[:, None] * covariance * root)
    sizes = np.maximum(sizes, 0.0)
    ones, y = vectors.T @ root, vectors.T @ (root * mean)
    cross = cross @ (root[:, None] * vectors)

    log_weight, centres, variances = [], [], []
    for strength in np.logspace(-3.0, 3.0, 25):
        inverse = 1.0 / (1.0 + strength * sizes)
        precision = float(inverse @ ones**2)
        centre = float(inverse @ (ones * y)) / precision
        rest = y - centre * ones
        squares = max(float(inverse @ rest**2) + inner_squares, 1e-300)
        log_weight.append(
            0.5 * np.log(inverse).sum()
            - 0.5 * np.log(precision)
            - (drops - 1) / 2 * np.log(squares)
        )
        reach = strength * cross * inverse
        centres.append(mean_share * (centre - offset) + reach @ rest)
        spread = (
            strength * own
            - strength * np.sum(reach * cross, axis=1)
            + (mean_share - reach @ ones) ** 2 / precision
        )
        variances.append(squares / (drops - 3) * np.maximum(spread, 0.0))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    centre_log = weight @ np.array(centres)
    variance = weight @ (np.array(variances) + (np.array(centres) - centre_log) ** 2)
    return RigCorrection(
        when=when,
        factor=np.exp(centre_log),
        factor_log_se=np.sqrt(variance),
        reference_drops=drops,
        basis=(
            f"{counted(drops, 'reference drop')}, level smoothed; factor 1 is "
            + (
                f"{float(np.exp(target_log_peak)):.4g} g as given"
                if target_log_peak is not None
                else f"the mean of the first {len(steady)}"
                if relative_to is None
                else "the level at the time given"
            )
        ),
    )


def _wander(at: FloatArray, to: FloatArray, *, diagonal: bool = False) -> FloatArray:
    """Covariance of two-sided Brownian motion from 0, (|s| + |t| - |s - t|) / 2."""
    if diagonal:
        return np.abs(at)
    return np.asarray(
        (np.abs(at)[:, None] + np.abs(to) - np.abs(at[:, None] - to)) / 2.0, dtype=float
    )


WARM_UP_DROPS = 5
"""Reference drops before the first one is judged."""

FEW_DROPS = 20
"""Below this a target and scatter estimated from the drops are called few (common practice: 20
to 25 readings before control limits are trusted)."""

HELD_SCORE = 2.5
"""Scores are cut here before they are charted, so that no single drop can signal (winsorizing;
unlike the textbook charts, whose run lengths are told, this takes one drop more for a big shift).
"""

SHIFTS = (0.0, 0.5, 1.0, 2.0)
"""Shifts for which a run length is told, in standard deviations."""


def watch_rig(
    when: FloatArray,
    peak_g: FloatArray,
    *,
    target_g: float | None = None,
    scatter_pct: float | None = None,
    level: float = 0.9,
) -> RigHealth:
    """Whether the rig has drifted, since when, and by how much.

    Target and scatter are estimated from the drops themselves unless they are given: each drop is
    held against all before it, and its Student t turned into a normal score. Scores of a steady
    rig are independent and standard normal however few drops stand behind them (Hawkins, The
    Statistician 36, 1987), so the charts keep their false-alarm rate, which with a target fixed
    after a few drops they do not. A cumulative sum and a moving average watch the scores; either
    can signal. The first `WARM_UP_DROPS` drops are not judged.

    After a signal the change is sought among steps and straight ramps that begin at any drop up to
    the signal; dates and sizes are averaged over them by how well each fits.

    Parameters
    ----------
    when : ndarray of shape (n,)
        Time or number of each reference drop, ascending; drift and dates are told on this axis.
    peak_g : ndarray of shape (n,)
        Peak of each valid reference drop, in g. Where a session has several, give their geometric
        mean: drops of one session are more alike than the rig is from day to day.
    target_g, scatter_pct : float, optional
        Peak g and drop-to-drop standard deviation (percent) of the steady rig; both or none.
    level : float
        Of the intervals.

    Returns
    -------
    RigHealth
        "too few" up to `WARM_UP_DROPS` drops.

    Raises
    ------
    UnusableCall
        Shapes that differ, times not ascending or not finite, peaks not above 0, only one of
        target and scatter, or these not above 0.
    """
    when, log_peak = checked_readings(when, np.asarray(peak_g, dtype=float))
    if (target_g is None) != (scatter_pct is None):
        raise UnusableCall("give target and scatter of the steady rig both, or none")
    if target_g is not None and not (target_g > 0 and (scatter_pct or 0.0) > 0):
        raise UnusableCall("target and scatter of the steady rig must be above 0")
    drops = len(log_peak)
    given = None
    if target_g is not None and scatter_pct is not None:
        given = (float(np.log(target_g)), float(np.log1p(scatter_pct / 100.0)))
    warm_up = WARM_UP_DROPS if given is None else 0
    if drops <= max(warm_up, 1):
        return _too_few(drops, level)

    held, odd = odd_readings_held_back(log_peak)
    score = _scores(held, warm_up, given, learn_until=drops)
    if score is None:
        return _too_few(drops, level, "no scatter among the first reference drops")
    signal = _earliest(score)
    if signal is not None:
        # From the signal on nothing is learnt from the drops: they are no longer of a steady rig.
        score = _scores(held, warm_up, given, learn_until=warm_up + signal)
        assert score is not None  # noqa: S101  (the same first drops as above)
    ewma = ewma_chart(score, 0.0, 1.0)
    cusum = cusum_chart(score, 0.0, CUSUM_SLACK, CUSUM_LIMIT)

    change = None
    steady = drops
    if signal is not None:
        change = _change(when, held, None if given is None else given[0], warm_up + signal, level)
        steady = max(int(np.searchsorted(when, change.since)), 2)
    scatter = given[1] if given else float(np.std(held[:steady], ddof=1))
    if given is None and change is not None:
        scatter = change.scatter
    target = given[0] if given else float(held[:steady].mean())
    return RigHealth(
        verdict="in control" if change is None else "drifted",
        drops=drops,
        target_g=float(np.exp(target)),
        scatter_pct=100.0 * float(np.expm1(scatter)),
        target_drops=None if given else steady,
        signal_when=None if signal is None else float(when[warm_up + signal]),
        signal_by=()
        if signal is None
        else tuple(
            name for name, chart in (("cusum", cusum), ("ewma", ewma)) if chart.signal == signal
        ),
        since=None if change is None else change.since,
        since_lower=None if change is None else change.since_lower,
        since_upper=None if change is None else change.since_upper,
        drift_pct=None if change is None else change.drift_pct,
        drift_lower=None if change is None else change.drift_lower,
        drift_upper=None if change is None else change.drift_upper,
        shape_weights={} if change is None else change.shape_weights,
        individuals_g=individuals_chart(
            np.exp(log_peak), steady if steady >= WARM_UP_DROPS else drops
        ),
        chart_when=when[warm_up:],
        score=score,
        ewma=ewma,
        cusum=cusum,
        run_length={s: cusum_run_length(CUSUM_SLACK, CUSUM_LIMIT, s) for s in SHIFTS},
        odd_drops=tuple(float(each) for each in when[odd]),
        level=level,
        notes=tuple(_notes(held[:steady], ewma, change, given=given is not None)),
        basis=(
            f"{counted(drops, 'reference drop')}; target and scatter "
            + ("given" if given else f"from {counted(steady, 'drop')}")
            + f"; cumulative sum k {CUSUM_SLACK:g}, h {CUSUM_LIMIT:g} and moving average "
            f"λ {EWMA_WEIGHT:g}, {EWMA_WIDTH:g} sigma, both two-sided: of steady rigs 1 in 20 "
            "signals within 50 drops"
        ),
    )


@dataclass(frozen=True, slots=True)
class _Change:
    """A change of the rig's level, averaged over shapes and dates."""

    since: float
    since_lower: float
    since_upper: float
    drift_pct: float
    drift_lower: float
    drift_upper: float
    scatter: float
    """Standard deviation of log peak about it."""
    residual: FloatArray
    """About the one shape and date that fits best."""
    shape_weights: dict[str, float]


def _scores(
    log_peak: FloatArray,
    warm_up: int,
    given: tuple[float, float] | None,
    learn_until: int,
) -> FloatArray | None:
    """Standard normal scores of the drops after the warm-up; None without any scatter to learn.

    Cut at `HELD_SCORE`. Each drop is judged by those before it, but by none at or after
    ``learn_until``.
    """
    if given is not None:
        return _cut((log_peak - given[0]) / given[1])
    from scipy.special import ndtri, stdtr

    behind = np.minimum(np.arange(warm_up, len(log_peak)), learn_until)
    centred = log_peak - log_peak[0]
    mean = np.cumsum(centred)[behind - 1] / behind
    squares = np.cumsum(centred**2)[behind - 1] - behind * mean**2
    if (squares <= 1e-12 * np.maximum(mean**2, 1e-12)).any():
        return None
    sd = np.sqrt(squares / (behind - 1))
    student = (centred[warm_up:] - mean) / (sd * np.sqrt(1.0 + 1.0 / behind))
    # The lower tail keeps its digits where the upper one is rounded to 1.
    tail = np.maximum(stdtr(behind - 1, -np.abs(student)), 1e-300)
    return _cut(-np.sign(student) * ndtri(tail))


def _cut(score: FloatArray) -> FloatArray:
    return np.asarray(np.clip(score, -HELD_SCORE, HELD_SCORE), dtype=float)


def _earliest(score: FloatArray) -> int | None:
    """First drop at which either chart signals."""
    signals = (
        cusum_chart(score, 0.0, CUSUM_SLACK, CUSUM_LIMIT).signal,
        ewma_chart(score, 0.0, 1.0).signal,
    )
    return min((signal for signal in signals if signal is not None), default=None)


def _change(
    when: FloatArray, log_peak: FloatArray, target: float | None, signal: int, level: float
) -> _Change:
    """When the level changed and by how much until now: steps and ramps begun up to the signal.

    Least squares for each beginning, all at once by sums from the end; weight (residual sum of
    squares)^(-df/2), the profile likelihood.
    """
    from scipy.special import stdtrit

    drops = len(log_peak)
    time = (when - when[0]) / max(float(when[-1] - when[0]), 1e-300)
    y = log_peak - (log_peak.mean() if target is None else target)

    def from_the_end(values: FloatArray) -> FloatArray:
        return np.asarray(np.cumsum(values[::-1])[::-1])

    count, y_sum = from_the_end(np.ones(drops)), from_the_end(y)
    t_sum, tt_sum, ty_sum = from_the_end(time), from_the_end(time**2), from_the_end(time * y)
    # A step begins with this drop; with the first one only against a target from elsewhere.
    first = np.arange(1 if target is None else 0, signal + 1)
    knot = np.arange(signal)  # a ramp leaves the level at this drop
    knot = knot[time[knot] < time[-1]]
    begun, reach = time[knot], time[-1] - time[knot]
    x = np.concatenate([count[first], (t_sum[knot] - begun * count[knot]) / reach])
    xx = np.concatenate(
        [
            count[first],
            (tt_sum[knot] - 2.0 * begun * t_sum[knot] + begun**2 * count[knot]) / reach**2,
        ]
    )
    xy = np.concatenate([y_sum[first], (ty_sum[knot] - begun * y_sum[knot]) / reach])
    if target is None:
        xx = xx - x**2 / drops
    df = max(drops - 3, 1)
    size = xy / xx
    squares = np.maximum(float(y @ y) - xy**2 / xx, 1e-300)
    log_weight = -0.5 * df * np.log(squares)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()

    mean = float(weight @ size)
    variance = float(weight @ (squares / df / xx + (size - mean) ** 2))
    half = float(stdtrit(df, (1.0 + level) / 2.0)) * variance**0.5
    best = int(weight.argmax())
    if best < len(first):
        shape = (np.arange(drops) >= first[best]).astype(float)
    else:
        begin = best - len(first)
        shape = np.maximum(time - begun[begin], 0.0) / reach[begin]
    residual = y - size[best] * shape
    date = np.concatenate([when[first], when[knot]])
    order = np.argsort(date, kind="stable")
    reached = np.cumsum(weight[order])
    since_lower, since, since_upper = (
        float(date[order][min(int(np.searchsorted(reached, p)), len(date) - 1)])
        for p in ((1.0 - level) / 2.0, 0.5, (1.0 + level) / 2.0)
    )
    step = float(weight[: len(first)].sum())
    return _Change(
        since=since,
        since_lower=since_lower,
        since_upper=since_upper,
        drift_pct=100.0 * float(np.expm1(mean)),
        drift_lower=100.0 * float(np.expm1(mean - half)),
        drift_upper=100.0 * float(np.expm1(mean + half)),
        scatter=float(weight @ np.sqrt(squares / df)),
        residual=residual,
        shape_weights={"step": step, "ramp": 1.0 - step},
    )


def _notes(
    steady: FloatArray, ewma: EwmaChart, change: _Change | None, *, given: bool
) -> list[str]:
    notes = []
    if not given and len(steady) < FEW_DROPS:
        notes.append(
            f"target and scatter rest on {counted(len(steady), 'drop')}: small drifts take long "
            f"to show with fewer than {FEW_DROPS}"
        )
    rest = steady if change is None else change.residual
    n, squares = len(rest), float(np.sum((rest - rest.mean()) ** 2))
    if n >= 10 and squares > 0:
        # Von Neumann ratio, mean 2 when drops are independent; lower 1 % point, normal form.
        ratio = float(np.sum(np.diff(rest) ** 2)) / squares
        if ratio < 2.0 - 2.326 * 2.0 * ((n - 2) / (n**2 - 1)) ** 0.5:
            notes.append(
                "neighbouring reference drops are more alike than distant ones: the rig wanders, "
                "or a session has several drops (then give one value a session, for with several "
                "false alarms are likelier than stated)"
            )
    if change is not None and ewma.lower[-1] <= ewma.average[-1] <= ewma.upper[-1]:
        notes.append("the moving average is back inside its limits")
    if change is not None and change.drift_lower < 0.0 < change.drift_upper:
        notes.append("the interval of the drift includes none")
    return notes


def _too_few(drops: int, level: float, reason: str | None = None) -> RigHealth:
    return RigHealth(
        verdict="too few",
        drops=drops,
        target_g=None,
        scatter_pct=None,
        target_drops=None,
        signal_when=None,
        signal_by=(),
        since=None,
        since_lower=None,
        since_upper=None,
        drift_pct=None,
        drift_lower=None,
        drift_upper=None,
        shape_weights={},
        individuals_g=None,
        chart_when=np.array([]),
        score=np.array([]),
        ewma=None,
        cusum=None,
        run_length={},
        odd_drops=(),
        level=level,
        notes=(),
        basis=reason
        or f"{counted(drops, 'reference drop')}, at least {WARM_UP_DROPS + 1} are needed",
    )
