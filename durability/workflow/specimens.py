"""Specimens: cases, devices and dummies, and what became of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from durability.intake.columns import PLAUSIBLE_YEARS
from durability.intake.hand_entry import (
    LONGER_KEYS,
    is_marked,
    label_text,
    may_be_a_code,
    scanned,
    typed_date,
    typed_value,
    typed_values,
)
from durability.record import clock
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.receipts import Disposal, Quarantine
from durability.store import bench, database, merging
from durability.workflow import quarantine
from durability.workflow.session import Session, entry, note_second

if TYPE_CHECKING:
    from durability.wear.results import Pad

IN_USE = "in use"
"""Status of a specimen until it is retired, retained, lost, sold, destroyed, refused, disposed."""


RETAINED = "retained"
"""Kept back, to be tested again on days that are set beforehand."""

DISPOSED = "disposed"
"""Disposed of, with how and by whom; its record stays."""


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
        When the note names signs of a failing battery.

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
    with entry(session, "specimen add", values) as (connection, entry_id):
        bench.refuse_taken(connection, "specimen", code)
        bench.run(connection, "add_specimen", **row, entry_id=entry_id)
        return quarantine.suspect_note(connection, code, values.get("note"), entry_id=entry_id)


_FACTS = ("model", "lot", "mass_g", "received_on", "note")
"""What is recorded of a specimen beside its code and kind."""


def same_specimen(session: Session, code: str, other: str, reason: str) -> tuple[str, str]:
    """Say that two codes are of one thing: one dose, one age.

    Parameters
    ----------
    session : Session
        Store and person.
    code, other : str
        The codes, in any order.
    reason : str
        How that is known.

    Returns
    -------
    tuple of str
        The code under which all is recorded now, which was entered first, and the other one.

    Raises
    ------
    RecordRefused
        One is unknown, both are one already, or they differ in kind or model.
    UnusableCall
        The reason is blank.
    """
    if not reason.strip():
        raise UnusableCall("--reason: blank; say how it is known that they are one")
    if code == other:
        raise UnusableCall(f"{code}: is one code; name both codes that the thing has")
    with entry(session, "specimen same") as (connection, entry_id):
        rows = {
            row["specimen_id"]: row
            for row in (bench.find(connection, "specimen", each) for each in (code, other))
        }
        if len(rows) < 2:
            raise RecordRefused(f"{code} and {other}: are one specimen already")
        first = bench.run(connection, "entered_first", specimen_ids=list(rows))
        kept, second = rows.pop(first), next(iter(rows.values()))
        for fact in ("kind", "model"):
            if None not in (kept[fact], second[fact]) and kept[fact] != second[fact]:
                raise RecordRefused(
                    f"{fact}: that of {kept['specimen']} is {kept[fact]}, that of"
                    f" {second['specimen']} {second[fact]}; if they are one thing, correct that"
                    " first: durability specimen amend"
                )
        bench.amend(
            connection,
            "specimen",
            first,
            [(fact, None, second[fact]) for fact in _FACTS if kept[fact] is None and second[fact]],
            reason=f"recorded of {second['specimen']}, which is one thing with it",
            entry_id=entry_id,
        )
        merging.join_specimens(connection, second["specimen_id"], first, reason, entry_id)
    return kept["specimen"], second["specimen"]


def no_longer_same(session: Session, code: str, other: str, reason: str) -> tuple[str, str]:
    """Take back that two codes are of one thing; both statements stay in the record.

    What was recorded under each code is of that one again; what was recorded since under the
    code that was kept stays with it.

    Parameters
    ----------
    session : Session
        Store and person.
    code, other : str
        The codes, in any order, as they are called here or with their sites.
    reason : str
        How that is known.

    Returns
    -------
    tuple of str
        The code that all was recorded under, and the other one.

    Raises
    ------
    RecordRefused
        They are not recorded as one thing.
    UnusableCall
        The reason is blank.
    """
    if not reason.strip():
        raise UnusableCall("--reason: blank; say how it is known that they are two")
    with entry(session, "specimen same --undo") as (connection, entry_id):
        found = bench.fetch(connection, "same_in_force", codes=[code, other])
        if not found:
            raise RecordRefused(f"{code} and {other}: not recorded as one thing")
        for row in found:
            two, one = row["specimen_id"], row["same_as_id"]
            merging.join_specimens(connection, two, one, reason, entry_id, no_longer=True)
            taken = bench.fetch(connection, "taken_over", specimen_id=one, entry_id=row["entry_id"])
            bench.amend(
                connection,
                "specimen",
                one,
                [(each["column_name"], each["new_value"], None) for each in taken],
                reason=f"recorded of {row['code']}, which is not one thing with it",
                entry_id=entry_id,
            )
    return found[0]["other"], found[0]["code"]


_PAD = ("pad_area_mm2", "pad_thickness_mm", "mass_g")


def model_pad(session: Session, model: str, values: Mapping[str, str | None]) -> Pad:
    """Record the pad of a case model and what it carries, or give what is on record.

    Parameters
    ----------
    session : Session
        Store and person.
    model : str
        A case model.
    values : mapping
        pad_area_mm2, pad_thickness_mm and mass_g as typed; what is left out stays as recorded
        before. None of them: nothing is stored.

    Returns
    -------
    Pad
        As it is now.

    Raises
    ------
    UnusableCall
        A value is out of its range, or area or mass are still missing.
    RecordRefused
        No case is of that model, or nothing is recorded of its pad.
    """
    from durability.wear.results import Pad

    typed = typed_values(values, _PAD)
    if any(value is not None for value in typed.values()):
        with entry(session, "specimen model", values) as (connection, entry_id):
            held = _pad_of(connection, model)
            row: dict[str, Any] = {
                name: held.get(name) if typed[name] is None else typed[name] for name in _PAD
            }
            for name in ("pad_area_mm2", "mass_g"):
                if row[name] is None:
                    raise UnusableCall(
                        f"--{name.replace('_', '-')}: missing; static stress is mass times gravity"
                        " over area, so give both"
                    )
            bench.run(connection, "add_model_pad", case_model=model, **row, entry_id=entry_id)
            return Pad(case_model=model, **row)
    with database.reading(session.record) as connection:
        held = _pad_of(connection, model)
    if not held:
        raise RecordRefused(
            f"case model {model!r}: no pad on record; give --pad-area-mm2 and --mass-g"
        )
    return Pad(**held)


def _pad_of(connection: Any, model: str) -> dict[str, Any]:
    """Row of the pad of a case model, empty where none is on record."""
    known = [row["name"] for row in bench.fetch(connection, "models_of_cases", name=model)]
    if model not in known:
        near = f"; nearest: {', '.join(known[:3])}" if known else "; add one: specimen add"
        raise RecordRefused(f"case model {model!r}: no case of that model{near}")
    return next(iter(bench.fetch(connection, "model_pads", case_model=model)), {})


def list_specimens(session: Session, kind: str | None = None) -> list[dict[str, Any]]:
    """Specimens with their model, drops so far and worst damage."""
    with database.reading(session.record) as connection:
        return bench.fetch(connection, "list_specimens", kind=kind)


def show_specimen(session: Session, code: str) -> dict[str, Any]:
    """One specimen with its record, its series and its damage."""
    with database.reading(session.record) as connection:
        specimen = bench.find(connection, "specimen", code)
        return {
            **{key: value for key, value in specimen.items() if key != "specimen_id"},
            "quarantines": bench.fetch(connection, "quarantines_of_device", device=code),
            "states": bench.fetch(connection, "states_of_specimen", code=code),
            "disposals": bench.fetch(connection, "disposals_of_specimen", code=code),
            "series": bench.fetch(connection, "series_of_specimen", code=code),
            "damage": bench.fetch(connection, "damage_of_specimen", code=code),
        }


def series_meant(connection: Any, typed: str) -> str:
    """Series that a code typed or scanned to begin a sitting can only mean.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    typed : str
        Code of a series; or of a case or device, which stands for its open series.

    Returns
    -------
    str
        Code of the series; what was typed where the store has nothing of the kind.

    Raises
    ------
    RecordRefused
        It could mean several series, or a specimen has none that is open.
    """
    code = scanned(typed)
    rows = bench.fetch(connection, "series_meant", code=code)
    found = [row["series"] for row in rows if row["series"] is not None]
    if rows and rows[0]["meant"] is not None:
        note_second(code, rows[0]["meant"])
    if rows and not found:
        raise RecordRefused(
            f"{rows[0]['kind']} {rows[0]['code']!r}: in no open series; open one with: durability"
            " series open"
        )
    if len(found) > 1:
        raise RecordRefused(f"{code!r}: could be {', '.join(found)}; type the series")
    return str(found[0]) if found else code


def specimen_meant(session: Session, typed: str) -> str:
    """Code of the specimen that a typed or scanned code can only mean, else as it was typed."""
    code = scanned(typed)
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "specimen_scanned", code=code)
    if len(rows) != 1:
        return code
    if rows[0]["typed"] != rows[0]["specimen"]:
        note_second(rows[0]["typed"], rows[0]["specimen"])
    return str(rows[0]["specimen"])


def specimen_scanned(session: Session, line: str) -> dict[str, Any] | None:
    """Specimen whose code was scanned, or typed, where a reading is asked for.

    Parameters
    ----------
    session : Session
        Store and person.
    line : str
        Of a sitting at the bench.

    Returns
    -------
    dict or None
        ``specimen`` and ``kind``; None for any other line.

    Raises
    ------
    RecordRefused
        The line bears the mark of a scan, and no specimen has its code, or several have.
    """
    if not (is_marked(line) or may_be_a_code(line)):
        return None
    code = scanned(line)
    with database.reading(session.record) as connection:
        rows = bench.fetch(connection, "specimen_scanned", code=code)
        if is_marked(line) and len(rows) != 1:
            bench.find(connection, "specimen", code)
    exact = next((row for row in rows if is_marked(line) or row["typed"] == code), None)
    is_key = LONGER_KEYS.fullmatch(line.strip()) is not None
    return exact or (rows[0] if len(rows) == 1 and not is_key else None)


def for_labels(session: Session, codes: Sequence[str]) -> list[dict[str, Any]]:
    """Rows of specimens, each once, with ``scans_as``: what its label makes a scanner type.

    Raises
    ------
    RecordRefused
        A code is not in the store.
    """
    with database.reading(session.record) as connection:
        rows = [bench.find(connection, "specimen", code) for code in dict.fromkeys(codes)]
    return [{**row, "scans_as": label_text(row["specimen"])} for row in rows]


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
    if days and days[0] < clock.today():
        raise UnusableCall(f"--retest-on {days[0]}: is past; give a future day")
    if days and days[-1].year > PLAUSIBLE_YEARS[1]:
        raise UnusableCall(f"--retest-on {days[-1]}: not a plausible year; give a future day")
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


def dispose_specimen(
    session: Session,
    code: str,
    how: str,
    where: str | None = None,
    *,
    part: str | None = None,
    on: str | None = None,
    reason: str | None = None,
    named: bool,
) -> tuple[Disposal, str, Quarantine | None]:
    """Record that a specimen, or a part of it, was disposed of; its record stays.

    Parameters
    ----------
    session : Session
        Store, and the person who answers for the disposal.
    code, how : str
        Its code, and how it was disposed of.
    where : str, optional
        Where to, or to whom it was handed over.
    part : str, optional
        Only this part, like its cell: the specimen stays as it is.
    on : str, optional
        ISO date of the day; else today.
    reason : str, optional
        Why, or a certificate's number.
    named : bool
        Whether the person gave a name of their own rather than the login's.

    Returns
    -------
    disposal : Disposal
        As stored.
    kind : str
        What the specimen is.
    kept : Quarantine or None
        Of a device whose battery is suspect: it is not cleared by that.

    Raises
    ------
    UnusableCall
        No person is named, a word is blank, or the day is in the future.
    RecordRefused
        It is disposed of already, or was dropped or inspected after that day.
    """
    if not named or not session.person.strip():
        raise UnusableCall("--by: missing; a disposal needs the name of a person")
    given = {"how": how, "where": where, "part": part, "reason": reason}
    words = {
        name: text if text is None else str(typed_value("note", text, option=f"--{name}"))
        for name, text in given.items()
    }
    day = typed_date(on, option="--on") if on else clock.today()
    if day > clock.today():
        raise UnusableCall(f"--on {day}: is in the future; give the day of the disposal")
    with entry(session, "specimen dispose") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        if specimen["status"] == DISPOSED:
            raise RecordRefused(
                f"specimen {code!r}: disposed of already; where that was a mistake:"
                f" durability specimen return {code} --reason WHY"
            )
        last_seen = bench.run(connection, "last_seen_of_specimen", code=code)
        if part is None and last_seen is not None and day < last_seen:
            raise RecordRefused(
                f"--on {day}: {code} was dropped or inspected on {last_seen}; give that day or a"
                " later one"
            )
        bench.run(
            connection,
            "add_disposal",
            specimen_id=specimen["specimen_id"],
            **words,
            by=session.person.strip(),
            on=day,
            entry_id=entry_id,
        )
        if part is None:
            _set_state(connection, specimen, DISPOSED, reason or how, entry_id)
        stored = quarantine.disposals(connection, code)[-1]
        kept = next(iter(quarantine.quarantines(connection, code)), None)
    return stored, str(specimen["kind"]), kept


def return_specimen(
    session: Session, code: str, reason: str
) -> tuple[str, datetime, str | None, Quarantine | None]:
    """Take a specimen back into use: one that was lost has turned up, one kept back is needed.

    A disposal is taken back by that; of one in use, the latest disposal of a part of it.

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
    part : str or None
        Of one that was in use all along: the part whose disposal is taken back.
    kept : Quarantine or None
        Of a device whose battery was suspect when it left.

    Raises
    ------
    RecordRefused
        It is in use, and nothing of it is disposed of.
    """
    with entry(session, "specimen return") as (connection, entry_id):
        specimen = bench.find(connection, "specimen", code)
        is_in_use = specimen["status"] == IN_USE
        disposed = [
            row
            for row in bench.fetch(connection, "disposals", code=code)
            if is_in_use or row["disposed_part"] is None
        ]
        if is_in_use and not disposed:
            raise RecordRefused(f"specimen {code!r}: in use already")
        if disposed:
            bench.run(
                connection,
                "return_disposal",
                disposal_id=disposed[-1]["disposal_id"],
                reason=reason,
                entry_id=entry_id,
            )
        part = disposed[-1]["disposed_part"] if is_in_use else None
        if is_in_use:
            since = disposed[-1]["entered_at_utc"]
        else:
            since = bench.fetch(connection, "states_of_specimen", code=code)[-1]["since"]
            _set_state(connection, specimen, IN_USE, reason, entry_id)
        kept = next(iter(quarantine.quarantines(connection, code)), None)
    return str(specimen["status"]), since, part, kept


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
