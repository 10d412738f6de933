"""What is written down at the bench and looked up there: specimens, series, drops, damage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from durability.errors import RecordRefused, UnusableCall
from durability.intake.columns import MODE_OF_NOTHING, OTHER_UNSAID
from durability.intake.hand_entry import (
    TypedDrop,
    assignments,
    typed_date,
    typed_time,
    typed_value,
    typed_values,
)
from durability.intake.photo import read_photos
from durability.orientation import impossible_designation
from durability.records import Quarantine
from durability.store import bench, database
from durability.vocabulary import OTHER_MODE
from durability.workflow import quarantine
from durability.workflow.session import Session, entry

# ---------------------------------------------------------------------------------- the store


def make_store(session: Session) -> bool:
    """Make the store, or bring it up to date; True when it is new."""
    return database.create_store(session.store)


# ---------------------------------------------------------------------- specimens and sensors

IN_USE = "in use"
"""Status of a specimen until it is retired, retained, lost, sold, destroyed or refused."""

RETAINED = "retained"
"""Kept back, to be tested again on days that are set beforehand."""


def add_specimen(
    session: Session, code: str, kind: str, values: Mapping[str, str | None]
) -> Quarantine | None:
    """Add a case, device or dummy.

    Parameters
    ----------
    session : Session
        Store and person.
    code, kind : str
        Its code, and case, device or dummy.
    values : mapping
        model, lot, mass_g, received_on, note as typed; None where not given.

    Returns
    -------
    Quarantine or None
        When the note tells of a failing battery.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The code is taken.
    """
    row = {
        "code": typed_value("code", code),
        "kind": typed_value("kind", kind),
        **typed_values(values, ("model", "lot", "mass_g", "received_on", "note")),
    }
    with entry(session, "specimen add") as (connection, entry_id):
        bench.refuse_taken(connection, "specimen", code)
        bench.run(connection, "add_specimen", **row, entry_id=entry_id)
        return quarantine.suspect_note(connection, code, values.get("note"), entry_id=entry_id)


def add_sensor(session: Session, code: str, values: Mapping[str, str | None]) -> None:
    """Add a shock accelerometer with what its certificate says.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Its code.
    values : mapping
        sensitivity_mv_per_g, full_scale_g, natural_frequency_hz, calibrated_on,
        calibration_due, note as typed.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The code is taken.
    """
    row = {
        "code": typed_value("sensor", code),
        **typed_values(
            values,
            (
                "sensitivity_mv_per_g",
                "full_scale_g",
                "natural_frequency_hz",
                "calibrated_on",
                "calibration_due",
                "note",
            ),
        ),
    }
    with entry(session, "sensor add") as (connection, entry_id):
        bench.refuse_taken(connection, "sensor", code)
        bench.run(connection, "add_sensor", **row, entry_id=entry_id)


def list_specimens(session: Session, kind: str | None = None) -> list[dict[str, Any]]:
    """Specimens with their model, drops so far and worst damage."""
    with database.reading(session.store) as connection:
        return bench.fetch(connection, "list_specimens", kind=kind)


def list_sensors(session: Session) -> list[dict[str, Any]]:
    """Sensors with what their certificates say."""
    with database.reading(session.store) as connection:
        return bench.fetch(connection, "list_sensors")


def show_specimen(session: Session, code: str) -> dict[str, Any]:
    """One specimen with its record, its series and its damage."""
    with database.reading(session.store) as connection:
        specimen = bench.find(connection, "specimen", code)
        return {
            **{key: value for key, value in specimen.items() if key != "specimen_id"},
            "quarantines": bench.fetch(connection, "quarantines_of_device", device=code),
            "states": bench.fetch(connection, "states_of_specimen", code=code),
            "series": bench.fetch(connection, "series_of_specimen", code=code),
            "damage": bench.fetch(connection, "damage_of_specimen", code=code),
        }


def retire_specimen(
    session: Session,
    code: str,
    reason: str,
    state: str = "retired",
    retests_on: Sequence[str] = (),
) -> Quarantine | None:
    """Mark a specimen as no longer in use; its record stays.

    Parameters
    ----------
    session : Session
        Store and person.
    code, reason : str
        Its code, and why.
    state : {"retired", "retained", "lost", "sold", "destroyed", "refused"}
        What became of it. It owes no inspection from then on; what its last check said stands.
    retests_on : sequence of str
        ISO dates on which a retained one is to be tested again; one that is retained already gets
        them besides those it has.

    Returns
    -------
    Quarantine or None
        Of a device that leaves while its battery is suspect.

    Raises
    ------
    UnusableCall
        A retained one without a date, dates for another state, or a date that is past.
    RecordRefused
        It is no longer in use already.
    """
    days = sorted({typed_date(day, option="--retest-on") for day in retests_on})
    if (state == RETAINED) != bool(days):
        raise UnusableCall("--retest-on: goes with --state retained, which needs one or more")
    if days and days[0] < date.today():  # noqa: DTZ011 - the bench's day
        raise UnusableCall(f"--retest-on {days[0]}: is past; give a day to come")
    with entry(session, "specimen retire") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        if specimen["status"] != IN_USE and not specimen["status"] == state == RETAINED:
            raise RecordRefused(
                f"specimen {code!r}: {specimen['status']} already; when it is to be used again:"
                f" durability specimen return {code} --reason WHY"
            )
        if specimen["status"] != state:
            _set_state(connection, specimen, state, reason, entry_id)
        for day in days:
            bench.run(
                connection,
                "add_retest",
                specimen_id=specimen["specimen_id"],
                retest_on=day,
                entry_id=entry_id,
            )
        return next(iter(quarantine.quarantines(connection, code)), None)


def return_specimen(
    session: Session, code: str, reason: str
) -> tuple[str, datetime, Quarantine | None]:
    """Take a specimen back into use: one that was lost has turned up, one kept back is needed.

    Parameters
    ----------
    session : Session
        Store and person.
    code, reason : str
        Its code, and how it came back.

    Returns
    -------
    state : str
        What it was until now.
    since : datetime
        From when; between then and now no one knows how it fared.
    kept : Quarantine or None
        Of a device whose battery was suspect when it left.

    Raises
    ------
    RecordRefused
        It is in use.
    """
    with entry(session, "specimen return") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        if specimen["status"] == IN_USE:
            raise RecordRefused(f"specimen {code!r}: in use already")
        was = bench.fetch(connection, "states_of_specimen", code=code)[-1]
        _set_state(connection, specimen, IN_USE, reason, entry_id)
        kept = next(iter(quarantine.quarantines(connection, code)), None)
    return str(was["state"]), was["since"], kept


def _set_state(
    connection: Any, specimen: Mapping[str, Any], state: str, reason: str, entry_id: Any
) -> None:
    bench.amend(
        connection,
        "specimen",
        specimen["specimen_id"],
        [("status", specimen["status"], state)],
        reason=reason,
        entry_id=entry_id,
    )


# ------------------------------------------------------------------------------- drop series


def open_series(
    session: Session,
    code: str,
    *,
    device: str,
    case: str | None = None,
    sensor: str | None = None,
    values: Mapping[str, str | None],
    command: str = "series open",
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
        drop_height_mm, surface, orientation, purpose, method, fixture, conditioning, note as
        typed; device_kind, device_model and case_model for specimens that are new.
    command : str, optional
        What the act of writing was, in short.

    Returns
    -------
    added : list of str
        What was added beside the series ("case C-21").
    unseen : list of str
        Device and case that no one has looked at before their first drop.

    Raises
    ------
    RecordRefused
        The code is taken, or a specimen is retired, in quarantine, of another kind or of another
        model.
    UnusableCall
        A value is out of its range, or the orientation is none that a box has.
    """
    row = typed_values(
        values,
        ("drop_height_mm", "surface", "orientation", "purpose"),
    )
    row["purpose"] = row["purpose"] or "test"
    method = values.get("method")
    if method and len(method.split()) < 2:
        raise UnusableCall(
            f"--method {method!r}: names no edition or clause; give for instance"
            " 'MIL-STD-810H 516.8 clause 4.6.5'"
        )
    refuse_impossible(row["orientation"], "--orientation")
    with entry(session, command) as (connection, entry_id):
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
        if sensor and bench.run(connection, "find_sensor", code=sensor) is None:
            bench.run(connection, "add_sensor", **_UNKNOWN_SENSOR, code=sensor, entry_id=entry_id)
            added.append(f"sensor {sensor}")
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
        return added, _without_baseline(connection, device_id, case_id)


