"""What the program says of four stores is what it said before."""

import sys
from difflib import unified_diff

import pytest
from golden import answers

_SHOWN_LINES = 40


@pytest.fixture(scope="module")
def golden(tmp_path_factory):
    return answers.Golden(tmp_path_factory.mktemp("golden"))


def part_of(name):
    return name.partition("/")[0].removesuffix(".txt")


@pytest.mark.parametrize("part", sorted({part_of(name) for name in answers.names()}))
def test_the_program_says_what_it_said_before(golden, part):
    """All files of a store in one test: what it says is asked once, on whatever core."""
    names = [name for name in answers.names() if part_of(name) == part]
    if sys.version_info[:2] != answers.ONE_PYTHON:
        names = [name for name in names if not name.endswith(answers.ONLY_ON_ONE_PYTHON)]
    if not names:
        pytest.skip("help is laid out by a library: compared on Python 3.11 only")
    told = []
    for name in names:
        kept = (answers.HERE / name).read_text(encoding="utf-8").splitlines()
        said = golden.text(name).splitlines()
        differing = list(unified_diff(kept, said, "kept", "said now", n=2, lineterm=""))
        if differing:
            told += [f"tests/golden/{name} differs", *differing[:_SHOWN_LINES]]
    if told:
        pytest.fail(
            f"if it should: {answers.COMMAND}, and say why in the commit\n" + "\n".join(told),
            pytrace=False,
        )


def test_no_file_is_kept_for_nothing():
    kept = {str(file.relative_to(answers.HERE)) for file in answers.HERE.rglob("*.txt")}
    assert kept == set(answers.names())


if __name__ == "__main__":
    answers.write(sys.argv[1:])
