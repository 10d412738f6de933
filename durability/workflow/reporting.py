"""Everything that one report shows, gathered from the record and from the models."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.errors import RecordRefused
from durability.records import DropHistory
from durability.results import (
    ClaimAnswer,
    Comparison,
    Ranking,
    ReportContents,
    ReportScope,
    SeriesPicture,
    SeriesWaveforms,
    Trend,
    WearFit,
)
from durability.store import bench, database, saved_queries
from durability.version import PROGRAM_VERSION
from durability.vocabulary import HEIGHT_TOLERANCE
from durability.workflow import follow_up, judge, pictures
from durability.workflow.claims import judge_claim
from durability.workflow.rig import watch
from durability.workflow.selfcheck import now, run_selfcheck, versions
from durability.workflow.series import series_rows
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.records import DeviceHistory
    from durability.results import DoseCurve, Forecast, LatentCaveats, LatentLink

STEPS = (
    "reading the record",
    "fitting the wear of each case",
    "forecasting drops to failure",
    "ranking the case models",
    "putting voided drops back",
    "comparing with bare drops",
    "looking at waveforms",
    "weighing shocks against later failures",
    "watching the rig",
    "checking the program",
)
"""What is told, one after the other, while a report is gathered."""

MOST_FANS = 12
"""Series whose level to come is worked out: those that fail next."""

MOST_WITH_WAVEFORMS = 3
"""Series whose waveforms are shown."""

SPECTRUM_Q = 10.0
"""5 % damping, common practice."""

_STATEMENTS = (
    ("list_series", "Series of the scope with their conditions"),
    ("readings", "Valid readings that every estimate rests on"),
    ("readings_with_voided", "The same with voided readings put back"),
    ("case_damage", "Damage that ends a case's life"),
    ("device_drops", "Shocks that each device lived through"),
    ("device_checks", "Functional checks of each device"),
    ("report_counts", "Counts of the record"),
    ("report_damage", "Damage notes"),
    ("report_amendments", "Amendments"),
    ("report_deviations", "Deviations"),
    ("report_sensors", "Sensors and their calibration"),
    ("report_uncertainty", "Uncertainty of single readings"),
    ("report_sources", "Files and people"),
)
_QUESTIONS = ("voided_drops", "source_of_drop")


def gather_report(
    session: Session,
    *,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    specimen: str | None = None,
    plan: str | None = None,
    on: date,
    claim_pct: float | None = None,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    told: Callable[[str], None] = lambda _: None,
) -> ReportContents:
    """All that a report on the whole record, or on a part of it, shows.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models, specimen, plan : optional
        Keep only these series, case models, what one specimen lived through, or the devices that
        follow one follow-up plan; at most one of the four.
    on : date
        Day as of which inspections and calibrations are due.
    claim_pct : float, optional
        Judge for each case model whether it reduces the peak g of bare drops by so many percent.
    level, limit_g, limit_rise, horizon : float, float or None, float, int
        As in :func:`durability.forecast.forecast`.
    told : callable
        Called with each of ``STEPS`` as it begins.

    Returns
    -------
    ReportContents
        Whatever the record lacks is empty or None.

    Raises
    ------
    RecordRefused
        A series, case model, specimen or plan is not in the store.
    UnusableCall
        A limit, level or horizon is out of its range.
    """
    judge.refuse_unusable_limits(level, limit_g, limit_rise, horizon)
    told(STEPS[0])
    scope = _scope(session, series, case_models, specimen, plan)
    rows, about = _rows(session, scope)
    histories = [each for each in _histories(session, scope.series) if each.drops]
    siblings = _siblings(session, scope, histories)
    limit: dict[str, Any] = {"limit_g": limit_g, "limit_rise": limit_rise, "horizon": horizon}

    told(STEPS[1])
    from durability.trend import judge_trends
    from durability.wear import fit_wear

    fits = fit_wear([*histories, *siblings])
    trends = judge_trends(histories, fits[: len(histories)])

    told(STEPS[2])
    from durability.forecast import forecast

    forecasts = forecast([*histories, *siblings], level=level, fits=fits, **limit)
    fans = _fans(fits[: len(histories)], forecasts, level=level, **limit)
    shown = _pictures(histories, trends, forecasts, fans, rows["voided"])
    comparable, _ = pictures.comparable(shown)

    told(STEPS[3])
    from durability.compare import rank

    has_models = any(each.case_model is not None for each in histories)
    alike = {each.trend.series for each in comparable}
    shared = _by_series(histories, fits[: len(histories)])
    own: dict[str, WearFit] = {}
    ranking = None
    if has_models:
        own = _by_series(histories, fit_wear(histories, share=False))
        ranking = rank(histories, fits=[*shared.values()], own_fits=[*own.values()], **limit)
    comparable_ranking = ranking
    if len(alike) < len(histories) and alike:
        some = [each for each in histories if each.series in alike]
        comparable_ranking = rank(some, own_fits=[own[each.series] for each in some], **limit)

    told(STEPS[4])
    readable = {row["series"] for row in rows["voided"] if row["peak_g"] is not None}
    put_back: dict[str, Trend] = {}
    ranking_with_voided = ranking
    if readable:
        put_back, ranking_with_voided = _with_voided(
            session, scope, readable, shared=shared, own=own, limit=limit
        )

    told(STEPS[5])
    models = sorted({each.case_model for each in histories if each.case_model is not None})
    comparisons = [] if scope.kind == "series" else _against_bare(session, models)

    told(STEPS[6])
    waveforms = _waveforms(session, trends)

    told(STEPS[7])
    link, curve, caveats = _link(session, scope)
    lines = pictures.life_lines(session, scope.devices) if scope.devices else []

    told(STEPS[8])
    rig = watch(session)

    told(STEPS[9])
    selfcheck = run_selfcheck()

    owed = follow_up.due(session, on.isoformat(), 0)
    clouds, heights = pictures.pulse_clouds(session, scope.series) if scope.series else ([], [])
    return ReportContents(
        digest=_digest(scope, about, on, {"level": level, "claim": claim_pct, **limit}),
        made_at=now(),
        made_by=session.person,
        on=on,
        store=session.store.name,
        invented=pictures.is_invented(session),
        versions={**versions(), "schema step": str(about["schema_step"])},
        scope=scope,
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
        counts=rows["counts"],
        series=tuple(rows["series"]),
        pictures=tuple(shown),
        ranking=ranking,
        ranking_with_voided=ranking_with_voided,
        put_back=put_back,
        comparable=tuple(comparable),
        survival=tuple(pictures.survival_curves(comparable, level)),
        comparable_ranking=comparable_ranking,
        comparisons=tuple(comparisons),
        clouds=tuple(clouds),
        drop_heights_mm=tuple(heights),
        waveforms=tuple(waveforms),
        damage=tuple(rows["damage"]),
        voided=tuple(rows["voided"]),
        link=link,
        caveats=caveats,
        dose_curve=curve,
        life_lines=tuple(lines),
        check_tables=(
            tuple(pictures.check_tables(session)) if scope.kind == "whole record" else ()
        ),
        due=tuple(each for each in owed.due if each.device in scope.devices),
        quarantined=tuple(each for each in owed.quarantined if each.device in scope.devices),
        rig=tuple(rig),
        sensors=tuple(rows["sensors"]),
        amendments=tuple(rows["amendments"]),
        deviations=tuple(rows["deviations"]),
        sources=tuple(rows["sources"]),
        uncertainty=rows["uncertainty"],
        last_entered_at_utc=about["last_entered_at_utc"],
        statements=_statements(),
        selfcheck=selfcheck,
        boundaries=tuple(judge.damage_boundaries(session, scope.devices)),
        claims=() if claim_pct is None else tuple(_claims(session, models, claim_pct, level)),
    )


# --------------------------------------------------------------------------------- what it is about


def _scope(
    session: Session,
    series: Sequence[str] | None,
    case_models: Sequence[str] | None,
    specimen: str | None,
    plan: str | None,
) -> ReportScope:
    with database.reading(session.store) as connection:
        rows = series_rows(connection, series, case_models, purpose=None if series else "test")
        devices = [row["device"] for row in bench.fetch(connection, "devices")]
        if specimen is not None:
            kind = bench.find(connection, "specimen", specimen)["kind"]
            rows = [row for row in rows if row["case" if kind == "case" else "device"] == specimen]
            own = [specimen] if kind == "device" else _dropped(rows, devices)
            return ReportScope("specimen", (specimen,), _codes(rows), tuple(own))
        if plan is not None:
            known = {row["name"] for row in bench.fetch(connection, "follow_up_plans")}
            if plan not in known:
                raise RecordRefused(
                    f"plan {plan!r}: not in the store (known: {', '.join(sorted(known)) or 'none'})"
                )
            followers = [
                row["device"]
                for row in bench.fetch(connection, "device_plans")
                if row["plan"] == plan
            ]
            rows = [row for row in rows if row["device"] in followers]
            return ReportScope("follow-up plan", (plan,), _codes(rows), tuple(sorted(followers)))
    if series:
        return ReportScope("series", tuple(series), _codes(rows), tuple(_dropped(rows, devices)))
    if case_models:
        names = tuple(case_models)
        return ReportScope("case model", names, _codes(rows), tuple(_dropped(rows, devices)))
    return ReportScope("whole record", (), _codes(rows), tuple(devices))


def _codes(rows: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    return tuple(row["series"] for row in rows)


def _dropped(rows: Sequence[dict[str, Any]], devices: Sequence[str]) -> list[str]:
    dropped = {row["device"] for row in rows}
    return [device for device in devices if device in dropped]


def _rows(session: Session, scope: ReportScope) -> tuple[dict[str, Any], dict[str, Any]]:
    """Rows of the record within the scope, and what the record stands at."""
    series, devices = list(scope.series), list(scope.devices)
    with database.reading(session.store) as connection:
        rows: dict[str, Any] = {
            "series": series_rows(connection, series, None, purpose=None) if series else [],
            "counts": bench.fetch(connection, "report_counts", series=series, devices=devices)[0],
            "damage": bench.fetch(connection, "report_damage", series=series),
            "amendments": bench.fetch(
                connection, "report_amendments", series=series, devices=devices
            ),
            "deviations": bench.fetch(
                connection, "report_deviations", series=series, height_tolerance=HEIGHT_TOLERANCE
            ),
            "sources": bench.fetch(connection, "report_sources", series=series, devices=devices),
            "sensors": bench.fetch(connection, "report_sensors", series=series),
            "uncertainty": bench.fetch(connection, "report_uncertainty", series=series)[0],
        }
        about = bench.fetch(connection, "record_state")[0]
    questions = saved_queries.saved_queries([])
    voided = saved_queries.run_query(session.store, questions["voided_drops"], {})
    named = (dict(zip(voided.columns, row, strict=True)) for row in voided.rows)
    rows["voided"] = [row for row in named if row["series"] in scope.series]
    return rows, about


def _statements() -> tuple[tuple[str, str, str], ...]:
    questions = saved_queries.saved_queries([])
    asked = [(name, questions[name].title, questions[name].sql) for name in _QUESTIONS]
    return (
        *((name, words, database.statement(name)) for name, words in _STATEMENTS),
        *asked,
    )


def _digest(
    scope: ReportScope, about: dict[str, Any], on: date, asked: dict[str, float | None]
) -> str:
    """The same for the same record, scope, day, limits and version; else another."""
    stands_for = json.dumps(
        [
            scope.kind,
            scope.names,
            about["last_entry_id"],
            about["entries"],
            on.isoformat(),
            asked,
            PROGRAM_VERSION,
        ]
    )
    return hashlib.sha256(stands_for.encode()).hexdigest()[:10]


# --------------------------------------------------------------------------------- wear


def _histories(
    session: Session, series: Sequence[str], *, with_voided: bool = False
) -> list[DropHistory]:
    return judge.drop_histories(session, series, with_voided=with_voided) if series else []


def _siblings(
    session: Session,
    scope: ReportScope,
    histories: Sequence[DropHistory],
    *,
    with_voided: bool = False,
) -> list[DropHistory]:
    """Other series of the same case models: they inform the fits, and are not shown."""
    if scope.kind == "whole record":
        return []
    models = {each.case_model for each in histories if each.case_model is not None}
    return [
        each
        for each in judge.drop_histories(session, with_voided=with_voided)
        if each.series not in scope.series and each.case_model in models
    ]


def _with_voided(
    session: Session,
    scope: ReportScope,
    readable: Set[str],
    *,
    shared: Mapping[str, WearFit],
    own: Mapping[str, WearFit],
    limit: Mapping[str, Any],
) -> tuple[dict[str, Trend], Ranking | None]:
    """Trends of the series with voided readings, and the ranking, with these put back.

    ``shared`` and ``own`` are the fits without them: only what shares a case model with a voided
    reading is fitted again.
    """
    from durability.compare import rank
    from durability.trend import judge_trends
    from durability.wear import fit_wear

    again = [each for each in _histories(session, scope.series, with_voided=True) if each.drops]
    models = {each.case_model for each in again if each.series in readable}
    touched = [each for each in again if each.case_model in models]
    others = _siblings(session, scope, touched, with_voided=True)
    fits = fit_wear([*touched, *others])[: len(touched)]
    trends = judge_trends(touched, fits)
    put_back = {each.series: each for each in trends if each.series in readable}
    if not own:
        return put_back, None
    alone = [each for each in touched if each.series in readable]
    shared = {**shared, **_by_series(touched, fits)}
    own = {**own, **_by_series(alone, fit_wear(alone, share=False))}
    ranking = rank(
        again,
        fits=[shared[each.series] for each in again],
        own_fits=[own[each.series] for each in again],
        **limit,
    )
    return put_back, ranking


def _by_series(histories: Sequence[DropHistory], fits: Sequence[WearFit]) -> dict[str, WearFit]:
    return {history.series: fit for history, fit in zip(histories, fits, strict=True)}


def _fans(
    fits: Sequence[WearFit],
    forecasts: Sequence[Forecast],
    *,
    level: float,
    limit_g: float | None,
    limit_rise: float,
    horizon: int,
) -> dict[str, Any]:
    """The level to come of the series that fail next."""
    from durability.fan import level_fan

    medians = {
        each.series: each.drops_to_failure.median
        for each in forecasts
        if not each.failed and each.limit_g is not None
    }
    next_ones = sorted(
        (median, fit.series, fit) for fit in fits if (median := medians.get(fit.series)) is not None
    )[:MOST_FANS]
    longest = max((fit.last_drop_number for _, _, fit in next_ones), default=0)
    return {
        series: level_fan(
            fit,
            farthest=int(pictures.FAN_REACH * max(median, longest)),
            limit_g=limit_g,
            limit_rise=limit_rise,
            horizon=horizon,
            level=level,
        )
        for median, series, fit in next_ones
    }


def _pictures(
    histories: Sequence[DropHistory],
    trends: Sequence[Trend],
    forecasts: Sequence[Forecast],
    fans: dict[str, Any],
    voided: Sequence[dict[str, Any]],
) -> list[SeriesPicture]:
    left_out: dict[str, list[dict[str, Any]]] = {}
    for row in voided:
        left_out.setdefault(row["series"], []).append(row)
    by_code = {each.series: each for each in forecasts}
    nothing = np.empty(0, dtype=np.int64)
    return [
        SeriesPicture(
            trend=trend,
            forecast=by_code[history.series],
            device=history.device,
            condition=history.condition,
            voided_drop_number=np.array(
                [row["drop_number"] for row in left_out.get(history.series, [])], dtype=np.int64
            ),
            voided_peak_g=np.array(
                [row["peak_g"] for row in left_out.get(history.series, [])], dtype=float
            ),
            damage_drop_number=(
                nothing if history.damage_drop_number is None else history.damage_drop_number
            ),
            damage_severity=nothing if history.damage_severity is None else history.damage_severity,
            fan=fans.get(history.series),
        )
        for history, trend in zip(histories, trends, strict=True)
    ]


def _waveforms(session: Session, trends: Sequence[Trend]) -> list[SeriesWaveforms]:
    """Pulses and spectra of the fastest rising series among those with waveforms."""
    with database.reading(session.store) as connection:
        rows = bench.fetch(connection, "waveform_drops", series=None)
    recorded = {row["series"] for row in rows}
    shown = sorted(
        (each for each in trends if each.series in recorded),
        key=lambda each: (-(each.rise_pct_per_drop or 0.0), each.series),
    )[:MOST_WITH_WAVEFORMS]
    found = []
    for each in shown:
        traces, of = pictures.pulse_traces(session, each.series)
        numbers, spectrum, left_out = pictures.series_spectra(traces, q=SPECTRUM_Q)
        found.append(SeriesWaveforms(tuple(traces), of, tuple(numbers), spectrum, left_out))
    return found


def _against_bare(session: Session, models: Sequence[str]) -> list[Comparison]:
    """How far each case model reduces the peak g of bare drops, under conditions they share."""
    from durability.compare import compare

    def bare(*, with_voided: bool) -> list[DropHistory]:
        histories = judge.drop_histories(session, with_voided=with_voided)
        return [each for each in histories if each.case is None]

    readings, put_back = bare(with_voided=False), bare(with_voided=True)
    if not any(each.drop_number.size for each in readings):
        return []
    return [
        compare(
            readings,
            judge.drop_histories(session, None, [model]),
            a=judge.BARE,
            b=model,
            a_with_voided=put_back,
            b_with_voided=judge.drop_histories(session, None, [model], with_voided=True),
        )
        for model in models
    ]


# --------------------------------------------------------------------------------- devices, claims


def _link(
    session: Session, scope: ReportScope
) -> tuple[LatentLink | None, DoseCurve | None, LatentCaveats | None]:
    """Whether later failures go with shocks: of a plan's own devices, else of the whole record."""
    from durability.latent import LITERATURE_EXPONENT, judge_latent_link
    from durability.latent.dose_curve import dose_curve

    if not scope.devices:
        return None, None, None
    histories: list[DeviceHistory] = judge.device_histories(session)
    if scope.kind == "follow-up plan":
        histories = [each for each in histories if each.device in scope.devices]
    link = judge_latent_link(histories)
    curve = dose_curve(histories, exponent=link.dose_exponent or LITERATURE_EXPONENT)
    own = tuple(each for each in link.per_device if each.device in scope.devices)
    return replace(link, per_device=own), curve, judge.latent_caveats(session, histories)


def _claims(
    session: Session, models: Sequence[str], at_least_pct: float, level: float
) -> list[ClaimAnswer]:
    """Whether each case model reduces the peak g of bare drops as claimed, where both are there."""
    answers = []
    for model in models:
        try:
            answers.append(
                judge_claim(session, judge.BARE, model, at_least_pct, after_drops=None, level=level)
            )
        except RecordRefused:
            continue  # not dropped bare, or never with the same kind: nothing to claim
    return answers
