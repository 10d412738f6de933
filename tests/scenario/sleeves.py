"""The invented bench: sleeves worn out by a dummy, radios dropped in them and bare."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from scenario.record import RADIO_MODEL, Row, Scenario, iso, specimen_row, workday

from durability.record.units import STANDARD_GRAVITY_M_S2, impact_velocity_m_s

if TYPE_CHECKING:
    from durability.record.records import FloatArray

_SURFACE = "steel plate over concrete"
_FULL_HEIGHT_MM = 1220.0
_PASSED_10_PCT = 1.0 - 2.0 * math.asin(0.1) / math.pi
"""Share of a half-sine's base between its 10 % points."""


@dataclass(frozen=True, slots=True)
class _Sleeve:
    """How a model of sleeve behaves; rates are of ln peak g, drops count a case's whole life."""

    letter: str
    level_g: float
    rise: float = 0.0
    rise_spread: float = 0.0
    settling: float = 0.0
    """Rise of ln peak g that the first drops bring and no more …"""
    settling_drops: float = 1.0
    """… and in how many drops two thirds of it are done."""
    splits_at_drop: float = math.inf
    """Median drop at which a case splits."""
    rig_cases: int = 5
    """Cases dropped with the dummy; two more carry radios."""


_SLEEVES = {
    "Tarn": _Sleeve("T", 164.0),
    "Corrie": _Sleeve("C", 148.0, settling=0.19, settling_drops=3.0),
    "Scree": _Sleeve("S", 156.0, rise=0.019, rise_spread=0.0045),
    "Moraine": _Sleeve("M", 171.0, rise=0.004, splits_at_drop=25.0, rig_cases=6),
}
_BARE_LEVEL_G = {"dummy": 1430.0, "device": 1060.0}
"""A radio's housing yields where a rigid block does not."""
_PLANNED_DROPS = 28

_SEEN_BY_TWO = ("M2", "M3", "M4", "S2")
"""Sleeves that a second person rated too, after the same drops."""
_VOIDED = {
    ("demo-T2", 7): (0.71, "cable snagged on the guide, landed slow"),
    ("demo-C3", 4): (1.34, "wrong orientation: landed on edge 2-3"),
    ("demo-S2", 11): (None, "missed trigger: nothing recorded"),
    ("demo-S4", 6): (0.83, "wrong orientation: landed on corner 2-3-5"),
    ("demo-M1", 3): (1.29, "wrong orientation: landed on edge 3-5"),
    ("demo-M4", 9): (None, "missed trigger: nothing recorded"),
    ("demo-bare", 5): (0.42, "sensor cable worked loose"),
    ("demo-R15", 4): (None, "missed trigger: nothing recorded"),
}
"""Series and drop number → factor on the reading (None: none), and the reason."""
_WILD = {("demo-T4", 13): (2.35, "reads far too high; nothing found wrong with drop or rig: kept")}
_NOTES = {
    ("demo-C1", 1): "first drop of a new sleeve",
    ("demo-S1", 15): "sleeve sits looser than at the start",
    ("demo-S3", 20): "break of an hour before this drop",
    ("demo-M2", 12): "rattle heard after impact",
}

_RADIO_SLEEVES_MM_DROPS = (
    ("T6", 1220, 1), ("T6", 1220, 4), ("T7", 1220, 12), ("T7", 760, 6),
    ("C6", 1220, 2), ("C6", 1220, 8), ("C7", 1220, 16), ("C7", 760, 3),
    ("S6", 1220, 1), ("S6", 1220, 6), ("S7", 1220, 20), ("S7", 760, 10),
    ("M7", 1220, 2), ("M7", 1220, 5), ("M8", 1220, 10), ("M8", 760, 4),
    (None, 460, 1), (None, 460, 3), (None, 460, 6), (None, 760, 1),
    (None, 760, 3), (None, 760, 8), (None, 1220, 2), (None, 1220, 5),
)  # fmt: skip
"""What each of the 24 dropped radios went through: sleeve or bare, height, drops."""


