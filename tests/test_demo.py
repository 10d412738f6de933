"""The invented scenario: the same each time, plainly invented, and never in the way of a record."""

import hashlib
import json
from collections import Counter, defaultdict
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import demo_files
import duckdb
import pytest
from scenario.record import FOLDER, INVENTED

from durability.__main__ import main
from durability.cli import answers as shown
from durability.record.errors import StoreUnusable, UnusableCall
from durability.record.units import impact_velocity_m_s
from durability.store import database
from durability.workflow import archive, demo, specimens
from durability.workflow.session import Session, make_store


@pytest.fixture(scope="module")
def scenario():
    return demo_files.build_scenario()


@pytest.fixture(scope="module")
def ask(built_demo):
    with database.reading(built_demo.store) as connection:
        yield lambda sql: connection.execute(sql).fetchall()


def by_series(scenario):
    rows = defaultdict(list)
    for row in scenario.drops:
        rows[row["series"]].append(row)
    return rows


def test_it_is_the_same_at_each_call(scenario):
    assert demo_files.build_scenario() == scenario


def test_every_row_is_taken_by_the_import(scenario, built_demo):
    assert built_demo.added == {
        "specimens": len(scenario.specimens),
        "drops": len(scenario.drops),
        "damage": len(scenario.damage),
        "inspections": len(scenario.inspections),
    }


def test_everything_is_marked_as_invented(ask):
    assert ask("SELECT count(*) FROM specimen WHERE note IS DISTINCT FROM '" + INVENTED + "'") == [
        (0,)
    ]
    assert ask("SELECT count(*) FROM sensor WHERE note IS DISTINCT FROM '" + INVENTED + "'") == [
        (0,)
    ]
    assert ask("SELECT count(*) FROM series WHERE code NOT LIKE 'demo-%'") == [(0,)]
    assert ask("SELECT count(*) FROM sensor WHERE code NOT LIKE 'demo-%'") == [(0,)]
    assert ask("SELECT DISTINCT entered_by FROM entry") == [(demo.PERSON,)]
    assert ask("SELECT count(*) FROM entry WHERE file_name NOT LIKE 'invented-%'") == [(0,)]


def test_it_holds_what_it_promises(scenario):
    kinds = Counter(row["kind"] for row in scenario.specimens)
    assert kinds == {"case": 29, "device": 32, "dummy": 1}
    radios = {row["device"] for row in scenario.drops if row["device_kind"] == "device"}
    assert len(radios) == 24
    inspected = {row["device"] for row in scenario.inspections}
    assert len(inspected - radios) == 8
    on_the_rig = {
        model: {
            row["case"]
            for row in scenario.drops
            if row["case_model"] == model and row["device"] == "D1"
        }
        for model in ("Tarn", "Corrie", "Scree", "Moraine")
    }
    assert {model: len(cases) for model, cases in on_the_rig.items()} == {
        "Tarn": 5,
        "Corrie": 5,
        "Scree": 5,
        "Moraine": 6,
    }
    voided = [row for row in scenario.drops if row["status"] == "void"]
    assert len(voided) == 8
    assert all(row["void_reason"] for row in voided)
    assert sum(row["peak_g"] is None for row in voided) == 3
    assert {row["purpose"] for row in scenario.drops} == {"test", "reference"}
    assert {row["drop_height_mm"] for row in scenario.drops if row["case"] == "T1"} == {
        1220.0,
        760.0,
        460.0,
    }
    assert {row["orientation"] for row in scenario.drops} == {"face 3", "edge 2-3"}


def test_only_the_splitting_model_fails_by_damage(scenario):
    failed = {row["case_model"] for row in scenario.drops if row["damage_severity"] == 4}
    assert failed == {"Moraine"}
    for rows in by_series(scenario).values():
        severities = [row["damage_severity"] for row in rows if row["damage_severity"] is not None]
        assert severities == sorted(severities)
        # Nothing is dropped in a sleeve that has split.
        assert 4 not in severities[:-1]
        assert 4 not in severities or rows[-1]["damage_severity"] == 4


