"""What a user reads is in a native practitioner's words: the table of DEVELOPERS.md."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "durability"
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def rows(head):
    """Cells of the rows of the guide's table with this head."""
    lines = GUIDE.partition(head)[2].splitlines()[2:]
    for line in lines:
        if not line.startswith("| "):
            return
        yield [cell.strip() for cell in line.strip("| ").split(" | ")]


BANNED = [word for cells in rows("| not | but |") for word in cells[0].split(", ")]
LEFT = [(words, Path(where), why) for words, where, why in rows("| words | where | why |")]


def pattern(*words):
    one_of = "|".join(re.escape(each) for each in words)
    return re.compile(rf"(?<![\w-])(?:{one_of})(?![\w-])", re.IGNORECASE)


ANY_BANNED = pattern(*BANNED)


def strings(source):
    """Strings of a module that are not docstrings; of an f-string the text around its fields."""
    tree = ast.parse(source)
    silent = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            silent.add(id(node.value))
        if isinstance(node, ast.JoinedStr):
            silent.update(id(part) for part in node.values)
            yield "".join(
                part.value if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in silent
        ):
            yield node.value


def shown():
    """(file, text) of all that a user may read; a string without a blank is a key or name."""
    for file in sorted(PACKAGE.rglob("*.py")):
        for text in strings(file.read_text(encoding="utf-8")):
            if " " in text.strip():
                yield file, " ".join(text.split())
    for file in sorted(PACKAGE.rglob("*.toml")):
        for line in file.read_text(encoding="utf-8").splitlines():
            if not line.startswith("#"):
                yield file, line.partition(" = ")[2] or line  # the name before it is a column's
    for file in sorted(PACKAGE.rglob("*.sql")):
        statements = re.sub("-- .*", "", file.read_text(encoding="utf-8"))
        for text in re.findall(r"'((?:[^']|'')*)'", statements):
            if " " in text.strip():
                yield file, text
    for file in [*sorted(PACKAGE.rglob("*.html")), *sorted(PACKAGE.rglob("manual/*.md"))]:
        yield file, " ".join(file.read_text(encoding="utf-8").split())
    yield ROOT / "README.md", " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    for file in sorted((ROOT / "queries").glob("*.sql")):
        lines = re.findall(r"^-- (?!example)(.*)", file.read_text(encoding="utf-8"), flags=re.M)
        head = [re.sub(r"^(column|parameter) \w+", "", line) for line in lines]
        yield file, " ".join(head)


SHOWN = [(file.relative_to(ROOT), text) for file, text in shown()]


def without_exceptions(file, text):
    for words, where, _ in LEFT:
        if where in (file, Path("anywhere")):
            text = pattern(words).sub("", text)
    return text


def test_no_word_of_the_left_column_is_shown():
    """When this fails: say it in the words of the right column of DEVELOPERS.md."""
    found = []
    for file, text in SHOWN:
        said = without_exceptions(file, text)
        found += [
            f"{file}: {hit[0]!r} in …{said[max(0, hit.start() - 40) : hit.end() + 40]}…"
            for hit in ANY_BANNED.finditer(said)
        ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(("words", "where", "why"), LEFT)
def test_each_exception_is_needed_and_gives_its_reason(words, where, why):
    assert why
    assert any(
        pattern(words).search(text) and ANY_BANNED.search(words)
        for file, text in SHOWN
        if where in (file, Path("anywhere"))
    )


def test_the_words_are_searched_for_where_a_user_reads_them():
    """Strings, the manual and the heads of questions are all there, docstrings are not."""
    assert len(BANNED) > 60
    assert {file.suffix for file, _ in SHOWN} == {".py", ".toml", ".html", ".md", ".sql"}
    assert list(strings('"""Told."""\nx = f"is {1 + 1} told"')) == ["is {} told"]
