"""Series and their drops: opened, listed, voided, restored, amended, closed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC
from typing import Any

from durability.intake.hand_entry import typed_value, typed_values
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.receipts import StoredDrop
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.keep import (
    FALLS,
    made_now,
    next_drops,
    refuse_closed,
    tells_cracked_glass,
    without_baseline,
)
from durability.workflow.quarantine import refuse_unfit, why_unfit
from durability.workflow.session import Session, entry, note_second
from durability.workflow.specimens import IN_USE, series_meant

ACKNOWLEDGED = "record: cautions acknowledged"
"""What the entry of that is called."""
MOST_FALLS = 100_000
"""More falls than that at once are a typing error: IEC 60068-2-31 counts to 1,000."""


def open_series(
    session: Session,
    code: str,
    *,
    device: str,
    case: str | None = None,
    sensor: str | None = None,
    values: Mapping[str, str | None],
    command: str = "series open",
    despite_failed: str | None = None,
) -> tuple[list[str], list[str]]:
    """Open a drop series of a device, in a case or bare.

    Codes that are not in the store yet are added, and named in what comes back: a slip of the
    finger must be seen.

    Parameters
    ----------
    session : Session
        Store and person.
    code, device : str
        Code of the series, and of the device or dummy.
    case, sensor : str, optional
        Codes; bare without a case.
    values : mapping
        drop_height_mm, surface, orientation, purpose, method, fixture, conditioning,
        settling_drops, note as
        typed; device_kind, device_model and case_model for specimens that are new.
    command : str, optional
        What the entry was, in short.
    despite_failed : str, optional
        Why a case that has failed, or is not in use, is used all the same.

    Returns
    -------
    added : list of str
        What was added beside the series ("case C-21").
    unseen : list of str
        Device and case that no one has inspected before their first drop.

    Raises
    ------
    RecordRefused
        The code is taken, or a specimen is retired, in quarantine, of another kind or of another
        model; CaseUnfit where the case is not fit to be dropped.
    UnusableCall
        A value is out of its range, or the orientation is none that a box has.
    """
    row = typed_values(
        values,
        ("drop_height_mm", "surface", "orientation", "purpose", "settling_drops"),
    )
    row["purpose"] = row["purpose"] or "test"
    method = values.get("method")
    if method and len(method.split()) < 2:
        raise UnusableCall(
            f"--method {method!r}: names no edition or clause; give for instance"
            " 'MIL-STD-810H 516.8 clause 4.6.5'"
        )
    refuse_impossible(row["orientation"], "--orientation")
    with entry(session, command, values) as (connection, entry_id):
        bench.refuse_taken(connection, "series", str(typed_value("series", code)))
        added: list[str] = []
        kind = values.get("device_kind")
        kinds = (kind,) if kind else ("device", "dummy")
        device_id = _dropped(
            connection, device, kinds, values.get("device_model"), "--device", added, entry_id
        )
        case_id = case and _dropped(
            connection, case, ("case",), values.get("case_model"), "--case", added, entry_id
        )
        refuse_unfit(connection, case_id, device_id, despite_failed, [entry_id])
        if sensor and bench.run(connection, "find_sensor", code=sensor) is None:
            bench.refuse_taken(connection, "sensor", sensor)
            bench.run(connection, "add_sensor", **_UNKNOWN_SENSOR, code=sensor, entry_id=entry_id)
            added.append(f"sensor {sensor}")
        like = bench.fetch(connection, "surfaces_like", surface=row["surface"])
        if like:
            known = " and ".join(repr(each["surface"]) for each in like)
            added.append(f"surface {row['surface']!r} beside {known}, never compared with it")
        sensor_id = sensor and bench.run(connection, "find_sensor", code=sensor)
        bench.run(
            connection,
            "open_series",
            code=code,
            device_id=device_id,
            case_id=case_id,
            sensor_id=sensor_id,
            method=method,
            fixture=values.get("fixture"),
            conditioning=values.get("conditioning"),
            note=values.get("note"),
            **row,
            entry_id=entry_id,
        )
        return added, without_baseline(connection, device_id, case_id)


def _dropped(
    connection: Any,
    code: str,
    kinds: tuple[str | None, ...],
    model: str | None,
    option: str,
    added: list[str],
    entry_id: Any,
) -> Any:
    """Key of a specimen to be dropped; one that is not in the store yet is added."""
    if not bench.fetch(connection, "find_specimen", code=code):
        unknown = dict.fromkeys(("lot", "mass_g", "received_on", "note"))
        typed_value("code", code, option=option)
        bench.refuse_taken(connection, "specimen", code)
        bench.run(
            connection,
            "add_specimen",
            **unknown,
            code=code,
            kind=kinds[0],
            model=model,
            entry_id=entry_id,
        )
        added.append(f"{kinds[0]} {code}")
    key = _specimen_id(connection, code, kinds, option)
    known_model = bench.find(connection, "specimen", code)["model"]
    if model is not None and model != known_model:
        raise RecordRefused(
            f"{option}-model {model!r}: {code} is known as {known_model or 'without a model'}; to"
            " correct that use: specimen amend"
        )
    return key


_UNKNOWN_SENSOR = dict.fromkeys(
    (
        "sensitivity_mv_per_g",
        "full_scale_g",
        "natural_frequency_hz",
        "calibrated_on",
        "calibration_due",
        "note",
    )
)


def _specimen_id(connection: Any, code: str, kinds: tuple[str | None, ...], option: str) -> Any:
    specimen = bench.find(connection, "specimen", code)
    if specimen["kind"] not in kinds:
        raise RecordRefused(
            f"{option} {code!r}: is a {specimen['kind']}; give a {' or '.join(map(str, kinds))}"
        )
    if specimen["kind"] != "case" and specimen["status"] != IN_USE:
        raise RecordRefused(f"{option} {code!r}: is {specimen['status']}; use another specimen")
    if specimen["quarantined_since"]:
        quarantine.refuse_in_quarantine(connection, code)
    return specimen["specimen_id"]


def refuse_impossible(orientation: Any, name: str) -> None:
    """Refuse a designation of faces that meet nowhere on a box; other words stand as they are."""
    from durability.record.orientation import impossible_designation

    fault = impossible_designation(None if orientation is None else str(orientation))
    if fault:
        raise UnusableCall(f"{name} {orientation!r}: {fault}")


def add_falls(
    session: Session,
    series: str,
    count: int,
    *,
    values: Mapping[str, str | None],
    despite_quarantine: str | None = None,
    despite_failed: str | None = None,
) -> tuple[dict[str, Any], StoredDrop]:
    """Store falls without readings as the next drops of an open series, all in one entry.

    Each is a drop like any other whose peak was not read: void, with its place in the age of the
    case, and in the dose of the device at the peaks of comparable drops.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    count : int
        How many.
    values : mapping
        ``dropped_at`` and ``note`` as typed.
    despite_quarantine, despite_failed : str, optional
        As for ``keep.add_drop``.

    Returns
    -------
    series : dict
        Row of the series.
    last : StoredDrop
        The last of them, with what the first calls for.

    Raises
    ------
    UnusableCall
        The count is none, or the time.
    RecordRefused
        As ``keep.add_drop``; and where the series records no drop height or surface, or one of the
        26 attitudes.
    """
    if not 1 <= count <= MOST_FALLS:
        raise UnusableCall(f"--count {count}: give a number of falls from 1 to {MOST_FALLS:,}")
    row = made_now(session, values.get("dropped_at"))
    from durability.record.orientation import is_orientation

    row |= {"status": "void", "void_reason": FALLS, "note": values.get("note")}
    with entry(session, "drop bulk") as (connection, entry_id):
        found = bench.find(connection, "series", series)
        missing = [_CONDITIONS[c] for c in ("drop_height_mm", "surface") if found[c] is None]
        if missing:
            raise RecordRefused(
                f"series {series!r}: {' and '.join(missing)} not recorded, without which falls that"
                f" are only counted mean nothing; add with: durability series amend {series}"
                " --set COLUMN=VALUE --reason WHY"
            )
        if is_orientation(found["orientation"] or ""):
            raise RecordRefused(
                f"series {series!r}: orientation {found['orientation']}, and that of repeated free"
                " fall is not controlled; open a series with: --orientation 'repeated free fall'"
            )
        stored = next_drops(
            connection,
            series,
            [row] * count,
            [("", entry_id)],
            despite_quarantine=despite_quarantine,
            despite_failed=despite_failed,
        )
    return found, replace(stored[-1], unseen=stored[0].unseen, clock=stored[0].clock)


def close_series(session: Session, code: str, reason: str) -> str | None:
    """Close a series to further drops; gives the code of the device, when it is a real one."""
    with entry(session, "series close") as (connection, entry_id):
        found = bench.find(connection, "series", code)
        if found["status"] == "closed":
            raise RecordRefused(f"series {code!r}: closed already")
        bench.amend(
            connection,
            "series",
            found["series_id"],
            [("status", "open", "closed")],
            reason=reason,
            entry_id=entry_id,
        )
    return found["device"] if found["device_kind"] == "device" else None


def list_series(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
) -> list[dict[str, Any]]:
    """Series with their conditions and how many drops they hold."""
    with database.reading(session.record) as connection:
        return series_rows(connection, series, case_models, purpose=None)


def series_rows(
    connection: Any,
    series: Sequence[str] | None,
    case_models: Sequence[str] | None,
    *,
    purpose: str | None,
) -> list[dict[str, Any]]:
    """Series rows of an open store, after refusing codes and models that are not there.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series, case_models : sequence of str, optional
        Keep only these.
    purpose : {"test", "reference"}, optional
        Keep only these.

    Returns
    -------
    list of dict
        In order of series code.

    Raises
    ------
    RecordRefused
        A code or model is not in the store.
    """
    return _rows("list_series", connection, series, case_models, purpose)


def series_conditions(
    connection: Any,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    purpose: str | None = None,
) -> list[dict[str, Any]]:
    """As ``series_rows``, but only what each was dropped in and under: no drop is read."""
    return _rows("series_conditions", connection, series, case_models, purpose)


def _rows(
    statement: str,
    connection: Any,
    series: Sequence[str] | None,
    case_models: Sequence[str] | None,
    purpose: str | None,
) -> list[dict[str, Any]]:
    rows = bench.fetch(
        connection,
        statement,
        series=list(series) if series else None,
        case_models=list(case_models) if case_models else None,
        purpose=purpose,
    )
    _refuse_unknown(connection, series, rows)
    known = {row["case_model"] for row in rows}
    for model in case_models or ():
        if model not in known:
            near = bench.nearest(connection, "near_models", name=model)
            raise RecordRefused(f"--case-model {model!r}: no series in a case of that model{near}")
    return rows


def is_series(session: Session, code: str) -> bool:
    """Whether a code names a series; else it names a specimen.

    Raises
    ------
    RecordRefused
        It names neither, or both.
    """
    with database.reading(session.record) as connection:
        series, specimen = (
            bool(bench.fetch(connection, name, code=code))
            for name in ("find_series", "find_specimen")
        )
        if series and specimen:
            raise RecordRefused(
                f"{code!r}: both a series and a specimen; ask by series show or by history"
            )
        if not series and not specimen and not bench.fetch(connection, "codes_meant", typed=[code]):
            near = bench.nearest(connection, "near_names", name=code)
            raise RecordRefused(f"{code!r}: no series or specimen{near}")
    return series


def named(session: Session, names: Sequence[str]) -> tuple[list[str], list[str]]:
    """Series and case models that names without an option can only mean.

    Parameters
    ----------
    session : Session
        Store and person.
    names : sequence of str
        Each a series, a case, which stands for its series, or a case model.

    Returns
    -------
    series, case_models : list of str
        Of names of both kinds all are series.

    Raises
    ------
    RecordRefused
        A name is none of these, or several.
    """
    found: dict[str, list[str]] = {"series": [], "case model": []}
    with database.reading(session.store) as connection:
        for name in names:
            rows = bench.fetch(connection, "series_named", name=name)
            kinds = {row["kind"] for row in rows}
            if not kinds:
                near = bench.nearest(connection, "near_names", name=name)
                raise RecordRefused(f"{name!r}: no series, case or case model{near}")
            if len(kinds) > 1:
                raise RecordRefused(
                    f"{name!r}: {' and '.join(sorted(kinds))}; say which by --series or"
                    " --case-model"
                )
            for second in {row["meant"] for row in rows if row["meant"] is not None}:
                note_second(name, second)
            found["case model" if kinds == {"case model"} else "series"] += [
                row["name"] for row in rows
            ]
        if found["series"] and found["case model"]:  # each is meant, not what is in both
            rows = bench.fetch(connection, "series_of_models", models=found.pop("case model"))
            return [*found["series"], *(row["series"] for row in rows)], []
    return found["series"], found["case model"]


def _refuse_unknown(
    connection: Any, series: Sequence[str] | None, rows: Sequence[Mapping[str, Any]]
) -> None:
    """Refuse a code that is not in the store; only those without a row need a query."""
    seen = {row["series"] for row in rows}
    for code in series or ():
        if code not in seen:
            bench.find(connection, "series", code)


def list_drops(session: Session, series: Sequence[str] | None = None) -> list[dict[str, Any]]:
    """Every drop as it stands today, voided ones too, with where it came from."""
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "list_drops", series=list(series) if series else None)
        _refuse_unknown(connection, series, rows)
        return rows


def files_set_aside(session: Session, series: str) -> list[dict[str, Any]]:
    """Files that a watch of the series could not read, with the reason."""
    with database.reading(session.record) as connection:
        return bench.fetch(connection, "files_set_aside", series=series)


def series_to_record(session: Session, code: str) -> dict[str, Any]:
    """An open series with its last drop and what its record lacks.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Code of the series; typed or scanned, that of its case or device too.

    Returns
    -------
    dict
        Its row; ``missing``: sentences on what is not recorded or overdue; ``item_dropped_at``:
        when its case (its device where bare) was last dropped, in any series, UTC;
        ``unfit_case``: what is the matter with its case or device, None when nothing;
        ``cracked_glass``: whether the device is known to have cracked glass; and
        ``cautions_acknowledged_at``: when this person acknowledged the cautions today, by the
        bench's clock; None when not.

    Raises
    ------
    RecordRefused
        The series is unknown or closed, or its device is in quarantine.
    """
    with database.reading(session.record) as connection:
        if not bench.fetch(connection, "find_series", code=code):
            code = series_meant(connection, code)
        found = series_rows(connection, [code], None, purpose=None)[0]
        sensor = bench.fetch(connection, "sensor_of_series", code=code, today=clock.today())
        refuse_closed(code, found["status"])
        if found["device_quarantined_since"]:
            quarantine.refuse_in_quarantine(connection, found["device"])
        ids = bench.fetch(connection, "series_to_add_to", code=code)[0]
        unseen = without_baseline(connection, ids["device_id"], ids["case_id"])
        remarks = bench.fetch(connection, "device_remarks", device=found["device"])
        unfit = why_unfit(connection, ids["case_id"], ids["device_id"])
        item = found["case"] or found["device"]
        dropped_at = bench.run(connection, "last_drop_of_specimen", specimen=item)
        acknowledged_at = bench.run(
            connection, "last_entry_of", entered_by=session.person, command=ACKNOWLEDGED
        )
    here = clock.now().tzinfo
    acknowledged = acknowledged_at and acknowledged_at.replace(tzinfo=UTC).astimezone(here)
    is_today = acknowledged and acknowledged.date() == clock.today()
    missing = _missing(found, sensor)
    if found["last_drop_number"] == 0 and unseen:
        missing.append(f"{' and '.join(unseen)}: not inspected before the first drop")
    return {
        **found,
        "missing": missing,
        "item_dropped_at": dropped_at,
        "unfit_case": unfit and unfit["words"],
        "cracked_glass": any(tells_cracked_glass(row["location"], row["note"]) for row in remarks),
        "cautions_acknowledged_at": acknowledged if is_today else None,
    }


def acknowledge_cautions(session: Session) -> None:
    """Keep that this person has acknowledged the cautions of the bench now."""
    with entry(session, ACKNOWLEDGED):
        pass


_CONDITIONS = {
    "drop_height_mm": "drop height",
    "surface": "surface",
    "orientation": "orientation",
    "sensor": "sensor",
    "conditioning": "conditioning",
}


def _missing(series: Mapping[str, Any], sensor: Sequence[Mapping[str, Any]]) -> list[str]:
    """Sentences on what a series' record lacks, or what is overdue."""
    blank = [words for column, words in _CONDITIONS.items() if series[column] is None]
    missing = []
    if blank:
        missing.append(
            f"not recorded: {', '.join(blank)}; add with: durability series amend"
            f" {series['series']} --set COLUMN=VALUE --reason WHY"
        )
    for row in sensor:
        if row["calibration_due"] is None:
            missing.append(f"sensor {row['sensor']}: no calibration due date recorded")
        elif row["is_overdue"]:
            missing.append(
                f"sensor {row['sensor']}: calibration was due on {row['calibration_due']}"
            )
    return missing
