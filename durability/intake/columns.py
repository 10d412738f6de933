"""The columns that files and the keyboard may bring, and what each may hold; one table for all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from durability.record.errors import UnusableCall
from durability.record.units import (
    ACCELERATION,
    AREA,
    FREQUENCY,
    LENGTH,
    MASS,
    PERCENTAGE,
    PULSE_TIME,
    SENSITIVITY,
    TEMPERATURE,
    VELOCITY,
    Quantity,
    suffix,
)
from durability.record.vocabulary import (
    DAMAGE_MODES,
    DAMAGE_SEVERITIES,
    OUTCOMES,
    PURPOSES,
    SPECIMEN_KINDS,
)

ColumnKind = Literal["text", "number", "integer", "date", "timestamp", "choice"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its kind, its range, and what would be right in words."""

    name: str
    kind: ColumnKind
    right: str
    above: float | None = None
    """Values must be above this (exclusive) …"""
    least: float | None = None
    """… or at or above this."""
    most: float | None = None
    choices: tuple[str, ...] = ()
    past: bool = False
    """A date or time that can't lie in the future."""
    quantity: Quantity | None = None
    """Of a number that may carry its unit."""
    must_be_plausible: bool = False
    """Of a number that was mistyped where it is not within ``PLAUSIBLE_RANGE``."""
    is_free: bool = False
    """Free text, which may hold line breaks and the like; a name may not."""


MOST_NUMBER = 2**31 - 1
"""Largest whole number that a column holds."""


PLAUSIBLE_RANGE = 1e-9, 1e9
"""No quantity of a drop is beyond these in its unit."""
PLAUSIBLE_YEARS = 1900, 2199
"""No date of a record is beyond these: programs write years 1, 1601, 1899 or 9999 where they hold
no date."""


def _text(name: str, right: str) -> Column:
    return Column(name, "text", right)


def _words(name: str, right: str) -> Column:
    return Column(name, "text", right, is_free=True)


def _positive(name: str, quantity: Quantity) -> Column:
    unit = "g (grams)" if quantity is MASS else quantity.unit
    right = f"a number above 0, in {unit}, or with its unit, like {quantity.like}"
    return Column(name, "number", right, above=0.0, quantity=quantity, must_be_plausible=True)


def _choice(name: str, choices: tuple[str, ...]) -> Column:
    return Column(name, "choice", "one of " + ", ".join(choices), choices=choices)


_SEVERITY = "0 none, 1 cosmetic, 2 minor, 3 major or 4 failed"
MODE_OF_NOTHING = "is given with severity 0 (none): leave it blank, or give a severity of 1 to 4"
NO_CASE_TO_DAMAGE = (
    "a bare drop has no case to be damaged; note damage of the device with: damage add"
)
SEVERITY_UNSAID = f"blank beside a damage note; give {_SEVERITY}"
OTHER_UNSAID = "blank beside the mode other; say what was seen"
_ISO_TIME = "an ISO 8601 date or time not in the future, like 2026-03-14T09:30+01:00"
_ISO_DATE = "an ISO 8601 date, like 2026-03-14"

COLUMNS: dict[str, Column] = {
    column.name: column
    for column in (
        _text("series", "the code of a drop series"),
        Column(
            "drop_number",
            "integer",
            "a whole number, 1 for the first drop",
            least=1,
            most=MOST_NUMBER,
        ),
        _positive("peak_g", ACCELERATION),
        _positive("pulse_duration_ms", PULSE_TIME),
        _positive("velocity_change_m_s", VELOCITY),
        _positive("achieved_height_mm", LENGTH),
        Column("dropped_at", "timestamp", _ISO_TIME, past=True),
        _text("case", "the code of a case; blank when bare"),
        _text("case_model", "the model of the case"),
        _text("device", "the code of a device or dummy"),
        _text("device_model", "the model of the device"),
        _choice("device_kind", ("device", "dummy")),
        _positive("drop_height_mm", LENGTH),
        _text("surface", "what the drop lands on"),
        _text("orientation", "what strikes first"),
        Column(
            "temperature_c",
            "number",
            f"a number above -273.15, in °C, or with its unit, like {TEMPERATURE.like}",
            above=-273.15,
            quantity=TEMPERATURE,
        ),
        _text("sensor", "the code of a sensor"),
        _text("recorder", "the name of a recorder"),
        _choice("purpose", PURPOSES),
        Column("settling_drops", "integer", "a whole number, 0 or more", least=0, most=MOST_NUMBER),
        _choice("status", ("valid", "void", "never")),
        _words("void_reason", "why the drop does not count, or was never made"),
        Column("damage_severity", "integer", _SEVERITY, least=0, most=max(DAMAGE_SEVERITIES)),
        _choice("damage_mode", tuple(DAMAGE_MODES)),
        _words("damage_location", "where the damage is"),
        _words("damage_note", "what was seen"),
        _text("operator", "who dropped it"),
        _words("note", "free text"),
        _text("specimen", "the code of a case, device or dummy"),
        Column("severity", "integer", _SEVERITY, least=0, most=max(DAMAGE_SEVERITIES)),
        _choice("mode", tuple(DAMAGE_MODES)),
        _words("location", "where the damage is"),
        Column("inspected_at", "timestamp", _ISO_TIME, past=True),
        _text("function", "what was checked, like charging"),
        _choice("outcome", OUTCOMES),
        Column("measured", "number", "a number"),
        _text("unit", "the unit of the measured value"),
        _text("inspector", "who inspected"),
        _choice("blind", ("yes", "no")),
        _text("check_list", "the version of the check list: the first digits of its digest"),
        _text("code", "the code of the specimen"),
        _choice("kind", SPECIMEN_KINDS),
        _text("model", "the model of the specimen"),
        _text("lot", "the production lot"),
        _positive("mass_g", MASS),
        Column("received_on", "date", _ISO_DATE, past=True),
        _positive("sensitivity_mv_per_g", SENSITIVITY),
        _positive("full_scale_g", ACCELERATION),
        _positive("natural_frequency_hz", FREQUENCY),
        Column("calibrated_on", "date", _ISO_DATE, past=True),
        Column("calibration_due", "date", _ISO_DATE),
        _positive("as_found_mv_per_g", SENSITIVITY),
        _positive("as_left_mv_per_g", SENSITIVITY),
        _positive("drift_tolerance_pct", PERCENTAGE),
        _positive("uncertainty_pct", PERCENTAGE),
        _positive("pad_area_mm2", AREA),
        _positive("pad_thickness_mm", LENGTH),
        _text("certificate", "the number of the certificate"),
        _text("laboratory", "who calibrated"),
        _words("interval_reason", "why the interval changed"),
    )
}


