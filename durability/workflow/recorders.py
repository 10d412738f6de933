"""Recorders, each described once: what its files leave open, in versions named by digest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from durability.intake.hand_entry import typed_value
from durability.intake.waveforms import CrossChannel
from durability.record.errors import RecordRefused, UnusableCall
from durability.store import bench, database
from durability.workflow.measuring import FilterChoice, RecordOptions
from durability.workflow.session import Session, entry

VERSION_DIGITS = 12
"""Digits of a version's digest by which drops name it."""

_FILTER = tuple(each.name for each in fields(FilterChoice))


def add_recorder(
    session: Session, name: str, options: RecordOptions, note: str | None = None
) -> dict[str, Any]:
    """Keep what a recorder's files leave open; for a known recorder, as its next version.

    Parameters
    ----------
    session : Session
        Store and person.
    name : str
        The recorder's.
    options : RecordOptions
        What is stated about its files.
    note : str, optional
        Anything else worth keeping.

    Returns
    -------
    dict
        The version: recorder, version, options.

    Raises
    ------
    UnusableCall
        Nothing is stated, or the name is blank.
    RecordRefused
        The latest version says the same.
    """
    name = str(typed_value("recorder", name))
    kept = replace(
        options,
        mv_per_g=options.mv_per_g or options.recorder_mv_per_g,
        recorder=None,
        recorder_mv_per_g=None,
        date_by_file_time=False,
    ).given()
    if not kept:
        raise UnusableCall(
            f"recorder {name!r}: no option given, so nothing to keep; state what its files leave"
            " open, like --units V --mv-per-g 0.5"
        )
    text = json.dumps(kept, sort_keys=True, ensure_ascii=False)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    with entry(session, "recorder add") as (connection, entry_id):
        latest = bench.fetch(connection, "find_recorder", code=name)
        if latest and latest[0]["recorder_sha256"] == sha256:
            raise RecordRefused(
                f"recorder {name!r}: version {sha256[:VERSION_DIGITS]} says the same already"
            )
        if not latest:
            bench.refuse_as_new(connection, "recorder", name)
        bench.run(
            connection,
            "add_recorder",
            recorder=name,
            recorder_sha256=sha256,
            recorder_options=text,
            note=note,
            entry_id=entry_id,
        )
    return {"recorder": name, "version": sha256[:VERSION_DIGITS], "options": json.loads(text)}


def list_recorders(session: Session) -> list[dict[str, Any]]:
    """The latest version of each recorder."""
    with database.reading(session.record) as connection:
        return [_told(row) for row in bench.fetch(connection, "list_recorders")]


def show_recorder(session: Session, name: str) -> dict[str, Any]:
    """A recorder with all its versions, the latest first.

    Raises
    ------
    RecordRefused
        The recorder is unknown.
    """
    with database.reading(session.record) as connection:
        latest = bench.find(connection, "recorder", name)
        versions = bench.fetch(connection, "versions_of_recorder", recorder=name)
    return {**_told(latest), "versions": [_told(row) for row in versions]}


def read_as(session: Session, name: str | None, options: RecordOptions) -> RecordOptions:
    """Options with what the description of a recorder says where they are silent.

    Parameters
    ----------
    session : Session
        Store.
    name : str or None
        The recorder's; None: the options as they are.
    options : RecordOptions
        What is stated beside it, which goes first.

    Raises
    ------
    RecordRefused
        The recorder is unknown.
    """
    if name is None:
        return options
    with database.reading(session.record) as connection:
        found = _told(bench.find(connection, "recorder", name))
    held = _options_of(found["options"])
    # A name of one: whichever is stated replaces the whole choice of a filter.
    stated = {
        each.name: getattr(options, each.name)
        for each in fields(RecordOptions)
        if each.name != "filter" and getattr(options, each.name) not in (None, False, ())
    }
    chosen = options.filter if options.filter != FilterChoice() else held.filter
    described = {
        "mv_per_g": None,
        "recorder": f"{found['recorder']} {found['version']}",
        "recorder_mv_per_g": None if "mv_per_g" in stated else held.mv_per_g,
    }
    return replace(held, **{**described, **stated, "filter": chosen})


def _options_of(kept: Mapping[str, Any]) -> RecordOptions:
    plain = {key: value for key, value in kept.items() if key not in (*_FILTER, "cross_channels")}
    cross = tuple(CrossChannel(*each) for each in kept.get("cross_channels", ()))
    choice = FilterChoice(**{key: kept[key] for key in _FILTER if key in kept})
    return RecordOptions(**plain, cross_channels=cross, filter=choice)


def _told(row: Mapping[str, Any]) -> dict[str, Any]:
    """A version as it is shown."""
    return {
        "recorder": row["recorder"],
        "version": row["recorder_sha256"][:VERSION_DIGITS],
        "options": json.loads(row["recorder_options"]),
        "drops": row["drops"],
        "note": row["note"],
        "entered_by": row["entered_by"],
        "entered_at_utc": row["entered_at_utc"],
    }
