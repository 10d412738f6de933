"""Layouts of recorders' files: bytes in, expected samples, rate and unit, or the refusal."""

from __future__ import annotations

import json

import numpy as np
import pytest

from durability.intake.waveforms import read_waveform
from durability.record.errors import WaveformUnreadable

FS = 150_000.0
N = 400
_I = np.arange(N)
G = np.round(
    100 * np.sin(np.pi * np.clip((_I - 150) / 60, 0, 1))
    + 0.3 * np.random.default_rng(3).standard_normal(N),
    3,
)
"""A drop as it would be seen in g; the files hold it in one or another shape."""


def rows(row, count=N):
    return "".join(row(i) + "\n" for i in range(count))


def timed(factor=1.0):
    return rows(lambda i: f"{i / FS:.9f},{factor * G[i]:.6f}")


def read(tmp_path, content, **options):
    path = tmp_path / "drop.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_waveform(path, **options)


def is_read(tmp_path, content, **options):
    record = read(tmp_path, content, **options)
    np.testing.assert_allclose(record.acceleration_g, G, rtol=1e-9, atol=1e-5)
    assert record.sample_rate_hz == pytest.approx(FS, rel=1e-4)
    return record


# --------------------------------------------------------------------------------------- gains

VOLTS = "Time (s),CH1 (V)\n" + timed(0.1)
"""Behind a gain of 10, by a sensor of 10 mV/g."""

GAINS_OF_10 = """\
Conditioner gain: 10 | IEPE gain: 10 | Coupler gain = x10 | Preamplifier gain,10 | Pre amp: 10 |
Analog gain: 10 | Hardware Gain;10 | Post-gain: 10 | postGain=10 | Digital gain 10 |
PGA gain: 10x | Charge amplifier: 10 mV/pC | Charge amp gain 0.01 V/pC |
Vertical multiplier: 10 | Multiplier: 10 |
Vorverstärkung: 10 | Vorverstaerkung: 10 | Verstaerkung 10 | Verstärkungsfaktor: 10,0 (fest) |
Gain switch 1-10-100: 10 | 1-10-100: 10 | Gain selector [1/10/100]: 10 | ICP conditioner: x10 |
Amplifier setting: 10 | AmpGain=10 | Gain (dB): 20 | Gain,20,dB | # gain 20 dB | Gain = 1E1 |
Ganancia: 10 | Guadagno: 10 | Amplification : 10 | Förstärkning: 10 | Versterking: 10 | 増幅率: 10 |
Note: conditioner gain of 10 used | Recorded with x10 gain | Signal amplified 10 times | Gain 1:10 |
Channel 1 gain: 10 | CH1 Gain,10 | Gain CH1: 10 | Gain:\t10\tV/V | Y multiplier: 10 |
Gain\n10 | Gain;Range\n10;5 V | 放大倍数: 10 | Verst.: 10 | IEPE-Speiser: x10 |
Overall gain: 10.0 (IEPE 1 x amp 10) |
Gain setting: position 3, x10""".replace(" |\n", " | ")


@pytest.mark.parametrize("words", GAINS_OF_10.split(" | "))
def test_a_gain_in_any_words_stops_volts_until_it_is_divided_out(words, tmp_path):
    content = words + "\n" + VOLTS
    for options in ({}, {"units": "V"}):
        with pytest.raises(WaveformUnreadable, match=r"--gain [\d.]+, or say with --gain 1 "):
            read(tmp_path, content, mv_per_g=10.0, **options)
    record = is_read(tmp_path, content, mv_per_g=10.0, gain=10.0)
    assert record.inferred["gain"] == "readings divided by 10, given"


