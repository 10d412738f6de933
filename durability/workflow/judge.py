"""Estimates from the record: trend, forecast, rank, compare, latent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.errors import RecordRefused, UnusableCall
from durability.intake.hand_entry import typed_date
from durability.orientation import is_orientation, normalise_orientation
from durability.records import DeviceHistory, DropHistory, ShockHistory, ShockLook
from durability.results import (
    DeviceExpectation,
    DoseUnder,
    LatentAnswer,
    LatentCaveats,
    LatentUnder,
    Prediction,
    RigNote,
    TrendContext,
    VoidedDrop,
)
from durability.store import bench, database
from durability.workflow import declaration, quarantine
from durability.workflow.follow_up import confirm_rules
from durability.workflow.intermittent import intermittent_checks
from durability.workflow.limits import Limit
from durability.workflow.rig import RigLedger
from durability.workflow.series import series_rows
from durability.workflow.session import Session
from durability.workflow.specimens import IN_USE

if TYPE_CHECKING:
    from durability.results import (
        Comparison,
        CovariateEffect,
        DamageBoundary,
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
                condition=(
                    row["drop_height_mm"],
                    row["surface"],
                    orientation_name(row["orientation"]),
                ),
                sensor=row["sensor"],
                temperature_c=readings["temperature_c"][at].astype(float),
                dropped_at_s=readings["dropped_at_s"][at].astype(float),
                damage_drop_number=damage["drop_number"][look].astype(np.int64),
                damage_severity=damage["severity"][look].astype(np.int64),
            )
        )
    return histories


def orientation_name(text: str | None) -> str | None:
    """One name for one orientation of a box, however its faces were ordered; else as it stands."""
    return normalise_orientation(text) if text and is_orientation(text) else text


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
    """Trend of each series wanted, siblings of its model informing it."""
    from durability.trend import judge_trends

    wanted = drop_histories(session, series, case_models)
    return judge_trends([*wanted, *_siblings(session, series, wanted)])[: len(wanted)]


def _siblings(
    session: Session,
    series: Sequence[str] | None,
    wanted: Sequence[DropHistory],
    *,
    with_voided: bool = False,
) -> list[DropHistory]:
    """Other series of the same case models, where only some were asked for by name."""
    if not series:
        return []
    # They inform the fits: one series gets the same answer asked for alone and among all.
    codes = {history.series for history in wanted}
    models = {history.case_model for history in wanted}
    return [
        history
        for history in drop_histories(session, with_voided=with_voided)
        if history.series not in codes and history.case_model in models
    ]


def explain_series(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    rig_corrected: bool = False,
) -> tuple[list[Trend], list[TrendContext]]:
    """Trend of each series, with what was voided, what looks doubtful, and how the rig fared.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these.
    rig_corrected : bool
        Divide the rig's drift out. Each series is then judged three times: by the drift as
        estimated, and by the drift at either end of its 90 % interval since the first drop. The
        weakest verdict and the widest interval are told.

    Returns
    -------
    trends : list of Trend
        In order of series code.
    contexts : list of TrendContext
        One for each.
    """
    from durability.trend import judge_trends

    wanted = drop_histories(session, series, case_models)
    histories = [*wanted, *_siblings(session, series, wanted)]
    ledger = RigLedger(session)
    notes: list[RigNote | None]
    if rig_corrected:
        three, found = _divided_out(ledger, histories, absolute=False)
        trends = [
            _widest_trend(central, least, most, note)
            for central, least, most, note in zip(
                *(judge_trends(each)[: len(wanted)] for each in three),
                found[: len(wanted)],
                strict=True,
            )
        ]
        notes = [*found[: len(wanted)]]
    else:
        trends = judge_trends(histories)[: len(wanted)]
        notes = [ledger.note(history) for history in wanted]
    voided = _voided(session, [history.series for history in wanted])
    readable = [code for code, drops in voided.items() if any(drop.peak_g for drop in drops)]
    put_back = {}
    if readable:
        again = drop_histories(session, series, case_models, with_voided=True)
        again += _siblings(session, series, again, with_voided=True)
        if rig_corrected:
            again = _divided_out(ledger, again, absolute=False)[0][0]
        put_back = {trend.series: trend for trend in judge_trends(again)}
    return trends, [
        TrendContext(
            tuple(voided.get(trend.series, ())),
            put_back[trend.series] if trend.series in readable else None,
            *_suggested(trend),
            note,
        )
        for trend, note in zip(trends, notes, strict=True)
    ]


def _voided(session: Session, series: Sequence[str]) -> dict[str, list[VoidedDrop]]:
    with database.reading(session.store) as connection:
        rows = bench.fetch(connection, "voided_drops", series=list(series))
    found: dict[str, list[VoidedDrop]] = {}
    for row in rows:
        found.setdefault(row["series"], []).append(VoidedDrop(**row))
    return found


FEWEST_FOR_SUGGESTION = 6
"""Valid drops from which a reading is held against the others: the fitted level follows fewer."""

FEWEST_FOR_SEVERAL = 15
"""Readings from which the critical values of the generalized ESD test hold (Rosner 1983)."""


def _suggested(trend: Trend) -> tuple[tuple[int, ...], str]:
    """Drop numbers that an outlier test would mark about the fitted level, and which test."""
    if trend.valid_drops < FEWEST_FOR_SUGGESTION:
        return (), "too few drops for an outlier test"
    from durability.outliers import generalized_esd, grubbs

    rest = np.log(trend.peak_g) - np.log(trend.level_g)
    if len(rest) < FEWEST_FOR_SEVERAL:
        farthest = grubbs(rest)
        marked = (farthest.position,) if farthest.outlying else ()
        return tuple(int(trend.drop_number[at]) for at in marked), "Grubbs, 5 %"
    most = max(2, len(rest) // 10)
    positions = generalized_esd(rest, most).positions
    numbers = sorted(int(trend.drop_number[at]) for at in positions)
    return tuple(numbers), f"generalized ESD for up to {most}, 5 %"


def _divided_out(
    ledger: RigLedger, histories: Sequence[DropHistory], *, absolute: bool
) -> tuple[list[list[DropHistory]], list[RigNote]]:
    """Histories with the rig's drift divided out, as estimated, least and most rising."""
    corrected = [ledger.corrected(history, absolute=absolute) for history in histories]
    return [[three[at] for three, _ in corrected] for at in range(3)], [
        note for _, note in corrected
    ]