def _without_baseline(connection: Any, *specimen_ids: Any) -> list[str]:
    """Codes of those that no one has looked at, before their first drop or since."""
    return [
        row["code"]
        for row in bench.fetch(connection, "looks_at", specimen_ids=[*filter(None, specimen_ids)])
        if row["looks"] == 0
    ]


def refuse_impossible(orientation: Any, name: str) -> None:
    """Refuse a designation of faces that meet nowhere on a box; other words stand as they are."""
    fault = impossible_designation(None if orientation is None else str(orientation))
    if fault:
        raise UnusableCall(f"{name} {orientation!r}: {fault}")


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
            " mend that use: specimen amend"
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
    if specimen["status"] != IN_USE:
        raise RecordRefused(f"{option} {code!r}: is {specimen['status']}; use another specimen")
    if specimen["quarantined_since"]:
        quarantine.refuse_in_quarantine(connection, code)
    return specimen["specimen_id"]


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
    with database.reading(session.store) as connection:
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
    rows = bench.fetch(
        connection,
        "list_series",
        series=list(series) if series else None,
        case_models=list(case_models) if case_models else None,
        purpose=purpose,
    )
    _refuse_unknown(connection, series, rows)
    known = {row["case_model"] for row in rows}
    for model in case_models or ():
        if model not in known:
            raise RecordRefused(f"--case-model {model!r}: no series in a case of that model")
    return rows


