"""What the invented record is made of, and its calendar."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

Row = dict[str, Any]

FOLDER = Path(__file__).parents[2] / "fixtures" / "demo"
TYPED = tomllib.loads((FOLDER / "typed.toml").read_text(encoding="utf-8"))
"""What is typed: sensors, the follow-up plan, what was corrected later."""
INVENTED = "INVENTED for the demo, not measured"
RADIO_MODEL = TYPED["plan"]["device_model"]
RECEIVED_ON = "2026-02-16"

_SUMMER_TIME = datetime(2026, 3, 29, 2)  # noqa: DTZ001 - wall clock of the bench


@dataclass(slots=True)
class Scenario:
    """The invented record: rows as in the files that the program takes."""

    specimens: list[Row] = field(default_factory=list)
    drops: list[Row] = field(default_factory=list)
    damage: list[Row] = field(default_factory=list)
    inspections: list[Row] = field(default_factory=list)


def specimen_row(code: str, kind: str, model: str, mass_g: float) -> Row:
    """Row of a specimen that came to the bench before the first drop."""
    return {
        "code": code,
        "kind": kind,
        "model": model,
        "lot": "demo-lot-1" if kind == "case" else None,
        "mass_g": mass_g,
        "received_on": RECEIVED_ON,
        "note": INVENTED,
    }


def workday(first: str, number: int, hour: int = 9, minute: int = 10) -> datetime:
    """Wall-clock time on the workday that lies ``number`` workdays after ``first``."""
    day = np.busday_offset(first, number, roll="forward")
    return datetime.fromisoformat(f"{day}T{hour:02d}:{minute:02d}:00")


def iso(moment: datetime) -> str:
    """A wall-clock time with the offset that held then."""
    offset = "+02:00" if moment >= _SUMMER_TIME else "+01:00"
    return moment.isoformat(timespec="seconds") + offset


def wall(text: str) -> datetime:
    """The wall-clock time of :func:`iso`."""
    return datetime.fromisoformat(text).replace(tzinfo=None)


def days_between(earlier: datetime, later: datetime) -> float:
    """Days, with their fraction."""
    return (later - earlier) / timedelta(days=1)