def _widest_trend(central: Trend, least: Trend, most: Trend, note: RigNote) -> Trend:
    """A trend as corrected, with the rig's own uncertainty in its verdict and its intervals."""
    if not note.corrected:
        return replace(central, basis=f"{central.basis}; not rig-corrected: {note.reason}")
    weaker = central.verdict in ("rising", "settled") and least.verdict != central.verdict
    told = least if weaker else central
    alarms = (central.alarm_at_drop, least.alarm_at_drop)
    lowers = [each.rise_lower for each in (central, least, most) if each.rise_lower is not None]
    uppers = [each.rise_upper for each in (central, least, most) if each.rise_upper is not None]
    p_values = [each.p_value for each in (central, least) if each.p_value is not None]
    return replace(
        central,
        verdict=told.verdict,
        p_value=told.p_value if weaker else max(p_values, default=None),
        alarm_at_drop=None if None in alarms else max(each or 0 for each in alarms),
        rise_lower=min(lowers, default=None),
        rise_upper=max(uppers, default=None),
        level_lower_g=np.minimum(central.level_lower_g, least.level_lower_g),
        level_upper_g=np.maximum(central.level_upper_g, most.level_upper_g),
        basis=f"{central.basis}; {_correction_words(note)}",
    )


def _correction_words(note: RigNote) -> str:
    return (
        f"rig drift by {note.reference_series} divided out ({note.correction_first_pct:+.1f} % at"
        f" the first, {note.correction_latest_pct:+.1f} % at the last drop, standard error"
        f" {note.correction_se_pct:.1f} % between them), judged at both ends of its 90 % interval"
        " too"
    )