def tells_cracked_glass(*notes: str | None) -> bool:
    """Whether notes on one thing tell of cracked glass or fragments."""
    from durability.hazards import cracked_glass

    return cracked_glass(*notes)


def series_to_record(session: Session, code: str) -> dict[str, Any]:
    """An open series with its last drop and what its record lacks.

    Parameters
    ----------
    session : Session
        Store and person.
    code : str
        Code of the series.

    Returns
    -------
    dict
        Its row; ``missing``: sentences on what is not recorded or overdue; ``item_dropped_at``:
        when its case (its device where bare) was last dropped, in any series; and
        ``cracked_glass``: whether the device is known to have cracked glass.

    Raises
    ------
    RecordRefused
        The series is unknown or closed, or its device is in quarantine.
    """
    with database.reading(session.store) as connection:
        found = series_rows(connection, [code], None, purpose=None)[0]
        sensor = bench.fetch(connection, "sensor_of_series", code=code)
        if found["status"] == "closed":
            raise RecordRefused(f"series {code!r}: closed; open another series for further drops")
        if found["device_quarantined_since"]:
            quarantine.refuse_in_quarantine(connection, found["device"])
        ids = bench.fetch(connection, "series_to_add_to", code=code)[0]
        unseen = _without_baseline(connection, ids["device_id"], ids["case_id"])
        remarks = bench.fetch(connection, "device_remarks", device=found["device"])
        item = found["case"] or found["device"]
        dropped_at = bench.run(connection, "last_drop_of_specimen", specimen=item)
    missing = _missing(found, sensor)
    if found["last_drop_number"] == 0 and unseen:
        missing.append(f"{' and '.join(unseen)}: not looked at before the first drop")
    return {
        **found,
        "missing": missing,
        "item_dropped_at": dropped_at,
        "cracked_glass": any(tells_cracked_glass(row["location"], row["note"]) for row in remarks),
    }


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


