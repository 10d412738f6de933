"""Pictures: what stands where, that nothing overlaps, and that equal figures give equal files."""

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from itertools import combinations
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from scipy.stats import binomtest

from durability.devices.results import (
    CheckTable,
    CriticalValue,
    DamageBoundary,
    DeviceOutlook,
    DoseCurve,
    FailedShock,
    LatentLink,
    LifeLine,
)
from durability.devices.what_next import dose_curve
from durability.life.results import Prediction, SurvivalCurve
from durability.life.turnbull import survival_band
from durability.pulse.low_pass import low_pass
from durability.pulse.measure import measure_pulse
from durability.pulse.results import PulseCloud, PulseTrace
from durability.pulse.spectrum import shock_response_spectrum
from durability.record.errors import UnusableCall
from durability.record.records import Condition, DeviceHistory, DropHistory, Waveform
from durability.report import plots
from durability.report.answers.trend import trends_answer
from durability.report.plots import look
from durability.report.plots.pulses import WIDTH_AT_TENTH, half_sine_peak_g
from durability.rig.watch import watch_rig
from durability.wear.fitting import fit_wear
from durability.wear.forecast import forecast
from durability.wear.lives import FailureLimit, case_lives
from durability.wear.results import (
    CushionCurve,
    CushionPoint,
    FailedIn,
    Forecast,
    LevelFan,
    PeakMean,
    Trend,
)
from durability.wear.what_if import level_fan
from durability.workflow.results import SeriesPicture, SurvivalPicture

LONG = "sleeve of a very long name that no panel has room for, second winter lot"
FOUR_COLUMNS = 11
"""Panels of the narrowest kind, the last row not full."""
ODD_NAMES = (
    "غلاف ٧",
    "袖 11",
    "🧤 glove",
    "<script>alert(1)</script>",
    "$\\frac{a}{b}$ & Co",
    LONG,
)


# ------------------------------------------------------------------------------ made by hand


HERE = Condition(1220.0, "steel", "dummy")


def a_series(
    name="S1",
    valid=12,
    *,
    model="sleeve A",
    first_g=150.0,
    rise=0.02,
    verdict="rising",
    voided=((3, 90.0), (5, math.nan)),
    doubted=(7,),
    damage=((4, 1), (9, 2)),
    failed_at=None,
    cause=None,
    life=(20.0, 30.0, 60.0),
    condition=HERE,
    fan=False,
):
    """A series as it is drawn; numbers that a reader can follow."""
    gone = {number for number, _ in voided}
    numbers = np.array([n for n in range(1, valid + len(gone) + 1) if n not in gone][:valid])
    numbers = numbers.astype(np.int64)
    level = first_g * np.exp(rise * (numbers - 1.0))
    peak = level * (1.0 + 0.03 * np.cos(2.4 * numbers))
    last = max([0, *numbers.tolist(), *gone])
    none = valid == 0
    trend = Trend(
        series=name,
        case=f"case of {name}",
        case_model=model,
        drops=valid + len(gone),
        valid_drops=valid,
        verdict=verdict if valid >= 4 else "too few",
        alarm_at_drop=None,
        wear_alarm_at_drop=None,
        level_first_g=None if none else first_g,
        level_latest_g=None if none else float(level[-1]),
        rise_pct_per_drop=None if valid < 2 else 100 * rise,
        rise_lower=None if valid < 2 else 100 * rise - 0.5,
        rise_upper=None if valid < 2 else 100 * rise + 0.5,
        p_value=None,
        shape=None,
        basis=f"{valid} valid drops",
        drop_number=numbers,
        peak_g=peak,
        level_g=level,
        level_lower_g=0.97 * level,
        level_upper_g=1.03 * level,
        shape_weights={},
        doubted_drops=tuple(n for n in doubted if n in numbers),
    )
    outlook = Forecast(
        series=name,
        case=trend.case,
        case_model=model,
        drops=trend.drops,
        case_age_at_first_drop=1,
        case_age=trend.drops,
        failed=failed_at is not None,
        failed_at_age=failed_at,
        failed_at_drop=failed_at,
        failed_in=FailedIn(name, failed_at) if failed_at else None,
        failure_cause=cause or (failed_at and "peak limit"),
        limit_g=None if none else 1.5 * first_g,
        drops_to_failure=Prediction(*life) if valid else Prediction(last + 1.0, None, None),
        survival_drop=np.arange(last, last + (valid > 0) + 1),
        survival_probability=np.ones((valid > 0) + 1),
        failed_by_limit=0.0 if valid else None,
        failed_by_damage=0.0 if valid else None,
        b10_drop=None,
        basis=trend.basis,
        shape_weights={},
    )
    ahead = None
    if fan and not none:
        drops = np.arange(last, 80)
        middle = first_g * np.exp(rise * (drops - 1.0))
        spread = 0.01 * (drops - last)
        ahead = LevelFan(
            drops,
            *(middle * np.exp(k * spread) for k in (-1.0, -0.4, 0.0, 0.4, 1.0)),
            level=0.9,
        )
    return SeriesPicture(
        trend=trend,
        forecast=outlook,
        device="dummy 1",
        orientation="face 3",
        condition=condition,
        voided_drop_number=np.array(sorted(gone), dtype=np.int64),
        voided_peak_g=np.array([peak for _, peak in sorted(voided)], dtype=float),
        damage_drop_number=np.array([drop for drop, _ in damage], dtype=np.int64),
        damage_severity=np.array([severity for _, severity in damage], dtype=np.int64),
        fan=ahead,
    )


ALL_VOIDED = {"valid": 0, "voided": tuple((n, 100.0 + n) for n in range(1, 6)), "damage": ()}
ONE_DROP = {"valid": 1, "voided": (), "damage": ()}
NOTHING_YET = {"valid": 0, "voided": (), "damage": ()}


def many_series(count=60, **given):
    """Long and short, voided and failed, one with odd names now and then."""
    made = []
    for index in range(count):
        kind = [{}, ONE_DROP, ALL_VOIDED, {"valid": 40, "failed_at": 33}, NOTHING_YET][
            0 if index % 7 else index % 5
        ]
        name = ODD_NAMES[index % 6] + str(index) if index % 9 == 0 else f"series {index:02d}"
        made.append(a_series(name, **{"rise": 0.001 * (index % 30), **kind, **given}))
    return made


def a_curve(group="sleeve A", failed=(8, 12, 12, 20), lasted=(10, 25, 25)):
    arrays = [np.array(part, dtype=np.int64) for part in (failed, lasted)]
    return SurvivalCurve(group, *arrays, *survival_band(*arrays), level=0.9)


def survival(*curves, left_out=0):
    return plots.survival(SurvivalPicture(curves, HERE if curves else None, left_out))