def _widest_forecast(central: Forecast, least: Forecast, most: Forecast, note: RigNote) -> Forecast:
    """A forecast as corrected, its interval over all that the rig's drift may have been."""
    if not note.corrected:
        return replace(central, basis=f"{central.basis}; not rig-corrected: {note.reason}")
    three = [each.drops_to_failure for each in (central, least, most)]
    lowers = [each.lower for each in three if each.lower is not None]
    uppers = [each.upper for each in three if each.upper is not None]
    survival = central.survival_probability
    shares = [each.survival_probability for each in (central, least, most)]
    if len({len(share) for share in shares}) == 1:
        survival = np.mean(shares, axis=0)
    return replace(
        central,
        drops_to_failure=Prediction(
            min(lowers, default=None),
            central.drops_to_failure.median,
            max(uppers) if len(uppers) == len(three) else None,
        ),
        survival_probability=survival,
        basis=f"{central.basis}; {_correction_words(note)}",
    )


def refuse_unusable_limits(
    level: float, limit_g: float | None, limit_rise: float, horizon: int
) -> None:
    """Refuse a level, limit or horizon that is out of its range."""
    if not 0 < level < 1:
        raise UnusableCall(f"--level {level}: not a share between 0 and 1, like 0.9")
    Limit(limit_g, limit_rise)  # refuses what is out of range
    if horizon < 1:
        raise UnusableCall(f"--horizon {horizon}: not a drop number of 1 or more")


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
    """Drops to failure of each series wanted, as ``explain_forecasts`` gives them."""
    return explain_forecasts(
        session,
        series,
        case_models,
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
    )[0]


def explain_forecasts(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    level: float,
    limit_g: float | None,
    limit_rise: float,
    horizon: int,
    rig_corrected: bool = False,
) -> tuple[list[Forecast], list[RigNote | None]]:
    """Drops to failure of each series wanted, siblings of its model informing it, and its rig.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these in the answer.
    level, limit_g, limit_rise, horizon : float, float or None, float, int
        As in :func:`durability.forecast.forecast`.
    rig_corrected : bool
        Divide the rig's drift out. The forecast is then made three times, by the drift as
        estimated and at either end of its 90 % interval, and the widest interval is told.

    Returns
    -------
    forecasts : list of Forecast
        In order of series code.
    notes : list of RigNote or None
        How the rig fared, for each.

    Raises
    ------
    UnusableCall
        A limit, level or horizon is out of its range.
    """
    refuse_unusable_limits(level, limit_g, limit_rise, horizon)
    from durability.forecast import forecast

    wanted = drop_histories(session, series, case_models)
    codes = {history.series for history in wanted}
    ledger = RigLedger(session)
    histories = [*wanted, *_siblings(session, series, wanted)]

    def foretold(group: Sequence[DropHistory]) -> list[Forecast]:
        results = forecast(
            group, level=level, limit_g=limit_g, limit_rise=limit_rise, horizon=horizon
        )
        return [result for result in results if result.series in codes]

    if not rig_corrected:
        return foretold(histories), [ledger.note(history) for history in wanted]
    three, notes = _divided_out(ledger, histories, absolute=limit_g is not None)
    results = [
        _widest_forecast(central, least, most, note)
        for central, least, most, note in zip(
            *(foretold(group) for group in three), notes[: len(wanted)], strict=True
        )
    ]
    return results, list(notes[: len(wanted)])


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


def explain_comparison(session: Session, a: str, b: str) -> tuple[Comparison, list[VoidedDrop]]:
    """How many times the peak g of ``a`` is that of ``b``, and what was voided.

    Returns
    -------
    comparison : Comparison
    voided : list of VoidedDrop
        What was left out, by series and drop.
    """
    groups = [_group(session, name, with_voided=False) for name in (a, b)]
    put_back = [_group(session, name, with_voided=True) for name in (a, b)]
    from durability.compare import compare

    result = compare(*groups, a=a, b=b, a_with_voided=put_back[0], b_with_voided=put_back[1])
    voided = _voided(session, [history.series for group in groups for history in group])
    return result, [drop for drops in voided.values() for drop in drops]


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


