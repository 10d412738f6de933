"""README and the manual can't lie: their commands parse or run, and they match the program."""

import re
import shlex
import shutil
from pathlib import Path

import pytest
from test_help import COMMANDS

from durability.cli.parser import make_parser, meant
from durability.report.page.changes import METHODS
from durability.workflow.demo import FOLDER, page, topics

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
TEXT = README.read_text(encoding="utf-8")
PAGES = {topic: (FOLDER / f"{topic}.md").read_text(encoding="utf-8") for topic in topics()}


def section(text, heading):
    return text.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]


def calls(text, language=r"\w+"):
    """Shell lines of code blocks."""
    for block in re.findall(rf"```{language}\n(.*?)```", text, flags=re.S):
        yield from (line for line in block.replace("\\\n", " ").splitlines() if line.strip())


def test_readme_has_a_line_for_each_command_as_its_help_has_it():
    """When this fails: correct the table of README's section "Commands"."""
    rows = re.findall(r"^\| `(.+)` \| (.+) \|$", section(TEXT, "Commands"), flags=re.M)
    assert rows == [
        (prog.removeprefix("durability "), parser.description) for prog, parser in COMMANDS.items()
    ]


def test_the_job_stands_at_the_very_top_and_then_two_commands():
    head, *_ = TEXT.partition("## ")
    assert len([block for block in head.split("\n\n") if block.strip()]) <= 6
    assert len(re.findall(r"^```sh$", head, flags=re.M)) == 2
    assert len(TEXT.encode()) <= 20_480


FIVE_MINUTES = section(TEXT, "The first five minutes")


def test_the_first_five_minutes_say_what_stands_there(run, demo_store, monkeypatch):
    """Each answer under its command as it is printed, "…" for lines left out.

    When this fails: write into README what is printed now.
    """
    shown = "".join(re.findall(r"```console\n(.*?)```", FIVE_MINUTES, flags=re.S))
    _, *asked = re.split(r"^\$ durability ", shown, flags=re.M)
    assert len(asked) >= 5
    monkeypatch.setenv("DURABILITY_STORE", str(demo_store))
    for each in asked:
        call, _, lines = each.partition("\n")
        pattern = "".join(
            r"(?:.*\n)*?" if line == "…" else rf"{re.escape(line)} *\n"
            for line in lines.splitlines()
        )
        told = run(*shlex.split(call, comments=True)).out
        assert pattern and re.fullmatch(pattern, told), (call, told)


def test_the_first_five_minutes_run_as_written(run, tmp_path, monkeypatch):
    monkeypatch.delenv("DURABILITY_STORE")
    shutil.copytree(ROOT / "fixtures" / "demo", tmp_path / "fixtures" / "demo")
    lines = list(calls(FIVE_MINUTES, "sh"))
    assert len(lines) >= 6
    for line in lines:
        program, *words = shlex.split(line, comments=True)
        assert program == "durability", line
        told = run(*words)
        assert told.out.strip(), line


@pytest.mark.parametrize("name", ["README", *PAGES])
def test_each_call_of_readme_and_the_manual_is_one_of_the_program(name, monkeypatch):
    monkeypatch.chdir(ROOT)  # a table whose kind is left out is looked into
    text = PAGES.get(name, TEXT)
    lines = [
        line.removeprefix("$ ")
        for line in calls(text, "(?:sh|text|console)")
        if line.startswith(("durability ", "$ durability "))
    ]
    assert lines or name in ("changes", "methods", "practice")
    for line in lines:
        _, *words = shlex.split(line, comments=True)
        assert make_parser().parse_args(meant(words)).handler, line


@pytest.mark.parametrize("topic", PAGES)
def test_each_command_and_option_that_the_manual_names_is_there(topic):
    """In code spans: the first words of a call, and every option."""
    known = {option for parser in COMMANDS.values() for option in parser._option_string_actions}
    for span in re.findall(r"`([^`\n]+)`", PAGES[topic]):
        if "python " not in span:
            assert set(re.findall(r"(?<!\S)--[a-z][a-z0-9-]*", span)) <= known, span
        if span.startswith("durability "):
            assert any(f"{span} ".startswith(f"{prog} ") for prog in COMMANDS), span


