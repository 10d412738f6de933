"""What a picture needs beyond a study: pulses, spectra, survival curves, the rig's charts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from durability.life.results import LivedCase, SurvivalCurve
from durability.pulse.results import PulseCloud, PulseTrace, ShockSpectrum
from durability.record.errors import UnusableCall
from durability.record.vocabulary import BARE
from durability.rig.results import RigWatch
from durability.store import bench, database
from durability.wear.results import CushionCurve, Pad
from durability.workflow.histories import find_scope, spans_of
from durability.workflow.results import SeriesPicture, SurvivalPicture, Under
from durability.workflow.rig import watch
from durability.workflow.series import list_series
from durability.workflow.session import Session
from durability.workflow.show import show_pulses
from durability.workflow.study import Study

MOST_WAVEFORMS = 60
"""Waveforms of one picture; more of them say no more."""


def comparable(
    study: Study, shown: Sequence[SeriesPicture] | None = None
) -> tuple[list[SeriesPicture], int]:
    """Series that the ranking compares under its first condition, and how many others there are.

    Parameters
    ----------
    study : Study
        Sorts series into conditions.
    shown : sequence of SeriesPicture, optional
        Its pictures, where they are known already.
    """
    shown = study.pictures() if shown is None else shown
    first = next(iter(study.conditions().values()), [])
    codes = {each.series for each in first}
    kept = [each for each in shown if each.trend.series in codes]
    return kept, len(shown) - len(kept)


def survival(study: Study) -> SurvivalPicture:
    """Share of each case model's cases that have not failed, by drop of their life.

    Parameters
    ----------
    study : Study
        Sorts cases into conditions: those of the first are shown.
    """
    from durability.life.turnbull import survival_band

    every = study.case_lives()
    condition, lives = next(iter(every.items()), (None, []))
    groups: dict[str, list[LivedCase]] = defaultdict(list)
    for life in lives:
        if life.case_model is not None:
            groups[life.case_model].append(life)
    curves = []
    for group, members in sorted(groups.items()):
        failed, lasted = (
            np.array([each.drops for each in members if each.failed == wanted], dtype=np.int64)
            for wanted in (True, False)
        )
        level = study.limit.level
        begins, share, lower, upper = survival_band(failed, lasted, level)
        curves.append(SurvivalCurve(group, failed, lasted, begins, share, lower, upper, level))
    shown = sum(map(len, groups.values()))
    return SurvivalPicture(tuple(curves), condition, sum(map(len, every.values())) - shown)


def cushions(session: Session, study: Study) -> tuple[CushionCurve, ...]:
    """Peak g of the first and of the later drops against static stress, of models with a pad.

    Parameters
    ----------
    session : Session
        Store and person.
    study : Study
        Of the series to be shown.
    """
    from durability.wear.cushion import cushion_curves

    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "model_pads", case_model=None)
    return cushion_curves(study.histories, {row["case_model"]: Pad(**row) for row in rows})


def pulse_clouds(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    under: Under | None = None,
) -> tuple[list[PulseCloud], list[float]]:
    """Peak and duration of every drop by case model, and the drop heights behind them.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these.
    under : Under, optional
        Keep only such conditions.

    Returns
    -------
    clouds : list of PulseCloud
        In order of case model, bare last.
    drop_heights_mm : list of float
        Those recorded, ascending.
    """
    with database.reading(session.record) as connection:
        scope = find_scope(connection, series, case_models, under=under)
    return clouds_of(session, list_series(session, list(scope.series)) if scope.series else [])


def clouds_of(
    session: Session, asked: Sequence[Mapping[str, Any]]
) -> tuple[list[PulseCloud], list[float]]:
    """As ``pulse_clouds``, of series whose rows are known."""
    if not asked:
        return [], []
    wanted = {row["series"]: row for row in asked}
    with database.reading(session.record) as connection:
        drops = bench.fetch_arrays(connection, "pulses_of_series", series=list(wanted))
    groups: dict[str, list[slice]] = defaultdict(list)
    age = np.empty(len(drops["series"]))
    for code, own in spans_of(drops["series"]).items():
        row = wanted[code]
        groups[row["case_model"] or ("case of no model" if row["case"] else BARE)].append(own)
        age[own] = (drops["drop_number"][own] - 1) / (max(row["last_drop_number"], 2) - 1)
    timed = drops["pulse_duration_ms"].astype(float) > 0
    both = timed & (drops["peak_g"].astype(float) > 0)
    is_void = drops["is_void"].astype(bool)
    clouds = []
    for group, some in sorted(groups.items(), key=lambda item: (item[0] == BARE, item[0])):
        of_group = np.concatenate([np.arange(own.start, own.stop) for own in some])
        shown = of_group[both[of_group]]
        clouds.append(
            PulseCloud(
                group=group,
                series=len(some),
                peak_g=drops["peak_g"][shown].astype(float),
                pulse_duration_ms=drops["pulse_duration_ms"][shown].astype(float),
                age=age[shown],
                voided=is_void[shown],
                without_duration=int((~is_void & ~timed)[of_group].sum()),
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
    with database.reading(session.record) as connection:
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
    from durability.pulse.spectrum import (
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


def rig_watched(session: Session, series: str | None = None) -> RigWatch | None:
    """A reference series on its charts: the one named, else that with the most drops."""
    watched = watch(session, None if series is None else [series])
    return max(watched, key=lambda each: each.drops, default=None)
