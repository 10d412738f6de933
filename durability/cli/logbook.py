"""Commands that write and look up the record."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from datetime import date
from typing import TYPE_CHECKING, Any

from durability.cli.output import asked_as_of, settings_of, tell
from durability.cli.output import show as show_answer
from durability.intake.hand_entry import TypedDrop
from durability.record import clock
from durability.record.clock import ClockFindings
from durability.record.errors import RecordRefused, UnusableCall, complain
from durability.record.receipts import Quarantine, StoredDrop
from durability.workflow import corrections, keep, sensors, series, specimens
from durability.workflow.session import Session, codes_meant, make_store, open_session, site_of

if TYPE_CHECKING:
    from durability.workflow.results import Limit, Under


def session_of(options: Namespace) -> Session:
    """Store and person of this call, and as of when it is asked.

    Names given without an option are put under the one that they can only mean.
    """
    held = settings_of(options)
    session = open_session(
        held["store"].value, held["person"].value, getattr(options, "as_of", None)
    )
    options.instant = session.as_of
    _understand_codes(options, session)
    if getattr(options, "names", None):
        found, models = series.named(session, options.names)
        options.series = [*(options.series or ()), *found] or None
        options.case_model = [*(options.case_model or ()), *models] or None
        options.names = []
    return session


_SPECIMENS = ("case", "device", "specimen")
_CODES = (
    *("a", "b", "code", "codes", "name", "names", "other", "plan", "recorder", "sensor", "series"),
    *_SPECIMENS,
)
"""Options and words of a call that are codes, or may be."""

_SET = ("changes", "values")
"""Where each ``--set NAME=VALUE`` of a call is kept; the value of a name of a code is one."""


def _understand_codes(options: Namespace, session: Session) -> None:
    """Put codes as they are called in this store: typed with their site, or second ones."""
    given = {name: getattr(options, name, None) for name in _CODES}
    pairs = {name: [each.partition("=") for each in getattr(options, name, ())] for name in _SET}
    is_apart = getattr(options, "undo", False)  # what was two codes is named by both
    own = (*_SPECIMENS, *(() if is_apart else getattr(options, "specimen_codes", ())))
    lists = {name: value if isinstance(value, list) else [value] for name, value in given.items()}
    typed = [(name, code) for name, codes in lists.items() for code in codes if code]
    typed += [(_set_of(of), code) for each in pairs.values() for of, _, code in each]
    asked = {code for name, code in typed if ":" in code[1:] or name in own}
    if not asked or not session.store.is_file():
        return
    meant = codes_meant(session, sorted(asked))

    def called(name: str, code: str) -> str:
        is_understood = name in own or (":" in code[1:] and name in _CODES)
        return meant.get(code, code) if is_understood else code

    for name, value in given.items():
        if isinstance(value, list):
            setattr(options, name, [called(name, code) for code in value])
        elif isinstance(value, str):
            setattr(options, name, called(name, value))
    for name, each in pairs.items():
        if each:
            setattr(options, name, [of + is_ + called(_set_of(of), code) for of, is_, code in each])


def _set_of(of: str) -> str:
    return of.strip().removesuffix("_code")


def limit_of(options: Namespace) -> Limit:
    """When a case has failed, as the options of this call say."""
    from durability.workflow.results import Limit

    held = {name: each.value for name, each in settings_of(options).items()}
    held["horizon"] = getattr(options, "horizon", None)
    names = [each.name for each in fields(Limit) if hasattr(options, each.name)]
    return Limit(**{name: held[name] for name in names if held[name] is not None})


def under_of(options: Namespace) -> Under:
    """Under which conditions this call answers."""
    from durability.workflow.histories import orientation_name
    from durability.workflow.results import Under

    orientations = options.orientation or ()
    return Under(
        tuple(options.drop_height_mm or ()),
        tuple(options.surface or ()),
        tuple(orientation_name(name) for name in orientations),
        tuple(options.device_kind or ()),
    )


def day_of(options: Namespace, session: Session) -> date:
    """The day of ``--on``; without it that of ``--as-of``, else today."""
    from durability.intake.hand_entry import typed_date

    return typed_date(options.on, option="--on") if options.on else session.day


def say(options: Namespace, told: Mapping[str, Any], words: str) -> int:
    """Print an acknowledgement: JSON when asked, else one line of words."""
    if options.json:
        from durability.report import as_json

        print(as_json.dumps(as_json.as_of(asked_as_of(options), told)))
    else:
        tell(words)
    return 0


def warn(lines: Iterable[str]) -> None:
    """Print cautions at once, on standard error: what is read from standard output stays clean."""
    for line in lines:
        complain(f"! {line}")


def warn_of(*found: Quarantine | None) -> None:
    """Print what to do with devices that were just put in quarantine."""
    devices = [kept for kept in found if kept is not None]
    if devices:
        from durability.report import safety

        warn(safety.quarantine_lines(*devices))


def init(options: Namespace) -> int:
    """Make the store."""
    session = session_of(options)
    is_new = make_store(session, options.site)
    words = "made" if is_new else "already there and up to date"
    site = site_of(session)
    words += f", site {site}" if options.site else ""
    told = {"store": str(session.store), "new": is_new, "site": site}
    return say(options, told, f"{session.store}: {words}")


def add_specimen(options: Namespace) -> int:
    """Add a specimen."""
    warn_of(specimens.add_specimen(session_of(options), options.code, options.kind, vars(options)))
    told = {"specimen": options.code, "kind": options.kind}
    return say(options, told, f"{options.kind} {options.code} added")


def same_specimen(options: Namespace) -> int:
    """Say that two codes are of one thing, or take that back."""
    typed = options.code, options.other, options.reason  # of one thing they mean one code here
    session = session_of(options)
    if options.undo:
        one, two = specimens.no_longer_same(session, *typed)
        words = f"{two} is not {one}: what was recorded of it is its own again"
        return say(options, {"specimen": one, "other": two}, words)
    if options.code == options.other and typed[0] != typed[1]:
        raise RecordRefused(f"{typed[0]} and {typed[1]}: are one specimen already")
    one, two = specimens.same_specimen(session, options.code, options.other, options.reason)
    words = f"{two} is {one}: one dose, one age, all recorded under {one}"
    return say(options, {"specimen": one, "other": two}, words)


def list_specimens(options: Namespace) -> int:
    """List specimens."""
    rows = specimens.list_specimens(session_of(options), options.kind)
    return show(options, "specimens", rows)


def show_specimen(options: Namespace) -> int:
    """Show one specimen."""
    return show_one(options, "specimen", specimens.show_specimen(session_of(options), options.code))


def model_pad(options: Namespace) -> int:
    """Record or show the pad of a case model."""
    from durability.report import labels

    pad = specimens.model_pad(session_of(options), options.model, vars(options))
    told = {**asdict(pad), "static_stress_kpa": pad.static_stress_kpa}
    return say(options, told, labels.pad(pad))


def retire_specimen(options: Namespace) -> int:
    """Retire a specimen."""
    kept = specimens.retire_specimen(
        session_of(options), options.code, options.reason, options.state, options.retest_on
    )
    told = {"specimen": options.code, "status": options.state}
    again = f", to be tested again on {', '.join(options.retest_on)}" if options.retest_on else ""
    say(options, told, f"{options.code} is {options.state}{again}")
    warn_of(kept)
    return 0


def dispose_specimen(options: Namespace) -> int:
    """Record a disposal."""
    from durability.report import as_json, safety

    disposal, kind, kept = specimens.dispose_specimen(
        session_of(options),
        options.code,
        options.how,
        options.where,
        part=options.part,
        on=options.on,
        reason=options.reason,
        named=not settings_of(options)["person"].is_default,
    )
    say(options, as_json.everything(disposal), f"{options.code}: {safety.disposed(disposal)}")
    if kind == "device":
        warn(safety.disposal_lines(disposal, kept))
    return 0


def return_specimen(options: Namespace) -> int:
    """Take a specimen back into use."""
    state, since, part, kept = specimens.return_specimen(
        session_of(options), options.code, options.reason
    )
    told = {"specimen": options.code, "status": specimens.IN_USE, "was": state, "since": since}
    words = (
        f"{options.code} is in use again; {state} since {since:%Y-%m-%d}; nothing is"
        " known about the time between"
        if part is None
        else f"{options.code}: the disposal of its {part}, entered {since:%Y-%m-%d}, is taken back"
    )
    say(options, told, words)
    warn_of(kept)
    return 0


def clear_specimen(options: Namespace) -> int:
    """End the quarantine of a device."""
    from durability.workflow import inspection

    session = session_of(options)
    was, rests_on = inspection.clear_quarantine(
        session,
        options.code,
        options.reason,
        options.checks,
        named=not settings_of(options)["person"].is_default,
    )
    told = {
        "specimen": options.code,
        "cleared_by": session.person,
        "since": was.since,
        "rests_on": rests_on,
    }
    say(
        options,
        told,
        f"{options.code} is cleared by {session.person}, by {rests_on}; it was in quarantine"
        f" ({was.sign})",
    )
    from durability.report import safety

    warn(safety.watch_cut_short(was, clock.wall_clock()))
    return 0


def amend_specimen(options: Namespace) -> int:
    """Amend a specimen."""
    return _amend(options, "specimen")


def amend_series(options: Namespace) -> int:
    """Amend a series."""
    return _amend(options, "series")


def _amend(options: Namespace, table: str) -> int:
    kept = corrections.amend_record(
        session_of(options), table, options.code, options.changes, options.reason
    )
    warn_of(kept.quarantine)
    told = {table: options.code, "amended": options.changes}
    return say(options, told, f"{table} {options.code} amended; the first values stay in history")


def add_sensor(options: Namespace) -> int:
    """Add a sensor."""
    sensors.add_sensor(session_of(options), options.code, vars(options))
    return say(options, {"sensor": options.code}, f"sensor {options.code} added")


def list_sensors(options: Namespace) -> int:
    """List sensors."""
    return show(options, "sensors", sensors.list_sensors(session_of(options)))


def open_series(options: Namespace) -> int:
    """Open a series."""
    added, unseen = series.open_series(
        session_of(options),
        options.code,
        device=options.device,
        case=options.case,
        sensor=options.sensor,
        values=vars(options),
        despite_failed=options.despite_failed,
    )
    told = {
        "series": options.code,
        "device": options.device,
        "case": options.case,
        "added": added,
    }
    worn = f"in case {options.case}" if options.case else "bare"
    missing = [
        words
        for words, value in (
            ("drop height", options.drop_height_mm),
            ("surface", options.surface),
            ("sensor", options.sensor),
        )
        if value is None
    ]
    words = f"series {options.code} is open: {options.device} {worn}"
    if added:
        words += f"\nnew in the record: {', '.join(added)} (a typing error? then: amend)"
    if missing:
        words += f"\nnot recorded: {', '.join(missing)}; add it with: durability series amend"
    if unseen:
        from durability.report import safety

        words += f"\n{safety.unseen_line(unseen)}"
    return say(options, {**told, "not_looked_at": unseen}, words)


def close_series(options: Namespace) -> int:
    """Close a series."""
    device = series.close_series(session_of(options), options.code, options.reason)
    say(options, {"series": options.code, "status": "closed"}, f"series {options.code} is closed")
    if device is not None:
        from durability.report import safety

        warn(safety.storage_lines(device))
    return 0


def list_series(options: Namespace) -> int:
    """List series."""
    rows = series.list_series(session_of(options), options.series, options.case_model)
    return show(options, "series", rows)


def show_series(options: Namespace) -> int:
    """Show one series with its drops."""
    session = session_of(options)
    found = series.list_series(session, [options.code])[0]
    lists = {
        "drop_list": series.list_drops(session, [options.code]),
        "files_set_aside": series.files_set_aside(session, options.code),
    }
    return show_one(options, "series", {**found, **lists})


def show_code(options: Namespace) -> int:
    """Show what a code names."""
    if series.is_series(session_of(options), options.code):
        return show_series(options)
    options.specimen = options.code
    return history(options)


def add_drop(options: Namespace) -> int:
    """Store the next drop."""
    stored = keep.add_drop(
        session_of(options),
        options.series,
        TypedDrop(options.peak_g, vars(options), options.void_reason),
        despite_quarantine=options.despite_quarantine,
        despite_failed=options.despite_failed,
    )
    say(options, acknowledged(stored), str(stored.drop_number))
    warn_of_drop(stored, vars(options))
    return 0


def add_falls(options: Namespace) -> int:
    """Store falls without readings."""
    from durability.report import labels, safety

    warn(safety.CAUTIONS[:1])
    row, last = series.add_falls(
        session_of(options),
        options.series,
        options.count,
        values=vars(options),
        despite_quarantine=options.despite_quarantine,
        despite_failed=options.despite_failed,
    )
    first = last.drop_number - options.count + 1
    told = {**acknowledged(last), "count": options.count, "first_drop_number": first}
    say(options, told, labels.falls_stored(row, range(first, last.drop_number + 1)))
    warn_of_drop(last, vars(options))
    warn(safety.storage_lines(row["device"]) if row["device_kind"] == "device" else [])
    return 0


def acknowledged(stored: StoredDrop) -> dict[str, Any]:
    """What is said of a stored drop as JSON."""
    told = {"series": stored.series, "drop_number": stored.drop_number, "id": stored.id}
    return told if stored.quarantine is None else {**told, "quarantined": True}


def warn_of_drop(
    stored: StoredDrop, told: Mapping[str, str | None], *, at_bench: bool = False
) -> None:
    """Say what a stored drop calls for: a missing inspection, cracked glass, a battery."""
    if stored.unseen:
        from durability.report import safety

        warn([safety.unseen_line(stored.unseen)])
    if stored.failed_case:
        from durability.report import safety

        warn([safety.failed_case_line(stored.failed_case, 1)])
    if stored.far_off is not None:
        from durability.report import labels

        place = stored.series, stored.drop_number
        warn([labels.far_off(*place, *stored.far_off, key="c G" if at_bench else "")])
    warn_of_clock(stored.clock)
    seen = ("damage_location", "damage_mode", "damage_note", "note")
    _warn_of_words(*(told.get(name) for name in seen))
    warn_of(stored.quarantine)


def warn_of_clock(found: ClockFindings) -> None:
    """Say what the times of drops call for."""
    if found.backwards or found.offsets_taken:
        from durability.report import labels

        warn(labels.clock_lines(found))


def _warn_of_words(location: str | None, *words: str | None) -> None:
    """Say what damage words call for: a place that can't be meant, cracked glass."""
    doubt = keep.doubted_place(location)
    if doubt is not None:
        warn([doubt])
    if (location or any(words)) and keep.tells_cracked_glass(location, *words):
        from durability.report import safety

        warn([safety.EYE_PROTECTION])