@dataclass(slots=True)
class _Case:
    """One sleeve: its own departure from its model, and the drops it has lived through."""

    code: str
    model: str
    offset: float
    rise: float
    splits_at_drop: float
    lived: int = 0
    severity: int = 0

    def log_level(self, drops: int) -> FloatArray:
        """Ln of peak g at full height, face down, over its next drops."""
        sleeve = _SLEEVES[self.model]
        worn = self.lived + np.arange(drops)
        settled = sleeve.settling * (1.0 - np.exp(-worn / sleeve.settling_drops))
        return np.asarray(math.log(sleeve.level_g) + self.offset + self.rise * worn + settled)


@dataclass(frozen=True, slots=True)
class _Run:
    """One series to be dropped."""

    series: str
    device: str
    start: datetime
    drops: int
    case: _Case | None = None
    height_mm: float = _FULL_HEIGHT_MM
    orientation: str = "face 3"
    surface: str = _SURFACE
    sensor: str | None = "demo-A1"
    purpose: str = "test"
    device_kind: str = "dummy"
    device_model: str = "demo-Dummy"
    operator: str = "operator 1"


@dataclass(frozen=True, slots=True)
class DroppedRadio:
    """One radio, its place in the table of exposures, and its drops in time order."""

    code: str
    place: int
    drops: Sequence[Row]

    def shock_dose(self, exponent: float) -> float:
        """Σ (peak g / 1000)^exponent over its drops, on which its invented fate rests."""
        return float(sum(((row["peak_g"] or 0.0) / 1000.0) ** exponent for row in self.drops))


