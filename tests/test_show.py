"""One drop closely: its inputs, its trace in text and as a picture, its spectrum."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
from export_files import faulty_g, half_sine_g, write_volts

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture
def taken(rig, tmp_path, once):
    """Two trusted drops, one clipped, one typed."""

    def make():
        paths = [
            write_volts(tmp_path / "a.csv", half_sine_g(400.0), head=["Date,2026-03-14"]),
            write_volts(tmp_path / "b.csv", half_sine_g(600.0, seed=2)),
            write_volts(tmp_path / "clipped.csv", faulty_g("clipped")),
        ]
        rig("import", "waveforms", *paths, "--series", "S1")
        rig("drop", "add", "S1", "--peak-g", "395", "--pulse-duration-ms", "2.6")

    once(make)
    return rig


# --------------------------------------------------------------------------------------- pulse


def test_a_trace_and_its_measures_fit_a_terminal_of_80_by_24(taken):
    lines = taken("show", "pulse", "S1", "1").out.splitlines()
    assert len(lines) <= 23 and max(len(line) for line in lines) <= 80
    assert any("#" in line for line in lines) and any("10 %" in line for line in lines)
    words = " ".join(lines)
    assert float(re.search(r"([\d.]+) ± [\d.]+ g", words)[1]) == pytest.approx(400.0, abs=1.0)
    assert "zero-phase Butterworth" in words and "raw peak" in words


def test_the_trace_rises_once_to_its_peak_and_returns(taken):
    lines = taken("show", "pulse", "S1", "1").out.splitlines()[:13]
    rows = [line.partition("|")[2] for line in lines]
    columns = [
        next((at for at, row in enumerate(rows) if row[column : column + 1] == "#"), 12)
        for column in range(66)
    ]
    top = columns.index(min(columns))
    flank, tail = columns[: top + 1], columns[top:]
    assert flank == sorted(flank, reverse=True)
    assert tail == sorted(tail)


def test_the_text_is_plain_ascii(taken):
    plot = taken("show", "pulse", "S1", "1", "2").out.splitlines()[:14]
    assert all(line.isascii() for line in plot)


def test_a_flag_is_told_with_its_number_and_a_clipped_peak_as_a_lower_bound(taken):
    out = taken("show", "pulse", "S1", "3").out
    assert "void: clipped: 2" in out.replace("\n", " ") and "≥ 2" in out


def test_a_clipped_peak_is_a_lower_bound_wherever_it_stands(taken, tmp_path):
    peak = taken("drop", "list", "--series", "S1", "--json").json["drops"][2]["peak_g"]
    bound = f"≥ {peak:.5g}"
    assert bound in taken("drop", "list", "--series", "S1").out
    assert bound in taken("history", "C-1").out
    (row,) = taken("query", "voided_drops", "--json").json["rows"]
    assert row[-1] is True
    for question in ("voided_drops", "peak_g_by_drop"):
        assert bound in taken("query", question).out
    taken("report", "-o", "r.html")
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert re.search(rf">\s*{bound}\s*<", page)
    taken("drop", "restore", "S1", "3", "--reason", "good enough")
    assert bound in taken("trend", "--series", "S1").out
    taken("plot", "wear", "--series", "S1", "-o", "s.svg")
    assert "clipped peak" in (tmp_path / "s.svg").read_text(encoding="utf-8")
    # Corrected by hand it is a value again.
    taken("drop", "amend", "S1", "3", "--set", "peak_g=512.25", "--reason", "from the video")
    assert "512.25" in taken("drop", "list", "--series", "S1").out
    assert "≥" not in taken("drop", "list", "--series", "S1").out


def test_two_drops_stand_on_one_time_axis(taken):
    out = taken("show", "pulse", "S1", "1", "2").out
    plot = out.splitlines()[:13]
    assert any("1" in line.partition("|")[2] for line in plot)
    assert any("2" in line.partition("|")[2] for line in plot)
    told = taken("show", "pulse", "S1", "1", "2", "--json").json["drops"]
    for drop in told:
        time_ms, filtered_g = np.array(drop["time_ms"]), np.array(drop["filtered_g"])
        peak_g = drop["measures"]["peak_g"]
        # Time zero is the first crossing of 10 %, half a sample off at most.
        at_zero = np.interp(0.0, time_ms, filtered_g)
        assert at_zero == pytest.approx(0.1 * peak_g, abs=0.01 * peak_g)
        # The peak is that of the curve through the samples: between two of a hundred and more.
        assert filtered_g.max() == pytest.approx(peak_g, rel=1e-3)


@pytest.fixture
def worn(rig, tmp_path, once):
    """Six drops of half sines from 400 to 500 g, of equal velocity change."""

    def make():
        paths = [
            write_volts(tmp_path / f"{at}.csv", half_sine_g(400.0 + 20.0 * at, seed=at))
            for at in range(6)
        ]
        rig("import", "waveforms", *paths, "--series", "S1")

    once(make)
    return rig


def test_what_changed_in_the_pulse_stands_with_its_uncertainty(worn):
    """By hand: a half sine 1.25 times as high is 0.8 times as long; u² of a difference is a sum."""
    told = worn("show", "pulse", "S1", "1", "6", "--json").json
    changes = {each["measure"]: each for each in told["changes"]}
    peak, duration = changes["peak_g"], changes["pulse_duration_ms"]
    assert peak["change"] == pytest.approx(100.0, abs=2.0) and peak["is_shown"]
    assert duration["after"] / duration["before"] == pytest.approx(0.8, rel=0.01)
    both = [drop["measures"]["peak_uncertainty_g"] for drop in told["drops"]]
    assert peak["uncertainty"] == pytest.approx(math.hypot(*both))
    velocity = changes["velocity_change_m_s"]
    assert abs(velocity["change"]) < 4.0 * velocity["uncertainty"]
    assert changes["restitution"]["uncertainty"] is None
    assert changes["rise_time_ms"]["is_shown"] is None
    lines = worn("show", "pulse", "S1", "1", "6").out.splitlines()
    (row,) = [line for line in lines if line.startswith("peak, g")]
    assert re.search(r"\+\d+\.\d ± 0\.\d +\+2[45]\.\d +yes", row)
    assert worn("show", "pulse", "S1", "6", "--json").json["changes"] == []
    same = worn("show", "pulse", "S1", "6", "1", "--json").json["changes"][0]
    assert same["change"] == -peak["change"]


def test_many_drops_are_the_first_the_last_and_what_lies_between(worn, tmp_path):
    told = worn("show", "pulse", "S1", *range(1, 7), "--png", "many.png")
    lines = told.out.splitlines()
    plot = "".join(line.partition("|")[2] for line in lines[:13])
    assert set(plot) <= set(" .-:12*") and all(mark in plot for mark in ":12")
    assert lines[14].split("  ")[-4:] == ["1 drop 1", "2 drop 6", ": the 4 others", "* both"]
    marks = [line.split()[0] for line in lines if re.match(r"[12:] +\d ", line)]
    assert marks == ["1", ":", ":", ":", ":", "2"]
    assert (tmp_path / "many.png").read_bytes().startswith(PNG)


def test_the_trace_is_the_record_as_read_from_its_baseline(taken, tmp_path):
    (told,) = taken("show", "pulse", "S1", "1", "--json").json["drops"]
    volts = np.loadtxt(tmp_path / "a.csv", delimiter=",", skiprows=3)[:, 1]
    raw_g = volts * 2000.0 - told["measures"]["baseline_before_g"]
    np.testing.assert_allclose(told["raw_g"], told["measures"]["polarity"] * raw_g, atol=1e-9)


def test_no_impact_shows_the_whole_record(rig, tmp_path):
    path = write_volts(tmp_path / "a.csv", faulty_g("no_impact"))
    rig("import", "waveforms", path, "--series", "S1")
    out = rig("show", "pulse", "S1", "1").out
    assert ("no impact" in out and "39.9 ms" in out) or "40.0 ms" in out


def test_a_value_set_by_hand_is_told_beside_the_measured_one(taken):
    taken("drop", "amend", "S1", "1", "--set", "peak_g=444", "--reason", "second recorder")
    taken("drop", "restore", "S1", "3", "--reason", "good enough")
    assert "on record today: 444 g, set manually" in taken("show", "pulse", "S1", "1").out
    assert "restored manually" in taken("show", "pulse", "S1", "3").out


@pytest.mark.parametrize("numbers", [("1",), ("1", "2", "3")])
def test_a_picture_is_drawn(taken, tmp_path, numbers):
    taken("show", "pulse", "S1", *numbers, "--png", tmp_path / "pulse.png")
    assert (tmp_path / "pulse.png").read_bytes().startswith(PNG)


def test_the_picture_holds_baseline_crossings_filter_and_flags(taken, tmp_path):
    from durability.report.plots.traces import traces
    from durability.workflow.session import Session
    from durability.workflow.show import show_pulses

    shown = show_pulses(Session(tmp_path / "store.duckdb", "tester"), "S1", [3])
    figure = traces(shown)
    (panel,) = figure.axes
    words = " ".join(text.get_text() for text in figure.texts)
    assert "clipped" in words and "Filter:" in words and "void" in words
    crossings = next(line for line in panel.lines if line.get_label() == "_crossings")
    assert list(crossings.get_xdata()) == [0.0, shown[0].measures.pulse_duration_ms]
    assert {"_raw", "_drop 3"} <= {line.get_label() for line in panel.lines}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("S1", "4"), "has no waveform"),
        (("S1", "9"), "its last drop is 4"),
        (("S9", "1"), "series 'S9': not in the store"),
    ],
)
def test_what_can_not_be_shown_is_one_line(taken, words, said):
    told = taken("show", "pulse", *words, expect=1)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


def test_a_picture_that_can_not_be_written_is_one_line(taken, tmp_path):
    told = taken("show", "pulse", "S1", "1", "--png", tmp_path / "no" / "a.png", expect=2)
    assert "does not exist" in told.err and len(told.err.strip().splitlines()) == 1


def test_the_record_as_read_stands_behind_the_filtered_trace(rig, tmp_path):
    """Ringing that the filter takes off is seen, in a character of its own."""
    record = half_sine_g(400.0)
    ringing = np.sin(2 * np.pi * 20_000 * np.arange(record.size) / 150_000)
    path = write_volts(tmp_path / "a.csv", record + 0.2 * record * ringing)
    rig("import", "waveforms", path, "--series", "S1", "--low-pass-hz", "3000")
    lines = rig("show", "pulse", "S1", "1").out.splitlines()
    key = next(at for at, line in enumerate(lines) if "as recorded" in line)
    plot = [line.partition("|")[2] for line in lines[:13]]
    top = [next(at for at, row in enumerate(plot) if mark in row) for mark in ":#"]
    assert top[0] < top[1] and key == 14
    assert max(map(len, lines)) <= 80


# ------------------------------------------------------------------------------- cross axes


@pytest.fixture
def three_axes(rig, tmp_path, once):
    def make():
        z = half_sine_g(400.0)
        t = np.arange(z.size) / 150_000 - 0.01
        rows = [f"{a:.8f},{0.1 * b:.4f},{-0.25 * b:.4f},{b:.4f}" for a, b in zip(t, z, strict=True)]
        path = tmp_path / "xyz.csv"
        path.write_text("Time (s),X (g),Y (g),Z (g)\n" + "\n".join(rows) + "\n")
        rig(
            *("import", "waveforms", path, "--series", "S1"),
            *("--cross-channel", "X", "--cross-channel", "Y"),
        )

    once(make)
    return rig


def test_the_largest_cross_axis_is_told_beside_what_the_standard_allows(three_axes):
    (measures,) = three_axes("show", "drop", "S1", "1", "--json").json["measures"]
    assert measures["cross_axis_pct"] == pytest.approx(25.0, rel=0.01)
    assert [each["channel"] for each in measures["cross_peaks"]] == ["X", "Y"]
    for what in ("pulse", "drop"):
        words = " ".join(three_axes("show", what, "S1", "1").out.split())
        assert "on Y, 25 % of the peak" in words and "4.1.4 allows 30 %" in words


def test_the_report_says_how_many_records_hold_the_cross_axes(three_axes):
    three_axes("report", "-o", "r.html")
    page = " ".join(Path("r.html").read_text(encoding="utf-8").split())
    assert "measured in 1 of 1 waveform: durability show pulse" in page


def test_cross_axes_are_measured_again_from_what_is_kept(three_axes):
    """A class that eats the pulse eats that of the other axes as much."""
    three_axes("remeasure", "--channel-class", "60")
    after, before = three_axes("show", "drop", "S1", "1", "--json").json["measures"]
    assert after["cross_peaks"][1]["peak_g"] < 0.7 * before["cross_peaks"][1]["peak_g"]
    assert after["cross_axis_pct"] == pytest.approx(25.0, rel=0.02)


def test_one_channel_says_that_the_cross_axis_was_not_measured(taken):
    for number in ("1", "4"):
        words = " ".join(taken("show", "drop", "S1", number).out.split())
        assert "cross axis not measured" in words


# ---------------------------------------------------------------------------------------- drop


def test_each_reading_bears_its_uncertainty_or_says_that_it_was_not_evaluated(taken):
    told = taken("show", "drop", "S1", "1", "--json").json
    assert told["uncertainty"] == {
        name: told["measures"][0][of]
        for name, of in (
            ("peak_g", "peak_uncertainty_g"),
            ("pulse_duration_ms", "pulse_duration_uncertainty_ms"),
            ("velocity_change_m_s", "velocity_change_uncertainty_m_s"),
        )
    }
    assert None not in told["uncertainty"].values()
    typed = {"peak_g": None, "pulse_duration_ms": None}
    assert taken("show", "drop", "S1", "4", "--json").json["uncertainty"] == typed
    words = " ".join(taken("show", "drop", "S1", "4").out.split())
    assert "peak g not evaluated, pulse duration not evaluated" in words
    assert "uncertainty not evaluated" in " ".join(taken("show", "pulse", "S1", "3").out.split())


def test_a_value_set_by_hand_has_no_uncertainty(taken):
    taken("drop", "amend", "S1", "1", "--set", "peak_g=444", "--reason", "second recorder")
    uncertainty = taken("show", "drop", "S1", "1", "--json").json["uncertainty"]
    assert uncertainty["peak_g"] is None and uncertainty["pulse_duration_ms"] is not None


def test_every_input_of_a_drop_is_shown(taken):
    told = taken("show", "drop", "S1", "1", "--json").json
    assert (told["series"], told["drop_number"], told["status"]) == ("S1", 1, "valid")
    assert (told["case"], told["device"], told["drop_height_mm"]) == ("C-1", "D-1", 1220.0)
    assert (told["sensor"], told["sensitivity_mv_per_g"], told["full_scale_g"]) == (
        "A-1", 0.5, 2000.0,
    )  # fmt: skip
    assert (told["file_name"], told["command"]) == ("a.csv", "import waveforms")
    assert re.fullmatch(r"[0-9a-f]{64}", told["file_sha256"]) and told["program_version"]
    assert told["dropped_at"].startswith("2026-03-14")
    assert told["waveform"]["mv_per_g"] == 0.5 and told["waveform"]["sample_count"] == 6000
    (measures,) = told["measures"]
    assert measures["inputs"] == {
        "full_scale_g": 2000.0,
        "natural_frequency_hz": None,
        "drop_height_mm": 1220.0,
        "orientation": None,
    }


def test_what_a_measure_rests_on_is_shown_in_words(taken):
    """IEC 60068-2-27:2008, 4.1.3: integrated from 0.4 D before the pulse on, D at its base."""
    (measures,) = taken("show", "drop", "S1", "1", "--json").json["measures"]
    words = " ".join(taken("show", "drop", "S1", "1").out.split())
    assert "; order 4, ends continued by point reflection" in words
    found = re.search(r"velocity change integrated from (-[\d.]+) to ([\d.]+) ms", words)
    begin, end = float(found[1]), float(found[2])
    assert begin == pytest.approx(-0.4 * measures["pulse_duration_ms"], rel=0.01)
    kept = 1000 * (measures["velocity_to_s"] - measures["velocity_from_s"])
    assert end - begin == pytest.approx(kept, abs=0.01)


def test_a_drop_after_which_nobody_inspected_says_so(taken):
    assert re.search(r"damage +not inspected after this drop", taken("show", "drop", "S1", "4").out)
    taken("damage", "add", "C-1", "--severity", "0")
    told = taken("show", "drop", "S1", "4").out
    assert "not inspected" not in told and "0 none" in told


def test_measuring_again_from_what_is_kept_gives_the_same_bits(taken, tmp_path):
    """What the store holds is enough to repeat the measurement."""
    from dataclasses import asdict

    from durability.pulse.measure import measure_pulse
    from durability.pulse.waveform_codec import decode
    from durability.store import waveforms as store
    from durability.store.database import reading
    from durability.workflow.keep import find_drop

    with reading(tmp_path / "store.duckdb") as connection:
        for number in (1, 2, 3):
            drop = find_drop(connection, "S1", number)
            waveform = store.find_waveform(connection, "S1", number, drop["drop_id"])
            (kept,) = store.measures_of(connection, waveform["waveform_id"])
            again = measure_pulse(
                decode(waveform["samples"]), waveform["sample_rate_hz"], **asdict(kept.inputs)
            )
            assert again == kept.measures
            assert again.peak_g == drop["peak_g"]


def test_a_typed_drop_is_shown_too_and_says_what_is_not_recorded(taken):
    told = taken("show", "drop", "S1", "4", "--json").json
    assert (told["waveform"], told["measures"]) == (None, [])
    out = taken("show", "drop", "S1", "4").out
    assert "not recorded" in out and max(len(line) for line in out.splitlines()) <= 80


def test_a_specimen_s_history_names_the_file(taken):
    assert "a.csv" in taken("history", "C-1").out
    assert "row None" not in taken("history", "C-1").out


# ------------------------------------------------------------------------------------ spectrum


def test_a_spectrum_is_that_of_a_half_sine(taken):
    """Closed form: a stiff system follows the base, so the highest frequencies give the peak; a
    soft one is thrown by the velocity change, so its pseudo-velocity is that, less its damping."""
    told = taken("show", "spectrum", "S1", "1", "--json").json
    peak_g = told["absolute_acceleration_g"][-1]
    assert peak_g == pytest.approx(400.0, rel=0.04)
    # Q = 10: the first swing loses exp(-zeta atan(1/zeta)), zeta = 0.05.
    damped = math.exp(-0.05 * math.atan(1 / 0.05))
    assert told["pseudo_velocity_m_s"][0] == pytest.approx(1.4 * 4.8918 * damped, rel=0.03)
    ratios = np.diff(np.log2(told["frequency_hz"]))
    np.testing.assert_allclose(ratios, 1 / 12, rtol=1e-9)
    assert "in/s" in taken("show", "spectrum", "S1", "1").out


def test_a_spectrum_is_drawn_and_read_against_levels_without_a_verdict(taken, tmp_path):
    told = taken("show", "spectrum", "S1", "1", "--png", tmp_path / "spectrum.png")
    assert (tmp_path / "spectrum.png").read_bytes().startswith(PNG)
    words = " ".join(told.out.split())
    assert "100 in/s (moderate) from" in words and "no verdict" in words
    assert "nowhere 300 in/s" in words  # 6.8 m/s, thrown by the pulse, are 270 in/s
    missing = taken("show", "spectrum", "S1", "1", "--png", tmp_path / "no" / "a.png", expect=2)
    assert "does not exist" in missing.err


def test_spectra_of_several_drops_stand_side_by_side(worn, tmp_path):
    """A half sine 1.25 times as high is 1.25 times as fast: so is its spectrum (similarity)."""
    told = worn("show", "spectrum", "S1", "6", "1", "3", "--png", "many.png", "--json").json
    assert (told["drop_numbers"], told["left_out"]) == ([6, 1, 3], 0)
    frequency, size = np.array(told["frequency_hz"]), np.array(told["absolute_acceleration_g"])
    assert size.shape == (3, frequency.size)
    known = (frequency > 100.0) & (frequency < 2000.0)
    stretched = np.interp(frequency[known] / 1.25, frequency, size[1])
    assert np.median(size[0, known] / stretched) == pytest.approx(1.25, abs=0.01)
    assert (tmp_path / "many.png").read_bytes().startswith(PNG)
    out = worn("show", "spectrum", "S1", "1", "6").out
    assert "S1, drops 1, 6:" in out and "change" in out
    alone = worn("show", "spectrum", "S1", "1", "--json").json
    assert alone["drop_number"] == 1


def test_rebound_and_restitution_stand_beside_the_velocity_change(taken):
    """By hand: half sines of 1.4 times the impact velocity of 1.22 m (4.892 m/s)."""
    told = taken("show", "pulse", "S1", "1", "--json").json["drops"][0]["measures"]
    assert told["rebound_m_s"] == pytest.approx(0.4 * 4.892, rel=0.01)
    said = " ".join(taken("show", "pulse", "S1", "1").out.split())
    assert re.search(r"6\.8\d+ ± 0\.\d+ m/s \(rebound 1\.9\d m/s, restitution 0\.40?\)", said)


def test_other_damping_can_be_asked_for(taken):
    sharp = taken("show", "spectrum", "S1", "1", "--q", "50", "--json").json
    usual = taken("show", "spectrum", "S1", "1", "--json").json
    assert (sharp["q"], usual["q"]) == (50.0, 10.0)
    assert max(sharp["absolute_acceleration_g"]) > max(usual["absolute_acceleration_g"])
    assert "Q 0.2" in taken("show", "spectrum", "S1", "1", "--q", "0.2", expect=2).err


# -------------------------------------------------------------------------------- sensors in doubt


def test_one_question_lists_the_drops_of_an_overloaded_sensor(rig, tmp_path):
    records = (half_sine_g(), faulty_g("over_range"), half_sine_g(seed=4))
    paths = [
        write_volts(tmp_path / f"{number}.csv", record, head=[f"Date,2026-03-0{number}"])
        for number, record in enumerate(records, start=1)
    ]
    rig("import", "waveforms", *paths, "--series", "S1")
    told = rig("query", "drops_of_doubted_sensors", "--json").json
    at = {column: place for place, column in enumerate(told["columns"])}
    found = [(row[at["drop_number"]], row[at["doubt"]]) for row in told["rows"]]
    assert found == [(2, "overloaded"), (3, "overloaded")]