@pytest.mark.parametrize(
    ("series", "least", "most"),
    [("demo-T1", 0.9, 1.1), ("demo-C1", 1.12, 1.35), ("demo-S1", 1.4, 2.0)],
)
def test_the_models_wear_as_told(scenario, series, least, most):
    peaks = [row["peak_g"] for row in by_series(scenario)[series]]
    assert least < (sum(peaks[-5:]) / 5) / peaks[0] < most


def test_the_settling_model_has_settled(scenario):
    peaks = [row["peak_g"] for row in by_series(scenario)["demo-C1"]]
    assert 0.95 < (sum(peaks[-8:]) / 8) / (sum(peaks[8:16]) / 8) < 1.05


def test_pulses_obey_free_fall(scenario):
    # Velocity change lies between a dead stop and a full rebound (IEC 60068-2-27 wording of the
    # range; free fall gives the velocity at impact).
    for row in scenario.drops:
        if row["velocity_change_m_s"] is not None:
            impact = impact_velocity_m_s(row["drop_height_mm"])
            assert impact < row["velocity_change_m_s"] < 2 * impact


def test_one_thing_is_in_one_place_at_a_time(scenario):
    for key in ("device", "case"):
        spans = defaultdict(list)
        for rows in by_series(scenario).values():
            if rows[0][key]:
                days = defaultdict(list)
                for row in rows:
                    days[row["dropped_at"][:10]].append(row["dropped_at"])
                spans[rows[0][key]] += [(min(times), max(times)) for times in days.values()]
        for ordered in map(sorted, spans.values()):
            for (_, end), (start, _) in pairwise(ordered):
                assert end < start
    times = [datetime.fromisoformat(row["dropped_at"]) for row in by_series(scenario)["demo-pad"]]
    assert times == sorted(times)


def test_looks_lie_between_receipt_and_the_end_of_the_record(scenario):
    received = {row["code"]: row["received_on"] for row in scenario.specimens}
    for row in scenario.inspections:
        assert received[row["device"]] <= row["inspected_at"][:10] <= "2026-10-09"
    assert max(row["dropped_at"] for row in scenario.drops) < "2026-05"


def test_follow_up_has_its_stories(scenario):
    looks = defaultdict(lambda: defaultdict(list))
    for row in scenario.inspections:
        looks[row["device"]][row["function"]].append(row["outcome"])
    last_drop = {row["device"]: row["dropped_at"] for row in scenario.drops}
    first_failed = {}
    for row in scenario.inspections:
        if row["outcome"] == "fail":
            first_failed.setdefault(row["device"], row["inspected_at"])
    on_drop_day = {
        device
        for device, moment in first_failed.items()
        if last_drop.get(device, "")[:10] == moment[:10]
    }
    assert on_drop_day == {"R19"}
    assert {device for device in first_failed if device.startswith("K")} == {"K07"}
    assert 5 <= len(first_failed) - len(on_drop_day) - 1 <= 12
    assert looks["R21"]["push-to-talk"][4:7] == ["fail", "pass", "fail"]
    assert any("swollen" in (row["note"] or "") for row in scenario.inspections)
    assert {row["outcome"] for row in scenario.inspections} == {
        "pass",
        "degraded",
        "fail",
        "not_tested",
    }
    assert 10 <= len(looks["R01"]) <= 12
    visits = {device: len(functions["display"]) for device, functions in looks.items()}
    assert visits["R10"] == 1  # only before its first drop
    assert visits["R01"] == 8


def test_the_files_that_ship_are_those_of_the_generator(scenario, tmp_path):
    """When this fails: python tests/demo_files.py."""
    demo_files.write_files(scenario, tmp_path)
    made = {file.name: file.read_text(encoding="utf-8") for file in tmp_path.iterdir()}
    assert made == {file.name: file.read_text(encoding="utf-8") for file in FOLDER.glob("*.csv")}