# -------------------------------------------------------------------------------------- drops


@dataclass(frozen=True, slots=True)
class StoredDrop:
    """What is said back once a drop is durably stored."""

    series: str
    drop_number: int
    id: str
    unseen: tuple[str, ...] = ()
    """Device and case that no one had looked at before this, their series' first drop."""
    quarantine: Quarantine | None = None
    """Of the device, when a note on this drop tells of a failing battery."""


def add_drop(
    session: Session,
    series: str,
    typed: TypedDrop,
    *,
    command: str = "drop add",
    despite_quarantine: str | None = None,
) -> StoredDrop:
    """Store the next drop of an open series, and what was seen on its case.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of an open series.
    typed : TypedDrop
        ``values`` may hold pulse_duration_ms, velocity_change_m_s, achieved_height_mm,
        temperature_c, dropped_at, note, damage_severity, damage_mode, damage_location,
        damage_note.
    command : str, optional
        What the act of writing was, in short.
    despite_quarantine : str, optional
        How the device came to be dropped while it was in quarantine; it lived through it.

    Returns
    -------
    StoredDrop
        Given back only after the transaction is on disk.

    Raises
    ------
    UnusableCall
        A value is out of its range.
    RecordRefused
        The series is unknown or closed, its device in quarantine, or a bare drop brings damage of
        a case.
    """
    values = typed.values
    row = typed_values(
        values,
        (
            "pulse_duration_ms",
            "velocity_change_m_s",
            "achieved_height_mm",
            "temperature_c",
            "note",
        ),
    )
    row["peak_g"] = (
        None if typed.peak_g is None else typed_value("peak_g", typed.peak_g, option="--peak-g")
    )
    if typed.peak_g is None and typed.void_reason is None:
        raise UnusableCall("--peak-g: missing; give it, or --void-reason for a drop without one")
    dropped_at, offset = _moment(values.get("dropped_at"))
    row |= {"dropped_at": dropped_at.isoformat(), "dropped_at_utc_offset": offset}
    damage = typed_values(
        values, ("damage_severity", "damage_mode", "damage_location", "damage_note")
    )
    if damage["damage_severity"] is None and any(damage.values()):
        raise UnusableCall("--damage-severity: missing beside damage words; give 0 to 4")
    # A line of a bench session has one place for words: the note of the drop.
    said = damage["damage_note"] or values.get("note")
    _refuse_mode(damage["damage_mode"], damage["damage_severity"], said, options="--damage-")
    with entry(session, command) as (connection, entry_id):
        rows = bench.fetch(connection, "series_to_add_to", code=series)
        found = rows[0] if rows else bench.find(connection, "series", series)
        if found["status"] == "closed":
            raise RecordRefused(f"series {series!r}: closed; open another series for further drops")
        in_quarantine = False
        if found["is_quarantined"]:
            at = dropped_at if values.get("dropped_at") else None
            in_quarantine = quarantine.refuse_in_quarantine(
                connection, found["device"], at, despite=despite_quarantine
            )
        number = 1 + found["last_drop_number"]
        drop_id = bench.run(
            connection,
            "add_drop",
            series_id=found["series_id"],
            drop_number=number,
            operator=session.person,
            status="valid" if typed.void_reason is None else "void",
            void_reason=typed.void_reason,
            **row,
            entry_id=entry_id,
        )
        if in_quarantine:
            bench.run(
                connection,
                "add_drop_in_quarantine",
                drop_id=drop_id,
                reason=despite_quarantine,
                entry_id=entry_id,
            )
        if damage["damage_severity"] is not None:
            _note_case_damage(connection, found, number, damage, entry_id)
        ids = (found["device_id"], found["case_id"])
        unseen = _without_baseline(connection, *ids) if number == 1 else []
        kept = _suspect_dropped(connection, found["device"], typed, dropped_at, entry_id)
        if in_quarantine:
            kept = quarantine.quarantines(connection, found["device"])[0]
    return StoredDrop(series, number, str(drop_id), tuple(unseen), kept)


