"""Every table and answer of the page is that of the command which the page names for it."""

import shlex
from datetime import date

import numpy as np
import pytest
from markupsafe import Markup

from durability.__main__ import main
from durability.report import terminal
from durability.report.blocks import Drawing, Table, Words
from durability.report.page import sections, words
from durability.wear.results import MoreDrops
from durability.workflow import reporting
from durability.workflow.results import Limit
from durability.workflow.session import Session
from durability.workflow.study import Study

N_SCOPES = 30
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


@pytest.fixture
def command(store, monkeypatch, capsys):
    """What a command hands to the terminal."""

    def blocks_of(call):
        shown = []
        with monkeypatch.context() as patched:
            patched.setattr(terminal, "show", shown.extend)
            assert main([*shlex.split(call)[1:], "--store", str(store)]) == 0
        return shown

    return blocks_of


@pytest.fixture
def drawn_in_words(monkeypatch):
    """The page without the pictures' own work, and without the self-check's."""
    monkeypatch.setattr(
        sections.Artist, "draw", lambda _, name, caption, make: Drawing(name, Markup(""), caption)
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


@pytest.mark.parametrize(("scope", "limit", "rig_corrected"), [*_scopes()])
def test_the_page_says_what_its_commands_say(
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
    assert len(calls) >= (3 if contents.ranking else 2)
    said = {call: command(call) for call in calls}
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
        if name in ("Wear", "Trend", "Life"):
            assert sentence in sentences, name
