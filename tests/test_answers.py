"""Each reading command answers in JSON exactly as promised, and in words that say it first."""

import json
import math
import re

import pytest

from durability.__main__ import main

pytestmark = pytest.mark.usefixtures("one_study")


@pytest.fixture
def ask(demo_store, monkeypatch, capsys):
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))
    monkeypatch.setenv("COLUMNS", "80")

    def call(*words):
        capsys.readouterr()
        assert main([str(word) for word in words]) == 0
        return capsys.readouterr().out

    return call


def no_nan(constant):
    raise AssertionError(f"{constant} in JSON")


def answer(ask, *words):
    return json.loads(ask(*words, "--json"), parse_constant=no_nan)


SERIES_KEYS = {"series", "case", "case_model", "drops"}


def test_trend(ask):
    told = answer(ask, "trend")
    for one in told["series"]:
        assert (
            SERIES_KEYS
            | {
                "valid_drops",
                "verdict",
                "alarm_at_drop",
                "level_first_g",
                "level_latest_g",
                "rise_pct_per_drop",
                "rise_lower",
                "rise_upper",
                "p_value",
                "shape",
            }
            <= one.keys()
        )
        assert one["verdict"] in ("rising", "settled", "steady", "too few")
        assert (one["verdict"] == "too few") == (one["valid_drops"] < 4)
        if one["rise_lower"] is not None:
            assert one["rise_lower"] <= one["rise_pct_per_drop"] <= one["rise_upper"]


def test_forecast(ask):
    told = answer(ask, "forecast", "--level", "0.8", "--horizon", "200")
    assert (told["level"], told["horizon"]) == (0.8, 200)
    for one in told["series"]:
        assert (
            SERIES_KEYS
            | {
                "failed",
                "failed_at_drop",
                "failure_cause",
                "limit_g",
                "drops_to_failure",
                "survival",
                "basis",
            }
            <= one.keys()
        )
        assert one["failed"] == (one["failed_at_drop"] is not None)
        assert one["failure_cause"] in ("peak limit", "damage", None)
        ends = one["drops_to_failure"]
        assert ends.keys() == {"lower", "median", "upper"}
        known = [ends[key] for key in ("lower", "median", "upper") if ends[key] is not None]
        assert known == sorted(known) and all(value <= 200 for value in known)
        chances = [point["probability"] for point in one["survival"]]
        assert all(0 <= later <= earlier <= 1 for earlier, later in zip(chances, chances[1:]))
        assert one["basis"]


def test_an_absolute_limit_is_the_limit(ask):
    told = answer(ask, "forecast", "--limit-g", "300")
    assert {one["limit_g"] for one in told["series"] if one["case"]} == {300.0}


def test_a_bare_series_has_no_case_to_fail(ask):
    told = answer(ask, "forecast")
    bare = [one for one in told["series"] if one["case_model"] is None]
    assert bare
    for one in bare:
        assert one["basis"] == "bare: no case to fail"
        assert not one["failed"] and one["survival"] == []
        nothing = (one["limit_g"], one["b10_drop"], *one["drops_to_failure"].values())
        assert set(nothing) == {None} == set(one["failure_by"].values())
    out = ask("forecast")
    assert not any(one["series"] in out for one in bare)
    in_cases = len(told["series"]) - len(bare)
    assert f" of {in_cases} series in a case failed" in out
    alone = ask("forecast", "--series", bare[0]["series"])
    assert "dropped bare: no case to fail." in alone and "fails at" not in alone


def test_next_to_fail_has_the_fewest_drops_left(ask):
    """By hand from the JSON: median less the drops made; the highest drop number may be next."""
    told = answer(ask, "forecast")["series"]
    left = {
        one["series"]: one["drops_to_failure"]["median"] - one["survival"][0]["drop"]
        for one in told
        if not one["failed"] and one["drops_to_failure"]["median"] is not None
    }
    out = ask("forecast", "--why")
    soonest = min(left, key=left.get)
    assert f"next {soonest}, {left[soonest]:.0f} left, at drop" in " ".join(out.split())
    shown = [line.split()[0] for line in out.splitlines() if line.startswith("demo-")]
    ahead = [series for series in shown if series in left]
    assert ahead == sorted(left, key=lambda series: (left[series], series))


@pytest.mark.parametrize("by", ["case_model", "case"])
def test_rank(ask, by):
    told = answer(ask, "rank", "--by", by)
    assert told["by"] == by
    for group in told["groups"]:
        assert {
            "group",
            "cases",
            "drops",
            "failed",
            "rise_pct_per_drop",
            "lower",
            "upper",
            "probability_fastest",
            "life",
        } <= group.keys()
        assert group["life"].keys() == {"lower", "median", "upper"}
    chances = [group["probability_fastest"] for group in told["groups"]]
    assert math.isclose(sum(chance or 0 for chance in chances), 1, abs_tol=0.01)
    rises = [group["rise_pct_per_drop"] for group in told["groups"]]
    known = [rise for rise in rises if rise is not None]
    assert known == sorted(known, reverse=True)


