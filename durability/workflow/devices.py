"""The one evaluation of the devices: what shocks and later failures say of each other on a day."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from durability.devices.results import (
    CheckTable,
    DeviceExpectation,
    DoseDeclaration,
    DoseUnder,
    LatentAnswer,
    LatentCaveats,
    LatentUnder,
    LifeLine,
)
from durability.record.errors import RecordRefused, UnusableCall
from durability.record.records import DeviceHistory
from durability.store import bench, database
from durability.workflow import quarantine
from durability.workflow.follow_up import confirm_rules, intermittent_checks
from durability.workflow.histories import read_device_histories, read_shock_histories
from durability.workflow.results import Scope
from durability.workflow.session import Session, entry
from durability.workflow.specimens import IN_USE

if TYPE_CHECKING:
    from durability.devices.results import DamageBoundary, DoseCurve, LatentLink
    from durability.record.receipts import Quarantine

AVERAGED = "averaged"
WithoutReading = Literal["likely", "no shock", "largest"]


def declare_dose(session: Session, exponent: str, without_reading: str, reason: str) -> None:
    """Store which dose is to be held against later failures; what was said before stays.

    Parameters
    ----------
    session : Session
        Store and person.
    exponent : str
        "averaged" for an average over the usual range, or a number above 0.
    without_reading : {"likely", "no shock", "largest"}
        What a drop without a trusted reading counts as.
    reason : str
        Why this one.

    Raises
    ------
    UnusableCall
        The exponent is none, or the reason is blank.
    """
    power = None if exponent == AVERAGED else _number(exponent)
    if without_reading not in get_args(WithoutReading):
        raise UnusableCall(f"--without-reading {without_reading!r}: likely, no shock or largest")
    if not reason.strip():
        raise UnusableCall("--reason: blank; say why this dose")
    with entry(session, "inspect declare") as (connection, entry_id):
        bench.run(
            connection,
            "add_dose_declaration",
            exponent=power,
            without_reading=without_reading,
            reason=reason.strip(),
            entry_id=entry_id,
        )


def _number(exponent: str) -> float:
    try:
        power = float(exponent)
    except ValueError:
        power = float("nan")
    if not 0 < power < float("inf"):
        raise UnusableCall(f"{exponent!r}: not an exponent; give a number above 0, or averaged")
    return power


def first_follow_up(connection: Any) -> datetime | None:
    """First inspection of a device on a later day than its first drop; None before."""
    moment: datetime | None = bench.run(connection, "first_follow_up")
    return moment


def declarations(
    connection: Any, histories: Sequence[DeviceHistory], first_look_at: datetime | None
) -> tuple[DoseDeclaration, ...]:
    """Each dose that was declared, with the verdict by it, in order of time.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    histories : sequence of DeviceHistory
        The whole study.
    first_look_at : datetime, optional
        First follow-up inspection, by the bench clock.

    Returns
    -------
    tuple of DoseDeclaration
    """
    rows = bench.fetch(connection, "dose_declarations")
    if not rows:
        return ()
    from durability.devices.judgement import link_verdict
    from durability.devices.study import assemble

    told = []
    for row in rows:
        # By the record's own clock: what a person says of the time of a declaration proves nothing.
        at = row["entered_at_utc"].replace(tzinfo=UTC).astimezone().replace(tzinfo=None)
        study = assemble(histories, row["without_reading"])
        verdict, p_value = link_verdict(study, row["exponent"])
        told.append(
            DoseDeclaration(
                declared_by=row["entered_by"],
                declared_at=at,
                exponent=row["exponent"],
                without_reading=row["without_reading"],
                reason=row["reason"],
                is_before_follow_up=first_look_at is None or at < first_look_at,
                verdict=verdict,
                p_value=p_value,
            )
        )
    return tuple(told)


EPOCH = date(1970, 1, 1)
"""Days of the models count from here."""

WEEK_STRETCHES = (
    (0, 0), (1, 1), (2, 2), (3, 4), (5, 8), (9, 13), (14, 26), (27, 52), (53, None),
)  # fmt: skip
"""First and last whole week after the last drop, each about twice as long, as inspections are."""


class DeviceStudy:
    """All that the record says of its devices on a day; each part is worked out once.

    Parameters
    ----------
    session : Session
        Store and person.
    on : date, optional
        The day on which failures that no one has seen yet are asked for; by default the session's.
    """

    def __init__(self, session: Session, on: date | None = None) -> None:
        self._session = session
        self._on = on or session.day

    @cached_property
    def histories(self) -> list[DeviceHistory]:
        """The drops of each device and how it fared, in order of device code."""
        return read_device_histories(self._session)

    @cached_property
    def link(self) -> LatentLink:
        """Whether later failures go with the shocks before them, and each device's outlook."""
        from durability.devices.judgement import judge_latent_link

        return judge_latent_link(self.histories, on_day=float((self._on - EPOCH).days))

    @cached_property
    def dose_curve(self) -> DoseCurve | None:
        """Share of devices failed by shock dose, with a band."""
        from durability.devices.study import LITERATURE_EXPONENT
        from durability.devices.what_next import dose_curve

        return dose_curve(self.histories, exponent=self.link.dose_exponent or LITERATURE_EXPONENT)

    @cached_property
    def caveats(self) -> LatentCaveats:
        """What the verdict depends on: intermittent functions and declarations."""
        with database.reading(self._session.record) as connection:
            rules = confirm_rules(connection)
            intermittent = intermittent_checks(connection, rules)
            first_look_at = first_follow_up(connection)
            declared = declarations(connection, self.histories, first_look_at)
        judged = {history.device for history in self.histories}
        return LatentCaveats(
            intermittent=tuple(row for row in intermittent if row["device"] in judged),
            without_unconfirmed=_without_unconfirmed(self.histories, rules),
            first_follow_up_at=first_look_at,
            declarations=declared,
        )

    @cached_property
    def _withheld(self) -> tuple[list[Quarantine], dict[str, str]]:
        """Devices in quarantine, and the status of those no longer in use."""
        with database.reading(self._session.record) as connection:
            devices = bench.fetch(connection, "devices")
            quarantined = quarantine.quarantines(connection)
        return quarantined, {
            row["device"]: row["status"] for row in devices if row["status"] != IN_USE
        }

    def read(self) -> DeviceStudy:
        """Itself with all that ``answer`` reads, which then needs the store no more."""
        _ = self.histories, self.caveats, self._withheld
        return self

    def answer(self, scope: Scope | None = None) -> LatentAnswer:
        """The link, the doses it rests on, and which devices are no longer inspected.

        Parameters
        ----------
        scope : Scope, optional
            Show one by one only the devices within it; the link is that of all devices.
        """
        quarantined, not_in_use = self._withheld
        link = self.link
        if scope is not None:
            own = tuple(each for each in link.per_device if each.device in scope.devices)
            link = replace(link, per_device=own)
            quarantined = [each for each in quarantined if each.device in scope.devices]
        return LatentAnswer(
            link=link,
            doses=device_doses(self.histories, until_failed=True),
            not_in_use=not_in_use,
            quarantined=tuple(quarantined),
            caveats=self.caveats,
        )

    def life_lines(self, devices: Sequence[str] | None = None) -> list[LifeLine]:
        """The drops of each device and when it failed.

        Parameters
        ----------
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
        from durability.devices.follow_up import follow_up
        from durability.devices.study import LITERATURE_EXPONENT, REFERENCE_PEAK_G, stand_in_peaks

        known = {history.device for history in self.histories}
        for code in devices or ():
            if code not in known:
                listed = ", ".join(sorted(known)[:5]) or "none yet"
                raise RecordRefused(
                    f"--device {code!r}: no device of that code (there are: {listed})"
                )
        damage: dict[str, list[tuple[float, int]]] = {}
        with database.reading(self._session.record) as connection:
            for row in bench.fetch(connection, "device_damage"):
                day = np.nan if row["day"] is None else row["day"]
                damage.setdefault(row["device"], []).append((day, row["severity"]))
        lines = []
        for history, (likely, _) in zip(
            self.histories, stand_in_peaks(self.histories), strict=True
        ):
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
                    damage=tuple(damage.get(history.device, ())),
                )
            )
        return sorted(lines, key=lambda line: (-line.shock_dose[-1:].sum(), line.history.device))

    def check_tables(self) -> list[CheckTable]:
        """Outcomes by function and weeks after the last drop: dropped devices, then controls."""
        from durability.devices.follow_up import follow_up

        dropped: list[tuple[DeviceHistory, float]] = []
        controls: list[tuple[DeviceHistory, float]] = []
        for history in self.histories:
            zero_day = follow_up(history).zero_day
            if zero_day is not None:
                (dropped if len(history.drop_day) else controls).append((history, zero_day))
        return [
            _check_table(group, members)
            for group, members in (("dropped devices", dropped), ("never dropped", controls))
            if members
        ]

    def boundaries(self, devices: Sequence[str] | None = None) -> list[DamageBoundary]:
        """What the shocks of each device model say of its damage boundary, in order of model.

        Parameters
        ----------
        devices : sequence of str, optional
            Keep only these.
        """
        from durability.devices.boundary import damage_boundary

        return damage_boundary(read_shock_histories(self._session, devices))


def expect_device(session: Session, device: str, inspected_at: datetime) -> DeviceExpectation:
    """What the model expected of a device before an inspection, made without that inspection.

    Parameters
    ----------
    session : Session
        Store and person.
    device : str
        Its code.
    inspected_at : datetime
        The inspection; checks of this device on its day or later are left out.

    Returns
    -------
    DeviceExpectation
        The device's outlook on that day.
    """
    from durability.devices.judgement import judge_latent_link

    day = float((inspected_at.date() - EPOCH).days)
    histories = [
        history if history.device != device else _before(history, day)
        for history in read_device_histories(session)
    ]
    link = judge_latent_link(histories, on_day=day)
    outlook = next(each for each in link.per_device if each.device == device)
    return DeviceExpectation(link, outlook)


def device_doses(
    histories: Sequence[DeviceHistory], *, until_failed: bool
) -> dict[str, tuple[DoseUnder, ...]]:
    """Shock dose of each device under the lower, usual and upper exponent of the literature.

    Parameters
    ----------
    histories : sequence of DeviceHistory
        The whole study: drops without a reading are judged by their like in all of it.
    until_failed : bool
        Count only the drops made with each device before it was found to have failed.

    Returns
    -------
    dict
        Device → one dose an exponent.
    """
    from durability.devices.follow_up import follow_up
    from durability.devices.study import LITERATURE_EXPONENT, LITERATURE_RANGE, exposure_of

    lived_through = [
        follow_up(history).lived_through
        if until_failed
        else np.ones(len(history.drop_day), dtype=bool)
        for history in histories
    ]
    exponents = (LITERATURE_RANGE[0], LITERATURE_EXPONENT, LITERATURE_RANGE[1])
    exposures = [exposure_of(histories, lived_through, exponent) for exponent in exponents]
    return {
        history.device: tuple(
            DoseUnder(
                exponent,
                of_all[at].shock_dose,
                of_all[at].shock_dose_likely,
                of_all[at].shock_dose_upper,
            )
            for exponent, of_all in zip(exponents, exposures, strict=True)
        )
        for at, history in enumerate(histories)
    }


def _without_unconfirmed(
    histories: Sequence[DeviceHistory], rules: Mapping[str, Mapping[str, tuple[int, int]]]
) -> LatentUnder | None:
    """The verdict with the fails left out that no further inspection confirmed."""
    from durability.devices.follow_up import without_unconfirmed
    from durability.devices.judgement import link_verdict
    from durability.devices.study import assemble

    kept = [without_unconfirmed(history, rules.get(history.device, {})) for history in histories]
    changed = sum(new is not old for new, old in zip(kept, histories, strict=True))
    return LatentUnder(changed, *link_verdict(assemble(kept))) if changed else None


def _before(history: DeviceHistory, day: float) -> DeviceHistory:
    """A history as it was known before the inspections of one day."""
    return history.with_checks(history.check_day < day)


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
