"""Estimates from the record: trend, forecast, rank, compare, latent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.errors import RecordRefused, UnusableCall
from durability.intake.hand_entry import typed_date
from durability.records import DeviceHistory, DropHistory
from durability.results import DeviceExpectation, DoseUnder, LatentAnswer
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.logbook import IN_USE, series_rows
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.results import (
        Comparison,
        CovariateEffect,
        Forecast,
        LatentLink,
        MoreDrops,
        Ranking,
        Trend,
    )


EPOCH = date(1970, 1, 1)
"""Days of the models count from here."""


def drop_histories(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    with_voided: bool = False,
) -> list[DropHistory]:
    """The readings that estimates rest on, a history a series.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these; without ``series`` reference drops are left out.
    with_voided : bool
        Put voided readings back, for "does it change the answer?" only.

    Returns
    -------
    list of DropHistory
        In order of series code.
    """
    with database.reading(session.store) as connection:
        rows = series_rows(connection, series, case_models, purpose=None if series else "test")
        codes = [row["series"] for row in rows]
        name = "readings_with_voided" if with_voided else "readings"
        readings = bench.fetch_arrays(connection, name, series=codes)
        damage = bench.fetch_arrays(connection, "case_damage", series=codes)
    spans = _spans(readings["series"])
    looks = _spans(damage["series"])
    histories = []
    for row in rows:
        at = spans.get(row["series"], slice(0, 0))
        look = looks.get(row["series"], slice(0, 0))
        histories.append(
            DropHistory(
                series=row["series"],
                drop_number=readings["drop_number"][at].astype(np.int64),
                peak_g=readings["peak_g"][at].astype(float),
                drops=row["drops"],
                last_drop_number=row["last_drop_number"],
                case=row["case"],
                case_model=row["case_model"],
                device=row["device"],
                condition=(row["drop_height_mm"], row["surface"], row["orientation"]),
                temperature_c=readings["temperature_c"][at].astype(float),
                dropped_at_s=readings["dropped_at_s"][at].astype(float),
                damage_drop_number=damage["drop_number"][look].astype(np.int64),
                damage_severity=damage["severity"][look].astype(np.int64),
            )
        )
    return histories


def _spans(keys: np.ndarray) -> dict[str, slice]:
    """Where each run of equal keys stands in a sorted column."""
    if len(keys) == 0:
        return {}
    starts = [0, *(np.flatnonzero(keys[1:] != keys[:-1]) + 1).tolist(), len(keys)]
    return {str(keys[start]): slice(start, end) for start, end in pairwise(starts)}


def judge_series(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
) -> list[Trend]:
    """Trend of each series."""
    from durability.trend import judge_trends

    return judge_trends(drop_histories(session, series, case_models))


def forecast_series(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    level: float,
    limit_g: float | None,
    limit_rise: float,
    horizon: int,
) -> list[Forecast]:
    """Drops to failure of each series wanted, siblings of its case model informing it.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these in the answer.
    level, limit_g, limit_rise, horizon : float, float or None, float, int
        As in :func:`durability.forecast.forecast`.

    Returns
    -------
    list of Forecast
        In order of series code.

    Raises
    ------
    UnusableCall
        A limit, level or horizon is out of its range.
    """
    if not 0 < level < 1:
        raise UnusableCall(f"--level {level}: not a share between 0 and 1, like 0.9")
    if limit_g is not None and not limit_g > 0:
        raise UnusableCall(f"--limit-g {limit_g}: not a number above 0, in g")
    if not limit_rise > 0:
        raise UnusableCall(f"--limit-rise {limit_rise}: not a fraction above 0, like 0.5")
    if horizon < 1:
        raise UnusableCall(f"--horizon {horizon}: not a drop number of 1 or more")
    from durability.forecast import forecast

    wanted = drop_histories(session, series, case_models)
    codes = {history.series for history in wanted}
    models = {history.case_model for history in wanted}
    siblings = [
        history
        for history in (drop_histories(session) if series else [])
        if history.series not in codes and history.case_model in models
    ]
    results = forecast(
        [*wanted, *siblings],
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
    )
    return [result for result in results if result.series in codes]


def further_drops(
    session: Session,
    series: str,
    *,
    level: float,
    limit_g: float | None,
    limit_rise: float,
    horizon: int,
) -> MoreDrops:
    """What one more session of drops of a series would buy; limits as in ``forecast_series``."""
    from durability.more_drops import value_of_more_drops

    (history,) = drop_histories(session, [series])
    siblings = [
        other
        for other in drop_histories(session)
        if other.series != series and other.case_model == history.case_model
    ]
    return value_of_more_drops(
        history,
        siblings=siblings,
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
    )


def condition_effects(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
) -> list[CovariateEffect]:
    """How peak g goes with temperature and with a long rest: a what-if, never applied."""
    from durability.covariates import covariate_effects

    return covariate_effects(drop_histories(session, series, case_models))


def rank_wear(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    by: Literal["case_model", "case"],
) -> Ranking:
    """Groups of cases from the fastest wearing to the slowest; bare series are no case."""
    from durability.compare import rank

    histories = drop_histories(session, series, case_models)
    return rank([history for history in histories if history.case is not None], by=by)


BARE = "bare"
"""How a command line names drops without a case."""


def compare_models(session: Session, a: str, b: str) -> Comparison:
    """How many times the peak g of ``a`` is that of ``b``; each a case model, or bare."""
    groups = [_group(session, name, with_voided=False) for name in (a, b)]
    put_back = [_group(session, name, with_voided=True) for name in (a, b)]
    from durability.compare import compare

    return compare(*groups, a=a, b=b, a_with_voided=put_back[0], b_with_voided=put_back[1])


def _group(session: Session, name: str, *, with_voided: bool) -> list[DropHistory]:
    if name != BARE:
        return drop_histories(session, None, [name], with_voided=with_voided)
    histories = drop_histories(session, with_voided=with_voided)
    bare = [history for history in histories if history.case is None]
    if not bare:
        raise RecordRefused("bare: no series without a case in the store")
    return bare


def device_histories(session: Session) -> list[DeviceHistory]:
    """What each device lived through and how it fared, in order of device code.

    Parameters
    ----------
    session : Session
        Store and person.

    Returns
    -------
    list of DeviceHistory
        Devices only; dummies have no functions to lose.
    """
    with database.reading(session.store) as connection:
        devices = bench.fetch(connection, "devices")
        drops = bench.fetch_arrays(connection, "device_drops")
        checks = bench.fetch_arrays(connection, "device_checks")
    dropped, checked = _spans(drops["device"]), _spans(checks["device"])
    histories = []
    for row in devices:
        drop = dropped.get(row["device"], slice(0, 0))
        check = checked.get(row["device"], slice(0, 0))
        histories.append(
            DeviceHistory(
                device=row["device"],
                device_model=row["device_model"],
                received_day=row["received_day"],
                drop_day=drops["drop_day"][drop].astype(float),
                peak_g=drops["peak_g"][drop].astype(float),
                drop_height_mm=drops["drop_height_mm"][drop].astype(float),
                velocity_change_m_s=drops["velocity_change_m_s"][drop].astype(float),
                drop_case_model=tuple(drops["case_model"][drop]),
                check_day=checks["check_day"][check].astype(float),
                check_function=tuple(checks["function"][check]),
                check_outcome=tuple(checks["outcome"][check]),
                can_be_inspected=row["status"] == IN_USE and row["quarantined_since"] is None,
            )
        )
    return histories


def judge_devices(session: Session, on: date | None = None) -> LatentLink:
    """Whether later failures of the devices go with the shocks before them.

    Parameters
    ----------
    session : Session
        Store and person.
    on : date, optional
        The day on which failures that no one has seen yet are asked for; by default that of the
        last look of all.

    Returns
    -------
    LatentLink
        Verdict, effect, and each device's outlook.
    """
    from durability.latent import judge_latent_link

    return judge_latent_link(device_histories(session), on_day=_day_number(on))


def _day_number(day: date | None) -> float | None:
    return None if day is None else float((day - EPOCH).days)


def answer_latent(session: Session, on: str | None) -> LatentAnswer:
    """The link, the doses it rests on, and which devices are no longer looked at.

    Parameters
    ----------
    session : Session
        Store and person.
    on : str, optional
        ISO date on which unseen failures are asked for; else today.

    Returns
    -------
    LatentAnswer
        With doses under the literature's exponents.
    """
    day = typed_date(on, option="--on") if on else date.today()  # noqa: DTZ011 - the bench's day
    link = judge_devices(session, day)
    with database.reading(session.store) as connection:
        devices = bench.fetch(connection, "devices")
        quarantined = quarantine.quarantines(connection)
    return LatentAnswer(
        link=link,
        doses=device_doses(device_histories(session), until_failed=True),
        not_in_use={row["device"]: row["status"] for row in devices if row["status"] != IN_USE},
        quarantined=tuple(quarantined),
    )


def device_doses(
    histories: Sequence[DeviceHistory], *, until_failed: bool
) -> dict[str, tuple[DoseUnder, ...]]:
    """Shock dose of each device under the lower, usual and upper exponent of the literature.

    Parameters
    ----------
    histories : sequence of DeviceHistory
        The whole study: drops without a reading are judged by their like in all of it.
    until_failed : bool
        Count only the drops that each device lived through before it was seen to have failed.

    Returns
    -------
    dict
        Device → one dose an exponent.
    """
    from durability.latent import LITERATURE_EXPONENT, LITERATURE_RANGE, follow_up
    from durability.latent.exposure import exposure_of

    lived_through = [
        follow_up(history).lived_through
        if until_failed
        else np.ones(len(history.drop_day), dtype=bool)
        for history in histories
    ]
    exponents = (LITERATURE_RANGE[0], LITERATURE_EXPONENT, LITERATURE_RANGE[1])
    exposures = [exposure_of(histories, lived_through, exponent) for exponent in exponents]
    return {
        history.device: tuple(
            DoseUnder(
                exponent,
                of_all[at].shock_dose,
                of_all[at].shock_dose_likely,
                of_all[at].shock_dose_upper,
            )
            for exponent, of_all in zip(exponents, exposures, strict=True)
        )
        for at, history in enumerate(histories)
    }


def expect_device(session: Session, device: str, inspected_at: datetime) -> DeviceExpectation:
    """What the model expected of a device before the look of one day, told without that look.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    inspected_at : datetime
        The look; checks of this device on its day or later are left out.

    Returns
    -------
    DeviceExpectation
        The device's outlook on that day.
    """
    from durability.latent import judge_latent_link

    day = float((inspected_at.date() - EPOCH).days)
    histories = [
        history if history.device != device else _before(history, day)
        for history in device_histories(session)
    ]
    link = judge_latent_link(histories, on_day=day)
    outlook = next(each for each in link.per_device if each.device == device)
    return DeviceExpectation(link, outlook)


def _before(history: DeviceHistory, day: float) -> DeviceHistory:
    """A history as it was known before the looks of one day."""
    known = history.check_day < day
    return replace(
        history,
        check_day=history.check_day[known],
        check_function=tuple(np.array(history.check_function, dtype=object)[known]),
        check_outcome=tuple(np.array(history.check_outcome, dtype=object)[known]),
    )
