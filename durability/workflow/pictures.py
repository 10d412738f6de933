"""What each picture shows, gathered from the record and from the models."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.errors import RecordRefused, UnusableCall
from durability.results import (
    CheckTable,
    DoseCurve,
    Forecast,
    LatentLink,
    LevelFan,
    LifeLine,
    PulseCloud,
    PulseTrace,
    Ranking,
    RigWatch,
    SeriesPicture,
    ShockSpectrum,
    SurvivalCurve,
)
from durability.store import bench, database
from durability.workflow import judge
from durability.workflow.demo import is_demo
from durability.workflow.rig import watch
from durability.workflow.series import list_drops, list_series
from durability.workflow.session import Session
from durability.workflow.show import show_pulses

if TYPE_CHECKING:
    from durability.records import DeviceHistory, DropHistory

FAN_REACH = 2.5
"""A fan reaches so many times the median drop of failure, or the drops of the longest series."""

MOST_WAVEFORMS = 60
"""Waveforms of one picture; more of them say no more."""

WEEK_STRETCHES = (
    (0, 0), (1, 1), (2, 2), (3, 4), (5, 8), (9, 13), (14, 26), (27, 52), (53, None),
)  # fmt: skip
"""First and last whole week after the last drop: about twice as long each time, as looks are."""


def is_invented(session: Session) -> bool:
    """Whether the store holds the invented scenario and nothing else."""
    return is_demo(session.store)


def series_pictures(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    with_fan: bool = False,
) -> list[SeriesPicture]:
    """Every series with its judgement, its forecast and what was left out.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these.
    level, limit_g, limit_rise, horizon : float, float or None, float, int
        As in :func:`durability.forecast.forecast`.
    with_fan : bool
        Work out the level to come, too.

    Returns
    -------
    list of SeriesPicture
        In order of series code; series without any drop are left out unless named.
    """
    histories = [
        history
        for history in judge.drop_histories(session, series, case_models)
        if history.drops or series
    ]
    trends = {each.series: each for each in judge.judge_series(session, series, case_models)}
    forecasts = judge.forecast_series(
        session,
        series,
        case_models,
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
    )
    by_code = {each.series: each for each in forecasts}
    voided = _voided(session, [history.series for history in histories])
    fans = {}
    if with_fan:
        limit = {"limit_g": limit_g, "limit_rise": limit_rise, "horizon": horizon, "level": level}
        fans = _fans(session, histories, by_code, limit)
    return [
        SeriesPicture(
            trend=trends[history.series],
            forecast=by_code[history.series],
            device=history.device,
            condition=history.condition,
            voided_drop_number=voided[history.series][0],
            voided_peak_g=voided[history.series][1],
            damage_drop_number=_whole(history.damage_drop_number),
            damage_severity=_whole(history.damage_severity),
            fan=fans.get(history.series),
        )
        for history in histories
    ]


def comparable(pictures: Sequence[SeriesPicture]) -> tuple[list[SeriesPicture], int]:
    """Series in a case under the commonest condition, and how many others there are.

    Levels and lives are comparable only within one drop height, surface and orientation.
    """
    in_case = [each for each in pictures if each.trend.case_model is not None]
    if not in_case:
        return [], len(pictures)
    drops: Counter[Any] = Counter()
    for each in in_case:
        drops[each.condition] += each.trend.drops
    condition = drops.most_common(1)[0][0]
    kept = [each for each in in_case if each.condition == condition]
    return kept, len(pictures) - len(kept)


def ranking_of(session: Session, pictures: Sequence[SeriesPicture]) -> Ranking | None:
    """Which of these series' case models wears fastest; None without series."""
    codes = [each.trend.series for each in pictures]
    return judge.rank_wear(session, codes, by="case_model") if codes else None


