"""Examples in docstrings run and come out as written."""

import doctest
import importlib
import pkgutil

import pytest

import durability

MODULES = [
    each.name
    for each in pkgutil.walk_packages(durability.__path__, "durability.")
    if ".cli" not in each.name and not each.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    module = importlib.import_module(name)
    failed, _ = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert failed == 0


def test_there_are_examples():
    finder = doctest.DocTestFinder()
    found = sum(
        len(test.examples)
        for name in MODULES
        for test in finder.find(importlib.import_module(name))
    )
    assert found >= 12