def void_drop(options: Namespace) -> int:
    """Void a drop."""
    corrections.void_drop(session_of(options), options.series, options.drop_number, options.reason)
    return _status_told(options, "void", [options.drop_number])


def restore_drop(options: Namespace) -> int:
    """Restore a drop, or several."""
    numbers = _numbered(options)
    status = corrections.restore_drops(session_of(options), options.series, numbers, options.reason)
    return _status_told(options, status, numbers)


def never_drop(options: Namespace) -> int:
    """Take out entries that were no drops."""
    from durability.report import labels

    numbers = _numbered(options)
    notes = corrections.never_drops(session_of(options), options.series, numbers, options.reason)
    told = {"series": options.series, **_named(numbers), "status": "never", "damage_notes": notes}
    words = labels.never_made(options.series, numbers, options.reason, notes)
    return say(options, told, words)


def _numbered(options: Namespace) -> range:
    """Numbers from that of the drop to ``--through``."""
    last = options.drop_number if options.through is None else options.through
    if last < options.drop_number:
        raise UnusableCall(f"--through {last}: below {options.drop_number}, the first one")
    return range(options.drop_number, last + 1)


def _named(numbers: Sequence[int]) -> dict[str, int]:
    """The number of a drop as JSON, and of the last one where there are several."""
    first = {"drop_number": numbers[0]}
    return first if len(numbers) == 1 else {**first, "through": numbers[-1]}