def a_cloud(group="sleeve A", drops=30, seed=0, times=1.0):
    rng = np.random.default_rng(seed)
    age = np.linspace(0.0, 1.0, drops)
    duration = 6.0 * np.exp(-0.4 * age + 0.03 * rng.standard_normal(drops))
    peak = times * half_sine_peak_g(5.0, duration)
    voided = np.zeros(drops, dtype=bool)
    voided[::11] = True
    return PulseCloud(group, 2, peak, duration, age, voided, without_duration=3)


def damaged(line):
    """The same device with damage noted on two days, and on one that is not known."""
    return replace(line, damage=((19_990.0, 1), (20_000.0, 3), (math.nan, 2)))


def a_boundary(model="phone", *, shocks=30, failed=(1, 3), below=False):
    """Shocks passed, and devices failed by one shock and by one of several."""
    rng = np.random.default_rng(3)
    peak, velocity = rng.uniform(20.0, 150.0, shocks), rng.uniform(1.0, 6.0, shocks)
    groups = tuple(
        FailedShock(f"R{at}", np.full(n, 160.0) + np.arange(n), np.linspace(5.0, 6.0, n), True)
        for at, n in enumerate(failed)
    )
    upper = (160.0, 5.0) if failed else (None, None)
    return DamageBoundary(
        device_model=model,
        devices=9,
        passed_peak_g=peak,
        passed_velocity_change_m_s=velocity,
        failed=groups,
        critical_peak_g=CriticalValue(90.0 if below else None, upper[0]),
        critical_velocity_change_m_s=CriticalValue(3.0 if below else None, upper[1]),
        harder_passed=2,
        not_looked_at=3,
        without_reading=1,
        latent_failures=1,
        is_told=bool(failed),
    )


def a_life(device="R05", *, drops=6, failed=True, functions=("display", "loudspeaker", "seal")):
    days = np.array([0.0, 7.0, 28.0, 56.0, 91.0, 182.0])
    check_day = np.repeat(days, len(functions)) + 20_000.0
    outcome = ["pass"] * check_day.size
    if failed and functions:
        outcome[-1] = outcome[-1 - len(functions)] = "fail"
        outcome[-2] = "degraded"
    outcome[:1] = ["not_tested"][: len(outcome)]
    drop_day = 20_000.0 + np.linspace(-20.0, 0.0, drops) if drops else np.empty(0)
    peak = np.full(drops, 700.0)
    if drops > 2:
        peak[1] = math.nan
    history = DeviceHistory(
        device=device,
        drop_day=drop_day,
        peak_g=peak,
        drop_height_mm=np.full(drops, 1220.0),
        check_day=check_day,
        check_function=tuple(functions) * days.size,
        check_outcome=tuple(outcome),
        device_model="radio",
    )
    state = "latent failure" if drops else "failed, never dropped"
    return LifeLine(
        history=history,
        state=state if failed else "working" if functions else "not inspected",
        zero_day=20_000.0,
        after_days=56.0 if failed else 182.0 if functions else None,
        by_days=91.0 if failed else None,
        first_failed_functions=(functions[-1],) if failed and functions else (),
        shock_dose=np.cumsum(np.full(drops, 0.1)),
        dose_exponent=6.4,
    )


def an_outlook(device, dose, state="working", after=182.0, by=None):
    return DeviceOutlook(
        device=device,
        drops=int(dose > 0),
        max_peak_g=None,
        shock_dose=dose,
        state=state,
        failed_after_days=after,
        failed_by_days=by,
        probability_failed_by_day={90: 0.3},
        control=dose == 0,
        shock_dose_likely=dose,
    )


def a_link(devices):
    return LatentLink(
        devices=len(devices),
        control_devices=sum(each.control for each in devices),
        failed_on_drop_day=0,
        latent_failures=sum(each.state == "latent failure" for each in devices),
        verdict="not shown",
        dose_exponent=4.0,
        time_ratio_per_doubling=None,
        lower=None,
        upper=None,
        p_value=None,
        per_device=tuple(devices),
        check_method=None,
        log_loss=None,
        log_loss_without_shock=None,
        basis="a study made by hand",
        sentence="No link with shock dose was shown.",
    )


def a_dose_curve():
    dose = np.geomspace(0.001, 5.0, 60)
    middle = dose / (1.0 + dose)
    return DoseCurve(dose, middle, 0.5 * middle, np.sqrt(middle), (0.01, 0.05, 0.12), 90, 0.9)


def some_devices(count=40):
    return [
        an_outlook("lost", 2.0, "latent failure", 28.0, 56.0),
        an_outlook("open", 0.5, "latent failure", 56.0, 120.0),
        *(an_outlook(f"R{index}", 0.001 * 1.2**index) for index in range(count)),
        *(an_outlook(f"K{index}", 0.0) for index in range(8)),
    ]


def a_table(group="dropped devices", functions=12):
    tested = np.full((functions, 7), 20, dtype=np.int64)
    tested[-1, 3] = 0
    failed, degraded = np.zeros_like(tested), np.zeros_like(tested)
    failed[1, 5], degraded[0, 6], failed[2, 6] = 14, 2, 20
    return CheckTable(
        group,
        24,
        tuple(f"function {index}" if index else LONG for index in range(functions)),
        ((0, 0), (1, 1), (2, 2), (3, 4), (5, 8), (9, 13), (53, None)),
        tested,
        degraded,
        failed,
    )


def waveforms(count):
    """Half-sines of one velocity change, higher and shorter each time, 50 kHz."""
    rate = 50_000.0
    time = np.arange(1200) / rate - 0.005
    made = []
    for index in range(count):
        peak = 150.0 * 1.02**index
        base = 5.0 * math.pi / (2.0 * peak * 9.80665)
        pulse = np.where((time > 0) & (time < base), peak * np.sin(math.pi * time / base), 0.0)
        made.append(Waveform(pulse + 0.2 * np.cos(1e4 * time), rate))
    return made


def rig_readings(count=40, drift_from=28):
    number = np.arange(1.0, count + 1)
    shift = np.where(number > drift_from, 0.06, 0.0)
    return number, 150.0 * np.exp(0.01 * np.sin(2.1 * number) + shift)


def a_rig(count=40):
    number, peak = rig_readings(count)
    return plots.rig(watch_rig(number, peak), number)


def a_dated_rig():
    number, peak = rig_readings()
    when = 1_767_225_600.0 + 86_400.0 * 3 * number  # from 2026-01-01 on, every third day
    return plots.rig(watch_rig(when, peak), when, dated=True)


