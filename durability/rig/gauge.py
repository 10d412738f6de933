"""Repeatability and reproducibility of the rig by variance components.

Repeatability: same operator, sensor, day and specimen. Reproducibility: between operators, sensors,
days and whatever else is named. From a designed study or from everyday, unbalanced drops. A drop
uses up a case, so the specimen of a gauge study is a pad or block that does not wear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import log, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from durability.record.basis import counted
from durability.record.errors import UnusableCall
from durability.rig.results import GaugeStudy, GaugeVerdict, VarianceComponent

if TYPE_CHECKING:
    from durability.record.records import FloatArray, IntArray

GOOD_PCT = 10.0
ACCEPTABLE_PCT = 30.0
"""Gauge share of the study variation: below 10 % good, up to 30 % conditional, above not
acceptable (AIAG, Measurement Systems Analysis, 4th edition; from memory)."""

CATEGORIES_FACTOR = 1.41
"""Of part over gauge standard deviation in the number of distinct categories (AIAG, same)."""

REPEATABILITY = "repeatability"

STARTS = ((0.5, 0.5), (0.9, 0.1), (0.1, 1.0))
"""Variances of repeatability and of each factor from which the likelihood is climbed, in variances
of the readings."""

LEAST_REST = 1e-8
"""Least variance of repeatability, in variances of the readings."""

MOST_ROUNDS = 200
"""Of Fisher scoring; a handful is usual."""

MOST_SD = 50.0
"""An upper limit beyond so many standard deviations of the readings is none."""


def gauge_study(
    reading: FloatArray,
    factors: Mapping[str, Sequence[str]],
    part: Sequence[str] | None = None,
    *,
    part_sd: float | None = None,
    level: float = 0.9,
) -> GaugeStudy:
    """Variance components of the rig, by restricted maximum likelihood.

    Every factor is random, nested or crossed as its labels make it. When specimens are crossed with
    a factor and cells are repeated, their interaction is a component too and counts as
    reproducibility. Limits of a component are those of its profile likelihood; of their sum they
    are combined by the method of variance estimates recovery (Zou and Donner, Statistics in
    Medicine 27, 2008; for mean squares Graybill and Wang 1980).

    Parameters
    ----------
    reading : ndarray of shape (n,)
        Log peak g (then a standard deviation of 0.02 is 2 % of peak g), or any measure.
    factors : mapping of str to sequence of str
        What differs between readings, by name: operator, sensor, day; n labels each.
    part : sequence of str, optional
        Specimen of each reading, when there are several.
    part_sd : float, optional
        Standard deviation between specimens when the study itself has none, in the reading's unit.
    level : float
        Of the intervals.

    Returns
    -------
    GaugeStudy
        Without specimens and without ``part_sd`` no share of study variation is given.

    Raises
    ------
    UnusableCall
        Lengths that differ, readings that are not finite, both part and ``part_sd``, two
        factors that always change together, or no scatter at all.
    """
    reading = np.asarray(reading, dtype=float)
    if part is not None and part_sd is not None:
        raise UnusableCall("give the specimens of the study or their standard deviation, not both")
    if part_sd is not None and not part_sd > 0:
        raise UnusableCall("the standard deviation between specimens must be above 0")
    if not np.isfinite(reading).all():
        raise UnusableCall("gauge study: every reading must be a number")
    notes: list[str] = []
    groups = _groups(len(reading), factors, part, notes)
    if float(np.ptp(reading)) <= 1e-12 * max(float(np.abs(reading).max()), 1.0):
        raise UnusableCall("gauge study: the readings show no scatter")
    model = _Reml.of(reading, list(groups.values()))
    best = model.fit()
    limits = [_profile_limits(model, best, which, level) for which in range(len(best))]
    names = [REPEATABILITY, *groups]
    levels = [len(reading), *(int(group.max()) + 1 for group in groups.values())]
    order = [names.index(name) for name in names if name != "part"]

    variance = best * model.scale**2
    gauge = float(variance[order].sum())
    part_place = names.index("part") if "part" in names else None
    part_variance = variance[part_place] if part_place is not None else (part_sd or 0.0) ** 2
    total = gauge + float(part_variance)
    low = gauge - sqrt(sum((variance[each] - limits[each][0] ** 2) ** 2 for each in order))
    highs = [limits[each][1] for each in order]
    gauge_lower = sqrt(max(low, limits[0][0] ** 2))
    gauge_upper = (
        sqrt(
            gauge
            + sqrt(
                sum(
                    (high**2 - variance[each]) ** 2
                    for each, high in zip(order, highs, strict=True)
                    if high is not None
                )
            )
        )
        if None not in highs
        else None
    )
    pct = pct_lower = pct_upper = categories = None
    verdict: GaugeVerdict | None = None
    if part_variance > 0:
        pct, categories = (
            100.0 * sqrt(gauge / total),
            CATEGORIES_FACTOR * sqrt(part_variance / gauge),
        )
        part_limits = (part_sd, part_sd) if part_place is None else limits[part_place]
        pct_lower, pct_upper = _share_limits(
            gauge, (gauge_lower, gauge_upper), float(part_variance), part_limits
        )
        if pct < GOOD_PCT:
            verdict = "good"
        else:
            verdict = "conditional" if pct <= ACCEPTABLE_PCT else "not acceptable"
    elif part_place is not None:
        notes.append("the specimens do not differ beyond the gauge")
        pct, pct_upper, categories, verdict = 100.0, 100.0, 0.0, "not acceptable"

    return GaugeStudy(
        readings=len(reading),
        components=tuple(
            VarianceComponent(
                name=names[each],
                levels=levels[each],
                sd=sqrt(variance[each]),
                lower=limits[each][0],
                upper=limits[each][1],
                pct_contribution=100.0 * float(variance[each]) / total,
                pct_study_variation=100.0 * sqrt(variance[each] / total),
            )
            for each in [*order, *([] if part_place is None else [part_place])]
        ),
        repeatability_sd=sqrt(variance[0]),
        reproducibility_sd=sqrt(max(gauge - float(variance[0]), 0.0)),
        gauge_sd=sqrt(gauge),
        gauge_lower=gauge_lower,
        gauge_upper=gauge_upper,
        part_sd=sqrt(part_variance) if part_place is not None else part_sd,
        total_sd=sqrt(total),
        gauge_pct_study_variation=pct,
        gauge_pct_lower=pct_lower,
        gauge_pct_upper=pct_upper,
        distinct_categories=categories,
        verdict=verdict,
        level=level,
        notes=tuple(notes),
        basis="; ".join(
            [
                counted(len(reading), "reading"),
                *(
                    counted(count, name) if " × " not in name else name
                    for name, count in zip(names[1:], levels[1:], strict=True)
                ),
            ]
        ),
    )


def _groups(
    readings: int,
    factors: Mapping[str, Sequence[str]],
    part: Sequence[str] | None,
    notes: list[str],
) -> dict[str, IntArray]:
    """Group number of each reading under each random effect that can be told."""
    labels = dict(factors) | ({} if part is None else {"part": part})
    groups: dict[str, IntArray] = {}
    for name, given in labels.items():
        if len(given) != readings:
            raise UnusableCall(f"gauge study: {len(given)} {name} labels for {readings} readings")
        group = _numbered(np.asarray(given, dtype=str))
        if group.max() == 0:
            notes.append(f"one {name} only: nothing is known about how {name}s differ")
        elif group.max() + 1 == readings:
            notes.append(f"each reading has a {name} of its own, so it is part of repeatability")
        else:
            groups[name] = group
    if part is not None and "part" in groups:
        for name in [each for each in groups if each != "part"]:
            together = _numbered(groups[name] * (groups["part"].max() + 1) + groups["part"])
            cells = int(together.max()) + 1
            known = any(np.array_equal(together, each) for each in groups.values())
            fewest = int(max(groups[name].max(), groups["part"].max())) + 1
            if fewest < cells < readings and not known:
                groups[f"{name} × part"] = together
    for first, second in combinations(groups, 2):
        if np.array_equal(groups[first], groups[second]):
            raise UnusableCall(
                f"gauge study: {first} and {second} always change together and can't be "
                "distinguished; leave one out"
            )
    return groups


def _numbered(labels: np.ndarray) -> IntArray:
    """Groups numbered in order of appearance, so that equal partitions get equal numbers."""
    _, first, group = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return np.asarray(rank[group], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Reml:
    """Restricted likelihood of y = mean + Σ random effects + rest, all by cross-products.

    Source: Searle, Casella and McCulloch, Variance Components (1992), sections 6.6 and 6.8. Arrays
    over variances begin with repeatability.
    """

    readings: int
    effect: IntArray
    """Which random effect each column of the design belongs to, from 1; shape (n_columns,)."""
    gram: FloatArray
    to_mean: FloatArray
    to_reading: FloatArray
    squares: float
    scale: float
    """Standard deviation of the readings; inside, they have mean 0 and this unit."""

    @classmethod
    def of(cls, reading: FloatArray, groups: list[IntArray]) -> _Reml:
        scale = float(reading.std())
        y = (reading - reading.mean()) / scale
        design = np.concatenate(
            [
                np.zeros((len(y), 0)),
                *((group[:, None] == np.arange(group.max() + 1)).astype(float) for group in groups),
            ],
            axis=1,
        )
        effect = np.repeat(
            np.arange(1, len(groups) + 1), [int(group.max()) + 1 for group in groups]
        ).astype(np.int64)
        return cls(
            len(y), effect, design.T @ design, design.sum(axis=0), design.T @ y, float(y @ y), scale
        )

    def deviance(self, variance: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Minus twice the restricted log-likelihood, its gradient and its expected curvature."""
        rest, sd = variance[0], np.sqrt(variance[self.effect])
        inner = sd[:, None] * self.gram * sd / rest
        inner[np.diag_indices_from(inner)] += 1.0
        root = np.linalg.cholesky(inner)
        # Cross-products of design, ones and readings in the inverse covariance of the readings.
        stacked = np.column_stack([self.gram, self.to_mean, self.to_reading])
        solved = np.linalg.solve(root, sd[:, None] * stacked) / rest
        plain = np.array([[self.readings, 0.0], [0.0, self.squares]])
        effects, groups = len(self.effect), len(variance)
        weighted = stacked / rest - solved[:, :effects].T @ solved
        ends = plain / rest - solved[:, effects:].T @ solved[:, effects:]
        mean = ends[0, 1] / ends[0, 0]
        squares = ends[1, 1] - ends[0, 0] * mean**2
        score = weighted[:, -1] - weighted[:, -2] * mean
        projected = weighted[:, :effects] - np.outer(weighted[:, -2], weighted[:, -2]) / ends[0, 0]

        # Traces of P V_k and P V_k P V_l by blocks; those of repeatability from P V P = P.
        # Without any effect bincount counts in whole numbers, weights or not.
        traces, fits = (
            np.bincount(self.effect, weights=weights, minlength=groups).astype(float)
            for weights in (np.diag(projected), score**2)
        )
        member = (self.effect == np.arange(groups)[:, None]).astype(float)
        curvature = member @ projected**2 @ member.T
        traces[0] = (self.readings - 1 - traces @ variance) / rest
        fits[0] = (squares - fits @ variance) / rest
        curvature[0] = curvature[:, 0] = (traces - curvature @ variance) / rest
        curvature[0, 0] = (traces[0] - curvature[0, 1:] @ variance[1:]) / rest
        value = (
            2.0 * np.log(np.diag(root)).sum()
            + self.readings * log(rest)
            + log(ends[0, 0])
            + squares
            + (self.readings - 1) * log(2.0 * pi)
        )
        return float(value), np.asarray(traces - fits), np.asarray(curvature)

    def minimum(
        self, start: FloatArray, fixed: int | None = None, value: float = 0.0
    ) -> tuple[float, FloatArray]:
        """Least deviance and where, by Fisher scoring; one variance held fixed if asked."""
        least = np.zeros(len(start))
        least[0] = LEAST_REST
        variance = np.maximum(start, least)
        if fixed is not None:
            variance[fixed] = max(value, least[fixed])
        deviance, gradient, curvature = self.deviance(variance)
        for _ in range(MOST_ROUNDS):
            free = (variance > least) | (gradient < 0)
            if fixed is not None:
                free[fixed] = False
            places = np.flatnonzero(free)
            step = np.zeros(len(variance))
            step[places] = -np.linalg.lstsq(curvature[np.ix_(places, places)], gradient[places])[0]
            stride = 1.0
            while stride > 1e-6:
                tried = np.maximum(variance + stride * step, least)
                found = self.deviance(tried)
                if found[0] <= deviance:
                    break
                stride /= 2.0
            else:
                break
            gain = deviance - found[0]
            variance, (deviance, gradient, curvature) = tried, found
            if gain < 1e-9:
                break
        return deviance, variance

    def fit(self) -> FloatArray:
        """Variances of least deviance, from several starts."""
        effects = int(self.effect.max()) if len(self.effect) else 0
        starts = [np.r_[rest, np.full(effects, among)] for rest, among in STARTS]
        return min((self.minimum(start) for start in starts), key=lambda pair: pair[0])[1]