@pytest.mark.parametrize(
    "words",
    [
        *("Attenuation: 10", "Probe,10:1", "Probe: 10X", "Dämpfung: 20 dB", "Probe: 1:10"),
        *("Abschwaechung: 10-fach", "Shunt: 10", "Shunt ratio = 10", "Step-down: 10"),
        *("Rapport: 10", "Rapporto: 10", "Rapporto;10", "Ratio: 10.0", "Verhältnis: 10"),
        *("Spannungsteiler: 10", "Pont diviseur: 10", "Partitore: 10:1", "Atenuador: 20 dB"),
    ],
)
def test_what_takes_off_a_tenth_is_a_gain_of_a_tenth(words, tmp_path):
    with pytest.raises(WaveformUnreadable, match=r"--gain 0\.1, or"):
        read(tmp_path, words + "\n" + VOLTS, mv_per_g=10.0)
    record = read(tmp_path, f"Scale: 0.5 V/div\n{words}\n{VOLTS}", mv_per_g=100.0)
    assert "oscilloscope" in record.inferred["noticed"]


NO_GAIN = """\
Gain: 1 | Gain: 0 dB | Gain,1.0 | Gain: x1 | Gain: unity | Gain: off | Probe: 1X | Attenuation: 1:1
Charge amplifier: 1 mV/pC | CH2 gain: 10 | Gain error: 0.05 % | Amplifier model: 5134 | Gain: 100 %
Amplifier serial number: 10 | Vertical gain: 0.5 V/div | Gain bandwidth: 10 MHz | Amplifier: 5134B
Again 10 drops | Conditioner: 480C02 | Amplifier date: 2026-01-02 | Verstärkung: 1,0 | Amplitude: 10
Shunt resistance: 10 kOhm | Signal to noise ratio: 60 dB | Pad: EPE 20 | Averages: x4
Sample rate divider: 10 | Step number: 10 | Damping ratio: 0.7
Rapport: 10/2026 | Rapport: 2026-118 | Ratio: 1
[Channel 2]\nGain: 10 | No;Name;Gain\n1;CH2;10""".replace("\n", " | ", 6)


@pytest.mark.parametrize("words", NO_GAIN.split(" | "))
def test_a_gain_of_1_or_of_something_else_passes(words, tmp_path):
    record = is_read(tmp_path, words + "\nTime (s),CH1 (V)\n" + timed(0.01), mv_per_g=10.0)
    assert "noticed" not in record.inferred


def test_a_table_of_channels_states_a_gain_for_each(tmp_path):
    table = "No;Name;Gain;Unit\n1;CH1;10;V\n2;CH2;1;V\n\n"
    both = rows(lambda i: f"{i / FS:.9f};{0.1 * G[i]:.6f};{0.01 * G[i]:.6f}")
    content = table + "Time (s);CH1 (V);CH2 (V)\n" + both
    is_read(tmp_path, content, channel="CH2", mv_per_g=10.0)
    with pytest.raises(WaveformUnreadable, match="'Gain 10'"):
        read(tmp_path, content, channel="CH1", mv_per_g=10.0)


def test_a_multiplier_is_for_whoever_reads_and_stops_g_too(tmp_path):
    content = "Multiplier: 10\nTime (s),Accel (g)\n" + timed()
    with pytest.raises(WaveformUnreadable, match="'Multiplier 10' and not whether"):
        read(tmp_path, content)
    is_read(tmp_path, content, gain=1.0)


def test_extremes_of_each_stretch_are_named_as_such(tmp_path):
    rows = "".join(f"{i / FS:.6f},{g - 1:.5f},{g + 1:.5f}\n" for i, g in enumerate(G))
    content = "Time (s),CH1 Min (g),CH1 Max (g)\n" + rows
    with pytest.raises(WaveformUnreadable, match=r"--channel \('CH1 Min' and 'CH1 Max' are extr"):
        read(tmp_path, content)
    record = read(tmp_path, content, channel="CH1 Max")
    assert "peak detection" in record.inferred["noticed"]


def test_readings_in_g_have_a_gain_behind_them_and_the_import_says_so(tmp_path):
    record = is_read(tmp_path, "Conditioner gain: 10\nTime (s),Accel (g)\n" + timed())
    assert "'Conditioner gain 10': readings in g are" in record.inferred["noticed"]
    with pytest.raises(WaveformUnreadable, match="--gain 10"):  # g is only assumed
        read(tmp_path, "Conditioner gain: 10\nTime (s),Acceleration\n" + timed())
    record = read(tmp_path, "Gain: high\nTime (s),CH1 (V)\n" + timed(), mv_per_g=1000.0)
    assert "'Gain high': no number" in record.inferred["noticed"]


