"""What one learns by: the manual, and the invented scenario as a store of its own."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from durability.record.errors import StoreUnusable, UnusableCall
from durability.store import bench, database, saved_queries
from durability.workflow.session import Session, entry, make_store

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
    from durability.store.archive import data_dictionary

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


STORE_NAME = "durability-demo.duckdb"
"""Made in the current folder unless another store is named."""
PERSON = "demo (invented)"
"""Who entered everything in the demo's store; by it such a store is known."""
_KINDS = ("specimens", "drops", "damage", "inspections")


@dataclass(frozen=True, slots=True)
class DemoStore:
    """Where the invented record is."""

    store: Path
    is_new: bool
    files_folder: Path
    """Holds the CSV files that the store was made from."""
    added: Mapping[str, int]
    """Rows taken from each kind of file; empty when the store was there already."""


def demo_store_path(named: str | None) -> Path:
    """Where the demo's store goes: as named, else DURABILITY_STORE, else its own name here."""
    return Path(named or os.environ.get("DURABILITY_STORE") or STORE_NAME)


def build_demo(store: Path) -> DemoStore:
    """Make the store of the invented scenario, or find it made already.

    It is built beside its place and moved there when complete, so an interrupted build leaves
    nothing. A file that already exists is never written to.

    Parameters
    ----------
    store : Path
        Where the store shall be.

    Returns
    -------
    DemoStore
        What is there now.

    Raises
    ------
    StoreUnusable
        Another store, or a foreign file, is there; or the folder is missing.
    UnusableCall
        The files can't be written.
    """
    folder = store.with_name(f"{store.stem}-files")
    if store.exists():
        if not is_demo(store):
            raise StoreUnusable(
                f"{store}: holds a record of yours, and the demo never touches one; build the demo"
                f" elsewhere with: durability demo --store {STORE_NAME}"
            )
        return DemoStore(store, False, folder, {})
    if not store.parent.is_dir():
        raise StoreUnusable(f"{store}: the folder {store.parent} does not exist; make it first")
    try:
        with tempfile.TemporaryDirectory(prefix=".durability-demo-", dir=store.parent) as building:
            files = _copy_files(Path(building))
            made = Path(building) / store.name
            added = _take_in(made, files)
            folder.mkdir(exist_ok=True)
            for file in files.values():
                if not (folder / file.name).exists():
                    file.rename(folder / file.name)
            made.rename(store)
    except OSError as error:
        raise UnusableCall(f"{store}: the demo can't be written there ({error.strerror})") from None
    return DemoStore(store, True, folder, added)


def is_demo(store: Path) -> bool:
    """Whether a store was made by the demo: whether it entered the first thing there.

    Parameters
    ----------
    store : Path
        An existing store.

    Returns
    -------
    bool
        True also after a person has gone on in it, to learn.

    Raises
    ------
    StoreUnusable
        The file is no store.
    """
    with database.reading(store) as connection:
        people = bench.fetch(connection, "first_person")
    return [row["entered_by"] for row in people] == [PERSON]


def _copy_files(folder: Path) -> dict[str, Path]:
    """Copy the files that ship, marked as invented: kind → file, in the order of import."""
    shipped = saved_queries.shipped_folder("fixtures/demo")
    files = {kind: folder / f"invented-{kind}.csv" for kind in _KINDS}
    for kind, file in files.items():
        shutil.copyfile(shipped / f"{kind}.csv", file)
    return files


def _take_in(store: Path, files: Mapping[str, Path]) -> dict[str, int]:
    """Import the files, and type what a lab would type."""
    # What takes files in loads pandas, which no one else who asks for the demo needs.
    from durability.workflow import archive, corrections, sensors, specimens

    typed = saved_queries.shipped_folder("fixtures/demo") / "typed.toml"
    lab = tomllib.loads(typed.read_text(encoding="utf-8"))
    session = Session(store, PERSON)
    make_store(session)
    for code, certificate in lab["sensors"].items():
        sensors.add_sensor(session, code, certificate)
    added = {
        kind: archive.import_files(session, kind, [file]).added for kind, file in files.items()
    }
    for code, certificate in lab["calibrations"].items():
        sensors.add_calibration(session, code, certificate)
    _follow_plan(session, lab["plan"])
    for each in lab["amended"]:
        corrections.amend_record(
            session, "drops", each["series"], each["set"], each["reason"], each["drop_number"]
        )
    for each in lab["voided"]:
        corrections.void_drop(session, each["series"], each["drop_number"], each["reason"])
    for each in lab["retired"]:
        specimens.retire_specimen(session, each["specimen"], each["reason"])
    return added


def _follow_plan(session: Session, plan: Mapping[str, Any]) -> None:
    with entry(session, "inspect schedule") as (connection, entry_id):
        plan_id = bench.run(
            connection,
            "add_plan",
            name=plan["name"],
            anchor="last drop",
            stage_names=list(plan["stages"]),
            stage_days=list(plan["stages"].values()),
            functions=plan["functions"],
            entry_id=entry_id,
        )
        bench.run(
            connection,
            "assign_plan",
            follow_up_plan_id=plan_id,
            device_id=None,
            device_model=plan["device_model"],
            entry_id=entry_id,
        )