def survival_curves(pictures: Sequence[SeriesPicture], level: float) -> list[SurvivalCurve]:
    """Share of each case model's series that have not failed, by drop.

    Parameters
    ----------
    pictures : sequence of SeriesPicture
        Of one condition.
    level : float
        Content of the band.

    Returns
    -------
    list of SurvivalCurve
        In order of case model.
    """
    from durability.life.survival_band import survival_band

    groups: dict[str, list[SeriesPicture]] = defaultdict(list)
    for picture in pictures:
        if picture.trend.drops:
            groups[picture.trend.case_model or "no model"].append(picture)
    curves = []
    for group, members in sorted(groups.items()):
        forecasts = [each.forecast for each in members]
        failed = np.array(
            [each.failed_at_drop for each in forecasts if each.failed_at_drop is not None],
            dtype=np.int64,
        )
        lasted = np.array(
            [each.drops for each in forecasts if each.failed_at_drop is None], dtype=np.int64
        )
        begins, survival, lower, upper = survival_band(failed, lasted, level)
        curves.append(SurvivalCurve(group, failed, lasted, begins, survival, lower, upper, level))
    return curves


def pulse_clouds(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
) -> tuple[list[PulseCloud], list[float]]:
    """Peak and duration of every drop by case model, and the drop heights behind them.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these.

    Returns
    -------
    clouds : list of PulseCloud
        In order of case model, bare last.
    drop_heights_mm : list of float
        Those recorded, ascending.
    """
    wanted = {
        row["series"]: row
        for row in list_series(session, series, case_models)
        if series or row["purpose"] == "test"
    }
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in list_drops(session, list(wanted) or None):
        if row["series"] in wanted:
            model = wanted[row["series"]]["case_model"]
            case = wanted[row["series"]]["case"]
            rows[model or ("case of no model" if case else judge.BARE)].append(row)
    clouds = []
    for group, drops in sorted(rows.items(), key=lambda item: (item[0] == judge.BARE, item[0])):
        both = [drop for drop in drops if drop["peak_g"] and drop["pulse_duration_ms"]]
        last = {code: max(row["last_drop_number"], 2) for code, row in wanted.items()}
        clouds.append(
            PulseCloud(
                group=group,
                series=len({drop["series"] for drop in drops}),
                peak_g=np.array([drop["peak_g"] for drop in both], dtype=float),
                pulse_duration_ms=np.array(
                    [drop["pulse_duration_ms"] for drop in both], dtype=float
                ),
                age=np.array(
                    [(drop["drop_number"] - 1) / (last[drop["series"]] - 1) for drop in both],
                    dtype=float,
                ),
                voided=np.array([drop["status"] == "void" for drop in both], dtype=bool),
                without_duration=sum(
                    drop["status"] == "valid" and not drop["pulse_duration_ms"] for drop in drops
                ),
            )
        )
    heights = {row["drop_height_mm"] for row in wanted.values() if row["drop_height_mm"]}
    return clouds, sorted(heights)


def pulse_traces(
    session: Session, series: str | None = None, drop_numbers: Sequence[int] | None = None
) -> tuple[list[PulseTrace], int]:
    """Waveforms of one series, and how many it has.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str, optional
        Its code; by default that with the most waveforms.
    drop_numbers : sequence of int, optional
        Only these, voided ones too; by default all valid ones, of many the first, the last and
        some between.

    Returns
    -------
    traces : list of PulseTrace
        By drop number.
    of : int
        Waveforms that the series has, of valid drops.

    Raises
    ------
    RecordRefused
        No such series or drop, or a drop asked for has no waveform.
    UnusableCall
        Drops are named without their series.
    """
    if drop_numbers and series is None:
        raise UnusableCall("--series: missing beside --drop; name the series of these drops")
    with database.reading(session.store) as connection:
        if series is not None:
            bench.find(connection, "series", series)
        rows = bench.fetch(connection, "waveform_drops", series=series)
    if series is None and rows:
        series = Counter(row["series"] for row in rows).most_common(1)[0][0]
    known = [row["drop_number"] for row in rows if row["series"] == series]
    wanted = sorted(drop_numbers) if drop_numbers else known
    if len(wanted) > MOST_WAVEFORMS:
        kept = np.linspace(0, len(wanted) - 1, MOST_WAVEFORMS).round().astype(int)
        wanted = [wanted[at] for at in kept]
    traces = show_pulses(session, series, wanted) if series is not None and wanted else []
    return traces, len(drop_numbers or known)