def _profile_limits(
    model: _Reml, best: FloatArray, which: int, level: float
) -> tuple[float, float | None]:
    """Limits of one standard deviation: where the profile deviance has risen by chi-square."""
    from scipy.optimize import brentq
    from scipy.special import chdtri

    rise = float(chdtri(1, 1.0 - level))
    least = model.deviance(best)[0]
    estimate = float(np.sqrt(best[which]))

    def excess(sd: float) -> float:
        if sd == estimate:
            return -rise
        return model.minimum(best, which, sd**2)[0] - least - rise

    floor = LEAST_REST**0.5 if which == 0 else 0.0
    lower = floor
    if estimate > floor and excess(floor) > 0:
        lower = float(brentq(excess, floor, estimate, xtol=1e-4, rtol=1e-4))
    below, above = estimate, max(1.5 * estimate, 0.05)
    while excess(above) < 0:
        below, above = above, 2.0 * above
        if above > MOST_SD:
            return lower * model.scale, None
    upper = float(brentq(excess, below, above, xtol=1e-4, rtol=1e-4))
    return lower * model.scale, upper * model.scale


def _share_limits(
    gauge: float,
    gauge_limits: tuple[float, float | None],
    part: float,
    part_limits: tuple[float | None, float | None],
) -> tuple[float, float]:
    """Limits of the gauge's share of study variation in percent, by recovery on the log scale."""
    gauge_low, gauge_high = gauge_limits
    part_low, part_high = part_limits
    ratio = log(gauge / part)
    share = [0.0, 100.0]
    if gauge_low > 0 and part_high is not None:
        low = ratio - sqrt(log(gauge / gauge_low**2) ** 2 + log(part_high**2 / part) ** 2)
        share[0] = 100.0 / sqrt(1.0 + np.exp(-low))
    if gauge_high is not None and part_low:
        high = ratio + sqrt(log(gauge_high**2 / gauge) ** 2 + log(part / part_low**2) ** 2)
        share[1] = 100.0 / sqrt(1.0 + np.exp(-high))
    return share[0], share[1]
