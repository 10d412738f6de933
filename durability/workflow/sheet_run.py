"""A session at the bench: a drop sheet followed, and what is said after each drop."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from durability.intake.bench_lines import read_drop_sheet
from durability.plan.results import PlannedDrop
from durability.record.basis import counted
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.orientation import normalise_orientation
from durability.record.receipts import StoredDrop
from durability.record.vocabulary import SEVERITY_FAILED
from durability.rig.results import RigWatch
from durability.store import bench, database
from durability.workflow import rig
from durability.workflow.histories import Histories, histories_in
from durability.workflow.results import BenchStanding, Limit, Scope
from durability.workflow.series import open_series
from durability.workflow.session import Session, entry
from durability.workflow.study import Study

_SKIP = re.compile(r"skip:?\s*(?P<reason>.*)")
_INSTEAD = re.compile(
    r"(?P<line>.*?)\s+instead\s+(?P<orientation>[^:]+?)\s*(?::\s*(?P<reason>.*))?$"
)
_PLACE = re.compile(r" place (\d+)(?: (skipped|instead))?")
BARE = "bare"


class SheetRun:
    """One drop sheet on its way.

    Parameters
    ----------
    session : Session
        Store and person.
    base : mapping
        Row of the series that the session was called with.
    path : Path
        The sheet's CSV.

    Raises
    ------
    UnusableCall
        The file is no drop sheet, or was changed since it was made.
    """

    def __init__(self, session: Session, base: Mapping[str, Any], path: Path) -> None:
        from durability.plan.sheet import sheet_sha256

        self._session, self._base = session, base
        self._file = read_drop_sheet(path)
        sheet = self._file.sheet
        if sheet_sha256(sheet.drops, sheet.stop_rules) != sheet.sha256:
            raise UnusableCall(
                f"--plan {path}: was changed since it was made (its drops no longer have the hash"
                " in its first line); make a new sheet, or give the file as it was"
            )
        self._rules = {rule.what: rule for rule in sheet.stop_rules}
        self._done: dict[int, str] = {}
        self._read_done()
        self._aside: tuple[str, str] | None = None
        self._last: tuple[int, str, int] | None = None
        self._voids_in_a_row = 0
        self._dropped_at: dict[str, datetime | None] = {}

    def _read_done(self) -> None:
        with database.reading(self._session.record) as connection:
            rows = bench.fetch(connection, "sheet_entries", prefix=self._prefix)
        for row in rows:
            match = _PLACE.search(row["command"])
            if match and (match[2] == "skipped" or row["status"] == "valid"):
                self._done[int(match[1])] = match[2] or "dropped"

    @property
    def _prefix(self) -> str:
        return f"record --plan {self._file.sheet.sha256} "

    @property
    def planned(self) -> PlannedDrop | None:
        """The next drop of the sheet; None when all is done."""
        return next((each for each in self._file.sheet.drops if each.place not in self._done), None)

    def _next(self) -> PlannedDrop:
        planned = self.planned
        if planned is None:
            raise RecordRefused("every drop of the sheet is made or passed over")
        return planned

    # --------------------------------------------------------------------------- what is reported

    def opening(self) -> list[str]:
        """Which sheet is followed and how far it is."""
        sheet = self._file.sheet
        return [
            f"along {self._file.name} of {self._file.made_on}, sha256 {sheet.sha256[:12]}..,"
            f" {self.progress()}",
            *(f"rule: {rule.words}" for rule in sheet.stop_rules),
        ]

    def progress(self) -> str:
        """How much of the sheet is done."""
        of = len(self._file.sheet.drops)
        kinds = list(self._done.values())
        made = len(kinds) - kinds.count("skipped")
        parts = [f"{made} of {counted(of, 'planned drop')} done"]
        if kinds.count("skipped"):
            parts.append(f"{kinds.count('skipped')} passed over")
        if kinds.count("instead"):
            parts.append(f"{kinds.count('instead')} in another orientation")
        return ", ".join(parts)

    def prompt(self) -> str:
        """Place, item and orientation of the next drop."""
        planned, of = self._next(), len(self._file.sheet.drops)
        item = planned.item if planned.group != BARE else f"{planned.item} bare"
        return (
            f"{planned.place}/{of}: {item}, drop {planned.item_drop}, {planned.orientation.upper()}"
        )

    # ------------------------------------------------------------------------------ the drops

    def turn(self, words: str) -> tuple[str, str | None]:
        """A line without its "instead …", and the note of such a deviation.

        Parameters
        ----------
        words : str
            As typed.

        Returns
        -------
        line : str
            The drop itself.
        note : str or None
            For the drop, when it deviates from the sheet.

        Raises
        ------
        UnusableCall
            An orientation that is none, or no reason.
        """
        self._aside = None
        match = _INSTEAD.fullmatch(words)
        if not match:
            return words, None
        orientation = normalise_orientation(match["orientation"])
        reason = (match["reason"] or "").strip()
        if not reason:
            raise UnusableCall(
                f"instead {orientation}: a deviation from the sheet needs its reason, like"
                f" 118 instead {orientation}: cable in the way"
            )
        self._aside = (orientation, reason)
        return match["line"], f"off plan, planned {self._next().orientation}: {reason}"

    def rest_s(self) -> float:
        """Least rest before the next drop, in s."""
        return self._next().rest_s

    def item_dropped_at(self) -> datetime | None:
        """When the next item was last dropped, in any series; UTC."""
        item = self._next().item
        if item not in self._dropped_at:
            with database.reading(self._session.record) as connection:
                self._dropped_at[item] = bench.run(
                    connection, "last_drop_of_specimen", specimen=item
                )
        return self._dropped_at[item]

    def dropped_next(self) -> tuple[str | None, str]:
        """Case, None where bare, and device of the next drop."""
        planned = self._next()
        if planned.group == BARE:
            return None, planned.item
        return planned.item, self._base["device"]

    def target(self, despite_failed: str | None) -> tuple[str, str]:
        """Series of the planned drop, opened if need be, and what the entry is called."""
        planned = self._next()
        orientation, aside = planned.orientation, ""
        if self._aside is not None:
            orientation, aside = self._aside[0], f" instead {self._aside[0]}: {self._aside[1]}"
        series = self._series_for(orientation, despite_failed)
        return series, f"{self._prefix}place {planned.place}{aside}"

    def _series_for(self, orientation: str, despite_failed: str | None) -> str:
        base = self._base
        case, device = self.dropped_next()
        parts = [base["series"]]
        if (case, device) != (base["case"], base["device"]):
            parts.append(case or device)
        if orientation != base["orientation"]:
            parts.append(orientation)
        name = ", ".join(parts)
        if name == base["series"]:
            return name
        with database.reading(self._session.record) as connection:
            there = bench.fetch(connection, "find_series", code=name)
        if not there:
            columns = ("surface", "purpose", "method", "fixture", "conditioning")
            height = base["drop_height_mm"]
            open_series(
                self._session,
                name,
                device=device,
                case=case,
                sensor=base["sensor"],
                values={
                    **{column: base[column] for column in columns},
                    "drop_height_mm": None if height is None else repr(height),
                    "orientation": orientation,
                    "note": f"along drop sheet sha256 {self._file.sheet.sha256}",
                },
                command="record --plan",
                despite_failed=despite_failed,
            )
        return name

    def dropped(
        self, stored: StoredDrop, severity: int, at: datetime, *, is_void: bool
    ) -> list[str]:
        """Note that a drop is stored, and say which stop rules it meets.

        Parameters
        ----------
        stored : StoredDrop
            As stored.
        severity : int
            Of the damage seen, 0 for none.
        at : datetime
            When it was dropped; UTC.
        is_void : bool
            A void drop leaves its place to be dropped again.

        Returns
        -------
        list of str
            Sentences; empty when all is well.
        """
        planned = self._next()
        self._dropped_at[planned.item] = at
        told = []
        if not is_void:
            self._done[planned.place] = "instead" if self._aside else "dropped"
            self._voids_in_a_row = 0
        else:
            self._voids_in_a_row += 1
            rule = self._rules.get("voids_in_a_row")
            if rule and self._voids_in_a_row >= rule.threshold:
                told.append(f"STOP RULE: {rule.words}")
            told.append(f"place {planned.place} is still to be dropped")
        self._last = (planned.place, stored.series, stored.drop_number)
        rule = self._rules.get("damage_severity")
        if rule and severity >= min(rule.threshold, SEVERITY_FAILED):
            told.append(f"STOP RULE: {rule.words}")
            told += self._stop(planned.item, f"stop rule: damage {severity}")
        return told

    def _stop(self, item: str, reason: str) -> list[str]:
        """Pass over all that is still planned for an item."""
        owed = [
            each
            for each in self._file.sheet.drops
            if each.item == item and each.place not in self._done
        ]
        for each in owed:
            self._pass_over(each, reason)
        return [f"{counted(len(owed), 'planned drop')} of {item} passed over"] if owed else []

    def is_skip(self, words: str) -> bool:
        """Whether a line asks to pass over the planned drop."""
        return _SKIP.fullmatch(words) is not None

    def skip(self, words: str) -> str:
        """Pass over the planned drop, with its reason; stored like everything else.

        Raises
        ------
        UnusableCall
            No reason.
        """
        match = _SKIP.fullmatch(words)
        reason = match["reason"].strip() if match else ""
        if not reason:
            raise UnusableCall(
                "skip: a deviation from the sheet needs its reason, like skip: cable"
            )
        planned = self._next()
        self._pass_over(planned, reason)
        return f"place {planned.place} passed over: {reason}"

    def _pass_over(self, planned: PlannedDrop, reason: str) -> None:
        command = f"{self._prefix}place {planned.place} skipped: {reason}"
        with entry(self._session, command):
            pass
        self._done[planned.place] = "skipped"

    def last_stored(self) -> tuple[str, int]:
        """Series and number of the last drop of this sitting; 0 when there is none."""
        return ("", 0) if self._last is None else self._last[1:]

    def undone(self) -> None:
        """The last drop was voided: its place is owed again."""
        if self._last is not None:
            self._done.pop(self._last[0], None)


MOST_LIKE = 30
"""Other series of the case model that inform the drops left, the latest; more would keep the
operator waiting, so the standing says how many there are."""


@dataclass(frozen=True, slots=True)
class SoFar:
    """What a judgement rests on, fetched."""

    series: str
    histories: Histories
    """Of the series and of its like."""
    rig: RigWatch | None


def fetch_so_far(session: Session, series: str) -> SoFar:
    """Readings of a series so far, with what informs their judgement.

    Parameters
    ----------
    session : Session
        Store and person.
    series : str
        Code of the series.

    Returns
    -------
    SoFar
        For a reference series with the rig's charts.
    """
    with database.reading(session.record) as connection:
        like = bench.fetch(connection, "like_series", series=series, most=MOST_LIKE)
        found = histories_in(connection, [series, *(row["series"] for row in like)])
    is_reference = series in found.reference
    return SoFar(series, found, rig.watch(session, [series])[0] if is_reference else None)


def judge_so_far(found: SoFar, limit: Limit) -> BenchStanding:
    """Trend so far with its running alarm, and drops left.

    Parameters
    ----------
    found : SoFar
        As fetched.
    limit : Limit
        Where the case fails.

    Returns
    -------
    BenchStanding
        Without a forecast for bare and reference drops, and before the first valid drop.
    """
    study = Study(found.histories, Scope("series", (found.series,), (found.series,)), limit)
    (history,), (trend,) = study.histories, study.trends
    judged = history.case is not None and found.rig is None and trend.valid_drops > 0
    like = len(found.histories.valid) - 1
    return BenchStanding(trend, study.forecasts[0] if judged else None, found.rig, like)