# ------------------------------------------------------------------------------------- samples


def across(width, lead="", samples=G):
    starts = range(0, len(samples), width)
    return "".join(
        lead.format(i) + " ".join(f"{v:.3f}" for v in samples[i : i + width]) + "\n" for i in starts
    )


RATE = "Sample rate: 150 kHz\nUnit: g\n"
LAYOUTS = {
    "offset binary with its zero": (
        "Zero: 32768\nLSB: 0.001 g\nTime (s),raw\n"
        + rows(lambda i: f"{i / FS:.9f},{32768 + round(1000 * G[i])}"),
        {},
    ),
    "a rate in Portuguese": (
        "Taxa de amostragem: 150 kHz\nAceleração (g)\n" + rows(lambda i: f"{G[i]}"),
        {},
    ),
    "a counter below Time, the rate above": (
        "Sample rate: 150 kHz\nTime,Accel (g)\n" + rows(lambda i: f"{i},{G[i]}"),
        {},
    ),
    "a counter below X, the rate given": (
        "X,Accel (g)\n" + rows(lambda i: f"{i},{G[i]}"),
        {"sample_rate_hz": FS},
    ),
    "eight samples a line": (RATE + across(8), {}),
    "seven samples a line, the last one short": (RATE + across(7), {}),
    "eight samples behind a counter": (RATE + across(8, "{:5d} "), {}),
}


KILO = rows(lambda i: f"{i / FS:.9f},{G[i] / 1000:.6f}")
METRES = rows(lambda i: f"{i / FS:.9f},{G[i] * 9.80665:.8f}")
VALUES = rows(lambda i: f"{G[i]}")
DAYS = rows(lambda i: f"{46024.4166666667 + i / FS / 86400:.14f};{G[i]}")


