"""The stores whose answers are kept, how each is made, and what is asked of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

_SCATTER = (0.021, -0.034, 0.012, 0.047, -0.018, -0.052, 0.031, 0.005, -0.027, 0.039, -0.009)
"""Log scatter of one drop after the other, again from the front when used up."""
_DROP_COLUMNS = (
    "series,drop_number,dropped_at,peak_g,pulse_duration_ms,velocity_change_m_s,case,case_model,"
    "device,device_kind,device_model,drop_height_mm,surface,orientation,temperature_c,sensor,"
    "operator,purpose,damage_severity,damage_mode,damage_location"
)


@dataclass(frozen=True)
class MadeStore:
    """A store: the files it is made from, the commands that make it and what is asked of it."""

    files: Mapping[str, str]
    made_by: Sequence[str]
    asked: Mapping[str, Sequence[str]]
    """Commands by the file that keeps their answers."""
    pages: Sequence[str]
    """Options of each page that is written."""
    pictures: Sequence[str]
    """Kinds drawn beside those of the pages."""


def _drops(
    series: str,
    *,
    first_g: float,
    rise: float,
    count: int,
    day: int,
    device: str,
    kind: str = "dummy",
    case: str = "",
    model: str = "",
    height_mm: int = 1220,
    purpose: str = "test",
    damage: Mapping[int, str] | None = None,
) -> Iterator[str]:
    """Rows of a series whose level climbs by ``rise`` a drop, about which the readings scatter."""
    for number in range(1, count + 1):
        scatter = _SCATTER[(number + len(series) + day) % len(_SCATTER)]
        peak_g = first_g * math.exp(rise * (number - 1) + scatter)
        duration_ms = 900.0 / peak_g
        velocity_m_s = 2.0 / math.pi * peak_g * 9.80665 * duration_ms / 1000.0
        seen = (damage or {}).get(number, ",,")
        yield (
            f"{series},{number},2026-0{3 + day // 28}-{1 + day % 28:02d}T09:{number % 60:02d}:00,"
            f"{peak_g:.1f},{duration_ms:.2f},{velocity_m_s:.2f},{case},{model},{device},{kind},"
            f"{'dummy-300' if kind == 'dummy' else 'radio'},{height_mm},steel,face 3,"
            f"{20 + number % 5},A-1,{'Ann' if number % 2 else 'Ben'},{purpose},{seen}"
        )


def _sheet(*series: Iterator[str]) -> str:
    return "\n".join((_DROP_COLUMNS, *(row for rows in series for row in rows), ""))


def _waveform(peak_g: float, duration_ms: float) -> str:
    """A half sine in g, 20 kHz, with a little ringing so that no filter finds nothing to do."""
    lines = ["time_s,acceleration_g"]
    for sample in range(600):
        at_ms = sample / 20.0 - 5.0
        inside = 0.0 < at_ms < duration_ms
        value = peak_g * math.sin(math.pi * at_ms / duration_ms) if inside else 0.0
        value += 0.02 * peak_g * math.sin(1.9 * at_ms) * math.exp(-abs(at_ms) / 8.0)
        lines.append(f"{sample / 20000.0:.5f},{value:.3f}")
    return "\n".join((*lines, ""))


def _outcome(number: int, month: int, function: str) -> str:
    """The more a device was shocked, the earlier it fails; one control fails too."""
    fails_from = {8: 4, 7: 5, 6: 7, 11: 7}.get(number, 13)
    if function == "charging" and month >= fails_from:
        return "fail"
    return "degraded" if function == "display" and number == 4 and month == 7 else "pass"


_JUDGING = (
    "trend",
    "forecast",
    "forecast --limit-g 260 --level 0.5 --horizon 60",
    "conditions",
    "rank",
    "rank --by case",
)
_FOLLOW_UP = (
    "inspect list",
    "inspect schedule",
    "inspect check-list",
    "due",
    "due --on 2026-05-20 --within 30",
    "latent",
)
_LISTS = ("specimen list", "sensor list", "series list")
_RIG_AND_PLANS = (
    "rig",
    "rig --gauge",
    "plan rise --rise-pct 2",
    "plan tell-apart --difference-pct 10",
    "plan survive --drops 20",
)
QUESTIONS = (
    "calibration_history",
    "case_models_at_a_glance",
    "checks_before_first_drop_missing",
    "damage_by_drop",
    "damage_modes",
    "days_from_last_drop_to_failure",
    "devices_in_quarantine",
    "devices_not_inspected --set on=2026-08-01",
    "drops_of_doubted_sensors",
    "drops_without_reading",
    "fastest_degrading_cases",
    "first_damage",
    "inspections_overdue --set on=2026-08-01",
    "issued_reports",
    "late_entries",
    "latent_failures",
    "open_findings",
    "outcomes_by_week",
    "peak_g_by_drop",
    "rater_agreement",
    "readings_to_look_at",
    "reference_drops_by_day",
    "rest_between_drops",
    "same_case_at_different_heights",
    "sensor_calibration_overdue",
    "series_not_described",
    "shock_exposure_by_device",
    "source_of_drop",
    "survived_drops",
    "voided_drops",
)
_OF_DEVICES = (
    "checks_before_first_drop_missing",
    "days_from_last_drop_to_failure",
    "devices_in_quarantine",
    "devices_not_inspected --set on=2026-08-01",
    "inspections_overdue --set on=2026-08-01",
    "latent_failures",
    "open_findings",
    "outcomes_by_week",
    "rater_agreement",
    "shock_exposure_by_device",
)
_QUERIES = ("query", *(f"query {question}" for question in QUESTIONS))
PICTURES = (
    "wear",
    "models",
    "survival",
    "fan",
    "scatter",
    "lifeline",
    "latent",
    "heat",
    "pulses",
    "spectra",
    "rig",
    "boundary",
)

STORES = {
    "demo": MadeStore(
        files={},
        made_by=("demo --store demo.duckdb --json --quiet",),
        asked={
            "judging": (
                *_JUDGING,
                "trend --rig-corrected --case-model Scree",
                "forecast --rig-corrected --case-model Scree",
                "rank --series demo-R11 --series demo-M1 --series demo-S1",
                "compare bare Moraine",
                "compare Corrie Scree",
                "claim bare Scree --at-least 10",
                "claim Corrie Scree --at-least 10 --after-drops 10",
            ),
            "record": (
                *_LISTS,
                "specimen show R14",
                "series show demo-M1",
                "sensor show demo-A1",
                "drop list --series demo-M1",
                "show drop demo-M1 3",
                "history R14",
                "history M1",
            ),
            "follow_up": (
                "inspect list R14 --on 2026-08-01",
                *_FOLLOW_UP[1:4],
                "due --on 2026-10-12 --within 14",
                "latent --on 2026-08-01",
            ),
            "rig_and_plans": (
                *_RIG_AND_PLANS,
                "plan survive --drops 20 --shape 2 --drops-each 30 --case-model Corrie",
                "plan sheet --case-model Corrie --orientation 'face 3' --orientation 'edge 1-2'",
            ),
            "questions": (
                "query case_models_at_a_glance",
                "query fastest_degrading_cases",
                "query first_damage --set case_model=Moraine",
                "query latent_failures",
                "query survived_drops",
            ),
            "selfcheck": ("selfcheck",),
        },
        pages=("", "--series demo-R11 --claim 10"),
        pictures=("wear", "fan"),
    ),
    "few": MadeStore(
        files={},
        made_by=(
            "init",
            "specimen add C-1 --kind case --model sleeve --mass-g 64.5",
            "specimen add D-1 --kind dummy",
            "series open S1 --device D-1 --case C-1 --drop-height-mm 1220 --surface steel",
            "drop add S1 --peak-g 118 --pulse-duration-ms 7.5 --dropped-at 2026-03-02T09:00:00",
            "drop add S1 --peak-g 121.5 --dropped-at 2026-03-02T09:05:00 --damage-severity 1"
            " --damage-mode crack --damage-location 'corner 2-3-5'",
            "drop add S1 --dropped-at 2026-03-02T09:10:00 --void-reason 'trigger missed'",
            "series open S2 --device D-1 --drop-height-mm 1220 --surface steel",
            "drop add S2 --peak-g 640 --dropped-at 2026-03-03T09:00:00",
            "series open S3 --device D-2 --device-kind dummy --case C-2 --case-model sleeve",
        ),
        asked={
            "all": (
                *_JUDGING,
                "compare bare sleeve",
                "claim bare sleeve --at-least 10",
                *_LISTS,
                "specimen show C-1",
                "series show S1",
                "drop list",
                "show drop S1 2",
                "history C-1",
                *_FOLLOW_UP,
                *_RIG_AND_PLANS,
            ),
        },
        pages=("",),
        pictures=("wear", "survival", "latent", "rig"),
    ),
    "mended": MadeStore(
        files={
            "drops.csv": _sheet(
                _drops(
                    "A1",
                    first_g=120,
                    rise=0.022,
                    count=16,
                    day=1,
                    device="D-1",
                    case="CA-1",
                    model="alpha",
                    damage={9: "2,crack,corner 2-3-5", 16: "4,crack,corner 2-3-5"},
                ),
                _drops(
                    "A2",
                    first_g=126,
                    rise=0.018,
                    count=14,
                    day=2,
                    device="D-1",
                    case="CA-2",
                    model="alpha",
                    damage={5: "0,,", 14: "1,abrasion,face 3"},
                ),
                _drops(
                    "B1",
                    first_g=150,
                    rise=0.004,
                    count=18,
                    day=3,
                    device="D-1",
                    case="CB-1",
                    model="beta",
                    damage={18: "0,,"},
                ),
                _drops(
                    "B2",
                    first_g=146,
                    rise=0.0,
                    count=12,
                    day=4,
                    device="D-1",
                    case="CB-2",
                    model="beta",
                ),
                _drops(
                    "B3",
                    first_g=185,
                    rise=0.01,
                    count=8,
                    day=8,
                    device="D-1",
                    case="CB-1",
                    model="beta",
                    height_mm=1800,
                ),
                _drops("bare", first_g=620, rise=0.0, count=8, day=5, device="D-1"),
                _drops(
                    "ref",
                    first_g=300,
                    rise=0.001,
                    count=16,
                    day=6,
                    device="D-9",
                    purpose="reference",
                ),
            ),
            "pulse_1.csv": _waveform(118.0, 7.5),
            "pulse_2.csv": _waveform(131.0, 6.8),
            "pulse_3.csv": _waveform(139.0, 6.4),
        },
        made_by=(
            "init",
            "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 2000"
            " --calibrated-on 2026-01-10 --calibration-due 2027-01-10",
            "import drops drops.csv --quiet",
            "drop void A1 7 --reason 'slipped off the hook'",
            "drop void B1 3 --reason 'cable loose'",
            "drop restore B1 3 --reason 'cable was tight'",
            "drop void bare 2 --reason 'struck the frame'",
            "drop amend A2 6 --set peak_g=141.5 --reason 'typed wrongly'",
            "drop amend A1 4 --set temperature_c= --reason 'thermometer broken'",
            "series amend B2 --set orientation='face 2' --reason 'entered wrongly'",
            "specimen amend CA-1 --set lot=L7 --reason 'lot found'",
            "damage add CB-1 --severity 2 --mode tear --location 'edge 1-2' --inspector Ann"
            " --series B3 --drop 8",
            "series close A1 --reason 'case failed'",
            "sensor calibrate A-1 --calibrated-on 2026-06-01 --calibration-due 2027-06-01"
            " --as-found-mv-per-g 0.54 --as-left-mv-per-g 0.5 --certificate 77"
            " --interval-reason 'found drifting'",
            "series open W --device D-2 --device-kind dummy --case CA-3 --case-model alpha"
            " --sensor A-1 --drop-height-mm 1220 --surface steel --orientation 'face 3'",
            "import waveforms pulse_1.csv pulse_2.csv pulse_3.csv --series W --quiet",
            "seal --quiet",
        ),
        asked={
            "judging": (
                *_JUDGING,
                "trend --series A1 --rig-corrected",
                "forecast --case-model beta",
                "forecast --series A2 --rig-corrected",
                "rank --series A1 --series B1",
                "compare alpha beta",
                "compare bare alpha",
                "compare bare beta",
                "claim bare alpha --at-least 50",
                "claim alpha beta --at-least 5 --after-drops 8",
            ),
            "record": (
                *_LISTS,
                "series list --case-model beta",
                "specimen show CA-1",
                "series show A1",
                "series show bare",
                "sensor show A-1",
                "drop list",
                "show drop A1 7",
                "show drop W 2",
                "show pulse W 1 2",
                "show spectrum W 2",
                "history CA-1",
                "history CB-1",
                "verify",
            ),
            "rig_and_plans": (*_RIG_AND_PLANS, "rig --series ref", *_FOLLOW_UP),
            "questions": _QUERIES,
        },
        pages=("", "--series A1 --limit-g 170 --claim 30"),
        pictures=PICTURES,
    ),
    "devices": MadeStore(
        files={
            "short.txt": "power-on\ncharging\ndisplay\n",
            "specimens.csv": "code,kind,model,lot,mass_g,received_on,note\n"
            + "".join(
                f"R{number},device,radio,L{number % 2},{320 + number}.0,2026-01-15,\n"
                for number in range(1, 13)
            ),
            "before.csv": "device,inspected_at,function,outcome,measured,unit,note,inspector\n"
            + "".join(
                f"R{number},2026-02-20T10:{number:02d}:00,{function},pass,,,,Ann\n"
                for number in range(1, 13)
                for function in ("power-on", "charging", "display")
            ),
            "drops.csv": _sheet(
                *(
                    _drops(
                        f"R{number}",
                        first_g=90 + 70 * number,
                        rise=0.004,
                        count=4 + number,
                        day=number,
                        device=f"R{number}",
                        kind="device",
                        case="" if number > 4 else f"C-{number}",
                        model="" if number > 4 else "sleeve",
                    )
                    for number in range(1, 9)
                )
            ),
            "after.csv": "device,inspected_at,function,outcome,measured,unit,note,inspector\n"
            + "".join(
                f"R{number},2026-0{month}-15T11:{number:02d}:00,{function},"
                f"{_outcome(number, month, function)},,,,{'Ann' if number % 3 else 'Ben'}\n"
                for month in (4, 5, 7)
                for number in range(1, 13)
                if (number, month) not in ((3, 7), (11, 5))
                for function in ("power-on", "charging", "display")
            ),
        },
        made_by=(
            "init",
            "import specimens specimens.csv --quiet",
            "import inspections before.csv --quiet",
            "inspect declare 4 --reason 'plastic cases, crack growth'",
            "import drops drops.csv --quiet",
            "inspect schedule short --stage week=7 --stage month=30 --stage quarter=90"
            " --check-list short.txt",
            "inspect schedule short --device-model radio",
            "import inspections after.csv --quiet",
            "inspect record R2 --check power-on=pass --check 'charging=degraded, slow'"
            " --check display=pass --inspected-at 2026-08-20T10:00:00 --blind --inspector Ben",
            "inspect record R5 --check 'battery swelling=fail, back bulges'"
            " --inspected-at 2026-08-21T10:00:00 --inspector Ann",
            "inspect amend R4 display --inspected-at 2026-05-15 --set outcome=degraded"
            " --reason 'line seen on the photo'",
            "specimen retire R9 --reason 'kept back' --state retained --retest-on 2027-01-15",
            "specimen retire R12 --reason 'sold to a museum' --state sold",
        ),
        asked={
            "judging": ("trend", "forecast", "rank", "compare bare sleeve"),
            "record": (
                *_LISTS,
                "specimen list --kind device",
                "specimen show R8",
                "specimen show R5",
                "history R8",
                "history R5",
            ),
            "follow_up": (
                *_FOLLOW_UP,
                "inspect list R2",
                "inspect list R8 --on 2026-08-01",
                "inspect schedule short",
                "due --within 120",
            ),
            "questions": tuple(f"query {question}" for question in _OF_DEVICES),
        },
        pages=("--plan short --on 2026-08-01",),
        pictures=("lifeline", "latent", "heat", "boundary"),
    ),
}