def _suspect_dropped(
    connection: Any, device: str | None, typed: TypedDrop, dropped_at: datetime, entry_id: Any
) -> Quarantine | None:
    """Quarantine of the device by what was said of a drop of it, or of the case around it."""
    of_case = _told(
        *(typed.values.get(f"damage_{column}") for column in ("location", "mode", "note"))
    )
    found = [
        quarantine.suspect_note(
            connection, device, note, of_case=is_case, entry_id=entry_id, at=dropped_at
        )
        for note, is_case in (
            (typed.values.get("note"), False),
            (typed.void_reason, False),
            (of_case, True),
        )
    ]
    return next((each for each in found if each), None)


def _note_case_damage(
    connection: Any,
    series: Mapping[str, Any],
    number: int,
    damage: Mapping[str, Any],
    entry_id: Any,
) -> None:
    if series["case"] is None:
        if damage["damage_severity"] == 0:
            return
        raise RecordRefused(
            f"series {series['series']!r} is bare: there is no case to be damaged; note damage of"
            " the device with: damage add"
        )
    specimen = bench.find(connection, "specimen", series["case"])
    bench.run(
        connection,
        "add_damage",
        specimen_id=specimen["specimen_id"],
        series_id=series["series_id"],
        drop_number=number,
        severity=damage["damage_severity"],
        mode=damage["damage_mode"],
        location=damage["damage_location"],
        note=damage["damage_note"],
        inspector=None,
        entry_id=entry_id,
    )


def void_drop(session: Session, series: str, drop_number: int, reason: str) -> None:
    """Void a drop: kept, shown, left out of every estimate, with its reason."""
    _set_status(session, series, drop_number, "void", reason)


def restore_drop(session: Session, series: str, drop_number: int, reason: str) -> None:
    """Make a voided drop count again, with the reason why."""
    _set_status(session, series, drop_number, "valid", reason)


def _set_status(session: Session, series: str, drop_number: int, status: str, reason: str) -> None:
    command = "drop void" if status == "void" else "drop restore"
    with entry(session, command) as (connection, entry_id):
        drop = find_drop(connection, series, drop_number)
        if drop["status"] == status:
            already = "void already" if status == "void" else "valid already"
            raise RecordRefused(f"drop {drop_number} of series {series!r}: {already}")
        if status == "valid" and drop["peak_g"] is None:
            raise RecordRefused(
                f"drop {drop_number} of series {series!r}: has no peak_g; amend it first with:"
                f" drop amend {series} {drop_number} --set peak_g=VALUE"
            )
        changes = [
            ("status", drop["status"], status),
            ("void_reason", drop["void_reason"], reason if status == "void" else None),
        ]
        bench.amend(connection, "drops", drop["drop_id"], changes, reason=reason, entry_id=entry_id)