def series_spectra(
    traces: Sequence[PulseTrace], *, q: float
) -> tuple[list[int], ShockSpectrum | None, int]:
    """Shock response spectra of records of one sample rate on common frequencies.

    Parameters
    ----------
    traces : sequence of PulseTrace
        Of one series.
    q : float
        Amplification at resonance.

    Returns
    -------
    drop_numbers : list of int
        Of the records used.
    spectrum : ShockSpectrum or None
        Arrays of shape (n_records, n_frequencies); None without a record that has an impact.
    left_out : int
        Records at another than the commonest sample rate.
    """
    from durability.spectrum import (
        MAX_FREQUENCY_OVER_SAMPLE_RATE,
        shock_response_spectrum,
        spectrum_frequencies,
    )

    with_impact = [trace for trace in traces if trace.measures.peak_g is not None]
    if not with_impact:
        return [], None, 0
    rates = Counter(trace.measures.sample_rate_hz for trace in with_impact)
    rate_hz = rates.most_common(1)[0][0]
    used = [trace for trace in with_impact if trace.measures.sample_rate_hz == rate_hz]
    shortest = min(trace.raw_g.size for trace in used)
    high_hz = MAX_FREQUENCY_OVER_SAMPLE_RATE * rate_hz
    frequency_hz = spectrum_frequencies(min(max(10.0, 2.0 * rate_hz / shortest), high_hz), high_hz)
    spectra = [shock_response_spectrum(trace.raw_g, rate_hz, frequency_hz, q=q) for trace in used]
    stacked: dict[str, Any] = {
        field.name: np.array([getattr(each, field.name) for each in spectra])
        for field in fields(ShockSpectrum)
        if field.name not in ("method", "q", "sample_rate_hz", "frequency_hz", "beyond_sampling")
    }
    numbers = [trace.drop_number for trace in used]
    return numbers, replace(spectra[0], **stacked), len(with_impact) - len(used)


def life_lines(session: Session, devices: Sequence[str] | None = None) -> list[LifeLine]:
    """What each device lived through and when it failed.

    Parameters
    ----------
    session : Session
        Store and person.
    devices : sequence of str, optional
        Keep only these.

    Returns
    -------
    list of LifeLine
        The largest shock dose first.

    Raises
    ------
    RecordRefused
        A device is not in the store.
    """
    from durability.latent import LITERATURE_EXPONENT, follow_up
    from durability.latent.exposure import REFERENCE_PEAK_G, stand_in_peaks

    histories = judge.device_histories(session)
    known = {history.device for history in histories}
    for code in devices or ():
        if code not in known:
            listed = ", ".join(sorted(known)[:5]) or "none yet"
            raise RecordRefused(f"--device {code!r}: no device of that code (there are: {listed})")
    lines = []
    for history, (likely, _) in zip(histories, stand_in_peaks(histories), strict=True):
        if devices and history.device not in devices:
            continue
        own = follow_up(history)
        shocks = np.where(np.isfinite(likely), likely, 0.0) / REFERENCE_PEAK_G
        lines.append(
            LifeLine(
                history=history,
                state=own.state,
                zero_day=own.zero_day,
                after_days=own.after_days,
                by_days=own.by_days,
                first_failed_functions=own.first_failed_functions,
                shock_dose=np.cumsum(shocks**LITERATURE_EXPONENT),
                dose_exponent=LITERATURE_EXPONENT,
            )
        )
    return sorted(lines, key=lambda line: (-line.shock_dose[-1:].sum(), line.history.device))


def latent_picture(session: Session) -> tuple[LatentLink, DoseCurve | None]:
    """The link between shocks and later failures, and its curve with a band."""
    from durability.latent import LITERATURE_EXPONENT
    from durability.latent.dose_curve import dose_curve

    link = judge.judge_devices(session)
    curve = dose_curve(
        judge.device_histories(session), exponent=link.dose_exponent or LITERATURE_EXPONENT
    )
    return link, curve


