"""A recorder is described once, in versions; files are read as it says, and drops name it."""

import io

import numpy as np
import pytest

T_S = np.arange(600) / 50_000
PULSE_G = np.where((T_S > 0.004) & (T_S < 0.007), 150.0 * np.sin(np.pi * (T_S - 0.004) / 0.003), 0)


def volts(path, number=1):
    """Two channels in volts behind a gain of 10, no time: nothing of it is in the file."""
    wave = PULSE_G * 0.005 * 10.0 + 1e-4 * number * np.cos(1000.0 * T_S)
    rows = (f"{a:.6f};{b:.6f}".replace(".", ",") for a, b in zip(wave, 0.1 * wave))
    path.write_text("CH1;CH2\n" + "\n".join(rows) + "\n")
    return path


OPTIONS = ("--channel", "CH1", "--units", "V", "--mv-per-g", "5", "--gain", "10")
OPTIONS += ("--sample-rate-hz", "50000", "--decimal", "comma")


@pytest.fixture
def bench(store, tmp_path):
    store("series", "open", "S1", "--device", "D", "--device-kind", "dummy")
    volts(tmp_path / "1.csv")
    return store


def test_files_are_read_as_the_recorder_is_described_and_drops_name_the_version(bench, tmp_path):
    bench("import", "waveforms", "1.csv", "--series", "S1", expect=2)
    added = bench("recorder", "add", "LOGGER", *OPTIONS, "--note", "rig 2", "--json").json
    assert added["options"]["gain"] == 10.0 and len(added["version"]) == 12
    told = bench("import", "waveforms", "1.csv", "--series", "S1", "--recorder", "LOGGER", "--json")
    assert told.json["drops"][0]["peak_g"] == pytest.approx(150.0, rel=0.01)
    shown = bench("show", "drop", "S1", "1").out
    assert f"LOGGER {added['version']}" in " ".join(shown.split())
    listed = bench("recorder", "list", "--json").json["recorders"]
    assert [(each["recorder"], each["drops"], each["note"]) for each in listed] == [
        ("LOGGER", 1, "rig 2")
    ]
    bench("verify")


def test_a_changed_description_is_a_new_version_and_the_first_stays(bench, tmp_path):
    first = bench("recorder", "add", "LOGGER", *OPTIONS, "--json").json["version"]
    same = bench("recorder", "add", "LOGGER", *OPTIONS, expect=1)
    assert f"version {first} says the same already" in same.err
    bench("import", "waveforms", "1.csv", "--series", "S1", "--recorder", "LOGGER")
    changed = ("--channel", "CH2", *OPTIONS[2:])
    second = bench("recorder", "add", "LOGGER", *changed, "--json").json["version"]
    volts(tmp_path / "2.csv", 2)
    told = bench("import", "waveforms", "2.csv", "--series", "S1", "--recorder", "LOGGER", "--json")
    assert told.json["drops"][0]["peak_g"] == pytest.approx(15.0, rel=0.02)
    shown = bench("recorder", "show", "LOGGER", "--json").json
    assert [(each["version"], each["drops"]) for each in shown["versions"]] == [
        (second, 1),
        (first, 1),
    ]
    out = bench("recorder", "show", "LOGGER").out
    assert first in out and "--channel CH1" in " ".join(out.split())


def test_options_beside_the_recorder_go_first(bench):
    bench("recorder", "add", "LOGGER", *OPTIONS, "--low-pass-hz", "5000")
    words = ("import", "waveforms", "1.csv", "--series", "S1", "--recorder", "LOGGER", "--json")
    told = bench(*words, "--explain", "--mv-per-g", "50", "--channel-class", "1000").json
    assert told["files"][0]["peak_g"] == pytest.approx(15.0, rel=0.02)


