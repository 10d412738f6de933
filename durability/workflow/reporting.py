"""Everything that one report shows, gathered from the record and from the models."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import PROGRAM_VERSION
from durability.intake.hand_entry import UNKNOWN_MEDIA_TYPE, media_type
from durability.pulse.results import SeriesWaveforms
from durability.record import clock
from durability.record.errors import RecordRefused
from durability.record.vocabulary import BARE, HEIGHT_TOLERANCE
from durability.store import bench, database, saved_queries, sql_files
from durability.wear.results import Comparison, Trend
from durability.workflow import follow_up, issuing, pictures
from durability.workflow.claims import instruments, judge_claim, refuse_no_share
from durability.workflow.demo import is_demo
from durability.workflow.devices import DeviceStudy
from durability.workflow.integrity import run_selfcheck, versions
from durability.workflow.photos import find_file, folder_of
from durability.workflow.results import (
    ClaimAnswer,
    DamagePhoto,
    Limit,
    ReportContents,
    Scope,
    Under,
)
from durability.workflow.rig import watch
from durability.workflow.series import series_rows
from durability.workflow.session import Session
from durability.workflow.study import Study, open_study

if TYPE_CHECKING:
    from durability.wear.claims import Instrument

STEPS = (
    "reading the record",
    "testing later failures against shocks",
    "ranking the case models",
    "including voided drops",
    "judging the wear of each case",
    "forecasting drops to failure",
    "comparing with bare drops",
    "drawing waveforms",
    "checking the program",
)
"""The steps shown, one after the other, while a report is gathered."""

MOST_FANS = 12
"""Series whose level to come is drawn: those that fail next."""

MOST_WITH_WAVEFORMS = 3
"""Series whose waveforms are shown."""

SPECTRUM_Q = 10.0
"""5 % damping, common practice."""

_STATEMENTS = (
    ("list_series", "Series of the scope with their conditions"),
    ("readings", "Readings; every estimate rests on the valid ones"),
    ("case_damage", "Damage that ends a case's life"),
    ("device_drops", "Shocks that each device took"),
    ("device_checks", "Functional checks of each device"),
    ("report_counts", "Counts of the record"),
    ("report_reviewed", "Drops checked by a second person"),
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
    under: Under | None = None,
    on: date,
    claim_pct: float | None = None,
    limit: Limit | None = None,
    rig_corrected: bool = False,
    backtest: bool = False,
    photo_folders: Sequence[Path] = (),
    parties: Mapping[str, str | None] | None = None,
    told: Callable[[str, int, int], None] = lambda *_: None,
) -> ReportContents:
    """All that a report on the whole record, or on a part of it, shows.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models, specimen, plan : optional
        Answer only for these series, case models, what happened to one specimen, or the devices
        that follow one follow-up plan; at most one of the four.
    under : Under, optional
        Of these only such conditions.
    on : date
        Day as of which inspections and calibrations are due.
    claim_pct : float, optional
        Judge for each case model whether it reduces the peak g of bare drops by so many percent.
    limit : Limit, optional
        When a case has failed.
    rig_corrected : bool
        Divide the rig's drift out of trends and forecasts.
    backtest : bool
        Check past forecasts against what happened.
    photo_folders : sequence of Path
        Where the photos of damage lie that shall be shown; without any, none are.
    parties : mapping, optional
        ``laboratory``, ``customer`` and ``purpose`` of the tests, each None where not given.
    told : callable
        Called with each of ``STEPS`` as it begins, how many are done, and of how many.

    Returns
    -------
    ReportContents
        Whatever the record lacks is empty or None.

    Raises
    ------
    RecordRefused
        A series, case model, specimen or plan is not in the store.
    """
    limit = limit or Limit()

    if claim_pct is not None:
        refuse_no_share(claim_pct, "--claim")

    def step(at: int) -> None:
        told(f"step {at + 1} of {len(STEPS)}: {STEPS[at]}", at, len(STEPS))

    step(0)
    with database.reading_much(session.record):
        study = open_study(
            session,
            series,
            case_models,
            specimen=specimen,
            plan=plan,
            under=under,
            limit=limit,
            rig_corrected=rig_corrected,
        )
        scope = study.scope
        rows, about = _rows(session, scope)
        owed = follow_up.due(session, on.isoformat(), 0)
        clouds, heights = pictures.clouds_of(session, rows["series"])
        devices = DeviceStudy(session, on).read() if scope.devices else DeviceStudy(session, on)
        boundaries = devices.boundaries(scope.devices)
        life_lines = devices.life_lines(scope.devices) if scope.devices else []
        cushions = pictures.cushions(session, study)
        rig = watch(session)
        invented = is_demo(session.store)
    if scope.is_part:
        owed = owed.of(scope.devices)

    # What takes most memory while it is worked out comes before what is held to the end.
    step(1)
    latent = devices.answer(scope) if scope.devices else None

    step(2)
    ranking = study.ranking()

    step(3)
    put_back = study.trends_again("voided")
    with_voided = study.ranking_with_voided() if put_back else ranking

    step(4)
    trends = study.trends

    step(5)
    shown = study.pictures(most_fans=MOST_FANS)
    comparable, _ = pictures.comparable(study, shown)

    step(6)
    models = sorted({each.case_model for each in study.histories if each.case_model is not None})
    comparisons = [] if scope.kind == "series" else _against_bare(study, models)

    step(7)
    waveforms = _waveforms(session, trends, rows["recorded"])

    step(8)
    selfcheck = run_selfcheck()

    asked = {**asdict(limit), "claim": claim_pct, "rig_corrected": study.rig_corrected}
    if backtest:
        asked["backtest"] = True
    return ReportContents(
        digest=_digest(scope, about, on, asked),
        made_at=clock.now().replace(microsecond=0),
        made_by=session.person,
        parties=parties or dict.fromkeys(issuing.PARTIES),
        on=on,
        store=session.store.name,
        invented=invented,
        versions={**versions(), "schema step": str(about["schema_step"])},
        scope=scope,
        level=limit.level,
        limit_g=limit.limit_g,
        limit_rise=limit.limit_rise,
        horizon=limit.horizon,
        claim_pct=claim_pct,
        rig_corrected=study.rig_corrected,
        counts=rows["counts"],
        reviewed=tuple(rows["reviewed"]),
        series=tuple(rows["series"]),
        trends=tuple(trends),
        contexts=tuple(study.contexts),
        forecasts=tuple(study.forecasts),
        forecast_contexts=tuple(study.forecast_contexts),
        backtest=study.backtest(told) if backtest else None,
        pictures=tuple(shown),
        ranking=ranking if ranking.groups else None,
        ranking_with_voided=with_voided,
        put_back=put_back,
        comparable=tuple(comparable),
        survival=pictures.survival(study),
        comparisons=tuple(comparisons),
        cushions=cushions,
        clouds=tuple(clouds),
        drop_heights_mm=tuple(heights),
        waveforms=tuple(waveforms),
        damage=tuple(rows["damage"]),
        voided=tuple(rows["voided"]),
        latent=latent,
        dose_curve=devices.dose_curve if scope.devices else None,
        life_lines=tuple(life_lines),
        check_tables=tuple(devices.check_tables()) if not scope.is_part else (),
        owed=owed,
        as_of=session.as_of,
        rig=tuple(rig),
        sensors=tuple(rows["sensors"]),
        amendments=tuple(rows["amendments"]),
        deviations=tuple(rows["deviations"]),
        sources=tuple(rows["sources"]),
        uncertainty=rows["uncertainty"],
        last_entered_at_utc=about["last_entered_at_utc"],
        statements=_statements(),
        selfcheck=selfcheck,
        boundaries=tuple(boundaries),
        photos=tuple(_photos(rows["damage"], folder_of(session.store), photo_folders))
        if photo_folders
        else (),
        claims=()
        if claim_pct is None
        else tuple(_claims(study, models, claim_pct, instruments(session))),
    )


def _rows(session: Session, scope: Scope) -> tuple[dict[str, Any], dict[str, Any]]:
    """Rows of the record within the scope, and what the record stands at."""
    series, devices = list(scope.series), list(scope.devices)
    with database.reading(session.record) as connection:
        rows: dict[str, Any] = {
            "series": series_rows(connection, series, None, purpose=None) if series else [],
            "counts": bench.fetch(connection, "report_counts", series=series, devices=devices)[0],
            "reviewed": bench.fetch(connection, "report_reviewed", series=series),
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
        recorded = bench.fetch(connection, "waveform_drops", series=None)
    questions = saved_queries.saved_queries([])
    voided = saved_queries.run_query(session.record, questions["voided_drops"], {})
    named = (dict(zip(voided.columns, row, strict=True)) for row in voided.rows)
    rows["recorded"] = {row["series"] for row in recorded}
    within = set(scope.series)
    rows["voided"] = [row for row in named if row["series"] in within]
    return rows, about


MOST_PHOTO_BYTES = 8_000_000
MOST_PHOTOS = 40
"""Photos of one page, each of that size at most: more is no page to send around."""


def _photos(
    notes: Iterable[Mapping[str, Any]], kept: Path, folders: Sequence[Path]
) -> Iterator[DamagePhoto]:
    """Each photo that the notes name, once; shown where its file is the one that was recorded."""
    named: dict[str, DamagePhoto] = {}
    for note in notes:
        for each in note["photos"]:
            named.setdefault(each["file_sha256"], DamagePhoto(note, **each))
    shown = 0
    for photo in named.values():
        content, why_not = _content(photo, kept, folders)
        kind = media_type(content)
        if not why_not and kind == UNKNOWN_MEDIA_TYPE:
            why_not = "is neither PNG, JPEG nor WebP"
        if not why_not and shown == MOST_PHOTOS:
            why_not = f"comes after {MOST_PHOTOS} others"
        if why_not:
            yield replace(photo, why_not=why_not)
        else:
            shown += 1
            yield replace(photo, media_type=kind, content=content)


def _content(photo: DamagePhoto, kept: Path, folders: Sequence[Path]) -> tuple[bytes, str]:
    """Content of the file that was recorded, kept or in a folder, or why there is none."""
    why_not = f"is not in {' or '.join(str(each) for each in folders)}"
    own = find_file(kept, photo.file_sha256)
    for path in (*([own] if own else ()), *(folder / photo.file_name for folder in folders)):
        try:
            if not path.is_file():
                continue
            if path.stat().st_size > MOST_PHOTO_BYTES:
                why_not = f"is larger than {MOST_PHOTO_BYTES // 1_000_000} MB"
                continue
            content = path.read_bytes()
        except OSError as error:
            why_not = f"can't be read ({error.strerror})"
            continue
        if hashlib.sha256(content).hexdigest() == photo.file_sha256:
            return content, ""
        why_not = "is another file now: its SHA-256 is not the recorded one"
    return b"", why_not


def _statements() -> tuple[tuple[str, str, str], ...]:
    questions = saved_queries.saved_queries([])
    asked = [(name, questions[name].title, questions[name].sql) for name in _QUESTIONS]
    return (
        *((name, words, sql_files.statement(name)) for name, words in _STATEMENTS),
        *asked,
    )


def _digest(scope: Scope, about: dict[str, Any], on: date, asked: dict[str, float | None]) -> str:
    """The same for the same record, scope, day, limits and version; else another."""
    stands_for = json.dumps(
        [
            scope.kind,
            scope.told,
            about["last_entry_id"],
            about["entries"],
            on.isoformat(),
            asked,
            PROGRAM_VERSION,
        ]
    )
    return hashlib.sha256(stands_for.encode()).hexdigest()[:10]


def _waveforms(
    session: Session, trends: Sequence[Trend], recorded: Collection[str]
) -> list[SeriesWaveforms]:
    """Pulses and spectra of the fastest rising series among those with waveforms."""
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


def _against_bare(study: Study, models: Sequence[str]) -> list[Comparison]:
    """How far each case model reduces the peak g of bare drops."""
    try:
        return [study.comparison(BARE, model)[0] for model in models]
    except RecordRefused:
        return []  # nothing was dropped bare


def _claims(
    study: Study, models: Sequence[str], at_least_pct: float, known: Mapping[str, Instrument]
) -> list[ClaimAnswer]:
    """Whether each case model reduces the peak g of bare drops as claimed, where both are there."""
    answers = []
    for model in models:
        try:
            answers.append(
                judge_claim(
                    study,
                    BARE,
                    model,
                    at_least_pct,
                    after_drops=None,
                    level=study.limit.level,
                    known=known,
                )
            )
        except RecordRefused:
            continue  # not dropped bare, or under no condition of both: nothing to claim
    return answers
