"""Damage of severity 4 as the second way to fail: a Weibull life in drops of the case's age.

Lives are known only to lie between looks. Cases of one model share scale and shape, whose
posterior is a sum over a grid; cases under other conditions count half. Severities 2 and 3 on
the way say how much of its life a case has used; a cosmetic mark (1) says nothing of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.record.vocabulary import SEVERITY_COSMETIC, SEVERITY_FAILED

if TYPE_CHECKING:
    from durability.record.records import FloatArray
    from durability.wear.cases import Case

_SHAPES = np.geomspace(0.6, 6.0, 13)
_SHAPE_MEDIAN, _SHAPE_LOG_SD = 1.8, 0.6
_SCALES = np.geomspace(2.0, 50_000.0, 61)
SCALE_MEDIAN, _SCALE_LOG_SD = 1000.0, 2.0
"""Weak prior: without any evidence one case in twenty fails within 25 drops or so."""
_LIFE_EDGES = np.concatenate([np.arange(0.0, 60.0), np.geomspace(60.0, 20_000.0, 160)])
"""Lives are counted in these cells, one a drop at first; the last reaches to infinity."""
_ELSEWHERE_WEIGHT = 0.5
_PRECURSOR_WEIGHT = 0.5
"""Severities on the way count half: cases also fail without a sign."""


@dataclass(frozen=True, slots=True)
class KnownLife:
    """What is known of the age at which one case fails by damage."""

    beyond: int
    """Age up to which the case was known not to have failed."""
    by: int | None
    """Age at which it was first seen to have failed; None while it holds."""
    severity: int = 0
    """Highest severity seen before that."""
    severity_since: int = 0
    """Age at which that severity was first seen."""


@dataclass(frozen=True, slots=True)
class DamageLife:
    """Posterior of the age at which one case fails by damage.

    ``probability`` has one entry per life cell (``edge[i]``, ``edge[i + 1]``], the last beyond.
    """

    edge: FloatArray
    probability: FloatArray
    cases: int
    """Cases of its model that it rests on, this one among them."""
    failed_others: tuple[str, ...]
    """Those among them that failed by damage, this one apart."""

    def fraction_failed(self, drop_number: FloatArray) -> FloatArray:
        """Probability of having failed by each drop."""
        total = np.concatenate([[0.0], np.cumsum(self.probability)])
        return np.asarray(np.interp(drop_number, self.edge, total[:-1]), dtype=np.float64)

    def draw(self, uniform: FloatArray) -> FloatArray:
        """Failure drop at each cumulative probability; infinite beyond the last edge."""
        total = np.concatenate([[0.0], np.cumsum(self.probability)])[:-1]
        drop = np.ceil(np.interp(uniform, total, self.edge))
        return np.where(uniform >= total[-1], np.inf, drop)


def success_run_reliability(specimens: int, confidence: float) -> float:
    """Reliability shown by specimens that all held: ``(1 - confidence)^(1/specimens)``.

    Parameters
    ----------
    specimens : int
        Independent specimens, not drops: 26 drops of one case are one specimen.
    confidence : float
        One-sided confidence.

    Returns
    -------
    float
        Lower bound on the fraction that holds as long. Source: success-run theorem.
    """
    return float((1.0 - confidence) ** (1.0 / specimens)) if specimens > 0 else 0.0


def known_life(case: Case, *, looks_are_logged: bool) -> KnownLife:
    """What the looks at a case say about the age at which it fails.

    Parameters
    ----------
    case : Case
        Over all its series.
    looks_are_logged : bool
        Whether looks without a finding were noted too. If not, notes are made when something is
        seen, and a drop without a note was a drop without failure.
    """
    ages, severities = case.looks
    failed = severities >= SEVERITY_FAILED
    by = int(ages[failed][0]) if failed.any() else None
    good = ~failed if by is None else ~failed & (ages < by)
    if looks_are_logged:
        beyond = int(ages[good].max()) if good.any() else 0
    else:
        beyond = case.made if by is None else by - 1
    severity = int(severities[good].max()) if good.any() else 0
    since = int(ages[good & (severities == severity)][0]) if severity else 0
    return KnownLife(beyond=beyond, by=by, severity=severity, severity_since=since)


def fit_damage(cases: Sequence[Case]) -> list[DamageLife | None]:
    """Posterior of the age of failure by damage of each case, its siblings' lives included.

    Parameters
    ----------
    cases : sequence of Case
        In any order.

    Returns
    -------
    list of DamageLife or None
        None where no damage was ever looked for on any case of the model.
    """
    groups: dict[object, list[int]] = defaultdict(list)
    for position, case in enumerate(cases):
        groups[position if case.case_model is None else case.case_model].append(position)
    lives: list[DamageLife | None] = [None] * len(cases)
    mass = _life_mass()
    for members in groups.values():
        looked = [cases[position].looks[1] for position in members]
        if not any(severities.size for severities in looked):
            continue
        logged = any((severities == 0).any() for severities in looked)
        known = [known_life(cases[position], looks_are_logged=logged) for position in members]
        failed = {at for at, life in enumerate(known) if life.by is not None}
        factors = np.array([_life_factor(life) for life in known])
        log_likelihood = np.log(np.maximum(mass @ factors.T, 1e-300))
        conditions = [cases[position].conditions for position in members]
        for some in set(conditions):
            here = np.array([not some.isdisjoint(other) for other in conditions])
            weight = np.where(here, 1.0, _ELSEWHERE_WEIGHT)
            log_posterior = _log_prior() + log_likelihood @ weight
            posterior = np.exp(log_posterior - log_posterior.max())
            for row in (at for at, other in enumerate(conditions) if other == some):
                # Each case by itself: parameters given all cases, then its own life.
                own = posterior / np.maximum(np.exp(log_likelihood[:, row]), 1e-300)
                life = (own @ mass) * factors[row]
                lives[members[row]] = DamageLife(
                    _LIFE_EDGES,
                    life / life.sum(),
                    cases=len(members),
                    failed_others=tuple(cases[members[at]].name for at in sorted(failed - {row})),
                )
    return lives


def _life_mass() -> FloatArray:
    """Probability of each life cell, for every shape and scale; (n_parameters, n_cells)."""
    shape, scale = (axis.ravel() for axis in np.meshgrid(_SHAPES, _SCALES, indexing="ij"))
    held = np.exp(-((_LIFE_EDGES / scale[:, None]) ** shape[:, None]))
    return np.concatenate([held[:, :-1] - held[:, 1:], held[:, -1:]], axis=1)


def _log_prior() -> FloatArray:
    shape, scale = (axis.ravel() for axis in np.meshgrid(_SHAPES, _SCALES, indexing="ij"))
    return np.asarray(
        -0.5 * (np.log(shape / _SHAPE_MEDIAN) / _SHAPE_LOG_SD) ** 2
        - 0.5 * (np.log(scale / SCALE_MEDIAN) / _SCALE_LOG_SD) ** 2
    )


def _life_factor(life: KnownLife) -> FloatArray:
    """Likelihood of what is known of one case, for each cell its life may lie in.

    Severities 2 and 3 are taken to be first reached at ordered uniform fractions of the life,
    which assumes their order and nothing more: severity s at drop t of a life T has density
    ``∝ (t/T)^(s - 2) (1 - t/T)^(3 - s)``. Scuffs and scratches come early and lead nowhere.
    """
    start, end = _LIFE_EDGES, np.concatenate([_LIFE_EDGES[1:], [np.inf]])
    last = np.inf if life.by is None else float(life.by)
    overlap = np.minimum(end, last) - np.maximum(start, life.beyond)
    width = np.where(np.isfinite(end - start), end - start, 1.0)
    factor = np.where(np.isinf(overlap), 1.0, np.clip(overlap / width, 0.0, 1.0))
    if life.severity > SEVERITY_COSMETIC and life.severity_since > 0:
        middle = np.where(np.isfinite(end), 0.5 * (start + end), 2.0 * start)
        used = np.minimum(life.severity_since / np.maximum(middle, 0.5), 1.0)
        likelihood = used ** (life.severity - 2) * (1.0 - used) ** (3 - life.severity)
        factor = factor * likelihood**_PRECURSOR_WEIGHT
    return np.asarray(factor, dtype=np.float64)