def check_tables(session: Session) -> list[CheckTable]:
    """Outcomes by function and weeks after the last drop: dropped devices, then controls."""
    from durability.latent import follow_up

    dropped: list[tuple[DeviceHistory, float]] = []
    controls: list[tuple[DeviceHistory, float]] = []
    for history in judge.device_histories(session):
        zero_day = follow_up(history).zero_day
        if zero_day is not None:
            (dropped if len(history.drop_day) else controls).append((history, zero_day))
    return [
        _check_table(group, members)
        for group, members in (("dropped devices", dropped), ("never dropped", controls))
        if members
    ]


def rig_watched(session: Session, series: str | None = None) -> RigWatch | None:
    """A reference series on its charts: the one named, else that with the most drops."""
    watched = watch(session, None if series is None else [series])
    return max(watched, key=lambda each: each.drops, default=None)


# --------------------------------------------------------------------------------- small steps


def _voided(session: Session, codes: Sequence[str]) -> dict[str, tuple[Any, Any]]:
    """Drop number and peak g of the voided drops of each series."""
    rows = defaultdict(list)
    if codes:
        for row in list_drops(session, codes):
            if row["status"] == "void":
                rows[row["series"]].append(row)
    return {
        code: (
            np.array([row["drop_number"] for row in rows[code]], dtype=np.int64),
            np.array(
                [np.nan if row["peak_g"] is None else row["peak_g"] for row in rows[code]],
                dtype=float,
            ),
        )
        for code in codes
    }


def _fans(
    session: Session,
    histories: Sequence[DropHistory],
    forecasts: dict[str, Forecast],
    limit: dict[str, Any],
) -> dict[str, LevelFan]:
    """The level to come of each series, fitted beside the siblings that inform the forecast."""
    from durability.fan import level_fan
    from durability.wear import fit_wear

    codes = {history.series for history in histories}
    models = {history.case_model for history in histories}
    siblings = [
        history
        for history in judge.drop_histories(session)
        if history.series not in codes and history.case_model in models
    ]
    fans = {}
    longest = max((history.last_drop_number for history in histories), default=0)
    for fit in fit_wear([*histories, *siblings]):
        told = forecasts.get(fit.series)
        if told is None or told.limit_g is None or told.drops_to_failure.median is None:
            continue
        reach = max(told.drops_to_failure.median, longest)
        fans[fit.series] = level_fan(
            fit,
            farthest=int(min(FAN_REACH * reach, max(limit["horizon"], FAN_REACH * longest))),
            **limit,
        )
    return fans


def _whole(values: Any) -> Any:
    return np.empty(0, dtype=np.int64) if values is None else values


def _check_table(group: str, members: Sequence[tuple[DeviceHistory, float]]) -> CheckTable:
    """A device counts once a function and stretch, at its worst outcome there."""
    worst: dict[tuple[str, str, int], int] = {}
    rank = {"pass": 0, "degraded": 1, "fail": 2}
    for history, zero_day in members:
        for day, function, outcome in zip(
            history.check_day, history.check_function, history.check_outcome, strict=True
        ):
            week = np.floor((np.floor(day) - zero_day) / 7.0)
            if outcome not in rank or not week >= 0:
                continue
            stretch = next(
                index
                for index, (_, last) in enumerate(WEEK_STRETCHES)
                if last is None or week <= last
            )
            cell = (history.device, function, stretch)
            worst[cell] = max(worst.get(cell, 0), rank[outcome])
    used = sorted({stretch for _, _, stretch in worst})
    failures = Counter(function for (_, function, _), severity in worst.items() if severity == 2)
    functions = sorted({function for _, function, _ in worst}, key=lambda f: (-failures[f], f))
    counts = np.zeros((3, len(functions), len(used)), dtype=np.int64)
    for (_, function, stretch), severity in worst.items():
        counts[severity, functions.index(function), used.index(stretch)] += 1
    return CheckTable(
        group=group,
        devices=len(members),
        functions=tuple(functions),
        weeks=tuple(WEEK_STRETCHES[stretch] for stretch in used),
        tested=counts.sum(axis=0),
        degraded=counts[1],
        failed=counts[2],
    )