def test_the_sensor_of_the_series_goes_before_the_recorder_where_they_agree(bench, tmp_path):
    bench("recorder", "add", "LOGGER", *OPTIONS)
    words = ("import", "waveforms", "1.csv", "--recorder", "LOGGER", "--explain", "--json")
    for code, k, peak_g in (("A-1", "5.2", 150.0 * 5.0 / 5.2), ("A-2", "0.5", None)):
        bench("sensor", "add", code, "--sensitivity-mv-per-g", k)
        bench("series", "open", code, "--device", "D", "--sensor", code)
        told = bench(*words, "--series", code, expect=0 if peak_g else 2)
        if peak_g:
            assert told.json["files"][0]["peak_g"] == pytest.approx(peak_g, rel=0.01)
        else:
            assert "5 mV/g by recorder LOGGER" in told.err and "0.5 mV/g of sensor A-2" in told.err
    settled = bench(*words, "--series", "A-2", "--mv-per-g", "5").json
    assert settled["files"][0]["peak_g"] == pytest.approx(150.0, rel=0.01)


def test_options_that_worked_are_kept_by_explain(bench, tmp_path):
    words = ("import", "waveforms", "1.csv", "--series", "S1")
    assert (
        "--save-as 'LOGGER': goes with --explain"
        in bench(*words, "--save-as", "LOGGER", expect=2).err
    )
    refused = bench(*words, "--explain", "--units", "V", "--save-as", "LOGGER", expect=2)
    assert "LOGGER" not in refused.out
    assert bench("recorder", "list", "--json").json["recorders"] == []
    kept = bench(*words, *OPTIONS, "--explain", "--save-as", "LOGGER")
    assert "recorder LOGGER, version" in kept.out
    bench(*words, "--recorder", "LOGGER")
    assert bench("recorder", "list", "--json").json["recorders"][0]["drops"] == 1


def test_a_recorder_that_is_not_known_or_says_nothing_is_refused(bench):
    bench("recorder", "add", "LOGGER", *OPTIONS)
    unknown = bench(
        *("import", "waveforms", "1.csv", "--series", "S1", "--recorder", "LOGER"), expect=1
    )
    assert "recorder 'LOGER': not in the store; nearest: LOGGER" in unknown.err
    bench("record", "S1", "--recorder", "LOGER", expect=1)
    assert "no option given" in bench("recorder", "add", "OTHER", expect=2).err
    assert "above 0" in bench("recorder", "add", "OTHER", "--gain", "-1", expect=2).err


def test_the_bench_and_watch_read_as_described(bench, tmp_path, monkeypatch):
    from pathlib import Path

    from durability.workflow.measuring import RecordOptions
    from durability.workflow.recorders import FolderWatch, read_as
    from durability.workflow.session import Session

    bench("recorder", "add", "LOGGER", *OPTIONS)
    monkeypatch.setattr("sys.stdin", io.StringIO("file 1.csv\n"))
    told = bench("record", "S1", "--recorder", "LOGGER")
    assert "150" in told.out
    session = Session(Path("store.duckdb"), "tester")
    (tmp_path / "scope").mkdir()
    volts(tmp_path / "scope" / "2.csv", 2)
    clock = iter(range(0, 10_000, 100))
    watched = FolderWatch(
        session,
        "S1",
        tmp_path / "scope",
        read_as(session, "LOGGER", RecordOptions(date_by_file_time=True)),
        clock=lambda: next(clock),
    )
    events = [*watched.poll(), *watched.poll()]
    assert [event.measures.peak_g for event in events] == [pytest.approx(150.0, rel=0.01)]
    assert bench("recorder", "list", "--json").json["recorders"][0]["drops"] == 2
    # The recorder goes on with its file: a longer record of the same drop.
    with (tmp_path / "scope" / "2.csv").open("a") as file:
        file.write("0,000010;0,000001\n" * 50)
    assert len([*watched.poll(), *watched.poll()]) == 1
    assert bench("recorder", "list", "--json").json["recorders"][0]["drops"] == 2


def test_descriptions_go_out_with_the_record_and_come_back(bench, tmp_path):
    bench("recorder", "add", "LOGGER", *OPTIONS)
    bench("export", "out")
    bench("import", "record", "out", "--store", "new.duckdb")
    before = bench("recorder", "show", "LOGGER", "--json").json
    assert bench("recorder", "show", "LOGGER", "--json", "--store", "new.duckdb").json == before