def interrupted(words, every, head="Time (s),Accel (g)\n"):
    """Rows with lines of words among them."""
    lines = (words * (i % every == every // 2) + f"{i / FS:.9f},{G[i]}\n" for i in range(N))
    return head + "".join(lines)


LAYOUTS |= {
    **{
        f"kilo-g as {head!r}": (head + KILO, {})
        for head in (
            "Time (s),Accel (kG)\n",
            "Time (s),Acceleration [kg]\n",
            "Time (s),CH1 (kG)\n",
            "Time,Accel\ns,kg\n",
            "Unit: kg\nTime (s),Acceleration\n",
        )
    },
    **{
        f"metres as {unit}": (f"Time (s),Accel [{unit}]\n" + METRES, {})
        for unit in ("m/(s*s)", "m/(s·s)", "m/(s^2)", "m*s^-2", "m·s⁻²", "m s^-2")
    },
    **{
        f"sensitivity as {said!r}": (f"{said}\nTime (s),CH1 (V)\n" + timed(0.01), {})
        for said in (
            "Sensitivity: 10 mV/g @ 100 Hz",
            "Sensitivity,10.0 mV/g @ 100 Hz, 23 C",
            "Sensor sensitivity: 10 mV/g at 159 Hz",
            "Sensitivity: 10 mV/g ±5 %",
            "EU: g\nSensitivity: 10 mV/EU",
            "Engineering Units: g\nSensitivity: 10 mV/EU",
            "Sensitivity (mV/EU): 1.0197162\nEU label: m/s2",
        )
    },
    **{
        f"interval as {said!r}": (f"{said}\nUnit: g\n" + VALUES, {})
        for said in (
            "#CLOCK=6.6666667uS",
            "Resolution: 6.6666667 µs/pt",
            "Timebase: 6.6666667 us/point",
            "Sampling: 6.6666667 us",
            "tInc = 6.6666667e-06",
        )
    },
    "interval in the heading row": (
        "CH1V,t0 =-1.0e-03, tInc = 6.6666667e-06,\n" + rows(lambda i: f"{G[i] / 100:.6f},"),
        {"mv_per_g": 10.0},
    ),
    "day numbers of a spreadsheet": ("Date Time;Accel (g)\n" + DAYS, {}),
    "day numbers with a unit": ("Time (days);Accel (g)\n" + DAYS, {}),
    "a leading empty column": (
        ",Time,Accel\n,s,g\n" + rows(lambda i: f",{i / FS:.9f},{G[i]}"),
        {},
    ),
    "heads of pages": (interrupted("\nPage 2\nTime (s),Accel (g)\n----------\n", 60), {}),
    "heads of short pages": (interrupted("Page\nTime (s),Accel (g)\n", 15), {}),
    "marks of the trigger": (interrupted("*** TRIGGER ***\n", 300), {}),
    "a mark of the trigger early on": (interrupted("TRIG,1\n", 60), {}),
    "fields that touch at a minus sign": (
        "Time (us)  Accel (g)\n" + rows(lambda i: f"{i / FS * 1e6:10.4f}{-G[i]:8.3f}"),
        {"sign": -1},
    ),
    "fields that touch": (
        "Time (us) Accel (g)\n" + rows(lambda i: f"{i / FS * 1e6:9.4f}{G[i]:7.3f}"),
        {},
    ),
    "fields that touch behind exponents": (
        "Time (s)  Accel (g)\n" + rows(lambda i: f"{i / FS: .8E}{G[i]: .6E}"),
        {},
    ),
    "JSON lines": (
        rows(lambda i: json.dumps({"time_s": i / FS, "accel_g": float(G[i])})),
        {},
    ),
    "JSON lines below a line of settings": (
        '{"fs": 150000, "unit": "g"}\n' + rows(lambda i: json.dumps({"value": float(G[i])})),
        {},
    ),
    "JSON lines whose keys change places": (
        rows(
            lambda i: json.dumps(
                dict([("t_s", i / FS), ("a_g", float(G[i]))][:: 1 if i % 2 else -1])
            )
        ),
        {},
    ),
    "JSON arrays a line": (
        rows(lambda i: json.dumps([round(i / FS, 9), float(G[i])])),
        {"units": "g"},
    ),
    "one JSON object": (
        json.dumps({"meta": {"sample_rate_hz": 150_000}, "data": {"accel_g": G.tolist()}}),
        {},
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts(layout, tmp_path):
    content, options = LAYOUTS[layout]
    sign = options.get("sign", 1)
    record = read(tmp_path, content, **{k: v for k, v in options.items() if k != "sign"})
    np.testing.assert_allclose(record.acceleration_g, sign * G, rtol=1e-6, atol=1e-3)
    assert record.sample_rate_hz == pytest.approx(FS, rel=1e-4)


def test_samples_that_may_run_on_are_reported_and_never_halved(tmp_path):
    record = is_read(tmp_path, RATE + across(8), channel="1")
    assert "assumed: the samples run on" in record.inferred["data"]
    with pytest.raises(WaveformUnreadable, match="no single channel '3'"):
        read(tmp_path, RATE + across(8), channel="3")


UNIVERSAL = "    -1\n    58\nNONE\nNONE\n01-JAN-26\nNONE\nNONE\n 1 0 0 0 NONE 1 3 NONE 0 0\n"
REFUSED = {
    **{
        f"a counter below {head}": (
            f"{head},Accel (g)\n" + rows(lambda i: f"{i},{G[i]}"),
            {},
            "rises by 1 .* --sample-rate-hz, or the column's unit with --time-unit",
        )
        for head in ("X", "Time", "t", "TIME", "Zeit")
    },
    "a universal file, cut": (
        UNIVERSAL + across(6),
        {},
        "universal file whose last dataset has no end|pip install",
    ),
    "noise a line, channels or not": (
        RATE + across(5, samples=np.random.default_rng(5).standard_normal(N)),
        {"channel": "1"},
        "channels side by side, or samples that run on",
    ),
    "time in parts of a unit": (
        "Time in units of 6.6667 us,Accel (g)\n" + rows(lambda i: f"{i},{G[i]}"),
        {},
        "rises by 1",
    ),
    "kilogram": ("Time (s),CH1 (kg)\n" + KILO, {}, "no column of readings"),
    "millivolts per what": (
        "Sensitivity: 10 mV/EU\nTime (s),CH1 (V)\n" + timed(0.01),
        {},
        "--mv-per-g",
    ),
    "a mark among rows without times": (
        RATE + "".join("*** TRIGGER ***\n" * (i == 30) + f"{G[i]}\n" for i in range(N)),
        {},
        "line 33: .*TRIGGER.* as between two records.* --first-line",
    ),
    "pages without times": (
        RATE + "".join("Page\nAccel (g)\n" * (i == 330) + f"{G[i]}\n" for i in range(N)),
        {},
        "as between two records",
    ),
    "a mark in place of a sample": (
        "Time (s),Accel (g)\n" + rows(lambda i: "OVERLOAD" if i == 160 else f"{i / FS:.9f},{G[i]}"),
        {},
        "a gap in time",
    ),
    "two records with a head each": (
        interrupted("", 2) + interrupted("", 2),
        {},
        "time runs backwards",
    ),
    "whole numbers that touch beside the channel": (
        "Time (us)  A (g)  B (g)\n"
        + rows(lambda i: f"{i / FS * 1e6:9.4f}{G[i]:7.0f}{99_999_999 if i == 180 else 0:8d}"),
        {"channel": "A"},
        "line 182: fewer fields",
    ),
    "a head of other columns among the rows": (
        interrupted("Accel (g),Time (s)\n", 300),
        {},
        "as the head of other columns",
    ),
    "whole readings coarser than the resolution": (
        "Resolution: 0.1 g\nTime (s),Accel (g)\n"
        + rows(lambda i: f"{i / FS:.9f},{round(10 * G[i])}"),
        {},
        "probably counts of the recorder",
    ),
    "a unit that is a multiple": ("Units: 9.81 m/s2\nTime (s),CH1\n" + timed(), {}, "no unit of"),
    "a heading that divides": ("Time (s),Accel [m/s^2]/9.81\n" + timed(), {}, "no unit of"),
    "a heading that multiplies": ("Time (s),10*Accel (g)\n" + timed(10), {}, "no unit of"),
    "a million g": ("Time (s),Accel (Mg)\n" + timed(), {}, "no unit of"),
    "a heading that says normalised": (
        "Time (s),Accel (g, normalized)\n" + timed(0.01),
        {},
        "which may change the scale",
    ),
    "a gain among the rows": (
        interrupted("conditioner set to gain 10\n", 300, "Time (s),CH1 (V)\n"),
        {"mv_per_g": 1000.0},
        "--gain 10",
    ),
    "a JSON line without its reading": (
        rows(lambda i: json.dumps({"fs": 1} if i == 7 else {"x": float(G[i])})).replace("x", "a_g")
        + '{"fs": 150000}\n{"b": 1}\n',
        {},
        "sample 8: no number in 'a_g'",
    ),
    "JSON of words": ('{"a": ["x", "y"], "b": 1}', {}, "no rows of numbers"),
    "channels without names": (
        RATE + rows(lambda i: f"{G[i]} {0.2 * G[i]:.3f} {-0.5 * G[i]:.3f}"),
        {},
        "3 channels could be meant",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refusals_say_what_would_be_right(case, tmp_path):
    content, options, words = REFUSED[case]
    with pytest.raises(WaveformUnreadable, match=words) as caught:
        read(tmp_path, content, **options)
    assert "\n" not in str(caught.value)


def test_a_counter_is_time_where_a_unit_says_so(tmp_path):
    content = "Time,Accel (g)\n" + rows(lambda i: f"{i},{G[i]}")
    assert read(tmp_path, content, time_unit="us").sample_rate_hz == 1e6
    with_unit = content.replace("Time", "Time (us)")
    assert read(tmp_path, with_unit).sample_rate_hz == 1e6