def amend_record(
    session: Session, table: str, code: str, changes: Sequence[str], reason: str, number: int = 0
) -> Quarantine | None:
    """Mend columns of a drop, series or specimen; the first values stay in the record.

    Parameters
    ----------
    session : Session
        Store and person.
    table : {"drops", "series", "specimen"}
        What is mended.
    code : str
        Code of the series or specimen.
    changes : sequence of str
        "COLUMN=VALUE" each; a blank value stands for not recorded.
    reason : str
        Why.
    number : int, optional
        Drop number, for a drop.

    Returns
    -------
    Quarantine or None
        When the new note on a device tells of a failing battery.

    Raises
    ------
    UnusableCall
        A change is no COLUMN=VALUE of an amendable column.
    RecordRefused
        No such record, or the change would leave a valid drop without a peak.
    """
    wanted = assignments(changes, bench.AMENDABLE[table], "--set")
    new = {column: _amended(column, text) for column, text in wanted.items()}
    refuse_impossible(new.get("orientation"), "--set orientation")
    with entry(session, f"{table} amend") as (connection, entry_id):
        if table == "drops":
            record = find_drop(connection, code, number)
            if "peak_g" in new and new["peak_g"] is None and record["status"] == "valid":
                raise RecordRefused(
                    f"drop {number} of series {code!r}: a valid drop needs its peak_g; void it"
                    " instead"
                )
        else:
            record = bench.find(connection, table, code)
        if new.get("sensor"):
            bench.find(connection, "sensor", str(new["sensor"]))
        if (record.get("kind") == "case" and "kind" in new) or new.get("kind") == "case":
            raise RecordRefused(
                f"specimen {code!r}: a case can't become a device, nor a device one"
            )
        key = record["drop_id" if table == "drops" else f"{table}_id"]
        bench.amend(
            connection,
            table,
            key,
            [(column, record.get(column), value) for column, value in new.items()],
            reason=reason,
            entry_id=entry_id,
        )
        if table != "specimen" or not new.get("note"):
            return None
        return quarantine.suspect_note(connection, code, str(new["note"]), entry_id=entry_id)


def _amended(column: str, text: str) -> str | float | int | None:
    if not text:
        return None
    if column == "dropped_at":
        return typed_time(text, name="dropped_at", right="an ISO 8601 time")[0].isoformat(" ")
    free_text = ("method", "fixture", "conditioning")
    return text if column in free_text else typed_value(column, text)


def find_drop(connection: Any, series: str, drop_number: int) -> dict[str, Any]:
    """A drop as it stands today.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    series : str
        Code of the series.
    drop_number : int
        Which drop.

    Raises
    ------
    RecordRefused
        No such drop; the message names the last one.
    """
    rows = bench.fetch(connection, "find_drop", series=series, drop_number=drop_number)
    if rows:
        return rows[0]
    found = bench.find(connection, "series", series)
    last = bench.run(connection, "last_drop_number", series_id=found["series_id"])
    raise RecordRefused(
        f"drop {drop_number} of series {series!r}: not in the store; its last drop is {last}"
    )


def list_drops(session: Session, series: Sequence[str] | None = None) -> list[dict[str, Any]]:
    """Every drop as it stands today, voided ones too, with where it came from."""
    with database.reading(session.store) as connection:
        rows = bench.fetch(connection, "list_drops", series=list(series) if series else None)
        _refuse_unknown(connection, series, rows)
        return rows


def _refuse_unknown(
    connection: Any, series: Sequence[str] | None, rows: Sequence[Mapping[str, Any]]
) -> None:
    """Refuse a code that is not in the store; only those without a row need a look."""
    seen = {row["series"] for row in rows}
    for code in series or ():
        if code not in seen:
            bench.find(connection, "series", code)


def files_set_aside(session: Session, series: str) -> list[dict[str, Any]]:
    """Files that a watch of the series could not read, with the reason."""
    with database.reading(session.store) as connection:
        return bench.fetch(connection, "files_set_aside", series=series)


# ------------------------------------------------------------------------------------- damage


