"""The manual that ships with the package: its topics, and the page of one."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path

from durability.record.errors import UnusableCall

FOLDER = Path(__file__).parents[1] / "manual"


def topics() -> dict[str, str]:
    """Topics by name.

    Returns
    -------
    dict of str to str
        Topic, and what its page is about: the first line after its colon.
    """
    return {
        file.stem: file.read_text(encoding="utf-8").partition("\n")[0].partition(": ")[2]
        for file in sorted(FOLDER.glob("*.md"))
    }


def page(topic: str, filled: Mapping[str, str]) -> str:
    """Text of one topic, as Markdown.

    Parameters
    ----------
    topic : str
        Its name.
    filled : mapping of str to str
        Heading of a section that is made from the program itself, and what stands in it; the data
        dictionary is made here.

    Returns
    -------
    str
        The page.

    Raises
    ------
    UnusableCall
        There is no such topic.
    """
    known = topics()
    if topic not in known:
        (nearest,) = get_close_matches(topic, known, n=1, cutoff=0.0)
        raise UnusableCall(f"{topic!r}: no topic of the manual; nearest: {nearest}")
    text = (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
    if "\n## Data dictionary\n" in text:
        filled = {**filled, "Data dictionary": _dictionary()}
    for heading, words in filled.items():
        text = text.replace(f"\n## {heading}\n", f"\n## {heading}\n\n{words}\n")
    return text


def _dictionary() -> str:
    """Every table and view with its columns."""
    from durability.store.dictionary import data_dictionary

    lines = ["Every table, then every view, with type, unit and meaning of each column."]
    for table in data_dictionary():
        kind = "view" if table.is_view else "table"
        lines += ["", f"### {table.name} ({kind})", "", f"{table.meaning}", ""]
        lines += ["| column | type | unit | meaning |", "| --- | --- | --- | --- |"]
        lines += [
            f"| {each.name} | {each.type} | {each.unit or ''} | {each.meaning} |"
            for each in table.columns
        ]
    return "\n".join(lines)