def damage_boundaries(
    session: Session, devices: Sequence[str] | None = None
) -> list[DamageBoundary]:
    """What the shocks of each device model tell of its damage boundary, in order of model.

    Parameters
    ----------
    session : Session
        Store and person.
    devices : sequence of str, optional
        Keep only these.

    Returns
    -------
    list of DamageBoundary
    """
    from durability.boundary import damage_boundary

    with database.reading(session.store) as connection:
        shocks = bench.fetch_arrays(connection, "device_drops")
        looks: dict[str, list[ShockLook]] = {}
        for row in bench.fetch(connection, "looks_between_shocks"):
            tested, failed = (frozenset(row[name] or ()) for name in ("tested", "failed"))
            look = ShockLook(row["drops_before"], tested, failed)
            looks.setdefault(row["device"], []).append(look)
        broken: dict[str, list[int]] = {}
        for row in bench.fetch(connection, "broken_devices"):
            broken.setdefault(row["device"], []).append(row["shock"])
    return damage_boundary(
        [
            ShockHistory(
                device=device,
                device_model=shocks["device_model"][own][0],
                peak_g=shocks["peak_g"][own].astype(float),
                velocity_change_m_s=shocks["velocity_change_m_s"][own].astype(float),
                looks=tuple(looks.get(device, ())),
                broken_after=tuple(broken.get(device, ())),
            )
            for device, own in _spans(shocks["device"]).items()
            if devices is None or device in devices
        ]
    )


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
    from durability.latent import judge_latent_link

    day = typed_date(on, option="--on") if on else date.today()  # noqa: DTZ011 - the bench's day
    histories = device_histories(session)
    with database.reading(session.store) as connection:
        devices = bench.fetch(connection, "devices")
        quarantined = quarantine.quarantines(connection)
    return LatentAnswer(
        link=judge_latent_link(histories, on_day=_day_number(day)),
        doses=device_doses(histories, until_failed=True),
        not_in_use={row["device"]: row["status"] for row in devices if row["status"] != IN_USE},
        quarantined=tuple(quarantined),
        caveats=latent_caveats(session, histories),
    )


def latent_caveats(session: Session, histories: Sequence[DeviceHistory]) -> LatentCaveats:
    """What the verdict on these devices hangs on.

    Parameters
    ----------
    session : Session
        Store and person.
    histories : sequence of DeviceHistory
        The devices judged.

    Returns
    -------
    LatentCaveats
        Intermittent functions of these devices; the declarations, judged over them.
    """
    judged = {history.device for history in histories}
    with database.reading(session.store) as connection:
        rules = confirm_rules(connection)
        intermittent = intermittent_checks(connection, rules)
        first_look_at = declaration.first_follow_up(connection)
        declared = declaration.declarations(connection, histories, first_look_at)
    return LatentCaveats(
        intermittent=tuple(row for row in intermittent if row["device"] in judged),
        without_unconfirmed=_without_unconfirmed(histories, rules),
        first_follow_up_at=first_look_at,
        declarations=declared,
    )


def _without_unconfirmed(
    histories: Sequence[DeviceHistory], rules: Mapping[str, Mapping[str, tuple[int, int]]]
) -> LatentUnder | None:
    """The verdict with the fails left out that no further look confirmed."""
    from durability.latent.intermittent import without_unconfirmed
    from durability.latent.judgement import link_verdict
    from durability.latent.study import assemble

    kept = [without_unconfirmed(history, rules.get(history.device, {})) for history in histories]
    changed = sum(new is not old for new, old in zip(kept, histories, strict=True))
    return LatentUnder(changed, *link_verdict(assemble(kept))) if changed else None


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