def test_compare(ask):
    models = [group["group"] for group in answer(ask, "rank")["groups"]]
    told = answer(ask, "compare", "bare", models[0])
    assert {
        "a",
        "b",
        "drops",
        "ratio",
        "lower",
        "upper",
        "reduction_pct",
        "reduction_lower",
        "reduction_upper",
        "voided",
        "ratio_with_voided",
    } <= told.keys()
    assert told["lower"] < told["ratio"] < told["upper"] and told["ratio"] > 1
    assert math.isclose(told["reduction_pct"], 100 * (1 - 1 / told["ratio"]))


def test_conditions_are_a_what_if(ask):
    told = answer(ask, "conditions")["effects"]
    assert [effect["covariate"] for effect in told] == ["temperature", "long rest"]
    assert "no level, trend or forecast is corrected" in ask("conditions").replace("\n", " ")


def test_a_forecast_says_what_further_drops_would_buy(ask):
    told = " ".join(ask("forecast", "--series", "demo-M3").split())
    found = re.search(r"5 further drops would (not )?narrow .* (\d+) now, (\d+) then on", told)
    assert found is not None, told
    now, then = int(found[2]), int(found[3])
    assert then >= now if found[1] else then <= now


def test_due(ask):
    told = answer(ask, "due", "--on", "2026-06-01", "--within", "30")
    assert told["on"] == "2026-06-01" and told["due"]
    for one in told["due"]:
        assert one.keys() == {"device", "due_on", "days_overdue", "stage", "functions"}
        assert one["due_on"] <= "2026-07-01"


def test_latent(ask):
    told = answer(ask, "latent")
    assert {
        "devices",
        "control_devices",
        "failed_on_drop_day",
        "latent_failures",
        "verdict",
        "dose_exponent",
        "effect",
        "per_device",
        "check",
    } <= told.keys()
    doublings = ("per_peak_doubling", "per_count_doubling")
    assert told["effect"].keys() == {
        "time_ratio_per_doubling", "lower", "upper", "p_value", *doublings,
    }  # fmt: skip
    for name in doublings:
        assert told["effect"][name].keys() == {"ratio", "lower", "upper"}
    assert told["check"].keys() == {"method", "log_loss", "log_loss_without_shock"}
    for device in told["per_device"]:
        assert {
            "device",
            "drops",
            "max_peak_g",
            "shock_dose",
            "state",
            "failed_after_days",
            "probability_failed_by_day",
        } <= device.keys()
        assert device["failed_after_days"].keys() == {"after", "by"}
        chances = device["probability_failed_by_day"]
        assert chances.keys() == {"30", "90", "180"}
        assert chances["30"] <= chances["90"] <= chances["180"]
    controls = [device for device in told["per_device"] if device["drops"] == 0]
    assert len(controls) == told["control_devices"] == 8


@pytest.mark.parametrize(
    "words",
    [
        ("trend",),
        ("forecast",),
        ("rank",),
        ("due", "--on", "2026-06-01"),
        ("latent",),
        ("specimen", "list"),
        ("series", "list"),
        ("drop", "list", "--series", "demo-S1"),
        ("inspect", "list"),
        ("inspect", "schedule"),
        ("history", "S1"),
        ("trend", "--series", "demo-S1"),
        ("forecast", "--series", "demo-S1"),
        ("conditions",),
        ("query",),
        ("query", "fastest_degrading_cases"),
    ],
)
def test_words_fit_eighty_columns_and_need_no_colour(ask, words):
    out = ask(*words)
    assert out.strip()
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "\x1b[" not in out


def test_words_and_json_say_the_same(ask):
    verdicts = {one["series"]: one["verdict"] for one in answer(ask, "trend")["series"]}
    rising = sum(verdict == "rising" for verdict in verdicts.values())
    assert ask("trend").startswith(f"{rising} of {len(verdicts)} series rising")


def test_filters_keep_only_what_was_asked(ask):
    told = answer(ask, "trend", "--series", "demo-S1", "--series", "demo-C1")
    assert [one["series"] for one in told["series"]] == ["demo-C1", "demo-S1"]
    model = next(one["case_model"] for one in answer(ask, "trend")["series"] if one["case_model"])
    told = answer(ask, "forecast", "--case-model", model)
    assert {one["case_model"] for one in told["series"]} == {model}


