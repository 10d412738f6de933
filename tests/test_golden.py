"""What the program says of four stores is what it said before."""

import re
import sys
from difflib import unified_diff
from math import isclose

import one_rounding
import pytest
from golden import answers

_SHOWN_LINES = 40
_LONG_NUMBER = re.compile(r"(-?\d+\.\d{6,}(?:e[-+]\d+)?)")
_NUMBER = re.compile(r"(-?\d+\.?\d*(?:e[-+]\d+)?)")


@pytest.fixture(scope="module")
def golden(tmp_path_factory):
    return answers.Golden(tmp_path_factory.mktemp("golden"))


def part_of(name):
    return name.partition("/")[0].removesuffix(".txt")


def alike(kept, said, *, is_here=True):
    """Equal lines, but for the ninth digit, which other builds of the libraries round otherwise.

    On other kinds of processors every number may differ a little, and nothing else.
    """
    number = _LONG_NUMBER if is_here else _NUMBER
    within = (
        {"rel_tol": 1.1e-8}
        if is_here
        else {"rel_tol": one_rounding.WITHIN_ELSEWHERE, "abs_tol": 0.01}
    )
    if len(kept) != len(said):
        return False
    for one, other in zip(kept, said, strict=True):
        ours, theirs = number.split(one), number.split(other)
        if ours[::2] != theirs[::2] or len(ours) != len(theirs):
            return False
        numbers = zip(ours[1::2], theirs[1::2], strict=True)
        if not all(isclose(float(a), float(b), **within) for a, b in numbers):
            return False
    return True


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
        if not alike(kept, said, is_here=one_rounding.is_here()):
            differing = list(unified_diff(kept, said, "kept", "said now", n=2, lineterm=""))
            told += [f"tests/golden/{name} differs", *differing[:_SHOWN_LINES]]
    if told:
        pytest.fail(
            f"if it should: {answers.COMMAND}, and say why in the commit\n" + "\n".join(told),
            pytrace=False,
        )


@pytest.mark.parametrize(
    ("kept", "said", "same"),
    [
        ("87.0586749, 3 drops", "87.0586748, 3 drops", True),
        ("87.0586749, 3 drops", "87.0586649, 3 drops", False),
        ("87.0586749, 3 drops", "87.0586749, 4 drops", False),
        ("87.06 g", "87.07 g", False),
        ("lower 0.12345678", "upper 0.12345678", False),
        ("1.0000001", "null", False),
    ],
)
def test_only_the_last_digit_of_a_long_number_may_differ(kept, said, same):
    assert alike([kept], [said]) is same
    assert not alike([kept], [kept, said])


@pytest.mark.parametrize(
    ("kept", "said", "same"),
    [
        ("87.06 g, 30 drops", "87.9 g, 31 drops", True),
        ("87.06 g, 30 drops", "87.9 g, 40 drops", False),
        ("87.06 g, 30 drops", "87.06 mm, 30 drops", False),
    ],
)
def test_elsewhere_only_numbers_may_differ_and_those_a_little(kept, said, same):
    assert alike([kept], [said], is_here=False) is same


def test_no_file_is_kept_for_nothing():
    kept = {str(file.relative_to(answers.HERE)) for file in answers.HERE.rglob("*.txt")}
    assert kept == set(answers.names())


if __name__ == "__main__":
    answers.write(sys.argv[1:])
