"""A watched folder: each finished file becomes one drop, at once and only once."""

import json
import os
import signal
import subprocess
import sys
import time

import duckdb
import pytest
from export_files import faulty_g, half_sine_g, write_traps, write_volts

from durability.record.errors import SeriesClosed, UnusableCall, WaveformUnreadable
from durability.report.answers.waveforms import measured_file
from durability.workflow.measuring import RecordOptions
from durability.workflow.recorders import (
    QUIET_IN_DOUBT_S,
    QUIET_IN_PULSE_S,
    QUIET_S,
    FileGrew,
    FileLeftAlone,
    FileSetAside,
    FolderWatch,
)
from durability.workflow.results import FileTwice, MeasuredFile
from durability.workflow.session import Session


class Clock:
    """Time that passes when told to."""

    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "recorder"
    path.mkdir()
    return path


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def watching(rig, tmp_path, folder, clock):
    """Begin a watch; each look says what became of the files after so many seconds."""

    def begin():
        session = Session(tmp_path / "store.duckdb", "Ada")
        watch = FolderWatch(session, "S1", folder, RecordOptions(date_by_file_time=True),
                            clock=clock)  # fmt: skip

        def look(seconds=0.0):
            clock.now += seconds
            return list(watch.poll())

        look.watch = watch
        return look

    return begin


def drops(run):
    return run("drop", "list", "--series", "S1", "--json").json["drops"]


def test_a_file_is_taken_once_it_has_been_quiet(watching, rig, folder):
    look = watching()
    path = write_volts(folder / "a.csv", half_sine_g(400.0))
    assert look() == []
    assert look(0.5 * QUIET_S) == []
    (event,) = look(0.6 * QUIET_S)
    assert isinstance(event, MeasuredFile)
    assert (event.file, event.drop_number, event.status) == ("a.csv", 1, "valid")
    assert look(10.0) == [] and path.exists()
    assert [drop["file_name"] for drop in drops(rig)] == ["a.csv"]


