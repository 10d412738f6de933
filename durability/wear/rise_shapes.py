"""The shapes of a rise that detection looks for, as contrasts over the drops of a series."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray


@dataclass(frozen=True, slots=True)
class RiseShapes:
    """The shapes of a rise over the drops of a series of given length.

    ``curve`` has shape (n_shapes, n_drops), each row with mean 0 and length 1. ``rising_weight``
    and ``settling_weight`` have shape (n_shapes,) and each sum to 1.
    """

    curve: FloatArray
    rising_weight: FloatArray
    settling_weight: FloatArray


def spaced_counts(largest: int) -> list[int]:
    """Numbers from 2 to ``largest``, each about one and a half times the one before."""
    counts, count = [], 2
    while count <= largest:
        counts.append(count)
        count = max(count + 1, round(1.5 * count))
    return counts


def spacing(positions: list[int]) -> FloatArray:
    """How many drops each position stands for; shape of ``positions``."""
    if len(positions) == 1:
        return np.ones(1)
    share: FloatArray = np.gradient(np.asarray(positions, dtype=float))
    return share


@lru_cache(maxsize=512)
def rise_shapes(n_drops: int) -> RiseShapes:
    """Shapes of a rise that are sought in a series.

    A step after the first or second drop is settling; a step later on that stays is a rise. Steps
    and onsets stand at spaced positions, dense near both ends, each weighted by the drops it stands
    for; none rests on the last reading alone, which could be a wild one. Their place being unknown,
    steps and onsets have the larger share of the weight.

    Parameters
    ----------
    n_drops : int
        Number of valid drops, at least 4.

    Returns
    -------
    RiseShapes
    """
    before = np.arange(n_drops, dtype=float)
    part = before / (n_drops - 1)
    ends = spaced_counts(n_drops // 2)
    steps = sorted({n_drops - k for k in ends} | {k for k in ends if k >= 3}) or [n_drops // 2]
    onsets = sorted(n_drops - 1 - k for k in spaced_counts(n_drops - 2))
    step_rows = [np.where(before >= k, 1.0, 0.0) for k in steps]
    onset_rows = [np.maximum(0.0, before - k) for k in onsets]
    settling_then_climb = [1 - np.exp(-before / 1.2) + ratio * part for ratio in (0.5, 1.5)]
    groups: list[tuple[float, list[FloatArray], FloatArray]] = [
        (0.15, [part], np.ones(1)),
        (0.12, [part**2, part**4], np.ones(2)),
        (0.03, [1 - np.exp(-4 * part)], np.ones(1)),
        (0.10, settling_then_climb, np.ones(2)),
        (0.35, step_rows, spacing(steps)),
        (0.25, onset_rows, spacing(onsets)),
    ]
    settling = [1 - np.exp(-before / drops) for drops in (0.7, 1.2, 2.0)]
    curve = np.vstack([row for _, rows, _ in groups for row in rows] + settling)
    curve -= curve.mean(axis=1, keepdims=True)
    curve /= np.linalg.norm(curve, axis=1, keepdims=True)
    rising = np.concatenate([weight * share / share.sum() for weight, _, share in groups])
    return RiseShapes(
        curve=curve,
        rising_weight=np.concatenate([rising, np.zeros(len(settling))]),
        settling_weight=np.concatenate(
            [np.zeros(len(rising)), np.full(len(settling), 1 / len(settling))]
        ),
    )
