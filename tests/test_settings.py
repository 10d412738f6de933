"""Settings: the order in which they hold, whence, and what is refused."""

import pytest


@pytest.fixture
def user(monkeypatch, tmp_path):
    """Write the user's own settings."""
    folder = tmp_path / "config"
    folder.mkdir()
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder))

    def write(*lines):
        file = folder / "durability.toml"
        file.write_text("\n".join(lines), encoding="utf-8")
        return file

    return write


@pytest.fixture
def beside(tmp_path):
    """Write the settings beside the store."""

    def write(*lines):
        file = tmp_path / "store.toml"
        file.write_text("\n".join(lines), encoding="utf-8")
        return file

    return write


@pytest.fixture
def worn(store):
    """A series that rises."""
    store("series", "open", "S1", "--device", "D-1", "--case", "C-1", "--device-kind", "dummy")
    for peak in (100, 102, 105, 107, 110, 112):
        store("drop", "add", "S1", peak)
    return store


def held(run, name, *words):
    told = run("settings", "--json", *words).json[name]
    return told["value"], told["from"]


def test_without_any_the_defaults_hold(run, monkeypatch):
    monkeypatch.delenv("DURABILITY_STORE")
    assert held(run, "store") == ("durability.duckdb", "default")
    assert held(run, "level") == (0.9, "default")
    assert held(run, "limit_rise") == (0.5, "default")
    assert held(run, "limit_g") == (None, "default")
    assert held(run, "units") == ("si", "default")
    assert held(run, "person") == ("tester", "environment DURABILITY_PERSON")


def test_option_environment_store_user_default_in_this_order(
    worn, user, beside, monkeypatch, tmp_path
):
    def level():
        return worn("forecast", "--json").json["level"]

    assert level() == 0.9
    mine = user("level = 0.6", 'person = "A. Reid"')
    assert (level(), held(worn, "level")) == (0.6, (0.6, str(mine)))
    store_s = beside('level = "70%"')
    assert (level(), held(worn, "level")) == (0.7, (0.7, str(store_s)))
    monkeypatch.setenv("DURABILITY_LEVEL", "0.8")
    assert (level(), held(worn, "level")) == (0.8, (0.8, "environment DURABILITY_LEVEL"))
    assert worn("forecast", "--json", "--level", "85%").json["level"] == 0.85
    assert held(worn, "person") == ("tester", "environment DURABILITY_PERSON")
    monkeypatch.delenv("DURABILITY_PERSON")
    assert held(worn, "person") == ("A. Reid", str(mine))
    other = str(tmp_path / "other.duckdb")
    assert held(worn, "store", "--store", other) == (other, "option --store")
    assert held(worn, "level", "--store", other)[1] == "environment DURABILITY_LEVEL"


def test_the_store_and_the_person_of_the_user_are_used(run, user, monkeypatch, tmp_path):
    monkeypatch.delenv("DURABILITY_STORE")
    monkeypatch.delenv("DURABILITY_PERSON")
    user('store = "mine.duckdb"', 'person = "A. Reid"')
    run("init")
    assert (tmp_path / "mine.duckdb").is_file()
    run("specimen", "add", "R-1", "--kind", "device", "--note", "swollen battery")
    run("specimen", "clear", "R-1", "--reason", "flat", "--check", "battery swelling=pass, 5 mm")
    assert "A. Reid" in run("specimen", "show", "R-1").out


def test_one_limit_holds_by_the_first_who_sets_one(worn, user, beside):
    mine = user("limit_g = 104")
    assert {each["limit_g"] for each in worn("forecast", "--json").json["series"]} == {104.0}
    assert held(worn, "limit_g") == (104.0, str(mine))
    store_s = beside('limit_rise = "4%"')
    (only,) = worn("forecast", "--json").json["series"]
    assert only["limit_g"] < 106 and only["limit_g"] != 104.0
    assert held(worn, "limit_g") == (None, str(store_s))
    assert worn("forecast", "--json", "--limit-g", "900").json["series"][0]["limit_g"] == 900.0


@pytest.mark.parametrize(
    "words",
    [
        ("status",),
        ("plan", "survive", "--drops", "3"),
        ("plot", "wear"),
    ],
)
def test_what_is_not_the_default_is_named_beside_the_answer(worn, user, words):
    assert "Not the default" not in worn(*words).out
    mine = user("limit_g = 300")
    told = "".join(worn(*words).out.split())
    assert f"Notthedefault:limit300g({mine})" in told
    typed = " ".join(worn(*words, "--limit-rise", "40%").out.split())
    assert "limit 40 % above the fresh level (option --limit-rise)" in typed
    assert "Not the default" not in worn("drop", "list").out


def test_units_of_the_settings_hold_where_a_recorder_s_file_has_its_own(worn, user, monkeypatch):
    import io

    worn("series", "amend", "S1", "--set", "drop_height_mm=4ft", "--reason", "forgotten")
    user('units = "us"')
    monkeypatch.setattr("sys.stdin", io.StringIO("118 h47in\n"))
    assert "HEIGHT 47 in, -2.1 % of 48" in worn("record", "S1", "--units", "V").out
    told = worn("series", "show", "S1").out
    assert "48" in told and "drop height, in" in told
    assert "drop height, mm" in worn("series", "show", "S1", "--units", "si").out


RUBBISH = [
    ("level = 5", "level = 5: not a share between 0 and 1, like 0.9"),
    ("level = true", "level = True: not a share between 0 and 1"),
    ('level = "high"', "level = 'high': not a share"),
    ("levle = 0.8", "levle = 0.8: no setting; there are store, person"),
    ("limit_rise = 50", "limit_rise = 50: ambiguous"),
    ('limit_g = "48in"', "in is a unit of length"),
    ("limit_g = 3\nlimit_rise = 0.4", "a case has one limit"),
    ("[level]\na = 1", "level = {'a': 1}: not a share"),
    ("person = 3", "person = 3: not a name"),
    ('store = ""', "store = '': not the path of a store"),
    ("level", "write lines like level = 0.8"),
    ('units = "imperial"', "units = 'imperial': not si or us"),
]


@pytest.mark.parametrize(("text", "said"), RUBBISH)
def test_rubbish_is_one_line_with_file_key_value_and_what_would_be_right(store, user, text, said):
    file = user(text)
    for words in (("trend",), ("settings",)):
        told = store(*words, expect=2).err
        assert said in told and str(file) in told and len(told.splitlines()) == 1


def test_rubbish_of_the_environment_is_named(store, monkeypatch):
    monkeypatch.setenv("DURABILITY_LEVEL", "high")
    told = store("forecast", expect=2).err
    assert "environment DURABILITY_LEVEL = 'high': not a share between 0 and 1" in told


@pytest.mark.parametrize("line", ['person = "A. Reid"', 'store = "x.duckdb"'])
def test_beside_a_store_neither_store_nor_person_is_set(store, beside, line):
    file = beside(line)
    told = store("trend", expect=2).err
    assert str(file) in told and "not beside a store" in told


def test_a_file_of_settings_does_not_slow_what_needs_none(store, user, monkeypatch):
    """Nothing is read of a file that is not there."""
    import sys

    monkeypatch.delitem(sys.modules, "tomllib", raising=False)
    store("drop", "list")
    assert "tomllib" not in sys.modules
    user("level = 0.8")
    store("drop", "list")
    assert "tomllib" in sys.modules
