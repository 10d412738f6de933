"""Photos of damage and inspections: kept beside the store, and wherever the record goes."""

import hashlib
from pathlib import Path

import pytest

PNG = b"\x89PNG\r\n\x1a\n" + b"a crack"
FILES = {"crack.png": PNG, "dead.heic": b"a dead display", "again.png": PNG}
DIGESTS = {name: hashlib.sha256(content).hexdigest() for name, content in FILES.items()}


@pytest.fixture
def lab(run, once):
    """A store with a photo of damage and two of an inspection, one of them the same photo."""

    def make():
        run("init")
        for code, kind in (("C1", "case"), ("R1", "device")):
            run("specimen", "add", code, "--kind", kind)
        for name, content in FILES.items():
            Path(name).write_bytes(content)
        run("damage", "add", "C1", "--severity", "2", "--photo", "crack.png")
        for day, outcome in ((1, "pass"), (2, "fail")):
            at = ("--inspected-at", f"2026-11-0{day}T09:00")
            run("inspect", "record", "R1", "--check", f"display={outcome}", *at)
        run("inspect", "photo", "R1", "dead.heic", "again.png", "--function", "display")

    once(make)
    return run


def folder(store="store"):
    return {each.name: each.read_bytes() for each in Path(f"{store}.photos").iterdir()}


KEPT = {f"{DIGESTS['crack.png']}.png": PNG, DIGESTS["dead.heic"]: FILES["dead.heic"]}


def photos(run, *more):
    told = run("query", "--sql", "FROM all_photos ORDER BY file_name", "--json", *more).json
    return [dict(zip(told["columns"], row, strict=True)) for row in told["rows"]]


def test_photos_are_kept_by_their_digest_with_what_they_show(lab):
    assert folder() == KEPT
    again, crack, dead = photos(lab)
    assert (crack["specimen"], crack["function"], crack["media_type"]) == ("C1", None, "image/png")
    for each in (again, dead):
        assert (each["specimen"], each["function"]) == ("R1", "display")
        assert each["inspected_at"] == "2026-11-02T09:00:00"  # the latest
        assert each["bytes"] == len(FILES[each["file_name"]]) and each["is_kept"]
    assert "photo dead.heic (SHA-256" in str(lab("history", "R1", "--json").json)
    told = lab("inspect", "photo", "R1", "crack.png", "--inspected-at", "2026-11-01", "--json").json
    assert (told["inspected_at"], told["function"]) == ("2026-11-01T09:00:00", None)
    assert folder() == KEPT
    for words, said in (
        (("R1", "crack.png", "--function", "radio"), "that inspection covered display"),
        (("R1", "crack.png", "--inspected-at", "2026-11-03"), "no inspection on 2026-11-03"),
        (("C1", "crack.png"), "no inspection; see"),
        (("R1", "none.png"), "No such file"),
    ):
        told = lab("inspect", "photo", *words, expect=None)
        assert told.status in (1, 2) and said in told.err and told.err.count("\n") == 1
    assert len(photos(lab)) == 4


def test_a_photo_that_is_gone_or_another_one_is_named(lab):
    assert "2 photos kept, each as it was added" in lab("verify").out
    Path("store.photos", f"{DIGESTS['crack.png']}.png").write_bytes(PNG + b"?")
    Path("store.photos", DIGESTS["dead.heic"]).unlink()
    told = " ".join(lab("verify", expect=1).out.split())
    assert "photo again.png" in told and "its file is another one now" in told
    assert "photo dead.heic" in told and "its file is missing" in told
    # What is left goes wherever the record goes, and what is missing is said.
    assert "2 photos not in " in lab("backup", "copies", expect=1).err
    assert lab("export", "out", "--json", expect=1).json["missing_photos"].startswith("2 photos")
    lab("damage", "add", "C1", "--severity", "2", "--photo", "crack.png")
    assert folder() == {f"{DIGESTS['crack.png']}.png": PNG}


def test_photos_go_with_backups_exports_and_merges(lab):
    lab("seal")
    made = lab("backup", "copies", "--json").json
    assert made["photos"] == 2 and folder("copies/store") == KEPT
    lab("restore", made["file"], "--store", "restored.duckdb")
    lab("export", "out")
    lab("import", "record", "out", "--store", "back.duckdb")
    for site, other in (("one", "out"), ("two", "store.duckdb")):
        lab("init", "--store", f"{site}.duckdb")
        assert (
            lab("merge", other, "--store", f"{site}.duckdb", "--json").json["added"]["photo"] == 3
        )
    lab("export", "since", "--since", "2020-01-01")
    Path("since", "photos", DIGESTS["dead.heic"]).write_bytes(b"another")
    assert "not as it was exported" in lab("merge", "since", "--store", "one.duckdb", expect=1).err
    was = photos(lab)
    for name in ("restored", "back", "one", "two"):
        assert folder(name) == KEPT, name
        assert photos(lab, "--store", f"{name}.duckdb") == was
        assert lab("verify", "--json", "--store", f"{name}.duckdb").json["is_sound"]


def test_the_page_shows_a_kept_photo_wherever_its_file_went(lab):
    Path("crack.png").unlink()
    lab("series", "open", "S1", "--device", "R1", "--case", "C1")
    lab("drop", "add", "S1", "100")
    lab("damage", "add", "C1", "--severity", "3", "--photo", "again.png")
    Path("again.png").unlink()
    lab("report", "-o", "page.html", "--with-photos")
    assert "data:image/png;base64," in Path("page.html").read_text(encoding="utf-8")