@dataclass(frozen=True, slots=True)
class FileKind:
    """Which columns a kind of file must and may have."""

    name: str
    required: tuple[str, ...]
    optional: tuple[str, ...]
    may_be_blank: tuple[str, ...] = ()
    """Required columns in which a single cell may still be blank."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that such a file may have."""
        return self.required + self.optional


FILE_KINDS: dict[str, FileKind] = {
    kind.name: kind
    for kind in (
        FileKind(
            "drops",
            ("series", "drop_number", "peak_g"),
            (
                "pulse_duration_ms",
                "velocity_change_m_s",
                "dropped_at",
                "case",
                "case_model",
                "device",
                "device_model",
                "device_kind",
                "drop_height_mm",
                "surface",
                "orientation",
                "temperature_c",
                "sensor",
                "purpose",
                "status",
                "void_reason",
                "damage_severity",
                "damage_mode",
                "damage_location",
                "damage_note",
                "achieved_height_mm",
                "operator",
                "note",
            ),
            may_be_blank=("peak_g",),
        ),
        FileKind(
            "damage",
            ("specimen", "severity"),
            ("series", "drop_number", "mode", "location", "note", "inspector"),
        ),
        FileKind(
            "inspections",
            ("device", "inspected_at", "function", "outcome"),
            ("measured", "unit", "note", "inspector", "blind", "check_list"),
        ),
        FileKind(
            "specimens",
            ("code", "kind"),
            ("model", "lot", "mass_g", "received_on", "note"),
        ),
    )
}


def _in_other_units(column: Column) -> dict[str, tuple[str, str]]:
    """Names that a column may have in other units, each with the column and its unit."""
    if column.quantity is None:
        return {}
    stem = column.name.removesuffix(suffix(column.quantity.unit))
    return {
        name: (column.name, unit)
        for unit in column.quantity.units
        if (name := stem + suffix(unit)) not in COLUMNS
    }


IN_OTHER_UNITS: dict[str, tuple[str, str]] = {
    name: meant
    for kind in FILE_KINDS.values()
    for column in kind.columns
    for name, meant in _in_other_units(COLUMNS[column]).items()
}
"""Column of a file by the name of its unit, like drop_height_in → drop_height_mm, in."""


def column_of(name: str) -> tuple[str, str | None]:
    """The column that a name stands for, and the unit that the name gives if not the kept one."""
    return IN_OTHER_UNITS.get(name, (name, None))


_HEADER_CHARACTERS = 1 << 20


def kind_of_files(paths: Sequence[str]) -> str:
    """The kind of table that the headers of files show.

    Parameters
    ----------
    paths : sequence of str
        Text files.

    Returns
    -------
    str
        One of ``FILE_KINDS``.

    Raises
    ------
    UnusableCall
        There is no such file, a header shows no kind or several, or one shows another than the
        first.
    """
    first, *others = [_kind_of_file(Path(path)) for path in paths]
    for path, kind in zip(paths[1:], others, strict=True):
        if kind != first:
            raise UnusableCall(
                f"import {path}: its header fits {kind}, that of {paths[0]} {first}; import"
                " each kind by its own command"
            )
    return first


def _kind_of_file(path: Path) -> str:
    if path.is_dir():
        raise UnusableCall(
            f"import {path}: a folder; durability import waveforms {path} --series S for recorders'"
            f" files, or durability import record {path} for an exported record"
        )
    if not path.is_file():
        raise UnusableCall(f"import {path}: no such file")
    with path.open("rb") as binary:
        if binary.read(4) == b"PK\x03\x04":
            raise UnusableCall(
                f"import {path}: a workbook; name the kind of table: {', '.join(FILE_KINDS)}"
            )
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        header = file.readline(_HEADER_CHARACTERS)
    names = {column_of(name.strip(' "\r\n'))[0] for name in max(map(header.split, ",;\t"), key=len)}
    missing = {
        kind.name: set(kind.required) - {"drop_number"} - names for kind in FILE_KINDS.values()
    }
    kinds = [kind for kind, without in missing.items() if not without]
    if len(kinds) == 1:
        return kinds[0]
    if kinds:
        calls = " or ".join(f"durability import {kind} {path}" for kind in kinds)
        raise UnusableCall(f"import {path}: its header could be of {' or '.join(kinds)}; {calls}")
    near = " or ".join(
        f"{kind} without {', '.join(sorted(without))}"
        for kind, without in missing.items()
        if not names.isdisjoint(FILE_KINDS[kind].required)
    )
    near = f" ({near})" if near else ""
    raise UnusableCall(
        f"import {path}: its header fits no known table{near}; name the kind:"
        f" {', '.join(FILE_KINDS)} (columns by --map), or waveforms for a recorder's file"
    )
