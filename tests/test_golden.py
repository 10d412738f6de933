"""What the program says of four stores is what it said before."""

import sys
from difflib import unified_diff

import pytest
from golden import answers

_SHOWN_LINES = 40


@pytest.fixture(scope="module")
def golden(tmp_path_factory):
    return answers.Golden(tmp_path_factory.mktemp("golden"))


@pytest.mark.parametrize("name", answers.names())
def test_the_program_says_what_it_said_before(golden, name):
    if name.endswith(answers.ONLY_ON_ONE_PYTHON) and sys.version_info[:2] != answers.ONE_PYTHON:
        pytest.skip("help and pictures are laid out by libraries: compared on Python 3.11 only")
    kept = (answers.HERE / name).read_text(encoding="utf-8").splitlines()
    said = golden.text(name).splitlines()
    differing = list(unified_diff(kept, said, "kept", "said now", n=2, lineterm=""))
    if differing:
        pytest.fail(
            f"tests/golden/{name} differs; if it should: {answers.COMMAND}, and say why in the"
            " commit\n" + "\n".join(differing[:_SHOWN_LINES]),
            pytrace=False,
        )


def test_no_file_is_kept_for_nothing():
    kept = {str(file.relative_to(answers.HERE)) for file in answers.HERE.rglob("*.txt")}
    assert kept == set(answers.names())


if __name__ == "__main__":
    answers.write(sys.argv[1:])
