"""Case models on a cushion curve: peak g by static stress, first drop, next four, wear between."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.wear.cases import condition_of
from durability.wear.results import CushionCurve, CushionPoint, PeakMean

if TYPE_CHECKING:
    from durability.record.records import DropHistory
    from durability.wear.results import Pad

LATER_DROPS = (2, 5)
"""First and last of the drops whose mean is given beside the first one, which is never averaged
into it (ASTM D1596, practice: five drops, the mean of numbers 2 to 5)."""

FEWEST_LATER = 2
"""Fewer readings among these drops are no mean of them."""

LEVEL = 0.9


def cushion_curves(
    histories: Iterable[DropHistory], pads: Mapping[str, Pad]
) -> tuple[CushionCurve, ...]:
    """Mean peaks of the first and of the later drops of each case model with a pad on record.

    Of each case the series with which its life began; its later drops have their arithmetic mean.
    Of the cases of a model the geometric mean, with an interval by Student's t over cases. Wear is
    the ratio of both means of one case.

    Parameters
    ----------
    histories : iterable of DropHistory
        Valid drops of any series.
    pads : mapping of str to Pad
        By case model.

    Returns
    -------
    tuple of CushionCurve
        One for each height, surface, orientation and kind of device, those with most models first;
        its models by static stress. Wear to beyond the later drops is for the trend.
    """
    means: dict[tuple[object, ...], dict[str, list[tuple[float, float]]]]
    means = defaultdict(lambda: defaultdict(list))
    named: dict[tuple[object, ...], DropHistory] = {}
    for history in histories:
        model, pair = history.case_model, _first_and_later(history)
        if model is not None and model in pads and pair is not None:
            means[history.condition][model].append(pair)
            named.setdefault(history.condition, history)
    curves = []
    for key, models in means.items():
        points = [_point(pads[model], np.array(pairs)) for model, pairs in models.items()]
        points.sort(key=lambda point: (point.static_stress_kpa, point.case_model))
        curves.append(
            CushionCurve(
                condition=condition_of(named[key]),
                orientation=named[key].orientation,
                points=tuple(points),
                **_lowest(points),
                level=LEVEL,
            )
        )
    curves.sort(
        key=lambda curve: (
            -len(curve.points), curve.condition.words, curve.orientation or "",
        )
    )  # fmt: skip
    return tuple(curves)


def _first_and_later(history: DropHistory) -> tuple[float, float] | None:
    """Peak of the first drop of a case and mean of the next four, NaN where not read."""
    if history.case is None or not history.drops or history.all_case_ages[0] != 1:
        return None
    age = history.case_age
    first = history.peak_g[age == 1]
    later = history.peak_g[(age >= LATER_DROPS[0]) & (age <= LATER_DROPS[1])]
    pair = (
        float(first[0]) if first.size else math.nan,
        float(later.mean()) if later.size >= FEWEST_LATER else math.nan,
    )
    return None if all(map(math.isnan, pair)) else pair


def _point(pad: Pad, pairs: np.ndarray) -> CushionPoint:
    first, later = np.log(pairs.T)
    ratio = _mean(later - first)
    return CushionPoint(
        case_model=pad.case_model,
        static_stress_kpa=pad.static_stress_kpa,
        pad_thickness_mm=pad.pad_thickness_mm,
        first_g=_mean(first),
        later_g=_mean(later),
        wear_pct=None
        if ratio is None
        else PeakMean(
            100.0 * (ratio.value - 1.0),
            None if ratio.lower is None else 100.0 * (ratio.lower - 1.0),
            None if ratio.upper is None else 100.0 * (ratio.upper - 1.0),
            ratio.cases,
        ),
    )


def _mean(logs: np.ndarray) -> PeakMean | None:
    """Geometric mean over cases with its interval; None without any."""
    from scipy.special import stdtrit

    known = logs[np.isfinite(logs)]
    if not known.size:
        return None
    middle = known.mean()
    if known.size < 2:
        return PeakMean(float(np.exp(middle)), None, None, 1)
    error = known.std(ddof=1) / math.sqrt(known.size)
    half = float(stdtrit(known.size - 1, (1.0 + LEVEL) / 2.0)) * error
    ends = np.exp(middle + np.array([0.0, -half, half]))
    return PeakMean(float(ends[0]), float(ends[1]), float(ends[2]), int(known.size))


def _lowest(points: list[CushionPoint]) -> dict[str, Any]:
    """The model with the lowest later peak, and whether that is clear."""
    known = [(each.later_g, each.case_model) for each in points if each.later_g is not None]
    if len(known) < 2:
        return {"lowest": None, "is_clear": False}
    (mean, lowest), *others = sorted(known, key=lambda each: (each[0].value, each[1]))
    is_clear = mean.upper is not None and all(
        other.lower is not None and mean.upper < other.lower for other, _ in others
    )
    return {"lowest": lowest, "is_clear": is_clear}