class Bench:
    """The invented bench: drops things and writes it down."""

    def __init__(self, rng: np.random.Generator, scenario: Scenario) -> None:
        self._rng = rng
        self._scenario = scenario
        self._cases: dict[str, _Case] = {}
        for model, sleeve in _SLEEVES.items():
            for number in range(1, sleeve.rig_cases + 3):
                code = f"{sleeve.letter}{number}"
                self._cases[code] = _Case(
                    code,
                    model,
                    offset=rng.normal(0.0, 0.035),
                    rise=sleeve.rise + rng.normal(0.0, sleeve.rise_spread),
                    splits_at_drop=sleeve.splits_at_drop * math.exp(rng.normal(0.0, 0.25)),
                )
                mass = round(64.0 + rng.normal(0.0, 0.6), 1)
                scenario.specimens.append(specimen_row(code, "case", model, mass))
        scenario.specimens.append(specimen_row("D1", "dummy", "demo-Dummy", 318.0))

    def wear_out_sleeves(self) -> None:
        """Drop the dummy in each sleeve until it splits or the planned drops are done."""
        rig_cases = [
            case
            for model, sleeve in _SLEEVES.items()
            for case in self._cases.values()
            if case.model == model and int(case.code[1:]) <= sleeve.rig_cases
        ]
        for place, case in enumerate(rig_cases):
            start = workday("2026-03-02", place // 2, 9 + 4 * (place % 2))
            drops = _PLANNED_DROPS - 2 * (place % 3)
            operator = f"operator {1 + place % 2}"
            self._drop(_Run(f"demo-{case.code}", "D1", start, drops, case, operator=operator))
        for place, (code, height_mm) in enumerate(
            (code, height) for code in ("T1", "T2", "T3") for height in (760.0, 460.0)
        ):
            start = workday("2026-03-17", place // 2, 9 + 4 * (place % 2))
            series = f"demo-{code}-{height_mm:.0f}"
            self._drop(_Run(series, "D1", start, 12, self._cases[code], height_mm))
        for place, code in enumerate(("T4", "T5")):
            start = workday("2026-03-20", place)
            run = _Run(
                f"demo-{code}-edge", "D1", start, 15, self._cases[code], orientation="edge 2-3"
            )
            self._drop(run)

    def drop_bare_and_reference(self) -> None:
        """Drop the dummy without a sleeve, and each week on the pad that watches the rig."""
        self._drop(_Run("demo-bare", "D1", workday("2026-03-23", 0, 13), 12))
        drift = np.array([0, 0, 0, 0, 0, 0, 0.018, 0.032, 0.05])
        rows = []
        for week, shift in enumerate(drift):
            start = workday("2026-03-02", 5 * week, 8)
            run = _Run(
                "demo-pad",
                "D1",
                start,
                4,
                height_mm=600.0,
                surface="reference pad",
                purpose="reference",
            )
            rows += self._measured(run, math.log(212.0) + shift + np.zeros(4), 0.010)
        for number, row in enumerate(rows, start=1):
            row["drop_number"] = number
        self._scenario.drops += rows

    def drop_radios(self) -> list[DroppedRadio]:
        """Drop the radios, each as often as its lot fell to it; some were never to be dropped."""
        radios = []
        order = self._rng.permutation(len(_RADIO_SLEEVES_MM_DROPS))
        for place, (code, height_mm, drops) in enumerate(_RADIO_SLEEVES_MM_DROPS):
            radio = f"R{order[place] + 1:02d}"
            case = self._cases[code] if code else None
            start = workday("2026-03-24", 2 * (place % 8), 9 + 2 * (place // 8))
            run = _Run(
                f"demo-{radio}",
                radio,
                start,
                drops,
                case,
                float(height_mm),
                sensor="demo-A2",
                device_kind="device",
                device_model=RADIO_MODEL,
                operator="operator 2",
            )
            rows = self._drop(run)
            if (code, height_mm, drops) == ("T6", 1220, 4):
                bare = _Run(
                    f"demo-{radio}-bare",
                    radio,
                    start + timedelta(minutes=40),
                    2,
                    height_mm=460.0,
                    sensor=None,
                    device_kind="device",
                    device_model=RADIO_MODEL,
                    operator="operator 2",
                )
                rows = rows + self._drop(bare)
            radios.append(DroppedRadio(radio, place, rows))
        self._scenario.specimens += [
            specimen_row(radio.code, "device", RADIO_MODEL, 322.0)
            for radio in sorted(radios, key=lambda each: each.code)
        ]
        return radios

    def _drop(self, run: _Run) -> list[Row]:
        """Drop one series and write it down; what was seen on the sleeve stands beside it."""
        case, drops = run.case, run.drops
        if case is not None:
            # A sleeve that splits ends its series.
            left = case.splits_at_drop - case.lived
            drops = drops if left > drops else max(1, math.ceil(left))
            levels = case.log_level(drops)
        else:
            bare_level_g = _BARE_LEVEL_G[run.device_kind]
            levels = np.full(drops, math.log(bare_level_g))
        levels = levels + 0.5 * math.log(run.height_mm / _FULL_HEIGHT_MM)
        if run.orientation.startswith("edge"):
            levels = levels - 0.21
        rows = self._measured(run, levels, 0.035 if case else 0.06)
        if case is not None:
            self._look_at_sleeve(case, rows)
        for row in rows:
            self._mishap(row)
        self._scenario.drops += rows
        return rows

    def _measured(self, run: _Run, log_level: FloatArray, scatter: float) -> list[Row]:
        """Rows of drops whose peaks scatter round their level; warmer sleeves are softer."""
        rng, drops = self._rng, len(log_level)
        temperature_c = rng.normal(21.0, 0.8) + 0.02 * np.arange(drops) + rng.normal(0, 0.1, drops)
        rest_s = rng.normal(150.0, 12.0, drops)
        rest_s[0] = 0.0
        if run.series == "demo-S3":
            rest_s[19] = 3700.0
        if run.series == "demo-C2":
            rest_s[8] = 41.0
        peak_g = np.exp(log_level + scatter * rng.standard_normal(drops))
        peak_g *= 1.0 - 0.003 * (temperature_c - 21.0)
        rebound = rng.normal(0.36 if run.case else 0.24, 0.02, drops)
        velocity_change_m_s = impact_velocity_m_s(run.height_mm) * (1.0 + rebound)
        base_ms = 1000.0 * math.pi * velocity_change_m_s / (2.0 * STANDARD_GRAVITY_M_S2 * peak_g)
        height_mm = run.height_mm * (1.0 + rng.normal(0.0, 0.002, drops))
        case = run.case
        return [
            {
                "series": run.series,
                "drop_number": at + 1,
                "dropped_at": iso(run.start + timedelta(seconds=float(rest_s[: at + 1].sum()))),
                "peak_g": round(float(peak_g[at]), 1),
                "pulse_duration_ms": round(_PASSED_10_PCT * float(base_ms[at]), 2),
                "velocity_change_m_s": round(float(velocity_change_m_s[at]), 2),
                "case": case.code if case else None,
                "case_model": case.model if case else None,
                "device": run.device,
                "device_model": run.device_model,
                "device_kind": run.device_kind,
                "drop_height_mm": run.height_mm,
                "achieved_height_mm": round(float(height_mm[at]), 0),
                "surface": run.surface,
                "orientation": run.orientation,
                "temperature_c": round(float(temperature_c[at]), 1),
                "sensor": run.sensor,
                "purpose": run.purpose,
                "operator": run.operator,
                "status": "valid",
                "void_reason": None,
                "damage_severity": None,
                "damage_mode": None,
                "damage_location": None,
                "damage_note": None,
                "note": _NOTES.get((run.series, at + 1)),
            }
            for at in range(drops)
        ]

    def _look_at_sleeve(self, case: _Case, rows: Sequence[Row]) -> None:
        """Note damage when it grows, and that nothing grew at every fifth drop."""
        splitting = math.isfinite(case.splits_at_drop)
        marks = (0.35, 0.6, 0.82, 1.0) if splitting else (14.0, 40.0)
        life = case.splits_at_drop if splitting else 1.0
        words = {
            0: (None, None, None),
            1: ("abrasion", "edge 2-3" if splitting else "face 3", "scuffed"),
            2: ("crack", "edge 2-3", "hairline at the seam")
            if splitting
            else ("abrasion", "edge 2-3", "worn flat"),
            3: ("split", "edge 2-3", "seam open by 8 mm"),
            4: ("split", "edge 2-3", "split along the seam, no longer holds the device"),
        }
        for row in rows:
            case.lived += 1
            severity = sum(case.lived >= mark * life for mark in marks)
            if severity > case.severity or row["drop_number"] % 5 == 0:
                row["damage_severity"] = severity
                columns = ("damage_mode", "damage_location", "damage_note")
                row.update(zip(columns, words[severity], strict=True))
                if case.code in _SEEN_BY_TWO:
                    self._look_again(row, words)
            case.severity = severity

    def _look_again(self, row: Row, words: Mapping[int, Sequence[str | None]]) -> None:
        """The rating of a second person, who takes a hairline for a scuff."""
        severity = row["damage_severity"]
        if severity == 2:
            severity = 1
        mode, location, note = words[severity]
        self._scenario.damage.append(
            {
                "specimen": row["case"],
                "series": row["series"],
                "drop_number": row["drop_number"],
                "severity": severity,
                "mode": mode,
                "location": location,
                "note": note,
                "inspector": "inspector 2",
            }
        )

    @staticmethod
    def _mishap(row: Row) -> None:
        key = (row["series"], row["drop_number"])
        if key in _WILD:
            factor, row["note"] = _WILD[key]
            row["peak_g"] = round(row["peak_g"] * factor, 1)
        if key in _VOIDED:
            voided, reason = _VOIDED[key]
            row["status"], row["void_reason"] = "void", reason
            if voided is None:
                row.update(peak_g=None, pulse_duration_ms=None, velocity_change_m_s=None)
            else:
                row["peak_g"] = round(row["peak_g"] * voided, 1)
