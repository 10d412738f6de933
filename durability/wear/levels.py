"""What the cases of a model say of the level under one condition against another.

Fresh log levels of a case's parts are taken as the case's own, plus that of their condition, plus
how cases differ in it: normal, the size of the last averaged over a grid. What each case is told
comes from the others alone.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.record.records import FloatArray

CONDITION_LOG_SD = 0.5
"""Prior log standard deviation of the level under one condition about the mean of all."""
_APART = np.geomspace(0.03, 0.4, 6)
_APART_MEDIAN, _APART_LOG_SD = 0.12, 0.8
"""How cases differ in what a condition does: log standard deviations tried, and their prior."""


@dataclass(frozen=True, slots=True)
class PartLevels:
    """Fresh log levels of the parts of one case, judged by that case alone."""

    condition: tuple[Hashable, ...]
    """Of each part."""
    mean: FloatArray
    covariance: FloatArray
    """Shapes (n_parts,) and (n_parts, n_parts)."""


def expected_levels(cases: Sequence[PartLevels]) -> list[tuple[FloatArray, FloatArray]]:
    """Level of each part of each case about the case's own, by what the other cases show.

    Parameters
    ----------
    cases : sequence of PartLevels
        Of one model.

    Returns
    -------
    list of (ndarray, ndarray)
        Mean and variance in log g for the parts of each case. Where no other case was dropped
        under a condition: no difference, with ``CONDITION_LOG_SD``.
    """
    every_name = dict.fromkeys(name for case in cases for name in case.condition)
    names = {name: at for at, name in enumerate(every_name)}
    where = [np.array([names[name] for name in case.condition], dtype=np.int64) for case in cases]
    weak = np.eye(len(names)) / CONDITION_LOG_SD**2
    log_weight = -0.5 * (np.log(_APART / _APART_MEDIAN) / _APART_LOG_SD) ** 2
    told: list[list[tuple[FloatArray, FloatArray]]] = []
    for step, apart in enumerate(_APART):
        squares = np.zeros((len(cases), len(names), len(names)))
        crosses = np.zeros((len(cases), len(names)))
        for row, (case, at) in enumerate(zip(cases, where, strict=True)):
            precision = np.linalg.inv(case.covariance + apart**2 * np.eye(at.size))
            own = precision.sum(axis=0)
            # The case's own level has an even prior and is integrated out.
            centred = precision - np.outer(own, own) / own.sum()
            member = np.zeros((at.size, len(names)))
            member[np.arange(at.size), at] = 1.0
            squares[row] = member.T @ centred @ member
            crosses[row] = member.T @ centred @ case.mean
            log_weight[step] += 0.5 * (
                np.linalg.slogdet(precision)[1]
                - np.log(own.sum())
                - case.mean @ centred @ case.mean
            )
        every, answer = squares.sum(axis=0) + weak, crosses.sum(axis=0)
        log_weight[step] += 0.5 * (
            answer @ np.linalg.solve(every, answer) - np.linalg.slogdet(every)[1]
        )
        told.append([])
        for row, at in enumerate(where):
            covariance = np.linalg.inv(every - squares[row])
            mean = (covariance @ (answer - crosses[row]))[at]
            # What is common to the parts of a case is its own level: only contrasts are told.
            apart_only = np.eye(at.size) - 1.0 / at.size
            contrasts = np.diag(apart_only @ covariance[np.ix_(at, at)] @ apart_only)
            variance = contrasts * at.size / (at.size - 1.0) + apart**2
            told[-1].append((mean - mean.mean(), variance))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    found = []
    for row in range(len(cases)):
        means, variances = (np.array([step[row][which] for step in told]) for which in (0, 1))
        mean = weight @ means
        found.append((mean, weight @ (variances + (means - mean) ** 2)))
    return found