def a_trace(number, waveform, series="S1", status="valid"):
    """As ``show`` gives it: from the baseline, upwards, time from the first crossing."""
    measures = measure_pulse(waveform.acceleration_g, waveform.sample_rate_hz)
    raw_g = (measures.polarity or 1) * (
        waveform.acceleration_g - (measures.baseline_before_g or 0.0)
    )
    time_s = np.arange(raw_g.size) / waveform.sample_rate_hz - (measures.impact_start_s or 0.0)
    cutoff = measures.low_pass.cutoff_hz if measures.low_pass else None
    return PulseTrace(
        series=series,
        drop_number=number,
        time_ms=1000.0 * time_s,
        raw_g=raw_g,
        filtered_g=low_pass(raw_g, waveform.sample_rate_hz, cutoff) if cutoff else raw_g,
        measures=measures,
        status=status,
        void_reason=None,
        channel="a",
        file_name=f"S1_{number:03d}.csv",
    )


def the_pulses(count):
    return plots.pulses(
        [a_trace(number, each) for number, each in enumerate(waveforms(count), start=1)],
        of=count + 3,
    )


def the_spectra(count):
    records = np.array([each.acceleration_g for each in waveforms(count)])
    spectrum = shock_response_spectrum(records, 50_000.0, np.geomspace(20.0, 9000.0, 40))
    return plots.spectra("S1", list(range(1, count + 1)), spectrum)


