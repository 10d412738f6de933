"""The arrows of the house: which part may import which, and which third-party packages."""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "durability"

COMMON = {"records", "vocabulary", "results", "errors", "units", "basis", "version", "clock"}
MODELS = {
    "pulse",
    "spectrum",
    "waveform_codec",
    "trend",
    "outliers",
    "wear",
    "damage",
    "covariates",
    "more_drops",
    "life",
    "forecast",
    "fan",
    "compare",
    "boundary",
    "latent",
    "check_lists",
    "schedule",
    "hazards",
    "rig",
    "gauge",
    "plan",
    "orientation",
    "claims",
    "ratio",
    "selfcheck",
}
# Part → our own parts it may import beside the common ones and itself.
OURS = {
    "intake": {"orientation"},
    "store": set(),
    "pulse": set(),
    "spectrum": set(),
    "waveform_codec": set(),
    "wear": set(),
    "outliers": set(),
    "life": set(),
    "check_lists": set(),
    "schedule": set(),
    "hazards": set(),
    "rig": set(),
    "gauge": set(),
    "orientation": set(),
    "ratio": set(),
    "plan": {"orientation"},
    "damage": {"life"},
    "trend": {"wear"},
    "claims": {"ratio", "plan"},
    "forecast": {"wear", "trend", "damage", "life"},
    "fan": {"wear", "forecast"},
    "compare": {"wear", "trend", "damage", "life", "forecast", "ratio"},
    "covariates": {"wear"},
    "more_drops": {"wear", "forecast"},
    "latent": {"life"},
    "boundary": set(),
    # What the program is held against goes through the same functions as its answers.
    "selfcheck": {"pulse", "spectrum", "trend", "life", "rig", "plan", "latent"},
    "report": set(),
    "workflow": {"intake", "store"} | MODELS,
    # The command line takes the shapes of what is typed from intake, never a model or the store.
    "cli": {"workflow", "report", "intake"},
    "__main__": {"cli"},
    # The library: the same answers on frames.
    "library": {"workflow", "intake", "store"} | MODELS,
    "__init__": {"library"} | MODELS,
}
NUMERICAL = {"numpy", "scipy", "sklearn"}
THIRD_PARTY = {
    "intake": {"numpy", "pandas"},
    "store": {"duckdb", "filelock", "numpy", "pandas"},
    "workflow": {"numpy", "pandas"},
    "library": {"numpy", "pandas"},
    "report": {"rich", "matplotlib", "numpy", "jinja2", "markupsafe", "icalendar"},
    "cli": {"rich"},
    "records": {"numpy"},  # for the types of its arrays only
    **dict.fromkeys(MODELS, NUMERICAL),
}
STANDARD = __import__("sys").stdlib_module_names


def imports_of(file):
    """Every module name that a file imports, at any depth of it."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import"
            yield node.module
            if node.module == "durability":
                yield from (f"durability.{alias.name}" for alias in node.names)


def part_of(file):
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def breaches(part, names):
    for name in names:
        top, _, rest = name.partition(".")
        if top == "durability":
            other = rest.partition(".")[0]
            if other and other != part and other not in COMMON | OURS.get(part, set()):
                yield name
        elif top not in STANDARD and top not in THIRD_PARTY.get(part, set()):
            yield name


@pytest.mark.parametrize("file", sorted(PACKAGE.rglob("*.py")), ids=lambda file: str(file.name))
def test_a_file_imports_only_what_its_part_may(file):
    assert list(breaches(part_of(file), imports_of(file))) == []


@pytest.mark.parametrize(
    ("part", "name"),
    [
        ("trend", "duckdb"),
        ("trend", "durability.store.bench"),
        ("cli", "durability.store.bench"),
        ("cli", "durability.wear"),
        ("report", "durability.workflow.judge"),
        ("store", "durability.intake.tables"),
        ("records", "scipy"),
    ],
)
def test_a_planted_breach_is_caught(part, name):
    assert list(breaches(part, [name])) == [name]


def test_only_the_store_talks_sql():
    """Statements live in .sql files; elsewhere no string of Python opens with one."""
    verbs = ("SELECT ", "INSERT ", "UPDATE ", "DELETE ", "CREATE ", "WITH ")
    found = [
        f"{file.name}:{node.lineno}"
        for file in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and node.value.lstrip().startswith(verbs)
    ]
    assert found == []


def test_only_the_clock_asks_for_the_present():
    """So a test that sets ``durability.record.clock.now`` sets it for the whole program."""
    asking = re.compile(r"\btoday\(|\b(utc)?now\(|\bcurrent_(date|timestamp)")
    found = [
        f"{file.name}: {line.strip()}"
        for file in (*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.sql"))
        if file.name != "clock.py"
        for line in file.read_text(encoding="utf-8").splitlines()
        if asking.search(re.sub(r"\bclock\.(now|today)\(", "", line))
    ]
    assert found == []