EMPTY = [
    (("trend",), "series"),
    (("forecast",), "series"),
    (("rank",), "groups"),
    (("due",), "due"),
    (("latent",), "per_device"),
]


@pytest.mark.parametrize(("words", "key"), EMPTY)
def test_an_empty_store_has_an_answer(store, words, key):
    assert store(*words, "--json").json[key] == []
    assert store(*words).out.strip()


def test_all_drops_voided_has_an_answer(store):
    store("specimen", "add", "D-1", "--kind", "dummy")
    store("series", "open", "S1", "--device", "D-1")
    for _ in range(5):
        store("drop", "add", "S1", "--void-reason", "bad trigger")
    (trend,) = store("trend", "--json").json["series"]
    assert (trend["drops"], trend["valid_drops"], trend["verdict"]) == (5, 0, "too few")
    (forecast,) = store("forecast", "--json").json["series"]
    assert forecast["drops"] == 5 and not forecast["failed"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("trend", "--series", "S9"), "not in the store"),
        (("trend", "--case-model", "none"), "no series in a case of that model"),
        (("compare", "bare", "none"), "no series"),
    ],
)
def test_what_is_not_there_is_told(store, words, said):
    told = store(*words, expect=1)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    "words",
    [
        ("forecast", "--level", "1.2"),
        ("forecast", "--limit-g", "-3"),
        ("forecast", "--limit-rise", "0"),
        ("forecast", "--horizon", "0"),
        ("forecast", "--limit-g", "3", "--limit-rise", "1"),
        ("due", "--on", "soon"),
        ("due", "--within", "-1"),
    ],
)
def test_an_unusable_question_is_one_line(store, words):
    told = store(*words, expect=2)
    assert len(told.err.strip().splitlines()) == 1


def test_only_what_needs_action_carries_the_accent(monkeypatch):
    """One accent; its words begin so, and nothing else is styled."""
    from io import StringIO

    from rich.console import Console

    from durability.report import terminal

    out = StringIO()
    console = Console(file=out, force_terminal=True, width=80, color_system="standard")
    monkeypatch.setattr(terminal, "console", lambda: console)
    cells = ["▲ rising", "= steady", "FAILED at 3 (damage)", "[bold]S1[/]", "! 12", "12"]
    console.print(terminal.grid(["told"] * 6, [cells]))
    styled = [cell for cell in cells if f"\x1b[1;31m{cell}\x1b[0m" in out.getvalue()]
    assert styled == ["▲ rising", "FAILED at 3 (damage)", "! 12"]
    assert "[bold]S1[/]" in out.getvalue()


def test_a_unit_stays_beside_the_word_before_it(monkeypatch, capsys):
    """In a row that is a paragraph, and over a column that has room for both."""
    from durability.report import terminal
    from durability.report.blocks import Table

    heads = ("velocity change, m/s", "highest drop, mm", "max peak, g", "after drop, days") * 2
    rows = [[f"{number}.125" for number in range(100, 800, 90)]]
    for width in range(30, 61):
        monkeypatch.setenv("COLUMNS", str(width))
        terminal.show([Table("", heads, rows)])
        told = capsys.readouterr().out
        assert not re.search(r", *$|\ue000", told, re.MULTILINE), width
        assert " ".join(told.split()).count("velocity change, m/s: ") == 2
    monkeypatch.setenv("COLUMNS", "80")
    terminal.show([Table("", ("velocity change, m/s",), [["1234567.1234"]])])
    assert capsys.readouterr().out.split("\n")[0].strip() == "velocity"


def test_a_line_ends_neither_in_a_code_nor_between_a_number_and_its_per_cent_sign(
    monkeypatch, capsys
):
    """In sentences, cells and headings, printed by Rich, at the bench and on standard error."""
    from durability.record.errors import folded
    from durability.report import bench, terminal
    from durability.report.blocks import Table, Words

    words = "of demo-S1 that rose by 12.5 % and of demo-S2 by -3 % (90 % interval) since"
    head, row = ("what rose by 7 %", "more", "by 8 %"), (words, words, "9 %")
    table = Table("", head, [row], wrap=frozenset((0, 1)))
    for width in range(24, 61):
        monkeypatch.setenv("COLUMNS", str(width))
        terminal.show([Words(words), table])
        lines = [
            *capsys.readouterr().out.splitlines(),
            *bench.wrapped(words, width, "! ").splitlines(),
        ]
        lines += folded(words, width, later="  ").splitlines()
        assert max(map(len, lines)) <= width
        cells = [cell for line in lines for cell in re.split(r"\s{2,}", line.strip())]
        assert [cell for cell in cells if re.search(r"^%|[a-z]-$|\ue000|\xa0", cell)] == []
