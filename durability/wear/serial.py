"""Serial correlation of readings: how much one reading of a sensor tells of the next."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.cases import condition_of
from durability.wear.rise_evidence import standard_residuals

if TYPE_CHECKING:
    from durability.record.records import DropHistory, FloatArray

MOST_SERIES = 50
"""Latest series of a sensor that its correlation is estimated from."""

FEWEST_DROPS = 10
"""Valid drops of a series from which its residuals show a correlation."""

QUIET_BELOW = 2.0
"""Log Bayes factor of the best shape of a rise above which a series is left out: what the fitted
level misses of a rise would pass for correlation."""

BIAS_ALONE, BIAS_WITH = 1.4, 4.8
"""Residuals about a fitted level correlate by (``BIAS_ALONE`` + ``BIAS_WITH`` ρ) / n too little:
the form of Marriott & Pope (1954, Biometrika 41), whose mean alone costs (1 + 3 ρ) / n; constants
found by simulation over 10 to 50 drops."""

DRAWN_TO_NONE = 50.0
"""How many residuals the expectation counts for that readings don't correlate."""

LARGEST = 0.9
TOLD_FROM = 0.05
"""Correlation below which it alters no digit that is shown."""


@dataclass(frozen=True, slots=True)
class SerialCorrelation:
    """Lag-1 correlation of the scatter of like series, and how many series showed it."""

    lag_1: float
    series: int
    alike: str
    """What makes them alike: "sensor" or "condition"."""

    @property
    def information(self) -> float:
        """Share of independent readings that these are worth, (1 - ρ) / (1 + ρ).

        Bayley & Hammersley 1946, J. Roy. Stat. Soc. Suppl. 8.
        """
        return (1.0 - self.lag_1) / (1.0 + self.lag_1)

    @property
    def words(self) -> str | None:
        """For the basis of a verdict; None where nothing was widened."""
        if self.lag_1 < TOLD_FROM:
            return None
        return (
            f"test widened: readings correlate {self.lag_1:.2f} with the one before"
            f" ({self.series} series of this {self.alike})"
        )


NONE = SerialCorrelation(0.0, 0, "sensor")


def serial_correlations(
    record: Sequence[DropHistory], series: Collection[str]
) -> dict[str, SerialCorrelation]:
    """Serial correlation that each of some series is judged by.

    Parameters
    ----------
    record : sequence of DropHistory
        Every series of the record, in any order.
    series : collection of str
        Those to be judged.

    Returns
    -------
    dict of str to SerialCorrelation
        Pooled over the ``MOST_SERIES`` latest series of the same sensor (where none is recorded,
        of the same condition) with ``FEWEST_DROPS`` valid drops; negative ones count as 0.
    """
    asked = set(series)
    alike = {each.series: alike_by(each) for each in record}
    wanted = {key for code, key in alike.items() if code in asked}
    pools: dict[tuple[object, ...], list[DropHistory]] = defaultdict(list)
    for each in record:
        if each.drop_number.size >= FEWEST_DROPS and alike[each.series] in wanted:
            pools[alike[each.series]].append(each)
    latest = {key: sorted(some, key=_recency)[-MOST_SERIES:] for key, some in pools.items()}
    shown = _shown([each for some in latest.values() for each in some])
    pooled = {
        key: _pooled(np.array([shown[each.series] for each in some]), str(key[0]))
        for key, some in latest.items()
    }
    return {code: pooled.get(key, NONE) for code, key in alike.items() if code in asked}


def alike_by(history: DropHistory) -> tuple[object, ...]:
    """What readings must share to be taken to correlate alike: the sensor, or the condition."""
    if history.sensor is not None:
        return "sensor", history.sensor
    return "condition", condition_of(history)


def _recency(history: DropHistory) -> tuple[float, str]:
    at = np.empty(0) if history.dropped_at_s is None else history.dropped_at_s
    return float(np.fmax.reduce(at, dtype=np.float64, initial=-np.inf)), history.series


def _shown(histories: Sequence[DropHistory]) -> dict[str, tuple[float, float, float]]:
    """Products with the residual before, squares and drops of each; zeros where it rises."""
    by_length: dict[int, list[DropHistory]] = defaultdict(list)
    for each in histories:
        by_length[each.drop_number.size].append(each)
    found: dict[str, tuple[float, float, float]] = {}
    for n, some in by_length.items():
        residual, evidence = standard_residuals(np.log(np.stack([each.peak_g for each in some])))
        residual = np.where(evidence[:, None] < QUIET_BELOW, residual, 0.0)
        product = (residual[:, 1:] * residual[:, :-1]).sum(axis=1)
        square = (residual**2).sum(axis=1)
        for each, *sums in zip(some, product.tolist(), square.tolist(), strict=True):
            found[each.series] = (sums[0], sums[1], float(n))
    return found


def _pooled(shown: FloatArray, alike: str) -> SerialCorrelation:
    product, square, drops = shown[shown[:, 1] > 0].T
    if not len(drops):
        return NONE
    corrected = (product + BIAS_ALONE * square / drops).sum()
    behind = (square * (1.0 - BIAS_WITH / drops)).sum()
    share = drops.sum() / (drops.sum() + DRAWN_TO_NONE)
    lag_1 = float(np.clip(share * corrected / behind, 0.0, LARGEST))
    return SerialCorrelation(lag_1, len(drops), alike)