def review(options: Namespace) -> int:
    """Note that a second person checked drops."""
    from durability.report import labels

    session = session_of(options)
    numbers = corrections.review_drops(session, options.series, options.drop_number)
    told = {"series": options.series, "drop_numbers": numbers, "reviewed_by": session.person}
    words = f"{labels.drops(numbers)} of {options.series} checked by {session.person}"
    return say(options, told, words)


def _status_told(options: Namespace, status: str, numbers: Sequence[int]) -> int:
    from durability.report import labels

    told = {"series": options.series, **_named(numbers), "status": status}
    are = "is" if len(numbers) == 1 else "are"
    return say(options, told, f"{labels.drops(numbers)} of {options.series} {are} {status}")


def amend_drop(options: Namespace) -> int:
    """Amend a drop."""
    amended = corrections.amend_record(
        session_of(options),
        "drops",
        options.series,
        options.changes,
        options.reason,
        options.drop_number,
    )
    warn_of_clock(amended.clock)
    told = {
        "series": options.series,
        "drop_number": options.drop_number,
        "amended": options.changes,
    }
    return say(
        options,
        told,
        f"drop {options.drop_number} of {options.series} amended; the first values stay in history",
    )


def list_drops(options: Namespace) -> int:
    """List drops."""
    session = session_of(options)
    wanted = [*options.codes, *(options.series or ())]
    return show(options, "drops", series.list_drops(session, wanted or None))


