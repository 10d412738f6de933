"""What one more session of drops would buy, before it is made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from durability.record.basis import counted
from durability.wear.fitting import fit_wear, log_level
from durability.wear.forecast import forecast
from durability.wear.results import Forecast, MoreDrops

if TYPE_CHECKING:
    from durability.record.records import DropHistory

_FUTURES = 24
"""Possible continuations tried, spread evenly over the posterior."""
_MOST_SIBLINGS = 8


def value_of_more_drops(
    history: DropHistory,
    *,
    extra: int = 5,
    siblings: Sequence[DropHistory] = (),
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
) -> MoreDrops:
    """How much narrower the forecast is expected to be after further drops.

    Continuations are drawn from the posterior, readings with their scatter, and each is
    forecast as if it had been seen. Damage is left out: it can't be simulated from peak g.

    Parameters
    ----------
    history : DropHistory
        The series to go on with.
    extra : int
        Further drops.
    siblings : sequence of DropHistory
        Other series of its case model; the first few are used.
    level, limit_g, limit_rise, horizon
        As in ``forecast``.

    Returns
    -------
    MoreDrops
        Without numbers where there is too little to forecast now.
    """
    limits = {"level": level, "limit_rise": limit_rise, "horizon": horizon}
    others = [_without_damage(other) for other in siblings][:_MOST_SIBLINGS]
    now_history = _without_damage(history)
    now = forecast([now_history, *others], limit_g=limit_g, **limits)[0]  # type: ignore[arg-type]
    draws = fit_wear([now_history, *others])[0].draws
    if draws is None or now.failed or now.b10_drop is None is now.drops_to_failure.median:
        reason = "failed already" if now.failed else "too few drops to plan with"
        return MoreDrops(history.series, extra, None, None, None, reason)
    number = np.arange(history.last_drop_number + 1, history.last_drop_number + 1 + extra)
    rng = np.random.default_rng(22)
    chosen = rng.permutation(draws.climb.size)[:_FUTURES]
    path = np.minimum(log_level(draws, number)[chosen], 12.0)
    readings = path + draws.scatter[chosen, None] * rng.standard_normal(path.shape)
    cases: list[DropHistory] = []
    for future, reading in enumerate(readings):
        model = f"future {future}"
        cases.append(
            replace(
                now_history,
                series=f"{history.series} {model}",
                case_model=model,
                drop_number=np.concatenate([history.drop_number, number]),
                peak_g=np.concatenate([history.peak_g, np.exp(reading)]),
                drops=history.drops + extra,
                last_drop_number=int(number[-1]),
            )
        )
        cases += [replace(other, case_model=model) for other in others]
    told = forecast(cases, limit_g=limit_g, **limits)  # type: ignore[arg-type]
    after = told[:: 1 + len(others)]
    spreads = [_log_spread(one, int(number[-1]), horizon) for one in after]
    return MoreDrops(
        series=history.series,
        extra_drops=extra,
        spread_now=math.exp(_log_spread(now, history.last_drop_number, horizon)),
        spread_then=math.exp(float(np.mean(spreads))),
        probability_failed_by_then=float(np.mean([one.failed for one in after])),
        basis=f"{now.basis}, {counted(_FUTURES, 'simulated future')}",
    )


def _without_damage(history: DropHistory) -> DropHistory:
    return replace(
        history,
        damage_drop_number=None,
        damage_severity=None,
        temperature_c=None,
        dropped_at_s=None,
    )


def _log_spread(one: Forecast, last: int, horizon: int) -> float:
    """Log of upper over lower drops left; beyond the horizon counts as the horizon."""
    if one.failed:
        return 0.0
    lower, upper = (
        max((horizon if drop is None else drop) - last, 1.0)
        for drop in (one.drops_to_failure.lower, one.drops_to_failure.upper)
    )
    return math.log(upper / lower)
