"""A number that stands in two places is one number: page, terminal, JSON, pictures, questions."""

import json
import pickle
import re
import shlex
from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest
from markupsafe import Markup

from durability.__main__ import main
from durability.cli import answers
from durability.devices import boundary, judgement
from durability.report import as_json, plots, terminal
from durability.report.blocks import Drawing, Table, Words
from durability.report.page import sections, words
from durability.store import bench as store_bench
from durability.store import database
from durability.wear import fitting, lives, ranking, verdict
from durability.wear import forecast as forecasting
from durability.wear.results import MoreDrops
from durability.workflow import evaluation, reporting, study
from durability.workflow.results import Limit
from durability.workflow.session import Session
from durability.workflow.study import Study

N_SCOPES = 30
MOST_DRAWN = 1
"""Series drawn a scope."""
DAY = date(2026, 9, 1)
NARROWED = ("trend", "forecast", "rank")
"""Commands that take the page's scope …"""
WHOLE = ("latent", "due")
"""… and those that answer for every device, of which the page shows the scope's."""
MODELS = {"M1": 0.004, "M2": 0.02, "M3": 0.0}
"""Case model → its climb in log units a drop."""


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Cases of three models and bare devices, dropped on a rig that drifts; checks afterwards."""
    folder = tmp_path_factory.mktemp("lab")
    rng = np.random.default_rng(11)
    drops = [
        "series,drop_number,peak_g,dropped_at,device,device_kind,case,case_model,drop_height_mm,"
        "surface,purpose,sensor,status,void_reason,damage_severity"
    ]

    def series(code, length, level, climb, device, kind, case="", model="", height=1200, day=1):
        for number in range(1, length + 1):
            peak = level * np.exp(climb * number + 0.03 * rng.standard_normal())
            void = "void,cable" if rng.random() < 0.06 else "valid,"
            damage = 4 if (case, number) == ("C5", 9) else (0 if case else "")
            moment = f"2026-{3 + (day - 1) // 28:02d}-{1 + (day - 1) % 28:02d}T10:{number:02d}:00"
            drops.append(
                f"{code},{number},{peak:.2f},{moment},{device},{kind},{case},{model},{height},"
                f"steel,test,A,{void},{damage}"
            )

    for at in range(9):
        model = list(MODELS)[at % 3]
        kind = "device" if at % 2 else "dummy"
        series(f"S{at}", 6 + at, 100.0, MODELS[model], f"{kind}-{at}", kind, f"C{at}", model,
               height=1200 if at != 8 else 900, day=1 + 5 * at)  # fmt: skip
    for at in range(3):
        series(f"B{at}", 5, 250.0, 0.0, f"device-b{at}", "device", day=2 + 5 * at)
    for number in range(1, 41):
        peak = 200.0 * np.exp((0.06 if number > 20 else 0.0) + 0.006 * rng.standard_normal())
        moment = f"2026-{3 + (number - 1) // 28:02d}-{1 + (number - 1) % 28:02d}T08:00:00"
        drops.append(
            f"pad,{number},{peak:.2f},{moment},dummy-p,dummy,,,500,pad,reference,A,valid,,"
        )
    checks = ["device,inspected_at,function,outcome"]
    for at, device in enumerate(["device-1", "device-3", "device-5", "device-7", "device-b0"]):
        for day, outcome in (("2026-05-20", "pass"), ("2026-07-01", "fail" if at % 2 else "pass")):
            checks.append(f"{device},{day},charging,{outcome}")
    for control in range(4):
        checks.append(f"K{control},2026-07-01,charging,pass")
    path = folder / "lab.duckdb"
    for name, lines in (("drops", drops), ("inspections", checks)):
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["init", "--store", str(path)]) == 0
    for name in ("drops", "inspections"):
        file = str(folder / f"{name}.csv")
        assert main(["import", name, file, "--store", str(path)]) == 0
    # A void and an amendment must reach page and command alike.
    where = ["--store", str(path)]
    assert main(["drop", "void", "S4", "3", "--reason", "loose", *where]) == 0
    amended = ["drop", "amend", "S2", "4", "--set", "peak_g=131", "--reason", "typed", *where]
    assert main(amended) == 0
    return path


def _scopes():
    """Scopes, limits and corrections drawn at random."""
    rng = np.random.default_rng(2026)
    scopes = [
        {},
        {"case_models": ["M2"]},
        {"case_models": ["M1", "M3"]},
        {"specimen": "C5"},
        {"specimen": "device-1"},
        {"series": ["pad"]},
    ]
    codes = [f"S{at}" for at in range(9)] + [f"B{at}" for at in range(3)]
    for at in range(N_SCOPES):
        scope = scopes[at] if at < len(scopes) else {}
        if not scope and at:
            chosen = rng.choice(codes, size=rng.integers(1, 6), replace=False)
            scope = {"series": sorted(chosen.tolist())}
        limit = Limit(
            level=float(rng.choice([0.9, 0.8])),
            limit_g=float(rng.choice([120.0, 160.0])) if rng.random() < 0.4 else None,
            limit_rise=float(rng.choice([0.5, 0.3])),
            horizon=int(rng.choice([400, 60])),
        )
        yield scope, limit, bool(rng.random() < 0.3)


def _whole(value):
    return list(value) if isinstance(value, Iterator) else value


@pytest.fixture(scope="module", autouse=True)
def worked_out_once(store):
    """Each statement and model answers once for the same input, which is most of the time.

    The store stays as it is and models are functions of what they are given. Page and command
    each go their own way to them: one that gives them something else is told something else.
    """
    known = {}

    def remembered(work, skipped=0):
        def answer(*given, **named):
            # What comes some at a time is read to its end: that is its input too.
            given = [*given[:skipped], *map(_whole, given[skipped:])]
            named = {name: _whole(each) for name, each in named.items()}
            asked = pickle.dumps((work.__qualname__, given[skipped:], sorted(named.items())))
            if asked not in known:
                known[asked] = pickle.dumps(work(*given, **named))
            return pickle.loads(known[asked])

        return answer

    with database.reading(store) as connection, pytest.MonkeyPatch.context() as patched:
        patched.setattr(database, "reading", lambda _: connection.cursor())
        for module, name, skipped in (
            (store_bench, "fetch", 1),  # after the connection
            (store_bench, "fetch_arrays", 1),
            (fitting, "fit_wear", 0),
            (verdict, "judge_trends", 0),
            (lives, "case_lives", 0),
            (forecasting, "forecast", 0),
            (ranking, "rank", 0),
            (judgement, "judge_latent_link", 0),
            (judgement, "link_verdict", 0),
            (boundary, "damage_boundary", 0),
        ):
            patched.setattr(module, name, remembered(getattr(module, name), skipped))
        yield


@pytest.fixture
def command(store, monkeypatch, capsys):
    """What a command hands to the terminal, and the object of its JSON, from one evaluation."""

    def said_by(call):
        shown, objects = [], []

        def both(options, blocks, as_object):
            shown.extend(blocks)
            objects.append(json.loads(as_json.dumps(as_object())))
            return 0

        with monkeypatch.context() as patched:
            patched.setattr(terminal, "show", lambda blocks, why: shown.extend(blocks))
            patched.setattr(answers, "show", both)
            assert main([*shlex.split(call)[1:], "--store", str(store)]) == 0
        return shown, objects[0] if objects else None

    return said_by


@pytest.fixture
def drawn_in_words(monkeypatch):
    """The page without the pictures' own work, and without the self-check's."""
    monkeypatch.setattr(
        sections.Artist, "draw", lambda _, name, caption, make: Drawing(name, Markup, caption)
    )
    monkeypatch.setattr(reporting, "run_selfcheck", _checked_before)
    # What-ifs by simulation, which no page shows.
    monkeypatch.setattr(
        Study, "further_drops", lambda study: [_NO_MORE] * len(study.histories), raising=True
    )


_NO_MORE = MoreDrops("", 5, None, None, "not asked")
_SELFCHECK = []


def _checked_before():
    if not _SELFCHECK:
        from durability.workflow.integrity import run_selfcheck

        _SELFCHECK.append(run_selfcheck())
    return _SELFCHECK[0]


def _is_asked(command, kind):
    """Whether it is a whole call of one of the answers; of all devices where the scope is wide."""
    name = [*command.split(), "", ""][1]
    return name in NARROWED or (name in WHOLE and kind != "series")


ROWS = {
    "trend": ("series", "series"),
    "forecast": ("series", "series"),
    "rank": ("groups", "group"),
    "latent": ("per_device", "device"),
}
"""Command → where its JSON holds the rows of its table, and by what they are named."""
NOT_IN_A_ROW = {"survival", "shape_weights"}
"""Long lists, in which any number would be found."""


def _numbers(value):
    """Every number of a JSON value, and every one that its texts say."""
    if isinstance(value, dict):
        return [each for key, one in value.items() if key not in NOT_IN_A_ROW
                for each in _numbers(one)]  # fmt: skip
    if isinstance(value, list):
        return [each for one in value for each in _numbers(one)]
    if isinstance(value, str):
        return [float(each) for each in re.findall(r"\d+(?:\.\d+)?", value)]
    return [] if value is None or isinstance(value, bool) else [float(value)]


def _texts(value):
    if isinstance(value, dict):
        return [each for one in value.values() for each in _texts(one)]
    if isinstance(value, list):
        return [each for one in value for each in _texts(one)]
    return [value] if isinstance(value, str) else []


def _rows_of(told, where):
    """Rows of a JSON object, those under other conditions among them."""
    rows = list(told.get(where, []))
    for other in told.get("others", []):
        rows += other.get(where, [])
    return rows


def _is_rounded(shown, known):
    """Whether a number as shown is one of these to the digits shown, or that many percent."""
    half = 0.5 * 10.0 ** -len(shown.partition(".")[2]) * (1 + 1e-9)
    return any(
        abs(abs(times * value) - abs(float(shown))) <= half + 1e-12
        for value in known
        for times in (1.0, 100.0)
    )


def _assert_said_in_json(text, rows, asked, where):
    """Each number of a text is in these rows of the JSON, or was asked; how many were compared."""
    known = _numbers([*rows, *asked])
    for said in sorted(_texts(rows), key=len, reverse=True):
        text = text.replace(said, "")
    compared = 0
    # Beyond a bound, in powers of ten, or a name: no number of the answer.
    for shown in re.findall(r"(?<![\w<>≥.])\d+(?:\.\d+)?(?![\w.]*\w)", text):
        if not re.search(rf"[<>] ?{re.escape(shown)}|e-", text):
            assert _is_rounded(shown, known), (*where, text, shown)
            compared += 1
    return compared


def _assert_rows_are_in_json(name, blocks, told, limit):
    """Each number in the row or the sentence of a series, group or device is in its JSON."""
    where, key = ROWS[name]
    asked = [limit.level, limit.limit_rise, limit.horizon]
    asked += [each.get("condition") for each in (told, *told.get("others", []))]
    of_name = {}
    for row in _rows_of(told, where):
        of_name.setdefault(row[key], []).append(row)
    compared = 0
    for block in blocks:
        if isinstance(block, Table):
            said = [(cells[0], text) for cells in block.rows for text in cells[1:]]
        elif isinstance(block, Words):
            said = [block.text.partition(": ")[::2]]
        else:
            continue
        for about, text in said:
            if about in of_name:
                compared += _assert_said_in_json(text, of_name[about], asked, (name, about))
    return compared


def _assert_pictures_draw_the_answers(pictures, told, limit):
    """What ``wear`` and ``fan`` draw of a series, and say of it, is what the JSON says of it."""
    trends, forecasts = (
        {row["series"]: row for row in told.get(name, {}).get("series", [])}
        for name in ("trend", "forecast")
    )
    for picture in pictures[:MOST_DRAWN]:
        code = picture.trend.series
        trend, forecast = trends.get(code), forecasts.get(code)
        drawn = {
            "wear": plots.wear([picture]),
            "fan": plots.fan([picture], level=limit.level, horizon=limit.horizon),
        }
        if trend is not None:
            title = drawn["wear"].get_label().removeprefix(code)
            _assert_said_in_json(title, [trend], [], ("wear", code))
            lines = _lines(drawn["wear"])
            if "_level" in lines:
                latest = lines["_level"].get_ydata()[-1]
                assert latest == pytest.approx(trend["level_latest_g"]), code
        if forecast is None or forecast["case"] is None:
            continue
        asked = [limit.level, limit.limit_rise, limit.horizon]
        title = drawn["fan"].get_label().removeprefix(code)
        _assert_said_in_json(title, [forecast], asked, ("fan", code))
        for lines in map(_lines, drawn.values()):
            height = lines["_limit"].get_ydata()[0] if "_limit" in lines else None
            assert height == pytest.approx(forecast["limit_g"]), code
        lines, life = _lines(drawn["fan"]), forecast["drops_to_failure"]
        if "_failure median" in lines:
            assert lines["_failure median"].get_xdata() == pytest.approx([life["median"]])
            assert lines["_failure interval"].get_xdata()[0] == pytest.approx(life["lower"])
        failed = [*lines["_failed"].get_xdata()] if "_failed" in lines else [None]
        assert failed == [forecast["failed_at_drop"]], code


def _lines(figure):
    return {line.get_label(): line for panel in figure.axes for line in panel.lines}


@pytest.mark.parametrize(("scope", "limit", "rig_corrected"), [*_scopes()])
def test_page_commands_json_and_pictures_say_the_same(
    scope, limit, rig_corrected, store, command, drawn_in_words
):
    contents = reporting.gather_report(
        Session(store, "tester"), on=DAY, limit=limit, rig_corrected=rig_corrected, **scope
    )
    on_page = [*sections.at_a_glance(contents)]
    for section in sections.all_sections(contents, lambda _: None):
        on_page += section.blocks
    kind = contents.scope.kind
    tables = [each for each in on_page if isinstance(each, Table) and _is_asked(each.command, kind)]
    calls = {each.command: None for each in tables}
    in_a_case = any(not each.is_bare for each in contents.forecasts)
    assert len(calls) >= (3 if contents.ranking else 1 + in_a_case)
    both = {call: command(call) for call in calls}
    said = {call: shown for call, (shown, _) in both.items()}
    told = {call.split()[1]: found for call, (_, found) in both.items() if found is not None}
    compared = 0
    for call, shown in said.items():
        name = call.split()[1]
        if name in told:
            compared += _assert_rows_are_in_json(name, shown, told[name], limit)
    assert compared > 0
    _assert_pictures_draw_the_answers(contents.pictures, told, limit)
    for table in tables:
        alike = [
            each
            for each in said[table.command]
            if isinstance(each, Table) and each.caption == table.caption
        ]
        assert [each.columns for each in alike] == [table.columns], table.command
        found, shown = [*alike[0].rows], [*table.rows]
        if table.command.split()[1] in WHOLE and kind != "whole record":
            found = [row for row in found if row in shown]
        assert found == shown, table.command
    blocks = [block for shown in said.values() for block in shown]
    sentences = {block.text for block in blocks if isinstance(block, Words)}
    for name, sentence, _ in words.answers(contents):
        # Of bare series alone the page names no call of forecast: there is no table of lives.
        if name in ("Wear", "Trend") or (name == "Life" and in_a_case):
            assert sentence in sentences, name


@pytest.mark.parametrize(
    ("question", "call", "rows", "named", "same"),
    [
        ("shock_exposure_by_device", f"latent --on {DAY}", "per_device", ("device",),
         ("drops", "drops_without_reading", "max_peak_g")),
        ("peak_g_by_drop", "drop list", "drops", ("series", "drop_number"),
         ("peak_g", "pulse_duration_ms", "status", "void_reason")),
        ("voided_drops", "drop list", "drops", ("series", "drop_number"),
         ("peak_g", "void_reason", "peak_is_bound")),
    ],
)  # fmt: skip
def test_a_saved_question_says_what_the_command_says(
    question, call, rows, named, same, store, capsys
):
    capsys.readouterr()
    where = ["--json", "--store", str(store)]
    assert main(["query", question, *where]) == 0
    asked = json.loads(capsys.readouterr().out)
    assert main([*call.split(), *where]) == 0
    told = json.loads(capsys.readouterr().out)[rows]
    by_name = {tuple(row[key] for key in named): row for row in told}
    compared = 0
    for cells in asked["rows"]:
        row = dict(zip(asked["columns"], cells, strict=True))
        answered = by_name.get(tuple(row[key] for key in named))
        if answered is not None:
            assert {key: row[key] for key in same} == {key: answered[key] for key in same}
            compared += 1
    assert compared >= 3


def test_series_that_are_not_read_change_no_answer(store, monkeypatch):
    """An answer for one series reads those that inform it; the twin reads the whole record."""
    monkeypatch.setattr("durability.wear.serial.MOST_SERIES", 2)
    session = Session(store, "tester")
    with database.reading(store) as connection:
        rows = store_bench.fetch(connection, "series_in_brief")
    tests = [row["series"] for row in rows if row["purpose"] == "test"]
    read = {code: evaluation.informing(rows, {code}) for code in tests}
    assert min(map(len, read.values())) < len(rows) / 2
    for code in (min(tests, key=lambda each: len(read[each])), tests[0], tests[-1]):
        with monkeypatch.context() as patched:
            patched.setattr(study, "informing", lambda rows, _: [row["series"] for row in rows])
            whole = study.open_study(session, [code])
        part = study.open_study(session, [code])
        assert repr(part.histories) == repr(whole.histories)
        assert repr(part.trends) == repr(whole.trends)
        assert repr(part.contexts) == repr(whole.contexts)
    assert repr(part.forecasts) == repr(whole.forecasts)


@pytest.mark.parametrize("rig_corrected", [False, True])
def test_a_record_judged_in_parts_says_the_same(store, monkeypatch, rig_corrected):
    """Of a large record fits are held of some series at a time; the twin holds all of them."""

    def told():
        asked = study.open_study(Session(store, "tester"), rig_corrected=rig_corrected)
        rankings = [asked.ranking(), asked.ranking("case"), asked.ranking(pool=True)]
        beside = [asked.contexts, asked.forecast_contexts, asked.ranking_with_voided()]
        return repr(
            [asked.trends, asked.forecasts, *rankings, *beside, asked.pictures(most_fans=2)]
        )

    whole = told()
    monkeypatch.setattr(evaluation, "AT_ONCE", 1)
    in_parts = []
    let_go = evaluation.Evaluation._let_go
    monkeypatch.setattr(
        evaluation.Evaluation, "_let_go", lambda self: (in_parts.append(self), let_go(self))
    )
    assert told() == whole
    assert len(in_parts) > 10


def test_series_at_one_time_are_read_only_where_an_offset_is_missing(monkeypatch):
    """Which of them are the latest is clear where every time has its offset, else not."""
    monkeypatch.setattr("durability.wear.serial.MOST_SERIES", 2)
    row = {
        "case": None, "case_model": None, "sensor": "A1", "drop_height_mm": 1000.0,
        "surface": "steel", "device_kind": "dummy", "purpose": "test", "settling_drops": 0,
        "valid_drops": 12, "last_s": 0.0, "is_partly_dated": False,
    }  # fmt: skip
    exact, inexact = (
        [{**row, "series": code, "is_last_exact": is_exact} for code in "abcdef"]
        for is_exact in (True, False)
    )
    assert evaluation.informing(exact, {"a"}) == ["a", "e", "f"]
    assert evaluation.informing(inexact, {"a"}) == list("abcdef")
    mixed = [*exact[:-1], inexact[-1]]
    assert evaluation.informing(mixed, {"a"}) == list("abcdef")