def add_damage(
    session: Session,
    specimen: str,
    severity: str,
    *,
    series: str | None,
    drop_number: int | None,
    mode: str | None = None,
    location: str | None,
    note: str | None,
    inspector: str | None = None,
    photos: Sequence[str] = (),
) -> dict[str, Any]:
    """Note what was seen on a specimen, by default after its latest drop.

    Parameters
    ----------
    session : Session
        Store and person.
    specimen, severity : str
        Its code, and 0 to 4 as typed.
    series : str, optional
        Code of a series that it was dropped in.
    drop_number : int, optional
        The drop of that series after which it was seen; else its last.
    mode : str, optional
        What kind of damage, a word of ``DAMAGE_MODES``.
    location, note : str, optional
        Where, and what was seen, in free words.
    inspector : str, optional
        Who looked; else who enters it.
    photos : sequence of str
        Pictures of it: file name and SHA-256 are kept, the pictures stay where they are.

    Returns
    -------
    dict
        specimen, series, drop_number, severity, mode, inspector and photos as stored, and
        ``quarantine`` of the device when the words tell of a failing battery.

    Raises
    ------
    UnusableCall
        A value is none of its kind, or a picture can't be read.
    RecordRefused
        No such specimen, series or drop, or the specimen was not dropped there.
    """
    level = typed_value("severity", severity, option="--severity")
    mode = None if mode is None else str(typed_value("mode", mode, option="--mode"))
    _refuse_mode(mode, level, note, options="--")
    pictures = read_photos(photos)
    if drop_number is not None and series is None:
        raise UnusableCall("--series: missing beside --drop; name the series of that drop")
    with entry(session, "damage add") as (connection, entry_id):
        found = bench.find(connection, "specimen", specimen)
        series_id, number = None, drop_number
        if series is not None:
            row = bench.find(connection, "series", series)
            if specimen not in (row["case"], row["device"]):
                raise RecordRefused(
                    f"specimen {specimen!r}: not dropped in series {series!r} (its device is"
                    f" {row['device']}, its case {row['case'] or 'none: bare'})"
                )
            series_id = row["series_id"]
            last = bench.run(connection, "last_drop_number", series_id=series_id)
            number = last if number is None else number
            find_drop(connection, series, number)
        else:
            latest = bench.fetch(connection, "latest_series_of", specimen_id=found["specimen_id"])
            if latest:
                series_id, series, number = latest[0].values()
        note_id = bench.run(
            connection,
            "add_damage",
            specimen_id=found["specimen_id"],
            series_id=series_id,
            drop_number=number,
            severity=level,
            mode=mode,
            location=location,
            note=note,
            inspector=inspector,
            entry_id=entry_id,
        )
        for picture in pictures:
            bench.run(
                connection,
                "add_damage_photo",
                damage_note_id=note_id,
                **asdict(picture),
                entry_id=entry_id,
            )
        device: str | None = specimen
        if found["kind"] == "case":
            device = bench.find(connection, "series", series)["device"] if series else None
        kept = quarantine.suspect_note(
            connection,
            device,
            _told(location, mode, note),
            of_case=found["kind"] == "case",
            entry_id=entry_id,
        )
    return {
        "specimen": specimen,
        "series": series,
        "drop_number": number,
        "severity": level,
        "mode": mode,
        "inspector": inspector or session.person,
        "photos": [asdict(picture) for picture in pictures],
        "quarantine": kept,
    }


def _refuse_mode(mode: Any, severity: Any, said: Any, *, options: str) -> None:
    """Refuse a mode of nothing seen, and "other" without a word on what."""
    if mode is not None and severity == 0:
        raise UnusableCall(f"{options}mode: {MODE_OF_NOTHING}")
    if mode == OTHER_MODE and not said:
        raise UnusableCall(f"{options}note: {OTHER_UNSAID}")


def _told(location: str | None, mode: str | None, note: str | None) -> str:
    """A damage note as one reads it out: "back cover swelling: lifts by 1 mm"."""
    seen = " ".join(words for words in (location, mode) if words)
    return ": ".join(words for words in (seen, note) if words)


def doubted_place(location: str | None) -> str | None:
    """Why a place written like an edge or a corner is none; such a place is kept all the same.

    Parts are numbered in many ways: what an orientation must be, a place need not be.
    """
    fault = impossible_designation(location)
    return fault and f"place {location!r}: {fault}; kept as written"


def _moment(text: str | None) -> tuple[datetime, str | None]:
    """Wall-clock time of the drop and its offset; now, by the bench's own clock, when not typed."""
    if text is None:
        now = datetime.now().astimezone()
        return now.replace(tzinfo=None, microsecond=0), now.isoformat()[-6:]
    typed_value("dropped_at", text, option="--dropped-at")
    moment, offset = typed_time(text, name="--dropped-at", right="an ISO 8601 time")
    return moment, offset or None