def test_a_growing_file_is_left_until_it_stops(watching, rig, folder):
    look = watching()
    content = write_volts(folder.parent / "whole.csv", half_sine_g(400.0)).read_bytes()
    path = folder / "a.csv"
    for part in range(1, 6):
        path.write_bytes(content[: part * len(content) // 6])
        assert look(0.7 * QUIET_S) == []
    path.write_bytes(content)
    assert look(0.7 * QUIET_S) == []
    (event,) = look(1.1 * QUIET_S)
    assert event.measures.samples == 6000


def test_a_pause_within_a_line_is_not_the_end(watching, folder):
    look = watching()
    content = write_volts(folder.parent / "whole.csv", half_sine_g(400.0)).read_bytes()
    path = folder / "a.csv"
    path.write_bytes(content[: content.rindex(b"\n", 0, len(content) // 2) + 5])
    look()
    assert look(1.5 * QUIET_S) == []
    path.write_bytes(content)
    look()
    (event,) = look(1.1 * QUIET_S)
    assert event.measures.samples == 6000


def test_a_pause_at_the_end_of_a_line_within_the_pulse_is_not_the_end(watching, rig, folder):
    look = watching()
    content = write_volts(folder.parent / "whole.csv", half_sine_g(400.0)).read_bytes()
    rows = content.splitlines(keepends=True)
    path = folder / "a.csv"
    path.write_bytes(b"".join(rows[:1700]))  # the pulse begins at sample 1500 and lasts 390
    look()
    assert look(1.5 * QUIET_S) == [] and look(QUIET_IN_DOUBT_S) == [] and drops(rig) == []
    path.write_bytes(content)
    look()
    (event,) = look(1.1 * QUIET_S)
    assert event.measures.samples == 6000
    cut = folder / "b.csv"
    cut.write_bytes(b"".join(rows[:1690]))
    look()
    (event,) = look(1.1 * QUIET_IN_PULSE_S)
    assert "ends within the pulse" in event.measures.void_reason


def test_files_on_their_way_are_left_alone(watching, folder):
    look = watching()
    content = write_volts(folder.parent / "whole.csv", half_sine_g(400.0)).read_bytes()
    for ending in (".part", ".tmp"):
        (folder / f"a.csv{ending}").write_bytes(content)
    look()
    assert look(2.0 * QUIET_S) == []


def test_files_there_at_the_start_go_in_by_their_numbers(watching, folder):
    for number in (10, 2, 1):
        write_volts(folder / f"d{number}.csv", half_sine_g(seed=number))
    look = watching()
    look()
    assert [event.file for event in look(1.1 * QUIET_S)] == ["d1.csv", "d2.csv", "d10.csv"]


def test_a_file_that_can_not_be_read_is_set_aside_and_the_watch_goes_on(watching, rig, folder):
    look = watching()
    (folder / "bad.csv").write_bytes(b"no recording\n")
    write_volts(folder / "good.csv", half_sine_g())
    look()
    assert [type(event) for event in look(1.1 * QUIET_S)] == [MeasuredFile]
    (event,) = look(QUIET_IN_DOUBT_S)
    assert isinstance(event, FileSetAside) and "no rows of numbers" in event.reason
    assert look(60.0) == []
    assert (look.watch.taken, look.watch.set_aside) == (1, 1)
    (kept,) = rig("series", "show", "S1", "--json").json["files_set_aside"]
    assert kept["file_name"] == "bad.csv" and "no rows of numbers" in kept["reason"]


def test_traps_are_set_aside_each_with_its_reason_and_the_others_are_taken(watching, folder):
    look = watching()
    traps = write_traps(folder)
    (folder / "notes.md").write_text("nothing measured\n")
    os.mkfifo(folder / "pipe")
    path = write_volts(folder / "zz.csv", half_sine_g())
    path.rename(path.with_name("z\udcff.csv"))
    look()
    events = look(1.1 * QUIET_S) + look(QUIET_IN_DOUBT_S)
    aside = {event.file: event.reason for event in events if isinstance(event, FileSetAside)}
    assert aside.keys() == traps.keys()
    assert [name for name, said in traps.items() if said not in aside[name]] == []
    assert [event.file for event in events if isinstance(event, MeasuredFile)] == ["z\\udcff.csv"]
    left = {event.file: event.reason for event in events if isinstance(event, FileLeftAlone)}
    assert left == {
        "notes.md": "holds no rows of numbers",
        "pipe": "a pipe or a device, not a file",
    }
    watch = look.watch
    assert (watch.taken, watch.set_aside, watch.left_alone) == (1, len(traps), 2)
    assert look(60.0) == []


def test_a_file_that_vanishes_is_not_spoken_of(watching, rig, folder, monkeypatch):
    look = watching()
    path = write_volts(folder / "a.csv", half_sine_g())
    look()

    def gone(*_, **__):
        path.unlink()
        raise WaveformUnreadable(f"{path}: No such file or directory")

    monkeypatch.setattr("durability.workflow.recorders.add_waveform_drop", gone)
    assert look(1.1 * QUIET_IN_DOUBT_S) == look(60.0) == []
    assert (look.watch.taken, look.watch.set_aside) == (0, 0)


def test_a_file_set_aside_is_recorded_once_and_taken_when_it_was_mended(watching, rig, folder):
    (folder / "a.csv").write_bytes(b"no recording\n")
    for _ in range(2):
        look = watching()
        look()
        assert len(look(1.1 * QUIET_IN_DOUBT_S)) == 1
    assert len(rig("series", "show", "S1", "--json").json["files_set_aside"]) == 1
    write_volts(folder / "a.csv", half_sine_g())
    look()
    (event,) = look(1.1 * QUIET_S)
    assert event.drop_number == 1


def test_nothing_is_taken_twice_after_a_restart_or_under_another_name(watching, rig, folder):
    write_volts(folder / "a.csv", half_sine_g(seed=1))
    look = watching()
    look()
    look(1.1 * QUIET_S)
    look = watching()
    assert look.watch.already_there == 1
    (folder / "copy.csv").write_bytes((folder / "a.csv").read_bytes())
    look()
    assert look(1.1 * QUIET_S) == [FileTwice("copy.csv", "S1", 1)]
    assert look(60.0) == []
    assert len(drops(rig)) == 1


@pytest.mark.parametrize("is_restarted", [False, True])
def test_a_file_that_grows_after_it_was_taken_stays_one_drop(
    watching, rig, folder, tmp_path, is_restarted
):
    look = watching()
    content = write_volts(folder.parent / "whole.csv", half_sine_g(400.0)).read_bytes()
    path = folder / "a.csv"
    path.write_bytes(content[: content.rindex(b"\n", 0, 2 * len(content) // 3) + 1])
    look()
    (first,) = look(1.1 * QUIET_S)
    assert isinstance(first, MeasuredFile)
    if is_restarted:
        look = watching()
    path.write_bytes(content)
    look()
    (event,) = look(1.1 * QUIET_S)
    assert isinstance(event, FileGrew)
    assert (event.drop.before, event.file.file) == (first.measures, "a.csv")
    (drop,) = drops(rig)
    assert drop["peak_g"] == event.drop.after.peak_g
    whole = rig("import", "waveforms", "--explain", path, "--series", "S1", "--json").json
    assert drop["peak_g"] == whole["files"][0]["peak_g"]
    assert "former measures" in rig("show", "drop", "S1", "1").out
    with duckdb.connect(str(tmp_path / "store.duckdb"), read_only=True) as connection:
        counts = connection.execute("SELECT sample_count FROM waveform ORDER BY waveform_id")
        assert counts.fetchall() == [(first.measures.samples,), (event.file.measures.samples,)]
    rig("seal")
    assert rig("verify", "--json").status == 0
    assert rig("export", "out").status == 0
    rig("import", "record", "out", "--store", "again.duckdb")
    assert rig("remeasure", "--dry-run", "--store", "again.duckdb").status == 0
    # Touched, or watched again: it is known.
    path.touch()
    look()
    assert look(60.0) == []
    look = watching()
    assert (look.watch.already_there, len(drops(rig))) == (1, 1)


def test_a_recorder_that_writes_over_its_file_makes_a_drop_each_time(watching, rig, folder):
    look = watching()
    for number in (1, 2):
        write_volts(folder / "latest.csv", half_sine_g(seed=number))
        look()
        (event,) = look(1.1 * QUIET_S)
        assert event.drop_number == number


def test_a_doubted_record_is_told_with_its_flag(watching, folder):
    look = watching()
    write_volts(folder / "clipped.csv", faulty_g("clipped"))
    look()
    (event,) = look(1.1 * QUIET_S)
    assert event.status == "void" and event.measures.flags[0].name == "clipped"


def test_a_closed_series_ends_the_watch(watching, rig, folder):
    look = watching()
    rig("series", "close", "S1", "--reason", "worn out")
    write_volts(folder / "a.csv", half_sine_g())
    look()
    with pytest.raises(SeriesClosed):
        look(1.1 * QUIET_S)


def test_a_folder_that_is_not_there_is_told(watching, folder):
    folder.rmdir()
    with pytest.raises(UnusableCall, match="no such folder"):
        watching()


# --------------------------------------------------------------------------- as a user runs it


def start(folder, *options):
    return subprocess.Popen(
        [sys.executable, "-m", "durability", "watch", str(folder), "--series", "S1", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def wait_for(condition, seconds=30.0):
    """A loaded machine is given time; how fast a verdict comes is no matter of a test."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "nothing happened"
        time.sleep(0.1)


def test_a_watch_tells_each_drop_and_ends_cleanly_on_interrupt(rig, folder):
    watch = start(folder)
    try:
        assert "watching" in watch.stdout.readline()
        write_volts(folder / "a.csv", half_sine_g(400.0))
        wait_for(lambda: len(drops(rig)) == 1)
        (folder / "bad.csv").write_bytes(b"no recording\n")
        write_volts(folder / "b.csv", half_sine_g(410.0, seed=2))
        wait_for(lambda: len(drops(rig)) == 2)
        # As with a typed drop: the case has no look before its first.
        assert "no check before the first drop" in watch.stderr.readline()
        assert "bad.csv set aside" in watch.stderr.readline()
    finally:
        watch.send_signal(signal.SIGINT)
        out, err = watch.communicate(timeout=30)
    assert watch.returncode == 0
    assert "drop 1 valid: " in out and "(a.csv)" in out and "drop 2 valid: " in out
    assert "watch ended: 2 taken, 1 set aside, 0 left alone" in out
    assert "Traceback" not in err


def test_a_watch_leaves_the_store_to_others_and_speaks_json_lines(rig, folder):
    watch = start(folder, "--json")
    try:
        time.sleep(1.0)
        rig("drop", "add", "S1", "--peak-g", "395")  # the watch does not hold the store
        write_volts(folder / "a.csv", half_sine_g(400.0))
        wait_for(lambda: len(drops(rig)) == 2)
    finally:
        watch.send_signal(signal.SIGINT)
        out, _ = watch.communicate(timeout=30)
    (told,) = (json.loads(line) for line in out.splitlines())
    assert (told["file"], told["drop_number"], told["status"]) == ("a.csv", 2, "valid")


def test_a_drop_made_after_its_case_had_failed_is_taken_and_says_so(watching, rig, folder):
    look = watching()
    write_volts(folder / "a.csv", half_sine_g(400.0))
    look()
    (first,) = look(QUIET_S)
    rig("damage", "add", "C-1", "--severity", "4")
    write_volts(folder / "b.csv", half_sine_g(500.0))
    look()
    (second,) = look(QUIET_S)
    assert [each.stored.failed_case for each in (first, second)] == [None, "C-1"]
    assert "dropped_after_failure" not in measured_file(first)
    assert measured_file(second)["dropped_after_failure"] == {"C-1": 1}
