"""One place for words, units and digits; stored and computed values are never rounded."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from durability.life.results import Estimate, Prediction
from durability.record import units
from durability.record.basis import counted
from durability.record.clock import ClockFindings
from durability.record.records import CheckList
from durability.record.vocabulary import DAMAGE_SEVERITIES, HEIGHT_TOLERANCE

if TYPE_CHECKING:
    from durability.record.records import Condition
    from durability.wear.results import Pad

ABSENT = "–"
NOT_RECORDED = "not recorded"
"""Shown where nothing was recorded or nothing can be said."""

VERDICT_MARKS = {"rising": "▲", "settled": "◦", "steady": "=", "too few": "?"}
"""A symbol, never shown without its word."""

SIGNAL = "!! "
"""How each line of a signal to stop begins at the bench: it stands out without colour too."""

QUARANTINED = "QUARANTINED"
"""Shown of a device in quarantine wherever the device is."""

NEEDS_ACTION = (
    f"{VERDICT_MARKS['rising']} ",
    "! ",
    "FAIL",
    "failed",
    "latent failure",
    "4 failed",
    "void:",
    QUARANTINED,
)
"""How a cell or a sentence begins that an engineer must not miss."""


def status(state: str, quarantined_since: datetime | None) -> str:
    """State of a specimen or series; a quarantine is never hidden behind another state."""
    if quarantined_since is None:
        return state
    return QUARANTINED if state in ("in use", "open") else f"{state}, {QUARANTINED}"


def check_list(listed: CheckList) -> str:
    """Name and version of a check list."""
    return f"{listed.name} {digest(listed.sha256)}"


def digest(sha256: str) -> str:
    """Beginning of a digest, enough to distinguish versions."""
    return sha256[:8]


def number(value: float | None, digits: int = 3) -> str:
    """A number for people, with so many significant digits.

    Parameters
    ----------
    value : float or None
        What to show; None when there is nothing to say.
    digits : int
        Significant digits; whole digits before the point are never cut.

    Returns
    -------
    str
        For instance "118", "4.54", "–".

    Examples
    --------
    >>> number(118.0342), number(0.04321), number(None), number(12345.6)
    ('118', '0.0432', '–', '12346')
    """
    if value is None or value != value:
        return ABSENT
    if value == 0:
        return "0"
    from math import floor, isinf, log10

    if isinf(value):
        return "unlimited" if value > 0 else "-unlimited"

    places = max(0, digits - 1 - floor(log10(abs(value))))
    return f"{value:.{places}f}"


def dose(value: float | None) -> str:
    """A shock dose: it spans many powers of ten, and two digits are more than it is good for."""
    if value is None or value == 0 or value >= 0.001:
        return number(value, 2)
    return f"{value:.1e}"


def small(value: float) -> str:
    """A difference or tolerance, which may be tiny: two digits, with a power of ten if need be."""
    return ABSENT if value != value else f"{value:.2g}"


def digits_to_tell(value: float, tolerance: float) -> int:
    """Significant digits that show a difference of a tenth of the tolerance, nine at most.

    Examples
    --------
    >>> digits_to_tell(606.528, 0.02), digits_to_tell(59.0, 0.0)
    (6, 3)
    """
    from math import floor, log10

    if not tolerance or not value:
        return 3
    return max(3, min(9, 2 + floor(log10(abs(value))) - floor(log10(tolerance))))


def percent(value: float | None) -> str:
    """A percentage with its sign, for rates of rise."""
    if value is None or value != value:
        return ABSENT
    return f"{value:+.2f}" if abs(value) < 10 else f"{value:+.1f}"


def interval(lower: float | None, upper: float | None, digits: int = 3) -> str:
    """Two ends in words: "31 to 74", or "over 400" when the upper end lies beyond the horizon."""
    if lower is None and upper is None:
        return ABSENT
    if upper is None:
        return f"over {number(lower, digits)}"
    return f"{number(lower, digits)} to {number(upper, digits)}"


def life(prediction: Prediction, horizon: int) -> tuple[str, str]:
    """Median and interval of drops to failure in words.

    Parameters
    ----------
    prediction : Prediction
        Lower, median, upper; None beyond the horizon.
    horizon : int
        Last drop number considered.

    Returns
    -------
    median, span : str
        For instance ("44", "31 to 74") or ("> 400", "120 to > 400").
    """
    beyond = f"> {horizon}"

    def end(value: float | None) -> str:
        return beyond if value is None else f"{value:.0f}"

    if prediction.lower is None and prediction.median is None:
        return beyond, beyond
    return end(prediction.median), f"{end(prediction.lower)} to {end(prediction.upper)}"


def moment(value: date | datetime | None) -> str:
    """A date or time as people write it; midnight is taken for a date without a time."""
    if value is None:
        return ABSENT
    if isinstance(value, datetime) and (value.hour or value.minute or value.second):
        return value.strftime("%Y-%m-%d %H:%M")
    return value.strftime("%Y-%m-%d")


def since_drop(days: int | None, hours: float | None) -> str:
    """Recovery from the last drop: in hours for two days where they are known, else in days."""
    if hours is not None and hours < 48:
        return f"{number(hours, 2)} h"
    return "" if days is None else counted(days, "day")


def severity(value: int | None) -> str:
    """A damage severity with its word."""
    return ABSENT if value is None else f"{value} {DAMAGE_SEVERITIES[int(value)]}"


def text(value: Any) -> str:
    """Any cell of a table."""
    if value is None:
        return ABSENT
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, date):
        return moment(value)
    if isinstance(value, (list, tuple)):
        return listed(value) or ABSENT
    return str(value)


RECORDED = frozenset(
    {
        *("peak_g", "first_peak_g", "last_peak_g", "max_peak_g"),
        *("pulse_duration_ms", "velocity_change_m_s", "largest_velocity_change_m_s"),
        *("temperature_c", "measured"),
    }
)
"""Names of columns that hold readings as they were recorded."""


def recorded(value: float | None, *, is_bound: bool = False) -> str:
    """A reading as it was recorded, in five digits at most; a clipped peak is a lower bound.

    Examples
    --------
    >>> recorded(101.2), recorded(118.0), recorded(404.3128), recorded(500.0, is_bound=True)
    ('101.2', '118', '404.31', '≥ 500')
    """
    if value is None or value != value:
        return ABSENT
    digits = f"{value:.5g}" if abs(value) < 1e5 else f"{value:.0f}"
    return f"≥ {digits}" if is_bound else digits


def column(name: str) -> str:
    """The name of a column in the unit that it is shown in."""
    quantity = units.of_column(name)
    if quantity is None or not units.is_converted(quantity):
        return name
    return name.removesuffix(units.suffix(quantity.unit)) + units.suffix(units.unit(quantity))


_ENDINGS = {
    "_mv_per_g": "mV/g",
    "_pct_per_drop": "% per drop",
    "_pct": "%",
    "_hz": "Hz",
    "_g": "g",
    "_ms": "ms",
    "_s": "s",
    "_days": "days",
    "_utc": "UTC",
}


def column_words(name: str) -> str:
    """The name of a column as a heading: words, with the unit that it is shown in."""
    quantity = units.of_column(name)
    if quantity is not None:
        stem, unit = name.removesuffix(units.suffix(quantity.unit)), units.unit(quantity)
    else:
        ending = next((each for each in _ENDINGS if name.endswith(each)), "")
        stem, unit = name.removesuffix(ending), _ENDINGS.get(ending, "")
    words = stem.replace("_", " ").replace("sha256", "SHA-256").replace("utc", "UTC")
    return f"{words}, {unit}" if unit else words


def heading(words: str, quantity: units.Quantity | None) -> str:
    """The heading of a column with the unit that it is shown in."""
    if quantity is None or not words.endswith(quantity.unit):
        return words
    return words.removesuffix(quantity.unit) + units.unit(quantity)


def measure(value: float | None, quantity: units.Quantity) -> str:
    """A measured or computed value with its unit."""
    return f"{of(value, quantity)} {units.unit(quantity)}"


def of(value: float | None, quantity: units.Quantity) -> str:
    """The same without its unit."""
    return number(None if value is None else units.shown(value, quantity))


_HEIGHT = re.compile(
    r"(?:^|(?<=, )|(?<=^fell )|(?<=in place of ))(\d+(?:\.\d+)?) mm(?=, |$| in place of)"
)


def heights(words: str) -> str:
    """Words that the store puts together of a record, with their drop height as it is shown."""
    if not units.is_converted(units.LENGTH):
        return words

    def shown(match: re.Match[str]) -> str:
        # The store rounds them to a millimetre, so that more digits would be made up.
        return f"{units.shown(float(match[1]), units.LENGTH):.3g} {units.unit(units.LENGTH)}"

    return _HEIGHT.sub(shown, words)


def cell(name: str, value: Any) -> str:
    """A cell of the column of that name: readings as recorded, all else as ``text`` has it."""
    quantity = units.of_column(name)
    if quantity and units.is_converted(quantity) and isinstance(value, (int, float)):
        return f"{units.shown(value, quantity):.4g}"
    if name == "condition" and isinstance(value, str):
        return heights(value)
    if name in RECORDED and isinstance(value, (int, float)):
        return recorded(value)
    return text(value)


def listed(items: Iterable[Any]) -> str:
    """Items with commas."""
    return ", ".join(str(item) for item in items)


MOST_NAMED = 8


def some(items: Iterable[Any], most: int = MOST_NAMED) -> str:
    """Items with commas, the first few by name and the others counted."""
    named = [str(item) for item in items]
    if len(named) <= most + 1:
        return listed(named)
    return f"{listed(named[:most])} and {len(named) - most} more"


def source(row: dict[str, Any]) -> str:
    """Where a record came from: file and row, or who typed it."""
    if row.get("file_name"):
        # A recorder's file is one drop and has no rows.
        rows = f" row {row['source_row']}" if row["source_row"] is not None else ""
        return f"{row['file_name']}{rows}"
    return f"typed by {row['entered_by']}"


NOT_CODED = "not coded"
"""Damage described in free words only."""

_DIGEST_SHOWN = 12
"""Leading digits of a digest, enough to recognise a file; --json gives all 64."""


def photos(kept: Iterable[Mapping[str, str]]) -> str | None:
    """Pictures by name, each with the first digits of its SHA-256; None without any."""
    named = (
        f"{photo['file_name']} (SHA-256 {photo['file_sha256'][:_DIGEST_SHOWN]}...)"
        for photo in kept
    )
    return listed(named) or None


def condition(row: dict[str, Any]) -> str:
    """Height, surface and orientation of a series in a few words."""
    height = row.get("drop_height_mm")
    parts = (
        None if height is None else units.in_words(height, units.LENGTH),
        row.get("surface"),
        row.get("orientation"),
    )
    return listed(part for part in parts if part) or "not recorded"


def height_fault(achieved_mm: float | None, nominal_mm: float | None) -> str | None:
    """That a drop fell from another height than planned; None within the tolerance."""
    if achieved_mm is None or nominal_mm is None:
        return None
    off = achieved_mm / nominal_mm - 1.0
    if abs(off) <= HEIGHT_TOLERANCE:
        return None
    return (
        f"HEIGHT {units.in_words(achieved_mm, units.LENGTH)}, {100 * off:+.1f} % of"
        f" {units.in_words(nominal_mm, units.LENGTH).split()[0]}"
        f" (ISO 2248 allows {100 * HEIGHT_TOLERANCE:g} %)"
    )


def series_words(row: dict[str, Any]) -> str:
    """Device, case and condition of a series in a few words."""
    worn = f"in case {row['case']}" if row["case"] else "bare"
    return f"{row['device'] or 'device not recorded'} {worn}, {condition(row)}"


RELATIVE = "Relative comparison under the recorded conditions; not a promise of life in the field."


def drops(numbers: Iterable[int]) -> str:
    """Drop numbers in short.

    Examples
    --------
    >>> drops([7]), drops([9, 3, 4, 5])
    ('drop 7', 'drops 3 to 5, 9')
    """
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = [f"{run[0]} to {run[-1]}" if len(run) > 2 else listed(run) for run in runs]
    return f"{'drop' if told == [str(runs[0][0])] else 'drops'} {listed(told)}"


def far_off(series: str, drop_number: int, peak_g: float, level_g: float, *, key: str = "") -> str:
    """That a reading lies far off those before it, and what corrects it if it was misread."""
    call = f"durability drop amend {shlex.quote(series)} {drop_number} --set peak_g=G --reason WHY"
    times = peak_g / level_g
    of = f"{times:.2g}" if 0.01 <= times < 100 else "over 100" if times > 1 else "under 0.01"
    return (
        f"{series} drop {drop_number}: {recorded(peak_g)} g is {of} times"
        f" the readings before it ({number(level_g)} g); stored as it is. If misread:"
        f" {f'{key}, with G the right one' if key else call}"
    )


def rest(seconds: float) -> str:
    """Time between two drops, for people."""
    minutes, left = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours >= 48:
        return f"{hours // 24} days"
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {left} s" if minutes else f"{left} s"


def clock_lines(found: ClockFindings) -> list[str]:
    """That a clock ran backwards, and which offsets were taken where none was written."""
    lines = []
    if found.backwards:
        first, *others = found.backwards
        more = f" (and {counted(len(others), 'more drop')})" if others else ""
        call = f"drop amend {shlex.quote(first.series)} {first.drop_number}"
        lines.append(
            f"{first.series} drop {first.drop_number}{more}: its time is"
            f" {rest(first.back_s)} before that of the drop before it: a clock ran backwards,"
            " or an offset from UTC is missing. Drops stay in the order of their numbers; to"
            f" correct: durability {call} --set dropped_at=TIME --reason WHY"
        )
    if found.offsets_taken:
        times = sum(found.offsets_taken.values())
        lines.append(
            f"{counted(times, 'time')} of drops without an offset from UTC, read as"
            f" {listed(found.offsets_taken)}: that of the nearest time of the series, else of the"
            " record, that has one"
        )
    return lines


def never_made(
    series: str, numbers: Sequence[int], reason: str, notes: Iterable[Mapping[str, Any]]
) -> str:
    """That entries are taken out as no drops, and which damage notes made of them stay."""
    kept = [
        " ".join(filter(None, (severity(note["severity"]), note["mode"], note["location"])))
        + f" on {note['specimen']}"
        for note in notes
    ]
    it, its, number = "it", "its", "number is"
    if len(numbers) > 1:
        it, its, number = "them", "their", "numbers are"
    stays = f"; the damage noted with {it} stays: {listed(kept)}" if kept else ""
    return (
        f"{drops(numbers)} of {series} {number.split()[1]} taken out as never made ({reason});"
        f" {its} {number} not used again{stays}"
    )


def falls_stored(series: Mapping[str, Any], numbers: Sequence[int]) -> str:
    """Which falls without readings are stored, and what counts them."""
    case = f"the age of {series['case']} and " if series["case"] else ""
    height = units.in_words(series["drop_height_mm"], units.LENGTH)
    return (
        f"{drops(numbers)} of {series['series']}: {counted(len(numbers), 'fall')} from {height}"
        f" onto {series['surface']}, without readings; counted in {case}the dose of"
        f" {series['device']}, never in a trend"
    )


def pad(found: Pad) -> str:
    """The pad of a case model and its static stress."""
    thick = (
        "thickness not recorded"
        if found.pad_thickness_mm is None
        else f"{units.in_words(found.pad_thickness_mm, units.LENGTH)} thick"
    )
    return (
        f"{found.case_model}: pad of {number(found.pad_area_mm2)} mm², {thick}, carries"
        f" {units.in_words(found.mass_g, units.MASS)}: static stress"
        f" {number(found.static_stress_kpa)} kPa"
    )


def drops_of(valid: int, drops: int) -> str:
    """Valid drops, of all where some are void."""
    return str(valid) if valid == drops else f"{valid}/{drops}"


def percents(lower: float | None, upper: float | None) -> str:
    """Interval of a rate of rise."""
    if lower is None or upper is None:
        return ABSENT
    return f"{percent(lower)} to {percent(upper)}"


def percent_with_interval(rise: float | None, lower: float | None, upper: float | None) -> str:
    """Rate of rise with its interval, for one cell."""
    if rise is None:
        return ABSENT
    return f"{percent(rise)} ({percent(lower)}…{percent(upper)})"


def with_interval(value: float | None, lower: float | None, upper: float | None) -> str:
    """A number with its interval, for one cell."""
    if value is None or lower is None or upper is None:
        return number(value)
    return f"{number(value)} ({number(lower)}…{number(upper)})"


def chance(probability: float | None) -> str:
    """A probability in percent; never 0 or 100 for what is only very small or very large.

    Examples
    --------
    >>> chance(0.914), chance(0.9999), chance(0.001), chance(0.0)
    ('91 %', '> 99 %', '< 1 %', '0 %')
    """
    if probability is None:
        return ABSENT
    if 0.995 <= probability < 1:
        return "> 99 %"
    if 0 < probability < 0.005:
        return "< 1 %"
    return f"{100 * probability:.0f} %"


def share(part: float) -> str:
    """A share that is exact, like the level of an interval."""
    return f"{100 * part:g} %"


def drawn_chance(probability: float | None) -> str:
    """As ``chance``, of a share of draws: none or all of them still leave a doubt."""
    return chance(None if probability is None else min(max(probability, 1e-9), 1 - 1e-9))


def life_words(prediction: Prediction) -> str:
    """Median and interval of a life within one cell."""
    if prediction.median is None and prediction.lower is None:
        return "beyond horizon"
    upper = "…" if prediction.upper is None else f"{prediction.upper:.0f}"
    lower = ABSENT if prediction.lower is None else f"{prediction.lower:.0f}"
    median = "beyond" if prediction.median is None else f"{prediction.median:.0f}"
    return f"{median} ({lower} to {upper})"


def compared_under(condition: Condition | str | None) -> str:
    """Under which condition groups are compared, in a few words."""
    if condition is None:
        return "no condition in common"
    return "conditions pooled" if isinstance(condition, str) else condition.words


def estimate_words(estimate: Estimate) -> str:
    """An estimated number of drops and its interval within one cell."""
    return life_words(Prediction(estimate.lower, estimate.estimate, estimate.upper))


NOTHING = {
    "series": "No series with drops in the store: record or import drops first.",
    "case models": "No series in a case of a named model: import drops with case and case_model.",
    "failures": "No series in a case of a named model, so there are no drops to failure to show.",
    "durations": "No drop with both peak g and pulse duration on record.",
    "devices": "No device in the store: add one, record its drops and its inspections.",
    "checks": "No functional check in the store: record or import inspections first.",
    "waveforms": "No waveform to show: import waveforms first.",
    "shocks": "No device with a drop in the store: dummies have no functions to lose.",
    "pads": "No case model with a pad on record and a first drop: durability specimen model MODEL"
    " --pad-area-mm2 --mass-g.",
    "reference drops": "No reference drops: drop one dummy on one pad in a series opened with"
    " --purpose reference.",
}
"""What a picture says when the record does not hold what it would show."""
