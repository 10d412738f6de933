"""Cautions, and what to do when a battery is suspect: the usual ones, not local rules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from durability.record.basis import FEWEST_CONTROLS, counted
from durability.record.receipts import Disposal, Quarantine
from durability.report import labels

CAUTIONS = (
    "Flying fragments and falling masses: wear eye protection and keep hands and faces out of the"
    " drop zone while anything is raised.",
    "A dropped lithium battery can fail hours or days later. If it swells, heats, hisses, smells"
    " or leaks: stop, do not charge it, move it away from people and combustibles if that is safe,"
    " watch it, and follow local rules and qualified help.",
)
"""Usual cautions; they do not replace local codes or licensed practice."""


EYE_PROTECTION = (
    "Cracked glass or fragments: wear eye protection and cut-proof gloves, and cover the glass"
    " with tape before it is handled or dropped again."
)


BATTERY_SIGN_KEYS = {
    "s": "swollen",
    "h": "hot",
    "z": "hissing",
    "l": "leaking",
    "o": "smelling",
    "k": "smoking",
    "v": "venting",
    "c": "cracked cell",
}
"""Signs of a failing battery to be ticked, each by its key."""


def battery_signs_line() -> str:
    """What to check at every inspection of a battery."""
    signs = labels.listed(BATTERY_SIGN_KEYS.values())
    return (
        f"Look, feel and smell for signs of a failing battery: {signs}; note its thickness in mm."
    )


def quarantine_lines(*devices: Quarantine) -> list[str]:
    """What to do at the moment a battery is suspect; the usual cautions, not local rules."""
    code = devices[0].device if len(devices) == 1 else "DEVICE"
    return [
        *(
            f"QUARANTINE: {kept.device}: battery suspect since {labels.moment(kept.since)}"
            f" ({kept.sign}: {kept.told})."
            for kept in devices
        ),
        "Stop. Do not charge, power, press or drop it. If that is safe, move it away from people"
        " and combustibles, onto something that can't burn, and do not breathe what it gives off.",
        *(
            f"Watch {kept.device} at least until {_watch_ends(kept)[0]}; inspect again until"
            f" {labels.listed(_watch_ends(kept)[1:])}: a damaged cell can fail weeks later."
            for kept in devices
        ),
        "Do not send it by air: damaged or suspect lithium batteries fall under 49 CFR 173.185(f)."
        " Follow local rules and qualified help. If it burns, leave and call the fire service.",
        "It is left out of drops and inspection plans until a named person clears it by an"
        f" inspection: durability specimen clear {code} --by NAME --reason WHY"
        " --check 'battery swelling=pass'."
        " The program warns and records; it is not an interlock.",
    ]


def disposal_lines(disposal: Disposal, kept: Quarantine | None) -> list[str]:
    """What to observe when a device or its cell is disposed of; the usual, not local rules."""
    code = disposal.specimen
    suspect = (
        [
            f"{code} is {labels.QUARANTINED} ({kept.sign}: {kept.told}): its cell is damaged or"
            " suspect, and a disposal does not clear it."
        ]
        if kept is not None
        else []
    )
    return [
        *suspect,
        "Lithium cells are not ordinary waste: tape the terminals, keep each cell apart in"
        " something that can't burn, and hand it over to whoever may take it. Damaged, defective or"
        " recalled ones are shipped under 49 CFR 173.185(f), never by air: local rules and a"
        " licensed carrier decide.",
    ]


def disposed(disposal: Disposal) -> str:
    """What was disposed of, when, by whom, how and where to."""
    what = f"{disposal.part} disposed of" if disposal.part else "DISPOSED of"
    where = f", {disposal.where}" if disposal.where else ""
    return f"{what} on {labels.moment(disposal.on)} by {disposal.by} ({disposal.how}{where})"


def disposed_lines(disposals: Iterable[Disposal]) -> list[str]:
    """Specimens that are disposed of, in one sentence; none where none is."""
    gone = [each for each in disposals if each.part is None]
    if not gone:
        return []
    named = labels.some(f"{each.specimen} ({labels.moment(each.on)})" for each in reversed(gone))
    return [
        f"Disposed of, so nothing is due: {named}; how and by whom: durability query disposals."
    ]


def undated_in_quarantine_line(device: str, drops: int) -> str:
    """What a drop without a date leaves open, when its device may not be dropped."""
    return (
        f"{device} is in QUARANTINE, and {counted(drops, 'drop')} of it came in without a date:"
        " taken as made before it. Where one was made since, say when: durability drop amend SERIES"
        " NUMBER --set dropped_at=TIME --reason WHY. Do not drop, charge or ship it."
    )


def few_controls(following: int, controls: int) -> list[str]:
    """That too few of the devices that follow a plan are left undropped, if so."""
    if controls >= FEWEST_CONTROLS:
        return []
    return [
        f"{counted(following, 'device')} in use will follow it, {controls} of them never dropped;"
        f" as controls keep {FEWEST_CONTROLS} or more undropped, of the same age, storage and"
        " checks, or later failures can't be distinguished from the background."
    ]


def charged_in_quarantine(device: str, functions: Sequence[str]) -> str:
    """That a test was made that must not be made on a suspect battery."""
    return (
        f"{device} is {labels.QUARANTINED}: do not charge it. {labels.listed(functions)} is"
        " recorded; unplug it, and watch it."
    )


_NEVER_CLEARED = "never cleared"


def kept_apart_lines(devices: Iterable[Quarantine]) -> list[str]:
    """Each quarantined device, why, and until when it is watched."""
    return [
        f"{labels.QUARANTINED}: {kept.device} since {labels.moment(kept.since)} ({kept.sign}:"
        f" {kept.told}); {'; '.join([*map(disposed, kept.disposals), _what_holds(kept)])}."
        for kept in devices
    ]


def kept_apart_in_short(devices: Iterable[Quarantine]) -> str:
    """Quarantined devices in one sentence, and what says more of each."""
    named = [
        f"{kept.device} since {kept.since:%Y-%m-%d} ("
        + "; ".join([kept.sign, *map(disposed, kept.disposals), *_last_of_watch(kept)])
        + ")"
        for kept in devices
    ]
    return (
        f"{labels.QUARANTINED}: {labels.some(named, 4)}; do not charge, power or drop: durability"
        " due."
    )


def _last_of_watch(kept: Quarantine) -> list[str]:
    if kept.is_disposed:
        return [_NEVER_CLEARED]
    return [f"watch until {until:%Y-%m-%d}" for _, until in kept.watch[-1:]]


def _what_holds(kept: Quarantine) -> str:
    if kept.is_disposed:
        return _NEVER_CLEARED
    return (
        f"left out until a named person clears it; watch until {labels.listed(_watch_ends(kept))}"
    )


def _watch_ends(kept: Quarantine) -> list[str]:
    return [f"{labels.moment(until)} ({name})" for name, until in kept.watch]


def watch_cut_short(was: Quarantine, now: datetime) -> list[str]:
    """That a device was cleared before the windows of its watch were over, if it was."""
    left = [f"{labels.moment(until)} ({name})" for name, until in was.watch if until > now]
    if not left:
        return []
    return [
        f"The watch was to run until {labels.listed(left)}; go on inspecting {was.device} until"
        " then."
    ]


def storage_lines(device: str) -> list[str]:
    """What to remember before a dropped device is put away."""
    return [
        f"Before {device} is stored: it was dropped, and its battery may be damaged without a sign."
        " Inspect and feel it first; keep it where a fire could not spread, watch it for 6 h,"
        " and inspect it again after 7 and 30 days.",
        f"Anything odd: durability inspect record {device}, or damage add {device}.",
    ]


def failed_case_line(case: str, drops: int) -> str:
    """That a case was dropped after it had failed."""
    return (
        f"{case} had failed before {counted(drops, 'drop')} here: what was in it was bare in"
        " effect; inspect its glass and battery. They count in age and dose."
    )


def unseen_line(codes: Iterable[str]) -> str:
    """That something is dropped for the first time without an inspection before."""
    return (
        f"{' and '.join(codes)}: no check before the first drop, so a later failure may have been"
        " there all along; inspect now: durability inspect record (a device), damage add (a case)"
    )
