"""Exports as recorders write them, and files that are none."""

from __future__ import annotations

import gzip
import hashlib
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from durability.intake.waveforms import (
    CrossChannel,
    read_waveform,
    reading,
)
from durability.record.errors import WaveformUnreadable

OUTSIDE = os.environ.get("DURABILITY_OUTSIDE_DATA")
needs_outside = pytest.mark.skipif(
    OUTSIDE is None, reason="real exports under their own licences: set DURABILITY_OUTSIDE_DATA"
)

FS = 150_000.0
N = 400
_RNG = np.random.default_rng(0)
ACCELERATION_G = np.round(100 * np.sin(np.linspace(0, 3, N)) + _RNG.standard_normal(N), 3)
TIME_S = -1e-3 + np.arange(N) / FS
JITTER_S = _RNG.uniform(-0.2, 0.2, N) / FS
ROWS = list(zip(TIME_S, ACCELERATION_G, strict=True))


def comma(value, digits):
    return f"{value:.{digits}f}".replace(".", ",")


def lines(row):
    return "".join(row(i, t, a) + "\n" for i, (t, a) in enumerate(ROWS))


def plain(i, t, a):
    return f"{t:.9f},{a:.3f}"


def volts(i, t, a):
    return f"{a / 100:.5f}"


LAYOUTS = {
    "semicolon, decimal comma, ms": (
        "Datum;01.02.2026\nAbtastrate;150 kHz\nZeit [ms];Beschleunigung [g]\n"
        + lines(lambda i, t, a: f"{comma(t * 1e3, 9)};{comma(a, 3)}"),
        {},
    ),
    "latin-1, µs, m/s²": (
        (
            "Kanal: Stoß\nZeit in µs;Beschleunigung in m/s²\n"
            + lines(lambda i, t, a: f"{comma(t * 1e6, 4)};{comma(a * 9.80665, 8)}")
        ).encode("latin-1"),
        {},
    ),
    "utf-16, tabs": (
        ("Time\tAccel\ns\tg\n" + lines(lambda i, t, a: f"{t:.9f}\t{a:.3f}")).encode("utf-16"),
        {},
    ),
    "utf-16 without mark": (
        ("Time\tAccel\ns\tg\n" + lines(lambda i, t, a: f"{t:.9f}\t{a:.3f}")).encode("utf-16-be"),
        {},
    ),
    "byte-order mark": (("Time (s),Accel (g)\n" + lines(plain)).encode("utf-8-sig"), {}),
    "no heading": (lines(plain), {"units": "g"}),
    "no heading, blanks": (lines(lambda i, t, a: f"  {t:.9f}   {a:.3f}"), {"units": "g"}),
    "one column, rate above": (
        "# fs = 150000 Hz\n# unit: g\n" + lines(lambda i, t, a: f"{a:.3f}"),
        {},
    ),
    "one column, decimal comma, interval above": (
        "Abtastintervall: 6,6666667 µs\nEinheit: g\n" + lines(lambda i, t, a: comma(a, 3)),
        {},
    ),
    "one bare column": (lines(lambda i, t, a: f"{a:.3f}"), {"units": "g", "sample_rate_hz": FS}),
    "index and value": (
        "Sample Rate,150000\nUnits,g\nIndex,Value\n" + lines(lambda i, t, a: f"{i},{a:.3f}"),
        {},
    ),
    "preamble beside the first rows": (
        "".join(
            [
                "Record Length,4.0e2,Points,",
                "Sample Interval,6.6666667e-06,s,",
                "Trigger Point,10,Samples,",
                "Vertical Units,V,,",
                "Model Number,ABC,,",
                *[",,,"] * N,
            ][i]
            + f"{t:.9f},{a / 100:.5f}\n"
            for i, (t, a) in enumerate(ROWS)
        ),
        {"mv_per_g": 10},
    ),
    "equals signs, volts and sensitivity": (
        "Title=Drop 12\nDate=2026-01-02 10:11:12\nSampling rate [kS/s]=150\n"
        "Sensitivity (mV/g)=10.0\n\nCH1 [V]\n" + lines(volts),
        {},
    ),
    "rate in MSa/s, mV in the name": (
        "Model,Z\nSample Rate,0.15 MSa/s\nPoints,400\n\nCH1(mV)\n"
        + lines(lambda i, t, a: f"{a * 10:.5f}"),
        {"mv_per_g": 10},
    ),
    "rate with parted thousands": (
        '"Sample Rate","150,000 Hz"\n"Accel (g)"\n' + lines(lambda i, t, a: f"{a:.3f}"),
        {},
    ),
    "two heading rows": ("t;a\ns;g\n" + lines(lambda i, t, a: f"{t:.9f};{a:.3f}"), {}),
    "tab and decimal comma": (
        "Temps (s)\tAccélération (g)\n" + lines(lambda i, t, a: f"{comma(t, 9)}\t{comma(a, 3)}"),
        {},
    ),
    "quoted": (
        '"Time","CH1"\n"s","g"\n' + lines(lambda i, t, a: f'"{t:.9f}","{a:.3f}"'),
        {},
    ),
    "quoted, comma for both": (
        '"Time","CH1"\n"s","g"\n' + lines(lambda i, t, a: f'"{comma(t, 9)}","{comma(a, 3)}"'),
        {},
    ),
    "trailing blank field": (
        ",CH2\nSecond,g\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f}, "),
        {},
    ),
    "index and increment in the units row": (
        "X,CH1,Start,Increment,\nSequence,Volt,-1.0e-03,6.6666667e-06,\n"
        + lines(lambda i, t, a: f"{i},{a / 100:.5f},"),
        {"mv_per_g": 10},
    ),
    "only one in g": (
        "Time (s),Accel (g),Trigger (V)\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f},0"),
        {},
    ),
    "temperature beside": (
        "Time (s),Accel (g),Temp (°C)\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f},21.5"),
        {},
    ),
    "channel chosen": (
        "Time (s),X (g),Y (g),Z (g)\n" + lines(lambda i, t, a: f"{t:.9f},0.1,0.2,{a:.3f}"),
        {"channel": "z"},
    ),
    "channel chosen by number": (
        "Time (s),X (g),Y (g),Z (g)\n" + lines(lambda i, t, a: f"{t:.9f},0.1,{a:.3f},0.2"),
        {"channel": "3"},
    ),
    "one name, labels above": (
        '"Channel Data","CH 1","CH 2"\n"Inverted =","NO","NO"\n'
        '"Time (s)","Voltage (V)","Voltage (V)"\n'
        + lines(lambda i, t, a: f"{t:.9f},0.5,{a / 100:.5f}"),
        {"channel": "CH 2", "mv_per_g": 10},
    ),
    "index, time and value": (
        "Sample,Time (ms),Accel (g)\n" + lines(lambda i, t, a: f"{i},{t * 1e3:.6f},{a:.3f}"),
        {},
    ),
    "rounded stamps that repeat": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.5f},{a:.3f}"),
        {},
    ),
    "jittered stamps": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t + JITTER_S[i]:.10f},{a:.3f}"),
        {},
    ),
    "words after the data": ("Time (s),Accel (g)\n" + lines(plain) + "\nEND OF DATA\n", {}),
    "gzip": (gzip.compress(("Time (s),Accel (g)\n" + lines(plain)).encode()), {}),
    "bars": ("Time (s)|Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f}|{a:.3f}"), {}),
    "rules under the heading": (
        "Time        Accel\n(s)         (g)\n----------  --------\n"
        + lines(lambda i, t, a: f"{t:11.8f}  {a:8.3f}"),
        {},
    ),
    "fixed width, names of two words": (
        "Time (s)      Accel 1 (g)\n" + lines(lambda i, t, a: f"{t:12.8f}  {a:10.3f}"),
        {},
    ),
    "comment mark, other delimiter above": (
        "# time(s), \t \t acceleration(g)\n" + lines(lambda i, t, a: f"{t:.18e} {a:.18e}"),
        {},
    ),
    "carriage returns alone": (
        ("Time (s)\tAccel (g)\n" + lines(lambda i, t, a: f"{t:.9f}\t{a:.3f}")).replace("\n", "\r"),
        {},
    ),
    "doubled carriage returns": (
        ("Time\tAccel\n" + lines(lambda i, t, a: f"{t * 1e3:.6f} {a:.3f}")).replace("\n", "\r\r\n"),
        {},
    ),
    "six thousand lines above": (
        "".join(f"Setting {i}: value {i * 7}\n" for i in range(6000))
        + "Time (s),Accel (g)\n"
        + lines(plain),
        {},
    ),
    "upper-case keys": (
        "XINCR,6.6666667E-6\nXZERO,-1.0E-3\nYUNIT,V\nNR_PT,400\nCH1\n" + lines(volts),
        {"mv_per_g": 10},
    ),
    "header end marked by stars": (
        "Channels\t1\nSamples\t400\nDate\t2026/01/02\nX0\t0.0E+0\nDelta_X\t6.666667E-6\n"
        "***End_of_Header***\nX_Value\tAccel\tComment\n"
        + lines(lambda i, t, a: f"{t:.9E}\t{a:.6E}"),
        {},
    ),
    "µs without a unit": ("time,accel_g\n" + lines(lambda i, t, a: f"{t * 1e6:.3f},{a:.3f}"), {}),
    "time of day": (
        "Timestamp,Accel (g)\n"
        + lines(lambda i, t, a: f"10:00:00.{round(i / FS * 1e9):09d},{a:.3f}"),
        {},
    ),
    "date and time": (
        "Timestamp,Accel (g)\n"
        + lines(lambda i, t, a: f"2026-01-02T10:00:00.{round(i / FS * 1e9):09d},{a:.3f}"),
        {},
    ),
    "units in brackets before further words": (
        "Time (ms),Acceleration (m/s²) filtered\n"
        + lines(lambda i, t, a: f"{t * 1e3:.6f},{a * 9.80665:.8f}"),
        {},
    ),
    "units without brackets": (
        "t_ms,Accel_ms2\n" + lines(lambda i, t, a: f"{t * 1e3:.6f},{a * 9.80665:.8f}"),
        {},
    ),
    "units after a slash": (
        "t/ms;a/(m/s²)\n" + lines(lambda i, t, a: f"{t * 1e3:.6f};{a * 9.80665:.8f}"),
        {},
    ),
    "commas between names and units": (
        "Time, ms, Acceleration, m/s^2\n"
        + lines(lambda i, t, a: f"{t * 1e3:.6f},{a * 9.80665:.8f}"),
        {},
    ),
    "a third row of words": (
        "Stamp,CH1\nms,mV\n,Smp\n" + lines(lambda i, t, a: f"{t * 1e3:.6f},{a * 10:.5f}"),
        {"mv_per_g": 10},
    ),
    "units of each channel above": (
        "CH1 Units: V\nCH2 Units: mV\nTime (s),CH1,CH2\n"
        + lines(lambda i, t, a: f"{t:.9f},0.5,{a * 10:.5f}"),
        {"channel": "CH2", "mv_per_g": 10},
    ),
    "units of each channel in one line above": (
        "Channel,CH1,CH2\nUnits,V,mV\nSample Rate,150000,150000\nTime (s),CH1,CH2\n"
        + lines(lambda i, t, a: f"{t:.9f},0.5,{a * 10:.5f}"),
        {"channel": "CH2", "mv_per_g": 10},
    ),
    "units of each channel in sections": (
        "[Channel 1]\nUnit=V\n[Channel 2]\nUnit=mV\n[Data]\nTime (s),CH1,CH2\n"
        + lines(lambda i, t, a: f"{t:.9f},0.5,{a * 10:.5f}"),
        {"channel": "CH2", "mv_per_g": 10},
    ),
    "a table of channels": (
        "Channel;Name;Unit;Range\n1;Accel A;m/s²;5000\n2;Trigger;V;10\n\n"
        "Time (s);Accel A;Trigger\n" + lines(lambda i, t, a: f"{t:.9f};{a * 9.80665:.8f};0.5"),
        {"channel": "Accel A"},
    ),
    "sensitivity of each channel above": (
        "CH1 Sensitivity: 100 mV/g\nCH2 Sensitivity: 10 mV/g\nTime (s),CH1 (V),CH2 (V)\n"
        + lines(lambda i, t, a: f"{t:.9f},0.5,{a / 100:.5f}"),
        {"channel": "CH2"},
    ),
    "each channel with a time of its own": (
        "t1 (s),CH1 (g),t2 (s),CH2 (g)\n"
        + lines(lambda i, t, a: f"{3 * i / FS:.9f},0.5,{t:.9f},{a:.3f}"),
        {"channel": "CH2"},
    ),
    "a coarse clock beside the time": (
        "Stamp,Time (s),Accel (g)\n" + lines(lambda i, t, a: f"10:00:00,{t:.9f},{a:.3f}"),
        {},
    ),
    "date, clock and an alarm in words": (
        "Date,Time,Accel (g),Alarm\n"
        + lines(lambda i, t, a: f"02.01.2026,10:00:00.{round(i / FS * 1e9):09d},{a:.3f},LL"),
        {},
    ),
    "clock with a zone, over midnight": (
        "Stamp,Accel (g)\n"
        + lines(
            lambda i, t, a: (
                f"2026-01-02T23:59:59.{round((0.999 + i / FS) * 1e9):09d}Z,{a:.3f}"
                if i < 150
                else f"2026-01-03T00:00:00.{round((i / FS - 0.001) * 1e9):09d}Z,{a:.3f}"
            )
        ),
        {},
    ),
    "clock of whole seconds, rate above": (
        "Sample rate: 150 kS/s (per channel)\nTime,Accel (g)\n"
        + lines(lambda i, t, a: f"10:00:00,{a:.3f}"),
        {},
    ),
    "thousands parted in the rate only": (
        "Abtastrate: 150.000 Hz\nEinheit: g\n" + lines(lambda i, t, a: comma(a, 3)),
        {},
    ),
    "thousands parted by points": (
        "Zeit (us);Accel (mg)\n"
        + lines(lambda i, t, a: comma(t * 1e6, 3) + ";" + f"{a * 1000:,.0f}".replace(",", ".")),
        {},
    ),
    "thousands parted by commas, quoted": (
        "Time (us),Accel (mg)\n" + lines(lambda i, t, a: f'"{t * 1e6:,.3f}","{a * 1000:,.1f}"'),
        {},
    ),
    "exponents with D": (
        "Time (s)  Accel (g)\n" + lines(lambda i, t, a: f"{t:.9E}  {a:.9E}".replace("E", "D")),
        {},
    ),
    "minus signs of print": (
        "Time (s),Accel (g)\n" + lines(plain).replace("-", "\u2212"),
        {},
    ),
    "counts, and what one is worth": (
        "Sample rate: 150 kHz\nUnit: V\nScale (V/count): 1.0E-05\n"
        + lines(lambda i, t, a: f"{a * 1000:.0f}"),
        {"mv_per_g": 10},
    ),
    "counts by multiplier and zero": (
        "XINC,6.6666667E-6\nYUNIT,V\nYMULT,1.0E-5\nYOFF,100\nYZERO,0.0\nCURVE\n"
        + lines(lambda i, t, a: f"{a * 1000 + 100:.0f}"),
        {"mv_per_g": 10},
    ),
    "volts below the multiplier of raw data": (
        "YMULT,1.0E-5\nYOFF,100\nTIME,CH1 (V)\n" + lines(lambda i, t, a: f"{t:.9f},{a / 100:.5f}"),
        {"mv_per_g": 10},
    ),
    "channels in rows": (
        "Time (s),"
        + ",".join(f"{t:.9f}" for t in TIME_S)
        + "\nAccel (g),"
        + ",".join(f"{a:.3f}" for a in ACCELERATION_G)
        + "\n",
        {},
    ),
    "one row, rate above": (
        "Sample rate: 150 kHz\nUnit: g\n" + ";".join(comma(a, 3) for a in ACCELERATION_G) + "\n",
        {},
    ),
    "row numbers without a name": (
        '"time_s" "acc_g"\n' + lines(lambda i, t, a: f'"{i + 1}" {t:.9f} {a:.3f}'),
        {},
    ),
    "milli-g, decimal comma": (
        "Time (µs);Accel (mg)\n" + lines(lambda i, t, a: f"{comma(t * 1e6, 3)};{a * 1000:.0f}"),
        {},
    ),
    "units glued to the cells": (
        "Time,CH1\n" + lines(lambda i, t, a: f"{t * 1e3:.7f} ms,{a:.3f} mV"),
        {"mv_per_g": 1.0},
    ),
    "single quotes": (
        "'t_ms','acc_g'\n" + lines(lambda i, t, a: f"'{t * 1e3:.7f}','{a:.3f}'"),
        {},
    ),
    "minutes and seconds": (
        "Elapsed,Accel (g)\n" + lines(lambda i, t, a: f"02:{1 + t:010.7f},{a:.3f}"),
        {},
    ),
    "thousands within quotes, late": (
        "Time (us),Accel (g)\n" + lines(lambda i, t, a: f'"{1e6 * (t + 1e-3) + 500:,.4f}",{a:.3f}'),
        {},
    ),
    "name, unit, value": (
        "dt,us,6.6666667\nunit,,g\nValue\n" + lines(lambda i, t, a: f"{a:.3f}"),
        {},
    ),
    "milliseconds in Italian": (
        "Tempo (millisecondi);Accelerazione (g)\n"
        + lines(lambda i, t, a: f"{comma(t * 1e3, 7)};{comma(a, 3)}"),
        {},
    ),
    "one acceleration among other quantities": (
        "time_s,gyro_z_dps,acc_z_g,mag_z_uT\n"
        + lines(lambda i, t, a: f"{t:.9f},{0.1 * i:.1f},{a:.3f},40.2"),
        {},
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts(layout, tmp_path):
    content, options = LAYOUTS[layout]
    path = tmp_path / "drop 7.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    w = read_waveform(path, **options)
    assert w.acceleration_g == pytest.approx(ACCELERATION_G, rel=1e-9, abs=1e-9)
    # Jitter of a fifth of a step over 400 of them; stamps rounded to 10 µs, more than a step.
    assert w.sample_rate_hz == pytest.approx(FS, rel=2e-4)
    assert w.file_name == "drop 7.csv"
    assert w.file_sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert {"channel", "units", "time base"} <= set(w.inferred)


def test_values_are_read_to_the_last_bit(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Time (s),Accel (g)\n" + lines(plain))
    w = read_waveform(path)
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    assert w.sample_rate_hz == FS or abs(w.sample_rate_hz / FS - 1) < 1e-7
    assert w.start_s == -0.001


UNREADABLE = {
    "empty": ("", {}, "empty"),
    "blank": ("\n\n   \n", {}, "empty"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, {}, "PNG picture"),
    "prose": ("Dear all,\nplease find 3 files attached.\n", {}, "no rows of numbers"),
    "heading alone": ("Time (s),Accel (g)\n", {}, "no rows of numbers"),
    "one sample": ("Time (s),Accel (g)\n0.0,1.0\n", {}, "1 sample;"),
    "several channels": (
        "Time (s),X (g),Y (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f},0.2"),
        {},
        "name one of 'X', 'Y' with --channel",
    ),
    "no such channel": (
        "Time (s),X (g),Y (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f},0.2"),
        {"channel": "W"},
        "it has 'X', 'Y'",
    ),
    "NaN": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i != 77 else 'NaN'}"),
        {},
        r"line 79: no number in 'Accel \(g\)'",
    ),
    "hole": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i != 77 else ''}"),
        {},
        "line 79: no number",
    ),
    "word early": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i != 1 else 'oops'}"),
        {},
        "line 3: 'oops'",
    ),
    "word late": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i != 377 else 'oops'}"),
        {},
        "line 379: 'oops'",
    ),
    "backwards": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{-t:.9f},{a:.3f}"),
        {},
        "line 3: time runs backwards",
    ),
    "gap of one sample": (
        "Time (s),Accel (g)\n"
        + lines(lambda i, t, a: f"{t + (1 / FS if i > 200 else 0):.10f},{a:.3f}"),
        {},
        "line 203: a gap in time",
    ),
    "time standing still": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"0.5,{a:.3f}"),
        {},
        "does not advance",
    ),
    "no rate": ("Accel (g)\n" + lines(lambda i, t, a: f"{a:.3f}"), {}, "--sample-rate-hz"),
    "no unit": ("Time (s),CH1\n" + lines(plain), {}, "--units"),
    "volts without a sensor": ("Time (s),CH1 (V)\n" + lines(plain), {}, "--mv-per-g"),
    "one unit above, for another channel": (
        "CH1 Units: V\nTime (s),CH1,CH2\n" + lines(lambda i, t, a: f"{t:.9f},0.5,{a:.3f}"),
        {"channel": "CH2", "mv_per_g": 10},
        "no unit .* 'CH2'; name one with --units",
    ),
    "a unit with a factor": (
        "Time (s),CH1 (x 0.001 V)\n" + lines(lambda i, t, a: f"{t:.9f},{a:.3f}"),
        {"mv_per_g": 10},
        "--units",
    ),
    "an unknown unit of acceleration": (
        "Time (s),Acceleration (furlongs)\n" + lines(plain),
        {},
        "--units",
    ),
    "counts in the name of volts": (
        "Vertical Units: V\nVertical Scale: 0.05\nTime (s),CH1\n"
        + lines(lambda i, t, a: f"{t:.9f},{a:.0f}"),
        {"mv_per_g": 10},
        "counts of the recorder.* --units",
    ),
    "a rate in an unknown unit": (
        "Sample rate: 150 kilocycles\nUnit: g\n" + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "--sample-rate-hz",
    ),
    "an interval without a unit": (
        "Sample interval: 6.6667\nUnit: g\n" + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "--sample-rate-hz",
    ),
    "two rates": (
        "Sample interval: 1 us\nSample rate: 150 kHz\nUnit: g\n"
        + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "1e\\+06 or 150000 Hz; give the rate with --sample-rate-hz",
    ),
    "a frequency that was measured": (
        "Frequency: 833 Hz\nUnit: g\n" + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "--sample-rate-hz",
    ),
    "seconds in the name of milliseconds": (
        "Sample rate: 150 kHz\nTime (ms),Accel (g)\n" + lines(plain),
        {},
        "the preamble says 150000; settle it with --time-unit or --sample-rate-hz",
    ),
    "a column number that is another's name": (
        "Time (s),CH1 (g),CH2 (g)\n" + lines(lambda i, t, a: f"{t:.9f},0.5,{a:.3f}"),
        {"channel": "2"},
        "column 2 is 'CH1', and there is 'CH2'",
    ),
    "time as channel": (
        "Time (s),Accel\n" + lines(plain),
        {"channel": "1", "units": "g"},
        "is the time and not a channel",
    ),
    "breaks off": (
        "Time (s),Accel (g)\n" + lines(plain) + "0.0017",
        {},
        "the last row breaks off",
    ),
    "a sample over the range": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i != 77 else '9.91E+37'}"),
        {},
        "line 79: no number",
    ),
    "words in rows to the end": (
        "Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},{a if i < 300 else 'OVERLOAD'}"),
        {},
        "line 302: 'OVERLOAD'",
    ),
    "channels in turn": (
        "time_s,axis,accel_g\n"
        + lines(lambda i, t, a: f"{t:.9f},x,{a:.3f}\n{t + 0.5 / FS:.9f},z,0.1"),
        {},
        "'x', 'z'|belong to 2 of 'axis'",
    ),
    "two records": (
        "fs: 150000 Hz\nunit: g\n" + lines(lambda i, t, a: f"{a:.3f}" + "\n" * (i == 200)),
        {},
        "blank",
    ),
    "two decimal marks": (
        "Zeit [ms];Accel [g]\n" + lines(lambda i, t, a: f"{comma(t * 1e3, 7)};{a / 200:.3f}"),
        {},
        "one decimal mark",
    ),
    "metres said in a sentence": (
        "Note: all accelerations in m/s²\nTime (s),Acceleration\n" + lines(plain),
        {},
        "has no unit, and the preamble says 'Note: all .* --units",
    ),
    "metric units said in a sentence": (
        "# All quantities in SI units\nTime,Acceleration\n" + lines(plain),
        {},
        "has no unit, and the preamble says .* --units",
    ),
    "a sensitivity for what has no unit": (
        "Time (s),Acceleration\n" + lines(plain),
        {"mv_per_g": 10.0},
        "a sensitivity is given, which goes with volts",
    ),
    "whole numbers without a unit": (
        "Time (s),Acceleration\n" + lines(lambda i, t, a: f"{t:.9f},{a:.0f}"),
        {},
        "may be counts of the recorder",
    ),
    "a gain not known to be applied": (
        "Gain: 10\nTime (s),CH1 (V)\n" + lines(lambda i, t, a: f"{t:.9f},{a / 100:.5f}"),
        {"mv_per_g": 10.0},
        "the preamble says 'Gain.* 10' and not whether",
    ),
    "every third scan stored": (
        "Scan rate: 450 kHz\nStored: every 3rd scan\nUnit: g\nValue\n"
        + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "450000 or 150000 Hz",
    ),
    "every other sample, in words": (
        "Sample rate: 150 kHz\nStored every other point\nUnit: g\nValue\n"
        + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "150000 or 75000 Hz",
    ),
    "one of four samples, in words": (
        "Sample rate: 150 kHz\nStored: one of four\nUnit: g\nValue\n"
        + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "150000 or 37500 Hz",
    ),
    "another peak than the file states": (
        "Peak value: 2.5 g\nTime (s),Accel (g)\n" + lines(plain),
        {},
        "the file states 2.5 g",
    ),
    "another length than the file states": (
        "Record length: 2.667 s\nSample rate: 150 kHz\nUnit: g\nValue\n"
        + lines(lambda i, t, a: f"{a:.3f}"),
        {},
        "the preamble says 2.667 s",
    ),
    "two units for one channel": (
        "Time (s),Accel (g)\ns,V\n" + lines(plain),
        {"mv_per_g": 10.0},
        "is in .* settle it with --units",
    ),
    "a workbook": (b"PK\x03\x04" + b"\x00" * 60, {}, "NumPy|workbook"),
    "records of several drops": (
        "id;"
        + ";".join(f"s{i}" for i in range(N))
        + "\n"
        + "".join(
            f"{k};" + ";".join(f"{a * k:.3f}" for a in ACCELERATION_G) + "\n" for k in (1, 2)
        ),
        {},
        "one record a file",
    ),
    "gzip cut off": (gzip.compress(lines(plain).encode())[:-300], {}, "cut off"),
    "NumPy cut off": (b"\x93NUMPY\x01\x00v\x00", {}, "NumPy"),
    "Parquet without a reader": (b"PAR1" + b"x" * 40, {}, "Parquet"),
}