def digest(file):
    return hashlib.sha256(file.read_bytes()).hexdigest()


def test_building_twice_is_safe(built_demo):
    before = digest(built_demo.store)
    again = demo.build_demo(built_demo.store)
    assert not again.is_new
    assert again.added == {}
    assert digest(built_demo.store) == before


def test_a_record_of_ones_own_is_never_touched(tmp_path):
    store = tmp_path / "durability.duckdb"
    session = Session(store, "tester")
    make_store(session)
    specimens.add_specimen(session, "C-1", "case", {})
    before = digest(store)
    with pytest.raises(StoreUnusable, match="record of yours"):
        demo.build_demo(store)
    assert digest(store) == before
    assert not (tmp_path / "durability-files").exists()


def test_an_empty_store_of_ones_own_is_never_touched(tmp_path):
    store = tmp_path / "durability.duckdb"
    make_store(Session(store, "tester"))
    with pytest.raises(StoreUnusable, match="record of yours"):
        demo.build_demo(store)


def test_a_foreign_file_is_never_touched(tmp_path):
    words = tmp_path / "notes.txt"
    words.write_text("not a store")
    with pytest.raises(StoreUnusable, match="not a DuckDB file"):
        demo.build_demo(words)
    assert words.read_text() == "not a store"
    other = tmp_path / "other.duckdb"
    duckdb.connect(str(other)).close()
    with pytest.raises(StoreUnusable, match="not a durability store"):
        demo.build_demo(other)


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(StoreUnusable, match="does not exist"):
        demo.build_demo(tmp_path / "nowhere" / "demo.duckdb")


def test_an_interrupted_build_leaves_nothing(tmp_path, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(archive, "import_files", interrupted)
    with pytest.raises(KeyboardInterrupt):
        demo.build_demo(tmp_path / "demo.duckdb")
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_in_one_line(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(demo.shutil, "copyfile", full)
    with pytest.raises(UnusableCall, match="No space left"):
        demo.build_demo(tmp_path / "demo.duckdb")


def test_files_that_a_user_changed_stay(tmp_path):
    folder = tmp_path / "demo-files"
    folder.mkdir()
    mine = folder / "invented-drops.csv"
    mine.write_text("mine\n")
    made = demo.build_demo(tmp_path / "demo.duckdb")
    assert made.is_new
    assert mine.read_text() == "mine\n"
    assert (folder / "invented-specimens.csv").exists()


def test_the_command_says_what_it_made(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DURABILITY_STORE", raising=False)
    assert main(["demo", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["invented"] is True
    assert told["new"] is True
    assert told["store"] == "durability-demo.duckdb"
    assert sorted(path.name for path in Path(told["files_folder"]).iterdir()) == [
        "invented-damage.csv",
        "invented-drops.csv",
        "invented-inspections.csv",
        "invented-specimens.csv",
    ]
    assert main(["demo", "--json", "--store", "durability-demo.duckdb"]) == 0
    assert json.loads(capsys.readouterr().out)["new"] is False
    monkeypatch.setenv("DURABILITY_STORE", "durability-demo.duckdb")
    assert main(["demo", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["new"] is False


def test_each_answer_stands_under_its_question_and_command(built_demo, capsys, monkeypatch):
    steps = [step for step in shown._STEPS if step[1][0] == "query"]
    assert [step[1][0] for step in shown._STEPS[:5]] == [
        "trend",
        "forecast",
        "rank",
        "due",
        "latent",
    ]
    monkeypatch.setattr(shown, "_STEPS", steps)
    assert main(["demo", "--store", str(built_demo.store)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("INVENTED")
    for question, command in steps:
        assert f"{question} (invented data)\n$ durability {' '.join(command)} --store" in out
    assert "Latent failures and the shocks before them: 8 rows" in out