def add_damage(options: Namespace) -> int:
    """Note damage."""
    told = keep.add_damage(
        session_of(options),
        options.specimen,
        options.severity,
        series=options.series,
        drop_number=options.drop_number,
        mode=options.mode,
        location=options.location,
        note=options.note,
        inspector=options.inspector,
        photos=options.photos,
    )
    kept = told.pop("quarantine")
    place = (
        f"after drop {told['drop_number']} of {told['series']}"
        if told["series"]
        else "before any drop"
    )
    mode = f" ({told['mode']})" if told["mode"] else ""
    say(options, told, f"noted on {told['specimen']}: severity {told['severity']}{mode}, {place}")
    _warn_of_words(options.location, options.mode, options.note)
    warn_of(kept)
    return 0


def history(options: Namespace) -> int:
    """Everything that happened to one specimen."""
    from durability.workflow.show import specimen_history

    under = under_of(options)
    found = specimen_history(session_of(options), options.specimen, under)
    from durability.report.answers import history as answer

    return show_answer(options, answer.blocks(found, under), lambda: answer.json(found))


def show(options: Namespace, what: str, rows: list[dict[str, Any]]) -> int:
    """Print rows as JSON or as the table of their kind."""
    from durability.report.answers import records

    return show_answer(options, records.listed(what, rows), lambda: {what: rows})


def show_one(options: Namespace, what: str, record: dict[str, Any]) -> int:
    """Print one record as JSON or as its sheet."""
    from durability.report.answers import records

    return show_answer(options, records.sheet(what, record), lambda: record)