def test_every_option_is_needed_by_a_task_of_the_manual():
    text = TEXT.partition("\n## ")[2] + "".join(PAGES.values())
    named = set(re.findall(r"--[a-z][a-z0-9-]*", text))
    for prog, parser in COMMANDS.items():
        for action in parser._actions:
            long = {option for option in action.option_strings if option.startswith("--")}
            assert long <= {"--help"} or long & named, (prog, long)


def test_every_topic_is_shown_and_listed(run):
    listed = run("manual").out.splitlines()
    assert [line.split()[0] for line in listed] == sorted(PAGES)
    assert all(len(line) <= 80 and len(line.split()) >= 3 for line in listed)
    assert {"bench", "recorder-files", "follow-up", "record", "methods"} <= set(PAGES)
    for topic in PAGES:
        assert f"(durability/manual/{topic}.md)" in TEXT
        shown = run("manual", topic).out
        assert shown.startswith(PAGES[topic].partition("\n")[0]) and "\x1b" not in shown
    assert all(f"### {answer}\n\n{method}\n" in run("manual", "methods").out
               for answer, method, *_ in METHODS)  # fmt: skip


def test_readme_and_the_manual_say_the_same_of_when_to_trust_an_answer():
    heading = "What the answers mean, and when not to trust them"
    tables = [section(text, heading).split("\n\n")[0] for text in (TEXT, PAGES["answers"])]
    assert tables[0] == tables[1] and len(tables[0].splitlines()) >= 8


def test_an_unknown_topic_names_the_nearest(run):
    told = run("manual", "recorder-file", expect=2).err
    assert "nearest: recorder-files" in told and len(told.splitlines()) == 1


def test_the_manual_is_rendered_at_a_terminal(run, monkeypatch):
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    shown = re.sub(r"\x1b\[[0-9;]*m", "", run("manual", "bench").out)
    assert "```" not in shown and "| ---" not in shown and "durability init" in shown
    assert all(len(line) <= 80 for line in shown.splitlines())


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "pyproject.toml"])
def test_the_top_level_is_as_agreed(name):
    assert (ROOT / name).is_file()


def test_every_link_into_the_tree_leads_somewhere():
    for text in (TEXT, (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        for target in re.findall(r"\]\((?!http|#)([^)]+)\)", text):
            assert (ROOT / target).exists(), target
    for text in (*PAGES.values(), (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        for target in re.findall(r"`((?:tests|durability|queries)/[\w/.]+)`", text):
            assert (ROOT / target).exists() or "000N" in target, target


def test_the_data_dictionary_stands_at_the_end_of_the_record():
    tables = re.findall(r"^### (\w+) \((table|view)\)$", page("record", {}), flags=re.M)
    assert {("drops", "table"), ("valid_drops", "view")} <= set(tables)


def test_the_thresholds_stated_are_those_that_hold():
    from durability.pulse import thresholds
    from durability.workflow.recorders import QUIET_S

    for words, value in (
        (r"at least (\S+) equal samples", thresholds.CLIPPED_RUN_SAMPLES),
        (r"more than (\S+) % of the peak", 100 * thresholds.ZERO_SHIFT_FRACTION),
        (r"and more than (\S+) g", thresholds.ZERO_SHIFT_MIN_G),
        (r"fewer than (\S+) samples", thresholds.MIN_SAMPLES_IN_PULSE),
        (r"reaches (\S+) g and", thresholds.MIN_IMPACT_G),
        (r"g and (\S+) times the record's own noise", thresholds.MIN_IMPACT_OVER_NOISE),
        (r"velocity change above (\S+) or", thresholds.FULL_REBOUND_RATIO),
        (r"or below (\S+) times that of the fall", thresholds.HALF_STOP_RATIO),
        (r"a later one reaches (\S+) of the first", thresholds.SECOND_IMPACT_FRACTION),
        (r"natural frequency times duration below (\S+),", thresholds.MIN_RESONANCE_TIMES_DURATION),
        (r"class times duration below (\S+) ", thresholds.MIN_CLASS_TIMES_DURATION),
        (r"quiet for (\S+) s", QUIET_S),
        (r"between the (\S+) % crossings", 100 * thresholds.PULSE_EDGE_FRACTION),
    ):
        assert float(re.search(words, PAGES["recorder-files"])[1]) == value, words
