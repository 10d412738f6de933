"""README can't lie: its reference comes from the parser, its commands run, its words are there."""

import re
import shlex
import shutil
from pathlib import Path

import pytest
from reference import END, README, START, reference

ROOT = Path(__file__).parent.parent
TEXT = README.read_text(encoding="utf-8")


def test_the_reference_is_that_of_the_program():
    """When this fails: python tests/reference.py."""
    assert TEXT.partition(START)[2].partition(END)[0].strip() == reference().strip()


def test_the_job_stands_at_the_very_top_and_then_two_commands():
    head, *_ = TEXT.partition("## ")
    assert len([block for block in head.split("\n\n") if block.strip()]) <= 6
    assert len(re.findall(r"^```sh$", head, flags=re.M)) == 2


def blocks(after):
    """Shell lines of the code blocks of one section."""
    section = TEXT.partition(f"\n## {after}\n")[2].partition("\n## ")[0]
    for block in re.findall(r"```sh\n(.*?)```", section, flags=re.S):
        yield from (line for line in block.replace("\\\n", " ").splitlines() if line.strip())


def test_the_first_five_minutes_run_as_written(run, tmp_path, monkeypatch):
    monkeypatch.delenv("DURABILITY_STORE")
    shutil.copytree(ROOT / "fixtures" / "demo", tmp_path / "fixtures" / "demo")
    lines = list(blocks("The first five minutes"))
    assert len(lines) >= 6
    for line in lines:
        program, *words = shlex.split(line, comments=True)
        assert program == "durability", line
        told = run(*words)
        assert told.out.strip(), line


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "pyproject.toml"])
def test_the_top_level_is_as_agreed(name):
    assert (ROOT / name).is_file()


def test_every_link_into_the_tree_leads_somewhere():
    for text in (TEXT, (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        for target in re.findall(r"\]\((?!http|#)([^)]+)\)", text):
            assert (ROOT / target).exists(), target


def test_the_thresholds_told_are_those_that_hold():
    from durability.pulse import thresholds
    from durability.workflow.watch import QUIET_S

    section = TEXT.partition("\n## From an oscilloscope file\n")[2].partition("\n## ")[0]
    for told, value in (
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
        assert float(re.search(told, section)[1]) == value, told
