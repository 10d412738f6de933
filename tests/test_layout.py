"""The arrows of the house: which room may import which, no circles, and how large it may grow."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "durability"
FILES = sorted(PACKAGE.rglob("*.py"))

# Room → rooms that it may import beside itself. ``wear.results`` allows that one module.
RESULTS = {
    f"{room}.results"
    for room in (
        "intake",
        "pulse",
        "wear",
        "devices",
        "life",
        "rig",
        "plan",
        "selfcheck",
        "workflow",
    )
}
MODELS = {"pulse", "wear", "devices", "life", "rig", "plan", "selfcheck"}
OURS = {
    "record": set(),
    "pulse": {"record"},
    "life": {"record"},
    "rig": {"record"},
    "plan": {"record"},
    "wear": {"record", "life"},
    "devices": {"record", "life"},
    # What the program is held against goes through the same functions as its answers.
    "selfcheck": {"record", "pulse", "wear", "devices", "life", "rig", "plan"},
    "intake": {"record", "plan.results"},
    "store": {"record"},
    "workflow": {"record", "intake", "store"} | MODELS,
    # It is handed results and fetches nothing.
    "report": {"record"} | RESULTS,
    # The command line takes the shapes of what is typed from intake, never a model or the store.
    "cli": {"record", "workflow", "report", "intake"} | RESULTS,
    "__main__": {"record", "cli"},
    # The library: the same answers on frames.
    "library": {"record", "workflow", "intake", "store"} | MODELS,
    "__init__": set(),
}
NUMERICAL = {"numpy", "scipy", "sklearn", "threadpoolctl"}
THIRD_PARTY = {
    "record": {"numpy"},  # for the types of its arrays only
    "intake": {"numpy", "openpyxl", "pandas", "scipy"},
    "store": {"duckdb", "numpy", "pandas"},
    "workflow": {"numpy", "pandas"},
    "library": {"numpy", "pandas"},
    "report": {"rich", "matplotlib", "numpy", "jinja2", "markupsafe", "icalendar", "segno"},
    "cli": {"rich", "segno", "shtab", "prompt_toolkit", "starlette", "uvicorn"},
    **dict.fromkeys(MODELS, NUMERICAL),
}
STANDARD = __import__("sys").stdlib_module_names

MOST_FILES = 240
MOST_LINES = 600
FEW_LINES = 40
MOST_ROOMS = 14
AT_THE_ROOT = {"__init__.py", "__main__.py", "library.py", "py.typed"}
# Tables of pure data may be longer.
DATA = set()


def imports_of(file):
    """Every module name that a file imports, at any depth of it."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in MODULES else node.module


def module_of(file):
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(file): file for file in FILES}


def room_of(file):
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def breaches(room, names):
    for name in names:
        top, _, rest = name.partition(".")
        if top == "durability":
            other, allowed = rest.partition(".")[0], OURS.get(room, set())
            if other and other != room and other not in allowed and rest not in allowed:
                yield name
        elif top not in STANDARD and top not in THIRD_PARTY.get(room, set()):
            yield name


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_a_file_imports_only_what_its_room_may(file):
    assert list(breaches(room_of(file), imports_of(file))) == []


@pytest.mark.parametrize(
    ("room", "name"),
    [
        ("wear", "duckdb"),
        ("wear", "durability.store.bench"),
        ("wear", "durability.rig.results"),
        ("cli", "durability.store.bench"),
        ("cli", "durability.wear.verdict"),
        ("report", "durability.workflow.session"),
        ("report", "durability.wear.forecast"),
        ("store", "durability.intake.tables"),
        ("record", "scipy"),
    ],
)
def test_a_planted_breach_is_caught(room, name):
    assert list(breaches(room, [name])) == [name]


def circles(arrows):
    """Groups of modules each of which leads to every other (Tarjan 1972)."""
    order, lowest, stack, found = {}, {}, [], []

    def visit(module):
        order[module] = lowest[module] = len(order)
        stack.append(module)
        for other in sorted(arrows[module]):
            if other not in order:
                visit(other)
                lowest[module] = min(lowest[module], lowest[other])
            elif other in stack:
                lowest[module] = min(lowest[module], order[other])
        if lowest[module] == order[module]:
            at = stack.index(module)
            group = stack[at:]
            del stack[at:]
            if len(group) > 1 or module in arrows[module]:
                found.append(sorted(group))

    for module in sorted(arrows):
        if module not in order:
            visit(module)
    return found


def test_no_circle_of_imports():
    """Neither at the top of a file, nor within a function, nor for the types alone."""
    arrows = {name: {n for n in imports_of(file) if n in MODULES} for name, file in MODULES.items()}
    assert circles(arrows) == []


def test_a_planted_circle_is_caught():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["b", "c"]]
    assert circles({"a": {"a"}}) == [["a"]]


def test_the_root_holds_rooms_and_the_few_files_that_must_be_there():
    rooms = {file.relative_to(PACKAGE).parts[0] for file in PACKAGE.rglob("*.*") if file.is_file()}
    rooms = {name for name in rooms if (PACKAGE / name).is_dir() and name != "__pycache__"}
    assert len(rooms) <= MOST_ROOMS, sorted(rooms)
    assert {file.name for file in PACKAGE.iterdir() if file.is_file()} == AT_THE_ROOT


def test_files_are_few_and_neither_long_nor_tiny():
    lines = {
        str(file.relative_to(PACKAGE)): len(file.read_text(encoding="utf-8").splitlines())
        for file in [*FILES, *PACKAGE.rglob("*.sql")]
    }
    assert len(lines) <= MOST_FILES
    assert {name: n for name, n in lines.items() if n > MOST_LINES and name not in DATA} == {}
    tiny = sorted(name for name, n in lines.items() if n < FEW_LINES)
    assert len(tiny) <= len(lines) / 10, tiny


def test_only_the_store_talks_sql():
    """Statements live in .sql files; elsewhere no string of Python opens with one."""
    verbs = ("SELECT ", "INSERT ", "UPDATE ", "DELETE ", "CREATE ", "WITH ")
    found = [
        f"{file.name}:{node.lineno}"
        for file in FILES
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
        for file in (*FILES, *PACKAGE.rglob("*.sql"))
        if file.name != "clock.py"
        for line in file.read_text(encoding="utf-8").splitlines()
        if asking.search(re.sub(r"\bclock\.(now|today)\(", "", line))
    ]
    assert found == []


def test_the_top_level_holds_what_it_should_and_no_more():
    if not (ROOT / ".git").exists():
        pytest.skip("no checkout, so nothing says which files are its own")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    top = {name.partition("/")[0] for name in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == {
        *("README.md", "DEVELOPERS.md", "pyproject.toml"),
        *("durability", "tests", "fixtures", "queries"),
    }
