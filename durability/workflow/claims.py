"""Claims: "reduces peak g by at least so many percent", device and dummy kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.record.basis import counted
from durability.record.errors import RecordRefused, UnusableCall
from durability.store import bench, database
from durability.workflow.histories import BARE, orientation_name
from durability.workflow.results import ClaimAnswer, ClaimByKind, VoidedDrop
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.wear.claims import ClaimReadings

KINDS: tuple[Literal["dummy", "device"], ...] = ("dummy", "device")


def judge_claim(
    session: Session, a: str, b: str, at_least_pct: float, *, after_drops: int | None, level: float
) -> ClaimAnswer:
    """Whether ``b`` reduces peak g against ``a`` by at least so many percent.

    Parameters
    ----------
    session : Session
        Store and person.
    a, b : str
        Case models, or bare.
    at_least_pct : float
        Claimed reduction, in percent of the peak g of ``a``.
    after_drops : int, optional
        Compare at this number of drops of each case's life; by default the drops as they are.
    level : float
        Of the intervals.

    Returns
    -------
    ClaimAnswer
        For dummies and for devices, where both sides were dropped with them.

    Raises
    ------
    RecordRefused
        No drop of a side in the store, or both sides never with the same kind.
    UnusableCall
        A value outside its range, or both sides the same.
    """
    if a == b:
        raise UnusableCall(f"claim {a!r} against itself: name two case models, or bare and one")
    if not 0 <= at_least_pct < 100:
        raise UnusableCall(f"--at-least {at_least_pct:g}: not a percentage from 0 to below 100")
    if after_drops is not None and after_drops < 1:
        raise UnusableCall(f"--after-drops {after_drops}: not a number of drops, 1 or more")
    if not 0 < level < 1:
        raise UnusableCall(f"--level {level:g}: not a share between 0 and 1, like 0.9")
    sides = [_rows(session, name) for name in (a, b)]
    answers = []
    for kind in KINDS:
        of_kind = [[row for row in side if row["device_kind"] == kind] for side in sides]
        if all(of_kind):
            answers.append(_answer(kind, of_kind, at_least_pct, after_drops, level))
    if not answers:
        seen = [sorted({str(row["device_kind"]) for row in side}) for side in sides]
        raise RecordRefused(
            f"{a} was dropped with {' and '.join(seen[0])}, {b} with {' and '.join(seen[1])}:"
            " device and dummy are kept apart, so the two can't be compared; drop both with the"
            " same"
        )
    return ClaimAnswer(
        a=a,
        b=b,
        by_kind=tuple(answers),
        voided=tuple(
            VoidedDrop(row["series"], row["drop_number"], row["peak_g"], row["void_reason"])
            for side in sides
            for row in side
            if row["status"] == "void"
        ),
    )


def _rows(session: Session, name: str) -> list[dict[str, Any]]:
    with database.reading(session.store) as connection:
        rows = bench.fetch(connection, "claim_readings", case_model=None if name == BARE else name)
    if not any(row["status"] == "valid" for row in rows):
        raise RecordRefused(f"{name!r}: no valid test drop of it in the store")
    return rows


def _answer(
    kind: Literal["dummy", "device"],
    sides: Sequence[Sequence[Mapping[str, Any]]],
    at_least_pct: float,
    after_drops: int | None,
    level: float,
) -> ClaimByKind:
    from durability.wear.claims import judge_claim as judged

    differing = tuple(
        column
        for column in ("drop_height_mm", "surface")
        if len({row[column] for side in sides for row in side}) > 1
    )
    valid = [[row for row in side if row["status"] == "valid"] for side in sides]
    read = [[row for row in side if row["peak_g"] is not None] for side in sides]
    claim, with_voided, reason = None, None, None
    try:
        a, b = (_readings(side, differing=differing) for side in valid)
        claim = judged(a, b, at_least_pct, level, at_drop=after_drops)
        if sum(map(len, read)) > sum(map(len, valid)):
            a, b = (_readings(side, differing=differing) for side in read)
            with_voided = judged(a, b, at_least_pct, level, at_drop=after_drops)
    except UnusableCall as error:
        reason = str(error)
    return ClaimByKind(
        device_kind=kind,
        claim=claim,
        reason=reason if claim is None else None,
        voided_a=len(sides[0]) - len(valid[0]),
        voided_b=len(sides[1]) - len(valid[1]),
        with_voided=with_voided,
    )


def _readings(rows: Sequence[Mapping[str, Any]], *, differing: tuple[str, ...]) -> ClaimReadings:
    from durability.wear.claims import ClaimReadings

    if not rows:
        raise UnusableCall(f"{counted(0, 'valid drop')} on one side")
    bare = rows[0]["case"] is None
    return ClaimReadings(
        log_peak=np.log([row["peak_g"] for row in rows]),
        case=None if bare else tuple(row["case"] for row in rows),
        orientation=tuple(_condition(row, differing=differing) for row in rows),
        drop_number=np.array([row["case_drop_number"] for row in rows], dtype=np.int64),
    )


def _condition(row: Mapping[str, Any], *, differing: tuple[str, ...]) -> str:
    """Orientation of a drop, with height and surface where these differ among the drops."""
    parts = [orientation_name(row["orientation"]) or "orientation not recorded"]
    if "drop_height_mm" in differing:
        height = row["drop_height_mm"]
        parts.append("height not recorded" if height is None else f"{height:g} mm")
    if "surface" in differing:
        parts.append(row["surface"] or "surface not recorded")
    return ", ".join(parts)
