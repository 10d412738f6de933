"""The library gives what the command line gives, from plain frames, and starts nothing early."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import durability
from durability.__main__ import main
from durability.record.errors import UnusableCall

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def frames(built_demo):
    store = durability.open_store(built_demo.store)
    return {name: store.frame(name) for name in ("all_drops", "all_damage", "all_checks")}


@pytest.fixture
def command_line(built_demo, capsys):
    def ask(*words):
        capsys.readouterr()
        assert main([*words, "--json", "--store", str(built_demo.store)]) == 0
        return json.loads(capsys.readouterr().out)

    return ask


def columns_of(frame, names):
    """Columns of a frame as JSON has them: absent is None."""
    return {name: [None if pd.isna(value) else value for value in frame[name]] for name in names}


def fields_of(objects, names):
    """The same of JSON objects."""
    return {name: [one[name] for one in objects] for name in names}


def test_trends_are_those_of_the_command_line(frames, command_line):
    from durability.library import TREND_COLUMNS

    told = command_line("trend")["series"]
    frame = durability.trends(frames["all_drops"])
    assert columns_of(frame, TREND_COLUMNS) == fields_of(told, TREND_COLUMNS)


def test_forecasts_are_those_of_the_command_line(frames, command_line):
    from durability.library import FORECAST_COLUMNS

    told = command_line("forecast")["series"]
    frame = durability.forecasts(frames["all_drops"], frames["all_damage"])
    assert columns_of(frame, FORECAST_COLUMNS) == fields_of(told, FORECAST_COLUMNS)
    ends = ("lower", "median", "upper")
    lives = [one["drops_to_failure"] for one in told]
    assert columns_of(frame, ends) == fields_of(lives, ends)
    causes = [one["failure_by"] for one in told]
    assert columns_of(frame, ["failed_by_damage"]) == {
        "failed_by_damage": [each["damage"] for each in causes]
    }


def test_the_ranking_is_that_of_the_command_line(frames, command_line):
    from durability.library import RANK_COLUMNS

    told = command_line("rank")
    frame = durability.ranking(frames["all_drops"], frames["all_damage"])
    groups = [
        {**group, **each["condition"], "b10_estimate": group["b10"]["estimate"]}
        for each in (told, *told["others"])
        for group in each["groups"]
    ]
    names = [*RANK_COLUMNS, "drop_height_mm", "surface", "device_kind", "b10_estimate"]
    assert columns_of(frame, names) == fields_of(groups, names)
    assert frame.attrs["order_is_clear"] == told["order_is_clear"]


def test_comparison_and_link_are_those_of_the_command_line(frames, command_line):
    told = command_line("compare", "bare", "Scree")
    ours = durability.comparison(frames["all_drops"], "bare", "Scree")
    assert (ours.ratio, ours.upper, ours.ratio_with_voided, ours.voided_b) == (
        told["ratio"],
        told["upper"],
        told["ratio_with_voided"],
        told["voided"]["b"],
    )
    told = command_line("latent")
    link = durability.latent_link(frames["all_drops"], frames["all_checks"])
    assert link.p_value == told["effect"]["p_value"]
    assert link.time_ratio_per_doubling == told["effect"]["time_ratio_per_doubling"]
    assert [each.shock_dose for each in link.per_device] == [
        each["shock_dose"] for each in told["per_device"]
    ]


def test_codes_of_a_store_of_several_sites_are_taken_as_they_are(frames):
    drops = frames["all_drops"]
    drops = drops[drops["series"] == "demo-S1"]
    named = drops.assign(**{name: "Leeds:" + drops[name] for name in ("series", "case", "device")})
    (row,) = durability.trends(named).to_dict("records")
    assert (row["series"], row["verdict"]) == ("Leeds:demo-S1", "rising")


def test_checks_of_a_store_may_hold_two_inspections_of_a_device_at_one_time(frames):
    """As two labs made them that noted only the day; in a file it would be a typing error."""
    checks = frames["all_checks"]
    other = checks[(checks["device"] == "R14") & (checks["outcome"] == "pass")]
    both = pd.concat([checks, other.assign(outcome="degraded", inspection_id="another")])
    link = durability.latent_link(frames["all_drops"], both)
    assert link.p_value == durability.latent_link(frames["all_drops"], checks).p_value
    with pytest.raises(UnusableCall, match="repeats"):
        durability.latent_link(frames["all_drops"], both.drop(columns="inspection_id"))


def test_the_files_themselves_are_frames_too(built_demo):
    """As read by pandas with nothing told: blanks are NaN, times are text."""
    drops = pd.read_csv(built_demo.files_folder / "invented-drops.csv")
    drops = drops[drops["series"] == "demo-S1"]
    (row,) = durability.trends(drops).to_dict("records")
    assert (row["series"], row["verdict"]) == ("demo-S1", "rising")
    shuffled = drops.sample(frac=1, random_state=3)
    assert durability.trends(shuffled).equals(durability.trends(drops))


def test_voided_and_reference_drops_do_not_count():
    drops = pd.DataFrame(
        {
            "series": ["A"] * 5 + ["pad"] * 5,
            "drop_number": [*range(1, 6), *range(1, 6)],
            "peak_g": [100.0, 900.0, 101.0, 100.5, 101.0] * 2,
            "status": ["valid", "void", None, "valid", "valid"] * 2,
            "purpose": ["test"] * 5 + ["reference"] * 5,
        }
    )
    (row,) = durability.trends(drops).to_dict("records")
    assert (row["series"], row["drops"], row["valid_drops"]) == ("A", 5, 4)
    assert row["level_latest_g"] < 110


def test_damage_ends_a_life_however_it_is_told():
    drops = pd.DataFrame({"series": "A", "drop_number": range(1, 6), "peak_g": 100.0, "case": "C"})
    damage = pd.DataFrame({"specimen": ["C"], "severity": [4], "series": ["A"], "drop_number": [3]})
    beside = durability.forecasts(drops, damage)
    within = durability.forecasts(drops.assign(damage_severity=[np.nan, np.nan, 4, np.nan, np.nan]))
    assert beside.equals(within)
    assert (beside["failed_at_drop"][0], beside["failure_cause"][0]) == (3, "damage")


CLIMB = pd.DataFrame(
    {"series": "A", "drop_number": range(1, 9), "peak_g": [float(g) for g in range(100, 132, 4)]}
)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("peak_g", "abc"), ("peak_g", -5.0), ("peak_g", np.inf), ("peak_g", None),
        ("status", "Void"), ("damage_severity", 7), ("drop_number", 1.5), ("drop_number", 0),
        ("dropped_at", "2999-01-01"), ("device_kind", "phone"),
    ],
)  # fmt: skip
def test_a_row_that_an_import_refuses_is_refused_by_its_place(column, value, store, sheet):
    drops = CLIMB.astype(object)
    drops[column] = drops.get(column)
    drops.loc[3, column] = value
    with pytest.raises(UnusableCall, match=rf"drops\.iloc\[3\], {column}") as library:
        durability.trends(drops)
    file = sheet("drops.csv", *drops.to_csv(index=False).splitlines())
    assert store("import", "drops", file, expect=1).err.strip()
    reason = str(library.value).partition(": ")[2].partition(" (1 of 8")[0]
    assert reason in " ".join(store("import", "drops", file, expect=1).err.split())


@pytest.mark.parametrize(
    ("parameter", "value"),
    [
        ("level", 2), ("level", "a"), ("level", np.nan), ("limit_g", -1), ("limit_g", np.inf),
        ("limit_rise", 0), ("horizon", 0), ("horizon", 1.5), ("horizon", np.inf),
    ],
)  # fmt: skip
def test_a_parameter_out_of_its_range_is_refused_by_its_name(parameter, value):
    with pytest.raises(UnusableCall, match=rf"^{parameter} {value}: not a "):
        durability.forecasts(CLIMB, **{parameter: value})


def test_types_are_the_same_whatever_the_data():
    for answer in (durability.trends, durability.forecasts, durability.ranking):
        in_case = CLIMB.assign(case="C", case_model="M")
        types = [answer(frame).dtypes.to_dict() for frame in (in_case, in_case[:2], in_case[:0])]
        assert types[0] == types[1] == types[2]
    alarm = durability.trends(CLIMB[:2]).dtypes
    assert (str(alarm["alarm_at_drop"]), str(alarm["series"])) == ("Int64", "string")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: durability.trends(pd.DataFrame({"series": ["A"]})), "no column drop_number"),
        (
            lambda: durability.trends(
                pd.DataFrame({"series": ["A"] * 2, "drop_number": 1, "peak_g": [9.0, 8.0]})
            ),
            r"drops\.iloc\[1\], .*drop 1 of series A",
        ),
        (lambda: durability.open_store("nowhere.duckdb"), "no store there"),
    ],
)
def test_what_can_not_be_used_is_told(call, said):
    with pytest.raises(UnusableCall, match=said):
        call()


def test_a_store_gives_views_questions_and_statements(built_demo):
    store = durability.open_store(built_demo.store)
    counted = store.frame("SELECT count(*) AS n FROM all_drops WHERE status = 'valid'")
    assert len(store.frame("valid_drops")) == counted["n"].item() > 700
    assert store.frame("survived_drops", drops=24).columns[0] == "case"
    told = store.frame("SELECT count(*) AS n FROM all_drops WHERE series = $s", s="demo-S1")
    assert told["n"].item() == 26
    with pytest.raises(UnusableCall, match="no view, table or saved question"):
        store.frame("nothing")
    for said in ("DELETE FROM amendment", "", " "):
        with pytest.raises(UnusableCall, match="read-only"):
            store.frame(said)


def test_the_dose_grows_drop_by_drop_to_that_of_the_saved_question(built_demo):
    store = durability.open_store(built_demo.store)
    dose = store.frame("SELECT * FROM device_dose(6.4) ORDER BY device, device_drop_number")
    assert dose.groupby("device")["shock_dose"].is_monotonic_increasing.all()
    ends = dose.groupby("device")["shock_dose"].last()
    asked = store.frame("shock_exposure_by_device", exponent=6.4).set_index("device")["shock_dose"]
    assert ends.to_dict() == pytest.approx(asked[ends.index].to_dict(), rel=1e-9)


def test_every_public_name_is_there_and_none_is_loaded_early():
    probe = "import durability, sys; print([m for m in ('numpy','pandas') if m in sys.modules])"
    root = str(Path(durability.__file__).parent.parent)
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, cwd=root)
    assert done.stdout.strip() == "[]"
    for name in durability.__all__:
        assert getattr(durability, name).__doc__, name
    with pytest.raises(AttributeError):
        durability.nothing  # noqa: B018


def test_names_of_parts_and_of_the_library_do_not_clash():
    """A submodule of the same name would take a function's place once it is imported."""
    import importlib
    import pkgutil

    parts = {each.name for each in pkgutil.iter_modules(durability.__path__)}
    assert parts.isdisjoint(durability.__all__)
    importlib.import_module("durability.wear")
    assert callable(durability.trends)


def test_the_example_of_readme_runs(built_demo, tmp_path, monkeypatch):
    """From a CSV to a plot in ten lines, as they stand there."""
    section = README.partition("\n## As a library\n")[2]
    (code,) = re.findall(r"```python\n(.*?)```", section, flags=re.DOTALL)
    lines = [line for line in code.splitlines() if line.strip()]
    assert len(lines) <= 10
    folder = tmp_path / "fixtures" / "demo"
    folder.mkdir(parents=True)
    source = Path(__file__).parent.parent / "fixtures" / "demo" / "drops.csv"
    (folder / source.name).write_bytes(source.read_bytes())
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})
    assert (tmp_path / "wear.svg").read_text(encoding="utf-8").count("<path") > 10
