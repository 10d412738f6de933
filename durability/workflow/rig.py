"""The rig's own health: reference drops watched, drifts noted with the series made meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.life.results import Prediction
from durability.record.basis import counted
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import DropHistory
from durability.rig.results import RecordedMeanwhile, RigNote, RigWatch
from durability.store import bench, database
from durability.workflow.histories import find_scope, histories_in
from durability.workflow.results import Limit, Under
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.plan.results import LabScatter
    from durability.record.records import FloatArray
    from durability.rig.results import GaugeStudy
    from durability.wear.results import Forecast, Trend

GAUGE_FACTORS = ("operator", "sensor", "day", "site")
"""What the record knows to differ between reference drops; by site only where asked."""

INTERVAL_LEVEL = 0.9


@dataclass(frozen=True, slots=True)
class _Reference:
    """Valid drops of one reference series, in order of time where each has one."""

    series: str
    sensor: str | None
    device: str | None
    when: FloatArray
    """Seconds since 1970-01-01 of the bench clock, or drop numbers."""
    ahead_s: FloatArray
    """How far that clock was ahead of UTC."""
    dated: bool
    peak_g: FloatArray
    day: tuple[str | None, ...]
    labels: Mapping[str, tuple[str | None, ...]]


def _references(connection: Any, series: Sequence[str] | None) -> list[_Reference]:
    for code in series or ():
        if bench.find(connection, "series", code)["purpose"] != "reference":
            raise RecordRefused(
                f"series {code!r}: is not a series of reference drops; those are opened with"
                " --purpose reference"
            )
    wanted = list(series) if series else None
    rows = bench.fetch(connection, "reference_series", series=wanted)
    if not rows:
        return []
    columns = bench.fetch_arrays(connection, "reference_readings", series=wanted)
    found = []
    for row in rows:
        own = columns["series"] == row["series"]
        time = columns["bench_s"][own].astype(float)
        number = columns["drop_number"][own].astype(float)
        dated = len(time) > 0 and bool(np.isfinite(time).all())
        order = np.arange(len(time)) if dated else np.argsort(number)
        found.append(
            _Reference(
                series=row["series"],
                sensor=row["sensor"],
                when=time if dated else number[order],
                ahead_s=columns["bench_ahead_s"][own].astype(float),
                dated=dated,
                peak_g=columns["peak_g"][own].astype(float)[order],
                day=tuple(columns["day"][own][order]),
                device=row["device"],
                labels={name: tuple(columns[name][own][order]) for name in GAUGE_FACTORS},
            )
        )
    return found


def watch(session: Session, series: Sequence[str] | None = None) -> list[RigWatch]:
    """Each reference series on its charts, with the test series recorded since a drift.

    Parameters
    ----------
    session : Session
        Store and person.
    series : sequence of str, optional
        Only these reference series.

    Returns
    -------
    list of RigWatch
        In order of series code.

    Raises
    ------
    RecordRefused
        A series is unknown, or holds no reference drops.
    """
    with database.reading(session.record) as connection:
        references = _references(connection, series)
        watched = [_watched(reference) for reference in references]
        return [_with_meanwhile(connection, each) for each in watched]


def _watched(reference: _Reference) -> RigWatch:
    from durability.rig.charts import session_values
    from durability.rig.watch import watch_rig

    when, peak_g, averaged = reference.when, reference.peak_g, False
    if reference.dated:
        when, peak_g, averaged = session_values(when, peak_g, [str(day) for day in reference.day])
    return RigWatch(
        series=reference.series,
        sensor=reference.sensor,
        axis="time" if reference.dated else "drop number",
        drops=len(reference.peak_g),
        sessions=len(set(reference.day)) if reference.dated else None,
        averaged=averaged,
        last_when=float(reference.when[-1]) if len(reference.when) else None,
        health=watch_rig(when, peak_g),
        charted_when=np.asarray(when, dtype=np.float64),
    )


def _with_meanwhile(connection: Any, watched: RigWatch) -> RigWatch:
    since = watched.health.since
    if watched.axis != "time" or since is None:
        return watched
    rows = bench.fetch(connection, "test_spans", series=None, since_s=since)
    return replace(
        watched,
        meanwhile=tuple(
            RecordedMeanwhile(
                series=row["series"],
                case=row["case"],
                case_model=row["case_model"],
                drops=row["drops"],
                begun_before=row["first_s"] < since,
            )
            for row in rows
            if _same_chain(row["sensor"], watched.sensor)
        ),
    )


def _same_chain(one: str | None, other: str | None) -> bool:
    """Whether two series can share what befell the rig: not when another sensor measured."""
    return one is None or other is None or one == other


class RigLedger:
    """Reference drops of a store, asked about the time of test series.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store; used now only.
    """

    def __init__(self, connection: Any) -> None:
        self._references = _references(connection, None)
        self._watched: dict[str, RigWatch] = {}

    def note(self, history: DropHistory) -> RigNote | None:
        """What the reference drops say of the time of a series; None when they say nothing.

        Parameters
        ----------
        history : DropHistory
            Valid drops of the series.

        Returns
        -------
        RigNote or None
            By the reference series with the same sensor that has most drops.
        """
        reference = self._reference_for(history)
        times = _times(history, reference)
        if reference is None or times is None:
            return None
        watched = self._watched.get(reference.series)
        if watched is None:
            watched = self._watched[reference.series] = _watched(reference)
        since = watched.health.since
        drifted = since is not None and float(times.max()) >= since
        return RigNote(
            reference_series=reference.series,
            drifted=drifted,
            since=since if drifted else None,
            drift_pct=watched.health.drift_pct if drifted else None,
            scatter_pct=watched.health.scatter_pct,
            corrected=False,
        )

    def corrected(
        self, history: DropHistory, *, absolute: bool
    ) -> tuple[tuple[DropHistory, DropHistory, DropHistory], RigNote]:
        """A series with the rig's drift divided out, and at either end of what that is known to.

        Parameters
        ----------
        history : DropHistory
            Valid drops as read.
        absolute : bool
            Whether its level itself matters (a limit in g), not only how it changes.

        Returns
        -------
        histories : tuple of three DropHistory
            Divided by the factor, and by the factor at the upper and at the lower end of its 90 %
            interval since the first drop of the series: the least and the most rise.
        note : RigNote
            With the reason where nothing could be divided out.
        """
        from durability.rig.watch import rig_correction

        reference = self._reference_for(history)
        times = _times(history, reference)
        note = self.note(history) or RigNote("", False, None, None, None, False)
        reason = None
        if reference is None:
            reason = "no reference drops with this sensor"
        elif times is None or not reference.dated:
            reason = "drops or reference drops have no time"
        if reference is None or times is None or reason:
            return (history, history, history), replace(note, reason=reason)
        log_peak = np.log(reference.peak_g)
        try:
            level = rig_correction(reference.when, log_peak, times)
            drift = rig_correction(reference.when, log_peak, times, relative_to=float(times[0]))
        except UnusableCall as error:
            return (history, history, history), replace(note, reason=str(error))
        reach = drift.factor_log_se + (level.factor_log_se[0] if absolute else 0.0)
        steady = np.asarray(history.peak_g) / level.factor
        edge = np.exp(1.645 * reach)
        histories = tuple(
            replace(history, peak_g=peak_g) for peak_g in (steady, steady / edge, steady * edge)
        )
        return (histories[0], histories[1], histories[2]), replace(
            note,
            corrected=True,
            correction_first_pct=100.0 * float(level.factor[0] - 1.0),
            correction_latest_pct=100.0 * float(level.factor[-1] - 1.0),
            correction_se_pct=100.0 * float(drift.factor_log_se[-1]),
        )

    def _reference_for(self, history: DropHistory) -> _Reference | None:
        fitting = [
            each
            for each in self._references
            if len(each.peak_g) and _same_chain(each.sensor, history.sensor)
        ]
        same = [each for each in fitting if history.sensor and each.sensor == history.sensor]
        return max(same or fitting, key=lambda each: len(each.peak_g), default=None)


def _times(history: DropHistory, reference: _Reference | None) -> FloatArray | None:
    """Times of the valid drops on the axis of a reference series; None when none has one.

    Gaps are filled from their neighbours.
    """
    times = history.dropped_at_s
    if reference is None or times is None or not len(times) or not np.isfinite(times).any():
        return None
    known = np.isfinite(times)
    filled = np.interp(history.drop_number, history.drop_number[known], times[known])
    if not reference.dated:
        return filled
    since = np.searchsorted(reference.when - reference.ahead_s, filled, side="right") - 1
    ahead_s: FloatArray = reference.ahead_s[since.clip(min=0)]
    return filled + ahead_s


def study_gauge(
    session: Session,
    series: Sequence[str] | None = None,
    factors: Sequence[str] | None = None,
    *,
    part_sd_pct: float | None = None,
) -> tuple[GaugeStudy, str]:
    """Repeatability and reproducibility from reference drops, everyday or designed.

    Parameters
    ----------
    session : Session
        Store and person.
    series : sequence of str, optional
        Only these reference series; several are the specimens of the study, by site their
        devices.
    factors : sequence of str, optional
        Of ``GAUGE_FACTORS``; by default each but the site that was recorded for every drop.
    part_sd_pct : float, optional
        Standard deviation between specimens in percent, where there is one reference series; by
        default that between the cases of a model in this store.

    Returns
    -------
    study : GaugeStudy
        Of log peak g: a standard deviation of 0.02 is 2 %.
    part_words : str
        Where the specimens' share comes from.

    Raises
    ------
    RecordRefused
        Fewer than two reference drops, or a factor was not recorded for every drop.
    UnusableCall
        What ``gauge_study`` refuses.
    """
    from durability.rig.gauge import gauge_study

    with database.reading(session.record) as connection:
        references = [each for each in _references(connection, series) if len(each.peak_g)]
    drops = sum(len(each.peak_g) for each in references)
    if drops < 2:
        raise RecordRefused(
            f"{counted(drops, 'reference drop')} in the store; a gauge study needs at least 2,"
            " and means something from about 20 on"
        )
    labels = {
        name: tuple(label for each in references for label in each.labels[name])
        for name in GAUGE_FACTORS
    }
    known = [name for name in GAUGE_FACTORS if None not in labels[name]]
    for name in factors or ():
        if name not in known:
            raise RecordRefused(
                f"--factor {name}: not recorded for every reference drop; known throughout:"
                f" {', '.join(known) or 'none'}"
            )
    by_site = "site" in (factors or ())
    # Labs have a series each of the dummy that goes round.
    part = [
        str(each.device if by_site else each.series)
        for each in references
        for _ in range(len(each.peak_g))
    ]
    several = len(set(part)) > 1
    what = "devices" if by_site else "reference series"
    if several and part_sd_pct is not None:
        raise UnusableCall(f"--part-sd-pct: the {what} are the specimens; leave it out")
    part_sd, part_words = None, f"specimens: the {what}"
    if not several:
        part_sd, part_words = _part_sd(session, part_sd_pct)
    drifted = [each.series for each in map(_watched, references) if each.health.since is not None]
    study = gauge_study(
        np.log(np.concatenate([each.peak_g for each in references])),
        {
            name: [str(label) for label in labels[name]]
            for name in (factors or [name for name in known if name != "site"])
        },
        part if several else None,
        part_sd=part_sd,
        level=INTERVAL_LEVEL,
    )
    if drifted:
        words = f"the rig drifted by {', '.join(drifted)}, and that drift is counted here too"
        study = replace(study, notes=(*study.notes, words))
    return study, part_words


def _part_sd(session: Session, given_pct: float | None) -> tuple[float | None, str]:
    if given_pct is not None:
        if not given_pct > 0:
            raise UnusableCall(f"--part-sd-pct {given_pct:g}: not a number above 0, in percent")
        return float(np.log1p(given_pct / 100.0)), f"specimens: {given_pct:g} % as given"
    try:
        found = lab_scatter(session).between_case_log_sd
    except RecordRefused:
        found = None
    if not found:
        return None, "specimens: not known, so no share of study variation; give --part-sd-pct"
    return found, f"specimens: cases of one model differ by {100.0 * found:.2g} % in this store"


def lab_scatter(session: Session, under: Under | None = None) -> LabScatter:
    """Scatter of peak g as this lab has seen it, within and between cases, under one condition.

    Parameters
    ----------
    session : Session
        Store and person.
    under : Under, optional
        Only such conditions.

    Returns
    -------
    LabScatter
        From the valid test drops in a case under the condition with most cases, without the
        readings that the fit of their series weighs down. Cases are compared only within a model
        and one orientation.

    Raises
    ------
    RecordRefused
        No such drop in the store.
    """
    from durability.plan.power import lab_scatter as scatter_seen
    from durability.wear.cases import by_condition
    from durability.workflow.evaluation import Evaluation

    with database.reading(session.record) as connection:
        found = histories_in(connection)
        asked = set(find_scope(connection, under=under).series)
    every = by_condition(
        each
        for each in found.valid
        if each.case is not None and len(each.peak_g) and each.series in asked
    )
    if not every:
        raise RecordRefused(
            "no valid drop in a case in this store, so no scatter to plan with; 3 valid drops of"
            " one case give it (tell-apart: of each of two cases of one model); until then give"
            " --scatter-pct, and --scatter-between-pct (tell-apart)"
        )
    condition, worn = next(iter(every.items()))
    record = [each for each in found.valid if each.series not in found.reference]
    fits = Evaluation(record, [each.series for each in worn], Limit()).fits
    # One typing error would make up most of a standard deviation.
    kept = [~np.isin(each.drop_number, fits[each.series].doubted_drops) for each in worn]
    lengths = [int(rows.sum()) for rows in kept]
    seen = scatter_seen(
        np.log(np.concatenate([each.peak_g[rows] for each, rows in zip(worn, kept, strict=True)])),
        np.concatenate([each.drop_number[rows] for each, rows in zip(worn, kept, strict=True)]),
        np.repeat([f"{each.case} | {each.condition}" for each in worn], lengths).tolist(),
        np.repeat([f"{each.case_model} | {each.condition}" for each in worn], lengths).tolist(),
    )
    cases, groups = (
        {each.case for each in worn},
        {(each.case_model, each.condition) for each in worn},
    )
    far_off = sum(len(rows) for rows in kept) - sum(lengths)
    left_out = f"; {counted(far_off, 'reading')} far off left out" if far_off else ""
    apart = f"; {counted(len(every) - 1, 'other condition')} apart" if len(every) > 1 else ""
    return replace(
        seen,
        basis=f"{counted(sum(lengths), 'drop')} of {counted(len(cases), 'case')},"
        f" {counted(len(groups), 'group')} of one model and orientation, {condition.words}"
        f"{left_out}{apart}",
    )


# --------------------------------------------------------------- answers corrected for the rig


def widest_trend(central: Trend, least: Trend, most: Trend, note: RigNote) -> Trend:
    """A trend as corrected, with the rig's own uncertainty in its verdict and its intervals."""
    if not note.corrected:
        return replace(central, basis=f"{central.basis}; not rig-corrected: {note.reason}")
    weaker = central.verdict in ("rising", "settled") and least.verdict != central.verdict
    told = least if weaker else central
    p_rises, p_settlings = (
        [getattr(each, name) for each in (central, least) if getattr(each, name) is not None]
        for name in ("p_rise", "p_settling")
    )
    lowers = [each.rise_lower for each in (central, least, most) if each.rise_lower is not None]
    uppers = [each.rise_upper for each in (central, least, most) if each.rise_upper is not None]
    p_values = [each.p_value for each in (central, least) if each.p_value is not None]
    return replace(
        central,
        verdict=told.verdict,
        p_value=told.p_value if weaker else max(p_values, default=None),
        p_rise=max(p_rises, default=None),
        p_settling=max(p_settlings, default=None),
        alarm_at_drop=_later(central.alarm_at_drop, least.alarm_at_drop),
        wear_alarm_at_drop=_later(central.wear_alarm_at_drop, least.wear_alarm_at_drop),
        too_early=told.too_early,
        rise_lower=min(lowers, default=None),
        rise_upper=max(uppers, default=None),
        level_lower_g=np.minimum(central.level_lower_g, least.level_lower_g),
        level_upper_g=np.maximum(central.level_upper_g, most.level_upper_g),
        basis=f"{central.basis}; {_correction_words(note)}",
    )