@pytest.mark.parametrize("case", UNREADABLE)
def test_one_clear_line_for_what_cannot_be_read(case, tmp_path):
    content, options, words = UNREADABLE[case]
    path = tmp_path / "drop.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(WaveformUnreadable, match=words) as caught:
        read_waveform(path, **options)
    message = str(caught.value)
    assert "drop.csv" in message
    assert "\n" not in message


def test_a_missing_file_and_a_folder(tmp_path):
    with pytest.raises(WaveformUnreadable, match="No such file"):
        read_waveform(tmp_path / "none.csv")
    with pytest.raises(WaveformUnreadable):
        read_waveform(tmp_path)


def test_a_huge_file_is_refused_with_its_size(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(2_100_000_000)  # sparse: takes no room
    with pytest.raises(WaveformUnreadable, match="2,100 MB, more than the 500 MB"):
        read_waveform(path)


def test_a_small_file_that_unpacks_to_a_huge_one(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "MAX_FILE_BYTES", 2_000_000)
    path = tmp_path / "bomb.csv.gz"
    path.write_bytes(gzip.compress(b"0,1\n" * 1_000_000))
    with pytest.raises(WaveformUnreadable, match="unpacked"):
        read_waveform(path)


def test_constant_zero_is_a_record(tmp_path):
    path = tmp_path / "zero.csv"
    path.write_text("Time (s),Accel (g)\n" + lines(lambda i, t, a: f"{t:.9f},0.000"))
    assert not read_waveform(path).acceleration_g.any()


@pytest.mark.parametrize(
    ("arrays", "options"),
    [
        ({"time_s": TIME_S, "acceleration_g": ACCELERATION_G}, {}),
        ({"fs": np.array(FS), "accel": ACCELERATION_G}, {}),
        ({"sample_rate_hz": np.array([FS]), "ch1": ACCELERATION_G}, {"units": "g"}),
        ({"dt_s": np.array(1 / FS), "a_mV": 10 * ACCELERATION_G}, {"mv_per_g": 10}),
    ],
)
def test_npz(arrays, options, tmp_path):
    np.savez_compressed(tmp_path / "a.npz", **arrays)
    w = read_waveform(tmp_path / "a.npz", **options)
    assert w.acceleration_g == pytest.approx(ACCELERATION_G, rel=1e-12)
    assert w.sample_rate_hz == pytest.approx(FS, rel=1e-9)


def test_npy(tmp_path):
    np.save(tmp_path / "a.npy", ACCELERATION_G)
    w = read_waveform(tmp_path / "a.npy", units="g", sample_rate_hz=FS)
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    np.save(tmp_path / "b.npy", np.column_stack([TIME_S, ACCELERATION_G]))
    w = read_waveform(tmp_path / "b.npy", units="g")
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    assert w.sample_rate_hz == pytest.approx(FS, rel=1e-9)
    np.save(tmp_path / "c.npy", np.array(["a", "b"]))
    with pytest.raises(WaveformUnreadable, match="real numbers"):
        read_waveform(tmp_path / "c.npy", units="g", sample_rate_hz=FS)


def test_parquet_by_the_caller(tmp_path):
    frame = pd.DataFrame({"Time (s)": TIME_S, "Accel (g)": ACCELERATION_G, "note": ["x"] * N})
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1 stands for a file that the caller can read")
    w = read_waveform(path, read_parquet=lambda _: frame)
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    assert w.inferred["format"] == "Parquet"


@pytest.mark.parametrize(
    ("step", "samples", "width", "answer"),
    [  # The same steps of 0.001 are ms at 1 MHz or s at 1 kHz: the length of the impact decides.
        (1e-3, 4000, 400, 1e6),
        (1e-3, 4000, 8, 1e3),
        (1e-3, 4000, 30, None),
        (1e-4, 40_000, 4000, 1e7),
        (1 / 150, 4000, 120, 150e3),
        (1 / 150e3, 4000, 120, 150e3),
    ],
)
def test_the_unit_of_time_is_told_by_rate_and_impact(step, samples, width, answer, tmp_path):
    i = np.arange(samples)
    pulse = 100 * np.sin(np.pi * np.clip((i - samples // 2) / width, 0, 1))
    path = tmp_path / "a.csv"
    rows = "".join(f"{k * step:.9f},{g:.3f}\n" for k, g in enumerate(pulse))
    path.write_text("Time,Accel (g)\n" + rows)
    if answer is None:
        with pytest.raises(WaveformUnreadable, match="--time-unit"):
            read_waveform(path)
    else:
        assert read_waveform(path).sample_rate_hz == pytest.approx(answer, rel=1e-6)


def test_stamps_too_coarse_to_tell_the_rate(tmp_path):
    """Two steps of a clock of 1 ms leave the rate open; the preamble settles it if it agrees."""
    path = tmp_path / "a.csv"
    rows = lines(lambda i, t, a: f"{int(i / FS * 1000) / 1000:.3f},{a:.3f}")
    path.write_text("Time (s),Accel (g)\n" + rows)
    with pytest.raises(WaveformUnreadable, match=r"too coarse.* --sample-rate-hz"):
        read_waveform(path)
    path.write_text("Sample rate: 150 kHz\nTime (s),Accel (g)\n" + rows)
    w = read_waveform(path)
    assert w.sample_rate_hz == FS
    assert "too coarse" in w.inferred["sample rate"]


def test_a_frame_with_stamps(tmp_path):
    stamps = pd.Timestamp("2026-01-02T10:00:00", tz="UTC") + pd.to_timedelta(
        np.round(np.arange(N) / FS * 1e9).astype(int), unit="ns"
    )
    frame = pd.DataFrame({"stamp": stamps, "Accel (g)": ACCELERATION_G})
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1 stands for a file that the caller can read")
    w = read_waveform(path, read_parquet=lambda _: frame)
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    assert w.sample_rate_hz == pytest.approx(FS, rel=1e-6)


def test_options_override_what_the_file_says(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Time (s),Accel (g)\n" + lines(plain))
    assert read_waveform(path, sample_rate_hz=50_000.0).sample_rate_hz == 50_000.0
    assert read_waveform(path, time_unit="ms").sample_rate_hz == pytest.approx(1000 * FS, rel=1e-6)
    w = read_waveform(path, units="m/s2")
    assert w.acceleration_g == pytest.approx(ACCELERATION_G / 9.80665, rel=1e-12)
    w = read_waveform(path, units="mV", mv_per_g=2.0, delimiter=",", decimal=".")
    assert w.acceleration_g == pytest.approx(ACCELERATION_G / 2.0, rel=1e-12)
    assert "given" in w.inferred["units"]
    assert w.inferred["sensitivity"] == "2 mV/g, given"


def test_where_the_data_begin_and_their_encoding_can_be_told(tmp_path):
    path = tmp_path / "a.csv"
    # A table of settings that is longer than the record: without a word it would be the data.
    settings = "".join(f"{i},{i * i}\n" for i in range(3 * N))
    path.write_text(settings + "Time (s),Accel (g)\n" + lines(plain))
    with pytest.raises(WaveformUnreadable):
        read_waveform(path)
    w = read_waveform(path, first_line=3 * N + 2)
    assert np.array_equal(w.acceleration_g, ACCELERATION_G)
    assert w.inferred["data"].startswith(f"from line {3 * N + 2} on") and w.channel == "Accel"
    with pytest.raises(WaveformUnreadable, match=f"line {3 * N + 1}: no row of numbers"):
        read_waveform(path, first_line=3 * N + 1)
    with pytest.raises(WaveformUnreadable, match="no rows of numbers"):
        read_waveform(path, first_line=10 * N)
    path.write_bytes(("Zeit (s),Stoß (g)\n" + lines(plain)).encode("cp850"))
    assert read_waveform(path, encoding="cp850").channel == "Stoß"
    assert read_waveform(path).channel != "Stoß"
    with pytest.raises(WaveformUnreadable, match="no utf-16 text"):
        read_waveform(path, encoding="utf-16")
    with pytest.raises(WaveformUnreadable, match="no encoding 'cp9'"):
        read_waveform(path, encoding="cp9")


def test_a_sensitivity_may_hang_on_the_day(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Date,2026-03-02\nTime (s),CH1 (mV)\n" + lines(plain))
    asked = []

    def of_the_day(moment):
        asked.append(moment)
        return (4.0, "of the day")

    w = read_waveform(path, mv_per_g=of_the_day)
    assert asked == ["2026-03-02"] and w.mv_per_g == 4.0
    assert w.inferred["sensitivity"] == "4 mV/g, of the day"
    np.testing.assert_allclose(w.acceleration_g, ACCELERATION_G / 4.0)
    with pytest.raises(WaveformUnreadable, match="--mv-per-g"):
        read_waveform(path, mv_per_g=lambda moment: None)


# ------------------------------------------------------------------------------- cross axes


@pytest.fixture
def three_axes(tmp_path):
    path = tmp_path / "xyz.csv"
    rows = lines(lambda i, t, a: f"{t:.9f},{0.1 * a:.4f},{-0.2 * a:.4f},{a:.3f}")
    path.write_text("Time (s),X (mV),Y (g),Z (mV)\n" + rows)
    return path


def test_named_cross_channels_are_read_beside_the_one_that_is_left(three_axes):
    w = read_waveform(
        three_axes, cross_channels=[CrossChannel("X", 0.5), CrossChannel("Y")], mv_per_g=2.0
    )
    assert (w.channel, [each.channel for each in w.cross]) == ("Z", ["X", "Y"])
    np.testing.assert_allclose(w.acceleration_g, ACCELERATION_G / 2.0)
    np.testing.assert_allclose(w.cross[0].acceleration_g, 0.1 * ACCELERATION_G / 0.5, atol=1e-3)
    np.testing.assert_allclose(w.cross[1].acceleration_g, -0.2 * ACCELERATION_G, atol=1e-3)
    assert [each.mv_per_g for each in w.cross] == [0.5, None]
    assert "0.5 mV/g, given" in w.inferred["cross channel X"]


def test_a_cross_channel_without_a_scale_takes_that_of_the_main_one(three_axes):
    w = read_waveform(three_axes, channel="Z", cross_channels=[CrossChannel("X")], mv_per_g=2.0)
    np.testing.assert_allclose(w.cross[0].acceleration_g, 0.1 * ACCELERATION_G / 2.0, atol=1e-4)
    assert "that of the main channel" in w.inferred["cross channel X"]


def test_a_cross_channel_in_volts_is_scaled_beside_a_main_one_in_g(three_axes):
    w = read_waveform(three_axes, channel="Y", cross_channels=[CrossChannel("X")], mv_per_g=2.0)
    assert w.mv_per_g is None
    np.testing.assert_allclose(w.cross[0].acceleration_g, 0.1 * ACCELERATION_G / 2.0, atol=1e-4)


def test_what_the_preamble_says_of_a_cross_channel_goes_before_the_main_sensor(three_axes):
    said = "X Sensitivity: 0.5 mV/g\n" + three_axes.read_text()
    three_axes.write_text(said)
    cross = [CrossChannel("X")]
    w = read_waveform(three_axes, channel="Z", cross_channels=cross, mv_per_g=2.0)
    assert (w.mv_per_g, w.cross[0].mv_per_g) == (2.0, 0.5)
    np.testing.assert_allclose(w.cross[0].acceleration_g, 0.1 * ACCELERATION_G / 0.5, atol=1e-3)
    assert "0.5 mV/g, from the preamble" in w.inferred["cross channel X"]
    three_axes.write_text(said.replace("X Sensitivity", "Sensitivity"))
    w = read_waveform(three_axes, channel="Z", cross_channels=cross, mv_per_g=2.0)
    assert w.cross[0].mv_per_g == 2.0


@pytest.mark.parametrize(
    ("channel", "across", "said"),
    [
        (None, ["Y"], "2 channels could be meant"),
        ("Z", ["Q"], "no single channel 'Q'"),
        ("Z", ["Z"], "named twice"),
        ("Z", ["X", "X"], "named twice"),
    ],
)
def test_cross_channels_that_can_not_be_are_refused(three_axes, channel, across, said):
    with pytest.raises(WaveformUnreadable, match=said):
        read_waveform(
            three_axes,
            channel=channel,
            cross_channels=[CrossChannel(name) for name in across],
            mv_per_g=2.0,
        )


def test_a_preamble_that_contradicts_the_time_column_stops_the_reading(tmp_path):
    """Every third sample may have been exported; a half more than were taken can't have been."""
    path = tmp_path / "a.csv"
    path.write_text("Sample rate: 450 kHz\nTime (s),Accel (g)\n" + lines(plain))
    w = read_waveform(path)
    assert w.sample_rate_hz == pytest.approx(FS, rel=1e-6)
    assert "though the preamble says 450000" in w.inferred["sample rate"]
    path.write_text("Sample rate: 100 kHz\nTime (s),Accel (g)\n" + lines(plain))
    with pytest.raises(WaveformUnreadable, match=r"150000 .*the preamble says 100000; settle it"):
        read_waveform(path)
    assert read_waveform(path, time_unit="s").sample_rate_hz == pytest.approx(FS, rel=1e-6)


# ------------------------------------------------------------------------------ real exports

REAL = [
    # file, channel, options, samples, rate in Hz, first value and last, in g at 1 mV/g per volt
    ("style_a_index_and_increment.csv", None, {"mv_per_g": 1000}, 198, 2e5, 1.6e-2, 3.12e-1),
    (
        "style_b_two_header_rows_names_units.csv",
        "CH2",
        {"mv_per_g": 1000},
        198,
        5e5,
        5.4,
        -0.2,
    ),
    ("style_c_unit_in_column_name.csv", "CH 1", {"mv_per_g": 1000}, 199, 99_902.3, 8.08, 0.2),
    (
        "style_d_key_value_preamble_16_lines.csv",
        "CH 1",
        {"mv_per_g": 1000},
        204,
        5e8,
        1.72,
        -0.04,
    ),
    (
        "style_e_blank_first_name_extra_column.csv",
        "CH4",
        {"mv_per_g": 1000},
        198,
        2.5e5,
        14.4,
        14.4,
    ),
    ("style_f_whitespace_hash_comment.txt", None, {}, 1439, 49_993.05, 6.204061, -1.030777),
    ("style_g_fixed_width_no_units.txt", "Accel", {}, 2499, 1e6, -2.690823, -474.870583),
]


@needs_outside
@pytest.mark.parametrize("real", REAL, ids=lambda real: real[0])
def test_real_exports_read_as_they_are(real):
    """Exports found in public repositories, bytes as found; see SOURCES.md beside them."""
    name, channel, options, samples, rate_hz, first_g, last_g = real
    path = Path(OUTSIDE) / "import_samples" / name
    w = read_waveform(path, channel=channel, **options)
    assert w.acceleration_g.size == samples
    assert w.sample_rate_hz == pytest.approx(rate_hz, rel=1e-6)
    assert w.acceleration_g[0] == pytest.approx(first_g, rel=1e-12)
    assert w.acceleration_g[-1] == pytest.approx(last_g, rel=1e-12)


@needs_outside
@pytest.mark.parametrize("letter", "bcdeg")
def test_real_exports_of_several_channels_are_not_guessed(letter):
    path = next((Path(OUTSIDE) / "import_samples").glob(f"style_{letter}_*"))
    with pytest.raises(WaveformUnreadable, match="--channel"):
        read_waveform(path)


@needs_outside
def test_uneven_steps_are_refused():
    """Silverman (1985): 39 repeated time stamps, uneven steps."""
    with pytest.raises(WaveformUnreadable, match="gap in time"):
        read_waveform(Path(OUTSIDE) / "waveforms" / "head_impact_motorcycle_133.csv")