def a_cushion(models=4, *, height=1220.0, orientation="face 3", cases=3, name="sleeve"):
    """Case models at even steps of static stress, the lowest in the middle."""
    points = []
    for at in range(models):
        first = 150.0 + 4.0 * (at - models / 2) ** 2
        ends = (0.9, 1.12) if cases > 1 else (None, None)
        means = [
            PeakMean(peak, *(None if end is None else end * peak for end in ends), cases)
            for peak in (first, 1.1 * first)
        ]
        stress, wear = 1.0 + 0.8 * at, PeakMean(10.0, None, None, cases)
        points.append(CushionPoint(f"{name} {at}", stress, 6.0, *means, wear))
    lowest = points[models // 2].case_model if models > 1 else None
    where = Condition(height, "steel", "dummy")
    return CushionCurve(where, orientation, tuple(points), lowest, False, 0.9)


FIGURES = {
    "cushion": lambda: plots.cushion([a_cushion()]),
    "cushion of one model, one case": lambda: plots.cushion([a_cushion(1, cases=1)]),
    "cushion of thirty models": lambda: plots.cushion([a_cushion(30)]),
    "cushion under many conditions": lambda: plots.cushion(
        [a_cushion(6, height=1000.0 + at, orientation=LONG) for at in range(14)]
    ),
    "cushion of long names": lambda: plots.cushion([a_cushion(5, name=LONG)]),
    "cushion of no pad": lambda: plots.cushion([]),
    "wear of one": lambda: plots.wear([a_series()]),
    "wear of one, failed by damage": lambda: plots.wear(
        [a_series(damage=((3, 1), (4, 2), (5, 3), (6, 4)))]
    ),
    "wear of one drop": lambda: plots.wear([a_series(**ONE_DROP)]),
    "wear, all voided": lambda: plots.wear([a_series(**ALL_VOIDED)]),
    "wear of nothing yet": lambda: plots.wear([a_series(**NOTHING_YET)]),
    "wear of five": lambda: plots.wear(many_series(5)),
    "wear of sixty": lambda: plots.wear(many_series(60)),
    "wear of sixty, the last page": lambda: plots.wear(many_series(60), page=5),
    "wear of no series": lambda: plots.wear([]),
    "models": lambda: plots.models(
        [
            a_series(f"S{index}", model=f"sleeve {index % 4}", rise=0.004 * (index % 4))
            for index in range(12)
        ],
        left_out=3,
    ),
    "one model of sixty series": lambda: plots.models(many_series(60)),
    "many models": lambda: plots.models(
        [a_series(f"S{index}", model=f"{LONG} {index}") for index in range(12)]
    ),
    "models of no series": lambda: plots.models([]),
    "models, all voided": lambda: plots.models([a_series(**ALL_VOIDED)]),
    "fan of one": lambda: plots.fan([a_series(fan=True)], level=0.9, horizon=400),
    "fan of one drop": lambda: plots.fan([a_series(fan=True, **ONE_DROP)], level=0.9, horizon=400),
    "fan of a failed one": lambda: plots.fan([a_series(failed_at=11)], level=0.9, horizon=400),
    "fan, all voided": lambda: plots.fan([a_series(**ALL_VOIDED)], level=0.9, horizon=400),
    "fan of many": lambda: plots.fan(many_series(21, fan=True), level=0.9, horizon=400),
    "fan of no series": lambda: plots.fan([], level=0.9, horizon=400),
    "survival of one": lambda: survival(a_curve()),
    "survival of many": lambda: survival(
        *(a_curve(f"{LONG} {index}") for index in range(FOUR_COLUMNS)), left_out=4
    ),
    "survival without failures": lambda: survival(a_curve(failed=())),
    "survival of no series": lambda: survival(),
    "scatter of one": lambda: plots.scatter([a_cloud()], [1220.0]),
    "scatter of five": lambda: plots.scatter(
        [a_cloud(name, seed=at) for at, name in enumerate(ODD_NAMES[:5])]
    ),
    "scatter of many": lambda: plots.scatter([a_cloud(f"{LONG} {at}") for at in range(12)]),
    "scatter with bare drops": lambda: plots.scatter(
        [*(a_cloud(f"sleeve {at}", seed=at) for at in range(5)), a_cloud("bare", times=8.0)],
        [1220.0],
    ),
    "scatter of one drop": lambda: plots.scatter([a_cloud(drops=1)]),
    "scatter of no drop": lambda: plots.scatter([a_cloud(drops=0)]),
    "life line": lambda: plots.lifeline([a_life()]),
    "life line with damage": lambda: plots.lifeline([damaged(a_life())]),
    "life lines with damage": lambda: plots.lifeline([damaged(a_life()), a_life("R06")]),
    "life line of a control": lambda: plots.lifeline([a_life(drops=0)]),
    "life line without looks": lambda: plots.lifeline([a_life(functions=(), failed=False)]),
    "life line of many functions": lambda: plots.lifeline(
        [a_life(functions=tuple(f"{LONG} {index}" for index in range(30)))]
    ),
    "life lines of sixty": lambda: plots.lifeline(
        [a_life(f"{LONG} {index}", drops=index % 4, failed=index % 3 == 0) for index in range(60)]
    ),
    "life lines of no device": lambda: plots.lifeline([]),
    "latent": lambda: plots.latent(a_link(some_devices()), a_dose_curve()),
    "latent of one device": lambda: plots.latent(a_link(some_devices()[:1]), None),
    "latent of controls": lambda: plots.latent(a_link(some_devices(0)[2:]), None),
    "latent of no device": lambda: plots.latent(a_link([]), None),
    "heat": lambda: plots.heat([a_table(), a_table("never dropped", 4)]),
    "heat of sixty functions": lambda: plots.heat([a_table(functions=60)]),
    "heat of no check": lambda: plots.heat([]),
    "boundary": lambda: plots.boundary([a_boundary()]),
    "boundary from both sides": lambda: plots.boundary([a_boundary(below=True)]),
    "boundary of many": lambda: plots.boundary(
        [a_boundary(f"{LONG} {at}", below=at % 2 == 0) for at in range(12)]
    ),
    "boundary of one shock": lambda: plots.boundary([a_boundary(shocks=1, failed=())]),
    "boundary without readings": lambda: plots.boundary([a_boundary(shocks=0, failed=())]),
    "boundary of no device": lambda: plots.boundary([]),
    "rig": a_rig,
    "rig by date": a_dated_rig,
    "rig of three drops": lambda: a_rig(3),
    "pulses of two": lambda: the_pulses(2),
    "pulses of one": lambda: the_pulses(1),
    "pulses of six": lambda: the_pulses(6),
    "pulses of sixty": lambda: the_pulses(60),
    "pulses of none": lambda: the_pulses(0),
    "spectra of one": lambda: the_spectra(1),
    "spectra of sixty": lambda: the_spectra(60),
}


# ---------------------------------------------------------------------------- what all must hold


def drawn_texts(figure):
    """Every text that is drawn, with its box in pixels."""
    with look.our_look():
        figure.draw_without_rendering()  # the key finds its place only now
    renderer = figure.canvas.get_renderer()
    found = []
    labels, hidden = [], set()
    for panel in figure.axes:
        for axis in (panel.xaxis, panel.yaxis):
            if not axis.majorTicks:
                labels += axis.get_ticklabels()
                continue
            shown = set(axis._update_ticks())
            for tick in {*axis.get_major_ticks(), *axis.get_minor_ticks()} - shown:
                hidden |= {tick.label1, tick.label2}
    for text in [*figure.findobj(Text), *labels]:
        if text.get_visible() and text.get_text().strip() and text not in hidden:
            found.append((text.get_text(), text.get_window_extent(renderer)))
    return found


def overlaps(texts, slack_px=1.0):
    """Pairs of texts whose boxes share more than a pixel of antialiasing each way."""
    return [
        (one, other)
        for (one, a), (other, b) in combinations(texts, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > slack_px
        and min(a.y1, b.y1) - max(a.y0, b.y0) > slack_px
    ]


def words_of(figure):
    """All that is written on it, as running text."""
    return " ".join(text for text, _ in drawn_texts(figure))


@cache
def texts_of(name):
    """A figure of the table above and its texts, drawn once."""
    figure = FIGURES[name]()
    return figure, drawn_texts(figure)


@pytest.mark.parametrize("name", FIGURES)
def test_no_text_overlaps_and_none_leaves_the_sheet(name):
    figure, texts = texts_of(name)
    width, height = figure.get_size_inches() * figure.dpi
    assert overlaps(texts) == []
    outside = [
        text for text, box in texts if box.x0 < 0 or box.x1 > width or box.y0 < 0 or box.y1 > height
    ]
    assert outside == []
    assert figure.get_label(), "a picture without an answer"


@pytest.mark.parametrize("name", FIGURES)
def test_a_caption_takes_three_lines_at_most_and_is_whole(name):
    figure, _ = texts_of(name)
    caption = [
        text.get_text()
        for text in figure.texts
        if text.get_fontsize() == look.SMALL_PT and text.get_color() == look.MUTED
    ]
    assert len(caption) <= look.MOST_NOTE_LINES
    assert not any(each.endswith("…") for each in caption)
    assert len(figure.axes) <= look.MOST_PANELS


def test_overlap_is_seen_when_it_is_there():
    figure = plots.wear([a_series()])
    figure.text(0.02, 0.98, "over the title", va="top")
    assert overlaps(drawn_texts(figure))


@pytest.mark.parametrize("name", ["wear of one", "latent", "heat", "rig", "spectra of one"])
def test_every_axis_names_its_unit(name):
    words = " ".join(text for text, _ in texts_of(name)[1])
    unit = {
        "wear of one": "peak acceleration, g",
        "latent": "(peak g / 1000)^4",
        "heat": "weeks after the last drop",
        "rig": "peak, g",
        "spectra of one": "natural frequency, Hz",
    }[name]
    assert unit in words
    assert re.search(r"\d+ (valid drop|dropped device|reference drop|waveform)", words)


# ---------------------------------------------------------------------------------------- wear


def line(panel, label):
    (found,) = [each for each in panel.lines if each.get_label() == f"_{label}"]
    return found


def test_wear_shows_each_reading_where_it_is():
    picture = a_series(voided=((3, 140.0), (5, math.nan)))
    (panel,) = plots.wear([picture]).axes
    readings = line(panel, "readings")
    np.testing.assert_array_equal(readings.get_xdata(), picture.trend.drop_number)
    np.testing.assert_array_equal(readings.get_ydata(), picture.trend.peak_g)
    np.testing.assert_array_equal(line(panel, "level").get_ydata(), picture.trend.level_g)
    assert set(line(panel, "limit").get_ydata()) == {picture.forecast.limit_g}
    doubted = line(panel, "doubted")
    assert list(doubted.get_xdata()) == [7]
    assert doubted.get_marker() != readings.get_marker()


def test_voided_drops_are_hollow_and_one_without_a_reading_stands_on_the_axis():
    (panel,) = plots.wear([a_series(voided=((3, 140.0), (5, math.nan)))]).axes
    voided = line(panel, "voided")
    assert voided.get_markerfacecolor() == "#ffffff"
    assert voided.get_markerfacecolor() != line(panel, "readings").get_markerfacecolor()
    assert list(voided.get_xydata()[0]) == [3, 140.0]
    unread = line(panel, "voided without reading")
    assert list(unread.get_xdata()) == [5]
    assert list(unread.get_ydata()) == [0.0]  # in axes fractions


def test_a_reading_off_the_scale_is_told_with_its_value():
    figure = plots.wear([a_series(voided=((3, 912.0),))])
    (panel,) = figure.axes
    edge = line(panel, "voided off scale")
    assert edge.get_ydata()[0] == panel.get_ylim()[1]
    assert any("912 g" in text for text, _ in drawn_texts(figure))


def test_damage_marks_stand_where_it_was_first_seen_worse():
    damage = ((2, 0), (4, 1), (6, 1), (9, 3), (12, 4))
    (panel,) = plots.wear([a_series(damage=damage)]).axes
    marks = [(text.get_position()[0], text.get_text()) for text in panel.texts]
    assert [mark for mark in sorted(marks) if mark[1].isdigit()] == [(4, "1"), (9, "3"), (12, "4")]
    assert list(line(panel, "damage seen again").get_xdata()) == [6]


def test_every_damage_note_is_drawn_or_said_to_be_missing():
    """Where digits would touch, a note keeps its mark; a picture without them counts them."""
    picture = a_series(damage=((3, 1), (4, 2), (5, 3), (6, 4), (7, 2)), fan=True)
    for most in (1, 12):
        panel = plots.wear([picture] + [a_series(f"S{n}", rise=0.0) for n in range(2, most)]).axes[
            0
        ]
        digits = [text.get_position()[0] for text in panel.texts if text.get_text().isdigit()]
        again = line(panel, "damage seen again").get_xdata()
        assert sorted([*digits, *again]) == [3, 4, 5, 6, 7]
    fan = plots.fan([picture], level=0.9, horizon=400)
    assert "Not drawn: 5 damage notes; see plot wear." in words_of(fan)
    assert "Not drawn: 5 damage notes; see plot wear." in words_of(plots.models([picture]))


def test_equal_percentages_have_equal_slopes_across_panels():
    low, high = plots.wear([a_series("low", first_g=100.0), a_series("high", first_g=900.0)]).axes
    spans = [panel.get_ylim()[1] / panel.get_ylim()[0] for panel in (low, high)]
    assert spans[0] == pytest.approx(spans[1])


def test_panels_stand_worst_first_and_not_without_end(monkeypatch):
    monkeypatch.setattr(look, "MOST_PANELS", 4)
    figure = plots.wear([a_series(f"S{n}", rise=0.0001 * n) for n in range(7)])
    assert len(figure.axes) == 4
    assert figure.axes[0].get_title(loc="left").startswith("S6 ▲")
    assert (
        "4 of 7 series shown, what needs action first; the next: durability plot wear --page 2."
        in words_of(figure)
    )
    rest = plots.wear([a_series(f"S{n}", rise=0.0001 * n) for n in range(7)], page=2)
    assert [each.get_title(loc="left")[:2] for each in rest.axes] == ["S2", "S1", "S0"]
    assert "5 to 7 of 7 series shown, what needs action first." in words_of(rest)
    with pytest.raises(UnusableCall, match="--page 3: not there; there are pages 1 to 2"):
        plots.wear([a_series(f"S{n}") for n in range(7)], page=3)
    with pytest.raises(UnusableCall, match="--page 2: not there; there is only page 1"):
        plots.lifeline([a_life()], page=2)


def test_the_title_is_the_answer_of_the_terminal():
    pictures = [a_series("S1"), a_series("S2", verdict="steady")]
    assert plots.wear(pictures).get_label() == trends_answer([each.trend for each in pictures])


def test_an_all_voided_series_says_so():
    texts = [text for text, _ in drawn_texts(plots.wear([a_series(**ALL_VOIDED)]))]
    assert "all 5 drops void" in texts


# -------------------------------------------------------------------------------------- models


def test_models_share_one_scale_and_mark_failure_and_hold():
    members = [
        a_series("S1", model="A", rise=0.03, failed_at=11),
        a_series("S2", model="A", rise=0.03),
        a_series("S3", model="B", rise=0.001),
    ]
    figure = plots.models(members)
    first, second = figure.axes
    assert first.get_ylim() == second.get_ylim()
    assert first.get_title(loc="left") == "A: 2 of 2 rising"
    failed = line(first, "failed")
    assert failed.get_xdata()[0] == 11
    at = np.interp(11, members[0].trend.drop_number, members[0].trend.level_g)
    assert failed.get_ydata()[0] == pytest.approx(at)
    assert len([each for each in first.lines if each.get_label() == "_held"]) == 1


# ----------------------------------------------------------------------------------------- fan


def test_the_fan_bar_is_the_prediction_interval_on_the_limit():
    picture = a_series(fan=True, life=(16.0, 20.0, 24.0))
    (panel,) = plots.fan([picture], level=0.9, horizon=400).axes
    bar = line(panel, "failure interval")
    assert list(bar.get_xdata()) == [16.0, 24.0]
    assert set(bar.get_ydata()) == {picture.forecast.limit_g}
    assert line(panel, "failure median").get_xdata()[0] == 20.0


def test_too_few_drops_make_no_forecast():
    figure = plots.fan([a_series(**ALL_VOIDED)], level=0.9, horizon=400)
    assert figure.get_label() == "S1: 5 drops made, too few to forecast."


def test_a_failure_by_damage_is_marked_at_its_level_not_at_the_limit():
    picture = a_series(failed_at=11, cause="damage")
    (panel,) = plots.fan([picture], level=0.9, horizon=400).axes
    assert line(panel, "failed").get_ydata()[0] < 0.9 * picture.forecast.limit_g


def wearing_history(rise=0.02, drops=15, noise=0.02):
    number = np.arange(1, drops + 1)
    scatter = noise * np.random.default_rng(3).standard_normal(drops)
    peak = 150.0 * np.exp(rise * (number - 1) + scatter)
    return DropHistory("S1", number, peak, drops, drops, case="C1", case_model="A")


def fan_of(history, farthest):
    limit = FailureLimit(None, 0.5, 400)
    (life,) = case_lives([history], fit_wear([history]), limit)
    return level_fan(life.fit, 0, farthest=farthest, limit=limit)


def test_the_fan_crosses_the_limit_when_the_forecast_says():
    """Damage was never looked for, so the level alone decides: both rest on the same draws.

    Within two drops: the fan has whole drops and its own draws of the discrepancy.
    """
    history = wearing_history()
    (told,) = forecast([history])
    fan = fan_of(history, 60)
    for band, end in (
        (fan.upper_g, told.drops_to_failure.lower),
        (fan.median_g, told.drops_to_failure.median),
        (fan.lower_g, told.drops_to_failure.upper),
    ):
        crossed = fan.drop_number[band >= told.limit_g]
        assert crossed[0] == pytest.approx(end, abs=2.0)


def test_the_fan_starts_at_the_level_and_widens():
    history = wearing_history(rise=0.0)
    fit, fan = fit_wear([history])[0], fan_of(history, 80)
    assert fan.drop_number[0] == 15
    assert fan.median_g[0] == pytest.approx(fit.level_g[-1], rel=0.01)
    spread = fan.upper_g / fan.lower_g
    assert spread[-1] > 2 * spread[0]
    for lower, upper in combinations(
        (fan.lower_g, fan.inner_lower_g, fan.median_g, fan.inner_upper_g, fan.upper_g), 2
    ):
        assert (lower <= upper).all()


def test_no_draws_no_fan():
    empty = DropHistory("S1", np.empty(0, dtype=np.int64), np.empty(0), 3, 3)
    assert fan_of(empty, 50).drop_number.size == 0


# ------------------------------------------------------------------------------------ survival


def test_without_censoring_the_band_is_clopper_and_pearson():
    """Closed form; scipy's exact interval for 3 of 10 still good, to rounding."""
    failed = np.arange(1, 11)
    begins, survival, lower, upper = survival_band(failed, np.empty(0, dtype=np.int64), 0.9)
    at = begins.searchsorted(7)
    exact = binomtest(3, 10).proportion_ci(0.9, "exact")
    assert survival[at] == pytest.approx(0.3, abs=1e-12)
    assert (lower[at], upper[at]) == pytest.approx((exact.low, exact.high), abs=1e-9)


def test_the_product_limit_is_kaplan_and_meiers_own_example():
    """Deaths 0.8, 3.1, 5.4, 9.2 months, losses 1.0, 2.7, 7.0, 12.1 (J. Am. Stat. Assoc. 53, 1958,
    section 1.1, from memory), in tenths of a month: 7/8, ×4/5… of those at risk."""
    begins, survival, _, _ = survival_band(np.array([8, 31, 54, 92]), np.array([10, 27, 70, 121]))
    steps = dict(zip(begins.tolist(), survival.tolist(), strict=True))
    assert steps[8] == pytest.approx(7 / 8)
    assert steps[31] == pytest.approx(7 / 8 * 4 / 5)
    assert steps[54] == pytest.approx(7 / 8 * 4 / 5 * 3 / 4)
    assert steps[92] == pytest.approx(7 / 8 * 4 / 5 * 3 / 4 * 1 / 2)


def test_no_failure_leaves_a_band_that_widens_as_cases_leave():
    _, survival, lower, upper = survival_band(np.empty(0, dtype=np.int64), np.array([5, 10, 20]))
    assert (survival == 1.0).all()
    assert (upper == 1.0).all()
    assert (np.diff(lower) <= 0).all()
    assert lower[0] == 1.0
    assert lower[-1] == 0.0


def test_the_band_holds_its_promise_on_few_censored_cases():
    """Coverage at drop 20 of 8 Weibull cases censored at random, 400 stores: at least 90 % less
    three standard errors (4.5 %)."""
    rng = np.random.default_rng(8)
    truth, held = math.exp(-((20.5 / 30.0) ** 2)), 0
    for _ in range(400):
        life = np.ceil(30.0 * rng.weibull(2.0, 8) - 0.5).clip(1)
        leave = rng.integers(8, 45, 8)
        failed = life[life <= leave].astype(np.int64)
        begins, _, lower, upper = survival_band(failed, leave[life > leave])
        at = begins.searchsorted(20, side="right") - 1
        held += lower[at] <= truth <= upper[at]
    assert held / 400 >= 0.9 - 0.045


def test_cases_that_held_are_ticks_on_the_curve():
    (panel,) = survival(a_curve(failed=(8, 12), lasted=(10, 25))).axes
    ticks = line(panel, "not failed")
    assert list(ticks.get_xdata()) == [10, 25]
    assert list(ticks.get_ydata()) == pytest.approx([0.75, 0.375])
    assert ticks.get_marker() == "|"


# ---------------------------------------------------------------------------- pulses and spectra


def test_ten_percent_width_of_a_half_sine():
    """118 g over 6.2 ms base: 4.57 m/s and a 10 % width of 5.80 ms (closed form, 2AD/π)."""
    assert pytest.approx(0.9362, abs=1e-4) == WIDTH_AT_TENTH
    velocity = 2 * 118 * 9.80665 * 0.0062 / math.pi
    assert half_sine_peak_g(velocity, np.array([6.2 * WIDTH_AT_TENTH]))[0] == pytest.approx(118)


def test_points_of_one_velocity_change_lie_on_its_line():
    cloud = a_cloud()
    (panel,) = plots.scatter([cloud]).axes
    five = line(panel, "velocity 5.000")
    (x0, x1), (y0, y1) = five.get_xdata(), five.get_ydata()
    assert y0 * x0 == pytest.approx(y1 * x1)
    points = np.concatenate([line(panel, f"age {age}").get_xydata() for age in range(3)])
    assert len(points) == (~cloud.voided).sum()
    np.testing.assert_allclose(points[:, 0] * points[:, 1], x0 * y0)
    assert line(panel, "voided").get_markerfacecolor() == "#ffffff"


def test_bare_drops_do_not_crush_the_scale_of_cases():
    bare = a_cloud("bare", times=8.0)
    figure = plots.scatter([a_cloud("sleeve A"), a_cloud("sleeve B", seed=2), bare])
    one, other, apart = figure.axes
    assert (
        one.get_ylim()
        == other.get_ylim()
        == plots.scatter([a_cloud("sleeve A"), a_cloud("sleeve B", seed=2)]).axes[0].get_ylim()
    )
    assert apart.get_ylim()[0] > 0.5 * one.get_ylim()[1]
    assert apart.get_position().y1 < other.get_position().y0
    assert overlaps(drawn_texts(figure)) == []


def test_one_height_brings_dead_stop_and_full_rebound():
    (panel,) = plots.scatter([a_cloud()], [1220.0]).axes
    fall = math.sqrt(2 * 9.80665 * 1.22)
    assert line(panel, f"velocity {fall:.3f}").get_linestyle() == "--"


def test_pulses_start_together_and_darken_as_they_come_later():
    drops = [a_trace(number, each) for number, each in enumerate(waveforms(6), start=1)]
    (panel,) = plots.pulses(drops).axes
    for drop in (drops[0], drops[-1]):
        drawn = line(panel, f"drop {drop.drop_number}").get_xydata()
        # The peak is that of the curve through the samples.
        assert drawn[:, 1].max() == pytest.approx(drop.measures.peak_g, rel=1e-3)
        began = np.interp(0.0, drawn[:, 0], drawn[:, 1])
        assert began == pytest.approx(0.1 * drop.measures.peak_g, abs=0.05 * drop.measures.peak_g)
    assert line(panel, "drop 1").get_linestyle() != line(panel, "drop 6").get_linestyle()
    shades = [sum(to_rgb(line(panel, f"drop {n}").get_color())) for n in range(2, 6)]
    assert shades == sorted(shades, reverse=True)


def test_spectra_leave_out_what_sampling_can_not_tell():
    first, second, inches = the_spectra(3).axes
    drawn = line(first, "drop 3")
    assert drawn.get_xdata().max() <= 5000.0
    records = np.array([each.acceleration_g for each in waveforms(3)])
    spectrum = shock_response_spectrum(records, 50_000.0, np.geomspace(20.0, 9000.0, 40))
    np.testing.assert_allclose(
        drawn.get_ydata(), spectrum.absolute_acceleration_g[2, ~spectrum.beyond_sampling]
    )
    assert second.get_ylabel() == "pseudo-velocity, m/s"
    assert inches.get_ylabel() == "pseudo-velocity, in/s"


def test_plateau_levels_stand_on_both_axes_and_are_no_verdict():
    """Levels: H. A. Gaberson, "Shock Severity Estimation", Sound & Vibration, January 2012: 50, 100
    and 300 in/s, that is 1.27, 2.54 and 7.62 m/s (an inch is 25.4 mm)."""
    figure = the_spectra(3)
    _, metres, inches = figure.axes
    low, high = metres.get_ylim()
    np.testing.assert_allclose(np.array(inches.get_ylim()) * 0.0254, (low, high), rtol=1e-12)
    drawn = {
        each.get_label(): each.get_ydata()[0]
        for each in metres.lines
        if each.get_label().startswith("_plateau")
    }
    levels = {"_plateau 50": 1.27, "_plateau 100": 2.54, "_plateau 300": 7.62}
    assert drawn == pytest.approx({k: v for k, v in levels.items() if low < v < high}) and drawn
    assert "no verdict" in " ".join(text for text, _ in drawn_texts(figure))


# -------------------------------------------------------------------------------------- devices


def spans(panel):
    return [
        (patch.get_x(), patch.get_x() + patch.get_width())
        for patch in panel.patches
        if isinstance(patch, Rectangle) and patch.get_label() == "_failed between"
    ]


@pytest.mark.parametrize("others", [(), ("R06",)])
def test_damage_of_a_device_is_drawn_or_its_absence_said(others):
    figure = plots.lifeline([damaged(a_life()), *map(a_life, others)])
    (marks,) = [
        line
        for panel in figure.axes
        for line in panel.lines
        if line.get_label() == "_damage" and len(line.get_xdata())
    ]
    assert list(marks.get_xdata()) == [-10.0, 0.0]
    said = " ".join(text.get_text() for text in figure.findobj(Text))
    assert "Not drawn: 1 damage note of unknown day." in said
    assert "damage noted on the device" in said
    said = " ".join(text.get_text() for text in plots.lifeline([a_life()]).findobj(Text))
    assert "damage" not in said


def test_a_life_line_shows_the_interval_not_a_date():
    figure = plots.lifeline([a_life()])
    peaks, doses, checks = figure.axes
    for panel in figure.axes:
        assert spans(panel) == [pytest.approx((56.0, 91.0))]
    assert list(line(peaks, "unread").get_xdata()) == [-16.0]
    assert line(doses, "dose").get_ydata()[-1] == pytest.approx(0.6)
    assert len(line(checks, "fail").get_xdata()) == 2
    markers = {line(checks, what).get_marker() for what in ("pass", "degraded", "fail")}
    assert len(markers) == 3
    assert "between days 56 and 91" in figure.get_label()


def test_life_lines_of_several_stand_in_rows():
    (panel,) = plots.lifeline(
        [a_life("R1"), a_life("K1", drops=0), a_life("R2", failed=False)]
    ).axes
    assert spans(panel) == [pytest.approx((56.0, 91.0))] * 2
    assert [text.get_text() for text in panel.get_yticklabels()] == ["R1, 6", "K1, 0", "R2, 6"]


def test_latent_marks_say_what_was_seen_by_the_day():
    chances, states = plots.latent(a_link(some_devices(10)), a_dose_curve()).axes
    assert list(line(states, "state 0").get_xdata()) == [2.0]
    assert list(line(states, "state 1").get_xdata()) == [0.5]
    assert len(line(states, "state 2").get_xdata()) == 10
    assert "×8" in [text.get_text() for text in states.texts]
    strip = line(states, "none 2").get_xdata()[0]
    assert strip < 0.001, "controls stand apart at the left"
    np.testing.assert_allclose(line(chances, "curve").get_ydata(), a_dose_curve().probability)


def test_a_dose_curve_rises_when_dose_kills():
    """Twelve doses, the larger half failed between two looks: the curve climbs, in its band."""
    histories = []
    for index in range(12):
        dead = index >= 6
        checks = (0.0, 30.0, 60.0) if dead else (0.0, 30.0, 60.0, 120.0)
        histories.append(
            DeviceHistory(
                device=f"R{index}",
                drop_day=np.zeros(1),
                peak_g=np.array([200.0 * 1.25**index]),
                drop_height_mm=np.array([1220.0]),
                check_day=np.array(checks),
                check_function=("power-on",) * len(checks),
                check_outcome=("pass",) * (len(checks) - dead) + ("fail",) * dead,
            )
        )
    curve = dose_curve(histories, exponent=4.0)
    assert (curve.lower <= curve.probability).all()
    assert (curve.probability <= curve.upper).all()
    assert curve.probability[-1] > 0.6 > 0.3 > curve.probability[0]
    assert dose_curve(histories[:3], exponent=4.0) is None


def test_heat_cells_carry_their_numbers():
    figure = plots.heat([a_table(functions=3)])
    (panel,) = figure.axes
    cells = {text.get_text() for text in panel.texts}
    assert {"14/20", "20/20", "0/20 +2 d", "0/20"} == cells
    (drawn,) = panel.collections
    assert len(drawn.get_paths()) == 3 * 7 - 1
    assert "20 of 20" in figure.get_label()


# ------------------------------------------------------------------------------------------ rig


def test_rig_by_date_tells_days():
    figure, texts = texts_of("rig by date")
    assert re.search(r"since 2026-0\d-\d\d \(2026-", figure.get_label())
    assert any(re.fullmatch(r"2026-\d\d-\d\d", text) for text, _ in texts)


def test_rig_shows_limits_signal_and_odd_drops():
    number, peak = rig_readings()
    health = watch_rig(number, peak)
    assert health.verdict == "drifted"
    peaks, averages, sums = plots.rig(health, number).axes
    everything = np.concatenate(
        [line(peaks, "readings").get_ydata(), line(peaks, "odd").get_ydata()]
    )
    np.testing.assert_allclose(np.sort(everything), np.sort(peak))
    assert line(peaks, "upper limit").get_ydata()[0] == health.individuals_g.upper
    assert line(peaks, "signal").get_xdata()[0] == health.signal_when
    np.testing.assert_allclose(line(averages, "average").get_ydata(), health.ewma.average)
    np.testing.assert_allclose(line(sums, "upper sum").get_ydata(), health.cusum.upper_sum)


# ---------------------------------------------------------------------------------------- files


def test_svg_is_the_same_to_the_byte_and_keeps_its_text():
    first, second = (plots.picture_bytes(plots.wear([a_series()]), "svg") for _ in range(2))
    assert first == second
    words = first.decode()
    assert "peak acceleration, g</text>" in words
    assert not re.search(r"<dc:date>", words)
    ids = re.findall(r'\bid="([^"]+)"', words)
    assert len(ids) == len(set(ids))


def test_pictures_of_one_page_share_no_id():
    """A clip path or marker of one picture would else be drawn in another."""
    one, other = (
        plots.inline_svg(plots.wear([a_series('id="x" <S1>')]), name)
        for name in ("wear-1", "wear-2")
    )
    assert "<metadata>" not in one
    element, second = ET.fromstring(one), ET.fromstring(other)
    ids = [{each.get("id") for each in tree.iter()} - {None} for tree in (element, second)]
    assert not ids[0] & ids[1]
    links = re.findall(r'(?:url\(|href=")#([^")]+)', one)
    assert links
    assert set(links) <= ids[0]
    assert 'id="x" &lt;S1&gt;' in one
    assert element.get("role") == "img"
    assert element.get("aria-label").startswith('id="x" <S1> ▲ rising')
    assert element.get("viewBox")
    assert element.get("width") is None


@pytest.mark.parametrize(("ending", "opens"), [("pdf", b"%PDF"), ("png", b"\x89PNG")])
def test_other_files_are_the_same_to_the_byte_too(ending, opens):
    first, second = (plots.picture_bytes(plots.missing("No drop yet."), ending) for _ in range(2))
    assert first == second
    assert first.startswith(opens)


def test_a_name_is_text_whatever_it_holds():
    figure = plots.wear([a_series(name) for name in ODD_NAMES])
    words = plots.picture_bytes(figure, "svg").decode()
    assert "<script>" not in words
    assert "&lt;script&gt;" in words
    assert "غلاف ٧" in words


def test_the_users_own_plot_settings_change_nothing():
    import matplotlib as mpl

    plain = plots.picture_bytes(plots.wear([a_series()]), "svg")
    with mpl.rc_context({"axes.facecolor": "black", "font.size": 30, "svg.fonttype": "path"}):
        changed = plots.picture_bytes(plots.wear([a_series()]), "svg")
    assert plain == changed


# --------------------------------------------------------------------------------- the command


@pytest.fixture
def bench(store, sheet, once):
    """Two worn cases, a voided drop, damage, and a device that failed later."""

    def make():
        rows = [
            "series,drop_number,peak_g,pulse_duration_ms,case,case_model,device,device_kind,status,"
            "void_reason,damage_severity,dropped_at,drop_height_mm,surface"
        ]
        for case in (1, 2):
            for drop in range(1, 9):
                void = "void,cable" if drop == 3 else "valid,"
                rows.append(
                    f"S{case},{drop},{150 + 4 * case * drop},{6 - 0.1 * drop:.2f},C{case},"
                    f"sleeve {case},R{case},device,{void},{drop // 4},"
                    f"2026-03-0{case}T10:{drop:02d}:00,1220,steel"
                )
        store("import", "drops", sheet("drops.csv", *rows))
        looks = ["device,inspected_at,function,outcome"]
        for week in (0, 1, 4):
            day = date(2026, 3, 2) + timedelta(weeks=week)
            looks += [
                f"R1,{day},display,pass",
                f"R2,{day},display,{'fail' if week == 4 else 'pass'}",
            ]
        store("import", "inspections", sheet("looks.csv", *looks))

    once(make)
    return store


KINDS = (
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


def test_each_kind_draws_without_options(bench, tmp_path):
    for kind in KINDS:
        told = bench("plot", kind, "--json").json
        assert told["file"] == f"{kind}.svg"
        assert told["answer"]
        content = (tmp_path / f"{kind}.svg").read_text(encoding="utf-8")
        assert content.startswith("<?xml")
        assert "INVENTED" not in content


def test_each_kind_of_an_empty_store_says_what_is_missing(store, tmp_path):
    for kind in KINDS:
        told = store("plot", kind, "-o", "empty.svg")
        assert told.out.startswith("No ") and told.out.endswith("\ndrawn: empty.svg\n")
        assert max(map(len, told.out.splitlines())) <= 80
        assert "No " in (tmp_path / "empty.svg").read_text(encoding="utf-8")


def test_a_file_that_can_not_be_is_one_line(store, tmp_path):
    (tmp_path / "folder.svg").mkdir()
    for file in ("wear.gif", "wear", "nowhere/wear.svg", "folder.svg"):
        told = store("plot", "wear", "-o", file, expect=2)
        assert told.out == ""
        assert re.fullmatch(r"durability: -o '.+': .+\n", told.err)


def test_filters_reach_the_picture(bench, tmp_path):
    bench("plot", "wear", "--series", "S1", "-o", "one.svg")
    content = (tmp_path / "one.svg").read_text(encoding="utf-8")
    assert "sleeve 1" in content
    assert "sleeve 2" not in content
    assert "nearest" in bench("plot", "wear", "--series", "S9", expect=1).err
    assert "R9" in bench("plot", "lifeline", "--device", "R9", expect=1).err
    told = bench("plot", "lifeline", "--device", "R2", "-o", "life.png")
    assert "display failed between days 7 and 28" in " ".join(told.out.split())
    assert (tmp_path / "life.png").read_bytes().startswith(b"\x89PNG")


def test_waveforms_of_the_record_are_drawn(store, tmp_path):
    """Six records of two lengths and one at another sample rate, taken as a lab takes them."""
    store("specimen", "add", "D1", "--kind", "dummy")
    store("series", "open", "S1", "--device", "D1", "--drop-height-mm", "1220")
    files = []
    for number, each in enumerate(waveforms(6), start=1):
        rate = 100_000.0 if number == 6 else each.sample_rate_hz
        kept = each.acceleration_g[: 1200 - 100 * (number % 2)]
        rows = [f"{at / rate:.7f},{value:.6f}" for at, value in enumerate(kept)]
        files.append(tmp_path / f"S1_{number}.csv")
        files[-1].write_text("\n".join(["Time (s),Acceleration (g)", *rows]), encoding="utf-8")
    store("import", "waveforms", *files, "--series", "S1", expect=None)
    for number in range(1, 7):  # whatever the flags said of these made-up records
        store("drop", "restore", "S1", str(number), "--reason", "wanted here", expect=None)
    told = store("plot", "pulses")
    assert told.out.startswith("S1: drop 1 1")
    assert "; drop 6 " in " ".join(told.out.split())
    told = store("plot", "spectra", "--q", "25")
    assert "drop 5" in " ".join(told.out.split())
    content = (tmp_path / "spectra.svg").read_text(encoding="utf-8")
    assert "1 waveform at another sample rate not shown" in content
    assert "Q = 25" in content
    told = store("plot", "pulses", "--series", "S1", "--drop", "2", "--drop", "3", "--json")
    assert told.json["answer"].startswith("S1: drop 2 ")
    store("plot", "pulses", "--series", "S1", "--drop", "9", expect=1)
    assert "--series" in store("plot", "pulses", "--drop", "2", expect=2).err