def _later(one: int | None, other: int | None) -> int | None:
    """The later of two alarms; None where either was never raised."""
    return None if one is None or other is None else max(one, other)


def _correction_words(note: RigNote) -> str:
    return (
        f"rig drift by {note.reference_series} divided out ({note.correction_first_pct:+.1f} % at"
        f" the first, {note.correction_latest_pct:+.1f} % at the last drop, standard error"
        f" {note.correction_se_pct:.1f} % between them), judged at both ends of its 90 % interval"
        " too"
    )


def widest_forecast(central: Forecast, least: Forecast, most: Forecast, note: RigNote) -> Forecast:
    """A forecast as corrected, its interval over all that the rig's drift may have been."""
    if central.is_bare:
        return central
    if not note.corrected:
        return replace(central, basis=f"{central.basis}; not rig-corrected: {note.reason}")
    three = [each.drops_to_failure for each in (central, least, most)]
    lowers = [each.lower for each in three if each.lower is not None]
    uppers = [each.upper for each in three if each.upper is not None]
    survival = central.survival_probability
    by_limit, by_damage = central.failed_by_limit, central.failed_by_damage
    shares = [each.survival_probability for each in (central, least, most)]
    if len({len(share) for share in shares}) == 1:
        survival = np.mean(shares, axis=0)
        if by_limit is not None:
            by_limit, by_damage = (
                float(np.mean([getattr(each, name) for each in (central, least, most)]))
                for name in ("failed_by_limit", "failed_by_damage")
            )
    return replace(
        central,
        drops_to_failure=Prediction(
            min(lowers, default=None),
            central.drops_to_failure.median,
            max(uppers) if len(uppers) == len(three) else None,
        ),
        survival_probability=survival,
        failed_by_limit=by_limit,
        failed_by_damage=by_damage,
        basis=f"{central.basis}; {_correction_words(note)}",
    )
